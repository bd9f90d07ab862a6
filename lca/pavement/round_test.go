package pavement

import (
	"testing"

	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/lca/num"
)

// Texas Department of Transportation, pavement design guidance (read): design
// thicknesses are rounded to the nearest half inch, 11.4 in to 11.5 in and
// 10.24 in to 10.0 in. Up, 10.24 in becomes 10.5 in, which is 5.0 % more concrete
// than 10.0 in (worked).
func TestRoundingToTheHalfInch(t *testing.T) {
	half := decimal.NewNullDecimal(in("0.5 in", "mm"))
	for _, c := range []struct {
		required string
		policy   Policy
		built    string
		warned   bool
	}{
		{"11.4 in", RoundNearest, "11.5 in", false},
		{"10.24 in", RoundNearest, "10 in", true},
		{"10.24 in", RoundUp, "10.5 in", false},
		{"10.24 in", "", "10.5 in", false},
		{"10.24 in", RoundNone, "10.24 in", false},
		{"10.25 in", RoundNearest, "10.5 in", false}, // a tie goes up
		{"10.5 in", RoundUp, "10.5 in", false},
		{"10.5 in", RoundNearest, "10.5 in", false},
		{"0.2 in", RoundNearest, "0.5 in", false}, // no slab is no answer
	} {
		got, faults := Rounding{Policy: c.policy, StepMM: half}.Round(in(c.required, "mm"))
		none(t, faults)
		if !got.ThicknessMM.Equal(in(c.built, "mm")) || got.DifferenceMM.IsNegative() != c.warned {
			t.Errorf("%s %s: %s mm, want %s", c.required, c.policy, got.ThicknessMM, c.built)
		}
		if warned := len(got.Warnings) == 1 && got.Warnings[0].Code == "thinner-than-required"; warned != c.warned {
			t.Errorf("%s %s: warnings %v", c.required, c.policy, got.Warnings)
		}
	}
	near(t, "10.5 in over 10.0 in", num.Float(in("10.5 in", "mm"))/num.Float(in("10 in", "mm"))-1, 0.05, 1e-12)
	up, _ := Rounding{StepMM: half}.Round(in("10.24 in", "mm"))
	near(t, "the step costs, %", num.Float(up.DifferencePercent), 100*(10.5/10.24-1), 1e-6)
}

func TestRoundingLimitsAndFaults(t *testing.T) {
	ten := some("10")
	for name, c := range map[string]struct {
		rounding Rounding
		required string
		built    string // or
		code     string
		pointer  string
	}{
		"raised to the minimum":  {Rounding{StepMM: ten, MinMM: some("150")}, "121", "150", "", ""},
		"up to the maximum":      {Rounding{StepMM: ten, MaxMM: some("250")}, "248.001", "250", "", ""},
		"above the maximum":      {Rounding{StepMM: ten, MaxMM: some("250"), At: "/rounding"}, "251", "", "no-feasible-thickness", "/rounding/max"},
		"no step":                {Rounding{At: "/rounding"}, "248", "", "required-member-missing", "/rounding/step"},
		"step of zero":           {Rounding{StepMM: some("0")}, "248", "", "out-of-range", "/step"},
		"unknown policy":         {Rounding{Policy: "down", StepMM: ten}, "248", "", "one-of", "/policy"},
		"contradicting limits":   {Rounding{StepMM: ten, MinMM: some("300"), MaxMM: some("250")}, "248", "", "out-of-range", "/max"},
		"no thickness":           {Rounding{StepMM: ten}, "0", "", "out-of-range", ""},
		"none needs no step":     {Rounding{Policy: RoundNone}, "248.123", "248.123", "", ""},
		"a step is exact":        {Rounding{StepMM: some("0.1")}, "236.971", "237", "", ""},
		"a step of a third part": {Rounding{StepMM: some("33.333333333333")}, "66.666666666666", "66.666666666666", "", ""},
	} {
		got, faults := c.rounding.Round(dec(c.required))
		if c.code == "" {
			none(t, faults)
			if !got.ThicknessMM.Equal(dec(c.built)) {
				t.Errorf("%s: %s mm, want %s", name, got.ThicknessMM, c.built)
			}
			continue
		}
		if faults.Len() != 1 || faults.All()[0].Code != c.code || string(faults.All()[0].Pointer) != c.pointer {
			t.Errorf("%s: %v", name, faults.All())
		}
	}
}

// Up is never thinner and less than a step thicker; nearest is within half a
// step, above the first; both are whole steps.
func TestRoundingLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		required := decimal.New(rapid.Int64Range(1, 600_000).Draw(t, "µm"), -3)
		step := decimal.New(rapid.Int64Range(1, 60_000).Draw(t, "step"), -3)
		limits := Rounding{StepMM: decimal.NewNullDecimal(step)}
		up, _ := limits.Round(required)
		limits.Policy = RoundNearest
		nearest, _ := limits.Round(required)
		for _, built := range []decimal.Decimal{up.ThicknessMM, nearest.ThicknessMM} {
			if !built.Mod(step).IsZero() {
				t.Fatalf("%s is not a multiple of %s", built, step)
			}
		}
		if up.DifferenceMM.IsNegative() || up.DifferenceMM.GreaterThanOrEqual(step) {
			t.Fatalf("%s up by %s is %s", required, step, up.ThicknessMM)
		}
		if required.GreaterThan(step) && nearest.DifferenceMM.Abs().Mul(decimal.New(2, 0)).GreaterThan(step) {
			t.Fatalf("%s nearest %s is %s", required, step, nearest.ThicknessMM)
		}
	})
}
