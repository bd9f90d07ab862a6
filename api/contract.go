package api

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/agnivade/levenshtein"
	"github.com/getkin/kin-openapi/openapi3"
	"github.com/go-json-experiment/json"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/lca/unit"
	"slabledger/service"
)

// Contract is openapi.yaml made ready for use. It does not change after
// loading, so it may be shared.
type Contract struct {
	yaml       []byte
	document   *openapi3.T
	operations []Operation
	byID       map[string]*Operation
}

// Operation is one method of one path of the contract.
type Operation struct {
	ID     string
	Method string
	Path   string         // with {parameters}
	Role   inventory.Role // that a key needs for it; empty for what is open to all

	operation *openapi3.Operation
	path      *openapi3.PathItem
	body      *openapi3.Schema // of an application/json request; nil where there is none
	lines     map[string]int   // members of the body that hold a text of lines, and its limit
}

// Page tells that an operation is a page that people see, which programs need not know.
func (o Operation) Page() bool { return slices.Contains(o.operation.Tags, "pages") }

// LoadContract reads a contract in YAML and checks that it is valid OpenAPI 3.0.
func LoadContract(yaml []byte) (*Contract, error) {
	loader := openapi3.NewLoader()
	loader.IncludeOrigin = true // the reference page shows members in the order of the file
	document, err := loader.LoadFromData(yaml)
	if err != nil {
		return nil, fmt.Errorf("contract: %w", err)
	}
	if err := document.Validate(context.Background(), openapi3.DisableExamplesValidation()); err != nil {
		return nil, fmt.Errorf("contract: %w", err)
	}
	c := &Contract{yaml: yaml, document: document, byID: map[string]*Operation{}}
	merged := map[*openapi3.Schema]bool{}
	for _, name := range sortedKeys(document.Components.Schemas) {
		merge(document.Components.Schemas[name], merged)
	}
	for _, path := range document.Paths.InMatchingOrder() {
		item := document.Paths.Value(path)
		for method, operation := range item.Operations() {
			if operation.OperationID == "" {
				return nil, fmt.Errorf("contract: %s %s has no operationId", method, path)
			}
			role, err := neededRole(operation)
			if err != nil {
				return nil, fmt.Errorf("contract: %s: %w", operation.OperationID, err)
			}
			o := Operation{ID: operation.OperationID, Method: method, Path: path, Role: role, operation: operation, path: item}
			if operation.RequestBody != nil {
				media := operation.RequestBody.Value.Content.Get("application/json")
				if isFile(operation.RequestBody.Value.Content) {
					c.operations = append(c.operations, o) // read by its handler
					continue
				}
				if media == nil {
					return nil, fmt.Errorf("contract: the body of %s is neither application/json nor a file or a form", o.ID)
				}
				merge(media.Schema, merged)
				o.body = media.Schema.Value
				o.lines = map[string]int{}
				textsOfLines(o.body, o.lines, map[*openapi3.Schema]bool{})
			}
			c.operations = append(c.operations, o)
		}
	}
	slices.SortFunc(c.operations, func(a, b Operation) int { return strings.Compare(a.Path+a.Method, b.Path+b.Method) })
	for i := range c.operations {
		c.byID[c.operations[i].ID] = &c.operations[i]
	}
	return c, nil
}

// neededRole reads the extension x-role. An operation that is open to all says so, by
// "security: []", so that none becomes so by an oversight.
func neededRole(operation *openapi3.Operation) (inventory.Role, error) {
	open := operation.Security != nil && len(*operation.Security) == 0
	name, given := operation.Extensions["x-role"]
	role := inventory.Role(fmt.Sprint(name))
	switch {
	case given == open:
		return "", errors.New(`either "x-role" says which role it needs, or "security: []" that it needs none`)
	case open:
		return "", nil
	case !slices.Contains(inventory.Roles(), role):
		return "", fmt.Errorf("x-role: there is no role %q", role)
	}
	return role, nil
}

