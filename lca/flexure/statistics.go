package flexure

import (
	"errors"
	"slices"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// Statistics of one quantity over several beams. What too few values cannot give
// is absent: the standard deviation of one value, for instance.
type Statistics struct {
	N    int
	Mean decimal.NullDecimal // of at least 1 value
	SD   decimal.NullDecimal // sample standard deviation, divisor n-1; of at least 2
	CV   decimal.NullDecimal // SD over mean, %; absent where the mean is zero

	// Two-sided 95 % confidence interval of the mean by Student t: mean ± t SD/√n.
	Low, High decimal.NullDecimal
	StudentT  decimal.NullDecimal
}

// Describe gives mean, standard deviation and confidence interval, to 34 digits.
// The sums are exact, so the order of the values does not matter.
func Describe(values []decimal.Decimal) Statistics {
	s := Statistics{N: len(values)}
	if s.N == 0 {
		return s
	}
	n := decimal.New(int64(s.N), 0)
	sum, squares := decimal.Zero, decimal.Zero
	for _, v := range values {
		sum = sum.Add(v)
		squares = squares.Add(v.Mul(v))
	}
	s.Mean = quotient(sum, n)
	if s.N < 2 {
		return s
	}
	// s² = (n Σx² - (Σx)²)/(n (n-1)), exact but for one division.
	variance := quotient(n.Mul(squares).Sub(sum.Mul(sum)), n.Mul(n.Sub(num.One)))
	s.SD = root(variance.Decimal)
	s.CV = quotient(s.SD.Decimal.Mul(hundred), s.Mean.Decimal)
	s.StudentT = nullable(studentT[min(s.N-1, len(studentT)-1)], true)
	half := quotient(s.StudentT.Decimal.Mul(s.SD.Decimal), root(n).Decimal).Decimal
	s.Low, s.High = nullable(s.Mean.Decimal.Sub(half), true), nullable(s.Mean.Decimal.Add(half), true)
	return s
}

func quotient(a, b decimal.Decimal) decimal.NullDecimal {
	v, err := num.Div(a, b)
	return nullable(v, err == nil)
}

func root(d decimal.Decimal) decimal.NullDecimal {
	v, err := num.Sqrt(d)
	return nullable(v, err == nil)
}

// studentT is t.975 by degrees of freedom, from 1. Source: NIST/SEMATECH
// e-Handbook of Statistical Methods, 1.3.6.7.2. Beyond 30 the value of 30 stands,
// which widens the interval by at most 4 %.
var studentT = thousandths(0,
	12706, 4303, 3182, 2776, 2571, 2447, 2365, 2306, 2262, 2228,
	2201, 2179, 2160, 2145, 2131, 2120, 2110, 2101, 2093, 2086,
	2080, 2074, 2069, 2064, 2060, 2056, 2052, 2048, 2045, 2042)

func thousandths(list ...int64) []decimal.Decimal {
	out := make([]decimal.Decimal, len(list))
	for i, v := range list {
		out[i] = decimal.New(v, -3)
	}
	return out
}

// Distribution that a characteristic value assumes.
type Distribution string

// Distributions.
const (
	Normal    Distribution = "normal"     // mean - k s
	LogNormal Distribution = "log_normal" // exp(mean - k s) of the logarithms
)

// Characteristic is a 5 % fractile: the value that one beam in twenty falls
// short of.
type Characteristic struct {
	Value decimal.Decimal // to 34 digits; may fall below zero where Normal meets a large scatter
	K     decimal.Decimal // k_n
	KN    int             // the number of values for which the table has it
}

// MinSpecimens is the least number of values for a characteristic value.
const MinSpecimens = 3

var (
	// ErrTooFew: fewer than MinSpecimens values.
	ErrTooFew = errors.New("too few specimens for a characteristic value")
	// ErrDistribution: not one of the distributions.
	ErrDistribution = errors.New("not a distribution for characteristic values")
)

// characteristicK is k_n for the 5 % fractile with the coefficient of variation
// unknown, EN 1990:2002, Annex D, table D1 (value from memory). Between two rows
// the one with fewer specimens stands, which is on the safe side.
var characteristicK = []struct {
	n int
	k decimal.Decimal
}{
	{3, decimal.New(337, -2)}, {4, decimal.New(263, -2)}, {5, decimal.New(233, -2)}, {6, decimal.New(218, -2)},
	{8, decimal.New(200, -2)}, {10, decimal.New(192, -2)}, {20, decimal.New(176, -2)}, {30, decimal.New(173, -2)},
}

// CharacteristicOf is the 5 % fractile by EN 1990, Annex D, D7.2, with the
// coefficient of variation unknown. It fails with ErrTooFew, ErrDistribution, or,
// for LogNormal, num.ErrNotPositive where a value is zero or less.
func CharacteristicOf(values []decimal.Decimal, d Distribution) (Characteristic, error) {
	if len(values) < MinSpecimens {
		return Characteristic{}, ErrTooFew
	}
	var c Characteristic
	for _, row := range characteristicK {
		if row.n <= len(values) {
			c.K, c.KN = row.k, row.n
		}
	}
	switch d {
	case Normal:
		s := Describe(values)
		c.Value = s.Mean.Decimal.Sub(c.K.Mul(s.SD.Decimal))
		return c, nil
	case LogNormal:
		logs := make([]decimal.Decimal, len(values))
		for i, v := range values {
			var err error
			if logs[i], err = num.Ln(v); err != nil {
				return Characteristic{}, err
			}
		}
		s := Describe(logs)
		var err error
		c.Value, err = num.Exp(s.Mean.Decimal.Sub(c.K.Mul(s.SD.Decimal)))
		return c, err
	}
	return Characteristic{}, ErrDistribution
}

// Outlier is the value furthest from the mean, tested by the single-outlier
// criterion of ASTM E178: T = |x - mean|/s.
type Outlier struct {
	Value    decimal.Decimal
	T        decimal.Decimal // to 34 digits
	Critical decimal.Decimal // at which 5 % of samples without an outlier have one, two-sided
	Flagged  bool            // T is above the critical value
}

// criticalT is by number of values, from 3: the upper 2.5 % points of T, so 5 %
// two-sided. Source: ASTM E178, table 1 (value from memory; the tests work it out
// anew from the t distribution). T of three values cannot pass 2/√3 = 1.1547, so
// of three none is ever flagged.
var criticalT = thousandths(0, 0, 0,
	1155, 1481, 1715, 1887, 2020, 2126, 2215, 2290, 2355,
	2412, 2462, 2507, 2549, 2585, 2620, 2651, 2681, 2709)

// OutlierOf tests the value furthest from the mean, of two equally far the
// smaller. It is for 3 to 20 values that are not all equal; else ok is false.
// Nothing is removed: whether a flagged beam stays is for whoever saw it.
func OutlierOf(values []decimal.Decimal) (o Outlier, ok bool) {
	s := Describe(values)
	if s.N < 3 || s.N >= len(criticalT) || s.SD.Decimal.IsZero() {
		return Outlier{}, false
	}
	// |n x - Σx| compares without a division.
	n, sum := decimal.New(int64(s.N), 0), decimal.Zero
	for _, v := range values {
		sum = sum.Add(v)
	}
	o.Value = slices.MinFunc(values, func(a, b decimal.Decimal) int {
		far := n.Mul(b).Sub(sum).Abs().Cmp(n.Mul(a).Sub(sum).Abs())
		if far != 0 {
			return far
		}
		return a.Cmp(b)
	})
	o.T = quotient(n.Mul(o.Value).Sub(sum).Abs(), n.Mul(s.SD.Decimal)).Decimal
	o.Critical = criticalT[s.N]
	o.Flagged = o.T.GreaterThan(o.Critical)
	return o, true
}

// Gate tells whether fibres may replace ordinary reinforcement at the ultimate
// limit state: f_R1k/f_Lk > MinR1OverLOP and f_R3k/f_R1k > MinR3OverR1, both
// strict. Source: fib Model Code 2010, 5.6.3 (value from memory).
type Gate struct {
	R1OverLOP, R3OverR1       decimal.Decimal // to 34 digits
	R1OverLOPMet, R3OverR1Met bool
}

// Limits of the Gate.
var (
	MinR1OverLOP = decimal.New(4, -1)
	MinR3OverR1  = decimal.New(5, -1)
)

// Met tells whether both ratios are above their limits.
func (g Gate) Met() bool { return g.R1OverLOPMet && g.R3OverR1Met }

// StructuralUse applies the gate to characteristic values in MPa. ok is false
// where f_Lk or f_R1k is not more than zero.
func StructuralUse(lop, r1, r3 decimal.Decimal) (g Gate, ok bool) {
	if !lop.IsPositive() || !r1.IsPositive() {
		return Gate{}, false
	}
	// Products compare without a rounding.
	return Gate{
		R1OverLOP: quotient(r1, lop).Decimal, R1OverLOPMet: r1.GreaterThan(lop.Mul(MinR1OverLOP)),
		R3OverR1: quotient(r3, r1).Decimal, R3OverR1Met: r3.GreaterThan(r1.Mul(MinR3OverR1)),
	}, true
}
