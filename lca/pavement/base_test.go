package pavement

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/lca/num"
)

// fromPCI is a soil reaction in MPa/m, to 12 decimals, from lb/in³.
func fromPCI(k string) decimal.Decimal { return in(k+" psi/in", "MPa/m") }

// EB109P (1984), tables 1 and 2 (values from memory). The first row is the base of
// its Design 1A, whose k of 130 lb/in³ was read; the sixth that of its Design 1B
// (value from memory). Between the values of a table the mean of two, and of four,
// neighbours (worked).
func TestBaseOnSubgrade(t *testing.T) {
	for _, c := range []struct {
		subgrade, inches string
		kind             BaseKind
		want             string // lb/in³
	}{
		{"100", "4", Untreated, "130"},
		{"50", "4", Untreated, "65"},
		{"300", "12", Untreated, "430"},
		{"200", "9", Untreated, "270"},
		{"50", "10", CementTreated, "390"},
		{"100", "4", CementTreated, "280"},
		{"200", "8", CementTreated, "830"},
		{"100", "5", Untreated, "135"},
		{"75", "4", Untreated, "97.5"},
		{"150", "7.5", Untreated, "200"}, // of 140, 160, 230, 270
		{"150", "5", CementTreated, "447.5"},
		{"100", "9", CementTreated, "580"}, // along the edge of the cell that lacks a value
	} {
		b := Base{in(c.inches+" in", "mm"), c.kind}
		f, faults := b.On(fromPCI(c.subgrade), "/soil")
		none(t, faults)
		if got, want := num.Line(f.K), num.Line(fromPCI(c.want)); !got.Equal(want) {
			t.Errorf("%s in %s over %s: %s MPa/m, want %s", c.inches, c.kind, c.subgrade, got, want)
		}
		if !strings.Contains(f.String(), "value from memory") || !strings.Contains(f.String(), num.Line(f.K).String()) {
			t.Errorf("it does not say how: %s", f)
		}
	}
}

func TestBaseOutsideItsTable(t *testing.T) {
	for name, c := range map[string]struct {
		subgrade, mm string
		kind         BaseKind
		want         []string // code at pointer, and words of the detail
	}{
		"soft":          {"13.5", "150", Untreated, []string{"out-of-range at /soil/subgrade_k: 13.572357 to 81.434141 MPa/m, which is 50 to 300 psi/in"}},
		"stiff":         {"60", "150", CementTreated, []string{"out-of-range at /soil/subgrade_k: 13.572357 to 54.289428 MPa/m"}},
		"thin":          {"30", "100", Untreated, []string{"out-of-range at /soil/base/thickness: 101.6 to 304.8 mm, which is 4 to 12 in"}},
		"thick":         {"30", "255", CementTreated, []string{"out-of-range at /soil/base/thickness: 101.6 to 254 mm"}},
		"both":          {"100", "0", Untreated, []string{"out-of-range at /soil/subgrade_k: ", "out-of-range at /soil/base/thickness: "}},
		"blank corner":  {"40", "210", CementTreated, []string{"out-of-range at /soil/base/thickness: over more than 27.144714 MPa/m (100 psi/in) the table of cement-treated bases ends at 203.2 mm (8 in)"}},
		"unknown":       {"30", "150", "asphalt", []string{"one-of at /soil/base/kind: accepted: untreated, cement_treated"}},
		"below nothing": {"-30", "-150", Untreated, []string{"out-of-range at /soil/subgrade_k: ", "out-of-range at /soil/base/thickness: "}},
	} {
		_, faults := Base{dec(c.mm), c.kind}.On(dec(c.subgrade), "/soil")
		if faults.Len() != len(c.want) {
			t.Errorf("%s: %v", name, faults.All())
			continue
		}
		for i, f := range faults.All() {
			where, words, _ := strings.Cut(c.want[i], ": ")
			if f.Code+" at "+string(f.Pointer) != where || !strings.Contains(f.Detail, words) {
				t.Errorf("%s: %+v", name, f)
			}
		}
	}
}

// A stiffer subgrade or a thicker base never gives less k, and a base always gives
// more than the subgrade has.
func TestBaseAlwaysHelps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		kind := rapid.SampledFrom([]BaseKind{Untreated, CementTreated}).Draw(t, "kind")
		draw := func(low, high int64, label string) decimal.Decimal {
			return decimal.New(rapid.Int64Range(low, high).Draw(t, label), -3)
		}
		k, mm := draw(13_573, 54_289, "k"), draw(101_600, 203_200, "thickness")
		on := func(k, mm decimal.Decimal) decimal.Decimal {
			f, faults := Base{mm, kind}.On(k, "")
			if !faults.Empty() {
				t.Fatalf("%v", faults.All())
			}
			return f.K
		}
		got := on(k, mm)
		stiffer := decimal.Min(k.Add(dec("0.5")), dec("54.289"))
		thicker := decimal.Min(mm.Add(dec("5")), dec("203.2"))
		if got.LessThanOrEqual(k) || on(stiffer, mm).LessThan(got) || on(k, thicker).LessThan(got) {
			t.Fatalf("%s MPa/m under %s mm of %s base: %s MPa/m; stiffer %s, thicker %s", k, mm, kind, got, on(stiffer, mm), on(k, thicker))
		}
	})
}

// The base of Design 1A in place of its k: the same slab, and the answer tells the
// way to k. A method that does not use k leaves the base alone.
func TestDesignOnABase(t *testing.T) {
	given, based := design1A(), design1A()
	based.K, based.Base = decimal.NewNullDecimal(fromPCI("100")), &Base{in("4 in", "mm"), Untreated}
	d := prepare(t, based)
	if diff := cmp.Diff(solve(t, given), solve(t, based)); diff != "" {
		t.Error(diff)
	}
	f := d.Foundation()
	if f == nil || !num.Line(f.K).Equal(num.Line(fromPCI("130"))) || !f.Subgrade.Equal(fromPCI("100")) {
		t.Fatalf("%+v", f)
	}
	if w := d.Warnings(); len(w) != 1 || w[0].Code != "k-from-base" || w[0].Pointer != "/soil/base" || w[0].Detail != f.String() {
		t.Errorf("%+v", w)
	}
	want, faults := prepare(t, given).Sensitivity()
	none(t, faults)
	got, faults := d.Sensitivity()
	none(t, faults)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("the soil that moves is that on top of the base:\n%s", diff)
	}
	if prepare(t, given).Foundation() != nil {
		t.Error("a k that was given has a foundation")
	}
	byCBR := metric()
	byCBR.Base = &Base{dec("1"), "asphalt"}
	if prepare(t, byCBR).Foundation() != nil {
		t.Error("austroads takes CBR, and made a k")
	}
}
