package service

import (
	"context"
	"slices"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/shopspring/decimal"
	"golang.org/x/text/unicode/norm"

	"slabledger/lca/compare"
	"slabledger/lca/fault"
)

// GridRequest is the body of POST /v1/grids: an alternative, varied along axes.
type GridRequest struct {
	Inventory           string            `json:"inventory"`
	FunctionalUnit      FunctionalUnit    `json:"functional_unit"`
	Economics           *Economics        `json:"economics,omitzero"`
	Alternative         jsontext.Value    `json:"alternative"`
	Axes                []GridAxis        `json:"axes"`
	Baseline            string            `json:"baseline,omitzero"`
	EquivalenceOverride *Override         `json:"equivalence_override,omitzero"`
	DataRequirements    *DataRequirements `json:"data_requirements,omitzero"`
	Overrides           []FigureOverride  `json:"overrides,omitzero"`
	Strategies          []Strategy        `json:"strategies,omitzero"`
}

// GridAxis is one question of a study with its answers. A variant is laid over
// the alternative as an alternative is over the one that it is like.
type GridAxis struct {
	Name     string           `json:"name"`
	Variants []jsontext.Value `json:"variants"` // Alternative
}

// GridResponse answers POST /v1/grids: one row a combination, the last axis
// varying fastest.
type GridResponse struct {
	Head
	Baseline string     `json:"baseline"`
	Axes     []AxisUsed `json:"axes"`
	Rows     []GridRow  `json:"rows"`
	Notices  []string   `json:"notices"`
}

// AxisUsed is an axis with the names of its variants.
type AxisUsed struct {
	Name     string   `json:"name"`
	Variants []string `json:"variants"`
}

// GridRow is the figures of one combination, each of them that of a comparison.
// Ranks and the Pareto front are over the rows that are ranked; null elsewhere.
type GridRow struct {
	Name                         string          `json:"name"`
	Variants                     []string        `json:"variants"` // in the order of the axes
	RequiredMM                   *Plain          `json:"required_thickness_mm"`
	ThicknessMM                  Plain           `json:"thickness_mm"`
	Governs                      string          `json:"governs"`
	InitialPerM2                 *Fixed          `json:"initial_per_m2"`
	MaintenancePresentValuePerM2 *Fixed          `json:"maintenance_present_value_per_m2"`
	ResidualValuePerM2           *Fixed          `json:"residual_value_per_m2"`
	NetPresentValuePerM2         *Fixed          `json:"net_present_value_per_m2"`
	EquivalentAnnualPerM2        *Fixed          `json:"equivalent_annual_per_m2"`
	ConcreteKgCO2ePerM3          Fixed           `json:"concrete_a1_a3_kg_co2e_per_m3"`
	CradleToGateKgCO2ePerM2      Fixed           `json:"cradle_to_gate_kg_co2e_per_m2"`
	TotalKgCO2ePerM2             Fixed           `json:"total_kg_co2e_per_m2"`
	RelativePercent              RelativeChanges `json:"relative_percent"`
	Comparable                   bool            `json:"comparable"`
	Reason                       string          `json:"reason,omitzero"` // why it is not comparable
	RankByNetPresentValue        *int            `json:"rank_by_net_present_value"`
	RankByTotalCarbon            *int            `json:"rank_by_total_carbon"`
	Pareto                       *bool           `json:"pareto"`
	Warnings                     []string        `json:"warnings"` // codes
}

// RelativeChanges are differences from the baseline in per cent of it; null where
// that is zero or not known.
type RelativeChanges struct {
	Thickness               *Fixed `json:"thickness"`
	Initial                 *Fixed `json:"initial"`
	MaintenancePresentValue *Fixed `json:"maintenance_present_value"`
	ResidualValue           *Fixed `json:"residual_value"`
	NetPresentValue         *Fixed `json:"net_present_value"`
	EquivalentAnnual        *Fixed `json:"equivalent_annual"`
	CradleToGate            *Fixed `json:"cradle_to_gate"`
	TotalCarbon             *Fixed `json:"total_carbon"`
}

