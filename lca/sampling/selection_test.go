package sampling

import (
	"math"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"
)

// What is placed is what sorting would place, for samples that are smooth, full of
// ties, or spread over the whole range of binary floating point.
func TestPlacedIsAsSorted(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.SampledFrom([]*rapid.Generator[float64]{
			rapid.Float64Range(-1, 1),
			rapid.Map(rapid.IntRange(0, 3), func(i int) float64 { return float64(i) }),
			rapid.Just(0.1),
			rapid.Map(rapid.IntRange(0, 90), func(i int) float64 { return float64(i) * math.SmallestNonzeroFloat64 }),
			rapid.Map(rapid.Float64(), func(f float64) float64 { return f / 2 }),
		}).Draw(t, "values")
		v := rapid.SliceOfN(value, 1, 400).Draw(t, "sample")
		// More of the same, so that buckets are full.
		for range rapid.IntRange(0, 3).Draw(t, "doubled") {
			for _, x := range slices.Clone(v) {
				v = append(v, x*1.0001)
			}
		}
		rank := rapid.IntRange(0, len(v)-1)
		ranks := slices.Compact(slices.Sorted(slices.Values(rapid.SliceOfN(rank, 0, 30).Draw(t, "ranks"))))
		sorted := slices.Sorted(slices.Values(v))
		got, want := make([]float64, len(ranks)), make([]float64, len(ranks))
		before := slices.Clone(v)
		placed(got, v, ranks, make([]float64, len(v)))
		if !slices.Equal(v, before) {
			t.Fatal("the sample is not what it was")
		}
		for i, r := range ranks {
			want[i] = sorted[r]
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatal(diff)
		}
	})
}

// The percentiles are those of a general-purpose library (gonum, which sorts), to
// the last bit: its empirical quantile is the same definition.
func TestPercentilesAgainstAnotherLibrary(t *testing.T) {
	for _, l := range laws() {
		for _, n := range []int{MinSamples, 9_999, 100_000} {
			v := drawn(l.d, 5, n)
			got := percentiles(v, make([]float64, n))
			slices.Sort(v)
			for i, p := range PerMille {
				if want := stat.Quantile(float64(p)/1000, stat.Empirical, v, nil); got[i].Value != want {
					t.Errorf("%s, %d samples, %d per mille: %v, want %v", l.name, n, p, got[i].Value, want)
				}
			}
		}
	}
}

// A percentile is within its standard error of the true one in about 68 of 100
// samples (within 4 standard errors of that, for 400 samples of 1,000).
func TestStandardErrorsOfPercentiles(t *testing.T) {
	const runs = 400
	for _, l := range laws() {
		var inside [len(PerMille)]int
		for seed := range uint64(runs) {
			v := drawn(l.d, seed, MinSamples)
			for i, p := range percentiles(v, make([]float64, len(v))) {
				if d := p.Value - l.quantile(float64(PerMille[i])/1000); d <= p.SE && d >= -p.SE {
					inside[i]++
				}
			}
		}
		for i, n := range inside {
			if n < 236 || n > 310 { // 273 ± 37
				t.Errorf("%s, %d per mille: %d of %d within a standard error", l.name, PerMille[i], n, runs)
			}
		}
	}
}
