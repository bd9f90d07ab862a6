package api

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"strings"
	"unicode/utf8"

	"github.com/labstack/echo/v4"

	"slabledger/api/pages"
	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/service"
	"slabledger/service/report"
)

// routeUpload adds a form without script, for people who have a table of items and a
// browser. It does what the command import does.
func (s *Server) routeUpload() {
	s.route(http.MethodGet, "/upload", "uploadPage", s.uploadPage)
	// A browser cannot put a key into a header, so the form may bring one along.
	s.add(http.MethodPost, "/upload", "uploadForm", s.inForms("uploadForm", []string{mediaHTML}, s.uploadForm))
}

// What the template of the upload page sees.
type (
	formView struct {
		Title   string
		Closed  bool // links on the page need a key
		Lacking bool // whoever is signed in may not upload
		Groups  []formGroup
		Refused *formRefusal
		Done    *formDone

		mayUpload bool // whoever is signed in
	}
	formGroup struct {
		Legend string
		Fields []formField
	}
	formField struct {
		Name, Label, Hint string
		Kind              string // as in the template; a line of text where empty
		Choices           []formChoice
		Value             string // that was typed
		Fault             string
		Required          bool
	}
	formChoice  struct{ Value, Label string }
	formRefusal struct {
		Heading, Detail string
		Faults          []formWrong
		Rows            []formRow
		More            int // bad rows besides
		Request         string
	}
	formWrong struct{ Field, Label, Code, Detail string } // without a field where none is to blame
	formRow   struct {
		Place string
		inventory.RowError
	}
	formDone struct {
		*service.Imported
		Heading, File string
		Notes         []noteView
		Changed       []formChange
		MoreChanged   int
		Location      string // of what was published, for programs
		Page          string // of it, for people
	}
	formChange struct{ Item, Column, Before, After, Percent string }
)

// The fields of the form, in the order in which a browser sends them: the file comes
// last, since it is read as it arrives and all else must be known by then.
func uploadGroups(keyed bool) []formGroup {
	groups := []formGroup{
		{"Inventory", []formField{
			{Name: "inventory", Label: "Inventory", Hint: "Its slug: small letters, digits and hyphens, such as my-region.", Required: true},
		}},
		{"About the inventory (a new one needs name, region and currency; a known one keeps what you leave empty)", []formField{
			{Name: "name", Label: "Name", Hint: "Such as: My region, 2026 prices."},
			{Name: "region", Label: "Region", Hint: "An ISO 3166 code, such as NO or NO-18."},
			{Name: "currency", Label: "Currency", Hint: "An ISO 4217 code, such as EUR. All prices are kept in it."},
			{Name: "extends", Label: "Extends", Hint: "A published version whose items stand below those of the file, such as demo@1."},
			{Name: "invented", Label: "The numbers are made up for demonstration", Kind: "check"},
		}},
		{"How the file is written", []formField{
			{Name: "decimal_comma", Label: "It writes 0,5 for a half", Kind: "check"},
			{Name: "separator", Label: "Between the cells of a CSV", Kind: "choice", Choices: []formChoice{{"", "found from the header"}, {"comma", "comma"}, {"semicolon", "semicolon"}, {"tab", "tab"}}},
			{Name: "sheet", Label: "Sheet of a workbook", Hint: "Its name; the first where you leave this empty."},
		}},
		{"Rates and indices", []formField{
			{Name: "options", Label: "Exchange rates and price indices, as JSON", Kind: "area",
				Hint: `A price in another currency is converted by a rate that you give here, and by no other: {"rates": [{"from": "NOK", "to": "EUR", "rate": "0.086", "date": "2026-01-14", "source": "central bank"}]}`},
		}},
		{"What changed", []formField{
			{Name: "note", Label: "Change note", Hint: "In your words, for those who will ask in a year. Needed to publish."},
		}},
	}
	if keyed {
		groups = append(groups, formGroup{"Access", []formField{
			{Name: "key", Label: "Key", Kind: "password", Hint: "One with the role analyst. It is used once and not kept."},
		}})
	}
	return append(groups, formGroup{"File", []formField{
		{Name: "file", Label: "Table of items", Kind: "file", Required: true,
			Hint: fmt.Sprintf("A .csv, .xlsx or .json file of at most %d MiB, a workbook of at most %d MiB.", inventory.MaxFileBytes>>20, inventory.MaxPackedBytes>>20)},
	}})
}

