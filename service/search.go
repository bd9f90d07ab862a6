package service

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
	"slabledger/lca/slab"
	"slabledger/lca/unit"
)

// SearchRequest is the body of POST /v1/search: an alternative with the choices that
// are open, and what is asked of the one that is chosen.
type SearchRequest struct {
	Inventory       string           `json:"inventory"`
	FunctionalUnit  FunctionalUnit   `json:"functional_unit"`
	Economics       *Economics       `json:"economics,omitzero"`
	Overrides       []FigureOverride `json:"overrides,omitzero"`
	Strategies      []Strategy       `json:"strategies,omitzero"`
	Alternative     jsontext.Value   `json:"alternative"`
	Axes            []SearchAxis     `json:"axes"`
	ThicknessDesign *ThicknessDesign `json:"thickness_design,omitzero"` // what a given thickness is held against
	Strengths       []StrengthPoint  `json:"strengths,omitzero"`
	Minimise        string           `json:"minimise"`
	Cap             *SearchCap       `json:"cap,omitzero"`
}

// SearchCap is the most that another measure may come to.
type SearchCap struct {
	Measure string `json:"measure"`
	AtMost  string `json:"at_most"`
}

// SearchResponse answers POST /v1/search.
type SearchResponse struct {
	Head
	Minimise     string              `json:"minimise"`
	MeasureUnit  string              `json:"measure_unit"`
	Cap          *CapApplied         `json:"cap"`
	Axes         []SearchAxisUsed    `json:"axes"`
	Combinations int                 `json:"combinations"`
	Feasible     int                 `json:"feasible"`
	Interpolated int                 `json:"feasible_interpolated"`
	Infeasible   []Infeasible        `json:"infeasible"`
	Best         *SearchRow          `json:"best"`
	TieCount     int                 `json:"tie_count"`
	Ties         []SearchRow         `json:"ties"`
	RunnersUp    []SearchRow         `json:"runners_up"`
	Pareto       ParetoFront         `json:"pareto"`
	Certificate  Certificate         `json:"certificate"`
	Conclusion   string              `json:"conclusion"`
	Evaluation   *EvaluationResponse `json:"evaluation"`
	Notices      []string            `json:"notices"`
}

// Pinned is the version of the inventory that the answer rests on.
func (r *SearchResponse) Pinned() string { return r.Inventory.Ref }

// CapApplied is the cap as computed with.
type CapApplied struct {
	Measure string `json:"measure"`
	AtMost  Fixed  `json:"at_most"`
	Unit    string `json:"unit"`
}

// SearchAxisUsed is an axis with the number of its values.
type SearchAxisUsed struct {
	Name    string `json:"name"`
	Pointer string `json:"pointer,omitzero"`
	Count   int    `json:"count"`
	First   string `json:"first"`
	Last    string `json:"last"`
}

// SearchRow is one combination. Figures are null where it was not evaluated.
type SearchRow struct {
	Index                   int           `json:"index"`
	Name                    string        `json:"name"`
	Values                  []string      `json:"values"` // in the order of the axes
	RequiredMM              *Plain        `json:"required_thickness_mm"`
	ThicknessMM             *Plain        `json:"thickness_mm"`
	Governs                 string        `json:"governs"`
	Strength                *StrengthUsed `json:"strength"`
	InitialPerM2            *Fixed        `json:"initial_per_m2"`
	NetPresentValuePerM2    *Fixed        `json:"net_present_value_per_m2"`
	CradleToGateKgCO2ePerM2 *Fixed        `json:"cradle_to_gate_kg_co2e_per_m2"`
	TotalKgCO2ePerM2        *Fixed        `json:"total_kg_co2e_per_m2"`
	WithinCap               *bool         `json:"within_cap"`
}

// Infeasible counts the combinations that are left out for a reason, and shows the one
// that lacks least.
type Infeasible struct {
	Reason      string     `json:"reason"`
	Count       int        `json:"count"`
	Nearest     *SearchRow `json:"nearest"`
	Lacking     *Fixed     `json:"lacking"`
	LackingUnit string     `json:"lacking_unit"`
	Detail      string     `json:"detail"`
}

// ParetoFront is the Pareto front of cost against carbon over what can be built, within
// the cap or not.
type ParetoFront struct {
	Cost   string      `json:"cost_measure"`
	Carbon string      `json:"carbon_measure"`
	Count  int         `json:"count"`
	Rows   []SearchRow `json:"rows"`
}

// Certificate lets anybody check that none is better, by evaluating all combinations.
type Certificate struct {
	Combinations int    `json:"combinations"`
	AxisLengths  []int  `json:"axis_lengths"`
	Examined     int    `json:"examined"`
	BestIndex    *int   `json:"best_index"`
	BestValue    *Fixed `json:"best_value"`
	OutcomesHash string `json:"outcomes_hash"`
	Rule         string `json:"rule"`
	EvaluatedAt  []int  `json:"evaluated_in_full"`
}

// Reasons for which a combination cannot be chosen, in the order in which they are
// looked at.
const (
	OutsideTestedRange = "outside-tested-range"
	NoThickness        = "no-thickness"
	BelowRequired      = "thickness-below-required"
	OverCap            = "over-cap"
)

var searchReasons = [...]string{"", OutsideTestedRange, NoThickness, BelowRequired, OverCap}

// Places in searchReasons.
const (
	feasible = iota
	outsideTestedRange
	noThickness
	belowRequired
	overCap
)

// Limits of one search.
const (
	maxSearch    = 1_000_000
	maxSearchNow = 20_000 // of one that is answered at once
	// maxSearchFlows is a hundred for each of the most combinations.
	maxSearchFlows = 100_000_000
	maxTried       = 5_000 // values that are looked at one by one before the search
	maxTies        = 20
	maxRunnersUp   = 10
	maxPareto      = 200
	searchUnit     = 1024 // combinations that one worker takes at a time
)

