package inventory

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/shopspring/decimal"
	"golang.org/x/text/currency"
	"golang.org/x/text/unicode/norm"

	"slabledger/lca/num"
)

// Limits of an inventory.
const (
	MaxNameBytes   = 200  // of a name, in UTF-8
	MaxTextBytes   = 1000 // of any other free text, in UTF-8
	MaxRecipeParts = 50   // of one recipe
	MaxRecipeFlows = 200  // that a recipe comes to when recipes inside it are followed
	MaxRecipeDepth = 4    // recipes inside recipes: 1 is a recipe of plain items
)

// Problem is one thing wrong in an inventory.
type Problem struct {
	Item   int    // index in the list given, -1 where Meta is meant
	Column string // as in Columns; "name", "region" or "currency" of Meta
	Code   string // stable, for programs: one of the Problem… constants
	Found  string // the value that is wrong, empty where one is missing
	Detail string // for people: what is accepted
}

// Codes of problems.
const (
	ProblemSlug       = "slug-invalid"
	ProblemDuplicate  = "duplicate-code"
	ProblemText       = "text-invalid"
	ProblemUnknown    = "value-unknown"       // not in the closed list
	ProblemUnit       = "unit-unknown"        // not a declared unit
	ProblemCurrency   = "currency-unknown"    // not in ISO 4217
	ProblemMismatch   = "currency-mismatch"   // not the inventory's own currency
	ProblemRegion     = "region-invalid"      // not of the form of ISO 3166
	ProblemMissing    = "value-missing"       // required here
	ProblemNotAllowed = "value-not-allowed"   // has no meaning for such an item
	ProblemRange      = "number-out-of-range" // sign, size or digits
	ProblemNumber     = "decimal-invalid"     // not a plain decimal
	ProblemDate       = "date-invalid"        // not a day of the calendar
	ProblemForm       = "form-invalid"        // not in the form of the column, such as a spread
	ProblemRecipe     = "recipe-invalid"      // not a list of code=amount
	ProblemPart       = "recipe-part-unknown" // no such item
	ProblemCycle      = "recipe-cycle"        // a recipe that contains itself
	ProblemDepth      = "recipe-too-deep"     // more than MaxRecipeDepth
	ProblemFlows      = "recipe-too-large"    // more than MaxRecipeFlows
	ProblemDefault    = "default-ambiguous"   // more than one item is the default
)

const maxSlug = 63

const slugRule = "1 to 63 of a-z, 0-9, dot and hyphen, beginning with a letter or digit"

var (
	regionGrammar = regexp.MustCompile(`^[A-Z]{2}(-[A-Z0-9]{1,3})?$`)
	maximum       = decimal.New(1, 15) // every number is below
	errParts      = fmt.Errorf("a recipe has at most %d parts", MaxRecipeParts)
)

// ValidSlug tells whether a text can be the slug of an inventory or the code of
// an item.
func ValidSlug(s string) bool {
	if s == "" || len(s) > maxSlug {
		return false
	}
	for n := range len(s) {
		c := s[n]
		plain := c >= 'a' && c <= 'z' || c >= '0' && c <= '9'
		if !plain && (n == 0 || c != '.' && c != '-') {
			return false
		}
	}
	return true
}

// ParseRef reads slug@n; false where the text is no such reference.
func ParseRef(text string) (Ref, bool) {
	slug, number, found := strings.Cut(text, "@")
	n, err := strconv.Atoi(number)
	if !found || err != nil || n < 1 || strconv.Itoa(n) != number || !ValidSlug(slug) {
		return Ref{}, false
	}
	return Ref{Slug: slug, Number: n}, true
}

// ValidRef tells whether a text names a published version.
func ValidRef(text string) bool {
	_, ok := ParseRef(text)
	return ok
}

// String is slug@n.
func (r Ref) String() string { return r.Slug + "@" + strconv.Itoa(r.Number) }

// Validate checks all rules of an inventory and returns everything wrong, in
// the order of the items. An item may lack its price, its factors or both: that
// matters only to who uses it.
func Validate(m Meta, items []Item) []Problem {
	var problems []Problem
	validate(m, items, func(p Problem) { problems = append(problems, p) })
	return problems
}

