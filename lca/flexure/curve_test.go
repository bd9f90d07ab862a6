package flexure_test

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/flexure"
	"slabledger/lca/num"
)

func some(text string) decimal.NullDecimal {
	return decimal.NullDecimal{Decimal: dec(text), Valid: true}
}

// beam is 150 × 150 mm on a span of 450 mm; span/150 is 3 mm.
func beam() flexure.Specimen {
	return flexure.Specimen{Width: some("150"), Depth: some("150"), Span: some("450"), At: "/specimens/0"}
}

// notched is a standard beam of EN 14651.
func notched() flexure.Specimen {
	return flexure.Specimen{Width: some("150"), Depth: some("150"), Span: some("500"), Notch: some("25"), At: "/specimens/0"}
}

// curve reads "mm kN, mm kN, …".
func curve(axis flexure.Axis, text string) *flexure.Curve {
	c := &flexure.Curve{Axis: axis}
	for _, pair := range strings.Split(text, ",") {
		mm, kn, _ := strings.Cut(strings.TrimSpace(pair), " ")
		c.Samples = append(c.Samples, flexure.Sample{MM: dec(mm), KN: dec(kn)})
	}
	return c
}

func evaluate(t *testing.T, m flexure.Method, s flexure.Specimen) flexure.Result {
	t.Helper()
	r, faults := m.Evaluate(s, false)
	if !faults.Empty() {
		t.Fatalf("%+v", faults.All())
	}
	return r
}

// shown is a result as text: absent is "-".
func shown(r flexure.Result) map[flexure.Quantity]string {
	m := map[flexure.Quantity]string{}
	for _, v := range r.Values {
		m[v.Quantity] = "-"
		if v.Valid {
			m[v.Quantity] = v.Decimal.RoundBank(6).String()
		}
	}
	return m
}

func codes(list []fault.Fault) []string {
	var codes []string
	for _, f := range list {
		codes = append(codes, f.Code)
	}
	slices.Sort(codes)
	return codes
}

// A triangle: 30 kN at 0.1 mm, then straight down to nothing at 4.1 mm. By hand,
// the load at 3 mm is 30 · 1.1/4 = 8.25 kN, at 0.75 mm 30 · 3.35/4 = 25.125 kN, and
// the area up to 3 mm is 30 · 0.1/2 + (30 + 8.25)/2 · 2.9 = 56.9625 J.
const triangle = "0 0, 0.1 30, 4.1 0"

func TestTriangleOfKnownArea(t *testing.T) {
	s := beam()
	s.Curve = curve(flexure.NetDeflection, triangle)
	r := evaluate(t, flexure.C1609, s)
	want := map[flexure.Quantity]string{
		flexure.FirstPeakStrength: "4", flexure.PeakStrength: "4", flexure.ResidualL600: "3.35", flexure.ResidualL150: "1.1",
		flexure.Toughness:          "56.9625",
		flexure.ToughnessRatioT150: "63.291667", // 150 · 56962.5/(4 · 150³) · 100
		flexure.LoadRatioL150:      "27.5",
	}
	if diff := cmp.Diff(want, shown(r)); diff != "" {
		t.Error(diff)
	}
	// Three points are enough to compute and too few to trust.
	if diff := cmp.Diff([]string{"too-few-points-near-peak"}, codes(r.Findings)); diff != "" {
		t.Error(diff)
	}
	if r.Curve.Samples != 3 || !r.Curve.FirstPeakAt.Decimal.Equal(dec("0.1")) || !r.Curve.ToeOffset.Decimal.IsZero() || r.Curve.ToeCorrected {
		t.Errorf("%+v", r.Curve)
	}
}

