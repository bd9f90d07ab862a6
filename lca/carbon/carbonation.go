package carbon

import (
	"errors"
	"slices"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// Carbonation is the uptake of CO2 by concrete in use, module B1 (EN 16757, annex
// on CO2 uptake). It is optional, and never netted against A1 to A3.

// molarCO2 over molarCaO is the mass of CO2 that binds to a mass of CaO, 44/56, as EN 16757 prints
// the molar masses.
var molarCO2, molarCaO = decimal.New(44, 0), decimal.New(56, 0)

// MaxUptake is the largest uptake of a cement in kg CO2 per kg,
//
//	reactive CaO of the clinker × 44/56 × clinker of the cement
//
// both as fractions of mass (EN 16757; for CEM I 0.65 × 44/56 × 0.95 = 0.485,
// which it prints as 0.49). Rounded once, to 12 decimals.
func MaxUptake(reactiveCaO, clinker decimal.Decimal) decimal.Decimal {
	return num.AmountQuotient(reactiveCaO.Mul(clinker).Mul(molarCO2), molarCaO)
}

// CarbonationDepth is how deep concrete has carbonated after some years, in m,
//
//	k √t
//
// with k in mm per √year (EN 16757), and at most the thickness of the slab in m: a
// slab on ground has one face to the air. Rounded once, to 12 decimals. The error
// is num.ErrNegative.
func CarbonationDepth(k decimal.Decimal, years int, thickness decimal.Decimal) (decimal.Decimal, error) {
	root, err := num.Sqrt(decimal.New(int64(years), 0))
	if err != nil {
		return decimal.Zero, err
	}
	if depth := k.Mul(root).Shift(-3); depth.LessThan(thickness) {
		return num.Amount(depth), nil
	}
	return thickness, nil
}

// Exposures of a surface that the factor k depends on.
const (
	ExposedToRain = "exposed_to_rain"
	Sheltered     = "sheltered_from_rain"
	InGround      = "in_ground"
)

// Exposures lists them.
func Exposures() []string { return []string{ExposedToRain, Sheltered, InGround} }

// StrengthClasses of EN 206 by cylinder and cube, in order, as far as the table of
// factors tells them apart.
func StrengthClasses() []string {
	return []string{"C8/10", "C12/15", "C16/20", "C20/25", "C25/30", "C30/37", "C35/45", "C40/50", "C45/55", "C50/60"}
}

// ErrNoRate: the table has no factor for a strength class or an exposure.
var ErrNoRate = errors.New("no carbonation factor for this strength class and exposure")

// Rate is how fast a surface carbonates: k in mm per √year, and the degree of
// carbonation, the share of the largest uptake that is bound within the depth.
type Rate struct{ K, Degree decimal.Decimal }

// rates of EN 16757's table for civil engineering and outdoor surfaces, by exposure
// and by cylinder strength: below 15, 15 to 20, 25 to 35 and above 35 MPa (values
// from memory).
var rates = map[string]struct {
	k      [4]string
	degree string
}{
	ExposedToRain: {[4]string{"5.5", "2.7", "1.6", "1.1"}, "0.85"},
	Sheltered:     {[4]string{"11", "6.6", "4.4", "2.7"}, "0.75"},
	InGround:      {[4]string{"2.5", "1.1", "0.8", "0.5"}, "0.85"},
}

// RateOf looks up k and degree by strength class and exposure (EN 16757, values
// from memory). The error is ErrNoRate.
func RateOf(class, exposure string) (Rate, error) {
	i := slices.Index(StrengthClasses(), class)
	row, known := rates[exposure]
	if i < 0 || !known {
		return Rate{}, ErrNoRate
	}
	column := [...]int{0, 0, 1, 1, 2, 2, 2, 3, 3, 3}[i] // C35/45 is the last of 25 to 35 MPa
	k, err := num.Parse(row.k[column])
	if err != nil {
		return Rate{}, err
	}
	degree, err := num.Parse(row.degree)
	return Rate{k, degree}, err
}
