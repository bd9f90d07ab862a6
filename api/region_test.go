package api_test

import (
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"slabledger/api"
	"slabledger/api/pages"
	"slabledger/inventory"
	"slabledger/service"
)

var (
	inputs  = regexp.MustCompile(`<input [^>]*>`)
	selects = regexp.MustCompile(`(?s)<select [^>]*name="(\w+)".*?</select>`)
	areas   = regexp.MustCompile(`(?s)<textarea [^>]*name="(\w+)"[^>]*>\n?(.*?)</textarea>`)
	chosen  = regexp.MustCompile(`<option(?: value="([^"]*)")? selected>([^<]*)`)
	ofName  = regexp.MustCompile(` name="(\w+)"`)
	ofValue = regexp.MustCompile(` value="([^"]*)"`)
)

// formOn is what a browser would send of the form of a page that goes to an address,
// with some fields typed anew.
func formOn(t testing.TB, page, action string, typed ...string) *http.Request {
	t.Helper()
	found := regexp.MustCompile(`(?s)<form [^>]*action="` + regexp.QuoteMeta(action) + `".*?</form>`).FindString(page)
	if found == "" {
		t.Fatalf("no form to %s in\n%s", action, page)
	}
	values := url.Values{}
	for _, input := range inputs.FindAllString(found, -1) {
		value := ofValue.FindStringSubmatch(input)
		if name := ofName.FindStringSubmatch(input); name != nil && value != nil {
			values.Set(name[1], html.UnescapeString(value[1]))
		}
	}
	for _, s := range selects.FindAllStringSubmatch(found, -1) {
		values.Set(s[1], "")
		if option := chosen.FindStringSubmatch(s[0]); option != nil {
			values.Set(s[1], html.UnescapeString(option[1]+option[2]))
		}
	}
	for _, area := range areas.FindAllStringSubmatch(found, -1) {
		values.Set(area[1], html.UnescapeString(area[2]))
	}
	var pairs []string
	for i := 0; i < len(typed); i += 2 {
		values.Set(typed[i], typed[i+1])
	}
	for name := range values {
		pairs = append(pairs, name, values.Get(name))
	}
	return fields(action, pairs...)
}

// leads checks that an answer goes to another page, and gives its address.
func leads(t testing.TB, w *httptest.ResponseRecorder, to string) string {
	t.Helper()
	if got := w.Header().Get("Location"); w.Code != http.StatusSeeOther || !strings.HasPrefix(got, to) {
		t.Fatalf("%d to %q, want to %s: %.2000s", w.Code, got, to, w.Body)
	}
	return w.Header().Get("Location")
}

// checkPage checks what holds of every page: headings in order, a label for each field,
// tables with captions or names and scopes, references that lead somewhere, and nothing
// from elsewhere.
func checkPage(t testing.TB, page string) {
	t.Helper()
	if found := elsewhere.FindString(withoutComfort(page)); found != "" {
		t.Errorf("the page has %q", found)
	}
	if strings.ContainsAny(page, "\u202e\u200b") {
		t.Error("the page has a mark of writing direction or of no width")
	}
	last := 0
	for _, heading := range regexp.MustCompile(`<h([1-6])`).FindAllStringSubmatch(page, -1) {
		level := int(heading[1][0] - '0')
		if level > last+1 {
			t.Errorf("a heading of level %d stands below one of %d", level, last)
		}
		last = level
	}
	if strings.Count(page, "<h1") != 1 {
		t.Errorf("%d headings of level 1", strings.Count(page, "<h1"))
	}
	for _, field := range regexp.MustCompile(`<(?:input|select|textarea)[^>]*>`).FindAllString(page, -1) {
		if strings.Contains(field, `type="hidden"`) {
			continue
		}
		id := regexp.MustCompile(` id="([^"]+)"`).FindStringSubmatch(field)
		if id == nil || !strings.Contains(page, `<label for="`+id[1]+`">`) {
			t.Errorf("%s has no label", field)
		}
	}
	for _, refers := range regexp.MustCompile(`(?:href="#|aria-(?:describedby|labelledby)=")([^"]*)"`).FindAllStringSubmatch(page, -1) {
		for _, id := range strings.Fields(refers[1]) {
			if strings.Count(page, ` id="`+id+`"`) != 1 {
				t.Errorf("%s leads nowhere, or to several", id)
			}
		}
	}
	for _, cell := range regexp.MustCompile(`<th[ >][^>]*`).FindAllString(page, -1) {
		if !strings.Contains(cell, `scope="`) {
			t.Errorf("%s has no scope", cell)
		}
	}
}

