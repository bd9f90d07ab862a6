package epd_test

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/inventory/epd"
	"slabledger/lca/num"
)

func FuzzReadXML(f *testing.F) {
	for _, name := range []string{"a1.xml", "a2.xml"} {
		f.Add(sample(f, name), "kg")
	}
	f.Add(`<!DOCTYPE x [<!ENTITY a "b">]><x>&a;</x>`, "")
	f.Add(`<processDataSet xmlns="http://lca.jrc.it/ILCD/Process"><exchanges><exchange dataSetInternalID=""/></exchanges></processDataSet>`, "m3")
	f.Fuzz(checkRead)
}

func FuzzReadJSON(f *testing.F) {
	for _, name := range []string{"a1.json", "a2.json", "a2-extended.json"} {
		f.Add(sample(f, name), "kg")
	}
	f.Add(`{"processInformation":{"value":{"value":[[null]]},"anies":[{"name":{},"module":[]}]}}`, "")
	f.Fuzz(checkRead)
}

// checkRead: either faults that say something, or a data set whose promises
// hold and of which factors can be made.
func checkRead(t *testing.T, text, unit string) {
	ds, err := epd.Read(strings.NewReader(text), epd.Options{Unit: unit})
	if err != nil {
		var e *epd.Error
		if !errors.As(err, &e) || len(e.Faults) == 0 || len(e.Faults) > epd.MaxReported {
			t.Fatalf("%T %v", err, err)
		}
		for _, fault := range e.Faults {
			if fault.Code == "" || fault.Detail == "" || len(fault.Detail) > 2000 {
				t.Fatalf("%+v", fault)
			}
		}
		return
	}
	again, err := epd.Read(strings.NewReader(text), epd.Options{Unit: unit})
	if diff := cmp.Diff(ds, again); diff != "" || err != nil {
		t.Fatal(err, diff)
	}
	if ds.Name == "" || ds.Owner == "" || ds.ValidUntil < 1900 || !ds.DeclaredUnit.Amount.IsPositive() || len(ds.Indicators) == 0 {
		t.Fatalf("%+v", ds)
	}
	m, err := epd.Factors(ds, epd.Choice{Transport: true})
	if err != nil {
		t.Fatal(err)
	}
	values := 0
	for _, i := range ds.Indicators {
		values += len(i.Values)
	}
	whole := len(m.Factors) + len(m.Unused)
	for _, part := range []decimal.NullDecimal{m.Data.Fossil, m.Data.Biogenic, m.Data.LandUse} {
		if part.Valid {
			whole++
		}
	}
	if whole < values || whole > values+1 { // +1: a sum of parts
		t.Fatalf("%d factors and %d values not used, of %d", len(m.Factors), len(m.Unused), values)
	}
	for key, factor := range m.Factors {
		if again, err := num.Parse(num.Canonical(factor)); err != nil || !again.Equal(factor) {
			t.Fatalf("%s: %s, %v", key, factor, err)
		}
	}
	for _, p := range inventory.Validate(inventory.Meta{Name: "x", Region: "XA", Currency: "EUR"}, []inventory.Item{{
		Code: "x", Category: inventory.Cement, Name: "x", Unit: m.Unit, Factors: m.Factors, FactorSource: &m.Source, FactorData: m.Data}}) {
		// A negative A1-A3 is left out, and is then missing.
		if p.Code != inventory.ProblemMissing && len(m.Factors) > 0 {
			t.Fatalf("%+v", p)
		}
	}
}
