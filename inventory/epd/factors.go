package epd

import (
	"fmt"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/num"
)

// Choice is what a data set leaves open.
type Choice struct {
	// Scenarios are names of DataSet.Scenarios or of values, to be taken where a
	// module has several. Without a choice it is the default scenario.
	Scenarios []string
	// Transport takes A4 as a factor too. In an inventory it states that the
	// transport to the site is inside the item's own data, for any site, and such
	// an item is priced delivered; left out, transport is computed from distances.
	Transport bool
}

// Mapping is what an inventory can take from a data set.
type Mapping struct {
	Indicator string                     // GWPTotal, or GWP where it was declared to EN 15804+A1
	Unit      string                     // declared unit, one of inventory.DeclaredUnits
	Factors   map[string]decimal.Decimal // by inventory factor key, kg CO2e per one Unit
	// Data has the last day of the declaration's last year, and the fossil,
	// biogenic and land use parts of A1-A3 where an inventory takes them.
	Data    inventory.FactorData
	Source  inventory.Source
	Unused  []Unused // every other value of the data set
	Notices []Notice // beside those of the data set
}

// Unused is a value that no factor was made of.
type Unused struct {
	Indicator, Module, Scenario string
	Reason                      string
}

// factorKeys maps modules of a declaration to factors of an inventory.
//
// The A2 of a declaration is not here: it is the transport of raw materials to
// the owner's works, inside A1-A3. The A2 of an inventory is the transport of
// the item to the concrete plant.
var factorKeys = map[string]string{
	"A1-A3": inventory.FactorA1A3,
	"A4":    inventory.FactorA4,
	"C1":    inventory.FactorC1,
	"C2":    inventory.FactorC2,
	"C3":    inventory.FactorC3,
	"C4":    inventory.FactorC4,
	"D":     inventory.FactorD,
}

// Factors makes the factors of a material from a data set: each value divided by
// the declared amount (34 digits), then rounded once, half to even, to the 12
// decimals that an inventory holds, with a notice wherever digits are lost.
// A1-A3 is the value printed, or else the exact sum of A1, A2 and A3.
//
// A module is left out, with its reason, where it has several scenarios and
// neither the choice nor one default picks one, and where an inventory takes no
// such value. The error, an *Error, is for a scenario that the data set does not
// have and for a data set without a positive amount or without GWP.
func Factors(ds DataSet, c Choice) (Mapping, error) {
	b := builder{data: ds, choice: c, amount: ds.DeclaredUnit.Amount, chosen: map[string]bool{}, defaults: map[string]bool{}}
	for _, s := range ds.Scenarios {
		b.defaults[s.Name] = s.Default
	}
	for _, name := range c.Scenarios {
		b.chosen[name] = true
	}
	b.out = Mapping{Unit: ds.DeclaredUnit.Unit, Factors: map[string]decimal.Decimal{}}
	main := b.check()
	if err := b.faults.error(""); err != nil {
		return Mapping{}, err
	}
	b.out.Indicator = main.Name
	b.modules(main)
	for _, i := range ds.Indicators {
		switch i.Name {
		case main.Name:
		case GWP:
			b.unused(GWP, "of EN 15804+A1; "+GWPTotal+" of EN 15804+A2 was taken", i.Values...)
			b.notice(NoticeBothSets, "the data set has "+GWP+" and "+GWPTotal+", which are characterised differently; "+GWPTotal+" was taken")
		default:
			b.part(i)
		}
	}
	b.dropParts()
	if ds.ValidUntil > 0 {
		b.out.Data.ValidUntil = fmt.Sprintf("%04d-12-31", ds.ValidUntil)
	}
	b.source()
	return b.out, nil
}

type builder struct {
	data   DataSet
	choice Choice
	amount decimal.Decimal
	// by name of a scenario
	chosen, defaults map[string]bool
	// product is the A1-A3 of GWP-total that was printed and became a factor; nil
	// where none was.
	product *Value

	faults faults
	out    Mapping
}

func (b *builder) notice(code, format string, args ...any) {
	b.out.Notices = append(b.out.Notices, Notice{code, fmt.Sprintf(format, args...)})
}

func (b *builder) unused(indicator, reason string, values ...Value) {
	for _, v := range values {
		b.out.Unused = append(b.out.Unused, Unused{indicator, v.Module, v.Scenario, reason})
	}
}

