package api_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"

	"slabledger/api"
	"slabledger/inventory"
	"slabledger/service"
)

// A key may have limits of its own: on samples, on combinations, and on the time of
// computing. Too large a request is refused before it starts, also as a job; other keys
// are not held to them.
func TestLimitsOfAKey(t *testing.T) { onEachStore(t, testLimitsOfAKey) }

func testLimitsOfAKey(t *testing.T, open opener) {
	server := open.keyed(t, api.Options{})
	w := server.do(bearer(post("/v1/keys", `{"name":"nightly","role":"analyst","limits":{"samples":2000,"combinations":3,"seconds":1}}`, "Idempotency-Key", newName()), server.secrets["admin"]))
	checkAnswer(t, "createKey", w)
	made := decode[struct{ ID, Secret string }](t, w)
	w = server.do(bearer(get("/v1/keys/"+made.ID), server.secrets["admin"]))
	checkAnswer(t, "getKey", w)
	if !strings.Contains(w.Body.String(), `"limits":{"samples":2000,"combinations":3,"seconds":1}`) {
		t.Errorf("the limits of the key: %s", w.Body)
	}

	uncertainty := func(samples string) string { return `{"comparison":` + demo(t) + `,"samples":` + samples + `}` }
	search := with(t, with(t, gridOf(t), "/baseline", nil), "/minimise", "total_carbon")
	for name, c := range map[string]struct{ path, body, pointer string }{
		"more samples":             {"/v1/uncertainty", uncertainty("2001"), "/samples"},
		"more samples in a job":    {"/v1/jobs", jobBody("uncertainty", uncertainty("2001")), "/request/samples"},
		"more combinations":        {"/v1/grids", gridOf(t), "/axes"},
		"more in a search":         {"/v1/search", search, "/axes"},
		"more in a job":            {"/v1/jobs", jobBody("grid", gridOf(t)), "/request/axes"},
		"more ways to count":       {"/v1/methods", `{"comparison":` + demo(t) + `,"real_discount_rates":["1 %","2 %","3 %","4 %"],"boundaries":["A1-A3"]}`, ""},
		"more samples by standard": {"/v1/conclusions", `{"comparison":` + demo(t) + `}`, "/samples"},
	} {
		ask := func(secret string) (int, map[entry]int) {
			w := server.do(bearer(post(c.path, c.body, "Idempotency-Key", newName()), secret))
			if w.Code < 400 {
				return w.Code, nil
			}
			return w.Code, faultsOf(t, w.Code, w.Header(), w.Body.Bytes())
		}
		code, faults := ask(made.Secret)
		if want := (entry{Pointer: c.pointer, Code: "compute-budget-exceeded"}); code != http.StatusUnprocessableEntity || faults[want] != 1 || len(faults) != 1 {
			t.Errorf("%s: %d %v, want %v", name, code, faults, want)
		}
		if code, faults := ask(server.secrets["analyst"]); code >= 400 {
			t.Errorf("%s, with another key: %d %v", name, code, faults)
		}
	}
	if w := server.do(bearer(post("/v1/uncertainty", uncertainty("2000")), made.Secret)); w.Code != http.StatusOK {
		t.Errorf("as many samples as it may have: %d %s", w.Code, w.Body)
	}
}

// The time that a key has is that of a request and of a job.
func TestTimeOfAKey(t *testing.T) {
	server := newKeyed(t, api.Options{})
	_, secret, err := service.New(server.store).CreateKey(t.Context(), service.NewKey{Name: "hasty", Role: "analyst", Limits: inventory.Limits{Seconds: 1}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	// Long work: some seconds of a fast machine.
	var asked struct {
		Alternatives []any `json:"alternatives"`
	}
	if err := json.Unmarshal([]byte(demo(t)), &asked); err != nil {
		t.Fatal(err)
	}
	for n := range 4 {
		asked.Alternatives = append(asked.Alternatives, map[string]any{"name": fmt.Sprint("fibre ", n), "like": "fibre", "slab": map[string]any{"thickness": fmt.Sprint(200+n, " mm")}})
	}
	many := with(t, demo(t), "/alternatives", asked.Alternatives)
	body := `{"comparison":` + many + `,"samples":1000000}`
	w := server.do(bearer(post("/v1/uncertainty", body), secret))
	if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); w.Code != http.StatusServiceUnavailable || p.Type != "/docs/problems/compute-timeout" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	limits := service.StandardJobLimits()
	work(t, server.fixture, limits)
	w = server.do(bearer(post("/v1/jobs", jobBody("uncertainty", body), "Idempotency-Key", newName()), secret))
	if w.Code != http.StatusAccepted {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	address := w.Header().Get("Location")
	for begun := time.Now(); ; time.Sleep(20 * time.Millisecond) {
		if w = server.do(bearer(get(address), secret)); strings.Contains(w.Body.String(), `"failed"`) {
			break
		} else if time.Since(begun) > time.Minute {
			t.Fatalf("it does not fail: %s", w.Body)
		}
	}
	if !strings.Contains(w.Body.String(), "longer than 1s") {
		t.Errorf("%s", w.Body)
	}
}
