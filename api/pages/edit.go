package pages

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/labstack/echo/v4"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/service"
)

// maxForm bounds what a form may send.
const maxForm = 1 << 20

// edited is a comparison on its way through the form. Its state is in the page: the whole
// request, packed, in a hidden field, and over it what was typed.
type edited struct {
	doc     document
	written string // as JSON, as it was typed
	asJSON  bool
	open    int
	checked bool // its faults are to be told
	sketch  bool // it began as a sketch, whose amounts are none of anybody's
	from    string
	source  string
	chosen  bool // the study, whose alternatives are then asked for
	focus   fault.Path
	note    string
}

// editView is what the template sees.
type editView struct {
	*form
	Request, Written string
	AsJSON, Checked  bool
	Sketch           bool
	Lacks            []string
	Note             string
	Problem          *Problem
	Wrong            []wrong
	Rows             []alternativeRow
	Open             int
	OpenName         string
	FocusOpen        bool
	FocusSummary     bool
	FocusSource      bool
	Elsewhere        []string
	Lists            []suggestions
	Add              bool
	More             int // alternatives that are not shown
	Studies          []inventory.Study
	From             *inventory.Study
	Source           string
}

type alternativeRow struct {
	At, Name, Like           string
	Baseline, Shown, Up, Low bool
	More                     bool
}

// Edit shows the form of a comparison: of the one that the address names, of a sketch for
// an inventory, or the page on which a new one begins.
func (p *Pages) Edit(c echo.Context) error {
	ctx := c.Request().Context()
	open, _ := strconv.Atoi(c.QueryParam("alternative"))
	e := edited{open: open, asJSON: c.QueryParam("as") == "json"}
	var lacks []string
	switch ref, pinned := inventory.ParseRef(c.QueryParam("inventory")); {
	case c.QueryParam("study") != "":
		_, request, err := p.studyOf(ctx, c.QueryParam("study"))
		if err != nil {
			return err
		}
		if e.doc, err = readDocument(request); err != nil {
			return err
		}
	case pinned:
		version, err := p.desk.Service.Version(ctx, ref.Slug, ref.Number)
		if err != nil {
			return err
		}
		e.doc, lacks = sketch(version)
		e.sketch = true
	case c.QueryParam("request") == "" && c.QueryParam("of") == "":
		return p.begin(c)
	default:
		q, err := p.asked(c)
		if err != nil {
			return err
		}
		done, err := p.roomFor(c, q.Request)
		if err != nil {
			return err
		}
		defer done()
		if e.doc, err = readDocument(q.Request); err != nil {
			return &service.Error{Code: service.Malformed, Detail: "The comparison in the address is not JSON that can be read.", Cause: err}
		}
	}
	return p.showEdit(c, &e, lacks)
}

// largeRequest is a request larger than people write one. As values it takes thirty times
// the room of its text, and an address of 1 KB can unpack to a text of 1 MiB.
const largeRequest = 64 << 10

// roomFor waits for room to take a request apart, where it is a large one.
func (p *Pages) roomFor(c echo.Context, request []byte) (done func(), err error) {
	if len(request) <= largeRequest {
		return func() {}, nil
	}
	return p.desk.Tables(c)
}

