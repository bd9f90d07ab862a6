package unit_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/lca/num"
	"slabledger/lca/unit"
)

func dec(text string) decimal.Decimal {
	d, err := num.Parse(text)
	if err != nil {
		panic(text + ": " + err.Error())
	}
	return d
}

// one is one unit of the given code.
func one(code string) unit.Quantity {
	u, ok := unit.Lookup(code)
	if !ok {
		panic("no unit " + code)
	}
	return unit.Quantity{Amount: num.One, Unit: u}
}

func ExampleParse() {
	thickness, err := unit.Parse("9.5 in", unit.Length)
	fmt.Println(thickness, "=", thickness.SI(), "m", err)
	// Output: 9.5 in = 0.2413 m <nil>
}

func ExampleParse_errors() {
	for _, text := range []string{"240", "240 kg", "240 furlong", "2.4e2 mm"} {
		_, err := unit.Parse(text, unit.Length)
		fmt.Println(err)
	}
	// Output:
	// "240" has no unit; accepted: mm, cm, m, km, in, ft, yd, mi
	// "240 kg" measures mass; accepted: mm, cm, m, km, in, ft, yd, mi
	// unknown unit "furlong"; accepted: mm, cm, m, km, in, ft, yd, mi
	// "2.4e2 mm": not a plain decimal number: digits with an optional leading minus and an optional decimal point, no exponent, no plus sign, no leading zeros; write it like "12.5 mm"
}

// NIST SP 811 (2008), B.8 and B.9: pound-force per square inch, with every
// digit that a division keeps.
func ExampleQuantity_SI_poundsPerSquareInch() {
	fmt.Println(one("psi").SI(), "Pa")
	// Output: 6894.757293168361336722673445346891 Pa
}

// Pound-force per square inch per inch, from the exact definitions of
// NIST SP 811 (2008), Appendix B.
func ExampleQuantity_SI_subgradeReaction() {
	fmt.Println(one("psi/in").SI(), "N/m3")
	// Output: 271447.1375263134384536485608404288 N/m3
}

// NIST SP 811 (2008), B.8: the kip is 1000 pound-force; exact.
func ExampleQuantity_SI_kip() {
	fmt.Println(one("kip").SI(), "N")
	// Output: 4448.2216152605 N
}

// NIST SP 811 (2008), B.8: pound per cubic yard and per cubic foot.
func ExampleQuantity_SI_density() {
	fmt.Println(one("lb/yd3").SI(), "kg/m3")
	fmt.Println(one("lb/ft3").SI(), "kg/m3")
	// Output:
	// 0.5932764212577829473946322464650589 kg/m3
	// 16.01846337396013957965507065455659 kg/m3
}

// NIST SP 811 (2008), B.8: the cubic yard; exact.
func ExampleQuantity_SI_cubicYard() {
	fmt.Println(one("yd3").SI(), "m3")
	// Output: 0.764554857984 m3
}

// A US lorry emits 0.186 kg CO2 per short ton-mile (EPA, Emission Factors for
// Greenhouse Gas Inventories, January 2025); per tonne-kilometre that is
// 0.127400 kg.
func ExampleQuantity_In_transport() {
	perUnit, _ := one("short_ton.mi").In("t.km")
	factor, _ := num.Div(dec("0.186"), perUnit)
	fmt.Println(perUnit, "t.km")
	fmt.Println(num.Line(factor).StringFixed(num.Places), "kg CO2 per t.km")
	// Output:
	// 1.45997231821056 t.km
	// 0.127400 kg CO2 per t.km
}

