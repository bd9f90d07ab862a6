package cost_test

import (
	"errors"
	"fmt"
	"math/big"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"

	"github.com/cockroachdb/apd/v3"
	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/lca/cost"
	"slabledger/lca/num"
)

// to34 rounds a rational number to 34 digits, half to even, with
// cockroachdb/apd as an independent reference.
func to34(t *testing.T, x *big.Rat) decimal.Decimal {
	t.Helper()
	reference := &apd.Context{
		Precision: num.Digits, Rounding: apd.RoundHalfEven,
		MaxExponent: apd.MaxExponent, MinExponent: apd.MinExponent,
	}
	parts := [2]*apd.Decimal{}
	for i, p := range []*big.Int{x.Num(), x.Denom()} {
		parts[i] = apd.NewWithBigInt(new(apd.BigInt).SetMathBigInt(p), 0)
	}
	q := new(apd.Decimal)
	if _, err := reference.Quo(q, parts[0], parts[1]); err != nil {
		t.Fatal(err)
	}
	coefficient := q.Coeff.MathBigInt()
	if q.Negative {
		coefficient.Neg(coefficient)
	}
	return decimal.NewFromBigInt(coefficient, q.Exponent)
}

// toLine rounds a rational number once to a line, by comparing integers only.
func toLine(x *big.Rat) *big.Rat {
	scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(num.Places), nil)
	n := new(big.Int).Mul(x.Num(), scale)
	q, rest := new(big.Int).DivMod(n, x.Denom(), new(big.Int)) // floor, rest ≥ 0
	if half := rest.Lsh(rest, 1).Cmp(x.Denom()); half > 0 || (half == 0 && q.Bit(0) == 1) {
		q.Add(q, big.NewInt(1))
	}
	return new(big.Rat).SetFrac(q, scale)
}

func power(base *big.Rat, n int) *big.Rat {
	e := big.NewInt(int64(n))
	return new(big.Rat).SetFrac(new(big.Int).Exp(base.Num(), e, nil), new(big.Int).Exp(base.Denom(), e, nil))
}

func onePlus(rate decimal.Decimal) *big.Rat { return num.One.Add(rate).Rat() }

// rateOf draws a rate from -99.9 % to 30 %, in tenths of a per cent.
func rateOf(t *rapid.T, name string) decimal.Decimal {
	return decimal.New(rapid.Int64Range(-999, 300).Draw(t, name), -3)
}

// Every factor equals the sum of its payments, taken in rational numbers and
// rounded once to 34 digits: the closed formulas lose nothing, near d = e too.
func TestFactorsEqualTheSumOfTheirPayments(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		d, e := rateOf(rt, "d"), rateOf(rt, "e")
		if rapid.IntRange(0, 9).Draw(rt, "near") == 0 {
			e = d.Add(decimal.New(1, -12))
		}
		n := rapid.IntRange(0, 30).Draw(rt, "n")
		ratio := new(big.Rat).Quo(onePlus(e), onePlus(d))
		uniform, escalated := new(big.Rat), new(big.Rat)
		for year := 1; year <= n; year++ {
			uniform.Add(uniform, new(big.Rat).Inv(power(onePlus(d), year)))
			escalated.Add(escalated, power(ratio, year))
		}
		for name, c := range map[string]struct {
			want *big.Rat
			got  func() (decimal.Decimal, error)
		}{
			"SPV":  {new(big.Rat).Inv(power(onePlus(d), n)), func() (decimal.Decimal, error) { return cost.SinglePresentValue(d, n) }},
			"UPV":  {uniform, func() (decimal.Decimal, error) { return cost.UniformPresentValue(d, n) }},
			"SPV*": {power(ratio, n), func() (decimal.Decimal, error) { return cost.EscalatedSinglePresentValue(d, e, n) }},
			"UPV*": {escalated, func() (decimal.Decimal, error) { return cost.EscalatedUniformPresentValue(d, e, n) }},
			"UCR": {new(big.Rat), func() (decimal.Decimal, error) {
				if n == 0 {
					return decimal.Zero, nil
				}
				return cost.CapitalRecovery(d, n)
			}},
		} {
			if name == "UCR" && n > 0 {
				c.want.Inv(uniform)
			}
			got, err := c.got()
			if want := to34(t, c.want); err != nil || !got.Equal(want) {
				rt.Fatalf("%s(d %s, e %s, n %d) = %s, %v, want %s", name, d, e, n, got, err, want)
			}
		}
	})
}

