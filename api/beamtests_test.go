package api_test

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"

	"slabledger/api"
)

// beam is one beam by the file of a test machine.
func beam(t testing.TB, csv string) string {
	t.Helper()
	text, err := json.Marshal(csv)
	if err != nil {
		t.Fatal(err)
	}
	return `{"method":"astm-c1609","mix":"fibre","age_days":28,"width":"150 mm","depth":"150 mm","span":"450 mm","specimens":[{"name":"A1","curve":{"csv":` + string(text) + `}}]}`
}

const curveHead = "deflection_mm,load_kN\n"

// rising is a curve of n points, up to its peak and down again.
func rising(n int) string {
	var b strings.Builder
	b.WriteString(curveHead)
	for i := range n {
		load := 3 * i
		if i > n/10 {
			load = 3*(n/10) - i/5
		}
		fmt.Fprintf(&b, "%d.%04d,%d.%03d\n", i/5000, i%5000*2, load/1000, load%1000)
	}
	return b.String()
}

// Slips around beam tests are answered with a problem that points at them, and
// quickly.
func TestFaultsOfBeamTests(t *testing.T) {
	server := newServer(t, api.Options{})
	good := beam(t, curveHead+"0,0\n0.05,15\n0.1,30\n3,8\n")
	many := curveHead + strings.Repeat("0.1,x\n", 20_000)
	type fault [3]string
	for _, c := range []struct {
		name   string
		body   string
		status int
		kind   string
		want   []fault
	}{
		{"missing unit", with(t, good, "/depth", "150"), 422, "validation-failed", []fault{{"/depth", "unit-missing", "mm"}}},
		{"bare number", with(t, good, "/depth", 150), 422, "validation-failed", []fault{{"/depth", "unit-missing", "mm"}}},
		{"load as a length", with(t, good, "/specimens/0", map[string]any{"name": "A", "loads": map[string]any{"first_peak": "30 mm"}}), 422, "validation-failed", []fault{{"/specimens/0/loads/first_peak", "unit-incompatible", "kN"}}},
		{"toughness without unit", with(t, good, "/specimens/0", map[string]any{"name": "A", "loads": map[string]any{"first_peak": "30 kN", "toughness": "60"}}), 422, "validation-failed", []fault{{"/specimens/0/loads/toughness", "unit-missing", "J"}}},
		{"unknown method", with(t, good, "/method", "astm-c1690"), 422, "validation-failed", []fault{{"/method", "not-in-list", "astm-c1609"}}},
		{"unknown rule", with(t, good, "/strength_rule", "mor_plus_f510"), 422, "validation-failed", []fault{{"/strength_rule", "not-in-list", "mor_plus_f150"}}},
		{"unknown point", with(t, good, "/specimens/0/loads", map[string]any{"l300": "8 kN"}), 422, "validation-failed", []fault{{"/specimens/0/loads/l300", "unknown-field", ""}}},
		{"no beams", with(t, good, "/specimens", []any{}), 422, "validation-failed", []fault{{"/specimens", "too-few", "at least 1"}}},
		{"no reason", with(t, good, "/specimens/0/excluded", ""), 422, "validation-failed", []fault{{"/specimens/0/excluded", "too-short", ""}}},
		{"two ways at once", with(t, good, "/specimens/0/loads", map[string]any{"first_peak": "8 kN"}), 422, "validation-failed", []fault{{"/specimens/0", "one-of", "exactly one"}}},
		{"bad rows", beam(t, curveHead+"0,0\n0.1,3O\n0.2\n1,8\n1e0,2\n"), 422, "validation-failed",
			[]fault{{"/specimens/0/curve/csv", "decimal-invalid", "line 3"}, {"/specimens/0/curve/csv", "csv-field-count", "line 4"}, {"/specimens/0/curve/csv", "decimal-invalid", "line 6"}}},
		{"twenty thousand bad rows", beam(t, many), 422, "validation-failed", []fault{{"/specimens/0/curve/csv", "decimal-invalid", "line 2"}}},
		{"more points than are read", beam(t, rising(20_001)), 422, "validation-failed", []fault{{"/specimens/0/curve/csv", "csv-too-large", "20000"}}},
		{"a file at its limit", beam(t, curveHead+strings.Repeat("1", 1_000_000-len(curveHead))), 422, "validation-failed", []fault{{"/specimens/0/curve/csv", "csv-field-count", "line 2"}}},
		{"a file of a byte more", beam(t, curveHead+strings.Repeat("1", 1_000_001-len(curveHead))), 400, "malformed-json", []fault{{"/specimens/0/curve/csv", "string-too-long", "1000000"}}},
		{"a body of a mebibyte", beam(t, curveHead+strings.Repeat("1", 1<<20)), 413, "body-too-large", nil},
		{"escape sequence in a file", beam(t, curveHead+"0,\x1b[2J\n"), 422, "validation-failed", []fault{{"/specimens/0/curve/csv", "control-character", ""}}},
		{"lines in another text", with(t, good, "/mix", "a\nb"), 422, "validation-failed", []fault{{"/mix", "control-character", ""}}},
		{"another text as long", with(t, good, "/mix", strings.Repeat("x", 5000)), 400, "malformed-json", []fault{{"/mix", "string-too-long", "4096"}}},
		{"a list in place of a file", with(t, good, "/specimens/0/curve/csv", []any{strings.Repeat("x", 5000)}), 400, "malformed-json", []fault{{"/specimens/0/curve/csv/0", "string-too-long", "4096"}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := promptly(t, server, func() *http.Request { return post("/v1/beam-tests", c.body) })
			p := problemOf(t, w.Code, w.Header(), w.Body.Bytes())
			checkAnswer(t, "testBeams", w)
			if w.Code != c.status || p.Type != "/docs/problems/"+c.kind {
				t.Errorf("%d %s, want %d %s: %.300s", w.Code, p.Type, c.status, c.kind, w.Body)
			}
			for _, f := range c.want {
				if !slices.ContainsFunc(p.Errors, func(e entry) bool {
					return e.Pointer == f[0] && e.Code == f[1] && strings.Contains(e.Detail, f[2])
				}) {
					t.Errorf("no fault %q in %.600s", f, w.Body)
				}
			}
			if w.Body.Len() > 1<<16 {
				t.Errorf("the answer has %d bytes", w.Body.Len())
			}
		})
	}
}

