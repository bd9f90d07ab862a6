// Package mix turns concrete proportions into mass and absolute volume per
// cubic metre, water/binder ratios and mixing stages.
//
// The absolute volume method is that of ACI 211.1-91 and ASTM C138/C138M: the
// volume of a constituent is its mass over its particle density, and all
// volumes with the air make one cubic metre. Aggregate is saturated and
// surface-dry.
package mix

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
	"slabledger/lca/unit"
)

// Role is what a constituent does in the mix.
type Role int

// Roles. Binder is cement and supplementary cementitious material (SCM).
const (
	Cement Role = iota + 1
	SCM
	Aggregate
	Water
	Fibre
	Admixture
)

// Basis is how an amount is written.
type Basis int

// Bases of an amount.
const (
	ByMass   Basis = iota + 1 // Value in kg per m3 of concrete
	OfBinder                  // Value is a fraction of the binder mass
	ByVolume                  // Value is a fraction of the concrete volume
	Balance                   // what closes the cubic metre
)

// Constituent is one material of a design. Density is the particle density in
// kg/m3, Solids the solids content of an admixture as a fraction of its mass.
type Constituent struct {
	Item    string
	Role    Role
	Density decimal.NullDecimal
	Solids  decimal.NullDecimal
	Basis   Basis
	Value   decimal.Decimal
	System  unit.System
	At      fault.Path
}

// Design is what the user gives. Air is a fraction of the volume, 0 <= Air < 0.2.
// Absorbed is the part of the given water that the aggregate takes up, kg/m3.
type Design struct {
	Constituents []Constituent
	Air          decimal.Decimal
	Absorbed     decimal.Decimal
	At           fault.Path
	NoneToo      bool // an amount may be zero, as it is at the end of a range of dosages
}

// Part is one constituent as proportioned: Mass in kg, Volume in m3, both per
// m3 of concrete. Volume is invalid where the density is unknown.
type Part struct {
	Item   string
	Role   Role
	Mass   decimal.Decimal
	Volume decimal.NullDecimal
}

// Proportions is the mix per cubic metre. Masses are rounded once to 12
// decimals (num.Amount); everything after is computed from what is printed.
type Proportions struct {
	Parts          []Part
	Air            decimal.Decimal // fraction
	Volume         decimal.Decimal // m3 per m3, air included; 1 where it closes
	VolumeKnown    bool            // every constituent has a density
	Density        decimal.Decimal // fresh, kg/m3: the mass of one cubic metre
	Cement         decimal.Decimal // kg/m3
	Binder         decimal.Decimal // kg/m3
	TotalWater     decimal.Decimal // kg/m3: water given and water in admixtures
	AdmixtureWater decimal.Decimal // kg/m3
	Absorbed       decimal.Decimal // kg/m3
	EffectiveWater decimal.Decimal // kg/m3: total less absorbed
	// Ratios are invalid where there is no cement, or no binder.
	WaterCement decimal.NullDecimal // effective water over cement, EN 206 w/c with k = 0
	WaterBinder decimal.NullDecimal // effective water over binder
}

// Limits of volume closure (common practice, no source): beyond Warn the
// result says so, beyond Refuse nothing is computed.
var (
	closureWarn   = decimal.New(2, -2)
	closureRefuse = decimal.New(5, -2)
	maxAir        = decimal.New(2, -1)
	thousand      = decimal.New(1000, 0)
)