// isFile tells that a body is a file or a form, which is not checked against the
// contract.
func isFile(content openapi3.Content) bool {
	for name, media := range content {
		if name != mediaForm && name != mediaFields && media.Schema.Ref != "#/components/schemas/File" {
			return false
		}
	}
	return true
}

// Operations lists the operations in order of their paths.
func (c *Contract) Operations() []Operation { return slices.Clone(c.operations) }

// YAML is the text of the contract as it was loaded.
func (c *Contract) YAML() []byte { return c.yaml }

// merge turns a schema of one allOf with a text of its own, which is how
// OpenAPI 3.0 gives a description to a reference, into a plain copy: cheaper to
// check, and its errors need no unwrapping.
func merge(ref *openapi3.SchemaRef, done map[*openapi3.Schema]bool) {
	if ref == nil || ref.Value == nil || done[ref.Value] {
		return
	}
	s := ref.Value
	done[s] = true
	for _, name := range sortedKeys(s.Properties) {
		merge(s.Properties[name], done)
	}
	merge(s.Items, done)
	for _, branch := range s.OneOf {
		merge(branch, done)
	}
	if len(s.AllOf) != 1 || s.Type != nil {
		return
	}
	merge(s.AllOf[0], done)
	plain := *s.AllOf[0].Value
	plain.Title = componentName(s.AllOf[0])
	if s.Description != "" {
		plain.Description = s.Description
	}
	if s.Example != nil {
		plain.Example = s.Example
	}
	plain.Nullable = plain.Nullable || s.Nullable
	*s = plain
}

// textsOfLines finds the members that hold a text of lines, such as the file of a
// test machine: those whose limit is above that of any other text.
func textsOfLines(s *openapi3.Schema, found map[string]int, seen map[*openapi3.Schema]bool) {
	if seen[s] {
		return
	}
	seen[s] = true
	for name, p := range s.Properties {
		if most := p.Value.MaxLength; most != nil && *most > maxStringBytes {
			found[name] = int(*most) //nolint:gosec // a limit of the contract
		}
		textsOfLines(p.Value, found, seen)
	}
	if s.Items != nil {
		textsOfLines(s.Items.Value, found, seen)
	}
	for _, branch := range s.OneOf {
		textsOfLines(branch.Value, found, seen)
	}
}

// componentName is the name under which a schema stands in the components, which
// merge keeps as the title; empty where it has none.
func componentName(ref *openapi3.SchemaRef) string {
	if name, ok := strings.CutPrefix(ref.Ref, "#/components/schemas/"); ok {
		return name
	}
	return ref.Value.Title
}

// members lists the properties of an object in the order of the file.
func members(s *openapi3.Schema) []string {
	names := sortedKeys(s.Properties)
	slices.SortStableFunc(names, func(a, b string) int {
		i, j := s.Properties[a].Origin, s.Properties[b].Origin
		if i == nil || j == nil {
			return 0
		}
		return cmp.Or(cmp.Compare(i.Key.Line, j.Key.Line), cmp.Compare(i.Key.Column, j.Key.Column))
	})
	return names
}

// CheckBody checks the body of an operation: that it is strict JSON within the
// limits of size, then that it is what the contract describes. What the contract
// refuses is listed, and left out of the body that comes back, so that the rest of
// it can be checked further. The error, a *service.Error, is for what is not such
// JSON.
func (c *Contract) CheckBody(operationID string, body []byte) (accepted []byte, refused []fault.Fault, err error) {
	operation := c.byID[operationID]
	if operation == nil || operation.body == nil {
		return nil, nil, &service.Error{Code: service.Internal, Detail: "The request could not be checked.", Cause: fmt.Errorf("operation %q has no body", operationID)}
	}
	value, faults, err := scan(body, operation.lines)
	if err != nil {
		return nil, nil, err
	}
	check := newChecker()
	for _, f := range faults {
		check.add(f.Pointer, f.Code, "%s", f.Detail)
	}
	check.visit("", operation.body, value)
	if check.faults.Empty() {
		return body, nil, nil
	}
	refused = check.faults.All()
	for _, f := range refused {
		value, _ = fault.Without(value, f.Pointer)
	}
	if _, ok := value.(map[string]any); !ok {
		return nil, nil, invalid(refused) // nothing is left
	}
	accepted, err = json.Marshal(value)
	if err != nil {
		return nil, nil, invalid(refused) // which tells all that can be told
	}
	return accepted, refused, nil
}

