package pavement

import (
	"testing"

	"github.com/shopspring/decimal"
)

// 4.000 MPa and a residual strength of 1.066667 MPa:
// 5.066667 MPa by addition (worked). By the ratio by load, 26.66667 %, the same.
func TestEffectiveStrength(t *testing.T) {
	mor := dec("4.000")
	for name, c := range map[string]struct {
		strength Strength
		want     string
		note     string // the last one
	}{
		"plain":             {Strength{MOR: mor}, "4", ""},
		"none":              {Strength{MOR: mor, Rule: RuleNone, ResidualRatio: some("25")}, "4", ""},
		"ratio":             {Strength{MOR: mor, Rule: RuleResidualRatio, ResidualRatio: some("25")}, "5", "rules-by-load"},
		"ratio of zero":     {Strength{MOR: mor, Rule: RuleResidualRatio, ResidualRatio: some("0")}, "4", "rules-by-load"},
		"addition":          {Strength{MOR: mor, Rule: RuleMORPlusF150, F150: some("1.066667")}, "5.066667", "rules-by-load"},
		"addition, by load": {Strength{MOR: mor, Rule: RuleMORPlusF150, F150: some("1.066667"), ResidualRatio: some("26.66667")}, "5.066667", "rules-coincide"},
		"ratio, by load":    {Strength{MOR: mor, Rule: RuleResidualRatio, F150: some("1.066667"), ResidualRatio: some("26.66667")}, "5.0666668", "rules-coincide"},
		// A toughness ratio averages the curve and is usually the larger one.
		"ratio, by toughness": {Strength{MOR: mor, Rule: RuleResidualRatio, F150: some("1.066667"), ResidualRatio: some("30")}, "5.2", "rules-differ"},
	} {
		e, faults := c.strength.Effective("")
		none(t, faults)
		if !e.MPa.Equal(dec(c.want)) {
			t.Errorf("%s: %s MPa, want %s", name, e.MPa, c.want)
		}
		last := ""
		if n := len(e.Notes); n > 0 {
			last = e.Notes[n-1].Code
			if e.Notes[0].Code != "effective-strength" {
				t.Errorf("%s: the first note is %s", name, e.Notes[0].Code)
			}
		}
		if last != c.note {
			t.Errorf("%s: the last note is %q, want %q", name, last, c.note)
		}
	}
}

func TestEffectiveStrengthFaults(t *testing.T) {
	for name, c := range map[string]struct {
		strength      Strength
		code, pointer string
	}{
		"unknown rule": {Strength{MOR: dec("4"), Rule: "f300"}, "one-of", "/strength/strength_rule"},
		"no ratio":     {Strength{MOR: dec("4"), Rule: RuleResidualRatio, F150: some("1")}, "required-member-missing", "/strength/residual_ratio"},
		"no f150":      {Strength{MOR: dec("4"), Rule: RuleMORPlusF150, ResidualRatio: some("25")}, "required-member-missing", "/strength/f150"},
	} {
		_, faults := c.strength.Effective("/strength")
		if faults.Len() != 1 || faults.All()[0].Code != c.code || string(faults.All()[0].Pointer) != c.pointer {
			t.Errorf("%s: %v", name, faults.All())
		}
	}
}

// The two rules are the same exactly where R is 100 f150/MOR.
func TestRulesCoincideByLoad(t *testing.T) {
	for _, ratio := range []int64{0, 1, 25, 50, 100} {
		mor := dec("4.2")
		s := Strength{MOR: mor, Rule: RuleResidualRatio, ResidualRatio: decimal.NewNullDecimal(decimal.New(ratio, 0)),
			F150: decimal.NewNullDecimal(mor.Mul(decimal.New(ratio, -2)))}
		byRatio, _ := s.Effective("")
		s.Rule = RuleMORPlusF150
		byAddition, _ := s.Effective("")
		if !byRatio.MPa.Equal(byAddition.MPa) || byRatio.Notes[1].Code != "rules-coincide" {
			t.Errorf("R %d %%: %s and %s MPa, %s", ratio, byRatio.MPa, byAddition.MPa, byRatio.Notes[1].Code)
		}
	}
}
