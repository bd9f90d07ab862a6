package service

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// Variable is one number behind a comparison that is varied: the price or the main
// factor of an item, any member of the request by its pointer, or a price of carbon
// that is added to the cost.
type Variable struct {
	Item        string `json:"item,omitzero"`
	Of          string `json:"of,omitzero"` // VaryPrice or VaryFactor, of the item
	Pointer     string `json:"pointer,omitzero"`
	Unit        string `json:"unit,omitzero"` // of the member: "km", "%", "% by volume"; empty for a plain decimal
	CarbonPrice bool   `json:"carbon_price,omitzero"`
}

// What of an item is varied.
const (
	VaryPrice  = "price"
	VaryFactor = "factor"
)

// Measures that alternatives are compared by.
const (
	MeasureNPV          = "net_present_value"
	MeasureInitial      = "initial_cost"
	MeasureTotalCarbon  = "total_carbon"
	MeasureCradleToGate = "cradle_to_gate_carbon"
	// MeasureNPVWithCarbon is there where the comparison has a price of carbon.
	MeasureNPVWithCarbon = "net_present_value_with_carbon"
)

// whatIf evaluates a comparison again and again with one number changed.
type whatIf struct {
	catalogue *catalogue
	request   ComparisonRequest
	variable  Variable
	entry     *entry // of the item that is varied
	chosen    []int  // alternatives to evaluate
	count     int    // evaluations so far, of one alternative each
}

// totals are the figures of one alternative, per m2.
type totals struct {
	NPV, Initial, TotalCarbon, CradleToGate decimal.Decimal
	CarbonCost                              decimal.Decimal     // present value of the emissions at the price of carbon; zero without one
	CradleToService                         decimal.Decimal     // A1 to A5, as far as declared
	BeyondBoundary                          decimal.NullDecimal // D
	Covers                                  []string            // the modules in the total
	Unequal                                 string              // why its service is not the baseline's; where all are evaluated
	Items                                   []string            // that the figures rest on, sorted
}

func (t totals) measure(name string) decimal.Decimal {
	switch name {
	case MeasureInitial:
		return t.Initial
	case MeasureTotalCarbon:
		return t.TotalCarbon
	case MeasureCradleToGate:
		return t.CradleToGate
	case MeasureNPVWithCarbon:
		return t.NPV.Add(t.CarbonCost)
	}
	return t.NPV
}

// newWhatIf checks that the variable is in the comparison, which has been computed as
// it stands.
func newWhatIf(c *catalogue, req ComparisonRequest, v Variable, at fault.Path, faults *fault.List) *whatIf {
	w := &whatIf{catalogue: c, request: req, variable: v}
	given := 0
	for _, is := range []bool{v.Item != "", v.Pointer != "", v.CarbonPrice} {
		if is {
			given++
		}
	}
	switch {
	case given != 1:
		faults.Add(at, "one-of", "a variable is the price or factor of an item, a member of the comparison by its pointer, or carbon_price")
	case v.Item != "":
		r := reader{catalogue: c}
		if w.entry = r.item(v.Item, at.At("item")); w.entry == nil {
			faults.Append(r.faults.All()...)
			break
		}
		_, known := w.entry.factor(w.entry.inventory.MainFactor())
		switch {
		case v.Of != VaryPrice && v.Of != VaryFactor:
			faults.Add(at.At("of"), "not-in-list", "of an item it is the price or the factor that is varied")
		case v.Of == VaryPrice && w.entry.inventory.Price == nil:
			faults.Add(at.At("of"), "price-missing", "%s has no price of its own in %s", v.Item, c.ref.Ref)
		case v.Of == VaryFactor && !known:
			faults.Add(at.At("of"), "factor-missing", "%s has no factor of its own in %s", v.Item, c.ref.Ref)
		}
	case variesOverride(v.Pointer):
		faults.Add(at.At("pointer"), "pointer-unknown", "a figure that the comparison overrides is varied by its item, as in {\"item\": \"cement-cem-i\", \"of\": \"price\"}")
	case v.Pointer != "":
		text, ok := w.member(v.Pointer)
		if !ok {
			faults.Add(at.At("pointer"), "pointer-unknown", "%q leads to no text of the comparison; it begins with /economics, /functional_unit, /strategies or /alternatives", short(v.Pointer))
		} else if _, own, _ := strings.Cut(text, " "); own != v.Unit {
			faults.Add(at.At("unit"), "unit-incompatible", "the member is %q, so its unit is %q", short(text), short(own))
		}
	}
	return w
}

