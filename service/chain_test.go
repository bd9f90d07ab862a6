package service_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	stdjson "encoding/json"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/google/go-cmp/cmp"

	"slabledger/service"
)

var chainSteps = []string{"beam_tests", "strength", "thickness", "take_off", "cost_and_carbon"}

// moved tells which steps of a chain have another hash.
func moved(t testing.TB, before, after []service.ChainLink) (steps []string) {
	t.Helper()
	if len(before) != len(chainSteps) || len(after) != len(chainSteps) {
		t.Fatalf("chains of %d and %d steps", len(before), len(after))
	}
	for i, step := range chainSteps {
		if before[i].Step != step || after[i].Step != step {
			t.Errorf("step %d is %s and %s, want %s", i, before[i].Step, after[i].Step, step)
		}
		if before[i].Hash != after[i].Hash {
			steps = append(steps, step)
		}
	}
	return steps
}

// labToSlab is the scenario, with another text in the curve of the first beam of the
// ordinary mix.
func labToSlab(t testing.TB, old, now string, edits ...edit) []byte {
	t.Helper()
	body := file(t, "../testdata/scenarios/lab-to-slab.json")
	var doc struct {
		Alternatives []struct {
			Slab struct {
				Thickness struct {
					Strength struct {
						BeamTests service.BeamTestRequest `json:"beam_tests"`
					} `json:"strength"`
				} `json:"thickness"`
			} `json:"slab"`
		} `json:"alternatives"`
	}
	if err := json.Unmarshal(body, &doc); err != nil {
		t.Fatal(err)
	}
	csv := doc.Alternatives[1].Slab.Thickness.Strength.BeamTests.Specimens[0].Curve.CSV
	if strings.Count(csv, old) != 1 {
		t.Fatalf("%q does not stand in the curve once", old)
	}
	return changed(t, body, append(edits, edit{"/alternatives/1/slab/thickness/strength/beam_tests/specimens/0/curve/csv", strings.Replace(csv, old, now, 1)})...)
}

// One load of one beam moves every step behind it, whether or not a figure hears of
// it; the chain of other beams stays.
func TestOneLoadMovesTheWholeChain(t *testing.T) {
	svc := newService(t)
	base := compare(t, svc, labToSlab(t, "33.100", "33.100"))
	other := compare(t, svc, labToSlab(t, "33.100", "33.101"))
	if diff := cmp.Diff(chainSteps, moved(t, base.Alternatives[1].Chain, other.Alternatives[1].Chain)); diff != "" {
		t.Error(diff)
	}
	if steps := moved(t, base.Alternatives[2].Chain, other.Alternatives[2].Chain); steps != nil {
		t.Errorf("the chain of the other beams moved at %v", steps)
	}
	// A load behind the last point that is read enters no figure of the beam, and is
	// another test all the same.
	base = compare(t, svc, labToSlab(t, "3.0500,6.336", "3.0500,6.336\n3.1500,6.300"))
	other = compare(t, svc, labToSlab(t, "3.0500,6.336", "3.0500,6.336\n3.1500,6.301"))
	if diff := cmp.Diff(base.Alternatives[1].ThicknessDesign, other.Alternatives[1].ThicknessDesign); diff != "" {
		t.Errorf("the last load enters a figure:\n%s", diff)
	}
	if diff := cmp.Diff(chainSteps, moved(t, base.Alternatives[1].Chain, other.Alternatives[1].Chain)); diff != "" {
		t.Error(diff)
	}
}

