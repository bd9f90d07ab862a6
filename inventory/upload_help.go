package inventory

import "strings"

// help is what a template says of a column.
type help struct{ meaning, required, accepted, example string }

const (
	anyText    = "text"
	aDay       = "a day, as in 2026-01-31"
	aNumber    = "a decimal"
	moreThan0  = "a decimal, more than 0"
	notBelow0  = "a decimal, 0 or more"
	aCurrency  = "an ISO 4217 code"
	aSpread    = `"lognormal" with a geometric standard deviation, or "triangular" or "uniform" with a low and a high multiple of the number`
	withPrice  = "with a price"
	withFactor = "with a factor"
	withQuoted = "with a quoted price"
	withRate   = "with a price quoted in another currency"
	withIndex  = "with a restated price"
	always     = "yes"
	optional   = "no"
)

// columnHelp is by the name of the column. A test fails where one of Columns is
// missing.
var columnHelp = map[string]help{
	"code":     {"what requests and recipes call the item; never changed", always, slugRule, "cement-cem-i"},
	"category": {"what the item is", always, strings.Join(texts(Categories()), ", "), "cement"},
	"name":     {"what people call the item", always, anyText, "Cement CEM I 42.5 N"},
	"unit":     {"the declared unit: price and factors are per one of it", always, strings.Join(DeclaredUnits(), ", "), "kg"},

	"density_kg_per_m3": {"density of the particles, in kg/m3", "where the item takes up volume in concrete", moreThan0, "3150"},
	"unit_mass_kg":      {"mass of one declared unit, in kg", optional, moreThan0 + "; not where the unit is kg or t", "1.07"},
	"solids_percent":    {"solids of an admixture, in % of its mass", optional, "a decimal from 0 to 100", "35"},
	"batch_volume_m3":   {"concrete of one batch of a mixer, in m3", optional, moreThan0 + "; plant per h", "2.5"},
	"module":            {"the module of EN 15804 that an operation reports under", optional, "B1, B2, B3, B4, B5", "B2"},
	"default_for":       {"what the item stands for where a request names none", optional, DefaultMixing + ", " + DefaultWasteDisposal, DefaultMixing},
	"boundary":          {"what a factor of transport, fuel or energy takes in", optional, WellToWheel + ", " + TankToWheel, WellToWheel},

	"price":                 {"money per declared unit", optional, notBelow0, "0.142"},
	"price_currency":        {"currency of the price", withPrice, aCurrency + ": the inventory's, or one whose rate is given with the file", "EUR"},
	"price_date":            {"the day whose price level it is", withPrice, aDay, "2026-01-15"},
	"price_basis":           {"whether transport is in the price", withPrice, BasisExWorks + ", " + BasisDelivered, BasisDelivered},
	"price_tax":             {"whether value added tax is in the price", withPrice, TaxExcluded + ", " + TaxIncluded, TaxExcluded},
	"price_valid_until":     {"the last day of the offer", optional, aDay, "2026-12-31"},
	"price_spread":          {"how far the price may be from what is stated", optional, aSpread, "triangular 0.9 1.2"},
	"price_min_quantity":    {"the least order, in declared units, from which the price holds", optional, moreThan0, "100"},
	"price_quoted":          {"what the source says, where the price was converted or restated", optional, notBelow0, "0.155"},
	"price_quoted_currency": {"currency of what was quoted", withQuoted, aCurrency, "USD"},
	"price_quoted_date":     {"the day of what was quoted", withQuoted, aDay, "2025-11-03"},
	"price_exchange_rate":   {"of the inventory's currency, per one of the quoted", withRate, moreThan0, "0.92"},
	"price_exchange_date":   {"the day of the rate", withRate, aDay, "2026-01-15"},
	"price_exchange_source": {"who says so", withRate, anyText, "Central bank of Sablon"},
	"price_index_series":    {"the series of prices by which the price was restated", withIndex, anyText, "Producer prices, cement"},
	"price_index_from":      {"the index at the day of what was quoted", withIndex, moreThan0, "120"},
	"price_index_to":        {"the index at the day of the price", withIndex, moreThan0, "132"},

	"gwp_a1_a3":   {"kg CO2e per declared unit of a material, cradle to gate", "for a material that has factors", notBelow0, "0.842"},
	"gwp_process": {"kg CO2e of performing or supplying one declared unit", "for a process that has factors", notBelow0, "0.055"},
	"gwp_a2":      {"its own transport to the concrete plant, where that is inside its data", optional, notBelow0 + "; priced delivered", "0.01"},
	"gwp_a4":      {"its own transport to the site, where that is inside its data", optional, notBelow0 + "; priced delivered", "0.01"},
	"gwp_c1":      {"kg CO2e per declared unit of demolition", optional, notBelow0, "0.001"},
	"gwp_c2":      {"kg CO2e per declared unit of its transport as waste", optional, notBelow0, "0.004"},
	"gwp_c3":      {"kg CO2e per declared unit of waste processing", optional, notBelow0, "0.002"},
	"gwp_c4":      {"kg CO2e per declared unit of disposal", optional, notBelow0, "0.005"},
	"gwp_d":       {"kg CO2e per declared unit beyond the system boundary", optional, aNumber + "; the only factor that may be negative", "-0.0025"},

	"factor_valid_until":      {"the last day on which the factors are valid", optional, aDay, "2029-06-30"},
	"factor_spread":           {"how far the factors may be from what is stated", optional, aSpread, "lognormal 1.2"},
	"factor_pedigree":         {"scores of reliability, completeness, time, geography and technology", optional, "five scores from 1 (best) to 5", "2 1 3 1 2"},
	"characterisation":        {"the set of global warming potentials", optional, strings.Join(Characterisations(), ", "), "ar6"},
	"gwp_fossil":              {"fossil part of the main factor", optional, notBelow0, "0.83"},
	"gwp_biogenic":            {"biogenic part of the main factor", optional, aNumber, "0.011"},
	"gwp_land_use":            {"part of the main factor from land use", optional, notBelow0, "0.001"},
	"allocation":              {"how a co-product such as slag was given its share of the process", optional, strings.Join(Allocations(), ", "), "economic"},
	"allocation_alternatives": {"the main factor by other ways of allocation", optional, "allocation=factor, separated by semicolons", "mass=1.2; none=0.002"},
	"layer":                   {"the version that the item was taken over from", optional, "slug@number, as an export writes it; empty for an item of your own", "base@3"},
	"recipe":                  {"the items that an operation is made of, per declared unit", optional, "code=amount, separated by semicolons", "electricity=55; plant-hire=1"},
	"note":                    {"what readers of the inventory should know; it is published", optional, anyText, "bulk, by silo lorry"},
}

// sourceHelp is by the end of the name of a column, after price_source and
// factor_source.
var sourceHelp = map[string]help{
	"_kind":      {"what the source is", always, strings.Join(texts(SourceKinds()), ", "), "quotation"},
	"_title":     {"title of the source", always, anyText, "Offer 12"},
	"_publisher": {"who published it", optional, anyText, "Sablon Cement"},
	"_year":      {"the year of publication", optional, "a year from 1900 to 2100", "2026"},
	"_reference": {"identifier, page, table or link", optional, anyText, "XA-EPD-001, p. 4"},
	"_licence":   {"the licence of the data", optional, anyText, "CC0-1.0"},
}

func helpOf(c Column) help {
	for prefix, when := range map[string]string{"price_source": withPrice, "factor_source": withFactor} {
		if end, ok := strings.CutPrefix(c.Name, prefix); ok {
			h := sourceHelp[end]
			if h.required == always {
				h.required = when
			}
			return h
		}
	}
	return columnHelp[c.Name]
}
