package pavement

import (
	"math"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// eb109p is the analysis of EB109P (1984) with the equations of Packard and
// Tayabji (1985). The formula of the erosion power, the erosion law, C2 and the
// constant of the erosion factor were read in print; the other coefficients are
// values from memory, which reproduce the table values and the sample design of
// the handbook (see the tests).
type eb109p struct{}

const chartsOfEB109P = "range of the handbook's tables and charts; value from memory"

var aboutEB109P = About{
	ID:       "eb109p",
	Title:    "PCA fatigue and erosion analysis",
	Source:   "Portland Cement Association, EB109P (1984); equations of Packard and Tayabji (1985)",
	Criteria: []Criterion{Fatigue, Erosion},
	Strength: "mean modulus of rupture at 28 days, third-point loading; variation and gain with age are in the method (value from memory)",
	LowerMM:  decimal.New(1016, -1), // 4 in
	UpperMM:  decimal.New(3556, -1), // 14 in
	Bounds:   chartsOfEB109P,
	Ranges: []Range{
		{"soil/k", "MPa/m", decimal.New(1357, -2), decimal.New(19002, -2), true, chartsOfEB109P + ": 50 to 700 lb/in³"},
		{"single axle load", "kN", decimal.Zero, decimal.New(267, 0), true, chartsOfEB109P + ": up to 60 kip"},
		{"tandem axle load", "kN", decimal.Zero, decimal.New(534, 0), true, chartsOfEB109P + ": up to 120 kip"},
		{"traffic/load_safety_factor", "", decimal.New(1, 0), decimal.New(15, -1), true, "the handbook uses 1.0 to 1.2, value from memory; up to 1.5 is common practice, no source"},
		{"strength/effective", "MPa", decimal.New(2, 0), decimal.New(10, 0), true, practice},
		{"strength/effective", "MPa", decimal.New(3, 0), decimal.New(65, -1), false, practice},
		{"strength/coefficient_of_variation", "", decimal.Zero, decimal.New(4, -1), true, practice},
		{"strength/coefficient_of_variation", "", decimal.New(5, -2), decimal.New(25, -2), false, practice},
	},
}

func (eb109p) about() *About { return &aboutEB109P }

const practice = "common practice, no source"

// Exact in SI, NIST SP 811 (2008), appendix B, shortened to the nearest float64.
const (
	mmPerInch   = 25.4
	kNPerKip    = 4.4482216152605
	mpaPerPSI   = 0.006894757293168361
	mpaPerMOfLb = 0.2714471375263134 // MPa/m in 1 lb/in³
)

func (eb109p) model(in Input, effective decimal.Decimal, intake *intake) model {
	cv := 0.15
	if in.CV.Valid {
		cv = intake.number("strength/coefficient_of_variation", in.CV)
	}
	safety := intake.number("traffic/load_safety_factor", in.LoadSafetyFactor)
	slab := newSlabEB109P(intake.reaction(in)/mpaPerMOfLb, in.Dowels, in.Shoulder, cv)
	m := &mechanistic{slab: slab, strength: num.Float(effective), c2: erosionWeight(in.Shoulder)}
	loads := intake.groups(in.Groups, func(a Axle) (member, refusal string) {
		switch a {
		case SingleDual:
			return "single axle load", ""
		case Tandem:
			return "tandem axle load", ""
		case Tridem:
			return "", "eb109p as published here has no equations for tridem axles; use the method austroads, which has"
		default:
			return "", "eb109p has equations for dual tyres only; use the method austroads, or enter the axle as single_dual if that is what the traffic count means"
		}
	})
	for i := range loads {
		l := &loads[i]
		l.stress, l.power = loadFactorsEB109P(l.axle, l.kN*safety/kNPerKip)
	}
	m.weigh(loads)
	return m
}

const (
	singleDual = 1 // indices of Axles
	tandem     = 2
)

// loadFactorsEB109P scale the reference load of 18 kip (single) or 36 kip
// (tandem) to a load in kip: f1 of the stress, and f5² of the erosion power,
// which goes with the square of the deflection.
//
//	f1 = (24/S)^0.06 · S/18 (single), (48/T)^0.06 · T/36 (tandem); f5 = S/18, T/36
//
// The stress of the reference load itself holds (24/18)^0.06 already; it is taken
// out here.
func loadFactorsEB109P(axle int, kip float64) (stress, power float64) {
	over := kip / 18
	if axle == tandem {
		over = kip / 36
	}
	return math.Pow(over, 0.94), over * over
}

// slabEB109P holds what does not change with the thickness, in psi, in, lb/in³.
type slabEB109P struct {
	k         float64
	shoulder  bool
	support   float64       // 0.8742 + 0.01088 k^0.447, of a slab with shoulder
	variation float64       // f4
	kPower    float64       // 268.7 k^1.27
	corner    [3][4]float64 // a, b, c, d of the corner pressure, by axle index
	transfer  float64       // f6 · f7
}

// cornerEB109P holds a, b, c, d of the corner pressure pc = a + b/ℓ + c/ℓ² + d/ℓ³
// in psi. Source: Packard and Tayabji (1985); values from memory.
var cornerEB109P = map[struct{ dowels, shoulder bool }][2][4]float64{
	{true, false}:  {{-0.3019, 128.85, 1105.8, 3269.1}, {1.258, 97.491, 1484.1, -180}},
	{false, false}: {{1.571, 46.127, 4372.7, -22886}, {1.847, 213.68, -1260.8, 22989}},
	{true, true}:   {{0.018, 72.99, 323.1, 1620}, {0.0345, 146.25, -2385.6, 23848}},
	{false, true}:  {{0.5874, 65.108, 1130.9, -5245.8}, {1.47, 102.2, -1072, 14451}},
}

func newSlabEB109P(k float64, dowels, shoulder bool, cv float64) *slabEB109P {
	s := &slabEB109P{
		k: k, shoulder: shoulder,
		support:   0.8742 + float64(0.01088*math.Pow(k, 0.447)),
		variation: 1 / (1.235 * (1 - cv)),
		kPower:    268.7 * math.Pow(k, 1.27),
		transfer:  1,
	}
	corner := cornerEB109P[struct{ dowels, shoulder bool }{dowels, shoulder}]
	s.corner[singleDual], s.corner[tandem] = corner[0], corner[1]
	if !dowels { // f6
		s.transfer = 0.95
		if shoulder {
			bend := 0.26363 - k/3034.5
			s.transfer = 1.001 - float64(bend*bend)
		}
	}
	if !shoulder { // f7
		s.transfer *= 0.896
	}
	return s
}

// radius is the radius of relative stiffness ℓ in inches of a slab of h in:
// (E h³/(12 (1-μ²) k))^0.25, with E 4,000,000 psi and μ 0.15.
func (s *slabEB109P) radius(h float64) float64 {
	return math.Sqrt(math.Sqrt(4e6 * h * h * h / (12 * (1 - 0.15*0.15) * s.k)))
}

func (s *slabEB109P) stress(axle int, h float64) float64 {
	return s.stressPSI(axle, h/mmPerInch) * mpaPerPSI
}

func (*slabEB109P) referenceLoad(axle int) float64 {
	if axle == tandem {
		return 36 * kNPerKip
	}
	return 18 * kNPerKip
}

func (s *slabEB109P) power(axle int, h float64) float64 {
	return s.powerC1P(axle, h/mmPerInch)
}

// stressPSI is the equivalent stress 6 Me/h² · f1 f2 f3 f4 in psi, of the
// reference load on a slab of h in. Source: Packard and Tayabji (1985), moments
// Me at the edge under the reference load, f2 the effect of slab and thickness,
// f3 for 6 % of the trucks at the edge, f4 for variation and gain of strength;
// values from memory.
func (s *slabEB109P) stressPSI(axle int, h float64) float64 {
	radius := s.radius(h)
	log := math.Log10(radius)
	var moment float64
	switch {
	case s.shoulder && axle == singleDual:
		moment = (-970.4 + float64(1202.6*log) + float64(53.587*radius)) * s.support
	case s.shoulder:
		moment = (2005.4 - float64(1980.9*log) + float64(99.008*radius)) * s.support
	case axle == singleDual:
		moment = -1600 + float64(2525*log) + float64(24.42*radius) + float64(0.204*radius*radius)
	default:
		moment = 3029 - float64(2966.8*log) + float64(133.69*radius) - float64(0.0632*radius*radius)
	}
	f2 := 1.0
	if !s.shoulder {
		f2 = 0.892 + h/85.71 - float64(h*h)/3000
	}
	return 6 * moment / (h * h) * referenceF1 * f2 * 0.894 * s.variation
}

// referenceF1 is f1 of the reference load: (24/18)^0.06, which is (48/36)^0.06
// as well.
var referenceF1 = math.Pow(24.0/18, 0.06)

// powerC1P is C1 P of the reference load on a slab of h in: corner deflection
// δ = pc f6 f7/k in in, C1 = 1 - (k/2000 · 4/h)².
func (s *slabEB109P) powerC1P(axle int, h float64) float64 {
	radius := s.radius(h)
	c := &s.corner[axle]
	pressure := c[0] + c[1]/radius + c[2]/(radius*radius) + c[3]/(radius*radius*radius)
	deflection := pressure * s.transfer / s.k
	loss := s.k / 2000 * 4 / h
	return (1 - float64(loss*loss)) * s.powerOf(deflection, h)
}

// powerOf is the power P = 268.7 k^1.27 δ²/h of a corner deflection δ in in
// (read).
func (s *slabEB109P) powerOf(deflection, h float64) float64 {
	return s.kPower * deflection * deflection / h
}
