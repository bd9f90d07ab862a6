package service

import (
	"slices"

	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/lca/mix"
	"slabledger/lca/num"
	"slabledger/lca/slab"
	"slabledger/lca/unit"
)

// stagesOfPlan is how the mix is put together; without stages, all at once.
func (m *mixCheck) stagesOfPlan() []mix.StageResult {
	if len(m.stages) > 0 {
		return m.stages
	}
	return []mix.StageResult{m.whole()}
}

// whole is the mix as one stage.
func (m *mixCheck) whole() mix.StageResult {
	masses := make([]decimal.Decimal, len(m.proportions.Parts))
	for i, part := range m.proportions.Parts {
		masses[i] = part.Mass
	}
	return mix.StageResult{Name: "mixing", Masses: masses, Volume: num.One, WaterBinder: m.proportions.WaterBinderOf(masses, m.solids, decimal.Zero)}
}

func (m *mixCheck) batchPlan() *BatchPlanResult {
	q := m.req.BatchPlan
	if q == nil {
		return nil
	}
	at, before := fault.Path("/batch_plan"), m.faults.Len()
	volume, _ := m.required(q.MixerVolume, "1.0 m3", at.At("mixer_volume"), unit.Volume)
	tolerances := m.tolerances(q.Tolerances, at.At("tolerances"))
	moisture := make([]*mix.Moisture, len(m.proportions.Parts))
	for i, w := range q.Moisture {
		at := at.At("moisture", i)
		k := slices.IndexFunc(m.proportions.Parts, func(p mix.Part) bool { return p.Item == w.Item })
		switch {
		case m.formOnly:
			m.moisture(w.Moisture, w.Absorption, at)
		case k < 0:
			m.faults.Add(at.At("item"), "item-unknown", "the mix has no constituent %q", short(w.Item))
		case m.proportions.Parts[k].Role != mix.Aggregate:
			m.faults.Add(at.At("item"), "category-mismatch", "%s is no aggregate; moisture and absorption are for aggregates", w.Item)
		case moisture[k] != nil:
			m.faults.Add(at.At("item"), "duplicate-item", "the moisture of %s is given twice", w.Item)
		default:
			moisture[k] = m.moisture(w.Moisture, w.Absorption, at)
		}
	}
	if m.faults.Len() > before || m.formOnly {
		return nil
	}
	for i, part := range m.proportions.Parts {
		if part.Role == mix.Aggregate && moisture[i] == nil {
			m.bill.Assumptions.Add(at.At("moisture"), "surface-dry", "%s is taken as saturated and surface-dry", part.Item)
		}
	}
	stages := m.stagesOfPlan()
	plan, faults := mix.PlanBatch(m.proportions, stages, volume.SI(), moisture, at.At("moisture"))
	m.faults.Append(faults.All()...)
	if !faults.Empty() {
		return nil
	}
	r := &BatchPlanResult{VolumeM3: Amount{plan.Volume}, Tolerances: ToleranceRule{tolerances.ID, tolerances.Source}}
	step := 0
	for s, stage := range stages {
		ps := PlanStage{Name: stage.Name, Minutes: stage.Minutes, MixerHPerM3: Amount{stage.MixerHours}, WaterBinderRatio: amountOf(stage.WaterBinder),
			FreeWaterKg: Amount{plan.Free[s]}, CarriedWaterKg: Amount{plan.Carried[s]}, Lines: []PlanLine{}}
		if len(m.mixers) > s {
			ps.Mixer = m.mixers[s]
			ps.Loads = loads(stage.Volume.Mul(plan.Volume), m.catalogue.entries[ps.Mixer].inventory.BatchVolume.Decimal)
			ps.TotalMinutes = ps.Loads * int64(stage.Minutes)
			if ps.Loads > 1 {
				m.warnings.Add(at.At("mixer_volume"), "mixer-overfull", "stage %q of this batch fills %s %d times", stage.Name, ps.Mixer, ps.Loads)
			}
		}
		if !plan.Carried[s].IsZero() {
			m.warnings.Add(at.At("moisture"), "free-water-carried", "stage %q has no water to set %s kg of free water of its aggregate off against; a later stage does, so the ratios of both differ from the plan", stage.Name, plan.Carried[s])
		}
		for i, part := range m.proportions.Parts {
			if stage.Masses[i].IsZero() {
				continue
			}
			step++
			line := PlanLine{Step: step, Item: part.Item, MassKg: Amount{plan.Mass[s][i]}, SurfaceDryKg: Amount{plan.SSD[s][i]}}
			line.LeastKg, line.MostKg = limitsOf(tolerances, part.Role, plan.Mass[s][i])
			ps.Lines = append(ps.Lines, line)
		}
		r.Stages = append(r.Stages, ps)
	}
	for i, part := range m.proportions.Parts {
		var mass, dry decimal.Decimal
		for s := range stages {
			mass, dry = mass.Add(plan.Mass[s][i]), dry.Add(plan.SSD[s][i])
		}
		r.Totals = append(r.Totals, PlanTotal{part.Item, Amount{mass}, Amount{dry}})
	}
	return r
}

