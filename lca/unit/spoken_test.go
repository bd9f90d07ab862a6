package unit_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"slabledger/lca/unit"
)

// One table serves what is mapped and what is only advised: who maps looks for names
// of one meaning.
func TestSpokenNamesOfUnits(t *testing.T) {
	for text, want := range map[string][]string{
		"m3": {"m3"}, "M³": {"m3"}, "Cubic  Metres": {"m3"}, "m^3": {"m3"}, "cu.m.": {"m3"}, "cu\u00a0m": {"m3"}, "t·km": {"t.km"}, "t*km": {"t.km"},
		"KG": {"kg"}, "Ltr.": {"L"}, "pcs": {"each"}, "kwh": {"kWh"}, "ton-miles": {"short_ton.mi"},
		"lb": {"lb", "lbf"}, "pounds": {"lb", "lbf"}, // a mass or a force
		"ton": nil, "tons": nil, "": nil, "furlong": nil,
	} {
		if diff := cmp.Diff(want, unit.Spoken(text)); diff != "" {
			t.Errorf("%q: %s", text, diff)
		}
	}
}

func TestMassOfOneUnit(t *testing.T) {
	none := decimal.NullDecimal{}
	of := func(whole int64) decimal.NullDecimal { return decimal.NewNullDecimal(decimal.New(whole, 0)) }
	tests := []struct {
		unit            string
		stated, density decimal.NullDecimal
		want            string // empty: not said
	}{
		{"kg", of(7), of(7), "1"}, // what is stated of a kg does not matter
		{"t", of(7), of(7), "1000"},
		{"each", of(7), none, "7"},
		{"each", none, of(2400), ""}, // a density without a volume
		{"m3", none, of(2400), "2400"},
		{"m3", of(1500), of(2650), "1500"}, // as it lies, before its particles
		{"m3", none, none, ""},
		{"L", none, of(1050), "1.05"},
		{"L", none, none, ""},
		{"kWh", none, of(1000), ""},
	}
	for _, tt := range tests {
		got := unit.KgPer(tt.unit, tt.stated, tt.density)
		text := ""
		if got.Valid {
			text = got.Decimal.String()
		}
		if text != tt.want {
			t.Errorf("%s, %v, %v: %q; want %q", tt.unit, tt.stated, tt.density, text, tt.want)
		}
	}
}
