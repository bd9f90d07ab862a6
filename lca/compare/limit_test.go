package compare_test

import (
	"errors"
	"fmt"
	"testing"

	"github.com/shopspring/decimal"

	"slabledger/lca/compare"
	"slabledger/lca/unit"
)

// The top-20 % limits of the US General Services Administration for concrete, kg CO2e
// per m3 by specified compressive strength (read): 3,000 psi 257; 4,000 psi 284;
// 5,000 psi 305.
func gsa(t testing.TB) []compare.LimitRow {
	var rows []compare.LimitRow
	for _, r := range [][2]string{{"3000 psi", "257"}, {"4000 psi", "284"}, {"5000 psi", "305"}} {
		strength := decimal.NewNullDecimal(si(t, r[0], unit.Pressure))
		rows = append(rows, compare.LimitRow{From: strength, To: strength, Limit: dec(r[1])})
	}
	return rows
}

func si(t testing.TB, text string, kind unit.Kind) decimal.Decimal {
	t.Helper()
	q, err := unit.Parse(text, kind)
	if err != nil {
		t.Fatal(err)
	}
	return q.SI()
}

func TestLimitOfAStrength(t *testing.T) {
	rows := gsa(t)
	row, err := compare.LimitOf(rows, "", decimal.NewNullDecimal(si(t, "4000 psi", unit.Pressure)))
	if err != nil || !rows[row].Limit.Equal(dec("284")) {
		t.Fatalf("row %d, %v", row, err)
	}
	for _, gap := range []string{"3500 psi", "4001 psi", "27.6 MPa", "2500 psi", "6000 psi"} {
		if row, err := compare.LimitOf(rows, "", decimal.NewNullDecimal(si(t, gap, unit.Pressure))); !errors.Is(err, compare.ErrLimitUndefined) || row != -1 {
			t.Errorf("%s: row %d, %v", gap, row, err)
		}
	}
	if _, err := compare.LimitOf(rows, "C30/37", decimal.NullDecimal{}); !errors.Is(err, compare.ErrLimitUndefined) {
		t.Errorf("a class in a table of strengths: %v", err)
	}
	open := append(rows, compare.LimitRow{From: decimal.NewNullDecimal(si(t, "5000 psi", unit.Pressure)), Limit: dec("1")}, compare.LimitRow{Class: "C30/37", Limit: dec("2")})
	if row, err := compare.LimitOf(open, "", decimal.NewNullDecimal(si(t, "9000 psi", unit.Pressure))); err != nil || row != 3 {
		t.Errorf("an open end: row %d, %v", row, err)
	}
	if _, err := compare.LimitOf(open, "", decimal.NewNullDecimal(si(t, "5000 psi", unit.Pressure))); !errors.Is(err, compare.ErrLimitAmbiguous) {
		t.Errorf("two rows: %v", err)
	}
	if row, err := compare.LimitOf(open, "C30/37", decimal.NullDecimal{}); err != nil || row != 4 {
		t.Errorf("a class: row %d, %v", row, err)
	}
}

// 302 kg/yd3 is 395.001 kg/m3 (1 yd3 = 0.764554857984 m3, exactly: NIST SP 811).
func ExampleMargin() {
	limit := dec("284")
	for _, value := range []string{"284", "284.1"} {
		left, percent := compare.Margin(dec(value), limit)
		fmt.Println(left, percent.Decimal)
	}
	q, _ := unit.Parse("302 kg CO2e/yd3", unit.CarbonPerVolume)
	fmt.Println(q.SI().RoundBank(3))
	// Output:
	// 0 0
	// -0.1 -0.035211
	// 395.001
}
