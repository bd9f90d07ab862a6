package api_test

import (
	"net/http"
	"testing"

	"github.com/google/go-cmp/cmp"

	"slabledger/api"
)

// A mix that cannot be read or computed is answered with the pointer to every
// member at fault.
func TestMixCheckTellsEveryFault(t *testing.T) {
	server := newServer(t, api.Options{})
	const mix = `{"inventory":"demo@1","by_ratio":{"binder":"400 kg/m3","water_binder_ratio":"0.46","cement":"cement-cem-i","water":"water-mains","aggregates":[{"item":"sand-washed","share":"100 %"}]}}`
	if w := server.do(post("/v1/mixes/check", mix)); w.Code != http.StatusOK {
		t.Fatalf("%d %s", w.Code, w.Body)
	} else {
		checkAnswer(t, "checkMix", w)
	}
	type fault struct{ Pointer, Code string }
	for name, c := range map[string]struct {
		pointer string
		value   any
		want    []fault
	}{
		"unknown member":    {"/by_ratio/slump", "80 mm", []fault{{"/by_ratio/slump", "unknown-field"}}},
		"bare number":       {"/by_ratio/binder", 400, []fault{{"/by_ratio/binder", "unit-missing"}}},
		"ratio as a number": {"/by_ratio/water_binder_ratio", 0.46, []fault{{"/by_ratio/water_binder_ratio", "wrong-type"}}},
		"no inventory":      {"/inventory", nil, []fault{{"/inventory", "required-member-missing"}}},
		"no such standard":  {"/batch_plan", map[string]any{"mixer_volume": "1 m3", "tolerances": "en-207"}, []fault{{"/batch_plan/tolerances", "not-in-list"}}},
		"of another kind":   {"/batch_plan", map[string]any{"mixer_volume": "1 kg"}, []fault{{"/batch_plan/mixer_volume", "unit-incompatible"}}},
		"two systems":       {"/by_ratio/mixing_water", "310 lb/yd3", []fault{{"/by_ratio/mixing_water", "unit-system-mixed"}}},
		"two at once": {"/by_ratio", map[string]any{"binder": "0 kg/m3", "water_binder_ratio": "0.46", "cement": "cement-cem-0", "water": "water-mains", "aggregates": []any{map[string]any{"item": "sand-washed", "share": "100 %"}}},
			[]fault{{"/by_ratio/binder", "out-of-range"}, {"/by_ratio/cement", "item-unknown"}}},
	} {
		t.Run(name, func(t *testing.T) {
			w := server.do(post("/v1/mixes/check", with(t, mix, c.pointer, c.value)))
			if w.Code != http.StatusUnprocessableEntity {
				t.Fatalf("%d %s", w.Code, w.Body)
			}
			var found []fault
			for _, e := range problemOf(t, w.Code, w.Header(), w.Body.Bytes()).Errors {
				found = append(found, fault{e.Pointer, e.Code})
			}
			if diff := cmp.Diff(c.want, found); diff != "" {
				t.Errorf("want (-), got (+):\n%s", diff)
			}
		})
	}
}
