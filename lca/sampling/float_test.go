package sampling

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// The functions agree with those of package math and of a general-purpose
// numerical library (gonum), which are good to about 1e-15 themselves. Expm1 and
// Log1p do not come into it: arguments near zero are no business of these.
func TestFunctionsAgainstOtherLibraries(t *testing.T) {
	normal := distuv.UnitNormal
	near := func(what string, x, got, want, tolerance float64) {
		t.Helper()
		if !(math.Abs(got-want) <= tolerance) {
			t.Errorf("%s(%v): %v, want %v", what, x, got, want)
		}
	}
	for i := -7000; i <= 7000; i++ {
		x := float64(i) * 0.0999
		v := []float64{x}
		exps(v)
		near("exp", x, v[0], math.Exp(x), 4e-16*math.Exp(x))
		near("log", v[0], log(v[0]), math.Log(v[0]), 4e-16*math.Abs(x))

		z := float64(i) / 1000 * 1.3
		v[0] = z
		cdfs(v, make([]float64, 1))
		near("cdf", z, v[0], math.Erfc(-z/math.Sqrt2)/2, 1e-15)

		u := (float64(i) + 7000.5) / 14001
		for _, u := range []float64{u, smallest * float64(2*i+14001), math.Exp(-0.005 * (float64(i) + 7001) / 2)} {
			v[0] = u
			normals(v, newScratch())
			near("quantile", u, v[0], normal.Quantile(u), 1e-14*max(1, math.Abs(v[0])))
		}
	}
	for i := range 1000 {
		x := float64(i-500) / 500 * math.Pi / 6
		near("sin", x, sin(x), math.Sin(x), 1e-16)
	}
}

// A block of values gives what its values give one by one.
func TestBlocksOfFunctions(t *testing.T) {
	u := make([]float64, blockSize)
	s := newStream(1, "block")
	s.uniforms(u, 0)
	for name, f := range map[string]func([]float64){
		"exps":    exps,
		"logs":    logs,
		"normals": func(v []float64) { normals(v, newScratch()) },
		"cdfs":    func(v []float64) { cdfs(v, make([]float64, len(v))) },
	} {
		all := append([]float64{}, u...)
		f(all)
		for i, x := range u {
			one := []float64{x}
			if f(one); one[0] != all[i] {
				t.Errorf("%s(%v): %v in a block, %v alone", name, x, all[i], one[0])
			}
		}
	}
}