// More points on the same lines change nothing.
func TestPointsOnTheLineChangeNothing(t *testing.T) {
	s := beam()
	s.Curve = curve(flexure.NetDeflection, triangle)
	want := shown(evaluate(t, flexure.C1609, s))
	s.Curve = curve(flexure.NetDeflection, "0 0, 0.05 15, 0.09 27, 0.095 28.5, 0.1 30, 0.5 27, 0.75 25.125, 1.1 22.5, 2.1 15, 3 8.25, 3.7 3, 4.1 0")
	r := evaluate(t, flexure.C1609, s)
	if diff := cmp.Diff(want, shown(r)); diff != "" || len(r.Findings) != 0 {
		t.Errorf("%s%v", diff, r.Findings)
	}
}

// Trapezoids of random curves against rational numbers.
func TestToughnessIsExact(t *testing.T) {
	r := rand.New(rand.NewPCG(16, 9))
	for range 200 {
		s, x := beam(), int64(0)
		c := &flexure.Curve{Axis: flexure.NetDeflection, Samples: []flexure.Sample{{}}}
		want := decimal.Zero.Rat()
		for x < 3_000 {
			x = min(x+1+r.Int64N(200), 3_000)
			next := flexure.Sample{MM: decimal.New(x, -3), KN: decimal.New(r.Int64N(30_000)+1, -3)}
			last := c.Samples[len(c.Samples)-1]
			twice := next.MM.Sub(last.MM).Mul(next.KN.Add(last.KN))
			want.Add(want, twice.Mul(dec("0.5")).Rat())
			c.Samples = append(c.Samples, next)
		}
		s.Curve = c
		got := evaluate(t, flexure.C1609, s).Value(flexure.Toughness)
		if !got.Valid || got.Decimal.Rat().Cmp(want) != 0 {
			t.Fatalf("%v, want %s", got, want.FloatString(12))
		}
	}
}

// A deflection-hardening beam has its first peak before its highest load, and
// noise is no peak.
func TestFirstPeak(t *testing.T) {
	for name, c := range map[string]struct{ curve, first, peak, at string }{
		"hardening":           {"0 0, 0.04 28, 0.05 30, 0.06 26, 0.5 34, 1 36, 3 20", "30", "36", "0.05"},
		"noise of half a %":   {"0 0, 0.04 20, 0.05 19.9, 0.06 30, 0.1 25, 3 8", "30", "30", "0.06"},
		"a fall of one %":     {"0 0, 0.04 20, 0.05 19.8, 0.06 30, 0.1 25, 3 8", "20", "30", "0.04"},
		"seating bump":        {"0 0, 0.01 2, 0.02 1, 0.06 30, 0.1 25, 3 8", "30", "30", "0.06"},
		"plateau":             {"0 0, 0.06 30, 1 30, 3 30", "30", "30", "0.06"},
		"hardening, no drop":  {"0 0, 0.06 30, 1 32, 3 31.9", "32", "32", "1"},
		"rises to the end":    {"0 0, 0.06 30, 1 32, 3 33", "-", "-", "-"},
		"drops, then to peak": {"0 0, 0.06 30, 1 25, 3 33", "30", "-", "0.06"},
	} {
		s := beam()
		s.Curve = curve(flexure.NetDeflection, c.curve)
		r := evaluate(t, flexure.C1609, s)
		text := func(d decimal.NullDecimal) string {
			if !d.Valid {
				return "-"
			}
			return d.Decimal.String()
		}
		got := []string{text(r.Loads[0].NullDecimal), text(r.Loads[1].NullDecimal), text(r.Curve.FirstPeakAt)}
		if diff := cmp.Diff([]string{c.first, c.peak, c.at}, got); diff != "" {
			t.Errorf("%s:\n%s", name, diff)
		}
		if ends := c.peak == "-"; slices.Contains(codes(r.Findings), "no-peak") != ends {
			t.Errorf("%s: %v", name, codes(r.Findings))
		}
	}
}

