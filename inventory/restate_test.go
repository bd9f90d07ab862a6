package inventory_test

import (
	"errors"
	"fmt"
	"math/big"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/inventory"
)

const pricedColumns = header + ",price,price_currency,price_date,price_basis,price_tax,price_source_kind,price_source_title"

// priced is a CSV of cement at the prices given, each "amount currency date".
func priced(prices ...string) string {
	var b strings.Builder
	b.WriteString(pricedColumns + "\n")
	for n, p := range prices {
		fmt.Fprintf(&b, "c%d,cement,Cement,t,%s,ex-works,excluded,quotation,Offer\n", n, strings.ReplaceAll(p, " ", ","))
	}
	return b.String()
}

var (
	dollars = inventory.Rate{From: "USD", To: "EUR", Rate: dec("0.92"), Date: "2026-01-02", Source: "Central bank of Sablon"}
	yen     = inventory.Rate{From: "JPY", To: "EUR", Rate: dec("0.0061"), Date: "2026-01-02", Source: "Central bank of Sablon"}
	cement  = inventory.Index{Category: "cement", Series: "Producer prices, cement", Points: factors("2024-06", "120", "2026-01", "132", "2025-03", "125.5")}
)

func TestPricesOfOtherCurrencies(t *testing.T) {
	u, err := read(priced("155 USD 2025-11-03", "100 EUR 2025-11-03", "12345 JPY 2025-11-04", "0 USD 2025-11-03"), inventory.UploadOptions{Rates: []inventory.Rate{dollars, yen}})
	if err != nil {
		t.Fatal(err)
	}
	quoted := func(amount, currency, date, rate string) *inventory.Quoted {
		return &inventory.Quoted{Amount: dec(amount), Currency: currency, Date: date, Rate: null(rate), RateDate: "2026-01-02", RateSource: "Central bank of Sablon"}
	}
	want := []inventory.Price{
		{Amount: dec("142.6"), Currency: "EUR", Date: "2025-11-03", Quoted: quoted("155", "USD", "2025-11-03", "0.92")},
		{Amount: dec("100"), Currency: "EUR", Date: "2025-11-03"},
		{Amount: dec("75.3045"), Currency: "EUR", Date: "2025-11-04", Quoted: quoted("12345", "JPY", "2025-11-04", "0.0061")},
		{Amount: dec("0"), Currency: "EUR", Date: "2025-11-03", Quoted: quoted("0", "USD", "2025-11-03", "0.92")},
	}
	for n, item := range u.Items {
		if diff := cmp.Diff(want[n], *item.Price, cmpopts.IgnoreFields(inventory.Price{}, "Basis", "Tax", "Source")); diff != "" {
			t.Error(diff)
		}
	}
	notes := []inventory.RowNote{
		{Row: 2, Column: "price_currency", Code: "price-converted", Item: "c0", Detail: "prices in USD were converted at 0.92 EUR of 2026-01-02 (Central bank of Sablon)", More: 1},
		{Row: 4, Column: "price_currency", Code: "price-converted", Item: "c2", Detail: "prices in JPY were converted at 0.0061 EUR of 2026-01-02 (Central bank of Sablon)"},
	}
	if diff := cmp.Diff(notes, u.Notes); diff != "" {
		t.Error(diff)
	}
}