func limitsOf(t mix.Tolerances, role mix.Role, target decimal.Decimal) (least, most *Amount) {
	if low, high, ok := t.Limits(role, target); ok {
		return &Amount{low}, &Amount{high}
	}
	return nil, nil
}

// loads is how many fillings of a mixer a volume takes, at least one.
func loads(volume, batch decimal.Decimal) int64 {
	n, err := num.Div(volume, batch)
	if err != nil { // a mixer has a batch volume of more than zero
		return 1
	}
	return max(1, n.Ceil().IntPart())
}

// staged sets the stages against mixing all at once.
func (m *mixCheck) staged(gate GateResult) *StagedAgainstOrdinary {
	at, before := fault.Path("/ordinary"), m.faults.Len()
	if len(m.Mix.Stages) < 2 {
		if m.req.Ordinary != nil {
			m.faults.Add(at, "not-used", "the mix has fewer than two stages, so there is nothing to set against ordinary mixing")
		}
		if m.req.Thickness != nil {
			m.faults.Add("/thickness_design", "not-used", "the mix has fewer than two stages, so there is no staged mixing to be paid for by a thinner slab")
		}
		return nil
	}
	var q OrdinaryMixing
	if m.req.Ordinary != nil {
		q = *m.req.Ordinary
	}
	last := m.Mix.Stages[len(m.Mix.Stages)-1]
	if q.Mixer == "" && q.Minutes == 0 {
		m.bill.Assumptions.Add(at, "ordinary-mixing", "ordinary mixing is taken to be that of the last stage: %d minutes in %s", last.Minutes, last.Mixer)
	}
	if q.Mixer == "" {
		q.Mixer = last.Mixer
	}
	if q.Minutes == 0 {
		q.Minutes = last.Minutes
	}
	read, mixer := m.stage(Stage{Name: "mixing", Mixer: q.Mixer, Minutes: q.Minutes, Takes: Takes{Rest: true}}, at)
	var thickness, saving decimal.NullDecimal
	if q.Thickness != "" {
		if t, ok := m.required(q.Thickness, "240 mm", at.At("thickness"), unit.Length); ok {
			thickness = decimal.NewNullDecimal(t.SI())
		}
	}
	if q.ThicknessSaving != "" {
		saving = decimal.NewNullDecimal(m.fraction(q.ThicknessSaving, at.At("thickness_saving")))
		if saving.Decimal.Equal(num.One) {
			m.faults.Add(at.At("thickness_saving"), "out-of-range", "a saving of all thickness leaves no slab; accepted: less than 100 %%")
		}
	}
	if m.formOnly && m.req.Thickness != nil {
		m.pavementInput(*m.req.Thickness, "/thickness_design")
		m.rounding(m.req.Thickness.Rounding, "/thickness_design/rounding")
	}
	if m.faults.Len() > before || m.formOnly {
		return nil
	}
	once, faults := mix.Split(m.proportions, []mix.Stage{read}, m.solids)
	m.faults.Append(faults.All()...)
	if !faults.Empty() {
		return nil
	}
	energy := m.production("/mix")
	r := &StagedAgainstOrdinary{Mixer: q.Mixer, Minutes: q.Minutes,
		Ordinary:        m.gate(nameOrdinary, slab.MadeWith(slices.Clip(m.atPlant), append(energy, mixerEnergy(mixer, once[0], at.At("mixer"))))),
		BreakEvenEnergy: []EnergyAmount{}}
	hours := once[0].MixerHours.Neg()
	for _, s := range m.stages {
		hours = hours.Add(s.MixerHours)
	}
	r.ExtraMixerH = Amount{hours}
	r.ExtraEnergy = difference(gate.Energy, r.Ordinary.Energy)
	a, b := gate.GWPKgCO2ePerM3, r.Ordinary.GWPKgCO2ePerM3
	r.ExtraA3, r.ExtraCostPerM3 = minus(a.A3, b.A3), minus(gate.CostPerM3, r.Ordinary.CostPerM3)
	r.BreakEvenCarbon, r.BreakEvenCost = breakEven(a.A1A3, b.A1A3, thickness), breakEven(gate.CostPerM3, r.Ordinary.CostPerM3, thickness)
	if saving.Valid && b.A1A3 != nil {
		for _, e := range r.ExtraEnergy {
			factor := m.catalogue.entries[e.Item].inventory.Factors[inventory.FactorProcess]
			if k, err := mix.BreakEvenEnergy(b.A1A3.Decimal, saving.Decimal, factor); err == nil { // without emissions there is no such energy
				r.BreakEvenEnergy = append(r.BreakEvenEnergy, EnergyAmount{Item: e.Item, AmountPerM3: Amount{k}, Unit: e.Unit})
			}
		}
	}
	if m.req.Thickness != nil {
		r.StrengthGain = m.strengthGain(*m.req.Thickness, gate, r.Ordinary)
	}
	return r
}

