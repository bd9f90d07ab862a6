package api_test

import (
	"bytes"
	"compress/flate"
	"encoding/base64"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"golang.org/x/net/html"
	"pgregory.net/rapid"

	"slabledger/api"
)

// reader is a person with a browser that runs no script: it sends what the fields of the
// page hold, and the button that is pressed.
type reader struct {
	t      rapid.TB
	server fixture
	key    string
	answer *httptest.ResponseRecorder
	page   *html.Node
}

func (r *reader) see(w *httptest.ResponseRecorder) {
	r.t.Helper()
	var err error
	r.answer = w
	if r.page, err = html.Parse(bytes.NewReader(w.Body.Bytes())); err != nil {
		r.t.Fatal(err)
	}
}

func opens(t rapid.TB, server fixture, path string) *reader {
	t.Helper()
	r := &reader{t: t, server: server}
	r.see(server.do(get(path)))
	if r.answer.Code != http.StatusOK {
		t.Fatalf("%s: status %d: %.600s", path, r.answer.Code, r.answer.Body)
	}
	return r
}

func attribute(n *html.Node, name string) (string, bool) {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val, true
		}
	}
	return "", false
}

// all lists the elements of a page that a test picks.
func all(n *html.Node, pick func(*html.Node) bool) (list []*html.Node) {
	for d := range n.Descendants() {
		if d.Type == html.ElementNode && pick(d) {
			list = append(list, d)
		}
	}
	return list
}

func textOf(n *html.Node) string {
	var b strings.Builder
	for d := range n.Descendants() {
		if d.Type == html.TextNode {
			b.WriteString(d.Data)
		}
	}
	return b.String()
}

// sent is what a browser sends for a form (HTML, 4.10.21.4), without a button.
func (r *reader) sent(id string) url.Values {
	r.t.Helper()
	forms := all(r.page, func(n *html.Node) bool { at, _ := attribute(n, "id"); return n.Data == "form" && at == id })
	if len(forms) != 1 {
		r.t.Fatalf("%d forms %s on the page: %.3000s", len(forms), id, r.answer.Body)
	}
	values := url.Values{}
	for _, n := range all(forms[0], func(n *html.Node) bool { return slices.Contains([]string{"input", "select", "textarea"}, n.Data) }) {
		name, named := attribute(n, "name")
		if !named {
			continue
		}
		value, _ := attribute(n, "value")
		switch n.Data {
		case "input":
			if kind, _ := attribute(n, "type"); kind != "hidden" {
				value = strings.NewReplacer("\r", "", "\n", "").Replace(value)
			}
		case "textarea":
			value = strings.ReplaceAll(textOf(n), "\n", "\r\n") // the parser has dropped the first line break
		case "select":
			options := all(n, func(o *html.Node) bool { return o.Data == "option" })
			for i, o := range options {
				if _, chosen := attribute(o, "selected"); chosen || i == 0 {
					var given bool
					if value, given = attribute(o, "value"); !given {
						value = textOf(o)
					}
				}
			}
		}
		values.Add(name, value)
	}
	return values
}

// press fills in fields, given as names and texts in turn, and presses a button of the
// page.
func (r *reader) press(do string, pairs ...string) {
	r.t.Helper()
	values := r.sent("edit")
	if len(all(r.page, func(n *html.Node) bool { value, _ := attribute(n, "value"); return n.Data == "button" && value == do })) == 0 {
		r.t.Fatalf("there is no button %q", do)
	}
	for i := 0; i < len(pairs); i += 2 {
		if !values.Has(pairs[i]) {
			r.t.Fatalf("there is no field %q", pairs[i])
		}
		values.Set(pairs[i], pairs[i+1])
	}
	values.Set("do", do)
	r.post("/comparison/edit", values)
}

func (r *reader) post(path string, values url.Values) {
	r.t.Helper()
	req := request(http.MethodPost, path, strings.NewReader(values.Encode()), "Content-Type", "application/x-www-form-urlencoded", "Sec-Fetch-Site", "same-origin")
	if r.key != "" {
		req.Header.Set("Cookie", "slabledger_key="+r.key)
	}
	r.see(r.server.do(req))
}

// canonical is a JSON text in its canonical form.
func canonical(t rapid.TB, text []byte) string {
	t.Helper()
	value := jsontext.Value(bytes.Clone(text))
	if err := value.Canonicalize(); err != nil {
		t.Fatalf("%v: %.300s", err, text)
	}
	return string(value)
}

// held is the comparison that the page carries.
func (r *reader) held() string {
	r.t.Helper()
	packed, err := base64.RawURLEncoding.DecodeString(r.sent("edit").Get("request"))
	if err != nil {
		r.t.Fatal(err)
	}
	text, err := io.ReadAll(flate.NewReader(bytes.NewReader(packed)))
	if err != nil {
		r.t.Fatal(err)
	}
	return string(text)
}

// addressed is the address of the form of a comparison.
func addressed(t rapid.TB, text string) string {
	t.Helper()
	var out bytes.Buffer
	w, err := flate.NewWriter(&out, flate.BestCompression)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Write([]byte(text)); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return "/comparison/edit?request=" + base64.RawURLEncoding.EncodeToString(out.Bytes())
}