// Odd curves are named, and what cannot be read is absent.
func TestOddCurvesAreNamed(t *testing.T) {
	const rise = "0 0, 0.05 15, 0.09 27, 0.095 28.5, 0.1 30"
	for name, c := range map[string]struct {
		curve string
		codes []string
		want  map[flexure.Quantity]string
	}{
		"ends before span/600": {rise + ", 0.5 20", []string{"does-not-reach-l150", "does-not-reach-l600"},
			map[flexure.Quantity]string{flexure.ResidualL600: "-", flexure.ResidualL150: "-", flexure.Toughness: "-", flexure.ToughnessRatioT150: "-", flexure.LoadRatioL150: "-"}},
		"ends just before span/150": {rise + ", 2.999 8", []string{"does-not-reach-l150"},
			map[flexure.Quantity]string{flexure.ResidualL150: "-", flexure.Toughness: "-"}},
		"ends at span/150": {rise + ", 3 8", nil, map[flexure.Quantity]string{flexure.ResidualL150: "1.066667"}},
		"monotone":         {"0 0, 0.1 10, 1 20, 3 30", []string{"no-peak"}, map[flexure.Quantity]string{flexure.FirstPeakStrength: "-", flexure.PeakStrength: "-", flexure.ResidualL150: "4", flexure.ToughnessRatioT150: "-", flexure.LoadRatioL150: "-"}},
		// 0.2 mm back and forth over 20 kN: what it adds it takes away.
		"backwards":                {rise + ", 1 20, 0.8 20, 1 20, 3 8", []string{"deflection-decreasing"}, map[flexure.Quantity]string{flexure.Toughness: "52"}},
		"two points near the peak": {"0 0, 0.05 15, 0.09 27, 0.1 30, 3 8", []string{"too-few-points-near-peak"}, map[flexure.Quantity]string{flexure.FirstPeakStrength: "4"}},
		"slip":                     {"0 0, 0.2 0, 0.25 15, 0.29 27, 0.295 28.5, 0.3 30, 3.3 8", []string{"slip-at-start"}, map[flexure.Quantity]string{flexure.FirstPeakStrength: "4"}},
		"late":                     {"0.09 27, 0.095 28.5, 0.1 30, 3 8", []string{"does-not-start-at-zero"}, map[flexure.Quantity]string{flexure.ResidualL150: "1.066667", flexure.Toughness: "-"}},
		"begins beyond": {"3 8, 3.1 7, 3.2 6, 3.3 8.5, 3.4 1", []string{"does-not-reach-l600", "does-not-start-at-zero", "too-few-points-near-peak"},
			map[flexure.Quantity]string{flexure.ResidualL600: "-", flexure.ResidualL150: "1.066667", flexure.Toughness: "-"}},
	} {
		s := beam()
		s.Curve = curve(flexure.NetDeflection, c.curve)
		r := evaluate(t, flexure.C1609, s)
		if diff := cmp.Diff(c.codes, codes(r.Findings)); diff != "" {
			t.Errorf("%s:\n%s", name, diff)
		}
		for q, want := range c.want {
			if got := shown(r)[q]; got != want {
				t.Errorf("%s: %s is %s, want %s", name, q, got, want)
			}
		}
		for _, f := range r.Findings {
			if f.Pointer != "/specimens/0/curve" || f.Detail == "" {
				t.Errorf("%s: %+v", name, f)
			}
		}
	}
}