func minus(a, b *Fixed) *Fixed {
	if a == nil || b == nil {
		return nil
	}
	return &Fixed{a.Sub(b.Decimal)}
}

func breakEven(staged, ordinary *Fixed, thickness decimal.NullDecimal) *BreakEven {
	if staged == nil || ordinary == nil {
		return nil
	}
	x, err := mix.BreakEven(staged.Decimal, ordinary.Decimal)
	if err != nil { // concrete that costs or emits nothing
		return nil
	}
	b := &BreakEven{ThicknessPercent: Amount{x.Mul(num.Hundred)}}
	if thickness.Valid {
		b.ThicknessMM = &Amount{x.Mul(thickness.Decimal).Shift(3)}
	}
	return b
}

// difference is what the first list uses more of than the second.
func difference(staged, ordinary []EnergyAmount) []EnergyAmount {
	list := slices.Clone(staged)
	for _, o := range ordinary {
		i := slices.IndexFunc(list, func(e EnergyAmount) bool { return e.Item == o.Item })
		if i < 0 {
			list = append(list, EnergyAmount{Item: o.Item, Unit: o.Unit})
			i = len(list) - 1
		}
		list[i].AmountPerM3 = Amount{list[i].AmountPerM3.Sub(o.AmountPerM3.Decimal)}
	}
	return list
}

