package api

import (
	"context"
	"errors"
	"io"
	"mime"
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
		Once: func(c echo.Context, name string, content []byte, work func(*inventory.Retry) (string, error)) (string, error) {
			location, _, err := s.storedOnce(c, name, http.StatusCreated, content, work)
			return location, err
		},
		Tables: s.heavy,
		Tell: func(err error) pages.Problem {
			p, _, _ := describe(err, "")
			p.Instance = ""
			return onPage(p)
		},
		Part: func(c echo.Context) (string, int, func(string) string, error) {
			at, err := readPage(c)
			if at.limit < 1 || at.limit > maxListed {
				at.limit = standardLimit
			}
			return at.after, at.limit, func(key string) string { return at.next(c, key) }, err
		},
		Keyed: func(ctx context.Context) (bool, error) { return s.service.Keyed(ctx, s.options.Now()) },
	})
}

func (s *Server) routeSite() {
	site := s.site
	s.route(http.MethodGet, "/assets/:name", "asset", site.Asset)
	s.page(http.MethodGet, "/", "home", site.Home)
	for _, p := range []struct {
		page, operation string
		handle          echo.HandlerFunc
	}{{"", "", site.Comparison}, {"/certainty", "Certainty", site.Certainty}, {"/sensitivity", "Sensitivity", site.Sensitivity}, {"/lines", "Lines", site.Lines}, {"/sources", "Sources", site.Sources}} {
		s.page(http.MethodGet, "/comparison"+p.page, "comparison"+p.operation+"Page", p.handle)
		s.page(http.MethodGet, "/studies/:study"+p.page, "study"+p.operation+"Page", p.handle)
	}
	s.page(http.MethodGet, "/studies", "studiesPage", site.Studies)
	s.page(http.MethodPost, "/studies/:study/name", "nameStudy", site.DescribeStudy)
	s.page(http.MethodGet, "/studies/:study/deletion", "askDeleteStudy", site.AskDelete)
	s.page(http.MethodPost, "/studies/:study/deletion", "deleteStudyPage", site.DeleteStudy)
	s.page(http.MethodGet, "/studies/:study/rerun", "rerunStudyPage", site.Rerun)
	s.page(http.MethodGet, "/comparison/edit", "editPage", site.Edit)
	s.page(http.MethodPost, "/comparison/edit", "editComparison", site.ChangeEdit)
	s.page(http.MethodPost, "/comparison/save", "saveComparison", site.SaveComparison)
	for _, f := range []struct{ path, operation, media string }{{"/report", "Report", mediaHTML}, {"/workbook", "Workbook", mediaXLSX}, {"/table", "Table", mediaCSV}} {
		s.page(http.MethodGet, "/comparison"+f.path, "comparison"+f.operation+"Page", s.download(f.media))
		s.page(http.MethodGet, "/studies/:study"+f.path, "study"+f.operation+"Page", s.download(f.media))
	}
	s.page(http.MethodGet, "/terms", "termsPage", site.ShowTerms)
	s.page(http.MethodGet, "/sign-in", "signInPage", func(c echo.Context) error { return site.SignIn(c, http.StatusOK, c.QueryParam("to"), "", pages.Kept{}) })
	s.page(http.MethodPost, "/sign-in", "signIn", s.signIn)
	s.page(http.MethodPost, "/sign-out", "signOut", signOut)
	s.page(http.MethodGet, "/thickness", "thicknessPage", site.Thickness)
	s.page(http.MethodPost, "/thickness", "sizeSlabForm", site.ChangeThickness)
	s.page(http.MethodGet, "/beam-tests", "beamTestsPage", site.BeamTests)
	s.page(http.MethodPost, "/beam-tests", "testBeamsForm", site.EvaluateBeams)
	s.routeRegionPages()
	s.routeRunPages()
}

// routeRegionPages adds the pages of inventories and their drafts.
func (s *Server) routeRegionPages() {
	const (
		one   = "/inventories/:slug"
		draft = one + "/drafts/:draft"
		item  = draft + "/items/:code"
	)
	site := s.site
	s.page(http.MethodGet, "/inventories", "inventoriesPage", site.Inventories)
	s.page(http.MethodGet, one, "inventoryPage", site.Inventory)
	s.page(http.MethodGet, one+"/items/:code", "itemPage", site.Item)
	s.page(http.MethodGet, one+"/differences", "differencesPage", site.Differences)
	s.page(http.MethodGet, one+"/versions/:number/export", "exportPage", s.exportForBrowser)
	s.page(http.MethodPost, one+"/drafts", "createDraftForm", site.CreateDraft)
	s.page(http.MethodGet, draft, "draftPage", site.Draft)
	s.page(http.MethodGet, draft+"/new-item", "newItemPage", site.NewItem)
	s.page(http.MethodPost, draft+"/new-item", "newItemForm", site.SaveNewItem)
	s.page(http.MethodGet, item, "draftItemPage", site.DraftItem)
	s.page(http.MethodPost, item, "draftItemForm", site.SaveItem)
	s.page(http.MethodPost, item+"/removal", "removeItemForm", site.RemoveItem)
	s.page(http.MethodPost, draft+"/publication", "publishDraftForm", site.PublishDraft)
	s.page(http.MethodGet, draft+"/deletion", "deleteDraftPage", site.AskToDeleteDraft)
	s.page(http.MethodPost, draft+"/deletion", "deleteDraftForm", site.DeleteDraft)
}