// A file of the most points is read, in the one answer that the contract
// describes.
func TestLargestCurve(t *testing.T) {
	server := newServer(t, api.Options{})
	w := server.do(post("/v1/beam-tests", beam(t, rising(20_000))))
	checkAnswer(t, "testBeams", w)
	var answer struct {
		Specimens []struct {
			Curve struct {
				Points int    `json:"points"`
				At     string `json:"first_peak_at_mm"`
			} `json:"curve"`
		} `json:"specimens"`
		Notices []string `json:"notices"`
	}
	if err := json.Unmarshal(w.Body.Bytes(), &answer); err != nil || w.Code != http.StatusOK {
		t.Fatalf("%d %v %.300s", w.Code, err, w.Body)
	}
	if c := answer.Specimens[0].Curve; c.Points != 20_000 || c.At != "0.400000" || len(answer.Notices) != 2 {
		t.Errorf("%+v %q", c, answer.Notices)
	}
}

// A file as a spreadsheet writes it: byte-order mark, CRLF, tabs.
func TestCurveAsSpreadsheetsWriteIt(t *testing.T) {
	w := newServer(t, api.Options{}).do(post("/v1/beam-tests", beam(t, "\ufeffdeflection_mm\tload_kN\r\n0\t0\r\n0.1\t30\r\n4.1\t0\r\n")))
	if checkAnswer(t, "testBeams", w); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), `"toughness_t150_j":"56.962500"`) {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

// The answer depends on nothing but the request.
func TestBeamTestsAreRepeatable(t *testing.T) {
	body := beam(t, rising(500))
	first := newServer(t, api.Options{}).do(post("/v1/beam-tests", body)).Body.String()
	if again := newServer(t, api.Options{}).do(post("/v1/beam-tests", body)).Body.String(); again != first {
		t.Errorf("%s\n%s", first, again)
	}
}
