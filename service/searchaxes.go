package service

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// SearchAxis is one choice of a search: variants that are laid over the alternative as
// in a grid, or one text of it by its pointer, at listed values or at every step.
type SearchAxis struct {
	Name     string           `json:"name"`
	Variants []jsontext.Value `json:"variants,omitzero"` // Alternative
	Pointer  string           `json:"pointer,omitzero"`  // within the alternative
	Values   []string         `json:"values,omitzero"`
	From     string           `json:"from,omitzero"`
	To       string           `json:"to,omitzero"`
	Step     string           `json:"step,omitzero"`
}

// parts of an alternative that are computed apart from each other.
type part uint8

const (
	partConcrete  part = 1 << iota // the concrete, per m3
	partThickness                  // how thick the slab is
	partWorks                      // all else
	partWhole                      // adds up only as a whole
)

// choice is an axis made ready.
type choice struct {
	name     string
	at       fault.Path
	variants []layer  // nil of a pointer
	pointer  []string // its steps
	written  string   // the pointer as the request has it
	count    int
	values   []string // nil of steps
	from     decimal.Decimal
	step     decimal.Decimal
	unit     string // behind the number, with the space; of steps, and of values that share one
	numbers  []decimal.Decimal
	numeric  bool // values are numbers of one unit
	parts    part
}

// text is the value of an axis by its place: the name of a variant, or what the
// member says.
func (c *choice) text(i int) string {
	switch {
	case c.variants != nil:
		return c.variants[i].name
	case c.values != nil:
		return c.values[i]
	}
	return num.Canonical(c.number(i)) + c.unit
}

// number is the value of a numeric axis by its place.
func (c *choice) number(i int) decimal.Decimal {
	if c.values != nil {
		return c.numbers[i]
	}
	return c.from.Add(c.step.Mul(decimal.New(int64(i), 0)))
}

// valueAt is where the request has a value.
func (c *choice) valueAt(i int) fault.Path {
	switch {
	case c.variants != nil:
		return c.variants[i].at
	case c.values != nil:
		return c.at.At("values", i)
	}
	return c.at.At("from")
}

// splitQuantity cuts "20 kg/m3" into its number and what stands behind it.
func splitQuantity(text string) (v decimal.Decimal, unit string, err error) {
	number, _, _ := strings.Cut(text, " ")
	v, err = num.Parse(number)
	return v, text[len(number):], err
}

// otherUnit is the place of the first value that is a number with another unit than the
// first has; -1 where there is none. For such an axis its values are but names.
func (c *choice) otherUnit() int {
	if c.values == nil || c.numeric {
		return -1
	}
	if _, _, err := splitQuantity(c.values[0]); err != nil {
		return -1
	}
	return slices.IndexFunc(c.values, func(text string) bool {
		_, unit, err := splitQuantity(text)
		return err == nil && unit != c.unit
	})
}

// maxAxisValues bounds what one axis can have, so that a product of axes is a number.
const maxAxisValues = 1 << 20

// readAxes reads the choices; what is wrong with them gathers in g.faults.
func (q *search) readAxes(axes []SearchAxis) {
	taken, g := map[string]bool{}, &q.grid
	for i, a := range axes {
		c := choice{name: a.Name, at: fault.Path("/axes").At(i), written: a.Pointer}
		g.name(a.Name, taken, c.at.At("name"))
		ways := 0
		for _, given := range []bool{a.Variants != nil, a.Values != nil, a.From != "" || a.To != "" || a.Step != ""} {
			if given {
				ways++
			}
		}
		switch {
		case ways != 1 || (a.Pointer == "") != (a.Variants != nil):
			g.faults.Add(c.at, "one-of", "an axis has variants; or the pointer of a text with values, or with from, to and step")
			continue
		case a.Variants != nil:
			q.readVariants(&c, a.Variants)
		default:
			q.readPointer(&c, a)
		}
		q.choices = append(q.choices, c)
	}
	for i := range q.choices {
		for k := range q.choices[:i] {
			a, b := q.choices[i].written, q.choices[k].written
			if a != "" && b != "" && concern(fault.Path(a), fault.Path(b)) {
				g.faults.Add(q.choices[i].at.At("pointer"), "duplicate-name", "the axis %q writes there too", short(q.choices[k].name))
			}
		}
	}
}

func (q *search) readVariants(c *choice, texts []jsontext.Value) {
	names := map[string]bool{}
	c.count, c.variants = len(texts), make([]layer, len(texts))
	for k, text := range texts {
		at := c.at.At("variants", k)
		c.variants[k] = q.grid.layer(text, at)
		q.grid.name(c.variants[k].name, names, at.At("name"))
		var members map[string]jsontext.Value
		if err := json.Unmarshal(text, &members); err != nil {
			continue // layer has told it
		}
		for name, value := range members {
			c.parts |= q.touches(name, value, at)
		}
	}
}

