package pages

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"slabledger/inventory"
	"slabledger/service"
	"slabledger/service/report"
)

const (
	perPage        = 50  // inventories, items and runs
	changesPerPage = 200 // rows of a difference
	namedItems     = 200 // that a difference adds or removes
)

// Inventories lists what there is.
func (p *Pages) Inventories(c echo.Context) error {
	ctx := c.Request().Context()
	found, err := p.desk.Service.Inventories(ctx, c.QueryParam("after"), perPage+1)
	if err != nil {
		return err
	}
	type row struct {
		inventory.Summary
		Drafts    []inventory.Draft
		Withdrawn bool // the newest version is
		Gone      int  // versions that are
	}
	view := struct {
		Rows []row
		Next string
	}{}
	if len(found) > perPage {
		found = found[:perPage]
		if view.Next, err = with("/inventories", "after", found[perPage-1].Slug); err != nil {
			return err
		}
	}
	for _, summary := range found {
		r := row{Summary: summary}
		if r.Drafts, err = p.drafts(c, summary.Slug); err != nil {
			return err
		}
		withdrawn, err := p.desk.Service.Withdrawn(ctx, summary.Slug)
		if err != nil {
			return err
		}
		_, r.Withdrawn = withdrawn[summary.Newest.Number]
		r.Gone = len(withdrawn)
		view.Rows = append(view.Rows, r)
	}
	return p.Render(c, http.StatusOK, "inventories", "Inventories", view)
}

// drafts lists the drafts of an inventory for those who may see them.
func (p *Pages) drafts(c echo.Context, slug string) ([]inventory.Draft, error) {
	if !may(c, inventory.Analyst) {
		return nil, nil
	}
	return p.desk.Service.Drafts(c.Request().Context(), slug)
}

// versionAsked is the version that the address names, by default the newest that is not
// withdrawn.
func (p *Pages) versionAsked(c echo.Context) (*inventory.Version, error) {
	ctx, slug := c.Request().Context(), c.Param("slug")
	at := number(c, "version")
	if at == 0 {
		if c.QueryParam("version") != "" {
			return nil, &service.Error{Code: service.NotFound, Detail: "A version is a number from 1."}
		}
		var err error
		if at, err = p.desk.Service.Newest(ctx, slug); err != nil {
			return nil, err
		}
	}
	return p.desk.Service.Version(ctx, slug, at)
}

// shownItem is an item as a table shows it.
type shownItem struct {
	*inventory.Item
	Amount     string // of the price
	Factors    []shownFactor
	Instead    string // the version whose item it takes the place of; empty: none
	Expired    bool   // on the day asked for
	PriceUntil string
	OneSource  bool // of price and factors
}

type shownFactor struct{ Module, Value string }

func showItem(shown report.Shown, i *inventory.Item) shownItem {
	s := shownItem{Item: i}
	if i.Price != nil {
		s.Amount, s.PriceUntil = shown.Plain(i.Price.Amount), i.Price.ValidUntil
		s.OneSource = i.FactorSource != nil && i.Price.Source == *i.FactorSource
	}
	for _, key := range inventory.FactorKeys() {
		if d, has := i.Factors[key]; has {
			s.Factors = append(s.Factors, shownFactor{key, shown.Plain(d)})
		}
	}
	return s
}

