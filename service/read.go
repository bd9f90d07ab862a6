package service

import (
	"errors"
	"strings"

	"github.com/shopspring/decimal"
	"golang.org/x/text/currency"

	"slabledger/lca/fault"
	"slabledger/lca/mix"
	"slabledger/lca/num"
	"slabledger/lca/unit"
)

// reader turns the text of a request into values, and gathers every fault.
type reader struct {
	faults    fault.List
	warnings  fault.List
	catalogue *catalogue
	named     []*entry // what the request names, in order, with repeats
	suggested int      // how many unknown codes were answered with near ones
}

// quantity reads "<decimal> <unit>" and returns it in the SI unit of its kind.
func (r *reader) quantity(text string, at fault.Path, kinds ...unit.Kind) (unit.Quantity, bool) {
	q, err := unit.Parse(text, kinds...)
	if err == nil {
		return q, true
	}
	var wrong *unit.ParseError
	if errors.As(err, &wrong) {
		r.faults.Add(at, wrong.Code(), "%s", wrong.Detail)
	}
	return unit.Quantity{}, false
}

// required reads a quantity that must be there and must be more than zero.
func (r *reader) required(text, like string, at fault.Path, kinds ...unit.Kind) (unit.Quantity, bool) {
	if text == "" {
		r.faults.Add(at, "required-member-missing", "missing; write it like %q", like)
		return unit.Quantity{}, false
	}
	q, ok := r.quantity(text, at, kinds...)
	if ok && !q.Amount.IsPositive() {
		r.faults.Add(at, "out-of-range", "%q must be more than zero", short(text))
		return q, false
	}
	return q, ok
}

// zeroOrMore is required where nothing is an amount too.
func (r *reader) zeroOrMore(text, like string, at fault.Path, kinds ...unit.Kind) (unit.Quantity, bool) {
	if q, err := unit.Parse(text, kinds...); err == nil && q.Amount.IsZero() {
		return q, true
	}
	return r.required(text, like, at, kinds...)
}

// fraction reads "3 %" as 0.03, within [0, 1] unless allowed otherwise.
func (r *reader) fraction(text string, at fault.Path) decimal.Decimal {
	q, ok := r.quantity(text, at, unit.Ratio)
	if !ok {
		return decimal.Zero
	}
	v := q.SI()
	if v.IsNegative() || v.GreaterThan(num.One) {
		r.faults.Add(at, "out-of-range", "%q: accepted: 0 %% to 100 %%", short(text))
		return decimal.Zero
	}
	return v
}

// decimal reads a number without a unit.
func (r *reader) decimal(text string, at fault.Path) decimal.Decimal {
	v, err := num.Parse(text)
	if err != nil {
		r.faults.Add(at, "decimal-invalid", "%q: %v", short(text), err)
	}
	return v
}

// share reads the share of a derived amount; absent is all of it.
func (r *reader) share(text string, at fault.Path) decimal.Decimal {
	if text == "" {
		return num.One
	}
	before := r.faults.Len()
	v := r.fraction(text, at.At("share"))
	if v.IsZero() && r.faults.Len() == before {
		r.faults.Add(at.At("share"), "out-of-range", "a share of nothing does nothing; leave the entry out")
	}
	return v
}

// Bounds of a yearly rate. Beyond them a factor over a hundred years is no longer
// a figure that anybody could read; real rates stay far inside.
var (
	minRate = decimal.New(-50, -2)
	maxRate = decimal.New(100, -2)
)

// yearlyRate reads a rate per year, within -50 % and 100 %.
func (r *reader) yearlyRate(text string, at fault.Path) decimal.Decimal {
	q, ok := r.quantity(text, at, unit.Ratio)
	if !ok {
		return decimal.Zero
	}
	v := q.SI()
	if v.LessThan(minRate) || v.GreaterThan(maxRate) {
		r.faults.Add(at, "out-of-range", "%q per year; accepted: -50 %% to 100 %% (at -100 %% and below nothing can be discounted)", short(text))
		return decimal.Zero
	}
	return v
}

// money reads an amount of the inventory's currency per m2, at least zero.
func (r *reader) money(text string, at fault.Path) decimal.Decimal {
	return r.moneyPer(text, "m2", at)
}

