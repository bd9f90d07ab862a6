// Package report prints results for people, one output format a file.
package report

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/shopspring/decimal"
	"golang.org/x/text/currency"

	"slabledger/service"
)

// Table prints a comparison as a text table, one column an alternative. Money is
// rounded to the currency's minor unit (ISO 4217), carbon and percentages to
// three significant digits; the table says so. Rounding is for reading only.
func Table(w io.Writer, r *service.ComparisonResponse) error {
	t := &table{minor: 2}
	if unit, err := currency.ParseISO(r.Inventory.Currency); err == nil {
		t.minor, _ = currency.Standard.Rounding(unit)
	}
	money := r.Inventory.Currency + "/m2"
	const carbon = "kg CO2e/m2"

	t.head = []string{""}
	for _, a := range r.Alternatives {
		t.head = append(t.head, Printable(a.Name))
	}
	t.rule()
	t.add("Slab thickness, mm", each(r, func(a service.Result) string { return a.ThicknessMM.String() }))
	t.add("Concrete, A1-A3, kg CO2e/m3", each(r, func(a service.Result) string { return significant(a.Concrete.GWPKgCO2ePerM3.A1A3.Decimal) }))
	if r.Economics != nil {
		t.add("Concrete at the plant, "+r.Inventory.Currency+"/m3", each(r, func(a service.Result) string { return t.money(a.Concrete.CostPerM3.Decimal) }))
		t.rule()
		t.add("Cost now (initial), "+money, each(r, func(a service.Result) string { return t.money(a.Cost.InitialPerM2.Decimal) }))
		t.add("+ maintenance, present value", each(r, func(a service.Result) string { return t.money(a.Cost.MaintenancePresentValuePerM2.Decimal) }))
		t.add("- residual value, credit", each(r, func(a service.Result) string { return t.money(a.Cost.ResidualValuePerM2.Decimal) }))
		t.add("= whole-life cost (net present value)", each(r, func(a service.Result) string { return t.money(a.Cost.NetPresentValuePerM2.Decimal) }))
		t.add("Equivalent annual cost, "+money+" a year", each(r, func(a service.Result) string { return t.money(a.Cost.EquivalentAnnualPerM2.Decimal) }))
	}
	t.rule()
	t.add("Carbon A1-A3 product, "+carbon, each(r, func(a service.Result) string { return optional(a.Carbon.Modules.A1A3) }))
	t.add("Carbon A4 transport to site", each(r, func(a service.Result) string { return optional(a.Carbon.Modules.A4) }))
	t.add("Carbon A5 construction and waste", each(r, func(a service.Result) string { return optional(a.Carbon.Modules.A5) }))
	if slices.ContainsFunc(r.Alternatives, func(a service.Result) bool { return a.Carbon.Modules.B1 != nil }) {
		t.add("Carbon B1 in use, uptake", each(r, func(a service.Result) string { return optional(a.Carbon.Modules.B1) }))
	}
	t.add("Carbon B2-B5 maintenance", each(r, later))
	t.add("Carbon C1-C4 end of life", each(r, endOfLife))
	t.add("Carbon, total of declared modules", each(r, func(a service.Result) string { return significant(a.Carbon.TotalKgCO2ePerM2.Decimal) }))
	t.rule()
	base := Printable(r.Comparison.Baseline)
	t.add("Difference from "+base+":", nil)
	t.add("  thickness", deltas(r, func(d service.Delta) *service.Change { return &d.ThicknessMM }))
	if r.Economics != nil {
		t.add("  cost now", deltas(r, func(d service.Delta) *service.Change { return d.InitialPerM2 }))
		t.add("  whole-life cost", deltas(r, func(d service.Delta) *service.Change { return d.NetPresentValuePerM2 }))
	}
	t.add("  carbon A1-A3", deltas(r, func(d service.Delta) *service.Change { return &d.CradleToGateKgCO2ePerM2 }))
	t.add("  carbon, total", deltas(r, func(d service.Delta) *service.Change { return d.TotalKgCO2ePerM2 }))
	if ranking := r.Comparison.Ranking; ranking != nil {
		t.rule()
		if r.Economics != nil {
			t.add("Rank by whole-life cost", ranks(r, ranking.ByNetPresentValue))
		}
		t.add("Rank by total carbon", ranks(r, ranking.ByTotalCarbon))
	}
	if u := r.Comparison.UnequalLives; u != nil && u.ByAnnualCarbon != nil {
		t.rule()
		if u.ByEquivalentAnnual != nil {
			t.add("Rank by equivalent annual cost", ranks(r, u.ByEquivalentAnnual))
		}
		t.add("Rank by carbon a year", ranks(r, u.ByAnnualCarbon))
	}

	var b strings.Builder
	fmt.Fprintf(&b, "%s (%s), %s, %s: %s\n", Printable(r.Inventory.Name), r.Inventory.Ref, r.Inventory.Region, r.Inventory.Currency, dataKind(r.Inventory.Invented))
	fmt.Fprintf(&b, "%s m2 of slab over %d years", r.FunctionalUnit.AreaM2, r.FunctionalUnit.AnalysisPeriodYears)
	if r.Economics != nil {
		b.WriteString(", " + discounting(r.Economics))
	}
	b.WriteString("\n\n")
	t.write(&b)
	b.WriteString("\n")
	for _, a := range r.Comparison.Abatement {
		fmt.Fprintf(&b, "%s against %s: %s", Printable(a.Name), base, strings.ReplaceAll(a.Class, "_", " "))
		if a.CostPerTCO2e != nil {
			fmt.Fprintf(&b, ", %s %s per t CO2e saved", t.money(a.CostPerTCO2e.Decimal), r.Inventory.Currency)
		}
		fmt.Fprintf(&b, " (%s)\n", a.Reason)
	}
	if u := r.Comparison.UnequalLives; u != nil {
		fmt.Fprintf(&b, "Service lives: %s\n", u.Reason)
	}
	if !r.Comparison.Comparable {
		fmt.Fprintf(&b, "Not comparable: %s\n", Printable(r.Comparison.Reason))
	}
	if len(r.Alternatives) > 0 {
		fmt.Fprintf(&b, "The carbon total covers %s. ", strings.Join(r.Alternatives[0].Carbon.TotalCovers, ", "))
	}
	fmt.Fprintf(&b, "Rounded for reading: money to %d decimals, carbon and per cent to 3 digits.\n", t.minor)
	fmt.Fprintf(&b, "inventory %s\nrequest   %s\nengine    %s\n\n%s\n", r.Inventory.Hash, r.RequestHash, r.EngineVersion, r.Caution)
	_, err := io.WriteString(w, b.String())
	return err
}

