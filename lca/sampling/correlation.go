package sampling

import (
	"math"
	"slices"
)

// leastPivot is the least square root of a pivot of Cholesky's method at which a
// matrix counts as positive definite.
const leastPivot = 1e-6

// correlate makes the correlations of the model ready. Correlated inputs follow a
// Gaussian copula: standard normal deviates, mixed by the Cholesky factor of their
// correlations, take the place of independent ones. Monotone functions keep ranks,
// so the multipliers have the rank correlation of the deviates, which is ρ where
// theirs is 2 sin(π ρ/6). Source: W. H. Kruskal, "Ordinal measures of association",
// Journal of the American Statistical Association 53, 1958, section 6, after K.
// Pearson, 1907 (value from memory; the tests hold samples against it).
func (p *Plan) correlate(c *check) {
	at := c.at.At("correlations")
	for i, r := range c.model.Correlations {
		at := at.At(i)
		found := c.Len()
		c.known(at, r.A, r.B)
		if !(r.Rank > -1 && r.Rank < 1) {
			c.Add(at.At("rank"), "out-of-range", "%v; accepted: between -1 and 1", r.Rank)
		}
		if r.A == r.B {
			c.Add(at, "wrong-type", "an input is correlated with another, not with itself")
		}
		if c.Len() > found {
			continue
		}
		for _, input := range []int{r.A, r.B} {
			if p.inputs[input].kind == Fixed {
				c.Add(at, "not-used", "input %d is fixed", input)
			}
			if !p.inputs[input].correlated {
				p.inputs[input].correlated = true
				p.group = append(p.group, input)
			}
		}
	}
	c.limit(at, len(p.group), MaxCorrelated)
	if !c.Empty() {
		return
	}
	slices.Sort(p.group)
	matrix := make([][]float64, len(p.group))
	for i := range matrix {
		matrix[i] = make([]float64, i+1)
		matrix[i][i] = 1
	}
	given := map[[2]int]bool{}
	for i, r := range c.model.Correlations {
		low, _ := slices.BinarySearch(p.group, min(r.A, r.B))
		high, _ := slices.BinarySearch(p.group, max(r.A, r.B))
		if given[[2]int{low, high}] {
			c.Add(at.At(i), "duplicate-name", "the correlation of inputs %d and %d is given already", r.A, r.B)
		}
		given[[2]int{low, high}] = true
		matrix[high][low] = 2 * sin(float64(r.Rank*(math.Pi/6)))
	}
	if !cholesky(matrix) {
		c.Add(at, "correlation-not-positive-definite", "no inputs can be correlated like that: what is said of some pairs forbids what is said of others; pairs not given count as uncorrelated")
	}
	p.mix = matrix
}

// sin is the sine by its power series, for |x| <= π/6: relative error below 1e-16.
func sin(x float64) float64 {
	z := float64(x * x)
	p := 0.0
	for n := 16.0; n > 0; n -= 2 {
		p = -float64((1+p)*z) / float64(n*(n+1))
	}
	return x + float64(x*p)
}

// cholesky replaces the lower triangle a by l with l lᵀ = a, and tells whether a
// is positive definite.
func cholesky(a [][]float64) bool {
	for i := range a {
		for j := range i + 1 {
			sum := a[i][j]
			for k := range j {
				sum -= float64(a[i][k] * a[j][k])
			}
			if i == j {
				if sum < leastPivot*leastPivot {
					return false
				}
				a[i][i] = math.Sqrt(sum)
			} else {
				a[i][j] = sum / a[j][j]
			}
		}
	}
	return true
}
