package num

import (
	"errors"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"
)

// What other programs write may have an exponent, which Parse refuses. Two rules read
// it, and they differ, because the texts do:
//
//   - ParsePrinted is for text that somebody printed, as in an EPD: every digit counts
//     and says how the number was rounded.
//   - ShortestDouble is for text by which a program saved a binary number, as in a
//     spreadsheet: its last digits are an artefact of the conversion.

// Limits of a printed number, checked on its bytes before a decimal is made.
const (
	MaxPrintedBytes    = 64
	maxPrintedDigits   = 30 // without zeros in front; a binary64 prints with at most 17
	maxPrintedExponent = 30 // either way
)

// Refusals of ParsePrinted.
var (
	ErrPrinted      = errors.New("accepted: a decimal such as 12.3 or 1.23E-2, with a decimal point; neither NaN nor INF")
	ErrPrintedRange = errors.New("accepted: at most 30 digits, an exponent from -30 to 30, and less than 1E15")
)

// Refusals of ShortestDouble.
var (
	ErrDouble       = errors.New("not a binary number as programs write it")
	ErrDoubleDigits = errors.New("more digits than a binary number keeps")
)

var tooLarge = decimal.New(1, MaxIntegerDigits)

// Printed is a number as it stands in print.
type Printed struct {
	Value decimal.Decimal // every digit of it
	Last  int             // power of ten of the last digit: -2 of "1.20", 1 of "1.2E2"
}

// ParsePrinted reads a number in the lexical form of xs:double (XML Schema part
// 2, section 3.2.5), to which that of JSON belongs: "12.3", "-1.23E-2", "+.5".
// NaN and INF are refused. The digits are read exactly, by Parse in pieces
// that it takes; the point is then only moved, so that nothing is rounded here.
// The error is ErrPrinted or ErrPrintedRange.
func ParsePrinted(s string) (Printed, error) {
	if len(s) > MaxPrintedBytes {
		return Printed{}, ErrPrintedRange
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
			return Printed{}, ErrPrinted
		}
		e, err := strconv.Atoi(figures)
		if err != nil || e > maxPrintedExponent {
			return Printed{}, ErrPrintedRange
		}
		if exponent[0] == '-' {
			e = -e
		}
		last = e
	}
	integer, fraction, _ := strings.Cut(mantissa, ".")
	if !onlyDigits(integer + fraction) {
		return Printed{}, ErrPrinted
	}
	last -= len(fraction)
	digits := strings.TrimLeft(integer+fraction, "0")
	if len(digits) > maxPrintedDigits {
		return Printed{}, ErrPrintedRange
	}
	value := decimal.Zero
	for len(digits) > 0 {
		piece := digits[:min(len(digits), MaxIntegerDigits)]
		digits = digits[len(piece):]
		value = value.Shift(int32(len(piece))) //nolint:gosec // at most 15
		if figures := strings.TrimLeft(piece, "0"); figures != "" {
			d, err := Parse(figures)
			if err != nil {
				return Printed{}, ErrPrinted
			}
			value = value.Add(d)
		}
	}
	if value.IsZero() {
		return Printed{decimal.Zero, last}, nil
	}
	value = value.Shift(int32(last)) //nolint:gosec // within -94 and 30 by the limits above
	if value.GreaterThanOrEqual(tooLarge) {
		return Printed{}, ErrPrintedRange
	}
	if negative {
		value = value.Neg()
	}
	return Printed{value, last}, nil
}

func onlyDigits(s string) bool {
	for i := 0; i < len(s); i++ {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}

// Digits of a binary number (IEEE 754 double): as many as tell any two apart.
const (
	doubleDigits   = 17
	maxDoubleBytes = 40
)

// ShortestDouble is a binary number, as a program saved it, as a plain decimal.
//
// Programs that compute in binary write 17 digits, so what was typed as 0.142 is
// saved as 0.14199999999999999. Of all decimals that are the same binary number the
// one of the fewest digits is taken, which is 0.142; a decimal of at most 15 digits
// is always its own. An exponent is expanded. No digit is rounded away; text of more
// than 17 digits was no binary number and is refused. The result may have more digits
// than Parse takes. The error is ErrDouble or ErrDoubleDigits.
func ShortestDouble(text string) (string, error) {
	if len(text) > maxDoubleBytes {
		return "", ErrDoubleDigits
	}
	if strings.Trim(text, "0123456789+-.eE") != "" {
		return "", ErrDouble
	}
	mantissa, _, _ := strings.Cut(strings.ToLower(text), "e")
	if len(strings.Trim(strings.ReplaceAll(strings.Trim(mantissa, "+-"), ".", ""), "0")) > doubleDigits {
		return "", ErrDoubleDigits
	}
	f, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return "", ErrDouble
	}
	if f == 0 {
		return "0", nil
	}
	return strconv.FormatFloat(f, 'f', -1, 64), nil
}
