package service

import (
	"fmt"
	"slices"

	"slabledger/lca/cost"
	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// activityLife is a treatment whose life may reach beyond the period.
type activityLife struct {
	use       string
	year      int
	lifeYears int
}

func (e *evaluated) event(m Event, at fault.Path) {
	it := e.item(m.Item, at.At("item"))
	if it == nil {
		return
	}
	module := m.Module
	if module == "" {
		module = it.inventory.Module
	}
	if module == "" {
		e.faults.Add(at.At("module"), "required-member-missing", "the inventory gives no module for %s; say which of B1 to B5 the event belongs to (EN 15978: B2 maintenance, B3 repair, B4 replacement, B5 refurbishment)", it.Code)
	}
	years := e.eventYears(m, at)
	share := e.share(m.Share, at)
	for _, year := range years {
		e.bill.AddOperation(&it.Item, "", e.takeoff, e.proportions.Density, share, module, "maintenance, year "+fmt.Sprint(year), year, "", at.At("item"))
		e.userCost(m.UserCost, it.Code, "maintenance", year, at)
	}
	if m.LifeYears > 0 && len(years) > 0 {
		// A later treatment of the same kind takes the place of an earlier one.
		e.lives = append(e.lives, activityLife{use: it.Code, year: slices.Max(years), lifeYears: m.LifeYears})
	}
}

// eventYears lists the years of an event within the period.
func (e *evaluated) eventYears(m Event, at fault.Path) []int {
	given := m.Years
	switch {
	case (m.EveryYears == 0) == (m.Years == nil):
		e.faults.Add(at, "one-of", "an event has either every_years or years")
		return nil
	case m.Years == nil:
		if m.EveryYears < 1 {
			e.faults.Add(at.At("every_years"), "out-of-range", "an event comes at most every year")
			return nil
		}
		for year := m.EveryYears; year < e.study.period; year += m.EveryYears {
			given = append(given, year)
		}
		if len(given) == 0 {
			e.warnings.Add(at.At("every_years"), "event-outside-period", "%s every %d years never falls within the %d years", m.Item, m.EveryYears, e.study.period)
		}
	}
	var years []int
	for i, year := range given {
		switch {
		case year < 1:
			e.faults.Add(at.At("years", i), "out-of-range", "year %d: what happens in year 0 is construction; maintenance begins in year 1", year)
		case year >= e.study.period:
			e.warnings.Add(at.At("years", i), "event-outside-period", "%s in year %d is dropped: the period ends at the end of year %d, and what is done at its very end is of no use within it", m.Item, year, e.study.period)
		case slices.Contains(years, year):
			e.faults.Add(at.At("years", i), "duplicate-name", "year %d is given twice", year)
		default:
			years = append(years, year)
		}
	}
	return years
}

func (e *evaluated) userCost(text, item, use string, year int, at fault.Path) {
	if text == "" || e.study.factors == nil {
		return
	}
	at = at.At("user_cost")
	e.userCosts = append(e.userCosts, cost.Flow{Kind: cost.User, Item: item, Label: use + ", road users", Year: year, Amount: num.One, Unit: "m2/m2",
		Price: e.money(text, at), PriceUnit: e.catalogue.ref.Currency + "/m2", Source: e.asked(at)})
}
