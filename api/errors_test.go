package api_test

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"slabledger/api"
)

// items is an inventory in which one material has no factor and another no
// price.
const gaps = `code,category,name,unit,density_kg_per_m3,price,price_currency,price_date,price_basis,price_tax,price_source_kind,price_source_title,gwp_a1_a3,gwp_process,factor_source_kind,factor_source_title
cement,cement,Cement,kg,3100,0.1,EUR,2026-01-01,delivered,excluded,invented,Invented,,,,
sand,aggregate,Sand,kg,2600,,,,,,,,0.004,,invented,Invented
water,water,Water,kg,1000,0.002,EUR,2026-01-01,delivered,excluded,invented,Invented,0.0002,,invented,Invented
power,energy,Power,kWh,,0.1,EUR,2026-01-01,delivered,excluded,invented,Invented,,0.3,invented,Invented
lorry,transport,Lorry,t.km,,0.1,EUR,2026-01-01,delivered,excluded,invented,Invented,,0.1,invented,Invented
`

const gapsBody = `{"inventory":"gaps@1","functional_unit":{"area":"1 m2","analysis_period_years":10},"economics":{"real_discount_rate":"3 %"},
"alternative":{"name":"a","mix":{"constituents":[
{"item":"cement","amount":"300 kg/m3","transport":"included","reason":"x"},
{"item":"water","amount":"150 kg/m3","transport":"included","reason":"x"},
{"item":"sand","amount":"balance","transport":"included","reason":"x"}],"production":[{"item":"power","amount":"1 kWh/m3"}]},
"slab":{"thickness":"200 mm"},"transport":[{"category":"concrete","to":"site","mode":"lorry","distance":"10 km"}]}}`

