package api_test

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/labstack/echo/v4"

	"slabledger/api"
)

// serve runs a server on a real port until the test ends, and gives its address.
func serve(t *testing.T, server fixture) (address string, stop func() error) {
	t.Helper()
	listener, err := api.Listen("127.0.0.1:0", false)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- server.Serve(ctx, listener) }()
	stopped := false
	stop = func() error {
		if stopped {
			return nil
		}
		stopped = true
		cancel()
		return <-done
	}
	t.Cleanup(func() {
		if err := stop(); err != nil {
			t.Errorf("stop: %v", err)
		}
	})
	return listener.Addr().String(), stop
}

func dial(t *testing.T, address string) net.Conn {
	t.Helper()
	c, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	if err := c.SetDeadline(time.Now().Add(20 * time.Second)); err != nil {
		t.Fatal(err)
	}
	return c
}

// answer is an answer as it came over a connection.
type answer struct {
	status int
	header http.Header
	closes bool
	body   []byte
}

func receive(t *testing.T, from io.Reader) answer {
	t.Helper()
	response, err := http.ReadResponse(bufio.NewReader(from), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer{response.StatusCode, response.Header, response.Close, body}
}

// Requests that the HTTP library refuses before any handler are answered with
// problems and the same headers.
func TestRefusalsBeforeTheRouter(t *testing.T) {
	address, _ := serve(t, newServer(t, api.Options{}))
	for name, c := range map[string]struct {
		raw    string
		status int
		kind   string
	}{
		"no HTTP":            {"hello\r\n\r\n", 400, "malformed-request"},
		"no Host":            {"GET /healthz HTTP/1.1\r\n\r\n", 400, "malformed-request"},
		"two Hosts":          {"GET /healthz HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n", 400, "malformed-request"},
		"broken header":      {"GET /healthz HTTP/1.1\r\nHost: a\r\nbad header\r\n\r\n", 400, "malformed-request"},
		"newline in a name":  {"GET /healthz HTTP/1.1\r\nHost: a\r\nX\x00: 1\r\n\r\n", 400, "malformed-request"},
		"two lengths":        {"POST /v1/comparisons HTTP/1.1\r\nHost: a\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\n", 400, "malformed-request"},
		"broken address":     {"GET /%zz HTTP/1.1\r\nHost: a\r\n\r\n", 400, "malformed-request"},
		"large head":         {"GET /healthz HTTP/1.1\r\nHost: a\r\nX-Large: " + strings.Repeat("x", 64<<10) + "\r\n\r\n", 431, "header-fields-too-large"},
		"large address":      {"GET /" + strings.Repeat("x", 64<<10) + " HTTP/1.1\r\nHost: a\r\n\r\n", 431, "header-fields-too-large"},
		"HTTP/3.0":           {"GET /healthz HTTP/3.0\r\nHost: a\r\n\r\n", 505, "http-version-not-supported"},
		"transfer coding":    {"POST /v1/comparisons HTTP/1.1\r\nHost: a\r\nTransfer-Encoding: gzip\r\n\r\n", 501, "not-implemented"},
		"expectation":        {"POST /v1/comparisons HTTP/1.1\r\nHost: a\r\nExpect: miracles\r\nContent-Length: 0\r\n\r\n", 417, "expectation-failed"},
		"all of the service": {"OPTIONS * HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n", 404, "not-found"},
	} {
		t.Run(name, func(t *testing.T) {
			connection := dial(t, address)
			if _, err := io.WriteString(connection, c.raw); err != nil {
				t.Fatal(err)
			}
			got := receive(t, connection)
			p := problemOf(t, got.status, got.header, got.body)
			if got.status != c.status || p.Type != "/docs/problems/"+c.kind {
				t.Errorf("%d %s", got.status, p.Type)
			}
			for header, want := range map[string]string{"X-Content-Type-Options": "nosniff", "Cache-Control": "no-store", "Referrer-Policy": "no-referrer",
				"Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'"} {
				if value := got.header.Get(header); value != want {
					t.Errorf("%s: %q", header, value)
				}
			}
			if got.header.Get("Date") == "" || !got.closes {
				t.Errorf("Date %q, closes %v", got.header.Get("Date"), got.closes)
			}
		})
	}
}

// 500 clients that send a head too slowly and 500 that send a body too slowly
// are cut off, and others are answered meanwhile.
func TestSlowClients(t *testing.T) {
	const limit = 2 * time.Second
	address, _ := serve(t, newServer(t, api.Options{HeaderTimeout: limit, ReadTimeout: limit}))
	var slow []net.Conn
	for i := range 1000 {
		c := dial(t, address)
		slow = append(slow, c)
		head := "GET /healthz HTTP/1.1\r\nHost: a\r\nX: "
		if i%2 == 1 {
			head = "POST /v1/comparisons HTTP/1.1\r\nHost: a\r\nContent-Type: application/json\r\nContent-Length: 1000\r\n\r\n{"
		}
		if _, err := io.WriteString(c, head); err != nil {
			t.Fatal(err)
		}
	}
	start := time.Now()
	response, err := http.Get("http://" + address + "/healthz")
	if err != nil {
		t.Fatal(err)
	}
	response.Body.Close()
	if took := time.Since(start); response.StatusCode != http.StatusOK || took > time.Second {
		t.Errorf("%d after %s", response.StatusCode, took)
	}
	for i, c := range slow {
		text, err := io.ReadAll(c)
		if errors.Is(err, os.ErrDeadlineExceeded) || time.Since(start) > 35*time.Second {
			t.Fatalf("client %d was not cut: %v", i, err)
		}
		if i%2 == 0 { // no request has come, so there is nothing to answer
			continue
		}
		got := receive(t, bytes.NewReader(text))
		if p := problemOf(t, got.status, got.header, got.body); p.Type != "/docs/problems/request-timeout" || !got.closes {
			t.Errorf("client %d: %+v", i, p)
		}
	}
}

// A body that ends before its length is a problem, not a wait.
func TestBodyCutOff(t *testing.T) {
	address, _ := serve(t, newServer(t, api.Options{}))
	c := dial(t, address)
	fmt.Fprintf(c, "POST /v1/comparisons HTTP/1.1\r\nHost: a\r\nContent-Type: application/json\r\nContent-Length: 1000\r\n\r\n{")
	if err := c.(*net.TCPConn).CloseWrite(); err != nil {
		t.Fatal(err)
	}
	got := receive(t, c)
	if p := problemOf(t, got.status, got.header, got.body); p.Status != 400 || p.Type != "/docs/problems/malformed-request" {
		t.Errorf("%+v", p)
	}
}

// A body of ten megabytes over a real connection gets its answer without being
// read to the end.
func TestLargeBodyOverTheWire(t *testing.T) {
	address, _ := serve(t, newServer(t, api.Options{}))
	c := dial(t, address)
	fmt.Fprintf(c, "POST /v1/comparisons HTTP/1.1\r\nHost: a\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n", 10<<20)
	got := receive(t, c) // nothing of the body was sent
	if p := problemOf(t, got.status, got.header, got.body); p.Status != 413 || !got.closes {
		t.Errorf("%+v, closes %v", p, got.closes)
	}
}

// When the server stops, a request that has begun is answered.
func TestStopDrains(t *testing.T) {
	server := newServer(t, api.Options{})
	began, go2 := make(chan bool), make(chan bool)
	server.Router().GET("/test/wait", func(c echo.Context) error {
		close(began)
		<-go2
		return c.String(http.StatusOK, "done")
	})
	address, stop := serve(t, server)
	type result struct {
		body string
		err  error
	}
	results := make(chan result, 1)
	go func() {
		response, err := http.Get("http://" + address + "/test/wait")
		if err != nil {
			results <- result{"", err}
			return
		}
		defer response.Body.Close()
		body, err := io.ReadAll(response.Body)
		results <- result{string(body), err}
	}()
	<-began
	stopping := make(chan error, 1)
	go func() { stopping <- stop() }()
	for { // until the port is closed
		c, err := net.Dial("tcp", address)
		if err != nil {
			break
		}
		c.Close()
		time.Sleep(time.Millisecond)
	}
	close(go2)
	if r := <-results; r.err != nil || r.body != "done" {
		t.Errorf("%+v", r)
	}
	if err := <-stopping; err != nil {
		t.Error(err)
	}
}

// Beyond the limit, connections wait for one to end.
func TestMaxConnections(t *testing.T) {
	address, _ := serve(t, newServer(t, api.Options{MaxConnections: 1}))
	first := dial(t, address)
	fmt.Fprintf(first, "GET /healthz HTTP/1.1\r\nHost: a\r\n\r\n")
	receive(t, first)
	second := dial(t, address)
	fmt.Fprintf(second, "GET /healthz HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n")
	if err := second.SetReadDeadline(time.Now().Add(100 * time.Millisecond)); err != nil {
		t.Fatal(err)
	}
	if n, err := second.Read(make([]byte, 1)); err == nil {
		t.Errorf("%d bytes while the first is open", n)
	}
	first.Close()
	if err := second.SetReadDeadline(time.Now().Add(10 * time.Second)); err != nil {
		t.Fatal(err)
	}
	if got := receive(t, second); got.status != http.StatusOK {
		t.Errorf("status %d", got.status)
	}
}
