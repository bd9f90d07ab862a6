package cost

import (
	"errors"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// ErrSchedule: the rates of a schedule are not in the order of their years, or do
// not begin with year 0.
var ErrSchedule = errors.New("a schedule of rates begins with year 0, and its years rise")

// RateFrom is the real discount rate of each year from one on, to the next of a
// schedule: that by which the step from year n-1 to year n discounts.
type RateFrom struct {
	From int // years
	Rate decimal.Decimal
}

// NewScheduledFactors computes the factors for rates that change with time, as
// where the far future is discounted less (UK Treasury, The Green Book, Annex 6:
// 3.5 % to year 30, 3.0 % to year 75, 2.5 % to year 125; from memory). They are
// forward rates, each year's step on top of those before it:
//
//	factor of year n = 1 / ((1+r₁)(1+r₂)…(1+rₙ))
//
// The product is exact and is divided once, to 34 digits. A schedule of one rate
// gives its factors to the last digit. An annual value is the present value over
// the sum of the factors, which is exact before its one division. The errors are
// ErrRate, ErrYears and ErrSchedule.
func NewScheduledFactors(rates []RateFrom, period int) (*Factors, error) {
	if period < 1 || period > MaxYears {
		return nil, ErrYears
	}
	if len(rates) == 0 || rates[0].From != 0 {
		return nil, ErrSchedule
	}
	for i, r := range rates {
		if _, err := onePlus(r.Rate); err != nil {
			return nil, err
		}
		if i > 0 && r.From <= rates[i-1].From {
			return nil, ErrSchedule
		}
	}
	f := &Factors{single: make([]num.Multiplier, period+1)}
	// Over year n's growth stands the sum of the factors as the growth from each
	// year to year n: sum = sum × (1+rₙ) + 1.
	growth, sum := num.One, decimal.Zero
	for year, at := 0, 0; year <= period; year++ {
		if year > 0 {
			for at+1 < len(rates) && rates[at+1].From <= year {
				at++
			}
			base := num.One.Add(rates[at].Rate)
			growth, sum = growth.Mul(base), sum.Mul(base).Add(num.One)
		}
		factor, err := num.Div(num.One, growth)
		if err != nil {
			return nil, err
		}
		f.single[year] = num.NewMultiplier(factor)
	}
	var err error
	if f.uniform, err = num.Div(sum, growth); err != nil {
		return nil, err
	}
	recovery, err := num.Div(growth, sum)
	f.recovery = num.NewMultiplier(recovery)
	return f, err
}
