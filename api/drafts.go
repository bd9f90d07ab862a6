package api

import (
	"errors"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"os"
	"slices"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/labstack/echo/v4"

	"slabledger/inventory"
	"slabledger/inventory/epd"
	"slabledger/lca/fault"
	"slabledger/service"
)

func (s *Server) routeDrafts() {
	const (
		drafts = "/v1/inventories/:slug/drafts"
		draft  = drafts + "/:draft"
		item   = draft + "/items/:code"
	)
	s.route(http.MethodGet, drafts, "listDrafts", s.json("listDrafts", s.listDrafts))
	s.route(http.MethodPost, drafts, "createDraft", s.json("createDraft", s.createDraft))
	s.route(http.MethodGet, draft, "getDraft", s.json("getDraft", s.getDraft))
	s.route(http.MethodPatch, draft, "describeDraft", s.json("describeDraft", s.describeDraft))
	s.route(http.MethodDelete, draft, "deleteDraft", s.json("deleteDraft", s.deleteDraft))
	s.route(http.MethodGet, draft+"/items", "listDraftItems", s.json("listDraftItems", s.listDraftItems))
	s.route(http.MethodPut, draft+"/items", "uploadItems", s.json("uploadItems", s.uploadItems))
	s.route(http.MethodGet, item, "getDraftItem", s.json("getDraftItem", s.getDraftItem))
	s.route(http.MethodPut, item, "putDraftItem", s.json("putDraftItem", s.putDraftItem))
	s.route(http.MethodPatch, item, "patchDraftItem", s.json("patchDraftItem", s.patchDraftItem))
	s.route(http.MethodDelete, item, "deleteDraftItem", s.json("deleteDraftItem", s.deleteDraftItem))
	s.route(http.MethodPut, item+"/declaration", "declareDraftItem", s.json("declareDraftItem", s.declareDraftItem))
	s.route(http.MethodGet, draft+"/diff", "diffDraft", s.json("diffDraft", s.diffDraft))
	s.route(http.MethodPost, draft+"/publication", "publishDraft", s.json("publishDraft", s.publishDraft))
}

// draftView is a draft with what hinders it, and how much it changes.
type draftView struct {
	ID        string         `json:"id"`
	Slug      string         `json:"slug"`
	Base      *int           `json:"base"`
	Meta      inventory.Meta `json:"meta"`
	Revision  int            `json:"revision"`
	CreatedBy string         `json:"created_by"`
	CreatedAt string         `json:"created_at"`
	UpdatedAt string         `json:"updated_at"`
}

type reviewView struct {
	draftView
	Items    itemCounts    `json:"items"`
	Problems []problemView `json:"problems"`
	Doubts   []problemView `json:"doubts"`
	Against  *string       `json:"against"`
	Changes  changeCounts  `json:"changes"`
}

type itemCounts struct {
	Own      int `json:"own"`
	Resolved int `json:"resolved"`
}

type changeCounts struct {
	Added   int `json:"added"`
	Removed int `json:"removed"`
	Changed int `json:"changed"`
}

type problemView struct {
	Item   string `json:"item"`
	Column string `json:"column"`
	Code   string `json:"code"`
	Found  string `json:"found"`
	Detail string `json:"detail"`
}

func viewProblems(list []service.ItemProblem) []problemView {
	views := make([]problemView, len(list))
	for i, p := range list {
		views[i] = problemView(p)
	}
	return views
}

func viewDraft(d inventory.Draft) draftView {
	v := draftView{d.ID, d.Slug, nil, d.Meta, d.Revision, d.CreatedBy, d.CreatedAt, d.UpdatedAt}
	if d.Base > 0 {
		v.Base = &d.Base
	}
	return v
}

func viewReview(r *service.Review) reviewView {
	v := reviewView{draftView: viewDraft(r.Draft), Items: itemCounts{len(r.Draft.Items), len(r.Resolved)}, Problems: viewProblems(r.Problems), Doubts: viewProblems(r.Doubts),
		Changes: changeCounts{len(r.Changes.Added), len(r.Changes.Removed), len(r.Changes.Changed)}}
	if r.Against.Number > 0 {
		against := r.Against.String()
		v.Against = &against
	}
	return v
}

// sendReview answers with a draft and the validator of its revision.
func sendReview(c echo.Context, r *service.Review) error {
	tagDraft(c, r.Draft.Revision)
	return send(c, viewReview(r))
}

func tagDraft(c echo.Context, revision int) {
	c.Response().Header().Set("ETag", `"`+strconv.Itoa(revision)+`"`)
	c.Response().Header().Set("Cache-Control", "no-cache")
}

