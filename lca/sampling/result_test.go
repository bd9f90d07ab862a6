package sampling

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

// within fails unless got is want up to a relative tolerance.
func within(t testing.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance*max(1, math.Abs(want))) {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

// cement is two mixes, of 300 and 290 kg/m3 of a cement whose factor has a
// coefficient of variation of 10 %: GSD exp √ln(1 + 0.1²). With shared, both take
// the same cement; else each one of its own.
func cement(shared bool) Model {
	d := Distribution{Kind: Lognormal, GSD: math.Exp(math.Sqrt(math.Log(1.01)))}
	m := pair([]Input{{"cement", d}}, Output{Terms: []Term{{300, []int{0}}}}, Output{Terms: []Term{{290, []int{0}}}})
	if !shared {
		m.Inputs = append(m.Inputs, Input{"other cement", d})
		m.Alternatives[0][0].Terms[0].Inputs = []int{1}
	}
	return m
}

// 290 kg of the same cement always emit less than 300 kg; drawn apart, they would
// seem to only in 59.5 of 100 cases, which is Φ(ln(300/290)/(σ√2)).
func ExamplePlan_Run() {
	for _, shared := range []bool{true, false} {
		plan, _ := Prepare(cement(shared), Options{Samples: 10_000, Seed: 1, Workers: 2, Precision: 0.005}, "")
		result, _ := plan.Run(nil)
		difference := result.Pairs[0].Differences[0] // 300 kg less 290 kg
		fmt.Printf("P(290 kg is better) %.2f, difference %.1f\n", 1-difference.Better.P, difference.Mean)
	}
	// Output:
	// P(290 kg is better) 1.00, difference 10.1
	// P(290 kg is better) 0.60, difference 10.1
}

// The same, held to the closed form: 0.59496.
func TestSharedInputsAreOneDraw(t *testing.T) {
	r := run(t, cement(true), options(10_000))
	if p := r.Pairs[0].Differences[0].Better; p.P != 0 || p.SE != 0 || p.Low != 0 || p.High < 0.0003 {
		t.Errorf("paired: %+v", p)
	}
	sigma := math.Sqrt(math.Log(1.01))
	want := distuv.UnitNormal.CDF(math.Log(300.0/290) / (sigma * math.Sqrt2))
	within(t, "closed form", want, 0.595, 5e-4)
	for seed := range uint64(5) {
		o := options(10_000)
		o.Seed = seed
		p := run(t, cement(false), o).Pairs[0].Differences[0].Better
		within4(t, "drawn apart", 1-p.P, want, p.SE)
		if p.SE > 0.005 {
			t.Errorf("10,000 samples: standard error %v", p.SE)
		}
	}
}

// An alternative and its copy tie in every sample, so that each is better in half,
// however the copy is written down.
func TestCopyIsIndistinguishable(t *testing.T) {
	m := everything()
	var again []Output
	for _, out := range m.Alternatives[1] {
		split := Output{Constant: out.Constant}
		for _, term := range out.Terms { // backwards, and in two unequal parts
			third := term.Coefficient / 3
			split.Terms = append([]Term{{third, term.Inputs}, {term.Coefficient - third, term.Inputs}}, split.Terms...)
		}
		again = append(again, split)
	}
	m.Alternatives = [][]Output{m.Alternatives[1], again}
	o := options(20_000)
	r := run(t, m, o)
	for i, d := range r.Pairs[0].Differences {
		if d.Better.P != half || d.Better.SE != 0 || !d.Indistinguishable || d.Mean != 0 || d.SD != 0 || d.Shares[0] != 0 || d.BetterTrace[4] != half {
			t.Errorf("measure %d: %+v, mean %v", i, d.Better, d.Mean)
		}
	}
	for _, j := range r.Pairs[0].Joint {
		if j.Better.P != half || j.Same != 1 {
			t.Errorf("%+v", j)
		}
	}
	for _, ranks := range r.Ranks {
		if ranks[0][0] != half || ranks[0][1] != half || ranks[1][0] != half || ranks[1][1] != half {
			t.Errorf("%v", ranks)
		}
	}
}

// The band: 290 kg against 300 kg drawn apart is better in 59.5 of 100 samples,
// which is no difference where the band is 0.1.
func TestBand(t *testing.T) {
	for band, want := range map[float64]bool{0: false, 0.05: false, 0.1: true} {
		o := options(10_000)
		o.Band = band
		if got := run(t, cement(false), o).Pairs[0].Differences[0].Indistinguishable; got != want {
			t.Errorf("band %v: indistinguishable %v", band, got)
		}
	}
}

// A sum of twelve uniforms of width 1 has variance 1 and the kurtosis 2.9; one of
// three has the probability s³/6 of lying below s <= 1 (Irwin-Hall).
func TestSumsOfUniforms(t *testing.T) {
	const n = 100_000
	var inputs []Input
	var twelve, three Output
	for i := range 12 {
		inputs = append(inputs, Input{fmt.Sprint(i), Distribution{Kind: Uniform, Low: 0.5, High: 1.5}})
		twelve.Terms = append(twelve.Terms, Term{1, []int{i}})
	}
	three.Terms, three.Constant = twelve.Terms[:3], -1.5
	for seed := range uint64(3) {
		o := options(n)
		o.Seed = seed
		r := run(t, pair(inputs, twelve, three), o)
		s := r.Outputs[0][0]
		within4(t, "mean of twelve", s.Mean, 12, s.MeanSE)
		within4(t, "SD of twelve", s.SD, 1, math.Sqrt(1.9/4/n))
		for i, share := range s.Shares {
			within4(t, "share", share, 1.0/12, s.ShareSEs[i])
		}
		p := r.Outputs[1][0].Percentiles
		for i, share := range []float64{0.025, 0.05} {
			within4(t, "percentile of three", p[i].Value, math.Cbrt(6*share), p[i].SE)
			within4(t, "percentile of three", p[6-i].Value, 3-math.Cbrt(6*share), p[6-i].SE)
		}
	}
}

// What two alternatives have in common cancels from their difference, and so must its
// chance covariance with an input that only one of them uses: the shares of the
// difference are those of what is left. Here the difference is 2c - 3f - 3s of
// uniform inputs of one width, so that the shares are 4, 9 and 9 of 22.
func TestSharesOfADifferenceAreOfWhatIsLeft(t *testing.T) {
	uniform := Distribution{Kind: Uniform, Low: 0.9, High: 1.1}
	inputs := []Input{{"common", uniform}, {"fibre", uniform}, {"stage", uniform}}
	plain := Output{Terms: []Term{{100, []int{0}}}}
	fibre := Output{Terms: []Term{{98, []int{0}}, {3, []int{1}}, {3, []int{2}}}}
	for seed := range uint64(5) {
		o := options(10_000)
		o.Seed = seed
		s := run(t, pair(inputs, plain, fibre), o).Pairs[0].Differences[0].Summary
		total := 0.0
		for i, want := range []float64{4.0 / 22, 9.0 / 22, 9.0 / 22} {
			within4(t, inputs[i].Name, s.Shares[i], want, s.ShareSEs[i])
			total += s.Shares[i]
		}
		// Of a sum the shares miss 1 by 2 Σ aᵢ aⱼ rᵢⱼ, where the chance correlations r of
		// the inputs have the standard error 1/√n and the squares of a are the shares.
		within4(t, "all shares", total, 1, 2*math.Sqrt((4*9+4*9+9*9)/float64(22*22))/math.Sqrt(10_000))
	}
}

// A product of lognormals is lognormal, with CombineGSD as its spread.
func TestProductOfLognormals(t *testing.T) {
	inputs := []Input{{"amount", Distribution{Kind: Lognormal, GSD: 1.2}}, {"factor", Distribution{Kind: Lognormal, GSD: 1.5}}}
	law := distuv.LogNormal{Mu: math.Log(40), Sigma: math.Log(CombineGSD(1.2, 1.5))}
	for seed := range uint64(5) {
		o := options(100_000)
		o.Seed = seed
		s := run(t, pair(inputs, Output{Terms: []Term{{40, []int{0, 1}}}}, Output{}), o).Outputs[0][0]
		within4(t, "mean", s.Mean, law.Mean(), s.MeanSE)
		within4(t, "SD", s.SD, law.StdDev(), law.StdDev()*math.Sqrt((law.ExKurtosis()+2)/4/100_000))
		for i, p := range s.Percentiles {
			within4(t, "percentile", p.Value, law.Quantile(float64(PerMille[i])/1000), p.SE)
		}
	}
}

// First-order shares in closed form. Of Σ c A P with independent factors, E(Y|A) is
// linear in A with the slope c E(P), so A's share is c² E(P)² Var(A)/Var(Y), and
// Var(Y) = Σ c² (E(A²) E(P²) - E(A)² E(P)²).
func TestSharesInClosedForm(t *testing.T) {
	m := comparison(false)
	r := run(t, m, options(100_000))
	law := laws()
	price, factor := law[0], law[4]
	factor.mean, factor.variance = lognormalMoments(1.1)
	const amountMean, amountVariance = 1, 0.04 / 12
	for a, outputs := range r.Outputs {
		for o, s := range outputs {
			other := []law1{price, factor}[o]
			var variance float64
			want := make([]float64, len(m.Inputs))
			for _, term := range m.Alternatives[a][o].Terms {
				c2 := term.Coefficient * term.Coefficient
				variance += c2 * ((amountMean*amountMean+amountVariance)*(other.mean*other.mean+other.variance) - amountMean*amountMean*other.mean*other.mean)
				want[term.Inputs[0]] = c2 * other.mean * other.mean * amountVariance
				want[term.Inputs[1]] = c2 * amountMean * amountMean * other.variance
			}
			var sum, wantSum float64
			for i, share := range s.Shares {
				within4(t, "share", share, want[i]/variance, s.ShareSEs[i]+1e-6)
				sum, wantSum = sum+share, wantSum+want[i]/variance
			}
			// The rest, some 0.03 %, comes from products.
			if wantSum > 1 || sum > 1.01 || math.Abs(sum-wantSum) > 0.01 {
				t.Errorf("shares sum to %v, want %v", sum, wantSum)
			}
		}
	}
}

func lognormalMoments(gsd float64) (mean, variance float64) {
	s2 := math.Log(gsd) * math.Log(gsd)
	return math.Exp(s2 / 2), math.Expm1(s2) * math.Exp(s2)
}

// The model of the benchmarks by NumPy 1.24.2, 4,000,000 samples of its own
// (docs/benchmarks/montecarlo.py --reference).
func TestAgainstNumPy(t *testing.T) {
	r := run(t, comparison(false), options(100_000))
	both := func(se, of float64) float64 { return math.Hypot(se, of) }
	for _, c := range []struct {
		a, m         int
		mean, se, sd float64
		percentiles  [7]Percentile
		input        int
		share        float64
	}{
		{0, 0, 121.9337238634206, 0.0017903980244632254, 3.5807960489264508, [7]Percentile{
			{115.06406392556957, 0.004528011958726097}, {116.11760295777997, 0.0035194946170022945}, {119.48627553673742, 0.002388419176043044},
			{121.88731682540536, 0.00225062054952474}, {124.3346941567752, 0.002458953171611711}, {127.9033762156056, 0.003935057945575693},
			{129.06773530443883, 0.004755371003653863}}, 34, 0.09949353609350468},
		{0, 1, 138.62938500115965, 0.0019812077211032965, 3.9624154422065927, [7]Percentile{
			{131.04057863763057, 0.005207430099176236}, {132.21505844992808, 0.003883724268774813}, {135.9246576203994, 0.002564898077707767},
			{138.5697194146977, 0.0024596839450339303}, {141.26710537763896, 0.0026997173051768186}, {145.25049847105552, 0.004454151199951184},
			{146.5666378825871, 0.005927944005520658}}, 58, 0.09930476751854818},
		{3, 1, 144.65574633596697, 0.0020456661252949643, 4.091332250589929, [7]Percentile{
			{136.81549122222802, 0.005224005356026851}, {138.0337356454165, 0.004341927104775323}, {141.8628296477885, 0.002645344276800188},
			{144.59544715719, 0.0026947958459260235}, {147.37426748936906, 0.002798362386826625}, {151.49629922660074, 0.004672967440285447},
			{152.86159857094202, 0.005575969624842969}}, 40, 0.0931673012148506},
	} {
		s := r.Outputs[c.a][c.m]
		within4(t, "mean", s.Mean, c.mean, both(s.MeanSE, c.se))
		within4(t, "SD", s.SD, c.sd, both(s.MeanSE, c.se)/math.Sqrt2*1.05) // nearly normal: SE of an SD is that of the mean over √2
		for i, p := range s.Percentiles {
			within4(t, "percentile", p.Value, c.percentiles[i].Value, both(p.SE, c.percentiles[i].SE))
		}
		within4(t, "share", s.Shares[c.input], c.share, s.ShareSEs[c.input])
	}
	for _, c := range []struct {
		pair               int
		cost, carbon, both float64
	}{{0, 0.97780525, 0.75053575, 0.7323675}, {8, 0.3614275, 0.002124, 0.00118125}} {
		p := r.Pairs[c.pair]
		within4(t, "cost", p.Differences[0].Better.P, c.cost, p.Differences[0].Better.SE)
		within4(t, "carbon", p.Differences[1].Better.P, c.carbon, p.Differences[1].Better.SE)
		within4(t, "both", p.Joint[0].Better.P, c.both, p.Joint[0].Better.SE)
	}
}

// What must hold in any result.
func TestLawsOfAResult(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var m Model
		for i := range rapid.IntRange(1, 6).Draw(t, "inputs") {
			m.Inputs = append(m.Inputs, Input{fmt.Sprint(i), distribution().Draw(t, "distribution")})
		}
		output := rapid.Custom(func(t *rapid.T) Output {
			out := Output{Constant: float64(rapid.IntRange(0, 2).Draw(t, "constant"))}
			for range rapid.IntRange(0, 4).Draw(t, "terms") {
				i := rapid.IntRange(0, len(m.Inputs)-1)
				term := Term{float64(rapid.IntRange(-2, 2).Draw(t, "coefficient")), []int{i.Draw(t, "input")}}
				if other := i.Draw(t, "other"); other != term.Inputs[0] {
					term.Inputs = append(term.Inputs, other)
				}
				out.Terms = append(out.Terms, term)
			}
			return out
		})
		measures := rapid.IntRange(1, 3).Draw(t, "measures")
		m.Alternatives = rapid.SliceOfN(rapid.SliceOfN(output, measures, measures), 1, 4).Draw(t, "alternatives")
		r := run(t, m, options(1_500))
		near := func(what string, got, want float64) {
			if !(math.Abs(got-want) <= 1e-12*max(1, math.Abs(want))) {
				t.Fatalf("%s: %v, want %v", what, got, want)
			}
		}
		k := len(m.Alternatives)
		for measure, ranks := range r.Ranks {
			first := 0.0
			for a := range k {
				row, column := 0.0, 0.0
				for b := range k {
					row, column = row+ranks[a][b], column+ranks[b][a]
				}
				near("all ranks of one alternative", row, 1)
				near("one rank of all alternatives", column, 1)
				first += ranks[a][0]
			}
			near("the best", first, 1)
			if k == 2 {
				near("rank of two", ranks[0][0], r.Pairs[0].Differences[measure].Better.P)
			}
		}
		for _, pair := range r.Pairs {
			for measure, d := range pair.Differences {
				a, b := r.Outputs[pair.A][measure], r.Outputs[pair.B][measure]
				if scale := math.Abs(a.Mean) + math.Abs(b.Mean); math.Abs(d.Mean-(a.Mean-b.Mean)) > 1e-12*max(1, scale) {
					t.Fatalf("mean of a difference: %v, of %v and %v", d.Mean, a.Mean, b.Mean)
				}
				if q := d.Better; q.P < 0 || q.P > 1 || q.SE > 0.5/math.Sqrt(1500) || q.Low > q.P || q.High < q.P || q.Low < 0 || q.High > 1 {
					t.Fatalf("%+v", q)
				}
				near("end of the trace", d.BetterTrace[TracePoints-1], d.Better.P)
			}
			for _, j := range pair.Joint {
				near("outcomes on two measures", j.BetterBoth+j.WorseBoth+j.Mixed+j.Same, 1)
			}
		}
		// In the opposite order, each pair is seen from the other side.
		slices.Reverse(m.Alternatives)
		turned := run(t, m, options(1_500))
		for _, pair := range r.Pairs {
			i := slices.IndexFunc(turned.Pairs, func(p Pair) bool { return p.A == k-1-pair.B && p.B == k-1-pair.A })
			for measure, d := range turned.Pairs[i].Differences {
				near("the other is better", d.Better.P, 1-pair.Differences[measure].Better.P)
				near("mean of the difference", d.Mean, -pair.Differences[measure].Mean)
			}
			for n, j := range turned.Pairs[i].Joint {
				was := pair.Joint[n]
				if j.BetterBoth != was.WorseBoth || j.WorseBoth != was.BetterBoth || j.Same != was.Same {
					t.Fatalf("%+v, turned round %+v", was, j)
				}
			}
		}
		for _, outputs := range r.Outputs {
			for _, s := range outputs {
				sum, se := 0.0, 0.0
				for i, share := range s.Shares {
					if !(share >= 0 && share <= 1) {
						t.Fatalf("share %v", share)
					}
					sum, se = sum+share, math.Hypot(se, s.ShareSEs[i])
				}
				// The asymptotic standard error is of normal quantities.
				if sum > 1+6*se+0.02 {
					t.Fatalf("shares sum to %v, standard error %v", sum, se)
				}
				for i := range s.Percentiles[1:] {
					if s.Percentiles[i].Value > s.Percentiles[i+1].Value {
						t.Fatal(s.Percentiles)
					}
				}
			}
		}
	})
}

