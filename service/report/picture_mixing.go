package report

import (
	"fmt"

	"github.com/shopspring/decimal"

	"slabledger/service"
)

// StagedMixing draws what goes into each stage of mixing of one cubic metre of concrete,
// for how long it mixes and what comes out. A mix without stages is one.
func StagedMixing(id string, a *service.Result, sources []service.ItemUsed, shown Shown) Picture {
	names := itemNames(sources)
	density, mass, volume := shown.MassPerVolumeUnit(), shown.either("kg", "lb"), shown.either("m³", "yd³")
	cube := "1 " + volume
	d := &drawing{Picture: Picture{ID: id, Title: "Mixing of " + named(a.Name)}, W: fullWidth}
	d.Table = PictureTable{Caption: "Materials by stage of mixing, for " + cube + " of concrete of " + named(a.Name), Columns: []PictureColumn{{Head: "Stage"}, {Head: "Mixer"}, {Head: "Mixing time", Unit: "min", Numeric: true}, {Head: "Material"}, {Head: "Mass", Unit: density, Numeric: true}}}
	stages, planned := a.Mix.Stages, true
	if len(stages) == 0 {
		planned = false
		one := service.StageResult{Name: "mixing", WaterBinderRatio: a.Mix.EffectiveWaterBinderRatio}
		for _, c := range a.Mix.Constituents {
			one.Constituents = append(one.Constituents, service.StageAmount{Item: c.Item, MassKgPerM3: c.MassKgPerM3})
		}
		stages = []service.StageResult{one}
	}
	minutes, total := 0, decimal.Zero
	for _, s := range stages {
		minutes += s.Minutes
		mixer, time := Unknown, Unknown
		if s.Mixer != "" {
			mixer, time = Printable(names(s.Mixer)), shown.Int(s.Minutes)
		}
		for _, c := range s.Constituents {
			total = total.Add(c.MassKgPerM3.Decimal)
			d.Table.Rows = append(d.Table.Rows, []string{Printable(s.Name), mixer, time, Printable(names(c.Item)), shown.full(shown.MassPerVolumeOf(c.MassKgPerM3.Decimal))})
		}
	}
	if len(d.Table.Rows) == 0 {
		d.Description = "The mix has no materials, so there is nothing to draw."
		return d.Picture
	}
	if planned {
		d.Description = fmt.Sprintf("The concrete of %s is mixed in %s", named(a.Name), counted(len(stages), "stage"))
		for i, s := range stages {
			lead := ", then "
			if i == 0 {
				lead = ": "
			}
			taken := decimal.Zero
			for _, c := range s.Constituents {
				taken = taken.Add(c.MassKgPerM3.Decimal)
			}
			d.Description += fmt.Sprintf("%s%s takes %s %s", lead, named(s.Name), shown.MassPerVolume(taken), density)
			if s.Minutes > 0 {
				d.Description += " and mixes " + counted(s.Minutes, "minute")
			}
			if s.WaterBinderRatio != nil {
				d.Description += " at a water/binder ratio of " + shown.Number(s.WaterBinderRatio.Decimal, 2)
			}
		}
		d.Description += fmt.Sprintf("; in all %s for %s %s.", counted(minutes, "minute"), shown.MassPerVolume(total), density)
	} else {
		d.Description = fmt.Sprintf("The concrete of %s is mixed at once, %s %s; the request gives no stages and no times.", named(a.Name), shown.MassPerVolume(total), density)
	}

	const boxLeft, boxRight = 372 * unit, 624 * unit
	const middle = (boxLeft + boxRight) / 2
	y := px(inset)
	for i, s := range stages {
		lines := []string{}
		if s.Mixer != "" {
			lines = append(lines, fitted(names(s.Mixer), boxRight-boxLeft-16*unit), counted(s.Minutes, "minute"))
		}
		if s.WaterBinderRatio != nil {
			lines = append(lines, "water/binder "+shown.Number(s.WaterBinderRatio.Decimal, 2))
		}
		high := max(px(len(s.Constituents))*lineHeight, px(len(lines)+1)*lineHeight) + 14*unit
		d.box("stage", boxLeft, y, boxRight, y+high, "none", "")
		d.add(mark{Kind: "text", Class: "label", X: middle, Y: y + lineHeight, Anchor: "middle", Weight: "bold", Text: bold(s.Name, boxRight-boxLeft-16*unit)})
		for k, line := range lines {
			d.text(middle, y+px(k+2)*lineHeight, "middle", line)
		}
		for k, c := range s.Constituents {
			at := y + px(k)*lineHeight + 18*unit
			d.text(inset+74*unit, at, "end", shown.Number(shown.MassPerVolumeOf(c.MassKgPerM3.Decimal), 1))
			d.text(inset+82*unit, at, "start", fitted(mass+"  "+names(c.Item), boxLeft-inset-120*unit))
		}
		d.curve("brace", []px{boxLeft - 30*unit, boxLeft - 26*unit, boxLeft - 26*unit, boxLeft - 30*unit}, []px{y + 4*unit, y + 4*unit, y + high - 4*unit, y + high - 4*unit}, "", "1", "")
		d.arrow(boxLeft-26*unit, y+high/2, boxLeft, y+high/2)
		y += high
		d.arrow(middle, y, middle, y+30*unit)
		out := shown.Number(s.VolumeM3PerM3.Decimal, 3) + " " + volume
		if i == len(stages)-1 {
			out = cube + " of concrete"
		}
		if !s.VolumeM3PerM3.IsZero() || i == len(stages)-1 {
			d.text(middle+10*unit, y+20*unit, "start", out)
		}
		y += 34 * unit
	}
	d.text(middle, y+8*unit, "middle", shown.Number(shown.MassPerVolumeOf(a.Mix.FreshDensityKgPerM3.Decimal), 0)+" "+density+" fresh")
	d.H = y + 16*unit
	return d.done()
}

// arrow is a straight line with a head.
func (d *drawing) arrow(x1, y1, x2, y2 px) {
	d.rule(x1, y1, x2, y2, "arrow")
	head := px(5 * unit)
	if y1 == y2 {
		d.curve("arrow", []px{x2 - head, x2, x2 - head}, []px{y2 - head, y2, y2 + head}, "", "1", "")
		return
	}
	d.curve("arrow", []px{x2 - head, x2, x2 + head}, []px{y2 - head, y2, y2 - head}, "", "1", "")
}
