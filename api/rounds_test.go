package api_test

import (
	"fmt"
	"maps"
	"net/http"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	gocmp "github.com/google/go-cmp/cmp"

	"slabledger/api"
)

// faultsOf is what a problem says, without the words.
func faultsOf(t testing.TB, code int, header http.Header, body []byte) map[entry]int {
	t.Helper()
	got := map[entry]int{}
	for _, e := range problemOf(t, code, header, body).Errors {
		got[entry{Pointer: e.Pointer, Code: e.Code}]++
	}
	return got
}

// wrongs is a body with mistakes, and the faults that they are: pointer, value, code in
// turn. A code after a blank stands at a pointer of its own.
func wrongs(t testing.TB, body string, mistakes []any) (string, map[entry]int) {
	t.Helper()
	want := map[entry]int{}
	for i := 0; i < len(mistakes); i += 3 {
		pointer, code := mistakes[i].(string), mistakes[i+2].(string)
		body = with(t, body, pointer, mistakes[i+1])
		if own, at, elsewhere := strings.Cut(code, " "); elsewhere {
			pointer, code = at, own
		}
		want[entry{Pointer: pointer, Code: code}]++
	}
	return body, want
}

// A body that is wrong in its form and in what it says is told all of it at once, by
// every operation, so that it is mended in one round. What only follows from a member
// that was refused is not told.
func TestEveryFaultOfEveryBodyInOneAnswer(t *testing.T) {
	server := newServer(t, api.Options{})
	breakEven := `{"comparison":` + demo(t) + `,"first":"plain","second":"fibre","measure":"total_carbon","variable":{"item":"cement-cem-i","of":"factor"},"range":{"low":"0","high":"2"}}`
	sensitivity := `{"comparison":` + demo(t) + `,"first":"plain","second":"fibre","measure":"total_carbon","percent":"10 %","members":[{"pointer":"/alternatives/0/transport/1/distance","unit":"km"}]}`
	within := []any{ // the comparison
		"/comparison/alternatives/0/slab/depth", "240 mm", "unknown-field",
		"/comparison/alternatives/0/mix/constituents/0/item", "cement-cem-1", "item-unknown",
		"/comparison/functional_unit/area", "0 m2", "out-of-range",
		"/comparison/alternatives/0/slab/layers/0/thickness", "150 kg", "unit-incompatible",
	}
	mix := `{"inventory":"demo@1","by_ratio":{"binder":"400 kg/m3","water_binder_ratio":"0.46","cement":"cement-cem-i","water":"water-mains","aggregates":[{"item":"sand-washed","share":"100 %"}]},
		"k_value":[{"item":"ggbs","addition":"slag","k":"0.6"}],"coating":[{"item":"fibre-pp-macro","diameter":"0.45 mm"}],
		"batch_plan":{"mixer_volume":"1 m3","moisture":[{"item":"sand-washed","moisture":"4 %","absorption":"1 %"}]},
		"delivered":{"volume":"6 m3","masses":[{"item":"cement-cem-i","mass":"2400 kg"}]},
		"aggregate_substitution":{"mode":"lorry-rigid","natural":{"item":"gravel-20","distance":"35 km"},"recycled":{"item":"sand-washed","distance":"10 km"}}}`
	mixed := []any{
		"/batch_plan/mixer_volume", "1 kg", "unit-incompatible",
		"/batch_plan/moisture/0/moisture", "104 %", "out-of-range",
		"/k_value/0/k", "7", "out-of-range",
		"/coating/0/diameter", "0.45", "unit-missing",
		"/delivered/volume", "0 m3", "out-of-range",
		"/delivered/masses/0/mass", "2400", "unit-missing",
		"/aggregate_substitution/mode", "lorry", "item-unknown",
		"/aggregate_substitution/natural/distance", "35 kg", "unit-incompatible",
	}
	beams := with(t, with(t, beam(t, curveHead+"0,0\n0.05,15\n0.1,30\n3,8\n"), "/specimens", []any{
		map[string]any{"name": "A1", "curve": map[string]any{"csv": curveHead + "0,0\n0.05,x\n0.1,30\n"}},
		map[string]any{"name": "A2", "loads": map[string]any{"first_peak": "30 kN", "l150": "8 kN"}},
		map[string]any{"name": "A3", "loads": map[string]any{"first_peak": "30 kN", "l150": "8 kN"}},
	}), "/compression", []any{map[string]any{"name": "C1", "strength": "45 MPa"}})
	for _, c := range []struct {
		name, path, body string
		mistakes         []any
	}{
		{"break-even by the engine", "/v1/break-even", breakEven, append([]any{
			"/first", "planned", "alternative-unknown", "/variable/item", "cement", "item-unknown", "/range/low", "1,5", "decimal-invalid",
			"/comparison/alternatives/0/residual/life_years", nil, "required-member-missing",
		}, within[3:]...)},
		{"break-even by the contract too", "/v1/break-even", breakEven, append([]any{
			"/measures", "total_carbon", "unknown-field", "/first", "planned", "alternative-unknown", "/variable/item", "cement", "item-unknown",
			"/range/high", 2, "wrong-type", "/range/low", "1,5", "decimal-invalid",
		}, within...)},
		{"break-even of an inventory that is not", "/v1/break-even", breakEven, []any{
			"/comparison/inventory", "elsewhere@1", "inventory-unknown", "/measures", "total_carbon", "unknown-field", "/second", "planned", "alternative-unknown",
			within[6], within[7], within[8], within[9], within[10], within[11],
		}},
		{"sensitivity by the engine", "/v1/sensitivity", sensitivity, append([]any{
			"/second", "planned", "alternative-unknown", "/percent", "100 %", "out-of-range", "/members/0/pointer", "/alternatives/9", "pointer-unknown",
			"/comparison/alternatives/0/residual/life_years", nil, "required-member-missing",
		}, within[3:]...)},
		{"sensitivity by the contract too", "/v1/sensitivity", sensitivity, append([]any{
			"/member", "x", "unknown-field", "/second", "planned", "alternative-unknown", "/percent", "100 %", "out-of-range", "/members/0/unit", 7, "wrong-type",
		}, within...)},
		{"mix check by the engine", "/v1/mixes/check", mix, append([]any{
			"/by_ratio/binder", "0 kg/m3", "out-of-range", "/by_ratio/cement", "cement-cem-0", "item-unknown",
		}, mixed...)},
		{"mix check by the contract too", "/v1/mixes/check", mix, append([]any{
			"/by_ratio/slump", "80 mm", "unknown-field", "/by_ratio/binder", 400, "unit-missing", "/by_ratio/cement", "cement-cem-0", "item-unknown", "/batch_plan/tolerance", "en-206", "unknown-field",
		}, mixed...)},
		{"mix check without a mix", "/v1/mixes/check", mix, append([]any{
			"/by_ratios", map[string]any{}, "unknown-field", "/by_ratio", nil, "unknown-field /by_ratios",
		}, mixed...)},
		{"mix check of an inventory that is not", "/v1/mixes/check", mix, append([]any{
			"/inventory", "elsewhere@1", "inventory-unknown", "/by_ratio/slump", "80 mm", "unknown-field",
		}, append(mixed[:18:18], mixed[21:]...)...)},
		{"beam tests by the engine", "/v1/beam-tests", beams, []any{
			"/design_value", "median", "not-in-list", "/span", "450", "unit-missing", "/specimens/1/loads/l150", "8 mm", "unit-incompatible",
			"/compression/0/strength", "45", "unit-missing", "/age_days", 28, "decimal-invalid /specimens/0/curve/csv",
		}},
		{"beam tests of the right size", "/v1/beam-tests", beams, []any{
			"/specimens/1/loads/l150", "8 mm", "unit-incompatible", "/specimens/2/notch_depth", "10 mm", "not-used", "/compression/0/strength", "45", "unit-missing",
			"/age_days", 28, "decimal-invalid /specimens/0/curve/csv",
		}},
		{"beam tests by the contract too", "/v1/beam-tests", beams, []any{
			"/specimens/1/lods", map[string]any{}, "unknown-field", "/specimens/1/loads", nil, "unknown-field /specimens/1/lods",
			"/specimens/2/notch_depth", "10 mm", "not-used", "/compression/0/strength", "45", "unit-missing", "/age_days", 28, "decimal-invalid /specimens/0/curve/csv",
			"/specimens/0/curve/decimals", "comma", "unknown-field",
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			body, want := wrongs(t, c.body, c.mistakes)
			if c.name == "mix check without a mix" || c.name == "beam tests by the contract too" {
				for e := range want { // a member and its misspelling are one mistake
					want[e] = 1
				}
			}
			w := server.do(post(c.path, body))
			got := faultsOf(t, w.Code, w.Header(), w.Body.Bytes())
			if diff := gocmp.Diff(want, got); diff != "" || w.Code != http.StatusUnprocessableEntity {
				t.Errorf("%d, want (-), got (+):\n%s", w.Code, diff)
			}
		})
	}
}

