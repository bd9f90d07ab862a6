package pages

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/num"
	"slabledger/service"
	"slabledger/service/report"
)

// Lines shows every figure of one alternative with what it is made of.
func (p *Pages) Lines(c echo.Context) error { return p.open(c, "/lines", p.lines) }

// The lists of lines that an alternative has.
var lineLists = []pick{{"carbon", "Carbon"}, {"cost", "Cost"}, {"quantities", "Quantities"}, {"concrete", "Concrete, a cubic metre"}}

// How many lines stand on a page.
const (
	linesTold = 100
	mostLines = 500
	mostFrom  = 1_000_000
)

// lineTable is a part of the lines of one alternative.
type lineTable struct {
	Caption string
	Heads   []lineHead
	Rows    []line
	Sum     string
	Less    string // what is subtracted of the figures to come to it
}

type lineHead struct {
	Name    string
	Numeric bool
}

// line is the cells of a row; the first is an item, which Item links to.
type line struct {
	Item, Name string
	Cells      []string
}

func (p *Pages) lines(c echo.Context, o *opened) error {
	shown, r := ShownOf(c), o.After
	i := max(0, slices.IndexFunc(r.Alternatives, func(a service.Result) bool { return a.Name == c.QueryParam("alternative") }))
	if len(r.Alternatives) == 0 {
		return &service.Error{Code: service.NotFound, Detail: "The comparison has no alternative."}
	}
	a := &r.Alternatives[i]
	show := c.QueryParam("show")
	lists := lineLists
	if a.Cost == nil {
		lists = slices.DeleteFunc(slices.Clone(lists), func(l pick) bool { return l.Value == "cost" })
	}
	if !slices.ContainsFunc(lists, func(l pick) bool { return l.Value == show }) {
		show = lists[0].Value
	}
	page := struct {
		*opened
		Alternative, Show string
		Names             []string
		Hidden            []pick
		Lists             []tab
		Table             lineTable
		From, To, All     int
		Previous, Next    string
		Notes             []notes
	}{opened: o, Alternative: a.Name, Show: show, Table: tableOfLines(r, a, show, shown)}
	for _, name := range []string{"of", "request", "basis", "units"} {
		if value := c.QueryParam(name); value != "" {
			page.Hidden = append(page.Hidden, pick{name, value})
		}
	}
	for _, in := range o.What.Changed() {
		page.Hidden = append(page.Hidden, pick{in.Name, in.Given})
	}
	page.Hidden = append(page.Hidden, pick{"show", show})
	for k := range r.Alternatives {
		page.Names = append(page.Names, r.Alternatives[k].Name)
	}
	for _, l := range lists {
		page.Lists = append(page.Lists, tab{l.Label, o.at("/lines", "alternative", a.Name, "show", l.Value), l.Value == show})
	}
	limit := numberIn(c.QueryParam("limit"), 1, mostLines, linesTold)
	page.All = len(page.Table.Rows)
	from := min(numberIn(c.QueryParam("from"), 1, mostFrom, 1), max(1, page.All)) - 1
	page.From, page.To = min(from+1, page.All), min(from+limit, page.All)
	at := func(from int) string {
		return o.at("/lines", "alternative", a.Name, "show", show, "limit", strconv.Itoa(limit), "from", strconv.Itoa(from+1))
	}
	if from > 0 {
		page.Previous = at(max(0, from-limit))
	}
	if page.To < page.All {
		page.Next = at(page.To)
	}
	page.Table.Rows = page.Table.Rows[from:page.To]
	one := *r
	one.Alternatives = r.Alternatives[i : i+1]
	page.Notes = notesOf(&one)
	return p.Render(c, http.StatusOK, "lines", "Lines of "+a.Name+": "+o.Name, page)
}

// numberIn reads a whole number within bounds; what is none is the standard.
func numberIn(text string, low, high, standard int) int {
	n, err := strconv.Atoi(text)
	if err != nil || n < low || n > high {
		return standard
	}
	return n
}