// open gets a page that must be there.
func (f fixture) open(t testing.TB, address string) string {
	t.Helper()
	w := f.do(get(address))
	if w.Code != http.StatusOK || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/html") {
		t.Fatalf("%s: %d %s %.2000s", address, w.Code, w.Header().Get("Content-Type"), w.Body)
	}
	checkPage(t, w.Body.String())
	return w.Body.String()
}

// begun begins a draft of the demo region by the button, and gives its page.
func (f fixture) begun(t testing.TB) string {
	t.Helper()
	return leads(t, f.do(formOn(t, f.open(t, "/inventories/demo"), "/inventories/demo/drafts")), "/inventories/demo/drafts/")
}

// An inventory shows its items with prices, factors, sources and validity; filters and
// parts of the list stand in the address.
func TestInventoryPages(t *testing.T) {
	server := newServer(t, api.Options{})
	server.publish(t, "demo", "code,category,name,unit,price,price_currency,price_date,price_basis,price_tax,price_valid_until,price_source_kind,price_source_title,price_source_licence\n"+
		"sand,aggregate,Sand,t,9.5,EUR,2026-01-14,delivered,excluded,2026-06-30,quotation,Offer 7,no-redistribution\nwell,water,Well,m3,,,,,,,,,\n")
	if err := service.New(server.store).Withdraw(t.Context(), nil, "demo", 2, "the sand was of another pit"); err != nil {
		t.Fatal(err)
	}
	page := server.open(t, "/inventories")
	for _, want := range []string{`href="/inventories/demo"`, "demo@2", "withdrawn", "invented data", "EUR"} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q in the list:\n%s", want, page)
		}
	}
	if page := server.open(t, "/inventories/demo"); !strings.Contains(page, "demo@1, published") || !strings.Contains(page, "1 to 50 of 67") || !strings.Contains(page, "A1-A3 0.842") {
		t.Errorf("not the newest that is not withdrawn, or not its first part:\n%s", page)
	}
	if page := server.open(t, "/inventories/demo?page=2"); !strings.Contains(page, "51 to 67 of 67") {
		t.Error("no second part")
	}
	page = server.open(t, "/inventories/demo?version=2")
	for _, want := range []string{"the sand was of another pit", "delivered, 2026-01-14", "quotation: Offer 7", `<span class="mark">no-redistribution</span>`, "price 2026-06-30"} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q in\n%s", want, page)
		}
	}
	for query, want := range map[string]string{"missing=price": "1 of 2 items", "q=SA": "1 of 2 items", "category=water": "1 of 2 items", "source_kind=epd": "No item is like this", "expired_by=2026-07-01": "out of validity"} {
		if page := server.open(t, "/inventories/demo?version=2&"+query); !strings.Contains(page, want) {
			t.Errorf("%s: no %q", query, want)
		}
	}
	if page := server.open(t, "/inventories/demo"); !strings.Contains(page, `<a href="/inventories/demo?page=2#items" rel="next">`) {
		t.Error("no link to the second part")
	}
	holds(t, server.do(get("/inventories/demo?expired_by=2026-02-30")), 422, `id="expired_by-fault"`)
	for _, address := range []string{"/inventories/nobody", "/inventories/demo?version=9", "/inventories/demo?version=x", "/inventories/demo/items/nothing", "/inventories/demo/differences?from=8", "/inventories/demo/versions/1/export?form=pdf", "/inventories/demo/drafts/none"} {
		holds(t, server.do(get(address)), 404)
	}
	if page := server.open(t, "/inventories/demo/differences?from=1&to=2"); !strings.Contains(page, "Added: 2. Removed: 67. Changed: 0.") {
		t.Errorf("%s", page)
	}
	if page := server.open(t, "/inventories/demo/items/ggbs?version=1"); !strings.Contains(page, "0.083") || !strings.Contains(page, "not in it") {
		t.Errorf("%s", page)
	}
	for form, media := range map[string]string{"csv": "text/csv; charset=utf-8", "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", "json": "application/json"} {
		link := "/inventories/demo/versions/1/export?form=" + form
		if !strings.Contains(server.open(t, "/inventories/demo"), `href="`+link+`"`) {
			t.Errorf("no link to %s", link)
		}
		got, want := server.do(get(link, "Accept", "text/html,*/*;q=0.8")), server.do(get("/v1/inventories/demo/versions/1/export", "Accept", strings.Split(media, ";")[0]))
		if got.Header().Get("Content-Type") != media || got.Body.String() != want.Body.String() {
			t.Errorf("%s: %d %s, not the export of the API", form, got.Code, got.Header().Get("Content-Type"))
		}
	}
}

