package pages

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"slabledger/inventory"
	"slabledger/lca/fault"
)

// node is a part of the form: a field, a group of fields, a list of rows or one row.
type node struct {
	Is        string // "field", "group", "rows", "row", "words" or "foreign"
	Pointer   string // its name in the form: the JSON Pointer (RFC 6901) of the member
	ID        string
	Label     string
	Term      string
	Hint      string
	HintID    string // of the hint, which rows of a list have in common
	Inherited string // what the alternative that this one is like has here
	Example   string
	Faults    []Fault
	Parts     []*node
	Actions   []action
	Elsewhere []string // members that the form has no field for
	More      int      // rows that are not shown
	Hints     []hint   // of the fields of rows
	Open      bool     // of a group that can be folded
	Folds     bool
	Focus     bool

	Value   string // of a field, as it is in the request
	Select  bool
	Choices []choices
	List    string // id of a list of suggestions
	Several bool   // of the choices any number may be made
	Long    bool   // the text has lines

	FieldsOnly bool // the page shows the request in no other way

	member member
	up     *node
	unread bool // no method that is chosen reads it
}

type (
	// action is a button: what it does and to what, and its words.
	action struct{ Do, Label, Full string }
	hint   struct{ ID, Label, Text string }
	// choices are options under one heading.
	choices struct {
		Label   string
		Options []option
	}
	option struct {
		Value, Label string
		Chosen       bool
	}
	suggestions struct {
		ID      string
		Options []option
	}
)

const (
	// maxOffered is how many items a list to choose from offers; where there are more, a
	// field with suggestions is shorter.
	maxOffered = 40
	// maxSuggested is how many items are suggested.
	maxSuggested = 500
	// maxRows is how many rows a page shows in all, and maxChosen how many of them choose
	// from lists, so that a page stays one that can be read whatever stands in it.
	maxRows, maxChosen = 500, 100
	// maxElsewhere is how many members of an object without a field are named.
	maxElsewhere = 20
	// maxAlternatives is how many alternatives a comparison has (openapi.yaml).
	maxAlternatives = 200
	// maxStrategies is how many maintenance plans it has.
	maxStrategies = 50
)

// form is a request with the nodes that show it.
type form struct {
	doc     document
	open    int                // the alternative that is shown in full
	version *inventory.Version // nil where the request names none that is known
	refs    []option           // versions that may be chosen

	shown    int      // rows
	named    []string // the alternatives, as names tells
	nodes    map[fault.Path]*node
	order    []*node
	actions  map[string]bool
	offered  map[string][]choices
	lists    []suggestions
	Question []*node
	Shown    []*node // of the open alternative

	members    []member // of the request, and of its open alternative
	whole      string   // what the request is called
	fieldsOnly bool     // the page shows the request in no other way
	methods    []string // that the request chooses, where only what they read is shown
}

// newPlainForm is the form of a request that is no comparison, of which groups that no
// one has to fill in are folded. The first of the members chooses methods.
func newPlainForm(doc document, whole string, members []member, folded ...string) *form {
	f := &form{doc: doc, whole: whole, fieldsOnly: true, nodes: map[fault.Path]*node{}, actions: map[string]bool{}, offered: map[string][]choices{}}
	chosen, _ := doc.list(fault.Path("").At(members[0].name))
	for _, method := range append(slices.Clone(chosen), any(doc.textAt(fault.Path("").At(members[0].name)))) {
		if name, _ := method.(string); slices.Contains(members[0].choices, name) {
			f.methods = append(f.methods, name)
		}
	}
	f.members = members
	f.Question = f.parts(members, "", doc, nil)
	f.offer(f.Question[0], action{"fields " + f.Question[0].Pointer, "Show its fields", "Show its fields: " + members[0].label})
	for _, n := range f.Question {
		if slices.Contains(folded, n.member.name) {
			n.Folds = true
			_, n.Open = doc[n.member.name]
		}
	}
	return f
}

