package service

import (
	"context"
	"slices"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/lca/mix"
	"slabledger/lca/num"
	"slabledger/lca/slab"
	"slabledger/lca/unit"
)

// CheckMix proportions a mix and checks it: volume, water, ranges, batch plan,
// staging and a delivery. The body has passed the contract.
func (s *Service) CheckMix(ctx context.Context, body []byte, refused ...fault.Fault) (*MixCheckResponse, error) {
	return s.checkMix(ctx, body, false, refused)
}

// BatchSheet is CheckMix for a sheet to weigh by, for which the request must ask for
// a batch plan.
func (s *Service) BatchSheet(ctx context.Context, body []byte, refused ...fault.Fault) (*MixCheckResponse, error) {
	return s.checkMix(ctx, body, true, refused)
}

func (s *Service) checkMix(ctx context.Context, body []byte, sheet bool, refused []fault.Fault) (resp *MixCheckResponse, err error) {
	defer func() { err = joined(refused, err) }()
	var req MixCheckRequest
	if err := json.Unmarshal(body, &req); err != nil {
		return nil, &Error{Code: Malformed, Detail: "the body cannot be read as a mix check", Cause: err}
	}
	c, refused, err := s.pinnedOrNone(ctx, "", req.Inventory, refused)
	if err != nil {
		return nil, err
	}
	m := newMixCheck(c, req)
	m.formOnly = len(refused) > 0
	resp = m.check()
	if sheet && req.BatchPlan == nil {
		m.faults.Add("/batch_plan", "required-member-missing", "a batch sheet is the print of a batch plan: say the batch, such as {\"mixer_volume\": \"1.0 m3\"}, or accept application/json")
	}
	if !m.faults.Empty() || m.formOnly {
		return nil, errFaults(m.faults.All())
	}
	if resp.RequestHash, err = requestHash(body, c.ref.Ref); err != nil {
		return nil, err
	}
	return resp, nil
}

// mixCheck is a mix check between reading and printing. The mix is that of an
// alternative that stands at the root of the request and has no slab.
type mixCheck struct {
	evaluated
	req      MixCheckRequest
	exposure []string // classes that have limits
	counted  *mix.KValue
	measured *mix.Measured
	atPlant  []slab.Flow // A1 and A2
	energy   []slab.Energy
	told     map[string]bool // gaps of the inventory that a warning names
	formOnly bool            // there is no mix to compute with, so members are read and no more
	swap     *aggregateSwap
}

const (
	nameMix       = "mix"
	nameOrdinary  = "ordinary"
	nameAsBatched = "as batched"
)

func newMixCheck(c *catalogue, req MixCheckRequest) *mixCheck {
	if req.Mix == nil {
		req.Mix = &Mix{}
	}
	m := &mixCheck{req: req, told: map[string]bool{}}
	m.reader = reader{catalogue: c}
	m.Alternative = Alternative{Name: nameMix, Mix: req.Mix, Transport: req.Transport}
	m.used = map[string]*entry{}
	m.bill = slab.NewBuilder(m.transportRules())
	return m
}

// check computes everything that the request asks for; what is wrong gathers in
// the faults, and then the answer is not to be used.
func (m *mixCheck) check() *MixCheckResponse {
	d, ok := m.design()
	m.exposed()
	if !ok || m.formOnly {
		return m.rest(func() { m.kvalue(); m.made() })
	}
	closed := m.proportion(d)
	if m.req.Batch != nil { // whose volume is that of the batch, not of a list of constituents
		for _, list := range [][]fault.Fault{m.faults.All(), m.warnings.All()} {
			for i := range list {
				if list[i].Pointer == d.At.At("constituents") {
					list[i].Pointer = "/batch"
				}
			}
		}
	}
	if !closed {
		return m.rest(func() { m.kvalue(); m.made() })
	}
	kvalue := m.kvalue()
	m.made()
	if !m.faults.Empty() {
		return m.rest()
	}
	gate := m.gate(nameMix, slab.MadeWith(m.atPlant, m.energy))
	resp := &MixCheckResponse{Inventory: m.catalogue.ref, EngineVersion: EngineVersion, Solved: m.solved, KValue: kvalue,
		Yield: m.yield(), Ranges: m.ranges(), Concrete: gate, BatchPlan: m.batchPlan(), Staged: m.staged(gate),
		Coating: m.coating(), Delivered: m.delivered(gate), Substitution: m.substitution(), Notices: []string{Caution}}
	if m.req.Thickness != nil {
		resp.Notices = append(resp.Notices, ThicknessCaution)
	}
	if m.measured == nil && !m.airKnown {
		m.bill.Assumptions.Add(m.airAt(), "air-none", "the mix states no air content, so it is taken to have none")
	}
	m.printMix()
	for _, it := range m.named {
		m.use(it)
	}
	if m.catalogue.ref.Invented {
		m.warnings.Add("/inventory", "invented-data", "prices and factors of %s are invented for demonstration", m.catalogue.ref.Ref)
	}
	resp.Mix = m.result.Mix
	resp.Sources = sourcesOf([]*evaluated{&m.evaluated})
	resp.Assumptions, resp.Warnings = statements(m.bill.Assumptions.All()), statements(m.warnings.All())
	return resp
}

