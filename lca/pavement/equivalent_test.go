package pavement

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// factorOf is the equivalence factor of one load on a slab of d in.
func factorOf(axle Axle, kip, d, terminal float64) float64 {
	s := newSpectrum93([]load{{axle: axle.index(), kN: kip * kNPerKip, repetitions: 1}}, terminal)
	return s.total(d * mmPerInch)
}

// AASHTO guide (1993), appendix D: table D.13, single axles, and table D.14, tandem
// axles, rigid pavements, pt 2.5, D 9 in (values from memory). Compared to the last
// digit that is printed.
func TestEquivalenceFactorsOfTheGuide(t *testing.T) {
	for _, c := range []struct {
		axle   Axle
		kip    float64
		want   float64
		digits float64 // one unit in the last place
	}{
		{SingleDual, 2, 0.0002, 0.0001}, {SingleDual, 10, 0.082, 0.001}, {SingleDual, 14, 0.341, 0.001},
		{SingleDual, 18, 1.00, 0.01}, {SingleDual, 20, 1.57, 0.01}, {SingleDual, 30, 8.28, 0.01},
		{Tandem, 2, 0.0001, 0.0001}, {Tandem, 10, 0.013, 0.001}, {Tandem, 14, 0.048, 0.001}, {Tandem, 18, 0.133, 0.001},
		{Tandem, 20, 0.206, 0.001}, {Tandem, 30, 1.14, 0.01}, {Tandem, 34, 1.92, 0.01}, {Tandem, 40, 3.74, 0.01}, {Tandem, 50, 9.07, 0.01},
	} {
		near(t, string(c.axle), factorOf(c.axle, c.kip, 9, 2.5), c.want, c.digits/2)
	}
}

// Tables D.10, D.13 and D.16: an 18-kip single axle counts as one of itself, at any
// thickness and pt; its tyres do not matter.
func TestEquivalenceOfTheStandardAxle(t *testing.T) {
	for _, terminal := range []float64{2, 2.5, 3} {
		for d := 5.0; d <= 14; d++ {
			near(t, "18 kip", factorOf(SingleDual, 18, d, terminal), 1, 1e-12)
			near(t, "18 kip, single tyres", factorOf(SingleTyre, 18, d, terminal), 1, 1e-12)
		}
	}
}

// Triple axles, and other pt and thicknesses: worked by an independent script from
// the equation as it stands in the documentation. A slip in L2 or in a power shows
// here; that the equation is right, the tables of the guide show.
func TestEquivalenceFactorsWorked(t *testing.T) {
	for _, c := range []struct {
		axle             Axle
		kip, d, terminal float64
		want             float64
	}{
		{Tridem, 36, 9, 2.5, 0.7568}, {Tridem, 48, 9, 2.5, 2.490}, {Tridem, 60, 12, 2.5, 6.768}, {Tridem, 90, 6, 3, 30.52},
		{Tandem, 44, 8, 2, 5.667}, {Tandem, 36, 7, 3, 2.096}, {SingleDual, 26, 10, 2, 4.970}, {SingleDual, 12, 6, 3, 0.2281},
	} {
		near(t, string(c.axle), factorOf(c.axle, c.kip, c.d, c.terminal)/c.want, 1, 2.5e-4)
	}
}

// spectrum93Input is the example of the guide with a spectrum, invented, in place of its
// equivalent axles.
func spectrum93Input() Input {
	input := guideExample()
	input.EquivalentAxles = decimal.NullDecimal{}
	for _, g := range []struct {
		axle             Axle
		kip, repetitions string
	}{{SingleTyre, "11", "4000000"}, {SingleDual, "18", "700000"}, {SingleDual, "24", "90000"}, {Tandem, "34", "1300000"}, {Tridem, "50", "240000"}} {
		input.Groups = append(input.Groups, Group{g.axle, in(g.kip+" kip", "kN"), dec(g.repetitions)})
	}
	return input
}

