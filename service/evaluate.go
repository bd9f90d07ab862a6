package service

import (
	"fmt"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/carbon"
	"slabledger/lca/cost"
	"slabledger/lca/fault"
	"slabledger/lca/mix"
	"slabledger/lca/num"
	"slabledger/lca/slab"
	"slabledger/lca/unit"
)

// study is what all alternatives of a request share.
type study struct {
	catalogue    *catalogue
	area         decimal.Decimal // m2
	period       int             // years
	service      *ServiceLevel
	economics    *Economics
	money        money
	factors      *cost.Factors  // nil without economics
	carbonPrices *carbonPrices  // nil where carbon has no price
	strategies   map[string]int // by name; nil where a request has none
	plans        []Strategy
	lives        string                // how unequal lives are compared; empty where they are not
	over         map[int]*cost.Factors // by years, where lives are compared by the year
	brief        bool                  // totals are wanted, no lines
	checkOnly    bool                  // faults are wanted, no result
	itemsToo     bool                  // with brief: the items behind the totals are wanted too
	zeroToo      bool                  // an amount or a distance may be zero, as at the end of a range
	traced       bool                  // how each amount came about is wanted
	tells        bool                  // progress, by alternative: it is all that the request asks for

	requirements DataRequirements
	allocated    map[*entry]decimal.Decimal // main factors by the allocation that is asked for
	sizes        map[string]sizing          // by resolved.design
	limits       []limit                    // of a procurement
	named        []*entry                   // by the request as a whole, which no figure may rest on
}

// evaluated is one alternative between reading and printing.
type evaluated struct {
	resolved
	reader
	study *study

	sized                   *ThicknessResult // where a method sizes the slab
	takeoff                 slab.Takeoff
	laneWidth, jointSpacing decimal.NullDecimal // m
	listed                  []Constituent       // how the parts of the proportions are given
	solved                  []string            // what was open: items, or members of the ratios
	airKnown                bool                // the air was given or measured
	proportions             mix.Proportions
	proportioned            bool // the proportions are known; else they have a fault
	stages                  []mix.StageResult
	mixers                  []string
	solids                  []decimal.NullDecimal
	waste                   decimal.Decimal
	bill                    *slab.Builder
	period                  int // years that are studied
	factors                 *cost.Factors
	life                    int  // of the slab, in years, where lives are compared; else 0
	rehabilitated           bool // something is renewed in the period
	planned                 bool // a maintenance plan is given
	strategy                string
	planAt                  fault.Path // where it is written
	userCosts               []cost.Flow
	strength                decimal.NullDecimal // compressive, of the concrete as specified, Pa
	lives                   []activityLife
	uptake                  carbonation // where the request asks for it
	result                  Result
	items                   []string // behind the totals, where the study wants them
	covers                  []string
	used                    map[string]*entry
}

// Limits of the analysis period, in years (common practice, no source).
const (
	minPeriod = 1
	maxPeriod = 100
)

// readStudy reads what the alternatives share.
func readStudy(c *catalogue, fu FunctionalUnit, eco *Economics, overrides []FigureOverride, faults *fault.List) *study {
	if c = c.overriddenBy(overrides); c.overriding != nil {
		faults.Append(c.overriding.faults.All()...)
	}
	s := &study{catalogue: c, period: fu.AnalysisPeriodYears, service: fu.Service, economics: eco, lives: fu.UnequalLives}
	r := reader{catalogue: c}
	at := fault.Path("/functional_unit")
	if area, ok := r.required(fu.Area, "7300 m2", at.At("area"), unit.Area); ok {
		s.area = area.SI()
	}
	if s.period < minPeriod || s.period > maxPeriod {
		r.faults.Add(at.At("analysis_period_years"), "out-of-range", "%d years; accepted: %d to %d", s.period, minPeriod, maxPeriod)
	}
	if s.lives != "" && s.lives != LivesCommonPeriod && s.lives != LivesAnnualEquivalent {
		r.faults.Add(at.At("unequal_lives"), "not-in-list", "%q: accepted: %s, %s", short(s.lives), LivesCommonPeriod, LivesAnnualEquivalent)
	}
	r.serviceLevel(fu.Service, at.At("service"))
	if eco != nil {
		s.readMoney(eco, &r)
		s.readCarbonPrice(eco.CarbonPrice, &r.faults)
		if r.faults.Empty() {
			var err error
			if s.factors, err = cost.NewScheduledFactors(s.money.schedule, s.period); err != nil {
				r.faults.Add("/economics", "out-of-range", "%v", err)
			}
		}
	}
	s.named = append(s.named, r.named...)
	if c.overriding != nil {
		s.named = append(s.named, c.overriding.entries...)
	}
	faults.Append(r.faults.All()...)
	return s
}

// read turns one alternative into flows. What is wrong gathers in its faults.
func (s *study) read(a resolved) *evaluated {
	e := &evaluated{resolved: a, study: s, reader: reader{catalogue: s.catalogue}}
	e.readLife()
	e.bill = slab.NewBuilder(e.transportRules())
	e.bill.Traced = s.traced
	e.readSlab()
	e.readMix()
	e.serviceLevel(a.Service, a.at.At("service"))
	e.readSpecified()
	// What has a fault so far is left out of the amounts; nothing is computed then,
	// and the rest is read all the same, so that all faults are told.
	if e.Slab != nil {
		e.products()
	}
	e.operations()
	e.readCarbonation()
	e.faults.Append(e.bill.Faults.All()...)
	e.unusual()
	return e
}

