package service

import (
	"context"
	"fmt"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/lca/num"
	"slabledger/lca/sampling"
)

// UncertaintyRequest is the body of POST /v1/uncertainty.
type UncertaintyRequest struct {
	Comparison          ComparisonRequest `json:"comparison"`
	Measures            []string          `json:"measures,omitzero"`
	Samples             int               `json:"samples,omitzero"`
	Seed                Seed              `json:"seed,omitzero"`
	Band                string            `json:"band,omitzero"`
	Precision           string            `json:"precision,omitzero"`
	Spreads             []SpreadGiven     `json:"spreads,omitzero"`
	Percent             string            `json:"percent,omitzero"`
	PercentDistribution string            `json:"percent_distribution,omitzero"`
	Pedigree            *bool             `json:"pedigree,omitzero"`
	Correlations        []RankedTogether  `json:"correlations,omitzero"`
}

// Seed is a whole number from 0 to 2^64 - 1, as text or, below 2^53, as a number.
type Seed string

// UnmarshalJSONFrom reads the union.
func (s *Seed) UnmarshalJSONFrom(dec *jsontext.Decoder) error {
	value, err := dec.ReadValue()
	*s = Seed(strings.Trim(string(value), `"`))
	return err
}

// SpreadGiven is how an input scatters by the request: the price or the factors of an
// item, whatever the inventory says, or a member of the comparison.
type SpreadGiven struct {
	Item         string      `json:"item,omitzero"`
	Of           string      `json:"of,omitzero"`
	Pointer      string      `json:"pointer,omitzero"`
	Unit         string      `json:"unit,omitzero"`
	Distribution string      `json:"distribution"`
	GSD          string      `json:"gsd,omitzero"`
	Low          string      `json:"low,omitzero"`
	High         string      `json:"high,omitzero"`
	Truncate     *ValueRange `json:"truncate,omitzero"`
}

// RankedTogether is a rank correlation of two inputs by their names.
type RankedTogether struct {
	A    string `json:"a"`
	B    string `json:"b"`
	Rank string `json:"rank"`
}

// Defaults of a request, which the answer repeats (common practice, no source; with
// 10,000 samples the standard error of a probability is at most 0.005).
const (
	defaultSamples   = 10_000
	defaultSeed      = "1"
	defaultBand      = "0.05"
	defaultPrecision = "0.005"
)

// Bases of a spread.
const (
	basisRequest  = "request"
	basisSpread   = "inventory spread"
	basisPedigree = "inventory pedigree"
	basisPercent  = "request percent"
)

// Limits of a request.
const (
	maxUncertainMembers      = 20
	maxUncertainAlternatives = 40            // the answer has a figure for each pair
	maxDirectSteps           = 4_000_000_000 // some seconds of one core; sampling.MaxSteps for work that tells its progress
)

// Uncertainty lets the prices and factors behind a comparison scatter, and counts how
// the alternatives come out. An item that several alternatives use is one draw for all
// of them. The same body on the same inventory version gives the same answer, byte for
// byte, on any number of processors.
func (s *Service) Uncertainty(ctx context.Context, body []byte, refused ...fault.Fault) (resp *UncertaintyResponse, err error) {
	// What is missing in a spread does not follow from what is refused elsewhere.
	defer func() {
		err = joinedBy(refused, err, func(f fault.Fault) bool {
			return independently(f) || f.Code == "required-member-missing" && strings.HasPrefix(string(f.Pointer), "/spreads/") && !slices.ContainsFunc(refused, func(r fault.Fault) bool { return strings.HasPrefix(string(r.Pointer), "/spreads") })
		})
	}()
	var req UncertaintyRequest
	if err := json.Unmarshal(body, &req); err != nil {
		return nil, &Error{Code: Malformed, Detail: "the body cannot be read as an uncertainty", Cause: err}
	}
	c, err := s.pinned(ctx, req.Comparison.Inventory)
	if err != nil {
		return nil, below("/comparison", err)
	}
	req.Comparison.Inventory = c.ref.Ref
	c = c.overriddenBy(req.Comparison.Overrides)
	req.fill()
	all, err := s.figures(ctx, c, req.Comparison, nil)
	if err != nil {
		return nil, below("/comparison", err)
	}
	u := uncertainty{service: s, catalogue: c, request: req, all: all}
	heldTo(ctx, req.Samples, ActorOf(ctx).Limits.Samples, "samples", "/samples", &u.faults)
	u.read()
	if !u.faults.Empty() || len(refused) > 0 {
		return nil, errFaults(u.faults.All())
	}
	if queueing(ctx) {
		return nil, u.checkModel(ctx)
	}
	plan, l, err := u.prepare(ctx)
	if err != nil {
		return nil, err
	}
	if err := u.readLines(ctx); err != nil {
		return nil, err
	}
	n, done := s.hands()
	defer done()
	result, err := plan.With(n).Run(drawn(ctx, req.Samples))
	if ctx.Err() != nil {
		return nil, gone(ctx)
	} else if err != nil {
		return nil, &Error{Code: Internal, Detail: "the sampling failed", Cause: err}
	}
	return u.answer(plan, l, result)
}

