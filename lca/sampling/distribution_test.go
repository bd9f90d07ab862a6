package sampling

import (
	"fmt"
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"slabledger/lca/fault"
)

// A price that may be 20 % lower or 30 % higher than quoted, the quotation being
// the likeliest: mean 1.033333 and median 1.026139, as worked from the formulas of
// the triangular distribution.
func ExampleDistribution_Quantile() {
	price := Distribution{Kind: Triangular, Low: 0.8, High: 1.3}
	for _, p := range []float64{0.05, 0.5, 0.95} {
		fmt.Printf("%.6f\n", price.Quantile(p))
	}
	// Output:
	// 0.870711
	// 1.026139
	// 1.213397
}

// law1 is a distribution with its moments in closed form.
type law1 struct {
	name           string
	d              Distribution
	mean, variance float64
	quantile       func(p float64) float64
}

// laws are the distributions of the tests. Triangular: mean (a+b+c)/3, variance
// (a²+b²+c²-ab-ac-bc)/18. Lognormal with median 1: mean exp(σ²/2), variance
// (exp σ² - 1) exp σ². Quantiles are those of a general-purpose library (gonum).
func laws() []law1 {
	triangular := func(a, b float64) law1 {
		return law1{fmt.Sprintf("triangular %v %v", a, b), Distribution{Kind: Triangular, Low: a, High: b},
			(a + 1 + b) / 3, (a*a + 1 + b*b - a - a*b - b) / 18, distuv.NewTriangle(a, b, 1, nil).Quantile}
	}
	lognormal := func(sigma float64) law1 {
		s2 := sigma * sigma
		return law1{fmt.Sprintf("lognormal %v", sigma), Distribution{Kind: Lognormal, GSD: math.Exp(sigma)},
			math.Exp(s2 / 2), math.Expm1(s2) * math.Exp(s2), distuv.LogNormal{Sigma: sigma}.Quantile}
	}
	return []law1{
		triangular(0.8, 1.3), triangular(1.0/3, 4.0/3), triangular(1, 1.5), triangular(0.5, 1),
		lognormal(0.1), lognormal(0.5), lognormal(1), lognormal(0.0476551),
		{"uniform", Distribution{Kind: Uniform, Low: 0.9, High: 1.2}, 1.05, 0.09 / 12, distuv.Uniform{Min: 0.9, Max: 1.2}.Quantile},
	}
}

// drawn are the first n multipliers of an input.
func drawn(d Distribution, seed uint64, n int) []float64 {
	v := make([]float64, n)
	s, l := newStream(seed, "input"), newLaw(d)
	for from := 0; from < n; from += blockSize {
		part := v[from:min(from+blockSize, n)]
		s.uniforms(part, from)
		l.quantiles(part, newScratch())
	}
	return v
}

// within4 fails unless a sampled figure is within 4 of its standard errors of what
// it should be.
func within4(t *testing.T, what string, got, want, se float64) {
	t.Helper()
	if !(math.Abs(got-want) <= 4*se) {
		t.Errorf("%s: %v, want %v; %.1f standard errors of %v", what, got, want, math.Abs(got-want)/se, se)
	}
}

// moments of a sample, with their standard errors: of the mean by the variance, of
// the variance by the fourth moment.
func moments(v []float64) (mean, meanSE, variance, varianceSE float64) {
	n := float64(len(v))
	for _, x := range v {
		mean += x / n
	}
	var m4 float64
	for _, x := range v {
		d := (x - mean) * (x - mean)
		variance += d / (n - 1)
		m4 += d * d / n
	}
	return mean, math.Sqrt(variance / n), variance, math.Sqrt((m4 - variance*variance) / n)
}

func TestMomentsInClosedForm(t *testing.T) {
	for _, l := range laws() {
		for seed := range uint64(3) {
			mean, se, variance, varianceSE := moments(drawn(l.d, seed, 200_000))
			within4(t, l.name+", mean", mean, l.mean, se)
			within4(t, l.name+", variance", variance, l.variance, varianceSE)
		}
	}
}