// unusual warns of dimensions outside what is built (common practice, no source):
// a slip of the pen more often than a design.
func (e *evaluated) unusual() {
	if e.Slab == nil || e.takeoff.Concrete.IsZero() {
		return
	}
	at := e.at.At("slab")
	for _, d := range []struct {
		member    string
		value     decimal.NullDecimal // m
		low, high int64               // mm
	}{
		{"thickness", decimal.NewNullDecimal(e.takeoff.Concrete), 100, 500},
		{"lane_width", e.laneWidth, 2000, 6000},
		{"joints/spacing", e.jointSpacing, 1000, 10000},
	} {
		if mm := d.value.Decimal.Shift(3); d.value.Valid && (mm.LessThan(decimal.New(d.low, 0)) || mm.GreaterThan(decimal.New(d.high, 0))) {
			e.warnings.Add(at+fault.Path("/"+d.member), "unusual-value", "%s of %s mm is unusual; usual is %d to %d mm (common practice, no source)", strings.ReplaceAll(d.member, "/", " "), mm, d.low, d.high)
		}
	}
}

// warnUnusedRules warns of a transport rule that moves nothing in any of the
// alternatives that have it, on the one that wrote it.
func warnUnusedRules(all []*evaluated, locate func(fault.Path) fault.Path) {
	if !slices.ContainsFunc(all, func(e *evaluated) bool { return slices.Contains(e.bill.Used, false) }) {
		return
	}
	used := map[fault.Path]bool{}
	each := func(do func(e *evaluated, i int, written fault.Path)) {
		for _, e := range all {
			for i := range e.Transport {
				do(e, i, locate(e.at.At("transport", i)))
			}
		}
	}
	each(func(e *evaluated, i int, written fault.Path) { used[written] = used[written] || e.bill.Used[i] })
	each(func(e *evaluated, i int, written fault.Path) {
		if rule := e.Transport[i]; !used[written] {
			used[written] = true
			e.warnings.Add(written, "transport-rule-unused", "the rule for %s to the %s moves nothing", rule.Item+rule.Category, rule.To)
		}
	})
}

var transportGroups = []string{groupBinder, groupConcrete, groupWaste}

func (e *evaluated) transportRules() []slab.Rule {
	rules := make([]slab.Rule, len(e.Transport))
	for i, t := range e.Transport {
		at := e.at.At("transport", i)
		rule := slab.Rule{Item: t.Item, Category: t.Category, To: t.To, Leg: slab.Leg{Reason: t.Reason, At: at}}
		switch {
		case (t.Item == "") == (t.Category == ""):
			e.faults.Add(at, "one-of", "a transport rule names either an item or a category")
		case t.Item != "":
			e.item(t.Item, at.At("item"))
		case !slices.Contains(inventory.Categories(), inventory.Category(t.Category)) && !slices.Contains(transportGroups, t.Category):
			e.faults.Add(at.At("category"), "not-in-list", "no category %q; accepted: those of the inventory, and %s", short(t.Category), strings.Join(transportGroups, ", "))
		}
		if t.Transport != "" {
			if t.Mode != "" || t.Distance != "" {
				e.faults.Add(at, "one-of", "a transport is either declared included, or has a mode and a distance")
			}
		} else {
			if mode := e.itemOf(t.Mode, at.At("mode"), "t.km"); mode != nil {
				rule.Mode = &mode.Item
			}
			read := e.required
			if e.takesZero() {
				read = e.zeroOrMore
			}
			if q, ok := read(t.Distance, "35 km", at.At("distance"), unit.Length); ok {
				rule.Distance = q.SI().Shift(-3)
			}
		}
		rules[i] = rule
	}
	return rules
}

func (e *evaluated) readSlab() {
	at := e.at.At("slab")
	if e.Slab == nil {
		e.faults.Add(at, "required-member-missing", "a slab needs at least its thickness")
		e.takeoff.HasJoints = true // so that no work is blamed for the lack
		return
	}
	rec := record{what: "slab"}
	length := func(text, like string, at fault.Path) decimal.NullDecimal {
		q, ok := e.required(text, like, at, unit.Length)
		if !ok {
			return decimal.NullDecimal{}
		}
		e.keep(&rec, q, at)
		return decimal.NewNullDecimal(q.SI())
	}
	g := slab.Geometry{At: at}
	before := e.faults.Len()
	if d := e.Slab.Thickness.Design; d != nil {
		if e.sized = e.sizeOnce(*d, at.At("thickness")); e.sized != nil {
			g.Thickness = e.sized.ThicknessMM.Shift(-3)
		}
		e.doubtDesign(d, at)
	} else {
		g.Thickness = length(e.Slab.Thickness.Given, "240 mm", at.At("thickness")).Decimal
	}
	if e.Slab.LaneWidth != "" {
		g.LaneWidth = length(e.Slab.LaneWidth, "3.65 m", at.At("lane_width"))
	}
	if j := e.Slab.Joints; j != nil {
		at := at.At("joints")
		g.JointSpacing = length(j.Spacing, "4.5 m", at.At("spacing"))
		if j.Dowel != "" {
			g.DowelSpacing = length(j.DowelSpacing, "300 mm", at.At("dowel_spacing"))
		}
		if j.TieBar != "" {
			g.TieBarSpacing = length(j.TieBarSpacing, "760 mm", at.At("tie_bar_spacing"))
		}
	}
	for i, l := range e.Slab.Layers {
		length(l.Thickness, "150 mm", at.At("layers", i, "thickness"))
	}
	if w := e.Slab.Waste; w != nil {
		e.waste = e.fraction(w.Concrete, at.At("waste", "concrete"))
		if e.waste.GreaterThanOrEqual(maxWaste) {
			e.faults.Add(at.At("waste", "concrete"), "out-of-range", "%q of the concrete wasted; accepted: less than %s %%", short(w.Concrete), maxWaste.Mul(num.Hundred))
		}
	}
	e.laneWidth, e.jointSpacing = g.LaneWidth, g.JointSpacing
	if e.faults.Len() == before {
		var faults fault.List
		e.takeoff, faults = slab.TakeOff(g)
		e.faults.Append(faults.All()...)
	}
	e.takeoff.HasJoints = e.Slab.Joints != nil
}