func (s *Server) uploadPage(c echo.Context) error {
	view, err := s.newFormView(c)
	if err != nil {
		return err
	}
	return s.sendUpload(c, http.StatusOK, view)
}

// newFormView is the page with an empty form. Whoever is signed in needs no field for
// a key.
func (s *Server) newFormView(c echo.Context) (*formView, error) {
	keyed, err := s.service.Keyed(c.Request().Context(), s.options.Now())
	if err != nil {
		return nil, err
	}
	signed, mayUpload := s.signedIn(c)
	return &formView{Title: "Upload a table of items", Closed: keyed && !s.options.OpenReads && !signed, Lacking: signed && !mayUpload, Groups: uploadGroups(keyed && !mayUpload), mayUpload: mayUpload}, nil
}

// signedIn tells whether the browser brings a good key along, and whether that may
// upload.
func (s *Server) signedIn(c echo.Context) (signed, mayUpload bool) {
	if _, err := c.Cookie(cookieName(c)); err != nil || c.Request().Header.Get("Authorization") != "" {
		return false, false
	}
	needed := s.roleOf("uploadForm")
	actor, err := s.actor(c, needed)
	if err == nil && c.Request().Method == http.MethodGet { // a form is let in by the key that it brings
		c.SetRequest(c.Request().WithContext(service.As(c.Request().Context(), actor)))
	}
	return err == nil, err == nil && actor.Role.May(needed)
}

func (v *formView) eachField(do func(*formField)) {
	for i := range v.Groups {
		for j := range v.Groups[i].Fields {
			do(&v.Groups[i].Fields[j])
		}
	}
}

func (s *Server) sendUpload(c echo.Context, status int, view *formView) error {
	return s.site.Render(c, status, "upload", view.Title, view)
}

// uploadForm answers a form with a page, also where it is refused, and anything else
// with a problem.
func (s *Server) uploadForm(c echo.Context, _ string) error {
	media, parameters, err := mime.ParseMediaType(c.Request().Header.Get("Content-Type"))
	if err != nil || media != mediaForm {
		return s.admitted(s.roleOf("uploadForm"), func(echo.Context) error {
			return &refusal{code: "unsupported-media-type", detail: "The header Content-Type must be multipart/form-data, as a form has it."}
		})(c)
	}
	view, err := s.newFormView(c)
	if err != nil {
		return err
	}
	typed := map[string]string{}
	done, err := s.takeForm(c, parameters["boundary"], typed, view.mayUpload)
	view.eachField(func(f *formField) {
		if f.Kind != "file" {
			f.Value = typed[f.Name]
		}
	})
	if err != nil {
		p, header := s.explained(c, err)
		if header[0] != "" {
			c.Response().Header().Set(header[0], header[1])
		}
		view.refuse(p, err)
		return s.sendUpload(c, p.Status, view)
	}
	view.Done, view.Title = done, done.Heading
	if done.Location == "" {
		return s.sendUpload(c, http.StatusOK, view)
	}
	c.Response().Header().Set("Location", done.Location)
	return s.sendUpload(c, http.StatusCreated, view)
}

// takeForm reads a form and does what it asks. What was typed is there also where it
// fails, but for the key.
func (s *Server) takeForm(c echo.Context, boundary string, typed map[string]string, mayUpload bool) (*formDone, error) {
	r, needed := c.Request(), s.roleOf("uploadForm")
	keyed, err := s.service.Keyed(r.Context(), s.options.Now())
	if err != nil {
		return nil, err
	}
	inForm := keyed && !mayUpload && r.Header.Get("Authorization") == "" // that is where the key is
	if !inForm {
		if err := s.admitHeld(c, needed, ""); err != nil {
			return nil, err
		}
	}
	room, err := s.heavy(c)
	if err != nil {
		return nil, err
	}
	defer room()
	body, err := fileBody(c)
	if err != nil {
		return nil, err
	}
	key, file, err := readFormFields(multipart.NewReader(body, boundary), typed)
	if err != nil {
		return nil, err
	}
	if inForm || key != "" {
		if err := s.admitHeld(c, needed, key); err != nil {
			return nil, err
		}
	}
	done, err := s.takeTable(c, typed, file)
	if isBodyError(err) {
		return nil, bodyError(err, inventory.MaxFileBytes)
	}
	return done, err
}

