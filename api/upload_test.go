package api_test

import (
	"bytes"
	"flag"
	"fmt"
	"html"
	"io"
	"log/slog"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"slabledger/api"
	"slabledger/inventory"
	"slabledger/service"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// filled is the upload form as a browser sends it: names and values in turn, where the
// name of the file stands behind "file:".
func filled(t testing.TB, publish bool, fields ...string) *http.Request {
	t.Helper()
	var body bytes.Buffer
	w := multipart.NewWriter(&body)
	for i := 0; i < len(fields); i += 2 {
		create := w.CreateFormField
		if name, isFile := strings.CutPrefix(fields[i], "file:"); isFile {
			create = func(string) (io.Writer, error) { return w.CreateFormFile("file", name) }
		}
		part, err := create(fields[i])
		if err != nil {
			t.Fatal(err)
		}
		if _, err := part.Write([]byte(fields[i+1])); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	address := "/upload"
	if publish {
		address += "?publish=true"
	}
	return request(http.MethodPost, address, &body, "Content-Type", w.FormDataContentType())
}

// page sends a form and gives the page that answers, which must be one of the contract.
func (f fixture) page(t testing.TB, status int, r *http.Request) (string, *httptest.ResponseRecorder) {
	t.Helper()
	w := f.do(r)
	if w.Code != status || w.Header().Get("Content-Type") != "text/html; charset=utf-8" {
		t.Fatalf("%d, want %d: %s %.1200s", w.Code, status, w.Header().Get("Content-Type"), w.Body)
	}
	checkAnswer(t, map[string]string{http.MethodGet: "uploadPage", http.MethodPost: "uploadForm"}[r.Method], w)
	checkForm(t, w.Body.String())
	return w.Body.String(), w
}

// withoutComfort is a page without the one script that all pages have, and that none
// needs.
func withoutComfort(page string) string {
	return regexp.MustCompile(`<script src="/assets/page\.js\?v=[0-9a-f]+" defer></script>`).ReplaceAllString(page, "")
}

// checkForm checks what holds of every page with the form: it needs nothing but its
// style sheet, each field has a label, and each reference leads somewhere.
func checkForm(t testing.TB, page string) {
	t.Helper()
	if found := elsewhere.FindString(withoutComfort(page)); found != "" {
		t.Errorf("the page has %q", found)
	}
	if strings.ContainsAny(page, "\r\u202e") {
		t.Error("the page has a carriage return or a mark of writing direction")
	}
	fields := regexp.MustCompile(`<(?:input|select|textarea)[^>]* id="(\w+)"`).FindAllStringSubmatch(page, -1)
	if len(fields) < 12 {
		t.Errorf("%d fields", len(fields))
	}
	for _, field := range fields {
		inside := regexp.MustCompile(`<label><input type="checkbox" id="` + field[1] + `"[^>]*> [^<]+</label>`)
		if !strings.Contains(page, `<label for="`+field[1]+`">`) && !inside.MatchString(page) {
			t.Errorf("the field %s has no label", field[1])
		}
	}
	for _, refers := range regexp.MustCompile(`(?:href="#|aria-(?:describedby|labelledby)=")([^"]*)"`).FindAllStringSubmatch(page, -1) {
		for _, id := range strings.Fields(refers[1]) {
			if strings.Count(page, `id="`+id+`"`) != 1 {
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

// rowsOf reads the table under a heading: the cells of each row, as a person reads them.
func rowsOf(t testing.TB, page, id string) [][]string {
	t.Helper()
	table := regexp.MustCompile(`(?s)id="` + id + `".*?<tbody>(.*?)</tbody>`).FindStringSubmatch(page)
	if table == nil {
		t.Fatalf("no table %s in\n%s", id, page)
	}
	var rows [][]string
	for _, row := range regexp.MustCompile(`(?s)<tr[^>]*>(.*?)</tr>`).FindAllStringSubmatch(table[1], -1) {
		var cells []string
		for _, cell := range regexp.MustCompile(`(?s)<t[hd][^>]*>(.*?)</t[hd]>`).FindAllStringSubmatch(row[1], -1) {
			cells = append(cells, html.UnescapeString(regexp.MustCompile(`<[^>]+>`).ReplaceAllString(cell[1], "")))
		}
		rows = append(rows, cells)
	}
	return rows
}

// north is a region of the tests' own, over the demo.
func north(fields ...string) []string {
	return append([]string{"inventory", "north", "name", "North (invented)", "region", "XA-02", "currency", "EUR", "extends", "demo@1", "invented", "true"}, fields...)
}

const northRates = "{\"rates\": [{\"from\": \"NOK\", \"to\": \"EUR\",\r\n \"rate\": \"0.086\", \"date\": \"2026-01-14\", \"source\": \"Invented\"}]}"

// The form is there for everyone, and asks for a key where there are keys.
func TestUploadPage(t *testing.T) {
	server := newServer(t, api.Options{})
	page, w := server.page(t, http.StatusOK, get("/upload"))
	for _, want := range []string{`method="post" enctype="multipart/form-data"`, `<button class="second">Check only</button>`, `formaction="/upload?publish=true">Publish`, `href="/v1/item-template"`, service.Caution} {
		if !strings.Contains(page, want) {
			t.Errorf("no %s", want)
		}
	}
	if strings.Index(page, "Check only") > strings.Index(page, "Publish</button>") {
		t.Error("the default button is not the one that stores nothing")
	}
	if strings.Contains(page, `name="key"`) {
		t.Error("a key is asked for while there are none")
	}
	if policy := w.Header().Get("Content-Security-Policy"); !strings.Contains(policy, "form-action 'self'") || w.Header().Get("Referrer-Policy") != "same-origin" {
		t.Errorf("%v", w.Header())
	}
	if policy := server.do(get("/docs")).Header().Get("Content-Security-Policy"); !strings.Contains(policy, "form-action 'none'") {
		t.Errorf("/docs may send forms: %s", policy)
	}
	if !strings.Contains(server.do(get("/docs")).Body.String(), `href="/upload"`) {
		t.Error("/docs does not lead to the form")
	}
	page, _ = newKeyed(t, api.Options{}).page(t, http.StatusOK, get("/upload"))
	if !regexp.MustCompile(`<input type="password" id="key" name="key"[^>]* autocomplete="off">`).MatchString(page) || strings.Contains(page, `href="/v1/item-template"`) {
		t.Errorf("no field for the key, or a link that a browser cannot follow: %s", page)
	}
}

// A table with mistakes is answered by all of them, each with a link to its row, and
// by the form as it was filled in.
func TestUploadPageTellsEveryRow(t *testing.T) {
	server := newServer(t, api.Options{NewID: func() string { return fixedID }})
	bad := "code;category;name;unit;price;price_currency;price_date;price_basis;price_tax;price_source_kind;price_source_title;notes\r\n" +
		"ggbs;scm;\"<script>alert(1)</script>\";kg;1.050,5;EUR;2026-02-30;delivered;excluded;quotation;Tilbud 9;x\r\n" +
		"gravel-20;aggregate;Pukk \u202etxt.exe;stein;9,50;EUR;2026-01-14;at works;excluded;quotation;Tilbud 13;\r\n" +
		"<b>;slag;Slagg;kg;;;;;;;;\r\n"
	page, _ := server.page(t, http.StatusUnprocessableEntity, filled(t, true, north("decimal_comma", "true", "options", northRates, "note", `"><script>`, "file:<script>.csv", bad)...))
	type place struct{ Row, Item, Column, Code, Found string }
	var got []place
	for _, cells := range rowsOf(t, page, "rows") {
		if cells[5] == "" {
			t.Errorf("nothing is said of what is accepted: %q", cells)
		}
		got = append(got, place{cells[0], cells[1], cells[2], cells[3], cells[4]})
	}
	if diff := cmp.Diff([]place{
		{"2", "ggbs", "price", "decimal-invalid", "1.050,5"},
		{"2", "ggbs", "price_date", "date-invalid", "2026-02-30"},
		{"3", "gravel-20", "unit", "unit-unknown", "stein"},
		{"3", "gravel-20", "name", "text-invalid", "Pukk \ufffdtxt.exe"},
		{"3", "gravel-20", "price_basis", "value-unknown", "at works"},
		{"4", "<b>", "code", "slug-invalid", "<b>"},
		{"4", "<b>", "category", "value-unknown", "slag"},
	}, got); diff != "" {
		t.Error(diff)
	}
	if links := strings.Count(page, `<li><a href="#bad-`); links != len(got) {
		t.Errorf("%d links for %d rows", links, len(got))
	}
	for _, want := range []string{`value="North (invented)"`, `value="XA-02"`, `name="invented" value="true" checked`, `name="decimal_comma" value="true" checked`,
		`value="&#34;&gt;&lt;script&gt;"`, "&#34;EUR&#34;,\n &#34;rate&#34;", "7 to mend, nothing was stored"} {
		if !strings.Contains(page, want) {
			t.Errorf("no %s in\n%s", want, page)
		}
	}
	page = regexp.MustCompile(`(?s)<main.*</main>\n`).FindString(page)
	const path = "../testdata/golden/upload-errors.html"
	if *update {
		if err := os.WriteFile(path, []byte(page), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if diff := cmp.Diff(string(read(t, path)), page); diff != "" {
		t.Error(diff)
	}
	server.send(t, "getInventory", http.MethodGet, "/v1/inventories/north", "", http.StatusNotFound)
}

// A column that is not known hides nothing of what is wrong in the rows below it.
func TestUploadPageTellsOfColumnsAndRowsAtOnce(t *testing.T) {
	server := newServer(t, api.Options{})
	page, _ := server.page(t, http.StatusUnprocessableEntity, filled(t, false, north("file:a.csv", "code,category,name,unit,colour\nx,glue,X,kg,red\ny,water,Y,stein,blue\n")...))
	var got []string
	for _, cells := range rowsOf(t, page, "rows") {
		got = append(got, strings.Join(cells[:4], " "))
	}
	if diff := cmp.Diff([]string{"1  colour header-invalid", "2 x category value-unknown", "3 y unit unit-unknown"}, got); diff != "" {
		t.Error(diff)
	}
}

// From a messy table to a version: a check stores nothing, the publication is the
// version that the API shows, the same again is no other, and one new price is one
// difference.
func TestUploadPagePublishes(t *testing.T) { onEachStore(t, testUploadPagePublishes) }

func testUploadPagePublishes(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	send := func(publish bool, status int, file string, more ...string) (string, *httptest.ResponseRecorder) {
		t.Helper()
		fields := append([]string{"decimal_comma", "true", "options", northRates, "note", "first quotations"}, more...)
		return server.page(t, status, filled(t, publish, north(append(fields, "file:prices.csv", file)...)...))
	}
	page, _ := send(false, http.StatusOK, messy)
	for _, want := range []string{"Checked, nothing was stored", "2 items were read", "unit-synonym", "price-converted", "blank-rows", "no earlier version"} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q in\n%s", want, page)
		}
	}
	server.send(t, "getInventory", http.MethodGet, "/v1/inventories/north", "", http.StatusNotFound)

	page, w := send(true, http.StatusCreated, messy)
	if w.Header().Get("Location") != "/v1/inventories/north/versions/1" {
		t.Errorf("Location %s", w.Header().Get("Location"))
	}
	v := decode[struct {
		Hash, Note, Extends string
		Invented            bool
	}](t, server.send(t, "getVersion", http.MethodGet, w.Header().Get("Location"), "", http.StatusOK))
	if !strings.Contains(page, "Published north@1") || !strings.Contains(page, v.Hash) || v.Note != "first quotations" || v.Extends != "demo@1" || !v.Invented {
		t.Errorf("%+v\n%s", v, page)
	}
	if page, _ := send(true, http.StatusOK, messy); !strings.Contains(page, "north@1 has this content already") {
		t.Errorf("%s", page)
	}

	// Of a known inventory only the slug is asked.
	dearer := strings.Replace(messy, "9,50;EUR", "10,45;EUR", 1)
	page, w = server.page(t, http.StatusCreated, filled(t, true, "inventory", "north", "name", "", "decimal_comma", "true", "separator", "semicolon", "options", northRates, "note", "offer of March", "file:prices.csv", dearer))
	if diff := cmp.Diff([][]string{{"gravel-20", "price", "9.5", "10.45", "+10 %"}}, rowsOf(t, page, "changed")); diff != "" {
		t.Error(diff)
	}
	for _, link := range regexp.MustCompile(`href="(/v1/[^"]+)"`).FindAllStringSubmatch(page, -1) {
		if w := server.do(get(html.UnescapeString(link[1]))); w.Code != http.StatusOK {
			t.Errorf("%s: %d", link[1], w.Code)
		}
	}
	for _, want := range []string{"Published north@2", `href="/v1/inventories/north/versions/2/diff?against=1"`, `href="/v1/inventories/north/versions/2/export"`} {
		if !strings.Contains(page, want) {
			t.Errorf("no %s in\n%s", want, page)
		}
	}
	entries, err := server.store.Journal(t.Context(), 0, 100)
	if err != nil {
		t.Fatal(err)
	}
	if last := entries[len(entries)-1]; last.Target != "north@2" || last.RequestID != w.Header().Get("X-Request-Id") || last.Actor != service.Local {
		t.Errorf("%+v", last)
	}

	// A workbook goes in as well, and what is gone and new is named.
	var book bytes.Buffer
	if err := inventory.WriteXLSX(&book, []inventory.Item{{Code: "new", Category: inventory.Water, Name: "<i>Brønn</i>", Unit: "m3"}}); err != nil {
		t.Fatal(err)
	}
	server.publish(t, "south", "code,category,name,unit\nold,water,Old,m3\n")
	page, _ = server.page(t, http.StatusOK, filled(t, false, "inventory", "south", "file:prices.xlsx", book.String()))
	if !strings.Contains(page, "<code>new</code> &lt;i&gt;Brønn&lt;/i&gt;") || !strings.Contains(page, "<code>old</code> Old") || !strings.Contains(page, "Added: 1. Removed: 1. Changed: 0.") {
		t.Errorf("%s", page)
	}
}

// What is wrong with the form itself is told beside its field.
func TestUploadPageTellsOfFields(t *testing.T) {
	server := newServer(t, api.Options{})
	const file, rows = "file:a.csv", "code,category,name,unit\nx,water,X,m3\n"
	long := strings.Repeat("x", 5000)
	for name, c := range map[string]struct {
		publish bool
		fields  []string
		status  int
		at      string // the field
	}{
		"a new inventory without a name":  {false, []string{"inventory", "south", "region", "XA", "currency", "EUR", file, rows}, 422, "name"},
		"without a currency":              {false, []string{"inventory", "south", "name", "S", "region", "XA", file, rows}, 422, "currency"},
		"a region of none":                {false, []string{"inventory", "south", "name", "S", "region", "Norway", "currency", "EUR", file, rows}, 422, "region"},
		"a slug of none":                  {false, []string{"inventory", "My region", file, rows}, 422, "inventory"},
		"no inventory":                    {false, []string{file, rows}, 422, "inventory"},
		"an inventory behind the file":    {false, []string{file, rows, "inventory", "demo"}, 422, "inventory"},
		"a layer that is not there":       {false, append(north()[:8], "extends", "demo@7", file, rows), 422, "extends"},
		"a publication without a note":    {true, north(file, rows), 422, "note"},
		"a note of two lines":             {true, north("note", "a\nb", file, rows), 422, "note"},
		"a box with something":            {false, north("decimal_comma", "yes", file, rows), 422, "decimal_comma"},
		"a separator of none":             {false, north("separator", "|", file, rows), 422, "separator"},
		"options that are no JSON":        {false, north("options", "{", file, rows), 400, "options"},
		"an option of none":               {false, north("options", `{"rate":[]}`, file, rows), 422, "options"},
		"a rate of none":                  {false, north("options", `{"rates":[{"rate":"x"}]}`, file, rows), 422, "options"},
		"a member twice":                  {false, north("options", `{"rates":[],"rates":[]}`, file, rows), 400, "options"},
		"no file":                         {false, north(), 422, "file"},
		"a file that was not chosen":      {false, north("file:", ""), 422, "file"},
		"a long name":                     {false, []string{"inventory", "south", "name", long, file, rows}, 422, "name"},
		"text that is none":               {false, []string{"inventory", "south", "name", "\xff", file, rows}, 422, "name"},
		"a field behind the file":         {true, append(north("note", "n", file, rows), "decimal_comma", "true"), 422, "decimal_comma"},
		"a file of the wrong ending":      {false, north("file:a.xlsx", rows), 422, ""},
		"a file of no known ending, read": {false, north("file:a", rows), 200, ""},
		"a field that is none":            {false, north("colour", "red", file, rows), 422, ""},
		"a field twice":                   {false, north("inventory", "south", file, rows), 422, "inventory"},
	} {
		t.Run(name, func(t *testing.T) {
			page, _ := server.page(t, c.status, filled(t, c.publish, c.fields...))
			if c.at == "" {
				return
			}
			if !strings.Contains(page, `<li><a href="#`+c.at+`">`) || !regexp.MustCompile(`<[^>]* id="`+c.at+`" [^>]*aria-invalid="true"`).MatchString(page) || !strings.Contains(page, `class="fault" id="`+c.at+`-fault"`) {
				t.Errorf("nothing is said at %s:\n%s", c.at, page)
			}
		})
	}
	if w := server.do(get("/v1/inventories/north")); w.Code != http.StatusNotFound {
		t.Errorf("something was stored: %s", w.Body)
	}
	// Which field comes first is told to who sends the form by a program.
	if page, _ := server.page(t, http.StatusUnprocessableEntity, filled(t, false, file, rows, "inventory", "demo")); !strings.Contains(page, "it must come before the file") {
		t.Error(page)
	}
	broken := filled(t, true, north("note", "n", file, rows)...)
	broken.Body = http.MaxBytesReader(nil, broken.Body, 900)
	server.page(t, http.StatusRequestEntityTooLarge, broken)
	// A form that is none.
	for media, want := range map[string]int{"application/x-www-form-urlencoded": 415, "": 415} {
		w := server.do(request(http.MethodPost, "/upload", strings.NewReader("inventory=north"), "Content-Type", media))
		problemOf(t, w.Code, w.Header(), w.Body.Bytes())
		if w.Code != want {
			t.Errorf("%q: %d", media, w.Code)
		}
	}
	server.page(t, http.StatusBadRequest, request(http.MethodPost, "/upload", strings.NewReader("x"), "Content-Type", "multipart/form-data"))
	w := server.do(request(http.MethodPost, "/upload?publish=yes", strings.NewReader("x"), "Content-Type", "multipart/form-data; boundary=b"))
	problemOf(t, w.Code, w.Header(), w.Body.Bytes())
	if w.Code != http.StatusUnprocessableEntity {
		t.Errorf("publish=yes: %d", w.Code)
	}
}

// Where the store fails, the page does not claim to know what became of the table.
func TestUploadPageWithoutStore(t *testing.T) {
	now := time.Now()
	server := newServer(t, api.Options{Now: func() time.Time { return now }})
	server.page(t, http.StatusOK, get("/upload"))
	if err := server.store.Close(); err != nil {
		t.Fatal(err)
	}
	page, _ := server.page(t, http.StatusInternalServerError, filled(t, true, north("note", "n", "file:a.csv", "code,category,name,unit\nx,water,X,m3\n")...))
	if strings.Contains(page, "nothing was stored") || strings.Contains(page, "sql") {
		t.Errorf("%s", page)
	}
}

// Too large a form is refused by its declared size, before it is read.
func TestUploadPageRefusesALargeFile(t *testing.T) {
	server := newServer(t, api.Options{})
	r := request(http.MethodPost, "/upload", unread{t}, "Content-Type", "multipart/form-data; boundary=b")
	r.ContentLength = 100 << 20
	page, w := server.page(t, http.StatusRequestEntityTooLarge, r)
	if !strings.Contains(page, "67108864 bytes") || w.Header().Get("Connection") != "close" {
		t.Errorf("%v %s", w.Header(), page)
	}
}

type unread struct{ testing.TB }

func (u unread) Read([]byte) (int, error) {
	u.Error("the body was read")
	return 0, http.ErrBodyReadAfterClose
}

// Where there are keys, one comes with the form or in the header; it is shown and
// logged nowhere.
func TestUploadPageWithKeys(t *testing.T) {
	var log bytes.Buffer
	server := newKeyed(t, api.Options{Logger: slog.New(slog.NewJSONHandler(&log, nil))})
	send := func(status int, key string) (string, *httptest.ResponseRecorder) {
		t.Helper()
		fields := north("decimal_comma", "true", "options", northRates, "note", "n")
		if key != "-" {
			fields = append(fields, "key", key)
		}
		page, w := server.page(t, status, filled(t, true, append(fields, "file:a.csv", messy)...))
		if secret := strings.TrimPrefix(key, service.SecretPrefix); len(secret) > 1 && strings.Contains(page+log.String(), secret[:min(len(secret), 8)]) {
			t.Errorf("the key %s is shown or logged", key)
		}
		if !strings.Contains(page, `value="North (invented)"`) {
			t.Error("what was typed is gone")
		}
		return page, w
	}
	for key, status := range map[string]int{"-": 401, "": 401, "slk_00000000": 401, server.secrets["revoked"]: 401, server.secrets["viewer"]: 403} {
		page, w := send(status, key)
		if challenge := w.Header().Get("WWW-Authenticate"); !strings.HasPrefix(challenge, "Bearer ") || !strings.Contains(page, "nothing was stored") {
			t.Errorf("%d %s", status, challenge)
		}
	}
	server.send(t, "getInventory", http.MethodGet, "/v1/inventories/north", "", http.StatusNotFound, "Authorization", "Bearer "+server.secrets["viewer"])
	page, _ := send(http.StatusCreated, server.secrets["analyst"])
	if !strings.Contains(page, "need a key in the header Authorization") {
		t.Errorf("%s", page)
	}
	if !strings.Contains(log.String(), `"status":201`) || !regexp.MustCompile(`"actor":"key-[0-9a-f]+","method":"POST","route":"/upload"`).MatchString(log.String()) {
		t.Errorf("%s", log.String())
	}
	// Whoever is signed in with a key that may not is told who may.
	for role, lacking := range map[string]bool{"viewer": true, "analyst": false} {
		page, _ := server.page(t, http.StatusOK, get("/upload", "Cookie", "slabledger_key="+server.secrets[role]))
		if strings.Contains(page, "has not the role that uploading needs") != lacking || strings.Contains(page, `name="key"`) != lacking || !strings.Contains(page, "Sign out") {
			t.Errorf("a %s reads %s", role, page)
		}
	}
	// In the header, as programs have it; but not in both places.
	server.page(t, http.StatusOK, bearer(filled(t, false, "inventory", "demo", "file:a.csv", "code,category,name,unit\nx,water,X,m3\n"), server.secrets["analyst"]))
	server.page(t, http.StatusForbidden, bearer(filled(t, false, "inventory", "demo", "file:a.csv", "x"), server.secrets["viewer"]))
	server.page(t, http.StatusBadRequest, bearer(filled(t, false, "inventory", "demo", "key", "slk_0", "file:a.csv", "x"), server.secrets["analyst"]))
	// A key where there are none means another service.
	newServer(t, api.Options{}).page(t, http.StatusUnauthorized, filled(t, false, "inventory", "demo", "key", server.secrets["admin"], "file:a.csv", "x"))
	// Guesses are held up as elsewhere.
	for n := range 12 {
		want := http.StatusUnauthorized
		if n >= 10 {
			want = http.StatusTooManyRequests
		}
		server.page(t, want, from(filled(t, false, "inventory", "demo", "key", "slk_0", "file:a.csv", "x"), 7))
	}
}

// Where there are no keys, a page of another site cannot send the form; with keys it
// has none to send.
func TestUploadPageOfOtherSites(t *testing.T) {
	server := newServer(t, api.Options{})
	for name, c := range map[string]struct {
		headers []string
		want    int
	}{
		"another site":          {[]string{"Sec-Fetch-Site", "cross-site"}, 403},
		"another origin":        {[]string{"Origin", "https://evil.example"}, 403},
		"no origin":             {[]string{"Origin", "null"}, 403},
		"the page itself":       {[]string{"Sec-Fetch-Site", "same-origin", "Origin", "null"}, 201},
		"... in an old browser": {[]string{"Origin", "http://example.com"}, 201},
	} {
		slug := "s" + fmt.Sprint(len(name))
		r := filled(t, true, "inventory", slug, "name", "S", "region", "XA", "currency", "EUR", "note", "n", "file:a.csv", "code,category,name,unit\nx,water,X,m3\n")
		for i := 0; i < len(c.headers); i += 2 {
			r.Header.Set(c.headers[i], c.headers[i+1])
		}
		server.page(t, c.want, r)
		if got := server.do(get("/v1/inventories/"+slug)).Code == http.StatusOK; got != (c.want == 201) {
			t.Errorf("%s: stored %v", name, got)
		}
	}
}
