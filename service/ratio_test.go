package service_test

import (
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"slabledger/service"
)

// ratios is a mix by ratio with slag, an admixture and air.
func ratios(edits ...func(object)) object {
	r := object{"binder": "350 kg/m3", "water_binder_ratio": "0.46", "cement": "cement-cem-i", "water": "water-mains",
		"replacement": list(object{"item": "ggbs", "share": "30 %"}),
		"aggregates":  list(object{"item": "gravel-20", "share": "60 %"}, object{"item": "sand-washed", "share": "40 %"}),
		"admixtures":  list(object{"item": "superplasticiser", "amount": "0.8 % of binder"}), "air": "1.5 %"}
	for _, e := range edits {
		e(r)
	}
	return r
}

// slagHauls take slag to the plant as well.
var slagHauls = slag["transport"]

// byRatioRequest is the demo comparison with ratios in its first alternative.
func byRatioRequest(t testing.TB, r object, edits ...edit) []byte {
	t.Helper()
	mix := object{"by_ratio": r, "stages": atOnce["mix"].(object)["stages"]}
	return request(t, append([]edit{{"/alternatives/0/mix", mix}, {"/alternatives/0/transport", slagHauls}}, edits...)...)
}

// An alternative by ratio, with all that is laid over it, is the alternative that
// writes the same masses: the same figures to the last digit.
func TestAlternativeByRatioIsThatByMass(t *testing.T) {
	svc := newService(t)
	byRatio := compare(t, svc, byRatioRequest(t, ratios()))
	var edits []edit
	for i, a := range byRatio.Alternatives {
		var masses []any
		for _, c := range a.Mix.Constituents {
			masses = append(masses, object{"item": c.Item, "amount": c.MassKgPerM3.String() + " kg/m3"})
		}
		edits = append(edits, edit{fmt.Sprint("/alternatives/", i, "/mix"), object{"constituents": masses, "air": "1.5 %", "stages": stagesOf(t, i)}})
	}
	byMass := compare(t, svc, request(t, append(edits, edit{"/alternatives/0/transport", slagHauls})...))
	// How a mix was given differs, and where; no figure does.
	how := cmp.Options{cmpopts.IgnoreFields(service.ComparisonResponse{}, "RequestHash"), cmpopts.IgnoreFields(service.Result{}, "Resolved"),
		cmpopts.IgnoreFields(service.ConstituentResult{}, "GivenAs"), cmpopts.IgnoreFields(service.Statement{}, "Pointer")}
	if diff := cmp.Diff(byMass, byRatio, how); diff != "" {
		t.Errorf("by mass (-) and by ratio (+) differ:\n%s", diff)
	}

	// The answer shows what was given, and what it came to.
	plain, fibre := byRatio.Alternatives[0], byRatio.Alternatives[1]
	if m := plain.Resolved.Mix; m.ByRatio == nil || m.ByRatio.WaterBinderRatio != "0.46" || m.Constituents != nil {
		t.Errorf("%+v", m)
	}
	if m := fibre.Resolved.Mix; len(m.Add) != 1 || m.Add[0].Item != "fibre-pp-macro" || m.ByRatio == nil {
		t.Errorf("%+v", m)
	}
	if got := printed(plain.Mix.EffectiveWaterBinderRatio.Decimal, 12); got != "0.460000000000" {
		t.Errorf("water/binder %s", got)
	}
	if v := fibre.Mix.AbsoluteVolumeM3PerM3; printed(v.Decimal, 10) != "1.0000000000" {
		t.Errorf("with fibres added the mix fills %s m3", v)
	}
	if c := fibre.Mix.Constituents[len(fibre.Mix.Constituents)-1]; c.Item != "fibre-pp-macro" || !c.MassKgPerM3.Equal(dec("4.55")) || c.GivenAs != "0.5 % by volume" {
		t.Errorf("%+v", c)
	}

	// What a comparison resolves can be checked as it is.
	text, err := service.Encode(fibre.Resolved.Mix)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(fibre.Mix.Constituents, checkMix(t, svc, inlined(`"mix":`+string(text))).Mix.Constituents); diff != "" {
		t.Errorf("comparison (-) and check (+) differ:\n%s", diff)
	}
}

// stagesOf are the stages of an alternative of byRatioRequest.
func stagesOf(t testing.TB, i int) any {
	t.Helper()
	return [][]service.Stage{
		{{Name: "main", Mixer: "mixer-pan", Minutes: 2, Takes: service.Takes{Rest: true}}},
		{{Name: "main", Mixer: "mixer-pan", Minutes: 3, Takes: service.Takes{Rest: true}}},
		{{Name: "slurry", Mixer: "mixer-small", Minutes: 4, Takes: service.Takes{List: []service.Take{{Category: "binder", Share: "25 %"}, {Item: "water-mains", WaterBinderRatio: "0.30"}, {Item: "fibre-pp-macro", Share: "100 %"}}}},
			{Name: "main", Mixer: "mixer-pan", Minutes: 3, Takes: service.Takes{Rest: true}}},
	}[i]
}

