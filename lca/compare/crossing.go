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

// Span is where a function is zero to its last digit, other than at a change of sign
// alone: at an end of the range, where it touches zero and turns back, and along the
// way. From and To are equal where it is a single value.
type Span struct{ From, To decimal.Decimal }

// Ends are the values of a function at both ends of a range.
type Ends struct{ Low, High decimal.Decimal }

// Found is what a search says of a function over a range.
type Found struct {
	Roots []Root // ascending
	Spans []Span // ascending
	Ends  Ends
	First int // the sign of the function where it is first not zero; 0 where it always is
}

// Limits of the search.
const (
	crossingSteps  = 64 // equal parts of the range, each looked at for one change of sign
	crossingDigits = 12 // decimals of a root
	crossingHalves = 80 // of one part
	crossingLooks  = 1500
	turnSteps      = 48 // of the search for a turn towards zero
)

// ErrCrossings: the function changes sign too often for all places to be found.
var ErrCrossings = errors.New("too many changes of place in the range; look at a part of it")

// noise is how far a difference of two totals, each a sum of lines rounded to 6
// decimals, may be from what exact lines would give: a zero is no better known.
var noise = decimal.New(1, -4)

// golden is the smaller part of a length cut by the golden section, 2 - (1 + √5)/2.
var golden = decimal.New(381966011250105, -15)

// Crossings finds where a function of one variable changes sign between two values, and
// where it is zero without that. The range is cut into 64 equal parts, and each part
// with ends of different sign is halved until no decimal of the variable lies between
// (bisection; any textbook of numerical analysis). Where the ends have one sign but the
// function turns towards zero between them, its turn is looked for (golden section; J.
// Kiefer, 1953), so that two changes within one part are found where it is smooth.
// What jumps to and fro within one part is not seen. A function that is a straight line
// over the range, as a total is in a price, a factor or a distance, is solved by one
// division. It fails where the function does.
func Crossings(low, high decimal.Decimal, f func(decimal.Decimal) (decimal.Decimal, error)) (Found, error) {
	s := &crossingSearch{f: f, step: num.Quotient(high.Sub(low), decimal.NewFromInt(crossingSteps))}
	xs, ys := make([]decimal.Decimal, crossingSteps+1), make([]decimal.Decimal, crossingSteps+1)
	for i := range xs {
		xs[i] = num.Amount(low.Add(s.step.Mul(decimal.NewFromInt(int64(i)))))
	}
	xs[crossingSteps] = high
	for _, i := range []int{0, crossingSteps / 2, crossingSteps} {
		ys[i] = s.at(xs[i])
	}
	s.found.Ends = Ends{ys[0], ys[crossingSteps]}
	half := num.Quotient(ys[0].Add(ys[crossingSteps]), decimal.NewFromInt(2))
	// What is level at a few places may still have steps between them.
	if !ys[0].Equal(ys[crossingSteps]) && half.Sub(ys[crossingSteps/2]).Abs().LessThan(decimal.New(1, -5)) && s.straight(ys[0], ys[crossingSteps], xs) {
		s.line(low, high)
		return s.found, s.err
	}
	for i := range xs {
		if i > 0 && i < crossingSteps && i != crossingSteps/2 {
			ys[i] = s.at(xs[i])
		}
	}
	s.walk(s.withTurns(xs, ys))
	return s.found, s.err
}

// crossingSearch looks at a function until that fails; from then on it looks no more,
// and what it finds is of no use.
type crossingSearch struct {
	f     func(decimal.Decimal) (decimal.Decimal, error)
	step  decimal.Decimal // the length of one part
	looks int
	found Found
	err   error
}

func (s *crossingSearch) at(x decimal.Decimal) decimal.Decimal {
	if s.looks++; s.err == nil && s.looks > crossingLooks {
		s.err = ErrCrossings
	}
	if s.err != nil {
		return decimal.Zero
	}
	y, err := s.f(x)
	s.err = err
	return y
}

// straight looks at two more points of what may be a straight line.
func (s *crossingSearch) straight(low, high decimal.Decimal, xs []decimal.Decimal) bool {
	for _, i := range []int64{11, 53} {
		want := num.Quotient(low.Mul(decimal.NewFromInt(crossingSteps-i)).Add(high.Mul(decimal.NewFromInt(i))), decimal.NewFromInt(crossingSteps))
		if s.at(xs[i]).Sub(want).Abs().GreaterThan(decimal.New(1, -5)) {
			return false
		}
	}
	return s.err == nil
}

func (s *crossingSearch) line(low, high decimal.Decimal) {
	ends := s.found.Ends
	s.found.First = ends.Low.Sign()
	switch {
	case ends.Low.IsZero():
		s.found.First = ends.High.Sign()
		s.found.Spans = []Span{{low, low}}
	case ends.High.IsZero():
		s.found.Spans = []Span{{high, high}}
	case ends.Low.Sign() != ends.High.Sign():
		x := low.Add(num.Quotient(ends.Low.Mul(high.Sub(low)), ends.Low.Sub(ends.High)))
		s.found.Roots = []Root{{Value: x.RoundBank(crossingDigits), Tie: true, Rising: ends.High.Sign()}}
	}
}

// look is a value of the variable and the function there.
type look struct{ x, y decimal.Decimal }

// withTurns is the looks at the ends of all parts, with those at turns that reach zero
// between them.
func (s *crossingSearch) withTurns(xs, ys []decimal.Decimal) []look {
	var list []look
	add := func(l look) {
		if len(list) == 0 || list[len(list)-1].x.LessThan(l.x) {
			list = append(list, l)
		}
	}
	for i := range xs {
		turn, reached := s.turn(xs, ys, i)
		if reached && turn.x.LessThan(xs[i]) {
			add(turn)
		}
		add(look{xs[i], ys[i]})
		if reached {
			add(turn)
		}
	}
	return list
}

