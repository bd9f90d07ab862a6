// Package api is the HTTP side: routes, the contract at run time, problem
// documents and the reference pages. A handler reads, calls one use case of
// package service and writes.
package api

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/klauspost/compress/gzhttp"
	"github.com/klauspost/compress/gzip"
	"github.com/labstack/echo/v4"
	"golang.org/x/time/rate"

	"slabledger/api/pages"
	"slabledger/inventory"
	"slabledger/service"
)

// Options of a Server. The zero value is ready for use.
type Options struct {
	Logger *slog.Logger  // access and error log; nothing is logged without one
	NewID  func() string // a UUID for each request; random by default
	Now    func() time.Time

	// OpenReads lets everyone do what a viewer may, without a key. It is of no
	// account while there are no keys.
	OpenReads bool

	// Demo is the body of a comparison that the first page offers to open, where the
	// inventory that it names is published.
	Demo []byte

	// Time limits of a connection. Zero is the default given.
	HeaderTimeout time.Duration // 5 s, for the head of a request
	ReadTimeout   time.Duration // 30 s, for the whole request
	WriteTimeout  time.Duration // 60 s, from the head of the request to the end of the answer
	IdleTimeout   time.Duration // 15 s, between requests
	DrainTimeout  time.Duration // 10 s, for open requests when the server stops

	MaxConnections int // 4096; further ones wait to be accepted
	// MaxComputing is how many requests compute at once; others wait, for
	// ComputeWait at most. Twice the processors by default.
	MaxComputing int
	// MaxLong is how many of the requests that may compute for seconds do so at once,
	// besides those of MaxComputing. Half the processors by default. MaxWaiting of them
	// are at work or wait for a place; further ones are refused at once. Eight for each
	// place by default.
	MaxLong, MaxWaiting int
	ComputeWait         time.Duration // 5 s
	ComputeLimit        time.Duration // 20 s, after which what is not computed is given up
	MaxTables           int           // uploads, publications and exports at once; two by default

	// Hosts are names besides those of this machine that a request may be
	// addressed to, such as that of a proxy. Where no key is needed whoever reaches
	// the port may use the service, and a page in a browser reaches it under a name
	// of its own (DNS rebinding). Where keys are needed for all, any name will do.
	Hosts []string
}

const (
	maxBodyBytes   = 1 << 20
	maxHeaderBytes = 16 << 10
	minGzipBytes   = 1 << 10
	maxLoggedPath  = 200
)

// Server answers HTTP requests.
type Server struct {
	tables    chan struct{} // holds a token for each request that has a table in memory
	computing chan struct{} // holds a token for each request that computes for milliseconds
	lasting   chan struct{} // holds a token for each request that may compute for seconds
	waiting   atomic.Int64  // requests that hold a token of lasting or wait for one
	service   *service.Service
	contract  *Contract
	options   Options
	router    *echo.Echo
	handler   http.Handler
	metrics   metrics
	reference reference
	site      *pages.Pages

	failures    failures
	crossOrigin http.CrossOriginProtection
}

// New makes a Server of a service and its contract. It panics where a page
// cannot be rendered from the contract, which is a mistake of the program.
func New(svc *service.Service, contract *Contract, options Options) *Server {
	if options.Logger == nil {
		options.Logger = slog.New(slog.DiscardHandler)
	}
	if options.NewID == nil {
		options.NewID = uuid.NewString
	}
	if options.Now == nil {
		options.Now = time.Now
	}
	for limit, standard := range map[*time.Duration]time.Duration{
		&options.HeaderTimeout: 5 * time.Second, &options.ReadTimeout: 30 * time.Second, &options.WriteTimeout: time.Minute,
		&options.IdleTimeout: 15 * time.Second, &options.DrainTimeout: 10 * time.Second, &options.ComputeWait: 5 * time.Second, &options.ComputeLimit: 20 * time.Second,
	} {
		if *limit == 0 {
			*limit = standard
		}
	}
	if options.MaxConnections == 0 {
		options.MaxConnections = 4096
	}
	if options.MaxComputing == 0 {
		options.MaxComputing = 2 * runtime.GOMAXPROCS(0)
	}
	if options.MaxLong == 0 {
		options.MaxLong = max(1, runtime.GOMAXPROCS(0)/2)
	}
	if options.MaxWaiting == 0 {
		options.MaxWaiting = 8 * options.MaxLong
	}
	if options.MaxTables == 0 {
		options.MaxTables = 2
	}
	s := &Server{tables: make(chan struct{}, options.MaxTables), computing: make(chan struct{}, options.MaxComputing), lasting: make(chan struct{}, options.MaxLong), service: svc, contract: contract, options: options, router: echo.New(), metrics: newMetrics(),
		failures: failures{of: map[netip.Prefix]*rate.Limiter{}}}
	s.site = s.newSite()
	s.reference = renderReference(contract, s.site)
	s.router.HTTPErrorHandler = func(error, echo.Context) {} // observe has answered
	s.router.Use(s.observe)
	s.routeComparisons()
	s.routeInventories()
	s.routeVersions()
	s.routeDrafts()
	s.routeJobs()
	s.routeStudies()
	s.routeUpload()
	s.routeKeys()
	s.routeDocs()
	s.routeSite()
	s.routeHealth()
	s.routeMetrics()

	compress, err := gzhttp.NewWrapper(gzhttp.MinSize(minGzipBytes), gzhttp.CompressionLevel(gzip.BestSpeed), gzhttp.SuffixETag(gzipSuffix))
	if err != nil {
		panic("api: " + err.Error()) // the options above are constants
	}
	s.handler = compress(s.router)
	return s
}