// unit is that of the variable.
func (w *whatIf) unit() string {
	switch {
	case w.variable.CarbonPrice:
		return w.catalogue.ref.Currency + "/t CO2e"
	case w.entry == nil:
		return w.variable.Unit
	case w.variable.Of == VaryPrice:
		return w.entry.priceUnit
	}
	return w.entry.factorUnit
}

// nominal is the variable as the comparison has it.
func (w *whatIf) nominal() decimal.Decimal {
	switch {
	case w.variable.CarbonPrice:
		return decimal.Zero
	case w.variable.Of == VaryPrice:
		return w.entry.inventory.Price.Amount
	case w.variable.Of == VaryFactor:
		if r := w.request.DataRequirements; r != nil {
			for _, a := range w.entry.inventory.FactorData.Alternatives {
				if a.Allocation == r.Allocation {
					return a.Factor
				}
			}
		}
		v, _ := w.entry.factor(w.entry.inventory.MainFactor())
		return v
	}
	text, _ := w.member(w.variable.Pointer)
	number, _, _ := strings.Cut(text, " ")
	v, err := num.Parse(number)
	if err != nil {
		return decimal.Zero // the comparison with it has been refused
	}
	return v
}

// member finds the text of a member of the comparison.
func (w *whatIf) member(pointer string) (string, bool) {
	text, err := json.Marshal(w.request)
	if err != nil {
		return "", false
	}
	var document any
	if err := json.Unmarshal(text, &document); err != nil || !strings.HasPrefix(pointer, "/") {
		return "", false
	}
	at, ok := follow(document, pointer)
	found, isText := at.(string)
	return found, ok && isText
}

// at evaluates the chosen alternatives with the variable at a value.
func (w *whatIf) at(ctx context.Context, s *Service, value decimal.Decimal) ([]totals, error) {
	c, req, err := w.applied(value)
	if err != nil {
		return nil, err
	}
	list, err := s.figuresOrFaults(ctx, c, req, figuresWanted{chosen: w.chosen, zeroToo: w.variable.Pointer != "" && value.IsZero()})
	if err != nil {
		return nil, err
	}
	w.count += len(list)
	if w.variable.CarbonPrice {
		for i := range list {
			list[i].NPV = list[i].NPV.Add(num.Line(list[i].TotalCarbon.Mul(value).Shift(-3)))
		}
	}
	return list, nil
}

// text is a value as the member of the request has it.
func (w *whatIf) text(value decimal.Decimal) string {
	if w.variable.Unit == "" {
		return num.Canonical(value)
	}
	return num.Canonical(value) + " " + w.variable.Unit
}

// applied is the comparison, and the catalogue behind it, with the variable at a value.
func (w *whatIf) applied(value decimal.Decimal) (*catalogue, ComparisonRequest, error) {
	switch {
	case w.entry != nil:
		return w.catalogue.with(w.entry, w.variable.Of, value), w.request, nil
	case w.variable.Pointer != "":
		req, err := withMember(w.request, w.variable.Pointer, w.text(value))
		return w.catalogue, req, err
	}
	return w.catalogue, w.request, nil
}

// refuses says why a value of the variable could stand in no inventory; empty where it
// could. What a member of the comparison can be, the comparison itself tells.
func (w *whatIf) refuses(value decimal.Decimal) string {
	switch {
	case !value.IsNegative() || w.entry == nil && !w.variable.CarbonPrice:
		return ""
	case w.variable.CarbonPrice:
		return "a price of carbon is 0 or more"
	}
	return "the " + w.variable.Of + " of an item is 0 or more"
}

// figures evaluates some alternatives of a comparison, or all.
func (s *Service) figures(ctx context.Context, c *catalogue, req ComparisonRequest, chosen []int) ([]totals, error) {
	return s.figuresOrFaults(ctx, c, req, figuresWanted{chosen: chosen})
}

// figuresWanted is how a comparison is evaluated.
type figuresWanted struct {
	chosen    []int // alternatives; nil for all
	checkOnly bool  // faults are wanted, no figures
	zeroToo   bool  // what is varied stands at zero, which an amount or a distance may then be
}

