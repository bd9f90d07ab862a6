package api

import (
	"context"
	"net/http"
	"time"

	"github.com/labstack/echo/v4"

	"slabledger/service"
)

func (s *Server) routeHealth() {
	s.route(http.MethodGet, "/healthz", "health", s.json("health", s.health))
	s.route(http.MethodGet, "/readyz", "ready", s.json("ready", s.ready))
}

type healthView struct {
	Status string `json:"status"`
}

func (s *Server) health(c echo.Context) error { return send(c, healthView{"ok"}) }

func (s *Server) ready(c echo.Context) error {
	ctx, cancel := context.WithTimeout(c.Request().Context(), time.Second)
	defer cancel()
	if err := s.service.Ready(ctx); err != nil {
		return &service.Error{Code: service.Unavailable, Detail: "The database does not answer, or its schema is not the one that this program knows.", Cause: err}
	}
	return send(c, healthView{"ready"})
}
