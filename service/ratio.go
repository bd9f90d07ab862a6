package service

import (
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/lca/mix"
	"slabledger/lca/unit"
)

// list notes a constituent, how its amount is given, and where.
func (e *evaluated) list(c Constituent, at fault.Path) {
	e.listed = append(e.listed, c)
	e.constituentsAt = append(e.constituentsAt, at)
}

// readRatios reads the ratios of an alternative; false where a fault was found.
func (e *evaluated) readRatios(at fault.Path) (mix.Design, bool) {
	before := e.faults.Len()
	if e.Mix.Constituents != nil {
		e.faults.Add(at, "one-of", "give the proportions in one way: constituents or by_ratio")
	}
	if e.Mix.Air != "" {
		e.faults.Add(at.At("air"), "not-used", "the air is given in by_ratio")
	}
	if n := len(e.Mix.Add); n > maxConstituents {
		e.faults.Add(at.At("add"), "too-many", "%d constituents are added; at most %d", n, maxConstituents)
	}
	if e.faults.Len() > before {
		return mix.Design{}, false
	}
	return e.byRatio(e.Mix.ByRatio, at.At("by_ratio"))
}

// byRatio reads a mix by ratios, with what is added to it.
func (e *evaluated) byRatio(q *MixRatios, at fault.Path) (mix.Design, bool) {
	before := e.faults.Len()
	addedAt := e.constituentsAt
	e.constituentsAt = nil
	r := mix.Ratios{At: at}
	rec := record{what: "mix"}
	if r.Absorbed = e.absorbed(&rec, e.at.At("mix")); r.Absorbed.IsNegative() {
		e.faults.Add(e.at.At("mix", "absorbed_water"), "out-of-range", "absorbed water is negative")
	}
	for _, needed := range []struct {
		name  string
		given bool
	}{{"cement", q.Cement != ""}, {"water", q.Water != ""}, {"aggregates", q.Aggregates != nil}} {
		if !needed.given {
			e.faults.Add(at.At(needed.name), "required-member-missing", "a mix by ratio names its %s", needed.name)
		}
	}
	if e.faults.Len() > before {
		return mix.Design{}, false
	}
	amount := func(name, text, like string) (v decimal.NullDecimal) {
		if text == "" {
			e.solved = append(e.solved, name)
			return v
		}
		if q, ok := e.required(text, like, at.At(name), unit.Density); ok {
			e.keep(&rec, q, at.At(name))
			v = decimal.NewNullDecimal(q.SI())
		}
		return v
	}
	r.Binder = amount("binder", q.Binder, "400 kg/m3")
	r.MixingWater = amount("mixing_water", q.MixingWater, "180 kg/m3")
	if q.WaterBinderRatio == "" {
		e.solved = append(e.solved, "water_binder_ratio")
	} else {
		r.WaterBinder = e.positive(q.WaterBinderRatio, at.At("water_binder_ratio"))
	}
	if q.Air != "" {
		r.Air, e.airKnown = e.fraction(q.Air, at.At("air")), true
	}
	r.Cement = e.cast(q.Cement, at.At("cement"), at.At("cement"), mix.Cement)
	e.list(Constituent{Item: q.Cement, Amount: "the rest of the binder"}, at.At("cement"))
	for i, s := range q.Replacement {
		at := at.At("replacement", i)
		c := e.cast(s.Item, at, at.At("item"), mix.SCM)
		c.Value = e.part(s.Share, at.At("share"))
		r.Replacement = append(r.Replacement, c)
		e.list(Constituent{Item: s.Item, Amount: s.Share + " of binder"}, at)
	}
	r.Water = e.cast(q.Water, at.At("water"), at.At("water"), mix.Water)
	e.list(Constituent{Item: q.Water, Amount: "mixing water less that of admixtures"}, at.At("water"))
	for i, a := range q.Aggregates {
		r.Aggregates = append(r.Aggregates, e.ratioAggregate(a, &rec, at.At("aggregates", i)))
	}
	for i, in := range q.Fibres {
		r.Others = append(r.Others, e.ratioAmount(Constituent{Item: in.Item, Amount: in.Amount}, &rec, at.At("fibres", i), mix.Fibre))
	}
	for i, in := range q.Admixtures {
		r.Others = append(r.Others, e.ratioAmount(Constituent{Item: in.Item, Amount: in.Amount}, &rec, at.At("admixtures", i), mix.Admixture))
	}
	for i, c := range e.Mix.Add {
		r.Others = append(r.Others, e.ratioAmount(c, &rec, addedAt[i], mix.Fibre, mix.Admixture))
	}
	if e.faults.Len() > before {
		return mix.Design{}, false
	}
	d, faults := mix.FromRatios(r)
	e.faults.Append(faults.All()...)
	return d, faults.Empty()
}

