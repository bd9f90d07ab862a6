package api_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"

	"slabledger/api"
	"slabledger/service"
)

// A bundle goes out and comes back as a match; changed, it comes back with the member.
func TestBundleAndVerify(t *testing.T) {
	server := newServer(t, api.Options{})
	w := server.do(post("/v1/bundles", `{"comparison":`+demo(t)+`}`))
	if w.Code != http.StatusOK {
		t.Fatal(w.Code, w.Body)
	}
	checkAnswer(t, "bundle", w)
	bundle := w.Body.String()
	verify := func(body string) (v service.Verification) {
		t.Helper()
		w := server.do(post("/v1/verify", body))
		if w.Code != http.StatusOK {
			t.Fatal(w.Code, w.Body)
		}
		checkAnswer(t, "verify", w)
		if err := json.Unmarshal(w.Body.Bytes(), &v); err != nil {
			t.Fatal(err)
		}
		return v
	}
	if v := verify(bundle); !v.Match || v.Inventory.ComputedFrom != service.FromStored {
		t.Errorf("%+v", v)
	}
	for pointer, value := range map[string]any{
		"/result/alternatives/2/cost/net_present_value_per_m2": "1.000000",
		"/request/alternatives/1/slab/thickness":               "216 mm",
		"/request/alternatives/0/slab/thickness":               "240", // which the contract refuses
		"/request/alternatives/0/slab/unknown":                 "1",
		"/inventory/rows/0/price/amount":                       "7",
	} {
		if v := verify(with(t, bundle, pointer, value)); v.Match || v.FirstDifference.Pointer != pointer {
			t.Errorf("%s: %+v", pointer, v.FirstDifference)
		}
	}
}

// A bundle may be longer than other bodies, up to its own limit.
func TestVerifyLimit(t *testing.T) {
	server := newServer(t, api.Options{})
	padded := func(n int) string {
		return `{"bundle_version":1` + strings.Repeat(" ", n-len(`{"bundle_version":1}`)) + `}`
	}
	if w := server.do(post("/v1/verify", padded(service.MaxBundleBytes))); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("at the limit: %d %s", w.Code, w.Body)
	}
	if w := server.do(post("/v1/verify", padded(service.MaxBundleBytes+1))); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("beyond the limit: %d %s", w.Code, w.Body)
	}
}