// ServeHTTP implements http.Handler.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) { s.handler.ServeHTTP(w, r) }

// route adds an operation of the contract, for those who have the role that it
// needs. Parameters of a path are written as echo does, :slug for {slug}.
func (s *Server) route(method, path, operationID string, handle echo.HandlerFunc) {
	s.add(method, path, operationID, s.admitted(s.roleOf(operationID), func(c echo.Context) error {
		if err := named(c); err != nil {
			return err
		}
		for _, values := range c.QueryParams() {
			if slices.ContainsFunc(values, func(text string) bool { return !utf8.ValidString(text) }) {
				return &refusal{code: "malformed-request", detail: "A parameter of the address is not UTF-8."}
			}
		}
		return handle(c)
	}))
}

// named refuses a path with a name that no store can have: one may not take it even to
// look for it.
func named(c echo.Context) error {
	if slices.ContainsFunc(c.ParamValues(), noText) {
		return &service.Error{Code: service.NotFound, Detail: "Nothing has a name that is no text."}
	}
	return nil
}

// noText tells of what is not UTF-8 or has the byte 0.
func noText(s string) bool { return strings.ContainsRune(s, 0) || !utf8.ValidString(s) }

// roleOf is the role that an operation needs.
func (s *Server) roleOf(operationID string) inventory.Role {
	if operation := s.contract.byID[operationID]; operation != nil {
		return operation.Role
	}
	return inventory.Admin // of what is not in the contract
}

// add adds an operation that lets its clients in by itself.
func (s *Server) add(method, path, operationID string, handle echo.HandlerFunc) {
	known := func(c echo.Context) error {
		c.Set(routeKey, path)
		return handle(c)
	}
	s.router.Add(method, path, known).Name = operationID
	if method == http.MethodGet { // RFC 9110, 9.1: whoever has GET has HEAD
		s.router.Add(http.MethodHead, path, known).Name = operationID
	}
}

const (
	routeKey = "route" // of the path as it was registered
	idKey    = "id"    // of the request
	actorKey = "actor" // who makes it, where that was asked
)

// observe surrounds every request, those without a route too: it gives the id
// and the security headers, turns errors and panics into problems, and counts
// and logs.
func (s *Server) observe(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		start := time.Now()
		id := s.options.NewID()
		c.Set(idKey, id)
		secure(c.Response().Header(), id)
		handle := next
		if showsKey(c.Request().URL) {
			handle = keyShown
		} else if !s.addressed(c.Request()) {
			handle = misdirected
		}
		if err := s.protect(handle, c); err != nil && !s.shownLost(c, err) {
			s.fail(c, err)
		}
		s.metrics.observe(c, time.Since(start))
		s.logAccess(c, id, time.Since(start))
		return nil
	}
}

// addressed tells whether a request is meant for this service: for this machine,
// for a name that it was told, or for any where all need a key.
func (s *Server) addressed(r *http.Request) bool {
	host := r.Host
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	host = strings.ToLower(strings.TrimSuffix(strings.Trim(host, "[]"), "."))
	if ip := net.ParseIP(host); host == "localhost" || (ip != nil && ip.IsLoopback()) {
		return true
	}
	if slices.Contains(s.options.Hosts, host) {
		return true
	}
	if s.options.OpenReads {
		return false
	}
	keyed, err := s.service.Keyed(r.Context(), s.options.Now())
	return err == nil && keyed
}

func misdirected(echo.Context) error {
	return &refusal{code: "misdirected-request", detail: "The header Host names another service."}
}

// protect turns a panic into an error.
func (s *Server) protect(next echo.HandlerFunc, c echo.Context) (err error) {
	defer func() {
		found := recover()
		if found == nil {
			return
		}
		if abort, ok := found.(error); ok && errors.Is(abort, http.ErrAbortHandler) {
			panic(found) // net/http's own way to cut the connection
		}
		err = fmt.Errorf("panic: %v\n%s", found, debug.Stack())
	}()
	return next(c)
}

