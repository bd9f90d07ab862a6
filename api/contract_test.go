package api_test

import (
	"bytes"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/go-json-experiment/json"
	"github.com/google/go-cmp/cmp"

	"slabledger/api"
	"slabledger/inventory"
	"slabledger/lca/unit"
	"slabledger/service"
)

// What the service does and what the contract says are one list.
func TestRoutesAreTheContract(t *testing.T) {
	server := newServer(t, api.Options{})
	var want, got []string
	for _, o := range contract().Operations() {
		want = append(want, o.Method+" "+o.Path+" "+o.ID)
	}
	for _, r := range server.Router().Routes() {
		if r.Method == http.MethodHead {
			continue
		}
		steps := strings.Split(r.Path, "/")
		for i, step := range steps {
			if name, isParameter := strings.CutPrefix(step, ":"); isParameter {
				steps[i] = "{" + name + "}"
			}
		}
		got = append(got, r.Method+" "+strings.Join(steps, "/")+" "+r.Name)
	}
	slices.Sort(want)
	slices.Sort(got)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("contract (-) and routes (+) differ:\n%s", diff)
	}
}

// Every object is closed and every list and text has a limit, so that nothing
// unknown or endless passes; every kind of quantity exists.
func TestContractIsClosed(t *testing.T) {
	seen := map[*openapi3.Schema]bool{}
	var walk func(where string, ref *openapi3.SchemaRef)
	walk = func(where string, ref *openapi3.SchemaRef) {
		if ref == nil || seen[ref.Value] {
			return
		}
		s := ref.Value
		seen[s] = true
		switch {
		case s.Type.Is("object"):
			if closed := s.AdditionalProperties.Has; closed == nil || *closed {
				t.Errorf("%s: the object is open", where)
			}
		case s.Type.Is("array"):
			if s.MaxItems == nil {
				t.Errorf("%s: the list has no maxItems", where)
			}
		case s.Type.Is("string"):
			if s.MaxLength == nil && len(s.Enum) == 0 {
				t.Errorf("%s: the text has no maxLength", where)
			}
		case s.Type.Is("integer"):
			if s.Min == nil || s.Max == nil {
				t.Errorf("%s: the number has no bounds", where)
			}
		case s.Type.Is("boolean"), len(s.OneOf) > 0, len(s.AllOf) > 0:
		default:
			t.Errorf("%s: type %v", where, s.Type)
		}
		if kinds, ok := s.Extensions["x-quantity"].([]any); ok {
			for _, k := range kinds {
				if !slices.Contains(unit.Kinds(), unit.Kind(fmt.Sprint(k))) {
					t.Errorf("%s: no kind of quantity %q", where, k)
				}
			}
		}
		for name, p := range s.Properties {
			walk(where+"."+name, p)
		}
		walk(where+"[]", s.Items)
		for i, branch := range append(slices.Clone(s.OneOf), s.AllOf...) {
			walk(fmt.Sprintf("%s|%d", where, i), branch)
		}
	}
	for name, s := range contract().Document().Components.Schemas {
		walk(name, s)
	}
	if len(seen) < 50 {
		t.Errorf("only %d schemas were looked at", len(seen))
	}
	for _, o := range contract().Operations() {
		operation := contract().Document().Paths.Value(o.Path).GetOperation(o.Method)
		if operation.Responses.Default() == nil {
			t.Errorf("%s documents no other answer", o.ID)
		}
		for _, p := range operation.Parameters {
			walk(o.ID+" "+p.Value.Name, p.Value.Schema)
		}
	}
}

// pathOf is the path of an operation with the examples of its parameters.
func pathOf(o api.Operation) string {
	address := o.Path
	item := contract().Document().Paths.Value(o.Path)
	for _, p := range append(slices.Clone(item.Parameters), item.GetOperation(o.Method).Parameters...) {
		address = strings.ReplaceAll(address, "{"+p.Value.Name+"}", fmt.Sprint(p.Value.Example))
	}
	return address
}

