package pages

import (
	"slices"
	"strings"

	"slabledger/inventory"
	"slabledger/lca/unit"
)

// kind is how a member of a request is shown and read.
type kind int

const (
	aText       kind = iota
	aWhole           // a whole number
	aYesNo           // true or false
	manyWholes       // whole numbers with commas between
	aChoice          // one of a list
	someChoices      // any number of a list
	aLongText        // a text of many lines
	anItem           // an item of the inventory
	aGroup           // an object with members of its own
	manyRows         // a list of objects
	aTakes           // a list of takes, or the word "rest"
	aThickness       // a length, or a design
)

// member is a member of a request that the form has a field for: what openapi.yaml says
// of it, in the words of a form.
type member struct {
	name, label string
	kind        kind
	example     string
	units       []unit.Kind
	hint        string
	term        string   // of the page of terms, that the label rests on
	choices     []string // of aChoice; "names", "others", "inventories", "groups", "categories" and "strategies" are found when shown
	items       []inventory.Category
	mixers      bool // of the items only those that mix
	parts       []member
	entry       string   // what a row is called
	most        int      // rows
	methods     []string // that read it; none where all do
}

func text(name, label, example string, units ...unit.Kind) member {
	return member{name: name, label: label, kind: aText, example: example, units: units}
}
func whole(name, label, example string) member {
	return member{name: name, label: label, kind: aWhole, example: example}
}
func yesNo(name, label string) member { return member{name: name, label: label, kind: aYesNo} }
func choice(name, label string, choices ...string) member {
	return member{name: name, label: label, kind: aChoice, choices: choices}
}
func item(name, label string, categories ...inventory.Category) member {
	return member{name: name, label: label, kind: anItem, items: categories}
}
func group(name, label string, parts ...member) member {
	return member{name: name, label: label, kind: aGroup, parts: parts}
}
func rows(name, label, entry string, most int, parts ...member) member {
	return member{name: name, label: label, kind: manyRows, entry: entry, most: most, parts: parts}
}
func (m member) explained(term, hint string) member { m.term, m.hint = term, hint; return m }

// by says which methods read a member, of those that a request chooses among.
func (m member) by(methods ...string) member { m.methods = methods; return m }

var (
	ofConcrete = []inventory.Category{inventory.Cement, inventory.SCM, inventory.Aggregate, inventory.Water, inventory.Fibre, inventory.Admixture}
)

const (
	included      = "included"
	amountsOfMix  = `A mass or volume per cubic metre of concrete; or "0.8 % of binder" by mass, "0.5 % by volume" of concrete, or "balance" for one constituent, which closes the cubic metre.`
	shareOfAll    = "Left empty it is all of it."
	includedWords = `"included" says that the transport is inside the data; give the reason.`
)

var (
	userCost    = text("user_cost", "Cost to road users each time", "1.25 EUR/m2")
	reason      = text("reason", "Reason", "quoted delivered to the plant")
	inclusion   = choice("transport", "Transport", included)
	serviceOf   = []member{whole("equivalent_axles", "Equivalent standard axles", "12000000"), whole("design_life_years", "Design life, years", "40"), text("reliability", "Reliability", "90 %", unit.Ratio), text("flexural_strength", "Flexural strength", "4.5 MPa", unit.Pressure), text("subgrade_reaction", "Modulus of reaction under the slab", "54 MPa/m", unit.SubgradeReaction), text("edge_support", "Support of the edge", "tied shoulder"), text("exposure_class", "Exposure classes", "XF4 XD3"), text("climate", "Climate zone", "wet freeze")}
	axleRow     = []member{choice("axle", "Axle group", "single_tyre", "single_dual", "tandem", "tridem"), text("load", "Load on the group", "80 kN", unit.Force), text("per_1000_trucks", "Groups in a thousand trucks", "58.3"), whole("repetitions", "Repetitions", "150000")}
	eventRow    = []member{item("item", "Work", inventory.Operation), whole("every_years", "Every so many years", "10"), {name: "years", label: "In years", kind: manyWholes, example: "12, 24"}, whole("at_age_years", "At an age of, years", "25"), item("after", "Age of which treatment", inventory.Operation), text("share", "Share of the slab", "1.5 %", unit.Ratio), choice("module", "Module", "B1", "B2", "B3", "B4", "B5"), whole("life_years", "Life of the work, years", "15"), userCost}
	escalation  = []member{choice("category", "Category", "categories"), item("item", "or item", inventory.Categories()...), text("rate", "Change per year", "1 %", unit.Ratio)}
	constituent = []member{item("item", "Material", ofConcrete...), {name: "amount", label: "Amount", kind: aText, example: "350 kg/m3", units: []unit.Kind{unit.Density, unit.VolumePerVolume}, hint: amountsOfMix},
		inclusion.explained("", includedWords), reason}
)

