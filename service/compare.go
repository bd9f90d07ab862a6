package service

import (
	"context"
	"slices"
	"sort"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/compare"
	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// EngineVersion names the arithmetic. It changes when any figure could.
const EngineVersion = "0.1.0"

// Caution stands in every result.
const Caution = "This is a comparison aid, not a design. Thickness, strength and life are given by the request, or computed from what it gives by published methods, and are not verified; local codes and a licensed engineer decide."

// conventions are the rules behind the figures that no line shows.
func conventions() []string {
	return []string{
		"amounts are rounded once to 12 decimals at each printed step (per m3, per m2, waste), money and carbon once to 6, half to even; a total is the exact sum of its lines, and a figure for the area is the figure per m2 times the area",
		"aggregate is saturated and surface-dry; water is what the mix is given",
		"one longitudinal joint a lane; bars are counted whole in each joint and panel, so their number per m2 is a fraction",
		"only concrete has waste; its wasted share repeats A1 to A4 in A5 and is paid for",
		"money and carbon fall at the end of their year; money is real, at the prices of the inventory; factors are those of today in every year; carbon is not discounted",
		"the residual value rests on everything that is paid in year 0, and on each treatment that states its life",
	}
}

// Compare evaluates two or more alternatives and sets them against the
// baseline. The body has passed the contract. The same body on the same
// inventory version gives the same response, byte for byte.
func (s *Service) Compare(ctx context.Context, body []byte, refused ...fault.Fault) (resp *ComparisonResponse, err error) {
	defer func() { err = joined(refused, err) }()
	var req ComparisonRequest
	if err := json.Unmarshal(body, &req); err != nil {
		return nil, &Error{Code: Malformed, Detail: "the body cannot be read as a comparison", Cause: err}
	}
	c, refused, err := s.pinnedOrNone(ctx, "", req.Inventory, refused)
	if err != nil {
		return nil, err
	}
	resp, _, err = s.compareOn(ctx, c, req, body, refused, false)
	return resp, err
}

// compareOn is Compare on a version of an inventory, with the evaluations that the
// response was made of.
func (s *Service) compareOn(ctx context.Context, c *catalogue, req ComparisonRequest, body []byte, refused []fault.Fault, traced bool) (resp *ComparisonResponse, evaluations []*evaluated, err error) {
	var faults fault.List
	study := readStudy(c, req.FunctionalUnit, req.Economics, req.Overrides, &faults)
	study.traced = traced
	study.checkOnly = checksOnly(ctx, refused)
	study.readRequirements(req.DataRequirements, &faults)
	study.readStrategies(req.Strategies, &faults)
	req.Inventory = c.ref.Ref
	asked := readInterpretation(study, req, &faults)
	all, unresolved := resolve(req.Alternatives, alternativeAt)
	faults.Append(unresolved.All()...)
	// Where the contract has refused the list, a name of it may be right.
	baseline, named := -1, len(all) > 0 || all != nil && len(refused) == 0
	for i := range all {
		if all[i].Name == req.Baseline {
			baseline = i
		}
		named = named && all[i].Name != ""
	}
	if named && baseline < 0 {
		faults.Add("/baseline", "alternative-unknown", "no alternative has the name %q", short(req.Baseline))
	}
	evaluations, err = study.evaluate(ctx, all, newLocator(body, all).locate, maxRequestFlows, &faults)
	if err != nil {
		return nil, nil, err
	}
	hash, err := requestHash(body, c.ref.Ref)
	if err != nil {
		return nil, nil, err
	}
	resp = &ComparisonResponse{Head: study.head(hash), Conventions: conventions(), Caution: Caution, Sources: sourcesOf(evaluations)}
	for _, e := range evaluations {
		e.result.FunctionalEquivalence = equivalence(study.service, e, evaluations[baseline], byBaseline)
		resp.Alternatives = append(resp.Alternatives, e.result)
	}
	resp.Comparison = comparison(evaluations, resp.Alternatives, baseline, req.EquivalenceOverride)
	if err := asked.answer(ctx, s, resp, evaluations, baseline); err != nil {
		return nil, nil, err
	}
	return resp, evaluations, nil
}

// Evaluate evaluates one alternative.
func (s *Service) Evaluate(ctx context.Context, body []byte, refused ...fault.Fault) (resp *EvaluationResponse, err error) {
	defer func() { err = joined(refused, err) }()
	var req EvaluationRequest
	if err := json.Unmarshal(body, &req); err != nil {
		return nil, &Error{Code: Malformed, Detail: "the body cannot be read as an evaluation", Cause: err}
	}
	c, refused, err := s.pinnedOrNone(ctx, "", req.Inventory, refused)
	if err != nil {
		return nil, err
	}
	var faults fault.List
	study := readStudy(c, req.FunctionalUnit, req.Economics, req.Overrides, &faults)
	study.checkOnly = checksOnly(ctx, refused)
	study.readRequirements(req.DataRequirements, &faults)
	study.readStrategies(req.Strategies, &faults)
	r := reader{catalogue: c}
	study.readLimits(req.Limits, &r)
	faults.Append(r.faults.All()...)
	all, unresolved := resolve([]jsontext.Value{req.Alternative}, func(int) fault.Path { return "/alternative" })
	faults.Append(unresolved.All()...)
	evaluations, err := study.evaluate(ctx, all, newLocator(body, all).locate, maxRequestFlows, &faults)
	if err != nil {
		return nil, err
	}
	hash, err := requestHash(body, c.ref.Ref)
	if err != nil {
		return nil, err
	}
	e := evaluations[0]
	e.result.FunctionalEquivalence = equivalence(study.service, e, e, "the functional unit asks for")
	e.result.Limits = e.judge(&e.result)
	return &EvaluationResponse{Head: study.head(hash), Alternative: e.result, Sources: sourcesOf(evaluations), Conventions: conventions(), Caution: Caution}, nil
}

// alternativeAt is where an alternative of a comparison stands.
func alternativeAt(i int) fault.Path { return fault.Path("/alternatives").At(i) }

// Limits of one request, so that a small body cannot ask for hours or gigabytes.
const (
	maxRequestFlows = 20_000 // of all alternatives
	maxKeptFaults   = 300    // told to the client; reading stops there
	maxFoundFaults  = 20_000 // with those that were told before; reading stops there too
)

// evaluate reads all alternatives, reports the faults of all of them, and only
// then computes. Pointers go through locate, to where the request wrote the
// member. Nothing is computed where the alternatives come to more than so many
// flows; work stops when the client is gone.
func (s *study) evaluate(ctx context.Context, all []resolved, locate func(fault.Path) fault.Path, mostFlows int, faults *fault.List) ([]*evaluated, error) {
	evaluations := make([]*evaluated, 0, len(all))
	flows, read := 0, 0
	told := map[fault.Fault]bool{}
	for _, a := range all {
		if err := gone(ctx); err != nil {
			return nil, err
		}
		e, found := s.checked(a)
		// Taken over by many alternatives, a fault is told once, where it was written.
		for _, f := range found[:min(len(found), maxKeptFaults)] {
			f.Pointer = locate(f.Pointer)
			if !told[f] {
				told[f] = true
				faults.Append(f)
			}
		}
		if flows += len(e.bill.Flows) + len(e.userCosts); flows > mostFlows {
			faults.Add(locate(a.at), "compute-budget-exceeded", "with this alternative the request comes to %d flows; at most %d: compare fewer at a time, or plan fewer events", flows, mostFlows)
			break
		}
		if read += len(found); faults.Len() > maxKeptFaults || read > maxFoundFaults {
			break
		}
		evaluations = append(evaluations, e)
	}
	if !faults.Empty() || s.checkOnly {
		return nil, errFaults(faults.All())
	}
	warnUnusedRules(evaluations, locate)
	s.warnUnusedOverrides(evaluations)
	warnNoRehabilitation(evaluations, locate)
	for i, e := range evaluations {
		if err := gone(ctx); err != nil {
			return nil, err
		}
		if s.tells {
			progressOf(ctx)(i, len(evaluations))
		}
		if err := e.compute(); err != nil {
			return nil, &Error{Code: Internal, Detail: "the computation failed", Cause: err}
		}
		if s.brief {
			e.shed()
		}
	}
	return evaluations, nil
}

// checked reads one alternative and finds what is wrong with it.
func (s *study) checked(a resolved) (*evaluated, []fault.Fault) {
	e := s.read(a)
	e.checkResidual()
	e.gaps()
	e.checkData()
	e.checkLimits()
	if a.incomplete {
		return e, independent(e.faults.All())
	}
	return e, e.faults.All()
}

// gone tells that nobody waits for the answer any more.
func gone(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return &Error{Code: Unavailable, Detail: "the request was given up", Cause: err}
	}
	return nil
}

