package report

import (
	"testing"

	"github.com/shopspring/decimal"
	"golang.org/x/text/language"

	"slabledger/service"
)

func dec(s string) decimal.Decimal { return decimal.RequireFromString(s) }

// A figure is shown for what a person chose, in the units chosen. The wants are worked
// by hand from the exact factors of NIST SP 811 (B.8): 1 yd² = 0.83612736 m²,
// 1 mi = 1609.344 m, 1 lb = 0.45359237 kg.
func TestFiguresAreShownOnTheBasisChosen(t *testing.T) {
	of := &service.Head{Inventory: service.InventoryRef{Currency: "EUR"}, FunctionalUnit: service.FunctionalUnitSI{AreaM2: service.Plain{Decimal: dec("7300")}}}
	a := &service.Result{Resolved: service.Alternative{Slab: &service.Slab{LaneWidth: "3.65 m"}}}
	for _, c := range []struct {
		shown                               Shown
		money, moneyUnit, carbon, carbonTag string
	}{
		{Shown{}, "49.18", "EUR/m²", "91.8", "kg CO₂e/m²"},
		{Shown{US: true}, "41.12", "EUR/yd²", "169", "lb CO₂e/yd²"}, // 49.18 × 0.83612736; 91.8 × 0.83612736 / 0.45359237
		{Shown{Basis: WholeJob}, "359,014", "EUR for 7300 m²", "670", "t CO₂e for 7300 m²"},
		{Shown{Basis: PerLane}, "179,507", "EUR/lane-km", "335", "t CO₂e/lane-km"},                      // 49.18 × 3650; 91.8 × 3.65
		{Shown{Basis: PerLane, US: true}, "288,889", "EUR/lane-mile", "1,190,000", "lb CO₂e/lane-mile"}, // × 3.65 × 1609.344
		{Shown{Basis: WholeJob, Locale: language.German}, "359.014", "EUR for 7300 m²", "670", "t CO₂e for 7300 m²"},
	} {
		got := []string{c.shown.Money(of, a, dec("49.18")), c.shown.MoneyUnit(of), c.shown.Carbon(of, a, dec("91.8")), c.shown.CarbonUnit(of)}
		for i, want := range []string{c.money, c.moneyUnit, c.carbon, c.carbonTag} {
			if got[i] != want {
				t.Errorf("%+v: %q, want %q", c.shown, got[i], want)
			}
		}
	}
	if got := (Shown{Basis: PerLane}).Money(of, &service.Result{}, dec("1")); got != Unknown {
		t.Errorf("an alternative without a lane costs %s for one", got)
	}
}

// What a cubic metre of concrete costs and emits is shown for a cubic yard in US units,
// whatever the basis. The wants are worked by hand from 1 yd³ = 0.764554857984 m³ and
// 1 lb = 0.45359237 kg (NIST SP 811, B.8).
func TestFiguresPerVolumeAreShownInTheUnitsChosen(t *testing.T) {
	of := &service.Head{Inventory: service.InventoryRef{Currency: "EUR"}}
	for _, basis := range []Basis{"", PerArea, WholeJob, PerLane} {
		for us, want := range map[bool][]string{
			false: {"86.87", "EUR/m³", "307", "kg CO₂e/m³"},
			true:  {"66.42", "EUR/yd³", "517", "lb CO₂e/yd³"}, // 86.87 × 0.7645… = 66.4169; 306.87 × 0.7645… / 0.45359237 = 517.25
		} {
			shown := Shown{Basis: basis, US: us}
			got := []string{shown.MoneyPerVolume(of, dec("86.87")), shown.MoneyPerVolumeUnit(of), shown.MassPerVolume(dec("306.87")), shown.CarbonPerVolumeUnit()}
			for i := range want {
				if got[i] != want[i] {
					t.Errorf("%+v: %q, want %q", shown, got[i], want[i])
				}
			}
		}
	}
	yen := &service.Head{Inventory: service.InventoryRef{Currency: "JPY"}}
	if got := (Shown{US: true}).MoneyPerVolume(yen, dec("10000.5")); got != "7646" {
		t.Errorf("a currency without a minor unit: %q", got)
	}
}

// Strengths, loads and the like are shown in US units by the exact factors of NIST SP 811
// (B.8): 1 lbf = 4.4482216152605 N, 1 in = 25.4 mm. The wants are worked by hand from them:
// 1 MPa = 645.16/4.4482… = 145.038 psi, 1 MPa/m = 145.038 × 0.0254 = 3.68396 psi/in, 1 kN =
// 0.224809 kip, 1 J = 1/(4.4482… × 0.0254) = 8.85075 in·lbf.
func TestMechanicalAmountsAreShownInTheUnitsChosen(t *testing.T) {
	si, us := Shown{}, Shown{US: true}
	for _, c := range [][2]string{
		{si.Stress(dec("4.5")), "4.50 MPa"}, {us.Stress(dec("4.5")), "653 psi"}, {us.StressOf(dec("1")).Round(3).String(), "145.038"},
		{si.Reaction(dec("60")), "60.0 MPa/m"}, {us.Reaction(dec("60")), "221 psi/in"},
		{us.ForceOf(dec("100")).Round(4).String() + " " + us.ForceUnit(), "22.4809 kip"}, {si.ForceOf(dec("100")).String() + " " + si.ForceUnit(), "100 kN"},
		{us.EnergyOf(dec("1")).Round(5).String() + " " + us.EnergyUnit(), "8.85075 in·lbf"}, {si.EnergyUnit(), "J"},
		{si.Area(dec("7300")), "7300 m²"}, {us.Area(dec("7300")), "8731 yd²"}, // 7300 / 0.83612736 = 8730.74
	} {
		if c[0] != c[1] {
			t.Errorf("%q, want %q", c[0], c[1])
		}
	}
}

// The separators are those of the locale; they never change a digit.
func TestNumbersHaveTheSeparatorsOfTheLocale(t *testing.T) {
	for asked, want := range map[string]string{"": "−1,234,567.50", "de, en;q=0.5": "−1.234.567,50", "de-CH": "−1’234’567.50", "fr-CA": "−1\u00a0234\u00a0567,50", "ja": "−1,234,567.50", "en-IN": "−12,34,567.50", "*;;": "−1,234,567.50"} {
		if got := (Shown{Locale: LocaleOf(asked)}).Number(dec("-1234567.504"), 2); got != want {
			t.Errorf("%q: %q, want %q", asked, got, want)
		}
	}
	if got := (Shown{}).Number(dec("-0.001"), 2); got != "0.00" {
		t.Errorf("a little below zero is shown as %q", got)
	}
	if got := (Shown{}).Plain(dec("1234.5")); got != "1234.5" {
		t.Errorf("four digits are parted: %q", got)
	}
}