// doubtDesign warns of what the design of a slab counts on that differs from it.
func (e *evaluated) doubtDesign(d *ThicknessDesign, at fault.Path) {
	if e.sized != nil {
		for _, w := range e.sized.Warnings {
			if w.Code == "unusual-strength" || w.Code == "strength-not-as-wanted" {
				e.warnings.Add(fault.Path(w.Pointer), w.Code, "%s", w.Message)
			}
		}
	}
	if built := e.Slab.Joints != nil && e.Slab.Joints.Dowel != ""; built != d.Edge.Dowels {
		e.warnings.Add(at.At("thickness", "edge", "dowels"), "edge-differs", "the thickness is sized for joints with dowels: %t; the slab is built with dowels: %t", d.Edge.Dowels, built)
	}
	if d.Soil.Base != nil && len(e.Slab.Layers) == 0 {
		e.warnings.Add(at.At("thickness", "soil", "base"), "base-not-counted", "the thickness counts on a base, which is in no quantity, carbon or cost here: give it in layers")
	}
	if d.Edge.ConcreteShoulder {
		e.warnings.Add(at.At("thickness", "edge", "concrete_shoulder"), "shoulder-not-counted", "the thickness counts on a tied concrete shoulder, whose concrete is in no quantity, carbon or cost here")
	}
}

// maxConstituents of one mix, with those that alternatives add along a chain.
const maxConstituents = 80

// maxWaste guards against a slip (common practice, no source: 1 to 5 %).
var maxWaste = decimal.New(5, -1)

var roles = map[inventory.Category]mix.Role{
	inventory.Cement: mix.Cement, inventory.SCM: mix.SCM, inventory.Aggregate: mix.Aggregate,
	inventory.Water: mix.Water, inventory.Fibre: mix.Fibre, inventory.Admixture: mix.Admixture,
}

func (e *evaluated) readMix() {
	at := e.at.At("mix")
	if e.Mix == nil {
		e.faults.Add(at, "required-member-missing", "an alternative needs a mix with its constituents")
		return
	}
	read := e.readDesign
	if e.Mix.ByRatio != nil {
		read = e.readRatios
	}
	if e.Mix.Air == "" && (e.Mix.ByRatio == nil || e.Mix.ByRatio.Air == "") {
		e.bill.Assumptions.Add(at.At("air"), "air-none", "the mix states no air content, so it is taken to have none")
	}
	d, ok := read(at)
	if ok {
		d.NoneToo = e.takesZero()
		e.proportion(d)
	}
	e.readConcrete(at)
}

// readDesign reads proportions by mass; false where a fault was found.
func (e *evaluated) readDesign(at fault.Path) (mix.Design, bool) {
	before := e.faults.Len()
	if n := len(e.Mix.Constituents); n > maxConstituents {
		e.faults.Add(at.At("constituents"), "too-many", "%d constituents with those that are added; at most %d", n, maxConstituents)
		return mix.Design{}, false
	}
	d := mix.Design{At: at}
	rec := record{what: "mix"}
	if e.Mix.Air != "" {
		d.Air = e.fraction(e.Mix.Air, at.At("air"))
	}
	d.Absorbed = e.absorbed(&rec, at)
	for i, c := range e.Mix.Constituents {
		at := e.constituentsAt[i]
		basis, value, system := e.amount(c.Amount, at.At("amount"))
		if rec.system != unit.Neutral && system != unit.Neutral && rec.system != system {
			e.faults.Add(at.At("amount"), "unit-system-mixed", "%s is in %s units while the absorbed water is in %s units", c.Item, system, rec.system)
		}
		part := e.material(c.Item, at, at.At("item"))
		part.Basis, part.Value, part.System = basis, value, system
		d.Constituents = append(d.Constituents, part)
	}
	e.listed = e.Mix.Constituents
	return d, e.faults.Len() == before
}

// absorbed reads the part of the water that the aggregate takes up, in kg/m3.
func (e *evaluated) absorbed(rec *record, at fault.Path) decimal.Decimal {
	if e.Mix.AbsorbedWater == "" {
		return decimal.Zero
	}
	q, ok := e.quantity(e.Mix.AbsorbedWater, at.At("absorbed_water"), unit.Density)
	if !ok {
		return decimal.Zero
	}
	e.keep(rec, q, at.At("absorbed_water"))
	return q.SI()
}