func TestFactorsAtTheEdges(t *testing.T) {
	zero := decimal.Zero
	is := func(name, want string) func(decimal.Decimal, error) {
		return func(got decimal.Decimal, err error) {
			t.Helper()
			if err != nil || !got.Equal(dec(want)) {
				t.Errorf("%s = %s, %v, want %s", name, got, err, want)
			}
		}
	}
	is("SPV, rate 0", "1")(cost.SinglePresentValue(zero, 40))
	is("SPV, year 0", "1")(cost.SinglePresentValue(dec("0.07"), 0))
	is("UPV, rate 0", "40")(cost.UniformPresentValue(zero, 40))
	is("UPV, no years", "0")(cost.UniformPresentValue(dec("0.07"), 0))
	is("UPV, rate 0, no years", "0")(cost.UniformPresentValue(zero, 0))
	is("UCR, rate 0", "0.025")(cost.CapitalRecovery(zero, 40))
	is("UCR, one year", "1.07")(cost.CapitalRecovery(dec("0.07"), 1))
	is("UPV*, d = e = 0", "7")(cost.EscalatedUniformPresentValue(zero, zero, 7))
	is("UPV*, d = e below 0", "7")(cost.EscalatedUniformPresentValue(dec("-0.02"), dec("-0.02"), 7))
	is("UPV*, no years", "0")(cost.EscalatedUniformPresentValue(dec("0.03"), dec("0.01"), 0))
	is("SPV*, d = e", "1")(cost.EscalatedSinglePresentValue(dec("0.05"), dec("0.05"), 10))
	// Real rates below zero have occurred: a payment later weighs more.
	is("SPV at -20 %", "1.5625")(cost.SinglePresentValue(dec("-0.2"), 2))
	is("UPV at -20 %", "2.8125")(cost.UniformPresentValue(dec("-0.2"), 2))
	is("SPV at -50 %", "1099511627776")(cost.SinglePresentValue(dec("-0.5"), 40))
	// 0.4 % over 30 years: 1/1.004^30, worked in rational numbers.
	low, err := cost.SinglePresentValue(dec("0.004"), 30)
	if want := to34(t, new(big.Rat).Inv(power(big.NewRat(251, 250), 30))); err != nil || !low.Equal(want) {
		t.Errorf("SPV at 0.4 %% = %s, %v, want %s", low, err, want)
	}
	is("SPV just above -100 %", "1000000000000")(cost.SinglePresentValue(dec("-0.999999999999"), 1))
	if _, err := cost.SinglePresentValue(dec("999999999999999.999999999999"), cost.MaxYears); err != nil {
		t.Errorf("the largest rate that is read, for the longest time: %v", err)
	}
}

