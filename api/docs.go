package api

import (
	"bytes"
	"cmp"
	"embed"
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"strings"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/labstack/echo/v4"

	"slabledger/service"
)

//go:embed assets
var assets embed.FS

// pages are rendered once, when the server is made.
type pages struct {
	docs     []byte
	style    []byte
	problems map[string][]byte // by code
}

func (s *Server) routeDocs() {
	s.route(http.MethodGet, "/", "home", func(c echo.Context) error { return c.Redirect(http.StatusFound, "/docs") })
	s.route(http.MethodGet, "/docs", "docs", func(c echo.Context) error { return sendPage(c, s.pages.docs) })
	s.route(http.MethodGet, "/docs/style.css", "docsStyle", func(c echo.Context) error {
		c.Response().Header().Set("Cache-Control", "no-cache")
		return sendTagged(c, "text/css; charset=utf-8", etag(s.pages.style), s.pages.style)
	})
	s.route(http.MethodGet, "/docs/problems/:code", "docsProblem", func(c echo.Context) error {
		page, known := s.pages.problems[c.Param("code")]
		if !known {
			return &service.Error{Code: service.NotFound, Detail: "There is no such type of problem."}
		}
		return sendPage(c, page)
	})
	s.route(http.MethodGet, "/openapi.yaml", "contract", func(c echo.Context) error {
		c.Response().Header().Set("Cache-Control", "no-cache")
		return sendTagged(c, "application/yaml", etag(s.contract.yaml), s.contract.yaml)
	})
}

// sendPage writes a page that may load our style sheet and nothing else.
func sendPage(c echo.Context, page []byte) error {
	h := c.Response().Header()
	h.Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
	h.Set("Cache-Control", "no-cache")
	return sendTagged(c, "text/html; charset=utf-8", etag(page), page)
}

// What the templates see.
type (
	docsView struct {
		Title   string
		Version string
		Texts   []string
		Caution string // shown apart
		Groups  []docsGroup
		Members []docsSchemas
		Kinds   []Kind
	}
	docsGroup struct {
		Name, Text string
		Operations []docsOperation
	}
	docsOperation struct {
		Operation
		Summary    string
		Texts      []string
		Parameters []docsParameter
		Body       string // name of the schema
		Examples   []docsExample
		Curl       string // of an operation without a body
		Responses  []docsResponse
	}
	docsParameter struct {
		Name, In, Text, Example string
		Type                    []docsTerm
		Required                bool
	}
	docsExample  struct{ Name, Summary, JSON, Curl string }
	docsResponse struct{ Status, Text, Schema, Media string }
	docsSchemas  struct { // the schemas of one part of the contract
		ID, Name string
		Schemas  []docsSchema
	}
	docsSchema struct {
		Name, Text, Example string
		Type                []docsTerm
		Members             []docsMember
	}
	docsMember struct {
		Name, Text, Example string
		Type                []docsTerm
		Required            bool
		Members             []docsMember // of an object without a name of its own
	}
	docsTerm struct{ Text, Schema string } // words, or the name of a schema
)

// renderPages makes the pages of a contract. It panics where a template does
// not fit, which no input can cause.
func renderPages(c *Contract) pages {
	templates := template.Must(template.ParseFS(assets, "assets/*.html"))
	render := func(name string, view any) []byte {
		var page bytes.Buffer
		if err := templates.ExecuteTemplate(&page, name, view); err != nil {
			panic("api: " + err.Error())
		}
		return page.Bytes()
	}
	style, err := assets.ReadFile("assets/style.css")
	if err != nil {
		panic("api: " + err.Error())
	}
	p := pages{docs: render("docs.html", describeContract(c)), style: style, problems: map[string][]byte{}}
	for _, k := range kinds {
		p.problems[k.Code] = render("problem.html", k)
	}
	return p
}

func describeContract(c *Contract) docsView {
	info := c.document.Info
	view := docsView{Title: info.Title, Version: info.Version, Kinds: kinds}
	for _, p := range paragraphs(info.Description) {
		if strings.HasPrefix(p, "Caution: ") {
			view.Caution = p
			continue
		}
		view.Texts = append(view.Texts, p)
	}
	operations := slices.Clone(c.operations)
	slices.SortStableFunc(operations, func(a, b Operation) int { return compareOrigins(a.path.Origin, b.path.Origin) })
	for _, tag := range c.document.Tags {
		group := docsGroup{Name: tag.Name, Text: tag.Description}
		for _, o := range operations {
			if slices.Contains(o.operation.Tags, tag.Name) {
				group.Operations = append(group.Operations, describeOperation(o))
			}
		}
		view.Groups = append(view.Groups, group)
	}
	view.Members = describeSchemas(c)
	return view
}

