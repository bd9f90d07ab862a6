package api

import (
	"errors"
	"io"
	"mime"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"slabledger/lca/fault"
)

// json marks a handler that answers in JSON: the client must accept that, and
// the query must be what the contract says.
func (s *Server) json(operationID string, handle echo.HandlerFunc) echo.HandlerFunc {
	return s.inForms(operationID, []string{mediaJSON}, func(c echo.Context, _ string) error { return handle(c) })
}

// Media types of answers.
const (
	mediaJSON = "application/json"
	mediaCSV  = "text/csv"
	mediaHTML = "text/html"

	// Of requests alone.
	mediaForm   = "multipart/form-data"
	mediaFields = "application/x-www-form-urlencoded"
)

// inForms marks a handler that answers in one of several media types; it is told
// which one the client likes best.
func (s *Server) inForms(operationID string, offers []string, handle func(c echo.Context, media string) error) echo.HandlerFunc {
	return func(c echo.Context) error {
		r := c.Request()
		media := preferred(r.Header.Values("Accept"), offers)
		if media == "" {
			return &refusal{code: "not-acceptable", detail: "This address answers in " + strings.Join(offers, " or ") + " only, which the header Accept excludes."}
		}
		query, err := url.ParseQuery(r.URL.RawQuery)
		if err != nil {
			return &refusal{code: "malformed-request", detail: "The query of the address is not encoded as a query is."}
		}
		if err := s.contract.CheckQuery(operationID, query); err != nil {
			return err
		}
		return handle(c, media)
	}
}

// preferred reads Accept (RFC 9110, 12.5.1) and chooses among what is offered: the
// most specific range that matches an offer gives its quality, and a quality of 0
// excludes it. Of equal qualities the offer that is named more exactly wins, then
// the first. It is empty where every offer is excluded.
func preferred(headers, offers []string) string {
	type match struct{ rank, quality int }
	matches, ranges := make([]match, len(offers)), 0
	for _, part := range strings.Split(strings.Join(headers, ","), ",") {
		media, parameters, err := mime.ParseMediaType(part)
		if err != nil {
			continue
		}
		ranges++
		q := quality(parameters)
		for i, offer := range offers {
			kind, _, _ := strings.Cut(offer, "/")
			rank := map[string]int{offer: 3, kind + "/*": 2, "*/*": 1}[media]
			if m := &matches[i]; rank > m.rank {
				*m = match{rank, q}
			} else if rank == m.rank && rank > 0 {
				m.quality = max(m.quality, q)
			}
		}
	}
	if ranges == 0 {
		return offers[0]
	}
	best, chosen := match{}, ""
	for i, m := range matches {
		if m.quality > best.quality || (m.quality == best.quality && m.quality > 0 && m.rank > best.rank) {
			best, chosen = m, offers[i]
		}
	}
	return chosen
}

// quality is the weight of a media range in thousandths; 1000 where it has none or
// one that cannot be read.
func quality(parameters map[string]string) int {
	text, given := parameters["q"]
	if !given {
		return 1000
	}
	whole, decimals, _ := strings.Cut(text, ".")
	n, err := strconv.ParseUint(whole+(decimals + "000")[:3], 10, 32)
	if err != nil || n > 1000 {
		return 1000
	}
	return int(n)
}

// readBody reads a JSON body and checks it against the contract, as CheckBody does.
func (s *Server) readBody(c echo.Context, operationID string) (accepted []byte, refused []fault.Fault, err error) {
	body, err := jsonBody(c, maxBodyBytes)
	if err != nil {
		return nil, nil, err
	}
	return s.contract.CheckBody(operationID, body)
}

// jsonBody reads a JSON body of so many bytes at most.
func jsonBody(c echo.Context, most int64) ([]byte, error) {
	r := c.Request()
	if err := uncompressed(r); err != nil {
		return nil, err
	}
	if !isJSON(r.Header.Values("Content-Type")) {
		return nil, &refusal{code: "unsupported-media-type", detail: "The header Content-Type must be application/json, with no parameter but charset=utf-8.", header: [2]string{"Accept", "application/json"}}
	}
	return wholeBody(c, most)
}

// uncompressed refuses a body with a coding, since a small one can unpack to a large.
func uncompressed(r *http.Request) error {
	if coding := r.Header.Get("Content-Encoding"); coding != "" && !strings.EqualFold(coding, "identity") {
		return &refusal{code: "unsupported-encoding", detail: "The body must not be compressed.", header: [2]string{"Accept-Encoding", "identity"}}
	}
	return nil
}

// wholeBody reads a body of so many bytes at most.
func wholeBody(c echo.Context, most int64) ([]byte, error) {
	r := c.Request()
	if r.ContentLength > most {
		return nil, tooLargeFor(most)
	}
	body, err := io.ReadAll(http.MaxBytesReader(c.Response(), r.Body, most))
	return body, bodyError(err, most)
}

func tooLargeFor(most int64) error {
	return &refusal{code: "body-too-large", detail: "The body has more than " + strconv.FormatInt(most, 10) + " bytes.", header: [2]string{"Connection", "close"}}
}

// bodyError tells why a body could not be read.
func bodyError(err error, most int64) error {
	var over *http.MaxBytesError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &over):
		return tooLargeFor(most)
	case errors.Is(err, os.ErrDeadlineExceeded):
		return &refusal{code: "request-timeout", header: [2]string{"Connection", "close"}}
	}
	return &refusal{code: "malformed-request", detail: "The body ended before it was complete.", header: [2]string{"Connection", "close"}}
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
