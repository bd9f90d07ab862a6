package pages

import (
	"bytes"
	"slices"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"slabledger/lca/fault"
)

// document is a request as JSON values, so that a form changes what it shows and leaves
// all else as it is.
type document map[string]any

// readDocument reads a JSON object.
func readDocument(text []byte) (document, error) {
	var d document
	if err := json.Unmarshal(text, &d); err != nil {
		return nil, err
	}
	if d == nil {
		d = document{}
	}
	return d, nil
}

// text is the document in canonical JSON (RFC 8785).
func (d document) text() ([]byte, error) {
	text, err := json.Marshal(map[string]any(d))
	if err != nil {
		return nil, err
	}
	canonical := jsontext.Value(text)
	err = canonical.Canonicalize()
	return canonical, err
}

// stepsOf are the member names and indexes of a path.
func stepsOf(path fault.Path) []string {
	if path == "" {
		return nil
	}
	steps := strings.Split(string(path[1:]), "/")
	for i := range steps {
		steps[i] = fault.Unescape(steps[i])
	}
	return steps
}

// above is the path to what a path stands in.
func above(path fault.Path) fault.Path {
	return path[:max(0, strings.LastIndexByte(string(path), '/'))]
}

// get finds what a path leads to.
func (d document) get(path fault.Path) (any, bool) { return found(map[string]any(d), stepsOf(path)) }

func found(value any, steps []string) (any, bool) {
	for _, step := range steps {
		switch v := value.(type) {
		case map[string]any:
			next, ok := v[step]
			if !ok {
				return nil, false
			}
			value = next
		case []any:
			i, ok := indexIn(v, step)
			if !ok {
				return nil, false
			}
			value = v[i]
		default:
			return nil, false
		}
	}
	return value, true
}

func indexIn(list []any, step string) (int, bool) {
	i, err := strconv.Atoi(step)
	return i, err == nil && i >= 0 && i < len(list) && strconv.Itoa(i) == step
}

// put sets a member, and makes the objects that lead to it where there are none. It
// changes nothing where something else stands in the way.
func (d document) put(path fault.Path, value any) {
	steps := stepsOf(path)
	var at any = map[string]any(d)
	for n, step := range steps {
		last := n == len(steps)-1
		switch v := at.(type) {
		case map[string]any:
			if last {
				v[step] = value
				return
			}
			if _, ok := v[step]; !ok {
				v[step] = map[string]any{}
			}
			at = v[step]
		case []any:
			i, ok := indexIn(v, step)
			if !ok {
				return
			}
			if last {
				v[i] = value
				return
			}
			at = v[i]
		default:
			return
		}
	}
}

// drop leaves a member out, and with it the objects around it that have no other: an
// object of which nothing is stated is not stated itself. An entry of a list stays.
func (d document) drop(path fault.Path) {
	for path != "" {
		object, ok := d.object(above(path))
		if !ok {
			return
		}
		steps := stepsOf(path)
		delete(object, steps[len(steps)-1])
		path = above(path)
		if len(object) > 0 {
			return
		}
	}
}

// object is the object that a path leads to.
func (d document) object(path fault.Path) (map[string]any, bool) {
	v, _ := d.get(path)
	object, ok := v.(map[string]any)
	return object, ok
}

// list is the list that a path leads to.
func (d document) list(path fault.Path) ([]any, bool) {
	v, _ := d.get(path)
	list, ok := v.([]any)
	return list, ok
}

// textAt is the text that a path leads to; empty where there is none.
func (d document) textAt(path fault.Path) string {
	v, _ := d.get(path)
	text, _ := v.(string)
	return text
}

// moved is a list with an entry at another place, one further up or down.
func moved(list []any, from, to int) []any {
	list = slices.Clone(list)
	if from >= 0 && from < len(list) && to >= 0 && to < len(list) {
		list[from], list[to] = list[to], list[from]
	}
	return list
}

