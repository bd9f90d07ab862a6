package pavement

import (
	"fmt"
	"testing"

	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
)

// Design 1A of EB109P needs 9.33 in at 650 psi; with 1.1 times that strength,
// 4.930 MPa, it needs 8.71 in, and erosion stops it at 8.53 in (worked).
func ExampleDesign_NeededStrength() {
	d, _ := Prepare(design1A())
	for _, target := range []string{"221.3", "216"} { // 8.71 in, 8.50 in
		n, _ := d.NeededStrength(func(mm decimal.Decimal) bool { return mm.LessThanOrEqual(dec(target)) })
		fmt.Printf("%s mm: %v, %s MPa, %s governs at %s mm\n", target, n.Reached, n.MPa, n.Solution.Governs, n.Solution.ThicknessMM.Round(1))
	}
	// Output:
	// 221.3 mm: true, 4.93 MPa, fatigue governs at 221.3 mm
	// 216 mm: false, 10 MPa, erosion governs at 216.6 mm
}

// The bisection finds what trying every strength in turn finds, on the thickness
// as required and after rounding, which makes steps of it.
func TestNeededStrengthIsTheFirstOfAll(t *testing.T) {
	rounded := func(mm decimal.Decimal, step string) decimal.Decimal {
		r, faults := Rounding{StepMM: some(step)}.Round(mm)
		none(t, faults)
		return r.ThicknessMM
	}
	exact := func(mm decimal.Decimal, _ string) decimal.Decimal { return mm }
	for name, in := range map[string]Input{"eb109p": design1A(), "austroads": metric(), "aashto93": guideExample()} {
		own := solve(t, in)
		for _, c := range []struct {
			built   func(decimal.Decimal, string) decimal.Decimal
			step    string
			thinner string // than the slab of the design, mm
		}{{exact, "", "0"}, {exact, "", "0.001"}, {exact, "", "3.3"}, {rounded, "5", "1"}, {rounded, "10", "12"}, {rounded, "1", "0.4"}} {
			target := c.built(own.ThicknessMM, c.step).Sub(dec(c.thinner))
			enough := func(mm decimal.Decimal) bool { return c.built(mm, c.step).LessThanOrEqual(target) }
			d := prepare(t, in)
			n, faults := d.NeededStrength(enough)
			none(t, faults)
			first, reached := d.strength.MPa, false
			for mpa := d.strength.MPa; !mpa.GreaterThan(dec("10")) && !reached; mpa = mpa.Truncate(3).Add(dec("0.001")) {
				stronger := in
				stronger.Strength = Strength{MOR: mpa}
				first, reached = mpa, enough(solve(t, stronger).ThicknessMM)
			}
			if n.Reached != reached || !n.MPa.Equal(first) || n.Reached != enough(n.Solution.ThicknessMM) || n.Iterations > 14 {
				t.Errorf("%s, %s mm by steps of %q: %v, %s MPa after %d steps; trying all: %v, %s MPa", name, target, c.step, n.Reached, n.MPa, n.Iterations, reached, first)
			}
		}
	}
}

// A design without a solution has no strength to start from.
func TestNeededStrengthOfNoDesign(t *testing.T) {
	in := design1A()
	in.Groups = append([]Group(nil), in.Groups...)
	in.Groups[0] = Group{SingleDual, dec("200"), dec("900000000")}
	_, faults := prepare(t, in).NeededStrength(func(decimal.Decimal) bool { return false })
	if list := faults.All(); len(list) == 0 || list[0].Code != "no-feasible-thickness" {
		t.Errorf("%+v", []fault.Fault(list))
	}
}
