package service

import (
	"slices"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/carbon"
	"slabledger/lca/fault"
	"slabledger/lca/mix"
	"slabledger/lca/num"
	"slabledger/lca/slab"
	"slabledger/lca/unit"
)

// explainer builds the terms of figures of one comparison. What is asked for twice is
// one term.
type explainer struct {
	response    *ComparisonResponse
	evaluations []*evaluated
	locator     *locator
	terms       []Term
	known       map[string]int
	err         error
}

func newExplainer(body []byte, response *ComparisonResponse, evaluations []*evaluated) *explainer {
	all := make([]resolved, len(evaluations))
	for i, e := range evaluations {
		all[i] = e.resolved
	}
	return &explainer{response: response, evaluations: evaluations, locator: newLocator(body, all), known: map[string]int{}}
}

// once builds a term that may be asked for again.
func (x *explainer) once(key string, build func() int) int {
	if id, ok := x.known[key]; ok {
		return id
	}
	id := build()
	x.known[key] = id
	return id
}

func (x *explainer) push(t Term) int {
	operands := make([]decimal.Decimal, len(t.Operands))
	for i, o := range t.Operands {
		operands[i] = x.terms[o].Value.Decimal
	}
	v, err := t.Evaluate(operands)
	if err != nil && x.err == nil {
		x.err = err
	}
	t.ID, t.Value = len(x.terms), Plain{v}
	if t.Operands == nil {
		t.Operands = []int{}
	}
	x.terms = append(x.terms, t)
	return t.ID
}

func (x *explainer) given(name string, value decimal.Decimal, unit string, source TermSource) int {
	return x.push(Term{Name: name, Value: Plain{value}, Unit: unit, Operation: OpGiven, Rounding: RoundNone, Formula: "given", Source: &source})
}

func (x *explainer) made(name, unit, formula, operation, rounding string, operands ...int) int {
	if rounding == RoundNone && (operation == OpQuotient || operation == OpRoot) {
		rounding = RoundDigits
	}
	return x.push(Term{Name: name, Unit: unit, Formula: "docs/theory.md, " + formula, Operation: operation, Rounding: rounding, Operands: operands})
}

// constant is a number that a definition gives.
func (x *explainer) constant(value int64, unit, why string) int {
	return x.once("constant "+why, func() int {
		return x.given(why, decimal.New(value, 0), unit, TermSource{Definition: why})
	})
}

// asked is a value of the request, in the unit that is computed with.
func (x *explainer) asked(name string, value decimal.Decimal, unit string, at fault.Path) int {
	at = x.locator.locate(at)
	written := ""
	if x.locator.has(string(at)) {
		text, _ := follow(x.locator.document, string(at))
		written, _ = text.(string)
	}
	return x.once("asked "+string(at)+name, func() int {
		return x.given(name, value, unit, TermSource{Pointer: string(at), Written: written})
	})
}

// ofItem is a number of an item.
func (x *explainer) ofItem(it *entry, name string, value decimal.Decimal, unit, member string, document *inventory.Source) int {
	return x.once(it.source+" "+member, func() int {
		return x.given(name, value, unit, TermSource{Item: it.source, Member: member, Document: document})
	})
}

// result finds the figure at the steps of a pointer.
func (x *explainer) result(steps []string) (int, bool) {
	switch {
	case len(steps) > 2 && steps[0] == "alternatives":
		i, _ := strconv.Atoi(steps[1]) // the pointer leads somewhere
		a := &alternativeTerms{explainer: x, e: x.evaluations[i], r: &x.response.Alternatives[i], index: i}
		return a.figure(steps[2:])
	case len(steps) > 1 && steps[0] == "economics":
		return x.economics(steps[1:])
	case len(steps) == 5 && steps[1] == "unequal_lives" && steps[2] == "annual":
		i, _ := strconv.Atoi(steps[3])
		return x.byTheYear(x.response.Comparison.UnequalLives.Annual[i].Name, steps[4])
	case len(steps) == 5 && steps[1] == "deltas":
		return x.delta(steps[2], steps[3], steps[4])
	case len(steps) == 4 && steps[1] == "abatement" && steps[3] == "cost_per_t_co2e":
		i, _ := strconv.Atoi(steps[2])
		return x.abatement(x.response.Comparison.Abatement[i].Name), true
	}
	return 0, false
}

func (x *explainer) of(name string) *alternativeTerms {
	i := slices.IndexFunc(x.response.Alternatives, func(r Result) bool { return r.Name == name })
	return &alternativeTerms{explainer: x, e: x.evaluations[i], r: &x.response.Alternatives[i], index: i}
}

// deltaOf are the figures that are compared, by their name in a delta.
var deltaOf = map[string]string{
	"thickness_mm": "thickness_mm", "cradle_to_gate_kg_co2e_per_m2": "carbon/cradle_to_gate_kg_co2e_per_m2", "total_kg_co2e_per_m2": "carbon/total_kg_co2e_per_m2",
	"initial_per_m2": "cost/initial_per_m2", "maintenance_present_value_per_m2": "cost/maintenance_present_value_per_m2", "residual_value_per_m2": "cost/residual_value_per_m2",
	"net_present_value_per_m2": "cost/net_present_value_per_m2", "equivalent_annual_per_m2": "cost/equivalent_annual_per_m2",
}

func (x *explainer) delta(index, name, of string) (int, bool) {
	i, _ := strconv.Atoi(index)
	path := strings.Split(deltaOf[name], "/")
	own, ok := x.of(x.response.Comparison.Deltas[i].Name).figure(path)
	base, also := x.of(x.response.Comparison.Baseline).figure(path)
	if !ok || !also {
		return 0, false
	}
	if of == "absolute" {
		return x.made("difference from the baseline", x.terms[own].Unit, "Comparison: alternative - baseline", OpDifference, RoundLine, own, base), true
	}
	d := x.made("difference from the baseline", x.terms[own].Unit, "Comparison: alternative - baseline", OpDifference, RoundNone, own, base)
	hundred := x.made("difference, times a hundred", x.terms[own].Unit, "Comparison: in per cent of the baseline", OpProduct, RoundNone, d, x.constant(100, "%", "per cent"))
	return x.made("relative difference", "%", "Comparison: in per cent of the baseline", OpQuotient, RoundLine, hundred, base), true
}

func (x *explainer) abatement(name string) int {
	cost, _ := x.of(name).figure([]string{"cost", "net_present_value_per_m2"})
	base, _ := x.of(x.response.Comparison.Baseline).figure([]string{"cost", "net_present_value_per_m2"})
	gwp, _ := x.of(name).figure([]string{"carbon", "total_kg_co2e_per_m2"})
	baseGWP, _ := x.of(x.response.Comparison.Baseline).figure([]string{"carbon", "total_kg_co2e_per_m2"})
	const formula = "Comparison: extra cost per tonne saved"
	extra := x.made("extra net present value", x.terms[cost].Unit, formula, OpDifference, RoundNone, cost, base)
	perTonne := x.made("extra net present value, per thousand", x.terms[cost].Unit, formula, OpProduct, RoundNone, extra, x.constant(1000, "kg/t", "kg in a tonne"))
	saved := x.made("carbon saved", x.terms[gwp].Unit, formula, OpDifference, RoundNone, baseGWP, gwp)
	return x.made("cost of carbon saved", x.response.Economics.Currency+"/t CO2e", formula, OpQuotient, RoundLine, perTonne, saved)
}

