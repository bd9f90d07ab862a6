package service

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/compare"
	"slabledger/lca/fault"
	"slabledger/lca/num"
	"slabledger/lca/unit"
)

// LimitAsked is one limit of a procurement on emissions: one figure, or a table of them
// by strength.
type LimitAsked struct {
	Name            string      `json:"name"`
	Clause          string      `json:"clause"`
	Scope           string      `json:"scope"`
	Limit           string      `json:"limit,omitzero"`
	ByStrength      []LimitRow  `json:"by_strength,omitzero"`
	HighEarlyFactor string      `json:"high_early_factor,omitzero"`
	ValidFrom       string      `json:"valid_from,omitzero"`
	ValidUntil      string      `json:"valid_until,omitzero"`
	Declaration     *EPDDemands `json:"declaration,omitzero"`
}

// LimitRow is the limit of one strength class, of one compressive strength, or of those
// from one to another, both included.
type LimitRow struct {
	StrengthClass       string `json:"strength_class,omitzero"`
	CompressiveStrength string `json:"compressive_strength,omitzero"`
	From                string `json:"from,omitzero"`
	To                  string `json:"to,omitzero"`
	Limit               string `json:"limit"`
}

// EPDDemands is what a limit asks of the environmental product declarations behind the
// constituents of the concrete.
type EPDDemands struct {
	Categories      []string `json:"categories"`
	ProductSpecific []string `json:"product_specific,omitzero"` // items that the request states to have a declaration of their own product
}

// What a limit goes by.
const (
	ScopeGate     = "A1-A3"
	ScopeBuilt    = "A1-A5"
	ScopeLife     = "A1-C4"
	ScopeDeclared = "declared" // whatever modules the total covers
)

// States of a limit.
const (
	LimitPass          = "pass"
	LimitFail          = "fail"
	LimitNotInForce    = "not_in_force"
	LimitNotDetermined = "not_determined"
)

// NotADeclaration stands beside every figure that is held against a limit.
const NotADeclaration = "own calculation: not an EPD, not third-party verified"

// LimitResult is an alternative held against a limit.
type LimitResult struct {
	Name           string          `json:"name"`
	Clause         string          `json:"clause"`
	State          string          `json:"state"`
	Reason         string          `json:"reason"`
	Scope          string          `json:"scope"`
	Per            string          `json:"per"` // m3, m2
	Strength       string          `json:"strength,omitzero"`
	LimitAsWritten string          `json:"limit_as_written"`
	ValueKgCO2e    *Fixed          `json:"value_kg_co2e"`
	LimitKgCO2e    *Fixed          `json:"limit_kg_co2e"`
	MarginKgCO2e   *Fixed          `json:"margin_kg_co2e"`
	MarginPercent  *Fixed          `json:"margin_percent"`
	Verification   string          `json:"verification"`
	Declaration    *EPDEligibility `json:"declaration,omitzero"`
}

// EPDEligibility is whether the declarations behind the constituents are what the limit
// asks for.
type EPDEligibility struct {
	Eligible bool           `json:"eligible"`
	Items    []string       `json:"items"`
	Failed   []EPDCriterion `json:"failed"`
}

// EPDCriterion is one criterion that an item does not meet.
type EPDCriterion struct {
	Item      string `json:"item"`
	Criterion string `json:"criterion"`
	Reason    string `json:"reason"`
}

// limit is a LimitAsked as read.
type limit struct {
	LimitAsked
	at      fault.Path
	rows    []compare.LimitRow // where it is by strength
	single  decimal.Decimal
	perM3   bool
	factor  decimal.Decimal
	outside string // why it is not in force; empty where it is
}

func (s *study) readLimits(asked []LimitAsked, r *reader) {
	names := map[string]bool{}
	for i, a := range asked {
		l := limit{LimitAsked: a, at: fault.Path("/limits").At(i), factor: num.One}
		if key := a.Name + "\x00" + a.ValidFrom; names[key] {
			r.faults.Add(l.at.At("name"), "duplicate-name", "two limits have the name %q and the same valid_from", short(a.Name))
		} else {
			names[key] = true
		}
		before := r.faults.Len()
		l.read(r)
		l.readDates(r, s.requirements.AsOf)
		if a.HighEarlyFactor != "" {
			if l.factor = r.decimal(a.HighEarlyFactor, l.at.At("high_early_factor")); l.factor.LessThan(num.One) && r.faults.Len() == before {
				r.faults.Add(l.at.At("high_early_factor"), "out-of-range", "%q: an allowance multiplies the limit by at least 1", short(a.HighEarlyFactor))
			}
		}
		if d := a.Declaration; d != nil {
			for k, code := range d.ProductSpecific {
				r.item(code, l.at.At("declaration", "product_specific", k))
			}
			if s.requirements.AsOf == "" {
				r.faults.Add("/data_requirements/as_of", "required-member-missing", "%q asks for declarations that still hold: say on which day", short(a.Name))
			}
		}
		if r.faults.Len() == before {
			s.limits = append(s.limits, l)
		}
	}
}

