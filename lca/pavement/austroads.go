package pavement

import (
	"math"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// austroads is the metric form of the fatigue and erosion analysis: Austroads,
// "Pavement Design", 2001 guide, chapter 9. The coefficients were read in a
// thesis that tabulates them; the form of the polynomial and the 0.944 are
// values from memory. The erosion coefficients at hand are those of undowelled
// joints.
type austroads struct{}

var aboutAustroads = About{
	ID:       "austroads",
	Title:    "Austroads fatigue and erosion analysis, metric form, undowelled",
	Source:   "Austroads, Pavement Design (2001 guide)",
	Criteria: []Criterion{Fatigue, Erosion},
	Strength: "characteristic flexural strength at 28 days (value from memory)",
	LowerMM:  decimal.New(100, 0),
	UpperMM:  decimal.New(400, 0),
	Bounds:   practice,
	Ranges: []Range{
		{"soil/cbr", "%", decimal.New(2, 0), decimal.New(75, 0), true, "effective subgrade CBR of the guide's figures; value from memory"},
		{string(SingleTyre) + " load", "kN", decimal.Zero, decimal.New(120, 0), true, practice},
		{string(SingleDual) + " load", "kN", decimal.Zero, decimal.New(240, 0), true, practice},
		{string(Tandem) + " load", "kN", decimal.Zero, decimal.New(480, 0), true, practice},
		{string(Tridem) + " load", "kN", decimal.Zero, decimal.New(720, 0), true, practice},
		{"traffic/load_safety_factor", "", decimal.New(1, 0), decimal.New(15, -1), true, practice},
		{"strength/effective", "MPa", decimal.New(2, 0), decimal.New(10, 0), true, practice},
		{"strength/effective", "MPa", decimal.New(3, 0), decimal.New(65, -1), false, practice},
	},
}

func (austroads) about() *About { return &aboutAustroads }

func (austroads) model(in Input, effective decimal.Decimal, intake *intake) model {
	if in.Dowels {
		intake.warnings.Add(intake.pointer("edge/dowels"), "undowelled-erosion", "the erosion equations at hand are those of undowelled joints: for a dowelled slab they are on the safe side, and not to be compared with a dowelled design of another method")
	}
	safety := intake.number("traffic/load_safety_factor", in.LoadSafetyFactor)
	m := &mechanistic{
		slab:     newSlabAustroads(intake.number("soil/cbr", in.CBR), in.Shoulder),
		strength: 0.944 * num.Float(effective),
		c2:       erosionWeight(in.Shoulder),
	}
	loads := intake.groups(in.Groups, func(a Axle) (member, refusal string) { return string(a) + " load", "" })
	for i := range loads {
		l := &loads[i]
		if l.axle >= 0 {
			over := l.kN * safety / referenceAustroads[l.axle]
			l.stress, l.power = math.Pow(over, 0.94), over*over
		}
	}
	m.weigh(loads)
	return m
}

// referenceAustroads are the reference loads F1 and F4 in kN, by axle: 4.45
// times 9, 18, 36 and 54 kip (read).
var referenceAustroads = [4]float64{40.05, 80.1, 160.2, 240.3}

// slabAustroads holds, for each axle, the polynomial of one soil:
//
//	a + b/T + c ln Ef + d/T² + e ln² Ef + f ln Ef/T + g/T³ + h ln³ Ef + i ln² Ef/T + j ln Ef/T²
//
// gathered by powers of 1/T. Form: value from memory.
type slabAustroads struct{ stresses, factors [4][4]float64 }

func newSlabAustroads(cbr float64, shoulder bool) *slabAustroads {
	s := &slabAustroads{}
	column := 0
	if shoulder {
		column = 4
	}
	log := math.Log(cbr)
	for axle := range s.stresses {
		s.stresses[axle] = gather(&stressAustroads, column+axle, log)
		s.factors[axle] = gather(&erosionAustroads, column+axle, log)
	}
	return s
}

func gather(t *[10][8]float64, column int, log float64) [4]float64 {
	at := func(row int) float64 { return t[row][column] }
	return [4]float64{
		at(0) + float64(at(2)*log) + float64(at(4)*log*log) + float64(at(7)*log*log*log),
		at(1) + float64(at(5)*log) + float64(at(8)*log*log),
		at(3) + float64(at(9)*log),
		at(6),
	}
}

func polynomial(p *[4]float64, h float64) float64 {
	x := 1 / h
	return p[0] + float64(p[1]*x) + float64(p[2]*x*x) + float64(p[3]*x*x*x)
}

// stress is the equivalent stress Se in MPa of the reference load, h in mm.
func (s *slabAustroads) stress(axle int, h float64) float64 { return polynomial(&s.stresses[axle], h) }

// power is 10^F3/41.35, in place of C1 P; F3 is the erosion factor.
func (s *slabAustroads) power(axle int, h float64) float64 {
	return math.Pow(10, polynomial(&s.factors[axle], h)) / erosionFactorScale
}

func (s *slabAustroads) referenceLoad(axle int) float64 { return referenceAustroads[axle] }

// Rows a to j; columns single tyre, single dual, tandem, tridem without concrete
// shoulder, then the same with (read).
var stressAustroads = [10][8]float64{
	{0.118, 0.560, 0.219, 0.089, -0.051, 0.330, 0.088, -0.145},
	{125.4, 184.4, 399.6, 336.4, 26.0, 206.5, 301.5, 258.6},
	{-0.2396, -0.6663, -0.3742, -0.1340, 0.0899, -0.4684, -0.1846, 0.0080},
	{26969, 44405, -38, -10007, 35774, 28661, 4418, 1408},
	{0.0896, 0.2254, 0.1680, 0.0830, -0.0376, 0.1650, 0.0939, 0.0312},
	{0.19, 19.75, -71.09, -83.14, 14.57, 2.82, -59.93, -61.25},
	{-352174, -942585, 681381, 1215750, -861548, -686510, 280297, 488079},
	{-0.0104, -0.0248, -0.0218, -0.0120, 0.0031, -0.0186, -0.0128, -0.0058},
	{-1.2536, -4.6657, 3.6501, 5.2724, 1.3098, -1.9606, 4.1791, 4.7428},
	{-1709, -4082, 2003, 4400, -4009, -2717, 1768, 2564},
}

var erosionAustroads = [10][8]float64{
	{0.745, 1.330, 1.907, 2.034, 0.345, 0.914, 1.564, 2.104},
	{533.8, 537.5, 448.3, 440.3, 534.6, 539.8, 404.1, 245.4},
	{-0.2071, -0.1929, -0.1749, -0.2776, -0.1711, -0.1416, -0.1226, -0.2473},
	{-42419, -43035, -35827, -36194, -44908, -44900, -32024, -15007},
	{0.0405, 0.0365, 0.0382, 0.0673, 0.0347, 0.0275, 0.0256, 0.0469},
	{27.27, 26.44, 0.64, 15.77, 20.49, 16.37, -9.79, 8.86},
	{1547570, 1586100, 1291870, 1315330, 1676710, 1654590, 1150280, 518916},
	{-0.0044, -0.0039, -0.0060, -0.0084, -0.0038, -0.0032, -0.0052, -0.0075},
	{-1.4656, -1.4547, 1.0741, -1.2068, -1.3829, -0.9584, 2.1997, 1.5517},
	{-1384, -1344, 50, -625, -913, -765, 469, -599},
}
