package inventory_test

import (
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"strings"
	"testing"

	"golang.org/x/text/unicode/norm"

	"slabledger/inventory"
	"slabledger/lca/num"
)

// meta is that of an invented place.
var meta = inventory.Meta{Name: "Sablon Coast, 2026 prices", Region: "XA-01", Currency: "EUR", Invented: true}

func dec(s string) decimal.Decimal {
	d, err := num.Parse(s)
	if err != nil {
		panic(s + ": " + err.Error())
	}
	return d
}

func null(s string) decimal.NullDecimal { return decimal.NewNullDecimal(dec(s)) }

func invented(title string) inventory.Source {
	return inventory.Source{Kind: inventory.Invented, Title: title}
}

func price(amount string) *inventory.Price {
	return &inventory.Price{Amount: dec(amount), Currency: "EUR", Date: "2026-01-15",
		Basis: inventory.BasisDelivered, Tax: inventory.TaxExcluded, Source: invented("Sablon price list")}
}

func factors(keyValue ...string) map[string]decimal.Decimal {
	m := map[string]decimal.Decimal{}
	for n := 0; n < len(keyValue); n += 2 {
		m[keyValue[n]] = dec(keyValue[n+1])
	}
	return m
}

// sample is a small valid inventory that uses every member of an item.
func sample() []inventory.Item {
	factorSource := &inventory.Source{Kind: inventory.EPD, Title: "Cement, invented", Publisher: "Sablon Cement",
		Year: 2025, Reference: "XA-EPD-001", Licence: "CC0-1.0"}
	return []inventory.Item{
		{Code: "cement-cem-i", Category: inventory.Cement, Name: "Cement CEM I", Unit: "kg",
			Density: null("3150"), Price: price("0.1420"),
			Factors:      factors("A1-A3", "0.842", "A4", "0.01", "D", "-0.0025"),
			FactorSource: factorSource, Note: "bulk, by silo lorry"},
		{Code: "electricity", Category: inventory.Energy, Name: "Électricité, réseau", Unit: "kWh",
			Boundary: inventory.WellToWheel, Price: price("0.21"),
			Factors: factors("process", "0.055"), FactorSource: &inventory.Source{Kind: inventory.AgencyTable, Title: "Grid"}},
		{Code: "joint-sawing", Category: inventory.Operation, Name: "Joint sawing", Unit: "m", Module: "B2",
			Recipe: []inventory.RecipePart{{Item: "mixer-pan", Amount: dec("0.02")}, {Item: "electricity", Amount: dec("1.5")}}},
		{Code: "landfill", Category: inventory.Disposal, Name: "Inert landfill", Unit: "t",
			DefaultFor: inventory.DefaultWasteDisposal, Factors: factors("process", "4.1", "C4", "4.1"),
			FactorSource: factorSource},
		{Code: "mixer-pan", Category: inventory.Plant, Name: "Pan mixer", Unit: "h", BatchVolume: null("2.5"),
			DefaultFor: inventory.DefaultMixing, Price: price("85")},
		{Code: "superplasticiser", Category: inventory.Admixture, Name: "Superplasticiser", Unit: "L",
			Density: null("1070"), UnitMass: null("1.07"), Solids: null("35")},
	}
}

// text draws any text that an inventory accepts: every plane of Unicode, in
// normalisation form C.
func text(max int) *rapid.Generator[string] {
	return rapid.Custom(func(t *rapid.T) string {
		s := rapid.OneOf(rapid.StringN(0, max, -1), rapid.StringMatching(`['=+@-]{1,3}[a-z "';,]{0,5}[a-z]`)).Draw(t, "text")
		s = strings.ToValidUTF8(s, "?")
		s = strings.Map(func(r rune) rune {
			if unseen(r) {
				return -1
			}
			return r
		}, s)
		s = strings.TrimSpace(norm.NFC.String(s))
		if s == "" {
			return "'"
		}
		return s
	})
}

// unseen tells what no text may hold, written down here once more, code point
// by code point: controls, line and paragraph separators, marks of direction.
func unseen(r rune) bool {
	return r < 0x20 || r >= 0x7f && r < 0xa0 || r == 0x61c || r >= 0x200e && r <= 0x200f ||
		r >= 0x2028 && r <= 0x202e || r >= 0x2066 && r <= 0x2069 || r == 0xfeff
}

func drawDecimal(t *rapid.T, label string) decimal.Decimal {
	places := rapid.Int32Range(0, 12).Draw(t, label+" places")
	return decimal.New(rapid.Int64Range(1, 999_999_999_999_999).Draw(t, label), -places)
}

