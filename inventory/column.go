package inventory

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// ColumnKind is what a cell of a column holds.
type ColumnKind int

// Kinds of column.
const (
	TextColumn    ColumnKind = iota
	DecimalColumn            // a plain decimal in canonical form
	YearColumn               // a calendar year
	RecipeColumn             // "electricity=55; plant-hire=1"
	FormColumn               // a text in a form of its own, such as a spread
)

// Column is one column of an inventory laid out flat, as in a CSV file or a
// table of a database. An empty cell means absent, never zero.
type Column struct {
	Name     string
	Kind     ColumnKind
	Required bool // in the header of a CSV file

	day bool // texts are days of the calendar
	get func(*Item) string
	set func(*Item, string) error
}

// Text returns the cell of an item, empty where the item has no such value.
func (c Column) Text(i *Item) string { return c.get(i) }

// Set reads a cell into an item; an empty cell changes nothing.
func (c Column) Set(i *Item, cell string) error {
	if cell == "" {
		return nil
	}
	return c.set(i, cell)
}

// Columns lists the columns in the order in which they are written. Together
// they hold all of an item.
func Columns() []Column { return columns }

// ItemColumns lists the columns of one row per item in a database: all but the
// recipe, whose parts are rows of their own.
func ItemColumns() []Column {
	return slices.DeleteFunc(slices.Clone(columns), func(c Column) bool { return c.Kind == RecipeColumn })
}

// ColumnNames lists the names of columns.
func ColumnNames(columns []Column) []string {
	names := make([]string, len(columns))
	for n, c := range columns {
		names[n] = c.Name
	}
	return names
}

