package slab

import (
	"slices"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
	"slabledger/lca/unit"
)

// Item is what the bill must know of an inventory item.
type Item struct {
	Code      string
	Index     int // place in the caller's list of items, for the way back from a flow
	Category  string
	Groups    []string            // categories it answers to in a transport rule: its own, and "binder"
	Unit      string              // declared unit
	Density   decimal.NullDecimal // kg/m3
	UnitMass  decimal.NullDecimal // kg per declared unit
	Process   bool                // carries a process factor rather than A1-A3
	OwnA2     bool                // states its own transport to the plant
	OwnA4     bool                // states its own transport to the site
	Delivered bool                // its price contains its transport
	Recipe    []Part
}

// Part of a recipe: Amount of the part's declared unit per declared unit of the
// whole.
type Part struct {
	Item   *Item
	Amount decimal.Decimal
}

// Factor keys that a flow can ask for; those of the inventory.
const (
	FactorProduct = "A1-A3"
	FactorProcess = "process"
	FactorA2      = "A2"
	FactorA4      = "A4"
)

// Flow is an amount of an item that enters the life of the slab once.
type Flow struct {
	Item     *Item
	Factor   string          // which factor of the item applies
	Amount   decimal.Decimal // of Item.Unit, per m2 (in a concrete flow: per m3)
	Module   string          // EN 15804 module: A1, A2, A3, A1-A3, A4, A5, B1…, C1…, D
	Use      string          // where it is used, for people
	Year     int
	Unpriced string // why it has no price of its own; empty where it is priced
	Category string // category whose escalation applies
	At       fault.Path
	Origin   *Origin // how Amount came about; nil unless the builder traces
}

// Origin is how the amount of a flow came about.
type Origin struct {
	Way   Way
	Whole *Flow           // whose part it is, that was wasted, or the product that was hauled
	By    decimal.Decimal // what the whole, or Kg, was multiplied by
	Kg    decimal.Decimal // mass converted or hauled
	Moved string          // the constituent that was hauled; empty for concrete and waste
	First int             // the flow of the bill that is repeated when the slab is built anew
}

// Way is how an amount came about.
type Way int

// Ways.
const (
	OfMass     Way = iota + 1 // Kg in the declared unit
	OfEnergy                  // given, per m3
	OfHaul                    // Kg times By t.km per kg
	OfRecipe                  // Whole times By, of its recipe
	OfWaste                   // Whole times By, the wasted share
	OfProduct                 // taken off
	OfGeometry                // what the declared unit takes of the geometry, times By, the share
	OfRenewal                 // the amount of First again
)

// Leg is one transport rule that matches: so far by that mode, or included.
type Leg struct {
	Mode     *Item           // nil where the transport is declared included
	Distance decimal.Decimal // km
	Reason   string          // of an included transport
	At       fault.Path
}

// Destinations of transport.
const (
	ToPlant    = "plant"
	ToSite     = "site"
	ToDisposal = "disposal"
)

// Rule moves an item, or all items of a category, to a destination.
type Rule struct {
	Item     string
	Category string
	To       string
	Leg
}

// Haul finds the legs for an item: the rules that name it, else those that
// name one of its categories. More than one match are legs one after the
// other, such as rail and then lorry. used records which rules matched.
func Haul(rules []Rule, used []bool, item string, groups []string, to string) []Leg {
	var legs []Leg
	for i, r := range rules {
		if r.To == to && r.Item == item && item != "" {
			legs, used[i] = append(legs, r.Leg), true
		}
	}
	if legs != nil {
		return legs
	}
	for i, r := range rules {
		if r.To != to || r.Category == "" {
			continue
		}
		for _, g := range groups {
			if r.Category == g {
				legs, used[i] = append(legs, r.Leg), true
				break
			}
		}
	}
	return legs
}

func (i *Item) kgPerUnit() decimal.NullDecimal { return unit.KgPer(i.Unit, i.UnitMass, i.Density) }

var (
	thousand   = decimal.New(1000, 0)
	thousandth = decimal.New(1, -3)
)

// FromMass converts kg of the item to its declared unit.
func (i *Item) FromMass(kg decimal.Decimal) (decimal.Decimal, bool) {
	per := i.kgPerUnit()
	if !per.Valid {
		return decimal.Zero, false
	}
	if i.Unit == "kg" {
		return kg, true
	}
	return num.AmountQuotient(kg, per.Decimal), true
}

