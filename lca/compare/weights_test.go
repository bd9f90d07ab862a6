package compare_test

import (
	"errors"
	"fmt"
	"math/big"
	"testing"

	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/lca/compare"
)

// Three slabs by cost and carbon, relative to the first: 1 and 1, 1.2 and 0.7, 0.9 and
// 1.05. By hand: with w for cost, the second beats the first where 0.2 w < 0.3 (1 - w),
// w < 0.6; the third beats the first where 0.05 (1 - w) < 0.1 w, w > 1/3; the second
// beats the third where 0.3 w < 0.35 (1 - w), w < 0.35/0.65 = 7/13. The first is beaten
// everywhere, and by both between 1/3 and 0.6.
func ExampleFirstWhere() {
	list := []compare.Point{
		{Name: "plain", Values: []decimal.Decimal{dec("50"), dec("100")}},
		{Name: "slag", Values: []decimal.Decimal{dec("60"), dec("70")}},
		{Name: "thin", Values: []decimal.Decimal{dec("45"), dec("105")}},
	}
	scales, _ := compare.ToBaseline(list[0])
	for _, i := range compare.FirstWhere(list, scales) {
		fmt.Println(i.Name, i.Ever, i.From.RoundBank(6), i.To.RoundBank(6))
	}
	ranges, _ := compare.RankRanges(list)
	for _, r := range ranges {
		fmt.Println(r)
	}
	for _, s := range compare.WeightedSum(list, []decimal.Decimal{dec("0.5"), dec("0.5")}, scales) {
		fmt.Println(s.Rank, s.Name, s.Score)
	}
	// Output:
	// plain false 0 0
	// slag true 0 0.538462
	// thin true 0.538462 1
	// {plain 2 3}
	// {slag 1 3}
	// {thin 1 3}
	// 1 slag 0.95
	// 2 thin 0.975
	// 3 plain 1
}

func rat(d decimal.Decimal) *big.Rat { return d.Rat() }

// ranksAt is an oracle in exact fractions: the rank of each point at weights that are
// given up to a common factor.
func ranksAt(list []compare.Point, weights []*big.Rat) []int {
	sums := make([]*big.Rat, len(list))
	for i, p := range list {
		sums[i] = new(big.Rat)
		for k, v := range p.Values {
			sums[i].Add(sums[i], new(big.Rat).Mul(weights[k], rat(v)))
		}
	}
	ranks := make([]int, len(list))
	for i := range sums {
		ranks[i] = 1
		for j := range sums {
			if sums[j].Cmp(sums[i]) < 0 {
				ranks[i]++
			}
		}
	}
	return ranks
}

// corners of the fields into which the ties of two points cut the weights, by crossing
// every two lines of them and of the sides.
func corners(list []compare.Point, measures int) [][]*big.Rat {
	lines := [][]*big.Rat{}
	for k := range measures {
		side := make([]*big.Rat, measures)
		for l := range side {
			side[l] = new(big.Rat)
		}
		side[k].SetInt64(1)
		lines = append(lines, side)
	}
	for i, p := range list {
		for _, other := range list[:i] {
			line := make([]*big.Rat, measures)
			for k := range line {
				line[k] = rat(p.Values[k].Sub(other.Values[k]))
			}
			lines = append(lines, line)
		}
	}
	var found [][]*big.Rat
	keep := func(v []*big.Rat) {
		for _, sign := range []int64{1, -1} {
			total, ok := new(big.Rat), true
			scaled := make([]*big.Rat, len(v))
			for k := range v {
				scaled[k] = new(big.Rat).Mul(v[k], big.NewRat(sign, 1))
				ok = ok && scaled[k].Sign() >= 0
				total.Add(total, scaled[k])
			}
			if ok && total.Sign() > 0 {
				found = append(found, scaled)
			}
		}
	}
	if measures == 2 {
		for _, l := range lines {
			keep([]*big.Rat{l[1], new(big.Rat).Neg(l[0])})
		}
		return found
	}
	minus := func(a, b, c, d *big.Rat) *big.Rat {
		x := new(big.Rat).Mul(a, b)
		return x.Sub(x, new(big.Rat).Mul(c, d))
	}
	for i, a := range lines {
		for _, b := range lines[:i] {
			keep([]*big.Rat{minus(a[1], b[2], a[2], b[1]), minus(a[2], b[0], a[0], b[2]), minus(a[0], b[1], a[1], b[0])})
		}
	}
	return found
}

