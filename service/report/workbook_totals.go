package report

import (
	"fmt"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
	"slabledger/service"
)

// sumWhere sums the rows of an alternative in which a column has a value. Its lines
// stand together, so that no condition asks for its name, in which a letter could stand
// for any other.
func sumWhere(sheet, sum, column string, rows span, value string) string {
	if rows.len() == 0 {
		return "0"
	}
	return fmt.Sprintf(`SUMIFS(%s,%s,"%s")`, ref(sheet, sum, rows.first, rows.last), ref(sheet, column, rows.first, rows.last), value)
}

// rounded takes away what binary numbers add to a sum of lines of 6 decimals.
func rounded(text string) formula { return formula("ROUND(" + text + ",6)") }

// concreteTotals writes the totals per m3 of concrete.
func (b *workbook) concreteTotals() {
	head := []column{{"No.", 6, b.style.whole}, {headAlternative, 26, b.style.text}}
	for _, m := range []string{"A1", "A2", "A3", "A1-A3", "A4", "A5 waste"} {
		head = append(head, column{m + ", kg CO2e/m3", 16, b.style.line})
	}
	if b.r.Economics != nil {
		head = append(head, column{"Cost at the plant (A1-A3), " + b.r.Inventory.Currency + "/m3", 18, b.style.line})
	}
	p := b.page(sheetConcreteTotals, head...)
	defer p.end()
	for i := range b.r.Alternatives {
		c, rows, sums, n := &b.r.Alternatives[i].Concrete, b.concreteRows[i], b.concreteSums[i], p.next
		of := func(module string) formula {
			return rounded(sumWhere(sheetConcreteLines, "K", "D", rows, module))
		}
		cells := []any{ordinal(i), b.r.Alternatives[i].Name, of("A1"), of("A2"), of("A3"), rounded(fmt.Sprintf("SUM(C%d:E%d)", n, n)), of("A4"), of("A5")}
		if b.r.Economics != nil {
			cells = append(cells, rounded(sumWhere(sheetConcreteLines, "N", "C", rows, "A1-A3")))
		}
		p.row(cells...)
		g := c.GWPKgCO2ePerM3
		for k, f := range []struct {
			name  string
			value service.Fixed
			sum   margin
		}{{"A1", g.A1, sums["A1"]}, {"A2", g.A2, sums["A2"]}, {"A3", g.A3, sums["A3"]}, {"A1-A3", g.A1A3, sums["A1"].plus(sums["A2"]).plus(sums["A3"])}, {"A4", g.A4, sums["A4"]}, {"A5 waste", g.A5Waste, sums["A5"]}} {
			b.fixed(i, "Concrete, "+f.name, "kg CO2e/m3", &f.value, f.sum, ref(sheetConcreteTotals, letter(2+k), n, n))
		}
		b.fixed(i, "Concrete, cost at the plant", b.r.Inventory.Currency+"/m3", c.CostPerM3, sums["cost"], ref(sheetConcreteTotals, "I", n, n))
	}
}

// fixed has a figure of 6 decimals checked; nil is one that the answer does not have.
func (b *workbook) fixed(i int, name, unit string, value *service.Fixed, m margin, at string) {
	if value == nil {
		return
	}
	m.value = value.Decimal
	b.compare(i, name, unit, fixed(value.Decimal), m, at)
}

// printedModules are the columns of the matrix of modules, D the last.
func printedModules(m service.CarbonModules) (names []string, values []*service.Fixed) {
	return []string{"A0", "A1-A3", "A4", "A5", "B1", "B2", "B3", "B4", "B5", "B6", "B7", "B8", "C1", "C2", "C3", "C4", "D"},
		[]*service.Fixed{m.A0, m.A1A3, m.A4, m.A5, m.B1, m.B2, m.B3, m.B4, m.B5, m.B6, m.B7, m.B8, m.C1, m.C2, m.C3, m.C4, m.D}
}