// FromVolume converts m3 of the item, as it lies, to its declared unit.
func (i *Item) FromVolume(m3 decimal.Decimal) (decimal.Decimal, bool) {
	switch {
	case i.Unit == "m3":
		return m3, true
	case i.Unit == "L":
		return m3.Mul(thousand), true
	case !i.Density.Valid:
		return decimal.Zero, false
	}
	return i.FromMass(m3.Mul(i.Density.Decimal))
}

// FromGeometry is the amount of an operation on one square metre of slab, by
// its declared unit: m2 of slab, m of joint, m3 or t of concrete, each panel.
func (i *Item) FromGeometry(t Takeoff, freshDensity decimal.Decimal) (decimal.Decimal, string) {
	switch i.Unit {
	case "m2":
		return num.One, ""
	case "m":
		if !t.HasJoints {
			return decimal.Zero, "is per metre of joint, but the slab has no joints"
		}
		return t.Joint, ""
	case "each":
		if !t.HasJoints {
			return decimal.Zero, "is per panel, but the slab has no joints"
		}
		return t.Panels, ""
	case "m3":
		return t.Concrete, ""
	case "t":
		return num.Amount(t.Concrete.Mul(freshDensity).Mul(thousandth)), ""
	}
	return decimal.Zero, "is declared per " + i.Unit + ", which no dimension of the slab gives; accepted: m2, m, m3, t, each"
}

// Builder lists flows. Faults and assumptions gather in it.
type Builder struct {
	Rules       []Rule
	Flows       []Flow // per m2
	Concrete    []Flow // per m3 of concrete, waste included
	Faults      fault.List
	Assumptions fault.List
	Used        []bool // which rules moved something
	// OfConcrete is the work whose amount derives from the volume or the mass of the
	// concrete: with another thickness or mix its flows are others.
	OfConcrete []Operation
	// Most bounds the flows per m2: a few recipes on a yearly plan multiply to
	// millions. Beyond it nothing is added and the fault says so, once.
	Most int
	// Traced gives each flow its Origin.
	Traced bool
}

// Operation is work on the slab, as AddOperation was told of it, and its flows:
// Count of them from First on.
type Operation struct {
	Item         *Item
	Factor       string
	Share        decimal.Decimal
	Module       string
	Use          string
	Year         int
	Unpriced     string
	At           fault.Path
	First, Count int
}

// OfConcrete tells whether the amount of an operation derives from the concrete.
func (i *Item) OfConcrete() bool { return i.Unit == "m3" || i.Unit == "t" }

// full tells, and reports once, that so many more flows would be too many.
func (b *Builder) full(more int, at fault.Path) bool {
	if len(b.Flows)+more <= b.Most {
		return false
	}
	if len(b.Flows) <= b.Most {
		b.Faults.Add(at, "compute-budget-exceeded", "the alternative comes to more than %d flows over its life; use fewer events or shorter recipes", b.Most)
		b.Most = -1
	}
	return true
}

// leaves is the number of flows that one use of an item comes to.
func (i *Item) leaves() int {
	if len(i.Recipe) == 0 {
		return 2 // itself, and its own transport
	}
	n := 0
	for _, part := range i.Recipe {
		n += part.Item.leaves()
	}
	return n
}

// maxFlows is many times what a real slab has over a hundred years.
const maxFlows = 5000

// NewBuilder starts a bill with its transport rules.
func NewBuilder(rules []Rule) *Builder {
	return &Builder{Rules: rules, Used: make([]bool, len(rules)), Most: maxFlows}
}

// expand lists an item as flows: itself, or the parts of its recipe.
func expand(flows []Flow, f Flow) []Flow {
	if len(f.Item.Recipe) == 0 {
		if f.Factor == "" {
			f.Factor = FactorProduct
			if f.Item.Process {
				f.Factor = FactorProcess
			}
		}
		if f.Category == "" {
			f.Category = f.Item.Category
		}
		flows = append(flows, f)
		if f.Factor == FactorProduct && f.Module != "A1" && f.Item.OwnA4 {
			f.Factor, f.Unpriced = FactorA4, "the transport of "+f.Item.Code+" is in its delivered price"
			f.Use += ": " + f.Item.Code + " to site, by its own data"
			if f.Module == "A1-A3" {
				f.Module = "A4"
			}
			flows = append(flows, f)
		}
		return flows
	}
	whole := f
	for _, part := range whole.Item.Recipe {
		f.Item, f.Amount = part.Item, num.AmountOf(whole.Amount, part.Amount)
		f.Origin = whole.Origin.part(&whole, part.Amount)
		f.Use = whole.Use + ": " + whole.Item.Code
		flows = expand(flows, f)
	}
	return flows
}

