package api_test

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/shopspring/decimal"
	"github.com/xuri/excelize/v2"

	"slabledger/api"
	"slabledger/service/report"
)

const workbookType = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

// A comparison is JSON, and a workbook or a table where the client prefers that.
func TestComparisonInTheFormThatIsAccepted(t *testing.T) {
	server := newServer(t, api.Options{})
	const jsonType, csvType, htmlType = "application/json", "text/csv; charset=utf-8", "text/html; charset=utf-8"
	plain := server.do(post("/v1/comparisons", demo(t)))
	for _, c := range []struct{ accept, table, want string }{
		{"*/*", "", jsonType}, {"application/*", "", jsonType}, {workbookType + ";q=0.4, application/json;q=0.5", "", jsonType},
		{"text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8", "", htmlType}, {"text/html", "?units=us&basis=job", htmlType},
		{workbookType, "", workbookType}, {workbookType + ", */*;q=0.1", "", workbookType},
		{"text/csv", "?table=totals", csvType},
	} {
		w := server.do(post("/v1/comparisons"+c.table, demo(t), "Accept", c.accept))
		if got := w.Header().Get("Content-Type"); w.Code != http.StatusOK || got != c.want || !strings.Contains(strings.Join(w.Header().Values("Vary"), ","), "Accept") {
			t.Errorf("Accept %q: %d %q %.200s", c.accept, w.Code, got, w.Body)
		}
		checkAnswer(t, "compare", w)
		if c.want == jsonType && !bytes.Equal(w.Body.Bytes(), plain.Body.Bytes()) {
			t.Errorf("Accept %q: the JSON is another", c.accept)
		}
	}
	for _, c := range []struct{ accept, table, code string }{
		{"text/csv", "", "required-member-missing"}, {"text/csv", "?table=lines", "not-in-list"}, {"application/json", "?table=totals", "not-used"}, {workbookType, "?table=totals", "not-used"}, {"text/html", "?table=totals", "not-used"},
	} {
		w := server.do(post("/v1/comparisons"+c.table, demo(t), "Accept", c.accept))
		p := problemOf(t, w.Code, w.Header(), w.Body.Bytes())
		if w.Code != http.StatusUnprocessableEntity || len(p.Errors) != 1 || p.Errors[0].Pointer != "/query/table" || p.Errors[0].Code != c.code {
			t.Errorf("Accept %q, %q: %d %+v", c.accept, c.table, w.Code, p.Errors)
		}
	}
	w := server.do(post("/v1/comparisons", demo(t), "Accept", "image/png"))
	if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); w.Code != http.StatusNotAcceptable || !strings.Contains(p.Detail, workbookType) {
		t.Errorf("%d %s", w.Code, p.Detail)
	}
	// What goes wrong is a problem document, whatever was asked for.
	w = server.do(post("/v1/comparisons", with(t, demo(t), "/baseline", "nobody"), "Accept", workbookType))
	if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); p.Errors[0].Pointer != "/baseline" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

// A saved study gives the same workbook and the same tables as its comparison.
func TestStudyInTheFormsOfItsComparison(t *testing.T) {
	onEachStore(t, func(t *testing.T, open opener) {
		server := open(t, api.Options{})
		address := save(t, server, "Quay", demo(t)) + "/result"
		for _, c := range []struct{ accept, table, name string }{{workbookType, "", ".xlsx"}, {"text/csv", "?table=cost-lines", "-cost-lines.csv"}} {
			direct := server.do(post("/v1/comparisons"+c.table, demo(t), "Accept", c.accept))
			w := server.do(get(address+c.table, "Accept", c.accept))
			checkAnswer(t, "studyResult", w)
			if w.Code != http.StatusOK || !bytes.Equal(direct.Body.Bytes(), w.Body.Bytes()) {
				t.Errorf("%s: %d, other bytes than of the comparison", c.accept, w.Code)
			}
			if got := w.Header().Get("Content-Disposition"); !strings.HasPrefix(got, `attachment; filename="comparison-`) || !strings.HasSuffix(got, c.name+`"`) {
				t.Errorf("a file of the name %s", got)
			}
			if again := server.do(get(address+c.table, "Accept", c.accept, "If-None-Match", w.Header().Get("ETag"))); again.Code != http.StatusNotModified {
				t.Errorf("%s again: %d", c.accept, again.Code)
			}
			if other := server.do(get(address, "If-None-Match", w.Header().Get("ETag"))); other.Code != http.StatusOK {
				t.Errorf("the JSON is taken for the %s: %d", c.accept, other.Code)
			}
		}
		book := server.do(get(address, "Accept", workbookType))
		f, err := excelize.OpenReader(bytes.NewReader(book.Body.Bytes()))
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		if sheets := f.GetSheetList(); sheets[0] != "Summary" || sheets[len(sheets)-1] != "Check" {
			t.Errorf("%v", sheets)
		}
	})
}

