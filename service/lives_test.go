package service_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"slabledger/service"
)

// lives is the demo with a service life for each slab.
func lives(method string, period int, each [3]int, more ...edit) []edit {
	edits := []edit{{"/functional_unit/unequal_lives", method}, {"/functional_unit/analysis_period_years", period}, {"/alternatives/0/residual", object2("method", "none")}}
	for i, life := range each {
		edits = append(edits, edit{fmt.Sprintf("/alternatives/%d/slab/service_life_years", i), life})
	}
	return append(edits, more...)
}

// Over a period into which the lives fit, each slab is built anew at the end of its
// life, as B4 with the disposal of the old one, and its plan begins again.
func TestUnequalLivesOverACommonPeriod(t *testing.T) {
	svc := newService(t)
	disposal := edit{"/alternatives/0/end_of_life", []any{object2("item", "concrete-landfill", "module", "C4")}}
	plan := edit{"/alternatives/0/maintenance", []any{event("item", "joint-resealing", "years", []any{8, 25}), event("item", "surface-grinding", "at_age_years", 12)}}
	r := compare(t, svc, request(t, lives("common_period", 60, [3]int{20, 30, 60}, disposal, plan)...))
	u := r.Comparison.UnequalLives
	if u == nil || *u.LeastCommonMultipleYears != 60 || r.Comparison.Ranking == nil || !strings.Contains(u.Reason, "60 years") {
		t.Fatalf("%+v", u)
	}
	for i, want := range []struct{ built, sealed, ground string }{
		{"[20 40]", "[8 28 48]", "[12 32 52]"},
		{"[30]", "[8 25 38 55]", "[12 42]"},
		{"[]", "[8 25]", "[12]"},
	} {
		a := r.Alternatives[i]
		if got := fmt.Sprint(a.Life.BuiltAnewInYears); got != want.built || a.Life.Replacements != len(a.Life.BuiltAnewInYears) {
			t.Errorf("%s is built anew in %s, %d times, want %s", a.Name, got, a.Life.Replacements, want.built)
		}
		if got := fmt.Sprint(years(a, "joint-resealing")); got != want.sealed {
			t.Errorf("%s is sealed in %s, want %s", a.Name, got, want.sealed)
		}
		if got := fmt.Sprint(years(a, "surface-grinding")); got != want.ground {
			t.Errorf("%s is ground in %s, want %s", a.Name, got, want.ground)
		}
		// Each renewal costs and emits what the first slab did, and its disposal.
		initial, disposed := a.Carbon.Modules.A1A3.Add(a.Carbon.Modules.A4.Decimal).Add(a.Carbon.Modules.A5.Decimal), a.Carbon.Modules.C4.Decimal
		if want := initial.Add(disposed).Mul(dec(fmt.Sprint(a.Life.Replacements))); !a.Carbon.Modules.B4.Equal(want) {
			t.Errorf("%s: B4 is %s, want %s", a.Name, a.Carbon.Modules.B4, want)
		}
		for _, year := range a.Life.BuiltAnewInYears {
			sum := dec("0")
			for _, l := range a.Cost.Lines {
				if l.Year == year {
					sum = sum.Add(l.CostPerM2.Decimal)
				}
			}
			if !sum.Equal(a.Cost.InitialPerM2.Decimal) {
				t.Errorf("%s costs %s in year %d, was %s", a.Name, sum, year, a.Cost.InitialPerM2)
			}
		}
	}
	wantStatement(t, r.Alternatives[0].Assumptions, "slab-renewed", "2 of the 60 years")
	wantStatement(t, r.Alternatives[0].Warnings, "event-outside-period", "the slab ends")
}

