package report

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"slabledger/service"
)

// alternatives tells what is compared: thickness, mix, mixing, cross-section.
func (b *reporter) alternatives() error {
	r := b.r
	b.some("What follows is told")
	rows := b.details(func(a *service.Result) []string { return []string{b.Shown.Length(a.ThicknessMM.Decimal), b.basis(a)} })
	for n, a := range b.detailed {
		if a.Name == r.Comparison.Baseline {
			rows[n][0] += " (baseline)"
		}
	}
	b.table("Thickness of the slab, and on what it rests", []PictureColumn{textual("Alternative"), numeric("Thickness", b.Shown.LengthUnit()), textual("Basis")}, rows)
	if err := b.figure(CrossSection(r, b.Shown)); err != nil {
		return err
	}
	for list := range slices.Chunk(b.detailed, perTable) {
		b.mixes(list)
	}
	var staged []*service.Result // drawn
	alike := map[string][]string{}
	for i, a := range b.detailed {
		if len(a.Mix.Stages) < 2 {
			continue
		}
		if n := slices.IndexFunc(staged, func(o *service.Result) bool { return reflect.DeepEqual(o.Mix.Stages, a.Mix.Stages) }); n >= 0 {
			alike[staged[n].Name] = append(alike[staged[n].Name], a.Name)
			continue
		}
		if len(staged) == mostStaged {
			b.note("More alternatives are mixed in stages; the answer as JSON has their stages.")
			break
		}
		staged = append(staged, a)
		if err := b.figure(StagedMixing(fmt.Sprintf("mixing-%d", i), a, r.Sources, b.Shown)); err != nil {
			return err
		}
	}
	for _, a := range staged {
		if others := alike[a.Name]; len(others) > 0 {
			b.note("Mixed as “" + named(a.Name) + "”: " + names(others) + ".")
		}
	}
	return nil
}

// basis says where the thickness of an alternative is from.
func (b *reporter) basis(a *service.Result) string {
	d := a.ThicknessDesign
	if d == nil {
		return "given by the request, not verified"
	}
	text := "sized by " + Printable(d.Title)
	if d.RequiredMM != nil {
		text += ": " + b.Shown.Number(b.Shown.LengthOf(d.RequiredMM.Decimal), 2) + " " + b.Shown.LengthUnit() + " required"
	}
	if d.Governs != "" {
		text += ", governed by " + Printable(words(d.Governs))
	}
	if d.RoundedByMM != nil {
		text += ", rounded by " + b.Shown.Number(b.Shown.LengthOf(d.RoundedByMM.Decimal), 2) + " " + b.Shown.LengthUnit()
	}
	if !d.Pass {
		text += "; the thickness does NOT satisfy the method"
	}
	return text
}

// mixes writes the mixes of some alternatives side by side.
func (b *reporter) mixes(list []*service.Result) {
	names := map[string]string{}
	for _, s := range b.r.Sources {
		names[s.Ref[strings.LastIndexByte(s.Ref, '/')+1:]] = s.Name
	}
	columns := []PictureColumn{textual("Of the concrete"), textual("Unit")}
	var items []string
	for _, a := range list {
		columns = append(columns, numeric(shownName(a.Name), ""))
		for _, c := range a.Mix.Constituents {
			if !slices.Contains(items, c.Item) {
				items = append(items, c.Item)
			}
		}
	}
	mass := b.Shown.MassPerVolumeUnit()
	var rows [][]string
	row := func(name, unit string, of func(*service.Result) string) {
		cells := []string{name, unit}
		for _, a := range list {
			cells = append(cells, of(a))
		}
		rows = append(rows, cells)
	}
	for _, item := range items {
		name := shownName(item)
		if full, known := names[item]; known {
			name = shownName(full) + " (" + name + ")"
		}
		row(name, mass, func(a *service.Result) string {
			for _, c := range a.Mix.Constituents {
				if c.Item == item {
					return b.Shown.MassPerVolume(c.MassKgPerM3.Decimal)
				}
			}
			return Unknown
		})
	}
	row("Fresh density", mass, func(a *service.Result) string { return b.Shown.MassPerVolume(a.Mix.FreshDensityKgPerM3.Decimal) })
	row("Binder", mass, func(a *service.Result) string { return b.Shown.MassPerVolume(a.Mix.BinderKgPerM3.Decimal) })
	row("Air", "%", func(a *service.Result) string { return b.Shown.Plain(a.Mix.AirPercent.Decimal) })
	row("Effective water/binder", "kg/kg", func(a *service.Result) string {
		if a.Mix.EffectiveWaterBinderRatio == nil {
			return Unknown
		}
		return b.Shown.Significant(a.Mix.EffectiveWaterBinderRatio.Decimal)
	})
	row("Stages of mixing", "", func(a *service.Result) string { return b.Shown.Int(len(a.Mix.Stages)) })
	b.tableOf("kept2", "Mixes", columns, rows)
}
