package pages

import (
	"html/template"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
	"slabledger/service"
	"slabledger/service/report"
)

// comparisonTable sets alternatives side by side: a column each or, where they are many, a
// row each.
type comparisonTable struct {
	Names    []string
	Baseline string
	Rows     []figureRow // of a column each
	Heads    []head      // of a row each
	Bodies   []body
}

// figureRow is one measure, or the title of some, of which it has no cells.
type figureRow struct {
	Label template.HTML
	Unit  string
	Cells []cell
}

// cell is one figure.
type cell struct {
	Text string
	Mark string // a word for what stands out, as "lowest"
	Was  string // before what the address changes, where that differs
}

type head struct {
	Label      template.HTML
	Unit, Href string // to sort by it
	Sorted     string // ascending, descending or empty
}

type body struct {
	Name, Href string
	Mark       string
	Cells      []cell
}

// measure is what a row shows, of an alternative of an answer.
type measure struct {
	id, title string // of the parameter sort; a title begins a part of the table
	label     template.HTML
	unit      string
	text      func(r *service.ComparisonResponse, i int) string
	value     func(r *service.ComparisonResponse, i int) (decimal.Decimal, bool) // to sort by
	lowest    bool                                                               // the least is marked, where alternatives are ranked
	many      bool                                                               // stands in the table of many too
}

