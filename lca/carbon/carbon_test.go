package carbon_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/shopspring/decimal"

	"slabledger/lca/carbon"
)

func dec(s string) decimal.Decimal { return decimal.RequireFromString(s) }

func matrix() *carbon.Matrix {
	return carbon.NewMatrix(func(string) string { return "not asked" })
}

// Slag cement, North America: A1 4.6 + A2 57.0 + A3 85 = 146.6 kg CO2e per t
// (a producer's EPD, 2015; read).
func ExampleMatrix_Range() {
	m := matrix()
	m.Add("A1", dec("4.6"))
	m.Add("A2", dec("57.0"))
	_, missing := m.Range("A1", "A3")
	fmt.Println(missing)
	m.Add("A3", dec("85"))
	total, _ := m.Range("A1", "A3")
	fmt.Println(total.Decimal)
	// Output:
	// [A3]
	// 146.6
}

// Energies 2023, 16(7), 3229 (CC BY 4.0; read): cement alone, per m3.
func ExampleLine() {
	for _, c := range [][2]string{{"380", "0.889"}, {"370", "0.482"}, {"350", "0.704"}, {"905", "0.889"}} {
		fmt.Println(carbon.Line(dec(c[0]), dec(c[1])).StringFixed(2))
	}
	// Output:
	// 337.82
	// 178.34
	// 246.40
	// 804.55
}

// A total over a range with an undeclared module has no value, for each of the
// 19 modules.
func TestUndeclaredIsNotZero(t *testing.T) {
	for _, open := range carbon.Modules() {
		m := matrix()
		for _, name := range carbon.Modules() {
			if name != open {
				m.Add(name, dec("1"))
			}
		}
		if m.Value(open).Valid {
			t.Errorf("%s is not declared but has the value %s", open, m.Value(open).Decimal)
		}
		total, missing := m.Range("A0", "D")
		if total.Valid || strings.Join(missing, " ") != open {
			t.Errorf("with %s open: total %v, missing %v", open, total, missing)
		}
		m.Set(open, carbon.ZeroWithReason, "nothing happens")
		if total, missing = m.Range("A0", "D"); !total.Valid || len(missing) != 0 || !total.Decimal.Equal(dec("18")) {
			t.Errorf("with %s zero: total %v, missing %v", open, total, missing)
		}
	}
	if n := len(carbon.Modules()); n != 19 {
		t.Errorf("%d modules, want 19", n)
	}
}

// D is never inside a total.
func TestModuleDStaysOutside(t *testing.T) {
	m := matrix()
	m.Add("A1-A3", dec("10"))
	m.Add("A1", dec("5"))
	before, _ := m.Total()
	m.Add("D", dec("-20"))
	after, covers := m.Total()
	if !before.Equal(after) || !after.Equal(dec("15")) || strings.Contains(strings.Join(covers, " "), "D") {
		t.Errorf("total %s, then %s over %v", before, after, covers)
	}
	if !m.Value("D").Decimal.Equal(dec("-20")) {
		t.Error("D is not reported beside")
	}
}
