package pages

import (
	"bytes"
	"compress/flate"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/labstack/echo/v4"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/service"
	"slabledger/service/report"
)

// A comparison that is not saved stands in the address of its page, so that a link shares
// it, the back button takes a change back, and two tabs do not disturb each other. It is
// the canonical JSON of the request (RFC 8785), deflated (RFC 1951), in base64url (RFC
// 4648, 5).
const (
	// maxWritten is the longest text of a request in an address; with it, the address fits
	// into the head of a request (16 KiB).
	maxWritten = 12 << 10
	// maxRead bounds what a short text may unpack to.
	maxRead = 1 << 20
)

// errLong is the fault of a comparison too large for an address.
var errLong = errors.New("the comparison is too long for an address; save it to share it")

// writeRequest is a request as a text for an address, or errLong.
func writeRequest(request []byte) (string, error) {
	text, err := packed(request)
	if err == nil && len(text) > maxWritten {
		return "", errLong
	}
	return text, err
}

// packed is a request as a text that a form carries along, of any length.
func packed(request []byte) (string, error) {
	canonical := jsontext.Value(bytes.Clone(request))
	if err := canonical.Canonicalize(); err != nil {
		return "", err
	}
	var out bytes.Buffer
	w, err := flate.NewWriter(&out, flate.BestCompression)
	if err != nil {
		return "", err
	}
	if _, err := w.Write(canonical); err != nil {
		return "", err
	}
	if err := w.Close(); err != nil {
		return "", err
	}
	return base64.RawURLEncoding.EncodeToString(out.Bytes()), nil
}

// readRequest reads what writeRequest wrote.
func readRequest(text string) ([]byte, error) {
	broken := func(err error) error {
		return &service.Error{Code: service.Malformed, Detail: "The comparison in the address cannot be read; perhaps the end of the address was cut off.", Cause: err}
	}
	packed, err := base64.RawURLEncoding.Strict().DecodeString(text)
	if err != nil {
		return nil, broken(err)
	}
	r := flate.NewReader(bytes.NewReader(packed))
	request, err := io.ReadAll(io.LimitReader(r, maxRead+1))
	switch {
	case err != nil:
		return nil, broken(err)
	case len(request) > maxRead:
		return nil, broken(errLong)
	}
	return request, nil
}

// pinnedIn is the version that a request names.
func pinnedIn(request []byte) (inventory.Ref, bool) {
	var named struct {
		Inventory string `json:"inventory"`
	}
	if err := json.Unmarshal(request, &named); err != nil {
		return inventory.Ref{}, false
	}
	return inventory.ParseRef(named.Inventory)
}

// question is the comparison that a page is about.
type question struct {
	Name    string           // for people; empty where it has none of its own
	Study   *inventory.Study // that it is saved as; nil where it is not
	Request []byte
}

// asked reads which comparison the address means: a saved study by the path, the demo by
// of=demo, else the request that is written in it.
func (p *Pages) asked(c echo.Context) (question, error) {
	if c.Param("study") != "" {
		study, request, err := p.study(c)
		return question{study.Name, &study, request}, err
	}
	if text := c.QueryParam("request"); text != "" {
		request, err := readRequest(text)
		return question{Request: request}, err
	}
	if c.QueryParam("of") == "demo" {
		if !p.hasDemo(c) {
			return question{}, &service.Error{Code: service.NotFound, Detail: "The inventory of the demo comparison is not published here."}
		}
		return question{Name: "Demo: three slabs for one road", Request: p.desk.Demo}, nil
	}
	return question{}, errNone
}

// headed is what a comparison without a name is called: its alternatives, what is asked of
// them, and where.
func headed(r *service.ComparisonResponse, shown report.Shown) string {
	const told, most = 3, 40
	var names []string
	for i := range r.Alternatives {
		name := []rune(r.Alternatives[i].Name)
		if len(name) > most {
			name = append(name[:most-1], '…')
		}
		names = append(names, "“"+string(name)+"”")
	}
	if len(names) > told {
		names = append(names[:told-1], fmt.Sprintf("%d others", len(names)-told+1))
	}
	if len(names) == 0 {
		return "Comparison"
	}
	of := names[0]
	if last := len(names) - 1; last > 0 {
		of = strings.Join(names[:last], ", ") + " and " + names[last]
	}
	return fmt.Sprintf("%s: %s over %d years in %s", of, shown.Area(r.FunctionalUnit.AreaM2.Decimal), r.FunctionalUnit.AnalysisPeriodYears, r.Inventory.Region)
}

// Asked reads which comparison the address means: the study that it is saved as, or nil,
// and its request. An address that names none is not found.
func (p *Pages) Asked(c echo.Context) (*inventory.Study, []byte, error) {
	q, err := p.asked(c)
	var told *service.Error
	if err != nil && !errors.As(err, &told) {
		err = &service.Error{Code: service.NotFound, Detail: "The address names no comparison.", Cause: err}
	}
	return q.Study, q.Request, err
}

// errNone: the address names no comparison.
var errNone = errors.New("the address names no comparison")

