// Package num holds the number rules of the engine.
//
//   - Input is parsed by Parse, which looks at bytes before any decimal
//     parser does: no exponent, no plus sign, at most 15 integer and 12
//     fraction digits.
//   - Products and sums are exact; use decimal's Mul, Add and Sub.
//   - Division is Div: 34 significant digits, half to even (the decimal128
//     precision of IEEE 754-2008). Nothing else in the engine divides.
//   - A printed line is rounded once by Line: 6 decimals, half to even.
//   - A total is the exact Sum of the lines printed above it.
package num

import (
	"errors"
	"math/big"

	"github.com/shopspring/decimal"
)

const (
	// Digits is the precision of a division, in significant digits.
	Digits = 34
	// Places is the number of decimals of a printed line.
	Places = 6
	// MaxIntegerDigits and MaxFractionDigits bound what Parse accepts.
	MaxIntegerDigits  = 15
	MaxFractionDigits = 12
)

var (
	// ErrSyntax: the text is not a plain decimal.
	ErrSyntax = errors.New("not a plain decimal number: digits with an optional leading minus and an optional decimal point, no exponent, no plus sign, no leading zeros")
	// ErrRange: more digits than the contract allows.
	ErrRange = errors.New("number out of range: at most 15 digits before the decimal point and 12 after it")
	// ErrDivisionByZero: the divisor is zero.
	ErrDivisionByZero = errors.New("division by zero")
	// ErrExponent: a power with a negative exponent was asked for.
	ErrExponent = errors.New("negative exponent")
)

// One and Hundred are shared constants. Decimals are values; nothing here can
// change them.
var (
	One     = decimal.New(1, 0)
	Hundred = decimal.New(100, 0)
)

// Parse reads a plain decimal: -?(0|[1-9][0-9]*)(\.[0-9]+)? with at most
// MaxIntegerDigits before and MaxFractionDigits after the point. "-0" and its
// like are refused, so that every value has one sign. It never hands unchecked
// text to a parser, so a megabyte of digits costs no more than its first bytes.
func Parse(s string) (decimal.Decimal, error) {
	// Longest legal text: sign, 15 digits, point, 12 digits.
	if len(s) > 1+MaxIntegerDigits+1+MaxFractionDigits {
		for i := 0; i < 64 && i < len(s); i++ {
			if c := s[i]; (c < '0' || c > '9') && c != '.' && (c != '-' || i > 0) {
				return decimal.Zero, ErrSyntax
			}
		}
		return decimal.Zero, ErrRange
	}
	negative := len(s) > 0 && s[0] == '-'
	digits := s
	if negative {
		digits = s[1:]
	}
	integer, fraction, point := len(digits), 0, false
	var small int64
	for i := 0; i < len(digits); i++ {
		c := digits[i]
		if c == '.' && !point {
			point, integer = true, i
			continue
		}
		if c < '0' || c > '9' {
			return decimal.Zero, ErrSyntax
		}
		if point {
			fraction++
		}
		small = small*10 + int64(c-'0') // wraps beyond 18 digits, and is not used then
	}
	if integer == 0 || (point && fraction == 0) || (integer > 1 && digits[0] == '0') {
		return decimal.Zero, ErrSyntax
	}
	if integer > MaxIntegerDigits || fraction > MaxFractionDigits {
		return decimal.Zero, ErrRange
	}
	var d decimal.Decimal
	if integer+fraction <= 18 {
		d = decimal.New(small, -int32(fraction))
	} else {
		var err error
		if d, err = decimal.NewFromString(digits); err != nil {
			return decimal.Zero, ErrSyntax
		}
	}
	if negative {
		if d.IsZero() {
			return decimal.Zero, ErrSyntax
		}
		d = d.Neg()
	}
	return d, nil
}

// Canonical writes a decimal without exponent and without trailing zeros, so
// that equal values have equal text: 2.50 and 2.5 are both "2.5".
func Canonical(d decimal.Decimal) string {
	var scratch [32]byte
	return string(AppendPlain(scratch[:0], d))
}

// Line rounds a value to a printed line: Places decimals, half to even.
func Line(d decimal.Decimal) decimal.Decimal { return rounded(d, Places) }

// wordDigits is the number of decimal digits that always fit an int64.
const wordDigits = 18

var wordPowersOfTen = func() [wordDigits + 1]int64 {
	p := [wordDigits + 1]int64{1}
	for i := 1; i < len(p); i++ {
		p[i] = p[i-1] * 10
	}
	return p
}()

// Sum adds exactly.
func Sum(values ...decimal.Decimal) decimal.Decimal {
	var total Total
	for _, v := range values {
		total.Add(v)
	}
	return total.Value()
}

// Total is a running exact sum. The zero value is ready to use.
type Total struct {
	lines int64           // what was added in printed lines, in units of their last place
	rest  decimal.Decimal // what does not fit there
}

// Add adds v, exactly.
func (t *Total) Add(v decimal.Decimal) {
	scale := int(v.Exponent()) + Places
	if scale < 0 || v.NumDigits()+scale > wordDigits-1 {
		t.rest = t.rest.Add(v)
		return
	}
	t.addWord(v.CoefficientInt64() * wordPowersOfTen[scale])
}

