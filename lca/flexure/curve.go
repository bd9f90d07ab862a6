package flexure

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// Axis is what was measured beside the load.
type Axis string

// Axes. A notched beam (EN 14651) may have either; where its deflection was
// measured it is read at Deflection of the opening. Third-point tests have a net
// deflection.
const (
	NetDeflection Axis = "deflection"
	CMOD          Axis = "cmod" // crack mouth opening displacement
)

// Sample is one row of a test machine.
type Sample struct {
	MM decimal.Decimal // deflection or opening
	KN decimal.Decimal // load
}

// Curve is the record of one test, in the order in which it was measured.
type Curve struct {
	Axis    Axis
	Samples []Sample // at least 3
}

// CurveReading says where a curve was read.
type CurveReading struct {
	Axis          Axis
	Samples       int
	Largest       decimal.Decimal     // deflection or opening reached, mm
	HighestLoad   decimal.Decimal     // kN
	FirstPeakAt   decimal.NullDecimal // mm; absent where no peak was found
	FirstPeakLoad decimal.NullDecimal // kN
	ToeOffset     decimal.NullDecimal // mm, where the elastic line meets zero load; absent where there is no line
	ToeCorrected  bool
}

// Rules that read a curve (common practice, no source).
//
// The first peak is the first point, with at least firstPeakFloor of the highest
// load, after which the load falls by firstPeakDrop before it rises above that
// point again; or, where the load never falls so far, the highest point if it is
// not the last one. ASTM C1609 has the first point of zero slope, which noise
// would put anywhere; a deflection-hardening beam has its first peak before its
// highest load.
//
// The elastic line runs through the points where the load first reaches toeLow and
// toeHigh of the first peak (of the highest load where there is no peak). Where it
// meets zero load is the toe offset; a slip at the start is an offset beyond
// toeShare of span/150, or beyond toeCMOD of a notched beam. A curve whose first
// load is more than startLoad of the highest did not begin at zero.
var (
	firstPeakDrop  = decimal.New(1, -2)
	firstPeakFloor = decimal.New(20, -2)
	nearPeak       = decimal.New(90, -2)
	toeLow         = decimal.New(20, -2)
	toeHigh        = decimal.New(50, -2)
	toeShare       = decimal.New(1, -2)
	startLoad      = decimal.New(10, -2)
	toeCMOD        = decimal.New(5, -3) // mm, a tenth of the opening up to which the limit of proportionality counts
)

// leastNearPeak is how many points, with the peak, a curve needs between 90 % of
// the first peak and the peak itself, and a notched beam up to the opening of
// its limit of proportionality (common practice, no source).
const leastNearPeak = 3

func (e *evaluation) checkCurve() {
	at := e.At.At("curve")
	switch {
	case e.Curve.Axis == CMOD && e.method != EN14651:
		e.faults.Add(at, "axis-unsupported", "%s is read at net deflections; the curve has a crack mouth opening", e.method)
	case e.Curve.Axis != CMOD && e.Curve.Axis != NetDeflection:
		e.faults.Add(at, "one-of", "%q is no axis; accepted: %s, %s", e.Curve.Axis, NetDeflection, CMOD)
	case len(e.Curve.Samples) < leastNearPeak:
		e.faults.Add(at, "too-few", "points of the curve: %d; at least %d are needed", len(e.Curve.Samples), leastNearPeak)
	default:
		if top := highestLoad(e.Curve.Samples); !e.Curve.Samples[top].KN.IsPositive() {
			e.faults.Add(at, "out-of-range", "no load of the curve is more than zero")
		}
	}
}

// readCurve turns the curve into loads at the points of the method.
func (e *evaluation) readCurve(correctToe bool) {
	samples := e.Curve.Samples
	r := &CurveReading{Axis: e.Curve.Axis, Samples: len(samples)}
	e.result.Curve = r
	e.falling(samples)

	first, top := peaks(samples)
	e.toe(samples, first, top, r)
	if correctToe && r.slipped(e.slipLimit()) {
		samples, r.ToeCorrected = shifted(samples, r.ToeOffset.Decimal), true
		first, top = peaks(samples)
	}
	r.Largest = samples[furthest(samples)].MM
	r.HighestLoad = samples[top].KN
	if first >= 0 {
		r.FirstPeakAt, r.FirstPeakLoad = nullable(samples[first].MM, true), nullable(samples[first].KN, true)
	}
	if top == len(samples)-1 {
		e.findings.Add(e.At.At("curve"), "no-peak", "the highest load, %s kN, is the last point of the curve: it is not known to be a peak, so what rests on it is absent", samples[top].KN)
	}
	late := samples[0].KN.GreaterThan(samples[top].KN.Mul(startLoad))
	if late {
		e.findings.Add(e.At.At("curve"), "does-not-start-at-zero", "the curve begins at %s kN, more than 10 %% of its highest load: what was before is not known, so a toughness is absent", samples[0].KN)
	}
	e.nearPeak(samples, first)

	e.Loads = map[Point]decimal.Decimal{}
	var beyond []Point
	for _, p := range e.method.Points() {
		switch p {
		case FirstPeak:
			if first >= 0 {
				e.Loads[p] = samples[first].KN
			}
		case Peak:
			if first >= 0 && top < len(samples)-1 {
				e.Loads[p] = samples[top].KN
			}
		case LOP:
			if load, reached := highestUpTo(samples, e.position(p)); reached {
				e.Loads[p] = load
			} else {
				beyond = append(beyond, p)
			}
		default:
			if load, _, reached := loadAt(samples, e.position(p)); reached {
				e.Loads[p] = load
			} else {
				beyond = append(beyond, p)
			}
		}
	}
	e.notReached(beyond, r.Largest)
	if e.method == C1609 && !late {
		if load, j, reached := loadAt(samples, e.position(L150)); reached {
			e.Toughness = nullable(area(samples[:max(j, 1)], Sample{e.position(L150), load}), true)
		}
	}
}