// normal scales weights so that they sum to one.
func normal(v []*big.Rat) []*big.Rat {
	total := new(big.Rat)
	for _, x := range v {
		total.Add(total, x)
	}
	out := make([]*big.Rat, len(v))
	for k := range v {
		out[k] = new(big.Rat).Quo(v[k], total)
	}
	return out
}

// By brute force: a rank can change only at the ties, so the best and the worst ranks
// stand at their crossings and inside the fields between them, of which the middle of
// any three corners that span one is a point. Both ends are taken, and none beyond.
func TestRankRangesByBruteForce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		measures := rapid.IntRange(2, 3).Draw(t, "measures")
		list := points(t, map[int]int{2: 8, 3: 4}[measures], measures, 5)
		best, worst := make([]int, len(list)), make([]int, len(list))
		look := func(w []*big.Rat) {
			for i, r := range ranksAt(list, w) {
				if best[i] == 0 || r < best[i] {
					best[i] = r
				}
				worst[i] = max(worst[i], r)
			}
		}
		seen, distinct := map[string]bool{}, [][]*big.Rat{}
		for _, v := range corners(list, measures) {
			n := normal(v)
			if key := fmt.Sprint(n); !seen[key] {
				seen[key], distinct = true, append(distinct, n)
			}
		}
		add := func(vs ...[]*big.Rat) []*big.Rat {
			sum := make([]*big.Rat, measures)
			for k := range sum {
				sum[k] = new(big.Rat)
				for _, v := range vs {
					sum[k].Add(sum[k], v[k])
				}
			}
			return sum
		}
		for i, a := range distinct {
			look(a)
			for j, b := range distinct[:i] {
				look(add(a, b))
				if measures == 3 {
					for _, c := range distinct[:j] {
						look(add(a, b, c))
					}
				}
			}
		}
		ranges, err := compare.RankRanges(list)
		if err != nil {
			t.Fatal(err)
		}
		for i, r := range ranges {
			if r.Best != best[i] || r.Worst != worst[i] {
				t.Fatalf("%s: %d to %d, by brute force %d to %d of %v", r.Name, r.Best, r.Worst, best[i], worst[i], list)
			}
		}
	})
}

// No weights at random give a rank beyond the range, and the scale of a measure does
// not matter.
func TestRanksStayInTheirRange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		measures := rapid.IntRange(2, 3).Draw(t, "measures")
		list := points(t, 15, measures, 1000)
		ranges, err := compare.RankRanges(list)
		if err != nil {
			t.Fatal(err)
		}
		stretched := make([]compare.Point, len(list))
		for i, p := range list {
			stretched[i] = compare.Point{Name: p.Name, Values: append([]decimal.Decimal{p.Values[0].Mul(dec("7.3"))}, p.Values[1:]...)}
		}
		again, err := compare.RankRanges(stretched)
		if err != nil || fmt.Sprint(again) != fmt.Sprint(ranges) {
			t.Fatalf("another scale: %v and %v, %v", ranges, again, err)
		}
		weights := make([]*big.Rat, measures)
		for range 50 {
			for k := range weights {
				weights[k] = big.NewRat(rapid.Int64Range(0, 100).Draw(t, "weight"), 1)
			}
			weights[0].Add(weights[0], big.NewRat(1, 1000))
			for i, r := range ranksAt(list, weights) {
				if r < ranges[i].Best || r > ranges[i].Worst {
					t.Fatalf("%s has rank %d, outside of %v", list[i].Name, r, ranges[i])
				}
			}
		}
	})
}

