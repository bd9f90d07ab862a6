package pavement

import (
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// Input is a design problem. Members that the method does not use may be
// absent; those it needs and does not find are faults. Faults and warnings
// point to the members by the names beside them, below At.
type Input struct {
	Method   string   // method: an id of Methods
	Strength Strength // strength

	// Traffic: a spectrum for eb109p and austroads; for aashto93 equivalent axles, or
	// where there are none a spectrum from which it finds them.
	Groups           []Group             // traffic/axles, at most MaxGroups
	LoadSafetyFactor decimal.NullDecimal // traffic/load_safety_factor, on every load
	EquivalentAxles  decimal.NullDecimal // traffic/equivalent_axles: 18 kip (80 kN) single axles in the design period

	// Soil, as improved by the base. No method here converts one into the other.
	// Where Base is given, K is that of the subgrade, soil/subgrade_k, and the methods
	// that need k take it on top of the base.
	K    decimal.NullDecimal // soil/k, MPa/m
	CBR  decimal.NullDecimal // soil/cbr, effective CBR, %
	Base *Base               // soil/base

	Dowels   bool // edge/dowels: joints with dowels, else aggregate interlock
	Shoulder bool // edge/concrete_shoulder: tied concrete shoulder

	// CV is strength/coefficient_of_variation of the modulus of rupture, a ratio;
	// absent is 0.15, the value built into the charts of EB109P (read). Only eb109p
	// uses it.
	CV decimal.NullDecimal

	Serviceability AASHTOTerms // aashto93 only
	At             fault.Path
}

// MaxGroups bounds the rows of a spectrum, and so the work of one design.
const MaxGroups = 200

// AASHTOTerms are what the AASHTO equation asks for beyond strength, soil
// and traffic. Either Reliability or ZR is given.
type AASHTOTerms struct {
	Reliability decimal.NullDecimal // serviceability/reliability, %
	ZR          decimal.NullDecimal // serviceability/zr, standard normal deviate of the reliability, negative
	S0          decimal.NullDecimal // serviceability/s0, overall standard deviation of log10 W18
	DeltaPSI    decimal.NullDecimal // serviceability/delta_psi, design serviceability loss
	TerminalPSI decimal.NullDecimal // serviceability/terminal_psi
	J           decimal.NullDecimal // serviceability/load_transfer
	Cd          decimal.NullDecimal // serviceability/drainage
	Ec          decimal.NullDecimal // serviceability/elastic_modulus, MPa
}

// Range is a limit of one input of a method. Beyond a refused range the method
// does not compute; beyond another one it computes and warns.
type Range struct {
	Member  string // pointer below the input: "soil/k"
	Unit    string // empty for a pure number
	Low     decimal.Decimal
	High    decimal.Decimal
	Refused bool
	Source  string
}

// contains compares after the crossing, which keeps order: a limit itself is
// inside.
func (r *Range) contains(v float64) bool {
	return v >= num.Float(r.Low) && v <= num.Float(r.High)
}

func (r *Range) String() string {
	return strings.TrimSpace(r.Low.String() + " to " + r.High.String() + " " + r.Unit)
}

// intake reads the numbers of an input against the ranges of a method.
type intake struct {
	at         fault.Path
	about      *About
	faults     fault.List
	warnings   fault.List
	foundation *Foundation // where k is taken on top of a base
}

func (in *intake) pointer(member string) fault.Path { return in.at + fault.Path("/"+member) }

// number needs the member and crosses it to float64.
func (in *intake) number(member string, v decimal.NullDecimal) float64 {
	if !v.Valid {
		in.faults.Add(in.pointer(member), "required-member-missing", "the method %s needs %s", in.about.ID, member)
		return 0
	}
	return in.within(in.pointer(member), member, v.Decimal)
}

// reaction is the soil reaction in MPa/m, on top of the base where there is one.
func (in *intake) reaction(input Input) float64 {
	if input.Base == nil {
		return in.number("soil/k", input.K)
	}
	soil := in.pointer("soil")
	if !input.K.Valid {
		in.faults.Add(soil.At("subgrade_k"), "required-member-missing", "a base needs the k of the subgrade under it")
		return 0
	}
	f, faults := input.Base.On(input.K.Decimal, soil)
	if in.faults.Append(faults.All()...); !faults.Empty() {
		return 0
	}
	in.foundation = &f
	in.warnings.Add(soil.At("base"), "k-from-base", "%s", f)
	return in.within(soil, "soil/k", f.K)
}

// within holds a value against the ranges of a member and crosses it.
func (in *intake) within(at fault.Path, member string, v decimal.Decimal) float64 {
	f := num.Float(v)
	for i := range in.about.Ranges {
		r := &in.about.Ranges[i]
		switch {
		case r.Member != member || r.contains(f):
		case r.Refused:
			in.faults.Add(at, "out-of-range", "%s is outside the range of %s, which is %s (%s)", v, in.about.ID, r, r.Source)
			return 0
		default:
			in.warnings.Add(at, "unusual-value", "%s is outside %s (%s)", v, r, r.Source)
		}
	}
	return f
}

// groups reads a spectrum. supported tells what one axle kind is to the method:
// the member of its load range, or why the method has no place for it.
func (in *intake) groups(groups []Group, supported func(Axle) (member, refusal string)) []load {
	axles := in.at.At("traffic", "axles")
	if len(groups) == 0 {
		in.faults.Add(axles, "required-member-missing", "the method %s needs an axle-load spectrum", in.about.ID)
	}
	if len(groups) > MaxGroups {
		in.faults.Add(axles, "too-many", "%d axle groups; accepted: up to %d", len(groups), MaxGroups)
		return nil
	}
	loads := make([]load, len(groups))
	repetitions := 0.0
	for i, g := range groups {
		at := axles.At(i)
		loads[i].axle = g.Axle.index()
		if loads[i].axle < 0 {
			in.faults.Add(at.At("axle"), "one-of", "%q is no axle group; accepted: %s, %s, %s, %s", g.Axle, SingleTyre, SingleDual, Tandem, Tridem)
		} else if member, refusal := supported(g.Axle); refusal != "" {
			in.faults.Add(at.At("axle"), "axle-unsupported", "%s", refusal)
		} else if !g.LoadKN.IsPositive() {
			in.faults.Add(at.At("load"), "out-of-range", "the load of an axle group must be more than zero")
		} else {
			loads[i].kN = in.within(at.At("load"), member, g.LoadKN)
		}
		n := num.Float(g.Repetitions)
		if n < 0 || n > maxRepetitions {
			in.faults.Add(at.At("repetitions"), "out-of-range", "%s repetitions; accepted: 0 to %.0f", g.Repetitions, maxRepetitions)
		}
		loads[i].repetitions = n
		repetitions = max(repetitions, n)
	}
	if len(groups) > 0 && !(repetitions > 0) {
		in.faults.Add(axles, "out-of-range", "the spectrum has no repetitions")
	}
	return loads
}

// maxRepetitions is far beyond a century of the busiest lane, and keeps every
// damage sum finite.
const maxRepetitions = 1e12
