package api_test

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"

	"slabledger/api"
)

// No method on any path of a published version changes it: there is none.
func TestAPublishedVersionHasNoWayToChange(t *testing.T) {
	onEachStore(t, aPublishedVersionHasNoWayToChange)
}

func aPublishedVersionHasNoWayToChange(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	const version = "/v1/inventories/demo/versions/1"
	before := server.do(get(version + "/items?limit=200")).Body.String()
	for _, path := range []string{version, version + "/items", version + "/items/cement-cem-i", version + "/diff", version + "/export", version + "/overrides"} {
		for _, method := range []string{http.MethodPut, http.MethodPatch, http.MethodDelete, http.MethodPost} {
			w := server.do(request(method, path, strings.NewReader(`{"price":{"amount":"1"}}`), "Content-Type", "application/json", "If-Match", "*"))
			if w.Code != http.StatusMethodNotAllowed || !strings.Contains(w.Header().Get("Allow"), http.MethodGet) {
				t.Errorf("%s %s: %d, Allow %q", method, path, w.Code, w.Header().Get("Allow"))
			}
		}
	}
	if after := server.do(get(version + "/items?limit=200")).Body.String(); after != before {
		t.Error("the items are not what they were")
	}
}

// A number without a source is not published; every item that has one is named.
func TestEveryNumberWithoutASourceIsNamed(t *testing.T) {
	onEachStore(t, everyNumberWithoutASourceIsNamed)
}

func everyNumberWithoutASourceIsNamed(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	draft, _ := begin(t, server, `{"from":"demo@1"}`)
	for n, code := range []string{"lime", "silica"} {
		server.send(t, "putDraftItem", http.MethodPut, draft+"/items/"+code, fmt.Sprintf(`{"code":%q,"category":"scm","name":"New","unit":"kg","factors":{"A1-A3":"0.1"}}`, code), 200, "If-Match", fmt.Sprintf(`"%d"`, n+1))
	}
	w := server.send(t, "publishDraft", http.MethodPost, draft+"/publication", `{"note":"unsourced"}`, 422, "If-Match", `"3"`, "Idempotency-Key", "unsourced")
	got := map[string]bool{}
	for _, e := range problemOf(t, w.Code, w.Header(), w.Body.Bytes()).Errors {
		if strings.Contains(e.Pointer, "/factor_source_") {
			got[strings.Split(e.Pointer, "/")[2]] = true
		}
	}
	if diff := gocmp.Diff(map[string]bool{"lime": true, "silica": true}, got); diff != "" {
		t.Errorf("%s\n%s", diff, w.Body)
	}
	server.send(t, "getVersion", http.MethodGet, "/v1/inventories/demo/versions/2", "", 404)
}

// Numbers that may not be passed on are in no form of an export; where they come from
// is, and the hash by which who has them can show it.
func TestWithheldNumbersStayBehind(t *testing.T) { onEachStore(t, withheldNumbersStayBehind) }

func withheldNumbersStayBehind(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	draft, _ := begin(t, server, `{"from":"demo@1"}`)
	server.send(t, "patchDraftItem", http.MethodPatch, draft+"/items/ggbs", `{"price":{"amount":"0.0765432"},"factors":{"A1-A3":"0.0234567"},"factor_source":{"title":"Bound declaration","licence":"no-redistribution"}}`, 200, "If-Match", `"1"`)
	server.send(t, "publishDraft", http.MethodPost, draft+"/publication", `{"note":"bound"}`, 201, "If-Match", `"2"`, "Idempotency-Key", "bound")
	for _, media := range []string{csvType, xlsxType, "application/json"} {
		text := server.send(t, "exportVersion", http.MethodGet, "/v1/inventories/demo/versions/2/export", "", 200, "Accept", media).Body.String()
		if media == xlsxType {
			text = unpacked(t, text)
		}
		if strings.Contains(text, "0.0234567") || !strings.Contains(text, "0.0765432") || !strings.Contains(text, "Bound declaration") || !strings.Contains(text, "item SHA-256 ") {
			t.Errorf("%s: the factor is there, or the price, the reference or the hash is not", media)
		}
		if media == "application/json" && !strings.Contains(text, `"withheld":[{"item":"ggbs","hash":"`) {
			t.Error("the JSON does not list what is withheld")
		}
	}
}