// Examples in the contract are requests that work.
func TestContractExamplesRun(t *testing.T) {
	shared, ran := newPrepared(t, false), 0
	for _, o := range contract().Operations() {
		operation := contract().Document().Paths.Value(o.Path).GetOperation(o.Method)
		if operation.RequestBody == nil {
			continue
		}
		media := operation.RequestBody.Value.Content.Get("application/json")
		if media == nil { // a form
			continue
		}
		for name, example := range media.Examples {
			t.Run(o.ID+" "+name, func(t *testing.T) {
				body, err := json.Marshal(example.Value.Value)
				if err != nil {
					t.Fatal(err)
				}
				server := shared
				if o.Role != inventory.Viewer { // what it stores is in no other's way
					server = newPrepared(t, false)
				}
				address := strings.ReplaceAll(pathOf(o), "k3v9x2m7q4ab", server.draft)
				w := server.do(request(o.Method, address, bytes.NewReader(body), "Content-Type", "application/json", "Idempotency-Key", name, "If-Match", `"3"`))
				if w.Code/100 != 2 {
					t.Fatalf("%d %s", w.Code, w.Body)
				}
				checkAnswer(t, o.ID, w)
			})
			ran++
		}
	}
	if ran < 2 {
		t.Errorf("%d examples ran", ran)
	}
}

// Operations that rest on a version say so in a header when it is withdrawn, and the
// contract says of these, and of no others, that they do.
func TestContractTellsOfWithdrawal(t *testing.T) {
	server := newServer(t, api.Options{})
	server.send(t, "withdrawVersion", http.MethodPut, "/v1/inventories/demo/versions/1/withdrawal", `{"reason":"a slip"}`, http.StatusOK)
	told := 0
	for _, o := range contract().Operations() {
		operation := contract().Document().Paths.Value(o.Path).GetOperation(o.Method)
		if operation.RequestBody == nil || o.Role != inventory.Viewer {
			continue
		}
		media := operation.RequestBody.Value.Content.Get("application/json")
		if media == nil { // a form
			continue
		}
		for name := range media.Examples {
			w := server.do(post(o.Path, exampleOf(t, o, name)))
			declared := operation.Responses.Status(w.Code).Value.Headers["Inventory-Withdrawn"] != nil
			if sent := strings.HasPrefix(w.Header().Get("Inventory-Withdrawn"), "demo@1; at=2"); sent != declared {
				t.Errorf("%s %s: sent %v, declared %v", o.ID, name, sent, declared)
			} else if sent {
				told++
			}
		}
	}
	if told < 4 {
		t.Errorf("%d answers told", told)
	}
}