// A version that extends another says of each item where it comes from.
func TestInventoryPageOfLayers(t *testing.T) {
	server := newServer(t, api.Options{})
	meta := inventory.Meta{Name: "North", Region: "XA", Currency: "EUR", Invented: true, Extends: "demo@1"}
	if _, _, err := service.New(server.store).Import(t.Context(), "north", meta, strings.NewReader("code,category,name,unit,gwp_a1_a3,factor_source_kind,factor_source_title\nggbs,scm,Slag,kg,0.1,epd,D 1\n"), "n"); err != nil {
		t.Fatal(err)
	}
	if page := server.open(t, "/inventories/north?q=ggbs"); !strings.Contains(page, "own, in place of demo@1") {
		t.Errorf("%s", page)
	}
	if page := server.open(t, "/inventories/north?category=fuel"); !strings.Contains(page, `<td class="note">demo@1</td>`) {
		t.Errorf("%s", page)
	}
	if page := server.open(t, "/inventories/north/items/ggbs"); !strings.Contains(page, "In place of the item of demo@1") || !strings.Contains(page, "&#43;20.5 %") {
		t.Errorf("%s", page)
	}
}

// Every column of an item has a field, but for its code, which is for ever, the currency,
// which is the inventory's, and the layer.
func TestItemFormHasEveryColumn(t *testing.T) {
	server := newServer(t, api.Options{})
	page := server.open(t, server.begun(t)+"/items/ggbs")
	for _, column := range inventory.Columns() {
		has := strings.Contains(page, ` name="`+column.Name+`"`)
		if apart := column.Name == "code" || column.Name == "price_currency" || column.Name == "layer"; has == apart {
			t.Errorf("%s: a field %v", column.Name, has)
		}
	}
}

// A draft is begun by a button, changed by forms, and published once, however often the
// button is pressed.
func TestDraftByForms(t *testing.T) { onEachStore(t, testDraftByForms) }

