package mix_test

import (
	"fmt"
	"testing"

	"github.com/shopspring/decimal"

	"slabledger/lca/mix"
	"slabledger/lca/num"
	"slabledger/lca/unit"
)

func dec(s string) decimal.Decimal { return decimal.RequireFromString(s) }

func some(s string) decimal.NullDecimal { return decimal.NewNullDecimal(dec(s)) }

// pounds reads pounds per cubic yard as kg/m3.
func pounds(s string) decimal.Decimal {
	q, err := unit.Parse(s+" lb/yd3", unit.Density)
	if err != nil {
		panic(err)
	}
	return q.SI()
}

// gravity is a specific gravity on water of 62.4 lb/ft3, as the US examples
// take it, in kg/m3.
func gravity(sg string) decimal.NullDecimal {
	q, err := unit.Parse(dec(sg).Mul(dec("62.4")).String()+" lb/ft3", unit.Density)
	if err != nil {
		panic(err)
	}
	return decimal.NewNullDecimal(q.SI())
}

// lb writes kg/m3 as pounds per cubic yard.
func lb(kg decimal.Decimal) decimal.Decimal {
	one := pounds("1")
	q, err := num.Div(kg, one)
	if err != nil {
		panic(err)
	}
	return q
}

// usDesign is a US example: pounds per cubic yard, the sand open.
func usDesign(cement, water, coarse, air, sgCoarse, sgFine string) mix.Design {
	return mix.Design{Air: dec(air), Constituents: []mix.Constituent{
		{Item: "cement", Role: mix.Cement, Density: gravity("3.15"), Basis: mix.ByMass, Value: pounds(cement), System: unit.US},
		{Item: "water", Role: mix.Water, Density: gravity("1"), Basis: mix.ByMass, Value: pounds(water), System: unit.US},
		{Item: "coarse", Role: mix.Aggregate, Density: gravity(sgCoarse), Basis: mix.ByMass, Value: pounds(coarse), System: unit.US},
		{Item: "fine", Role: mix.Aggregate, Density: gravity(sgFine), Basis: mix.Balance},
	}}
}

// NAVEDTRA 14070/14071 (US Navy training text, public domain; read): 3,000 psi,
// 610 lb cement, 305 lb water, 17.01 ft3 of coarse aggregate at 102 lb/ft3
// (1,735.02 lb), air 5 %. Volumes 3.10 + 4.89 + 10.69 + 1.35 ft3; the fine
// aggregate fills the rest: 6.97 ft3 and 1,152 lb as printed, from volumes
// rounded on the way; 6.965 ft3 and 1,151.7 lb unrounded.
func ExampleProportion_navedtra() {
	p, _, _ := mix.Proportion(usDesign("610", "305", "1735.02", "0.05", "2.60", "2.65"))
	feet := func(m3 decimal.Decimal) string { return m3.Mul(dec("27")).RoundBank(3).StringFixed(3) }
	for _, part := range p.Parts {
		fmt.Printf("%s: %s ft3, %s lb\n", part.Item, feet(part.Volume.Decimal), lb(part.Mass).RoundBank(1).StringFixed(1))
	}
	fmt.Println("water/cement:", p.WaterCement.Decimal.RoundBank(2).StringFixed(2))
	// Output:
	// cement: 3.103 ft3, 610.0 lb
	// water: 4.888 ft3, 305.0 lb
	// coarse: 10.694 ft3, 1735.0 lb
	// fine: 6.965 ft3, 1151.7 lb
	// water/cement: 0.50
}

