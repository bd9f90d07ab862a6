package report

import (
	"fmt"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
	"slabledger/service"
)

// mostSections is how many alternatives are drawn; the table has all.
const mostSections = 8

// section is what is known of the cross-section of one alternative, in mm.
type section struct {
	name         string
	thickness    decimal.Decimal
	width        decimal.Decimal
	layers       []sectionLayer
	joint        string
	dowels       int64
	dowelSpacing decimal.Decimal
	tied         bool
}

type sectionLayer struct {
	name string
	mm   decimal.Decimal
}

// CrossSection draws the slab of each alternative with its layers across the lane, all at
// one scale, the same up and across. Dowels stand at mid-depth at their spacing, centred;
// their diameter, and how deep joints are sawn, no request tells.
func CrossSection(r *service.ComparisonResponse, shown Shown) Picture {
	length := shown.LengthUnit()
	d := &drawing{Picture: Picture{ID: "cross-section", Title: "Cross-sections at one scale"}, W: fullWidth}
	d.Table = PictureTable{Caption: "Slab and layers of each alternative", Columns: []PictureColumn{{Head: "Alternative"}, {Head: "Slab", Unit: length, Numeric: true}, {Head: "Lane width", Unit: length, Numeric: true}, {Head: "Layers, from the top"}, {Head: "Joints"}}}
	names := itemNames(r.Sources)
	var all []section
	for i := range r.Alternatives {
		a := &r.Alternatives[i]
		s := sectionOf(a, names, shown)
		layers := []string{}
		for _, l := range s.layers {
			layers = append(layers, Printable(l.name)+" "+shown.Length(l.mm)+" "+length)
		}
		width := Unknown
		if s.width.IsPositive() {
			width = shown.Length(s.width)
		}
		d.Table.Rows = append(d.Table.Rows, []string{Printable(a.Name), shown.Length(s.thickness), width, strings.Join(layers, "; "), s.joint})
		if s.width.IsPositive() && s.thickness.IsPositive() {
			all = append(all, s)
		}
	}
	if len(all) == 0 {
		d.Description = "No alternative has a lane of known width, so there is nothing to draw."
		return d.Picture
	}
	least, most := all[0], all[0]
	for _, s := range all {
		if s.thickness.LessThan(least.thickness) {
			least = s
		}
		if s.thickness.GreaterThan(most.thickness) {
			most = s
		}
	}
	say := func(s section) string {
		return shown.Length(s.thickness) + " " + length + " (" + named(s.name) + ")"
	}
	if least.thickness.Equal(most.thickness) {
		d.Description = fmt.Sprintf("The slab of %s is %s %s thick.", counted(len(all), "alternative"), shown.Length(least.thickness), length)
	} else {
		d.Description = "The slabs are from " + say(least) + " to " + say(most) + " thick."
	}
	d.Description += " Up and across have the same scale. Dowels are drawn at mid-depth, centred at their spacing, without their diameter; a tie bar is shown at the longitudinal joint. The request does not tell how deep joints are sawn."
	drawn := all
	if n := len(all) - mostSections; n > 0 {
		drawn = slices.Clone(all)
		slices.SortStableFunc(drawn, func(a, b section) int { return baselineFirst(a.name, b.name, r.Comparison.Baseline) })
		drawn = drawn[:mostSections]
		d.Description += fmt.Sprintf(" Drawn are the baseline and the first, %d in all; %d more stand in the table.", len(drawn), n)
	}
	widest := decimal.Zero
	var legend []string
	for _, s := range drawn {
		widest = decimal.Max(widest, s.width)
		for _, l := range s.layers {
			if !slices.Contains(legend, l.name) {
				legend = append(legend, l.name)
			}
		}
	}
	left, right := inset+10*unit, fullWidth-inset-110*unit
	scaled := func(mm decimal.Decimal) px {
		return px(num.Quotient(mm.Mul(decimal.NewFromInt(int64(right-left))), widest).RoundBank(0).IntPart())
	}
	keys := []string{"concrete"}
	for _, l := range legend {
		keys = append(keys, fitted(l, 300*unit))
	}
	y := d.legend(inset, inset, fullWidth-inset, keys, func(n int, x, y px) {
		d.box("key", x, y, x+18*unit, y+13*unit, d.layerFill(n), "")
	}) + 8*unit
	for _, s := range drawn {
		d.add(mark{Kind: "text", Class: "label", X: left, Y: y + 12*unit, Weight: "bold", Text: bold(s.name, right-left)})
		y += lineHeight + 2*unit
		x2 := left + scaled(s.width)
		deep := scaled(s.thickness)
		d.box("slab", left, y, x2, y+deep, d.layerFill(0), named(s.name)+", slab: "+shown.Length(s.thickness)+" "+length)
		d.dimension(x2, y, y+deep, shown.Length(s.thickness)+" "+length)
		middle := y + deep/2
		if s.dowels > 0 && s.dowelSpacing.IsPositive() {
			span := s.dowelSpacing.Mul(decimal.NewFromInt(s.dowels - 1))
			first := num.Quotient(s.width.Sub(span), decimal.NewFromInt(2))
			for k := range min(s.dowels, 200) {
				x := left + scaled(first.Add(s.dowelSpacing.Mul(decimal.NewFromInt(k))))
				d.add(mark{Kind: "circle", Class: "dowel", X: x, Y: middle, W: 3 * unit, Fill: "#FFF", Stroke: "#000", Thick: "1.5", Text: "dowel"})
			}
		}
		if s.tied {
			d.add(mark{Kind: "rect", Class: "tie", X: left - 10*unit, Y: middle - 2*unit, W: 24 * unit, H: 4 * unit, Fill: "#FFF", Stroke: "#000", Thick: "1.5", Text: "tie bar"})
		}
		y += deep
		for _, l := range s.layers {
			deep := scaled(l.mm)
			d.box("layer", left, y, x2, y+deep, d.layerFill(1+slices.Index(legend, l.name)), named(s.name)+", "+named(l.name)+": "+shown.Length(l.mm)+" "+length)
			d.dimension(x2, y, y+deep, shown.Length(l.mm)+" "+length)
			y += deep
		}
		y += 4 * unit
		d.rule(left, y, left, y+8*unit, "axis")
		d.rule(x2, y, x2, y+8*unit, "axis")
		d.rule(left, y+4*unit, x2, y+4*unit, "axis")
		d.text(left, y+lineHeight+4*unit, "start", fitted("lane "+shown.Length(s.width)+" "+length+"; "+s.joint, fullWidth-inset-left))
		y += lineHeight + 18*unit
	}
	d.H = y
	return d.done()
}

