package compare

import (
	"errors"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/shopspring/decimal"
)

func dec(s string) decimal.Decimal { return decimal.RequireFromString(s) }

// product is the polynomial with the given roots, rounded to 6 decimals as a total is.
func product(scale string, roots ...string) func(decimal.Decimal) (decimal.Decimal, error) {
	return func(x decimal.Decimal) (decimal.Decimal, error) {
		y := dec(scale)
		for _, r := range roots {
			y = y.Mul(x.Sub(dec(r)))
		}
		return y.RoundBank(6), nil
	}
}

// steps is a function that jumps: its value is that of the last step at or below x.
func steps(list ...string) func(decimal.Decimal) (decimal.Decimal, error) {
	return func(x decimal.Decimal) (decimal.Decimal, error) {
		y := decimal.Zero
		for i := 0; i < len(list); i += 2 {
			if dec(list[i]).LessThanOrEqual(x) {
				y = dec(list[i+1])
			}
		}
		return y, nil
	}
}

func TestEveryChangeOfSignIsFound(t *testing.T) {
	type root struct {
		at     string
		tie    bool
		rising int
	}
	type span [2]string
	for name, c := range map[string]struct {
		low, high string
		f         func(decimal.Decimal) (decimal.Decimal, error)
		roots     []root
		spans     []span
		first     int
	}{
		"a straight line, by one division":   {"0", "8", product("2", "3"), []root{{"3", true, 1}}, nil, -1},
		"a straight line that ends in a tie": {"0", "3", product("2", "3"), nil, []span{{"3", "3"}}, -1},
		"a straight line that begins so":     {"3", "9", product("2", "3"), nil, []span{{"3", "3"}}, 1},
		"two changes in different parts":     {"0", "64", product("1", "10.5", "40.25"), []root{{"10.5", true, -1}, {"40.25", true, 1}}, nil, 1},
		"two changes within one part":        {"-50", "100", product("1", "4.2", "5.5"), []root{{"4.2", true, -1}, {"5.5", true, 1}}, nil, 1},
		"two changes within the first part":  {"0", "100", product("1", "0.1", "1.4"), []root{{"0.1", true, -1}, {"1.4", true, 1}}, nil, 1},
		"two changes within the last part":   {"0", "100", product("-1", "98.7", "99.8"), []root{{"98.7", true, 1}, {"99.8", true, -1}}, nil, -1},
		"three changes, two within one part": {"0", "64", product("1", "10.2", "10.7", "30.1"), []root{{"10.2", true, 1}, {"10.7", true, -1}, {"30.1", true, 1}}, nil, -1},
		"a change where two parts meet":      {"0", "64", product("0.01", "16", "40.5"), []root{{"16", true, -1}, {"40.5", true, 1}}, nil, 1},
		"a touch where two parts meet":       {"0", "64", product("1", "16", "16"), nil, []span{{"16", "16"}}, 1},
		"both ends, and no change":           {"0", "64", product("1", "0", "64"), nil, []span{{"0", "0"}, {"64", "64"}}, -1},
		"nowhere near zero": {"0", "64", func(x decimal.Decimal) (decimal.Decimal, error) {
			return x.Sub(dec("31.7")).Mul(x.Sub(dec("31.7"))).Add(dec("9")), nil
		}, nil, nil, 1},
		"a turn that stays above": {"0", "64", func(x decimal.Decimal) (decimal.Decimal, error) {
			return x.Sub(dec("31.7")).Mul(x.Sub(dec("31.7"))).Add(dec("0.01")), nil
		}, nil, nil, 1},
		"a jump":                               {"0", "64", steps("0", "-5", "20.3", "4"), []root{{"20.3", false, 1}}, nil, -1},
		"level at the first looks, with jumps": {"0", "64", steps("0", "3", "20.3", "-4", "24.7", "3"), []root{{"20.3", false, -1}, {"24.7", false, 1}}, nil, 1},
		"a step down to a tie that stays":      {"0", "60", steps("0", "-1.5", "3.875", "0"), nil, []span{{"3.875", "60"}}, -1},
		"a tie on the way":                     {"0", "60", steps("0", "-1.5", "3.875", "0", "20.1", "2"), []root{{"3.875", true, 1}}, []span{{"3.875", "20.1"}}, -1},
		"a tie on the way and back":            {"0", "60", steps("0", "-1.5", "3.875", "0", "20.1", "-2"), nil, []span{{"3.875", "20.1"}}, -1},
		"a tie to begin with":                  {"0", "60", steps("0", "0", "20.1", "-2"), nil, []span{{"0", "20.1"}}, -1},
		"a tie everywhere":                     {"0", "60", steps("0", "0"), nil, []span{{"0", "60"}}, 0},
		"level, and no tie":                    {"0", "60", steps("0", "7"), nil, nil, 1},
	} {
		t.Run(name, func(t *testing.T) {
			found, err := Crossings(dec(c.low), dec(c.high), c.f)
			if err != nil {
				t.Fatal(err)
			}
			// A polynomial that is rounded to 6 decimals is zero a little around its root.
			near := func(got decimal.Decimal, want string) bool { return got.Sub(dec(want)).Abs().LessThan(dec("0.0001")) }
			if !slices.EqualFunc(found.Roots, c.roots, func(r Root, w root) bool { return near(r.Value, w.at) && r.Tie == w.tie && r.Rising == w.rising }) {
				t.Errorf("changes of sign %v, want %v", found.Roots, c.roots)
			}
			if !slices.EqualFunc(found.Spans, c.spans, func(s Span, w span) bool { return near(s.From, w[0]) && near(s.To, w[1]) }) {
				t.Errorf("ties %v, want %v", found.Spans, c.spans)
			}
			if found.First != c.first {
				t.Errorf("the first sign is %d, want %d", found.First, c.first)
			}
		})
	}
}

