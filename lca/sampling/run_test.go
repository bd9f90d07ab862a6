package sampling

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"sync/atomic"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// everything is a model with all that a model can have.
func everything() Model {
	m := comparison(false)
	for a := range m.Alternatives {
		m.Alternatives[a] = append(m.Alternatives[a], Output{Constant: float64(200 + a%3)}) // with ties
	}
	m.Inputs[3].Truncate = &Range{0.95, 1.02}
	m.Inputs[25].Truncate = &Range{0.9, 1.2}
	m.Inputs[50].Truncate = &Range{0, 1.15}
	m.Correlations = []Correlation{{20, 21, 0.7}, {21, 22, 0.5}, {0, 40, -0.3}, {3, 50, 0.2}}
	return m
}

// figures is every figure of a result: the shortest decimals that read back as they are.
func figures(t *testing.T, r *Result) string {
	t.Helper()
	b, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestSameBitsForAnyNumberOfWorkers(t *testing.T) {
	for _, n := range []int{MinSamples, 4097, 20_000} {
		want := ""
		for _, workers := range []int{1, 2, 4, 8} {
			o := options(n)
			o.Workers = workers
			got := figures(t, run(t, everything(), o))
			if want == "" {
				want = got
			}
			if got != want {
				t.Errorf("%d samples: %d workers give other bits than one", n, workers)
			}
		}
	}
}

// The bits are those of any machine: run this with GOAMD64=v1 and GOAMD64=v3, on
// amd64 and on arm64. A new sum is a change of results.
func TestSameBitsOnAnyProcessor(t *testing.T) {
	const want = "be3d628d0483bd5179df4ff804f05b8a2b94cf3a524a684f0807601f0ee21653"
	sum := sha256.Sum256([]byte(figures(t, run(t, everything(), options(10_000)))))
	if got := hex.EncodeToString(sum[:]); got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

func TestAnotherSeedGivesOtherSamples(t *testing.T) {
	o := options(MinSamples)
	first := run(t, everything(), o)
	o.Seed++
	if figures(t, first) == figures(t, run(t, everything(), o)) {
		t.Error("the seed does not matter")
	}
}

// A longer run begins with the shorter one: its trace passes through the same mean.
func TestLongerRunBeginsWithTheShorter(t *testing.T) {
	short, long := run(t, everything(), options(5_000)), run(t, everything(), options(50_000))
	for a := range short.Outputs {
		for m := range short.Outputs[a] {
			within(t, "mean", long.Outputs[a][m].Trace[0], short.Outputs[a][m].Mean, 1e-14)
		}
	}
	for k := range short.Pairs {
		for m := range short.Pairs[k].Differences {
			if got, want := long.Pairs[k].Differences[m].BetterTrace[0], short.Pairs[k].Differences[m].Better.P; got != want {
				t.Errorf("probability %v, then %v", want, got)
			}
		}
	}
}

// Draws go by name: inputs in another order, and inputs that nothing depends on,
// change no output. Only the shares stand in the order of the inputs.
func TestDrawsGoByName(t *testing.T) {
	m := comparison(false)
	want := run(t, m, options(MinSamples))

	turned := comparison(false)
	slices.Reverse(turned.Inputs)
	for i := range 10 {
		turned.Inputs = append(turned.Inputs, Input{fmt.Sprint("unused ", i), Distribution{Kind: Lognormal, GSD: 2}})
	}
	for _, a := range turned.Alternatives {
		for _, o := range a {
			for _, term := range o.Terms {
				for k := range term.Inputs {
					term.Inputs[k] = len(m.Inputs) - 1 - term.Inputs[k]
				}
			}
		}
	}
	got := run(t, turned, options(MinSamples))
	for a := range want.Outputs {
		for o := range want.Outputs[a] {
			shares := got.Outputs[a][o].Shares
			if slices.ContainsFunc(shares[len(m.Inputs):], func(s float64) bool { return s != 0 }) {
				t.Error("an input that nothing depends on has a share")
			}
			shares = shares[:len(m.Inputs)]
			slices.Reverse(shares)
			for i, s := range shares {
				within(t, "share", s, want.Outputs[a][o].Shares[i], 1e-12)
			}
			want.Outputs[a][o].Shares, want.Outputs[a][o].ShareSEs = nil, nil
			got.Outputs[a][o].Shares, got.Outputs[a][o].ShareSEs = nil, nil
		}
	}
	if diff := cmp.Diff(want.Outputs, got.Outputs); diff != "" {
		t.Error(diff)
	}
}

// A run stops within a block of each worker when it is told to, with the reason.
func TestRunStops(t *testing.T) {
	gone := errors.New("the client is gone")
	p := prepare(t, comparison(false), options(100_000))
	for _, after := range []int64{0, 5, 98, 120} {
		var asked atomic.Int64
		r, err := p.Run(func() error {
			if asked.Add(1) > after {
				return gone
			}
			return nil
		})
		if r != nil || !errors.Is(err, gone) {
			t.Errorf("after %d: %v", after, err)
		}
		if n := asked.Load(); n > after+2 {
			t.Errorf("after %d: asked %d times, by two workers", after, n)
		}
	}
}
