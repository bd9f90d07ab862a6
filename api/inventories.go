package api

import (
	"bytes"
	"fmt"
	"net/http"
	"slices"
	"strconv"

	"github.com/go-json-experiment/json"
	"github.com/labstack/echo/v4"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/service"
)

func (s *Server) routeInventories() {
	const (
		one     = "/v1/inventories/:slug"
		version = one + "/versions/:number"
	)
	s.route(http.MethodGet, "/v1/inventories", "listInventories", s.json("listInventories", s.listInventories))
	s.route(http.MethodGet, one, "getInventory", s.json("getInventory", s.getInventory))
	s.route(http.MethodGet, one+"/versions", "listVersions", s.json("listVersions", s.listVersions))
	s.route(http.MethodGet, version, "getVersion", s.json("getVersion", s.getVersion))
	s.route(http.MethodGet, version+"/items", "listItems", s.json("listItems", s.listItems))
	s.route(http.MethodGet, version+"/items/:code", "getItem", s.json("getItem", s.getItem))
	s.route(http.MethodGet, version+"/overrides", "listOverrides", s.json("listOverrides", s.listOverrides))
}

type inventoryView struct {
	Slug   string      `json:"slug"`
	Newest versionView `json:"newest"`
}

type versionView struct {
	Ref       string `json:"ref"`
	Slug      string `json:"slug"`
	Number    int    `json:"number"`
	Name      string `json:"name"`
	Region    string `json:"region"`
	Currency  string `json:"currency"`
	Invented  bool   `json:"invented"`
	Hash      string `json:"hash"`
	Note      string `json:"note"`
	CreatedAt string `json:"created_at"`
	Extends   string `json:"extends,omitempty"`

	Withdrawn *withdrawnView `json:"withdrawn,omitempty"`
}

type withdrawnView struct {
	At     string `json:"at"`
	Reason string `json:"reason"`
}

// viewVersions shows versions of one inventory, with those that are withdrawn.
func (s *Server) viewVersions(c echo.Context, versions ...inventory.Version) ([]versionView, error) {
	views := []versionView{}
	for i := range versions {
		withdrawn, err := s.service.Withdrawn(c.Request().Context(), versions[i].Slug)
		if err != nil {
			return nil, err
		}
		view := viewVersion(&versions[i])
		if w, ok := withdrawn[versions[i].Number]; ok {
			view.Withdrawn = &withdrawnView{w.At, w.Reason}
		}
		views = append(views, view)
	}
	return views, nil
}

func viewVersion(v *inventory.Version) versionView {
	return versionView{refOf(v), v.Slug, v.Number, v.Meta.Name, v.Meta.Region, v.Meta.Currency, v.Meta.Invented, v.Hash, v.Note, v.CreatedAt, v.Meta.Extends, nil}
}

func refOf(v *inventory.Version) string { return v.Ref().String() }

func (s *Server) listInventories(c echo.Context) error {
	at, err := readPage(c)
	if err != nil {
		return err
	}
	found, err := s.service.Inventories(c.Request().Context(), at.after, at.limit+1)
	if err != nil {
		return err
	}
	found, links := cut(c, at, found, func(i inventory.Summary) string { return i.Slug })
	list := struct {
		Inventories []inventoryView `json:"inventories"`
		Links       pageLinks       `json:"links"`
	}{[]inventoryView{}, links}
	for i := range found {
		list.Inventories = append(list.Inventories, inventoryView{found[i].Slug, viewVersion(&found[i].Newest)})
	}
	return send(c, list)
}

func (s *Server) getInventory(c echo.Context) error {
	versions, err := s.service.Versions(c.Request().Context(), c.Param("slug"))
	if err != nil {
		return err
	}
	views, err := s.viewVersions(c, versions[0])
	if err != nil {
		return err
	}
	return send(c, inventoryView{c.Param("slug"), views[0]})
}

func (s *Server) listVersions(c echo.Context) error {
	at, err := readPage(c)
	if err != nil {
		return err
	}
	versions, err := s.service.Versions(c.Request().Context(), c.Param("slug"))
	if err != nil {
		return err
	}
	if at.after != "" { // newest first: the page begins below the number
		last, err := strconv.Atoi(at.after)
		if err != nil {
			return errCursor
		}
		versions = slices.DeleteFunc(slices.Clone(versions), func(v inventory.Version) bool { return v.Number >= last })
	}
	versions, links := cut(c, at, versions, func(v inventory.Version) string { return strconv.Itoa(v.Number) })
	list := struct {
		Versions []versionView `json:"versions"`
		Links    pageLinks     `json:"links"`
	}{[]versionView{}, links}
	if list.Versions, err = s.viewVersions(c, versions...); err != nil {
		return err
	}
	return send(c, list)
}

func versionNumber(c echo.Context) (int, error) {
	text := c.Param("number")
	number, err := strconv.Atoi(text)
	if err != nil || number < 1 || strconv.Itoa(number) != text {
		return 0, &service.Error{Code: service.NotFound, Detail: "A version is a number from 1."}
	}
	return number, nil
}

// version finds the version that the path names.
func (s *Server) version(c echo.Context) (*inventory.Version, error) {
	number, err := versionNumber(c)
	if err != nil {
		return nil, err
	}
	return s.service.Version(c.Request().Context(), c.Param("slug"), number)
}