// A contract that is not one is refused when it is loaded.
func TestLoadContractRefuses(t *testing.T) {
	good := string(contract().YAML())
	for name, text := range map[string]string{
		"not YAML":          "a: [",
		"no version":        strings.Replace(good, "openapi: 3.0.3", "", 1),
		"dangling":          strings.Replace(good, "    Waste:\n", "    Wasted:\n", 1),
		"no role":           strings.Replace(good, "      x-role: admin\n", "", 1),
		"a role of none":    strings.Replace(good, "      x-role: admin\n", "      x-role: root\n", 1),
		"a role and open":   strings.Replace(good, "      x-role: admin\n", "      x-role: admin\n      security: []\n", 1),
		"no operationId":    strings.Replace(good, "      operationId: compare\n", "", 1),
		"body of any media": strings.Replace(good, "      requestBody:\n        required: true\n        content:\n          application/json:", "      requestBody:\n        required: true\n        content:\n          text/plain:", 1),
	} {
		if _, err := api.LoadContract([]byte(text)); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

// failure is an error as the service's own; empty where it is another or none.
func failure(err error) *service.Error {
	var failed *service.Error
	if !errors.As(err, &failed) {
		return &service.Error{}
	}
	return failed
}

// checked is CheckBody where what the contract refuses is an error too.
func checked(operation string, body []byte) error {
	_, refused, err := contract().CheckBody(operation, body)
	if err == nil && len(refused) > 0 {
		return &service.Error{Code: service.Invalid, Faults: refused}
	}
	return err
}

// minimal is the smallest comparison that fits the contract.
const minimal = `{"inventory":"demo@1","functional_unit":{"area":"1 m2","analysis_period_years":1},"baseline":"a","alternatives":[{"name":"a"},{"name":"b"}]}`

// What does not fit the contract is told with a pointer, a stable code and, for
// people, what is accepted.
func TestCheckBodyTellsEveryFault(t *testing.T) {
	type fault struct{ Pointer, Code, Says string }
	in := func(member string) string { // the first alternative with a member more
		return strings.Replace(minimal, `{"name":"a"}`, `{"name":"a",`+member+`}`, 1)
	}
	for name, c := range map[string]struct {
		body string
		want []fault
	}{
		"fits": {minimal, nil},
		"missing members": {`{}`, []fault{
			{"/inventory", "required-member-missing", "missing"}, {"/functional_unit", "required-member-missing", ""},
			{"/baseline", "required-member-missing", ""}, {"/alternatives", "required-member-missing", ""}}},
		"not an object":       {`[]`, []fault{{"", "wrong-type", "a list stands where an object is due"}}},
		"bare number":         {in(`"slab":{"thickness":240}`), []fault{{"/alternatives/0/slab/thickness", "unit-missing", `"240 mm"; accepted: mm, cm, m, km, in, ft, yd, mi`}}},
		"bare decimal":        {in(`"slab":{"thickness":0.24}`), []fault{{"/alternatives/0/slab/thickness", "unit-missing", "accepted: mm"}}},
		"huge exponent":       {in(`"slab":{"thickness":1e999999}`), []fault{{"/alternatives/0/slab/thickness", "unit-missing", "accepted: mm"}}},
		"a list as quantity":  {in(`"slab":{"thickness":[]}`), []fault{{"/alternatives/0/slab/thickness", "wrong-type", "a list stands where a quantity is due"}}},
		"bare amount":         {in(`"mix":{"constituents":[{"item":"x","amount":350}]}`), []fault{{"/alternatives/0/mix/constituents/0/amount", "unit-missing", "kg/m3"}}},
		"bare money":          {in(`"residual":{"method":"given","value":12.5}`), []fault{{"/alternatives/0/residual/value", "unit-missing", "EUR/m2"}}},
		"ratio as number":     {in(`"mix":{"stages":[{"name":"s","mixer":"m","minutes":1,"takes":[{"item":"w","water_binder_ratio":0.3}]}]}`), []fault{{"/alternatives/0/mix/stages/0/takes/0/water_binder_ratio", "wrong-type", "as text"}}},
		"wrong case":          {strings.Replace(minimal, "baseline", "Baseline", 1), []fault{{"/Baseline", "unknown-field", `write "baseline"`}, {"/baseline", "required-member-missing", ""}}},
		"misspelt":            {in(`"slab":{"thicknes":"240 mm"}`), []fault{{"/alternatives/0/slab/thicknes", "unknown-field", `did you mean "thickness"?`}}},
		"pointer is escaped":  {in(`"a/b~c":1`), []fault{{"/alternatives/0/a~1b~0c", "unknown-field", ""}}},
		"long unknown name":   {in(`"` + strings.Repeat("x", 1000) + `":1`), []fault{{"/alternatives/0", "unknown-field", "xxx…"}}},
		"null":                {in(`"slab":null`), []fault{{"/alternatives/0/slab", "wrong-type", "null stands where an object is due"}}},
		"period 0":            {strings.Replace(minimal, `years":1`, `years":0`, 1), []fault{{"/functional_unit/analysis_period_years", "out-of-range", "from 1 to 100"}}},
		"period 500":          {strings.Replace(minimal, `years":1`, `years":500`, 1), []fault{{"/functional_unit/analysis_period_years", "out-of-range", "from 1 to 100"}}},
		"period 1.0":          {strings.Replace(minimal, `years":1`, `years":1.0`, 1), []fault{{"/functional_unit/analysis_period_years", "wrong-type", "whole"}}},
		"period 1e2":          {strings.Replace(minimal, `years":1`, `years":1e2`, 1), []fault{{"/functional_unit/analysis_period_years", "wrong-type", "whole"}}},
		"period of 20 digits": {strings.Replace(minimal, `years":1`, `years":12345678901234567890`, 1), []fault{{"/functional_unit/analysis_period_years", "out-of-range", ""}}},
		"period as text":      {strings.Replace(minimal, `years":1`, `years":"40"`, 1), []fault{{"/functional_unit/analysis_period_years", "wrong-type", "a text stands where a whole number is due"}}},
		"not in the list":     {in(`"transport":[{"to":"plnt"}]`), []fault{{"/alternatives/0/transport/0/to", "not-in-list", `did you mean "plant"?`}}},
		"number in the list":  {in(`"transport":[{"to":7}]`), []fault{{"/alternatives/0/transport/0/to", "wrong-type", "one of plant, site, disposal"}}},
		"too long":            {in(`"slab":{"thickness":"` + strings.Repeat("9", 200) + `"}`), []fault{{"/alternatives/0/slab/thickness", "too-long", "at most 64"}}},
		"empty name":          {in(`"like":""`), []fault{{"/alternatives/0/like", "too-short", ""}}},
		"too few":             {strings.Replace(minimal, `,{"name":"b"}`, "", 1), []fault{{"/alternatives", "too-few", "at least 2"}}},
		"too many":            {in(`"maintenance":[{"item":"x","years":[` + strings.Repeat("1,", 100) + `1]}]`), []fault{{"/alternatives/0/maintenance/0/years", "too-many", "entries: 101; at most 100"}}},
		"take all":            {in(`"mix":{"stages":[{"name":"s","mixer":"m","minutes":1,"takes":"all"}]}`), []fault{{"/alternatives/0/mix/stages/0/takes", "not-in-list", "accepted: rest"}}},
		"take of unknown":     {in(`"mix":{"stages":[{"name":"s","mixer":"m","minutes":1,"takes":[{"itm":"w"}]}]}`), []fault{{"/alternatives/0/mix/stages/0/takes/0/itm", "unknown-field", `"item"`}}},
		"take of a number":    {in(`"mix":{"stages":[{"name":"s","mixer":"m","minutes":1,"takes":5}]}`), []fault{{"/alternatives/0/mix/stages/0/takes", "wrong-type", "or a list"}}},
		"turned writing":      {strings.Replace(minimal, `"name":"a"`, `"name":"a\u202e"`, 1), []fault{{"/alternatives/0/name", "control-character", ""}}},
		"escape sequence":     {strings.Replace(minimal, `"name":"a"`, `"name":"\u001b[2J"`, 1), []fault{{"/alternatives/0/name", "control-character", ""}}},
		"long number":         {strings.Replace(minimal, `years":1`, `years":`+strings.Repeat("9", 1000), 1), []fault{{"/functional_unit/analysis_period_years", "decimal-out-of-range", "1000 characters"}}},
		"fields of the store": {in(`"status":"published","id":1`), []fault{{"/alternatives/0/id", "unknown-field", ""}, {"/alternatives/0/status", "unknown-field", ""}}},
		"two in one request":  {in(`"slab":{"thickness":240,"lane_width":3}`), []fault{{"/alternatives/0/slab/lane_width", "unit-missing", ""}, {"/alternatives/0/slab/thickness", "unit-missing", ""}}},
	} {
		t.Run(name, func(t *testing.T) {
			err := checked("compare", []byte(c.body))
			if err != nil && failure(err).Code != service.Invalid {
				t.Fatalf("code %s", failure(err).Code)
			}
			var got []fault
			for i, f := range service.Faults(err) {
				says := ""
				if i < len(c.want) {
					says = c.want[i].Says
				}
				if !strings.Contains(f.Detail, says) {
					t.Errorf("%s: %q does not say %q", f.Pointer, f.Detail, says)
				}
				if len(f.Detail) > 400 || len(f.Pointer) > 200 {
					t.Errorf("echoes too much: %s %s", f.Pointer, f.Detail)
				}
				got = append(got, fault{string(f.Pointer), f.Code, says})
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Errorf("want (-), got (+):\n%s", diff)
			}
		})
	}
}

// What is not strict JSON, or exceeds a limit of size, is refused before the
// contract is looked at.
func TestCheckBodyRefusesOtherJSON(t *testing.T) {
	type fault struct{ Pointer, Code string }
	deep := func(n int) string { return strings.Repeat("[", n) + strings.Repeat("]", n) }
	for name, c := range map[string]struct {
		body string
		want fault
	}{
		"empty":                   {"", fault{"", "truncated"}},
		"cut off":                 {`{"inventory":"demo`, fault{"/inventory", "truncated"}},
		"cut off behind a member": {`{"inventory":"demo@1"`, fault{"", "truncated"}},
		"trailing text":           {minimal + "x", fault{"", "trailing-data"}},
		"second value":            {minimal + minimal, fault{"", "trailing-data"}},
		"twice":                   {`{"a":{"b":1,"b":2}}`, fault{"/a/b", "duplicate-member"}},
		"twice, written apart":    {`{"a":1,"\u0061":2}`, fault{"/a", "duplicate-member"}},
		"byte-order mark":         {"\ufeff{}", fault{"", "syntax"}},
		"not UTF-8":               {"{\"a\":\"\xff\"}", fault{"", "invalid-utf8"}},
		"lone surrogate":          {`{"a":"\ud800"}`, fault{"/a", "syntax"}},
		"leading zero":            {`{"a":01}`, fault{"", "syntax"}},
		"plus":                    {`{"a":+1}`, fault{"/a", "syntax"}},
		"NaN":                     {`{"a":NaN}`, fault{"/a", "syntax"}},
		"comment":                 {`{/**/}`, fault{"", "syntax"}},
		"trailing comma":          {`[1,]`, fault{"", "syntax"}},
		"too deep":                {deep(api.MaxDepth + 1), fault{strings.Repeat("/0", api.MaxDepth), "too-deep"}},
		"far too deep":            {deep(500_000), fault{strings.Repeat("/0", api.MaxDepth), "too-deep"}},
		"too many entries":        {"[" + strings.Repeat("1,", api.MaxEntries) + "1]", fault{fmt.Sprintf("/%d", api.MaxEntries-1), "too-many-members"}},
		"too many in all":         {"[" + lists(5) + ",[1]]", fault{"/4/994", "too-many-members"}},
		"text too long":           {`["` + strings.Repeat("x", api.MaxStringBytes+1) + `"]`, fault{"/0", "string-too-long"}},
		"name too long":           {`{"` + strings.Repeat("x", api.MaxStringBytes+1) + `":1}`, fault{"", "string-too-long"}},
	} {
		t.Run(name, func(t *testing.T) {
			err := checked("compare", []byte(c.body))
			failed := failure(err)
			if failed.Code != service.Malformed || len(failed.Faults) != 1 {
				t.Fatalf("%#v", err)
			}
			got := fault{string(failed.Faults[0].Pointer), failed.Faults[0].Code}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Errorf("want (-), got (+):\n%s%s", diff, failed.Detail)
			}
			if len(failed.Detail) > 300 {
				t.Errorf("echoes too much: %s", failed.Detail)
			}
		})
	}
}

// lists is n lists of as many entries as a list may have.
func lists(n int) string {
	one := "[" + strings.Repeat("1,", api.MaxEntries-1) + "1]"
	return strings.TrimSuffix(strings.Repeat(one+",", n), ",")
}

// At its limits a body is still read.
func TestCheckBodyAtItsLimits(t *testing.T) {
	for name, body := range map[string]string{
		"depth":   strings.Repeat("[", api.MaxDepth) + strings.Repeat("]", api.MaxDepth),
		"entries": "[" + strings.Repeat("1,", api.MaxEntries-1) + "1]",
		"text":    `["` + strings.Repeat("x", api.MaxStringBytes) + `"]`,
	} {
		if err := checked("compare", []byte(body)); failure(err).Code != service.Invalid {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Whatever comes, the check answers with an error of the service, short and
// with faults, and never panics; what it accepts is JSON for the engine.
func FuzzCheckBody(f *testing.F) {
	f.Add([]byte(minimal))
	f.Add(read(f, "../testdata/demo/comparison.json"))
	f.Add([]byte(`{"a":{"b":1,"b":2}}`))
	f.Add([]byte(`[1e999999,-0,"\ud83d\ude00",null,{"":[]}]`))
	f.Fuzz(func(t *testing.T, body []byte) {
		for _, operation := range []string{"compare", "evaluate"} {
			err := checked(operation, body)
			if err == nil {
				var value any
				if err := json.Unmarshal(body, &value); err != nil {
					t.Errorf("accepted, but the engine's reader says: %v", err)
				}
				continue
			}
			failed := failure(err)
			if (failed.Code != service.Malformed && failed.Code != service.Invalid) || len(failed.Faults) == 0 {
				t.Fatalf("%v", err)
			}
			for _, fault := range failed.Faults {
				if len(fault.Detail) > 600 || fault.Code == "" {
					t.Errorf("%+v", fault)
				}
			}
		}
	})
}