// ChangeEdit takes what was typed, does what the button says and shows the form again, or
// goes on to the answer.
func (p *Pages) ChangeEdit(c echo.Context) error {
	typed, err := formOf(c, maxForm)
	if err != nil {
		return err
	}
	e := edited{asJSON: typed.Get("as") == "json", checked: typed.Get("checked") != "", sketch: typed.Get("sketch") != "", from: typed.Get("from"), source: typed.Get("source")}
	e.open, _ = strconv.Atoi(typed.Get("alternative"))
	do := typed.Get("do")
	if e.asJSON {
		e.written = typed.Get("json")
		done, err := p.roomFor(c, []byte(e.written))
		if err != nil {
			return err
		}
		defer done()
		if e.doc, err = readDocument([]byte(e.written)); err != nil {
			e.doc = nil
		}
	} else {
		request, err := readRequest(typed.Get("request"))
		if err != nil {
			return err
		}
		done, err := p.roomFor(c, request)
		if err != nil {
			return err
		}
		defer done()
		if e.doc, err = readDocument(request); err != nil {
			return &service.Error{Code: service.Malformed, Detail: "The comparison in the form is not JSON that can be read.", Cause: err}
		}
	}
	if e.doc != nil && !e.asJSON {
		f, err := p.formOf(c.Request().Context(), &e)
		if err != nil {
			return err
		}
		f.take(typed.Values)
		if focus, known := f.do(do); known {
			e.focus, e.open, do = focus, f.open, ""
		} else {
			e.open = f.open
		}
	}
	switch do {
	case "":
	case "refresh":
		e.chosen = true
	case "json":
		e.asJSON = e.doc != nil
	case "form":
		if e.doc == nil {
			e.checked = true
		} else {
			e.asJSON, e.written = false, ""
		}
	case "copy-mix", "copy-slab", "copy-both", "copy-alternative":
		if err := p.copyFrom(c, &e, strings.TrimPrefix(do, "copy-")); err != nil {
			e.note = p.desk.Explain(c, err).Detail
		}
	case "save":
		if text, ok := e.request(); ok {
			return p.askName(c, text, nil)
		}
		e.checked = true
	case "compare":
		return p.finish(c, &e)
	default:
		e.checked = true
	}
	return p.showEdit(c, &e, nil)
}

// request is the comparison as JSON; of what was typed as JSON the text itself.
func (e *edited) request() (text []byte, ok bool) {
	if e.doc == nil {
		return []byte(e.written), false
	}
	text, err := e.doc.text()
	return text, err == nil
}

// finish computes the comparison and goes on to its page, or tells what is wrong.
func (p *Pages) finish(c echo.Context, e *edited) error {
	text, ok := e.request()
	e.checked = true
	if !ok {
		return p.showEdit(c, e, nil)
	}
	if _, err := p.compared(c.Request().Context(), text); err != nil {
		return p.showEdit(c, e, nil)
	}
	written, err := writeRequest(text)
	if errors.Is(err, errLong) {
		return p.askName(c, text, nil)
	}
	if err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, "/comparison?request="+written)
}

// formOf is the form of a comparison, with the items of its inventory.
func (p *Pages) formOf(ctx context.Context, e *edited) (*form, error) {
	refs, err := p.refs(ctx)
	if err != nil {
		return nil, err
	}
	version, err := p.versionOf(ctx, e.doc.textAt("/inventory"))
	if err != nil {
		return nil, err
	}
	return newForm(e.doc, e.open, version, refs), nil
}

// versionOf is the version that a request names; nil where there is none.
func (p *Pages) versionOf(ctx context.Context, name string) (*inventory.Version, error) {
	ref, pinned := inventory.ParseRef(name)
	var missing *service.Error
	if !pinned && inventory.ValidSlug(name) {
		number, err := p.desk.Service.Newest(ctx, name)
		if errors.As(err, &missing) && missing.Code == service.NotFound {
			return nil, nil
		}
		if err != nil {
			return nil, err
		}
		ref, pinned = inventory.Ref{Slug: name, Number: number}, true
	}
	if !pinned {
		return nil, nil
	}
	version, err := p.desk.Service.Version(ctx, ref.Slug, ref.Number)
	if errors.As(err, &missing) && missing.Code == service.NotFound {
		return nil, nil
	}
	return version, err
}

