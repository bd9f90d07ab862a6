package pages

import (
	"context"
	"html/template"
	"net/http"
	"slices"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/labstack/echo/v4"

	"slabledger/service"
	"slabledger/service/report"
)

// Certainty tells which slab, how sure that is, and what would change it.
func (p *Pages) Certainty(c echo.Context) error { return p.open(c, "/certainty", p.certainty) }

// part is a heading with sentences below it.
type part struct {
	Title string
	Text  []string
}

// shares are how often alternatives come first by a measure.
type shares struct {
	Measure string
	Rows    []shareRow
}

type shareRow struct{ Name, Share string }

func (p *Pages) certainty(c echo.Context, o *opened) error {
	ctx, shown := c.Request().Context(), ShownOf(c)
	body, err := about(o.AfterRequest(), nil)
	if err != nil {
		return err
	}
	concluded, err := used(ctx, p, "conclude", body, p.desk.Service.Conclude)
	if err != nil {
		return err
	}
	page := struct {
		*opened
		Parts    []part
		Pictures []template.HTML
		Shares   []shares
		Samples  string
		Mean     string // what a mean is, beside a figure as computed
		Held     []service.HeldInput
		Given    bool // a figure of the request stands in place of one of the inventory
		Notices  []string
	}{opened: o, Mean: aboutMeans, Parts: []part{{"Which slab", sentences(concluded.Which)}, {"How sure", sentences(concluded.HowSure)}, {"What would change it", sentences(concluded.WhatChangesIt)}}}
	sampled, err := p.sampled(ctx, concluded)
	if err != nil {
		return err
	}
	if sampled != nil {
		page.Samples, page.Held, page.Notices = shown.Int(sampled.Samples), sampled.Fixed, sampled.Notices
		page.Given = slices.ContainsFunc(o.After.Sources, func(s service.ItemUsed) bool { return s.Overrides != nil && s.Overrides.Pointer != "" })
		if page.Pictures, err = differencesDrawn(o.After, sampled, shown); err != nil {
			return err
		}
		for _, ranks := range sampled.Ranks {
			s := shares{Measure: strings.ReplaceAll(ranks.Measure, "_", " ")}
			for _, a := range ranks.Alternatives {
				s.Rows = append(s.Rows, shareRow{a.Name, shown.Number(a.Best.Shift(2), 1)})
			}
			page.Shares = append(page.Shares, s)
		}
	}
	return p.Render(c, http.StatusOK, "certainty", "How sure: "+o.Name, page)
}

// aboutMeans tells a mean of samples from a figure as computed.
const aboutMeans = "“As computed” takes every price and factor as its source states it; the mean is that of the samples. They differ where a spread is lopsided: a price that may rise further than it may fall draws the mean up, and one that may fall further draws it down."

func sentences(list []service.Conclusion) (texts []string) {
	for _, c := range list {
		texts = append(texts, c.Text)
	}
	return texts
}

// sampled is the sampling that conclusions quote; nil where they quote none.
func (p *Pages) sampled(ctx context.Context, concluded *service.ConclusionsResponse) (*service.UncertaintyResponse, error) {
	for _, o := range concluded.Operations {
		if o.Path == "/v1/uncertainty" {
			return used(ctx, p, "uncertainty", o.Request, p.desk.Service.Uncertainty)
		}
	}
	return nil, nil
}

// differencesDrawn draws the difference of the first two of each ranking.
func differencesDrawn(r *service.ComparisonResponse, sampled *service.UncertaintyResponse, shown report.Shown) (figures []template.HTML, err error) {
	if r.Comparison.Ranking == nil {
		return nil, nil
	}
	for _, by := range []struct {
		measure string
		ranks   []service.Rank
	}{{service.MeasureNPV, r.Comparison.Ranking.ByNetPresentValue}, {service.MeasureTotalCarbon, r.Comparison.Ranking.ByTotalCarbon}} {
		first, second := firstTwo(by.ranks)
		for n := range sampled.Pairs {
			pair := &sampled.Pairs[n]
			if !(pair.First == first && pair.Second == second || pair.First == second && pair.Second == first) {
				continue
			}
			for k := range pair.Differences {
				if pair.Differences[k].Measure != by.measure {
					continue
				}
				figure, err := report.Difference(report.DifferenceID(n, by.measure), sampled, pair, &pair.Differences[k], shown).Figure()
				if err != nil {
					return nil, err
				}
				figures = append(figures, figure)
			}
		}
	}
	return figures, nil
}

// firstTwo are the alternatives in front of a ranking; empty where there are fewer.
func firstTwo(ranks []service.Rank) (first, second string) {
	ranks = slices.Clone(ranks)
	slices.SortStableFunc(ranks, func(a, b service.Rank) int { return a.Rank - b.Rank })
	if len(ranks) > 0 {
		first = ranks[0].Name
	}
	if len(ranks) > 1 {
		second = ranks[1].Name
	}
	return first, second
}

