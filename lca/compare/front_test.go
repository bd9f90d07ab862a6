package compare_test

import (
	"fmt"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/lca/compare"
)

// points draws alternatives of whole measures from a small range, so that ties, equal
// alternatives and dominated ones are common.
func points(t *rapid.T, most, measures int, high int64) []compare.Point {
	list := make([]compare.Point, rapid.IntRange(1, most).Draw(t, "alternatives"))
	for i := range list {
		list[i] = compare.Point{Name: fmt.Sprintf("%02d", i), Values: make([]decimal.Decimal, measures)}
		for k := range measures {
			list[i].Values[k] = decimal.New(rapid.Int64Range(0, high).Draw(t, "value"), 0)
		}
	}
	return list
}

func ExampleDominance() {
	for _, s := range compare.Dominance([]compare.Point{
		{Name: "thick", Values: []decimal.Decimal{dec("52"), dec("90")}},
		{Name: "fibre", Values: []decimal.Decimal{dec("50"), dec("80")}},
		{Name: "slag", Values: []decimal.Decimal{dec("51"), dec("60")}},
	}) {
		fmt.Println(s.Name, s.DominatedBy)
	}
	// Output:
	// fibre []
	// slag []
	// thick [fibre slag]
}

// By brute force on up to 50 alternatives with ties: one dominates another exactly when
// it is no worse in any measure and better in one.
func TestDominanceByBruteForce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := points(t, 50, rapid.IntRange(1, 4).Draw(t, "measures"), 6)
		standings := compare.Dominance(list)
		if len(standings) != len(list) {
			t.Fatalf("%d of %d", len(standings), len(list))
		}
		for _, s := range standings {
			for _, other := range list {
				worse, better := 0, 0
				for k := range s.Values {
					switch {
					case other.Values[k].GreaterThan(s.Values[k]):
						worse++
					case other.Values[k].LessThan(s.Values[k]):
						better++
					}
				}
				if slices.Contains(s.DominatedBy, other.Name) != (worse == 0 && better > 0) {
					t.Fatalf("%v by %v: %v", s, other, s.DominatedBy)
				}
			}
		}
	})
}

// With two measures it is the front of Pareto.
func TestDominanceAgreesWithPareto(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := options(t)
		two := make([]compare.Point, len(list))
		for i, o := range list {
			two[i] = compare.Point{Name: o.Name, Values: []decimal.Decimal{o.Cost, o.Carbon}}
		}
		var front []string
		for _, s := range compare.Dominance(two) {
			if len(s.DominatedBy) == 0 {
				front = append(front, s.Name)
			}
		}
		want := compare.Pareto(list)
		slices.Sort(want)
		if diff := cmp.Diff(want, front); diff != "" {
			t.Fatal(diff)
		}
	})
}

func TestOrderNeverChangesDominanceOrRanks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := points(t, 12, 3, 5)
		weights := []decimal.Decimal{dec("0.5"), dec("0.3"), dec("0.2")}
		dominance, sum := compare.Dominance(list), compare.WeightedSum(list, weights, compare.MinMax(list))
		ranges := byName(t, list)
		shuffled := rapid.Permutation(list).Draw(t, "order")
		if diff := cmp.Diff(dominance, compare.Dominance(shuffled)); diff != "" {
			t.Fatal(diff)
		}
		if diff := cmp.Diff(sum, compare.WeightedSum(shuffled, weights, compare.MinMax(shuffled))); diff != "" {
			t.Fatal(diff)
		}
		if diff := cmp.Diff(ranges, byName(t, shuffled)); diff != "" {
			t.Fatal(diff)
		}
	})
}

func byName(t *rapid.T, list []compare.Point) map[string]compare.RankRange {
	ranges, err := compare.RankRanges(list)
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]compare.RankRange{}
	for _, r := range ranges {
		found[r.Name] = r
	}
	return found
}