// part is the origin of a share of a flow whose own origin is o.
func (o *Origin) part(whole *Flow, by decimal.Decimal) *Origin {
	if o == nil {
		return nil
	}
	kept := *whole
	return &Origin{Way: OfRecipe, Whole: &kept, By: by}
}

// trace is the origin of a flow where it is asked for.
func (b *Builder) trace(o Origin) *Origin {
	if !b.Traced {
		return nil
	}
	kept := o // only then does it cost an allocation
	return &kept
}

// transport adds the t.km of a mass, in kg, over its legs.
func (b *Builder) transport(flows []Flow, legs []Leg, kg decimal.Decimal, module, use string, year int, moved *Item) []Flow {
	for _, leg := range legs {
		if leg.Mode == nil {
			continue
		}
		f := Flow{Item: leg.Mode, Amount: num.AmountOf(kg, leg.Distance.Shift(-3)), Module: module, Use: use, Year: year, At: leg.At}
		f.Origin = b.trace(Origin{Way: OfHaul, Kg: kg, By: leg.Distance.Shift(-3)})
		if f.Origin != nil && moved != nil {
			f.Origin.Moved = moved.Code
		}
		if moved != nil && moved.Delivered {
			f.Unpriced = "the transport of " + moved.Code + " is in its delivered price"
		}
		flows = expand(flows, f)
	}
	return flows
}

// Material is one constituent of concrete: Mass in kg per m3.
type Material struct {
	Item     *Item
	Mass     decimal.Decimal
	Included bool // its transport is declared included
	Reason   string
	At       fault.Path
}

// Energy is a process used in making the concrete: Amount of its declared unit
// per m3.
type Energy struct {
	Item   *Item
	Amount decimal.Decimal
	Use    string
	At     fault.Path
	Origin *Origin
}

// AddConcrete lists the concrete: constituents (A1), their transport to the
// plant (A2), mixing (A3), transport to the site (A4) and, as A5, the wasted
// share of all of these with its disposal. waste is the wasted fraction;
// disposal may be nil only where it is zero.
func (b *Builder) AddConcrete(t Takeoff, materials []Material, energy []Energy, waste decimal.Decimal, disposal *Item, freshDensity decimal.Decimal, at fault.Path) {
	for i := range energy {
		energy[i].Origin = b.trace(Origin{Way: OfEnergy})
	}
	flows := MadeWith(b.Materials(materials, true), energy)
	legs := Haul(b.Rules, b.Used, "", []string{"concrete"}, ToSite)
	b.include(legs, "concrete", ToSite)
	if len(legs) == 0 {
		b.Faults.Add(at.At("transport"), "transport-missing", "no rule takes the concrete to the site: add {\"category\": \"concrete\", \"to\": \"site\", \"mode\": …, \"distance\": …}")
	}
	flows = b.transport(flows, legs, freshDensity, "A4", "concrete to site", 0, nil)

	if waste.IsPositive() {
		flows = b.addWaste(flows, waste, disposal, freshDensity, at)
	}
	b.Concrete = flows
	b.Flows = make([]Flow, 0, 2*len(flows))
	for _, f := range flows {
		f.Amount = num.AmountOf(f.Amount, t.Concrete)
		b.Flows = append(b.Flows, f)
	}
}

