package api_test

import (
	"encoding/csv"
	"net/http"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/google/go-cmp/cmp"

	"slabledger/api"
)

// gridOf is the study that the contract gives as its example.
func gridOf(t testing.TB) string {
	t.Helper()
	example := contract().Document().Paths.Value("/v1/grids").Post.RequestBody.Value.Content.Get("application/json").Examples["study"]
	text, err := json.Marshal(example.Value.Value)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// A grid is JSON, or a table where the client prefers that (RFC 9110, 12.5.1).
func TestGridInTheFormThatIsAccepted(t *testing.T) {
	server, body := newServer(t, api.Options{}), gridOf(t)
	const jsonType, csvType = "application/json", "text/csv; charset=utf-8"
	for _, c := range []struct{ accept, want string }{
		{"", jsonType}, {"*/*", jsonType}, {"application/json", jsonType}, {"text/*;q=0.5, application/*;q=0.6", jsonType}, {"text/csv;q=0, */*", jsonType},
		{"text/csv;q=0.4, application/json;q=0.41", jsonType}, {"text/csv;q=nan, application/json", jsonType}, {"text/html, application/json;q=0.001", jsonType},
		{"text/csv", csvType}, {"text/csv, */*;q=0.1", csvType}, {"text/csv, */*", csvType}, {"text/*", csvType}, {"application/json;q=0.2, text/csv;q=0.9", csvType},
		{"application/json;q=0, */*", csvType}, {"TEXT/CSV; charset=utf-8", csvType},
	} {
		headers := []string{"Accept", c.accept}
		if c.accept == "" {
			headers = nil
		}
		w := server.do(post("/v1/grids", body, headers...))
		if got := w.Header().Get("Content-Type"); w.Code != http.StatusOK || got != c.want {
			t.Errorf("Accept %q: %d %q", c.accept, w.Code, got)
		}
		checkAnswer(t, "studyGrid", w)
	}
	for _, accept := range []string{"text/html", "*/*;q=0", "text/csv;q=0, application/json;q=0.000, */*", "image/png, text/csv;q=0"} {
		w := server.do(post("/v1/grids", body, "Accept", accept))
		if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); w.Code != http.StatusNotAcceptable || !strings.Contains(p.Detail, "text/csv") {
			t.Errorf("Accept %q: %d %s", accept, w.Code, w.Body)
		}
	}
	// What goes wrong is a problem document, whatever was asked for.
	w := server.do(post("/v1/grids", with(t, body, "/baseline", "nobody"), "Accept", "text/csv"))
	if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); w.Code != http.StatusUnprocessableEntity || p.Errors[0].Pointer != "/baseline" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

// Both forms have the same rows, and each comes out the same again.
func TestGridFormsAgree(t *testing.T) {
	server, body := newServer(t, api.Options{}), gridOf(t)
	var grid struct {
		RequestHash string `json:"request_hash"`
		Rows        []struct {
			Variants []string
			Total    string `json:"total_kg_co2e_per_m2"`
		}
	}
	first := server.do(post("/v1/grids", body)).Body.Bytes()
	if err := json.Unmarshal(first, &grid, json.MatchCaseInsensitiveNames(true)); err != nil {
		t.Fatal(err)
	}
	text := server.do(post("/v1/grids", body, "Accept", "text/csv")).Body.String()
	table, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil || len(table) != 13 || len(grid.Rows) != 12 {
		t.Fatalf("%d lines, %d rows, %v", len(table), len(grid.Rows), err)
	}
	var want, got [][]string
	column := func(name string) int {
		for i, head := range table[0] {
			if head == name {
				return i
			}
		}
		t.Fatalf("no column %s", name)
		return 0
	}
	for i, row := range grid.Rows {
		want = append(want, append(row.Variants, row.Total, grid.RequestHash))
		line := table[i+1]
		got = append(got, append(append([]string{}, line[:3]...), line[column("total_kg_co2e_per_m2")], line[column("request_hash")]))
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("JSON (-) and CSV (+) differ:\n%s", diff)
	}
	again := server.do(post("/v1/grids", body)).Body.Bytes()
	if string(first) != string(again) || text != server.do(post("/v1/grids", body, "Accept", "text/csv")).Body.String() {
		t.Error("the same request has two answers")
	}
}

// A grid that cannot be read or computed is answered with the pointer to every
// member at fault, within the variant that wrote it.
func TestGridTellsEveryFault(t *testing.T) {
	server, body := newServer(t, api.Options{}), gridOf(t)
	type fault struct{ Pointer, Code string }
	for name, c := range map[string]struct {
		pointer string
		value   any
		want    []fault
	}{
		"unknown member":   {"/axes/1/variants/0/colour", "grey", []fault{{"/axes/1/variants/0/colour", "unknown-field"}}},
		"no axes":          {"/axes", []any{}, []fault{{"/axes", "too-few"}}},
		"five axes":        {"/axes", []any{1, 2, 3, 4, 5}, []fault{{"/axes", "too-many"}}},
		"variant unnamed":  {"/axes/2/variants/0/name", nil, []fault{{"/axes/2/variants/0/name", "required-member-missing"}}},
		"no variants":      {"/axes/0/variants", nil, []fault{{"/axes/0/variants", "required-member-missing"}}},
		"bare number":      {"/axes/1/variants/1/mix/add/0/amount", 0.3, []fault{{"/axes/1/variants/1/mix/add/0/amount", "unit-missing"}}},
		"unknown item":     {"/axes/1/variants/1/mix/add/0/item", "fibre-x", []fault{{"/axes/1/variants/1/mix/add/0/item", "item-unknown"}}},
		"ratio of nothing": {"/axes/0/variants/1/mix/by_ratio/replacement/0/share", "0 %", []fault{{"/axes/0/variants/1/mix/by_ratio/replacement/0/share", "out-of-range"}}},
	} {
		t.Run(name, func(t *testing.T) {
			w := server.do(post("/v1/grids", with(t, body, c.pointer, c.value)))
			if w.Code != http.StatusUnprocessableEntity {
				t.Fatalf("%d %s", w.Code, w.Body)
			}
			var found []fault
			for _, e := range problemOf(t, w.Code, w.Header(), w.Body.Bytes()).Errors {
				found = append(found, fault{e.Pointer, e.Code})
			}
			if name == "five axes" {
				found = found[:1] // what follows is about the entries
			}
			if diff := cmp.Diff(c.want, found); diff != "" {
				t.Errorf("want (-), got (+):\n%s", diff)
			}
		})
	}
}
