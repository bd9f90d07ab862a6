// Package pages is what people see in a browser: one file a page. A page reads the
// address and the form, calls one use case and fills a template; it needs no script, and
// what the script adds (assets/page.js) is comfort only.
package pages

import (
	"bytes"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/service"
	"slabledger/service/report"
)

//go:embed assets examples templates
var files embed.FS

// Desk is what the pages need of the server that they belong to.
type Desk struct {
	Service *service.Service
	// Demo is the body of a comparison that a newcomer may open, where its inventory is
	// published here.
	Demo []byte
	// Check holds the body of an operation against the contract: what of it was accepted,
	// and what was refused.
	Check func(operationID string, body []byte) (accepted []byte, refused []fault.Fault, err error)
	// Compute runs the work of an operation when there is room for it.
	Compute func(ctx context.Context, operationID string, work func(context.Context) error) error
	// Explain is an error as a page tells it, with its faults by pointers into the body.
	Explain func(c echo.Context, err error) Problem
	// Once does work that stores, unless an earlier request of the name did: the location
	// is where the API shows what came of it.
	Once func(c echo.Context, name string, content []byte, work func(*inventory.Retry) (location string, err error)) (location string, err error)
	// Tables makes room for work that holds a whole table in memory; the caller ends it.
	Tables func(c echo.Context) (done func(), err error)
	// Tell is an error that is kept, such as that of a job, as a page tells it.
	Tell func(err error) Problem
	// Part is which part of a list the address asks for: what lies behind the key given,
	// so many entries, and the address of the part behind another key.
	Part func(c echo.Context) (after string, limit int, next func(key string) string, err error)
	// Keyed tells whether there are keys, so that a person has to sign in to change things.
	Keyed func(ctx context.Context) (bool, error)
}

// Problem is an error as a page tells it.
type Problem struct {
	Status                                int
	Title, Detail, Remedy, Code, Instance string
	Faults                                []Fault
	More                                  []tab // where to go on
}

// Fault is one thing that is wrong, with a pointer into what was sent.
type Fault struct{ Pointer, Code, Detail string }

// Pages renders pages. It does not change after it is made, so it may be shared.
type Pages struct {
	desk      Desk
	templates map[string]*template.Template // by the name of the page
	assets    map[string]asset
}

type asset struct {
	media, version string
	content        []byte
}

// New makes the pages. It panics where a template cannot be read, which is a mistake of
// the program.
func New(desk Desk) *Pages {
	p := &Pages{desk: desk, templates: map[string]*template.Template{}, assets: map[string]asset{}}
	for name, media := range map[string]string{"style.css": "text/css; charset=utf-8", "page.js": "text/javascript; charset=utf-8", "icon.svg": "image/svg+xml"} {
		content, err := files.ReadFile("assets/" + name)
		if err != nil {
			panic("pages: " + err.Error())
		}
		if name == "style.css" {
			more, err := files.ReadFile("assets/comparison.css")
			if err != nil {
				panic("pages: " + err.Error())
			}
			content = slices.Concat(content, []byte(report.PictureStyle), more)
		}
		sum := sha256.Sum256(content)
		p.assets[name] = asset{media, hex.EncodeToString(sum[:6]), content}
	}
	functions := template.FuncMap{"asset": p.AssetPath, "term": term, "printable": report.Printable, "with": with, "words": words, "day": day, "instant": instant, "isFigure": isFigure, "label": columnLabel}
	layout := template.Must(template.New("layout.html").Funcs(functions).ParseFS(files, "templates/layout.html", "templates/parts*.html"))
	entries, err := files.ReadDir("templates")
	if err != nil {
		panic("pages: " + err.Error())
	}
	for _, entry := range entries {
		name := strings.TrimSuffix(entry.Name(), ".html")
		if name == "layout" || strings.HasPrefix(name, "parts") {
			continue
		}
		p.templates[name] = template.Must(template.Must(layout.Clone()).ParseFS(files, "templates/"+entry.Name()))
	}
	return p
}

// AssetPath is the address of a file that all pages load; it changes with its content,
// so a browser keeps it for ever.
func (p *Pages) AssetPath(name string) string {
	return "/assets/" + name + "?v=" + p.assets[name].version
}

