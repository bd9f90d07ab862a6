package pavement

import (
	"testing"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// EB109P (1984), Design 1: 3,680 trucks a day in both directions as the average
// of 20 years, 81 % of a direction in the design lane: 10,880,000 trucks (values
// from memory). Axles per 1,000 trucks from memory too; the repetitions are
// those printed for Design 1A, to a unit in their fourth digit, since the
// handbook multiplies by the rounded number of trucks.
func TestSpectrumOfDesign1A(t *testing.T) {
	trucks := Trucks{PerDay: dec("3680"), GrowthPercent: dec("0"), DirectionPercent: dec("50"), LanePercent: dec("81"), Years: 20}
	for i, per1000 := range []string{"0.58", "1.35", "2.77", "5.92", "9.83", "21.67", "28.24", "38.83", "53.94", "168.85"} {
		trucks.Axles = append(trucks.Axles, AxleRate{SingleDual, in(singles1A[i].kip+" kip", "kN"), dec(per1000)})
	}
	for i, per1000 := range []string{"1.96", "3.94", "11.48", "34.27", "81.42", "85.54", "152.23", "90.52", "112.81", "124.69"} {
		trucks.Axles = append(trucks.Axles, AxleRate{Tandem, in(tandems1A[i].kip+" kip", "kN"), dec(per1000)})
	}
	total, faults := trucks.DesignTrucks()
	none(t, faults)
	if !total.RoundBank(-4).Equal(dec("10880000")) {
		t.Errorf("%s trucks, the handbook has 10,880,000", total)
	}
	groups, faults := trucks.Spectrum()
	none(t, faults)
	for i, want := range design1A().Groups {
		got := groups[i]
		unit := decimal.New(1, int32(len(want.Repetitions.String()))-4)
		if got.Axle != want.Axle || !got.LoadKN.Equal(want.LoadKN) || got.Repetitions.Sub(want.Repetitions).Abs().GreaterThan(unit) {
			t.Errorf("%s %s kN: %s repetitions, the handbook prints %s", got.Axle, got.LoadKN, got.Repetitions, want.Repetitions)
		}
	}
}

// The projection of growth is ((1+g)^n - 1)/g: 29.778 times the first year for
// 4 % and 20 years, in any table of compound interest.
func TestGrowthIsCompound(t *testing.T) {
	trucks := Trucks{PerDay: dec("100"), GrowthPercent: dec("4"), DirectionPercent: dec("100"), LanePercent: dec("100"), Years: 20}
	total, faults := trucks.DesignTrucks()
	none(t, faults)
	near(t, "years", num.Float(total)/36500, 29.778, 0.0005)
	trucks.GrowthPercent = dec("-4")
	falling, _ := trucks.DesignTrucks()
	trucks.GrowthPercent = dec("0")
	flat, _ := trucks.DesignTrucks()
	if !flat.Equal(dec("730000")) || !falling.LessThan(flat) {
		t.Errorf("flat %s, falling %s", flat, falling)
	}
}

func TestTrucksFaults(t *testing.T) {
	_, faults := Trucks{PerDay: dec("0"), GrowthPercent: dec("21"), DirectionPercent: dec("0"), LanePercent: dec("101"), At: "/traffic"}.Spectrum()
	var pointers []string
	for _, f := range faults.All() {
		if f.Code != "out-of-range" {
			t.Errorf("%s at %s", f.Code, f.Pointer)
		}
		pointers = append(pointers, string(f.Pointer))
	}
	want := []string{"/traffic/trucks_per_day", "/traffic/growth", "/traffic/direction_split", "/traffic/lane_split", "/traffic/design_years"}
	if len(pointers) != len(want) {
		t.Fatalf("faults at %v, want %v", pointers, want)
	}
	for i := range want {
		if pointers[i] != want[i] {
			t.Errorf("faults at %v, want %v", pointers, want)
		}
	}
}