func TestFactorErrors(t *testing.T) {
	good, bad := dec("0.03"), dec("-1")
	only := func(_ any, err error) error { return err }
	for name, c := range map[string]struct{ got, want error }{
		"SPV at -100 %":            {only(cost.SinglePresentValue(bad, 10)), cost.ErrRate},
		"SPV at -150 %":            {only(cost.SinglePresentValue(dec("-1.5"), 10)), cost.ErrRate},
		"SPV at -100 %, year 0":    {only(cost.SinglePresentValue(bad, 0)), cost.ErrRate},
		"SPV, negative years":      {only(cost.SinglePresentValue(good, -1)), cost.ErrYears},
		"SPV, too many years":      {only(cost.SinglePresentValue(good, cost.MaxYears+1)), cost.ErrYears},
		"UPV at -100 %":            {only(cost.UniformPresentValue(bad, 10)), cost.ErrRate},
		"UPV, negative years":      {only(cost.UniformPresentValue(good, -1)), cost.ErrYears},
		"UCR at -100 %":            {only(cost.CapitalRecovery(bad, 10)), cost.ErrRate},
		"UCR, no years":            {only(cost.CapitalRecovery(good, 0)), cost.ErrYears},
		"UCR, rate 0, no years":    {only(cost.CapitalRecovery(decimal.Zero, 0)), cost.ErrYears},
		"SPV*, rate":               {only(cost.EscalatedSinglePresentValue(bad, good, 1)), cost.ErrRate},
		"SPV*, escalation":         {only(cost.EscalatedSinglePresentValue(good, bad, 1)), cost.ErrRate},
		"UPV*, rate":               {only(cost.EscalatedUniformPresentValue(bad, good, 1)), cost.ErrRate},
		"UPV*, escalation":         {only(cost.EscalatedUniformPresentValue(good, bad, 1)), cost.ErrRate},
		"UPV*, both":               {only(cost.EscalatedUniformPresentValue(bad, bad, 1)), cost.ErrRate},
		"nominal, real rate":       {only(cost.Nominal(bad, good)), cost.ErrRate},
		"nominal, inflation":       {only(cost.Nominal(good, bad)), cost.ErrRate},
		"real, nominal rate":       {only(cost.Real(bad, good)), cost.ErrRate},
		"real, inflation":          {only(cost.Real(good, bad)), cost.ErrRate},
		"factors at -100 %":        {only(cost.NewFactors(bad, 40)), cost.ErrRate},
		"factors, no years":        {only(cost.NewFactors(good, 0)), cost.ErrYears},
		"factors, negative years":  {only(cost.NewFactors(good, -40)), cost.ErrYears},
		"present at -100 %":        {only(cost.Present(nil, bad, 40)), cost.ErrRate},
		"remaining life, life 0":   {only(cost.RemainingLife(num.One, 30, 0, 35)), cost.ErrLife},
		"remaining life, too late": {only(cost.RemainingLife(num.One, 36, 10, 35)), cost.ErrYear},
		"remaining life, too soon": {only(cost.RemainingLife(num.One, -1, 10, 35)), cost.ErrYear},
		"straight line, life 0":    {only(cost.StraightLine(num.One, decimal.Zero, 0, 0)), cost.ErrLife},
		"straight line, too soon":  {only(cost.StraightLine(num.One, decimal.Zero, 10, -1)), cost.ErrYear},
	} {
		if !errors.Is(c.got, c.want) {
			t.Errorf("%s: %v, want %v", name, c.got, c.want)
		}
	}
}

// Real amounts at the real rate and nominal amounts at the nominal rate have
// one present value, to the last of 34 digits.
func TestRealAndNominalAgreeExactly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d, e, inflation := rateOf(t, "d"), rateOf(t, "e"), rateOf(t, "inflation")
		n := rapid.IntRange(0, 60).Draw(t, "n")
		nominalRate, errRate := cost.Nominal(d, inflation)
		nominalEscalation, errEscalation := cost.Nominal(e, inflation)
		inReal, errReal := cost.EscalatedSinglePresentValue(d, e, n)
		inNominal, errNominal := cost.EscalatedSinglePresentValue(nominalRate, nominalEscalation, n)
		back, errBack := cost.Real(nominalRate, inflation)
		if err := errors.Join(errRate, errEscalation, errReal, errNominal, errBack); err != nil {
			t.Fatal(err)
		}
		if !inReal.Equal(inNominal) {
			t.Fatalf("%s in real terms, %s in nominal terms", inReal, inNominal)
		}
		if !back.Equal(d) {
			t.Fatalf("%s became %s nominal and %s real", d, nominalRate, back)
		}
	})
}

