package service

import (
	"context"
	"fmt"
	"runtime"
	"sync"
	"sync/atomic"
)

// cores shares the processors among long computations, so that short ones are answered
// beside them. No result depends on how many a computation gets.
type cores struct {
	mu    sync.Mutex
	taken int
}

// take gives a long computation half of the processors that are free, of all but one,
// and one at least; the caller gives them back by done.
func (c *cores) take() (n int, done func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	free := runtime.GOMAXPROCS(0) - 1 - c.taken
	n = max(1, (free+1)/2)
	c.taken += n
	return n, sync.OnceFunc(func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.taken -= n
	})
}

// hands are the goroutines of a long computation; the caller gives them back by done.
func (s *Service) hands() (n int, done func()) {
	if s.workers > 0 {
		return s.workers, func() {}
	}
	return s.cores.take()
}

// atOnce is spread on all processors. It is for work of some milliseconds in all: what
// comes beside it waits no longer than beside another request.
func atOnce(ctx context.Context, n int, do func(i int) error) error {
	return spread(ctx, runtime.GOMAXPROCS(0), n, do)
}

// spread does something for every index below n, by so many hands at most. The error is
// that of the lowest index that has one, as if all were done in order, so the number of
// hands decides nothing; a panic becomes an error.
func spread(ctx context.Context, hands, n int, do func(i int) error) error {
	var (
		group  sync.WaitGroup
		next   atomic.Int64
		mutex  sync.Mutex
		failed = n // the lowest that did
		first  error
	)
	guarded := func(i int) (err error) {
		defer func() {
			if found := recover(); found != nil {
				err = &Error{Code: Internal, Detail: "the computation failed", Cause: fmt.Errorf("panic: %v", found)}
			}
		}()
		return do(i)
	}
	work := func() {
		for {
			i := int(next.Add(1)) - 1
			if i >= n || ctx.Err() != nil {
				return
			}
			if err := guarded(i); err != nil {
				next.Store(int64(n)) // those below are at work already
				mutex.Lock()
				if i < failed {
					failed, first = i, err
				}
				mutex.Unlock()
			}
		}
	}
	for range min(hands, n) - 1 {
		group.Go(work)
	}
	work() // with the hand that asks
	group.Wait()
	if err := gone(ctx); err != nil {
		return err
	}
	return first
}