// showEdit writes the form.
func (p *Pages) showEdit(c echo.Context, e *edited, lacks []string) error {
	ctx := c.Request().Context()
	v := editView{AsJSON: e.asJSON, Checked: e.checked, Sketch: e.sketch, Lacks: lacks, Note: e.note, Written: e.written, Source: e.source, Open: e.open}
	status := http.StatusOK
	text, readable := e.request()
	var faults []Fault
	if e.checked {
		if _, err := p.compared(ctx, text); err != nil {
			problem := p.desk.Explain(c, err)
			v.Problem, faults = &problem, problem.Faults
			if v.FocusSummary = e.focus == ""; v.FocusSummary { // else the form goes on where a button was pressed
				status = problem.Status
			}
		}
	}
	if e.asJSON || !readable {
		v.AsJSON = true
		if v.Written == "" && readable {
			var err error
			if v.Written, err = e.doc.readable(); err != nil {
				return err
			}
		}
		for _, found := range faults {
			v.Wrong = append(v.Wrong, wrong{Fault: found, Where: cmp.Or(found.Pointer, "The text"), Link: "json"})
		}
		return p.Render(c, status, "edit", v.title(), v)
	}
	f, err := p.formOf(ctx, e)
	if err != nil {
		return err
	}
	v.form, v.Open, v.Lists = f, f.open, f.lists
	v.Wrong = f.blame(faults)
	if v.Request, err = packed(text); err != nil {
		return err
	}
	names, alternatives := f.names(), fault.Path("/alternatives")
	full := len(names) >= maxAlternatives
	v.More = max(0, len(names)-maxAlternatives)
	for i, name := range names[:len(names)-v.More] {
		at := alternatives.At(i)
		v.Rows = append(v.Rows, alternativeRow{At: string(at), Name: name, Like: e.doc.textAt(at.At("like")), Baseline: name != "" && name == e.doc.textAt("/baseline"), Shown: i == f.open,
			Up: i > 0, Low: i < len(names)-v.More-1, More: !full})
	}
	v.Add = !full
	if f.open < len(names) {
		v.OpenName = names[f.open]
		object, _ := e.doc.object(alternatives.At(f.open))
		for _, name := range elsewhere(object, alternativeMembers) {
			v.Elsewhere = append(v.Elsewhere, string(alternatives.At(f.open, name)))
		}
	}
	for _, name := range elsewhere(e.doc, slices.Concat(questionMembers, []member{{name: "baseline"}, {name: "alternatives"}})) {
		v.Elsewhere = append(v.Elsewhere, string(fault.Path("").At(name)))
	}
	if e.focus != "" && !f.look(e.focus) {
		v.FocusOpen = true
	}
	if v.Studies, err = p.desk.Service.Studies(ctx, service.StudyQuery{StudyFilter: inventory.StudyFilter{Sort: inventory.SortCreated, Descending: true}}, maxStudies); err != nil {
		return err
	}
	if e.from != "" {
		study, err := p.desk.Service.Study(ctx, e.from)
		if err == nil {
			v.From, v.FocusSource = &study, e.chosen
			v.FocusSummary = v.FocusSummary && !e.chosen
		}
	}
	return p.Render(c, status, "edit", v.title(), v)
}

// title tells first what has to be mended, for those who hear it before the page.
func (v *editView) title() string {
	if n := len(v.Wrong); n > 0 {
		return strconv.Itoa(n) + " to mend · Build a comparison"
	}
	return "Build a comparison"
}

// copyFrom copies the mix, the slab or the whole of an alternative of a saved study, with
// all that it takes over from others there.
func (p *Pages) copyFrom(c echo.Context, e *edited, what string) error {
	ctx := c.Request().Context()
	if e.doc == nil {
		return nil
	}
	study, request, err := p.studyOf(ctx, e.from)
	if err != nil {
		return err
	}
	resp, err := p.compared(ctx, request)
	if err != nil {
		return err
	}
	for i := range resp.Alternatives {
		a := &resp.Alternatives[i]
		if a.Name != e.source {
			continue
		}
		text, err := json.Marshal(a.Resolved)
		if err != nil {
			return err
		}
		whole, err := readDocument(text)
		if err != nil {
			return err
		}
		alternatives, _ := e.doc.list("/alternatives")
		at := fault.Path("/alternatives").At(e.open)
		if what == "alternative" {
			if len(alternatives) >= maxAlternatives {
				e.note = "There are as many alternatives as a comparison may have."
				return nil
			}
			f := form{doc: e.doc}
			whole["name"] = f.unused(a.Name)
			delete(whole, "strategy") // its plan is among the members
			e.open = len(alternatives)
			e.doc.put("/alternatives", append(alternatives, map[string]any(whole)))
			e.focus = fault.Path("/alternatives").At(e.open, "name")
		}
		for _, part := range []string{"mix", "slab"} {
			if copiedPart, ok := whole[part]; ok && (what == part || what == "both") {
				e.doc.put(at.At(part), copiedPart)
				e.focus = at.At(part)
			}
		}
		e.note = "Copied from “" + a.Name + "” of the study “" + study.Name + "”."
		return nil
	}
	e.note = "Choose one of the alternatives of the study."
	return nil
}