func (s *Server) getVersion(c echo.Context) error {
	number, err := versionNumber(c)
	if err != nil {
		return err
	}
	versions, err := s.service.Versions(c.Request().Context(), c.Param("slug"))
	if err != nil {
		return err
	}
	at := slices.IndexFunc(versions, func(v inventory.Version) bool { return v.Number == number })
	if at < 0 {
		return &service.Error{Code: service.NotFound, Detail: fmt.Sprintf("no version %d of the inventory %s", number, quote(c.Param("slug")))}
	}
	views, err := s.viewVersions(c, versions[at])
	if err != nil {
		return err
	}
	body, err := service.Encode(views[0])
	if err != nil {
		return err
	}
	c.Response().Header().Set("Cache-Control", "no-cache") // it may be withdrawn
	return sendTagged(c, mediaJSON, etag(body), body)
}

func (s *Server) listItems(c echo.Context) error {
	at, err := readPage(c)
	if err != nil {
		return err
	}
	v, err := s.version(c)
	if err != nil {
		return err
	}
	wanted, err := readFilter(c)
	if err != nil {
		return err
	}
	key := func(i inventory.Item) string { return i.Code }
	var items []inventory.Item
	if c.QueryParam("sort") == "category" {
		key = func(i inventory.Item) string { return string(i.Category) + "/" + i.Code }
		categories := inventory.Categories()
		slices.Sort(categories)
		for _, kind := range categories {
			items = itemsAfter(items, v.Items, at, key, func(i *inventory.Item) bool { return i.Category == kind && wanted(i) })
		}
	} else {
		items = itemsAfter(items, v.Items, at, key, wanted)
	}
	items, links := cut(c, at, items, key)
	return sendForever(c, struct {
		Ref   string           `json:"ref"`
		Items []inventory.Item `json:"items"`
		Links pageLinks        `json:"links"`
	}{refOf(v), items, links})
}

// readFilter reads which items are asked for.
func readFilter(c echo.Context) (func(*inventory.Item) bool, error) {
	f := inventory.ItemFilter{Category: inventory.Category(c.QueryParam("category")), Text: c.QueryParam("q"), SourceKind: inventory.SourceKind(c.QueryParam("source_kind")),
		Missing: c.QueryParam("missing"), ExpiredBy: c.QueryParam("expired_by")}
	if !f.DayKnown() {
		return nil, invalid([]fault.Fault{{Pointer: "/query/expired_by", Code: "date-invalid", Detail: "a day of the calendar, as in 2026-01-31"}})
	}
	return f.Wanted(), nil
}

// itemsAfter appends the items of a page, and one more where there are more.
func itemsAfter(found, all []inventory.Item, at page, key func(inventory.Item) string, wanted func(*inventory.Item) bool) []inventory.Item {
	for i := range all {
		if len(found) > at.limit {
			break
		}
		if wanted(&all[i]) && key(all[i]) > at.after {
			found = append(found, all[i])
		}
	}
	return found
}

func (s *Server) getItem(c echo.Context) error {
	v, err := s.version(c)
	if err != nil {
		return err
	}
	item, err := findItem(v.Items, c.Param("code"), refOf(v))
	if err != nil {
		return err
	}
	_, overrides, err := s.service.Overrides(c.Request().Context(), v.Slug, v.Number)
	if err != nil {
		return err
	}
	for _, o := range overrides {
		if o.Item.Code == item.Code {
			return sendForever(c, itemView{item, &overrideView{o.Layer, o.Base, viewFields(o.Fields)}})
		}
	}
	return sendForever(c, itemView{item, nil})
}

// itemView is an item with what it takes the place of.
type itemView struct {
	item      *inventory.Item
	overrides *overrideView
}

type overrideView struct {
	Layer  string          `json:"layer"`
	Item   *inventory.Item `json:"item"`
	Fields []fieldView     `json:"fields"`
}

// MarshalJSON writes the members of the item and, where there is one, the override.
func (v itemView) MarshalJSON() ([]byte, error) {
	text, err := json.Marshal(v.item)
	if err != nil || v.overrides == nil {
		return text, err
	}
	more, err := json.Marshal(v.overrides)
	return append(append(bytes.TrimSuffix(text, []byte("}")), `,"overrides":`...), append(more, '}')...), err
}

// listOverrides lists what a version has in place of what it extends.
func (s *Server) listOverrides(c echo.Context) error {
	at, err := readPage(c)
	if err != nil {
		return err
	}
	v, err := s.version(c)
	if err != nil {
		return err
	}
	base, found, err := s.service.Overrides(c.Request().Context(), v.Slug, v.Number)
	if err != nil {
		return err
	}
	code := func(o inventory.Override) string { return o.Item.Code }
	found = slices.DeleteFunc(slices.Clone(found), func(o inventory.Override) bool { return code(o) <= at.after })
	found, links := cut(c, at, found, code)
	type changed struct {
		Item   string      `json:"item"`
		Layer  string      `json:"layer"`
		Fields []fieldView `json:"fields"`
	}
	view := struct {
		Ref       string            `json:"ref"`
		Extends   *service.LayerRef `json:"extends"`
		Overrides []changed         `json:"overrides"`
		Links     pageLinks         `json:"links"`
	}{refOf(v), nil, []changed{}, links}
	if base != nil {
		view.Extends = &service.LayerRef{Ref: refOf(base), Hash: base.Hash}
	}
	for _, o := range found {
		view.Overrides = append(view.Overrides, changed{code(o), o.Layer, viewFields(o.Fields)})
	}
	return sendForever(c, view)
}

// findItem finds an item in a list that is sorted by code.
func findItem(items []inventory.Item, code, of string) (*inventory.Item, error) {
	item := inventory.Find(items, code)
	if item == nil {
		return nil, &service.Error{Code: service.NotFound, Detail: fmt.Sprintf("%s has no item %s.", of, quote(code))}
	}
	return item, nil
}
