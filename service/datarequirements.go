package service

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// DataRequirements is what a request demands of the data behind its figures
// (ISO 14044, 4.2.3.6).
type DataRequirements struct {
	AsOf        string `json:"as_of,omitzero"`        // the day on which prices and factors must still hold
	Strict      bool   `json:"strict,omitzero"`       // what would warn is refused
	Allocation  string `json:"allocation,omitzero"`   // of co-products, in place of the items' own
	OtherLayers string `json:"other_layers,omitzero"` // LayersAllowed or LayersRefused
}

// What to do with items that an inventory takes over from another.
const (
	LayersAllowed = "allowed"
	LayersRefused = "refused"
)

// readRequirements reads what is demanded of the data and applies the allocation.
func (s *study) readRequirements(r *DataRequirements, faults *fault.List) {
	if r == nil {
		return
	}
	s.requirements = *r
	if _, err := time.Parse(time.DateOnly, r.AsOf); r.AsOf != "" && err != nil {
		faults.Add("/data_requirements/as_of", "date-invalid", "%q is no day of the calendar; write it like 2026-01-31", short(r.AsOf))
	}
	if r.Allocation == "" {
		return
	}
	s.allocated = map[*entry]decimal.Decimal{}
	for _, e := range s.catalogue.list {
		for _, a := range e.inventory.FactorData.Alternatives {
			if a.Allocation == r.Allocation {
				s.allocated[e] = a.Factor
			}
		}
	}
}

// factor is an emission factor of an item as the study uses it.
func (s *study) factor(it *entry, key string) (decimal.Decimal, bool) {
	if s.allocated != nil && key == it.inventory.MainFactor() {
		if v, ok := s.allocated[it]; ok {
			return v, true
		}
	}
	return it.factor(key)
}

// sources lists the items whose numbers the flows rest on, in order of their codes.
func (e *evaluated) sources() []*entry {
	seen := map[string]*entry{}
	for i := range e.bill.Flows {
		it := e.catalogue.of(&e.bill.Flows[i])
		seen[it.Code] = it
	}
	list := slices.Collect(maps.Values(seen))
	slices.SortFunc(list, func(a, b *entry) int { return strings.Compare(a.Code, b.Code) })
	return list
}

// checkData holds the data against what is demanded of them. What cannot be computed
// is a fault, what should be known a warning; in a strict request each warning is a
// fault.
func (e *evaluated) checkData() {
	doubt := &e.warnings
	if e.study.requirements.Strict {
		doubt = &e.faults
	}
	e.sayOverrides()
	boundaries, taxes, sets := map[string][]string{}, map[string][]string{}, map[string][]string{}
	asOf, because := e.study.requirements.AsOf, "the day that the request gives"
	used := e.sources()
	if asOf == "" {
		because = "the day of the newest price in use"
		for _, it := range used {
			if p := it.inventory.Price; p != nil {
				asOf = max(asOf, p.Date)
			}
		}
	}
	for _, it := range used {
		i := it.inventory
		if i.Boundary != "" {
			boundaries[i.Boundary] = append(boundaries[i.Boundary], it.Code)
		}
		if i.FactorData.Characterisation != "" {
			sets[i.FactorData.Characterisation] = append(sets[i.FactorData.Characterisation], it.Code)
		}
		if i.FactorData.ValidUntil != "" && i.FactorData.ValidUntil < asOf {
			doubt.Add(e.at, "factor-expired", "the factor of %s held until %s; the figures are of %s, %s", it.Code, i.FactorData.ValidUntil, asOf, because)
		}
		if i.Price != nil && e.study.factors != nil {
			if i.Price.Tax != "" { // else the request gives a price where the inventory has none
				taxes[i.Price.Tax] = append(taxes[i.Price.Tax], it.Code)
			}
			if i.Price.ValidUntil != "" && i.Price.ValidUntil < asOf {
				doubt.Add(e.at, "price-expired", "the price of %s held until %s; the figures are of %s, %s", it.Code, i.Price.ValidUntil, asOf, because)
			}
		}
		e.checkQuantity(it, doubt)
		e.checkAllocation(it)
		switch {
		case i.Layer == "":
		case e.study.requirements.OtherLayers == LayersRefused:
			e.faults.Add("/data_requirements/other_layers", "layer-refused", "%s has no %s of its own, only that of %s", e.catalogue.ref.Ref, it.Code, i.Layer)
		default:
			e.bill.Assumptions.Add("/inventory", "layer-taken-over", "%s has no %s of its own; the numbers are those of %s", e.catalogue.ref.Ref, it.Code, i.Layer)
		}
	}
	if len(boundaries) > 1 {
		doubt.Add(e.at, "boundary-mixed", "factors of different bases are mixed: %s", groups(boundaries))
	}
	if len(taxes) > 1 {
		doubt.Add(e.at, "tax-mixed", "prices with and without tax are mixed: %s", groups(taxes))
	}
	if len(sets) > 1 {
		e.faults.Add("/inventory", "characterisation-mixed", "factors that were added up with different global warming potentials cannot be summed: %s", groups(sets))
	}
}

