package pavement

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// Rule says how the residual strength of fibre concrete enters the modulus of
// rupture (MOR) of the design.
type Rule string

const (
	// RuleNone takes the MOR as it is.
	RuleNone Rule = "none"
	// RuleResidualRatio is MOR' = MOR (1 + R/100). Source: ACI 544 and guidance
	// for fibre-reinforced overlays; value from memory.
	RuleResidualRatio Rule = "residual_ratio"
	// RuleMORPlusF150 is MOR' = MOR + f150, f150 being the residual strength at a
	// deflection of span/150 (ASTM C1609). Source: as above; value from memory.
	RuleMORPlusF150 Rule = "mor_plus_f150"
)

// Strength of the concrete in flexure, third-point loading (ASTM C78, C1609).
// Which statistic and age a method wants is in About.Strength.
type Strength struct {
	MOR           decimal.Decimal     // MPa
	Rule          Rule                // empty is RuleNone
	ResidualRatio decimal.NullDecimal // R, %; by toughness or by load, as the caller decided
	F150          decimal.NullDecimal // MPa
}

// Effective is the modulus of rupture that the design uses.
type Effective struct {
	MPa   decimal.Decimal // exact
	Rule  Rule
	Notes []fault.Fault // what to know: agreement of the rules, what is not covered
}

// sameStrength is how near two effective strengths count as the same, in MPa:
// half of the last digit to which strengths are reported (0.001 MPa).
var sameStrength = decimal.New(5, -4)

// Effective applies the rule. Faults point below at: a rule that is not known,
// or a rule without its value.
func (s Strength) Effective(at fault.Path) (e Effective, faults fault.List) {
	byRatio := decimal.NullDecimal{Decimal: s.MOR.Add(s.MOR.Mul(s.ResidualRatio.Decimal).Shift(-2)), Valid: s.ResidualRatio.Valid}
	byF150 := decimal.NullDecimal{Decimal: s.MOR.Add(s.F150.Decimal), Valid: s.F150.Valid}
	chosen, needs := decimal.NullDecimal{Decimal: s.MOR, Valid: true}, ""
	switch e.Rule = s.Rule; s.Rule {
	case RuleNone, "":
		e.Rule = RuleNone
	case RuleResidualRatio:
		chosen, needs = byRatio, "residual_ratio"
	case RuleMORPlusF150:
		chosen, needs = byF150, "f150"
	default:
		faults.Add(at.At("strength_rule"), "one-of", "%q is no strength rule; accepted: %s, %s, %s", s.Rule, RuleResidualRatio, RuleMORPlusF150, RuleNone)
		return e, faults
	}
	if !chosen.Valid {
		faults.Add(at.At(needs), "required-member-missing", "the rule %s needs %s", e.Rule, needs)
		return e, faults
	}
	e.MPa = chosen.Decimal
	if e.Rule == RuleNone {
		return e, faults
	}
	var notes fault.List
	notes.Add(at, "effective-strength", "the effective modulus of rupture %s MPa stands for fibre concrete in a method calibrated on plain slabs; crack width and joint behaviour of the cracked section are not covered", num.Line(e.MPa))
	switch {
	case !byRatio.Valid || !byF150.Valid:
		notes.Add(at.At("strength_rule"), "rules-by-load", "where R is the ratio by load, 100 f150/MOR, the rules %s and %s are the same", RuleResidualRatio, RuleMORPlusF150)
	case byRatio.Decimal.Sub(byF150.Decimal).Abs().LessThanOrEqual(sameStrength):
		notes.Add(at.At("strength_rule"), "rules-coincide", "the rules %s and %s give the same here: R is the ratio by load, 100 f150/MOR", RuleResidualRatio, RuleMORPlusF150)
	default:
		notes.Add(at.At("strength_rule"), "rules-differ", "%s gives %s MPa and %s gives %s MPa: R is not the ratio by load", RuleResidualRatio, num.Line(byRatio.Decimal), RuleMORPlusF150, num.Line(byF150.Decimal))
	}
	e.Notes = notes.All()
	return e, faults
}
