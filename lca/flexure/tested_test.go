package flexure_test

import (
	"fmt"
	"testing"

	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/lca/flexure"
)

func place(values ...int64) []decimal.Decimal {
	var out []decimal.Decimal
	for _, v := range values {
		out = append(out, decimal.New(v, 0))
	}
	return out
}

// Halfway between 20 and 40 kg of fibres, a quarter of the way from no slag to 40 %:
// 3/8 of each of the two without slag, 1/8 of each of those with it (by hand).
func ExampleTested_At() {
	t, _, _ := flexure.NewTested([][]decimal.Decimal{place(20, 0), place(40, 0), place(20, 40), place(40, 40)})
	b, inside := t.At(place(30, 10))
	strengths := []string{"4.4", "5.2", "4.0", "4.8"}
	fmt.Println(inside, b.Value(func(point int) decimal.Decimal { return decimal.RequireFromString(strengths[point]) }))
	for i, point := range b.Points {
		fmt.Println(point, b.Weight(i))
	}
	_, inside = t.At(place(30, 41))
	fmt.Println(inside)
	// Output:
	// true 4.7
	// 0 0.375
	// 2 0.125
	// 1 0.375
	// 3 0.125
	// false
}

// Every combination of what was tested has been tested once, or there is no grid.
func TestTestedGridHasNoGaps(t *testing.T) {
	grid, twice, missing := flexure.NewTested([][]decimal.Decimal{place(20, 0), place(40, 0), place(20, 40), place(20, 0)})
	if grid != nil || len(twice) != 1 || twice[0] != [2]int{0, 3} || len(missing) != 1 || !missing[0][0].Equal(decimal.New(40, 0)) || !missing[0][1].Equal(decimal.New(40, 0)) {
		t.Errorf("%v %v %v", grid, twice, missing)
	}
}

// A function that is linear along each axis is met exactly, everywhere inside; at a
// tested point the answer is that point, and a place beyond any end has none.
func TestInterpolationMeetsWhatIsLinearAlongEachAxis(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := make([]int64, 4)
		for i := range c {
			c[i] = rapid.Int64Range(-50, 50).Draw(t, "coefficient")
		}
		f := func(p []decimal.Decimal) decimal.Decimal {
			x, y := p[0], p[1]
			return decimal.New(c[0], 0).Add(decimal.New(c[1], 0).Mul(x)).Add(decimal.New(c[2], 0).Mul(y)).Add(decimal.New(c[3], 0).Mul(x).Mul(y))
		}
		xs := rapid.SliceOfNDistinct(rapid.Int64Range(0, 100), 1, 4, rapid.ID).Draw(t, "x")
		ys := rapid.SliceOfNDistinct(rapid.Int64Range(0, 100), 1, 4, rapid.ID).Draw(t, "y")
		var points [][]decimal.Decimal
		for _, y := range ys {
			for _, x := range xs {
				points = append(points, place(x, y))
			}
		}
		grid, _, _ := flexure.NewTested(points)
		at := place(rapid.Int64Range(-5, 105).Draw(t, "at x"), rapid.Int64Range(-5, 105).Draw(t, "at y"))
		b, inside := grid.At(at)
		within := func(v decimal.Decimal, list []int64) bool {
			low, high := list[0], list[0]
			for _, l := range list {
				low, high = min(low, l), max(high, l)
			}
			return v.GreaterThanOrEqual(decimal.New(low, 0)) && v.LessThanOrEqual(decimal.New(high, 0))
		}
		if want := within(at[0], xs) && within(at[1], ys); inside != want {
			t.Fatalf("at %v of %v and %v: inside %t", at, xs, ys, inside)
		}
		if !inside {
			return
		}
		if got := b.Value(func(point int) decimal.Decimal { return f(points[point]) }); !got.Equal(f(at)) {
			t.Fatalf("%s, want %s", got, f(at))
		}
		for _, p := range points {
			if on := p[0].Equal(at[0]) && p[1].Equal(at[1]); on && b.Interpolated() {
				t.Fatal("a tested point is interpolated")
			}
		}
	})
}
