package mix

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// Stage is one step of staged mixing: part of the constituents is mixed first,
// at its own water/binder ratio, to coat aggregate or fibre; the rest follows.
type Stage struct {
	Name    string
	Takes   []Take
	Rest    bool // takes all that is left; the last stage, exactly once
	Minutes int  // mixing time, >= 1
	// BatchVolume is the mixer's batch in m3 of the stage's own material, > 0.
	BatchVolume decimal.Decimal
	At          fault.Path
}

// Take moves a share of the constituents named into a stage. Where ByRatio is
// set, Value is the water/binder ratio of the stage and Indexes is the water;
// else Value is a fraction, 0 < Value <= 1, of the whole amount in the mix.
type Take struct {
	Indexes []int // of Proportions.Parts
	ByRatio bool
	Value   decimal.Decimal
	At      fault.Path
}

// StageResult is one stage per m3 of concrete. Masses stand in the order of
// Proportions.Parts; a zero mass takes no part.
type StageResult struct {
	Name        string
	Minutes     int
	Masses      []decimal.Decimal   // kg/m3
	Volume      decimal.Decimal     // m3 that the mixer of this stage handles, per m3 of concrete
	MixerHours  decimal.Decimal     // h/m3
	WaterBinder decimal.NullDecimal // water (as given, with admixture water) over binder
}

var minutesPerHour = decimal.New(60, 0)

// Split divides the proportions over the stages. Over all stages each
// constituent sums exactly to its amount in the mix: the last stage takes the
// rest by subtraction.
//
// A first stage handles only the volume of what it takes. The last stage
// handles the whole cubic metre, air and earlier stages included, since they
// are joined in its mixer.
func Split(p Proportions, stages []Stage, solids []decimal.NullDecimal) (results []StageResult, faults fault.List) {
	left := make([]decimal.Decimal, len(p.Parts))
	for i, part := range p.Parts {
		left[i] = part.Mass
	}
	for s, stage := range stages {
		last := s == len(stages)-1
		if stage.Rest != last {
			faults.Add(stage.At.At("takes"), "stages-incomplete", "the last stage, and only it, takes \"rest\"")
			continue
		}
		r := StageResult{Name: stage.Name, Minutes: stage.Minutes, Masses: make([]decimal.Decimal, len(p.Parts))}
		if stage.Rest {
			copy(r.Masses, left)
		} else {
			takeShares(p, stage, r.Masses, &faults)
			takeWater(stage, p, solids, r.Masses, &faults)
		}
		for i := range left {
			left[i] = left[i].Sub(r.Masses[i])
			if left[i].IsNegative() {
				faults.Add(stage.At.At("takes"), "two-stage-infeasible", "by stage %q the stages take %s kg/m3 more of %s than the mix has (%s kg/m3)",
					stage.Name, left[i].Neg(), p.Parts[i].Item, p.Parts[i].Mass)
			}
		}
		finishStage(p, stage, solids, &r)
		results = append(results, r)
	}
	return results, faults
}

func takeShares(p Proportions, stage Stage, masses []decimal.Decimal, faults *fault.List) {
	for _, take := range stage.Takes {
		if take.ByRatio {
			continue
		}
		if !take.Value.IsPositive() || take.Value.GreaterThan(num.One) {
			faults.Add(take.At.At("share"), "out-of-range", "a share is more than 0 %% and at most 100 %%")
			continue
		}
		for _, i := range take.Indexes {
			if !masses[i].IsZero() {
				faults.Add(take.At, "duplicate-item", "stage %q takes %s twice", stage.Name, p.Parts[i].Item)
				continue
			}
			masses[i] = num.Amount(p.Parts[i].Mass.Mul(take.Value))
		}
	}
}

// takeWater gives the stage the water that its ratio asks for, less what its
// admixtures bring.
func takeWater(stage Stage, p Proportions, solids []decimal.NullDecimal, masses []decimal.Decimal, faults *fault.List) {
	for _, take := range stage.Takes {
		if !take.ByRatio {
			continue
		}
		if len(take.Indexes) != 1 || p.Parts[take.Indexes[0]].Role != Water {
			faults.Add(take.At.At("water_binder_ratio"), "not-water", "a water/binder ratio is for the water of the stage")
			continue
		}
		if !take.Value.IsPositive() {
			faults.Add(take.At.At("water_binder_ratio"), "out-of-range", "a water/binder ratio is more than zero")
			continue
		}
		i := take.Indexes[0]
		if !masses[i].IsZero() {
			faults.Add(take.At, "duplicate-item", "stage %q takes %s twice", stage.Name, p.Parts[i].Item)
			continue
		}
		binder, brought := stageBinder(p, masses), stageAdmixtureWater(p, solids, masses)
		if binder.IsZero() {
			faults.Add(take.At.At("water_binder_ratio"), "binder-missing", "stage %q takes no binder, so its water/binder ratio means nothing", stage.Name)
			continue
		}
		need := num.Amount(binder.Mul(take.Value)).Sub(brought)
		if need.IsNegative() {
			faults.Add(take.At.At("water_binder_ratio"), "two-stage-infeasible", "the admixtures of stage %q bring %s kg/m3 of water, more than its ratio allows", stage.Name, brought)
			continue
		}
		masses[i] = need
	}
}

func finishStage(p Proportions, stage Stage, solids []decimal.NullDecimal, r *StageResult) {
	if stage.Rest {
		r.Volume = num.One
	} else {
		for i, m := range r.Masses {
			if !p.Parts[i].Mass.IsZero() && p.Parts[i].Volume.Valid {
				r.Volume = r.Volume.Add(num.Quotient(m.Mul(p.Parts[i].Volume.Decimal), p.Parts[i].Mass))
			}
		}
		r.Volume = num.Amount(r.Volume)
	}
	// minutes/60 per batch, times batches per m3
	r.MixerHours = num.AmountQuotient(decimal.New(int64(stage.Minutes), 0).Mul(r.Volume), minutesPerHour.Mul(stage.BatchVolume))
	r.WaterBinder = p.WaterBinderOf(r.Masses, solids, decimal.Zero)
}

func stageBinder(p Proportions, masses []decimal.Decimal) decimal.Decimal {
	sum := decimal.Zero
	for i, m := range masses {
		if p.Parts[i].Role == Cement || p.Parts[i].Role == SCM {
			sum = sum.Add(m)
		}
	}
	return sum
}

func stageAdmixtureWater(p Proportions, solids []decimal.NullDecimal, masses []decimal.Decimal) decimal.Decimal {
	sum := decimal.Zero
	for i, m := range masses {
		if p.Parts[i].Role == Admixture && solids[i].Valid {
			sum = sum.Add(num.Amount(m.Mul(num.One.Sub(solids[i].Decimal))))
		}
	}
	return sum
}
