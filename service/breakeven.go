package service

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/go-json-experiment/json"
	"github.com/shopspring/decimal"

	"slabledger/lca/compare"
	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// BreakEvenRequest is the body of POST /v1/break-even.
type BreakEvenRequest struct {
	Comparison ComparisonRequest `json:"comparison"`
	First      string            `json:"first"`
	Second     string            `json:"second"`
	Measure    string            `json:"measure"`
	Variable   Variable          `json:"variable"`
	Range      ValueRange        `json:"range"`
}

// ValueRange is where a variable is looked at, in its own unit.
type ValueRange struct {
	Low  string `json:"low"`
	High string `json:"high"`
}

// BreakEvenResponse answers POST /v1/break-even.
type BreakEvenResponse struct {
	Inventory     InventoryRef    `json:"inventory"`
	EngineVersion string          `json:"engine_version"`
	RequestHash   string          `json:"request_hash"`
	Measure       string          `json:"measure"`
	MeasureUnit   string          `json:"measure_unit"`
	First         string          `json:"first"`
	Second        string          `json:"second"`
	Variable      VariableApplied `json:"variable"`
	Low           TieAt           `json:"low"`
	High          TieAt           `json:"high"`
	Nominal       TieAt           `json:"nominal"`
	Crossings     []Crossing      `json:"crossings"`
	Ties          []TieSpan       `json:"ties,omitzero"`
	Conclusion    string          `json:"conclusion"`
	Evaluations   int             `json:"evaluations"`
	Notices       []string        `json:"notices"`
}

// Pinned is the version of the inventory that the answer rests on.
func (r *BreakEvenResponse) Pinned() string { return r.Inventory.Ref }

// VariableApplied is what was varied, and its value in the comparison.
type VariableApplied struct {
	Variable
	UnitOfValue string `json:"unit_of_value"`
	Nominal     Plain  `json:"nominal"`
}

// TieAt is both alternatives at one value of the variable.
type TieAt struct {
	Value      Plain `json:"value"`
	First      Fixed `json:"first"`
	Second     Fixed `json:"second"`
	Difference Fixed `json:"difference"` // first less second
}

// Crossing is a value at which the two change places. Where they jump past each
// other, as at a step of the thickness, they do not tie.
type Crossing struct {
	TieAt
	Tie         bool   `json:"tie"`
	LowerBefore string `json:"lower_before"`
	LowerAfter  string `json:"lower_after"`
}

// TieSpan is where the two are equal without changing places there alone: at an end of
// the range, where they meet and part again, or from one value to another.
type TieSpan struct {
	From Plain `json:"from"`
	To   Plain `json:"to"`
}

