package pages

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"

	"github.com/go-json-experiment/json"
	"github.com/shopspring/decimal"

	"slabledger/service"
	"slabledger/service/report"
)

// figures are the main figures of a result, to be read; the JSON has all of them, exact.
type figures struct {
	ID     string   // begins the ids of its tables; may be empty
	Texts  []string // what the operation says itself
	Tables []figureTable
}

type figureTable struct {
	ID      string // unique on a page
	Caption string
	Head    []string
	Rows    [][]string // the first cell names the row
	More    int        // rows besides
}

// maxFigureRows of a table are shown.
const maxFigureRows = 500

func (f *figures) table(caption string, head ...string) *figureTable {
	f.Tables = append(f.Tables, figureTable{ID: f.ID + "table-" + strconv.Itoa(len(f.Tables)), Caption: caption, Head: head})
	return &f.Tables[len(f.Tables)-1]
}

func (t *figureTable) row(cells ...string) {
	if len(t.Rows) == maxFigureRows {
		t.More++
		return
	}
	t.Rows = append(t.Rows, cells)
}

// figuresOf reads the result of an operation.
func figuresOf(shown report.Shown, operation string, result []byte) (*figures, error) {
	r := reader{shown: shown, figures: &figures{}}
	show, known := map[string]func(*reader, []byte) error{
		"comparison": readAs((*reader).comparison), "grid": readAs((*reader).grid), "search": readAs((*reader).search), "sensitivity": readAs((*reader).sensitivity),
		"break-even": readAs((*reader).breakEven), "uncertainty": readAs((*reader).uncertainty), "methods": readAs((*reader).methods), "conclusions": readAs((*reader).conclusions),
	}[operation]
	if !known {
		return r.figures, nil
	}
	if err := show(&r, result); err != nil {
		return nil, fmt.Errorf("pages: the result of %s: %w", operation, err)
	}
	return r.figures, nil
}

func readAs[R any](show func(*reader, *R)) func(*reader, []byte) error {
	return func(r *reader, result []byte) error {
		var answer R
		if err := json.Unmarshal(result, &answer); err != nil {
			return err
		}
		show(r, &answer)
		return nil
	}
}

// reader writes figures with the separators of whoever reads them.
type reader struct {
	*figures
	shown report.Shown
}

func (r *reader) n(d decimal.Decimal) string { return r.shown.Significant(d) }

func (r *reader) fixed(d *service.Fixed) string {
	if d == nil {
		return "–"
	}
	return r.n(d.Decimal)
}

func (r *reader) plain(d *service.Plain) string {
	if d == nil {
		return "–"
	}
	return r.shown.Plain(d.Decimal)
}

// percent is a share of one in hundredths.
func (r *reader) percent(d decimal.Decimal) string { return r.shown.Number(d.Shift(2), 1) + " %" }

// words is a name of the contract as people read it.
func words(name string) string { return strings.ReplaceAll(name, "_", " ") }

// isFigure tells whether a cell holds a number alone.
func isFigure(cell string) bool {
	return cell != "" && strings.ContainsAny(cell, "0123456789") && !strings.ContainsFunc(cell, func(r rune) bool {
		return unicode.IsLetter(r) || r == '@'
	})
}

