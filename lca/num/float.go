package num

import (
	"errors"
	"math"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"
)

// ErrNotFinite: a binary float is NaN or an infinity, which no decimal is.
var ErrNotFinite = errors.New("not a finite number")

// Float crosses from decimal to binary floating point: the float64 nearest to
// d, half to even, so the relative error is at most 2^-53 (about 1.1e-16)
// wherever |d| lies between 2.3e-308 and 1.7e308, as every number does that
// Parse accepts. Beyond the top it is an infinity, below the bottom it loses
// digits and ends at 0.
//
// Thickness methods and sampling compute in float64. Each input crosses here
// once, each result crosses back once through FromFloat, and nothing else in
// the engine crosses.
func Float(d decimal.Decimal) float64 {
	return d.InexactFloat64()
}

// FromFloat crosses back: the shortest decimal that reads back as f (at most
// 17 digits), rounded once to places decimals, half to even. It fails with
// ErrNotFinite. Ask for no more decimals than the computation is good for: the
// last bits of a binary result may differ between processors.
func FromFloat(f float64, places int32) (decimal.Decimal, error) {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return decimal.Zero, ErrNotFinite
	}
	// "-d.ddde±dd": at most 17 digits, which an int64 holds.
	mantissa, exponent, _ := strings.Cut(strconv.FormatFloat(f, 'e', -1, 64), "e")
	integer, fraction, _ := strings.Cut(mantissa, ".")
	digits, errDigits := strconv.ParseInt(integer+fraction, 10, 64)
	scale, errScale := strconv.ParseInt(exponent, 10, 32)
	if err := errors.Join(errDigits, errScale); err != nil {
		return decimal.Zero, err
	}
	d := decimal.New(digits, int32(scale)-int32(len(fraction))) //nolint:gosec // at most 17 digits
	if d.Exponent() >= -places {
		return d, nil
	}
	return d.RoundBank(places), nil
}
