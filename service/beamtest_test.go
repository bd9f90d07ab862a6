package service_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/service"
)

// beams are five beams of 150 × 150 mm on a span of 450 mm (ASTM C1609), by their
// loads. The first has the worked figures: 30 kN is 4.000 MPa, 8 kN 1.066667 MPa,
// and 60 J 66.67 %.
func beams() service.BeamTestRequest {
	req := service.BeamTestRequest{Method: "astm-c1609", Mix: "fibre", AgeDays: 28, Width: "150 mm", Depth: "150 mm", Span: "450 mm"}
	for i, loads := range [][5]string{{"30", "30", "10", "8", "60"}, {"31.2", "31.2", "9", "7.4", "55"}, {"29.1", "29.1", "11", "8.9", "64"}, {"30.4", "30.4", "9", "7.7", "57"}, {"29.8", "30.1", "9.7", "8.3", "61"}} {
		req.Specimens = append(req.Specimens, service.BeamSpecimen{Name: fmt.Sprintf("A%d", i+1), Loads: map[string]string{
			"first_peak": loads[0] + " kN", "peak": loads[1] + " kN", "l600": loads[2] + " kN", "l150": loads[3] + " kN", "toughness": loads[4] + " J"}})
	}
	return req
}

// alike are n beams that are all like the first.
func alike(n int) service.BeamTestRequest {
	req := beams()
	first := req.Specimens[0]
	req.Specimens = nil
	for i := range n {
		first.Name = fmt.Sprintf("A%d", i+1)
		req.Specimens = append(req.Specimens, first)
	}
	return req
}

func tested(t testing.TB, req service.BeamTestRequest) service.BeamTestResult {
	t.Helper()
	result, faults := service.EvaluateBeamTests(req, "")
	if !faults.Empty() {
		t.Fatalf("%+v", faults.All())
	}
	return result
}

func statisticsOf(t testing.TB, r service.BeamTestResult, quantity string) service.BeamStatistics {
	t.Helper()
	for _, s := range r.Statistics {
		if s.Quantity == quantity {
			return s
		}
	}
	t.Fatalf("no statistics of %s", quantity)
	return service.BeamStatistics{}
}

// valueOf is a quantity of a beam to 6 decimals, "null" where it is absent.
func valueOf(t testing.TB, r service.BeamTestResult, specimen int, quantity string) string {
	t.Helper()
	for _, v := range r.Specimens[specimen].Values {
		if v.Name == quantity {
			return shownAmount(v.Amount)
		}
	}
	t.Fatalf("no quantity %s", quantity)
	return ""
}

func shownAmount(a *service.Amount) string {
	if a == nil {
		return "null"
	}
	return printed(a.Decimal, 6)
}

// ASTM C1609 (worked): f = P L/(b d²), R_T150 = 150 T150/(f1 b d²) · 100 %.
// A load in N under a header of kN, or a size in the wrong unit, gives a strength that no
// concrete has: it is said of the beam, and of all that rests on it.
func TestStrengthThatNoConcreteHas(t *testing.T) {
	for name, c := range map[string]struct {
		second string
		said   bool
	}{"as it should be": {"30 kN", false}, "in N": {"0.03 kN", true}, "in MN": {"3000 kN", true}} {
		req := service.BeamTestRequest{Method: "astm-c1609", AgeDays: 28, Width: "150 mm", Depth: "150 mm", Span: "450 mm"}
		for i, load := range []string{"31 kN", c.second, "29 kN"} {
			req.Specimens = append(req.Specimens, service.BeamSpecimen{Name: fmt.Sprint("b", i), Loads: map[string]string{"first_peak": load}})
		}
		r, found := service.EvaluateBeamTests(req, "")
		if !found.Empty() {
			t.Fatalf("%s: %v", name, found.All())
		}
		of := func(list []service.Statement) bool {
			return slices.ContainsFunc(list, func(s service.Statement) bool { return s.Code == "unusual-strength" })
		}
		if of(r.Findings) != c.said || of(r.Specimens[1].Findings) != c.said || of(r.Specimens[0].Findings) {
			t.Errorf("%s: %+v", name, r.Findings)
		}
	}
}

func TestBeamByLoads(t *testing.T) {
	r := tested(t, beams())
	for quantity, want := range map[string]string{
		"first_peak_strength_mpa": "4.000000", "residual_strength_l150_mpa": "1.066667", "toughness_t150_j": "60.000000",
		"toughness_ratio_rt150_percent": "66.666667", "load_ratio_l150_percent": "26.666667",
	} {
		if got := valueOf(t, r, 0, quantity); got != want {
			t.Errorf("%s is %s, want %s", quantity, got, want)
		}
	}
}