// Links of pages give the forms: the report to print, with a policy that lets in its own
// style alone, and the files to keep.
func TestFormsByLinksOfPages(t *testing.T) {
	onEachStore(t, func(t *testing.T, open opener) {
		server := open(t, api.Options{Demo: demoRequest(t)})
		study := strings.TrimPrefix(save(t, server, "Quay", demo(t)), "/v1")
		for _, base := range []string{"/comparison", study} {
			query := "?"
			if base == "/comparison" {
				query = "?of=demo&"
			}
			for _, c := range []struct{ path, query, media, disposition, text string }{
				{"/report", "", "text/html; charset=utf-8", `inline; filename="comparison-`, "How to compute it again"},
				{"/report", "units=us&basis=job", "text/html; charset=utf-8", `inline; filename="comparison-`, "lb CO₂e for"},
				{"/workbook", "", workbookType, `attachment; filename="comparison-`, "PK"},
				{"/table", "table=carbon-lines", "text/csv; charset=utf-8", `attachment; filename="comparison-`, "gwp_kg_co2e_per_m2"},
			} {
				w := server.do(get(base + c.path + query + c.query))
				h := w.Header()
				if w.Code != http.StatusOK || h.Get("Content-Type") != c.media || !strings.HasPrefix(h.Get("Content-Disposition"), c.disposition) || h.Get("ETag") == "" || !strings.Contains(w.Body.String(), c.text) {
					t.Errorf("%s%s: %d %v %.200s", base, c.path, w.Code, h, w.Body)
				}
				if policy := h.Get("Content-Security-Policy"); c.path == "/report" && (!strings.Contains(policy, "style-src '"+report.ReportStyle+"'") || strings.Contains(policy, "script-src")) {
					t.Errorf("the policy %s", policy)
				}
			}
		}
		holds(t, server.do(get("/comparison/table?of=demo&table=lines")), http.StatusNotFound, "There is no such table")
		holds(t, server.do(get("/comparison/table?of=demo")), http.StatusNotFound, "There is no such table")
		holds(t, server.do(get("/comparison/report")), http.StatusNotFound)
		holds(t, server.do(get("/studies/none/report")), http.StatusNotFound)
	})
}

// A report waits among the long operations, where it is refused when too many wait.
func TestReportIsALongOperation(t *testing.T) {
	server := newServer(t, api.Options{ComputeLimit: time.Nanosecond})
	w := server.do(post("/v1/comparisons", demo(t), "Accept", "text/html"))
	if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); w.Code != http.StatusServiceUnavailable || !strings.HasSuffix(p.Type, "compute-timeout") || strings.Contains(p.Detail, "job") {
		t.Errorf("%d %+v", w.Code, p)
	}
}