// rest reads what would be computed with the mix, where that is not to be had, and
// keeps the faults that a member shows by itself: so that all are told at once. There
// is no answer.
func (m *mixCheck) rest(further ...func()) *MixCheckResponse {
	m.formOnly = true
	known := m.faults
	m.faults = fault.List{}
	for _, read := range append(further, func() { m.batchPlan(); m.staged(GateResult{}); m.coating(); m.delivered(GateResult{}) }) {
		read()
	}
	known.Append(independent(m.faults.All())...)
	m.faults = known
	return nil
}

// exposed reads the exposure classes. One that is not known would drop its limits
// without a word, so it is refused.
func (m *mixCheck) exposed() {
	known, unknown := mix.Exposure(m.req.ExposureClass)
	for _, class := range unknown {
		m.faults.Add("/exposure_class", "not-in-list", "%q is no exposure class with limits here; accepted: %s; several with a blank or a comma between", short(class), strings.Join(mix.Classes(), ", "))
	}
	m.exposure = known
}

// design reads the proportions in whichever of the three ways they are given.
func (m *mixCheck) design() (mix.Design, bool) {
	given := 0
	for _, way := range []bool{m.Mix.Constituents != nil, m.req.ByRatio != nil, m.Mix.ByRatio != nil, m.req.Batch != nil} {
		if way {
			given++
		}
	}
	if given != 1 {
		m.faults.Add("", "one-of", "give the proportions in one way: mix.constituents, by_ratio, mix.by_ratio or batch")
		return mix.Design{}, false
	}
	for _, f := range []struct {
		at     fault.Path
		unused bool
		why    string
	}{
		{"/mix/add", m.Mix.Add != nil && m.Mix.ByRatio == nil, "a mix check has no other mix to add to; give all constituents"},
		{"/mix/air", m.Mix.Air != "" && m.Mix.Constituents == nil, "the air is given in by_ratio, or follows from the batch"},
		{"/mix/absorbed_water", m.Mix.AbsorbedWater != "" && m.req.Batch != nil, "for a batch, state the moisture and absorption of its aggregates"},
		{"/fresh_density", m.req.FreshDensity != "" && m.req.Batch == nil, "a measured density belongs to a batch"},
		{"/design_volume", m.req.DesignVolume != "" && m.req.Batch == nil, "a design volume belongs to a batch"},
	} {
		if f.unused {
			m.faults.Add(f.at, "not-used", "%s", f.why)
		}
	}
	switch {
	case m.req.ByRatio != nil:
		m.Mix.Add = nil // which has been refused
		return m.byRatio(m.req.ByRatio, "/by_ratio")
	case m.Mix.ByRatio != nil: // as in the answer of a comparison, with what was added
		for k := range m.Mix.Add {
			m.constituentsAt = append(m.constituentsAt, fault.Path("/mix/add").At(k))
		}
		return m.byRatio(m.Mix.ByRatio, "/mix/by_ratio")
	case m.req.Batch != nil:
		return m.byBatch()
	}
	m.airKnown = m.Mix.Air != ""
	at := fault.Path("/mix")
	for i, c := range m.Mix.Constituents {
		m.constituentsAt = append(m.constituentsAt, at.At("constituents", i))
		if c.Amount == "balance" {
			m.solved = append(m.solved, c.Item)
		}
	}
	d, ok := m.readDesign(at)
	return d, ok && m.faults.Empty()
}

// airAt is where the air of the mix is to be given.
func (m *mixCheck) airAt() fault.Path {
	switch {
	case m.req.ByRatio != nil:
		return "/by_ratio/air"
	case m.Mix.ByRatio != nil:
		return "/mix/by_ratio/air"
	}
	return "/mix/air"
}