// A member that is refused leaves a lack behind. Nothing that follows from the lack is
// told, of the alternative that has it or of one that it is like, whose member there may
// well be right. All members of the demo comparison are refused, one at a time.
func TestARefusedMemberIsTheOnlyFault(t *testing.T) {
	server := newServer(t, api.Options{})
	var whole map[string]any
	if err := json.Unmarshal([]byte(demo(t)), &whole); err != nil {
		t.Fatal(err)
	}
	thin := map[string]any{"name": "fibre, staged, thin", "like": "fibre, staged", "slab": map[string]any{"thickness": "200 mm"}}
	inherited := with(t, demo(t), "/alternatives", append(whole["alternatives"].([]any), thin))
	checked := 0
	only := func(pointer, code string, value any) {
		t.Helper()
		checked++
		w := server.do(post("/v1/comparisons", with(t, inherited, pointer, value)))
		got := faultsOf(t, w.Code, w.Header(), w.Body.Bytes())
		if diff := gocmp.Diff(map[entry]int{{Pointer: pointer, Code: code}: 1}, got); diff != "" {
			t.Errorf("%s: want (-), got (+):\n%s", pointer, diff)
		}
	}
	var each func(pointer string, value any)
	each = func(pointer string, value any) {
		switch value := value.(type) {
		case map[string]any:
			for name, member := range value {
				each(pointer+"/"+name, member)
			}
		case []any:
			for i, one := range value {
				each(fmt.Sprintf("%s/%d", pointer, i), one)
			}
		default:
			only(pointer, "wrong-type", true)
		}
	}
	each("", whole)
	const minutes = "/alternatives/2/mix/stages/0/minutes"
	only(minutes, "wrong-type", "four")
	only(minutes, "out-of-range", 0)
	only(minutes, "required-member-missing", nil)
	if checked < 90 {
		t.Errorf("only %d members were refused", checked)
	}
}

