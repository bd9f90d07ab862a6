package flexure_test

import (
	"fmt"

	"github.com/shopspring/decimal"

	"slabledger/lca/flexure"
	"slabledger/lca/num"
)

// dec reads a number that the test writes itself.
func dec(text string) decimal.Decimal {
	d, err := num.Parse(text)
	if err != nil {
		panic(text + ": " + err.Error())
	}
	return d
}

func decs(texts ...string) []decimal.Decimal {
	list := make([]decimal.Decimal, len(texts))
	for i, t := range texts {
		list[i] = dec(t)
	}
	return list
}

// ASTM C78 and C1609: 30 kN on a span of 450 mm, 150 × 150 mm, and 8 kN at a
// deflection of span/150 (worked from f = P L/(b d²)).
func ExampleThirdPointStrength() {
	first, _ := flexure.ThirdPointStrength(dec("30"), dec("450"), dec("150"), dec("150"))
	residual, _ := flexure.ThirdPointStrength(dec("8"), dec("450"), dec("150"), dec("150"))
	fmt.Println(first.StringFixed(3), residual.StringFixed(6))
	// Output: 4.000 1.066667
}

// EN 14651: 15 kN, span 500, width 150, 125 mm above the notch (worked from
// f = 3 F l/(2 b h_sp²)).
func ExampleNotchedStrength() {
	f, _ := flexure.NotchedStrength(dec("15"), dec("500"), dec("150"), dec("125"))
	fmt.Println(f.StringFixed(3))
	// Output: 4.800
}

// ASTM C1609 (worked): 60 J at a first peak of 4 MPa, 150 × 150 mm; and 15 J at
// 3.6 MPa, 100 × 100 mm.
func ExampleToughnessRatio() {
	large, _ := flexure.ToughnessRatio(dec("60"), dec("4"), dec("150"), dec("150"))
	small, _ := flexure.ToughnessRatio(dec("15"), dec("3.6"), dec("100"), dec("100"))
	fmt.Println(large.StringFixed(2), small)
	// Output: 66.67 62.5
}

// EN 14651, the deflections that stand beside the openings 0.5, 1.5, 2.5 and
// 3.5 mm (value from memory: 0.47, 1.32, 2.17, 3.02).
func ExampleDeflection() {
	for _, cmod := range decs("0.5", "1.5", "2.5", "3.5") {
		fmt.Print(flexure.Deflection(cmod), " ")
	}
	// Output: 0.465 1.315 2.165 3.015
}

// NIST Statistical Reference Datasets, univariate, NumAcc1: mean 10000002,
// standard deviation 1, which binary arithmetic easily misses.
func ExampleDescribe() {
	s := flexure.Describe(decs("10000001", "10000003", "10000002"))
	fmt.Println(s.Mean.Decimal, s.SD.Decimal)
	// Output: 10000002 1
}

// EN 1990, Annex D: six beams of mean 3.0 and standard deviation 0.6 MPa have
// k_n 2.18 and a characteristic value of 3.0 - 2.18 · 0.6 = 1.692 MPa (worked).
func ExampleCharacteristicOf() {
	// Two values at each of 3.0 ± a and 3.0, with 4 a²/5 = 0.36.
	a, _ := num.Sqrt(dec("0.45"))
	three := dec("3")
	values := []decimal.Decimal{three.Add(a), three.Sub(a), three, three, three.Add(a), three.Sub(a)}
	c, _ := flexure.CharacteristicOf(values, flexure.Normal)
	s := flexure.Describe(values)
	fmt.Println(s.Mean.Decimal.StringFixed(3), s.SD.Decimal.StringFixed(3), c.K, c.Value.StringFixed(3))
	// Output: 3.000 0.600 2.18 1.692
}

// fib Model Code 2010: a ratio of exactly 0.4 does not pass.
func ExampleStructuralUse() {
	g, _ := flexure.StructuralUse(dec("5"), dec("2"), dec("1.5"))
	fmt.Println(g.R1OverLOP, g.R1OverLOPMet, g.R3OverR1, g.R3OverR1Met, g.Met())
	// Output: 0.4 false 0.75 true false
}