// read reads the figures, all per m3 of concrete or all per m2 of slab.
func (l *limit) read(r *reader) {
	if (l.Limit == "") == (l.ByStrength == nil) {
		r.faults.Add(l.at, "one-of", "a limit has either a limit, such as \"300 kg CO2e/m3\", or a table by_strength")
		return
	}
	first := true
	figure := func(text string, at fault.Path) decimal.Decimal {
		q, ok := r.required(text, "300 kg CO2e/m3", at, unit.CarbonPerVolume, unit.CarbonPerArea)
		if !ok {
			return decimal.Zero
		}
		perM3 := q.Unit.Kind == unit.CarbonPerVolume
		switch {
		case first:
			first, l.perM3 = false, perM3
		case perM3 != l.perM3:
			r.faults.Add(at, "unit-incompatible", "one limit is per volume of concrete in all rows, or per area of slab in all")
		}
		if perM3 && l.Scope != ScopeGate {
			r.faults.Add(l.at.At("scope"), "scope-mismatch", "per volume of concrete only A1-A3 is known; %s is of the slab, per area", l.Scope)
		}
		return q.SI()
	}
	if l.ByStrength == nil {
		l.single = figure(l.Limit, l.at.At("limit"))
		return
	}
	for i, row := range l.ByStrength {
		at := l.at.At("by_strength", i)
		read := compare.LimitRow{Class: row.StrengthClass}
		given := 0
		for _, is := range []bool{row.StrengthClass != "", row.CompressiveStrength != "", row.From != "" || row.To != ""} {
			if is {
				given++
			}
		}
		if given != 1 {
			r.faults.Add(at, "one-of", "a row is of a strength_class, of a compressive_strength, or from one to another")
			continue
		}
		strength := func(text, member string) decimal.NullDecimal {
			if text == "" {
				return decimal.NullDecimal{}
			}
			q, ok := r.required(text, "30 MPa", at.At(member), unit.Pressure)
			return decimal.NullDecimal{Decimal: si(q), Valid: ok}
		}
		if row.CompressiveStrength != "" {
			read.From = strength(row.CompressiveStrength, "compressive_strength")
			read.To = read.From
		} else {
			read.From, read.To = strength(row.From, "from"), strength(row.To, "to")
		}
		if read.From.Valid && read.To.Valid && read.To.Decimal.LessThan(read.From.Decimal) {
			r.faults.Add(at.At("to"), "out-of-range", "a row goes from the lower strength to the higher")
		}
		read.Limit = figure(row.Limit, at.At("limit"))
		l.rows = append(l.rows, read)
	}
}

func (l *limit) readDates(r *reader, asOf string) {
	if l.ValidFrom == "" && l.ValidUntil == "" {
		return
	}
	for _, d := range []struct{ member, text string }{{"valid_from", l.ValidFrom}, {"valid_until", l.ValidUntil}} {
		if _, err := time.Parse(time.DateOnly, d.text); d.text != "" && err != nil {
			r.faults.Add(l.at.At(d.member), "date-invalid", "%q is no day of the calendar; write it like 2026-01-31", short(d.text))
		}
	}
	switch {
	case asOf == "":
		r.faults.Add("/data_requirements/as_of", "required-member-missing", "%q is in force between days: say on which day the alternatives are held against it", short(l.Name))
	case l.ValidFrom != "" && l.ValidUntil != "" && l.ValidUntil < l.ValidFrom:
		r.faults.Add(l.at.At("valid_until"), "out-of-range", "a limit is in force from the earlier day until the later")
	case l.ValidFrom != "" && asOf < l.ValidFrom:
		l.outside = "in force from " + l.ValidFrom + "; the figures are of " + asOf
	case l.ValidUntil != "" && asOf > l.ValidUntil:
		l.outside = "in force until " + l.ValidUntil + "; the figures are of " + asOf
	}
}

// row finds the row of an alternative; -1 where the limit is one figure.
func (e *evaluated) row(l *limit) (int, error) {
	if l.rows == nil {
		return -1, nil
	}
	class := ""
	if c := e.SpecifiedConcrete; c != nil {
		class = c.StrengthClass
	}
	return compare.LimitOf(l.rows, class, e.strength)
}

// checkLimits refuses an alternative whose strength is in no row of a limit, or in two.
func (e *evaluated) checkLimits() {
	at := e.at.At("specified_concrete")
	for i := range e.study.limits {
		l := &e.study.limits[i]
		c := e.SpecifiedConcrete
		switch {
		case l.rows == nil || l.outside != "":
			continue
		case c == nil || c.StrengthClass == "" && c.CompressiveStrength == "":
			e.faults.Add(at, "required-member-missing", "the limit %q goes by strength: state the strength_class or the compressive_strength", short(l.Name))
			continue
		case c.CompressiveStrength != "" && !e.strength.Valid:
			continue // a fault of its own
		}
		switch _, err := e.row(l); {
		case errors.Is(err, compare.ErrLimitUndefined):
			e.faults.Add(at, "limit-class-undefined", "the limit %q has no row for %s; the nearest row is not its limit", short(l.Name), c)
		case errors.Is(err, compare.ErrLimitAmbiguous):
			e.faults.Add(at, "limit-class-ambiguous", "the limit %q has more than one row for %s", short(l.Name), c)
		}
	}
}