// validate reports each problem as it is found, so that a caller with a cap
// need not hold millions of them.
func validate(m Meta, items []Item, report func(Problem)) {
	v := validator{meta: m, items: items, report: report,
		byCode: make(map[string]int, len(items)), count: map[string]int{},
		defaults: map[string]int{}, depths: map[string]int{}, flows: map[string]int{}}
	v.checkMeta()
	for n := range items {
		code := items[n].Code
		if _, again := v.byCode[code]; !again {
			v.byCode[code] = n
		} else {
			v.count[code] = max(v.count[code], 1) + 1
		}
		if items[n].DefaultFor != "" {
			v.defaults[items[n].DefaultFor]++
		}
	}
	for n := range items {
		v.checkItem(n)
	}
}

type validator struct {
	meta     Meta
	items    []Item
	report   func(Problem)
	byCode   map[string]int // first item of a code
	count    map[string]int // items of a code that stands on several
	defaults map[string]int // items of a DefaultFor
	depths   map[string]int // of recipes; inProgress while a recipe is followed
	flows    map[string]int // that recipes come to, at most MaxRecipeFlows+1
	cycles   int            // found so far
	at       int
}

func (v *validator) add(column, code, found, format string, args ...any) {
	v.report(Problem{Item: v.at, Column: column, Code: code, Found: found, Detail: fmt.Sprintf(format, args...)})
}

func (v *validator) checkMeta() {
	v.at = -1
	v.text("name", v.meta.Name, MaxNameBytes, true)
	if !regionGrammar.MatchString(v.meta.Region) {
		v.add("region", ProblemRegion, v.meta.Region, `an ISO 3166-1 alpha-2 or ISO 3166-2 code, as in "XA" or "XA-01"`)
	}
	v.currency("currency", v.meta.Currency)
	if v.meta.Extends != "" && !ValidRef(v.meta.Extends) {
		v.add("extends", ProblemSlug, v.meta.Extends, "a published version, as in demo@3")
	}
}

func (v *validator) checkItem(n int) {
	v.at = n
	i := &v.items[n]
	if !ValidSlug(i.Code) {
		v.add("code", ProblemSlug, i.Code, slugRule)
	} else if v.count[i.Code] > 1 {
		v.add("code", ProblemDuplicate, i.Code, "the code stands on %d items; a code is unique", v.count[i.Code])
	}
	v.oneOf("category", string(i.Category), true, categories...)
	v.text("name", i.Name, MaxNameBytes, true)
	if !slices.Contains(declaredUnits, i.Unit) {
		v.add("unit", ProblemUnit, i.Unit, "one of %s", strings.Join(declaredUnits, ", "))
	}
	v.checkNumbers(i)
	v.checkUse(i)
	if i.Price != nil {
		v.checkPrice(i.Price)
	}
	v.checkFactors(i)
	v.factorData(i)
	v.checkRecipe(i)
	v.text("note", i.Note, MaxTextBytes, false)
	if i.Layer != "" && !ValidRef(i.Layer) {
		v.add("layer", ProblemSlug, i.Layer, "a published version, as in demo@3")
	} else if i.Layer != "" && v.meta.Extends == "" {
		v.add("layer", ProblemNotAllowed, i.Layer, "only an inventory that extends another has items of other layers")
	}
}

func (v *validator) checkNumbers(i *Item) {
	v.positive("density_kg_per_m3", i.Density)
	v.positive("unit_mass_kg", i.UnitMass)
	if i.UnitMass.Valid && (i.Unit == "kg" || i.Unit == "t") {
		v.add("unit_mass_kg", ProblemNotAllowed, num.Canonical(i.UnitMass.Decimal), "the mass of a %s is known", i.Unit)
	}
	if s := i.Solids; s.Valid {
		if i.Category != Admixture {
			v.add("solids_percent", ProblemNotAllowed, num.Canonical(s.Decimal), "only an admixture states its solids")
		}
		if v.number("solids_percent", s.Decimal) && (s.Decimal.IsNegative() || s.Decimal.GreaterThan(num.Hundred)) {
			v.add("solids_percent", ProblemRange, num.Canonical(s.Decimal), "0 to 100")
		}
	}
	v.positive("batch_volume_m3", i.BatchVolume)
	if i.BatchVolume.Valid && (i.Category != Plant || i.Unit != "h") {
		v.add("batch_volume_m3", ProblemNotAllowed, num.Canonical(i.BatchVolume.Decimal), "only plant that is declared per h has a batch volume")
	}
}

