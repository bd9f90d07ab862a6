package service

import (
	"fmt"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
	"slabledger/lca/pavement"
)

// slabDesign is a slab as a method sizes it, with the rounding to what is built.
type slabDesign struct {
	method   string
	design   *pavement.Design
	rounding pavement.Rounding
	solution pavement.Solution
	built    decimal.Decimal // mm
}

// strengthGain sizes the slab of ordinary mixing, and asks how strong the staged
// concrete must be for its slab to come to no more in cost and in carbon.
func (m *mixCheck) strengthGain(q ThicknessDesign, staged, ordinary GateResult) *StrengthGain {
	d, ok := m.slabDesign(q, "/thickness_design")
	if !ok {
		return nil
	}
	pays := func(a, b *Fixed) *StrengthPaysIn {
		if a == nil || b == nil || !a.IsPositive() || !b.IsPositive() {
			return nil
		}
		return &StrengthPaysIn{
			AsRequired: m.strengthNeeded(d, a.Decimal, b.Mul(d.solution.ThicknessMM), func(mm decimal.Decimal) decimal.Decimal { return mm }),
			AsBuilt:    m.strengthNeeded(d, a.Decimal, b.Mul(d.built), d.build),
		}
	}
	return &StrengthGain{Method: d.method, EffectiveStrengthMPa: Plain{num.Line(d.design.Strength().MPa)}, RequiredMM: Plain{d.solution.ThicknessMM},
		ThicknessMM: Plain{d.built}, Governs: string(d.solution.Governs),
		Cost: pays(staged.CostPerM3, ordinary.CostPerM3), Carbon: pays(staged.GWPKgCO2ePerM3.A1A3, ordinary.GWPKgCO2ePerM3.A1A3)}
}

// slabDesign reads a design and solves it; false where it has faults.
func (m *mixCheck) slabDesign(q ThicknessDesign, at fault.Path) (d slabDesign, ok bool) {
	before := m.faults.Len()
	in, _ := m.pavementInput(q, at)
	d.method, d.rounding = q.Method, m.rounding(q.Rounding, at.At("rounding"))
	if m.faults.Len() > before {
		return d, false
	}
	var rounded pavement.Rounded
	for _, step := range []func() fault.List{
		func() (found fault.List) { d.design, found = pavement.Prepare(in); return found },
		func() (found fault.List) { d.solution, found = d.design.Solve(); return found },
		func() (found fault.List) { rounded, found = d.rounding.Round(d.solution.ThicknessMM); return found },
	} {
		if found := step(); !found.Empty() {
			m.faults.Append(fromTrucks(found.All(), q.Traffic, at)...)
			return d, false
		}
	}
	d.built = rounded.ThicknessMM
	for _, list := range [][]fault.Fault{d.design.Warnings(), d.solution.Notes, rounded.Warnings} {
		m.warnings.Append(list...)
	}
	return d, true
}

// build rounds a thickness that is no more than the one of the design, which has
// been rounded without a fault.
func (d *slabDesign) build(mm decimal.Decimal) decimal.Decimal {
	r, _ := d.rounding.Round(mm)
	return r.ThicknessMM
}

// strengthNeeded is the least strength at which a slab of concrete of so much per
// m3 comes to no more than most, which is an amount per m3 times mm.
func (m *mixCheck) strengthNeeded(d slabDesign, perM3, most decimal.Decimal, thick func(mm decimal.Decimal) decimal.Decimal) StrengthNeeded {
	n, found := d.design.NeededStrength(func(mm decimal.Decimal) bool { return perM3.Mul(thick(mm)).LessThanOrEqual(most) })
	m.faults.Append(found.All()...)
	r := StrengthNeeded{TargetMM: Fixed{num.Line(num.Quotient(most, perM3))}, Reached: n.Reached, EffectiveStrengthMPa: Plain{num.Line(n.MPa)},
		RequiredMM: Plain{n.Solution.ThicknessMM}, ThicknessMM: Plain{d.build(n.Solution.ThicknessMM)}, Governs: string(n.Solution.Governs)}
	if n.Reached {
		own := d.design.Strength().MPa
		r.GainPercent = &Fixed{num.Line(num.Quotient(n.MPa.Sub(own).Mul(num.Hundred), own))}
		return r
	}
	why := fmt.Sprintf("even %s MPa, the strongest that %s covers, leave %s to govern", n.MPa, d.method, r.Governs)
	if n.Solution.Governs == pavement.Erosion || n.Solution.Governs == pavement.MinimumThickness {
		why = strings.ReplaceAll(r.Governs, "_", " ") + " governs"
	}
	r.Reason = fmt.Sprintf("never: %s at %s mm, built as %s mm; at most %s mm would pay", why, r.RequiredMM, r.ThicknessMM, r.TargetMM)
	return r
}
