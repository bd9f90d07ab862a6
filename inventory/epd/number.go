package epd

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// tooLarge is the least that an inventory does not hold.
var tooLarge = decimal.New(1, num.MaxIntegerDigits)

// additionError bounds the relative error of two additions in binary64, in which
// most publishers compute: 2 · 2^-53 = 2.22E-16, rounded up.
var additionError = decimal.New(223, -18)

// sum adds the values, exactly.
func sum(numbers []num.Printed) decimal.Decimal {
	var total num.Total
	for _, n := range numbers {
		total.Add(n.Value)
	}
	return total.Value()
}

// sumsTo tells whether a total can be that of the parts, as they are printed.
func sumsTo(total num.Printed, parts []num.Printed) bool {
	rounding, addition := slack(total, parts)
	return total.Value.Sub(sum(parts)).Abs().LessThanOrEqual(rounding.Add(addition))
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
func slack(total num.Printed, parts []num.Printed) (rounding, addition decimal.Decimal) {
	all := append([]num.Printed{total}, parts...)
	const none = -1000
	coarsest := none
	for _, n := range all {
		if !n.Value.IsZero() {
			coarsest = max(coarsest, n.Last)
		}
	}
	if coarsest == none {
		return decimal.Zero, decimal.Zero
	}
	for _, n := range all {
		last := n.Last
		if n.Value.IsZero() {
			last = min(last, coarsest)
		}
		rounding = rounding.Add(decimal.New(5, int32(last)-1)) //nolint:gosec // within -94 and 30
	}
	for _, n := range parts {
		addition = addition.Add(n.Value.Abs().Mul(additionError))
	}
	return rounding, addition
}