// Factors with all the digits of the exact definitions (inch 0.0254 m, pound
// 0.45359237 kg, gallon 231 in³, standard gravity 9.80665 m/s²), and beside
// them the seven digits that NIST SP 811 (2008), B.8 prints: the printed
// digits are values from memory.
func TestFactorsOfNISTSP811(t *testing.T) {
	for _, c := range []struct {
		code    string
		exact   string // to 34 digits
		printed string // seven significant digits, SI; empty where B.8 has no such row
	}{
		{"in", "0.0254", "0.0254"},
		{"ft", "0.3048", "0.3048"},
		{"yd", "0.9144", "0.9144"},
		{"mi", "1609.344", "1609.344"},
		{"ft2", "0.09290304", "0.09290304"},
		{"yd2", "0.83612736", "0.8361274"},
		{"ft3", "0.028316846592", "0.02831685"},
		{"yd3", "0.764554857984", "0.7645549"},
		{"gal", "0.003785411784", "0.003785412"},
		{"lb", "0.45359237", "0.4535924"},
		{"short_ton", "907.18474", "907.1847"},
		{"lb/yd3", "0.5932764212577829473946322464650589", "0.5932764"},
		{"lb/ft3", "16.01846337396013957965507065455659", "16.01846"},
		{"gal/yd3", "0.004951131687242798353909465020576132", ""},
		{"lbf", "4.4482216152605", "4.448222"},
		{"kip", "4448.2216152605", "4448.222"},
		{"psi", "6894.757293168361336722673445346891", "6894.757"},
		{"ksi", "6894757.293168361336722673445346891", "6894757"},
		{"psi/in", "271447.1375263134384536485608404288", ""},
		{"kWh", "3600000", "3600000"},
		{"in.lbf", "0.1129848290276167", "0.1129848"},
		{"kWh/yd3", "4708622.229531812033391734713867017", ""},
		{"short_ton.mi", "1459972.31821056", ""},
		{"ha", "10000", "10000"},
		{"L", "0.001", "0.001"},
		{"min", "60", "60"},
		{"h", "3600", "3600"},
	} {
		got := one(c.code).SI()
		if got.String() != c.exact {
			t.Errorf("1 %s = %s, want %s", c.code, got, c.exact)
		}
		if c.printed == "" {
			continue
		}
		if want := dec(c.printed); !got.RoundBank(-want.Exponent()).Equal(want) {
			t.Errorf("1 %s = %s, printed as %s", c.code, got, c.printed)
		}
	}
}

func TestEveryUnitRoundTrips(t *testing.T) {
	for _, kind := range unit.Kinds() {
		codes := unit.Accepted(kind)
		for _, from := range codes {
			for _, text := range []string{"12.5", "-0.000000000001", "999999999999999.999999999999", "0"} {
				q, err := unit.Parse(text+" "+from, kind)
				if err != nil {
					t.Fatalf("%s %s: %v", text, from, err)
				}
				if q.String() != text+" "+from || q.Unit.Kind != kind || q.Unit.Code != from {
					t.Errorf("%s %s was read as %q, a %s", text, from, q, q.Unit.Kind)
				}
				for _, to := range codes {
					there, err := q.In(to)
					if err != nil {
						t.Fatalf("%s in %s: %v", q, to, err)
					}
					back, err := unit.Quantity{Amount: there, Unit: one(to).Unit}.In(from)
					if err != nil {
						t.Fatalf("%s %s in %s: %v", there, to, from, err)
					}
					// Two divisions, each right to half a unit in the 34th digit.
					if gap := back.Sub(q.Amount).Abs(); gap.GreaterThan(q.Amount.Abs().Mul(decimal.New(1, -33))) {
						t.Errorf("%s to %s and back is %s", q, to, back)
					}
				}
			}
		}
	}
}

// Conversion in one step equals conversion by way of the SI unit.
func TestInAgreesWithSI(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		codes := unit.Accepted(rapid.SampledFrom(unit.Kinds()).Draw(t, "kind"))
		q := one(rapid.SampledFrom(codes).Draw(t, "from"))
		q.Amount = decimal.New(rapid.Int64().Draw(t, "amount"), -6)
		to := one(rapid.SampledFrom(codes).Draw(t, "to"))
		got, err := q.In(to.Unit.Code)
		if err != nil {
			t.Fatal(err)
		}
		si := unit.Quantity{Amount: got, Unit: to.Unit}.SI()
		if gap := si.Sub(q.SI()).Abs(); gap.GreaterThan(q.SI().Abs().Mul(decimal.New(2, -33))) {
			t.Fatalf("%s = %s %s: %s and %s in SI", q, got, to.Unit.Code, q.SI(), si)
		}
	})
}

