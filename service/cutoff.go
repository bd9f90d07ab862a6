package service

import (
	"slices"

	"slabledger/lca/carbon"
	"slabledger/lca/compare"
	"slabledger/lca/fault"
	"slabledger/lca/num"
	"slabledger/lca/unit"
)

// CutOffFlow is a flow that the request leaves out, with its share of what goes into
// its process (EN 15804, 6.3.6).
type CutOffFlow struct {
	Flow    string `json:"flow"`
	Module  string `json:"module"`
	Process string `json:"process,omitzero"` // flows of one process are added
	Mass    string `json:"mass"`
	Energy  string `json:"energy"`
	Item    string `json:"item,omitzero"` // what it is, by which its impact is estimated
	Reason  string `json:"reason"`
}

// CutOffLedger is what is left out.
type CutOffLedger struct {
	Flows   []CutOffFlowResult `json:"flows"`
	Modules []CutOffModules    `json:"modules"`
}

// CutOffFlowResult is one flow that is left out.
type CutOffFlowResult struct {
	Flow          string         `json:"flow"`
	Module        string         `json:"module"`
	Process       string         `json:"process,omitzero"`
	MassPercent   Plain          `json:"mass_percent"`
	EnergyPercent Plain          `json:"energy_percent"`
	Item          string         `json:"item,omitzero"`
	Reason        string         `json:"reason"`
	Impacts       []CutOffImpact `json:"impacts"`
}

// CutOffImpact is what the flow would emit in one alternative.
type CutOffImpact struct {
	Name           string `json:"name"`
	KgCO2ePerM3    Fixed  `json:"kg_co2e_per_m3"`
	PercentOfA1A3  *Fixed `json:"percent_of_a1_a3"` // of A1-A3 with it; null where that is zero
	AboveTheCutOff bool   `json:"above_the_cut_off"`
}

// CutOffModules is the sum over the modules of a stage.
type CutOffModules struct {
	Modules       string `json:"modules"`
	MassPercent   Plain  `json:"mass_percent"`
	EnergyPercent Plain  `json:"energy_percent"`
	LimitPercent  Plain  `json:"limit_percent"`
}

// cutOff is the ledger as read.
type cutOff struct {
	omitted []compare.Omitted
	items   []*entry // by flow; nil where none is named
	modules []compare.CutOffSum
}

func (in *interpretation) readCutOff(r *reader) {
	c := &in.cutOff
	c.omitted, c.items = make([]compare.Omitted, len(in.request.CutOff)), make([]*entry, len(in.request.CutOff))
	before := r.faults.Len()
	for i, f := range in.request.CutOff {
		at := fault.Path("/cut_off").At(i)
		if !slices.Contains(carbon.Modules(), f.Module) {
			r.faults.Add(at.At("module"), "not-in-list", "%q is no module of EN 15804", short(f.Module))
		}
		c.omitted[i] = compare.Omitted{Module: f.Module, Process: f.Process, Mass: r.fraction(f.Mass, at.At("mass")), Energy: r.fraction(f.Energy, at.At("energy"))}
		if f.Item != "" {
			c.items[i] = in.readOmittedItem(r, f, at)
		}
	}
	if r.faults.Len() > before {
		return
	}
	processes, modules := compare.CutOff(c.omitted)
	c.modules = modules
	for _, s := range processes {
		if s.Over() {
			name := short(s.Process)
			if name == "" {
				name = short(in.request.CutOff[s.Flows[0]].Flow)
			}
			r.faults.Add(fault.Path("/cut_off").At(s.Flows[len(s.Flows)-1]), "cut-off-exceeded", "%s, %s: %s are cut off; at most %s %% of either may be, of one process (EN 15804, 6.3.6)", name, s.Modules, shares(s), compare.CutOffOfProcess.Shift(2))
		}
	}
	for _, s := range modules {
		if s.Over() {
			r.faults.Add("/cut_off", "cut-off-exceeded", "%s: %s are cut off; at most %s %% of either may be, of the modules of a stage (EN 15804, 6.3.6)", s.Modules, shares(s), compare.CutOffOfModules.Shift(2))
		}
	}
}

func shares(s compare.CutOffSum) string {
	return s.Mass.Shift(2).String() + " % of the mass and " + s.Energy.Shift(2).String() + " % of the energy"
}

