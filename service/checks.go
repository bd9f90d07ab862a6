package service

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/fault"
)

// Check is one of the three checks of an evaluation (ISO 14044, 4.5.3): completeness,
// sensitivity, consistency.
type Check struct {
	Check   string      `json:"check"`
	State   string      `json:"state"`
	Reasons []Statement `json:"reasons"`
}

// Names and states of a Check.
const (
	CheckCompleteness = "completeness"
	CheckSensitivity  = "sensitivity"
	CheckConsistency  = "consistency"
	CheckPass         = "pass"
	CheckFail         = "fail"
)

// defaultCheckPercent is by how much an input without a spread is varied where the
// request does not say (common practice, no source).
var defaultCheckPercent = decimal.New(10, -2)

// maxYearsApart is how far the years of data may lie apart: generic data of EN 15804 are
// at most ten years old (6.3.7; from memory).
const maxYearsApart = 10

// leastConcrete and mostConcrete are what concretes of the literature emit, A1-A3 in kg
// CO2e per m3 (Applied Sciences 2019, 9(22), 4803, CC BY; read).
var leastConcrete, mostConcrete = decimal.New(84, 0), decimal.New(612, 0)

// maxCheckEvaluations of one alternative each, in a check of sensitivity.
const maxCheckEvaluations = 8_000

func (c *Check) fail(code, pointer, format string, args ...any) {
	c.State = CheckFail
	c.note(code, pointer, format, args...)
}

func (c *Check) note(code, pointer, format string, args ...any) {
	c.Reasons = append(c.Reasons, Statement{Code: code, Message: fmt.Sprintf(format, args...), Pointer: pointer})
}

// completeness looks for what the goal needs and the result lacks (ISO 14044, 4.5.3.2):
// every module is declared, or the goal says why it does without; and nothing is cut
// off that would matter.
func (in *interpretation) completeness(resp *ComparisonResponse) Check {
	c := Check{Check: CheckCompleteness, State: CheckPass, Reasons: []Statement{}}
	lacking := map[string][]string{} // names by module
	why := map[string]string{}
	for _, r := range resp.Alternatives {
		for _, l := range r.Carbon.NotDeclared {
			lacking[l.Module], why[l.Module] = append(lacking[l.Module], r.Name), l.Reason
		}
	}
	for _, s := range resp.Alternatives[0].Carbon.ModuleStates { // in the order of the modules
		names, missing := lacking[s.Module]
		if !missing {
			continue
		}
		switch reason, excluded := in.request.GoalAndScope.excluded(s.Module); {
		case len(names) < len(resp.Alternatives):
			c.fail("module-of-some", "/alternatives", "%s is declared by some alternatives and not by %s", s.Module, listed(names))
		case excluded:
			c.note("module-excluded", "/goal_and_scope/excluded", "%s: %s", s.Module, reason)
		default:
			c.fail("module-not-declared", "/alternatives", "%s is not declared (%s), and the goal and scope do not say why it may be left out", s.Module, why[s.Module])
		}
	}
	if ledger := resp.Comparison.CutOff; ledger != nil {
		for i, f := range ledger.Flows {
			at := string(fault.Path("/cut_off").At(i))
			switch {
			case slices.ContainsFunc(f.Impacts, func(m CutOffImpact) bool { return m.AboveTheCutOff }):
				c.fail("cutoff-significant-impact", at, "%s is left out, and would emit more than the cut-off", f.Flow)
			case f.Item == "":
				c.note("cutoff-impact-unknown", at, "%s is left out; its impact is not known, only its shares of mass and energy", f.Flow)
			default:
				c.note("cutoff-small", at, "%s is left out, within the cut-off in mass, energy and emissions", f.Flow)
			}
		}
	}
	if c.State == CheckPass {
		c.note("complete", "/alternatives", "every module is declared, or left out for a reason, in all alternatives")
	}
	return c
}

// listed is names in a sentence.
func listed(names []string) string {
	quoted := make([]string, len(names))
	for i, n := range names {
		quoted[i] = strconv.Quote(n)
	}
	return some(quoted, maxToldDifferences)
}

// maxToldItems stand in a reason by their codes.
const maxToldItems = 20

// some is the first of a list, and how many more there are.
func some(list []string, most int) string {
	if len(list) <= most {
		return strings.Join(list, ", ")
	}
	return strings.Join(list[:most], ", ") + fmt.Sprintf(", and %d more", len(list)-most)
}