// Columns of the carbon totals: modules from C on, then D, the total and what follows.
const (
	columnGate        = "D" // A1-A3
	columnD           = "S"
	columnTotal       = "T"
	columnCarbonArea  = "U"
	columnCarbonYears = "AA"
	columnCarbonYear  = "AB"
)

// stages are the life cycle stages, with the columns of their modules.
var stages = []struct{ name, from, to string }{{"product", "D", "D"}, {"construction process", "E", "F"}, {"use", "G", "N"}, {"end of life", "O", "R"}, {"beyond the boundary", "S", "S"}}

// carbonTotals writes the matrix of modules and its totals.
func (b *workbook) carbonTotals() {
	names, _ := printedModules(service.CarbonModules{})
	head := []column{{"No.", 6, b.style.whole}, {headAlternative, 26, b.style.text}}
	for _, m := range names {
		if m == "D" {
			m = "D, beyond the boundary"
		}
		head = append(head, column{m + ", kg CO2e/m2", 14, b.style.line})
	}
	head = append(head, column{"Total without D, of what is declared, kg CO2e/m2", 18, b.style.line}, column{"Total for the area, kg CO2e", 20, b.style.line})
	for _, s := range stages {
		head = append(head, column{"Stage: " + s.name + ", declared part, kg CO2e/m2", 16, b.style.line})
	}
	if b.byYear() {
		head = append(head, column{"Years studied", 10, b.style.whole}, column{"Total a year, kg CO2e/m2", 16, b.style.line})
	}
	p := b.page(sheetCarbonTotals, head...)
	defer p.end()
	for i := range b.r.Alternatives {
		a, rows, sums, n := &b.r.Alternatives[i], b.carbonRows[i], b.carbonSums[i], p.next
		at := func(column string) string { return ref(sheetCarbonTotals, column, n, n) }
		_, values := printedModules(a.Carbon.Modules)
		cells := []any{ordinal(i), a.Name}
		total := margin{}
		for k, value := range values {
			if value == nil {
				cells = append(cells, notDeclared)
				continue
			}
			cells = append(cells, rounded(sumWhere(sheetCarbonLines, "L", "C", rows, names[k])))
			b.fixed(i, "Carbon, "+names[k], "kg CO2e/m2", value, sums[names[k]], at(letter(2+k)))
			if names[k] != "D" {
				total = total.plus(sums[names[k]])
			}
		}
		cells = append(cells, rounded(fmt.Sprintf("SUM(C%d:R%d)", n, n)), rounded(fmt.Sprintf("%s%d*%s", columnTotal, n, b.area)))
		for _, s := range stages {
			cells = append(cells, rounded(fmt.Sprintf("SUM(%s%d:%s%d)", s.from, n, s.to, n)))
		}
		b.fixed(i, "Carbon, cradle to gate", "kg CO2e/m2", &a.Carbon.CradleToGateKgCO2ePerM2, sums["A1-A3"], at(columnGate))
		b.fixed(i, "Carbon, total", "kg CO2e/m2", &a.Carbon.TotalKgCO2ePerM2, total, at(columnTotal))
		b.fixed(i, "Carbon, total for the area", "kg CO2e", &a.Carbon.TotalKgCO2eForArea, total.times(b.r.FunctionalUnit.AreaM2.Decimal).rounded(), at(columnCarbonArea))
		for k, s := range a.Carbon.StageTotals {
			if k < len(stages) && stages[k].name == s.Stage {
				b.fixed(i, "Carbon, stage "+s.Stage+", declared part", "kg CO2e/m2", &s.DeclaredPart, stageSum(sums, names, stages[k].from, stages[k].to), at(letter(21+k)))
			}
		}
		if b.byYear() {
			annual := b.r.Comparison.UnequalLives.Annual[i]
			cells = append(cells, annual.StudiedYears, rounded(fmt.Sprintf("%s%d/%s%d", columnTotal, n, columnCarbonYears, n)))
			years := decimal.New(int64(annual.StudiedYears), 0)
			quotient := margin{num.Quotient(total.value, years), num.Quotient(total.size, years), num.Quotient(total.slack, years)}
			b.fixed(i, "Carbon, total a year", "kg CO2e/m2", &annual.CarbonPerM2Year, quotient.rounded(), at(columnCarbonYear))
		}
		sums["total"] = total
		p.row(cells...)
	}
}

