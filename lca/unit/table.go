package unit

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// The exact definitions that every US customary factor is built from
// (NIST SP 811, 2008, B.8 and B.9).
const (
	inch    = "0.0254"         // m
	foot    = "0.3048"         // m
	yard    = "0.9144"         // m
	mile    = "1609.344"       // m
	pound   = "0.45359237"     // kg
	gallon  = "0.003785411784" // m3, 231 in³
	gravity = "9.80665"        // m/s²; pound × gravity is the pound-force in N
)

type row struct {
	code   string
	kind   Kind
	system System
	num    []string // product of exact decimals
	den    []string // product of exact decimals; empty is 1
}

// rows is the closed table. The first unit of a kind is the one that error
// messages show as the example.
var rows = []row{
	{"mm", Length, SI, f("0.001"), nil},
	{"cm", Length, SI, f("0.01"), nil},
	{"m", Length, SI, f("1"), nil},
	{"km", Length, SI, f("1000"), nil},
	{"in", Length, US, f(inch), nil},
	{"ft", Length, US, f(foot), nil},
	{"yd", Length, US, f(yard), nil},
	{"mi", Length, US, f(mile), nil},

	{"m2", Area, SI, f("1"), nil},
	{"ha", Area, SI, f("10000"), nil},
	{"ft2", Area, US, f(foot, foot), nil},
	{"yd2", Area, US, f(yard, yard), nil},

	{"m3", Volume, SI, f("1"), nil},
	{"L", Volume, SI, f("0.001"), nil},
	{"mL", Volume, SI, f("0.000001"), nil},
	{"ft3", Volume, US, f(foot, foot, foot), nil},
	{"yd3", Volume, US, f(yard, yard, yard), nil},
	{"gal", Volume, US, f(gallon), nil},

	{"kg", Mass, SI, f("1"), nil},
	{"g", Mass, SI, f("0.001"), nil},
	{"t", Mass, SI, f("1000"), nil},
	{"lb", Mass, US, f(pound), nil},
	{"short_ton", Mass, US, f(pound, "2000"), nil},

	{"kg/m3", Density, SI, f("1"), nil},
	{"t/m3", Density, SI, f("1000"), nil},
	{"g/cm3", Density, SI, f("1000"), nil},
	{"lb/yd3", Density, US, f(pound), f(yard, yard, yard)},
	{"lb/ft3", Density, US, f(pound), f(foot, foot, foot)},

	{"L/m3", VolumePerVolume, SI, f("0.001"), nil},
	{"mL/m3", VolumePerVolume, SI, f("0.000001"), nil},
	{"gal/yd3", VolumePerVolume, US, f(gallon), f(yard, yard, yard)},

	{"%", Ratio, Neutral, f("0.01"), nil},

	{"MPa", Pressure, SI, f("1000000"), nil},
	{"Pa", Pressure, SI, f("1"), nil},
	{"kPa", Pressure, SI, f("1000"), nil},
	{"GPa", Pressure, SI, f("1000000000"), nil},
	{"psi", Pressure, US, f(pound, gravity), f(inch, inch)},
	{"ksi", Pressure, US, f(pound, gravity, "1000"), f(inch, inch)},

	{"MPa/m", SubgradeReaction, SI, f("1000000"), nil},
	{"kN/m3", SubgradeReaction, SI, f("1000"), nil},
	{"psi/in", SubgradeReaction, US, f(pound, gravity), f(inch, inch, inch)},

	{"kN", Force, SI, f("1000"), nil},
	{"N", Force, SI, f("1"), nil},
	{"lbf", Force, US, f(pound, gravity), nil},
	{"kip", Force, US, f(pound, gravity, "1000"), nil},

	{"kWh", Energy, SI, f("3600000"), nil},
	{"MJ", Energy, SI, f("1000000"), nil},
	{"J", Energy, SI, f("1"), nil},
	{"in.lbf", Energy, US, f(inch, pound, gravity), nil},

	{"kWh/m3", EnergyPerVolume, SI, f("3600000"), nil},
	{"MJ/m3", EnergyPerVolume, SI, f("1000000"), nil},
	{"kWh/yd3", EnergyPerVolume, US, f("3600000"), f(yard, yard, yard)},

	{"min", Duration, Neutral, f("60"), nil},
	{"s", Duration, Neutral, f("1"), nil},
	{"h", Duration, Neutral, f("3600"), nil},

	{"t.km", TransportWork, SI, f("1000000"), nil},
	{"short_ton.mi", TransportWork, US, f(pound, "2000", mile), nil},

	{"kg CO2e/m3", CarbonPerVolume, SI, f("1"), nil},
	{"kg CO2e/yd3", CarbonPerVolume, US, f("1"), f(yard, yard, yard)},
	{"lb CO2e/yd3", CarbonPerVolume, US, f(pound), f(yard, yard, yard)},

	{"kg CO2e/m2", CarbonPerArea, SI, f("1"), nil},
	{"kg CO2e/yd2", CarbonPerArea, US, f("1"), f(yard, yard)},
	{"lb CO2e/yd2", CarbonPerArea, US, f(pound), f(yard, yard)},

	{"each", Count, Neutral, f("1"), nil},

	{"mm/year^0.5", CarbonationRate, SI, f("1"), nil},
}

func f(factors ...string) []string { return factors }

// table maps code to unit; built once, only read afterwards.
var table = func() map[string]Unit {
	product := func(factors []string) decimal.Decimal {
		p := num.One
		for _, s := range factors {
			d, err := num.Parse(s)
			if err != nil {
				panic("unit table: " + s + ": " + err.Error())
			}
			p = p.Mul(d)
		}
		return p
	}
	t := make(map[string]Unit, len(rows))
	for _, r := range rows {
		if _, twice := t[r.code]; twice {
			panic("unit table: " + r.code + " stands twice")
		}
		t[r.code] = Unit{Code: r.code, Kind: r.kind, System: r.system, num: product(r.num), den: product(r.den)}
	}
	return t
}()