// at is what a pointer leads to in the comparison of the page.
func (r *reader) at(pointer string) any {
	r.t.Helper()
	var value any
	if err := json.Unmarshal([]byte(r.held()), &value); err != nil {
		r.t.Fatal(err)
	}
	for _, step := range strings.Split(pointer, "/")[1:] {
		switch v := value.(type) {
		case map[string]any:
			value = v[step]
		case []any:
			var i int
			if _, err := fmt.Sscan(step, &i); err != nil || i >= len(v) {
				return nil
			}
			value = v[i]
		default:
			return nil
		}
	}
	return value
}

// labelled checks that each field that a person fills in has a label, that what describes
// it is there, and that no id stands twice.
func (r *reader) labelled() {
	r.t.Helper()
	ids, labels := map[string]int{}, map[string]bool{}
	for _, n := range all(r.page, func(*html.Node) bool { return true }) {
		if id, ok := attribute(n, "id"); ok {
			ids[id]++
		}
		if of, ok := attribute(n, "for"); ok && strings.TrimSpace(textOf(n)) != "" {
			labels[of] = true
		}
		for _, banned := range []string{"style", "onclick", "onload"} {
			if _, has := attribute(n, banned); has {
				r.t.Errorf("<%s> has the attribute %s", n.Data, banned)
			}
		}
	}
	buttons := all(r.page, func(n *html.Node) bool { of, _ := attribute(n, "name"); return n.Data == "button" && of == "do" })
	if len(buttons) > 0 {
		if do, _ := attribute(buttons[0], "value"); do != "check" {
			r.t.Errorf("the Enter key presses %q", do)
		}
	}
	for id, count := range ids {
		if count > 1 {
			r.t.Errorf("the id %s stands %d times", id, count)
		}
	}
	for _, n := range all(r.page, func(n *html.Node) bool { return slices.Contains([]string{"input", "select", "textarea"}, n.Data) }) {
		id, _ := attribute(n, "id")
		if kind, _ := attribute(n, "type"); kind != "hidden" && !labels[id] {
			r.t.Errorf("the field %s has no label", id)
		}
		described, _ := attribute(n, "aria-describedby")
		for _, by := range strings.Fields(described) {
			if ids[by] == 0 {
				r.t.Errorf("the field %s is described by %s, which is not there", id, by)
			}
		}
	}
}

// beside is what stands beside a field as its fault.
func (r *reader) beside(pointer string) string {
	r.t.Helper()
	for _, n := range all(r.page, func(n *html.Node) bool { name, _ := attribute(n, "name"); return name == pointer }) {
		if invalid, _ := attribute(n, "aria-invalid"); invalid != "true" {
			return ""
		}
		described, _ := attribute(n, "aria-describedby")
		for _, by := range strings.Fields(described) {
			for _, fault := range all(r.page, func(n *html.Node) bool {
				id, _ := attribute(n, "id")
				return id == by && strings.HasSuffix(by, "-fault")
			}) {
				return strings.TrimSpace(textOf(fault))
			}
		}
	}
	return ""
}

// A new comparison begins with what an inventory has and is built with buttons alone.
func TestComparisonIsBuiltWithButtons(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	holds(t, server.do(get("/comparison/edit")), 200, `<option value="demo@1">demo@1, Sablon Coast (invented), 2026 prices</option>`, "/comparison/edit?of=demo")
	r := opens(t, server, "/comparison/edit?inventory=demo@1")
	r.labelled()
	holds(t, r.answer, 200, "A starting point, not a proposal")
	r.press("check")
	holds(t, r.answer, 200, "Nothing is wrong with it", "A starting point, not a proposal")

	const mix = "/alternatives/0/mix"
	r.press("add "+mix+"/constituents", "/functional_unit/area", "2500 m2", "/alternatives/0/name", "reference")
	if r.at("/baseline") != "reference" || r.at("/alternatives/1/like") != "reference" {
		t.Errorf("the new name is not followed: %s", r.held())
	}
	r.press("up "+mix+"/constituents/4", mix+"/constituents/4/item", "gravel-20", mix+"/constituents/4/amount", "500 kg/m3", mix+"/constituents/2/amount", "400 kg/m3")
	r.press("add "+mix+"/stages", "/alternatives/0/slab/lane_width", "3.5 m", "/alternatives/0/slab/joints/spacing", "4.5 m")
	r.press("add "+mix+"/stages", mix+"/stages/0/name", "slurry", mix+"/stages/0/mixer", "mixer-small", mix+"/stages/0/minutes", "4")
	r.press("add " + mix + "/stages/0/takes")
	r.press("add "+mix+"/stages/0/takes", mix+"/stages/0/takes/0/category", "binder", mix+"/stages/0/takes/0/share", "25 %")
	r.press("rest "+mix+"/stages/1/takes", mix+"/stages/0/takes/1/item", "water-mains", mix+"/stages/0/takes/1/water_binder_ratio", "0.30",
		mix+"/stages/1/name", "main", mix+"/stages/1/mixer", "mixer-pan", mix+"/stages/1/minutes", "3")
	r.press("add /alternatives/0/maintenance")
	r.press("add /alternatives/0/construction", "/alternatives/0/maintenance/0/item", "partial-patching", "/alternatives/0/maintenance/0/years", "12, 24", "/alternatives/0/maintenance/0/share", "1.5 %")
	r.press("none /alternatives/0/end_of_life", "/alternatives/0/construction/0/item", "paving-slipform", "/alternatives/0/residual/method", "remaining_life", "/alternatives/0/residual/life_years", "50")
	r.press("duplicate /alternatives/1")
	if name := r.at("/alternatives/2/name"); name != "second, variant" {
		t.Errorf("the copy is called %v", name)
	}
	r.press("size /alternatives/2/slab/thickness")
	const design = "/alternatives/2/slab/thickness"
	r.press("check", design+"/method", "aashto93", design+"/strength/modulus_of_rupture", "4.6 MPa", design+"/soil/k", "54 MPa/m", design+"/traffic/equivalent_axles", "5000000",
		design+"/strength/strength_rule", "residual_ratio", design+"/strength/residual_ratio", "20 %",
		design+"/serviceability/reliability", "90 %", design+"/serviceability/s0", "0.35", design+"/serviceability/delta_psi", "1.7", design+"/serviceability/load_transfer", "3.2", design+"/serviceability/drainage", "1.0", design+"/serviceability/elastic_modulus", "30 GPa", design+"/serviceability/terminal_psi", "2.5")
	holds(t, r.answer, 200, "Nothing is wrong with it")
	r.labelled()
	want := `{"item":"gravel-20","amount":"500 kg/m3"}`
	if got, _ := json.Marshal(r.at(mix+"/constituents/3"), json.Deterministic(true)); canonical(t, got) != canonical(t, []byte(want)) {
		t.Errorf("the constituent that was moved: %s", got)
	}
	r.press("compare")
	if to := r.answer.Header().Get("Location"); r.answer.Code != http.StatusSeeOther || !strings.HasPrefix(to, "/comparison?request=") {
		t.Fatalf("%d to %q: %.500s", r.answer.Code, to, r.answer.Body)
	}
	holds(t, server.do(get(r.answer.Header().Get("Location"))), 200, "reference", "second, variant")
}

