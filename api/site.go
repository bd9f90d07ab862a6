package api

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"strings"

	"github.com/labstack/echo/v4"

	"slabledger/api/pages"
	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/service"
)

// newSite makes the pages that people see, on this server's desk.
func (s *Server) newSite() *pages.Pages {
	return pages.New(pages.Desk{
		Service: s.service,
		Demo:    s.options.Demo,
		Check: func(operationID string, body []byte) ([]byte, []fault.Fault, error) {
			return s.contract.CheckBody(operationID, body)
		},
		Compute: func(ctx context.Context, operationID string, work func(context.Context) error) error {
			_, err := s.computed(ctx, operationID, func(ctx context.Context) ([]byte, error) { return nil, work(ctx) })
			return err
		},
		Explain: s.explainedOnPage,
		Keyed:   func(ctx context.Context) (bool, error) { return s.service.Keyed(ctx, s.options.Now()) },
	})
}

func (s *Server) routeSite() {
	site := s.site
	s.route(http.MethodGet, "/assets/:name", "asset", site.Asset)
	s.page(http.MethodGet, "/", "home", site.Home)
	s.page(http.MethodGet, "/comparison", "comparisonPage", site.Comparison)
	for _, f := range []struct{ path, operation, media string }{{"/report", "Report", mediaHTML}, {"/workbook", "Workbook", mediaXLSX}, {"/table", "Table", mediaCSV}} {
		s.page(http.MethodGet, "/comparison"+f.path, "comparison"+f.operation+"Page", s.download(f.media))
		s.page(http.MethodGet, "/studies/:study"+f.path, "study"+f.operation+"Page", s.download(f.media))
	}
	s.page(http.MethodGet, "/terms", "termsPage", site.ShowTerms)
	s.page(http.MethodGet, "/sign-in", "signInPage", func(c echo.Context) error { return site.SignIn(c, http.StatusOK, c.QueryParam("to"), "") })
	s.page(http.MethodPost, "/sign-in", "signIn", s.signIn)
	s.page(http.MethodPost, "/sign-out", "signOut", signOut)
}

// page adds a page. Where a person must sign in for it, the page that asks for the key
// comes first; what goes wrong is told by a page too.
func (s *Server) page(method, path, operationID string, handle echo.HandlerFunc) {
	needed := s.roleOf(operationID)
	s.add(method, path, operationID, func(c echo.Context) error {
		actor, err := s.visitor(c, needed)
		if err == nil && needed != "" {
			err = admit(c, actor, needed)
		} else if err == nil {
			c.SetRequest(c.Request().WithContext(service.As(c.Request().Context(), actor)))
		}
		var refused *refusal
		if errors.As(err, &refused) && refused.code == string(service.Unauthenticated) {
			if method == http.MethodGet {
				return c.Redirect(http.StatusSeeOther, "/sign-in?to="+url.QueryEscape(c.Request().URL.RequestURI()))
			}
			s.explainedOnPage(c, err) // for the header that the status asks for
			return s.site.SignIn(c, http.StatusUnauthorized, "/", "Sign in first; what you sent was not stored.")
		}
		if err == nil {
			err = handle(c)
		}
		if err != nil {
			return s.site.ShowProblem(c, s.explainedOnPage(c, err))
		}
		return nil
	})
}

// visitor is who asks for a page: by the header that programs send, or by the key that
// the browser keeps. A form of another site may not act in a person's name.
func (s *Server) visitor(c echo.Context, needed inventory.Role) (service.Actor, error) {
	r := c.Request()
	if err := s.crossOrigin.Check(r); err != nil {
		return service.Actor{}, &refusal{code: "cross-origin"}
	}
	actor, err := s.actor(c, needed)
	var refused *refusal
	if needed == "" && errors.As(err, &refused) && refused.code == string(service.Unauthenticated) {
		return service.Actor{ID: service.Anonymous, Role: inventory.Viewer}, nil
	}
	return actor, err
}

func (s *Server) explainedOnPage(c echo.Context, err error) pages.Problem {
	p, header := s.explained(c, err)
	if header[0] != "" {
		c.Response().Header().Set(header[0], header[1])
	}
	shown := pages.Problem{Status: p.Status, Title: p.Title, Detail: p.Detail, Instance: p.Instance}
	for _, k := range kinds {
		if k.Type() == p.Type {
			shown.Code, shown.Remedy = k.Code, k.Remedy
		}
	}
	for _, e := range p.Errors {
		shown.Faults = append(shown.Faults, pages.Fault{Pointer: e.Pointer, Code: e.Code, Detail: e.Detail})
	}
	return shown
}

// keyCookie is the cookie that holds a person's key. No script can read it, and no form
// of another site brings it along.
const keyCookie = "slabledger_key"

// signIn takes a key and has the browser keep it until it is closed.
func (s *Server) signIn(c echo.Context) error {
	r := c.Request()
	r.Body = http.MaxBytesReader(c.Response(), r.Body, maxFieldBytes)
	to := pages.Local(c.FormValue("to"))
	secret := strings.TrimSpace(c.FormValue("key"))
	if _, err := s.withKey(c, secret); err != nil {
		p := s.explainedOnPage(c, err)
		return s.site.SignIn(c, p.Status, to, p.Detail)
	}
	c.SetCookie(&http.Cookie{Name: keyCookie, Value: secret, Path: "/", HttpOnly: true, Secure: c.Scheme() == "https", SameSite: http.SameSiteLaxMode})
	return c.Redirect(http.StatusSeeOther, to)
}

func signOut(c echo.Context) error {
	c.SetCookie(&http.Cookie{Name: keyCookie, Path: "/", MaxAge: -1, HttpOnly: true, Secure: c.Scheme() == "https", SameSite: http.SameSiteLaxMode})
	return c.Redirect(http.StatusSeeOther, "/")
}