// Each step moves itself and those behind it: a price, and so a version of the
// inventory, the last alone; joints the take-off; traffic the thickness; a rule the
// strength. Order and names are no step.
func TestChainMovesFromTheStepThatChanged(t *testing.T) {
	svc := newService(t)
	items := bytes.Replace(file(t, "../testdata/demo/items.csv"), []byte("0.124,EUR"), []byte("0.125,EUR"), 1)
	if _, _, err := svc.Import(t.Context(), "demo", demoMeta(t), bytes.NewReader(items), "a dearer cement"); err != nil {
		t.Fatal(err)
	}
	body := file(t, "../testdata/scenarios/lab-to-slab.json")
	base := compare(t, svc, body).Alternatives[1].Chain
	for name, c := range map[string]struct {
		edits []edit
		steps []string
	}{
		"a price":           {[]edit{{"/inventory", "demo@2"}}, chainSteps[4:]},
		"a discount rate":   {[]edit{{"/economics/real_discount_rate", "2 %"}}, chainSteps[4:]},
		"no economics":      {[]edit{{"/economics", remove}}, chainSteps[4:]},
		"a joint spacing":   {[]edit{{"/alternatives/0/slab/joints/spacing", "4 m"}}, chainSteps[3:]},
		"traffic":           {[]edit{{"/alternatives/0/slab/thickness/traffic/trucks/trucks_per_day", 61}}, chainSteps[2:]},
		"a strength rule":   {[]edit{{"/alternatives/1/slab/thickness/strength/strength_rule", "mor_plus_f150"}}, chainSteps[1:]},
		"the age of a test": {[]edit{{"/alternatives/1/slab/thickness/strength/beam_tests/age_days", 29}}, chainSteps},
	} {
		if diff := cmp.Diff(c.steps, moved(t, base, compare(t, svc, changed(t, body, c.edits...)).Alternatives[1].Chain)); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
	var doc map[string]any
	if err := json.Unmarshal(body, &doc); err != nil {
		t.Fatal(err)
	}
	slices.Reverse(doc["alternatives"].([]any))
	reversed, err := json.Marshal(doc)
	if err != nil {
		t.Fatal(err)
	}
	all := compare(t, svc, reversed).Alternatives
	if steps := moved(t, base, all[len(all)-2].Chain); steps != nil {
		t.Errorf("another order moves %v", steps)
	}
}

// Only a slab that is sized from beams has a chain, in a comparison and by itself.
func TestChainOfBeamsOnly(t *testing.T) {
	svc := newService(t)
	body := file(t, "../testdata/scenarios/lab-to-slab.json")
	r := compare(t, svc, body)
	if r.Alternatives[0].Chain != nil {
		t.Errorf("a given strength has the chain %+v", r.Alternatives[0].Chain)
	}
	text, err := service.Encode(r.Alternatives[0])
	if err != nil || bytes.Contains(text, []byte(`"chain"`)) {
		t.Errorf("%v: %.200s", err, text)
	}
	for _, a := range compare(t, svc, request(t)).Alternatives {
		if a.Chain != nil {
			t.Errorf("%s has the chain %+v", a.Name, a.Chain)
		}
	}
	var doc map[string]any
	if err := json.Unmarshal(body, &doc); err != nil {
		t.Fatal(err)
	}
	alone := doc["alternatives"].([]any)[0].(map[string]any)
	alone["slab"].(map[string]any)["thickness"].(map[string]any)["strength"] = doc["alternatives"].([]any)[1].(map[string]any)["slab"].(map[string]any)["thickness"].(map[string]any)["strength"]
	doc["alternative"] = alone
	delete(doc, "alternatives")
	delete(doc, "baseline")
	one, err := json.Marshal(doc)
	if err != nil {
		t.Fatal(err)
	}
	e, err := svc.Evaluate(t.Context(), one)
	if err != nil {
		t.Fatal(service.Faults(err), err)
	}
	// The same beams in the same slab, of another mix: take-off and all behind differ.
	if diff := cmp.Diff(chainSteps[3:], moved(t, r.Alternatives[1].Chain, e.Alternative.Chain)); diff != "" {
		t.Error(diff)
	}
}

// Whoever has the response alone finds the hashes again: here with the JSON of the
// standard library, by the rule of docs/beam-tests.md.
func TestChainIsRecomputedFromTheResponse(t *testing.T) {
	text, err := service.Encode(compare(t, newService(t), file(t, "../testdata/scenarios/lab-to-slab.json")))
	if err != nil {
		t.Fatal(err)
	}
	var doc any
	decoder := stdjson.NewDecoder(bytes.NewReader(text))
	decoder.UseNumber()
	if err := decoder.Decode(&doc); err != nil {
		t.Fatal(err)
	}
	type object = map[string]any
	var placeless func(v any) any
	placeless = func(v any) any {
		switch v := v.(type) {
		case object:
			out := object{}
			for name, member := range v {
				if name != "pointer" && name != "source" {
					out[name] = placeless(member)
				}
			}
			return out
		case []any:
			out := make([]any, len(v))
			for i, entry := range v {
				out[i] = placeless(entry)
			}
			return out
		}
		return v
	}
	hash := func(v any) string {
		var out bytes.Buffer
		encoder := stdjson.NewEncoder(&out) // sorts names; the texts here have no sign that it escapes otherwise
		encoder.SetEscapeHTML(false)
		if err := encoder.Encode(v); err != nil {
			t.Fatal(err)
		}
		sum := sha256.Sum256(bytes.TrimSuffix(out.Bytes(), []byte("\n")))
		return hex.EncodeToString(sum[:])
	}
	chains := 0
	for _, a := range doc.(object)["alternatives"].([]any) {
		a := a.(object)
		if a["chain"] == nil {
			continue
		}
		chains++
		d := a["thickness_design"].(object)
		after := hash(a["resolved"].(object)["slab"].(object)["thickness"].(object)["strength"].(object)["beam_tests"])
		for i, result := range []any{d["beam_tests"], object{"effective_strength_mpa": d["effective_strength_mpa"], "strength_rule": d["strength_rule"]},
			d, object{"takeoff": a["takeoff"], "quantities": a["quantities"]}, object{"carbon": a["carbon"], "cost": a["cost"]}} {
			after = hash(object{"after": after, "result": placeless(result)})
			if diff := cmp.Diff(any(object{"step": chainSteps[i], "hash": after}), a["chain"].([]any)[i]); diff != "" {
				t.Errorf("%s: %s", a["name"], diff)
			}
		}
	}
	if chains != 2 {
		t.Errorf("%d chains were recomputed", chains)
	}
}

// The script of docs/beam-tests.md agrees with every chain of a response.
func TestChainByTheScriptOfTheDocs(t *testing.T) {
	python, err := exec.LookPath("python3")
	if err != nil {
		t.Skip("no python3 to run the script with: ", err)
	}
	_, script, ok := strings.Cut(string(file(t, "../docs/beam-tests.md")), "```python\n")
	script, _, closed := strings.Cut(script, "```")
	if !ok || !closed {
		t.Fatal("docs/beam-tests.md has no script")
	}
	text, err := service.Encode(compare(t, newService(t), file(t, "../testdata/scenarios/lab-to-slab.json")))
	if err != nil {
		t.Fatal(err)
	}
	for response, want := range map[string]string{
		string(text): "fibre True\nfibre, staged True\n",
		strings.Replace(string(text), `"strength_rule":"residual_ratio"`, `"strength_rule":"none"`, 3): "fibre False\nfibre, staged True\n",
	} {
		command := exec.CommandContext(t.Context(), python, "-c", script)
		command.Stdin = strings.NewReader(response)
		got, err := command.CombinedOutput()
		if err != nil || string(got) != want {
			t.Errorf("%v: %q, want %q", err, got, want)
		}
	}
}
