package num

// Only what is inside the package can hold the two ways of dividing against each
// other.

import (
	"testing"

	"github.com/shopspring/decimal"
	"pgregory.net/rapid"
)

// word draws numbers of up to 18 digits, with those among them that have many zeros or
// nines, where lengths and roundings are on an edge.
func word(name string) *rapid.Generator[decimal.Decimal] {
	return rapid.Custom(func(t *rapid.T) decimal.Decimal {
		c := rapid.Int64Range(1, wordPowersOfTen[18]-1).Draw(t, name)
		switch n := rapid.IntRange(0, 17).Draw(t, name+" digits"); rapid.IntRange(0, 3).Draw(t, name+" kind") {
		case 0:
			c = wordPowersOfTen[n] * (1 + c%9)
		case 1:
			c = wordPowersOfTen[n+1] - 1
		case 2:
			c = max(1, c%wordPowersOfTen[n+1])
		}
		if rapid.Bool().Draw(t, name+" negative") {
			c = -c
		}
		return decimal.New(c, int32(rapid.IntRange(-18, 6).Draw(t, name+" exponent")))
	})
}

func same(a, b decimal.Decimal) bool {
	return a.Exponent() == b.Exponent() && a.Coefficient().Cmp(b.Coefficient()) == 0
}

// A quotient in machine words is that of big integers: digits, zeros and exponent.
func TestWordQuotientIsTheWideOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := word("a").Draw(t, "a"), word("b").Draw(t, "b")
		if rapid.Bool().Draw(t, "exact") {
			q := decimal.New(rapid.Int64Range(1, 999_999_999).Draw(t, "q"), 0)
			b = decimal.New(b.CoefficientInt64()%1_000_000_000, b.Exponent())
			if b.IsZero() {
				b = One
			}
			a = b.Mul(q)
		}
		got, err := Div(a, b)
		if err != nil {
			t.Fatal(err)
		}
		if want := wideQuotient(a, b); !same(got, want) {
			t.Fatalf("%v / %v: %v e%d, in big integers %v e%d", a, b, got.Coefficient(), got.Exponent(), want.Coefficient(), want.Exponent())
		}
	})
}

// A quotient that is rounded in words is the quotient of 34 digits, rounded, by the
// decimal library: a quotient that ends in a half there is rounded to even here.
func TestRoundedQuotientIsTheRoundingOfTheQuotient(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := word("a").Draw(t, "a"), word("b").Draw(t, "b")
		switch rapid.IntRange(0, 3).Draw(t, "kind") {
		case 0: // a tie of a line or of an amount
			places := rapid.SampledFrom([]int32{Places, AmountPlaces}).Draw(t, "places")
			q := decimal.New(10*rapid.Int64Range(0, 999_999).Draw(t, "q")+5, -places-1)
			b = decimal.New(rapid.Int64Range(1, 999_999_999).Draw(t, "b of a tie"), -3)
			a = b.Mul(q)
		case 1:
			a = decimal.New(0, a.Exponent())
		case 2: // one that words do not hold
			a = a.Mul(decimal.New(1_000_000_000_000_007, -5))
		}
		q := Quotient(a, b)
		for places, got := range map[int32]decimal.Decimal{Places: LineQuotient(a, b), AmountPlaces: AmountQuotient(a, b)} {
			want := q
			if q.Exponent() < -places {
				want = q.RoundBank(places)
			}
			if !same(got, want) {
				t.Fatalf("%v / %v to %d places: %v e%d, want %v e%d", a, b, places, got.Coefficient(), got.Exponent(), want.Coefficient(), want.Exponent())
			}
		}
	})
}

// A percentage made of words is the quotient of the difference, rounded.
func TestPercentageIsTheRoundingOfItsQuotient(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := word("a").Draw(t, "a"), word("b").Draw(t, "b")
		if rapid.Bool().Draw(t, "of one exponent") {
			a, b = decimal.New(a.CoefficientInt64(), -Places), decimal.New(b.CoefficientInt64(), -Places)
		}
		if rapid.IntRange(0, 9).Draw(t, "equal") == 0 {
			a = b
		}
		want := Line(Quotient(a.Sub(b).Mul(Hundred), b))
		if got := LinePercent(a, b); !same(got, want) {
			t.Fatalf("%v against %v: %v e%d, want %v e%d", a, b, got.Coefficient(), got.Exponent(), want.Coefficient(), want.Exponent())
		}
	})
}

// What is multiplied in words is what is multiplied in decimals, whether words hold it or
// not, and totals of totals are the sums of all.
func TestWordsMultiplyAsDecimalsDo(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all, want := Total{}, decimal.Zero
		for range rapid.IntRange(1, 5).Draw(t, "parts") {
			var part Total
			for range rapid.IntRange(0, 5).Draw(t, "lines") {
				a, b, factor := word("a").Draw(t, "a"), word("b").Draw(t, "b"), word("factor").Draw(t, "factor")
				switch rapid.IntRange(0, 3).Draw(t, "kind") {
				case 0, 1: // of the usual size
					a, b, factor = decimal.New(a.CoefficientInt64()%1_000_000, -3), decimal.New(b.CoefficientInt64()%1_000, -3), decimal.New(factor.CoefficientInt64()%100_000, -4)
				case 2: // which no word holds
					a = a.Mul(decimal.New(1_000_000_000_000_007, -5))
				}
				amount := AmountOfWords(NewWord(a), NewWord(b))
				if exact := a.Mul(b).RoundBank(AmountPlaces); !amount.Decimal().Equal(exact) {
					t.Fatalf("%v × %v is %v, want %v", a, b, amount.Decimal(), exact)
				}
				part.AddLineOf(amount, NewWord(factor))
				want = want.Add(amount.Decimal().Mul(factor).RoundBank(Places))
			}
			all.AddTotal(part)
		}
		if !all.Value().Equal(want) {
			t.Fatalf("%v, want %v", all.Value(), want)
		}
	})
}