func (v *validator) checkUse(i *Item) {
	if v.oneOf("module", i.Module, false, "B1", "B2", "B3", "B4", "B5") && !i.Category.IsProcess() {
		v.add("module", ProblemNotAllowed, i.Module, "only a process names a module")
	}
	if v.oneOf("boundary", i.Boundary, false, WellToWheel, TankToWheel) &&
		i.Category != Transport && i.Category != Fuel && i.Category != Energy {
		v.add("boundary", ProblemNotAllowed, i.Boundary, "only transport, fuel and energy have a boundary")
	}
	if v.oneOf("default_for", i.DefaultFor, false, DefaultMixing, DefaultWasteDisposal) {
		if want := map[string]Category{DefaultMixing: Plant, DefaultWasteDisposal: Disposal}[i.DefaultFor]; i.Category != want {
			v.add("default_for", ProblemNotAllowed, i.DefaultFor, "only an item of category %s", want)
		}
		if n := v.defaults[i.DefaultFor]; n > 1 {
			v.add("default_for", ProblemDefault, i.DefaultFor, "%d items claim it; at most one may", n)
		}
	}
}

func (v *validator) checkPrice(p *Price) {
	if v.number("price", p.Amount) && p.Amount.IsNegative() {
		v.add("price", ProblemRange, num.Canonical(p.Amount), "0 or more")
	}
	if v.currency("price_currency", p.Currency) && p.Currency != v.meta.Currency {
		v.add("price_currency", ProblemMismatch, p.Currency, "the currency of the inventory, %s", v.meta.Currency)
	}
	if p.Date == "" {
		v.add("price_date", ProblemMissing, "", "a price states its day, as in 2026-01-31")
	} else if _, err := time.Parse(time.DateOnly, p.Date); err != nil {
		v.add("price_date", ProblemDate, p.Date, "a day of the calendar, as in 2026-01-31")
	}
	v.oneOf("price_basis", p.Basis, true, BasisExWorks, BasisDelivered)
	v.oneOf("price_tax", p.Tax, true, TaxExcluded, TaxIncluded)
	v.date("price_valid_until", p.ValidUntil)
	v.spread("price_spread", p.Spread)
	v.positive("price_min_quantity", p.MinQuantity)
	v.quoted(p)
	v.source(&priceSource, &p.Source)
}

// quoted checks that a price follows from what was quoted.
func (v *validator) quoted(p *Price) {
	q := p.Quoted
	if q == nil {
		return
	}
	sound := v.number("price_quoted", q.Amount)
	if sound && q.Amount.IsNegative() {
		v.add("price_quoted", ProblemRange, num.Canonical(q.Amount), "0 or more")
	}
	v.currency("price_quoted_currency", q.Currency)
	if q.Date == "" {
		v.add("price_quoted_date", ProblemMissing, "", "a quoted price states its day, as in 2026-01-31")
	}
	v.date("price_quoted_date", q.Date)
	for _, n := range []struct {
		column string
		value  decimal.NullDecimal
	}{{"price_exchange_rate", q.Rate}, {"price_index_from", q.IndexFrom}, {"price_index_to", q.IndexTo}} {
		v.positive(n.column, n.value)
		sound = sound && (!n.value.Valid || n.value.Decimal.IsPositive())
	}
	converted, restated := q.Currency != p.Currency, q.IndexSeries != "" || q.IndexFrom.Valid || q.IndexTo.Valid
	switch {
	case converted && (!q.Rate.Valid || q.RateDate == "" || q.RateSource == ""):
		v.add("price_exchange_rate", ProblemMissing, "", "a price in another currency states the rate, its day and its source")
		return
	case !converted && (q.Rate.Valid || q.RateDate != "" || q.RateSource != ""):
		v.add("price_exchange_rate", ProblemNotAllowed, "", "the price was quoted in the currency of the inventory")
	}
	v.date("price_exchange_date", q.RateDate)
	v.text("price_exchange_source", q.RateSource, MaxTextBytes, false)
	v.text("price_index_series", q.IndexSeries, MaxTextBytes, false)
	if restated && (q.IndexSeries == "" || !q.IndexFrom.Valid || !q.IndexTo.Valid) {
		v.add("price_index_series", ProblemMissing, "", "a price that is restated names the series and the index at both dates")
		return
	}
	if !restated && q.Date != p.Date {
		v.add("price_quoted_date", ProblemNotAllowed, q.Date, "without an index a price is of the day on which it was quoted")
	}
	if want, ok := q.Price(); sound && (!ok || !want.Equal(p.Amount)) {
		v.add("price", ProblemRange, num.Canonical(p.Amount), "what was quoted comes to %s", num.Canonical(want))
	}
}