// questionMembers are those of the whole request.
var questionMembers = []member{
	choice("inventory", "Inventory", "inventories").explained("Inventory", "Prices and emission factors. A published version never changes, so figures from it stay."),
	group("functional_unit", "Functional unit",
		text("area", "Area of pavement", "7300 m2", unit.Area),
		whole("analysis_period_years", "Analysis period, years", "40").explained("Analysis period", ""),
		choice("unequal_lives", "Slabs of unequal lives", "common_period", "annual_equivalent"),
		group("service", "Service that is asked for", serviceOf...),
	).explained("Functional unit", "What every alternative must provide."),
	group("economics", "Economics",
		text("real_discount_rate", "Real discount rate per year", "3 %", unit.Ratio).explained("Discount rate", "Without inflation. Or give the nominal rate and inflation."),
		text("nominal_discount_rate", "Nominal discount rate per year", "5.06 %", unit.Ratio),
		text("inflation", "Inflation per year", "2 %", unit.Ratio),
		rows("discount_rate_schedule", "Rates that change with time", "rate", 101, whole("from_year", "From year", "31"), text("rate", "Real rate per year", "3 %", unit.Ratio)),
		rows("real_escalation", "Price changes beyond inflation", "price change", 20, escalation...),
		rows("nominal_escalation", "Price changes with inflation", "price change", 20, escalation...),
		group("carbon_price", "Carbon price",
			text("amount", "Price in year 0, per tonne of CO₂e", "80 EUR/t"),
			text("real_growth", "Real growth per year", "2 %", unit.Ratio),
			text("nominal_growth", "Nominal growth per year", "4.04 %", unit.Ratio),
			whole("price_year", "In money of the year", "2026"),
			text("source", "Source", "the agency's appraisal guide"),
			yesNo("in_cost", "Counts in the whole-life cost"),
			rows("by_year", "Prices by year", "price", 101, whole("from_year", "From year", "0"), text("amount", "Price", "80 EUR/t")),
		),
		yesNo("include_user_cost", "Cost to road users counts in the whole-life cost"),
	).explained("Whole-life cost", "Without economics no cost is computed, and prices may be missing."),
	rows("strategies", "Maintenance plans by name", "plan", maxStrategies, text("name", "Name", "grind and reseal"), rows("maintenance", "Works of the plan", "work", 60, eventRow...)),
}

// The methods that the contract names, as the members that are theirs alone are told apart.
const (
	eb109p, austroads, aashto93 = "eb109p", "austroads", "aashto93"
	c78, c1609, en14651         = "astm-c78", "astm-c1609", "en-14651"
)

