package epd_test

import (
	"bytes"
	"errors"
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/inventory"
	"slabledger/inventory/epd"
)

// identity is that of a data set of the tests.
var identity = epd.Identity{UUID: "0a1b2c3d-0000-4000-8000-0000000000ff", Version: 3, Comment: "north@3/cement"}

// taken is an item as a declaration fills it.
func taken(m epd.Mapping) inventory.Item {
	return inventory.Item{Code: "cement", Category: inventory.Cement, Name: "Cement", Unit: m.Unit, Factors: m.Factors, FactorSource: &m.Source, FactorData: m.Data}
}

func written(t interface{ Fatal(...any) }, item inventory.Item) string {
	var out bytes.Buffer
	if err := epd.Write(&out, &item, identity); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

// What was read from a declaration is written and read again: the same values in the
// same modules, per the same unit, valid as long, by the same owner.
func TestADeclarationSurvivesAnInventory(t *testing.T) {
	for _, file := range []string{"a1.xml", "a1.json", "a2.xml", "a2.json", "a2-extended.json"} {
		t.Run(file, func(t *testing.T) {
			first, err := epd.Factors(read(t, sample(t, file), epd.Options{Unit: unitOf(t, file)}), epd.Choice{})
			if err != nil {
				t.Fatal(err)
			}
			again, err := epd.Factors(read(t, written(t, taken(first)), epd.Options{Form: epd.XML}), epd.Choice{})
			if err != nil {
				t.Fatal(err)
			}
			want, got := taken(first), taken(again)
			if want.FactorSource.Reference != got.FactorSource.Reference && first.Source.Reference[:5] == "UUID " {
				got.FactorSource.Reference = want.FactorSource.Reference // a data set without a number has an identity of its own
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("read (-), written and read (+):\n%s", diff)
			}
			if first.Indicator != again.Indicator {
				t.Errorf("%s became %s", first.Indicator, again.Indicator)
			}
		})
	}
}

// unitOf is the unit of a sample that leaves it to another data set.
func unitOf(t *testing.T, file string) string {
	t.Helper()
	if _, err := epd.Read(bytes.NewReader([]byte(sample(t, file))), epd.Options{}); err == nil {
		return ""
	}
	return "m3"
}

// Every digit of every value, and every text, comes back.
func TestEveryDigitAndTextOfADeclarationComesBack(t *testing.T) {
	value := rapid.Custom(func(t *rapid.T) decimal.Decimal {
		return decimal.New(rapid.Int64Range(0, 999_999_999_999_999_999).Draw(t, "digits"), -rapid.Int32Range(4, 12).Draw(t, "places"))
	})
	rapid.Check(t, func(t *rapid.T) {
		fossil, biogenic, land := value.Draw(t, "fossil"), value.Draw(t, "biogenic").Neg(), value.Draw(t, "land use")
		item := inventory.Item{Code: "x", Category: inventory.SCM, Name: "X", Unit: rapid.SampledFrom(inventory.DeclaredUnits()).Draw(t, "unit"),
			Factors:      map[string]decimal.Decimal{"A1-A3": fossil.Add(biogenic).Add(land), "C1": value.Draw(t, "C1"), "C4": value.Draw(t, "C4"), "D": value.Draw(t, "D").Neg()},
			FactorSource: &inventory.Source{Kind: inventory.EPD, Title: "T " + rapid.StringMatching(`[<&>"'ä漢 a-z]{0,20}x`).Draw(t, "title"), Publisher: rapid.StringMatching(`[<&\]>"'é a-z]{0,20}y`).Draw(t, "owner")},
			FactorData:   inventory.FactorData{ValidUntil: "2031-12-31", Fossil: decimal.NewNullDecimal(fossil), Biogenic: decimal.NewNullDecimal(biogenic), LandUse: decimal.NewNullDecimal(land)}}
		ds, err := epd.Read(bytes.NewReader([]byte(written(t, item))), epd.Options{Form: epd.XML, Unit: item.Unit})
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]string{}
		for _, i := range ds.Indicators {
			for _, v := range i.Values {
				got[i.Name+" "+v.Module] = v.GWP.String()
			}
		}
		want := map[string]string{"GWP-fossil A1-A3": fossil.String(), "GWP-biogenic A1-A3": biogenic.String(), "GWP-luluc A1-A3": land.String()}
		for key, v := range item.Factors {
			want["GWP-total "+key] = v.String()
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatal(diff)
		}
		if ds.DeclaredUnit.Unit != item.Unit || ds.DeclaredUnit.Amount.String() != "1" || ds.ValidUntil != 2031 {
			t.Fatalf("%+v", ds.DeclaredUnit)
		}
	})
}

// What a data set needs and an item lacks is told, all of it; nothing is made up.
func TestAnItemThatIsNoDeclaration(t *testing.T) {
	whole := func() inventory.Item {
		f, err := os.Open("testdata/a2.xml")
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		ds, err := epd.Read(f, epd.Options{})
		if err != nil {
			t.Fatal(err)
		}
		m, err := epd.Factors(ds, epd.Choice{})
		if err != nil {
			t.Fatal(err)
		}
		return taken(m)
	}
	for name, c := range map[string]struct {
		change func(*inventory.Item)
		want   []string
	}{
		"a process":     {func(i *inventory.Item) { i.Category = inventory.Plant }, []string{"category-mismatch /category"}},
		"nothing":       {func(i *inventory.Item) { *i = inventory.Item{Code: "x", Category: inventory.Cement} }, []string{"value-missing /factors/A1-A3", "not-a-declaration /factor_source/kind", "value-missing /factor_data/valid_until"}},
		"an assumption": {func(i *inventory.Item) { i.FactorSource.Kind = inventory.Assumption }, []string{"not-a-declaration /factor_source/kind"}},
		"of nobody":     {func(i *inventory.Item) { i.FactorSource.Publisher = "" }, []string{"value-missing /factor_source/publisher"}},
		"one part":      {func(i *inventory.Item) { i.FactorData.Biogenic = decimal.NullDecimal{} }, []string{"value-missing /factor_data/biogenic"}},
		"of +A2, no parts": {func(i *inventory.Item) {
			i.FactorData = inventory.FactorData{ValidUntil: "2030-12-31", Characterisation: "ef-3.1"}
		}, []string{"value-missing /factor_data/fossil", "value-missing /factor_data/biogenic"}},
		"without land use":   {func(i *inventory.Item) { i.FactorData.LandUse = decimal.NullDecimal{} }, nil},
		"a generic data set": {func(i *inventory.Item) { i.FactorSource.Kind = inventory.Generic }, nil},
	} {
		item := whole()
		c.change(&item)
		err := epd.Write(&bytes.Buffer{}, &item, identity)
		var e *epd.Error
		var got []string
		if errors.As(err, &e) {
			for _, f := range e.Faults {
				got = append(got, f.Code+" "+string(f.Pointer))
			}
		} else if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
	within := whole()
	within.FactorData.ValidUntil = "2030-06-04"
	if ds := read(t, written(t, within), epd.Options{}); ds.ValidUntil != 2029 {
		t.Errorf("valid until a day of 2030 became %d", ds.ValidUntil)
	}
}