// The same beams in US customary units: 30 kN is 6,744.2680 lbf, 450 mm
// 17.716535 in, 60 J 531.04474 in·lbf (NIST SP 811), here to seven digits.
func TestBeamInUSUnits(t *testing.T) {
	req := alike(1)
	req.Width, req.Depth, req.Span = "5.905512 in", "5.905512 in", "17.71654 in"
	req.Specimens[0].Loads = map[string]string{"first_peak": "6744.268 lbf", "l150": "1798.471 lbf", "toughness": "531.0447 in.lbf"}
	r := tested(t, req)
	for quantity, want := range map[string]string{"first_peak_strength_mpa": "4.000", "residual_strength_l150_mpa": "1.067", "toughness_ratio_rt150_percent": "66.667", "peak_strength_mpa": "null"} {
		got := valueOf(t, r, 0, quantity)
		if got != "null" {
			got = printed(dec(got), 3)
		}
		if got != want {
			t.Errorf("%s is %s, want %s", quantity, got, want)
		}
	}
}

// A beam of its own size overrides the common one: 100 × 100 mm, span 300, 15 J at
// 3.6 MPa are 62.5 % (worked).
func TestBeamOfItsOwnSize(t *testing.T) {
	req := beams()
	req.Specimens[1] = service.BeamSpecimen{Name: "small", Width: "100 mm", Depth: "100 mm", Span: "300 mm",
		Strengths: map[string]string{"first_peak": "3.6 MPa", "toughness": "15 J"}}
	r := tested(t, req)
	if got := valueOf(t, r, 1, "toughness_ratio_rt150_percent"); got != "62.500000" {
		t.Errorf("R is %s", got)
	}
	if got := valueOf(t, r, 1, "residual_strength_l150_mpa"); got != "null" {
		t.Errorf("what was not measured is %s, want null", got)
	}
}

// MOR + f150 = 4.000 + 1.066667 = 5.066667 MPa, and MOR (1 + R/100) by the ratio by
// load is the same; by toughness it is another (worked).
func TestStrengthRules(t *testing.T) {
	for _, c := range []struct{ rule, ratio, ratioUsed, percent, want, code string }{
		{"", "", "toughness", "66.666667", "4.000000", ""},
		{"none", "", "toughness", "66.666667", "4.000000", ""},
		{"mor_plus_f150", "by_load", "by_load", "26.666667", "5.066667", "rules-coincide"},
		{"residual_ratio", "by_load", "by_load", "26.666667", "5.066667", "rules-coincide"},
		{"residual_ratio", "", "toughness", "66.666667", "6.666667", "rules-differ"},
		{"residual_ratio", "toughness", "toughness", "66.666667", "6.666667", "rules-differ"},
	} {
		req := alike(5)
		req.StrengthRule, req.Ratio = c.rule, c.ratio
		d := tested(t, req).Design
		got := []string{*d.Ratio, shownAmount(d.RatioPercent), shownAmount(d.EffectiveMORMPa), shownAmount(d.MORMPa), shownAmount(d.F150MPa)}
		if diff := cmp.Diff([]string{c.ratioUsed, c.percent, c.want, "4.000000", "1.066667"}, got); diff != "" {
			t.Errorf("%s %s:\n%s", c.rule, c.ratio, diff)
		}
		if c.code != "" {
			wantStatement(t, d.Findings, c.code)
		} else if len(d.Findings) != 0 {
			t.Errorf("%s: %+v", c.rule, d.Findings)
		}
	}
}

// Unequal beams: the ratio by load is that of the design strengths, so both rules
// still give the same to the last printed digit.
func TestRulesCoincideForUnequalBeams(t *testing.T) {
	for _, value := range []string{"mean", "characteristic"} {
		var effective []decimal.Decimal
		for _, rule := range []string{"mor_plus_f150", "residual_ratio"} {
			req := beams()
			req.StrengthRule, req.Ratio, req.DesignValue = rule, "by_load", value
			d := tested(t, req).Design
			wantStatement(t, d.Findings, "rules-coincide")
			effective = append(effective, d.EffectiveMORMPa.RoundBank(9))
		}
		if !effective[0].Equal(effective[1]) {
			t.Errorf("%s: %s and %s", value, effective[0], effective[1])
		}
	}
}

func TestDesignValueSaysWhichAndWhy(t *testing.T) {
	req := beams()
	d := tested(t, req).Design
	s := statisticsOf(t, tested(t, req), "first_peak_strength_mpa")
	if d.Value != "mean" || !strings.Contains(d.Reason, "by default") || shownAmount(d.MORMPa) != shownAmount(s.Mean) || d.Quantity != s.Quantity {
		t.Errorf("%+v", d)
	}
	req.DesignValue = "characteristic"
	d = tested(t, req).Design
	if d.Value != "characteristic" || !strings.Contains(d.Reason, "5 of 5 beams, as the request asks") || shownAmount(d.MORMPa) != shownAmount(&s.Characteristic.Value) {
		t.Errorf("%+v", d)
	}
}

