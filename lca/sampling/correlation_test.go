package sampling

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat"
)

// samples draws the multipliers of all inputs, by the blocks of a run.
func samples(t *testing.T, inputs []Input, correlations []Correlation, n int) [][]float64 {
	t.Helper()
	m := Model{Inputs: inputs, Correlations: correlations}
	for i := range inputs {
		m.Alternatives = append(m.Alternatives, []Output{{Terms: []Term{{1, []int{i}}}}})
	}
	p := prepare(t, m, options(n))
	s := &sample{Plan: p, stride: len(p.outputs) + 2}
	for range p.outputs {
		s.values = append(s.values, make([]float64, n))
	}
	s.sums = make([]float64, (n+blockSize-1)/blockSize*len(inputs)*s.stride)
	b := p.newBlock()
	for i := range (n + blockSize - 1) / blockSize {
		b.draw(s, i)
	}
	return s.values
}

// spearman is the coefficient of rank correlation, of samples without ties.
func spearman(x, y []float64) float64 {
	ranks := func(v []float64) []float64 {
		order := make([]int, len(v))
		for i := range order {
			order[i] = i
		}
		slices.SortFunc(order, func(a, b int) int {
			if v[a] < v[b] {
				return -1
			}
			return 1
		})
		r := make([]float64, len(v))
		for rank, i := range order {
			r[i] = float64(rank)
		}
		return r
	}
	return stat.Correlation(ranks(x), ranks(y), nil)
}

// The published example of intelligence and hours of television has -29/165 (read; the
// p-value that is printed with it is wrong), so samples are held to the coefficient
// that is meant.
func TestSpearmanOfAPublishedExample(t *testing.T) {
	got := spearman([]float64{106, 86, 100, 101, 99, 103, 97, 113, 112, 110}, []float64{7, 0, 27, 50, 28, 29, 20, 12, 6, 17})
	within(t, "coefficient", got, -29.0/165, 1e-15)
}

// Samples have the rank correlations that are asked for, whatever the
// distributions, and keep their own distributions. The standard error of a rank
// correlation is at most about √((1 + ρ²/2)/n) (1 - ρ²) (common practice).
func TestSamplesHaveTheCorrelation(t *testing.T) {
	const n = 100_000
	inputs := []Input{
		{"diesel", Distribution{Kind: Lognormal, GSD: 1.5}},
		{"cement", Distribution{Kind: Triangular, Low: 0.8, High: 1.3}},
		{"alone", Distribution{Kind: Uniform, Low: 0.9, High: 1.1}},
		{"bitumen", Distribution{Kind: Uniform, Low: 0.5, High: 1.1}},
		{"steel", Distribution{Kind: Lognormal, GSD: 1.2, Truncate: &Range{0.7, 1.2}}},
	}
	given := []Correlation{{3, 0, 0.8}, {0, 1, 0.3}, {1, 4, -0.6}}
	want := map[[2]int]float64{{0, 3}: 0.8, {0, 1}: 0.3, {1, 4}: -0.6}
	v := samples(t, inputs, given, n)
	for i := range inputs {
		for j := i + 1; j < len(inputs); j++ {
			rho := want[[2]int{i, j}]
			within4(t, inputs[i].Name+" and "+inputs[j].Name, spearman(v[i], v[j]), rho, math.Sqrt((1+rho*rho/2)/n)*(1-rho*rho))
		}
		for k, p := range percentiles(v[i], make([]float64, n)) {
			share := float64(PerMille[k]) / 1000
			within4(t, inputs[i].Name+", percentile", p.Value, inputs[i].Quantile(share), p.SE)
		}
	}
	// An input that is not correlated is drawn as without the others' correlation.
	if alone := samples(t, inputs, nil, n)[2]; !slices.Equal(alone, v[2]) {
		t.Error("the draws of an input depend on the correlation of others")
	}
}

// A difference of two outputs that go together has less spread: Var(X - Y) = Var X
// + Var Y - 2 r σ σ, r being the coefficient of Pearson, which for uniforms is that
// of ranks.
func TestCorrelationNarrowsADifference(t *testing.T) {
	uniform := Distribution{Kind: Uniform, Low: 0.5, High: 1.5} // variance 1/12
	m := pair([]Input{{"x", uniform}, {"y", uniform}}, Output{Terms: []Term{{1, []int{0}}}}, Output{Terms: []Term{{1, []int{1}}}})
	for _, rho := range []float64{-0.5, 0, 0.5, 0.9} {
		if m.Correlations = []Correlation{{0, 1, rho}}; rho == 0 {
			m.Correlations = nil
		}
		r := run(t, m, options(100_000))
		variance, want := math.Pow(r.Pairs[0].Differences[0].SD, 2), (1-rho)/6
		// Of the variance of a light-tailed sample, √(2/n) or less.
		within4(t, "variance of the difference", variance, want, want*math.Sqrt(2.0/100_000))
		if r.Additive != (rho == 0) {
			t.Errorf("correlation %v: additive %v", rho, r.Additive)
		}
	}
}

// The product of the factor and its transpose is the matrix.
func TestCholesky(t *testing.T) {
	a := [][]float64{{1}, {0.5, 1}, {-0.25, 0.125, 1}}
	l := [][]float64{{1}, {0.5, 1}, {-0.25, 0.125, 1}}
	if !cholesky(l) {
		t.Fatal("not positive definite")
	}
	for i := range a {
		for j := range i + 1 {
			var sum float64
			for k := range j + 1 {
				sum += l[i][k] * l[j][k]
			}
			if math.Abs(sum-a[i][j]) > 1e-15 {
				t.Errorf("%d, %d: %v, want %v", i, j, sum, a[i][j])
			}
		}
	}
}