var columns = func() []Column {
	price := func(i *Item) *Price {
		if i.Price == nil {
			i.Price = &Price{}
		}
		return i.Price
	}
	priceText := func(name string, field func(*Price) *string) Column {
		return text(name, func(i *Item) *string {
			if i.Price == nil {
				return nil
			}
			return field(i.Price)
		}, func(i *Item) *string { return field(price(i)) })
	}

	all := []Column{
		required(itemText("code", func(i *Item) *string { return &i.Code })),
		required(itemText("category", func(i *Item) *string { return (*string)(&i.Category) })),
		required(itemText("name", func(i *Item) *string { return &i.Name })),
		required(itemText("unit", func(i *Item) *string { return &i.Unit })),
		number("density_kg_per_m3", func(i *Item) *decimal.NullDecimal { return &i.Density }),
		number("unit_mass_kg", func(i *Item) *decimal.NullDecimal { return &i.UnitMass }),
		number("solids_percent", func(i *Item) *decimal.NullDecimal { return &i.Solids }),
		number("batch_volume_m3", func(i *Item) *decimal.NullDecimal { return &i.BatchVolume }),
		itemText("module", func(i *Item) *string { return &i.Module }),
		itemText("default_for", func(i *Item) *string { return &i.DefaultFor }),
		itemText("boundary", func(i *Item) *string { return &i.Boundary }),
		{
			Name: "price", Kind: DecimalColumn,
			get: func(i *Item) string {
				if i.Price == nil {
					return ""
				}
				return num.Canonical(i.Price.Amount)
			},
			set: func(i *Item, cell string) (err error) {
				price(i).Amount, err = num.Parse(cell)
				return err
			},
		},
		priceText("price_currency", func(p *Price) *string { return &p.Currency }),
		priceText("price_date", func(p *Price) *string { return &p.Date }),
		priceText("price_basis", func(p *Price) *string { return &p.Basis }),
		priceText("price_tax", func(p *Price) *string { return &p.Tax }),
		priceText("price_valid_until", func(p *Price) *string { return &p.ValidUntil }),
		spread("price_spread", func(i *Item, create bool) **Spread {
			if i.Price == nil && !create {
				return nil
			}
			return &price(i).Spread
		}),
		numberIn("price_min_quantity", func(i *Item) *decimal.NullDecimal {
			if i.Price == nil {
				return nil
			}
			return &i.Price.MinQuantity
		}, func(i *Item) *decimal.NullDecimal { return &price(i).MinQuantity }),
	}
	quoted := func(i *Item) *Quoted {
		if price(i).Quoted == nil {
			i.Price.Quoted = &Quoted{}
		}
		return i.Price.Quoted
	}
	has := func(i *Item) bool { return i.Price != nil && i.Price.Quoted != nil }
	quotedText := func(name string, field func(*Quoted) *string) Column {
		return text(name, func(i *Item) *string {
			if !has(i) {
				return nil
			}
			return field(i.Price.Quoted)
		}, func(i *Item) *string { return field(quoted(i)) })
	}
	quotedNumber := func(name string, field func(*Quoted) *decimal.NullDecimal) Column {
		return numberIn(name, func(i *Item) *decimal.NullDecimal {
			if !has(i) {
				return nil
			}
			return field(i.Price.Quoted)
		}, func(i *Item) *decimal.NullDecimal { return field(quoted(i)) })
	}
	all = append(all,
		Column{
			Name: "price_quoted", Kind: DecimalColumn,
			get: func(i *Item) string {
				if !has(i) {
					return ""
				}
				return num.Canonical(i.Price.Quoted.Amount)
			},
			set: func(i *Item, cell string) (err error) {
				quoted(i).Amount, err = num.Parse(cell)
				return err
			},
		},
		quotedText("price_quoted_currency", func(q *Quoted) *string { return &q.Currency }),
		quotedText("price_quoted_date", func(q *Quoted) *string { return &q.Date }),
		quotedNumber("price_exchange_rate", func(q *Quoted) *decimal.NullDecimal { return &q.Rate }),
		quotedText("price_exchange_date", func(q *Quoted) *string { return &q.RateDate }),
		quotedText("price_exchange_source", func(q *Quoted) *string { return &q.RateSource }),
		quotedText("price_index_series", func(q *Quoted) *string { return &q.IndexSeries }),
		quotedNumber("price_index_from", func(q *Quoted) *decimal.NullDecimal { return &q.IndexFrom }),
		quotedNumber("price_index_to", func(q *Quoted) *decimal.NullDecimal { return &q.IndexTo }),
	)
	all = append(all, source("price_source", func(i *Item, create bool) *Source {
		if i.Price == nil && !create {
			return nil
		}
		return &price(i).Source
	})...)
	for _, key := range FactorKeys() {
		all = append(all, factor(key))
	}
	all = append(all, source("factor_source", func(i *Item, create bool) *Source {
		if i.FactorSource == nil && create {
			i.FactorSource = &Source{}
		}
		return i.FactorSource
	})...)
	all = append(all,
		itemText("factor_valid_until", func(i *Item) *string { return &i.FactorData.ValidUntil }),
		spread("factor_spread", func(i *Item, _ bool) **Spread { return &i.FactorData.Spread }),
		Column{Name: "factor_pedigree", Kind: FormColumn, get: pedigreeText, set: setPedigree},
		itemText("characterisation", func(i *Item) *string { return &i.FactorData.Characterisation }),
		number("gwp_fossil", func(i *Item) *decimal.NullDecimal { return &i.FactorData.Fossil }),
		number("gwp_biogenic", func(i *Item) *decimal.NullDecimal { return &i.FactorData.Biogenic }),
		number("gwp_land_use", func(i *Item) *decimal.NullDecimal { return &i.FactorData.LandUse }),
		itemText("allocation", func(i *Item) *string { return &i.FactorData.Allocation }),
		Column{Name: "allocation_alternatives", Kind: FormColumn, get: alternativesText, set: setAlternatives},
		itemText("layer", func(i *Item) *string { return &i.Layer }),
		Column{Name: "recipe", Kind: RecipeColumn, get: recipeText, set: setRecipe},
		itemText("note", func(i *Item) *string { return &i.Note }),
	)
	for n, c := range all {
		all[n].day = c.Kind == TextColumn && (strings.HasSuffix(c.Name, "_date") || strings.HasSuffix(c.Name, "_until"))
	}
	return all
}()