func TestResidualValues(t *testing.T) {
	for _, c := range []struct {
		name                 string
		placed, life, period int
		want                 string
	}{
		{"half of the life is left", 30, 10, 35, "175000"},
		{"nothing is left", 30, 5, 35, "0"},
		{"the life ended before", 10, 5, 35, "0"},
		{"built new, outlives the period", 0, 50, 35, "105000"},
		{"placed in the last year", 35, 10, 35, "350000"},
		{"a third does not end", 0, 3, 2, "116666.6666666666666666666666666667"},
	} {
		got, err := cost.RemainingLife(dec("350000"), c.placed, c.life, c.period)
		if err != nil || got.String() != c.want {
			t.Errorf("%s: %s, %v, want %s", c.name, got, err, c.want)
		}
	}
	for _, c := range []struct {
		final string
		year  int
		want  string
	}{
		{"0", 0, "1200000"},
		{"0", 35, "360000"},
		{"0", 50, "0"},
		{"0", 80, "0"},
		{"200000", 25, "700000"},
		{"200000", 80, "200000"},
		{"-100000", 50, "-100000"}, // removal costs more than the scrap brings
	} {
		got, err := cost.StraightLine(dec("1200000"), dec(c.final), 50, c.year)
		if err != nil || got.String() != c.want {
			t.Errorf("straight line to %s, year %d: %s, %v, want %s", c.final, c.year, got, err, c.want)
		}
	}
}

// analysis draws flows that fit the period.
func analysis(t *rapid.T, period int, escalate bool) []cost.Flow {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) cost.Flow {
		flow := cost.Flow{
			Kind:   rapid.SampledFrom([]cost.Kind{cost.Initial, cost.Maintenance, cost.User, cost.Residual}).Draw(t, "kind"),
			Amount: decimal.New(rapid.Int64Range(0, 1e12).Draw(t, "amount"), -num.Places),
			Price:  decimal.New(rapid.Int64Range(0, 1e8).Draw(t, "price"), -4),
		}
		switch flow.Kind {
		case cost.Maintenance:
			flow.Year = rapid.IntRange(1, period).Draw(t, "year")
		case cost.User:
			flow.Year = rapid.IntRange(0, period).Draw(t, "year")
		case cost.Residual:
			flow.Year = period
		}
		if escalate {
			flow.Escalation = decimal.New(rapid.Int64Range(-50, 50).Draw(t, "escalation"), -3)
		}
		return flow
	}), 0, 30).Draw(t, "flows")
}

func present(t *rapid.T, flows []cost.Flow, rate decimal.Decimal, period int) cost.Result {
	r, err := cost.Present(flows, rate, period)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func totals(r cost.Result) []decimal.Decimal {
	return []decimal.Decimal{r.Initial, r.Maintenance, r.User, r.Residual, r.NetPresentValue}
}

func TestTotalsAreExactSumsOfTheLines(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		period := rapid.IntRange(1, 60).Draw(t, "period")
		rate := rateOf(t, "rate")
		flows := analysis(t, period, true)
		before := slices.Clone(flows)
		r := present(t, flows, rate, period)
		if diff := cmp.Diff(before, flows); diff != "" {
			t.Fatalf("the flows were changed:\n%s", diff)
		}
		parts := map[cost.Kind]*big.Rat{cost.Initial: {}, cost.Maintenance: {}, cost.User: {}, cost.Residual: {}}
		for i, line := range r.Lines {
			if diff := cmp.Diff(flows[i], line.Flow); diff != "" {
				t.Fatalf("line %d is of another flow:\n%s", i, diff)
			}
			if line.PresentValue.Exponent() < -num.Places || line.Cost.Exponent() < -num.Places {
				t.Fatalf("line %d has more than %d decimals: %s, %s", i, num.Places, line.Cost, line.PresentValue)
			}
			parts[line.Kind].Add(parts[line.Kind], line.PresentValue.Rat())
		}
		net := new(big.Rat).Add(parts[cost.Initial], parts[cost.Maintenance])
		net.Sub(net, parts[cost.Residual])
		for i, want := range []*big.Rat{parts[cost.Initial], parts[cost.Maintenance], parts[cost.User], parts[cost.Residual], net} {
			if got := totals(r)[i]; got.Rat().Cmp(want) != 0 {
				t.Fatalf("total %d is %s, its lines come to %s", i, got, want.FloatString(num.Places))
			}
		}
		ucr, err := cost.CapitalRecovery(rate, period)
		if err != nil {
			t.Fatal(err)
		}
		if want := toLine(new(big.Rat).Mul(net, ucr.Rat())); r.EquivalentAnnual.Rat().Cmp(want) != 0 {
			t.Fatalf("equivalent annual %s, want %s", r.EquivalentAnnual, want.FloatString(num.Places))
		}
	})
}

