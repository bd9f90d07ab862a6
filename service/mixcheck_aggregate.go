package service

import (
	"slices"

	"github.com/shopspring/decimal"

	"slabledger/lca/carbon"
	"slabledger/lca/fault"
	"slabledger/lca/mix"
	"slabledger/lca/num"
	"slabledger/lca/slab"
	"slabledger/lca/unit"
)

// aggregateSwap is an aggregate substitution between reading and printing.
type aggregateSwap struct {
	natural, recycled aggregateSupply
	cement            []slab.Flow // for a tonne of recycled aggregate; with its haul where the request has hauls
	perKM             []slab.Flow // hauling a tonne of recycled aggregate a kilometre further
	absorption        *AbsorptionResult
}

// aggregateSupply is a tonne of aggregate at the plant.
type aggregateSupply struct {
	item       *entry
	distance   decimal.Decimal // km
	absorption decimal.NullDecimal
	flows      []slab.Flow
}

// Parts of what a tonne of aggregate comes to.
const (
	partProduction  = "production"
	partTransport   = "transport"
	partExtraCement = "extra_cement"
)

// tonne in kg.
var tonne = decimal.New(1000, 0)

// aggregateSwap reads the substitution; nil where there is none, or a fault.
func (m *mixCheck) aggregateSwap() *aggregateSwap {
	q := m.req.AggregateSubstitution
	if q == nil {
		return nil
	}
	at, before := fault.Path("/aggregate_substitution"), m.faults.Len()
	mode := m.itemOf(q.Mode, at.At("mode"), "t.km")
	s := aggregateSwap{natural: m.aggregateSupply(q.Natural, at.At("natural")), recycled: m.aggregateSupply(q.Recycled, at.At("recycled"))}
	if s.natural.item != nil && s.natural.item == s.recycled.item {
		m.faults.Add(at.At("recycled", "item"), "duplicate-item", "%s cannot stand in place of itself", q.Recycled.Item)
	}
	if q.ExtraCement != nil {
		s.cement = m.extraCement(*q.ExtraCement, at.At("extra_cement"))
	}
	s.absorption = m.absorption(s, q.Share, at)
	if m.faults.Len() > before || m.formOnly {
		return nil
	}
	s.natural.flows = m.hauled(s.natural.item, mode, s.natural.distance, at.At("natural"))
	s.recycled.flows = m.hauled(s.recycled.item, mode, s.recycled.distance, at.At("recycled"))
	if m.faults.Len() > before {
		return nil
	}
	s.perKM = ofModule(m.hauled(s.recycled.item, mode, num.One, at.At("recycled")), "A2")
	return &s
}

func (m *mixCheck) aggregateSupply(q AggregateSupply, at fault.Path) aggregateSupply {
	s := aggregateSupply{}
	if part := m.material(q.Item, at, at.At("item")); part.Role == mix.Aggregate {
		s.item = m.catalogue.entries[q.Item]
	} else if part.Role != 0 {
		m.faults.Add(at.At("item"), "category-mismatch", "%s is no aggregate", q.Item)
	}
	// None is a distance here: aggregate may be crushed at the plant.
	if distance, ok := m.quantity(q.Distance, at.At("distance"), unit.Length); ok {
		if s.distance = distance.SI().Shift(-3); s.distance.IsNegative() {
			m.faults.Add(at.At("distance"), "out-of-range", "%q must not be negative", short(q.Distance))
		}
	}
	if q.Absorption != "" {
		s.absorption = decimal.NewNullDecimal(m.fraction(q.Absorption, at.At("absorption")))
	}
	return s
}

// extraCement lists the cement for a tonne of recycled aggregate, hauled as the
// request hauls cement.
func (m *mixCheck) extraCement(q ExtraCement, at fault.Path) []slab.Flow {
	part := m.material(q.Item, at, at.At("item"))
	if part.Role != 0 && part.Role != mix.Cement && part.Role != mix.SCM {
		m.faults.Add(at.At("item"), "category-mismatch", "%s is neither cement nor SCM", q.Item)
		return nil
	}
	mass, ok := m.required(q.PerTonne, "10 kg", at.At("per_tonne"), unit.Mass)
	if !ok || part.Role == 0 {
		return nil
	}
	b := slab.NewBuilder(m.bill.Rules)
	b.Used = m.bill.Used
	flows := b.Materials([]slab.Material{{Item: &m.catalogue.entries[q.Item].Item, Mass: num.Amount(mass.SI()), At: at}}, m.req.Transport != nil)
	m.faults.Append(b.Faults.All()...)
	for _, a := range b.Assumptions.All() {
		if !slices.Contains(m.bill.Assumptions.All(), a) { // else the cement of the mix has said it
			m.bill.Assumptions.Append(a)
		}
	}
	return flows
}

