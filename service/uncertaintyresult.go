package service

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/cost"
	"slabledger/lca/num"
	"slabledger/lca/sampling"
)

// UncertaintyResponse answers POST /v1/uncertainty.
type UncertaintyResponse struct {
	Inventory     InventoryRef           `json:"inventory"`
	EngineVersion string                 `json:"engine_version"`
	RequestHash   string                 `json:"request_hash"` // over the request, of which nothing is sampled
	Samples       int                    `json:"samples"`
	Seed          string                 `json:"seed"`
	Band          Plain                  `json:"band"`
	Precision     Plain                  `json:"precision"`
	Measures      []MeasureUsed          `json:"measures"`
	Inputs        []UncertainInput       `json:"inputs"`
	Fixed         []HeldInput            `json:"fixed"`
	Model         ModelCheck             `json:"model"`
	Alternatives  []UncertainAlternative `json:"alternatives"`
	Pairs         []UncertainPair        `json:"pairs"`
	Ranks         []RankShares           `json:"ranks"`
	Additive      bool                   `json:"additive"`
	Converged     bool                   `json:"converged"`
	Conclusions   []string               `json:"conclusions"`
	Size          RunSize                `json:"size"`
	Notices       []string               `json:"notices"`
}

// Pinned is the version of the inventory that the answer rests on.
func (r *UncertaintyResponse) Pinned() string { return r.Inventory.Ref }

// MeasureUsed is what the alternatives are compared by.
type MeasureUsed struct {
	Measure string `json:"measure"`
	Unit    string `json:"unit"`
}

// UncertainInput is an input that scatters, and why it is taken to.
type UncertainInput struct {
	Name     string   `json:"name"`
	Variable Variable `json:"variable"`
	Unit     string   `json:"unit"`
	Nominal  Plain    `json:"nominal"`
	Spread   string   `json:"spread"`
	Basis    string   `json:"basis"`
	Low      Plain    `json:"low"`  // 2.5 in 100 are below
	High     Plain    `json:"high"` // 2.5 in 100 are above
}

// HeldInput is an input that does not scatter.
type HeldInput struct {
	Name   string `json:"name"`
	Reason string `json:"reason"`
}

// ModelCheck says how far the sums that are sampled are from the engine.
type ModelCheck struct {
	KernelDistance Plain `json:"kernel_distance"` // where nothing scatters, the largest of all figures, relative
	ModelDistance  Plain `json:"model_distance"`  // with the inputs moved, likewise
	PointsChecked  int   `json:"points_checked"`
}

// UncertainAlternative is one alternative.
type UncertainAlternative struct {
	Name          string              `json:"name"`
	Measures      []UncertainQuantity `json:"measures"`
	Contributions []Contributions     `json:"contributions"`
}

// Contributions are the parts of a figure by item, with every input as it is; together
// they are the figure.
type Contributions struct {
	Measure string             `json:"measure"`
	Items   []ItemContribution `json:"items"` // the largest first, without sign
}

// ItemContribution is what the lines of one item come to. What is left at the end of
// the period, a credit, has no item.
type ItemContribution struct {
	Item         string `json:"item"` // an item, or "residual value"
	Amount       Fixed  `json:"amount"`
	SharePercent *Fixed `json:"share_percent"` // null where the figure is zero
}

// UncertainQuantity is what the samples of one quantity say.
type UncertainQuantity struct {
	Measure        string          `json:"measure"`
	Nominal        Fixed           `json:"nominal"` // by the engine
	Mean           Fixed           `json:"mean"`
	MeanSE         Fixed           `json:"mean_standard_error"`
	SD             Fixed           `json:"standard_deviation"`
	Percentiles    []PercentileOf  `json:"percentiles"`
	KernelDistance *Plain          `json:"kernel_distance,omitempty"`
	VarianceShares []VarianceShare `json:"variance_shares"`
	Other          Fixed           `json:"other_share_percent"`
	Trace          []Fixed         `json:"mean_trace"`
}

// PercentileOf is one percentile.
type PercentileOf struct {
	Percent Plain `json:"percent"`
	Value   Fixed `json:"value"`
	SE      Fixed `json:"standard_error"`
}

// VarianceShare is what one input alone contributes to a variance.
type VarianceShare struct {
	Input string `json:"input"`
	Share Fixed  `json:"share_percent"`
	SE    Fixed  `json:"standard_error_percent"`
}