// material is a constituent by its item, still without an amount. named is the
// member that names the item.
func (e *evaluated) material(code string, at, named fault.Path) mix.Constituent {
	part := mix.Constituent{Item: code, At: at}
	it := e.item(code, named)
	if it == nil {
		return part
	}
	role, ok := roles[it.inventory.Category]
	if !ok {
		e.faults.Add(named, "category-mismatch", "%s is a %s, which is no constituent of concrete", it.Code, it.Category)
	}
	part.Role, part.Density = role, it.Density
	if it.inventory.Solids.Valid {
		part.Solids = decimal.NewNullDecimal(it.inventory.Solids.Decimal.Shift(-2))
	}
	return part
}

// proportion solves a design; false where it has faults.
func (e *evaluated) proportion(d mix.Design) bool {
	for _, c := range d.Constituents {
		e.solids = append(e.solids, c.Solids)
	}
	var warnings, faults fault.List
	e.proportions, warnings, faults = mix.Proportion(d)
	e.warnings.Append(warnings.All()...)
	e.faults.Append(faults.All()...)
	e.proportioned = faults.Empty()
	return e.proportioned
}

// readConcrete joins the mix with its mixing, transport and waste. Where the
// proportions have a fault the amounts are zero, and serve to find more faults.
func (e *evaluated) readConcrete(at fault.Path) {
	materials := e.materials()
	energy := e.production(at)
	energy = append(energy, e.mixing(at)...)
	var disposal *slab.Item
	if e.waste.IsPositive() {
		pointer := e.at.At("slab", "waste", "disposal")
		switch {
		case e.Slab.Waste.Disposal != "":
			if it := e.itemOf(e.Slab.Waste.Disposal, pointer, "t", "kg"); it != nil {
				disposal = &it.Item
			}
		case e.catalogue.disposal != nil:
			disposal = &e.catalogue.disposal.Item
			e.bill.Assumptions.Add(pointer, "default-disposal", "wasted concrete goes to %s, the inventory's default", disposal.Code)
		default:
			e.faults.Add(pointer, "required-member-missing", "say where wasted concrete goes; the inventory has no default for it")
		}
	}
	waste := e.waste
	if disposal == nil {
		waste = decimal.Zero // or it has a fault
	}
	e.bill.AddConcrete(e.takeoff, materials, energy, waste, disposal, e.proportions.Density, e.at)
}

// materials lists the constituents as proportioned.
func (e *evaluated) materials() []slab.Material {
	list := make([]slab.Material, 0, len(e.listed))
	for i, c := range e.listed {
		it := e.catalogue.entries[c.Item]
		if it == nil {
			continue // which is a fault
		}
		m := slab.Material{Item: &it.Item, Included: c.Transport != "", Reason: c.Reason, At: e.constituentsAt[i]}
		if e.proportioned {
			m.Mass = e.proportions.Parts[i].Mass
		}
		list = append(list, m)
	}
	return list
}

// production reads what making the concrete uses, per m3.
func (e *evaluated) production(at fault.Path) []slab.Energy {
	var list []slab.Energy
	for i, p := range e.Mix.Production {
		at := at.At("production", i)
		it := e.itemOf(p.Item, at.At("item"), "kWh", "MJ", "L")
		if it == nil {
			continue
		}
		kind, like := unit.EnergyPerVolume, "3 kWh/m3"
		if it.Unit == "L" {
			kind, like = unit.VolumePerVolume, "0.4 L/m3"
		}
		q, ok := e.required(p.Amount, like, at.At("amount"), kind)
		if !ok {
			continue
		}
		amount, err := q.In(it.Unit + "/m3")
		if err != nil {
			e.faults.Add(at.At("amount"), "unit-incompatible", "%v", err)
			continue
		}
		list = append(list, slab.Energy{Item: &it.Item, Amount: num.Amount(amount), Use: "production", At: at})
	}
	return list
}

// defaultMinutes of mixing, where the request names neither stages nor
// production (common practice, no source).
const defaultMinutes = 2

// mixing reads the stages, or puts the inventory's default mixer in their place.
func (e *evaluated) mixing(at fault.Path) []slab.Energy {
	stages := e.Mix.Stages
	if len(stages) == 0 {
		if len(e.Mix.Production) > 0 {
			return nil
		}
		m := e.catalogue.mixing
		if m == nil {
			e.faults.Add(at.At("stages"), "required-member-missing", "say how the concrete is made, as \"stages\" or as \"production\"; the inventory has no default mixer")
			return nil
		}
		stages = []Stage{{Name: "mixing", Mixer: m.Code, Minutes: defaultMinutes, Takes: Takes{Rest: true}}}
		own := *e.Mix // combinations of a search share the one that was read
		own.Stages = stages
		e.Mix = &own
		e.bill.Assumptions.Add(at.At("stages"), "default-mixing", "the mix names no stages: all of it is mixed for %d minutes in %s, the inventory's default mixer", defaultMinutes, m.Code)
	}
	before := e.faults.Len()
	read := make([]mix.Stage, len(stages))
	mixers := make([]*entry, len(stages))
	names := map[string]bool{}
	for i, s := range stages {
		at := at.At("stages", i)
		if names[s.Name] {
			e.faults.Add(at.At("name"), "duplicate-name", "two stages have the name %q", short(s.Name))
		}
		names[s.Name] = true
		read[i], mixers[i] = e.stage(s, at)
	}
	if e.faults.Len() > before || !e.proportioned {
		return nil
	}
	var faults fault.List
	e.stages, faults = mix.Split(e.proportions, read, e.solids)
	e.faults.Append(faults.All()...)
	if !faults.Empty() {
		return nil
	}
	energy := make([]slab.Energy, len(stages))
	for i, s := range e.stages {
		e.mixers = append(e.mixers, mixers[i].Code)
		energy[i] = mixerEnergy(mixers[i], s, at.At("stages", i, "mixer"))
	}
	return energy
}