// fill writes the defaults into a request, so that it is hashed as it was understood.
func (r *UncertaintyRequest) fill() {
	if r.Samples == 0 {
		r.Samples = defaultSamples
	}
	fill := func(text *string, standard string) {
		if *text == "" {
			*text = standard
		}
	}
	fill((*string)(&r.Seed), defaultSeed)
	fill(&r.Band, defaultBand)
	fill(&r.Precision, defaultPrecision)
	if r.Percent != "" {
		fill(&r.PercentDistribution, inventory.Triangular)
	}
	if r.Pedigree == nil {
		yes := true
		r.Pedigree = &yes
	}
	if len(r.Measures) == 0 {
		eco := r.Comparison.Economics
		for _, m := range measures {
			if m.price == nil || eco != nil && (m.name != MeasureNPVWithCarbon || eco.CarbonPrice != nil) {
				r.Measures = append(r.Measures, m.name)
			}
		}
	}
}

// uncertainty is a request between reading and sampling.
type uncertainty struct {
	reader
	service   *Service
	catalogue *catalogue
	request   UncertaintyRequest
	all       []totals

	measures []measured
	options  sampling.Options
	inputs   []uncertain
	fixed    []HeldInput
	together []sampling.Correlation

	lines  []Result // of the comparison as it stands
	points int      // at which the model was checked
	apart  decimal.Decimal
}

// read checks the request and lists what scatters.
func (u *uncertainty) read() {
	u.reader.catalogue = u.catalogue
	req := u.request
	if n := len(u.all); n > maxUncertainAlternatives {
		u.faults.Add("/comparison/alternatives", "compute-budget-exceeded", "%d alternatives are %d pairs; accepted: up to %d alternatives", n, n*(n-1)/2, maxUncertainAlternatives)
	}
	u.readMeasures()
	u.options = sampling.Options{Samples: req.Samples, Workers: u.service.mostSamplers(), Band: num.Float(u.within(req.Band, "/band", decimal.Zero, decimal.New(5, -1))), Precision: num.Float(u.within(req.Precision, "/precision", decimal.New(1, -6), num.One))}
	if seed, err := strconv.ParseUint(string(req.Seed), 10, 64); err != nil {
		u.faults.Add("/seed", "out-of-range", "a seed is a whole number from 0 to 18446744073709551615")
	} else {
		u.options.Seed = seed
	}
	u.readCorrelations(u.readInputs())
}

func (u *uncertainty) within(text string, at fault.Path, low, high decimal.Decimal) decimal.Decimal {
	before := u.faults.Len()
	v := u.decimal(text, at)
	if u.faults.Len() == before && (v.LessThan(low) || v.GreaterThan(high)) {
		u.faults.Add(at, "out-of-range", "%q; accepted: %s to %s", short(text), low, high)
	}
	return v
}