// stageSum adds the modules whose columns are from one to another.
func stageSum(sums map[string]margin, names []string, from, to string) (sum margin) {
	for k, name := range names {
		if c := letter(2 + k); c >= from && c <= to {
			sum = sum.plus(sums[name])
		}
	}
	return sum
}

// Columns of the cost totals.
const (
	costYears = iota + 2
	costInitial
	costMaintenance
	costResidual
	costUser
	costEmission
	costAgency
	costWithUser
	costNPV
	costWithCarbon
	costRecovery
	costAnnual
	costAnnualAgency
	costAnnualWithUser
	costArea // initial, maintenance, residual, net present value, annual, user
)

// costTotals writes the totals of money.
func (b *workbook) costTotals() {
	if b.r.Economics == nil {
		return
	}
	money := ", " + b.r.Inventory.Currency + "/m2"
	head := []column{{"No.", 6, b.style.whole}, {headAlternative, 26, b.style.text}, {"Years studied", 10, b.style.whole}}
	for _, name := range []string{"Initial", "Maintenance, present value", "Residual value, present value, a credit", "Cost to road users, present value", "Emissions at the price of carbon, present value",
		"Net present value without user cost", "Net present value with user cost", "Net present value, as ranked", "Net present value with the price of carbon"} {
		head = append(head, column{name + money, 18, b.style.line})
	}
	head = append(head, column{"Capital recovery factor", 20, b.style.figure})
	for _, name := range []string{"Equivalent annual", "Equivalent annual without user cost", "Equivalent annual with user cost"} {
		head = append(head, column{name + money + " a year", 18, b.style.line})
	}
	for _, name := range []string{"initial", "maintenance, present value", "residual value", "net present value", "equivalent annual", "user, present value"} {
		head = append(head, column{"For the area: " + name + ", " + b.r.Inventory.Currency, 20, b.style.line})
	}
	p := b.page(sheetCostTotals, head...)
	defer p.end()
	for i := range b.r.Alternatives {
		b.costTotal(p, i)
	}
}