// comparisons are requests of all kinds, and some that the form was not made for.
func comparisons(t testing.TB) map[string]string {
	t.Helper()
	list := map[string]string{"demo": demo(t), "empty": "{}", "lists of nothing": `{"alternatives":[null,7,"x",[],{}],"strategies":{"a":1},"economics":[],"functional_unit":"x"}`}
	paths, err := filepath.Glob("../testdata/scenarios/*.json")
	if err != nil || len(paths) < 4 {
		t.Fatalf("%d scenarios, %v", len(paths), err)
	}
	for _, path := range paths {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		list[filepath.Base(path)] = string(text)
	}
	return list
}

// What a person does not change stays, to the last member: from a request to the form and
// back, whichever alternative is shown, and by way of JSON.
func TestFormGivesBackWhatItWasGiven(t *testing.T) {
	server := newServer(t, api.Options{})
	for name, text := range comparisons(t) {
		t.Run(name, func(t *testing.T) { keeps(t, server, text) })
	}
}

func keeps(t rapid.TB, server fixture, text string) {
	t.Helper()
	want := canonical(t, []byte(text))
	r := opens(t, server, addressed(t, text))
	for range 3 {
		opening := ""
		for _, n := range all(r.page, func(n *html.Node) bool { return n.Data == "button" }) {
			if do, _ := attribute(n, "value"); strings.HasPrefix(do, "open ") {
				opening = do
			}
		}
		values := r.sent("edit")
		values.Set("do", opening)
		r.post("/comparison/edit", values)
		if r.answer.Code != http.StatusOK {
			t.Fatalf("status %d: %.600s", r.answer.Code, r.answer.Body)
		}
		if got := r.held(); got != want {
			t.Fatalf("the form has changed the comparison\nfrom %s\nto   %s", want, got)
		}
	}
	r.press("json")
	if got := canonical(t, []byte(r.sent("edit").Get("json"))); got != want {
		t.Fatalf("JSON has changed the comparison\nfrom %s\nto   %s", want, got)
	}
	r.press("form")
	if got := r.held(); got != want {
		t.Fatalf("the way back from JSON has changed the comparison\nfrom %s\nto   %s", want, got)
	}
}

// The same holds of comparisons in which anything stands anywhere.
func TestFormGivesBackWhateverItWasGiven(t *testing.T) {
	server := newServer(t, api.Options{})
	bodies := comparisons(t)
	names := make([]string, 0, len(bodies))
	for name := range bodies {
		names = append(names, name)
	}
	slices.Sort(names)
	keeps(t, server, strings.Replace(demo(t), `"demo@1"`, `-0`, 1)) // no text, and written in two ways
	rapid.Check(t, func(t *rapid.T) {
		var body any
		if err := json.Unmarshal([]byte(bodies[rapid.SampledFrom(names).Draw(t, "body")]), &body); err != nil {
			t.Fatal(err)
		}
		for range rapid.IntRange(1, 6).Draw(t, "changes") {
			body = disturbed(t, body)
		}
		if _, ok := body.(map[string]any); !ok {
			body = map[string]any{"alternatives": body}
		}
		text, err := json.Marshal(body)
		if err != nil {
			t.Fatal(err)
		}
		keeps(t, server, string(text))
	})
}

