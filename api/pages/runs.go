package pages

import "github.com/labstack/echo/v4"

func (p *Pages) Runs(c echo.Context) error      { return nil }
func (p *Pages) CreateRun(c echo.Context) error { return nil }
func (p *Pages) NewRun(c echo.Context) error    { return nil }
func (p *Pages) Run(c echo.Context) error       { return nil }
func (p *Pages) CancelRun(c echo.Context) error { return nil }
