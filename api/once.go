package api

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"net/http"
	"net/url"
	"strings"

	"github.com/labstack/echo/v4"

	"slabledger/inventory"
	"slabledger/service"
)

// once serves a request that stores and has a name (the header Idempotency-Key), so
// that sending it again after a lost answer stores nothing twice.
//
// The content is the body, or a digest of it; a name belongs to one method, address
// and content. The work stores with the Retry that it is given, in one transaction,
// and tells where the result stands. Whatever an earlier request of the name may have
// changed is looked at in the work, not before: a draft that the first has published
// is not there for the second.
//
// The answer has the status given and is the result as GET shows it, for the first
// request and for each later one, which also has "Idempotent-Replayed: true"; where
// the work returns an answer of its own, the first request gets that instead.
func (s *Server) once(c echo.Context, status int, content []byte, work func(*inventory.Retry) (location string, answer any, err error)) error {
	name, err := requestName(c.Request().Header.Values("Idempotency-Key"))
	if err != nil {
		return err
	}
	var answer any
	location, earlier, err := s.storedOnce(c, name, status, content, func(retry *inventory.Retry) (location string, err error) {
		location, answer, err = work(retry)
		return location, err
	})
	if err != nil {
		return err
	}
	h := c.Response().Header()
	h.Set("Location", location)
	switch {
	case earlier != nil:
		h.Set("Idempotent-Replayed", "true")
		return s.sendResource(c, earlier.Status, location)
	case answer != nil:
		return sendStatus(c, status, answer)
	}
	return s.sendResource(c, status, location)
}

// storedOnce does work that stores, unless a request of the name has done it: then
// that is told. Either way the location is where the result stands.
func (s *Server) storedOnce(c echo.Context, name string, status int, content []byte, work func(*inventory.Retry) (location string, err error)) (location string, earlier *inventory.Retry, err error) {
	ctx := c.Request().Context()
	retry := inventory.Retry{Actor: service.ActorOf(ctx).ID, Operation: anyOperation, Key: name, Fingerprint: fingerprint(c.Request(), content), Status: status}
	earlier, err = s.service.Remembered(ctx, retry)
	if err == nil && earlier == nil {
		if location, err = work(&retry); err == nil {
			return location, nil, nil
		}
		if errors.Is(err, inventory.ErrRepeated) { // at the same time
			earlier, err = s.service.Remembered(ctx, retry)
		}
	}
	switch {
	case err != nil:
		return "", nil, err
	case earlier == nil: // remembered, and then forgotten: a day has passed between
		return "", nil, &service.Error{Code: service.Unavailable, Detail: "The name of the request was just set free; try again."}
	case earlier.Fingerprint != retry.Fingerprint:
		return "", nil, &refusal{code: "idempotency-key-reused"}
	}
	return earlier.Location, earlier, nil
}

// anyOperation stands for the operation of every request that is remembered: a name
// belongs to one address, whichever operation that has, so it is looked up in all.
const anyOperation = "any"

// maxRequestName is the longest name of a request, in characters.
const maxRequestName = 255

// requestName reads the header Idempotency-Key: a string of RFC 8941, in quotes, or
// the same text bare. Both name the same request.
func requestName(headers []string) (string, error) {
	if len(headers) == 0 {
		return "", &refusal{code: "idempotency-key-missing"}
	}
	unreadable := &refusal{code: "malformed-request",
		detail: "The header Idempotency-Key must stand once, with 1 to 255 visible characters of ASCII, such as a UUID, bare or in double quotes."}
	text := strings.Trim(headers[0], " ")
	if len(headers) > 1 || len(text) > 2*maxRequestName+2 {
		return "", unreadable
	}
	quoted := strings.HasPrefix(text, `"`)
	if quoted {
		if len(text) < 2 || !strings.HasSuffix(text, `"`) {
			return "", unreadable
		}
		text = text[1 : len(text)-1]
	}
	var name strings.Builder
	for i := 0; i < len(text); i++ {
		b := text[i]
		switch {
		case quoted && b == '\\' && i+1 < len(text) && (text[i+1] == '"' || text[i+1] == '\\'):
			i++
			b = text[i]
		case quoted && (b == '"' || b == '\\'), b < ' ' || b > '~', b == ' ' && !quoted:
			return "", unreadable
		}
		name.WriteByte(b)
	}
	if name.Len() == 0 || name.Len() > maxRequestName {
		return "", unreadable
	}
	return name.String(), nil
}

// fingerprint tells requests of one name apart.
func fingerprint(r *http.Request, content []byte) string {
	h := sha256.New()
	for _, part := range []string{r.Method, r.URL.EscapedPath(), r.URL.RawQuery} {
		h.Write([]byte(part))
		h.Write([]byte{'\n'}) // which none of them has
	}
	h.Write(content)
	return hex.EncodeToString(h.Sum(nil))
}

// sendResource answers with what stands at a location of this service, as GET shows
// it to this client, with another status.
func (s *Server) sendResource(c echo.Context, status int, location string) error {
	r := c.Request().Clone(c.Request().Context())
	r.Method, r.URL, r.Body, r.ContentLength = http.MethodGet, &url.URL{Path: location}, http.NoBody, 0
	r.Header.Del("If-None-Match")
	inner := s.router.NewContext(r, instead{c.Response(), status})
	s.router.Router().Find(http.MethodGet, location, inner)
	return inner.Handler()(inner)
}

// instead writes another status than 200. What is stored now is not fresh for ever
// under the address that stored it.
type instead struct {
	http.ResponseWriter
	status int
}

func (w instead) WriteHeader(status int) {
	if status == http.StatusOK {
		w.Header().Set("Cache-Control", "no-store")
		status = w.status
	}
	w.ResponseWriter.WriteHeader(status)
}
