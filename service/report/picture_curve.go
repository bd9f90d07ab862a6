package report

import (
	"fmt"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/service"
)

// mostCurves is how many beams are drawn; the table has the readings of all.
const mostCurves = 12

// lineColours are those of the palette that contrast at least 3:1 with white and with
// near-black, as a line has no outline.
var lineColours = []string{fills[4].colour, fills[5].colour, fills[2].colour, "currentColor"}

// LoadDeflection draws the load of each beam over its deflection, or the opening of its
// crack mouth, with the points that the standard reads. service.BeamCurves reads them.
func LoadDeflection(id string, curves []service.BeamCurvePoints, shown Shown) Picture {
	length, force := shown.LengthUnit(), shown.ForceUnit()
	d := &drawing{Picture: Picture{ID: id, Title: "Load against deflection"}, W: fullWidth}
	d.Table = PictureTable{Caption: "Loads that the standard reads, by beam", Columns: []PictureColumn{{Head: "Beam"}, {Head: "Point"}, {Head: "Deflection or opening", Unit: length, Numeric: true}, {Head: "Load", Unit: force, Numeric: true}}}
	for _, c := range curves {
		for _, r := range c.Read {
			d.Table.Rows = append(d.Table.Rows, []string{Printable(c.Beam), pointName(r.Point), shown.whole(shown.LengthOf(r.MM)), shown.whole(shown.ForceOf(r.KN))})
		}
	}
	var drawn []service.BeamCurvePoints
	other := 0
	for _, c := range curves {
		if len(c.Points) < 2 || c.Axis != curves[0].Axis {
			other++
		} else {
			drawn = append(drawn, c)
		}
	}
	if len(drawn) == 0 {
		d.Description = "No beam has a curve, so there is nothing to draw."
		return d.Picture
	}
	name := "Net deflection"
	if drawn[0].Axis != "deflection" {
		name = "Crack mouth opening"
		d.Title = "Load against crack mouth opening"
	}
	d.Description = d.describeCurves(drawn, shown)
	if other > 0 {
		d.Description += fmt.Sprintf(" Not drawn, as another quantity was measured: %s.", counted(other, "beam"))
	}
	if n := len(drawn) - mostCurves; n > 0 {
		drawn = drawn[:mostCurves]
		d.Description += fmt.Sprintf(" Drawn are the first %d beams; the readings of all stand in the table.", mostCurves)
	}
	lx, hx, ly, hy := decimal.Zero, decimal.Zero, decimal.Zero, decimal.Zero
	for _, c := range drawn {
		for _, p := range c.Points {
			lx, hx, ly, hy = decimal.Min(lx, p.MM), decimal.Max(hx, p.MM), decimal.Min(ly, p.KN), decimal.Max(hy, p.KN)
		}
	}
	const top, bottom = 66 * unit, 340 * unit
	ys := newScale(shown.ForceOf(ly), shown.ForceOf(hy), bottom, top, 6)
	left, right := inset+ys.room(shown)+4*unit, fullWidth-inset-150*unit
	xs := newScale(shown.LengthOf(lx), shown.LengthOf(hx), left, right, 6)
	d.up(ys, left, right, "Load, "+force, shown)
	d.across(xs, bottom, top, name+", "+length, shown)

	// Where the standard reads, once for all beams that agree in it.
	var at []label
	for _, c := range drawn {
		for _, r := range c.Read {
			if fixedPoint(r.Point) {
				l := label{x: xs.at(shown.LengthOf(r.MM)), text: pointName(r.Point)}
				if !slices.Contains(at, l) {
					at = append(at, l)
				}
			}
		}
	}
	slices.SortStableFunc(at, func(a, b label) int { return int(a.x - b.x) })
	free := px(0)
	for _, l := range at {
		d.curve("reading", []px{l.x, l.x}, []px{top - 4*unit, bottom}, "2 3", "1", "")
		if half := widthOf(l.text) / 2; l.x-half > free {
			d.text(l.x, top-8*unit, "middle", l.text)
			free = l.x + half + 6*unit
		}
	}
	for k, c := range drawn {
		var px1, py1 []px
		for _, p := range c.Points {
			px1, py1 = append(px1, xs.at(shown.LengthOf(p.MM))), append(py1, ys.at(shown.ForceOf(p.KN)))
		}
		px1, py1 = thinned(px1, py1)
		says := c.Beam
		if c.Excluded {
			says += " (left out)"
		}
		colour := lineColours[k%len(lineColours)]
		d.curve("curve", px1, py1, dashes[k%len(dashes)], "1.8", named(says))
		d.Marks[len(d.Marks)-1].Stroke = colour
		at := top + px(k)*lineHeight
		d.curve("key", []px{right + 12*unit, right + 44*unit}, []px{at, at}, dashes[k%len(dashes)], "1.8", "")
		d.Marks[len(d.Marks)-1].Stroke = colour
		d.text(right+50*unit, at+5*unit, "start", fitted(says, fullWidth-inset-right-50*unit))
		for _, r := range c.Read {
			x, y := xs.at(shown.LengthOf(r.MM)), ys.at(shown.ForceOf(r.KN))
			said := fmt.Sprintf("%s, %s: %s %s at %s %s", named(c.Beam), pointName(r.Point), shown.Significant(shown.ForceOf(r.KN)), force, shown.Significant(shown.LengthOf(r.MM)), length)
			if fixedPoint(r.Point) {
				d.add(mark{Kind: "circle", Class: "point", X: x, Y: y, W: 4 * unit, Fill: colour, Stroke: "currentColor", Thick: "1", Text: said})
			} else {
				d.add(mark{Kind: "rect", Class: "point", X: x - 4*unit, Y: y - 4*unit, W: 8 * unit, H: 8 * unit, Fill: colour, Stroke: "currentColor", Thick: "1", Text: said})
			}
		}
	}
	y := bottom + 2*lineHeight + 10*unit
	d.legend(left, y, fullWidth-inset, []string{"peak", "load at a deflection of the standard"}, func(n int, x, y px) {
		if n == 0 {
			d.add(mark{Kind: "rect", Class: "key", X: x + 5*unit, Y: y + 3*unit, W: 8 * unit, H: 8 * unit, Fill: "none", Stroke: "currentColor", Thick: "1"})
			return
		}
		d.add(mark{Kind: "circle", Class: "key", X: x + 9*unit, Y: y + 7*unit, W: 4 * unit, Fill: "none", Stroke: "currentColor", Thick: "1"})
	})
	d.H = y + lineHeight + 6*unit
	return d.done()
}

