package report

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/shopspring/decimal"
	"github.com/xuri/excelize/v2"

	"slabledger/inventory"
	"slabledger/lca/num"
	"slabledger/service"
)

// Workbook writes a comparison as a workbook (ISO/IEC 29500) that computes it again:
// prices, factors, rates and amounts are cells, every line and every total is a formula
// over them, and a last sheet sets each total against the decimal of the service. No
// formula has a value stored with it, so that whatever opens the workbook computes it.
//
// The same comparison gives the same bytes: nothing is taken from a clock. Sheets are
// written row by row: what is held is the packed file, and 16 MiB of each sheet, of which
// the rest waits in a temporary file. The answer is that of Compare, with its lines.
func Workbook(w io.Writer, r *service.ComparisonResponse) (err error) {
	b := &workbook{file: excelize.NewFile(), r: r, rowOf: map[inputKey]int{}, escalatedAt: map[inputKey]string{}}
	defer func() {
		if failed := b.file.Close(); err == nil {
			err = failed
		}
	}()
	b.prepare()
	b.rates()
	b.discountFactors()
	b.inputs()
	b.quantities()
	b.concreteLines()
	b.carbonLines()
	b.costLines()
	b.carbonPriceLines()
	b.concreteTotals()
	b.carbonTotals()
	b.costTotals()
	b.differences()
	b.ranking()
	b.check()
	b.summary()
	if b.err != nil {
		return b.err
	}
	b.file.SetZipWriter(newSortedZip)
	return b.file.Write(w)
}

// Sheets, in their order. Names with a space stand in quotation marks in a formula.
const (
	sheetSummary        = "Summary"
	sheetRates          = "Rates"
	sheetInputs         = "Prices and factors"
	sheetQuantities     = "Quantities"
	sheetConcreteLines  = "Concrete lines"
	sheetCarbonLines    = "Carbon lines"
	sheetCostLines      = "Cost lines"
	sheetCarbonPrice    = "Carbon price lines"
	sheetDiscount       = "Discount factors"
	sheetConcreteTotals = "Concrete totals"
	sheetCarbonTotals   = "Carbon totals"
	sheetCostTotals     = "Cost totals"
	sheetDifferences    = "Differences"
	sheetRanking        = "Ranking"
	sheetCheck          = "Check"
)

// headAlternative heads the column of the names of alternatives.
const headAlternative = "Alternative"

// workbook is a workbook in the making. The first error stays, and nothing is written
// after it.
type workbook struct {
	file  *excelize.File
	r     *service.ComparisonResponse
	style struct{ title, head, text, wrap, whole, line, amount, figure, percent int }
	enter map[int]int // the same, as a cell to be changed
	err   error

	years       int // that the discount factors reach
	area        string
	scheduleAt  span                // rates by year: the years in B, the rates in C
	escalations []string            // cells of the real escalations, in the order of the answer
	userCounts  string              // cells that tell what the net present value counts
	priceCounts string              // of carbon
	carbonFrom  span                // prices of carbon, from a year on
	growthAt    map[int]string      // cells of the growth of the price of carbon, by year
	list        []input             // prices and factors
	rowOf       map[inputKey]int    // where each stands
	escalatedAt map[inputKey]string // cells of the escalation of a price; none where it is printed alone

	amounts      []amounts // by alternative
	concreteRows []span    // rows of each alternative
	carbonRows   []span
	costRows     []span
	priceRows    []span
	concreteSums []map[string]margin // of each alternative, by module
	carbonSums   []map[string]margin // by stage
	costSums     []map[string]margin // by kind
	figures      []figure
	agree        string // the cell that says how many figures differ
}

// span is rows of a sheet, both included; none where last is before first.
type span struct{ first, last int }

func (s span) len() int { return s.last - s.first + 1 }

// Cells of a row: a formula, a cell to be changed, a decimal, a whole number or a text.
type (
	formula  string
	verbatim string              // a number of ours as a text
	entered  struct{ value any } // a decimal, a whole number or a formula
	shaded   struct {
		value any
		style int
	}
)

// column is one of a sheet.
type column struct {
	head  string
	width float64
	style int
}

// page is a sheet in the making.
type page struct {
	b       *workbook
	stream  *excelize.StreamWriter
	columns []column
	next    int
}

// ref is a cell from anywhere, or a range where to is more than from.
func ref(sheet, column string, from, to int) string {
	at := fmt.Sprintf("'%s'!$%s$%d", sheet, column, from)
	if to > from {
		at += fmt.Sprintf(":$%s$%d", column, to)
	}
	return at
}