// alternativeTerms explains the figures of one alternative.
type alternativeTerms struct {
	*explainer
	e     *evaluated
	r     *Result
	index int
}

func (a *alternativeTerms) key(name string) string { return strconv.Itoa(a.index) + " " + name }

func (a *alternativeTerms) area() int {
	return a.asked("area", a.e.study.area, "m2", "/functional_unit/area")
}

// times the area, exactly.
func (a *alternativeTerms) forArea(id int, ok bool) (int, bool) {
	if !ok {
		return 0, false
	}
	return a.made(a.terms[id].Name+" for the area", strings.TrimSuffix(a.terms[id].Unit, "/m2"), "Rounding: the figure per m2 times the area", OpProduct, RoundLine, id, a.area()), true
}

func (a *alternativeTerms) figure(steps []string) (int, bool) {
	k := 0
	if len(steps) > 2 {
		k, _ = strconv.Atoi(steps[len(steps)-2])
	}
	last := steps[len(steps)-1]
	switch {
	case steps[0] == "thickness_mm":
		return a.made("thickness", "mm", "Take-off: thickness", OpProduct, RoundNone, a.thickness(), a.constant(1000, "mm/m", "mm in a metre")), true
	case steps[0] == "life" && last == "capital_recovery_factor":
		return a.recovery(), true
	case steps[0] == "mix":
		return a.mixFigure(steps[1:])
	case steps[0] == "takeoff":
		return a.takeoffFigure(last)
	case steps[0] == "quantities" && (last == "amount" || last == "for_area"):
		id := a.quantity(k)
		if last == "for_area" {
			return a.made("quantity for the area", a.r.Quantities[k].AreaUnit, "Take-off", OpProduct, RoundAmount, id, a.area()), true
		}
		return a.asAmount(id), true
	case steps[0] == "concrete":
		return a.concreteFigure(steps[1:], k)
	case steps[0] == "carbon" && len(steps) > 1:
		return a.carbonFigure(steps[1:], k)
	case steps[0] == "cost" && len(steps) > 1:
		return a.costFigure(steps[1:], k)
	}
	return 0, false
}

func (a *alternativeTerms) quantity(k int) int {
	if k == 0 {
		return a.thickness()
	}
	for i := range a.e.bill.Flows {
		if f := a.e.bill.Flows[i]; f.Factor == slab.FactorA2 || f.Factor == slab.FactorA4 {
			continue
		}
		if k--; k == 0 {
			return a.amount(i)
		}
	}
	return 0
}

// The slab.

func (a *alternativeTerms) thickness() int {
	return a.once(a.key("thickness"), func() int {
		name := "thickness of the concrete"
		if a.e.sized != nil {
			name += ", sized by " + a.e.sized.Method + " (docs/thickness.md)"
		}
		return a.asked(name, a.e.takeoff.Concrete, "m3/m2", a.e.at.At("slab", "thickness"))
	})
}

func (a *alternativeTerms) length(name string, steps ...any) int {
	text := map[string]string{"lane width": a.e.Slab.LaneWidth}[name]
	if j := a.e.Slab.Joints; j != nil && text == "" {
		text = map[string]string{"joint spacing": j.Spacing, "dowel spacing": j.DowelSpacing, "tie bar spacing": j.TieBarSpacing}[name]
	}
	q, err := unit.Parse(text, unit.Length)
	if err != nil && a.err == nil {
		a.err = err
	}
	return a.asked(name, si(q), "m", a.e.at.At(steps...))
}

func (a *alternativeTerms) takeoffFigure(name string) (int, bool) {
	if name == "concrete_m3_per_m2" {
		return a.asAmount(a.thickness()), true
	}
	if !a.e.takeoff.HasJoints {
		return 0, false
	}
	one := a.constant(1, "1", "one")
	width, spacing := a.length("lane width", "slab", "lane_width"), a.length("joint spacing", "slab", "joints", "spacing")
	panel := a.made("area of a panel", "m2", "Take-off: panels 1/(s b)", OpProduct, RoundNone, spacing, width)
	whole := func(what string, length, apart int) int {
		bars := a.made(what+" that fit", "each", "Take-off: bars are counted whole", OpQuotient, RoundNone, length, apart)
		return a.made(what, "each", "Take-off: bars are counted whole", OpFloor, RoundNone, bars)
	}
	dowels := func() int {
		return whole("dowels in a joint", width, a.length("dowel spacing", "slab", "joints", "dowel_spacing"))
	}
	ties := func() int {
		return whole("tie bars of a panel", spacing, a.length("tie bar spacing", "slab", "joints", "tie_bar_spacing"))
	}
	switch name {
	case "transverse_joint_m_per_m2":
		return a.made("transverse joint", "m/m2", "Take-off: transverse joint 1/s", OpQuotient, RoundAmount, one, spacing), true
	case "longitudinal_joint_m_per_m2":
		return a.made("longitudinal joint", "m/m2", "Take-off: longitudinal joint 1/b", OpQuotient, RoundAmount, one, width), true
	case "panels_per_m2":
		return a.made("panels", "each/m2", "Take-off: panels 1/(s b)", OpQuotient, RoundAmount, one, panel), true
	case "joint":
		t, _ := a.takeoffFigure("transverse_joint_m_per_m2")
		l, _ := a.takeoffFigure("longitudinal_joint_m_per_m2")
		return a.made("joint", "m/m2", "Take-off", OpSum, RoundNone, t, l), true
	case "dowels_per_transverse_joint":
		return dowels(), true
	case "tie_bars_per_panel":
		return ties(), true
	case "dowels":
		return a.made("dowels", "each/m2", "Take-off: over s b", OpQuotient, RoundAmount, dowels(), panel), true
	case "ties":
		return a.made("tie bars", "each/m2", "Take-off: over s b", OpQuotient, RoundAmount, ties(), panel), true
	}
	return 0, false
}

// asAmount is a term as it is printed.
func (a *alternativeTerms) asAmount(id int) int {
	if t := a.terms[id]; !t.Value.Equal(num.Amount(t.Value.Decimal)) {
		return a.made(t.Name+", as printed", t.Unit, "Rounding", OpSum, RoundAmount, id)
	}
	return id
}

// The mix.

func (a *alternativeTerms) parts(keep func(mix.Part) bool) []int {
	var ids []int
	for i, p := range a.e.proportions.Parts {
		if keep(p) {
			ids = append(ids, a.mass(i))
		}
	}
	return ids
}

func (a *alternativeTerms) binder() int {
	return a.once(a.key("binder"), func() int {
		return a.made("binder", "kg/m3", "Mix: binder is cement and SCM", OpSum, RoundNone, a.parts(func(p mix.Part) bool { return p.Role == mix.Cement || p.Role == mix.SCM })...)
	})
}

func (a *alternativeTerms) density() int {
	return a.once(a.key("density"), func() int {
		return a.made("fresh density", "kg/m3", "Mix: the mass of one cubic metre", OpSum, RoundNone, a.parts(func(mix.Part) bool { return true })...)
	})
}

func (a *alternativeTerms) entry(code string) *entry { return a.e.catalogue.entries[code] }

func (a *alternativeTerms) densityOf(it *entry) int {
	return a.ofItem(it, "density of "+it.Code, it.Density.Decimal, "kg/m3", "density_kg_per_m3", nil)
}

