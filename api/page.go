package api

import (
	"crypto/sha256"
	"encoding/base64"
	"net/url"
	"strconv"

	"github.com/go-json-experiment/json"
	"github.com/labstack/echo/v4"
)

// page is which part of a list is asked for.
type page struct {
	after string // the key of the last entry before the page; empty at the beginning
	limit int
	of    string // what tells this list from every other
}

const standardLimit = 50

// cursor is what a client gets as opaque text. It holds a position only; the
// list that it belongs to is checked, so that a cursor cannot be carried over to
// another filter and skip entries.
type cursor struct {
	After string `json:"a"`
	Of    string `json:"f"`
}

var errCursor = &refusal{code: "cursor-invalid", detail: "The cursor does not belong to this list with this filter and order."}

// pageLinks are the links of RFC 8288 in the body.
type pageLinks struct {
	Next string `json:"next,omitempty"`
}

// readPage reads cursor and limit, which have passed the contract.
func readPage(c echo.Context) (page, error) {
	query := c.QueryParams()
	p := page{limit: standardLimit, of: listOf(c.Request().URL.EscapedPath(), query)}
	if text := query.Get("limit"); text != "" {
		p.limit, _ = strconv.Atoi(text) // the contract admits whole numbers only
	}
	text := query.Get("cursor")
	if text == "" {
		return p, nil
	}
	plain, err := base64.RawURLEncoding.Strict().DecodeString(text)
	if err != nil {
		return p, errCursor
	}
	var at cursor
	if err := json.Unmarshal(plain, &at, json.RejectUnknownMembers(true)); err != nil || at.Of != p.of {
		return p, errCursor
	}
	p.after = at.After
	return p, nil
}

// listOf tells lists apart: by the path, the filter and the order.
func listOf(path string, query url.Values) string {
	filter := url.Values{}
	for name, values := range query {
		if name != "cursor" && name != "limit" {
			filter[name] = values
		}
	}
	sum := sha256.Sum256([]byte(path + "?" + filter.Encode()))
	return base64.RawURLEncoding.EncodeToString(sum[:9])
}

// cut keeps one page of entries that begin where the page does, and links to the
// next where there are more.
func cut[E any](c echo.Context, p page, entries []E, key func(E) string) ([]E, pageLinks) {
	if len(entries) <= p.limit {
		return entries, pageLinks{}
	}
	entries = entries[:p.limit]
	next := p.next(c, key(entries[p.limit-1]))
	if next == "" {
		return entries, pageLinks{}
	}
	c.Response().Header().Set("Link", "<"+next+`>; rel="next"`)
	return entries, pageLinks{next}
}

// next is the address of the page behind a key.
func (p page) next(c echo.Context, key string) string {
	text, err := json.Marshal(cursor{key, p.of})
	if err != nil { // two texts, which are valid UTF-8
		return ""
	}
	query := c.QueryParams()
	query.Set("cursor", base64.RawURLEncoding.EncodeToString(text))
	return c.Request().URL.EscapedPath() + "?" + query.Encode()
}