func mixerEnergy(mixer *entry, s mix.StageResult, at fault.Path) slab.Energy {
	return slab.Energy{Item: &mixer.Item, Amount: s.MixerHours, Use: "mixing, " + s.Name, At: at}
}

// stage reads one stage with its mixer, which is nil where it is none.
func (e *evaluated) stage(s Stage, at fault.Path) (mix.Stage, *entry) {
	read := mix.Stage{Name: s.Name, Minutes: s.Minutes, Rest: s.Takes.Rest, At: at}
	if s.Minutes < 1 {
		e.faults.Add(at.At("minutes"), "out-of-range", "a stage takes at least 1 minute")
	}
	mixer := e.itemOf(s.Mixer, at.At("mixer"), "h")
	if mixer != nil {
		if v := mixer.inventory.BatchVolume; v.Valid {
			read.BatchVolume = v.Decimal
		} else {
			e.faults.Add(at.At("mixer"), "batch-volume-missing", "the inventory gives no batch volume for %s, so minutes do not become hours per m3", s.Mixer)
		}
	}
	for k, t := range s.Takes.List {
		read.Takes = append(read.Takes, e.take(t, at.At("takes", k)))
	}
	return read, mixer
}

func (e *evaluated) take(t Take, at fault.Path) mix.Take {
	take := mix.Take{At: at}
	if (t.Item == "") == (t.Category == "") {
		e.faults.Add(at, "one-of", "a take names either an item or a category")
		return take
	}
	complete := true
	for i, c := range e.listed {
		it := e.catalogue.entries[c.Item]
		complete = complete && it != nil
		if c.Item == t.Item || (t.Category != "" && it != nil && slices.Contains(it.Groups, t.Category)) {
			take.Indexes = append(take.Indexes, i)
		}
	}
	if len(take.Indexes) == 0 && complete {
		e.faults.Add(at, "constituent-unknown", "the mix has no constituent %q", short(t.Item+t.Category))
	}
	switch {
	case (t.Share == "") == (t.WaterBinderRatio == ""):
		e.faults.Add(at, "one-of", "a take has either a share, such as \"25 %%\", or a water_binder_ratio, such as \"0.30\"")
	case t.Share != "":
		take.Value = e.fraction(t.Share, at.At("share"))
	default:
		take.ByRatio = true
		take.Value = e.decimal(t.WaterBinderRatio, at.At("water_binder_ratio"))
	}
	return take
}

// products reads what is built in beside the concrete.
func (e *evaluated) products() {
	at := e.at.At("slab")
	add := func(code, use string, amount decimal.Decimal, at fault.Path, units ...string) {
		if it := e.itemOf(code, at, units...); it != nil {
			e.bill.AddProduct(&it.Item, amount, use, false, "", at)
		}
	}
	if j := e.Slab.Joints; j != nil {
		at := at.At("joints")
		if j.Dowel != "" {
			add(j.Dowel, "dowels of transverse joints", e.takeoff.Dowels, at.At("dowel"), "each")
		}
		if j.TieBar != "" {
			add(j.TieBar, "tie bars of longitudinal joints", e.takeoff.TieBars, at.At("tie_bar"), "each")
		}
		if j.Sealant != "" {
			add(j.Sealant, "joint sealing", e.takeoff.Joint, at.At("sealant"), "m")
		}
	}
	for i, l := range e.Slab.Layers {
		at := at.At("layers", i)
		it := e.item(l.Item, at.At("item"))
		if it == nil {
			continue
		}
		q, _ := e.quantity(l.Thickness, at.At("thickness"), unit.Length)
		amount, ok := it.FromVolume(si(q))
		if !ok {
			e.faults.Add(at.At("item"), "density-missing", "%s is declared per %s, and the inventory has no density to convert a layer's volume", it.Code, it.Unit)
			continue
		}
		e.bill.AddProduct(&it.Item, amount, fmt.Sprintf("layer %d, %s", i+1, l.Thickness), l.Transport != "", l.Reason, at.At("item"))
	}
	if e.Slab.Curing != "" {
		add(e.Slab.Curing, "curing", num.One, at.At("curing"), "m2")
	}
}

const endOfLifeUnpriced = "the end of life is counted in carbon only"

// operations reads construction, maintenance and end of life.
func (e *evaluated) operations() {
	density := e.proportions.Density
	for i, o := range e.Construction {
		at := e.at.At("construction", i)
		if it := e.item(o.Item, at.At("item")); it != nil {
			e.bill.AddOperation(&it.Item, "", e.takeoff, density, e.share(o.Share, at), "A5", "construction", 0, "", at.At("item"))
			e.userCost(o.UserCost, it.Code, "construction", 0, at)
		}
	}
	e.maintain()
	for i, o := range e.EndOfLife {
		at := e.at.At("end_of_life", i)
		it := e.item(o.Item, at.At("item"))
		if it == nil {
			continue
		}
		factor := ""
		if _, own := it.inventory.Factors[o.Module]; own || o.Module == "D" {
			factor = o.Module
		}
		e.bill.AddOperation(&it.Item, factor, e.takeoff, density, e.share(o.Share, at), o.Module, "end of life", e.period, endOfLifeUnpriced, at.At("item"))
	}
	e.renew()
}