func TestKindsAndSystems(t *testing.T) {
	var listed []string
	for _, kind := range unit.Kinds() {
		listed = append(listed, string(kind)+": "+strings.Join(unit.Accepted(kind), " "))
	}
	want := []string{
		"area: m2 ha ft2 yd2",
		"carbon per area: kg CO2e/m2 kg CO2e/yd2 lb CO2e/yd2",
		"carbon per volume: kg CO2e/m3 kg CO2e/yd3 lb CO2e/yd3",
		"carbonation rate: mm/year^0.5",
		"count: each",
		"duration: min s h",
		"energy: kWh MJ J in.lbf",
		"energy per volume: kWh/m3 MJ/m3 kWh/yd3",
		"force: kN N lbf kip",
		"length: mm cm m km in ft yd mi",
		"mass: kg g t lb short_ton",
		"mass per volume: kg/m3 t/m3 g/cm3 lb/yd3 lb/ft3",
		"mass times distance: t.km short_ton.mi",
		"pressure: MPa Pa kPa GPa psi ksi",
		"ratio: %",
		"subgrade reaction: MPa/m kN/m3 psi/in",
		"volume: m3 L mL ft3 yd3 gal",
		"volume per volume: L/m3 mL/m3 gal/yd3",
	}
	if diff := cmp.Diff(want, listed); diff != "" {
		t.Errorf("the closed table changed (-want +got):\n%s", diff)
	}
	for code, want := range map[string]unit.System{
		"mm": unit.SI, "in": unit.US, "%": unit.Neutral, "min": unit.Neutral,
		"t": unit.SI, "short_ton": unit.US, "psi/in": unit.US, "MPa/m": unit.SI,
	} {
		if got := one(code).Unit.System; got != want {
			t.Errorf("%s belongs to %q, want %q", code, got, want)
		}
	}
	if _, ok := unit.Lookup("MM"); ok || !(unit.Unit{}).IsZero() || one("mm").Unit.IsZero() {
		t.Error("codes are case-sensitive, and only the zero Unit is zero")
	}
}

func TestParseErrorsSayWhatIsAccepted(t *testing.T) {
	for _, c := range []struct {
		text    string
		kinds   []unit.Kind
		reason  error
		code    string
		mention []string
	}{
		{"240", []unit.Kind{unit.Length}, unit.ErrMissing, "unit-missing", []string{`"240"`, "mm, cm, m"}},
		{"240 ", []unit.Kind{unit.Length}, unit.ErrMissing, "unit-missing", []string{"mm"}},
		{"", []unit.Kind{unit.Length}, unit.ErrNumber, "decimal-invalid", []string{`"12.5 mm"`}},
		{"mm", []unit.Kind{unit.Length}, unit.ErrNumber, "decimal-invalid", []string{`"12.5 mm"`}},
		{"240furlong", []unit.Kind{unit.Length}, unit.ErrNumber, "decimal-invalid", []string{`"12.5 mm"`}},
		{"1e3 mm", []unit.Kind{unit.Length}, unit.ErrNumber, "decimal-invalid", []string{"no exponent"}},
		{"9999999999999999 mm", []unit.Kind{unit.Length}, unit.ErrNumber, "decimal-invalid", []string{"15 digits"}},
		{"1 ton", []unit.Kind{unit.Mass}, unit.ErrUnknown, "unit-unknown", []string{"short_ton", "ambiguous"}},
		{"1 Tons", []unit.Kind{unit.Mass}, unit.ErrUnknown, "unit-unknown", []string{"ambiguous"}},
		{"130 pci", []unit.Kind{unit.SubgradeReaction}, unit.ErrUnknown, "unit-unknown", []string{"write psi/in"}},
		{"340 kg/m³", []unit.Kind{unit.Density}, unit.ErrUnknown, "unit-unknown", []string{"write kg/m3"}},
		{"5 l", []unit.Kind{unit.Volume}, unit.ErrUnknown, "unit-unknown", []string{"case-sensitive"}},
		{"4.5 mpa", []unit.Kind{unit.Pressure}, unit.ErrUnknown, "unit-unknown", []string{"write MPa"}},
		{"1 m2", []unit.Kind{unit.Length}, unit.ErrIncompatible, "unit-incompatible", []string{"area", "mm, cm, m, km"}},
		{"50 kN/m3", []unit.Kind{unit.Density}, unit.ErrIncompatible, "unit-incompatible", []string{"subgrade reaction", "kg/m3"}},
		{"1 kg", []unit.Kind{unit.Volume, unit.Ratio}, unit.ErrIncompatible, "unit-incompatible", []string{"mass", "m3, L", "%"}},
	} {
		q, err := unit.Parse(c.text, c.kinds...)
		var parse *unit.ParseError
		if !errors.As(err, &parse) || !errors.Is(err, c.reason) || parse.Code() != c.code || !q.Unit.IsZero() {
			t.Errorf("%q: %v (%q), want %s", c.text, err, q, c.code)
			continue
		}
		for _, m := range c.mention {
			if !strings.Contains(err.Error(), m) {
				t.Errorf("%q: the message %q does not mention %q", c.text, err, m)
			}
		}
	}
}

