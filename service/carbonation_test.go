package service_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"slabledger/lca/carbon"
	"slabledger/service"
)

func cemI(more ...any) map[string]any {
	m := object2("cements", []any{object2("item", "cement-cem-i", "clinker", "95 %", "reactive_cao", "65 %")})
	for i := 0; i < len(more); i += 2 {
		m[more[i].(string)] = more[i+1]
	}
	return m
}

// EN 16757: k 1.6 mm/√year over 50 years with a degree of 85 % and 300 kg/m3 of CEM I
// is 11.31 mm and 1.3997 kg/m2 (worked; k and degree from memory), by k or by the
// table.
func TestUptakeByCarbonation(t *testing.T) {
	svc := newService(t)
	for name, c := range map[string]map[string]any{
		"k":     cemI("k", "1.6 mm/year^0.5", "degree", "85 %"),
		"table": cemI("strength_class", "C30/37", "exposure", "exposed_to_rain"),
	} {
		a := compare(t, svc, request(t, edit{"/functional_unit/analysis_period_years", 50}, edit{"/alternatives/0/mix/constituents/0/amount", "300 kg/m3"}, edit{"/alternatives/0/carbonation", c})).Alternatives[0]
		u := a.Carbon.Carbonation
		if printed(u.DepthMM.Decimal, 2) != "11.31" || printed(u.UptakeKgCO2PerM2.Decimal, 4) != "1.3997" || u.Capped || u.Years != 50 {
			t.Errorf("%s: %+v", name, u)
		}
		if a.Carbon.Modules.B1 == nil || !a.Carbon.Modules.B1.Equal(u.UptakeKgCO2PerM2.Neg()) {
			t.Errorf("%s: B1 is %v", name, a.Carbon.Modules.B1)
		}
		if (name == "table") != strings.Contains(u.Source, "from memory") {
			t.Errorf("%s: source %q", name, u.Source)
		}
	}
}

// Off by default; switched on it changes B1, what says so, and totals that cover it,
// and nothing else.
func TestCarbonationChangesOnlyB1(t *testing.T) {
	svc := newService(t)
	off := compare(t, svc, request(t))
	on := compare(t, svc, request(t, edit{"/alternatives/0/carbonation", cemI("strength_class", "C35/45", "exposure", "sheltered_from_rain")}))
	for i := range on.Alternatives {
		a, b := off.Alternatives[i].Carbon, on.Alternatives[i].Carbon
		if a.Modules.B1 != nil || b.Modules.B1 == nil || !b.Modules.B1.IsNegative() {
			t.Fatalf("B1 was %v, is %v", a.Modules.B1, b.Modules.B1)
		}
		if want := a.TotalKgCO2ePerM2.Add(b.Modules.B1.Decimal); !b.TotalKgCO2ePerM2.Equal(want) || !slices.Contains(b.TotalCovers, "B1") {
			t.Errorf("total %s of %v, want %s", b.TotalKgCO2ePerM2, b.TotalCovers, want)
		}
		own := len(a.Lines)
		if len(b.Lines) != own+1 || b.Lines[own].Module != "B1" {
			t.Fatalf("%d lines, were %d", len(b.Lines), own)
		}
		b.Modules.B1, b.Lines = nil, b.Lines[:own]
		if diff := cmp.Diff(a.Modules, b.Modules); diff != "" {
			t.Error(diff)
		}
		if diff := cmp.Diff(a.Lines, b.Lines); diff != "" || !a.CradleToGateKgCO2ePerM2.Equal(b.CradleToGateKgCO2ePerM2.Decimal) {
			t.Error(diff)
		}
		if diff := cmp.Diff(off.Alternatives[i].Cost, on.Alternatives[i].Cost); diff != "" {
			t.Error(diff)
		}
	}
	// One that counts it and one that does not are not ranked.
	one := compare(t, svc, request(t, edit{"/alternatives/1/carbonation", cemI("k", "1 mm/year^0.5", "degree", "85 %")}))
	if one.Comparison.Comparable || one.Comparison.Ranking != nil {
		t.Errorf("%+v", one.Comparison)
	}
}

// The uptake never exceeds what all the clinker of the slab can bind.
func TestUptakeIsCapped(t *testing.T) {
	svc := newService(t)
	a := compare(t, svc, request(t, edit{"/alternatives/0/carbonation", cemI("k", "999 mm/year^0.5", "degree", "100 %")})).Alternatives[0]
	u := a.Carbon.Carbonation
	if !u.Capped || !u.DepthMM.Equal(dec("240")) || !u.UptakeKgCO2PerM2.Equal(u.LargestKgPerM2.Decimal) {
		t.Errorf("%+v", u)
	}
	// 0.24 m of 350 kg/m3 at 0.485178571429 kg/kg.
	if got := u.LargestKgPerM2.String(); got != "40.755" {
		t.Errorf("largest uptake %s", got)
	}
	none := compare(t, svc, request(t, edit{"/alternatives/0/carbonation", object2("k", "1 mm/year^0.5", "degree", "85 %", "cements", []any{object2("item", "cement-cem-i", "clinker", "0 %", "reactive_cao", "65 %")})})).Alternatives[0]
	if b1 := none.Carbon.Modules.B1; b1 == nil || !b1.IsZero() {
		t.Errorf("a cement without clinker binds %v", b1)
	}
}

func TestFaultsOfCarbonation(t *testing.T) {
	svc := newService(t)
	const at = "/alternatives/0/carbonation"
	for _, c := range []struct {
		name          string
		value         map[string]any
		pointer, code string
	}{
		{"nothing", cemI(), at, "one-of"},
		{"both ways", cemI("k", "1 mm/year^0.5", "degree", "85 %", "strength_class", "C30/37", "exposure", "in_ground"), at, "one-of"},
		{"half a table", cemI("strength_class", "C30/37"), at, "not-in-list"},
		{"no degree", cemI("k", "1 mm/year^0.5"), at + "/degree", "required-member-missing"},
		{"degree", cemI("k", "1 mm/year^0.5", "degree", "120 %"), at + "/degree", "out-of-range"},
		{"unit", cemI("k", "1 mm", "degree", "85 %"), at + "/k", "unit-incompatible"},
		{"nothing said of the cement", object2("k", "1 mm/year^0.5", "degree", "85 %", "cements", []any{}), at + "/cements", "clinker-missing"},
	} {
		t.Run(c.name, func(t *testing.T) {
			wantFault(t, faults(t, svc, request(t, edit{at, c.value})), c.pointer, c.code)
		})
	}
}

// Slag is taken to bind nothing, and that is said.
func TestCarbonationOfCementOnly(t *testing.T) {
	svc := newService(t)
	a := compare(t, svc, request(t, edit{"/alternatives/0/mix/constituents/-", object2("item", "ggbs", "amount", "50 kg/m3")},
		edit{"/alternatives/0/transport/-", object2("item", "ggbs", "to", "plant", "transport", "included", "reason", "test")}, edit{"/alternatives/0/carbonation", cemI("k", "1 mm/year^0.5", "degree", "85 %")})).Alternatives[0]
	wantStatement(t, a.Assumptions, "carbonation-of-cement-only", "additions")
	if !slices.ContainsFunc(a.Carbon.ModuleStates, func(s service.ModuleState) bool { return s.Module == "B1" && s.State == carbon.Declared }) {
		t.Errorf("%+v", a.Carbon.ModuleStates)
	}
}
