package num_test

import (
	"errors"
	"fmt"
	"math/big"
	"math/rand/v2"
	"testing"

	"github.com/cockroachdb/apd/v3"
	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

func ExampleSqrt() {
	// Square root of two to 34 digits: OEIS A002193.
	two, _ := num.Sqrt(dec("2"))
	exact, _ := num.Sqrt(dec("0.0625"))
	_, err := num.Sqrt(dec("-1"))
	fmt.Println(two, exact, err)
	// Output: 1.414213562373095048801688724209698 0.25 square root of a negative number
}

func ExampleLn() {
	// OEIS A002162.
	two, _ := num.Ln(dec("2"))
	one, _ := num.Ln(dec("1"))
	_, err := num.Ln(dec("0"))
	fmt.Println(two, one, err)
	// Output: 0.6931471805599453094172321214581766 0 logarithm of a number that is not positive
}

func ExampleExp() {
	// OEIS A001113.
	e, _ := num.Exp(dec("1"))
	one, _ := num.Exp(dec("0"))
	_, err := num.Exp(dec("51"))
	fmt.Println(e, one, err != nil)
	// Output: 2.718281828459045235360287471352662 1 true
}

// oracle is a function of an independent decimal library: worked out to twice
// our precision, since its logarithm may be off in the last digit, then rounded.
func oracle(t *testing.T, name string, f func(*apd.Context, *apd.Decimal, *apd.Decimal) (apd.Condition, error), d decimal.Decimal) *big.Rat {
	t.Helper()
	context := apd.BaseContext.WithPrecision(2 * num.Digits)
	x := apd.NewWithBigInt(new(apd.BigInt).SetMathBigInt(d.Coefficient()), d.Exponent())
	var want apd.Decimal
	if _, err := f(context, &want, x); err != nil {
		t.Fatalf("%s(%s): %v", name, d, err)
	}
	context.Precision = num.Digits
	context.Rounding = apd.RoundHalfEven
	if _, err := context.Round(&want, &want); err != nil {
		t.Fatal(err)
	}
	r, ok := new(big.Rat).SetString(want.Text('f'))
	if !ok {
		t.Fatal(want.String())
	}
	return r
}

func TestSqrtAgainstAnotherLibrary(t *testing.T) {
	r := rand.New(rand.NewPCG(34, 1))
	for range 5_000 {
		d := random(r, 80).Abs()
		got, err := num.Sqrt(d)
		want := oracle(t, "sqrt", (*apd.Context).Sqrt, d)
		if err != nil || got.Rat().Cmp(want) != 0 {
			t.Fatalf("√%s = %s, %v; want %s", d, got, err, want.FloatString(60))
		}
	}
}

// A square comes back as its root, ties go to the even digit, and a hair more
// or less than a tie decides it.
func TestSqrtIsRoundedOnce(t *testing.T) {
	r := rand.New(rand.NewPCG(34, 2))
	for range 2_000 {
		root := random(r, 34).Abs()
		if got, err := num.Sqrt(root.Mul(root)); err != nil || !got.Equal(root) {
			t.Fatalf("√(%s²) = %s, %v", root, got, err)
		}
	}
	last := decimal.New(1, -33) // of 34 digits before which one stands
	tie := dec("1").Add(last.Mul(dec("0.5")))
	hair := decimal.New(1, -80)
	square := tie.Mul(tie)
	for _, c := range []struct{ d, want decimal.Decimal }{
		{square, dec("1")}, {square.Add(hair), dec("1").Add(last)}, {square.Sub(hair), dec("1")},
		{tie.Add(last).Mul(tie.Add(last)), dec("1").Add(last.Mul(dec("2")))},
	} {
		if got, err := num.Sqrt(c.d); err != nil || !got.Equal(c.want) {
			t.Errorf("√%s = %s, %v; want %s", c.d, got, err, c.want)
		}
	}
	if _, err := num.Sqrt(hair.Neg()); !errors.Is(err, num.ErrNegative) {
		t.Errorf("root of a negative number: %v", err)
	}
	if got, err := num.Sqrt(decimal.New(0, -9)); err != nil || !got.IsZero() {
		t.Errorf("√0 = %s, %v", got, err)
	}
}

func TestLnAndExpAgainstAnotherLibrary(t *testing.T) {
	r := rand.New(rand.NewPCG(34, 3))
	for range 300 {
		d := decimal.New(1+r.Int64N(1e15), -int32(r.IntN(16)))
		got, err := num.Ln(d)
		if want := oracle(t, "ln", (*apd.Context).Ln, d); err != nil || got.Rat().Cmp(want) != 0 {
			t.Fatalf("ln %s = %s, %v; want %s", d, got, err, want.FloatString(40))
		}
		x := decimal.New(r.Int64N(4e12)-2e12, -11) // -20 to 20
		got, err = num.Exp(x)
		if want := oracle(t, "exp", (*apd.Context).Exp, x); err != nil || got.Rat().Cmp(want) != 0 {
			t.Fatalf("exp %s = %s, %v; want %s", x, got, err, want.FloatString(40))
		}
	}
	for _, d := range []decimal.Decimal{decimal.Zero, dec("-2")} {
		if _, err := num.Ln(d); !errors.Is(err, num.ErrNotPositive) {
			t.Errorf("ln %s: %v", d, err)
		}
	}
	if _, err := num.Exp(dec("-50.1")); !errors.Is(err, num.ErrRange) {
		t.Errorf("exp of less than -50: %v", err)
	}
}
