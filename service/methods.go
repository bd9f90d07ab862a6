package service

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/compare"
	"slabledger/lca/fault"
	"slabledger/lca/num"
	"slabledger/lca/pavement"
)

// MethodsRequest is the body of POST /v1/methods. What is absent is chosen: see
// choices.
type MethodsRequest struct {
	Comparison        ComparisonRequest `json:"comparison"`
	Allocations       []string          `json:"allocations,omitzero"`
	Boundaries        []string          `json:"boundaries,omitzero"`
	Roundings         []Rounding        `json:"roundings,omitzero"`
	RealDiscountRates []string          `json:"real_discount_rates,omitzero"`
	Crossings         []FactorVaried    `json:"crossings,omitzero"`
}

// FactorVaried is an item whose factor is varied, to find where two alternatives change
// places.
type FactorVaried struct {
	Item    string `json:"item"`
	Low     string `json:"low"`
	High    string `json:"high"`
	Measure string `json:"measure,omitzero"` // of carbon; the total where absent
}

// MethodsResponse answers POST /v1/methods.
type MethodsResponse struct {
	Inventory     InventoryRef        `json:"inventory"`
	EngineVersion string              `json:"engine_version"`
	RequestHash   string              `json:"request_hash"`
	CarbonUnit    string              `json:"carbon_unit"`
	CostUnit      string              `json:"cost_unit"`
	Combinations  []MethodCombination `json:"combinations"`
	First         []TimesFirst        `json:"first"`
	Reversals     []MethodReversal    `json:"reversals"`
	Crossings     []FactorCrossings   `json:"crossings"`
	Notices       []string            `json:"notices"`
}

// Pinned is the version of the inventory that the answer rests on.
func (r *MethodsResponse) Pinned() string { return r.Inventory.Ref }

// MethodChoice is one choice of each kind.
type MethodChoice struct {
	Allocation       string    `json:"allocation"`
	Boundary         string    `json:"boundary"`
	Rounding         *Rounding `json:"rounding"`           // null where no slab is sized
	RealDiscountRate *string   `json:"real_discount_rate"` // null without economics
}

// MethodCombination is the comparison under one choice of each kind.
type MethodCombination struct {
	MethodChoice
	Alternatives  []MethodFigures `json:"alternatives"`
	Comparable    bool            `json:"comparable"` // the alternatives cover the same modules within the boundary
	FirstOnCost   []string        `json:"first_on_cost"`
	FirstOnCarbon []string        `json:"first_on_carbon"`
}

// MethodFigures are those of one alternative.
type MethodFigures struct {
	Name            string `json:"name"`
	NetPresentValue *Fixed `json:"net_present_value"`
	Carbon          Fixed  `json:"carbon"`
	BeyondBoundaryD *Fixed `json:"beyond_boundary_d"` // in no sum
}

// TimesFirst is in how many combinations an alternative stands first, alone or with
// others.
type TimesFirst struct {
	Name     string `json:"name"`
	OnCost   int    `json:"on_cost"`
	OnCarbon int    `json:"on_carbon"`
	OnBoth   int    `json:"on_both"`
}

// MethodReversal is a pair that stands the other way round than in the first
// combination.
type MethodReversal struct {
	On           string `json:"on"` // cost or carbon
	Lower        string `json:"lower"`
	Higher       string `json:"higher"`
	Combinations []int  `json:"combinations"` // places in the list, from 0
}

// FactorCrossings is where the factor of a co-product turns the order of the baseline
// and another alternative.
type FactorCrossings struct {
	Item        string             `json:"item"`
	FactorUnit  string             `json:"factor_unit"`
	Measure     string             `json:"measure"`
	Allocations []AllocationFactor `json:"allocations"`
	First       string             `json:"first"`
	Second      string             `json:"second"`
	Low         TieAt              `json:"low"`
	High        TieAt              `json:"high"`
	Crossings   []Crossing         `json:"crossings"`
	Ties        []TieSpan          `json:"ties,omitzero"`
	Conclusion  string             `json:"conclusion"`
}

