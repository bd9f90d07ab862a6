package api_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"slabledger/api"
	"slabledger/inventory"
	"slabledger/service"
)

// studyAnswer is a study as a client reads it.
type studyAnswer struct {
	ID            string   `json:"id"`
	Name          string   `json:"name"`
	Tags          []string `json:"tags"`
	Inventory     string   `json:"inventory"`
	EngineVersion string   `json:"engine_version"`
	RequestHash   string   `json:"request_hash"`
	ResultHash    string   `json:"result_hash"`
	Items         []string `json:"items"`
	Alternatives  []struct {
		Name        string `json:"name"`
		ThicknessMM string `json:"thickness_mm"`
		NPV         string `json:"net_present_value_per_m2"`
		Initial     string `json:"initial_per_m2"`
		TotalCarbon string `json:"total_kg_co2e_per_m2"`
		CradleGate  string `json:"cradle_to_gate_kg_co2e_per_m2"`
	} `json:"alternatives"`
}

type refAnswer struct {
	Ref string `json:"ref"`
}

// rerunAnswer is a study on another version as a client reads it.
type rerunAnswer struct {
	From        refAnswer `json:"from"`
	To          refAnswer `json:"to"`
	Reproduced  bool      `json:"reproduced"`
	ResultHash  string    `json:"result_hash"`
	Differences []struct {
		Alternative string `json:"alternative"`
		Measures    []struct {
			Measure    string `json:"measure"`
			Before     string `json:"before"`
			After      string `json:"after"`
			Difference string `json:"difference"`
			Parts      []struct {
				Items      []string            `json:"items"`
				Moved      string              `json:"moved"`
				Fields     []map[string]string `json:"fields"`
				Difference string              `json:"difference"`
			} `json:"parts"`
		} `json:"measures"`
	} `json:"differences"`
}

func studyBody(name, request string, tags ...string) string {
	text, _ := json.Marshal(append([]string{}, tags...)) // of texts
	return fmt.Sprintf(`{"name":%q,"tags":%s,"request":%s}`, name, text, request)
}

