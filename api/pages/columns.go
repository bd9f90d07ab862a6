package pages

import "slabledger/inventory"

// columnField is a column of an item as people read and fill it in.
type columnField struct {
	Name, Label, Hint string
	Choices           []string // of a closed list
	Area              bool     // several lines of text fit
}

// columnGroup is fields that belong together. Those of a rare group stand closed until
// they are asked for.
type columnGroup struct {
	ID, Legend string
	Rare       bool
	Fields     []columnField
}

// texts are a closed list as texts.
func texts[T ~string](list []T) []string {
	out := make([]string, len(list))
	for i, v := range list {
		out[i] = string(v)
	}
	return out
}

// sourceFields are those of the source of a price or of factors.
func sourceFields(prefix, of string) []columnField {
	return []columnField{
		{Name: prefix + "_kind", Label: "Kind of source of the " + of, Choices: texts(inventory.SourceKinds())},
		{Name: prefix + "_title", Label: "Source of the " + of, Hint: "The title of the document, such as an offer or a declaration."},
		{Name: prefix + "_publisher", Label: "Publisher of the source of the " + of},
		{Name: prefix + "_year", Label: "Year of the source of the " + of, Hint: "Four digits."},
		{Name: prefix + "_reference", Label: "Where in the source of the " + of, Hint: "A number, page, table or link."},
		{Name: prefix + "_licence", Label: "Licence of the " + of, Hint: "An SPDX name or words; no-redistribution keeps the numbers out of exports."},
	}
}

// columnGroups are all columns of an item but its code, its currency, which is that of
// the inventory, and its layer.
var columnGroups = func() []columnGroup {
	factors := make([]columnField, 0, 16)
	for _, key := range inventory.FactorKeys() {
		f := columnField{Name: inventory.FactorColumn(key), Label: key + ", kg CO₂e per declared unit"}
		switch key {
		case inventory.FactorA1A3:
			f.Hint = "Of a material: from raw materials to the gate."
		case inventory.FactorProcess:
			f.Label, f.Hint = "Process, kg CO₂e per declared unit", "Of energy, fuel, transport, plant, an operation or disposal."
		case inventory.FactorD:
			f.Hint = "May be negative; it is told beside a total, never inside it."
		}
		factors = append(factors, f)
	}
	return []columnGroup{
		{"what", "What it is", false, []columnField{
			{Name: "category", Label: "Category", Choices: texts(inventory.Categories())},
			{Name: "name", Label: "Name"},
			{Name: "unit", Label: "Declared unit", Choices: inventory.DeclaredUnits()},
			{Name: "density_kg_per_m3", Label: "Density, kg/m³", Hint: "Of the particles, where the item has volume."},
			{Name: "note", Label: "Note", Area: true},
		}},
		{"price", "Price", false, append([]columnField{
			{Name: "price", Label: "Price per declared unit"},
			{Name: "price_date", Label: "Date of the price", Hint: "As 2026-01-31."},
			{Name: "price_basis", Label: "Basis of the price", Choices: []string{inventory.BasisExWorks, inventory.BasisDelivered}, Hint: "Delivered: transport is in the price."},
			{Name: "price_tax", Label: "Tax", Choices: []string{inventory.TaxExcluded, inventory.TaxIncluded}},
			{Name: "price_valid_until", Label: "Price valid until", Hint: "As 2026-12-31; empty where the source sets no end."},
		}, sourceFields("price_source", "price")...)},
		{"factors", "Emission factors", false, append(append(factors, sourceFields("factor_source", "factors")...),
			columnField{Name: "factor_valid_until", Label: "Factors valid until", Hint: "As 2029-12-31."})},
		{"rare", "More", true, []columnField{
			{Name: "unit_mass_kg", Label: "Mass of a declared unit, kg", Hint: "Where the unit is no mass and the density does not tell."},
			{Name: "solids_percent", Label: "Solids of an admixture, % of mass"},
			{Name: "batch_volume_m3", Label: "Batch of a mixer, m³"},
			{Name: "module", Label: "Module of maintenance", Choices: []string{"B1", "B2", "B3", "B4", "B5"}},
			{Name: "default_for", Label: "The inventory's default for", Choices: []string{inventory.DefaultMixing, inventory.DefaultWasteDisposal}},
			{Name: "boundary", Label: "Boundary of a transport, fuel or energy factor", Choices: []string{inventory.WellToWheel, inventory.TankToWheel}},
			{Name: "recipe", Label: "Recipe", Hint: "Codes and amounts per declared unit, as electricity=55; plant-hire=1. An item with a recipe has no price and no factors of its own."},
			{Name: "price_min_quantity", Label: "Least amount for the price"},
			{Name: "price_spread", Label: "Spread of the price", Hint: "As lognormal 1.2, triangular 0.8 1.3 or uniform 0.9 1.1."},
			{Name: "price_quoted", Label: "Quoted amount", Hint: "Where the price was converted or restated."},
			{Name: "price_quoted_currency", Label: "Quoted currency"},
			{Name: "price_quoted_date", Label: "Date of the quotation"},
			{Name: "price_exchange_rate", Label: "Exchange rate"},
			{Name: "price_exchange_date", Label: "Date of the rate"},
			{Name: "price_exchange_source", Label: "Source of the rate"},
			{Name: "price_index_series", Label: "Series of the price index"},
			{Name: "price_index_from", Label: "Index at the quotation"},
			{Name: "price_index_to", Label: "Index at the price's date"},
			{Name: "factor_spread", Label: "Spread of the factors", Hint: "As for the price."},
			{Name: "factor_pedigree", Label: "Pedigree of the factors", Hint: "Five scores from 1 to 5."},
			{Name: "characterisation", Label: "Characterisation", Choices: inventory.Characterisations()},
			{Name: "gwp_fossil", Label: "Fossil part of the factor"},
			{Name: "gwp_biogenic", Label: "Biogenic part of the factor"},
			{Name: "gwp_land_use", Label: "Land use part of the factor"},
			{Name: "allocation", Label: "Allocation of a co-product", Choices: inventory.Allocations()},
			{Name: "allocation_alternatives", Label: "Factor by other allocations", Hint: "As economic=0.1466; mass=1.2."},
		}},
	}
}()

var columnLabels = func() map[string]string {
	labels := map[string]string{"code": "Code", "price_currency": "Currency of the price", "layer": "Taken over from", "region": "Region", "currency": "Currency", "extends": "Extends"}
	for _, group := range columnGroups {
		for _, f := range group.Fields {
			labels[f.Name] = f.Label
		}
	}
	return labels
}()

// columnLabel is what people read for a column; the name of the column where there is
// no word for it.
func columnLabel(column string) string {
	if label, known := columnLabels[column]; known {
		return label
	}
	return column
}
