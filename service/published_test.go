package service_test

import (
	"testing"
)

// The mix of testdata/published/carbon-checks, summed by hand: every figure to
// the last digit printed. Kind "worked": published factors (US cement EPD 2021,
// slag EPD 2015, DESNZ 2025, superplasticiser from memory), our own arithmetic
// by an independent script.
func TestPublishedMixToTheLastDigit(t *testing.T) {
	svc := newService(t)
	base := file(t, "../testdata/scenarios/published-mix.json")
	for _, c := range []struct{ waste, a5 string }{
		{"1 %", "3.5337"}, {"2 %", "7.1395"}, {"5 %", "18.4124"},
	} {
		r := compare(t, svc, changed(t, base, edit{"/alternatives/0/slab/waste/concrete", c.waste}))
		m := r.Alternatives[0].Concrete.GWPKgCO2ePerM3
		for _, v := range []struct{ name, got, want string }{
			{"A1", printed(m.A1.Decimal, 4), "324.8018"},
			{"A2", printed(m.A2.Decimal, 4), "15.4271"},
			{"A3", printed(m.A3.Decimal, 3), "0.531"},
			{"A1-A3", printed(m.A1A3.Decimal, 4), "340.7599"},
			{"A4", printed(m.A4.Decimal, 4), "6.0320"},
			{"A5, waste " + c.waste, printed(m.A5Waste.Decimal, 4), c.a5},
		} {
			if v.got != v.want {
				t.Errorf("%s = %s kg CO2e/m3, want %s", v.name, v.got, v.want)
			}
		}
		// The slabs of the example, A1 to A4, per m2.
		for i, want := range []string{"69.3584", "62.4225"} {
			modules := r.Alternatives[i].Carbon.Modules
			if got := printed(modules.A1A3.Add(modules.A4.Decimal), 4); got != want {
				t.Errorf("%s: A1-A4 = %s kg CO2e/m2, want %s", r.Alternatives[i].Name, got, want)
			}
		}
		if r.Alternatives[0].Cost != nil {
			t.Error("the published inventory has no prices, and none were asked for: cost must be null")
		}
	}
}

// Declared unit and functional unit side by side: 340.7599 kg per m3 in a slab
// of 0.230 m is 78.374777 kg per m2 (worked, EN 15804, 6.3).
func TestPerCubicMetreAndPerSquareMetreSideBySide(t *testing.T) {
	r := compare(t, newService(t), changed(t, file(t, "../testdata/scenarios/published-mix.json"), edit{"/alternatives/1/slab/thickness", "230 mm"}))
	a := r.Alternatives[1]
	if got := printed(a.Concrete.GWPKgCO2ePerM3.A1A3.Decimal, 4); got != "340.7599" {
		t.Errorf("A1-A3 per m3 = %s", got)
	}
	// The example multiplies the figure of four decimals; ours has six.
	if got := printed(a.Carbon.Modules.A1A3.Decimal, 4); got != printed(dec("78.374777"), 4) {
		t.Errorf("A1-A3 per m2 = %s", got)
	}
}

// A wasted 2 % is 0.020408 more concrete, not 0.02 (1/(1-w) - 1; value from
// memory of the rule).
func TestWasteFactorIsNotTheWastedShare(t *testing.T) {
	r := compare(t, newService(t), request(t))
	if got := printed(r.Alternatives[0].Carbon.WasteFactor.Decimal, 6); got != "0.020408" {
		t.Errorf("waste factor = %s, want 0.020408", got)
	}
	// The wasted share carries its own A1 to A4 and its disposal, all in A5.
	seen := map[string]bool{}
	for _, l := range r.Alternatives[0].Concrete.Lines {
		if l.Module == "A5" {
			seen[l.Use] = true
		}
	}
	for _, use := range []string{"waste: concrete (A1)", "waste: cement-cem-i to plant (A2)", "waste: concrete to site (A4)", "waste: disposal"} {
		if !seen[use] {
			t.Errorf("no A5 line %q in %v", use, seen)
		}
	}
}
