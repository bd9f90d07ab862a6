package report

import (
	"fmt"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/service"
)

// moduleGroups are the modules of EN 15804 as they are drawn; D stands outside.
var moduleGroups = []struct {
	name string
	of   func(m *service.CarbonModules) []*service.Fixed
}{
	{"A0", func(m *service.CarbonModules) []*service.Fixed { return []*service.Fixed{m.A0} }},
	{"A1-A3", func(m *service.CarbonModules) []*service.Fixed { return []*service.Fixed{m.A1A3} }},
	{"A4", func(m *service.CarbonModules) []*service.Fixed { return []*service.Fixed{m.A4} }},
	{"A5", func(m *service.CarbonModules) []*service.Fixed { return []*service.Fixed{m.A5} }},
	{"B1", func(m *service.CarbonModules) []*service.Fixed { return []*service.Fixed{m.B1} }},
	{"B2-B5", func(m *service.CarbonModules) []*service.Fixed { return []*service.Fixed{m.B2, m.B3, m.B4, m.B5} }},
	{"B6-B8", func(m *service.CarbonModules) []*service.Fixed { return []*service.Fixed{m.B6, m.B7, m.B8} }},
	{"C1-C4", func(m *service.CarbonModules) []*service.Fixed { return []*service.Fixed{m.C1, m.C2, m.C3, m.C4} }},
}

// CarbonByModule draws the carbon of each alternative by groups of modules. Module D lies
// beside the bar, as it counts in no total; what is not declared is named.
func CarbonByModule(r *service.ComparisonResponse, shown Shown) Picture {
	s := stack{id: "carbon-by-module", title: "Carbon by life cycle module", part: "module", shown: shown, of: r}
	used := map[int]bool{}
	for i := range r.Alternatives {
		a := &r.Alternatives[i]
		b := stackBar{name: a.Name, total: &a.Carbon.TotalKgCO2ePerM2.Decimal, beside: valueOf(a.Carbon.BeyondBoundaryDKgCO2ePerM2), note: undeclared(a)}
		for g, group := range moduleGroups {
			var value *decimal.Decimal
			for _, v := range group.of(&a.Carbon.Modules) {
				if v != nil {
					if value == nil {
						value = &decimal.Decimal{}
					}
					*value = value.Add(v.Decimal)
					used[g] = true
				}
			}
			b.parts = append(b.parts, value)
		}
		s.bars = append(s.bars, b)
	}
	for g, group := range moduleGroups {
		s.parts = append(s.parts, group.name)
		s.shownPart = append(s.shownPart, used[g])
	}
	return s.picture()
}

// undeclared names the modules without a declaration.
func undeclared(a *service.Result) string {
	var names []string
	for _, m := range a.Carbon.ModuleStates {
		if m.State == "not_declared" {
			names = append(names, m.Module)
		}
	}
	return strings.Join(names, ", ")
}

// itemsDrawn is how many items have a part of their own; the rest is one.
const itemsDrawn = 6

