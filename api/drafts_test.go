package api_test

import (
	"crypto/sha256"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/go-json-experiment/json"
	gocmp "github.com/google/go-cmp/cmp"

	"slabledger/api"
)

// send makes a request of any method and checks its answer against the contract.
func (f fixture) send(t testing.TB, operationID, method, path, body string, status int, headers ...string) *httptest.ResponseRecorder {
	t.Helper()
	r := request(method, path, strings.NewReader(body), headers...)
	if body != "" && r.Header.Get("Content-Type") == "" {
		r.Header.Set("Content-Type", "application/json")
	}
	w := f.do(r)
	if w.Code != status {
		t.Fatalf("%s %s: %d, want %d: %.800s", method, path, w.Code, status, w.Body)
	}
	checkAnswer(t, operationID, w)
	return w
}

func decode[T any](t testing.TB, w *httptest.ResponseRecorder) (v T) {
	t.Helper()
	if err := json.Unmarshal(w.Body.Bytes(), &v, json.MatchCaseInsensitiveNames(true)); err != nil {
		t.Fatal(err)
	}
	return v
}

type draftSeen struct {
	ID       string `json:"id"`
	Revision int    `json:"revision"`
	Items    struct{ Own, Resolved int }
	Problems []struct{ Item, Column, Code string }
	Doubts   []struct{ Item, Column, Code string }
	Against  *string
	Changes  struct{ Added, Removed, Changed int }
}

const demoDrafts = "/v1/inventories/demo/drafts"

// begin makes a draft of the demo region, and its address.
func begin(t testing.TB, server fixture, body string) (address string, d draftSeen) {
	t.Helper()
	w := server.send(t, "createDraft", http.MethodPost, demoDrafts, body, http.StatusCreated, "Idempotency-Key", fmt.Sprintf("%x", sha256.Sum256([]byte(body))))
	return w.Header().Get("Location"), decode[draftSeen](t, w)
}

// An analyst changes a price: a draft, a patch, the differences, the publication; and
// a comparison with the version before is what it was, byte for byte.
func TestFromDraftToVersion(t *testing.T) { onEachStore(t, testFromDraftToVersion) }

