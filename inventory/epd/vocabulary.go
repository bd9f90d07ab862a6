package epd

import (
	"regexp"
	"slices"
	"strings"
	"unicode"

	"slabledger/inventory"
	"slabledger/lca/num"
)

// Names of indicators. GWP is that of EN 15804+A1; the others are those of
// EN 15804+A2, where the total is the sum of the three.
const (
	GWP         = "GWP"
	GWPTotal    = "GWP-total"
	GWPFossil   = "GWP-fossil"
	GWPBiogenic = "GWP-biogenic"
	GWPLuluc    = "GWP-luluc" // land use and land use change
)

// IndicatorNames lists the indicators that are read, in order.
func IndicatorNames() []string { return []string{GWP, GWPTotal, GWPFossil, GWPBiogenic, GWPLuluc} }

// methods are the identifiers of the indicator methods in the open EPD data
// networks. Values from memory. A method of another identifier is told by its
// name.
var methods = map[string]string{
	"77e416eb-a363-4258-a04e-171d843a6460": GWP,
	"6a37f984-a4b3-458a-a20a-64418c145fa2": GWPTotal,
	"5f635281-343e-44fb-83df-1971b155e6b6": GWPFossil,
	"2356e1ab-0185-4db5-86e5-16de51c7485c": GWPBiogenic,
	"4331bbdb-978a-490d-8707-eeb047f01a55": GWPLuluc,
}

// plainWords may stand in the name of any climate indicator; partWords tell
// which part it is. A name with any other word ("GWP-GHG", "GWP excluding
// biogenic", "GWP20") is another indicator, which is not read.
var (
	plainWords = []string{"gwp", "gwp100", "global", "warming", "potential", "climate", "change", "100", "years", "a1", "a2", "en", "15804"}
	partWords  = map[string]string{
		"total":  GWPTotal,
		"fossil": GWPFossil, "fuels": GWPFossil,
		"biogenic": GWPBiogenic,
		"luluc":    GWPLuluc, "land": GWPLuluc, "use": GWPLuluc, "and": GWPLuluc,
	}
)

var abbreviation = regexp.MustCompile(`\(([^()]+)\)$`)

// indicatorOf tells an indicator from its name; empty where it is none. The name
// is English, as in "Global warming potential (GWP)", "GWP-total" or "Climate
// change - Fossil", or ends in one of the abbreviations of EN 15804+A2 in
// brackets, as in "Globales Erwärmungspotenzial (GWP-total)".
func indicatorOf(name string) string {
	if known := inEnglishWords(name); known != "" {
		return known
	}
	if a := abbreviation.FindStringSubmatch(name); a != nil {
		return oneOf([]string{GWPTotal, GWPFossil, GWPBiogenic, GWPLuluc}, a[1])
	}
	return ""
}

// inEnglishWords tells an indicator by the words of its name. "Climate change"
// without a part is the total, as in EN 15804+A2; "Global warming potential"
// without a part is the GWP of +A1.
func inEnglishWords(name string) string {
	words := strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
	part := ""
	for _, word := range words {
		own, isPart := partWords[word]
		switch {
		case slices.Contains(plainWords, word):
		case !isPart, part != "" && part != own:
			return ""
		default:
			part = own
		}
	}
	has := func(word string) bool { return slices.Contains(words, word) }
	gwp := has("gwp") || has("gwp100") || has("global") && has("warming")
	climate := has("climate") && has("change")
	switch {
	case !gwp && !climate:
		return ""
	case part != "":
		return part
	case climate:
		return GWPTotal
	}
	return GWP
}

// modules are those of EN 15804 in order.
var modules = []string{"A1", "A2", "A3", "A1-A3", "A4", "A5",
	"B1", "B2", "B3", "B4", "B5", "B6", "B7", "C1", "C2", "C3", "C4", "D"}

var severalModules = regexp.MustCompile(`^([ABC][1-7])-([ABC][1-7])$`)

