package pages

import (
	"net/http"

	"github.com/labstack/echo/v4"
)

// Comparison shows the answer of a comparison.
func (p *Pages) Comparison(c echo.Context) error {
	q, err := p.asked(c)
	if err != nil {
		return err
	}
	resp, err := p.compared(c.Request().Context(), q.Request)
	if err != nil {
		return err
	}
	shown := shownOf(c)
	type row struct{ Name, Thickness, Cost, Carbon string }
	view := struct {
		question
		MoneyUnit, CarbonUnit string
		Rows                  []row
	}{question: q, MoneyUnit: shown.MoneyUnit(&resp.Head), CarbonUnit: shown.CarbonUnit(&resp.Head)}
	for i := range resp.Alternatives {
		a := &resp.Alternatives[i]
		r := row{Name: a.Name, Thickness: shown.Length(a.ThicknessMM.Decimal), Carbon: shown.Carbon(&resp.Head, a, a.Carbon.TotalKgCO2ePerM2.Decimal)}
		if a.Cost != nil {
			r.Cost = shown.Money(&resp.Head, a, a.Cost.NetPresentValuePerM2.Decimal)
		}
		view.Rows = append(view.Rows, r)
	}
	return p.Render(c, http.StatusOK, "comparison", q.Name, view)
}
