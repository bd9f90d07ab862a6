package epd

import (
	"errors"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/text/unicode/norm"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// meaning makes a data set of nodes and adds a fault for whatever it cannot use.
type meaning struct {
	faults *faults
	form   Form
	root   *node
	data   DataSet
}

// at is the path of what names lead to from n, whether it is there or not.
func (m *meaning) at(n *node, names ...string) fault.Path {
	for len(names) > 0 {
		next := n.get(names[0])
		if next == nil {
			break
		}
		n, names = next, names[1:]
	}
	path := n.path()
	for _, name := range names {
		if m.form == JSON {
			name = local(name)
		}
		path += fault.Path("/" + name)
	}
	return path
}

func (m *meaning) notice(code, detail string) {
	m.data.Notices = append(m.data.Notices, Notice{code, detail})
}

// text reads a text that people read: on one line, with single spaces, in
// Unicode normalisation form C.
func (m *meaning) text(n *node) string {
	if n == nil {
		return ""
	}
	s := norm.NFC.String(strings.Join(strings.Fields(n.text), " "))
	if strings.ContainsFunc(s, inventory.Unseen) {
		m.faults.add(n.path(), FaultText, "%q: no control characters and no marks of writing direction", shown(s))
	}
	return s
}

// english picks one of the texts of several languages: the English one, else the
// first; nil where there is none. A text without a language is English (ILCD:
// the default of xml:lang).
func english(texts []*node) *node {
	var first *node
	for _, n := range texts {
		if n.text == "" {
			continue
		}
		l := n.get("lang")
		if l == nil || strings.HasPrefix(strings.ToLower(l.text)+"-", "en-") {
			return n
		}
		if first == nil {
			first = n
		}
	}
	return first
}

func (m *meaning) inEnglish(texts []*node) string { return m.text(english(texts)) }

// names of the elements that are read more than once.
var (
	information = []string{"processInformation", "dataSetInformation"}
	times       = []string{"processInformation", "time"}
	publication = []string{"administrativeInformation", "publicationAndOwnership"}
	modelling   = []string{"modellingAndValidation", "LCIMethodAndAllocation"}
)

func below(names []string, more ...string) []string { return slices.Concat(names, more) }

var uuidGrammar = regexp.MustCompile(`^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$`)

func (m *meaning) read(o Options) {
	d := &m.data
	m.identity()
	d.ReferenceYear = m.year(below(times, "common:referenceYear"), false)
	d.ValidUntil = m.year(below(times, "common:dataSetValidUntil"), true)
	m.ownership()
	m.referenceFlow(o)
	m.scenarios()
	m.indicators()
}

func (m *meaning) identity() {
	d := &m.data
	uuid := below(information, "common:UUID")
	if n := m.root.get(uuid...); n != nil {
		d.UUID = strings.ToLower(n.text)
	}
	switch {
	case d.UUID == "":
		m.faults.add(m.at(m.root, uuid...), FaultMissing, "the UUID of the data set is required")
	case !uuidGrammar.MatchString(d.UUID):
		m.faults.add(m.at(m.root, uuid...), FaultText, "%q; accepted: a UUID of 8-4-4-4-12 hexadecimal digits", shown(d.UUID))
	}
	name := below(information, "name", "baseName")
	if d.Name = m.inEnglish(m.root.all(name...)); d.Name == "" {
		m.faults.add(m.at(m.root, name...), FaultMissing, "the data set has no name in any language")
	}
	if n := m.root.get(below(modelling, "typeOfDataSet")...); n != nil && n.text != "EPD" {
		m.faults.add(n.path(), FaultUnknown, "%q; accepted: EPD", shown(n.text))
	}
	if n := m.root.get(below(modelling, "common:other", "epd:subType")...); n != nil && n.text != "" {
		if d.SubType = oneOf(SubTypes(), n.text); d.SubType == "" {
			m.faults.add(n.path(), FaultUnknown, "%q; accepted: %s", shown(n.text), strings.Join(SubTypes(), ", "))
		}
	}
	if d.SubType == Template {
		m.notice(NoticeTemplate, "the data set is a template: its numbers stand for no product")
	}
	if n := m.root.get("processInformation", "geography", "locationOfOperationSupplyOrProduction", "location"); n != nil {
		d.Geography = m.text(n)
	}
}

// year reads a calendar year, 0 where there is none.
func (m *meaning) year(names []string, required bool) int {
	n := m.root.get(names...)
	if n == nil || n.text == "" {
		if required {
			m.faults.add(m.at(m.root, names...), FaultMissing, "a year is required, as in 2031")
		}
		return 0
	}
	year, err := strconv.Atoi(n.text)
	if err != nil || len(n.text) != 4 || year < 1900 || year > 2100 {
		m.faults.add(n.path(), FaultYear, "%q; accepted: a year from 1900 to 2100", shown(n.text))
		return 0
	}
	return year
}

func (m *meaning) ownership() {
	d, p := &m.data, m.root.get(publication...)
	owner := []string{"common:referenceToOwnershipOfDataSet", "common:shortDescription"}
	if d.Owner = m.inEnglish(p.all(owner...)); d.Owner == "" {
		m.faults.add(m.at(m.root, below(publication, owner...)...), FaultMissing, "the owner of the data set is required, by name")
	}
	d.Version = m.text(p.get("common:dataSetVersion"))
	d.RegistrationNumber = m.text(p.get("common:registrationNumber"))
	d.RegistrationAuthority = m.inEnglish(p.all("common:referenceToRegistrationAuthority", "common:shortDescription"))
	d.Licence = m.text(p.get("common:licenseType"))
	if known := oneOf(licences, d.Licence); known != "" {
		d.Licence = known
	}
	if n := p.get("common:copyright"); n != nil {
		switch n.text {
		case "true", "1":
			d.Copyright = true
		case "false", "0", "":
		default:
			m.faults.add(n.path(), FaultUnknown, "%q; accepted: true, false", shown(n.text))
		}
	}
	d.Restrictions = m.inEnglish(p.all("common:accessRestrictions"))
}

// number reads a number, and tells whether there was a good one.
func (m *meaning) number(n *node) (num.Printed, bool) {
	p, err := num.ParsePrinted(n.text)
	if err == nil {
		return p, true
	}
	code := FaultNumber
	if errors.Is(err, num.ErrPrintedRange) {
		code = FaultRange
	}
	m.faults.add(n.path(), code, "%q; %v", shown(n.text), err)
	return p, false
}

// referenceFlow reads the declared unit: the amount of the exchange that the
// data set names as its reference, times what one of its flow is worth in the
// reference unit of its flow property, where the data set says so.
func (m *meaning) referenceFlow(o Options) {
	const quantitative, reference = "quantitativeReference", "referenceToReferenceFlow"
	ids := m.root.all("processInformation", quantitative, reference)
	if len(ids) != 1 {
		m.faults.add(m.at(m.root, "processInformation", quantitative, reference), FaultReference,
			"%d reference flows; accepted: one", len(ids))
		return
	}
	var exchange *node
	count := 0
	for _, e := range m.root.all("exchanges", "exchange") {
		if id := e.get("dataSetInternalID"); id != nil && id.text == ids[0].text {
			exchange = e
			count++
		}
	}
	if count != 1 {
		m.faults.add(m.at(m.root, "exchanges"), FaultReference,
			"%d exchanges have the dataSetInternalID %q of the reference flow; accepted: one", count, shown(ids[0].text))
		return
	}
	m.amount(exchange)
	m.unit(exchange, o)
	property := m.flowProperty(exchange)
	for _, n := range exchange.all("flowProperties") {
		if n != property {
			m.property(n, n.get("meanValue"), n.get("referenceUnit"))
		}
	}
	for _, n := range exchange.all("materialProperties") {
		m.property(n, n, n.get("unit")) // its "value" is its text
	}
}

func (m *meaning) amount(exchange *node) {
	mean, resulting := exchange.get("meanAmount"), exchange.get("resultingAmount")
	n := resulting
	if n == nil {
		n = mean
	}
	if n == nil {
		m.faults.add(m.at(exchange, "resultingAmount"), FaultMissing, "the amount of the reference flow is required")
		return
	}
	p, ok := m.number(n)
	if !ok {
		return
	}
	amount := p.Value
	if mean != nil && mean != n {
		if other, ok := m.number(mean); ok && !other.Value.Equal(amount) {
			m.notice(NoticeAmounts, "the reference flow has a mean amount of "+num.Canonical(other.Value)+
				" and a resulting amount of "+num.Canonical(amount)+", which was taken")
		}
	}
	if property := m.flowProperty(exchange); property != nil {
		if worth := property.get("meanValue"); worth != nil {
			if w, ok := m.number(worth); ok {
				amount = amount.Mul(w.Value)
			}
		}
	}
	if stated := exchange.get("resultingflowAmount"); stated != nil {
		if s, ok := m.number(stated); ok && !s.Value.Equal(amount) {
			m.faults.add(stated.path(), FaultReference, "%s; the amount times the mean value of the flow property is %s",
				num.Canonical(s.Value), num.Canonical(amount))
		}
	}
	if !amount.IsPositive() || amount.GreaterThanOrEqual(tooLarge) {
		m.faults.add(n.path(), FaultRange, "%s of the reference flow; accepted: more than 0 and less than 1E15", num.Canonical(amount))
	}
	m.data.DeclaredUnit.Amount = amount
}

// flowProperty is the reference flow property of an exchange; nil where the
// exchange tells none, as in XML, which leaves it to the flow data set.
func (m *meaning) flowProperty(exchange *node) *node {
	all := exchange.all("flowProperties")
	for _, n := range all {
		if r := n.get("referenceFlowProperty"); r != nil && r.text == "true" || len(all) == 1 {
			return n
		}
	}
	return nil
}

func (m *meaning) unit(exchange *node, o Options) {
	accepted := strings.Join(inventory.DeclaredUnits(), ", ")
	if o.Unit != "" && !slices.Contains(inventory.DeclaredUnits(), o.Unit) {
		m.faults.add("", FaultUnit, "%q was named as the declared unit; accepted: %s", shown(o.Unit), accepted)
		return
	}
	found := o.Unit
	group := english(exchange.all("common:other", "epd:referenceToUnitGroupDataSet", "common:shortDescription"))
	stated := false
	for _, n := range []*node{group, m.flowProperty(exchange).get("referenceUnit")} {
		if n == nil {
			continue
		}
		stated = true
		unit, ok := unitOf(n.text)
		switch {
		case !ok:
			m.faults.add(n.path(), FaultUnit, "%q; accepted: %s", shown(n.text), accepted)
		case found != "" && unit != found:
			m.faults.add(n.path(), FaultUnits, "%s; the reference flow is in %s by another element or by what was named beside the data set", unit, found)
		default:
			found = unit
		}
	}
	if !stated && found == "" {
		m.faults.add(m.at(exchange, "common:other", "epd:referenceToUnitGroupDataSet"), FaultNoUnit,
			"the data set leaves its unit to a flow data set, which is not read; name the declared unit beside the data set, one of %s", accepted)
	}
	m.data.DeclaredUnit.Unit = found
}

// property reads a property where it has a value.
func (m *meaning) property(n, value, unit *node) {
	if value == nil || value.text == "" {
		return
	}
	if p, ok := m.number(value); ok {
		m.data.Properties = append(m.data.Properties, Property{m.inEnglish(n.all("name")), p.Value, m.text(unit)})
	}
}

func (m *meaning) scenarios() {
	for _, n := range m.root.all(below(information, "common:other", "epd:scenarios", "epd:scenario")...) {
		s := Scenario{Name: m.text(n.get("epd:name")), Group: m.text(n.get("epd:group")),
			Description: m.inEnglish(n.all("epd:description"))}
		if d := n.get("epd:default"); d != nil {
			s.Default = d.text == "true" || d.text == "1"
		}
		m.data.Scenarios = append(m.data.Scenarios, s)
	}
}

// results are those of one indicator while they are checked.
type results struct {
	from   *node
	values map[place]num.Printed
	nodes  map[place]*node
}

// place is where a number belongs.
type place struct{ module, scenario string }

func (m *meaning) indicators() {
	found := map[string]*results{}
	for _, n := range m.root.all("LCIAResults", "LCIAResult") {
		name := m.indicator(n)
		if name == "" {
			continue
		}
		if first, twice := found[name]; twice {
			m.faults.add(n.path(), FaultTwice, "%s stands at %s already; accepted: once", name, first.from.path())
			continue
		}
		found[name] = m.results(name, n)
	}
	m.needed(found)
	for _, name := range IndicatorNames() {
		if r := found[name]; r != nil {
			m.checkProduct(name, r)
			m.data.Indicators = append(m.data.Indicators, Indicator{name, r.sorted()})
		}
	}
	m.checkTotal(found)
}

// indicator tells the indicator of a result, empty where it is not of climate.
func (m *meaning) indicator(result *node) string {
	method := result.get("referenceToLCIAMethodDataSet")
	byID, byName := "", ""
	if id := method.get("refObjectId"); id != nil {
		byID = methods[strings.ToLower(id.text)]
	}
	for _, n := range method.all("common:shortDescription") {
		if byName = indicatorOf(n.text); byName != "" {
			break
		}
	}
	switch {
	case byID == "":
		return byName
	case byName != "" && byName != byID && byName != GWP:
		m.faults.add(method.path(), FaultName, "the identifier is that of %s, the name that of %s", byID, byName)
	}
	return byID
}

func (m *meaning) results(name string, n *node) *results {
	m.resultUnit(name, n)
	r := &results{from: n, values: map[place]num.Printed{}, nodes: map[place]*node{}}
	var empty []string
	for _, a := range n.all("common:other", "epd:amount") {
		at := place{}
		written := ""
		if w := a.get("epd:module"); w != nil {
			written = w.text
		}
		module, ok := moduleOf(written)
		if !ok {
			m.faults.add(m.at(a, "epd:module"), FaultModule, "%q; accepted: %s, or a range such as B1-B7",
				shown(written), strings.Join(modules, ", "))
			continue
		}
		at.module, at.scenario = module, m.text(a.get("epd:scenario"))
		if first, twice := r.nodes[at]; twice {
			m.faults.add(a.path(), FaultModules, "%s of %s stands at %s already; accepted: once for each scenario", module, name, first.path())
			continue
		}
		r.nodes[at] = a
		if slices.Contains(notDeclared, a.text) {
			empty = append(empty, module)
			continue
		}
		if p, ok := m.number(a); ok {
			r.values[at] = p
		}
	}
	if len(empty) > 0 {
		m.notice(NoticeEmpty, name+" names modules without a number, which are not declared: "+listed(empty))
	}
	m.product(name, n, r)
	return r
}

func (m *meaning) resultUnit(name string, n *node) {
	units := n.all("common:other", "epd:referenceToUnitGroupDataSet")
	var descriptions []*node
	if len(units) > 0 {
		descriptions = units[0].all("common:shortDescription")
	}
	if len(descriptions) == 0 {
		m.notice(NoticeUnit, name+" has no unit; taken as kg CO2 eq., the unit of EN 15804")
		return
	}
	if !slices.ContainsFunc(descriptions, func(d *node) bool { return isKilogramOfCO2(d.text) }) {
		m.faults.add(descriptions[0].path(), FaultUnit, "%q; accepted: kg CO2 eq.", shown(descriptions[0].text))
	}
}

// product requires A1-A3, as a whole or in its parts.
func (m *meaning) product(name string, n *node, r *results) {
	has := map[string]bool{}
	for at, amount := range r.nodes {
		if !slices.Contains(notDeclared, amount.text) { // a bad number is a fault of its own
			has[at.module] = true
		}
	}
	if has["A1-A3"] || has["A1"] && has["A2"] && has["A3"] {
		return
	}
	var missing []string
	for _, module := range parts {
		if !has[module] {
			missing = append(missing, module)
		}
	}
	m.faults.add(m.at(n, "common:other"), FaultNoModule,
		"%s lacks A1-A3, and of its parts %s; accepted: A1-A3, or all of A1, A2 and A3", name, strings.Join(missing, ", "))
}

// needed requires GWP, or the indicators of EN 15804+A2. GWP-luluc may be left
// out there where it is below 5 % of the total (note to the table of core
// indicators; value from memory).
func (m *meaning) needed(found map[string]*results) {
	at := m.at(m.root, "LCIAResults")
	amended := found[GWPTotal] != nil || found[GWPFossil] != nil || found[GWPBiogenic] != nil || found[GWPLuluc] != nil
	switch {
	case !amended && found[GWP] == nil:
		m.faults.add(at, FaultIndicator, "no result of global warming potential; accepted: %s (EN 15804+A1), or %s with %s and %s (EN 15804+A2), by the identifier of the method or by name",
			GWP, GWPTotal, GWPFossil, GWPBiogenic)
	case amended:
		for _, name := range []string{GWPTotal, GWPFossil, GWPBiogenic} {
			if found[name] == nil {
				m.faults.add(at, FaultIndicator, "%s is missing; EN 15804+A2 has %s, %s and %s", name, GWPTotal, GWPFossil, GWPBiogenic)
			}
		}
	}
}

// checkProduct compares A1-A3 with its parts, where all are given.
func (m *meaning) checkProduct(name string, r *results) {
	for _, at := range r.places() {
		if at.module != "A1-A3" {
			continue
		}
		a1, ok1 := r.values[place{"A1", at.scenario}]
		a2, ok2 := r.values[place{"A2", at.scenario}]
		a3, ok3 := r.values[place{"A3", at.scenario}]
		if ok1 && ok2 && ok3 {
			m.compare(name+" A1-A3", "A1 + A2 + A3", r.nodes[at], r.values[at], a1, a2, a3)
		}
	}
}

// checkTotal compares GWP-total with its parts, in each module that has all.
func (m *meaning) checkTotal(found map[string]*results) {
	total := found[GWPTotal]
	if total == nil {
		return
	}
	var unchecked []string
	for _, at := range total.places() {
		var parts []num.Printed
		for _, name := range []string{GWPFossil, GWPBiogenic, GWPLuluc} {
			if r := found[name]; r != nil {
				if p, ok := r.values[at]; ok {
					parts = append(parts, p)
				}
			}
		}
		if len(parts) < 3 {
			unchecked = append(unchecked, at.module)
			continue
		}
		m.compare(GWPTotal+" "+at.module, "fossil + biogenic + luluc", total.nodes[at], total.values[at], parts...)
	}
	if len(unchecked) > 0 {
		m.notice(NoticeUnchecked, GWPTotal+" could not be compared with fossil + biogenic + luluc, which are not all there, in "+listed(unchecked))
	}
}

func (m *meaning) compare(what, names string, at *node, total num.Printed, parts ...num.Printed) {
	if sumsTo(total, parts) {
		return
	}
	rounding, _ := slack(total, parts)
	m.faults.add(at.path(), FaultSum, "%s is %s, but %s is %s; accepted: a difference of up to %s, half a unit of the last printed digit of each number",
		what, num.Canonical(total.Value), names, num.Canonical(sum(parts)), num.Canonical(rounding))
}

// places lists where there are numbers, in the order of modules and scenarios.
func (r *results) places() []place {
	list := make([]place, 0, len(r.values))
	for at := range r.values {
		list = append(list, at)
	}
	slices.SortFunc(list, func(a, b place) int {
		if c := compareModules(a.module, b.module); c != 0 {
			return c
		}
		return strings.Compare(a.scenario, b.scenario)
	})
	return list
}

func (r *results) sorted() []Value {
	values := make([]Value, 0, len(r.values))
	for _, at := range r.places() {
		values = append(values, Value{at.module, at.scenario, r.values[at].Value})
	}
	return values
}

// listed joins module names, each once, in order.
func listed(names []string) string {
	slices.SortFunc(names, compareModules)
	return strings.Join(slices.Compact(names), ", ")
}