// UncertainPair sets one alternative against another, sample by sample.
type UncertainPair struct {
	First       string                `json:"first"`
	Second      string                `json:"second"`
	Differences []UncertainDifference `json:"differences"`
	Both        *JointOutcome         `json:"cost_and_carbon"` // null without cost, or without carbon
}

// UncertainDifference is the first less the second.
type UncertainDifference struct {
	UncertainQuantity
	FirstLower        ProbabilityOf `json:"first_lower"`
	ProbabilityTrace  []Fixed       `json:"first_lower_trace"`
	Indistinguishable bool          `json:"indistinguishable"`
}

// ProbabilityOf is a share of the samples.
type ProbabilityOf struct {
	Probability Fixed `json:"probability"`
	SE          Fixed `json:"standard_error"`
	Low         Fixed `json:"low"`  // of 95 in 100
	High        Fixed `json:"high"` // of 95 in 100
}

// JointOutcome is how the first stands in net present value and total carbon at once.
type JointOutcome struct {
	FirstLowerInBoth  ProbabilityOf `json:"first_lower_in_both"`
	SecondLowerInBoth Fixed         `json:"second_lower_in_both"`
	Mixed             Fixed         `json:"mixed"`
	Same              Fixed         `json:"same"`
}

// RankShares is how often each alternative takes each rank by a measure.
type RankShares struct {
	Measure      string          `json:"measure"`
	Alternatives []RankOfSamples `json:"alternatives"`
}

// RankOfSamples is how often one alternative takes each rank, the lowest figure first.
type RankOfSamples struct {
	Name  string  `json:"name"`
	Best  Fixed   `json:"best"`
	Ranks []Fixed `json:"ranks"`
}

// RunSize is what the run was estimated to take, before it. Memory depends on the
// number of workers, and so does not stand here.
type RunSize struct {
	Draws int64 `json:"draws"`
	Steps int64 `json:"steps"`
}

// crossing back from float64, which keeps the first error.
type printer struct{ err error }

func (p *printer) fixed(f float64) Fixed {
	d, err := num.FromFloat(f, num.Places)
	p.err = cmp.Or(p.err, err)
	return Fixed{d}
}

func (p *printer) percent(f float64) Fixed {
	d, err := num.FromFloat(f, num.Places+2)
	p.err = cmp.Or(p.err, err)
	return Fixed{d.Shift(2)}
}

func (p *printer) list(values []float64) []Fixed {
	out := make([]Fixed, len(values))
	for i, v := range values {
		out[i] = p.fixed(v)
	}
	return out
}

func (p *printer) probability(v sampling.Probability) ProbabilityOf {
	return ProbabilityOf{p.fixed(v.P), p.fixed(v.SE), p.fixed(v.Low), p.fixed(v.High)}
}

// distancePlaces is how many decimals of a distance are printed: beyond them is less
// than one unit of float64.
const distancePlaces = 18