func newForm(doc document, open int, version *inventory.Version, refs []option) *form {
	f := &form{doc: doc, whole: "The comparison", members: slices.Concat(questionMembers, alternativeMembers), version: version, refs: refs, nodes: map[fault.Path]*node{}, actions: map[string]bool{}, offered: map[string][]choices{}}
	alternatives, _ := doc.list("/alternatives")
	f.named = f.names()
	full := len(alternatives) >= maxAlternatives
	alternatives = alternatives[:min(len(alternatives), maxAlternatives)]
	f.open = max(0, min(open, len(alternatives)-1))
	f.Question = f.parts(questionMembers, "", doc, nil)
	f.Question = append(f.Question, f.node(member{name: "baseline", label: "Baseline", kind: aChoice, choices: []string{"names"}, term: "Baseline", hint: "The alternative that the others are measured against."}, "", doc, nil))
	if !full {
		f.may("add /alternatives")
	}
	for i := range alternatives {
		at := fault.Path("/alternatives").At(i)
		f.may("open "+string(at), "remove "+string(at))
		if !full {
			f.may("duplicate "+string(at), "like "+string(at))
		}
		if i > 0 {
			f.may("up " + string(at))
		}
		if i < len(alternatives)-1 {
			f.may("down " + string(at))
		}
	}
	if f.open < len(alternatives) {
		at := fault.Path("/alternatives").At(f.open)
		if object, ok := alternatives[f.open].(map[string]any); ok {
			f.Shown = f.parts(alternativeMembers, at, object, nil)
		}
	}
	return f
}

func (f *form) may(actions ...string) {
	for _, a := range actions {
		f.actions[a] = true
	}
}

// idOf is the id of the node of a path. Names of members have letters, digits and low
// lines alone where there is a node.
func idOf(at fault.Path) string { return "at" + strings.ReplaceAll(string(at), "/", "-") }

func (f *form) new(is string, m member, at fault.Path, up *node) *node {
	n := &node{Is: is, Pointer: string(at), ID: idOf(at), Label: m.label, Term: m.term, Example: m.example, member: m, up: up, Open: true, FieldsOnly: f.fieldsOnly}
	f.nodes[at] = n
	return n
}

func (f *form) parts(members []member, at fault.Path, object map[string]any, up *node) []*node {
	var parts []*node
	for _, m := range members {
		read := f.read(m)
		if _, given := object[m.name]; !read && !given {
			continue
		}
		n := f.node(m, at, object, up)
		if !read { // what is in the request is not hidden
			n.Hint, n.HintID, n.unread = strings.TrimSpace("Given, and not read by what is chosen. "+n.Hint), n.ID+"-hint", true
		}
		parts = append(parts, n)
	}
	return parts
}

// read tells whether a method that is chosen reads a member. Until one is, any may.
func (f *form) read(m member) bool {
	return len(m.methods) == 0 || len(f.methods) == 0 || slices.ContainsFunc(f.methods, func(method string) bool { return slices.Contains(m.methods, method) })
}

// node shows a member of an object, which may be absent.
func (f *form) node(m member, parent fault.Path, object map[string]any, up *node) *node {
	at := parent.At(m.name)
	value, given := object[m.name]
	switch m.kind {
	case aGroup:
		return f.group(m, at, value, given, up)
	case manyRows:
		return f.rows(m, at, value, given, up)
	case aTakes:
		if value == "rest" {
			n := f.new("words", m, at, up)
			n.Value = "All that the earlier stages have left."
			f.offer(n, action{"shares " + n.Pointer, "Take shares instead", "Take shares instead, in this stage"})
			return n
		}
		n := f.rows(m, at, value, given, up)
		if n.Is == "rows" {
			f.offer(n, action{"rest " + n.Pointer, "Take the rest", "Take the rest in this stage"})
		}
		return n
	case aThickness:
		if _, sized := value.(map[string]any); sized {
			n := f.group(m, at, value, given, up)
			f.offer(n, action{"give " + n.Pointer, "Give a thickness instead", "Give a thickness instead of sizing the slab"})
			return n
		}
		n := f.field(m, at, value, given, up)
		f.offer(n, action{"size " + n.Pointer, "Size it by a method", "Size it by a method: the slab"})
		return n
	}
	return f.field(m, at, value, given, up)
}

func (f *form) offer(n *node, a action) {
	f.may(a.Do)
	n.Actions = append(n.Actions, a)
}

// foreign is a member that is not of the form that the contract describes, so that no
// field can show it.
func (f *form) foreign(m member, at fault.Path, up *node) *node {
	n := f.new("foreign", m, at, up)
	f.offer(n, action{"unstate " + n.Pointer, "Remove", "Remove " + m.label})
	return n
}

