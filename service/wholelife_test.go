package service_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/lca/cost"
	"slabledger/service"
)

func economics(members map[string]any) edit { return edit{"/economics", members} }

func event(kv ...any) map[string]any { return object2(kv...) }

// years lists when an item is used in maintenance.
func years(a service.Result, item string) (list []int) {
	for _, l := range a.Cost.Lines {
		if l.Kind == "maintenance" && (l.Item == item || strings.HasSuffix(l.Use, ": "+item)) && !slices.Contains(list, l.Year) {
			list = append(list, l.Year)
		}
	}
	slices.Sort(list)
	return list
}

// --- real and nominal ---

// 3 % real with 2 % inflation is 5.06 % nominal (GSA P100): the same figures, to the
// last digit, and a check that both ways agree.
func TestNominalRateIsTheRealOneThatItMeans(t *testing.T) {
	svc := newService(t)
	inReal := compare(t, svc, request(t, economics(object2("real_discount_rate", "3 %", "real_escalation", []any{object2("category", "operation", "rate", "1 %")},
		"carbon_price", object2("amount", "80 EUR/t", "real_growth", "1 %")))))
	inNominal := compare(t, svc, request(t, economics(object2("nominal_discount_rate", "5.06 %", "inflation", "2 %", "nominal_escalation", []any{object2("category", "operation", "rate", "3.02 %")},
		"carbon_price", object2("amount", "80 EUR/t", "nominal_growth", "3.02 %")))))
	for i := range inNominal.Alternatives {
		c := inNominal.Alternatives[i].Cost
		if c.BothWays == nil || !c.BothWays.Agree || !c.BothWays.DifferencePerM2.IsZero() || !c.BothWays.RealPerM2.Equal(c.BothWays.NominalPerM2.Decimal) {
			t.Errorf("%+v", c.BothWays)
		}
		if off := c.BothWays.RealPerM2.Sub(c.NetPresentValuePerM2.Decimal).Abs(); off.GreaterThan(dec("0.0001")) {
			t.Errorf("the check is of %s, the net present value %s", c.BothWays.RealPerM2, c.NetPresentValuePerM2)
		}
		c.BothWays = nil
	}
	if diff := cmp.Diff(inReal.Alternatives, inNominal.Alternatives); diff != "" {
		t.Error(diff)
	}
	eco := inNominal.Economics
	if eco.RealDiscountRate.String() != "0.03" || eco.NominalDiscountRate.String() != "0.0506" || eco.Inflation.String() != "0.02" || eco.PriceBasis != "real" ||
		eco.RealEscalation[0].Rate.String() != "0.01" || eco.NominalEscalation[0].Rate.String() != "0.0302" {
		t.Errorf("%+v", eco)
	}
	if inReal.Economics.NominalDiscountRate != nil || inReal.Alternatives[0].Cost.BothWays != nil {
		t.Error("a request in real terms is told of nominal ones")
	}
}

// A nominal rate or an inflation of zero is a rate, which the answer repeats.
func TestNominalRateOfZeroIsSaid(t *testing.T) {
	r := compare(t, newService(t), request(t, economics(object2("nominal_discount_rate", "0 %", "inflation", "0 %"))))
	text, err := service.Encode(r.Economics)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(text), `"nominal_discount_rate":"0","inflation":"0",`) {
		t.Error(string(text))
	}
	text, err = service.Encode(compare(t, newService(t), request(t)).Economics)
	if err != nil || strings.Contains(string(text), "inflation") {
		t.Error("a request in real terms is told of inflation: ", string(text), err)
	}
}

// Whatever the rates, both ways agree.
func TestBothWaysAgreeForAnyRates(t *testing.T) {
	svc := newService(t)
	rapid.Check(t, func(rt *rapid.T) {
		percent := func(name string) string {
			return decimal.New(rapid.Int64Range(-50, 150).Draw(rt, name), -1).String() + " %"
		}
		r := compare(t, svc, request(t, economics(object2("nominal_discount_rate", percent("D"), "inflation", percent("I"),
			"nominal_escalation", []any{object2("category", "operation", "rate", percent("E"))}))))
		for _, a := range r.Alternatives {
			if !a.Cost.BothWays.Agree {
				rt.Fatalf("%+v", a.Cost.BothWays)
			}
		}
	})
}

