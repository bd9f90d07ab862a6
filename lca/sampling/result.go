package sampling

import (
	"math"
	"slices"

	"github.com/shopspring/decimal"
)

// Result of a run. Its figures cross back to decimals through num.FromFloat.
type Result struct {
	Samples int
	Outputs [][]Summary // by alternative, then by measure
	Pairs   []Pair      // every pair of alternatives, in order: 0 and 1, 0 and 2, …, 1 and 2 …
	// Ranks are probabilities by measure, alternative and rank, the best first.
	// Alternatives that tie for some ranks take an equal share of each.
	Ranks [][][]float64
	// Additive: no inputs are correlated, so that the shares of the variance of one
	// quantity sum to no more than 1, but for their standard errors.
	Additive bool
	// Converged: no standard error, of a probability, or of the mean of an output
	// relative to that, is more than Options.Precision.
	Converged bool
}

// TracePoints is the number of points at which the trace of a run is taken: after
// each tenth of the samples.
const TracePoints = 10

// Summary is what the samples of one quantity say.
type Summary struct {
	Nominal float64 // at multipliers of 1
	// Distance of Nominal from Output.Exact, relative; invalid where that is not given.
	Distance decimal.NullDecimal
	Mean     float64
	SD       float64 // divisor n-1
	MeanSE   float64 // standard error of the mean, SD/√n
	// Percentiles 2.5, 5, 25, 50, 75, 95 and 97.5, as in PerMille.
	Percentiles [7]Percentile
	Trace       [TracePoints]float64 // mean of the first 1/10, 2/10 … of the samples
	// Shares of the variance that come from each input by itself, in the order of
	// Model.Inputs: the square of the correlation between input and quantity. With
	// independent inputs the quantity is linear in each of them, the others at any
	// value, so this is the first-order index of I. M. Sobol' (1993), Var E(Y|X)/Var Y.
	// What is missing to 1 comes from products of two inputs. With correlated inputs a
	// share holds also what comes from those that go with it. It is 0 where the
	// quantity does not depend on the input.
	Shares []float64
	// ShareSEs are the standard errors of the shares, 2 |r| (1 - r²)/√n, that of the
	// coefficient of correlation r being (1 - r²)/√n (asymptotic, of normal
	// quantities; common practice).
	ShareSEs []float64
}

// PerMille are the percentiles that a Summary has, in thousandths.
var PerMille = [7]int{25, 50, 250, 500, 750, 950, 975}

// Percentile is the least sample that at least the share p of the samples are not
// above: definition 1 of R. J. Hyndman and Y. Fan, "Sample quantiles in statistical
// packages", The American Statistician 50, 1996. SE is half the distance between the
// samples that stand √(n p (1-p)) places below and above, rounded outwards: the
// distribution-free interval of about 68 % (H. A. David and H. N. Nagaraja, Order
// Statistics, 3rd edition, 7.1; value from memory).
type Percentile struct{ Value, SE float64 }

// Probability that one alternative is better, as a share of the samples in which
// it is; a tie counts half.
type Probability struct {
	P  float64
	SE float64 // at most 0.5/√n
	// Low, High: two-sided 95 % interval of E. B. Wilson, "Probable inference, the law
	// of succession, and statistical inference", Journal of the American Statistical
	// Association 22, 1927. It does not collapse where all samples agree.
	Low, High float64
}

// Pair sets alternative A against B, A < B.
type Pair struct {
	A, B        int
	Differences []Difference // by measure
	// Joint is the outcome on two measures at once: of 0 and 1, 0 and 2, …, 1 and 2 …
	Joint []Joint
}

// Difference is A less B on one measure, sample by sample with the same draws. One
// of less than 2^-40 (1e-12) of the size of the outputs is rounding, and so a tie
// and 0. Its Distance is invalid.
type Difference struct {
	Summary
	Better      Probability          // A is below B
	BetterTrace [TracePoints]float64 // P after 1/10, 2/10 … of the samples
	// Indistinguishable: P is within Options.Band, or within two of its standard
	// errors, of one half.
	Indistinguishable bool
}