func (s *study) head(hash string) Head {
	h := Head{Inventory: s.catalogue.ref, EngineVersion: EngineVersion, RequestHash: hash,
		FunctionalUnit: FunctionalUnitSI{AreaM2: Plain{s.area}, AnalysisPeriodYears: s.period, Service: s.service, UnequalLives: s.lives}}
	if s.economics != nil {
		h.Economics = s.applied()
	}
	return h
}

// requestHash is canonicalHash of the request with its inventory pinned: "demo"
// and "demo@3" hash the same when demo is at 3.
func requestHash(body []byte, ref string) (string, error) {
	text, err := pinnedRequest(body, ref)
	if err != nil {
		return "", err
	}
	return canonicalHash(text)
}

// pinnedRequest is a request with its inventory pinned.
func pinnedRequest(body []byte, ref string) ([]byte, error) {
	var members map[string]jsontext.Value
	if err := json.Unmarshal(body, &members); err != nil {
		return nil, &Error{Code: Malformed, Detail: "the body is not a JSON object", Cause: err}
	}
	pinned, err := json.Marshal(ref)
	if err != nil {
		return nil, &Error{Code: Internal, Detail: "hashing failed", Cause: err}
	}
	members["inventory"] = pinned
	text, err := json.Marshal(members, json.Deterministic(true))
	if err != nil {
		return nil, &Error{Code: Internal, Detail: "hashing failed", Cause: err}
	}
	return text, nil
}

