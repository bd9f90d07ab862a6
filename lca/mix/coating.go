package mix

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// FibreSurface is the surface of round fibres, ends left out, in m2 per m3 of
// concrete: 4·mass/(density·diameter), with mass in kg/m3, the density of the
// fibre in kg/m3 and its diameter in m, both > 0 (geometry).
func FibreSurface(mass, density, diameter decimal.Decimal) decimal.Decimal {
	return num.AmountQuotient(decimal.New(4, 0).Mul(mass), density.Mul(diameter))
}

// Film is the thickness in m of a slurry spread evenly over a surface: volume in
// m3 over surface in m2 > 0. It ignores that the film is curved, and so is an
// upper bound for thick films on thin fibres.
func Film(volume, surface decimal.Decimal) decimal.Decimal {
	return num.AmountQuotient(volume, surface)
}

// SlurryVolume is the absolute volume, in m3 per m3 of concrete, of what a stage
// holds beside one constituent; false where a density is not known.
func SlurryVolume(p Proportions, stage StageResult, beside int) (decimal.Decimal, bool) {
	volume := decimal.Zero
	for i, m := range stage.Masses {
		if i == beside || m.IsZero() {
			continue
		}
		if !p.Parts[i].Volume.Valid {
			return decimal.Zero, false
		}
		volume = volume.Add(num.Quotient(m.Mul(p.Parts[i].Volume.Decimal), p.Parts[i].Mass))
	}
	return num.Amount(volume), true
}