func drawSource(t *rapid.T) inventory.Source {
	s := inventory.Source{Kind: rapid.SampledFrom(inventory.SourceKinds()).Draw(t, "kind"), Title: text(20).Draw(t, "title")}
	if rapid.Bool().Draw(t, "more of the source") {
		s.Publisher, s.Reference, s.Licence = text(10).Draw(t, "publisher"), text(10).Draw(t, "reference"), text(10).Draw(t, "licence")
		s.Year = rapid.IntRange(1900, 2100).Draw(t, "year")
	}
	return s
}

// drawItems draws a valid inventory in the currency of meta.
func drawItems(t *rapid.T) []inventory.Item {
	codes := rapid.SliceOfNDistinct(rapid.StringMatching(`[a-z0-9][a-z0-9.-]{0,8}`), 1, 8, rapid.ID[string]).Draw(t, "codes")
	var items []inventory.Item
	for n, code := range codes {
		i := inventory.Item{Code: code, Category: rapid.SampledFrom(inventory.Categories()).Draw(t, "category"),
			Name: text(40).Draw(t, "name"), Unit: rapid.SampledFrom(inventory.DeclaredUnits()).Draw(t, "unit")}
		if rapid.Bool().Draw(t, "dense") {
			i.Density = decimal.NewNullDecimal(drawDecimal(t, "density"))
		}
		if rapid.Bool().Draw(t, "noted") {
			i.Note = text(30).Draw(t, "note")
		}
		if n > 0 && i.Category.IsProcess() && len(items[0].Recipe) == 0 && rapid.Bool().Draw(t, "recipe") {
			i.Recipe = []inventory.RecipePart{{Item: items[0].Code, Amount: drawDecimal(t, "part")}}
			items = append(items, i)
			continue
		}
		if rapid.Bool().Draw(t, "priced") {
			i.Price = &inventory.Price{Amount: drawDecimal(t, "price"), Currency: meta.Currency, Date: "2024-02-29",
				Basis: inventory.BasisDelivered, Tax: inventory.TaxIncluded, Source: drawSource(t)}
			if rapid.Bool().Draw(t, "ends") {
				i.Price.ValidUntil, i.Price.Spread = "2027-12-31", &inventory.Spread{Distribution: inventory.Uniform, Low: null("0.9"), High: null("1.000000000001")}
			}
			if rapid.Bool().Draw(t, "in quantity") {
				i.Price.MinQuantity = decimal.NewNullDecimal(drawDecimal(t, "least").Add(decimal.New(1, -12)))
			}
			if rapid.Bool().Draw(t, "quoted") {
				i.Price.Quoted = &inventory.Quoted{Amount: decimal.New(rapid.Int64Range(0, 1e12).Draw(t, "quoted"), -6), Currency: "JPY", Date: "2023-01-01",
					Rate: null("0.0061"), RateDate: "2024-02-28", RateSource: text(20).Draw(t, "bank"), IndexSeries: text(20).Draw(t, "series"),
					IndexFrom: null("101.7"), IndexTo: decimal.NewNullDecimal(decimal.New(rapid.Int64Range(1, 1e6).Draw(t, "index"), -1))}
				i.Price.Amount, _ = i.Price.Quoted.Price()
			}
		}
		if rapid.Bool().Draw(t, "declared") {
			source := drawSource(t)
			i.FactorSource = &source
			key := inventory.FactorA1A3
			if i.Category.IsProcess() {
				key = inventory.FactorProcess
			} else {
				i.Factors = map[string]decimal.Decimal{inventory.FactorD: drawDecimal(t, "D").Neg()}
			}
			if i.Factors == nil {
				i.Factors = map[string]decimal.Decimal{}
			}
			i.Factors[key] = drawDecimal(t, "factor")
			if rapid.Bool().Draw(t, "known well") {
				i.FactorData = inventory.FactorData{ValidUntil: "2030-02-28", Spread: &inventory.Spread{Distribution: inventory.Lognormal, GSD: null("1.35")},
					Pedigree: inventory.Pedigree{1, 5, 2, 4, 3}, Characterisation: rapid.SampledFrom(inventory.Characterisations()).Draw(t, "set"),
					Biogenic: decimal.NewNullDecimal(drawDecimal(t, "biogenic").Neg()), Allocation: inventory.AllocationEconomic,
					Alternatives: []inventory.AllocatedFactor{{Allocation: inventory.AllocationMass, Factor: drawDecimal(t, "by mass")}, {Allocation: inventory.AllocationNone}}}
			}
		}
		items = append(items, i)
	}
	return items
}

func mustHash(t testing.TB, m inventory.Meta, items []inventory.Item) string {
	t.Helper()
	hash, err := inventory.Hash(m, items)
	if err != nil {
		t.Fatal(err)
	}
	return hash
}
