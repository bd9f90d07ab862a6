package num

import (
	"encoding/binary"
	"math/big"
	"math/bits"

	"github.com/shopspring/decimal"
)

// Multiplier is a decimal made ready to multiply many lines: a discount
// factor, or 1. It is a value and never changes.
type Multiplier struct {
	value  decimal.Decimal
	hi, lo uint64 // the coefficient, when it fits
	fits   bool
}

// NewMultiplier prepares d.
func NewMultiplier(d decimal.Decimal) Multiplier {
	m := Multiplier{value: d}
	if c := d.Coefficient(); c.Sign() >= 0 && c.BitLen() <= 128 {
		m.lo = c.Uint64()
		m.hi = c.Rsh(c, 64).Uint64()
		m.fits = true
	}
	return m
}

// Decimal is the value that was prepared.
func (m Multiplier) Decimal() decimal.Decimal { return m.value }

// unity leaves a product as it is.
var (
	unity    = NewMultiplier(One)
	minusOne = One.Neg()
)

// LineProduct is Line(a·b·m): the exact product rounded once. Where the numbers
// are of the usual size it works in machine words, which takes about a
// quarter of the time of the same arithmetic on big integers and gives the same
// digits.
func LineProduct(a, b decimal.Decimal, m Multiplier) decimal.Decimal {
	return product(a, b, m, Places)
}

// LineOf is Line(a·b), as LineProduct.
func LineOf(a, b decimal.Decimal) decimal.Decimal { return product(a, b, unity, Places) }

// AmountOf is Amount(a·b), as LineProduct but to AmountPlaces.
func AmountOf(a, b decimal.Decimal) decimal.Decimal { return product(a, b, unity, AmountPlaces) }

// AmountBy is AmountOf(a, m), of a factor that many amounts are multiplied by.
func AmountBy(a decimal.Decimal, m Multiplier) decimal.Decimal {
	return product(a, One, m, AmountPlaces)
}

// Word is a decimal made ready to multiply and be multiplied again and again, in a
// machine word where it has at most 18 digits. It is a value and never changes.
type Word struct {
	c        int64
	exponent int32
	digits   int             // of c; 0 where a word does not hold the value
	wide     decimal.Decimal // the value, where a word does not hold it
}

// NewWord prepares d.
func NewWord(d decimal.Decimal) Word {
	if n := d.NumDigits(); n <= wordDigits {
		return Word{c: d.CoefficientInt64(), exponent: d.Exponent(), digits: n}
	}
	return Word{wide: d}
}

// Decimal is the value that was prepared.
func (w Word) Decimal() decimal.Decimal {
	if w.digits == 0 {
		return w.wide
	}
	return decimal.New(w.c, w.exponent)
}

// fits tells whether a word holds a·b, and how many of its digits are beyond places.
func fits(a, b Word, places int) (drop int, ok bool) {
	drop = -places - int(a.exponent) - int(b.exponent)
	return drop, a.digits > 0 && b.digits > 0 && a.digits+b.digits <= wordDigits && drop <= wordDigits
}

// AmountOfWords is AmountOf(a, b).
func AmountOfWords(a, b Word) Word {
	drop, ok := fits(a, b, AmountPlaces)
	if !ok {
		return NewWord(AmountOf(a.Decimal(), b.Decimal()))
	}
	w := Word{c: a.c * b.c, exponent: a.exponent + b.exponent}
	if drop > 0 {
		w.c, w.exponent = roundedInt(w.c, drop), -AmountPlaces
	}
	w.digits = 1
	if w.c != 0 {
		w.digits = wordLength(uint64(max(w.c, -w.c))) //nolint:gosec // not negative
	}
	return w
}

// AddLineOf adds LineOf(a, b).
func (t *Total) AddLineOf(a, b Word) {
	drop, ok := fits(a, b, Places)
	if !ok || drop < 0 {
		t.Add(LineOf(a.Decimal(), b.Decimal()))
		return
	}
	t.addWord(roundedInt(a.c*b.c, drop))
}

