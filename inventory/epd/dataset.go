// Package epd reads environmental product declarations in the open ILCD+EPD
// format: a process data set of the International Life Cycle Data system with
// the EPD extensions, as XML, or as the JSON in which open registries hand out
// the same data set. What is read is the global warming potential by module of
// EN 15804 (+A1: GWP; +A2: GWP-total, -fossil, -biogenic, -luluc) and what an
// inventory needs to name its source.
//
// Reading is pure: nothing is fetched, no reference to another data set is
// followed, and no clock is read, so whether a declaration has expired is the
// caller's question. Numbers are read exactly, from their bytes; see printed.
//
// The names of elements, of namespaces and of JSON members, the closed lists and
// the identifiers of methods are values from memory of the published schemas,
// not compared with a copy of them.
package epd

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
)

// Limits of a data set. They are checked while it is read, before anything is
// made of it.
const (
	MaxBytes      = 8 << 20
	MaxDepth      = 32      // elements or JSON values inside each other
	MaxNodes      = 100_000 // elements and attributes, or JSON values
	MaxAttributes = 64      // of one element
	MaxTokenBytes = 256 << 10
	MaxReported   = 100 // faults of an Error; the rest is counted
)

// Form is how a data set is written.
type Form string

// Forms.
const (
	XML  Form = "xml"
	JSON Form = "json"
)

// Options of Read. The zero value takes everything from the data set.
type Options struct {
	// Form is what the content must be; empty where either will do.
	Form Form
	// Unit is the declared unit, one of inventory.DeclaredUnits. It is needed
	// where the data set leaves its unit to a flow data set, as XML process data
	// sets commonly do; where the data set states one, it must be the same.
	Unit string
}

// DataSet is a declaration as it is printed: no result is converted or rounded.
type DataSet struct {
	UUID    string
	Version string // "01.00.000"; empty where not stated
	Name    string // English where there is one, else the first language given
	SubType string // one of SubTypes; empty where not stated

	Owner                 string
	RegistrationNumber    string // empty where not stated
	RegistrationAuthority string // empty where not stated
	ReferenceYear         int    // 0 where not stated
	ValidUntil            int    // the last calendar year
	Geography             string // location code, as in "DE" or "RER"; empty where not stated

	Licence      string // type of licence; empty where not stated
	Copyright    bool   // the data set says that it is under copyright
	Restrictions string // of access and use; empty where not stated

	DeclaredUnit Quantity // to which all results refer; the amount is more than 0
	Properties   []Property
	Scenarios    []Scenario
	Indicators   []Indicator // in the order of IndicatorNames, each with at least A1-A3

	Notices []Notice // what to know; nothing here makes the data set unusable
}

// Quantity is an amount in a unit.
type Quantity struct {
	Amount decimal.Decimal
	Unit   string
}

// Property is a property of the material, such as its gross density, or the
// amount of another flow property in one reference flow, such as a volume.
type Property struct {
	Name  string
	Value decimal.Decimal
	Unit  string // as printed
}

// Scenario is one of the ways in which a module may go.
type Scenario struct {
	Name        string
	Group       string
	Default     bool
	Description string
}

// Indicator is one impact category with its results.
type Indicator struct {
	Name   string  // one of IndicatorNames
	Values []Value // in the order of the modules, then of the scenarios
}

// Value is the result of one module in kg CO2e per DataSet.DeclaredUnit.
type Value struct {
	Module   string // as in "A1-A3", "C4", "D"
	Scenario string // empty where the module has no scenarios
	GWP      decimal.Decimal
}

// Notice is one thing to know about a data set or what was made of it.
type Notice struct {
	Code   string // stable, for programs: one of the Notice… constants
	Detail string // for people
}

// Codes of notices.
const (
	NoticeAmounts   = "amounts-differ"    // two amounts of the reference flow
	NoticeUnchecked = "sum-unchecked"     // a total whose parts are not all there
	NoticeUnit      = "unit-assumed"      // results without a unit
	NoticeRounded   = "rounded"           // digits were lost
	NoticeSummed    = "summed"            // A1-A3 is the sum of its parts
	NoticeScenario  = "scenario-default"  // one of several scenarios was taken
	NoticeTemplate  = "template"          // numbers that stand for no product
	NoticeShortened = "text-shortened"    // longer than an inventory takes
	NoticeBothSets  = "indicator-choice"  // declared to both amendments of EN 15804
	NoticeEmpty     = "module-no-results" // a module named without a number
)

// Error is everything wrong with a data set, in the order found.
type Error struct {
	Form Form // empty where neither was recognised
	// Faults are at most MaxReported. In XML the pointer is a path in the manner
	// of XPath, with the prefixes that the format documents (common, epd); in JSON
	// it is a JSON Pointer. A pointer to what is missing tells where it belongs.
	Faults []fault.Fault
	More   int // how many more there are
}

// Error shows the first and counts the others.
func (e *Error) Error() string {
	first := e.Faults[0]
	text := first.Code + ": " + first.Detail
	if first.Pointer != "" {
		text = string(first.Pointer) + ": " + text
	}
	if others := len(e.Faults) - 1 + e.More; others > 0 {
		text += fmt.Sprintf(" (and %d more)", others)
	}
	return text
}