// A period that cuts the last life off: what is left is credited where that is asked,
// else it is said.
func TestPeriodThatCutsALife(t *testing.T) {
	svc := newService(t)
	none := compare(t, svc, request(t, lives("common_period", 40, [3]int{30, 40, 40})...)).Alternatives[0]
	wantStatement(t, none.Warnings, "life-cut-off", "20 of the 30 years")
	r := compare(t, svc, request(t, lives("common_period", 40, [3]int{30, 40, 40}, edit{"/alternatives/0/residual", object2("method", "remaining_life", "life_years", 30)},
		edit{"/alternatives/1/residual", object2("life_years", 40)})...))
	a := r.Alternatives[0]
	last := a.Cost.Lines[len(a.Cost.Lines)-1]
	if want := a.Cost.InitialPerM2.Mul(dec("20").DivRound(dec("30"), 12)); last.Kind != "residual" || last.Use != "remaining life of the slab, 20 of 30 years" || last.CostPerM2.Sub(want).Abs().GreaterThan(dec("0.00001")) {
		t.Errorf("%+v, want %s", last, want)
	}
	wantFault(t, faults(t, svc, request(t, lives("common_period", 40, [3]int{30, 40, 40}, edit{"/alternatives/0/residual", object2("method", "remaining_life", "life_years", 35)})...)), "/alternatives/0/residual/life_years", "life-differs")
}

// Where all live as long as the period, nothing else changes.
func TestEqualLivesChangeNothing(t *testing.T) {
	svc := newService(t)
	plain := compare(t, svc, request(t, edit{"/alternatives/0/residual", object2("method", "none")}))
	for _, method := range []string{"common_period", "annual_equivalent"} {
		same := compare(t, svc, request(t, lives(method, 40, [3]int{40, 40, 40})...))
		for i := range same.Alternatives {
			a := &same.Alternatives[i]
			if a.Life == nil || a.Life.StudiedYears != 40 || a.Life.Replacements != 0 || !a.Life.CapitalRecoveryFactor.Equal(plain.Economics.CapitalRecoveryFactor.Decimal) {
				t.Errorf("%+v", a.Life)
			}
			a.Life, a.Resolved.Slab.ServiceLifeYears = nil, 0
		}
		if diff := cmp.Diff(plain.Alternatives, same.Alternatives); diff != "" {
			t.Errorf("%s: %s", method, diff)
		}
	}
}

// By annual equivalents each slab is studied over its own life: its figures are those
// of an analysis over that life alone, and they are compared by the year.
func TestUnequalLivesByAnnualEquivalents(t *testing.T) {
	svc := newService(t)
	each := [3]int{25, 40, 50}
	r := compare(t, svc, request(t, lives("annual_equivalent", 60, each)...))
	if r.Comparison.Comparable || r.Comparison.Ranking != nil || r.Comparison.Deltas[1].NetPresentValuePerM2 != nil || r.Comparison.Deltas[1].TotalKgCO2ePerM2 != nil || r.Comparison.Deltas[1].EquivalentAnnualPerM2 == nil {
		t.Errorf("totals over different years were compared: %+v", r.Comparison)
	}
	u := r.Comparison.UnequalLives
	if len(u.ByEquivalentAnnual) != 3 || len(u.ByAnnualCarbon) != 3 || u.LeastCommonMultipleYears != nil {
		t.Fatalf("%+v", u)
	}
	for i, a := range r.Alternatives {
		alone := compare(t, svc, request(t, edit{"/functional_unit/analysis_period_years", each[i]}, edit{"/alternatives/0/residual", object2("method", "none")})).Alternatives[i]
		if diff := cmp.Diff(alone.Cost, a.Cost); diff != "" {
			t.Errorf("%s: %s", a.Name, diff)
		}
		if diff := cmp.Diff(alone.Carbon, a.Carbon); diff != "" {
			t.Errorf("%s: %s", a.Name, diff)
		}
		want := a.Carbon.TotalKgCO2ePerM2.DivRound(dec(fmt.Sprint(each[i])), 6)
		if f := u.Annual[i]; f.StudiedYears != each[i] || f.CarbonPerM2Year.Sub(want).Abs().GreaterThan(dec("0.000001")) || !f.EquivalentAnnualPerM2.Equal(a.Cost.EquivalentAnnualPerM2.Decimal) {
			t.Errorf("%+v, want %s", f, want)
		}
	}
	lowest := slices.MinFunc(u.Annual, func(a, b service.AnnualFigure) int {
		return a.EquivalentAnnualPerM2.Cmp(b.EquivalentAnnualPerM2.Decimal)
	})
	if u.ByEquivalentAnnual[0].Name != lowest.Name {
		t.Errorf("%s is first, %s is lowest", u.ByEquivalentAnnual[0].Name, lowest.Name)
	}
}