func (m *mixCheck) coating() []CoatingResult {
	list := []CoatingResult{}
	for i, q := range m.req.Coating {
		at := fault.Path("/coating").At(i)
		if m.formOnly {
			m.required(q.Diameter, "0.45 mm", at.At("diameter"), unit.Length)
			continue
		}
		k := slices.IndexFunc(m.proportions.Parts, func(p mix.Part) bool { return p.Item == q.Item && p.Role == mix.Fibre })
		if k < 0 {
			m.faults.Add(at.At("item"), "item-unknown", "the mix has no fibre %q", short(q.Item))
			continue
		}
		density := m.catalogue.entries[q.Item].Density
		if !density.Valid {
			m.faults.Add(at.At("item"), "density-missing", "the inventory has no density for %s", q.Item)
		}
		diameter, ok := m.required(q.Diameter, "0.45 mm", at.At("diameter"), unit.Length)
		if !ok || !density.Valid {
			continue
		}
		r := CoatingResult{Item: q.Item, DiameterMM: Plain{diameter.SI().Shift(3)},
			SurfaceM2PerM3: Amount{mix.FibreSurface(m.proportions.Parts[k].Mass, density.Decimal, diameter.SI())}}
		m.film(&r, k)
		list = append(list, r)
	}
	return list
}

// film spreads the slurry of the first stage that takes a fibre over it.
func (m *mixCheck) film(r *CoatingResult, part int) {
	stages := m.stagesOfPlan()
	s := slices.IndexFunc(stages, func(s mix.StageResult) bool { return !s.Masses[part].IsZero() })
	r.Stage = stages[s].Name
	if s == len(stages)-1 {
		r.Reason = "the fibres join with all the rest, so no slurry coats them first"
		return
	}
	for i, mass := range stages[s].Masses {
		if role := m.proportions.Parts[i].Role; i != part && !mass.IsZero() && (role == mix.Aggregate || role == mix.Fibre) {
			r.Reason = "the slurry also coats " + m.proportions.Parts[i].Item
			return
		}
	}
	slurry, known := mix.SlurryVolume(m.proportions, stages[s], part)
	share, err := num.Div(stages[s].Masses[part], m.proportions.Parts[part].Mass)
	if !known || err != nil {
		r.Reason = "the density of a material of the slurry is not known"
		return
	}
	r.SlurryVolumeM3PerM3 = &Amount{slurry}
	r.FilmMM = &Amount{mix.Film(slurry, r.SurfaceM2PerM3.Mul(share)).Shift(3)}
}

// delivered sets a ticket against the mix.
func (m *mixCheck) delivered(designed GateResult) *DeliveredResult {
	q := m.req.Delivered
	if q == nil {
		return nil
	}
	at, before := fault.Path("/delivered"), m.faults.Len()
	rec := record{what: "ticket"}
	volume, ok := m.required(q.Volume, "6 m3", at.At("volume"), unit.Volume)
	if ok {
		m.keep(&rec, volume, at.At("volume"))
	}
	weighed := m.weighed(q.Masses, &rec, at.At("masses"))
	var density decimal.NullDecimal
	if q.FreshDensity != "" {
		if d, ok := m.required(q.FreshDensity, "2350 kg/m3", at.At("fresh_density"), unit.Density); ok {
			m.keep(&rec, d, at.At("fresh_density"))
			density = decimal.NewNullDecimal(d.SI())
		}
	}
	tolerances := m.tolerances(q.Tolerances, at.At("tolerances"))
	if m.formOnly {
		return nil
	}
	ordered := m.ticketOrder(weighed, at.At("masses"))
	if m.faults.Len() > before {
		return nil
	}
	moisture := make([]*mix.Moisture, len(ordered))
	for i, w := range ordered {
		moisture[i] = w.Moisture
	}
	plan, faults := mix.PlanBatch(m.proportions, []mix.StageResult{m.whole()}, volume.SI(), moisture, at.At("masses"))
	dry := mix.SurfaceDry(ordered, at.At("masses"), &faults)
	m.faults.Append(faults.All()...)
	if !faults.Empty() {
		return nil
	}
	r := &DeliveredResult{VolumeM3: Amount{volume.SI()}, Tolerances: ToleranceRule{tolerances.ID, tolerances.Source}, Within: true}
	yield := volume.SI()
	if density.Valid {
		total := decimal.Zero
		for _, w := range ordered {
			total = total.Add(w.Value)
		}
		yield = num.Quotient(total, density.Decimal)
		r.YieldM3, r.RelativeYield = &Amount{yield}, &Amount{num.Quotient(yield, volume.SI())}
	} else {
		m.bill.Assumptions.Add(at.At("volume"), "volume-of-ticket", "no density was measured on delivery, so the ticket's volume is taken for the volume delivered")
	}
	masses := make([]decimal.Decimal, len(ordered))
	for i, w := range ordered {
		masses[i] = num.Amount(num.Quotient(dry[i], yield))
		r.Lines = append(r.Lines, m.ticketLine(w, plan.Mass[0][i], tolerances, r))
	}
	r.EffectiveWaterBinderRatio = amountOf(m.proportions.WaterBinderOf(masses, m.solids, m.proportions.Absorbed))
	materials := m.materials()
	for i := range materials {
		materials[i].Mass = masses[i]
	}
	// A builder of its own: what it assumes has been said of the design.
	flows := slab.NewBuilder(m.bill.Rules).Materials(materials, m.req.Transport != nil)
	r.AsBatched = m.gate(nameAsBatched, slab.MadeWith(flows, m.energy))
	r.AsDesignedA1A3 = designed.GWPKgCO2ePerM3.A1A3
	r.ExtraA1A3 = minus(r.AsBatched.GWPKgCO2ePerM3.A1A3, r.AsDesignedA1A3)
	return r
}

