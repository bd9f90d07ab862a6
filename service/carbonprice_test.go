package service_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
)

// A price of carbon stands beside the cost: with a price of zero, or with any, no
// other figure changes; emissions are not discounted, their price is.
func TestCarbonPriceIsInNoOtherFigure(t *testing.T) {
	svc := newService(t)
	plain := compare(t, svc, request(t))
	for _, amount := range []string{"0 EUR/t", "80 EUR/t"} {
		priced := compare(t, svc, request(t, edit{"/economics/carbon_price", map[string]any{"amount": amount}}))
		for i := range priced.Alternatives {
			c := priced.Alternatives[i].Cost.CarbonPrice
			priced.Alternatives[i].Cost.CarbonPrice = nil
			if diff := cmp.Diff(plain.Alternatives[i], priced.Alternatives[i]); diff != "" {
				t.Errorf("%s changes other figures: %s", amount, diff)
			}
			if amount == "0 EUR/t" && (!c.PresentValuePerM2.IsZero() || !c.NetPresentValueWithCarbonPerM2.Equal(plain.Alternatives[i].Cost.NetPresentValuePerM2.Decimal)) {
				t.Errorf("a price of zero: %+v", c)
			}
		}
	}
}

// The emissions of all years are the total; each year's is its kg times the price of
// that year times its discount factor (3 % a year: year 10 is 1.03^-10 = 0.744093915).
func TestCarbonPriceByYear(t *testing.T) {
	svc := newService(t)
	r := compare(t, svc, request(t, edit{"/economics/carbon_price", map[string]any{"by_year": []any{map[string]any{"from_year": 0, "amount": "80 EUR/t"}, map[string]any{"from_year": 10, "amount": "120 EUR/t"}}}}))
	for _, a := range r.Alternatives {
		kg, sum := decimal.Zero, decimal.Zero
		for _, l := range a.Cost.CarbonPrice.Lines {
			kg, sum = kg.Add(l.KgCO2ePerM2.Decimal), sum.Add(l.PresentValuePerM2.Decimal)
			want := "0.08"
			if l.Year >= 10 {
				want = "0.12"
			}
			if !l.PricePerKg.Equal(decimal.RequireFromString(want)) {
				t.Errorf("year %d: %s", l.Year, l.PricePerKg)
			}
			if exact := l.KgCO2ePerM2.Mul(l.PricePerKg.Decimal).Mul(l.DiscountFactor.Decimal).RoundBank(6); !exact.Equal(l.PresentValuePerM2.Decimal) {
				t.Errorf("year %d: %s, want %s", l.Year, l.PresentValuePerM2, exact)
			}
			if l.Year == 10 && !l.DiscountFactor.RoundBank(9).Equal(decimal.RequireFromString("0.744093915")) {
				t.Errorf("factor of year 10: %s", l.DiscountFactor)
			}
		}
		if !kg.Equal(a.Carbon.TotalKgCO2ePerM2.Decimal) || !sum.Equal(a.Cost.CarbonPrice.PresentValuePerM2.Decimal) {
			t.Errorf("%s: %s kg of %s, %s of %s", a.Name, kg, a.Carbon.TotalKgCO2ePerM2, sum, a.Cost.CarbonPrice.PresentValuePerM2)
		}
	}
	grown := compare(t, svc, request(t, edit{"/economics/carbon_price", map[string]any{"amount": "80 EUR/t", "real_growth": "3 %"}}))
	for _, l := range grown.Alternatives[0].Cost.CarbonPrice.Lines {
		// Growing as fast as it is discounted, a price is the same in every year.
		if want := l.KgCO2ePerM2.Mul(l.PricePerKg.Decimal).RoundBank(6); l.PresentValuePerM2.Sub(want).Abs().GreaterThan(decimal.New(1, -6)) {
			t.Errorf("year %d: %s, want %s", l.Year, l.PresentValuePerM2, want)
		}
	}
}

func TestFaultsOfACarbonPrice(t *testing.T) {
	svc := newService(t)
	const at = "/economics/carbon_price"
	for _, c := range []struct {
		value         map[string]any
		pointer, code string
	}{
		{map[string]any{}, at, "one-of"},
		{map[string]any{"amount": "80 EUR"}, at + "/amount", "unit-unknown"},
		{map[string]any{"amount": "80 USD/t"}, at + "/amount", "currency-mismatch"},
		{map[string]any{"amount": "-80 EUR/t"}, at + "/amount", "out-of-range"},
		{map[string]any{"amount": "80 EUR/t", "real_growth": "200 %"}, at + "/real_growth", "out-of-range"},
		{map[string]any{"by_year": []any{map[string]any{"from_year": 5, "amount": "80 EUR/t"}}}, at + "/by_year/0/from_year", "out-of-range"},
	} {
		wantFault(t, faults(t, svc, request(t, edit{at, c.value})), c.pointer, c.code)
	}
}
