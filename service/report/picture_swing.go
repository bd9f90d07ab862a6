package report

import (
	"fmt"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/service"
)

// measured shows the figures of one measure per square metre, or square yard: answers
// about two alternatives hold no area and no lane.
type measured struct {
	shown  Shown
	head   service.Head
	carbon bool
	name   string // "net present value"
	unit   string
}

func (s Shown) measured(of service.InventoryRef, measure string) measured {
	s.Basis = PerArea
	m := measured{shown: s, head: service.Head{Inventory: of}, name: strings.ReplaceAll(measure, "_", " ")}
	if m.carbon = measure == service.MeasureTotalCarbon || measure == service.MeasureCradleToGate; m.carbon {
		m.unit = s.CarbonUnit(&m.head)
	} else {
		m.unit = s.MoneyUnit(&m.head)
	}
	return m
}

// of is a figure in the unit shown, unrounded.
func (m *measured) of(v decimal.Decimal) decimal.Decimal {
	if m.carbon {
		v, _ = m.shown.CarbonOf(&m.head, nil, v)
	} else {
		v, _ = m.shown.MoneyOf(&m.head, nil, v)
	}
	return v
}

// say is a figure to three digits, with its unit.
func (m *measured) say(v decimal.Decimal) string {
	return m.shown.Significant(m.of(v)) + " " + m.unit
}

// mostSwings is how many inputs are drawn; the table has all.
const mostSwings = 16

// Swing draws what each input does to the difference of two alternatives, the others as
// they are: from its low end to its high end, the largest first.
func Swing(r *service.SensitivityResponse, shown Shown) Picture { return swing("swing", r, shown) }

// swing is Swing with an id of its own, for a page that has several.
func swing(id string, r *service.SensitivityResponse, shown Shown) Picture {
	m := shown.measured(r.Inventory, r.Measure)
	first, second := named(r.First), named(r.Second)
	d := &drawing{Picture: Picture{ID: id, Title: "What each input does to the difference"}, W: fullWidth}
	d.Table = PictureTable{Caption: "Difference in " + m.name + " of " + first + " less " + second + ", one input at a time", Columns: []PictureColumn{{Head: "Input"}, {Head: "Unit of the input"},
		{Head: "Input, low", Numeric: true}, {Head: "Difference, low", Unit: m.unit, Numeric: true}, {Head: "Input, high", Numeric: true}, {Head: "Difference, high", Unit: m.unit, Numeric: true}, {Head: "The other is lower at an end"}}}
	for _, l := range r.Lines {
		turns := "no"
		if l.Reverses {
			turns = "yes"
		}
		d.Table.Rows = append(d.Table.Rows, []string{Printable(l.Name), Printable(l.Unit), shown.Plain(l.LowAt.Decimal), m.shown.whole(m.of(l.Low.Difference.Decimal)),
			shown.Plain(l.HighAt.Decimal), m.shown.whole(m.of(l.High.Difference.Decimal)), turns})
	}
	if len(r.Lines) == 0 {
		d.Description = "No input was varied, so there is nothing to draw."
		return d.Picture
	}
	nominal := r.Nominal.Difference.Decimal
	largest := r.Lines[0]
	d.Description = fmt.Sprintf("The difference in %s of %s less %s is %s. The %s moves it most: from %s at its low end to %s at its high end. ", m.name, first, second, m.say(nominal),
		named(largest.Name), m.say(largest.Low.Difference.Decimal), m.say(largest.High.Difference.Decimal))
	if n := len(r.Reversals); n == 0 {
		d.Description += "At no end of any input does the other alternative become the lower."
	} else {
		d.Description += "At an end of " + counted(n, "input") + " the other alternative becomes the lower, beyond the line at zero."
	}
	lines := r.Lines[:min(len(r.Lines), mostSwings)]
	for len(lines) > 1 && lines[len(lines)-1].Swing.IsZero() {
		lines = lines[:len(lines)-1]
	}
	if n := len(r.Lines) - len(lines); n > 0 {
		d.Description += fmt.Sprintf(" The %d that do least, or nothing, stand in the table alone.", n)
	}
	lo, hi := decimal.Min(m.of(nominal), decimal.Zero), decimal.Max(m.of(nominal), decimal.Zero)
	for _, l := range lines {
		a, b := m.of(l.Low.Difference.Decimal), m.of(l.High.Difference.Decimal)
		lo, hi = decimal.Min(lo, a, b), decimal.Max(hi, a, b)
	}
	nameRoom := 210 * unit
	left, right := inset+nameRoom+8*unit, fullWidth-inset-16*unit
	y := d.legend(inset, inset, fullWidth-inset, []string{"at its low end", "at its high end", "as it is"}, func(n int, x, y px) {
		if n < 2 {
			d.box("key", x, y, x+18*unit, y+13*unit, d.fill(n), "")
			return
		}
		d.curve("key", []px{x + 9*unit, x + 9*unit}, []px{y, y + 14*unit}, "6 3", "2", "")
	}) + 10*unit
	axis := newScale(lo, hi, left, right, 5)
	const bar, high = 18 * unit, 26 * unit
	top, bottom := y-4*unit, y+px(len(lines))*high
	d.across(axis, bottom, top, "Difference, "+m.unit, m.shown)
	at := axis.at(m.of(nominal))
	for _, l := range lines {
		d.text(left-8*unit, y+14*unit, "end", fitted(l.Name, nameRoom))
		for k, end := range []struct {
			at    decimal.Decimal
			reach decimal.Decimal
		}{{l.LowAt.Decimal, l.Low.Difference.Decimal}, {l.HighAt.Decimal, l.High.Difference.Decimal}} {
			x := axis.at(m.of(end.reach))
			from, to := y, y+bar
			if l.Low.Difference.Cmp(nominal) == l.High.Difference.Cmp(nominal) { // both ends on one side: above each other
				from, to = y+px(k)*bar/2, y+px(k+1)*bar/2
			}
			d.box("bar", at, from, x, to, d.fill(k), fmt.Sprintf("%s at %s: %s", named(l.Name), shown.Plain(end.at)+" "+Printable(l.Unit), m.say(end.reach)))
		}
		y += high
	}
	zero := axis.at(decimal.Zero)
	d.rule(zero, top, zero, bottom, "zero")
	d.curve("nominal", []px{at, at}, []px{top, bottom}, "6 3", "2", "")
	d.H = bottom + 2*lineHeight + 10*unit
	if lo.IsNegative() && hi.IsPositive() {
		y := bottom + 3*lineHeight + 6*unit
		// At the ends of the axis, wherever zero is, each with half of its length.
		room := (right-left)/2 - 70*unit
		d.text(left, y, "start", "← "+fitted(r.First, room)+" lower")
		d.text(right, y, "end", fitted(r.Second, room)+" lower →")
		d.H = y + 10*unit
	}
	return d.done()
}
