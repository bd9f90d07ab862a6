package sampling

import (
	"fmt"
	"math"
	"runtime"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

func options(samples int) Options {
	return Options{Samples: samples, Seed: 1, Workers: 2, Precision: 0.005}
}

// pair is two alternatives with one measure.
func pair(inputs []Input, a, b Output) Model {
	return Model{Inputs: inputs, Alternatives: [][]Output{{a}, {b}}}
}

// fatal is a test, or one case of a property.
type fatal interface {
	Helper()
	Fatal(args ...any)
}

func prepare(t fatal, m Model, o Options) *Plan {
	t.Helper()
	p, faults := Prepare(m, o, "")
	if !faults.Empty() {
		t.Fatal(faults.All())
	}
	return p
}

func run(t fatal, m Model, o Options) *Result {
	t.Helper()
	r, err := prepare(t, m, o).Run(nil)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestPrepareNamesEveryFault(t *testing.T) {
	fine := Distribution{Kind: Lognormal, GSD: 1.1}
	term := func(inputs ...int) Output { return Output{Terms: []Term{{1, inputs}}} }
	for name, c := range map[string]struct {
		change func(*Model, *Options)
		want   []string
	}{
		"nothing": {func(*Model, *Options) {}, nil},
		"options": {func(_ *Model, o *Options) { *o = Options{Samples: 999, Band: 0.6} },
			[]string{"/m/samples out-of-range", "/m/workers out-of-range", "/m/band out-of-range", "/m/precision out-of-range"}},
		"not numbers": {func(_ *Model, o *Options) { o.Band, o.Precision = math.NaN(), math.NaN() },
			[]string{"/m/band out-of-range", "/m/precision out-of-range"}},
		"samples":        {func(_ *Model, o *Options) { o.Samples = MaxSamples + 1 }, []string{"/m/samples compute-budget-exceeded"}},
		"empty":          {func(m *Model, _ *Options) { *m = Model{} }, []string{"/m/alternatives out-of-range"}},
		"outputs":        {func(m *Model, _ *Options) { m.Alternatives[1] = nil }, []string{"/m/alternatives/1 wrong-type"}},
		"duplicate name": {func(m *Model, _ *Options) { m.Inputs[1].Name = "x" }, []string{"/m/inputs/1/name duplicate-name"}},
		"distribution":   {func(m *Model, _ *Options) { m.Inputs[1].GSD = 1 }, []string{"/m/inputs/1/gsd out-of-range"}},
		"unknown input":  {func(m *Model, _ *Options) { m.Alternatives[0][0] = term(3) }, []string{"/m/alternatives/0/0/terms/0/inputs not-in-list"}},
		"negative input": {func(m *Model, _ *Options) { m.Alternatives[0][0] = term(-1, 0) }, []string{"/m/alternatives/0/0/terms/0/inputs not-in-list"}},
		"no input":       {func(m *Model, _ *Options) { m.Alternatives[0][0] = term() }, []string{"/m/alternatives/0/0/terms/0/inputs wrong-type"}},
		"a square":       {func(m *Model, _ *Options) { m.Alternatives[0][0] = term(1, 1) }, []string{"/m/alternatives/0/0/terms/0/inputs wrong-type"}},
		"three inputs":   {func(m *Model, _ *Options) { m.Alternatives[0][0] = term(0, 1, 2) }, []string{"/m/alternatives/0/0/terms/0/inputs wrong-type"}},
		"infinite":       {func(m *Model, _ *Options) { m.Alternatives[0][0].Constant = math.Inf(1) }, []string{"/m/alternatives/0/0/constant out-of-range"}},
		"no number":      {func(m *Model, _ *Options) { m.Alternatives[0][0].Terms[0].Coefficient = math.NaN() }, []string{"/m/alternatives/0/0/terms/0/coefficient out-of-range"}},
		"perfect":        {func(m *Model, _ *Options) { m.Correlations = []Correlation{{0, 1, 1}} }, []string{"/m/correlations/0/rank out-of-range"}},
		"with itself":    {func(m *Model, _ *Options) { m.Correlations = []Correlation{{0, 0, 0.5}} }, []string{"/m/correlations/0 wrong-type"}},
		"with nothing":   {func(m *Model, _ *Options) { m.Correlations = []Correlation{{0, 3, 0.5}} }, []string{"/m/correlations/0 not-in-list"}},
		"given twice":    {func(m *Model, _ *Options) { m.Correlations = []Correlation{{0, 1, 0.5}, {1, 0, 0.5}} }, []string{"/m/correlations/1 duplicate-name"}},
		"fixed": {func(m *Model, _ *Options) {
			m.Inputs[2].Distribution = Distribution{Kind: Fixed}
			m.Correlations = []Correlation{{0, 2, 0.5}}
		}, []string{"/m/correlations/0 not-used"}},
		"contradiction":   {func(m *Model, _ *Options) { m.Correlations = []Correlation{{0, 1, 0.9}, {1, 2, 0.9}, {0, 2, -0.9}} }, []string{"/m/correlations correlation-not-positive-definite"}},
		"nearly singular": {func(m *Model, _ *Options) { m.Correlations = []Correlation{{0, 1, 1 - 1e-14}} }, []string{"/m/correlations correlation-not-positive-definite"}},
	} {
		m := pair([]Input{{"x", fine}, {"y", fine}, {"z", fine}}, term(0, 1), term(1, 2))
		o := options(MinSamples)
		c.change(&m, &o)
		p, faults := Prepare(m, o, "/m")
		if diff := cmp.Diff(c.want, said(faults)); diff != "" || (p == nil) == (c.want == nil) {
			t.Errorf("%s: %s", name, diff)
		}
	}
}

// What passes a limit is refused before anything of its size is allocated, and the
// refusal says what it would take.
func TestTooLargeIsRefusedBeforeItStarts(t *testing.T) {
	fine := Distribution{Kind: Lognormal, GSD: 1.1}
	inputs := make([]Input, MaxInputs+1)
	for i := range inputs {
		inputs[i] = Input{fmt.Sprint(i), fine}
	}
	out := Output{Terms: []Term{{1, []int{0}}}}
	alternatives := func(n int) [][]Output { return slices.Repeat([][]Output{{out}}, n) }
	for name, c := range map[string]struct {
		model   Model
		samples int
		says    string
	}{
		"inputs":       {Model{Inputs: inputs, Alternatives: alternatives(1)}, MinSamples, "1001; accepted: up to 1000"},
		"measures":     {Model{Alternatives: [][]Output{make([]Output, 9)}}, MinSamples, "9; accepted: up to 8"},
		"alternatives": {Model{Inputs: inputs[:1], Alternatives: alternatives(101)}, MinSamples, "101; accepted: up to 100"},
		"terms": {Model{Inputs: inputs[:1], Alternatives: [][]Output{{{Terms: make([]Term, MaxTerms+1)}}}}, MinSamples,
			"100001; accepted: up to 100000"},
		"samples": {Model{Inputs: inputs[:1], Alternatives: alternatives(1)}, math.MaxInt, "accepted: up to 1000000"},
		"memory":  {Model{Inputs: inputs[:1], Alternatives: alternatives(40)}, MaxSamples, "MiB; accepted: up to 1e+10 steps and 256 MiB"},
		"steps":   {Model{Inputs: inputs[:1], Alternatives: alternatives(100)}, 200_000, "1.4e+10 steps and 176 MiB; accepted: up to 1e+10 steps"},
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		p, faults := Prepare(c.model, options(c.samples), "")
		runtime.ReadMemStats(&after)
		refused := false
		for _, f := range faults.All() {
			refused = refused || f.Code == "compute-budget-exceeded" && strings.Contains(f.Detail, c.says)
		}
		if p != nil || !refused {
			t.Errorf("%s: %+v", name, faults.All())
		}
		if took := after.TotalAlloc - before.TotalAlloc; took > 1<<20 {
			t.Errorf("%s: %d bytes to refuse it", name, took)
		}
	}
}

// The estimate of memory is what a run takes, within a fifth.
func TestSizeIsWhatItTakes(t *testing.T) {
	p := prepare(t, comparison(false), options(50_000))
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	if _, err := p.Run(nil); err != nil {
		t.Fatal(err)
	}
	runtime.ReadMemStats(&after)
	took := int64(after.TotalAlloc - before.TotalAlloc)
	if size := p.Size(); took < size.Bytes*4/5 || took > size.Bytes*6/5 || size.Draws != 3_000_000 {
		t.Errorf("%d bytes; estimated: %+v", took, size)
	}
}

// With every input fixed, the run is the nominal result to the last bit.
func TestNoSpreadIsTheNominalResult(t *testing.T) {
	m := comparison(false)
	for i := range m.Inputs {
		m.Inputs[i].Distribution = Distribution{Kind: Fixed}
	}
	m.Alternatives[0][0].Constant = 0.1
	r := run(t, m, options(MinSamples))
	for a, outputs := range r.Outputs {
		for o, s := range outputs {
			want := m.Alternatives[a][o].Constant
			for _, term := range m.Alternatives[a][o].Terms {
				want += term.Coefficient
			}
			for i, p := range s.Percentiles {
				if p != (Percentile{want, 0}) {
					t.Errorf("%d, %d, %d per mille: %v, want %v", a, o, PerMille[i], p, want)
				}
			}
			if s.Nominal != want || s.Mean != want || s.SD != 0 || s.MeanSE != 0 {
				t.Errorf("%d, %d: %v, mean %v, SD %v; want %v", a, o, s.Nominal, s.Mean, s.SD, want)
			}
		}
	}
}

// 3,000 terms that binary floating point cannot write, summed: 3,000 times 0.1 is
// 300 by decimals, and the float64 sum lies some 1e-14 of it away; the distance says
// how much.
func TestDistanceFromTheDecimalResult(t *testing.T) {
	inputs := []Input{{"x", Distribution{Kind: Lognormal, GSD: 1.1}}}
	var out Output
	for range 3000 {
		out.Terms = append(out.Terms, Term{num.Float(decimal.New(1, -1)), []int{0}})
	}
	out.Exact = decimal.NewNullDecimal(decimal.New(300, 0))
	r := run(t, pair(inputs, out, Output{}), options(MinSamples))
	d := r.Outputs[0][0].Distance
	if low, high := decimal.New(1, -16), decimal.New(1, -12); !d.Valid || d.Decimal.LessThan(low) || d.Decimal.GreaterThan(high) {
		t.Errorf("%v", d)
	}
	if r.Outputs[1][0].Distance.Valid {
		t.Error("a distance from nothing")
	}
	for _, c := range []struct {
		f    float64
		d    string
		want string
	}{{0.1, "0.1", "0"}, {0.3, "0.1", "2"}, {0, "0", "0"}, {0.25, "0", "0.25"}, {-1, "1", "2"}} {
		exact, err := num.Parse(c.d)
		if err != nil {
			t.Fatal(err)
		}
		if got := Distance(c.f, decimal.NewNullDecimal(exact)); got.Decimal.String() != c.want {
			t.Errorf("%v from %s: %v, want %s", c.f, c.d, got.Decimal, c.want)
		}
	}
}