// disturbed puts any JSON value somewhere into another.
func disturbed(t *rapid.T, value any) any {
	if rapid.IntRange(0, 9).Draw(t, "deeper") > 0 {
		switch v := value.(type) {
		case map[string]any:
			if len(v) > 0 {
				keys := make([]string, 0, len(v))
				for key := range v {
					keys = append(keys, key)
				}
				slices.Sort(keys)
				key := rapid.SampledFrom(keys).Draw(t, "member")
				v[key] = disturbed(t, v[key])
				return v
			}
		case []any:
			if len(v) > 0 {
				i := rapid.IntRange(0, len(v)-1).Draw(t, "entry")
				v[i] = disturbed(t, v[i])
				return v
			}
		}
	}
	return rapid.OneOf(
		rapid.Just[any](nil), rapid.Just[any](true), rapid.Just[any](map[string]any{}), rapid.Just[any]([]any{}),
		rapid.Map(rapid.String(), func(s string) any { return s }),
		rapid.Map(rapid.SampledFrom([]string{"", " ", "\n", "a\r\nb", "\x00", "<script>", "\u202e", "rest", "12, 24", "null", "7", "true", `"`}), func(s string) any { return s }),
		rapid.Map(rapid.Int64Range(-1<<60, 1<<60), func(n int64) any { return float64(n) }),
		rapid.Map(rapid.Float64(), func(n float64) any { return n }),
		rapid.Map(rapid.SliceOfN(rapid.Int(), 0, 3), func(list []int) any {
			values := make([]any, len(list))
			for i, n := range list {
				values[i] = float64(n)
			}
			return values
		}),
		rapid.Map(rapid.String(), func(s string) any { return map[string]any{s: "x", "item": s} }),
	).Draw(t, "value")
}

// What is typed is there, as it was typed; typing what was there before takes it back, to
// the last member.
func TestTypingCanBeTakenBack(t *testing.T) {
	server := newServer(t, api.Options{})
	before := canonical(t, []byte(demo(t)))
	pages := make([]*reader, 3)
	for i := range pages {
		pages[i] = opens(t, server, addressed(t, demo(t))+fmt.Sprintf("&alternative=%d", i))
	}
	rapid.Check(t, func(t *rapid.T) {
		r := *rapid.SampledFrom(pages).Draw(t, "page")
		r.t = t
		values := r.sent("edit")
		names := make([]string, 0, len(values))
		for name := range values {
			if strings.HasPrefix(name, "/") {
				names = append(names, name)
			}
		}
		slices.Sort(names)
		name := rapid.SampledFrom(names).Draw(t, "field")
		if rapid.IntRange(0, 4).Draw(t, "names") == 0 { // what names others stand on
			name = "/alternatives/" + values.Get("alternative") + "/name"
		}
		typed := rapid.SampledFrom([]string{"", "7", "007", "true", "1, 2", "x", "rest", "240 mm", "ñ \"<'", "plain", "fibre"}).Draw(t, "typed")
		was := values.Get(name)
		values.Set(name, typed)
		r.post("/comparison/edit", values)
		values = r.sent("edit")
		if values.Get(name) != typed {
			t.Fatalf("%s holds %q, typed was %q", name, values.Get(name), typed)
		}
		if typed != was && r.held() == before {
			t.Fatalf("%s: typing %q in place of %q changes nothing", name, typed, was)
		}
		values.Set(name, was)
		r.post("/comparison/edit", values)
		if got := r.held(); got != before {
			t.Fatalf("%s: %q in place of %q is not taken back\nfrom %s\nto   %s", name, typed, was, before, got)
		}
	})
}