func (m *mixCheck) byBatch() (mix.Design, bool) {
	rec := record{what: "batch"}
	b := mix.Batch{At: "/batch", Parts: m.weighed(m.req.Batch, &rec, "/batch")}
	for i, part := range m.req.Batch {
		m.list(Constituent{Item: part.Item, Amount: part.Mass}, b.At.At(i))
	}
	if q, ok := m.required(m.req.FreshDensity, "2350 kg/m3", "/fresh_density", unit.Density); ok {
		m.keep(&rec, q, "/fresh_density")
		b.Density = q.SI()
	}
	if m.req.DesignVolume != "" {
		if q, ok := m.required(m.req.DesignVolume, "1 m3", "/design_volume", unit.Volume); ok {
			m.keep(&rec, q, "/design_volume")
			b.Volume = decimal.NewNullDecimal(q.SI())
		}
	}
	if !m.faults.Empty() || m.formOnly {
		return mix.Design{}, false
	}
	d, measured, faults := mix.Measure(b)
	m.faults.Append(faults.All()...)
	if !faults.Empty() {
		return d, false
	}
	d.At, m.measured, m.airKnown = "", &measured, measured.Air.Valid
	if air := measured.Air; air.Valid {
		switch {
		case air.Decimal.IsNegative():
			m.warnings.Add("/fresh_density", "air-negative", "the density is above that of the materials without air, so the gravimetric air is %s %%: a mass, a particle density or the measurement is off", percentText(air.Decimal))
		case air.Decimal.GreaterThanOrEqual(mostAir):
			m.faults.Add("/fresh_density", "out-of-range", "the density leaves %s %% of air; accepted: less than %s %%; look at the masses and the particle densities", percentText(air.Decimal), mostAir.Mul(num.Hundred))
			return d, false
		}
	}
	return d, true
}

// mostAir is what a mix may have (as in a mix by mass).
var mostAir = decimal.New(2, -1)

func percentText(fraction decimal.Decimal) string {
	return fraction.Mul(num.Hundred).RoundBank(2).StringFixed(2)
}

// weighed reads masses with the moisture of aggregates.
func (m *mixCheck) weighed(parts []BatchPart, rec *record, at fault.Path) []mix.Weighed {
	list := make([]mix.Weighed, len(parts))
	for i, part := range parts {
		at := at.At(i)
		list[i].Constituent = m.material(part.Item, at, at.At("item"))
		if q, ok := m.required(part.Mass, "340 kg", at.At("mass"), unit.Mass); ok {
			m.keep(rec, q, at.At("mass"))
			list[i].Value = q.SI()
		}
		switch {
		case part.Moisture == "" && part.Absorption == "":
		case part.Moisture == "" || part.Absorption == "":
			m.faults.Add(at, "required-member-missing", "moisture and absorption go together: both are needed to tell free water")
		default:
			list[i].Moisture = m.moisture(part.Moisture, part.Absorption, at)
		}
	}
	return list
}

func (m *mixCheck) moisture(total, absorption string, at fault.Path) *mix.Moisture {
	return &mix.Moisture{Total: m.fraction(total, at.At("moisture")), Absorption: m.fraction(absorption, at.At("absorption"))}
}

// defaultTolerances apply where the request names none.
const defaultTolerances = "en-206"

func (m *mixCheck) tolerances(id string, at fault.Path) mix.Tolerances {
	if id == "" {
		id = defaultTolerances
	}
	t, ok := mix.BatchingTolerances(id)
	if !ok {
		m.faults.Add(at, "not-in-list", "no tolerances %q", short(id))
	}
	return t
}

