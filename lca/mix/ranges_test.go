package mix_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"slabledger/lca/mix"
)

// Each range at its ends and just beyond.
func TestReadings(t *testing.T) {
	within := func(p mix.Proportions, exposure []string, air bool) map[string]bool {
		out := map[string]bool{}
		for _, r := range mix.Readings(p, exposure, air, nil) {
			if r.Source == "" || r.Unit == "" {
				t.Errorf("%s has no source or no unit", r.ID)
			}
			out[r.ID] = r.Within
		}
		return out
	}
	outside := func(readings map[string]bool) []string {
		var list []string
		for id, ok := range readings {
			if !ok {
				list = append(list, id)
			}
		}
		slices.Sort(list)
		return list
	}
	cement := mix.Part{Item: "cement", Role: mix.Cement, Mass: dec("360"), Volume: some("0.12")}
	slag := mix.Part{Item: "slag", Role: mix.SCM, Mass: dec("90"), Volume: some("0.03")}
	p := mix.Proportions{Air: dec("0.08"), Density: dec("2400"), Cement: dec("360"), Binder: dec("450"),
		WaterCement: some("0.45"), WaterBinder: some("0.60"), Parts: []mix.Part{cement, slag, {Item: "sand", Role: mix.Aggregate, Mass: dec("1450"), Volume: some("0.5")}}}
	ends := within(p, mix.Classes(), true)
	if len(ends) != len(mix.Ranges()) {
		t.Errorf("%d readings, %d ranges", len(ends), len(mix.Ranges()))
	}
	if got := outside(ends); got != nil {
		t.Errorf("outside at the ends: %v", got)
	}
	slag.Volume = some("0.0301")
	p = mix.Proportions{Air: dec("0.0801"), Density: dec("2401"), Cement: dec("339.9"), Binder: dec("451"), WaterBinder: some("0.601"), WaterCement: some("0.4501"),
		Parts: []mix.Part{cement, slag, {Item: "sand", Role: mix.Aggregate, Mass: dec("1450.1"), Volume: some("0.5")}}}
	beyond := []string{"aggregate_specific_gravity", "air", "binder", "binder_share_of_volume", "fresh_density", "water_binder_ratio", "xf4_cement", "xf4_water_cement_ratio"}
	if diff := cmp.Diff(beyond, outside(within(p, []string{"XF4"}, true))); diff != "" {
		t.Error(diff)
	}
	p.Parts[1].Volume = decimal.NullDecimal{}
	if got := within(p, nil, false); len(got) != 4 {
		t.Errorf("without air, classes and the volume of the slag: %v", got)
	}
}

// A paving mix of 400 kg/m3 of cement is 16.7 % of its mass and 12.7 % of its
// volume: nothing unusual.
func TestPavingMixIsUsual(t *testing.T) {
	p := solved(t, mix.Design{Air: dec("0.04"), Constituents: []mix.Constituent{
		{Item: "cement", Role: mix.Cement, Density: some("3150"), Basis: mix.ByMass, Value: dec("400")},
		{Item: "water", Role: mix.Water, Density: some("1000"), Basis: mix.ByMass, Value: dec("168")},
		{Item: "sand", Role: mix.Aggregate, Density: some("2650"), Basis: mix.Balance}}})
	for _, r := range mix.Readings(p, nil, true, nil) {
		if !r.Within {
			t.Errorf("%s is %s", r.ID, r.Value)
		}
	}
}

// EN 206, Table F.1 (values from memory): frost wants air, and the limits of a
// class are for the cement alone unless the k-value concept is applied.
func TestLimitsOfExposureClasses(t *testing.T) {
	p := mix.Proportions{Air: dec("0.039"), Cement: dec("320"), Binder: dec("400"), WaterCement: some("0.5"), WaterBinder: some("0.4")}
	read := func(k *mix.KValue, classes ...string) map[string]string {
		out := map[string]string{}
		for _, r := range mix.Readings(p, classes, true, k) {
			if strings.HasPrefix(r.ID, "x") {
				end := "at least " + r.Low.Decimal.String()
				if r.High.Valid {
					end = "at most " + r.High.Decimal.String()
				}
				out[r.ID] = fmt.Sprintf("%s, %s: %v", r.Value, end, r.Within)
			}
		}
		return out
	}
	for _, class := range []string{"XF2", "XF3", "XF4"} {
		if got := read(nil, class)[strings.ToLower(class)+"_air"]; got != "3.9, at least 4: false" {
			t.Errorf("%s: %s", class, got)
		}
	}
	want := map[string]string{"xf4_water_cement_ratio": "0.5, at most 0.45: false", "xf4_cement": "320, at least 340: false", "xf4_air": "3.9, at least 4: false"}
	if diff := cmp.Diff(want, read(nil, "XF4")); diff != "" {
		t.Error(diff)
	}
	want = map[string]string{"xf4_water_cement_ratio": "0.44, at most 0.45: true", "xf4_cement": "352, at least 340: true", "xf4_air": "3.9, at least 4: false"}
	if diff := cmp.Diff(want, read(&mix.KValue{Cement: dec("352"), Ratio: dec("0.44")}, "XF4")); diff != "" {
		t.Error(diff)
	}
	if got := read(nil, "X0", "XF1"); len(got) != 2 {
		t.Errorf("X0 has no limit and XF1 no air: %v", got)
	}
	if diff := cmp.Diff([]string{"XF2", "XF4"}, mix.LeastAir([]string{"XC4", "XF4", "XF2"})); diff != "" {
		t.Error(diff)
	}
}

func TestExposureClassesAsPeopleWriteThem(t *testing.T) {
	for text, want := range map[string][2]string{ // known and unknown
		"":                  {},
		"XF4":               {"XF4"},
		"xf4":               {"XF4"},
		" XF 4 ":            {"XF4"},
		"XF4/XD3":           {"XD3 XF4"},
		"XF4, XD3":          {"XD3 XF4"},
		"XF4,XD3":           {"XD3 XF4"},
		"XD3 + XF4":         {"XD3 XF4"},
		"xf 4 xd 3; xc4":    {"XC4 XD3 XF4"},
		"XF4 XF4":           {"XF4"},
		"XF4\u00a0XD3":      {"XD3 XF4"},
		"XF5":               {"", "XF5"},
		"XF4-XD3":           {"", "XF4-XD3"},
		"severe frost, XF4": {"XF4", "severe frost"},
		"XF":                {"", "XF"},
		"XF XF 4":           {"XF4", "XF"},
		",;/":               {},
	} {
		known, unknown := mix.Exposure(text)
		if got := [2]string{strings.Join(known, " "), strings.Join(unknown, " ")}; got != want {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
}