// describeSchemas groups the schemas by where they are used, each group in the
// order of the contract.
func describeSchemas(c *Contract) []docsSchemas {
	asked := map[string]bool{}
	for _, o := range c.operations {
		if o.body != nil {
			reach(o.operation.RequestBody.Value.Content.Get("application/json").Schema, asked)
		}
	}
	names := sortedKeys(c.document.Components.Schemas)
	slices.SortFunc(names, func(a, b string) int {
		return compareOrigins(c.document.Components.Schemas[a].Origin, c.document.Components.Schemas[b].Origin)
	})
	requests := docsSchemas{ID: "requests", Name: "Members of requests"}
	answers := docsSchemas{ID: "answers", Name: "Members of answers"}
	texts := docsSchemas{ID: "texts", Name: "Texts and numbers"}
	for _, name := range names {
		s := c.document.Components.Schemas[name].Value
		d := docsSchema{Name: name, Text: s.Description, Example: text(s.Example), Type: describeType(s)}
		if s.Title != "" && s.Title != name { // another one with a word more
			d.Type = describeRef(c.document.Components.Schemas[name])
		} else {
			d.Members = describeMembers(s)
		}
		group := &answers
		switch {
		case len(d.Members) == 0 && !s.Type.Is("array") && len(s.OneOf) == 0 && !s.Type.Is("object"):
			group = &texts
		case asked[name]:
			group = &requests
		}
		group.Schemas = append(group.Schemas, d)
	}
	return []docsSchemas{requests, answers, texts}
}

// reach collects the names of the schemas that a schema leads to.
func reach(ref *openapi3.SchemaRef, found map[string]bool) {
	if ref == nil {
		return
	}
	if name := componentName(ref); name != "" {
		if found[name] {
			return
		}
		found[name] = true
	}
	for _, p := range ref.Value.Properties {
		reach(p, found)
	}
	reach(ref.Value.Items, found)
	for _, branch := range ref.Value.OneOf {
		reach(branch, found)
	}
}

func compareOrigins(a, b *openapi3.Origin) int {
	if a == nil || b == nil {
		return 0
	}
	return cmp.Or(cmp.Compare(a.Key.Line, b.Key.Line), cmp.Compare(a.Key.Column, b.Key.Column))
}

func describeOperation(o Operation) docsOperation {
	d := docsOperation{Operation: o, Summary: o.operation.Summary, Texts: paragraphs(o.operation.Description)}
	for _, ref := range o.parameters() {
		p := ref.Value
		d.Parameters = append(d.Parameters, docsParameter{Name: p.Name, In: p.In, Type: describeRef(p.Schema), Text: p.Description, Example: text(p.Example), Required: p.Required})
	}
	const host = "http://127.0.0.1:8080"
	if o.body == nil {
		path := o.Path
		for _, p := range d.Parameters {
			path = strings.ReplaceAll(path, "{"+p.Name+"}", p.Example)
		}
		d.Curl = "curl -sS " + host + path
	} else {
		media := o.operation.RequestBody.Value.Content.Get("application/json")
		d.Body = componentName(media.Schema)
		names := sortedKeys(media.Examples)
		slices.SortStableFunc(names, func(a, b string) int {
			return compareOrigins(media.Examples[a].Value.Origin, media.Examples[b].Value.Origin)
		})
		for _, name := range names {
			e := media.Examples[name].Value
			d.Examples = append(d.Examples, docsExample{Name: name, Summary: e.Summary, JSON: pretty(e.Value, media.Schema.Value),
				Curl: "curl -sS " + host + o.Path + " -H 'Content-Type: application/json' --data-binary @" + name + ".json"})
		}
	}
	responses := o.operation.Responses.Map()
	for _, status := range sortedKeys(responses) {
		r := docsResponse{Status: status, Text: *responses[status].Value.Description}
		content := responses[status].Value.Content
		if len(content) == 0 {
			d.Responses = append(d.Responses, r)
		}
		for _, media := range sortedKeys(content) {
			r.Media, r.Schema = media, componentName(content[media].Schema)
			d.Responses = append(d.Responses, r)
		}
	}
	return d
}

// describeMembers lists the members of an object, those of an object without a
// name of its own inside.
func describeMembers(s *openapi3.Schema) []docsMember {
	if s.Items != nil && componentName(s.Items) == "" {
		s = s.Items.Value
	}
	var list []docsMember
	for _, name := range members(s) {
		ref := s.Properties[name]
		m := docsMember{Name: name, Type: describeRef(ref), Text: ref.Value.Description, Example: text(ref.Value.Example), Required: slices.Contains(s.Required, name)}
		if componentName(ref) == "" {
			m.Members = describeMembers(ref.Value)
		}
		list = append(list, m)
	}
	return list
}