func testFromDraftToVersion(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	before := server.do(post("/v1/comparisons", demo(t))).Body.String()

	draft, d := begin(t, server, `{"from":"demo@1"}`)
	if d.Revision != 1 || len(d.Problems) != 0 || len(d.Doubts) != 0 || d.Changes.Changed != 0 || *d.Against != "demo@1" {
		t.Errorf("%+v", d)
	}
	cement := draft + "/items/cement-cem-i"
	w := server.send(t, "patchDraftItem", http.MethodPatch, cement, `{"price":{"amount":"0.1364"},"note":"offer of March"}`, 200, "If-Match", `"1"`, "Content-Type", "application/merge-patch+json")
	if w.Header().Get("ETag") != `"2"` {
		t.Errorf("ETag %s", w.Header().Get("ETag"))
	}
	// A slip of three places is doubted, and hinders nothing; an item without a unit does.
	w = server.send(t, "patchDraftItem", http.MethodPatch, draft+"/items/ggbs", `{"factors":{"A1-A3":"24"}}`, 200, "If-Match", `"2"`)
	if d := decode[draftSeen](t, w); len(d.Doubts) != 2 || d.Doubts[0].Item != "ggbs" || d.Doubts[1].Code != "unusual-change" {
		t.Errorf("%+v", d.Doubts)
	}
	w = server.send(t, "putDraftItem", http.MethodPut, draft+"/items/new", `{"code":"new","category":"scm","name":"New","unit":"kg","recipe":[{"item":"nowhere","amount":"1"}]}`, 200, "If-Match", `"3"`)
	if d := decode[draftSeen](t, w); len(d.Problems) != 2 || d.Problems[0].Item != "new" {
		t.Errorf("%+v", d.Problems)
	}
	w = server.send(t, "publishDraft", http.MethodPost, draft+"/publication", `{"note":"too early"}`, 422, "If-Match", `"4"`, "Idempotency-Key", "early")
	if !strings.Contains(w.Body.String(), "/items/new/recipe") {
		t.Errorf("%s", w.Body)
	}
	server.send(t, "deleteDraftItem", http.MethodDelete, draft+"/items/new", "", 200, "If-Match", `"4"`)
	server.send(t, "patchDraftItem", http.MethodPatch, draft+"/items/ggbs", `{"factors":{"A1-A3":"0.024"}}`, 200, "If-Match", `"5"`)

	w = server.send(t, "diffDraft", http.MethodGet, draft+"/diff", "", 200)
	type diff struct {
		Added, Removed []any
		Changed        []struct {
			Item   string
			Fields []struct {
				Column, Before, After string
				Percent               *string
			}
		}
	}
	got := decode[diff](t, w)
	if len(got.Changed) != 2 && len(got.Changed) != 1 || len(got.Added)+len(got.Removed) != 0 {
		t.Fatalf("%s", w.Body)
	}
	price := got.Changed[0].Fields[0]
	if price.Column != "price" || price.Before != "0.124" || price.After != "0.1364" || price.Percent == nil || *price.Percent != "10" {
		t.Errorf("%+v", price)
	}

	w = server.send(t, "publishDraft", http.MethodPost, draft+"/publication", `{"note":"cement of March"}`, 201, "If-Match", `"6"`, "Idempotency-Key", "march")
	if w.Header().Get("Location") != "/v1/inventories/demo/versions/2" {
		t.Errorf("Location %s", w.Header().Get("Location"))
	}
	// The answer was lost: the same again makes no third version.
	again := server.send(t, "publishDraft", http.MethodPost, draft+"/publication", `{"note":"cement of March"}`, 201, "If-Match", `"6"`, "Idempotency-Key", "march")
	if again.Header().Get("Idempotent-Replayed") != "true" || again.Body.String() != w.Body.String() {
		t.Errorf("%v %s", again.Header(), again.Body)
	}
	server.send(t, "getVersion", http.MethodGet, "/v1/inventories/demo/versions/3", "", 404)
	server.send(t, "getDraft", http.MethodGet, draft, "", 404)
	if after := server.do(post("/v1/comparisons", demo(t))).Body.String(); after != before {
		t.Error("a comparison with demo@1 is not what it was")
	}
	if now := server.do(post("/v1/comparisons", with(t, demo(t), "/inventory", "demo@2"))).Body.String(); now == before || !strings.Contains(now, "0.1364") {
		t.Error("a comparison with demo@2 does not have the new price")
	}
}

// What a client read is what it changes: without If-Match nothing is done, with one
// that is stale neither, and of eight who edit at once one does.
func TestEditsOfOneRevision(t *testing.T) { onEachStore(t, testEditsOfOneRevision) }

func testEditsOfOneRevision(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	draft, _ := begin(t, server, `{"from":"demo@1"}`)
	patch := func(headers ...string) int {
		return server.do(request(http.MethodPatch, draft+"/items/ggbs", strings.NewReader(`{"note":"x"}`), append(headers, "Content-Type", "application/json")...)).Code
	}
	if code := patch(); code != 428 {
		t.Errorf("without If-Match: %d", code)
	}
	for _, tag := range []string{`"2"`, "*", "x", `"0"`, `"-1"`, `1`, `"+1"`, `"01"`, `"1`} {
		if code := patch("If-Match", tag); code != 412 {
			t.Errorf("If-Match %s: %d", tag, code)
		}
	}
	var wg sync.WaitGroup
	codes := make([]int, 8)
	for i := range codes {
		wg.Go(func() { codes[i] = patch("If-Match", `"1"`) })
	}
	wg.Wait()
	counts := map[int]int{}
	for _, code := range codes {
		counts[code]++
	}
	if diff := gocmp.Diff(map[int]int{200: 1, 412: 7}, counts); diff != "" {
		t.Error(diff)
	}
}

// Of thirty-two who publish at once each gets a number or is told, and the numbers
// have no gap.
func TestPublishTogether(t *testing.T) { onEachStore(t, testPublishTogether) }

