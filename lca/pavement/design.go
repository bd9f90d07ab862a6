package pavement

import (
	"math"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// Design is a problem checked and made ready. It does not change and may be
// shared.
type Design struct {
	input      Input // K on top of the base, Base nil
	about      *About
	strength   Effective
	foundation *Foundation
	model      model
	warnings   []fault.Fault
}

// Prepare checks the input and returns either a design or every fault found:
// members missing, values outside the method's range, axles it has no equations
// for.
func Prepare(in Input) (*Design, fault.List) {
	m := find(in.Method)
	strength, faults := in.Strength.Effective(in.At.At("strength"))
	if m == nil {
		var ids []string
		for _, a := range Methods() {
			ids = append(ids, a.ID)
		}
		faults.Add(in.At.At("method"), "one-of", "%q is no thickness method; accepted: %s", in.Method, strings.Join(ids, ", "))
		return nil, faults
	}
	intake := intake{at: in.At, about: m.about(), faults: faults}
	intake.warnings.Append(strength.Notes...)
	intake.strength(in.Strength, strength)
	model := m.model(in, strength.MPa, &intake)
	if !intake.faults.Empty() {
		return nil, intake.faults
	}
	if in.Base = nil; intake.foundation != nil {
		in.K.Decimal = intake.foundation.K
	}
	return &Design{in, intake.about, strength, intake.foundation, model, intake.warnings.All()}, intake.faults
}

// strength holds the members of the strength, and what the rule made of them,
// against their ranges.
func (in *intake) strength(s Strength, e Effective) {
	nonNegative := func(v decimal.NullDecimal, member, unit string, limit int64) {
		if v.Valid && (v.Decimal.IsNegative() || v.Decimal.GreaterThan(decimal.New(limit, 0))) {
			in.faults.Add(in.pointer("strength/"+member), "out-of-range", "%s; accepted: 0 to %d %s (%s)", v.Decimal, limit, unit, practice)
		}
	}
	nonNegative(s.ResidualRatio, "residual_ratio", "%", 200)
	nonNegative(s.F150, "f150", "MPa", 20)
	if !s.MOR.IsPositive() {
		in.faults.Add(in.pointer("strength/modulus_of_rupture"), "out-of-range", "the modulus of rupture must be more than zero")
		return
	}
	if !e.MPa.IsZero() {
		in.within(in.pointer("strength"), "strength/effective", e.MPa)
	}
}

// About describes the method of the design.
func (d *Design) About() About { return d.about.clone() }

// Strength is the effective modulus of rupture of the design.
func (d *Design) Strength() Effective { return d.strength }

// Foundation tells how k was found from a subgrade and a base; nil where k was
// given, and in a method that does not use it.
func (d *Design) Foundation() *Foundation { return d.foundation }

// Warnings are what to know about the input: unusual values, and what the
// method does not cover.
func (d *Design) Warnings() []fault.Fault { return d.warnings }

// Result is the check of one thickness.
type Result struct {
	Method      string
	ThicknessMM decimal.Decimal
	References  []Reference         // axle kinds of the spectrum; none in aashto93
	Groups      []GroupDamage       // in the order of the input; none in aashto93
	Totals      []Total             // in the order of About.Criteria
	Allowable   decimal.NullDecimal // equivalent axles to the terminal serviceability, aashto93 only
	// Equivalents of the spectrum at this thickness, in the order of the input;
	// aashto93 with a spectrum only. EquivalentAxles is the exact sum of its lines.
	Equivalents     []Equivalent
	EquivalentAxles decimal.Decimal
	Governs         Criterion // the one with most damage
	// Pass: no criterion uses up more than 100 %. It is decided before rounding,
	// so it may differ from the printed totals by their rounding.
	Pass bool
}

// Total is the damage of all groups: the exact sum of the lines.
type Total struct {
	Criterion Criterion
	Percent   decimal.Decimal
}

// Reference is what the tables of a method print for an axle kind: stress and
// erosion factor of its reference load.
type Reference struct {
	Axle          Axle
	LoadKN        decimal.Decimal
	StressMPa     decimal.Decimal
	ErosionFactor decimal.Decimal // log10 (41.35 C1 P)
}

// Equivalent is one axle group in equivalent 18-kip single axles. Loads are as
// given, without load safety factor.
type Equivalent struct {
	Axle        Axle
	LoadKN      decimal.Decimal
	Repetitions decimal.Decimal
	Factor      decimal.Decimal // equivalent axles of one group
	Axles       decimal.Decimal // of all repetitions
}

// GroupDamage is the damage of one axle group. An invalid number of allowable
// repetitions means that they are unlimited. Loads in the results hold the load
// safety factor.
type GroupDamage struct {
	Axle             Axle
	LoadKN           decimal.Decimal // as given
	DesignLoadKN     decimal.Decimal // times the load safety factor
	Repetitions      decimal.Decimal
	StressMPa        decimal.Decimal // equivalent stress
	StressRatio      decimal.Decimal // to the strength, as it enters the fatigue law
	FatigueAllowable decimal.NullDecimal
	FatiguePercent   decimal.Decimal
	ErosionPower     decimal.Decimal // C1 P of the erosion law; 9 and less does no harm
	ErosionAllowable decimal.NullDecimal
	ErosionPercent   decimal.Decimal
}

// Check tells what a slab of the given thickness would suffer. Its only fault is
// a thickness outside the bounds of the method, at "thickness".
func (d *Design) Check(thicknessMM decimal.Decimal) (Result, fault.List) {
	var faults fault.List
	if thicknessMM.LessThan(d.about.LowerMM) || thicknessMM.GreaterThan(d.about.UpperMM) {
		faults.Add(d.input.At.At("thickness"), "out-of-range", "a slab of %s mm; %s covers %s to %s mm (%s)", thicknessMM, d.about.ID, d.about.LowerMM, d.about.UpperMM, d.about.Bounds)
		return Result{}, faults
	}
	h := num.Float(thicknessMM)
	r := Result{Method: d.about.ID, ThicknessMM: thicknessMM}
	d.model.result(&r, h)
	for i := range r.Groups {
		in, g := d.input.Groups[i], &r.Groups[i]
		g.Axle, g.LoadKN, g.Repetitions = in.Axle, in.LoadKN, in.Repetitions
		g.DesignLoadKN = num.Line(in.LoadKN.Mul(d.input.LoadSafetyFactor.Decimal))
	}
	for i := range r.Equivalents {
		in, e := d.input.Groups[i], &r.Equivalents[i]
		e.Axle, e.LoadKN, e.Repetitions = in.Axle, in.LoadKN, in.Repetitions
	}
	worst := math.Inf(-1)
	r.Pass = true
	for _, c := range d.about.Criteria {
		damage := d.model.damage(c, h)
		if !(damage <= 1) {
			r.Pass = false
		}
		if damage > worst {
			worst, r.Governs = damage, c
		}
	}
	return r, faults
}

// Solution is the least thickness that passes.
type Solution struct {
	Method string
	// ThicknessMM is the least thickness, on a grid of 0.001 mm, at which every
	// criterion passes: below it the slab fails, or the method ends.
	ThicknessMM decimal.Decimal
	LeastMM     decimal.Decimal // up to the whole millimetre
	Criteria    []Required      // in the order of About.Criteria
	Governs     Criterion       // MinimumThickness if all pass at the lower bound
	LowerMM     decimal.Decimal // bounds of the search
	UpperMM     decimal.Decimal
	Iterations  int // bisections, all criteria together
	// Residual is 100 % less the damage of the governing criterion at ThicknessMM.
	// It is far from zero where a load stops doing harm at that thickness.
	ResidualPercent decimal.Decimal
	// Notes say it in words: that erosion governs and more strength buys nothing.
	Notes []fault.Fault
}

// Required is the least thickness that one criterion asks for.
type Required struct {
	Criterion    Criterion
	ThicknessMM  decimal.Decimal
	AtLowerBound bool // passes already at the lower bound
}

// The search runs over whole micrometres, so that its result is exact and a
// check of it passes.
const micrometresPerMM = 1000

func millimetres(micrometres int64) float64 { return float64(micrometres) / micrometresPerMM }

// maxIterations bounds the search. Halving the widest range of a method, some
// 300,000 µm, takes 19 steps a criterion.
const maxIterations = 200

// Solve finds the least thickness between the bounds of the method by
// bisection, for each criterion. Faults: "no-feasible-thickness" if the upper
// bound fails, "not-monotone" if the equations of the method give a thicker slab
// more stress or erosion somewhere between the bounds, where bisection means
// nothing.
func (d *Design) Solve() (Solution, fault.List) {
	var faults fault.List
	s := Solution{Method: d.about.ID, LowerMM: d.about.LowerMM, UpperMM: d.about.UpperMM}
	lower, upper := d.about.LowerMM.Shift(3).IntPart(), d.about.UpperMM.Shift(3).IntPart()
	if !d.falls(lower, upper) {
		faults.Add(d.input.At.At("method"), "not-monotone", "for this input the equations of %s do not fall with thickness between %s and %s mm; no least thickness is defined", d.about.ID, s.LowerMM, s.UpperMM)
		return Solution{}, faults
	}
	thickest := int64(-1)
	s.Governs = MinimumThickness
	for _, c := range d.about.Criteria {
		if worst := d.model.damage(c, millimetres(upper)); !(worst <= 1) {
			faults.Add(d.input.At.At("traffic"), "no-feasible-thickness", "%s fails at %s mm, the thickest slab that %s covers (%s): damage %s %%", c, s.UpperMM, d.about.ID, d.about.Bounds, printed(100*worst))
			continue
		}
		least := lower
		if !(d.model.damage(c, millimetres(lower)) <= 1) {
			fails, passes := lower, upper
			for passes-fails > 1 && s.Iterations < maxIterations {
				s.Iterations++
				middle := fails + (passes-fails)/2
				if d.model.damage(c, millimetres(middle)) <= 1 {
					passes = middle
				} else {
					fails = middle
				}
			}
			least = passes
		}
		s.Criteria = append(s.Criteria, Required{Criterion: c, ThicknessMM: decimal.New(least, -3), AtLowerBound: least == lower})
		if least > thickest {
			thickest = least
			if least > lower {
				s.Governs = c
			}
		}
	}
	if !faults.Empty() {
		return Solution{}, faults
	}
	s.ThicknessMM = decimal.New(thickest, -3)
	s.LeastMM = s.ThicknessMM.Ceil()
	governing := 0.0
	for _, c := range d.about.Criteria {
		if c == s.Governs || s.Governs == MinimumThickness {
			governing = max(governing, d.model.damage(c, millimetres(thickest)))
		}
	}
	s.ResidualPercent = printed(100 * (1 - governing))
	s.Notes = d.reading(s)
	return s, faults
}

// reading puts the solution into words.
func (d *Design) reading(s Solution) []fault.Fault {
	var notes fault.List
	at := d.input.At
	switch s.Governs {
	case Erosion:
		notes.Add(at.At("strength"), "erosion-governs", "erosion governs at %s mm: more strength, and more fibre, buys nothing", s.ThicknessMM)
	case MinimumThickness:
		notes.Add(at.At("traffic"), "minimum-governs", "every criterion passes at %s mm, the thinnest slab that %s covers (%s): nothing in the mix makes it thinner", s.LowerMM, d.about.ID, d.about.Bounds)
	case Fatigue:
		for _, r := range s.Criteria {
			if r.Criterion == Erosion {
				notes.Add(at.At("strength"), "fatigue-governs", "fatigue governs: more strength makes the slab thinner, down to %s mm, where erosion governs", r.ThicknessMM)
			}
		}
	}
	return notes.All()
}

// falls tells whether the indices of the model never rise between the bounds,
// looked at every 10 mm.
func (d *Design) falls(lower, upper int64) bool {
	const step = 10 * micrometresPerMM
	var a, b [8]float64
	last := d.model.indices(a[:0], millimetres(lower))
	next := b[:0]
	for um := lower + step; um <= upper; um += step {
		next = d.model.indices(next[:0], millimetres(um))
		for i := range next {
			if !(next[i] <= last[i]) {
				return false
			}
		}
		last, next = next, last
	}
	return true
}

// Effect is the least thickness after one input moved by 10 %.
type Effect struct {
	Parameter     string // strength, soil or traffic
	ChangePercent int    // -10 or 10
	ThicknessMM   decimal.NullDecimal
	DifferenceMM  decimal.NullDecimal // to the solution; negative is thinner
	Governs       Criterion
	Faults        []fault.Fault // why there is no thickness
}

// Sensitivity moves effective strength, soil reaction on top of the base (or CBR)
// and repetitions by 10 % down and up, one at a time, and solves again.
func (d *Design) Sensitivity() ([]Effect, fault.List) {
	base, faults := d.Solve()
	if !faults.Empty() {
		return nil, faults
	}
	var effects []Effect
	for _, move := range []struct {
		parameter string
		apply     func(in *Input, factor decimal.Decimal)
	}{
		{"strength", func(in *Input, f decimal.Decimal) { in.Strength = Strength{MOR: d.strength.MPa.Mul(f)} }},
		{"soil", func(in *Input, f decimal.Decimal) {
			in.K.Decimal, in.CBR.Decimal = in.K.Decimal.Mul(f), in.CBR.Decimal.Mul(f)
		}},
		{"traffic", func(in *Input, f decimal.Decimal) {
			in.EquivalentAxles.Decimal = in.EquivalentAxles.Decimal.Mul(f)
			in.Groups = append([]Group(nil), in.Groups...)
			for i := range in.Groups {
				in.Groups[i].Repetitions = in.Groups[i].Repetitions.Mul(f)
			}
		}},
	} {
		for _, change := range []int{-10, 10} {
			in := d.input
			move.apply(&in, decimal.New(int64(100+change), -2))
			effect := Effect{Parameter: move.parameter, ChangePercent: change}
			moved, faults := Prepare(in)
			if faults.Empty() {
				var s Solution
				if s, faults = moved.Solve(); faults.Empty() {
					effect.Governs = s.Governs
					effect.ThicknessMM = decimal.NewNullDecimal(s.ThicknessMM)
					effect.DifferenceMM = decimal.NewNullDecimal(s.ThicknessMM.Sub(base.ThicknessMM))
				}
			}
			effect.Faults = faults.All()
			effects = append(effects, effect)
		}
	}
	return effects, fault.List{}
}

// printed takes a result out of float64: 6 decimals, and at most 12 significant
// digits, which is coarser than any difference between processors.
func printed(f float64) decimal.Decimal {
	places := int32(num.Places)
	if size := math.Abs(f); size >= 1e6 {
		places = 11 - int32(math.Log10(size))
	}
	d, err := num.FromFloat(f, places)
	if err != nil {
		// No input inside the ranges leads here; a result that did would be a
		// fault of this package, not of the user.
		panic("pavement: a result is " + err.Error())
	}
	return d
}

// allowable prints a number of repetitions; unlimited is invalid.
func allowable(n float64) decimal.NullDecimal {
	if math.IsInf(n, 1) {
		return decimal.NullDecimal{}
	}
	return decimal.NewNullDecimal(printed(n))
}