// Proportion solves a design for one cubic metre. Faults stop it; warnings do
// not.
func Proportion(d Design) (p Proportions, warnings, faults fault.List) {
	checkDesign(d, &faults)
	if !faults.Empty() {
		return p, warnings, faults
	}
	p.Air, p.Absorbed = d.Air, d.Absorbed
	p.Parts = make([]Part, len(d.Constituents))
	for i, c := range d.Constituents {
		p.Parts[i] = Part{Item: c.Item, Role: c.Role}
		if c.Basis == ByMass {
			p.Parts[i].Mass = num.Amount(c.Value)
		} else if c.Basis == ByVolume {
			p.Parts[i].Mass = num.Amount(c.Value.Mul(c.Density.Decimal))
		}
		if c.Role == Cement {
			p.Cement = p.Cement.Add(p.Parts[i].Mass)
		}
		if c.Role == Cement || c.Role == SCM {
			p.Binder = p.Binder.Add(p.Parts[i].Mass)
		}
	}
	balance := -1
	for i, c := range d.Constituents {
		switch c.Basis {
		case OfBinder:
			if p.Binder.IsZero() {
				faults.Add(c.At.At("amount"), "binder-missing", "%s is given as a share of the binder, but the mix has no cement or SCM", c.Item)
				continue
			}
			p.Parts[i].Mass = num.Amount(c.Value.Mul(p.Binder))
		case Balance:
			balance = i
		}
	}
	if !faults.Empty() {
		return p, warnings, faults
	}

	p.VolumeKnown = true
	p.Volume = d.Air
	for i, c := range d.Constituents {
		if !c.Density.Valid {
			p.VolumeKnown = false
			continue
		}
		if i == balance {
			continue
		}
		v := num.Quotient(p.Parts[i].Mass, c.Density.Decimal)
		p.Parts[i].Volume = decimal.NewNullDecimal(v)
		p.Volume = p.Volume.Add(v)
	}
	if balance >= 0 {
		closeVolume(d, &p, balance, &faults)
	} else {
		checkClosure(d, p, &warnings, &faults)
	}
	if !faults.Empty() {
		return p, warnings, faults
	}
	water(d, &p, &warnings, &faults)
	for _, part := range p.Parts {
		p.Density = p.Density.Add(part.Mass)
	}
	return p, warnings, faults
}

func checkDesign(d Design, faults *fault.List) {
	if len(d.Constituents) == 0 {
		faults.Add(d.At.At("constituents"), "required-member-missing", "a mix needs constituents")
	}
	if d.Air.IsNegative() || d.Air.GreaterThanOrEqual(maxAir) {
		faults.Add(d.At.At("air"), "out-of-range", "air is %s %%; accepted: 0 %% to less than 20 %%", d.Air.Mul(num.Hundred))
	}
	if d.Absorbed.IsNegative() {
		faults.Add(d.At.At("absorbed_water"), "out-of-range", "absorbed water is negative")
	}
	first := map[string]int{}
	system, balance := unit.Neutral, -1
	for i, c := range d.Constituents {
		at := c.At.At("amount")
		if j, twice := first[c.Item]; twice {
			faults.Add(c.At.At("item"), "duplicate-item", "%s stands in the mix twice (also as constituent %d); give its whole amount once", c.Item, j)
		}
		first[c.Item] = i
		if c.System != unit.Neutral {
			if system == unit.Neutral {
				system = c.System
			} else if system != c.System {
				faults.Add(at, "unit-system-mixed", "%s is given in %s units while the mix began in %s units; one mix keeps to one system (ASTM C94/C94M, 1.2)", c.Item, c.System, system)
			}
		}
		binder := c.Role == Cement || c.Role == SCM
		switch c.Basis {
		case Balance:
			if balance >= 0 {
				faults.Add(at, "balance-twice", "%s: only one constituent can close the volume; %s already does", c.Item, d.Constituents[balance].Item)
			}
			balance = i
			if binder {
				faults.Add(at, "balance-on-binder", "%s: binder is given by mass; let an aggregate close the volume", c.Item)
			}
			continue
		case OfBinder:
			if binder {
				faults.Add(at, "binder-of-binder", "%s is itself binder; give its mass per m3", c.Item)
			}
		case ByVolume:
			if !c.Density.Valid {
				faults.Add(at, "density-missing", "%s is given by volume, but the inventory has no density for it", c.Item)
			}
			if c.Value.GreaterThanOrEqual(num.One) {
				faults.Add(at, "out-of-range", "%s fills %s %% of the concrete; accepted: less than 100 %%", c.Item, c.Value.Mul(num.Hundred))
			}
		}
		if !c.Value.IsPositive() && !(d.NoneToo && c.Value.IsZero()) {
			faults.Add(at, "out-of-range", "the amount of %s must be more than zero; leave the constituent out where it is not used", c.Item)
		}
	}
	if balance >= 0 {
		for _, c := range d.Constituents {
			if !c.Density.Valid {
				faults.Add(c.At.At("item"), "density-missing", "the mix closes its volume by balance, but the inventory has no density for %s", c.Item)
			}
		}
	}
}

