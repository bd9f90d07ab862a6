package flexure

import (
	"slices"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// Method is the test method by its id.
type Method string

// Methods.
const (
	C78     Method = "astm-c78"
	C1609   Method = "astm-c1609"
	EN14651 Method = "en-14651"
)

// Methods lists the ids, in a fixed order.
func Methods() []Method { return []Method{C78, C1609, EN14651} }

// Point names a point of a test at which a load is read.
type Point string

// Points. The residual ones are at net deflections of span/600 and span/150
// (ASTM C1609) and at crack mouth opening displacements of 0.5 to 3.5 mm (EN
// 14651).
const (
	Peak      Point = "peak"
	FirstPeak Point = "first_peak"
	L600      Point = "l600"
	L150      Point = "l150"
	LOP       Point = "lop" // limit of proportionality: the highest load up to CMOD 0.05 mm
	CMOD05    Point = "cmod_0_5"
	CMOD15    Point = "cmod_1_5"
	CMOD25    Point = "cmod_2_5"
	CMOD35    Point = "cmod_3_5"
)

// Quantity is something that a test measures; its unit is the end of its name.
type Quantity string

// Quantities. Those of companion tests stand beside the beams.
const (
	ModulusOfRupture       Quantity = "modulus_of_rupture_mpa"
	FirstPeakStrength      Quantity = "first_peak_strength_mpa"
	PeakStrength           Quantity = "peak_strength_mpa"
	ResidualL600           Quantity = "residual_strength_l600_mpa"
	ResidualL150           Quantity = "residual_strength_l150_mpa"
	Toughness              Quantity = "toughness_t150_j"
	ToughnessRatioT150     Quantity = "toughness_ratio_rt150_percent"
	LoadRatioL150          Quantity = "load_ratio_l150_percent"
	LimitOfProportionality Quantity = "limit_of_proportionality_mpa"
	ResidualR1             Quantity = "residual_strength_fr1_mpa"
	ResidualR2             Quantity = "residual_strength_fr2_mpa"
	ResidualR3             Quantity = "residual_strength_fr3_mpa"
	ResidualR4             Quantity = "residual_strength_fr4_mpa"
	CompressiveStrength    Quantity = "compressive_strength_mpa"
	ElasticModulus         Quantity = "elastic_modulus_mpa"
)

// reading is a point of a method and the strength that its load gives.
type reading struct {
	point    Point
	quantity Quantity
}

var readings = map[Method][]reading{
	C78:   {{Peak, ModulusOfRupture}},
	C1609: {{FirstPeak, FirstPeakStrength}, {Peak, PeakStrength}, {L600, ResidualL600}, {L150, ResidualL150}},
	EN14651: {{LOP, LimitOfProportionality}, {CMOD05, ResidualR1}, {CMOD15, ResidualR2},
		{CMOD25, ResidualR3}, {CMOD35, ResidualR4}},
}

// Valid tells whether the method is one of Methods.
func (m Method) Valid() bool { return slices.Contains(Methods(), m) }

// Title names the standard and the loading.
func (m Method) Title() string {
	return map[Method]string{
		C78:     "ASTM C78/C78M, third-point loading",
		C1609:   "ASTM C1609/C1609M, fibre concrete under third-point loading",
		EN14651: "EN 14651, notched beam under one central load",
	}[m]
}

// Points lists the points of the method, in the order in which a test passes
// them.
func (m Method) Points() []Point {
	var points []Point
	for _, r := range readings[m] {
		points = append(points, r.point)
	}
	return points
}

// Quantities lists what the method measures, in the order of a result.
func (m Method) Quantities() []Quantity {
	var list []Quantity
	for _, r := range readings[m] {
		list = append(list, r.quantity)
	}
	if m == C1609 {
		list = append(list, Toughness, ToughnessRatioT150, LoadRatioL150)
	}
	return list
}

// Strength is the quantity that a design takes for the modulus of rupture of
// the uncracked concrete.
func (m Method) Strength() Quantity { return m.Quantities()[0] }

var (
	thousand = decimal.New(1000, 0)
	hundred  = num.Hundred
)

// ThirdPointStrength is f = P L/(b d²) in MPa: load in kN, lengths in mm, all
// more than zero. Source: ASTM C78/C78M and C1609/C1609M. It fails with
// num.ErrDivisionByZero.
func ThirdPointStrength(load, span, width, depth decimal.Decimal) (decimal.Decimal, error) {
	return num.Div(load.Mul(span).Mul(thousand), width.Mul(depth).Mul(depth))
}

// NotchedStrength is f = 3 F l/(2 b h_sp²) in MPa, h_sp being the depth from the
// tip of the notch to the top: load in kN, lengths in mm, all more than zero.
// Source: EN 14651. It fails with num.ErrDivisionByZero.
func NotchedStrength(load, span, width, ligament decimal.Decimal) (decimal.Decimal, error) {
	return num.Div(load.Mul(span).Mul(decimal.New(3000, 0)), width.Mul(ligament).Mul(ligament).Mul(decimal.New(2, 0)))
}

// ToughnessRatio is the equivalent flexural strength ratio by toughness,
// R_T150 = 150 T150/(f1 b d²) · 100 %: toughness in J, first-peak strength in
// MPa, lengths in mm. Source: ASTM C1609/C1609M. It fails with
// num.ErrDivisionByZero.
//
// It averages the curve up to span/150 and is not the ratio by load, which is
// f150/f1 there.
func ToughnessRatio(toughness, firstPeak, width, depth decimal.Decimal) (decimal.Decimal, error) {
	return num.Div(toughness.Mul(decimal.New(15_000_000, 0)), firstPeak.Mul(width).Mul(depth).Mul(depth))
}

// Deflection is δ = 0.85 CMOD + 0.04, both in mm: where a notched beam is read
// whose deflection was measured instead of its crack mouth. Source: EN 14651.
func Deflection(cmod decimal.Decimal) decimal.Decimal {
	return cmod.Mul(decimal.New(85, -2)).Add(decimal.New(4, -2))
}

// cmods are the crack mouth openings of the points, in mm.
var cmods = map[Point]decimal.Decimal{
	LOP: decimal.New(5, -2), CMOD05: decimal.New(5, -1), CMOD15: decimal.New(15, -1), CMOD25: decimal.New(25, -1), CMOD35: decimal.New(35, -1),
}
