package report

import (
	"encoding/csv"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"slabledger/inventory"
	"slabledger/service"
)

// Tables are the tables of a comparison that CSV writes.
func Tables() []string {
	names := make([]string, len(tables))
	for i, t := range tables {
		names[i] = t.name
	}
	return names
}

// tables are the heads of each table, named like the members of the JSON, and its rows.
var tables = []struct {
	name string
	head string
	rows func(*service.ComparisonResponse) [][]string
}{
	{"quantities", "alternative item use year amount unit for_area area_unit source", quantityRows},
	{"carbon-lines", "alternative stage module item use year amount unit factor factor_unit gwp_kg_co2e_per_m2 source", carbonRows},
	{"cost-lines", "alternative kind stage module item use year amount unit price price_unit escalation_factor cost_per_m2 discount_factor present_value_per_m2 source", costRows},
	{"concrete-lines", "alternative stage module item use amount unit factor factor_unit gwp_kg_co2e_per_m3 price price_unit cost_per_m3 source", concreteRows},
	{"modules", "alternative module state gwp_kg_co2e_per_m2 reason", moduleRows},
	{"totals", "alternative figure value unit", totalRows},
	{"deltas", "alternative figure absolute unit relative_percent", deltaRows},
	{"sources", "item name unit figure kind title publisher year reference licence price_date valid_until note", sourceRows},
}

// CSV writes a table of a comparison (RFC 4180), its columns named like the members of
// the JSON, figures as the answer prints them, with a point. A text that a spreadsheet
// would take for a formula begins with an apostrophe; what is null is an empty cell.
// Every row has the inventory, the engine and the hash of the request, so that it can be
// traced wherever it is copied to. The error names a table that is none.
func CSV(w io.Writer, r *service.ComparisonResponse, table string) error {
	for _, t := range tables {
		if t.name != table {
			continue
		}
		out := csv.NewWriter(w)
		out.UseCRLF = true
		trace := []string{r.Inventory.Ref, r.Inventory.Hash, r.EngineVersion, r.RequestHash}
		records := [][]string{append(strings.Fields(t.head), "inventory", "inventory_hash", "engine_version", "request_hash")}
		for _, row := range t.rows(r) {
			records = append(records, append(row, trace...))
		}
		return out.WriteAll(records)
	}
	return fmt.Errorf("no table %q; there are %s", table, strings.Join(Tables(), ", "))
}

// texts are cells of free text.
func texts(list ...string) []string {
	for i, text := range list {
		list[i] = inventory.EscapeCell(text)
	}
	return list
}

func optionalFixed(d *service.Fixed) string {
	if d == nil {
		return ""
	}
	return fixed(d.Decimal)
}

func optionalPlain(d *service.Plain) string {
	if d == nil {
		return ""
	}
	return plain(d.Decimal)
}

func quantityRows(r *service.ComparisonResponse) (rows [][]string) {
	for _, a := range r.Alternatives {
		for _, q := range a.Quantities {
			rows = append(rows, slices.Concat(texts(a.Name, q.Item, q.Use), []string{strconv.Itoa(q.Year), amount(q.Amount), q.Unit, amount(q.ForArea), q.AreaUnit}, texts(q.Source)))
		}
	}
	return rows
}

func carbonRows(r *service.ComparisonResponse) (rows [][]string) {
	for _, a := range r.Alternatives {
		for _, l := range a.Carbon.Lines {
			rows = append(rows, slices.Concat(texts(l.Alternative, l.Stage, l.Module, l.Item, l.Use), []string{strconv.Itoa(l.Year), amount(l.Amount), l.Unit, plain(l.Factor.Decimal), l.FactorUnit, fixed(l.GWPKgCO2ePerM2.Decimal)}, texts(l.Source)))
		}
	}
	return rows
}

func costRows(r *service.ComparisonResponse) (rows [][]string) {
	for _, a := range r.Alternatives {
		if a.Cost == nil {
			continue
		}
		for _, l := range a.Cost.Lines {
			rows = append(rows, slices.Concat(texts(l.Alternative, l.Kind, l.Stage, l.Module, l.Item, l.Use), []string{strconv.Itoa(l.Year), amount(l.Amount), l.Unit, plain(l.Price.Decimal), l.PriceUnit,
				plain(l.EscalationFactor.Decimal), fixed(l.CostPerM2.Decimal), plain(l.DiscountFactor.Decimal), fixed(l.PresentValuePerM2.Decimal)}, texts(l.Source)))
		}
	}
	return rows
}

func concreteRows(r *service.ComparisonResponse) (rows [][]string) {
	for _, a := range r.Alternatives {
		for _, l := range a.Concrete.Lines {
			rows = append(rows, slices.Concat(texts(l.Alternative, l.Stage, l.Module, l.Item, l.Use), []string{amount(l.Amount), l.Unit, plain(l.Factor.Decimal), l.FactorUnit, fixed(l.GWPKgCO2ePerM3.Decimal),
				optionalPlain(l.Price), l.PriceUnit, optionalFixed(l.CostPerM3)}, texts(l.Source)))
		}
	}
	return rows
}

