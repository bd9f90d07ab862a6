package sampling

import (
	"math"
	"slices"
)

// maxBuckets is the number of buckets over which values are spread at most.
const maxBuckets = 2048

// few values are quicker to sort.
const few = 32

// placed puts into out, for each rank, 0-based and ascending in ranks, the value
// of v that would stand there if v were sorted. It counts the values in buckets of
// equal width, and looks closer only at the buckets in which a rank lies, so that
// the rest is never put in order: about 2 len(v) steps. As a bucket is at most
// 1/32 as wide as what it is part of, no distribution makes it go astray. The
// difference of two values must be finite. v is kept; room is as long, and is
// overwritten.
func placed(out, v []float64, ranks []int, room []float64) {
	if len(ranks) == 0 {
		return
	}
	buckets := min(maxBuckets, len(v))
	low, high := ends(v)
	scale := float64(buckets) / (high - low)
	if len(v) <= few || scale > math.MaxFloat64 { // few or equal
		sorted := room[:copy(room, v)]
		slices.Sort(sorted)
		for i, rank := range ranks {
			out[i] = sorted[rank]
		}
		return
	}
	// Rounding keeps order: what is less never falls into a higher bucket.
	bucket := func(x float64) int { return min(int((x-low)*scale), buckets-1) }

	var end [maxBuckets]int32 // counts, then for a bucket looked at its end in room, else -1
	for _, x := range v {
		end[bucket(x)]++
	}
	type part struct{ first, from, to, ranks int }
	var parts []part
	below, used, next := 0, 0, 0 // values in lower buckets, in room, ranks seen
	for b, count := range end[:buckets] {
		n := int(count)
		end[b] = -1
		seen := next
		for next < len(ranks) && ranks[next] < below+n {
			next++
		}
		if next > seen {
			end[b] = int32(used)
			parts = append(parts, part{below, used, used + n, next - seen})
			used += n
		}
		below += n
	}
	for _, x := range v {
		if at := &end[bucket(x)]; *at >= 0 {
			room[*at] = x
			*at++
		}
	}
	var more []float64
	for _, p := range parts {
		n := p.to - p.from
		more = slices.Grow(more[:0], n)
		inside := make([]int, p.ranks)
		for i := range inside {
			inside[i] = ranks[i] - p.first
		}
		placed(out[:p.ranks], room[p.from:p.to], inside, more[:n])
		out, ranks = out[p.ranks:], ranks[p.ranks:]
	}
}

// ends are the least and the greatest of v.
func ends(v []float64) (low, high float64) {
	low, high = v[0], v[0]
	for _, x := range v {
		if x < low {
			low = x
		}
		if x > high {
			high = x
		}
	}
	return low, high
}
