package report

import (
	"fmt"
	"slices"

	"github.com/shopspring/decimal"

	"slabledger/service"
)

// mostAxles is how many axle groups are drawn; the table has all.
const mostAxles = 24

// DamageByAxleGroup draws how much of the fatigue and of the erosion life of a slab each
// axle group uses up, at the thickness that is built or checked. Methods without axle
// groups have no such picture.
func DamageByAxleGroup(id string, r *service.ThicknessResult, shown Shown) Picture {
	if r == nil {
		return Picture{ID: id, Title: "Damage by axle group", Description: "The thickness was given and not sized, so there is nothing to draw."}
	}
	thickness, force := shown.Length(r.ThicknessMM.Decimal)+" "+shown.LengthUnit(), shown.ForceUnit()
	d := &drawing{Picture: Picture{ID: id, Title: "Damage by axle group at " + thickness}, W: fullWidth}
	d.Table = PictureTable{Caption: "Damage by axle group at a thickness of " + thickness, Columns: []PictureColumn{{Head: "Axle group"}, {Head: "Load", Unit: force, Numeric: true}, {Head: "Repetitions", Numeric: true},
		{Head: "Fatigue damage", Unit: "%", Numeric: true}, {Head: "Erosion damage", Unit: "%", Numeric: true}}}
	for _, l := range r.Damage {
		d.Table.Rows = append(d.Table.Rows, []string{words(l.Axle), shown.full(shown.ForceOf(l.LoadKN.Decimal)), shown.Plain(l.Repetitions.Decimal), shown.Plain(l.FatigueDamagePercent.Decimal), shown.Plain(l.ErosionDamagePercent.Decimal)})
	}
	if len(r.Damage) == 0 {
		d.Description = "The method " + r.Method + " has no damage by axle group, so there is nothing to draw."
		return d.Picture
	}
	totals := ""
	for i, c := range r.Criteria {
		if i > 0 {
			totals += ", "
		}
		totals += words(c.Criterion) + " " + shown.Significant(c.DamagePct.Decimal) + " %"
	}
	lines := slices.Clone(r.Damage)
	worst := lines[0]
	for _, l := range lines {
		if decimal.Max(l.FatigueDamagePercent.Decimal, l.ErosionDamagePercent.Decimal).GreaterThan(decimal.Max(worst.FatigueDamagePercent.Decimal, worst.ErosionDamagePercent.Decimal)) {
			worst = l
		}
	}
	d.Description = fmt.Sprintf("At %s all axle groups together use up: %s; at 100 %% a life is over. The most by one group is by %s axles of %s %s: fatigue %s %%, erosion %s %%.", thickness, totals,
		words(worst.Axle), shown.Significant(shown.ForceOf(worst.LoadKN.Decimal)), force, shown.Significant(worst.FatigueDamagePercent.Decimal), shown.Significant(worst.ErosionDamagePercent.Decimal))
	if n := len(lines) - mostAxles; n > 0 {
		slices.SortStableFunc(lines, func(a, b service.DamageLine) int {
			return decimal.Max(b.FatigueDamagePercent.Decimal, b.ErosionDamagePercent.Decimal).Cmp(decimal.Max(a.FatigueDamagePercent.Decimal, a.ErosionDamagePercent.Decimal))
		})
		lines = lines[:mostAxles]
		d.Description += fmt.Sprintf(" The %d groups that do least stand in the table.", n)
	}
	hi := decimal.Zero
	for _, l := range lines {
		hi = decimal.Max(hi, l.FatigueDamagePercent.Decimal, l.ErosionDamagePercent.Decimal)
	}
	nameRoom := 160 * unit
	left, right := inset+nameRoom+8*unit, fullWidth-inset-60*unit
	y := d.legend(inset, inset, fullWidth-inset, []string{"fatigue", "erosion"}, func(n int, x, y px) {
		d.box("key", x, y, x+18*unit, y+13*unit, d.fill(n), "")
	}) + 10*unit
	axis := newScale(decimal.Zero, hi, left, right, 5)
	const bar, high = 15 * unit, 40 * unit
	top, bottom := y-4*unit, y+px(len(lines))*high
	d.across(axis, bottom, top, "Damage, % of the life", shown)
	for _, l := range lines {
		name := words(l.Axle) + ", " + shown.Significant(shown.ForceOf(l.LoadKN.Decimal)) + " " + force
		d.text(left-8*unit, y+20*unit, "end", fitted(name, nameRoom))
		for k, v := range []decimal.Decimal{l.FatigueDamagePercent.Decimal, l.ErosionDamagePercent.Decimal} {
			at := y + px(k)*bar
			if !v.IsZero() {
				d.box("bar", left, at, axis.at(v), at+bar, d.fill(k), fmt.Sprintf("%s, %s: %s %%", name, []string{"fatigue", "erosion"}[k], shown.Significant(v)))
			}
			d.text(fullWidth-inset, at+12*unit, "end", shown.Significant(v))
		}
		y += high
	}
	d.rule(left, top, left, bottom, "axis")
	d.H = bottom + 2*lineHeight + 10*unit
	return d.done()
}

// words writes a name of the API as people do: "single_dual" is "single dual".
func words(name string) string {
	out := []rune(name)
	for i, r := range out {
		if r == '_' {
			out[i] = ' '
		}
	}
	return string(out)
}

