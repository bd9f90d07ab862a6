package service

// Only what is inside the package can time the engine without reading and
// printing JSON.

import (
	"bytes"
	"os"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"slabledger/inventory"
	"slabledger/lca/fault"
)

// BenchmarkEngine is one alternative with every line, from the read request to
// the result: no JSON, no store.
func BenchmarkEngine(b *testing.B) {
	read := func(name string) []byte {
		text, err := os.ReadFile("../testdata/demo/" + name)
		if err != nil {
			b.Fatal(err)
		}
		return text
	}
	_, meta, err := inventory.ReadMeta(read("inventory.json"))
	if err != nil {
		b.Fatal(err)
	}
	items, err := inventory.ReadCSV(bytes.NewReader(read("items.csv")), meta)
	if err != nil {
		b.Fatal(err)
	}
	c := newCatalogue(&inventory.Version{Slug: "demo", Number: 1, Meta: meta, Items: items}, nil)
	var req ComparisonRequest
	if err := json.Unmarshal(read("comparison.json"), &req); err != nil {
		b.Fatal(err)
	}
	var faults fault.List
	s := readStudy(c, req.FunctionalUnit, req.Economics, req.Overrides, &faults)
	all, _ := resolve([]jsontext.Value{req.Alternatives[0]}, alternativeAt)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := s.evaluate(b.Context(), all, newLocator(nil, all).locate, maxRequestFlows, &faults); err != nil {
			b.Fatal(err)
		}
	}
}