// CheckQuery checks the query of an operation. The pointer of a fault is
// /query/ and the name of the parameter.
func (c *Contract) CheckQuery(operationID string, query url.Values) error {
	operation := c.byID[operationID]
	check := newChecker()
	root := fault.Path("").At("query")
	for _, name := range sortedKeys(query) {
		at := root.At(name)
		parameter := operation.queryParameter(name)
		if parameter == nil {
			check.add(clip(at), "query-parameter-unknown", "there is no query parameter %s here%s", quote(name), nearest(name, operation.queryNames()))
			continue
		}
		if len(query[name]) > 1 {
			check.add(at, "query-parameter-repeated", "the query parameter stands %d times; give it once", len(query[name]))
			continue
		}
		if strings.ContainsFunc(query.Get(name), inventory.Unseen) {
			check.add(at, "control-character", "the text has a control character or a mark that turns the direction of writing; use plain text")
			continue
		}
		schema := parameter.Schema.Value
		if !schema.Type.Is("integer") {
			check.visit(at, schema, query.Get(name))
			continue
		}
		n, err := strconv.ParseInt(query.Get(name), 10, 32)
		if err != nil {
			check.add(at, "out-of-range", "%s is not %s", quote(query.Get(name)), bounds(schema))
			continue
		}
		check.visit(at, schema, float64(n))
	}
	for _, p := range operation.parameters() {
		if p.Value.In == "query" && p.Value.Required && !query.Has(p.Value.Name) {
			check.add(root.At(p.Value.Name), "required-member-missing", "the query parameter is missing")
		}
	}
	if check.faults.Empty() {
		return nil
	}
	return invalid(check.faults.All())
}

func (o *Operation) parameters() openapi3.Parameters {
	return append(slices.Clone(o.path.Parameters), o.operation.Parameters...)
}

func (o *Operation) queryParameter(name string) *openapi3.Parameter {
	return o.parameters().GetByInAndName("query", name)
}

func (o *Operation) queryNames() []string {
	var names []string
	for _, p := range o.parameters() {
		if p.Value.In == "query" {
			names = append(names, p.Value.Name)
		}
	}
	return names
}

func invalid(faults []fault.Fault) error {
	return &service.Error{Code: service.Invalid, Detail: "The request was read, but does not fit the contract.", Faults: faults}
}

// checker turns what the schema library finds into faults in our own words.
type checker struct {
	faults  fault.List
	seen    map[fault.Path]bool // one fault a member
	objects map[fault.Path]bool // whose unknown members have been told
}

func newChecker() checker {
	return checker{seen: map[fault.Path]bool{}, objects: map[fault.Path]bool{}}
}

func (c *checker) add(at fault.Path, code, format string, args ...any) {
	if !c.seen[at] {
		c.seen[at] = true
		c.faults.Add(at, code, format, args...)
	}
}

func (c *checker) visit(at fault.Path, schema *openapi3.Schema, value any) {
	c.translate(at, schema.VisitJSON(value, openapi3.MultiErrors()))
}

func (c *checker) translate(root fault.Path, err error) {
	// Not errors.As: an error of one branch of a oneOf must not be taken for
	// the error of the whole.
	switch err := err.(type) { //nolint:errorlint // as said above
	case nil:
	case openapi3.MultiError:
		for _, one := range err {
			c.translate(root, one)
		}
	case *openapi3.SchemaError:
		at := root
		for _, step := range err.JSONPointer() {
			at = at.At(step)
		}
		c.explain(at, err)
	default:
		c.add(root, "wrong-form", "the value does not have the form that the contract describes")
	}
}

