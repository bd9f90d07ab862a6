package service

import (
	"fmt"
	"slices"
	"strings"
	"sync"

	"github.com/shopspring/decimal"

	"slabledger/lca/carbon"
	"slabledger/lca/cost"
	"slabledger/lca/fault"
	"slabledger/lca/mix"
	"slabledger/lca/num"
	"slabledger/lca/slab"
)

// A search computes what its combinations share once. The figures of a combination are
// sums of lines, each rounded by itself, so the lines can be summed in any parts: those
// of the concrete, whose amounts per m3 follow from the mix and are multiplied by the
// thickness; those of work that derives from the concrete; and all others, which stay
// as they are. Every line is rounded as in an evaluation, so the sums are the same.

// memo keeps what was made by its key, once where several ask for it at the same time. It
// forgets all where it grows too large; what is made again is the same.
type memo[V any] struct {
	mutex sync.Mutex
	most  int
	made  map[int]func() V
}

func (m *memo[V]) get(key int, produce func() V) V {
	m.mutex.Lock()
	once, ok := m.made[key]
	if !ok {
		if m.made == nil || len(m.made) >= m.most {
			m.made = map[int]func() V{}
		}
		once = sync.OnceValue(produce)
		m.made[key] = once
	}
	m.mutex.Unlock()
	return once()
}

// valued is a flow of concrete per m3 with what its lines are computed with.
type valued struct {
	amount num.Word
	factor num.Word
	price  num.Word
	priced bool
	gate   bool // of A1 to A3
}

// concretePart is the concrete of a combination per m3.
type concretePart struct {
	flows       []valued
	proportions mix.Proportions
	stages      []mix.StageResult
	gate        decimal.Decimal // A1 to A3, kg CO2e per m3
	about       partAbout
	faults      []fault.Fault
}

// worksPart is what a combination has beside its concrete.
type worksPart struct {
	evaluated  *evaluated // for its residual value
	takeoff    slab.Takeoff
	sums       sums        // of what does not derive from the concrete
	lines      []cost.Line // of the same, where the residual value asks for them
	ofConcrete []slab.Operation
	flows      int
	about      partAbout
	faults     []fault.Fault
}

// partAbout is what must hold between the parts of a combination.
type partAbout struct {
	covers   uint32   // modules that the part declares, a bit each in the order of carbon.Modules
	sets     []string // of characterisation factors that its items were added up with, sorted
	sources  []*entry // that its flows rest on, in order of their codes
	moved    []bool   // which transport rules it used
	warnings []fault.Fault
}

// sums of lines per m2.
type sums struct {
	gate, total, initial, maintenance num.Total
}

func (s *sums) add(o sums) {
	s.gate.AddTotal(o.gate)
	s.total.AddTotal(o.total)
	s.initial.AddTotal(o.initial)
	s.maintenance.AddTotal(o.maintenance)
}

// emit counts the emission of a flow.
func (s *sums) emit(module string, gwp decimal.Decimal) {
	if module == "D" {
		return // stands beside the total
	}
	s.total.Add(gwp)
	if carbon.Stage(module) == "A1-A3" {
		s.gate.Add(gwp)
	}
}

// note keeps what must hold between the parts, of one that was read after so many
// warnings.
func (a *partAbout) note(e *evaluated, warned int, covers ...string) {
	for i := range e.bill.Flows {
		if m := e.bill.Flows[i].Module; m != "D" && m != "A1-A3" {
			covers = append(covers, m)
		}
	}
	a.sources = e.sources()
	for _, it := range a.sources {
		if set := it.inventory.FactorData.Characterisation; set != "" && !slices.Contains(a.sets, set) {
			a.sets = append(a.sets, set)
		}
	}
	a.covers, a.moved, a.warnings = coverBits(covers), e.bill.Used, e.warnings.All()[warned:]
	slices.Sort(a.sets)
}

// coverBits are the modules of a list, a bit each.
func coverBits(covers []string) (bits uint32) {
	for i, name := range carbon.Modules() {
		if slices.Contains(covers, name) {
			bits |= 1 << i
		}
	}
	return bits
}

// coverNames lists which modules a total covers.
func coverNames(covers uint32) (names []string) {
	for i, name := range carbon.Modules() {
		if covers&(1<<i) != 0 {
			names = append(names, name)
		}
	}
	return names
}

