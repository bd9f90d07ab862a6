package api_test

import (
	"bytes"
	"fmt"
	"mime/multipart"
	"net/http"
	"net/textproto"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"slabledger/api"
	"slabledger/inventory"
)

const (
	csvType  = "text/csv"
	xlsxType = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
)

type uploadSeen struct {
	DryRun bool `json:"dry_run"`
	Rows   int
	Notes  []struct {
		Row                        int
		Column, Item, Code, Detail string
	}
	Draft draftSeen
}

// messy is what an analyst has: semicolons, decimal commas, units as people write
// them, a currency of the neighbour, blank rows at the end.
const messy = "\ufeffcode;category;name;unit;density_kg_per_m3;price;price_currency;price_date;price_basis;price_tax;price_source_kind;price_source_title;gwp_a1_a3;factor_source_kind;factor_source_title;notes\r\n" +
	"cement-cem-i;cement;Sement CEM I;kg;3150;1,42;NOK;2026-01-14;delivered;excluded;quotation;Tilbud 12, oppdiktet;0,842;invented;Invented;check with Kari\r\n" +
	"gravel-20;aggregate;Pukk 8-20;tonne;2650;9,50;EUR;2026-01-14;ex-works;excluded;quotation;Tilbud 13, oppdiktet;4,1;invented;Invented;\r\n" +
	";;;;;;;;;;;;;;;\r\n;;;;;;;;;;;;;;;\r\n"

