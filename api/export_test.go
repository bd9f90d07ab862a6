package api

import (
	"github.com/getkin/kin-openapi/openapi3"
	"github.com/labstack/echo/v4"
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
	MaxEntries     = maxEntriesOfList
	MaxStringBytes = maxStringBytes
)
