package service

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/num"
	"slabledger/lca/pavement"
)

// RatioThickness is the thickness that a slab needs at one residual strength ratio, not
// rounded to one that is built.
type RatioThickness struct {
	RatioPercent Plain
	RequiredMM   Plain
	Governs      string
	Criteria     []CriterionResult
}

// ThicknessByRatio sizes the same slab at each of some residual strength ratios, in per
// cent, by the rule residual_ratio: MOR (1 + R). It shows up to where fibres save
// thickness, and from where erosion governs, which they do not slow. The modulus of
// rupture is that of the design, or of its beam tests; what else the design says of
// residual strength is set aside. The error has the faults of the design.
func ThicknessByRatio(d ThicknessDesign, percents []decimal.Decimal) ([]RatioThickness, error) {
	size := func(d ThicknessDesign) (*ThicknessResult, error) {
		r := reader{}
		result := r.size(d, "", decimal.NullDecimal{}, false)
		if !r.faults.Empty() {
			return nil, errFaults(r.faults.All())
		}
		return result, nil
	}
	d.Rounding = nil
	if d.Strength.BeamTests != nil {
		result, err := size(d)
		if err != nil {
			return nil, err
		}
		// Beam tests that size a slab have a modulus of rupture.
		d.Strength = DesignStrength{ModulusOfRupture: num.Canonical(result.BeamTests.Design.MORMPa.Decimal) + " MPa", CoefficientOfVariation: d.Strength.CoefficientOfVariation}
	}
	d.Strength.Rule, d.Strength.F150 = string(pavement.RuleResidualRatio), ""
	points := make([]RatioThickness, 0, len(percents))
	for _, percent := range percents {
		d.Strength.ResidualRatio = num.Canonical(percent) + " %"
		result, err := size(d)
		if err != nil {
			return nil, err
		}
		points = append(points, RatioThickness{RatioPercent: Plain{percent}, RequiredMM: *result.RequiredMM, Governs: result.Governs, Criteria: result.Criteria})
	}
	return points, nil
}
