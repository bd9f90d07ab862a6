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

func dec(s string) decimal.Decimal { return decimal.RequireFromString(s) }

// The abatement trap: 500 cheaper with 3 t more carbon is, by plain division,
// +166.67 per t, which looks like a price for saving carbon and is not.
// Dominance is classified before anything is divided.
func ExampleAbatement() {
	baseline := compare.Option{Cost: dec("1000"), Carbon: dec("10000")}
	for _, o := range []compare.Option{
		{Cost: dec("500"), Carbon: dec("13000")},
		{Cost: dec("1500"), Carbon: dec("7000")},
		{Cost: dec("500"), Carbon: dec("7000")},
		{Cost: dec("1500"), Carbon: dec("13000")},
		{Cost: dec("1500"), Carbon: dec("10000")},
		{Cost: dec("1000"), Carbon: dec("10000")},
	} {
		per, reason := compare.Abatement(o, baseline)
		fmt.Println(compare.Classify(o, baseline), per.Valid, per.Decimal, reason)
	}
	// Output:
	// cheaper_and_dirtier false 0 it saves money and emits more: that is not a cost of saving carbon
	// dearer_and_cleaner true 166.666667 extra net present value over carbon saved
	// cheaper_and_cleaner false 0 it saves carbon at no extra cost, so there is no price to state
	// dominated false 0 it costs no less and emits more: the baseline is better
	// dominated false 0 equal carbon: undefined
	// same false 0 the same cost and the same carbon
}

func options(t *rapid.T) []compare.Option {
	n := rapid.IntRange(1, 50).Draw(t, "options")
	list := make([]compare.Option, n)
	for i := range list {
		list[i] = compare.Option{Name: fmt.Sprint(i), Cost: decimal.New(rapid.Int64Range(0, 20).Draw(t, "cost"), 0), Carbon: decimal.New(rapid.Int64Range(0, 20).Draw(t, "carbon"), 0)}
	}
	return list
}

// By brute force: an option is on the front exactly when no other is better in
// one figure and no worse in the other.
func TestParetoFrontByBruteForce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := options(t)
		front := compare.Pareto(list)
		for _, a := range list {
			beaten := slices.ContainsFunc(list, func(b compare.Option) bool {
				better := b.Cost.LessThan(a.Cost) || b.Carbon.LessThan(a.Carbon)
				return better && !b.Cost.GreaterThan(a.Cost) && !b.Carbon.GreaterThan(a.Carbon)
			})
			if slices.Contains(front, a.Name) == beaten {
				t.Fatalf("%s: on the front %v, beaten %v", a.Name, !beaten, beaten)
			}
		}
	})
}

// The order of the request never changes a rank, and equal values share one.
func TestRankDoesNotDependOnOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := options(t)
		rank := func() []compare.Ranked {
			names, values := make([]string, len(list)), make([]decimal.Decimal, len(list))
			for i, o := range list {
				names[i], values[i] = o.Name, o.Cost
			}
			return compare.Rank(names, values)
		}
		want := rank()
		list = rapid.Permutation(list).Draw(t, "order")
		if diff := cmp.Diff(want, rank()); diff != "" {
			t.Fatal(diff)
		}
		byName := map[string]decimal.Decimal{}
		for _, o := range list {
			byName[o.Name] = o.Cost
		}
		for _, a := range want {
			for _, b := range want {
				if (a.Rank == b.Rank) != byName[a.Name].Equal(byName[b.Name]) {
					t.Fatalf("%v and %v", a, b)
				}
			}
		}
	})
}

// A relative change from zero has no value.
func TestRelativeToZero(t *testing.T) {
	if r := compare.Relative(dec("1"), dec("0")); r.Valid {
		t.Errorf("got %s", r.Decimal)
	}
	if r := compare.Relative(dec("215"), dec("240")); !r.Decimal.Equal(dec("-10.416667")) {
		t.Errorf("got %s, want -10.416667", r.Decimal)
	}
}