// admitHeld lets a request in by the key in its form or, where that has none, as any
// other.
func (s *Server) admitHeld(c echo.Context, needed inventory.Role, key string) error {
	find := func() (service.Actor, error) { return s.actor(c, needed) }
	if key != "" {
		if c.Request().Header.Get("Authorization") != "" {
			return &refusal{code: "malformed-request", detail: "A key stands in the header Authorization and another in the form; send one."}
		}
		find = func() (service.Actor, error) { return s.withKey(c, key) }
	}
	actor, err := find()
	if err != nil {
		return err
	}
	return admit(c, actor, needed)
}

// maxFieldBytes of a field of the form, but for its options and its file.
const maxFieldBytes = 4 << 10

// readFormFields reads the fields of a form up to its file, and the file's name as
// another.
func readFormFields(form *multipart.Reader, typed map[string]string) (key string, file *lastPart, err error) {
	known := map[string]bool{}
	for _, group := range uploadGroups(true) {
		for _, field := range group.Fields {
			known[field.Name] = true
		}
	}
	for {
		part, err := form.NextPart()
		switch {
		case isBodyError(err):
			return "", nil, bodyError(err, inventory.MaxFileBytes)
		case errors.Is(err, io.EOF):
			return "", nil, fieldFault("file", "required-member-missing", "choose a file")
		case err != nil:
			return "", nil, &refusal{code: "malformed-request", detail: "The form cannot be read.", cause: err}
		}
		name := part.FormName()
		switch {
		case !known[name]:
			return "", nil, fieldFault(name, "unknown-field", "the form has no field "+quote(name))
		case name == "file":
			typed["file"] = part.FileName()
			if typed["file"] == "" {
				return "", nil, fieldFault("file", "required-member-missing", "choose a file")
			}
			return key, &lastPart{part, form}, nil
		}
		known[name] = false // it stands once
		text, err := readField(part, name)
		if err != nil {
			return "", nil, err
		}
		if name == "key" {
			key = text
			continue
		}
		typed[name] = text
	}
}

// readField reads a field as text, with LF at the end of lines.
func readField(part *multipart.Part, name string) (string, error) {
	most := maxFieldBytes
	if name == "options" {
		most = maxOptionsBytes
	}
	text, err := io.ReadAll(io.LimitReader(part, int64(most)+1))
	switch {
	case err != nil:
		return "", bodyError(err, inventory.MaxFileBytes)
	case len(text) > most:
		return "", fieldFault(name, "too-long", fmt.Sprintf("at most %d bytes", most))
	case !utf8.Valid(text):
		return "", fieldFault(name, "invalid-utf8", "the text is not valid UTF-8")
	}
	return strings.TrimSpace(strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(string(text))), nil
}

func fieldFault(field, code, detail string) error {
	return &service.Error{Code: service.Invalid, Detail: "The form was read, but something is missing or wrong.", Faults: []fault.Fault{{Pointer: clip(fault.Path("").At(field)), Code: code, Detail: detail}}}
}

// lastPart is the file of a form. A field behind it would have been passed over, so
// its end is an error where there is one, and nothing is stored.
type lastPart struct {
	*multipart.Part
	form *multipart.Reader
}

func (l *lastPart) Read(p []byte) (int, error) {
	n, err := l.Part.Read(p)
	if !errors.Is(err, io.EOF) {
		return n, err
	}
	next, more := l.form.NextPart()
	switch {
	case more == nil:
		return n, fieldFault(next.FormName(), "field-behind-file", "the file is the last field of the form, since it is read as it arrives")
	case !errors.Is(more, io.EOF):
		return n, more
	}
	return n, err
}