// Ratios laid over ratios merge; ratios and constituents take each other's place,
// and the air of the mix stays.
func TestRatiosAreLaidOverOthers(t *testing.T) {
	svc := newService(t)
	mixOf := func(body []byte, i int) (service.MixResult, service.Mix) {
		a := compare(t, svc, body).Alternatives[i]
		return a.Mix, *a.Resolved.Mix
	}
	// Another replacement alone; the fibres that were added before stay.
	mix, given := mixOf(byRatioRequest(t, ratios(), edit{"/alternatives/2/mix", object{"by_ratio": object{"replacement": list(object{"item": "ggbs", "share": "50 %"})}}}), 2)
	if !mix.Constituents[1].MassKgPerM3.Equal(dec("175")) || len(given.Add) != 1 || given.ByRatio.Cement != "cement-cem-i" {
		t.Errorf("%+v, %+v", mix.Constituents, given)
	}
	// Fibres are added by two alternatives in turn.
	mix, given = mixOf(byRatioRequest(t, ratios(), edit{"/alternatives/2/mix", object{"add": list(object{"item": "fibre-pp-micro", "amount": "0.9 kg/m3"})}}), 2)
	if n := len(mix.Constituents); len(given.Add) != 2 || mix.Constituents[n-2].Item != "fibre-pp-macro" || mix.Constituents[n-1].Item != "fibre-pp-micro" {
		t.Errorf("%+v", given.Add)
	}
	// Ratios over constituents, and constituents over ratios.
	noAir := func(r object) { delete(r, "air") }
	mix, given = mixOf(request(t, edit{"/alternatives/0/transport", slagHauls}, edit{"/alternatives/1/mix/by_ratio", ratios(noAir)}), 1)
	if given.Constituents != nil || given.Air != "" || given.ByRatio.Air != "1.5 %" || !mix.AirPercent.Equal(dec("1.5")) {
		t.Errorf("%+v, air %s", given, mix.AirPercent)
	}
	masses := list(object{"item": "cement-cem-i", "amount": "340 kg/m3"}, object{"item": "water-mains", "amount": "155 kg/m3"}, object{"item": "gravel-20", "amount": "1100 kg/m3"}, object{"item": "sand-washed", "amount": "balance"})
	mix, given = mixOf(byRatioRequest(t, ratios(), edit{"/alternatives/1/mix", object{"constituents": masses}}, edit{"/alternatives/2/mix", object{"add": list(fibreOf("0.5 % by volume"))}}), 2)
	if given.ByRatio != nil || given.Add != nil || len(given.Constituents) != 5 || !mix.AirPercent.Equal(dec("1.5")) || printed(mix.AbsoluteVolumeM3PerM3.Decimal, 10) != "1.0000000000" {
		t.Errorf("%+v, air %s", given, mix.AirPercent)
	}
}

// What is wrong in ratios is told where it was written.
func TestFaultsOfAnAlternativeByRatio(t *testing.T) {
	svc := newService(t)
	r := func(member string, value any) []byte {
		return byRatioRequest(t, ratios(func(r object) {
			if r[member] = value; value == nil {
				delete(r, member)
			}
		}))
	}
	for _, c := range []struct {
		name, pointer, code string
		body                []byte
	}{
		{"no cement", "/alternatives/0/mix/by_ratio/cement", "required-member-missing", r("cement", nil)},
		{"no water", "/alternatives/0/mix/by_ratio/water", "required-member-missing", r("water", nil)},
		{"no aggregates", "/alternatives/0/mix/by_ratio/aggregates", "required-member-missing", r("aggregates", nil)},
		{"a cement that is water", "/alternatives/0/mix/by_ratio/cement", "category-mismatch", r("cement", "water-mains")},
		{"a ratio alone", "/alternatives/0/mix/by_ratio", "one-open", r("binder", nil)},
		{"shares of 90 %", "/alternatives/0/mix/by_ratio/aggregates", "shares-incomplete", r("aggregates", list(object{"item": "gravel-20", "share": "90 %"}))},
		{"a unit of another kind", "/alternatives/0/mix/by_ratio/binder", "unit-incompatible", r("binder", "350 kg")},
		{"both ways", "/alternatives/0/mix", "one-of", byRatioRequest(t, ratios(), edit{"/alternatives/0/mix/constituents", list(object{"item": "cement-cem-i", "amount": "300 kg/m3"})})},
		{"air twice", "/alternatives/0/mix/air", "not-used", byRatioRequest(t, ratios(), edit{"/alternatives/0/mix/air", "2 %"})},
		{"sand is added", "/alternatives/1/mix/add/0/item", "category-mismatch", byRatioRequest(t, ratios(), edit{"/alternatives/1/mix/add/0", object{"item": "sand-washed", "amount": "20 kg/m3"}})},
		{"a balance is added", "/alternatives/1/mix/add/0/amount", "balance-twice", byRatioRequest(t, ratios(), edit{"/alternatives/1/mix/add/0/amount", "balance"})},
		{"laid over", "/alternatives/1/mix/by_ratio/water_binder_ratio", "out-of-range", byRatioRequest(t, ratios(), edit{"/alternatives/1/mix/by_ratio", object{"water_binder_ratio": "0"}})},
		{"no transport", "/alternatives/0/mix/by_ratio/replacement/0", "transport-missing", byRatioRequest(t, ratios(), edit{"/alternatives/0/transport/0/category", "cement"})},
	} {
		t.Run(c.name, func(t *testing.T) { wantFault(t, faults(t, svc, c.body), c.pointer, c.code) })
	}
}
