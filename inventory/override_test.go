package inventory_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"slabledger/inventory"
)

// What an item takes the place of may come from a layer further down; what is taken
// over or added overrides nothing.
func TestOverridesNameTheLayerTheyCoverUp(t *testing.T) {
	item := func(code, name, layer string) inventory.Item {
		return inventory.Item{Code: code, Name: name, Unit: "kg", Layer: layer}
	}
	base := inventory.Version{Slug: "country", Number: 3, Items: []inventory.Item{item("ash", "ash", "world@1"), item("cement", "cement", ""), item("sand", "sand", "")}}
	v := inventory.Version{Slug: "region", Number: 1, Items: []inventory.Item{
		item("ash", "our ash", ""), item("cement", "our cement", ""), item("lime", "lime", ""), item("sand", "sand", "country@3"),
	}}
	var got [][]string
	for _, o := range inventory.Overrides(&base, &v) {
		for _, f := range o.Fields {
			got = append(got, []string{o.Item.Code, o.Layer, f.Column, f.Before, f.After})
		}
	}
	want := [][]string{{"ash", "world@1", "name", "ash", "our ash"}, {"cement", "country@3", "name", "cement", "our cement"}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}