// Materials lists the constituents of concrete per m3 (A1) and, where haul is
// set, their transport to the plant (A2).
func (b *Builder) Materials(materials []Material, haul bool) []Flow {
	flows := make([]Flow, 0, 8*(len(materials)+1))
	for _, m := range materials {
		amount, ok := m.Item.FromMass(m.Mass)
		if !ok {
			b.Faults.Add(m.At.At("item"), "unit-mass-missing", "the inventory declares %s per %s but gives neither density nor mass per unit to convert from kg", m.Item.Code, m.Item.Unit)
			continue
		}
		flows = expand(flows, Flow{Item: m.Item, Amount: amount, Module: "A1", Use: "concrete", At: m.At.At("item"), Origin: b.trace(Origin{Way: OfMass, Kg: m.Mass, Moved: m.Item.Code})})
	}
	if haul {
		for _, m := range materials {
			flows = b.haulToPlant(flows, m)
		}
	}
	return flows
}

// MadeWith adds what making the concrete uses per m3 (A3).
func MadeWith(flows []Flow, energy []Energy) []Flow {
	for _, e := range energy {
		flows = expand(flows, Flow{Item: e.Item, Amount: e.Amount, Module: "A3", Use: e.Use, At: e.At, Origin: e.Origin})
	}
	return flows
}

// addWaste repeats the concrete's flows at 1/(1-w) - 1, as A5, and disposes of
// the wasted mass.
func (b *Builder) addWaste(flows []Flow, waste decimal.Decimal, disposal *Item, freshDensity decimal.Decimal, at fault.Path) []Flow {
	factor, err := WasteFactor(waste)
	if err != nil {
		b.Faults.Add(at.At("slab", "waste", "concrete"), "out-of-range", "all of the concrete cannot be wasted")
		return flows
	}
	share := num.NewMultiplier(factor)
	flows = slices.Grow(flows, len(flows)+4)
	for _, f := range flows[:len(flows):len(flows)] {
		if f.Origin != nil {
			whole := f
			f.Origin = b.trace(Origin{Way: OfWaste, Whole: &whole, By: factor})
		}
		f.Amount, f.Use, f.Module = num.AmountBy(f.Amount, share), "waste: "+f.Use+" ("+f.Module+")", "A5"
		flows = append(flows, f)
	}
	wasted := num.AmountOf(freshDensity, factor)
	amount, ok := disposal.FromMass(wasted)
	pointer := at.At("slab", "waste", "disposal")
	if !ok {
		b.Faults.Add(pointer, "unit-mass-missing", "%s is declared per %s; concrete waste is disposed of by mass (kg or t)", disposal.Code, disposal.Unit)
		return flows
	}
	flows = expand(flows, Flow{Item: disposal, Amount: amount, Module: "A5", Use: "waste: disposal", At: pointer, Origin: b.trace(Origin{Way: OfMass, Kg: wasted})})
	legs := Haul(b.Rules, b.Used, "", []string{"waste"}, ToDisposal)
	if len(legs) == 0 {
		b.Assumptions.Add(pointer, "waste-haul-included", "no rule takes waste to disposal, so its haul is taken to be inside the data of %s", disposal.Code)
	}
	b.include(legs, "waste", ToDisposal)
	return b.transport(flows, legs, wasted, "A5", "waste: to disposal", 0, nil)
}

func (b *Builder) haulToPlant(flows []Flow, m Material) []Flow {
	legs := Haul(b.Rules, b.Used, m.Item.Code, m.Item.Groups, ToPlant)
	switch {
	case len(legs) > 0:
		b.include(legs, m.Item.Code, ToPlant)
		return b.transport(flows, legs, m.Mass, "A2", m.Item.Code+" to plant", 0, m.Item)
	case m.Included:
		b.Assumptions.Add(m.At, "transport-included", "transport of %s to the plant is declared included: %s", m.Item.Code, reason(m.Reason))
	case m.Item.OwnA2:
		amount, ok := m.Item.FromMass(m.Mass)
		if ok {
			return append(flows, Flow{Item: m.Item, Factor: FactorA2, Amount: amount, Module: "A2", Use: m.Item.Code + " to plant, by its own data",
				Unpriced: "the transport of " + m.Item.Code + " is in its delivered price", Category: m.Item.Category, At: m.At.At("item"), Origin: b.trace(Origin{Way: OfMass, Kg: m.Mass, Moved: m.Item.Code})})
		}
	default:
		b.Faults.Add(m.At, "transport-missing", "no rule takes %s (%s) to the plant, and its data state no transport of their own: add a transport rule, or declare \"transport\": \"included\" with a reason", m.Item.Code, m.Item.Category)
	}
	return flows
}