// outcome is what one combination comes to: its figures in millionths, or why it has
// none.
type outcome struct {
	gate, total, initial, npv int64
	reason                    uint8
	interpolated              bool
}

// search is a search between reading and printing.
type search struct {
	req       SearchRequest
	grid      grid // for its layers and their names
	study     *study
	choices   []choice
	strengths *strengths
	most      int64 // of the cap, in millionths

	all, variantKey, concreteKey, worksKey, pairKey, thickKey axesKey

	laid           memo[laidOver]
	concretes      memo[*concretePart]
	works          memo[*worksPart]
	pairs          memo[*pairPart]
	thicks         memo[*thickPart]
	sizes          memo[*sizedPart]
	strengthsKnown memo[*strengthAt]

	unshared bool // every combination is evaluated by itself
	slips    []fault.Fault

	covers   uint32 // of the first combination
	outcomes []outcome
}

// Search finds the combination of the choices that has the least of a measure within a
// cap on another, by looking at every one of them. The body has passed the contract.
func (s *Service) Search(ctx context.Context, body []byte, refused ...fault.Fault) (*SearchResponse, error) {
	return s.search(ctx, body, maxSearch, refused)
}

// SearchNow is Search of as many combinations as are answered while somebody waits.
func (s *Service) SearchNow(ctx context.Context, body []byte, refused ...fault.Fault) (*SearchResponse, error) {
	return s.search(ctx, body, maxSearchNow, refused)
}

func (s *Service) search(ctx context.Context, body []byte, most int, refused []fault.Fault) (resp *SearchResponse, err error) {
	defer func() { err = joined(refused, err) }()
	var req SearchRequest
	if err := json.Unmarshal(body, &req); err != nil {
		return nil, &Error{Code: Malformed, Detail: "the body cannot be read as a search", Cause: err}
	}
	q := newSearch(req)
	faults := &q.grid.faults
	q.readChoices(most)
	heldTo(ctx, q.all.count, ActorOf(ctx).Limits.Combinations, "combinations", "/axes", &q.grid.faults)
	broken := !faults.Empty() || q.all.count == 0 // no combination can be tried
	c, refused, err := s.pinnedOrNone(ctx, "", req.Inventory, refused)
	if err != nil {
		return nil, err
	}
	q.study = readStudy(c, req.FunctionalUnit, req.Economics, req.Overrides, faults)
	q.study.brief = true
	q.study.sizes = ofAnyThickness()
	q.study.readStrategies(req.Strategies, faults)
	q.readAim()
	if broken {
		q.tryPointers()
		return nil, errFaults(faults.All())
	}
	q.readStrengths(req.Strengths)
	if q.study.lives == LivesAnnualEquivalent {
		faults.Add("/functional_unit/unequal_lives", "not-used", "a search is for the least total over one period; lives are compared by the year in a comparison")
	}
	q.unshared = q.whole()
	if err := q.try(ctx); err != nil {
		return nil, err
	}
	for _, slip := range q.slips {
		if !slices.ContainsFunc(faults.All(), func(f fault.Fault) bool { return f.Pointer == slip.Pointer }) {
			faults.Append(slip)
		}
	}
	if !faults.Empty() || checksOnly(ctx, refused) {
		return nil, errFaults(faults.All())
	}
	n, done := s.hands()
	defer done()
	if err := q.run(ctx, n); err != nil {
		return nil, err
	}
	return q.answer(ctx, s, body)
}

func newSearch(req SearchRequest) *search {
	const some, many = 1024, 8192
	return &search{req: req, laid: memo[laidOver]{most: some}, concretes: memo[*concretePart]{most: some}, works: memo[*worksPart]{most: some}, pairs: memo[*pairPart]{most: some},
		thicks: memo[*thickPart]{most: some}, sizes: memo[*sizedPart]{most: many}, strengthsKnown: memo[*strengthAt]{most: many}}
}

// readChoices reads and counts, before any work is done.
func (q *search) readChoices(most int) {
	g := &q.grid
	g.base = g.layer(q.req.Alternative, "/alternative")
	q.readAxes(q.req.Axes)
	if !g.faults.Empty() || len(q.choices) == 0 {
		return
	}
	count := 1
	for i := range q.choices {
		n := q.choices[i].count
		if n == 0 {
			return // which the contract has refused
		}
		if count > maxAxisValues*maxAxisValues/n {
			g.faults.Add("/axes", "compute-budget-exceeded", "the axes come to more than %d combinations; at most %d", maxSearch, most)
			return
		}
		count *= n
	}
	if count > most {
		detail := fmt.Sprintf("the axes come to %d combinations; at most %d", count, most)
		if most < maxSearch && count <= maxSearch {
			detail += fmt.Sprintf(" are answered at once, and up to %d as a job", maxSearch)
		}
		g.faults.Add("/axes", "compute-budget-exceeded", "%s", detail)
		return
	}
	q.number()
	bytes := q.variantKey.count * len(q.req.Alternative)
	for i := range q.choices {
		for k := range q.choices[i].variants {
			bytes += q.variantKey.count / q.choices[i].count * len(q.choices[i].variants[k].text)
		}
	}
	if bytes > maxSearchBytes {
		g.faults.Add("/axes", "compute-budget-exceeded", "the variants come to %d bytes that are laid over each other; at most %d: vary members by their pointer where that is enough", bytes, maxSearchBytes)
	}
}

