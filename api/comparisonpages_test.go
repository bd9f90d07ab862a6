package api_test

import (
	"bytes"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/net/html"

	"slabledger/api"
)

const demoPage = "/comparison?of=demo"

// follows asks as a browser does, which goes where a page leads it.
func (f fixture) follows(t testing.TB, path string, headers ...string) *httptest.ResponseRecorder {
	t.Helper()
	for range 5 {
		w := f.do(get(path, headers...))
		if w.Code != http.StatusSeeOther {
			return w
		}
		path = w.Header().Get("Location")
	}
	t.Fatalf("led on and on, at last to %s", path)
	return nil
}

// told is the text of a page without its tags, each run of white space as one space.
func told(w *httptest.ResponseRecorder) string {
	document, err := html.Parse(bytes.NewReader(w.Body.Bytes()))
	if err != nil {
		return ""
	}
	var text []string
	for n := range document.Descendants() {
		if n.Type == html.TextNode {
			text = append(text, strings.Fields(n.Data)...)
		}
	}
	return strings.Join(text, " ")
}

func tells(t *testing.T, w *httptest.ResponseRecorder, status int, texts ...string) {
	t.Helper()
	if w.Code != status {
		t.Fatalf("status %d: %s", w.Code, told(w))
	}
	text := told(w)
	for _, want := range texts {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not tell %q:\n%s", want, text)
		}
	}
}

// attributeOf is a value of an element.
func attributeOf(n *html.Node, name string) (string, bool) {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val, true
		}
	}
	return "", false
}

