package epd

import (
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/lca/num"
)

func mustPrinted(t *testing.T, text string) num.Printed {
	t.Helper()
	p, err := num.ParsePrinted(text)
	if err != nil {
		t.Fatal(text, err)
	}
	return p
}

// The slack, worked by hand: half a unit of each last digit.
func TestSlackOfASum(t *testing.T) {
	tests := []struct {
		total     string
		parts     []string
		off, want string // the difference, and what rounding may make of it
	}{
		{"1.88", []string{"1.52", "6.1E-2", "0.3012"}, "0.0022", "0.01055"}, // 0.005 + 0.005 + 0.0005 + 0.00005
		{"14", []string{"12", "1", "0.5"}, "0.5", "1.55"},
		{"1.2E2", []string{"118", "2.0", "0.5"}, "0.5", "5.6"}, // the total is printed to tens
		// "0" beside 0.013 is printed to 1, but hides no more than the others do.
		{"0.013", []string{"0.012", "0", "0"}, "0.001", "0.002"},
		{"0.01", []string{"0", "0.00", "0.000"}, "0.01", "0.0155"},
		{"0", []string{"0", "0.0", "0"}, "0", "0"},
	}
	for _, tt := range tests {
		var parts []num.Printed
		for _, p := range tt.parts {
			parts = append(parts, mustPrinted(t, p))
		}
		total := mustPrinted(t, tt.total)
		rounding, addition := slack(total, parts)
		if addition.GreaterThan(decimal.New(1, -12)) {
			t.Errorf("%s of %v: %s for binary addition", tt.total, tt.parts, addition)
		}
		got := []string{num.Canonical(total.Value.Sub(sum(parts)).Abs()), num.Canonical(rounding)}
		if diff := cmp.Diff([]string{tt.off, tt.want}, got); diff != "" {
			t.Errorf("%s of %v: %s", tt.total, tt.parts, diff)
		}
	}
}

// True parts and their true sum, each rounded to digits of its own, never look
// wrong; and a total that is off by twice the slack and three of its last digit
// always does.
func TestSlackAcceptsRoundingAndNothingMore(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		exact := decimal.Zero
		var parts []num.Printed
		places := rapid.Int32Range(1, 6)
		round := func(v decimal.Decimal, label string) num.Printed {
			p := places.Draw(t, label)
			v = v.Round(p)
			return num.Printed{Value: v, Last: int(-p)}
		}
		for range 3 {
			v := decimal.New(rapid.Int64Range(1e9, 1e12).Draw(t, "size")*rapid.SampledFrom([]int64{-1, 1}).Draw(t, "sign"), -9)
			exact = exact.Add(v)
			parts = append(parts, round(v, "places"))
		}
		total := round(exact, "places of the total")
		if slices.ContainsFunc(append(parts, total), func(p num.Printed) bool { return p.Value.IsZero() }) {
			t.Skip("zeros have rows of their own above")
		}
		if !sumsTo(total, parts) {
			t.Fatalf("refused: %v of %v", total, parts)
		}
		rounding, _ := slack(total, parts)
		unit := int32(-total.Last)
		total.Value = total.Value.Add(rounding.Mul(decimal.New(2, 0)).RoundUp(unit)).Add(decimal.New(3, -unit))
		if sumsTo(total, parts) {
			t.Fatalf("accepted: %v of %v", total, parts)
		}
	})
}

// A publisher who adds in binary64 and prints every digit is not wrong.
func TestSlackAcceptsBinaryAddition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var parts []num.Printed
		total := 0.0
		for range 3 {
			f := rapid.Float64Range(1e-6, 1e3).Draw(t, "size") * rapid.SampledFrom([]float64{-1, 1}).Draw(t, "sign")
			total += f
			parts = append(parts, printedFloat(t, f))
		}
		if !sumsTo(printedFloat(t, total), parts) {
			t.Fatalf("refused: %v of %v", total, parts)
		}
	})
}

