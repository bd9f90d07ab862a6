package service

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// ConclusionsRequest is the body of POST /v1/conclusions.
type ConclusionsRequest struct {
	Comparison ComparisonRequest `json:"comparison"`
	Samples    int               `json:"samples,omitzero"`
	Seed       Seed              `json:"seed,omitzero"`
	Percent    string            `json:"percent,omitzero"` // for what states no spread
}

// ConclusionsResponse answers POST /v1/conclusions: the conclusions of a
// comparison in words (ISO 14044, 4.5: life cycle interpretation), every number of
// which is a figure of another operation.
type ConclusionsResponse struct {
	Inventory     InventoryRef    `json:"inventory"`
	EngineVersion string          `json:"engine_version"`
	RequestHash   string          `json:"request_hash"`
	Which         []Conclusion    `json:"which"`
	HowSure       []Conclusion    `json:"how_sure"`
	WhatChangesIt []Conclusion    `json:"what_changes_it"`
	Operations    []OperationUsed `json:"operations"`
	Caution       string          `json:"caution"`
}

// Pinned is the version of the inventory that the answer rests on.
func (r *ConclusionsResponse) Pinned() string { return r.Inventory.Ref }

// Conclusion is a sentence and the figures in it. The sentence rounds for reading.
type Conclusion struct {
	Text    string         `json:"text"`
	Figures []FigureQuoted `json:"figures"`
}

// FigureQuoted is a figure as another operation gives it, and how the sentence shows it
// where that is in another way.
type FigureQuoted struct {
	Value     string `json:"value"`
	Unit      string `json:"unit"`
	Operation int    `json:"operation"` // place in operations, from 0
	Pointer   string `json:"pointer"`   // into its answer
	ShownAs   string `json:"shown_as,omitzero"`
}

// How a sentence shows a figure: a share as a percentage, and the other way round where
// the pair of alternatives stands the other way round.
const (
	shownPercent       = "100 * value"
	shownPercentTurned = "100 * (1 - value)"
	shownTurned        = "-value"
)

// OperationUsed is an operation whose answer the conclusions quote, and the request
// that gives that answer again.
type OperationUsed struct {
	Path    string         `json:"path"`
	Request jsontext.Value `json:"request"`
}

// Where the conclusions look for what changes the answer. The ranges are common
// practice, no source.
const (
	defaultPercent     = "20 %"
	mostPrices         = 3 // of the inputs that turn the answer, those that do most
	rateLow, rateHigh  = "0", "10"
	pricesUpTo         = 5      // times what an input is, where its spread does not turn the answer
	highestCarbonPrice = "1000" // per t CO2e
	rateMember         = "/economics/real_discount_rate"
)

// Conclude puts a comparison into words: which alternative, how sure that is, and what
// would change it. It does so by comparing, sampling, varying and looking for ties as
// the operations of the same names do, and quotes their answers.
func (s *Service) Conclude(ctx context.Context, body []byte, refused ...fault.Fault) (*ConclusionsResponse, error) {
	i, err := s.concluded(ctx, body, refused...)
	if err != nil {
		return nil, err
	}
	return i.answer, nil
}

// Grounds are conclusions with the answers that they quote.
type Grounds struct {
	Conclusions *ConclusionsResponse
	Uncertainty *UncertaintyResponse   // nil where nothing is ranked
	Sensitivity []*SensitivityResponse // of the first two by each measure that tells them apart
	// LeftOut is why there is nothing of all that, as of too many alternatives; else empty.
	LeftOut string
}

// Grounds concludes from a comparison as Conclude does, with the samples, the seed and the
// percentage that hold where none are asked for, and keeps what the conclusions quote. A
// comparison that can be answered but not concluded from has none, and says why.
func (s *Service) Grounds(ctx context.Context, comparison []byte) (*Grounds, error) {
	body, err := json.Marshal(map[string]jsontext.Value{"comparison": comparison})
	if err != nil {
		return nil, &Error{Code: Malformed, Detail: "the comparison cannot be read", Cause: err}
	}
	i, err := s.concluded(ctx, body)
	var refused *Error
	if errors.As(err, &refused) && refused.Code == Invalid {
		g := &Grounds{LeftOut: refused.Detail}
		if faults := Faults(err); len(faults) > 0 {
			g.LeftOut = faults[0].Detail
		}
		return g, nil
	}
	if err != nil {
		return nil, err
	}
	return &Grounds{Conclusions: i.answer, Uncertainty: i.sampled, Sensitivity: i.varied}, nil
}