// Real rates with nominal flows make nonsense, and so do two rates, or none.
func TestFaultsOfTheDiscountRate(t *testing.T) {
	svc := newService(t)
	escalation := []any{object2("category", "fuel", "rate", "1 %")}
	const at = "/economics"
	for _, c := range []struct {
		name          string
		economics     map[string]any
		pointer, code string
	}{
		{"none", object2(), at + "/real_discount_rate", "required-member-missing"},
		{"no inflation", object2("nominal_discount_rate", "5 %"), at + "/inflation", "required-member-missing"},
		{"both rates", object2("nominal_discount_rate", "5 %", "inflation", "2 %", "real_discount_rate", "3 %"), at + "/real_discount_rate", "real-nominal-mixed"},
		{"real rate, nominal flows", object2("real_discount_rate", "3 %", "nominal_escalation", escalation), at + "/nominal_escalation", "real-nominal-mixed"},
		{"nominal rate, real flows", object2("nominal_discount_rate", "5 %", "inflation", "2 %", "real_escalation", escalation), at + "/real_escalation", "real-nominal-mixed"},
		{"real rate and inflation", object2("real_discount_rate", "3 %", "inflation", "2 %"), at + "/inflation", "real-nominal-mixed"},
		{"nominal rate, real carbon", object2("nominal_discount_rate", "5 %", "inflation", "2 %", "carbon_price", object2("amount", "80 EUR/t", "real_growth", "2 %")), at + "/carbon_price/real_growth", "real-nominal-mixed"},
		{"real rate, nominal carbon", object2("real_discount_rate", "3 %", "carbon_price", object2("amount", "80 EUR/t", "nominal_growth", "2 %")), at + "/carbon_price/nominal_growth", "real-nominal-mixed"},
		{"rate and schedule", object2("real_discount_rate", "3 %", "discount_rate_schedule", []any{object2("from_year", 0, "rate", "3 %")}), at, "one-of"},
		{"nominal rate and schedule", object2("nominal_discount_rate", "5 %", "inflation", "2 %", "discount_rate_schedule", []any{object2("from_year", 0, "rate", "3 %")}), at + "/discount_rate_schedule", "real-nominal-mixed"},
		{"schedule from year 1", object2("discount_rate_schedule", []any{object2("from_year", 1, "rate", "3 %")}), at + "/discount_rate_schedule/0/from_year", "out-of-range"},
		{"schedule that falls back", object2("discount_rate_schedule", []any{object2("from_year", 0, "rate", "3 %"), object2("from_year", 0, "rate", "2 %")}), at + "/discount_rate_schedule/1/from_year", "out-of-range"},
		{"rate of a schedule", object2("discount_rate_schedule", []any{object2("from_year", 0, "rate", "-100 %")}), at + "/discount_rate_schedule/0/rate", "out-of-range"},
		{"a real rate beyond", object2("nominal_discount_rate", "-50 %", "inflation", "100 %"), at + "/nominal_discount_rate", "out-of-range"},
		{"escalation of nothing", object2("real_discount_rate", "3 %", "real_escalation", []any{object2("rate", "1 %")}), at + "/real_escalation/0", "one-of"},
		{"escalation of a recipe", object2("real_discount_rate", "3 %", "real_escalation", []any{object2("item", "joint-sawing", "rate", "1 %")}), at + "/real_escalation/0/item", "price-missing"},
		{"escalation twice", object2("real_discount_rate", "3 %", "real_escalation", []any{object2("item", "diesel", "rate", "1 %"), object2("item", "diesel", "rate", "1 %")}), at + "/real_escalation/1/item", "duplicate-name"},
	} {
		t.Run(c.name, func(t *testing.T) {
			wantFault(t, faults(t, svc, request(t, economics(c.economics))), c.pointer, c.code)
		})
	}
}

