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
		Schemas []docsSchema
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
		Name, In, Type, Text, Example string
		Required                      bool
	}
	docsExample  struct{ Name, Summary, JSON, Curl string }
	docsResponse struct{ Status, Text, Schema, Media string }
	docsSchema   struct {
		Name, Text, Type string
		Members          []docsMember
	}
	docsMember struct {
		Name, Type, Schema, Text, Example string
		Required                          bool
	}
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
	for _, tag := range c.document.Tags {
		group := docsGroup{Name: tag.Name, Text: tag.Description}
		for _, o := range c.operations {
			if slices.Contains(o.operation.Tags, tag.Name) {
				group.Operations = append(group.Operations, describeOperation(o))
			}
		}
		view.Groups = append(view.Groups, group)
	}
	names := sortedKeys(c.document.Components.Schemas)
	slices.SortFunc(names, func(a, b string) int {
		return cmp.Compare(c.document.Components.Schemas[a].Origin.Key.Line, c.document.Components.Schemas[b].Origin.Key.Line)
	})
	for _, name := range names {
		s := c.document.Components.Schemas[name].Value
		view.Schemas = append(view.Schemas, docsSchema{Name: name, Text: s.Description, Type: typeText(s), Members: describeMembers("", s)})
	}
	return view
}

func describeOperation(o Operation) docsOperation {
	d := docsOperation{Operation: o, Summary: o.operation.Summary, Texts: paragraphs(o.operation.Description)}
	for _, ref := range o.parameters() {
		p := ref.Value
		d.Parameters = append(d.Parameters, docsParameter{Name: p.Name, In: p.In, Type: typeText(p.Schema.Value), Text: p.Description, Example: text(p.Example), Required: p.Required})
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
		for _, name := range sortedKeys(media.Examples) {
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

// describeMembers lists the members of an object; those of an object without a
// name of its own follow it, with its name before theirs.
func describeMembers(prefix string, s *openapi3.Schema) []docsMember {
	var list []docsMember
	for _, name := range members(s) {
		ref := s.Properties[name]
		m := docsMember{Name: prefix + name, Type: typeText(ref.Value), Schema: componentName(ref), Text: ref.Value.Description,
			Example: text(ref.Value.Example), Required: slices.Contains(s.Required, name)}
		inner, suffix := ref, "."
		if ref.Value.Items != nil {
			inner, suffix = ref.Value.Items, "[]."
			if m.Schema == "" {
				m.Schema = componentName(inner)
			}
		}
		list = append(list, m)
		if m.Schema == "" && len(inner.Value.Properties) > 0 {
			list = append(list, describeMembers(m.Name+suffix, inner.Value)...)
		}
	}
	return list
}

// typeText says in words what a schema takes.
func typeText(s *openapi3.Schema) string {
	var t string
	switch {
	case len(s.OneOf) > 0:
		kinds := make([]string, len(s.OneOf))
		for i, branch := range s.OneOf {
			kinds[i] = typeText(branch.Value)
		}
		t = strings.Join(kinds, ", or ")
	case len(s.Enum) > 0:
		t = "one of: " + list(s.Enum)
	case s.Extensions["x-quantity"] != nil:
		t = "quantity in " + acceptedUnits(s)
	case s.Extensions["x-money"] != nil:
		t = "money per area, such as EUR/m2"
	case s.Extensions["x-decimal"] != nil || s.Pattern != "":
		t = "decimal, as text"
	case s.Type.Is("string") && s.MaxLength != nil:
		t = fmt.Sprintf("text, at most %d characters", *s.MaxLength)
	case s.Type.Is("integer"):
		t = bounds(s)
	case s.Type.Is("boolean"):
		t = "true or false"
	case s.Type.Is("array") && s.MaxItems != nil:
		t = fmt.Sprintf("list, at most %d", *s.MaxItems)
		if s.MinItems > 0 {
			t = fmt.Sprintf("list, %d to %d", s.MinItems, *s.MaxItems)
		}
	default:
		t = "object"
	}
	if s.Nullable {
		t += "; may be null"
	}
	return t
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

func text(value any) string {
	if value == nil {
		return ""
	}
	return fmt.Sprint(value)
}
