package service

import (
	"fmt"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/compare"
	"slabledger/lca/cost"
	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// Ways to compare slabs of unequal service lives (ASTM E917; ISO 15686-5).
const (
	LivesCommonPeriod     = "common_period"     // each is built anew at the end of its life, within the analysis period
	LivesAnnualEquivalent = "annual_equivalent" // each over its own life, compared by the year
)

// LifeResult is the service life of a slab within what is studied.
type LifeResult struct {
	ServiceLifeYears      int    `json:"service_life_years"`
	StudiedYears          int    `json:"studied_years"`
	Replacements          int    `json:"replacements"`
	BuiltAnewInYears      []int  `json:"built_anew_in_years"`
	CapitalRecoveryFactor *Plain `json:"capital_recovery_factor"` // of the years studied; null without economics
}

// UnequalLives says how slabs of unequal lives are compared and, where that is by the
// year, compares them.
type UnequalLives struct {
	Method                   string         `json:"method"`
	Reason                   string         `json:"reason"`
	LeastCommonMultipleYears *int           `json:"least_common_multiple_years"` // null beyond the longest period
	ByEquivalentAnnual       []Rank         `json:"by_equivalent_annual,omitzero"`
	ByAnnualCarbon           []Rank         `json:"by_annual_carbon,omitzero"`
	Annual                   []AnnualFigure `json:"annual,omitzero"`
}

// AnnualFigure is an alternative by the year of its own life.
type AnnualFigure struct {
	Name                  string `json:"name"`
	StudiedYears          int    `json:"studied_years"`
	EquivalentAnnualPerM2 *Fixed `json:"equivalent_annual_per_m2"`
	CarbonPerM2Year       Fixed  `json:"total_carbon_kg_co2e_per_m2_year"`
}

// readLife reads the service life of the slab, and what follows for the years that are
// studied.
func (e *evaluated) readLife() {
	e.period, e.factors = e.study.period, e.study.factors
	given, at := 0, e.at.At("slab", "service_life_years")
	if e.Slab != nil {
		given = e.Slab.ServiceLifeYears
	}
	switch {
	case e.study.lives == "" && given == 0:
	case e.study.lives == "":
		e.faults.Add(at, "not-used", "a service life counts only where the functional unit says how unequal_lives are compared")
	case given == 0:
		e.faults.Add(at, "required-member-missing", "to compare unequal lives, every slab needs its service_life_years")
	case given < minPeriod || given > maxPeriod:
		e.faults.Add(at, "out-of-range", "%d years; accepted: %d to %d", given, minPeriod, maxPeriod)
	case e.study.lives == LivesAnnualEquivalent:
		e.life, e.period = given, given
		if e.study.factors != nil {
			e.factors = e.study.factorsOver(given, &e.faults)
		}
	default:
		e.life = given
	}
}

// onePeriod refuses what varies totals where each alternative has a period of its own.
func onePeriod(req ComparisonRequest, faults *fault.List) {
	if req.FunctionalUnit.UnequalLives == LivesAnnualEquivalent {
		faults.Add("/comparison/functional_unit/unequal_lives", "not-used", "what is varied is a total over one period; compare unequal lives over a common_period here")
	}
}

// factorsOver are the discount factors of another period.
func (s *study) factorsOver(years int, faults *fault.List) *cost.Factors {
	if known := s.over[years]; known != nil {
		return known
	}
	f, err := cost.NewScheduledFactors(s.money.schedule, years)
	if err != nil {
		faults.Add("/economics", "out-of-range", "%v", err)
		return nil
	}
	if s.over == nil {
		s.over = map[int]*cost.Factors{}
	}
	s.over[years] = f
	return f
}

// horizon is the end of what a maintenance plan can reach: the slab's life, where it
// has one, else the period.
func (e *evaluated) horizon() int {
	if e.life > 0 {
		return min(e.life, e.period)
	}
	return e.period
}

// everyLife repeats the years of a plan for each slab that is built.
func (e *evaluated) everyLife(years []int) []int {
	if e.life == 0 || e.life >= e.period {
		return years
	}
	var all []int
	for _, life := range e.builds() {
		for _, year := range years {
			if life[0]+year < e.period {
				all = append(all, life[0]+year)
			}
		}
	}
	return all
}

// builds lists when each slab is new and when it ends.
func (e *evaluated) builds() [][2]int {
	starts := []int{0}
	if e.life > 0 {
		starts = append(starts, cost.Due(0, e.life, e.life, e.period)...)
	}
	list := make([][2]int, len(starts))
	for i, start := range starts {
		list[i] = [2]int{start, e.period}
		if i+1 < len(starts) {
			list[i][1] = starts[i+1]
		}
	}
	return list
}

// lastBuilt is the year in which the slab was built that is there at the end.
func (e *evaluated) lastBuilt() int {
	builds := e.builds()
	return builds[len(builds)-1][0]
}

// renew builds the slab anew at the end of each of its lives: what year 0 took and
// what the end of life takes, as B4 replacement (EN 15978; from memory).
func (e *evaluated) renew() {
	years := cost.Due(0, max(e.life, 1), e.life, e.period)
	if e.life == 0 || len(years) == 0 {
		return
	}
	at := e.at.At("slab", "service_life_years")
	e.bill.Renew(years, at)
	e.rehabilitated = true
	for _, f := range e.userCosts[:len(e.userCosts):len(e.userCosts)] {
		if f.Year != 0 {
			continue
		}
		for _, year := range years {
			f.Year = year
			e.userCosts = append(e.userCosts, f)
		}
	}
	e.bill.Assumptions.Add(at, "slab-renewed", "at the end of each life of %d years the slab is taken away and built anew, as B4, with its plan from the beginning: in %d of the %d years", e.life, len(years), e.period)
	if end := years[len(years)-1] + e.life; end > e.period && (e.Residual == nil || e.Residual.Method == ResidualNone) {
		e.warnings.Add(at, "life-cut-off", "%d of the %d years of the last slab lie beyond the period; nothing is credited for them: ask for the residual value by remaining_life, or for a period into which the lives fit", end-e.period, e.life)
	}
}

// warnNoRehabilitation warns of an alternative that the period is too short for: it
// has no rehabilitation in it, while another has (FHWA, 61 FR 49187, 1996: long enough
// for at least one major rehabilitation of each).
func warnNoRehabilitation(all []*evaluated, locate func(fault.Path) fault.Path) {
	some := slices.ContainsFunc(all, func(e *evaluated) bool { return e.rehabilitated })
	for _, e := range all {
		if some && !e.rehabilitated {
			e.warnings.Add(locate(e.at.At("maintenance")), "no-rehabilitation-in-period", "nothing is renewed in the %d years (no treatment of B4 or B5, and none that states its life), while another alternative has that: a longer period would show what comes later", e.period)
		}
	}
}

func (e *evaluated) printLife() *LifeResult {
	if e.life == 0 {
		return nil
	}
	r := &LifeResult{ServiceLifeYears: e.life, StudiedYears: e.period, BuiltAnewInYears: []int{}}
	for _, life := range e.builds()[1:] {
		r.BuiltAnewInYears = append(r.BuiltAnewInYears, life[0])
	}
	// The life and the period have been checked.
	r.Replacements, _ = cost.Replacements(decimal.New(int64(e.life), 0), decimal.New(int64(e.period), 0))
	if e.factors != nil {
		r.CapitalRecoveryFactor = &Plain{e.factors.Recovery()}
	}
	return r
}

// unequalLives says how lives are compared, and ranks by the year where that is asked.
func unequalLives(evaluations []*evaluated, results []Result, rankable bool) *UnequalLives {
	method := evaluations[0].study.lives
	if method == "" {
		return nil
	}
	u := &UnequalLives{Method: method}
	var lives []int
	var told []string
	for _, e := range evaluations {
		lives, told = append(lives, e.life), append(told, fmt.Sprint(e.life))
	}
	common, err := cost.CommonPeriod(lives, maxPeriod)
	fits := "no period of up to 100 years holds all of them a whole number of times"
	if err == nil {
		u.LeastCommonMultipleYears = &common
		fits = fmt.Sprintf("they fit into %d years", common)
	}
	u.Reason = "lives of " + strings.Join(told, ", ") + " years; " + fits
	if method == LivesCommonPeriod {
		u.Reason += fmt.Sprintf("; compared over the period of %d years, each slab built anew at the end of its life", evaluations[0].period)
		return u
	}
	u.Reason += "; each studied over its own life and compared by the year, as if it were built anew for ever at the same price; the analysis period is not used"
	names, costs, carbons := make([]string, len(results)), make([]decimal.Decimal, len(results)), make([]decimal.Decimal, len(results))
	for i, r := range results {
		years := decimal.New(int64(evaluations[i].period), 0)
		names[i], carbons[i] = r.Name, num.Line(num.Quotient(r.Carbon.TotalKgCO2ePerM2.Decimal, years))
		a := AnnualFigure{Name: r.Name, StudiedYears: evaluations[i].period, CarbonPerM2Year: Fixed{carbons[i]}}
		if r.Cost != nil {
			costs[i] = r.Cost.EquivalentAnnualPerM2.Decimal
			a.EquivalentAnnualPerM2 = &r.Cost.EquivalentAnnualPerM2
		}
		u.Annual = append(u.Annual, a)
	}
	if rankable {
		u.ByAnnualCarbon = ranks(compare.Rank(names, carbons))
		if results[0].Cost != nil {
			u.ByEquivalentAnnual = ranks(compare.Rank(names, costs))
		}
	}
	return u
}
