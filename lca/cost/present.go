package cost

import (
	"errors"
	"fmt"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// Kind tells to which part of the result a flow belongs.
type Kind string

// Kinds of flow, and the years in which each may fall.
const (
	Initial     Kind = "initial"     // construction, paid by the agency: year 0
	Maintenance Kind = "maintenance" // upkeep and rehabilitation, paid by the agency: year 1 to the end of the period
	User        Kind = "user"        // borne by road users, such as delay in a work zone: year 0 to the end of the period
	Emission    Kind = "emission"    // emissions at a price of carbon, which nobody need pay: year 0 to the end of the period
	Residual    Kind = "residual"    // value left, a credit, given as a positive amount: the end of the period
)

// Flow is one dated amount of something, and what a unit of it costs today.
type Flow struct {
	Kind       Kind
	Item       string          // code in the inventory; empty for a lump sum
	Label      string          // for people
	Year       int             // whole years from now
	Amount     decimal.Decimal // of Unit per m², as printed
	Unit       string
	Price      decimal.Decimal // currency per PriceUnit, as printed, at today's prices
	PriceUnit  string
	Escalation decimal.Decimal // real price change per year, beyond inflation; 0 is none
	Source     string          // where the price comes from
}

// Line is a flow and what it comes to, in currency per m². Cost and
// PresentValue are each computed from the printed amount, price and factor and
// rounded once, to 6 decimals, half to even; the present value is not a
// rounding of a rounding.
type Line struct {
	Flow
	Cost             decimal.Decimal // amount × price × escalation factor
	EscalationFactor decimal.Decimal // (1 + escalation)^year, 34 digits; 1 where there is none
	DiscountFactor   decimal.Decimal // (1 + rate)^-year, 34 digits
	PresentValue     decimal.Decimal // amount × price × escalation factor × discount factor
}

// Result is the cost of one alternative in currency per m². Every total is the
// exact sum of the present values of the lines of its kind.
type Result struct {
	Lines            []Line          // in the order of the flows
	Initial          decimal.Decimal // year 0
	Maintenance      decimal.Decimal // present value
	User             decimal.Decimal // present value; in no other total
	Emission         decimal.Decimal // present value; in no other total
	Residual         decimal.Decimal // present value, a positive credit
	NetPresentValue  decimal.Decimal // Initial + Maintenance - Residual
	EquivalentAnnual decimal.Decimal // NetPresentValue × UCR, a line of its own, rounded once
}

// ErrKind: a flow of no known kind.
var ErrKind = errors.New("unknown kind of flow")

// FlowError says which flow cannot be valued, and why: ErrKind, ErrYear, or
// ErrRate for its escalation.
type FlowError struct {
	Index int // in the list of flows
	Flow  Flow
	Err   error
}

func (e *FlowError) Error() string {
	return fmt.Sprintf("flow %d (%s %q, year %d): %v", e.Index, e.Flow.Kind, e.Flow.Label, e.Flow.Year, e.Err)
}

func (e *FlowError) Unwrap() error { return e.Err }

// Factors holds the discount factors of one rate, or schedule of rates, and
// period. It is built once, shared by all alternatives of a comparison, and safe
// for concurrent use.
type Factors struct {
	single   []num.Multiplier // by year, 0 to the period
	uniform  decimal.Decimal
	recovery num.Multiplier
}

// NewFactors computes the factors for a real rate greater than -1 and a period
// of 1 to MaxYears years. The errors are ErrRate and ErrYears.
func NewFactors(rate decimal.Decimal, period int) (*Factors, error) {
	return NewScheduledFactors([]RateFrom{{Rate: rate}}, period)
}

// Period is the number of years that the factors reach.
func (f *Factors) Period() int { return len(f.single) - 1 }

// Uniform is the present value of 1 at the end of each year of the period, the
// sum of the discount factors of the years 1 to its end: UPV where the rate is
// one. It is summed exactly and rounded once, to 34 digits.
func (f *Factors) Uniform() decimal.Decimal { return f.uniform }

// Recovery is 1/Uniform, divided once, to 34 digits: UCR where the rate is one.
func (f *Factors) Recovery() decimal.Decimal { return f.recovery.Decimal() }

// Single is the discount factor of a year from 0 to the period, to 34 digits.
func (f *Factors) Single(year int) decimal.Decimal { return f.single[year].Decimal() }

// Annual spreads a present value evenly over the years of the period,
// present × Recovery, rounded once as a line.
func (f *Factors) Annual(present decimal.Decimal) decimal.Decimal {
	return num.LineProduct(present, num.One, f.recovery)
}

// Present values the flows of one alternative. The error is a *FlowError; the
// flows are not changed. An event in the last year of the period is valued
// like any other: whether it is meant is for the caller to ask.
func (f *Factors) Present(flows []Flow) (Result, error) {
	var initial, maintenance, user, emission, residual num.Total
	lines := make([]Line, len(flows), len(flows)+len(flows)/16) // a caller adds what is left at the end
	for i := range flows {
		flow := &flows[i]
		if err := f.check(flow); err != nil {
			return Result{}, &FlowError{Index: i, Flow: *flow, Err: err}
		}
		line := &lines[i]
		line.Flow, line.EscalationFactor = *flow, num.One
		factor := f.single[flow.Year]
		line.DiscountFactor = factor.Decimal()
		// In year 0 nothing has grown yet, by whatever rate there can be.
		if flow.Escalation.IsZero() || flow.Year == 0 && num.One.Add(flow.Escalation).IsPositive() {
			line.PresentValue = num.LineProduct(flow.Amount, flow.Price, factor)
			line.Cost = line.PresentValue
			if flow.Year > 0 {
				line.Cost = num.LineProduct(flow.Amount, flow.Price, f.single[0]) // the factor of year 0 is 1
			}
		} else {
			growth, err := compound(flow.Escalation, flow.Year)
			if err == nil { // to 34 digits, as it is printed
				growth, err = num.Div(growth, num.One)
			}
			if err != nil {
				return Result{}, &FlowError{Index: i, Flow: *flow, Err: err}
			}
			line.EscalationFactor = growth
			exact := flow.Amount.Mul(flow.Price).Mul(growth)
			line.Cost = num.Line(exact)
			line.PresentValue = num.Line(exact.Mul(line.DiscountFactor))
		}
		switch flow.Kind {
		case Initial:
			initial.Add(line.PresentValue)
		case Maintenance:
			maintenance.Add(line.PresentValue)
		case User:
			user.Add(line.PresentValue)
		case Emission:
			emission.Add(line.PresentValue)
		case Residual:
			residual.Add(line.PresentValue)
		}
	}
	r := Result{
		Lines:       lines,
		Initial:     initial.Value(),
		Maintenance: maintenance.Value(),
		User:        user.Value(),
		Emission:    emission.Value(),
		Residual:    residual.Value(),
	}
	r.NetPresentValue = r.Initial.Add(r.Maintenance).Sub(r.Residual)
	r.EquivalentAnnual = f.Annual(r.NetPresentValue)
	return r, nil
}

// check tells whether a flow may fall in its year.
func (f *Factors) check(flow *Flow) error {
	first, last := 0, f.Period()
	switch flow.Kind {
	case Initial:
		last = 0
	case Maintenance:
		first = 1 // what happens in year 0 is construction
	case User, Emission:
	case Residual:
		first = last
	default:
		return ErrKind
	}
	if flow.Year < first || flow.Year > last {
		return ErrYear
	}
	return nil
}

// Present is Factors.Present for a single alternative. The errors are ErrRate,
// ErrYears and *FlowError.
func Present(flows []Flow, rate decimal.Decimal, period int) (Result, error) {
	f, err := NewFactors(rate, period)
	if err != nil {
		return Result{}, err
	}
	return f.Present(flows)
}