// sizingMembers are what the methods of thickness design are told.
var sizingMembers = []member{
	group("strength", "Strength of the concrete in flexure",
		text("modulus_of_rupture", "Modulus of rupture", "4.5 MPa", unit.Pressure).explained("Modulus of rupture", ""),
		choice("strength_rule", "How residual strength enters", "none", "residual_ratio", "mor_plus_f150"),
		text("residual_ratio", "Residual strength ratio R", "20 %", unit.Ratio).explained("Residual strength ratio", ""),
		text("f150", "Residual strength at span/150", "0.9 MPa", unit.Pressure),
		text("coefficient_of_variation", "Coefficient of variation", "15 %", unit.Ratio).by(eb109p)),
	group("soil", "Soil under the slab",
		text("k", "Modulus of subgrade reaction on top of the base", "54 MPa/m", unit.SubgradeReaction).explained("Modulus of subgrade reaction", "").by(eb109p, aashto93),
		text("subgrade_k", "or modulus of the subgrade under a base", "40 MPa/m", unit.SubgradeReaction).by(eb109p, aashto93),
		group("base", "with a base on it", text("thickness", "Thickness of the base", "150 mm", unit.Length), choice("kind", "Kind of base", "untreated", "cement_treated")).by(eb109p, aashto93),
		text("cbr", "California bearing ratio, for Austroads", "5 %", unit.Ratio).by(austroads)),
	group("traffic", "Traffic on the design lane",
		text("load_safety_factor", "Load safety factor", "1.2").explained("Load safety factor", "").by(eb109p, austroads),
		whole("equivalent_axles", "Equivalent standard axles, for AASHTO", "12000000").by(aashto93),
		group("trucks", "Trucks",
			whole("trucks_per_day", "Trucks a day, both directions, first year", "900"), text("growth", "Growth per year", "2 %", unit.Ratio),
			text("direction_split", "Share in the design direction", "50 %", unit.Ratio), text("lane_split", "Share of those in the design lane", "90 %", unit.Ratio),
			whole("design_years", "Design period, years", "40"), rows("axles", "Axles of a thousand trucks", "axle group", 200, axleRow...)),
		rows("axles", "Axle loads without trucks", "axle group", 200, axleRow...)),
	group("edge", "Joints and shoulder", yesNo("dowels", "Dowels across transverse joints"), yesNo("concrete_shoulder", "Tied concrete shoulder")).by(eb109p, austroads),
	group("serviceability", "Serviceability, for AASHTO",
		text("reliability", "Reliability", "90 %", unit.Ratio), text("zr", "or standard normal deviate", "-1.645"), text("s0", "Overall standard deviation", "0.35"), text("delta_psi", "Loss of serviceability", "1.7"), text("terminal_psi", "Terminal serviceability", "2.5"), text("load_transfer", "Load transfer coefficient J", "3.2"), text("drainage", "Drainage coefficient Cd", "1.0"), text("elastic_modulus", "Elastic modulus of the concrete", "30 GPa", unit.Pressure)).by(aashto93),
	group("rounding", "Rounding to what is built", choice("policy", "Policy", "up", "nearest", "none"), text("step", "Step", "5 mm", unit.Length), text("min", "Not thinner than", "150 mm", unit.Length), text("max", "Not thicker than", "350 mm", unit.Length)),
}

// thicknessMembers are those of a thickness by itself.
var thicknessMembers = slices.Concat([]member{
	{name: "methods", label: "Methods, side by side", kind: someChoices, choices: []string{eb109p, austroads, aashto93}},
	text("thickness", "Thickness to check, in place of sizing", "240 mm", unit.Length),
	yesNo("sensitivity", "Size it again with strength, soil and traffic 10 % down and up"),
}, sizingMembers)

// The points at which the standards read a beam.
var (
	beamStrengths = []member{text("peak", "Peak", "4.5 MPa").by(c78, c1609), text("first_peak", "First peak", "4.5 MPa").by(c1609), text("l600", "At span/600", "1.3 MPa").by(c1609), text("l150", "At span/150", "1.1 MPa").by(c1609), text("toughness", "Toughness", "60 J").by(c1609),
		text("lop", "Limit of proportionality", "4.4 MPa").by(en14651), text("cmod_0_5", "At an opening of 0.5 mm", "2.5 MPa").by(en14651), text("cmod_1_5", "At an opening of 1.5 mm", "2.6 MPa").by(en14651), text("cmod_2_5", "At an opening of 2.5 mm", "2.4 MPa").by(en14651), text("cmod_3_5", "At an opening of 3.5 mm", "2.1 MPa").by(en14651)}
	beamLoads = []member{text("peak", "Peak", "30 kN").by(c78, c1609), text("first_peak", "First peak", "30 kN").by(c1609), text("l600", "At span/600", "9.4 kN").by(c1609), text("l150", "At span/150", "8.0 kN").by(c1609), text("toughness", "Toughness", "60 J").by(c1609),
		text("lop", "Limit of proportionality", "14.9 kN").by(en14651), text("cmod_0_5", "At an opening of 0.5 mm", "8.4 kN").by(en14651), text("cmod_1_5", "At an opening of 1.5 mm", "8.8 kN").by(en14651), text("cmod_2_5", "At an opening of 2.5 mm", "8.0 kN").by(en14651), text("cmod_3_5", "At an opening of 3.5 mm", "7.2 kN").by(en14651)}
	leftOut = text("excluded", "Left out of the statistics, because", "struck when it was moved")
)