// Limits of one grid.
const (
	maxCombinations = 500
	// maxGridFlows is 160 for each of 500 combinations; a usual slab has 60. A grid
	// answers without lines, so it may have more than a comparison.
	maxGridFlows = 80_000
	// maxGridBytes bounds the text that is laid over each other: a combination reads
	// all of its alternative and variants.
	maxGridBytes = 32 << 20
)

// separator stands between the variants in the name of a combination.
const separator = " | "

// Grid evaluates every combination of the variants of its axes. The body has
// passed the contract. A row has the figures that a comparison of the same
// alternatives has.
func (s *Service) Grid(ctx context.Context, body []byte, refused ...fault.Fault) (resp *GridResponse, err error) {
	defer func() { err = joined(refused, err) }()
	var req GridRequest
	if err := json.Unmarshal(body, &req); err != nil {
		return nil, &Error{Code: Malformed, Detail: "the body cannot be read as a grid", Cause: err}
	}
	g := grid{req: req}
	g.check()
	heldTo(ctx, g.count, ActorOf(ctx).Limits.Combinations, "combinations", "/axes", &g.faults)
	if !g.faults.Empty() || g.count == 0 {
		return nil, errFaults(g.faults.All())
	}
	c, refused, err := s.pinnedOrNone(ctx, "", req.Inventory, refused)
	if err != nil {
		return nil, err
	}
	study := readStudy(c, req.FunctionalUnit, req.Economics, req.Overrides, &g.faults)
	study.checkOnly = checksOnly(ctx, refused)
	if study.lives == LivesAnnualEquivalent {
		g.faults.Add("/functional_unit/unequal_lives", "not-used", "a grid ranks totals over one period; lives are compared by the year in a comparison")
	}
	study.readRequirements(req.DataRequirements, &g.faults)
	study.readStrategies(req.Strategies, &g.faults)
	study.brief, study.tells, study.sizes = true, true, ofAnyThickness()
	evaluations, ok := g.byParts(ctx, study)
	if !ok {
		if err := g.combine(ctx); err != nil {
			return nil, err
		}
		if evaluations, err = study.evaluate(ctx, g.all, g.locate, maxGridFlows, &g.faults); err != nil {
			return nil, err
		}
	}
	hash, err := requestHash(body, c.ref.Ref)
	if err != nil {
		return nil, err
	}
	resp = &GridResponse{Head: study.head(hash), Baseline: evaluations[g.baseline].Name, Rows: g.rows(study, evaluations), Notices: append([]string{Caution}, study.catalogue.overrideNotices()...)}
	for i, axis := range req.Axes {
		used := AxisUsed{Name: axis.Name}
		for _, l := range g.variants[i] {
			used.Variants = append(used.Variants, l.name)
		}
		resp.Axes = append(resp.Axes, used)
	}
	if slices.ContainsFunc(evaluations, func(e *evaluated) bool { return e.sized != nil }) {
		resp.Notices = append(resp.Notices, ThicknessCaution)
	}
	return resp, nil
}

// grid is a grid between reading and printing.
type grid struct {
	req      GridRequest
	faults   fault.List
	count    int        // of combinations; 0 where the contract has refused too much to tell
	named    bool       // all variants have names
	base     layer      // the alternative
	variants [][]layer  // by axis
	all      []resolved // the combinations, where each is evaluated by itself
	baseline int        // of the combinations
}

// layer is an alternative that is laid over others, and where it stands.
type layer struct {
	text      jsontext.Value
	at        fault.Path
	name      string
	thickness jsontext.Value // nil where it has no say in it
	document  any            // the text as read; nil until a fault needs it
}

const combinations = fault.Path("/combinations")