// number numbers the combinations of all axes, and of those that each part depends on.
func (q *search) number() {
	q.all = q.keyOf(func(*choice) bool { return true })
	q.variantKey = q.keyOf(func(c *choice) bool { return c.variants != nil })
	q.concreteKey = q.keyOf(func(c *choice) bool { return c.parts&partConcrete != 0 })
	q.worksKey = q.keyOf(func(c *choice) bool { return c.parts&partWorks != 0 })
	q.pairKey = q.keyOf(func(c *choice) bool { return c.parts&(partConcrete|partWorks) != 0 })
	q.thickKey = q.keyOf(func(c *choice) bool { return c.parts&partThickness != 0 })
}

// whole tells that combinations do not add up by their parts: there is an uptake that
// the thickness ends, a slab that is built again, or something that is added to the cost
// of the agency.
func (q *search) whole() bool {
	parts := partsOf(q.grid.base.text)
	for i := range q.choices {
		parts |= q.choices[i].parts
	}
	e := q.study.economics
	return parts&partWhole != 0 || q.study.lives != "" || e != nil && (e.IncludeUserCost != nil && *e.IncludeUserCost || e.CarbonPrice != nil && e.CarbonPrice.InCost)
}

// maxSearchBytes bounds the text that is laid over each other, as maxGridBytes.
const maxSearchBytes = 8 * maxGridBytes

// readAim reads what is minimised, and the cap.
func (q *search) readAim() {
	faults, priced := &q.grid.faults, q.req.Economics != nil
	paid := func(measure string) bool { return measure == MeasureNPV || measure == MeasureInitial }
	if paid(q.req.Minimise) && !priced {
		faults.Add("/minimise", "required-member-missing", "the search has no economics, so nothing of it has a cost")
	}
	limit := q.req.Cap
	if limit == nil {
		return
	}
	if paid(limit.Measure) && !priced {
		faults.Add("/cap/measure", "required-member-missing", "the search has no economics, so nothing of it has a cost")
	}
	if q.study.catalogue.unknown() {
		return
	}
	want := measureUnit(q.study.catalogue, limit.Measure)
	v, behind, err := splitQuantity(limit.AtMost)
	switch micro, ok := millionths(v); {
	case err != nil:
		faults.Add("/cap/at_most", "decimal-invalid", "%q: %v", short(limit.AtMost), err)
	case behind != " "+want:
		faults.Add("/cap/at_most", "unit-incompatible", "%q: write it like %q", short(limit.AtMost), "60 "+want)
	case !ok:
		faults.Add("/cap/at_most", "out-of-range", "%q: at most 6 decimals, as figures have, and 12 digits before them", short(limit.AtMost))
	default:
		q.most = micro
	}
}

// millionths is a figure as a whole number of its last place; false where it is none,
// or too large.
func millionths(d decimal.Decimal) (int64, bool) {
	line := num.Line(d)
	if !line.Equal(d) {
		return 0, false
	}
	d = line
	shift := int(d.Exponent()) + num.Places
	if d.NumDigits()+shift > 18 {
		return 0, d.IsZero()
	}
	v := d.CoefficientInt64()
	for range shift {
		v *= 10
	}
	return v, true
}

func fromMillionths(v int64) decimal.Decimal { return decimal.New(v, -num.Places) }

// anyThickness stands in for that of a slab whose strength is not known yet.
const anyThickness = "any"

// ofAnyThickness has a design of any thickness solved.
func ofAnyThickness() map[string]sizing {
	return map[string]sizing{anyThickness: {result: &ThicknessResult{ThicknessMM: Plain{decimal.New(200, 0)}}}}
}

// try looks at the first combination, and at every value with all others as in it, so
// that nearly all faults are told before anything is computed.
func (q *search) try(ctx context.Context) error {
	told := map[fault.Fault]bool{}
	tried := 0
	first, err := q.tryOne(make([]int, len(q.choices)), nil, told)
	if err != nil {
		return err
	}
	for i := range q.choices {
		for k := 1; k < q.choices[i].count && tried < maxTried && q.grid.faults.Len() <= maxKeptFaults; k++ {
			if err := gone(ctx); err != nil {
				return err
			}
			places := make([]int, len(q.choices))
			places[i] = k
			tried++
			if _, err := q.tryOne(places, first, told); err != nil {
				return err
			}
		}
	}
	return nil
}

// tryPointers looks where the axes write, where their values cannot be tried: whether
// the alternative with the first variants has a text there.
func (q *search) tryPointers() {
	var laid resolved
	var faults fault.List
	for i := range q.choices {
		if c := &q.choices[i]; c.variants != nil && c.count == 0 || c.pointer == nil && c.variants == nil {
			return // where variants are missing, they may be what makes the place
		}
	}
	for _, over := range q.layersOf(make([]int, len(q.choices))) {
		if laid.apply(over.text, over.at, &faults); !faults.Empty() {
			return // the contract or the axes have told it
		}
	}
	for i := range q.choices {
		c := &q.choices[i]
		if c.pointer == nil {
			continue
		}
		if _, ok := withText(laid.Alternative, c.pointer, ""); !ok {
			q.grid.faults.Add(c.at.At("pointer"), "pointer-unknown", "%s", c.leadsNowhere())
		}
	}
}