// Built anew for ever at the same real price, a slab has the same equivalent annual
// cost over one life and over many (ASTM E917).
func TestAnnualEquivalentOfRepeatedLives(t *testing.T) {
	svc := newService(t)
	one := compare(t, svc, request(t, lives("annual_equivalent", 60, [3]int{20, 30, 60})...))
	many := compare(t, svc, request(t, lives("common_period", 60, [3]int{20, 30, 60})...))
	for i := range one.Alternatives {
		a, b := one.Alternatives[i].Cost.EquivalentAnnualPerM2, many.Alternatives[i].Cost.EquivalentAnnualPerM2
		if a.Sub(b.Decimal).Abs().GreaterThan(dec("0.00001")) { // lines are rounded to 6 decimals, a few hundred of them
			t.Errorf("%s: %s over one life, %s over many", one.Alternatives[i].Name, a, b)
		}
	}
}

func TestFaultsOfUnequalLives(t *testing.T) {
	svc := newService(t)
	wantFault(t, faults(t, svc, request(t, edit{"/alternatives/0/slab/service_life_years", 40})), "/alternatives/0/slab/service_life_years", "not-used")
	wantFault(t, faults(t, svc, request(t, edit{"/functional_unit/unequal_lives", "common_period"})), "/alternatives/0/slab/service_life_years", "required-member-missing")
	wantFault(t, faults(t, svc, request(t, lives("common_period", 40, [3]int{200, 40, 40})...)), "/alternatives/0/slab/service_life_years", "out-of-range")
	wantFault(t, faults(t, svc, request(t, lives("both", 40, [3]int{20, 40, 40})...)), "/functional_unit/unequal_lives", "not-in-list")
	_, err := breakEven(t, svc, request(t, lives("annual_equivalent", 40, [3]int{20, 40, 40})...), object2("variable", object2("item", "ggbs", "of", "price"), "range", object2("low", "0", "high", "1")))
	wantFault(t, service.Faults(err), "/comparison/functional_unit/unequal_lives", "not-used")
}

// A slab that is worn out before the end of the period is studied beyond its life, which
// the residual value of nothing does not show by itself.
func TestLifeThatEndsInThePeriodIsWarnedOf(t *testing.T) {
	svc := newService(t)
	for life, want := range map[int]bool{39: true, 40: false, 50: false} {
		r := compare(t, svc, request(t, edit{"/alternatives/0/residual", object2("method", "remaining_life", "life_years", life)}))
		warned := slices.ContainsFunc(r.Alternatives[0].Warnings, func(w service.Statement) bool {
			return w.Code == "life-ends-in-period" && w.Pointer == "/alternatives/0/residual/life_years"
		})
		if warned != want {
			t.Errorf("a life of %d in 40 years: warned %v", life, warned)
		}
	}
}

