package pavement

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// Policy says how a required thickness becomes one that is built.
type Policy string

const (
	RoundUp      Policy = "up"      // to the next step, the default
	RoundNearest Policy = "nearest" // to the nearest step, a tie goes up; may be thinner than required
	RoundNone    Policy = "none"    // as required
)

// Rounding is the policy with its limits. Lengths in mm.
type Rounding struct {
	Policy Policy              // policy; empty is RoundUp
	StepMM decimal.NullDecimal // step; > 0, needed unless the policy is none
	MinMM  decimal.NullDecimal // min; a thinner slab is raised to it
	MaxMM  decimal.NullDecimal // max; a thicker slab is a fault
	At     fault.Path
}

// Rounded is a thickness to build, exact.
type Rounded struct {
	ThicknessMM       decimal.Decimal
	DifferenceMM      decimal.Decimal // to the required thickness; negative is thinner
	DifferencePercent decimal.Decimal // of the required thickness, 6 decimals: the concrete that the step costs
	Warnings          []fault.Fault   // thinner than required
}

// Round applies the policy to a required thickness in mm, more than zero. A slab
// is at least one step thick. Faults: a policy that is not known, a step that is
// missing or not positive, limits that contradict each other, and a thickness
// above the maximum ("no-feasible-thickness").
func (r Rounding) Round(required decimal.Decimal) (out Rounded, faults fault.List) {
	policy := r.Policy
	switch policy {
	case "":
		policy = RoundUp
	case RoundUp, RoundNearest, RoundNone:
	default:
		faults.Add(r.At.At("policy"), "one-of", "%q is no rounding policy; accepted: %s, %s, %s", r.Policy, RoundUp, RoundNearest, RoundNone)
	}
	if policy != RoundNone {
		if !r.StepMM.Valid {
			faults.Add(r.At.At("step"), "required-member-missing", "rounding needs a step, such as \"10 mm\"")
		} else if !r.StepMM.Decimal.IsPositive() {
			faults.Add(r.At.At("step"), "out-of-range", "the step must be more than zero")
		}
	}
	if r.MinMM.Valid && r.MaxMM.Valid && r.MinMM.Decimal.GreaterThan(r.MaxMM.Decimal) {
		faults.Add(r.At.At("max"), "out-of-range", "the maximum of %s mm is below the minimum of %s mm", r.MaxMM.Decimal, r.MinMM.Decimal)
	}
	if !required.IsPositive() {
		faults.Add(r.At, "out-of-range", "a required thickness must be more than zero")
	}
	if !faults.Empty() {
		return out, faults
	}
	built := required
	if policy != RoundNone {
		step := r.StepMM.Decimal
		over := required.Mod(step) // exact
		built = required.Sub(over)
		if policy == RoundUp && over.IsPositive() || policy == RoundNearest && over.Add(over).GreaterThanOrEqual(step) || built.IsZero() {
			built = built.Add(step)
		}
	}
	if r.MinMM.Valid {
		built = decimal.Max(built, r.MinMM.Decimal)
	}
	if r.MaxMM.Valid && built.GreaterThan(r.MaxMM.Decimal) {
		faults.Add(r.At.At("max"), "no-feasible-thickness", "%s mm are required, which is built as %s mm; the maximum is %s mm", required, built, r.MaxMM.Decimal)
		return out, faults
	}
	out.ThicknessMM = built
	out.DifferenceMM = built.Sub(required)
	share, err := num.Div(out.DifferenceMM.Shift(2), required)
	if err != nil { // required is positive
		share = decimal.Zero
	}
	out.DifferencePercent = num.Line(share)
	if out.DifferenceMM.IsNegative() {
		var warnings fault.List
		warnings.Add(r.At.At("policy"), "thinner-than-required", "rounded to %s mm, which is %s mm thinner than the %s mm required", built, out.DifferenceMM.Neg(), required)
		out.Warnings = warnings.All()
	}
	return out, faults
}
