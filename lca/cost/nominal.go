package cost

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// BothWays is the net present value of some flows in real and in nominal terms,
// each summed before it is rounded.
type BothWays struct {
	Real    decimal.Decimal // amounts at today's prices with real escalation, at the real rate
	Nominal decimal.Decimal // amounts at the prices of their year, at the nominal rate
}

// PresentBothWays values flows once in real terms and once in nominal terms,
// which must agree (ASTM E917; GSA P100):
//
//	real     Σ amount × price × (1+e)ⁿ / (1+d)ⁿ
//	nominal  Σ amount × price × (1+E)ⁿ / (1+D)ⁿ,   1+E = (1+e)(1+I)
//
// Each line has one division, to 34 digits, and the sums are not rounded. Where a
// real rate was made from a nominal one it has 34 digits, so that the two differ
// in about the thirtieth. Residual values count less, user cost and emissions
// not. Rates and inflation are greater than -1, else ErrRate; years are from 0 to
// MaxYears, else ErrYears.
func PresentBothWays(flows []Flow, realRate, nominalRate, inflation decimal.Decimal) (BothWays, error) {
	var b BothWays
	for _, f := range flows {
		var sign decimal.Decimal
		switch f.Kind {
		case Initial, Maintenance:
			sign = num.One
		case Residual:
			sign = num.One.Neg()
		default:
			continue
		}
		escalation, err := Nominal(f.Escalation, inflation)
		if err != nil {
			return b, err
		}
		inReal, err := EscalatedSinglePresentValue(realRate, f.Escalation, f.Year)
		if err != nil {
			return b, err
		}
		inNominal, err := EscalatedSinglePresentValue(nominalRate, escalation, f.Year)
		if err != nil {
			return b, err
		}
		amount := f.Amount.Mul(f.Price).Mul(sign)
		b.Real = b.Real.Add(amount.Mul(inReal))
		b.Nominal = b.Nominal.Add(amount.Mul(inNominal))
	}
	return b, nil
}

// Agree tells whether both ways differ by less than 1e-9 of the currency, far
// below the last printed digit.
func (b BothWays) Agree() bool {
	return b.Real.Sub(b.Nominal).Abs().LessThan(decimal.New(1, -9))
}