// Published figures (read in a statistics reference, quoted to the printed
// digits): the triangle 2, 6, 8, and lognormals by μ and σ.
func TestPublishedMoments(t *testing.T) {
	l := laws()
	for _, c := range []struct {
		what      string
		got       float64
		want      string
		precision int
	}{
		{"triangle, mean", 6 * l[1].mean, "5.33333", 5},
		{"triangle, median", 6 * l[1].d.Quantile(0.5), "5.46410", 5},
		{"triangle, variance", 36 * l[1].variance, "1.55556", 5},
		{"triangle 0.8, 1, 1.3, mean", l[0].mean, "1.033333", 6},
		{"triangle 0.8, 1, 1.3, median", l[0].d.Quantile(0.5), "1.026139", 6},
		{"triangle 0.8, 1, 1.3, variance", l[0].variance, "0.0105556", 7},
		{"μ 1, σ 0.5, mean", math.E * l[5].mean, "3.080", 3},
		{"μ 1, σ 0.5, median", math.E * l[5].d.Quantile(0.5), "2.718", 3},
		{"μ 1, σ 0.5, SD (quoted as about 1.641, cut off)", math.E * math.Sqrt(l[5].variance), "1.6416", 4},
		{"μ 0, σ 1, mean", l[6].mean, "1.649", 3},
		{"μ 0, σ 1, median", l[6].d.Quantile(0.5), "1", 0},
		{"normal, upper 2.5 %", math.Log(l[6].d.Quantile(0.975)), "1.960", 3},
		{"normal, upper 5 %", math.Log(l[6].d.Quantile(0.95)), "1.645", 3},
		{"σ of GSD² 1.1", math.Log(1.1) / 2, "0.0476551", 7},
		{"median 0.9, GSD² 1.1, mean", 0.9 * l[7].mean, "0.9010225", 7},
		{"median 0.9, GSD² 1.1, SD", 0.9 * math.Sqrt(l[7].variance), "0.0429627", 7},
	} {
		if got := fmt.Sprintf("%.*f", c.precision, c.got); got != c.want {
			t.Errorf("%s: %s, want %s", c.what, got, c.want)
		}
	}
}

func TestQuantilesAgainstAnotherLibrary(t *testing.T) {
	for _, l := range laws() {
		for _, p := range []float64{smallest, 1e-9, 0.025, 0.07, 0.3, 0.5, 0.7, 0.93, 0.975, 1 - 1e-9} {
			got, want := l.d.Quantile(p), l.quantile(p)
			if !(math.Abs(got-want) <= 2e-14*want) {
				t.Errorf("%s at %v: %v, want %v", l.name, p, got, want)
			}
		}
	}
}

// Cut off at both ends, a quantile is that of the whole distribution at the
// probability moved into what is left, and nothing lies outside.
func TestTruncation(t *testing.T) {
	normal := distuv.UnitNormal
	for _, c := range []struct {
		d        Distribution
		at       func(x float64) float64
		quantile func(p float64) float64
	}{
		{Distribution{Kind: Lognormal, GSD: math.Exp(0.3), Truncate: &Range{0.6, 1.4}}, func(x float64) float64 { return normal.CDF(math.Log(x) / 0.3) }, laws()[0].quantile},
		{Distribution{Kind: Triangular, Low: 0.8, High: 1.3, Truncate: &Range{0.6, 1.1}}, distuv.NewTriangle(0.8, 1.3, 1, nil).CDF, nil},
		{Distribution{Kind: Uniform, Low: 0.8, High: 1.3, Truncate: &Range{0.95, 1.1}}, distuv.Uniform{Min: 0.8, Max: 1.3}.CDF, nil},
	} {
		if faults := c.d.Check(""); !faults.Empty() {
			t.Fatal(faults.All())
		}
		low, high := c.at(c.d.Truncate.Low), c.at(c.d.Truncate.High)
		for _, p := range []float64{1e-6, 0.1, 0.5, 0.9, 1 - 1e-6} {
			x := c.d.Quantile(p)
			if got, want := c.at(x), low+p*(high-low); !(math.Abs(got-want) <= 1e-14) {
				t.Errorf("%+v at %v: %v, of which the probability is %v, want %v", c.d, p, x, got, want)
			}
		}
		for _, x := range drawn(c.d, 1, 10_000) {
			if x < c.d.Truncate.Low || x > c.d.Truncate.High {
				t.Errorf("%+v drew %v", c.d, x)
			}
		}
	}
}

