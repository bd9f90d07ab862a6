package service

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/shopspring/decimal"

	"slabledger/lca/compare"
	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// Objective is one measure that is to be small.
type Objective struct {
	Measure string   `json:"measure"`
	Modules []string `json:"modules,omitzero"` // of MeasureModules
}

// Measures that only objectives have, beside those of a sensitivity.
const (
	MeasureModules   = "carbon_of_modules"
	MeasureThickness = "thickness"
)

// Weighting ranks by a sum of the objectives.
type Weighting struct {
	Normalisation string   `json:"normalisation"`
	Weights       []string `json:"weights"` // of the objectives, in their order
}

// Normalisations of a weighted sum.
const (
	NormaliseBaseline = "baseline"
	NormaliseMinMax   = "min_max"
)

// ObjectivesResult sets the alternatives against each other in several measures.
type ObjectivesResult struct {
	Measures  []ObjectiveUsed  `json:"measures"`
	Pareto    []string         `json:"pareto"`
	Dominance []Standing       `json:"dominance"`
	Weighting *WeightingResult `json:"weighting,omitzero"`
}

// ObjectiveUsed is an objective with its unit.
type ObjectiveUsed struct {
	Objective
	Unit string `json:"unit"`
}

// Standing is one alternative among the others.
type Standing struct {
	Name        string   `json:"name"`
	Values      []Fixed  `json:"values"`
	Class       string   `json:"class"`
	DominatedBy []string `json:"dominated_by"`
}

// Classes of a Standing.
const (
	ClassOnFront   = "on_front"
	ClassDominated = "dominated"
)

// WeightingResult is the ranking by weights, and what other weights would say.
type WeightingResult struct {
	Normalisation string       `json:"normalisation"`
	Weights       []Plain      `json:"weights"`
	Scales        []ScaleUsed  `json:"scales"`
	Ranking       []Scored     `json:"ranking"`
	RankRanges    []RankRange  `json:"rank_ranges"`
	FirstWhere    []FirstWhere `json:"first_where,omitzero"` // of two objectives
}

// ScaleUsed makes a measure a number: (value - subtracted)/divided_by.
type ScaleUsed struct {
	Subtracted Fixed `json:"subtracted"`
	DividedBy  Fixed `json:"divided_by"`
}

// Scored is a rank with the weighted sum behind it.
type Scored struct {
	Rank  int    `json:"rank"`
	Name  string `json:"name"`
	Score Fixed  `json:"score"`
}

// RankRange is the best and the worst rank over all weights.
type RankRange struct {
	Name  string `json:"name"`
	Best  int    `json:"best"`
	Worst int    `json:"worst"`
}

// FirstWhere is the weights of the first objective at which an alternative is first;
// both are null where it never is.
type FirstWhere struct {
	Name string  `json:"name"`
	From *Amount `json:"from"`
	To   *Amount `json:"to"`
}

// EqualPair is two alternatives that nothing computed here tells apart.
type EqualPair struct {
	First  string `json:"first"`
	Second string `json:"second"`
	Reason string `json:"reason"`
}

// Reasons of an EqualPair.
const (
	EqualInLines  = "equal in every line"
	EqualInTotals = "equal in totals"
)

// maxWeighted alternatives in three objectives: the work grows with their cube.
const maxWeighted = 50

func (in *interpretation) readObjectives(r *reader) {
	req := in.request
	if req.Objectives == nil && req.Weighting == nil {
		return
	}
	in.objectives = req.Objectives
	if in.objectives == nil {
		in.objectives = []Objective{{Measure: MeasureNPV}, {Measure: MeasureTotalCarbon}}
		if req.Economics == nil {
			r.faults.Add("/objectives", "required-member-missing", "without economics nothing has a net present value: say which objectives are weighed")
		}
	}
	seen := map[string]bool{}
	for i, o := range in.objectives {
		at := fault.Path("/objectives").At(i)
		if key := fmt.Sprint(o); seen[key] {
			r.faults.Add(at, "duplicate-name", "the same objective is given twice")
		} else {
			seen[key] = true
		}
		switch {
		case (o.Measure == MeasureModules) == (o.Modules == nil):
			r.faults.Add(at.At("modules"), "one-of", "%s has modules, and nothing else has", MeasureModules)
		case (o.Measure == MeasureNPV || o.Measure == MeasureInitial) && req.Economics == nil && req.Objectives != nil:
			r.faults.Add(at.At("measure"), "required-member-missing", "the comparison has no economics, so nothing of it has a cost")
		}
		for k, m := range o.Modules {
			if slices.Contains(o.Modules[:k], m) {
				r.faults.Add(at.At("modules", k), "duplicate-name", "%s is given twice", m)
			}
		}
	}
	in.readWeights(r)
}