// moneyPer reads an amount of the inventory's currency per unit, at least zero.
func (r *reader) moneyPer(text, unit string, at fault.Path) decimal.Decimal {
	want := r.catalogue.ref.Currency
	if r.catalogue.unknown() {
		return decimal.Zero
	}
	amount, per, _ := strings.Cut(text, " ")
	code, ok := strings.CutSuffix(per, "/"+unit)
	if !ok || len(code) != 3 {
		r.faults.Add(at, "unit-unknown", "%q: write money like \"12.50 %s/%s\"", short(text), want, unit)
		return decimal.Zero
	}
	if code != want {
		if _, err := currency.ParseISO(code); err != nil {
			r.faults.Add(at, "unit-unknown", "%q is not an ISO 4217 currency; this inventory is in %s", code, want)
		} else {
			r.faults.Add(at, "currency-mismatch", "the amount is in %s, the inventory in %s; nothing is converted without a stated rate", code, want)
		}
		return decimal.Zero
	}
	v, err := num.Parse(amount)
	if err != nil {
		r.faults.Add(at, "decimal-invalid", "%q: %v", short(amount), err)
		return decimal.Zero
	}
	if v.IsNegative() {
		r.faults.Add(at, "out-of-range", "%q must not be negative", short(text))
	}
	return v
}

// item finds an item of the inventory, and suggests near ones where it fails.
func (r *reader) item(code string, at fault.Path) *entry {
	if e, ok := r.catalogue.entries[code]; ok {
		r.named = append(r.named, e)
		return e
	}
	if r.catalogue.unknown() {
		return nil
	}
	detail := "the inventory " + r.catalogue.ref.Ref + " has no item %q"
	if r.suggested++; r.suggested > maxSuggestions {
		// nobody reads that many
	} else if near := r.catalogue.near(code); len(near) > 0 {
		detail += "; did you mean " + strings.Join(near, ", ") + "?"
	}
	r.faults.Add(at, "item-unknown", detail, short(code))
	return nil
}

const maxSuggestions = 5 // of one alternative

// itemOf finds an item that must have one of the declared units given.
func (r *reader) itemOf(code string, at fault.Path, units ...string) *entry {
	e := r.item(code, at)
	if e == nil {
		return nil
	}
	for _, u := range units {
		if e.Unit == u {
			return e
		}
	}
	r.faults.Add(at, "unit-incompatible", "%s is declared per %s; here an item per %s is needed", e.Code, e.Unit, strings.Join(units, " or "))
	return nil
}

// amount reads the amount of a constituent.
func (r *reader) amount(text string, at fault.Path) (basis mix.Basis, value decimal.Decimal, system unit.System) {
	if text == "balance" {
		return mix.Balance, decimal.Zero, unit.Neutral
	}
	if share, ok := strings.CutSuffix(text, " of binder"); ok {
		q, _ := r.quantity(share, at, unit.Ratio)
		return mix.OfBinder, si(q), unit.Neutral
	}
	if share, ok := strings.CutSuffix(text, " by volume"); ok {
		q, _ := r.quantity(share, at, unit.Ratio)
		return mix.ByVolume, si(q), unit.Neutral
	}
	q, err := unit.Parse(text, unit.Density, unit.VolumePerVolume)
	if err != nil {
		var wrong *unit.ParseError
		if errors.As(err, &wrong) {
			r.faults.Add(at, wrong.Code(), "%s; or \"n %% of binder\", \"n %% by volume\", \"balance\"", wrong.Detail)
		}
		return 0, decimal.Zero, unit.Neutral
	}
	if q.Unit.Kind == unit.VolumePerVolume {
		return mix.ByVolume, q.SI(), q.Unit.System
	}
	return mix.ByMass, q.SI(), q.Unit.System
}

func si(q unit.Quantity) decimal.Decimal {
	if q.Unit.IsZero() {
		return decimal.Zero
	}
	return q.SI()
}

// record keeps to one system of units (ASTM C94/C94M, 1.2).
type record struct {
	what   string
	system unit.System
}

func (r *reader) keep(rec *record, q unit.Quantity, at fault.Path) {
	if q.Unit.System != rec.system {
		r.keepSystem(rec, q.String(), q.Unit.System, at)
	}
}

// keepSystem is keep for a text whose system of units is known.
func (r *reader) keepSystem(rec *record, text string, system unit.System, at fault.Path) {
	switch {
	case system == unit.Neutral:
	case rec.system == unit.Neutral:
		rec.system = system
	case rec.system != system:
		r.faults.Add(at, "unit-system-mixed", "%s is in %s units while the rest of the %s is in %s units; one %s keeps to one system", text, system, rec.what, rec.system, rec.what)
	}
}