// ACI 211.1-91, first worked example (value from memory; the arithmetic
// closes): 300 lb water, w/c 0.62 and so 484 lb cement, 1,917 lb coarse, air
// 1 %. Printed fine aggregate 1,318 lb, from volumes rounded on the way;
// 1,317.4 lb unrounded.
func ExampleProportion_aci211() {
	p, _, _ := mix.Proportion(usDesign("484", "300", "1917", "0.01", "2.68", "2.64"))
	for _, part := range p.Parts {
		fmt.Printf("%s: %s ft3\n", part.Item, part.Volume.Decimal.Mul(dec("27")).RoundBank(2).StringFixed(2))
	}
	fmt.Println("fine:", lb(p.Parts[3].Mass).RoundBank(1).StringFixed(1), "lb")
	// Output:
	// cement: 2.46 ft3
	// water: 4.81 ft3
	// coarse: 11.46 ft3
	// fine: 8.00 ft3
	// fine: 1317.4 lb
}

// ASTM C138/C138M, worked example (read): a batch of 564 + 1,800 + 1,240 + 282 =
// 3,886 lb at 145.0 lb/ft3 yields 26.80 ft3; relative to the 27 ft3 designed,
// 0.99259, so that a cubic yard holds 568.2 lb of cement.
func ExampleYield() {
	batch := num.Sum(dec("564"), dec("1800"), dec("1240"), dec("282"))
	yield, _ := mix.Yield(batch, dec("145.0"))
	relative, _ := num.Div(yield, dec("27"))
	cement, _ := num.Div(dec("564"), relative)
	fmt.Println(batch, yield.RoundBank(2).StringFixed(2), relative.RoundBank(5), cement.RoundBank(1).StringFixed(1))
	// Output: 3886 26.80 0.99259 568.2
}

// Admixture water counts as mixing water (ACI FAQ 756, citing 311.6 and 211.1;
// read): 5 kg/m3 at 35 % solids brings 3.25 kg, and 173.25/400 is 0.4331
// (worked).
func ExampleProportion_admixtureWater() {
	p, _, _ := mix.Proportion(mix.Design{Constituents: []mix.Constituent{
		{Item: "cement", Role: mix.Cement, Density: some("3150"), Basis: mix.ByMass, Value: dec("400")},
		{Item: "water", Role: mix.Water, Density: some("1000"), Basis: mix.ByMass, Value: dec("170")},
		{Item: "admixture", Role: mix.Admixture, Density: some("1070"), Solids: some("0.35"), Basis: mix.ByMass, Value: dec("5")},
		{Item: "sand", Role: mix.Aggregate, Density: some("2650"), Basis: mix.Balance},
	}})
	fmt.Println(p.AdmixtureWater.StringFixed(2), p.WaterBinder.Decimal.RoundBank(4))
	// Output: 3.25 0.4331
}

// Fibre volume is in the cubic metre: 0.5 % is 4.55 kg/m3 at 910 kg/m3
// (polypropylene) and 39.25 kg/m3 at 7,850 (steel) (worked).
func ExampleProportion_fibres() {
	for _, density := range []string{"910", "7850"} {
		p, _, _ := mix.Proportion(mix.Design{Constituents: []mix.Constituent{
			{Item: "fibre", Role: mix.Fibre, Density: some(density), Basis: mix.ByVolume, Value: dec("0.005")},
			{Item: "sand", Role: mix.Aggregate, Density: some("2650"), Basis: mix.Balance},
		}})
		fmt.Println(p.Parts[0].Mass, p.Volume)
	}
	// Output:
	// 4.55 1
	// 39.25 1
}

// Whatever the amounts, what is left of the cubic metre goes to the balance,
// and the volumes with the air make 1 m3 to within the 12th decimal of a mass.
func TestBalanceClosesTheCubicMetre(t *testing.T) {
	for cement := 200; cement <= 500; cement += 7 {
		d := usDesign("500", "300", "1700", "0.03", "2.7", "2.6")
		d.Constituents[0].Value = decimal.NewFromInt(int64(cement))
		p, _, faults := mix.Proportion(d)
		if !faults.Empty() {
			t.Fatal(faults.All())
		}
		if gap := p.Volume.Sub(num.One).Abs(); gap.GreaterThan(dec("0.000000000000001")) {
			t.Errorf("cement %d: volume %s", cement, p.Volume)
		}
	}
}