// mass is the mass of a constituent.
func (a *alternativeTerms) mass(i int) int {
	return a.once(a.key("mass "+strconv.Itoa(i)), func() int {
		p, text := a.e.proportions.Parts[i], a.e.listed[i].Amount
		at, name := a.e.constituentsAt[i], "mass of "+p.Item
		if a.e.Mix.ByRatio != nil {
			return a.asked(name+", by the ratios", p.Mass, "kg/m3", a.e.at.At("mix", "by_ratio"))
		}
		at = at.At("amount")
		share := func(text string, kind ...unit.Kind) decimal.Decimal {
			q, err := unit.Parse(text, kind...)
			if err != nil && a.err == nil {
				a.err = err
			}
			return si(q)
		}
		given, isOfBinder := strings.CutSuffix(text, " of binder")
		volume, isVolume := strings.CutSuffix(text, " by volume")
		q, _ := unit.Parse(text, unit.VolumePerVolume)
		switch {
		case text == "balance":
			return a.made(name, "kg/m3", "Mix: what closes the cubic metre", OpProduct, RoundAmount, a.left(i), a.densityOf(a.entry(p.Item)))
		case isOfBinder:
			return a.made(name, "kg/m3", "Mix: share of the binder", OpProduct, RoundAmount, a.asked("share of the binder, "+p.Item, share(given, unit.Ratio), "1", at), a.binder())
		case isVolume, !q.Unit.IsZero():
			return a.made(name, "kg/m3", "Mix: share of the volume", OpProduct, RoundAmount, a.asked("share of the volume, "+p.Item, share(volume, unit.Ratio, unit.VolumePerVolume), "m3/m3", at), a.densityOf(a.entry(p.Item)))
		}
		return a.asked(name, p.Mass, "kg/m3", at)
	})
}

func (a *alternativeTerms) air() int {
	return a.asked("air", a.e.proportions.Air, "m3/m3", a.e.at.At("mix", "air"))
}

// left is the volume that is open for the balance.
func (a *alternativeTerms) left(open int) int {
	filled := []int{a.constant(1, "1", "one"), a.air()}
	for i := range a.e.proportions.Parts {
		if i != open {
			filled = append(filled, a.volume(i))
		}
	}
	return a.made("volume left", "m3/m3", "Mix: all volumes and the air make one cubic metre", OpDifference, RoundNone, filled...)
}

func (a *alternativeTerms) volume(i int) int {
	return a.once(a.key("volume "+strconv.Itoa(i)), func() int {
		it := a.entry(a.e.proportions.Parts[i].Item)
		return a.made("volume of "+it.Code, "m3/m3", "Mix: m/density", OpQuotient, RoundNone, a.mass(i), a.densityOf(it))
	})
}

// admixtureWater is the water that an admixture brings with a mass.
func (a *alternativeTerms) admixtureWater(i, mass int) int {
	it := a.entry(a.e.proportions.Parts[i].Item)
	solids := a.ofItem(it, "solids of "+it.Code, it.inventory.Solids.Decimal.Shift(-2), "1", "solids_percent", nil)
	water := a.made("share of water in "+it.Code, "1", "Mix: 1 - solids", OpDifference, RoundNone, a.constant(1, "1", "one"), solids)
	return a.made("water in "+it.Code, "kg/m3", "Mix: mass × (1 - solids)", OpProduct, RoundAmount, mass, water)
}

func (a *alternativeTerms) hasWater(i int) bool {
	return a.e.proportions.Parts[i].Role == mix.Admixture && a.e.solids[i].Valid
}

func (a *alternativeTerms) mixFigure(steps []string) (int, bool) {
	k := 0
	if len(steps) > 2 {
		k, _ = strconv.Atoi(steps[1])
	}
	if steps[0] == "constituents" {
		if steps[2] == "mass_kg_per_m3" {
			return a.mass(k), true
		}
		if steps[2] == "volume_l_per_m3" {
			return a.made("volume", "L/m3", "Mix: m/density", OpProduct, RoundAmount, a.volume(k), a.constant(1000, "L/m3", "litres in a cubic metre")), true
		}
	}
	if steps[0] == "stages" {
		return a.stageFigure(k, steps[2:])
	}
	const water = "Mix: water"
	admixtures := func() int {
		var ids []int
		for i := range a.e.proportions.Parts {
			if a.hasWater(i) {
				ids = append(ids, a.admixtureWater(i, a.mass(i)))
			}
		}
		return a.made("water in admixtures", "kg/m3", water, OpSum, RoundNone, ids...)
	}
	total := func() int {
		return a.made("total water", "kg/m3", water, OpSum, RoundNone, append(a.parts(func(p mix.Part) bool { return p.Role == mix.Water }), admixtures())...)
	}
	absorbed := func() int {
		return a.asked("absorbed water", a.e.proportions.Absorbed, "kg/m3", a.e.at.At("mix", "absorbed_water"))
	}
	effective := func() int {
		return a.made("effective water", "kg/m3", water, OpDifference, RoundNone, total(), absorbed())
	}
	switch steps[0] {
	case "air_percent":
		return a.made("air", "%", "Mix", OpProduct, RoundNone, a.air(), a.constant(100, "%", "per cent")), true
	case "fresh_density_kg_per_m3":
		return a.density(), true
	case "absolute_volume_m3_per_m3":
		ids := []int{a.air()}
		for i := range a.e.proportions.Parts {
			ids = append(ids, a.volume(i))
		}
		return a.made("absolute volume", "m3/m3", "Mix: all volumes and the air", OpSum, RoundAmount, ids...), true
	case "binder_kg_per_m3":
		return a.binder(), true
	case "total_water_kg_per_m3":
		return total(), true
	case "admixture_water_kg_per_m3":
		return admixtures(), true
	case "absorbed_water_kg_per_m3":
		return a.asAmount(absorbed()), true
	case "effective_water_kg_per_m3":
		return a.asAmount(effective()), true
	case "effective_water_cement_ratio":
		cement := a.made("cement", "kg/m3", "Mix", OpSum, RoundNone, a.parts(func(p mix.Part) bool { return p.Role == mix.Cement })...)
		return a.made("effective water over cement", "1", water, OpQuotient, RoundAmount, effective(), cement), true
	case "effective_water_binder_ratio":
		return a.made("effective water over binder", "1", water, OpQuotient, RoundAmount, effective(), a.binder()), true
	}
	return 0, false
}