// What is nearly a quantity is refused with what is wrong and how to write it.
func TestSlipsAreNamed(t *testing.T) {
	length, area, mass, ratio := []unit.Kind{unit.Length}, []unit.Kind{unit.Area}, []unit.Kind{unit.Mass}, []unit.Kind{unit.Ratio}
	for _, c := range []struct {
		text  string
		kinds []unit.Kind
		want  string
	}{
		{"9.5in", length, `"9.5in": the space before the unit is missing; write "9.5 in"`},
		{"240mm", length, `"240mm": the space before the unit is missing; write "240 mm"`},
		{"6%", ratio, `"6%": the space before the unit is missing; write "6 %"`},
		{"-1.645%", ratio, `"-1.645%": the space before the unit is missing; write "-1.645 %"`},
		{"1.2miles", length, `"1.2miles": the space before the unit is missing; write "1.2 mi"`},
		{`9.5"`, length, `"9.5\"": the space before the unit is missing; write "9.5 in"`},
		{"240kg", length, `"240kg": the space before the unit is missing; write it like "12.5 mm"; accepted: mm, cm, m, km, in, ft, yd, mi`},
		{"6,000 yd2", area, `"6,000 yd2": a number has no thousands separator; write "6000 yd2", or "6.000 yd2" if the comma is the decimal mark`},
		{"6,000,000 yd2", area, `"6,000,000 yd2": a number has no thousands separator; write "6000000 yd2"`},
		{"6,000.5 yd2", area, `"6,000.5 yd2": a number has no thousands separator; write "6000.5 yd2"`},
		{"6 000 m2", area, `"6 000 m2": a number has no thousands separator; write "6000 m2"`},
		{"6'000 m2", area, `"6'000 m2": a number has no thousands separator; write "6000 m2"`},
		{"6\u202f000,5 m2", area, `"6\u202f000,5 m2": a number has no thousands separator, the decimal mark is a point; write "6000.5 m2"`},
		{"6,000", area, `"6,000": a number has no thousands separator; write it like "12.5 m2"; accepted: m2, ha, ft2, yd2`},
		{"1,5 t", mass, `"1,5 t": the decimal mark is a point; write "1.5 t"`},
		{"1,5t", mass, `"1,5t": the decimal mark is a point, the space before the unit is missing; write "1.5 t"`},
		{"+5 mm", length, `"+5 mm": a number has no plus sign; write "5 mm"`},
		{"240  mm", length, `"240  mm": one space stands before the unit and no other blank; write "240 mm"`},
		{" 240 mm", length, `" 240 mm": one space stands before the unit and no other blank; write "240 mm"`},
		{"240 mm ", length, `"240 mm ": one space stands before the unit and no other blank; write "240 mm"`},
		{"240\tmm", length, `"240\tmm": one space stands before the unit and no other blank; write "240 mm"`},
		{"240\u00a0mm", length, `"240\u00a0mm": one space stands before the unit and no other blank; write "240 mm"`},
	} {
		q, err := unit.Parse(c.text, c.kinds...)
		if err == nil || !q.Unit.IsZero() {
			t.Errorf("%q was read as %s", c.text, q)
		} else if diff := cmp.Diff(c.want, err.Error()); diff != "" {
			t.Errorf("%q:\n%s", c.text, diff)
		}
	}
}

