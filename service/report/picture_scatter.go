package report

import (
	"fmt"
	"slices"

	"github.com/shopspring/decimal"

	"slabledger/service"
)

// allNamed is up to how many alternatives each has its name beside its point.
const allNamed = 12

// mostListed is how many of a numbered front are named below the drawing.
const mostListed = 20

// CostAgainstCarbon draws each alternative by its net present value and its total carbon.
// Where they are many, only the baseline and those of the Pareto front, which no
// other beats in both, are named; the front is joined to guide the eye.
func CostAgainstCarbon(r *service.ComparisonResponse, shown Shown) Picture {
	d := &drawing{Picture: Picture{ID: "cost-against-carbon", Title: "Cost against carbon"}, W: fullWidth}
	money, carbon := shown.MoneyUnit(&r.Head), shown.CarbonUnit(&r.Head)
	d.Table = PictureTable{Caption: "Net present value and total carbon of each alternative", Columns: []PictureColumn{{Head: "Alternative"},
		{Head: "Net present value", Unit: money, Numeric: true}, {Head: "Carbon, total of declared modules", Unit: carbon, Numeric: true}, {Head: "Pareto front"}}}
	type point struct {
		name, money     string
		x, y            decimal.Decimal
		front, baseline bool
	}
	var points []point
	without := 0
	for i := range r.Alternatives {
		a := &r.Alternatives[i]
		p := point{name: a.Name, front: slices.Contains(r.Comparison.Pareto, a.Name), baseline: a.Name == r.Comparison.Baseline}
		knownCost, knownCarbon := a.Cost != nil, false
		if knownCost {
			p.x, knownCost = shown.MoneyOf(&r.Head, a, a.Cost.NetPresentValuePerM2.Decimal)
		}
		p.y, knownCarbon = shown.CarbonOf(&r.Head, a, a.Carbon.TotalKgCO2ePerM2.Decimal)
		row := []string{Printable(a.Name), Unknown, Unknown, "no"}
		if p.front {
			row[3] = "yes"
		}
		if knownCost {
			row[1] = shown.whole(p.x)
		}
		if knownCarbon {
			row[2] = shown.whole(p.y)
		}
		d.Table.Rows = append(d.Table.Rows, row)
		if !knownCost || !knownCarbon {
			without++
			continue
		}
		p.money = shown.Money(&r.Head, a, a.Cost.NetPresentValuePerM2.Decimal)
		points = append(points, p)
	}
	if len(points) == 0 {
		d.Description = "No alternative has both a cost and a carbon on this basis, so there is nothing to draw."
		return d.Picture
	}
	var front []point
	for _, p := range points {
		if p.front {
			front = append(front, p)
		}
	}
	slices.SortStableFunc(front, func(a, b point) int { return a.x.Cmp(b.x) })
	say := func(p point) string {
		return fmt.Sprintf("%s (%s %s, %s %s)", named(p.name), p.money, money, shown.Significant(p.y), carbon)
	}
	switch {
	case len(points) == 1:
		d.Description = "There is one alternative: " + say(points[0]) + "."
	case len(front) == 0:
		d.Description = counted(len(points), "alternative") + " by cost and carbon; they are not ranked, so there is no Pareto front."
	case len(front) == 1:
		d.Description = "No alternative is lower than " + say(front[0]) + " in cost or in carbon."
	default:
		d.Description = fmt.Sprintf("%d of %s are on the Pareto front, where less carbon costs more: from %s to %s.", len(front), counted(len(points), "alternative"), say(front[0]), say(front[len(front)-1]))
	}
	if without > 0 {
		d.Description += " Without a figure: " + counted(without, "alternative") + "."
	}
	d.Description += " The axes need not begin at zero."

	lx, hx, ly, hy := points[0].x, points[0].x, points[0].y, points[0].y
	for _, p := range points {
		lx, hx, ly, hy = decimal.Min(lx, p.x), decimal.Max(hx, p.x), decimal.Min(ly, p.y), decimal.Max(hy, p.y)
	}
	top, bottom := inset+lineHeight+2*lineHeight, px(340*unit)
	keyY := px(inset)
	d.legend(inset, keyY, fullWidth-inset, []string{"baseline", "Pareto front", "other"}, func(n int, x, y px) {
		d.dot(x+9*unit, y+7*unit, n == 1, n == 0, "key", "")
	})
	ys := newScale(ly, hy, bottom, top, 5)
	left, right := inset+ys.room(shown)+4*unit, fullWidth-inset-20*unit
	xs := newScale(lx, hx, left, right, 5)
	d.up(ys, left, right, "Carbon, "+carbon, shown)
	d.across(xs, bottom, top, "Net present value, "+money, shown)
	var taken []area
	var px1, py1 []px
	for _, p := range front {
		px1, py1 = append(px1, xs.at(p.x)), append(py1, ys.at(p.y))
	}
	if len(front) > 1 {
		d.curve("front", px1, py1, "6 3", "1.5", "Pareto front")
	}
	order := slices.Clone(points)
	slices.SortStableFunc(order, func(a, b point) int { // what is named lies on top
		rank := func(p point) int {
			switch {
			case p.baseline:
				return 2
			case p.front:
				return 1
			}
			return 0
		}
		return rank(a) - rank(b)
	})
	for _, p := range order {
		x, y := xs.at(p.x), ys.at(p.y)
		d.dot(x, y, p.front, p.baseline, "point", fmt.Sprintf("%s: %s %s, %s %s", named(p.name), p.money, money, shown.Significant(p.y), carbon))
		taken = append(taken, area{x - 6*unit, y - 6*unit, x + 6*unit, y + 6*unit})
	}
	// The names that have room stand beside their points. Where one of the front has none,
	// the front is numbered, and named below.
	within := area{left + 2*unit, top - lineHeight, fullWidth - inset, bottom - 2*unit}
	drawn, free := len(d.Marks), len(taken)
	room := true
	for _, p := range slices.Backward(order) {
		if p.front || p.baseline || len(points) <= allNamed {
			room = d.near(xs.at(p.x), ys.at(p.y), fitted(p.name, 150*unit), within, &taken) && room
		}
	}
	y := bottom + 2*lineHeight + 12*unit
	if !room && len(front) > 0 {
		d.Marks, taken = d.Marks[:drawn], taken[:free]
		for i, p := range front {
			d.near(xs.at(p.x), ys.at(p.y), shown.Int(i+1), within, &taken)
			if i < mostListed {
				y += lineHeight
				d.text(left, y, "end", shown.Int(i+1))
				d.text(left+8*unit, y, "start", fitted(p.name, right-left))
			}
		}
		for _, p := range points {
			if p.baseline && !p.front {
				d.near(xs.at(p.x), ys.at(p.y), fitted(p.name, 150*unit), within, &taken)
			}
		}
		if n := len(front) - mostListed; n > 0 {
			d.Description += fmt.Sprintf(" The table names %d more of the front.", n)
		}
		y += 8 * unit
	}
	d.H = y
	return d.done()
}

