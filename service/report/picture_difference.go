package report

import (
	"fmt"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
	"slabledger/service"
)

// Difference draws how the difference of two alternatives in one measure is distributed:
// the percentiles that the answer holds, joined by straight lines, and no more; what is
// below the first and above the last of them is not known from it.
func Difference(id string, r *service.UncertaintyResponse, pair *service.UncertainPair, q *service.UncertainDifference, shown Shown) Picture {
	m := shown.measured(r.Inventory, q.Measure)
	first, second := named(pair.First), named(pair.Second)
	d := &drawing{Picture: Picture{ID: id, Title: "How sure the difference in " + m.name + " is"}, W: fullWidth}
	d.Table = PictureTable{Caption: "Percentiles of " + m.name + " of " + first + " less " + second + ", of " + counted(r.Samples, "sample"),
		Columns: []PictureColumn{{Head: "Percentile", Unit: "%", Numeric: true}, {Head: "Difference", Unit: m.unit, Numeric: true}, {Head: "Standard error", Unit: m.unit, Numeric: true}}}
	for _, p := range q.Percentiles {
		d.Table.Rows = append(d.Table.Rows, []string{shown.Plain(p.Percent.Decimal), m.shown.whole(m.of(p.Value.Decimal)), m.shown.whole(m.of(p.SE.Decimal))})
	}
	n := len(q.Percentiles)
	if n == 0 {
		d.Description = "The answer has no percentiles, so there is nothing to draw."
		return d.Picture
	}
	share := func(v decimal.Decimal) string {
		switch percent := v.Shift(2).RoundBank(1); { // what is not all of it never reads 100
		case percent.Equal(num.Hundred) && v.LessThan(num.One):
			return "more than 99.9 %"
		case percent.IsZero() && v.IsPositive():
			return "less than 0.1 %"
		default:
			return shown.Number(percent, 1) + " %"
		}
	}
	low, high := q.Percentiles[0], q.Percentiles[n-1]
	d.Description = fmt.Sprintf("Of %s less %s in %s the mean is %s; from %s to %s lie %s of 100 samples. ", first, second, m.name, m.say(q.Mean.Decimal), m.say(low.Value.Decimal), m.say(high.Value.Decimal),
		shown.Plain(high.Percent.Sub(low.Percent.Decimal)))
	if q.Indistinguishable {
		d.Description += "The two are indistinguishable."
	} else {
		d.Description += fmt.Sprintf("In %[2]s of the samples %[1]s is lower (95 %% interval %[3]s to %[4]s).", first, share(q.FirstLower.Probability.Decimal), share(q.FirstLower.Low.Decimal), share(q.FirstLower.High.Decimal))
	}
	d.Description += fmt.Sprintf(" The box holds the middle half, and its whiskers end at the percentiles %s and %s. The answer holds %s, each drawn with its standard error; between them the lines are straight, and beyond them nothing is known.",
		shown.Plain(low.Percent.Decimal), shown.Plain(high.Percent.Decimal), counted(n, "percentile"))
	lo, hi := decimal.Zero, decimal.Zero
	for _, p := range q.Percentiles {
		lo, hi = decimal.Min(lo, m.of(p.Value.Sub(p.SE.Decimal))), decimal.Max(hi, m.of(p.Value.Add(p.SE.Decimal)))
	}
	const boxTop, boxHigh = 44 * unit, 30 * unit
	const plotTop, bottom = 108 * unit, 330 * unit
	ys := newScale(decimal.Zero, num.Hundred, bottom, plotTop, 5)
	left, right := inset+ys.room(shown)+4*unit, fullWidth-inset-24*unit
	xs := newScale(lo, hi, left, right, 6)
	at := func(i int) px { return xs.at(m.of(q.Percentiles[i].Value.Decimal)) }
	d.up(ys, left, right, "Samples that are below, %", m.shown)
	d.across(xs, bottom, boxTop, "Difference, "+m.unit, m.shown)

	// The box: the middle half, the median, and whiskers to the outermost percentiles.
	middle := px(boxTop + boxHigh/2)
	find := func(percent int64) int {
		for i, p := range q.Percentiles {
			if p.Percent.Equal(decimal.NewFromInt(percent)) {
				return i
			}
		}
		return -1
	}
	d.rule(at(0), middle, at(n-1), middle, "whisker")
	for _, i := range []int{0, n - 1} {
		d.rule(at(i), middle-8*unit, at(i), middle+8*unit, "whisker")
	}
	if a, b := find(25), find(75); a >= 0 && b >= 0 {
		d.box("box", at(a), boxTop, at(b), boxTop+boxHigh, d.fill(0), fmt.Sprintf("half of the samples: %s to %s", m.say(q.Percentiles[a].Value.Decimal), m.say(q.Percentiles[b].Value.Decimal)))
	}
	if i := find(50); i >= 0 {
		d.add(mark{Kind: "line", Class: "median", X: at(i), Y: boxTop, W: at(i), H: boxTop + boxHigh, Stroke: "currentColor", Thick: "3", Text: "median: " + m.say(q.Percentiles[i].Value.Decimal)})
	}
	var px1, py1 []px
	for i, p := range q.Percentiles {
		px1, py1 = append(px1, at(i)), append(py1, ys.at(p.Percent.Decimal))
	}
	zero := xs.at(decimal.Zero)
	d.rule(zero, boxTop-10*unit, zero, bottom, "zero")
	d.curve("cumulative", px1, py1, "", "2", "")
	for i, p := range q.Percentiles {
		y := ys.at(p.Percent.Decimal)
		a, b := xs.at(m.of(p.Value.Sub(p.SE.Decimal))), xs.at(m.of(p.Value.Add(p.SE.Decimal)))
		d.rule(a, y, b, y, "error")
		d.rule(a, y-4*unit, a, y+4*unit, "error")
		d.rule(b, y-4*unit, b, y+4*unit, "error")
		d.add(mark{Kind: "circle", Class: "percentile", X: at(i), Y: y, W: 3 * unit, Fill: "currentColor",
			Text: fmt.Sprintf("%s %% are below %s (standard error %s)", shown.Plain(p.Percent.Decimal), m.say(p.Value.Decimal), m.say(p.SE.Decimal))})
	}
	toLeft, toRight := fitted(pair.First, 150*unit)+" lower", fitted(pair.Second, 150*unit)+" lower"
	if toLeft = "← " + toLeft; zero-8*unit-widthOf(toLeft) > inset {
		d.text(zero-8*unit, boxTop-14*unit, "end", toLeft)
	}
	if toRight += " →"; zero+8*unit+widthOf(toRight) < fullWidth-inset {
		d.text(zero+8*unit, boxTop-14*unit, "start", toRight)
	}
	d.H = bottom + 2*lineHeight + 10*unit
	return d.done()
}

// DifferenceID is an id for the picture of a difference, unique among those of an answer.
func DifferenceID(pair int, measure string) string {
	return fmt.Sprintf("difference-%d-%s", pair, strings.ReplaceAll(measure, "_", "-"))
}