// moduleOf writes a module as EN 15804 does ("A1–A3" and "a1 - a3" are "A1-A3")
// and tells whether there is such a module, or such a range of them.
func moduleOf(s string) (string, bool) {
	if len(s) > num.MaxPrintedBytes {
		return s, false
	}
	m := strings.ToUpper(strings.NewReplacer(" ", "", "–", "-").Replace(s))
	if slices.Contains(modules, m) {
		return m, true
	}
	ends := severalModules.FindStringSubmatch(m)
	if ends == nil {
		return s, false
	}
	from, to := slices.Index(modules, ends[1]), slices.Index(modules, ends[2])
	return m, from >= 0 && from < to
}

// compareModules orders by first module, then by last.
func compareModules(a, b string) int {
	rank := func(m string) (first, last int) {
		if at := slices.Index(modules, m); at >= 0 {
			return at, at
		}
		from, to, _ := strings.Cut(m, "-")
		return slices.Index(modules, from), slices.Index(modules, to)
	}
	aFirst, aLast := rank(a)
	bFirst, bLast := rank(b)
	if aFirst != bFirst {
		return aFirst - bFirst
	}
	return aLast - bLast
}

// notDeclared are the marks that stand in place of a number: nothing, ND and
// MND (module not declared), MNA (not assessed), MNR (not relevant), INA
// (indicator not assessed). Common practice, no source but for ND and MND.
var notDeclared = []string{"", "ND", "MND", "MNA", "MNR", "INA"}

// unitNames maps how a unit is written to a declared unit of the inventory.
// Case matters: MJ is not mJ.
var unitNames = map[string]string{
	"m^3": "m3", "m³": "m3", "cbm": "m3",
	"m^2": "m2", "m²": "m2", "qm": "m2",
	"l":    "L",
	"t*km": "t.km", "tkm": "t.km",
	"Item(s)": "each", "item(s)": "each", "Items": "each", "items": "each", "item": "each",
	"pcs": "each", "pcs.": "each", "pc": "each", "piece": "each", "pieces": "each", "piece(s)": "each", "Stück": "each",
	// The reference unit of the unit groups of the ILCD.
	"Units of mass": "kg", "Units of volume": "m3", "Units of area": "m2", "Units of length": "m",
	"Units of energy": "MJ", "Units of items": "each",
}

var unitInBrackets = regexp.MustCompile(`^Units of [a-z ]+ \(([^()]+)\)$`)

// unitOf tells a declared unit of the inventory from a name or a unit group.
func unitOf(name string) (string, bool) {
	if inside := unitInBrackets.FindStringSubmatch(name); inside != nil {
		name = inside[1]
	}
	if slices.Contains(inventory.DeclaredUnits(), name) {
		return name, true
	}
	u, ok := unitNames[name]
	return u, ok
}

// isKilogramOfCO2 tells the unit of the indicators, however it is abbreviated:
// "kg CO2 eq.", "kg CO2-eqv.", "kg CO₂e".
func isKilogramOfCO2(name string) bool {
	name = strings.ReplaceAll(strings.ToLower(name), "₂", "2")
	letters := strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) {
			return r
		}
		return -1
	}, name)
	end, ok := strings.CutPrefix(letters, "kgco2")
	return ok && slices.Contains([]string{"e", "eq", "eqv", "equiv", "equivalent", "equivalents", "äq", "äquiv"}, end)
}

// SubTypes lists what a declaration may stand for.
func SubTypes() []string {
	return []string{Generic, Average, Specific, Representative, Template}
}

// Subtypes of EPD data sets.
const (
	Generic        = "generic dataset"
	Average        = "average dataset"
	Specific       = "specific dataset"
	Representative = "representative dataset"
	Template       = "template dataset"
)

// licences are the types of licence of the ILCD.
var licences = []string{
	"Free of charge for all users and uses",
	"Free of charge for some user types or use types",
	"Free of charge for members only",
	"License fee",
	"Other",
}

// oneOf finds a value of a closed list, written as in XML or, as JSON has its
// constants, in capitals with underscores; empty where there is none.
func oneOf(list []string, s string) string {
	s = strings.ReplaceAll(s, "_", " ")
	if at := slices.IndexFunc(list, func(v string) bool { return strings.EqualFold(v, s) }); at >= 0 {
		return list[at]
	}
	return ""
}