func (s *Service) concluded(ctx context.Context, body []byte, refused ...fault.Fault) (i *concluding, err error) {
	defer func() { err = joined(refused, err) }()
	var req ConclusionsRequest
	if err := json.Unmarshal(body, &req); err != nil {
		return nil, &Error{Code: Malformed, Detail: "the body cannot be read as one for conclusions", Cause: err}
	}
	c, err := s.pinned(ctx, req.Comparison.Inventory)
	if err != nil {
		return nil, below("/comparison", err)
	}
	req.Comparison.Inventory = c.ref.Ref
	if req.Percent == "" {
		req.Percent = defaultPercent
	}
	i = &concluding{service: s, catalogue: c, request: req, answer: &ConclusionsResponse{Inventory: c.ref, EngineVersion: EngineVersion,
		Which: []Conclusion{}, HowSure: []Conclusion{}, WhatChangesIt: []Conclusion{}, Operations: []OperationUsed{}, Caution: Caution}}
	if err := i.conclude(ctx, refused); err != nil {
		return nil, err
	}
	i.answer.RequestHash, err = canonicalBody(req)
	return i, err
}

// concluding gathers conclusions.
type concluding struct {
	service   *Service
	catalogue *catalogue
	request   ConclusionsRequest
	answer    *ConclusionsResponse
	compared  *ComparisonResponse
	sampled   *UncertaintyResponse
	varied    []*SensitivityResponse
}

func (i *concluding) conclude(ctx context.Context, refused []fault.Fault) (err error) {
	const comparing, sampling = "/v1/comparisons", "/v1/uncertainty"
	if len(refused) > 0 && len(i.request.Comparison.Alternatives) == 0 {
		return errFaults(nil) // the list was refused, and nothing else of it can be known
	}
	if i.compared, err = perform(computing(ctx), i, comparing, i.request.Comparison, i.service.Compare); err != nil {
		return below("/comparison", err)
	}
	if len(refused) > 0 || queueing(ctx) && i.compared.Comparison.Ranking == nil {
		return errFaults(nil)
	}
	if i.compared.Comparison.Ranking == nil {
		i.answer.Which = append(i.answer.Which, Conclusion{Text: "No alternative is first: " + i.compared.Comparison.Reason + ".", Figures: []FigureQuoted{}})
		return nil
	}
	if i.sampled, err = perform(ctx, i, sampling, UncertaintyRequest{Comparison: i.request.Comparison, Samples: i.request.Samples, Seed: i.request.Seed}, i.service.Uncertainty); err != nil {
		return err
	}
	firsts, measures := map[string]string{}, i.measures()
	for _, m := range measures {
		first, second := m.order[0], m.order[1]
		firsts[m.measure] = first
		i.which(m, first, second)
		i.howSure(m, first, second)
		if m.value(first).Equal(m.value(second)) {
			continue
		}
		if err := i.whatChanges(ctx, m, first, second); err != nil {
			return err
		}
	}
	if cheapest, cleanest := firsts[MeasureNPV], firsts[MeasureTotalCarbon]; cheapest != "" && cheapest != cleanest {
		i.apart(measures, cheapest, cleanest)
		return i.carbonPrice(ctx, measures[0], cheapest, cleanest)
	}
	return nil
}

// perform does what an operation does, and notes how to do it again.
func perform[Request, Answer any](ctx context.Context, i *concluding, path string, req Request, do func(context.Context, []byte, ...fault.Fault) (Answer, error)) (answer Answer, err error) {
	body, err := json.Marshal(req, json.Deterministic(true))
	if err != nil {
		return answer, &Error{Code: Internal, Detail: "the request of " + path + " cannot be written", Cause: err}
	}
	if answer, err = do(ctx, body); err != nil {
		return answer, err
	}
	again := jsontext.Value(body)
	if err := again.Canonicalize(); err != nil {
		return answer, &Error{Code: Internal, Detail: "the request of " + path + " cannot be written", Cause: err}
	}
	i.answer.Operations = append(i.answer.Operations, OperationUsed{path, again})
	return answer, nil
}