func printedFloat(t *rapid.T, f float64) num.Printed {
	text := strconv.FormatFloat(f, 'E', -1, 64) // the shortest that reads back as f
	p, err := num.ParsePrinted(text)
	if err != nil {
		t.Fatal(text, err)
	}
	return p
}

func TestIndicatorsByName(t *testing.T) {
	for name, want := range map[string]string{
		"Global warming potential (GWP)":    GWP,
		"Global Warming Potential (GWP100)": GWP,
		"GWP":                               GWP,
		"Global warming potential - total (GWP-total)": GWPTotal,
		"Climate change":         GWPTotal,
		"Climate Change - total": GWPTotal,
		"Climate change-Fossil":  GWPFossil,
		"Global Warming Potential - fossil fuels (GWP-fossil)": GWPFossil,
		"GWP-biogenic": GWPBiogenic,
		"Climate change-Land use and land use change":                         GWPLuluc,
		"Global Warming Potential - land use and land use change (GWP-luluc)": GWPLuluc,
		"EN 15804+A2 GWP-luluc":                                               GWPLuluc,
		"Globales Erwärmungspotenzial - total (GWP-total)":                    GWPTotal,
		"Globales Erwärmungspotenzial (GWP)":                                  "",
		"GWP-GHG":                                                             "",
		"GWP excluding biogenic":                                              "",
		"Global warming potential, fossil and biogenic":                       "",
		"Global temperature potential (GTP)":                                  "",
		"Acidification potential (AP)":                                        "",
		"Change of climate":                                                   "",
		"":                                                                    "",
		"Use of land":                                                         "",
		"Potential soil quality index (SQP) by land use change":               "",
		"Global Warming Potential - Total, incl. removals, 20 years (GWP20total)": "",
	} {
		if got := indicatorOf(name); got != want {
			t.Errorf("%q: %q, want %q", name, got, want)
		}
	}
}

func TestUnitsByName(t *testing.T) {
	for name, want := range map[string]string{
		"kg": "kg", "t": "t", "m3": "m3", "m^3": "m3", "m³": "m3", "m2": "m2", "qm": "m2", "m": "m", "Item(s)": "each", "pcs.": "each",
		"kWh": "kWh", "MJ": "MJ", "t*km": "t.km", "h": "h", "l": "L", "Units of mass": "kg", "Units of mass (t)": "t", "Units of volume (m^3)": "m3",
		"mJ": "", "ton": "", "KG": "", "Units of mass (stone)": "", "": "", "lb": "",
	} {
		if got, ok := unitOf(name); got != want || ok != (want != "") {
			t.Errorf("%q: %q, %v; want %q", name, got, ok, want)
		}
	}
	for name, want := range map[string]bool{
		"kg CO2 eq.": true, "kg CO2-eqv.": true, "kg CO₂e": true, "kg CO2-Äq.": true, "kg CO2 equivalents": true, "kg (CO2 eq)": true,
		"kg": false, "kg CO2": false, "t CO2 eq.": false, "g CO2 eq.": false, "kg SO2 eq.": false, "lb CO2 eq.": false, "": false,
	} {
		if got := isKilogramOfCO2(name); got != want {
			t.Errorf("%q: %v", name, got)
		}
	}
}

func TestModulesByName(t *testing.T) {
	for name, want := range map[string]string{
		"A1-A3": "A1-A3", "A1–A3": "A1-A3", "a1 - a3": "A1-A3", "D": "D", " C4 ": "C4", "B1-B7": "B1-B7", "C3-C4": "C3-C4", "A4-A5": "A4-A5",
		"": "", "A0": "", "B8": "", "C5": "", "C4-C3": "", "A1-A1": "", "A1-D": "", "C3/1": "", "Total": "", strings.Repeat("A", 100): "",
	} {
		if got, ok := moduleOf(name); ok != (want != "") || ok && got != want {
			t.Errorf("%q: %q, %v; want %q", name, got, ok, want)
		}
	}
}
