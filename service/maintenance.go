package service

import (
	"fmt"
	"slices"

	"slabledger/lca/cost"
	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// Strategy is a maintenance plan that alternatives name.
type Strategy struct {
	Name        string  `json:"name"`
	Maintenance []Event `json:"maintenance"`
}

// Event of maintenance: in given years, every n years, or at an age of the slab or
// of another treatment.
type Event struct {
	Item       string `json:"item"`
	EveryYears int    `json:"every_years,omitzero"`
	Years      []int  `json:"years,omitzero"`
	AtAgeYears int    `json:"at_age_years,omitzero"`
	After      string `json:"after,omitzero"` // with at_age_years: the item of the treatment whose age counts; else the slab's
	Share      string `json:"share,omitzero"`
	Module     string `json:"module,omitzero"`
	LifeYears  int    `json:"life_years,omitzero"`
	UserCost   string `json:"user_cost,omitzero"`
}

// activityLife is a treatment whose life may reach beyond the period.
type activityLife struct {
	use       string
	year      int
	lifeYears int
}

// readStrategies reads the names of the plans; the plans are read where they are
// used, since amounts and years depend on the slab.
func (s *study) readStrategies(list []Strategy, faults *fault.List) {
	s.strategies, s.plans = make(map[string]int, len(list)), list
	for i, plan := range list {
		if first, twice := s.strategies[plan.Name]; twice {
			faults.Add(fault.Path("/strategies").At(i, "name"), "duplicate-name", "the name %q is taken by strategy %d; names are unique within their list", short(plan.Name), first)
			continue
		}
		s.strategies[plan.Name] = i
	}
}

// maintain reads the plan of an alternative, its own or the one that it names.
func (e *evaluated) maintain() {
	e.planAt = e.at.At("maintenance")
	if name := e.Strategy; name != "" {
		i, known := e.study.strategies[name]
		if !known {
			e.faults.Add(e.at.At("strategy"), "strategy-unknown", "no strategy of the request has the name %q", short(name))
			return
		}
		e.strategy, e.Strategy = name, ""
		e.Maintenance, e.planAt = e.study.plans[i].Maintenance, fault.Path("/strategies").At(i, "maintenance")
	}
	e.planned = e.Maintenance != nil
	plan := schedule{e: e, years: make([][]int, len(e.Maintenance)), state: make([]progress, len(e.Maintenance))}
	for i := range e.Maintenance {
		plan.read(i)
	}
	for i := range e.Maintenance {
		plan.years[i] = e.everyLife(plan.years[i])
	}
	for i, m := range e.Maintenance {
		e.event(m, e.planAt.At(i), plan.years[i])
		plan.last(i)
	}
}

func (e *evaluated) event(m Event, at fault.Path, years []int) {
	it := e.item(m.Item, at.At("item"))
	if it == nil {
		return
	}
	module := e.moduleOf(m)
	if module == "" {
		e.faults.Add(at.At("module"), "required-member-missing", "the inventory gives no module for %s; say which of B1 to B5 the event belongs to (EN 15978: B2 maintenance, B3 repair, B4 replacement, B5 refurbishment)", it.Code)
	}
	e.rehabilitated = e.rehabilitated || len(years) > 0 && (module == "B4" || module == "B5" || m.LifeYears > 0)
	share := e.share(m.Share, at)
	for _, year := range years {
		e.bill.AddOperation(&it.Item, "", e.takeoff, e.proportions.Density, share, module, "maintenance, year "+fmt.Sprint(year), year, "", at.At("item"))
		e.userCost(m.UserCost, it.Code, "maintenance", year, at)
	}
}

// moduleOf an event: its own, else that of its item.
func (e *evaluated) moduleOf(m Event) string {
	if it := e.catalogue.entries[m.Item]; m.Module == "" && it != nil {
		return it.inventory.Module
	}
	return m.Module
}

// schedule finds the years of the events of a plan, of which some follow others.
type schedule struct {
	e     *evaluated
	years [][]int
	state []progress
}

type progress int

const (
	unread progress = iota
	reading
	read
)

// read finds the years of one event, after those of the treatment that it follows.
func (s *schedule) read(i int) {
	if s.state[i] != unread {
		return
	}
	s.state[i] = reading
	m, at := s.e.Maintenance[i], s.e.planAt.At(i)
	starts := []int{0} // when what it works on was new
	if m.After != "" {
		starts = s.follow(i, m.After, at)
	}
	s.years[i] = s.e.eventYears(m, starts, at)
	s.state[i] = read
}

// follow lists the years in which the treatment is done that an event follows.
func (s *schedule) follow(i int, after string, at fault.Path) []int {
	starts, found := []int{}, false
	if s.e.Maintenance[i].AtAgeYears == 0 {
		s.e.faults.Add(at.At("after"), "not-used", "only an event at an age (at_age_years) is after another treatment; else give its years")
		return nil
	}
	for k, other := range s.e.Maintenance {
		if other.Item != after {
			continue
		}
		found = true
		if s.read(k); s.state[k] == reading {
			s.e.faults.Add(at.At("after"), "event-cycle", "%s follows itself, by way of others or at once; a treatment that is repeated when its life ends has life_years", short(s.e.Maintenance[i].Item))
			return nil
		}
		starts = append(starts, s.years[k]...)
	}
	if !found {
		s.e.faults.Add(at.At("after"), "event-unknown", "the plan has no treatment %q for this one to follow", short(after))
	}
	slices.Sort(starts)
	return slices.Compact(starts)
}

// last notes the last time of a treatment that states its life, for the residual
// value. A later one of the same event takes the place of an earlier one; what it
// followed, done again since, has covered it.
func (s *schedule) last(i int) {
	m, years := s.e.Maintenance[i], s.years[i]
	if m.LifeYears == 0 || len(years) == 0 || s.e.catalogue.entries[m.Item] == nil {
		return
	}
	year := slices.Max(years)
	if year < s.e.lastBuilt() {
		return // it went with its slab
	}
	for k, other := range s.e.Maintenance {
		if m.After != "" && other.Item == m.After && len(s.years[k]) > 0 && slices.Max(s.years[k]) >= year {
			return
		}
	}
	s.e.lives = append(s.e.lives, activityLife{use: m.Item, year: year, lifeYears: m.LifeYears})
}

// eventYears lists the years of an event within the period. starts are the years in
// which what an event at an age works on is new.
func (e *evaluated) eventYears(m Event, starts []int, at fault.Path) []int {
	ways := 0
	for _, given := range []bool{m.EveryYears != 0, m.Years != nil, m.AtAgeYears != 0} {
		if given {
			ways++
		}
	}
	switch {
	case ways != 1:
		e.faults.Add(at, "one-of", "an event has either every_years, years or at_age_years")
	case m.AtAgeYears != 0:
		return e.agedYears(m, starts, at)
	case m.EveryYears != 0:
		if m.EveryYears < 1 {
			e.faults.Add(at.At("every_years"), "out-of-range", "an event comes at most every year")
			return nil
		}
		years := cost.Due(0, m.EveryYears, m.EveryYears, e.horizon())
		if years == nil {
			e.warnings.Add(at.At("every_years"), "event-outside-period", "%s every %d years never falls within the %d years", m.Item, m.EveryYears, e.horizon())
		}
		return years
	default:
		return e.givenYears(m, at)
	}
	return nil
}

// agedYears lists the years of an event at an age: when what it works on is that
// old, and then each time that its own life ends, until that is new again.
func (e *evaluated) agedYears(m Event, starts []int, at fault.Path) []int {
	if m.AtAgeYears < 1 {
		e.faults.Add(at.At("at_age_years"), "out-of-range", "what is done at age 0 is construction; an age is at least 1 year")
		return nil
	}
	var years []int
	for i, start := range starts {
		end := e.horizon()
		if i+1 < len(starts) {
			end = starts[i+1]
		}
		years = append(years, cost.Due(start, m.AtAgeYears, m.LifeYears, end)...)
	}
	if years == nil && e.faults.Empty() {
		e.warnings.Add(at.At("at_age_years"), "event-outside-period", "%s at an age of %d years never falls within the %d years", m.Item, m.AtAgeYears, e.horizon())
	}
	return years
}

// givenYears are the years of an event that lists them, within the period.
func (e *evaluated) givenYears(m Event, at fault.Path) []int {
	var years []int
	for i, year := range m.Years {
		switch {
		case year < 1:
			e.faults.Add(at.At("years", i), "out-of-range", "year %d: what happens in year 0 is construction; maintenance begins in year 1", year)
		case year >= e.horizon():
			e.warnings.Add(at.At("years", i), "event-outside-period", "%s in year %d is dropped: %s ends at the end of year %d, and what is done at its very end is of no use within it", m.Item, year, e.ending(), e.horizon())
		case slices.Contains(years, year):
			e.faults.Add(at.At("years", i), "duplicate-name", "year %d is given twice", year)
		default:
			years = append(years, year)
		}
	}
	return years
}

// ending is what ends at the horizon.
func (e *evaluated) ending() string {
	if e.horizon() < e.period {
		return "the slab"
	}
	return "the period"
}

func (e *evaluated) userCost(text, item, use string, year int, at fault.Path) {
	if text == "" || e.factors == nil {
		return
	}
	at = at.At("user_cost")
	e.userCosts = append(e.userCosts, cost.Flow{Kind: cost.User, Item: item, Label: use + ", road users", Year: year, Amount: num.One, Unit: "m2/m2",
		Price: e.money(text, at), PriceUnit: e.catalogue.ref.Currency + "/m2", Source: e.asked(at)})
}