// Every slip that a user is known to make is answered with a problem that
// points at it, and quickly.
func TestFaultsOfARequest(t *testing.T) {
	server := newServer(t, api.Options{})
	server.publish(t, "gaps", gaps)
	base := demo(t)
	const first = "/alternatives/0"
	// fault is a pointer, a code, and a text that the detail has.
	type fault [3]string
	for _, c := range []struct {
		name   string
		body   string
		status int
		kind   string
		want   []fault
	}{
		{"missing unit", with(t, base, first+"/slab/thickness", "240"), 422, "validation-failed", []fault{{first + "/slab/thickness", "unit-missing", "mm"}}},
		{"unknown unit", with(t, base, first+"/slab/thickness", "240 millimetres"), 422, "validation-failed", []fault{{first + "/slab/thickness", "unit-unknown", "mm"}}},
		{"wrong dimension", with(t, base, first+"/slab/thickness", "240 kg"), 422, "validation-failed", []fault{{first + "/slab/thickness", "unit-incompatible", "mm"}}},
		{"bare number", with(t, base, first+"/slab/thickness", 240), 422, "validation-failed", []fault{{first + "/slab/thickness", "unit-missing", "mm"}}},
		{"negative", with(t, base, first+"/slab/thickness", "-240 mm"), 422, "validation-failed", []fault{{first + "/slab/thickness", "out-of-range", ""}}},
		{"zero", with(t, base, first+"/slab/thickness", "0 mm"), 422, "validation-failed", []fault{{first + "/slab/thickness", "out-of-range", ""}}},
		{"zero of a material", with(t, base, first+"/mix/constituents/0/amount", "0 kg/m3"), 422, "validation-failed", []fault{{first + "/mix/constituents/0/amount", "out-of-range", ""}}},
		{"huge exponent as text", with(t, base, first+"/slab/thickness", "1e999999 mm"), 422, "validation-failed", []fault{{first + "/slab/thickness", "decimal-invalid", "exponent"}}},
		{"huge exponent as number", strings.Replace(base, `"240 mm"`, `1e999999`, 1), 422, "validation-failed", []fault{{first + "/slab/thickness", "unit-missing", ""}}},
		{"ten megabytes", `{"inventory":"` + strings.Repeat("x", 10<<20) + `"}`, 413, "body-too-large", nil},
		{"a million digits as text", with(t, base, first+"/slab/thickness", strings.Repeat("9", 1_000_000)+" mm"), 400, "malformed-json", []fault{{first + "/slab/thickness", "string-too-long", ""}}},
		{"a million digits as number", strings.Replace(base, `"240 mm"`, strings.Repeat("9", 1_000_000), 1), 422, "validation-failed", []fault{{first + "/slab/thickness", "decimal-out-of-range", ""}}},
		{"fifty digits as text", with(t, base, first+"/slab/thickness", strings.Repeat("9", 50)+" mm"), 422, "validation-failed", []fault{{first + "/slab/thickness", "decimal-invalid", ""}}},
		{"truncated", base[:strings.Index(base, `"lorry-articulated"`)], 400, "malformed-json", []fault{{"/alternatives/0/transport/0/mode", "truncated", ""}}},
		{"text after the JSON", base + "and more", 400, "malformed-json", []fault{{"", "trailing-data", ""}}},
		{"key in the wrong case", strings.Replace(base, `"baseline"`, `"Baseline"`, 1), 422, "validation-failed", []fault{{"/Baseline", "unknown-field", `write "baseline"`}}},
		{"duplicate key", strings.Replace(base, `"baseline": "plain"`, `"baseline": "plain", "baseline": "fibre"`, 1), 400, "malformed-json", []fault{{"/baseline", "duplicate-member", ""}}},
		{"unknown field", with(t, base, first+"/slab/depth", "240 mm"), 422, "validation-failed", []fault{{first + "/slab/depth", "unknown-field", ""}}},
		{"unknown item", with(t, base, first+"/mix/constituents/0/item", "cement-cem-1"), 422, "validation-failed", []fault{{first + "/mix/constituents/0/item", "item-unknown", "cement-cem-i"}}},
		{"unknown inventory", with(t, base, "/inventory", "elsewhere@1"), 422, "validation-failed", []fault{{"/inventory", "inventory-unknown", ""}}},
		{"unknown version", with(t, base, "/inventory", "demo@99"), 422, "validation-failed", []fault{{"/inventory", "inventory-unknown", ""}}},
		{"mix that does not close", with(t, base, first+"/mix/constituents/3/amount", "400 kg/m3"), 422, "validation-failed", []fault{{first + "/mix/constituents", "mix-volume-mismatch", "L"}}},
		{"period of 0", with(t, base, "/functional_unit/analysis_period_years", 0), 422, "validation-failed", []fault{{"/functional_unit/analysis_period_years", "out-of-range", "from 1 to 100"}}},
		{"period of 500", with(t, base, "/functional_unit/analysis_period_years", 500), 422, "validation-failed", []fault{{"/functional_unit/analysis_period_years", "out-of-range", "from 1 to 100"}}},
		{"rate of -100 %", with(t, base, "/economics/real_discount_rate", "-100 %"), 422, "validation-failed", []fault{{"/economics/real_discount_rate", "out-of-range", "-100 %"}}},
		{"two of one name", with(t, base, "/alternatives/1/name", "plain"), 422, "validation-failed", []fault{{"/alternatives/1/name", "duplicate-name", ""}}},
		{"unknown baseline", with(t, base, "/baseline", "planned"), 422, "validation-failed", []fault{{"/baseline", "alternative-unknown", ""}}},
		{"unknown like", with(t, base, "/alternatives/1/like", "planned"), 422, "validation-failed", []fault{{"/alternatives/1/like", "alternative-unknown", ""}}},
		{"far too many alternatives", strings.Replace(minimal, `{"name":"a"}`, strings.Repeat(`{"name":"a"},`, 502)+`{"name":"a"}`, 1), 422, "validation-failed", []fault{{"/alternatives", "too-many", "504"}}},
		{"like itself", with(t, base, "/alternatives/1/like", "fibre"), 422, "validation-failed", []fault{{"/alternatives/1/like", "like-cycle", ""}}},
		{"several at once", with(t, with(t, with(t, base, first+"/slab/thickness", "240 kg"), "/economics/real_discount_rate", "-100 %"), first+"/mix/constituents/0/item", "cemnt"), 422, "validation-failed",
			[]fault{{first + "/slab/thickness", "unit-incompatible", ""}, {"/economics/real_discount_rate", "out-of-range", ""}, {first + "/mix/constituents/0/item", "item-unknown", ""}}},
		{"far more faults than are listed", strings.Replace(minimal, `{"name":"a"}`, `{"name":"a"`+unknownMembers(4900)+`}`, 1), 422, "validation-failed", nil},
		{"unknown members in many objects", strings.Replace(minimal, `{"name":"a"}`, strings.Repeat(`{"nane":"a","sab":1,"slap":2,"mixx":3},`, 190)+`{"name":"a"}`, 1), 422, "validation-failed", nil},
		{"many alternatives that cannot be", strings.Replace(minimal, `{"name":"a"}`, strings.Repeat(`{"name":"a"},`, 198)+`{"name":"a"}`, 1), 422, "validation-failed", []fault{{"/alternatives/1/name", "duplicate-name", ""}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := promptly(t, server, func() *http.Request { return post("/v1/comparisons", c.body) })
			p := problemOf(t, w.Code, w.Header(), w.Body.Bytes())
			checkAnswer(t, "compare", w)
			if w.Code != c.status || p.Type != "/docs/problems/"+c.kind {
				t.Errorf("%d %s, want %d %s", w.Code, p.Type, c.status, c.kind)
			}
			if c.name == "far too many alternatives" && len(p.Errors) != 1 {
				t.Errorf("what follows from it is told too: %+v", p.Errors)
			}
			for _, f := range c.want {
				i := slices.IndexFunc(p.Errors, func(e entry) bool { return e.Pointer == f[0] && e.Code == f[1] })
				if i < 0 || !strings.Contains(p.Errors[i].Detail, f[2]) {
					t.Errorf("no fault %q in %.600s", f, w.Body)
				}
			}
			if w.Body.Len() > 1<<16 {
				t.Errorf("the answer has %d bytes", w.Body.Len())
			}
		})
	}
	t.Run("missing price and factor, all told", func(t *testing.T) {
		w := promptly(t, server, func() *http.Request { return post("/v1/evaluations", gapsBody) })
		p := problemOf(t, w.Code, w.Header(), w.Body.Bytes())
		for _, f := range []fault{{"/alternative/mix/constituents/0/item", "factor-missing", "cement"}, {"/alternative/mix/constituents/2/item", "price-missing", "sand"}} {
			if !slices.ContainsFunc(p.Errors, func(e entry) bool {
				return e.Pointer == f[0] && e.Code == f[1] && strings.Contains(e.Detail, f[2])
			}) {
				t.Errorf("no fault %q in %s", f, w.Body)
			}
		}
		if w.Code != 422 {
			t.Errorf("status %d", w.Code)
		}
	})
	t.Run("more faults than are listed are counted", func(t *testing.T) {
		w := server.do(post("/v1/comparisons", strings.Replace(minimal, `{"name":"a"}`, `{"name":"a"`+unknownMembers(400)+`}`, 1)))
		p := problemOf(t, w.Code, w.Header(), w.Body.Bytes())
		if len(p.Errors) != 100 || !strings.Contains(p.Detail, "400 faults") {
			t.Errorf("%d listed: %s", len(p.Errors), p.Detail)
		}
	})
}