// A slip is moved back only where that is asked for, and then the beam reads as
// if there had been none.
func TestToeIsCorrectedOnRequest(t *testing.T) {
	s := beam()
	s.Curve = curve(flexure.NetDeflection, "0 0, 0.2 0, 0.25 15, 0.29 27, 0.295 28.5, 0.3 30, 4.3 0")
	asMeasured := evaluate(t, flexure.C1609, s)
	corrected, _ := flexure.C1609.Evaluate(s, true)
	s.Curve = curve(flexure.NetDeflection, "0 0, 0.05 15, 0.09 27, 0.095 28.5, 0.1 30, 4.1 0")
	straight := evaluate(t, flexure.C1609, s)
	if diff := cmp.Diff(shown(straight), shown(corrected)); diff != "" {
		t.Error(diff)
	}
	if !corrected.Curve.ToeCorrected || !corrected.Curve.ToeOffset.Decimal.Equal(dec("0.2")) || asMeasured.Curve.ToeCorrected {
		t.Errorf("%+v\n%+v", corrected.Curve, asMeasured.Curve)
	}
	if shown(asMeasured)[flexure.ResidualL150] == shown(straight)[flexure.ResidualL150] {
		t.Error("the slip made no difference")
	}
	if !slices.Contains(codes(corrected.Findings), "slip-at-start") {
		t.Error("a corrected slip is still named")
	}
	again, _ := flexure.C1609.Evaluate(s, true)
	if again.Curve.ToeCorrected {
		t.Error("a curve without a slip was moved")
	}
}

// EN 14651: the limit of proportionality is the highest load up to an opening of
// 0.05 mm; residual loads stand at 0.5 to 3.5 mm.
func TestNotchedBeam(t *testing.T) {
	s := notched()
	s.Curve = curve(flexure.CMOD, "0 0, 0.01 6, 0.03 15, 0.04 14, 0.06 16, 0.5 10, 1.5 12, 2.5 9, 3.4 5")
	r := evaluate(t, flexure.EN14651, s)
	want := map[flexure.Quantity]string{
		flexure.LimitOfProportionality: "4.8", // 15 kN, and 15 again at 0.05 mm on the line to 16
		flexure.ResidualR1:             "3.2", flexure.ResidualR2: "3.84", flexure.ResidualR3: "2.88", flexure.ResidualR4: "-",
	}
	if diff := cmp.Diff(want, shown(r)); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff([]string{"does-not-reach-cmod"}, codes(r.Findings)); diff != "" {
		t.Error(diff)
	}
	// Where the deflection was measured, δ = 0.85 CMOD + 0.04 mm is where to read.
	s.Curve = curve(flexure.NetDeflection, "0 0, 0.04 9, 0.08 15, 0.0825 15, 0.465 10, 1.315 12, 2.165 9, 3.015 5")
	r = evaluate(t, flexure.EN14651, s)
	want[flexure.ResidualR4] = "1.6"
	if diff := cmp.Diff(want, shown(r)); diff != "" || len(r.Findings) != 0 {
		t.Errorf("%s%v", diff, r.Findings)
	}
}

// A notched beam has a slip from 0.005 mm on, and needs three points up to 0.05 mm.
func TestOddNotchedCurves(t *testing.T) {
	const rest = ", 0.5 10, 1.5 12, 2.5 9, 3.5 5"
	for text, want := range map[string][]string{
		"0 0, 0.01 6, 0.025 15, 0.05 14":             nil,
		"0 0, 0.005 0, 0.015 6, 0.03 15, 0.05 14":    nil,
		"0 0, 0.006 0, 0.016 6, 0.031 15, 0.05 14":   {"slip-at-start"},
		"0 0, 0.025 15, 0.055 14":                    {"too-few-points-near-peak"},
		"0 0, 0.01 6, 0.025 15, 0.024 14.9, 0.05 14": {"deflection-decreasing"},
	} {
		s := notched()
		s.Curve = curve(flexure.CMOD, text+rest)
		if diff := cmp.Diff(want, codes(evaluate(t, flexure.EN14651, s).Findings)); diff != "" {
			t.Errorf("%s:\n%s", text, diff)
		}
	}
}