func (d *drawing) describeCurves(drawn []service.BeamCurvePoints, shown Shown) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s.", counted(len(drawn), "beam"))
	var order []string
	least, most := map[string]decimal.Decimal{}, map[string]decimal.Decimal{}
	for _, c := range drawn {
		for _, r := range c.Read {
			if _, known := least[r.Point]; !known {
				order = append(order, r.Point)
				least[r.Point], most[r.Point] = r.KN, r.KN
			}
			least[r.Point], most[r.Point] = decimal.Min(least[r.Point], r.KN), decimal.Max(most[r.Point], r.KN)
		}
	}
	for i, p := range order {
		lead := ", "
		if i == 0 {
			lead = " The loads are: "
		}
		from, to := shown.Significant(shown.ForceOf(least[p])), shown.Significant(shown.ForceOf(most[p]))
		if from == to {
			fmt.Fprintf(&b, "%s%s %s %s", lead, pointName(p), from, shown.ForceUnit())
		} else {
			fmt.Fprintf(&b, "%s%s %s to %s %s", lead, pointName(p), from, to, shown.ForceUnit())
		}
	}
	if len(order) > 0 {
		b.WriteString(".")
	}
	return b.String()
}

// fixedPoint tells the points that are read at a place, not where the load is highest.
func fixedPoint(point string) bool {
	return point != "first_peak" && point != "peak" && point != "lop"
}

// pointName is how people name a point of a test.
func pointName(point string) string {
	switch point {
	case "l600":
		return "L/600"
	case "l150":
		return "L/150"
	case "lop":
		return "limit of proportionality"
	}
	if mm, ok := strings.CutPrefix(point, "cmod_"); ok {
		return "CMOD " + strings.ReplaceAll(mm, "_", ".") + " mm"
	}
	return words(point)
}

// thinned leaves out points that no eye could tell apart: of those within one unit of
// width the first, the lowest, the highest and the last stay.
func thinned(xs, ys []px) (x, y []px) {
	for from := 0; from < len(xs); {
		to := from
		low, high := from, from
		for to < len(xs) && xs[to]/unit == xs[from]/unit {
			if ys[to] < ys[low] {
				low = to
			}
			if ys[to] > ys[high] {
				high = to
			}
			to++
		}
		keep := []int{from, low, high, to - 1}
		slices.Sort(keep)
		for _, i := range slices.Compact(keep) {
			x, y = append(x, xs[i]), append(y, ys[i])
		}
		from = to
	}
	return x, y
}
