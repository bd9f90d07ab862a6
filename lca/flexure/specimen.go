package flexure

import (
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// Specimen is one beam. It is given by exactly one of Strengths, Loads and
// Curve. Dimensions are needed wherever a load becomes a strength or a toughness
// a ratio; Notch is for EN 14651 alone.
type Specimen struct {
	Width, Depth, Span, Notch decimal.NullDecimal // mm, > 0

	Strengths map[Point]decimal.Decimal // MPa
	Loads     map[Point]decimal.Decimal // kN
	Toughness decimal.NullDecimal       // T150, J, beside strengths or loads; ASTM C1609 alone
	Curve     *Curve                    // its toughness is integrated

	At fault.Path
}

// Value is one quantity of one beam, absent where it was not measured.
type Value struct {
	Quantity Quantity
	decimal.NullDecimal
}

// Load is the load at a point in kN, absent where the test has none.
type Load struct {
	Point Point
	decimal.NullDecimal
}

// Result is one beam as evaluated.
type Result struct {
	Values   []Value // all quantities of the method, in its order; at most 12 decimals
	Loads    []Load  // what the strengths rest on; empty where strengths were given
	Curve    *CurveReading
	Findings []fault.Fault // what is odd, named
}

// Value is the value of a quantity, absent where there is none.
func (r Result) Value(q Quantity) decimal.NullDecimal {
	for _, v := range r.Values {
		if v.Quantity == q {
			return v.NullDecimal
		}
	}
	return decimal.NullDecimal{}
}

// Evaluate reads one beam. correctToe moves a curve that begins with a slip
// back to where it bears load; without it the slip is only named. Faults point
// to the members by the names width, depth, span, notch_depth, strengths, loads
// and curve below s.At.
func (m Method) Evaluate(s Specimen, correctToe bool) (Result, fault.List) {
	e := evaluation{method: m, Specimen: s}
	given := 0
	for _, is := range []bool{s.Strengths != nil, s.Loads != nil, s.Curve != nil} {
		if is {
			given++
		}
	}
	if given != 1 {
		has := "none"
		if given > 0 {
			has = "several"
		}
		e.faults.Add(s.At, "one-of", "a beam is given by exactly one of strengths, loads and curve; this one has %s of them; strengths and loads have points such as %q, a curve is the file of a test machine", has, m.Points()[0])
	}
	e.checkSize(s.Loads != nil || s.Curve != nil || s.Toughness.Valid)
	e.checkPoints(s.Strengths, s.At.At("strengths"))
	e.checkPoints(s.Loads, s.At.At("loads"))
	if s.Curve != nil {
		e.checkCurve()
	}
	if !e.faults.Empty() {
		return Result{}, e.faults
	}
	if s.Curve != nil {
		e.readCurve(correctToe)
	}
	e.values()
	e.result.Findings = e.findings.All()
	return e.result, e.faults
}

// evaluation is one beam between reading and result.
type evaluation struct {
	method Method
	Specimen
	result   Result
	faults   fault.List
	findings fault.List
}

// ligament is the depth that bears load: h_sp of a notched beam.
func (s *Specimen) ligament() decimal.Decimal { return s.Depth.Decimal.Sub(s.Notch.Decimal) }

// Sizes of the standards (values from memory): ASTM beams have a span of three
// depths within 2 %, and C1609 prefers sections of 100 and 150 mm; beams of EN
// 14651 are 150 mm wide on a span of 500 mm, with 125 mm above the notch. The 2 %
// by which a measured size may differ is common practice, no source.
var (
	sizeMargin = decimal.New(2, -2)
	astmDepths = []decimal.Decimal{decimal.New(100, 0), decimal.New(150, 0)}
)

func near(measured, nominal decimal.Decimal) bool {
	return measured.Sub(nominal).Abs().LessThanOrEqual(nominal.Mul(sizeMargin))
}

// checkSize needs every dimension where needed, and holds what is there against
// the standard.
func (e *evaluation) checkSize(needed bool) {
	type dimension struct {
		name  string
		value decimal.NullDecimal
	}
	dimensions := []dimension{{"width", e.Width}, {"depth", e.Depth}, {"span", e.Span}}
	if e.method == EN14651 {
		dimensions = append(dimensions, dimension{"notch_depth", e.Notch})
	} else if e.Notch.Valid {
		e.faults.Add(e.At.At("notch_depth"), "not-used", "only beams of %s have a notch", EN14651)
	}
	complete := true
	for _, d := range dimensions {
		complete = complete && d.value.Valid
		switch {
		case needed && !d.value.Valid:
			e.faults.Add(e.At.At(d.name), "required-member-missing", "missing, here and for all beams; a load becomes a strength only with it")
		case d.value.Valid && !d.value.Decimal.IsPositive():
			e.faults.Add(e.At.At(d.name), "out-of-range", "%s mm must be more than zero", d.value.Decimal)
		}
	}
	if !complete || !e.faults.Empty() {
		return
	}
	if e.method == EN14651 && !e.ligament().IsPositive() {
		e.faults.Add(e.At.At("notch_depth"), "out-of-range", "a notch of %s mm leaves nothing of a depth of %s mm", e.Notch.Decimal, e.Depth.Decimal)
		return
	}
	size := func(format string, args ...any) { e.findings.Add(e.At, "size-outside-standard", format, args...) }
	b, d, l := e.Width.Decimal, e.Depth.Decimal, e.Span.Decimal
	switch e.method {
	case EN14651:
		for _, c := range []struct {
			name              string
			measured, nominal decimal.Decimal
		}{{"width", b, decimal.New(150, 0)}, {"span", l, decimal.New(500, 0)}, {"depth above the notch", e.ligament(), decimal.New(125, 0)}} {
			if !near(c.measured, c.nominal) {
				size("the %s is %s mm; the standard has %s mm", c.name, c.measured, c.nominal)
			}
		}
	default:
		if three := d.Mul(decimal.New(3, 0)); !near(l, three) {
			size("the span is %s mm; the standard has three depths, %s mm, within 2 %%", l, three)
		}
		standard := func(side decimal.Decimal) bool {
			return slices.ContainsFunc(astmDepths, func(n decimal.Decimal) bool { return near(side, n) })
		}
		if e.method == C1609 && !(standard(b) && standard(d)) {
			size("the section is %s × %s mm; the standard prefers sides of 100 and 150 mm", b, d)
		}
	}
}

// checkPoints refuses points that the method does not have, and loads and
// strengths that none can be.
func (e *evaluation) checkPoints(points map[Point]decimal.Decimal, at fault.Path) {
	known := e.method.Points()
	for _, p := range sorted(points) {
		v := points[p]
		switch {
		case !slices.Contains(known, p):
			e.faults.Add(at.At(string(p)), "not-used", "%s has no point %q; accepted: %s", e.method, p, join(known))
		case v.IsNegative() || (p == known[0] && v.IsZero()):
			e.faults.Add(at.At(string(p)), "out-of-range", "%s must be more than zero", v)
		}
	}
	if points != nil && e.Toughness.Valid { // a curve is integrated
		switch {
		case e.method != C1609:
			e.faults.Add(at.At("toughness"), "not-used", "only %s has a toughness", C1609)
		case e.Toughness.Decimal.IsNegative():
			e.faults.Add(at.At("toughness"), "out-of-range", "%s J must not be negative", e.Toughness.Decimal)
		}
	}
	if peak, ok := points[Peak]; ok && peak.LessThan(points[FirstPeak]) {
		e.faults.Add(at.At("peak"), "out-of-range", "the peak %s is below the first peak %s", peak, points[FirstPeak])
	}
}

// values fills in the quantities from strengths or loads.
func (e *evaluation) values() {
	points := e.Strengths
	if points == nil {
		points = e.Loads
	}
	var missing []Point
	found := map[Quantity]decimal.NullDecimal{}
	for _, r := range readings[e.method] {
		v, ok := points[r.point]
		if !ok {
			missing = append(missing, r.point)
		}
		if e.Strengths == nil {
			e.result.Loads = append(e.result.Loads, Load{r.point, nullable(num.Amount(v), ok)})
			if ok {
				v = e.strength(v)
			}
		}
		found[r.quantity] = nullable(num.Amount(v), ok)
	}
	if e.method == C1609 {
		e.toughness(found)
		if !e.Toughness.Valid {
			missing = append(missing, "toughness") // which stands among the points
		}
	}
	if len(missing) > 0 && e.Curve == nil {
		e.findings.Add(e.At, "points-missing", "not given: %s; what rests on them is absent, not zero", join(missing))
	}
	for _, q := range e.method.Quantities() {
		e.result.Values = append(e.result.Values, Value{q, found[q]})
	}
}

func (e *evaluation) strength(load decimal.Decimal) decimal.Decimal {
	of, depth := ThirdPointStrength, e.Depth.Decimal
	if e.method == EN14651 {
		of, depth = NotchedStrength, e.ligament()
	}
	v, _ := of(load, e.Span.Decimal, e.Width.Decimal, depth) // dimensions are more than zero
	return v
}

// toughness adds T150 and both ratios. The first peak is more than zero where it
// is known.
func (e *evaluation) toughness(found map[Quantity]decimal.NullDecimal) {
	t, f1, f150 := e.Toughness, found[FirstPeakStrength], found[ResidualL150]
	found[Toughness] = nullable(num.Amount(t.Decimal), t.Valid)
	if t.Valid && f1.Valid {
		ratio, err := ToughnessRatio(t.Decimal, f1.Decimal, e.Width.Decimal, e.Depth.Decimal)
		found[ToughnessRatioT150] = nullable(num.Amount(ratio), err == nil)
	}
	if f150.Valid && f1.Valid {
		ratio, err := num.Div(f150.Decimal.Mul(hundred), f1.Decimal)
		found[LoadRatioL150] = nullable(num.Amount(ratio), err == nil)
	}
}

func nullable(d decimal.Decimal, valid bool) decimal.NullDecimal {
	if !valid {
		return decimal.NullDecimal{}
	}
	return decimal.NullDecimal{Decimal: d, Valid: true}
}

func join(points []Point) string {
	names := make([]string, len(points))
	for i, p := range points {
		names[i] = string(p)
	}
	return strings.Join(names, ", ")
}

func sorted(points map[Point]decimal.Decimal) []Point {
	list := make([]Point, 0, len(points))
	for p := range points {
		list = append(list, p)
	}
	slices.Sort(list)
	return list
}
