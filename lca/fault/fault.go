// Package fault collects what is wrong with an input: every fault, each with a
// JSON Pointer (RFC 6901) to the member that caused it, so that a user mends
// all of them in one round.
package fault

import (
	"fmt"
	"strconv"
	"strings"
)

// Fault is one thing wrong, or, in a list of warnings, one thing to know.
type Fault struct {
	Code    string // stable, for programs: "unit-incompatible"
	Detail  string // for people: what was found and what is accepted
	Pointer Path   // where, in the request
}

// Path is a JSON Pointer under construction.
type Path string

// At appends one member name or list index.
func (p Path) At(steps ...any) Path {
	var b strings.Builder
	b.Grow(len(p) + 16*len(steps)) // one allocation for the usual names
	b.WriteString(string(p))
	for _, step := range steps {
		b.WriteByte('/')
		switch s := step.(type) {
		case int:
			b.WriteString(strconv.Itoa(s))
		case string:
			if strings.ContainsAny(s, "~/") { // which names hardly ever have
				s = escape.Replace(s)
			}
			b.WriteString(s)
		default:
			panic(fmt.Sprintf("fault: a path step is a name or an index, not %T", step))
		}
	}
	return Path(b.String())
}

var (
	escape   = strings.NewReplacer("~", "~0", "/", "~1")
	unescape = strings.NewReplacer("~1", "/", "~0", "~")
)

// Unescape is the member name that a step of a path stands for.
func Unescape(step string) string {
	if !strings.Contains(step, "~") {
		return step
	}
	return unescape.Replace(step)
}

// List gathers faults in the order found. The zero value is ready to use.
type List struct{ faults []Fault }

// Add records a fault.
func (l *List) Add(at Path, code, format string, args ...any) {
	l.faults = append(l.faults, Fault{Code: code, Pointer: at, Detail: fmt.Sprintf(format, args...)})
}

// Append records faults that were found elsewhere.
func (l *List) Append(faults ...Fault) { l.faults = append(l.faults, faults...) }

// All returns what was recorded.
func (l *List) All() []Fault { return l.faults }

// Len counts what was recorded.
func (l *List) Len() int { return len(l.faults) }

// Empty tells whether nothing was recorded.
func (l *List) Empty() bool { return len(l.faults) == 0 }
