package inventory

import (
	"fmt"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// band is where the numbers of a category lie. Bounds are wide: what falls outside is
// a slip of a unit or of a decimal point more often than a product. Common practice,
// no source; cement, aggregate, water, steel and transport agree with the published
// factors in testdata/published.
type band struct {
	density [2]string // kg/m3
	gwp     [2]string // of the main factor, kg CO2e per unit
	per     string    // "kg", or a declared unit
}

var bands = map[Category][]band{
	Cement:        {{[2]string{"2700", "3300"}, [2]string{"0.1", "1.2"}, "kg"}},
	SCM:           {{[2]string{"1900", "3100"}, [2]string{"0.0005", "0.6"}, "kg"}},
	Aggregate:     {{[2]string{"1800", "3300"}, [2]string{"0.0005", "0.1"}, "kg"}},
	Water:         {{[2]string{"950", "1050"}, [2]string{"0.00005", "0.005"}, "kg"}},
	Fibre:         {{[2]string{"850", "8000"}, [2]string{"0.3", "10"}, "kg"}},
	Admixture:     {{[2]string{"900", "1700"}, [2]string{"0.1", "6"}, "kg"}},
	Reinforcement: {{[2]string{"1500", "8000"}, [2]string{"0.2", "5"}, "kg"}},
	Base:          {{[2]string{"1400", "2700"}, [2]string{"0.0005", "0.2"}, "kg"}, {gwp: [2]string{"1", "400"}, per: "m3"}, {gwp: [2]string{"0.001", "0.4"}, per: "L"}},
	Energy:        {{gwp: [2]string{"0.002", "1.5"}, per: "kWh"}, {gwp: [2]string{"0.005", "0.15"}, per: "MJ"}},
	Fuel:          {{gwp: [2]string{"0.1", "5"}, per: "L"}, {gwp: [2]string{"100", "5000"}, per: "m3"}, {gwp: [2]string{"0.1", "5"}, per: "kg"}, {gwp: [2]string{"0.005", "0.15"}, per: "MJ"}},
	Operation:     {{gwp: [2]string{"0.05", "200"}, per: "t"}, {gwp: [2]string{"0.00005", "0.2"}, per: "kg"}, {gwp: [2]string{"0.1", "500"}, per: "m3"}, {gwp: [2]string{"0.0001", "0.5"}, per: "L"}},
	Transport:     {{gwp: [2]string{"0.002", "2"}, per: "t.km"}},
	Disposal:      {{gwp: [2]string{"0.0002", "0.5"}, per: "kg"}},
}

// DoubtUnusual is the code of a number that is outside its band.
const DoubtUnusual = "unusual-number"

// Doubts lists numbers that are possible but outside what is usual, so that a unit
// or a decimal point that slipped is seen before it is published. They hinder
// nothing. A factor of zero is a statement, not a slip.
func Doubts(items []Item) (doubts []Problem) {
	for n := range items {
		i := &items[n]
		for _, b := range bands[i.Category] {
			add := func(column string, value decimal.Decimal, unit string, bounds [2]string) {
				if bounds[0] == "" || value.IsZero() {
					return
				}
				low, high := bound(bounds[0]), bound(bounds[1])
				if value.LessThan(low) || value.GreaterThan(high) {
					doubts = append(doubts, Problem{Item: n, Column: column, Code: DoubtUnusual, Found: c(column).Text(i),
						Detail: fmt.Sprintf("%s %s is unusual for %s; usual is %s to %s (common practice, no source): look at the unit and the decimal point", num.Canonical(num.Amount(value)), unit, i.Category, low, high)})
				}
			}
			if i.Density.Valid {
				add("density_kg_per_m3", i.Density.Decimal, "kg/m3", b.density)
			}
			factor, known := i.Factors[i.MainFactor()]
			per, massed := decimal.NewFromInt(1), i.Unit == b.per
			if b.per == "kg" && !massed {
				if m := i.KgPerUnit(); m.Valid && m.Decimal.IsPositive() {
					per, massed = m.Decimal, true
				}
			}
			if known && massed {
				add(FactorColumn(i.MainFactor()), num.Quotient(factor, per), "kg CO2e/"+b.per, b.gwp)
			}
		}
	}
	return doubts
}

// c is a column of the list by its name.
func c(name string) Column { return columns[columnIndex(name)] }

func bound(text string) decimal.Decimal {
	d, err := num.Parse(text)
	if err != nil {
		panic("inventory: band " + text) // written above
	}
	return d
}

// KgPerUnit is the mass in kg of one declared unit, invalid where the item does not
// say. A stated unit mass goes before the density.
func (i *Item) KgPerUnit() decimal.NullDecimal {
	switch {
	case i.Unit == "kg":
		return decimal.NewNullDecimal(decimal.NewFromInt(1))
	case i.Unit == "t":
		return decimal.NewNullDecimal(decimal.NewFromInt(1000))
	case i.UnitMass.Valid:
		return i.UnitMass
	case i.Unit == "m3":
		return i.Density
	case i.Unit == "L" && i.Density.Valid:
		return decimal.NewNullDecimal(i.Density.Decimal.Shift(-3))
	}
	return decimal.NullDecimal{}
}
