package sampling

import (
	"math"

	"slabledger/lca/fault"
)

// Kind is the closed list of distributions.
type Kind string

// Kinds.
const (
	Fixed      Kind = "fixed" // always 1
	Lognormal  Kind = "lognormal"
	Triangular Kind = "triangular"
	Uniform    Kind = "uniform"
)

// Distribution is how a multiplier scatters: how many times the stated number the
// true one may be. 1 is the stated number itself: the median of Lognormal, the
// mode of Triangular, a value within the range of Uniform.
type Distribution struct {
	Kind      Kind
	GSD       float64 // Lognormal: geometric standard deviation, > 1 to 10; e to the standard deviation of the logarithm
	Low, High float64 // Triangular, Uniform: ends; 0 <= Low <= 1 <= High <= 1000, Low < High
	// Truncate cuts the distribution off, and scales up what is left, where not nil.
	Truncate *Range
}

// Range of multipliers: 0 <= Low <= 1 <= High <= 1000, Low < High.
type Range struct{ Low, High float64 }

// Limits of a distribution (common practice, no source): wider ones are slips of
// the pen rather than spreads.
const (
	MaxGSD        = 10
	MaxMultiplier = 1000
)

// Check finds what is wrong with the distribution: a kind that is not in the list
// ("one-of"), a member outside its range or a truncation that leaves nearly
// nothing ("out-of-range"), a member that the kind does not take ("not-used").
// Faults point below at, to gsd, low, high, truncate/low and truncate/high.
func (d Distribution) Check(at fault.Path) (faults fault.List) {
	unused := func(value float64, member string) {
		if value != 0 {
			faults.Add(at.At(member), "not-used", "%s has no %s", d.Kind, member)
		}
	}
	ends := func(at fault.Path, low, high float64) {
		// Written so that NaN fails.
		if !(low >= 0 && low <= 1 && low < high) {
			faults.Add(at.At("low"), "out-of-range", "%v; accepted: 0 to 1, below the high end, as a multiple of the number, which lies between", low)
		}
		if !(high >= 1 && high <= MaxMultiplier) {
			faults.Add(at.At("high"), "out-of-range", "%v; accepted: 1 to %d, as a multiple of the number, which lies between", high, MaxMultiplier)
		}
	}
	switch d.Kind {
	case Lognormal:
		if !(d.GSD > 1 && d.GSD <= MaxGSD) {
			faults.Add(at.At("gsd"), "out-of-range", "%v; a geometric standard deviation is more than 1 and at most %d", d.GSD, MaxGSD)
		}
		unused(d.Low, "low")
		unused(d.High, "high")
	case Triangular, Uniform:
		ends(at, d.Low, d.High)
		unused(d.GSD, "gsd")
	case Fixed:
		unused(d.GSD, "gsd")
		unused(d.Low, "low")
		unused(d.High, "high")
		if d.Truncate != nil {
			faults.Add(at.At("truncate"), "not-used", "%s has no ends to cut off", d.Kind)
		}
		return faults
	default:
		faults.Add(at.At("kind"), "one-of", "%q is no distribution; accepted: %s, %s, %s, %s", d.Kind, Lognormal, Triangular, Uniform, Fixed)
		return faults
	}
	if d.Truncate != nil {
		ends(at.At("truncate"), d.Truncate.Low, d.Truncate.High)
		if faults.Empty() && !(newLaw(d).share >= minShare) {
			faults.Add(at.At("truncate"), "out-of-range", "less than %v of the distribution is left", minShare)
		}
	}
	return faults
}

// minShare is the least share of a distribution that a truncation may leave, so
// that what is left still has thousands of millions of values to draw from.
const minShare = 1e-6

// Quantile is the multiplier that the distribution stays below with probability
// p, for p from 2^-53 to 1 - 2^-53; beyond, that of the nearer end. The
// distribution must be one in which Check finds nothing.
func (d Distribution) Quantile(p float64) float64 {
	v := [1]float64{inside(p)}
	newLaw(d).quantiles(v[:], newScratch())
	return v[0]
}

// law is a distribution made ready to draw from.
type law struct {
	kind        Kind
	sigma       float64 // of the logarithm
	low, width  float64
	high        float64
	atMode      float64 // share of a triangle below its mode
	rise, fall  float64 // of a triangle: products under its two roots
	below       float64 // share cut off at the low end
	share       float64 // share left by the truncation
	floor, ceil float64 // bounds of the truncation
}

func newLaw(d Distribution) law {
	l := law{kind: d.Kind, low: d.Low, high: d.High, width: d.High - d.Low, share: 1, ceil: math.Inf(1)}
	switch d.Kind {
	case Lognormal:
		l.sigma = log(d.GSD)
	case Triangular:
		l.atMode = (1 - d.Low) / l.width
		l.rise, l.fall = float64(l.width*(1-d.Low)), float64(l.width*(d.High-1))
	}
	if d.Truncate != nil {
		l.floor, l.ceil = d.Truncate.Low, d.Truncate.High
		l.below = l.probability(l.floor)
		l.share = l.probability(l.ceil) - l.below
	}
	return l
}

// probability of a multiplier at most x, untruncated.
func (l law) probability(x float64) float64 {
	if l.kind == Lognormal {
		if x == 0 {
			return 0
		}
		v := [1]float64{log(x) / l.sigma}
		cdfs(v[:], make([]float64, 1))
		return v[0]
	}
	switch {
	case x <= l.low:
		return 0
	case x >= l.high:
		return 1
	case l.kind == Uniform:
		return (x - l.low) / l.width
	case x <= 1:
		return float64((x-l.low)*(x-l.low)) / l.rise
	}
	return 1 - float64((l.high-x)*(l.high-x))/l.fall
}

// scratch is room for a block of intermediate values.
type scratch struct {
	tails  []int32
	values []float64
}

func newScratch() *scratch {
	return &scratch{make([]int32, blockSize), make([]float64, blockSize)}
}

// quantiles replaces each probability, of at most a block, by its multiplier.
func (l law) quantiles(v []float64, s *scratch) {
	if l.share != 1 {
		for i, u := range v {
			v[i] = inside(l.below + float64(u*l.share))
		}
	}
	switch l.kind {
	case Fixed:
		for i := range v {
			v[i] = 1
		}
	case Lognormal:
		normals(v, s)
		l.exponentials(v)
	case Triangular:
		for i, u := range v {
			if u < l.atMode {
				v[i] = l.low + math.Sqrt(float64(u*l.rise))
			} else {
				v[i] = l.high - math.Sqrt(float64((1-u)*l.fall))
			}
		}
	case Uniform:
		for i, u := range v {
			v[i] = l.low + float64(u*l.width)
		}
	}
	if l.share != 1 {
		for i, x := range v {
			v[i] = min(max(x, l.floor), l.ceil) // against the rounding of the shares
		}
	}
}

// exponentials replaces standard normal deviates by lognormal multipliers.
func (l law) exponentials(v []float64) {
	for i, z := range v {
		v[i] = float64(z * l.sigma)
	}
	exps(v)
}

// ofNormals replaces standard normal deviates by multipliers of equal probability.
func (l law) ofNormals(v []float64, s *scratch) {
	if l.kind == Lognormal && l.share == 1 {
		l.exponentials(v)
		return
	}
	cdfs(v, s.values)
	for i, u := range v {
		v[i] = inside(u)
	}
	l.quantiles(v, s)
}

// inside keeps a probability off 0 and 1.
func inside(p float64) float64 { return min(max(p, smallest), 1-smallest) }