// secure sets the headers that every answer has; a handler may replace them.
func secure(h http.Header, id string) {
	h.Set("X-Request-Id", id)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cache-Control", "no-store")
}

// explained is what went wrong, for the client and, where it is the service's own
// matter, for the log.
func (s *Server) explained(c echo.Context, err error) (problem, [2]string) {
	id, _ := c.Get(idKey).(string)
	p, header, cause := describe(err, id)
	if c.Request().Context().Err() != nil || c.Response().Committed {
		s.options.Logger.Info("answer given up", "request_id", id)
	} else if cause != nil {
		s.options.Logger.Error("request failed", "request_id", id, "status", p.Status, "cause", cause.Error())
	}
	return p, header
}

// fail answers with a problem.
func (s *Server) fail(c echo.Context, err error) {
	id, _ := c.Get(idKey).(string)
	p, header := s.explained(c, err)
	if c.Response().Committed {
		panic(http.ErrAbortHandler) // half an answer must not look like a whole one
	}
	h := c.Response().Header()
	secure(h, id)
	h.Del("ETag")
	h.Del("Link")
	if header[0] != "" {
		h.Set(header[0], header[1])
	}
	body, err := service.Encode(p)
	if err != nil {
		s.options.Logger.Error("problem not encoded", "request_id", id, "cause", err.Error())
	}
	if err := c.Blob(p.Status, "application/problem+json", body); err != nil {
		s.options.Logger.Info("answer not sent", "request_id", id, "cause", err.Error())
	}
}

func (s *Server) logAccess(c echo.Context, id string, took time.Duration) {
	r, w := c.Request(), c.Response()
	route, _ := c.Get(routeKey).(string)
	actor, _ := c.Get(actorKey).(string)
	path := masked(r.URL.Path)
	s.options.Logger.Info("request", "request_id", id, "actor", actor, "method", r.Method, "route", route, "path", strconv.QuoteToASCII(path[:min(len(path), maxLoggedPath)]),
		"status", w.Status, "bytes", w.Size, "microseconds", took.Microseconds(), "remote", r.RemoteAddr)
}

// send writes a value as JSON.
func send(c echo.Context, value any) error { return sendStatus(c, http.StatusOK, value) }

func sendStatus(c echo.Context, status int, value any) error {
	body, err := service.Encode(value)
	if err != nil {
		return err
	}
	return c.Blob(status, mediaJSON, body)
}

// Serve answers on a listener until the context ends, then lets open requests
// finish within DrainTimeout. It closes the listener.
func (s *Server) Serve(ctx context.Context, listener net.Listener) error {
	server := &http.Server{
		Handler:                      s,
		ReadHeaderTimeout:            s.options.HeaderTimeout,
		ReadTimeout:                  s.options.ReadTimeout,
		WriteTimeout:                 s.options.WriteTimeout,
		IdleTimeout:                  s.options.IdleTimeout,
		MaxHeaderBytes:               maxHeaderBytes,
		DisableGeneralOptionsHandler: true,
		ErrorLog:                     slog.NewLogLogger(s.options.Logger.Handler(), slog.LevelWarn),
	}
	stopped := make(chan error, 1)
	go func() { stopped <- server.Serve(s.wrap(listener)) }()
	select {
	case err := <-stopped:
		return fmt.Errorf("serve: %w", err)
	case <-ctx.Done():
	}
	drain, cancel := context.WithTimeout(context.WithoutCancel(ctx), s.options.DrainTimeout)
	defer cancel()
	if err := server.Shutdown(drain); err != nil {
		return errors.Join(fmt.Errorf("stop: %w", err), server.Close())
	}
	return nil
}

// Listen listens on a TCP address. Where there are no keys, whoever reaches the port
// may use the service: an address that others can reach is refused. A host name other
// than localhost is refused always, since it may stand for any address; no host at
// all stands for every address of the machine.
func Listen(address string, keyed bool) (net.Listener, error) {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return nil, fmt.Errorf("listen on %q: write host:port, such as 127.0.0.1:8080", address)
	}
	if host == "localhost" {
		host = "127.0.0.1"
	}
	n, err := strconv.ParseUint(port, 10, 16)
	if err != nil {
		return nil, fmt.Errorf("listen on %q: the port is a number from 0 to 65535", address)
	}
	ip := net.ParseIP(host)
	switch {
	case !keyed && !ip.IsLoopback(): // which nil is not
		return nil, fmt.Errorf("listen on %q: there is no live API key, so the service listens on this machine only: use 127.0.0.1:%d or [::1]:%d, or make a key with slabledger keys create", address, n, n)
	case ip == nil && host != "":
		return nil, fmt.Errorf("listen on %q: the host is an IP address or localhost; nothing before the colon stands for every address of this machine", address)
	}
	return (&net.ListenConfig{}).Listen(context.Background(), "tcp", net.JoinHostPort(host, port))
}
