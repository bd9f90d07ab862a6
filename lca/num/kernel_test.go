package num_test

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"testing"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

func ExampleLineProduct() {
	// 84 kg/m² at 0.1185 a kg, paid in year 10, at 3 % a year.
	growth, _ := num.PowInt(dec("1.03"), 10)
	factor, _ := num.Div(num.One, growth)
	fmt.Println(num.LineProduct(dec("84"), dec("0.1185"), num.NewMultiplier(factor)))
	// Output: 7.406711
}

// The machine-word path, and every way out of it, against rational numbers.
func TestLineProductIsRoundedOnce(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 34))
	check := func(a, b, m decimal.Decimal) {
		t.Helper()
		want := new(big.Rat).Mul(a.Rat(), b.Rat())
		want = lineOf(want.Mul(want, m.Rat()))
		multiplier := num.NewMultiplier(m)
		if got := num.LineProduct(a, b, multiplier); got.Rat().Cmp(want) != 0 || got.Exponent() < -num.Places {
			t.Fatalf("%s × %s × %s = %s, want %s", a, b, m, got, want.FloatString(num.Places))
		}
		if !multiplier.Decimal().Equal(m) {
			t.Fatalf("%s was prepared as %s", m, multiplier.Decimal())
		}
	}
	for range 10_000 {
		check(random(r, 40), random(r, 40), random(r, 45)) // any size and sign
		check(random(r, 18), random(r, 18), random(r, 38).Abs())
		amount := decimal.New(r.Int64N(2e12)-1e12, -num.Places)
		price := decimal.New(r.Int64N(2e9)-1e9, -int32(r.IntN(7)))
		check(amount, price, num.One)
		check(amount, price, decimal.NewFromBigInt(digits(r, 1+r.IntN(38)), -int32(30+r.IntN(10))))

		// Ties and their neighbours: (2k+1)/2 units of the last place, with the
		// half made by the multiplier.
		odd := decimal.New(2*r.Int64N(1e9)+1, -num.Places)
		half := decimal.New(5, -1)
		check(odd, num.One, half)
		check(odd.Neg(), num.One, half)
		hair := decimal.New(1, -30)
		check(odd, num.One, half.Add(hair))
		check(odd, num.One.Neg(), half.Sub(hair))
	}
	all := decimal.New(999_999_999_999_999_999, 0) // 18 digits
	most := decimal.NewFromBigInt(new(big.Int).Sub(new(big.Int).Lsh(big.NewInt(1), 128), big.NewInt(1)), 0)
	for places := int32(-80); places <= 5; places++ {
		for _, m := range []decimal.Decimal{most.Shift(places), most.Add(num.One).Shift(places), decimal.New(1, places)} {
			check(all, all, m)
			check(all.Neg(), all, m)
		}
	}
	// Lines at the end of the machine word, on either side.
	for _, c := range []int64{1<<63 - 2, 1<<63 - 1} {
		top := decimal.NewFromBigInt(new(big.Int).Mul(big.NewInt(c), big.NewInt(10)), -num.Places-1)
		for _, d := range []int64{0, 4, 5, 6} {
			check(num.One, num.One, top.Add(decimal.New(d, -num.Places-1)))
			check(num.One.Neg(), num.One, top.Add(decimal.New(d, -num.Places-1)))
		}
	}
}

func BenchmarkLineProduct(b *testing.B) {
	growth, _ := num.PowInt(dec("1.03"), 20)
	factor, _ := num.Div(num.One, growth)
	amount, price := dec("84.123456"), dec("0.1185")
	b.Run("words", func(b *testing.B) {
		m := num.NewMultiplier(factor)
		b.ReportAllocs()
		for b.Loop() {
			sink = num.LineProduct(amount, price, m)
		}
	})
	b.Run("big integers", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			sink = num.Line(amount.Mul(price).Mul(factor))
		}
	})
}

// A total of lines that are added as they are made is the sum of the lines.
func TestTotalOfLinesIsTheirSum(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 35))
	for range 2_000 {
		var total num.Total
		want := decimal.Zero
		for range 20 {
			a, b := random(r, 1+r.IntN(14)), random(r, 1+r.IntN(14))
			total.AddLineOf(num.NewWord(a), num.NewWord(b))
			want = want.Add(a.Mul(b).RoundBank(num.Places))
			if !total.Value().Equal(want) {
				t.Fatalf("with %s × %s it is %s, want %s", a, b, total.Value(), want)
			}
		}
	}
	var total num.Total // whose word overflows, were it not emptied in time
	most := decimal.New(999_999_999, -3)
	for range 100 {
		total.AddLineOf(num.NewWord(most), num.NewWord(most))
	}
	if want := most.Mul(most).Mul(num.Hundred); !total.Value().Equal(want) {
		t.Errorf("%s, want %s", total.Value(), want)
	}
}

// Rounding by the kernel is that of the decimal library, for any number of digits.
func TestRoundingOfAnyLength(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 36))
	for range 20_000 {
		d := random(r, 1+r.IntN(60))
		if r.IntN(4) == 0 { // a tie
			d = decimal.NewFromBigInt(digits(r, 1+r.IntN(30)), -num.Places).Add(decimal.New(5, -num.Places-1)).Shift(-int32(r.IntN(2)) * 6)
		}
		for places, rounded := range map[int32]decimal.Decimal{num.Places: num.Line(d), num.AmountPlaces: num.Amount(d)} {
			if !rounded.Equal(d.RoundBank(places)) || rounded.Exponent() < -places {
				t.Fatalf("%s to %d places is %s, want %s", d, places, rounded, d.RoundBank(places))
			}
		}
	}
}

// Small numbers take a path of their own; it gives the digits of the others, ties
// and signs included.
func TestProductsOfSmallNumbers(t *testing.T) {
	for range 20_000 {
		a := decimal.New(rand.Int64N(2_000_001)-1_000_000, -rand.Int32N(10))
		b := decimal.New(rand.Int64N(2_000_001)-1_000_000, -rand.Int32N(10))
		exact := a.Mul(b)
		if got, want := num.LineOf(a, b), exact.RoundBank(num.Places); !got.Equal(want) {
			t.Fatalf("LineOf(%s, %s) = %s, want %s", a, b, got, want)
		}
		if got, want := num.AmountOf(a, b), exact.RoundBank(num.AmountPlaces); !got.Equal(want) {
			t.Fatalf("AmountOf(%s, %s) = %s, want %s", a, b, got, want)
		}
	}
	for _, c := range [][3]string{
		{"0.001", "0.0005", "0.000000"}, {"0.003", "0.0005", "0.000002"}, {"-0.003", "0.0005", "-0.000002"},
		{"0.0011", "0.0005", "0.000001"}, {"-0.0011", "0.0005", "-0.000001"}, {"0.005", "0.0005", "0.000002"},
	} {
		if got := num.LineOf(dec(c[0]), dec(c[1])); !got.Equal(dec(c[2])) {
			t.Errorf("LineOf(%s, %s) = %s, want %s", c[0], c[1], got, c[2])
		}
	}
}