// ratioAmount is a constituent of a mix by ratio that has an amount of its own.
func (e *evaluated) ratioAmount(given Constituent, rec *record, at fault.Path, accepted ...mix.Role) mix.Constituent {
	c := e.cast(given.Item, at, at.At("item"), accepted...)
	if c.Basis, c.Value, c.System = e.amount(given.Amount, at.At("amount")); c.Basis == mix.Balance {
		e.faults.Add(at.At("amount"), "balance-twice", "in a mix by ratio the aggregates close the volume")
	}
	e.keepSystem(rec, given.Amount, c.System, at.At("amount"))
	e.list(given, at)
	return c
}

// cast is a constituent that must have one of the roles.
func (e *evaluated) cast(code string, at, named fault.Path, accepted ...mix.Role) mix.Constituent {
	c := e.material(code, at, named)
	if c.Role != 0 && !slices.Contains(accepted, c.Role) {
		var names []string
		for _, role := range accepted {
			names = append(names, string(categoryOf(role)))
		}
		e.faults.Add(named, "category-mismatch", "%s is %s; here %s is needed", c.Item, categoryOf(c.Role), strings.Join(names, " or "))
	}
	return c
}

func categoryOf(role mix.Role) inventory.Category {
	for category, r := range roles {
		if r == role {
			return category
		}
	}
	return ""
}

// positive reads a number without a unit that must be more than zero.
func (e *evaluated) positive(text string, at fault.Path) decimal.NullDecimal {
	before := e.faults.Len()
	v := e.decimal(text, at)
	if e.faults.Len() == before && !v.IsPositive() {
		e.faults.Add(at, "out-of-range", "%q must be more than zero", short(text))
	}
	return decimal.NewNullDecimal(v)
}

// part reads a share of more than nothing.
func (e *evaluated) part(text string, at fault.Path) decimal.Decimal {
	before := e.faults.Len()
	v := e.fraction(text, at)
	if e.faults.Len() == before && !v.IsPositive() {
		e.faults.Add(at, "out-of-range", "a share is more than 0 %%; leave the entry out where it is not used")
	}
	return v
}

func (e *evaluated) ratioAggregate(a RatioAggregate, rec *record, at fault.Path) mix.Constituent {
	c := e.cast(a.Item, at, at.At("item"), mix.Aggregate)
	given := a.Amount
	switch {
	case a.Share != "" && a.Amount == "" && a.BulkVolume == "" && a.DryRoddedDensity == "":
		c.Basis, c.Value = mix.Balance, e.part(a.Share, at.At("share"))
		e.solved = append(e.solved, a.Item)
		given = a.Share + " of aggregate"
	case a.Amount != "" && a.Share == "" && a.BulkVolume == "" && a.DryRoddedDensity == "":
		if c.Basis, c.Value, c.System = e.amount(a.Amount, at.At("amount")); c.Basis == mix.Balance || c.Basis == mix.OfBinder {
			e.faults.Add(at.At("amount"), "unit-incompatible", "give the aggregate by mass or by volume of concrete, or its share of what closes the volume")
		}
		e.keepSystem(rec, a.Amount, c.System, at.At("amount"))
	case a.BulkVolume != "" && a.DryRoddedDensity != "" && a.Share == "" && a.Amount == "":
		bulk := e.positive(a.BulkVolume, at.At("bulk_volume"))
		if q, ok := e.required(a.DryRoddedDensity, "1600 kg/m3", at.At("dry_rodded_density"), unit.Density); ok {
			e.keep(rec, q, at.At("dry_rodded_density"))
			c.Basis, c.Value = mix.ByMass, mix.CoarseMass(bulk.Decimal, q.SI())
		}
		given = a.BulkVolume + " of " + a.DryRoddedDensity
	default:
		e.faults.Add(at, "one-of", "an aggregate has a share, or an amount, or a bulk_volume with its dry_rodded_density")
	}
	e.list(Constituent{Item: a.Item, Amount: given}, at)
	return c
}
