package compare

import (
	"errors"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// Root is a value at which a function changes sign.
type Root struct {
	Value  decimal.Decimal
	Tie    bool // the function is zero there, to the last digit that the search can tell; else it jumps
	Rising int  // +1 where it goes from below zero to above, -1 the other way
}

// Ends are the values of a function at both ends of a range.
type Ends struct{ Low, High decimal.Decimal }

// Limits of the search.
const (
	crossingSteps  = 64 // equal parts of the range, each looked at for one change of sign
	crossingDigits = 12 // decimals of a root
	crossingHalves = 80 // of one part
	crossingLooks  = 1500
)

// ErrCrossings: the function changes sign too often for all places to be found.
var ErrCrossings = errors.New("too many changes of place in the range; look at a part of it")

// noise is how far a difference of two totals, each a sum of lines rounded to 6
// decimals, may be from what exact lines would give: a zero is no better known.
var noise = decimal.New(1, -4)

// Crossings finds where a function of one variable changes sign between two values:
// the range is cut into 64 equal parts, and each part with ends of different sign is
// halved until no decimal of the variable lies between (bisection; any textbook of
// numerical analysis). A function that is a straight line over the range, as a total
// is in a price, a factor or a distance, is solved by one division. Two changes
// within one part are not seen. It fails where the function does.
func Crossings(low, high decimal.Decimal, f func(decimal.Decimal) (decimal.Decimal, error)) ([]Root, Ends, error) {
	looks, exact := 0, f
	f = func(x decimal.Decimal) (decimal.Decimal, error) {
		if looks++; looks > crossingLooks {
			return decimal.Zero, ErrCrossings
		}
		return exact(x)
	}
	step := num.Quotient(high.Sub(low), decimal.NewFromInt(crossingSteps))
	xs, ys := make([]decimal.Decimal, crossingSteps+1), make([]decimal.Decimal, crossingSteps+1)
	for i := range xs {
		xs[i] = num.Amount(low.Add(step.Mul(decimal.NewFromInt(int64(i)))))
	}
	xs[crossingSteps] = high
	for _, i := range []int{0, crossingSteps / 2, crossingSteps} {
		var err error
		if ys[i], err = f(xs[i]); err != nil {
			return nil, Ends{}, err
		}
	}
	ends := Ends{ys[0], ys[crossingSteps]}
	half := num.Quotient(ys[0].Add(ys[crossingSteps]), decimal.NewFromInt(2))
	if half.Sub(ys[crossingSteps/2]).Abs().LessThan(decimal.New(1, -5)) && straight(ys[0], ys[crossingSteps], f, xs) {
		return line(low, high, ends), ends, nil
	}
	var roots []Root
	for i := range xs {
		if i > 0 && i < crossingSteps && i != crossingSteps/2 {
			var err error
			if ys[i], err = f(xs[i]); err != nil {
				return nil, Ends{}, err
			}
		}
		if i == 0 {
			continue
		}
		if ys[i-1].Sign()*ys[i].Sign() < 0 || ys[i].IsZero() && !ys[i-1].IsZero() && i < crossingSteps {
			root, err := halve(xs[i-1], xs[i], ys[i-1], f)
			if err != nil {
				return nil, Ends{}, err
			}
			roots = append(roots, root)
		}
	}
	return roots, ends, nil
}

// straight looks at two more points of what may be a straight line.
func straight(low, high decimal.Decimal, f func(decimal.Decimal) (decimal.Decimal, error), xs []decimal.Decimal) bool {
	for _, i := range []int64{11, 53} {
		want := num.Quotient(low.Mul(decimal.NewFromInt(crossingSteps-i)).Add(high.Mul(decimal.NewFromInt(i))), decimal.NewFromInt(crossingSteps))
		got, err := f(xs[i])
		if err != nil || got.Sub(want).Abs().GreaterThan(decimal.New(1, -5)) {
			return false
		}
	}
	return true
}

func line(low, high decimal.Decimal, ends Ends) []Root {
	if ends.Low.Sign()*ends.High.Sign() >= 0 {
		return nil
	}
	x := low.Add(num.Quotient(ends.Low.Mul(high.Sub(low)), ends.Low.Sub(ends.High)))
	return []Root{{Value: x.RoundBank(crossingDigits), Tie: true, Rising: ends.High.Sign()}}
}

// halve finds the change of sign between two values, of which the first is not zero.
func halve(a, b, ya decimal.Decimal, f func(decimal.Decimal) (decimal.Decimal, error)) (Root, error) {
	two, least := decimal.NewFromInt(2), decimal.New(1, -crossingDigits)
	at := decimal.Zero
	for range crossingHalves {
		if b.Sub(a).LessThanOrEqual(least) {
			break
		}
		m := num.Quotient(a.Add(b), two).RoundBank(crossingDigits)
		y, err := f(m)
		if err != nil {
			return Root{}, err
		}
		if y.IsZero() {
			a, b, at = m, m, y
			break
		}
		if y.Sign() == ya.Sign() {
			a = m
		} else {
			b = m
		}
		at = y
	}
	return Root{Value: b, Tie: at.Abs().LessThan(noise), Rising: -ya.Sign()}, nil
}