// What is wrong stands beside its field, and on top with a link to it; what was typed is
// still there. A fault of an alternative that is not shown has a button that shows it.
func TestFaultsStandBesideTheirFields(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	r := opens(t, server, "/comparison/edit?of=demo&alternative=1")
	r.press("open /alternatives/0", "/alternatives/1/slab/thickness", "215")
	if focus := all(r.page, func(n *html.Node) bool { _, is := attribute(n, "autofocus"); return is }); len(focus) != 1 || textOf(focus[0]) != "“plain”" {
		t.Errorf("the focus is on %d elements", len(focus))
	}
	wrong := map[string][2]string{
		"/alternatives/0/mix/constituents/0/amount": {"350 kg", "measures mass; accepted: kg/m3"},
		"/alternatives/0/slab/lane_width":           {"wide <b>&\"'", "not a plain decimal number"},
		"/functional_unit/area":                     {"", "missing"},
		"/functional_unit/analysis_period_years":    {"forty", "whole number"},
		"/economics/real_discount_rate":             {"3", "%"},
		"/alternatives/0/maintenance/1/years":       {"12, twenty", "list"},
	}
	var pairs []string
	for pointer, typed := range wrong {
		pairs = append(pairs, pointer, typed[0])
	}
	r.press("compare", pairs...)
	if r.answer.Code != http.StatusUnprocessableEntity {
		t.Fatalf("status %d", r.answer.Code)
	}
	r.labelled()
	for pointer, typed := range wrong {
		if got := r.beside(pointer); !strings.Contains(got, typed[1]) {
			t.Errorf("beside %s: %q, want %q in it", pointer, got, typed[1])
		}
		if got := r.sent("edit").Get(pointer); got != typed[0] {
			t.Errorf("%s holds %q, typed was %q", pointer, got, typed[0])
		}
	}
	summary := all(r.page, func(n *html.Node) bool { id, _ := attribute(n, "id"); return id == "summary" })
	if len(summary) != 1 {
		t.Fatalf("%d summaries", len(summary))
	}
	if _, focused := attribute(summary[0], "autofocus"); !focused {
		t.Error("the summary does not take the focus")
	}
	links := all(summary[0], func(n *html.Node) bool { return n.Data == "a" })
	if len(links) < len(wrong) {
		t.Errorf("%d links in the summary, want at least %d", len(links), len(wrong))
	}
	for _, link := range links {
		to, _ := attribute(link, "href")
		if len(all(r.page, func(n *html.Node) bool { id, _ := attribute(n, "id"); return "#"+id == to })) != 1 {
			t.Errorf("the link to %s leads nowhere", to)
		}
	}
	for pointer := range wrong {
		fields := all(r.page, func(n *html.Node) bool { name, _ := attribute(n, "name"); return name == pointer })
		for up := fields[0].Parent; up != nil; up = up.Parent {
			if _, open := attribute(up, "open"); up.Data == "details" && !open {
				t.Errorf("the field %s is folded away with its fault", pointer)
			}
		}
	}
	r.press("open /alternatives/1")
	if _, focused := attribute(all(r.page, func(n *html.Node) bool { id, _ := attribute(n, "id"); return id == "summary" })[0], "autofocus"); focused || r.answer.Code != http.StatusOK {
		t.Errorf("the summary takes the focus from the alternative that was to be shown; status %d", r.answer.Code)
	}
	if got := r.beside("/alternatives/1/slab/thickness"); !strings.Contains(got, "unit") {
		t.Errorf("beside the thickness of the other alternative: %q", got)
	}
}

// A fault of what the form has no field for, or of an unknown item, is told too.
func TestFaultsWithoutAFieldAreTold(t *testing.T) {
	server := newServer(t, api.Options{})
	body := with(t, with(t, demo(t), "/alternatives/0/specified_concrete", map[string]any{"strength": "40"}), "/alternatives/0/mix/constituents/0/item", "cement-cem-1")
	r := opens(t, server, addressed(t, body))
	holds(t, r.answer, 200, "Not shown here", "/alternatives/0/specified_concrete", "cement-cem-1 (not in the inventory)")
	r.press("check")
	if got := r.beside("/alternatives/0/mix/constituents/0/item"); !strings.Contains(got, "did you mean cement-cem-i") {
		t.Errorf("beside the item: %q", got)
	}
	holds(t, r.answer, 422, "/alternatives/0/specified_concrete", "unknown-field")
}

// Text of a person is text on the page, whatever is in it.
func TestFormShowsHostileTextAsText(t *testing.T) {
	server := newServer(t, api.Options{})
	hostile := `"><script>alert(1)</script><b onclick='x'>` + "\u202e\x00"
	body := with(t, with(t, with(t, demo(t), "/alternatives/0/name", hostile), "/alternatives/0/slab/curing", hostile), "/alternatives/0/mix/"+"evil", hostile)
	for _, do := range []string{"check", "json", "duplicate /alternatives/0", "like /alternatives/0"} {
		r := opens(t, server, addressed(t, body))
		r.press(do)
		r.labelled()
		if scripts := all(r.page, func(n *html.Node) bool { return n.Data == "script" }); len(scripts) != 1 {
			t.Errorf("after %s: %d scripts", do, len(scripts))
		}
		if strings.ContainsRune(r.answer.Body.String(), 0) {
			t.Errorf("after %s: a control character is on the page", do)
		}
	}
	for _, do := range []string{"remove /alternatives/9", "add /inventory", "copy", "unstate ", "open /alternatives/-1", "up /alternatives/0", "rest /alternatives/0/mix", strings.Repeat("x", 10000)} {
		r := opens(t, server, addressed(t, body))
		before, values := r.held(), r.sent("edit")
		values.Set("do", do)
		r.post("/comparison/edit", values)
		if r.answer.Code >= 500 || r.held() != before {
			t.Errorf("a button that is not there, %.40q, did something: status %d", do, r.answer.Code)
		}
	}
	for _, form := range []string{"request=%%%", "request=AAAA", "", "as=json&json=%7B"} {
		w := server.do(request(http.MethodPost, "/comparison/edit", strings.NewReader(form), "Content-Type", "application/x-www-form-urlencoded", "Sec-Fetch-Site", "same-origin"))
		if w.Code >= 500 {
			t.Errorf("%q: status %d", form, w.Code)
		}
	}
	foreign := fields("/comparison/edit", "request", "AAAA")
	foreign.Header.Set("Sec-Fetch-Site", "cross-site")
	holds(t, server.do(foreign), http.StatusForbidden)
}