func (f *form) group(m member, at fault.Path, value any, given bool, up *node) *node {
	object, ok := value.(map[string]any)
	if given && !ok {
		return f.foreign(m, at, up)
	}
	n := f.new("group", m, at, up)
	n.Hint = m.hint
	n.Folds, n.Open = up != nil || strings.HasPrefix(n.Pointer, "/alternatives/"), given
	if m.name == "mix" || m.name == "slab" {
		n.Folds, n.Open = false, true
	}
	if slices.Contains([]string{"strength", "soil", "traffic"}, m.name) && up != nil && up.member.kind == aThickness {
		n.Open = true // which no method does without
	}
	n.Parts, n.Elsewhere = f.parts(m.parts, at, object, n), elsewhere(object, m.parts)
	if _, from, found := f.inherited(at); found && !given {
		n.Inherited = "As in “" + from + "”"
	}
	return n
}

// elsewhere names the members of an object that the form has no field for.
func elsewhere(object map[string]any, known []member) []string {
	var names []string
	for name := range object {
		if !slices.ContainsFunc(known, func(m member) bool { return m.name == name }) {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	if more := len(names) - maxElsewhere; more > 0 {
		names = append(names[:maxElsewhere], "and "+strconv.Itoa(more)+" others")
	}
	return names
}

func (f *form) rows(m member, at fault.Path, value any, given bool, up *node) *node {
	list, ok := value.([]any)
	if given && !ok {
		return f.foreign(m, at, up)
	}
	n := f.new("rows", m, at, up)
	n.Hint, n.Value = m.hint, map[bool]string{true: "None.", false: "Not stated."}[given]
	n.Folds, n.Open = (up != nil || m.name == "strategies") && m.name != "constituents" && m.kind != aTakes, len(list) > 0
	for _, part := range m.parts {
		if text := part.wantedOfRows(); text != "" && len(list) > 0 && f.read(part) {
			n.Hints = append(n.Hints, hint{hintOf(n.ID, part), part.label, text})
		}
	}
	for i, entry := range list {
		if i >= m.most || f.shown >= maxRows {
			n.More = len(list) - i
			break
		}
		f.shown++
		row := m
		row.label = strings.ToUpper(m.entry[:1]) + m.entry[1:] + " " + strconv.Itoa(i+1)
		r := f.new("row", row, at.At(i), n)
		object, ok := entry.(map[string]any)
		if !ok {
			r.Is = "foreign"
		} else {
			r.Parts, r.Elsewhere = f.parts(m.parts, at.At(i), object, r), elsewhere(object, m.parts)
			for _, part := range r.Parts {
				if part.Is == "field" && part.Hint == part.member.wanted() && !part.unread {
					part.Hint, part.HintID = "", ""
					if part.member.wantedOfRows() != "" {
						part.HintID = hintOf(n.ID, part.member)
					}
				}
			}
		}
		what := m.entry + " " + strconv.Itoa(i+1)
		f.offer(r, action{"remove " + r.Pointer, "Remove", "Remove " + what})
		if i > 0 {
			f.offer(r, action{"up " + r.Pointer, "Move up", "Move up " + what})
		}
		if i < len(list)-1 {
			f.offer(r, action{"down " + r.Pointer, "Move down", "Move down " + what})
		}
		n.Parts = append(n.Parts, r)
	}
	if len(list) < m.most {
		f.offer(n, action{"add " + n.Pointer, "Add a " + m.entry, "Add a " + m.entry + " to: " + m.label})
		if strings.ContainsRune("aeiou", rune(m.entry[0])) {
			n.Actions[len(n.Actions)-1].Label = "Add an " + m.entry
			n.Actions[len(n.Actions)-1].Full = "Add an " + m.entry + " to: " + m.label
		}
	}
	other, from, found := f.inherited(at)
	theirs, _ := other.([]any)
	switch {
	case given && len(list) == 0:
		f.offer(n, action{"unstate " + n.Pointer, "Leave it unstated", "Leave it unstated: " + m.label})
	case !given && found && m.name != "add":
		n.Inherited = "As in “" + from + "”: " + strconv.Itoa(len(theirs))
		if len(theirs) > 0 {
			f.offer(n, action{"copy " + n.Pointer, "Copy them here to change them", "Copy them here to change them: " + m.label})
		}
		f.offer(n, action{"none " + n.Pointer, "State that there is none", "State that there is none: " + m.label})
	case !given && m.kind == manyRows && m.name != "add":
		f.offer(n, action{"none " + n.Pointer, "State that there is none", "State that there is none: " + m.label})
	}
	return n
}

func hintOf(id string, m member) string { return id + "-" + m.name + "-hint" }

func (f *form) field(m member, at fault.Path, value any, given bool, up *node) *node {
	n := f.new("field", m, at, up)
	f.order = append(f.order, n)
	if n.Hint = m.wanted(); n.Hint != "" {
		n.HintID = n.ID + "-hint"
	}
	if given {
		n.Value = shownAs(value)
	} else if other, from, found := f.inherited(at); found {
		n.Inherited = "As in “" + from + "”"
		if _, isObject := other.(map[string]any); !isObject {
			n.Inherited += ": " + shownAs(other)
		}
	}
	switch m.kind {
	case aYesNo:
		n.Choices = []choices{{Options: []option{{Value: "true", Label: "yes"}, {Value: "false", Label: "no"}}}}
	case aChoice:
		n.Choices = f.choicesOf(m)
	case anItem:
		f.offerItems(n)
	case someChoices:
		f.severalOf(n, value)
		return n
	case aLongText:
		n.Long = true
		return n
	default:
		return n
	}
	if n.List != "" {
		return n
	}
	n.Select = true
	n.Choices = slices.Clone(n.Choices)
	none := "not stated"
	if n.Inherited != "" {
		none = strings.ToLower(n.Inherited[:1]) + n.Inherited[1:]
	}
	first := []option{{Value: "", Label: none, Chosen: n.Value == ""}}
	known := n.Value == ""
	for i, c := range n.Choices {
		n.Choices[i].Options = slices.Clone(c.Options)
		for j, o := range c.Options {
			if o.Value == n.Value && !known {
				n.Choices[i].Options[j].Chosen, known = true, true
			}
		}
	}
	if !known {
		note := " (not accepted here)"
		if m.kind == anItem {
			note = " (not in the inventory)"
		}
		first = append(first, option{Value: n.Value, Label: n.Value + note, Chosen: true})
	}
	n.Choices = append([]choices{{Options: first}}, n.Choices...)
	return n
}

// severalOf has the field offer its choices, of which any number may be made. What is not
// among them stays offered as it is.
func (f *form) severalOf(n *node, value any) {
	n.Several = true
	made, _ := value.([]any)
	options := slices.Clone(f.choicesOf(n.member)[0].Options)
	for i := range options {
		options[i].Chosen = slices.Contains(made, any(options[i].Value))
	}
	for _, entry := range made[:min(len(made), maxElsewhere)] {
		if text := shownAs(entry); !slices.ContainsFunc(options, func(o option) bool { return o.Value == text }) {
			options = append(options, option{Value: text, Label: text + " (not accepted here)", Chosen: true})
		}
	}
	n.Choices = []choices{{Options: options}}
}

// names are those of the alternatives, in order.
func (f *form) names() []string {
	list, _ := f.doc.list("/alternatives")
	names := make([]string, len(list))
	for i, entry := range list {
		object, _ := entry.(map[string]any)
		names[i], _ = object["name"].(string)
	}
	return names
}

func (f *form) choicesOf(m member) []choices {
	key := strings.Join(m.choices, "\x00")
	if known, ok := f.offered[key]; ok {
		return known
	}
	var values []string
	switch m.choices[0] {
	case "names":
		values = f.names()
		values = values[:min(len(values), maxAlternatives)]
	case "others":
		names := f.names()
		for i, name := range names[:min(len(names), maxAlternatives)] {
			if i != f.open {
				values = append(values, name)
			}
		}
	case "inventories":
		options := f.refs
		if chosen := f.doc.textAt("/inventory"); f.version != nil && !slices.ContainsFunc(options, func(o option) bool { return o.Value == chosen }) {
			options = append(slices.Clone(options), option{Value: chosen, Label: chosen + ", " + f.version.Meta.Name}) // an older one, or the newest without its number
		}
		f.offered[key] = []choices{{Options: options}}
		return f.offered[key]
	case "groups":
		values = groups
	case "categories":
		for _, category := range inventory.Categories() {
			values = append(values, string(category))
		}
	case "strategies":
		list, _ := f.doc.list("/strategies")
		for _, entry := range list[:min(len(list), maxStrategies)] {
			object, _ := entry.(map[string]any)
			if name, _ := object["name"].(string); name != "" {
				values = append(values, name)
			}
		}
	default:
		values = m.choices
	}
	var options []option
	for _, value := range values {
		label := value
		if words, ok := spoken[value]; ok && m.choices[0] != "names" && m.choices[0] != "others" {
			label = words
		}
		if value != "" {
			options = append(options, option{Value: value, Label: label})
		}
	}
	f.offered[key] = []choices{{Options: options}}
	return f.offered[key]
}

// offerItems has the field choose among the items of some categories, or suggests them
// where they are many.
func (f *form) offerItems(n *node) {
	var key strings.Builder
	key.WriteString("items")
	for _, category := range n.member.items {
		key.WriteString("-" + string(category))
	}
	if n.member.mixers {
		key.WriteString("-mixers")
	}
	id := key.String()
	offered, known := f.offered[id]
	if !known {
		for _, category := range n.member.items {
			c := choices{Label: string(category)}
			if f.version == nil {
				continue
			}
			for i := range f.version.Items {
				it := &f.version.Items[i]
				if it.Category == category && (!n.member.mixers || it.BatchVolume.Valid) {
					c.Options = append(c.Options, option{Value: it.Code, Label: it.Name + " (" + it.Code + ")"})
				}
			}
			if len(c.Options) > 0 {
				offered = append(offered, c)
			}
		}
		f.offered[id] = offered
	}
	count := 0
	for _, c := range offered {
		count += len(c.Options)
	}
	if count > 0 && count <= maxOffered && f.shown <= maxChosen {
		n.Choices = offered
		return
	}
	n.List = id
	if count == 0 {
		n.Hint = "The code of an item. " + map[bool]string{true: "No inventory is chosen yet.", false: "The inventory has none of: " + joined(n.member.items) + "."}[f.version == nil]
		n.HintID = n.ID + "-hint"
	}
	if !slices.ContainsFunc(f.lists, func(s suggestions) bool { return s.ID == id }) {
		var all []option
		for _, c := range offered {
			all = append(all, c.Options...)
		}
		f.lists = append(f.lists, suggestions{id, all[:min(len(all), maxSuggested)]})
	}
}

func joined(categories []inventory.Category) string {
	names := make([]string, len(categories))
	for i, category := range categories {
		names[i] = string(category)
	}
	return strings.Join(names, ", ")
}

// inherited is what the open alternative takes over at a path from the one that it is
// like, and from which. Objects merge, so the nearest that has the member gives it; where
// another member takes the place of what is asked for there is none.
func (f *form) inherited(at fault.Path) (value any, from string, found bool) {
	own := fault.Path("/alternatives").At(f.open)
	member, inside := strings.CutPrefix(string(at), string(own)+"/")
	if !inside || member == "name" || member == "like" || strings.Contains(member, "/strength/") || strings.Contains(member, "/soil/") {
		return nil, "", false
	}
	for _, i := range f.chain(f.open)[1:] {
		there := fault.Path("/alternatives").At(i)
		if value, ok := f.doc.get(there + fault.Path("/"+member)); ok {
			return value, f.doc.textAt(there.At("name")), true
		}
		for one, other := range map[string]string{"mix/constituents": "mix/by_ratio", "mix/by_ratio": "mix/constituents", "maintenance": "strategy", "strategy": "maintenance"} {
			if _, instead := f.doc.get(there + fault.Path("/"+other)); instead && strings.HasPrefix(member+"/", one+"/") {
				return nil, "", false
			}
		}
		if given, ok := f.doc.get(there.At("slab", "thickness")); ok && strings.HasPrefix(member, "slab/thickness/") {
			if _, sized := given.(map[string]any); !sized {
				return nil, "", false
			}
		}
	}
	return nil, "", false
}

// maxLike is how deep alternatives may stand on each other (service/resolve.go).
const maxLike = 16

// chain is an alternative and those that it is like.
func (f *form) chain(i int) []int {
	chain := []int{i}
	for len(chain) <= maxLike {
		like := f.doc.textAt(fault.Path("/alternatives").At(chain[len(chain)-1], "like"))
		next := slices.Index(f.named, like)
		if like == "" || next < 0 {
			break
		}
		chain = append(chain, next)
	}
	return chain
}

// constituents are those of an alternative with what it takes over, as they are to be
// copied into one that is like it.
func (f *form) constituents(chain []int) []any {
	var list []any
	for k := len(chain) - 1; k >= 0; k-- {
		mix := fault.Path("/alternatives").At(chain[k], "mix")
		if own, ok := f.doc.list(mix.At("constituents")); ok {
			list = nil
			list = append(list, own...)
		}
		added, _ := f.doc.list(mix.At("add"))
		list = append(list, added...)
	}
	return list
}

// take reads what was typed. A field that was left as it was shown changes nothing, so
// that whatever the request has there stays; one that was emptied leaves its member out.
func (f *form) take(typed map[string][]string) {
	for _, n := range f.order {
		texts, sent := typed[n.Pointer]
		if sent && n.Several {
			f.doc.put(fault.Path(n.Pointer), madeOf(texts))
			continue
		}
		if !sent || len(texts) != 1 || oneLine(texts[0]) == oneLine(n.Value) {
			continue
		}
		at, text := fault.Path(n.Pointer), oneLine(texts[0])
		if n.Long {
			text = manyLines(texts[0])
		}
		if strings.TrimSpace(text) == "" {
			f.doc.drop(at)
			continue
		}
		f.doc.put(at, n.member.read(text))
		if before := n.Value; n.Pointer == string(fault.Path("/alternatives").At(f.open, "name")) && before != "" {
			f.rename(before, text)
		}
	}
	f.named = f.names()
}

// madeOf are the choices that were made; the empty one says only that the field was sent.
func madeOf(texts []string) []any {
	list := []any{}
	for _, text := range texts {
		if text != "" {
			list = append(list, oneLine(text))
		}
	}
	return list
}

// manyLines is a text as a browser sends it back from a field of many lines, with the
// line ends of a file.
func manyLines(text string) string {
	return strings.NewReplacer("\r\n", "\n", "\r", "\n", "\x00", "\uFFFD").Replace(strings.ToValidUTF8(text, "\uFFFD"))
}

// oneLine is a text as a browser sends it back from a field of one line.
func oneLine(text string) string {
	return strings.NewReplacer("\r", "", "\n", "", "\x00", "\uFFFD").Replace(strings.ToValidUTF8(text, "\uFFFD"))
}

// read is what a text means in a member. A number or a word that cannot be read stays a
// text, which the check then tells.
func (m member) read(text string) any {
	switch m.kind {
	case aWhole:
		if n, ok := wholeOf(strings.TrimSpace(text)); ok {
			return n
		}
	case aYesNo:
		if text == "true" || text == "false" {
			return text == "true"
		}
	case manyWholes:
		var list []any
		for part := range strings.SplitSeq(text, ",") {
			n, ok := wholeOf(strings.TrimSpace(part))
			if !ok {
				return text
			}
			list = append(list, n)
		}
		return list
	}
	return text
}

// rename lets what names an alternative follow its new name, where the old one was its
// own alone and the new one is.
func (f *form) rename(before, after string) {
	names := f.names()
	first := slices.Index(names, after)
	if slices.Contains(names, before) || slices.Contains(names[first+1:], after) {
		return
	}
	if f.doc.textAt("/baseline") == before {
		f.doc.put("/baseline", after)
	}
	list, _ := f.doc.list("/alternatives")
	for i := range list {
		if at := fault.Path("/alternatives").At(i, "like"); f.doc.textAt(at) == before {
			f.doc.put(at, after)
		}
	}
}

// do does what a button says, and tells where the form goes on: the path of what is to
// have the focus. It is false where the form has no such button.
func (f *form) do(what string) (focus fault.Path, known bool) {
	if !f.actions[what] {
		return "", false
	}
	verb, pointer, _ := strings.Cut(what, " ")
	at := fault.Path(pointer)
	parent := above(at)
	list, _ := f.doc.list(at)
	siblings, _ := f.doc.list(parent)
	i, _ := strconv.Atoi(strings.TrimPrefix(pointer, string(parent)+"/"))
	ofAlternatives := parent == "/alternatives"
	switch verb {
	case "add":
		if at == "/alternatives" {
			f.doc.put(at, append(list, map[string]any{"name": f.unused("alternative " + strconv.Itoa(len(list)+1))}))
			f.open = len(list)
			return at.At(f.open, "name"), true
		}
		f.doc.put(at, append(list, map[string]any{}))
		return at.At(len(list)), true
	case "remove":
		if i < len(siblings) {
			f.doc.put(parent, slices.Delete(slices.Clone(siblings), i, i+1))
		}
		if ofAlternatives && (f.open > i || f.open == len(siblings)-1) {
			f.open = max(0, f.open-1)
		}
		return parent, true
	case "up", "down":
		to := i + map[string]int{"up": -1, "down": 1}[verb]
		f.doc.put(parent, moved(siblings, i, to))
		if ofAlternatives && f.open == i {
			f.open = to
		} else if ofAlternatives && f.open == to {
			f.open = i
		}
		return parent.At(to), true
	case "none":
		f.doc.put(at, []any{})
	case "unstate":
		f.doc.drop(at)
		if _, isEntry := f.doc.list(parent); isEntry {
			f.doc.put(parent, slices.Delete(slices.Clone(siblings), i, i+1))
		}
		return parent, true
	case "copy":
		theirs, _, _ := f.inherited(at)
		if strings.HasSuffix(pointer, "/mix/constituents") {
			theirs = f.constituents(f.chain(f.open)[1:])
		}
		f.doc.put(at, copied(theirs))
	case "size":
		design := map[string]any{"method": "eb109p"}
		if theirs, _, found := f.inherited(at); found {
			if _, sized := theirs.(map[string]any); sized {
				design = map[string]any{}
			}
		}
		f.doc.put(at, design)
	case "give":
		f.doc.drop(at)
	case "rest":
		f.doc.put(at, "rest")
	case "shares":
		f.doc.put(at, []any{map[string]any{}})
	case "open":
		f.open = i
		return at, true
	case "duplicate", "like":
		object, _ := siblings[i].(map[string]any)
		name, _ := object["name"].(string)
		fresh := map[string]any{"like": name}
		if verb == "duplicate" {
			fresh, _ = copied(siblings[i]).(map[string]any)
		}
		if fresh == nil {
			fresh = map[string]any{}
		}
		fresh["name"] = f.unused(name + ", variant")
		f.doc.put(parent, slices.Insert(slices.Clone(siblings), i+1, any(fresh)))
		f.open = i + 1
		return parent.At(i+1, "name"), true
	}
	return at, true
}

// unused is a name that no alternative has yet.
func (f *form) unused(name string) string {
	names, fresh := f.names(), name
	for n := 2; slices.Contains(names, fresh); n++ {
		fresh = name + " " + strconv.Itoa(n)
	}
	return fresh
}

// wrong is a fault in the summary of the page: a link to its field, or a button to open
// the alternative that has it.
type wrong struct {
	Fault
	Where string // in words
	Link  string // id of the node; empty where none is shown
	Open  string // the action that shows it
}

// blame puts faults beside what they are of, and lists them.
func (f *form) blame(faults []Fault) []wrong {
	var all []wrong
	names := f.names()
	for _, found := range faults {
		w := wrong{Fault: found, Where: cmp.Or(found.Pointer, f.whole)}
		for at := fault.Path(found.Pointer); at != ""; at = above(at) {
			n := f.nodes[at]
			if n == nil {
				continue
			}
			found.Detail = f.inWords(n, found.Detail)
			n.Faults, w.Fault = append(n.Faults, found), found
			w.Link, w.Where = n.ID, n.Label
			n.Open = true
			for up := n.up; up != nil; up = up.up {
				up.Open = true
				w.Where = up.Label + ", " + w.Where
			}
			if strings.HasPrefix(found.Pointer, "/alternatives/") && names[f.open] != "" {
				w.Where = "“" + names[f.open] + "”: " + w.Where
			}
			break
		}
		if steps := stepsOf(fault.Path(found.Pointer)); w.Link == "" && len(steps) > 1 && steps[0] == "alternatives" {
			if open := "open /alternatives/" + steps[1]; f.actions[open] && steps[1] != strconv.Itoa(f.open) {
				w.Open = open
				i, _ := strconv.Atoi(steps[1])
				w.Where = "“" + names[i] + "”: " + strings.Join(steps[2:], ", ")
			}
		}
		all = append(all, w)
	}
	return all
}

// look puts the focus on the first field of what a path leads to.
func (f *form) look(at fault.Path) bool {
	n := f.nodes[at]
	if n == nil {
		return false
	}
	for up := n; up != nil; up = up.up {
		up.Open = true
	}
	for n.Is == "row" && len(n.Parts) > 0 {
		n = n.Parts[0]
	}
	n.Focus = true
	return true
}
