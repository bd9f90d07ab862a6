package service_test

import (
	"testing"

	"slabledger/service"
)

// A curve is given back with the points that the standard reads on it: span 450 mm, so
// L/600 is 0.75 mm and L/150 3 mm; the loads lie on straight lines between the points
// (worked by hand).
func TestCurvesComeWithThePointsOfTheStandard(t *testing.T) {
	req := service.BeamTestRequest{Method: "astm-c1609", Mix: "m", AgeDays: 28, Width: "150 mm", Depth: "150 mm", Span: "450 mm", Specimens: []service.BeamSpecimen{
		{Name: "a", Curve: &service.BeamCurve{CSV: "deflection_mm,load_kN\n0,0\n0.05,30\n0.25,10\n3.25,4\n"}},
		{Name: "b", Strengths: map[string]string{"first_peak": "4.5 MPa"}},
		{Name: "c", Excluded: "cracked before", Curve: &service.BeamCurve{CSV: "deflection_mm,load_kN\n0,0\n0.1,0.1\n0.15,30\n0.35,10\n3.35,4\n"}},
	}}
	curves, faults := service.BeamCurves(req)
	if !faults.Empty() {
		t.Fatal(faults.All())
	}
	if len(curves) != 2 || curves[0].Beam != "a" || len(curves[0].Points) != 4 || curves[0].Excluded || !curves[1].Excluded {
		t.Fatalf("%+v", curves)
	}
	got := ""
	for _, r := range curves[0].Read {
		got += r.Point + " " + r.MM.String() + " " + r.KN.String() + "; "
	}
	if want := "first_peak 0.05 30; peak 0.05 30; l600 0.75 9; l150 3 4.5; "; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	req.ToeCorrection = true
	curves, faults = service.BeamCurves(req)
	if !faults.Empty() || !curves[1].Points[0].MM.IsZero() || !curves[1].Points[1].MM.LessThan(dec("0.1")) {
		t.Errorf("the toe is not corrected: %+v %v", curves, faults.All())
	}
	if _, faults := service.BeamCurves(service.BeamTestRequest{Method: "none"}); faults.Empty() {
		t.Error("no fault")
	}
}