// include notes a transport that is declared included, with its reason.
func (b *Builder) include(legs []Leg, what, to string) {
	for _, leg := range legs {
		if leg.Mode == nil {
			b.Assumptions.Add(leg.At, "transport-included", "transport of %s to the %s is declared included: %s", what, to, reason(leg.Reason))
		}
	}
}

func reason(text string) string {
	if text == "" {
		return "no reason was given"
	}
	return text
}

// AddProduct lists a product that is built in beside the concrete (dowel, tie
// bar, base layer, curing, sealant): its making, as A1-A3, and its transport to
// the site, as A4.
func (b *Builder) AddProduct(item *Item, amount decimal.Decimal, use string, included bool, why string, at fault.Path) {
	legs := Haul(b.Rules, b.Used, item.Code, item.Groups, ToSite)
	f := Flow{Item: item, Amount: num.Amount(amount), Module: "A1-A3", Use: use, At: at, Origin: b.trace(Origin{Way: OfProduct})}
	// Stated legs go before what the item's own data say.
	if len(item.Recipe) > 0 || (item.OwnA4 && len(legs) == 0 && !included) {
		b.Flows = expand(b.Flows, f)
		return
	}
	f.Factor, f.Category = FactorProduct, item.Category
	if item.Process {
		f.Factor = FactorProcess
	}
	b.Flows = append(b.Flows, f)
	switch {
	case len(legs) > 0:
		b.include(legs, item.Code, ToSite)
		per := item.kgPerUnit()
		if !per.Valid && slices.ContainsFunc(legs, func(l Leg) bool { return l.Mode != nil }) {
			b.Faults.Add(at, "unit-mass-missing", "a rule takes %s to the site, but the inventory does not give the mass of one %s of it", item.Code, item.Unit)
			return
		}
		b.Flows = b.transport(b.Flows, legs, f.Amount.Mul(per.Decimal), "A4", item.Code+" to site", 0, item)
	case included:
		b.Assumptions.Add(at, "transport-included", "transport of %s to the site is declared included: %s", item.Code, reason(why))
	default:
		b.Faults.Add(at, "transport-missing", "no rule takes %s (%s) to the site, and its data state no transport of their own: add a transport rule, or declare \"transport\": \"included\" with a reason", item.Code, item.Category)
	}
}

// AddOperation lists work on the slab in a module and a year; its amount
// derives from the geometry through the declared unit, times share. unpriced
// says why it has no price here, or is empty.
func (b *Builder) AddOperation(item *Item, factor string, t Takeoff, freshDensity, share decimal.Decimal, module, use string, year int, unpriced string, at fault.Path) {
	amount, problem := item.FromGeometry(t, freshDensity)
	if problem != "" {
		b.Faults.Add(at, "unit-incompatible", "%s %s", item.Code, problem)
		return
	}
	if b.full(item.leaves(), at) {
		return
	}
	first := len(b.Flows)
	b.Flows = expand(b.Flows, Flow{Item: item, Factor: factor, Amount: num.AmountOf(amount, share), Module: module, Use: use, Year: year, Unpriced: unpriced, At: at, Origin: b.trace(Origin{Way: OfGeometry, By: share})})
	if item.OfConcrete() {
		b.OfConcrete = append(b.OfConcrete, Operation{item, factor, share, module, use, year, unpriced, at, first, len(b.Flows) - first})
	}
}

// Renew repeats in each of some years what was built in year 0, and what the end of
// life takes, as module B4: a replacement counts the making of the new and the
// disposal of the old (EN 15978; from memory). D stays D. At is the member that asks
// for it.
func (b *Builder) Renew(years []int, at fault.Path) {
	once := b.Flows[:len(b.Flows):len(b.Flows)]
	for _, year := range years {
		for i, f := range once {
			beyond := f.Module == "D"
			if f.Year != 0 && !beyond && !strings.HasPrefix(f.Module, "C") {
				continue
			}
			if b.full(1, at) {
				return
			}
			f.Year, f.Use = year, "renewal, year "+strconv.Itoa(year)+": "+f.Use
			f.Origin = b.trace(Origin{Way: OfRenewal, First: i})
			if !beyond {
				f.Module = "B4"
			}
			b.Flows = append(b.Flows, f)
		}
	}
}
