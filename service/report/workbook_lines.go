package report

import (
	"fmt"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/num"
	"slabledger/service"
)

// inputKey is one figure that lines take from the inventory, or from the request. What
// an alternative asks for stands apart from what another asks for.
type inputKey struct {
	kind, source, item, unit, value string
	own                             bool // the transport that its data state
	alternative                     int  // from 1, for what the request says
}

const (
	kindPrice  = "price"
	kindFactor = "emission factor"
)

// input is a row of the sheet of prices and factors.
type input struct {
	inputKey
	value   decimal.Decimal
	modules []string
	grown   []grown // years and factors of its escalation
}

// grown is what an escalation comes to in a year.
type grown struct {
	year   int
	factor decimal.Decimal
}

func keyOf(i int, kind, source, item, unit, use string, value decimal.Decimal) inputKey {
	k := inputKey{kind: kind, source: source, item: item, unit: unit, value: plain(value), own: kind == kindFactor && ownTransport(use)}
	if strings.HasPrefix(source, "request") {
		k.alternative = ordinal(i)
	}
	return k
}

func priceKey(i int, l *service.CostLine) inputKey {
	return keyOf(i, kindPrice, l.Source, l.Item, l.PriceUnit, l.Use, l.Price.Decimal)
}

func factorKey(i int, l *service.CarbonLine) inputKey {
	return keyOf(i, kindFactor, l.Source, l.Item, l.FactorUnit, l.Use, l.Factor.Decimal)
}

// gather lists the prices and factors of all lines, each once.
func (b *workbook) gather() {
	at := map[inputKey]int{}
	add := func(k inputKey, value decimal.Decimal, module string, g ...grown) {
		n, known := at[k]
		if !known {
			n = len(b.list)
			at[k] = n
			b.list = append(b.list, input{inputKey: k, value: value})
		}
		in := &b.list[n]
		if module != "" && !slices.Contains(in.modules, module) {
			in.modules = append(in.modules, module)
		}
		for _, one := range g {
			if one.year > 0 && !slices.ContainsFunc(in.grown, func(o grown) bool { return o.year == one.year && o.factor.Equal(one.factor) }) {
				in.grown = append(in.grown, one)
			}
		}
	}
	for i := range b.r.Alternatives {
		a := &b.r.Alternatives[i]
		for k := range a.Concrete.Lines {
			l := &a.Concrete.Lines[k]
			add(keyOf(i, kindFactor, l.Source, l.Item, l.FactorUnit, l.Use, l.Factor.Decimal), l.Factor.Decimal, l.Module)
			if l.Price != nil {
				add(keyOf(i, kindPrice, l.Source, l.Item, l.PriceUnit, l.Use, l.Price.Decimal), l.Price.Decimal, l.Module)
			}
		}
		for k := range a.Carbon.Lines {
			l := &a.Carbon.Lines[k]
			add(factorKey(i, l), l.Factor.Decimal, l.Module)
		}
		if a.Cost == nil {
			continue
		}
		for k := range a.Cost.Lines {
			l := &a.Cost.Lines[k]
			if _, follows := b.residualPrice(i, l, span{}); !follows {
				add(priceKey(i, l), l.Price.Decimal, l.Module, grown{l.Year, l.EscalationFactor.Decimal})
			}
		}
	}
}