func testPublishTogether(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	const clients = 32
	addresses := make([]string, clients)
	for i := range addresses {
		w := server.send(t, "createDraft", http.MethodPost, demoDrafts, `{"from":"demo@1"}`, 201, "Idempotency-Key", strconv.Itoa(i))
		addresses[i] = w.Header().Get("Location")
		server.send(t, "patchDraftItem", http.MethodPatch, addresses[i]+"/items/ggbs", fmt.Sprintf(`{"note":"client %d"}`, i), 200, "If-Match", `"1"`)
	}
	var wg sync.WaitGroup
	for i := range addresses {
		wg.Go(func() {
			for try := 0; ; try++ {
				w := server.do(post(addresses[i]+"/publication", `{"note":"mine"}`, "If-Match", `"2"`, "Idempotency-Key", fmt.Sprintf("p-%d-%d", i, try)))
				switch {
				case w.Code == 201:
					return
				case w.Code != 409 || try > clients:
					t.Errorf("client %d: %d %s", i, w.Code, w.Body)
					return
				}
			}
		})
	}
	wg.Wait()
	versions := decode[struct{ Versions []struct{ Number int } }](t, server.send(t, "listVersions", http.MethodGet, "/v1/inventories/demo/versions?limit=200", "", 200))
	if len(versions.Versions) != clients+1 || versions.Versions[0].Number != clients+1 {
		t.Errorf("%d versions, the newest %d", len(versions.Versions), versions.Versions[0].Number)
	}
}

// An inventory that extends another has what that has but for its own items; what
// would stand on itself, on nothing, or in another currency cannot be published.
func TestLayers(t *testing.T) { onEachStore(t, testLayers) }

func testLayers(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	const drafts = "/v1/inventories/north/drafts"
	meta := `{"name":"North","region":"XA-02","currency":"EUR","invented":true,"extends":"demo@1"}`
	w := server.send(t, "createDraft", http.MethodPost, drafts, `{"meta":`+meta+`}`, 201, "Idempotency-Key", "n")
	draft := w.Header().Get("Location")
	w = server.send(t, "patchDraftItem", http.MethodPatch, draft+"/items/cement-cem-i", `{"price":{"amount":"0.15"}}`, 200, "If-Match", `"1"`)
	if d := decode[draftSeen](t, w); d.Items.Own != 1 || d.Items.Resolved < 60 || len(d.Problems) != 0 || d.Against != nil {
		t.Errorf("%+v", d)
	}
	for problem, change := range map[string]string{
		"layer-missing": `{"extends":"demo@9"}`, "layer-cycle": `{"extends":"north@1"}`, "currency-mismatch": `{"currency":"USD"}`,
	} {
		current := decode[draftSeen](t, server.send(t, "getDraft", http.MethodGet, draft, "", 200))
		w := server.send(t, "describeDraft", http.MethodPatch, draft, change, 200, "If-Match", fmt.Sprintf("%q", strconv.Itoa(current.Revision)))
		found := decode[draftSeen](t, w)
		if len(found.Problems) == 0 || found.Problems[0].Code != problem {
			t.Errorf("%s: %+v", problem, found.Problems)
		}
		server.send(t, "describeDraft", http.MethodPatch, draft, meta, 200, "If-Match", fmt.Sprintf("%q", strconv.Itoa(found.Revision)))
	}
	current := decode[draftSeen](t, server.send(t, "getDraft", http.MethodGet, draft, "", 200))
	server.send(t, "publishDraft", http.MethodPost, draft+"/publication", `{"note":"first"}`, 201, "If-Match", fmt.Sprintf("%q", strconv.Itoa(current.Revision)), "Idempotency-Key", "n1")
	w = server.send(t, "getItem", http.MethodGet, "/v1/inventories/north/versions/1/items/ggbs", "", 200)
	if !strings.Contains(w.Body.String(), `"layer":"demo@1"`) {
		t.Errorf("%s", w.Body)
	}
	// What takes the place of the base's shows what it was there: the item, the list of
	// the version and the sources of a result.
	w = server.send(t, "getItem", http.MethodGet, "/v1/inventories/north/versions/1/items/cement-cem-i", "", 200)
	type fields = []struct{ Column, Before, After string }
	shown := decode[struct {
		Price     struct{ Amount string }
		Overrides struct {
			Layer  string
			Item   struct{ Price struct{ Amount string } }
			Fields fields
		}
	}](t, w)
	if o := shown.Overrides; shown.Price.Amount != "0.15" || o.Layer != "demo@1" || o.Item.Price.Amount != "0.124" ||
		gocmp.Diff(fields{{"price", "0.124", "0.15"}}, o.Fields) != "" {
		t.Errorf("%s", w.Body)
	}
	w = server.send(t, "listOverrides", http.MethodGet, "/v1/inventories/north/versions/1/overrides", "", 200)
	listed := decode[struct {
		Ref       string
		Extends   struct{ Ref, Hash string }
		Overrides []struct {
			Item, Layer string
			Fields      fields
		}
	}](t, w)
	demoHash := decode[struct{ Hash string }](t, server.send(t, "getVersion", http.MethodGet, "/v1/inventories/demo/versions/1", "", 200)).Hash
	if len(listed.Overrides) != 1 || listed.Overrides[0].Item != "cement-cem-i" || listed.Overrides[0].Layer != "demo@1" || listed.Extends.Ref != "demo@1" || listed.Extends.Hash != demoHash {
		t.Errorf("%s", w.Body)
	}
	if none := server.send(t, "listOverrides", http.MethodGet, "/v1/inventories/demo/versions/1/overrides", "", 200).Body.String(); !strings.Contains(none, `"extends":null,"overrides":[]`) {
		t.Errorf("%s", none)
	}
	study := server.send(t, "compare", http.MethodPost, "/v1/comparisons", with(t, demo(t), "/inventory", "north@1"), 200)
	used := decode[struct {
		Inventory struct{ Extends struct{ Ref, Hash string } }
		Sources   []struct {
			Ref       string
			Overrides *struct{ Layer, Price, Price_unit, Factor, Factor_unit string }
		}
	}](t, study)
	overridden := 0
	for _, s := range used.Sources {
		if s.Overrides == nil {
			continue
		}
		overridden++
		if o := *s.Overrides; s.Ref != "north@1/cement-cem-i" || o.Layer != "demo@1" || o.Price != "0.124" || o.Price_unit != "EUR/kg" || o.Factor != "0.842" || o.Factor_unit != "kg CO2e/kg" {
			t.Errorf("%s overrides %+v", s.Ref, o)
		}
	}
	if overridden != 1 || used.Inventory.Extends.Hash != demoHash {
		t.Errorf("%d sources override, inventory %+v", overridden, used.Inventory)
	}
	// The study says what it takes over, or refuses it.
	body := with(t, demo(t), "/inventory", "north@1")
	if answer := server.do(post("/v1/comparisons", body)); answer.Code != 200 || !strings.Contains(answer.Body.String(), "layer-taken-over") {
		t.Errorf("%d %.300s", answer.Code, answer.Body)
	}
	if answer := server.do(post("/v1/comparisons", with(t, body, "/data_requirements", map[string]any{"other_layers": "refused"}))); answer.Code != 422 || !strings.Contains(answer.Body.String(), "layer-refused") {
		t.Errorf("%d %.300s", answer.Code, answer.Body)
	}
}

