package service

import (
	"fmt"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/flexure"
	"slabledger/lca/num"
	"slabledger/lca/pavement"
	"slabledger/lca/slab"
	"slabledger/lca/unit"
)

// StrengthPoint is the strength of a concrete that was tested: where it stands on the
// axes, and what the tests gave.
type StrengthPoint struct {
	At               []AxisValue      `json:"at"`
	ModulusOfRupture string           `json:"modulus_of_rupture,omitzero"`
	ResidualRatio    string           `json:"residual_ratio,omitzero"`
	F150             string           `json:"f150,omitzero"`
	BeamTests        *BeamTestRequest `json:"beam_tests,omitzero"`
}

// AxisValue is a value of an axis: the name of a variant, or a text.
type AxisValue struct {
	Axis  string `json:"axis"`
	Value string `json:"value"`
}

// on is where a point stands on an axis, by its place in At; -1 where it does not.
func (p *StrengthPoint) on(axis string) int {
	return slices.IndexFunc(p.At, func(v AxisValue) bool { return v.Axis == axis })
}

// StrengthUsed is the strength of a combination, and the tests that it rests on.
type StrengthUsed struct {
	ModulusOfRupture Amount              `json:"modulus_of_rupture_mpa"`
	ResidualRatio    *Amount             `json:"residual_ratio_percent"`
	F150             *Amount             `json:"f150_mpa"`
	Interpolated     bool                `json:"interpolated"`
	Neighbours       []StrengthNeighbour `json:"neighbours"`
}

// StrengthNeighbour is a tested point with its weight in an interpolation.
type StrengthNeighbour struct {
	Pointer string `json:"pointer"`
	Weight  Amount `json:"weight"`
}

// strengths is the table of what was tested, made ready.
type strengths struct {
	tested  []pavement.Strength // by point
	axes    []int               // choices that the points stand on: names first, then numbers
	names   int                 // how many of them are met by name alone
	grids   map[string]*flexure.Tested
	members map[string][]int // of a grid: its points
	key     axesKey
}

// readStrengths reads the tested strengths. They stand on the same axes, and every
// combination of the numbers that are tested under one name is there.
func (q *search) readStrengths(points []StrengthPoint) {
	if len(points) == 0 {
		return
	}
	before := q.grid.faults.Len()
	s := &strengths{grids: map[string]*flexure.Tested{}, members: map[string][]int{}}
	r := reader{}
	var numeric []int
	for i := range q.choices {
		if points[0].on(q.choices[i].name) < 0 {
			continue
		}
		if q.choices[i].numeric {
			numeric = append(numeric, i)
		} else {
			s.axes = append(s.axes, i)
		}
	}
	s.names = len(s.axes)
	s.axes = append(s.axes, numeric...)
	numbers := make([][]decimal.Decimal, len(points))
	for i, p := range points {
		at := fault.Path("/strengths").At(i)
		for k, v := range p.At {
			at := at.At("at", k, "axis")
			switch {
			case !slices.ContainsFunc(q.choices, func(c choice) bool { return c.name == v.Axis }):
				r.faults.Add(at, "not-in-list", "the search has no axis %q", short(v.Axis))
			case p.on(v.Axis) < k:
				r.faults.Add(at, "duplicate-name", "the axis %q stands twice", short(v.Axis))
			case points[0].on(v.Axis) < 0:
				r.faults.Add(at, "not-used", "every strength stands on the same axes, and the first has no %q", short(v.Axis))
			}
		}
		group := ""
		for k, axis := range s.axes {
			c := &q.choices[axis]
			on := p.on(c.name)
			if on < 0 {
				r.faults.Add(at.At("at"), "required-member-missing", "every strength stands on the same axes, and the first has %q", short(c.name))
				continue
			}
			at, text := at.At("at", on, "value"), p.At[on].Value
			switch {
			case k < s.names:
				if q.hasValue(c, text) {
				} else if other := c.otherUnit(); other >= 0 {
					// A unit that slipped makes names of numbers: told there, once, where
					// nothing else is wrong with the value.
					slip := fault.Fault{Pointer: c.at.At("values", other), Code: "unit-incompatible",
						Detail: fmt.Sprintf("%q: strengths between tests need values of one unit, that of the first, like %q", short(c.values[other]), short(c.values[0]))}
					if !slices.Contains(q.slips, slip) {
						q.slips = append(q.slips, slip)
					}
				} else {
					r.faults.Add(at, "not-in-list", "the axis has no value %q", short(text))
				}
				group += separator + text
			default:
				v, unit, err := splitQuantity(text)
				if err != nil {
					r.faults.Add(at, "decimal-invalid", "%q: %v", short(text), err)
				} else if unit != c.unit {
					r.faults.Add(at, "unit-incompatible", "%q: write it in the unit of the axis, like %q", short(text), c.text(0))
				}
				numbers[i] = append(numbers[i], v)
			}
		}
		s.members[group] = append(s.members[group], i)
		s.tested = append(s.tested, r.testedStrength(p, at))
	}
	first := s.tested[0]
	for i, t := range s.tested {
		if t.ResidualRatio.Valid != first.ResidualRatio.Valid || t.F150.Valid != first.F150.Valid || t.Rule != first.Rule {
			r.faults.Add(fault.Path("/strengths").At(i), "one-of", "all strengths give the same: a modulus of rupture alone, or with a residual ratio, or with f150, by one rule")
		}
	}
	q.grid.faults.Append(r.faults.All()...)
	if q.grid.faults.Len() > before || q.slips != nil {
		return
	}
	for _, group := range sortedNames(s.members) {
		q.readTested(s, group, numbers)
	}
	s.key = q.keyOf(func(c *choice) bool {
		return slices.ContainsFunc(s.axes, func(i int) bool { return &q.choices[i] == c })
	})
	q.strengths = s
}

