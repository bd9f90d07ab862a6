package epd

import (
	"errors"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// Limits of a number as printed, checked on its bytes before a decimal is made.
const (
	maxNumberBytes = 64
	maxDigits      = 30 // without zeros in front; a binary64 prints with at most 17
	maxExponent    = 30 // either way
)

var (
	errNumber = errors.New(`accepted: a decimal such as 12.3 or 1.23E-2, with a decimal point; neither NaN nor INF`)
	errRange  = errors.New("accepted: at most 30 digits, an exponent from -30 to 30, and less than 1E15")

	tooLarge = decimal.New(1, num.MaxIntegerDigits)
)

// printed is a number as it stands in a data set.
type printed struct {
	value decimal.Decimal // every digit of it
	last  int             // power of ten of the last digit: -2 of "1.20", 1 of "1.2E2"
}

// parsePrinted reads a number in the lexical form of xs:double (XML Schema part
// 2, section 3.2.5), to which that of JSON belongs: "12.3", "-1.23E-2", "+.5".
// NaN and INF are refused. The digits are read exactly, by num.Parse in pieces
// that it takes; the point is then only moved, so that nothing is rounded here.
func parsePrinted(s string) (printed, error) {
	if len(s) > maxNumberBytes {
		return printed{}, errRange
	}
	unsigned, negative := strings.CutPrefix(s, "-")
	if !negative {
		unsigned = strings.TrimPrefix(s, "+")
	}
	last := 0
	mantissa := unsigned
	if at := strings.IndexAny(unsigned, "eE"); at >= 0 {
		exponent := unsigned[at+1:]
		mantissa = unsigned[:at]
		figures := strings.TrimPrefix(exponent, "-")
		if figures == exponent {
			figures = strings.TrimPrefix(exponent, "+")
		}
		if !onlyDigits(figures) {
			return printed{}, errNumber
		}
		e, err := strconv.Atoi(figures)
		if err != nil || e > maxExponent {
			return printed{}, errRange
		}
		if exponent[0] == '-' {
			e = -e
		}
		last = e
	}
	integer, fraction, _ := strings.Cut(mantissa, ".")
	if !onlyDigits(integer + fraction) {
		return printed{}, errNumber
	}
	last -= len(fraction)
	digits := strings.TrimLeft(integer+fraction, "0")
	if len(digits) > maxDigits {
		return printed{}, errRange
	}
	value := decimal.Zero
	for len(digits) > 0 {
		piece := digits[:min(len(digits), num.MaxIntegerDigits)]
		digits = digits[len(piece):]
		value = value.Shift(int32(len(piece))) //nolint:gosec // at most 15
		if figures := strings.TrimLeft(piece, "0"); figures != "" {
			d, err := num.Parse(figures)
			if err != nil {
				return printed{}, errNumber
			}
			value = value.Add(d)
		}
	}
	if value.IsZero() {
		return printed{decimal.Zero, last}, nil
	}
	value = value.Shift(int32(last)) //nolint:gosec // within -94 and 30 by the limits above
	if value.GreaterThanOrEqual(tooLarge) {
		return printed{}, errRange
	}
	if negative {
		value = value.Neg()
	}
	return printed{value, last}, nil
}

func onlyDigits(s string) bool {
	for i := 0; i < len(s); i++ {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}

// additionError bounds the relative error of two additions in binary64, in which
// most publishers compute: 2 · 2^-53 = 2.22E-16, rounded up.
var additionError = decimal.New(223, -18)

// sum adds the values, exactly.
func sum(numbers []printed) decimal.Decimal {
	var total num.Total
	for _, n := range numbers {
		total.Add(n.value)
	}
	return total.Value()
}

// sumsTo tells whether a total can be that of the parts, as they are printed.
func sumsTo(total printed, parts []printed) bool {
	rounding, addition := slack(total, parts)
	return total.value.Sub(sum(parts)).Abs().LessThanOrEqual(rounding.Add(addition))
}

// slack is how far a total may be from the sum of its parts: the sum of two
// shares, that of rounding and that of addition.
//
// A number printed to a last digit of unit u stands for a true one at most u/2
// away. If the true parts sum to the true total, then the printed ones differ
// by at most the sum of u/2 over the total and all its parts. And a total that
// was added in binary64 is off by additionError of the sum of the absolute parts
// before it is printed.
//
// A printed zero tells its rounding only where others are rounded alike: "0"
// beside 0.0123 is nothing, not something below 0.5. So a zero counts with its
// own unit or the coarsest unit of the others, whichever is finer.
func slack(total printed, parts []printed) (rounding, addition decimal.Decimal) {
	all := append([]printed{total}, parts...)
	const none = -1000
	coarsest := none
	for _, n := range all {
		if !n.value.IsZero() {
			coarsest = max(coarsest, n.last)
		}
	}
	if coarsest == none {
		return decimal.Zero, decimal.Zero
	}
	for _, n := range all {
		last := n.last
		if n.value.IsZero() {
			last = min(last, coarsest)
		}
		rounding = rounding.Add(decimal.New(5, int32(last)-1)) //nolint:gosec // within -94 and 30
	}
	for _, n := range parts {
		addition = addition.Add(n.value.Abs().Mul(additionError))
	}
	return rounding, addition
}