// Loads give what their curve would.
func TestGivenLoads(t *testing.T) {
	s := beam()
	s.Loads = map[flexure.Point]decimal.Decimal{flexure.FirstPeak: dec("30"), flexure.L150: dec("8")}
	s.Toughness = some("60")
	r := evaluate(t, flexure.C1609, s)
	want := map[flexure.Quantity]string{
		flexure.FirstPeakStrength: "4", flexure.PeakStrength: "-", flexure.ResidualL600: "-", flexure.ResidualL150: "1.066667",
		flexure.Toughness: "60", flexure.ToughnessRatioT150: "66.666667", flexure.LoadRatioL150: "26.666667",
	}
	if diff := cmp.Diff(want, shown(r)); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff([]string{"points-missing"}, codes(r.Findings)); diff != "" {
		t.Error(diff)
	}
}

// Strengths need no dimensions; a toughness does, to become a ratio. 100 × 100 mm,
// f1 3.6 MPa, 15 J: 62.5 % (worked).
func TestGivenStrengths(t *testing.T) {
	s := flexure.Specimen{Strengths: map[flexure.Point]decimal.Decimal{flexure.Peak: dec("4.5")}}
	if got := shown(evaluate(t, flexure.C78, s)); got[flexure.ModulusOfRupture] != "4.5" {
		t.Error(got)
	}
	s = flexure.Specimen{Width: some("100"), Depth: some("100"), Span: some("300"), Toughness: some("15"),
		Strengths: map[flexure.Point]decimal.Decimal{flexure.FirstPeak: dec("3.6"), flexure.Peak: dec("3.6"), flexure.L600: dec("2"), flexure.L150: dec("1.8")}}
	r := evaluate(t, flexure.C1609, s)
	if got := shown(r); got[flexure.ToughnessRatioT150] != "62.5" || got[flexure.LoadRatioL150] != "50" || len(r.Loads) != 0 || len(r.Findings) != 0 {
		t.Errorf("%v %v", got, r.Findings)
	}
}

func TestSizeOutsideTheStandardIsNamed(t *testing.T) {
	loads := map[flexure.Point]decimal.Decimal{flexure.FirstPeak: dec("30"), flexure.Peak: dec("30"), flexure.L600: dec("9"), flexure.L150: dec("8")}
	for name, c := range map[string]struct {
		b, d, l string
		named   bool
	}{
		"150": {"150", "150", "450", false}, "100": {"100", "100", "300", false}, "as measured": {"151.2", "149.1", "450", false},
		"short span": {"150", "150", "400", true}, "other section": {"200", "200", "600", true},
		"one odd side": {"120", "150", "450", true},
	} {
		r := evaluate(t, flexure.C1609, flexure.Specimen{Width: some(c.b), Depth: some(c.d), Span: some(c.l), Loads: loads})
		if got := slices.Contains(codes(r.Findings), "size-outside-standard"); got != c.named {
			t.Errorf("%s: %v", name, r.Findings)
		}
	}
	s := notched()
	s.Notch = some("20")
	s.Loads = map[flexure.Point]decimal.Decimal{flexure.LOP: dec("15")}
	if r := evaluate(t, flexure.EN14651, s); !slices.Contains(codes(r.Findings), "size-outside-standard") {
		t.Errorf("130 mm above the notch: %v", r.Findings)
	}
}

