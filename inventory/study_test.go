package inventory_test

import (
	"cmp"
	"testing"

	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/inventory"
)

// The order of the texts is that of the numbers.
func TestSortKeyKeepsTheOrder(t *testing.T) {
	number := rapid.Custom(func(t *rapid.T) decimal.Decimal {
		d := decimal.New(rapid.Int64().Draw(t, "digits"), -rapid.Int32Range(0, 12).Draw(t, "decimals"))
		return d.Shift(rapid.Int32Range(0, 12).Draw(t, "larger"))
	})
	rapid.Check(t, func(t *rapid.T) {
		a, b := number.Draw(t, "a"), number.Draw(t, "b")
		if got := cmp.Compare(inventory.SortKey(a), inventory.SortKey(b)); got != a.Cmp(b) {
			t.Errorf("%s and %s: %d, their texts %s and %s: %d", a, b, a.Cmp(b), inventory.SortKey(a), inventory.SortKey(b), got)
		}
	})
	for _, order := range [][2]string{{"-1", "-0.5"}, {"-0.000000000001", "0"}, {"0", "0.000000000001"}, {"9.999999", "10"}, {"1e40", "1e40"}} {
		a, b := decimal.RequireFromString(order[0]), decimal.RequireFromString(order[1])
		if got := cmp.Compare(inventory.SortKey(a), inventory.SortKey(b)); got != a.Cmp(b) {
			t.Errorf("%v: %d", order, got)
		}
	}
}