// check reads names and counts, before any work is done.
func (g *grid) check() {
	g.count, g.named = min(1, len(g.req.Axes)), true
	for _, axis := range g.req.Axes {
		g.count *= len(axis.Variants) // four axes of a thousand at most: no overflow
	}
	if g.count > maxCombinations {
		g.faults.Add("/axes", "too-many", "the axes come to %d combinations; at most %d", g.count, maxCombinations)
		return
	}
	bytes := g.count * len(g.req.Alternative)
	for _, axis := range g.req.Axes {
		for _, text := range axis.Variants {
			bytes += g.count / len(axis.Variants) * len(text)
		}
	}
	if bytes > maxGridBytes {
		g.faults.Add("/axes", "compute-budget-exceeded", "%d combinations come to %d bytes that are laid over each other; at most %d: use fewer combinations or shorter beam tests", g.count, bytes, maxGridBytes)
		return
	}
	g.base = g.layer(g.req.Alternative, "/alternative")
	axes := map[string]bool{}
	for i, axis := range g.req.Axes {
		at := fault.Path("/axes").At(i)
		g.name(axis.Name, axes, at.At("name"))
		names, variants := map[string]bool{}, make([]layer, len(axis.Variants))
		for k, text := range axis.Variants {
			variants[k] = g.layer(text, at.At("variants", k))
			g.name(variants[k].name, names, at.At("variants", k, "name"))
			g.named = g.named && variants[k].name != ""
		}
		g.variants = append(g.variants, variants)
	}
}

// layer reads of an alternative what makes a combination.
func (g *grid) layer(text jsontext.Value, at fault.Path) layer {
	var head struct {
		Name string `json:"name"`
		Like string `json:"like"`
		Slab struct {
			Thickness jsontext.Value `json:"thickness"`
		} `json:"slab"`
	}
	if err := json.Unmarshal(text, &head); err != nil {
		g.faults.Add(at, "wrong-type", "the alternative cannot be read")
	}
	if head.Like != "" {
		g.faults.Add(at.At("like"), "not-used", "in a grid every variant is laid over the alternative; there is no other to be like")
	}
	return layer{text: text, at: at, name: head.Name, thickness: head.Slab.Thickness}
}

// name checks a name that becomes part of others.
func (g *grid) name(name string, taken map[string]bool, at fault.Path) {
	switch {
	case !norm.NFC.IsNormalString(name):
		g.faults.Add(at, "name-form", "write the name in Unicode normalisation form C, so that equal names are equal")
	case strings.Contains(name, strings.TrimSpace(separator)):
		g.faults.Add(at, "name-form", "%q: the sign %q stands between the variants in the name of a combination, so a name has none", short(name), strings.TrimSpace(separator))
	case taken[name]:
		g.faults.Add(at, "duplicate-name", "the name %q is taken; names are unique within their list", short(name))
	}
	taken[name] = true
}

// combination lists the layers of one combination, the alternative first. The
// last axis varies fastest.
func (g *grid) combination(i int) []*layer {
	list, stride := append(make([]*layer, 0, 1+len(g.variants)), &g.base), g.count
	for _, variants := range g.variants {
		stride /= len(variants)
		list = append(list, &variants[i/stride%len(variants)])
	}
	return list
}

// combine lays the variants of every combination over the alternative, in the
// order of the axes.
func (g *grid) combine(ctx context.Context) error {
	g.all, g.baseline = make([]resolved, g.count), -1
	for i := range g.all {
		if err := gone(ctx); err != nil {
			return err
		}
		a := &g.all[i]
		a.at = combinations.At(i)
		var names []string
		for _, l := range g.combination(i) {
			a.apply(l.text, l.at, &g.faults)
			names = append(names, l.name)
			if l.thickness != nil {
				a.design += string(l.at)
			}
		}
		a.Name, a.Like = strings.Join(names[1:], separator), ""
		if g.isBaseline(i, a.Name) {
			g.baseline = i
		}
	}
	if g.baseline < 0 && g.named {
		g.faults.Add("/baseline", "alternative-unknown", "no combination has the name %q; its name is those of its variants, such as %q", short(g.req.Baseline), short(g.all[0].Name))
	}
	return nil
}

