package service

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/carbon"
	"slabledger/lca/cost"
	"slabledger/lca/num"
	"slabledger/lca/slab"
)

// UserCost is the net present value with and without what road users pay, where
// the request says whether it counts (economics.include_user_cost).
type UserCost struct {
	Included                  bool  `json:"included"` // in net_present_value_per_m2, and so in what is ranked
	WithoutPerM2              Fixed `json:"net_present_value_without_user_cost_per_m2"`
	WithPerM2                 Fixed `json:"net_present_value_with_user_cost_per_m2"`
	EquivalentAnnualWithout   Fixed `json:"equivalent_annual_without_user_cost_per_m2"`
	EquivalentAnnualWithPerM2 Fixed `json:"equivalent_annual_with_user_cost_per_m2"`
}

// BothWays is a check, where the request is in nominal terms: what the agency pays,
// less the residual value, in real amounts at the real rate and in nominal amounts
// at the nominal rate, each line unrounded.
type BothWays struct {
	RealPerM2       Amount `json:"net_present_value_in_real_terms_per_m2"`
	NominalPerM2    Amount `json:"net_present_value_in_nominal_terms_per_m2"`
	DifferencePerM2 Amount `json:"difference_per_m2"`
	Agree           bool   `json:"agree"` // to less than 1e-9
}

func (e *evaluated) printCost() error {
	flows := make([]cost.Flow, 0, len(e.bill.Flows)+len(e.userCosts)+4)
	modules := make([]string, 0, cap(flows))
	notPriced := []NotPriced{}
	seen := map[NotPriced]bool{}
	for _, f := range e.bill.Flows {
		it := e.catalogue.of(&f)
		if f.Unpriced != "" {
			n := NotPriced{Module: f.Module, Item: it.Code, Use: f.Use, Reason: f.Unpriced}
			if !seen[n] {
				seen[n] = true
				notPriced = append(notPriced, n)
			}
			continue
		}
		flows = append(flows, e.study.agencyFlow(it, &f))
		modules = append(modules, f.Module)
	}
	p, err := e.factors.Present(flows)
	if err != nil {
		return err
	}
	credits, err := e.residual(p)
	if err != nil {
		return err
	}
	// What road users pay and what is left at the end are valued apart: the
	// residual value follows from what the agency paid.
	apart, err := e.factors.Present(append(e.userCosts, credits...))
	if err != nil {
		return err
	}
	p.Lines = append(p.Lines, apart.Lines...)
	p.User, p.Residual = apart.User, apart.Residual
	p.NetPresentValue = p.NetPresentValue.Add(apart.NetPresentValue)
	user, charged, err := e.beside(&p)
	if err != nil {
		return err
	}
	p.EquivalentAnnual = e.factors.Annual(p.NetPresentValue)
	modules = append(modules, make([]string, len(apart.Lines))...)
	c := &Cost{NotPriced: notPriced,
		InitialPerM2: Fixed{p.Initial}, MaintenancePresentValuePerM2: Fixed{p.Maintenance}, ResidualValuePerM2: Fixed{p.Residual},
		NetPresentValuePerM2: Fixed{p.NetPresentValue}, EquivalentAnnualPerM2: Fixed{p.EquivalentAnnual}}
	c.NotIncluded = []string{"design, supervision and traffic management", "demolition and disposal at the end of the period"}
	if len(e.userCosts) > 0 {
		c.UserPresentValuePerM2 = &Fixed{p.User}
	} else {
		c.NotIncluded = append(c.NotIncluded, "cost to road users: the request gives none")
	}
	if !e.study.brief {
		c.Lines = make([]CostLine, 0, len(p.Lines))
		for i, l := range p.Lines {
			c.Lines = append(c.Lines, CostLine{Alternative: e.Name, Kind: string(l.Kind), Stage: carbon.Stage(modules[i]), Module: modules[i], Item: l.Item, Use: l.Label, Year: l.Year,
				Amount: Amount{l.Amount}, Unit: l.Unit, Price: Plain{l.Price}, PriceUnit: l.PriceUnit, EscalationFactor: Plain{l.EscalationFactor},
				CostPerM2: Fixed{l.Cost}, DiscountFactor: Plain{l.DiscountFactor}, PresentValuePerM2: Fixed{l.PresentValue}, Source: l.Source})
		}
	}
	area := e.study.area
	c.ForArea = CostForArea{Initial: Fixed{p.Initial.Mul(area)}, MaintenancePresentValue: Fixed{p.Maintenance.Mul(area)}, ResidualValue: Fixed{p.Residual.Mul(area)},
		NetPresentValue: Fixed{p.NetPresentValue.Mul(area)}, EquivalentAnnual: Fixed{p.EquivalentAnnual.Mul(area)}}
	if c.UserPresentValuePerM2 != nil {
		c.ForArea.UserPresentValue = &Fixed{p.User.Mul(area)}
	}
	c.UserCost, c.CarbonPrice = user, charged
	if c.BothWays, err = e.bothWays(p); err != nil {
		return err
	}
	e.result.Cost = c
	return nil
}

// agencyFlow is what the agency pays for a flow of an item that has a price.
func (s *study) agencyFlow(it *entry, f *slab.Flow) cost.Flow {
	kind := cost.Initial
	if f.Year > 0 {
		kind = cost.Maintenance
	}
	return cost.Flow{Kind: kind, Item: it.Code, Label: f.Use, Year: f.Year, Amount: f.Amount, Unit: it.perM2,
		Price: it.inventory.Price.Amount, PriceUnit: it.priceUnit, Escalation: s.money.escalation(it.Code, f.Category), Source: it.source}
}

// beside values what stands beside the agency's cost, and adds to its net present
// value what the request counts in it.
func (e *evaluated) beside(p *cost.Result) (user *UserCost, charged *CarbonCost, err error) {
	agency, with := p.NetPresentValue, p.NetPresentValue.Add(p.User)
	annual := func(v decimal.Decimal) Fixed { return Fixed{e.factors.Annual(v)} }
	if asked := e.study.economics.IncludeUserCost; asked != nil {
		user = &UserCost{Included: *asked, WithoutPerM2: Fixed{agency}, WithPerM2: Fixed{with}, EquivalentAnnualWithout: annual(agency), EquivalentAnnualWithPerM2: annual(with)}
		if *asked {
			p.NetPresentValue = with
		}
	}
	if e.study.carbonPrices == nil {
		return user, nil, nil
	}
	if charged, err = e.carbonCost(p.NetPresentValue); err != nil {
		return nil, nil, err
	}
	if charged.InCost {
		p.NetPresentValue = charged.NetPresentValueWithCarbonPerM2.Decimal
	}
	return user, charged, nil
}

// bothWays checks a request in nominal terms; nil for one in real terms.
func (e *evaluated) bothWays(p cost.Result) (*BothWays, error) {
	m := e.study.money
	if !m.nominal.Valid {
		return nil, nil //nolint:nilnil // there is nothing to check
	}
	flows := make([]cost.Flow, len(p.Lines))
	for i, l := range p.Lines {
		flows[i] = l.Flow
	}
	b, err := cost.PresentBothWays(flows, m.schedule[0].Rate, m.nominal.Decimal, m.inflation.Decimal)
	if err != nil {
		return nil, err
	}
	return &BothWays{RealPerM2: Amount{num.Amount(b.Real)}, NominalPerM2: Amount{num.Amount(b.Nominal)}, DifferencePerM2: Amount{num.Amount(b.Real.Sub(b.Nominal))}, Agree: b.Agree()}, nil
}
