package service

import "time"

// SetClock makes a test's own time.
func (s *Service) SetClock(now func() time.Time) { s.now = now }

// SetWorkers makes so many goroutines draw samples.
func (s *Service) SetWorkers(n int) { s.workers = n }

// Follow finds what a pointer leads to in a document.
var Follow = follow
