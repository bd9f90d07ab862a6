package service

import (
	"slabledger/lca/carbon"
	"slabledger/lca/cost"
)

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
		kind := cost.Initial
		if f.Year > 0 {
			kind = cost.Maintenance
		}
		flows = append(flows, cost.Flow{Kind: kind, Item: it.Code, Label: f.Use, Year: f.Year, Amount: f.Amount, Unit: it.perM2,
			Price: it.inventory.Price.Amount, PriceUnit: it.priceUnit, Escalation: e.study.escalation[f.Category], Source: it.source})
		modules = append(modules, f.Module)
	}
	p, err := e.study.factors.Present(flows)
	if err != nil {
		return err
	}
	credits, err := e.residual(p)
	if err != nil {
		return err
	}
	// What road users pay and what is left at the end are valued apart: the
	// residual value follows from what the agency paid.
	apart, err := e.study.factors.Present(append(e.userCosts, credits...))
	if err != nil {
		return err
	}
	p.Lines = append(p.Lines, apart.Lines...)
	p.User, p.Residual = apart.User, apart.Residual
	p.NetPresentValue = p.NetPresentValue.Add(apart.NetPresentValue)
	p.EquivalentAnnual = e.study.factors.Annual(p.NetPresentValue)
	modules = append(modules, make([]string, len(apart.Lines))...)
	c := &Cost{Lines: make([]CostLine, 0, len(p.Lines)), NotPriced: notPriced,
		InitialPerM2: Fixed{p.Initial}, MaintenancePresentValuePerM2: Fixed{p.Maintenance}, ResidualValuePerM2: Fixed{p.Residual},
		NetPresentValuePerM2: Fixed{p.NetPresentValue}, EquivalentAnnualPerM2: Fixed{p.EquivalentAnnual}}
	c.NotIncluded = []string{"design, supervision and traffic management", "demolition and disposal at the end of the period"}
	if len(e.userCosts) > 0 {
		c.UserPresentValuePerM2 = &Fixed{p.User}
	} else {
		c.NotIncluded = append(c.NotIncluded, "cost to road users: the request gives none")
	}
	for i, l := range p.Lines {
		c.Lines = append(c.Lines, CostLine{Alternative: e.Name, Kind: string(l.Kind), Stage: carbon.Stage(modules[i]), Module: modules[i], Item: l.Item, Use: l.Label, Year: l.Year,
			Amount: Amount{l.Amount}, Unit: l.Unit, Price: Plain{l.Price}, PriceUnit: l.PriceUnit, EscalationFactor: Plain{l.EscalationFactor},
			CostPerM2: Fixed{l.Cost}, DiscountFactor: Plain{l.DiscountFactor}, PresentValuePerM2: Fixed{l.PresentValue}, Source: l.Source})
	}
	area := e.study.area
	c.ForArea = CostForArea{Initial: Fixed{p.Initial.Mul(area)}, MaintenancePresentValue: Fixed{p.Maintenance.Mul(area)}, ResidualValue: Fixed{p.Residual.Mul(area)},
		NetPresentValue: Fixed{p.NetPresentValue.Mul(area)}, EquivalentAnnual: Fixed{p.EquivalentAnnual.Mul(area)}}
	if c.UserPresentValuePerM2 != nil {
		c.ForArea.UserPresentValue = &Fixed{p.User.Mul(area)}
	}
	if e.study.carbonPrices != nil {
		if c.CarbonPrice, err = e.carbonCost(p.NetPresentValue); err != nil {
			return err
		}
	}
	e.result.Cost = c
	return nil
}