// asked is the source of a figure that the request itself gives: the pointer
// within the alternative, so that the order of alternatives changes nothing.
func (e *evaluated) asked(at fault.Path) string {
	return "request" + strings.TrimPrefix(string(at), string(e.at))
}

// gaps lists every factor and price that a flow needs and the inventory lacks.
func (e *evaluated) gaps() {
	type gap struct{ item, what string }
	seen := map[gap]bool{}
	miss := func(f slab.Flow, what, format string, args ...any) {
		if g := (gap{f.Item.Code, what}); !seen[g] {
			seen[g] = true
			e.faults.Add(f.At, what+"-missing", format, args...)
		}
	}
	for _, f := range e.bill.Flows {
		it := e.catalogue.of(&f)
		if _, ok := e.study.factor(it, f.Factor); !ok {
			miss(f, "factor", "%s has no emission factor %s in %s (needed for: %s)", it.Code, f.Factor, e.catalogue.ref.Ref, f.Use)
		}
		if e.factors != nil && f.Unpriced == "" && it.inventory.Price == nil {
			miss(f, "price", "%s has no price in %s (needed for: %s)", it.Code, e.catalogue.ref.Ref, f.Use)
		}
	}
}

// compute values the flows of an alternative that has no faults.
func (e *evaluated) compute() error {
	r := &e.result
	*r = Result{Name: e.Name, Strategy: e.strategy, Resolved: e.Alternative}
	r.Life = e.printLife()
	r.ThicknessMM, r.ThicknessDesign = Plain{e.takeoff.Concrete.Shift(3)}, e.sized
	e.used = map[string]*entry{}
	for _, it := range e.named {
		e.use(it)
	}
	e.printMix()
	e.printTakeoff()
	e.printQuantities()
	e.printConcrete()
	e.printCarbon()
	if e.factors != nil {
		if err := e.printCost(); err != nil {
			return err
		}
	}
	e.checkConsistency()
	r.Assumptions = statements(e.bill.Assumptions.All())
	r.Warnings = statements(e.warnings.All())
	if e.study.brief {
		return nil
	}
	var err error
	r.Chain, err = chainOf(r)
	return err
}

// use notes an item that figures rest on, and the items of its recipe.
func (e *evaluated) use(it *entry) {
	if e.used[it.Code] != nil {
		return
	}
	e.used[it.Code] = it
	for _, part := range it.inventory.Recipe {
		e.use(e.catalogue.entries[part.Item])
	}
}

func statements(list []fault.Fault) []Statement {
	out := make([]Statement, len(list))
	for i, f := range list {
		out[i] = Statement{Code: f.Code, Message: f.Detail, Pointer: string(f.Pointer)}
	}
	return out
}

func amountOf(d decimal.NullDecimal) *Amount {
	if !d.Valid {
		return nil
	}
	return &Amount{d.Decimal}
}

func plainOf(d decimal.NullDecimal) *Plain {
	if !d.Valid {
		return nil
	}
	return &Plain{d.Decimal}
}

func fixedOf(d decimal.NullDecimal) *Fixed {
	if !d.Valid {
		return nil
	}
	return &Fixed{d.Decimal}
}

func (e *evaluated) printMix() {
	p := e.proportions
	m := MixResult{
		AirPercent:                Plain{p.Air.Shift(2)},
		FreshDensityKgPerM3:       Amount{p.Density},
		BinderKgPerM3:             Amount{p.Binder},
		TotalWaterKgPerM3:         Amount{p.TotalWater},
		AdmixtureWaterKgPerM3:     Amount{p.AdmixtureWater},
		AbsorbedWaterKgPerM3:      Amount{p.Absorbed},
		EffectiveWaterKgPerM3:     Amount{p.EffectiveWater},
		EffectiveWaterCementRatio: amountOf(p.WaterCement),
		EffectiveWaterBinderRatio: amountOf(p.WaterBinder),
		Stages:                    []StageResult{},
	}
	if p.VolumeKnown {
		m.AbsoluteVolumeM3PerM3 = &Amount{p.Volume}
	}
	for i, part := range p.Parts {
		c := ConstituentResult{Item: part.Item, MassKgPerM3: Amount{part.Mass}, GivenAs: e.listed[i].Amount}
		if part.Volume.Valid {
			c.VolumeLPerM3 = &Amount{part.Volume.Decimal.Shift(3)}
		}
		m.Constituents = append(m.Constituents, c)
	}
	for i, s := range e.stages {
		st := StageResult{Name: s.Name, Mixer: e.mixers[i], Minutes: s.Minutes, VolumeM3PerM3: Amount{s.Volume},
			MixerHPerM3: Amount{s.MixerHours}, WaterBinderRatio: amountOf(s.WaterBinder)}
		for k, mass := range s.Masses {
			if !mass.IsZero() {
				st.Constituents = append(st.Constituents, StageAmount{Item: p.Parts[k].Item, MassKgPerM3: Amount{mass}})
			}
		}
		m.Stages = append(m.Stages, st)
	}
	e.result.Mix = m
}