// hauled lists a tonne of aggregate and its haul to the plant.
func (m *mixCheck) hauled(it, mode *entry, km decimal.Decimal, at fault.Path) []slab.Flow {
	b := slab.NewBuilder([]slab.Rule{{Item: it.Code, To: slab.ToPlant, Leg: slab.Leg{Mode: &mode.Item, Distance: km, At: at.At("distance")}}})
	flows := b.Materials([]slab.Material{{Item: &it.Item, Mass: tonne, At: at}}, true)
	m.faults.Append(b.Faults.All()...)
	return flows
}

func ofModule(flows []slab.Flow, module string) []slab.Flow {
	return slices.DeleteFunc(slices.Clone(flows), func(f slab.Flow) bool { return f.Module != module })
}

// absorption compares the water that the aggregates hold, where the request gives
// both absorptions; the recycled aggregate has the volume that it replaces.
func (m *mixCheck) absorption(s aggregateSwap, share string, at fault.Path) *AbsorptionResult {
	natural, recycled := s.natural.absorption, s.recycled.absorption
	switch {
	case natural.Valid != recycled.Valid:
		lacks := "recycled"
		if recycled.Valid {
			lacks = "natural"
		}
		m.faults.Add(at.At(lacks, "absorption"), "required-member-missing", "the extra water is told from the absorption of both aggregates")
		return nil
	case !natural.Valid:
		if share != "" {
			m.faults.Add(at.At("share"), "not-used", "a share of the aggregate of the mix counts only for its water; give the absorption of both aggregates")
		}
		return nil
	case s.natural.item == nil || s.recycled.item == nil || m.formOnly:
		return nil
	}
	k := slices.IndexFunc(m.proportions.Parts, func(p mix.Part) bool { return p.Item == s.natural.item.Code })
	if k < 0 {
		m.faults.Add(at.At("natural", "item"), "item-unknown", "the mix has no constituent %q, so there is none to replace and its water is not known", s.natural.item.Code)
		return nil
	}
	before := m.faults.Len()
	if !s.natural.item.Density.Valid {
		m.faults.Add(at.At("natural", "item"), "density-missing", needsDensity, s.natural.item.Code)
	}
	if !s.recycled.item.Density.Valid {
		m.faults.Add(at.At("recycled", "item"), "density-missing", needsDensity, s.recycled.item.Code)
	}
	if m.faults.Len() > before {
		return nil
	}
	replaced := num.Amount(m.proportions.Parts[k].Mass.Mul(m.share(share, at)))
	r := AbsorptionResult{NaturalKgPerM3: Amount{replaced},
		RecycledKgPerM3: Amount{num.AmountQuotient(replaced.Mul(s.recycled.item.Density.Decimal), s.natural.item.Density.Decimal)}}
	r.NaturalAbsorbedKgPerM3 = Amount{mix.Moisture{Absorption: natural.Decimal}.Absorbed(r.NaturalKgPerM3.Decimal)}
	r.RecycledAbsorbedKgPerM3 = Amount{mix.Moisture{Absorption: recycled.Decimal}.Absorbed(r.RecycledKgPerM3.Decimal)}
	r.ExtraAbsorbedKgPerM3 = Amount{r.RecycledAbsorbedKgPerM3.Sub(r.NaturalAbsorbedKgPerM3.Decimal)}
	return &r
}

const needsDensity = "the inventory has no density for %s; recycled aggregate replaces natural by volume"

// substitution values both aggregates and says how far the recycled one may come.
func (m *mixCheck) substitution() *SubstitutionResult {
	s := m.swap
	if s == nil {
		return nil
	}
	r := &SubstitutionResult{Natural: m.aggregateAtPlant(s.natural, nil), Recycled: m.aggregateAtPlant(s.recycled, s.cement), Absorption: s.absorption}
	r.SavingGWP = minus(r.Natural.GWPKgCO2ePerT.Total, r.Recycled.GWPKgCO2ePerT.Total)
	r.SavingCost = minus(r.Natural.CostPerT.Total, r.Recycled.CostPerT.Total)
	var emits, costs decimal.Decimal // of a tonne a kilometre further; missing ones leave no saving
	free := "the haul costs nothing"
	for _, f := range s.perKM {
		it := m.catalogue.of(&f)
		factor, _ := it.factor(f.Factor)
		emits = emits.Add(f.Amount.Mul(factor))
		if f.Unpriced != "" {
			free = f.Unpriced
		} else if it.inventory.Price != nil {
			costs = costs.Add(f.Amount.Mul(it.inventory.Price.Amount))
		}
	}
	r.BreakEvenCarbon = haulBreakEven(r.SavingGWP, s.recycled.distance, emits, "kg CO2e", "the haul emits nothing")
	r.BreakEvenCost = haulBreakEven(r.SavingCost, s.recycled.distance, costs, m.catalogue.ref.Currency, free)
	return r
}