// AllocationFactor is the factor of an item by one way of allocation.
type AllocationFactor struct {
	Allocation string `json:"allocation"`
	Factor     Plain  `json:"factor"`
}

// Boundaries of a combination (EN 15978: modules A to C, D beside).
const (
	BoundaryGate    = "A1-A3"
	BoundaryService = "A1-A5"
	BoundaryWhole   = "A-C"
)

// AllocationOwn is each item's own way of allocation.
const AllocationOwn = "own"

// Limits of a request.
const (
	maxMethodCombinations = 256
	maxMethodCrossings    = 400 // of two alternatives each
)

// Methods runs a comparison under every combination of choices of method, and tells in
// how many each alternative stands first, which pairs change places, and at which
// factor of a co-product they do.
func (s *Service) Methods(ctx context.Context, body []byte, refused ...fault.Fault) (resp *MethodsResponse, err error) {
	defer func() { err = joined(refused, err) }()
	var req MethodsRequest
	if err := json.Unmarshal(body, &req); err != nil {
		return nil, &Error{Code: Malformed, Detail: "the body cannot be read as a study of methods", Cause: err}
	}
	c, err := s.pinned(ctx, req.Comparison.Inventory)
	if err != nil {
		return nil, below("/comparison", err)
	}
	req.Comparison.Inventory = c.ref.Ref
	c = c.overriddenBy(req.Comparison.Overrides)
	all, err := s.figures(ctx, c, req.Comparison, nil)
	if err != nil {
		return nil, below("/comparison", err)
	}
	m := methods{service: s, ctx: ctx, catalogue: c, request: req, all: all, names: names(req.Comparison.Alternatives), footing: footingOf(req.Comparison, all, everyone(all))}
	m.choose()
	if !m.faults.Empty() || checksOnly(ctx, refused) {
		return nil, errFaults(m.faults.All())
	}
	resp = &MethodsResponse{Inventory: c.ref, EngineVersion: EngineVersion, CarbonUnit: "kg CO2e/m2", CostUnit: c.ref.Currency + "/m2",
		Crossings: []FactorCrossings{}, Notices: []string{Caution, "a boundary and an allocation move carbon alone, a discount rate cost alone; module D stands beside every boundary and in no sum"}}
	resp.Notices = slices.Concat(resp.Notices, c.overrideNotices(), m.footing.notices()) // of modules each combination tells
	if resp.Combinations, err = m.combinations(); err != nil {
		return nil, err
	}
	resp.First, resp.Reversals = m.firsts(resp.Combinations), m.reversals(resp.Combinations)
	if resp.Crossings, err = m.crossings(); err != nil {
		return nil, err
	}
	resp.RequestHash, err = canonicalBody(req)
	return resp, err
}

// methods is a request between reading and evaluating.
type methods struct {
	reader
	service   *Service
	ctx       context.Context //nolint:containedctx // lives as long as one request
	catalogue *catalogue
	request   MethodsRequest
	all       []totals // as the comparison stands
	footing   footing
	names     []string
	choices   []MethodChoice
}