// isBaseline tells whether a combination is the one that others are set against.
func (g *grid) isBaseline(i int, name string) bool {
	return name == g.req.Baseline || (g.req.Baseline == "" && i == 0)
}

// locate moves the pointer of a fault of a combination to the layer that wrote the
// member: the last that has it. A list is written as a whole. For a member that
// is missing, it is the last layer that has most of the way to it.
func (g *grid) locate(p fault.Path) fault.Path {
	rest, ok := strings.CutPrefix(string(p), string(combinations)+"/")
	if !ok {
		return p
	}
	number, member, _ := strings.Cut(rest, "/")
	i, err := strconv.Atoi(number)
	if err != nil || i >= g.count {
		return p
	}
	if member == "" {
		return "/axes"
	}
	return writer(g.combination(i), member)
}

// writer is where the last of some layers that has a member writes it, or most of the
// way to it.
func writer(layers []*layer, member string) fault.Path {
	for way := "/" + wayToList(member); way != ""; way = way[:strings.LastIndexByte(way, '/')] {
		for _, l := range slices.Backward(layers) {
			if l.has(way) {
				return l.at + fault.Path("/"+member)
			}
		}
	}
	return layers[0].at + fault.Path("/"+member)
}

// wayToList cuts a pointer before its first index.
func wayToList(member string) string {
	steps := strings.Split(member, "/")
	for i, step := range steps {
		if _, err := strconv.Atoi(step); err == nil {
			return strings.Join(steps[:i], "/")
		}
	}
	return member
}

// has follows a pointer within a layer.
func (l *layer) has(pointer string) bool {
	if l.document == nil {
		if err := json.Unmarshal(l.text, &l.document); err != nil {
			return false
		}
	}
	return exists(l.document, pointer)
}

// rows prints the combinations, against the baseline.
func (g *grid) rows(s *study, evaluations []*evaluated) []GridRow {
	baseline := evaluations[g.baseline]
	rows := make([]GridRow, len(evaluations))
	var ranked []int // rows
	for i, e := range evaluations {
		eq := equivalence(s.service, e, baseline, byBaseline)
		sameCover := slices.Equal(e.covers, baseline.covers)
		row := gridRow(e, baseline, sameCover)
		for _, l := range g.combination(i)[1:] {
			row.Variants = append(row.Variants, l.name)
		}
		switch {
		case !sameCover:
			row.Comparable, row.Reason = false, "its total covers other modules than the baseline's, so it is not ranked: "+strings.Join(e.covers, ", ")
		case !eq.Met && g.req.EquivalenceOverride == nil:
			row.Comparable, row.Reason = false, "it is not ranked: "+eq.Reason
		case !eq.Met:
			row.Comparable, row.Reason = false, "it is ranked because the request says so ("+g.req.EquivalenceOverride.Reason+"): "+eq.Reason
			ranked = append(ranked, i)
		default:
			ranked = append(ranked, i)
		}
		rows[i] = row
	}
	g.rank(rows, ranked, evaluations)
	return rows
}

// rank gives the rows that may be ranked their places among each other.
func (g *grid) rank(rows []GridRow, ranked []int, evaluations []*evaluated) {
	if len(ranked) == 0 {
		return
	}
	names, byName := make([]string, len(ranked)), make(map[string]*GridRow, len(ranked))
	carbons, costs, options := make([]decimal.Decimal, len(ranked)), make([]decimal.Decimal, len(ranked)), make([]compare.Option, len(ranked))
	priced := evaluations[ranked[0]].result.Cost != nil
	for k, i := range ranked {
		r := &evaluations[i].result
		names[k], carbons[k], byName[r.Name] = r.Name, r.Carbon.TotalKgCO2ePerM2.Decimal, &rows[i]
		if priced {
			costs[k] = r.Cost.NetPresentValuePerM2.Decimal
			options[k] = compare.Option{Name: r.Name, Cost: costs[k], Carbon: carbons[k]}
		}
	}
	for _, r := range compare.Rank(names, carbons) {
		byName[r.Name].RankByTotalCarbon = &r.Rank
	}
	if !priced {
		return
	}
	front := compare.Pareto(options)
	for _, r := range compare.Rank(names, costs) {
		on := slices.Contains(front, r.Name)
		byName[r.Name].RankByNetPresentValue, byName[r.Name].Pareto = &r.Rank, &on
	}
}

