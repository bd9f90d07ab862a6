package service_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/service"
)

func methodsOf(t *testing.T, svc *service.Service, comparison []byte, rest map[string]any) *service.MethodsResponse {
	t.Helper()
	r, err := svc.Methods(t.Context(), uncertaintyBody(t, comparison, rest))
	if err != nil {
		for _, f := range service.Faults(err) {
			t.Log(f)
		}
		t.Fatal(err)
	}
	return r
}

// slagDemo has the published factors of cement and of slag by three allocations
// (C. Chen et al., Resources, Conservation and Recycling 54, 2010), all else emitting
// nothing, as demo@2.
func slagDemo(t *testing.T, svc *service.Service) {
	t.Helper()
	changedDemo(t, svc, func(code string, i *inventory.Item) {
		factor := func(key, v string) { i.Factors = map[string]decimal.Decimal{key: decimal.RequireFromString(v)} }
		switch {
		case code == "cement-cem-i":
			factor("A1-A3", "0.922")
		case code == "ggbs":
			factor("A1-A3", "0.0020")
			i.FactorData.Allocation = inventory.AllocationNone
			i.FactorData.Alternatives = []inventory.AllocatedFactor{
				{Allocation: inventory.AllocationEconomic, Factor: decimal.RequireFromString("0.1466")}, {Allocation: inventory.AllocationMass, Factor: decimal.RequireFromString("1.2")}}
		case i.Category == inventory.Aggregate || i.Category == inventory.Water:
			factor("A1-A3", "0")
		case i.Category == inventory.Transport:
			factor("process", "0")
		}
	})
}

// slagComparison is 380 kg of cement against 300 kg with 100 kg of slag.
func slagComparison(t *testing.T) []byte {
	t.Helper()
	part := func(item, amount string) any {
		return map[string]any{"item": item, "amount": amount, "transport": "included", "reason": "the check counts no transport"}
	}
	return request(t, edit{"/inventory", "demo@2"}, edit{"/alternatives/1/slab/thickness", "240 mm"}, edit{"/alternatives/2", map[string]any{"name": "third", "like": "plain", "slab": map[string]any{"thickness": "300 mm"}}},
		edit{"/alternatives/0/mix/constituents", []any{part("cement-cem-i", "380 kg/m3"), part("water-mains", "160 kg/m3"), part("sand-washed", "balance")}},
		edit{"/alternatives/1/mix", map[string]any{"constituents": []any{part("cement-cem-i", "300 kg/m3"), part("ggbs", "100 kg/m3"), part("water-mains", "160 kg/m3"), part("sand-washed", "balance")}}})
}

// With nothing or an economic share of the blast furnace slag is less carbon than the
// cement it replaces, with a share by mass more: 276.80 and 291.26 against 350.36, and
// 396.60. They change places at (350.36 - 276.60) / 100 = 0.7376.
func TestAllocationTurnsTheRanking(t *testing.T) {
	svc := newService(t)
	slagDemo(t, svc)
	r := methodsOf(t, svc, slagComparison(t), object2("boundaries", []any{"A1-A3"}, "real_discount_rates", []any{"3 %", "7 %"},
		"crossings", []any{object2("item", "ggbs", "low", "0", "high", "1.2", "measure", "cradle_to_gate_carbon")}))
	first := map[string][]string{}
	for _, c := range r.Combinations {
		first[c.Allocation] = append(first[c.Allocation], c.FirstOnCarbon...)
	}
	if len(r.Combinations) != 6 || fmt.Sprint(first) != "map[economic:[fibre fibre] mass:[plain plain] own:[fibre fibre]]" {
		t.Errorf("%d combinations; first on carbon: %v", len(r.Combinations), first)
	}
	if r.First[0].OnCarbon != 2 || r.First[1].OnCarbon != 4 || r.First[2].OnCarbon != 0 || r.First[0].OnCost+r.First[1].OnCost != 6 {
		t.Errorf("%+v", r.First)
	}
	if i := slices.IndexFunc(r.Reversals, func(v service.MethodReversal) bool {
		return v.On == "carbon" && v.Lower == "fibre" && v.Higher == "plain"
	}); i < 0 || fmt.Sprint(r.Reversals[i].Combinations) != "[4 5]" {
		t.Errorf("%+v", r.Reversals)
	}
	f := r.Crossings[0] // of plain and fibre
	if len(f.Crossings) != 1 || !f.Crossings[0].Value.Equal(decimal.RequireFromString("0.7376")) || !strings.Contains(f.Conclusion, "0.7376 kg CO2e/kg, above which plain is lower") || len(f.Allocations) != 3 {
		t.Errorf("%+v", f)
	}
	// By themselves crossings are looked for in the co-products in use, up to their largest factor.
	if own := methodsOf(t, svc, slagComparison(t), nil); len(own.Crossings) != 1 || own.Crossings[0].Item != "ggbs" || own.Crossings[0].High.Value.String() != "1.2" || len(own.Combinations) != 9 {
		t.Errorf("%d combinations, crossings %+v", len(own.Combinations), own.Crossings)
	}
	// A factor that is varied stands whatever the allocation of the comparison.
	be := mustBreakEven(t, svc, changed(t, slagComparison(t), edit{"/data_requirements", map[string]any{"allocation": "mass"}}), object2("measure", "cradle_to_gate_carbon", "variable", object2("item", "ggbs", "of", "factor"), "range", object2("low", "0", "high", "1.3")))
	if len(be.Crossings) != 1 || !be.Crossings[0].Value.Equal(decimal.RequireFromString("0.7376")) || be.Nominal.Value.String() != "1.2" {
		t.Errorf("%+v", be)
	}
}