func yes(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

func (r *reader) comparison(a *service.ComparisonResponse) {
	t := r.table("Alternatives", "Alternative", "Thickness, mm", "Net present value, "+r.shown.MoneyUnit(&a.Head), "Carbon, "+r.shown.CarbonUnit(&a.Head))
	for i := range a.Alternatives {
		alt := &a.Alternatives[i]
		cost := "–"
		if alt.Cost != nil {
			cost = r.shown.Money(&a.Head, alt, alt.Cost.NetPresentValuePerM2.Decimal)
		}
		t.row(alt.Name, r.plain(&service.Plain{Decimal: alt.ThicknessMM.Decimal}), cost, r.shown.Carbon(&a.Head, alt, alt.Carbon.TotalKgCO2ePerM2.Decimal))
	}
}

func (r *reader) grid(a *service.GridResponse) {
	t := r.table(fmt.Sprintf("All %d combinations; the baseline is %s", len(a.Rows), a.Baseline), "Combination", "Thickness, mm", "Net present value, "+a.Inventory.Currency+"/m²", "Carbon, kg CO₂e/m²", "On the Pareto front")
	for _, row := range a.Rows {
		front := "–"
		if row.Pareto != nil {
			front = yes(*row.Pareto)
		}
		t.row(row.Name, r.plain(&row.ThicknessMM), r.fixed(row.NetPresentValuePerM2), r.n(row.TotalKgCO2ePerM2.Decimal), front)
	}
}

func (r *reader) searchRows(caption string, a *service.SearchResponse, rows ...service.SearchRow) {
	if len(rows) == 0 {
		return
	}
	t := r.table(caption, "Combination", "Thickness, mm", "Net present value, "+a.Inventory.Currency+"/m²", "Carbon, kg CO₂e/m²")
	for _, row := range rows {
		t.row(row.Name, r.plain(row.ThicknessMM), r.fixed(row.NetPresentValuePerM2), r.fixed(row.TotalKgCO2ePerM2))
	}
}

func (r *reader) search(a *service.SearchResponse) {
	r.Texts = append(r.Texts, a.Conclusion, fmt.Sprintf("%s combinations were tried, %s of which can be built within the cap.", r.shown.Int(a.Combinations), r.shown.Int(a.Feasible)))
	if a.Best != nil {
		r.searchRows("The best", a, *a.Best)
	}
	r.searchRows("As good", a, a.Ties...)
	r.searchRows("Next", a, a.RunnersUp...)
	if a.Pareto.Count > 0 {
		r.searchRows(fmt.Sprintf("Pareto front of cost and carbon: %d combinations", a.Pareto.Count), a, a.Pareto.Rows...)
	}
	if len(a.Infeasible) > 0 {
		t := r.table("Left out", "Reason", "Combinations", "What it says")
		for _, i := range a.Infeasible {
			t.row(strings.ReplaceAll(i.Reason, "-", " "), r.shown.Int(i.Count), i.Detail)
		}
	}
}

func (r *reader) sensitivity(a *service.SensitivityResponse) {
	r.Texts = append(r.Texts, fmt.Sprintf("The %s of %s less that of %s is %s %s.", words(a.Measure), a.First, a.Second, r.n(a.Nominal.Difference.Decimal), a.MeasureUnit))
	t := r.table("What moves the difference, "+a.MeasureUnit, "Input", "Unit", "Low", "Difference there", "High", "Difference there", "Swing", "Changes the order")
	for _, l := range a.Lines {
		t.row(l.Name, l.Unit, r.n(l.LowAt.Decimal), r.n(l.Low.Difference.Decimal), r.n(l.HighAt.Decimal), r.n(l.High.Difference.Decimal), r.n(l.Swing.Decimal), yes(l.Reverses))
	}
}

func (r *reader) breakEven(a *service.BreakEvenResponse) {
	r.Texts = append(r.Texts, a.Conclusion)
	if len(a.Crossings) > 0 {
		t := r.table("Where they change places", "Value, "+a.Variable.UnitOfValue, a.First+", "+a.MeasureUnit, a.Second+", "+a.MeasureUnit, "Lower before", "Lower after")
		for _, x := range a.Crossings {
			t.row(r.n(x.Value.Decimal), r.n(x.First.Decimal), r.n(x.Second.Decimal), x.LowerBefore, x.LowerAfter)
		}
	}
}

func (r *reader) uncertainty(a *service.UncertaintyResponse) {
	r.Texts = append(append(r.Texts, a.Conclusions...), aboutMeans)
	units := map[string]string{}
	for _, m := range a.Measures {
		units[m.Measure] = m.Unit
	}
	t := r.table(fmt.Sprintf("What %s samples say", r.shown.Int(a.Samples)), "Alternative", "Measure", "Unit", "As computed", "Mean", "Standard deviation", "95 in 100 lie between")
	for _, alt := range a.Alternatives {
		for _, m := range alt.Measures {
			t.row(alt.Name, words(m.Measure), units[m.Measure], r.n(m.Nominal.Decimal), r.n(m.Mean.Decimal), r.n(m.SD.Decimal), r.between(m.Percentiles))
		}
	}
	if len(a.Pairs) > 0 {
		t = r.table("How often the first is lower", "First", "Second", "Measure", "First is lower in", "That share is sure to lie between", "Unlike an even chance")
		for _, pair := range a.Pairs {
			for _, d := range pair.Differences {
				t.row(pair.First, pair.Second, words(d.Measure), r.percent(d.FirstLower.Probability.Decimal), r.percent(d.FirstLower.Low.Decimal)+" and "+r.percent(d.FirstLower.High.Decimal), yes(!d.Indistinguishable))
			}
		}
	}
}

// between is the range of 95 in 100.
func (r *reader) between(list []service.PercentileOf) string {
	low, high := "", ""
	for _, p := range list {
		switch p.Percent.String() {
		case "2.5":
			low = r.n(p.Value.Decimal)
		case "97.5":
			high = r.n(p.Value.Decimal)
		}
	}
	if low == "" || high == "" {
		return "–"
	}
	return low + " and " + high
}

func (r *reader) methods(a *service.MethodsResponse) {
	t := r.table(fmt.Sprintf("How often each is first, in %d choices of method", len(a.Combinations)), "Alternative", "On cost", "On carbon")
	for _, f := range a.First {
		t.row(f.Name, r.shown.Int(f.OnCost), r.shown.Int(f.OnCarbon))
	}
	t = r.table("Each choice of method", "Boundary", "Allocation", "Discount rate", "First on cost", "First on carbon")
	for _, m := range a.Combinations {
		rate := "–"
		if m.RealDiscountRate != nil {
			rate = *m.RealDiscountRate
		}
		t.row(m.Boundary, m.Allocation, rate, strings.Join(m.FirstOnCost, ", "), strings.Join(m.FirstOnCarbon, ", "))
	}
	for _, x := range a.Crossings {
		r.Texts = append(r.Texts, x.Conclusion)
	}
}

func (r *reader) conclusions(a *service.ConclusionsResponse) {
	for _, part := range []struct {
		caption string
		list    []service.Conclusion
	}{{"Which", a.Which}, {"How sure", a.HowSure}, {"What changes it", a.WhatChangesIt}} {
		for _, conclusion := range part.list {
			r.Texts = append(r.Texts, part.caption+": "+conclusion.Text)
		}
	}
}
