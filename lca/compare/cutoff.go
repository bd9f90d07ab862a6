package compare

import (
	"slices"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// Limits of what may be cut off, as fractions (EN 15804, 6.3.6, and ISO 21930, 7.1.8;
// from memory): of the mass input, and of the primary energy, of one unit process, and
// of the modules of one stage.
var (
	CutOffOfProcess = decimal.New(1, -2)
	CutOffOfModules = decimal.New(5, -2)
)

// Omitted is a flow that is left out, as a share of the mass input and of the primary
// energy, from 0 to 1. Flows of one process are added; a flow without one is its own.
type Omitted struct {
	Module, Process string
	Mass, Energy    decimal.Decimal
}

// CutOffSum is what is left out of a process or of the modules of a stage.
type CutOffSum struct {
	Modules      string // as StageOf has them
	OfProcess    bool   // else of all of the modules
	Process      string // empty for a flow without one
	Mass, Energy decimal.Decimal
	Flows        []int // of the list, in order
}

// Over tells whether more is left out than may be.
func (s CutOffSum) Over() bool {
	limit := CutOffOfModules
	if s.OfProcess {
		limit = CutOffOfProcess
	}
	return s.Mass.GreaterThan(limit) || s.Energy.GreaterThan(limit)
}

// StageOf is the group of modules over which what is left out is added: A1-A3, A4-A5,
// B1-B5, B6-B8, C1-C4 or D (EN 15804, 6.3.6; from memory. B8 is younger than that
// clause and goes with B6 and B7); A0 is its own.
func StageOf(module string) string {
	switch {
	case module == "A0" || module == "D":
		return module
	case module == "A4" || module == "A5":
		return "A4-A5"
	case module[0] == 'A':
		return "A1-A3"
	case module[0] == 'C':
		return "C1-C4"
	case module >= "B6":
		return "B6-B8"
	}
	return "B1-B5"
}

// CutOff adds up what is left out: by process, then by group of modules, each in the
// order of its first flow.
func CutOff(flows []Omitted) (processes, modules []CutOffSum) {
	for i, f := range flows {
		stage := StageOf(f.Module)
		k := -1
		if f.Process != "" {
			k = slices.IndexFunc(processes, func(s CutOffSum) bool { return s.Modules == stage && s.Process == f.Process })
		}
		if k < 0 {
			k, processes = len(processes), append(processes, CutOffSum{Modules: stage, OfProcess: true, Process: f.Process})
		}
		processes[k].add(i, f)
		if k = slices.IndexFunc(modules, func(s CutOffSum) bool { return s.Modules == stage }); k < 0 {
			k, modules = len(modules), append(modules, CutOffSum{Modules: stage})
		}
		modules[k].add(i, f)
	}
	return processes, modules
}

func (s *CutOffSum) add(i int, f Omitted) {
	s.Mass, s.Energy, s.Flows = s.Mass.Add(f.Mass), s.Energy.Add(f.Energy), append(s.Flows, i)
}

// OmittedImpact is what a flow that is left out would emit, and which share of the
// whole that is. The flow is a share of the mass with it, so it weighs
// share/(1 - share) of the mass without it, which is given in kg; factor is in kg CO2e
// per kg, and counted, in kg CO2e, is what is counted without it. The share must be
// below 1.
func OmittedImpact(share, mass, factor, counted decimal.Decimal) (emitted decimal.Decimal, part decimal.NullDecimal) {
	emitted = num.LineQuotient(share.Mul(mass).Mul(factor), num.One.Sub(share))
	if q, err := num.Div(emitted, counted.Add(emitted)); err == nil {
		part = decimal.NewNullDecimal(q)
	}
	return emitted, part
}
