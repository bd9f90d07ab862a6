package pages

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"slabledger/inventory"
	"slabledger/service"
)

// manyItems in a draft are a table, of which few are worked on at once.
const manyItems = 10_000

// draftAddress is the page of a draft.
func draftAddress(slug, id string) string { return "/inventories/" + slug + "/drafts/" + id }

// CreateDraft begins a draft from a version.
func (p *Pages) CreateDraft(c echo.Context) error {
	f, err := formOf(c, maxFormBytes)
	if err != nil {
		return err
	}
	return p.once(c, f, func(retry *inventory.Retry) (string, error) {
		r, err := p.desk.Service.CreateDraft(c.Request().Context(), retry, c.Param("slug"), f.text("from"), nil)
		if err != nil {
			return "", err
		}
		return service.DraftLocation(r.Draft.Slug, r.Draft.ID), nil
	})
}

// draftNotice is what a person is told above a draft.
type draftNotice struct {
	Bad           bool
	Heading, Text string
	Faults        []Fault
}

// Draft shows a draft with all that is to be known before it is published.
func (p *Pages) Draft(c echo.Context) error {
	var notice *draftNotice
	switch code := c.QueryParam("saved"); {
	case code != "" && inventory.ValidSlug(code):
		notice = &draftNotice{Heading: "Saved", Text: "The item " + code + " is in the draft."}
	case inventory.ValidSlug(c.QueryParam("removed")):
		notice = &draftNotice{Heading: "Removed", Text: "The item " + c.QueryParam("removed") + " is no longer the draft's own."}
	}
	return p.showDraft(c, http.StatusOK, notice, sent{}, "")
}

// showDraft shows a draft with a notice, and what was typed in the form to publish it.
func (p *Pages) showDraft(c echo.Context, status int, notice *draftNotice, typed sent, noteFault string) error {
	ctx, slug, id := c.Request().Context(), c.Param("slug"), c.Param("draft")
	r, err := p.desk.Service.Draft(ctx, slug, id, number(c, "against"))
	if err != nil {
		return err
	}
	view := struct {
		*service.Review
		Address, Once   string
		Notice          *draftNotice
		Note, NoteFault string
		Text            string // that items are looked for by
		Items           []shownItem
		ItemsPager      pager
		Base            inventory.Ref // that it began from, where it is not what it is set against
		difference
	}{Review: r, Address: draftAddress(slug, id), Once: newName(), Notice: notice, Note: typed.Get("note"), NoteFault: noteFault, Text: strings.TrimSpace(c.QueryParam("q"))}
	if r.Draft.Base > 0 && r.Draft.Base != r.Against.Number {
		view.Base = inventory.Ref{Slug: slug, Number: r.Draft.Base}
	}
	wanted := inventory.ItemFilter{Text: view.Text}.Wanted()
	var found []*inventory.Item
	for i := range r.Resolved {
		if wanted(&r.Resolved[i]) {
			found = append(found, &r.Resolved[i])
		}
	}
	page, at, err := paged(c, found, perPage, "page", "items")
	if err != nil {
		return err
	}
	view.ItemsPager = at
	for _, i := range page {
		view.Items = append(view.Items, showItem(ShownOf(c), i))
	}
	if view.difference, err = showDifference(c, r.Changes); err != nil {
		return err
	}
	return p.Render(c, status, "draft", "Draft of "+slug, view)
}

// changedMeanwhile answers a form that was filled in on a state of a draft that is no
// longer the present one.
func (p *Pages) changedMeanwhile(c echo.Context, typed sent, not string) error {
	return p.showDraft(c, http.StatusPreconditionFailed, &draftNotice{Bad: true, Heading: "The draft has changed since you opened it",
		Text: "Nothing was " + not + ". This is the draft as it is now; if what you wanted is still right, do it again."}, typed, "")
}

// PublishDraft makes a draft the next version of its inventory.
func (p *Pages) PublishDraft(c echo.Context) error {
	f, err := formOf(c, maxFormBytes)
	if err != nil {
		return err
	}
	done, err := p.desk.Tables(c)
	if err != nil {
		return err
	}
	defer done()
	err = p.once(c, f, func(retry *inventory.Retry) (string, error) {
		v, err := p.desk.Service.PublishDraft(c.Request().Context(), retry, c.Param("slug"), c.Param("draft"), f.revision(), f.text("note"))
		if err != nil {
			return "", err
		}
		return service.VersionLocation(v.Ref()), nil
	})
	switch {
	case hasCode(err, service.Stale):
		return p.changedMeanwhile(c, f, "published")
	case hasCode(err, service.Invalid):
		problem := p.desk.Explain(c, err)
		notice := &draftNotice{Bad: true, Heading: "Nothing was published"}
		noteFault := ""
		for _, fault := range problem.Faults {
			if fault.Pointer == "/note" {
				noteFault = fault.Detail
			}
			notice.Faults = append(notice.Faults, fault)
		}
		return p.showDraft(c, problem.Status, notice, f, noteFault)
	}
	return err
}

