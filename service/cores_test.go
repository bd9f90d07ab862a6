package service_test

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"sync/atomic"
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

// Short work that is spread is done once for each index, however many processors there
// are, and tells what is wrong with the lowest index that has something wrong.
func TestSpreadWorkTellsTheLowestError(t *testing.T) {
	was := runtime.GOMAXPROCS(0)
	t.Cleanup(func() { runtime.GOMAXPROCS(was) })
	for _, processors := range []int{1, 2, 4} {
		runtime.GOMAXPROCS(processors)
		for _, n := range []int{0, 1, 3, 100} {
			done := make([]atomic.Int32, n)
			if err := service.Spread(t.Context(), n, func(i int) error { done[i].Add(1); return nil }); err != nil {
				t.Fatal(err)
			}
			for i := range done {
				if got := done[i].Load(); got != 1 {
					t.Errorf("%d processors: %d of %d was done %d times", processors, i, n, got)
				}
			}
		}
		for range 200 {
			err := service.Spread(t.Context(), 100, func(i int) error {
				if i%30 == 17 {
					return fmt.Errorf("wrong with %d", i)
				}
				return nil
			})
			if err == nil || err.Error() != "wrong with 17" {
				t.Fatalf("%d processors: %v", processors, err)
			}
		}
		var failed *service.Error
		if err := service.Spread(t.Context(), 100, func(i int) error { panic(i) }); !errors.As(err, &failed) || failed.Code != service.Internal {
			t.Errorf("a panic ends as %v", err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		var started atomic.Int32
		err := service.Spread(ctx, 1000, func(int) error { started.Add(1); cancel(); return nil })
		if !errors.As(err, &failed) || failed.Code != service.Unavailable || started.Load() > int32(processors) {
			t.Errorf("given up after the first: %v, with %d done", err, started.Load())
		}
	}
}