// unpacked is the text of all parts of a workbook.
func unpacked(t testing.TB, file string) string {
	t.Helper()
	book, err := zip.NewReader(strings.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	var all bytes.Buffer
	for _, part := range book.File {
		r, err := part.Open()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.Copy(&all, io.LimitReader(r, 1<<24)); err != nil {
			t.Fatal(err)
		}
		r.Close()
	}
	return all.String()
}

// Entities are not expanded, in no file, and are refused at once.
func TestEntitiesAreRefusedAtOnce(t *testing.T) {
	server := newServer(t, api.Options{})
	draft, _ := begin(t, server, `{"from":"demo@1"}`)
	laughs := `<!ENTITY l0 "ha">`
	for n := range 30 {
		laughs += fmt.Sprintf(`<!ENTITY l%d "&l%d;&l%d;&l%d;&l%d;&l%d;&l%d;&l%d;&l%d;&l%d;&l%d;">`, n+1, n, n, n, n, n, n, n, n, n, n)
	}
	for name, body := range map[string]string{
		"a file":           `<?xml version="1.0"?><!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hostname">]><processDataSet xmlns="http://lca.jrc.it/ILCD/Process">&e;</processDataSet>`,
		"an address":       `<?xml version="1.0"?><!DOCTYPE x SYSTEM "http://127.0.0.1:9/x.dtd"><processDataSet xmlns="http://lca.jrc.it/ILCD/Process"/>`,
		"a billion laughs": `<?xml version="1.0"?><!DOCTYPE x [` + laughs + `]><processDataSet xmlns="http://lca.jrc.it/ILCD/Process">&l30;</processDataSet>`,
	} {
		w := promptly(t, server, func() *http.Request {
			return request(http.MethodPut, draft+"/items/cement-cem-i/declaration", strings.NewReader(body), "Content-Type", "application/xml", "If-Match", `"1"`)
		})
		if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); w.Code != 422 || len(p.Errors) != 1 || p.Errors[0].Code != "dtd-refused" {
			t.Errorf("%s: %d %s", name, w.Code, w.Body)
		}
	}
}

// Names that look alike and are not are told apart by refusing all but one form; a mark
// that turns the direction of writing is refused where it comes in.
func TestNamesThatLookAlike(t *testing.T) { onEachStore(t, namesThatLookAlike) }

func namesThatLookAlike(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	draft, _ := begin(t, server, `{"from":"demo@1"}`)
	item := func(code, name string) string {
		return fmt.Sprintf(`{"code":%q,"category":"water","name":"%s","unit":"kg"}`, code, name)
	}
	server.send(t, "putDraftItem", http.MethodPut, draft+"/items/composed", item("composed", "caf\u00e9"), 200, "If-Match", `"1"`)
	w := server.send(t, "putDraftItem", http.MethodPut, draft+"/items/decomposed", item("decomposed", "cafe\u0301"), 200, "If-Match", `"2"`)
	if d := decode[draftSeen](t, w); len(d.Problems) != 1 || d.Problems[0].Item != "decomposed" || d.Problems[0].Column != "name" {
		t.Errorf("%+v", d.Problems)
	}
	server.send(t, "publishDraft", http.MethodPost, draft+"/publication", `{"note":"twins"}`, 422, "If-Match", `"3"`, "Idempotency-Key", "twins")
	w = server.send(t, "putDraftItem", http.MethodPut, draft+"/items/turned", item("turned", "gpj.\u202eexe"), 422, "If-Match", `"3"`)
	if !strings.Contains(w.Body.String(), `"pointer":"/name","code":"control-character"`) {
		t.Errorf("%s", w.Body)
	}
	// A code is a slug; another is not published either.
	revision := `"3"`
	for _, code := range []string{"caf\u00e9", "With-Capitals", "a b", "-", strings.Repeat("a", 65)} {
		path := draft + "/items/" + strings.NewReplacer(" ", "%20", "\u00e9", "%C3%A9").Replace(code)
		w := server.do(request(http.MethodPut, path, strings.NewReader(item(code, "x")), "Content-Type", "application/json", "If-Match", revision))
		if w.Code == http.StatusUnprocessableEntity {
			continue
		}
		if !strings.Contains(w.Body.String(), `"code":"slug-invalid"`) {
			t.Errorf("%q: %d %.300s", code, w.Code, w.Body)
		}
		revision = w.Header().Get("ETag")
	}
}

// What the service alone sets cannot be sent along: an owner, a state, an id, a time.
func TestMembersThatAreTheServicesOwn(t *testing.T) {
	server := newServer(t, api.Options{})
	draft, _ := begin(t, server, `{"from":"demo@1"}`)
	const own = `"tenant_id":"x","status":"published","id":"mine","created_at":"2020-01-01T00:00:00Z","hash":"0","number":7`
	for path, body := range map[string]string{
		demoDrafts:             `{"from":"demo@1",` + own + `}`,
		draft + "/publication": `{"note":"n",` + own + `}`,
		"/v1/keys":             `{"name":"n","role":"viewer",` + own + `}`,
		"/v1/comparisons":      strings.Replace(demo(t), "{", "{"+own+",", 1),
	} {
		w := server.do(post(path, body, "Idempotency-Key", "own", "If-Match", `"1"`))
		got := map[string]int{}
		for _, e := range problemOf(t, w.Code, w.Header(), w.Body.Bytes()).Errors {
			got[e.Code+" "+e.Pointer]++
		}
		want := map[string]int{}
		for _, name := range []string{"tenant_id", "status", "id", "created_at", "hash", "number"} {
			want["unknown-field /"+name] = 1
		}
		if diff := gocmp.Diff(want, got); diff != "" || w.Code != 422 {
			t.Errorf("%s: %d\n%s", path, w.Code, diff)
		}
	}
}