// The lines of a table come to the totals of the JSON, and every row tells where it is
// from.
func TestLinesOfATableComeToTheTotals(t *testing.T) {
	server := newServer(t, api.Options{})
	var answer struct {
		RequestHash  string `json:"request_hash"`
		Alternatives []struct {
			Name   string
			Carbon struct {
				Total string `json:"total_kg_co2e_per_m2"`
			}
			Cost struct {
				Initial     string `json:"initial_per_m2"`
				Maintenance string `json:"maintenance_present_value_per_m2"`
			}
		}
	}
	if err := json.Unmarshal(server.do(post("/v1/comparisons", demo(t))).Body.Bytes(), &answer, json.MatchCaseInsensitiveNames(true)); err != nil {
		t.Fatal(err)
	}
	table := func(name string) []map[string]string {
		text := server.do(post("/v1/comparisons?table="+name, demo(t), "Accept", "text/csv")).Body.String()
		if strings.Count(text, "\r\n") != strings.Count(text, "\n") || !strings.HasSuffix(text, "\r\n") {
			t.Errorf("%s: lines do not end as RFC 4180 has it", name)
		}
		rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
		if err != nil || len(rows) < 2 {
			t.Fatalf("%s: %d rows, %v", name, len(rows), err)
		}
		var list []map[string]string
		for _, row := range rows[1:] {
			cells := map[string]string{}
			for i, head := range rows[0] {
				cells[head] = row[i]
			}
			if cells["request_hash"] != answer.RequestHash || cells["inventory"] != "demo@1" {
				t.Errorf("%s: %v", name, cells)
			}
			list = append(list, cells)
		}
		return list
	}
	sum := func(rows []map[string]string, column string, where map[string]string) string {
		total := decimal.Zero
		for _, row := range rows {
			counts := true
			for name, value := range where {
				counts = counts && row[name] == value
			}
			if counts {
				total = total.Add(decimal.RequireFromString(row[column]))
			}
		}
		return total.StringFixed(6)
	}
	carbon, cost, modules := table("carbon-lines"), table("cost-lines"), table("modules")
	for _, a := range answer.Alternatives {
		if got := sum(carbon, "gwp_kg_co2e_per_m2", map[string]string{"alternative": a.Name}); got != a.Carbon.Total {
			t.Errorf("%s: lines of %s, a total of %s", a.Name, got, a.Carbon.Total)
		}
		for kind, want := range map[string]string{"initial": a.Cost.Initial, "maintenance": a.Cost.Maintenance} {
			if got := sum(cost, "present_value_per_m2", map[string]string{"alternative": a.Name, "kind": kind}); got != want {
				t.Errorf("%s: %s lines of %s, a total of %s", a.Name, kind, got, want)
			}
		}
		total := decimal.Zero
		for _, m := range modules {
			if v := m["gwp_kg_co2e_per_m2"]; m["alternative"] == a.Name && m["module"] != "D" && v != "" {
				total = total.Add(decimal.RequireFromString(v))
			}
		}
		if total.StringFixed(6) != a.Carbon.Total {
			t.Errorf("%s: modules of %s, a total of %s", a.Name, total, a.Carbon.Total)
		}
	}
	for _, name := range []string{"quantities", "concrete-lines", "totals", "deltas", "sources"} {
		table(name)
	}
}

// The contract names the tables that there are.
func TestContractNamesEveryTable(t *testing.T) {
	var names []string
	for _, name := range contract().Document().Components.Parameters["Table"].Value.Schema.Value.Enum {
		names = append(names, fmt.Sprint(name))
	}
	if !slices.Equal(names, report.Tables()) {
		t.Errorf("the contract has %v, the report %v", names, report.Tables())
	}
}

// What a spreadsheet would run is escaped in a table too.
func TestTableEscapesNames(t *testing.T) {
	server := newServer(t, api.Options{})
	body := with(t, with(t, demo(t), "/alternatives/0/name", "=1+2"), "/baseline", "=1+2")
	body = with(t, with(t, body, "/alternatives/1/like", "=1+2"), "/alternatives/1/name", "@SUM(A1), \"b\"")
	body = with(t, body, "/alternatives/2/like", "@SUM(A1), \"b\"")
	for _, table := range []string{"quantities", "carbon-lines", "cost-lines", "concrete-lines", "modules", "totals", "deltas"} {
		w := server.do(post("/v1/comparisons?table="+table, body, "Accept", "text/csv"))
		rows, err := csv.NewReader(w.Body).ReadAll()
		if err != nil || w.Code != http.StatusOK {
			t.Fatalf("%s: %d %v", table, w.Code, err)
		}
		found := map[string]bool{}
		for _, row := range rows {
			found[row[0]] = true
		}
		if !found["'=1+2"] || !found[`'@SUM(A1), "b"`] || found["=1+2"] {
			t.Errorf("%s: %v", table, found)
		}
	}
}