// check finds the indicator to take and what makes the data set unusable.
func (b *builder) check() Indicator {
	if !b.amount.IsPositive() {
		b.faults.add("", FaultRange, "the amount of the declared unit is more than 0")
	}
	var main Indicator
	known := map[string]bool{}
	for _, s := range b.data.Scenarios {
		known[s.Name] = true
	}
	for _, i := range b.data.Indicators {
		if i.Name == GWPTotal || i.Name == GWP && main.Name == "" {
			main = i
		}
		for _, v := range i.Values {
			known[v.Scenario] = true
		}
	}
	if main.Name == "" {
		b.faults.add("", FaultIndicator, "the data set has neither %s nor %s", GWPTotal, GWP)
	}
	delete(known, "")
	for _, s := range b.choice.Scenarios {
		if !known[s] {
			b.faults.add("", FaultScenario, "%q; accepted: %s", shown(s), scenarioList(known))
		}
	}
	return main
}

func scenarioList(known map[string]bool) string {
	if len(known) == 0 {
		return "none, the data set has no scenarios"
	}
	names := make([]string, 0, len(known))
	for name := range known {
		names = append(names, shown(name))
	}
	slices.Sort(names)
	if len(names) > 20 {
		names = append(names[:20], "…")
	}
	return strings.Join(names, ", ")
}

// modules makes the factors of the main indicator.
func (b *builder) modules(main Indicator) {
	byModule := map[string][]Value{}
	var order []string
	for _, v := range main.Values {
		if byModule[v.Module] == nil {
			order = append(order, v.Module)
		}
		byModule[v.Module] = append(byModule[v.Module], v)
	}
	whole := byModule["A1-A3"] != nil
	if !whole {
		b.sumOfParts(main.Name, byModule)
	}
	for _, module := range order {
		values := byModule[module]
		switch key := factorKeys[module]; {
		case key == inventory.FactorA4 && !b.choice.Transport:
			b.unused(main.Name, "a distance of the owner's choice; an inventory computes transport from distances unless A4 is asked for", values...)
		case key != "":
			if v, ok := b.pick(main.Name, values); ok {
				b.factor(main.Name, key, v)
				if _, made := b.out.Factors[key]; made && key == inventory.FactorA1A3 && main.Name == GWPTotal {
					b.product = &v
				}
			}
		case slices.Contains(parts, module):
			if whole {
				b.unused(main.Name, "inside A1-A3", values...)
			}
		case strings.Contains(module, "-"):
			b.unused(main.Name, "several modules in one; an inventory has them apart", values...)
		default:
			b.unused(main.Name, "not a factor of an item: the comparison says what happens in "+module, values...)
		}
	}
}

var parts = []string{"A1", "A2", "A3"}

// sumOfParts makes A1-A3 where each part has one value that can be taken.
func (b *builder) sumOfParts(indicator string, byModule map[string][]Value) {
	total := Value{Module: "A1-A3"}
	var taken []Value
	for _, module := range parts {
		if v, ok := b.pick(indicator, byModule[module]); ok {
			total.GWP = total.GWP.Add(v.GWP)
			taken = append(taken, v)
		}
	}
	if len(taken) < len(parts) {
		b.unused(indicator, "A1-A3 needs one value of each of its parts", taken...)
		return
	}
	b.unused(indicator, "inside A1-A3", taken...)
	b.notice(NoticeSummed, "%s A1-A3 is the exact sum of A1, A2 and A3", indicator)
	b.factor(indicator, inventory.FactorA1A3, total)
}

// pick takes one value of a module: the only one, that of a chosen scenario, or
// that of the default scenario. The others are unused.
func (b *builder) pick(indicator string, values []Value) (Value, bool) {
	if len(values) == 1 {
		return values[0], true
	}
	among := func(names map[string]bool) (at []int) {
		for i, v := range values {
			if v.Scenario != "" && names[v.Scenario] {
				at = append(at, i)
			}
		}
		return at
	}
	at := among(b.chosen)
	chosen := len(at) > 0
	if !chosen {
		at = among(b.defaults)
	}
	if len(at) != 1 {
		b.unused(indicator, "several scenarios; choose one", values...)
		return Value{}, false
	}
	v := values[at[0]]
	if !chosen {
		b.notice(NoticeScenario, "%s %s is that of the default scenario %q", indicator, v.Module, shown(v.Scenario))
	}
	for i, other := range values {
		if i != at[0] {
			b.unused(indicator, fmt.Sprintf("scenario %q was taken", shown(v.Scenario)), other)
		}
	}
	return v, true
}

