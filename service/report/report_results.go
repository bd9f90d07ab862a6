package report

import (
	"fmt"
	"slices"
	"strings"

	"slabledger/service"
)

// results are the summaries, which have every alternative, and the pictures.
func (b *reporter) results() error {
	r, priced := b.r, b.r.Economics != nil
	money, carbon := b.Shown.MoneyUnit(&r.Head), b.Shown.CarbonUnit(&r.Head)

	columns := []PictureColumn{textual("Alternative"), numeric("Thickness", b.Shown.LengthUnit()), numeric("Concrete A1–A3", b.Shown.CarbonPerVolumeUnit()), numeric("Slab A1–A3", carbon), numeric("Carbon, total of declared modules", carbon)}
	if priced {
		columns = append(columns, numeric("Concrete at the plant", b.Shown.MoneyPerVolumeUnit(&r.Head)), numeric("Cost now", money), numeric("Whole-life cost", money))
	}
	b.table("Results, of the concrete and of the slab", columns, b.rows(func(a *service.Result) []string {
		cells := []string{b.Shown.Length(a.ThicknessMM.Decimal), b.Shown.MassPerVolume(a.Concrete.GWPKgCO2ePerM3.A1A3.Decimal),
			b.carbon(a, a.Carbon.CradleToGateKgCO2ePerM2), b.carbon(a, a.Carbon.TotalKgCO2ePerM2)}
		if priced {
			cells = append(cells, b.Shown.MoneyPerVolume(&r.Head, a.Concrete.CostPerM3.Decimal), b.money(a, a.Cost.InitialPerM2), b.money(a, a.Cost.NetPresentValuePerM2))
		}
		return cells
	}))
	if len(r.Alternatives) > 0 {
		b.note("The total covers the modules " + b.covers() + ".")
	}
	b.differences()
	b.some("Costs, modules and the whole area stand below")
	if priced {
		b.costs()
	}
	b.modules()
	b.wholeArea()
	b.unequalLives()
	b.objectives()

	pictures := []Picture{CarbonByModule(r, b.Shown), CarbonByItem(r, b.Shown)}
	if priced {
		pictures = append(pictures, CashFlow(r, b.Shown), CostAgainstCarbon(r, b.Shown))
	}
	for _, p := range pictures {
		if err := b.figure(p); err != nil {
			return err
		}
	}
	return nil
}

// rows has a row for each alternative, its name first.
func (b *reporter) rows(of func(*service.Result) []string) (rows [][]string) {
	for i := range b.r.Alternatives {
		rows = append(rows, rowOf(&b.r.Alternatives[i], of))
	}
	return rows
}

// details has a row for each alternative that is told at length.
func (b *reporter) details(of func(*service.Result) []string) (rows [][]string) {
	for _, a := range b.detailed {
		rows = append(rows, rowOf(a, of))
	}
	return rows
}

func rowOf(a *service.Result, of func(*service.Result) []string) []string {
	return append([]string{shownName(a.Name)}, of(a)...)
}

func (b *reporter) money(a *service.Result, perM2 service.Fixed) string {
	return b.Shown.Money(&b.r.Head, a, perM2.Decimal)
}

func (b *reporter) carbon(a *service.Result, kgPerM2 service.Fixed) string {
	return b.Shown.Carbon(&b.r.Head, a, kgPerM2.Decimal)
}

// covers names the modules in the total, where they are the same in all alternatives.
func (b *reporter) covers() string {
	first := b.r.Alternatives[0].Carbon.TotalCovers
	for _, a := range b.r.Alternatives {
		if !slices.Equal(a.Carbon.TotalCovers, first) {
			return "that each alternative declares, which are not the same; see the system boundary"
		}
	}
	return strings.Join(first, ", ")
}