// No rate is fetched, inverted or chained: every row that needs one is told.
func TestMissingRates(t *testing.T) {
	back := dollars
	back.From, back.To = "EUR", "USD"
	for name, rates := range map[string][]inventory.Rate{"none": nil, "another": {yen}} {
		t.Run(name, func(t *testing.T) {
			u, err := read(priced("1 USD 2025-11-03", "1 EUR 2025-11-03", "1 GBP 2025-11-03", "1 USD 2025-11-04"), inventory.UploadOptions{Rates: rates})
			missing := func(row int, item, currency string) inventory.RowError {
				return inventory.RowError{Row: row, Item: item, Column: "price_currency", Code: "rate-missing", Found: currency}
			}
			wantRefusal(t, u, err, missing(2, "c0", "USD"), missing(4, "c2", "GBP"), missing(5, "c3", "USD"))
		})
	}
	u, err := read(priced("1 USD 2025-11-03"), inventory.UploadOptions{Rates: []inventory.Rate{back}})
	wantRefusal(t, u, err, inventory.RowError{Column: "rates", Code: "option-invalid", Found: "USD"},
		inventory.RowError{Row: 2, Item: "c0", Column: "price_currency", Code: "rate-missing", Found: "USD"})
	// What is no currency is no want of a rate, and a cell that cannot be read is
	// told once.
	u, err = read(priced("1  2025-11-03", "x USD 2025-11-03"), inventory.UploadOptions{})
	wantRefusal(t, u, err, inventory.RowError{Row: 2, Item: "c0", Column: "price_currency", Code: "value-missing"},
		inventory.RowError{Row: 3, Item: "c1", Column: "price", Code: "decimal-invalid", Found: "x"},
		inventory.RowError{Row: 3, Item: "c1", Column: "price_currency", Code: "currency-mismatch", Found: "USD"})
}

// 100 at an index of 120 is 110 at 132. Both days and both values stay with it.
func TestPricesAreRestated(t *testing.T) {
	o := inventory.UploadOptions{Indices: []inventory.Index{cement}, BaseMonth: "2026-01", Rates: []inventory.Rate{dollars}}
	u, err := read(priced("100 EUR 2024-06-15", "100 EUR 2026-01-31", "100 USD 2024-06-15", "100 EUR 2025-03-01")+
		"sand,aggregate,Sand,t,100,EUR,2024-06-15,ex-works,excluded,quotation,Offer\n", o)
	if err != nil {
		t.Fatal(err)
	}
	restated := func(amount, currency, date, from string) *inventory.Quoted {
		return &inventory.Quoted{Amount: dec(amount), Currency: currency, Date: date, IndexSeries: cement.Series, IndexFrom: null(from), IndexTo: null("132")}
	}
	inDollars := restated("100", "USD", "2024-06-15", "120")
	inDollars.Rate, inDollars.RateDate, inDollars.RateSource = null("0.92"), dollars.Date, dollars.Source
	want := []inventory.Price{
		{Amount: dec("110"), Currency: "EUR", Date: "2026-01-01", Quoted: restated("100", "EUR", "2024-06-15", "120")},
		{Amount: dec("100"), Currency: "EUR", Date: "2026-01-31"},
		{Amount: dec("101.2"), Currency: "EUR", Date: "2026-01-01", Quoted: inDollars},
		{Amount: dec("105.179283"), Currency: "EUR", Date: "2026-01-01", Quoted: restated("100", "EUR", "2025-03-01", "125.5")},
		{Amount: dec("100"), Currency: "EUR", Date: "2024-06-15"}, // no series of aggregates
	}
	for n, item := range u.Items {
		if diff := cmp.Diff(want[n], *item.Price, cmpopts.IgnoreFields(inventory.Price{}, "Basis", "Tax", "Source")); diff != "" {
			t.Errorf("%s: %s", item.Code, diff)
		}
	}
	// Written and read again, once more to the same month, nothing changes.
	again, err := read(string(written(t, inventory.FormCSV, u.Items)), o)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(u.Items, again.Items); diff != "" {
		t.Error(diff)
	}
	// To another month it goes back to what was quoted, not on from what was rounded.
	later := cement
	later.Points = factors("2024-06", "120", "2025-03", "125.5", "2026-07", "141")
	moved, err := read(string(written(t, inventory.FormCSV, again.Items[3:4])), inventory.UploadOptions{Indices: []inventory.Index{later}, BaseMonth: "2026-07"})
	if err != nil {
		t.Fatal(err)
	}
	onward := restated("100", "EUR", "2025-03-01", "125.5")
	onward.IndexTo = null("141")
	if diff := cmp.Diff(inventory.Price{Amount: dec("112.350598"), Currency: "EUR", Date: "2026-07-01", Quoted: onward}, *moved.Items[0].Price,
		cmpopts.IgnoreFields(inventory.Price{}, "Basis", "Tax", "Source")); diff != "" {
		t.Error(diff)
	}
}