func (m *mixCheck) aggregateAtPlant(s aggregateSupply, cement []slab.Flow) AggregateAtPlant {
	r := AggregateAtPlant{Item: s.item.Code, DistanceKM: Plain{s.distance}, Lines: []SupplyLine{}}
	gwp, cost := &r.GWPKgCO2ePerT, &r.CostPerT
	gwp.Production, cost.Production = m.supplyPart(partProduction, ofModule(s.flows, "A1"), &r.Lines)
	gwp.Transport, cost.Transport = m.supplyPart(partTransport, ofModule(s.flows, "A2"), &r.Lines)
	gwp.ExtraCement, cost.ExtraCement = m.supplyPart(partExtraCement, cement, &r.Lines)
	gwp.Total, cost.Total = sumOf(gwp.Production, gwp.Transport, gwp.ExtraCement), sumOf(cost.Production, cost.Transport, cost.ExtraCement)
	return r
}

// supplyPart values flows per tonne. What the inventory has no factor or price for
// leaves the sum open.
func (m *mixCheck) supplyPart(part string, flows []slab.Flow, lines *[]SupplyLine) (gwp, cost *Fixed) {
	var emission, money num.Total
	known, priced := true, true
	for _, f := range flows {
		it := m.catalogue.of(&f)
		m.use(it)
		factor, ok := it.factor(f.Factor)
		if !ok {
			known, priced = false, false
			m.gap(f, "factor", "%s has no emission factor %s in %s, so a tonne of aggregate is not known", it.Code, f.Factor, m.catalogue.ref.Ref)
			continue
		}
		line := SupplyLine{Part: part, Item: it.Code, Amount: Amount{f.Amount}, Unit: it.Unit + "/t", Factor: Plain{factor}, FactorUnit: it.factorUnit,
			GWPKgCO2ePerT: Fixed{carbon.Line(f.Amount, factor)}, Source: it.source}
		emission.Add(line.GWPKgCO2ePerT.Decimal)
		switch {
		case f.Unpriced != "":
		case it.inventory.Price == nil:
			priced = false
			m.gap(f, "price", "%s has no price in %s, so the cost of a tonne of aggregate is not known", it.Code, m.catalogue.ref.Ref)
		default:
			price := it.inventory.Price.Amount
			line.Price, line.PriceUnit, line.CostPerT = &Plain{price}, it.priceUnit, &Fixed{num.LineOf(f.Amount, price)}
			money.Add(line.CostPerT.Decimal)
		}
		*lines = append(*lines, line)
	}
	if known {
		gwp = &Fixed{emission.Value()}
	}
	if priced {
		cost = &Fixed{money.Value()}
	}
	return gwp, cost
}

// sumOf adds what is known; nil where any is not.
func sumOf(parts ...*Fixed) *Fixed {
	sum := decimal.Zero
	for _, p := range parts {
		if p == nil {
			return nil
		}
		sum = sum.Add(p.Decimal)
	}
	return &Fixed{sum}
}

// haulBreakEven says by how much a haul of so many km may grow until a saving per
// tonne is used up, at what a tonne comes to per km; free says why that may be
// nothing.
func haulBreakEven(saving *Fixed, km, perKM decimal.Decimal, in, free string) *HaulBreakEven {
	if saving == nil {
		return nil
	}
	const none = "no distance: "
	more := "at these hauls a tonne of recycled aggregate comes to " + saving.Neg().String() + " " + in + " more than one of natural"
	if saving.IsZero() {
		more = "at these hauls both come to the same"
	}
	extra, err := mix.BreakEvenHaul(saving.Decimal, perKM)
	switch {
	case err != nil && saving.IsPositive(): // a longer haul changes nothing
		return &HaulBreakEven{Reason: none + free + ", so no haul uses the saving up"}
	case err != nil:
		return &HaulBreakEven{Reason: none + more + ", and " + free}
	}
	r := &HaulBreakEven{}
	if whole := num.Amount(km.Add(extra)); !whole.IsNegative() {
		r.DistanceKM = &Amount{whole}
	}
	switch {
	case saving.IsPositive():
		r.ExtraKM = &Amount{extra}
	case r.DistanceKM != nil:
		r.Reason = none + more + "; it saves only when it comes from nearer than distance_km"
	default:
		r.Reason = none + more + ", and without any haul still to more"
	}
	return r
}