// tableOfLines are the lines of an alternative of one kind, every figure in full.
func tableOfLines(r *service.ComparisonResponse, a *service.Result, show string, shown report.Shown) lineTable {
	name := func(code string) string { return nameOf(r.Sources, code) }
	fixed := func(v decimal.Decimal) string { return shown.Number(v, num.Places) }
	currency := r.Inventory.Currency
	t := lineTable{}
	heads := func(names ...string) {
		for _, n := range names {
			head, numeric := strings.CutPrefix(n, "#")
			t.Heads = append(t.Heads, lineHead{head, numeric})
		}
	}
	add := func(code string, cells ...string) { t.Rows = append(t.Rows, line{code, name(code), cells}) }
	switch show {
	case "carbon":
		t.Caption = "Carbon, in kg CO₂e for a square metre"
		heads("Module", "Use", "#Year", "#Amount", "Unit", "#Emission factor", "Unit of the factor", "#kg CO₂e/m²")
		for _, l := range a.Carbon.Lines {
			add(l.Item, l.Module, words(l.Use), strconv.Itoa(l.Year), shown.Plain(l.Amount.Decimal), l.Unit, shown.Plain(l.Factor.Decimal), l.FactorUnit, fixed(l.GWPKgCO2ePerM2.Decimal))
		}
		t.Sum = "Total of declared modules: " + fixed(a.Carbon.TotalKgCO2ePerM2.Decimal) + " kg CO₂e/m². Lines of module D stand beside it."
	case "cost":
		t.Caption = "Cost, in " + currency + " for a square metre"
		heads("Kind", "Use", "#Year", "#Amount", "Unit", "#Price", "Unit of the price", "#Escalation", "#Cost", "#Discount factor", "#Present value")
		for _, l := range a.Cost.Lines {
			add(l.Item, words(l.Kind), words(l.Use), strconv.Itoa(l.Year), shown.Plain(l.Amount.Decimal), l.Unit, shown.Plain(l.Price.Decimal), l.PriceUnit, shown.Plain(l.EscalationFactor.Decimal),
				fixed(l.CostPerM2.Decimal), shown.Plain(l.DiscountFactor.Decimal), fixed(l.PresentValuePerM2.Decimal))
		}
		t.Sum = "Net present value: " + fixed(a.Cost.NetPresentValuePerM2.Decimal) + " " + currency + "/m²."
		t.Less = "the residual value"
	case "quantities":
		t.Caption = "Quantities, before waste"
		heads("Use", "#Year", "#For a square metre", "Unit", "#For the area", "Unit")
		for _, q := range a.Quantities {
			add(q.Item, words(q.Use), strconv.Itoa(q.Year), shown.Plain(q.Amount.Decimal), q.Unit, shown.Plain(q.ForArea.Decimal), q.AreaUnit)
		}
	default:
		t.Caption = "Concrete, for a cubic metre"
		heads("Module", "Use", "#Amount", "Unit", "#Emission factor", "Unit of the factor", "#kg CO₂e/m³", "#Price", "Unit of the price", "#Cost, "+currency+"/m³")
		for _, l := range a.Concrete.Lines {
			price, cost := report.Unknown, report.Unknown
			if l.Price != nil {
				price = shown.Plain(l.Price.Decimal)
			}
			if l.CostPerM3 != nil {
				cost = fixed(l.CostPerM3.Decimal)
			}
			add(l.Item, l.Module, words(l.Use), shown.Plain(l.Amount.Decimal), l.Unit, shown.Plain(l.Factor.Decimal), l.FactorUnit, fixed(l.GWPKgCO2ePerM3.Decimal), price, l.PriceUnit, cost)
		}
		t.Sum = "A1-A3: " + fixed(a.Concrete.GWPKgCO2ePerM3.A1A3.Decimal) + " kg CO₂e/m³."
	}
	return t
}

// Sources shows the items that the comparison rests on, with where they come from.
func (p *Pages) Sources(c echo.Context) error { return p.open(c, "/sources", p.sources) }