// ranked is a measure by which the alternatives have an order.
type ranked struct {
	measure, label, unit string
	pointer              string   // of the figure, below the alternative
	order                []string // names, least first
	at                   map[string]int
	values               []decimal.Decimal
}

func (r ranked) value(name string) decimal.Decimal { return r.values[r.at[name]] }

func (i *concluding) measures() []ranked {
	ranking := i.compared.Comparison.Ranking
	list := []ranked{
		{measure: MeasureNPV, label: "whole-life cost (net present value)", pointer: "/cost/net_present_value_per_m2", order: ordered(ranking.ByNetPresentValue)},
		{measure: MeasureTotalCarbon, label: "carbon (declared modules)", pointer: "/carbon/total_kg_co2e_per_m2", order: ordered(ranking.ByTotalCarbon)},
	}
	for n := range list {
		m := &list[n]
		m.unit, m.at = measureUnit(i.catalogue, m.measure), map[string]int{}
		for k := range i.compared.Alternatives {
			a := &i.compared.Alternatives[k]
			m.at[a.Name] = k
			m.values = append(m.values, totalsIn(a).measure(m.measure))
		}
	}
	return slices.DeleteFunc(list, func(m ranked) bool { return len(m.order) < 2 })
}

func ordered(ranks []Rank) []string {
	ranks = slices.Clone(ranks)
	slices.SortStableFunc(ranks, func(a, b Rank) int { return a.Rank - b.Rank })
	names := make([]string, len(ranks))
	for n, r := range ranks {
		names[n] = r.Name
	}
	return names
}

// last is the place of the last operation that was performed.
func (i *concluding) last() int { return len(i.answer.Operations) - 1 }

// quote is the figure of an alternative in the comparison.
func (i *concluding) quote(m ranked, name string) FigureQuoted {
	return FigureQuoted{Value: fixedText(m.value(name)), Unit: m.unit, Operation: 0, Pointer: string(fault.Path("/alternatives").At(m.at[name])) + m.pointer}
}

func (i *concluding) which(m ranked, first, second string) {
	text := fmt.Sprintf("Least %s: %s, %s %s", m.label, named(first), readable(m.value(first)), m.unit)
	if m.value(first).Equal(m.value(second)) {
		text += fmt.Sprintf("; %s is equal.", named(second))
	} else {
		text += fmt.Sprintf("; then %s, %s.", named(second), readable(m.value(second)))
	}
	i.answer.Which = append(i.answer.Which, Conclusion{text, []FigureQuoted{i.quote(m, first), i.quote(m, second)}})
}

// apart says what it costs to choose the cleanest in place of the cheapest.
func (i *concluding) apart(measures []ranked, cheapest, cleanest string) {
	var figures []FigureQuoted
	differences := map[string]decimal.Decimal{}
	for _, m := range measures {
		differences[m.measure] = m.value(cleanest).Sub(m.value(cheapest))
		figures = append(figures, i.quote(m, cheapest), i.quote(m, cleanest))
	}
	i.answer.Which = append(i.answer.Which, Conclusion{fmt.Sprintf("The cheapest is not the cleanest: %s in place of %s saves %s kg CO2e/m2 for %s %s/m2 more.", named(cleanest), named(cheapest),
		readable(differences[MeasureTotalCarbon].Neg()), readable(differences[MeasureNPV]), i.catalogue.ref.Currency), figures})
}

