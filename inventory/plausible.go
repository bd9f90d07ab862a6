package inventory

import (
	"fmt"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
	"slabledger/lca/unit"
)

// band is where the numbers of a category lie. Bounds are wide: what falls outside is
// a slip of a unit or of a decimal point more often than a product. Common practice,
// no source; cement, aggregate, water, steel and transport agree with the published
// factors in testdata/published.
type band struct {
	density bounds // kg/m3
	gwp     bounds // of the main factor, kg CO2e per unit
	per     string // "kg", or a declared unit
}

// bounds of what is usual; the zero value has none.
type bounds struct{ low, high decimal.NullDecimal }

var bands = map[Category][]band{
	Cement:        {{usual("2700", "3300"), usual("0.1", "1.2"), "kg"}},
	SCM:           {{usual("1900", "3100"), usual("0.0005", "0.6"), "kg"}},
	Aggregate:     {{usual("1800", "3300"), usual("0.0005", "0.1"), "kg"}},
	Water:         {{usual("950", "1050"), usual("0.00005", "0.005"), "kg"}},
	Fibre:         {{usual("850", "8000"), usual("0.3", "10"), "kg"}},
	Admixture:     {{usual("900", "1700"), usual("0.1", "6"), "kg"}},
	Reinforcement: {{usual("1500", "8000"), usual("0.2", "5"), "kg"}},
	Base:          {{usual("1400", "2700"), usual("0.0005", "0.2"), "kg"}, {gwp: usual("1", "400"), per: "m3"}, {gwp: usual("0.001", "0.4"), per: "L"}},
	Energy:        {{gwp: usual("0.002", "1.5"), per: "kWh"}, {gwp: usual("0.005", "0.15"), per: "MJ"}},
	Fuel:          {{gwp: usual("0.1", "5"), per: "L"}, {gwp: usual("100", "5000"), per: "m3"}, {gwp: usual("0.1", "5"), per: "kg"}, {gwp: usual("0.005", "0.15"), per: "MJ"}},
	Operation:     {{gwp: usual("0.05", "200"), per: "t"}, {gwp: usual("0.00005", "0.2"), per: "kg"}, {gwp: usual("0.1", "500"), per: "m3"}, {gwp: usual("0.0001", "0.5"), per: "L"}},
	Transport:     {{gwp: usual("0.002", "2"), per: "t.km"}},
	Disposal:      {{gwp: usual("0.0002", "0.5"), per: "kg"}},
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
			add := func(column string, value decimal.Decimal, unit string, b bounds) {
				doubts = append(doubts, Problem{Item: n, Column: column, Code: DoubtUnusual, Found: c(column).Text(i),
					Detail: fmt.Sprintf("%s %s is unusual for %s; usual is %s to %s (common practice, no source): look at the unit and the decimal point", num.Canonical(num.Amount(value)), unit, i.Category, b.low.Decimal, b.high.Decimal)})
			}
			if i.Density.Valid && b.density.exclude(i.Density.Decimal, num.One) {
				add("density_kg_per_m3", i.Density.Decimal, "kg/m3", b.density)
			}
			factor, known := i.Factors[i.MainFactor()]
			per, massed := num.One, i.Unit == b.per
			if b.per == "kg" && !massed {
				if m := unit.KgPer(i.Unit, i.UnitMass, i.Density); m.Valid && m.Decimal.IsPositive() {
					per, massed = m.Decimal, true
				}
			}
			if known && massed && b.gwp.exclude(factor, per) {
				add(FactorColumn(i.MainFactor()), num.Quotient(factor, per), "kg CO2e/"+b.per, b.gwp)
			}
		}
	}
	return doubts
}

// c is a column of the list by its name.
func c(name string) Column { return columns[columnIndex(name)] }

// exclude tells whether amount/per lies outside. It multiplies, which is exact.
func (b bounds) exclude(amount, per decimal.Decimal) bool {
	if !b.low.Valid || amount.IsZero() {
		return false
	}
	return amount.LessThan(b.low.Decimal.Mul(per)) || amount.GreaterThan(b.high.Decimal.Mul(per))
}

func usual(low, high string) bounds {
	bound := func(text string) decimal.NullDecimal {
		d, err := num.Parse(text)
		if err != nil {
			panic("inventory: band " + text) // written above
		}
		return decimal.NewNullDecimal(d)
	}
	return bounds{bound(low), bound(high)}
}