// letter is the name of a column from its number, from 0.
func letter(n int) string {
	name, _ := excelize.ColumnNumberToName(n + 1) // which fails beyond 16,384
	return name
}

func (b *workbook) fail(err error) {
	if b.err == nil {
		b.err = err
	}
}

// sheets lists those that the comparison has.
func (b *workbook) sheets() []string {
	all := []string{sheetSummary, sheetRates, sheetInputs, sheetQuantities, sheetConcreteLines, sheetCarbonLines}
	if b.r.Economics != nil {
		all = append(all, sheetCostLines)
		if b.carbonPriced() {
			all = append(all, sheetCarbonPrice)
		}
		all = append(all, sheetDiscount)
	}
	all = append(all, sheetConcreteTotals, sheetCarbonTotals)
	if b.r.Economics != nil {
		all = append(all, sheetCostTotals)
	}
	all = append(all, sheetDifferences)
	if b.r.Comparison.Ranking != nil || b.byYear() {
		all = append(all, sheetRanking)
	}
	return append(all, sheetCheck)
}

func (b *workbook) carbonPriced() bool {
	return slices.ContainsFunc(b.r.Alternatives, func(a service.Result) bool { return a.Cost != nil && a.Cost.CarbonPrice != nil })
}

func (b *workbook) userCosted() bool {
	return slices.ContainsFunc(b.r.Alternatives, func(a service.Result) bool { return a.Cost != nil && a.Cost.UserCost != nil })
}

// byYear tells whether slabs of unequal lives are compared by the year.
func (b *workbook) byYear() bool {
	u := b.r.Comparison.UnequalLives
	return u != nil && len(u.Annual) > 0
}

// prepare makes the sheets in their order, and the styles.
func (b *workbook) prepare() {
	f := b.file
	landscape, fit, across, down, on := "landscape", true, 1, 0, true
	narrow := []string{sheetSummary, sheetRates, sheetDiscount, sheetRanking, sheetCheck}
	for i, name := range b.sheets() {
		if i == 0 {
			b.fail(f.SetSheetName("Sheet1", name))
		} else if _, err := f.NewSheet(name); err != nil {
			b.fail(err)
		}
		size := 8 // A3; 9 is A4 (ISO/IEC 29500-1, 18.3.1.63)
		if slices.Contains(narrow, name) {
			size = 9
		}
		b.fail(f.SetSheetProps(name, &excelize.SheetPropsOptions{FitToPage: &fit}))
		b.fail(f.SetPageLayout(name, &excelize.PageLayoutOptions{Orientation: &landscape, Size: &size, FitToWidth: &across, FitToHeight: &down}))
		b.fail(f.SetHeaderFooter(name, &excelize.HeaderFooterOptions{OddFooter: "&L&A&RPage &P of &N"}))
	}
	b.fail(f.SetCalcProps(&excelize.CalcPropsOptions{FullCalcOnLoad: &on, ForceFullCalc: &on}))
	b.fail(f.SetDocProps(&excelize.DocProperties{Creator: "Slabledger " + b.r.EngineVersion, Title: "Comparison of slabs, request " + b.r.RequestHash,
		Created: "2000-01-01T00:00:00Z", Modified: "2000-01-01T00:00:00Z", Description: "The dates of this file say nothing: it is the same whenever it is written."}))
	const whole, line, amount, figure, percent = "0", "#,##0.000000", "#,##0.000000######", "0.############", "0.00######%"
	made := func(s excelize.Style, format string) int {
		if format != "" {
			s.CustomNumFmt = &format
		}
		id, err := f.NewStyle(&s)
		b.fail(err)
		return id
	}
	b.style.title = made(excelize.Style{Font: &excelize.Font{Bold: true, Size: 14, Family: "Calibri"}}, "")
	b.style.head = made(excelize.Style{Font: &excelize.Font{Bold: true, Size: 11, Family: "Calibri"}, Alignment: &excelize.Alignment{WrapText: true, Vertical: "top"},
		Fill: excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{"E4E7EB"}}, Border: []excelize.Border{{Type: "bottom", Color: "6B7280", Style: 1}}}, "")
	b.style.text = made(excelize.Style{Alignment: &excelize.Alignment{Vertical: "top", Horizontal: "left", Indent: 1}}, "@")
	b.style.wrap = made(excelize.Style{Alignment: &excelize.Alignment{Vertical: "top", WrapText: true}}, "@")
	b.style.whole, b.style.line, b.style.amount = made(excelize.Style{}, whole), made(excelize.Style{}, line), made(excelize.Style{}, amount)
	b.style.figure, b.style.percent = made(excelize.Style{}, figure), made(excelize.Style{}, percent)
	box := excelize.Style{Fill: excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{"FFF4CC"}}}
	for _, side := range []string{"left", "right", "top", "bottom"} {
		box.Border = append(box.Border, excelize.Border{Type: side, Color: "B59F3B", Style: 1})
	}
	b.enter = map[int]int{b.style.wrap: made(box, "@"), b.style.whole: made(box, whole), b.style.amount: made(box, amount), b.style.figure: made(box, figure), b.style.percent: made(box, percent)}
}