// An item of a draft is told all that is wrong with it, whether the contract or the
// reader of decimals refuses it, whole or as a patch; and what a patch does not touch
// it does not answer for.
func TestEveryFaultOfAnItemInOneAnswer(t *testing.T) {
	onEachStore(t, testEveryFaultOfAnItemInOneAnswer)
}

func testEveryFaultOfAnItemInOneAnswer(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	draft, _ := begin(t, server, `{"from":"demo@1"}`)
	cement := draft + "/items/cement-cem-i"
	wrong := `{"code":"cement","category":"cements","name":7,"unit":"pounds","density_kg_per_m3":"3,150","colour":"grey",
		"price":{"amount":"0,131","currency":"EUR","date":"2026-04-01","basis":"at works","tax":"excluded","source":{"kind":"invented"}},
		"factors":{"A1-A3":"8.42e-1","A6":"1","A2":0.1},"recipe":[{"item":"ggbs","amount":"x"},{"item":"ggbs"}],"factor_data":{"pedigree":[1,2,3]}}`
	want := map[entry]int{}
	for pointer, code := range map[string]string{
		"/code": "code-differs", "/category": "not-in-list", "/name": "wrong-type", "/unit": "not-in-list", "/density_kg_per_m3": "wrong-form", "/colour": "unknown-field",
		"/price/amount": "wrong-form", "/price/basis": "not-in-list", "/price/source/title": "required-member-missing",
		"/factors/A1-A3": "wrong-form", "/factors/A6": "unknown-field", "/factors/A2": "wrong-type",
		"/recipe/0/amount": "wrong-form", "/recipe/1/amount": "required-member-missing", "/factor_data/pedigree": "too-few",
	} {
		want[entry{Pointer: pointer, Code: code}]++
	}
	for _, method := range []string{http.MethodPut, http.MethodPatch} {
		w := server.do(request(method, cement, strings.NewReader(wrong), "Content-Type", "application/json", "If-Match", `"1"`))
		got := faultsOf(t, w.Code, w.Header(), w.Body.Bytes())
		expected := maps.Clone(want)
		if method == http.MethodPatch { // the rest of the source is there
			delete(expected, entry{Pointer: "/price/source/title", Code: "required-member-missing"})
		}
		if diff := gocmp.Diff(expected, got); diff != "" || w.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s %d, want (-), got (+):\n%s", method, w.Code, diff)
		}
	}
	for patch, pointer := range map[string]string{`{"unit":null}`: "/unit", `{"price":{"date":null}}`: "/price/date", `[]`: "", `{"note":"two\nlines"}`: "/note"} {
		w := server.do(request(http.MethodPatch, cement, strings.NewReader(patch), "Content-Type", "application/json", "If-Match", `"1"`))
		if got := problemOf(t, w.Code, w.Header(), w.Body.Bytes()).Errors; w.Code != 422 || len(got) != 1 || got[0].Pointer != pointer {
			t.Errorf("%s: %d %s", patch, w.Code, w.Body)
		}
	}
}