// beamMembers are those of beam tests.
var beamMembers = []member{
	choice("method", "Standard", c1609, c78, en14651),
	text("mix", "Concrete, in your own words", "fibre, staged"),
	whole("age_days", "Age, days", "28"),
	text("width", "Width of the beams", "150 mm", unit.Length), text("depth", "Depth, with the notch", "150 mm", unit.Length), text("span", "Span", "450 mm", unit.Length), text("notch_depth", "Depth of the notch", "25 mm", unit.Length).by(en14651),
	rows("specimens", "Beams", "beam", 200,
		text("name", "Name", "A1"),
		group("curve", "Record of the test machine", member{name: "csv", label: "CSV", kind: aLongText,
			hint: "The first line names the columns with their units: load_kN (or load_N, load_lbf, load_kip) and deflection_mm or cmod_mm (or _in, _cm, _m). Separated by comma, semicolon or tab; at most 20,000 points."}, choice("decimal", "Decimal mark", "point", "comma")),
		group("loads", "or loads, by point", beamLoads...),
		group("strengths", "or strengths, by point", beamStrengths...),
		text("width", "Width as measured", "150.6 mm", unit.Length), text("depth", "Depth as measured", "149.8 mm", unit.Length), text("span", "Span as measured", "450 mm", unit.Length), text("notch_depth", "Notch as measured", "25 mm", unit.Length).by(en14651),
		leftOut),
	yesNo("toe_correction", "Move curves that begin with a slip back"),
	choice("design_value", "The design takes", "mean", "characteristic"),
	choice("characteristic_method", "Distribution of the characteristic value", "normal", "log_normal").explained("Characteristic value", "From three beams on; normal where nothing is stated."),
	choice("strength_rule", "How residual strength enters", "none", "residual_ratio", "mor_plus_f150").by(c1609),
	choice("ratio", "Residual strength ratio", "toughness", "by_load").explained("Residual strength ratio", "By toughness where nothing is stated, which needs a curve or the toughness.").by(c1609),
	choice("outlier_test", "Test of the value furthest from the mean", "none", "e178"),
	rows("compression", "Compressive strengths beside the beams", "specimen", 200, text("name", "Name", "B1"), text("strength", "Strength", "45 MPa", unit.Pressure), leftOut),
	rows("elastic_modulus", "Moduli of elasticity beside the beams", "specimen", 200, text("name", "Name", "B1"), text("modulus", "Modulus", "32 GPa", unit.Pressure), leftOut),
}