// choose lists the combinations, in the order of the request; boundaries, which take
// no evaluation of their own, vary fastest. Where the request names none of a kind:
// the allocation of the comparison and each for which an item in use has a factor;
// all boundaries; the three policies of rounding where a slab is sized; the discount
// rate of the comparison.
func (m *methods) choose() {
	m.reader.catalogue = m.catalogue
	r := &m.request
	if r.Allocations == nil {
		r.Allocations = m.allocationsInUse()
	}
	if r.Boundaries == nil {
		r.Boundaries = []string{BoundaryGate, BoundaryService, BoundaryWhole}
	}
	onePeriod(r.Comparison, &m.faults)
	// With a nominal rate or a schedule there is no one real rate to put another for.
	if r.RealDiscountRates == nil && r.Comparison.Economics != nil && r.Comparison.Economics.RealDiscountRate != "" {
		r.RealDiscountRates = []string{r.Comparison.Economics.RealDiscountRate}
	}
	if sized := m.sized(); r.Roundings != nil && !sized {
		m.faults.Add("/roundings", "not-used", "no slab of the comparison is sized by a method, so no thickness is rounded")
	} else if r.Roundings == nil && sized {
		r.Roundings = []Rounding{{Policy: string(pavement.RoundUp)}, {Policy: string(pavement.RoundNearest)}, {Policy: string(pavement.RoundNone)}}
	}
	m.checkChoices()
	n := len(r.Allocations) * len(r.Boundaries) * max(1, len(r.Roundings)) * max(1, len(r.RealDiscountRates))
	heldTo(m.ctx, n, ActorOf(m.ctx).Limits.Combinations, "combinations", "", &m.faults)
	if n > maxMethodCombinations {
		m.faults.Add("", "compute-budget-exceeded", "%d allocations, %d boundaries, %d roundings and %d discount rates are %d combinations; accepted: up to %d",
			len(r.Allocations), len(r.Boundaries), max(1, len(r.Roundings)), max(1, len(r.RealDiscountRates)), n, maxMethodCombinations)
		return
	}
	if evaluations := n / max(1, len(r.Boundaries)) * len(m.all); evaluations > maxModelEvaluations {
		m.faults.Add("/comparison/alternatives", "compute-budget-exceeded", "%d evaluations of an alternative; accepted: up to %d", evaluations, maxModelEvaluations)
		return
	}
	roundings, rates := []*Rounding{nil}, []*string{nil}
	if len(r.Roundings) > 0 {
		roundings = pointers(r.Roundings)
	}
	if len(r.RealDiscountRates) > 0 {
		rates = pointers(r.RealDiscountRates)
	}
	for _, allocation := range r.Allocations {
		for _, rounding := range roundings {
			for _, rate := range rates {
				for _, boundary := range r.Boundaries {
					m.choices = append(m.choices, MethodChoice{allocation, boundary, rounding, rate})
				}
			}
		}
	}
	m.chooseCrossings()
}

func pointers[T any](list []T) []*T {
	out := make([]*T, len(list))
	for i := range list {
		out[i] = &list[i]
	}
	return out
}

func (m *methods) checkChoices() {
	once := func(member string, list, accepted []string) {
		for i, v := range list {
			at := fault.Path("").At(member, i)
			if accepted != nil && !slices.Contains(accepted, v) {
				m.faults.Add(at, "not-in-list", "%q; accepted: %v", short(v), accepted)
			}
			if slices.Index(list, v) < i {
				m.faults.Add(at, "duplicate-name", "%q stands in the list already", short(v))
			}
		}
	}
	once("allocations", m.request.Allocations, append([]string{AllocationOwn}, inventory.Allocations()...))
	once("boundaries", m.request.Boundaries, []string{BoundaryGate, BoundaryService, BoundaryWhole})
	once("real_discount_rates", m.request.RealDiscountRates, nil)
	for i, rate := range m.request.RealDiscountRates {
		m.yearlyRate(rate, fault.Path("/real_discount_rates").At(i))
	}
	if m.request.RealDiscountRates != nil && m.request.Comparison.Economics == nil {
		m.faults.Add("/real_discount_rates", "not-used", "the comparison has no economics, so nothing is discounted")
	} else if eco := m.request.Comparison.Economics; m.request.RealDiscountRates != nil && eco.RealDiscountRate == "" {
		m.faults.Add("/real_discount_rates", "real-nominal-mixed", "the comparison gives a nominal rate or a schedule, which no list of real rates replaces")
	}
	for i, r := range m.request.Roundings {
		at := fault.Path("/roundings").At(i)
		m.rounding(&r, at)
		if slices.Index(m.request.Roundings, r) < i {
			m.faults.Add(at, "duplicate-name", "this rounding stands in the list already")
		}
	}
}