// product is a·b·m rounded once to places, half to even.
func product(a, b decimal.Decimal, m Multiplier, places int) decimal.Decimal {
	drop := -places - int(a.Exponent()) - int(b.Exponent()) - int(m.value.Exponent())
	if one := m.hi == 0 && m.lo == 1 && m.value.Exponent() == 0; one && a.NumDigits()+b.NumDigits() <= wordDigits && drop <= wordDigits {
		return roundedWord(a.CoefficientInt64()*b.CoefficientInt64(), a.Exponent()+b.Exponent(), drop)
	}
	if !m.fits || drop <= 0 || a.NumDigits() > wordDigits || b.NumDigits() > wordDigits {
		return roundTo(a.Mul(b).Mul(m.value), places)
	}
	// |a|·|b| has at most 120 bits and the multiplier 128: four words hold all.
	ca, cb := a.CoefficientInt64(), b.CoefficientInt64()
	hi, lo := bits.Mul64(uint64(max(ca, -ca)), uint64(max(cb, -cb))) //nolint:gosec // not negative
	w := words(hi, lo, m.hi, m.lo)

	// Drop all digits but one, then round on that one; below tells whether
	// anything but zeros went before it.
	below := false
	for left := drop - 1; left > 0; left -= wordDigits {
		if divide(&w, uint64(wordPowersOfTen[min(left, wordDigits)])) != 0 { //nolint:gosec // not negative
			below = true
		}
	}
	digit := divide(&w, 10)
	if w[1]|w[2]|w[3] != 0 || w[0] >= 1<<63-1 {
		return roundTo(a.Mul(b).Mul(m.value), places)
	}
	line := int64(w[0]) //nolint:gosec // checked above to fit
	if digit > 5 || (digit == 5 && (below || line%2 != 0)) {
		line++
	}
	if (ca < 0) != (cb < 0) {
		line = -line
	}
	return decimal.New(line, -int32(places)) //nolint:gosec // 6 or 12
}

// words multiplies two numbers of two words; the lowest word comes first.
func words(xHi, xLo, yHi, yLo uint64) (w [4]uint64) {
	var carry uint64
	w[1], w[0] = bits.Mul64(xLo, yLo)
	w[3], w[2] = bits.Mul64(xHi, yHi)
	for _, cross := range [2][2]uint64{{xHi, yLo}, {xLo, yHi}} {
		hi, lo := bits.Mul64(cross[0], cross[1])
		w[1], carry = bits.Add64(w[1], lo, 0)
		w[2], carry = bits.Add64(w[2], hi, carry)
		w[3] += carry
	}
	return w
}

// divide divides in place and returns the remainder.
func divide(w *[4]uint64, by uint64) (rest uint64) {
	for i := len(w) - 1; i >= 0; i-- {
		w[i], rest = bits.Div64(rest, w[i], by)
	}
	return rest
}

// rounded is d rounded to places, half to even, by product: in machine words where it
// fits, as nearly every line and every quotient does.
func rounded(d decimal.Decimal, places int) decimal.Decimal {
	switch drop := -places - int(d.Exponent()); {
	case drop <= 0:
		return d
	case drop <= wordDigits && d.NumDigits() <= wordDigits:
		return roundedWord(d.CoefficientInt64(), d.Exponent(), drop)
	case d.IsNegative():
		return product(minusOne, One, NewMultiplier(d.Neg()), places)
	}
	return product(One, One, NewMultiplier(d), places)
}

// roundTo is rounded for numbers that do not fit in machine words.
func roundTo(d decimal.Decimal, places int) decimal.Decimal {
	if int(d.Exponent()) >= -places {
		return d
	}
	return d.RoundBank(int32(places)) //nolint:gosec // 6 or 12
}

// roundedWord is c·10^exponent with its last drop digits rounded away, half to
// even.
func roundedWord(c int64, exponent int32, drop int) decimal.Decimal {
	if drop <= 0 {
		return decimal.New(c, exponent)
	}
	return decimal.New(roundedInt(c, drop), exponent+int32(drop)) //nolint:gosec // at most 18
}

// roundedInt is c without its last drop digits, of at most 18, half to even.
func roundedInt(c int64, drop int) int64 {
	unit := wordPowersOfTen[drop]
	line, rest := c/unit, c%unit
	if rest < 0 {
		rest = -rest
	}
	// 2·rest could overflow; compare with what is missing to the unit instead.
	if missing := unit - rest; rest > missing || (rest == missing && line%2 != 0) {
		if c < 0 {
			line--
		} else {
			line++
		}
	}
	return line
}

// tens are powers of ten in three words, the lowest first: as many as quotients need.
var tens = func() (p [Digits + wordDigits][3]uint64) {
	p[0][0] = 1
	for i := 1; i < len(p); i++ {
		p[i] = scaled(p[i-1], 10)
	}
	return p
}()

// scaled is w·by; the caller knows that it fits.
func scaled(w [3]uint64, by uint64) (out [3]uint64) {
	var carry uint64
	for i := range w {
		hi, lo := bits.Mul64(w[i], by)
		var over uint64
		out[i], over = bits.Add64(lo, carry, 0)
		carry = hi + over
	}
	return out
}

// LineQuotient is Line(Quotient(a, b)), which it makes without the 34 digits between.
func LineQuotient(a, b decimal.Decimal) decimal.Decimal { return roundedQuotient(a, b, Places) }

// AmountQuotient is Amount(Quotient(a, b)), as LineQuotient.
func AmountQuotient(a, b decimal.Decimal) decimal.Decimal {
	return roundedQuotient(a, b, AmountPlaces)
}

