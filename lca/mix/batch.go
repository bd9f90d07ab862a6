package mix

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// Batch is a batch as it was weighed, with its measured fresh density.
type Batch struct {
	Parts   []Weighed
	Density decimal.Decimal     // kg/m3, > 0
	Volume  decimal.NullDecimal // designed, m3, > 0
	At      fault.Path          // of the list of parts
}

// Weighed is one constituent of a batch: Value is its mass in kg as weighed. An
// aggregate may state its moisture; without, it is taken as saturated and
// surface-dry.
type Weighed struct {
	Constituent
	Moisture *Moisture
}

// Measured is what a batch and its density tell (ASTM C138/C138M).
type Measured struct {
	Mass     decimal.Decimal     // kg, of the batch
	Yield    decimal.Decimal     // m3
	Relative decimal.NullDecimal // yield over the designed volume
	Surplus  decimal.NullDecimal // m3: yield less the designed volume
	// AirFree is the theoretical density without air, kg/m3, and Air the
	// gravimetric air content as a fraction; both need every particle density.
	AirFree decimal.NullDecimal
	Air     decimal.NullDecimal
}

// Measure turns a batch into the design that it was: contents per m3 of the
// concrete that it really made, air included.
func Measure(b Batch) (d Design, m Measured, faults fault.List) {
	ssd := SurfaceDry(b.Parts, b.At, &faults)
	if !faults.Empty() {
		return d, m, faults
	}
	d.At = b.At
	solid, known := decimal.Zero, true
	for i, part := range b.Parts {
		m.Mass = m.Mass.Add(part.Value)
		if part.Density.Valid {
			solid = solid.Add(num.Quotient(ssd[i], part.Density.Decimal))
		} else {
			known = false
		}
	}
	yield := num.Quotient(m.Mass, b.Density)
	m.Yield = num.Amount(yield)
	if b.Volume.Valid {
		m.Relative = decimal.NewNullDecimal(num.AmountQuotient(yield, b.Volume.Decimal))
		m.Surplus = decimal.NewNullDecimal(m.Yield.Sub(num.Amount(b.Volume.Decimal)))
	}
	if known {
		m.AirFree = decimal.NewNullDecimal(num.AmountQuotient(m.Mass, solid))
		m.Air = decimal.NewNullDecimal(num.Amount(num.One.Sub(num.Quotient(solid, yield))))
		if m.Air.Decimal.IsPositive() {
			d.Air = m.Air.Decimal
		}
	}
	for i, part := range b.Parts {
		c := part.Constituent
		c.Basis, c.Value = ByMass, num.AmountQuotient(ssd[i], yield)
		d.Constituents = append(d.Constituents, c)
	}
	return d, m, faults
}

// SurfaceDry gives the masses of a batch with its aggregate saturated and
// surface-dry: the free water that moist aggregate brings is water, and what dry
// aggregate takes up is not. The sum of the masses stays the same exactly.
func SurfaceDry(parts []Weighed, at fault.Path, faults *fault.List) []decimal.Decimal {
	masses, water, free := make([]decimal.Decimal, len(parts)), -1, decimal.Zero
	for i, part := range parts {
		masses[i] = part.Value
		switch {
		case part.Role == Water && water < 0:
			water = i
		case part.Moisture == nil:
		case part.Role != Aggregate:
			faults.Add(part.At.At("moisture"), "not-used", "%s is no aggregate; moisture and absorption are for aggregates", part.Item)
		default:
			masses[i] = part.Moisture.SSD(part.Value)
			free = free.Add(part.Value.Sub(masses[i]))
		}
	}
	switch {
	case free.IsZero():
	case water < 0:
		faults.Add(at, "water-missing", "the aggregates bring %s kg of free water, but no water stands in the batch to count it with", free)
	default:
		masses[water] = masses[water].Add(free)
		if masses[water].IsNegative() {
			faults.Add(parts[water].At, "out-of-range", "the aggregates take up %s kg of water, more than the batch has", free.Neg())
		}
	}
	return masses
}