// discounting says at which rate, and how it was given.
func discounting(e *service.EconomicsApplied) string {
	switch {
	case e.RealDiscountRate == nil:
		var steps []string
		for _, r := range e.DiscountRateSchedule {
			steps = append(steps, fmt.Sprintf("%s %% from year %d", r.Rate.Shift(2), r.FromYear))
		}
		return "real discount rate " + strings.Join(steps, ", ")
	case e.NominalDiscountRate != nil:
		return fmt.Sprintf("nominal discount rate %s %% with inflation of %s %%", e.NominalDiscountRate.Shift(2), e.Inflation.Shift(2))
	}
	return fmt.Sprintf("real discount rate %s %%", e.RealDiscountRate.Shift(2))
}

func dataKind(invented bool) string {
	if invented {
		return "prices and factors are INVENTED for demonstration"
	}
	return "see the sources of each item"
}

func each(r *service.ComparisonResponse, cell func(service.Result) string) []string {
	cells := make([]string, len(r.Alternatives))
	for i, a := range r.Alternatives {
		cells[i] = cell(a)
	}
	return cells
}

func deltas(r *service.ComparisonResponse, of func(service.Delta) *service.Change) []string {
	cells := make([]string, len(r.Comparison.Deltas))
	for i, d := range r.Comparison.Deltas {
		change := of(d)
		switch {
		case d.Name == r.Comparison.Baseline:
			cells[i] = "baseline"
		case change == nil:
			cells[i] = "covers differ"
		case change.RelativePercent == nil:
			cells[i] = signed(significant(change.Absolute.Decimal))
		default:
			cells[i] = signed(significant(change.RelativePercent.Decimal)) + " %"
		}
	}
	return cells
}

func ranks(r *service.ComparisonResponse, ranking []service.Rank) []string {
	place := make(map[string]int, len(ranking))
	for _, rank := range ranking {
		place[rank.Name] = rank.Rank
	}
	return each(r, func(a service.Result) string { return fmt.Sprint(place[a.Name]) })
}

func later(a service.Result) string {
	m := a.Carbon.Modules
	return sum(m.B2, m.B3, m.B4, m.B5)
}

func endOfLife(a service.Result) string {
	m := a.Carbon.Modules
	return sum(m.C1, m.C2, m.C3, m.C4)
}

// sum adds what is declared; with nothing declared there is no number.
func sum(values ...*service.Fixed) string {
	total, any := decimal.Zero, false
	for _, v := range values {
		if v != nil {
			total, any = total.Add(v.Decimal), true
		}
	}
	if !any {
		return notDeclared
	}
	return significant(total)
}

const notDeclared = "not declared"

func optional(v *service.Fixed) string {
	if v == nil {
		return notDeclared
	}
	return significant(v.Decimal)
}

func signed(s string) string {
	if strings.HasPrefix(s, "-") || s == "0" {
		return s
	}
	return "+" + s
}

// significant rounds to three significant digits, half to even.
func significant(d decimal.Decimal) string {
	if d.IsZero() {
		return "0"
	}
	places := 3 - (int32(d.NumDigits()) + d.Exponent()) //nolint:gosec // a printed line has few digits
	if places < 0 {
		return d.RoundBank(places).String()
	}
	return d.RoundBank(places).StringFixed(places)
}

type table struct {
	head  []string
	rows  [][]string // nil is a rule
	minor int
}

func (t *table) money(d decimal.Decimal) string {
	places := int32(t.minor) //nolint:gosec // ISO 4217: 0 to 4
	return d.RoundBank(places).StringFixed(places)
}

func (t *table) add(label string, cells []string) {
	t.rows = append(t.rows, append([]string{label}, cells...))
}

func (t *table) rule() { t.rows = append(t.rows, nil) }

func (t *table) write(b *strings.Builder) {
	width := make([]int, len(t.head))
	for _, row := range append([][]string{t.head}, t.rows...) {
		for i, cell := range row {
			width[i] = max(width[i], utf8.RuneCountInString(cell))
		}
	}
	line := 0
	for _, w := range width {
		line += w + 2
	}
	print := func(row []string) {
		var out strings.Builder
		for i, cell := range row {
			pad := strings.Repeat(" ", width[i]-utf8.RuneCountInString(cell))
			if i == 0 {
				out.WriteString(cell + pad)
			} else {
				out.WriteString("  " + pad + cell)
			}
		}
		b.WriteString(strings.TrimRight(out.String(), " ") + "\n")
	}
	print(t.head)
	for _, row := range t.rows {
		if row == nil {
			b.WriteString(strings.Repeat("-", line-2) + "\n")
			continue
		}
		print(row)
	}
}

// Printable keeps names from moving the cursor of a terminal.
func Printable(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return '\uFFFD'
	}, s)
}
