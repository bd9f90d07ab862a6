package pavement

import (
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// Axle is the kind of an axle group.
type Axle string

// Axle groups. A load is that of the whole group.
const (
	SingleTyre Axle = "single_tyre" // one axle, single tyres: steering axles
	SingleDual Axle = "single_dual" // one axle, dual tyres
	Tandem     Axle = "tandem"      // two axles, dual tyres
	Tridem     Axle = "tridem"      // three axles, dual tyres
)

// Axles lists the kinds in the order of the tables of the methods.
func Axles() []Axle { return []Axle{SingleTyre, SingleDual, Tandem, Tridem} }

// index is the place in Axles, or -1.
func (a Axle) index() int {
	for i, known := range Axles() {
		if a == known {
			return i
		}
	}
	return -1
}

// Group is one row of an axle-load spectrum.
type Group struct {
	Axle        Axle
	LoadKN      decimal.Decimal // kN on the whole group, without load safety factor; > 0
	Repetitions decimal.Decimal // on the design lane in the design period; >= 0
}

// Trucks is traffic as a count of trucks and the axles of a thousand of them.
type Trucks struct {
	PerDay           decimal.Decimal // trucks a day, both directions, first year; > 0
	GrowthPercent    decimal.Decimal // a year, compound; -20 to 20
	DirectionPercent decimal.Decimal // share in the design direction; (0, 100]
	LanePercent      decimal.Decimal // share of those in the design lane; (0, 100]
	Years            int             // design period, 1 to 100
	Axles            []AxleRate
	At               fault.Path
}

// AxleRate is how many axle groups of a kind and load 1,000 trucks have.
type AxleRate struct {
	Axle          Axle
	LoadKN        decimal.Decimal
	Per1000Trucks decimal.Decimal // >= 0
}

// DesignTrucks is the number of trucks on the design lane in the design period,
// rounded to 6 decimals:
//
//	per day · 365 · direction · lane · Σ (1+g)^i, i = 0 … years-1
//
// The sum is the projection of EB109P, which takes the average of the period,
// without its rounding to a tenth (common practice, no source).
func (t Trucks) DesignTrucks() (trucks decimal.Decimal, faults fault.List) {
	percent := func(v decimal.Decimal, member string) {
		if !v.IsPositive() || v.GreaterThan(num.Hundred) {
			faults.Add(t.At.At(member), "out-of-range", "a share of %s %%; accepted: more than 0, up to 100 %%", v)
		}
	}
	if !t.PerDay.IsPositive() {
		faults.Add(t.At.At("trucks_per_day"), "out-of-range", "trucks a day must be more than zero")
	}
	if t.GrowthPercent.Abs().GreaterThan(maxGrowth) {
		faults.Add(t.At.At("growth"), "out-of-range", "growth of %s %% a year; accepted: -%s to %s %%", t.GrowthPercent, maxGrowth, maxGrowth)
	}
	percent(t.DirectionPercent, "direction_split")
	percent(t.LanePercent, "lane_split")
	if t.Years < 1 || t.Years > maxYears {
		faults.Add(t.At.At("design_years"), "out-of-range", "a design period of %d years; accepted: 1 to %d", t.Years, maxYears)
	}
	if !faults.Empty() {
		return trucks, faults
	}
	growth := num.One.Add(t.GrowthPercent.Shift(-2))
	year, years := num.One, decimal.Zero
	for range t.Years {
		years = years.Add(year)
		year = year.Mul(growth)
	}
	share := t.DirectionPercent.Mul(t.LanePercent).Shift(-4)
	return num.Line(t.PerDay.Mul(daysPerYear).Mul(share).Mul(years)), faults
}

// Spectrum turns the trucks into repetitions, each rounded to 6 decimals.
func (t Trucks) Spectrum() ([]Group, fault.List) {
	trucks, faults := t.DesignTrucks()
	if !faults.Empty() {
		return nil, faults
	}
	groups := make([]Group, len(t.Axles))
	for i, a := range t.Axles {
		groups[i] = Group{Axle: a.Axle, LoadKN: a.LoadKN, Repetitions: num.Line(trucks.Mul(a.Per1000Trucks).Shift(-3))}
	}
	return groups, faults
}

const maxYears = 100

var (
	maxGrowth   = decimal.New(20, 0)
	daysPerYear = decimal.New(365, 0)
)