// stageMass is what a stage takes of a constituent.
func (a *alternativeTerms) stageMass(k, i int) int {
	return a.once(a.key("stage "+strconv.Itoa(k)+" of "+strconv.Itoa(i)), func() int {
		stage, item := a.e.Mix.Stages[k], a.e.proportions.Parts[i].Item
		name, at := item+" in stage "+stage.Name, a.e.at.At("mix", "stages", k, "takes")
		if stage.Takes.Rest {
			ids := []int{a.mass(i)}
			for before := range k {
				if !a.e.stages[before].Masses[i].IsZero() {
					ids = append(ids, a.stageMass(before, i))
				}
			}
			return a.made(name, "kg/m3", "Mix: the last stage takes the rest", OpDifference, RoundNone, ids...)
		}
		for n, t := range stage.Takes.List {
			if t.Item != item && !(t.Category != "" && slices.Contains(a.entry(item).Groups, t.Category)) {
				continue
			}
			if t.Share != "" {
				q, _ := unit.Parse(t.Share, unit.Ratio) // it has been read before
				return a.made(name, "kg/m3", "Mix: a stage takes shares", OpProduct, RoundAmount, a.mass(i), a.asked("share in stage "+stage.Name, si(q), "1", at.At(n, "share")))
			}
			var binder, brought []int
			for j, m := range a.e.stages[k].Masses {
				if role := a.e.proportions.Parts[j].Role; (role == mix.Cement || role == mix.SCM) && !m.IsZero() {
					binder = append(binder, a.stageMass(k, j))
				}
				if a.hasWater(j) && !m.IsZero() {
					brought = append(brought, a.admixtureWater(j, a.stageMass(k, j)))
				}
			}
			ratio, _ := num.Parse(t.WaterBinderRatio) // it has been read before
			need := a.made("water of stage "+stage.Name, "kg/m3", "Mix: water at its own water/binder ratio", OpProduct, RoundAmount,
				a.made("binder in stage "+stage.Name, "kg/m3", "Mix", OpSum, RoundNone, binder...), a.asked("water/binder ratio of stage "+stage.Name, ratio, "1", at.At(n, "water_binder_ratio")))
			return a.made(name, "kg/m3", "Mix: less what admixtures bring", OpDifference, RoundNone, append([]int{need}, brought...)...)
		}
		return a.given(name, decimal.Zero, "kg/m3", TermSource{Pointer: string(a.locator.locate(at))})
	})
}

func (a *alternativeTerms) stageVolume(k int) int {
	s := a.e.Mix.Stages[k]
	if s.Takes.Rest {
		return a.constant(1, "1", "one")
	}
	var ids []int
	for i, m := range a.e.stages[k].Masses {
		if p := a.e.proportions.Parts[i]; !m.IsZero() && p.Volume.Valid {
			filled := a.made("volume of "+p.Item+" times its mass in the stage", "m3 kg/m6", "Mix: a first stage handles the volume it takes", OpProduct, RoundNone, a.stageMass(k, i), a.volume(i))
			ids = append(ids, a.made("volume of "+p.Item+" in stage "+s.Name, "m3/m3", "Mix: a first stage handles the volume it takes", OpQuotient, RoundNone, filled, a.mass(i)))
		}
	}
	return a.made("volume of stage "+s.Name, "m3/m3", "Mix: a first stage handles the volume it takes", OpSum, RoundAmount, ids...)
}

func (a *alternativeTerms) mixerHours(k int) int {
	return a.once(a.key("hours "+strconv.Itoa(k)), func() int {
		s, it := a.e.Mix.Stages[k], a.entry(a.e.mixers[k])
		minutes := a.asked("minutes of stage "+s.Name, decimal.New(int64(s.Minutes), 0), "min", a.e.at.At("mix", "stages", k, "minutes"))
		over := a.made("minutes times volume", "min m3/m3", "Mix: mixer hours", OpProduct, RoundNone, minutes, a.stageVolume(k))
		batch := a.ofItem(it, "batch volume of "+it.Code, it.inventory.BatchVolume.Decimal, "m3", "batch_volume_m3", nil)
		under := a.made("minutes in an hour times batch", "min m3/h", "Mix: mixer hours", OpProduct, RoundNone, a.constant(60, "min/h", "minutes in an hour"), batch)
		return a.made("mixer hours of stage "+s.Name, "h/m3", "Mix: minutes/60 × volume/batch volume", OpQuotient, RoundAmount, over, under)
	})
}

func (a *alternativeTerms) stageFigure(k int, steps []string) (int, bool) {
	switch {
	case steps[0] == "volume_m3_per_m3":
		return a.stageVolume(k), true
	case steps[0] == "mixer_h_per_m3":
		return a.mixerHours(k), true
	case steps[0] == "constituents" && len(steps) == 3 && steps[2] == "mass_kg_per_m3":
		n, _ := strconv.Atoi(steps[1])
		item := a.r.Mix.Stages[k].Constituents[n].Item
		return a.stageMass(k, slices.IndexFunc(a.e.proportions.Parts, func(p mix.Part) bool { return p.Item == item })), true
	}
	return 0, false
}

// Flows.

func (a *alternativeTerms) wasteFactor() int {
	return a.once(a.key("waste"), func() int {
		w := a.asked("wasted share", a.e.waste, "1", a.e.at.At("slab", "waste", "concrete"))
		kept := a.made("share that is not wasted", "1", "Carbon: 1 - w", OpDifference, RoundNone, a.constant(1, "1", "one"), w)
		return a.made("waste factor", "1", "Carbon: w/(1 - w)", OpQuotient, RoundNone, w, kept)
	})
}

func (a *alternativeTerms) wasted() int {
	return a.once(a.key("wasted"), func() int {
		return a.made("mass of wasted concrete", "kg/m3", "Carbon: the wasted mass", OpProduct, RoundAmount, a.density(), a.wasteFactor())
	})
}

// inUnit converts a mass to the declared unit.
func (a *alternativeTerms) inUnit(it *entry, kg int) int {
	if it.Unit == "kg" {
		return kg
	}
	return a.made(it.Code+" in "+it.Unit, it.Unit, "Flows: mass over the mass of one unit", OpQuotient, RoundAmount, kg, a.kgPerUnit(it))
}

func (a *alternativeTerms) kgPerUnit(it *entry) int {
	switch {
	case it.Unit == "kg":
		return a.constant(1, "1", "one")
	case it.Unit == "t":
		return a.constant(1000, "kg/t", "kg in a tonne")
	case it.UnitMass.Valid:
		return a.ofItem(it, "mass of one "+it.Unit+" of "+it.Code, it.UnitMass.Decimal, "kg/"+it.Unit, "unit_mass_kg", nil)
	case it.Unit == "m3":
		return a.densityOf(it)
	}
	return a.ofItem(it, "mass of a litre of "+it.Code, unit.KgPer(it.Unit, it.UnitMass, it.Density).Decimal, "kg/L", "density_kg_per_m3 over 1000", nil)
}

// amount is the amount of a flow per m2.
func (a *alternativeTerms) amount(k int) int {
	return a.once(a.key("amount "+strconv.Itoa(k)), func() int {
		if o := a.e.bill.Flows[k].Origin; o.Way == slab.OfRenewal {
			return a.amount(o.First)
		}
		if k >= len(a.e.bill.Concrete) {
			return a.flow(&a.e.bill.Flows[k])
		}
		it := a.e.catalogue.of(&a.e.bill.Flows[k])
		return a.made("amount of "+it.Code, it.perM2, "Flows: per m3 of concrete times its thickness", OpProduct, RoundAmount, a.perM3(k), a.thickness())
	})
}

func (a *alternativeTerms) perM3(k int) int {
	return a.once(a.key("per m3 "+strconv.Itoa(k)), func() int { return a.flow(&a.e.bill.Concrete[k]) })
}

