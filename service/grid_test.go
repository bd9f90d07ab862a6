package service_test

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/google/go-cmp/cmp"

	"slabledger/lca/fault"
	"slabledger/service"
)

// object is JSON as a test writes it.
type object = map[string]any

func list(entries ...any) []any { return entries }

// variant is an alternative of a grid: a name and what it lays over the others.
func variant(name string, members object) object {
	v := object{"name": name}
	maps.Copy(v, members)
	return v
}

func axis(name string, variants ...any) object {
	return object{"name": name, "variants": variants}
}

func fibreOf(share string) any { return object{"item": "fibre-pp-macro", "amount": share} }

func stagedIn(first string, minutes int) object {
	return object{"mix": object{"stages": list(
		object{"name": "slurry", "mixer": first, "minutes": minutes, "takes": list(object{"category": "binder", "share": "20 %"}, object{"item": "water-mains", "water_binder_ratio": "0.30"})},
		object{"name": "main", "mixer": "mixer-pan", "minutes": 3, "takes": "rest"},
	)}}
}

var (
	atOnce = object{"mix": object{"stages": list(object{"name": "main", "mixer": "mixer-pan", "minutes": 2, "takes": "rest"})}}
	slag   = object{
		"mix": object{"constituents": list(
			object{"item": "cement-cem-i", "amount": "245 kg/m3"}, object{"item": "ggbs", "amount": "105 kg/m3"}, object{"item": "water-mains", "amount": "161 kg/m3"},
			object{"item": "gravel-20", "amount": "1120 kg/m3"}, object{"item": "sand-washed", "amount": "balance"}, object{"item": "superplasticiser", "amount": "0.8 % of binder"})},
		"transport": list(
			object{"category": "binder", "to": "plant", "mode": "lorry-articulated", "distance": "120 km"},
			object{"category": "aggregate", "to": "plant", "mode": "lorry-rigid", "distance": "35 km"},
			object{"category": "concrete", "to": "site", "mode": "truck-mixer", "distance": "18 km"}),
	}
)

// fibre is a variant with fibres and the residual ratio that they are taken to
// give (invented).
func fibre(name, share, ratio string) object {
	return variant(name, object{"mix": object{"add": list(fibreOf(share))}, "slab": object{"thickness": object{"strength": object{"strength_rule": "residual_ratio", "residual_ratio": ratio}}}})
}

// study is a grid over the plain slab of the sized scenario.
func study(t testing.TB, axes []any, edits ...edit) []byte {
	t.Helper()
	var doc object
	if err := json.Unmarshal(file(t, "../testdata/scenarios/sized.json"), &doc); err != nil {
		t.Fatal(err)
	}
	doc["alternative"], doc["axes"] = doc["alternatives"].([]any)[0], axes
	delete(doc, "alternatives")
	delete(doc, "baseline")
	body, err := json.Marshal(doc, json.Deterministic(true))
	if err != nil {
		t.Fatal(err)
	}
	return changed(t, body, edits...)
}

func threeByThreeByTwo() []any {
	return list(
		axis("mix", variant("cem i", nil), variant("slag", slag), variant("lean", object{"mix": object{"air": "3 %"}, "maintenance": list(object{"item": "joint-resealing", "every_years": 8}), "residual": object{"method": "remaining_life", "life_years": 50}})),
		axis("fibre", variant("none", nil), fibre("0.3 %", "0.3 % by volume", "12 %"), fibre("0.5 %", "0.5 % by volume", "20 %")),
		axis("mixing", variant("ordinary", atOnce), variant("staged", stagedIn("mixer-small", 4))),
	)
}

func runGrid(t testing.TB, svc *service.Service, body []byte) *service.GridResponse {
	t.Helper()
	g, err := svc.Grid(t.Context(), body)
	if err != nil {
		for _, f := range service.Faults(err) {
			t.Log(f.Pointer, f.Code, f.Detail)
		}
		t.Fatal(err)
	}
	return g
}

func gridFaults(t testing.TB, svc *service.Service, body []byte) []fault.Fault {
	t.Helper()
	_, err := svc.Grid(t.Context(), body)
	var e *service.Error
	if !errors.As(err, &e) || e.Code != service.Invalid {
		t.Fatalf("want a request that cannot be computed, got %v", err)
	}
	return e.Faults
}