// A first request is wrong in many places: in its form, in its mix, in what is
// built beside the mix, in its names. One answer tells all of it and, beside that,
// nothing which would go away by itself.
func TestEveryFaultInOneAnswer(t *testing.T) {
	server := newServer(t, api.Options{})
	const first = "/alternatives/0"
	type change struct {
		pointer string
		value   any
		code    string // of the fault; with its own place where that is another
		at      string
	}
	form := []change{
		{first + "/slab/thickness", 240, "unit-missing", ""},
		{first + "/slab/depth", "240 mm", "unknown-field", ""},
		{first + "/maintenance/1/years/0", 12.5, "wrong-type", ""},
		{"/functional_unit/analysis_period_years", "40", "wrong-type", ""},
	}
	engine := []change{
		{"/functional_unit/area", "0 m2", "out-of-range", ""},
		{"/economics/real_discount_rate", "-100 %", "out-of-range", ""},
		{"/baseline", "planned", "alternative-unknown", ""},
		{first + "/mix/constituents/0/item", "cement-cem-1", "item-unknown", ""},
		{first + "/mix/constituents/2/amount", "1120 kg", "unit-incompatible", ""},
		{first + "/mix/stages/0/mixer", "mixer-pans", "item-unknown", ""},
		{first + "/slab/joints/spacing", "4.5", "unit-missing", ""},
		{first + "/slab/joints/dowel", "dowel-33", "item-unknown", ""},
		{first + "/slab/curing", "curing", "item-unknown", ""},
		{first + "/slab/layers/0/thickness", "150 kg", "unit-incompatible", ""},
		{first + "/transport/1/mode", "lorry", "item-unknown", ""},
		{first + "/construction/1/item", "paving", "item-unknown", ""},
		{first + "/maintenance/0/item", "resealing", "item-unknown", ""},
		{"/alternatives/1/mix/add/0/item", "fibre-pp", "item-unknown", ""},
		{"/alternatives/2/name", "fibre", "duplicate-name", ""},
	}
	missing := []change{
		{first + "/residual/life_years", nil, "required-member-missing", ""},
		{first + "/transport/2", map[string]any{"category": "waste", "to": "disposal", "transport": "included", "reason": "x"}, "transport-missing", first + "/transport"},
	}
	for _, c := range []struct {
		name    string
		changes []change
	}{
		{"by the engine alone", append(missing, engine...)},
		{"by the contract and the engine", append(form, engine...)},
		{"by the contract alone", form},
		{"with an inventory that is not", []change{form[0], form[1], engine[0], engine[1], engine[2], engine[4], engine[6], engine[14],
			{"/inventory", "elsewhere@1", "inventory-unknown", ""}}},
		{"with one that is like nothing", []change{engine[3], engine[7], engine[2], {"/alternatives/1/like", "planned", "alternative-unknown", ""}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			body, want := demo(t), map[entry]int{}
			for _, ch := range c.changes {
				body = with(t, body, ch.pointer, ch.value)
				want[entry{Pointer: cmp.Or(ch.at, ch.pointer), Code: ch.code}]++
			}
			w := promptly(t, server, func() *http.Request { return post("/v1/comparisons", body) })
			checkAnswer(t, "compare", w)
			got := map[entry]int{}
			for _, e := range problemOf(t, w.Code, w.Header(), w.Body.Bytes()).Errors {
				got[entry{Pointer: e.Pointer, Code: e.Code}]++
			}
			if diff := gocmp.Diff(want, got); diff != "" {
				t.Errorf("want (-), got (+):\n%s", diff)
			}
		})
	}
}