// readTested makes the grid of the points that share their names.
func (q *search) readTested(s *strengths, group string, numbers [][]decimal.Decimal) {
	members := s.members[group]
	var points [][]decimal.Decimal
	for _, i := range members {
		points = append(points, numbers[i])
	}
	grid, twice, missing := flexure.NewTested(points)
	for _, pair := range twice {
		q.grid.faults.Add(fault.Path("/strengths").At(members[pair[1]], "at"), "duplicate-name", "strength %d stands there too", members[pair[0]])
	}
	const most = 5
	for i, place := range missing {
		if i == most {
			break
		}
		var where []string
		for k, v := range place {
			c := &q.choices[s.axes[s.names+k]]
			where = append(where, c.name+" "+num.Canonical(v)+c.unit)
		}
		q.grid.faults.Add("/strengths", "strength-missing", "no strength at %s; between tests only a grid without gaps can be interpolated", strings.Join(where, ", "))
	}
	if grid == nil && missing != nil && len(missing) == 0 {
		q.grid.faults.Add("/strengths", "strength-missing", "the strengths are no grid: far more places than tests")
	}
	s.grids[group] = grid
}

func (q *search) hasValue(c *choice, text string) bool {
	for i := range c.count {
		if c.text(i) == text {
			return true
		}
	}
	return false
}

