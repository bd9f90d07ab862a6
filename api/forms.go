package api

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"slabledger/lca/fault"
	"slabledger/service"
	"slabledger/service/report"
)

// form is a media type in which a comparison is answered beside JSON.
type form struct {
	media string
	write func(io.Writer, *service.ComparisonResponse, url.Values) error
}

// comparisonForms are all of them, a line each.
var comparisonForms = []form{
	{mediaXLSX, func(w io.Writer, r *service.ComparisonResponse, _ url.Values) error { return report.Workbook(w, r) }},
	{mediaCSV, func(w io.Writer, r *service.ComparisonResponse, query url.Values) error {
		return report.CSV(w, r, query.Get("table"))
	}},
}

// comparisonMedia lists what is offered, JSON first.
func comparisonMedia() []string {
	offers := []string{mediaJSON}
	for _, f := range comparisonForms {
		offers = append(offers, f.media)
	}
	return offers
}

// inForm writes a comparison in a form other than JSON.
func inForm(media string, r *service.ComparisonResponse, query url.Values) ([]byte, error) {
	at := slices.IndexFunc(comparisonForms, func(f form) bool { return f.media == media })
	var file bytes.Buffer
	err := comparisonForms[at].write(&file, r, query)
	return file.Bytes(), err
}

// checkTable holds the parameter table against the form that is asked for.
func checkTable(media string, query url.Values) error {
	const at = fault.Path("/query/table")
	switch {
	case media == mediaCSV && query.Get("table") == "":
		return invalid([]fault.Fault{{Pointer: at, Code: "required-member-missing", Detail: "as text/csv a comparison is one table of " + strings.Join(report.Tables(), ", ") + "; say which"}})
	case media != mediaCSV && query.Has("table"):
		return invalid([]fault.Fault{{Pointer: at, Code: "not-used", Detail: "a table is chosen for text/csv alone; send \"Accept: text/csv\""}})
	}
	return nil
}

// comparisonName is the name of the file of a comparison.
func comparisonName(r *service.ComparisonResponse, query url.Values) string {
	name := "comparison-" + r.RequestHash[:12]
	if table := query.Get("table"); table != "" {
		name += "-" + table
	}
	return name
}

// compare answers as JSON, or in another form where the client prefers that.
func (s *Server) compare(c echo.Context, media string) error {
	query := c.QueryParams()
	if err := checkTable(media, query); err != nil {
		return err
	}
	body, refused, err := s.readBody(c, "compare")
	if err != nil {
		return err
	}
	if media != mediaJSON {
		done, err := s.heavy(c)
		if err != nil {
			return err
		}
		defer done()
	}
	var answer *service.ComparisonResponse
	text, err := s.computed(c.Request().Context(), "compare", func(ctx context.Context) ([]byte, error) {
		var err error
		if answer, err = s.service.Compare(ctx, body, refused...); err != nil {
			return nil, err
		}
		if media == mediaJSON {
			return service.Encode(answer)
		}
		return inForm(media, answer, query)
	})
	if err != nil {
		return err
	}
	if err := s.tellWithdrawn(c, answer.Pinned()); err != nil {
		return err
	}
	if media != mediaJSON {
		return sendFile(c, media, comparisonName(answer, query), text, "no-store")
	}
	c.Response().Header().Add("Vary", "Accept")
	return c.Blob(http.StatusOK, media, text)
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