// flow is the amount of a flow by how it came about.
func (a *alternativeTerms) flow(f *slab.Flow) int {
	it, o := a.e.catalogue.of(f), f.Origin
	switch o.Way {
	case slab.OfMass:
		if o.Moved == "" {
			return a.inUnit(it, a.wasted())
		}
		return a.inUnit(it, a.massOf(o.Moved))
	case slab.OfEnergy:
		if rest, mixing := strings.CutPrefix(string(f.At), string(a.e.at.At("mix", "stages"))+"/"); mixing {
			k, _ := strconv.Atoi(strings.TrimSuffix(rest, "/mixer"))
			return a.mixerHours(k)
		}
		return a.asked("amount of "+it.Code, f.Amount, it.perM3, f.At.At("amount"))
	case slab.OfHaul:
		way := a.asked("distance, "+f.Use, o.By, "t.km/kg", f.At.At("distance"))
		return a.made("transport work, "+f.Use, "t.km", "Flows: mass times distance", OpProduct, RoundAmount, a.hauled(f), way)
	case slab.OfRecipe:
		whole := a.e.catalogue.of(o.Whole)
		part := a.ofItem(whole, it.Code+" in the recipe of "+whole.Code, o.By, it.Unit+"/"+whole.Unit, "recipe, "+it.Code, nil)
		return a.made("amount of "+it.Code, it.Unit, "Flows: an item made by recipe", OpProduct, RoundAmount, a.flow(o.Whole), part)
	case slab.OfWaste:
		return a.made("wasted "+it.Code, it.perM3, "Carbon: A1 to A4 again at w/(1 - w)", OpProduct, RoundAmount, a.flow(o.Whole), a.wasteFactor())
	case slab.OfProduct:
		return a.product(f)
	}
	return a.operation(f)
}

func (a *alternativeTerms) massOf(code string) int {
	return a.mass(slices.IndexFunc(a.e.proportions.Parts, func(p mix.Part) bool { return p.Item == code }))
}

// hauled is the mass that a haul moves, in kg.
func (a *alternativeTerms) hauled(f *slab.Flow) int {
	switch moved := f.Origin.Moved; {
	case moved == "" && f.Use == "concrete to site":
		return a.density()
	case moved == "":
		return a.wasted()
	case strings.HasSuffix(f.Use, " to plant"):
		return a.massOf(moved)
	}
	it := a.entry(f.Origin.Moved)
	product := slices.IndexFunc(a.e.bill.Flows, func(g slab.Flow) bool {
		return g.Item.Code == it.Code && g.Origin.Way == slab.OfProduct && g.Amount.Mul(unit.KgPer(it.Unit, it.UnitMass, it.Density).Decimal).Equal(f.Origin.Kg)
	})
	return a.made("mass of "+it.Code, "kg/m2", "Flows: amount times the mass of one unit", OpProduct, RoundNone, a.amount(product), a.kgPerUnit(it))
}

func (a *alternativeTerms) product(f *slab.Flow) int {
	member := strings.TrimPrefix(string(f.At), string(a.e.at.At("slab"))+"/")
	if name, ok := map[string]string{"joints/dowel": "dowels", "joints/tie_bar": "ties", "joints/sealant": "joint"}[member]; ok {
		id, _ := a.takeoffFigure(name)
		return id
	}
	rest, layer := strings.CutPrefix(member, "layers/")
	if !layer {
		return a.constant(1, "m2/m2", "one square metre of slab")
	}
	i, _ := strconv.Atoi(strings.TrimSuffix(rest, "/item"))
	q, _ := unit.Parse(a.e.Slab.Layers[i].Thickness, unit.Length) // it has been read before
	thickness := a.asked("thickness of layer "+strconv.Itoa(i+1), si(q), "m3/m2", a.e.at.At("slab", "layers", i, "thickness"))
	it := a.e.catalogue.of(f)
	switch it.Unit {
	case "m3":
		return a.made("volume of "+it.Code, "m3/m2", "Flows: a layer", OpProduct, RoundAmount, thickness)
	case "L":
		return a.made("volume of "+it.Code, "L/m2", "Flows: a layer", OpProduct, RoundAmount, thickness, a.constant(1000, "L/m3", "litres in a cubic metre"))
	}
	kg := a.made("mass of "+it.Code, "kg/m2", "Flows: a layer", OpProduct, RoundNone, thickness, a.densityOf(it))
	return a.made("amount of "+it.Code, it.perM2, "Flows: a layer", OpProduct, RoundAmount, a.inUnit(it, kg))
}

func (a *alternativeTerms) operation(f *slab.Flow) int {
	it := a.e.catalogue.of(f)
	var whole int
	switch it.Unit {
	case "m2":
		whole = a.constant(1, "m2/m2", "one square metre of slab")
	case "m":
		whole, _ = a.takeoffFigure("joint")
	case "each":
		whole, _ = a.takeoffFigure("panels_per_m2")
	case "m3":
		whole = a.thickness()
	default: // t
		kg := a.made("mass of the concrete", "kg/m2", "Take-off: operations take their amount by declared unit", OpProduct, RoundNone, a.thickness(), a.density())
		whole = a.made("mass of the concrete", "t/m2", "Take-off: operations take their amount by declared unit", OpProduct, RoundAmount, kg,
			a.once("kg to t", func() int {
				return a.given("tonnes in a kg", decimal.New(1, -3), "t/kg", TermSource{Definition: "tonnes in a kg"})
			}))
	}
	at := fault.Path(strings.TrimSuffix(string(f.At), "/item"))
	share := a.asked("share of it, "+it.Code, f.Origin.By, "1", at.At("share"))
	return a.made("amount of "+it.Code, it.perM2, "Take-off: operations take their amount by declared unit", OpProduct, RoundAmount, whole, share)
}

// Valuation.

func (a *alternativeTerms) factor(f *slab.Flow) int {
	it := a.e.catalogue.of(f)
	v, _ := a.e.study.factor(it, f.Factor) // the figure is printed
	if it.gives(VaryFactor) && f.Factor == it.inventory.MainFactor() {
		return a.asked("factor of "+it.Code, v, it.factorUnit, it.overridden.at.At("factor"))
	}
	return a.ofItem(it, "factor of "+it.Code, v, it.factorUnit, "factors, "+f.Factor, it.factorSource(f.Factor))
}

func (a *alternativeTerms) price(f *slab.Flow) int {
	it := a.e.catalogue.of(f)
	if it.gives(VaryPrice) {
		return a.asked("price of "+it.Code, it.inventory.Price.Amount, it.priceUnit, it.overridden.at.At("price"))
	}
	return a.ofItem(it, "price of "+it.Code, it.inventory.Price.Amount, it.priceUnit, "price", &it.inventory.Price.Source)
}

const kgPerM2 = "kg CO2e/m2"

func (a *alternativeTerms) gwp(k int) int {
	return a.once(a.key("gwp "+strconv.Itoa(k)), func() int {
		if n := k - len(a.e.bill.Flows); n >= 0 {
			return a.uptake(n)
		}
		f := &a.e.bill.Flows[k]
		return a.made("emission of "+f.Item.Code+", "+f.Use, kgPerM2, "Rounding: amount × factor", OpProduct, RoundLine, a.amount(k), a.factor(f))
	})
}

