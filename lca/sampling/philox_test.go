package sampling

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Known answers of Philox4x64-10 from the authors' library (values from memory),
// confirmed with numpy.random.Philox of NumPy 1.24.2.
func TestPhiloxKnownAnswers(t *testing.T) {
	const ones = math.MaxUint64
	for _, c := range []struct {
		key     [2]uint64
		counter [4]uint64
		want    [4]uint64
	}{
		{want: [4]uint64{0x16554d9eca36314c, 0xdb20fe9d672d0fdc, 0xd7e772cee186176b, 0x7e68b68aec7ba23b}},
		{[2]uint64{ones, ones}, [4]uint64{ones, ones, ones, ones},
			[4]uint64{0x87b092c3013fe90b, 0x438c3c67be8d0224, 0x9cc7d7c69cd777b6, 0xa09caebf594f0ba0}},
		{[2]uint64{0x452821e638d01377, 0xbe5466cf34e90c6c}, [4]uint64{0x243f6a8885a308d3, 0x13198a2e03707344, 0xa4093822299f31d0, 0x082efa98ec4e6c89},
			[4]uint64{0xa528f45403e61d95, 0x38c72dbd566e9788, 0xa5a1610e72fd18b5, 0x57bd43b5e52b7fe6}},
	} {
		k, x := c.key, c.counter
		a, b, d, e := philox(k[0], k[1], x[0], x[1], x[2], x[3])
		if diff := cmp.Diff(c.want, [4]uint64{a, b, d, e}); diff != "" {
			t.Error(diff)
		}
	}
}

// The uniforms of seed 7 and the name cement, worked with Python's hashlib and
// numpy.random.Philox of NumPy 1.24.2 by the description of stream.
func TestUniformsAsDescribed(t *testing.T) {
	want := []float64{0.2721654830739323, 0.3012112727765254, 0.4647253872749083, 0.8350341665955555, 0.19520932626309884, 0.1135916868886967}
	s := newStream(7, "cement")
	for n := range len(want) + 1 {
		got := make([]float64, n)
		s.uniforms(got, 0)
		if diff := cmp.Diff(want[:n], got); diff != "" {
			t.Error(diff)
		}
	}
	rest := make([]float64, 2)
	s.uniforms(rest, 4)
	if diff := cmp.Diff(want[4:], rest); diff != "" {
		t.Error(diff)
	}
}

// The ends of the words are uniforms that every quantile takes.
func TestUniformsLieInside(t *testing.T) {
	if low, high := uniform(0), uniform(math.MaxUint64); low != 0x1p-53 || high != 1-0x1p-53 {
		t.Errorf("%v to %v", low, high)
	}
}