// canonicalHash is the hex SHA-256 over the RFC 8785 canonical form of a JSON
// text, which it leaves as it is.
func canonicalHash(text []byte) (string, error) {
	canonical := jsontext.Value(text).Clone()
	if err := canonical.Canonicalize(); err != nil {
		return "", &Error{Code: Internal, Detail: "hashing failed", Cause: err}
	}
	return hashBytes(canonical), nil
}

func sourcesOf(evaluations []*evaluated) []ItemUsed {
	used := map[string]*entry{}
	for _, e := range evaluations {
		for code, it := range e.used {
			used[code] = it
		}
	}
	codes := make([]string, 0, len(used))
	for code := range used {
		codes = append(codes, code)
	}
	sort.Strings(codes)
	list := make([]ItemUsed, len(codes))
	for i, code := range codes {
		it := used[code].inventory
		list[i] = ItemUsed{Ref: used[code].source, Name: it.Name, Unit: it.Unit, DensityKgPerM3: plainOf(it.Density), UnitMassKg: plainOf(it.UnitMass),
			SolidsPercent: plainOf(it.Solids), BatchVolumeM3: plainOf(it.BatchVolume), Boundary: it.Boundary, FactorSource: it.FactorSource, Note: it.Note, Recipe: []RecipePart{}}
		for _, part := range it.Recipe {
			list[i].Recipe = append(list[i].Recipe, RecipePart{Item: part.Item, Amount: Plain{part.Amount}, Unit: used[part.Item].Unit + "/" + it.Unit})
		}
		if it.Price != nil {
			list[i].PriceDate, list[i].PriceBasis, list[i].PriceTax = it.Price.Date, it.Price.Basis, it.Price.Tax
			list[i].PriceSource, list[i].PriceValidUntil = &it.Price.Source, it.Price.ValidUntil
			list[i].PriceMinQuantity = plainOf(it.Price.MinQuantity)
			if it.Price.Spread != nil {
				list[i].PriceSpread = it.Price.Spread.String()
			}
			if q := it.Price.Quoted; q != nil {
				list[i].PriceQuoted = &QuotedUsed{Plain{q.Amount}, q.Currency, q.Date, plainOf(q.Rate), q.RateDate, q.RateSource, q.IndexSeries, plainOf(q.IndexFrom), plainOf(q.IndexTo)}
			}
		}
		d := it.FactorData
		list[i].FactorValidUntil, list[i].Characterisation, list[i].Allocation, list[i].Layer = d.ValidUntil, d.Characterisation, d.Allocation, it.Layer
		list[i].Overrides = overrideUsed(used[code])
		if d.Spread != nil {
			list[i].FactorSpread = d.Spread.String()
		}
		if d.Pedigree != (inventory.Pedigree{}) {
			list[i].Pedigree = d.Pedigree[:]
		}
	}
	return list
}