// revisionOf reads If-Match, without which nobody's change is safe from another's
// (RFC 9110, 13.1.1; RFC 6585, 3).
func revisionOf(c echo.Context) (int, error) {
	headers := c.Request().Header.Values("If-Match")
	if len(headers) == 0 {
		return 0, &refusal{code: "precondition-required"}
	}
	tag := strings.TrimSpace(strings.Join(headers, ","))
	number, quoted := strings.CutPrefix(tag, `"`)
	number, closed := strings.CutSuffix(number, `"`)
	revision, err := strconv.Atoi(strings.TrimSuffix(number, gzipSuffix))
	if err != nil || revision < 1 || !quoted || !closed || tag != `"`+strconv.Itoa(revision)+`"` && tag != `"`+strconv.Itoa(revision)+gzipSuffix+`"` {
		return 0, &service.Error{Code: service.Stale, Detail: "The header If-Match holds no validator of what is to be changed; send the one from the header ETag."}
	}
	return revision, nil
}

func (s *Server) listDrafts(c echo.Context) error {
	at, err := readPage(c)
	if err != nil {
		return err
	}
	found, err := s.service.Drafts(c.Request().Context(), c.Param("slug"))
	if err != nil {
		return err
	}
	found = slices.DeleteFunc(found, func(d inventory.Draft) bool { return d.ID <= at.after })
	found, links := cut(c, at, found, func(d inventory.Draft) string { return d.ID })
	list := struct {
		Drafts []draftView `json:"drafts"`
		Links  pageLinks   `json:"links"`
	}{[]draftView{}, links}
	for _, d := range found {
		list.Drafts = append(list.Drafts, viewDraft(d))
	}
	return send(c, list)
}

// storing reads the body of an operation that stores, which the contract must admit
// as it is.
func (s *Server) storing(c echo.Context, operationID string, into any) ([]byte, error) {
	body, refused, err := s.readBody(c, operationID)
	if err != nil {
		return nil, err
	}
	if len(refused) > 0 {
		return nil, invalid(refused)
	}
	return body, json.Unmarshal(body, into)
}

func (s *Server) createDraft(c echo.Context) error {
	var asked struct {
		From string          `json:"from"`
		Meta *inventory.Meta `json:"meta"`
	}
	body, err := s.storing(c, "createDraft", &asked)
	if err != nil {
		return err
	}
	return s.once(c, http.StatusCreated, body, func(retry *inventory.Retry) (string, any, error) {
		r, err := s.service.CreateDraft(c.Request().Context(), retry, c.Param("slug"), asked.From, asked.Meta)
		if err != nil {
			return "", nil, err
		}
		return service.DraftLocation(r.Draft.Slug, r.Draft.ID), nil, nil
	})
}

// review reads the draft that the path names, against the version in the query.
func (s *Server) review(c echo.Context) (*service.Review, error) {
	against, _ := strconv.Atoi(c.QueryParam("against")) // the contract admits whole numbers only
	return s.service.Draft(c.Request().Context(), c.Param("slug"), c.Param("draft"), against)
}

func (s *Server) getDraft(c echo.Context) error {
	r, err := s.review(c)
	if err != nil {
		return err
	}
	return sendReview(c, r)
}

// editing is an operation that changes the draft at the revision that the client
// read.
func (s *Server) editing(c echo.Context, edit func(revision int) (*service.Review, error)) error {
	revision, err := revisionOf(c)
	if err != nil {
		return err
	}
	r, err := edit(revision)
	if err != nil {
		return err
	}
	return sendReview(c, r)
}

func (s *Server) describeDraft(c echo.Context) error {
	return s.editing(c, func(revision int) (*service.Review, error) {
		return s.service.EditDraft(c.Request().Context(), nil, c.Param("slug"), c.Param("draft"), revision, inventory.ActionEditDraft, func(d inventory.Draft) (inventory.DraftEdit, error) {
			_, err := s.storing(c, "describeDraft", &d.Meta)
			return inventory.DraftEdit{Meta: &d.Meta}, err
		})
	})
}

func (s *Server) deleteDraft(c echo.Context) error {
	revision, err := revisionOf(c)
	if err != nil {
		return err
	}
	if err := s.service.DeleteDraft(c.Request().Context(), nil, c.Param("slug"), c.Param("draft"), revision); err != nil {
		return err
	}
	return c.NoContent(http.StatusNoContent)
}