// moduleRows are the modules as they are printed: A1, A2 and A3 as one, whose states are
// those of the three.
func moduleRows(r *service.ComparisonResponse) (rows [][]string) {
	for _, a := range r.Alternatives {
		states := map[string]service.ModuleState{}
		for _, s := range a.Carbon.ModuleStates {
			states[s.Module] = s
		}
		names, values := printedModules(a.Carbon.Modules)
		for i, name := range names {
			s, found := states[name]
			if !found {
				s = states["A1"]
			}
			rows = append(rows, slices.Concat(texts(a.Name, name, s.State), []string{optionalFixed(values[i])}, texts(s.Reason)))
		}
	}
	return rows
}

// totalRows are the totals of each alternative under the names of their members.
func totalRows(r *service.ComparisonResponse) (rows [][]string) {
	currency := r.Inventory.Currency
	for _, a := range r.Alternatives {
		add := func(name, unit string, value *service.Fixed) {
			if value != nil {
				rows = append(rows, append(texts(a.Name), name, fixed(value.Decimal), unit))
			}
		}
		rows = append(rows, append(texts(a.Name), "thickness_mm", plain(a.ThicknessMM.Decimal), "mm"))
		add("concrete_a1_a3_kg_co2e_per_m3", "kg CO2e/m3", &a.Concrete.GWPKgCO2ePerM3.A1A3)
		add("concrete_cost_per_m3", currency+"/m3", a.Concrete.CostPerM3)
		add("cradle_to_gate_kg_co2e_per_m2", "kg CO2e/m2", &a.Carbon.CradleToGateKgCO2ePerM2)
		add("total_kg_co2e_per_m2", "kg CO2e/m2", &a.Carbon.TotalKgCO2ePerM2)
		add("beyond_boundary_d_kg_co2e_per_m2", "kg CO2e/m2", a.Carbon.BeyondBoundaryDKgCO2ePerM2)
		add("total_kg_co2e_for_area", "kg CO2e", &a.Carbon.TotalKgCO2eForArea)
		c := a.Cost
		if c == nil {
			continue
		}
		perM2 := currency + "/m2"
		add("initial_per_m2", perM2, &c.InitialPerM2)
		add("maintenance_present_value_per_m2", perM2, &c.MaintenancePresentValuePerM2)
		add("residual_value_per_m2", perM2, &c.ResidualValuePerM2)
		add("net_present_value_per_m2", perM2, &c.NetPresentValuePerM2)
		add("equivalent_annual_per_m2", perM2, &c.EquivalentAnnualPerM2)
		add("user_present_value_per_m2", perM2, c.UserPresentValuePerM2)
		if u := c.UserCost; u != nil {
			add("net_present_value_without_user_cost_per_m2", perM2, &u.WithoutPerM2)
			add("net_present_value_with_user_cost_per_m2", perM2, &u.WithPerM2)
		}
		if p := c.CarbonPrice; p != nil {
			add("carbon_price_present_value_per_m2", perM2, &p.PresentValuePerM2)
			add("net_present_value_with_carbon_per_m2", perM2, &p.NetPresentValueWithCarbonPerM2)
		}
		add("initial_for_area", currency, &c.ForArea.Initial)
		add("maintenance_present_value_for_area", currency, &c.ForArea.MaintenancePresentValue)
		add("residual_value_for_area", currency, &c.ForArea.ResidualValue)
		add("net_present_value_for_area", currency, &c.ForArea.NetPresentValue)
		add("equivalent_annual_for_area", currency, &c.ForArea.EquivalentAnnual)
		add("user_present_value_for_area", currency, c.ForArea.UserPresentValue)
	}
	return rows
}

func deltaRows(r *service.ComparisonResponse) (rows [][]string) {
	perM2 := r.Inventory.Currency + "/m2"
	for _, d := range r.Comparison.Deltas {
		for _, f := range []struct {
			name, unit string
			change     *service.Change
		}{{"thickness_mm", "mm", &d.ThicknessMM}, {"initial_per_m2", perM2, d.InitialPerM2}, {"maintenance_present_value_per_m2", perM2, d.MaintenancePresentValuePerM2}, {"residual_value_per_m2", perM2, d.ResidualValuePerM2},
			{"net_present_value_per_m2", perM2, d.NetPresentValuePerM2}, {"equivalent_annual_per_m2", perM2, d.EquivalentAnnualPerM2}, {"cradle_to_gate_kg_co2e_per_m2", "kg CO2e/m2", &d.CradleToGateKgCO2ePerM2},
			{"total_kg_co2e_per_m2", "kg CO2e/m2", d.TotalKgCO2ePerM2}} {
			if f.change != nil {
				rows = append(rows, append(texts(d.Name), f.name, fixed(f.change.Absolute.Decimal), f.unit, optionalFixed(f.change.RelativePercent)))
			}
		}
	}
	return rows
}

// sourceRows are where prices and factors come from, a row for each of the two.
func sourceRows(r *service.ComparisonResponse) (rows [][]string) {
	for _, s := range r.Sources {
		for _, f := range []struct {
			figure, date, until string
			source              *inventory.Source
		}{{kindPrice, s.PriceDate, s.PriceValidUntil, s.PriceSource}, {kindFactor, "", s.FactorValidUntil, s.FactorSource}} {
			if f.source == nil {
				continue
			}
			year := ""
			if f.source.Year != 0 {
				year = strconv.Itoa(f.source.Year)
			}
			rows = append(rows, texts(s.Ref, s.Name, s.Unit, f.figure, string(f.source.Kind), f.source.Title, f.source.Publisher, year, f.source.Reference, f.source.Licence, f.date, f.until, s.Note))
		}
	}
	return rows
}
