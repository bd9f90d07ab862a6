package pages

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"slabledger/inventory"
	"slabledger/service"
)

// listed is how many studies and inventories the first page names.
const listed = 6

// Home is the first page: what the service answers, and what is here.
func (p *Pages) Home(c echo.Context) error {
	ctx := c.Request().Context()
	inventories, err := p.desk.Service.Inventories(ctx, "", listed)
	if err != nil {
		return err
	}
	studies, err := p.desk.Service.Studies(ctx, service.StudyQuery{StudyFilter: inventory.StudyFilter{Sort: inventory.SortCreated, Descending: true}}, listed)
	if err != nil {
		return err
	}
	return p.Render(c, http.StatusOK, "home", "Which slab?", struct {
		Demo        bool
		Inventories []inventory.Summary
		Studies     []inventory.Study
	}{p.hasDemo(c), inventories, studies})
}

// hasDemo tells whether the inventory of the demo comparison is published here.
func (p *Pages) hasDemo(c echo.Context) bool {
	ref, pinned := pinnedIn(p.desk.Demo)
	if !pinned {
		return false
	}
	_, err := p.desk.Service.Version(c.Request().Context(), ref.Slug, ref.Number)
	return err == nil
}
