package service_test

import (
	"bytes"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/inventory"
	"slabledger/service"
)

// republish publishes the next version of the demo region: its first one, changed.
func republish(t testing.TB, svc *service.Service, change func(items []inventory.Item) []inventory.Item) string {
	t.Helper()
	v, err := svc.Version(t.Context(), "demo", 1)
	if err != nil {
		t.Fatal(err)
	}
	items := slices.Clone(v.Items)
	for i := range items {
		items[i].Factors = maps.Clone(items[i].Factors)
		if items[i].Price != nil {
			price := *items[i].Price
			items[i].Price = &price
		}
	}
	var table bytes.Buffer
	if err := inventory.WriteCSV(&table, change(items)); err != nil {
		t.Fatal(err)
	}
	next, _, err := svc.Import(t.Context(), "demo", v.Meta, &table, "changed")
	if err != nil {
		t.Fatal(err, service.Faults(err))
	}
	return next.Ref().String()
}

func savedDemo(t testing.TB, svc *service.Service) string {
	t.Helper()
	study, err := svc.CreateStudy(t.Context(), nil, service.NewStudy{Name: "Demo", Request: file(t, "../testdata/demo/comparison.json")})
	if err != nil {
		t.Fatal(err)
	}
	return study.ID
}

func rerun(t testing.TB, svc *service.Service, id, to string) *service.RerunResponse {
	t.Helper()
	r, err := svc.Rerun(t.Context(), id, to)
	if err != nil {
		t.Fatal(err, service.Faults(err))
	}
	for _, d := range r.Differences {
		for _, m := range d.Measures {
			sum := decimal.Zero
			for _, p := range m.Parts {
				sum = sum.Add(p.Difference.Decimal)
			}
			if !sum.Equal(m.Difference.Decimal) || !m.After.Sub(m.Before.Decimal).Equal(m.Difference.Decimal) {
				t.Errorf("%s, %s: the parts come to %s, the difference is %s", d.Alternative, m.Measure, sum, m.Difference)
			}
		}
	}
	return r
}

// parts are the parts of a measure by their items, for the first alternative.
func parts(r *service.RerunResponse, measure string) map[string]decimal.Decimal {
	list := map[string]decimal.Decimal{}
	for _, m := range r.Differences[0].Measures {
		if m.Measure == measure {
			for _, p := range m.Parts {
				list[strings.Join(p.Items, "+")+" "+p.Moved] = p.Difference.Decimal
			}
		}
	}
	return list
}

func repriced(code, price string) func([]inventory.Item) []inventory.Item {
	return func(items []inventory.Item) []inventory.Item {
		i := slices.IndexFunc(items, func(it inventory.Item) bool { return it.Code == code })
		items[i].Price.Amount = decimal.RequireFromString(price)
		return items
	}
}

// The part of the first item is the whole difference of a version in which it alone
// moves; that of the second is the rest.
func TestRerunMovesItemByItem(t *testing.T) {
	svc := newService(t)
	id := savedDemo(t, svc)
	alone := rerun(t, svc, id, republish(t, svc, repriced("cement-cem-i", "0.2")))
	both := rerun(t, svc, id, republish(t, svc, func(items []inventory.Item) []inventory.Item {
		return repriced("gravel-20", "0.05")(repriced("cement-cem-i", "0.2")(items))
	}))
	for _, measure := range []string{service.MeasureNPV, service.MeasureInitial} {
		one, two := parts(alone, measure), parts(both, measure)
		if len(one) != 1 || len(two) != 2 || one["cement-cem-i price"].IsZero() || !one["cement-cem-i price"].Equal(two["cement-cem-i price"]) || two["gravel-20 price"].IsZero() {
			t.Errorf("%s: alone %v, both %v", measure, one, two)
		}
	}
	if moved := parts(both, service.MeasureTotalCarbon); len(moved) != 0 {
		t.Errorf("prices moved carbon: %v", moved)
	}
}

// An item that another now consists of comes before it.
func TestRerunWithOtherRecipes(t *testing.T) {
	svc := newService(t)
	id := savedDemo(t, svc)
	to := republish(t, svc, func(items []inventory.Item) []inventory.Item {
		i := slices.IndexFunc(items, func(it inventory.Item) bool { return it.Code == "joint-sawing" })
		k := slices.IndexFunc(items, func(it inventory.Item) bool { return it.Code == items[i].Recipe[0].Item })
		fuel := items[k]
		fuel.Code = "zz-new-part"
		price := *fuel.Price
		price.Amount = price.Amount.Mul(decimal.NewFromInt(2))
		fuel.Price = &price
		items[i].Recipe = slices.Clone(items[i].Recipe)
		items[i].Recipe[0].Item = fuel.Code
		return append(items, fuel)
	})
	r := rerun(t, svc, id, to)
	moved := parts(r, service.MeasureInitial)
	if len(moved) != 1 || slices.Sorted(maps.Keys(moved))[0] != "joint-sawing other" {
		t.Errorf("%v", moved)
	}
}

// Whatever moves, the parts come to the difference, and the end is what the comparison
// on the other version says.
func TestRerunSumsExactly(t *testing.T) {
	svc := newService(t)
	id := savedDemo(t, svc)
	study, err := svc.Study(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(rt *rapid.T) {
		to := republish(t, svc, func(items []inventory.Item) []inventory.Item {
			for n := range rapid.IntRange(1, 5).Draw(rt, "items") {
				code := rapid.SampledFrom(study.Items).Draw(rt, "item")
				i := slices.IndexFunc(items, func(it inventory.Item) bool { return it.Code == code })
				by := decimal.New(rapid.Int64Range(1, 3999).Draw(rt, "by"), -3)
				if n%2 == 0 && items[i].Price != nil {
					items[i].Price.Amount = items[i].Price.Amount.Mul(by).Truncate(12)
					continue
				}
				for key, f := range items[i].Factors {
					items[i].Factors[key] = f.Mul(by).Truncate(12)
				}
			}
			return items
		})
		if to == "demo@1" {
			return
		}
		r := rerun(t, svc, id, to)
		for k, d := range r.Differences {
			for _, m := range d.Measures {
				if m.Measure == service.MeasureTotalCarbon && !m.After.Equal(r.Result.Alternatives[k].Carbon.TotalKgCO2ePerM2.Decimal) ||
					m.Measure == service.MeasureNPV && !m.After.Equal(r.Result.Alternatives[k].Cost.NetPresentValuePerM2.Decimal) {
					rt.Errorf("%s, %s: %s", d.Alternative, m.Measure, m.After)
				}
			}
		}
	})
}
