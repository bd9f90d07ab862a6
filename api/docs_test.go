package api_test

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"html"
	"io"
	"mime/multipart"
	"net/http"
	"net/textproto"
	"path"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/go-json-experiment/json"

	"slabledger/api"
	"slabledger/inventory"
	"slabledger/service"
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
		if o.Page() {
			continue
		}
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
	style := server.do(get(html.UnescapeString(regexp.MustCompile(`<link rel="stylesheet" href="([^"]+)">`).FindStringSubmatch(page)[1])))
	if found := elsewhere.FindString(page + style.Body.String()); found != "" {
		t.Errorf("the page has %q", found)
	}
	if !strings.Contains(style.Body.String(), "@media print") {
		t.Error("the style sheet has no rules for print")
	}
}

// Each operation says which role it needs, and the commands on the page work: with a
// key of that very role, and without one while there are none.
func TestDocsCommandsWork(t *testing.T) {
	shared := map[bool]prepared{false: newPrepared(t, false), true: newPrepared(t, true)}
	page := shared[false].do(get("/docs")).Body.String()
	v, err := service.New(shared[false].store).Version(t.Context(), "demo", 1)
	if err != nil {
		t.Fatal(err)
	}
	var table, workbook bytes.Buffer
	if err := errors.Join(inventory.WriteCSV(&table, v.Items), inventory.WriteXLSX(&workbook, v.Items)); err != nil {
		t.Fatal(err)
	}
	files := map[string]string{"file.csv": table.String(), "file.tsv": "code\tcategory\tname\tunit\nx\twater\tX\tkg\n", "file.xlsx": workbook.String(),
		"uploadItems/file.json":      `{"items":[{"code":"x","category":"water","name":"X","unit":"kg"}]}`,
		"declareDraftItem/file.json": string(read(t, "../inventory/epd/testdata/a2.json")), "file.xml": string(read(t, "../inventory/epd/testdata/a2.xml"))}
	files["verify/file.json"] = shared[false].do(post("/v1/bundles", `{"comparison":`+demo(t)+`}`)).Body.String()
	ran := 0
	for _, o := range contract().Operations() {
		if o.Page() {
			continue
		}
		article := regexp.MustCompile(`(?s)<article id="` + o.ID + `">.*?</article>`).FindString(page)
		says := "Open to all, without a key"
		if o.Role != "" {
			says = "Role: <strong>" + string(o.Role) + "</strong>"
		}
		if !strings.Contains(article, says) {
			t.Errorf("%s does not say %q", o.ID, says)
		}
		commands := regexp.MustCompile(`(?s)<pre[^>]*>(curl .*?)</pre>`).FindAllStringSubmatch(article, -1)
		if len(commands) == 0 {
			t.Errorf("%s has no command", o.ID)
		}
		for _, found := range commands {
			for _, keyed := range []bool{false, true} {
				command := html.UnescapeString(found[1])
				if !keyed {
					if strings.Contains(command, "/v1/keys/") {
						continue // there are none
					}
					command = regexp.MustCompile(`( \\\n )? -H "Authorization: Bearer \$KEY"`).ReplaceAllString(command, "")
				}
				server := shared[keyed]
				if o.Method != http.MethodGet && o.Role != inventory.Viewer { // what it stores is in no other's way
					server = newPrepared(t, keyed)
				}
				command = strings.NewReplacer("$KEY", server.secrets[o.Role], "k3v9x2m7q4ab", server.draft, "key-3f9a0c2b71de", server.key).Replace(command)
				w := server.do(requestOf(t, command, func(name string) string {
					return cmp.Or(exampleOf(t, o, strings.TrimSuffix(name, ".json")), files[o.ID+"/"+name], files[name])
				}))
				if w.Code >= 400 {
					t.Errorf("%s, keys %v:\n%s\n%d %s", o.ID, keyed, command, w.Code, w.Body)
				}
				ran++
			}
		}
	}
	if ran < 100 {
		t.Errorf("only %d commands ran", ran)
	}
}

// endedJob stores a job of the id that the examples of the contract name, with its
// result.
func endedJob(t testing.TB, store inventory.Store) {
	t.Helper()
	answer, err := service.New(store).Compare(t.Context(), read(t, "../testdata/demo/comparison.json"))
	if err != nil {
		t.Fatal(err)
	}
	result, err := service.Encode(answer)
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(result)
	j := inventory.Job{ID: "j8c2w5n4t7xd", Actor: "local", Operation: "comparison", Inventory: "demo@1", QueuedAt: "2026-03-01T10:00:00.000000Z"}
	c := inventory.Change{Actor: j.Actor, Action: inventory.ActionCreateJob, Target: j.ID, At: j.QueuedAt}
	if err := store.CreateJob(t.Context(), j, []byte("{}"), 1, c); err != nil {
		t.Fatal(err)
	}
	if _, _, err := store.BeginJob(t.Context(), j.ID, j.QueuedAt); err != nil {
		t.Fatal(err)
	}
	if err := store.EndJob(t.Context(), j.ID, 1, inventory.JobOutcome{Result: result, ResultHash: hex.EncodeToString(sum[:]), At: j.QueuedAt}); err != nil {
		t.Fatal(err)
	}
}