// CarbonByItem draws the carbon of each alternative by the items that it comes from, the
// largest over all alternatives by name, the rest together.
func CarbonByItem(r *service.ComparisonResponse, shown Shown) Picture {
	s := stack{id: "carbon-by-item", title: "Carbon by item", part: "item", shown: shown, of: r}
	sums := make([]map[string]decimal.Decimal, len(r.Alternatives))
	weights, items := map[string]decimal.Decimal{}, []string{}
	for i := range r.Alternatives {
		sums[i] = map[string]decimal.Decimal{}
		for _, l := range r.Alternatives[i].Carbon.Lines {
			if l.Module == "D" {
				continue
			}
			sums[i][l.Item] = sums[i][l.Item].Add(l.GWPKgCO2ePerM2.Decimal)
			if _, known := weights[l.Item]; !known {
				weights[l.Item] = decimal.Zero
				items = append(items, l.Item)
			}
		}
		for item, sum := range sums[i] {
			weights[item] = weights[item].Add(sum.Abs())
		}
	}
	slices.Sort(items)
	slices.SortStableFunc(items, func(a, b string) int { return weights[b].Cmp(weights[a]) })
	if len(items) == 0 {
		return Picture{ID: s.id, Title: s.title, Description: "The answer has no lines of carbon by item, so there is nothing to draw."}
	}
	largest := items[:min(len(items), itemsDrawn)]
	names := itemNames(r.Sources)
	for _, item := range largest {
		s.parts = append(s.parts, names(item))
		s.shownPart = append(s.shownPart, true)
	}
	if rest := len(items) - len(largest); rest > 0 {
		s.parts = append(s.parts, "other items ("+counted(rest, "item")+")")
		s.shownPart = append(s.shownPart, true)
	}
	for i := range r.Alternatives {
		a := &r.Alternatives[i]
		b := stackBar{name: a.Name, total: &a.Carbon.TotalKgCO2ePerM2.Decimal, note: undeclared(a)}
		rest := decimal.Zero
		for _, item := range items {
			if sum, has := sums[i][item]; !slices.Contains(largest, item) {
				rest = rest.Add(sum)
			} else if has {
				b.parts = append(b.parts, &sum)
			} else {
				b.parts = append(b.parts, nil)
			}
		}
		if len(s.parts) > len(largest) {
			b.parts = append(b.parts, &rest)
		}
		s.bars = append(s.bars, b)
	}
	return s.picture()
}

// itemNames finds the name of an item by its code; the code itself where it has none.
func itemNames(sources []service.ItemUsed) func(code string) string {
	names := make(map[string]string, len(sources))
	for _, s := range sources {
		names[s.Ref[strings.LastIndexByte(s.Ref, '/')+1:]] = s.Name
	}
	return func(code string) string {
		if name := names[code]; name != "" {
			return name
		}
		return code
	}
}

func valueOf(f *service.Fixed) *decimal.Decimal {
	if f == nil {
		return nil
	}
	return &f.Decimal
}

// stack is a picture of bars from left to right, one an alternative, in parts.
type stack struct {
	id, title, part string
	shown           Shown
	of              *service.ComparisonResponse
	parts           []string
	shownPart       []bool // false: no alternative has the part
	bars            []stackBar
}

type stackBar struct {
	name   string
	parts  []*decimal.Decimal // in the order of the parts; nil is not declared, or not there
	total  *decimal.Decimal
	beside *decimal.Decimal // module D
	note   string           // modules that are not declared
}

// mostBars is how many alternatives are drawn; the table has all.
const mostBars = 24

// drawnOf chooses the alternatives that are drawn: all, or the baseline with those of the
// lowest totals, in the order of the request.
func (s *stack) drawnOf() []int {
	order := make([]int, len(s.bars))
	for i := range order {
		order[i] = i
	}
	if len(order) <= mostBars {
		return order
	}
	slices.SortStableFunc(order, func(a, b int) int {
		if at, bt := s.bars[a].name == s.of.Comparison.Baseline, s.bars[b].name == s.of.Comparison.Baseline; at != bt {
			if at {
				return -1
			}
			return 1
		}
		return s.bars[a].total.Cmp(*s.bars[b].total)
	})
	order = order[:mostBars]
	slices.Sort(order)
	return order
}