// inputs writes the sheet of prices and factors.
func (b *workbook) inputs() {
	b.gather()
	sources := map[string]*service.ItemUsed{}
	for i := range b.r.Sources {
		sources[b.r.Sources[i].Ref] = &b.r.Sources[i]
	}
	p := b.page(sheetInputs, column{"Item", 26, b.style.text}, column{"Name", 40, b.style.text}, column{"Figure", 16, b.style.text}, column{"Value", 16, b.style.figure}, column{"Unit", 16, b.style.text},
		column{"Used in modules", 18, b.style.text}, column{"Real escalation a year", 14, b.style.percent}, column{"Line source", 34, b.style.text}, column{"Kind of source", 16, b.style.text},
		column{"Title", 34, b.style.text}, column{"Publisher", 20, b.style.text}, column{"Year", 8, b.style.whole}, column{"Reference", 24, b.style.text}, column{"Licence", 14, b.style.text},
		column{"Price date", 12, b.style.text}, column{"Valid until", 12, b.style.text}, column{"Note", 60, b.style.text})
	defer p.end()
	for n := range b.list {
		in := &b.list[n]
		var source *inventory.Source
		name, date, until, note := "", "", "", ""
		var notes []string
		if used := sources[in.source]; used != nil {
			name = used.Name
			if in.kind == kindPrice {
				source, date, until = used.PriceSource, used.PriceDate, used.PriceValidUntil
				for _, s := range []string{used.PriceBasis, "tax " + used.PriceTax} {
					if s != "" && s != "tax " {
						notes = append(notes, s)
					}
				}
			} else {
				source, until = used.FactorSource, used.FactorValidUntil
				if used.Boundary != "" {
					notes = append(notes, used.Boundary)
				}
			}
			if used.Note != "" {
				notes = append(notes, used.Note)
			}
		} else {
			notes = append(notes, "stated by the request")
		}
		if in.own {
			notes = append(notes, "transport, by the item's own data")
		}
		if in.alternative > 0 {
			notes = append(notes, fmt.Sprintf("alternative %d", in.alternative))
		}
		var escalation any
		row := p.next
		if in.kind == kindPrice && b.r.Economics != nil {
			cell, more := b.escalation(in)
			if escalation = cell; cell != nil {
				b.escalatedAt[in.inputKey] = ref(sheetInputs, "G", row, row)
			}
			if more != "" {
				notes = append(notes, more)
			}
		}
		note = strings.Join(notes, "; ")
		cells := []any{in.item, name, in.kind, entered{in.value}, in.unit, strings.Join(in.modules, ", "), escalation, in.source}
		if source != nil {
			var year any
			if source.Year != 0 {
				year = source.Year
			}
			cells = append(cells, string(source.Kind), source.Title, source.Publisher, year, source.Reference, source.Licence)
		} else {
			cells = append(cells, nil, nil, nil, nil, nil, nil)
		}
		b.rowOf[in.inputKey] = p.row(append(cells, date, until, note)...)
	}
}

// escalation is the cell of the escalation of a price: that of the rate which gives the
// factors that its lines print. Where two rates of the request are equal, the answer does
// not tell which one it is, and the price has a cell of its own; where none gives them, it
// has none, and its lines have the factors as printed.
func (b *workbook) escalation(in *input) (cell any, note string) {
	var fit []int
	for n, e := range b.r.Economics.RealEscalation {
		if (e.Item == "" || e.Item == in.item) && slices.IndexFunc(in.grown, func(g grown) bool { return !growth(e.Rate.Decimal, g.year).Equal(g.factor) }) < 0 {
			if e.Item != "" {
				return formula(b.escalations[n]), ""
			}
			fit = append(fit, n)
		}
	}
	constant := slices.IndexFunc(in.grown, func(g grown) bool { return !g.factor.Equal(num.One) }) < 0
	switch {
	case constant: // no rate, a rate of zero, or only what is paid in year 0
		return entered{decimal.Zero}, ""
	case len(fit) == 1:
		return formula(b.escalations[fit[0]]), ""
	case len(fit) > 1:
		return entered{b.r.Economics.RealEscalation[fit[0]].Rate.Decimal}, "two categories escalate alike, so that this one has its rate to itself"
	}
	return nil, "its escalation factors are as printed"
}

// growth is a factor of escalation as the service prints it.
func growth(rate decimal.Decimal, year int) decimal.Decimal {
	power, err := num.PowInt(num.One.Add(rate), year)
	if err != nil {
		return decimal.Zero
	}
	return num.Quotient(power, num.One)
}

// input is the cell of a price or factor.
func (b *workbook) input(k inputKey) formula {
	row, known := b.rowOf[k]
	if !known {
		b.fail(fmt.Errorf("no row for the %s of %s", k.kind, k.item))
	}
	return formula(ref(sheetInputs, "D", row, row))
}

