package inventory_test

import (
	"strings"
	"testing"

	"slabledger/inventory"
)

// What may not be passed on leaves its reference and its hash; all else stays.
func TestRedistributable(t *testing.T) {
	items := sample()
	items[0].FactorSource = &inventory.Source{Kind: inventory.EPD, Title: "Cement", Publisher: "Sablon Cement", Reference: "XA-EPD-001", Licence: inventory.NoRedistribution}
	kept, withheld, err := inventory.Redistributable(items)
	if err != nil {
		t.Fatal(err)
	}
	if len(withheld) != 1 || withheld[0].Item != "cement-cem-i" || len(withheld[0].Hash) != 64 {
		t.Fatalf("%+v", withheld)
	}
	cement := kept[0]
	if cement.Factors != nil || cement.FactorSource != nil || cement.Price == nil || !strings.Contains(cement.Note, "XA-EPD-001") || !strings.Contains(cement.Note, withheld[0].Hash) {
		t.Errorf("%+v", cement)
	}
	if items[0].Factors == nil || items[0].Note != "bulk, by silo lorry" {
		t.Error("the list given was changed")
	}
	if d := inventory.Diff(items[1:], kept[1:]); !d.Empty() {
		t.Errorf("others changed: %+v", d)
	}
	if problems := inventory.Validate(meta, kept); problems != nil {
		t.Errorf("what is passed on is no inventory: %+v", problems)
	}
}