// differences are those from the baseline, the ranks, the Pareto front and the cost of
// carbon saved.
func (b *reporter) differences() {
	r, priced := b.r, b.r.Economics != nil
	base := b.alternative(r.Comparison.Baseline)
	place := func(ranks []service.Rank) map[string]string {
		at := map[string]string{}
		for _, rank := range ranks {
			at[rank.Name] = b.Shown.Int(rank.Rank)
		}
		return at
	}
	var cost, carbon map[string]string
	if r.Comparison.Ranking != nil {
		cost, carbon = place(r.Comparison.Ranking.ByNetPresentValue), place(r.Comparison.Ranking.ByTotalCarbon)
	}
	saved := map[string]service.Abatement{}
	for _, a := range r.Comparison.Abatement {
		saved[a.Name] = a
	}
	front := func(name string) string {
		switch {
		case r.Comparison.Pareto == nil:
			return Unknown
		case slices.Contains(r.Comparison.Pareto, name):
			return "yes"
		}
		return "no"
	}
	rank := func(of map[string]string, name string) string {
		if place, ranked := of[name]; ranked {
			return place
		}
		return Unknown
	}
	columns := []PictureColumn{textual("Alternative"), numeric("Thickness", b.Shown.LengthUnit()), numeric("Carbon A1–A3", "%"), numeric("Carbon, total", b.Shown.CarbonUnit(&r.Head)), numeric("Carbon, total", "%")}
	if priced {
		columns = append(columns, numeric("Cost now", "%"), numeric("Whole-life cost", b.Shown.MoneyUnit(&r.Head)), numeric("Whole-life cost", "%"))
	}
	deltas := map[string]service.Delta{}
	for _, d := range r.Comparison.Deltas {
		deltas[d.Name] = d
	}
	b.table("Differences from "+named(r.Comparison.Baseline)+", the baseline; what is less is negative", columns, b.rows(func(a *service.Result) []string {
		d, known := deltas[a.Name]
		if !known || a == base {
			return slices.Repeat([]string{"baseline"}, len(columns)-1)
		}
		cells := []string{plus(b.Shown.Length(d.ThicknessMM.Absolute.Decimal)), b.percent(&d.CradleToGateKgCO2ePerM2), "covers differ", "covers differ"}
		if d.TotalKgCO2ePerM2 != nil {
			cells[2], cells[3] = b.carbonLess(a, base), b.percent(d.TotalKgCO2ePerM2)
		}
		if priced {
			cells = append(cells, b.percent(d.InitialPerM2), b.moneyLess(a, base), b.percent(d.NetPresentValuePerM2))
		}
		return cells
	}))

	if !priced {
		b.table("Order: 1 is least", []PictureColumn{textual("Alternative"), numeric("Rank by carbon", "")}, b.rows(func(a *service.Result) []string { return []string{rank(carbon, a.Name)} }))
		return
	}
	b.table("Order: 1 is least; on the Pareto front no other is better in cost or carbon without being worse in the other", []PictureColumn{textual("Alternative"), numeric("Rank by whole-life cost", ""), numeric("Rank by carbon", ""), textual("On the Pareto front"),
		textual("Against the baseline"), numeric("Cost of carbon saved", r.Inventory.Currency+"/t CO₂e"), textual("Why")}, b.rows(func(a *service.Result) []string {
		cells := []string{rank(cost, a.Name), rank(carbon, a.Name), front(a.Name), Unknown, Unknown, ""}
		if a == base {
			cells[3] = "baseline"
		}
		if s, known := saved[a.Name]; known {
			cells[3], cells[5] = words(s.Class), Printable(s.Reason)
			if s.CostPerTCO2e != nil {
				cells[4] = b.Shown.Number(s.CostPerTCO2e.Decimal, Minor(r.Inventory.Currency))
			}
		}
		return cells
	}))
}

// percent is a relative change per square metre.
func (b *reporter) percent(c *service.Change) string {
	if c == nil || c.RelativePercent == nil {
		return Unknown
	}
	return plus(b.Shown.Significant(c.RelativePercent.Decimal))
}

// carbonLess is by how much an alternative emits more than another, on the basis chosen.
func (b *reporter) carbonLess(a, base *service.Result) string {
	own, ok := b.Shown.CarbonOf(&b.r.Head, a, a.Carbon.TotalKgCO2ePerM2.Decimal)
	other, known := b.Shown.CarbonOf(&b.r.Head, base, base.Carbon.TotalKgCO2ePerM2.Decimal)
	if !ok || !known {
		return Unknown
	}
	return plus(b.Shown.Significant(own.Sub(other)))
}