// entry is one fault of a problem.
type entry = struct {
	Pointer string `json:"pointer"`
	Code    string `json:"code"`
	Detail  string `json:"detail"`
}

func unknownMembers(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, `,"%s%d":1`, strings.Repeat("y", i%50), i)
	}
	return b.String()
}

// promptly sends a request until it was answered once in the time of twenty demo
// comparisons, each timed beside it: a bound on the work that a bad request can
// cause, whatever the machine is and does. A demo comparison takes 2 to 3 ms on
// the machine of docs/benchmarks.md, so that is about 50 ms there.
func promptly(t *testing.T, server fixture, request func() *http.Request) (w *httptest.ResponseRecorder) {
	t.Helper()
	const limit = 20
	good := demo(t)
	least := math.Inf(1)
	for range 10 {
		start := time.Now()
		if w := server.do(post("/v1/comparisons", good)); w.Code != http.StatusOK {
			t.Fatalf("the demo comparison: %d", w.Code)
		}
		yardstick := time.Since(start)
		r := request()
		start = time.Now()
		w = server.do(r)
		if least = min(least, float64(time.Since(start))/float64(yardstick)); least < limit {
			return w
		}
	}
	t.Errorf("the quickest answer took the time of %.0f demo comparisons; at most %d", least, limit)
	return w
}

