package api

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"

	"github.com/labstack/echo/v4"

	"slabledger/api/pages"
	"slabledger/lca/fault"
	"slabledger/service"
	"slabledger/service/report"
)

// form is a media type in which a comparison is answered beside JSON.
type form struct {
	media string
	write func(io.Writer, report.Reported, url.Values) error
}

// comparisonForms are all of them, a line each.
var comparisonForms = []form{
	{mediaXLSX, func(w io.Writer, r report.Reported, _ url.Values) error { return report.Workbook(w, r.Comparison) }},
	{mediaCSV, func(w io.Writer, r report.Reported, query url.Values) error {
		return report.CSV(w, r.Comparison, query.Get("table"))
	}},
	{mediaHTML, func(w io.Writer, r report.Reported, _ url.Values) error { return report.Report(w, r) }},
}

// comparisonMedia lists what is offered, JSON first.
func comparisonMedia() []string {
	offers := []string{mediaJSON}
	for _, f := range comparisonForms {
		offers = append(offers, f.media)
	}
	return offers
}

// inForm answers a comparison in a form other than JSON. A report says how sure the
// comparison is, which takes as long as conclusions do.
func (s *Server) inForm(c echo.Context, media, caching string, compare func(context.Context) (report.Reported, error)) error {
	query, operation, leave := c.QueryParams(), operationReport, func() {}
	if media != mediaHTML {
		operation = "compare"
		done, err := s.heavy(c)
		if err != nil {
			return err
		}
		// The place is free again before the file is sent, whoever reads it how slowly:
		// a file of a comparison is no more than a few megabytes.
		leave = sync.OnceFunc(done)
		defer leave()
	}
	// A report is short work once it is concluded; other forms are written when the
	// place among those that compute is free again.
	var r report.Reported
	var file bytes.Buffer
	at := slices.IndexFunc(comparisonForms, func(f form) bool { return f.media == media })
	_, err := s.computed(c.Request().Context(), operation, func(ctx context.Context) (_ []byte, err error) {
		if r, err = compare(ctx); err != nil || media != mediaHTML {
			return nil, err
		}
		if r.Grounds, err = s.service.Grounds(ctx, r.Request); err != nil {
			return nil, err
		}
		r.Address, r.Shown = addressOf(c.Request(), ""), pages.ShownOf(c)
		return nil, comparisonForms[at].write(&file, r, query)
	})
	if err == nil && media != mediaHTML {
		err = comparisonForms[at].write(&file, r, query)
	}
	if err != nil {
		return err
	}
	leave()
	text := file.Bytes()
	if err := s.tellWithdrawn(c, r.Comparison.Pinned()); err != nil {
		return err
	}
	h := c.Response().Header()
	if r.Moved != "" {
		h.Set("Study-Moved", r.Moved)
	}
	if media != mediaHTML {
		return sendFile(c, media, comparisonName(r.Comparison, media, query), text, caching)
	}
	h.Set("Content-Security-Policy", styleAlone(report.ReportStyle))
	h.Set("Content-Disposition", `inline; filename="`+comparisonName(r.Comparison, media, query)+`.html"`)
	h.Set("Cache-Control", caching)
	h.Add("Vary", "Accept, Accept-Language")
	return sendTagged(c, media+"; charset=utf-8", etag(text), text)
}

// operationReport is no operation of the contract: it names the work of a report, which
// finds its place among the long ones.
const operationReport = "report"

// styleAlone is the Content-Security-Policy of a page that loads nothing and has the one
// style of that hash.
func styleAlone(hash string) string {
	return "default-src 'none'; style-src '" + hash + "'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
}

// checkForm holds the parameters of forms against the one that is asked for.
func checkForm(media string, query url.Values) error {
	const at = fault.Path("/query/table")
	switch {
	case media == mediaCSV && query.Get("table") == "":
		return invalid([]fault.Fault{{Pointer: at, Code: "required-member-missing", Detail: "as text/csv a comparison is one table of " + strings.Join(report.Tables(), ", ") + "; say which"}})
	case media != mediaCSV && query.Has("table"):
		return invalid([]fault.Fault{{Pointer: at, Code: "not-used", Detail: "a table is chosen for text/csv alone; send \"Accept: text/csv\""}})
	case media != mediaHTML:
		for _, name := range []string{"basis", "units"} {
			if query.Has(name) {
				return invalid([]fault.Fault{{Pointer: fault.Path("/query").At(name), Code: "not-used", Detail: "figures are shown in other ways in the report alone; send \"Accept: text/html\""}})
			}
		}
	}
	return nil
}