// Joint holds the shares of the samples by how A stands to B on two measures.
// Equal in one measure counts with the other. They sum to 1.
type Joint struct {
	First, Second int // measures
	BetterBoth    float64
	WorseBoth     float64
	Mixed         float64 // better on one, worse on the other
	Same          float64
	Better        Probability // A is better on both; Same counts half
}

// result works every figure out of the sample.
func (s *sample) result(stop func() error) (*Result, error) {
	r := &Result{Samples: s.options.Samples, Additive: len(s.group) == 0, Converged: true,
		Outputs: make([][]Summary, s.alternatives), Ranks: make([][][]float64, s.measures)}
	for a := range r.Outputs {
		r.Outputs[a] = make([]Summary, s.measures)
	}
	for a := range s.alternatives {
		for b := a + 1; b < s.alternatives; b++ {
			r.Pairs = append(r.Pairs, Pair{A: a, B: b, Differences: make([]Difference, s.measures)})
		}
	}
	// One after another in this order: the longest first, so that the workers end
	// together.
	ranks, outputs, differences := s.measures, len(s.outputs), len(r.Pairs)*s.measures
	err := s.each(stop, ranks+outputs+differences+len(r.Pairs), func() func(int) {
		d, room := make([]float64, s.options.Samples), make([]float64, s.options.Samples)
		return func(i int) {
			if i < ranks {
				r.Ranks[i] = s.ranks(i)
				return
			}
			if i -= ranks; i < outputs {
				r.Outputs[i/s.measures][i%s.measures] = s.output(i, room)
				return
			}
			if i -= outputs; i < differences {
				pair, m := &r.Pairs[i/s.measures], i%s.measures
				pair.Differences[m] = s.difference(pair.A, pair.B, m, d, room)
				return
			}
			pair := &r.Pairs[i-differences]
			pair.Joint = s.joints(pair.A, pair.B)
		}
	})
	if err != nil {
		return nil, err
	}
	s.addBlocks()
	s.finish(r)
	return r, nil
}

func (s *sample) output(o int, room []float64) Summary {
	sum := summarise(s.values[o], room, s.outputs[o].nominal)
	sum.Distance = s.outputs[o].distance
	return sum
}

// addBlocks sums the sums over the blocks, in order, into those of the first.
func (s *sample) addBlocks() {
	one := len(s.inputs) * s.stride
	total := s.sums[:one]
	for at := one; at < len(s.sums); at += one {
		for i, v := range s.sums[at : at+one] {
			total[i] += v
		}
	}
}

// finish adds what needs figures of more than one output: shares and convergence.
func (s *sample) finish(r *Result) {
	precision := s.options.Precision
	for o := range s.outputs {
		sum := &r.Outputs[o/s.measures][o%s.measures]
		s.share(sum, func(i int) float64 { return s.covariance(i, o, r) }, s.outputs[o].uses, nil)
		r.Converged = r.Converged && sum.MeanSE <= float64(precision*math.Abs(sum.Mean))
	}
	for k := range r.Pairs {
		pair := &r.Pairs[k]
		for m := range pair.Differences {
			d := &pair.Differences[m]
			a, b := s.measures*pair.A+m, s.measures*pair.B+m
			s.share(&d.Summary, func(i int) float64 { return s.covariance(i, a, r) - s.covariance(i, b, r) }, s.outputs[a].uses, s.outputs[b].uses)
			r.Converged = r.Converged && d.Better.SE <= precision
		}
		for _, j := range pair.Joint {
			r.Converged = r.Converged && j.Better.SE <= precision
		}
	}
}

// covariance of input i and output o, times n-1.
func (s *sample) covariance(i, o int, r *Result) float64 {
	sums := s.sums[i*s.stride:]
	mean := r.Outputs[o/s.measures][o%s.measures].Mean - s.outputs[o].nominal
	if !s.outputs[o].covers[i] {
		return 0
	}
	return sums[2+o] - float64(sums[0]*mean)
}

