package inventory_test

import (
	"os"
	"slices"
	"testing"

	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/unit"
)

func demoItems(t *testing.T) []inventory.Item {
	t.Helper()
	f, err := os.Open("../testdata/demo/items.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	items, err := inventory.ReadCSV(f, inventory.Meta{Name: "Demo", Region: "XA", Currency: "EUR"})
	if err != nil {
		t.Fatal(err)
	}
	return items
}

func TestGoodItemsRaiseNoDoubt(t *testing.T) {
	for _, d := range inventory.Doubts(demoItems(t)) {
		t.Errorf("%+v", d)
	}
}

// The bounds themselves are usual: 0.0005 to 0.1 kg CO2e per kg of aggregate, which is
// 0.5 to 100 per t, and a density of 1800 to 3300 kg/m3.
func TestBoundsOfWhatIsUsual(t *testing.T) {
	for _, c := range []struct {
		unit, factor, density string
		doubts                int
	}{
		{"t", "0.5", "1800", 0}, {"t", "100", "3300", 0}, {"kg", "0.1", "2600", 0}, {"t", "0", "2600", 0},
		{"t", "0.499999999999", "2600", 1}, {"t", "100.000000000001", "2600", 1}, {"kg", "0.100000000001", "3300.1", 2}, {"t", "8", "1799.9", 1},
		{"m3", "260", "2600", 0}, {"m3", "260.1", "2600", 1}, // 0.1 per kg by the density
		{"m2", "1000", "2600", 0}, // the mass is not known
	} {
		items := []inventory.Item{{Code: "a", Category: inventory.Aggregate, Unit: c.unit, Density: null(c.density), Factors: factors("A1-A3", c.factor)}}
		if found := inventory.Doubts(items); len(found) != c.doubts {
			t.Errorf("%+v: %d doubts: %+v", c, len(found), found)
		}
	}
}

// In a good file the unit of every item is written as each other unit of its kind,
// one at a time, and every factor is shifted by three places: each is doubted.
//
// What no single number can show is left out here: a factor of energy per kWh that
// is taken for one per MJ, and the other way round, are 3.6 apart, and real factors
// lie farther apart than that.
func TestEverySwappedUnitIsDoubted(t *testing.T) {
	items := demoItems(t)
	kinds := [][]string{{"kg", "t"}, {"L", "m3"}}
	swaps, shifts := 0, 0
	for n, item := range items {
		main, known := item.Factors[item.MainFactor()]
		if !known || main.IsZero() {
			continue
		}
		doubted := func(change func(*inventory.Item)) bool {
			changed := slices.Clone(items)
			changed[n].Factors = map[string]decimal.Decimal{item.MainFactor(): main}
			change(&changed[n])
			return slices.ContainsFunc(inventory.Doubts(changed), func(d inventory.Problem) bool { return d.Item == n })
		}
		for _, kind := range kinds {
			if !slices.Contains(kind, item.Unit) {
				continue
			}
			for _, other := range kind {
				if other == item.Unit {
					continue
				}
				swaps++
				if !doubted(func(i *inventory.Item) { i.Unit = other }) {
					t.Errorf("%s per %s passes for one per %s", item.Code, item.Unit, other)
				}
			}
		}
		switch item.Category {
		case inventory.Operation, inventory.Plant, inventory.Curing, inventory.Sealant:
			continue // made to no measure that a band could hold
		}
		if item.Unit != "kWh" && item.Unit != "MJ" && item.Unit != "t.km" && !unit.KgPer(item.Unit, item.UnitMass, item.Density).Valid && item.Unit != "L" {
			continue // its mass is not stated
		}
		for _, places := range []int32{3, -3} {
			shifts++
			if !doubted(func(i *inventory.Item) { i.Factors[i.MainFactor()] = main.Shift(places) }) {
				t.Errorf("%s: %s shifted by %d places passes", item.Code, main, places)
			}
		}
	}
	if swaps < 15 || shifts < 50 {
		t.Errorf("only %d swaps and %d shifts were tried", swaps, shifts)
	}
}