func (u *uncertainty) readMeasures() {
	economics := u.request.Comparison.Economics
	onePeriod(u.request.Comparison, &u.faults)
	if economics != nil && economics.CarbonPrice != nil && economics.CarbonPrice.InCost {
		u.faults.Add("/comparison/economics/carbon_price/in_cost", "not-used", "the measure %s counts the price of carbon here", MeasureNPVWithCarbon)
	}
	for i, name := range u.request.Measures {
		at := fault.Path("/measures").At(i)
		k := slices.IndexFunc(measures, func(m measured) bool { return m.name == name })
		switch {
		case k < 0:
			u.faults.Add(at, "not-in-list", "no measure %q", short(name))
		case slices.Index(u.request.Measures, name) < i:
			u.faults.Add(at, "duplicate-name", "%s is asked for twice", name)
		case measures[k].price != nil && economics == nil:
			u.faults.Add(at, "required-member-missing", "the comparison has no economics, so nothing of it has a cost")
		case name == MeasureNPVWithCarbon && economics.CarbonPrice == nil:
			u.faults.Add(at, "required-member-missing", "the comparison has no price of carbon")
		default:
			u.measures = append(u.measures, measures[k])
		}
	}
}

// readInputs lists what scatters and what does not: what the request says of an input
// goes before the spread of the inventory, that before the pedigree, and that before
// the percentage of the request. It is false where the request says of an input what
// cannot be: the names of the inputs are known then, and not which of them scatter.
func (u *uncertainty) readInputs() bool {
	percent, before := decimal.Zero, u.faults.Len()
	if u.request.Percent == "" && u.request.PercentDistribution != "" {
		u.faults.Add("/percent_distribution", "not-used", "without a percentage nothing has this distribution")
	}
	if u.request.Percent != "" {
		percent = u.fraction(u.request.Percent, "/percent")
		if !percent.IsPositive() || percent.GreaterThan(num.One) {
			u.faults.Add("/percent", "out-of-range", "%q: accepted: more than 0 %% and at most 100 %%", short(u.request.Percent))
		}
	}
	given := u.readGiven()
	if u.faults.Len() > before {
		return false
	}
	used := u.itemsInUse()
	for _, code := range used {
		for _, of := range []string{VaryPrice, VaryFactor} {
			u.itemInput(u.catalogue.entries[code], of, given, percent)
		}
	}
	for i, g := range u.request.Spreads {
		if g.Item != "" && !slices.Contains(used, g.Item) {
			u.faults.Add(fault.Path("/spreads").At(i, "item"), "not-used", "no alternative rests on %s itself", short(g.Item))
		}
	}
	return true
}

// itemsInUse lists the items that any alternative rests on.
func (u *uncertainty) itemsInUse() []string {
	return itemsOf(u.all, everyone(u.all))
}

// name is what an input is called wherever it stands.
func (g SpreadGiven) name() string {
	if g.Item != "" {
		return g.Of + " of " + g.Item
	}
	return g.Pointer
}

// readGiven reads the spreads of the request, and lists its members among the inputs.
func (u *uncertainty) readGiven() map[string]sampling.Distribution {
	given, members := map[string]sampling.Distribution{}, 0
	for i, g := range u.request.Spreads {
		at, before := fault.Path("/spreads").At(i), u.faults.Len()
		w := newWhatIf(u.catalogue, u.request.Comparison, Variable{Item: g.Item, Of: g.Of, Pointer: g.Pointer, Unit: g.Unit}, at, &u.faults)
		law := u.distribution(g, at)
		if _, twice := given[g.name()]; twice {
			u.faults.Add(at, "duplicate-name", "%s has a spread already", short(g.name()))
		}
		given[g.name()] = law
		if g.Pointer != "" && g.Of != "" {
			u.faults.Add(at.At("of"), "not-used", "a member of the comparison has neither price nor factor")
		}
		if g.Pointer == "" || u.faults.Len() > before {
			continue
		}
		if members++; members > maxUncertainMembers {
			u.faults.Add(at, "too-many", "at most %d members of the comparison can scatter", maxUncertainMembers)
			continue
		}
		switch nominal := w.nominal(); {
		case nominal.IsZero():
			u.faults.Add(at.At("pointer"), "out-of-range", "%s is no number, or zero, and a multiple of zero is zero", short(g.Pointer))
		case law.Kind == sampling.Fixed:
			u.fixed = append(u.fixed, HeldInput{g.Pointer, "the request holds it"})
		default:
			u.inputs = append(u.inputs, uncertain{name: g.Pointer, variable: w.variable, unit: g.Unit, nominal: nominal, law: law, basis: basisRequest, detail: describeLaw(law), at: at})
		}
	}
	return given
}