// exportForBrowser is exportVersion for a link, which can say in its address alone
// which form the file is to have.
func (s *Server) exportForBrowser(c echo.Context) error {
	media, known := map[string]string{"": mediaCSV, "csv": mediaCSV, "xlsx": mediaXLSX, "json": mediaJSON}[c.QueryParam("form")]
	if !known {
		return &service.Error{Code: service.NotFound, Detail: "A version is exported as csv, xlsx or json."}
	}
	return s.exportVersion(c, media)
}

// routeRunPages adds the pages of long work.
func (s *Server) routeRunPages() {
	const run = "/runs/:job"
	site := s.site
	s.page(http.MethodGet, "/runs", "runsPage", site.Runs)
	s.page(http.MethodPost, "/runs", "createRunForm", site.CreateRun)
	s.page(http.MethodGet, "/runs/new", "newRunPage", site.NewRun)
	s.page(http.MethodGet, run, "runPage", site.Run)
	s.page(http.MethodPost, run+"/cancellation", "cancelRunForm", site.CancelRun)
}

// maxListed is the most entries of a list on a page.
const maxListed = 200

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
			return s.site.SignIn(c, http.StatusUnauthorized, "/", "Sign in first; what you sent was not stored.", keptForm(c))
		}
		if err == nil {
			err = named(c)
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

// keptForm is the form that was sent, where it is one of text fields and not too large.
func keptForm(c echo.Context) pages.Kept {
	r := c.Request()
	media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || media != "application/x-www-form-urlencoded" {
		return pages.Kept{}
	}
	fields, err := io.ReadAll(io.LimitReader(r.Body, pages.MaxKept+1))
	if err != nil || len(fields) > pages.MaxKept {
		return pages.Kept{}
	}
	if _, err := url.ParseQuery(string(fields)); err != nil {
		return pages.Kept{}
	}
	return pages.Kept{At: r.URL.RequestURI(), Fields: string(fields)}
}

// shownLost tells a person who came to an address that nothing stands under by a page.
// Only browsers say that an answer is to be shown (Fetch Metadata, 2.1).
func (s *Server) shownLost(c echo.Context, err error) bool {
	h := c.Request().Header
	if c.Get(routeKey) != nil || h.Get("Sec-Fetch-Dest") != "document" || strings.HasPrefix(c.Request().URL.Path, "/v1/") {
		return false
	}
	c.Response().Header().Add("Vary", "Sec-Fetch-Dest")
	return s.site.ShowProblem(c, s.explainedOnPage(c, err)) == nil
}

// visitor is who asks for a page: by the header that programs send, or by the key that
// the browser keeps. A form of another site may not act in a person's name.
func (s *Server) visitor(c echo.Context, needed inventory.Role) (service.Actor, error) {
	r := c.Request()
	// A picture or a frame of another site may not have a page computed either.
	foreign := r.Header.Get("Sec-Fetch-Site") == "cross-site" && r.Header.Get("Sec-Fetch-Mode") != "navigate"
	if err := s.crossOrigin.Check(r); err != nil || foreign {
		return service.Actor{}, &refusal{code: "cross-origin"}
	}
	actor, err := s.actor(c, needed)
	var refused *refusal
	// A browser may keep a key that is none any more: the page on which to sign in with
	// another is there all the same, however often that key has failed.
	if needed == "" && errors.As(err, &refused) && (refused.code == string(service.Unauthenticated) || refused.code == "rate-limited") {
		return service.Actor{ID: service.Anonymous, Role: inventory.Viewer}, nil
	}
	return actor, err
}

func (s *Server) explainedOnPage(c echo.Context, err error) pages.Problem {
	p, header := s.explained(c, err)
	if header[0] != "" {
		c.Response().Header().Set(header[0], header[1])
	}
	return onPage(p)
}

// onPage is a problem as a page tells it.
func onPage(p problem) pages.Problem {
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

// cookieName is keyCookie, over TLS with the prefix by which a browser takes it from this
// very host alone (RFC 6265bis, 4.1.3.2): no neighbouring host can have a person act with
// a key that is not theirs.
func cookieName(c echo.Context) string {
	if c.Scheme() == "https" {
		return "__Host-" + keyCookie
	}
	return keyCookie
}

// signIn takes a key and has the browser keep it until it is closed.
func (s *Server) signIn(c echo.Context) error {
	r := c.Request()
	r.Body = http.MaxBytesReader(c.Response(), r.Body, 3*pages.MaxKept+maxFieldBytes) // what is kept is encoded once more
	to, kept := pages.Local(c.FormValue("to")), pages.Kept{At: c.FormValue("at"), Fields: c.FormValue("kept")}
	secret := strings.TrimSpace(c.FormValue("key"))
	actor, err := s.withKey(c, secret)
	if err != nil {
		p := s.explainedOnPage(c, err)
		return s.site.SignIn(c, p.Status, to, p.Detail, kept)
	}
	c.SetCookie(&http.Cookie{Name: cookieName(c), Value: secret, Path: "/", HttpOnly: true, Secure: c.Scheme() == "https", SameSite: http.SameSiteLaxMode})
	if kept.Fields != "" {
		c.SetRequest(r.WithContext(service.As(r.Context(), actor)))
		return s.site.SendAgain(c, kept)
	}
	return c.Redirect(http.StatusSeeOther, to)
}

func signOut(c echo.Context) error {
	c.SetCookie(&http.Cookie{Name: cookieName(c), Path: "/", MaxAge: -1, HttpOnly: true, Secure: c.Scheme() == "https", SameSite: http.SameSiteLaxMode})
	return c.Redirect(http.StatusSeeOther, "/")
}
