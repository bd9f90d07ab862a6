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

// spoken lists how people name units beside their codes; the names are hints for
// messages and are not accepted. In front of each list stands the code to write.
// A name may belong to several codes: the one of a kind that is due is meant.
var spoken = [][]string{
	{"mm", "millimetre", "millimetres", "millimeter", "millimeters"},
	{"cm", "centimetre", "centimetres", "centimeter", "centimeters"},
	{"m", "metre", "metres", "meter", "meters"},
	{"km", "kilometre", "kilometres", "kilometer", "kilometers", "kms"},
	{"in", "inch", "inches", "ins", `"`, "″", "”"},
	{"ft", "foot", "feet", "'", "′", "’"},
	{"yd", "yard", "yards", "yds"},
	{"mi", "mile", "miles"},
	{"m2", "sqm", "sq m", "square metre", "square metres", "square meter", "square meters"},
	{"ha", "hectare", "hectares"},
	{"ft2", "sqft", "sq ft", "sf", "square foot", "square feet"},
	{"yd2", "sqyd", "sq yd", "sy", "square yard", "square yards"},
	{"m3", "cbm", "cum", "cu m", "cubic metre", "cubic metres", "cubic meter", "cubic meters"},
	{"L", "litre", "litres", "liter", "liters"},
	{"mL", "millilitre", "millilitres", "milliliter", "milliliters"},
	{"ft3", "cuft", "cu ft", "cf", "cubic foot", "cubic feet"},
	{"yd3", "cuyd", "cu yd", "cy", "cubic yard", "cubic yards"},
	{"gal", "gallon", "gallons", "gals"},
	{"kg", "kgs", "kilo", "kilos", "kilogram", "kilograms", "kilogramme", "kilogrammes"},
	{"g", "gram", "grams", "gramme", "grammes"},
	{"t", "tonne", "tonnes", "metric ton", "metric tons"},
	{"lb", "lbs", "lbm", "pound", "pounds"},
	{"lbf", "lb", "lbs", "pound", "pounds", "pound-force"},
	{"short_ton", "short ton", "short tons", "us ton", "us tons"},
	{"g/cm3", "g/cc"},
	{"lb/yd3", "pcy"},
	{"lb/ft3", "pcf"},
	{"%", "percent", "per cent", "pct"},
	{"MPa", "n/mm2", "mn/m2", "megapascal", "megapascals"},
	{"GPa", "kn/mm2", "gigapascal", "gigapascals"},
	{"kPa", "kn/m2", "kilopascal", "kilopascals"},
	{"Pa", "n/m2", "pascal", "pascals"},
	{"psi", "lb/in2", "lbf/in2", "pounds per square inch"},
	{"psi/in", "pci", "lb/in3", "lbf/in3"},
	{"MPa/m", "mn/m3"},
	{"kN", "kilonewton", "kilonewtons"},
	{"N", "newton", "newtons"},
	{"kip", "kips"},
	{"kWh", "kilowatt-hour", "kilowatt-hours", "kilowatt hour", "kilowatt hours"},
	{"MJ", "megajoule", "megajoules"},
	{"J", "joule", "joules", "nm", "n.m", "n m"},
	{"in.lbf", "in-lbf", "in-lb", "in.lb", "in lb", "inch-pound", "inch-pounds"},
	{"min", "mins", "minute", "minutes"},
	{"s", "sec", "secs", "second", "seconds"},
	{"h", "hr", "hrs", "hour", "hours"},
	{"t.km", "tkm", "t-km", "t km", "tonne-kilometre", "tonne-kilometres", "tonne-kilometer", "tonne-kilometers"},
	{"each", "ea", "pc", "pcs", "piece", "pieces"},
}

// codesOf maps a name in lower case, spoken or a code, to the codes that it may
// mean.
var codesOf = func() map[string][]string {
	names := map[string][]string{}
	add := func(name, code string) {
		if !slices.Contains(names[name], code) {
			names[name] = append(names[name], code)
		}
	}
	for _, r := range rows {
		add(strings.ToLower(r.code), r.code)
	}
	for _, list := range spoken {
		if _, ok := table[list[0]]; !ok {
			panic("unit: spoken names of " + list[0] + ", which is no unit")
		}
		for _, name := range list[1:] {
			add(name, list[0])
		}
	}
	return names
}()

// plainly writes powers and products as the codes do.
var plainly = strings.NewReplacer("²", "2", "³", "3", "^", "", "·", ".")

// meant finds the code that a name stands for, among those of the kinds given, or
// of any kind where none is.
func meant(name string, kinds []Kind) (code string, ok bool) {
	due := func(code string) bool { return len(kinds) == 0 || slices.Contains(kinds, table[code].Kind) }
	if _, exact := table[name]; exact {
		return name, due(name)
	}
	name = strings.TrimSuffix(strings.ToLower(plainly.Replace(strings.TrimSpace(name))), ".")
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
	lower := strings.ToLower(name)
	if (lower == "ton" || lower == "tons") && slices.Contains(kinds, Mass) {
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
