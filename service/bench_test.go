package service_test

import (
	"fmt"
	"testing"

	"github.com/go-json-experiment/json"

	"slabledger/service"
)

// BenchmarkEvaluate is one alternative, from the body to the encoded answer.
func BenchmarkEvaluate(b *testing.B) {
	svc := newService(b)
	body := evaluation(b)
	b.ReportAllocs()
	for b.Loop() {
		r, err := svc.Evaluate(b.Context(), body)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := service.Encode(r); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkCompareThree is the demo comparison, from the body to the encoded
// answer.
func BenchmarkCompareThree(b *testing.B) {
	svc := newService(b)
	body := request(b)
	b.ReportAllocs()
	for b.Loop() {
		r, err := svc.Compare(b.Context(), body)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := service.Encode(r); err != nil {
			b.Fatal(err)
		}
	}
}

// hundred is the plain slab of the demo at 20 thicknesses and 5 dosages of fibres, with
// axes for a grid or for a search.
func hundred(b testing.TB, axes []any, edits ...edit) []byte {
	var doc object
	if err := json.Unmarshal(request(b), &doc); err != nil {
		b.Fatal(err)
	}
	doc["alternative"], doc["axes"] = doc["alternatives"].([]any)[0], axes
	delete(doc, "alternatives")
	delete(doc, "baseline")
	body, err := json.Marshal(doc, json.Deterministic(true))
	if err != nil {
		b.Fatal(err)
	}
	return changed(b, body, edits...)
}

// BenchmarkGrid100 is a grid of a hundred alternatives, from the body to the encoded
// table; docs/benchmarks.md sets such a grid against a workbook.
func BenchmarkGrid100(b *testing.B) {
	svc := newService(b)
	var thick, fibres []any
	for mm := 200; mm < 300; mm += 5 {
		thick = append(thick, variant(fmt.Sprint(mm), object{"slab": object{"thickness": fmt.Sprint(mm, " mm")}}))
	}
	for tenths := 3; tenths < 8; tenths++ {
		fibres = append(fibres, variant(fmt.Sprint(tenths), object{"mix": object{"add": list(fibreOf(fmt.Sprintf("0.%d %% by volume", tenths)))}}))
	}
	body := hundred(b, list(axis("thickness", thick...), axis("fibre", fibres...)))
	b.ReportAllocs()
	for b.Loop() {
		g, err := svc.Grid(b.Context(), body)
		if err != nil {
			b.Fatal(service.Faults(err))
		}
		if len(g.Rows) != 100 {
			b.Fatal(len(g.Rows))
		}
		if _, err := service.Encode(g); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkSearch100 is a search over the same hundred.
func BenchmarkSearch100(b *testing.B) {
	svc := newService(b)
	body := hundred(b, list(steps("thickness", "/slab/thickness", "200 mm", "295 mm", "5 mm"), steps("fibre", "/mix/constituents/5/amount", "0.3 % by volume", "0.7 % by volume", "0.1 % by volume")),
		edit{"/alternative/mix/constituents/-", fibreOf("0.3 % by volume")}, edit{"/minimise", "net_present_value"})
	b.ReportAllocs()
	for b.Loop() {
		r, err := svc.Search(b.Context(), body)
		if err != nil {
			b.Fatal(service.Faults(err))
		}
		if _, err := service.Encode(r); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkGrid500 is a study of 500 alternatives, each slab sized, from the body
// to the encoded table. Its target is under a second on one core.
func BenchmarkGrid500(b *testing.B) {
	svc := newService(b)
	body := fiveHundred(b)
	b.ReportAllocs()
	for b.Loop() {
		g, err := svc.Grid(b.Context(), body)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := service.Encode(g); err != nil {
			b.Fatal(err)
		}
	}
}

// hundredThousand is a search of 25 × 10 × 2 × 40 × 5 combinations.
func hundredThousand(b testing.TB) []byte {
	return choices(b,
		edit{"/axes/0", steps("replacement", "/mix/by_ratio/replacement/0/share", "2 %", "9.2 %", "0.3 %")},
		edit{"/axes/1", steps("fibre", "/mix/by_ratio/fibres/0/amount", "2 kg/m3", "4.25 kg/m3", "0.25 kg/m3")},
		edit{"/axes/3", steps("thickness", "/slab/thickness", "180 mm", "219 mm", "1 mm")},
		edit{"/axes/4/variants/-", variant("seal cracks", object{"maintenance": list(object{"item": "crack-sealing", "every_years": 5, "share": "10 %"})})},
		edit{"/axes/4/variants/-", variant("patch", object{"maintenance": list(object{"item": "partial-patching", "every_years": 15, "share": "2 %", "life_years": 20})})})
}

// BenchmarkSearch100000 is a search over a hundred thousand combinations, from the body
// to the encoded answer. Its target is under 5 s on two cores.
func BenchmarkSearch100000(b *testing.B) {
	svc := newService(b)
	body := hundredThousand(b)
	b.ReportAllocs()
	for b.Loop() {
		r, err := svc.Search(b.Context(), body)
		if err != nil {
			b.Fatal(service.Faults(err))
		}
		if r.Combinations != 100_000 {
			b.Fatal(r.Combinations)
		}
		if _, err := service.Encode(r); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkSearchOfMixes is a search over 10,000 mixes, each sized by its own strength:
// nothing but the works is shared.
func BenchmarkSearchOfMixes(b *testing.B) {
	svc := newService(b)
	body := choices(b,
		edit{"/axes", list(steps("replacement", "/mix/by_ratio/replacement/0/share", "2 %", "7.94 %", "0.06 %"), steps("fibre", "/mix/by_ratio/fibres/0/amount", "2 kg/m3", "4.475 kg/m3", "0.025 kg/m3"),
			axis("mixing", variant("at once", atOnce)))},
		edit{"/strengths", atOnceTests()}, edit{"/alternative/slab/thickness", carries()}, edit{"/thickness_design", remove})
	b.ReportAllocs()
	for b.Loop() {
		if _, err := svc.Search(b.Context(), body); err != nil {
			b.Fatal(service.Faults(err))
		}
	}
}
