package inventory

import (
	"fmt"
	"slices"
	"strconv"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// canonicalText is RFC 8785 text of a closed form that is being written: the caller
// knows the members and names them in order. It is what canonical makes of the same
// value, in a fifth of the time.
type canonicalText struct {
	text []byte
	err  error // of the first string that is not valid UTF-8
}

func (t *canonicalText) mark(c byte) { t.text = append(t.text, c) }

// next separates a member or an element from the one before it.
func (t *canonicalText) next() {
	switch t.text[len(t.text)-1] {
	case '{', '[': // the first
	default:
		t.mark(',')
	}
}

// name begins a member. Names are the program's own and need no escaping.
func (t *canonicalText) name(name string) {
	t.next()
	t.text = append(append(append(t.text, '"'), name...), '"', ':')
}

func (t *canonicalText) string(s string) {
	var err error
	if t.text, err = jsontext.AppendQuote(t.text, s); err != nil && t.err == nil {
		t.err = err
	}
}

func (t *canonicalText) decimal(d decimal.Decimal) {
	t.text = append(num.AppendPlain(append(t.text, '"'), d), '"')
}

func (t *canonicalText) member(name, s string) {
	t.name(name)
	t.string(s)
}

// optional leaves an empty text out.
func (t *canonicalText) optional(name, s string) {
	if s != "" {
		t.member(name, s)
	}
}

func (t *canonicalText) number(name string, d decimal.NullDecimal) {
	if d.Valid {
		t.name(name)
		t.decimal(d.Decimal)
	}
}

func (t *canonicalText) integer(n int) { t.text = strconv.AppendInt(t.text, int64(n), 10) }

// items writes items in place of what was written before.
func (t *canonicalText) items(items []*Item) {
	t.text = t.text[:0]
	for n, i := range items {
		if n > 0 {
			t.mark(',')
		}
		if t.item(i); t.err != nil {
			t.err = fmt.Errorf("item %q: %w", i.Code, t.err)
			return
		}
	}
}

func (t *canonicalText) item(i *Item) {
	t.mark('{')
	t.number("batch_volume_m3", i.BatchVolume)
	t.optional("boundary", i.Boundary)
	t.member("category", string(i.Category))
	t.member("code", i.Code)
	t.optional("default_for", i.DefaultFor)
	t.number("density_kg_per_m3", i.Density)
	t.factorData(&i.FactorData)
	if i.FactorSource != nil {
		t.name("factor_source")
		t.source(i.FactorSource)
	}
	t.factors(i.Factors)
	t.optional("layer", i.Layer)
	t.optional("module", i.Module)
	t.member("name", i.Name)
	t.optional("note", i.Note)
	if i.Price != nil {
		t.name("price")
		t.price(i.Price)
	}
	t.recipe(i.Recipe)
	t.number("solids_percent", i.Solids)
	t.member("unit", i.Unit)
	t.number("unit_mass_kg", i.UnitMass)
	t.mark('}')
}

func (t *canonicalText) price(p *Price) {
	t.mark('{')
	t.name("amount")
	t.decimal(p.Amount)
	t.member("basis", p.Basis)
	t.member("currency", p.Currency)
	t.member("date", p.Date)
	t.number("min_quantity", p.MinQuantity)
	if p.Quoted != nil {
		t.name("quoted")
		t.quoted(p.Quoted)
	}
	t.name("source")
	t.source(&p.Source)
	t.spread(p.Spread)
	t.member("tax", p.Tax)
	t.optional("valid_until", p.ValidUntil)
	t.mark('}')
}

func (t *canonicalText) quoted(q *Quoted) {
	t.mark('{')
	t.name("amount")
	t.decimal(q.Amount)
	t.member("currency", q.Currency)
	t.member("date", q.Date)
	t.optional("exchange_date", q.RateDate)
	t.number("exchange_rate", q.Rate)
	t.optional("exchange_source", q.RateSource)
	t.number("index_from", q.IndexFrom)
	t.optional("index_series", q.IndexSeries)
	t.number("index_to", q.IndexTo)
	t.mark('}')
}

func (t *canonicalText) source(s *Source) {
	t.mark('{')
	t.member("kind", string(s.Kind))
	t.optional("licence", s.Licence)
	t.optional("publisher", s.Publisher)
	t.optional("reference", s.Reference)
	t.member("title", s.Title)
	if s.Year != 0 {
		t.name("year")
		t.integer(s.Year)
	}
	t.mark('}')
}

// spread is a member, left out where there is none.
func (t *canonicalText) spread(s *Spread) {
	if s == nil {
		return
	}
	t.name("spread")
	t.mark('{')
	t.member("distribution", s.Distribution)
	t.number("gsd", s.GSD)
	t.number("high", s.High)
	t.number("low", s.Low)
	t.mark('}')
}

// factorsByName are the keys of factors in the order of canonical JSON.
var factorsByName = slices.Sorted(slices.Values(FactorKeys()))

// factors is a member, left out where there are none.
func (t *canonicalText) factors(factors map[string]decimal.Decimal) {
	if len(factors) == 0 {
		return
	}
	t.name("factors")
	start, known := len(t.text), 0
	t.mark('{')
	for _, key := range factorsByName {
		if value, ok := factors[key]; ok {
			known++
			t.name(key)
			t.decimal(value)
		}
	}
	t.mark('}')
	if known == len(factors) {
		return
	}
	// Of a draft that is not valid yet: its keys may be any text, and canonical
	// knows their order and their escapes.
	text, err := canonical(factorsJSON(factors))
	if t.err == nil {
		t.err = err
	}
	t.text = append(t.text[:start], text...)
}

// factorData is a member, left out where nothing is said.
func (t *canonicalText) factorData(d *FactorData) {
	start := len(t.text)
	t.name("factor_data")
	t.mark('{')
	empty := len(t.text)
	t.optional("allocation", d.Allocation)
	if len(d.Alternatives) > 0 {
		t.name("alternatives")
		t.mark('[')
		for _, a := range d.Alternatives {
			t.next()
			t.mark('{')
			t.member("allocation", a.Allocation)
			t.name("factor")
			t.decimal(a.Factor)
			t.mark('}')
		}
		t.mark(']')
	}
	t.number("biogenic", d.Biogenic)
	t.optional("characterisation", d.Characterisation)
	t.number("fossil", d.Fossil)
	t.number("land_use", d.LandUse)
	if d.Pedigree != (Pedigree{}) {
		t.name("pedigree")
		t.mark('[')
		for _, score := range d.Pedigree {
			t.next()
			t.integer(score)
		}
		t.mark(']')
	}
	t.spread(d.Spread)
	t.optional("valid_until", d.ValidUntil)
	if len(t.text) == empty {
		t.text = t.text[:start]
		return
	}
	t.mark('}')
}

// recipe is a member, left out where there is none.
func (t *canonicalText) recipe(parts []RecipePart) {
	if len(parts) == 0 {
		return
	}
	t.name("recipe")
	t.mark('[')
	for _, part := range parts {
		t.next()
		t.mark('{')
		t.name("amount")
		t.decimal(part.Amount)
		t.member("item", part.Item)
		t.mark('}')
	}
	t.mark(']')
}