// figuresOrFaults is figures, or it only looks for faults.
func (s *Service) figuresOrFaults(ctx context.Context, c *catalogue, req ComparisonRequest, want figuresWanted) ([]totals, error) {
	chosen := want.chosen
	var faults fault.List
	study := readStudy(c, req.FunctionalUnit, req.Economics, req.Overrides, &faults)
	study.readRequirements(req.DataRequirements, &faults)
	study.readStrategies(req.Strategies, &faults)
	study.brief, study.itemsToo, study.checkOnly = true, chosen == nil, want.checkOnly
	study.zeroToo = want.zeroToo
	raw, at, places := req.Alternatives, alternativeAt, chosen
	if chosen != nil {
		needed := standingOn(raw, chosen)
		some := make([]jsontext.Value, len(needed))
		places = make([]int, len(chosen))
		for i, k := range needed {
			some[i] = raw[k]
			for n, c := range chosen {
				if c == k {
					places[n] = i
				}
			}
		}
		raw, at = some, func(i int) fault.Path { return alternativeAt(needed[i]) }
	}
	all, unresolved := resolve(raw, at)
	faults.Append(unresolved.All()...)
	if chosen != nil && faults.Empty() {
		some := make([]resolved, len(chosen))
		for i, k := range places {
			some[i] = all[k]
		}
		all = some
	}
	locate := func(p fault.Path) fault.Path { return p }
	if chosen == nil { // the others have been found without a fault
		body, err := json.Marshal(req)
		if err != nil {
			return nil, &Error{Code: Internal, Detail: "the comparison cannot be written", Cause: err}
		}
		locate = newLocator(body, all).locate
	}
	evaluations, err := study.evaluate(ctx, all, locate, maxRequestFlows, &faults)
	if err != nil {
		return nil, err
	}
	list := make([]totals, len(evaluations))
	for i, e := range evaluations {
		list[i] = totalsIn(&e.result)
		list[i].Items = e.items
	}
	if base := slices.Index(names(raw), req.Baseline); chosen == nil && base >= 0 {
		for i, e := range evaluations {
			if eq := equivalence(study.service, e, evaluations[base], byBaseline); !eq.Met {
				list[i].Unequal = eq.Reason
			}
		}
	}
	return list, nil
}

// footing tells what an answer must say where alternatives do not compare: that they
// give other service than the baseline, or that their carbon covers other modules.
type footing struct {
	service, carbon string // empty where it is equal
	override        *Override
}

// footingOf is that of some alternatives, of which all figures are known.
func footingOf(req ComparisonRequest, all []totals, chosen []int) footing {
	f := footing{override: req.EquivalenceOverride}
	listed := names(req.Alternatives)
	for _, i := range chosen {
		if all[i].Unequal != "" && f.service == "" {
			f.service = fmt.Sprintf("not all alternatives give the same service: %q, %s", listed[i], all[i].Unequal)
		}
		if !slices.Equal(all[i].Covers, all[chosen[0]].Covers) {
			f.carbon = "the totals of carbon cover different modules, so that one is lower says nothing of what the other leaves out"
		}
	}
	return f
}

// everyone is the places of all alternatives.
func everyone(all []totals) []int {
	places := make([]int, len(all))
	for i := range places {
		places[i] = i
	}
	return places
}

// notices are what an answer says beside figures that do not compare.
func (f footing) notices(measures ...string) []string {
	var list []string
	switch {
	case f.service != "" && f.override != nil:
		list = append(list, f.service+"; compared because the request says so: "+f.override.Reason)
	case f.service != "":
		list = append(list, f.service+"; a lower figure does not make one of them the better")
	}
	if f.carbon != "" && slices.Contains(measures, MeasureTotalCarbon) {
		list = append(list, f.carbon)
	}
	return list
}

// ranks tells whether alternatives may be ranked by a measure.
func (f footing) ranks(measure string) bool {
	return (f.service == "" || f.override != nil) && (f.carbon == "" || measure != MeasureTotalCarbon)
}

// totalsIn are the figures of a result, without the items that they rest on.
func totalsIn(r *Result) totals {
	c := &r.Carbon
	t := totals{TotalCarbon: c.TotalKgCO2ePerM2.Decimal, CradleToGate: c.CradleToGateKgCO2ePerM2.Decimal, Covers: c.TotalCovers}
	for _, stage := range c.StageTotals {
		if stage.Stage == "product" || stage.Stage == "construction process" {
			t.CradleToService = t.CradleToService.Add(stage.DeclaredPart.Decimal)
		}
	}
	if d := c.BeyondBoundaryDKgCO2ePerM2; d != nil {
		t.BeyondBoundary = decimal.NewNullDecimal(d.Decimal)
	}
	if cost := r.Cost; cost != nil {
		t.NPV, t.Initial = cost.NetPresentValuePerM2.Decimal, cost.InitialPerM2.Decimal
		if cost.CarbonPrice != nil && !cost.CarbonPrice.InCost { // else the net present value has it
			t.CarbonCost = cost.CarbonPrice.PresentValuePerM2.Decimal
		}
	}
	return t
}