// tryOne reads one combination, tells what is wrong with it, and whether it gives
// another service than the first. It returns how thick it is.
func (q *search) tryOne(places []int, first *thickPart, told map[fault.Fault]bool) (*thickPart, error) {
	tell := func(found []fault.Fault) {
		for _, f := range found[:min(len(found), maxKeptFaults)] {
			f.Pointer = q.locate(places, f.Pointer)
			if !told[f] {
				told[f] = true
				q.grid.faults.Append(f)
			}
		}
	}
	a, found := q.resolve(places)
	if tell(found); len(found) > 0 {
		return nil, nil
	}
	thick := q.thickPart(a)
	tell(thick.faults)
	if first != nil && len(thick.faults) == 0 {
		tell(thick.unlike(first, a.at.At("slab", "thickness")))
	}
	if unread := q.strengths == nil && q.req.Strengths != nil; thick.design != nil && len(thick.faults) == 0 && !unread {
		var strength *strengthAt
		if q.strengths != nil {
			strength = q.strengthAt(places)
		}
		if strength == nil || strength.tested {
			tell(thick.sizedPart(strength).faults)
		}
	} else if q.req.Strengths != nil && thick.design == nil {
		tell(oneFault("/strengths", "not-used", "a strength decides how thick a slab must be: give the thickness_design, or a design in place of the thickness"))
	}
	// After a first without a fault, those of most values are told by their parts alone.
	if first != nil && q.grid.faults.Empty() && !q.unshared && !q.study.catalogue.unknown() && thick.system == first.system {
		if _, sound := q.sound(places); sound {
			return thick, nil
		}
	}
	_, found = q.study.checked(a.ofAnyThickness())
	tell(found)
	return thick, nil
}

// unlike tells in what a slab gives another service than the first.
func (p *thickPart) unlike(first *thickPart, at fault.Path) []fault.Fault {
	var faults fault.List
	switch {
	case p.given.IsZero() != first.given.IsZero():
		faults.Add(at, "functional-equivalence-mismatch", "some combinations give a thickness and others have it sized, so they are not known to carry the same traffic")
	case p.system != unit.Neutral && first.system != unit.Neutral && p.system != first.system:
		faults.Add(at, "unit-system-mixed", "the axes write some thicknesses in %s and some in %s units", first.system, p.system)
	case p.given.IsZero():
		for _, d := range sizedApart(p.design, first.design) {
			faults.Add(at, "functional-equivalence-mismatch", "%s is %s instead of %s; all combinations of a search give the same service", d.Field, told(d.Alternative), told(d.Required))
		}
	}
	return faults.All()
}

// run looks at every combination, with so many workers at most. Each writes the
// outcomes of its own, so that their number changes nothing.
func (q *search) run(ctx context.Context, workers int) error {
	q.outcomes = make([]outcome, q.all.count)
	start := make([]int, len(q.choices))
	concrete, works := q.concreteOf(start), q.worksOf(start)
	q.covers = concrete.about.covers | works.about.covers
	if q.unshared {
		a, _ := q.resolve(start) // which has been tried
		e, err := q.alone(ctx, a.ofAnyThickness(), start)
		if err != nil {
			return err
		}
		q.covers = coverBits(e.covers)
	}
	if flows := q.all.count * (len(concrete.flows) + 1); flows > maxSearchFlows {
		return errFaults(oneFault("/axes", "compute-budget-exceeded", fmt.Sprintf("%d combinations come to %d flows of concrete; at most %d", q.all.count, flows, maxSearchFlows)))
	}
	// What is made once and kept is the smaller part; combinations that share the larger
	// one are looked at together.
	together := partConcrete
	if q.worksKey.count > q.concreteKey.count {
		together = partWorks
	}
	outer := q.keyOf(func(c *choice) bool { return c.parts&together != 0 })
	inner := q.keyOf(func(c *choice) bool { return c.parts&together == 0 })
	perOuter := (inner.count + searchUnit - 1) / searchUnit
	w := searchWork{search: q, outer: outer, inner: inner, perOuter: perOuter, units: outer.count * perOuter}
	return w.do(ctx, workers)
}

// searchWork is the units of a search.
type searchWork struct {
	search       *search
	outer, inner axesKey
	perOuter     int // units of one outer key
	units        int
	flows        atomic.Int64
}

func (w *searchWork) do(ctx context.Context, workers int) error {
	total, looked := w.search.all.count, 0
	var mutex sync.Mutex
	progressOf(ctx)(0, total)
	return spread(ctx, workers, w.units, func(unit int) error {
		count, err := w.unit(ctx, unit)
		if err != nil {
			return err
		}
		mutex.Lock()
		defer mutex.Unlock()
		looked += count
		progressOf(ctx)(looked, total)
		return nil
	})
}

// unit looks at the combinations of one unit.
func (w *searchWork) unit(ctx context.Context, unit int) (int, error) {
	q := w.search
	places := q.placesOf(w.outer, unit/w.perOuter)
	from := unit % w.perOuter * searchUnit
	to := min(from+searchUnit, w.inner.count)
	flows := 0
	for i := from; i < to; i++ {
		if err := gone(ctx); err != nil {
			return 0, err
		}
		for k, s := range w.inner.stride {
			if s > 0 {
				places[k] = i / s % q.choices[k].count
			}
		}
		n, err := q.look(ctx, places, &q.outcomes[q.index(places)])
		if err != nil {
			return 0, err
		}
		flows += n
	}
	if w.flows.Add(int64(flows)) > maxSearchFlows {
		return 0, errFaults(oneFault("/axes", "compute-budget-exceeded", fmt.Sprintf("the combinations come to more than %d flows", maxSearchFlows)))
	}
	return to - from, nil
}

func (q *search) concreteOf(places []int) *concretePart {
	k := q.concreteKey.of(places)
	return q.concretes.get(k, func() *concretePart {
		own := q.placesOf(q.concreteKey, k)
		a, found := q.resolve(own)
		if len(found) > 0 {
			return &concretePart{faults: q.located(own, found)}
		}
		p := q.study.concretePart(a.ofAnyThickness())
		p.faults = q.located(own, p.faults)
		return p
	})
}

func (q *search) worksOf(places []int) *worksPart {
	k := q.worksKey.of(places)
	return q.works.get(k, func() *worksPart {
		own := q.placesOf(q.worksKey, k)
		a, found := q.resolve(own)
		if len(found) > 0 {
			return &worksPart{faults: q.located(own, found)}
		}
		p := q.study.worksPart(a.ofAnyThickness())
		p.faults = q.located(own, p.faults)
		return p
	})
}