// listDraftItems lists the resolved set, in order of codes.
func (s *Server) listDraftItems(c echo.Context) error {
	at, err := readPage(c)
	if err != nil {
		return err
	}
	r, err := s.review(c)
	if err != nil {
		return err
	}
	code := func(i inventory.Item) string { return i.Code }
	items := itemsAfter(nil, r.Resolved, at, code, func(*inventory.Item) bool { return true })
	items, links := cut(c, at, items, code)
	tagDraft(c, r.Draft.Revision)
	return send(c, struct {
		Items []inventory.Item `json:"items"`
		Links pageLinks        `json:"links"`
	}{append([]inventory.Item{}, items...), links})
}

func (s *Server) getDraftItem(c echo.Context) error {
	r, err := s.review(c)
	if err != nil {
		return err
	}
	item, err := findItem(r.Resolved, c.Param("code"), "the draft")
	if err != nil {
		return err
	}
	tagDraft(c, r.Draft.Revision)
	return send(c, item)
}

func (s *Server) putDraftItem(c echo.Context) error {
	return s.editing(c, func(revision int) (*service.Review, error) {
		body, refused, err := s.readBody(c, "putDraftItem")
		if err != nil {
			return nil, err
		}
		item, err := service.ReadItem(body, c.Param("code"), refused...)
		if err != nil {
			return nil, err
		}
		return s.service.PutItem(c.Request().Context(), nil, c.Param("slug"), c.Param("draft"), revision, item)
	})
}

func (s *Server) patchDraftItem(c echo.Context) error {
	return s.editing(c, func(revision int) (*service.Review, error) {
		patch, err := s.readPatch(c)
		if err != nil {
			return nil, err
		}
		return s.service.PatchItem(c.Request().Context(), nil, c.Param("slug"), c.Param("draft"), revision, c.Param("code"), patch, func(text []byte) ([]byte, []fault.Fault, error) {
			return s.contract.CheckBody("putDraftItem", text)
		})
	})
}

// readPatch reads a merge patch, whose members are checked once it is applied.
func (s *Server) readPatch(c echo.Context) ([]byte, error) {
	return s.readBytes(c, maxBodyBytes, []string{mediaJSON, "application/merge-patch+json"}, func(body []byte) error {
		_, _, err := scan(body, nil)
		return err
	})
}

func (s *Server) deleteDraftItem(c echo.Context) error {
	return s.editing(c, func(revision int) (*service.Review, error) {
		return s.service.RemoveItem(c.Request().Context(), nil, c.Param("slug"), c.Param("draft"), revision, c.Param("code"))
	})
}

// declarationView is what was taken from a declaration.
type declarationView struct {
	Indicator string          `json:"indicator"`
	Unit      string          `json:"unit"`
	Unused    []unusedView    `json:"unused"`
	Notices   []statementView `json:"notices"`
	Item      *inventory.Item `json:"item"`
	Draft     reviewView      `json:"draft"`
}

type unusedView struct {
	Indicator string `json:"indicator"`
	Module    string `json:"module"`
	Scenario  string `json:"scenario"`
	Reason    string `json:"reason"`
}

type statementView struct {
	Code   string `json:"code"`
	Detail string `json:"detail"`
}

// declareDraftItem gives an item of a draft the factors of a declaration.
func (s *Server) declareDraftItem(c echo.Context) error {
	revision, err := revisionOf(c)
	if err != nil {
		return err
	}
	body, err := s.readBytes(c, epd.MaxBytes, []string{mediaXML, "text/xml", mediaJSON}, nil)
	if err != nil {
		return err
	}
	taken, err := s.service.Declare(c.Request().Context(), nil, c.Param("slug"), c.Param("draft"), revision, c.Param("code"), body, c.QueryParam("unit"), splitList(c.QueryParam("scenarios")))
	if err != nil {
		return err
	}
	view := declarationView{Indicator: taken.Indicator, Unit: taken.Unit, Unused: []unusedView{}, Notices: []statementView{}, Item: taken.Item, Draft: viewReview(taken.Review)}
	for _, u := range taken.Unused {
		view.Unused = append(view.Unused, unusedView(u))
	}
	for _, n := range taken.Notices {
		view.Notices = append(view.Notices, statementView{n.Code, n.Detail})
	}
	tagDraft(c, taken.Review.Draft.Revision)
	return send(c, view)
}

func splitList(text string) []string {
	if text == "" {
		return nil
	}
	return strings.Split(text, ",")
}