// touches tells which parts a member of the alternative of a search belongs to.
func (q *search) touches(name string, value jsontext.Value, at fault.Path) part {
	if name == "service" {
		q.grid.faults.Add(at.At(name), "not-used", "all combinations of a search give the service that is asked for, so none has one of its own")
		return 0
	}
	return touched(name, value)
}

// partsOf tells which parts the members of an alternative belong to. What cannot be
// read has been told.
func partsOf(text jsontext.Value) (parts part) {
	var members map[string]jsontext.Value
	if err := json.Unmarshal(text, &members); err != nil {
		return 0
	}
	for name, value := range members {
		parts |= touched(name, value)
	}
	return parts
}

// touched tells which parts a member of an alternative belongs to.
func touched(name string, value jsontext.Value) part {
	switch name {
	case "name", "like":
		return 0
	case "mix":
		return partConcrete
	case "construction", "maintenance", "strategy", "end_of_life", "residual", "service":
		return partWorks
	case "carbonation":
		return partWhole // the thickness ends an uptake
	case "slab":
		var slab map[string]jsontext.Value
		if err := json.Unmarshal(value, &slab); err != nil {
			return partConcrete | partThickness | partWorks
		}
		var parts part
		for name := range slab {
			parts |= touchedOfSlab(name)
		}
		return parts
	}
	return partConcrete | partWorks // transport, and what has no place above
}

func touchedOfSlab(name string) part {
	switch name {
	case "thickness":
		return partThickness
	case "waste":
		return partConcrete
	}
	return partWorks
}

func (q *search) readPointer(c *choice, a SearchAxis) {
	faults := &q.grid.faults
	steps := strings.Split(a.Pointer, "/")
	if steps[0] != "" || len(steps) < 2 {
		faults.Add(c.at.At("pointer"), "pointer-unknown", "%q: a pointer into the alternative begins with \"/\", such as /slab/thickness", short(a.Pointer))
		return
	}
	for _, s := range steps[1:] {
		c.pointer = append(c.pointer, fault.Unescape(s))
	}
	switch {
	case c.pointer[0] == "name" || c.pointer[0] == "like":
		faults.Add(c.at.At("pointer"), "not-used", "the name of a combination is that of its values")
		return
	case c.pointer[0] == "slab" && len(c.pointer) > 1:
		c.parts = touchedOfSlab(c.pointer[1])
	default:
		c.parts = q.touches(c.pointer[0], nil, c.at.At("pointer"))
	}
	if a.Values == nil {
		q.readSteps(c, a)
		return
	}
	c.count, c.values, c.numeric = len(a.Values), a.Values, true
	names := map[string]bool{}
	for i, text := range a.Values {
		q.grid.name(text, names, c.at.At("values", i))
		v, unit, err := splitQuantity(text)
		if i == 0 {
			c.unit = unit
		}
		c.numeric = c.numeric && err == nil && unit == c.unit
		c.numbers = append(c.numbers, v)
	}
}

func (q *search) readSteps(c *choice, a SearchAxis) {
	faults, before := &q.grid.faults, q.grid.faults.Len()
	var to decimal.Decimal
	for _, m := range []struct {
		name, text string
		value      *decimal.Decimal
	}{{"from", a.From, &c.from}, {"to", a.To, &to}, {"step", a.Step, &c.step}} {
		if m.text == "" {
			faults.Add(c.at.At(m.name), "required-member-missing", "values by steps need from, to and step")
			continue
		}
		v, unit, err := splitQuantity(m.text)
		switch {
		case err != nil:
			faults.Add(c.at.At(m.name), "decimal-invalid", "%q: %v", short(m.text), err)
		case m.name == "from":
			c.unit = unit
		case unit != c.unit:
			faults.Add(c.at.At(m.name), "unit-incompatible", "%q: from, to and step have one unit, that of from", short(m.text))
		}
		*m.value = v
	}
	if faults.Len() > before {
		return
	}
	span := to.Sub(c.from)
	switch {
	case !c.step.IsPositive():
		faults.Add(c.at.At("step"), "out-of-range", "a step is more than zero")
	case span.IsNegative():
		faults.Add(c.at.At("to"), "out-of-range", "%s is below %s", short(a.To), short(a.From))
	case span.GreaterThan(c.step.Mul(decimal.New(maxAxisValues, 0))):
		faults.Add(c.at.At("step"), "compute-budget-exceeded", "the axis has more than %d values", maxAxisValues)
	case !span.Mod(c.step).IsZero():
		faults.Add(c.at.At("to"), "out-of-range", "steps of %s from %s do not reach %s", short(a.Step), short(a.From), short(a.To))
	default:
		c.count, c.numeric = int(num.Quotient(span, c.step).IntPart())+1, true
	}
}

