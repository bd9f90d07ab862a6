package mix

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// Moisture of an aggregate. Both are fractions of its oven-dry mass, at least
// zero: Total is all water in and on it, Absorption what it holds when it is
// saturated and surface-dry (SSD).
type Moisture struct {
	Total      decimal.Decimal
	Absorption decimal.Decimal
}

// Batch is the mass to weigh, in kg, of an aggregate whose SSD mass is given:
// SSD/(1 + absorption) is the oven-dry mass, times 1 + total moisture (ACI
// 211.1-91, adjustment for moisture). It is not SSD times 1 + moisture, which
// takes the moisture on the wrong mass.
func (m Moisture) Batch(ssd decimal.Decimal) decimal.Decimal {
	return num.AmountQuotient(ssd.Mul(num.One.Add(m.Total)), num.One.Add(m.Absorption))
}

// SSD is the saturated and surface-dry mass, in kg, of an aggregate weighed as
// it lies: the inverse of Batch to the last place of num.Amount.
func (m Moisture) SSD(batch decimal.Decimal) decimal.Decimal {
	return num.AmountQuotient(batch.Mul(num.One.Add(m.Absorption)), num.One.Add(m.Total))
}

// Absorbed is the water, in kg, that an aggregate holds when it is saturated and
// surface-dry: its SSD mass less the oven-dry one. It is what the mix must give
// an aggregate that comes dry.
func (m Moisture) Absorbed(ssd decimal.Decimal) decimal.Decimal {
	return ssd.Sub(Moisture{Absorption: m.Absorption}.Batch(ssd))
}