// AddTotal adds what another total has come to.
func (t *Total) AddTotal(o Total) {
	if !o.rest.IsZero() {
		t.rest = t.rest.Add(o.rest)
	}
	t.addWord(o.lines)
}

// addWord adds so many units of the last place of a printed line.
func (t *Total) addWord(lines int64) {
	t.lines += lines
	if limit := wordPowersOfTen[wordDigits]; t.lines > limit || t.lines < -limit {
		t.rest, t.lines = t.Value(), 0
	}
}

// Value is the sum so far.
func (t *Total) Value() decimal.Decimal {
	lines := decimal.New(t.lines, -Places)
	if t.rest.IsZero() {
		return lines
	}
	return t.rest.Add(lines)
}

// Div is a/b to Digits significant digits, half to even; exact quotients come
// back exact. It fails with ErrDivisionByZero.
func Div(a, b decimal.Decimal) (decimal.Decimal, error) {
	if b.IsZero() {
		return decimal.Zero, ErrDivisionByZero
	}
	if a.IsZero() {
		return decimal.Zero, nil
	}
	if a.NumDigits() <= wordDigits && b.NumDigits() <= wordDigits {
		hi, lo, exponent := wordQuotient(a.CoefficientInt64(), b.CoefficientInt64(), int(a.Exponent())-int(b.Exponent()))
		return fromWords(hi, lo, int32(exponent), a.Sign() != b.Sign()), nil //nolint:gosec // inputs are capped by Parse
	}
	return wideQuotient(a, b), nil
}

// wideQuotient is a/b as Div has it; neither is zero.
func wideQuotient(a, b decimal.Decimal) decimal.Decimal {
	// a/b = (ca/cb)·10^(ea-eb). Scale so that the integer quotient has Digits
	// or Digits+1 digits, then round on the remainder: the digits alone decide,
	// never an intermediate rounding.
	ca, cb := a.Coefficient(), b.Coefficient()
	negative := ca.Sign()*cb.Sign() < 0
	ca.Abs(ca)
	cb.Abs(cb)
	shift := Digits + decimalDigits(cb) - decimalDigits(ca)
	if shift > 0 {
		ca.Mul(ca, tenTo(shift))
	} else if shift < 0 {
		cb.Mul(cb, tenTo(-shift))
	}
	exponent := int(a.Exponent()) - int(b.Exponent()) - shift
	q, r := new(big.Int).QuoRem(ca, cb, new(big.Int))
	if decimalDigits(q) > Digits { // one digit too many: fold it into the remainder
		digit := new(big.Int)
		q.QuoRem(q, big.NewInt(10), digit)
		r.Add(r, digit.Mul(digit, cb))
		cb.Mul(cb, big.NewInt(10))
		exponent++
	}
	exact := r.Sign() == 0
	if half := r.Lsh(r, 1).Cmp(cb); half > 0 || (half == 0 && q.Bit(0) == 1) {
		q.Add(q, big.NewInt(1))
	}
	if exact {
		exponent = trim(q, exponent)
	}
	if negative {
		q.Neg(q)
	}
	return decimal.NewFromBigInt(q, int32(exponent)) //nolint:gosec // inputs are capped by Parse
}

// Quotient is Div by a value that the caller has checked not to be zero; zero is
// a mistake of the program and panics.
func Quotient(a, b decimal.Decimal) decimal.Decimal {
	q, err := Div(a, b)
	if err != nil {
		panic("num: division by a value that was not checked: " + err.Error())
	}
	return q
}

// trim drops the trailing zeros of q behind the decimal point, so that an exact
// quotient is as short as it is, and returns the new exponent.
func trim(q *big.Int, exponent int) int {
	ten, next, digit := big.NewInt(10), new(big.Int), new(big.Int)
	for exponent < 0 {
		if next.QuoRem(q, ten, digit); digit.Sign() != 0 {
			break
		}
		q.Set(next)
		exponent++
	}
	return exponent
}

func decimalDigits(x *big.Int) int {
	if x.Sign() == 0 {
		return 1
	}
	// log10(2) from below, then correct by one.
	n := int(float64(x.BitLen()-1)*0.30102999566398120) + 1
	if x.CmpAbs(tenTo(n)) >= 0 {
		n++
	}
	return n
}

var powersOfTen = func() [128]*big.Int {
	var p [128]*big.Int
	p[0] = big.NewInt(1)
	for i := 1; i < len(p); i++ {
		p[i] = new(big.Int).Mul(p[i-1], big.NewInt(10))
	}
	return p
}()

// tenTo returns 10^n. Callers must not change the result.
func tenTo(n int) *big.Int {
	if n < len(powersOfTen) {
		return powersOfTen[n]
	}
	return new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(n)), nil)
}

// PowInt is base^n by repeated exact multiplication; n must not be negative.
// base^0 is 1, also for a base of 0 (the empty product).
func PowInt(base decimal.Decimal, n int) (decimal.Decimal, error) {
	if n < 0 {
		return decimal.Zero, ErrExponent
	}
	result, square := One, base
	for ; n > 0; n >>= 1 {
		if n&1 == 1 {
			result = result.Mul(square)
		}
		if n > 1 {
			square = square.Mul(square)
		}
	}
	return result, nil
}
