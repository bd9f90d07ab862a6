package unit

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

var (
	kgPerTonne = decimal.NewNullDecimal(decimal.New(1000, 0))
	oneKg      = decimal.NewNullDecimal(num.One)
)

// KgPer is the mass in kg of one unit of a material, by the code of the unit: from the
// mass of one unit (kg) where that is stated, else, of m3 and L, from the density
// (kg/m3). It is invalid where neither says. Of a kg and a t what is stated does not
// matter.
func KgPer(code string, stated, density decimal.NullDecimal) decimal.NullDecimal {
	switch {
	case code == "kg":
		return oneKg
	case code == "t":
		return kgPerTonne
	case stated.Valid:
		return stated
	case code == "m3":
		return density
	case code == "L" && density.Valid:
		return decimal.NewNullDecimal(density.Decimal.Shift(-3))
	}
	return decimal.NullDecimal{}
}