// By hand one guesses a thickness, finds the equivalent axles for it, the thickness
// for those, and so on until it stands still. The design gets there at once, in the
// bisections of any design.
func TestSpectrumIsTheFixedPoint(t *testing.T) {
	s := solve(t, spectrum93Input())
	thickness, rounds := dec("203.2"), 0
	for moved := true; moved; rounds++ {
		if rounds == 20 {
			t.Fatalf("still moving at %s mm", thickness)
		}
		byHand := guideExample()
		byHand.EquivalentAxles = decimal.NewNullDecimal(check(t, spectrum93Input(), thickness).EquivalentAxles)
		next := solve(t, byHand).ThicknessMM
		moved, thickness = next.Sub(thickness).Abs().GreaterThan(dec("0.001")), next
	}
	near(t, "thickness in mm", num.Float(s.ThicknessMM), num.Float(thickness), 0.002)
	if s.Iterations > 20 {
		t.Errorf("%d bisections", s.Iterations)
	}
	t.Logf("%s mm after %d bisections; by hand %d rounds", s.ThicknessMM, s.Iterations, rounds)
}

// 5.1 million axles of 18 kip are the 5.1 million equivalent axles of the guide's
// example.
func TestSpectrumOfStandardAxles(t *testing.T) {
	input := guideExample()
	input.EquivalentAxles = decimal.NullDecimal{}
	input.Groups = []Group{{SingleDual, in("18 kip", "kN"), dec("5100000")}}
	near(t, "thickness in mm", num.Float(solve(t, input).ThicknessMM), num.Float(solve(t, guideExample()).ThicknessMM), 0.001)
}

// The lines sum to the total, and are factor times repetitions.
func TestEquivalentAxlesOfASpectrum(t *testing.T) {
	input := spectrum93Input()
	r := check(t, input, in("9 in", "mm"))
	sum := decimal.Zero
	for i, e := range r.Equivalents {
		g := input.Groups[i]
		if e.Axle != g.Axle || !e.LoadKN.Equal(g.LoadKN) || !e.Repetitions.Equal(g.Repetitions) {
			t.Errorf("line %d is of %s, %s kN", i, e.Axle, e.LoadKN)
		}
		near(t, "line", num.Float(e.Axles)/num.Float(e.Factor.Mul(e.Repetitions)), 1, 1e-4)
		sum = sum.Add(e.Axles)
	}
	if !sum.Equal(r.EquivalentAxles) {
		t.Errorf("the lines sum to %s, the total is %s", sum, r.EquivalentAxles)
	}
	near(t, "damage", num.Float(r.Totals[0].Percent), 100*num.Float(sum)/num.Float(r.Allowable.Decimal), 1e-6)
	// Table D.14 has 1.92 at 34 kip.
	near(t, "34 kip tandem", math.Round(100*num.Float(r.Equivalents[3].Factor)), 192, 0)
}

// Equivalent axles that were given go before a spectrum for the other methods. The
// load safety factor of those is not in the equivalent axles, and that is said.
func TestSpectrumBesideOtherMethods(t *testing.T) {
	both := guideExample()
	both.Groups = spectrum93Input().Groups
	if diff := cmp.Diff(solve(t, guideExample()), solve(t, both)); diff != "" {
		t.Error(diff)
	}
	safe := spectrum93Input()
	safe.LoadSafetyFactor = some("1.2")
	if w := prepare(t, safe).Warnings(); len(w) != 1 || w[0].Code != "not-used" || w[0].Pointer != "/traffic/load_safety_factor" {
		t.Errorf("%+v", w)
	}
	if diff := cmp.Diff(solve(t, spectrum93Input()), solve(t, safe)); diff != "" {
		t.Error(diff)
	}
}

// Where the equation gives a thicker slab fewer axles there is no thickness that
// carries just its own equivalent axles, and no answer.
func TestSpectrumThatDoesNotSettle(t *testing.T) {
	input := spectrum93Input()
	input.K = some("210")
	input.Serviceability.Ec, input.Serviceability.DeltaPSI = some("10000"), some("0.5")
	_, faults := prepare(t, input).Solve()
	if faults.Len() != 1 || faults.All()[0].Code != "not-monotone" {
		t.Errorf("%v", faults.All())
	}
}