func (in *interpretation) readWeights(r *reader) {
	w := in.request.Weighting
	if w == nil {
		return
	}
	at := fault.Path("/weighting/weights")
	if n := len(in.objectives); n < 2 || n > 3 {
		r.faults.Add(at, "out-of-range", "weights are given to two or three objectives; there are %d", n)
	} else if n == 3 && len(in.request.Alternatives) > maxWeighted {
		r.faults.Add(at, "compute-budget-exceeded", "the ranks over all weights of three objectives are found for at most %d alternatives; there are %d", maxWeighted, len(in.request.Alternatives))
	}
	if len(w.Weights) != len(in.objectives) {
		r.faults.Add(at, "one-of", "%d weights for %d objectives", len(w.Weights), len(in.objectives))
		return
	}
	sum, before := decimal.Zero, r.faults.Len()
	for i, text := range w.Weights {
		v := r.decimal(text, at.At(i))
		if v.IsNegative() {
			r.faults.Add(at.At(i), "out-of-range", "%q: a weight is at least zero", short(text))
		}
		in.weights, sum = append(in.weights, v), sum.Add(v)
	}
	if r.faults.Len() == before && !sum.Equal(num.One) {
		r.faults.Add(at, "out-of-range", "the weights come to %s; they sum to 1", sum)
	}
}

// measure is an objective of a result; invalid, with the modules that are missing,
// where it has no value.
func (o Objective) measure(r *Result) (v decimal.Decimal, missing []string) {
	switch o.Measure {
	case MeasureNPV, MeasureInitial, MeasureTotalCarbon, MeasureCradleToGate:
		return totalsIn(r).measure(o.Measure), nil
	case MeasureThickness:
		return r.ThicknessMM.Decimal, nil
	}
	var total num.Total
	for _, module := range o.Modules {
		value := r.Carbon.Modules.of(module)
		if value == nil {
			missing = append(missing, module)
			continue
		}
		total.Add(value.Decimal)
	}
	return total.Value(), missing
}

// of is the value of a module as printed; nil where it is not declared.
func (m *CarbonModules) of(module string) *Fixed {
	return map[string]*Fixed{"A0": m.A0, "A1-A3": m.A1A3, "A4": m.A4, "A5": m.A5, "B1": m.B1, "B2": m.B2, "B3": m.B3, "B4": m.B4, "B5": m.B5,
		"B6": m.B6, "B7": m.B7, "B8": m.B8, "C1": m.C1, "C2": m.C2, "C3": m.C3, "C4": m.C4}[module]
}

func (in *interpretation) unitOf(o Objective) string {
	switch o.Measure {
	case MeasureThickness:
		return "mm"
	case MeasureModules:
		return "kg CO2e/m2"
	}
	return measureUnit(in.study.catalogue, o.Measure)
}

// answerObjectives sets alternatives that are ranked against each other in the
// objectives.
func (in *interpretation) answerObjectives(resp *ComparisonResponse, baseline int) error {
	if in.objectives == nil || resp.Comparison.Ranking == nil {
		return nil
	}
	var faults fault.List
	points := make([]compare.Point, len(resp.Alternatives))
	for i := range resp.Alternatives {
		r := &resp.Alternatives[i]
		points[i].Name = r.Name
		for k, o := range in.objectives {
			v, missing := o.measure(r)
			if len(missing) > 0 {
				faults.Add(fault.Path("/objectives").At(k, "modules"), "module-not-declared", "%q does not declare %s", short(r.Name), strings.Join(missing, ", "))
			}
			points[i].Values = append(points[i].Values, v)
		}
	}
	if !faults.Empty() {
		return errFaults(faults.All())
	}
	out := &ObjectivesResult{Measures: []ObjectiveUsed{}, Pareto: []string{}, Dominance: []Standing{}}
	for _, o := range in.objectives {
		out.Measures = append(out.Measures, ObjectiveUsed{o, in.unitOf(o)})
	}
	for _, s := range compare.Dominance(points) {
		line := Standing{Name: s.Name, Values: []Fixed{}, Class: ClassDominated, DominatedBy: s.DominatedBy}
		for _, v := range s.Values {
			line.Values = append(line.Values, Fixed{v})
		}
		if len(s.DominatedBy) == 0 {
			line.Class, out.Pareto = ClassOnFront, append(out.Pareto, s.Name)
		}
		out.Dominance = append(out.Dominance, line)
	}
	if in.weights != nil {
		var err error
		if out.Weighting, err = in.weigh(points, baseline); err != nil {
			return err
		}
	}
	resp.Comparison.Objectives = out
	return nil
}