func TestZeroRateIsThePlainSum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		period := rapid.IntRange(1, 60).Draw(t, "period")
		r := present(t, analysis(t, period, true), decimal.Zero, period)
		plain := decimal.Zero
		for i, line := range r.Lines {
			if !line.DiscountFactor.Equal(num.One) || !line.PresentValue.Equal(line.Cost) {
				t.Fatalf("line %d: %s × %s = %s", i, line.Cost, line.DiscountFactor, line.PresentValue)
			}
			switch line.Kind {
			case cost.Initial, cost.Maintenance:
				plain = plain.Add(line.Cost)
			case cost.Residual:
				plain = plain.Sub(line.Cost)
			}
		}
		if !r.NetPresentValue.Equal(plain) {
			t.Fatalf("net present value %s, plain sum %s", r.NetPresentValue, plain)
		}
	})
}

func TestOrderOfFlowsDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		period := rapid.IntRange(1, 60).Draw(t, "period")
		rate := rateOf(t, "rate")
		flows := analysis(t, period, true)
		want := present(t, flows, rate, period)
		got := present(t, rapid.Permutation(flows).Draw(t, "shuffled"), rate, period)
		if diff := cmp.Diff(totals(want), totals(got)); diff != "" || !want.EquivalentAnnual.Equal(got.EquivalentAnnual) {
			t.Fatalf("another order, other totals:\n%s", diff)
		}
	})
}

// Where no line is rounded, at rate 0 and prices in whole units, twice the
// amounts cost exactly twice as much; elsewhere each line may be off by its own
// rounding, of half a unit in the last place, twice.
func TestTwiceTheAmountsIsTwiceTheCost(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		period := rapid.IntRange(1, 60).Draw(t, "period")
		flows := analysis(t, period, false)
		rate, slack := decimal.Zero, decimal.Zero
		if rapid.Bool().Draw(t, "rounded") {
			rate = decimal.New(rapid.Int64Range(0, 150).Draw(t, "rate"), -3)
			slack = decimal.New(15*int64(len(flows)), -num.Places-1)
		} else {
			for i := range flows {
				flows[i].Price = flows[i].Price.Shift(4)
			}
		}
		doubled := slices.Clone(flows)
		for i := range doubled {
			doubled[i].Amount = doubled[i].Amount.Add(doubled[i].Amount)
		}
		once, twice := totals(present(t, flows, rate, period)), totals(present(t, doubled, rate, period))
		for i := range once {
			if gap := twice[i].Sub(once[i]).Sub(once[i]).Abs(); gap.GreaterThan(slack) {
				t.Fatalf("total %d: %s once, %s twice", i, once[i], twice[i])
			}
		}
	})
}

