package mix

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// Ratios is a mix given by ratios. Two of Binder, MixingWater (kg/m3) and
// WaterBinder are given, each more than zero; the third follows. Mixing water is
// the effective water: it includes what admixtures bring and excludes what the
// aggregate absorbs.
type Ratios struct {
	Binder, MixingWater, WaterBinder decimal.NullDecimal

	// Cement and Water need no amount; At is the member that names the item.
	Cement, Water Constituent
	// Replacement is SCM, Value the share of the binder mass.
	Replacement []Constituent
	// Aggregates by mass are given; of those of basis Balance, Value is the share
	// of the aggregate mass that closes the cubic metre. The shares sum to one.
	Aggregates []Constituent
	Others     []Constituent // fibres and admixtures, by any basis but Balance
	Air        decimal.Decimal
	Absorbed   decimal.Decimal // kg/m3, on top of the mixing water
	At         fault.Path
}

// CoarseMass is the mass of coarse aggregate in kg per m3 of concrete: its
// dry-rodded volume per volume of concrete times its dry-rodded density in kg/m3
// (ACI 211.1-91, estimate of the coarse aggregate).
func CoarseMass(bulkVolume, dryRodded decimal.Decimal) decimal.Decimal {
	return num.Amount(bulkVolume.Mul(dryRodded))
}

// FromRatios turns ratios into a design by mass, ready for Proportion.
func FromRatios(r Ratios) (d Design, faults fault.List) {
	binder, water := solveBinder(r, &faults)
	d = Design{Air: r.Air, Absorbed: r.Absorbed, At: r.At}

	cement, replaced := r.Cement, decimal.Zero
	cement.Value = binder
	scm := make([]Constituent, len(r.Replacement))
	for i, c := range r.Replacement {
		replaced = replaced.Add(c.Value)
		c.Basis, c.Value = ByMass, num.Amount(binder.Mul(c.Value))
		cement.Value = cement.Value.Sub(c.Value)
		scm[i] = c
	}
	if replaced.GreaterThanOrEqual(num.One) {
		faults.Add(r.At.At("replacement"), "out-of-range", "%s %% of the binder replaces cement; accepted: less than 100 %%", replaced.Mul(num.Hundred))
	}
	rest := restOfAggregate(r, &faults)
	if !faults.Empty() {
		return d, faults
	}
	cement.Basis = ByMass
	w := r.Water
	w.Basis, w.Value = ByMass, water.Add(r.Absorbed)
	d.Constituents = append(append(append(d.Constituents, cement), scm...), w)
	at := len(d.Constituents) - 1

	var fixed []Constituent
	for _, c := range r.Aggregates {
		if c.Basis != Balance {
			fixed = append(fixed, c)
		}
	}
	// All aggregate that is given by share closes the volume as if it were one.
	probe := d
	probe.Constituents = append(append(append([]Constituent{}, d.Constituents...), fixed...), r.Others...)
	probe.Constituents = append(probe.Constituents, rest)
	p, _, wrong := Proportion(probe)
	if wrong.Empty() && p.AdmixtureWater.IsPositive() {
		w.Value = w.Value.Sub(p.AdmixtureWater)
		probe.Constituents[at], d.Constituents[at] = w, w
		if !w.Value.IsPositive() {
			faults.Add(r.At.At("admixtures"), "out-of-range", "the admixtures bring %s kg/m3 of water, and the mix has room for %s kg/m3", p.AdmixtureWater, water)
			return d, faults
		}
		p, _, wrong = Proportion(probe)
	}
	if !wrong.Empty() {
		for _, f := range wrong.All() {
			for _, named := range []fault.Path{r.Cement.At, r.Water.At, rest.At} {
				if f.Pointer == named.At("item") || f.Pointer == named.At("amount") {
					f.Pointer = named
				}
			}
			faults.Append(f)
		}
		return d, faults
	}
	d.Constituents = append(d.Constituents, splitAggregate(r.Aggregates, p.Parts[len(p.Parts)-1].Mass)...)
	d.Constituents = append(d.Constituents, r.Others...)
	return d, faults
}

// solveBinder gives the mass of binder and of mixing water in kg/m3.
func solveBinder(r Ratios, faults *fault.List) (binder, water decimal.Decimal) {
	switch {
	case r.Binder.Valid && r.WaterBinder.Valid && !r.MixingWater.Valid:
		binder = num.Amount(r.Binder.Decimal)
		return binder, num.Amount(binder.Mul(r.WaterBinder.Decimal))
	case r.Binder.Valid && r.MixingWater.Valid && !r.WaterBinder.Valid:
		return num.Amount(r.Binder.Decimal), num.Amount(r.MixingWater.Decimal)
	case r.MixingWater.Valid && r.WaterBinder.Valid && !r.Binder.Valid:
		water = num.Amount(r.MixingWater.Decimal)
		return num.AmountQuotient(water, r.WaterBinder.Decimal), water
	}
	faults.Add(r.At, "one-open", "give two of binder, mixing_water and water_binder_ratio; the third follows from them")
	return binder, water
}

// restOfAggregate is one aggregate in the place of all that are given by share:
// shares s of densities d together have the density 1/sum(s/d).
func restOfAggregate(r Ratios, faults *fault.List) Constituent {
	at := r.At.At("aggregates")
	rest := Constituent{Item: "the aggregates", Role: Aggregate, Basis: Balance, At: at}
	shares, volume, known := decimal.Zero, decimal.Zero, true
	for _, c := range r.Aggregates {
		if c.Basis != Balance {
			continue
		}
		shares = shares.Add(c.Value)
		if c.Density.Valid {
			volume = volume.Add(num.Quotient(c.Value, c.Density.Decimal))
			continue
		}
		known = false
		faults.Add(c.At.At("item"), "density-missing", "the aggregate closes the volume of the mix, but the inventory has no density for %s", c.Item)
	}
	switch {
	case !shares.Equal(num.One):
		faults.Add(at, "shares-incomplete", "the shares of the aggregates sum to %s %%; those that have a share must sum to 100 %%", shares.Mul(num.Hundred))
	case known:
		rest.Density = decimal.NewNullDecimal(num.Quotient(num.One, volume))
	}
	return rest
}

// splitAggregate gives each aggregate its mass; the last share takes the rest,
// so that they sum to the whole exactly.
func splitAggregate(aggregates []Constituent, whole decimal.Decimal) []Constituent {
	out, last, left := make([]Constituent, len(aggregates)), 0, whole
	for i, c := range aggregates {
		if c.Basis == Balance {
			last = i
			c.Basis, c.Value = ByMass, num.Amount(c.Value.Mul(whole))
			left = left.Sub(c.Value)
		}
		out[i] = c
	}
	out[last].Value = out[last].Value.Add(left)
	return out
}