// amounts finds the rows of quantities that lines rest on. Lines come in the order of
// the bill of quantities, some of its rows without a line.
type amounts struct {
	list  []service.Quantity
	first int // row
	next  int // after the one found last
	same  map[string]int
}

func amountKey(item string, year int, amount decimal.Decimal) string {
	return fmt.Sprint(item, "|", year, "|", plain(amount))
}

// at is the row of a quantity, or 0.
func (q *amounts) at(item, use string, year int, amount decimal.Decimal) int {
	for k := q.next; k < len(q.list); k++ {
		if o := &q.list[k]; o.Item == item && o.Use == use && o.Year == year && o.Amount.Equal(amount) {
			q.next = k + 1
			return q.first + k
		}
	}
	return q.same[amountKey(item, year, amount)] // the same again, looked at for its transport
}

// cell is the cell of an amount: that of its quantity or, where there is none, its own.
func (q *amounts) cell(item, use string, year int, amount decimal.Decimal) any {
	if row := q.at(item, use, year, amount); row > 0 {
		return formula(ref(sheetQuantities, "F", row, row))
	}
	return entered{amount}
}

// quantities writes the bill of quantities.
func (b *workbook) quantities() {
	p := b.page(sheetQuantities, column{"No.", 6, b.style.whole}, column{headAlternative, 26, b.style.text}, column{"Item", 24, b.style.text}, column{"Use", 44, b.style.text}, column{"Year", 7, b.style.whole},
		column{"Amount per m2", 20, b.style.amount}, column{"Unit", 12, b.style.text}, column{"For the area", 22, b.style.amount}, column{"Unit", 10, b.style.text}, column{"Source", 34, b.style.text})
	defer p.end()
	for i, a := range b.r.Alternatives {
		q := amounts{list: a.Quantities, first: p.next, same: map[string]int{}}
		for _, l := range a.Quantities {
			key := amountKey(l.Item, l.Year, l.Amount.Decimal)
			if _, known := q.same[key]; !known {
				q.same[key] = p.next
			}
			p.row(ordinal(i), a.Name, l.Item, l.Use, l.Year, entered{l.Amount.Decimal}, l.Unit, formula(fmt.Sprintf("ROUND(F%d*%s,12)", p.next, b.area)), l.AreaUnit, l.Source)
		}
		b.amounts = append(b.amounts, q)
	}
}

// concreteLines writes the figures per m3 of concrete.
func (b *workbook) concreteLines() {
	currency := b.r.Inventory.Currency
	p := b.page(sheetConcreteLines, column{"No.", 6, b.style.whole}, column{headAlternative, 26, b.style.text}, column{"Stage", 9, b.style.text}, column{"Module", 9, b.style.text}, column{"Item", 24, b.style.text}, column{"Use", 44, b.style.text},
		column{"Amount per m3", 20, b.style.amount}, column{"Unit", 12, b.style.text}, column{"Factor", 16, b.style.figure}, column{"Factor unit", 16, b.style.text}, column{"kg CO2e/m3", 16, b.style.line},
		column{"Price", 14, b.style.figure}, column{"Price unit", 12, b.style.text}, column{"Cost, " + currency + "/m3", 16, b.style.line}, column{"Source", 34, b.style.text})
	defer p.end()
	for i := range b.r.Alternatives {
		a, rows, sums := &b.r.Alternatives[i], span{p.next, 0}, map[string]margin{}
		for k := range a.Concrete.Lines {
			l := &a.Concrete.Lines[k]
			n := p.next
			var price, money any
			if l.Price != nil {
				price, money = b.input(keyOf(i, kindPrice, l.Source, l.Item, l.PriceUnit, l.Use, l.Price.Decimal)), formula(fmt.Sprintf("ROUND(G%d*L%d,6)", n, n))
				if l.Stage == "A1-A3" {
					sums["cost"] = sums["cost"].plus(known(l.Amount.Mul(l.Price.Decimal)).rounded())
				}
			}
			p.row(ordinal(i), a.Name, l.Stage, l.Module, l.Item, l.Use, entered{l.Amount.Decimal}, l.Unit, b.input(keyOf(i, kindFactor, l.Source, l.Item, l.FactorUnit, l.Use, l.Factor.Decimal)), l.FactorUnit,
				formula(fmt.Sprintf("ROUND(G%d*I%d,6)", n, n)), price, l.PriceUnit, money, l.Source)
			sums[l.Module] = sums[l.Module].plus(known(l.Amount.Mul(l.Factor.Decimal)).rounded())
		}
		rows.last = p.next - 1
		b.concreteRows, b.concreteSums = append(b.concreteRows, rows), append(b.concreteSums, sums)
	}
}