// explain words one violation. What is quoted of the input is short.
func (c *checker) explain(at fault.Path, wrong *openapi3.SchemaError) {
	schema := wrong.Schema
	text, isText := wrong.Value.(string)
	switch wrong.SchemaField {
	case "required":
		c.add(at, "required-member-missing", "the member is missing")
	case "properties": // the library tells one for each member, without its name
		if c.objects[at] {
			return
		}
		c.objects[at] = true
		for _, name := range sortedKeys(wrong.Value.(map[string]any)) {
			if schema.Properties[name] != nil {
				continue
			}
			suggestion := ""
			if c.faults.Len() < maxEntries { // beyond, nobody reads it
				suggestion = nearest(name, sortedKeys(schema.Properties))
			}
			c.add(clip(at.At(name)), "unknown-field", "the contract has no member %s here%s", quote(name), suggestion)
		}
	case "type", "nullable":
		c.wrongType(at, schema, wrong.Value)
	case "enum":
		if !isText {
			c.wrongType(at, schema, wrong.Value)
			return
		}
		c.add(at, "not-in-list", "%s is not accepted here; accepted: %s%s", quote(text), list(schema.Enum), nearest(text, words(schema.Enum)))
	case "minimum", "maximum":
		c.add(at, "out-of-range", "the number must be %s", bounds(schema))
	case "maxLength":
		c.add(at, "too-long", "the text %s is too long; at most %d characters", quote(text), *schema.MaxLength)
	case "minLength":
		c.add(at, "too-short", "the text is empty")
	case "maxItems":
		c.add(at, "too-many", "entries: %d; at most %d", len(wrong.Value.([]any)), *schema.MaxItems)
	case "minItems":
		c.add(at, "too-few", "entries: %d; at least %d", len(wrong.Value.([]any)), schema.MinItems)
	case "oneOf": // look again at the branch that the value is meant for
		c.branch(at, schema, wrong.Value)
	default:
		c.add(at, "wrong-form", "the value does not have the form that the contract describes")
	}
}

// branch looks again at the branch of a oneOf that a value is meant for: the one of its
// type or, of several kinds of objects, the one that is told by a member of one value.
func (c *checker) branch(at fault.Path, schema *openapi3.Schema, value any) {
	var kinds []any
	member := ""
	for _, branch := range schema.OneOf {
		if !branch.Value.Type.Is(typeOf(value)) {
			continue
		}
		name, kind := told(branch.Value)
		object, _ := value.(map[string]any)
		if name == "" || object[name] == kind {
			c.visit(at, branch.Value, value)
			return
		}
		member, kinds = name, append(kinds, kind)
	}
	object, _ := value.(map[string]any)
	found, given := object[member]
	switch {
	case member == "":
		c.wrongType(at, schema, value)
	case !given:
		c.add(at.At(member), "required-member-missing", "the member is missing; accepted: %s", list(kinds))
	default:
		text := fmt.Sprint(found)
		c.add(at.At(member), "not-in-list", "%s is not accepted here; accepted: %s%s", quote(text), list(kinds), nearest(text, words(kinds)))
	}
}

// told is the member by which an object is known among others, and its one value.
func told(schema *openapi3.Schema) (name string, kind any) {
	for _, name := range members(schema) {
		if p := schema.Properties[name].Value; len(p.Enum) == 1 {
			return name, p.Enum[0]
		}
	}
	return "", nil
}

// wrongType says what is accepted. A bare number where a quantity is due is the
// common slip, so the units are named.
func (c *checker) wrongType(at fault.Path, schema *openapi3.Schema, value any) {
	found := map[string]string{"null": "null", "boolean": "true or false", "number": "a number", "string": "a text", "array": "a list", "object": "an object"}[typeOf(value)]
	example := schema.Example
	switch {
	case schema.Extensions["x-quantity"] != nil && typeOf(value) == "number":
		c.add(at, unit.ErrMissing.Error(), "a bare number has no unit; write text such as %q; accepted: %s", example, acceptedUnits(schema))
	case schema.Extensions["x-quantity"] != nil:
		c.add(at, "wrong-type", "%s stands where a quantity is due; write text such as %q; accepted: %s", found, example, acceptedUnits(schema))
	case schema.Extensions["x-money"] != nil && typeOf(value) == "number":
		c.add(at, unit.ErrMissing.Error(), "a bare number has no currency; write text such as %q", example)
	case schema.Extensions["x-decimal"] != nil:
		c.add(at, "wrong-type", "%s stands where a decimal is due; write it as text, such as %q, so that no digit is lost", found, example)
	case schema.Type.Is("integer") && typeOf(value) == "number":
		c.add(at, "wrong-type", "the number must be whole and written in digits alone, %s", bounds(schema))
	default:
		c.add(at, "wrong-type", "%s stands where %s is due", found, due(schema))
	}
}