func (b *workbook) costTotal(p *page, i int) {
	a, n, sums := &b.r.Alternatives[i], p.next, b.costSums[i]
	c := a.Cost
	cell := func(column int) string { return fmt.Sprint(letter(column), n) }
	kind := func(name string) formula {
		return rounded(sumWhere(sheetCostLines, "P", "C", b.costRows[i], name))
	}
	years := b.r.FunctionalUnit.AnalysisPeriodYears
	if a.Life != nil {
		years = a.Life.StudiedYears
	}
	// What does not count in the net present value stands beside it.
	counted := []string{cell(costAgency)}
	var user, emission any
	if c.UserPresentValuePerM2 != nil {
		user = kind("user")
	}
	withUser, annualWithout, annualWithUser := any(nil), any(nil), any(nil)
	if c.UserCost != nil {
		counted = append(counted, fmt.Sprintf("N(%s)*%s", cell(costUser), b.userCounts))
		withUser = rounded(fmt.Sprintf("%s+N(%s)", cell(costAgency), cell(costUser)))
		annualWithout = rounded(cell(costAgency) + "*" + cell(costRecovery))
		annualWithUser = rounded(cell(costWithUser) + "*" + cell(costRecovery))
	}
	var withCarbon any
	if c.CarbonPrice != nil {
		rows := b.priceRows[i]
		emission = formula("0")
		if rows.len() > 0 {
			emission = rounded("SUM(" + ref(sheetCarbonPrice, "I", rows.first, rows.last) + ")")
		}
		withCarbon = rounded(strings.Join(append(counted, cell(costEmission)), "+"))
		counted = append(counted, cell(costEmission)+"*"+b.priceCounts)
	}
	forArea := func(column int) formula { return rounded(cell(column) + "*" + b.area) }
	var userForArea any
	if c.ForArea.UserPresentValue != nil {
		userForArea = forArea(costUser)
	}
	p.row(ordinal(i), a.Name, years, kind("initial"), kind("maintenance"), kind("residual"), user, emission,
		rounded(fmt.Sprintf("%s+%s-%s", cell(costInitial), cell(costMaintenance), cell(costResidual))), withUser,
		rounded(strings.Join(counted, "+")), withCarbon, formula(b.factorOf("E", cell(costYears))), rounded(cell(costNPV)+"*"+cell(costRecovery)), annualWithout, annualWithUser,
		forArea(costInitial), forArea(costMaintenance), forArea(costResidual), forArea(costNPV), forArea(costAnnual), userForArea)

	money := b.r.Inventory.Currency + "/m2"
	agency := sums["initial"].plus(sums["maintenance"]).minus(sums["residual"])
	npv, included := agency, agency.plus(sums["user"])
	if c.UserCost != nil && c.UserCost.Included {
		npv = included
	}
	charged := npv.plus(sums["emission"])
	if c.CarbonPrice != nil && c.CarbonPrice.InCost {
		npv = charged
	}
	recovery := b.r.Economics.CapitalRecoveryFactor.Decimal
	if a.Life != nil && a.Life.CapitalRecoveryFactor != nil {
		recovery = a.Life.CapitalRecoveryFactor.Decimal
	}
	annual := func(m margin) margin { return m.times(recovery).rounded() }
	area := b.r.FunctionalUnit.AreaM2.Decimal
	check := func(column int, name, unit string, value *service.Fixed, m margin) {
		b.fixed(i, name, unit, value, m, ref(sheetCostTotals, letter(column), n, n))
	}
	check(costInitial, "Cost, initial", money, &c.InitialPerM2, sums["initial"])
	check(costMaintenance, "Cost, maintenance, present value", money, &c.MaintenancePresentValuePerM2, sums["maintenance"])
	check(costResidual, "Cost, residual value, present value", money, &c.ResidualValuePerM2, sums["residual"])
	check(costUser, "Cost to road users, present value", money, c.UserPresentValuePerM2, sums["user"])
	if u := c.UserCost; u != nil {
		check(costAgency, "Net present value without user cost", money, &u.WithoutPerM2, agency)
		check(costWithUser, "Net present value with user cost", money, &u.WithPerM2, included)
		check(costAnnualAgency, "Equivalent annual without user cost", money, &u.EquivalentAnnualWithout, annual(agency))
		check(costAnnualWithUser, "Equivalent annual with user cost", money, &u.EquivalentAnnualWithPerM2, annual(included))
	}
	if k := c.CarbonPrice; k != nil {
		check(costEmission, "Emissions at the price of carbon, present value", money, &k.PresentValuePerM2, sums["emission"])
		check(costWithCarbon, "Net present value with the price of carbon", money, &k.NetPresentValueWithCarbonPerM2, charged)
	}
	check(costNPV, "Net present value", money, &c.NetPresentValuePerM2, npv)
	check(costAnnual, "Equivalent annual", money, &c.EquivalentAnnualPerM2, annual(npv))
	for k, f := range []struct {
		name  string
		value *service.Fixed
		m     margin
	}{{"initial", &c.ForArea.Initial, sums["initial"]}, {"maintenance, present value", &c.ForArea.MaintenancePresentValue, sums["maintenance"]}, {"residual value", &c.ForArea.ResidualValue, sums["residual"]},
		{"net present value", &c.ForArea.NetPresentValue, npv}, {"equivalent annual", &c.ForArea.EquivalentAnnual, annual(npv)}, {"cost to road users", c.ForArea.UserPresentValue, sums["user"]}} {
		check(costArea+k, "Cost for the area, "+f.name, b.r.Inventory.Currency, f.value, f.m.times(area).rounded())
	}
	sums["npv"], sums["annual"], sums["agency"], sums["with user"] = npv, annual(npv), agency, included
}

