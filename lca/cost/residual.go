package cost

import (
	"errors"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

var (
	// ErrLife: a service life of less than a year.
	ErrLife = errors.New("a service life must be at least 1 year")
	// ErrYear: an event at a time at which it cannot be.
	ErrYear = errors.New("year outside the period")
)

// RemainingLife is the value at the end of the period of an activity whose
// life reaches beyond it,
//
//	cost · (placed + life - period) / life
//
// and 0 when nothing remains (practice of FHWA-SA-98-079). Years are whole,
// 0 ≤ placed ≤ period and life ≥ 1, else ErrYear and ErrLife; the result is in
// the unit of cost, at the prices of cost, not discounted, to 34 digits.
//
// An activity in the last year of the period has its whole life left: it is
// credited in full in the year in which it is paid and changes no net present
// value. That is seldom what was meant, and callers warn of it.
func RemainingLife(cost decimal.Decimal, placedYear, lifeYears, periodYears int) (decimal.Decimal, error) {
	if lifeYears < 1 {
		return decimal.Zero, ErrLife
	}
	if placedYear < 0 || placedYear > periodYears {
		return decimal.Zero, ErrYear
	}
	remaining := lifeYears - (periodYears - placedYear)
	if remaining <= 0 {
		return decimal.Zero, nil
	}
	return num.Div(cost.Mul(decimal.New(int64(remaining), 0)), decimal.New(int64(lifeYears), 0))
}

// StraightLine is the value after some years of what was bought for cost and
// loses value evenly down to final at the end of its life,
//
//	cost - (cost - final) · year / life
//
// and final afterwards. Years are whole, year ≥ 0 and life ≥ 1, else ErrYear
// and ErrLife; the result is in the unit of cost, not discounted, to 34 digits.
func StraightLine(cost, final decimal.Decimal, lifeYears, year int) (decimal.Decimal, error) {
	if lifeYears < 1 {
		return decimal.Zero, ErrLife
	}
	if year < 0 {
		return decimal.Zero, ErrYear
	}
	if year >= lifeYears {
		return final, nil
	}
	left, gone := decimal.New(int64(lifeYears-year), 0), decimal.New(int64(year), 0)
	return num.Div(cost.Mul(left).Add(final.Mul(gone)), decimal.New(int64(lifeYears), 0))
}
