package service

import (
	"context"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
	"slabledger/lca/unit"
)

// Interpretation is what a comparison may ask for beside its figures (ISO 14044, 4.5).
// Nothing of it changes a figure.
type Interpretation struct {
	GoalAndScope *GoalAndScope `json:"goal_and_scope,omitzero"`
	Checks       *ChecksAsked  `json:"checks,omitzero"`
	CutOff       []CutOffFlow  `json:"cut_off,omitzero"`
	Limits       []LimitAsked  `json:"limits,omitzero"`
	Objectives   []Objective   `json:"objectives,omitzero"`
	Weighting    *Weighting    `json:"weighting,omitzero"`
}

// GoalAndScope says what the comparison is for (ISO 14044, 4.2).
type GoalAndScope struct {
	Purpose           string      `json:"purpose"`
	Audience          string      `json:"audience"`
	Decision          string      `json:"decision"`
	PublicComparative bool        `json:"public_comparative,omitzero"`
	Limitations       string      `json:"limitations,omitzero"`
	Uncertainty       string      `json:"uncertainty,omitzero"`
	Consistency       string      `json:"consistency,omitzero"`
	Reviewer          string      `json:"reviewer,omitzero"`
	Excluded          []Exclusion `json:"excluded,omitzero"`
}

// Exclusion is modules that the goal does without, and why.
type Exclusion struct {
	Modules []string `json:"modules"`
	Reason  string   `json:"reason"`
}

// ChecksAsked asks for the three checks of ISO 14044.
type ChecksAsked struct {
	Percent string `json:"percent,omitzero"` // by which an input without a spread is varied
}

// Interpreted is what a comparison answers to an Interpretation.
type Interpreted struct {
	Checks            []Check           `json:"checks,omitzero"`
	CutOff            *CutOffLedger     `json:"cut_off,omitzero"`
	Objectives        *ObjectivesResult `json:"objectives,omitzero"`
	Indistinguishable []EqualPair       `json:"indistinguishable,omitzero"`
}

// interpretation is an Interpretation as read.
type interpretation struct {
	study      *study
	request    ComparisonRequest
	percent    decimal.Decimal
	cutOff     cutOff
	objectives []Objective
	weights    []decimal.Decimal
}

// checked tells whether the request asks for the three checks.
func (in *interpretation) checked() bool {
	return in.request.Checks != nil || in.request.GoalAndScope != nil
}

func readInterpretation(s *study, req ComparisonRequest, faults *fault.List) *interpretation {
	in := &interpretation{study: s, request: req, percent: defaultCheckPercent}
	r := &reader{catalogue: s.catalogue}
	in.readGoal(r)
	if req.Checks != nil && req.Checks.Percent != "" {
		in.percent = r.fraction(req.Checks.Percent, "/checks/percent")
		if r.faults.Empty() && (!in.percent.IsPositive() || in.percent.GreaterThanOrEqual(num.One)) {
			r.faults.Add("/checks/percent", "out-of-range", "%q: accepted: more than 0 %% and less than 100 %%", short(req.Checks.Percent))
		}
	}
	in.readCutOff(r)
	s.readLimits(req.Limits, r)
	in.readObjectives(r)
	s.named = append(s.named, r.named...)
	faults.Append(r.faults.All()...)
	return in
}

// readGoal holds a comparison that is meant for the public to what it needs (ISO 14044,
// 4.4.5, 5.2 and 6; from memory): a word on uncertainty and on consistency, a review,
// and no weights.
func (in *interpretation) readGoal(r *reader) {
	g := in.request.GoalAndScope
	if g == nil {
		return
	}
	at := fault.Path("/goal_and_scope")
	seen := map[string]bool{}
	for i, x := range g.Excluded {
		for k, module := range x.Modules {
			if seen[module] {
				r.faults.Add(at.At("excluded", i, "modules", k), "duplicate-name", "%s is excluded twice; give it one reason", module)
			}
			seen[module] = true
		}
	}
	if !g.PublicComparative {
		return
	}
	for _, m := range []struct{ member, value, what string }{
		{"uncertainty", g.Uncertainty, "how uncertain the result is"},
		{"consistency", g.Consistency, "whether the alternatives were treated alike"},
		{"reviewer", g.Reviewer, "who reviews it"},
	} {
		if strings.TrimSpace(m.value) == "" {
			r.faults.Add(at.At(m.member), "required-member-missing", "a comparison that is meant for the public says %s (ISO 14044, 5.2 and 6)", m.what)
		}
	}
	if in.request.Weighting != nil {
		r.faults.Add("/weighting", "weights-barred", "a comparison that is meant for the public is not decided by weights (ISO 14044, 4.4.5)")
	}
}

// excluded is why the goal does without a module.
func (g *GoalAndScope) excluded(module string) (reason string, found bool) {
	if g == nil {
		return "", false
	}
	for _, x := range g.Excluded {
		for _, m := range x.Modules {
			if m == module {
				return x.Reason, true
			}
		}
	}
	return "", false
}

// answer adds to a comparison what the request asks of it.
func (in *interpretation) answer(ctx context.Context, s *Service, resp *ComparisonResponse, evaluations []*evaluated, baseline int) error {
	resp.GoalAndScope = in.request.GoalAndScope
	in.answerCutOff(resp, evaluations)
	for i, e := range evaluations {
		resp.Alternatives[i].Limits = e.judge(&resp.Alternatives[i])
	}
	if in.checked() || in.objectives != nil {
		resp.Comparison.Indistinguishable = indistinguishable(resp.Alternatives)
	}
	if err := in.answerObjectives(resp, baseline); err != nil {
		return err
	}
	if !in.checked() {
		return nil
	}
	consistency, err := in.consistency(ctx, s, evaluations, resp.Alternatives)
	if err != nil {
		return err
	}
	sensitivity, err := in.sensitivity(ctx, s, evaluations, resp)
	if err != nil {
		return err
	}
	resp.Comparison.Checks = []Check{in.completeness(resp), sensitivity, consistency}
	return nil
}

// SpecifiedConcrete is what the tender asks of the concrete, by which limits go.
type SpecifiedConcrete struct {
	StrengthClass       string `json:"strength_class,omitzero"`       // EN 206: "C30/37"
	CompressiveStrength string `json:"compressive_strength,omitzero"` // ACI 318: "4000 psi"
	HighEarlyStrength   bool   `json:"high_early_strength,omitzero"`
}

func (e *evaluated) readSpecified() {
	if c := e.SpecifiedConcrete; c != nil && c.CompressiveStrength != "" {
		if q, ok := e.required(c.CompressiveStrength, "30 MPa", e.at.At("specified_concrete", "compressive_strength"), unit.Pressure); ok {
			e.strength = decimal.NewNullDecimal(q.SI())
		}
	}
}