// study is the study of the path, with the comparison that it saves.
func (p *Pages) study(c echo.Context) (inventory.Study, []byte, error) {
	return p.studyOf(c.Request().Context(), c.Param("study"))
}

// studyOf is the study of an id, which can be anything that was written into an address.
func (p *Pages) studyOf(ctx context.Context, id string) (inventory.Study, []byte, error) {
	if report.Printable(id) != id || len(id) > maxID {
		return inventory.Study{}, nil, &service.Error{Code: service.NotFound, Detail: "There is no such study."}
	}
	return p.desk.Service.StudyRequest(ctx, id)
}

// maxID is longer than the id of any study.
const maxID = 64

// compared computes the comparison of a question, after it was held against the contract.
func (p *Pages) compared(ctx context.Context, request []byte) (*service.ComparisonResponse, error) {
	return used(ctx, p, "compare", request, p.desk.Service.Compare)
}

// used answers a body by the use case of an operation, after it was held against the
// contract, when there is room for it.
func used[R any](ctx context.Context, p *Pages, operationID string, body []byte, use func(context.Context, []byte, ...fault.Fault) (R, error)) (answer R, err error) {
	accepted, refused, err := p.desk.Check(operationID, body)
	if err != nil {
		return answer, err
	}
	err = p.desk.Compute(ctx, operationID, func(ctx context.Context) (err error) {
		answer, err = use(ctx, accepted, refused...)
		return err
	})
	return answer, err
}

// opened is a comparison that a page shows, with what the address changes of it.
type opened struct {
	question
	Path      string // of its first page
	Address   string // of this page
	Before    *service.ComparisonResponse
	After     *service.ComparisonResponse // as changed; Before where nothing is, or where that cannot be computed
	What      *whatIf
	Withdrawn *inventory.Withdrawal
	Tabs      []tab
	Views     []view

	query url.Values
}

// tab is a page of a comparison.
type tab struct {
	Name, Href string
	Here       bool
}

// view is a pick of how figures are shown.
type view struct {
	Name string
	Tabs []tab
}

// Changed tells whether the figures shown are those of a change.
func (o *opened) Changed() bool { return o.After != o.Before }

// AfterRequest is the comparison that After answers.
func (o *opened) AfterRequest() []byte {
	if o.Changed() {
		return o.What.request
	}
	return o.Request
}

// at is the address of another page of the comparison, with what this one's keeps and
// some parameters anew.
func (o *opened) at(page string, pairs ...string) string {
	query := url.Values{}
	for name, values := range o.query {
		if slices.Contains([]string{"of", "request", "basis", "units"}, name) || changesComparison(name) {
			query[name] = values
		}
	}
	return addressOf(o.Path+page, query, pairs...)
}

// addressOf is a path with a query, of which some parameters are set anew.
func addressOf(path string, query url.Values, pairs ...string) string {
	for i := 0; i+1 < len(pairs); i += 2 {
		query.Set(pairs[i], pairs[i+1])
	}
	if len(query) == 0 {
		return path
	}
	return path + "?" + query.Encode()
}

// InventorySlug is the inventory that the comparison rests on.
func (o *opened) InventorySlug() string {
	slug, _, _ := strings.Cut(o.Before.Inventory.Ref, "@")
	return slug
}

// Lines is where the lines of an alternative are.
func (o *opened) Lines(alternative string) string { return o.at("/lines", "alternative", alternative) }

// Tried is the first page, on which changes are tried.
func (o *opened) Tried() string { return o.at("") }

// Source is where the source of an item is told.
func (o *opened) Source(code string) string { return o.at("/sources") + "#" + code }

// Edit is where the comparison as shown can be edited; empty where an address cannot
// hold it.
func (o *opened) Edit() string { return o.led("/comparison/edit") }

// Run is where a run of an operation is started on the comparison as shown; empty where
// an address cannot hold it.
func (o *opened) Run(operation string) string { return o.led("/runs/new", "operation", operation) }

// led is the address of another page that is told which comparison is shown.
func (o *opened) led(path string, pairs ...string) string {
	query := url.Values{}
	switch {
	case o.Changed():
		text, err := writeRequest(o.AfterRequest())
		if err != nil {
			return ""
		}
		query.Set("request", text)
	case o.Study != nil:
		query.Set("study", o.Study.ID)
	default:
		for _, name := range []string{"of", "request"} {
			if o.query.Has(name) {
				query.Set(name, o.query.Get(name))
			}
		}
	}
	return addressOf(path, query, pairs...)
}

// Apart is the address of the comparison as shown, as one of its own; empty where an
// address cannot hold it.
func (o *opened) Apart() string {
	text, err := writeRequest(o.AfterRequest())
	if err != nil {
		return ""
	}
	return addressOf("/comparison", url.Values{"request": {text}})
}