func (c *SpecifiedConcrete) String() string {
	var parts []string
	for _, p := range []string{c.StrengthClass, c.CompressiveStrength} {
		if p != "" {
			parts = append(parts, short(p))
		}
	}
	return strings.Join(parts, ", ")
}

// judge holds a result against the limits.
func (e *evaluated) judge(r *Result) []LimitResult {
	var list []LimitResult
	for i := range e.study.limits {
		list = append(list, e.hold(&e.study.limits[i], r))
	}
	return list
}

func (e *evaluated) hold(l *limit, r *Result) LimitResult {
	out := LimitResult{Name: l.Name, Clause: l.Clause, Scope: l.Scope, Per: "m2", LimitAsWritten: l.Limit, Verification: NotADeclaration}
	if l.perM3 {
		out.Per = "m3"
	}
	if l.Declaration != nil {
		out.Declaration = e.eligibility(l.Declaration)
	}
	if l.outside != "" {
		out.State, out.Reason = LimitNotInForce, l.outside
		return out
	}
	limit := l.single
	if row, err := e.row(l); err == nil && row >= 0 { // checkLimits has refused what has none
		limit, out.LimitAsWritten = l.rows[row].Limit, l.ByStrength[row].Limit
		out.Strength = e.SpecifiedConcrete.String()
	}
	allowance := ""
	if c := e.SpecifiedConcrete; c != nil && c.HighEarlyStrength && !l.factor.Equal(num.One) {
		limit = limit.Mul(l.factor)
		allowance = ", with the allowance of " + l.factor.String() + " for high early strength"
	}
	out.LimitKgCO2e = &Fixed{num.Line(limit)}
	value, missing := scoped(r, l)
	if len(missing) > 0 {
		out.State, out.Reason = LimitNotDetermined, "not declared: "+strings.Join(missing, ", ")
		return out
	}
	margin, percent := compare.Margin(value, limit)
	out.ValueKgCO2e, out.MarginKgCO2e, out.MarginPercent = &Fixed{value}, &Fixed{margin}, fixedOf(percent)
	out.State, out.Reason = LimitPass, "at most the limit"+allowance
	if value.GreaterThan(limit) {
		out.State, out.Reason = LimitFail, "above the limit"+allowance
	}
	if l.Scope == ScopeDeclared {
		out.Reason += "; the figure covers " + strings.Join(r.Carbon.TotalCovers, ", ")
	}
	return out
}

// scoped is the figure that a limit goes by, or the modules that it lacks.
func scoped(r *Result, l *limit) (decimal.Decimal, []string) {
	switch {
	case l.perM3:
		return r.Concrete.GWPKgCO2ePerM3.A1A3.Decimal, nil
	case l.Scope == ScopeDeclared:
		return r.Carbon.TotalKgCO2ePerM2.Decimal, nil
	}
	stages := map[string]int{ScopeGate: 1, ScopeBuilt: 2, ScopeLife: 4}[l.Scope]
	var total num.Total
	var missing []string
	for _, s := range r.Carbon.StageTotals[:stages] { // product, construction process, use, end of life
		total.Add(s.DeclaredPart.Decimal)
		if s.GWPKgCO2ePerM2 == nil {
			missing = append(missing, strings.TrimPrefix(s.Reason, "not declared: "))
		}
	}
	return total.Value(), missing
}

// eligibility holds the declarations behind the constituents of the concrete against
// what is asked of them. Whether a declaration is of one product is not in an inventory:
// the request states it.
func (e *evaluated) eligibility(d *EPDDemands) *EPDEligibility {
	out := &EPDEligibility{Items: []string{}, Failed: []EPDCriterion{}}
	for _, c := range e.listed {
		it := e.catalogue.entries[c.Item]
		if !slices.Contains(d.Categories, string(it.inventory.Category)) || slices.Contains(out.Items, it.Code) {
			continue
		}
		out.Items = append(out.Items, it.Code)
		fail := func(criterion, format string, args ...any) {
			out.Failed = append(out.Failed, EPDCriterion{it.Code, criterion, fmt.Sprintf(format, args...)})
		}
		source, data := it.inventory.FactorSource, it.inventory.FactorData
		switch {
		case source == nil || source.Kind != inventory.EPD:
			kind := "not stated"
			if source != nil {
				kind = string(source.Kind)
			}
			fail("source-kind", "the source of the factor is of the kind %s, not epd", kind)
		case source.Reference == "":
			fail("reference", "the inventory gives no number of the declaration")
		}
		if !slices.Contains(d.ProductSpecific, it.Code) {
			fail("product-specific", "the request does not state that the declaration is of this product")
		}
		if asOf := e.study.requirements.AsOf; data.ValidUntil == "" || data.ValidUntil < asOf {
			fail("in-date", "the factor holds until %s; the figures are of %s", cmp.Or(data.ValidUntil, "a day that is not stated"), asOf)
		}
	}
	out.Eligible = len(out.Failed) == 0
	return out
}