// alternativeMembers are those of one alternative.
var alternativeMembers = []member{
	text("name", "Name", "fibre, staged"),
	choice("like", "Like", "others").explained("", "What is left empty below is then taken from that alternative: members one by one, a list as a whole."),
	group("mix", "Mix, per cubic metre of concrete",
		rows("constituents", "Constituents", "constituent", 40, constituent...),
		rows("add", "Added to the constituents of the one that it is like", "added constituent", 40, constituent...),
		group("by_ratio", "Proportions by ratio, in place of constituents",
			text("binder", "Binder, cement and additions", "400 kg/m3", unit.Density),
			text("mixing_water", "Effective water", "184 kg/m3", unit.Density),
			text("water_binder_ratio", "Water to binder, by mass", "0.46"),
			item("cement", "Cement", inventory.Cement), item("water", "Water", inventory.Water),
			rows("replacement", "In place of cement", "addition", 5, item("item", "Material", inventory.SCM), text("share", "Share of the binder", "30 %", unit.Ratio)),
			rows("aggregates", "Aggregates", "aggregate", 10, item("item", "Material", inventory.Aggregate), text("share", "Share of what closes the volume", "60 %", unit.Ratio), text("amount", "or amount", "1040 kg/m3", unit.Density, unit.VolumePerVolume), text("bulk_volume", "or dry-rodded volume per volume", "0.63"), text("dry_rodded_density", "with dry-rodded density", "102 lb/ft3", unit.Density)),
			rows("fibres", "Fibres", "fibre", 10, item("item", "Material", inventory.Fibre), text("amount", "Amount", "0.5 % by volume", unit.Density, unit.VolumePerVolume)),
			rows("admixtures", "Admixtures", "admixture", 10, item("item", "Material", inventory.Admixture), text("amount", "Amount", "0.8 % of binder", unit.Density, unit.VolumePerVolume)),
			text("air", "Air content", "2 %", unit.Ratio),
		),
		text("air", "Air content, by volume", "1.5 %", unit.Ratio),
		text("absorbed_water", "Water that the aggregate takes up", "18.5 kg/m3", unit.Density),
		rows("production", "Energy and fuel of the plant", "use", 20, item("item", "Energy or fuel", inventory.Energy, inventory.Fuel), text("amount", "Amount", "2 kWh/m3", unit.EnergyPerVolume, unit.VolumePerVolume)),
		rows("stages", "Staged mixing", "stage", 6,
			text("name", "Name", "slurry"), member{name: "mixer", label: "Mixer", kind: anItem, items: []inventory.Category{inventory.Plant}, mixers: true}, whole("minutes", "Minutes in the mixer", "3"),
			member{name: "takes", label: "Takes", kind: aTakes, entry: "take", most: 40, parts: []member{
				item("item", "Material", ofConcrete...), choice("category", "or category", "groups"), text("share", "Share of its amount", "25 %", unit.Ratio), text("water_binder_ratio", "or water up to a water/binder ratio of", "0.30")}},
		).explained("Staged mixing", "The last stage, and only it, takes the rest. Without stages the concrete is mixed once, in the mixer that the inventory names."),
	),
	group("slab", "Slab",
		member{name: "thickness", label: "Thickness", kind: aThickness, example: "240 mm", units: []unit.Kind{unit.Length}, parts: slices.Concat([]member{choice("method", "Method", eb109p, austroads, aashto93)}, sizingMembers)},
		text("lane_width", "Lane width", "3.65 m", unit.Length).explained("", "Needed where there are joints."),
		group("joints", "Joints", text("spacing", "Spacing of transverse joints", "4.5 m", unit.Length), item("dowel", "Dowel bar", inventory.Reinforcement), text("dowel_spacing", "Spacing of dowels", "300 mm", unit.Length), item("tie_bar", "Tie bar", inventory.Reinforcement), text("tie_bar_spacing", "Spacing of tie bars", "760 mm", unit.Length), item("sealant", "Sealant", inventory.Sealant)),
		rows("layers", "Layers under the slab, top down", "layer", 10, item("item", "Material", inventory.Base, inventory.Aggregate), text("thickness", "Thickness", "150 mm", unit.Length), inclusion.explained("", includedWords), reason),
		item("curing", "Curing", inventory.Curing),
		group("waste", "Concrete wasted on site", text("concrete", "Wasted share", "2 %", unit.Ratio), item("disposal", "Disposal", inventory.Disposal)),
		whole("service_life_years", "Service life, years", "40").explained("", "Where slabs of unequal lives are compared, and only there."),
	),
	rows("transport", "Transport", "haul", 100,
		choice("category", "Category", "groups"), item("item", "or item", inventory.Categories()...), choice("to", "To", "plant", "site", "disposal"), item("mode", "Vehicle", inventory.Transport), text("distance", "Distance, one way", "120 km", unit.Length), choice("transport", "or nothing to count", included), reason,
	).explained("", "A haul of an item goes before one of its category; several that match are legs one after the other."),
	rows("construction", "Construction works", "work", 40, item("item", "Work", inventory.Operation), text("share", "Share", "100 %", unit.Ratio).explained("", shareOfAll), userCost),
	rows("maintenance", "Maintenance", "work", 60, eventRow...).explained("B2-B5", "Works in given years, every so many years, or at an age. An empty list says that nothing is due; without one, maintenance is not declared."),
	choice("strategy", "or a maintenance plan by name", "strategies"),
	rows("end_of_life", "End of life", "process", 20, item("item", "Process", inventory.Operation, inventory.Disposal, inventory.Transport), choice("module", "Module", "C1", "C2", "C3", "C4", "D"), text("share", "Share", "100 %", unit.Ratio).explained("", shareOfAll)).explained("C1-C4", "Counts in carbon only."),
	group("residual", "Residual value", choice("method", "Method", "none", "remaining_life", "straight_line", "given"), whole("life_years", "Life of the slab, years", "50"), text("final_value", "Value at the end of the life", "5.00 EUR/m2"), text("value", "Value at the end of the period", "12.50 EUR/m2")).explained("Residual value", ""),
	group("carbonation", "Carbonation in use",
		text("k", "Rate k", "1.6 mm/year^0.5", unit.CarbonationRate), text("degree", "Degree of carbonation", "85 %", unit.Ratio),
		choice("strength_class", "Strength class", "C8/10", "C12/15", "C16/20", "C20/25", "C25/30", "C30/37", "C35/45", "C40/50", "C45/55", "C50/60"), choice("exposure", "Exposure", "exposed_to_rain", "sheltered_from_rain", "in_ground"),
		rows("cements", "What is in the cements", "cement", 10, item("item", "Cement", inventory.Cement), text("clinker", "Clinker in the cement", "95 %", unit.Ratio), text("reactive_cao", "Reactive CaO in the clinker", "65 %", unit.Ratio))).explained("B1", ""),
	group("service", "Service that this design gives", serviceOf...),
}