// about is the body of an operation about a comparison, with other members.
func about(comparison []byte, members map[string]any) ([]byte, error) {
	body := map[string]any{"comparison": jsontext.Value(comparison)}
	for name, value := range members {
		body[name] = value
	}
	text, err := json.Marshal(body, json.Deterministic(true), jsontext.AllowInvalidUTF8(true))
	if err != nil {
		return nil, &service.Error{Code: service.Malformed, Detail: "The comparison cannot be read.", Cause: err}
	}
	return text, nil
}

// Sensitivity shows what moves the difference of two alternatives, one input at a time.
func (p *Pages) Sensitivity(c echo.Context) error { return p.open(c, "/sensitivity", p.sensitivity) }

// swing is what one input does to a difference.
type swing struct {
	Name, Unit, Nominal, Low, High, AtLow, AtHigh, Basis string
	Reverses                                             bool
}

// measureNames are the measures that a difference may be in.
var measureNames = []pick{{service.MeasureNPV, "Net present value"}, {service.MeasureInitial, "Initial cost"}, {service.MeasureTotalCarbon, "Carbon, total"}, {service.MeasureCradleToGate, "Carbon A1-A3"}}

func (p *Pages) sensitivity(c echo.Context, o *opened) error {
	shown, r := ShownOf(c), o.After
	page := struct {
		*opened
		First, Second, Measure, Percent string
		Names                           []string
		Measures                        []pick
		Hidden                          []pick
		Faults                          []Fault
		Picture                         template.HTML
		Unit                            string
		Lines                           []swing
		NotVaried                       []service.SensitivityLeave
		Notices                         []string
	}{opened: o, First: c.QueryParam("first"), Second: c.QueryParam("second"), Measure: c.QueryParam("measure"), Percent: strings.TrimSpace(c.QueryParam("percent")), Measures: measureNames}
	for _, name := range []string{"of", "request", "basis", "units"} {
		if value := c.QueryParam(name); value != "" {
			page.Hidden = append(page.Hidden, pick{name, value})
		}
	}
	for _, in := range o.What.Changed() {
		page.Hidden = append(page.Hidden, pick{in.Name, in.Given})
	}
	for i := range r.Alternatives {
		page.Names = append(page.Names, r.Alternatives[i].Name)
	}
	if r.Economics == nil {
		page.Measures = measureNames[2:]
	}
	if page.Measure == "" {
		page.Measure = page.Measures[0].Value
	}
	if page.First == "" && page.Second == "" {
		page.First, page.Second = o.closest(page.Measure)
	}
	if page.Percent == "" {
		page.Percent = "20 %"
	}
	status := http.StatusOK
	if len(page.Names) < 2 {
		return p.Render(c, status, "sensitivity", "What moves it: "+o.Name, page)
	}
	body, err := about(o.AfterRequest(), map[string]any{"first": page.First, "second": page.Second, "measure": page.Measure, "percent": page.Percent})
	if err != nil {
		return err
	}
	answer, err := used(c.Request().Context(), p, "sensitivity", body, p.desk.Service.Sensitivity)
	if err != nil {
		problem := p.desk.Explain(c, err)
		if len(problem.Faults) == 0 {
			return err
		}
		page.Faults, status = problem.Faults, problem.Status
		return p.Render(c, status, "sensitivity", "What moves it: "+o.Name, page)
	}
	if page.Picture, err = report.Swing(answer, shown).Figure(); err != nil {
		return err
	}
	page.Unit, page.NotVaried, page.Notices = answer.MeasureUnit, answer.NotVaried, answer.Notices
	for _, l := range answer.Lines {
		page.Lines = append(page.Lines, swing{l.Name, l.Unit, shown.Plain(l.Nominal.Decimal), shown.Significant(l.LowAt.Decimal), shown.Significant(l.HighAt.Decimal),
			shown.Significant(l.Low.Difference.Decimal), shown.Significant(l.High.Difference.Decimal), l.Basis, l.Reverses})
	}
	return p.Render(c, status, "sensitivity", "What moves it: "+o.Name, page)
}

// closest are the two alternatives in front by a measure, or the first two.
func (o *opened) closest(measure string) (first, second string) {
	if ranking := o.After.Comparison.Ranking; ranking != nil {
		ranks := ranking.ByTotalCarbon
		if measure == service.MeasureNPV || measure == service.MeasureInitial {
			ranks = ranking.ByNetPresentValue
		}
		if first, second = firstTwo(ranks); second != "" {
			return first, second
		}
	}
	for i := range o.After.Alternatives {
		switch i {
		case 0:
			first = o.After.Alternatives[i].Name
		case 1:
			second = o.After.Alternatives[i].Name
		}
	}
	return first, second
}