// answer prints a result.
func (u *uncertainty) answer(plan *sampling.Plan, l *linear, result *sampling.Result) (*UncertaintyResponse, error) {
	p, alternatives := &printer{}, names(u.request.Comparison.Alternatives)
	size := plan.Size()
	r := &UncertaintyResponse{Inventory: u.catalogue.ref, EngineVersion: EngineVersion, Samples: u.request.Samples, Seed: string(u.request.Seed),
		Band: Plain{u.decimal(u.request.Band, "")}, Precision: Plain{u.decimal(u.request.Precision, "")},
		Inputs: []UncertainInput{}, Fixed: u.fixed, Additive: result.Additive, Converged: result.Converged, Conclusions: []string{}, Pairs: []UncertainPair{},
		Model: ModelCheck{PointsChecked: u.points, ModelDistance: Plain{u.apart.RoundBank(distancePlaces)}},
		Size:  RunSize{size.Draws, size.Steps},
		Notices: []string{Caution,
			"standard errors and intervals come from the number of samples alone; they say nothing of how well the spreads are known",
			"nothing that is sampled is part of a hash; request_hash is over the request"}}
	together := footingOf(u.request.Comparison, u.all, everyone(u.all))
	r.Notices = slices.Concat(r.Notices, u.catalogue.overrideNotices(), together.notices(u.request.Measures...))
	if r.Fixed == nil {
		r.Fixed = []HeldInput{}
	}
	for _, m := range u.measures {
		r.Measures = append(r.Measures, MeasureUsed{m.name, measureUnit(u.catalogue, m.name)})
	}
	for _, in := range u.inputs {
		end := func(probability float64) Plain {
			return Plain{num.Amount(in.nominal.Mul(multiple(in.law.Quantile(probability))))}
		}
		r.Inputs = append(r.Inputs, UncertainInput{in.name, in.variable, in.unit, Plain{in.nominal}, in.detail, in.basis, end(0.025), end(0.975)})
	}
	for a, outputs := range result.Outputs {
		alternative := UncertainAlternative{Name: alternatives[a]}
		for m, s := range outputs {
			q := u.quantity(p, m, s, l.all[a].measure(u.measures[m].name), len(u.inputs))
			distance := Plain{s.Distance.Decimal.RoundBank(distancePlaces)}
			q.KernelDistance = &distance
			if distance.GreaterThan(r.Model.KernelDistance.Decimal) {
				r.Model.KernelDistance = distance
			}
			alternative.Measures = append(alternative.Measures, q)
		}
		r.Alternatives = append(r.Alternatives, alternative)
	}
	for a := range r.Alternatives {
		r.Alternatives[a].Contributions = u.contributions(&u.lines[a])
	}
	for _, pair := range result.Pairs {
		r.Pairs = append(r.Pairs, u.pair(p, l, pair, alternatives))
	}
	for m, byAlternative := range result.Ranks {
		if !together.ranks(u.measures[m].name) {
			continue
		}
		ranks := RankShares{Measure: u.measures[m].name}
		for a, shares := range byAlternative {
			ranks.Alternatives = append(ranks.Alternatives, RankOfSamples{alternatives[a], p.fixed(shares[0]), p.list(shares)})
		}
		r.Ranks = append(r.Ranks, ranks)
	}
	for i := range r.Pairs {
		for k := range r.Pairs[i].Differences {
			if !together.ranks(r.Pairs[i].Differences[k].Measure) {
				continue
			}
			r.Conclusions = append(r.Conclusions, concludePair(&r.Pairs[i], &r.Pairs[i].Differences[k]))
		}
	}
	if p.err != nil {
		return nil, &Error{Code: Internal, Detail: "a figure is no number", Cause: p.err}
	}
	var err error
	r.RequestHash, err = canonicalBody(u.request)
	return r, err
}

// quantity prints a summary with its largest shares of the variance, so many at most.
func (u *uncertainty) quantity(p *printer, m int, s sampling.Summary, nominal decimal.Decimal, most int) UncertainQuantity {
	q := UncertainQuantity{Measure: u.measures[m].name, Nominal: Fixed{nominal}, Mean: p.fixed(s.Mean), MeanSE: p.fixed(s.MeanSE), SD: p.fixed(s.SD),
		VarianceShares: []VarianceShare{}, Trace: p.list(s.Trace[:])}
	for k, of := range s.Percentiles {
		q.Percentiles = append(q.Percentiles, PercentileOf{Plain{decimal.New(int64(sampling.PerMille[k]), -1)}, p.fixed(of.Value), p.fixed(of.SE)})
	}
	order := make([]int, 0, len(s.Shares))
	for i, share := range s.Shares {
		if share > 0 {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(s.Shares[j], s.Shares[i]) })
	rest := decimal.Zero
	if s.SD > 0 {
		rest = num.Hundred
	}
	for _, i := range order[:min(len(order), most)] {
		share := VarianceShare{u.inputs[i].name, p.percent(s.Shares[i]), p.percent(s.ShareSEs[i])}
		rest = rest.Sub(share.Share.Decimal)
		q.VarianceShares = append(q.VarianceShares, share)
	}
	q.Other = Fixed{rest}
	return q
}

// residualValue stands in place of an item for what is left at the end of the period.
const residualValue = "residual value"

