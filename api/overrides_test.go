package api_test

import (
	"bytes"
	"net/http"
	"strings"
	"testing"

	"slabledger/api"
	"slabledger/service"
)

// Every operation that computes takes overrides, with an answer that fits the contract
// and says which figures the request gives; a job of it gives the same bytes.
func TestEveryOperationTakesOverrides(t *testing.T) {
	server := newServer(t, api.Options{})
	work(t, server, service.StandardJobLimits())
	what := []any{map[string]any{"item": "gravel-20", "price": "29 EUR/t", "factor": "9.7 kg CO2e/t", "reason": "another quarry"}}
	ids := map[string]string{"comparison": "compare", "grid": "studyGrid", "sensitivity": "sensitivity", "break-even": "breakEven", "uncertainty": "uncertainty", "methods": "studyMethods", "search": "search", "conclusions": "conclude"}
	for operation, r := range requests(t) {
		t.Run(operation, func(t *testing.T) {
			at := "/overrides"
			if strings.Contains(r[1], `"comparison":`) {
				at = "/comparison/overrides"
			}
			asked := with(t, r[1], at, what)
			plain, direct := server.do(post(r[0], r[1])), server.do(post(r[0], asked))
			if direct.Code != http.StatusOK {
				t.Fatalf("%d %s", direct.Code, direct.Body)
			}
			checkAnswer(t, ids[operation], direct)
			if said := strings.Contains(direct.Body.String(), "the price of gravel-20 is 29 EUR/t, as the request gives it"); !said && operation != "conclusions" {
				t.Error("the answer does not say that the request gives a price")
			}
			if bytes.Equal(plain.Body.Bytes(), direct.Body.Bytes()) {
				t.Error("the overrides change nothing")
			}
			address := queue(t, server, operation, asked)
			if j := endOf(t, server, address); j.State != "done" {
				t.Fatalf("%+v", j)
			}
			if w := server.do(get(address + "/result")); !bytes.Equal(direct.Body.Bytes(), w.Body.Bytes()) {
				t.Error("the bytes of the job differ from those of the operation")
			}
		})
	}
}

// What the contract refuses of an override, and what the inventory does not have, is told
// in one answer.
func TestFaultsOfOverridesInOneAnswer(t *testing.T) {
	server := newServer(t, api.Options{})
	w := server.do(post("/v1/comparisons", with(t, demo(t), "/overrides", []any{
		map[string]any{"item": "cement-cem-i", "price": 0.2, "reason": "a number"},
		map[string]any{"item": "fibre-pp-macro", "price": "3 EUR/kg"},
		map[string]any{"item": "no-such-thing", "price": "3 EUR/kg", "reason": "a test"},
		map[string]any{"item": "gravel-20", "price": "15 USD/t", "reason": "a test"},
	})))
	p := problemOf(t, w.Code, w.Header(), w.Body.Bytes())
	found := map[string]string{}
	for _, f := range p.Errors {
		found[f.Pointer] = f.Code
	}
	for pointer, code := range map[string]string{"/overrides/0/price": "unit-missing", "/overrides/1/reason": "required-member-missing", "/overrides/2/item": "item-unknown", "/overrides/3/price": "currency-mismatch"} {
		if found[pointer] != code {
			t.Errorf("%s: %q, want %q; all: %v", pointer, found[pointer], code, found)
		}
	}
	if w.Code != http.StatusUnprocessableEntity || len(found) != 4 {
		t.Errorf("%d %v", w.Code, found)
	}
}
