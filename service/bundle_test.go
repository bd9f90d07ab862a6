package service_test

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/service"
)

// anything lets every request of a bundle through to the engine, which checks what it
// needs; the contract is checked in api.
func anything(body []byte) ([]byte, []fault.Fault, error) { return body, nil, nil }

// bundleOf is a bundle of a comparison, as text.
func bundleOf(t testing.TB, svc *service.Service, comparison []byte) []byte {
	t.Helper()
	bundle, err := svc.BundleOf(t.Context(), comparison, nil)
	if err != nil {
		t.Fatal(err, service.Faults(err))
	}
	text, err := service.Encode(bundle)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// A bundle matches where its inventory is stored and where it is not, whatever the
// scenario, and is the same bytes each time.
func TestBundleMatches(t *testing.T) {
	svc := newService(t)
	for _, name := range []string{"demo/comparison.json", "scenarios/published-mix.json", "scenarios/sized.json", "scenarios/lab-to-slab.json"} {
		comparison := file(t, "../testdata/"+name)
		text := bundleOf(t, svc, comparison)
		if again := bundleOf(t, svc, comparison); string(again) != string(text) {
			t.Errorf("%s: two bundles of one comparison differ", name)
		}
		for from, verify := range map[string]func() (*service.Verification, error){
			service.FromStored: func() (*service.Verification, error) { return svc.Verify(t.Context(), text, anything) },
			service.FromRows:   func() (*service.Verification, error) { return service.VerifyAlone(t.Context(), text, anything) },
		} {
			v, err := verify()
			if err != nil {
				t.Fatal(err)
			}
			if !v.Match || v.Inventory.ComputedFrom != from || v.MembersCompared < 500 {
				t.Errorf("%s from %s: %+v", name, from, v)
			}
		}
	}
}

// leaves lists where the texts and numbers of a document stand.
func leaves(at fault.Path, value any) []fault.Path {
	var all []fault.Path
	switch inside := value.(type) {
	case map[string]any:
		for name, v := range inside {
			all = append(all, leaves(at.At(name), v)...)
		}
	case []any:
		for i, v := range inside {
			all = append(all, leaves(at.At(i), v)...)
		}
	case string, float64:
		all = append(all, at)
	}
	return all
}

// oneDigit changes the last digit of a value, or returns false where it has none.
func oneDigit(value any) (any, bool) {
	if n, ok := value.(float64); ok {
		return n + 1, true
	}
	text, ok := value.(string)
	i := strings.LastIndexAny(text, "0123456789")
	if !ok || i < 0 {
		return nil, false
	}
	return text[:i] + string('0'+(text[i]-'0'+1)%10) + text[i+1:], true
}

// memberOf follows a pointer.
func memberOf(t testing.TB, document any, at fault.Path) any {
	t.Helper()
	for _, step := range strings.Split(string(at), "/")[1:] {
		switch inside := document.(type) {
		case map[string]any:
			document = inside[fault.Unescape(step)]
		case []any:
			i, err := strconv.Atoi(step)
			if err != nil {
				t.Fatal(err)
			}
			document = inside[i]
		}
	}
	return document
}

// One digit changed anywhere is named: in the result, the hashes and the rows at its
// own pointer, in the request at its own pointer or where the result first shows it.
func TestVerifyNamesOneChangedDigit(t *testing.T) {
	svc := newService(t)
	text := bundleOf(t, svc, file(t, "../testdata/demo/comparison.json"))
	var document any
	if err := json.Unmarshal(text, &document); err != nil {
		t.Fatal(err)
	}
	random, found := rand.New(rand.NewPCG(6, 65)), map[string]int{}
	byPart := map[string][]fault.Path{}
	for _, at := range leaves("", document) {
		if _, ok := oneDigit(memberOf(t, document, at)); ok {
			part := strings.Split(string(at), "/")[1]
			byPart[part] = append(byPart[part], at)
		}
	}
	for part, all := range byPart {
		for range 40 {
			at := all[random.IntN(len(all))]
			value, _ := oneDigit(memberOf(t, document, at))
			changedText := changed(t, text, edit{string(at), value})
			v, err := svc.Verify(t.Context(), changedText, anything)
			if err != nil {
				if part == "bundle_version" || at == "/inventory/ref" {
					found[part]++ // refused as no bundle, or as another inventory
					continue
				}
				t.Fatalf("%s: %v %v", at, err, service.Faults(err))
			}
			if v.Match || v.FirstDifference == nil {
				t.Fatalf("%s changed to %v: it matches", at, value)
			}
			named := v.FirstDifference.Pointer
			switch {
			case part == "request" && named != string(at):
				if v.Hashes[0].Match || !(strings.HasPrefix(named, "/result/") || strings.HasPrefix(named, "/request") || named == "/hashes/request") {
					t.Errorf("%s changed to %v: named %s (%s)", at, value, named, v.FirstDifference.Reason)
				}
			case at == "/inventory/ref" || at == "/inventory/hash": // then the version is not the stored one
				if v.Inventory.ComputedFrom != service.FromRows || named != string(at) {
					t.Errorf("%s: computed from %s, named %s", at, v.Inventory.ComputedFrom, named)
				}
			case named != string(at):
				t.Errorf("%s changed to %v: named %s (%s)", at, value, named, v.FirstDifference.Reason)
			}
			found[part]++
		}
	}
	for _, part := range []string{"request", "inventory", "result", "hashes", "engine_version"} {
		if found[part] < 40 {
			t.Errorf("%d changes of %s were tried", found[part], part)
		}
	}
}

// A change with all hashes made good again is still found, since the figures no longer
// follow from the request.
func TestVerifyTakesNoHashForAFigure(t *testing.T) {
	svc := newService(t)
	text := bundleOf(t, svc, file(t, "../testdata/demo/comparison.json"))
	at := "/result/alternatives/1/carbon/lines/2/gwp_kg_co2e_per_m2"
	forged := resealed(t, changed(t, text, edit{at, "0.000001"}))
	v, err := service.VerifyAlone(t.Context(), forged, anything)
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range v.Hashes {
		if !h.Match {
			t.Errorf("the hash of %s was not made good", h.Of)
		}
	}
	if v.Match || v.FirstDifference.Pointer != at || *v.FirstDifference.Stated != "0.000001" {
		t.Errorf("%+v", v.FirstDifference)
	}
}

// resealed gives a changed bundle the hashes of what it has now.
func resealed(t testing.TB, bundle []byte) []byte {
	t.Helper()
	v, err := service.VerifyAlone(t.Context(), bundle, anything)
	if err != nil {
		t.Fatal(err)
	}
	var edits []edit
	for _, h := range v.Hashes[:3] {
		edits = append(edits, edit{"/hashes/" + h.Of, h.Computed})
	}
	bundle = changed(t, bundle, edits...)
	if v, err = service.VerifyAlone(t.Context(), bundle, anything); err != nil {
		t.Fatal(err)
	}
	return changed(t, bundle, edit{"/hashes/bundle", v.Hashes[3].Computed})
}

// What the bundle says of itself, changed alone, is named where it stands, though the
// result repeats it; and so is a member of the request that the result repeats.
func TestVerifyNamesWhatTheResultRepeats(t *testing.T) {
	svc := newService(t)
	text := bundleOf(t, svc, file(t, "../testdata/demo/comparison.json"))
	for at, value := range map[string]any{
		"/inventory/hash":        strings.Repeat("0", 64),
		"/inventory/ref":         "demo@2",
		"/engine_version":        "99.0.0",
		"/result/inventory/hash": strings.Repeat("0", 64),
		"/request/functional_unit/analysis_period_years":    41,
		"/request/functional_unit/service/edge_support":     "none",
		"/request/economics/real_discount_rate":             "4 %",
		"/request/alternatives/2/name":                      "fibre in stages",
		"/request/alternatives/0/mix/constituents/0/amount": "351 kg/m3",
	} {
		for from, verify := range map[string]func([]byte) (*service.Verification, error){
			"stored": func(b []byte) (*service.Verification, error) { return svc.Verify(t.Context(), b, anything) },
			"alone":  func(b []byte) (*service.Verification, error) { return service.VerifyAlone(t.Context(), b, anything) },
		} {
			v, err := verify(changed(t, text, edit{at, value}))
			if err != nil {
				t.Fatal(at, err, service.Faults(err))
			}
			if v.Match || v.FirstDifference.Pointer != at {
				t.Errorf("%s, %s: named %+v", at, from, v.FirstDifference)
			}
		}
	}
}

// Where another engine made a bundle that does not compute, that is told as the first
// cause; where only its name was put there, the hash of the result gives it away.
func TestVerifyNamesTheEngineFirst(t *testing.T) {
	const npv = "/result/alternatives/0/cost/net_present_value_per_m2"
	svc := newService(t)
	text := bundleOf(t, svc, file(t, "../testdata/demo/comparison.json"))
	newer := []edit{{"/engine_version", "99.0.0"}, {"/result/engine_version", "99.0.0"}}
	for name, c := range map[string]struct {
		text    []byte
		pointer string
	}{
		"another figure":        {resealed(t, changed(t, text, append(newer, edit{npv, "1.000000"})...)), npv},
		"a member more":         {resealed(t, changed(t, text, append(newer, edit{"/result/new_figure", "1"})...)), "/result/new_figure"},
		"a request of its time": {resealed(t, changed(t, text, append(newer, edit{"/request/alternatives/0/slab/thickness", "240 ells"})...)), "/request/alternatives/0/slab/thickness"},
	} {
		v, err := svc.Verify(t.Context(), c.text, anything)
		if err != nil {
			t.Fatal(name, err, service.Faults(err))
		}
		if v.Match || v.FirstDifference.Pointer != c.pointer || !strings.Contains(v.FirstDifference.Reason, "names engine 99.0.0 and this is engine "+service.EngineVersion+", which is the first cause") {
			t.Errorf("%s: %+v", name, v.FirstDifference)
		}
	}
	for name, c := range map[string]edit{"another form": {"/bundle_version", 2}, "a part more": {"/signature", "x"}} {
		_, err := svc.Verify(t.Context(), changed(t, text, append(newer, c)...), anything)
		if found := service.Faults(err); len(found) != 1 || string(found[0].Pointer) != c.pointer || !strings.Contains(found[0].Detail, "names engine 99.0.0") {
			t.Errorf("%s: %v %v", name, err, found)
		}
	}
	if v, err := svc.Verify(t.Context(), changed(t, text, newer...), anything); err != nil || v.Match || v.FirstDifference.Pointer != "/engine_version" || *v.FirstDifference.Computed != service.EngineVersion {
		t.Errorf("the name alone: %+v %v", v, err)
	}
	if v, err := svc.Verify(t.Context(), resealed(t, changed(t, text, newer...)), anything); err != nil || !v.Match || !strings.Contains(v.Notices[1], "99.0.0") {
		t.Errorf("another engine with the same figures: %+v %v", v, err)
	}
	if v, err := svc.Verify(t.Context(), changed(t, text, edit{"/request/alternatives/0/mix/constituents/0/item", "cement-cem-ii"}), anything); err != nil || !strings.HasSuffix(v.FirstDifference.Reason, "no longer has its hash: request") {
		t.Errorf("another item in the request: %+v %v", v.FirstDifference, err)
	}
	if v, err := svc.Verify(t.Context(), changed(t, text, edit{npv, "1.000000"}), anything); err != nil || strings.Contains(v.FirstDifference.Reason, "engine") {
		t.Errorf("this engine: %+v %v", v, err)
	}
}

// A text that is no JSON is told from a bundle, with what is wrong and where.
func TestVerifySaysWhyItIsNoJSON(t *testing.T) {
	svc := newService(t)
	text := string(bundleOf(t, svc, file(t, "../testdata/demo/comparison.json")))
	for name, c := range map[string]struct{ text, pointer, code string }{
		"twice at the top":  {strings.Replace(text, `"bundle_version":1`, `"bundle_version":1,"bundle_version":1`, 1), "/bundle_version", "duplicate-member"},
		"twice in the rows": {strings.Replace(text, `"code":"cement-cem-i"`, `"code":"cement-cem-i","code":"cement-cem-i"`, 1), "", "duplicate-member"},
		"twice, escaped":    {strings.Replace(text, `"bundle_version":1`, `"bundle_version":1,"bundle\u005fversion":1`, 1), "/bundle_version", "duplicate-member"},
		"empty":             {"", "", "truncated"},
		"cut":               {`{"request":{"a":`, "", "truncated"},
		"more behind":       {text + "x", "", "syntax"},
		"two values":        {text + " {}", "", "syntax"},
		"a word":            {`{"request":bundle}`, "/request", "syntax"},
		"not UTF-8":         {"{\"request\":\"\xff\"}", "/request", "invalid-utf8"},
	} {
		_, err := svc.Verify(t.Context(), []byte(c.text), anything)
		var failed *service.Error
		if !errors.As(err, &failed) || failed.Code != service.Malformed {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if found := service.Faults(err); len(found) != 1 || found[0].Code != c.code || c.pointer != "" && string(found[0].Pointer) != c.pointer {
			t.Errorf("%s: %+v", name, found)
		}
	}
}

// A version of the same name with other content is said to be another, and the rows of
// the bundle are taken.
func TestVerifyTellsAnotherInventoryOfThatName(t *testing.T) {
	svc := newService(t)
	publish(t, svc, "other", string(file(t, "../testdata/demo/items.csv")))
	comparison := request(t, edit{"/inventory", "other@1"})
	text := bundleOf(t, svc, comparison)

	elsewhere := newService(t)
	publish(t, elsewhere, "other", strings.Replace(string(file(t, "../testdata/demo/items.csv")), ",0.124,", ",0.125,", 1))
	v, err := elsewhere.Verify(t.Context(), text, anything)
	if err != nil {
		t.Fatal(err)
	}
	if !v.Match || v.Inventory.ComputedFrom != service.FromRows || v.Inventory.StoredHash == "" || v.Inventory.StoredHash == v.Inventory.Hash {
		t.Errorf("%+v", v.Inventory)
	}
}

// Numbers that must not be passed on make no bundle, unless the request says that it
// stays with who asks; it is marked then.
func TestBundleKeepsTheLicence(t *testing.T) {
	svc := newService(t)
	csv := strings.Replace(string(file(t, "../testdata/demo/items.csv")), "2026,Apache-2.0,0.842", "2026,no-redistribution,0.842", 1)
	publish(t, svc, "quoted", csv)
	comparison := request(t, edit{"/inventory", "quoted@1"})
	_, err := svc.Bundle(t.Context(), fmt.Appendf(nil, `{"comparison":%s}`, comparison))
	if found := service.Faults(err); len(found) != 1 || found[0].Code != "redistribution-forbidden" || found[0].Pointer != "/comparison/inventory" || !strings.Contains(found[0].Detail, "cement-cem-i ") {
		t.Errorf("%v %v", err, found)
	}
	bundle, err := svc.Bundle(t.Context(), fmt.Appendf(nil, `{"comparison":%s,"restricted_values":"included"}`, comparison))
	if err != nil {
		t.Fatal(err)
	}
	if len(bundle.Inventory.Restricted) != 1 || bundle.Inventory.Restricted[0] != "cement-cem-i" {
		t.Errorf("restricted: %v", bundle.Inventory.Restricted)
	}
	text, err := service.Encode(bundle)
	if err != nil {
		t.Fatal(err)
	}
	if v, err := svc.Verify(t.Context(), text, anything); err != nil || !v.Match {
		t.Errorf("%+v %v", v, err)
	}
}

// What is no bundle is refused, and rows that no inventory could hold compute nothing.
func TestVerifyRefusesWhatIsNoBundle(t *testing.T) {
	svc := newService(t)
	text := bundleOf(t, svc, file(t, "../testdata/demo/comparison.json"))
	for name, c := range map[string]struct {
		text    []byte
		pointer string
	}{
		"another version":  {changed(t, text, edit{"/bundle_version", 2}), "/bundle_version"},
		"a member more":    {changed(t, text, edit{"/signed_by", "x"}), "/signed_by"},
		"no result":        {changed(t, text, edit{"/result", remove}), "/result"},
		"no rows":          {changed(t, text, edit{"/inventory/rows", remove}), "/inventory/rows"},
		"rows are a text":  {changed(t, text, edit{"/inventory/rows", "x"}), "/inventory/rows"},
		"no inventory ref": {changed(t, text, edit{"/inventory/ref", "demo"}), "/inventory/ref"},
	} {
		_, err := svc.Verify(t.Context(), c.text, anything)
		if found := service.Faults(err); len(found) == 0 || string(found[0].Pointer) != c.pointer {
			t.Errorf("%s: %v %v", name, err, found)
		}
	}
	for _, bad := range []string{"", "{", "[]", "null", `{"result":{},"result":{}}`} {
		if _, err := svc.Verify(t.Context(), []byte(bad), anything); err == nil {
			t.Errorf("%q is taken for a bundle", bad)
		}
	}
	for name, e := range map[string]edit{
		"negative density":         {"/inventory/rows/1/density_kg_per_m3", "-1"},
		"recipe of itself":         {"/inventory/rows/1/recipe", []any{map[string]any{"item": "cement-cem-i", "amount": "1"}}},
		"number in place of texts": {"/inventory/rows/1/price/amount", 1},
	} {
		v, err := service.VerifyAlone(t.Context(), changed(t, text, e), anything)
		if err != nil || v.Match || v.FirstDifference.Pointer != "/inventory/rows/1" {
			t.Errorf("%s: %v %+v", name, err, v)
		}
	}
}

// A bundle of an inventory that extends another has what its items take the place of,
// and so gives the same result where neither is stored.
func TestBundleOfLayers(t *testing.T) {
	svc := newService(t)
	v, err := svc.Version(t.Context(), "demo", 1)
	if err != nil {
		t.Fatal(err)
	}
	own := *inventory.Find(v.Items, "cement-cem-i")
	own.Price.Amount = dec("0.131")
	var table bytes.Buffer
	if err := inventory.WriteCSV(&table, []inventory.Item{own}); err != nil {
		t.Fatal(err)
	}
	meta := v.Meta
	meta.Extends = "demo@1"
	if _, _, err := svc.Import(t.Context(), "north", meta, &table, "own cement"); err != nil {
		t.Fatal(err)
	}
	text := bundleOf(t, svc, request(t, edit{"/inventory", "north@1"}))
	alone, err := service.VerifyAlone(t.Context(), text, anything)
	if err != nil || !alone.Match || !bytes.Contains(text, []byte(`"overridden":[{`)) {
		t.Errorf("%+v %v", alone, err)
	}
	alone, err = service.VerifyAlone(t.Context(), changed(t, text, edit{"/inventory/overridden/0/price/amount", "0.125"}), anything)
	if err != nil || alone.Match {
		t.Errorf("another price of the base goes unnoticed: %+v %v", alone, err)
	}
}