// ofAnyThickness has a design stand for the thickness that it will find.
func (r resolved) ofAnyThickness() resolved {
	r.design = ""
	if r.Slab != nil && r.Slab.Thickness.Design != nil {
		r.design = anyThickness
	}
	return r
}

func (q *search) thickOf(places []int) *thickPart {
	k := q.thickKey.of(places)
	return q.thicks.get(k, func() *thickPart {
		own := q.placesOf(q.thickKey, k)
		a, found := q.resolve(own)
		if len(found) > 0 {
			return &thickPart{faults: q.located(own, found)}
		}
		p := q.thickPart(a)
		p.faults = q.located(own, p.faults)
		return p
	})
}

func (q *search) located(places []int, found []fault.Fault) []fault.Fault {
	if len(found) == 0 {
		return nil
	}
	// Layers read their text again to find who wrote a member; one at a time.
	q.laid.mutex.Lock()
	defer q.laid.mutex.Unlock()
	moved := slices.Clone(found[:min(len(found), maxKeptFaults)])
	for i := range moved {
		moved[i].Pointer = q.locate(places, moved[i].Pointer)
	}
	return moved
}

// builtSlab is how thick a combination is, or why it is not to be built.
type builtSlab struct {
	reason   uint8
	detail   string
	m        decimal.Decimal
	required decimal.NullDecimal // mm
	governs  string
	strength *strengthAt
	faults   []fault.Fault
}

func (q *search) built(places []int) (b builtSlab) {
	strengths := 1
	if q.strengths != nil {
		strengths = q.strengths.key.count
		if b.strength = q.strengthAt(places); !b.strength.tested {
			b.reason, b.detail = outsideTestedRange, "no strength was tested there, nor on both sides of it"
			return b
		}
	}
	thick := q.thickOf(places)
	if b.faults = thick.faults; len(b.faults) > 0 {
		return b
	}
	b.m = thick.given
	if thick.design == nil {
		return b
	}
	k := 0
	if q.req.ThicknessDesign == nil { // the design is of the axes
		k = q.thickKey.of(places) * strengths
	}
	if q.strengths != nil {
		k += q.strengths.key.of(places)
	}
	sized := q.sizes.get(k, func() *sizedPart {
		s := thick.sizedPart(b.strength)
		s.faults = q.located(places, s.faults)
		return s
	})
	if b.faults = sized.faults; len(b.faults) > 0 {
		return b
	}
	if sized.none != "" {
		b.reason, b.detail = noThickness, sized.none
		return b
	}
	b.required, b.governs = decimal.NewNullDecimal(sized.required), sized.governs
	switch {
	case thick.given.IsZero():
		b.m = sized.built.Shift(-3)
	case thick.given.Shift(3).LessThan(sized.required):
		b.reason, b.detail = belowRequired, fmt.Sprintf("%s requires %s mm", thick.design.Method, sized.required)
	}
	return b
}

// look finds the outcome of one combination, and how many flows it has.
func (q *search) look(ctx context.Context, places []int, o *outcome) (flows int, err error) {
	b := q.built(places)
	if len(b.faults) > 0 {
		return 0, errFaults(b.faults)
	}
	o.interpolated = b.strength != nil && b.strength.between.Interpolated()
	if o.reason = b.reason; b.reason != feasible {
		if b.reason == belowRequired {
			o.gate, _ = millionths(b.required.Decimal.Sub(b.m.Shift(3)))
		}
		return 0, nil
	}
	f, flows, err := q.figures(ctx, places, b)
	if err != nil {
		return 0, err
	}
	for _, m := range []struct {
		to   *int64
		from decimal.Decimal
	}{{&o.gate, f.gate}, {&o.total, f.total}, {&o.initial, f.initial}, {&o.npv, f.npv}} {
		var ok bool
		if *m.to, ok = millionths(m.from); !ok {
			name, _ := q.nameOf(places)
			return 0, errFaults(oneFault("/axes", "out-of-range", fmt.Sprintf("%q comes to %s per m2, which is beyond what a search compares", short(name), m.from)))
		}
	}
	return flows, nil
}

// figures of a combination that can be built, and how many flows it has.
func (q *search) figures(ctx context.Context, places []int, b builtSlab) (f figures, flows int, err error) {
	concrete, works := q.concreteOf(places), q.worksOf(places)
	if found := slices.Concat(concrete.faults, works.faults); len(found) > 0 {
		return f, 0, errFaults(found)
	}
	if q.unshared {
		e, err := q.alone(ctx, q.own(places, b), places)
		if err != nil {
			return f, 0, err
		}
		return figuresOf(&e.result), len(concrete.flows) + works.flows, q.sameCover(places, coverBits(e.covers))
	}
	if err := q.fit(places, concrete, works); err != nil {
		return f, 0, err
	}
	if f, flows, err = q.study.joined(concrete, works, b.m); err != nil {
		return f, 0, &Error{Code: Internal, Detail: "the computation failed", Cause: err}
	}
	return f, flows, nil
}

// figuresOf are those of an evaluation.
func figuresOf(r *Result) figures {
	f := figures{gate: r.Carbon.CradleToGateKgCO2ePerM2.Decimal, total: r.Carbon.TotalKgCO2ePerM2.Decimal}
	if c := r.Cost; c != nil {
		f.initial, f.maintenance, f.residual, f.npv = c.InitialPerM2.Decimal, c.MaintenancePresentValuePerM2.Decimal, c.ResidualValuePerM2.Decimal, c.NetPresentValuePerM2.Decimal
	}
	return f
}

