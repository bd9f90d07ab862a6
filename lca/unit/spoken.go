package unit

import (
	"slices"
	"strings"
)

// spoken is the one table of how people name units beside their codes: in lower case,
// without a full stop at the end, and with powers and products as the codes have
// them. In front of each list stands the code to write. A name may belong to several
// codes: the one of a kind that is due is meant.
//
// Parse accepts none of these names; they serve its messages. Who maps one, as an
// upload does, asks Spoken and takes a name of one meaning alone.
var spoken = [][]string{
	{"mm", "millimetre", "millimetres", "millimeter", "millimeters"},
	{"cm", "centimetre", "centimetres", "centimeter", "centimeters"},
	{"m", "metre", "metres", "meter", "meters"},
	{"km", "kilometre", "kilometres", "kilometer", "kilometers", "kms"},
	{"in", "inch", "inches", "ins", `"`, "″", "”"},
	{"ft", "foot", "feet", "lf", "'", "′", "’"},
	{"yd", "yard", "yards", "yds"},
	{"mi", "mile", "miles"},
	{"m2", "sqm", "sq m", "sq.m", "square metre", "square metres", "square meter", "square meters"},
	{"ha", "hectare", "hectares"},
	{"ft2", "sqft", "sq ft", "sf", "square foot", "square feet"},
	{"yd2", "sqyd", "sq yd", "sy", "square yard", "square yards"},
	{"m3", "cbm", "cum", "cu m", "cu.m", "cubic metre", "cubic metres", "cubic meter", "cubic meters"},
	{"L", "lt", "ltr", "ltrs", "litre", "litres", "liter", "liters"},
	{"mL", "millilitre", "millilitres", "milliliter", "milliliters"},
	{"ft3", "cuft", "cu ft", "cf", "cubic foot", "cubic feet"},
	{"yd3", "cuyd", "cu yd", "cy", "cubic yard", "cubic yards"},
	{"gal", "gallon", "gallons", "gals", "us gallon", "us gallons", "usg"},
	{"kg", "kgs", "kilo", "kilos", "kilogram", "kilograms", "kilogramme", "kilogrammes"},
	{"g", "gram", "grams", "gramme", "grammes"},
	{"t", "tonne", "tonnes", "metric ton", "metric tons", "metric tonne", "metric tonnes"},
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
	{"kWh", "kw.h", "kw-h", "kilowatt-hour", "kilowatt-hours", "kilowatt hour", "kilowatt hours"},
	{"MJ", "megajoule", "megajoules"},
	{"J", "joule", "joules", "nm", "n.m", "n m"},
	{"in.lbf", "in-lbf", "in-lb", "in.lb", "in lb", "inch-pound", "inch-pounds"},
	{"min", "mins", "minute", "minutes"},
	{"s", "sec", "secs", "second", "seconds"},
	{"h", "hr", "hrs", "hour", "hours"},
	{"t.km", "tkm", "t-km", "t km", "tonne-km", "tonne km", "tonne-kilometre", "tonne-kilometres", "tonne-kilometer", "tonne-kilometers"},
	{"short_ton.mi", "ton-mile", "ton-miles", "ton mile", "ton miles"},
	{"each", "ea", "pc", "pcs", "piece", "pieces", "stk", "nr", "nos", "unit", "units"},
}

// codesOf maps a name in lower case, spoken or a code, to the codes that it may
// mean, in the order of the tables.
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
var plainly = strings.NewReplacer("²", "2", "³", "3", "^", "", "·", ".", "*", ".", "\u00a0", " ")

// plainName is a name as the table has it.
func plainName(name string) string {
	return strings.TrimSuffix(strings.Join(strings.Fields(strings.ToLower(plainly.Replace(name))), " "), ".")
}

// Spoken lists the codes of the units that a text may name, by a code in any case or
// as people say it: "Cubic metres" is m3, "pounds" lb or lbf. It is empty where the
// text names none, or is longer than MaxText. Names of two sizes, as "ton", stand for
// none.
func Spoken(text string) []string {
	if len(text) > MaxText {
		return nil
	}
	return slices.Clone(codesOf[plainName(text)])
}

// AmbiguousTon tells the word that is 1000 kg here and 2000 lb there.
func AmbiguousTon(text string) bool {
	name := plainName(text)
	return name == "ton" || name == "tons"
}