// allocationsInUse are the allocation of the comparison and all for which an item in
// use has a factor.
func (m *methods) allocationsInUse() []string {
	own := AllocationOwn
	if d := m.request.Comparison.DataRequirements; d != nil && d.Allocation != "" {
		own = d.Allocation
	}
	list := []string{own}
	used := m.used()
	for _, allocation := range inventory.Allocations() {
		has := func(code string) bool {
			return slices.ContainsFunc(m.catalogue.entries[code].inventory.FactorData.Alternatives, func(a inventory.AllocatedFactor) bool { return a.Allocation == allocation })
		}
		if allocation != own && slices.ContainsFunc(used, has) {
			list = append(list, allocation)
		}
	}
	return list
}

// used are the items behind the comparison.
func (m *methods) used() []string {
	every := make([]int, len(m.all))
	for i := range every {
		every[i] = i
	}
	return itemsOf(m.all, every)
}

// design is where an alternative, as it is written, has a thickness that is sized.
func design(raw jsontext.Value) (members map[string]any, thickness map[string]any) {
	if err := json.Unmarshal(raw, &members); err != nil {
		return nil, nil // the comparison has been refused
	}
	slab, _ := members["slab"].(map[string]any)
	thickness, _ = slab["thickness"].(map[string]any)
	return members, thickness
}

// sized tells whether a method sizes a slab of the comparison.
func (m *methods) sized() bool {
	return slices.ContainsFunc(m.request.Comparison.Alternatives, func(raw jsontext.Value) bool {
		_, thickness := design(raw)
		return thickness != nil
	})
}

// under is the comparison under a choice.
func (m *methods) under(choice MethodChoice) (ComparisonRequest, error) {
	req := m.request.Comparison
	data := DataRequirements{}
	if req.DataRequirements != nil {
		data = *req.DataRequirements
	}
	if data.Allocation = choice.Allocation; choice.Allocation == AllocationOwn {
		data.Allocation = ""
	}
	if req.DataRequirements = &data; data == (DataRequirements{}) {
		req.DataRequirements = nil
	}
	if choice.RealDiscountRate != nil {
		economics := *req.Economics
		economics.RealDiscountRate = *choice.RealDiscountRate
		req.Economics = &economics
	}
	if choice.Rounding == nil {
		return req, nil
	}
	req.Alternatives = slices.Clone(req.Alternatives)
	for i, raw := range req.Alternatives {
		members, thickness := design(raw)
		if thickness == nil {
			continue
		}
		rounding, _ := thickness["rounding"].(map[string]any)
		if rounding == nil {
			rounding = map[string]any{}
		}
		for member, text := range map[string]string{"policy": choice.Rounding.Policy, "step": choice.Rounding.Step, "min": choice.Rounding.Min, "max": choice.Rounding.Max} {
			if text != "" {
				rounding[member] = text
			}
		}
		thickness["rounding"] = rounding
		text, err := json.Marshal(members)
		if err != nil {
			return req, &Error{Code: Internal, Detail: "the comparison cannot be changed", Cause: err}
		}
		req.Alternatives[i] = text
	}
	return req, nil
}

// carbonWithin is the carbon of an alternative within a boundary, and the modules that
// it covers there.
func carbonWithin(t totals, boundary string) (decimal.Decimal, []string) {
	covers := func(last string) []string {
		return slices.DeleteFunc(slices.Clone(t.Covers), func(module string) bool { return module < "A1" || module > last })
	}
	switch boundary {
	case BoundaryGate:
		return t.CradleToGate, covers("A3")
	case BoundaryService:
		return t.CradleToService, covers("A5")
	}
	return t.TotalCarbon, t.Covers
}

// combinations evaluates the comparison under all choices.
func (m *methods) combinations() ([]MethodCombination, error) {
	list := make([]MethodCombination, 0, len(m.choices))
	var all []totals
	for i, choice := range m.choices {
		if i%len(m.request.Boundaries) == 0 { // else only the boundary is another
			req, err := m.under(choice)
			if err != nil {
				return nil, err
			}
			if all, err = m.service.figures(m.ctx, m.catalogue, req, nil); err != nil {
				return nil, below("/comparison", err)
			}
		}
		list = append(list, m.combination(choice, all))
	}
	return list, nil
}