// position is where the curve is read for a point, in mm on its axis.
func (e *evaluation) position(p Point) decimal.Decimal {
	return PositionOf(p, e.Curve.Axis, e.Span.Decimal)
}

// PositionOf is where a curve is read for a point, in mm on its axis; the span is in mm.
// The limit of proportionality is the highest load up to there. Peaks have no position
// of their own.
func PositionOf(p Point, axis Axis, span decimal.Decimal) decimal.Decimal {
	switch p {
	case L600:
		return share(span, 600)
	case L150:
		return share(span, 150)
	}
	if axis == NetDeflection {
		return Deflection(cmods[p])
	}
	return cmods[p]
}

func share(span decimal.Decimal, of int64) decimal.Decimal {
	v, _ := num.Div(span, decimal.New(of, 0)) // not zero
	return v
}

// falling names a deflection that runs backwards.
func (e *evaluation) falling(samples []Sample) {
	steps, worst, at := 0, decimal.Zero, 0
	for i := 1; i < len(samples); i++ {
		if back := samples[i-1].MM.Sub(samples[i].MM); back.IsPositive() {
			if steps++; back.GreaterThan(worst) {
				worst, at = back, i
			}
		}
	}
	if steps > 0 {
		e.findings.Add(e.At.At("curve"), "deflection-decreasing", "%d of %d steps run backwards, the largest by %s mm at point %d; the curve is followed as it was measured", steps, len(samples)-1, worst, at+1)
	}
}

// peaks finds the first peak, -1 where there is none, and the first point of the
// highest load.
func peaks(samples []Sample) (first, top int) {
	top = highestLoad(samples)
	floor := samples[top].KN.Mul(firstPeakFloor)
	keep := num.One.Sub(firstPeakDrop)
	highest := 0
	for i, s := range samples {
		switch {
		case s.KN.GreaterThan(samples[highest].KN):
			highest = i
		case samples[highest].KN.GreaterThanOrEqual(floor) && s.KN.LessThanOrEqual(samples[highest].KN.Mul(keep)):
			return highest, top
		}
	}
	if top < len(samples)-1 {
		return top, top
	}
	return -1, top
}

func highestLoad(samples []Sample) int {
	top := 0
	for i, s := range samples {
		if s.KN.GreaterThan(samples[top].KN) {
			top = i
		}
	}
	return top
}

// nearPeak names a curve with too few points to tell a peak.
func (e *evaluation) nearPeak(samples []Sample, first int) {
	count := 0
	what := "between 90 % of the first peak and the peak"
	switch {
	case e.method == EN14651:
		what = "up to the opening of the limit of proportionality"
		for count < len(samples) && samples[count].MM.LessThanOrEqual(e.position(LOP)) {
			count++
		}
	case first < 0:
		return
	default:
		least := samples[first].KN.Mul(nearPeak)
		for i := first; i >= 0 && samples[i].KN.GreaterThanOrEqual(least); i-- {
			count++
		}
	}
	if count < leastNearPeak {
		e.findings.Add(e.At.At("curve"), "too-few-points-near-peak", "points %s: %d; fewer than %d may miss it", what, count, leastNearPeak)
	}
}