// carbonLines writes the emissions per m2.
func (b *workbook) carbonLines() {
	p := b.page(sheetCarbonLines, column{"No.", 6, b.style.whole}, column{headAlternative, 26, b.style.text}, column{"Stage", 9, b.style.text}, column{"Module", 9, b.style.text}, column{"Item", 24, b.style.text}, column{"Use", 44, b.style.text},
		column{"Year", 7, b.style.whole}, column{"Amount per m2", 20, b.style.amount}, column{"Unit", 12, b.style.text}, column{"Factor", 16, b.style.figure}, column{"Factor unit", 16, b.style.text},
		column{"kg CO2e/m2", 16, b.style.line}, column{"Source", 34, b.style.text})
	defer p.end()
	for i := range b.r.Alternatives {
		a, rows, sums, q := &b.r.Alternatives[i], span{p.next, 0}, map[string]margin{}, b.amounts[i]
		for k := range a.Carbon.Lines {
			l := &a.Carbon.Lines[k]
			n := p.next
			p.row(ordinal(i), a.Name, l.Stage, l.Module, l.Item, l.Use, l.Year, q.cell(l.Item, l.Use, l.Year, l.Amount.Decimal), l.Unit, b.input(factorKey(i, l)), l.FactorUnit,
				formula(fmt.Sprintf("ROUND(H%d*J%d,6)", n, n)), l.Source)
			line := known(l.Amount.Mul(l.Factor.Decimal)).rounded()
			sums[l.Stage] = sums[l.Stage].plus(line)
			if l.Module != "D" {
				year := fmt.Sprint("year ", l.Year)
				sums[year] = sums[year].plus(line)
			}
		}
		rows.last = p.next - 1
		b.carbonRows, b.carbonSums = append(b.carbonRows, rows), append(b.carbonSums, sums)
	}
}

