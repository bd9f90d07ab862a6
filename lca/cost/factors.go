// Package cost is life-cycle costing per square metre of pavement: discount
// factors, residual values, and the present value of dated flows.
//
// Rates are fractions per year (3 % is 0.03), times are whole years, and every
// flow falls at the end of its year; year 0 is now. Amounts are in constant
// (real) money unless a function says otherwise, so rates are real rates.
//
// Sources: ASTM E917 (Standard Practice for Measuring Life-Cycle Costs of
// Buildings and Building Systems) and ASTM E833 (terminology), whose factors
// NIST Handbook 135 shares; the formulas were read in GSA P100, Facilities
// Standards for the Public Buildings Service. Pavement practice is that of
// FHWA-SA-98-079, Life-Cycle Cost Analysis in Pavement Design.
package cost

import (
	"errors"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// MaxYears is the longest time that is discounted. Powers are exact, so that
// their digits, and the work, grow with the years.
const MaxYears = 200

var (
	// ErrRate: a rate of -100 % or below, at which nothing is left to discount.
	ErrRate = errors.New("a rate must be greater than -100 %")
	// ErrYears: a number of years that no factor is defined for.
	ErrYears = errors.New("years must be from 0 to 200; an annual value needs at least 1")
)

// compound returns (1+rate)^n, exact.
func compound(rate decimal.Decimal, n int) (decimal.Decimal, error) {
	base, err := onePlus(rate)
	if err != nil {
		return decimal.Zero, err
	}
	if n < 0 || n > MaxYears {
		return decimal.Zero, ErrYears
	}
	return num.PowInt(base, n)
}

func onePlus(rate decimal.Decimal) (decimal.Decimal, error) {
	base := num.One.Add(rate)
	if base.Sign() <= 0 {
		return decimal.Zero, ErrRate
	}
	return base, nil
}

// SinglePresentValue is the present value of 1 paid at the end of year n,
//
//	SPV = (1+d)^-n
//
// (ASTM E917): the power is exact and is divided once, to 34 digits. The
// errors are ErrRate and ErrYears.
func SinglePresentValue(rate decimal.Decimal, n int) (decimal.Decimal, error) {
	growth, err := compound(rate, n)
	if err != nil {
		return decimal.Zero, err
	}
	return num.Div(num.One, growth)
}

// UniformPresentValue is the present value of 1 paid at the end of each of the
// years 1 to n,
//
//	UPV = ((1+d)^n - 1) / (d (1+d)^n)
//
// and n when d is 0 (ASTM E917), with one division. The errors are ErrRate and
// ErrYears.
func UniformPresentValue(rate decimal.Decimal, n int) (decimal.Decimal, error) {
	over, under, err := uniform(rate, n)
	if err != nil {
		return decimal.Zero, err
	}
	return num.Div(over, under)
}

// CapitalRecovery is the payment at the end of each of the years 1 to n whose
// present value is 1,
//
//	UCR = 1/UPV = d (1+d)^n / ((1+d)^n - 1)
//
// and 1/n when d is 0 (ASTM E917), with one division. The errors are ErrRate
// and ErrYears, the latter also for n = 0.
func CapitalRecovery(rate decimal.Decimal, n int) (decimal.Decimal, error) {
	if n == 0 {
		return decimal.Zero, ErrYears
	}
	over, under, err := uniform(rate, n)
	if err != nil {
		return decimal.Zero, err
	}
	return num.Div(under, over)
}

// uniform returns the exact numerator and denominator of UPV.
func uniform(rate decimal.Decimal, n int) (over, under decimal.Decimal, err error) {
	growth, err := compound(rate, n)
	if err != nil {
		return over, under, err
	}
	if rate.IsZero() {
		return decimal.New(int64(n), 0), num.One, nil
	}
	return growth.Sub(num.One), rate.Mul(growth), nil
}

// EscalatedSinglePresentValue is the present value of one payment at the end
// of year n that is 1 at today's price and escalates by e a year,
//
//	SPV* = ((1+e)/(1+d))^n
//
// with one division. The errors are ErrRate, for either rate, and ErrYears.
func EscalatedSinglePresentValue(rate, escalation decimal.Decimal, n int) (decimal.Decimal, error) {
	discount, err := compound(rate, n)
	if err != nil {
		return decimal.Zero, err
	}
	growth, err := compound(escalation, n)
	if err != nil {
		return decimal.Zero, err
	}
	return num.Div(growth, discount)
}

// EscalatedUniformPresentValue is the present value of payments at the end of
// each of the years 1 to n that are 1 at today's price and escalate by e a
// year (ASTM E917, UPV*),
//
//	UPV* = (1+e)/(d-e) · (1 - ((1+e)/(1+d))^n)
//
// and n when d = e. It is brought to one division, by (d-e)(1+d)^n. The errors
// are ErrRate, for either rate, and ErrYears.
func EscalatedUniformPresentValue(rate, escalation decimal.Decimal, n int) (decimal.Decimal, error) {
	discount, err := compound(rate, n)
	if err != nil {
		return decimal.Zero, err
	}
	growth, err := compound(escalation, n)
	if err != nil {
		return decimal.Zero, err
	}
	if rate.Equal(escalation) {
		return decimal.New(int64(n), 0), nil
	}
	over := num.One.Add(escalation).Mul(discount.Sub(growth))
	return num.Div(over, rate.Sub(escalation).Mul(discount))
}

// Nominal turns a real rate into the nominal rate under inflation, exactly:
//
//	D = (1+d)(1+I) - 1
//
// (ASTM E917, GSA P100). Escalation follows the same rule, E = e + I + eI. The
// error is ErrRate.
func Nominal(realRate, inflation decimal.Decimal) (decimal.Decimal, error) {
	a, err := onePlus(realRate)
	if err != nil {
		return decimal.Zero, err
	}
	b, err := onePlus(inflation)
	if err != nil {
		return decimal.Zero, err
	}
	return a.Mul(b).Sub(num.One), nil
}

// Real turns a nominal rate into the real rate,
//
//	d = (1+D)/(1+I) - 1 = (D-I)/(1+I)
//
// to 34 digits. The roles are symmetric: given the real rate in place of
// inflation, it returns the inflation that the two rates imply. The error is
// ErrRate.
func Real(nominalRate, inflation decimal.Decimal) (decimal.Decimal, error) {
	if _, err := onePlus(nominalRate); err != nil {
		return decimal.Zero, err
	}
	b, err := onePlus(inflation)
	if err != nil {
		return decimal.Zero, err
	}
	return num.Div(nominalRate.Sub(inflation), b)
}
