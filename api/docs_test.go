package api_test

import (
	"bytes"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"slabledger/api"
)

var elsewhere = regexp.MustCompile(`(?i)<script|<iframe|<img|\son\w+=|style="|(?:src|href)="(?:https?:)?//|url\(|@import`)

// The reference page has the whole contract and needs nothing but its style
// sheet.
func TestDocs(t *testing.T) {
	server := newServer(t, api.Options{})
	w := server.do(get("/docs"))
	checkAnswer(t, "docs", w)
	page := w.Body.String()
	for _, o := range contract().Operations() {
		for _, want := range []string{`id="` + o.ID + `"`, "<code>" + o.Path + "</code>"} {
			if !strings.Contains(page, want) {
				t.Errorf("%s: no %s", o.ID, want)
			}
		}
	}
	for name := range contract().Document().Components.Schemas {
		if !strings.Contains(page, `id="schema-`+name+`"`) {
			t.Errorf("no schema %s", name)
		}
	}
	for _, link := range regexp.MustCompile(`href="#([^"]+)"`).FindAllStringSubmatch(page, -1) {
		if !strings.Contains(page, `id="`+link[1]+`"`) {
			t.Errorf("#%s leads nowhere", link[1])
		}
	}
	for _, want := range []string{`class="caution"`, "a licensed engineer", "curl -sS http://127.0.0.1:8080/v1/comparisons", "curl -sS http://127.0.0.1:8080/v1/inventories/demo/versions/1/items/cement-cem-i", "quantity in mm, cm, m"} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q", want)
		}
	}
	style := server.do(get("/docs/style.css"))
	if found := elsewhere.FindString(page + style.Body.String()); found != "" {
		t.Errorf("the page has %q", found)
	}
	if !strings.Contains(style.Body.String(), "@media print") {
		t.Error("the style sheet has no rules for print")
	}
}

// Examples on the page are in the order of the contract: a name comes first.
func TestDocsExamplesReadWell(t *testing.T) {
	page := newServer(t, api.Options{}).do(get("/docs")).Body.String()
	at := -1
	for _, member := range []string{"inventory", "functional_unit", "economics", "baseline", "alternatives", "name", "mix", "constituents", "slab", "transport", "construction", "maintenance", "residual"} {
		next := strings.Index(page[at+1:], "&#34;"+member+"&#34;:")
		if next < 0 {
			t.Fatalf("%s does not follow", member)
		}
		at += 1 + next
	}
}

// Every type of problem is a page that says what to do.
func TestProblemPages(t *testing.T) {
	server := newServer(t, api.Options{})
	docs := server.do(get("/docs")).Body.String()
	seen := map[string]bool{}
	for _, k := range api.Kinds() {
		if seen[k.Code] || k.Status < 400 || k.Meaning == "" || k.Remedy == "" {
			t.Errorf("%+v", k)
		}
		seen[k.Code] = true
		w := server.do(get(k.Type()))
		if w.Code != http.StatusOK || !strings.Contains(w.Body.String(), k.Title) || elsewhere.MatchString(w.Body.String()) {
			t.Errorf("%s: %d", k.Type(), w.Code)
		}
		if !strings.Contains(docs, `href="`+k.Type()+`"`) {
			t.Errorf("%s is not on the reference page", k.Code)
		}
	}
}

// The contract is served as it was loaded.
func TestContractIsServed(t *testing.T) {
	server := newServer(t, api.Options{})
	w := server.do(get("/openapi.yaml"))
	if !bytes.Equal(w.Body.Bytes(), contract().YAML()) || w.Header().Get("ETag") == "" {
		t.Errorf("%d bytes, ETag %s", w.Body.Len(), w.Header().Get("ETag"))
	}
	if w := server.do(get("/openapi.yaml", "If-None-Match", w.Header().Get("ETag"))); w.Code != http.StatusNotModified {
		t.Errorf("again: %d", w.Code)
	}
}