// takeTable reads the file of a form as its fields say, and publishes it if asked to.
func (s *Server) takeTable(c echo.Context, typed map[string]string, file *lastPart) (*formDone, error) {
	ctx, publish := c.Request().Context(), c.QueryParam("publish") == "true"
	o := inventory.UploadOptions{Form: inventory.FormOf(typed["file"]), Sheet: typed["sheet"]}
	var faults fault.List
	wrong := func(field, code, detail string) { faults.Add(fault.Path("").At(field), code, "%s", detail) }
	yes := func(field string) bool {
		if text := typed[field]; text != "" && text != "true" && text != "false" {
			wrong(field, "not-in-list", "true or false")
		}
		return typed[field] == "true"
	}
	o.DecimalComma = yes("decimal_comma")
	var known bool
	if o.Separator, known = separators[typed["separator"]]; !known {
		wrong("separator", "not-in-list", "comma, semicolon or tab; empty: found from the header")
	}
	slug := typed["inventory"]
	if slug == "" {
		wrong("inventory", "required-member-missing", "the field inventory is empty, missing, or behind the file; it must come before the file, which is read as it arrives and so is the last field of the form")
	}
	before, exists, err := s.service.Meta(ctx, slug)
	if err != nil {
		return nil, err
	}
	o.Meta = inventory.Meta{Invented: yes("invented") || before.Invented, Extends: cmp.Or(typed["extends"], before.Extends)}
	for field, member := range map[string]*string{"name": &o.Meta.Name, "region": &o.Meta.Region, "currency": &o.Meta.Currency} {
		*member = map[string]string{"name": before.Name, "region": before.Region, "currency": before.Currency}[field]
		if typed[field] != "" {
			*member = typed[field]
		}
		if *member == "" && !exists && inventory.ValidSlug(slug) {
			wrong(field, "required-member-missing", "there is no inventory "+quote(slug)+" yet; a new one needs this")
		}
	}
	if publish && typed["note"] == "" {
		wrong("note", "required-member-missing", "say what changed, for those who will ask in a year")
	}
	if !faults.Empty() {
		return nil, &service.Error{Code: service.Invalid, Detail: "The form was read, but something is missing or wrong.", Faults: faults.All()}
	}
	if typed["options"] != "" {
		if err := readUploadOptions([]byte(typed["options"]), &o); err != nil {
			return nil, err
		}
	}
	in, err := s.service.ImportTable(ctx, slug, o, file, typed["note"], !publish)
	if err != nil {
		return nil, err
	}
	return newFormDone(in, typed["file"], publish), nil
}

// separators of a CSV by the names that requests have for them.
var separators = map[string]rune{"": 0, "comma": ',', "semicolon": ';', "tab": '\t'}

// maxChanges are shown of a table's differences; further ones are counted.
const maxChanges = 200

func newFormDone(in *service.Imported, file string, publish bool) *formDone {
	d := &formDone{Imported: in, Heading: "Checked, nothing was stored", File: file, Notes: viewNotes(in.Notes)}
	if publish && in.Published {
		d.Heading, d.Location = "Published "+in.Version.Ref().String(), service.VersionLocation(in.Version.Ref())
		d.Page = pages.Of(d.Location)
	} else if publish {
		d.Heading = in.Version.Ref().String() + " has this content already, nothing was published"
	}
	for _, change := range in.Changes.Changed {
		for _, f := range change.Fields {
			if len(d.Changed) == maxChanges {
				d.MoreChanged++
				continue
			}
			d.Changed = append(d.Changed, formChange{change.Code, f.Column, f.Before, f.After, pages.Percent(f)})
		}
	}
	return d
}

// MaxListed items of a difference are named, for the template.
func (*formDone) MaxListed() int { return maxChanges }

// refuse tells on the page what is wrong: with rows of the file, with fields of the
// form, or with the request as a whole.
func (v *formView) refuse(p problem, err error) {
	v.Refused = &formRefusal{Heading: p.Title, Detail: p.Detail, Request: strings.TrimPrefix(p.Instance, "urn:uuid:")}
	if p.Status < http.StatusInternalServerError { // where the service failed, the store may or may not have been told
		v.Refused.Heading += ", nothing was stored"
	}
	var rows *inventory.UploadError
	if errors.As(err, &rows) {
		v.Refused.Heading = fmt.Sprintf("%d to mend, nothing was stored", len(rows.Rows)+rows.More)
		v.Refused.Detail, v.Refused.More = "", rows.More
		for _, row := range rows.Rows {
			v.Refused.Rows = append(v.Refused.Rows, formRow{placeOf(row), row})
		}
	} else if len(p.Errors) > 0 {
		v.Refused.Heading = fmt.Sprintf("%d to mend, nothing was stored", len(p.Errors))
		v.Refused.Detail = ""
		for _, e := range p.Errors {
			name, _, _ := strings.Cut(strings.TrimPrefix(e.Pointer, "/"), "/")
			f := formWrong{Label: cmp.Or(e.Pointer, "the form"), Code: e.Code, Detail: e.Detail}
			v.eachField(func(field *formField) {
				if field.Name == name {
					f.Field, f.Label, field.Fault = name, field.Label, e.Detail
				}
			})
			v.Refused.Faults = append(v.Refused.Faults, f)
		}
	}
	v.Title = v.Refused.Heading
}

// placeOf says where in a file something is wrong.
func placeOf(row inventory.RowError) string {
	place := "the file"
	if row.Row > 0 {
		place = fmt.Sprintf("row %d", row.Row)
	}
	if row.Column != "" {
		place += ", " + report.Printable(row.Column)
	}
	return place
}
