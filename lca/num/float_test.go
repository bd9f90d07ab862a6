package num_test

import (
	"errors"
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"testing"

	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/lca/num"
)

func ExampleFromFloat() {
	tenth, _ := num.FromFloat(0.1, 20) // not 0.1000000000000000055511…
	up, _ := num.FromFloat(236.9835, 3)
	down, _ := num.FromFloat(236.9845, 3)
	_, err := num.FromFloat(math.NaN(), 3)
	fmt.Println(tenth, up, down, err)
	// Output: 0.1 236.984 236.984 not a finite number
}

// Every number that the engine reads: 15 digits before the point, 12 after.
func TestFloatIsTheNearest(t *testing.T) {
	limit := new(big.Rat).SetFrac(big.NewInt(1), new(big.Int).Exp(big.NewInt(10), big.NewInt(12), nil))
	rapid.Check(t, func(t *rapid.T) {
		coefficient := rapid.Int64().Draw(t, "coefficient")
		d := decimal.New(coefficient, rapid.Int32Range(-12, -4).Draw(t, "exponent"))
		exact := d.Rat()
		f := num.Float(d)
		gap := new(big.Rat).Sub(new(big.Rat).SetFloat64(f), exact)
		if gap.Abs(gap).Cmp(new(big.Rat).Mul(new(big.Rat).Abs(exact), limit)) > 0 {
			t.Fatalf("%s became %v: more than 1e-12 away", d, f)
		}
		if nearest, _ := exact.Float64(); f != nearest {
			t.Fatalf("%s became %v, the nearest is %v", d, f, nearest)
		}
	})
}

// There and back is the same float, bit for bit, when no digit is dropped.
func TestFromFloatReadsBack(t *testing.T) {
	r := rand.New(rand.NewPCG(15, 53))
	for range 20_000 {
		f := math.Float64frombits(r.Uint64())
		d, err := num.FromFloat(f, 400)
		if math.IsNaN(f) || math.IsInf(f, 0) {
			if !errors.Is(err, num.ErrNotFinite) {
				t.Fatalf("%v crossed as %s, %v", f, d, err)
			}
			continue
		}
		if err != nil || num.Float(d) != f {
			t.Fatalf("%v crossed as %s and came back as %v (%v)", f, d, num.Float(d), err)
		}
	}
	for _, f := range []float64{0, 1, -1, 1e15, 1e22, 1e-12, math.MaxFloat64, math.SmallestNonzeroFloat64, 0.1, 1.0 / 3} {
		if d, err := num.FromFloat(f, 400); err != nil || num.Float(d) != f {
			t.Errorf("%v crossed as %s, %v", f, d, err)
		}
	}
}

func TestFromFloatRoundsHalfToEven(t *testing.T) {
	for _, c := range []struct {
		f      float64
		places int32
		want   string
	}{
		{0.5, 0, "0"}, {1.5, 0, "2"}, {2.5, 0, "2"}, {-2.5, 0, "-2"}, {-3.5, 0, "-4"},
		{0.0000005, 6, "0"}, {0.0000015, 6, "0.000002"},
		{1234567, -3, "1235000"}, {1e21, 6, "1000000000000000000000"}, {1e-30, 6, "0"},
		{62.83494, 3, "62.835"}, {math.Copysign(0, -1), 3, "0"},
	} {
		if got, err := num.FromFloat(c.f, c.places); err != nil || got.String() != c.want {
			t.Errorf("%v to %d places is %s (%v), want %s", c.f, c.places, got, err, c.want)
		}
	}
	for _, f := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if got, err := num.FromFloat(f, 3); !errors.Is(err, num.ErrNotFinite) || !got.IsZero() {
			t.Errorf("%v became %s, %v", f, got, err)
		}
	}
}

func BenchmarkFromFloat(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		sink, _ = num.FromFloat(236.98349123456, 6)
	}
}

func BenchmarkFloat(b *testing.B) {
	d := decimal.New(236983491, -6)
	var f float64
	b.ReportAllocs()
	for b.Loop() {
		f += num.Float(d)
	}
	_ = f
}
