package service_test

import (
	"context"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/shopspring/decimal"

	"slabledger/service"
)

// designOf is a design for light traffic on a road whose axles are few and heavy,
// so that fatigue governs, or for many, so that erosion does (invented).
func designOf(t testing.TB, mor, step string, repetitions int) string {
	t.Helper()
	text, err := json.Marshal(object{"method": "eb109p", "soil": object{"k": "60 MPa/m"}, "edge": object{"dowels": true, "concrete_shoulder": true},
		"traffic":  object{"load_safety_factor": "1.1", "axles": list(object{"axle": "single_dual", "load": "130 kN", "repetitions": repetitions}, object{"axle": "tandem", "load": "190 kN", "repetitions": 4 * repetitions})},
		"strength": object{"modulus_of_rupture": mor}, "rounding": object{"policy": "up", "step": step}})
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// The strength that pays is the first at which the staged slab comes to no more
// than the ordinary one: POST /v1/thickness at every 0.001 MPa finds the same, with
// slabs as required and as built by steps of 5 mm.
func TestStrengthGainIsTheFirstThatPays(t *testing.T) {
	svc := newService(t)
	design := designOf(t, "4.5 MPa", "5 mm", 2000)
	r := checkMix(t, svc, inlined(byRatio, stagedMix, hauls, `"ordinary":{"mixer":"mixer-pan","minutes":2}`, `"thickness_design":`+design))
	gain, own := r.Staged.StrengthGain, r.Staged.Ordinary
	if len(r.Notices) != 2 || r.Notices[1] != service.ThicknessCaution || gain.Governs != "fatigue" || !warned(r.Warnings, "fatigue-governs") {
		t.Fatalf("%+v, %+v", r.Notices, gain)
	}
	slabAt := func(mpa decimal.Decimal) service.ThicknessResult {
		var d object
		if err := json.Unmarshal([]byte(design), &d); err != nil {
			t.Fatal(err)
		}
		d["methods"] = list(d["method"])
		delete(d, "method")
		d["strength"] = object{"modulus_of_rupture": mpa.String() + " MPa"}
		body, err := json.Marshal(d)
		if err != nil {
			t.Fatal(err)
		}
		s, err := service.New(nil).SizeSlab(context.Background(), body)
		if err != nil {
			t.Fatal(err)
		}
		return s.Results[0]
	}
	ordinary := slabAt(dec("4.5"))
	if !gain.RequiredMM.Equal(ordinary.RequiredMM.Decimal) || !gain.ThicknessMM.Equal(ordinary.ThicknessMM.Decimal) {
		t.Errorf("%+v, /v1/thickness: %s and %s mm", gain, ordinary.RequiredMM, ordinary.ThicknessMM)
	}
	for _, c := range []struct {
		name             string
		got              service.StrengthNeeded
		staged, ordinary decimal.Decimal
		thick            func(service.ThicknessResult) decimal.Decimal
	}{
		{"cost, required", gain.Cost.AsRequired, r.Concrete.CostPerM3.Decimal, own.CostPerM3.Decimal, func(s service.ThicknessResult) decimal.Decimal { return s.RequiredMM.Decimal }},
		{"cost, built", gain.Cost.AsBuilt, r.Concrete.CostPerM3.Decimal, own.CostPerM3.Decimal, func(s service.ThicknessResult) decimal.Decimal { return s.ThicknessMM.Decimal }},
		{"carbon, required", gain.Carbon.AsRequired, r.Concrete.GWPKgCO2ePerM3.A1A3.Decimal, own.GWPKgCO2ePerM3.A1A3.Decimal, func(s service.ThicknessResult) decimal.Decimal { return s.RequiredMM.Decimal }},
		{"carbon, built", gain.Carbon.AsBuilt, r.Concrete.GWPKgCO2ePerM3.A1A3.Decimal, own.GWPKgCO2ePerM3.A1A3.Decimal, func(s service.ThicknessResult) decimal.Decimal { return s.ThicknessMM.Decimal }},
	} {
		t.Run(c.name, func(t *testing.T) {
			mpa, most := dec("4.5"), c.ordinary.Mul(c.thick(ordinary))
			for c.staged.Mul(c.thick(slabAt(mpa))).GreaterThan(most) {
				if mpa = mpa.Add(dec("0.001")); mpa.GreaterThan(dec("6")) {
					t.Fatalf("nothing up to 6 MPa pays; got %+v", c.got)
				}
			}
			first := slabAt(mpa)
			if !c.got.Reached || !c.got.EffectiveStrengthMPa.Equal(mpa) || !c.got.RequiredMM.Equal(first.RequiredMM.Decimal) || !c.got.ThicknessMM.Equal(first.ThicknessMM.Decimal) {
				t.Errorf("%+v; trying all: %s MPa, %s mm, built %s mm", c.got, mpa, first.RequiredMM, first.ThicknessMM)
			}
			if want := over(t, mpa.Sub(dec("4.5")).Shift(2), dec("4.5")).RoundBank(6); !c.got.GainPercent.Equal(want) || !mpa.GreaterThan(dec("4.5")) {
				t.Errorf("gain %s %%, want %s", c.got.GainPercent, want)
			}
		})
	}
	// Steps of the thickness are steps of the strength: 5 mm ask for more.
	if !gain.Carbon.AsBuilt.EffectiveStrengthMPa.GreaterThan(gain.Carbon.AsRequired.EffectiveStrengthMPa.Decimal) {
		t.Errorf("%+v", gain.Carbon)
	}
}

// Where erosion governs no strength pays, and the answer says at which thickness;
// where staged mixing is not dearer none is needed.
func TestStrengthGainAtItsEnds(t *testing.T) {
	svc := newService(t)
	r := checkMix(t, svc, inlined(byRatio, stagedMix, hauls, `"ordinary":{"mixer":"mixer-pan","minutes":2}`, `"thickness_design":`+designOf(t, "6.5 MPa", "5 mm", 60000)))
	gain := r.Staged.StrengthGain
	never := gain.Cost.AsRequired
	if gain.Governs != "erosion" || never.Reached || never.GainPercent != nil || !never.RequiredMM.Equal(gain.RequiredMM.Decimal) || !never.EffectiveStrengthMPa.Equal(dec("10")) ||
		!strings.HasPrefix(never.Reason, "never: erosion governs at "+gain.RequiredMM.String()+" mm, built as "+gain.ThicknessMM.String()+" mm") {
		t.Errorf("%+v", gain)
	}
	r = checkMix(t, svc, inlined(byRatio, stagedMix, hauls, `"ordinary":{"mixer":"mixer-pan","minutes":60}`, `"thickness_design":`+designOf(t, "4.5 MPa", "5 mm", 2000)))
	if none := r.Staged.StrengthGain.Cost.AsBuilt; !r.Staged.ExtraCostPerM3.IsNegative() || !none.Reached || !none.GainPercent.IsZero() || !none.EffectiveStrengthMPa.Equal(dec("4.5")) {
		t.Errorf("extra %s, %+v", r.Staged.ExtraCostPerM3, none)
	}
	// Without hauls neither figure is known; without a design nothing is asked.
	r = checkMix(t, svc, inlined(byRatio, stagedMix, `"thickness_design":`+designOf(t, "4.5 MPa", "5 mm", 2000)))
	if g := r.Staged.StrengthGain; g == nil || g.Cost != nil || g.Carbon != nil {
		t.Errorf("%+v", g)
	}
	if r = checkMix(t, svc, inlined(byRatio, stagedMix, hauls)); r.Staged.StrengthGain != nil || len(r.Notices) != 1 {
		t.Errorf("%+v", r.Staged.StrengthGain)
	}
	for name, c := range map[string]struct{ body, want string }{
		"one stage":       {inlined(byRatio, hauls, `"thickness_design":`+designOf(t, "4.5 MPa", "5 mm", 2000)), "/thickness_design not-used"},
		"no unit":         {inlined(byRatio, stagedMix, `"thickness_design":`+designOf(t, "4.5", "5 mm", 2000)), "/thickness_design/strength/modulus_of_rupture unit-missing"},
		"step of nothing": {inlined(byRatio, stagedMix, `"thickness_design":`+designOf(t, "4.5 MPa", "0 mm", 2000)), "/thickness_design/rounding/step out-of-range"},
		"no method":       {inlined(byRatio, stagedMix, `"thickness_design":`+strings.Replace(designOf(t, "4.5 MPa", "5 mm", 2000), "eb109p", "", 1)), "/thickness_design/method one-of"},
		"no repetitions":  {inlined(byRatio, stagedMix, `"thickness_design":`+designOf(t, "4.5 MPa", "5 mm", 0)), "/thickness_design/traffic/axles out-of-range"},
	} {
		if got := mixFaults(t, svc, c.body); len(got) != 1 || got[0] != c.want {
			t.Errorf("%s: %v, want %s", name, got, c.want)
		}
	}
}