func TestStagesSumToTheMixExactly(t *testing.T) {
	p, _, faults := mix.Proportion(mix.Design{Air: dec("0.015"), Constituents: []mix.Constituent{
		{Item: "cement", Role: mix.Cement, Density: some("3137"), Basis: mix.ByMass, Value: dec("333.333333333333")},
		{Item: "water", Role: mix.Water, Density: some("1000"), Basis: mix.ByMass, Value: dec("161.7")},
		{Item: "admixture", Role: mix.Admixture, Density: some("1070"), Solids: some("0.35"), Basis: mix.OfBinder, Value: dec("0.0071")},
		{Item: "fibre", Role: mix.Fibre, Density: some("910"), Basis: mix.ByVolume, Value: dec("0.005")},
		{Item: "sand", Role: mix.Aggregate, Density: some("2650"), Basis: mix.Balance},
	}})
	if !faults.Empty() {
		t.Fatal(faults.All())
	}
	solids := []decimal.NullDecimal{{}, {}, some("0.35"), {}, {}}
	stages, faults := mix.Split(p, []mix.Stage{
		{Name: "first", Minutes: 4, BatchVolume: dec("0.5"), Takes: []mix.Take{
			{Indexes: []int{0}, Value: dec("0.2317")}, {Indexes: []int{2}, Value: dec("0.5")},
			{Indexes: []int{1}, ByRatio: true, Value: dec("0.31")}, {Indexes: []int{3}, Value: dec("1")}}},
		{Name: "second", Minutes: 1, BatchVolume: dec("1"), Takes: []mix.Take{{Indexes: []int{4}, Value: dec("0.333")}}},
		{Name: "main", Minutes: 3, BatchVolume: dec("2"), Rest: true},
	}, solids)
	if !faults.Empty() {
		t.Fatal(faults.All())
	}
	for i, part := range p.Parts {
		sum := decimal.Zero
		for _, s := range stages {
			sum = sum.Add(s.Masses[i])
		}
		if !sum.Equal(part.Mass) {
			t.Errorf("%s: stages sum to %s, the mix has %s", part.Item, sum, part.Mass)
		}
	}
	if got := stages[0].WaterBinder.Decimal.RoundBank(9); !got.Equal(dec("0.31")) {
		t.Errorf("the first stage is at %s, asked for 0.31 with the water of its admixture", got)
	}
	// 3 minutes for 1 m3 in batches of 2 m3 are 0.025 h.
	if got := stages[2].MixerHours; !got.Equal(dec("0.025")) || !stages[2].Volume.Equal(num.One) {
		t.Errorf("main stage: %s h for %s m3", got, stages[2].Volume)
	}
}

func FuzzProportion(f *testing.F) {
	f.Add("350", "161", "0.015", "0.008")
	f.Fuzz(func(t *testing.T, cement, water, air, dose string) {
		parse := func(s string) decimal.Decimal {
			d, err := num.Parse(s)
			if err != nil {
				t.Skip()
			}
			return d
		}
		p, _, faults := mix.Proportion(mix.Design{Air: parse(air), Constituents: []mix.Constituent{
			{Item: "cement", Role: mix.Cement, Density: some("3150"), Basis: mix.ByMass, Value: parse(cement)},
			{Item: "water", Role: mix.Water, Density: some("1000"), Basis: mix.ByMass, Value: parse(water)},
			{Item: "admixture", Role: mix.Admixture, Density: some("1070"), Basis: mix.OfBinder, Value: parse(dose)},
			{Item: "sand", Role: mix.Aggregate, Density: some("2650"), Basis: mix.Balance},
		}})
		if !faults.Empty() {
			return
		}
		for _, part := range p.Parts {
			if !part.Mass.IsPositive() && !part.Mass.IsZero() {
				t.Errorf("%s has %s kg/m3", part.Item, part.Mass)
			}
		}
	})
}