// contributions sums the printed lines of an alternative by item. Emissions at a price
// of carbon have lines by year, not by item, so that measure is left out.
func (u *uncertainty) contributions(r *Result) []Contributions {
	out := []Contributions{}
	for _, m := range u.measures {
		sums := map[string]*num.Total{}
		add := func(item string, amount decimal.Decimal) {
			if sums[item] == nil {
				sums[item] = &num.Total{}
			}
			sums[item].Add(amount)
		}
		switch m.name {
		case MeasureTotalCarbon, MeasureCradleToGate:
			for _, l := range r.Carbon.Lines {
				if gate := l.Stage == "A1-A3"; l.Module != "D" && (gate || m.name == MeasureTotalCarbon) {
					add(l.Item, l.GWPKgCO2ePerM2.Decimal)
				}
			}
		case MeasureNPV, MeasureInitial:
			for _, l := range r.Cost.Lines {
				switch kind := cost.Kind(l.Kind); {
				case kind == cost.Initial || kind == cost.Maintenance && m.name == MeasureNPV:
					add(l.Item, l.PresentValuePerM2.Decimal)
				case kind == cost.Residual && m.name == MeasureNPV:
					add(residualValue, l.PresentValuePerM2.Neg())
				}
			}
		default:
			continue
		}
		out = append(out, contribution(m.name, sums))
	}
	return out
}

func contribution(measure string, sums map[string]*num.Total) Contributions {
	c := Contributions{Measure: measure, Items: []ItemContribution{}}
	var total num.Total
	for item, sum := range sums {
		c.Items = append(c.Items, ItemContribution{Item: item, Amount: Fixed{sum.Value()}})
		total.Add(sum.Value())
	}
	slices.SortFunc(c.Items, func(a, b ItemContribution) int {
		return cmp.Or(b.Amount.Abs().Cmp(a.Amount.Abs()), strings.Compare(a.Item, b.Item))
	})
	if whole := total.Value(); !whole.IsZero() {
		for i := range c.Items {
			c.Items[i].SharePercent = &Fixed{num.Line(num.Quotient(c.Items[i].Amount.Mul(num.Hundred), whole))}
		}
	}
	return c
}

// pairShares is how many shares of the variance of a difference are listed.
const pairShares = 10

func (u *uncertainty) pair(p *printer, l *linear, pair sampling.Pair, alternatives []string) UncertainPair {
	out := UncertainPair{First: alternatives[pair.A], Second: alternatives[pair.B]}
	for m, d := range pair.Differences {
		name := u.measures[m].name
		nominal := l.all[pair.A].measure(name).Sub(l.all[pair.B].measure(name))
		out.Differences = append(out.Differences, UncertainDifference{u.quantity(p, m, d.Summary, nominal, pairShares), p.probability(d.Better), p.list(d.BetterTrace[:]), d.Indistinguishable})
	}
	for _, j := range pair.Joint {
		if u.measures[j.First].name == MeasureNPV && u.measures[j.Second].name == MeasureTotalCarbon || u.measures[j.First].name == MeasureTotalCarbon && u.measures[j.Second].name == MeasureNPV {
			out.Both = &JointOutcome{p.probability(j.Better), p.fixed(j.WorseBoth), p.fixed(j.Mixed), p.fixed(j.Same)}
		}
	}
	return out
}

// concludePair says in words what a difference comes to.
func concludePair(pair *UncertainPair, d *UncertainDifference) string {
	measure := strings.ReplaceAll(d.Measure, "_", " ")
	if d.Indistinguishable {
		return fmt.Sprintf("%s and %s are indistinguishable in %s", pair.First, pair.Second, measure)
	}
	lower, higher, probability := pair.First, pair.Second, d.FirstLower.Probability.Decimal
	if probability.LessThan(decimal.New(5, -1)) {
		lower, higher, probability = higher, lower, num.One.Sub(probability)
	}
	text := fmt.Sprintf("%s is lower than %s in %s in %s %% of paired draws", lower, higher, measure, inWords(probability.Shift(2)))
	if len(d.VarianceShares) > 0 {
		first := d.VarianceShares[0]
		text += fmt.Sprintf("; %s of the spread of their difference comes from the %s (%s %% of its variance)", most(first.Share.Decimal), inputInWords(first.Input), inWords(first.Share.Decimal))
	}
	return text
}

func most(percent decimal.Decimal) string {
	if percent.GreaterThan(decimal.NewFromInt(50)) {
		return "most"
	}
	return "the largest part"
}

func inputInWords(name string) string {
	if strings.HasPrefix(name, "/") {
		return "member " + name
	}
	return name
}

// inWords writes a percentage to one decimal; what is not all of it never reads 100.
func inWords(percent decimal.Decimal) string {
	switch rounded := percent.RoundBank(1); {
	case rounded.Equal(num.Hundred) && percent.LessThan(num.Hundred):
		return "more than 99.9"
	case rounded.IsZero() && percent.IsPositive():
		return "less than 0.1"
	default:
		return num.Canonical(rounded)
	}
}
