package service

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/flexure"
	"slabledger/lca/num"
)

// CurvePoint is one point of a load-deflection curve: mm of deflection or opening, and kN.
type CurvePoint struct{ MM, KN decimal.Decimal }

// BeamCurvePoints is the curve of one beam as it was evaluated.
type BeamCurvePoints struct {
	Beam     string
	Axis     string // deflection, cmod
	Excluded bool   // from statistics
	Points   []CurvePoint
	Read     []CurveReadAt // in the order of the method
}

// CurveReadAt is where the standard reads a load.
type CurveReadAt struct {
	Point string // first_peak, peak, l600, l150, lop, cmod_0_5 ...
	CurvePoint
}

// BeamCurves gives the points of the curves of a request, in the order of its beams, with
// where the standard reads them. Beams without a curve are left out. The faults are those
// of EvaluateBeamTests.
func BeamCurves(req BeamTestRequest) ([]BeamCurvePoints, fault.List) {
	result, faults := EvaluateBeamTests(req, "")
	if !faults.Empty() {
		return nil, faults
	}
	var out []BeamCurvePoints
	for i, given := range req.Specimens {
		if given.Curve == nil {
			continue
		}
		beam, r := &result.Specimens[i], reader{}
		curve, _ := r.curve(given.Curve, flexure.Axis(beam.Curve.Axis), "")
		samples := curve.Samples // it was read before without a fault
		if beam.Curve.ToeCorrected {
			samples = curve.Moved(beam.Curve.ToeOffsetMM.Decimal)
		}
		c := BeamCurvePoints{Beam: given.Name, Axis: beam.Curve.Axis, Excluded: given.Excluded != ""}
		highest := 0
		for k, s := range samples {
			c.Points = append(c.Points, CurvePoint{s.MM, s.KN})
			if s.KN.GreaterThan(samples[highest].KN) {
				highest = k
			}
		}
		for _, load := range beam.LoadsKN {
			if load.Amount == nil {
				continue
			}
			at := CurveReadAt{load.Name, CurvePoint{KN: load.Amount.Decimal}}
			switch p := flexure.Point(load.Name); p {
			case flexure.FirstPeak:
				at.MM = beam.Curve.FirstPeakAtMM.Decimal
			case flexure.Peak:
				at.MM = samples[highest].MM
			case flexure.LOP: // the highest load up to its position
				for _, s := range samples {
					if num.Amount(s.KN).Equal(load.Amount.Decimal) {
						at.MM = s.MM
						break
					}
				}
			default:
				at.MM = flexure.PositionOf(p, flexure.Axis(beam.Curve.Axis), beam.SpanMM.Decimal)
			}
			c.Read = append(c.Read, at)
		}
		out = append(out, c)
	}
	return out, faults
}