// fit holds the parts of a combination against each other and against the first.
func (q *search) fit(places []int, c *concretePart, w *worksPart) error {
	name := func() string { name, _ := q.nameOf(places); return short(name) }
	if most := slab.NewBuilder(nil).Most; len(c.flows)+w.flows > most {
		return errFaults(oneFault("/axes", "compute-budget-exceeded", fmt.Sprintf("%q comes to more than %d flows over its life", name(), most)))
	}
	if sets := slices.Concat(c.about.sets, w.about.sets); len(sets) > 1 {
		slices.Sort(sets)
		if sets = slices.Compact(sets); len(sets) > 1 {
			return errFaults(oneFault("/inventory", "characterisation-mixed", fmt.Sprintf("factors of %q that were added up with different global warming potentials cannot be summed: %s", name(), strings.Join(sets, "; "))))
		}
	}
	return q.sameCover(places, c.about.covers|w.about.covers)
}

// sameCover tells whether a total covers the modules that the first does.
func (q *search) sameCover(places []int, covers uint32) error {
	if covers == q.covers {
		return nil
	}
	name, _ := q.nameOf(places)
	return errFaults(oneFault("/axes", "cover-differs", fmt.Sprintf("the total of %q covers %s and that of the first combination %s, so none is less than the other; a plan without events is \"maintenance\": []", short(name), strings.Join(coverNames(covers), ", "), strings.Join(coverNames(q.covers), ", "))))
}

// measureOf is one figure of an outcome that has figures.
func (o *outcome) measureOf(name string) int64 {
	switch name {
	case MeasureInitial:
		return o.initial
	case MeasureTotalCarbon:
		return o.total
	case MeasureCradleToGate:
		return o.gate
	}
	return o.npv
}

// answer chooses among the outcomes and prints.
func (q *search) answer(ctx context.Context, s *Service, body []byte) (*SearchResponse, error) {
	hash, err := requestHash(body, q.study.catalogue.ref.Ref)
	if err != nil {
		return nil, err
	}
	r := &SearchResponse{Head: q.study.head(hash), Minimise: q.req.Minimise, MeasureUnit: measureUnit(q.study.catalogue, q.req.Minimise), Combinations: q.all.count,
		Infeasible: []Infeasible{}, Ties: []SearchRow{}, RunnersUp: []SearchRow{}, Notices: append([]string{Caution}, q.study.catalogue.overrideNotices()...)}
	if c := q.req.Cap; c != nil {
		r.Cap = &CapApplied{Measure: c.Measure, AtMost: Fixed{fromMillionths(q.most)}, Unit: measureUnit(q.study.catalogue, c.Measure)}
		for i := range q.outcomes {
			if o := &q.outcomes[i]; o.reason == feasible && o.measureOf(c.Measure) > q.most {
				o.reason = overCap
			}
		}
	}
	r.Certificate = Certificate{Combinations: q.all.count, Examined: len(q.outcomes), OutcomesHash: q.hash(), Rule: outcomesRule, EvaluatedAt: []int{}}
	for i := range q.choices {
		c := &q.choices[i]
		r.Axes = append(r.Axes, SearchAxisUsed{Name: c.name, Pointer: c.written, Count: c.count, First: c.text(0), Last: c.text(c.count - 1)})
		r.Certificate.AxisLengths = append(r.Certificate.AxisLengths, c.count)
	}
	shown := map[int]bool{}
	q.choose(r, shown)
	q.leaveOut(r, shown)
	q.pareto(r, shown)
	r.Conclusion = q.conclude(r)
	if err := q.verify(ctx, s, r, shown); err != nil {
		return nil, err
	}
	if q.strengths != nil {
		r.Notices = append(r.Notices, "Strengths are those of the tests that the request gives, between them interpolated along each axis; an axis on which no strength stands is taken to leave the strength as it is.")
	}
	if q.req.ThicknessDesign != nil || q.thickOf(make([]int, len(q.choices))).design != nil {
		r.Notices = append(r.Notices, ThicknessCaution)
	} else {
		r.Notices = append(r.Notices, "No method holds the thicknesses against the traffic: nothing here shows that the combinations carry the same.")
	}
	return r, nil
}

// order ranks two combinations that can be chosen: by what is minimised, then by what is
// capped, then by their place.
func (q *search) order(a, b int) int {
	x, y := &q.outcomes[a], &q.outcomes[b]
	if c := cmp.Compare(x.measureOf(q.req.Minimise), y.measureOf(q.req.Minimise)); c != 0 {
		return c
	}
	if q.req.Cap != nil {
		if c := cmp.Compare(x.measureOf(q.req.Cap.Measure), y.measureOf(q.req.Cap.Measure)); c != 0 {
			return c
		}
	}
	return cmp.Compare(a, b)
}

// choose takes the best, those that tie with it, and those that come next.
func (q *search) choose(r *SearchResponse, shown map[int]bool) {
	var can []int
	for i := range q.outcomes {
		if o := &q.outcomes[i]; o.reason == feasible {
			can = append(can, i)
			if o.interpolated {
				r.Interpolated++
			}
		}
	}
	if r.Feasible = len(can); len(can) == 0 {
		return
	}
	slices.SortFunc(can, q.order)
	best := can[0]
	value := q.outcomes[best].measureOf(q.req.Minimise)
	r.Best = q.row(best, shown)
	r.Certificate.BestIndex, r.Certificate.BestValue = &best, &Fixed{fromMillionths(value)}
	for _, i := range can[1:] {
		switch tie := q.outcomes[i].measureOf(q.req.Minimise) == value; {
		case tie:
			if r.TieCount++; len(r.Ties) < maxTies {
				r.Ties = append(r.Ties, *q.row(i, shown))
			}
		case len(r.RunnersUp) < maxRunnersUp:
			r.RunnersUp = append(r.RunnersUp, *q.row(i, shown))
		default:
			return
		}
	}
}

