package service

import (
	"slices"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/cost"
	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// CarbonPrice is a price of emissions, which is shown beside the cost and in it only
// where the request asks for that: a constant one, one that grows, or one that
// changes in stated years. It is in the money of the inventory's prices.
type CarbonPrice struct {
	Amount        string            `json:"amount,omitzero"`         // "80 EUR/t", in year 0
	RealGrowth    string            `json:"real_growth,omitzero"`    // a year
	NominalGrowth string            `json:"nominal_growth,omitzero"` // in its place, where the discount rate is nominal
	ByYear        []CarbonPriceFrom `json:"by_year,omitzero"`        // in place of all three
	PriceYear     int               `json:"price_year,omitzero"`     // whose money the price is in, as 2020
	Source        string            `json:"source,omitzero"`
	InCost        bool              `json:"in_cost,omitzero"`
}

// CarbonPriceFrom is the price from a year on.
type CarbonPriceFrom struct {
	FromYear int    `json:"from_year"`
	Amount   string `json:"amount"`
}

// carbonPrices is a price of carbon ready for use.
type carbonPrices struct {
	growth decimal.Decimal
	from   []int             // years, rising; the first is 0
	perKg  []decimal.Decimal // by from
}

// CarbonCost is what the emissions of an alternative come to at the price of carbon.
// Emissions themselves are not discounted; their price is, in the year of the emission.
type CarbonCost struct {
	PresentValuePerM2              Fixed            `json:"present_value_per_m2"`
	NetPresentValueWithCarbonPerM2 Fixed            `json:"net_present_value_with_carbon_per_m2"`
	InCost                         bool             `json:"in_cost,omitzero"` // net_present_value_per_m2 has it
	Currency                       string           `json:"currency,omitzero"`
	PriceYear                      int              `json:"price_year,omitzero"`
	PriceSource                    string           `json:"price_source,omitzero"`
	Lines                          []CarbonCostLine `json:"lines"`
}

// CarbonCostLine is the emissions of one year.
type CarbonCostLine struct {
	Year              int    `json:"year"`
	KgCO2ePerM2       Fixed  `json:"kg_co2e_per_m2"`
	PricePerKg        Plain  `json:"price_per_kg"` // before growth
	GrowthFactor      Plain  `json:"growth_factor"`
	CostPerM2         Fixed  `json:"cost_per_m2"`
	DiscountFactor    Plain  `json:"discount_factor"`
	PresentValuePerM2 Fixed  `json:"present_value_per_m2"`
	Source            string `json:"source"`
}

// readCarbonPrice reads the price of carbon of a request.
func (s *study) readCarbonPrice(p *CarbonPrice, faults *fault.List) {
	if p == nil {
		return
	}
	at := fault.Path("/economics/carbon_price")
	r := reader{catalogue: s.catalogue}
	prices := &carbonPrices{}
	switch {
	case (p.Amount == "") == (p.ByYear == nil):
		r.faults.Add(at, "one-of", "a price of carbon has either an amount, such as \"80 %s/t\", or by_year", s.catalogue.ref.Currency)
	case p.ByYear != nil:
		for _, growth := range [][2]string{{"real_growth", p.RealGrowth}, {"nominal_growth", p.NominalGrowth}} {
			if growth[1] != "" {
				r.faults.Add(at.At(growth[0]), "not-used", "a price that is given by year does not grow besides")
			}
		}
		for i, from := range p.ByYear {
			at := at.At("by_year", i)
			if i == 0 && from.FromYear != 0 || i > 0 && from.FromYear <= p.ByYear[i-1].FromYear {
				r.faults.Add(at.At("from_year"), "out-of-range", "the first price is from year 0, and the years rise")
			}
			prices.from, prices.perKg = append(prices.from, from.FromYear), append(prices.perKg, r.perTonne(from.Amount, at.At("amount")))
		}
	default:
		prices.from, prices.perKg = []int{0}, []decimal.Decimal{r.perTonne(p.Amount, at.At("amount"))}
		if p.RealGrowth != "" {
			prices.growth = r.yearlyRate(p.RealGrowth, at.At("real_growth"))
		}
		if p.NominalGrowth != "" {
			before := r.faults.Len()
			prices.growth = r.yearlyRate(p.NominalGrowth, at.At("nominal_growth"))
			if s.money.inflation.Valid && r.faults.Len() == before {
				prices.growth = s.money.inReal(prices.growth, "the real growth", at.At("nominal_growth"), &r)
			}
		}
	}
	faults.Append(r.faults.All()...)
	if r.faults.Empty() {
		s.carbonPrices = prices
	}
}

// perTonne reads an amount of the inventory's currency per tonne, as one per kg.
func (r *reader) perTonne(text string, at fault.Path) decimal.Decimal {
	amount, found := strings.CutSuffix(text, "/t")
	if !found {
		r.faults.Add(at, "unit-unknown", "%q: write a price of carbon like \"80 %s/t\"", short(text), r.catalogue.ref.Currency)
		return decimal.Zero
	}
	return r.money(amount+"/m2", at).Shift(-3) // the same grammar, another denominator
}

// at is the price of a year, before growth.
func (p *carbonPrices) at(year int) decimal.Decimal {
	i, found := slices.BinarySearch(p.from, year)
	if !found {
		i--
	}
	return p.perKg[i]
}

// carbonCost values the emissions of each year.
func (e *evaluated) carbonCost(npv decimal.Decimal) (*CarbonCost, error) {
	byYear := map[int]*num.Total{}
	var years []int
	for _, l := range e.result.Carbon.Lines {
		if l.Module == "D" {
			continue // beyond the boundary
		}
		if byYear[l.Year] == nil {
			byYear[l.Year] = &num.Total{}
			years = append(years, l.Year)
		}
		byYear[l.Year].Add(l.GWPKgCO2ePerM2.Decimal)
	}
	slices.Sort(years)
	unit, source := e.catalogue.ref.Currency+"/kg CO2e", "request/economics/carbon_price"
	var flows []cost.Flow
	for _, year := range years {
		flows = append(flows, cost.Flow{Kind: cost.Emission, Label: "emissions of year " + strconv.Itoa(year), Year: year, Amount: byYear[year].Value(), Unit: "kg CO2e/m2",
			Price: e.study.carbonPrices.at(year), PriceUnit: unit, Escalation: e.study.carbonPrices.growth, Source: source})
	}
	p, err := e.factors.Present(flows)
	if err != nil {
		return nil, err
	}
	c := &CarbonCost{PresentValuePerM2: Fixed{p.Emission}, NetPresentValueWithCarbonPerM2: Fixed{npv.Add(p.Emission)}, Lines: []CarbonCostLine{}}
	if asked := e.study.economics.CarbonPrice; asked.PriceYear != 0 || asked.Source != "" || asked.InCost {
		c.InCost, c.Currency, c.PriceYear, c.PriceSource = asked.InCost, e.catalogue.ref.Currency, asked.PriceYear, asked.Source
	}
	for _, l := range p.Lines {
		c.Lines = append(c.Lines, CarbonCostLine{l.Year, Fixed{l.Amount}, Plain{l.Price}, Plain{l.EscalationFactor}, Fixed{l.Cost}, Plain{l.DiscountFactor}, Fixed{l.PresentValue}, source})
	}
	return c, nil
}