// overrideUsed is what an item stands in place of; nil where that is nothing. Where the
// request overrides an item, that is the inventory's, whatever that overrides itself.
func overrideUsed(e *entry) *OverrideUsed {
	switch {
	case e.overridden != nil:
		return e.overrideOfRequest()
	case e.overrides != nil:
		return overrideOf(e, e.overrides.Base, e.overrides.Layer)
	}
	return nil
}

// overrideOf is an item of a layer that an entry stands in place of.
func overrideOf(e *entry, under *inventory.Item, layer string) *OverrideUsed {
	used := &OverrideUsed{Layer: layer, PriceUnit: e.priceUnit, FactorUnit: e.factorUnit}
	if under.Price != nil {
		used.Price = &Plain{under.Price.Amount}
	}
	if factor, ok := under.Factors[under.MainFactor()]; ok {
		used.Factor = &Plain{factor}
	}
	return used
}

func comparison(evaluations []*evaluated, results []Result, baseline int, override *Override) Comparison {
	base := results[baseline]
	c := Comparison{Baseline: base.Name, Comparable: true, Pareto: []string{}, Abatement: []Abatement{}}
	sameCover, sameService := true, true
	for i := range results {
		if !slices.Equal(evaluations[i].covers, evaluations[baseline].covers) {
			sameCover = false
		}
		if !results[i].FunctionalEquivalence.Met {
			sameService = false
		}
		c.Deltas = append(c.Deltas, delta(&results[i], &base, slices.Equal(evaluations[i].covers, evaluations[baseline].covers)))
	}
	rankable := sameCover && (sameService || override != nil)
	c.UnequalLives = unequalLives(evaluations, results, rankable)
	ranked := true
	switch {
	case !sameCover:
		c.Comparable, ranked = false, false
		c.Reason = "the totals cover different modules (see total_covers), so the alternatives are not ranked"
	case !sameService && override == nil:
		c.Comparable, ranked = false, false
		c.Reason = "not all alternatives give the same service (see functional_equivalence), so they are not ranked; equivalence_override with a reason ranks them all the same"
	case !sameService:
		c.Comparable = false
		c.Reason = "the alternatives do not give the same service; they are ranked because the request says so: " + override.Reason
	default:
		c.Reason = "the same area, period, service and modules, as the request states them"
		if !slices.ContainsFunc(results, func(r Result) bool { return r.FunctionalEquivalence.Basis != "sized" }) {
			c.Reason += "; each slab was sized by " + evaluations[baseline].sized.Method + " for the same traffic and soil"
		}
		if slices.ContainsFunc(evaluations, func(e *evaluated) bool { return e.sized == nil }) &&
			slices.ContainsFunc(results, func(r Result) bool { return !r.ThicknessMM.Equal(base.ThicknessMM.Decimal) }) {
			c.Reason += "; the thicknesses differ and are inputs, so nothing here shows that they carry the same traffic"
		}
	}
	if evaluations[baseline].study.lives == LivesAnnualEquivalent {
		c.Comparable, ranked = false, false
		c.Reason = "each alternative is studied over its own life, so their totals are not ranked; unequal_lives compares them by the year (" + c.Reason + ")"
		for i := range c.Deltas {
			c.Deltas[i].apart()
		}
	}
	if ranked {
		rankAll(&c, results, baseline)
	}
	return c
}

