package api

import (
	"bytes"
	"fmt"
	"net"
	"net/http"
	"strconv"
	"time"

	"golang.org/x/net/netutil"

	"slabledger/service"
)

// wrap limits the connections of a listener and gives a form to what the HTTP
// library says by itself. It answers some requests before any handler sees them
// (a broken request line, a head that is too large, an unknown version), as
// text straight to the connection; here the same answers become problems.
func (s *Server) wrap(listener net.Listener) net.Listener {
	return problemListener{netutil.LimitListener(listener, s.options.MaxConnections), s}
}

type problemListener struct {
	net.Listener
	server *Server
}

func (l problemListener) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return &problemConn{c, l.server}, nil
}

type problemConn struct {
	net.Conn
	server *Server
}

// What net/http writes in one piece: its text answers, and the bare answer to an
// unknown Expect. No content of ours can be taken for it: JSON escapes the CR
// that both have, and the pages have none.
var (
	statusLine   = []byte("HTTP/1.1 ")
	textAnswer   = []byte("\r\nContent-Type: text/plain; charset=utf-8\r\nConnection: close\r\n\r\n")
	expectAnswer = []byte("HTTP/1.1 417 Expectation Failed\r\nConnection: close\r\n")
)

func (c *problemConn) Write(p []byte) (int, error) {
	if !bytes.HasPrefix(p, statusLine) || (!bytes.Contains(p, textAnswer) && !bytes.HasPrefix(p, expectAnswer)) {
		return c.Conn.Write(p)
	}
	if len(p) < len(statusLine)+3 {
		return c.Conn.Write(p)
	}
	status, err := strconv.Atoi(string(p[len(statusLine) : len(statusLine)+3]))
	if err != nil || status < http.StatusBadRequest {
		return c.Conn.Write(p)
	}
	if _, err := c.Conn.Write(c.answer(status)); err != nil {
		return 0, err
	}
	return len(p), nil
}

func (c *problemConn) answer(status int) []byte {
	id := c.server.options.NewID()
	k := kindOfStatus(status)
	body, err := service.Encode(newProblem(k, "", id))
	if err != nil {
		body = nil // a head with the right status is still an answer
	}
	c.server.options.Logger.Info("request refused unread", "request_id", id, "status", k.Status, "remote", c.RemoteAddr().String())
	h := http.Header{}
	secure(h, id)
	h.Set("Content-Type", "application/problem+json")
	h.Set("Content-Length", strconv.Itoa(len(body)))
	h.Set("Date", time.Now().UTC().Format(http.TimeFormat))
	h.Set("Connection", "close")
	var answer bytes.Buffer
	fmt.Fprintf(&answer, "HTTP/1.1 %d %s\r\n", k.Status, http.StatusText(k.Status))
	_ = h.Write(&answer) // a buffer takes everything
	answer.WriteString("\r\n")
	answer.Write(body)
	return answer.Bytes()
}

// CloseWrite lets the HTTP library end its answer before it closes, so that the
// client can read it to the end.
func (c *problemConn) CloseWrite() error {
	if half, ok := c.Conn.(interface{ CloseWrite() error }); ok {
		return half.CloseWrite()
	}
	return nil
}
