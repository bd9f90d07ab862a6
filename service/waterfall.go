package service

import (
	"cmp"
	"slices"

	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// Measures that differ between two alternatives, beside those that they are compared by:
// what a net present value is made of.
const (
	MeasureMaintenance = "maintenance_present_value"
	MeasureResidual    = "residual_value"
	MeasureUser        = "user_present_value"
	MeasureCarbonPrice = "carbon_price_present_value"
)

// DifferenceAsked is the difference of two alternatives in one measure, of less against.
type DifferenceAsked struct {
	Of      string `json:"of"`
	Against string `json:"against"`
	Measure string `json:"measure"`
}

// Waterfall goes from the total of one alternative to that of another, step by step.
type Waterfall struct {
	Of           string          `json:"of"`
	Against      string          `json:"against"`
	Measure      string          `json:"measure"`
	MeasureUnit  string          `json:"measure_unit"`
	TotalOf      Fixed           `json:"total_of"`
	TotalAgainst Fixed           `json:"total_against"`
	Difference   Fixed           `json:"difference"`
	Steps        []WaterfallStep `json:"steps"`
	Notices      []string        `json:"notices"`
}

// WaterfallStep is one item in one module and year, over all its uses. The steps sum
// to the difference exactly, as each is a difference of sums of printed lines.
type WaterfallStep struct {
	Module         string   `json:"module"`
	Kind           string   `json:"kind,omitzero"` // of a cost; carbon where a price of carbon is counted
	Item           string   `json:"item"`
	Year           int      `json:"year"`
	Uses           []string `json:"uses"`
	Of             Fixed    `json:"of"`
	Against        Fixed    `json:"against"`
	Difference     Fixed    `json:"difference"`
	Unit           string   `json:"unit"`
	AmountOf       Amount   `json:"amount_of"`
	AmountAgainst  Amount   `json:"amount_against"`
	QuantityEffect *Fixed   `json:"quantity_effect"` // null where the item stands in one alternative alone
	RateEffect     *Fixed   `json:"rate_effect"`     // difference less the quantity effect
	Running        Fixed    `json:"running_total"`   // from the total of against, with this step
}

// countedLine is one printed line as a measure counts it.
type countedLine struct {
	module, kind, item, use, unit string
	year                          int
	amount, rate, value           decimal.Decimal // rate is the value of one unit, unrounded
}

// contributions lists the lines that sum to a measure of an alternative.
func contributions(r *Result, measure string) []countedLine {
	var list []countedLine
	if measure == MeasureTotalCarbon || measure == MeasureCradleToGate {
		for _, l := range r.Carbon.Lines {
			if l.Module != "D" && (measure == MeasureTotalCarbon || l.Stage == "A1-A3") {
				list = append(list, countedLine{l.Module, "", l.Item, l.Use, l.Unit, l.Year, l.Amount.Decimal, l.Factor.Decimal, l.GWPKgCO2ePerM2.Decimal})
			}
		}
		return list
	}
	of, charged := r.Cost, r.Cost.CarbonPrice
	kinds := map[string][]string{MeasureInitial: {"initial"}, MeasureMaintenance: {"maintenance"}, MeasureResidual: {"residual"}, MeasureUser: {"user"}}[measure]
	carbonToo := measure == MeasureCarbonPrice
	if measure == MeasureNPV {
		kinds = []string{"initial", "maintenance", "residual"}
		if of.UserCost != nil && of.UserCost.Included {
			kinds = append(kinds, "user")
		}
		carbonToo = charged != nil && charged.InCost
	}
	for _, l := range of.Lines {
		if !slices.Contains(kinds, l.Kind) {
			continue
		}
		c := countedLine{l.Module, l.Kind, l.Item, l.Use, l.Unit, l.Year, l.Amount.Decimal,
			l.Price.Mul(l.EscalationFactor.Decimal).Mul(l.DiscountFactor.Decimal), l.PresentValuePerM2.Decimal}
		if l.Kind == "residual" && measure == MeasureNPV {
			c.rate, c.value = c.rate.Neg(), c.value.Neg() // a credit
		}
		list = append(list, c)
	}
	if carbonToo {
		for _, l := range charged.Lines {
			list = append(list, countedLine{"", "carbon", "", "price of carbon", "kg CO2e/m2", l.Year, l.KgCO2ePerM2.Decimal,
				l.PricePerKg.Mul(l.GrowthFactor.Decimal).Mul(l.DiscountFactor.Decimal), l.PresentValuePerM2.Decimal})
		}
	}
	return list
}

// side is what one alternative has of a step.
type side struct {
	amount, rate, value decimal.Decimal
	lines               int
}

func (s *side) add(c countedLine) {
	s.amount, s.rate, s.value = s.amount.Add(c.amount), c.rate, s.value.Add(c.value)
	s.lines++
}

// waterfall takes the difference of two totals apart.
func waterfall(of, against *Result, asked DifferenceAsked, c *catalogue) *Waterfall {
	type key struct {
		module, kind, item, label string
		year                      int
	}
	type pair struct {
		of, against side
		unit        string
		uses        []string
	}
	pairs, order := map[key]*pair{}, []key{}
	gather := func(r *Result, choose func(*pair) *side) (total decimal.Decimal) {
		for _, l := range contributions(r, asked.Measure) {
			k := key{module: l.module, kind: l.kind, item: l.item, year: l.year}
			if l.item == "" {
				k.label = l.use // what is left has no item
			}
			if pairs[k] == nil {
				pairs[k], order = &pair{unit: l.unit}, append(order, k)
			}
			choose(pairs[k]).add(l)
			if !slices.Contains(pairs[k].uses, l.use) {
				pairs[k].uses = append(pairs[k].uses, l.use)
			}
			total = total.Add(l.value)
		}
		return total
	}
	w := &Waterfall{Of: asked.Of, Against: asked.Against, Measure: asked.Measure, MeasureUnit: measureUnit(c, asked.Measure), Steps: []WaterfallStep{}}
	w.TotalOf = Fixed{gather(of, func(p *pair) *side { return &p.of })}
	w.TotalAgainst = Fixed{gather(against, func(p *pair) *side { return &p.against })}
	w.Difference = Fixed{w.TotalOf.Sub(w.TotalAgainst.Decimal)}
	for _, k := range order {
		p := pairs[k]
		s := WaterfallStep{Module: k.module, Kind: k.kind, Item: k.item, Year: k.year, Uses: p.uses, Of: Fixed{p.of.value}, Against: Fixed{p.against.value},
			Difference: Fixed{p.of.value.Sub(p.against.value)}, Unit: p.unit, AmountOf: Amount{p.of.amount}, AmountAgainst: Amount{p.against.amount}}
		if p.of.lines > 0 && p.against.lines > 0 {
			quantity := num.LineOf(p.of.amount.Sub(p.against.amount), p.against.rate)
			s.QuantityEffect, s.RateEffect = &Fixed{quantity}, &Fixed{s.Difference.Sub(quantity)}
		}
		w.Steps = append(w.Steps, s)
	}
	slices.SortStableFunc(w.Steps, func(a, b WaterfallStep) int {
		return cmp.Or(b.Difference.Abs().Cmp(a.Difference.Abs()), cmp.Compare(a.Module, b.Module), cmp.Compare(a.Item, b.Item), cmp.Compare(a.Year, b.Year))
	})
	running := w.TotalAgainst.Decimal
	for i := range w.Steps {
		running = running.Add(w.Steps[i].Difference.Decimal)
		w.Steps[i].Running = Fixed{running}
	}
	w.Notices = []string{"both alternatives have the prices and factors of one inventory, so the rate effect of an item is the rounding of its lines; for the residual value it is the change of what it is a share of"}
	if !slices.Equal(of.Carbon.TotalCovers, against.Carbon.TotalCovers) && asked.Measure == MeasureTotalCarbon {
		w.Notices = append(w.Notices, "the totals cover different modules (see total_covers)")
	}
	return w
}

// checkDifference finds the two alternatives of a difference.
func checkDifference(resp *ComparisonResponse, asked DifferenceAsked) (of, against *Result, err error) {
	var faults fault.List
	find := func(name string, at fault.Path) *Result {
		i := slices.IndexFunc(resp.Alternatives, func(r Result) bool { return r.Name == name })
		if i < 0 {
			faults.Add(at, "alternative-unknown", "no alternative has the name %q", short(name))
			return nil
		}
		return &resp.Alternatives[i]
	}
	of, against = find(asked.Of, "/difference/of"), find(asked.Against, "/difference/against")
	if asked.Of == asked.Against {
		faults.Add("/difference/against", "duplicate-name", "a difference is between two alternatives")
	}
	carbon := asked.Measure == MeasureTotalCarbon || asked.Measure == MeasureCradleToGate
	if !carbon && resp.Economics == nil {
		faults.Add("/difference/measure", "required-member-missing", "the comparison has no economics, so nothing of it has a cost")
	}
	if !faults.Empty() {
		return nil, nil, errFaults(faults.All())
	}
	if asked.Measure == MeasureCarbonPrice && of.Cost.CarbonPrice == nil {
		return nil, nil, errFaults(oneFault("/difference/measure", "required-member-missing", "the comparison has no price of carbon"))
	}
	return of, against, nil
}
