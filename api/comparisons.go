package api

import (
	"net/http"

	"github.com/labstack/echo/v4"
)

func (s *Server) routeComparisons() {
	s.route(http.MethodPost, "/v1/comparisons", "compare", s.json("compare", s.compare))
	s.route(http.MethodPost, "/v1/evaluations", "evaluate", s.json("evaluate", s.evaluate))
}

func (s *Server) compare(c echo.Context) error {
	body, err := s.readBody(c, "compare")
	if err != nil {
		return err
	}
	result, err := s.service.Compare(c.Request().Context(), body)
	if err != nil {
		return err
	}
	return send(c, result)
}

func (s *Server) evaluate(c echo.Context) error {
	body, err := s.readBody(c, "evaluate")
	if err != nil {
		return err
	}
	result, err := s.service.Evaluate(c.Request().Context(), body)
	if err != nil {
		return err
	}
	return send(c, result)
}