// consistency looks for data and methods that differ where they should not (ISO 14044,
// 4.5.3.4): between alternatives as within one.
func (in *interpretation) consistency(ctx context.Context, s *Service, evaluations []*evaluated, results []Result) (Check, error) {
	c := Check{Check: CheckConsistency, State: CheckPass, Reasons: []Statement{}}
	for i, r := range results {
		if !r.FunctionalEquivalence.Met {
			c.fail("service-differs", string(evaluations[i].at), "%q: %s", r.Name, r.FunctionalEquivalence.Reason)
		}
	}
	for i, r := range results {
		if v := r.Concrete.GWPKgCO2ePerM3.A1A3; v.LessThan(leastConcrete) || v.GreaterThan(mostConcrete) {
			c.note("unusual-concrete", string(evaluations[i].at), "the concrete of %q has %s kg CO2e/m3 in A1-A3; the literature has %s to %s (Applied Sciences 2019, 9(22), 4803): see whether a factor is in another unit", r.Name, v, leastConcrete, mostConcrete)
		}
	}
	used := map[string]*entry{}
	for _, e := range evaluations {
		for _, it := range e.sources() {
			used[it.Code] = it
		}
	}
	years, prices := map[string][]string{}, map[string][]string{}
	boundaries, sets, allocations, taxes, layers := map[string][]string{}, map[string][]string{}, map[string][]string{}, map[string][]string{}, map[string][]string{}
	unknown := map[string][]string{}
	put := func(by map[string][]string, what, value, code string) {
		if value != "" {
			by[value] = append(by[value], code)
		} else if what != "" {
			unknown[what] = append(unknown[what], code)
		}
	}
	for _, code := range slices.Sorted(maps.Keys(used)) {
		it := used[code].inventory
		year := ""
		if src := it.FactorSource; src != nil && src.Year != 0 {
			year = strconv.Itoa(src.Year)
		}
		put(years, "the year of the factor", year, code)
		put(boundaries, "", it.Boundary, code)
		put(sets, "the characterisation of the factor", it.FactorData.Characterisation, code)
		if it.Category == inventory.SCM || it.FactorData.Allocation != "" {
			allocation := it.FactorData.Allocation
			if _, switched := in.study.allocated[used[code]]; switched {
				allocation = in.study.requirements.Allocation
			}
			put(allocations, "the allocation of the factor", allocation, code)
		}
		if it.Price != nil && in.study.factors != nil {
			priced, _, _ := strings.Cut(it.Price.Date, "-")
			put(prices, "", priced, code)
			put(taxes, "", it.Price.Tax, code)
		}
		put(layers, "", it.Layer, code)
	}
	for _, what := range []struct {
		name, code string
		by         map[string][]string
	}{{"the factors", "factor-years-apart", years}, {"the prices", "price-years-apart", prices}} {
		if first, last, apart := span(what.by); apart > maxYearsApart {
			c.fail(what.code, "/inventory", "%s are of %s to %s, more than %d years apart: %s", what.name, first, last, maxYearsApart, someOf(map[string][]string{first: what.by[first], last: what.by[last]}))
		}
	}
	for _, what := range []struct {
		code, format string
		by           map[string][]string
	}{
		{"boundary-mixed", "factors of different bases are used: %s", boundaries},
		{"characterisation-mixed", "factors were added up with different global warming potentials: %s", sets},
		{"allocation-mixed", "co-products bear their process by different allocations: %s", allocations},
		{"tax-mixed", "prices with and without tax are used: %s", taxes},
	} {
		if len(what.by) > 1 {
			c.fail(what.code, "/inventory", what.format, someOf(what.by))
		}
	}
	if err := in.regions(ctx, s, &c, layers); err != nil {
		return c, err
	}
	for _, what := range slices.Sorted(maps.Keys(unknown)) {
		c.note("not-stated", "/inventory", "%s is not stated: %s", what, some(unknown[what], maxToldItems))
	}
	if c.State == CheckPass {
		c.note("consistent", "/inventory", "years, bases, characterisation, allocation, tax and regions do not differ, as far as they are stated")
	}
	return c, nil
}

// someOf is the first items of each group.
func someOf(by map[string][]string) string {
	cut := map[string][]string{}
	for name, codes := range by {
		cut[name] = []string{some(codes, maxToldItems)}
	}
	return groups(cut)
}

// span is the first and the last year, and how many lie between.
func span(by map[string][]string) (first, last string, apart int) {
	years := slices.Sorted(maps.Keys(by))
	if len(years) == 0 {
		return "", "", 0
	}
	first, last = years[0], years[len(years)-1]
	a, errA := strconv.Atoi(first)
	b, errB := strconv.Atoi(last)
	if errA != nil || errB != nil {
		return first, last, 0
	}
	return first, last, b - a
}

// regions looks up where items that the inventory takes over come from.
func (in *interpretation) regions(ctx context.Context, s *Service, c *Check, layers map[string][]string) error {
	own := in.study.catalogue.ref
	by := map[string][]string{own.Region: {own.Ref}}
	for _, layer := range slices.Sorted(maps.Keys(layers)) {
		if s.store == nil {
			return &Error{Code: NotFound, Detail: "whether the regions of the inventory's layers differ can only be checked where " + layer + " is stored"}
		}
		other, err := s.pinned(ctx, layer)
		if err != nil {
			return err
		}
		by[other.ref.Region] = append(by[other.ref.Region], layers[layer]...)
	}
	if len(by) > 1 {
		c.fail("region-mixed", "/inventory", "numbers of different regions are used: %s", someOf(by))
	}
	return nil
}

