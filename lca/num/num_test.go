package num_test

import (
	"errors"
	"fmt"
	"math/big"
	"math/rand/v2"
	"testing"

	"github.com/cockroachdb/apd/v3"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/lca/num"
)

func dec(text string) decimal.Decimal {
	d, err := num.Parse(text)
	if err != nil {
		panic(text + ": " + err.Error())
	}
	return d
}

func ExampleLine() {
	for _, text := range []string{"0.0000005", "0.0000015", "-0.0000015", "0.00000050001", "70.728"} {
		fmt.Println(num.Line(dec(text)))
	}
	// Output:
	// 0
	// 0.000002
	// -0.000002
	// 0.000001
	// 70.728
}

func ExampleDiv() {
	third, _ := num.Div(dec("1"), dec("3"))
	quarter, _ := num.Div(dec("1"), dec("4"))
	_, err := num.Div(dec("1"), dec("0"))
	fmt.Println(third)
	fmt.Println(quarter)
	fmt.Println(err)
	// Output:
	// 0.3333333333333333333333333333333333
	// 0.25
	// division by zero
}

func ExamplePowInt() {
	// 1.03 to the 40th, every digit: the compound amount factor at 3 % a year.
	growth, _ := num.PowInt(dec("1.03"), 40)
	fmt.Println(growth)
	// Output: 3.26203779199907436766740454433356067287204248224700781926823975402404198696196801
}

func ExampleSum() {
	fmt.Println(num.Sum(dec("0.1"), dec("0.2"), dec("-0.3")))
	// Output: 0
}

func ExampleCanonical() {
	fmt.Println(num.Canonical(decimal.New(2500, -3)), num.Canonical(decimal.New(5, 2)))
	// Output: 2.5 500
}

func TestErrors(t *testing.T) {
	if _, err := num.Div(num.One, decimal.New(0, -7)); !errors.Is(err, num.ErrDivisionByZero) {
		t.Errorf("1/0: %v", err)
	}
	if _, err := num.Div(decimal.Zero, decimal.Zero); !errors.Is(err, num.ErrDivisionByZero) {
		t.Errorf("0/0: %v", err)
	}
	if _, err := num.PowInt(decimal.Zero, -1); !errors.Is(err, num.ErrExponent) {
		t.Errorf("0^-1: %v", err)
	}
	if p, err := num.PowInt(decimal.Zero, 0); err != nil || !p.Equal(num.One) {
		t.Errorf("0^0 is the empty product 1, not %s, %v", p, err)
	}
	// The decimal library alone keeps 16 places and gives 0 here.
	if q, err := num.Div(num.One, decimal.New(3, 19)); err != nil || q.Equal(decimal.Zero) || q.NumDigits() != num.Digits {
		t.Errorf("1/3e19 = %s, %v", q, err)
	}
}

func TestLineIsHalfToEven(t *testing.T) {
	for in, want := range map[string]string{
		"0.0000005":              "0",
		"-0.0000005":             "0",
		"0.000000500001":         "0.000001",
		"0.0000015":              "0.000002",
		"0.0000025":              "0.000002",
		"-0.0000025":             "-0.000002",
		"-0.0000035":             "-0.000004",
		"0.000000499999":         "0",
		"1.9999995":              "2",
		"1.9999994999":           "1.999999",
		"999999999999999.999999": "999999999999999.999999",
		// 27 digits: beyond the machine word
		"999999999999999.9999995":       "1000000000000000",
		"123456789012345.000000500000":  "123456789012345",
		"123456789012345.000001500000":  "123456789012345.000002",
		"-123456789012345.000002500000": "-123456789012345.000002",
		"-123456789012345.000002500001": "-123456789012345.000003",
	} {
		if got := num.Canonical(num.Line(dec(in))); got != want {
			t.Errorf("Line(%s) = %s, want %s", in, got, want)
		}
	}
	if got := num.Line(decimal.New(4, -30)); !got.IsZero() {
		t.Errorf("Line(4e-30) = %s", got)
	}
}

// random draws a decimal of up to maxDigits digits over about 60 orders of
// magnitude; one in twenty is zero.
func random(r *rand.Rand, maxDigits int) decimal.Decimal {
	if r.IntN(20) == 0 {
		return decimal.New(0, int32(r.IntN(20)-10))
	}
	coefficient := new(big.Int)
	for range 1 + r.IntN(maxDigits) {
		coefficient.Mul(coefficient, big.NewInt(10))
		coefficient.Add(coefficient, big.NewInt(int64(r.IntN(10))))
	}
	if r.IntN(2) == 0 {
		coefficient.Neg(coefficient)
	}
	return decimal.NewFromBigInt(coefficient, int32(r.IntN(40)-30))
}