// 10,000 random flows against rational arithmetic that rounds nothing but the
// printed line.
func TestLinesAreRoundedOnce(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 34))
	for range 500 {
		period := 1 + r.IntN(100)
		rate := decimal.New(r.Int64N(180)-30, -3)
		flows := make([]cost.Flow, 20)
		for i := range flows {
			flows[i] = cost.Flow{
				Kind: cost.User, Year: r.IntN(period + 1),
				Amount: decimal.New(r.Int64N(1e11), -num.Places),
				Price:  decimal.New(r.Int64N(1e9)-1e8, -int32(r.IntN(7))),
			}
			if r.IntN(2) == 0 {
				flows[i].Escalation = decimal.New(r.Int64N(100)-50, -3)
			}
		}
		result, err := cost.Present(flows, rate, period)
		if err != nil {
			t.Fatal(err)
		}
		for i, f := range flows {
			want := new(big.Rat).Mul(f.Amount.Rat(), f.Price.Rat())
			want.Mul(want, power(onePlus(f.Escalation), f.Year))
			if got := result.Lines[i].Cost; got.Rat().Cmp(toLine(want)) != 0 {
				t.Fatalf("cost of %+v is %s, want %s", f, got, want.FloatString(9))
			}
			discount := power(onePlus(rate), f.Year)
			if got := result.Lines[i].DiscountFactor; !got.Equal(to34(t, new(big.Rat).Inv(discount))) {
				t.Fatalf("discount factor at %s, year %d, is %s", rate, f.Year, got)
			}
			want.Quo(want, discount)
			if got := result.Lines[i].PresentValue; got.Rat().Cmp(toLine(want)) != 0 {
				t.Fatalf("present value of %+v at %s is %s, want %s", f, rate, got, want.FloatString(9))
			}
		}
	}
}

func TestUserCostIsKeptApart(t *testing.T) {
	agency := []cost.Flow{
		{Kind: cost.Initial, Amount: dec("50"), Price: num.One},
		{Kind: cost.Maintenance, Year: 20, Amount: dec("10"), Price: num.One},
	}
	without, errWithout := cost.Present(agency, dec("0.03"), 40)
	with, errWith := cost.Present(append(agency, cost.Flow{Kind: cost.User, Year: 20, Amount: dec("500"), Price: num.One}), dec("0.03"), 40)
	if err := errors.Join(errWithout, errWith); err != nil {
		t.Fatal(err)
	}
	if !with.NetPresentValue.Equal(without.NetPresentValue) || !with.EquivalentAnnual.Equal(without.EquivalentAnnual) {
		t.Errorf("user cost moved the agency's: %s and %s", without.NetPresentValue, with.NetPresentValue)
	}
	if !without.User.IsZero() || with.User.String() != "276.837877" { // 500 × .553676 (SPV 3 %, 20 years)
		t.Errorf("user cost %s and %s", without.User, with.User)
	}
}

func TestNoFlowsCostNothing(t *testing.T) {
	r, err := cost.Present(nil, dec("0.03"), 40)
	if err != nil || len(r.Lines) != 0 || !r.NetPresentValue.IsZero() || !r.EquivalentAnnual.IsZero() {
		t.Errorf("%+v, %v", r, err)
	}
}

