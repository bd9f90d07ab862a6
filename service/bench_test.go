package service_test

import (
	"testing"

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