func TestFaultsOfABeam(t *testing.T) {
	load := map[flexure.Point]decimal.Decimal{flexure.FirstPeak: dec("30")}
	for name, c := range map[string]struct {
		method flexure.Method
		change func(*flexure.Specimen)
		want   [2]string
	}{
		"nothing given":      {flexure.C1609, func(s *flexure.Specimen) {}, [2]string{"/specimens/0", "one-of"}},
		"two ways":           {flexure.C1609, func(s *flexure.Specimen) { s.Loads, s.Strengths = load, load }, [2]string{"/specimens/0", "one-of"}},
		"no width":           {flexure.C1609, func(s *flexure.Specimen) { s.Loads, s.Width.Valid = load, false }, [2]string{"/specimens/0/width", "required-member-missing"}},
		"width of zero":      {flexure.C1609, func(s *flexure.Specimen) { s.Loads, s.Width = load, some("0") }, [2]string{"/specimens/0/width", "out-of-range"}},
		"notch in ASTM":      {flexure.C1609, func(s *flexure.Specimen) { s.Loads, s.Notch = load, some("25") }, [2]string{"/specimens/0/notch_depth", "not-used"}},
		"no notch":           {flexure.EN14651, func(s *flexure.Specimen) { s.Loads = map[flexure.Point]decimal.Decimal{flexure.LOP: num.One} }, [2]string{"/specimens/0/notch_depth", "required-member-missing"}},
		"notch through":      {flexure.EN14651, func(s *flexure.Specimen) { s.Curve, s.Notch = curve(flexure.CMOD, triangle), some("150") }, [2]string{"/specimens/0/notch_depth", "out-of-range"}},
		"point of another":   {flexure.C78, func(s *flexure.Specimen) { s.Loads = load }, [2]string{"/specimens/0/loads/first_peak", "not-used"}},
		"first peak of zero": {flexure.C1609, func(s *flexure.Specimen) { s.Loads = map[flexure.Point]decimal.Decimal{flexure.FirstPeak: {}} }, [2]string{"/specimens/0/loads/first_peak", "out-of-range"}},
		"peak below first": {flexure.C1609, func(s *flexure.Specimen) {
			s.Loads = map[flexure.Point]decimal.Decimal{flexure.FirstPeak: dec("2"), flexure.Peak: dec("1")}
		}, [2]string{"/specimens/0/loads/peak", "out-of-range"}},
		"toughness of C78": {flexure.C78, func(s *flexure.Specimen) {
			s.Loads, s.Toughness = map[flexure.Point]decimal.Decimal{flexure.Peak: num.One}, some("1")
		}, [2]string{"/specimens/0/loads/toughness", "not-used"}},
		"opening in ASTM":   {flexure.C1609, func(s *flexure.Specimen) { s.Curve = curve(flexure.CMOD, triangle) }, [2]string{"/specimens/0/curve", "axis-unsupported"}},
		"two points":        {flexure.C1609, func(s *flexure.Specimen) { s.Curve = curve(flexure.NetDeflection, "0 0, 1 1") }, [2]string{"/specimens/0/curve", "too-few"}},
		"never under load":  {flexure.C1609, func(s *flexure.Specimen) { s.Curve = curve(flexure.NetDeflection, "0 0, 1 0, 2 -1") }, [2]string{"/specimens/0/curve", "out-of-range"}},
		"axis of its own":   {flexure.C1609, func(s *flexure.Specimen) { s.Curve = curve("strain", triangle) }, [2]string{"/specimens/0/curve", "one-of"}},
		"negative strength": {flexure.C78, func(s *flexure.Specimen) { s.Strengths = map[flexure.Point]decimal.Decimal{flexure.Peak: dec("-1")} }, [2]string{"/specimens/0/strengths/peak", "out-of-range"}},
	} {
		s := beam()
		c.change(&s)
		_, faults := c.method.Evaluate(s, false)
		if !slices.ContainsFunc(faults.All(), func(f fault.Fault) bool {
			return string(f.Pointer) == c.want[0] && f.Code == c.want[1] && f.Detail != ""
		}) {
			t.Errorf("%s: no %v in %+v", name, c.want, faults.All())
		}
	}
}

func TestInputIsLeftAlone(t *testing.T) {
	s := beam()
	s.Curve = curve(flexure.NetDeflection, "0 0, 0.2 0, 0.25 15, 0.3 30, 4.3 0")
	before := slices.Clone(s.Curve.Samples)
	for _, correct := range []bool{true, false} {
		flexure.C1609.Evaluate(s, correct)
	}
	if diff := cmp.Diff(before, s.Curve.Samples); diff != "" || s.Loads != nil || s.Toughness.Valid {
		t.Errorf("%s%+v", diff, s)
	}
}