// A citation says what the study says, and nothing that is not known.
func TestStudyIsCited(t *testing.T) {
	onEachStore(t, func(t *testing.T, open opener) {
		server := open(t, api.Options{})
		address := save(t, server, `50 % slag & {fibre}: "a_b" \ #1 $2 ~^`, demo(t))
		study := asked[studyAnswer](t, server, "getStudy", get(address))
		w := server.do(get(address + "/citation"))
		checkAnswer(t, "citeStudy", w)
		entry := w.Body.String()
		if w.Code != http.StatusOK || w.Header().Get("Content-Type") != "application/x-bibtex; charset=utf-8" || !strings.HasPrefix(entry, "@misc{slabledger-"+study.ID+",\n") {
			t.Fatalf("%d %s\n%s", w.Code, w.Header(), entry)
		}
		for _, part := range []string{`{{50 \% slag \& \textbraceleft{}fibre\textbraceright{}: "a\_b" \textbackslash{} \#1 \$2 \textasciitilde{}\textasciicircum{}}}`,
			study.ResultHash, study.RequestHash, study.EngineVersion, "demo@1", "{http://example.com" + address + "}", "Author: unknown"} {
			if !strings.Contains(entry, part) {
				t.Errorf("no %s in\n%s", part, entry)
			}
		}
		if strings.Count(entry, "{") != strings.Count(entry, "}") || strings.Contains(entry, "author ") {
			t.Errorf("braces that do not balance, or an author:\n%s", entry)
		}
		c := server.do(get(address+"/citation", "Accept", "application/vnd.citationstyles.csl+json"))
		checkAnswer(t, "citeStudy", c)
		var items []struct{ ID, Type, Title, Version, URL, Note string }
		if err := json.Unmarshal(c.Body.Bytes(), &items, json.MatchCaseInsensitiveNames(true)); err != nil || len(items) != 1 {
			t.Fatalf("%v %s", err, c.Body)
		}
		if i := items[0]; i.Type != "dataset" || i.Title != study.Name || i.Version != study.EngineVersion || !strings.Contains(i.Note, study.ResultHash) || !strings.HasSuffix(i.URL, address) || strings.Contains(c.Body.String(), `"author"`) {
			t.Errorf("%+v", i)
		}
		if secure := server.do(get(address+"/citation", "X-Forwarded-Proto", "https")).Body.String(); secure != strings.Replace(entry, "{http:", "{https:", 1) {
			t.Errorf("behind a proxy that ends TLS:\n%s", secure)
		}
		if again := server.do(get(address + "/citation")); again.Body.String() != entry {
			t.Error("cited twice, in two ways")
		}
		if gone := server.do(get("/v1/studies/none/citation")); gone.Code != http.StatusNotFound {
			t.Errorf("%d", gone.Code)
		}
	})
}

// An address may say more than a page reads; none of it comes into the name of a file,
// where it would stand in a header and could name another.
func TestAddressesDoNotNameFiles(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	for _, c := range []struct{ form, kind, extension string }{{"report", "inline", ".html"}, {"workbook", "attachment", ".xlsx"}} {
		want := c.kind + `; filename="comparison-` + hashOf(t, server, demo(t))[:12] + c.extension + `"`
		for _, table := range []string{"", "deltas", `x"; filename*=UTF-8''setup.bat; x="`, "x\r\nSet-Cookie: a=b"} {
			w := server.do(get("/comparison/" + c.form + "?of=demo&table=" + url.QueryEscape(table)))
			if got := w.Header().Get("Content-Disposition"); w.Code != 200 || got != want {
				t.Errorf("%s, table %q: status %d, %s; want %s", c.form, table, w.Code, got, want)
			}
		}
	}
	if got := server.do(get("/comparison/table?of=demo&table=deltas")).Header().Get("Content-Disposition"); !strings.HasSuffix(got, `-deltas.csv"`) {
		t.Errorf("the table is called %s", got)
	}
}