func testDraftByForms(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	front := server.open(t, "/inventories/demo")
	draft := leads(t, server.do(formOn(t, front, "/inventories/demo/drafts")), "/inventories/demo/drafts/")
	leads(t, server.do(formOn(t, front, "/inventories/demo/drafts")), draft) // a double click
	if list := server.open(t, "/inventories"); strings.Count(list, `href="`+draft+`"`) != 1 {
		t.Error("the draft is not in the list")
	}
	saved := draft + "?saved=ggbs"
	// What cannot be read, or is wrong for such an item, is told beside its field.
	form := server.open(t, draft+"/items/ggbs")
	for _, c := range []struct{ field, typed string }{{"price", "1.050,5"}, {"price_date", "2026-02-30"}, {"gwp_process", "1"}, {"factor_source_year", "26"}, {"recipe", "well"}} {
		w := server.do(formOn(t, form, draft+"/items/ggbs", c.field, c.typed))
		holds(t, w, 422, `id="`+c.field+`-fault"`, `<a href="#`+c.field+`">`, html.EscapeString(c.typed))
		checkPage(t, w.Body.String())
	}
	holds(t, server.do(formOn(t, form, draft+"/items/ggbs", "price", "")), 422, `id="price-fault"`)
	leads(t, server.do(formOn(t, form, draft+"/items/ggbs", "price", "0.0946")), saved)
	if page := server.open(t, saved); !strings.Contains(page, "The item ggbs is in the draft") || !strings.Contains(page, "&#43;10 %") {
		t.Errorf("%s", page)
	}
	// An item with problems can be saved all the same, and then hinders the publication.
	form = server.open(t, draft+"/new-item")
	holds(t, server.do(formOn(t, form, draft+"/new-item", "code", "Big Bag")), 422, `id="code-fault"`)
	holds(t, server.do(formOn(t, form, draft+"/new-item", "code", "ggbs")), 422, `id="code-fault"`)
	form = server.do(formOn(t, form, draft+"/new-item", "code", "well", "category", "water", "name", "Well", "unit", "kg", "gwp_a1_a3", "0.1")).Body.String()
	if !strings.Contains(form, `name="anyway"`) || !strings.Contains(form, `id="factor_source_kind-fault"`) {
		t.Fatalf("%s", form)
	}
	leads(t, server.do(formOn(t, form, draft+"/new-item", "anyway", "true")), draft+"?saved=well")
	page := server.open(t, draft)
	if !strings.Contains(page, `href="`+draft+`/items/well#factor_source_kind"`) || strings.Contains(page, "/publication") {
		t.Errorf("%s", page)
	}
	page = server.open(t, draft+"?q=well")
	leads(t, server.do(formOn(t, page, draft+"/items/well/removal")), draft+"?removed=well")

	page = server.open(t, draft)
	w := server.do(formOn(t, page, draft+"/publication", "note", " "))
	holds(t, w, 422, `id="note-fault"`)
	publish := func() *http.Request { return formOn(t, page, draft+"/publication", "note", "prices of spring") }
	for range 3 { // a double click, and the button again after going back
		leads(t, server.do(publish()), "/inventories/demo?version=2")
	}
	versions, err := service.New(server.store).Versions(t.Context(), "demo")
	if err != nil || len(versions) != 2 || versions[0].Note != "prices of spring" {
		t.Errorf("%v, %d versions", err, len(versions))
	}
	holds(t, server.do(get(draft)), 404)
	if page := server.open(t, "/inventories/demo/items/ggbs"); !strings.Contains(page, "0.086 → 0.0946 (&#43;10 %)") {
		t.Errorf("%s", page)
	}
}

// Of two tabs with one draft the second loses nothing: it is shown what it typed beside
// what the draft has now, and saves on that.
func TestDraftInTwoTabs(t *testing.T) { onEachStore(t, testDraftInTwoTabs) }

func testDraftInTwoTabs(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	draft := server.begun(t)
	one, two, page := server.open(t, draft+"/items/ggbs"), server.open(t, draft+"/items/ggbs"), server.open(t, draft)
	deletion, removal := server.open(t, draft+"/deletion"), page
	for range 2 { // a double click
		leads(t, server.do(formOn(t, one, draft+"/items/ggbs", "price", "0.09")), draft+"?saved=ggbs")
	}

	w := server.do(formOn(t, two, draft+"/items/ggbs", "price", "0.2", "note", "<b>from the offer</b>"))
	holds(t, w, http.StatusPreconditionFailed, "The draft has changed since you opened this form", `value="0.2"`, "&lt;b&gt;from the offer&lt;/b&gt;")
	checkPage(t, w.Body.String())
	rows := rowsOf(t, w.Body.String(), "beside")
	if fmt.Sprint(rows) != "[[Note <b>from the offer</b> nothing] [Price per declared unit 0.2 0.09]]" {
		t.Errorf("%q", rows)
	}
	if page := server.open(t, draft+"/items/ggbs"); !strings.Contains(page, `value="0.09"`) {
		t.Error("the second tab was saved over the first")
	}
	leads(t, server.do(formOn(t, w.Body.String(), draft+"/items/ggbs")), draft+"?saved=ggbs")
	if page := server.open(t, draft+"/items/ggbs"); !strings.Contains(page, `value="0.2"`) {
		t.Error("what was typed was not saved on the new state")
	}

	// Buttons of a page that is out of date do nothing.
	for _, r := range []*http.Request{formOn(t, page, draft+"/publication", "note", "mine"), formOn(t, deletion, draft+"/deletion"), formOn(t, removal, draft+"/items/aggregate-recycled-20/removal"), fields(draft + "/deletion")} {
		w := server.do(r)
		holds(t, w, http.StatusPreconditionFailed, "The draft has changed since you opened it", "revision 3")
		checkPage(t, w.Body.String())
	}
	if w := server.do(formOn(t, page, draft+"/publication", "note", "mine")); !strings.Contains(w.Body.String(), `value="mine"`) {
		t.Error("the note that was typed is gone")
	}
	leads(t, server.do(formOn(t, server.open(t, draft+"/deletion"), draft+"/deletion")), "/inventories/demo")
	holds(t, server.do(get(draft)), 404)
}

