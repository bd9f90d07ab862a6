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