// moneyLess is by how much an alternative costs more than another over its life.
func (b *reporter) moneyLess(a, base *service.Result) string {
	own, ok := b.Shown.MoneyOf(&b.r.Head, a, a.Cost.NetPresentValuePerM2.Decimal)
	other, known := b.Shown.MoneyOf(&b.r.Head, base, base.Cost.NetPresentValuePerM2.Decimal)
	if !ok || !known {
		return Unknown
	}
	return plus(b.Shown.Number(own.Sub(other), b.Shown.moneyPlaces(b.r.Inventory.Currency)))
}

// costs are the parts of the whole-life cost, so that a reader can add them up.
func (b *reporter) costs() {
	r := b.r
	users, priced, inCost := false, false, false
	for _, a := range r.Alternatives {
		users = users || a.Cost.UserPresentValuePerM2 != nil
		priced = priced || a.Cost.CarbonPrice != nil
		inCost = inCost || a.Cost.CarbonPrice != nil && a.Cost.CarbonPrice.InCost
	}
	unit := b.Shown.MoneyUnit(&r.Head)
	columns := []PictureColumn{textual("Alternative"), numeric("Cost now (initial)", ""), numeric("+ Maintenance, present value", ""), numeric("− Residual value, credit", "")}
	if users {
		head := "Cost to road users, present value, beside"
		if r.Economics.IncludeUserCost != nil && *r.Economics.IncludeUserCost {
			head = "+ Cost to road users, present value"
		}
		columns = append(columns, numeric(head, ""))
	}
	if priced {
		head := "Carbon at its price, present value, beside"
		if inCost {
			head = "+ Carbon at its price, present value"
		}
		columns = append(columns, numeric(head, ""))
	}
	columns = append(columns, numeric("= Whole-life cost (net present value)", ""), numeric("Equivalent annual cost, a year", ""))
	b.table("Costs, "+unit, columns, b.details(func(a *service.Result) []string {
		cells := []string{b.money(a, a.Cost.InitialPerM2), b.money(a, a.Cost.MaintenancePresentValuePerM2), b.money(a, a.Cost.ResidualValuePerM2)}
		if users {
			cell := Unknown
			if a.Cost.UserPresentValuePerM2 != nil {
				cell = b.money(a, *a.Cost.UserPresentValuePerM2)
			}
			cells = append(cells, cell)
		}
		if priced {
			cell := Unknown
			if a.Cost.CarbonPrice != nil {
				cell = b.money(a, a.Cost.CarbonPrice.PresentValuePerM2)
			}
			cells = append(cells, cell)
		}
		return append(cells, b.money(a, a.Cost.NetPresentValuePerM2), b.money(a, a.Cost.EquivalentAnnualPerM2))
	}))
}

// modules is the carbon by the modules that any alternative declares; D is beside.
func (b *reporter) modules() {
	var declared []string
	all, _ := printedModules(service.CarbonModules{})
	for n, name := range all {
		for _, a := range b.r.Alternatives {
			if _, values := printedModules(a.Carbon.Modules); values[n] != nil {
				declared = append(declared, name)
				break
			}
		}
	}
	caption := "Carbon by module, " + b.Shown.CarbonUnit(&b.r.Head) + "; modules without a column are not declared"
	for part := range slices.Chunk(declared, modulesPerPart) {
		columns := []PictureColumn{textual("Alternative")}
		for _, name := range part {
			if name == "D" {
				name = "D, beside"
			}
			columns = append(columns, numeric(name, ""))
		}
		columns = append(columns, numeric("Total", ""))
		b.table(caption, columns, b.details(func(a *service.Result) (cells []string) {
			_, values := printedModules(a.Carbon.Modules)
			for _, name := range part {
				v := values[slices.Index(all, name)]
				if v == nil {
					cells = append(cells, notDeclared)
					continue
				}
				cells = append(cells, b.carbon(a, *v))
			}
			return append(cells, b.carbon(a, a.Carbon.TotalKgCO2ePerM2))
		}))
		caption = "Carbon by module, further modules"
	}
}