func TestFlowsOutsideTheirYears(t *testing.T) {
	const period = 40
	good := cost.Flow{Kind: cost.Initial, Amount: num.One, Price: num.One}
	for _, c := range []struct {
		name string
		flow cost.Flow
		want error
	}{
		{"construction later", cost.Flow{Kind: cost.Initial, Year: 1}, cost.ErrYear},
		{"maintenance in year 0 is construction", cost.Flow{Kind: cost.Maintenance}, cost.ErrYear},
		{"maintenance in the last year", cost.Flow{Kind: cost.Maintenance, Year: period}, nil},
		{"maintenance after the period", cost.Flow{Kind: cost.Maintenance, Year: period + 1}, cost.ErrYear},
		{"maintenance before now", cost.Flow{Kind: cost.Maintenance, Year: -1}, cost.ErrYear},
		{"users during construction", cost.Flow{Kind: cost.User}, nil},
		{"users in the last year", cost.Flow{Kind: cost.User, Year: period}, nil},
		{"users after the period", cost.Flow{Kind: cost.User, Year: period + 1}, cost.ErrYear},
		{"users before now", cost.Flow{Kind: cost.User, Year: -1}, cost.ErrYear},
		{"residual at the end", cost.Flow{Kind: cost.Residual, Year: period}, nil},
		{"residual before the end", cost.Flow{Kind: cost.Residual, Year: period - 1}, cost.ErrYear},
		{"residual after the end", cost.Flow{Kind: cost.Residual, Year: period + 1}, cost.ErrYear},
		{"no kind", cost.Flow{}, cost.ErrKind},
		{"another kind", cost.Flow{Kind: "salvage", Year: period}, cost.ErrKind},
		{"escalation of -100 %", cost.Flow{Kind: cost.Maintenance, Year: 1, Escalation: dec("-1")}, cost.ErrRate},
		{"escalation of -100 % in year 0", cost.Flow{Kind: cost.Initial, Escalation: dec("-1")}, cost.ErrRate},
	} {
		result, err := cost.Present([]cost.Flow{good, c.flow}, dec("0.03"), period)
		if !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
		if c.want == nil {
			continue
		}
		var where *cost.FlowError
		if !errors.As(err, &where) || where.Index != 1 || where.Flow.Year != c.flow.Year || result.Lines != nil {
			t.Errorf("%s: the error %v does not name the second flow, or came with a result", c.name, err)
		}
	}
}

// typical is an alternative as a design study has it: about half of its lines
// are construction, the rest spread over the period.
func typical(lines, period int) []cost.Flow {
	flows := make([]cost.Flow, lines)
	for i := range flows {
		flows[i] = cost.Flow{
			Kind: cost.Initial, Item: "item", Label: fmt.Sprint("line ", i),
			Amount: decimal.New(84_123_456+int64(i)*1_234_567, -num.Places), Unit: "kg",
			Price: decimal.New(1_185+int64(i), -4), PriceUnit: "kg", Source: "invented",
		}
		if i%2 == 1 {
			flows[i].Kind, flows[i].Year = cost.Maintenance, 1+i%(period-1)
		}
	}
	flows[lines-1].Kind, flows[lines-1].Year = cost.Residual, period
	return flows
}

func TestFactorsAreSharedByManyReaders(t *testing.T) {
	flows := typical(60, 40)
	factors, err := cost.NewFactors(dec("0.03"), 40)
	if err != nil {
		t.Fatal(err)
	}
	want, err := cost.Present(flows, dec("0.03"), 40)
	if err != nil {
		t.Fatal(err)
	}
	var wait sync.WaitGroup
	for range 8 {
		wait.Go(func() {
			for range 20 {
				got, err := factors.Present(flows)
				if diff := cmp.Diff(want, got); err != nil || diff != "" {
					t.Errorf("%v\n%s", err, diff)
					return
				}
			}
		})
	}
	wait.Wait()
}

func TestPresentAllocatesLittle(t *testing.T) {
	flows := typical(60, 40)
	factors, err := cost.NewFactors(dec("0.03"), 40)
	if err != nil {
		t.Fatal(err)
	}
	allocations := testing.AllocsPerRun(50, func() {
		if _, err := factors.Present(flows); err != nil {
			t.Error(err)
		}
	})
	if limit := 5.0 * float64(len(flows)); allocations > limit {
		t.Errorf("%v allocations for %d lines, more than %v", allocations, len(flows), limit)
	}
}

func BenchmarkPresent(b *testing.B) {
	escalated := typical(60, 40)
	for i := range escalated {
		escalated[i].Escalation = dec("0.01")
	}
	factors, err := cost.NewFactors(dec("0.03"), 40)
	if err != nil {
		b.Fatal(err)
	}
	for name, flows := range map[string][]cost.Flow{"60 lines": typical(60, 40), "60 lines escalated": escalated} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := factors.Present(flows); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkNewFactors(b *testing.B) {
	rate := dec("0.03")
	b.ReportAllocs()
	for b.Loop() {
		if _, err := cost.NewFactors(rate, 40); err != nil {
			b.Fatal(err)
		}
	}
}