// merged lays one object over another, as RFC 7396 says; beam tests take the place
// of a whole strength.
func merged(under, over any) any {
	a, isObject := under.(object)
	b, both := over.(object)
	if _, tested := b["beam_tests"]; !both || tested {
		return over
	}
	out := object{}
	if isObject {
		maps.Copy(out, a)
	}
	for name, v := range b {
		out[name] = merged(out[name], v)
	}
	return out
}

// written is the comparison that writes every combination of a grid in full.
func written(t testing.TB, body []byte) []byte {
	t.Helper()
	var doc object
	if err := json.Unmarshal(body, &doc); err != nil {
		t.Fatal(err)
	}
	all := list(doc["alternative"])
	all[0].(object)["name"] = ""
	for _, a := range doc["axes"].([]any) {
		var longer []any
		for _, under := range all {
			for _, over := range a.(object)["variants"].([]any) {
				one := merged(under, over).(object)
				if before := under.(object)["name"].(string); before != "" {
					one["name"] = before + " | " + over.(object)["name"].(string)
				}
				mix := one["mix"].(object)
				if added, ok := mix["add"].([]any); ok {
					mix["constituents"] = append(slices.Clone(mix["constituents"].([]any)), added...)
					delete(mix, "add")
				}
				longer = append(longer, one)
			}
		}
		all = longer
	}
	doc["alternatives"] = all
	if doc["baseline"] == nil {
		doc["baseline"] = all[0].(object)["name"]
	}
	delete(doc, "alternative")
	delete(doc, "axes")
	out, err := json.Marshal(doc, json.Deterministic(true))
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// A row has the figures of the comparison in which all combinations are written
// in full, to the last digit; so have the ranks, the front and the differences.
func TestGridRowsAreThoseOfTheComparison(t *testing.T) {
	svc := newService(t)
	for name, body := range map[string][]byte{
		"first is the baseline": study(t, threeByThreeByTwo()),
		"another baseline":      study(t, threeByThreeByTwo(), edit{"/baseline", "slag | 0.3 % | staged"}),
		"without economics":     study(t, threeByThreeByTwo(), edit{"/economics", remove}),
		"thickness given":       study(t, list(axis("thickness", variant("240", object{"slab": object{"thickness": "240 mm"}}), variant("9 in", object{"slab": object{"thickness": "230 mm"}})), axis("one", variant("only", nil)))),
	} {
		t.Run(name, func(t *testing.T) {
			g, r := runGrid(t, svc, body), compare(t, svc, written(t, body))
			if len(g.Rows) != len(r.Alternatives) || g.Baseline != r.Comparison.Baseline {
				t.Fatalf("%d rows, %d alternatives; baseline %q and %q", len(g.Rows), len(r.Alternatives), g.Baseline, r.Comparison.Baseline)
			}
			place := func(ranks []service.Rank, name string) *int {
				for _, rank := range ranks {
					if rank.Name == name {
						return &rank.Rank
					}
				}
				return nil
			}
			relative := func(c *service.Change) *service.Fixed {
				if c == nil {
					return nil
				}
				return c.RelativePercent
			}
			for i, a := range r.Alternatives {
				d := r.Comparison.Deltas[i]
				want := service.GridRow{Name: a.Name, Variants: strings.Split(a.Name, " | "), ThicknessMM: a.ThicknessMM,
					ConcreteKgCO2ePerM3: a.Concrete.GWPKgCO2ePerM3.A1A3, CradleToGateKgCO2ePerM2: a.Carbon.CradleToGateKgCO2ePerM2, TotalKgCO2ePerM2: a.Carbon.TotalKgCO2ePerM2,
					RelativePercent: service.RelativeChanges{Thickness: d.ThicknessMM.RelativePercent, Initial: relative(d.InitialPerM2), MaintenancePresentValue: relative(d.MaintenancePresentValuePerM2),
						ResidualValue: relative(d.ResidualValuePerM2), NetPresentValue: relative(d.NetPresentValuePerM2), EquivalentAnnual: relative(d.EquivalentAnnualPerM2),
						CradleToGate: d.CradleToGateKgCO2ePerM2.RelativePercent, TotalCarbon: relative(d.TotalKgCO2ePerM2)},
					Comparable: true, RankByTotalCarbon: place(r.Comparison.Ranking.ByTotalCarbon, a.Name), RankByNetPresentValue: place(r.Comparison.Ranking.ByNetPresentValue, a.Name)}
				if c := a.Cost; c != nil {
					on := slices.Contains(r.Comparison.Pareto, a.Name)
					want.InitialPerM2, want.MaintenancePresentValuePerM2, want.ResidualValuePerM2 = &c.InitialPerM2, &c.MaintenancePresentValuePerM2, &c.ResidualValuePerM2
					want.NetPresentValuePerM2, want.EquivalentAnnualPerM2, want.Pareto = &c.NetPresentValuePerM2, &c.EquivalentAnnualPerM2, &on
				}
				warned := a.Warnings
				if s := a.ThicknessDesign; s != nil {
					want.RequiredMM, want.Governs = s.RequiredMM, s.Governs
					warned = append(warned, s.Warnings...)
				}
				want.Warnings = []string{}
				for _, w := range warned {
					if !slices.Contains(want.Warnings, w.Code) {
						want.Warnings = append(want.Warnings, w.Code)
					}
				}
				if diff := cmp.Diff(want, g.Rows[i]); diff != "" {
					t.Errorf("%s: comparison (-) and grid (+) differ:\n%s", a.Name, diff)
				}
			}
			if g.RequestHash == r.RequestHash || g.EngineVersion != service.EngineVersion || cmp.Diff(r.Head.Inventory, g.Inventory) != "" || cmp.Diff(r.Economics, g.Economics) != "" {
				t.Errorf("%+v", g.Head)
			}
		})
	}
}

func TestGridSaysWhatItIs(t *testing.T) {
	svc := newService(t)
	g := runGrid(t, svc, study(t, threeByThreeByTwo()))
	if diff := cmp.Diff([]string{service.Caution, service.ThicknessCaution}, g.Notices); diff != "" {
		t.Error(diff)
	}
	want := []service.AxisUsed{{Name: "mix", Variants: []string{"cem i", "slag", "lean"}}, {Name: "fibre", Variants: []string{"none", "0.3 %", "0.5 %"}}, {Name: "mixing", Variants: []string{"ordinary", "staged"}}}
	if diff := cmp.Diff(want, g.Axes); diff != "" {
		t.Error(diff)
	}
	g = runGrid(t, svc, study(t, list(axis("one", variant("only", nil))), edit{"/alternative/slab/thickness", "240 mm"}))
	if diff := cmp.Diff([]string{service.Caution}, g.Notices); diff != "" || g.Rows[0].RequiredMM != nil || g.Rows[0].Governs != "" {
		t.Errorf("a given thickness: %+v\n%s", g.Rows[0], diff)
	}
}

// Slabs sized by another method, or for other traffic, give another service: they
// have figures but no rank, and the others keep theirs (EN 15978, 7.2).
func TestGridOfUnequalService(t *testing.T) {
	svc := newService(t)
	body := study(t, list(
		axis("method", variant("fatigue and erosion", nil), variant("equation of 1993", object{"slab": object{"thickness": object{
			"method": "aashto93", "traffic": object{"equivalent_axles": 12000000}, "serviceability": object{"reliability": "90 %", "s0": "0.35", "delta_psi": "2.0", "terminal_psi": "2.5", "load_transfer": "2.8", "drainage": "1.0", "elastic_modulus": "30 GPa"}}}})),
		axis("mix", variant("cem i", nil), variant("slag", slag)),
	))
	g := runGrid(t, svc, body)
	for i, row := range g.Rows {
		apart := i >= 2
		if row.Comparable == apart || (row.RankByTotalCarbon == nil) != apart || (row.Pareto == nil) != apart || (row.Reason != "") != apart {
			t.Errorf("%s: %+v", row.Name, row)
		}
	}
	if !strings.Contains(g.Rows[2].Reason, "thickness.method") || *g.Rows[0].RankByTotalCarbon != 2 || *g.Rows[1].RankByTotalCarbon != 1 || g.Rows[2].Governs != "serviceability" {
		t.Errorf("%+v", g.Rows)
	}
	g = runGrid(t, svc, changed(t, body, edit{"/equivalence_override", object{"reason": "two methods side by side"}}))
	if r := g.Rows[3]; r.Comparable || r.RankByTotalCarbon == nil || !strings.Contains(r.Reason, "two methods side by side") {
		t.Errorf("%+v", r)
	}
	// Totals of other modules are not set against each other.
	g = runGrid(t, svc, study(t, list(axis("end of life", variant("open", nil), variant("recycled", object{"end_of_life": list(object{"item": "concrete-recycling", "module": "C3"})})))))
	if r := g.Rows[1]; r.Comparable || r.RankByTotalCarbon != nil || r.RelativePercent.TotalCarbon != nil || !strings.Contains(r.Reason, "C3") {
		t.Errorf("%+v", r)
	}
	// Where not even the baseline gives what is asked, nothing is ranked.
	g = runGrid(t, svc, study(t, list(axis("one", variant("only", object{"service": object{"design_life_years": 20}}))), edit{"/functional_unit/service", object{"design_life_years": 40}}))
	if r := g.Rows[0]; r.Comparable || r.RankByTotalCarbon != nil {
		t.Errorf("%+v", r)
	}
}

// Every fault points at where the request wrote the member, once.
func TestFaultsOfAGrid(t *testing.T) {
	svc := newService(t)
	full := threeByThreeByTwo()
	wide := func(n ...int) []any {
		var axes []any
		for i, k := range n {
			var variants []any
			for v := range k {
				variants = append(variants, variant(fmt.Sprint("v", v), nil))
			}
			axes = append(axes, axis(fmt.Sprint("axis ", i), variants...))
		}
		return axes
	}
	for _, c := range []struct {
		name, want, says string
		axes             []any
		edits            []edit
	}{
		{"in a variant's list", "/axes/1/variants/1/mix/add/0/item item-unknown", "fibre-pp-micro", full, []edit{{"/axes/1/variants/1/mix/add/0/item", "fibre-pp-mikro"}}},
		{"in a variant's object", "/axes/1/variants/2/slab/thickness/strength/residual_ratio unit-missing", "20", full, []edit{{"/axes/1/variants/2/slab/thickness/strength/residual_ratio", "20"}}},
		{"in the alternative", "/alternative/slab/joints/dowel item-unknown", "dowel-32", full, []edit{{"/alternative/slab/joints/dowel", "dowel-23"}}},
		{"in a list that a variant replaces", "/axes/0/variants/1/mix/constituents/1/item item-unknown", "ggbs", full, []edit{{"/axes/0/variants/1/mix/constituents/1/item", "ggbz"}}},
		{"missing in a variant's list", "/axes/0/variants/2/maintenance/0 one-of", "every_years", full, []edit{{"/axes/0/variants/2/maintenance/0/every_years", remove}}},
		{"missing beside the alternative's", "/alternative/slab/joints/dowel_spacing required-member-missing", "300 mm", full, []edit{{"/alternative/slab/joints/dowel_spacing", remove}}},
		{"missing everywhere", "/alternative/slab required-member-missing", "thickness", wide(2), []edit{{"/alternative/slab", remove}}},
		{"stages of a variant", "/axes/2/variants/1/mix/stages/0/mixer item-unknown", "mixer-small", full, []edit{{"/axes/2/variants/1/mix/stages/0/mixer", "mixer-smal"}}},
		{"a transport that is missing", "/axes/0/variants/1/mix/constituents/1 transport-missing", "ggbs", full, []edit{{"/axes/0/variants/1/transport/0/category", "cement"}}},
		{"too many", "/axes too-many", "512 combinations; at most 500", wide(8, 8, 8), nil},
		{"far too many", "/axes too-many", "62500000000 combinations", wide(500, 500, 500, 500), nil},
		{"baseline", "/baseline alternative-unknown", "cem i | none | ordinary", full, []edit{{"/baseline", "cem i"}}},
		{"two axes of a name", "/axes/2/name duplicate-name", "fibre", full, []edit{{"/axes/2/name", "fibre"}}},
		{"two variants of a name", "/axes/1/variants/2/name duplicate-name", "none", full, []edit{{"/axes/1/variants/2/name", "none"}}},
		{"a name of two", "/axes/1/variants/2/name name-form", "|", full, []edit{{"/axes/1/variants/2/name", "a|b"}}},
		{"a name in another form", "/axes/1/variants/2/name name-form", "form C", full, []edit{{"/axes/1/variants/2/name", "e\u0301"}}},
		{"like another", "/axes/1/variants/2/like not-used", "", full, []edit{{"/axes/1/variants/2/like", "none"}}},
		{"the alternative like another", "/alternative/like not-used", "", full, []edit{{"/alternative/like", "none"}}},
		{"economics", "/economics/real_discount_rate out-of-range", "", full, []edit{{"/economics/real_discount_rate", "200 %"}}},
		{"far too many works", "/axes compute-budget-exceeded", "at most 80000", wide(100), []edit{{"/functional_unit/analysis_period_years", 100}, {"/alternative/maintenance", yearly(12)}}},
		{"more text than is read", "/axes compute-budget-exceeded", "400 combinations come to", wide(20, 20), []edit{{"/alternative/slab/curing", strings.Repeat("x", 90_000)}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			list := gridFaults(t, svc, study(t, c.axes, c.edits...))
			pointer, code, _ := strings.Cut(c.want, " ")
			wantFault(t, list, pointer, code, c.says)
			if len(list) != 1 {
				t.Errorf("%d faults: %+v", len(list), list)
			}
		})
	}
	_, err := svc.Grid(t.Context(), study(t, full, edit{"/inventory", "nowhere"}))
	wantFault(t, service.Faults(err), "/inventory", "inventory-unknown")
}

// Beam tests may stand in a variant; a strength replaces the one below it.
func TestGridTakesBeamTests(t *testing.T) {
	var scenario struct {
		Alternatives []object `json:"alternatives"`
	}
	if err := json.Unmarshal(file(t, "../testdata/scenarios/lab-to-slab.json"), &scenario); err != nil {
		t.Fatal(err)
	}
	strength := func(i int) object {
		thickness := scenario.Alternatives[i]["slab"].(object)["thickness"].(object)
		return object{"mix": object{"add": list(fibreOf("0.5 % by volume"))}, "slab": object{"thickness": object{"strength": thickness["strength"]}}}
	}
	body := study(t, list(axis("beams", variant("plain", nil), variant("ordinary", strength(1)), variant("staged", strength(2)))),
		edit{"/alternative/slab/thickness/traffic", scenario.Alternatives[0]["slab"].(object)["thickness"].(object)["traffic"]})
	svc := newService(t)
	g, r := runGrid(t, svc, body), compare(t, svc, written(t, body))
	for i, row := range g.Rows {
		if !row.ThicknessMM.Equal(r.Alternatives[i].ThicknessMM.Decimal) || !row.RequiredMM.Equal(r.Alternatives[i].ThicknessDesign.RequiredMM.Decimal) {
			t.Errorf("%s: %s mm in the grid, %s mm in the comparison", row.Name, row.RequiredMM, r.Alternatives[i].ThicknessDesign.RequiredMM)
		}
	}
	if !g.Rows[2].RequiredMM.LessThan(g.Rows[1].RequiredMM.Decimal) || !g.Rows[1].RequiredMM.LessThan(g.Rows[0].RequiredMM.Decimal) {
		t.Errorf("required: %s, %s, %s mm", g.Rows[0].RequiredMM, g.Rows[1].RequiredMM, g.Rows[2].RequiredMM)
	}
	const at = "/axes/0/variants/1/slab/thickness/strength/beam_tests/specimens/0/curve/csv"
	wantFault(t, gridFaults(t, svc, changed(t, body, edit{at, "deflection_mm,load_kN\n0,zero\n"})), at, "decimal-invalid")
}

// The table says what the rows say. Text that a spreadsheet would run is escaped,
// and negative numbers stay numbers (CWE-1236).
func TestGridCSV(t *testing.T) {
	svc := newService(t)
	axes := threeByThreeByTwo()
	axes[1].(object)["variants"].([]any)[2].(object)["name"] = "=SUM(A1:A9)"
	g := runGrid(t, svc, study(t, axes))
	text, err := g.CSV()
	if err != nil {
		t.Fatal(err)
	}
	table, err := csv.NewReader(strings.NewReader(string(text))).ReadAll()
	if err != nil || len(table) != 19 {
		t.Fatalf("%d lines, %v", len(table), err)
	}
	column := map[string]int{}
	for i, name := range table[0] {
		column[name] = i
	}
	if len(column) != len(table[0]) || strings.Contains(string(text), "comparison aid") {
		t.Errorf("%v", table[0])
	}
	negative := 0
	for i, row := range g.Rows {
		cell := func(name string) string {
			at, ok := column[name]
			if !ok {
				t.Fatalf("no column %s in %v", name, table[0])
			}
			return table[i+1][at]
		}
		want := map[string]string{
			"axis: mix": row.Variants[0], "axis: fibre": strings.Replace(row.Variants[1], "=", "'=", 1), "axis: mixing": row.Variants[2],
			"required_thickness_mm": row.RequiredMM.String(), "thickness_mm": row.ThicknessMM.String(), "governs": row.Governs,
			"net_present_value_EUR_per_m2": row.NetPresentValuePerM2.StringFixed(6), "residual_value_EUR_per_m2": row.ResidualValuePerM2.StringFixed(6),
			"concrete_a1_a3_kg_co2e_per_m3": row.ConcreteKgCO2ePerM3.StringFixed(6), "total_kg_co2e_per_m2": row.TotalKgCO2ePerM2.StringFixed(6),
			"total_carbon_relative_percent": row.RelativePercent.TotalCarbon.StringFixed(6),
			"is_baseline":                   fmt.Sprint(i == 0), "comparable": "true", "reason": "", "rank_by_total_carbon": fmt.Sprint(*row.RankByTotalCarbon), "pareto": fmt.Sprint(*row.Pareto),
			"warnings": strings.Join(row.Warnings, " "), "inventory": "demo@1", "engine_version": service.EngineVersion, "request_hash": g.RequestHash,
		}
		for name, w := range want {
			if got := cell(name); got != w {
				t.Errorf("%s, %s: %q, want %q", row.Name, name, got, w)
			}
		}
		if strings.HasPrefix(cell("total_carbon_relative_percent"), "-") {
			negative++
		}
	}
	if negative == 0 {
		t.Error("no row is cleaner than the baseline, so no negative number was looked at")
	}
	// Without economics the cells of money are empty.
	g = runGrid(t, svc, study(t, axes, edit{"/economics", remove}))
	if text, err = g.CSV(); err != nil || !strings.Contains(strings.Split(string(text), "\n")[1], ",,,,,") {
		t.Errorf("%v\n%s", err, text[:400])
	}
}

func TestGridStopsWhenTheClientIsGone(t *testing.T) {
	svc := newService(t)
	runGrid(t, svc, study(t, threeByThreeByTwo())) // the version is cached now
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := svc.Grid(ctx, study(t, threeByThreeByTwo()))
	var e *service.Error
	if !errors.As(err, &e) || e.Code != service.Unavailable {
		t.Errorf("%v", err)
	}
}

// fiveHundred is a study of 5 mixes, 10 amounts of fibre, 5 ways to mix and 2
// thickness steps.
func fiveHundred(t testing.TB) []byte {
	t.Helper()
	var mixes, fibres, mixings []any
	for i := range 5 {
		mixes = append(mixes, variant(fmt.Sprint("mix ", i), object{"mix": object{"constituents": list(
			object{"item": "cement-cem-i", "amount": fmt.Sprint(330+10*i, " kg/m3")}, object{"item": "water-mains", "amount": "161 kg/m3"},
			object{"item": "gravel-20", "amount": "1120 kg/m3"}, object{"item": "sand-washed", "amount": "balance"}, object{"item": "superplasticiser", "amount": "0.8 % of binder"})}}))
		mixings = append(mixings, variant(fmt.Sprint(i+2, " minutes"), stagedIn("mixer-small", i+2)))
	}
	for i := range 10 {
		fibres = append(fibres, fibre(fmt.Sprint("fibre ", i), fmt.Sprintf("0.%d %% by volume", i+1), fmt.Sprint(4*i+4, " %")))
	}
	step := func(mm string) object {
		return object{"slab": object{"thickness": object{"rounding": object{"policy": "up", "step": mm}}}}
	}
	return study(t, list(axis("mix", mixes...), axis("fibre", fibres...), axis("mixing", mixings...), axis("step", variant("1 mm", step("1 mm")), variant("10 mm", step("10 mm")))))
}

func TestGridOfFiveHundred(t *testing.T) {
	g := runGrid(t, newService(t), fiveHundred(t))
	if len(g.Rows) != 500 || g.Rows[499].Name != "mix 4 | fibre 9 | 6 minutes | 10 mm" {
		t.Fatalf("%d rows, the last %q", len(g.Rows), g.Rows[len(g.Rows)-1].Name)
	}
	least := g.Rows[0].TotalKgCO2ePerM2.Decimal
	for _, row := range g.Rows {
		least = slices.MinFunc([]service.Fixed{{Decimal: least}, row.TotalKgCO2ePerM2}, func(a, b service.Fixed) int { return a.Cmp(b.Decimal) }).Decimal
	}
	for _, row := range g.Rows {
		if first := *row.RankByTotalCarbon == 1; first != row.TotalKgCO2ePerM2.Equal(least) {
			t.Errorf("%s: %s, rank %d; the least is %s", row.Name, row.TotalKgCO2ePerM2, *row.RankByTotalCarbon, least)
		}
	}
}