// wholeArea is what the whole job comes to, where the other tables are per unit of area.
func (b *reporter) wholeArea() {
	if b.Shown.Basis == WholeJob {
		return
	}
	job, r := b.Shown, b.r
	job.Basis = WholeJob
	columns := []PictureColumn{textual("Alternative"), numeric("Carbon, total", job.CarbonUnit(&r.Head))}
	if r.Economics != nil {
		columns = append(columns, numeric("Cost now", job.MoneyUnit(&r.Head)), numeric("Whole-life cost", job.MoneyUnit(&r.Head)))
	}
	b.table("For the whole area", columns, b.details(func(a *service.Result) []string {
		cells := []string{job.Carbon(&r.Head, a, a.Carbon.TotalKgCO2ePerM2.Decimal)}
		if a.Cost != nil {
			cells = append(cells, job.Money(&r.Head, a, a.Cost.InitialPerM2.Decimal), job.Money(&r.Head, a, a.Cost.NetPresentValuePerM2.Decimal))
		}
		return cells
	}))
}

// unequalLives compares slabs by the year of their own lives.
func (b *reporter) unequalLives() {
	u := b.r.Comparison.UnequalLives
	if u == nil || len(u.Annual) == 0 {
		return
	}
	place := func(ranks []service.Rank, name string) string {
		for _, rank := range ranks {
			if rank.Name == name {
				return b.Shown.Int(rank.Rank)
			}
		}
		return Unknown
	}
	var rows [][]string
	for _, f := range u.Annual {
		a := b.alternative(f.Name)
		cost := Unknown
		if f.EquivalentAnnualPerM2 != nil {
			cost = b.money(a, *f.EquivalentAnnualPerM2)
		}
		rows = append(rows, []string{shownName(f.Name), b.Shown.Int(f.StudiedYears), cost, place(u.ByEquivalentAnnual, f.Name), b.carbon(a, f.CarbonPerM2Year), place(u.ByAnnualCarbon, f.Name)})
	}
	b.table("By the year of each slab's own life", []PictureColumn{textual("Alternative"), numeric("Studied", "years"), numeric("Equivalent annual cost", b.Shown.MoneyUnit(&b.r.Head)+" a year"), numeric("Rank", ""),
		numeric("Carbon", b.Shown.CarbonUnit(&b.r.Head)+" a year"), numeric("Rank", "")}, rows)
}

// objectives are the measures that the request asks to be small, and the order by weights.
func (b *reporter) objectives() {
	o := b.r.Comparison.Objectives
	if o == nil {
		return
	}
	columns := []PictureColumn{textual("Alternative")}
	for _, m := range o.Measures {
		name := words(m.Measure)
		if len(m.Modules) > 0 {
			name += " " + strings.Join(m.Modules, ", ")
		}
		columns = append(columns, numeric(name, m.Unit))
	}
	columns = append(columns, textual("Standing"))
	var rows [][]string
	for _, s := range o.Dominance {
		row := []string{shownName(s.Name)}
		for _, v := range s.Values {
			row = append(row, b.Shown.Significant(v.Decimal))
		}
		standing := words(s.Class)
		if len(s.DominatedBy) > 0 {
			standing += " by " + names(s.DominatedBy)
		}
		rows = append(rows, append(row, standing))
	}
	b.table("Objectives of the request", columns, rows)
	if w := o.Weighting; w != nil {
		rows = nil
		for _, s := range w.Ranking {
			rows = append(rows, []string{shownName(s.Name), b.Shown.Int(s.Rank), b.Shown.Significant(s.Score.Decimal)})
		}
		b.table(fmt.Sprintf("Order by the weights of the request, normalised by %s; ISO 14044 admits no weights in a comparison for the public", words(w.Normalisation)), []PictureColumn{textual("Alternative"), numeric("Rank", ""), numeric("Score", "")}, rows)
	}
}
