package compare_test

import (
	"encoding/csv"
	"errors"
	"fmt"
	"os"
	"slices"
	"testing"

	"github.com/shopspring/decimal"

	"slabledger/lca/compare"
	"slabledger/lca/unit"
)

// gsa reads one level of the limits of the US General Services Administration for
// concrete, kg CO2e per m3 by specified compressive strength (read).
func gsa(t testing.TB, level string) []compare.LimitRow {
	t.Helper()
	in, err := os.Open("../../testdata/published/limits/gsa-concrete.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	table, err := csv.NewReader(in).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	at := slices.Index(table[0], level)
	var rows []compare.LimitRow
	for _, r := range table[1:] {
		strength := decimal.NewNullDecimal(si(t, r[0], unit.Pressure))
		rows = append(rows, compare.LimitRow{From: strength, To: strength, Limit: si(t, r[at]+" "+r[4], unit.CarbonPerVolume)})
	}
	return rows
}

// Every published limit passes at its value, fails 0.1 above it, and is the only one of
// its strength.
func TestPublishedLimits(t *testing.T) {
	seen := 0
	for _, level := range []string{"top_20_percent", "top_40_percent", "better_than_average"} {
		rows := gsa(t, level)
		for i, r := range rows {
			row, err := compare.LimitOf(rows, "", r.From)
			if err != nil || row != i {
				t.Errorf("%s, row %d: %d, %v", level, i, row, err)
			}
			if left, _ := compare.Margin(r.Limit, rows[row].Limit); !left.IsZero() {
				t.Errorf("%s, row %d: %s left at the limit", level, i, left)
			}
			if left, _ := compare.Margin(r.Limit.Add(dec("0.1")), rows[row].Limit); !left.Equal(dec("-0.1")) {
				t.Errorf("%s, row %d: %s left above the limit", level, i, left)
			}
			if i > 0 && !r.Limit.GreaterThan(rows[i-1].Limit) {
				t.Errorf("%s: stronger concrete may emit more: %s after %s", level, r.Limit, rows[i-1].Limit)
			}
			seen++
		}
	}
	if seen != 9 {
		t.Errorf("%d limits, want 9", seen)
	}
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
	rows := gsa(t, "top_20_percent")
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