// copied is a value of its own, which shares nothing with the first.
func copied(value any) any {
	switch v := value.(type) {
	case map[string]any:
		object := make(map[string]any, len(v))
		for name, member := range v {
			object[name] = copied(member)
		}
		return object
	case []any:
		list := make([]any, len(v))
		for i := range v {
			list[i] = copied(v[i])
		}
		return list
	}
	return value
}

// shownAs is a value as the text of a field: a text as it is, whole numbers of a list
// with commas between, all else as JSON.
func shownAs(value any) string {
	switch v := value.(type) {
	case nil:
		return "null"
	case string:
		return v
	case float64:
		if v == 0 { // also where it is written -0, which canonical JSON has no more
			return "0"
		}
	case []any:
		if years := numbersOf(v); len(years) > 0 {
			return strings.Join(years, ", ")
		}
	}
	text, err := json.Marshal(value, json.Deterministic(true))
	if err != nil {
		return ""
	}
	return string(text)
}

// numbersOf are the texts of a list of whole numbers; nil of any other.
func numbersOf(list []any) []string {
	var texts []string
	for _, entry := range list {
		n, ok := entry.(float64)
		if !ok {
			return nil
		}
		text := shownAs(n)
		if whole, ok := wholeOf(text); !ok || whole != n {
			return nil
		}
		texts = append(texts, text)
	}
	return texts
}

// wholeOf reads a whole number that is written in digits alone.
func wholeOf(text string) (float64, bool) {
	n, err := strconv.ParseInt(text, 10, 64)
	const most = 1 << 53 // beyond, a number of JSON is not exact (RFC 8259, 6)
	return float64(n), err == nil && strconv.FormatInt(n, 10) == text && -most < n && n < most
}

// memberOrder is the order in which people read the members of a request; others follow
// by the alphabet.
var memberOrder = func() map[string]int {
	order := map[string]int{}
	for i, name := range strings.Fields(`name inventory functional_unit area analysis_period_years service economics baseline strategies
		like item category mix by_ratio binder water_binder_ratio constituents add amount air absorbed_water production stages mixer minutes takes share
		slab thickness method traffic soil edge strength serviceability rounding lane_width joints spacing dowel dowel_spacing tie_bar tie_bar_spacing sealant
		layers curing waste concrete transport to mode distance construction maintenance every_years years at_age_years after module life_years
		end_of_life residual carbonation specified_concrete reason alternatives`) {
		order[name] = i + 1
	}
	return order
}()

// readable is the document as JSON for people: indented, in the order of the contract.
func (d document) readable() (string, error) {
	var out bytes.Buffer
	enc := jsontext.NewEncoder(&out, jsontext.WithIndent("  "))
	if err := write(enc, map[string]any(d)); err != nil {
		return "", err
	}
	return out.String(), nil
}

func write(enc *jsontext.Encoder, value any) error {
	switch v := value.(type) {
	case map[string]any:
		names := make([]string, 0, len(v))
		for name := range v {
			names = append(names, name)
		}
		slices.SortFunc(names, func(a, b string) int {
			i, j := memberOrder[a], memberOrder[b]
			switch {
			case i == j:
				return strings.Compare(a, b)
			case i == 0:
				return 1
			case j == 0:
				return -1
			}
			return i - j
		})
		if err := enc.WriteToken(jsontext.BeginObject); err != nil {
			return err
		}
		for _, name := range names {
			if err := enc.WriteToken(jsontext.String(name)); err != nil {
				return err
			}
			if err := write(enc, v[name]); err != nil {
				return err
			}
		}
		return enc.WriteToken(jsontext.EndObject)
	case []any:
		if err := enc.WriteToken(jsontext.BeginArray); err != nil {
			return err
		}
		for _, entry := range v {
			if err := write(enc, entry); err != nil {
				return err
			}
		}
		return enc.WriteToken(jsontext.EndArray)
	}
	return json.MarshalEncode(enc, value)
}
