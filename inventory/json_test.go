package inventory_test

import (
	stdjson "encoding/json"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"slabledger/inventory"
)

// The order of members is part of the form, and absent members are left out.
func TestItemJSON(t *testing.T) {
	const want = `{
  "code": "cement-cem-i",
  "category": "cement",
  "name": "Cement CEM I",
  "unit": "kg",
  "density_kg_per_m3": "3150",
  "price": {
    "amount": "0.142",
    "currency": "EUR",
    "date": "2026-01-15",
    "basis": "delivered",
    "tax": "excluded",
    "source": {
      "kind": "invented",
      "title": "Sablon price list"
    }
  },
  "factors": {
    "A1-A3": "0.842",
    "A4": "0.01",
    "D": "-0.0025"
  },
  "factor_source": {
    "kind": "epd",
    "title": "Cement, invented",
    "publisher": "Sablon Cement",
    "year": 2025,
    "reference": "XA-EPD-001",
    "licence": "CC0-1.0"
  },
  "note": "bulk, by silo lorry"
}`
	got, err := json.Marshal(sample()[0], jsontext.WithIndent("  "))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, string(got)); diff != "" {
		t.Error(diff)
	}

	v1, err := stdjson.MarshalIndent(sample()[0], "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, string(v1)); diff != "" {
		t.Errorf("the standard library writes another form: %s", diff)
	}
}

func TestItemJSONRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := drawItems(t)
		text, err := json.Marshal(want)
		if err != nil {
			t.Fatal(err)
		}
		var got []inventory.Item
		if err := json.Unmarshal(text, &got); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatal(diff)
		}
	})
}

func TestItemJSONRefuses(t *testing.T) {
	for name, text := range map[string]string{
		"an unknown member":          `{"code":"a","colour":"grey"}`,
		"a member twice":             `{"code":"a","code":"b"}`,
		"a member in capitals":       `{"Code":"a"}`,
		"a decimal as a number":      `{"code":"a","density_kg_per_m3":3150}`,
		"a decimal that is null":     `{"code":"a","density_kg_per_m3":null}`,
		"a decimal with an exponent": `{"code":"a","density_kg_per_m3":"1e3"}`,
		"an empty decimal":           `{"code":"a","density_kg_per_m3":""}`,
		"a price without amount":     `{"code":"a","price":{"currency":"EUR"}}`,
		"a part without amount":      `{"code":"a","recipe":[{"item":"b"}]}`,
		"a factor as a number":       `{"code":"a","factors":{"A1-A3":1}}`,
		"text after the end":         `{"code":"a"} true`,
		"invalid UTF-8":              "{\"code\":\"\xff\"}",
	} {
		t.Run(name, func(t *testing.T) {
			var i inventory.Item
			if err := json.Unmarshal([]byte(text), &i); err == nil {
				t.Errorf("%s was read as %+v", text, i)
			}
		})
	}
}

func TestReadMeta(t *testing.T) {
	slug, m, err := inventory.ReadMeta([]byte(`{"slug":"demo","name":"Sablon Coast, 2026 prices","region":"XA-01","currency":"EUR","invented":true}`))
	if err != nil {
		t.Fatal(err)
	}
	if slug != "demo" || m != meta {
		t.Errorf("got %q and %+v", slug, m)
	}

	for name, text := range map[string]string{
		"an unknown member":   `{"slug":"demo","name":"n","region":"XA","currency":"EUR","invented":true,"version":1}`,
		"a member twice":      `{"slug":"demo","slug":"demo","name":"n","region":"XA","currency":"EUR","invented":true}`,
		"a missing member":    `{"slug":"demo","name":"n","region":"XA","currency":"EUR"}`,
		"a slug in capitals":  `{"slug":"Demo","name":"n","region":"XA","currency":"EUR","invented":true}`,
		"an unknown currency": `{"slug":"demo","name":"n","region":"XA","currency":"QQQ","invented":true}`,
		"a spelt-out region":  `{"slug":"demo","name":"n","region":"Sablon","currency":"EUR","invented":true}`,
		"a name of two lines": `{"slug":"demo","name":"n\nm","region":"XA","currency":"EUR","invented":true}`,
	} {
		t.Run(name, func(t *testing.T) {
			if slug, m, err := inventory.ReadMeta([]byte(text)); err == nil {
				t.Errorf("%s was read as %q %+v", text, slug, m)
			}
		})
	}
}