func (a *alternativeTerms) concreteFigure(steps []string, k int) (int, bool) {
	line := func(k int) int {
		f := &a.e.bill.Concrete[k]
		return a.made("emission of "+f.Item.Code+", "+f.Use, "kg CO2e/m3", "Rounding: amount × factor", OpProduct, RoundLine, a.perM3(k), a.factor(f))
	}
	costOf := func(k int) int {
		f := &a.e.bill.Concrete[k]
		return a.made("cost of "+f.Item.Code+", "+f.Use, a.response.Economics.Currency+"/m3", "Rounding: amount × price", OpProduct, RoundLine, a.perM3(k), a.price(f))
	}
	switch {
	case steps[0] == "lines":
		switch f := &a.e.bill.Concrete[k]; steps[2] {
		case "amount":
			return a.perM3(k), true
		case "factor":
			return a.factor(f), true
		case "price":
			return a.price(f), true
		case "gwp_kg_co2e_per_m3":
			return line(k), true
		case "cost_per_m3":
			return costOf(k), true
		}
	case steps[0] == "gwp_kg_co2e_per_m3":
		var ids []int
		for k, l := range a.r.Concrete.Lines {
			if l.Module == strings.TrimSuffix(steps[1], "_waste") || l.Stage == steps[1] && l.Stage == "A1-A3" {
				ids = append(ids, line(k))
			}
		}
		return a.made("emission of the concrete, "+steps[1], "kg CO2e/m3", "Carbon: a module is the sum of its lines", OpSum, RoundNone, ids...), true
	case steps[0] == "cost_per_m3":
		var ids []int
		for k, l := range a.r.Concrete.Lines {
			if l.CostPerM3 != nil && l.Stage == "A1-A3" {
				ids = append(ids, costOf(k))
			}
		}
		return a.made("cost of the concrete", a.response.Economics.Currency+"/m3", "Rounding: the sum of its lines", OpSum, RoundNone, ids...), true
	}
	return 0, false
}

// emissions sums the lines of the modules that are kept.
func (a *alternativeTerms) emissions(name string, keep func(CarbonLine) bool) int {
	return a.once(a.key(name), func() int {
		var ids []int
		for k, l := range a.r.Carbon.Lines {
			if keep(l) {
				ids = append(ids, a.gwp(k))
			}
		}
		return a.made(name, kgPerM2, "Carbon: the sum of its lines", OpSum, RoundNone, ids...)
	})
}

func (a *alternativeTerms) carbonFigure(steps []string, k int) (int, bool) {
	total := func() int {
		return a.emissions("total emission", func(l CarbonLine) bool { return l.Module != "D" })
	}
	module := func(name string) int {
		return a.emissions("emission of "+name, func(l CarbonLine) bool { return l.Module == name || l.Stage == name })
	}
	switch steps[0] {
	case "carbonation":
		return a.carbonationFigure(steps[1])
	case "lines":
		if n := k - len(a.e.bill.Flows); n >= 0 {
			return a.uptakeLine(n, steps[2])
		}
		switch f := &a.e.bill.Flows[k]; steps[2] {
		case "amount":
			return a.amount(k), true
		case "factor":
			return a.factor(f), true
		case "gwp_kg_co2e_per_m2":
			return a.gwp(k), true
		}
	case "modules":
		return module(steps[1]), true
	case "cradle_to_gate_kg_co2e_per_m2":
		return module("A1-A3"), true
	case "beyond_boundary_d_kg_co2e_per_m2":
		return module("D"), true
	case "total_kg_co2e_per_m2":
		return total(), true
	case "total_kg_co2e_for_area":
		return a.forArea(total(), true)
	case "waste_factor":
		return a.wasteFactor(), true
	case "stage_totals":
		stage := a.r.Carbon.StageTotals[k]
		from, to, isRange := strings.Cut(stage.Modules, "-")
		if !isRange {
			to = from
		}
		all := carbon.Modules()
		return a.emissions("emission of the stage "+stage.Stage, func(l CarbonLine) bool {
			i := slices.Index(all, strings.TrimSuffix(l.Module, "-A3")) // A1-A3 as a whole counts with A1
			return i >= slices.Index(all, from) && i <= slices.Index(all, to)
		}), true
	case "by_source_kind":
		kind := a.r.Carbon.BySourceKind[k].SourceKind
		sum := a.emissions("emission by sources of the kind "+kind, func(l CarbonLine) bool {
			own := inventory.Assumption // the request's, on how fast concrete carbonates
			if l.Module != "B1" {
				own = a.entry(l.Item).factorSource(l.FactorKey).Kind
			}
			return l.Module != "D" && string(own) == kind
		})
		if steps[2] == "gwp_kg_co2e_per_m2" {
			return sum, true
		}
		hundred := a.made("emission, times a hundred", kgPerM2, "Carbon: share of the total", OpProduct, RoundNone, sum, a.constant(100, "%", "per cent"))
		return a.made("share of the total", "%", "Carbon: share of the total", OpQuotient, RoundLine, hundred, total()), true
	}
	return 0, false
}

// cost lines stand in the order of the flows that are priced, then of what road users
// pay, then of what is left.

func (a *alternativeTerms) flowOf(line int) (int, bool) {
	for k := range a.e.bill.Flows {
		if a.e.bill.Flows[k].Unpriced != "" {
			continue
		}
		if line == 0 {
			return k, true
		}
		line--
	}
	return 0, false
}

// lineTerms are the parts of a cost line.
func (a *alternativeTerms) lineTerms(n int) (amount, price int) {
	l := a.r.Cost.Lines[n]
	if k, ok := a.flowOf(n); ok {
		return a.amount(k), a.price(&a.e.bill.Flows[k])
	}
	perM2 := l.PriceUnit
	if l.Kind == "user" {
		at := fault.Path(strings.TrimPrefix(l.Source, "request"))
		if !strings.HasPrefix(string(at), "/strategies/") {
			at = a.e.at + at
		}
		return a.constant(1, "m2/m2", "one square metre of slab"), a.asked("cost to road users", l.Price.Decimal, perM2, at)
	}
	return a.residual(n, l)
}

func (a *alternativeTerms) residual(n int, l CostLine) (amount, price int) {
	r, at := a.e.Residual, a.e.at.At("residual")
	one := a.constant(1, "m2/m2", "one square metre of slab")
	placed := a.e.lastBuilt()
	period := a.period()
	switch r.Method {
	case ResidualGiven:
		return one, a.asked("value left", l.Price.Decimal, l.PriceUnit, at.At("value"))
	case ResidualStraightLine:
		final := decimal.Zero
		if r.FinalValue != "" {
			reads := reader{catalogue: a.e.catalogue}
			final = reads.money(r.FinalValue, at)
		}
		value := a.asked("final value", final, l.PriceUnit, at.At("final_value"))
		if a.e.period-placed >= r.LifeYears {
			return one, a.made("value left", l.PriceUnit, "Cost: straight_line", OpSum, RoundAmount, value)
		}
		age := a.made("age at the end", "years", "Cost: straight_line", OpDifference, RoundNone, period, a.built(placed))
		life := a.years("life", r.LifeYears, at.At("life_years"))
		left := a.made("years left", "years", "Cost: straight_line", OpDifference, RoundNone, life, age)
		kept := a.made("cost times years left", l.PriceUnit, "Cost: straight_line", OpProduct, RoundNone, a.builtFor(placed), left)
		gone := a.made("final value times years gone", l.PriceUnit, "Cost: straight_line", OpProduct, RoundNone, value, age)
		over := a.made("value over the life", l.PriceUnit, "Cost: straight_line", OpSum, RoundNone, kept, gone)
		return one, a.made("value left", l.PriceUnit, "Cost: straight_line", OpQuotient, RoundAmount, over, life)
	}
	share := func(life, placed int) int {
		end := a.made("end of its life", "years", "Cost: remaining_life", OpSum, RoundNone, placed, life)
		left := a.made("years left", "years", "Cost: remaining_life", OpDifference, RoundNone, end, period)
		return a.made("share of the life left", "1", "Cost: remaining_life", OpQuotient, RoundAmount, left, life)
	}
	first := slices.IndexFunc(a.r.Cost.Lines, func(l CostLine) bool { return l.Kind == "residual" })
	if slabLeft := placed+r.LifeYears > a.e.period; slabLeft && n == first {
		return share(a.years("life of the slab", r.LifeYears, at.At("life_years")), a.built(placed)), a.builtFor(placed)
	} else if slabLeft {
		first++
	}
	for _, t := range a.e.lives {
		if t.year+t.lifeYears <= a.e.period {
			continue
		}
		if first == n {
			event := slices.IndexFunc(a.e.Maintenance, func(m Event) bool { return m.Item == t.use && m.LifeYears == t.lifeYears })
			from := a.e.planAt.At(event)
			return share(a.years("life of "+t.use, t.lifeYears, from.At("life_years")), a.years("year of "+t.use, t.year, from)), a.spent(t)
		}
		first++
	}
	return 0, 0
}