// readBytes reads a body of one of several media types, which check may refuse.
func (s *Server) readBytes(c echo.Context, most int64, media []string, check func([]byte) error) ([]byte, error) {
	r := c.Request()
	if err := uncompressed(r); err != nil {
		return nil, err
	}
	if kind, _, _ := strings.Cut(r.Header.Get("Content-Type"), ";"); !slices.Contains(media, strings.ToLower(strings.TrimSpace(kind))) {
		return nil, &refusal{code: "unsupported-media-type", detail: "The header Content-Type must be " + strings.Join(media, " or ") + ".", header: [2]string{"Accept", strings.Join(media, ", ")}}
	}
	body, err := wholeBody(c, most)
	if err != nil {
		return nil, err
	}
	if check != nil {
		return body, check(body)
	}
	return body, nil
}

// diffView is a difference of two lists of items.
type diffView struct {
	Against *string           `json:"against"`
	Added   []*inventory.Item `json:"added"`
	Removed []*inventory.Item `json:"removed"`
	Changed []changedView     `json:"changed"`
}

type changedView struct {
	Item   string      `json:"item"`
	Fields []fieldView `json:"fields"`
}

type fieldView struct {
	Column  string         `json:"column"`
	Before  string         `json:"before"`
	After   string         `json:"after"`
	Percent *service.Plain `json:"percent"`
}

func viewFields(fields []inventory.FieldChange) []fieldView {
	list := make([]fieldView, len(fields))
	for i, f := range fields {
		list[i] = fieldView{Column: f.Column, Before: f.Before, After: f.After}
		if f.Percent.Valid {
			list[i].Percent = &service.Plain{Decimal: f.Percent.Decimal}
		}
	}
	return list
}

func viewDiff(d inventory.Difference) diffView {
	v := diffView{Added: append([]*inventory.Item{}, d.Added...), Removed: append([]*inventory.Item{}, d.Removed...), Changed: []changedView{}}
	for _, ch := range d.Changed {
		v.Changed = append(v.Changed, changedView{ch.Code, viewFields(ch.Fields)})
	}
	return v
}

func (s *Server) diffDraft(c echo.Context) error {
	r, err := s.review(c)
	if err != nil {
		return err
	}
	v := viewDiff(r.Changes)
	v.Against = viewReview(r).Against
	tagDraft(c, r.Draft.Revision)
	return send(c, v)
}

func (s *Server) publishDraft(c echo.Context) error {
	done, err := s.heavy(c)
	if err != nil {
		return err
	}
	defer done()
	var asked struct {
		Note string `json:"note"`
	}
	body, err := s.storing(c, "publishDraft", &asked)
	if err != nil {
		return err
	}
	return s.once(c, http.StatusCreated, body, func(retry *inventory.Retry) (string, any, error) {
		revision, err := revisionOf(c)
		if err != nil {
			return "", nil, err
		}
		v, err := s.service.PublishDraft(c.Request().Context(), retry, c.Param("slug"), c.Param("draft"), revision, asked.Note)
		if err != nil {
			return "", nil, err
		}
		return service.VersionLocation(v.Ref()), nil, nil
	})
}

// uploadItems reads a table into a draft.
func (s *Server) uploadItems(c echo.Context) error {
	revision, err := revisionOf(c)
	if err != nil {
		return err
	}
	o := inventory.UploadOptions{DecimalComma: c.QueryParam("decimal_comma") == "true", Sheet: c.QueryParam("sheet"),
		Separator: separators[c.QueryParam("separator")]}
	done, err := s.heavy(c)
	if err != nil {
		return err
	}
	defer done()
	file, err := s.uploaded(c, &o)
	if err != nil {
		return err
	}
	up, err := s.service.Upload(c.Request().Context(), nil, c.Param("slug"), c.Param("draft"), revision, file, o, c.QueryParam("mode") == "merge", c.QueryParam("dry_run") == "true")
	if isBodyError(err) {
		return bodyError(err, inventory.MaxFileBytes)
	}
	if err != nil {
		return err
	}
	tagDraft(c, up.Review.Draft.Revision)
	return send(c, uploadView{up.DryRun, up.Rows, viewNotes(up.Notes), viewReview(up.Review)})
}

// isBodyError tells that reading the body failed, and not what it says.
func isBodyError(err error) bool {
	var over *http.MaxBytesError
	return errors.As(err, &over) || errors.Is(err, os.ErrDeadlineExceeded) || errors.Is(err, io.ErrUnexpectedEOF)
}

type uploadView struct {
	DryRun bool       `json:"dry_run"`
	Rows   int        `json:"rows"`
	Notes  []noteView `json:"notes"`
	Draft  reviewView `json:"draft"`
}