// What is wrong with a request around its body.
func TestFaultsOfAHead(t *testing.T) {
	server := newServer(t, api.Options{})
	body := demo(t)
	chunked := func() *http.Request { // of unknown length
		return request(http.MethodPost, "/v1/comparisons", io.MultiReader(strings.NewReader(strings.Repeat(" ", 10<<20))), "Content-Type", "application/json")
	}
	withType := func(values ...string) *http.Request {
		r := post("/v1/comparisons", body)
		r.Header["Content-Type"] = values
		return r
	}
	for _, c := range []struct {
		name    string
		request *http.Request
		status  int
		kind    string
		header  [2]string // that the answer must have
	}{
		{"no Content-Type", withType(), 415, "unsupported-media-type", [2]string{"Accept", "application/json"}},
		{"text/plain", withType("text/plain"), 415, "unsupported-media-type", [2]string{}},
		{"a form", withType("application/x-www-form-urlencoded"), 415, "unsupported-media-type", [2]string{}},
		{"another JSON", withType("application/vnd.x+json"), 415, "unsupported-media-type", [2]string{}},
		{"Latin-1", withType("application/json; charset=iso-8859-1"), 415, "unsupported-media-type", [2]string{}},
		{"other parameter", withType("application/json; profile=x"), 415, "unsupported-media-type", [2]string{}},
		{"broken parameter", withType("application/json; charset"), 415, "unsupported-media-type", [2]string{}},
		{"two types", withType("application/json", "text/plain"), 415, "unsupported-media-type", [2]string{}},
		{"compressed", post("/v1/comparisons", body, "Content-Encoding", "gzip"), 415, "unsupported-encoding", [2]string{"Accept-Encoding", "identity"}},
		{"ten megabytes, told", post("/v1/comparisons", strings.Repeat(" ", 10<<20)), 413, "body-too-large", [2]string{"Connection", "close"}},
		{"ten megabytes, not told", chunked(), 413, "body-too-large", [2]string{"Connection", "close"}},
		{"one byte too many", post("/v1/comparisons", strings.Repeat(" ", api.MaxBodyBytes+1)), 413, "body-too-large", [2]string{}},
		{"pictures only", post("/v1/comparisons", body, "Accept", "image/png"), 406, "not-acceptable", [2]string{}},
		{"JSON excluded", get("/v1/inventories", "Accept", "*/*, application/json;q=0"), 406, "not-acceptable", [2]string{}},
		{"wrong method", request(http.MethodDelete, "/v1/comparisons", nil), 405, "method-not-allowed", [2]string{"Allow", "OPTIONS, POST"}},
		{"wrong method on a list", request(http.MethodPut, "/v1/inventories", nil), 405, "method-not-allowed", [2]string{"Allow", "OPTIONS, GET, HEAD"}},
		{"TRACE", request(http.MethodTrace, "/v1/inventories", nil), 405, "method-not-allowed", [2]string{}},
		{"method unknown to HTTP", request("BREW", "/v1/inventories", nil), 405, "method-not-allowed", [2]string{}},
		{"no such path", get("/v2/comparisons"), 404, "not-found", [2]string{}},
		{"path up", get("/docs/../../etc/passwd"), 404, "not-found", [2]string{}},
		{"no such inventory", get("/v1/inventories/nowhere"), 404, "not-found", [2]string{}},
		{"no such version", get("/v1/inventories/demo/versions/9"), 404, "not-found", [2]string{}},
		{"version that is no number", get("/v1/inventories/demo/versions/01"), 404, "not-found", [2]string{}},
		{"no such item", get("/v1/inventories/demo/versions/1/items/gold"), 404, "not-found", [2]string{}},
		{"no such problem", get("/docs/problems/gold"), 404, "not-found", [2]string{}},
		{"unknown query parameter", get("/v1/inventories?limt=5"), 422, "validation-failed", [2]string{}},
		{"query parameter twice", get("/v1/inventories?limit=5&limit=6"), 422, "validation-failed", [2]string{}},
		{"query on a calculation", post("/v1/comparisons?api_key=secret", body), 422, "validation-failed", [2]string{}},
		{"limit of 0", get("/v1/inventories?limit=0"), 422, "validation-failed", [2]string{}},
		{"limit of 201", get("/v1/inventories?limit=201"), 422, "validation-failed", [2]string{}},
		{"limit in words", get("/v1/inventories?limit=ten"), 422, "validation-failed", [2]string{}},
		{"order not allowed", get("/v1/inventories/demo/versions/1/items?sort=price%3Bdrop"), 422, "validation-failed", [2]string{}},
		{"broken query", get("/v1/inventories?limit=%zz"), 400, "malformed-request", [2]string{}},
		{"made-up cursor", get("/v1/inventories?cursor=abc"), 400, "cursor-invalid", [2]string{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := server.do(c.request)
			p := problemOf(t, w.Code, w.Header(), w.Body.Bytes())
			if w.Code != c.status || p.Type != "/docs/problems/"+c.kind {
				t.Errorf("%d %s, want %d %s", w.Code, p.Type, c.status, c.kind)
			}
			if got := w.Header().Get(c.header[0]); c.header[0] != "" && got != c.header[1] {
				t.Errorf("%s: %q, want %q", c.header[0], got, c.header[1])
			}
		})
	}
	w := server.do(get("/v1/inventories?limt=5"))
	if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); len(p.Errors) != 1 || p.Errors[0].Pointer != "/query/limt" || p.Errors[0].Code != "query-parameter-unknown" || !strings.Contains(p.Errors[0].Detail, `"limit"`) {
		t.Errorf("%+v", p.Errors)
	}
	for _, accept := range []string{"", "application/json", "application/*;q=0.1", "text/html, */*;q=0.8", "APPLICATION/JSON; q=1.0", "text/html;q=0, */*"} {
		if w := server.do(get("/healthz", "Accept", accept)); w.Code != http.StatusOK {
			t.Errorf("Accept %q: %d", accept, w.Code)
		}
	}
	for _, contentType := range []string{"application/json; charset=utf-8", "application/json;charset=UTF-8", "Application/JSON"} {
		if w := server.do(withType(contentType)); w.Code != http.StatusOK {
			t.Errorf("Content-Type %q: %d", contentType, w.Code)
		}
	}
}

