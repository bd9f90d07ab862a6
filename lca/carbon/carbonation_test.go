package carbon_test

import (
	"errors"
	"fmt"
	"testing"

	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/lca/carbon"
)

// EN 16757: 0.65 × 44/56 × 0.95 = 0.485 kg CO2 per kg CEM I, printed 0.49 (read).
func ExampleMaxUptake() {
	most := carbon.MaxUptake(dec("0.65"), dec("0.95"))
	fmt.Println(most, most.StringFixed(6), most.StringFixed(2))
	// Output: 0.485178571429 0.485179 0.49
}

// k 1.6 mm/√year over 50 years: 11.31 mm; with 300 kg/m3 of CEM I and a degree of
// 0.85 that is 1.3997 kg/m2 (worked; k and degree from memory).
func ExampleCarbonationDepth() {
	rate, err := carbon.RateOf("C30/37", carbon.ExposedToRain)
	if err != nil {
		fmt.Println(err)
		return
	}
	depth, err := carbon.CarbonationDepth(rate.K, 50, dec("0.24"))
	fmt.Println(depth.Shift(3).StringFixed(2), err)
	uptake := depth.Mul(dec("300")).Mul(rate.Degree).Mul(carbon.MaxUptake(dec("0.65"), dec("0.95")))
	fmt.Println(uptake.StringFixed(4))
	capped, err := carbon.CarbonationDepth(dec("11"), 100, dec("0.08"))
	fmt.Println(capped.Shift(3), err)
	// Output:
	// 11.31 <nil>
	// 1.3997
	// 80 <nil>
}

// Stronger concrete carbonates no faster, and sheltered concrete no slower than
// wet; every class and exposure has a factor.
func TestCarbonationFactorsFallWithStrength(t *testing.T) {
	for _, exposure := range carbon.Exposures() {
		var last decimal.Decimal
		for i, class := range carbon.StrengthClasses() {
			r, err := carbon.RateOf(class, exposure)
			if err != nil || !r.K.IsPositive() || !r.Degree.IsPositive() || r.Degree.GreaterThan(dec("1")) {
				t.Fatalf("%s, %s: %+v, %v", class, exposure, r, err)
			}
			if i > 0 && r.K.GreaterThan(last) {
				t.Errorf("%s carbonates faster than a weaker class", class)
			}
			wet, _ := carbon.RateOf(class, carbon.ExposedToRain)
			if exposure == carbon.Sheltered && r.K.LessThan(wet.K) {
				t.Errorf("%s carbonates slower sheltered than in the rain", class)
			}
			last = r.K
		}
	}
	for _, c := range [][2]string{{"C30/38", carbon.Sheltered}, {"C30/37", "in_air"}, {"", ""}} {
		if _, err := carbon.RateOf(c[0], c[1]); !errors.Is(err, carbon.ErrNoRate) {
			t.Errorf("%v: %v", c, err)
		}
	}
}

// The uptake never exceeds the largest, however fast, long and thin; more years
// never bind less.
func TestUptakeNeverExceedsTheLargest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := decimal.New(rapid.Int64Range(1, 1000).Draw(t, "k"), -1)
		thickness := decimal.New(rapid.Int64Range(1, 500).Draw(t, "thickness"), -3)
		years := rapid.IntRange(0, 199).Draw(t, "years")
		depth, err := carbon.CarbonationDepth(k, years, thickness)
		later, errLater := carbon.CarbonationDepth(k, years+1, thickness)
		if err := errors.Join(err, errLater); err != nil || depth.GreaterThan(thickness) || depth.IsNegative() || later.LessThan(depth) {
			t.Fatalf("%s m of %s m, and %s m later, %v", depth, thickness, later, err)
		}
		clinker, cao := decimal.New(rapid.Int64Range(0, 1000).Draw(t, "clinker"), -3), decimal.New(rapid.Int64Range(0, 1000).Draw(t, "CaO"), -3)
		if most := carbon.MaxUptake(cao, clinker); most.IsNegative() || most.GreaterThan(cao.Mul(clinker)) {
			t.Fatalf("%s kg CO2 per kg", most)
		}
	})
}