// distribution reads and checks how an input scatters.
func (u *uncertainty) distribution(g SpreadGiven, at fault.Path) sampling.Distribution {
	law := sampling.Distribution{Kind: sampling.Kind(g.Distribution)}
	before := u.faults.Len()
	read := func(text string, needed bool, at fault.Path) float64 {
		if text == "" {
			if needed {
				u.faults.Add(at, "required-member-missing", "%s needs it", g.Distribution)
			}
			return 0
		}
		return num.Float(u.decimal(text, at))
	}
	ends := law.Kind == sampling.Triangular || law.Kind == sampling.Uniform
	law.GSD = read(g.GSD, law.Kind == sampling.Lognormal, at.At("gsd"))
	law.Low, law.High = read(g.Low, ends, at.At("low")), read(g.High, ends, at.At("high"))
	if g.Truncate != nil {
		law.Truncate = &sampling.Range{Low: read(g.Truncate.Low, true, at.At("truncate", "low")), High: read(g.Truncate.High, true, at.At("truncate", "high"))}
	}
	if u.faults.Len() == before {
		found := law.Check(at)
		u.faults.Append(found.All()...)
	}
	return law
}

// itemInput lists the price or the factors of an item, as uncertain or as fixed.
func (u *uncertainty) itemInput(e *entry, of string, given map[string]sampling.Distribution, percent decimal.Decimal) {
	w := &whatIf{catalogue: u.catalogue, request: u.request.Comparison, variable: Variable{Item: e.Code, Of: of}, entry: e}
	in := uncertain{name: of + " of " + e.Code, variable: w.variable, unit: w.unit()}
	hold := func(why string) { u.fixed = append(u.fixed, HeldInput{in.name, why}) }
	spread, pedigree := e.inventory.FactorData.Spread, e.inventory.FactorData.Pedigree
	if of == VaryPrice {
		if u.request.Comparison.Economics == nil {
			return
		}
		if e.inventory.Price == nil {
			hold("it has no price of its own")
			return
		}
		spread, pedigree = e.inventory.Price.Spread, inventory.Pedigree{}
	} else if len(e.inventory.Factors) == 0 {
		hold("it has no factor of its own")
		return
	}
	in.nominal = w.nominal()
	law, byRequest := given[in.name]
	switch {
	case byRequest && law.Kind == sampling.Fixed:
		hold("the request holds it")
		return
	case byRequest:
		in.law, in.basis = law, basisRequest
	case spread != nil:
		in.law, in.basis = lawOf(spread), basisSpread
	case *u.request.Pedigree && pedigree != inventory.Pedigree{}:
		basic := sampling.BasicMaterial
		if e.inventory.Category == inventory.Transport {
			basic = sampling.BasicTransport
		}
		gsd, err := sampling.PedigreeGSD(pedigree, basic)
		if err != nil || gsd <= 1 {
			hold("its pedigree gives no spread")
			return
		}
		in.law, in.basis = sampling.Distribution{Kind: sampling.Lognormal, GSD: gsd}, basisPedigree
	case percent.IsPositive():
		in.law, in.basis = sampling.Distribution{Kind: sampling.Kind(u.request.PercentDistribution), Low: num.Float(num.One.Sub(percent)), High: num.Float(num.One.Add(percent))}, basisPercent
	case e.gives(of):
		hold("the request overrides it, and does not say how it scatters; a spread of the inventory is that of its own figure")
		return
	default:
		hold("neither the inventory nor the request says how it scatters")
		return
	}
	if in.nominal.IsZero() && of == VaryPrice {
		hold("it is zero, and a multiple of zero is zero")
		return
	}
	in.detail = describeLaw(in.law)
	if found := in.law.Check(""); !found.Empty() {
		u.faults.Add("/comparison/inventory", "out-of-range", "the spread of the %s, %s, is wider than can be sampled: %s", in.name, in.detail, found.All()[0].Detail)
		return
	}
	u.inputs = append(u.inputs, in)
}