// Price is what was quoted, in the currency and at the date of the inventory; false
// where that cannot be.
func (q *Quoted) Price() (decimal.Decimal, bool) {
	amount := q.Amount
	if q.Rate.Valid {
		amount = amount.Mul(q.Rate.Decimal)
	}
	if q.IndexFrom.Valid && q.IndexTo.Valid {
		if !q.IndexFrom.Decimal.IsPositive() {
			return decimal.Zero, false
		}
		amount = num.Quotient(amount.Mul(q.IndexTo.Decimal), q.IndexFrom.Decimal)
	}
	return num.Line(amount), true
}

func (v *validator) date(column, s string) {
	if s == "" {
		return
	}
	if _, err := time.Parse(time.DateOnly, s); err != nil {
		v.add(column, ProblemDate, s, "a day of the calendar, as in 2026-01-31")
	}
}

// spread checks a distribution: what it says brackets the number itself.
func (v *validator) spread(column string, s *Spread) {
	if s == nil {
		return
	}
	one := decimal.NewFromInt(1)
	switch s.Distribution {
	case Lognormal:
		if !s.GSD.Valid || s.Low.Valid || s.High.Valid || !v.number(column, s.GSD.Decimal) || s.GSD.Decimal.LessThanOrEqual(one) {
			v.add(column, ProblemRange, s.String(), "lognormal has a geometric standard deviation of more than 1")
		}
	case Triangular, Uniform:
		if s.GSD.Valid || !s.Low.Valid || !s.High.Valid || !v.number(column, s.Low.Decimal) || !v.number(column, s.High.Decimal) ||
			s.Low.Decimal.IsNegative() || s.Low.Decimal.GreaterThan(one) || s.High.Decimal.LessThan(one) || s.Low.Decimal.Equal(s.High.Decimal) {
			v.add(column, ProblemRange, s.String(), "%s has a low end from 0 to 1 and a high end of at least 1, as multiples of the number, which lies between", s.Distribution)
		}
	default:
		v.add(column, ProblemUnknown, s.Distribution, "%v", errSpread)
	}
}