// Every combination is what a comparison with these choices says, to the last digit.
func TestMethodsEqualComparisons(t *testing.T) {
	svc := newService(t)
	changedDemo(t, svc, func(code string, i *inventory.Item) {
		if code == "ggbs" {
			i.FactorData.Allocation = inventory.AllocationEconomic
			i.FactorData.Alternatives = []inventory.AllocatedFactor{{Allocation: inventory.AllocationMass, Factor: decimal.RequireFromString("1.2")}}
		}
	})
	body := changed(t, file(t, "../testdata/scenarios/sized.json"), edit{"/inventory", "demo@2"}, edit{"/alternatives/1/mix/add/-", map[string]any{"item": "ggbs", "amount": "50 kg/m3", "transport": "included", "reason": "a check"}})
	r := methodsOf(t, svc, body, object2("allocations", []any{"own", "mass"}, "real_discount_rates", []any{"1 %", "8 %"}, "roundings", []any{object2("policy", "up", "step", "10 mm"), object2("policy", "none"), object2("policy", "nearest")}))
	if len(r.Combinations) != 2*2*3*3 {
		t.Fatalf("%d combinations", len(r.Combinations))
	}
	thick := map[string]bool{}
	for _, c := range r.Combinations {
		edits := []edit{{"/economics/real_discount_rate", *c.RealDiscountRate}, {"/alternatives/0/slab/thickness/rounding/policy", c.Rounding.Policy}}
		if c.Rounding.Step != "" {
			edits = append(edits, edit{"/alternatives/0/slab/thickness/rounding/step", c.Rounding.Step})
		}
		if c.Allocation != "own" {
			edits = append(edits, edit{"/data_requirements", map[string]any{"allocation": c.Allocation}})
		}
		explicit := compare(t, svc, changed(t, body, edits...))
		for a, want := range explicit.Alternatives {
			carbon := map[string]decimal.Decimal{"A1-A3": want.Carbon.CradleToGateKgCO2ePerM2.Decimal, "A-C": want.Carbon.TotalKgCO2ePerM2.Decimal,
				"A1-A5": want.Carbon.Modules.A1A3.Add(want.Carbon.Modules.A4.Decimal).Add(fixedOrZero(want.Carbon.Modules.A5))}[c.Boundary]
			got := c.Alternatives[a]
			if got.Name != want.Name || !got.Carbon.Equal(carbon) || !got.NetPresentValue.Equal(want.Cost.NetPresentValuePerM2.Decimal) || !fixedOrZero(got.BeyondBoundaryD).Equal(fixedOrZero(want.Carbon.BeyondBoundaryDKgCO2ePerM2)) {
				t.Errorf("%+v: %s has %s and %s, the comparison says %s and %s", c.MethodChoice, got.Name, got.NetPresentValue, got.Carbon, want.Cost.NetPresentValuePerM2, carbon)
			}
			thick[want.ThicknessMM.String()] = true
		}
		if c.Boundary == "A-C" && explicit.Comparison.Ranking != nil && (c.FirstOnCarbon[0] != explicit.Comparison.Ranking.ByTotalCarbon[0].Name || c.FirstOnCost[0] != explicit.Comparison.Ranking.ByNetPresentValue[0].Name) {
			t.Errorf("%+v: first are %v and %v; the comparison ranks %+v", c.MethodChoice, c.FirstOnCost, c.FirstOnCarbon, explicit.Comparison.Ranking)
		}
	}
	if len(thick) < 4 {
		t.Errorf("rounding made no difference: %v", thick)
	}
}

func fixedOrZero(d *service.Fixed) decimal.Decimal {
	if d == nil {
		return decimal.Zero
	}
	return d.Decimal
}

func TestMethodsRefuse(t *testing.T) {
	svc := newService(t)
	slagDemo(t, svc)
	rates := make([]any, 30)
	for i := range rates {
		rates[i] = fmt.Sprintf("%d %%", i)
	}
	for name, c := range map[string]struct {
		rest map[string]any
		want string
	}{
		"too many":                  {object2("real_discount_rates", rates), " compute-budget-exceeded: 3 allocations, 3 boundaries, 1 roundings and 30 discount rates are 270 combinations; accepted: up to 256"},
		"no slab is sized":          {object2("roundings", []any{object2("policy", "none")}), "/roundings not-used"},
		"an unknown allocation":     {object2("allocations", []any{"physical"}), "/allocations/0 not-in-list"},
		"an unknown boundary":       {object2("boundaries", []any{"A-D"}), "/boundaries/0 not-in-list"},
		"a rate twice":              {object2("real_discount_rates", []any{"3 %", "3 %"}), "/real_discount_rates/1 duplicate-name"},
		"a rate that discounts all": {object2("real_discount_rates", []any{"-100 %"}), "/real_discount_rates/0 out-of-range"},
		"an item without a factor":  {object2("crossings", []any{object2("item", "joint-sawing", "low", "0", "high", "1")}), "/crossings/0/of factor-missing"},
		"a factor below zero":       {object2("crossings", []any{object2("item", "ggbs", "low", "-1", "high", "1")}), "/crossings/0/low out-of-range"},
		"an item that nobody uses":  {object2("crossings", []any{object2("item", "silica-fume", "low", "0", "high", "1")}), "/crossings/0/item not-used"},
		"a range upside down":       {object2("crossings", []any{object2("item", "ggbs", "low", "1", "high", "0")}), "/crossings/0/high out-of-range"},
	} {
		_, err := svc.Methods(t.Context(), uncertaintyBody(t, slagComparison(t), c.rest))
		var found []string
		for _, f := range service.Faults(err) {
			found = append(found, string(f.Pointer)+" "+f.Code+": "+f.Detail)
		}
		if !strings.Contains(strings.Join(found, "\n"), c.want) {
			t.Errorf("%s: want %q, got %v, %q", name, c.want, err, found)
		}
	}
}