// weigh ranks by the weights of the request, and by all others.
func (in *interpretation) weigh(points []compare.Point, baseline int) (*WeightingResult, error) {
	out := &WeightingResult{Normalisation: in.request.Weighting.Normalisation}
	scales := compare.MinMax(points)
	if out.Normalisation == NormaliseBaseline {
		var err error
		if scales, err = compare.ToBaseline(points[baseline]); errors.Is(err, compare.ErrScale) {
			return nil, errFaults(oneFault("/weighting/normalisation", "normalisation-undefined", err.Error()))
		}
	}
	for k, w := range in.weights {
		out.Weights = append(out.Weights, Plain{w})
		out.Scales = append(out.Scales, ScaleUsed{Fixed{scales[k].Zero}, Fixed{scales[k].Span}})
	}
	for _, s := range compare.WeightedSum(points, in.weights, scales) {
		out.Ranking = append(out.Ranking, Scored{s.Rank, s.Name, Fixed{s.Score}})
	}
	ranges, err := compare.RankRanges(points)
	if err != nil {
		return nil, &Error{Code: Internal, Detail: "the ranks over all weights cannot be found", Cause: err}
	}
	for _, r := range ranges {
		out.RankRanges = append(out.RankRanges, RankRange(r))
	}
	slices.SortFunc(out.RankRanges, func(a, b RankRange) int { return strings.Compare(a.Name, b.Name) })
	if len(points[0].Values) != 2 {
		return out, nil
	}
	for _, f := range compare.FirstWhere(points, scales) {
		line := FirstWhere{Name: f.Name}
		if f.Ever {
			line.From, line.To = &Amount{num.Amount(f.From)}, &Amount{num.Amount(f.To)}
		}
		out.FirstWhere = append(out.FirstWhere, line)
	}
	slices.SortFunc(out.FirstWhere, func(a, b FirstWhere) int { return strings.Compare(a.Name, b.Name) })
	return out, nil
}

// indistinguishable lists the pairs of alternatives that are equal in every total, with
// whether they are in every line too, in order of their names.
func indistinguishable(results []Result) []EqualPair {
	pairs := []EqualPair{}
	same := map[string][]*Result{}
	for i := range results {
		key := totalsOf(&results[i])
		same[key] = append(same[key], &results[i])
	}
	for _, group := range same {
		if len(group) < 2 {
			continue
		}
		slices.SortFunc(group, func(a, b *Result) int { return strings.Compare(a.Name, b.Name) })
		lines := make([]string, len(group))
		for i, r := range group {
			lines[i] = linesOf(r)
			for k, other := range group[:i] {
				reason := EqualInTotals
				if lines[i] == lines[k] {
					reason = EqualInLines
				}
				pairs = append(pairs, EqualPair{other.Name, r.Name, reason})
			}
		}
	}
	slices.SortFunc(pairs, func(a, b EqualPair) int {
		return slices.Compare([]string{a.First, a.Second}, []string{b.First, b.Second})
	})
	return pairs
}

// totalsOf is what alternatives are compared by, as text.
func totalsOf(r *Result) string {
	parts := []string{num.Canonical(r.ThicknessMM.Decimal), strings.Join(r.Carbon.TotalCovers, " ")}
	add := func(values ...Fixed) {
		for _, v := range values {
			parts = append(parts, num.Canonical(num.Line(v.Decimal)))
		}
	}
	for _, s := range r.Carbon.StageTotals {
		add(s.DeclaredPart)
	}
	if c := r.Cost; c != nil {
		add(c.InitialPerM2, c.MaintenancePresentValuePerM2, c.ResidualValuePerM2, c.NetPresentValuePerM2, c.EquivalentAnnualPerM2)
	}
	return strings.Join(parts, ";")
}

// linesOf is every line of a result without its name, as text.
func linesOf(r *Result) string {
	carbon, concrete := slices.Clone(r.Carbon.Lines), slices.Clone(r.Concrete.Lines)
	for i := range carbon {
		carbon[i].Alternative = ""
	}
	for i := range concrete {
		concrete[i].Alternative = ""
	}
	var costs []CostLine
	if r.Cost != nil {
		costs = slices.Clone(r.Cost.Lines)
		for i := range costs {
			costs[i].Alternative = ""
		}
	}
	text, err := json.Marshal([]any{r.Quantities, concrete, carbon, costs}, json.Deterministic(true))
	if err != nil {
		return r.Name // then it is equal to none
	}
	return string(text)
}