// A tie on one measure goes with the other; a tie on both counts half.
func TestJointOutcomesOfConstants(t *testing.T) {
	alternative := func(cost, carbon float64) []Output { return []Output{{Constant: cost}, {Constant: carbon}} }
	for _, c := range []struct {
		a, b []Output
		want Joint
		p    float64
	}{
		{alternative(1, 1), alternative(2, 2), Joint{BetterBoth: 1}, 1},
		{alternative(1, 2), alternative(2, 2), Joint{BetterBoth: 1}, 1},
		{alternative(2, 1), alternative(2, 2), Joint{BetterBoth: 1}, 1},
		{alternative(2, 2), alternative(2, 2), Joint{Same: 1}, 0.5},
		{alternative(1, 3), alternative(2, 2), Joint{Mixed: 1}, 0},
		{alternative(3, 1), alternative(2, 2), Joint{Mixed: 1}, 0},
		{alternative(3, 2), alternative(2, 2), Joint{WorseBoth: 1}, 0},
		{alternative(2, 3), alternative(2, 2), Joint{WorseBoth: 1}, 0},
		{alternative(3, 3), alternative(2, 2), Joint{WorseBoth: 1}, 0},
	} {
		r := run(t, Model{Alternatives: [][]Output{c.a, c.b}}, options(MinSamples))
		got := r.Pairs[0].Joint[0]
		p := got.Better.P
		got.Better = Probability{}
		c.want.Second = 1
		if got != c.want || p != c.p {
			t.Errorf("%v against %v: %+v, P %v; want %+v, %v", c.a, c.b, got, p, c.want, c.p)
		}
	}
}

