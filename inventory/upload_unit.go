package inventory

import (
	"fmt"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
	"slabledger/lca/unit"
)

// unitSynonyms lists what people write for a declared unit, in lower case, without
// a full stop at the end and with powers and products as declared units have them.
// Nothing stands here that could mean two units.
var unitSynonyms = map[string][]string{
	"kg":   {"kgs", "kilo", "kilos", "kilogram", "kilograms", "kilogramme", "kilogrammes"},
	"t":    {"tonne", "tonnes", "metric ton", "metric tons", "metric tonne", "metric tonnes"},
	"m3":   {"cum", "cu m", "cu.m", "cbm", "cubic metre", "cubic metres", "cubic meter", "cubic meters"},
	"L":    {"lt", "ltr", "ltrs", "litre", "litres", "liter", "liters"},
	"m2":   {"sqm", "sq m", "sq.m", "square metre", "square metres", "square meter", "square meters"},
	"m":    {"metre", "metres", "meter", "meters"},
	"each": {"ea", "pc", "pcs", "piece", "pieces", "stk", "nr", "nos", "unit", "units"},
	"kWh":  {"kw.h", "kw-h", "kilowatt-hour", "kilowatt-hours", "kilowatt hour", "kilowatt hours"},
	"MJ":   {"megajoule", "megajoules"},
	"t.km": {"tkm", "t-km", "t km", "tonne-km", "tonne km", "tonne-kilometre", "tonne-kilometres", "tonne-kilometer", "tonne-kilometers"},
	"h":    {"hr", "hrs", "hour", "hours"},
}

// otherUnits lists what people write for units in which no item is declared. They
// are not converted, since a price and a factor per gallon would silently become
// others: the error says how to.
var otherUnits = map[string][]string{
	"lb":           {"lbs", "pound", "pounds"},
	"short_ton":    {"short ton", "short tons", "us ton", "us tons"},
	"gal":          {"gals", "gallon", "gallons", "us gallon", "us gallons", "usg"},
	"yd3":          {"cy", "cuyd", "cu yd", "cubic yard", "cubic yards"},
	"ft3":          {"cf", "cuft", "cu ft", "cubic foot", "cubic feet"},
	"yd2":          {"sy", "sqyd", "sq yd", "square yard", "square yards"},
	"ft2":          {"sf", "sqft", "sq ft", "square foot", "square feet"},
	"yd":           {"yds", "yard", "yards"},
	"ft":           {"foot", "feet", "lf"},
	"short_ton.mi": {"ton-mile", "ton-miles", "ton mile", "ton miles"},
}

// byName is a table of names turned round, with the units themselves.
func byName(table map[string][]string) map[string]string {
	names := map[string]string{}
	for code, all := range table {
		for _, name := range append([]string{strings.ToLower(code)}, all...) {
			if _, twice := names[name]; twice {
				panic("inventory: the unit name " + name + " stands twice")
			}
			names[name] = code
		}
	}
	return names
}

var declaredUnits = DeclaredUnits()

var declaredByName, otherByName = byName(unitSynonyms), byName(otherUnits)

// plainUnit writes powers and products as the codes of units do.
var plainUnit = strings.NewReplacer("²", "2", "³", "3", "^", "", "·", ".", "*", ".", "\u00a0", " ")

// declaredUnit is the declared unit that a text names, as it stands or by a
// synonym; else it is empty and detail says what is accepted.
func declaredUnit(text string) (code, detail string) {
	if at := slices.Index(declaredUnits, text); at >= 0 {
		return declaredUnits[at], "" // not text, which may be part of a longer one
	}
	detail = "one of " + strings.Join(declaredUnits, ", ")
	if len(text) > unit.MaxText {
		return "", detail
	}
	name := strings.TrimSuffix(strings.Join(strings.Fields(strings.ToLower(plainUnit.Replace(text))), " "), ".")
	if code, ok := declaredByName[name]; ok && text != "M" { // M is a thousand or a million as often as a metre
		return code, ""
	}
	if name == "ton" || name == "tons" {
		return "", fmt.Sprintf("%s; %q is 1000 kg or 2000 lb: write t if it is 1000 kg; %s", detail, text, conversion("short_ton", "if it is 2000 lb, "))
	}
	if name == "%" {
		return "", detail
	}
	other, ok := otherByName[name]
	if !ok {
		if _, known := unit.Lookup(text); !known {
			return "", detail
		}
		other = text
	}
	if advice := conversion(other, ""); advice != "" {
		detail += "; " + advice
	}
	return "", detail
}

// conversion says how what is stated per a unit is stated per the declared one of
// the same kind that is nearest in size; empty where there is none.
func conversion(code, when string) string {
	from, _ := unit.Lookup(code)
	var nearest string
	var amount, apart decimal.Decimal
	for _, declared := range declaredUnits {
		a, err := unit.Quantity{Amount: num.One, Unit: from}.In(declared)
		if err != nil {
			continue // of another kind
		}
		times := a
		if times.LessThan(num.One) {
			times = num.Quotient(num.One, a)
		}
		if nearest == "" || times.LessThan(apart) {
			nearest, amount, apart = declared, a, times
		}
	}
	if nearest == "" {
		return ""
	}
	return fmt.Sprintf("%sone %s is %s %s: divide the price and the factors by %[3]s and write %[4]s", when, code, num.Canonical(amount), nearest)
}