// describeRef says what a member takes: the name of its schema, where it has one,
// and its form where that is short.
func describeRef(ref *openapi3.SchemaRef) []docsTerm {
	s, name := ref.Value, componentName(ref)
	switch {
	case name == "":
		return describeType(s)
	case s.Type.Is("object"):
		return orNull([]docsTerm{{Schema: name}}, s)
	}
	return append([]docsTerm{{Schema: name}, {Text: ": "}}, describeType(s)...)
}

// describeType says what a schema takes, with the names of the schemas inside.
func describeType(s *openapi3.Schema) []docsTerm {
	var terms []docsTerm
	switch {
	case len(s.OneOf) > 0:
		for i, branch := range s.OneOf {
			if i > 0 {
				terms = append(terms, docsTerm{Text: ", or "})
			}
			terms = append(terms, describeRef(branch)...)
		}
	case s.Type.Is("array"):
		name, entries := componentName(s.Items), ""
		switch {
		case s.MaxItems != nil && s.MinItems > 0:
			entries = fmt.Sprintf(", %d to %d entries", s.MinItems, *s.MaxItems)
		case s.MaxItems != nil:
			entries = fmt.Sprintf(", at most %d entries", *s.MaxItems)
		}
		switch {
		case name != "":
			terms = append(terms, docsTerm{Text: "list of "}, docsTerm{Schema: name}, docsTerm{Text: entries})
		case len(s.Items.Value.Properties) > 0:
			terms = append(terms, docsTerm{Text: "list of objects" + entries})
		default:
			terms = append(append(terms, docsTerm{Text: "list" + entries + ", each "}), describeType(s.Items.Value)...)
		}
	default:
		terms = append(terms, docsTerm{Text: typeText(s)})
	}
	return orNull(terms, s)
}

func orNull(terms []docsTerm, s *openapi3.Schema) []docsTerm {
	if s.Nullable {
		return append(terms, docsTerm{Text: "; may be null"})
	}
	return terms
}

// typeText says in words what a schema takes that has no others inside.
func typeText(s *openapi3.Schema) string {
	switch {
	case len(s.Enum) > 0:
		return "one of: " + list(slices.DeleteFunc(slices.Clone(s.Enum), func(v any) bool { return v == nil }))
	case s.Extensions["x-quantity"] != nil:
		return "quantity in " + acceptedUnits(s)
	case s.Extensions["x-money"] != nil:
		return "money per area, such as EUR/m2"
	case s.Extensions["x-decimal"] != nil || s.Pattern != "":
		return "decimal, as text"
	case s.Type.Is("string") && s.MaxLength != nil:
		return fmt.Sprintf("text, at most %d characters", *s.MaxLength)
	case s.Type.Is("integer"):
		return bounds(s)
	case s.Type.Is("boolean"):
		return "true or false"
	}
	return "object"
}

// pretty writes an example as JSON with its members in the order of the schema.
func pretty(value any, s *openapi3.Schema) string {
	var out bytes.Buffer
	enc := jsontext.NewEncoder(&out, jsontext.WithIndent("  "))
	if err := writeOrdered(enc, value, s); err != nil {
		panic("api: example: " + err.Error()) // a buffer and valid text
	}
	return strings.TrimSpace(out.String())
}

func writeOrdered(enc *jsontext.Encoder, value any, s *openapi3.Schema) error {
	switch value := value.(type) {
	case map[string]any:
		if err := enc.WriteToken(jsontext.BeginObject); err != nil {
			return err
		}
		for _, name := range members(s) {
			member, given := value[name]
			if !given {
				continue
			}
			if err := enc.WriteToken(jsontext.String(name)); err != nil {
				return err
			}
			if err := writeOrdered(enc, member, s.Properties[name].Value); err != nil {
				return err
			}
		}
		return enc.WriteToken(jsontext.EndObject)
	case []any:
		for _, branch := range s.OneOf {
			if branch.Value.Type.Is("array") {
				s = branch.Value
			}
		}
		if err := enc.WriteToken(jsontext.BeginArray); err != nil {
			return err
		}
		for _, entry := range value {
			if err := writeOrdered(enc, entry, s.Items.Value); err != nil {
				return err
			}
		}
		return enc.WriteToken(jsontext.EndArray)
	}
	return json.MarshalEncode(enc, value)
}

func paragraphs(s string) []string {
	var list []string
	for _, p := range strings.Split(s, "\n\n") {
		if p = strings.TrimSpace(p); p != "" {
			list = append(list, p)
		}
	}
	return list
}

// text writes an example as it stands in JSON, but for the quotes of a text.
func text(value any) string {
	switch value := value.(type) {
	case nil:
		return ""
	case string:
		return value
	}
	b, err := json.Marshal(value, json.Deterministic(true))
	if err != nil {
		panic("api: example: " + err.Error()) // it was read from YAML
	}
	return string(b)
}
