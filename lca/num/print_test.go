package num_test

import (
	"testing"

	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/lca/num"
)

func TestPrintedForms(t *testing.T) {
	for _, c := range []struct{ in, fixed, amount, plain string }{
		{"0", "0.000000", "0.000000", "0"},
		{"84", "84.000000", "84.000000", "84"},
		{"0.842", "0.842000", "0.842000", "0.842"},
		{"-1.50", "-1.500000", "-1.500000", "-1.5"},
		{"0.000001", "0.000001", "0.000001", "0.000001"},
		{"0.0000005", "0.000000", "0.0000005", "0.0000005"},
		{"0.0000015", "0.000002", "0.0000015", "0.0000015"},
		{"-0.0000005", "0.000000", "-0.0000005", "-0.0000005"},
		{"100", "100.000000", "100.000000", "100"},
		{"0.000009191919191919", "0.000009", "0.000009191919", "0.000009191919191919"},
		{"1234567.1234565", "1234567.123456", "1234567.1234565", "1234567.1234565"},
	} {
		d := decimal.RequireFromString(c.in)
		if got := string(num.AppendFixed(nil, d)); got != c.fixed {
			t.Errorf("AppendFixed(%s) = %s, want %s", c.in, got, c.fixed)
		}
		if got := string(num.AppendAmount(nil, d)); got != c.amount {
			t.Errorf("AppendAmount(%s) = %s, want %s", c.in, got, c.amount)
		}
		if got := string(num.AppendPlain(nil, d)); got != c.plain {
			t.Errorf("AppendPlain(%s) = %s, want %s", c.in, got, c.plain)
		}
	}
}

// The decimal library's own formatting is the oracle.
func TestPrintedFormsAgreeWithTheDecimalLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := decimal.New(rapid.Int64().Draw(t, "coefficient"), rapid.Int32Range(-30, 10).Draw(t, "exponent"))
		if got, want := string(num.AppendPlain(nil, d)), d.String(); got != want {
			t.Fatalf("AppendPlain = %s, want %s", got, want)
		}
		if got, want := string(num.AppendFixed(nil, d)), d.RoundBank(num.Places).StringFixed(num.Places); got != want {
			t.Fatalf("AppendFixed = %s, want %s", got, want)
		}
	})
}