func required(c Column) Column {
	c.Required = true
	return c
}

// text is a column of a string that find looks up (nil: absent) and reach
// makes room for.
func text(name string, find, reach func(*Item) *string) Column {
	return Column{
		Name: name,
		get: func(i *Item) string {
			if s := find(i); s != nil {
				return *s
			}
			return ""
		},
		set: func(i *Item, cell string) error {
			*reach(i) = cell
			return nil
		},
	}
}

func itemText(name string, field func(*Item) *string) Column { return text(name, field, field) }

func number(name string, field func(*Item) *decimal.NullDecimal) Column {
	return numberIn(name, field, field)
}

// numberIn is a column of a number that find looks up (nil: absent) and reach makes
// room for.
func numberIn(name string, find, reach func(*Item) *decimal.NullDecimal) Column {
	return Column{
		Name: name, Kind: DecimalColumn,
		get: func(i *Item) string {
			if d := find(i); d != nil && d.Valid {
				return num.Canonical(d.Decimal)
			}
			return ""
		},
		set: func(i *Item, cell string) error {
			d, err := num.Parse(cell)
			*reach(i) = decimal.NewNullDecimal(d)
			return err
		},
	}
}

// spread is a column of a distribution; at returns nil where there is no room for
// one and it is not to be made.
func spread(name string, at func(i *Item, create bool) **Spread) Column {
	return Column{
		Name: name, Kind: FormColumn,
		get: func(i *Item) string {
			if s := at(i, false); s != nil && *s != nil {
				return (*s).String()
			}
			return ""
		},
		set: func(i *Item, cell string) (err error) {
			*at(i, true), err = ReadSpread(cell)
			return err
		},
	}
}

var errSpread = errors.New(`a spread is "lognormal 1.2" (geometric standard deviation), "triangular 0.8 1.3" or "uniform 0.9 1.1" (multiples of the number)`)

// ReadSpread reads a spread as String writes it.
func ReadSpread(text string) (*Spread, error) {
	words := strings.Split(text, " ")
	numbers := make([]decimal.NullDecimal, len(words)-1)
	for n := range numbers {
		d, err := num.Parse(words[n+1])
		if err != nil {
			return nil, errSpread
		}
		numbers[n] = decimal.NewNullDecimal(d)
	}
	s := &Spread{Distribution: words[0]}
	switch {
	case s.Distribution == Lognormal && len(numbers) == 1:
		s.GSD = numbers[0]
	case (s.Distribution == Triangular || s.Distribution == Uniform) && len(numbers) == 2:
		s.Low, s.High = numbers[0], numbers[1]
	default:
		return nil, errSpread
	}
	return s, nil
}

// String is the spread in one line, as in "triangular 0.8 1.3".
func (s *Spread) String() string {
	text := s.Distribution
	for _, d := range []decimal.NullDecimal{s.GSD, s.Low, s.High} {
		if d.Valid {
			text += " " + num.Canonical(d.Decimal)
		}
	}
	return text
}

var errPedigree = errors.New(`a pedigree is five scores from 1 to 5, as in "2 1 3 1 2": reliability, completeness, time, geography, technology`)

func pedigreeText(i *Item) string {
	if i.FactorData.Pedigree == (Pedigree{}) {
		return ""
	}
	return strings.Trim(fmt.Sprint(i.FactorData.Pedigree), "[]")
}

func setPedigree(i *Item, cell string) error {
	words := strings.Split(cell, " ")
	if len(words) != len(i.FactorData.Pedigree) {
		return errPedigree
	}
	for n, w := range words {
		score, err := strconv.Atoi(w)
		if err != nil || score < 1 || score > 5 || len(w) != 1 {
			return errPedigree
		}
		i.FactorData.Pedigree[n] = score
	}
	return nil
}

