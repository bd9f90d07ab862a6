// Package carbon turns flows into greenhouse gas emissions by module of the
// life cycle.
//
// Modules are those of EN 15804+A2, EN 15978 and EN 17472: A0 preliminary
// studies, A1 raw materials, A2 transport to works, A3 manufacture, A4
// transport to site, A5 construction, B1 to B8 use, C1 demolition, C2
// transport, C3 processing, C4 disposal, and D beyond the boundary, which is
// reported beside and never inside a total. Emissions are not discounted.
package carbon

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// Modules lists the 19 information modules in order.
func Modules() []string { return append([]string(nil), modules...) }

var modules = []string{"A0", "A1", "A2", "A3", "A4", "A5",
	"B1", "B2", "B3", "B4", "B5", "B6", "B7", "B8", "C1", "C2", "C3", "C4", "D"}

// States of a module. "0" and "unknown" are different things.
const (
	Declared       = "declared"         // counted; its value is the sum of its lines
	NotDeclared    = "not_declared"     // not looked at; its value is unknown, not zero
	ZeroWithReason = "zero_with_reason" // looked at: nothing happens there
)

// State of one module.
type State struct {
	Module string
	State  string
	Reason string
}

// Known tells whether the module has a value.
func (s State) Known() bool { return s.State == Declared || s.State == ZeroWithReason }

// Matrix is the state and value of every module, per square metre.
type Matrix struct {
	States []State
	// product is the sum of lines that report A1-A3 as a whole, such as a dowel.
	values [19]num.Total
	whole  num.Total
}

// NewMatrix starts with every module not declared for the reason given by why.
func NewMatrix(why func(module string) string) *Matrix {
	m := &Matrix{States: make([]State, len(modules))}
	for i, name := range modules {
		m.States[i] = State{Module: name, State: NotDeclared, Reason: why(name)}
	}
	return m
}

// Set changes the state of a module. An unknown module is a mistake of the
// program and panics.
func (m *Matrix) Set(module, state, reason string) {
	i := index(module)
	m.States[i].State, m.States[i].Reason = state, reason
}

// State returns the state of a module.
func (m *Matrix) State(module string) State { return m.States[index(module)] }

// Add counts a printed line, in kg CO2e, and declares its module. Module may be
// "A1-A3", for a product whose three modules are known only together.
func (m *Matrix) Add(module string, gwp decimal.Decimal) {
	if module == "A1-A3" {
		m.whole.Add(gwp)
		return
	}
	i := index(module)
	m.values[i].Add(gwp)
	if m.States[i].State != Declared {
		m.States[i].State, m.States[i].Reason = Declared, ""
	}
}

// Value is the value of one module, or of "A1-A3"; invalid where it is not
// declared.
func (m *Matrix) Value(module string) decimal.NullDecimal {
	if module == "A1-A3" {
		total, _ := m.Range("A1", "A3")
		return total
	}
	i := index(module)
	if !m.States[i].Known() {
		return decimal.NullDecimal{}
	}
	return decimal.NewNullDecimal(m.values[i].Value())
}

// Range is the total from one module to another, both included. It is invalid,
// with the modules that are missing, where any of them is not declared. D
// stands in no range but its own.
func (m *Matrix) Range(from, to string) (total decimal.NullDecimal, missing []string) {
	var sum num.Total
	for i := index(from); i <= index(to); i++ {
		if !m.States[i].Known() {
			missing = append(missing, modules[i])
			continue
		}
		sum.Add(m.values[i].Value())
	}
	if len(missing) > 0 {
		return decimal.NullDecimal{}, missing
	}
	if index(from) <= index("A1") && index(to) >= index("A3") {
		sum.Add(m.whole.Value())
	}
	return decimal.NewNullDecimal(sum.Value()), nil
}

// Declared is the sum of the known modules from one to another: the part of a
// range that is in Total.
func (m *Matrix) Declared(from, to string) decimal.Decimal {
	var sum num.Total
	for i := index(from); i <= index(to); i++ {
		if m.States[i].Known() {
			sum.Add(m.values[i].Value())
		}
	}
	if index(from) <= index("A1") && index(to) >= index("A3") {
		sum.Add(m.whole.Value())
	}
	return sum.Value()
}

// Total is the exact sum of all known modules from A0 to C4, and which they
// are. D is never in it.
func (m *Matrix) Total() (total decimal.Decimal, covers []string) {
	sum := m.whole
	for i, name := range modules {
		if name != "D" && m.States[i].Known() {
			sum.Add(m.values[i].Value())
			covers = append(covers, name)
		}
	}
	return sum.Value(), covers
}

func index(module string) int {
	for i, name := range modules {
		if name == module {
			return i
		}
	}
	panic("carbon: " + module + " is not a module of EN 15804")
}

// Line is the emission of a printed amount at a printed factor: one exact
// product, rounded once (num.Line). Amount in the factor's declared unit, factor
// in kg CO2e per declared unit.
func Line(amount, factor decimal.Decimal) decimal.Decimal {
	return num.LineOf(amount, factor)
}

// Stage is the life cycle stage under which a module is printed: A1, A2 and A3
// are printed as A1-A3.
func Stage(module string) string {
	switch module {
	case "A1", "A2", "A3":
		return "A1-A3"
	}
	return module
}