// closeVolume gives the balance constituent what is left of the cubic metre.
func closeVolume(d Design, p *Proportions, balance int, faults *fault.List) {
	left := num.One.Sub(p.Volume)
	c := d.Constituents[balance]
	if !left.IsPositive() {
		largest := largestVolume(d, *p)
		faults.Add(c.At.At("amount"), "mix-volume-mismatch",
			"nothing is left for %s: the other constituents and the air fill %s L of 1000 L (%s L, %s %% too much); look first at %s",
			c.Item, litres(p.Volume), litres(left.Neg()), percent(left.Neg()), largest)
		return
	}
	p.Parts[balance].Mass = num.Amount(left.Mul(c.Density.Decimal))
	v := num.Quotient(p.Parts[balance].Mass, c.Density.Decimal)
	p.Parts[balance].Volume = decimal.NewNullDecimal(v)
	p.Volume = p.Volume.Add(v)
}

// checkClosure compares the sum of absolute volumes and air with 1 m3.
func checkClosure(d Design, p Proportions, warnings, faults *fault.List) {
	at := d.At.At("constituents")
	if !p.VolumeKnown {
		for _, c := range d.Constituents {
			if !c.Density.Valid {
				warnings.Add(c.At.At("item"), "volume-not-checked", "the inventory has no density for %s, so the volume of this mix is not checked against 1 m3", c.Item)
			}
		}
		return
	}
	gap := p.Volume.Sub(num.One)
	if gap.Abs().LessThanOrEqual(closureWarn) {
		return
	}
	side := "too much"
	if gap.IsNegative() {
		side = "too little"
	}
	detail := "the constituents and the air make %s L, not 1000 L: %s L (%s %%) %s; look first at %s, or let one aggregate be \"balance\""
	args := []any{litres(p.Volume), litres(gap.Abs()), percent(gap.Abs()), side, largestVolume(d, p)}
	if gap.Abs().GreaterThan(closureRefuse) {
		faults.Add(at, "mix-volume-mismatch", detail, args...)
	} else {
		warnings.Add(at, "mix-volume-mismatch", detail, args...)
	}
}

// water applies ACI 211.1: mixing water excludes what the aggregate absorbs
// and includes what admixtures bring.
func water(d Design, p *Proportions, warnings, faults *fault.List) {
	for i, c := range d.Constituents {
		switch {
		case c.Role == Water:
			p.TotalWater = p.TotalWater.Add(p.Parts[i].Mass)
		case c.Role == Admixture && c.Solids.Valid:
			p.AdmixtureWater = p.AdmixtureWater.Add(num.Amount(p.Parts[i].Mass.Mul(num.One.Sub(c.Solids.Decimal))))
		case c.Role == Admixture:
			warnings.Add(c.At.At("item"), "solids-unknown", "the inventory has no solids content for %s, so its water is not in the water/binder ratio", c.Item)
		}
	}
	p.TotalWater = p.TotalWater.Add(p.AdmixtureWater)
	p.EffectiveWater = p.TotalWater.Sub(p.Absorbed)
	if p.EffectiveWater.IsNegative() {
		faults.Add(d.At.At("absorbed_water"), "out-of-range", "the aggregate absorbs %s kg/m3, but the mix has only %s kg/m3 of water", p.Absorbed, p.TotalWater)
		return
	}
	if p.Cement.IsPositive() {
		p.WaterCement = decimal.NewNullDecimal(num.AmountQuotient(p.EffectiveWater, p.Cement))
	}
	if p.Binder.IsPositive() {
		p.WaterBinder = decimal.NewNullDecimal(num.AmountQuotient(p.EffectiveWater, p.Binder))
	}
}

func largestVolume(d Design, p Proportions) string {
	name, largest := "", decimal.Zero
	for i, part := range p.Parts {
		if part.Volume.Valid && part.Volume.Decimal.GreaterThan(largest) {
			largest, name = part.Volume.Decimal, d.Constituents[i].Item
		}
	}
	return name
}

func litres(m3 decimal.Decimal) string {
	return m3.Mul(thousand).RoundBank(1).StringFixed(1)
}

func percent(fraction decimal.Decimal) string {
	return fraction.Mul(num.Hundred).RoundBank(2).StringFixed(2)
}

// Yield is the volume that a batch of the given mass makes at the measured
// fresh density (ASTM C138/C138M, yield). Any consistent units; density > 0.
func Yield(batchMass, density decimal.Decimal) (decimal.Decimal, error) {
	return num.Div(batchMass, density)
}
