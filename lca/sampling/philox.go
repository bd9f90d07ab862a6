package sampling

import (
	"crypto/sha256"
	"encoding/binary"
	"math"
	"math/bits"
)

// stream is the sequence of random words of one input. Word j is a function of
// the seed, the name and j alone: the counter-based generator Philox4x64-10 with
// the seed and a part of the SHA-256 of the name as its key, the rest of it and
// j/4 as its counter. So the draws of an input depend neither on the other inputs
// nor on who works them out, and a longer run begins with the shorter one.
//
// Source: J. K. Salmon, M. A. Moraes, R. O. Dror, D. E. Shaw, "Parallel random
// numbers: as easy as 1, 2, 3", SC11, 2011.
type stream struct {
	key  [2]uint64
	name [3]uint64 // upper words of the counter
}

func newStream(seed uint64, name string) stream {
	h := sha256.Sum256([]byte(name))
	word := func(i int) uint64 { return binary.LittleEndian.Uint64(h[8*i:]) }
	return stream{[2]uint64{seed, word(0)}, [3]uint64{word(1), word(2), word(3)}}
}

// uniforms fills v with the uniforms from index from on, which is a multiple of
// 4: odd multiples of 2^-53, so never 0 nor 1, and as many below as above ½.
func (s *stream) uniforms(v []float64, from int) {
	at := uint64(from) / 4 //nolint:gosec // a sample number is not negative
	for len(v) >= 4 {
		a, b, c, d := s.words(at)
		v[0], v[1], v[2], v[3] = uniform(a), uniform(b), uniform(c), uniform(d)
		v, at = v[4:], at+1
	}
	a, b, c, _ := s.words(at)
	for i, word := range []uint64{a, b, c}[:len(v)] {
		v[i] = uniform(word)
	}
}

// words are four words in a row, of which there are 2^64.
func (s *stream) words(at uint64) (uint64, uint64, uint64, uint64) {
	return philox(s.key[0], s.key[1], at, s.name[0], s.name[1], s.name[2])
}

// uniform makes 52 bits below a one a number from 1 to 2, and that one from 0 to 1.
func uniform(word uint64) float64 {
	return math.Float64frombits(1023<<52|word>>12) - (1 - smallest)
}

// philox is Philox4x64-10 of the key (k0, k1) and the counter (a, b, c, d).
func philox(k0, k1, a, b, c, d uint64) (uint64, uint64, uint64, uint64) {
	for range 10 {
		hi0, lo0 := bits.Mul64(0xD2E7470EE14C6C93, a)
		hi1, lo1 := bits.Mul64(0xCA5A826395121157, c)
		a, b, c, d = hi1^b^k0, lo1, hi0^d^k1, lo0
		k0 += 0x9E3779B97F4A7C15 // the golden ratio
		k1 += 0xBB67AE8584CAA73B // √3 - 1
	}
	return a, b, c, d
}
