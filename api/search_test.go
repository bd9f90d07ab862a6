package api_test

import (
	"net/http"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/google/go-cmp/cmp"

	"slabledger/api"
)

// searchOf is the search that the contract gives as its example.
func searchOf(t testing.TB) string {
	t.Helper()
	example := contract().Document().Paths.Value("/v1/search").Post.RequestBody.Value.Content.Get("application/json").Examples["least-carbon"]
	text, err := json.Marshal(example.Value.Value)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// The example of the contract has an answer as the contract says, the same again, whose
// evaluation is what /v1/evaluations answers for the best.
func TestSearchAnswersItsExample(t *testing.T) {
	server, body := newServer(t, api.Options{}), searchOf(t)
	w := server.do(post("/v1/search", body))
	if w.Code != http.StatusOK {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	checkAnswer(t, "search", w)
	var found struct {
		Combinations, Feasible int
		Best                   struct {
			Total string `json:"total_kg_co2e_per_m2"`
		}
		Evaluation struct {
			Alternative struct {
				Resolved any
				Carbon   struct {
					Total string `json:"total_kg_co2e_per_m2"`
				}
			}
		}
		Certificate struct {
			Lengths []int `json:"axis_lengths"`
		}
	}
	if err := json.Unmarshal(w.Body.Bytes(), &found, json.MatchCaseInsensitiveNames(true)); err != nil {
		t.Fatal(err)
	}
	if found.Combinations != 4*3*2*6*2 || found.Feasible == 0 || found.Best.Total == "" || found.Best.Total != found.Evaluation.Alternative.Carbon.Total {
		t.Errorf("%+v", found)
	}
	if diff := cmp.Diff([]int{4, 3, 2, 6, 2}, found.Certificate.Lengths); diff != "" {
		t.Error(diff)
	}
	if again := server.do(post("/v1/search", body)).Body.String(); again != w.Body.String() {
		t.Error("the same search has two answers")
	}
}

// A search that cannot be read or computed is answered with the pointer to every value
// at fault, and one that is too large with its size.
func TestSearchTellsEveryFault(t *testing.T) {
	server, body := newServer(t, api.Options{}), searchOf(t)
	type fault struct{ Pointer, Code string }
	for name, c := range map[string]struct {
		pointer string
		value   any
		want    []fault
	}{
		"unknown member":  {"/axes/0/colour", "grey", []fault{{"/axes/0/colour", "unknown-field"}}},
		"no axes":         {"/axes", []any{}, []fault{{"/axes", "too-few"}}},
		"unknown measure": {"/minimise", "beauty", []fault{{"/minimise", "not-in-list"}}},
		"unit of a value": {"/axes/1/values/1", "3 MPa", []fault{{"/axes/1/values/1", "unit-incompatible"}}},
		"too many":        {"/axes/3/step", "0.01 mm", []fault{{"/axes", "compute-budget-exceeded"}}},
		"cap in tonnes":   {"/cap/at_most", "1 t", []fault{{"/cap/at_most", "unit-incompatible"}}},
		"bare cap":        {"/cap/at_most", 44, []fault{{"/cap/at_most", "wrong-type"}}},
		"unknown axis":    {"/strengths/1/at/0/axis", "colour", []fault{{"/strengths/1/at/0/axis", "not-in-list"}, {"/strengths/1/at", "required-member-missing"}}},
	} {
		t.Run(name, func(t *testing.T) {
			w := server.do(post("/v1/search", with(t, body, c.pointer, c.value)))
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
