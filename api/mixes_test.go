package api_test

import (
	"crypto/sha256"
	"encoding/base64"
	"net/http"
	"regexp"
	"slices"
	"strings"
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

// planned is a mix with a batch plan.
const planned = `{"inventory":"demo@1","by_ratio":{"binder":"400 kg/m3","water_binder_ratio":"0.46","cement":"cement-cem-i","water":"water-mains","aggregates":[{"item":"sand-washed","share":"100 %"}]},"batch_plan":{"mixer_volume":"1.0 m3"}}`

// A browser gets the batch sheet and may apply its style alone, which the policy
// names by its hash (CSP Level 3, 6.7.3.3); a program gets JSON as ever.
func TestBatchSheetForABrowser(t *testing.T) {
	server := newServer(t, api.Options{})
	const jsonType, htmlType = "application/json", "text/html; charset=utf-8"
	for _, c := range []struct{ accept, want string }{
		{"", jsonType}, {"*/*", jsonType}, {"application/json", jsonType}, {"application/json, text/html;q=0.9", jsonType}, {"text/html;q=0, */*", jsonType},
		{"text/html", htmlType}, {"text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8", htmlType}, {"text/*, application/json;q=0.5", htmlType},
	} {
		headers := []string{"Accept", c.accept}
		if c.accept == "" {
			headers = nil
		}
		w := server.do(post("/v1/mixes/check", planned, headers...))
		if got := w.Header().Get("Content-Type"); w.Code != http.StatusOK || got != c.want || !slices.Contains(w.Header().Values("Vary"), "Accept") {
			t.Errorf("Accept %q: %d %q, Vary %q", c.accept, w.Code, got, w.Header().Values("Vary"))
		}
		checkAnswer(t, "checkMix", w)
	}
	w := server.do(post("/v1/mixes/check", planned, "Accept", "text/html"))
	page := w.Body.String()
	style := regexp.MustCompile(`(?s)<style>(.*?)</style>`).FindStringSubmatch(page)
	sum := sha256.Sum256([]byte(style[1]))
	want := "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
	if got := w.Header().Get("Content-Security-Policy"); got != want {
		t.Errorf("policy %q, want %q", got, want)
	}
	if found := elsewhere.FindString(page); found != "" || strings.Contains(page, "<link") {
		t.Errorf("the page loads something: %q", found)
	}
	if !strings.Contains(style[1], "size: A4") {
		t.Error("the page is not made for A4")
	}
	if again := server.do(post("/v1/mixes/check", planned, "Accept", "text/html")).Body.String(); again != page {
		t.Error("one request has two sheets")
	}
}

// What has no sheet is a problem that says what is missing, and so is what cannot be
// computed.
func TestNoBatchSheetWithoutAPlan(t *testing.T) {
	server := newServer(t, api.Options{})
	for pointer, body := range map[string]string{
		"/batch_plan":              with(t, planned, "/batch_plan", nil),
		"/batch_plan/mixer_volume": with(t, planned, "/batch_plan/mixer_volume", "1 kg"),
		"/batch_plan/slump":        with(t, planned, "/batch_plan/slump", "80 mm"),
	} {
		w := server.do(post("/v1/mixes/check", body, "Accept", "text/html"))
		if w.Code != http.StatusUnprocessableEntity {
			t.Fatalf("%s: %d %s", pointer, w.Code, w.Body)
		}
		if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); len(p.Errors) != 1 || p.Errors[0].Pointer != pointer {
			t.Errorf("%s: %+v", pointer, p.Errors)
		}
	}
	if w := server.do(post("/v1/mixes/check", planned, "Accept", "text/csv")); w.Code != http.StatusNotAcceptable {
		t.Errorf("as CSV: %d", w.Code)
	}
}

// That the version behind it is withdrawn is told with a mix check too, in either
// form.
func TestMixCheckOfAWithdrawnVersion(t *testing.T) { onEachStore(t, testMixCheckOfAWithdrawnVersion) }

func testMixCheckOfAWithdrawnVersion(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	if w := server.do(post("/v1/mixes/check", planned)); w.Header().Get("Inventory-Withdrawn") != "" {
		t.Error("said before it was so")
	}
	server.send(t, "withdrawVersion", http.MethodPut, "/v1/inventories/demo/versions/1/withdrawal", `{"reason":"a slip"}`, 200)
	for _, accept := range []string{"application/json", "text/html"} {
		if w := server.do(post("/v1/mixes/check", planned, "Accept", accept)); w.Code != http.StatusOK || !strings.HasPrefix(w.Header().Get("Inventory-Withdrawn"), "demo@1; at=2") {
			t.Errorf("%s: %d %q", accept, w.Code, w.Header().Get("Inventory-Withdrawn"))
		}
	}
}