// Inventory shows a version of an inventory: its items as far as they are asked for.
func (p *Pages) Inventory(c echo.Context) error {
	ctx, slug, shown := c.Request().Context(), c.Param("slug"), ShownOf(c)
	type listed struct {
		inventory.Version
		Withdrawn *inventory.Withdrawal
		Here      bool
	}
	view := struct {
		Slug       string
		Version    *inventory.Version
		Withdrawn  *inventory.Withdrawal
		Versions   []listed
		Drafts     []inventory.Draft
		Begun      bool // only by drafts: nothing is published yet
		Once       string
		Filter     inventory.ItemFilter
		DayFault   string
		Filtered   bool
		Categories []inventory.Category
		Kinds      []inventory.SourceKind
		Items      []shownItem
		Pager      pager
		Address    string
	}{Slug: slug, Once: newName(), Categories: inventory.Categories(), Kinds: inventory.SourceKinds(), Address: c.Request().URL.RequestURI(),
		Filter: inventory.ItemFilter{Category: inventory.Category(c.QueryParam("category")), Text: strings.TrimSpace(c.QueryParam("q")), SourceKind: inventory.SourceKind(c.QueryParam("source_kind")),
			Missing: c.QueryParam("missing"), ExpiredBy: c.QueryParam("expired_by")}}
	var err error
	if view.Drafts, err = p.drafts(c, slug); err != nil {
		return err
	}
	versions, err := p.desk.Service.Versions(ctx, slug)
	if hasCode(err, service.NotFound) && len(view.Drafts) > 0 && c.QueryParam("version") == "" {
		view.Begun = true
		return p.Render(c, http.StatusOK, "inventory", slug, view)
	}
	if err != nil {
		return err
	}
	if view.Version, err = p.versionAsked(c); err != nil {
		return err
	}
	withdrawn, err := p.desk.Service.Withdrawn(ctx, slug)
	if err != nil {
		return err
	}
	for _, v := range versions {
		l := listed{Version: v, Here: v.Number == view.Version.Number}
		if w, gone := withdrawn[v.Number]; gone {
			l.Withdrawn = &w
		}
		if l.Here {
			view.Withdrawn = l.Withdrawn
		}
		view.Versions = append(view.Versions, l)
	}
	if !view.Filter.DayKnown() {
		view.DayFault = "A day of the calendar, as 2026-01-31."
	}
	known := view.Filter
	if view.DayFault != "" {
		known.ExpiredBy = ""
	}
	view.Filtered = view.Filter != inventory.ItemFilter{}
	var found []*inventory.Item
	wanted := known.Wanted()
	for i := range view.Version.Items {
		if wanted(&view.Version.Items[i]) {
			found = append(found, &view.Version.Items[i])
		}
	}
	page, at, err := paged(c, found, perPage, "page", "items")
	if err != nil {
		return err
	}
	view.Pager = at
	_, overrides, err := p.desk.Service.Overrides(ctx, slug, view.Version.Number)
	if err != nil {
		return err
	}
	for _, i := range page {
		item := showItem(shown, i)
		item.Expired = known.ExpiredBy != "" && i.ExpiredBy(known.ExpiredBy)
		if o := overrideOf(overrides, i.Code); o != nil {
			item.Instead = o.Layer
		}
		view.Items = append(view.Items, item)
	}
	status := http.StatusOK
	if view.DayFault != "" {
		status = http.StatusUnprocessableEntity
	}
	return p.Render(c, status, "inventory", view.Version.Meta.Name, view)
}

// overrideOf finds the override of an item in a list in order of codes; nil where there
// is none.
func overrideOf(list []inventory.Override, code string) *inventory.Override {
	at, found := slices.BinarySearchFunc(list, code, func(o inventory.Override, code string) int { return strings.Compare(o.Item.Code, code) })
	if !found {
		return nil
	}
	return &list[at]
}

// shownChange is a column that differs, for a table.
type shownChange struct{ Item, Column, Before, After, Percent string }

// shownChanges lays changes of items out as rows.
func shownChanges(code string, fields []inventory.FieldChange) []shownChange {
	rows := make([]shownChange, 0, len(fields))
	for _, f := range fields {
		rows = append(rows, shownChange{code, f.Column, f.Before, f.After, Percent(f)})
	}
	return rows
}

// Percent is how far a number has moved, as "+10 %"; empty where that has no meaning.
func Percent(f inventory.FieldChange) string {
	if !f.Percent.Valid {
		return ""
	}
	text := f.Percent.Decimal.String() + " %"
	if f.Percent.Decimal.IsPositive() {
		return "+" + text
	}
	return strings.Replace(text, "-", "−", 1)
}