// As many alternatives as there may be fit: one is shown at a time.
func TestFormOfManyAlternatives(t *testing.T) {
	server := newServer(t, api.Options{})
	var list []string
	for i := range 200 {
		list = append(list, fmt.Sprintf(`{"name":"slab %d","like":"first","slab":{"thickness":"%d mm"}}`, i, 180+i))
	}
	var whole map[string]any
	if err := json.Unmarshal([]byte(demo(t)), &whole); err != nil {
		t.Fatal(err)
	}
	var others []any
	if err := json.Unmarshal([]byte("["+strings.Join(list[1:], ",")+"]"), &others); err != nil {
		t.Fatal(err)
	}
	first := whole["alternatives"].([]any)[0].(map[string]any)
	first["name"], whole["baseline"] = "first", "first"
	whole["alternatives"] = append([]any{first}, others...)
	text, err := json.Marshal(whole)
	if err != nil {
		t.Fatal(err)
	}
	r := opens(t, server, addressed(t, string(text)))
	if r.answer.Body.Len() > 400<<10 {
		t.Errorf("the page has %d bytes", r.answer.Body.Len())
	}
	if strings.Contains(r.answer.Body.String(), `value="add /alternatives"`) {
		t.Error("one more than there may be is offered")
	}
	r.press("open /alternatives/150")
	r.press("compare", "/alternatives/150/slab/thickness", "333 mm")
	if r.answer.Code != http.StatusSeeOther && !strings.Contains(r.answer.Body.String(), "Save as a study") {
		t.Errorf("status %d: %.500s", r.answer.Code, r.answer.Body)
	}
	w := server.do(request(http.MethodPost, "/comparison/edit", strings.NewReader("request="+strings.Repeat("A", 2<<20)), "Content-Type", "application/x-www-form-urlencoded", "Sec-Fetch-Site", "same-origin"))
	holds(t, w, http.StatusRequestEntityTooLarge, "1048576 bytes")
}

// An alternative that is like another shows what it takes over, and copies a list only to
// change it; the copy has what was added on the way.
func TestFormShowsWhatIsTakenOver(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	r := opens(t, server, "/comparison/edit?of=demo&alternative=2")
	holds(t, r.answer, 200, "As in “plain”: 3.65 m", "As in “plain”: 5", "As in “plain”: 3")
	r.press("copy /alternatives/2/mix/constituents")
	copies, _ := r.at("/alternatives/2/mix/constituents").([]any)
	if len(copies) != 6 || r.at("/alternatives/2/mix/constituents/5/item") != "fibre-pp-macro" {
		t.Errorf("copied: %v", copies)
	}
	r.press("check")
	holds(t, r.answer, 200, "Nothing is wrong with it")
	before := compared(t, server, demo(t))
	if after := compared(t, server, r.held()); after != before {
		t.Errorf("the copy changes the carbon from %s to %s", before, after)
	}
	r.press("remove /alternatives/2/mix/constituents/5", "/alternatives/2/slab/thickness", "")
	if r.at("/alternatives/2/slab") != nil {
		t.Errorf("an object of which nothing is stated is there: %v", r.at("/alternatives/2/slab"))
	}
}

// compared is the carbon of the third alternative of a comparison.
func compared(t testing.TB, server fixture, body string) string {
	t.Helper()
	w := server.do(post("/v1/comparisons", body))
	var answer struct {
		Alternatives []struct {
			Carbon struct {
				Total jsontext.Value `json:"total_kg_co2e_per_m2"`
			} `json:"carbon"`
		} `json:"alternatives"`
	}
	if err := json.Unmarshal(w.Body.Bytes(), &answer); err != nil || w.Code != 200 || len(answer.Alternatives) < 3 {
		t.Fatalf("status %d, %v: %.300s", w.Code, err, w.Body)
	}
	return string(answer.Alternatives[2].Carbon.Total)
}

// What is written as JSON is kept as it was typed until it can be read.
func TestComparisonAsJSON(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	r := opens(t, server, "/comparison/edit?of=demo&as=json")
	r.labelled()
	if got := r.sent("edit").Get("json"); canonical(t, []byte(got)) != canonical(t, []byte(demo(t))) || !strings.HasPrefix(got, "{\r\n  \"inventory\"") {
		t.Errorf("the text is %.200q", got)
	}
	for _, broken := range []string{`{"inventory": "demo@1",,}`, `{"a":1,"a":2}`, "[]", "", "\r\n\r\n{", "</textarea><script>"} {
		for _, do := range []string{"check", "compare", "form", "save"} {
			r := opens(t, server, "/comparison/edit?of=demo&as=json")
			r.press(do, "json", broken)
			if got := r.sent("edit").Get("json"); r.answer.Code < 400 || r.answer.Code >= 500 || got != broken {
				t.Errorf("%s of %q: status %d, the text is %q", do, broken, r.answer.Code, got)
			}
		}
	}
	r.press("check", "json", with(t, demo(t), "/functional_unit/area", "7300"))
	holds(t, r.answer, 422, "/functional_unit/area")
	r.press("form")
	if r.at("/functional_unit/area") != "7300" {
		t.Errorf("the area is %v", r.at("/functional_unit/area"))
	}
	r.press("compare", "/functional_unit/area", "7300 m2")
	if r.answer.Code != http.StatusSeeOther {
		t.Errorf("status %d", r.answer.Code)
	}
}