// toe finds the elastic line and names a slip.
func (e *evaluation) toe(samples []Sample, first, top int, r *CurveReading) {
	peak := samples[top].KN
	if first >= 0 {
		peak = samples[first].KN
	}
	low, okLow := firstReaches(samples, peak.Mul(toeLow))
	high, okHigh := firstReaches(samples, peak.Mul(toeHigh))
	if !okLow || !okHigh || !high.GreaterThan(low) {
		return
	}
	// x0 = low - (high - low)·toeLow/(toeHigh - toeLow)
	back, _ := num.Div(high.Sub(low).Mul(toeLow), toeHigh.Sub(toeLow)) // constants
	r.ToeOffset = nullable(num.Amount(low.Sub(back)), true)
	if limit := e.slipLimit(); r.slipped(limit) {
		e.findings.Add(e.At.At("curve"), "slip-at-start", "the elastic line meets zero load at %s mm, more than %s mm: the beam or its supports slipped, or the gauge was not at zero; the curve is moved back only on request", r.ToeOffset.Decimal, limit)
	}
}

func (e *evaluation) slipLimit() decimal.Decimal {
	if e.method == EN14651 {
		return toeCMOD
	}
	return share(e.Span.Decimal, 150).Mul(toeShare)
}

func (r *CurveReading) slipped(limit decimal.Decimal) bool {
	return r.ToeOffset.Valid && r.ToeOffset.Decimal.GreaterThan(limit)
}

// Moved is the curve as it is evaluated where its toe is corrected: moved back by the
// offset in mm, and beginning at zero.
func (c *Curve) Moved(offset decimal.Decimal) []Sample { return shifted(c.Samples, offset) }

// shifted moves the curve back by the offset; it then begins at zero.
func shifted(samples []Sample, offset decimal.Decimal) []Sample {
	start := 0
	for start < len(samples) && samples[start].MM.LessThanOrEqual(offset) {
		start++
	}
	moved := make([]Sample, 1, len(samples)-start+1)
	for _, s := range samples[start:] {
		moved = append(moved, Sample{s.MM.Sub(offset), s.KN})
	}
	return moved
}

// notReached names the points beyond the end of the curve, each group by its own
// code.
func (e *evaluation) notReached(beyond []Point, largest decimal.Decimal) {
	at := e.At.At("curve")
	var openings []Point
	for _, p := range beyond {
		switch p {
		case L600, L150:
			e.findings.Add(at, "does-not-reach-"+string(p), "the curve covers deflections up to %s mm and not %s mm: what is read there is absent, not zero", largest, num.Amount(e.position(p)))
		default:
			openings = append(openings, p)
		}
	}
	if len(openings) > 0 {
		e.findings.Add(at, "does-not-reach-cmod", "the curve covers up to %s mm, which misses %s: what is read there is absent, not zero", largest, join(openings))
	}
}

func furthest(samples []Sample) int {
	at := 0
	for i, s := range samples {
		if s.MM.GreaterThan(samples[at].MM) {
			at = i
		}
	}
	return at
}

// loadAt is the load where the curve first reaches x, and the index of the first
// point that is there or beyond. A curve that begins beyond x does not reach it.
func loadAt(samples []Sample, x decimal.Decimal) (load decimal.Decimal, next int, reached bool) {
	for i, s := range samples {
		switch s.MM.Cmp(x) {
		case 0:
			return s.KN, i, true
		case 1:
			if i == 0 {
				return decimal.Zero, 0, false
			}
			return between(samples[i-1].MM, samples[i-1].KN, s.MM, s.KN, x), i, true
		}
	}
	return decimal.Zero, 0, false
}

// firstReaches is where the load first reaches p. A curve that begins beyond p
// does not reach it.
func firstReaches(samples []Sample, p decimal.Decimal) (decimal.Decimal, bool) {
	for i, s := range samples {
		if s.KN.GreaterThanOrEqual(p) {
			if s.KN.Equal(p) {
				return s.MM, true
			}
			if i == 0 {
				return decimal.Zero, false
			}
			return between(samples[i-1].KN, samples[i-1].MM, s.KN, s.MM, p), true
		}
	}
	return decimal.Zero, false
}

// between interpolates: x0 < x1.
func between(x0, y0, x1, y1, x decimal.Decimal) decimal.Decimal {
	rise, _ := num.Div(y1.Sub(y0).Mul(x.Sub(x0)), x1.Sub(x0))
	return y0.Add(rise)
}

// highestUpTo is the highest load up to x, which the curve must reach.
func highestUpTo(samples []Sample, x decimal.Decimal) (decimal.Decimal, bool) {
	highest, next, reached := loadAt(samples, x)
	for _, s := range samples[:next] {
		if s.KN.GreaterThan(highest) {
			highest = s.KN
		}
	}
	return highest, reached
}

// area is the sum of trapezoids along the samples and on to last, in kN·mm,
// which is J. It is exact.
func area(samples []Sample, last Sample) decimal.Decimal {
	var twice num.Total
	previous := samples[0]
	add := func(s Sample) {
		twice.Add(s.MM.Sub(previous.MM).Mul(s.KN.Add(previous.KN)))
		previous = s
	}
	for _, s := range samples[1:] {
		add(s)
	}
	add(last)
	return twice.Value().Mul(decimal.New(5, -1))
}
