package cost_test

import (
	"errors"
	"fmt"
	"math/big"
	"testing"

	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/lca/cost"
	"slabledger/lca/num"
)

// UK Treasury, The Green Book: 3.5 % to year 30, 3.0 % to year 75, 2.5 % after
// (rates from memory; factors worked in rational numbers).
func ExampleNewScheduledFactors() {
	f, err := cost.NewScheduledFactors([]cost.RateFrom{{From: 0, Rate: dec("0.035")}, {From: 31, Rate: dec("0.03")}, {From: 76, Rate: dec("0.025")}}, 100)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, year := range []int{0, 1, 30, 31, 75, 76, 100} {
		fmt.Printf("%3d %s\n", year, f.Single(year).StringFixed(6))
	}
	// Output:
	//   0 1.000000
	//   1 0.966184
	//  30 0.356278
	//  31 0.345901
	//  75 0.094214
	//  76 0.091916
	// 100 0.050818
}

// Every factor is the product of the steps before it, and the annual one the sum of
// them, in rational numbers.
func TestScheduledFactorsAreForwardRates(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		period := rapid.IntRange(1, 60).Draw(rt, "period")
		schedule := []cost.RateFrom{{Rate: rateOf(rt, "first")}}
		for from := 0; len(schedule) < 4; {
			from += rapid.IntRange(1, 30).Draw(rt, "later")
			schedule = append(schedule, cost.RateFrom{From: from, Rate: rateOf(rt, "next")})
		}
		f, err := cost.NewScheduledFactors(schedule, period)
		if err != nil {
			rt.Fatal(err)
		}
		growth, sum := big.NewRat(1, 1), new(big.Rat)
		for year := 1; year <= period; year++ {
			rate := schedule[0].Rate
			for _, r := range schedule {
				if r.From <= year {
					rate = r.Rate
				}
			}
			growth.Mul(growth, onePlus(rate))
			factor := new(big.Rat).Inv(growth)
			sum.Add(sum, factor)
			if want := to34(t, factor); !f.Single(year).Equal(want) {
				rt.Fatalf("year %d: %s, want %s", year, f.Single(year), want)
			}
		}
		if want := to34(t, sum); !f.Uniform().Equal(want) {
			rt.Fatalf("sum %s, want %s", f.Uniform(), want)
		}
		if want := to34(t, new(big.Rat).Inv(sum)); !f.Recovery().Equal(want) {
			rt.Fatalf("recovery %s, want %s", f.Recovery(), want)
		}
	})
}

// One rate, or the same one again and again, is the plain rate to the last digit.
func TestConstantScheduleIsThePlainRate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rate, period := rateOf(t, "rate"), rapid.IntRange(1, 60).Draw(t, "period")
		f, err := cost.NewScheduledFactors([]cost.RateFrom{{Rate: rate}, {From: 7, Rate: rate}, {From: 31, Rate: rate}}, period)
		if err != nil {
			t.Fatal(err)
		}
		for year := 0; year <= period; year++ {
			if want, _ := cost.SinglePresentValue(rate, year); !f.Single(year).Equal(want) {
				t.Fatalf("year %d: %s, want %s", year, f.Single(year), want)
			}
		}
		upv, _ := cost.UniformPresentValue(rate, period)
		ucr, _ := cost.CapitalRecovery(rate, period)
		if !f.Uniform().Equal(upv) || !f.Recovery().Equal(ucr) {
			t.Fatalf("%s %s, want %s %s", f.Uniform(), f.Recovery(), upv, ucr)
		}
	})
}

func TestScheduleErrors(t *testing.T) {
	good := dec("0.03")
	for name, c := range map[string]struct {
		rates  []cost.RateFrom
		period int
		want   error
	}{
		"none":          {nil, 40, cost.ErrSchedule},
		"from year 1":   {[]cost.RateFrom{{1, good}}, 40, cost.ErrSchedule},
		"years fall":    {[]cost.RateFrom{{0, good}, {30, good}, {30, good}}, 40, cost.ErrSchedule},
		"rate":          {[]cost.RateFrom{{0, good}, {30, dec("-1")}}, 40, cost.ErrRate},
		"no years":      {[]cost.RateFrom{{0, good}}, 0, cost.ErrYears},
		"too many":      {[]cost.RateFrom{{0, good}}, cost.MaxYears + 1, cost.ErrYears},
		"beyond is lax": {[]cost.RateFrom{{0, good}, {300, good}}, 40, nil},
	} {
		if _, err := cost.NewScheduledFactors(c.rates, c.period); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
	}
}

// 1,000 today, in year 15, at e 1 %, I 2 % and d 3 %: 745.181795 both ways (GSA
// P100; worked).
func ExamplePresentBothWays() {
	flows := []cost.Flow{{Kind: cost.Maintenance, Year: 15, Amount: num.One, Price: dec("1000"), Escalation: dec("0.01")}}
	nominal, _ := cost.Nominal(dec("0.03"), dec("0.02"))
	b, err := cost.PresentBothWays(flows, dec("0.03"), nominal, dec("0.02"))
	fmt.Println(b.Real.StringFixed(6), b.Nominal.StringFixed(6), b.Agree(), err)
	wrong, _ := cost.PresentBothWays(flows, dec("0.03"), dec("0.05"), dec("0.02")) // the plain sum of 3 % and 2 %
	fmt.Println(wrong.Real.StringFixed(6), wrong.Nominal.StringFixed(6), wrong.Agree())
	// Output:
	// 745.181795 745.181795 true <nil>
	// 745.181795 751.594680 false
}

// decOf is so many thousandths.
func decOf(thousandths int64) decimal.Decimal { return decimal.New(thousandths, -3) }

// From a nominal rate and inflation the real rate follows, to 34 digits, and the
// flows come to the same.
func TestBothWaysAgree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		period := rapid.IntRange(1, 60).Draw(t, "period")
		percent := rapid.Int64Range(-100, 300)
		nominal := decOf(percent.Draw(t, "D"))
		inflation := decOf(percent.Draw(t, "I"))
		realRate, err := cost.Real(nominal, inflation)
		if err != nil {
			t.Fatal(err)
		}
		flows := analysis(t, period, true)
		b, err := cost.PresentBothWays(flows, realRate, nominal, inflation)
		if err != nil {
			t.Fatal(err)
		}
		if !b.Agree() {
			t.Fatalf("%s in real terms, %s in nominal terms", b.Real, b.Nominal)
		}
		r := present(t, flows, realRate, period)
		// Each line is rounded to 6 decimals, so half of one for each.
		if off := r.NetPresentValue.Sub(b.Real).Abs(); off.GreaterThan(decimal.New(int64(len(flows)+1), -6)) {
			t.Fatalf("%s and, line by line, %s", b.Real, r.NetPresentValue)
		}
	})
}