func toAPD(d decimal.Decimal) *apd.Decimal {
	return apd.NewWithBigInt(new(apd.BigInt).SetMathBigInt(d.Coefficient()), d.Exponent())
}

func fromAPD(t *testing.T, a *apd.Decimal) decimal.Decimal {
	t.Helper()
	if a.Form != apd.Finite {
		t.Fatalf("reference result %s is not finite", a)
	}
	coefficient := a.Coeff.MathBigInt()
	if a.Negative {
		coefficient.Neg(coefficient)
	}
	return decimal.NewFromBigInt(coefficient, a.Exponent)
}

func context(precision uint32) *apd.Context {
	return &apd.Context{
		Precision: precision, Rounding: apd.RoundHalfEven,
		MaxExponent: apd.MaxExponent, MinExponent: apd.MinExponent,
	}
}

// digits draws a positive integer of exactly n digits.
func digits(r *rand.Rand, n int) *big.Int {
	x := big.NewInt(int64(1 + r.IntN(9)))
	for range n - 1 {
		x.Mul(x, big.NewInt(10))
		x.Add(x, big.NewInt(int64(r.IntN(10))))
	}
	return x
}

// Division against cockroachdb/apd (General Decimal Arithmetic), 34 digits,
// half to even: random operands, exact quotients, ties on the 35th digit and
// neighbours of ties.
func TestDivAgreesWithAPD(t *testing.T) {
	reference := context(num.Digits)
	check := func(a, b decimal.Decimal) decimal.Decimal {
		t.Helper()
		want := new(apd.Decimal)
		if _, err := reference.Quo(want, toAPD(a), toAPD(b)); err != nil {
			t.Fatalf("reference %s / %s: %v", a, b, err)
		}
		got, err := num.Div(a, b)
		if err != nil || !got.Equal(fromAPD(t, want)) {
			t.Fatalf("%s / %s = %s, %v; reference %s", a, b, got, err, want)
		}
		return got
	}
	r := rand.New(rand.NewPCG(1, 34))
	for range 12_000 {
		a, b := random(r, 60), random(r, 60)
		if b.IsZero() {
			continue
		}
		check(a, b)
	}
	for range 4_000 {
		b := decimal.NewFromBigInt(digits(r, 1+r.IntN(30)), int32(r.IntN(20)-10))
		if r.IntN(2) == 0 {
			b = b.Neg()
		}
		exact := decimal.NewFromBigInt(digits(r, 1+r.IntN(num.Digits)), int32(r.IntN(20)-15))
		if got := check(exact.Mul(b), b); !got.Equal(exact) {
			t.Fatalf("exact quotient %s came back as %s", exact, got)
		}

		q := digits(r, num.Digits)
		half := new(big.Int).Add(new(big.Int).Mul(q, big.NewInt(10)), big.NewInt(5))
		tie := decimal.NewFromBigInt(half, -20).Mul(b)
		even := new(big.Int).Add(q, big.NewInt(int64(q.Bit(0))))
		if got := check(tie, b); !got.Equal(decimal.NewFromBigInt(even, -19)) {
			t.Fatalf("tie %s went to %s, want the even %s", half, got, even)
		}
		hair := decimal.New(1, -60)
		check(tie.Add(hair), b)
		check(tie.Sub(hair), b)
	}
	// A carry through all 34 nines, and back.
	nines := new(big.Int).Sub(new(big.Int).Exp(big.NewInt(10), big.NewInt(35), nil), big.NewInt(1))
	check(decimal.NewFromBigInt(nines, 0), num.One)
	check(decimal.NewFromBigInt(nines, -70), decimal.New(-1, 3))
}

func TestProductsSumsAndLinesAgreeWithAPD(t *testing.T) {
	exact := context(400) // wide enough that nothing is rounded
	r := rand.New(rand.NewPCG(2, 34))
	for range 10_000 {
		a, b, c := random(r, 40), random(r, 25), random(r, 15)
		want := new(apd.Decimal)

		if _, err := exact.Mul(want, toAPD(a), toAPD(b)); err != nil {
			t.Fatal(err)
		}
		if got := a.Mul(b); !got.Equal(fromAPD(t, want)) {
			t.Fatalf("%s × %s = %s, reference %s", a, b, got, want)
		}

		if _, err := exact.Add(want, toAPD(a), toAPD(b)); err != nil {
			t.Fatal(err)
		}
		if _, err := exact.Add(want, want, toAPD(c)); err != nil {
			t.Fatal(err)
		}
		if got := num.Sum(a, b, c); !got.Equal(fromAPD(t, want)) {
			t.Fatalf("%s + %s + %s = %s, reference %s", a, b, c, got, want)
		}

		for _, v := range []decimal.Decimal{a, b, c} {
			if _, err := exact.Quantize(want, toAPD(v), -num.Places); err != nil {
				t.Fatal(err)
			}
			if got := num.Line(v); !got.Equal(fromAPD(t, want)) {
				t.Fatalf("Line(%s) = %s, reference %s", v, got, want)
			}
		}
	}
}

func TestSumIsExactWhateverTheOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		terms := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) decimal.Decimal {
			return decimal.New(rapid.Int64().Draw(t, "coefficient"), rapid.Int32Range(-12, 6).Draw(t, "exponent"))
		}), 0, 200).Draw(t, "terms")
		want := new(big.Rat)
		for _, d := range terms {
			want.Add(want, d.Rat())
		}
		if got := num.Sum(terms...); got.Rat().Cmp(want) != 0 {
			t.Fatalf("sum %s, want %s", got, want.FloatString(12))
		}
		shuffled := rapid.Permutation(terms).Draw(t, "shuffled")
		if got := num.Sum(shuffled...); got.Rat().Cmp(want) != 0 {
			t.Fatalf("in another order %s, want %s", got, want.FloatString(12))
		}
	})
}

// Many large lines of one sign: the machine-word part of Sum must hand over
// before it overflows.
func TestSumOfManyLargeLines(t *testing.T) {
	line := decimal.New(99_999_999_999_999_999, -num.Places)
	for _, v := range []decimal.Decimal{line, line.Neg()} {
		terms := make([]decimal.Decimal, 1000)
		for i := range terms {
			terms[i] = v
		}
		if got, want := num.Sum(terms...), v.Mul(decimal.New(1000, 0)); !got.Equal(want) {
			t.Errorf("1000 × %s = %s, want %s", v, got, want)
		}
	}
}

func TestPowIntIsExact(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 34))
	for range 10_000 {
		base, n := random(r, 13), r.IntN(41)
		got, err := num.PowInt(base, n)
		if err != nil {
			t.Fatal(err)
		}
		want := new(big.Rat).SetInt64(1)
		for factor := base.Rat(); n > 0; n-- {
			want.Mul(want, factor)
		}
		if got.Rat().Cmp(want) != 0 {
			t.Fatalf("%s to a power is %s, want %s", base, got, want)
		}
	}
}

// lineOf rounds a rational number once, 6 decimals, half to even, by comparing
// integers only.
func lineOf(x *big.Rat) *big.Rat {
	scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(num.Places), nil)
	n := new(big.Int).Mul(x.Num(), scale)
	q, rest := new(big.Int).DivMod(n, x.Denom(), new(big.Int)) // floor, rest ≥ 0
	if half := rest.Lsh(rest, 1).Cmp(x.Denom()); half > 0 || (half == 0 && q.Bit(0) == 1) {
		q.Add(q, big.NewInt(1))
	}
	return new(big.Rat).SetFrac(q, scale)
}

// The engine's kernel, amount × price × discount factor rounded once, against
// rational arithmetic that rounds nothing but the result.
func TestDiscountedLineIsRoundedOnce(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 34))
	for range 10_000 {
		amount := decimal.New(r.Int64N(1_000_000_000_000), -6)
		price := decimal.New(r.Int64N(1_000_000_000), -int32(r.IntN(7)))
		growth, err := num.PowInt(num.One.Add(decimal.New(r.Int64N(150)-20, -3)), r.IntN(101))
		if err != nil {
			t.Fatal(err)
		}
		factor, err := num.Div(num.One, growth)
		if err != nil {
			t.Fatal(err)
		}
		got := num.Line(amount.Mul(price).Mul(factor))

		want := new(big.Rat).Mul(amount.Rat(), price.Rat())
		want = lineOf(want.Quo(want, growth.Rat()))
		if got.Rat().Cmp(want) != 0 {
			t.Fatalf("%s × %s / %s = %s, want %s", amount, price, growth, got, want.FloatString(num.Places))
		}
	}
}

func TestArithmeticLeavesItsInputsAlone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := decimal.New(rapid.Int64().Draw(t, "a"), rapid.Int32Range(-20, 5).Draw(t, "ea"))
		b := decimal.New(rapid.Int64Range(1, 1<<62).Draw(t, "b"), rapid.Int32Range(-20, 5).Draw(t, "eb"))
		wasA, wasB := a.Copy(), b.Copy()
		_, errDiv := num.Div(a, b)
		_, errPow := num.PowInt(a, 5)
		if err := errors.Join(errDiv, errPow); err != nil {
			t.Fatal(err)
		}
		num.Line(a)
		num.Sum(a, b, a)
		if a.Exponent() != wasA.Exponent() || !a.Equal(wasA) || b.Exponent() != wasB.Exponent() || !b.Equal(wasB) {
			t.Fatalf("inputs became %s and %s, were %s and %s", a, b, wasA, wasB)
		}
	})
}