func (e *evaluated) printTakeoff() {
	t := e.takeoff
	r := TakeoffResult{ConcreteM3PerM2: Amount{t.Concrete}}
	if t.HasJoints {
		r.TransverseJointMPerM2, r.LongitudinalJointMPerM2, r.PanelsPerM2 = &Amount{t.TransverseJoint}, &Amount{t.LongitudinalJoint}, &Amount{t.Panels}
		if t.DowelsPerJoint > 0 {
			r.DowelsPerTransverseJoint = &t.DowelsPerJoint
		}
		if t.TieBarsPerPanel > 0 {
			r.TieBarsPerPanel = &t.TieBarsPerPanel
		}
	}
	e.result.Takeoff = r
}

func (e *evaluated) printQuantities() {
	if e.study.brief {
		for i := range e.bill.Flows {
			e.use(e.catalogue.of(&e.bill.Flows[i]))
		}
		return
	}
	area := e.study.area
	q := make([]Quantity, 0, len(e.bill.Flows)+1)
	q = append(q, Quantity{Item: "concrete", Use: "slab", Amount: Amount{e.takeoff.Concrete}, Unit: "m3/m2",
		ForArea: Amount{e.takeoff.Concrete.Mul(area)}, AreaUnit: "m3", Source: e.asked(e.at.At("mix"))})
	for _, f := range e.bill.Flows {
		it := e.catalogue.of(&f)
		e.use(it)
		if f.Factor == slab.FactorA2 || f.Factor == slab.FactorA4 {
			continue // the same amount again, looked at for its own transport
		}
		q = append(q, Quantity{Item: it.Code, Use: f.Use, Year: f.Year, Amount: Amount{f.Amount}, Unit: it.perM2,
			ForArea: Amount{num.AmountOf(f.Amount, area)}, AreaUnit: it.Unit, Source: it.source})
	}
	e.result.Quantities = q
}

func (e *evaluated) printConcrete() {
	var c Concrete
	if !e.study.brief {
		c.Lines = make([]ConcreteLine, 0, len(e.bill.Concrete))
	}
	var a1, a2, a3, a4, a5, money num.Total
	for _, f := range e.bill.Concrete {
		it := e.catalogue.of(&f)
		factor, _ := e.study.factor(it, f.Factor) // gaps has found it
		line := concreteLine(e.Name, it, f, factor, e.factors != nil)
		gwp := line.GWPKgCO2ePerM3.Decimal
		switch f.Module {
		case "A1":
			a1.Add(gwp)
		case "A2":
			a2.Add(gwp)
		case "A3":
			a3.Add(gwp)
		case "A4":
			a4.Add(gwp)
		case "A5":
			a5.Add(gwp)
		}
		if line.CostPerM3 != nil && line.Stage == "A1-A3" {
			money.Add(line.CostPerM3.Decimal)
		}
		if !e.study.brief {
			c.Lines = append(c.Lines, line)
		}
	}
	c.GWPKgCO2ePerM3 = ConcreteModules{A1: Fixed{a1.Value()}, A2: Fixed{a2.Value()}, A3: Fixed{a3.Value()}, A1A3: Fixed{num.Sum(a1.Value(), a2.Value(), a3.Value())}, A4: Fixed{a4.Value()}, A5Waste: Fixed{a5.Value()}}
	if e.factors != nil {
		c.CostPerM3 = &Fixed{money.Value()}
	}
	e.result.Concrete = c
}

// concreteLine values a flow per m3 whose item has the factor and, where it is
// to be priced, the price.
func concreteLine(name string, it *entry, f slab.Flow, factor decimal.Decimal, priced bool) ConcreteLine {
	line := ConcreteLine{Alternative: name, Stage: carbon.Stage(f.Module), Module: f.Module, Item: it.Code, Use: f.Use,
		Amount: Amount{f.Amount}, Unit: it.perM3, Factor: Plain{factor}, FactorUnit: it.factorUnit,
		GWPKgCO2ePerM3: Fixed{carbon.Line(f.Amount, factor)}, Source: it.source}
	if priced && f.Unpriced == "" {
		price := it.inventory.Price.Amount
		line.Price, line.PriceUnit, line.CostPerM3 = &Plain{price}, it.priceUnit, &Fixed{num.LineOf(f.Amount, price)}
	}
	return line
}

// whyNot says why a module is not declared where the request asks nothing of it.
func whyNot(module string) string {
	switch module {
	case "A0":
		return "preliminary studies and works are not part of the request"
	case "A5":
		return "the request names no construction work and no waste"
	case "B1":
		return "emissions and uptake in use, such as carbonation, are not part of the request"
	case "B2", "B3", "B4", "B5":
		return "the request gives no maintenance plan"
	case "B6", "B7", "B8":
		return "energy, water and traffic in use are not part of the request"
	case "C1", "C2", "C3", "C4":
		return "the request names no process of this module in end_of_life"
	case "D":
		return "loads and benefits beyond the boundary are not part of the request"
	}
	return "not part of the request"
}