// leaveOut counts what cannot be chosen, and finds what lacks least.
func (q *search) leaveOut(r *SearchResponse, shown map[int]bool) {
	var counts, nearest [len(searchReasons)]int
	var least [len(searchReasons)]int64
	for i := range q.outcomes {
		o := &q.outcomes[i]
		lacking := int64(0)
		switch o.reason {
		case feasible:
			continue
		case belowRequired:
			lacking = o.gate
		case overCap:
			lacking = o.measureOf(q.req.Cap.Measure) - q.most
		}
		if counts[o.reason] == 0 || lacking < least[o.reason] {
			nearest[o.reason], least[o.reason] = i, lacking
		}
		counts[o.reason]++
	}
	for reason := outsideTestedRange; reason < len(searchReasons); reason++ {
		if counts[reason] == 0 {
			continue
		}
		left := Infeasible{Reason: searchReasons[reason], Count: counts[reason], Nearest: q.row(nearest[reason], shown)}
		switch reason {
		case belowRequired:
			left.Lacking, left.LackingUnit = &Fixed{fromMillionths(least[reason])}, "mm"
			left.Detail = fmt.Sprintf("the nearest is %s mm thinner than the %s mm that it needs", num.Canonical(left.Lacking.Decimal), left.Nearest.RequiredMM)
		case overCap:
			left.Lacking, left.LackingUnit = &Fixed{fromMillionths(least[reason])}, r.Cap.Unit
			left.Detail = fmt.Sprintf("the nearest is %s %s above the cap", num.Canonical(left.Lacking.Decimal), r.Cap.Unit)
		default:
			left.Detail = "the first of them: " + q.built(q.placesOf(q.all, nearest[reason])).detail
		}
		r.Infeasible = append(r.Infeasible, left)
	}
}

// pareto lists what can be built and is not beaten in both cost and carbon.
func (q *search) pareto(r *SearchResponse, shown map[int]bool) {
	f := ParetoFront{Cost: MeasureNPV, Carbon: MeasureTotalCarbon, Rows: []SearchRow{}}
	measures := []string{q.req.Minimise}
	if q.req.Cap != nil {
		measures = append(measures, q.req.Cap.Measure)
	}
	for _, m := range measures {
		switch m {
		case MeasureInitial:
			f.Cost = m
		case MeasureCradleToGate:
			f.Carbon = m
		}
	}
	r.Pareto = f
	if q.study.factors == nil {
		return
	}
	var can []int
	for i := range q.outcomes {
		if reason := q.outcomes[i].reason; reason == feasible || reason == overCap {
			can = append(can, i)
		}
	}
	slices.SortFunc(can, func(a, b int) int {
		x, y := &q.outcomes[a], &q.outcomes[b]
		return cmp.Or(cmp.Compare(x.measureOf(f.Cost), y.measureOf(f.Cost)), cmp.Compare(x.measureOf(f.Carbon), y.measureOf(f.Carbon)), cmp.Compare(a, b))
	})
	var last *outcome
	for _, i := range can {
		o := &q.outcomes[i]
		equal := last != nil && o.measureOf(f.Cost) == last.measureOf(f.Cost) && o.measureOf(f.Carbon) == last.measureOf(f.Carbon)
		if last != nil && !equal && o.measureOf(f.Carbon) >= last.measureOf(f.Carbon) {
			continue
		}
		last = o
		if f.Count++; len(f.Rows) < maxPareto {
			f.Rows = append(f.Rows, *q.row(i, shown))
		}
	}
	r.Pareto = f
}

// row prints a combination.
func (q *search) row(i int, shown map[int]bool) *SearchRow {
	places, o := q.placesOf(q.all, i), &q.outcomes[i]
	b := q.built(places)
	row := &SearchRow{Index: i, Governs: b.governs, RequiredMM: plainOf(b.required)}
	row.Name, row.Values = q.nameOf(places)
	if b.strength != nil && b.strength.tested {
		row.Strength = b.strength.used()
	}
	if b.m.IsPositive() {
		row.ThicknessMM = &Plain{b.m.Shift(3)}
	}
	if o.reason != feasible && o.reason != overCap {
		return row
	}
	shown[i] = true
	row.CradleToGateKgCO2ePerM2, row.TotalKgCO2ePerM2 = &Fixed{fromMillionths(o.gate)}, &Fixed{fromMillionths(o.total)}
	if q.study.factors != nil {
		row.InitialPerM2, row.NetPresentValuePerM2 = &Fixed{fromMillionths(o.initial)}, &Fixed{fromMillionths(o.npv)}
	}
	if q.req.Cap != nil {
		within := o.reason == feasible
		row.WithinCap = &within
	}
	return row
}

// outcomesRule says how the hash of the outcomes is made.
const outcomesRule = "SHA-256, hexadecimal, over one line a combination in the order of their indexes, the last axis varying fastest: the index, the figures initial_cost, net_present_value, cradle_to_gate_carbon and total_carbon per m2 with 6 decimals, and \"feasible\" or the reason, with a space between them and a line feed at the end. A figure that was not asked for, or of a combination that cannot be built, is \"-\"."

