package service

import (
	"context"
	"errors"
	"sync/atomic"

	"github.com/go-json-experiment/json"
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/slab"
	"slabledger/lca/unit"
)

// A grid computes what its combinations share once, from the parts of a search
// (searchparts.go): the same lines, rounded by themselves, so that their sums are the same.
// Where anything is wrong, or a figure does not follow from the parts, each combination is
// evaluated by itself, which also tells what is wrong.

// gridThickness is how thick a combination is, given or sized.
type gridThickness struct {
	asked  Thickness
	m      decimal.Decimal
	system unit.System // of a thickness that is given
	sized  *ThicknessResult
	broken bool
}

// byParts evaluates the combinations from their parts; false where each has to be
// evaluated by itself.
func (g *grid) byParts(ctx context.Context, s *study) ([]*evaluated, bool) {
	q := g.search(s)
	if !g.faults.Empty() || s.checkOnly || q.whole() {
		return nil, false
	}
	thicks := memo[*gridThickness]{most: g.count + 1}
	all, totals, flows, broken := make([]*evaluated, g.count), make([]figures, g.count), atomic.Int64{}, errors.New("not by parts")
	thickOf := func(places []int) *gridThickness {
		return thicks.get(q.thickKey.of(places), func() *gridThickness { return q.gridThickness(places) })
	}
	first := thickOf(q.placesOf(q.all, 0))
	// Parts come first, the larger before the smaller, so that no hand waits long for a
	// part that another is making.
	parts := q.concreteKey.count + q.worksKey.count + q.thickKey.count
	err := atOnce(ctx, parts+g.count, func(i int) (err error) {
		if i < parts {
			switch {
			case i < q.concreteKey.count:
				q.concreteOf(q.placesOf(q.concreteKey, i))
			case i < q.concreteKey.count+q.worksKey.count:
				q.worksOf(q.placesOf(q.worksKey, i-q.concreteKey.count))
			default:
				thickOf(q.placesOf(q.thickKey, i-q.concreteKey.count-q.worksKey.count))
			}
			return nil
		}
		i -= parts
		places := q.placesOf(q.all, i)
		concrete, works, thick := q.concreteOf(places), q.worksOf(places), thickOf(places)
		pair, sound := q.sound(places)
		// Two systems of units in one slab are a fault of the combination.
		if !sound || thick.broken || thick.system != first.system {
			return broken
		}
		if flows.Add(int64(len(concrete.flows)+works.flows+len(works.evaluated.userCosts))) > maxGridFlows {
			return broken
		}
		e := *works.evaluated
		e.at = combinations.At(i)
		e.Name, _ = q.nameOf(places)
		built := *e.Slab
		built.Thickness, e.Slab = thick.asked, &built
		e.takeoff.Concrete, e.sized = thick.m, thick.sized
		e.proportions, e.stages = concrete.proportions, concrete.stages
		e.bill, e.covers, e.warnings = pair.bill, pair.covers, fault.List{}
		if thick.asked.Design != nil {
			e.doubtDesign(thick.asked.Design, e.at.At("slab"))
		}
		e.warnings.Append(concrete.about.warnings...)
		e.warnings.Append(works.about.warnings...)
		e.unusual()
		e.warnings.Append(pair.warnings...)
		e.result.Concrete.GWPKgCO2ePerM3.A1A3 = Fixed{concrete.gate}
		all[i] = &e
		totals[i], _, err = s.joined(concrete, works, thick.m)
		return err
	})
	if err != nil {
		return nil, false
	}
	g.baseline = -1
	for i, e := range all {
		if g.isBaseline(i, e.Name) {
			g.baseline = i
		}
	}
	if g.baseline < 0 {
		return nil, false
	}
	warnUnusedRules(all, g.locate)
	warnNoRehabilitation(all, g.locate)
	for i, e := range all {
		progressOf(ctx)(i, len(all))
		e.printFigures(totals[i])
	}
	return all, true
}

// printFigures puts the figures of a combination where an evaluation has them.
func (e *evaluated) printFigures(f figures) {
	r := &e.result
	r.Name, r.ThicknessMM = e.Name, Plain{e.takeoff.Concrete.Shift(3)}
	r.Carbon.CradleToGateKgCO2ePerM2, r.Carbon.TotalKgCO2ePerM2 = Fixed{f.gate}, Fixed{f.total}
	if e.factors != nil {
		r.Cost = &Cost{InitialPerM2: Fixed{f.initial}, MaintenancePresentValuePerM2: Fixed{f.maintenance}, ResidualValuePerM2: Fixed{f.residual},
			NetPresentValuePerM2: Fixed{f.npv}, EquivalentAnnualPerM2: Fixed{e.factors.Annual(f.npv)}}
	}
	e.checkConsistency()
	r.Warnings = statements(e.warnings.All())
}

// search is the grid as a search has its choices.
func (g *grid) search(s *study) *search {
	q := newSearch(SearchRequest{})
	q.study, q.grid = s, grid{base: g.base}
	for i, axis := range g.req.Axes {
		c := choice{name: axis.Name, at: fault.Path("/axes").At(i), variants: g.variants[i], count: len(g.variants[i])}
		for k := range c.variants {
			c.parts |= partsOf(c.variants[k].text)
		}
		q.choices = append(q.choices, c)
	}
	q.number()
	return q
}

// gridThickness reads the thickness of a combination, or sizes it.
func (q *search) gridThickness(places []int) *gridThickness {
	t := &gridThickness{}
	for _, over := range q.layersOf(places) {
		if over.thickness == nil {
			continue
		}
		if err := json.Unmarshal(over.thickness, &t.asked); err != nil {
			return &gridThickness{broken: true}
		}
	}
	r, at := reader{}, combinations.At(q.index(places), "slab", "thickness")
	if d := t.asked.Design; d != nil {
		if t.sized = r.size(*d, at, decimal.NullDecimal{}, false); t.sized != nil {
			t.m = t.sized.ThicknessMM.Shift(-3)
		}
	} else if given, ok := r.required(t.asked.Given, "240 mm", at, unit.Length); ok {
		t.m, t.system = given.SI(), given.Unit.System
	}
	_, beyond := slab.TakeOff(slab.Geometry{Thickness: t.m})
	t.broken = !r.faults.Empty() || !beyond.Empty()
	return t
}
