package num

import (
	"errors"
	"math/big"

	"github.com/shopspring/decimal"
)

// ErrNegative: the square root of a negative number was asked for.
var ErrNegative = errors.New("square root of a negative number")

// Sqrt is the square root of d to Digits significant digits, half to even;
// exact roots come back exact. It fails with ErrNegative.
func Sqrt(d decimal.Decimal) (decimal.Decimal, error) {
	if d.IsNegative() {
		return decimal.Zero, ErrNegative
	}
	if d.IsZero() {
		return decimal.Zero, nil
	}
	// √(c·10^e) = √(c·10^s)·10^((e-s)/2). Scale so that the integer root has at
	// least one digit more than is kept, then round on what is left: the digits
	// and the remainder decide, never an intermediate rounding.
	c, exponent := d.Coefficient(), int(d.Exponent())
	shift := max(0, 2*(Digits+1)-decimalDigits(c))
	if (exponent-shift)%2 != 0 {
		shift++
	}
	c.Mul(c, tenTo(shift))
	exponent = (exponent - shift) / 2
	root := new(big.Int).Sqrt(c)
	below := c.Sub(c, new(big.Int).Mul(root, root)).Sign() != 0

	drop := decimalDigits(root) - Digits // at least 1
	rest := new(big.Int)
	root.QuoRem(root, tenTo(drop), rest)
	exact := !below && rest.Sign() == 0
	half := rest.Lsh(rest, 1).Cmp(tenTo(drop))
	if half > 0 || (half == 0 && (below || root.Bit(0) == 1)) {
		root.Add(root, big.NewInt(1))
	}
	exponent += drop
	if exact {
		exponent = trim(root, exponent)
	}
	return decimal.NewFromBigInt(root, int32(exponent)), nil //nolint:gosec // inputs are capped by Parse
}