// Units as people name them are refused with the code to write.
func TestSpokenUnitsLeadToTheirCode(t *testing.T) {
	for text, want := range map[string]string{ // kind by kind: what is spoken, and its code
		"length: miles":                       "mi",
		"length: feet":                        "ft",
		"length: inch":                        "in",
		"length: inches":                      "in",
		"length: In.":                         "in",
		"length: meter":                       "m",
		"length: Millimetres":                 "mm",
		"area: sqm":                           "m2",
		"area: sq ft":                         "ft2",
		"area: square yards":                  "yd2",
		"area: m²":                            "m2",
		"area: m^2":                           "m2",
		"volume: cu yd":                       "yd3",
		"volume: litres":                      "L",
		"mass: lbs":                           "lb",
		"mass: tonnes":                        "t",
		"force: lbs":                          "lbf",
		"force: kips":                         "kip",
		"ratio: percent":                      "%",
		"pressure: N/mm²":                     "MPa",
		"subgrade reaction: pci":              "psi/in",
		"subgrade reaction: MN/m3":            "MPa/m",
		"mass per volume: lbs/cu yd":          "lb/yd3",
		"mass per volume: pcy":                "lb/yd3",
		"mass per volume: kg/cubic metre":     "kg/m3",
		"volume per volume: litres/m³":        "L/m3",
		"energy: in-lb":                       "in.lbf",
		"energy: N·m":                         "J",
		"duration: minutes":                   "min",
		"mass times distance: tkm":            "t.km",
		"mass times distance: short_ton.mile": "",
		"length: furlong":                     "",
		"length: lbs":                         "", // a mass is no help here
		"count: pieces":                       "each",
	} {
		kind, name, _ := strings.Cut(text, ": ")
		_, err := unit.Parse("12 "+name, unit.Kind(kind))
		if !errors.Is(err, unit.ErrUnknown) {
			t.Errorf("%s: %v", text, err)
			continue
		}
		_, got, _ := strings.Cut(err.Error(), "; write ")
		if got != want {
			t.Errorf("%s: %v; want the hint %q", text, err, want)
		}
	}
}

// A request may hold thousands of bad quantities, and telling what is wrong with
// each must not make it costly.
func BenchmarkSlip(b *testing.B) {
	for b.Loop() {
		if _, err := unit.Parse("6,000,000,000,000,000,000,000,000,000,000,000,000 square yards", unit.Area); err == nil {
			b.Fatal("accepted")
		}
	}
}

func TestLongTextIsRefusedUnread(t *testing.T) {
	long := strings.Repeat("9", 1_000_000) + " mm"
	_, err := unit.Parse(long, unit.Length)
	if !errors.Is(err, unit.ErrNumber) || len(err.Error()) > 200 {
		t.Errorf("a megabyte: %.200v", err)
	}
	if q, err := unit.Parse("1."+strings.Repeat("0", 12)+" short_ton.mi", unit.TransportWork); err != nil || !q.Amount.Equal(num.One) {
		t.Errorf("all digits that are allowed: %v, %v", q, err)
	}
}

func TestInRefusesOtherKinds(t *testing.T) {
	if _, err := one("mm").In("kg"); !errors.Is(err, unit.ErrIncompatible) || !strings.Contains(err.Error(), "mm, cm, m") {
		t.Errorf("mm in kg: %v", err)
	}
	if _, err := one("t").In("ton"); !errors.Is(err, unit.ErrUnknown) || !strings.Contains(err.Error(), "short_ton") {
		t.Errorf("t in ton: %v", err)
	}
	if _, err := (unit.Quantity{}).In("kg"); !errors.Is(err, unit.ErrIncompatible) {
		t.Errorf("the zero quantity in kg: %v", err)
	}
	if got := (unit.Quantity{}).SI(); !got.IsZero() {
		t.Errorf("the zero quantity in SI: %s", got)
	}
}