var errAlternatives = errors.New(`factors by other allocations are a list, as in "economic=0.1466; mass=1.2"`)

func alternativesText(i *Item) string {
	parts := make([]string, len(i.FactorData.Alternatives))
	for n, a := range i.FactorData.Alternatives {
		parts[n] = a.Allocation + "=" + num.Canonical(a.Factor)
	}
	return strings.Join(parts, "; ")
}

func setAlternatives(i *Item, cell string) error {
	i.FactorData.Alternatives = nil
	for part := range strings.SplitSeq(cell, ";") {
		name, factor, found := strings.Cut(strings.TrimSpace(part), "=")
		d, err := num.Parse(factor)
		if !found || err != nil || len(i.FactorData.Alternatives) == len(Allocations()) {
			return errAlternatives
		}
		i.FactorData.Alternatives = append(i.FactorData.Alternatives, AllocatedFactor{name, d})
	}
	return nil
}

// FactorColumn is the name of the column of a factor key: "gwp_a1_a3" of "A1-A3".
func FactorColumn(key string) string { return factorColumns[key] }

var factorColumns = func() map[string]string {
	names := map[string]string{}
	for _, key := range FactorKeys() {
		names[key] = "gwp_" + strings.ToLower(strings.ReplaceAll(key, "-", "_"))
	}
	return names
}()

func factor(key string) Column {
	return Column{
		Name: FactorColumn(key), Kind: DecimalColumn,
		get: func(i *Item) string {
			if d, ok := i.Factors[key]; ok {
				return num.Canonical(d)
			}
			return ""
		},
		set: func(i *Item, cell string) error {
			d, err := num.Parse(cell)
			if i.Factors == nil {
				i.Factors = map[string]decimal.Decimal{}
			}
			i.Factors[key] = d
			return err
		},
	}
}

var errYear = errors.New("a year has four digits")

// source is the columns of a source; at returns nil where there is none and it
// is not to be made.
func source(prefix string, at func(i *Item, create bool) *Source) []Column {
	field := func(name string, of func(*Source) *string) Column {
		return text(prefix+name, func(i *Item) *string {
			if s := at(i, false); s != nil {
				return of(s)
			}
			return nil
		}, func(i *Item) *string { return of(at(i, true)) })
	}
	return []Column{
		field("_kind", func(s *Source) *string { return (*string)(&s.Kind) }),
		field("_title", func(s *Source) *string { return &s.Title }),
		field("_publisher", func(s *Source) *string { return &s.Publisher }),
		{
			Name: prefix + "_year", Kind: YearColumn,
			get: func(i *Item) string {
				if s := at(i, false); s != nil && s.Year != 0 {
					return strconv.Itoa(s.Year)
				}
				return ""
			},
			set: func(i *Item, cell string) error {
				s := at(i, true)
				year, err := strconv.Atoi(cell)
				if err != nil || len(cell) != 4 || year < 1000 {
					return errYear
				}
				s.Year = year
				return nil
			},
		},
		field("_reference", func(s *Source) *string { return &s.Reference }),
		field("_licence", func(s *Source) *string { return &s.Licence }),
	}
}

func recipeText(i *Item) string {
	parts := make([]string, len(i.Recipe))
	for n, p := range i.Recipe {
		parts[n] = p.Item + "=" + num.Canonical(p.Amount)
	}
	return strings.Join(parts, "; ")
}

var errRecipe = errors.New(`a recipe is a list of code=amount, as in "electricity=55; plant-hire=1"`)

func setRecipe(i *Item, cell string) error {
	i.Recipe = []RecipePart{}
	if strings.Count(cell, ";") >= MaxRecipeParts {
		return errParts
	}
	for part := range strings.SplitSeq(cell, ";") {
		code, amount, found := strings.Cut(strings.TrimSpace(part), "=")
		if !found {
			return errRecipe
		}
		d, err := num.Parse(amount)
		if err != nil {
			return err
		}
		i.Recipe = append(i.Recipe, RecipePart{code, d})
	}
	return nil
}
