package sampling

import (
	"math"

	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// Model is a comparison as a function of uncertain multipliers. The same measures,
// such as cost and carbon, are worked out for each alternative, less of each being
// better.
type Model struct {
	Inputs       []Input
	Alternatives [][]Output // by alternative, then by measure
	Correlations []Correlation
}

// Input is one uncertain number, as a multiplier of what it is stated to be. An
// input that stands in several outputs is one draw a sample for all of them.
type Input struct {
	// Name is unique in the model. The draws are a function of the seed and of it,
	// so that an input of the same name has the same draws in another model.
	Name string
	Distribution
}

// Output is one measure of one alternative: Constant plus the sum of the terms.
type Output struct {
	Constant float64
	Terms    []Term
	// Exact is what the output is at multipliers of 1 by decimal arithmetic, where
	// the distance from it is wanted.
	Exact decimal.NullDecimal
}

// Term is Coefficient times the product of one or two different inputs, such as
// the multiplier of a price and that of an amount.
type Term struct {
	Coefficient float64
	Inputs      []int // indices into Model.Inputs
}

// Correlation is Spearman's coefficient of rank correlation between two inputs.
type Correlation struct {
	A, B int     // indices into Model.Inputs, different
	Rank float64 // between -1 and 1, both excluded: inputs that always move together are one input
}

// Options of a run.
type Options struct {
	Samples int    // MinSamples to MaxSamples
	Seed    uint64 // any
	Workers int    // goroutines, 1 to MaxWorkers; the result does not depend on it
	// Band is how near to one half a probability counts as no difference, 0 to 0.5.
	// Nearer than two of its standard errors always does.
	Band float64
	// Precision is the standard error, of probabilities absolute and of means relative
	// to the mean, at which a run counts as converged; 1e-6 to 1.
	Precision float64
}

// Limits. Below MinSamples a percentile of 2.5 would rest on fewer than 25
// samples. MaxBytes and MaxSteps bound a run as a whole; a step takes about a
// nanosecond of one core.
const (
	MinSamples      = 1_000
	MaxSamples      = 1_000_000
	MaxInputs       = 1_000
	MaxMeasures     = 8
	MaxAlternatives = 100
	MaxTerms        = 100_000 // of all outputs together
	MaxCorrelated   = 100     // inputs
	MaxWorkers      = 64
	MaxBytes        = 256 << 20
	MaxSteps        = 10_000_000_000
)

// maxCoefficient keeps every sum of squares far from the end of float64: inputs
// have at most 15 digits before the point, amounts and prices each.
const maxCoefficient = 1e30

// Size is what a run takes, as estimated before it starts.
type Size struct {
	Draws int64 // random numbers
	Steps int64
	Bytes int64 // of memory
}

// Plan is a model checked and made ready. It does not change and may be shared.
type Plan struct {
	options      Options
	inputs       []source
	group        []int       // the correlated inputs, ascending
	mix          [][]float64 // lower triangle of their normal correlation, by Cholesky
	products     [][2]int
	alternatives int
	measures     int
	outputs      []output // by alternative, then by measure
	ties         []float64
	size         Size
}

// source draws one input.
type source struct {
	stream
	law
	correlated bool
}

// output is nominal + Σ coefficients × columns, where a column is a product of
// inputs less 1: first one of each input, then the products.
type output struct {
	nominal      float64
	distance     decimal.NullDecimal
	columns      []int
	coefficients []float64
	uses         []bool // by input
	// covers are the inputs of which the covariance is worked out: those that any
	// alternative uses in this measure. The sample's covariance with an input that
	// the output does not use is not zero but scatter, and in a difference it cancels
	// that of the other alternative.
	covers []bool
}

// Prepare checks model and options, and returns either a plan or every fault
// found. Nothing of the size of the run is allocated yet. The codes are those of
// Distribution.Check and, below at:
//
//   - "compute-budget-exceeded": a limit is passed; the detail names it with what
//     the run would take.
//   - "out-of-range", "duplicate-name", "not-in-list" (an index), "wrong-type" (not
//     as many measures as the first alternative has, not one or two inputs).
//   - "correlation-not-positive-definite": no inputs can be correlated like that.
func Prepare(m Model, o Options, at fault.Path) (*Plan, fault.List) {
	c := check{at: at, model: &m}
	c.options(o)
	c.counts()
	if c.Empty() { // so many things, and no more, are looked at
		c.inputs()
		c.outputs()
	}
	if !c.Empty() {
		return nil, c.List
	}
	p := &Plan{options: o, alternatives: len(m.Alternatives), measures: len(m.Alternatives[0]), ties: make([]float64, len(m.Alternatives[0]))}
	for _, in := range m.Inputs {
		p.inputs = append(p.inputs, source{newStream(o.Seed, in.Name), newLaw(in.Distribution), false})
	}
	p.correlate(&c)
	columns := map[[2]int]int{}
	for _, a := range m.Alternatives {
		for measure, out := range a {
			p.add(out, measure, columns)
		}
	}
	p.cover()
	p.estimate()
	if p.size.Steps > MaxSteps || p.size.Bytes > MaxBytes {
		c.Add(at, "compute-budget-exceeded", "about %.2g steps and %d MiB; accepted: up to %.2g steps and %d MiB; ask for fewer samples, inputs or alternatives",
			float64(p.size.Steps), p.size.Bytes>>20, float64(MaxSteps), MaxBytes>>20)
	}
	if !c.Empty() {
		return nil, c.List
	}
	return p, c.List
}

// Size is what the run takes.
func (p *Plan) Size() Size { return p.size }

// check gathers the faults of a model.
type check struct {
	fault.List
	at    fault.Path
	model *Model
}

func (c *check) options(o Options) {
	within := func(member string, value, low, high float64) {
		if !(value >= low && value <= high) { // NaN is not
			c.Add(c.at.At(member), "out-of-range", "%v; accepted: %v to %v", value, low, high)
		}
	}
	if o.Samples < MinSamples {
		c.Add(c.at.At("samples"), "out-of-range", "%d; accepted: %d to %d", o.Samples, MinSamples, MaxSamples)
	}
	c.limit(c.at.At("samples"), o.Samples, MaxSamples)
	within("workers", float64(o.Workers), 1, MaxWorkers)
	within("band", o.Band, 0, half)
	within("precision", o.Precision, 1e-6, 1)
}

func (c *check) limit(at fault.Path, count, limit int) {
	if count > limit {
		c.Add(at, "compute-budget-exceeded", "%d; accepted: up to %d", count, limit)
	}
}

func (c *check) counts() {
	m := c.model
	if len(m.Alternatives) == 0 || len(m.Alternatives[0]) == 0 {
		c.Add(c.at.At("alternatives"), "out-of-range", "there is no alternative with a measure")
		return
	}
	terms, measures := 0, len(m.Alternatives[0])
	for i, a := range m.Alternatives {
		if len(a) != measures {
			c.Add(c.at.At("alternatives", i), "wrong-type", "%d measures; the first alternative has %d", len(a), measures)
		}
		for _, o := range a {
			terms += len(o.Terms)
		}
	}
	c.limit(c.at.At("inputs"), len(m.Inputs), MaxInputs)
	c.limit(c.at.At("alternatives", 0), measures, MaxMeasures)
	c.limit(c.at.At("alternatives"), len(m.Alternatives), MaxAlternatives)
	c.limit(c.at.At("terms"), terms, MaxTerms)
	c.limit(c.at.At("correlations"), len(m.Correlations), MaxCorrelated*(MaxCorrelated-1)/2)
}

func (c *check) inputs() {
	seen := map[string]int{}
	for i, in := range c.model.Inputs {
		at := c.at.At("inputs", i)
		if first, again := seen[in.Name]; again {
			c.Add(at.At("name"), "duplicate-name", "%q is the name of input %d already", in.Name, first)
		}
		seen[in.Name] = i
		faults := in.Check(at)
		c.Append(faults.All()...)
	}
}

func (c *check) outputs() {
	m := c.model
	finite := func(at fault.Path, value float64) {
		if !(math.Abs(value) <= maxCoefficient) {
			c.Add(at, "out-of-range", "%v; accepted: up to %v either way", value, maxCoefficient)
		}
	}
	for a, alternative := range m.Alternatives {
		for o, out := range alternative {
			at := c.at.At("alternatives", a, o)
			finite(at.At("constant"), out.Constant)
			for t, term := range out.Terms {
				at := at.At("terms", t)
				finite(at.At("coefficient"), term.Coefficient)
				if n := len(term.Inputs); n < 1 || n > 2 || n == 2 && term.Inputs[0] == term.Inputs[1] {
					c.Add(at.At("inputs"), "wrong-type", "%v; a term is of one input, or of two different ones", term.Inputs)
				}
				c.known(at.At("inputs"), term.Inputs...)
			}
		}
	}
}

func (c *check) known(at fault.Path, inputs ...int) {
	for _, i := range inputs {
		if i < 0 || i >= len(c.model.Inputs) {
			c.Add(at, "not-in-list", "%d is no input; there are %d", i, len(c.model.Inputs))
		}
	}
}

// tie is how small a difference of two outputs, in shares of their size at
// multipliers of 1, is no more than rounding: the same sum written in another order
// differs by some 1e-16 of it.
const tie = 0x1p-40

// add makes an output ready, sharing the columns that it has in common with others.
func (p *Plan) add(out Output, measure int, columns map[[2]int]int) {
	o := output{nominal: out.Constant, uses: make([]bool, len(p.inputs))}
	place := map[int]int{} // of a column in o
	size := math.Abs(out.Constant)
	for _, term := range out.Terms {
		column := term.Inputs[0]
		o.uses[column] = true
		if len(term.Inputs) == 2 {
			other := term.Inputs[1]
			o.uses[other] = true
			key := [2]int{min(column, other), max(column, other)}
			known, ok := columns[key]
			if !ok {
				known = len(p.inputs) + len(p.products)
				columns[key] = known
				p.products = append(p.products, key)
			}
			column = known
		}
		at, ok := place[column]
		if !ok {
			at = len(o.columns)
			place[column] = at
			o.columns, o.coefficients = append(o.columns, column), append(o.coefficients, 0)
		}
		o.coefficients[at] += term.Coefficient
		o.nominal += term.Coefficient
		size += math.Abs(term.Coefficient)
	}
	o.distance = Distance(o.nominal, out.Exact)
	p.ties[measure] = max(p.ties[measure], tie*size)
	p.outputs = append(p.outputs, o)
}

// cover marks of each output the inputs that it is held against.
func (p *Plan) cover() {
	byMeasure := make([][]bool, p.measures)
	for m := range byMeasure {
		byMeasure[m] = make([]bool, len(p.inputs))
		for i, in := range p.inputs {
			byMeasure[m][i] = in.correlated
			for a := range p.alternatives {
				byMeasure[m][i] = byMeasure[m][i] || p.outputs[a*p.measures+m].uses[i]
			}
		}
	}
	for o := range p.outputs {
		p.outputs[o].covers = byMeasure[o%p.measures]
	}
}

// Distance is how far a float64 is from the decimal that it stands for, relative
// to that; where that is zero, as it is. It is good to 2^-53, which is the most that
// writing a float64 as a decimal may lose. It is invalid where exact is.
func Distance(f float64, exact decimal.NullDecimal) decimal.NullDecimal {
	d, err := num.FromFloat(f, 60)
	if !exact.Valid || err != nil {
		return decimal.NullDecimal{}
	}
	apart := d.Sub(exact.Decimal).Abs()
	if relative, err := num.Div(apart, exact.Decimal.Abs()); err == nil {
		apart = relative
	}
	return decimal.NewNullDecimal(apart)
}

// estimate works the size out.
func (p *Plan) estimate() {
	n, inputs, outputs, workers := int64(p.options.Samples), int64(len(p.inputs)), int64(len(p.outputs)), int64(p.options.Workers)
	blocks := (n + blockSize - 1) / blockSize
	differences := int64(p.pairs()) * int64(p.measures)
	joint := int64(p.pairs()) * int64(p.measures*(p.measures-1)/2)
	ranked := int64(p.alternatives) * outputs
	var terms, used int64
	for _, o := range p.outputs {
		terms += int64(len(o.columns))
		for _, covered := range o.covers {
			if covered {
				used++
			}
		}
	}
	// About nanoseconds, of: a draw, a mixed normal, a product, a term, a covariance,
	// a summary, a joint outcome, a comparison of ranks.
	group := int64(len(p.group))
	p.size.Draws = n * inputs
	p.size.Steps = n * (15*inputs + 15*group + group*group/2 + int64(len(p.products)) + terms + used + 10*(outputs+differences) + 4*joint + 2*ranked)
	p.size.Bytes = 8 * (n*outputs + // the sample
		2*n*workers + // room for differences and for selection
		blocks*inputs*(2+outputs) + // sums by block
		workers*blockSize*(inputs+int64(len(p.products))+4) +
		(outputs+differences)*(inputs+64) + // the result
		2*ranked*int64(p.alternatives))
}

// pairs counts the pairs of alternatives.
func (p *Plan) pairs() int { return p.alternatives * (p.alternatives - 1) / 2 }