func form(t testing.TB, options, name, file string) (body, contentType string) {
	t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	if options != "" {
		if err := w.WriteField("options", options); err != nil {
			t.Fatal(err)
		}
	}
	part, err := w.CreatePart(textproto.MIMEHeader{"Content-Disposition": {fmt.Sprintf(`form-data; name="file"; filename=%q`, name)}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := part.Write([]byte(file)); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.String(), w.FormDataContentType()
}

// A messy table goes in: every fault is told with its row, a dry run shows what would
// be, and what was read other than literally is said.
func TestUploadOfAMessyTable(t *testing.T) { onEachStore(t, testUploadOfAMessyTable) }

func testUploadOfAMessyTable(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	draft, _ := begin(t, server, `{"from":"demo@1"}`)
	items := draft + "/items"
	// Undeclared decimal commas, a currency without a rate.
	w := server.send(t, "uploadItems", http.MethodPut, items+"?mode=merge", messy, 422, "If-Match", `"1"`, "Content-Type", csvType)
	p := problemOf(t, w.Code, w.Header(), w.Body.Bytes())
	for _, want := range []string{"/rows/2/price ", "/rows/2/gwp_a1_a3 ", "/rows/3/price "} {
		found := false
		for _, e := range p.Errors {
			found = found || strings.HasPrefix(e.Pointer+" ", want)
		}
		if !found {
			t.Errorf("nothing is said of %s: %s", want, w.Body)
		}
	}
	w = server.send(t, "uploadItems", http.MethodPut, items+"?mode=merge&decimal_comma=true", messy, 422, "If-Match", `"1"`, "Content-Type", csvType)
	if body := w.Body.String(); !strings.Contains(body, "NOK") || !strings.Contains(body, "/rows/2/") || strings.Contains(body, "/rows/3/") {
		t.Errorf("%s", body)
	}
	body, contentType := form(t, `{"rates":[{"from":"NOK","to":"EUR","rate":"0.086","date":"2026-01-14","source":"Central bank, invented"}]}`, "prices.csv", messy)
	w = server.send(t, "uploadItems", http.MethodPut, items+"?mode=merge&decimal_comma=true&dry_run=true", body, 200, "If-Match", `"1"`, "Content-Type", contentType)
	up := decode[uploadSeen](t, w)
	codes := map[string]bool{}
	for _, n := range up.Notes {
		codes[n.Code] = true
	}
	if !up.DryRun || up.Rows != 2 || up.Draft.Changes.Changed != 2 || len(up.Draft.Problems) != 0 || !codes["unit-synonym"] || !codes["price-converted"] || !codes["blank-rows"] {
		t.Errorf("%s", w.Body)
	}
	if d := decode[draftSeen](t, server.send(t, "getDraft", http.MethodGet, draft, "", 200)); d.Revision != 1 || d.Changes.Changed != 0 {
		t.Errorf("a dry run stored something: %+v", d)
	}
	w = server.send(t, "uploadItems", http.MethodPut, items+"?mode=merge&decimal_comma=true", body, 200, "If-Match", `"1"`, "Content-Type", contentType)
	if up := decode[uploadSeen](t, w); up.DryRun || up.Draft.Revision != 2 || up.Draft.Items.Own < 60 {
		t.Errorf("%s", w.Body)
	}
	w = server.send(t, "getDraftItem", http.MethodGet, items+"/cement-cem-i", "", 200)
	for _, want := range []string{`"amount":"0.12212"`, `"quoted":{"amount":"1.42","currency":"NOK"`, `"exchange_rate":"0.086"`, `"exchange_date":"2026-01-14"`} {
		if !strings.Contains(w.Body.String(), want) {
			t.Errorf("no %s in %s", want, w.Body)
		}
	}
}

// Files that are none, are locked, are bombs or are said to be others are refused,
// and leave the draft as it is.
func TestUploadsRefused(t *testing.T) { onEachStore(t, testUploadsRefused) }

func testUploadsRefused(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	draft, _ := begin(t, server, `{"from":"demo@1"}`)
	for name, c := range map[string]struct {
		body, media string
		status      int
	}{
		"a workbook that is a CSV":  {messy, xlsxType, 422},
		"a CSV that is a workbook":  {"PK\x03\x04junk", csvType, 422},
		"a locked workbook":         {"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + strings.Repeat("\x00", 2000), xlsxType, 422},
		"nothing":                   {"", csvType, 422},
		"a line without end":        {strings.Repeat("x", 1<<20), csvType, 422},
		"an unknown column":         {"code,category,name,unit,prize\nx,water,X,kg,1\n", csvType, 422},
		"a duplicate code":          {"code,category,name,unit\nx,water,X,kg\nx,water,X,kg\n", csvType, 422},
		"a thousands separator":     {"code,category,name,unit,density_kg_per_m3\nx,water,X,kg,\"1,000.5\"\n", csvType, 422},
		"a picture":                 {"x", "image/png", 415},
		"a form without a file":     {"--b\r\nContent-Disposition: form-data; name=\"options\"\r\n\r\n{}\r\n--b--\r\n", "multipart/form-data; boundary=b", 422},
		"a form with something":     {"--b\r\nContent-Disposition: form-data; name=\"other\"\r\n\r\nx\r\n--b--\r\n", "multipart/form-data; boundary=b", 422},
		"a form that breaks off":    {"--b\r\nContent-Disposition: form-data; name=\"fi", "multipart/form-data; boundary=b", 422},
		"options that are no JSON":  {"--b\r\nContent-Disposition: form-data; name=\"options\"\r\n\r\n{\r\n--b--\r\n", "multipart/form-data; boundary=b", 400},
		"options with an own field": {"--b\r\nContent-Disposition: form-data; name=\"options\"\r\n\r\n{\"rate\":[]}\r\n--b--\r\n", "multipart/form-data; boundary=b", 422},
	} {
		t.Run(name, func(t *testing.T) {
			r := request(http.MethodPut, draft+"/items", strings.NewReader(c.body), "If-Match", `"1"`, "Content-Type", c.media)
			w := server.do(r)
			problemOf(t, w.Code, w.Header(), w.Body.Bytes())
			if w.Code != c.status {
				t.Errorf("%d %s", w.Code, w.Body)
			}
		})
	}
	if d := decode[draftSeen](t, server.send(t, "getDraft", http.MethodGet, draft, "", 200)); d.Revision != 1 {
		t.Errorf("something was stored: %+v", d)
	}
	// Too large a file is refused by its declared size, before it is read.
	r := request(http.MethodPut, draft+"/items", http.NoBody, "If-Match", `"1"`, "Content-Type", csvType)
	r.ContentLength = 100 << 20
	if w := server.do(r); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("100 MB: %d %s", w.Code, w.Body)
	}
}

// What is exported, in each form, goes in again and has the same hash; what a
// spreadsheet would run does not run.
func TestExportsComeBack(t *testing.T) { onEachStore(t, testExportsComeBack) }

func testExportsComeBack(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	draft, _ := begin(t, server, `{"from":"demo@1"}`)
	server.send(t, "patchDraftItem", http.MethodPatch, draft+"/items/ggbs", `{"name":"=HYPERLINK(\"http://example.com\")","note":"-12.5 °C, é, 🚧"}`, 200, "If-Match", `"1"`)
	w := server.send(t, "publishDraft", http.MethodPost, draft+"/publication", `{"note":"texts"}`, 201, "If-Match", `"2"`, "Idempotency-Key", "t")
	hash := decode[struct{ Hash string }](t, w).Hash
	for n, media := range []string{csvType, xlsxType, "application/json"} {
		w := server.send(t, "exportVersion", http.MethodGet, "/v1/inventories/demo/versions/2/export?redistributable=false", "", 200, "Accept", media)
		file := w.Body.String()
		if media == csvType && (!strings.Contains(file, `'=HYPERLINK`) || strings.Contains(file, `,=HYPERLINK`)) {
			t.Error("a formula is exported as one")
		}
		if media == xlsxType {
			book, err := excelize.OpenReader(w.Body)
			if err != nil {
				t.Fatal(err)
			}
			rows, err := book.GetRows(book.GetSheetName(0))
			if err != nil || len(rows) < 60 {
				t.Errorf("%d rows, %v", len(rows), err)
			}
		}
		if got := w.Header().Get("Content-Disposition"); media != "application/json" && !strings.HasPrefix(got, `attachment; filename="demo-2.`) {
			t.Errorf("Content-Disposition %s", got)
		}
		again, _ := begin(t, server, fmt.Sprintf(`{"meta":{"name":"Sablon Coast","region":"XA","currency":"EUR","invented":true%s}}`, strings.Repeat(" ", n)))
		meta := decode[struct{ Meta inventory.Meta }](t, server.send(t, "exportVersion", http.MethodGet, "/v1/inventories/demo/versions/2/export", "", 200, "Accept", "application/json")).Meta
		text := fmt.Sprintf(`{"name":%q,"region":%q,"currency":%q,"invented":%t}`, meta.Name, meta.Region, meta.Currency, meta.Invented)
		server.send(t, "describeDraft", http.MethodPatch, again, text, 200, "If-Match", `"1"`)
		up := decode[uploadSeen](t, server.send(t, "uploadItems", http.MethodPut, again+"/items", file, 200, "If-Match", `"2"`, "Content-Type", media))
		if up.Draft.Changes.Added+up.Draft.Changes.Removed+up.Draft.Changes.Changed != 0 {
			t.Errorf("%s: not what was exported: %+v", media, up.Draft.Changes)
		}
		w = server.send(t, "publishDraft", http.MethodPost, again+"/publication", `{"note":"again"}`, 422, "If-Match", `"3"`, "Idempotency-Key", "again-"+media)
		if !strings.Contains(w.Body.String(), "nothing-changed") {
			t.Errorf("%s: another hash than %s: %s", media, hash, w.Body)
		}
	}
	for _, media := range []string{csvType, xlsxType} {
		w := server.send(t, "itemTemplate", http.MethodGet, "/v1/item-template", "", 200, "Accept", media)
		if media == csvType && (!strings.HasPrefix(strings.TrimPrefix(w.Body.String(), "\ufeff"), "code,") || !strings.Contains(w.Body.String(), ",notes")) {
			t.Errorf("%s", w.Body)
		}
	}
}

// A withdrawn version computes what it always did; the answer says so beside the
// body, and a request that names no version gets another.
func TestWithdrawnVersion(t *testing.T) { onEachStore(t, testWithdrawnVersion) }

func testWithdrawnVersion(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	draft, _ := begin(t, server, `{"from":"demo@1"}`)
	server.send(t, "patchDraftItem", http.MethodPatch, draft+"/items/cement-cem-i", `{"price":{"amount":"1.24"}}`, 200, "If-Match", `"1"`)
	server.send(t, "publishDraft", http.MethodPost, draft+"/publication", `{"note":"a slip"}`, 201, "If-Match", `"2"`, "Idempotency-Key", "t")
	body := with(t, demo(t), "/inventory", "demo@2")
	before := server.do(post("/v1/comparisons", body))
	if before.Header().Get("Inventory-Withdrawn") != "" {
		t.Error("said before it was so")
	}
	server.send(t, "withdrawVersion", http.MethodPut, "/v1/inventories/demo/versions/2/withdrawal", `{"reason":"the price of cement had a slip"}`, 200)
	server.send(t, "withdrawVersion", http.MethodPut, "/v1/inventories/demo/versions/2/withdrawal", `{"reason":"again"}`, 409)
	after := server.do(post("/v1/comparisons", body))
	if after.Body.String() != before.Body.String() || !strings.HasPrefix(after.Header().Get("Inventory-Withdrawn"), "demo@2; at=2") {
		t.Errorf("%q", after.Header().Get("Inventory-Withdrawn"))
	}
	if newest := server.do(post("/v1/comparisons", with(t, demo(t), "/inventory", "demo"))); !strings.Contains(newest.Body.String(), `"ref":"demo@1"`) {
		t.Errorf("%.200s", newest.Body)
	}
	w := server.send(t, "getVersion", http.MethodGet, "/v1/inventories/demo/versions/2", "", 200)
	if !strings.Contains(w.Body.String(), `"withdrawn":{"at":"2`) {
		t.Errorf("%s", w.Body)
	}
	// The price over the versions, and between two.
	w = server.send(t, "itemHistory", http.MethodGet, "/v1/inventories/demo/items/cement-cem-i/history", "", 200)
	if !strings.Contains(w.Body.String(), `"percent":"900"`) {
		t.Errorf("%s", w.Body)
	}
	w = server.send(t, "diffVersion", http.MethodGet, "/v1/inventories/demo/versions/2/diff?against=1", "", 200)
	if !strings.Contains(w.Body.String(), `"before":"0.124","after":"1.24"`) {
		t.Errorf("%s", w.Body)
	}
	server.send(t, "diffVersion", http.MethodGet, "/v1/inventories/demo/versions/2/diff", "", 422)
	server.send(t, "itemHistory", http.MethodGet, "/v1/inventories/demo/items/nothing/history", "", 404)
}