// Items are found by what is missing, by where they come from, and by what no longer
// holds.
func TestItemsAreFound(t *testing.T) { onEachStore(t, testItemsAreFound) }

func testItemsAreFound(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	draft, _ := begin(t, server, `{"from":"demo@1"}`)
	for n, patch := range []string{`{"price":null}`, `{"factor_data":{"valid_until":"2026-06-30"}}`, `{"price":{"valid_until":"2026-12-31","source":{"kind":"quotation"}}}`} {
		code := []string{"ggbs", "cement-cem-i", "gravel-20"}[n]
		server.send(t, "patchDraftItem", http.MethodPatch, draft+"/items/"+code, patch, 200, "If-Match", fmt.Sprintf(`"%d"`, n+1))
	}
	server.send(t, "publishDraft", http.MethodPost, draft+"/publication", `{"note":"gaps"}`, 201, "If-Match", `"4"`, "Idempotency-Key", "t")
	for query, want := range map[string]string{"missing=price&category=scm": "ggbs", "expired_by=2026-07-01": "cement-cem-i", "expired_by=2027-01-01": "cement-cem-i gravel-20", "source_kind=quotation": "gravel-20", "expired_by=2026-06-30": ""} {
		found, _ := walk(t, server, "listItems", "/v1/inventories/demo/versions/2/items?"+query)
		if got := strings.Join(found, " "); got != want {
			t.Errorf("%s: %q, want %q", query, got, want)
		}
	}
	server.send(t, "listItems", http.MethodGet, "/v1/inventories/demo/versions/2/items?expired_by=2026-02-30", "", 422)
	server.send(t, "listItems", http.MethodGet, "/v1/inventories/demo/versions/2/items?missing=name", "", 422)
}

// A declaration gives an item its factors, its source and its validity; what is wrong
// in one is told by its element.
func TestDeclarationIntoDraft(t *testing.T) { onEachStore(t, testDeclarationIntoDraft) }