// LinePercent is Line(Quotient((a - b)·100, b)): by how many per cent of b is a more than
// b, which is not zero.
func LinePercent(a, b decimal.Decimal) decimal.Decimal {
	// Two numbers of 15 digits differ by 16, and by 18 in hundredths.
	if a.Exponent() == b.Exponent() && !b.IsZero() && a.NumDigits() <= wordDigits-3 && b.NumDigits() <= wordDigits-3 {
		if c := (a.CoefficientInt64() - b.CoefficientInt64()) * 100; c != 0 {
			return roundedWords(c, b.CoefficientInt64(), 0, Places)
		}
	}
	return LineQuotient(a.Sub(b).Mul(Hundred), b)
}

// roundedQuotient is a/b as Div has it, rounded to places, half to even.
func roundedQuotient(a, b decimal.Decimal, places int) decimal.Decimal {
	if a.IsZero() || b.IsZero() || a.NumDigits() > wordDigits || b.NumDigits() > wordDigits {
		return rounded(Quotient(a, b), places)
	}
	return roundedWords(a.CoefficientInt64(), b.CoefficientInt64(), int(a.Exponent())-int(b.Exponent()), places)
}

// roundedWords is ca/cb·10^exponent, rounded to places, half to even; neither is zero, and
// both have at most 18 digits.
func roundedWords(ca, cb int64, exponent, places int) decimal.Decimal {
	hi, lo, exponent := wordQuotient(ca, cb, exponent)
	if drop := -places - exponent; drop > 0 {
		below := false
		for left := drop - 1; left > 0; left -= wordDigits {
			var rest uint64
			hi, lo, rest = divide2(hi, lo, uint64(wordPowersOfTen[min(left, wordDigits)])) //nolint:gosec // not negative
			below = below || rest != 0
		}
		var digit uint64
		if hi, lo, digit = divide2(hi, lo, 10); digit > 5 || (digit == 5 && (below || lo&1 == 1)) {
			var carry uint64
			lo, carry = bits.Add64(lo, 1, 0)
			hi += carry
		}
		exponent = -places
	}
	return fromWords(hi, lo, int32(exponent), (ca < 0) != (cb < 0)) //nolint:gosec // inputs are capped by Parse
}

// wordQuotient is |ca/cb|·10^from as Div has it, in two words and an exponent, for numbers
// of up to 18 digits; neither is zero.
func wordQuotient(ca, cb int64, from int) (hi, lo uint64, exponent int) {
	top, by := uint64(max(ca, -ca)), uint64(max(cb, -cb)) //nolint:gosec // not negative
	shift := Digits + wordLength(by) - wordLength(top)
	exponent = from - shift
	w := scaled(tens[shift], top) // at most 52 digits, which three words hold
	var rest uint64
	for i := len(w) - 1; i >= 0; i-- {
		w[i], rest = bits.Div64(rest, w[i], by)
	}
	hi, lo = w[1], w[0] // at most 35 digits
	if limit := tens[Digits]; hi > limit[1] || (hi == limit[1] && lo >= limit[0]) {
		// One digit too many: it goes to the rest, of ten times the divisor.
		var digit uint64
		hi, lo, digit = divide2(hi, lo, 10)
		rest += digit * by
		by *= 10
		exponent++
	}
	if rest == 0 {
		hi, lo, exponent = trimWords(hi, lo, exponent)
	} else if missing := by - rest; rest > missing || (rest == missing && lo&1 == 1) {
		var carry uint64
		lo, carry = bits.Add64(lo, 1, 0)
		hi += carry
	}
	return hi, lo, exponent
}

// trimWords is trim on two words.
func trimWords(hi, lo uint64, exponent int) (uint64, uint64, int) {
	for _, zeros := range [...]int{16, 16, 8, 4, 2, 1} {
		if exponent+zeros > 0 {
			continue
		}
		if h, l, rest := divide2(hi, lo, uint64(wordPowersOfTen[zeros])); rest == 0 { //nolint:gosec // not negative
			hi, lo, exponent = h, l, exponent+zeros
		}
	}
	return hi, lo, exponent
}

func divide2(hi, lo, by uint64) (h, l, rest uint64) {
	h, rest = hi/by, hi%by
	l, rest = bits.Div64(rest, lo, by)
	return h, l, rest
}

// wordLength is the number of decimal digits of x, which is not zero.
func wordLength(x uint64) int {
	n := 1
	for n <= wordDigits && x >= uint64(wordPowersOfTen[n]) { //nolint:gosec // not negative
		n++
	}
	return n
}

func fromWords(hi, lo uint64, exponent int32, negative bool) decimal.Decimal {
	if hi == 0 && lo < 1<<63 {
		c := int64(lo) //nolint:gosec // checked to fit
		if negative {
			c = -c
		}
		return decimal.New(c, exponent)
	}
	var bytes [16]byte
	binary.BigEndian.PutUint64(bytes[:8], hi)
	binary.BigEndian.PutUint64(bytes[8:], lo)
	c := new(big.Int).SetBytes(bytes[:])
	if negative {
		c.Neg(c)
	}
	return decimal.NewFromBigInt(c, exponent)
}
