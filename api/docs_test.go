package api_test

import (
	"bytes"
	"html"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"

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

// article is the description of a schema on the reference page, with the links to
// other schemas as [Name] and without other marks.
func article(t *testing.T, page, name string) string {
	t.Helper()
	text := regexp.MustCompile(`(?s)<article id="schema-` + name + `">.*?</article>`).FindString(page)
	if text == "" {
		t.Fatalf("no schema %s", name)
	}
	text = regexp.MustCompile(`<a href="#schema-\w+">(\w+)</a>`).ReplaceAllString(text, "[$1]")
	text = strings.NewReplacer("<dl>", "(", "</dl>", ")").Replace(text)
	return html.UnescapeString(regexp.MustCompile(`<[^>]+>`).ReplaceAllString(text, ""))
}

// Members lead to the schemas that they name, in lists and alternatives too; those
// of an object without a name stand inside it; and examples are JSON.
func TestDocsDescribeMembers(t *testing.T) {
	page := newServer(t, api.Options{}).do(get("/docs")).Body.String()
	for name, says := range map[string][]string{
		"Slab":               {"or [ThicknessDesign]", "layers list of [Layer], at most 10 entries"},
		"Takes":              {"one of: rest, or list of [Take], 1 to 40 entries"},
		"Stage":              {"takes required [Takes]"},
		"SourceOrNull":       {"[Source]; may be null"},
		"ItemsUsed":          {"price_source required [SourceOrNull]; may be null"},
		"ComparisonRequest":  {"alternatives required list of [Alternative], 2 to 200 entries"},
		"MaintenanceEvent":   {"years list, at most 100 entries, each a whole number from 0 to 1000", "Example: [12,24]"},
		"ServiceLevel":       {"Example: 12000000"},
		"BeamDesignStrength": {"ratio required one of: toughness, by_load; may be null"},
		"TruckTraffic":       {"The share in the design direction. Example: 50 %"},
		"Rounding":           {"step [Length]: quantity in mm, cm, m, km, in, ft, yd, mi", "Example: 5 mm"},
		"DesignStrength":     {"(ASTM C1609). Example: 0.9 MPa"},
	} {
		text := article(t, page, name)
		for _, want := range says {
			if !strings.Contains(text, want) {
				t.Errorf("%s does not say %q:\n%s", name, want, text)
			}
		}
	}
	axes := regexp.MustCompile(`(?s)axes required list of objects, 1 to 4 entries\n[^(]*\(\s*name required \[Name\][^(]*\n\s*variants required list of \[Alternative\]`)
	if text := article(t, page, "GridRequest"); !axes.MatchString(text) {
		t.Errorf("the axes have their members inside:\n%s", text)
	}
	for _, wrong := range []string{"nil&gt;", "e+0", "[]."} {
		if strings.Contains(page, wrong) {
			t.Errorf("the page has %q", wrong)
		}
	}
}

// Operations, their examples, the groups of schemas and the members of each stand
// in the order of the contract.
func TestDocsKeepTheOrderOfTheContract(t *testing.T) {
	page := newServer(t, api.Options{}).do(get("/docs")).Body.String()
	for name, ids := range map[string][]string{
		"operations": {`id="compare"`, "A plain slab, and a thinner fibre slab", "that a method sizes for the same traffic", `id="evaluate"`, `id="studyGrid"`, `id="sizeSlab"`, `id="checkMix"`, `id="testBeams"`, `id="listInventories"`, `id="getItem"`},
		"schemas":    {`id="requests"`, `id="schema-ComparisonRequest"`, `id="schema-EvaluationRequest"`, `id="schema-Alternative"`, `id="schema-Mix"`, `id="answers"`, `id="schema-ThicknessResponse"`, `id="schema-ComparisonResponse"`, `id="schema-Problem"`, `id="texts"`, `id="schema-ItemCode"`, `id="schema-Length"`, `id="schema-Fixed"`},
		"members":    {`id="schema-TransportRule"`, "<code>item</code>", "<code>category</code>", "<code>to</code>", "<code>mode</code>", "<code>distance</code>", "<code>transport</code>", "<code>reason</code>"},
	} {
		at := 0
		for _, id := range ids {
			next := strings.Index(page[at:], id)
			if next < 0 {
				t.Fatalf("%s: %s does not follow", name, id)
			}
			at += next
		}
	}
}

// A member with a meaning of its own has an example of its own: that of a length
// or of a share in general would mislead.
func TestMembersHaveExamplesOfTheirOwn(t *testing.T) {
	raw, err := openapi3.NewLoader().LoadFromData(contract().YAML()) // before references are merged
	if err != nil {
		t.Fatal(err)
	}
	looked := 0
	var walk func(where string, s *openapi3.Schema)
	walk = func(where string, s *openapi3.Schema) {
		for name, p := range s.Properties {
			looked++
			at := where + "." + name
			_, general := map[string]bool{"Ratio": true, "Length": true}[strings.TrimPrefix(p.Ref, "#/components/schemas/")]
			if general {
				t.Errorf("%s has the example of %s", at, p.Ref)
			}
			if p.Ref != "" {
				continue
			}
			if all := p.Value.AllOf; len(all) == 1 && all[0].Value.Example != nil && p.Value.Example == nil {
				t.Errorf("%s has the example %v of %s", at, all[0].Value.Example, all[0].Ref)
			}
			walk(at, p.Value)
		}
		if s.Items != nil && s.Items.Ref == "" {
			walk(where+"[]", s.Items.Value)
		}
	}
	for name, s := range raw.Components.Schemas {
		walk(name, s.Value)
	}
	if looked < 500 {
		t.Errorf("only %d members were looked at", looked)
	}
}

// The contract says which of its two versions is which.
func TestContractTellsItsVersionsApart(t *testing.T) {
	info := contract().Document().Info
	for _, want := range []string{"`info.version`", "`engine_version`"} {
		if !strings.Contains(info.Description, want) {
			t.Errorf("the description does not mention %s", want)
		}
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