// share fills in the shares of the variance, given the covariance of each input.
func (s *sample) share(sum *Summary, covariance func(int) float64, uses, alsoUses []bool) {
	n := float64(s.options.Samples)
	sum.Shares, sum.ShareSEs = make([]float64, len(s.inputs)), make([]float64, len(s.inputs))
	variance := float64(float64(sum.SD*sum.SD) * (n - 1))
	for i := range s.inputs {
		sums := s.sums[i*s.stride:]
		of := sums[1] - float64(sums[0]*sums[0])/n
		if (!uses[i] && (alsoUses == nil || !alsoUses[i])) || of <= 0 || variance <= 0 {
			continue
		}
		c := covariance(i)
		share := min(1, float64(c/of)*float64(c/variance))
		sum.Shares[i] = share
		sum.ShareSEs[i] = float64(2*math.Sqrt(share)) * (1 - share) / math.Sqrt(n)
	}
}

// summarise all but the shares. room is as long as v, and is overwritten.
func summarise(v, room []float64, nominal float64) Summary {
	n := len(v)
	sum := Summary{Nominal: nominal}
	var total float64
	for step := range sum.Trace {
		total += sumOf(v[n*step/TracePoints:n*(step+1)/TracePoints], nominal)
		sum.Trace[step] = nominal + total/float64(n*(step+1)/TracePoints)
	}
	sum.Mean = sum.Trace[TracePoints-1]
	sum.SD = math.Sqrt(squaresOf(v, sum.Mean) / float64(n-1))
	sum.MeanSE = sum.SD / math.Sqrt(float64(n))

	sum.Percentiles = percentiles(v, room)
	return sum
}

// percentiles of v; room is as long, and is overwritten.
func percentiles(v, room []float64) (p [len(PerMille)]Percentile) {
	n := len(v)
	// Ranks of the lower end of each interval, of the percentile and of the upper end.
	var at [3 * len(PerMille)]int
	for i, share := range PerMille {
		spread := math.Sqrt(float64(n*share*(1000-share))) / 1000
		middle := float64(n*share) / 1000
		at[3*i] = max(int(math.Floor(middle-spread)), 1) - 1
		at[3*i+1] = (n*share+999)/1000 - 1
		at[3*i+2] = min(int(math.Ceil(middle+spread)), n) - 1
	}
	ranks := slices.Compact(slices.Sorted(slices.Values(at[:])))
	values := make([]float64, len(ranks))
	placed(values, v, ranks, room)
	value := func(rank int) float64 {
		i, _ := slices.BinarySearch(ranks, rank)
		return values[i]
	}
	for i := range p {
		p[i] = Percentile{value(at[3*i+1]), (value(at[3*i+2]) - value(at[3*i])) / 2}
	}
	return p
}

// sumOf is Σ (x - shift), as four sums side by side.
func sumOf(v []float64, shift float64) float64 {
	var a, b, c, d float64
	j := 0
	for ; j+4 <= len(v); j += 4 {
		v := v[j : j+4]
		a += v[0] - shift
		b += v[1] - shift
		c += v[2] - shift
		d += v[3] - shift
	}
	for ; j < len(v); j++ {
		a += v[j] - shift
	}
	return (a + b) + (c + d)
}

// squaresOf is Σ (x - mean)².
func squaresOf(v []float64, mean float64) float64 {
	var s [4]float64
	for j, x := range v {
		d := x - mean
		s[j&3] += float64(d * d)
	}
	return (s[0] + s[1]) + (s[2] + s[3])
}