// kvalue applies the k-value concept where the request asks for it.
func (m *mixCheck) kvalue() *KValueResult {
	if m.req.KValue == nil {
		return nil
	}
	root, before := fault.Path("/k_value"), m.faults.Len()
	additions := make([]mix.Addition, len(m.req.KValue))
	limits := make([]string, len(m.req.KValue))
	for i, k := range m.req.KValue {
		at := root.At(i)
		a := mix.Addition{Item: k.Item, At: at}
		flyAsh := k.Addition == "fly_ash"
		switch {
		case k.K != "":
			if a.K = m.decimal(k.K, at.At("k")); a.K.IsNegative() || a.K.GreaterThan(maxK) {
				m.faults.Add(at.At("k"), "out-of-range", "k is %s; accepted: 0 to %s", a.K, maxK)
			}
		case flyAsh:
			a.K = mix.FlyAshK
		default:
			m.faults.Add(at.At("k"), "required-member-missing", "a k-value for %s is not taken for granted: state it, as the rules of the place of use give it", k.Addition)
		}
		switch limits[i] = k.Limit; {
		case k.Limit != "":
			a.Limit = m.limit(k.Limit, at.At("limit"))
		case flyAsh:
			a.Limit, limits[i] = &mix.FlyAshLimit, "1/3"
		default:
			m.warnings.Add(at, "k-value-unlimited", "no limit is stated for %s, so all of it counts", k.Item)
		}
		additions[i] = a
	}
	if m.faults.Len() > before || m.formOnly {
		return nil
	}
	k, faults := mix.ByKValue(m.proportions, additions)
	for _, f := range faults.All() {
		if f.Pointer == "" {
			f.Pointer = root
		}
		m.faults.Append(f)
	}
	if !faults.Empty() {
		return nil
	}
	m.counted = &k
	r := &KValueResult{Rule: mix.RuleKValue, Ratio: Amount{k.Ratio}, EquivalentCement: Amount{k.Cement}}
	for i, c := range k.Counted {
		r.Additions = append(r.Additions, KValueCounted{Item: c.Item, Addition: m.req.KValue[i].Addition, K: Plain{c.K}, Limit: limits[i],
			Mass: Amount{c.Mass}, Considered: Amount{c.Considered}, Excess: Amount{c.Excess}, Equivalent: Amount{c.Equivalent}})
		if c.Excess.IsPositive() {
			m.warnings.Add(root.At(i), "k-value-excess", "%s kg/m3 of %s are beyond %s of the cement and do not count", c.Excess, c.Item, limits[i])
		}
	}
	return r
}

// maxK guards against a slip (common practice, no source: silica fume has 2).
var maxK = decimal.New(3, 0)

// limit reads a share of the cement: "1/3", which is exact, or "25 %".
func (m *mixCheck) limit(text string, at fault.Path) *mix.Fraction {
	above, below, isQuotient := strings.Cut(text, "/")
	if !isQuotient {
		return &mix.Fraction{Num: m.part(text, at), Den: num.One}
	}
	return &mix.Fraction{Num: m.positive(above, at).Decimal, Den: m.positive(below, at).Decimal}
}

// made reads how the concrete is made, and lists its materials and hauls.
func (m *mixCheck) made() {
	at := fault.Path("/mix")
	if len(m.Mix.Stages) > 0 || len(m.Mix.Production) > 0 || m.catalogue.mixing != nil {
		m.energy = append(m.production(at), m.mixing(at)...)
	} else {
		m.warnings.Add(at.At("stages"), "mixing-unknown", "the request names neither stages nor production, and the inventory no default mixer: A3 is not declared")
	}
	if m.req.Transport == nil {
		m.warnings.Add("/transport", "transport-not-declared", "the request gives no transport, so A2, the sum A1-A3 and the cost per m3 are not known; an empty list says that nothing needs a rule")
	}
	if !m.formOnly {
		m.atPlant = m.bill.Materials(m.materials(), m.req.Transport != nil)
	}
	if m.swap = m.aggregateSwap(); m.formOnly {
		return
	}
	m.faults.Append(m.bill.Faults.All()...)
	for i, used := range m.bill.Used {
		if !used && m.faults.Empty() {
			m.warnings.Add(fault.Path("/transport").At(i), "transport-rule-unused", "the rule for %s to the %s moves nothing to the plant", m.Transport[i].Item+m.Transport[i].Category, m.Transport[i].To)
		}
	}
}

// gate values flows per m3. What the inventory has no factor or price for leaves
// its sum open.
func (m *mixCheck) gate(name string, flows []slab.Flow) GateResult {
	g := GateResult{Energy: energyOf(flows), Lines: []ConcreteLine{}}
	sums := map[string]*num.Total{"A1": {}, "A2": {}, "A3": {}}
	unknown := map[string]bool{"A2": m.req.Transport == nil, "A3": len(m.energy) == 0}
	priced := !unknown["A2"] && !unknown["A3"]
	var money num.Total
	for _, f := range flows {
		it := m.catalogue.of(&f)
		m.use(it)
		hasPrice := it.inventory.Price != nil
		if f.Unpriced == "" && !hasPrice {
			priced = false
			m.gap(f, "price", "%s has no price in %s, so the cost per m3 is not known", it.Code, m.catalogue.ref.Ref)
		}
		factor, ok := it.factor(f.Factor)
		if !ok {
			unknown[f.Module], priced = true, false
			m.gap(f, "factor", "%s has no emission factor %s in %s, so %s is not known", it.Code, f.Factor, m.catalogue.ref.Ref, f.Module)
			continue
		}
		line := concreteLine(name, it, f, factor, hasPrice)
		sums[f.Module].Add(line.GWPKgCO2ePerM3.Decimal)
		if line.CostPerM3 != nil {
			money.Add(line.CostPerM3.Decimal)
		}
		g.Lines = append(g.Lines, line)
	}
	known := func(module string) *Fixed {
		if unknown[module] {
			return nil
		}
		return &Fixed{sums[module].Value()}
	}
	a := GateModules{A1: known("A1"), A2: known("A2"), A3: known("A3")}
	if a.A1 != nil && a.A2 != nil && a.A3 != nil {
		a.A1A3 = &Fixed{num.Sum(a.A1.Decimal, a.A2.Decimal, a.A3.Decimal)}
	}
	g.GWPKgCO2ePerM3 = a
	if priced {
		g.CostPerM3 = &Fixed{money.Value()}
	}
	return g
}