func TestMissingIndices(t *testing.T) {
	u, err := read(priced("100 EUR 2024-06-15", "100 EUR 2024-07-15", "100 EUR 2024-02-30"), inventory.UploadOptions{Indices: []inventory.Index{cement}, BaseMonth: "2026-01"})
	wantRefusal(t, u, err, inventory.RowError{Row: 3, Item: "c1", Column: "price_date", Code: "index-missing", Found: "2024-07-15"},
		inventory.RowError{Row: 4, Item: "c2", Column: "price_date", Code: "date-invalid", Found: "2024-02-30"})
	if !strings.Contains(err.Error(), "2024-07") || !strings.Contains(err.Error(), "none is interpolated") {
		t.Errorf("%v", err)
	}
}

// A price that says what was quoted is in the currency of the inventory already.
func TestQuotedPricesAreNotConvertedAgain(t *testing.T) {
	items := []inventory.Item{{Code: "c", Category: "cement", Name: "C", Unit: "t", Price: price("92")}}
	items[0].Price.Quoted = &inventory.Quoted{Amount: dec("100"), Currency: "USD", Date: "2026-01-15", Rate: null("0.92"), RateDate: dollars.Date, RateSource: dollars.Source}
	text := string(written(t, inventory.FormCSV, items))
	u, err := read(text, inventory.UploadOptions{Rates: []inventory.Rate{dollars}})
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(items, u.Items); diff != "" {
		t.Error(diff)
	}
	u, err = read(strings.Replace(text, ",92,EUR,", ",92,USD,", 1), inventory.UploadOptions{Rates: []inventory.Rate{dollars}})
	var refused *inventory.UploadError
	if !errors.As(err, &refused) || refused.Rows[0].Column != "price_currency" || refused.Rows[0].Code != "currency-mismatch" || u.Items != nil {
		t.Errorf("got %v", err)
	}
}

// Against rational numbers, rounded once: half to even at the sixth decimal.
func TestRestatedPriceIsRoundedOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string, most int64, places int32) decimal.Decimal {
			return decimal.New(rapid.Int64Range(1, most).Draw(t, name), -places)
		}
		amount, rate, from, to := draw("amount", 1e9, 4), draw("rate", 1e6, 4), draw("from", 1e5, 2), draw("to", 1e5, 2)
		dollars := dollars
		dollars.Rate = rate
		index := inventory.Index{Category: "cement", Series: "S", Points: map[string]decimal.Decimal{"2024-06": from, "2026-01": to}}
		u, err := read(priced(amount.String()+" USD 2024-06-15"), inventory.UploadOptions{Rates: []inventory.Rate{dollars}, Indices: []inventory.Index{index}, BaseMonth: "2026-01"})
		if err != nil {
			t.Fatal(err)
		}
		exact := new(big.Rat).Mul(amount.Rat(), rate.Rat())
		exact.Mul(exact, to.Rat()).Quo(exact, from.Rat())
		if want := halfEven(exact, 6); u.Items[0].Price.Amount.Rat().Cmp(want) != 0 {
			t.Errorf("%s × %s × %s / %s = %s, want %s", amount, rate, to, from, u.Items[0].Price.Amount, want.FloatString(6))
		}
	})
}

func halfEven(r *big.Rat, places int64) *big.Rat {
	unit := new(big.Int).Exp(big.NewInt(10), big.NewInt(places), nil)
	scaled := new(big.Rat).Mul(r, new(big.Rat).SetInt(unit))
	q, rest := new(big.Int).QuoRem(scaled.Num(), scaled.Denom(), new(big.Int))
	if half := rest.Lsh(rest, 1).Cmp(scaled.Denom()); half > 0 || half == 0 && q.Bit(0) == 1 {
		q.Add(q, big.NewInt(1))
	}
	return new(big.Rat).SetFrac(q, unit)
}
