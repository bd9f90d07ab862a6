package pavement

import (
	"testing"

	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
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

func some(text string) decimal.NullDecimal { return decimal.NewNullDecimal(dec(text)) }

// in reads a quantity and gives it in another unit, to 12 decimals.
func in(text, code string) decimal.Decimal {
	from := map[string]unit.Kind{"mm": unit.Length, "kN": unit.Force, "MPa": unit.Pressure, "MPa/m": unit.SubgradeReaction}
	q, err := unit.Parse(text, from[code])
	if err != nil {
		panic(err)
	}
	d, err := q.In(code)
	if err != nil {
		panic(err)
	}
	return num.Amount(d)
}

// expected is a row of a published spectrum: kip, repetitions.
type expected struct {
	kip         string
	repetitions string
}

// singles1A and tandems1A are the expected repetitions of Design 1A, EB109P
// (1984), in the order of its worksheet.
var (
	singles1A = []expected{
		{"30", "6310"}, {"28", "14690"}, {"26", "30140"}, {"24", "64410"}, {"22", "106900"},
		{"20", "235800"}, {"18", "307200"}, {"16", "422500"}, {"14", "586900"}, {"12", "1837000"},
	}
	tandems1A = []expected{
		{"52", "21320"}, {"48", "42870"}, {"44", "124900"}, {"40", "372900"}, {"36", "885800"},
		{"32", "930700"}, {"28", "1656000"}, {"24", "984900"}, {"20", "1227000"}, {"16", "1356000"},
	}
)

// design1A is Design 1A of EB109P (1984): four-lane interstate, dowels, no
// concrete shoulder, k 130 lb/in³, MR 650 psi, load safety factor 1.2.
func design1A() Input {
	input := Input{
		Method:           "eb109p",
		Strength:         Strength{MOR: in("650 psi", "MPa")},
		LoadSafetyFactor: some("1.2"),
		K:                decimal.NewNullDecimal(in("130 psi/in", "MPa/m")),
		Dowels:           true,
	}
	for _, r := range singles1A {
		input.Groups = append(input.Groups, Group{SingleDual, in(r.kip+" kip", "kN"), dec(r.repetitions)})
	}
	for _, r := range tandems1A {
		input.Groups = append(input.Groups, Group{Tandem, in(r.kip+" kip", "kN"), dec(r.repetitions)})
	}
	return input
}

func prepare(t testing.TB, input Input) *Design {
	t.Helper()
	d, faults := Prepare(input)
	none(t, faults)
	return d
}

func solve(t testing.TB, input Input) Solution {
	t.Helper()
	s, faults := prepare(t, input).Solve()
	none(t, faults)
	return s
}

func check(t testing.TB, input Input, thickness decimal.Decimal) Result {
	t.Helper()
	r, faults := prepare(t, input).Check(thickness)
	none(t, faults)
	return r
}

func none(t testing.TB, faults fault.List) {
	t.Helper()
	for _, f := range faults.All() {
		t.Fatalf("%s at %s: %s", f.Code, f.Pointer, f.Detail)
	}
}

// inches of a thickness in mm.
func inches(mm decimal.Decimal) float64 { return num.Float(mm) / mmPerInch }

// near fails unless got is within the tolerance of want.
func near(t testing.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if !(got >= want-tolerance && got <= want+tolerance) {
		t.Errorf("%s: %.6g, want %.6g within %g", what, got, want, tolerance)
	}
}
