package inventory

import (
	"fmt"
	"strings"
)

// Codes of problems that only layers can have.
const (
	ProblemLayerUnit    = "layer-unit-conflict" // an item of the base in another unit
	ProblemLayerDiffers = "layer-differs"       // said to be of the base, but not as it is there
)

// Layered lays an inventory's own items over those of the version that it extends,
// by code, and returns the resolved set. An item that is taken over says in Layer
// which version it comes from: that version, or the one it took it from itself.
//
// An item that takes the place of one of the base keeps its unit and its category,
// since recipes and requests count on both. Among the own items may be such as say
// that they are of a layer, as an export writes them; they are the base's own, to
// the last digit. Problems have the index of the own item.
func Layered(base Version, own []Item) (resolved []Item, problems []Problem) {
	below := make(map[string]*Item, len(base.Items))
	for i := range base.Items {
		below[base.Items[i].Code] = &base.Items[i]
	}
	taken := make(map[string]bool, len(own))
	for n, item := range own {
		under := below[item.Code]
		report := func(column, code, found, format string, args ...any) {
			problems = append(problems, Problem{Item: n, Column: column, Code: code, Found: found, Detail: fmt.Sprintf(format, args...)})
		}
		switch {
		case item.Layer != "":
			if under == nil || diffFields(pointer(fromBase(base, *under)), &own[n]) != nil {
				report("layer", ProblemLayerDiffers, item.Layer, "%s has no item %s that is the same in every column; leave the layer empty where the item is your own", base.Ref(), item.Code)
			}
		case under != nil && under.Unit != item.Unit:
			report("unit", ProblemLayerUnit, item.Unit, "%s, as in %s: recipes and requests count on the unit of a code", under.Unit, base.Ref())
		case under != nil && under.Category != item.Category:
			report("category", ProblemLayerUnit, string(item.Category), "%s, as in %s", under.Category, base.Ref())
		}
		taken[item.Code] = true
		resolved = append(resolved, item)
	}
	for _, item := range base.Items {
		if !taken[item.Code] {
			resolved = append(resolved, fromBase(base, item))
		}
	}
	return resolved, problems
}

func pointer[T any](v T) *T { return &v }

// fromBase is an item of the base as it stands in what extends it.
func fromBase(base Version, item Item) Item {
	if item.Layer == "" {
		item.Layer = base.Ref().String()
	}
	return item
}

// DoubtDropped is the code of an own item that says less than the one it takes the
// place of.
const DoubtDropped = "base-item-says-more"

// Dropped lists own items that lack a price or factors which the item of the base has:
// an own item takes the place of all of the base's, and what it leaves out is gone.
func Dropped(base Version, own []Item) (doubts []Problem) {
	below := make(map[string]*Item, len(base.Items))
	for i := range base.Items {
		below[base.Items[i].Code] = &base.Items[i]
	}
	for n := range own {
		under := below[own[n].Code]
		if under == nil || own[n].Layer != "" {
			continue
		}
		var lost []string
		for _, c := range columns {
			if c.Text(under) != "" && c.Text(&own[n]) == "" && (c.Name == "price" || c.Name == "density_kg_per_m3" || strings.HasPrefix(c.Name, "gwp_") || c.Name == "batch_volume_m3" || c.Name == "recipe") {
				lost = append(lost, c.Name)
			}
		}
		if lost != nil {
			doubts = append(doubts, Problem{Item: n, Column: lost[0], Code: DoubtDropped,
				Detail: fmt.Sprintf("this item takes the place of the one of %s, which states %s; here they are empty, so there are none", base.Ref(), strings.Join(lost, ", "))})
		}
	}
	return doubts
}

// Own lists the items that an inventory has of its own.
func Own(items []Item) (own []Item) {
	for _, item := range items {
		if item.Layer == "" {
			own = append(own, item)
		}
	}
	return own
}

// Ref is the version's name, slug@n.
func (v Version) Ref() Ref { return Ref{Slug: v.Slug, Number: v.Number} }
