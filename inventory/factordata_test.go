package inventory_test

import (
	"fmt"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"slabledger/inventory"
)

// What more is said of a price and of factors must hold together; the problems are
// written as "column code".
func TestValidateFactorData(t *testing.T) {
	const cement, electricity, mixer = 0, 1, 4
	quoted := func(i *inventory.Item) *inventory.Quoted {
		// 1.5 NOK at an index of 120, restated to 132 and converted: 0.1420 has no part in it.
		i.Price.Quoted = &inventory.Quoted{Amount: dec("1.5"), Currency: "NOK", Date: "2025-01-15", Rate: null("0.086"), RateDate: "2026-01-14", RateSource: "Published rate, invented",
			IndexSeries: "Construction costs, invented", IndexFrom: null("120"), IndexTo: null("132")}
		i.Price.Amount = dec("0.1419") // 1.5 * 0.086 * 132 / 120
		return i.Price.Quoted
	}
	split := func(i *inventory.Item, total, fossil, biogenic, land string) {
		i.Factors[i.MainFactor()] = dec(total)
		i.FactorData.Fossil, i.FactorData.Biogenic, i.FactorData.LandUse = null(fossil), null(biogenic), null(land)
	}
	for name, test := range map[string]struct {
		at    int
		spoil func(*inventory.Item)
		want  []string
	}{
		"price quoted elsewhere and before": {cement, func(i *inventory.Item) { quoted(i) }, nil},
		"a digit off what was quoted":       {cement, func(i *inventory.Item) { quoted(i); i.Price.Amount = dec("0.1418") }, []string{"price number-out-of-range"}},
		"no rate":                           {cement, func(i *inventory.Item) { quoted(i).Rate.Valid = false }, []string{"price_exchange_rate value-missing"}},
		"a rate without its day":            {cement, func(i *inventory.Item) { quoted(i).RateDate = "" }, []string{"price_exchange_rate value-missing"}},
		"a rate of 0":                       {cement, func(i *inventory.Item) { quoted(i).Rate = null("0") }, []string{"price_exchange_rate number-out-of-range"}},
		"an index of 0":                     {cement, func(i *inventory.Item) { quoted(i).IndexFrom = null("0") }, []string{"price_index_from number-out-of-range"}},
		"half an index":                     {cement, func(i *inventory.Item) { quoted(i).IndexTo.Valid = false }, []string{"price_index_series value-missing"}},
		"another day without an index": {cement, func(i *inventory.Item) {
			q := quoted(i)
			q.IndexSeries, q.IndexFrom.Valid, q.IndexTo.Valid = "", false, false
			i.Price.Amount = dec("0.129")
		}, []string{"price_quoted_date value-not-allowed"}},
		"a rate of the same currency": {cement, func(i *inventory.Item) { quoted(i).Currency = "EUR" }, []string{"price_exchange_rate value-not-allowed"}},
		"price valid to no day":       {cement, func(i *inventory.Item) { i.Price.ValidUntil = "2026-02-30" }, []string{"price_valid_until date-invalid"}},
		"factor valid to no day":      {cement, func(i *inventory.Item) { i.FactorData.ValidUntil = "06/04/2030" }, []string{"factor_valid_until date-invalid"}},
		"lognormal of 1": {cement, func(i *inventory.Item) {
			i.FactorData.Spread = &inventory.Spread{Distribution: "lognormal", GSD: null("1")}
		}, []string{"factor_spread number-out-of-range"}},
		"negative deviation": {cement, func(i *inventory.Item) {
			i.FactorData.Spread = &inventory.Spread{Distribution: "lognormal", GSD: null("-2")}
		}, []string{"factor_spread number-out-of-range"}},
		"mode outside": {cement, func(i *inventory.Item) {
			i.FactorData.Spread = &inventory.Spread{Distribution: "triangular", Low: null("1.1"), High: null("1.3")}
		}, []string{"factor_spread number-out-of-range"}},
		"uniform of no width": {cement, func(i *inventory.Item) {
			i.Price.Spread = &inventory.Spread{Distribution: "uniform", Low: null("1"), High: null("1")}
		}, []string{"price_spread number-out-of-range"}},
		"normal":                    {cement, func(i *inventory.Item) { i.Price.Spread = &inventory.Spread{Distribution: "normal"} }, []string{"price_spread value-unknown"}},
		"a score of 6":              {cement, func(i *inventory.Item) { i.FactorData.Pedigree = inventory.Pedigree{1, 2, 3, 4, 6} }, []string{"factor_pedigree number-out-of-range"}},
		"four scores":               {cement, func(i *inventory.Item) { i.FactorData.Pedigree = inventory.Pedigree{1, 2, 3, 4} }, []string{"factor_pedigree number-out-of-range"}},
		"set of potentials unknown": {cement, func(i *inventory.Item) { i.FactorData.Characterisation = "AR6" }, []string{"characterisation value-unknown"}},
		// 101 - 1.5 + 0.5 = 100; 0.6 % more than that is more than rounding.
		"parts that sum":                  {cement, func(i *inventory.Item) { split(i, "100", "101", "-1.5", "0.5") }, nil},
		"parts that sum but for rounding": {cement, func(i *inventory.Item) { split(i, "100", "101.5", "-1.5", "0.5") }, nil},
		"parts 0.6 % apart":               {cement, func(i *inventory.Item) { split(i, "100", "101.6", "-1.5", "0.5") }, []string{"gwp_fossil number-out-of-range"}},
		"negative fossil":                 {cement, func(i *inventory.Item) { i.FactorData.Fossil = null("-1") }, []string{"gwp_fossil number-out-of-range"}},
		"allocation unknown":              {cement, func(i *inventory.Item) { i.FactorData.Allocation = "by weight" }, []string{"allocation value-unknown"}},
		"other allocations without its own": {cement, func(i *inventory.Item) {
			i.FactorData.Alternatives = []inventory.AllocatedFactor{{Allocation: "mass", Factor: dec("1.2")}}
		}, []string{"allocation value-missing"}},
		"its own allocation again": {cement, func(i *inventory.Item) {
			i.FactorData.Allocation = "mass"
			i.FactorData.Alternatives = []inventory.AllocatedFactor{{Allocation: "mass", Factor: dec("1.2")}}
		}, []string{"allocation_alternatives duplicate-code"}},
		"about no factor":    {mixer, func(i *inventory.Item) { i.FactorData.Characterisation, i.FactorData.ValidUntil = "ar6", "2030-01-01" }, []string{"factor_valid_until value-not-allowed", "characterisation value-not-allowed"}},
		"a layer of nothing": {electricity, func(i *inventory.Item) { i.Layer = "base@1" }, []string{"layer value-not-allowed"}},
		"no layer":           {electricity, func(i *inventory.Item) { i.Layer = "base" }, []string{"layer slug-invalid"}},
	} {
		t.Run(name, func(t *testing.T) {
			items := sample()
			test.spoil(&items[test.at])
			var got []string
			for _, p := range inventory.Validate(meta, items) {
				if p.Item != test.at {
					t.Errorf("item %d: %+v", p.Item, p)
				}
				got = append(got, p.Column+" "+p.Code)
			}
			if diff := cmp.Diff(test.want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// A price of 100 at an index of 120 is 110 at 132 (FHWA and OMB practice: prices move
// with the quotient of the index).
func ExampleQuoted_Price() {
	q := inventory.Quoted{Amount: dec("100"), IndexFrom: null("120"), IndexTo: null("132")}
	price, _ := q.Price()
	fmt.Println(price)
	// Output: 110
}

func TestDiff(t *testing.T) {
	before, after := sample(), sample()
	after[0].Price.Amount = dec("0.1491") // 5 % more
	after[0].Note = ""
	after = append(after[:1], after[2:]...)
	after = append(after, inventory.Item{Code: "fibre-pp", Category: inventory.Fibre, Name: "Fibre", Unit: "kg"})
	slices.Reverse(after)
	d := inventory.Diff(before, after)
	want := []inventory.ItemChange{{Code: "cement-cem-i", Fields: []inventory.FieldChange{
		{Column: "price", Before: "0.142", After: "0.1491", Percent: null("5")}, {Column: "note", Before: "bulk, by silo lorry"}}}}
	if diff := cmp.Diff(want, d.Changed); diff != "" {
		t.Error(diff)
	}
	if len(d.Added) != 1 || d.Added[0].Code != "fibre-pp" || len(d.Removed) != 1 || d.Removed[0].Code != "electricity" {
		t.Errorf("%+v", d)
	}
	if !inventory.Diff(before, sample()).Empty() {
		t.Error("equal lists differ")
	}
}

// An inventory that extends another has what the other has, but for its own items.
func TestLayered(t *testing.T) {
	base := inventory.Version{Slug: "base", Number: 3, Items: sample()}
	base.Items[1].Layer = "world@1"
	own := sample()[:1]
	own[0].Price.Amount = dec("0.2")
	resolved, problems := inventory.Layered(base, own)
	if problems != nil {
		t.Fatalf("%+v", problems)
	}
	layers := map[string]string{}
	for _, i := range resolved {
		layers[i.Code] = i.Layer
	}
	want := map[string]string{"cement-cem-i": "", "electricity": "world@1", "joint-sawing": "base@3", "landfill": "base@3", "mixer-pan": "base@3", "superplasticiser": "base@3"}
	if diff := cmp.Diff(want, layers); diff != "" {
		t.Error(diff)
	}
	// What an export writes is read as it is, and its own items are its own again.
	again, problems := inventory.Layered(base, resolved)
	if problems != nil || !inventory.Diff(resolved, again).Empty() {
		t.Errorf("%+v", problems)
	}
	if got := inventory.Own(resolved); len(got) != 1 || got[0].Code != "cement-cem-i" {
		t.Errorf("own: %+v", got)
	}
	// An own row says all of its item; what the base says beside that is gone, and said.
	own[0].Factors, own[0].FactorSource = nil, nil
	if doubts := inventory.Dropped(base, own); len(doubts) != 1 || doubts[0].Code != inventory.DoubtDropped || doubts[0].Column != "gwp_a1_a3" {
		t.Errorf("%+v", doubts)
	}
	for name, test := range map[string]struct {
		spoil func(*inventory.Item)
		want  string
	}{
		"another unit":     {func(i *inventory.Item) { i.Unit = "t" }, "unit layer-unit-conflict"},
		"another category": {func(i *inventory.Item) { i.Category = inventory.SCM }, "category layer-unit-conflict"},
		"not as it was":    {func(i *inventory.Item) { i.Layer = "base@3" }, "layer layer-differs"},
	} {
		own := sample()[:1]
		own[0].Price.Amount = dec("0.2")
		test.spoil(&own[0])
		if _, problems := inventory.Layered(base, own); len(problems) != 1 || problems[0].Column+" "+problems[0].Code != test.want {
			t.Errorf("%s: %+v", name, problems)
		}
	}
}
