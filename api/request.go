package api

import (
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"os"
	"strings"

	"github.com/labstack/echo/v4"
)

// json marks a handler that answers in JSON: the client must accept that, and
// the query must be what the contract says.
func (s *Server) json(operationID string, handle echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		r := c.Request()
		if !acceptsJSON(r.Header.Values("Accept")) {
			return &refusal{code: "not-acceptable", detail: "This address answers in application/json only, which the header Accept excludes."}
		}
		query, err := url.ParseQuery(r.URL.RawQuery)
		if err != nil {
			return &refusal{code: "malformed-request", detail: "The query of the address is not encoded as a query is."}
		}
		if err := s.contract.CheckQuery(operationID, query); err != nil {
			return err
		}
		return handle(c)
	}
}

// acceptsJSON reads Accept (RFC 9110, 12.5.1): the most specific range that
// matches decides, and a quality of 0 excludes.
func acceptsJSON(headers []string) bool {
	best, accepted, ranges := 0, false, 0
	for _, part := range strings.Split(strings.Join(headers, ","), ",") {
		media, parameters, err := mime.ParseMediaType(part)
		if err != nil {
			continue
		}
		ranges++
		rank := map[string]int{"application/json": 3, "application/*": 2, "*/*": 1}[media]
		quality, given := parameters["q"]
		excluded := given && strings.Trim(quality, "0.") == ""
		if rank > best {
			best, accepted = rank, !excluded
		} else if rank == best && rank > 0 {
			accepted = accepted || !excluded
		}
	}
	return ranges == 0 || accepted
}

// readBody reads a JSON body and checks it against the contract.
func (s *Server) readBody(c echo.Context, operationID string) ([]byte, error) {
	r := c.Request()
	if coding := r.Header.Get("Content-Encoding"); coding != "" && !strings.EqualFold(coding, "identity") {
		return nil, &refusal{code: "unsupported-encoding", detail: "The body must not be compressed.", header: [2]string{"Accept-Encoding", "identity"}}
	}
	if !isJSON(r.Header.Values("Content-Type")) {
		return nil, &refusal{code: "unsupported-media-type", detail: "The header Content-Type must be application/json, with no parameter but charset=utf-8.", header: [2]string{"Accept", "application/json"}}
	}
	tooLarge := &refusal{code: "body-too-large", detail: fmt.Sprintf("The body has more than %d bytes.", maxBodyBytes), header: [2]string{"Connection", "close"}}
	if r.ContentLength > maxBodyBytes {
		return nil, tooLarge
	}
	body, err := io.ReadAll(http.MaxBytesReader(c.Response(), r.Body, maxBodyBytes))
	var over *http.MaxBytesError
	switch {
	case errors.As(err, &over):
		return nil, tooLarge
	case errors.Is(err, os.ErrDeadlineExceeded):
		return nil, &refusal{code: "request-timeout", header: [2]string{"Connection", "close"}}
	case err != nil:
		return nil, &refusal{code: "malformed-request", detail: "The body ended before it was complete.", header: [2]string{"Connection", "close"}}
	}
	return body, s.contract.CheckBody(operationID, body)
}

func isJSON(headers []string) bool {
	if len(headers) != 1 {
		return false
	}
	media, parameters, err := mime.ParseMediaType(headers[0])
	if err != nil || media != "application/json" {
		return false
	}
	for name, value := range parameters {
		if name != "charset" || !strings.EqualFold(value, "utf-8") {
			return false
		}
	}
	return true
}