// save saves a study and returns where it stands.
func save(t testing.TB, server fixture, name, request string, tags ...string) string {
	t.Helper()
	w := server.do(post("/v1/studies", studyBody(name, request, tags...), "Idempotency-Key", newName()))
	checkAnswer(t, "createStudy", w)
	if w.Code != http.StatusCreated {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	return w.Header().Get("Location")
}

func asked[T any](t testing.TB, server fixture, operationID string, r *http.Request) (into T) {
	t.Helper()
	w := server.do(r)
	checkAnswer(t, operationID, w)
	if err := json.Unmarshal(w.Body.Bytes(), &into); err != nil || w.Code != http.StatusOK {
		t.Fatalf("%d %v %s", w.Code, err, w.Body)
	}
	return into
}

// A study shows the figures of its comparison, and its result is that of the
// comparison, byte for byte.
func TestStudyIsItsComparison(t *testing.T) {
	server := newServer(t, api.Options{})
	direct := server.do(post("/v1/comparisons", demo(t)))
	var want struct {
		RequestHash  string `json:"request_hash"`
		Alternatives []struct {
			Name      string `json:"name"`
			Thickness string `json:"thickness_mm"`
			Carbon    struct {
				Total string `json:"total_kg_co2e_per_m2"`
				Gate  string `json:"cradle_to_gate_kg_co2e_per_m2"`
			} `json:"carbon"`
			Cost struct {
				NPV     string `json:"net_present_value_per_m2"`
				Initial string `json:"initial_per_m2"`
			} `json:"cost"`
		} `json:"alternatives"`
	}
	if err := json.Unmarshal(direct.Body.Bytes(), &want); err != nil {
		t.Fatal(err)
	}
	address := save(t, server, "Quay", demo(t), "b", "a", "b")
	study := asked[studyAnswer](t, server, "getStudy", get(address))
	sum := sha256.Sum256(direct.Body.Bytes())
	if study.ResultHash != hex.EncodeToString(sum[:]) || study.RequestHash != want.RequestHash || study.Inventory != "demo@1" ||
		study.EngineVersion != service.EngineVersion || !slices.Equal(study.Tags, []string{"a", "b"}) || !slices.Contains(study.Items, "cement-cem-i") {
		t.Errorf("%+v", study)
	}
	for i, a := range want.Alternatives {
		got := study.Alternatives[i]
		if got.Name != a.Name || got.ThicknessMM != a.Thickness || got.TotalCarbon != a.Carbon.Total || got.CradleGate != a.Carbon.Gate || got.NPV != a.Cost.NPV || got.Initial != a.Cost.Initial {
			t.Errorf("%+v, want %+v", got, a)
		}
	}
	w := server.do(get(address + "/result"))
	checkAnswer(t, "studyResult", w)
	if !bytes.Equal(w.Body.Bytes(), direct.Body.Bytes()) || w.Header().Get("ETag") != `"`+study.ResultHash+`"` || w.Header().Get("Study-Moved") != "" {
		t.Errorf("%d %s %s", w.Code, w.Header().Get("ETag"), w.Header().Get("Study-Moved"))
	}
	if w := server.do(request(http.MethodGet, address+"/result", nil, "If-None-Match", w.Header().Get("ETag"))); w.Code != http.StatusNotModified {
		t.Errorf("again: %d", w.Code)
	}
}

// A study of an older program is computed by the program of today, which says so.
func TestStudyOfAnotherEngine(t *testing.T) {
	server := newServer(t, api.Options{})
	study, err := service.New(server.store).Study(t.Context(), strings.TrimPrefix(save(t, server, "Quay", demo(t)), "/v1/studies/"))
	if err != nil {
		t.Fatal(err)
	}
	study.ID, study.EngineVersion, study.ResultHash = "old", "0.0.9", strings.Repeat("0", 64)
	if err := server.store.CreateStudy(t.Context(), study, []byte(demo(t)), inventory.Change{Actor: "local", Action: "create-study", Target: "old", At: study.CreatedAt}); err != nil {
		t.Fatal(err)
	}
	w := server.do(get("/v1/studies/old/result"))
	if moved := w.Header().Get("Study-Moved"); w.Code != 200 || moved != "engine version moved from 0.0.9 to "+service.EngineVersion {
		t.Errorf("%d %q", w.Code, moved)
	}
	if r := asked[rerunAnswer](t, server, "rerunStudy", post("/v1/studies/old/rerun", `{"inventory":"demo@1"}`)); r.Reproduced {
		t.Error("what another program saved is said to be reproduced")
	}
}

// What is wrong with a study is told, all of it.
func TestStudyIsChecked(t *testing.T) {
	server := newServer(t, api.Options{})
	for name, c := range map[string]struct {
		body string
		want []string // pointer and code
	}{
		"an inventory without a version": {studyBody("Quay", with(t, demo(t), "/inventory", "demo")), []string{"/request/inventory inventory-not-pinned"}},
		"with another fault":             {studyBody("Quay", with(t, with(t, demo(t), "/inventory", "demo"), "/functional_unit/area", "0 m2")), []string{"/request/inventory inventory-not-pinned", "/request/functional_unit/area out-of-range"}},
		"a version that is not":          {studyBody("Quay", with(t, demo(t), "/inventory", "demo@9")), []string{"/request/inventory inventory-unknown"}},
		"no name":                        {`{"request":` + demo(t) + `}`, []string{"/name required-member-missing"}},
		"names with space around":        {studyBody(" Quay", demo(t), "a "), []string{"/name text-invalid", "/tags/0 text-invalid"}},
		"no request":                     {`{"name":"Quay"}`, []string{"/request required-member-missing"}},
	} {
		w := server.do(post("/v1/studies", c.body, "Idempotency-Key", newName()))
		p := problemOf(t, w.Code, w.Header(), w.Body.Bytes())
		var at []string
		for _, e := range p.Errors {
			at = append(at, e.Pointer+" "+e.Code)
		}
		for _, want := range c.want {
			if w.Code != 422 || !slices.Contains(at, want) {
				t.Errorf("%s: %d, %v, want %s", name, w.Code, at, want)
			}
		}
	}
	if list := server.do(get("/v1/studies")); !strings.Contains(list.Body.String(), `"studies":[]`) {
		t.Errorf("something was saved: %s", list.Body)
	}
}

// A study is saved once, described at its revision, and deleted for ever.
func TestStudyIsEdited(t *testing.T) {
	server := newServer(t, api.Options{})
	r := func() *http.Request {
		return post("/v1/studies", studyBody("Quay", demo(t), "harbour"), "Idempotency-Key", "once")
	}
	first, second := server.do(r()), server.do(r())
	if second.Code != 201 || second.Header().Get("Idempotent-Replayed") != "true" || first.Header().Get("Location") != second.Header().Get("Location") {
		t.Errorf("%d %v", second.Code, second.Header())
	}
	address := first.Header().Get("Location")
	edit := func(status int, body string, headers ...string) {
		t.Helper()
		w := server.do(request(http.MethodPatch, address, strings.NewReader(body), append(headers, "Content-Type", "application/json")...))
		checkAnswer(t, "describeStudy", w)
		if w.Code != status {
			t.Errorf("%s: %d %s", body, w.Code, w.Body)
		}
	}
	edit(428, `{"name":"Pier"}`)
	edit(412, `{"name":"Pier"}`, "If-Match", `"2"`)
	edit(422, `{"request":{}}`, "If-Match", `"1"`)
	edit(200, `{"name":"Pier"}`, "If-Match", `"1"`)
	edit(200, `{"tags":[]}`, "If-Match", `"2"`)
	if study := asked[studyAnswer](t, server, "getStudy", get(address)); study.Name != "Pier" || len(study.Tags) != 0 {
		t.Errorf("%+v", study)
	}
	if w := server.do(request(http.MethodDelete, address, nil, "If-Match", `"2"`)); w.Code != 412 {
		t.Errorf("deleting what has changed: %d", w.Code)
	}
	if w := server.do(request(http.MethodDelete, address, nil, "If-Match", `"3"`)); w.Code != 204 {
		t.Errorf("deleting: %d", w.Code)
	}
	for _, path := range []string{address, address + "/result"} {
		if w := server.do(get(path)); w.Code != 404 {
			t.Errorf("%s: %d", path, w.Code)
		}
	}
	entries, err := server.store.Journal(t.Context(), 0, 100)
	if err != nil {
		t.Fatal(err)
	}
	var actions []string
	for _, e := range entries[len(entries)-4:] {
		actions = append(actions, e.Action)
	}
	if diff := cmp.Diff([]string{"create-study", "edit-study", "edit-study", "delete-study"}, actions); diff != "" {
		t.Error(diff)
	}
}

// Studies are found by what they are about, sorted, and paged.
func TestStudiesAreFound(t *testing.T) {
	server := newServer(t, api.Options{})
	for n, thickness := range []string{"240 mm", "300 mm", "180 mm"} {
		save(t, server, []string{"b", "A", "c"}[n], with(t, demo(t), "/alternatives/0/slab/thickness", thickness), []string{"harbour", "harbour", "road"}[n])
	}
	for query, want := range map[string]string{
		"":                                    "c A b",
		"order=ascending":                     "b A c",
		"sort=name":                           "A b c",
		"sort=name&order=descending":          "c b A",
		"sort=name&tag=harbour":               "A b",
		"sort=name&text=ROAD":                 "c",
		"sort=name&inventory=demo":            "A b c",
		"inventory=demo%402":                  "",
		"sort=name&region=QZ":                 "A b c",
		"sort=region":                         "A b c",
		"region=XB":                           "",
		"sort=name&item=cement-cem-i":         "A b c",
		"item=cement":                         "",
		"thickness_min=299&thickness_max=301": "A",
		"thickness_max=180":                   "c",
		"sort=thickness":                      "c",
		"carbon_min=100000":                   "",
		"currency=EUR&cost_max=0":             "",
		"sort=name&currency=EUR&cost_min=0":   "A b c",
		"sort=cost":                           "c",
		"sort=carbon":                         "c",
	} {
		var got []string
		for next := "/v1/studies?limit=1&" + query; next != "" && len(got) < 9; {
			list := asked[struct {
				Studies []studyAnswer `json:"studies"`
				Links   struct {
					Next string `json:"next"`
				} `json:"links"`
			}](t, server, "listStudies", get(next))
			for _, study := range list.Studies {
				got = append(got, study.Name)
			}
			next = list.Links.Next
		}
		words := strings.Fields(want)
		switch {
		case query == "sort=region": // all are of one, and so in the order of their ids
			if slices.Sort(got); !slices.Equal(got, words) {
				t.Errorf("%s: %v", query, got)
			}
		case strings.HasPrefix(query, "sort=cost"), strings.HasPrefix(query, "sort=carbon"), strings.HasPrefix(query, "sort=thickness"):
			if len(got) != 3 || got[0] != words[0] { // the thinnest slab is the least of all
				t.Errorf("%s: %v", query, got)
			}
		case !slices.Equal(got, words):
			t.Errorf("%s: %v, want %s", query, got, want)
		}
	}
	for _, query := range []string{"sort=price", "thickness_min=1e3", "cost_max=1", "inventory=Demo%401", "carbon_max=" + url.QueryEscape("1 kg")} {
		if w := server.do(get("/v1/studies?" + query)); w.Code != 422 {
			t.Errorf("%s: %d %s", query, w.Code, w.Body)
		}
	}
}

// newer publishes demo@2 with some cells of demo@1 changed, by item and column.
func newer(t testing.TB, server fixture, cells map[string]map[string]string) {
	t.Helper()
	svc := service.New(server.store)
	v, err := svc.Version(t.Context(), "demo", 1)
	if err != nil {
		t.Fatal(err)
	}
	items := slices.Clone(v.Items)
	for code, columns := range cells {
		i := slices.IndexFunc(items, func(it inventory.Item) bool { return it.Code == code })
		if i < 0 {
			t.Fatalf("there is no %s", code)
		}
		items[i].Factors = maps.Clone(items[i].Factors)
		if items[i].Price != nil {
			price := *items[i].Price
			items[i].Price = &price
		}
		for _, c := range inventory.Columns() {
			text, given := columns[c.Name]
			if !given {
				continue
			}
			if err := c.Set(&items[i], text); err != nil {
				t.Fatal(code, c.Name, err)
			}
		}
	}
	var table bytes.Buffer
	if err := inventory.WriteCSV(&table, items); err != nil {
		t.Fatal(err)
	}
	if _, _, err := svc.Import(t.Context(), "demo", v.Meta, &table, "moved"); err != nil {
		for _, f := range service.Faults(err) {
			t.Log(f)
		}
		t.Fatal(err)
	}
}

// On a newer version the difference of each figure is shared among the items that
// moved, to the last digit.
func TestStudyOnANewerVersion(t *testing.T) {
	server := newServer(t, api.Options{})
	address := save(t, server, "Quay", demo(t))
	newer(t, server, map[string]map[string]string{
		"cement-cem-i":      {"price": "0.1501", "gwp_a1_a3": "0.7013"},
		"fibre-pp-macro":    {"price": "4.05"},
		"lorry-articulated": {"gwp_process": "0.0713"},
		"gravel-20":         {"density_kg_per_m3": "2700"},
	})
	direct := server.do(post("/v1/comparisons", with(t, demo(t), "/inventory", "demo@2")))
	r := asked[rerunAnswer](t, server, "rerunStudy", post(address+"/rerun", `{"inventory":"demo@2"}`))
	sum := sha256.Sum256(direct.Body.Bytes())
	if !r.Reproduced || r.From.Ref != "demo@1" || r.To.Ref != "demo@2" || r.ResultHash != hex.EncodeToString(sum[:]) {
		t.Fatalf("%d %s: %+v", direct.Code, direct.Body.String()[:200], r)
	}
	study := asked[studyAnswer](t, server, "getStudy", get(address))
	after := asked[studyAnswer](t, server, "getStudy", get(save(t, server, "after", with(t, demo(t), "/inventory", "demo@2"))))
	moved := map[string]bool{}
	for i, d := range r.Differences {
		for _, m := range d.Measures {
			total := decimal.Zero
			for _, part := range m.Parts {
				total = total.Add(decimal.RequireFromString(part.Difference))
				moved[strings.Join(part.Items, ",")+" "+part.Moved] = true
				if len(part.Items) == 1 && len(part.Fields) == 0 {
					t.Errorf("%s: %s has no fields", d.Alternative, part.Items)
				}
			}
			a, b, difference := decimal.RequireFromString(m.Before), decimal.RequireFromString(m.After), decimal.RequireFromString(m.Difference)
			if !total.Equal(difference) || !b.Sub(a).Equal(difference) {
				t.Errorf("%s, %s: the parts come to %s, the difference is %s", d.Alternative, m.Measure, total, difference)
			}
			was := map[string]string{"net_present_value": study.Alternatives[i].NPV, "initial_cost": study.Alternatives[i].Initial, "total_carbon": study.Alternatives[i].TotalCarbon, "cradle_to_gate_carbon": study.Alternatives[i].CradleGate}
			is := map[string]string{"net_present_value": after.Alternatives[i].NPV, "initial_cost": after.Alternatives[i].Initial, "total_carbon": after.Alternatives[i].TotalCarbon, "cradle_to_gate_carbon": after.Alternatives[i].CradleGate}
			if m.Before != was[m.Measure] || m.After != is[m.Measure] {
				t.Errorf("%s, %s: %s to %s, want %s to %s", d.Alternative, m.Measure, m.Before, m.After, was[m.Measure], is[m.Measure])
			}
		}
	}
	if diff := cmp.Diff([]string{"cement-cem-i factor", "cement-cem-i price", "fibre-pp-macro price", "gravel-20 other", "lorry-articulated factor"}, slices.Sorted(maps.Keys(moved))); diff != "" {
		t.Errorf("what moved, want (-), got (+):\n%s", diff)
	}
}

// On the version that it has, nothing of a study moves.
func TestStudyOnTheSameVersion(t *testing.T) {
	server := newServer(t, api.Options{})
	address := save(t, server, "Quay", demo(t))
	r := asked[rerunAnswer](t, server, "rerunStudy", post(address+"/rerun", `{"inventory":"demo@1"}`))
	for _, d := range r.Differences {
		for _, m := range d.Measures {
			if m.Difference != "0.000000" || len(m.Parts) != 0 {
				t.Errorf("%s, %s moved by %s", d.Alternative, m.Measure, m.Difference)
			}
		}
	}
	for body, want := range map[string]int{`{"inventory":"demo"}`: 422, `{"inventory":"demo@9"}`: 422, `{}`: 422} {
		if w := server.do(post(address+"/rerun", body)); w.Code != want {
			t.Errorf("%s: %d %s", body, w.Code, w.Body)
		}
	}
	if w := server.do(post("/v1/studies/absent/rerun", `{"inventory":"demo@1"}`)); w.Code != 404 {
		t.Errorf("a study that is not: %d", w.Code)
	}
}

// What is wrong in one part of a study hides nothing of another.
func TestStudyTellsEveryFault(t *testing.T) {
	server := newServer(t, api.Options{})
	request := with(t, with(t, demo(t), "/inventory", "demo@1"), "/baseline", "nobody")
	for name, c := range map[string]struct {
		name, tags string
		want       []string
	}{
		"a tag that the contract refuses": {" a", `["b\u202e"]`, []string{"/name", "/request/baseline", "/tags/0"}},
		"a tag of no width":               {"a\u200b", `["b\u2060"]`, []string{"/name", "/request/baseline", "/tags/0"}},
		"a tag of another type":           {"a\u3164b", `[1]`, []string{"/name", "/request/baseline", "/tags/0"}},
		"all well but the request":        {"a", `["b"]`, []string{"/request/baseline"}},
	} {
		w := server.do(post("/v1/studies", fmt.Sprintf(`{"name":"%s","tags":%s,"request":%s}`, c.name, c.tags, request), "Idempotency-Key", newName()))
		var found []string
		for _, e := range problemOf(t, w.Code, w.Header(), w.Body.Bytes()).Errors {
			found = append(found, e.Pointer)
		}
		slices.Sort(found)
		if diff := cmp.Diff(c.want, found); diff != "" || w.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d, want (-), got (+):\n%s", name, w.Code, diff)
		}
	}
}

// A search for studies that can find none, or that has what nobody writes, is refused.
func TestStudyQueryTellsItsFaults(t *testing.T) {
	server := newServer(t, api.Options{})
	for query, want := range map[string]string{
		"carbon_min=3&carbon_max=2":              "/query/carbon_max",
		"thickness_min=200.1&thickness_max=200":  "/query/thickness_max",
		"cost_min=10&cost_max=9.99&currency=EUR": "/query/cost_max",
		"region=%00":                             "/query/region",
		"text=a%E2%80%AEb":                       "/query/text",
		"carbon_min=3&carbon_max=3":              "",
		"cost_min=-1&cost_max=1e0&currency=EUR":  "/query/cost_max",
	} {
		w := server.do(get("/v1/studies?" + query))
		if want == "" {
			if w.Code != http.StatusOK {
				t.Errorf("%s: %d %s", query, w.Code, w.Body)
			}
			continue
		}
		p := problemOf(t, w.Code, w.Header(), w.Body.Bytes())
		if w.Code != http.StatusUnprocessableEntity || len(p.Errors) != 1 || p.Errors[0].Pointer != want {
			t.Errorf("%s: %d %+v", query, w.Code, p)
		}
	}
}
