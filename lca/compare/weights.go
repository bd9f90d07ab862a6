package compare

import (
	"errors"
	"slices"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// Scale makes a measure a number without a unit: (value - Zero)/Span. A Span of zero
// says that all alternatives are equal in it; then it is zero for all.
type Scale struct{ Zero, Span decimal.Decimal }

// ErrScale: a measure of the baseline is not more than zero, so nothing is a multiple
// of it.
var ErrScale = errors.New("the baseline is not more than zero in a measure, so the others are no multiples of it")

// ToBaseline scales each measure by the baseline's: 1 is as much as the baseline.
func ToBaseline(baseline Point) ([]Scale, error) {
	scales := make([]Scale, len(baseline.Values))
	for k, v := range baseline.Values {
		if !v.IsPositive() {
			return nil, ErrScale
		}
		scales[k].Span = v
	}
	return scales, nil
}

// MinMax scales each measure by its range over the points: 0 is the least, 1 the most.
func MinMax(points []Point) []Scale {
	scales := make([]Scale, len(points[0].Values))
	for k := range scales {
		least, most := points[0].Values[k], points[0].Values[k]
		for _, p := range points {
			least, most = decimal.Min(least, p.Values[k]), decimal.Max(most, p.Values[k])
		}
		scales[k] = Scale{Zero: least, Span: most.Sub(least)}
	}
	return scales
}

// span is the divisor of a scale, which leaves nothing but zeros where it is one.
func (s Scale) span() decimal.Decimal {
	if s.Span.IsZero() {
		return num.One
	}
	return s.Span
}

// Scored is an alternative with its weighted sum, rounded once.
type Scored struct {
	Ranked
	Score decimal.Decimal
}

// WeightedSum ranks points by the sum over the measures of weight times scaled value,
// least first (additive weighting; any textbook of decisions with several criteria).
// The ranks follow from the exact sums over a common denominator, not from what is
// printed. There are as many weights and scales as measures.
func WeightedSum(points []Point, weights []decimal.Decimal, scales []Scale) []Scored {
	product := num.One
	for _, s := range scales {
		product = product.Mul(s.span())
	}
	names, keys := make([]string, len(points)), make([]decimal.Decimal, len(points))
	score := map[string]decimal.Decimal{}
	for i, p := range points {
		names[i] = p.Name
		for k, v := range p.Values {
			part := weights[k].Mul(v.Sub(scales[k].Zero))
			for j, s := range scales {
				if j != k {
					part = part.Mul(s.span())
				}
			}
			keys[i] = keys[i].Add(part)
		}
		score[p.Name] = num.LineQuotient(keys[i], product)
	}
	list := make([]Scored, len(points))
	for i, r := range Rank(names, keys) {
		list[i] = Scored{r, score[r.Name]}
	}
	return list
}

// Interval is where an alternative is first, alone or with others, as the weight of
// the first of two measures; the second has the rest of 1.
type Interval struct {
	Name     string
	Ever     bool // else From and To mean nothing
	From, To decimal.Decimal
}

// FirstWhere solves, for points of two measures, for the weights w from 0 to 1 at which
// each is first: w a + (1 - w) b of its scaled measures is at most that of every other.
// Each other point allows one side of one weight, where the two tie; what all allow is
// one interval. Ends are quotients of exact decimals, divided once to 34 digits.
func FirstWhere(points []Point, scales []Scale) []Interval {
	list := make([]Interval, len(points))
	for i, p := range points {
		from, to, ever := ratio{decimal.Zero, num.One}, ratio{num.One, num.One}, true
		for _, other := range points {
			x := p.Values[0].Sub(other.Values[0]).Mul(scales[1].span())
			y := p.Values[1].Sub(other.Values[1]).Mul(scales[0].span())
			// w x + (1 - w) y <= 0
			switch slope := x.Sub(y); slope.Sign() {
			case 0:
				ever = ever && y.Sign() <= 0
			case 1:
				if tie := (ratio{y.Neg(), slope}); tie.less(to) {
					to = tie
				}
			default:
				if tie := (ratio{y, slope.Neg()}); from.less(tie) {
					from = tie
				}
			}
		}
		list[i] = Interval{Name: p.Name, Ever: ever && !to.less(from)}
		if list[i].Ever {
			list[i].From, list[i].To = num.Quotient(from.of, from.by), num.Quotient(to.of, to.by)
		}
	}
	return list
}

// ratio is of/by, where by is more than zero.
type ratio struct{ of, by decimal.Decimal }

func (r ratio) less(other ratio) bool {
	return r.of.Mul(other.by).LessThan(other.of.Mul(r.by))
}

// RankRange is the best and the worst rank that an alternative takes.
type RankRange struct {
	Name        string
	Best, Worst int
}

// ErrMeasures: the ranks over all weights are found for two or three measures.
var ErrMeasures = errors.New("the ranks over all weights are found for two or three measures")

// RankRanges finds for each point the best and the worst rank that it takes in a
// weighted sum over all weights that are at least zero and sum to one. Equal sums share
// a rank, as in Rank.
//
// It is exact, and the same for every scale: dividing a measure by a number and weighing
// it by that number more is the same sum. Another point is ahead where the sum of weight
// times difference is below zero: a line across the weights. The fewest are ahead at a
// corner between such lines, the most in a field between them, and every field has a
// side on one of the lines; so each line is walked from end to end (arrangement of
// lines; any textbook of computational geometry).
func RankRanges(points []Point) ([]RankRange, error) {
	list := make([]RankRange, len(points))
	for i, p := range points {
		var lines [][]decimal.Decimal
		for j, other := range points {
			if len(other.Values) != len(points[0].Values) || len(other.Values) < 2 || len(other.Values) > 3 {
				return nil, ErrMeasures
			}
			if j == i {
				continue
			}
			line, differs := make([]decimal.Decimal, len(p.Values)), false
			for k := range line {
				line[k] = other.Values[k].Sub(p.Values[k])
				differs = differs || !line[k].IsZero()
			}
			if differs { // an equal point is never ahead
				lines = append(lines, line)
			}
		}
		fewest, most := ahead(lines, len(p.Values))
		list[i] = RankRange{p.Name, 1 + fewest, 1 + most}
	}
	return list, nil
}

// ahead counts the lines below zero, at the weights where they are fewest and where
// they are most.
func ahead(lines [][]decimal.Decimal, measures int) (fewest, most int) {
	zero, one := decimal.Zero, num.One
	if measures == 2 {
		return walk(lines, []decimal.Decimal{one, zero}, []decimal.Decimal{zero, one})
	}
	corners := [][]decimal.Decimal{{one, zero, zero}, {zero, one, zero}, {zero, zero, one}}
	fewest = len(lines)
	for k := range corners { // the sides of the triangle of weights
		least, _ := walk(lines, corners[k], corners[(k+1)%3])
		fewest = min(fewest, least)
	}
	crossed := false
	for _, line := range lines {
		ends := across(line, corners)
		if len(ends) < 2 {
			continue
		}
		crossed = true
		least, between := walk(lines, ends[0], ends[1])
		fewest = min(fewest, least)
		ours, theirs := sides(lines, line, ends)
		most = max(most, between+max(ours, theirs))
	}
	if !crossed { // one field, and each line has one sign in it
		for _, line := range lines {
			if num.Sum(line...).IsNegative() {
				most++
			}
		}
	}
	return fewest, most
}

// across finds where a line enters and leaves the triangle of weights; nothing where
// it does not cross its inside. Weights are told up to a common factor.
func across(line []decimal.Decimal, corners [][]decimal.Decimal) (ends [][]decimal.Decimal) {
	for k := range line {
		l := (k + 1) % 3
		if line[k].Sign()*line[l].Sign() < 0 {
			end := make([]decimal.Decimal, 3)
			end[k], end[l] = line[l].Abs(), line[k].Abs()
			ends = append(ends, end)
		}
	}
	if len(ends) == 0 {
		return nil
	}
	for k := range line {
		if line[k].IsZero() {
			ends = append(ends, corners[k])
		}
	}
	return ends
}

// sides counts, of the lines that lie on one line, those that are below zero on each
// side of it.
func sides(lines [][]decimal.Decimal, line []decimal.Decimal, ends [][]decimal.Decimal) (ours, theirs int) {
	k := slices.IndexFunc(line, func(d decimal.Decimal) bool { return !d.IsZero() })
	for _, other := range lines {
		switch {
		case !dot(other, ends[0]).IsZero() || !dot(other, ends[1]).IsZero():
		case other[k].Sign() == line[k].Sign():
			ours++
		default:
			theirs++
		}
	}
	return ours, theirs
}

func dot(a, b []decimal.Decimal) decimal.Decimal {
	sum := decimal.Zero
	for k := range a {
		sum = sum.Add(a[k].Mul(b[k]))
	}
	return sum
}

// walk goes from one point of the weights to another, along (1 - t) from + t to, and
// counts the lines below zero: the fewest at any point, the most between two crossings.
// A line that is zero all the way is not counted.
func walk(lines [][]decimal.Decimal, from, to []decimal.Decimal) (fewest, most int) {
	type crossing struct {
		at      ratio
		falling bool // it goes below zero there
	}
	var crossings []crossing
	start, now, end := 0, 0, 0
	for _, line := range lines {
		p, q := dot(line, from), dot(line, to)
		if p.IsNegative() {
			start++
		}
		if p.IsNegative() || p.IsZero() && q.IsNegative() {
			now++
		}
		if q.IsNegative() {
			end++
		}
		if p.Sign()*q.Sign() < 0 {
			crossings = append(crossings, crossing{ratio{p.Abs(), p.Abs().Add(q.Abs())}, q.IsNegative()})
		}
	}
	slices.SortFunc(crossings, func(a, b crossing) int {
		return a.at.of.Mul(b.at.by).Cmp(b.at.of.Mul(a.at.by))
	})
	fewest, most = min(start, end), now
	for i := 0; i < len(crossings); {
		falling := 0
		for first := crossings[i].at; i < len(crossings) && !first.less(crossings[i].at); i++ {
			if crossings[i].falling {
				falling++
			} else {
				now--
			}
		}
		fewest = min(fewest, now)
		now += falling
		most = max(most, now)
	}
	return fewest, most
}