// FHWA, 61 FR 49187 (1996): long enough for at least one major rehabilitation of each.
// Only where another alternative has one is the lack of it said.
func TestNoRehabilitationInThePeriod(t *testing.T) {
	svc := newService(t)
	warned := func(r *service.ComparisonResponse) (list []string) {
		for _, a := range r.Alternatives {
			for _, w := range a.Warnings {
				if w.Code == "no-rehabilitation-in-period" {
					list = append(list, a.Name)
				}
			}
		}
		return list
	}
	if got := warned(compare(t, svc, request(t))); got != nil {
		t.Errorf("all are ground: %v", got)
	}
	sealing := []any{event("item", "joint-resealing", "every_years", 10)}
	if got := warned(compare(t, svc, request(t, edit{"/alternatives/1/maintenance", sealing}, edit{"/alternatives/2/like", "plain"}, edit{"/alternatives/2/mix", remove}))); !slices.Equal(got, []string{"fibre"}) {
		t.Errorf("warned %v", got)
	}
	if got := warned(compare(t, svc, request(t, edit{"/alternatives/0/maintenance", sealing}))); got != nil {
		t.Errorf("none is renewed: %v", got)
	}
}

// A grid varies strategies by name and service lives over one period; by the year it
// compares nothing.
func TestGridOfStrategiesAndLives(t *testing.T) {
	svc := newService(t)
	strategies := list(object{"name": "seal", "maintenance": list(event("item", "joint-resealing", "every_years", 8))}, object{"name": "grind", "maintenance": list(event("item", "surface-grinding", "at_age_years", 12))})
	axes := list(axis("plan", variant("seal", object{"strategy": "seal"}), variant("grind", object{"strategy": "grind"})),
		axis("life", variant("short", object{"slab": object{"service_life_years": 20}}), variant("long", object{"slab": object{"service_life_years": 40}})))
	body := func(method string) []byte {
		return study(t, axes, edit{"/strategies", strategies}, edit{"/functional_unit/unequal_lives", method}, edit{"/functional_unit/analysis_period_years", 40}, edit{"/alternative/residual", object{"method": "none"}})
	}
	g := runGrid(t, svc, body("common_period"))
	if len(g.Rows) != 4 || !g.Rows[0].NetPresentValuePerM2.GreaterThan(g.Rows[1].NetPresentValuePerM2.Decimal) || g.Rows[0].NetPresentValuePerM2.Equal(g.Rows[2].NetPresentValuePerM2.Decimal) {
		t.Errorf("%+v", g.Rows)
	}
	wantFault(t, gridFaults(t, svc, body("annual_equivalent")), "/functional_unit/unequal_lives", "not-used")
}

// What varies totals refuses totals over different periods, and a price of carbon that
// is in the cost already; a nominal rate is as good as a real one.
func TestOtherQuestionsAboutAWholeLife(t *testing.T) {
	svc := newService(t)
	byTheYear := uncertaintyBody(t, request(t, lives("annual_equivalent", 40, [3]int{20, 40, 40})...), nil)
	const at = "/comparison/functional_unit/unequal_lives"
	_, err := svc.Uncertainty(t.Context(), byTheYear)
	wantFault(t, service.Faults(err), at, "not-used")
	_, err = svc.Methods(t.Context(), byTheYear)
	wantFault(t, service.Faults(err), at, "not-used")

	priced := request(t, edit{"/economics/carbon_price", object{"amount": "80 EUR/t", "in_cost": true}})
	_, err = svc.Uncertainty(t.Context(), uncertaintyBody(t, priced, nil))
	wantFault(t, service.Faults(err), "/comparison/economics/carbon_price/in_cost", "not-used")

	nominal := request(t, edit{"/economics", object{"nominal_discount_rate": "5.06 %", "inflation": "2 %"}}, edit{"/alternatives/0/carbonation", cemI("k", "1.6 mm/year^0.5", "degree", "85 %")})
	uncertaintyOf(t, svc, nominal, nil)
	methodsOf(t, svc, nominal, nil)
	_, err = svc.Methods(t.Context(), uncertaintyBody(t, nominal, object2("real_discount_rates", []any{"1 %"})))
	wantFault(t, service.Faults(err), "/real_discount_rates", "real-nominal-mixed")
}