// factorData checks what is said of factors beside their values.
func (v *validator) factorData(i *Item) {
	d := &i.FactorData
	if len(i.Factors) == 0 {
		for _, c := range columns {
			if text := c.Text(i); text != "" && slices.Contains(factorDataColumns, c.Name) {
				v.add(c.Name, ProblemNotAllowed, text, "the item has no factor that this could be about")
			}
		}
		return
	}
	v.date("factor_valid_until", d.ValidUntil)
	v.spread("factor_spread", d.Spread)
	if d.Pedigree != (Pedigree{}) && slices.ContainsFunc(d.Pedigree[:], func(score int) bool { return score < 1 || score > 5 }) {
		v.add("factor_pedigree", ProblemRange, pedigreeText(i), "%v", errPedigree)
	}
	v.oneOf("characterisation", d.Characterisation, false, characterisations...)
	for _, part := range []struct {
		column string
		value  decimal.NullDecimal
	}{{"gwp_fossil", d.Fossil}, {"gwp_biogenic", d.Biogenic}, {"gwp_land_use", d.LandUse}} {
		if part.value.Valid && v.number(part.column, part.value.Decimal) && part.value.Decimal.IsNegative() && part.column != "gwp_biogenic" {
			v.add(part.column, ProblemRange, num.Canonical(part.value.Decimal), "0 or more; only biogenic carbon may be negative")
		}
	}
	main := i.Factors[i.MainFactor()]
	if d.Fossil.Valid && d.Biogenic.Valid && d.LandUse.Valid {
		// Declarations print three significant digits, which is half a per cent of the
		// number at worst; more apart, and a digit is wrong.
		sum := num.Sum(d.Fossil.Decimal, d.Biogenic.Decimal, d.LandUse.Decimal)
		if sum.Sub(main).Abs().Mul(decimal.NewFromInt(200)).GreaterThan(main.Abs()) {
			v.add("gwp_fossil", ProblemRange, num.Canonical(sum), "fossil, biogenic and land use sum to %s, the factor is %s; at most 0.5 %% apart", num.Canonical(sum), num.Canonical(main))
		}
	}
	v.oneOf("allocation", d.Allocation, false, allocations...)
	if len(d.Alternatives) == 0 {
		return
	}
	if d.Allocation == "" {
		v.add("allocation", ProblemMissing, "", "an item with factors by other allocations states its own")
	}
	seen := map[string]bool{d.Allocation: true}
	for _, a := range d.Alternatives {
		switch {
		case !slices.Contains(Allocations(), a.Allocation):
			v.add("allocation_alternatives", ProblemUnknown, a.Allocation, "one of %s", strings.Join(Allocations(), ", "))
		case seen[a.Allocation]:
			v.add("allocation_alternatives", ProblemDuplicate, a.Allocation, "each allocation stands once, and not the item's own")
		case v.number("allocation_alternatives", a.Factor) && a.Factor.IsNegative():
			v.add("allocation_alternatives", ProblemRange, num.Canonical(a.Factor), "0 or more")
		}
		seen[a.Allocation] = true
	}
}

var factorDataColumns = []string{"factor_valid_until", "factor_spread", "factor_pedigree", "characterisation", "gwp_fossil", "gwp_biogenic",
	"gwp_land_use", "allocation", "allocation_alternatives"}

// MainFactor is the key of the factor that an item with factors has: A1-A3 of a
// material, process of a process.
func (i *Item) MainFactor() string {
	if i.Category.IsProcess() {
		return FactorProcess
	}
	return FactorA1A3
}

// Lists that every item is checked by.
var (
	categories         = texts(Categories())
	sourceKinds        = texts(SourceKinds())
	characterisations  = Characterisations()
	allocations        = Allocations()
	factorKeys         = FactorKeys()
	factorsOfMaterials = []string{FactorA1A3, FactorA2, FactorA4, FactorC1, FactorC2, FactorC3, FactorC4, FactorD}
	factorsOfProcesses = []string{FactorProcess}
	factorsOfDisposal  = []string{FactorProcess, FactorC1, FactorC2, FactorC3, FactorC4, FactorD}
)

func (v *validator) checkFactors(i *Item) {
	allowed, main := factorsOfMaterials, FactorA1A3
	switch {
	case i.Category == Disposal: // what happens to waste may be declared by module alone
		allowed, main = factorsOfDisposal, ""
	case i.Category.IsProcess():
		allowed, main = factorsOfProcesses, FactorProcess
	}
	known := 0
	for _, key := range factorKeys {
		value, ok := i.Factors[key]
		if !ok {
			continue
		}
		known++
		column := FactorColumn(key)
		if !slices.Contains(allowed, key) {
			v.add(column, ProblemNotAllowed, num.Canonical(value), "an item of category %s has %s", i.Category, strings.Join(allowed, ", "))
		}
		if v.number(column, value) && value.IsNegative() && key != FactorD {
			v.add(column, ProblemRange, num.Canonical(value), "0 or more; only D may be negative")
		}
		if (key == FactorA2 || key == FactorA4) && i.Price != nil && i.Price.Basis == BasisExWorks {
			v.add("price_basis", ProblemNotAllowed, i.Price.Basis, "an item with its own %s factor is priced delivered", key)
		}
	}
	if known != len(i.Factors) {
		v.add("factors", ProblemUnknown, "", "the keys of factors are %s", strings.Join(FactorKeys(), ", "))
	}
	if _, ok := i.Factors[main]; main != "" && known > 0 && !ok {
		v.add(FactorColumn(main), ProblemMissing, "", "an item with factors has %s", main)
	}
	switch {
	case i.FactorSource != nil && len(i.Factors) == 0:
		v.add("factor_source_kind", ProblemNotAllowed, string(i.FactorSource.Kind), "a source of factors needs a factor")
	case i.FactorSource != nil:
		v.source(&factorSource, i.FactorSource)
	case len(i.Factors) > 0:
		v.add("factor_source_kind", ProblemMissing, "", "factors state their source")
	}
}

