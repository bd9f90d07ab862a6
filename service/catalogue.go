package service

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"github.com/agnivade/levenshtein"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/slab"
)

// catalogue is a published version made ready for evaluation. It never
// changes, so it is built once a version and shared by all requests.
type catalogue struct {
	version *inventory.Version
	ref     InventoryRef
	entries map[string]*entry
	list    []*entry // by Item.Index
	codes   []string // sorted

	base      *catalogue // of the version that this one extends; nil where it extends none
	overrides []inventory.Override

	mixing, disposal *entry // the inventory's defaults; may be nil

	overriding *overriding // by a request; nil in the version as it is published
}

// unknown tells that this stands for an inventory that there is not, which is a
// fault of its own: what it lacks is none.
func (c *catalogue) unknown() bool { return c.version == nil }

// entry is an item with the texts that its result lines repeat.
type entry struct {
	slab.Item
	inventory  *inventory.Item
	factors    [4]decimal.NullDecimal // of factorOrder, which nearly every flow asks for
	perM2      string                 // "kg/m2"
	perM3      string                 // "kg/m3"
	factorUnit string                 // "kg CO2e/kg"
	priceUnit  string                 // "EUR/kg"
	source     string                 // "demo@1/cement-cem-i"
	overrides  *inventory.Override    // of the base; nil where there is none
	overridden *overridden            // by a request; nil where it is not
}

// newCatalogue makes a version ready, over that of the version it extends, if any.
func newCatalogue(v *inventory.Version, base *catalogue) *catalogue {
	ref := fmt.Sprintf("%s@%d", v.Slug, v.Number)
	c := &catalogue{version: v, entries: make(map[string]*entry, len(v.Items)),
		ref: InventoryRef{Ref: ref, Hash: v.Hash, Name: v.Meta.Name, Region: v.Meta.Region, Currency: v.Meta.Currency, Invented: v.Meta.Invented}}
	for i := range v.Items {
		it := &v.Items[i]
		e := &entry{
			Item: slab.Item{Code: it.Code, Index: i, Category: string(it.Category), Groups: []string{string(it.Category)}, Unit: it.Unit,
				Density: it.Density, UnitMass: it.UnitMass, Process: it.Category.IsProcess(),
				Delivered: it.Price != nil && it.Price.Basis == inventory.BasisDelivered},
			inventory: it, perM2: it.Unit + "/m2", perM3: it.Unit + "/m3", factorUnit: "kg CO2e/" + it.Unit,
			priceUnit: v.Meta.Currency + "/" + it.Unit, source: ref + "/" + it.Code,
		}
		_, e.OwnA2 = it.Factors[inventory.FactorA2]
		_, e.OwnA4 = it.Factors[inventory.FactorA4]
		for k, key := range factorOrder {
			v, ok := it.Factors[key]
			e.factors[k] = decimal.NullDecimal{Decimal: v, Valid: ok}
		}
		if it.Category == inventory.Cement || it.Category == inventory.SCM {
			e.Groups = append(e.Groups, groupBinder)
		}
		c.entries[it.Code] = e
		c.list = append(c.list, e)
		c.codes = append(c.codes, it.Code)
		switch it.DefaultFor {
		case inventory.DefaultMixing:
			c.mixing = e
		case inventory.DefaultWasteDisposal:
			c.disposal = e
		}
	}
	sort.Strings(c.codes)
	if base != nil {
		c.base, c.overrides = base, inventory.Overrides(base.version, v)
		c.ref.Extends = &LayerRef{base.ref.Ref, base.ref.Hash}
		for i := range c.overrides {
			c.entries[c.overrides[i].Item.Code].overrides = &c.overrides[i]
		}
	}
	for _, e := range c.entries {
		for _, part := range e.inventory.Recipe {
			// A published version has no dangling part and no cycle.
			e.Recipe = append(e.Recipe, slab.Part{Item: &c.entries[part.Item].Item, Amount: part.Amount})
		}
	}
	return c
}

// factorOrder is the order of entry.factors.
var factorOrder = [4]string{slab.FactorProduct, slab.FactorProcess, slab.FactorA2, slab.FactorA4}

// factor is an emission factor of the item, kg CO2e per declared unit.
func (e *entry) factor(key string) (decimal.Decimal, bool) {
	for k := range factorOrder {
		if factorOrder[k] == key {
			return e.factors[k].Decimal, e.factors[k].Valid
		}
	}
	v, ok := e.inventory.Factors[key]
	return v, ok
}

// of is the entry of a flow's item.
func (c *catalogue) of(f *slab.Flow) *entry { return c.list[f.Item.Index] }

// Groups that a transport rule or a stage can name beside the categories.
const (
	groupBinder   = "binder" // cement and scm
	groupConcrete = "concrete"
	groupWaste    = "waste"
)

// near suggests codes for one that does not exist: those within a third of its
// length in edits, else those that share a word.
func (c *catalogue) near(code string) []string {
	if len(code) > maxCode {
		return nil
	}
	codes := c.codes
	if len(codes) > manyCodes { // then only those that begin alike
		from, _ := slices.BinarySearch(codes, code[:min(2, len(code))])
		codes = codes[from:min(from+manyCodes, len(codes))]
	}
	type candidate struct {
		code  string
		edits int
	}
	var found []candidate
	for _, known := range codes {
		if most := max(2, len(code)/3); len(known) > len(code)+most || len(code) > len(known)+most {
			continue
		}
		edits := levenshtein.ComputeDistance(code, known)
		if edits <= max(2, len(code)/3) {
			found = append(found, candidate{known, edits})
		}
	}
	if len(found) == 0 {
		for _, known := range codes {
			for _, word := range strings.Split(code, "-") {
				if len(word) > 2 && strings.Contains(known, word) {
					found = append(found, candidate{known, len(known)})
					break
				}
			}
		}
	}
	sort.SliceStable(found, func(i, j int) bool { return found[i].edits < found[j].edits })
	var nearest []string
	for _, f := range found[:min(len(found), 3)] {
		nearest = append(nearest, f.code)
	}
	return nearest
}

const (
	maxCode   = 64
	manyCodes = 2000
)