// Two hundred requests broken at random are answered with problems, all of them.
func TestBrokenRequestsAreProblems(t *testing.T) {
	server := newServer(t, api.Options{})
	random := rand.New(rand.NewPCG(1, 2))
	base, refused := []byte(demo(t)), 0
	for range 200 {
		body := slices.Clone(base)
		for range 1 + random.IntN(3) {
			at := random.IntN(len(body))
			switch random.IntN(4) {
			case 0:
				body[at] = byte(random.IntN(256))
			case 1:
				body = body[:at+1]
			case 2:
				body = slices.Insert(body, at, body[max(0, at-20):at]...)
			case 3:
				body = slices.Delete(body, at, min(len(body), at+5))
			}
		}
		paths := []string{"/v1/comparisons", "/v1/evaluations", "/v1/nothing", "/v1/inventories"}
		w := server.do(post(paths[random.IntN(len(paths))], string(body)))
		if w.Code == http.StatusOK {
			continue
		}
		refused++
		p := problemOf(t, w.Code, w.Header(), w.Body.Bytes())
		if w.Code >= 500 || p.Type == "" || p.Title == "" || p.Instance == "" {
			t.Errorf("%d %+v for %q", w.Code, p, body)
		}
	}
	if refused < 150 {
		t.Errorf("only %d of 200 were refused: the test breaks too little", refused)
	}
}
