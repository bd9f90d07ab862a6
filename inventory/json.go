package inventory

import (
	"errors"
	"fmt"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// itemJSON is an Item on the wire and under the hash. The order of the fields
// is the order in which they are written; what is absent is left out.
type itemJSON struct {
	Code         string                 `json:"code"`
	Category     Category               `json:"category"`
	Name         string                 `json:"name"`
	Unit         string                 `json:"unit"`
	Density      decimalText            `json:"density_kg_per_m3,omitzero"`
	UnitMass     decimalText            `json:"unit_mass_kg,omitzero"`
	Solids       decimalText            `json:"solids_percent,omitzero"`
	BatchVolume  decimalText            `json:"batch_volume_m3,omitzero"`
	Module       string                 `json:"module,omitempty"`
	DefaultFor   string                 `json:"default_for,omitempty"`
	Boundary     string                 `json:"boundary,omitempty"`
	Price        *priceJSON             `json:"price,omitempty"`
	Factors      map[string]decimalText `json:"factors,omitempty"`
	FactorSource *Source                `json:"factor_source,omitempty"`
	FactorData   factorDataJSON         `json:"factor_data,omitzero"`
	Recipe       []partJSON             `json:"recipe,omitempty"`
	Note         string                 `json:"note,omitempty"`
	Layer        string                 `json:"layer,omitempty"`
}

type priceJSON struct {
	Amount      decimalText `json:"amount"`
	Currency    string      `json:"currency"`
	Date        string      `json:"date"`
	Basis       string      `json:"basis"`
	Tax         string      `json:"tax"`
	ValidUntil  string      `json:"valid_until,omitempty"`
	Spread      *spreadJSON `json:"spread,omitempty"`
	MinQuantity decimalText `json:"min_quantity,omitzero"`
	Quoted      *quotedJSON `json:"quoted,omitempty"`
	Source      Source      `json:"source"`
}

type quotedJSON struct {
	Amount      decimalText `json:"amount"`
	Currency    string      `json:"currency"`
	Date        string      `json:"date"`
	Rate        decimalText `json:"exchange_rate,omitzero"`
	RateDate    string      `json:"exchange_date,omitempty"`
	RateSource  string      `json:"exchange_source,omitempty"`
	IndexSeries string      `json:"index_series,omitempty"`
	IndexFrom   decimalText `json:"index_from,omitzero"`
	IndexTo     decimalText `json:"index_to,omitzero"`
}

type spreadJSON struct {
	Distribution string      `json:"distribution"`
	GSD          decimalText `json:"gsd,omitzero"`
	Low          decimalText `json:"low,omitzero"`
	High         decimalText `json:"high,omitzero"`
}

type factorDataJSON struct {
	ValidUntil       string          `json:"valid_until,omitempty"`
	Spread           *spreadJSON     `json:"spread,omitempty"`
	Pedigree         []int           `json:"pedigree,omitempty"`
	Characterisation string          `json:"characterisation,omitempty"`
	Fossil           decimalText     `json:"fossil,omitzero"`
	Biogenic         decimalText     `json:"biogenic,omitzero"`
	LandUse          decimalText     `json:"land_use,omitzero"`
	Allocation       string          `json:"allocation,omitempty"`
	Alternatives     []allocatedJSON `json:"alternatives,omitempty"`
}

type allocatedJSON struct {
	Allocation string      `json:"allocation"`
	Factor     decimalText `json:"factor"`
}

func (s *Spread) json() *spreadJSON {
	if s == nil {
		return nil
	}
	return &spreadJSON{s.Distribution, decimalText{s.GSD}, decimalText{s.Low}, decimalText{s.High}}
}

func (s *spreadJSON) spread() *Spread {
	if s == nil {
		return nil
	}
	return &Spread{s.Distribution, s.GSD.NullDecimal, s.Low.NullDecimal, s.High.NullDecimal}
}

func (d FactorData) json() factorDataJSON {
	w := factorDataJSON{ValidUntil: d.ValidUntil, Spread: d.Spread.json(), Characterisation: d.Characterisation,
		Fossil: decimalText{d.Fossil}, Biogenic: decimalText{d.Biogenic}, LandUse: decimalText{d.LandUse}, Allocation: d.Allocation}
	if d.Pedigree != (Pedigree{}) {
		w.Pedigree = d.Pedigree[:]
	}
	for _, a := range d.Alternatives {
		w.Alternatives = append(w.Alternatives, allocatedJSON{a.Allocation, present(a.Factor)})
	}
	return w
}

func (w factorDataJSON) data() (d FactorData, err error) {
	d = FactorData{ValidUntil: w.ValidUntil, Spread: w.Spread.spread(), Characterisation: w.Characterisation,
		Fossil: w.Fossil.NullDecimal, Biogenic: w.Biogenic.NullDecimal, LandUse: w.LandUse.NullDecimal, Allocation: w.Allocation}
	if w.Pedigree != nil && copy(d.Pedigree[:], w.Pedigree) != len(w.Pedigree) || len(w.Pedigree)%len(d.Pedigree) != 0 {
		return d, errPedigree
	}
	for n, a := range w.Alternatives {
		if !a.Factor.Valid {
			return d, fmt.Errorf("alternative %d has no factor", n+1)
		}
		d.Alternatives = append(d.Alternatives, AllocatedFactor{a.Allocation, a.Factor.Decimal})
	}
	return d, nil
}

type partJSON struct {
	Item   string      `json:"item"`
	Amount decimalText `json:"amount"`
}

// decimalText is a decimal as a JSON string in canonical form, so that 2.50 and
// 2.5 are one text and hash equal.
type decimalText struct{ decimal.NullDecimal }

func present(d decimal.Decimal) decimalText { return decimalText{decimal.NewNullDecimal(d)} }

// IsZero tells an absent decimal, which is not a decimal of zero.
func (d decimalText) IsZero() bool { return !d.Valid }

// MarshalJSONTo writes the canonical text.
func (d decimalText) MarshalJSONTo(e *jsontext.Encoder) error {
	return e.WriteToken(jsontext.String(num.Canonical(d.Decimal)))
}

// UnmarshalJSONFrom reads a string that num.Parse accepts; a JSON number is
// refused, because readers of JSON numbers may round them.
func (d *decimalText) UnmarshalJSONFrom(dec *jsontext.Decoder) error {
	token, err := dec.ReadToken()
	if err != nil {
		return err
	}
	if token.Kind() != '"' {
		return errors.New("a decimal is a string, as in \"2.5\"")
	}
	value, err := num.Parse(token.String())
	if err != nil {
		return err
	}
	*d = present(value)
	return nil
}

// strict is how every JSON text of this package is read: unknown members,
// duplicate members, other cases and invalid UTF-8 are errors.
var strict = json.JoinOptions(json.RejectUnknownMembers(true), json.MatchCaseInsensitiveNames(false))

// MarshalJSON writes the item with its fields in a fixed order.
func (i Item) MarshalJSON() ([]byte, error) { return json.Marshal(i.json(), json.Deterministic(true)) }

func (i *Item) json() *itemJSON {
	w := itemJSON{
		Code: i.Code, Category: i.Category, Name: i.Name, Unit: i.Unit,
		Density: decimalText{i.Density}, UnitMass: decimalText{i.UnitMass},
		Solids: decimalText{i.Solids}, BatchVolume: decimalText{i.BatchVolume},
		Module: i.Module, DefaultFor: i.DefaultFor, Boundary: i.Boundary,
		FactorSource: i.FactorSource, FactorData: i.FactorData.json(), Note: i.Note, Layer: i.Layer,
	}
	if p := i.Price; p != nil {
		w.Price = &priceJSON{present(p.Amount), p.Currency, p.Date, p.Basis, p.Tax, p.ValidUntil, p.Spread.json(), decimalText{p.MinQuantity}, nil, p.Source}
		if q := p.Quoted; q != nil {
			w.Price.Quoted = &quotedJSON{present(q.Amount), q.Currency, q.Date, decimalText{q.Rate}, q.RateDate, q.RateSource, q.IndexSeries, decimalText{q.IndexFrom}, decimalText{q.IndexTo}}
		}
	}
	if len(i.Factors) > 0 {
		w.Factors = factorsJSON(i.Factors)
	}
	for _, part := range i.Recipe {
		w.Recipe = append(w.Recipe, partJSON{part.Item, present(part.Amount)})
	}
	return &w
}

func factorsJSON(factors map[string]decimal.Decimal) map[string]decimalText {
	w := make(map[string]decimalText, len(factors))
	for key, value := range factors {
		w[key] = present(value)
	}
	return w
}

// UnmarshalJSON reads what MarshalJSON writes and refuses everything else. It
// checks form only; Validate checks meaning.
func (i *Item) UnmarshalJSON(text []byte) error {
	var w itemJSON
	if err := json.Unmarshal(text, &w, strict); err != nil {
		return err
	}
	*i = Item{
		Code: w.Code, Category: w.Category, Name: w.Name, Unit: w.Unit,
		Density: w.Density.NullDecimal, UnitMass: w.UnitMass.NullDecimal,
		Solids: w.Solids.NullDecimal, BatchVolume: w.BatchVolume.NullDecimal,
		Module: w.Module, DefaultFor: w.DefaultFor, Boundary: w.Boundary,
		FactorSource: w.FactorSource, Note: w.Note, Layer: w.Layer,
	}
	data, err := w.FactorData.data()
	if err != nil {
		return err
	}
	i.FactorData = data
	if p := w.Price; p != nil {
		if !p.Amount.Valid {
			return errors.New("price has no amount")
		}
		i.Price = &Price{p.Amount.Decimal, p.Currency, p.Date, p.Basis, p.Tax, p.ValidUntil, p.Spread.spread(), p.MinQuantity.NullDecimal, nil, p.Source}
		if q := p.Quoted; q != nil {
			if !q.Amount.Valid {
				return errors.New("quoted has no amount")
			}
			i.Price.Quoted = &Quoted{q.Amount.Decimal, q.Currency, q.Date, q.Rate.NullDecimal, q.RateDate, q.RateSource, q.IndexSeries, q.IndexFrom.NullDecimal, q.IndexTo.NullDecimal}
		}
	}
	if len(w.Factors) > 0 {
		i.Factors = make(map[string]decimal.Decimal, len(w.Factors))
		for key, value := range w.Factors {
			i.Factors[key] = value.Decimal
		}
	}
	for n, part := range w.Recipe {
		if !part.Amount.Valid {
			return fmt.Errorf("part %d of the recipe has no amount", n+1)
		}
		i.Recipe = append(i.Recipe, RecipePart{part.Item, part.Amount.Decimal})
	}
	return nil
}

// ReadMeta reads the small file that stands beside the rows of an inventory:
//
//	{"slug":"demo","name":"…","region":"XA","currency":"EUR","invented":true}
//
// Every member is required, and no other is accepted. What is read is valid by
// the rules of Validate and ValidSlug.
func ReadMeta(text []byte) (slug string, m Meta, err error) {
	var w struct {
		Slug     *string `json:"slug"`
		Name     *string `json:"name"`
		Region   *string `json:"region"`
		Currency *string `json:"currency"`
		Invented *bool   `json:"invented"`
	}
	if err := json.Unmarshal(text, &w, strict); err != nil {
		return "", Meta{}, fmt.Errorf("inventory description: %w", err)
	}
	if w.Slug == nil || w.Name == nil || w.Region == nil || w.Currency == nil || w.Invented == nil {
		return "", Meta{}, errors.New("inventory description: slug, name, region, currency and invented are all required")
	}
	if !ValidSlug(*w.Slug) {
		return "", Meta{}, fmt.Errorf("inventory description: slug %q: %s", *w.Slug, slugRule)
	}
	m = Meta{Name: *w.Name, Region: *w.Region, Currency: *w.Currency, Invented: *w.Invented}
	for _, p := range Validate(m, nil) {
		return "", Meta{}, fmt.Errorf("inventory description: %s %q: %s", p.Column, p.Found, p.Detail)
	}
	return *w.Slug, m, nil
}