func sortedNames[V any](m map[string]V) []string {
	var names []string
	for name := range m {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// testedStrength reads one point, as a design reads its strength.
func (r *reader) testedStrength(p StrengthPoint, at fault.Path) pavement.Strength {
	if p.BeamTests != nil {
		s, _ := r.tested(DesignStrength{ModulusOfRupture: p.ModulusOfRupture, ResidualRatio: p.ResidualRatio, F150: p.F150, BeamTests: p.BeamTests}, at)
		return s
	}
	var s pavement.Strength
	if q, ok := r.required(p.ModulusOfRupture, "4.5 MPa", at.At("modulus_of_rupture"), unit.Pressure); ok {
		s.MOR = q.SI().Shift(-6)
	}
	s.ResidualRatio = r.optional(p.ResidualRatio, at.At("residual_ratio"), 2, unit.Ratio)
	s.F150 = r.optional(p.F150, at.At("f150"), -6, unit.Pressure)
	return s
}

// strengthAt is the strength of a combination; false outside what was tested.
type strengthAt struct {
	strength pavement.Strength
	between  flexure.Between
	points   []int // of the table, beside between.Points
	tested   bool
}

func (q *search) strengthAt(places []int) *strengthAt {
	s := q.strengths
	return q.strengthsKnown.get(s.key.of(places), func() *strengthAt {
		group, x := "", []decimal.Decimal(nil)
		for k, axis := range s.axes {
			c := &q.choices[axis]
			if k < s.names {
				group += separator + c.text(places[axis])
			} else {
				x = append(x, c.number(places[axis]))
			}
		}
		grid := s.grids[group]
		if grid == nil {
			return &strengthAt{}
		}
		between, inside := grid.At(x)
		if !inside {
			return &strengthAt{}
		}
		found := &strengthAt{between: between, tested: true}
		for _, p := range between.Points {
			found.points = append(found.points, s.members[group][p])
		}
		value := func(of func(pavement.Strength) decimal.Decimal) decimal.Decimal {
			return between.Value(func(point int) decimal.Decimal { return of(s.tested[s.members[group][point]]) })
		}
		first := s.tested[0]
		found.strength = pavement.Strength{Rule: first.Rule, MOR: value(func(s pavement.Strength) decimal.Decimal { return s.MOR })}
		if first.ResidualRatio.Valid {
			found.strength.ResidualRatio = decimal.NewNullDecimal(value(func(s pavement.Strength) decimal.Decimal { return s.ResidualRatio.Decimal }))
		}
		if first.F150.Valid {
			found.strength.F150 = decimal.NewNullDecimal(value(func(s pavement.Strength) decimal.Decimal { return s.F150.Decimal }))
		}
		return found
	})
}

// used prints a strength with the tests behind it.
func (s *strengthAt) used() *StrengthUsed {
	u := &StrengthUsed{ModulusOfRupture: Amount{s.strength.MOR}, Interpolated: s.between.Interpolated()}
	if s.strength.ResidualRatio.Valid {
		u.ResidualRatio = &Amount{s.strength.ResidualRatio.Decimal}
	}
	if s.strength.F150.Valid {
		u.F150 = &Amount{s.strength.F150.Decimal}
	}
	for i, point := range s.points {
		u.Neighbours = append(u.Neighbours, StrengthNeighbour{string(fault.Path("/strengths").At(point)), Amount{s.between.Weight(i)}})
	}
	return u
}

// given writes a strength as a design gives it.
func (s *strengthAt) given(design ThicknessDesign) ThicknessDesign {
	design.Strength.ModulusOfRupture = num.Canonical(s.strength.MOR) + " MPa"
	if s.strength.ResidualRatio.Valid {
		design.Strength.ResidualRatio = num.Canonical(s.strength.ResidualRatio.Decimal) + " %"
	}
	if s.strength.F150.Valid {
		design.Strength.F150 = num.Canonical(s.strength.F150.Decimal) + " MPa"
	}
	if design.Strength.Rule == "" {
		design.Strength.Rule = string(s.strength.Rule)
	}
	return design
}

// thickPart is the thickness of a combination as far as its axes tell it: given, or a
// design that still lacks a strength where the table has it.
type thickPart struct {
	given    decimal.Decimal // m; of a slab that a method does not size
	system   unit.System
	design   *ThicknessDesign
	at       fault.Path // of the design
	input    pavement.Input
	rounding pavement.Rounding
	faults   []fault.Fault
}

// thickPart reads the thickness of an alternative.
func (q *search) thickPart(a resolved) *thickPart {
	r, p := reader{}, &thickPart{design: q.req.ThicknessDesign, at: "/thickness_design"}
	at := a.at.At("slab", "thickness")
	switch {
	case a.Slab == nil || a.Slab.Thickness.IsZero():
		r.faults.Add(a.at.At("slab"), "required-member-missing", "a slab needs at least its thickness")
	case a.Slab.Thickness.Design != nil && p.design != nil:
		r.faults.Add(p.at, "one-of", "the slab of the alternative is sized; thickness_design is what a given thickness is held against")
	case a.Slab.Thickness.Design != nil:
		p.design, p.at = a.Slab.Thickness.Design, at
	default:
		if given, ok := r.required(a.Slab.Thickness.Given, "240 mm", at, unit.Length); ok {
			p.given, p.system = given.SI(), given.Unit.System
			_, found := slab.TakeOff(slab.Geometry{Thickness: p.given, At: a.at.At("slab")})
			r.faults.Append(found.All()...)
		}
	}
	if unread := q.strengths == nil && q.req.Strengths != nil; p.design != nil && r.faults.Empty() && !unread {
		design := *p.design
		if q.strengths != nil {
			if design.Strength.ModulusOfRupture != "" || design.Strength.ResidualRatio != "" || design.Strength.F150 != "" || design.Strength.BeamTests != nil {
				r.faults.Add(p.at.At("strength"), "one-of", "the strength comes from strengths; here it has a strength_rule and a coefficient_of_variation at most")
			}
			design = (&strengthAt{strength: q.strengths.tested[0]}).given(design)
		}
		p.input, _ = r.pavementInput(design, p.at)
		p.rounding = r.rounding(design.Rounding, p.at.At("rounding"))
	}
	p.faults = r.faults.All()
	return p
}

// sizedPart is what a method asks for.
type sizedPart struct {
	required decimal.Decimal // mm
	built    decimal.Decimal // mm, rounded
	governs  string
	none     string // why there is no thickness
	faults   []fault.Fault
}

// sizedPart solves a design for a strength, or for its own where there is none. That
// no thickness carries the traffic, or that the method does not cover the strength, is
// no fault of the request but of the combination.
func (p *thickPart) sizedPart(strength *strengthAt) *sizedPart {
	in := p.input
	if strength != nil {
		rule := in.Strength.Rule
		if in.Strength = strength.strength; p.design.Strength.Rule != "" {
			in.Strength.Rule = rule
		}
	}
	fail := func(found []fault.Fault) *sizedPart {
		for _, f := range found {
			covered := f.Code == "out-of-range" && strings.HasPrefix(string(f.Pointer), string(p.at.At("strength")))
			if !covered && f.Code != "no-feasible-thickness" && f.Code != "not-monotone" {
				return &sizedPart{faults: inRequest(found, *p.design, p.at)}
			}
		}
		return &sizedPart{none: found[0].Detail}
	}
	design, found := pavement.Prepare(in)
	if !found.Empty() {
		return fail(found.All())
	}
	solution, found := design.Solve()
	if !found.Empty() {
		return fail(found.All())
	}
	out := &sizedPart{required: solution.ThicknessMM, governs: string(solution.Governs)}
	if !p.given.IsZero() {
		return out
	}
	rounded, found := p.rounding.Round(solution.ThicknessMM)
	if !found.Empty() {
		return fail(found.All())
	}
	if _, found := design.Check(rounded.ThicknessMM); !found.Empty() { // rounding made a slab that the method does not cover
		return &sizedPart{none: found.All()[0].Detail}
	}
	out.built = rounded.ThicknessMM
	return out
}