// A comparison is saved under a name by whoever may, once for a form that is sent twice;
// another takes over the mix of one of its alternatives with all that it rests on.
func TestSavingAndTakingOver(t *testing.T) {
	onEachStore(t, func(t *testing.T, open opener) {
		server := open(t, api.Options{Demo: demoRequest(t)})
		r := opens(t, server, "/comparison/edit?of=demo")
		r.press("save")
		holds(t, r.answer, 200, "Save as a study")
		r.labelled()
		values := r.sent("save")
		values.Set("name", " padded")
		r.post("/comparison/save", values)
		holds(t, r.answer, 422, `id="name-fault"`, `value=" padded"`)
		values = r.sent("save")
		values.Set("name", "Ring road")
		values.Set("tags", "tender, lot 3")
		r.post("/comparison/save", values)
		to := r.answer.Header().Get("Location")
		id, isStudy := strings.CutPrefix(to, "/studies/")
		if r.answer.Code != http.StatusSeeOther || !isStudy {
			t.Fatalf("%d to %q: %.400s", r.answer.Code, to, r.answer.Body)
		}
		r.post("/comparison/save", values)
		if again := r.answer.Header().Get("Location"); again != to {
			t.Errorf("sent again it leads to %q, not %q", again, to)
		}
		values.Set("name", "Another")
		r.post("/comparison/save", values)
		holds(t, r.answer, http.StatusUnprocessableEntity, "saved another comparison already")
		var list struct {
			Studies []struct {
				ID   string   `json:"id"`
				Tags []string `json:"tags"`
			} `json:"studies"`
		}
		if err := json.Unmarshal(server.do(get("/v1/studies")).Body.Bytes(), &list); err != nil || len(list.Studies) != 1 || !slices.Equal(list.Studies[0].Tags, []string{"lot 3", "tender"}) {
			t.Fatalf("%v, %+v", err, list)
		}

		r = opens(t, server, "/comparison/edit?study="+id)
		if got := r.held(); got != canonical(t, []byte(demo(t))) {
			t.Errorf("the form of the study has %s", got)
		}
		r = opens(t, server, "/comparison/edit?inventory=demo@1")
		r.press("refresh", "from", id)
		holds(t, r.answer, 200, `<option value="fibre, staged">`)
		r.press("copy-both", "source", "fibre, staged")
		if r.at("/alternatives/0/mix/constituents/5/item") != "fibre-pp-macro" || r.at("/alternatives/0/slab/thickness") != "205 mm" || r.at("/alternatives/0/slab/curing") != "curing-compound" {
			t.Errorf("copied: %s", r.held())
		}
		r.press("copy-alternative", "source", "fibre, staged")
		holds(t, r.answer, 200, "Copied from “fibre, staged” of the study “Ring road”")
		r.press("check")
		if name := r.at("/alternatives/2/name"); name != "fibre, staged" || r.at("/alternatives/2/like") != nil {
			t.Errorf("the third is %v", r.at("/alternatives/2"))
		}
	})
}

// A viewer builds a comparison and may not save it.
func TestViewersBuildAndAnalystsSave(t *testing.T) {
	server := opener(newServer).keyed(t, api.Options{Demo: demoRequest(t)})
	if w := server.do(get("/comparison/edit?of=demo")); w.Code != http.StatusSeeOther {
		t.Errorf("without a key: %d", w.Code)
	}
	r := &reader{t: t, server: server.fixture, key: server.secrets["viewer"]}
	r.see(server.do(get("/comparison/edit?of=demo", "Cookie", "slabledger_key="+r.key)))
	holds(t, r.answer, 200, "Saving needs a key with the role analyst", "Check", "Compare")
	values := r.sent("edit")
	values.Set("do", "save")
	r.post("/comparison/edit", values)
	holds(t, r.answer, 200, "Save as a study", "Saving needs a key with the role analyst")
	viewer := r.key
	r.key = server.secrets["analyst"]
	r.post("/comparison/edit", values)
	values = r.sent("save")
	values.Set("name", "Ring road")
	r.key = viewer
	r.post("/comparison/save", values)
	holds(t, r.answer, http.StatusForbidden)
	r.key = server.secrets["analyst"]
	r.post("/comparison/save", values)
	if r.answer.Code != http.StatusSeeOther {
		t.Errorf("an analyst: %d", r.answer.Code)
	}
}

// A comparison that is too long for an address is to be saved first.
func TestLongComparisonsAreSavedFirst(t *testing.T) {
	server := newServer(t, api.Options{})
	body := with(t, demo(t), "/goal_and_scope", map[string]any{"purpose": scattered(1900), "audience": scattered(1901), "decision": scattered(1902), "limitations": scattered(1903), "uncertainty": scattered(1904), "consistency": scattered(1905), "reviewer": "panel"})
	r := opens(t, server, addressed(t, demo(t)))
	r.press("json")
	r.press("compare", "json", body)
	holds(t, r.answer, 200, "too long to stand in an address")
	values := r.sent("save")
	values.Set("name", "long")
	r.post("/comparison/save", values)
	if to := r.answer.Header().Get("Location"); !strings.HasPrefix(to, "/studies/") {
		t.Errorf("%d to %q: %.300s", r.answer.Code, to, r.answer.Body)
	}
}

