package api

import (
	"bytes"
	"fmt"
	"net/http"
	"strconv"

	"github.com/labstack/echo/v4"

	"slabledger/inventory"
)

func (s *Server) routeVersions() {
	const (
		one     = "/v1/inventories/:slug"
		version = one + "/versions/:number"
	)
	s.route(http.MethodPut, version+"/withdrawal", "withdrawVersion", s.json("withdrawVersion", s.withdrawVersion))
	s.route(http.MethodGet, version+"/diff", "diffVersion", s.json("diffVersion", s.diffVersion))
	s.route(http.MethodGet, version+"/export", "exportVersion", s.inForms("exportVersion", []string{mediaCSV, mediaXLSX, mediaJSON}, s.exportVersion))
	s.route(http.MethodGet, version+"/items/:code/declaration", "exportDeclaration", s.inForms("exportDeclaration", []string{mediaXML}, s.exportDeclaration))
	s.route(http.MethodGet, one+"/items/:code/history", "itemHistory", s.json("itemHistory", s.itemHistory))
	s.route(http.MethodGet, "/v1/item-template", "itemTemplate", s.inForms("itemTemplate", []string{mediaCSV, mediaXLSX}, s.itemTemplate))
}

const mediaXML = "application/xml"

const mediaXLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

func (s *Server) withdrawVersion(c echo.Context) error {
	var asked struct {
		Reason string `json:"reason"`
	}
	if _, err := s.storing(c, "withdrawVersion", &asked); err != nil {
		return err
	}
	v, err := s.version(c)
	if err != nil {
		return err
	}
	if err := s.service.Withdraw(c.Request().Context(), nil, v.Slug, v.Number, asked.Reason); err != nil {
		return err
	}
	return s.getVersion(c)
}

func (s *Server) diffVersion(c echo.Context) error {
	v, err := s.version(c)
	if err != nil {
		return err
	}
	against, _ := strconv.Atoi(c.QueryParam("against")) // the contract admits whole numbers only
	d, err := s.service.Diff(c.Request().Context(), v.Slug, against, v.Number)
	if err != nil {
		return err
	}
	view, ref := viewDiff(d), inventory.Ref{Slug: v.Slug, Number: against}.String()
	view.Against = &ref
	return sendForever(c, view)
}

// exportVersion sends all items of a version as a file that can be uploaded again.
func (s *Server) exportVersion(c echo.Context, media string) error {
	done, err := s.heavy(c)
	if err != nil {
		return err
	}
	defer done()
	v, err := s.version(c)
	if err != nil {
		return err
	}
	items, withheld := v.Items, []inventory.Withheld(nil)
	if c.QueryParam("redistributable") != "false" {
		if items, withheld, err = inventory.Redistributable(v.Items); err != nil {
			return err
		}
	}
	var file bytes.Buffer
	switch media {
	case mediaCSV:
		err = inventory.WriteCSV(&file, items)
	case mediaXLSX:
		err = inventory.WriteXLSX(&file, items)
	default:
		return s.exportJSON(c, v, items, withheld)
	}
	if err != nil {
		return err
	}
	return sendFile(c, media, fmt.Sprintf("%s-%d", v.Slug, v.Number), file.Bytes(), "private, max-age=31536000, immutable")
}

func (s *Server) exportJSON(c echo.Context, v *inventory.Version, items []inventory.Item, withheld []inventory.Withheld) error {
	type withheldView struct {
		Item string `json:"item"`
		Hash string `json:"hash"`
	}
	view := struct {
		Slug     string           `json:"slug"`
		Number   int              `json:"number"`
		Hash     string           `json:"hash"`
		Meta     inventory.Meta   `json:"meta"`
		Items    []inventory.Item `json:"items"`
		Withheld []withheldView   `json:"withheld,omitempty"`
	}{v.Slug, v.Number, v.Hash, v.Meta, append([]inventory.Item{}, items...), nil}
	for _, w := range withheld {
		view.Withheld = append(view.Withheld, withheldView(w))
	}
	c.Response().Header().Add("Vary", "Accept")
	return sendForever(c, view)
}

// exportDeclaration sends the factors of an item as an ILCD+EPD data set.
func (s *Server) exportDeclaration(c echo.Context, media string) error {
	number, err := versionNumber(c)
	if err != nil {
		return err
	}
	file, err := s.service.Declaration(c.Request().Context(), c.Param("slug"), number, c.Param("code"), c.QueryParam("redistributable") != "false")
	if err != nil {
		return err
	}
	return sendFile(c, media, fmt.Sprintf("%s-%d-%s", c.Param("slug"), number, c.Param("code")), file, "private, max-age=31536000, immutable")
}

// extensions of files by their media types.
var extensions = map[string]string{mediaCSV: ".csv", mediaXLSX: ".xlsx", mediaXML: ".xml", mediaBibTeX: ".bib", mediaCSL: ".json"}

// sendFile sends a file to be kept under a name, which is of the service's own making.
func sendFile(c echo.Context, media, name string, file []byte, caching string) error {
	extension := extensions[media]
	if media == mediaCSV || media == mediaBibTeX {
		media += "; charset=utf-8"
	}
	h := c.Response().Header()
	h.Set("Content-Disposition", `attachment; filename="`+name+extension+`"`)
	h.Set("Cache-Control", caching)
	h.Add("Vary", "Accept")
	return sendTagged(c, media, etag(file), file)
}

func (s *Server) itemHistory(c echo.Context) error {
	states, err := s.service.History(c.Request().Context(), c.Param("slug"), c.Param("code"))
	if err != nil {
		return err
	}
	type stateView struct {
		Ref       string          `json:"ref"`
		CreatedAt string          `json:"created_at"`
		Item      *inventory.Item `json:"item"`
		Changed   []fieldView     `json:"changed"`
	}
	view := struct {
		Item     string      `json:"item"`
		Versions []stateView `json:"versions"`
	}{Item: c.Param("code")}
	for _, st := range states {
		view.Versions = append(view.Versions, stateView{st.Version.Ref().String(), st.Version.CreatedAt, st.Item, viewFields(st.Changed)})
	}
	return send(c, view)
}

// itemTemplate is the table of items to fill in.
func (s *Server) itemTemplate(c echo.Context, media string) error {
	var file bytes.Buffer
	if err := inventory.WriteTemplate(&file, forms[media]); err != nil {
		return err
	}
	return sendFile(c, media, "items", file.Bytes(), "no-cache")
}