// differences writes each alternative minus the baseline.
func (b *workbook) differences() {
	money := b.r.Inventory.Currency + "/m2"
	base := b.baseline()
	type measure struct {
		name, unit, sheet, column string
		of                        func(service.Delta) *service.Change
		margin                    func(int) margin
	}
	cost := func(name string) func(int) margin { return func(i int) margin { return b.costSums[i][name] } }
	carbon := func(name string) func(int) margin { return func(i int) margin { return b.carbonSums[i][name] } }
	measures := []measure{{"thickness", "mm", sheetDifferences, "C", func(d service.Delta) *service.Change { return &d.ThicknessMM }, func(i int) margin { return known(b.r.Alternatives[i].ThicknessMM.Decimal) }}}
	if b.r.Economics != nil {
		measures = append(measures,
			measure{"initial cost", money, sheetCostTotals, letter(costInitial), func(d service.Delta) *service.Change { return d.InitialPerM2 }, cost("initial")},
			measure{"maintenance, present value", money, sheetCostTotals, letter(costMaintenance), func(d service.Delta) *service.Change { return d.MaintenancePresentValuePerM2 }, cost("maintenance")},
			measure{"residual value", money, sheetCostTotals, letter(costResidual), func(d service.Delta) *service.Change { return d.ResidualValuePerM2 }, cost("residual")},
			measure{"net present value", money, sheetCostTotals, letter(costNPV), func(d service.Delta) *service.Change { return d.NetPresentValuePerM2 }, cost("npv")},
			measure{"equivalent annual", money, sheetCostTotals, letter(costAnnual), func(d service.Delta) *service.Change { return d.EquivalentAnnualPerM2 }, cost("annual")})
	}
	measures = append(measures,
		measure{"carbon, cradle to gate", "kg CO2e/m2", sheetCarbonTotals, columnGate, func(d service.Delta) *service.Change { return &d.CradleToGateKgCO2ePerM2 }, carbon("A1-A3")},
		measure{"carbon, total", "kg CO2e/m2", sheetCarbonTotals, columnTotal, func(d service.Delta) *service.Change { return d.TotalKgCO2ePerM2 }, carbon("total")})
	head := []column{{"No.", 6, b.style.whole}, {headAlternative, 26, b.style.text}, {"Thickness, mm", 12, b.style.figure}}
	for _, m := range measures {
		head = append(head, column{m.name + ", " + m.unit, 18, b.style.line}, column{m.name + ", % of the baseline", 16, b.style.line})
	}
	p := b.page(sheetDifferences, head...)
	defer p.end()
	first := p.next
	for i, d := range b.r.Comparison.Deltas {
		n := p.next
		cells := []any{ordinal(i), d.Name, b.r.Alternatives[i].ThicknessMM.Decimal}
		for k, m := range measures {
			change := m.of(d)
			if change == nil {
				cells = append(cells, "not compared", nil)
				continue
			}
			row := func(i int) string {
				if m.sheet == sheetDifferences {
					return ref(m.sheet, m.column, first+i, first+i)
				}
				return ref(m.sheet, m.column, 2+i, 2+i)
			}
			own, other := m.margin(i), m.margin(base)
			at := 3 + 2*k
			cells = append(cells, rounded(row(i)+"-"+row(base)))
			b.fixed(i, "Difference, "+m.name, m.unit, &change.Absolute, own.minus(other).rounded(), ref(sheetDifferences, letter(at), n, n))
			if change.RelativePercent == nil {
				cells = append(cells, "the baseline is 0")
				continue
			}
			cells = append(cells, rounded(fmt.Sprintf("(%s-%s)*100/%s", row(i), row(base), row(base))))
			b.fixed(i, "Difference, "+m.name, "%", change.RelativePercent, own.percentOf(other), ref(sheetDifferences, letter(at+1), n, n))
		}
		p.row(cells...)
	}
}