// costLines writes the dated amounts of money per m2.
func (b *workbook) costLines() {
	if b.r.Economics == nil {
		return
	}
	money := b.r.Inventory.Currency + "/m2"
	p := b.page(sheetCostLines, column{"No.", 6, b.style.whole}, column{headAlternative, 26, b.style.text}, column{"Kind", 12, b.style.text}, column{"Stage", 9, b.style.text}, column{"Module", 9, b.style.text}, column{"Item", 24, b.style.text},
		column{"Use", 44, b.style.text}, column{"Year", 7, b.style.whole}, column{"Amount per m2", 20, b.style.amount}, column{"Unit", 12, b.style.text}, column{"Price", 16, b.style.figure}, column{"Price unit", 12, b.style.text},
		column{"Escalation factor", 18, b.style.figure}, column{"Cost, " + money, 16, b.style.line}, column{"Discount factor", 18, b.style.figure}, column{"Present value, " + money, 16, b.style.line}, column{"Source", 34, b.style.text})
	defer p.end()
	for i := range b.r.Alternatives {
		a, rows, sums, q := &b.r.Alternatives[i], span{p.next, p.next + len(b.r.Alternatives[i].Cost.Lines) - 1}, map[string]margin{}, b.amounts[i]
		for k := range a.Cost.Lines {
			l := &a.Cost.Lines[k]
			n := p.next
			key, price := priceKey(i, l), known(l.Price.Decimal)
			var cost, escalation any
			if follows, ok := b.residualPrice(i, l, rows); ok {
				cost, price, escalation = formula(follows.formula), follows.margin, formula("1")
			} else {
				cost = b.input(key)
				if at := b.escalatedAt[key]; at != "" {
					escalation = formula(fmt.Sprintf("(1+%s)^H%d", at, n))
				} else {
					escalation = entered{l.EscalationFactor.Decimal}
				}
			}
			var amount any = entered{l.Amount.Decimal}
			if l.Kind == "initial" || l.Kind == "maintenance" {
				amount = q.cell(l.Item, l.Use, l.Year, l.Amount.Decimal)
			}
			p.row(ordinal(i), a.Name, l.Kind, l.Stage, l.Module, l.Item, l.Use, l.Year, amount, l.Unit, cost, l.PriceUnit, escalation,
				formula(fmt.Sprintf("ROUND(I%d*K%d*M%d,6)", n, n, n)), formula(b.factorOf("C", fmt.Sprint("H", n))), formula(fmt.Sprintf("ROUND(I%d*K%d*M%d*O%d,6)", n, n, n, n)), l.Source)
			product := price.times(l.Amount.Mul(l.EscalationFactor.Decimal))
			sums[l.Kind] = sums[l.Kind].plus(product.times(l.DiscountFactor.Decimal).rounded())
		}
		b.costRows, b.costSums = append(b.costRows, rows), append(b.costSums, sums)
	}
}

// residualPrice is the formula of a residual value that follows from what was paid.
type residualPrice struct {
	formula string
	margin  margin
}

// residualPrice finds what a residual value rests on: the lines of the year in which the
// slab was built last, or of a treatment. The lines are known by their words and their
// year, and only taken where they come to the printed value exactly; else that value is a
// cell of its own.
func (b *workbook) residualPrice(i int, l *service.CostLine, rows span) (residualPrice, bool) {
	a := &b.r.Alternatives[i]
	asked := a.Resolved.Residual
	if l.Kind != "residual" || asked == nil {
		return residualPrice{}, false
	}
	built, life := 0, 0
	if a.Life != nil && len(a.Life.BuiltAnewInYears) > 0 {
		built = a.Life.BuiltAnewInYears[len(a.Life.BuiltAnewInYears)-1]
	}
	year, use := built, ""
	left := 0
	straight := asked.Method == service.ResidualStraightLine
	if asked.Method == service.ResidualRemainingLife {
		words, numbers, found := cutLast(strings.TrimPrefix(l.Use, "remaining life of "), ", ")
		if n, err := fmt.Sscanf(numbers, "%d of %d years", &left, &life); !found || err != nil || n != 2 {
			return residualPrice{}, false
		}
		if words != "the slab" {
			use, year = words, left+l.Year-life
		}
	} else if !straight {
		return residualPrice{}, false
	}
	var parts []string
	sum, from := decimal.Zero, margin{}
	for k := range a.Cost.Lines {
		o := &a.Cost.Lines[k]
		if o.Kind != "initial" && o.Kind != "maintenance" || o.Year != year || use != "" && o.Item != use && !strings.HasSuffix(o.Use, ": "+use) {
			continue
		}
		sum = sum.Add(o.CostPerM2.Decimal)
		parts = append(parts, fmt.Sprintf("N%d", rows.first+k))
		if rows.first > 0 {
			from = from.plus(known(o.Amount.Mul(o.Price.Decimal).Mul(o.EscalationFactor.Decimal)).rounded())
		}
	}
	if len(parts) == 0 {
		return residualPrice{}, false
	}
	text := joinRows(parts)
	if straight {
		gone := l.Year - built
		final, err := num.Parse(strings.Fields(asked.FinalValue + " 0")[0])
		if err != nil || asked.LifeYears < 1 || gone >= asked.LifeYears {
			return residualPrice{}, false
		}
		left, whole := decimal.New(int64(asked.LifeYears-gone), 0), decimal.New(int64(asked.LifeYears), 0)
		sum = num.Amount(num.Quotient(sum.Mul(left).Add(final.Mul(decimal.New(int64(gone), 0))), whole))
		text = fmt.Sprintf("ROUND((%s*%d+%s*%d)/%d,12)", text, asked.LifeYears-gone, plain(final), gone, asked.LifeYears)
		from = from.times(num.Quotient(left, whole))
	}
	from.value = l.Price.Decimal
	if from.size.LessThan(from.value) {
		from.size = from.value
	}
	return residualPrice{text, from}, sum.Equal(l.Price.Decimal)
}