// shownCell is a column of an item with what it holds.
type shownCell struct{ Column, Text string }

func cellsOf(i *inventory.Item) (cells []shownCell) {
	for _, column := range inventory.Columns() {
		if text := column.Text(i); text != "" {
			cells = append(cells, shownCell{column.Name, text})
		}
	}
	return cells
}

// Item shows all of an item, what it takes the place of, and what it was in other
// versions.
func (p *Pages) Item(c echo.Context) error {
	ctx := c.Request().Context()
	v, err := p.versionAsked(c)
	if err != nil {
		return err
	}
	item := inventory.Find(v.Items, c.Param("code"))
	if item == nil {
		return &service.Error{Code: service.NotFound, Detail: fmt.Sprintf("%s has no item of this code.", v.Ref())}
	}
	_, overrides, err := p.desk.Service.Overrides(ctx, v.Slug, v.Number)
	if err != nil {
		return err
	}
	history, err := p.desk.Service.History(ctx, v.Slug, item.Code)
	if err != nil {
		return err
	}
	type state struct {
		service.ItemState
		Changes []shownChange
	}
	view := struct {
		Version  *inventory.Version
		Item     *inventory.Item
		Cells    []shownCell
		Instead  string
		Changes  []shownChange // from what it takes the place of
		Recipe   []inventory.RecipePart
		States   []state
		More     int // versions before those
		Declared bool
	}{Version: v, Item: item, Cells: cellsOf(item), Recipe: item.Recipe, Declared: len(item.Factors) > 0}
	if o := overrideOf(overrides, item.Code); o != nil {
		view.Instead, view.Changes = o.Layer, shownChanges(item.Code, o.Fields)
	}
	if len(history) > perPage {
		history, view.More = history[:perPage], len(history)-perPage
	}
	for _, s := range history {
		view.States = append(view.States, state{s, shownChanges(item.Code, s.Changed)})
	}
	return p.Render(c, http.StatusOK, "item", item.Name, view)
}

// Differences sets one version of an inventory against another.
func (p *Pages) Differences(c echo.Context) error {
	ctx, slug := c.Request().Context(), c.Param("slug")
	versions, err := p.desk.Service.Versions(ctx, slug)
	if err != nil {
		return err
	}
	to, from := number(c, "to"), number(c, "from")
	if to == 0 {
		to = versions[0].Number
	}
	if from == 0 {
		from = max(1, to-1)
	}
	d, err := p.desk.Service.Diff(ctx, slug, from, to)
	if err != nil {
		return err
	}
	view := struct {
		Slug     string
		From, To int
		Versions []inventory.Version
		difference
	}{Slug: slug, From: from, To: to, Versions: versions}
	if view.difference, err = showDifference(c, d); err != nil {
		return err
	}
	return p.Render(c, http.StatusOK, "differences", "From "+strconv.Itoa(from)+" to "+strconv.Itoa(to), view)
}

// difference is a difference of two lists of items as a page shows it.
type difference struct {
	Added, Removed       []*inventory.Item // the first of them
	MoreAdded            int
	MoreRemoved, Changed int
	Rows                 []shownChange
	Pager                pager
}

func showDifference(c echo.Context, d inventory.Difference) (s difference, err error) {
	s = difference{Added: d.Added, Removed: d.Removed, Changed: len(d.Changed)}
	if len(d.Added) > namedItems {
		s.Added, s.MoreAdded = d.Added[:namedItems], len(d.Added)-namedItems
	}
	if len(d.Removed) > namedItems {
		s.Removed, s.MoreRemoved = d.Removed[:namedItems], len(d.Removed)-namedItems
	}
	var rows []shownChange
	for _, change := range d.Changed {
		rows = append(rows, shownChanges(change.Code, change.Fields)...)
	}
	s.Rows, s.Pager, err = paged(c, rows, changesPerPage, "changes", "differences")
	return s, err
}