func (m *methods) combination(choice MethodChoice, all []totals) MethodCombination {
	out := MethodCombination{MethodChoice: choice, Comparable: true, FirstOnCost: []string{}, FirstOnCarbon: []string{}}
	priced := m.request.Comparison.Economics != nil
	costs, carbons := make([]decimal.Decimal, len(all)), make([]decimal.Decimal, len(all))
	_, reference := carbonWithin(all[0], choice.Boundary)
	for a, t := range all {
		var covers []string
		carbons[a], covers = carbonWithin(t, choice.Boundary)
		out.Comparable = out.Comparable && slices.Equal(covers, reference)
		costs[a] = t.NPV
		figures := MethodFigures{Name: m.names[a], Carbon: Fixed{carbons[a]}, BeyondBoundaryD: fixedOf(t.BeyondBoundary)}
		if priced {
			figures.NetPresentValue = &Fixed{t.NPV}
		}
		out.Alternatives = append(out.Alternatives, figures)
	}
	lowest := func(values []decimal.Decimal) []string {
		var first []string
		for _, r := range compare.Rank(m.names, values) {
			if r.Rank == 1 {
				first = append(first, r.Name)
			}
		}
		return first
	}
	alike := m.footing.ranks(MeasureNPV)
	if priced && alike {
		out.FirstOnCost = lowest(costs)
	}
	if out.Comparable && alike {
		out.FirstOnCarbon = lowest(carbons)
	}
	return out
}

// firsts counts in how many combinations each alternative stands first.
func (m *methods) firsts(list []MethodCombination) []TimesFirst {
	out := make([]TimesFirst, len(m.names))
	for a, name := range m.names {
		out[a].Name = name
		for _, c := range list {
			cost, carbon := slices.Contains(c.FirstOnCost, name), slices.Contains(c.FirstOnCarbon, name)
			for _, count := range []struct {
				is bool
				of *int
			}{{cost, &out[a].OnCost}, {carbon, &out[a].OnCarbon}, {cost && carbon, &out[a].OnBoth}} {
				if count.is {
					*count.of++
				}
			}
		}
	}
	return out
}

// reversals lists the pairs that change places, against the first combination.
func (m *methods) reversals(list []MethodCombination) []MethodReversal {
	out := []MethodReversal{}
	order := func(c MethodCombination, on string, a, b int) int {
		x, y := c.Alternatives[a], c.Alternatives[b]
		if on == "cost" {
			return x.NetPresentValue.Cmp(y.NetPresentValue.Decimal)
		}
		if !c.Comparable {
			return 0
		}
		return x.Carbon.Cmp(y.Carbon.Decimal)
	}
	for _, on := range []string{"cost", "carbon"} {
		if on == "cost" && m.request.Comparison.Economics == nil {
			continue
		}
		for a := range m.names {
			for b := range m.names[:a] {
				reference := order(list[0], on, a, b)
				r := MethodReversal{On: on, Lower: m.names[a], Higher: m.names[b]}
				if reference > 0 {
					r.Lower, r.Higher = r.Higher, r.Lower
				}
				for i, c := range list {
					if order(c, on, a, b)*reference < 0 {
						r.Combinations = append(r.Combinations, i)
					}
				}
				if r.Combinations != nil {
					out = append(out, r)
				}
			}
		}
	}
	return out
}