// What items are called is shown as text, and nothing of it hides.
func TestHostileNamesOnPages(t *testing.T) {
	server := newServer(t, api.Options{})
	draft := server.begun(t)
	const hostile = "<script>alert(1)</script>\"' =cmd|x \u202egpj.exe"
	form := server.open(t, draft+"/new-item")
	w := server.do(formOn(t, form, draft+"/new-item", "code", "trap", "category", "<i>", "name", hostile, "unit", "kg", "note", "</textarea><b>"))
	holds(t, w, 422, "&lt;script&gt;", "&lt;/textarea&gt;")
	leads(t, server.do(formOn(t, w.Body.String(), draft+"/new-item", "anyway", "true")), draft+"?saved=trap")
	holds(t, server.do(formOn(t, strings.ReplaceAll(form, "/new-item", "/items/%3Cb%3E"), draft+"/items/%3Cb%3E", "name", "x")), 404)
	page := server.open(t, draft+"?q=trap")
	if strings.Contains(page, "<script>alert") || !strings.Contains(page, "&lt;script&gt;alert(1)&lt;/script&gt;&#34;&#39; =cmd|x \ufffdgpj.exe") {
		t.Errorf("%s", page)
	}
	for _, address := range []string{"/inventories?after=%3Cscript%3E", "/inventories/demo?q=%22%3E%3Cscript%3E", draft + "?saved=%3Cscript%3E"} {
		server.open(t, address)
	}
}

// A long list is shown in parts, also the changes of a draft, each with a link to the
// next; one part of one list leaves the other where it was.
func TestLongDifferenceIsShownInParts(t *testing.T) {
	server := newServer(t, api.Options{})
	rows := func(name string) string {
		var b strings.Builder
		b.WriteString("code,category,name,unit\n")
		for n := range 450 {
			fmt.Fprintf(&b, "w-%03d,water,%s %d,m3\n", n, name, n)
		}
		return b.String()
	}
	server.publish(t, "wells", rows("Well"))
	server.publish(t, "wells", rows("Spring"))
	page := server.open(t, "/inventories/wells/differences")
	if len(rowsOf(t, page, "changed")) != 200 || !strings.Contains(page, "1 to 200 of 450") || !strings.Contains(page, "changes=2#differences") {
		t.Errorf("%d rows", len(rowsOf(t, page, "changed")))
	}
	if rows := rowsOf(t, server.open(t, "/inventories/wells/differences?from=1&to=2&changes=3"), "changed"); len(rows) != 50 || rows[49][0] != "w-449" || rows[49][3] != "Spring 449" {
		t.Errorf("%q", rows)
	}
	draft := leads(t, server.do(fields("/inventories/wells/drafts", "from", "wells@1")), "/inventories/wells/drafts/")
	page = server.open(t, draft+"?changes=2&page=3")
	if !strings.Contains(page, "201 to 400 of 450") || !strings.Contains(page, "101 to 150 of 450") || !strings.Contains(page, `changes=2&amp;page=4#items`) {
		t.Errorf("%s", page)
	}
}