// AskToDeleteDraft asks whether a draft is to be deleted.
func (p *Pages) AskToDeleteDraft(c echo.Context) error {
	d, _, err := p.desk.Service.DraftWithItem(c.Request().Context(), c.Param("slug"), c.Param("draft"), "")
	if err != nil {
		return err
	}
	return p.Render(c, http.StatusOK, "deletedraft", "Delete a draft", struct {
		inventory.Draft
		Address string
	}{d, draftAddress(d.Slug, d.ID)})
}

// DeleteDraft gives a draft up.
func (p *Pages) DeleteDraft(c echo.Context) error {
	f, err := formOf(c, maxFormBytes)
	if err != nil {
		return err
	}
	err = p.desk.Service.DeleteDraft(c.Request().Context(), nil, c.Param("slug"), c.Param("draft"), f.revision())
	if hasCode(err, service.Stale) {
		return p.changedMeanwhile(c, f, "deleted")
	}
	if err != nil {
		return err
	}
	to := "/inventories"
	if _, published, err := p.desk.Service.Meta(c.Request().Context(), c.Param("slug")); err == nil && published {
		to += "/" + c.Param("slug")
	}
	return c.Redirect(http.StatusSeeOther, to)
}

// RemoveItem takes an item of its own out of a draft.
func (p *Pages) RemoveItem(c echo.Context) error {
	f, err := formOf(c, maxFormBytes)
	if err != nil {
		return err
	}
	slug, id, code := c.Param("slug"), c.Param("draft"), c.Param("code")
	_, err = p.desk.Service.RemoveItem(c.Request().Context(), nil, slug, id, f.revision(), code)
	if hasCode(err, service.Stale) {
		return p.changedMeanwhile(c, f, "removed")
	}
	if err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, draftAddress(slug, id)+"?removed="+url.QueryEscape(code))
}

// shownField is a field of the form of an item.
type shownField struct {
	columnField
	Value, Fault string
}

type shownGroup struct {
	columnGroup
	Fields []shownField
	Open   bool
}

// sideBySide is a field that was typed otherwise than the draft has it now.
type sideBySide struct{ Label, Typed, Now string }

// itemForm is the form of an item.
type itemForm struct {
	Draft     inventory.Draft
	Address   string // of the draft
	Action    string // where the form goes
	Code      string
	CodeFault string
	New       bool
	Layer     bool // it is taken over from what the draft extends
	Groups    []shownGroup
	Faults    []Fault // with the names of fields as pointers; empty: of the item as a whole
	Savable   bool    // with what is wrong all the same
	Changed   bool    // the draft, since the form was opened
	Gone      bool    // the item, from the draft
	Beside    []sideBySide
}

// showItemForm shows the form of an item with the values given, by column.
func (p *Pages) showItemForm(c echo.Context, status int, view itemForm, values map[string]string) error {
	view.Address = draftAddress(view.Draft.Slug, view.Draft.ID)
	title := "Add an item"
	view.Action = view.Address + "/new-item"
	if !view.New {
		view.Action, title = view.Address+"/items/"+view.Code, "Change "+view.Code
	}
	faults := map[string]string{}
	for _, f := range view.Faults {
		faults[f.Pointer] = cmp.Or(faults[f.Pointer], f.Detail)
	}
	view.CodeFault = faults["code"]
	for _, group := range columnGroups {
		g := shownGroup{columnGroup: group}
		for _, field := range group.Fields {
			g.Fields = append(g.Fields, shownField{field, values[field.Name], faults[field.Name]})
			g.Open = g.Open || values[field.Name] != "" || faults[field.Name] != ""
		}
		view.Groups = append(view.Groups, g)
	}
	if len(view.Faults) > 0 || view.Changed {
		title = "Not saved: " + title
	}
	return p.Render(c, status, "draftitem", title, view)
}

// valuesOf are the columns of an item that the form has.
func valuesOf(i *inventory.Item) map[string]string {
	values := map[string]string{}
	for _, column := range inventory.Columns() {
		values[column.Name] = column.Text(i)
	}
	return values
}

// NewItem shows an empty form.
func (p *Pages) NewItem(c echo.Context) error {
	d, _, err := p.desk.Service.DraftItem(c.Request().Context(), c.Param("slug"), c.Param("draft"), "")
	if err != nil {
		return err
	}
	return p.showItemForm(c, http.StatusOK, itemForm{Draft: d, New: true}, map[string]string{"price_tax": inventory.TaxExcluded})
}

// DraftItem shows the form of an item of a draft.
func (p *Pages) DraftItem(c echo.Context) error {
	code := c.Param("code")
	d, item, err := p.desk.Service.DraftItem(c.Request().Context(), c.Param("slug"), c.Param("draft"), code)
	if err != nil {
		return err
	}
	if item == nil {
		return &service.Error{Code: service.NotFound, Detail: "The draft has no item of this code."}
	}
	return p.showItemForm(c, http.StatusOK, itemForm{Draft: d, Code: code, Layer: inventory.Find(d.Items, code) == nil}, valuesOf(item))
}