// Three alternatives that tie for the first place have each a third of the first
// three ranks; the other has the fourth.
func TestRanksOfTies(t *testing.T) {
	var m Model
	for _, cost := range []float64{5, 5, 7, 5} {
		m.Alternatives = append(m.Alternatives, []Output{{Constant: cost}})
	}
	for a, ranks := range run(t, m, options(MinSamples)).Ranks[0] {
		for rank, p := range ranks {
			want := 1.0 / 3
			if (a == 2) != (rank == 3) {
				want = 0
			} else if a == 2 {
				want = 1
			}
			within(t, fmt.Sprint(a, " at ", rank), p, want, 1e-15)
		}
	}
}

// The interval of Wilson: for 15 of 20 by hand, (p + z²/2n ± z√(p(1-p)/n +
// z²/4n²))/(1 + z²/n) with z = 1.96, 0.5313 to 0.8881; for 20 of 20 from 20/(20 +
// z²) = 0.8389 to 1. Of 10 better, 5 ties and 5 worse the scores have the variance
// (10 + 5/4)/20 - 0.625².
func TestProbability(t *testing.T) {
	p := probability(15, 0, 20)
	within(t, "low", p.Low, 0.5313, 5e-5)
	within(t, "high", p.High, 0.8881, 5e-5)
	within(t, "SE", p.SE, math.Sqrt(0.75*0.25/20), 1e-15)
	all := probability(20, 0, 20)
	within(t, "low", all.Low, 0.8389, 5e-5)
	if all.P != 1 || all.High != 1 || all.SE != 0 {
		t.Errorf("%+v", all)
	}
	ties := probability(10, 5, 20)
	within(t, "P", ties.P, 0.625, 0)
	within(t, "SE", ties.SE, math.Sqrt((0.5625-0.390625)/20), 1e-15)
}