// Take is where the comparison as shown is had in another form: the page of that name,
// with some parameters. It is empty where an address cannot hold a changed comparison.
func (o *opened) Take(page string, pairs ...string) (string, error) {
	path, query := o.Path+page, url.Values{}
	for _, name := range []string{"of", "request", "basis", "units"} {
		if o.query.Has(name) && (page == "/report" || name == "of" || name == "request") {
			query.Set(name, o.query.Get(name))
		}
	}
	if o.Changed() {
		text, err := writeRequest(o.AfterRequest())
		if errors.Is(err, errLong) {
			return "", nil
		}
		if err != nil {
			return "", err
		}
		path = "/comparison" + page
		query.Del("of")
		query.Set("request", text)
	}
	return addressOf(path, query, pairs...), nil
}

// Tables are the tables that a comparison is had as.
func (o *opened) Tables() []string { return report.Tables() }

// Hidden are the parameters that the form of changes leaves alone.
func (o *opened) Hidden() []pick { return hidden(unchanged(o.query)) }

func hidden(query url.Values) (list []pick) {
	for _, name := range slices.Sorted(maps.Keys(query)) {
		for _, value := range query[name] {
			list = append(list, pick{name, value})
		}
	}
	return list
}

// Back is the address without one change, or without any.
func (o *opened) Back(name ...string) string {
	query := maps.Clone(o.query)
	for _, n := range name {
		query.Del(n)
	}
	if len(name) == 0 {
		query = unchanged(query)
	}
	return addressOf(o.Path, query)
}

// tabs are the pages of a comparison: their path behind its own, and what they are called.
var tabs = []struct{ page, name string }{{"", "Answer"}, {"/certainty", "How sure"}, {"/sensitivity", "What moves it"}, {"/lines", "Lines"}, {"/sources", "Sources"}}

// open shows a page of the comparison that the address names. An address that says a
// change twice, or one that is none, is led to the one that says it once.
func (p *Pages) open(c echo.Context, page string, show func(echo.Context, *opened) error) error {
	ctx := c.Request().Context()
	o := &opened{Path: "/comparison", Address: c.Request().URL.RequestURI(), query: c.QueryParams()}
	var err error
	if o.question, err = p.asked(c); errors.Is(err, errNone) {
		return p.nothingAsked(c)
	} else if err != nil {
		return err
	}
	if o.Study != nil {
		o.Path = studyPath(o.Study.ID)
	}
	if o.Before, err = p.compared(ctx, o.Request); err != nil {
		problem := p.desk.Explain(c, err)
		if len(problem.Faults) > 0 {
			problem.More = []tab{{Name: "Edit the comparison", Href: o.Edit()}}
		}
		return p.ShowProblem(c, problem)
	}
	o.After = o.Before
	if o.Name == "" {
		o.Name = headed(o.Before, ShownOf(c))
	}
	ref, _ := inventory.ParseRef(o.Before.Inventory.Ref)
	version, err := p.desk.Service.Version(ctx, ref.Slug, ref.Number)
	if err != nil {
		return err
	}
	withdrawn, err := p.desk.Service.Withdrawn(ctx, ref.Slug)
	if err != nil {
		return err
	}
	if w, gone := withdrawn[ref.Number]; gone {
		o.Withdrawn = &w
	}
	if o.What, err = newWhatIf(o.Request, o.query, version, o.Before.Sources); err != nil {
		return err
	}
	if plain := o.What.query(o.query); plain.Encode() != o.query.Encode() {
		return c.Redirect(http.StatusSeeOther, addressOf(c.Request().URL.EscapedPath(), plain))
	}
	changed, err := o.What.apply()
	if err != nil {
		return err
	}
	if len(o.What.Changed()) > 0 {
		answer, err := p.compared(ctx, changed)
		if err == nil {
			o.After = answer
		} else if problem := p.desk.Explain(c, err); len(problem.Faults) > 0 {
			o.What.blame(problem.Faults)
		} else {
			return err
		}
	}
	if o.What.Broken() && page != "" {
		return c.Redirect(http.StatusSeeOther, o.at(""))
	}
	for _, t := range tabs {
		o.Tabs = append(o.Tabs, tab{t.name, o.at(t.page), t.page == page})
	}
	if o.Views, err = viewsOf(o.Address, ShownOf(c)); err != nil {
		return err
	}
	return show(c, o)
}

// viewsOf are the ways to show figures, each a link that keeps all else of an address.
func viewsOf(address string, shown report.Shown) ([]view, error) {
	area, length := "m²", "lane-km"
	if shown.US {
		area, length = "yd²", "lane-mile"
	}
	basis, units := view{Name: "Figures"}, view{Name: "Units"}
	for _, t := range []struct {
		of                     *view
		parameter, value, name string
		here                   bool
	}{
		{&basis, "basis", "", "per " + area, shown.Basis == report.PerArea},
		{&basis, "basis", string(report.WholeJob), "for the whole area", shown.Basis == report.WholeJob},
		{&basis, "basis", string(report.PerLane), "per " + length, shown.Basis == report.PerLane},
		{&units, "units", "", "SI", !shown.US},
		{&units, "units", "us", "US customary", shown.US},
	} {
		to, err := with(address, t.parameter, t.value)
		if err != nil {
			return nil, err
		}
		t.of.Tabs = append(t.of.Tabs, tab{t.name, to, t.here})
	}
	return []view{basis, units}, nil
}