// factor keeps a value per one declared unit.
func (b *builder) factor(indicator, key string, v Value) {
	exact := b.perUnit(v)
	factor := num.Amount(exact)
	switch {
	case factor.IsNegative() && key != inventory.FactorD:
		b.unused(indicator, num.Canonical(factor)+" is negative; an inventory takes 0 or more, and less than 0 in D alone", v)
		return
	case factor.Abs().GreaterThanOrEqual(tooLarge):
		b.unused(indicator, "an inventory takes less than 1E15", v)
		return
	}
	b.rounded(indicator, v, exact, factor)
	b.out.Factors[key] = factor
}

func (b *builder) perUnit(v Value) decimal.Decimal {
	if b.amount.Equal(num.One) {
		return v.GWP
	}
	return num.Quotient(v.GWP, b.amount)
}

func (b *builder) rounded(indicator string, v Value, exact, kept decimal.Decimal) {
	if !kept.Equal(exact) {
		b.notice(NoticeRounded, "%s %s is %s per %s; rounded to %s, %d decimals", indicator, v.Module,
			num.Canonical(exact), b.out.Unit, num.Canonical(kept), num.AmountPlaces)
	}
}

// partOf is where an inventory keeps a part of A1-A3.
func (b *builder) partOf(indicator string) *decimal.NullDecimal {
	switch indicator {
	case GWPFossil:
		return &b.out.Data.Fossil
	case GWPBiogenic:
		return &b.out.Data.Biogenic
	}
	return &b.out.Data.LandUse
}

// part keeps the part that belongs to the A1-A3 taken, of the same scenario.
func (b *builder) part(i Indicator) {
	for _, v := range i.Values {
		if b.product == nil || v.Module != b.product.Module || v.Scenario != b.product.Scenario {
			b.unused(i.Name, "part of "+GWPTotal, v)
			continue
		}
		exact := b.perUnit(v)
		kept := num.Amount(exact)
		b.rounded(i.Name, v, exact, kept)
		*b.partOf(i.Name) = decimal.NewNullDecimal(kept)
	}
}

// dropParts leaves out the parts, all of them, where an inventory refuses one or
// their sum: its own rules say so, and are not repeated here.
func (b *builder) dropParts() {
	item := inventory.Item{Category: inventory.Cement, Factors: b.out.Factors, FactorData: b.out.Data}
	for _, p := range inventory.Validate(inventory.Meta{}, []inventory.Item{item}) {
		if !slices.Contains([]string{"gwp_fossil", "gwp_biogenic", "gwp_land_use"}, p.Column) {
			continue
		}
		for _, indicator := range []string{GWPFossil, GWPBiogenic, GWPLuluc} {
			if part := b.partOf(indicator); part.Valid {
				*part = decimal.NullDecimal{}
				b.unused(indicator, "an inventory does not take these parts: "+p.Detail, *b.product)
			}
		}
	}
}

// source names where the factors come from. A generic data set is no product's
// declaration and is called what it is.
func (b *builder) source() {
	d := b.data
	s := inventory.Source{Kind: inventory.EPD, Title: d.Name, Publisher: d.Owner, Year: d.ReferenceYear, Reference: d.RegistrationNumber}
	if d.SubType == Generic {
		s.Kind = inventory.Generic
	}
	if s.Reference == "" {
		s.Reference = strings.TrimSpace("UUID " + d.UUID + " " + d.Version)
	}
	var terms []string
	if d.Licence != "" {
		terms = append(terms, d.Licence)
	}
	if d.Copyright {
		terms = append(terms, "copyright")
	}
	if d.Restrictions != "" {
		terms = append(terms, d.Restrictions)
	}
	s.Licence = strings.Join(terms, "; ")
	for _, field := range []struct {
		name string
		text *string
	}{{"title", &s.Title}, {"publisher", &s.Publisher}, {"reference", &s.Reference}, {"licence", &s.Licence}} {
		if len(*field.text) > inventory.MaxTextBytes {
			*field.text = strings.TrimSpace(cut(*field.text, inventory.MaxTextBytes))
			b.notice(NoticeShortened, "the %s was shortened to %d bytes", field.name, inventory.MaxTextBytes)
		}
	}
	b.out.Source = s
}