// Asset answers with a file that pages load.
func (p *Pages) Asset(c echo.Context) error {
	a, known := p.assets[c.Param("name")]
	if !known {
		return &service.Error{Code: service.NotFound, Detail: "There is no such file."}
	}
	h := c.Response().Header()
	h.Set("Cache-Control", "no-cache")
	if c.QueryParam("v") == a.version {
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	return c.Blob(http.StatusOK, a.media, a.content)
}

// Policy is the Content-Security-Policy of the pages: their own style, script and
// pictures, and forms to this service.
const Policy = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// frame is what the layout shows around every page.
type frame struct {
	Title   string
	Here    string // the path of the page among the main ones
	Caution string
	Plain   bool // the page is the same for all, and needs nothing but its style
	Keyed   bool
	Signed  string // the id of the key of whoever is signed in
	Back    string // this page's own address, to return to after signing in
	Shown   report.Shown
	View    any

	role inventory.Role // of whoever asks; none where the page is the same for all
}

// May tells whether whoever asks may do what a role is needed for, so that a page does
// not offer what would be refused.
func (f frame) May(needed inventory.Role) bool { return f.role.May(needed) }

// Render writes a page.
func (p *Pages) Render(c echo.Context, status int, name, title string, view any) error {
	keyed, err := p.desk.Keyed(c.Request().Context())
	if err != nil {
		return err
	}
	f := frame{Title: title, Here: "/" + strings.SplitN(c.Request().URL.Path, "/", 3)[1], Caution: service.Caution, Keyed: keyed, Shown: ShownOf(c), View: view}
	actor := service.ActorOf(c.Request().Context())
	f.role = actor.Role
	if keyed && actor.ID != service.Anonymous && actor.ID != service.Local {
		f.Signed = actor.ID
	}
	if c.Request().Method == http.MethodGet {
		f.Back = c.Request().URL.RequestURI()
	}
	page, err := p.fill(name, f)
	if err != nil {
		return err
	}
	Headers(c.Response().Header())
	return c.Blob(status, "text/html; charset=utf-8", page)
}

// Static is a page that is the same for all and that no script changes.
func (p *Pages) Static(name, here, title string, view any) ([]byte, error) {
	return p.fill(name, frame{Title: title, Here: here, Caution: service.Caution, Plain: true, View: view})
}

// fill writes a page into its layout.
func (p *Pages) fill(name string, f frame) ([]byte, error) {
	templates, known := p.templates[name]
	if !known {
		return nil, fmt.Errorf("pages: there is no template %s", name)
	}
	var page bytes.Buffer
	if err := templates.ExecuteTemplate(&page, "layout.html", f); err != nil {
		return nil, fmt.Errorf("pages: %s: %w", name, err)
	}
	return page.Bytes(), nil
}

// Headers are those of every page. Without a referrer a browser would not say that a form
// is our own (Fetch, 3.1).
func Headers(h http.Header) {
	h.Set("Content-Security-Policy", Policy)
	h.Set("Referrer-Policy", "same-origin")
	h.Add("Vary", "Accept-Language, Cookie")
}

// ShownOf reads how figures are to be shown: what the address says, else metric, per
// square metre, with the separators that the browser asks for.
func ShownOf(c echo.Context) report.Shown {
	s := report.Shown{Locale: report.LocaleOf(c.Request().Header.Get("Accept-Language")), US: c.QueryParam("units") == "us"}
	switch basis := report.Basis(c.QueryParam("basis")); basis {
	case report.WholeJob, report.PerLane:
		s.Basis = basis
	default:
		s.Basis = report.PerArea
	}
	return s
}

// with is an address with some parameters of its query set anew, or dropped where the
// value is empty, for links that change one thing of a page.
func with(address string, pairs ...string) (string, error) {
	u, err := url.Parse(address)
	if err != nil || len(pairs)%2 != 0 {
		return "", fmt.Errorf("pages: no address: %q", address)
	}
	query := u.Query()
	for i := 0; i < len(pairs); i += 2 {
		query.Del(pairs[i])
		if pairs[i+1] != "" {
			query.Set(pairs[i], pairs[i+1])
		}
	}
	u.RawQuery = query.Encode()
	return u.String(), nil
}

// ShowProblem answers with a page that tells an error.
func (p *Pages) ShowProblem(c echo.Context, problem Problem) error {
	return p.Render(c, problem.Status, "problem", problem.Title, problem)
}