func (e *evaluated) printCarbon() {
	m := carbon.NewMatrix(whyNot)
	for _, module := range []string{"A1", "A2", "A3", "A4"} {
		m.Set(module, carbon.ZeroWithReason, "what the request declares for this module emits nothing of its own or is declared included")
	}
	if len(e.Construction) > 0 || e.Slab.Waste != nil {
		m.Set("A5", carbon.ZeroWithReason, "the request wastes nothing and its works emit nothing")
	}
	if e.planned {
		for _, module := range []string{"B2", "B3", "B4", "B5"} {
			m.Set(module, carbon.ZeroWithReason, "the maintenance plan has no activity of this module in the period")
		}
	}
	var c Carbon
	lines := !e.study.brief || e.study.carbonPrices != nil // which is paid line by line
	if lines {
		c.Lines = make([]CarbonLine, 0, len(e.bill.Flows))
	}
	for _, f := range e.bill.Flows {
		it := e.catalogue.of(&f)
		factor, _ := e.study.factor(it, f.Factor) // gaps has found it
		gwp := carbon.Line(f.Amount, factor)
		m.Add(f.Module, gwp)
		if !lines {
			continue
		}
		c.Lines = append(c.Lines, CarbonLine{Alternative: e.Name, Stage: carbon.Stage(f.Module), Module: f.Module, Item: it.Code, Use: f.Use, Year: f.Year,
			Amount: Amount{f.Amount}, Unit: it.perM2, Factor: Plain{factor}, FactorUnit: it.factorUnit, GWPKgCO2ePerM2: Fixed{gwp}, Source: it.source, FactorKey: f.Factor})
	}
	e.printCarbonation(&c, m)
	value := func(module string) *Fixed { return fixedOf(m.Value(module)) }
	c.Modules = CarbonModules{A0: value("A0"), A1A3: value("A1-A3"), A4: value("A4"), A5: value("A5"),
		B1: value("B1"), B2: value("B2"), B3: value("B3"), B4: value("B4"), B5: value("B5"), B6: value("B6"), B7: value("B7"), B8: value("B8"),
		C1: value("C1"), C2: value("C2"), C3: value("C3"), C4: value("C4"), D: value("D")}
	c.ModuleStates, c.NotDeclared = make([]ModuleState, 0, len(m.States)), make([]Limitation, 0, len(m.States))
	for _, s := range m.States {
		c.ModuleStates = append(c.ModuleStates, ModuleState{Module: s.Module, State: s.State, Reason: s.Reason})
		if !s.Known() {
			c.NotDeclared = append(c.NotDeclared, Limitation{Module: s.Module, Reason: s.Reason})
		}
	}
	for _, stage := range []struct{ name, from, to string }{
		{"product", "A1", "A3"}, {"construction process", "A4", "A5"}, {"use", "B1", "B8"}, {"end of life", "C1", "C4"}, {"beyond the boundary", "D", "D"},
	} {
		total, missing := m.Range(stage.from, stage.to)
		st := StageTotal{Stage: stage.name, Modules: stage.from + "-" + stage.to, GWPKgCO2ePerM2: fixedOf(total), DeclaredPart: Fixed{m.Declared(stage.from, stage.to)}}
		if stage.from == stage.to {
			st.Modules = stage.from
		}
		if len(missing) > 0 {
			st.Reason = "not declared: " + strings.Join(missing, ", ")
		}
		c.StageTotals = append(c.StageTotals, st)
	}
	total, covers := m.Total()
	e.covers = covers
	c.TotalKgCO2ePerM2, c.TotalCovers = Fixed{total}, covers
	if !e.study.brief {
		c.BySourceKind = bySourceKind(c.Lines, func(l CarbonLine) inventory.SourceKind {
			if l.Module == "B1" {
				return inventory.Assumption // the request's, on how fast concrete carbonates
			}
			return e.catalogue.entries[l.Item].factorSource(l.FactorKey).Kind
		}, total)
	}
	c.CradleToGateKgCO2ePerM2 = Fixed{m.Value("A1-A3").Decimal}
	c.BeyondBoundaryDKgCO2ePerM2 = value("D")
	c.TotalKgCO2eForArea = Fixed{total.Mul(e.study.area)}
	if e.waste.IsPositive() {
		if w, err := slab.WasteFactor(e.waste); err == nil {
			c.WasteFactor = &Plain{w}
		}
	}
	e.result.Carbon = c
	e.result.Limitations = c.NotDeclared
}

// checkConsistency warns of numbers of different kinds in one evaluation.
func (e *evaluated) checkConsistency() {
	if e.catalogue.ref.Invented {
		e.warnings.Add("/inventory", "invented-data", "prices and factors of %s are invented for demonstration", e.catalogue.ref.Ref)
	}
	if r, level := e.Residual, overlay(e.study.service, e.Service); r != nil && level.DesignLifeYears != nil && int64(r.LifeYears) > *level.DesignLifeYears {
		e.warnings.Add(e.at.At("residual", "life_years"), "life-beyond-design", "the residual value counts on a life of %d years, the service on a design life of %d", r.LifeYears, *level.DesignLifeYears)
	}
	if r := e.Residual; r != nil && r.LifeYears > 0 && r.LifeYears < e.period && e.life == 0 {
		e.warnings.Add(e.at.At("residual", "life_years"), "life-ends-in-period", "the residual value counts on a life of %d years, which ends before the %d years that are studied; nothing builds the slab anew but what the maintenance plan does: see unequal_lives", r.LifeYears, e.period)
	}
	if !e.proportions.VolumeKnown && len(e.stages) > 1 {
		e.warnings.Add(e.at.At("mix", "stages"), "stage-volume-incomplete", "constituents without a density are not in the volume of the stages, so mixer hours are too low")
	}
}

func groups(by map[string][]string) string {
	var parts []string
	for name, codes := range by {
		slices.Sort(codes)
		parts = append(parts, name+": "+strings.Join(codes, ", "))
	}
	slices.Sort(parts)
	return strings.Join(parts, "; ")
}

// takesZero tells that an amount or a distance may be zero; a mix check has no study.
func (e *evaluated) takesZero() bool { return e.study != nil && e.study.zeroToo }