func gridRow(e, baseline *evaluated, sameCover bool) GridRow {
	r, base := &e.result, &baseline.result
	row := GridRow{Name: r.Name, ThicknessMM: r.ThicknessMM, ConcreteKgCO2ePerM3: r.Concrete.GWPKgCO2ePerM3.A1A3,
		CradleToGateKgCO2ePerM2: r.Carbon.CradleToGateKgCO2ePerM2, TotalKgCO2ePerM2: r.Carbon.TotalKgCO2ePerM2, Comparable: true, Warnings: []string{}}
	warnings := r.Warnings
	if e.sized != nil {
		row.RequiredMM, row.Governs = e.sized.RequiredMM, e.sized.Governs
		warnings = append(slices.Clip(warnings), e.sized.Warnings...)
	}
	for _, w := range warnings {
		if !slices.Contains(row.Warnings, w.Code) {
			row.Warnings = append(row.Warnings, w.Code)
		}
	}
	of := func(value, base decimal.Decimal) *Fixed { return fixedOf(compare.Relative(value, base)) }
	d := &row.RelativePercent
	d.Thickness, d.CradleToGate = of(r.ThicknessMM.Decimal, base.ThicknessMM.Decimal), of(r.Carbon.CradleToGateKgCO2ePerM2.Decimal, base.Carbon.CradleToGateKgCO2ePerM2.Decimal)
	if sameCover {
		d.TotalCarbon = of(r.Carbon.TotalKgCO2ePerM2.Decimal, base.Carbon.TotalKgCO2ePerM2.Decimal)
	}
	if c, b := r.Cost, base.Cost; c != nil {
		d.Initial, d.MaintenancePresentValue, d.ResidualValue = of(c.InitialPerM2.Decimal, b.InitialPerM2.Decimal), of(c.MaintenancePresentValuePerM2.Decimal, b.MaintenancePresentValuePerM2.Decimal), of(c.ResidualValuePerM2.Decimal, b.ResidualValuePerM2.Decimal)
		d.NetPresentValue, d.EquivalentAnnual = of(c.NetPresentValuePerM2.Decimal, b.NetPresentValuePerM2.Decimal), of(c.EquivalentAnnualPerM2.Decimal, b.EquivalentAnnualPerM2.Decimal)
		row.InitialPerM2, row.MaintenancePresentValuePerM2, row.ResidualValuePerM2 = &c.InitialPerM2, &c.MaintenancePresentValuePerM2, &c.ResidualValuePerM2
		row.NetPresentValuePerM2, row.EquivalentAnnualPerM2 = &c.NetPresentValuePerM2, &c.EquivalentAnnualPerM2
	}
	return row
}

// sizing is a thickness that was solved, or why not.
type sizing struct {
	result *ThicknessResult
	faults []fault.Fault
}

// sizeOnce sizes the slab. Alternatives that are known to have the same design
// share its solution.
func (e *evaluated) sizeOnce(d ThicknessDesign, at fault.Path) *ThicknessResult {
	known, solved := e.study.sizes[e.design]
	if e.design == "" || !solved {
		r := reader{}
		known.result = r.size(d, at, decimal.NullDecimal{}, false)
		known.faults = r.faults.All()
		if e.design != "" {
			e.study.sizes[e.design] = known
		}
	}
	e.faults.Append(known.faults...)
	return known.result
}

// shed lets go of what only lines need.
func (e *evaluated) shed() {
	if e.study.itemsToo {
		for _, it := range e.sources() {
			e.items = append(e.items, it.Code)
		}
	}
	e.bill, e.used, e.named, e.userCosts = nil, nil, nil, nil
	e.result.Carbon.Lines = nil
}