// difference of a less b on one measure. d and room are as long as the sample, and
// are overwritten.
func (s *sample) difference(a, b, measure int, d, room []float64) Difference {
	va, vb, tie := s.values[a*s.measures+measure], s.values[b*s.measures+measure], s.ties[measure]
	var out Difference
	below, same := 0, 0
	n := len(d)
	for step := range out.BetterTrace {
		end := n * (step + 1) / TracePoints
		for j := n * step / TracePoints; j < end; j++ {
			x := va[j] - vb[j]
			if math.Abs(x) <= tie {
				x = 0
			}
			d[j] = x
			if x < 0 {
				below++
			}
			if x <= 0 {
				same++ // or below
			}
		}
		out.Better = probability(below, same-below, end)
		out.BetterTrace[step] = out.Better.P
	}
	out.Summary = summarise(d, room, s.outputs[a*s.measures+measure].nominal-s.outputs[b*s.measures+measure].nominal)
	out.Indistinguishable = math.Abs(out.Better.P-half) <= max(s.options.Band, 2*out.Better.SE)
	return out
}

// probability from counts of better and of equal among n.
func probability(better, same, n int) Probability {
	w, t, of := float64(better), float64(same), float64(n)
	p := (w + float64(t/2)) / of
	const z = 1.959963984540054 // standard normal quantile of 0.975
	spread := float64(z * math.Sqrt(float64(p*(1-p))/of+float64(z*z)/(4*of*of)))
	wide := 1 + float64(z*z)/of
	centre := p + float64(z*z)/(2*of)
	return Probability{
		P: p,
		// The mean of the squares of 0, ½ and 1, less the square of the mean.
		SE:   math.Sqrt(max(0, (w+float64(t/4))/of-float64(p*p)) / of),
		Low:  max(0, (centre-spread)/wide),
		High: min(1, (centre+spread)/wide),
	}
}

// joints are the outcomes on each two measures at once.
func (s *sample) joints(a, b int) []Joint {
	var list []Joint
	for first := range s.measures {
		for second := first + 1; second < s.measures; second++ {
			list = append(list, s.joint(a, b, first, second))
		}
	}
	return list
}

func (s *sample) joint(a, b, first, second int) Joint {
	n := s.options.Samples
	a1, b1, tie1 := s.values[a*s.measures+first], s.values[b*s.measures+first], s.ties[first]
	a2, b2, tie2 := s.values[a*s.measures+second], s.values[b*s.measures+second], s.ties[second]
	var counts [16]int // by 4 × the place on the first and that on the second
	for j := range n {
		counts[4*sign(a1[j]-b1[j], tie1)+sign(a2[j]-b2[j], tie2)]++
	}
	better, same, worse := counts[4*0+0]+counts[4*0+1]+counts[4*1+0], counts[4*1+1], counts[4*2+2]+counts[4*2+1]+counts[4*1+2]
	share := func(count int) float64 { return float64(count) / float64(n) }
	return Joint{First: first, Second: second, BetterBoth: share(better), WorseBoth: share(worse),
		Mixed: share(n - better - same - worse), Same: share(same), Better: probability(better, same, n)}
}

// sign is 0 below, 1 at a tie, 2 above.
func sign(d, tie float64) int {
	s := 0
	if d >= -tie {
		s++
	}
	if d > tie {
		s++
	}
	return s
}

// ranks is Result.Ranks of one measure.
func (s *sample) ranks(measure int) [][]float64 {
	k, n, tie := s.alternatives, s.options.Samples, s.ties[measure]
	// By alternative, number of better ones, and number of others that tie with it.
	counts := make([]int, k*k*k)
	row := make([]float64, k)
	for j := range n {
		for a := range row {
			row[a] = s.values[a*s.measures+measure][j]
		}
		for a, x := range row {
			better, notWorse := 0, -1 // not itself
			for _, y := range row {
				if y < x-tie {
					better++
				}
				if y <= x+tie {
					notWorse++
				}
			}
			counts[(a*k+better)*k+notWorse-better]++
		}
	}
	shares := make([][]float64, k)
	for a := range shares {
		shares[a] = make([]float64, k)
		for better := range k {
			for ties := range k - better {
				count := counts[(a*k+better)*k+ties]
				for rank := better; rank <= better+ties; rank++ {
					shares[a][rank] += float64(count) / float64((ties+1)*n)
				}
			}
		}
	}
	return shares
}
