package pavement

import (
	"math"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// aashto93 is the equation for rigid pavements of the AASHTO Guide for Design of
// Pavement Structures (1993), part II, figure 3.7 (value from memory).
type aashto93 struct{}

var aboutAASHTO93 = About{
	ID:       "aashto93",
	Title:    "AASHTO 1993 rigid pavement equation",
	Source:   "AASHTO, Guide for Design of Pavement Structures (1993)",
	Criteria: []Criterion{Serviceability},
	Strength: "mean modulus of rupture at 28 days, third-point loading (value from memory)",
	LowerMM:  decimal.New(127, 0),   // 5 in
	UpperMM:  decimal.New(3556, -1), // 14 in
	Bounds:   "axis of the guide's nomograph, 5 to 14 in; value from memory",
	Ranges: []Range{
		{"soil/k", "MPa/m", decimal.New(1357, -2), decimal.New(21716, -2), true, "axis of the guide's nomograph, 50 to 800 lb/in³; value from memory"},
		{"strength/effective", "MPa", decimal.New(2, 0), decimal.New(10, 0), true, practice},
		{"strength/effective", "MPa", decimal.New(34, -1), decimal.New(83, -1), false, "axis of the guide's nomograph, 500 to 1,200 psi; value from memory"},
		{"single axle load", "kN", decimal.Zero, decimal.New(2225, -1), true, "guide, tables D.10, D.13 and D.16: up to 50 kip; value from memory"},
		{"tandem or tridem axle load", "kN", decimal.Zero, decimal.New(4004, -1), true, "guide, tables D.11 to D.18: up to 90 kip; value from memory"},
		{"traffic/equivalent_axles", "equivalent axles", decimal.New(5, 4), decimal.New(1, 9), true, "axis of the guide's nomograph; value from memory"},
		{"serviceability/reliability", "%", decimal.New(50, 0), decimal.New(9999, -2), true, "guide, table 4.1; value from memory"},
		{"serviceability/zr", "", decimal.New(-375, -2), decimal.Zero, true, "guide, table 4.1; value from memory"},
		{"serviceability/s0", "", decimal.New(2, -1), decimal.New(6, -1), true, "axis of the guide's nomograph; value from memory"},
		{"serviceability/s0", "", decimal.New(25, -2), decimal.New(45, -2), false, practice},
		{"serviceability/delta_psi", "", decimal.New(5, -1), decimal.New(3, 0), true, "axis of the guide's nomograph; value from memory"},
		{"serviceability/terminal_psi", "", decimal.New(15, -1), decimal.New(35, -1), true, practice},
		{"serviceability/terminal_psi", "", decimal.New(2, 0), decimal.New(3, 0), false, "guide, part II, 2.2.1; value from memory"},
		{"serviceability/load_transfer", "", decimal.New(2, 0), decimal.New(5, 0), true, practice},
		{"serviceability/load_transfer", "", decimal.New(23, -1), decimal.New(44, -1), false, "guide, table 2.6; value from memory"},
		{"serviceability/drainage", "", decimal.New(7, -1), decimal.New(125, -2), true, "guide, table 2.5; value from memory"},
		{"serviceability/elastic_modulus", "MPa", decimal.New(10000, 0), decimal.New(70000, 0), true, practice},
		{"serviceability/elastic_modulus", "MPa", decimal.New(20000, 0), decimal.New(50000, 0), false, practice},
	},
}

func (aashto93) about() *About { return &aboutAASHTO93 }

// equationAASHTO93 holds the terms of the equation, in psi, in, lb/in³.
type equationAASHTO93 struct {
	w18      float64     // equivalent axles asked for
	spectrum *spectrum93 // or what they follow from, at each thickness
	fixed    float64     // ZR S0 - 0.06
	loss     float64     // log10 (ΔPSI/3.0)
	exponent float64     // 4.22 - 0.32 pt
	strength float64     // Sc Cd/(215.63 J)
	support  float64     // 18.42/(Ec/k)^0.25
}

func (aashto93) model(in Input, effective decimal.Decimal, intake *intake) model {
	if in.Strength.Rule != RuleNone && in.Strength.Rule != "" {
		intake.warnings.Add(intake.pointer("strength/rule"), "not-calibrated", "an effective modulus of rupture is not calibrated for aashto93, whose equation rests on plain slabs of one road test")
	}
	s := in.Serviceability
	deviate := 0.0
	switch {
	case s.Reliability.Valid && s.ZR.Valid:
		intake.faults.Add(intake.pointer("serviceability/zr"), "one-of", "give the reliability or its deviate ZR, not both")
	case s.ZR.Valid:
		deviate = intake.number("serviceability/zr", s.ZR)
	default:
		deviate = standardDeviate(intake.number("serviceability/reliability", s.Reliability))
	}
	e := &equationAASHTO93{
		fixed: float64(deviate*intake.number("serviceability/s0", s.S0)) - 0.06,
		loss:  math.Log10(intake.number("serviceability/delta_psi", s.DeltaPSI) / 3),
	}
	terminal := intake.number("serviceability/terminal_psi", s.TerminalPSI)
	e.exponent = 4.22 - float64(0.32*terminal)
	e.traffic(in, terminal, intake)
	e.strength = num.Float(effective) / mpaPerPSI * intake.number("serviceability/drainage", s.Cd) /
		(215.63 * intake.number("serviceability/load_transfer", s.J))
	k := intake.reaction(in) / mpaPerMOfLb
	ec := intake.number("serviceability/elastic_modulus", s.Ec) / mpaPerPSI
	e.support = 18.42 / math.Sqrt(math.Sqrt(ec/k))
	return e
}

// traffic takes the equivalent axles as given, or else the spectrum that they
// follow from. They differ by thickness; all that come of it must be inside the
// range, tried at every inch.
func (e *equationAASHTO93) traffic(in Input, terminal float64, intake *intake) {
	switch {
	case in.EquivalentAxles.Valid:
		e.w18 = intake.number("traffic/equivalent_axles", in.EquivalentAxles)
		return
	case len(in.Groups) == 0:
		intake.faults.Add(intake.pointer("traffic/equivalent_axles"), "required-member-missing", "the method aashto93 needs equivalent axles, or an axle-load spectrum to find them from")
		return
	}
	loads := intake.groups(in.Groups, func(a Axle) (member, refusal string) {
		if a == SingleTyre || a == SingleDual {
			return "single axle load", ""
		}
		return "tandem or tridem axle load", ""
	})
	if !intake.faults.Empty() {
		return
	}
	if in.LoadSafetyFactor.Valid && !in.LoadSafetyFactor.Decimal.Equal(num.One) {
		intake.warnings.Add(intake.pointer("traffic/load_safety_factor"), "not-used", "the load safety factor does not enter the equivalent axles: the margin of aashto93 is in its reliability")
	}
	e.spectrum = newSpectrum93(loads, terminal)
	least, most := math.Inf(1), 0.0
	for inch := 5.0; inch <= 14; inch++ { // the bounds of the method
		w18 := math.Round(e.spectrum.total(inch * mmPerInch))
		least, most = min(least, w18), max(most, w18)
	}
	at := intake.at.At("traffic", "axles")
	before := intake.faults.Len()
	if intake.within(at, "traffic/equivalent_axles", printed(least)); intake.faults.Len() == before {
		intake.within(at, "traffic/equivalent_axles", printed(most))
	}
}

// axles is W18 asked of a slab of h mm.
func (e *equationAASHTO93) axles(h float64) float64 {
	if e.spectrum != nil {
		return e.spectrum.total(h)
	}
	return e.w18
}

// standardDeviate is ZR, the standard normal deviate that is exceeded with the
// given reliability in %: -1.645 at 95 %. The guide's table 4.1 prints it to
// three decimals, some of them a unit off.
func standardDeviate(reliability float64) float64 {
	return -math.Sqrt2 * math.Erfinv(float64(2*reliability/100)-1)
}

// logAllowable is log10 W18 of a slab of h mm:
//
//	ZR S0 + 7.35 log(D+1) - 0.06 + log(ΔPSI/3)/(1 + 1.624·10⁷/(D+1)^8.46)
//	+ (4.22 - 0.32 pt) log( Sc Cd (D^0.75 - 1.132)/(215.63 J (D^0.75 - 18.42/(Ec/k)^0.25)) )
func (e *equationAASHTO93) logAllowable(h float64) float64 {
	d := h / mmPerInch
	power := math.Pow(d, 0.75)
	return e.fixed + float64(7.35*math.Log10(d+1)) +
		e.loss/(1+1.624e7/math.Pow(d+1, 8.46)) +
		float64(e.exponent*math.Log10(e.strength*(power-1.132)/(power-e.support)))
}

func (e *equationAASHTO93) damage(_ Criterion, h float64) float64 {
	return e.axles(h) / math.Pow(10, e.logAllowable(h))
}

func (e *equationAASHTO93) indices(dst []float64, h float64) []float64 {
	return append(dst, math.Log10(e.axles(h))-e.logAllowable(h))
}

func (e *equationAASHTO93) result(r *Result, h float64) {
	r.Allowable = allowable(math.Pow(10, e.logAllowable(h)))
	if e.spectrum != nil {
		e.spectrum.result(r, h)
	}
	r.Totals = []Total{{Serviceability, printed(100 * e.damage(Serviceability, h))}}
}