func (m *mixCheck) gap(f slab.Flow, what, format string, args ...any) {
	if key := what + " " + f.Item.Code + " " + f.Factor; !m.told[key] {
		m.told[key] = true
		m.warnings.Add(f.At, what+"-missing", format, args...)
	}
}

// energyOf sums the energy and fuel of making the concrete by item.
func energyOf(flows []slab.Flow) []EnergyAmount {
	list := []EnergyAmount{}
	for _, f := range flows {
		if f.Module != "A3" || (f.Item.Category != string(inventory.Energy) && f.Item.Category != string(inventory.Fuel)) {
			continue
		}
		i := slices.IndexFunc(list, func(e EnergyAmount) bool { return e.Item == f.Item.Code })
		if i < 0 {
			list = append(list, EnergyAmount{Item: f.Item.Code, Unit: f.Item.Unit})
			i = len(list) - 1
		}
		list[i].AmountPerM3 = Amount{list[i].AmountPerM3.Add(f.Amount)}
	}
	return list
}

func (m *mixCheck) yield() *YieldResult {
	y := m.measured
	if y == nil {
		return nil
	}
	r := &YieldResult{BatchMassKg: Amount{y.Mass}, FreshDensityKgPerM3: Amount{si(m.reread(m.req.FreshDensity, unit.Density))}, YieldM3: Amount{y.Yield},
		RelativeYield: amountOf(y.Relative), SurplusM3: amountOf(y.Surplus), AirFreeDensityKgPerM3: amountOf(y.AirFree)}
	if m.req.DesignVolume != "" {
		r.DesignVolumeM3 = &Amount{si(m.reread(m.req.DesignVolume, unit.Volume))}
	}
	if y.Air.Valid {
		r.GravimetricAirPercent = &Amount{y.Air.Decimal.Mul(num.Hundred)}
	}
	return r
}

// reread reads again what has been checked.
func (m *mixCheck) reread(text string, kind unit.Kind) unit.Quantity {
	q, _ := m.quantity(text, "", kind)
	return q
}

func (m *mixCheck) ranges() []RangeReading {
	list := []RangeReading{}
	if classes := mix.LeastAir(m.exposure); len(classes) > 0 && !m.airKnown {
		m.warnings.Add("/exposure_class", "limit-not-checked", "the air content is not known, so the least air of %s (EN 206, Table F.1) is not checked", strings.Join(classes, ", "))
	}
	for _, r := range mix.Readings(m.proportions, m.exposure, m.airKnown, m.counted) {
		list = append(list, RangeReading{Quantity: r.ID, Item: r.Item, Value: Amount{r.Value}, Unit: r.Unit, Low: plainOf(r.Low), High: plainOf(r.High), Within: r.Within, Source: r.Source})
		if r.Within {
			continue
		}
		name, side := strings.ReplaceAll(r.ID, "_", " "), ""
		if r.Item != "" {
			name += " of " + r.Item
		}
		switch {
		case r.Low.Valid && r.High.Valid:
			side = r.Low.Decimal.String() + " to " + r.High.Decimal.String()
		case r.Low.Valid:
			side = "at least " + r.Low.Decimal.String()
		default:
			side = "at most " + r.High.Decimal.String()
		}
		in := ""
		if r.Unit != "1" {
			in = " " + r.Unit
		}
		count := ""
		if strings.HasSuffix(r.ID, "_water_cement_ratio") && m.counted == nil && m.proportions.Binder.GreaterThan(m.proportions.Cement) {
			count = "; SCM counts as cement only where k_value says how much"
		}
		m.warnings.Add("", "outside-range", "%s is %s%s; usual or required: %s%s (%s)%s", name, r.Value.RoundBank(4), in, side, in, r.Source, count)
	}
	return list
}