// n, mean, SD, CV and interval against a sheet: 2, 3, 4, 5, 6 have mean 4, SD
// √2.5 = 1.581139, and 4 ± 2.776 · 1.581139/√5 = 2.037072 to 5.962928 (worked; t of
// NIST/SEMATECH for 4 degrees of freedom); k_n 2.33 (EN 1990, from memory) gives
// 4 - 2.33 · 1.5811388 = 0.3159465.
func TestStatisticsOfBeams(t *testing.T) {
	req := service.BeamTestRequest{Method: "astm-c78", Mix: "plain", AgeDays: 28}
	for i := range 5 {
		req.Specimens = append(req.Specimens, service.BeamSpecimen{Name: fmt.Sprint(i), Strengths: map[string]string{"peak": fmt.Sprintf("%d MPa", i+2)}})
	}
	s := statisticsOf(t, tested(t, req), "modulus_of_rupture_mpa")
	got := []string{shownAmount(s.Mean), shownAmount(s.StandardDeviation), shownAmount(s.CoefficientOfVariationPercent), printed(s.ConfidenceInterval.Low.Decimal, 4), printed(s.ConfidenceInterval.High.Decimal, 4),
		s.ConfidenceInterval.StudentT.String(), printed(s.Characteristic.Value.Decimal, 6), s.Characteristic.KN.String()}
	want := []string{"4.000000", "1.581139", "39.528471", "2.0371", "5.9629", "2.776", "0.315947", "2.33"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	req.CharacteristicMethod = "log_normal"
	if c := statisticsOf(t, tested(t, req), "modulus_of_rupture_mpa").Characteristic; c.Method != "log_normal" || !c.Value.GreaterThan(dec("1")) {
		t.Errorf("%+v", c)
	}
	req.CharacteristicMethod, req.Specimens = "", req.Specimens[:4]
	req.Specimens[0].Strengths["peak"] = "0.1 MPa"
	s = statisticsOf(t, tested(t, req), "modulus_of_rupture_mpa")
	if s.Characteristic != nil {
		t.Errorf("a strength below zero: %+v", s.Characteristic)
	}
	wantStatement(t, s.Findings, "characteristic-not-positive")
}

func TestTooFewBeamsForACharacteristicValue(t *testing.T) {
	req := alike(2)
	req.DesignValue = "characteristic"
	r := tested(t, req)
	s := statisticsOf(t, r, "first_peak_strength_mpa")
	if s.Characteristic != nil || s.Mean == nil || r.Design.MORMPa != nil || r.Design.EffectiveMORMPa != nil {
		t.Errorf("%+v %+v", s, r.Design)
	}
	wantStatement(t, s.Findings, "insufficient-specimens", "at least 3")
	wantStatement(t, r.Design.Findings, "design-strength-absent")

	s = statisticsOf(t, tested(t, alike(3)), "first_peak_strength_mpa")
	if s.Characteristic == nil {
		t.Error("three beams have a characteristic value")
	}
	wantStatement(t, s.Findings, "three-specimens")
	if s := statisticsOf(t, tested(t, alike(4)), "first_peak_strength_mpa"); len(s.Findings) != 0 {
		t.Errorf("%+v", s.Findings)
	}
}

// A beam left out is shown with its reason and does not count.
func TestExcludedBeam(t *testing.T) {
	req := beams()
	req.Specimens[4].Excluded = "dropped"
	req.Specimens[4].Loads["first_peak"], req.Specimens[4].Loads["peak"] = "3 kN", "3 kN"
	r := tested(t, req)
	s := statisticsOf(t, r, "first_peak_strength_mpa")
	if s.NTested != 5 || s.NUsed != 4 || r.Specimens[4].Excluded == nil || *r.Specimens[4].Excluded != "dropped" {
		t.Errorf("%+v", s)
	}
	req.Specimens = req.Specimens[:4]
	if diff := cmp.Diff(statisticsOf(t, tested(t, req), "first_peak_strength_mpa").Mean, s.Mean); diff != "" {
		t.Error(diff)
	}
	if got := valueOf(t, r, 4, "first_peak_strength_mpa"); got != "0.400000" {
		t.Errorf("it is still evaluated: %s", got)
	}
}

// An outlier is flagged where the test is asked for, and always counts.
func TestOutlierTestIsOffered(t *testing.T) {
	req := beams()
	req.Specimens[3].Loads["first_peak"], req.Specimens[3].Loads["peak"] = "60 kN", "60 kN"
	if s := statisticsOf(t, tested(t, req), "first_peak_strength_mpa"); s.Outlier != nil {
		t.Errorf("not asked for: %+v", s.Outlier)
	}
	req.OutlierTest = "e178"
	s := statisticsOf(t, tested(t, req), "first_peak_strength_mpa")
	if !s.Outlier.Flagged || s.NUsed != 5 || s.Outlier.Critical.String() != "1.715" {
		t.Errorf("%+v", s)
	}
	if diff := cmp.Diff([]string{"A4"}, s.Outlier.Specimens); diff != "" {
		t.Error(diff)
	}
	wantStatement(t, s.Findings, "outlier-flagged", "A4", "still counts")
	if s := statisticsOf(t, tested(t, alike(5)), "first_peak_strength_mpa"); s.Outlier != nil {
		t.Errorf("%+v", s.Outlier)
	}
}

// The order of the beams is nothing but the order in which they are shown.
func TestOrderOfBeamsDoesNotMatter(t *testing.T) {
	req := beams()
	req.OutlierTest, req.StrengthRule = "e178", "residual_ratio"
	want := tested(t, req)
	slices.Reverse(req.Specimens)
	got := tested(t, req)
	slices.Reverse(got.Specimens)
	for i := range got.Specimens {
		got.Specimens[i].Findings = want.Specimens[i].Findings // their pointers count places
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// fib Model Code 2010: a ratio of exactly 0.4 fails, and the reason names it.
func TestStructuralUseIsStrict(t *testing.T) {
	for _, c := range []struct {
		r1, r3  string
		met     bool
		reasons []string
	}{
		{"6.001 kN", "3.002 kN", true, []string{"f_R1k/f_Lk = 0.400067 is above 0.4", "f_R3k/f_R1k = 0.50025 is above 0.5"}},
		{"6 kN", "4 kN", false, []string{"f_R1k/f_Lk = 0.4 is not above 0.4"}},
		{"8 kN", "4 kN", false, []string{"f_R3k/f_R1k = 0.5 is not above 0.5"}},
	} {
		req := service.BeamTestRequest{Method: "en-14651", Mix: "fibre", AgeDays: 28, Width: "150 mm", Depth: "150 mm", Span: "500 mm", NotchDepth: "25 mm"}
		for i := range 3 {
			req.Specimens = append(req.Specimens, service.BeamSpecimen{Name: fmt.Sprint(i), Loads: map[string]string{"lop": "15 kN", "cmod_0_5": c.r1, "cmod_2_5": c.r3}})
		}
		r := tested(t, req)
		if got := valueOf(t, r, 0, "limit_of_proportionality_mpa"); got != "4.800000" {
			t.Errorf("15 kN is %s MPa, want 4.8 (EN 14651, worked)", got)
		}
		if got := valueOf(t, r, 0, "residual_strength_fr4_mpa"); got != "null" {
			t.Errorf("an opening that was not measured is %s", got)
		}
		u := r.StructuralUse
		if u.Met == nil || *u.Met != c.met {
			t.Errorf("%s, %s: %+v", c.r1, c.r3, u)
		}
		for _, reason := range c.reasons {
			if !strings.Contains(u.Reason, reason) {
				t.Errorf("%q does not say %q", u.Reason, reason)
			}
		}
		req.Specimens = req.Specimens[:2]
		if u := tested(t, req).StructuralUse; u.Met != nil || !strings.Contains(u.Reason, "no characteristic") {
			t.Errorf("two beams: %+v", u)
		}
	}
	if r := tested(t, beams()); r.StructuralUse != nil {
		t.Errorf("not for third-point beams: %+v", r.StructuralUse)
	}
}

func TestCompanionsHaveTheSameStatistics(t *testing.T) {
	req := beams()
	req.Compression = []service.CompressionTest{{Name: "C1", Strength: "44 MPa"}, {Name: "C2", Strength: "46 MPa"}, {Name: "C3", Strength: "20 MPa", Excluded: "cap failed"}, {Name: "C4", Strength: "45 MPa"}}
	req.ElasticModulus = []service.ModulusTest{{Name: "C1", Modulus: "32 GPa"}}
	r := tested(t, req)
	s := statisticsOf(t, r, "compressive_strength_mpa")
	if s.NTested != 4 || s.NUsed != 3 || shownAmount(s.Mean) != "45.000000" || shownAmount(s.StandardDeviation) != "1.000000" {
		t.Errorf("%+v", s)
	}
	if e := statisticsOf(t, r, "elastic_modulus_mpa"); shownAmount(e.Mean) != "32000.000000" || e.StandardDeviation != nil {
		t.Errorf("%+v", e)
	}
}

const good = "deflection_mm,load_kN\n0,0\n0.05,15\n0.09,27\n0.095,28.5\n0.1,30\n4.1,0\n"

// fromCSV is a request of one beam by the file of a test machine.
func fromCSV(text, decimalMark string) service.BeamTestRequest {
	req := alike(1)
	req.Specimens[0].Loads = nil
	req.Specimens[0].Curve = &service.BeamCurve{CSV: text, Decimal: decimalMark}
	return req
}

// Files of one and the same curve as machines write it.
func TestCurveFiles(t *testing.T) {
	for name, c := range map[string]struct{ text, decimal string }{
		"comma":           {good, ""},
		"CRLF":            {strings.ReplaceAll(good, "\n", "\r\n"), "point"},
		"byte-order mark": {"\ufeff" + good, ""},
		"no last newline": {strings.TrimSuffix(good, "\n"), ""},
		"empty rows":      {strings.ReplaceAll(good, "\n", "\n\n,\n"), ""},
		"semicolon":       {strings.ReplaceAll(good, ",", ";"), ""},
		"tab":             {strings.ReplaceAll(good, ",", "\t"), ""},
		"blanks":          {strings.ReplaceAll(good, ",", " , "), ""},
		"quoted":          {"\"deflection_mm\",\"load_kN\"\n\"0\",\"0\"\n0.05,15\n0.09,27\n0.095,28.5\n0.1,30\n4.1,0\n", ""},
		"decimal comma":   {strings.ReplaceAll(strings.ReplaceAll(good, ",", ";"), ".", ","), "comma"},
		"quoted commas":   {"deflection_mm,load_kN\n0,0\n\"0,05\",15\n\"0,09\",27\n\"0,095\",\"28,5\"\n\"0,1\",30\n\"4,1\",0\n", "comma"},
		"other units":     {"load_N,deflection_cm\n0,0\n15000,0.005\n27000,0.009\n28500,0.0095\n30000,0.01\n0,0.41\n", ""},
		"other columns":   {"time_s,Deflection_mm,Load_kN,note\n1,0,0,start\n2,0.05,15,\n3,0.09,27,\n4,0.095,28.5,\n5,0.1,30,peak\n9,4.1,0,\n", ""},
		"minus zero":      {strings.Replace(good, "\n0,0\n", "\n-0.000,-0.0\n", 1), ""},
		"opening passed":  {"cmod_mm,deflection_mm,load_kN\n0,0,0\n1,0.05,15\n2,0.09,27\n3,0.095,28.5\n4,0.1,30\n5,4.1,0\n", ""},
	} {
		r := tested(t, fromCSV(c.text, c.decimal))
		if got := valueOf(t, r, 0, "toughness_t150_j"); got != "56.962500" {
			t.Errorf("%s: %s J", name, got)
		}
		if s := r.Specimens[0]; s.GivenAs != "curve" || s.Curve.Points != 6 {
			t.Errorf("%s: %+v", name, s.Curve)
		}
	}
	// 0.1 in are 2.54 mm and 10,000 lbf 44.482216152605 kN, exactly.
	r := tested(t, fromCSV("deflection_in,load_lbf\n0,0\n0.002,10000\n0.1,0\n0.12,0\n", ""))
	if c := r.Specimens[0].Curve; c.HighestLoadKN.String() != "44.482216152605" || c.LargestMM.String() != "3.048" {
		t.Errorf("%+v", c)
	}
	wantStatement(t, tested(t, fromCSV("time_s,deflection_mm,load_kN\n1,0,0\n2,1,9\n3,4,1\n", "")).Specimens[0].Findings, "columns-not-read", "time_s")
}

// Every bad row is told with its line, and a file with one is refused.
func TestBadRowsAreToldWithTheirLines(t *testing.T) {
	head := "deflection_mm,load_kN\n"
	many := head + strings.Repeat("1,x\n", 150)
	for name, c := range map[string]struct {
		text, decimal string
		want          [][2]string // code, text of the detail
	}{
		"not numbers":        {head + "0,0\n0.1,abc\n0.2,5\n,6\n1e-1,7\n+1,8\n", "", [][2]string{{"decimal-invalid", "line 3"}, {"decimal-invalid", "line 5"}, {"decimal-invalid", "line 6"}, {"decimal-invalid", "line 7"}}},
		"cells":              {head + "0,0\n0.1,1,2\n0.2\n", "", [][2]string{{"csv-field-count", "line 3: 3 cells; the header has 2; a decimal comma"}, {"csv-field-count", "line 4: 1 cell; the header has 2"}}},
		"stray quote":        {head + "0,0\n0\"1,1\n0.2,2\n0.3,z\n", "", [][2]string{{"csv-quote", "line 3"}, {"decimal-invalid", "line 5"}}},
		"lines with blanks":  {head + "\r\n\n0,0\r\n\n0.1,?\n", "", [][2]string{{"decimal-invalid", "line 6"}}},
		"undeclared comma":   {"deflection_mm;load_kN\n0;0\n0,1;1\n", "", [][2]string{{"decimal-invalid", `"decimal": "comma"`}}},
		"two commas a line":  {"deflection_mm;load_kN\n0;0\n0,1;1,5\n0,2;2,5\n", "", [][2]string{{"decimal-invalid", `line 3: "0,1" and "1,5": `}, {"decimal-invalid", `line 4: "0,2" and "2,5": `}}},
		"point under comma":  {"deflection_mm;load_kN\n0;0\n0.1;1\n", "comma", [][2]string{{"decimal-invalid", "line 3"}}},
		"thousands":          {"deflection_mm;load_N\n0;0\n0,1;1.000,5\n", "comma", [][2]string{{"decimal-invalid", "line 3"}}},
		"no unit":            {"deflection,load_kN\n0,0\n", "", [][2]string{{"csv-header", "deflection_mm"}}},
		"unit of mass":       {"deflection_mm,load_kg\n0,0\n", "", [][2]string{{"csv-header", "accepted: kN, N, lbf, kip"}}},
		"no load":            {"deflection_mm,force_kN\n0,0\n", "", [][2]string{{"csv-header", "found: deflection_mm | force_kN"}}},
		"twice":              {"deflection_mm,load_kN,load_N\n0,0,0\n", "", [][2]string{{"csv-header", "twice"}}},
		"opening only":       {"cmod_mm,load_kN\n0,0\n1,2\n2,1\n", "", [][2]string{{"axis-unsupported", "net deflection"}}},
		"old line ends":      {"deflection_mm,load_kN\r0,0\r1,1\r", "", [][2]string{{"csv-header", ""}}},
		"empty":              {"", "", [][2]string{{"csv-empty", ""}}},
		"byte-order mark":    {"\ufeff", "", [][2]string{{"csv-empty", ""}}},
		"header only":        {head, "", [][2]string{{"too-few", "points of the curve: 0; at least 3"}}},
		"two rows":           {head + "0,0\n1,1\n", "", [][2]string{{"too-few", "points of the curve: 2; at least 3"}}},
		"more than told":     {many, "", [][2]string{{"decimal-invalid", "line 2"}, {"csv-more", "50 bad rows more"}}},
		"too many points":    {head + strings.Repeat("1,1\n", 20_001), "", [][2]string{{"csv-too-large", "20000"}}},
		"at most many":       {head + strings.Repeat("1,1\n", 20_000), "", nil},
		"more digits":        {head + "0,0\n0.1,1234567890123456\n1,1\n", "", [][2]string{{"decimal-invalid", "line 3"}}},
		"a megabyte of cell": {head + strings.Repeat("9", 900_000) + ",1\n", "", [][2]string{{"decimal-invalid", "line 2"}}},
	} {
		_, faults := service.EvaluateBeamTests(fromCSV(c.text, c.decimal), "")
		list := faults.All()
		if len(c.want) == 0 && len(list) > 0 {
			t.Errorf("%s: %+v", name, list)
		}
		for _, want := range c.want {
			if !slices.ContainsFunc(list, func(f fault.Fault) bool { return f.Code == want[0] && strings.Contains(f.Detail, want[1]) }) {
				t.Errorf("%s: no %q in %+v", name, want, list)
			}
		}
		if name != "more than told" && len(list) != len(c.want) {
			t.Errorf("%s: %d faults, want %d: %+v", name, len(list), len(c.want), list)
		}
		for _, f := range list {
			if !strings.HasPrefix(string(f.Pointer), "/specimens/0/curve") || len(f.Detail) > 400 {
				t.Errorf("%s: %s %.500s", name, f.Pointer, f.Detail)
			}
		}
	}
}

func TestFaultsOfBeamTests(t *testing.T) {
	edit := func(change func(*service.BeamTestRequest)) service.BeamTestRequest {
		req := beams()
		change(&req)
		return req
	}
	for name, c := range map[string]struct {
		req           service.BeamTestRequest
		pointer, code string
	}{
		"unknown method":        {edit(func(r *service.BeamTestRequest) { r.Method = "astm-c79" }), "/method", "not-in-list"},
		"no beam":               {edit(func(r *service.BeamTestRequest) { r.Specimens = nil }), "/specimens", "too-few"},
		"no age":                {edit(func(r *service.BeamTestRequest) { r.AgeDays = 0 }), "/age_days", "out-of-range"},
		"no unit":               {edit(func(r *service.BeamTestRequest) { r.Specimens[1].Loads["l150"] = "8" }), "/specimens/1/loads/l150", "unit-missing"},
		"unit of another kind":  {edit(func(r *service.BeamTestRequest) { r.Specimens[1].Loads["l150"] = "8 MPa" }), "/specimens/1/loads/l150", "unit-incompatible"},
		"toughness as a load":   {edit(func(r *service.BeamTestRequest) { r.Specimens[1].Loads["toughness"] = "8 kN" }), "/specimens/1/loads/toughness", "unit-incompatible"},
		"common size":           {edit(func(r *service.BeamTestRequest) { r.Depth = "0 mm" }), "/depth", "out-of-range"},
		"size of a beam":        {edit(func(r *service.BeamTestRequest) { r.Specimens[2].Depth = "150 kg" }), "/specimens/2/depth", "unit-incompatible"},
		"no size":               {edit(func(r *service.BeamTestRequest) { r.Span = "" }), "/specimens/4/span", "required-member-missing"},
		"same name":             {edit(func(r *service.BeamTestRequest) { r.Specimens[2].Name = "A1" }), "/specimens/2/name", "duplicate-name"},
		"no point":              {edit(func(r *service.BeamTestRequest) { r.Specimens[2].Loads = map[string]string{} }), "/specimens/2/loads", "too-few"},
		"point of another test": {edit(func(r *service.BeamTestRequest) { r.Specimens[2].Loads["lop"] = "8 kN" }), "/specimens/2/loads/lop", "not-used"},
		"given twice":           {edit(func(r *service.BeamTestRequest) { r.Specimens[2].Strengths = map[string]string{"peak": "4 MPa"} }), "/specimens/2", "one-of"},
		"other rule":            {edit(func(r *service.BeamTestRequest) { r.StrengthRule = "mor_times_two" }), "/strength_rule", "not-in-list"},
		"rule of another test":  {edit(func(r *service.BeamTestRequest) { r.Method, r.StrengthRule = "astm-c78", "residual_ratio" }), "/strength_rule", "not-in-list"},
		"ratio of another test": {edit(func(r *service.BeamTestRequest) { r.Method, r.Ratio = "en-14651", "by_load" }), "/ratio", "not-used"},
		"other distribution":    {edit(func(r *service.BeamTestRequest) { r.CharacteristicMethod = "weibull" }), "/characteristic_method", "not-in-list"},
		"other outlier test":    {edit(func(r *service.BeamTestRequest) { r.OutlierTest = "dixon" }), "/outlier_test", "not-in-list"},
		"other design value":    {edit(func(r *service.BeamTestRequest) { r.DesignValue = "best" }), "/design_value", "not-in-list"},
		"compression as load": {edit(func(r *service.BeamTestRequest) {
			r.Compression = []service.CompressionTest{{Name: "C", Strength: "8 kN"}}
		}), "/compression/0/strength", "unit-incompatible"},
		"modulus of zero": {edit(func(r *service.BeamTestRequest) {
			r.ElasticModulus = []service.ModulusTest{{Name: "E", Modulus: "0 GPa"}}
		}), "/elastic_modulus/0/modulus", "out-of-range"},
	} {
		_, faults := service.EvaluateBeamTests(c.req, "")
		found := false
		for _, f := range faults.All() {
			found = found || (string(f.Pointer) == c.pointer && f.Code == c.code)
		}
		if !found {
			t.Errorf("%s: no %s at %s in %+v", name, c.code, c.pointer, faults.All())
		}
	}
	// Within another request, pointers lead there.
	_, faults := service.EvaluateBeamTests(service.BeamTestRequest{Method: "x"}, "/alternatives/0/beam_tests")
	wantFault(t, faults.All(), "/alternatives/0/beam_tests/method", "not-in-list", "astm-c78")
}

// A fault and an absent strength say what is accepted and how to give it.
func TestBeamTestsSayHowToGiveIt(t *testing.T) {
	detail := func(req service.BeamTestRequest, at, code string) string {
		t.Helper()
		_, faults := service.EvaluateBeamTests(req, "")
		for _, f := range faults.All() {
			if string(f.Pointer) == at && f.Code == code {
				return f.Detail
			}
		}
		t.Errorf("no %s at %s in %+v", code, at, faults.All())
		return ""
	}
	absent := func(req service.BeamTestRequest) string {
		t.Helper()
		for _, s := range tested(t, req).Design.Findings {
			if s.Code == "design-strength-absent" {
				return s.Message
			}
		}
		t.Error("no strength is absent")
		return ""
	}
	two := func(loads map[string]string, rule string) service.BeamTestRequest {
		req := alike(2)
		for i := range req.Specimens {
			req.Specimens[i].Loads = loads
		}
		req.StrengthRule = rule
		return req
	}
	byLoad := map[string]string{"first_peak": "30 kN", "l150": "8 kN"}
	nothing, noPoint, plain := two(nil, ""), two(map[string]string{}, ""), two(map[string]string{"peak": "30 kN"}, "mor_plus_f150")
	plain.Method, plain.Ratio = "astm-c78", "by_load"
	few := two(byLoad, "")
	few.DesignValue = "characteristic"
	ratioFew := two(byLoad, "residual_ratio")
	ratioFew.DesignValue, ratioFew.Ratio = "characteristic", "by_load"
	short := fromCSV("deflection_mm,load_kN\n0,0\n", "")
	for name, c := range map[string]struct {
		got  string
		says []string
	}{
		"nothing given":        {detail(nothing, "/specimens/0", "one-of"), []string{"has none of them", `points such as "first_peak"`}},
		"no point":             {detail(noPoint, "/specimens/1/loads", "too-few"), []string{`{"first_peak": "30 kN"}`, "accepted: first_peak, peak, l600, l150, toughness"}},
		"rule of another test": {detail(plain, "/strength_rule", "not-in-list"), []string{"accepted: none; residual strength enters only by beams of astm-c1609"}},
		"ratio without fibres": {detail(plain, "/ratio", "not-used"), []string{"leave this out"}},
		"one point of a curve": {detail(short, "/specimens/0/curve", "too-few"), []string{"points of the curve: 1; at least 3"}},
		"ratio by toughness":   {absent(two(byLoad, "residual_ratio")), []string{"no mean toughness_ratio_rt150_percent", `"toughness" in J`, `choose "ratio": "by_load", which is f150/f1 and which these beams give`}},
		"no residual load":     {absent(two(map[string]string{"first_peak": "30 kN"}, "residual_ratio")), []string{`"ratio": "by_load"`, `give "l150"`}},
		"f150":                 {absent(two(map[string]string{"first_peak": "30 kN"}, "mor_plus_f150")), []string{"no mean residual_strength_l150_mpa", `f150 is the point "l150"`, "span/150"}},
		"two of a fractile":    {absent(few), []string{"no characteristic first_peak_strength_mpa", "2 values of it, and a characteristic value needs at least 3", `"design_value": "mean"`}},
		"two of a ratio":       {absent(ratioFew), []string{"no characteristic first_peak_strength_mpa"}},
		"no first peak":        {absent(two(map[string]string{"l150": "8 kN"}, "")), []string{`it is the point "first_peak" in strengths or loads`}},
	} {
		for _, want := range c.says {
			if !strings.Contains(c.got, want) {
				t.Errorf("%s: %q does not say %q", name, c.got, want)
			}
		}
	}
	// Of one it speaks in the singular.
	req := alike(1)
	req.AgeDays = 1
	r := tested(t, req)
	wantStatement(t, r.Findings, "age-not-28-days", "1 day old")
	wantStatement(t, statisticsOf(t, r, "first_peak_strength_mpa").Findings, "insufficient-specimens", "at least 3 values that count; here: 1")
	wantStatement(t, tested(t, two(byLoad, "")).Specimens[0].Findings, "points-missing", "peak, l600, toughness;")
}

func TestAgeOtherThan28DaysIsSaid(t *testing.T) {
	req := beams()
	if r := tested(t, req); len(r.Findings) != 0 {
		t.Errorf("%+v", r.Findings)
	}
	req.AgeDays = 7
	wantStatement(t, tested(t, req).Findings, "age-not-28-days", "7 days")
}

// Equal requests have equal bytes, however they are spaced, and one load more or
// less is another request.
func TestBeamTestsAreHashed(t *testing.T) {
	svc := service.New(nil)
	run := func(body []byte) *service.BeamTestResponse {
		t.Helper()
		r, err := svc.BeamTests(t.Context(), body)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	body, err := json.Marshal(beams(), json.Deterministic(true))
	if err != nil {
		t.Fatal(err)
	}
	first := run(body)
	spaced := run([]byte(strings.ReplaceAll(string(body), `":`, `" : `)))
	if diff := cmp.Diff(first, spaced); diff != "" {
		t.Error(diff)
	}
	changed := run([]byte(strings.Replace(string(body), "8.9 kN", "8.8 kN", 1)))
	if changed.RequestHash == first.RequestHash || len(first.RequestHash) != 64 {
		t.Errorf("%s and %s", first.RequestHash, changed.RequestHash)
	}
	if first.EngineVersion != service.EngineVersion || !slices.Contains(first.Notices, service.Caution) || !slices.Contains(first.Notices, service.BeamTestCaution) {
		t.Errorf("%+v", first.Notices)
	}
	_, err = svc.BeamTests(t.Context(), []byte(`[]`))
	var failed *service.Error
	if !errors.As(err, &failed) || failed.Code != service.Malformed {
		t.Errorf("not an object: %v", err)
	}
}

// Whatever a test machine writes, it is read or refused with a reason, and line
// ends make no difference.
func FuzzBeamCurve(f *testing.F) {
	f.Add(good, false, uint8(1))
	f.Add("\ufeffcmod_mm;load_N\r\n0;0\r\n0,05;1500\r\n3,5;100\r\n", true, uint8(2))
	f.Add("deflection_in\tload_lbf\n\"0\"\t-0.0\n1\t1\n0.5\t2\n9\t\"\n", false, uint8(0))
	f.Fuzz(func(t *testing.T, text string, comma bool, method uint8) {
		req := fromCSV(text, map[bool]string{true: "comma"}[comma])
		req.Method = []string{"astm-c78", "astm-c1609", "en-14651"}[method%3]
		if req.Method == "en-14651" {
			req.NotchDepth = "25 mm"
		}
		req.ToeCorrection = method >= 128
		result, faults := service.EvaluateBeamTests(req, "")
		for _, f := range faults.All() {
			if f.Code == "" || len(f.Detail) > 600 || !strings.HasPrefix(string(f.Pointer), "/specimens/0") {
				t.Errorf("%+v", f)
			}
		}
		if !faults.Empty() {
			return
		}
		if c := result.Specimens[0].Curve; c == nil || c.Points < 3 {
			t.Fatalf("accepted, but read %+v", c)
		}
		if _, err := service.Encode(result); err != nil {
			t.Fatal(err)
		}
		if strings.ContainsAny(text, "\r\"") {
			return
		}
		req.Specimens[0].Curve = &service.BeamCurve{CSV: strings.ReplaceAll(text, "\n", "\r\n"), Decimal: req.Specimens[0].Curve.Decimal}
		again, faults := service.EvaluateBeamTests(req, "")
		if diff := cmp.Diff(result, again); diff != "" || !faults.Empty() {
			t.Errorf("with CRLF:\n%s%+v", diff, faults.All())
		}
	})
}
