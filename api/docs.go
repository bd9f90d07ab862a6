package api

import (
	"bytes"
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/labstack/echo/v4"

	"slabledger/api/pages"
	"slabledger/service"
)

// reference are the pages of the contract, rendered once, when the server is made.
type reference struct {
	docs     []byte
	problems map[string][]byte // by code
}

func (s *Server) routeDocs() {
	s.route(http.MethodGet, "/docs", "docs", func(c echo.Context) error { return sendPage(c, s.reference.docs) })
	s.route(http.MethodGet, "/docs/problems/:code", "docsProblem", func(c echo.Context) error {
		page, known := s.reference.problems[c.Param("code")]
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
		Body       string // name of the schema of JSON, or of a form
		BodyMedia  string
		Examples   []docsExample
		Curls      []string // of an operation without a body, or with a file or a form
		Responses  []docsResponse
	}
	docsParameter struct {
		Name, In, Text, Example string
		Type                    []docsTerm
		Required                bool
	}
	docsExample  struct{ Name, Summary, JSON, Curl string }
	docsResponse struct {
		Status, Text, Schema, Media string
		Headers                     []docsHeader // of the status, told with its first media type
	}
	docsHeader  struct{ Name, Text string }
	docsSchemas struct { // the schemas of one part of the contract
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

// renderReference makes the pages of a contract. It panics where a template does
// not fit, which no input can cause.
func renderReference(c *Contract, site *pages.Pages) reference {
	render := func(name, title string, view any) []byte {
		page, err := site.Static(name, "/docs", title, view)
		if err != nil {
			panic("api: " + err.Error())
		}
		return page
	}
	view := describeContract(c)
	r := reference{docs: render("docs", "Reference", view), problems: map[string][]byte{}}
	for _, k := range kinds {
		r.problems[k.Code] = render("problemtype", k.Title, k)
	}
	return r
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
		if tag.Name == "pages" { // which are for people, who see them
			continue
		}
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
		if o.operation.RequestBody == nil {
			continue
		}
		for _, media := range o.operation.RequestBody.Value.Content {
			reach(media.Schema, asked)
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
	switch {
	case o.operation.RequestBody == nil:
		d.Curls = []string{curl(o)}
	case o.body == nil:
		content := o.operation.RequestBody.Value.Content
		for _, name := range sortedKeys(content) {
			if name == mediaForm {
				d.Body, d.BodyMedia = componentName(content[name].Schema), name
				d.Curls = append(d.Curls, curl(o, formOptions(content[name].Schema.Value)...))
				continue
			}
			d.Curls = append(d.Curls, curl(o, "-H 'Content-Type: "+name+"'", "--data-binary @file"+fileEndings[name]))
		}
	default:
		media := o.operation.RequestBody.Value.Content.Get("application/json")
		d.Body, d.BodyMedia = componentName(media.Schema), mediaJSON
		names := sortedKeys(media.Examples)
		slices.SortStableFunc(names, func(a, b string) int {
			return compareOrigins(media.Examples[a].Value.Origin, media.Examples[b].Value.Origin)
		})
		for _, name := range names {
			e := media.Examples[name].Value
			d.Examples = append(d.Examples, docsExample{Name: name, Summary: e.Summary, JSON: pretty(e.Value, media.Schema.Value),
				Curl: curl(o, "-H 'Content-Type: application/json'", "--data-binary @"+name+".json")})
		}
	}
	responses := o.operation.Responses.Map()
	for _, status := range sortedKeys(responses) {
		r := docsResponse{Status: status, Text: *responses[status].Value.Description}
		headers := responses[status].Value.Headers
		for _, name := range sortedKeys(headers) {
			r.Headers = append(r.Headers, docsHeader{name, headers[name].Value.Description})
		}
		content := responses[status].Value.Content
		if len(content) == 0 {
			d.Responses = append(d.Responses, r)
		}
		for _, media := range sortedKeys(content) {
			r.Media, r.Schema = media, componentName(content[media].Schema)
			d.Responses = append(d.Responses, r)
			r.Headers = nil
		}
	}
	return d
}

// curl is a command that makes a request of an operation, with the examples of its
// parameters and the options given, for a shell. The key is in the variable KEY.
func curl(o Operation, options ...string) string {
	address, query := "http://127.0.0.1:8080"+o.Path, url.Values{}
	var headers []string
	if o.Role != "" {
		headers = append(headers, `-H "Authorization: Bearer $KEY"`)
	}
	for _, ref := range o.parameters() {
		p := ref.Value
		switch {
		case p.In == "path":
			address = strings.ReplaceAll(address, "{"+p.Name+"}", text(p.Example))
		case p.In == "query" && p.Required:
			query.Set(p.Name, text(p.Example))
		case p.In == "header" && p.Required:
			headers = append(headers, "-H '"+p.Name+": "+text(p.Example)+"'")
		}
	}
	if len(query) > 0 {
		address = "'" + address + "?" + query.Encode() + "'"
	}
	if o.Method != http.MethodGet && (o.Method != http.MethodPost || len(options) == 0) {
		address += " -X " + o.Method
	}
	apart := " \\\n  "
	if len(headers)+len(options) < 2 {
		apart = " "
	}
	return strings.Join(slices.Concat([]string{"curl -sS " + address}, headers, options), apart)
}

// formOptions send the required fields of a form.
func formOptions(s *openapi3.Schema) (options []string) {
	names := members(s)
	if len(names) == 0 { // a form with a file alone
		return []string{"-F file=@file.csv"}
	}
	for _, name := range names {
		field := s.Properties[name].Value
		switch {
		case !slices.Contains(s.Required, name):
		case field.Format == "binary":
			options = append(options, "-F "+name+"=@file.csv")
		default:
			options = append(options, "-F "+name+"="+text(field.Example))
		}
	}
	return options
}

// fileEndings of files in the curl commands, by media type.
var fileEndings = map[string]string{mediaCSV: ".csv", "text/tab-separated-values": ".tsv", mediaXLSX: ".xlsx", mediaJSON: ".json", "application/xml": ".xml", "text/xml": ".xml"}

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
	for _, branch := range s.OneOf {
		if branch.Value.Type.Is(typeOf(value)) {
			s = branch.Value
		}
	}
	switch value := value.(type) {
	case map[string]any:
		if err := enc.WriteToken(jsontext.BeginObject); err != nil {
			return err
		}
		if len(s.Properties) == 0 { // an open object, such as a merge patch
			for _, name := range sortedKeys(value) {
				if err := writeMember(enc, name, value[name], &openapi3.Schema{}); err != nil {
					return err
				}
			}
		}
		for _, name := range members(s) {
			if member, given := value[name]; given {
				if err := writeMember(enc, name, member, s.Properties[name].Value); err != nil {
					return err
				}
			}
		}
		return enc.WriteToken(jsontext.EndObject)
	case []any:
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

func writeMember(enc *jsontext.Encoder, name string, member any, s *openapi3.Schema) error {
	if err := enc.WriteToken(jsontext.String(name)); err != nil {
		return err
	}
	return writeOrdered(enc, member, s)
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