// years is a number of years of the request.
func (a *alternativeTerms) years(name string, value int, at fault.Path) int {
	return a.asked(name, decimal.New(int64(value), 0), "years", at)
}

// built is the year in which a slab is built.
func (a *alternativeTerms) built(year int) int {
	if year == 0 {
		return a.once("year 0", func() int {
			return a.given("year in which it is built", decimal.Zero, "years", TermSource{Definition: "construction is year 0"})
		})
	}
	lives := a.constant(int64(year/a.e.life), "1", "lives of "+strconv.Itoa(a.e.life)+" years before year "+strconv.Itoa(year))
	return a.made("year in which it is built", "years", "Cost: built anew at the end of each life", OpProduct, RoundNone, lives, a.years("service life", a.e.life, a.e.at.At("slab", "service_life_years")))
}

// builtFor is what the slab cost in the year in which it was built.
func (a *alternativeTerms) builtFor(year int) int {
	if year == 0 {
		return a.kindTotal("initial")
	}
	return a.costsOf("cost of the slab of year "+strconv.Itoa(year), func(l CostLine) bool { return l.Year == year })
}

// costsOf sums the costs of the agency's lines, before discounting.
func (a *alternativeTerms) costsOf(name string, keep func(CostLine) bool) int {
	return a.once(a.key(name), func() int {
		var ids []int
		for n, l := range a.r.Cost.Lines {
			if _, agency := a.flowOf(n); agency && keep(l) {
				id, _ := a.costLine(n, "cost_per_m2")
				ids = append(ids, id)
			}
		}
		return a.made(name, a.response.Economics.Currency+"/m2", "Cost: the value that is left follows from what was paid", OpSum, RoundNone, ids...)
	})
}

// spent is what a treatment cost in its year.
func (a *alternativeTerms) spent(t activityLife) int {
	return a.costsOf("cost of "+t.use+" in year "+strconv.Itoa(t.year), func(l CostLine) bool {
		return l.Year == t.year && (l.Item == t.use || strings.HasSuffix(l.Use, ": "+t.use))
	})
}

// escalationOf is the real escalation of a line; -1 where it has none.
func (a *alternativeTerms) escalationOf(n int) int {
	l := a.r.Cost.Lines[n]
	k, ok := a.flowOf(n)
	if !ok || a.e.study.money.escalation(l.Item, a.e.bill.Flows[k].Category).IsZero() {
		return -1
	}
	category := a.e.bill.Flows[k].Category
	given := a.e.study.money.applied
	i := slices.IndexFunc(given, func(e EscalationApplied) bool { return e.Item == l.Item })
	if i < 0 {
		i = slices.IndexFunc(given, func(e EscalationApplied) bool { return e.Category == category })
	}
	return a.escalationRate(i)
}

// escalated is by how much the price of a line has grown, exactly.
func (a *alternativeTerms) escalated(n int) int {
	rate := a.escalationOf(n)
	if rate < 0 {
		return a.constant(1, "1", "no real escalation of this item and its category")
	}
	return a.growth("growth of the price", rate, a.r.Cost.Lines[n].Year)
}

func (a *alternativeTerms) escalation(n int) int {
	growth := a.escalated(n)
	if a.terms[growth].Operation == OpGiven {
		return growth
	}
	return a.made("escalation factor", "1", "Cost: (1 + e)^n", OpQuotient, RoundNone, growth, a.constant(1, "1", "one"))
}

func (a *alternativeTerms) costLine(n int, member string) (int, bool) {
	l := a.r.Cost.Lines[n]
	amount, price := a.lineTerms(n)
	name, unit := " of "+l.Item+", "+l.Use, a.response.Economics.Currency+"/m2"
	switch member {
	case "amount":
		return amount, true
	case "price":
		return price, true
	case "escalation_factor":
		return a.escalation(n), true
	case "discount_factor":
		return a.discount(l.Year), true
	case "cost_per_m2":
		return a.made("cost"+name, unit, "Cost: amount × price × (1 + e)^n", OpProduct, RoundLine, amount, price, a.escalation(n)), true
	case "present_value_per_m2":
		return a.once(a.key("present "+strconv.Itoa(n)), func() int {
			return a.made("present value"+name, unit, "Cost: amount × price × (1 + e)^n × (1 + d)^-n", OpProduct, RoundLine, amount, price, a.escalation(n), a.discount(l.Year))
		}), true
	}
	return 0, false
}

// kindTotal sums the present values of a kind of line.
func (a *alternativeTerms) kindTotal(kind string) int {
	return a.once(a.key("total "+kind), func() int {
		var ids []int
		for n, l := range a.r.Cost.Lines {
			if l.Kind == kind {
				id, _ := a.costLine(n, "present_value_per_m2")
				ids = append(ids, id)
			}
		}
		return a.made("present value, "+kind, a.response.Economics.Currency+"/m2", "Cost: the sum of its lines", OpSum, RoundNone, ids...)
	})
}

// agencyValue is the net present value of what the agency pays.
func (a *alternativeTerms) agencyValue() int {
	return a.once(a.key("agency"), func() int {
		agency := a.made("initial and maintenance", a.response.Economics.Currency+"/m2", "Cost", OpSum, RoundNone, a.kindTotal("initial"), a.kindTotal("maintenance"))
		return a.made("net present value", a.response.Economics.Currency+"/m2", "Cost: initial + maintenance - residual", OpDifference, RoundNone, agency, a.kindTotal("residual"))
	})
}

// withUserCost adds what road users pay, where it is asked for.
func (a *alternativeTerms) withUserCost() int {
	return a.once(a.key("with user cost"), func() int {
		return a.made("net present value with user cost", a.response.Economics.Currency+"/m2", "Cost: include_user_cost", OpSum, RoundNone, a.agencyValue(), a.kindTotal("user"))
	})
}

// beforeCarbon is the net present value before the price of carbon.
func (a *alternativeTerms) beforeCarbon() int {
	if asked := a.e.study.economics.IncludeUserCost; asked != nil && *asked {
		return a.withUserCost()
	}
	return a.agencyValue()
}

// netPresentValue is that by which alternatives are ranked.
func (a *alternativeTerms) netPresentValue() int {
	if c := a.e.study.economics.CarbonPrice; c != nil && c.InCost {
		return a.withCarbonPrice()
	}
	return a.beforeCarbon()
}

func (a *alternativeTerms) annual(present int) int {
	return a.made("equivalent annual value", a.response.Economics.Currency+"/m2 a year", "Cost: net present value × capital recovery", OpProduct, RoundLine, present, a.recovery())
}