// baseline is the place of the alternative that the others are set against.
func (b *workbook) baseline() int {
	for i, a := range b.r.Alternatives {
		if a.Name == b.r.Comparison.Baseline {
			return i
		}
	}
	return 0
}

// ranking writes the places of the alternatives, where the service ranks them.
func (b *workbook) ranking() {
	type criterion struct {
		name, sheet, column string
		ranks               []service.Rank
		margin              func(int) margin
	}
	cost := func(name string) func(int) margin { return func(i int) margin { return b.costSums[i][name] } }
	carbon := func(name string) func(int) margin { return func(i int) margin { return b.carbonSums[i][name] } }
	var list []criterion
	if r := b.r.Comparison.Ranking; r != nil {
		list = append(list, criterion{"net present value", sheetCostTotals, letter(costNPV), r.ByNetPresentValue, cost("npv")},
			criterion{"net present value without user cost", sheetCostTotals, letter(costAgency), r.WithoutUserCost, cost("agency")},
			criterion{"net present value with user cost", sheetCostTotals, letter(costWithUser), r.WithUserCost, cost("with user")},
			criterion{"total carbon", sheetCarbonTotals, columnTotal, r.ByTotalCarbon, carbon("total")})
	}
	if b.byYear() {
		u := b.r.Comparison.UnequalLives
		list = append(list, criterion{"equivalent annual cost", sheetCostTotals, letter(costAnnual), u.ByEquivalentAnnual, cost("annual")},
			criterion{"carbon a year", sheetCarbonTotals, columnCarbonYear, u.ByAnnualCarbon, carbon("total")})
	}
	kept := list[:0]
	for _, c := range list {
		if len(c.ranks) > 0 {
			kept = append(kept, c)
		}
	}
	list = kept
	if b.r.Comparison.Ranking == nil && !b.byYear() {
		return
	}
	head := []column{{"No.", 6, b.style.whole}, {headAlternative, 26, b.style.text}}
	for _, c := range list {
		head = append(head, column{"Rank by " + c.name + ", 1 is least", 16, b.style.whole})
	}
	abated := len(b.r.Comparison.Abatement) > 0
	if abated {
		head = append(head, column{"Extra net present value per t CO2e saved, " + b.r.Inventory.Currency, 20, b.style.line}, column{"As the service classes it", 60, b.style.text})
	}
	p := b.page(sheetRanking, head...)
	defer p.end()
	abatement := map[string]service.Abatement{}
	for _, a := range b.r.Comparison.Abatement {
		abatement[a.Name] = a
	}
	last, base := 1+len(b.r.Alternatives), b.baseline()
	for i := range b.r.Alternatives {
		a, n := &b.r.Alternatives[i], p.next
		cells := []any{ordinal(i), a.Name}
		for k, c := range list {
			cells = append(cells, formula(fmt.Sprintf("RANK(%s,%s,1)", ref(c.sheet, c.column, n, n), ref(c.sheet, c.column, 2, last))))
			for _, rank := range c.ranks {
				if rank.Name == a.Name {
					b.compare(i, "Rank by "+c.name, "1", fmt.Sprint(rank.Rank), margin{value: decimal.New(int64(rank.Rank), 0), slack: b.unsure(i, c.margin)}, ref(sheetRanking, letter(2+k), n, n))
				}
			}
		}
		if abated {
			cells = append(cells, b.abated(i, base, n, abatement[a.Name], letter(2+len(list)))...)
		}
		p.row(cells...)
	}
}