func testDeclarationIntoDraft(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	draft, _ := begin(t, server, `{"from":"demo@1"}`)
	for _, file := range []string{"a2.xml", "a2.json"} {
		media := map[bool]string{true: "application/xml", false: "application/json"}[strings.HasSuffix(file, ".xml")]
		current := decode[draftSeen](t, server.send(t, "getDraft", http.MethodGet, draft, "", 200))
		w := server.send(t, "declareDraftItem", http.MethodPut, draft+"/items/cement-cem-i/declaration", string(read(t, "../inventory/epd/testdata/"+file)), 200,
			"If-Match", fmt.Sprintf("%q", strconv.Itoa(current.Revision)), "Content-Type", media)
		if !strings.Contains(w.Body.String(), `"kind":"epd"`) || !strings.Contains(w.Body.String(), `"valid_until":"2`) {
			t.Errorf("%s: %.600s", file, w.Body)
		}
	}
	// Published, the item is written as a declaration again, which gives another draft
	// the same numbers; one whose licence forbids that is not.
	server.send(t, "publishDraft", http.MethodPost, draft+"/publication", `{"note":"declared"}`, 201, "If-Match", `"3"`, "Idempotency-Key", "declared")
	of := func(version int, code string) string {
		return fmt.Sprintf("/v1/inventories/demo/versions/%d/items/%s", version, code)
	}
	w := server.send(t, "exportDeclaration", http.MethodGet, of(2, "cement-cem-i")+"/declaration", "", 200)
	if w.Header().Get("Content-Type") != "application/xml" || w.Header().Get("Content-Disposition") != `attachment; filename="demo-2-cement-cem-i.xml"` {
		t.Errorf("%v", w.Header())
	}
	factors := func(path string) (f struct{ Factors, Factor_data any }) {
		return decode[struct{ Factors, Factor_data any }](t, server.send(t, "getItem", http.MethodGet, path, "", 200))
	}
	again, _ := begin(t, server, `{"from": "demo@1"}`)
	server.send(t, "declareDraftItem", http.MethodPut, again+"/items/cement-cem-i/declaration", w.Body.String(), 200, "If-Match", `"1"`, "Content-Type", "application/xml")
	server.send(t, "patchDraftItem", http.MethodPatch, again+"/items/cement-cem-i", `{"factor_source":{"licence":"no-redistribution"}}`, 200, "If-Match", `"2"`)
	server.send(t, "publishDraft", http.MethodPost, again+"/publication", `{"note":"declared again"}`, 201, "If-Match", `"3"`, "Idempotency-Key", "again")
	if diff := gocmp.Diff(factors(of(2, "cement-cem-i")), factors(of(3, "cement-cem-i"))); diff != "" {
		t.Error(diff)
	}
	withheld := server.send(t, "exportDeclaration", http.MethodGet, of(3, "cement-cem-i")+"/declaration", "", 422)
	if text := withheld.Body.String(); !strings.Contains(text, `"code":"withheld"`) || strings.Contains(text, "0.842") || strings.Contains(text, "0.6153") {
		t.Errorf("%s", text)
	}
	server.send(t, "exportDeclaration", http.MethodGet, of(3, "cement-cem-i")+"/declaration?redistributable=false", "", 200)
	server.send(t, "exportDeclaration", http.MethodGet, of(1, "cement-cem-i")+"/declaration", "", 422) // invented, which nobody declared
	server.send(t, "exportDeclaration", http.MethodGet, of(1, "cement")+"/declaration", "", 404)
	draft, _ = begin(t, server, `{"from":"demo@2"}`)
	bad := strings.Replace(string(read(t, "../inventory/epd/testdata/a2.xml")), "<?xml", "<!DOCTYPE x [<!ENTITY e SYSTEM \"file:///etc/passwd\">]><?xml", 1)
	for name, body := range map[string]string{"an entity": bad, "no data set": "<a/>", "not XML": "{"} {
		w := server.do(request(http.MethodPut, draft+"/items/cement-cem-i/declaration", strings.NewReader(body), "If-Match", `"3"`, "Content-Type", "application/xml"))
		if w.Code != 422 && w.Code != 400 {
			t.Errorf("%s: %d %s", name, w.Code, w.Body)
		}
		problemOf(t, w.Code, w.Header(), w.Body.Bytes())
	}
}