// begin is an alternative before its parts are read.
func (s *study) begin(a resolved) *evaluated {
	e := &evaluated{resolved: a, study: s, reader: reader{catalogue: s.catalogue}}
	e.readLife()
	e.bill = slab.NewBuilder(e.transportRules())
	e.readSlab()
	return e
}

// concretePart reads the concrete of an alternative.
func (s *study) concretePart(a resolved) *concretePart {
	if a.Slab != nil { // what else the slab has is read with the works
		own := *a.Slab
		own.Joints, own.Layers = nil, nil
		a.Slab = &own
	}
	e := s.begin(a)
	warned := e.warnings.Len() // of a slab that is not yet as thick as it will be
	e.readMix()
	e.faults.Append(e.bill.Faults.All()...)
	e.gaps()
	p := &concretePart{faults: e.faults.All(), proportions: e.proportions, stages: e.stages}
	if len(p.faults) > 0 {
		return p
	}
	covers := []string{"A1", "A2", "A3", "A4"}
	if e.Slab.Waste != nil {
		covers = append(covers, "A5")
	}
	p.about.note(e, warned, covers...)
	p.flows = make([]valued, len(e.bill.Concrete))
	var gate num.Total
	for i := range e.bill.Concrete {
		f := &e.bill.Concrete[i]
		it := s.catalogue.of(f)
		factor, _ := s.factor(it, f.Factor) // gaps has found it
		v := valued{amount: num.NewWord(f.Amount), factor: num.NewWord(factor), gate: carbon.Stage(f.Module) == "A1-A3"}
		if s.factors != nil && f.Unpriced == "" {
			v.priced, v.price = true, num.NewWord(it.inventory.Price.Amount)
		}
		if v.gate {
			gate.Add(carbon.Line(f.Amount, factor))
		}
		p.flows[i] = v
	}
	p.gate = gate.Value()
	return p
}

// at sums the lines of the concrete for a slab of so many metres.
func (p *concretePart) at(thickness decimal.Decimal) (s sums) {
	deep := num.NewWord(thickness)
	for i := range p.flows {
		f := &p.flows[i]
		amount := num.AmountOfWords(f.amount, deep)
		if f.gate {
			s.gate.AddLineOf(amount, f.factor)
		} else {
			s.total.AddLineOf(amount, f.factor)
		}
		if f.priced {
			s.initial.AddLineOf(amount, f.price) // of year 0, which nothing escalates or discounts
		}
	}
	s.total.AddTotal(s.gate)
	return s
}

// worksPart reads what an alternative has beside its concrete.
func (s *study) worksPart(a resolved) *worksPart {
	e := s.begin(a)
	warned := e.warnings.Len()
	e.serviceLevel(a.Service, a.at.At("service"))
	e.readSpecified()
	if e.Slab != nil {
		e.products()
	}
	e.operations()
	e.faults.Append(e.bill.Faults.All()...)
	e.checkResidual()
	e.gaps()
	w := &worksPart{evaluated: e, takeoff: e.takeoff, flows: len(e.bill.Flows), faults: e.faults.All()}
	if len(w.faults) > 0 {
		return w
	}
	var covers []string
	if len(e.Construction) > 0 {
		covers = append(covers, "A5")
	}
	if e.planned {
		covers = append(covers, "B2", "B3", "B4", "B5")
	}
	w.about.note(e, warned, covers...)
	w.ofConcrete = e.bill.OfConcrete
	fixed := make([]slab.Flow, 0, len(e.bill.Flows))
	from := 0
	for _, o := range w.ofConcrete {
		fixed = append(fixed, e.bill.Flows[from:o.First]...)
		from = o.First + o.Count
	}
	fixed = append(fixed, e.bill.Flows[from:]...)
	var err error
	if w.sums, w.lines, err = s.value(fixed); err != nil {
		w.faults = oneFault(a.at, "out-of-range", fmt.Sprintf("the costs cannot be valued: %v", err))
	}
	if len(e.lives) == 0 {
		w.lines = nil // no residual value rests on them
	}
	e.bill, e.used, e.named = slab.NewBuilder(nil), nil, nil
	return w
}

// pairPart is what a concrete and the works beside it are together.
type pairPart struct {
	covers   []string
	bill     *slab.Builder // for the transport rules that were used
	warnings []fault.Fault
	sound    bool // nothing that depends on both has a fault, whatever the thickness
}