// savedStudy stores the study of the id that the examples of the contract name, at its
// third revision.
func savedStudy(t testing.TB, store inventory.Store) {
	t.Helper()
	request := read(t, "../testdata/demo/comparison.json")
	svc := service.New(store)
	made, err := svc.CreateStudy(t.Context(), nil, service.NewStudy{Name: "Demo", Request: request})
	if err != nil {
		t.Fatal(err)
	}
	study := made
	study.ID = "s6m3k8p2v9wz"
	c := inventory.Change{Actor: "local", Action: inventory.ActionCreateStudy, Target: study.ID, At: study.CreatedAt}
	if err := store.CreateStudy(t.Context(), study, request, c); err != nil {
		t.Fatal(err)
	}
	for revision := 1; revision < 3; revision++ {
		if err := store.DescribeStudy(t.Context(), study.ID, revision, study.Name, study.Tags, c); err != nil {
			t.Fatal(err)
		}
	}
	if err := store.DeleteStudy(t.Context(), made.ID, 1, c); err != nil {
		t.Fatal(err)
	}
}

// prepared is a server with what the examples of the contract name: a job that is
// done, a study, a draft at its third revision and, unless there are to be none, a key of each role.
type prepared struct {
	fixture
	draft, key string // their ids
	secrets    map[inventory.Role]string
}

func newPrepared(t testing.TB, keyed bool) prepared {
	t.Helper()
	now := time.Now()
	e := prepared{fixture: newServer(t, api.Options{Now: func() time.Time { return now }}), secrets: map[inventory.Role]string{}}
	e.publish(t, "declared", "code,category,name,unit,gwp_a1_a3,factor_source_kind,factor_source_title,factor_source_publisher,factor_valid_until\n"+
		"cement-cem-i,cement,Cement,kg,0.8,epd,Cement (invented),Binder Works (invented),2030-12-31\n")
	address, _ := begin(t, e.fixture, `{"from":"demo@1"}`)
	e.draft = path.Base(address)
	for n, price := range []string{"0.125", "0.126"} {
		e.send(t, "patchDraftItem", http.MethodPatch, address+"/items/cement-cem-i", `{"price":{"amount":"`+price+`"}}`, http.StatusOK, "If-Match", fmt.Sprintf(`"%d"`, n+1))
	}
	endedJob(t, e.store)
	savedStudy(t, e.store)
	if !keyed {
		return e
	}
	for _, role := range inventory.Roles() {
		k, secret, err := service.New(e.store).CreateKey(t.Context(), service.NewKey{Name: "x", Role: string(role)}, nil)
		if err != nil {
			t.Fatal(err)
		}
		e.key, e.secrets[role] = k.ID, secret
	}
	now = now.Add(time.Minute) // until the first key is known
	return e
}

// exampleOf is the body of an example in the contract, empty where there is none of
// that name.
func exampleOf(t testing.TB, o api.Operation, name string) string {
	t.Helper()
	body := contract().Document().Paths.Value(o.Path).GetOperation(o.Method).RequestBody
	if body == nil || body.Value.Content.Get("application/json") == nil {
		return ""
	}
	example := body.Value.Content.Get("application/json").Examples[name]
	if example == nil {
		return ""
	}
	text, err := json.Marshal(example.Value.Value)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// requestOf is the request that a curl command makes, with files by their names.
func requestOf(t testing.TB, command string, file func(string) string) *http.Request {
	t.Helper()
	given := func(value string) string {
		if name, isFile := strings.CutPrefix(value, "@"); isFile {
			if value = file(name); value == "" {
				t.Fatalf("%s: there is no file %s", command, name)
			}
		}
		return value
	}
	method, address, body := http.MethodGet, "", ""
	var headers []string
	var form bytes.Buffer
	parts := multipart.NewWriter(&form)
	words := wordsOf(t, command)
	for i := 1; i < len(words); i++ {
		word := words[i]
		if !strings.HasPrefix(word, "-") {
			address = strings.TrimPrefix(word, "http://127.0.0.1:8080")
			continue
		}
		if word == "-sS" {
			continue
		}
		i++
		switch word {
		case "-X":
			method = words[i]
		case "-H":
			name, value, _ := strings.Cut(words[i], ": ")
			headers = append(headers, name, value)
		case "--data-binary":
			body = given(words[i])
		case "-F":
			name, value, _ := strings.Cut(words[i], "=")
			header := textproto.MIMEHeader{"Content-Disposition": {`form-data; name="` + name + `"`}}
			if strings.HasPrefix(value, "@") {
				header.Set("Content-Disposition", header.Get("Content-Disposition")+`; filename="`+value[1:]+`"`)
			}
			part, err := parts.CreatePart(header)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := io.WriteString(part, given(value)); err != nil {
				t.Fatal(err)
			}
		default:
			t.Fatalf("%s: what is %s?", command, word)
		}
	}
	if form.Len() > 0 {
		if err := parts.Close(); err != nil {
			t.Fatal(err)
		}
		body, headers = form.String(), append(headers, "Content-Type", parts.FormDataContentType())
	}
	if body != "" && method == http.MethodGet {
		method = http.MethodPost
	}
	return request(method, address, strings.NewReader(body), headers...)
}

// wordsOf splits a command as a shell does: at spaces and behind a backslash at the
// end of a line, but not inside quotes.
func wordsOf(t testing.TB, command string) []string {
	t.Helper()
	var words []string
	for _, found := range regexp.MustCompile(`(?:'[^']*'|"[^"]*"|[^\s'"\\]+)+`).FindAllString(strings.ReplaceAll(command, "\\\n", " "), -1) {
		words = append(words, regexp.MustCompile(`'([^']*)'|"([^"]*)"`).ReplaceAllString(found, "$1$2"))
	}
	if len(words) < 2 || words[0] != "curl" {
		t.Fatalf("no command: %s", command)
	}
	return words
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
