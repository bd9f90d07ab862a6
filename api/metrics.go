package api

import (
	"net/http"
	"slices"
	"strconv"
	"time"

	"github.com/labstack/echo/v4"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// metrics belong to one server. Their labels take few values whatever clients
// send: a method or a route that is not known is one value each.
type metrics struct {
	registry *prometheus.Registry
	requests *prometheus.HistogramVec
}

func newMetrics() metrics {
	m := metrics{
		registry: prometheus.NewRegistry(),
		requests: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name:    "http_server_request_duration_seconds",
			Help:    "Time from the head of a request to the end of its answer.",
			Buckets: []float64{0.0005, 0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10},
		}, []string{"method", "route", "status"}),
	}
	m.registry.MustRegister(m.requests, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

var knownMethods = []string{http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch,
	http.MethodDelete, http.MethodConnect, http.MethodOptions, http.MethodTrace}

func (m metrics) observe(c echo.Context, took time.Duration) {
	method := c.Request().Method
	if !slices.Contains(knownMethods, method) {
		method = "_OTHER"
	}
	route, known := c.Get(routeKey).(string)
	if !known {
		route = "unmatched"
	}
	m.requests.WithLabelValues(method, route, strconv.Itoa(c.Response().Status)).Observe(took.Seconds())
}

func (s *Server) routeMetrics() {
	handler := promhttp.HandlerFor(s.metrics.registry, promhttp.HandlerOpts{DisableCompression: true})
	s.route(http.MethodGet, "/metrics", "metrics", echo.WrapHandler(handler))
}
