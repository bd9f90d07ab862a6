package pages

import (
	"context"
	"fmt"
	"net/http"
	"slices"

	"github.com/labstack/echo/v4"

	"slabledger/inventory"
	"slabledger/service"
)

const (
	// maxListed is how many inventories a page offers, and how many versions of each.
	maxListed, maxVersions = 40, 5
	// maxStudies is how many studies a page offers to copy from.
	maxStudies = 50
)

// refs are the versions that may be chosen: the newest of each inventory, but for those
// that were withdrawn.
func (p *Pages) refs(ctx context.Context) ([]option, error) {
	inventories, err := p.desk.Service.Inventories(ctx, "", maxListed)
	if err != nil {
		return nil, err
	}
	var refs []option
	for _, summary := range inventories {
		versions, err := p.desk.Service.Versions(ctx, summary.Slug)
		if err != nil {
			return nil, err
		}
		withdrawn, err := p.desk.Service.Withdrawn(ctx, summary.Slug)
		if err != nil {
			return nil, err
		}
		count := 0
		for _, v := range versions {
			if _, gone := withdrawn[v.Number]; gone || count == maxVersions {
				continue
			}
			count++
			ref := inventory.Ref{Slug: v.Slug, Number: v.Number}.String()
			refs = append(refs, option{Value: ref, Label: ref + ", " + v.Meta.Name})
		}
	}
	return refs, nil
}

// begin is the page on which a new comparison chooses its inventory.
func (p *Pages) begin(c echo.Context) error {
	ctx := c.Request().Context()
	refs, err := p.refs(ctx)
	if err != nil {
		return err
	}
	studies, err := p.desk.Service.Studies(ctx, service.StudyQuery{StudyFilter: inventory.StudyFilter{Sort: inventory.SortCreated, Descending: true}}, listed)
	if err != nil {
		return err
	}
	return p.Render(c, http.StatusOK, "begin", "Build a comparison", struct {
		Refs    []option
		Studies []inventory.Study
		Demo    bool
	}{refs, studies, p.hasDemo(c)})
}

// sketch is a comparison to start from: two slabs of what an inventory has, and what it
// lacks for them. The amounts are common orders of magnitude, without a source; whoever
// starts from them puts their own in.
func sketch(v *inventory.Version) (doc document, lacks []string) {
	priced := true
	use := func(it *inventory.Item) { priced = priced && (it.Price != nil || len(it.Recipe) > 0) }
	first := func(category inventory.Category, suits func(*inventory.Item) bool) *inventory.Item {
		for i := range v.Items {
			if it := &v.Items[i]; it.Category == category && (suits == nil || suits(it)) {
				use(it)
				return it
			}
		}
		return nil
	}
	lack := func(format string, args ...any) { lacks = append(lacks, fmt.Sprintf(format, args...)) }
	var constituents, transport []any
	vehicle := first(inventory.Transport, nil)
	if vehicle == nil {
		lack("no item of the category transport, for the hauls")
	}
	haul := func(category inventory.Category, to, distance string) {
		if vehicle != nil {
			transport = append(transport, map[string]any{"category": string(category), "to": to, "mode": vehicle.Code, "distance": distance})
		}
	}
	hasVolume := func(it *inventory.Item) bool { return it.Density.Valid }
	add := func(category inventory.Category, distance string, amounts ...string) {
		var found []*inventory.Item
		for i := range v.Items {
			if it := &v.Items[i]; it.Category == category && it.Density.Valid {
				found = append(found, it)
			}
		}
		if len(found) == 0 {
			lack("no item of the category %s with a density, for the mix", category)
			return
		}
		hauled := false
		for i, it := range []*inventory.Item{found[0], found[len(found)-1]} {
			if i >= len(amounts) || i == 1 && len(found) == 1 {
				break
			}
			amount := amounts[i]
			if len(found) == 1 {
				amount = amounts[len(amounts)-1]
			}
			use(it)
			constituents = append(constituents, map[string]any{"item": it.Code, "amount": amount})
			_, own := it.Factors[inventory.FactorA2]
			hauled = hauled || !own
		}
		switch {
		case !hauled:
		case category == inventory.Water:
			transport = append(transport, map[string]any{"category": string(category), "to": "plant", "transport": included, "reason": "piped"})
		default:
			haul(category, "plant", distance)
		}
	}
	add(inventory.Cement, "100 km", "350 kg/m3")
	add(inventory.Water, "", "165 kg/m3")
	add(inventory.Aggregate, "40 km", "1000 kg/m3", "balance")
	haul("concrete", "site", "20 km")
	slab := map[string]any{"thickness": "240 mm"}
	mix := map[string]any{"constituents": constituents, "air": "2 %"}
	if first(inventory.Plant, func(it *inventory.Item) bool { return it.DefaultFor == inventory.DefaultMixing }) == nil {
		if mixer := first(inventory.Plant, func(it *inventory.Item) bool { return it.BatchVolume.Valid }); mixer != nil {
			mix["stages"] = []any{map[string]any{"name": "mixing", "mixer": mixer.Code, "minutes": 2.0, "takes": "rest"}}
		} else {
			lack("no item of the category plant with a batch volume, for mixing")
		}
	}
	brought := func(it *inventory.Item) bool {
		_, own := it.Factors[inventory.FactorA4]
		return own || it.UnitMass.Valid || it.Unit == "kg" || it.Unit == "t"
	}
	if it := first(inventory.Curing, brought); it != nil {
		slab["curing"] = it.Code
		if _, own := it.Factors[inventory.FactorA4]; !own {
			haul(inventory.Curing, "site", "100 km")
		}
	} else {
		lack("no item of the category curing with a mass or a transport of its own")
	}
	if it := first(inventory.Base, hasVolume); it != nil {
		slab["layers"] = []any{map[string]any{"item": it.Code, "thickness": "150 mm"}}
		if _, own := it.Factors[inventory.FactorA4]; !own {
			haul(inventory.Base, "site", "40 km")
		}
	} else {
		lack("no item of the category base with a density, for a layer under the slab")
	}
	second := map[string]any{"name": "second", "like": "first", "slab": map[string]any{"thickness": "220 mm"}}
	if fibre := first(inventory.Fibre, hasVolume); fibre != nil {
		second["mix"] = map[string]any{"add": []any{map[string]any{"item": fibre.Code, "amount": "0.5 % by volume"}}}
		if _, own := fibre.Factors[inventory.FactorA2]; !own && vehicle != nil {
			second["transport"] = append(slices.Clone(transport), map[string]any{"category": "fibre", "to": "plant", "mode": vehicle.Code, "distance": "200 km"})
		}
	} else {
		lack("no item of the category fibre with a density; the second slab differs in thickness alone")
	}
	initial := map[string]any{"name": "first", "mix": mix, "slab": slab}
	if transport != nil {
		initial["transport"] = transport
	}
	doc = document{"inventory": inventory.Ref{Slug: v.Slug, Number: v.Number}.String(), "baseline": "first", "alternatives": []any{initial, second},
		"functional_unit": map[string]any{"area": "1000 m2", "analysis_period_years": 40.0}}
	if priced {
		doc["economics"] = map[string]any{"real_discount_rate": "3 %"}
	} else {
		lack("no price of some of these items, so that the start asks for carbon alone")
	}
	lacks = append(lacks, "joints with their steel, works and maintenance are for you to add")
	return doc, lacks
}