// Where an alternative is said to be first it is, at both ends and in the middle; a
// hair outside it is not; and some alternative is first at every weight.
func TestFirstWhereByExactFractions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := points(t, 10, 2, 8)
		scales := compare.MinMax(list)
		span := func(k int) *big.Rat {
			if scales[k].Span.IsZero() {
				return big.NewRat(1, 1)
			}
			return rat(scales[k].Span)
		}
		first := func(i int, w *big.Rat) bool {
			rest := new(big.Rat).Sub(big.NewRat(1, 1), w)
			return ranksAt(list, []*big.Rat{new(big.Rat).Quo(w, span(0)), new(big.Rat).Quo(rest, span(1))})[i] == 1
		}
		hair := big.NewRat(1, 1_000_000)
		intervals := compare.FirstWhere(list, scales)
		for i, at := range intervals {
			ever := false
			for step := range int64(201) {
				ever = ever || first(i, big.NewRat(step, 200))
			}
			if !at.Ever {
				if ever {
					t.Fatalf("%v is first somewhere: %v", at, list)
				}
				continue
			}
			middle := rat(at.From.Add(at.To).Mul(dec("0.5")))
			if !at.From.Equal(at.To) && !first(i, middle) {
				t.Fatalf("%v is not first in the middle: %v", at, list)
			}
			if below := new(big.Rat).Sub(rat(at.From), hair); below.Sign() > 0 && first(i, below) {
				t.Fatalf("%v is first below: %v", at, list)
			}
			if above := new(big.Rat).Add(rat(at.To), hair); above.Cmp(big.NewRat(1, 1)) < 0 && first(i, above) {
				t.Fatalf("%v is first above: %v", at, list)
			}
			if inside := new(big.Rat).Add(rat(at.From), hair); inside.Cmp(rat(at.To)) < 0 && !first(i, inside) {
				t.Fatalf("%v is not first at its begin: %v", at, list)
			}
		}
	})
}

// A sum of weighted measures, in exact fractions, has the rank and the printed score.
func TestWeightedSumByExactFractions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := points(t, 20, 3, 9)
		for i := range list {
			for k := range list[i].Values {
				list[i].Values[k] = list[i].Values[k].Add(dec("1"))
			}
		}
		weights := []decimal.Decimal{dec("0.2"), dec("0.45"), dec("0.35")}
		scales, err := compare.ToBaseline(list[0])
		if err != nil {
			t.Fatal(err)
		}
		fractions := make([]*big.Rat, 3)
		for k := range fractions {
			fractions[k] = new(big.Rat).Quo(rat(weights[k]), rat(list[0].Values[k]))
		}
		ranks := ranksAt(list, fractions)
		at := map[string]int{}
		for i, p := range list {
			at[p.Name] = i
		}
		for _, s := range compare.WeightedSum(list, weights, scales) {
			sum := new(big.Rat)
			for k, v := range list[at[s.Name]].Values {
				sum.Add(sum, new(big.Rat).Mul(fractions[k], rat(v)))
			}
			off := new(big.Rat).Sub(sum, rat(s.Score))
			if s.Rank != ranks[at[s.Name]] || off.Abs(off).Cmp(big.NewRat(1, 2_000_000)) > 0 {
				t.Fatalf("%v: rank %d, sum %s", s, ranks[at[s.Name]], sum.FloatString(8))
			}
		}
	})
}

func TestRefusedScalesAndMeasures(t *testing.T) {
	zero := compare.Point{Name: "a", Values: []decimal.Decimal{dec("1"), dec("0")}}
	if _, err := compare.ToBaseline(zero); !errors.Is(err, compare.ErrScale) {
		t.Errorf("a baseline of zero: %v", err)
	}
	one := []compare.Point{{Name: "a", Values: []decimal.Decimal{dec("1")}}}
	if _, err := compare.RankRanges(one); !errors.Is(err, compare.ErrMeasures) {
		t.Errorf("one measure: %v", err)
	}
	same := []compare.Point{zero, {Name: "b", Values: zero.Values}}
	for _, s := range compare.WeightedSum(same, []decimal.Decimal{dec("0.5"), dec("0.5")}, compare.MinMax(same)) {
		if s.Rank != 1 || !s.Score.IsZero() {
			t.Errorf("equal in all: %v", s)
		}
	}
}