func rankAll(c *Comparison, results []Result, baseline int) {
	names := make([]string, len(results))
	carbons := make([]decimal.Decimal, len(results))
	for i, r := range results {
		names[i], carbons[i] = r.Name, r.Carbon.TotalKgCO2ePerM2.Decimal
	}
	c.Ranking = &Ranking{ByNetPresentValue: []Rank{}, ByTotalCarbon: ranks(compare.Rank(names, carbons))}
	if results[baseline].Cost == nil {
		return
	}
	options := make([]compare.Option, len(results))
	values := make([]decimal.Decimal, len(results))
	for i, r := range results {
		values[i] = r.Cost.NetPresentValuePerM2.Decimal
		options[i] = compare.Option{Name: r.Name, Cost: values[i], Carbon: carbons[i]}
	}
	c.Ranking.ByNetPresentValue = ranks(compare.Rank(names, values))
	if results[baseline].Cost.UserCost != nil {
		without, with := make([]decimal.Decimal, len(results)), make([]decimal.Decimal, len(results))
		for i, r := range results {
			without[i], with[i] = r.Cost.UserCost.WithoutPerM2.Decimal, r.Cost.UserCost.WithPerM2.Decimal
		}
		c.Ranking.WithoutUserCost, c.Ranking.WithUserCost = ranks(compare.Rank(names, without)), ranks(compare.Rank(names, with))
	}
	c.Pareto = compare.Pareto(options)
	for i, o := range options {
		if i == baseline {
			continue
		}
		per, reason := compare.Abatement(o, options[baseline])
		if per.Valid && !slices.Contains(c.Pareto, o.Name) {
			reason += "; another alternative is no dearer and no dirtier than this one, and better in one of the two"
		}
		c.Abatement = append(c.Abatement, Abatement{Name: o.Name, Class: string(compare.Classify(o, options[baseline])), CostPerTCO2e: fixedOf(per), Reason: reason})
	}
}

func ranks(list []compare.Ranked) []Rank {
	out := make([]Rank, len(list))
	for i, r := range list {
		out[i] = Rank(r)
	}
	return out
}

func delta(r, base *Result, sameCover bool) Delta {
	d := Delta{Name: r.Name, ThicknessMM: change(r.ThicknessMM.Decimal, base.ThicknessMM.Decimal),
		CradleToGateKgCO2ePerM2: change(r.Carbon.CradleToGateKgCO2ePerM2.Decimal, base.Carbon.CradleToGateKgCO2ePerM2.Decimal)}
	if sameCover {
		total := change(r.Carbon.TotalKgCO2ePerM2.Decimal, base.Carbon.TotalKgCO2ePerM2.Decimal)
		d.TotalKgCO2ePerM2 = &total
	}
	if r.Cost != nil && base.Cost != nil {
		of := func(a, b Fixed) *Change {
			ch := change(a.Decimal, b.Decimal)
			return &ch
		}
		d.InitialPerM2 = of(r.Cost.InitialPerM2, base.Cost.InitialPerM2)
		d.MaintenancePresentValuePerM2 = of(r.Cost.MaintenancePresentValuePerM2, base.Cost.MaintenancePresentValuePerM2)
		d.ResidualValuePerM2 = of(r.Cost.ResidualValuePerM2, base.Cost.ResidualValuePerM2)
		d.NetPresentValuePerM2 = of(r.Cost.NetPresentValuePerM2, base.Cost.NetPresentValuePerM2)
		d.EquivalentAnnualPerM2 = of(r.Cost.EquivalentAnnualPerM2, base.Cost.EquivalentAnnualPerM2)
	}
	return d
}

// apart takes out what says nothing between alternatives over different years.
func (d *Delta) apart() {
	d.MaintenancePresentValuePerM2, d.ResidualValuePerM2, d.NetPresentValuePerM2, d.TotalKgCO2ePerM2 = nil, nil, nil, nil
}

func change(value, base decimal.Decimal) Change {
	return Change{Absolute: Fixed{num.Line(value.Sub(base))}, RelativePercent: fixedOf(compare.Relative(value, base))}
}

// Encode is the one JSON encoder of results.
func Encode(v any) ([]byte, error) {
	b, err := json.Marshal(v, json.Deterministic(true), jsontext.EscapeForHTML(false))
	if err != nil {
		return nil, &Error{Code: Internal, Detail: "the result cannot be written", Cause: err}
	}
	return append(b, '\n'), nil
}