// trial is one input that the check of sensitivity varies.
type trial struct {
	*whatIf
	measure string
}

// trials lists the prices and factors that the alternatives rest on, each with the
// alternatives that use it: the others stay as they are.
func (in *interpretation) trials(evaluations []*evaluated) (list []trial, evaluationsNeeded int) {
	users := map[string][]int{}
	for i, e := range evaluations {
		for _, it := range e.sources() {
			users[it.Code] = append(users[it.Code], i)
		}
	}
	request := in.request
	request.Interpretation = Interpretation{}
	for _, m := range in.checkedMeasures() {
		for _, code := range slices.Sorted(maps.Keys(users)) {
			var faults fault.List
			w := newWhatIf(in.study.catalogue, request, Variable{Item: code, Of: m.of}, "", &faults)
			if !faults.Empty() || w.nominal().IsZero() {
				continue // it has none of its own, or a part of zero is zero
			}
			w.chosen = users[code]
			list, evaluationsNeeded = append(list, trial{w, m.measure}), evaluationsNeeded+2*len(w.chosen)
		}
	}
	return list, evaluationsNeeded
}

type checkedMeasure struct{ measure, of, words string }

func (in *interpretation) checkedMeasures() []checkedMeasure {
	list := []checkedMeasure{{MeasureTotalCarbon, VaryFactor, "total carbon"}}
	if in.study.factors != nil {
		list = append(list, checkedMeasure{MeasureNPV, VaryPrice, "net present value"})
	}
	return list
}

// sensitivity varies each price and factor by itself, over the spread that the
// inventory states or else by a percentage, and looks whether the same alternatives stay
// first (ISO 14044, 4.5.3.3).
func (in *interpretation) sensitivity(ctx context.Context, s *Service, evaluations []*evaluated, resp *ComparisonResponse) (Check, error) {
	c := Check{Check: CheckSensitivity, State: CheckPass, Reasons: []Statement{}}
	if resp.Comparison.Ranking == nil {
		c.fail("not-ranked", "/alternatives", "the alternatives are not ranked, so there is no ranking to hold: %s", resp.Comparison.Reason)
		return c, nil
	}
	trials, needed := in.trials(evaluations)
	if needed > maxCheckEvaluations {
		return c, errFaults(oneFault("/checks", "compute-budget-exceeded", fmt.Sprintf("the check of sensitivity comes to %d evaluations of an alternative; at most %d: compare fewer at a time", needed, maxCheckEvaluations)))
	}
	list, nominal := make([]string, len(resp.Alternatives)), make([]totals, len(resp.Alternatives))
	for i := range resp.Alternatives {
		list[i], nominal[i] = resp.Alternatives[i].Name, totalsIn(&resp.Alternatives[i])
	}
	for _, m := range in.checkedMeasures() {
		v := varied{service: s, ctx: ctx, measure: m.measure, percent: in.percent}
		first, least := leaders(list, nominal, m.measure)
		leastAt, inputs, changed := "as it stands", 0, 0
		for _, w := range trials {
			if w.measure != m.measure {
				continue
			}
			inputs++
			low, high, basis := v.ends(w.whatIf)
			for _, x := range []decimal.Decimal{low, high} {
				figures, err := w.at(ctx, s, x)
				if err != nil {
					return c, err
				}
				varied := slices.Clone(nominal)
				for k, i := range w.chosen {
					varied[i] = figures[k]
				}
				now, lead := leaders(list, varied, m.measure)
				where := fmt.Sprintf("with the %s at %s %s (%s)", v.name(w.whatIf), x, w.unit(), basis)
				if lead.LessThan(least) {
					least, leastAt = lead, where
				}
				if !slices.Equal(now, first) {
					changed++
					c.fail("first-changes", "/alternatives", "by %s first is %s in place of %s, %s", m.words, listed(now), listed(first), where)
				}
			}
		}
		if changed == 0 {
			c.note("first-stays", "/alternatives", "by %s first is %s, whichever of %d inputs is at either end of its range; the next is at least %s %s behind, %s", m.words, listed(first), inputs, least, measureUnit(in.study.catalogue, m.measure), leastAt)
		}
	}
	return c, nil
}

// leaders lists who is first, in order of the names, and by how much.
func leaders(names []string, list []totals, measure string) (first []string, lead decimal.Decimal) {
	best := list[0].measure(measure)
	for _, t := range list {
		best = decimal.Min(best, t.measure(measure))
	}
	lead = decimal.Decimal{}
	behind := false
	for i, t := range list {
		switch v := t.measure(measure); {
		case v.Equal(best):
			first = append(first, names[i])
		case !behind || v.Sub(best).LessThan(lead):
			lead, behind = v.Sub(best), true
		}
	}
	slices.Sort(first)
	return first, lead
}