// unsure counts the alternatives that a recalculation may not tell from one, since both
// have lines that end in a half.
func (b *workbook) unsure(i int, of func(int) margin) decimal.Decimal {
	own, n := of(i), int64(0)
	for k := range b.r.Alternatives {
		other := of(k)
		if slack := own.slack.Add(other.slack); k != i && slack.IsPositive() && own.value.Sub(other.value).Abs().LessThanOrEqual(slack) {
			n++
		}
	}
	return decimal.New(n, 0)
}

// abated is the cost of the carbon that an alternative saves, where it is dearer.
func (b *workbook) abated(i, base, n int, a service.Abatement, column string) []any {
	if i == base {
		return []any{"baseline"}
	}
	cell := func(sheet, column string, i int) string { return ref(sheet, column, 2+i, 2+i) }
	npv, npvBase := cell(sheetCostTotals, letter(costNPV), i), cell(sheetCostTotals, letter(costNPV), base)
	carbon, carbonBase := cell(sheetCarbonTotals, columnTotal, i), cell(sheetCarbonTotals, columnTotal, base)
	if a.CostPerTCO2e != nil {
		extra, saved := b.costSums[i]["npv"].minus(b.costSums[base]["npv"]), b.carbonSums[base]["total"].minus(b.carbonSums[i]["total"])
		per := func(d decimal.Decimal) decimal.Decimal { return num.Quotient(d.Shift(3), saved.value) }
		ratio := num.Quotient(extra.value, saved.value).Abs()
		m := margin{per(extra.value), per(extra.size.Add(saved.size.Mul(ratio))), per(extra.slack.Add(saved.slack.Mul(ratio)))}
		b.fixed(i, "Extra net present value per t CO2e saved", b.r.Inventory.Currency, a.CostPerTCO2e, m.rounded(), ref(sheetRanking, column, n, n))
	}
	return []any{formula(fmt.Sprintf(`IF(AND(%s>%s,%s<%s),ROUND((%s-%s)*1000/(%s-%s),6),"no price to state")`, npv, npvBase, carbon, carbonBase, npv, npvBase, carbonBase, carbon)),
		strings.ReplaceAll(a.Class, "_", " ") + ": " + a.Reason}
}

// check writes the sheet that sets every total against the decimal of the service.
func (b *workbook) check() {
	p := b.page(sheetCheck, column{"No.", 6, b.style.whole}, column{headAlternative, 26, b.style.text}, column{"Figure", 46, b.style.text}, column{"Unit", 16, b.style.text}, column{"As the service printed it", 26, b.style.text},
		column{"The same as a number", 22, b.style.amount}, column{"Recalculated", 22, b.style.amount}, column{"Difference", 18, b.style.figure}, column{"Bound of the difference", 18, b.style.figure}, column{"Result", 12, b.style.text})
	defer p.end()
	first := p.next
	for _, f := range b.figures {
		n := p.next
		var place any
		name := "all"
		if f.alternative >= 0 {
			place, name = ordinal(f.alternative), b.r.Alternatives[f.alternative].Name
		}
		value := f.margin.value
		if f.alternative >= 0 { // else it is a factor of 34 digits
			value = num.Line(value)
		}
		p.row(place, name, f.name, f.unit, verbatim(f.printed), value, formula(f.at), formula(fmt.Sprintf("G%d-F%d", n, n)), f.margin.bound(), formula(fmt.Sprintf(`IF(ABS(H%d)<=I%d,"agrees","differs")`, n, n)))
	}
	last := p.next - 1
	b.agree = fmt.Sprintf(`ROWS(%s)-COUNTIF(%s,"agrees")`, ref(sheetCheck, "J", first, last), ref(sheetCheck, "J", first, last))
}