// BreakEven finds where two alternatives of a comparison tie as one number behind
// them is varied.
func (s *Service) BreakEven(ctx context.Context, body []byte, refused ...fault.Fault) (resp *BreakEvenResponse, err error) {
	defer func() { err = joined(refused, err) }()
	var req BreakEvenRequest
	if err := json.Unmarshal(body, &req); err != nil {
		return nil, &Error{Code: Malformed, Detail: "the body cannot be read as a break-even", Cause: err}
	}
	c, refused, err := s.pinnedOrNone(ctx, "/comparison", req.Comparison.Inventory, refused)
	if err != nil {
		return nil, err
	}
	req.Comparison.Inventory = c.ref.Ref
	c = c.overriddenBy(req.Comparison.Overrides)
	var faults fault.List
	w := newWhatIf(c, req.Comparison, req.Variable, "/variable", &faults)
	w.chosen = pairOf(req.Comparison, req.First, req.Second, &faults)
	r := reader{catalogue: c}
	low, high := r.decimal(req.Range.Low, "/range/low"), r.decimal(req.Range.High, "/range/high")
	if r.faults.Empty() && !low.LessThan(high) {
		r.faults.Add("/range/high", "out-of-range", "the high end must be above the low end")
	}
	faults.Append(r.faults.All()...)
	for _, end := range rangeEnds(low, high) {
		if why := w.refuses(end.value); why != "" {
			faults.Add(end.at, "out-of-range", "%s: %s", num.Canonical(end.value), why)
		}
	}
	// The comparison itself must stand before anything of it is varied.
	all, err := s.figuresOrFaults(ctx, c, req.Comparison, figuresWanted{checkOnly: len(refused) > 0})
	if err = addFaults(&faults, below("/comparison", err)); err != nil {
		return nil, err
	}
	priced := req.Comparison.Economics != nil
	if !priced && (req.Measure == MeasureNPV || req.Measure == MeasureInitial || req.Variable.CarbonPrice || req.Variable.Of == VaryPrice) {
		faults.Add("/measure", "required-member-missing", "the comparison has no economics, so nothing of it has a cost")
	}
	if req.Variable.CarbonPrice && req.Measure != MeasureNPV {
		faults.Add("/measure", "not-used", "a price of carbon is added to the net present value alone")
	}
	if faults.Empty() && len(refused) == 0 {
		if err := s.checkRange(ctx, w, all, low, high, &faults); err != nil {
			return nil, err
		}
	}
	if !faults.Empty() || checksOnly(ctx, refused) {
		return nil, errFaults(faults.All())
	}
	resp = &BreakEvenResponse{Inventory: c.ref, EngineVersion: EngineVersion, Measure: req.Measure, MeasureUnit: measureUnit(c, req.Measure), First: req.First, Second: req.Second,
		Variable: VariableApplied{req.Variable, w.unit(), Plain{w.nominal()}}, Notices: slices.Concat([]string{Caution}, c.overrideNotices(), footingOf(req.Comparison, all, w.chosen).notices(req.Measure))}
	if eco := req.Comparison.Economics; req.Variable.CarbonPrice && eco.CarbonPrice != nil && eco.CarbonPrice.InCost {
		resp.Notices = append(resp.Notices, "the net present value has the comparison's own price of carbon in it; the price that is varied comes on top of that: to vary it in its place, name /economics/carbon_price/amount")
	}
	err = s.crossings(ctx, w, low, high, resp)
	if errors.Is(err, compare.ErrCrossings) {
		return nil, errFaults(oneFault("/range", "compute-budget-exceeded", err.Error()))
	}
	if err != nil {
		return nil, withinRange("/range", "between the ends", err)
	}
	resp.Evaluations = w.count
	if resp.RequestHash, err = canonicalBody(req); err != nil {
		return nil, err
	}
	return resp, nil
}

// rangeEnd is an end of a range and where the request has it.
type rangeEnd struct {
	at    fault.Path
	value decimal.Decimal
}

func rangeEnds(low, high decimal.Decimal) []rangeEnd {
	return []rangeEnd{{"/range/low", low}, {"/range/high", high}}
}

// checkRange checks a break-even whose comparison stands: one of the two alternatives
// rests on what is varied, and both can be computed at the ends of the range.
func (s *Service) checkRange(ctx context.Context, w *whatIf, all []totals, low, high decimal.Decimal, faults *fault.List) error {
	if w.entry != nil && !slices.Contains(itemsOf(all, w.chosen), w.entry.Code) {
		faults.Add("/variable/item", "not-used", "neither alternative rests on %s itself", w.entry.Code)
		return nil
	}
	if w.variable.Pointer == "" {
		return nil // a price or a factor that an inventory can have can be computed with
	}
	for _, end := range rangeEnds(low, high) {
		_, err := w.at(ctx, s, end.value)
		if err := addFaults(faults, withinRange(end.at, "with "+w.text(end.value), err)); err != nil {
			return err
		}
	}
	w.count = 0 // the search evaluates them again
	return nil
}

// withinRange moves the faults of a comparison with another value in it to where that
// value comes from, each once: in the request stands a value that is right.
func withinRange(at fault.Path, where string, err error) error {
	var failed *Error
	if !asInvalid(err, &failed) {
		return err
	}
	var moved []fault.Fault
	for _, f := range failed.Faults {
		f.Pointer, f.Detail = at, where+": "+f.Detail
		if !slices.Contains(moved, f) {
			moved = append(moved, f)
		}
	}
	return &Error{Code: failed.Code, Detail: failed.Detail, Faults: moved, Cause: failed.Cause}
}