func due(schema *openapi3.Schema) string {
	if len(schema.OneOf) > 0 {
		kinds := make([]string, len(schema.OneOf))
		for i, branch := range schema.OneOf {
			kinds[i] = due(branch.Value)
		}
		return strings.Join(kinds, " or ")
	}
	switch {
	case len(schema.Enum) > 0:
		return "one of " + list(schema.Enum)
	case schema.Type.Is("string"):
		return "a text"
	case schema.Type.Is("integer"):
		return "a whole number"
	case schema.Type.Is("boolean"):
		return "true or false"
	case schema.Type.Is("array"):
		return "a list"
	}
	return "an object"
}

func typeOf(value any) string {
	switch value.(type) {
	case nil:
		return "null"
	case bool:
		return "boolean"
	case float64:
		return "number"
	case string:
		return "string"
	case []any:
		return "array"
	}
	return "object"
}

// quantityKinds reads the extension x-quantity.
func quantityKinds(schema *openapi3.Schema) []unit.Kind {
	names, _ := schema.Extensions["x-quantity"].([]any)
	var kinds []unit.Kind
	for _, name := range names {
		kinds = append(kinds, unit.Kind(fmt.Sprint(name)))
	}
	return kinds
}

func acceptedUnits(schema *openapi3.Schema) string {
	var codes []string
	for _, kind := range quantityKinds(schema) {
		codes = append(codes, unit.Accepted(kind)...)
	}
	return strings.Join(codes, ", ")
}

func bounds(schema *openapi3.Schema) string {
	switch {
	case schema.Min != nil && schema.Max != nil:
		return fmt.Sprintf("a whole number from %.0f to %.0f", *schema.Min, *schema.Max)
	case schema.Min != nil:
		return fmt.Sprintf("a whole number, at least %.0f", *schema.Min)
	}
	return "a whole number"
}

func words(values []any) []string {
	texts := make([]string, len(values))
	for i, v := range values {
		texts[i] = fmt.Sprint(v)
	}
	return texts
}

func list(values []any) string { return strings.Join(words(values), ", ") }

// nearest suggests one of the names known, where one is near.
func nearest(name string, known []string) string {
	if len(name) > maxNameBytes {
		return ""
	}
	best, edits := "", max(2, len(name)/3)+1
	for _, k := range known {
		if strings.EqualFold(k, name) {
			return fmt.Sprintf("; names are case-sensitive: write %q", k)
		}
		if d := levenshtein.ComputeDistance(name, k); d < edits {
			best, edits = k, d
		}
	}
	for _, k := range known {
		if best == "" && len(name) > 3 && strings.Contains(k, name) { // discount_rate, real_discount_rate
			best = k
		}
	}
	if best == "" {
		return ""
	}
	return fmt.Sprintf("; did you mean %q?", best)
}

// maxNameBytes is the longest member name that is shown or compared; the
// contract has none as long.
const maxNameBytes = 64

// quote shows a text of the input, shortened.
func quote(s string) string {
	if len(s) > maxNameBytes {
		s = strings.ToValidUTF8(s[:maxNameBytes], "") + "…"
	}
	return strconv.Quote(s)
}

// clip keeps a pointer short: it ends before the first name that is too long to
// be shown.
func clip(at fault.Path) fault.Path {
	end := 0
	for _, step := range strings.Split(string(at), "/")[1:] {
		if len(step) > maxNameBytes {
			return at[:end]
		}
		end += 1 + len(step)
	}
	return at
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