// itemSource is an item and where its figures come from.
type itemSource struct {
	Code, Name, Unit, Layer, Note, Boundary string
	Price, Factor                           *sourceOf
	Prices, Factors                         []figureUsed
	Recipe                                  []string
	Overrides                               string
}

// sourceOf is where a price or a factor comes from.
type sourceOf struct {
	inventory.Source
	Date, Basis, ValidUntil, Spread string
}

func (p *Pages) sources(c echo.Context, o *opened) error {
	shown := ShownOf(c)
	page := struct {
		*opened
		Items []itemSource
		Facts []fact
	}{opened: o, Facts: facts(o.After, shown)}
	prices, factors := figuresUsed(o.After, shown)
	for i := range o.After.Sources {
		u := &o.After.Sources[i]
		item := itemSource{Code: codeOf(u.Ref), Name: u.Name, Unit: u.Unit, Layer: u.Layer, Note: u.Note, Boundary: words(u.Boundary), Prices: prices[codeOf(u.Ref)], Factors: factors[codeOf(u.Ref)]}
		if u.PriceSource != nil {
			item.Price = &sourceOf{*u.PriceSource, u.PriceDate, words(u.PriceBasis), u.PriceValidUntil, u.PriceSpread}
		}
		if u.FactorSource != nil {
			item.Factor = &sourceOf{*u.FactorSource, "", words(u.Characterisation), u.FactorValidUntil, u.FactorSpread}
		}
		for _, part := range u.Recipe {
			item.Recipe = append(item.Recipe, fmt.Sprintf("%s %s of %s", shown.Plain(part.Amount.Decimal), part.Unit, part.Item))
		}
		if v := u.Overrides; v != nil {
			item.Overrides = "in place of " + v.Layer
			if v.Price != nil {
				item.Overrides += ", whose price is " + shown.Plain(v.Price.Decimal) + " " + v.PriceUnit
			}
			if v.Factor != nil {
				item.Overrides += ", whose factor is " + shown.Plain(v.Factor.Decimal) + " " + v.FactorUnit
			}
			if v.Reason != "" {
				item.Overrides += " (" + v.Reason + ")"
			}
		}
		page.Items = append(page.Items, item)
	}
	return p.Render(c, http.StatusOK, "sources", "Sources: "+o.Name, page)
}

// figureUsed is a price or a factor with its unit, and in which modules lines count with it.
type figureUsed struct {
	Figure  string
	Modules []string
}

// figuresUsed are the prices and the factors that the lines of a comparison count with, by
// item. An item has several factors where modules have their own.
func figuresUsed(r *service.ComparisonResponse, shown report.Shown) (prices, factors map[string][]figureUsed) {
	prices, factors = map[string][]figureUsed{}, map[string][]figureUsed{}
	add := func(to map[string][]figureUsed, item, module string, figure decimal.Decimal, unit string) {
		text := shown.Plain(figure) + " " + unit
		at := slices.IndexFunc(to[item], func(f figureUsed) bool { return f.Figure == text })
		if at < 0 {
			at = len(to[item])
			to[item] = append(to[item], figureUsed{Figure: text})
		}
		if f := &to[item][at]; module != "" && !slices.Contains(f.Modules, module) {
			f.Modules = append(f.Modules, module)
		}
	}
	for i := range r.Alternatives {
		a := &r.Alternatives[i]
		for _, l := range a.Concrete.Lines {
			add(factors, l.Item, l.Module, l.Factor.Decimal, l.FactorUnit)
			if l.Price != nil {
				add(prices, l.Item, "", l.Price.Decimal, l.PriceUnit)
			}
		}
		for _, l := range a.Carbon.Lines {
			add(factors, l.Item, l.Module, l.Factor.Decimal, l.FactorUnit)
		}
		if a.Cost == nil {
			continue
		}
		for _, l := range a.Cost.Lines {
			add(prices, l.Item, "", l.Price.Decimal, l.PriceUnit)
		}
	}
	return prices, factors
}