// scattered is a text that hardly packs.
func scattered(n int) string {
	text, seed := make([]byte, n), uint32(n)
	for i := range text {
		seed = seed*1664525 + 1013904223
		text[i] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789.,"[seed>>26]
	}
	return string(text)
}

// Where an inventory has little, the start says what is missing, and fields ask for codes.
// A withdrawn version is not offered, and stays chosen where it is.
func TestFormOfASparseInventory(t *testing.T) {
	server := newServer(t, api.Options{})
	lines := strings.Split(string(read(t, "../testdata/demo/items.csv")), "\n")
	server.publish(t, "sparse", lines[0]+"\n"+lines[1]+"\n")
	server.publish(t, "sparse", lines[0]+"\n"+lines[1]+"\n"+lines[2]+"\n")
	r := opens(t, server, "/comparison/edit?inventory=sparse@1")
	r.labelled()
	holds(t, r.answer, 200, "no item of the category water with a density", "no item of the category transport", "no item of the category fibre", "The inventory has none of: curing")
	r.press("check")
	holds(t, r.answer, 422, "to mend")
	server.send(t, "withdrawVersion", http.MethodPut, "/v1/inventories/sparse/versions/1/withdrawal", `{"reason":"a slip"}`, http.StatusOK)
	if w := newServerOver(t, server.store, api.Options{}).do(get("/comparison/edit")); strings.Contains(w.Body.String(), `"sparse@1"`) || !strings.Contains(w.Body.String(), `"sparse@2"`) {
		t.Errorf("a withdrawn version is offered: %s", w.Body)
	}
	for inventory, note := range map[string]string{"sparse@1": "sparse@1, sparse", "sparse": "sparse, sparse", "none@1": "none@1 (not accepted here)"} {
		body := with(t, demo(t), "/inventory", inventory)
		holds(t, opens(t, server, addressed(t, body)).answer, 200, `<option value="`+inventory+`" selected>`+note)
	}
	for _, path := range []string{"/comparison/edit?inventory=none@1", "/comparison/edit?study=none", "/comparison/edit?of=demo"} {
		holds(t, server.do(get(path)), http.StatusNotFound)
	}
}

// A page stays one that can be read, whatever a short address unpacks to, and what it
// does not show stays.
func TestFormOfTooMuchIsBounded(t *testing.T) {
	server := newServer(t, api.Options{})
	many := func(entry string, n int) string { return "[" + strings.Repeat(entry+",", n-1) + entry + "]" }
	plan := `{"name":"p","maintenance":` + many(`{"item":"x"}`, 60) + `}`
	for name, text := range map[string]string{
		"alternatives": `{"alternatives":` + many(`{"name":"a"}`, 80000) + `}`,
		"constituents": `{"alternatives":[{"mix":{"constituents":` + many("{}", 300000) + `}}]}`,
		"plans":        `{"strategies":` + many(plan, 400) + `,"alternatives":[{"transport":` + many(`{"to":"plant"}`, 100) + `}]}`,
		"unknown":      `{"x":` + many("1", 400000) + `}`,
	} {
		r := opens(t, server, addressed(t, text))
		if r.answer.Body.Len() > 4<<20 {
			t.Errorf("%s: the page has %d bytes", name, r.answer.Body.Len())
		}
		r.press("check")
		if r.answer.Code >= 500 || r.held() != canonical(t, []byte(text)) {
			t.Errorf("%s: the comparison has changed", name)
		}
	}
}

// A zero that is written -0 is zero, as canonical JSON has it (RFC 8785, 3.2.2.3).
func TestFormTakesNegativeZeroForZero(t *testing.T) {
	keeps(t, newServer(t, api.Options{}), `{"inventory":"demo@1","economics":{"real_discount_rate":-0},"alternatives":[]}`)
}

// A short address can unpack to far more than a comparison is, which as values takes many
// times the room of its text. Few of those are taken apart at once; what people write is
// not held up by them.
func TestFewLargeFormsAtOnce(t *testing.T) {
	server := newServer(t, api.Options{MaxTables: 1, ComputeWait: time.Millisecond})
	large := addressed(t, `{"alternatives":[`+strings.Repeat(`{},`, 300_000)+`{}]}`)
	usual := addressed(t, demo(t))
	if len(large) > 4<<10 {
		t.Fatalf("the address has %d bytes", len(large))
	}
	var wait sync.WaitGroup
	var refused, shown atomic.Int64
	for range 12 {
		wait.Go(func() {
			switch w := server.do(get(large)); w.Code {
			case http.StatusOK:
				shown.Add(1)
			case http.StatusServiceUnavailable:
				refused.Add(1)
			default:
				t.Errorf("status %d", w.Code)
			}
		})
		wait.Go(func() {
			if w := server.do(get(usual)); w.Code != http.StatusOK {
				t.Errorf("what people write: status %d", w.Code)
			}
		})
	}
	wait.Wait()
	if shown.Load() == 0 || refused.Load() == 0 {
		t.Errorf("of the large ones %d were shown and %d refused", shown.Load(), refused.Load())
	}
	holds(t, server.do(get(large)), http.StatusOK)
}