// turn looks for a turn of the function that reaches zero, next to where it is nearest
// to zero of three ends of parts that have one sign.
func (s *crossingSearch) turn(xs, ys []decimal.Decimal, i int) (look, bool) {
	a, b := max(i-1, 0), min(i+1, crossingSteps)
	near := ys[i].Abs()
	for k := a; k <= b; k++ {
		if ys[k].Sign()*ys[i].Sign() <= 0 || ys[k].Abs().LessThan(near) {
			return look{}, false
		}
	}
	middle := min(max(i, 1), crossingSteps-1)
	bend := ys[middle-1].Sub(ys[middle].Mul(decimal.NewFromInt(2))).Add(ys[middle+1]).Mul(decimal.NewFromInt(int64(ys[i].Sign())))
	// A parabola that reaches zero beside the nearest of three looks bends by 8 times its
	// distance or more; another curve gets eight times that room.
	if bend.LessThan(near) {
		return look{}, false
	}
	within := func(from, to decimal.Decimal) look {
		x := num.Amount(from.Add(to.Sub(from).Mul(golden)))
		return look{x, s.at(x)}
	}
	from, to := xs[a], xs[b]
	left, right := within(from, to), within(to, from)
	for range turnSteps {
		for _, l := range []look{left, right} {
			if l.y.Sign() != ys[i].Sign() {
				return l, s.err == nil
			}
		}
		if left.y.Abs().LessThan(right.y.Abs()) {
			to, right = right.x, left
			left = within(from, to)
		} else {
			from, left = left.x, right
			right = within(to, from)
		}
	}
	return look{}, false
}

// walk goes along the looks from zero to zero and from sign to sign.
func (s *crossingSearch) walk(list []look) {
	last := -1 // the place of the last look that was not zero
	for i, l := range list {
		switch {
		case l.y.IsZero():
			continue
		case last < 0:
			s.found.First = l.y.Sign()
			if i > 0 {
				s.found.Spans = append(s.found.Spans, s.span(nil, list[0], list[i-1], &list[i]).Span)
			}
		case i == last+1 && l.y.Sign() != list[last].y.Sign():
			s.halve(list[last], l)
		case i > last+1:
			s.tie(list[last], list[last+1], list[i-1], l)
		}
		last = i
	}
	if last < 0 {
		s.found.Spans = []Span{{list[0].x, list[len(list)-1].x}}
	} else if last < len(list)-1 {
		s.found.Spans = append(s.found.Spans, s.span(&list[last], list[last+1], list[len(list)-1], nil).Span)
	}
}

// halve finds the change of sign between two looks that are not zero.
func (s *crossingSearch) halve(a, b look) {
	least, rising, nearest := decimal.New(1, -crossingDigits), b.y.Sign(), decimal.Zero
	for range crossingHalves {
		if b.x.Sub(a.x).LessThanOrEqual(least) {
			break
		}
		m := s.between(a, b)
		switch m.y.Sign() {
		case 0:
			s.tie(a, m, m, b)
			return
		case a.y.Sign():
			a = m
		default:
			b = m
		}
		nearest = m.y
	}
	s.found.Roots = append(s.found.Roots, Root{Value: b.x, Tie: nearest.Abs().LessThan(noise), Rising: rising})
}

// tie adds what is zero from one look to another, between two that are not: a root
// where the sign changes, a span where it does not or where the tie goes on.
func (s *crossingSearch) tie(before, from, to, after look) {
	span := s.span(&before, from, to, &after)
	if before.y.Sign() != after.y.Sign() {
		s.found.Roots = append(s.found.Roots, Root{Value: span.From, Tie: true, Rising: after.y.Sign()})
		if !span.wide {
			return
		}
	}
	s.found.Spans = append(s.found.Spans, span.Span)
}

// stretch is a span, and whether it is wider than a value and what rounding makes of it.
type stretch struct {
	Span
	wide bool
}

// span finds how far a tie reaches beyond two looks that are zero; nil is an end of the
// range. A tie of less than a thousandth of a part is one of a single value.
func (s *crossingSearch) span(before *look, from, to look, after *look) stretch {
	span := stretch{Span: Span{from.x, to.x}, wide: from.x.LessThan(to.x)}
	margin := num.Amount(num.Quotient(s.step, decimal.NewFromInt(1000)))
	if !span.wide {
		left, right := from.x.Sub(margin), to.x.Add(margin)
		span.wide = before != nil && left.GreaterThan(before.x) && s.at(left).IsZero() ||
			after != nil && right.LessThan(after.x) && s.at(right).IsZero()
	}
	if span.wide && before != nil {
		span.From = s.edge(*before, from)
	}
	if span.wide && after != nil {
		span.To = s.edge(*after, to)
	}
	return span
}

// edge is the last value at which the function is zero on the way to a look where it is
// not.
func (s *crossingSearch) edge(outside, zero look) decimal.Decimal {
	least := decimal.New(1, -crossingDigits)
	for range crossingHalves {
		if outside.x.Sub(zero.x).Abs().LessThanOrEqual(least) {
			break
		}
		if m := s.between(outside, zero); m.y.IsZero() {
			zero = m
		} else {
			outside = m
		}
	}
	return zero.x
}

// between is a look in the middle of two others.
func (s *crossingSearch) between(a, b look) look {
	m := num.Quotient(a.x.Add(b.x), decimal.NewFromInt(2)).RoundBank(crossingDigits)
	return look{m, s.at(m)}
}