// spoken is a word of the contract as people read it.
var spoken = map[string]string{
	eb109p: "Portland Cement Association, EB109P, 1984: fatigue and erosion analysis (eb109p)", austroads: "Austroads, Pavement Design, 2001: fatigue and erosion analysis, metric, undowelled (austroads)", aashto93: "AASHTO, Guide for Design of Pavement Structures, 1993: rigid pavement equation (aashto93)",
	"common_period": "over a common period", "annual_equivalent": "by annual equivalents",
	"scm": "scm (slag, fly ash, silica fume)", "binder": "binder (cement and scm)", "concrete": "concrete (fresh)", "waste": "waste (of concrete)",
	"residual_ratio": "modulus of rupture × (1 + R)", "mor_plus_f150": "modulus of rupture + f150",
	"remaining_life": "unused share of the life", "straight_line": "written down evenly", "given": "given below",
	"single_tyre": "one axle, single tyres", "single_dual": "one axle, dual tyres", "tandem": "two axles", "tridem": "three axles",
	"untreated": "untreated", "cement_treated": "bound with cement",
	"exposed_to_rain": "exposed to rain", "sheltered_from_rain": "sheltered from rain", "in_ground": "in the ground",
	"B1": "B1 use", "B2": "B2 maintenance", "B3": "B3 repair", "B4": "B4 replacement", "B5": "B5 refurbishment",
	"C1": "C1 demolition", "C2": "C2 transport", "C3": "C3 processing", "C4": "C4 disposal", "D": "D beyond the boundary",
	"true": "yes", "false": "no",
	c1609: "ASTM C1609/C1609M, fibre concrete under third-point loading (astm-c1609)", c78: "ASTM C78/C78M, third-point loading (astm-c78)", en14651: "EN 14651, notched beam under one central load (en-14651)",
	"toughness": "by toughness, R_T150", "by_load": "by load, f150/f1", "e178": "ASTM E178, a single outlier", "log_normal": "log-normal", "characteristic": "the characteristic value", "mean": "the mean",
}

// standards are the methods in short, as a sentence names them.
var standards = map[string]string{eb109p: "EB109P (1984)", austroads: "Austroads (2001)", aashto93: "AASHTO (1993)", c1609: "ASTM C1609", c78: "ASTM C78", en14651: "EN 14651"}

// groups are the categories that a haul or a take may name.
var groups = []string{"cement", "scm", "binder", "aggregate", "water", "fibre", "admixture", "reinforcement", "base", "curing", "sealant", "concrete", "waste"}

// wanted says how a field is filled in.
func (m member) wanted() string {
	var said []string
	switch {
	case m.kind == aWhole:
		said = append(said, "A whole number, such as "+m.example+".")
	case m.kind == manyWholes:
		said = append(said, "Whole numbers with commas between, such as "+m.example+".")
	case len(m.units) > 0:
		var codes []string
		for _, k := range m.units {
			codes = append(codes, unit.Accepted(k)...)
		}
		said = append(said, "Such as "+m.example+". Units: "+strings.Join(codes, ", ")+".")
	case m.example != "":
		said = append(said, "Such as "+m.example+".")
	}
	if m.hint != "" {
		said = append(said, m.hint)
	}
	return strings.Join(said, " ")
}

// wantedOfRows is wanted for a field of rows, whose hints stand once above all rows: what
// its label and the example in it do not tell.
func (m member) wantedOfRows() string {
	if len(m.units) == 0 && m.hint == "" && m.kind != manyWholes {
		return ""
	}
	return m.wanted()
}