// readItem reads the columns of the form into an item, and what cannot be read.
func readItem(f sent, code, currency string) (item *inventory.Item, values map[string]string, faults []Fault) {
	item, values = &inventory.Item{Code: code}, map[string]string{}
	priced := f.text("price") != ""
	for _, group := range columnGroups {
		for _, field := range group.Fields {
			values[field.Name] = f.text(field.Name)
		}
	}
	// The tax alone is what an empty form is filled in with.
	lacks := ""
	for _, column := range inventory.Columns() {
		value, ofPrice := values[column.Name], strings.HasPrefix(column.Name, "price")
		if value == "" || ofPrice && !priced {
			if value != "" && column.Name != "price_tax" {
				lacks = column.Name
			}
			continue
		}
		if err := column.Set(item, value); err != nil {
			faults = append(faults, Fault{column.Name, "not-read", fmt.Sprintf("%q cannot be read: %v", value, err)})
		}
	}
	if lacks != "" {
		faults = append(faults, Fault{"price", "required-member-missing", "There is no price, but something about it (" + columnLabel(lacks) + "). Give the price, or empty what is about it."})
	}
	if priced && item.Price != nil {
		item.Price.Currency = currency
	}
	return item, values, faults
}

// SaveNewItem adds an item to a draft.
func (p *Pages) SaveNewItem(c echo.Context) error {
	f, err := formOf(c, maxFormBytes)
	if err != nil {
		return err
	}
	return p.saveItem(c, f, f.text("code"), true)
}

// SaveItem changes an item of a draft.
func (p *Pages) SaveItem(c echo.Context) error {
	f, err := formOf(c, maxFormBytes)
	if err != nil {
		return err
	}
	return p.saveItem(c, f, c.Param("code"), false)
}

func (p *Pages) saveItem(c echo.Context, f sent, code string, isNew bool) error {
	ctx, slug, id := c.Request().Context(), c.Param("slug"), c.Param("draft")
	d, now, err := p.desk.Service.DraftWithItem(ctx, slug, id, code)
	if err != nil {
		return err
	}
	if !isNew && now == nil && !inventory.ValidSlug(code) {
		return &service.Error{Code: service.NotFound, Detail: "The draft has no item of this code."}
	}
	if len(d.Items) > manyItems { // which takes a while to be checked and stored
		done, err := p.desk.Tables(c)
		if err != nil {
			return err
		}
		defer done()
	}
	item, values, faults := readItem(f, code, d.Meta.Currency)
	saved := draftAddress(slug, id) + "?saved=" + url.QueryEscape(code)
	if d.Revision != f.revision() {
		if now != nil && len(faults) == 0 && slices.Equal(cellsOf(now), cellsOf(item)) {
			return c.Redirect(http.StatusSeeOther, saved) // as after a double click
		}
		return p.showChanged(c, d, now, code, isNew, values)
	}
	view := itemForm{Draft: d, Code: code, New: isNew, Faults: faults, Layer: now != nil && inventory.Find(d.Items, code) == nil}
	switch {
	case isNew && !inventory.ValidSlug(code):
		view.Faults = append(view.Faults, Fault{"code", "slug-invalid", "1 to 63 small letters, digits, dots and hyphens, beginning with a letter or digit; it is for ever."})
	case isNew && now != nil:
		view.Faults = append(view.Faults, Fault{"code", "duplicate-code", "The draft has an item of this code."})
	}
	if len(view.Faults) == 0 && f.Get("anyway") == "" {
		problems, err := p.desk.Service.ItemProblems(ctx, d, item)
		if err != nil {
			return err
		}
		for _, problem := range problems {
			detail := problem.Detail
			if problem.Found != "" {
				detail = fmt.Sprintf("found %q; accepted: %s", problem.Found, detail)
			}
			view.Faults = append(view.Faults, Fault{problem.Column, problem.Code, detail})
		}
		view.Savable = true
	}
	if len(view.Faults) > 0 {
		return p.showItemForm(c, http.StatusUnprocessableEntity, view, values)
	}
	_, err = p.desk.Service.PutItem(ctx, nil, slug, id, d.Revision, item)
	if hasCode(err, service.Stale) { // in between
		if d, now, err = p.desk.Service.DraftWithItem(ctx, slug, id, code); err != nil {
			return err
		}
		return p.showChanged(c, d, now, code, isNew, values)
	}
	if err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, saved)
}

// showChanged shows what was typed beside what the draft has now, to save on that.
func (p *Pages) showChanged(c echo.Context, d inventory.Draft, now *inventory.Item, code string, isNew bool, typed map[string]string) error {
	view := itemForm{Draft: d, Code: code, New: isNew && now == nil, Changed: true, Gone: now == nil && !isNew}
	has := map[string]string{}
	if now != nil {
		has = valuesOf(now)
	}
	for _, group := range columnGroups {
		for _, field := range group.Fields {
			if typed[field.Name] != has[field.Name] {
				view.Beside = append(view.Beside, sideBySide{field.Label, typed[field.Name], has[field.Name]})
			}
		}
	}
	return p.showItemForm(c, http.StatusPreconditionFailed, view, typed)
}