// checkQuantity says of a price for larger orders that the area of the study takes less:
// of all that it is used for, whenever.
func (e *evaluated) checkQuantity(it *entry, doubt *fault.List) {
	p := it.inventory.Price
	if p == nil || !p.MinQuantity.Valid || e.study.factors == nil {
		return
	}
	var perM2 num.Total
	for i := range e.bill.Flows {
		if f := &e.bill.Flows[i]; f.Unpriced == "" && e.catalogue.of(f) == it {
			perM2.Add(f.Amount)
		}
	}
	if total := num.AmountOf(perM2.Value(), e.study.area); total.LessThan(p.MinQuantity.Decimal) {
		doubt.Add(e.at, "price-below-quantity", "the price of %s holds from %s %s; the area takes %s %s", it.Code, num.Canonical(p.MinQuantity.Decimal), it.Unit, num.Canonical(total), it.Unit)
	}
}

// checkAllocation says of a co-product how its factor was allocated, where the request
// asks for a way of its own.
func (e *evaluated) checkAllocation(it *entry) {
	want, own := e.study.requirements.Allocation, it.inventory.FactorData.Allocation
	if want == "" || want == own || it.gives(VaryFactor) {
		return
	}
	if v, ok := e.study.allocated[it]; ok {
		factor, _ := it.factor(it.inventory.MainFactor())
		e.bill.Assumptions.Add("/data_requirements/allocation", "allocation-switched", "the factor of %s is %s, by the allocation %s that the request asks for, in place of %s (%s)", it.Code, num.Canonical(v), want, num.Canonical(factor), cmp.Or(own, "not stated"))
	} else if own != "" || it.inventory.Category == inventory.SCM {
		e.warnings.Add("/data_requirements/allocation", "allocation-undeclared", "%s has no factor by the allocation %s; it stays at its own (%s)", it.Code, want, cmp.Or(own, "not stated"))
	}
}

// SourceShare is how much of the total rests on sources of one kind.
type SourceShare struct {
	SourceKind     string `json:"source_kind"`
	GWPKgCO2ePerM2 Fixed  `json:"gwp_kg_co2e_per_m2"`
	SharePercent   *Fixed `json:"share_percent"` // null where the total is zero
}

// bySourceKind sums the lines of the total by the kind of their source; together they
// are the total.
func bySourceKind(lines []CarbonLine, kind func(CarbonLine) inventory.SourceKind, total decimal.Decimal) []SourceShare {
	sums := map[inventory.SourceKind]*num.Total{}
	for _, l := range lines {
		if l.Module == "D" {
			continue // stands beside the total
		}
		k := kind(l)
		if sums[k] == nil {
			sums[k] = &num.Total{}
		}
		sums[k].Add(l.GWPKgCO2ePerM2.Decimal)
	}
	list := []SourceShare{}
	for _, k := range inventory.SourceKinds() {
		if sums[k] == nil {
			continue
		}
		share := SourceShare{SourceKind: string(k), GWPKgCO2ePerM2: Fixed{sums[k].Value()}}
		if !total.IsZero() {
			share.SharePercent = &Fixed{num.Line(num.Quotient(sums[k].Value().Mul(num.Hundred), total))}
		}
		list = append(list, share)
	}
	return list
}
