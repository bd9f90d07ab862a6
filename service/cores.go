package service

import (
	"runtime"
	"sync"
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