// dot is a point: full on the front, a square for the baseline.
func (d *drawing) dot(x, y px, front, baseline bool, class, said string) {
	fill := "none"
	if front {
		fill = fills[4].colour
	}
	if baseline {
		const half = 5 * unit
		d.add(mark{Kind: "rect", Class: class, X: x - half, Y: y - half, W: 2 * half, H: 2 * half, Fill: fill, Stroke: "currentColor", Thick: "2", Text: said})
		return
	}
	d.add(mark{Kind: "circle", Class: class, X: x, Y: y, W: 4 * unit, Fill: fill, Stroke: "currentColor", Thick: "1.2", Text: said})
}

// area is a rectangle that something stands in.
type area struct{ x1, y1, x2, y2 px }

func (a area) meets(b area) bool { return a.x1 < b.x2 && b.x1 < a.x2 && a.y1 < b.y2 && b.y1 < a.y2 }

func (a area) within(b area) bool {
	return a.x1 >= b.x1 && a.x2 <= b.x2 && a.y1 >= b.y1 && a.y2 <= b.y2
}

// place is where a text stands by its point.
type place struct {
	x, y   px
	anchor string
}

// near writes a text beside a point where there is room: right of it, left, above, below;
// a number first below, where a front has nothing. It is false where there is no room.
func (d *drawing) near(x, y px, text string, within area, taken *[]area) bool {
	w, gap := widthOf(text), px(9*unit)
	places := []place{{x + gap, y + 5*unit, "start"}, {x - gap, y + 5*unit, "end"}, {x, y - 10*unit, "middle"}, {x, y + 20*unit, "middle"},
		{x + gap, y - 8*unit, "start"}, {x - gap, y - 8*unit, "end"}, {x + gap, y + 18*unit, "start"}, {x - gap, y + 18*unit, "end"}}
	if len(text) < 3 {
		places = append([]place{{x - 5*unit, y + 18*unit, "end"}, {x, y + 20*unit, "middle"}}, places...)
	}
	for _, at := range places {
		box := area{at.x, at.y - 12*unit, at.x + w, at.y + 3*unit}
		switch at.anchor {
		case "end":
			box.x1, box.x2 = at.x-w, at.x
		case "middle":
			box.x1, box.x2 = at.x-w/2, at.x+w/2
		}
		if box.within(within) && !slices.ContainsFunc(*taken, box.meets) {
			d.text(at.x, at.y, at.anchor, text)
			*taken = append(*taken, box)
			return true
		}
	}
	return false
}