// page begins a sheet whose first row has the heads of its columns.
func (b *workbook) page(sheet string, columns ...column) *page {
	p := &page{b: b, columns: columns, next: 1}
	if b.err != nil {
		return p
	}
	var err error
	if p.stream, err = b.file.NewStreamWriter(sheet); err != nil {
		b.fail(err)
		return p
	}
	heads := make([]any, len(columns))
	for i, c := range columns {
		b.fail(p.stream.SetColWidth(i+1, i+1, c.width))
		heads[i] = shaded{c.head, b.style.head}
	}
	if columns[0].head != "" {
		panes := excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}
		if columns[1].head == headAlternative {
			panes = excelize.Panes{Freeze: true, XSplit: 2, YSplit: 1, TopLeftCell: "C2", ActivePane: "bottomRight"}
		}
		b.fail(p.stream.SetPanes(&panes))
		b.fail(b.file.SetDefinedName(&excelize.DefinedName{Name: "_xlnm.Print_Titles", RefersTo: fmt.Sprintf("'%s'!$1:$1", sheet), Scope: sheet}))
		p.row(heads...)
	}
	return p
}

// row writes the next row and returns its number. A text never is a formula: it is
// stored as a text, and one that would become a formula when the sheet is saved as CSV
// begins with an apostrophe, as in the files of inventories.
func (p *page) row(cells ...any) int {
	at := p.next
	p.next++
	if p.b.err != nil {
		return at
	}
	out, lines := make([]any, len(cells)), 1
	for i, c := range cells {
		out[i] = p.cell(c, p.columns[i].style)
		if made, ok := out[i].(excelize.Cell); ok && (made.StyleID == p.b.style.wrap || made.StyleID == p.b.style.head) {
			text, _ := made.Value.(string)
			lines = max(lines, linesOf(text, p.columns[i].width))
		}
	}
	var height []excelize.RowOpts
	if lines > 1 {
		height = append(height, excelize.RowOpts{Height: min(float64(lines)*pointsPerLine, 400)})
	}
	p.b.fail(p.stream.SetRow(fmt.Sprintf("A%d", at), out, height...))
	return at
}

// pointsPerLine is that of a line of text in points. Programs do not all fit a row to the
// text that is broken in it, so it is told.
const pointsPerLine = 14

// linesOf is how many lines a text takes in a column of a width, in characters.
func linesOf(text string, width float64) int {
	lines, used := 1, 0
	for _, word := range strings.Fields(text) {
		n := len([]rune(word))
		if used > 0 && used+1+n > int(width*0.92) {
			lines, used = lines+1, 0
		}
		used += n + 1
	}
	return lines
}

func (p *page) cell(value any, style int) any {
	b := p.b
	switch v := value.(type) {
	case nil:
		return nil
	case shaded:
		return p.cell(v.value, v.style)
	case entered:
		if inner, ok := v.value.(shaded); ok {
			return p.cell(inner.value, b.enter[inner.style])
		}
		return p.cell(v.value, b.enter[style])
	case formula:
		return excelize.Cell{StyleID: style, Formula: string(v)}
	case decimal.Decimal:
		return excelize.Cell{StyleID: style, Value: num.Float(v)}
	case int:
		return excelize.Cell{StyleID: style, Value: v}
	case verbatim:
		return excelize.Cell{StyleID: b.style.text, Value: string(v)}
	case string:
		if v == "" {
			return nil
		}
		if slices.Contains([]int{b.style.whole, b.style.line, b.style.amount, b.style.figure, b.style.percent}, style) {
			style = b.style.text // where a number would stand
		}
		return excelize.Cell{StyleID: style, Value: inventory.EscapeCell(Printable(v))}
	}
	b.fail(fmt.Errorf("a cell of %T", value))
	return nil
}