// layerFill is the fill of the slab, 0, or of a layer.
func (d *drawing) layerFill(n int) string {
	if n == 0 {
		id := d.ID + "-concrete"
		if !slices.ContainsFunc(d.Patterns, func(p pattern) bool { return p.ID == id }) {
			d.Patterns = append(d.Patterns, pattern{ID: id, Colour: "#DDDDDD"})
		}
		return "url(#" + id + ")"
	}
	return d.fill(n)
}

// dimension writes how deep something is, beside it.
func (d *drawing) dimension(x, y1, y2 px, text string) {
	x += 8 * unit
	d.rule(x-4*unit, y1, x+4*unit, y1, "axis")
	d.rule(x-4*unit, y2, x+4*unit, y2, "axis")
	d.rule(x, y1, x, y2, "axis")
	d.text(x+9*unit, (y1+y2)/2+5*unit, "start", text)
}

func sectionOf(a *service.Result, names func(string) string, shown Shown) section {
	length := shown.LengthUnit()
	s := section{name: a.Name, thickness: a.ThicknessMM.Decimal, joint: "no joints"}
	slab := a.Resolved.Slab
	if slab == nil {
		return s
	}
	if w, ok := a.LaneWidthM(); ok {
		s.width = w.Shift(3)
	}
	for _, l := range slab.Layers {
		if mm, ok := service.LengthMM(l.Thickness); ok {
			s.layers = append(s.layers, sectionLayer{names(l.Item), mm})
		}
	}
	j := slab.Joints
	if j == nil {
		return s
	}
	var parts []string
	if mm, ok := service.LengthMM(j.Spacing); ok {
		parts = append(parts, "joints every "+shown.Length(mm)+" "+length)
	}
	if n := a.Takeoff.DowelsPerTransverseJoint; n != nil && *n > 0 {
		s.dowels = *n
		if mm, ok := service.LengthMM(j.DowelSpacing); ok {
			s.dowelSpacing = mm
			parts = append(parts, fmt.Sprintf("%d dowels every %s %s", *n, shown.Length(mm), length))
		}
	}
	if n := a.Takeoff.TieBarsPerPanel; n != nil && *n > 0 {
		s.tied = true
		parts = append(parts, fmt.Sprintf("%d tie bars a panel", *n))
	}
	s.joint = strings.Join(parts, ", ")
	return s
}
