package service

// Only what is inside the package can time the engine without reading and
// printing JSON.

import (
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"slabledger/lca/fault"
)

// BenchmarkEngine is one alternative with every line, from the read request to
// the result: no JSON, no store.
func BenchmarkEngine(b *testing.B) {
	c := demoCatalogue(b)
	var req ComparisonRequest
	if err := json.Unmarshal(demoFile(b, "demo/comparison.json"), &req); err != nil {
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
