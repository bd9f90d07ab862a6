package num

import (
	"strconv"

	"github.com/shopspring/decimal"
)

// AmountPlaces is the number of decimals to which a physical amount is kept.
// Money and carbon have Places; an amount in a large unit, such as 0.0046 kg of
// fibre waste written in tonnes, needs more for its product with a factor to be
// good to Places.
const AmountPlaces = 12

// Amount rounds a physical amount once: AmountPlaces decimals, half to even.
// What is printed is what is multiplied.
func Amount(d decimal.Decimal) decimal.Decimal { return rounded(d, AmountPlaces) }

// AppendFixed appends a line or a total with exactly Places decimals.
func AppendFixed(dst []byte, d decimal.Decimal) []byte {
	return appendPlaces(dst, Line(d), Places)
}

// AppendAmount appends an amount with at least Places and at most AmountPlaces
// decimals.
func AppendAmount(dst []byte, d decimal.Decimal) []byte {
	return appendPlaces(dst, Amount(d), Places)
}

// AppendPlain appends every digit and no trailing zero.
func AppendPlain(dst []byte, d decimal.Decimal) []byte {
	return appendPlaces(dst, d, 0)
}

// appendPlaces writes d with at least the given number of decimals; zeros
// beyond them at the end are dropped.
func appendPlaces(dst []byte, d decimal.Decimal, least int) []byte {
	if d.IsNegative() {
		dst = append(dst, '-')
	}
	var scratch [64]byte
	var digits []byte
	if d.NumDigits() <= wordDigits {
		c := d.CoefficientInt64()
		digits = strconv.AppendInt(scratch[:0], max(c, -c), 10)
	} else {
		coefficient := d.Coefficient()
		digits = coefficient.Abs(coefficient).Append(scratch[:0], 10)
	}
	exponent := int(d.Exponent())
	if len(digits) == 1 && digits[0] == '0' {
		exponent = 0
	}
	for ; exponent > 0; exponent-- {
		digits = append(digits, '0')
	}
	places := -exponent
	for places > least && digits[len(digits)-1] == '0' && len(digits) > 1 {
		digits = digits[:len(digits)-1]
		places--
	}
	switch integer := len(digits) - places; {
	case integer > 0:
		dst = append(dst, digits[:integer]...)
		digits = digits[integer:]
		if places > 0 {
			dst = append(dst, '.')
		}
	default:
		dst = append(dst, '0', '.')
		for ; integer < 0; integer++ {
			dst = append(dst, '0')
		}
	}
	dst = append(dst, digits...)
	if places == 0 && least > 0 {
		dst = append(dst, '.')
	}
	for ; places < least; places++ {
		dst = append(dst, '0')
	}
	return dst
}