// --- schedules and escalation ---

// A schedule of one rate is that rate, to the last digit of every figure.
func TestConstantScheduleIsThePlainRate(t *testing.T) {
	svc := newService(t)
	price := object2("amount", "80 EUR/t", "real_growth", "2 %")
	escalation := []any{object2("category", "operation", "rate", "1.5 %")}
	plain := compare(t, svc, request(t, economics(object2("real_discount_rate", "3 %", "carbon_price", price, "real_escalation", escalation))))
	scheduled := compare(t, svc, request(t, economics(object2("discount_rate_schedule", []any{object2("from_year", 0, "rate", "3 %"), object2("from_year", 20, "rate", "3 %")}, "carbon_price", price, "real_escalation", escalation))))
	if diff := cmp.Diff(plain.Alternatives, scheduled.Alternatives); diff != "" {
		t.Error(diff)
	}
	if !plain.Economics.CapitalRecoveryFactor.Equal(scheduled.Economics.CapitalRecoveryFactor.Decimal) || scheduled.Economics.RealDiscountRate != nil || len(scheduled.Economics.DiscountRateSchedule) != 2 {
		t.Errorf("%+v", scheduled.Economics)
	}
}

// UK Treasury, The Green Book (rates from memory): 3.5 % to year 30, then 3.0 %. The
// factor of year 36 is 1.035^-30 × 1.03^-6; an annual value is the present value over
// the sum of the factors.
func TestDecliningRates(t *testing.T) {
	svc := newService(t)
	r := compare(t, svc, request(t, economics(object2("discount_rate_schedule", []any{object2("from_year", 0, "rate", "3.5 %"), object2("from_year", 31, "rate", "3 %"), object2("from_year", 76, "rate", "2.5 %")},
		"carbon_price", object2("amount", "80 EUR/t"))), edit{"/alternatives/0/maintenance/2/years", []any{36}}))
	want := map[int]string{0: "1.000000", 30: "0.356278", 36: "0.298378"}
	seen := map[int]bool{}
	c := r.Alternatives[0].Cost
	for _, l := range c.Lines {
		if w, ok := want[l.Year]; ok {
			seen[l.Year] = true
			if got := printed(l.DiscountFactor.Decimal, 6); got != w {
				t.Errorf("year %d: %s, want %s", l.Year, got, w)
			}
		}
	}
	for _, l := range c.CarbonPrice.Lines {
		if w, ok := want[l.Year]; ok && printed(l.DiscountFactor.Decimal, 6) != w {
			t.Errorf("carbon in year %d: %s, want %s", l.Year, l.DiscountFactor, w)
		}
	}
	if len(seen) != len(want) {
		t.Errorf("only the years %v were seen", seen)
	}
	sum, factor := dec("0"), dec("1")
	for year := 1; year <= 40; year++ {
		rate := dec("1.035")
		if year > 30 {
			rate = dec("1.03")
		}
		factor = factor.DivRound(rate, 40)
		sum = sum.Add(factor)
	}
	if got, want := c.EquivalentAnnualPerM2.Decimal, c.NetPresentValuePerM2.DivRound(sum, 6); !got.Equal(want) {
		t.Errorf("annual %s, want %s", got, want)
	}
}

