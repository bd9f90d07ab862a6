package unit

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"slabledger/lca/num"
)

// nearly is a quantity as people write it: sign, digits in groups or not, the
// rest of the number, the blanks before the unit, and the unit.
var nearly = regexp.MustCompile(`^([\s\pZ]*)([+-]?)([0-9]{1,3}(?:[,_'’\s\pZ][0-9]{3})+|[0-9]+)([.,][0-9]+)?([\s\pZ]*)([^0-9\s\pZ].*?)?([\s\pZ]*)$`)

// slip says what keeps a text from being read as a quantity and how to write it,
// where that can be told; else it is empty. It serves messages alone: nothing is
// computed with what it guesses, so it looks only at what Parse has refused.
func slip(s string, kinds []Kind) string {
	m := nearly.FindStringSubmatch(s)
	if m == nil {
		return ""
	}
	before, sign, whole, fraction, between, name, after := m[1], m[2], m[3], m[4], m[5], m[6], m[7]
	var wrong []string
	if sign == "+" {
		wrong, sign = append(wrong, "a number has no plus sign"), ""
	}
	number := sign + strings.Join(strings.FieldsFunc(whole, func(r rune) bool { return r < '0' || r > '9' }), "")
	grouped := len(number) < len(sign+whole)
	if grouped {
		wrong = append(wrong, "a number has no thousands separator")
	}
	if decimals, comma := strings.CutPrefix(fraction, ","); comma {
		wrong, fraction = append(wrong, "the decimal mark is a point"), "."+decimals
	}
	number += fraction
	switch {
	case name == "":
	case between == "":
		wrong = append(wrong, "the space before the unit is missing")
	case before != "" || between != " " || after != "":
		wrong = append(wrong, "one space stands before the unit and no other blank")
	}
	if _, err := num.Parse(number); err != nil || len(wrong) == 0 {
		return ""
	}
	said := fmt.Sprintf("%q: %s; ", s, strings.Join(wrong, ", "))
	code, ok := meant(name, kinds)
	if _, measures := meant(name, nil); name != "" && !measures {
		return "" // "2.4e2 mm" lacks no space
	} else if !ok {
		return said + fmt.Sprintf("write it like %q; accepted: %s", example(kinds), accepted(kinds))
	}
	said += fmt.Sprintf("write %q", number+" "+code)
	if left, right, one := strings.Cut(whole, ","); one && grouped && fraction == "" && !strings.Contains(right, ",") {
		said += fmt.Sprintf(", or %q if the comma is the decimal mark", sign+left+"."+right+" "+code)
	}
	return said
}

// meant finds the code that a name stands for, among those of the kinds given, or
// of any kind where none is.
func meant(name string, kinds []Kind) (code string, ok bool) {
	due := func(code string) bool { return len(kinds) == 0 || slices.Contains(kinds, table[code].Kind) }
	if _, exact := table[name]; exact {
		return name, due(name)
	}
	name = plainName(name)
	candidates := codesOf[name]
	if above, below, quotient := strings.Cut(name, "/"); quotient && len(candidates) == 0 {
		for _, a := range codesOf[strings.TrimSpace(above)] {
			for _, b := range codesOf[strings.TrimSpace(below)] {
				candidates = append(candidates, a+"/"+b)
			}
		}
	}
	for _, c := range candidates {
		if _, known := table[c]; known && due(c) {
			return c, true
		}
	}
	return "", false
}

// hint completes a message on an unknown unit; it may be empty.
func hint(name string, kinds []Kind) string {
	if AmbiguousTon(name) && slices.Contains(kinds, Mass) {
		return fmt.Sprintf("; %q is ambiguous: write t (1000 kg) or short_ton (2000 lb)", name)
	}
	code, ok := meant(name, kinds)
	switch {
	case !ok:
		return ""
	case strings.EqualFold(code, name):
		return "; codes are case-sensitive: write " + code
	}
	return "; write " + code
}