// NIST StRD, univariate (US Government work), sets of given figures: NumAcc1 is
// 10000001, 10000003, 10000002; NumAcc2 1.2, then 500 times 1.1 and 1.3; NumAcc3
// 1000000.2, then 500 times 1000000.1 and 1000000.3, of which float64 holds the
// deviations to nine digits.
func TestNumericalAccuracy(t *testing.T) {
	series := func(first, low, high float64) []float64 {
		v := []float64{first}
		for range 500 {
			v = append(v, low, high)
		}
		return v
	}
	for name, c := range map[string]struct {
		v            []float64
		mean, sd     float64
		tolerance    float64
		nominalShift float64
	}{
		"NumAcc1": {[]float64{10000001, 10000003, 10000002}, 10000002, 1, 1e-15, 1},
		"NumAcc2": {series(1.2, 1.1, 1.3), 1.2, 0.1, 1e-14, 0.5},
		"NumAcc3": {series(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, 1e-9, 7},
	} {
		s := summarise(c.v, make([]float64, len(c.v)), c.v[0]-c.nominalShift)
		within(t, name+", mean", s.Mean, c.mean, 1e-15)
		if math.Abs(s.SD/c.sd-1) > c.tolerance {
			t.Errorf("%s: SD %v, want %v", name, s.SD, c.sd)
		}
	}
}

// A run counts as converged when no standard error is above the precision.
func TestConverged(t *testing.T) {
	for samples, want := range map[int]bool{2_000: false, 12_000: true} { // SE(P) = √(0.595 0.405/n): 0.0110, 0.0045
		if got := run(t, cement(false), options(samples)).Converged; got != want {
			t.Errorf("%d samples: converged %v", samples, got)
		}
	}
}