// Codes of faults.
const (
	FaultForm      = "form-unknown"         // neither XML nor JSON, or not the one that was named
	FaultSyntax    = "malformed"            // not well-formed
	FaultTooLarge  = "too-large"            // beyond one of the limits
	FaultEncoding  = "encoding-unsupported" // not UTF-8
	FaultDTD       = "dtd-refused"          // a document type, which could declare entities
	FaultRoot      = "root-wrong"           // not a process data set
	FaultMissing   = "value-missing"
	FaultUnknown   = "value-unknown" // not in a closed list
	FaultText      = "text-invalid"
	FaultYear      = "year-invalid"
	FaultReference = "reference-flow-unclear"
	FaultUnit      = "unit-unknown"
	FaultNoUnit    = "unit-missing"
	FaultUnits     = "unit-contradiction"
	FaultNumber    = "decimal-invalid"
	FaultRange     = "number-out-of-range"
	FaultIndicator = "indicator-missing"
	FaultTwice     = "indicator-twice"
	FaultName      = "indicator-contradiction"
	FaultNoModule  = "module-missing"
	FaultModule    = "module-unknown"
	FaultModules   = "module-twice"
	FaultSum       = "sum-mismatch"
	FaultScenario  = "scenario-unknown"
)

// maxPointer is how much of a pointer is shown: more than any in a data set of
// the format.
const maxPointer = 500

// faults gathers up to MaxReported faults and counts the rest, so that a file
// of nothing but faults is not multiplied in memory.
type faults struct {
	list fault.List
	more int
}

func (f *faults) add(at fault.Path, code, format string, args ...any) {
	if f.list.Len() == MaxReported {
		f.more++
		return
	}
	f.list.Add(fault.Path(cut(string(at), maxPointer)), code, format, args...)
}

func (f *faults) error(form Form) error {
	if f.list.Empty() {
		return nil
	}
	return &Error{Form: form, Faults: f.list.All(), More: f.more}
}

// Read reads one data set and checks it. The error is an *Error with every
// fault, or what r returned; where what is there cannot be taken apart at all
// (not well-formed, too large, another kind of data set), that is the one fault.
func Read(r io.Reader, o Options) (DataSet, error) {
	body, err := io.ReadAll(io.LimitReader(r, MaxBytes+1))
	if err != nil {
		return DataSet{}, err
	}
	var f faults
	body = trimMark(body)
	form := formOf(body)
	switch {
	case len(body) > MaxBytes:
		f.add("", FaultTooLarge, "a data set has at most %d bytes", MaxBytes)
	case !utf8.Valid(body):
		f.add("", FaultEncoding, "the text is not valid UTF-8; save the data set as UTF-8")
	case form == "":
		f.add("", FaultForm, "neither XML, which begins with <, nor a JSON object, which begins with {")
	case o.Form != "" && o.Form != form:
		f.add("", FaultForm, "the content is %s; %s was announced", form, o.Form)
	}
	if err := f.error(form); err != nil {
		return DataSet{}, err
	}

	parse := parseJSON
	if form == XML {
		parse = parseXML
	}
	root := parse(body, &f)
	if err := f.error(form); err != nil {
		return DataSet{}, err
	}
	m := meaning{faults: &f, form: form, root: root}
	m.read(o)
	if err := f.error(form); err != nil {
		return DataSet{}, err
	}
	return m.data, nil
}

// trimMark takes off the byte-order mark of UTF-8.
func trimMark(body []byte) []byte {
	if len(body) >= 3 && string(body[:3]) == "\ufeff" {
		return body[3:]
	}
	return body
}

func formOf(body []byte) Form {
	for _, c := range body {
		switch c {
		case ' ', '\t', '\r', '\n':
			continue
		case '<':
			return XML
		case '{':
			return JSON
		}
		break
	}
	return ""
}

// node is one element, attribute or JSON value, with what both forms have in
// common. An attribute is a node of its own, since JSON has it as a member; a
// list of JSON is as many nodes of one name, as in XML.
type node struct {
	name   string // without prefix
	step   string // of the path, from the parent
	text   string // without space around it
	kids   []*node
	parent *node
}

func (n *node) path() fault.Path {
	if n == nil {
		return ""
	}
	return n.parent.path() + fault.Path(n.step)
}

// local is a name without its prefix.
func local(name string) string { return name[strings.IndexByte(name, ':')+1:] }

// get follows names, taking the first of each; it is nil where one is missing.
func (n *node) get(names ...string) *node {
	for _, name := range names {
		if n == nil {
			return nil
		}
		at := slices.IndexFunc(n.kids, func(k *node) bool { return k.name == local(name) })
		if at < 0 {
			return nil
		}
		n = n.kids[at]
	}
	return n
}

// all lists the nodes of the last name inside the first of each name before it.
func (n *node) all(names ...string) []*node {
	last := len(names) - 1
	n = n.get(names[:last]...)
	if n == nil {
		return nil
	}
	var list []*node
	for _, k := range n.kids {
		if k.name == local(names[last]) {
			list = append(list, k)
		}
	}
	return list
}

// shown is what a report shows of a text: cut to a whole rune.
func shown(s string) string { return cut(s, 80) }

func cut(s string, limit int) string {
	if len(s) <= limit {
		return s
	}
	const more = "…"
	for limit -= len(more); limit > 0 && !utf8.RuneStart(s[limit]); {
		limit--
	}
	return s[:limit] + more
}