type noteView struct {
	Row    int    `json:"row"`
	Column string `json:"column"`
	Item   string `json:"item"`
	Code   string `json:"code"`
	Detail string `json:"detail"`
}

// maxNotes of an upload are shown; further ones are counted.
const maxNotes = 100

func viewNotes(notes []inventory.RowNote) []noteView {
	views := []noteView{}
	for i, n := range notes {
		if i == maxNotes {
			views = append(views, noteView{Code: "more", Detail: strconv.Itoa(len(notes)-i) + " further notes"})
			break
		}
		if n.More > 0 {
			n.Detail += "; the same for " + strconv.Itoa(n.More) + " more"
		}
		views = append(views, noteView{n.Row, n.Column, n.Item, n.Code, n.Detail})
	}
	return views
}

// forms of files by their media types.
var forms = map[string]inventory.Form{mediaCSV: inventory.FormCSV, "text/tab-separated-values": inventory.FormCSV, mediaXLSX: inventory.FormXLSX, mediaJSON: inventory.FormJSON}

// uploaded finds the file of an upload: the body, or the part "file" of a form with,
// before it, a part "options".
func (s *Server) uploaded(c echo.Context, o *inventory.UploadOptions) (io.Reader, error) {
	r := c.Request()
	body, err := fileBody(c)
	if err != nil {
		return nil, err
	}
	media, parameters, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err == nil && media == mediaForm {
		return s.uploadedForm(multipart.NewReader(body, parameters["boundary"]), o)
	}
	form, known := forms[media]
	if err != nil || !known {
		return nil, &refusal{code: "unsupported-media-type", detail: "The header Content-Type must be text/csv, text/tab-separated-values, application/json, that of a workbook (" + mediaXLSX + ") or multipart/form-data."}
	}
	if media == "text/tab-separated-values" {
		o.Separator = '\t'
	}
	o.Form, o.Size = form, max(r.ContentLength, 0)
	return body, nil
}

// fileBody is a body that may be as large as a file of items with its options. It is
// to be read as it arrives; one that is said to be larger is not read at all.
func fileBody(c echo.Context) (io.Reader, error) {
	r := c.Request()
	if err := uncompressed(r); err != nil {
		return nil, err
	}
	if r.ContentLength > inventory.MaxFileBytes {
		return nil, tooLargeFor(inventory.MaxFileBytes)
	}
	return http.MaxBytesReader(c.Response(), r.Body, inventory.MaxFileBytes+maxOptionsBytes), nil
}

// maxOptionsBytes of the part "options" of a form.
const maxOptionsBytes = 1 << 20

func (s *Server) uploadedForm(parts *multipart.Reader, o *inventory.UploadOptions) (io.Reader, error) {
	stated := false
	for {
		part, err := parts.NextPart()
		switch {
		case errors.Is(err, io.EOF):
			return nil, invalid([]fault.Fault{{Pointer: "/file", Code: "required-member-missing", Detail: `the form has no part "file"`}})
		case err != nil:
			return nil, &refusal{code: "malformed-request", detail: "The form cannot be read.", cause: err}
		case part.FormName() == "file":
			o.Form = inventory.FormOf(part.FileName())
			return part, nil
		case part.FormName() == "options" && stated:
			return nil, invalid([]fault.Fault{{Pointer: "/options", Code: "duplicate-member", Detail: "the part stands twice"}})
		case part.FormName() == "options":
			stated = true
			text, err := io.ReadAll(io.LimitReader(part, maxOptionsBytes))
			if err != nil {
				return nil, &refusal{code: "malformed-request", detail: "The form cannot be read.", cause: err}
			}
			if err := readUploadOptions(text, o); err != nil {
				return nil, err
			}
		default:
			return nil, invalid([]fault.Fault{{Pointer: fault.Path("").At(part.FormName()), Code: "unknown-field", Detail: `a form has the parts "options" and "file"`}})
		}
	}
}

// readUploadOptions reads the rates and indices of an upload. The pointers of faults
// begin with /options.
func readUploadOptions(text []byte, o *inventory.UploadOptions) error {
	_, faults, err := scan(text, nil)
	var failed *service.Error
	if errors.As(err, &failed) {
		faults = failed.Faults
	}
	for i := range faults {
		faults[i].Pointer = "/options" + faults[i].Pointer
	}
	switch {
	case err != nil:
		return err
	case len(faults) > 0:
		return invalid(faults)
	}
	return service.ReadUploadOptions(text, o)
}