// A higher probability never has a lower multiplier, whatever the distribution.
func TestQuantilesRise(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := distribution().Draw(t, "distribution")
		p := rapid.Float64Range(0, 1).Draw(t, "p")
		q := rapid.Float64Range(p, 1).Draw(t, "q")
		a, b := d.Quantile(p), d.Quantile(q)
		if a > b*(1+1e-15) || a < 0 {
			t.Fatalf("%v at %v, %v at %v", a, p, b, q)
		}
	})
}

// distribution draws one in which Check finds nothing.
func distribution() *rapid.Generator[Distribution] {
	return rapid.Custom(func(t *rapid.T) Distribution {
		d := Distribution{Kind: rapid.SampledFrom([]Kind{Fixed, Lognormal, Triangular, Uniform}).Draw(t, "kind")}
		ends := func() (float64, float64) {
			return rapid.Float64Range(0, 0.99).Draw(t, "low"), rapid.Float64Range(1, 5).Draw(t, "high")
		}
		switch d.Kind {
		case Lognormal:
			d.GSD = rapid.Float64Range(1.001, 3).Draw(t, "gsd")
		case Triangular, Uniform:
			d.Low, d.High = ends()
		}
		if d.Kind != Fixed && rapid.Bool().Draw(t, "truncated") {
			low, high := ends()
			d.Truncate = &Range{low, high + 0.01}
		}
		return d
	}).Filter(func(d Distribution) bool { faults := d.Check(""); return faults.Empty() })
}

func TestCheckNamesWhatIsWrong(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		d    Distribution
		want []string
	}{
		{Distribution{Kind: "normal"}, []string{"/x/kind one-of"}},
		{Distribution{}, []string{"/x/kind one-of"}},
		{Distribution{Kind: Lognormal, GSD: 1}, []string{"/x/gsd out-of-range"}},
		{Distribution{Kind: Lognormal, GSD: 0.9}, []string{"/x/gsd out-of-range"}},
		{Distribution{Kind: Lognormal, GSD: nan}, []string{"/x/gsd out-of-range"}},
		{Distribution{Kind: Lognormal, GSD: 10.1, Low: 1}, []string{"/x/gsd out-of-range", "/x/low not-used"}},
		{Distribution{Kind: Triangular, Low: 1.1, High: 1.2}, []string{"/x/low out-of-range"}}, // the mode outside
		{Distribution{Kind: Triangular, Low: 0.8, High: 0.9}, []string{"/x/high out-of-range"}},
		{Distribution{Kind: Triangular, Low: 1, High: 1}, []string{"/x/low out-of-range"}},
		{Distribution{Kind: Uniform, Low: -0.1, High: nan, GSD: 1.1}, []string{"/x/low out-of-range", "/x/high out-of-range", "/x/gsd not-used"}},
		{Distribution{Kind: Uniform, Low: 0.9, High: 1001}, []string{"/x/high out-of-range"}},
		{Distribution{Kind: Uniform, Low: 0.9, High: 1.1, Truncate: &Range{1.05, 0.95}}, []string{"/x/truncate/low out-of-range", "/x/truncate/high out-of-range"}},
		{Distribution{Kind: Triangular, Low: 0.5, High: 1, Truncate: &Range{1 - 1e-12, 2}}, []string{"/x/truncate out-of-range"}},
		{Distribution{Kind: Fixed, High: 2, Truncate: &Range{0.5, 2}}, []string{"/x/high not-used", "/x/truncate not-used"}},
		{Distribution{Kind: Fixed}, nil},
		{Distribution{Kind: Triangular, Low: 1, High: 1.2}, nil},
	} {
		faults := c.d.Check("/x")
		if diff := cmp.Diff(c.want, said(faults)); diff != "" {
			t.Errorf("%+v: %s", c.d, diff)
		}
	}
}

// said is where and what each fault is.
func said(faults fault.List) (list []string) {
	for _, f := range faults.All() {
		list = append(list, fmt.Sprint(f.Pointer, " ", f.Code))
	}
	return list
}