// sound tells that the concrete and the works of a combination have no fault, by
// themselves or together; a thickness in the units of the slab adds none then. Where it
// cannot be told from the parts, it is false.
func (q *search) sound(places []int) (*pairPart, bool) {
	concrete, works := q.concreteOf(places), q.worksOf(places)
	// Well below its limit of flows, an alternative cannot have met it while it was read.
	if concrete.faults != nil || works.faults != nil || len(concrete.flows)+works.flows > slab.NewBuilder(nil).Most/2 {
		return nil, false
	}
	pair := q.pairs.get(q.pairKey.of(places), func() *pairPart { return q.study.pairPart(concrete, works) })
	return pair, pair.sound
}

// pairPart holds the data behind a concrete and its works against what is demanded of
// them.
func (s *study) pairPart(concrete *concretePart, works *worksPart) *pairPart {
	p := &pairPart{covers: coverNames(concrete.about.covers | works.about.covers), bill: slab.NewBuilder(nil)}
	sources := slices.Concat(concrete.about.sources, works.about.sources)
	slices.SortFunc(sources, func(a, b *entry) int { return strings.Compare(a.Code, b.Code) })
	sources = slices.Compact(sources)
	for _, it := range sources {
		if price := it.inventory.Price; price != nil && price.MinQuantity.Valid {
			return p // whether its price holds depends on the thickness
		}
	}
	e := evaluated{study: s, reader: reader{catalogue: s.catalogue}, bill: p.bill}
	e.checkSources(sources)
	for i, used := range concrete.about.moved {
		p.bill.Used = append(p.bill.Used, used || works.about.moved[i])
	}
	p.warnings, p.sound = e.warnings.All(), e.faults.Empty()
	return p
}

// value sums the lines of flows, and lists those of money.
func (s *study) value(flows []slab.Flow) (out sums, lines []cost.Line, err error) {
	var paid []cost.Flow
	for i := range flows {
		f := &flows[i]
		it := s.catalogue.of(f)
		factor, _ := s.factor(it, f.Factor) // gaps has found it
		out.emit(f.Module, carbon.Line(f.Amount, factor))
		if s.factors != nil && f.Unpriced == "" {
			paid = append(paid, s.agencyFlow(it, f))
		}
	}
	if len(paid) == 0 {
		return out, nil, nil
	}
	p, err := s.factors.Present(paid)
	if err != nil {
		return out, nil, err
	}
	out.initial.Add(p.Initial)
	out.maintenance.Add(p.Maintenance)
	return out, p.Lines, nil
}

// figures of one combination per m2, as an evaluation prints them.
type figures struct {
	gate, total                         decimal.Decimal // kg CO2e
	initial, maintenance, residual, npv decimal.Decimal
}

// joined are the figures of a slab of so many metres of a concrete, with its works. It
// also tells how many flows it looked at.
func (s *study) joined(c *concretePart, w *worksPart, thickness decimal.Decimal) (f figures, flows int, err error) {
	all, lines := c.at(thickness), w.lines
	all.add(w.sums)
	flows = len(c.flows)
	if len(w.ofConcrete) > 0 {
		takeoff, again := w.takeoff, slab.NewBuilder(nil)
		takeoff.Concrete = thickness
		for i := range w.ofConcrete {
			o := &w.ofConcrete[i]
			again.AddOperation(o.Item, o.Factor, takeoff, c.proportions.Density, o.Share, o.Module, o.Use, o.Year, o.Unpriced, o.At)
		}
		flows += len(again.Flows)
		own, ownLines, err := s.value(again.Flows)
		if err != nil {
			return f, flows, err
		}
		all.add(own)
		if len(w.evaluated.lives) > 0 {
			lines = slices.Concat(lines, ownLines)
		}
	}
	f.gate, f.total = all.gate.Value(), all.total.Value()
	if s.factors == nil {
		return f, flows, nil
	}
	f.initial, f.maintenance = all.initial.Value(), all.maintenance.Value()
	f.npv = f.initial.Add(f.maintenance)
	if w.evaluated.Residual == nil {
		return f, flows, nil
	}
	credits, err := w.evaluated.residual(cost.Result{Initial: f.initial, Lines: lines})
	if err != nil || len(credits) == 0 {
		return f, flows, err
	}
	apart, err := s.factors.Present(credits)
	if err != nil {
		return f, flows, err
	}
	f.residual = apart.Residual
	f.npv = f.npv.Sub(f.residual)
	return f, flows, nil
}