// lawOf is a spread of the inventory.
func lawOf(s *inventory.Spread) sampling.Distribution {
	return sampling.Distribution{Kind: sampling.Kind(s.Distribution), GSD: num.Float(s.GSD.Decimal), Low: num.Float(s.Low.Decimal), High: num.Float(s.High.Decimal)}
}

// describeLaw writes a distribution as the inventory writes a spread.
func describeLaw(law sampling.Distribution) string {
	form := func(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }
	text := string(law.Kind)
	if law.Kind == sampling.Lognormal {
		text += " " + multiple(law.GSD).String()
	} else {
		text += " " + form(law.Low) + " " + form(law.High)
	}
	if law.Truncate != nil {
		text += ", from " + form(law.Truncate.Low) + " to " + form(law.Truncate.High)
	}
	return text
}

// readCorrelations looks up the inputs of each correlation. Where not all inputs are
// listed, only a name that none of them can have is a fault.
func (u *uncertainty) readCorrelations(listed bool) {
	for i, c := range u.request.Correlations {
		at, before := fault.Path("/correlations").At(i), u.faults.Len()
		rank := u.decimal(c.Rank, at.At("rank"))
		if c.A == c.B {
			u.faults.Add(at, "wrong-type", "an input is correlated with another, not with itself")
			continue
		}
		if u.faults.Len() == before && rank.Abs().GreaterThanOrEqual(num.One) {
			u.faults.Add(at.At("rank"), "out-of-range", "%s; accepted: between -1 and 1", short(c.Rank))
		}
		a, b := u.input(c.A, listed, at.At("a")), u.input(c.B, listed, at.At("b"))
		u.together = append(u.together, sampling.Correlation{A: a, B: b, Rank: num.Float(rank)})
	}
}

// input finds an input by its name, or says why there is none.
func (u *uncertainty) input(name string, listed bool, at fault.Path) int {
	k := slices.IndexFunc(u.inputs, func(in uncertain) bool { return in.name == name })
	held := slices.IndexFunc(u.fixed, func(in HeldInput) bool { return in.Name == name })
	switch {
	case k >= 0:
	case held >= 0:
		u.faults.Add(at, "not-in-list", "the %s does not scatter: %s", short(name), u.fixed[held].Reason)
	case !listed && u.named(name):
	default:
		u.faults.Add(at, "not-in-list", "no uncertain input has the name %q; names are such as %q or the pointer of a member", short(name), "price of cement-cem-i")
	}
	return k
}

// named tells whether a name is that of a price or factor in use, or of what the
// request gives a spread.
func (u *uncertainty) named(name string) bool {
	if slices.ContainsFunc(u.request.Spreads, func(g SpreadGiven) bool { return g.name() == name }) {
		return true
	}
	of, item, _ := strings.Cut(name, " of ")
	return (of == VaryPrice || of == VaryFactor) && slices.Contains(u.itemsInUse(), item)
}

// prepare makes the model, and refuses what is too large before any of it is worked
// out.
func (u *uncertainty) prepare(ctx context.Context) (*sampling.Plan, *linear, error) {
	l, err := u.sketch(ctx)
	if err != nil {
		return nil, nil, err
	}
	var faults fault.List
	if err := l.measureSlopes(&faults); err != nil {
		return nil, nil, below("/comparison", err)
	}
	if !faults.Empty() {
		return nil, nil, errFaults(faults.All())
	}
	if u.points, u.apart, err = l.check(); err != nil {
		return nil, nil, below("/comparison", err)
	}
	if u.apart.GreaterThan(modelTolerance) {
		return nil, nil, &Error{Code: Internal, Detail: "the model of the comparison is off the engine by " + num.Canonical(num.Amount(u.apart)) + " of a figure; nothing is sampled from it"}
	}
	plan, err := u.plan(ctx, l.model())
	return plan, l, err
}

