package mix

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// BreakEven is how much thinner a slab of a dearer concrete must be to cost no
// more: the x of (1 - x)·dearer = ordinary, both per m3 of concrete, to 34
// digits. It is zero or less where the concrete is not dearer. The error is
// num.ErrDivisionByZero.
func BreakEven(dearer, ordinary decimal.Decimal) (decimal.Decimal, error) {
	return num.Div(dearer.Sub(ordinary), dearer)
}

// BreakEvenEnergy is the extra energy per m3 of concrete at which a slab thinner
// by the fraction saving (0 <= saving < 1) emits as much as the ordinary one: the
// k of (1 - saving)·(ordinary + k·factor) = ordinary, to 34 digits. ordinary is
// in kg CO2e/m3, factor in kg CO2e per unit of energy. The error is
// num.ErrDivisionByZero.
func BreakEvenEnergy(ordinary, saving, factor decimal.Decimal) (decimal.Decimal, error) {
	return num.Div(ordinary.Mul(saving), num.One.Sub(saving).Mul(factor))
}

// BreakEvenHaul is by how many kilometres more a tonne may be hauled until a
// saving is used up: saving/perTonneKm, to 12 decimals. saving is per tonne and
// perTonneKm per t.km, both in kg CO2e or both in money. Where nothing is saved it
// is not positive: by so much the haul is too long. The error is
// num.ErrDivisionByZero, where the haul comes to nothing.
func BreakEvenHaul(saving, perTonneKm decimal.Decimal) (decimal.Decimal, error) {
	km, err := num.Div(saving, perTonneKm)
	return num.Amount(km), err
}