// ThicknessAgainstRatio draws how the thickness that is needed falls with the residual
// strength ratio of fibre concrete, by each criterion, and which of them governs: where
// erosion takes over, more fibre buys nothing. service.ThicknessByRatio computes the
// points, which stand in rising order of the ratio.
func ThicknessAgainstRatio(id string, points []service.RatioThickness, shown Shown) Picture {
	length := shown.LengthUnit()
	d := &drawing{Picture: Picture{ID: id, Title: "Thickness against the residual strength ratio"}, W: fullWidth}
	var criteria []string
	for _, p := range points {
		for _, c := range p.Criteria {
			if c.RequiredMM != nil && !slices.Contains(criteria, c.Criterion) {
				criteria = append(criteria, c.Criterion)
			}
		}
	}
	d.Table = ratioTable(points, criteria, shown)
	if len(points) == 0 {
		d.Description = "No thickness was computed, so there is nothing to draw."
		return d.Picture
	}
	first, last := points[0], points[len(points)-1]
	say := func(p service.RatioThickness) string {
		return fmt.Sprintf("%s %s at %s %%, where %s governs", shown.Significant(shown.LengthOf(p.RequiredMM.Decimal)), length, shown.Plain(p.RatioPercent.Decimal), words(p.Governs))
	}
	d.Description = "The slab needs " + say(first)
	if len(points) > 1 {
		d.Description += ", and " + say(last)
	}
	d.Description += "."
	turn := slices.IndexFunc(points, func(p service.RatioThickness) bool { return p.Governs != first.Governs })
	if turn > 0 {
		d.Description += fmt.Sprintf(" Between %s and %s %% %s takes over", shown.Plain(points[turn-1].RatioPercent.Decimal), shown.Plain(points[turn].RatioPercent.Decimal), words(points[turn].Governs))
		if points[turn].Governs == "erosion" {
			d.Description += ": from there on a higher ratio saves no thickness"
		}
		d.Description += "."
	}
	d.Description += " The axis of thickness does not begin at zero."

	lo, hi := shown.LengthOf(first.RequiredMM.Decimal), shown.LengthOf(first.RequiredMM.Decimal)
	for _, p := range points {
		for _, c := range p.Criteria {
			if c.RequiredMM != nil {
				lo, hi = decimal.Min(lo, shown.LengthOf(c.RequiredMM.Decimal)), decimal.Max(hi, shown.LengthOf(c.RequiredMM.Decimal))
			}
		}
		lo, hi = decimal.Min(lo, shown.LengthOf(p.RequiredMM.Decimal)), decimal.Max(hi, shown.LengthOf(p.RequiredMM.Decimal))
	}
	const top, bottom = 76 * unit, 320 * unit
	y := px(inset)
	marks := []string{"needed, " + words(first.Governs) + " governs"}
	if turn > 0 {
		marks = append(marks, "needed, "+words(points[turn].Governs)+" governs")
	}
	d.legend(inset, y, fullWidth-inset, marks, func(n int, x, y px) { d.dot(x+9*unit, y+7*unit, n == 0, n == 1, "key", "") })
	ys := newScale(lo, hi, bottom, top, 5)
	left, right := inset+ys.room(shown)+4*unit, fullWidth-inset-100*unit
	xs := newScale(first.RatioPercent.Decimal, last.RatioPercent.Decimal, left, right, 6)
	d.up(ys, left, right, "Thickness, "+length, shown)
	d.across(xs, bottom, top, "Residual strength ratio, %", shown)
	var ends []label
	for k, c := range criteria {
		var px1, py1 []px
		for _, p := range points {
			if mm := requiredBy(p, c); mm != nil {
				px1, py1 = append(px1, xs.at(p.RatioPercent.Decimal)), append(py1, ys.at(shown.LengthOf(mm.Decimal)))
			}
		}
		d.curve("criterion", px1, py1, dashes[1+k%(len(dashes)-1)], "1.5", "needed by "+words(c))
		ends = append(ends, label{px1[len(px1)-1], py1[len(py1)-1], words(c)})
	}
	d.atEnds(ends, 100*unit)
	var px1, py1 []px
	for _, p := range points {
		px1, py1 = append(px1, xs.at(p.RatioPercent.Decimal)), append(py1, ys.at(shown.LengthOf(p.RequiredMM.Decimal)))
	}
	d.curve("needed", px1, py1, "", "2", "")
	for i, p := range points {
		d.dot(px1[i], py1[i], p.Governs == first.Governs, p.Governs != first.Governs, "point", say(p))
	}
	d.H = bottom + 2*lineHeight + 10*unit
	return d.done()
}

func requiredBy(p service.RatioThickness, criterion string) *service.Plain {
	for _, c := range p.Criteria {
		if c.Criterion == criterion {
			return c.RequiredMM
		}
	}
	return nil
}

func ratioTable(points []service.RatioThickness, criteria []string, shown Shown) PictureTable {
	length := shown.LengthUnit()
	t := PictureTable{Caption: "Required thickness by residual strength ratio", Columns: []PictureColumn{{Head: "Residual strength ratio", Unit: "%", Numeric: true}, {Head: "Required thickness", Unit: length, Numeric: true}}}
	for _, c := range criteria {
		t.Columns = append(t.Columns, PictureColumn{Head: "By " + words(c), Unit: length, Numeric: true})
	}
	t.Columns = append(t.Columns, PictureColumn{Head: "Governs"})
	for _, p := range points {
		row := []string{shown.Plain(p.RatioPercent.Decimal), shown.Length(p.RequiredMM.Decimal)}
		for _, c := range criteria {
			if mm := requiredBy(p, c); mm != nil {
				row = append(row, shown.Length(mm.Decimal))
			} else {
				row = append(row, Unknown)
			}
		}
		t.Rows = append(t.Rows, append(row, words(p.Governs)))
	}
	return t
}