// chooseCrossings lists, where the request does not, the co-products in use whose factor
// has been allocated: those that say how, and supplementary cementitious materials.
func (m *methods) chooseCrossings() {
	if m.request.Crossings == nil {
		for _, code := range m.used() {
			i := m.catalogue.entries[code].inventory
			own, ok := i.Factors[i.MainFactor()]
			if !ok || i.FactorData.Allocation == "" && i.FactorData.Alternatives == nil && i.Category != inventory.SCM {
				continue
			}
			high := own
			for _, a := range i.FactorData.Alternatives {
				high = decimal.Max(high, a.Factor)
			}
			if high.IsPositive() {
				m.request.Crossings = append(m.request.Crossings, FactorVaried{Item: code, Low: "0", High: high.String()})
			}
		}
	}
	if n := len(m.request.Crossings) * (len(m.all) - 1); n > maxMethodCrossings {
		m.faults.Add("/crossings", "compute-budget-exceeded", "%d items in %d alternatives are %d searches; accepted: up to %d", len(m.request.Crossings), len(m.all), n, maxMethodCrossings)
	}
	for i := range m.request.Crossings {
		f, at := &m.request.Crossings[i], fault.Path("/crossings").At(i)
		if f.Measure == "" {
			f.Measure = MeasureTotalCarbon
		}
		if f.Measure != MeasureTotalCarbon && f.Measure != MeasureCradleToGate {
			m.faults.Add(at.At("measure"), "not-in-list", "a factor moves %s and %s", MeasureTotalCarbon, MeasureCradleToGate)
		}
		before := m.faults.Len()
		low, high := m.decimal(f.Low, at.At("low")), m.decimal(f.High, at.At("high"))
		if m.faults.Len() == before && !low.LessThan(high) {
			m.faults.Add(at.At("high"), "out-of-range", "the high end must be above the low end")
		}
		w := newWhatIf(m.catalogue, m.request.Comparison, Variable{Item: f.Item, Of: VaryFactor}, at, &m.faults)
		if m.faults.Len() > before {
			continue
		}
		for _, end := range []rangeEnd{{at.At("low"), low}, {at.At("high"), high}} {
			if why := w.refuses(end.value); why != "" {
				m.faults.Add(end.at, "out-of-range", "%s: %s", num.Canonical(end.value), why)
			}
		}
		if !slices.Contains(m.used(), f.Item) {
			m.faults.Add(at.At("item"), "not-used", "no alternative rests on %s itself", short(f.Item))
		}
	}
}

// crossings finds where the baseline and each other alternative change places as the
// factor of an item is varied.
func (m *methods) crossings() ([]FactorCrossings, error) {
	list := []FactorCrossings{}
	base := slices.Index(m.names, m.request.Comparison.Baseline)
	if base < 0 {
		return nil, errFaults(oneFault("/comparison/baseline", "alternative-unknown", fmt.Sprintf("no alternative has the name %q", short(m.request.Comparison.Baseline))))
	}
	for i, f := range m.request.Crossings {
		for other := range m.names {
			if other == base || !slices.Contains(m.all[base].Items, f.Item) && !slices.Contains(m.all[other].Items, f.Item) {
				continue
			}
			found, err := m.crossingsOf(f, base, other)
			if errors.Is(err, compare.ErrCrossings) {
				return nil, errFaults(oneFault(fault.Path("/crossings").At(i), "compute-budget-exceeded", err.Error()))
			} else if err != nil {
				return nil, below("/comparison", err)
			}
			list = append(list, found)
		}
	}
	return list, nil
}

func (m *methods) crossingsOf(f FactorVaried, base, other int) (FactorCrossings, error) {
	var faults fault.List // it has been checked
	w := newWhatIf(m.catalogue, m.request.Comparison, Variable{Item: f.Item, Of: VaryFactor}, "", &faults)
	w.chosen = []int{base, other}
	r := &BreakEvenResponse{Measure: f.Measure, First: m.names[base], Second: m.names[other], Variable: VariableApplied{w.variable, w.unit(), Plain{w.nominal()}}}
	if err := m.service.crossings(m.ctx, w, m.decimal(f.Low, ""), m.decimal(f.High, ""), r); err != nil {
		return FactorCrossings{}, err
	}
	it := w.entry.inventory
	own, _ := w.entry.factor(it.MainFactor())
	factors := []AllocationFactor{{AllocationOwn, Plain{own}}}
	for _, a := range it.FactorData.Alternatives {
		factors = append(factors, AllocationFactor{a.Allocation, Plain{a.Factor}})
	}
	return FactorCrossings{f.Item, w.unit(), f.Measure, factors, r.First, r.Second, r.Low, r.High, r.Crossings, r.Ties, r.Conclusion}, nil
}
