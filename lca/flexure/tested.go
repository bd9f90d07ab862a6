package flexure

import (
	"slices"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// Tested is where concretes were tested: the points of a grid over what was varied
// between them, such as the share of replacement and the dosage of fibres. A
// strength between the points is interpolated; outside them there is none.
type Tested struct {
	at     [][]decimal.Decimal // by axis, the values that were tested, rising
	points []int               // of the grid, the last axis fastest
}

// NewTested makes a grid of points, each with a value by axis. Every combination of
// the values in use must have been tested, once: else twice has the pairs of points
// at one place, and missing the places without a point, and there is no grid.
func NewTested(points [][]decimal.Decimal) (t *Tested, twice [][2]int, missing [][]decimal.Decimal) {
	if len(points) == 0 {
		return nil, nil, nil
	}
	t = &Tested{at: make([][]decimal.Decimal, len(points[0]))}
	count := 1
	for axis := range t.at {
		for _, p := range points {
			k, known := slices.BinarySearchFunc(t.at[axis], p[axis], decimal.Decimal.Cmp)
			if !known {
				t.at[axis] = slices.Insert(t.at[axis], k, p[axis])
			}
		}
		if count *= len(t.at[axis]); count > maxTestedPlaces {
			return nil, nil, [][]decimal.Decimal{}
		}
	}
	t.points = slices.Repeat([]int{-1}, count)
	for i, p := range points {
		place := 0
		for axis, values := range t.at {
			k, _ := slices.BinarySearchFunc(values, p[axis], decimal.Decimal.Cmp)
			place = place*len(values) + k
		}
		if first := t.points[place]; first >= 0 {
			twice = append(twice, [2]int{first, i})
			continue
		}
		t.points[place] = i
	}
	for place, point := range t.points {
		if point >= 0 {
			continue
		}
		where := make([]decimal.Decimal, len(t.at))
		for axis, rest := len(t.at)-1, place; axis >= 0; axis-- {
			where[axis] = t.at[axis][rest%len(t.at[axis])]
			rest /= len(t.at[axis])
		}
		missing = append(missing, where)
	}
	if twice != nil || missing != nil {
		return nil, twice, missing
	}
	return t, nil, nil
}

// maxTestedPlaces is far beyond any programme of tests; a grid of more has gaps.
const maxTestedPlaces = 100_000

// Between is a place among tested points: each point's share of what the shares are
// of. At a point it is that point alone.
type Between struct {
	Points []int
	Shares []decimal.Decimal
	Of     decimal.Decimal
}

// Interpolated tells whether the place is none of the points.
func (b Between) Interpolated() bool { return len(b.Points) > 1 }

// At finds the points around a place, by linear interpolation along each axis
// (multilinear): the share of a point is the product over the axes of the distance to
// the other end, and the whole that of the lengths. It is false outside the tested
// range, where nothing is known.
func (t *Tested) At(x []decimal.Decimal) (b Between, inside bool) {
	b = Between{Points: []int{0}, Shares: []decimal.Decimal{num.One}, Of: num.One}
	for axis, values := range t.at {
		k, exact := slices.BinarySearchFunc(values, x[axis], decimal.Decimal.Cmp)
		if !exact && (k == 0 || k == len(values)) {
			return Between{}, false
		}
		low := k
		if !exact {
			low = k - 1
		}
		next := Between{Of: b.Of}
		for i, place := range b.Points {
			if exact {
				next.Points = append(next.Points, place*len(values)+low)
				next.Shares = append(next.Shares, b.Shares[i])
				continue
			}
			next.Points = append(next.Points, place*len(values)+low, place*len(values)+low+1)
			next.Shares = append(next.Shares, b.Shares[i].Mul(values[low+1].Sub(x[axis])), b.Shares[i].Mul(x[axis].Sub(values[low])))
		}
		if !exact {
			next.Of = b.Of.Mul(values[low+1].Sub(values[low]))
		}
		b = next
	}
	for i, place := range b.Points {
		b.Points[i] = t.points[place]
	}
	return b, true
}

// Value is the value at the place from those of the points: the exact sum of the
// shares of each, divided once and rounded once, as an amount.
func (b Between) Value(of func(point int) decimal.Decimal) decimal.Decimal {
	sum := decimal.Zero
	for i, point := range b.Points {
		sum = sum.Add(b.Shares[i].Mul(of(point)))
	}
	return num.AmountQuotient(sum, b.Of)
}

// Weight is the share of one of the points, as an amount of the whole.
func (b Between) Weight(i int) decimal.Decimal {
	return num.AmountQuotient(b.Shares[i], b.Of)
}