// tableOf lays out the figures of a comparison.
func tableOf(o *opened, shown report.Shown) *comparisonTable {
	r := o.After
	t := &comparisonTable{Baseline: r.Comparison.Baseline}
	for i := range r.Alternatives {
		t.Names = append(t.Names, r.Alternatives[i].Name)
	}
	all := measuresOf(r, shown)
	if len(t.Names) > inColumns {
		t.byRow(o, all)
		return t
	}
	for _, m := range all {
		if m.title != "" {
			t.Rows = append(t.Rows, figureRow{Label: template.HTML(template.HTMLEscapeString(m.title))}) //nolint:gosec // escaped
		}
		row := figureRow{Label: m.label, Unit: m.unit}
		marks := m.marks(r)
		for i := range t.Names {
			row.Cells = append(row.Cells, m.cell(o, i, marks[i]))
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

func (m *measure) cell(o *opened, i int, mark string) cell {
	c := cell{Text: m.text(o.After, i), Mark: mark}
	if o.Changed() {
		if was := m.text(o.Before, i); was != c.Text {
			c.Was = was
		}
	}
	return c
}

// marks tells which alternatives are lowest, where they are ranked.
func (m *measure) marks(r *service.ComparisonResponse) []string {
	marks := make([]string, len(r.Alternatives))
	if !m.lowest || r.Comparison.Ranking == nil || len(marks) < 2 {
		return marks
	}
	var least *decimal.Decimal
	for i := range marks {
		if v, known := m.value(r, i); known && (least == nil || v.LessThan(*least)) {
			least = &v
		}
	}
	for i := range marks {
		if v, known := m.value(r, i); known && v.Equal(*least) {
			marks[i] = "lowest"
		}
	}
	return marks
}

// byRow lays out many alternatives, in the order that the address asks for.
func (t *comparisonTable) byRow(o *opened, all []measure) {
	r := o.After
	all = slices.DeleteFunc(all, func(m measure) bool { return !m.many })
	by, descending := o.query.Get("sort"), o.query.Get("order") == "descending"
	order := make([]int, len(t.Names))
	for i := range order {
		order[i] = i
	}
	name := head{Label: "Alternative", Href: sortedBy(o, "name", by == "name" && !descending)}
	if by == "name" {
		name.Sorted = direction(descending)
		slices.SortStableFunc(order, func(a, b int) int { return turned(strings.Compare(t.Names[a], t.Names[b]), descending) })
	}
	t.Heads = append(t.Heads, name)
	marks := make([][]string, len(all))
	for n := range all {
		m := &all[n]
		h := head{Label: m.label, Unit: m.unit, Href: sortedBy(o, m.id, by == m.id && !descending)}
		if by == m.id {
			h.Sorted = direction(descending)
			slices.SortStableFunc(order, func(a, b int) int {
				x, knownX := m.value(r, a)
				y, knownY := m.value(r, b)
				switch {
				case !knownX && !knownY:
					return 0
				case !knownX:
					return 1 // what is not known comes last either way
				case !knownY:
					return -1
				}
				return turned(x.Cmp(y), descending)
			})
		}
		marks[n] = m.marks(r)
		t.Heads = append(t.Heads, h)
	}
	for _, i := range order {
		row := body{Name: t.Names[i], Href: o.Lines(t.Names[i])}
		if t.Names[i] == t.Baseline {
			row.Mark = "baseline"
		}
		for n := range all {
			row.Cells = append(row.Cells, all[n].cell(o, i, marks[n][i]))
		}
		t.Bodies = append(t.Bodies, row)
	}
}

func direction(descending bool) string {
	if descending {
		return "descending"
	}
	return "ascending"
}

func turned(order int, descending bool) int {
	if descending {
		return -order
	}
	return order
}

func sortedBy(o *opened, id string, descending bool) string {
	return o.at("", "sort", id, "order", direction(descending))
}

// measuresOf are the measures of an answer, in the order of the table.
func measuresOf(r *service.ComparisonResponse, shown report.Shown) []measure {
	of := func(r *service.ComparisonResponse, i int) *service.Result { return &r.Alternatives[i] }
	length := measure{id: "thickness", title: "Slab and concrete", label: "Slab thickness", unit: shown.LengthUnit(), many: true,
		text: func(r *service.ComparisonResponse, i int) string { return shown.Length(of(r, i).ThicknessMM.Decimal) },
		value: func(r *service.ComparisonResponse, i int) (decimal.Decimal, bool) {
			return of(r, i).ThicknessMM.Decimal, true
		}}
	concrete := measure{id: "concrete", label: "Concrete, " + termOf("a1-a3", "A1-A3"), unit: shown.CarbonPerVolumeUnit(), many: true,
		text: func(r *service.ComparisonResponse, i int) string {
			return shown.MassPerVolume(of(r, i).Concrete.GWPKgCO2ePerM3.A1A3.Decimal)
		},
		value: func(r *service.ComparisonResponse, i int) (decimal.Decimal, bool) {
			return of(r, i).Concrete.GWPKgCO2ePerM3.A1A3.Decimal, true
		}}
	list := []measure{length, concrete}
	fixed := func(m measure, show func(*service.Head, *service.Result, decimal.Decimal) string, get func(a *service.Result) *service.Fixed) measure {
		m.text = func(r *service.ComparisonResponse, i int) string {
			if v := get(of(r, i)); v != nil {
				return show(&r.Head, of(r, i), v.Decimal)
			}
			return report.Unknown
		}
		m.value = func(r *service.ComparisonResponse, i int) (decimal.Decimal, bool) {
			if v := get(of(r, i)); v != nil {
				return v.Decimal, true
			}
			return decimal.Decimal{}, false
		}
		return m
	}
	money := func(id string, label template.HTML, lowest, many bool, get func(c *service.Cost) *service.Fixed) {
		list = append(list, fixed(measure{id: id, label: label, unit: shown.MoneyUnit(&r.Head), lowest: lowest, many: many}, shown.Money, func(a *service.Result) *service.Fixed {
			if a.Cost == nil {
				return nil
			}
			return get(a.Cost)
		}))
	}
	if r.Economics != nil {
		list = append(list, fixed(measure{id: "plant", label: "Concrete at the plant", unit: shown.MoneyPerVolumeUnit(&r.Head)}, func(h *service.Head, _ *service.Result, v decimal.Decimal) string {
			return shown.MoneyPerVolume(h, v)
		}, func(a *service.Result) *service.Fixed { return a.Concrete.CostPerM3 }))
		at := len(list)
		money("initial", termOf("initial cost", "Initial cost"), false, true, func(c *service.Cost) *service.Fixed { return &c.InitialPerM2 })
		list[at].title = "Whole-life cost"
		money("maintenance", "+ maintenance, present value", false, false, func(c *service.Cost) *service.Fixed { return &c.MaintenancePresentValuePerM2 })
		money("residual", "− "+termOf("residual value", "residual value"), false, false, func(c *service.Cost) *service.Fixed { return &c.ResidualValuePerM2 })
		money("cost", "= "+termOf("net present value", "net present value"), true, true, func(c *service.Cost) *service.Fixed { return &c.NetPresentValuePerM2 })
		money("annual", termOf("equivalent annual cost", "Equivalent annual cost")+", a year", false, true, func(c *service.Cost) *service.Fixed { return &c.EquivalentAnnualPerM2 })
		if slices.ContainsFunc(r.Alternatives, func(a service.Result) bool { return a.Cost != nil && a.Cost.UserPresentValuePerM2 != nil }) {
			money("users", "Cost of road users, present value", false, false, func(c *service.Cost) *service.Fixed { return c.UserPresentValuePerM2 })
		}
		if slices.ContainsFunc(r.Alternatives, func(a service.Result) bool { return a.Cost != nil && a.Cost.CarbonPrice != nil }) {
			money("priced", "Net present value with carbon at its price", false, false, func(c *service.Cost) *service.Fixed {
				if c.CarbonPrice == nil {
					return nil
				}
				return &c.CarbonPrice.NetPresentValueWithCarbonPerM2
			})
		}
	}
	list = append(list, carbonMeasures(r, shown, fixed)...)
	return append(list, comparedMeasures(r, shown)...)
}

// carbonMeasures are the modules by groups, and their total.
func carbonMeasures(r *service.ComparisonResponse, shown report.Shown, fixed func(measure, func(*service.Head, *service.Result, decimal.Decimal) string, func(*service.Result) *service.Fixed) measure) (list []measure) {
	unit := shown.CarbonUnit(&r.Head)
	for _, g := range []struct {
		id     string
		label  template.HTML
		always bool
		of     func(m *service.CarbonModules) []*service.Fixed
	}{
		{"a0", "A0", false, func(m *service.CarbonModules) []*service.Fixed { return []*service.Fixed{m.A0} }},
		{"product", termOf("a1-a3", "A1-A3") + " product", true, func(m *service.CarbonModules) []*service.Fixed { return []*service.Fixed{m.A1A3} }},
		{"haul", termOf("a4", "A4") + " transport to site", true, func(m *service.CarbonModules) []*service.Fixed { return []*service.Fixed{m.A4} }},
		{"works", termOf("a5", "A5") + " construction", true, func(m *service.CarbonModules) []*service.Fixed { return []*service.Fixed{m.A5} }},
		{"uptake", termOf("b1", "B1") + " use, uptake", false, func(m *service.CarbonModules) []*service.Fixed { return []*service.Fixed{m.B1} }},
		{"upkeep", termOf("b2-b5", "B2-B5") + " maintenance", true, func(m *service.CarbonModules) []*service.Fixed { return []*service.Fixed{m.B2, m.B3, m.B4, m.B5} }},
		{"running", "B6-B8", false, func(m *service.CarbonModules) []*service.Fixed { return []*service.Fixed{m.B6, m.B7, m.B8} }},
		{"end", termOf("c1-c4", "C1-C4") + " end of life", true, func(m *service.CarbonModules) []*service.Fixed { return []*service.Fixed{m.C1, m.C2, m.C3, m.C4} }},
	} {
		sum := func(a *service.Result) *service.Fixed {
			var total *service.Fixed
			for _, v := range g.of(&a.Carbon.Modules) {
				if v == nil {
					continue
				}
				if total == nil {
					total = &service.Fixed{}
				}
				total.Decimal = total.Add(v.Decimal)
			}
			return total
		}
		if !g.always && !slices.ContainsFunc(r.Alternatives, func(a service.Result) bool { return sum(&a) != nil }) {
			continue
		}
		m := fixed(measure{id: g.id, label: g.label, unit: unit}, shown.Carbon, sum)
		known := m.text
		m.text = func(r *service.ComparisonResponse, i int) string {
			if text := known(r, i); text != report.Unknown {
				return text
			}
			return "not declared"
		}
		list = append(list, m)
	}
	list[0].title = "Carbon, by module of the life cycle"
	list = append(list, fixed(measure{id: "carbon", label: "= total of declared modules", unit: unit, lowest: true, many: true}, shown.Carbon, func(a *service.Result) *service.Fixed { return &a.Carbon.TotalKgCO2ePerM2 }))
	if slices.ContainsFunc(r.Alternatives, func(a service.Result) bool { return a.Carbon.BeyondBoundaryDKgCO2ePerM2 != nil }) {
		list = append(list, fixed(measure{id: "beyond", label: termOf("d", "D") + ", beside the total", unit: unit}, shown.Carbon, func(a *service.Result) *service.Fixed { return a.Carbon.BeyondBoundaryDKgCO2ePerM2 }))
	}
	return list
}

// comparedMeasures are the differences from the baseline, and the ranks.
func comparedMeasures(r *service.ComparisonResponse, shown report.Shown) (list []measure) {
	change := func(id string, label template.HTML, many bool, get func(d *service.Delta) *service.Change) {
		list = append(list, measure{id: id, label: label, many: many,
			text: func(r *service.ComparisonResponse, i int) string {
				c := get(&r.Comparison.Deltas[i])
				switch {
				case r.Alternatives[i].Name == r.Comparison.Baseline:
					return "baseline"
				case c == nil && r.Economics == nil:
					return report.Unknown
				case c == nil:
					return "covers differ"
				case c.RelativePercent == nil:
					return report.Unknown
				}
				return percent(shown, c)
			},
			value: func(r *service.ComparisonResponse, i int) (decimal.Decimal, bool) {
				c := get(&r.Comparison.Deltas[i])
				if c == nil || c.RelativePercent == nil {
					return decimal.Decimal{}, false
				}
				return c.RelativePercent.Decimal, true
			}})
	}
	change("thickness-change", "Thickness", false, func(d *service.Delta) *service.Change { return &d.ThicknessMM })
	list[0].title = "Difference from " + report.Printable(r.Comparison.Baseline) + ", the baseline"
	if r.Economics != nil {
		change("initial-change", "Initial cost", false, func(d *service.Delta) *service.Change { return d.InitialPerM2 })
		change("cost-change", "Net present value, difference", true, func(d *service.Delta) *service.Change { return d.NetPresentValuePerM2 })
	}
	change("product-change", "Carbon A1-A3", false, func(d *service.Delta) *service.Change { return &d.CradleToGateKgCO2ePerM2 })
	change("carbon-change", "Carbon, difference", true, func(d *service.Delta) *service.Change { return d.TotalKgCO2ePerM2 })
	title := "Rank"
	rank := func(id string, label template.HTML, many bool, get func(r *service.ComparisonResponse) []service.Rank) {
		if len(get(r)) == 0 {
			return
		}
		indexed := map[*service.ComparisonResponse]map[string]int{}
		place := func(r *service.ComparisonResponse, i int) (int, bool) {
			at, made := indexed[r]
			if !made {
				at = map[string]int{}
				for _, rank := range get(r) {
					at[rank.Name] = rank.Rank
				}
				indexed[r] = at
			}
			n, ranked := at[r.Alternatives[i].Name]
			return n, ranked
		}
		list = append(list, measure{id: id, title: title, label: label, many: many,
			text: func(r *service.ComparisonResponse, i int) string {
				if n, ranked := place(r, i); ranked {
					return shown.Int(n)
				}
				return report.Unknown
			},
			value: func(r *service.ComparisonResponse, i int) (decimal.Decimal, bool) {
				n, ranked := place(r, i)
				return decimal.NewFromInt(int64(n)), ranked
			}})
		title = ""
	}
	ranking := func(get func(*service.Ranking) []service.Rank) func(*service.ComparisonResponse) []service.Rank {
		return func(r *service.ComparisonResponse) []service.Rank {
			if r.Comparison.Ranking == nil {
				return nil
			}
			return get(r.Comparison.Ranking)
		}
	}
	lives := func(get func(*service.UnequalLives) []service.Rank) func(*service.ComparisonResponse) []service.Rank {
		return func(r *service.ComparisonResponse) []service.Rank {
			if r.Comparison.UnequalLives == nil {
				return nil
			}
			return get(r.Comparison.UnequalLives)
		}
	}
	rank("cost-rank", "by net present value", true, ranking(func(k *service.Ranking) []service.Rank { return k.ByNetPresentValue }))
	rank("carbon-rank", "by total carbon", true, ranking(func(k *service.Ranking) []service.Rank { return k.ByTotalCarbon }))
	rank("annual-rank", "by equivalent annual cost", true, lives(func(u *service.UnequalLives) []service.Rank { return u.ByEquivalentAnnual }))
	rank("annual-carbon-rank", "by carbon a year", true, lives(func(u *service.UnequalLives) []service.Rank { return u.ByAnnualCarbon }))
	return list
}

// relative is the change from one figure to another, in per cent with its sign; empty
// where there is none to tell.
func relative(shown report.Shown, before, after *service.Fixed) string {
	difference := after.Sub(before.Decimal)
	if difference.IsZero() || before.IsZero() {
		return ""
	}
	return percent(shown, &service.Change{RelativePercent: &service.Fixed{Decimal: num.Quotient(difference.Shift(2), before.Decimal)}})
}
