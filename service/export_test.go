package service

import "time"

// SetClock makes a test's own time.
func (s *Service) SetClock(now func() time.Time) { s.now = now }