func (v *validator) checkRecipe(i *Item) {
	if len(i.Recipe) == 0 {
		return
	}
	const column = "recipe"
	if !i.Category.IsProcess() {
		v.add(column, ProblemNotAllowed, recipeText(i), "only a process is made by recipe")
	}
	if i.Price != nil {
		v.add("price", ProblemNotAllowed, num.Canonical(i.Price.Amount), "an item made by recipe has no price of its own")
	}
	if len(i.Factors) > 0 || i.FactorSource != nil {
		v.add("factor_source_kind", ProblemNotAllowed, "", "an item made by recipe has no factors of its own")
	}
	if len(i.Recipe) > MaxRecipeParts {
		v.add(column, ProblemRecipe, fmt.Sprint(len(i.Recipe)), "%s", errParts)
	}
	seen := map[string]bool{}
	for _, part := range i.Recipe {
		if _, ok := v.byCode[part.Item]; !ok {
			v.add(column, ProblemPart, part.Item, "the code of an item of this inventory")
		}
		if seen[part.Item] {
			v.add(column, ProblemRecipe, part.Item, "each part stands once")
		}
		seen[part.Item] = true
		if v.number(column, part.Amount) && !part.Amount.IsPositive() {
			v.add(column, ProblemRange, num.Canonical(part.Amount), "more than 0 of %s", part.Item)
		}
	}
	if depth := v.depth(i.Code, nil); depth > MaxRecipeDepth {
		v.add(column, ProblemDepth, recipeText(i), "recipes inside recipes, %d deep; at most %d", depth, MaxRecipeDepth)
	}
	if v.flows[i.Code] > MaxRecipeFlows {
		v.add(column, ProblemFlows, recipeText(i), "with the recipes inside it, it comes to more than %d parts", MaxRecipeFlows)
	}
}

// inProgress marks a recipe that is being followed; meeting it again is a cycle.
const inProgress = -1

// Cycles named, and codes shown of one.
const (
	maxCycles     = 100
	maxCycleCodes = 10
)

// depth is how many recipes stand inside each other: 0 for a plain item. It
// counts the flows that each comes to on the way, since a few recipes inside
// each other multiply to millions. It
// reports each cycle once, by name.
func (v *validator) depth(code string, path []string) int {
	if d, ok := v.depths[code]; ok {
		if d == inProgress {
			if v.cycles++; v.cycles > maxCycles {
				return 0 // a file with so many is not mended by naming more
			}
			cycle := append(path[slices.Index(path, code):], code)
			if len(cycle) > maxCycleCodes {
				cycle = append(append(slices.Clone(cycle[:maxCycleCodes-2]), "…"), code)
			}
			v.add("recipe", ProblemCycle, code, "a recipe cannot contain itself: %s", strings.Join(cycle, " → "))
			return 0
		}
		return d
	}
	n, ok := v.byCode[code]
	if !ok || len(v.items[n].Recipe) == 0 {
		return 0
	}
	v.depths[code] = inProgress
	deepest, flows := 0, 0
	for _, part := range v.items[n].Recipe {
		deepest = max(deepest, v.depth(part.Item, append(path, code)))
		flows = min(flows+max(v.flows[part.Item], 1), MaxRecipeFlows+1)
	}
	v.depths[code], v.flows[code] = deepest+1, flows
	return deepest + 1
}

// sourceColumns are the columns of a source.
type sourceColumns struct{ kind, title, publisher, year, reference, licence string }

func sourceOf(prefix string) sourceColumns {
	return sourceColumns{prefix + "_kind", prefix + "_title", prefix + "_publisher", prefix + "_year", prefix + "_reference", prefix + "_licence"}
}

var priceSource, factorSource = sourceOf("price_source"), sourceOf("factor_source")

