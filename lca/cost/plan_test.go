package cost_test

import (
	"errors"
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/lca/cost"
)

// EN 15978, 9.3.3 (from memory): ⌈50/20⌉-1 = 2, ⌈60/20⌉-1 = 2, ⌈60/60⌉-1 = 0;
// years that are not whole are read too.
func ExampleReplacements() {
	for _, c := range [][2]string{{"20", "50"}, {"20", "60"}, {"60", "60"}, {"12.5", "50"}, {"12.4", "50"}, {"80", "60"}} {
		n, err := cost.Replacements(dec(c[0]), dec(c[1]))
		fmt.Println(c[1], "years, lasting", c[0], "each:", n, err)
	}
	// Output:
	// 50 years, lasting 20 each: 2 <nil>
	// 60 years, lasting 20 each: 2 <nil>
	// 60 years, lasting 60 each: 0 <nil>
	// 50 years, lasting 12.5 each: 3 <nil>
	// 50 years, lasting 12.4 each: 4 <nil>
	// 60 years, lasting 80 each: 0 <nil>
}

// An overlay on a slab 25 years old that lasts 12 years, in 50 years; and what is
// done once.
func ExampleDue() {
	fmt.Println(cost.Due(0, 25, 12, 50))
	fmt.Println(cost.Due(25, 8, 0, 37))
	// Output:
	// [25 37 49]
	// [33]
}

// Lives of 20, 30 and 40 years fit into 120 years.
func ExampleCommonPeriod() {
	fmt.Println(cost.CommonPeriod([]int{20, 30, 40}, 200))
	fmt.Println(cost.CommonPeriod([]int{37, 41}, 100))
	// Output:
	// 120 <nil>
	// 0 years must be from 0 to 200; an annual value needs at least 1
}

// What is renewed at the end of each life is done as often as it is replaced.
func TestDueIsAsOftenAsReplacements(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		life, period := rapid.IntRange(1, 120).Draw(t, "life"), rapid.IntRange(1, 120).Draw(t, "period")
		n, err := cost.Replacements(decimal.New(int64(life), 0), decimal.New(int64(period), 0))
		if due := cost.Due(0, life, life, period); err != nil || len(due) != n {
			t.Fatalf("due in %v, replaced %d times, %v", due, n, err)
		}
	})
}

func TestCommonPeriodIsTheLeast(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lives := rapid.SliceOfN(rapid.IntRange(1, 40), 1, 4).Draw(t, "lives")
		got, err := cost.CommonPeriod(lives, 200)
		fits := func(years int) bool {
			for _, l := range lives {
				if years%l != 0 {
					return false
				}
			}
			return true
		}
		want := 1
		for ; want <= 200 && !fits(want); want++ {
		}
		switch {
		case want > 200 && !errors.Is(err, cost.ErrYears):
			t.Fatalf("%v: %d, %v, want too long", lives, got, err)
		case want <= 200 && (err != nil || got != want):
			t.Fatalf("%v: %d, %v, want %d", lives, got, err, want)
		}
	})
}

func TestPlanErrors(t *testing.T) {
	for name, c := range map[string]struct {
		life, period string
		want         error
	}{
		"no life":      {"0", "50", cost.ErrLife},
		"no period":    {"20", "0", cost.ErrYears},
		"below zero":   {"-1", "50", cost.ErrLife},
		"too long":     {"20", "201", cost.ErrYears},
		"just in time": {"20", "200", nil},
	} {
		if _, err := cost.Replacements(dec(c.life), dec(c.period)); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
	}
	if _, err := cost.CommonPeriod([]int{0}, 100); !errors.Is(err, cost.ErrLife) {
		t.Error(err)
	}
	if got := cost.Due(0, 0, 5, 50); got != nil {
		t.Errorf("at age 0: %v", got)
	}
	if diff := cmp.Diff([]int(nil), cost.Due(0, 50, 5, 50)); diff != "" {
		t.Errorf("at the end of the period: %s", diff)
	}
}
