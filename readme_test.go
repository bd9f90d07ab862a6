package main

import (
	"strings"
	"testing"

	"slabledger/inventory"
)

// The README lists what the columns of an inventory may hold as the check of an
// import has it, so that a first file needs no guessing.
func TestReadmeListsWhatColumnsHold(t *testing.T) {
	_, region, found := strings.Cut(read(t, "README.md"), "## Bring your own region")
	region, _, ended := strings.Cut(region, "\n## ")
	if !found || !ended {
		t.Fatal("the README has no section on a region of one's own")
	}
	var words []string
	for _, c := range inventory.Categories() {
		words = append(words, string(c))
	}
	for _, k := range inventory.SourceKinds() {
		words = append(words, string(k))
	}
	words = append(words, inventory.BasisExWorks, inventory.BasisDelivered, inventory.DefaultWasteDisposal,
		"price_source_kind", "2026-11-25", "m2", "m")
	for _, word := range words {
		if !strings.Contains(region, "`"+word+"`") {
			t.Errorf("the section on a region does not list %s", word)
		}
	}
}