func cutLast(s, separator string) (before, after string, found bool) {
	if i := strings.LastIndex(s, separator); i >= 0 {
		return s[:i], s[i+len(separator):], true
	}
	return s, "", false
}

// joinRows is the sum of cells, as ranges where they follow each other.
func joinRows(cells []string) string {
	var ranges []string
	row := func(cell string) (n int) { _, _ = fmt.Sscanf(cell, "N%d", &n); return n }
	for i := 0; i < len(cells); {
		k := i
		for k+1 < len(cells) && row(cells[k+1]) == row(cells[k])+1 {
			k++
		}
		ranges = append(ranges, cells[i]+":"+cells[k])
		i = k + 1
	}
	return "SUM(" + strings.Join(ranges, ",") + ")"
}

// carbonPriceLines writes what the emissions of each year come to at the price of carbon.
func (b *workbook) carbonPriceLines() {
	if b.r.Economics == nil || !b.carbonPriced() {
		return
	}
	money := b.r.Inventory.Currency + "/m2"
	p := b.page(sheetCarbonPrice, column{"No.", 6, b.style.whole}, column{headAlternative, 26, b.style.text}, column{"Year", 7, b.style.whole}, column{"kg CO2e/m2", 16, b.style.line}, column{"Price of carbon, " + b.r.Inventory.Currency + "/kg CO2e", 18, b.style.figure},
		column{"Growth factor", 18, b.style.figure}, column{"Cost, " + money, 16, b.style.line}, column{"Discount factor", 18, b.style.figure}, column{"Present value, " + money, 16, b.style.line}, column{"Source", 34, b.style.text})
	defer p.end()
	from, prices := ref(sheetRates, "B", b.carbonFrom.first, b.carbonFrom.last), ref(sheetRates, "C", b.carbonFrom.first, b.carbonFrom.last)
	for i := range b.r.Alternatives {
		a, rows := &b.r.Alternatives[i], span{p.next, 0}
		if a.Cost != nil && a.Cost.CarbonPrice != nil {
			for _, l := range a.Cost.CarbonPrice.Lines {
				n, carbon := p.next, b.carbonRows[i]
				price := formula(prices)
				if b.carbonFrom.len() > 1 {
					price = formula(fmt.Sprintf("LOOKUP(C%d,%s,%s)", n, from, prices))
				}
				p.row(ordinal(i), a.Name, l.Year,
					formula(fmt.Sprintf(`ROUND(SUMIFS(%s,%s,C%d,%s,"<>D"),6)`, ref(sheetCarbonLines, "L", carbon.first, carbon.last), ref(sheetCarbonLines, "G", carbon.first, carbon.last), n, ref(sheetCarbonLines, "D", carbon.first, carbon.last))),
					price, formula(b.growthAt[l.Year]), formula(fmt.Sprintf("ROUND(D%d*E%d*F%d,6)", n, n, n)), formula(b.factorOf("C", fmt.Sprint("C", n))), formula(fmt.Sprintf("ROUND(D%d*E%d*F%d*H%d,6)", n, n, n, n)), l.Source)
				product := b.carbonSums[i][fmt.Sprint("year ", l.Year)].times(l.PricePerKg.Mul(l.GrowthFactor.Decimal)).times(l.DiscountFactor.Decimal)
				b.costSums[i]["emission"] = b.costSums[i]["emission"].plus(product.rounded())
			}
		}
		rows.last = p.next - 1
		b.priceRows = append(b.priceRows, rows)
	}
}
