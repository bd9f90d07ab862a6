package num

import (
	"errors"

	"github.com/shopspring/decimal"
)

// ErrNotPositive: the logarithm of zero or of a negative number was asked for.
var ErrNotPositive = errors.New("logarithm of a number that is not positive")

// guard is the number of decimals to which logarithms and exponentials are
// worked out before they are rounded to Digits.
const guard = 60

// Ln is the natural logarithm of d to Digits significant digits, worked out to
// 60 decimals and rounded half to even. It fails with ErrNotPositive.
func Ln(d decimal.Decimal) (decimal.Decimal, error) {
	if !d.IsPositive() {
		return decimal.Zero, ErrNotPositive
	}
	l, err := d.Ln(guard)
	if err != nil {
		return decimal.Zero, err
	}
	return significant(l), nil
}

// Exp is e to the power of d, for d from -50 to 50, to Digits significant
// digits as far as 60 decimals hold them, half to even. Beyond that range it
// fails with ErrRange.
func Exp(d decimal.Decimal) (decimal.Decimal, error) {
	if d.Abs().GreaterThan(decimal.New(50, 0)) {
		return decimal.Zero, ErrRange
	}
	e, err := d.ExpTaylor(guard)
	if err != nil {
		return decimal.Zero, err
	}
	return significant(e), nil
}

// significant rounds to Digits significant digits, half to even.
func significant(d decimal.Decimal) decimal.Decimal {
	places := Digits - d.NumDigits() - int(d.Exponent())
	if places >= -int(d.Exponent()) {
		return d
	}
	return d.RoundBank(int32(places)) //nolint:gosec // small
}
