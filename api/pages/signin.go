package pages

import (
	"net/http"
	"net/url"
	"strings"

	"github.com/labstack/echo/v4"

	"slabledger/service"
)

// MaxKept is the largest form that is kept while a person signs in.
const MaxKept = 256 << 10

// Kept is a form that was sent without a key that may send it: where to, and its fields as
// a browser encodes them. It stands in the pages that follow, and is stored nowhere.
type Kept struct{ At, Fields string }

// SignIn is the page that asks for a key. Fault says why the last one was not taken.
func (p *Pages) SignIn(c echo.Context, status int, to, fault string, kept Kept) error {
	return p.Render(c, status, "signin", "Sign in", struct {
		To, Fault string
		Kept
		Again []pick
	}{Local(to), fault, kept, nil})
}

// SendAgain is the page on which a person who has signed in sends a form that was kept.
func (p *Pages) SendAgain(c echo.Context, kept Kept) error {
	fields, err := url.ParseQuery(kept.Fields)
	if err != nil {
		return &service.Error{Code: service.Malformed, Detail: "The form that was kept cannot be read.", Cause: err}
	}
	return p.Render(c, http.StatusOK, "signin", "Signed in", struct {
		To, Fault string
		Kept
		Again []pick
	}{"/", "", Kept{At: Local(kept.At)}, hidden(fields)})
}

// Local is an address on this service, or the first page where it leads elsewhere.
func Local(to string) string {
	if !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n\t") {
		return "/"
	}
	return to
}
