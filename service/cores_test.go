package service_test

import (
	"runtime"
	"slices"
	"testing"

	"slabledger/service"
)

// Long computations get half of the processors that are free, of all but one, and one
// at least; what is given back, twice by mistake too, is there for the next.
func TestLongWorkSharesProcessors(t *testing.T) {
	was := runtime.GOMAXPROCS(0)
	t.Cleanup(func() { runtime.GOMAXPROCS(was) })
	for processors, want := range map[int][]int{1: {1, 1}, 2: {1, 1}, 3: {1, 1, 1}, 4: {2, 1, 1}, 8: {4, 2, 1, 1, 1}} {
		runtime.GOMAXPROCS(processors)
		svc := service.New(nil)
		for range 2 {
			var got []int
			var ends []func()
			for range want {
				n, done := svc.Hands()
				got, ends = append(got, n), append(ends, done)
			}
			if !slices.Equal(got, want) {
				t.Errorf("of %d processors: %v, want %v", processors, got, want)
			}
			for _, done := range ends {
				done()
				done()
			}
		}
	}
}
