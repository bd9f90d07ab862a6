package api

import (
	"github.com/getkin/kin-openapi/openapi3"
	"github.com/labstack/echo/v4"

	"slabledger/inventory"
)

// Document gives tests the whole contract.
func (c *Contract) Document() *openapi3.T { return c.document }

// Kinds gives tests the registry of problems.
func Kinds() []Kind { return kinds }

// Router gives tests the routes, to compare and to add one that fails.
func (s *Server) Router() *echo.Echo { return s.router }

// Limits of a body.
const (
	MaxBodyBytes   = maxBodyBytes
	MaxDepth       = maxDepth
	MaxMembers     = maxMembers
	MaxStringBytes = maxStringBytes
)

// FailuresCounted gives tests the number of clients whose failures are counted.
func (s *Server) FailuresCounted() int {
	s.failures.mu.Lock()
	defer s.failures.mu.Unlock()
	return len(s.failures.of)
}

// Once gives tests what serves a request that stores, for one that no real server has.
func (s *Server) Once(c echo.Context, status int, content []byte, work func(*inventory.Retry) (string, any, error)) error {
	return s.once(c, status, content, work)
}

// TakeLongPlaces takes every place of long work, as one request, until the returned
// function leaves them.
func (s *Server) TakeLongPlaces() (leave func()) {
	s.waiting.Add(1)
	for range cap(s.lasting) {
		s.lasting <- struct{}{}
	}
	return func() {
		for range cap(s.lasting) {
			<-s.lasting
		}
		s.waiting.Add(-1)
	}
}

// LongRequests gives tests how many requests of long work are at work or wait.
func (s *Server) LongRequests() int { return int(s.waiting.Load()) }