// readOmittedItem finds what a flow is. Its impact is known for what the concrete could
// be made of, whose mass is that of the mix.
func (in *interpretation) readOmittedItem(r *reader, f CutOffFlow, at fault.Path) *entry {
	at = at.At("item")
	it := r.item(f.Item, at)
	if it == nil {
		return nil
	}
	_, known := in.study.factor(it, it.inventory.MainFactor())
	switch _, part := roles[it.inventory.Category]; {
	case f.Module != "A1":
		r.faults.Add(at, "not-used", "an item tells the impact of a constituent of the concrete, whose module is A1; of %s only the shares are known", f.Module)
	case !part:
		r.faults.Add(at, "category-mismatch", "%s is a %s, which is no constituent of concrete", it.Code, it.inventory.Category)
	case !unit.KgPer(it.Unit, it.UnitMass, it.Density).Valid:
		r.faults.Add(at, "density-missing", "%s is declared per %s, and the inventory does not say what that weighs", it.Code, it.Unit)
	case !known:
		r.faults.Add(at, "factor-missing", "%s has no emission factor of its own in %s", it.Code, in.study.catalogue.ref.Ref)
	default:
		return it
	}
	return nil
}

// answerCutOff prints the ledger, warns where what is left out weighs little and emits
// much, and lists each flow among the limitations.
func (in *interpretation) answerCutOff(resp *ComparisonResponse, evaluations []*evaluated) {
	if in.request.CutOff == nil {
		return
	}
	ledger := &CutOffLedger{Flows: []CutOffFlowResult{}, Modules: []CutOffModules{}}
	for i, f := range in.request.CutOff {
		o := in.cutOff.omitted[i]
		line := CutOffFlowResult{Flow: f.Flow, Module: f.Module, Process: f.Process, MassPercent: Plain{o.Mass.Shift(2)}, EnergyPercent: Plain{o.Energy.Shift(2)}, Item: f.Item, Reason: f.Reason, Impacts: []CutOffImpact{}}
		for k, e := range evaluations {
			r := &resp.Alternatives[k]
			r.Limitations = append(slices.Clip(r.Limitations), Limitation{Module: f.Module, Flow: f.Flow, Reason: f.Reason})
			if it := in.cutOff.items[i]; it != nil {
				if impact, ok := in.impact(o, it, e, r, fault.Path("/cut_off").At(i)); ok {
					line.Impacts = append(line.Impacts, impact)
				}
			}
		}
		ledger.Flows = append(ledger.Flows, line)
	}
	for _, s := range in.cutOff.modules {
		ledger.Modules = append(ledger.Modules, CutOffModules{s.Modules, Plain{s.Mass.Shift(2)}, Plain{s.Energy.Shift(2)}, Plain{compare.CutOffOfModules.Shift(2)}})
	}
	resp.Comparison.CutOff = ledger
}

// impact is what a constituent that is left out would emit in one alternative.
func (in *interpretation) impact(o compare.Omitted, it *entry, e *evaluated, r *Result, at fault.Path) (CutOffImpact, bool) {
	warn := func(code, message string) {
		r.Warnings = append(r.Warnings, Statement{Code: code, Message: message, Pointer: string(at.At("item"))})
	}
	if slices.ContainsFunc(e.listed, func(c Constituent) bool { return c.Item == it.Code }) {
		warn("cutoff-flow-counted", it.Code+" is in the mix and is counted; other alternatives may leave it out")
		return CutOffImpact{}, false
	}
	factor, _ := in.study.factor(it, it.inventory.MainFactor()) // readCutOff has found it
	perKg := num.Quotient(factor, unit.KgPer(it.Unit, it.UnitMass, it.Density).Decimal)
	emitted, part := compare.OmittedImpact(o.Mass, e.proportions.Density, perKg, r.Concrete.GWPKgCO2ePerM3.A1A3.Decimal)
	impact := CutOffImpact{Name: r.Name, KgCO2ePerM3: Fixed{emitted}}
	if part.Valid {
		impact.PercentOfA1A3 = &Fixed{num.Line(part.Decimal.Shift(2))}
		impact.AboveTheCutOff = part.Decimal.GreaterThan(compare.CutOffOfProcess)
	}
	if impact.AboveTheCutOff {
		warn("cutoff-significant-impact", it.Code+" is left out at "+o.Mass.Shift(2).String()+" % of the mass, and would emit "+emitted.String()+" kg CO2e/m3, "+
			impact.PercentOfA1A3.String()+" % of A1-A3 with it; the cut-off is "+compare.CutOffOfProcess.Shift(2).String()+" %")
	}
	return impact, true
}
