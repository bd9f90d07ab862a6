package pages

import (
	"strings"

	"github.com/labstack/echo/v4"
)

// SignIn is the page that asks for a key. Fault says why the last one was not taken.
func (p *Pages) SignIn(c echo.Context, status int, to, fault string) error {
	return p.Render(c, status, "signin", "Sign in", struct{ To, Fault string }{Local(to), fault})
}

// Local is an address on this service, or the first page where it leads elsewhere.
func Local(to string) string {
	if !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n\t") {
		return "/"
	}
	return to
}
