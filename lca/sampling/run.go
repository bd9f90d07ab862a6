package sampling

import (
	"sync"
	"sync/atomic"
)

// blockSize is the number of samples drawn at a time.
const blockSize = 1024

// Run draws the samples and works the result out, with the same bits for any
// number of workers: a draw is a function of seed, name and number of the sample,
// sums are taken within each block and then over the blocks in their order, and
// each figure of the result is the work of one goroutine. It asks stop before each
// block of 1,024 samples and before each figure, by all workers, and gives its
// error back as soon as there is one: hand it the Err of a context. stop may be nil.
func (p *Plan) Run(stop func() error) (*Result, error) {
	n := p.options.Samples
	blocks := (n + blockSize - 1) / blockSize
	s := &sample{Plan: p, values: make([][]float64, len(p.outputs)), stride: len(p.outputs) + 2}
	for o := range s.values {
		s.values[o] = make([]float64, n)
	}
	s.sums = make([]float64, blocks*len(p.inputs)*s.stride)
	err := p.each(stop, blocks, func() func(int) {
		b := p.newBlock()
		return func(i int) { b.draw(s, i) }
	})
	if err != nil {
		return nil, err
	}
	return s.result(stop)
}

// With is the plan with so many workers at most, which changes no bit of the result.
func (p *Plan) With(workers int) *Plan {
	limited := *p
	limited.options.Workers = max(1, min(p.options.Workers, workers))
	return &limited
}

// each does the jobs 0 to n-1, shared among the workers; a worker has what start
// returns to itself.
func (p *Plan) each(stop func() error, n int, start func() func(int)) error {
	var next atomic.Int64
	work := func() error {
		do := start()
		for {
			i := int(next.Add(1)) - 1
			if i >= n {
				return nil
			}
			if stop != nil {
				if err := stop(); err != nil {
					return err
				}
			}
			do(i)
		}
	}
	workers := min(p.options.Workers, n)
	if workers <= 1 {
		return work()
	}
	var group sync.WaitGroup
	errs := make([]error, workers)
	for w := range workers {
		group.Go(func() { errs[w] = work() })
	}
	group.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// sample is what the blocks leave.
type sample struct {
	*Plan
	values [][]float64 // by output
	// sums are, by block and input, over the block: Σ d, Σ d², and Σ d e of each
	// output, where d and e are the deviations of input and output from the values
	// at multipliers of 1.
	sums   []float64
	stride int
}

// block is the room of one worker.
type block struct {
	*Plan
	*scratch
	columns [][]float64 // of inputs, then of products: multipliers less 1
}

func (p *Plan) newBlock() *block {
	b := &block{p, newScratch(), make([][]float64, len(p.inputs)+len(p.products))}
	room := make([]float64, len(b.columns)*blockSize)
	for c := range b.columns {
		b.columns[c] = room[c*blockSize:][:blockSize]
	}
	return b
}

// draw works out block number i of the sample.
func (b *block) draw(s *sample, i int) {
	from := i * blockSize
	n := min(blockSize, b.options.Samples-from)
	for c, in := range b.inputs {
		v := b.columns[c][:n]
		in.uniforms(v, from)
		if in.correlated {
			normals(v, b.scratch)
		} else {
			in.quantiles(v, b.scratch)
		}
	}
	b.correlated(n)
	sums := s.sums[i*len(b.inputs)*s.stride:]
	for c := range b.inputs {
		sums[c*s.stride], sums[c*s.stride+1] = deviations(b.columns[c][:n])
	}
	for k, pair := range b.products {
		multiply(b.columns[len(b.inputs)+k][:n], b.columns[pair[0]], b.columns[pair[1]])
	}
	for o, out := range b.outputs {
		y := s.values[o][from:][:n]
		out.evaluate(y, b.columns)
		for c := range b.inputs {
			if out.covers[c] {
				sums[c*s.stride+2+o] = dot(b.columns[c][:n], y)
			}
		}
		for j := range y {
			y[j] += out.nominal
		}
	}
}

// correlated mixes the normal deviates of the correlated inputs and makes
// multipliers of them. A row takes only rows above it, so the last goes first.
func (b *block) correlated(n int) {
	for row := len(b.group) - 1; row >= 0; row-- {
		v, weights := b.columns[b.group[row]][:n], b.mix[row]
		for j := range v {
			v[j] = float64(v[j] * weights[row])
		}
		for k, weight := range weights[:row] {
			if weight == 0 {
				continue
			}
			for j, z := range b.columns[b.group[k]][:n] {
				v[j] += float64(z * weight)
			}
		}
		b.inputs[b.group[row]].ofNormals(v, b.scratch)
	}
}

// deviations takes 1 off each multiplier, and sums what is left and its squares.
func deviations(v []float64) (sum, squares float64) {
	for j, x := range v {
		d := x - 1
		v[j] = d
		sum += d
		squares += float64(d * d)
	}
	return sum, squares
}

// multiply sets v to (1+x)(1+y) - 1.
func multiply(v, x, y []float64) {
	x, y = x[:len(v)], y[:len(v)]
	for j := range v {
		v[j] = x[j] + y[j] + float64(x[j]*y[j])
	}
}

// evaluate sets y, which is zero before, to the deviation of the output.
func (o *output) evaluate(y []float64, columns [][]float64) {
	k := 0
	for ; k+4 <= len(o.columns); k += 4 {
		c, w := o.columns[k:k+4], o.coefficients[k:k+4]
		w0, w1, w2, w3 := w[0], w[1], w[2], w[3]
		v0, v1, v2, v3 := columns[c[0]][:len(y)], columns[c[1]][:len(y)], columns[c[2]][:len(y)], columns[c[3]][:len(y)]
		for j := range y {
			y[j] += float64(w0*v0[j]) + float64(w1*v1[j]) + (float64(w2*v2[j]) + float64(w3*v3[j]))
		}
	}
	for ; k < len(o.columns); k++ {
		w, v := o.coefficients[k], columns[o.columns[k]][:len(y)]
		for j := range y {
			y[j] += float64(w * v[j])
		}
	}
}

// dot is Σ x y, as four sums side by side.
func dot(x, y []float64) float64 {
	y = y[:len(x)]
	var a, b, c, d float64
	j := 0
	for ; j+4 <= len(x); j += 4 {
		x, y := x[j:j+4], y[j:j+4]
		a += float64(x[0] * y[0])
		b += float64(x[1] * y[1])
		c += float64(x[2] * y[2])
		d += float64(x[3] * y[3])
	}
	for ; j < len(x); j++ {
		a += float64(x[j] * y[j])
	}
	return (a + b) + (c + d)
}