// comparisonName is the name of the file of a comparison. What an address says beside
// the tables that there are does not come into it: a name stands in a header.
func comparisonName(r *service.ComparisonResponse, media string, query url.Values) string {
	name := "comparison-" + r.RequestHash[:12]
	if table := query.Get("table"); media == mediaCSV && slices.Contains(report.Tables(), table) {
		name += "-" + table
	}
	return name
}

// compare answers as JSON, or in another form where the client prefers that.
func (s *Server) compare(c echo.Context, media string) error {
	if err := checkForm(media, c.QueryParams()); err != nil {
		return err
	}
	body, refused, err := s.readBody(c, "compare")
	if err != nil {
		return err
	}
	if media != mediaJSON {
		return s.inForm(c, media, "no-store", func(ctx context.Context) (report.Reported, error) {
			answer, err := s.service.Compare(ctx, body, refused...)
			return report.Reported{Request: body, Comparison: answer}, err
		})
	}
	var answer *service.ComparisonResponse
	text, err := s.computed(c.Request().Context(), "compare", func(ctx context.Context) ([]byte, error) {
		var err error
		if answer, err = s.service.Compare(ctx, body, refused...); err != nil {
			return nil, err
		}
		return service.Encode(answer)
	})
	if err != nil {
		return err
	}
	if err := s.tellWithdrawn(c, answer.Pinned()); err != nil {
		return err
	}
	c.Response().Header().Add("Vary", "Accept")
	return c.Blob(http.StatusOK, media, text)
}

// studied is the comparison of a study, computed again, as the forms need it.
func (s *Server) studied(id string) func(context.Context) (report.Reported, error) {
	return func(ctx context.Context) (report.Reported, error) {
		result, err := s.service.StudyResult(ctx, id)
		if err != nil {
			return report.Reported{}, err
		}
		return report.Reported{Request: result.Request, Comparison: result.Response, Study: &result.Study, Moved: result.Moved}, nil
	}
}

// download is a page that gives a comparison in a form: that which the address means.
func (s *Server) download(media string) echo.HandlerFunc {
	return func(c echo.Context) error {
		if table := c.QueryParam("table"); media == mediaCSV && !slices.Contains(report.Tables(), table) {
			return &service.Error{Code: service.NotFound, Detail: "There is no such table; there are " + strings.Join(report.Tables(), ", ") + "."}
		}
		study, request, err := s.site.Asked(c)
		if err != nil {
			return err
		}
		if study != nil {
			return s.inForm(c, media, "private, no-cache", s.studied(study.ID))
		}
		accepted, refused, err := s.contract.CheckBody("compare", request)
		if err != nil {
			return err
		}
		return s.inForm(c, media, "private, no-cache", func(ctx context.Context) (report.Reported, error) {
			answer, err := s.service.Compare(ctx, accepted, refused...)
			return report.Reported{Request: accepted, Comparison: answer}, err
		})
	}
}

// Media types of citations.
const (
	mediaBibTeX = "application/x-bibtex"
	mediaCSL    = "application/vnd.citationstyles.csl+json"
)

// citeStudy sends a citation of a study.
func (s *Server) citeStudy(c echo.Context, media string) error {
	study, err := s.service.Study(c.Request().Context(), c.Param("study"))
	if err != nil {
		return err
	}
	version, err := s.service.Version(c.Request().Context(), study.Inventory.Slug, study.Inventory.Number)
	if err != nil {
		return err
	}
	write := report.BibTeX
	if media == mediaCSL {
		write = report.CSL
	}
	var file bytes.Buffer
	if err := write(&file, report.Citation{Study: study, InventoryHash: version.Hash, URL: addressOf(c.Request(), service.StudyLocation(study.ID))}); err != nil {
		return err
	}
	return sendFile(c, media, "study-"+study.ID, file.Bytes(), "no-cache")
}

// addressOf is a path of this service at the address by which a request came.
func addressOf(r *http.Request, path string) string {
	u := url.URL{Scheme: "http", Host: r.Host, Path: path}
	if r.TLS != nil || strings.EqualFold(r.Header.Get("X-Forwarded-Proto"), "https") {
		u.Scheme = "https"
	}
	return u.String()
}