// sketch is the model before its slopes are measured; what is too large is refused.
func (u *uncertainty) sketch(ctx context.Context) (*linear, error) {
	l := newLinear(ctx, u.service, u.catalogue, u.request.Comparison, u.inputs, u.measures, u.all)
	if n := l.evaluations(); n > maxModelEvaluations {
		return nil, errFaults(oneFault("/comparison", "compute-budget-exceeded", fmt.Sprintf("the slopes of %d uncertain inputs in %d alternatives take %d evaluations; accepted: up to %d; let fewer inputs scatter", len(u.inputs), len(u.all), n, maxModelEvaluations)))
	}
	_, err := u.plan(ctx, l.skeleton())
	return l, err
}

// maxCheckedEvaluations of one alternative each are made to check a request that is to
// be queued; where its members take more, the job finds what is wrong with them.
const maxCheckedEvaluations = 1000

// checkModel refuses what prepare would refuse of a request that is to be queued, as
// far as that is soon known. Its error has no fault where there is none.
func (u *uncertainty) checkModel(ctx context.Context) error {
	l, err := u.sketch(ctx)
	if err != nil {
		return err
	}
	var faults fault.List
	if l.memberEvaluations() <= maxCheckedEvaluations {
		if err := l.measureMembers(&faults); err != nil {
			return below("/comparison", err)
		}
	}
	return errFaults(faults.All())
}

// readLines evaluates the comparison once with all its lines.
func (u *uncertainty) readLines(ctx context.Context) error {
	body, err := Encode(u.request.Comparison)
	if err != nil {
		return err
	}
	full, err := u.service.Compare(ctx, body)
	if err != nil {
		return below("/comparison", err)
	}
	u.lines = full.Alternatives
	return nil
}

// modelTolerance is how far the model may be from the engine, relative to a figure:
// far more than the rounding of lines to 6 decimals makes, far less than a spread.
var modelTolerance = decimal.New(1, -4)

// plan has the kernel check a model and say what the run takes.
func (u *uncertainty) plan(ctx context.Context, model sampling.Model) (*sampling.Plan, error) {
	model.Correlations = u.together
	plan, faults := sampling.Prepare(model, u.options, "")
	if !faults.Empty() {
		found := slices.Clone(faults.All())
		for i := range found {
			switch first, _, _ := strings.Cut(strings.TrimPrefix(string(found[i].Pointer), "/"), "/"); first {
			case "samples", "band", "precision", "correlations", "":
			default:
				found[i].Pointer = "/comparison"
			}
		}
		return nil, errFaults(found)
	}
	if size := plan.Size(); size.Steps > maxDirectSteps && !tellsProgress(ctx) && !queueing(ctx) {
		return nil, errFaults(oneFault("/samples", "compute-budget-exceeded", fmt.Sprintf("%d samples take about %.2g steps and %d MiB; answered directly: up to %.2g steps; ask for fewer samples, inputs or alternatives",
			u.options.Samples, float64(size.Steps), size.Bytes>>20, float64(maxDirectSteps))))
	}
	return plan, nil
}

// mostSamplers is how many goroutines draw at most: what a run takes is reckoned by
// them, so that it is accepted or refused whatever else is at work.
func (s *Service) mostSamplers() int {
	if s.workers > 0 {
		return s.workers
	}
	return min(runtime.GOMAXPROCS(0), sampling.MaxWorkers)
}

// drawn asks whether the client is gone, and tells how many blocks of samples have
// been begun.
func drawn(ctx context.Context, samples int) func() error {
	const blockSize = 1024 // the kernel asks before each so many samples
	blocks := (samples + blockSize - 1) / blockSize
	if !tellsProgress(ctx) {
		return ctx.Err
	}
	var mu sync.Mutex
	begun, tell := 0, progressOf(ctx)
	return func() error {
		mu.Lock()
		defer mu.Unlock()
		if begun < blocks {
			begun++
			tell(begun, blocks)
		}
		return ctx.Err()
	}
}

// tellsProgress tells that the work is a long one, whose progress somebody wants to
// know.
func tellsProgress(ctx context.Context) bool {
	tell, ok := ctx.Value(progressKey{}).(Progress)
	return ok && tell != nil
}