// end finishes a sheet.
func (p *page) end() {
	if p.b.err == nil {
		p.b.fail(p.stream.Flush())
	}
}

// rates writes the sheet of what all alternatives share.
func (b *workbook) rates() {
	p := b.page(sheetRates, column{"Figure", 46, b.style.wrap}, column{"From year", 10, b.style.whole}, column{"Value", 22, b.style.percent}, column{"Unit", 14, b.style.text}, column{"Note", 80, b.style.wrap})
	defer p.end()
	unit := b.r.FunctionalUnit
	area := p.row("Area of slab", nil, entered{shaded{unit.AreaM2.Decimal, b.style.figure}}, "m2", "The figures for the area are those per m2 times this.")
	b.area = ref(sheetRates, "C", area, area)
	p.row("Analysis period", nil, shaded{unit.AnalysisPeriodYears, b.style.whole}, "years", "Not to be changed here: another period has other lines.")
	b.years = unit.AnalysisPeriodYears
	for _, a := range b.r.Alternatives {
		if a.Life != nil {
			b.years = max(b.years, a.Life.StudiedYears)
		}
	}
	e := b.r.Economics
	if e == nil {
		return
	}
	inReal := func(string) any { return nil }
	if e.NominalDiscountRate != nil {
		n := p.row("Inflation", nil, entered{e.Inflation.Decimal}, "a year")
		inReal = func(nominal string) any {
			inflation := ref(sheetRates, "C", n, n)
			return formula(fmt.Sprintf("(%s-%s)/(1+%s)", nominal, inflation, inflation))
		}
		n2 := p.row("Nominal discount rate", nil, entered{e.NominalDiscountRate.Decimal}, "a year")
		at := p.row("Real discount rate", 0, inReal(ref(sheetRates, "C", n2, n2)), "a year", "(nominal - inflation) / (1 + inflation)")
		b.scheduleAt = span{at, at}
	} else if e.RealDiscountRate != nil {
		at := p.row("Real discount rate", 0, entered{e.RealDiscountRate.Decimal}, "a year")
		b.scheduleAt = span{at, at}
	} else {
		b.scheduleAt.first = p.next
		for _, s := range e.DiscountRateSchedule {
			b.scheduleAt.last = p.row("Real discount rate", entered{s.FromYear}, entered{s.Rate.Decimal}, "a year", "By which the step from the year before to this one discounts, and those that follow to the next change.")
		}
	}
	for i, s := range e.RealEscalation {
		note := "The change of a price beside inflation."
		if b.alike(i) {
			note = "No price follows this cell, since the answer does not tell those of two categories that escalate alike, or by nothing: change the column of escalation of the prices."
		}
		what := "of the category " + s.Category
		if s.Item != "" {
			what = "of the item " + s.Item
		}
		var at int
		if i < len(e.NominalEscalation) {
			n := p.row("Nominal escalation "+what, nil, entered{e.NominalEscalation[i].Rate.Decimal}, "a year")
			at = p.row("Real escalation "+what, nil, inReal(ref(sheetRates, "C", n, n)), "a year", "(nominal - inflation) / (1 + inflation). "+note)
		} else {
			at = p.row("Real escalation "+what, nil, entered{s.Rate.Decimal}, "a year", note)
		}
		b.escalations = append(b.escalations, ref(sheetRates, "C", at, at))
	}
	if b.userCosted() {
		included := 0
		if e.IncludeUserCost != nil && *e.IncludeUserCost {
			included = 1
		}
		at := p.row("Net present value counts the cost to road users", nil, entered{shaded{included, b.style.whole}}, "1 or 0", "1: it counts, 0: it stands beside.")
		b.userCounts = ref(sheetRates, "C", at, at)
	}
	b.carbonPrices(p)
}

// alike tells that the prices of a category cannot be known by the factors of their
// escalation.
func (b *workbook) alike(n int) bool {
	own := b.r.Economics.RealEscalation[n]
	if own.Item != "" {
		return false
	}
	for k, other := range b.r.Economics.RealEscalation {
		if k != n && other.Item == "" && other.Rate.Equal(own.Rate.Decimal) {
			return true
		}
	}
	return own.Rate.IsZero()
}

