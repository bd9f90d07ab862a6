package sampling

import (
	"fmt"
	"testing"
)

// comparison is the model of the benchmarks, which docs/benchmarks/montecarlo.py
// has too: 20 items, each with an uncertain amount, price and factor, in five
// alternatives with a cost (amounts by prices) and a carbon (amounts by factors).
// With lognormal, all 60 inputs are lognormal; else amounts are uniform and prices
// triangular.
func comparison(lognormal bool) Model {
	var m Model
	add := func(name string, d Distribution) {
		for k := range 20 {
			if lognormal {
				d = Distribution{Kind: Lognormal, GSD: 1.1}
			}
			m.Inputs = append(m.Inputs, Input{fmt.Sprint(name, " ", k), d})
		}
	}
	add("amount", Distribution{Kind: Uniform, Low: 0.9, High: 1.1})
	add("price", Distribution{Kind: Triangular, Low: 0.8, High: 1.3})
	add("factor", Distribution{Kind: Lognormal, GSD: 1.1})
	for a := range 5 {
		var cost, carbon Output
		for k := range 20 {
			cost.Terms = append(cost.Terms, Term{float64((7*k+3*a)%11 + 1), []int{k, 20 + k}})
			carbon.Terms = append(carbon.Terms, Term{float64((5*k+4*a)%13 + 1), []int{k, 40 + k}})
		}
		m.Alternatives = append(m.Alternatives, []Output{cost, carbon})
	}
	return m
}

// 100,000 samples of five alternatives with 60 uncertain inputs, everything that a
// Result has.
func BenchmarkRun(b *testing.B) {
	for _, name := range []string{"mixed", "lognormal"} {
		for _, workers := range []int{1, 2} {
			b.Run(fmt.Sprintf("%s/workers=%d", name, workers), func(b *testing.B) {
				plan, faults := Prepare(comparison(name == "lognormal"), Options{Samples: 100_000, Seed: 1, Workers: workers, Precision: 0.005}, "")
				if !faults.Empty() {
					b.Fatal(faults.All())
				}
				for b.Loop() {
					if _, err := plan.Run(nil); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}
