package report

import (
	"fmt"
	"strings"
)

// summary writes the first sheet: what the workbook is, how to use it, and what it does
// not do.
func (b *workbook) summary() {
	r := b.r
	p := b.page(sheetSummary, column{"", 34, b.style.text}, column{"", 110, b.style.wrap})
	defer p.end()
	title := func(text string) { p.row(shaded{text, b.style.title}) }
	line := func(name string, value any) { p.row(shaded{name, b.style.head}, value) }
	title("Comparison of concrete slabs, with live formulas")
	line("Caution", r.Caution)
	line("Data", dataKind(r.Inventory.Invented))
	p.row()
	title("What is compared")
	var names []string
	for i, a := range r.Alternatives {
		if i == 20 {
			names = append(names, fmt.Sprintf("and %d more", len(r.Alternatives)-i))
			break
		}
		names = append(names, a.Name)
	}
	line("Question", fmt.Sprintf("%d alternatives that do the same job, against the baseline %q, by whole-life cost and by carbon", len(r.Alternatives), r.Comparison.Baseline))
	line("Alternatives", strings.Join(names, "; "))
	line("Functional unit", fmt.Sprintf("%s m2 of slab over %d years", r.FunctionalUnit.AreaM2, r.FunctionalUnit.AnalysisPeriodYears))
	if r.Economics != nil {
		line("Economics", fmt.Sprintf("%s, %s money; %s", r.Economics.Currency, r.Economics.PriceBasis, discounting(r.Economics)))
	} else {
		line("Economics", "none asked for: the comparison has no cost")
	}
	if g := r.GoalAndScope; g != nil {
		line("Purpose", g.Purpose)
		line("Audience", g.Audience)
		line("Decision", g.Decision)
	}
	comparable := "The alternatives are comparable: "
	if !r.Comparison.Comparable {
		comparable = "NOT comparable: "
	}
	line("Comparability", comparable+r.Comparison.Reason)
	if u := r.Comparison.UnequalLives; u != nil {
		line("Service lives", u.Reason)
	}
	if len(r.Alternatives) > 0 {
		line("The carbon total covers", strings.Join(r.Alternatives[0].Carbon.TotalCovers, ", "))
	}
	p.row()
	title("What it rests on")
	line("Inventory", fmt.Sprintf("%s (%s), region %s, currency %s", r.Inventory.Name, r.Inventory.Ref, r.Inventory.Region, r.Inventory.Currency))
	line("Hash of the inventory", r.Inventory.Hash)
	if r.Inventory.Extends != nil {
		line("It extends", r.Inventory.Extends.Ref+", "+r.Inventory.Extends.Hash)
	}
	line("Hash of the request", r.RequestHash)
	line("Engine version", r.EngineVersion)
	p.row()
	title("How to use it")
	p.row(shaded{"Figures that differ from the service", b.style.head}, shaded{formula(b.agree), b.style.whole})
	line("Check", fmt.Sprintf("The sheet %s sets %d figures, as the service printed them, against their recalculation here. Once an input is changed, they differ, and by how much is what the change does.", sheetCheck, len(b.figures)))
	p.row(shaded{"Cells to change", b.style.head}, entered{shaded{"This colour with a frame marks a cell to be changed: prices, factors, rates, amounts, the area.", b.style.wrap}})
	line("Where they are", fmt.Sprintf("%s and %s; amounts on %s. Everything else follows: lines, totals, differences, ranks.", sheetRates, sheetInputs, sheetQuantities))
	line("To recalculate", "The file has no computed values in it, so that a spreadsheet program computes it when it opens it. Where that is switched off: F9, or Ctrl+Shift+F9 for all of it. A viewer that does not compute shows empty cells.")
	line("How it is computed", "A line is ROUND(amount × factor, 6) or ROUND(amount × price × escalation factor × discount factor, 6). A total is the sum of its lines; the ROUND around a sum only takes away what binary numbers add. A figure for the area is the one per m2 times the area.")
	line("Tolerance", "The service computes in decimals and rounds a half to even; a spreadsheet computes in binary numbers of 53 bits and rounds a half away from zero. A line whose exact product ends in a half of the sixth decimal, or is nearer to one than 1e-13 of itself, may so differ by 0.000001; all else by 1e-12 of the sum of what is added, signs aside (at most 5,000 lines × 2^-53). The bound beside each figure is 0.000001 for each such line in it, carried through what is computed from it, and that 1e-12.")
	p.row()
	title("What it does not do")
	for _, text := range b.beyond() {
		p.row("", text)
	}
	p.row()
	title("Conventions")
	for _, text := range r.Conventions {
		p.row("", text)
	}
}

// beyond lists what no formula of the workbook does.
func (b *workbook) beyond() []string {
	r := b.r
	list := []string{
		"Amounts are as the service printed them. Another thickness, mix, distance or plan has other amounts and other lines: ask the service.",
		"An item that is made of others (a recipe) stands in the lines as its parts, each with its own price and factor.",
		"One item's price, or factor, stands once for all lines that have it. Where two factors of an item are the same number, they share a cell, and the column of modules says for which.",
	}
	if r.Economics == nil {
		return list
	}
	residual, lives := false, false
	for _, a := range r.Alternatives {
		residual = residual || a.Resolved.Residual != nil && a.Cost != nil && !a.Cost.ResidualValuePerM2.IsZero()
		lives = lives || a.Cost != nil && a.Cost.BothWays != nil
	}
	if residual {
		list = append(list, "The share of life that a residual value rests on is an amount; what it is a share of follows from the lines, where the service states it as their sum.")
	}
	if lives {
		list = append(list, "The check of real against nominal terms, which rounds no line, is not repeated.")
	}
	if b.carbonPriced() {
		list = append(list, "The growth of the price of carbon is a factor a year, as printed.")
	}
	if r.Comparison.Objectives != nil {
		list = append(list, "Objectives, dominance and weights of the answer are not repeated; they rest on the totals here.")
	}
	if len(r.Comparison.Checks) > 0 || r.Comparison.CutOff != nil {
		list = append(list, "The checks of the interpretation and the cut-off ledger of the answer are not repeated.")
	}
	for _, a := range r.Alternatives {
		if len(a.Limits) > 0 {
			list = append(list, "Limits of a procurement are not repeated; the answer has them.")
			break
		}
	}
	return append(list, "Thickness designs, warnings and assumptions stand in the answer of the service.")
}