// carbonPrices writes the price of carbon. The answer has its price and its growth by
// the years in which something is emitted, so these are the cells to change.
func (b *workbook) carbonPrices(p *page) {
	byYear := map[int]service.CarbonCostLine{}
	var asked *service.CarbonCost
	var years []int
	for _, a := range b.r.Alternatives {
		if a.Cost == nil || a.Cost.CarbonPrice == nil {
			continue
		}
		asked = a.Cost.CarbonPrice
		for _, l := range asked.Lines {
			if _, known := byYear[l.Year]; !known {
				byYear[l.Year] = l
				years = append(years, l.Year)
			}
		}
	}
	if asked == nil {
		return
	}
	slices.Sort(years)
	counts := 0
	if asked.InCost {
		counts = 1
	}
	at := p.row("Net present value counts the price of carbon", nil, entered{shaded{counts, b.style.whole}}, "1 or 0", "1: it counts, 0: it stands beside.")
	b.priceCounts = ref(sheetRates, "C", at, at)
	b.carbonFrom.first = p.next
	for i, year := range years {
		price := byYear[year].PricePerKg.Decimal
		if i > 0 && price.Equal(byYear[years[i-1]].PricePerKg.Decimal) {
			continue
		}
		from := year
		if i == 0 {
			from = 0
		}
		note := "Before growth."
		if asked.PriceYear != 0 {
			note += fmt.Sprintf(" In the money of %d.", asked.PriceYear)
		}
		if asked.PriceSource != "" {
			note += " Source: " + asked.PriceSource
		}
		b.carbonFrom.last = p.row("Price of carbon", entered{from}, entered{shaded{price, b.style.figure}}, b.r.Economics.Currency+"/kg CO2e", note)
	}
	b.growthAt = map[int]string{}
	for _, year := range years {
		at := p.row("Growth of the price of carbon up to the year", year, entered{shaded{byYear[year].GrowthFactor.Decimal, b.style.figure}}, "factor", "As the service printed it: the answer has no yearly growth, only what it comes to.")
		b.growthAt[year] = ref(sheetRates, "C", at, at)
	}
}

// discountFactors writes the factors by year as they follow from the rates.
func (b *workbook) discountFactors() {
	if b.r.Economics == nil {
		return
	}
	p := b.page(sheetDiscount, column{"Year", 8, b.style.whole}, column{"Rate of the step to this year", 18, b.style.percent}, column{"Discount factor", 22, b.style.figure},
		column{"Sum of the factors from year 1 (uniform present value factor)", 26, b.style.figure}, column{"Capital recovery factor", 22, b.style.figure})
	defer p.end()
	from, rates := ref(sheetRates, "B", b.scheduleAt.first, b.scheduleAt.last), ref(sheetRates, "C", b.scheduleAt.first, b.scheduleAt.last)
	p.row(0, nil, formula("1"), formula("0"))
	for year := 1; year <= b.years; year++ {
		n := p.next
		rate := formula(rates)
		if b.scheduleAt.len() > 1 {
			rate = formula(fmt.Sprintf("LOOKUP(A%d,%s,%s)", n, from, rates))
		}
		p.row(year, rate, formula(fmt.Sprintf("C%d/(1+B%d)", n-1, n)), formula(fmt.Sprintf("D%d+C%d", n-1, n)), formula(fmt.Sprintf("1/D%d", n)))
	}
	e, last := b.r.Economics, 2+b.r.FunctionalUnit.AnalysisPeriodYears
	b.compare(-1, "Uniform present value factor of the analysis period", "1", plain(e.UniformPresentValueFactor.Decimal), known(e.UniformPresentValueFactor.Decimal), ref(sheetDiscount, "D", last, last))
	b.compare(-1, "Capital recovery factor of the analysis period", "1", plain(e.CapitalRecoveryFactor.Decimal), known(e.CapitalRecoveryFactor.Decimal), ref(sheetDiscount, "E", last, last))
}

// factorOf is the discount factor, or another column of its sheet, of the year in a cell.
func (b *workbook) factorOf(column, year string) string {
	return fmt.Sprintf("INDEX(%s,%s+1)", ref(sheetDiscount, column, 2, 2+b.years), year)
}

// ordinal is the place of an alternative in the request, from 1: names may repeat letters
// that a condition of a formula takes for something else.
func ordinal(i int) int { return i + 1 }

func fixed(d decimal.Decimal) string { return string(num.AppendFixed(nil, d)) }
func plain(d decimal.Decimal) string { return string(num.AppendPlain(nil, d)) }

// ownTransport tells a line of the transport that an item's own data state: its factor
// is another than that of the item itself, though it may have the same value.
func ownTransport(use string) bool { return strings.Contains(use, ", by its own data") }

func amount(d service.Amount) string { return string(num.AppendAmount(nil, d.Decimal)) }
