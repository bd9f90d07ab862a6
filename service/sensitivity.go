package service

import (
	"context"
	"slices"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// SensitivityRequest is the body of POST /v1/sensitivity.
type SensitivityRequest struct {
	Comparison ComparisonRequest `json:"comparison"`
	First      string            `json:"first"`
	Second     string            `json:"second"`
	Measure    string            `json:"measure"`
	Percent    string            `json:"percent"`
	Members    []Variable        `json:"members,omitzero"` // at most 50, of the comparison, beside the items
}

// SensitivityResponse answers POST /v1/sensitivity.
type SensitivityResponse struct {
	Inventory     InventoryRef       `json:"inventory"`
	EngineVersion string             `json:"engine_version"`
	RequestHash   string             `json:"request_hash"`
	Measure       string             `json:"measure"`
	MeasureUnit   string             `json:"measure_unit"`
	First         string             `json:"first"`
	Second        string             `json:"second"`
	Nominal       DifferenceAt       `json:"nominal"`
	Lines         []SensitivityLine  `json:"lines"`
	Pairs         []SensitivityPair  `json:"pairs"`
	Reversals     []string           `json:"reversals"`
	NotVaried     []SensitivityLeave `json:"not_varied"`
	Notices       []string           `json:"notices"`
}

// Pinned is the version of the inventory that the answer rests on.
func (r *SensitivityResponse) Pinned() string { return r.Inventory.Ref }

// DifferenceAt is both alternatives at one state of the inputs.
type DifferenceAt struct {
	First      Fixed `json:"first"`
	Second     Fixed `json:"second"`
	Difference Fixed `json:"difference"` // first less second
}

// SensitivityLine is what one input does, all others as they are.
type SensitivityLine struct {
	Name     string           `json:"name"`
	Variable Variable         `json:"variable"`
	Unit     string           `json:"unit"`
	Nominal  Plain            `json:"nominal"`
	Basis    string           `json:"basis"` // the spread that the inventory states, or the percentage of the request
	LowAt    Plain            `json:"low_at"`
	Low      DifferenceAt     `json:"low"`
	HighAt   Plain            `json:"high_at"`
	High     DifferenceAt     `json:"high"`
	Swing    Fixed            `json:"swing"` // of the difference, from low to high, without sign
	Elastic  *ElasticityOfTwo `json:"elasticity"`
	Reverses bool             `json:"reverses"` // the other alternative is lower at one of the ends
}

// ElasticityOfTwo is the relative change of each alternative over that of the input,
// from end to end; null where a figure or the input is zero.
type ElasticityOfTwo struct {
	First  *Fixed `json:"first"`
	Second *Fixed `json:"second"`
}

// SensitivityPair is the two inputs that do most, both at an end.
type SensitivityPair struct {
	Inputs   []string     `json:"inputs"`
	At       []Plain      `json:"at"`
	Result   DifferenceAt `json:"result"`
	Reverses bool         `json:"reverses"`
}

// SensitivityLeave is an input that was not varied, and why.
type SensitivityLeave struct {
	Name   string `json:"name"`
	Reason string `json:"reason"`
}

// Sensitivity varies the inputs of two alternatives one at a time: each price or
// factor over the spread that the inventory states, else by a percentage, and the
// members that the request names. The inputs come in order of what they do to the
// difference.
func (s *Service) Sensitivity(ctx context.Context, body []byte, refused ...fault.Fault) (resp *SensitivityResponse, err error) {
	defer func() { err = joined(refused, err) }()
	var req SensitivityRequest
	if err := json.Unmarshal(body, &req); err != nil {
		return nil, &Error{Code: Malformed, Detail: "the body cannot be read as a sensitivity", Cause: err}
	}
	c, refused, err := s.pinnedOrNone(ctx, "/comparison", req.Comparison.Inventory, refused)
	if err != nil {
		return nil, err
	}
	req.Comparison.Inventory = c.ref.Ref
	c = c.overriddenBy(req.Comparison.Overrides)
	var faults fault.List
	chosen := pairOf(req.Comparison, req.First, req.Second, &faults)
	r := reader{catalogue: c}
	percent := r.fraction(req.Percent, "/percent")
	if r.faults.Empty() && (!percent.IsPositive() || percent.GreaterThanOrEqual(num.One)) {
		r.faults.Add("/percent", "out-of-range", "%q: accepted: more than 0 %% and less than 100 %%", short(req.Percent))
	}
	faults.Append(r.faults.All()...)
	all, err := s.figuresOrFaults(ctx, c, req.Comparison, figuresWanted{checkOnly: len(refused) > 0})
	if err = addFaults(&faults, below("/comparison", err)); err != nil {
		return nil, err
	}
	costs := req.Measure == MeasureNPV || req.Measure == MeasureInitial
	if costs && req.Comparison.Economics == nil {
		faults.Add("/measure", "required-member-missing", "the comparison has no economics, so nothing of it has a cost")
	}
	var inputs []*whatIf
	for i, v := range req.Members {
		at := fault.Path("/members").At(i)
		if v.Pointer == "" {
			faults.Add(at, "one-of", "items are varied by themselves; a member is named by its pointer")
			continue
		}
		inputs = append(inputs, newWhatIf(c, req.Comparison, v, at, &faults))
	}
	if !faults.Empty() || checksOnly(ctx, refused) {
		return nil, errFaults(faults.All())
	}
	resp = &SensitivityResponse{Inventory: c.ref, EngineVersion: EngineVersion, Measure: req.Measure, MeasureUnit: measureUnit(c, req.Measure), First: req.First, Second: req.Second,
		Lines: []SensitivityLine{}, Pairs: []SensitivityPair{}, Reversals: []string{}, NotVaried: []SensitivityLeave{}, Notices: slices.Concat([]string{Caution}, c.overrideNotices(), footingOf(req.Comparison, all, chosen).notices(req.Measure))}
	of := VaryFactor
	if costs {
		of = VaryPrice
	}
	for _, code := range itemsOf(all, chosen) {
		it := c.entries[code]
		_, known := it.factor(it.inventory.MainFactor())
		if of == VaryPrice && it.inventory.Price == nil || of == VaryFactor && !known {
			resp.NotVaried = append(resp.NotVaried, SensitivityLeave{code, "it has no " + of + " of its own"})
			continue
		}
		inputs = append(inputs, newWhatIf(c, req.Comparison, Variable{Item: code, Of: of}, "", &faults))
	}
	v := varied{service: s, ctx: ctx, measure: req.Measure, percent: percent}
	resp.Nominal = v.of(all[chosen[0]], all[chosen[1]])
	for i, w := range inputs {
		progressOf(ctx)(i, len(inputs))
		w.chosen = chosen
		if w.nominal().IsZero() {
			resp.NotVaried = append(resp.NotVaried, SensitivityLeave{v.name(w), "it is zero, and a part of zero is zero"})
			continue
		}
		line, err := v.line(w, resp.Nominal)
		if err != nil {
			return nil, below("/comparison", err)
		}
		resp.Lines = append(resp.Lines, line)
	}
	slices.SortStableFunc(resp.Lines, func(a, b SensitivityLine) int { return b.Swing.Cmp(a.Swing.Decimal) })
	for _, l := range resp.Lines {
		if l.Reverses {
			resp.Reversals = append(resp.Reversals, l.Name)
		}
	}
	if resp.Pairs, err = v.pairs(c, req.Comparison, chosen, resp); err != nil {
		return nil, below("/comparison", err)
	}
	resp.RequestHash, err = canonicalBody(req)
	return resp, err
}

// pairOf finds two alternatives by their names.
func pairOf(req ComparisonRequest, first, second string, faults *fault.List) (chosen []int) {
	onePeriod(req, faults)
	known := names(req.Alternatives)
	for _, pair := range []struct{ at, name string }{{"/first", first}, {"/second", second}} {
		if i := slices.Index(known, pair.name); i >= 0 {
			chosen = append(chosen, i)
		} else if pair.name != "" && len(known) > 0 && !slices.Contains(known, "") { // else it may be one that was refused
			faults.Add(fault.Path(pair.at), "alternative-unknown", "no alternative has the name %q", short(pair.name))
		}
	}
	if first == second {
		faults.Add("/second", "duplicate-name", "an alternative cannot be compared with itself")
	}
	return chosen
}

// itemsOf lists the items behind some alternatives.
func itemsOf(all []totals, chosen []int) []string {
	var codes []string
	for _, i := range chosen {
		codes = append(codes, all[i].Items...)
	}
	slices.Sort(codes)
	return slices.Compact(codes)
}

// varied varies one input after the other.
type varied struct {
	service *Service
	ctx     context.Context //nolint:containedctx // lives as long as one request
	measure string
	percent decimal.Decimal
}

func (v *varied) of(first, second totals) DifferenceAt {
	a, b := first.measure(v.measure), second.measure(v.measure)
	return DifferenceAt{Fixed{a}, Fixed{b}, Fixed{a.Sub(b)}}
}

func (v *varied) at(w *whatIf, x decimal.Decimal) (DifferenceAt, error) {
	list, err := w.at(v.ctx, v.service, x)
	if err != nil {
		return DifferenceAt{}, err
	}
	return v.of(list[0], list[1]), nil
}

func (v *varied) name(w *whatIf) string {
	if w.entry != nil {
		return w.variable.Of + " of " + w.entry.Code
	}
	return strings.TrimPrefix(w.variable.Pointer, "/")
}

// ends are the least and the most that an input is taken to be, and why.
func (v *varied) ends(w *whatIf) (low, high decimal.Decimal, basis string) {
	nominal := w.nominal()
	var spread *inventory.Spread
	if w.entry != nil {
		spread = w.entry.inventory.FactorData.Spread
		if w.variable.Of == VaryPrice {
			spread = w.entry.inventory.Price.Spread
		}
	}
	switch {
	case spread == nil:
		part := nominal.Mul(v.percent)
		return num.Amount(nominal.Sub(part)), num.Amount(nominal.Add(part)), "the percentage of the request"
	case spread.Distribution == inventory.Lognormal:
		// From 1/GSD^2 to GSD^2 times the median lie 95 in 100 (B. P. Weidema et al.,
		// data quality guideline of a life-cycle database, version 3, 2013; value from memory).
		square := spread.GSD.Decimal.Mul(spread.GSD.Decimal)
		return num.Amount(num.Quotient(nominal, square)), num.Amount(nominal.Mul(square)), "spread " + spread.String()
	}
	return num.Amount(nominal.Mul(spread.Low.Decimal)), num.Amount(nominal.Mul(spread.High.Decimal)), "spread " + spread.String()
}

func (v *varied) line(w *whatIf, nominal DifferenceAt) (SensitivityLine, error) {
	low, high, basis := v.ends(w)
	l := SensitivityLine{Name: v.name(w), Variable: w.variable, Unit: w.unit(), Nominal: Plain{w.nominal()}, Basis: basis, LowAt: Plain{low}, HighAt: Plain{high}}
	var err error
	if l.Low, err = v.at(w, low); err != nil {
		return l, err
	}
	if l.High, err = v.at(w, high); err != nil {
		return l, err
	}
	l.Swing = Fixed{l.High.Difference.Sub(l.Low.Difference.Decimal).Abs()}
	l.Reverses = reverses(nominal, l.Low) || reverses(nominal, l.High)
	l.Elastic = &ElasticityOfTwo{First: elasticity(l, nominal.First, l.Low.First, l.High.First), Second: elasticity(l, nominal.Second, l.Low.Second, l.High.Second)}
	return l, nil
}

// reverses tells that another alternative is lower than it was.
func reverses(nominal, now DifferenceAt) bool {
	return nominal.Difference.Sign()*now.Difference.Sign() < 0
}

func elasticity(l SensitivityLine, nominal, low, high Fixed) *Fixed {
	width := l.HighAt.Sub(l.LowAt.Decimal)
	if nominal.IsZero() || width.IsZero() {
		return nil
	}
	return &Fixed{num.Line(num.Quotient(high.Sub(low.Decimal).Mul(l.Nominal.Decimal), width.Mul(nominal.Decimal)))}
}

// pairs puts the two inputs that do most at their ends together.
func (v *varied) pairs(c *catalogue, req ComparisonRequest, chosen []int, resp *SensitivityResponse) ([]SensitivityPair, error) {
	pairs := []SensitivityPair{}
	if len(resp.Lines) < 2 {
		return pairs, nil
	}
	a, b := resp.Lines[0], resp.Lines[1]
	for _, x := range []Plain{a.LowAt, a.HighAt} {
		for _, y := range []Plain{b.LowAt, b.HighAt} {
			var faults fault.List
			first := newWhatIf(c, req, a.Variable, "", &faults)
			other, changed, err := first.applied(x.Decimal)
			if err != nil {
				return nil, err
			}
			second := newWhatIf(other, changed, b.Variable, "", &faults)
			second.chosen = chosen
			result, err := v.at(second, y.Decimal)
			if err != nil {
				return nil, err
			}
			pairs = append(pairs, SensitivityPair{[]string{a.Name, b.Name}, []Plain{x, y}, result, reverses(resp.Nominal, result)})
		}
	}
	return pairs, nil
}