func (i *concluding) howSure(m ranked, first, second string) {
	const sampling = 1
	for p, pair := range i.sampled.Pairs {
		same, turned := pair.First == first && pair.Second == second, pair.First == second && pair.Second == first
		if !same && !turned {
			continue
		}
		for d, diff := range pair.Differences {
			if diff.Measure != m.measure {
				continue
			}
			at := fault.Path("/pairs").At(p).At("differences", d)
			low, high := diff.Percentiles[0], diff.Percentiles[len(diff.Percentiles)-1]
			// The pair may stand the other way round: a share of the samples is then what
			// is missing to one, and a difference has the other sign.
			share, ends := diff.FirstLower.Probability.Decimal, []decimal.Decimal{low.Value.Decimal, high.Value.Decimal}
			shareAs, endAs := shownPercent, ""
			if turned {
				share, ends = num.One.Sub(share), []decimal.Decimal{high.Value.Neg(), low.Value.Neg()}
				shareAs, endAs = shownPercentTurned, shownTurned
			}
			text := fmt.Sprintf("%s has the lower %s than %s in %s %% of %s paired draws", named(first), m.label, named(second), readable(share.Shift(2)), readable(decimal.NewFromInt(int64(i.sampled.Samples))))
			if diff.Indistinguishable {
				text += ", which does not tell them apart"
			}
			last := len(diff.Percentiles) - 1
			text += fmt.Sprintf("; %s %% of the differences lie from %s to %s %s", readable(high.Percent.Sub(low.Percent.Decimal)), readable(ends[0]), readable(ends[1]), m.unit)
			figures := []FigureQuoted{
				{fixedText(diff.FirstLower.Probability.Decimal), "", sampling, string(at.At("first_lower", "probability")), shareAs},
				{strconv.Itoa(i.sampled.Samples), "", sampling, "/samples", ""},
				{num.Canonical(low.Percent.Decimal), "%", sampling, string(at.At("percentiles", 0, "percent")), ""},
				{num.Canonical(high.Percent.Decimal), "%", sampling, string(at.At("percentiles", last, "percent")), ""},
				{fixedText(low.Value.Decimal), m.unit, sampling, string(at.At("percentiles", 0, "value")), endAs},
				{fixedText(high.Value.Decimal), m.unit, sampling, string(at.At("percentiles", last, "value")), endAs},
			}
			if k, most := largestShare(diff.VarianceShares); k >= 0 {
				text += fmt.Sprintf(", and %s %% of their variance comes from the %s", readable(most.Share.Decimal), most.Input)
				figures = append(figures, FigureQuoted{fixedText(most.Share.Decimal), "%", sampling, string(at.At("variance_shares", k, "share_percent")), ""})
			}
			i.answer.HowSure = append(i.answer.HowSure, Conclusion{text + ".", figures})
		}
	}
}

func largestShare(shares []VarianceShare) (at int, most VarianceShare) {
	at = -1
	for k, s := range shares {
		if s.Share.IsPositive() && (at < 0 || s.Share.GreaterThan(most.Share.Decimal)) {
			at, most = k, s
		}
	}
	return at, most
}

// whatChanges looks for the inputs that put the second before the first.
func (i *concluding) whatChanges(ctx context.Context, m ranked, first, second string) error {
	const varying = "/v1/sensitivity"
	varied, err := perform(ctx, i, varying, SensitivityRequest{Comparison: i.request.Comparison, First: first, Second: second, Measure: m.measure, Percent: i.request.Percent}, i.service.Sensitivity)
	if err != nil {
		return err
	}
	i.varied = append(i.varied, varied)
	turning := slices.DeleteFunc(slices.Clone(varied.Lines), func(l SensitivityLine) bool { return !l.Reverses })
	for _, l := range turning[:min(len(turning), mostPrices)] {
		if err := i.tie(ctx, m, first, second, l.Variable, ValueRange{num.Canonical(l.LowAt.Decimal), num.Canonical(l.HighAt.Decimal)},
			"the "+l.Name+", which is %s,", " by its own scatter alone"); err != nil {
			return err
		}
	}
	if len(turning) == 0 && len(varied.Lines) > 0 {
		l := varied.Lines[0]
		if err := i.tie(ctx, m, first, second, l.Variable, ValueRange{"0", num.Canonical(l.Nominal.Mul(decimal.NewFromInt(pricesUpTo)))},
			"no scatter of one input alone puts another first; the "+l.Name+", which does most and is %s,", ""); err != nil {
			return err
		}
	}
	if m.measure != MeasureNPV || i.request.Comparison.Economics.RealDiscountRate == "" {
		return nil
	}
	return i.tie(ctx, m, first, second, Variable{Pointer: rateMember, Unit: "%"}, ValueRange{rateLow, rateHigh},
		"the real discount rate, which is %s,", "")
}