func (v *validator) source(column *sourceColumns, s *Source) {
	v.oneOf(column.kind, string(s.Kind), true, sourceKinds...)
	v.text(column.title, s.Title, MaxTextBytes, true)
	v.text(column.publisher, s.Publisher, MaxTextBytes, false)
	if s.Year != 0 && (s.Year < 1900 || s.Year > 2100) {
		v.add(column.year, ProblemRange, fmt.Sprint(s.Year), "a year from 1900 to 2100")
	}
	v.text(column.reference, s.Reference, MaxTextBytes, false)
	v.text(column.licence, s.Licence, MaxTextBytes, false)
}

// text checks a free text: what one person reads on one line is what another
// one reads, and equal texts have equal bytes.
func (v *validator) text(column, s string, limit int, required bool) {
	switch {
	case s == "" && required:
		v.add(column, ProblemMissing, "", "a text is required")
	case s == "":
	case len(s) > limit:
		v.add(column, ProblemText, s, "%d bytes of UTF-8; at most %d", len(s), limit)
	case plain(s): // as most texts are
	case !utf8.ValidString(s):
		v.add(column, ProblemText, s, "valid UTF-8")
	case strings.ContainsFunc(s, Unseen):
		v.add(column, ProblemText, s, "no control characters, line breaks or marks of writing direction")
	case strings.TrimSpace(s) != s:
		v.add(column, ProblemText, s, "no space before or after")
	case !norm.NFC.IsNormalString(s):
		v.add(column, ProblemText, s, "Unicode normalisation form C")
	}
}

// plain tells a text, not empty, of printable ASCII with no space at its ends, which can have none
// of the faults of other texts.
func plain(s string) bool {
	for i := range len(s) {
		if s[i] < ' ' || s[i] > '~' {
			return false
		}
	}
	return s[0] != ' ' && s[len(s)-1] != ' '
}

// Unseen tells control characters, breaks of line and paragraph, and the marks
// that turn the direction of writing.
func Unseen(r rune) bool {
	if r < utf8.RuneSelf {
		return r < ' ' || r == 0x7f
	}
	return unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) || r == '\u2028' || r == '\u2029' || r == '\ufeff'
}

// oneOf checks a value of a closed list and tells whether it stands in it.
func (v *validator) oneOf(column, s string, required bool, accepted ...string) bool {
	switch {
	case slices.Contains(accepted, s):
		return true
	case s != "":
		v.add(column, ProblemUnknown, s, "one of %s", strings.Join(accepted, ", "))
	case required:
		v.add(column, ProblemMissing, "", "one of %s", strings.Join(accepted, ", "))
	}
	return false
}

// currency checks an ISO 4217 code. The list is that of the Unicode CLDR as
// golang.org/x/text carries it.
func (v *validator) currency(column, s string) bool {
	if s == "" {
		v.add(column, ProblemMissing, "", `an ISO 4217 code, as in "EUR"`)
		return false
	}
	// ParseISO takes lower case too; the contract does not.
	if unit, err := currency.ParseISO(s); err != nil || unit.String() != s {
		v.add(column, ProblemCurrency, s, `an ISO 4217 code in capitals, as in "EUR"`)
		return false
	}
	return true
}

// number checks that a store keeps every digit and that every reader accepts
// the text.
func (v *validator) number(column string, d decimal.Decimal) bool {
	small := d.NumDigits()+int(d.Exponent()) <= num.MaxIntegerDigits // which is told without arithmetic
	if !small && d.Abs().GreaterThanOrEqual(maximum) {
		v.add(column, ProblemRange, "", "less than %s", num.Canonical(maximum))
		return false
	}
	if d.Exponent() >= -num.MaxFractionDigits {
		return true
	}
	if _, err := num.Parse(num.Canonical(d)); errors.Is(err, num.ErrRange) {
		v.add(column, ProblemRange, num.Canonical(d), "at most %d digits after the point", num.MaxFractionDigits)
		return false
	}
	return true
}

func (v *validator) positive(column string, d decimal.NullDecimal) {
	if d.Valid && v.number(column, d.Decimal) && !d.Decimal.IsPositive() {
		v.add(column, ProblemRange, num.Canonical(d.Decimal), "more than 0")
	}
}

func texts[S ~string](values []S) []string {
	list := make([]string, len(values))
	for n, s := range values {
		list[n] = string(s)
	}
	return list
}