// crossings fills in where the two alternatives of an answer change places between two
// values of what is varied. It fails with compare.ErrCrossings, or as an evaluation does.
func (s *Service) crossings(ctx context.Context, w *whatIf, low, high decimal.Decimal, r *BreakEvenResponse) error {
	tie := func(x decimal.Decimal) (TieAt, error) {
		list, err := w.at(ctx, s, x)
		if err != nil {
			return TieAt{}, fmt.Errorf("at %s: %w", num.Canonical(x), err)
		}
		a, b := list[0].measure(r.Measure), list[1].measure(r.Measure)
		return TieAt{Plain{x}, Fixed{a}, Fixed{b}, Fixed{a.Sub(b)}}, nil
	}
	var err error
	if r.Nominal, err = tie(w.nominal()); err != nil {
		return err
	}
	found, err := compare.Crossings(low, high, func(x decimal.Decimal) (decimal.Decimal, error) {
		t, err := tie(x)
		return t.Difference.Decimal, err
	})
	if err != nil {
		return err
	}
	if r.Low, err = tie(low); err != nil {
		return err
	}
	if r.High, err = tie(high); err != nil {
		return err
	}
	r.Crossings = []Crossing{}
	for _, root := range found.Roots {
		t, err := tie(root.Value)
		if err != nil {
			return err
		}
		crossing := Crossing{TieAt: t, Tie: root.Tie, LowerBefore: r.First, LowerAfter: r.Second}
		if root.Rising < 0 {
			crossing.LowerBefore, crossing.LowerAfter = r.Second, r.First
		}
		r.Crossings = append(r.Crossings, crossing)
	}
	for _, span := range found.Spans {
		r.Ties = append(r.Ties, TieSpan{Plain{span.From}, Plain{span.To}})
	}
	r.Conclusion = concludeTie(r, found.First)
	return nil
}

func measureUnit(c *catalogue, measure string) string {
	if measure == MeasureTotalCarbon || measure == MeasureCradleToGate {
		return "kg CO2e/m2"
	}
	return c.ref.Currency + "/m2"
}

// concludeTie says in words what was found. sign is that of the difference where it is
// first not zero.
func concludeTie(r *BreakEvenResponse, sign int) string {
	unit := r.Variable.UnitOfValue
	if unit != "" {
		unit = " " + unit
	}
	span := fmt.Sprintf("from %s to %s%s", r.Low.Value, r.High.Value, unit)
	if sign == 0 {
		return "they are equal " + span
	}
	text := r.First
	if sign > 0 {
		text = r.Second
	}
	if len(r.Crossings) > 0 {
		times := "once"
		if n := len(r.Crossings); n > 1 {
			times = fmt.Sprintf("%d times", n)
		}
		text = fmt.Sprintf("%s they change places %s, ", span, times)
		for i, x := range r.Crossings {
			if i > 0 {
				text += "; "
			}
			how := "at"
			if !x.Tie {
				how = "with a jump at"
			}
			text += fmt.Sprintf("%s %s%s, above which %s is lower", how, x.Value, unit, x.LowerAfter)
		}
	} else if len(r.Ties) == 0 {
		return text + " is lower everywhere " + span
	} else {
		text += " is lower " + span
	}
	for i, t := range r.Ties {
		text += map[bool]string{true: ", but for where they are equal: ", false: "; "}[i == 0]
		if t.From.Equal(t.To.Decimal) {
			text += fmt.Sprintf("at %s%s", t.From, unit)
		} else {
			text += fmt.Sprintf("from %s to %s%s", t.From, t.To, unit)
		}
	}
	return text
}

// addFaults gathers the faults of a part of a request; any other error comes back.
func addFaults(faults *fault.List, err error) error {
	var failed *Error
	if asInvalid(err, &failed) {
		faults.Append(failed.Faults...)
		return nil
	}
	return err
}

// below moves the faults of a part of a request to where that part stands.
func below(at fault.Path, err error) error {
	var failed *Error
	if asInvalid(err, &failed) {
		moved := slices.Clone(failed.Faults)
		for i := range moved {
			moved[i].Pointer = at + moved[i].Pointer
		}
		return &Error{Code: failed.Code, Detail: failed.Detail, Faults: moved, Cause: failed.Cause}
	}
	return err
}

// canonicalBody is the hash of a request as it was understood, its inventory pinned.
func canonicalBody(req any) (string, error) {
	text, err := json.Marshal(req, json.Deterministic(true))
	if err != nil {
		return "", &Error{Code: Internal, Detail: "hashing failed", Cause: err}
	}
	return canonicalHash(text)
}