// What is said of an item goes before what is said of its category, and of nothing
// else.
func TestEscalationOfOneItem(t *testing.T) {
	svc := newService(t)
	factor := func(rates ...any) map[string]string {
		r := compare(t, svc, request(t, edit{"/economics/real_escalation", rates}))
		list := map[string]string{}
		for _, l := range r.Alternatives[0].Cost.Lines {
			if l.Year == 10 {
				list[l.Item] = printed(l.EscalationFactor.Decimal, 6)
			}
		}
		return list
	}
	category := ""
	v, err := svc.Version(t.Context(), "demo", 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, it := range v.Items {
		if it.Code == "joint-resealing" {
			category = string(it.Category)
		}
	}
	none := factor()
	both := factor(object2("category", category, "rate", "5 %"), object2("item", "joint-resealing", "rate", "1 %"))
	if none["joint-resealing"] != "1.000000" || both["joint-resealing"] != "1.104622" { // 1.01^10
		t.Errorf("%v, %v", none, both)
	}
	alone := factor(object2("item", "joint-resealing", "rate", "1 %"))
	for item, f := range alone {
		if want := map[bool]string{true: "1.104622", false: "1.000000"}[item == "joint-resealing"]; f != want {
			t.Errorf("%s escalates by %s, want %s", item, f, want)
		}
	}
}

// --- user cost and the price of carbon ---

// The slab that is cheaper for the agency closes the road more often: counting what
// users pay, the other one wins. Both are shown either way.
func TestSwitchingUserCostChangesTheWinner(t *testing.T) {
	svc := newService(t)
	edits := []edit{
		{"/alternatives/1/maintenance", []any{event("item", "surface-grinding", "years", []any{25}, "life_years", 15, "user_cost", "0.10 EUR/m2")}},
		{"/alternatives/2/maintenance", []any{event("item", "partial-patching", "every_years", 4, "share", "0.1 %", "user_cost", "9 EUR/m2")}},
	}
	body := func(include any) []byte {
		list := slices.Clone(edits)
		if include != nil {
			list = append(list, edit{"/economics/include_user_cost", include})
		}
		return request(t, list...)
	}
	first := func(list []service.Rank) string { return list[0].Name }
	off, on, absent := compare(t, svc, body(false)), compare(t, svc, body(true)), compare(t, svc, body(nil))
	if a, b := first(off.Comparison.Ranking.ByNetPresentValue), first(on.Comparison.Ranking.ByNetPresentValue); a != "fibre, staged" || b != "fibre" {
		t.Errorf("the agency's winner is %s, with users it is %s", a, b)
	}
	for _, r := range []*service.ComparisonResponse{off, on} {
		k := r.Comparison.Ranking
		if first(k.WithoutUserCost) != "fibre, staged" || first(k.WithUserCost) != "fibre" {
			t.Errorf("%+v", k)
		}
		for _, a := range r.Alternatives {
			u := a.Cost.UserCost
			users := dec("0") // where the plan says nothing of them
			if v := a.Cost.UserPresentValuePerM2; v != nil {
				users = v.Decimal
			}
			if want := u.WithoutPerM2.Add(users); !u.WithPerM2.Equal(want) {
				t.Errorf("%s with users, want %s", u.WithPerM2, want)
			}
			want, annual := u.WithoutPerM2, u.EquivalentAnnualWithout
			if u.Included {
				want, annual = u.WithPerM2, u.EquivalentAnnualWithPerM2
			}
			if !a.Cost.NetPresentValuePerM2.Equal(want.Decimal) || !a.Cost.EquivalentAnnualPerM2.Equal(annual.Decimal) {
				t.Errorf("net present value %s of %+v", a.Cost.NetPresentValuePerM2, u)
			}
		}
	}
	for i, a := range absent.Alternatives {
		off.Alternatives[i].Cost.UserCost = nil
		if diff := cmp.Diff(a, off.Alternatives[i]); diff != "" || absent.Comparison.Ranking.WithUserCost != nil {
			t.Errorf("without the member it does not count: %s", diff)
		}
	}
}

// Only where it is asked for is the price of emissions in the cost, and then in all
// that rests on it; a price of zero changes nothing.
func TestCarbonPriceInCostWhereAsked(t *testing.T) {
	svc := newService(t)
	priced := func(amount string, in bool) *service.ComparisonResponse {
		return compare(t, svc, request(t, edit{"/economics/carbon_price", object2("amount", amount, "in_cost", in, "price_year", 2020, "source", "invented")}))
	}
	plain := compare(t, svc, request(t))
	beside, within, nothing := priced("200 EUR/t", false), priced("200 EUR/t", true), priced("0 EUR/t", true)
	for i, a := range within.Alternatives {
		c := a.Cost.CarbonPrice
		if !a.Cost.NetPresentValuePerM2.Equal(beside.Alternatives[i].Cost.CarbonPrice.NetPresentValueWithCarbonPerM2.Decimal) ||
			!beside.Alternatives[i].Cost.NetPresentValuePerM2.Equal(plain.Alternatives[i].Cost.NetPresentValuePerM2.Decimal) {
			t.Errorf("%s: %+v", a.Cost.NetPresentValuePerM2, c)
		}
		if !c.InCost || c.PriceYear != 2020 || c.Currency != "EUR" || c.PriceSource != "invented" {
			t.Errorf("%+v", c)
		}
		if diff := cmp.Diff(plain.Alternatives[i].Carbon, a.Carbon); diff != "" {
			t.Errorf("carbon itself is not discounted: %s", diff)
		}
		nothing.Alternatives[i].Cost.CarbonPrice = nil
		if diff := cmp.Diff(plain.Alternatives[i], nothing.Alternatives[i]); diff != "" {
			t.Errorf("a price of zero: %s", diff)
		}
	}
	if diff := cmp.Diff(plain.Comparison, nothing.Comparison); diff != "" {
		t.Errorf("a price of zero: %s", diff)
	}
}

// US EPA, December 2023, social cost of CO2 at 2.5, 2 and 1.5 % in 2020 dollars per
// tonne (read as quoted), in 2020, 2030, 2040 and 2050. Works begun in 2020.
func TestPublishedCarbonPrices(t *testing.T) {
	svc := newService(t)
	for rate, prices := range map[string][]string{"2.5 %": {"120", "140", "170", "200"}, "2 %": {"190", "230", "270", "310"}, "1.5 %": {"340", "380", "430", "480"}} {
		var table []any
		want := map[int]string{}
		for i, price := range prices {
			table = append(table, object2("from_year", 10*i, "amount", price+" EUR/t"))
			want[10*i] = dec(price).Shift(-3).String()
		}
		r := compare(t, svc, request(t, edit{"/economics/carbon_price", object2("by_year", table, "price_year", 2020)}))
		seen := 0
		for _, l := range r.Alternatives[0].Cost.CarbonPrice.Lines {
			if w, ok := want[l.Year]; ok {
				if seen++; l.PricePerKg.String() != w {
					t.Errorf("at %s, year %d: %s, want %s", rate, l.Year, l.PricePerKg, w)
				}
			}
		}
		if seen != 4 {
			t.Errorf("at %s: %d of the four years have emissions", rate, seen)
		}
	}
}

// --- maintenance ---

// A plan by name is the plan, with everything that follows from it.
func TestStrategyByNameIsItsEvents(t *testing.T) {
	svc := newService(t)
	plan := []any{
		event("item", "joint-resealing", "every_years", 8),
		event("item", "surface-grinding", "at_age_years", 20, "life_years", 9, "user_cost", "0.50 EUR/m2"),
	}
	listed := compare(t, svc, request(t, edit{"/alternatives/0/maintenance", plan}))
	named := compare(t, svc, request(t, edit{"/strategies", []any{object2("name", "other", "maintenance", []any{}), object2("name", "grind", "maintenance", plan)}},
		edit{"/alternatives/0/maintenance", remove}, edit{"/alternatives/0/strategy", "grind"}))
	for i := range named.Alternatives {
		a := &named.Alternatives[i]
		if a.Strategy != "grind" || a.Resolved.Strategy != "" || len(a.Resolved.Maintenance) != 2 {
			t.Errorf("%s: %q, %+v", a.Name, a.Strategy, a.Resolved)
		}
		a.Strategy = ""
		for k, l := range a.Cost.Lines { // an amount of the plan is told where it stands
			a.Cost.Lines[k].Source = strings.Replace(l.Source, "request/strategies/1", "request", 1)
		}
	}
	if diff := cmp.Diff(listed.Alternatives, named.Alternatives); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff(listed.Comparison, named.Comparison); diff != "" {
		t.Error(diff)
	}
}

// Whatever the plan.
func TestAnyStrategyIsItsEvents(t *testing.T) {
	svc := newService(t)
	rapid.Check(t, func(rt *rapid.T) {
		plan := []any{}
		for i, item := range []string{"joint-resealing", "surface-grinding", "partial-patching"} {
			n := rapid.IntRange(1, 45).Draw(rt, item)
			way := rapid.SampledFrom([]map[string]any{object2("every_years", n), object2("years", []any{n}), object2("at_age_years", n), object2("at_age_years", n, "life_years", 7)}).Draw(rt, "way")
			if _, aged := way["at_age_years"]; aged && i > 0 && rapid.Bool().Draw(rt, "follows") {
				way["after"] = "joint-resealing"
			}
			way["item"], way["share"] = item, "50 %"
			plan = append(plan, way)
		}
		listed := compare(t, svc, request(t, edit{"/alternatives/0/maintenance", plan}))
		named := compare(t, svc, request(t, edit{"/strategies", []any{object2("name", "plan", "maintenance", plan)}}, edit{"/alternatives/0/maintenance", remove}, edit{"/alternatives/0/strategy", "plan"}))
		for i, a := range named.Alternatives {
			if diff := cmp.Diff(listed.Alternatives[i].Cost, a.Cost); diff != "" {
				rt.Fatal(diff)
			}
			if diff := cmp.Diff(listed.Alternatives[i].Carbon, a.Carbon); diff != "" {
				rt.Fatal(diff)
			}
		}
	})
}

// Of an alternative and the one that it is like, the one laid over gives the plan.
func TestStrategyAndListTakeEachOthersPlace(t *testing.T) {
	svc := newService(t)
	strategies := edit{"/strategies", []any{object2("name", "grind", "maintenance", []any{event("item", "surface-grinding", "years", []any{25})})}}
	r := compare(t, svc, request(t, strategies, edit{"/alternatives/1/strategy", "grind"}, edit{"/alternatives/2/maintenance", []any{event("item", "joint-resealing", "years", []any{7})}}))
	for i, want := range []string{"[25]", "[25]", "[]"} {
		if got := fmt.Sprint(years(r.Alternatives[i], "surface-grinding")); got != want {
			t.Errorf("alternative %d grinds in %s, want %s", i, got, want)
		}
	}
	if got := years(r.Alternatives[1], "partial-patching"); got != nil {
		t.Errorf("what it is like had another plan, which still patches in %v", got)
	}
	list := faults(t, svc, request(t, strategies, edit{"/alternatives/0/strategy", "grind"}))
	wantFault(t, list, "/alternatives/0/strategy", "one-of")
}

// What is triggered by age: of the slab, and then of itself; of another treatment,
// until that is done again.
func TestTreatmentsByAge(t *testing.T) {
	svc := newService(t)
	for _, c := range []struct {
		name               string
		plan               []any
		grinding, patching string
	}{
		{"once", []any{event("item", "surface-grinding", "at_age_years", 25)}, "[25]", "[]"},
		{"and again at the end of its life", []any{event("item", "surface-grinding", "at_age_years", 15, "life_years", 10)}, "[15 25 35]", "[]"},
		{"as often as it is replaced", []any{event("item", "surface-grinding", "at_age_years", 20, "life_years", 20)}, "[20]", "[]"},
		{"after another", []any{event("item", "partial-patching", "after", "surface-grinding", "at_age_years", 6, "share", "1 %"), event("item", "surface-grinding", "years", []any{12, 30})}, "[12 30]", "[18 36]"},
		{"after another, until that is done again", []any{event("item", "surface-grinding", "years", []any{12, 30}), event("item", "partial-patching", "after", "surface-grinding", "at_age_years", 6, "life_years", 6, "share", "1 %")}, "[12 30]", "[18 24 36]"},
		{"too old for the period", []any{event("item", "surface-grinding", "at_age_years", 40)}, "[]", "[]"},
	} {
		r := compare(t, svc, request(t, edit{"/alternatives/0/maintenance", c.plan}, edit{"/alternatives/0/residual", object2("method", "none")})).Alternatives[0]
		if got := fmt.Sprint(years(r, "surface-grinding")); got != c.grinding {
			t.Errorf("%s: grinding in %s, want %s", c.name, got, c.grinding)
		}
		if got := fmt.Sprint(years(r, "partial-patching")); got != c.patching {
			t.Errorf("%s: patching in %s, want %s", c.name, got, c.patching)
		}
		if c.grinding == "[]" {
			wantStatement(t, r.Warnings, "event-outside-period", "40 years")
		}
	}
}

// What was ground away has no value left.
func TestCoveredTreatmentHasNoResidualValue(t *testing.T) {
	svc := newService(t)
	of := func(grind ...any) []string {
		r := compare(t, svc, request(t, edit{"/alternatives/0/maintenance", []any{event("item", "surface-grinding", "years", grind), event("item", "partial-patching", "after", "surface-grinding", "at_age_years", 10, "life_years", 25, "share", "1 %")}}))
		var uses []string
		for _, l := range r.Alternatives[0].Cost.Lines {
			if l.Kind == "residual" && strings.Contains(l.Use, "patching") {
				uses = append(uses, l.Use)
			}
		}
		return uses
	}
	if got := of(10); len(got) != 1 || got[0] != "remaining life of partial-patching, 5 of 25 years" {
		t.Errorf("%v", got)
	}
	if got := of(10, 35); got != nil {
		t.Errorf("ground away in year 35: %v", got)
	}
}

func TestFaultsOfAPlan(t *testing.T) {
	svc := newService(t)
	const at = "/alternatives/0/maintenance"
	for _, c := range []struct {
		name          string
		plan          []any
		pointer, code string
	}{
		{"two ways", []any{event("item", "surface-grinding", "at_age_years", 5, "years", []any{5})}, at + "/0", "one-of"},
		{"after without an age", []any{event("item", "surface-grinding", "years", []any{5}, "after", "joint-resealing")}, at + "/0/after", "not-used"},
		{"after what is not planned", []any{event("item", "surface-grinding", "at_age_years", 5, "after", "joint-resealing")}, at + "/0/after", "event-unknown"},
		{"after itself", []any{event("item", "surface-grinding", "at_age_years", 5, "after", "surface-grinding")}, at + "/0/after", "event-cycle"},
		{"in a ring", []any{event("item", "surface-grinding", "at_age_years", 5, "after", "joint-resealing"), event("item", "joint-resealing", "at_age_years", 5, "after", "surface-grinding")}, at + "/1/after", "event-cycle"},
	} {
		t.Run(c.name, func(t *testing.T) {
			wantFault(t, faults(t, svc, request(t, edit{at, c.plan})), c.pointer, c.code)
		})
	}
	bad := []any{object2("name", "a", "maintenance", []any{event("item", "surface-grindin", "years", []any{0})}), object2("name", "a", "maintenance", []any{})}
	list := faults(t, svc, request(t, edit{"/strategies", bad}, edit{at, remove}, edit{"/alternatives/0/strategy", "a"}, edit{"/alternatives/2/strategy", "b"}))
	wantFault(t, list, "/strategies/1/name", "duplicate-name")
	wantFault(t, list, "/strategies/0/maintenance/0/item", "item-unknown", "surface-grinding")
	wantFault(t, list, "/strategies/0/maintenance/0/years/0", "out-of-range")
	wantFault(t, list, "/alternatives/2/strategy", "strategy-unknown")
}

// FHWA practice (worked): a rehabilitation of 330,000 in year 30 with a life of 15 has
// 220,000 left after 35 years, 55,751.40 today at 4 %; here per thousand.
func TestResidualValueOfARehabilitation(t *testing.T) {
	svc := newService(t)
	rows := string(file(t, "../testdata/demo/items.csv"))
	head, _, _ := strings.Cut(rows, "\n")
	columns := strings.Split(strings.TrimSpace(head), ",")
	cells := make([]string, len(columns))
	for name, text := range map[string]string{"code": "rehabilitation", "category": "operation", "name": "Rehabilitation", "unit": "m2", "module": "B5", "price": "330", "price_date": "2026-01-01", "price_currency": "EUR", "currency": "EUR",
		"gwp_process": "1", "factor_source_kind": "invented", "factor_source_title": "test", "price_source_kind": "invented", "price_source_title": "test", "price_basis": "delivered", "price_tax": "excluded"} {
		if i := slices.Index(columns, name); i >= 0 {
			cells[i] = text
		}
	}
	publish(t, svc, "rehab", strings.TrimRight(rows, "\n")+"\n"+strings.Join(cells, ",")+"\n")
	body := request(t, edit{"/inventory", "rehab@1"}, edit{"/economics/real_discount_rate", "4 %"}, edit{"/functional_unit/analysis_period_years", 35},
		edit{"/alternatives/0/residual", object2("method", "remaining_life", "life_years", 35)},
		edit{"/alternatives/0/maintenance", []any{event("item", "rehabilitation", "years", []any{30, 35}, "life_years", 15)}})
	a := compare(t, svc, body).Alternatives[0]
	wantStatement(t, a.Warnings, "event-outside-period", "year 35 is dropped")
	last := a.Cost.Lines[len(a.Cost.Lines)-1]
	if last.Kind != "residual" || !last.CostPerM2.Equal(dec("220")) || printed(last.PresentValuePerM2.Decimal, 5) != "55.75140" {
		t.Errorf("%+v", last)
	}
	if factor, err := cost.SinglePresentValue(dec("0.04"), 35); err != nil || !last.DiscountFactor.Equal(factor) {
		t.Errorf("%s, %v", last.DiscountFactor, err)
	}
}

// The new members can be varied like any other.
func TestBreakEvenInTheMembersOfAWholeLife(t *testing.T) {
	svc := newService(t)
	edits := []edit{{"/alternatives/1/slab/thickness", "120 mm"}, {"/alternatives/1/maintenance", remove}, {"/alternatives/1/strategy", "grind"},
		{"/strategies", []any{object2("name", "grind", "maintenance", []any{event("item", "surface-grinding", "at_age_years", 4, "life_years", 4, "share", "90 %")})}}}
	rate := func(eco map[string]any) []byte { return request(t, append(slices.Clone(edits), economics(eco))...) }
	inReal := mustBreakEven(t, svc, rate(object2("real_discount_rate", "3 %")), object2("variable", object2("pointer", "/economics/real_discount_rate", "unit", "%"), "range", object2("low", "0", "high", "50")))
	inNominal := mustBreakEven(t, svc, rate(object2("nominal_discount_rate", "5.06 %", "inflation", "2 %")), object2("variable", object2("pointer", "/economics/nominal_discount_rate", "unit", "%"), "range", object2("low", "2", "high", "53")))
	if len(inReal.Crossings) != 1 || len(inNominal.Crossings) != 1 {
		t.Fatalf("%s; %s", inReal.Conclusion, inNominal.Conclusion)
	}
	d, _ := cost.Nominal(inReal.Crossings[0].Value.Shift(-2), dec("0.02"))
	if off := d.Shift(2).Sub(inNominal.Crossings[0].Value.Decimal).Abs(); off.GreaterThan(dec("0.0001")) {
		t.Errorf("%s real is %s nominal, found %s", inReal.Crossings[0].Value, d.Shift(2), inNominal.Crossings[0].Value)
	}
	scheduled := mustBreakEven(t, svc, rate(object2("discount_rate_schedule", []any{object2("from_year", 0, "rate", "3 %")})), object2("variable", object2("pointer", "/economics/discount_rate_schedule/0/rate", "unit", "%"), "range", object2("low", "0", "high", "50")))
	if diff := cmp.Diff(inReal.Crossings, scheduled.Crossings); diff != "" {
		t.Error(diff)
	}
	share := mustBreakEven(t, svc, rate(object2("real_discount_rate", "3 %")), object2("variable", object2("pointer", "/strategies/0/maintenance/0/share", "unit", "%"), "range", object2("low", "1", "high", "100")))
	if len(share.Crossings) != 1 || !share.Crossings[0].Tie {
		t.Errorf("%s", share.Conclusion)
	}
}