func (s *stack) picture() Picture {
	head := &s.of.Head
	unitName := s.shown.CarbonUnit(head)
	on := func(i int, v decimal.Decimal) (decimal.Decimal, bool) {
		return s.shown.CarbonOf(head, &s.of.Alternatives[i], v)
	}
	d := &drawing{Picture: Picture{ID: s.id, Title: s.title}, W: fullWidth}
	d.Table = s.table(unitName, on)
	drawn := s.drawnOf()
	lo, hi, known := decimal.Zero, decimal.Zero, 0
	hasBeside := false
	for _, i := range drawn {
		up, down := decimal.Zero, decimal.Zero
		b := &s.bars[i]
		if _, ok := on(i, decimal.Zero); ok {
			known++
		}
		for _, v := range b.parts {
			if v != nil {
				v, _ := on(i, *v)
				up, down = up.Add(decimal.Max(v, decimal.Zero)), down.Add(decimal.Min(v, decimal.Zero))
			}
		}
		if b.beside != nil {
			v, _ := on(i, *b.beside)
			up, down, hasBeside = decimal.Max(up, v), decimal.Min(down, v), true
		}
		lo, hi = decimal.Min(lo, down), decimal.Max(hi, up)
	}
	if known == 0 {
		d.Description = "No alternative has a figure on this basis, so there is nothing to draw."
		return d.Picture
	}
	d.Description = s.description(unitName, drawn, on)

	nameRoom, totalRoom := 165*unit, s.totalRoom(drawn, on)
	left, right := inset+nameRoom+8*unit, fullWidth-inset-totalRoom
	var legend []string
	var fillOf []string
	for p, name := range s.parts {
		if s.shownPart[p] {
			legend, fillOf = append(legend, fitted(name, 270*unit)), append(fillOf, d.fill(len(fillOf)))
		} else {
			fillOf = append(fillOf, "")
		}
	}
	if hasBeside {
		legend = append(legend, "D, beside the total")
	}
	keys := slices.DeleteFunc(slices.Clone(fillOf), func(f string) bool { return f == "" })
	y := d.legend(inset, inset, fullWidth-inset, legend, func(n int, x, y px) {
		if n < len(keys) {
			d.box("key", x, y, x+18*unit, y+13*unit, keys[n], "")
			return
		}
		d.besideBox("key", x, x+18*unit, y+2*unit, y+10*unit, "")
	}) + 10*unit
	top := y
	axis := newScale(lo, hi, left, right, 5)
	const bar, gap = 22 * unit, 12 * unit
	high := px(bar + gap)
	if hasBeside {
		high += 10 * unit
	}
	zero := axis.at(decimal.Zero)
	var bars []mark
	frame := d.Marks
	d.Marks = nil
	for _, i := range drawn {
		b := &s.bars[i]
		label := mark{Kind: "text", Class: "label", X: left - 8*unit, Y: y + 16*unit, Anchor: "end", Text: fitted(b.name, nameRoom)}
		if b.name == s.of.Comparison.Baseline {
			label.Weight, label.Text = "bold", bold(b.name, nameRoom)
		}
		d.add(label)
		if _, ok := on(i, decimal.Zero); !ok {
			d.text(left+4*unit, y+16*unit, "start", "no figure on this basis")
			y += high
			continue
		}
		up, down := decimal.Zero, decimal.Zero
		for p, v := range b.parts {
			if v == nil || v.IsZero() {
				continue
			}
			v, _ := on(i, *v)
			from := up
			if v.IsNegative() {
				from, down = down, down.Add(v)
			} else {
				up = up.Add(v)
			}
			d.box("bar", axis.at(from), y, axis.at(from.Add(v)), y+bar, fillOf[p], fmt.Sprintf("%s, %s: %s %s", named(b.name), named(s.parts[p]), s.shown.Significant(v), unitName))
		}
		total, _ := on(i, *b.total)
		d.text(fullWidth-inset, y+16*unit, "end", s.shown.Significant(total))
		if b.beside != nil {
			v, _ := on(i, *b.beside)
			x := axis.at(v)
			d.besideBox("beside", min(zero, x), max(zero, x), y+bar+2*unit, y+bar+10*unit, fmt.Sprintf("%s, module D: %s %s", named(b.name), s.shown.Significant(v), unitName))
		}
		y += high
	}
	bars, d.Marks = d.Marks, frame
	d.across(axis, y, top-4*unit, unitName, s.shown)
	d.Marks = append(d.Marks, bars...)
	d.rule(zero, top-4*unit, zero, y, "axis")
	d.H = y + 2*lineHeight + 10*unit
	return d.done()
}

// totalRoom is how wide the totals are.
func (s *stack) totalRoom(drawn []int, on func(int, decimal.Decimal) (decimal.Decimal, bool)) px {
	widest := px(0)
	for _, i := range drawn {
		v, _ := on(i, *s.bars[i].total)
		widest = max(widest, widthOf(s.shown.Significant(v)))
	}
	return widest + 14*unit
}