// tie looks for the values of one input at which two alternatives change places. The
// subject of the sentence has %s where what the input is stands, or nowhere.
func (i *concluding) tie(ctx context.Context, m ranked, first, second string, v Variable, within ValueRange, subject, how string) error {
	const solving = "/v1/break-even"
	solved, err := perform(ctx, i, solving, BreakEvenRequest{Comparison: i.request.Comparison, First: first, Second: second, Measure: m.measure, Variable: v, Range: within}, i.service.BreakEven)
	if err != nil {
		return err
	}
	unit := solved.Variable.UnitOfValue
	figures := []FigureQuoted{}
	quote := func(value Plain, at ...any) string {
		figures = append(figures, FigureQuoted{num.Canonical(value.Decimal), unit, i.last(), string(fault.Path("").At(at...)), ""})
		return readable(value.Decimal)
	}
	if before, after, stated := strings.Cut(subject, "%s"); stated {
		subject = before + quote(solved.Variable.Nominal, "variable", "nominal") + " " + unit + after
	}
	text := fmt.Sprintf("By %s: %s ", m.label, subject)
	if len(solved.Crossings) == 0 {
		text += fmt.Sprintf("does not change it anywhere from %s to %s %s", quote(solved.Low.Value, "low", "value"), quote(solved.High.Value, "high", "value"), unit)
		for k, t := range solved.Ties {
			text += map[bool]string{true: ", but makes them equal ", false: " and "}[k == 0]
			if t.From.Equal(t.To.Decimal) {
				text += fmt.Sprintf("at %s %s", quote(t.From, "ties", k, "from"), unit)
			} else {
				text += fmt.Sprintf("from %s to %s %s", quote(t.From, "ties", k, "from"), quote(t.To, "ties", k, "to"), unit)
			}
		}
		text += "."
		i.answer.WhatChangesIt = append(i.answer.WhatChangesIt, Conclusion{text, figures})
		return nil
	}
	places := make([]string, len(solved.Crossings))
	for k, x := range solved.Crossings {
		places[k] = fmt.Sprintf("%s %s (%s is lower below it, %s above)", quote(x.Value, "crossings", k, "value"), unit, named(x.LowerBefore), named(x.LowerAfter))
	}
	text += "changes it" + how + " at " + strings.Join(places, " and at ") + "."
	i.answer.WhatChangesIt = append(i.answer.WhatChangesIt, Conclusion{text, figures})
	return nil
}

// carbonPrice looks for the price of carbon at which the cleanest is the cheapest too.
func (i *concluding) carbonPrice(ctx context.Context, cost ranked, cheapest, cleanest string) error {
	return i.tie(ctx, cost, cheapest, cleanest, Variable{CarbonPrice: true}, ValueRange{"0", highestCarbonPrice},
		fmt.Sprintf("a price on the carbon of %s and %s, added to their cost,", named(cheapest), named(cleanest)), "")
}

// named sets the name of an alternative off from the sentence around it.
func named(name string) string { return "“" + name + "”" }

// readable rounds to three digits for a sentence, and sets thousands apart; the figures
// beside it are whole.
func readable(d decimal.Decimal) string {
	const digits = 3
	places := digits - (int32(d.NumDigits()) + d.Exponent()) //nolint:gosec // a printed figure has few digits
	if d.IsZero() || places <= 0 {
		places = 0
	}
	whole, fraction, _ := strings.Cut(num.Canonical(d.RoundBank(places)), ".")
	sign := whole[:len(whole)-len(strings.TrimPrefix(whole, "-"))]
	whole = whole[len(sign):]
	for n := len(whole) - 3; n > 0; n -= 3 {
		whole = whole[:n] + "," + whole[n:]
	}
	if fraction != "" {
		fraction = "." + fraction
	}
	return sign + whole + fraction
}

func fixedText(d decimal.Decimal) string { return string(num.AppendFixed(nil, d)) }