func (a *alternativeTerms) costFigure(steps []string, k int) (int, bool) {
	switch name := strings.TrimSuffix(steps[0], "_per_m2"); name {
	case "lines":
		return a.costLine(k, steps[2])
	case "carbon_price":
		return a.carbonPriceFigure(steps[1:], k)
	case "for_area":
		return a.forArea(a.costFigure([]string{steps[1]}, 0))
	case "initial":
		return a.kindTotal("initial"), true
	case "maintenance_present_value":
		return a.kindTotal("maintenance"), true
	case "residual_value":
		return a.kindTotal("residual"), true
	case "user_present_value":
		return a.kindTotal("user"), true
	case "net_present_value":
		return a.netPresentValue(), true
	case "equivalent_annual":
		return a.annual(a.netPresentValue()), true
	case "user_cost":
		return a.userCostFigure(steps[1])
	case "both_ways":
		return a.bothWaysFigure(steps[1])
	}
	return 0, false
}

func (a *alternativeTerms) userCostFigure(name string) (int, bool) {
	switch name {
	case "net_present_value_without_user_cost_per_m2":
		return a.agencyValue(), true
	case "net_present_value_with_user_cost_per_m2":
		return a.withUserCost(), true
	case "equivalent_annual_without_user_cost_per_m2":
		return a.annual(a.agencyValue()), true
	case "equivalent_annual_with_user_cost_per_m2":
		return a.annual(a.withUserCost()), true
	}
	return 0, false
}

// bothWaysFigure explains the check of a request in nominal terms.
func (a *alternativeTerms) bothWaysFigure(name string) (int, bool) {
	m := a.e.study.money
	const formula = "Cost: real and nominal terms"
	sum := func(terms string, factor func(n int) int) int {
		return a.once(a.key("both ways "+terms), func() int {
			unit := a.response.Economics.Currency + "/m2"
			paid, left := []int{}, []int{}
			for n, l := range a.r.Cost.Lines {
				if l.Kind == "user" {
					continue
				}
				amount, price := a.lineTerms(n)
				id := a.made(terms+" value of "+l.Item+", "+l.Use, unit, formula, OpProduct, RoundNone, amount, price, factor(n))
				if l.Kind == "residual" {
					left = append(left, id)
				} else {
					paid = append(paid, id)
				}
			}
			all := a.made("paid, in "+terms+" terms", unit, formula, OpSum, RoundNone, paid...)
			return a.made("net present value in "+terms+" terms, unrounded", unit, formula, OpDifference, RoundNone, append([]int{all}, left...)...)
		})
	}
	inReal := func() int {
		return sum("real", func(n int) int {
			year := a.r.Cost.Lines[n].Year
			return a.made("real factor", "1", formula, OpQuotient, RoundNone, a.escalated(n), a.growthTo(year))
		})
	}
	inNominal := func() int {
		inflation := a.inflation()
		return sum("nominal", func(n int) int {
			year := a.r.Cost.Lines[n].Year
			rate := inflation
			if real := a.escalationOf(n); real >= 0 {
				product := a.made("growth of a year in nominal terms", "1", formula, OpProduct, RoundNone, a.onePlus(real), a.onePlus(inflation))
				rate = a.made("nominal escalation", "1/year", formula, OpDifference, RoundNone, product, a.constant(1, "1", "one"))
			}
			nominal := a.asked("nominal discount rate", m.nominal.Decimal, "1/year", economicsAt.At("nominal_discount_rate"))
			return a.made("nominal factor", "1", formula, OpQuotient, RoundNone, a.growth("growth of the nominal price", rate, year), a.growth("growth at the nominal rate", nominal, year))
		})
	}
	rounded := func(id int) int {
		return a.made("net present value, as a check", a.response.Economics.Currency+"/m2", formula, OpSum, RoundAmount, id)
	}
	switch name {
	case "net_present_value_in_real_terms_per_m2":
		return rounded(inReal()), true
	case "net_present_value_in_nominal_terms_per_m2":
		return rounded(inNominal()), true
	case "difference_per_m2":
		return a.made("difference of both ways", a.response.Economics.Currency+"/m2", formula, OpDifference, RoundAmount, inReal(), inNominal()), true
	}
	return 0, false
}

// carbonPriceFigure explains what emissions come to at the price of carbon.
func (a *alternativeTerms) carbonPriceFigure(steps []string, k int) (int, bool) {
	currency := a.response.Economics.Currency
	line := func(l CarbonCostLine, member string) (int, bool) {
		year := strconv.Itoa(l.Year)
		emission := a.emissions("emissions of year "+year, func(c CarbonLine) bool { return c.Year == l.Year && c.Module != "D" })
		prices, at := a.e.study.carbonPrices, fault.Path("/economics/carbon_price")
		from := at.At("amount")
		if given := a.e.study.economics.CarbonPrice.ByYear; given != nil {
			i := 0
			for i+1 < len(given) && given[i+1].FromYear <= l.Year {
				i++
			}
			from = at.At("by_year", i, "amount")
		}
		price := a.asked("price of carbon", l.PricePerKg.Decimal, currency+"/kg CO2e", from)
		growth := a.constant(1, "1", "the price of carbon does not grow")
		if !prices.growth.IsZero() {
			rate := a.carbonGrowth()
			growth = a.made("growth factor", "1", "Cost: (1 + e)^n", OpQuotient, RoundNone, a.growth("growth of the price of carbon", rate, l.Year), a.constant(1, "1", "one"))
		}
		switch member {
		case "kg_co2e_per_m2":
			return emission, true
		case "price_per_kg":
			return price, true
		case "growth_factor":
			return growth, true
		case "discount_factor":
			return a.discount(l.Year), true
		case "cost_per_m2":
			return a.made("price of the emissions of year "+year, currency+"/m2", "Cost: price of carbon", OpProduct, RoundLine, emission, price, growth), true
		case "present_value_per_m2":
			return a.made("present value of the emissions of year "+year, currency+"/m2", "Cost: price of carbon", OpProduct, RoundLine, emission, price, growth, a.discount(l.Year)), true
		}
		return 0, false
	}
	if steps[0] == "lines" {
		return line(a.r.Cost.CarbonPrice.Lines[k], steps[2])
	}
	switch steps[0] {
	case "present_value_per_m2":
		return a.emissionsPriced(line), true
	case "net_present_value_with_carbon_per_m2":
		return a.withCarbonPrice(), true
	}
	return 0, false
}

// emissionsPriced sums the present values of the emissions of each year.
func (a *alternativeTerms) emissionsPriced(line func(l CarbonCostLine, member string) (int, bool)) int {
	return a.once(a.key("emissions priced"), func() int {
		var ids []int
		for _, l := range a.r.Cost.CarbonPrice.Lines {
			id, _ := line(l, "present_value_per_m2")
			ids = append(ids, id)
		}
		return a.made("present value of the emissions", a.response.Economics.Currency+"/m2", "Cost: price of carbon", OpSum, RoundNone, ids...)
	})
}

func (a *alternativeTerms) withCarbonPrice() int {
	return a.once(a.key("with carbon"), func() int {
		priced, _ := a.carbonPriceFigure([]string{"present_value_per_m2"}, 0)
		return a.made("net present value with the price of carbon", a.response.Economics.Currency+"/m2", "Cost: price of carbon", OpSum, RoundNone, a.beforeCarbon(), priced)
	})
}
