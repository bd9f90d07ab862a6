package mix

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// Plan is what to weigh for one batch, in kg: by stage, then in the order of
// Proportions.Parts. SSD is with aggregate saturated and surface-dry, Mass as
// the materials lie. Over the stages each constituent sums exactly to its share
// of the batch, and Mass and SSD sum to the same total.
type Plan struct {
	Volume decimal.Decimal // m3 of concrete
	SSD    [][]decimal.Decimal
	Mass   [][]decimal.Decimal
	// Free is the water, in kg, that the aggregate of a stage brings; negative
	// where it takes up water.
	Free []decimal.Decimal
	// Carried is the part of Free that a stage has no water to set off against,
	// and that a later stage sets off.
	Carried []decimal.Decimal
}

// PlanBatch scales the stages to a batch of the volume given, in m3, and
// corrects for moisture. moisture stands in the order of Proportions.Parts; nil
// is saturated and surface-dry. The free water of an aggregate is set off
// against the water of its own stage, so that the stage keeps its water/binder
// ratio; what a stage cannot set off goes on to the next one that takes water.
func PlanBatch(p Proportions, stages []StageResult, volume decimal.Decimal, moisture []*Moisture, at fault.Path) (plan Plan, faults fault.List) {
	plan = Plan{Volume: volume, SSD: table(len(stages), len(p.Parts)), Mass: table(len(stages), len(p.Parts)),
		Free: make([]decimal.Decimal, len(stages)), Carried: make([]decimal.Decimal, len(stages))}
	for i, part := range p.Parts {
		whole := num.Amount(part.Mass.Mul(volume))
		plan.spread(plan.SSD, stages, i, whole, func(stage decimal.Decimal) decimal.Decimal { return num.Amount(stage.Mul(volume)) })
		if moisture[i] == nil {
			for s := range stages {
				plan.Mass[s][i] = plan.SSD[s][i]
			}
			continue
		}
		plan.spread(plan.Mass, stages, i, moisture[i].Batch(whole), func(stage decimal.Decimal) decimal.Decimal {
			return moisture[i].Batch(num.Amount(stage.Mul(volume)))
		})
		for s := range stages {
			plan.Free[s] = plan.Free[s].Add(plan.Mass[s][i].Sub(plan.SSD[s][i]))
		}
	}
	carry := decimal.Zero
	for s := range stages {
		carry = carry.Add(plan.Free[s])
		for i, part := range p.Parts {
			if part.Role != Water || !plan.SSD[s][i].IsPositive() || carry.IsZero() {
				continue
			}
			set := carry
			if set.GreaterThan(plan.Mass[s][i]) {
				set = plan.Mass[s][i]
			}
			plan.Mass[s][i] = plan.Mass[s][i].Sub(set)
			carry = carry.Sub(set)
		}
		plan.Carried[s] = carry
	}
	switch {
	case carry.IsPositive():
		faults.Add(at, "moisture-exceeds-water", "the aggregate brings %s kg of free water more than the batch may have; let it drain, or state its moisture anew", carry)
	case carry.IsNegative():
		faults.Add(at, "water-missing", "the aggregate takes up %s kg of water, but no water stands in a stage at or behind it", carry.Neg())
	}
	return plan, faults
}

// spread divides the whole of a constituent over its stages; the last of them
// takes the rest.
func (Plan) spread(to [][]decimal.Decimal, stages []StageResult, part int, whole decimal.Decimal, of func(decimal.Decimal) decimal.Decimal) {
	last, left := len(stages)-1, whole
	for s, stage := range stages {
		if !stage.Masses[part].IsZero() {
			last = s
		}
	}
	for s := range stages[:last] {
		if m := stages[s].Masses[part]; !m.IsZero() {
			to[s][part] = of(m)
			left = left.Sub(to[s][part])
		}
	}
	to[last][part] = left
}

func table(rows, columns int) [][]decimal.Decimal {
	t := make([][]decimal.Decimal, rows)
	for i := range t {
		t[i] = make([]decimal.Decimal, columns)
	}
	return t
}

// Tolerances of batching by a standard: the greatest deviation of a mass from
// its target, as a fraction. A role that is not among them has none.
type Tolerances struct {
	ID     string
	Source string
	ByRole map[Role]decimal.Decimal
}

// BatchingTolerances finds the tolerances of a standard by id: "en-206" or
// "astm-c94".
func BatchingTolerances(id string) (Tolerances, bool) {
	three, five := decimal.New(3, -2), decimal.New(5, -2)
	switch id {
	case "en-206":
		return Tolerances{ID: id,
			Source: "EN 206: cement, water and aggregate 3 %, admixtures 5 % (read); additions as cement, fibres as admixtures (from memory)",
			ByRole: map[Role]decimal.Decimal{Cement: three, Water: three, Aggregate: three, Admixture: five, SCM: three, Fibre: five}}, true
	case "astm-c94":
		return Tolerances{ID: id,
			Source: "ASTM C94/C94M-21a: water 1.5 % of its target, admixtures 3 % (read as quoted); none quoted for the rest",
			ByRole: map[Role]decimal.Decimal{Water: decimal.New(15, -3), Admixture: three}}, true
	}
	return Tolerances{}, false
}

// Limits gives the least and the greatest mass for a target; ok is false where
// the standard has no tolerance for the role.
func (t Tolerances) Limits(role Role, target decimal.Decimal) (least, most decimal.Decimal, ok bool) {
	share, ok := t.ByRole[role]
	if !ok {
		return least, most, false
	}
	margin := num.Amount(target.Mul(share))
	return target.Sub(margin), target.Add(margin), true
}

// WaterBinderOf is the ratio of water less absorbed, both in kg, to binder in
// masses that stand in the order of Proportions.Parts; invalid without binder.
// Water that admixtures bring counts.
func (p Proportions) WaterBinderOf(masses []decimal.Decimal, solids []decimal.NullDecimal, absorbed decimal.Decimal) decimal.NullDecimal {
	binder, water := stageBinder(p, masses), stageAdmixtureWater(p, solids, masses).Sub(absorbed)
	for i, m := range masses {
		if p.Parts[i].Role == Water {
			water = water.Add(m)
		}
	}
	if !binder.IsPositive() {
		return decimal.NullDecimal{}
	}
	return decimal.NewNullDecimal(num.AmountQuotient(water, binder))
}