// axesKey numbers the values of some axes at a combination; equal where those axes stand
// alike. stride has a zero for the axes that do not count.
type axesKey struct {
	stride []int
	count  int
}

// keyOf numbers the combinations of the axes that are meant.
func (q *search) keyOf(meant func(*choice) bool) axesKey {
	k := axesKey{stride: make([]int, len(q.choices)), count: 1}
	for i := len(q.choices) - 1; i >= 0; i-- {
		if meant(&q.choices[i]) {
			k.stride[i] = k.count
			k.count *= q.choices[i].count
		}
	}
	return k
}

func (k axesKey) of(places []int) int {
	n := 0
	for i, s := range k.stride {
		n += s * places[i]
	}
	return n
}

// places undoes of, with the axes that do not count at their first value.
func (q *search) placesOf(k axesKey, number int) []int {
	places := make([]int, len(q.choices))
	for i, s := range k.stride {
		if s > 0 {
			places[i] = number / s % q.choices[i].count
		}
	}
	return places
}

// nameOf is the name of a combination and the values behind it.
func (q *search) nameOf(places []int) (name string, values []string) {
	for i := range q.choices {
		values = append(values, q.choices[i].text(places[i]))
	}
	return strings.Join(values, separator), values
}

// layersOf lists the layers of a combination, the alternative first.
func (q *search) layersOf(places []int) []*layer {
	list := []*layer{&q.grid.base}
	for i := range q.choices {
		if c := &q.choices[i]; c.variants != nil {
			list = append(list, &c.variants[places[i]])
		}
	}
	return list
}

// resolve is the alternative of a combination, still without its own thickness where
// that follows from a strength.
func (q *search) resolve(places []int) (resolved, []fault.Fault) {
	laid := q.laid.get(q.variantKey.of(places), func() laidOver {
		var l laidOver
		for _, over := range q.layersOf(places) {
			l.resolved.apply(over.text, over.at, &l.faults)
		}
		l.resolved.Like = ""
		return l
	})
	if !laid.faults.Empty() {
		return resolved{}, laid.faults.All()
	}
	a := laid.resolved
	a.Name, _ = q.nameOf(places)
	a.at = combinations.At(q.index(places))
	var faults fault.List
	for i := range q.choices {
		c := &q.choices[i]
		if c.pointer == nil {
			continue
		}
		changed, ok := withText(a.Alternative, c.pointer, c.text(places[i]))
		if !ok {
			faults.Add(c.at.At("pointer"), "pointer-unknown", "%s", c.leadsNowhere())
			continue
		}
		a.Alternative = changed
		if c.pointer[0] == "strategy" { // which takes the place of a plan
			a.Maintenance = nil
		}
		a.ownConstituent(c, q.grid.base.at)
	}
	return a, faults.All()
}

// leadsNowhere says that the alternative has no text where the axis writes.
func (c *choice) leadsNowhere() string {
	detail := fmt.Sprintf("%q leads to no text of the alternative", short(c.written))
	if strings.HasPrefix(c.written, "/mix/add") {
		detail += "; what a mix adds stands at the end of /mix/constituents"
	}
	return detail
}

// ownConstituent has faults of a constituent that an axis writes point at where the
// axis does, so that locate finds the axis.
func (r *resolved) ownConstituent(c *choice, base fault.Path) {
	if len(c.pointer) < 3 || c.pointer[0] != "mix" || (c.pointer[1] != "constituents" && c.pointer[1] != "add") {
		return
	}
	if k, err := strconv.Atoi(c.pointer[2]); err == nil && k < len(r.constituentsAt) {
		r.constituentsAt = slices.Clone(r.constituentsAt)
		r.constituentsAt[k] = base.At("mix", c.pointer[1], k)
	}
}

// laidOver are the variants of a combination over the alternative.
type laidOver struct {
	resolved
	faults fault.List
}

// index numbers a combination, the last axis varying fastest.
func (q *search) index(places []int) int { return q.all.of(places) }

// locate moves the pointer of a fault of a combination to the value or the layer that
// wrote the member.
func (q *search) locate(places []int, p fault.Path) fault.Path {
	layers := q.layersOf(places)
	member, within := strings.CutPrefix(string(p), string(combinations.At(q.index(places))))
	for i := range q.choices {
		c := &q.choices[i]
		if c.pointer == nil {
			continue
		}
		written := func(member string) bool { return member == c.written || strings.HasPrefix(member, c.written+"/") }
		if within && written(member) {
			return c.valueAt(places[i])
		}
		if rest, ok := strings.CutPrefix(string(p), string(q.grid.base.at)); ok && written(rest) {
			return c.valueAt(places[i])
		}
	}
	switch {
	case !within:
		return p
	case member == "":
		return "/axes"
	}
	return writer(layers, member[1:])
}
