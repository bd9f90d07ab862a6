package service

import (
	"bytes"
	"encoding/csv"
	"strconv"
	"strings"

	"slabledger/inventory"
	"slabledger/lca/num"
)

// CSV writes the rows of a grid as a table (RFC 4180), the names of the variants
// first. Columns are named like the members of the JSON, with the currency in
// those of money. A text that a spreadsheet would take for a formula begins with
// an apostrophe; a figure that is null is an empty cell. Every row has the
// inventory, the engine and the hash of the request, so that it can be traced
// wherever it is copied to.
func (g *GridResponse) CSV() ([]byte, error) {
	var head []string
	for _, axis := range g.Axes {
		head = append(head, "axis: "+axis.Name)
	}
	money := "_" + g.Inventory.Currency + "_per_m2"
	head = append(head, "required_thickness_mm", "thickness_mm", "governs",
		"initial"+money, "maintenance_present_value"+money, "residual_value"+money, "net_present_value"+money, "equivalent_annual"+money,
		"concrete_a1_a3_kg_co2e_per_m3", "cradle_to_gate_kg_co2e_per_m2", "total_kg_co2e_per_m2",
		"thickness_relative_percent", "initial_relative_percent", "maintenance_present_value_relative_percent", "residual_value_relative_percent",
		"net_present_value_relative_percent", "equivalent_annual_relative_percent", "cradle_to_gate_relative_percent", "total_carbon_relative_percent",
		"is_baseline", "comparable", "reason", "rank_by_net_present_value", "rank_by_total_carbon", "pareto", "warnings",
		"inventory", "inventory_hash", "engine_version", "request_hash")
	var out bytes.Buffer
	w := csv.NewWriter(&out)
	records := [][]string{head}
	for i := range g.Rows {
		records = append(records, g.record(&g.Rows[i]))
	}
	if err := w.WriteAll(records); err != nil {
		return nil, &Error{Code: Internal, Detail: "the result cannot be written", Cause: err}
	}
	return out.Bytes(), nil
}

func (g *GridResponse) record(r *GridRow) []string {
	var cells []string
	for _, name := range r.Variants {
		cells = append(cells, inventory.EscapeCell(name))
	}
	d := r.RelativePercent
	return append(cells, plainCell(r.RequiredMM), plainCell(&r.ThicknessMM), r.Governs,
		fixedCell(r.InitialPerM2), fixedCell(r.MaintenancePresentValuePerM2), fixedCell(r.ResidualValuePerM2), fixedCell(r.NetPresentValuePerM2), fixedCell(r.EquivalentAnnualPerM2),
		fixedCell(&r.ConcreteKgCO2ePerM3), fixedCell(&r.CradleToGateKgCO2ePerM2), fixedCell(&r.TotalKgCO2ePerM2),
		fixedCell(d.Thickness), fixedCell(d.Initial), fixedCell(d.MaintenancePresentValue), fixedCell(d.ResidualValue),
		fixedCell(d.NetPresentValue), fixedCell(d.EquivalentAnnual), fixedCell(d.CradleToGate), fixedCell(d.TotalCarbon),
		strconv.FormatBool(r.Name == g.Baseline), strconv.FormatBool(r.Comparable), inventory.EscapeCell(r.Reason),
		countCell(r.RankByNetPresentValue), countCell(r.RankByTotalCarbon), boolCell(r.Pareto), strings.Join(r.Warnings, " "),
		g.Inventory.Ref, g.Inventory.Hash, g.EngineVersion, g.RequestHash)
}

func fixedCell(d *Fixed) string {
	if d == nil {
		return ""
	}
	return string(num.AppendFixed(nil, d.Decimal))
}

func plainCell(d *Plain) string {
	if d == nil {
		return ""
	}
	return string(num.AppendPlain(nil, d.Decimal))
}

func countCell(n *int) string {
	if n == nil {
		return ""
	}
	return strconv.Itoa(*n)
}

func boolCell(b *bool) string {
	if b == nil {
		return ""
	}
	return strconv.FormatBool(*b)
}