// link is the address of the first link with a text.
func link(t *testing.T, w *httptest.ResponseRecorder, text string) string {
	t.Helper()
	document, err := html.Parse(bytes.NewReader(w.Body.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	for n := range document.Descendants() {
		if n.Data != "a" || n.FirstChild == nil {
			continue
		}
		label, _ := attributeOf(n, "aria-label")
		if strings.TrimSpace(n.FirstChild.Data) == text || label == text {
			to, _ := attributeOf(n, "href")
			return to
		}
	}
	t.Fatalf("no link %q in %s", text, told(w))
	return ""
}

// formValue is the value of the field of a name.
func formValue(t *testing.T, w *httptest.ResponseRecorder, name string) string {
	t.Helper()
	document, err := html.Parse(bytes.NewReader(w.Body.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	for n := range document.Descendants() {
		if is, _ := attributeOf(n, "name"); n.Data == "input" && is == name {
			value, _ := attributeOf(n, "value")
			return value
		}
	}
	t.Fatalf("no field %q", name)
	return ""
}

// sound checks what every page owes those who do not see it: one first heading and the
// others in order, ids that are unique, a label for every field, what describes a field,
// headers and a caption for every table, and neither script nor style in the page.
func sound(t *testing.T, what string, w *httptest.ResponseRecorder) {
	t.Helper()
	document, err := html.Parse(bytes.NewReader(w.Body.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	ids, labels := map[string]bool{}, map[string]bool{}
	var fields []*html.Node
	var described []string
	level, first := 0, 0
	for n := range document.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		if id, has := attributeOf(n, "id"); has {
			if ids[id] || id == "" {
				t.Errorf("%s: the id %q stands twice", what, id)
			}
			ids[id] = true
		}
		if _, has := attributeOf(n, "style"); has {
			t.Errorf("%s: <%s> has a style of its own", what, n.Data)
		}
		for _, name := range []string{"aria-describedby", "aria-labelledby"} {
			if of, has := attributeOf(n, name); has {
				described = append(described, strings.Fields(of)...)
			}
		}
		switch n.Data {
		case "h1", "h2", "h3", "h4":
			now := int(n.Data[1] - '0')
			if now > level+1 {
				t.Errorf("%s: heading %s follows one of level %d", what, n.Data, level)
			}
			if level = now; now == 1 {
				first++
			}
		case "label":
			of, _ := attributeOf(n, "for")
			labels[of] = true
		case "input", "select", "textarea":
			if kind, _ := attributeOf(n, "type"); kind != "hidden" {
				fields = append(fields, n)
			}
		case "table":
			caption, scoped := false, false
			for c := range n.Descendants() {
				_, scope := attributeOf(c, "scope")
				caption, scoped = caption || c.Data == "caption", scoped || scope
			}
			if !caption || !scoped {
				t.Errorf("%s: a table without caption or headers", what)
			}
		case "script":
			if _, from := attributeOf(n, "src"); !from {
				t.Errorf("%s: a script in the page", what)
			}
		}
	}
	if first != 1 {
		t.Errorf("%s: %d first headings", what, first)
	}
	for _, n := range fields {
		if id, _ := attributeOf(n, "id"); !labels[id] {
			name, _ := attributeOf(n, "name")
			t.Errorf("%s: the field %s has no label", what, name)
		}
	}
	for _, id := range described {
		if !ids[id] {
			t.Errorf("%s: nothing has the id %q", what, id)
		}
	}
}

// The page of a comparison begins with the answer and says what it rests on.
func TestAComparisonBeginsWithItsAnswer(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	w := server.do(get(demoPage))
	tells(t, w, 200, "Cheapest over its life plain 49.18 EUR/m² the baseline itself", "Emits least fibre, staged 82.4 kg CO₂e/m² −10.2 % against plain", "invented data",
		"7300 m² of slab; 12,000,000 equivalent axles", "40 years", "3 % a year, real", "demo@1", "fibre: dearer and cleaner, 260.14 EUR for each tonne",
		"B6, B7, B8: energy, water and traffic in use", "49.18 lowest", "82.4 lowest", "49.55", "This is a comparison aid, not a design.")
	if strings.Index(told(w), "Cheapest over its life") > strings.Index(told(w), "Slab thickness") {
		t.Error("the answer does not come first")
	}
	for _, picture := range []string{"carbon-by-module", "carbon-by-item", "cash-flow", "cost-against-carbon", "cross-section", "staged-mixing-2"} {
		if !strings.Contains(w.Body.String(), `<figure class="picture" id="`+picture+`">`) {
			t.Errorf("no picture %s", picture)
		}
	}
	if size := w.Body.Len(); size > 200_000 {
		t.Errorf("%d bytes", size)
	}
}

// Figures are shown on other bases and in other units by links that keep the rest of
// the address.
func TestViewsOfAComparison(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	w := server.do(get(demoPage + "&rate=4+%25"))
	whole := link(t, w, "for the whole area")
	if whole != "/comparison?basis=job&of=demo&rate=4+%25" {
		t.Fatal(whole)
	}
	w = server.do(get(whole))
	tells(t, w, 200, "t CO₂e for 7300 m²", "for the whole area")
	us := link(t, w, "US customary")
	tells(t, server.do(get(us)), 200, "lb CO₂e for 8731 yd²", "per yd²")
	if back := link(t, server.do(get(us)), "SI"); back != whole {
		t.Errorf("SI leads to %s", back)
	}
}

// What is changed stands in the address, is listed with a way to take it back, and moves
// the figures; the page says how.
func TestWhatIfOnAPage(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	asked := demoPage + "&rate=5&period=40&haul-1=200+km&haul-2=35+km&item=cement-cem-i&price=0.2&carbon_price=&carbon_price_in=beside"
	w := server.do(get(asked))
	const led = "/comparison?haul-1=200+km&of=demo&price-cement-cem-i=0.2+EUR%2Fkg&rate=5+%25"
	if to := w.Header().Get("Location"); w.Code != http.StatusSeeOther || to != led {
		t.Fatalf("%d to %s", w.Code, to)
	}
	w = server.do(get(led))
	tells(t, w, 200, "Real discount rate, a year: 3 % → 5 %", "120 km → 200 km", "0.124 EUR/kg → 0.2 EUR/kg", "Cheapest over its life fibre, staged 54.61 EUR/m²",
		"plain 49.18 → 55.26 +12.4 % 1 → 2 moved", "fibre, staged 49.55 → 54.61 +10.2 % 2 → 1 moved", "was 49.18")
	sound(t, led, w)
	back := link(t, w, "Take back: Real discount rate, a year")
	if back != "/comparison?haul-1=200+km&of=demo&price-cement-cem-i=0.2+EUR%2Fkg" {
		t.Error(back)
	}
	if all := link(t, w, "Put back all"); all != demoPage {
		t.Error(all)
	}
	w = server.do(get(led + "&carbon_price=100+EUR%2Ft&carbon_price_in=cost"))
	tells(t, w, 200, "Net present value with carbon at its price")
	// The figures are those that the API gives for the same question.
	request := strings.Replace(demo(t), `"baseline"`, `"overrides": [{"item": "cement-cem-i", "price": "0.2 EUR/kg", "reason": "what-if on the page"}], "baseline"`, 1)
	request = strings.Replace(strings.Replace(request, `"120 km"`, `"200 km"`, 1), `"3 %"`, `"5 %"`, 1)
	answer := server.do(post("/v1/comparisons", request))
	hash := regexp.MustCompile(`"request_hash":"([0-9a-f]+)"`).FindStringSubmatch(answer.Body.String())
	if answer.Code != 200 || hash == nil || !strings.Contains(server.do(get(led)).Body.String(), hash[1]) {
		t.Errorf("the page asks something else than the API: %d %.300s", answer.Code, answer.Body)
	}
}

// A change that cannot be computed is told beside its field and in a summary with a link
// to it; the figures stay those of the comparison.
func TestFaultsOfAChangeAreToldBesideTheField(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	w := server.follows(t, demoPage+"&rate=abc")
	holds(t, w, http.StatusUnprocessableEntity, `<a href="#rate">`, `id="rate" name="rate" value="abc" autocomplete="off" data-apply aria-invalid="true" aria-describedby="rate-fault-0 rate-note"`, "49.18")
	sound(t, "a bad rate", w)
	w = server.follows(t, demoPage+"&period=150")
	holds(t, w, http.StatusUnprocessableEntity, `<a href="#period">`, `id="period-fault-0"`, "from 1 to 100")
	sound(t, "a long period", w)
	for _, query := range []string{"&haul-1=far", "&price-cement-cem-i=1+USD%2Fkg", "&carbon_price=many", "&period=-3", "&period=1e3", "&item=cement-cem-i", "&price=3"} {
		w := server.follows(t, demoPage+query)
		holds(t, w, http.StatusUnprocessableEntity, `aria-invalid="true"`, "This change cannot be computed", "49.18")
		sound(t, query, w)
	}
	if w := server.do(get("/comparison/lines?of=demo&rate=abc")); w.Header().Get("Location") != "/comparison?of=demo&rate=abc" {
		t.Errorf("another page of it leads to %s", w.Header().Get("Location"))
	}
}

// Each page of a comparison stands under the demo, a request in the address and a study,
// keeps what is changed, and is sound.
func TestPagesOfAComparison(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t), ComputeLimit: time.Minute})
	study := "/studies/" + strings.TrimPrefix(save(t, server, "Quay", demo(t)), "/v1/studies/")
	w := server.do(get(demoPage + "&rate=2+%25"))
	for page, texts := range map[string][]string{
		"":             {"Cheapest over its life", "What if"},
		"/certainty":   {"Which slab", "How sure", "What would change it", "How often each comes first"},
		"/sensitivity": {"less", "One input at a time", "turns the answer"},
		"/lines":       {"Lines 1 to", "Portland cement", "Total of declared modules: "},
		"/sources":     {"Portland cement", "Items, and where their prices and factors come from"},
	} {
		for _, of := range []string{"/comparison" + page + "?of=demo", study + page, "/comparison" + page + "?of=demo&rate=2+%25&units=us"} {
			w := server.do(get(of))
			tells(t, w, 200, texts...)
			sound(t, of, w)
			if strings.Contains(of, "rate") {
				tells(t, w, 200, "3 % → 2 %")
			}
		}
	}
	for _, tab := range []string{"How sure", "What moves it", "Lines", "Sources"} {
		if to := link(t, w, tab); !strings.HasSuffix(to, "?of=demo&rate=2+%25") {
			t.Errorf("%s leads to %s", tab, to)
		}
	}
	copied := link(t, server.do(get(study)), "Open a copy")
	tells(t, server.do(get(copied)), 200, "“plain”, “fibre” and “fibre, staged”: 7300 m² over 40 years in QZ", "Save it")
	tells(t, server.do(get("/comparison")), 200, "Open the demo comparison", "Build a comparison", "Open a study")
	if to := link(t, server.do(get(study)), "Edit"); to != "/comparison/edit?study="+strings.TrimPrefix(study, "/studies/") {
		t.Errorf("Edit leads to %s", to)
	}
	if to := link(t, server.do(get(study+"?rate=4+%25")), "Edit"); !strings.HasPrefix(to, "/comparison/edit?request=") {
		t.Errorf("Edit of a change leads to %s", to)
	}
}

// Lines come in parts, and every part leads on.
func TestLinesComeInParts(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	w := server.do(get("/comparison/lines?of=demo&alternative=fibre&show=cost&limit=5"))
	tells(t, w, 200, "Lines of fibre", "Lines 1 to 5 of", "Net present value: 50.7")
	next := server.do(get(link(t, w, "Lines after")))
	tells(t, next, 200, "Lines of fibre", "Lines 6 to 10 of")
	tells(t, server.do(get(link(t, next, "Lines before"))), 200, "Lines 1 to 5 of")
	for _, query := range []string{"&from=0", "&from=999999", "&from=x&limit=-1", "&show=no&alternative=no"} {
		tells(t, server.do(get("/comparison/lines?of=demo"+query)), 200, "Lines of plain")
	}
	if to := link(t, w, "Portland cement CEM I 42.5 N, bulk"); !strings.HasSuffix(to, "#cement-cem-i") {
		t.Errorf("the item leads to %s", to)
	}
}

// many is the demo with so many alternatives.
func many(t testing.TB, n int) string {
	t.Helper()
	var others strings.Builder
	for i := 3; i < n; i++ {
		fmt.Fprintf(&others, `, {"name": "slab %d", "like": "plain", "slab": {"thickness": "%d mm"}}`, i, 150+i)
	}
	end := strings.LastIndexByte(demo(t), ']')
	return demo(t)[:end] + others.String() + demo(t)[end:]
}

// Many alternatives have a row each, in the order that the address asks for.
func TestManyAlternatives(t *testing.T) {
	server := newServer(t, api.Options{})
	page := "/studies/" + strings.TrimPrefix(save(t, server, "Many", many(t, 60)), "/v1/studies/")
	w := server.do(get(page))
	tells(t, w, 200, "60 alternatives", "slab 59")
	sound(t, page, w)
	w = server.do(get(page + "?sort=thickness&order=descending"))
	text := told(w)
	if first, last := strings.Index(text, "plain baseline 240"), strings.Index(text, "slab 3 153"); first < 0 || last < first {
		t.Errorf("not sorted by thickness: %d, %d: %s", first, last, text)
	}
	holds(t, w, 200, `aria-sort="descending"`)
	for _, sort := range []string{"name", "cost", "carbon", "cost-rank", "carbon-change", "no-such", "thickness"} {
		sound(t, sort, server.do(get(page+"?sort="+sort)))
	}
}

// Names that are hostile are shown harmless, and addresses that are broken are told so.
func TestHostileNamesAndBrokenAddresses(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	const hostile = `<img src=x onerror=alert(1)>"'&`
	request := strings.ReplaceAll(demo(t), `"name": "fibre, staged"`, `"name": `+string(encode(t, hostile)))
	page := "/studies/" + strings.TrimPrefix(save(t, server, "<b>bold</b>", request, "<i>"), "/v1/studies/")
	for _, path := range []string{page, page + "/lines?alternative=" + url.QueryEscape(hostile), page + "/sensitivity", page + "/deletion", "/studies"} {
		w := server.do(get(path))
		sound(t, path, w)
		for _, bad := range []string{"<img", "<b>", "<i>"} {
			if w.Code != 200 || strings.Contains(w.Body.String(), bad) {
				t.Errorf("%s: status %d, with %s: %t", path, w.Code, bad, strings.Contains(w.Body.String(), bad))
			}
		}
	}
	for path, status := range map[string]int{"/comparison?request=AAAA": 400, "/comparison/lines?request=%21": 400, "/studies/nosuchstudy": 404, "/studies/%FF%00": 404, "/studies/nosuchstudy/deletion": 404,
		"/studies/nosuchstudy/rerun?inventory=demo@1": 404, "/studies?text=%FF%00&cost_min=abc&sort=evil": 422, "/studies?cursor=AAAA": 400, "/comparison/sensitivity?of=demo&first=nobody&second=plain": 422} {
		w := server.do(get(path))
		if w.Code != status {
			t.Errorf("%s: status %d: %s", path, w.Code, told(w))
		}
		sound(t, path, w)
	}
}

// A comparison that is not ranked says why.
func TestNotRankedSaysWhy(t *testing.T) {
	server := newServer(t, api.Options{})
	request := strings.Replace(demo(t), `"slab": { "thickness": "215 mm" }`, `"slab": { "thickness": "215 mm" }, "service": { "design_life_years": 20 }`, 1)
	page := "/studies/" + strings.TrimPrefix(save(t, server, "Unequal", request), "/v1/studies/")
	w := server.do(get(page))
	tells(t, w, 200, "Not ranked.")
	if strings.Contains(told(w), "lowest") || strings.Contains(told(w), "Emits least") {
		t.Error("something is first where nothing is ranked")
	}
	tells(t, server.do(get(page+"/certainty")), 200, "No alternative is first")
	sound(t, page, w)
}

// A comparison is saved once, however often its form is sent; it is then renamed,
// duplicated, listed and deleted, and who comes late is told.
func TestStudiesOnPages(t *testing.T) {
	onEachStore(t, func(t *testing.T, newServer opener) {
		server := newServer(t, api.Options{Demo: demoRequest(t)})
		tells(t, server.do(get("/studies")), 200, "None is saved yet.")
		w := server.do(get(demoPage + "&rate=4+%25"))
		form := []string{"name", "Harbour road", "tags", "quay, 2026 ,quay", "request", formValue(t, w, "request"), "once", formValue(t, w, "once")}
		w = server.do(fields("/comparison/save", form...))
		page := w.Header().Get("Location")
		if w.Code != http.StatusSeeOther || !strings.HasPrefix(page, "/studies/") {
			t.Fatalf("%d to %s: %s", w.Code, page, told(w))
		}
		if w := server.do(fields("/comparison/save", form...)); w.Header().Get("Location") != page {
			t.Errorf("sent again it leads to %q: %s", w.Header().Get("Location"), told(w))
		}
		other := slices.Clone(form)
		other[1] = "Another"
		tells(t, server.do(fields("/comparison/save", other...)), http.StatusUnprocessableEntity, "This form has saved another comparison already")
		other[1], other[7] = " \u202e", "k2"
		w = server.do(fields("/comparison/save", other...))
		holds(t, w, http.StatusUnprocessableEntity, `id="name-fault"`, `value="`+formOf(other[5])+`"`)
		sound(t, "a name that is none", w)

		w = server.do(get(page))
		tells(t, w, 200, "Harbour road", "4 % a year, real", "revision 1", "There is none; demo@1 is the newest")
		sound(t, page, w)
		tells(t, server.do(get(page+"?rate=6+%25")), 200, "The saved study stays as it is.", "6 % a year, real", "Save the changes as another study")
		tells(t, server.do(get(page)), 200, "4 % a year, real")

		w = server.do(fields(page+"/name", "name", "Quay road", "tags", "b,a", "revision", "1"))
		if w.Code != http.StatusSeeOther || w.Header().Get("Location") != page {
			t.Fatalf("%d: %s", w.Code, told(w))
		}
		w = server.do(fields(page+"/name", "name", "Late", "tags", "", "revision", "1"))
		holds(t, w, http.StatusPreconditionFailed, "is now called “Quay road”", `name="revision" value="2"`, `value="Late"`)
		sound(t, "a late name", w)
		holds(t, server.do(fields(page+"/name", "name", "", "revision", "2")), http.StatusUnprocessableEntity, `id="study-name-fault"`)

		w = server.do(get("/studies?text=quay&tag=a&carbon_max=100"))
		tells(t, w, 200, "Quay road", "demo@1", "205", "Show all")
		sound(t, "/studies", w)
		tells(t, server.do(get("/studies?tag=nothing")), 200, "No study is like that.")
		holds(t, server.do(get("/studies?carbon_min=abc")), http.StatusUnprocessableEntity, `aria-describedby="carbon_min-fault"`)
		save(t, server, "Second", demo(t))
		w = server.do(get("/studies?limit=1"))
		tells(t, w, 200, "Second")
		tells(t, server.do(get(link(t, w, "More"))), 200, "Quay road", "From the beginning")

		w = server.do(get(page + "/deletion"))
		tells(t, w, 200, "Delete Quay road?", "revision 2")
		sound(t, "delete", w)
		tells(t, server.do(fields(page+"/deletion", "revision", "1")), http.StatusPreconditionFailed, "was changed since you opened this page")
		if w := server.do(fields(page+"/deletion", "revision", formValue(t, w, "revision"))); w.Header().Get("Location") != "/studies" {
			t.Fatalf("%d: %s", w.Code, told(w))
		}
		tells(t, server.do(get(page)), http.StatusNotFound, "There is no such thing")
	})
}

func formOf(text string) string { return html.EscapeString(text) }

// A study is computed on a newer version, with what moved by item; one that rests on a
// withdrawn version says so.
func TestAStudyOnANewerVersion(t *testing.T) {
	onEachStore(t, func(t *testing.T, newServer opener) {
		server := newServer(t, api.Options{})
		page := "/studies/" + strings.TrimPrefix(save(t, server, "Quay", demo(t)), "/v1/studies/")
		newer(t, server, map[string]map[string]string{"cement-cem-i": {"price": "0.150"}})
		tells(t, server.do(get(page)), 200, "On a newer version of the inventory", "demo@2")
		w := server.do(get(page + "/rerun?inventory=demo@2"))
		tells(t, w, 200, "From demo@1 to demo@2", "byte for byte", "net present value", "cement-cem-i", "0.124 → 0.15")
		sound(t, "rerun", w)
		tells(t, server.do(get(link(t, w, "Open the comparison on demo@2"))), 200, "demo@2", "fibre, staged")
		tells(t, server.do(get(page+"/rerun?inventory=demo@9")), http.StatusUnprocessableEntity, "no version 9 of the inventory demo")
		server.send(t, "withdrawVersion", http.MethodPut, "/v1/inventories/demo/versions/1/withdrawal", `{"reason":"a price was wrong"}`, 200)
		tells(t, server.do(get(page)), 200, "Withdrawn. The inventory version demo@1 was withdrawn on", "a price was wrong")
	})
}

// Who may look may not save: the page to sign in comes first, and nothing is stored.
func TestSavingNeedsAnAnalyst(t *testing.T) {
	server := opener(newServer).keyed(t, api.Options{Demo: demoRequest(t)})
	w := server.do(get(demoPage, "Cookie", "slabledger_key="+server.secrets["analyst"]))
	form := []string{"name", "Quay", "request", formValue(t, w, "request"), "once", "k1"}
	send := func(role string) *httptest.ResponseRecorder {
		r := fields("/comparison/save", form...)
		if role != "" {
			r.Header.Set("Cookie", "slabledger_key="+server.secrets[role])
		}
		return server.do(r)
	}
	tells(t, send(""), http.StatusUnauthorized, "Sign in")
	tells(t, send("viewer"), http.StatusForbidden, "The key may not do this")
	if w := send("analyst"); w.Code != http.StatusSeeOther {
		t.Errorf("%d: %s", w.Code, told(w))
	}
}

// BenchmarkComparisonPage is a page from the request to its bytes: the demo, and 200
// alternatives.
func BenchmarkComparisonPage(b *testing.B) {
	server := newServer(b, api.Options{Demo: demoRequest(b)})
	for name, path := range map[string]string{"demo": demoPage, "demo, changed": demoPage + "&rate=4+%25", "200 alternatives": "/studies/" + strings.TrimPrefix(save(b, server, "Many", many(b, 200)), "/v1/studies/")} {
		b.Run(name, func(b *testing.B) {
			size, before := 0, processorTime(b)
			for b.Loop() {
				w := server.do(get(path))
				if w.Code != 200 {
					b.Fatalf("%d: %.200s", w.Code, w.Body)
				}
				size = w.Body.Len()
			}
			b.ReportMetric(float64(size), "bytes")
			b.ReportMetric(float64((processorTime(b)-before).Microseconds())/float64(b.N)/1000, "cpu-ms/op")
		})
	}
}

// processorTime is what the process has used of all processors, which other work on the
// machine does not add to.
func processorTime(b *testing.B) time.Duration {
	var used syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &used); err != nil {
		b.Fatal(err)
	}
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}

// A price that is given in place of the inventory's has no scatter, and the page that says
// how sure the comparison is tells so; of the demo as it is there is nothing to tell.
func TestCertaintyTellsOfFiguresThatAreHeld(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	const told = "is held as it is"
	if w := server.do(get("/comparison/certainty?of=demo")); strings.Contains(w.Body.String(), told) {
		t.Error("a figure is said to be held where none is")
	}
	holds(t, server.do(get("/comparison/certainty?of=demo&price-fibre-pp-macro=3+EUR%2Fkg")), 200, told, "inputs are held as they are")
}

// From how sure it is, a way leads to a run on the same comparison, changes included.
func TestCertaintyLeadsToARunOnTheComparison(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	for address, known := range map[string]string{"/comparison/certainty?of=demo": "demo@1", "/comparison/certainty?of=demo&price-fibre-pp-macro=3+EUR%2Fkg": "3 EUR/kg"} {
		page := server.do(get(address)).Body.String()
		found := regexp.MustCompile(`<a href="(/runs/new[^"]*)">`).FindStringSubmatch(page)
		if found == nil {
			t.Fatalf("%s leads to no run", address)
		}
		holds(t, server.do(get(html.UnescapeString(found[1]))), 200, known, `name="request"`)
	}
}

// What moves a comparison beyond its prices and factors is tried elsewhere, and the page
// leads there; a mean is told from a figure as computed where it stands.
func TestPagesTellWhatTheirFiguresLeaveOut(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	w := server.do(get("/comparison/sensitivity?of=demo"))
	tells(t, w, 200, "Prices and emission factors are moved here")
	if to := link(t, w, "What if it were otherwise?"); to != "/comparison?of=demo#what-if" || !strings.Contains(server.do(get("/comparison?of=demo")).Body.String(), `id="what-if"`) {
		t.Errorf("the rate is tried at %s", to)
	}
	for text, operation := range map[string]string{"where two slabs change places": "break-even", "what choices of method do": "methods"} {
		to := link(t, w, text)
		if tells(t, server.do(get(to)), 200, "An example for Demo"); !strings.Contains(to, "operation="+operation) {
			t.Errorf("%q leads to %s", text, to)
		}
	}
	tells(t, server.do(get("/comparison/certainty?of=demo")), 200, "They differ where a spread is lopsided")
}

// Beside each source stands what is taken from it, as the lines count with it; a price that
// the comparison overrides is the one that counts.
func TestSourcesShowTheFiguresThatTheyGive(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	cells := func(path, item string) []string {
		page, err := html.Parse(server.do(get(path)).Body)
		if err != nil {
			t.Fatal(err)
		}
		rows := all(page, func(n *html.Node) bool { id, _ := attribute(n, "id"); return n.Data == "tr" && id == item })
		if len(rows) != 1 {
			t.Fatalf("%d rows of %s", len(rows), item)
		}
		var texts []string
		for _, cell := range all(rows[0], func(n *html.Node) bool { return n.Data == "td" }) {
			texts = append(texts, strings.Join(strings.Fields(textOf(cell)), " "))
		}
		return texts
	}
	got := cells("/comparison/sources?of=demo", "fibre-pp-macro")
	if got[0] != "kg" || got[1] != "4.2 EUR/kg" || got[5] != "2.35 kg CO2e/kg A1, A50.06 kg CO2e/kg A2, A5" {
		t.Errorf("the fibre has %q", got)
	}
	if got := cells("/comparison/sources?of=demo", "mixer-pan"); got[1] != "–" || got[5] != "–" {
		t.Errorf("what is made of others has %q", got)
	}
	if got := cells("/comparison/sources?of=demo&price-fibre-pp-macro=3+EUR%2Fkg", "fibre-pp-macro"); got[1] != "3 EUR/kg" {
		t.Errorf("with another price the fibre has %q", got)
	}
}

// The page of terms says that it quotes no standard.
func TestTermsSayThatTheyAreFromMemory(t *testing.T) {
	tells(t, newServer(t, api.Options{}).do(get("/terms")), 200, "Meanings and numbers of clauses are from memory, not read off the standards")
}