// standingOn lists some alternatives and those that they are like, directly or by way
// of others, in their order.
func standingOn(raw []jsontext.Value, chosen []int) []int {
	type head struct {
		Name string `json:"name"`
		Like string `json:"like"`
	}
	heads, byName := make([]head, len(raw)), map[string]int{}
	for i, r := range raw {
		if err := json.Unmarshal(r, &heads[i]); err != nil {
			continue // the comparison has been refused
		}
		if _, taken := byName[heads[i].Name]; !taken {
			byName[heads[i].Name] = i
		}
	}
	needed := map[int]bool{}
	for _, i := range chosen {
		for !needed[i] {
			needed[i] = true
			next, known := byName[heads[i].Like]
			if !known {
				break
			}
			i = next
		}
	}
	return slices.Sorted(maps.Keys(needed))
}

// with is the catalogue with another price or main factor of one item. The factor
// stands whatever the allocation.
func (c *catalogue) with(e *entry, of string, value decimal.Decimal) *catalogue {
	item := *e.inventory
	if of == VaryPrice {
		price := *item.Price
		price.Amount = value
		item.Price = &price
	} else {
		item.Factors = maps.Clone(item.Factors)
		item.Factors[item.MainFactor()] = value
		item.FactorData.Alternatives = nil
	}
	return c.having(e, &item)
}

// scaled is the catalogue with the price, where it has one, and every factor of one
// item times a number each.
func (c *catalogue) scaled(e *entry, price, factor decimal.Decimal) *catalogue {
	item := *e.inventory
	if item.Price != nil {
		scaled := *item.Price
		scaled.Amount = scaled.Amount.Mul(price)
		item.Price = &scaled
	}
	item.Factors = maps.Clone(item.Factors)
	for key, v := range item.Factors {
		item.Factors[key] = v.Mul(factor)
	}
	item.FactorData.Alternatives = slices.Clone(item.FactorData.Alternatives)
	for i := range item.FactorData.Alternatives {
		a := &item.FactorData.Alternatives[i]
		a.Factor = a.Factor.Mul(factor)
	}
	return c.having(e, &item)
}

// having is the catalogue with other numbers of one item.
func (c *catalogue) having(e *entry, item *inventory.Item) *catalogue {
	return c.replaced(e.having(item))
}

// having is the entry with other numbers of its item.
func (e *entry) having(item *inventory.Item) *entry {
	changed := *e
	for k, key := range factorOrder {
		v, ok := item.Factors[key]
		changed.factors[k] = decimal.NullDecimal{Decimal: v, Valid: ok}
	}
	changed.inventory = item
	return &changed
}

// replaced is the catalogue with other entries of the same items.
func (c *catalogue) replaced(changed ...*entry) *catalogue {
	other := *c
	other.list, other.entries = slices.Clone(c.list), maps.Clone(c.entries)
	for _, e := range changed {
		other.list[e.Index], other.entries[e.Code] = e, e
		if c.mixing != nil && c.mixing.Code == e.Code {
			other.mixing = e
		}
		if c.disposal != nil && c.disposal.Code == e.Code {
			other.disposal = e
		}
	}
	return &other
}

// withMember is a comparison with another text at a pointer.
func withMember(req ComparisonRequest, pointer, text string) (ComparisonRequest, error) {
	fail := func(err error) (ComparisonRequest, error) {
		return req, &Error{Code: Internal, Detail: "the comparison cannot be changed", Cause: err}
	}
	body, err := json.Marshal(req)
	if err != nil {
		return fail(err)
	}
	var document any
	if err := json.Unmarshal(body, &document); err != nil {
		return fail(err)
	}
	parent, last := pointer[:strings.LastIndexByte(pointer, '/')], fault.Unescape(pointer[strings.LastIndexByte(pointer, '/')+1:])
	at, _ := follow(document, parent)
	object, ok := at.(map[string]any)
	if !ok {
		return req, errFaults(oneFault("/variable/pointer", "pointer-unknown", "the pointer leads to no member of an object"))
	}
	object[last] = text
	if body, err = json.Marshal(document); err != nil {
		return fail(err)
	}
	var changed ComparisonRequest
	if err := json.Unmarshal(body, &changed); err != nil {
		return fail(err)
	}
	return changed, nil
}

// names lists the alternatives of a request by their names.
func names(alternatives []jsontext.Value) []string {
	list := make([]string, len(alternatives))
	for i, raw := range alternatives {
		var head struct {
			Name string `json:"name"`
		}
		if err := json.Unmarshal(raw, &head); err == nil { // else the comparison has been refused
			list[i] = head.Name
		}
	}
	return list
}
