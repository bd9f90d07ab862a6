package service

import (
	"cmp"
	"fmt"
	"maps"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// FigureOverride is the price or the main factor of an item, or both, that a request
// gives in place of the inventory's: what if they were so.
type FigureOverride struct {
	Item   string `json:"item"`
	Price  string `json:"price,omitzero"`  // "3.50 EUR/kg": the inventory's currency per declared unit
	Factor string `json:"factor,omitzero"` // "2.1 kg CO2e/kg": per declared unit
	Reason string `json:"reason"`
}

// overriding is what a request has in place of the figures of a catalogue.
type overriding struct {
	published *catalogue // as the inventory has it
	entries   []*entry   // that have a figure of the request, in its order
	faults    fault.List
}

// overridden is what an entry has from the request.
type overridden struct {
	FigureOverride
	at        fault.Path      // of the override in the comparison
	published *inventory.Item // as the inventory has it
	layer     string          // the version that has it so
}

// overriddenBy is the catalogue with the figures that a request gives in place of its
// own. The catalogue itself stays as it is, since other requests share it. One that has
// the figures of a request already is that of the same request, and is left alone: it may
// have been varied since. What is wrong is kept, for readStudy to tell.
func (c *catalogue) overriddenBy(list []FigureOverride) *catalogue {
	if len(list) == 0 || c.overriding != nil {
		return c
	}
	o := &overriding{published: c}
	r := reader{catalogue: c}
	first := map[string]int{}
	for i, given := range list {
		at := overrideAt(i)
		if given.Price == "" && given.Factor == "" {
			r.faults.Add(at, "one-of", "an override gives a price, a factor, or both")
		}
		before, twice := first[given.Item]
		if twice && given.Item != "" {
			r.faults.Add(at.At("item"), "duplicate-name", "%s is overridden by %s already; give its price and its factor in one", short(given.Item), overrideAt(before))
			continue
		}
		first[given.Item] = i
		if e := r.item(given.Item, at.At("item")); e != nil {
			o.entries = append(o.entries, r.override(e, given, at))
		}
	}
	o.faults = r.faults
	other := c.replaced(o.entries...)
	other.overriding = o
	return other
}

func overrideAt(i int) fault.Path { return fault.Path("/overrides").At(i) }

// override is an entry with the figures that an override gives.
func (r *reader) override(e *entry, given FigureOverride, at fault.Path) *entry {
	item := *e.inventory
	source := inventory.Source{Kind: inventory.Assumption, Title: given.Reason, Reference: "request" + string(at)}
	if given.Price != "" {
		price := inventory.Price{Amount: r.moneyPer(given.Price, e.Unit, at.At("price")), Currency: r.catalogue.ref.Currency, Basis: inventory.BasisExWorks, Source: source}
		switch own := item.Price; {
		case own != nil: // what it is a price of stays
			price.Basis, price.Tax = own.Basis, own.Tax
		case e.OwnA2 || e.OwnA4: // as an inventory must have it
			price.Basis = inventory.BasisDelivered
		}
		item.Price = &price
	}
	if given.Factor != "" {
		item.Factors = maps.Clone(item.Factors)
		if item.Factors == nil {
			item.Factors = map[string]decimal.Decimal{}
		}
		item.Factors[item.MainFactor()] = r.factorPer(given.Factor, e, at.At("factor"))
		item.FactorSource, item.FactorData, item.Boundary = &source, inventory.FactorData{}, ""
	}
	if len(item.Recipe) > 0 {
		var parts []string
		for _, part := range item.Recipe {
			parts = append(parts, part.Item)
		}
		for _, figure := range []struct{ of, text string }{{VaryPrice, given.Price}, {VaryFactor, given.Factor}} {
			if figure.text != "" {
				r.faults.Add(at.At(figure.of), figure.of+"-missing", "%s has no %s of its own in %s: it is made of %s, which may be overridden", e.Code, figure.of, r.catalogue.ref.Ref, strings.Join(parts, ", "))
			}
		}
	}
	changed := e.having(&item)
	changed.Delivered = item.Price != nil && item.Price.Basis == inventory.BasisDelivered
	changed.overridden = &overridden{given, at, e.inventory, cmp.Or(e.inventory.Layer, r.catalogue.ref.Ref)}
	return changed
}

// factorPer reads an emission factor of an item, "2.1 kg CO2e/kg".
func (r *reader) factorPer(text string, e *entry, at fault.Path) decimal.Decimal {
	number, behind, _ := strings.Cut(text, " ")
	if behind != e.factorUnit {
		r.faults.Add(at, "unit-incompatible", "%q: %s is declared per %s; write its factor like \"2.1 %s\"", short(text), e.Code, e.Unit, e.factorUnit)
		return decimal.Zero
	}
	before := r.faults.Len()
	v := r.decimal(number, at)
	if r.faults.Len() == before && v.IsNegative() {
		r.faults.Add(at, "out-of-range", "%q must not be negative", short(text))
	}
	return v
}

// figuresInUse tells which figures that the request gives an evaluation rests on.
func (e *evaluated) figuresInUse(it *entry) (price, factor bool) {
	main := it.inventory.MainFactor()
	for i := range e.bill.Flows {
		f := &e.bill.Flows[i]
		if e.catalogue.of(f) != it {
			continue
		}
		price = price || it.gives(VaryPrice) && f.Unpriced == "" && e.factors != nil
		factor = factor || it.gives(VaryFactor) && f.Factor == main
	}
	return price, factor
}

// sayOverrides states the figures that the request gives, where the evaluation rests on
// them.
func (e *evaluated) sayOverrides() {
	if e.catalogue.overriding == nil {
		return
	}
	for _, it := range e.catalogue.overriding.entries {
		price, factor := e.figuresInUse(it)
		if price {
			e.bill.Assumptions.Add(it.overridden.at, "price-overridden", "%s", it.priceOverridden())
		}
		if factor {
			e.bill.Assumptions.Add(it.overridden.at, "factor-overridden", "%s", it.factorOverridden())
		}
	}
}

// priceOverridden says which price the request gives in place of which.
func (e *entry) priceOverridden() string {
	own := "where " + e.overridden.layer + " has none, taken as " + e.inventory.Price.Basis
	if p := e.overridden.published.Price; p != nil {
		own = "in place of " + num.Canonical(p.Amount) + " " + e.priceUnit + " of " + e.overridden.layer
	}
	return fmt.Sprintf("the price of %s is %s, as the request gives it, %s: %s", e.Code, e.overridden.Price, own, e.overridden.Reason)
}

// factorOverridden says which factor the request gives in place of which.
func (e *entry) factorOverridden() string {
	own := "where " + e.overridden.layer + " has none"
	if v, ok := e.overridden.published.Factors[e.overridden.published.MainFactor()]; ok {
		own = "in place of " + num.Canonical(v) + " " + e.factorUnit + " of " + e.overridden.layer
	}
	return fmt.Sprintf("the factor of %s is %s, as the request gives it whatever the allocation, %s: %s", e.Code, e.overridden.Factor, own, e.overridden.Reason)
}

// overrideNotices says in an answer without assumptions which figures the request gives.
func (c *catalogue) overrideNotices() (list []string) {
	if c.overriding == nil {
		return nil
	}
	for _, e := range c.overriding.entries {
		if e.gives(VaryPrice) {
			list = append(list, e.priceOverridden())
		}
		if e.gives(VaryFactor) {
			list = append(list, e.factorOverridden())
		}
	}
	return list
}

// warnUnusedOverrides warns of a figure of the request that none of the alternatives
// rests on, in each of them.
func (s *study) warnUnusedOverrides(all []*evaluated) {
	if s.catalogue.overriding == nil {
		return
	}
	for _, it := range s.catalogue.overriding.entries {
		price, factor := false, false
		for _, e := range all {
			p, f := e.figuresInUse(it)
			price, factor = price || p, factor || f
		}
		for _, figure := range []struct {
			of   string
			idle bool
		}{{VaryPrice, it.gives(VaryPrice) && !price}, {VaryFactor, it.gives(VaryFactor) && !factor}} {
			if !figure.idle {
				continue
			}
			for _, e := range all {
				e.warnings.Add(it.overridden.at.At(figure.of), "override-unused", "no alternative rests on the %s of %s itself", figure.of, it.Code)
			}
		}
	}
}

// factorSource is where a factor of an item comes from. A request overrides the main
// factor alone; the others stay those of the inventory.
func (e *entry) factorSource(key string) *inventory.Source {
	if e.gives(VaryFactor) && key != e.inventory.MainFactor() {
		return e.overridden.published.FactorSource
	}
	return e.inventory.FactorSource
}

// gives tells whether the request gives the price, or the main factor, of an item.
func (e *entry) gives(of string) bool {
	return e.overridden != nil && (of == VaryPrice && e.overridden.Price != "" || of == VaryFactor && e.overridden.Factor != "")
}

// overrideOfRequest is what an item with figures of the request stands in place of.
func (e *entry) overrideOfRequest() *OverrideUsed {
	o := e.overridden
	used := overrideOf(e, o.published, o.layer)
	used.Pointer, used.Reason = string(o.at), o.Reason
	if others := len(o.published.Factors); e.gives(VaryFactor) && o.published.FactorSource != nil {
		if _, main := o.published.Factors[o.published.MainFactor()]; main {
			others--
		}
		if others > 0 {
			used.FactorSource = o.published.FactorSource
		}
	}
	return used
}

// publishedItem is an item as the inventory has it.
func (c *catalogue) publishedItem(code string) *entry {
	if c.overriding != nil {
		return c.overriding.published.entries[code]
	}
	return c.entries[code]
}

// variesOverride tells whether a pointer leads into the overrides of a request, which
// are varied by their item.
func variesOverride(pointer string) bool {
	return pointer == "/overrides" || strings.HasPrefix(pointer, "/overrides/")
}