// Whoever may only read sees no buttons that change things, and cannot press them.
func TestDraftsNeedAnAnalyst(t *testing.T) {
	server := opener(newServer).keyed(t, api.Options{})
	as := func(role inventory.Role, r *http.Request) *httptest.ResponseRecorder {
		r.Header.Set("Cookie", "slabledger_key="+server.secrets[string(role)])
		return server.do(r)
	}
	page := as(inventory.Analyst, get("/inventories/demo")).Body.String()
	begin := func() *http.Request { return formOn(t, page, "/inventories/demo/drafts") }
	draft := leads(t, as(inventory.Analyst, begin()), "/inventories/demo/drafts/")
	if page := as(inventory.Viewer, get("/inventories/demo")).Body.String(); strings.Contains(page, "/inventories/demo/drafts\"") {
		t.Error("a viewer is offered a draft")
	}
	for _, address := range []string{"/inventories", "/inventories/demo"} {
		id := strings.TrimPrefix(draft, "/inventories/demo/drafts/")
		if strings.Contains(as(inventory.Viewer, get(address)).Body.String(), id) || !strings.Contains(as(inventory.Analyst, get(address)).Body.String(), id) {
			t.Errorf("%s shows the draft to a viewer, or not to an analyst", address)
		}
	}
	holds(t, as(inventory.Viewer, begin()), 403)
	holds(t, as(inventory.Viewer, get(draft)), 403)
	holds(t, as(inventory.Viewer, get("/runs")), 403)
	holds(t, server.do(begin()), 401)
	foreign := begin()
	foreign.Header.Set("Sec-Fetch-Site", "cross-site")
	holds(t, as(inventory.Analyst, foreign), 403)

	// The upload form of a signed-in analyst asks for no key, and takes none.
	holds(t, as(inventory.Viewer, get("/upload")), 200, `name="key"`)
	if page := as(inventory.Analyst, get("/upload")).Body.String(); strings.Contains(page, `name="key"`) {
		t.Error("a key is asked for")
	}
	table := "code,category,name,unit\nx,water,X,m3\n"
	w := as(inventory.Analyst, filled(t, true, "inventory", "demo", "note", "n", "file:a.csv", table))
	holds(t, w, 201, `href="/inventories/demo?version=2"`)
	if strings.Contains(w.Body.String(), "need a key in the header") {
		t.Error("a signed-in analyst is told to send a header")
	}
	holds(t, as(inventory.Viewer, filled(t, true, "inventory", "demo", "note", "n", "file:a.csv", table+"y,water,Y,m3\n")), 403)
	holds(t, as(inventory.Viewer, filled(t, true, "inventory", "demo", "note", "n", "key", server.secrets["analyst"], "file:a.csv", table+"y,water,Y,m3\n")), 201)
}

// A table with a bad row is told row by row, in place, and stores nothing.
func TestBrokenUploadStoresNothing(t *testing.T) { onEachStore(t, testBrokenUploadStoresNothing) }

func testBrokenUploadStoresNothing(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	page, _ := server.page(t, 422, filled(t, true, "inventory", "demo", "note", "n", "file:a.csv", "code,category,name,unit\nx,water,X,m3\ny,waters,Y,m3\n"))
	if rows := rowsOf(t, page, "rows"); len(rows) != 1 || rows[0][0] != "3" || rows[0][2] != "category" {
		t.Errorf("%q", rows)
	}
	if versions, err := service.New(server.store).Versions(t.Context(), "demo"); err != nil || len(versions) != 1 {
		t.Errorf("%d versions, %v", len(versions), err)
	}
	page, _ = server.page(t, 201, filled(t, true, "inventory", "demo", "note", "n", "file:a.csv", "code,category,name,unit\nx,water,X,m3\n"))
	if !strings.Contains(page, `href="/inventories/demo?version=2"`) || !strings.Contains(page, `href="/inventories/demo/differences?from=1&amp;to=2"`) {
		t.Errorf("%s", page)
	}
}

// The page of what the API shows at a location.
func TestPageOfALocation(t *testing.T) {
	for location, want := range map[string]string{"/v1/inventories/demo/versions/2": "/inventories/demo?version=2", "/v1/jobs/j8": "/runs/j8", "/v1/inventories/demo/drafts/k3": "/inventories/demo/drafts/k3"} {
		if got := pages.Of(location); got != want {
			t.Errorf("%s: %s", location, got)
		}
	}
}