// hash is over the outcomes of all combinations in order.
func (q *search) hash() string {
	sum, line := sha256.New(), make([]byte, 0, 128)
	for i := range q.outcomes {
		o := &q.outcomes[i]
		line = strconv.AppendInt(line[:0], int64(i), 10)
		can := o.reason == feasible || o.reason == overCap
		for _, f := range []struct {
			known bool
			value int64
		}{{can && q.study.factors != nil, o.initial}, {can && q.study.factors != nil, o.npv}, {can, o.gate}, {can, o.total}} {
			if line = append(line, ' '); !f.known {
				line = append(line, '-')
				continue
			}
			line = num.AppendFixed(line, fromMillionths(f.value))
		}
		line = append(line, ' ')
		if o.reason == feasible {
			line = append(line, "feasible\n"...)
		} else {
			line = append(append(line, searchReasons[o.reason]...), '\n')
		}
		sum.Write(line)
	}
	return hex.EncodeToString(sum.Sum(nil))
}

// own is the alternative of a combination with its strength.
func (q *search) own(places []int, b builtSlab) resolved {
	a, _ := q.resolve(places) // which has been done before
	if b.strength != nil && a.Slab.Thickness.Design != nil {
		own := *a.Slab
		design := b.strength.given(*own.Thickness.Design)
		own.Thickness.Design = &design
		a.Slab = &own
	}
	return a
}

// written is a combination as an alternative by itself, with its strength and its
// thickness written out.
func (q *search) written(i int) (jsontext.Value, error) {
	places := q.placesOf(q.all, i)
	a := q.own(places, q.built(places))
	a.Name = cmp.Or(q.grid.base.name, "alternative")
	text, err := json.Marshal(a.Alternative, json.Deterministic(true))
	if err != nil {
		return nil, &Error{Code: Internal, Detail: "the combination cannot be written", Cause: err}
	}
	return text, nil
}

// verify evaluates everything that is shown by itself, as the operation for one
// alternative does, and holds the figures of the search against it. The best is shown
// in full.
func (q *search) verify(ctx context.Context, s *Service, r *SearchResponse, shown map[int]bool) error {
	for i := range shown {
		r.Certificate.EvaluatedAt = append(r.Certificate.EvaluatedAt, i)
	}
	slices.Sort(r.Certificate.EvaluatedAt)
	at := r.Certificate.EvaluatedAt
	return atOnce(ctx, len(at), func(k int) error {
		i := at[k]
		var result *Result
		if r.Best != nil && i == r.Best.Index {
			text, err := q.written(i)
			if err != nil {
				return err
			}
			body, err := json.Marshal(EvaluationRequest{Inventory: q.study.catalogue.ref.Ref, FunctionalUnit: q.req.FunctionalUnit, Economics: q.req.Economics, Overrides: q.req.Overrides,
				Strategies: q.req.Strategies, Alternative: text})
			if err != nil {
				return &Error{Code: Internal, Detail: "the combination cannot be written", Cause: err}
			}
			if r.Evaluation, err = s.Evaluate(ctx, body); err != nil {
				return q.inSearch(i, err)
			}
			result = &r.Evaluation.Alternative
		} else {
			places := q.placesOf(q.all, i)
			e, err := q.alone(ctx, q.own(places, q.built(places)), places)
			if err != nil {
				return err
			}
			result = &e.result
		}
		got := figuresOf(result)
		o := &q.outcomes[i]
		want := figures{gate: fromMillionths(o.gate), total: fromMillionths(o.total), initial: fromMillionths(o.initial), npv: fromMillionths(o.npv)}
		if !got.gate.Equal(want.gate) || !got.total.Equal(want.total) || !got.initial.Equal(want.initial) || !got.npv.Equal(want.npv) {
			return &Error{Code: Internal, Detail: "the search and the evaluation of one alternative disagree", Cause: fmt.Errorf("combination %d: %+v and %+v", i, want, got)}
		}
		return nil
	})
}

// alone evaluates one combination by itself, without lines.
func (q *search) alone(ctx context.Context, a resolved, places []int) (*evaluated, error) {
	var faults fault.List
	list, err := q.study.evaluate(ctx, []resolved{a}, func(p fault.Path) fault.Path { return p }, maxRequestFlows, &faults)
	var failed *Error
	if asInvalid(err, &failed) {
		return nil, errFaults(q.located(places, failed.Faults))
	}
	if err != nil {
		return nil, err
	}
	return list[0], nil
}

// inSearch tells of a combination that an evaluation refuses.
func (q *search) inSearch(i int, err error) error {
	var failed *Error
	if !asInvalid(err, &failed) {
		return err
	}
	places := q.placesOf(q.all, i)
	moved := slices.Clone(failed.Faults)
	for k := range moved {
		if rest, ok := strings.CutPrefix(string(moved[k].Pointer), "/alternative"); ok {
			moved[k].Pointer = q.locate(places, combinations.At(i)+fault.Path(rest))
		}
	}
	return errFaults(moved)
}

// conclude says in words what was found.
func (q *search) conclude(r *SearchResponse) string {
	least := strings.ReplaceAll(r.Minimise, "_", " ")
	if r.Best == nil {
		text := fmt.Sprintf("none of the %d combinations can be chosen", r.Combinations)
		for _, left := range r.Infeasible {
			text += fmt.Sprintf("; %d: %s, %s", left.Count, left.Reason, left.Detail)
		}
		return text
	}
	text := fmt.Sprintf("%q has the least %s, %s %s, of the %d that can be chosen among %d combinations", r.Best.Name, least, r.Certificate.BestValue.StringFixed(num.Places), r.MeasureUnit, r.Feasible, r.Combinations)
	if r.Cap != nil {
		text += fmt.Sprintf(", with a %s of at most %s %s", strings.ReplaceAll(r.Cap.Measure, "_", " "), num.Canonical(r.Cap.AtMost.Decimal), r.Cap.Unit)
	}
	if r.TieCount > 0 {
		text += fmt.Sprintf("; %d more have as little", r.TieCount)
	}
	if s := r.Best.Strength; s != nil && s.Interpolated {
		text += "; its strength is interpolated between tests"
	}
	return text
}
