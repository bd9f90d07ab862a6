package api

import (
	"context"
	"net/http"

	"github.com/labstack/echo/v4"
)

func (s *Server) routeComparisons() {
	s.route(http.MethodPost, "/v1/comparisons", "compare", compute(s, "compare", s.service.Compare))
	s.route(http.MethodPost, "/v1/evaluations", "evaluate", compute(s, "evaluate", s.service.Evaluate))
	s.route(http.MethodPost, "/v1/thickness", "sizeSlab", compute(s, "sizeSlab", s.service.SizeSlab))
}

// compute is an operation that answers a JSON body with what a use case makes
// of it, and stores nothing.
func compute[R any](s *Server, operationID string, use func(context.Context, []byte) (R, error)) echo.HandlerFunc {
	return s.json(operationID, func(c echo.Context) error {
		body, err := s.readBody(c, operationID)
		if err != nil {
			return err
		}
		result, err := use(c.Request().Context(), body)
		if err != nil {
			return err
		}
		return send(c, result)
	})
}
