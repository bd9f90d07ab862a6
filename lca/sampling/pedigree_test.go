package sampling

import (
	"errors"
	"fmt"
	"math"
	"testing"
)

// Scores of 2 in all but technology, which is 1, with the basic uncertainty of
// materials and one of 1.02 for a sample that is not small: GSD² 1.084083, as
// worked from the formula.
func ExamplePedigreeGSD() {
	gsd, err := PedigreeGSD([5]int{2, 2, 2, 2, 1}, CombineGSD(BasicMaterial, 1.02))
	fmt.Printf("%.6f %v\n", gsd*gsd, err)
	// Output: 1.084083 <nil>
}

// Every factor of the first published set, each a GSD² (read in an open-source
// library): alone with the best scores else and no basic uncertainty, it is what comes
// out. Two places of that set are empty.
func TestPublishedPedigreeFactors(t *testing.T) {
	const empty = 0
	for indicator, row := range [5][5]float64{
		{1, 1.05, 1.1, 1.2, 1.5},
		{1, 1.02, 1.05, 1.1, 1.2},
		{1, 1.03, 1.1, 1.2, 1.5},
		{1, 1.01, 1.02, empty, 1.1},
		{1, empty, 1.2, 1.5, 2},
	} {
		for k, want := range row {
			scores := [5]int{1, 1, 1, 1, 1}
			scores[indicator] = k + 1
			if gsd, err := PedigreeGSD(scores, 1); err != nil || want != empty && math.Abs(gsd*gsd-want) > 1e-12 {
				t.Errorf("%v: GSD² %v, want %v; %v", scores, gsd*gsd, want, err)
			}
		}
	}
	for basic, want := range map[float64]float64{BasicMaterial: 1.05, BasicTransport: 2} {
		if basic != want {
			t.Errorf("basic uncertainty %v, want %v", basic, want)
		}
	}
}

func TestPedigree(t *testing.T) {
	if gsd, err := PedigreeGSD([5]int{1, 1, 1, 1, 1}, 1); gsd != 1 || err != nil {
		t.Errorf("the best scores alone: %v, %v", gsd, err)
	}
	if gsd, _ := PedigreeGSD([5]int{1, 1, 1, 1, 1}, BasicTransport); math.Abs(gsd*gsd-2) > 1e-15 {
		t.Errorf("the best scores of transport: GSD² %v", gsd*gsd)
	}
	// A worse score never has less spread.
	for indicator := range 5 {
		scores, before := [5]int{1, 1, 1, 1, 1}, 1.0
		for score := 1; score <= 5; score++ {
			scores[indicator] = score
			gsd, err := PedigreeGSD(scores, 1)
			if gsd < before || score > 1 && gsd == before || err != nil {
				t.Errorf("%v: %v after %v, %v", scores, gsd, before, err)
			}
			before = gsd
		}
	}
	for _, scores := range [][5]int{{0, 1, 1, 1, 1}, {1, 1, 1, 1, 6}} {
		if _, err := PedigreeGSD(scores, 1); !errors.Is(err, ErrPedigree) {
			t.Errorf("%v: %v", scores, err)
		}
	}
	for _, basic := range []float64{0.99, 101, math.NaN()} {
		if _, err := PedigreeGSD([5]int{1, 1, 1, 1, 1}, basic); !errors.Is(err, ErrPedigree) {
			t.Errorf("basic uncertainty %v: %v", basic, err)
		}
	}
}