// besideBox is a bar that counts in no total: empty, with a broken outline.
func (d *drawing) besideBox(class string, x1, x2, y1, y2 px, said string) {
	d.add(mark{Kind: "rect", Class: class, X: x1, Y: y1, W: x2 - x1, H: y2 - y1, Fill: "none", Stroke: "currentColor", Thick: "1.5", Dash: "3 2", Text: said})
}

func (s *stack) description(unitName string, drawn []int, on func(int, decimal.Decimal) (decimal.Decimal, bool)) string {
	var b strings.Builder
	low, high := -1, -1
	for i := range s.bars {
		if _, ok := on(i, decimal.Zero); !ok {
			continue
		}
		if low < 0 || s.bars[i].total.LessThan(*s.bars[low].total) {
			low = i
		}
		if high < 0 || s.bars[i].total.GreaterThan(*s.bars[high].total) {
			high = i
		}
	}
	shown := func(i int) string {
		v, _ := on(i, *s.bars[i].total)
		return s.shown.Significant(v) + " " + unitName
	}
	if low == high {
		fmt.Fprintf(&b, "%s emits %s in the declared modules", named(s.bars[low].name), shown(low))
	} else {
		fmt.Fprintf(&b, "Of %s %s emits least, %s in the declared modules, and %s most, %s", counted(len(s.bars), "alternative"), named(s.bars[low].name), shown(low), named(s.bars[high].name), shown(high))
	}
	largest := -1
	for p, v := range s.bars[low].parts {
		if v != nil && (largest < 0 || v.GreaterThan(*s.bars[low].parts[largest])) {
			largest = p
		}
	}
	if largest >= 0 {
		v, _ := on(low, *s.bars[low].parts[largest])
		fmt.Fprintf(&b, "; the largest part of %s is %s, %s %s", named(s.bars[low].name), named(s.parts[largest]), s.shown.Significant(v), unitName)
	}
	b.WriteString(".")
	if notes := s.notes(); notes != "" {
		b.WriteString(" Not declared, and in no total: " + notes + ".")
	}
	if n := len(s.bars) - len(drawn); n > 0 {
		fmt.Fprintf(&b, " Drawn are the baseline and the lowest, %d in all; %d more stand in the table.", len(drawn), n)
	}
	return b.String()
}

// notes names what is not declared: once where it is the same for all.
func (s *stack) notes() string {
	same := true
	for _, b := range s.bars {
		same = same && b.note == s.bars[0].note
	}
	if same {
		return s.bars[0].note
	}
	var parts []string
	for i, b := range s.bars {
		if i == 5 {
			parts = append(parts, "others as in the table")
			break
		}
		if b.note == "" {
			b.note = "none"
		}
		parts = append(parts, named(b.name)+": "+b.note)
	}
	return strings.Join(parts, "; ")
}

func (s *stack) table(unitName string, on func(int, decimal.Decimal) (decimal.Decimal, bool)) PictureTable {
	t := PictureTable{Caption: s.title + " of each alternative", Columns: []PictureColumn{{Head: "Alternative"}}}
	for p, name := range s.parts {
		if s.shownPart[p] {
			t.Columns = append(t.Columns, PictureColumn{Head: Printable(name), Unit: unitName, Numeric: true})
		}
	}
	t.Columns = append(t.Columns, PictureColumn{Head: "Total of declared modules", Unit: unitName, Numeric: true})
	if s.part == "module" {
		t.Columns = append(t.Columns, PictureColumn{Head: "D, in no total", Unit: unitName, Numeric: true}, PictureColumn{Head: "Not declared"})
	}
	for i, b := range s.bars {
		cell := func(v *decimal.Decimal, missing string) string {
			if v == nil {
				return missing
			}
			on, ok := on(i, *v)
			if !ok {
				return Unknown
			}
			return s.shown.whole(on)
		}
		missing := Unknown
		if s.part == "module" {
			missing = notDeclared
		}
		row := []string{Printable(b.name)}
		for p, v := range b.parts {
			if s.shownPart[p] {
				row = append(row, cell(v, missing))
			}
		}
		row = append(row, cell(b.total, Unknown))
		if s.part == "module" {
			note := b.note
			if note == "" {
				note = "none"
			}
			row = append(row, cell(b.beside, notDeclared), note)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}