// Parabolas with two roots anywhere, however near, against algebra: both are found, each
// where it is.
func TestRootsOfParabolasAgainstAlgebra(t *testing.T) {
	random := rand.New(rand.NewPCG(6, 1))
	for range 100 {
		first := decimal.New(random.Int64N(9_000), -2)
		second := first.Add(decimal.New(1+random.Int64N(900), -2))
		found, err := Crossings(dec("-3"), dec("101"), product("3", first.String(), second.String()))
		if err != nil || len(found.Roots) != 2 || len(found.Spans) != 0 {
			t.Fatalf("%s and %s: %+v, %v", first, second, found, err)
		}
		for i, want := range []decimal.Decimal{first, second} {
			// Where the slope is at least 3 × 0.01, six decimals place a root within 2e-5.
			if got := found.Roots[i].Value; got.Sub(want).Abs().GreaterThan(dec("0.0001")) {
				t.Errorf("%s and %s: found %s", first, second, got)
			}
		}
	}
}

func TestTheSearchFailsAsTheFunctionDoes(t *testing.T) {
	broken := errors.New("broken")
	for _, from := range []string{"0", "10", "63"} {
		f := func(x decimal.Decimal) (decimal.Decimal, error) {
			if x.GreaterThanOrEqual(dec(from)) {
				return decimal.Zero, broken
			}
			return x.Mul(x), nil
		}
		if _, err := Crossings(dec("-1"), dec("64"), f); !errors.Is(err, broken) {
			t.Errorf("from %s: %v", from, err)
		}
	}
	many := 0
	restless := func(decimal.Decimal) (decimal.Decimal, error) {
		many++
		return decimal.NewFromInt(int64(many%2*2 - 1)), nil
	}
	if _, err := Crossings(dec("0"), dec("1"), restless); !errors.Is(err, ErrCrossings) {
		t.Errorf("a function that never rests: %v", err)
	}
}