// ticketOrder brings the masses of a ticket into the order of the mix; each
// constituent stands on it once.
func (m *mixCheck) ticketOrder(weighed []mix.Weighed, at fault.Path) []mix.Weighed {
	ordered := make([]mix.Weighed, len(m.proportions.Parts))
	for i, w := range weighed {
		k := slices.IndexFunc(m.proportions.Parts, func(p mix.Part) bool { return p.Item == w.Item })
		switch {
		case w.Role == 0: // no item of the inventory, which has been said
		case k < 0:
			m.faults.Add(at.At(i, "item"), "item-unknown", "the mix has no constituent %q", short(w.Item))
		case ordered[k].Item != "":
			m.faults.Add(at.At(i, "item"), "duplicate-item", "%s stands on the ticket twice; give its sum", w.Item)
		default:
			ordered[k] = w
		}
	}
	for k, part := range m.proportions.Parts {
		if ordered[k].Item == "" {
			m.faults.Add(at, "ticket-incomplete", "the ticket does not say how much %s was weighed", part.Item)
		}
	}
	return ordered
}

func (m *mixCheck) ticketLine(w mix.Weighed, target decimal.Decimal, t mix.Tolerances, r *DeliveredResult) DeliveredLine {
	line := DeliveredLine{Item: w.Item, TargetKg: Amount{target}, MassKg: Amount{w.Value}}
	deviation := "no target"
	if target.IsPositive() {
		line.DeviationPercent = &Amount{num.Quotient(w.Value.Sub(target).Mul(num.Hundred), target)}
		deviation = line.DeviationPercent.RoundBank(2).StringFixed(2) + " %"
	}
	if line.LeastKg, line.MostKg = limitsOf(t, w.Role, target); line.LeastKg == nil {
		return line
	}
	within := w.Value.GreaterThanOrEqual(line.LeastKg.Decimal) && w.Value.LessThanOrEqual(line.MostKg.Decimal)
	line.Within = &within
	if !within {
		r.Within = false
		m.warnings.Add(w.At.At("mass"), "outside-tolerance", "%s: %s kg against %s kg, %s; accepted: %s to %s kg (%s)", w.Item, w.Value, target.RoundBank(3), deviation,
			line.LeastKg.RoundBank(3), line.MostKg.RoundBank(3), t.ID)
	}
	return line
}
