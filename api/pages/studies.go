package pages

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/labstack/echo/v4"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/service"
	"slabledger/service/report"
)

// studyPath is where the page of a study is.
func studyPath(id string) string { return "/studies/" + url.PathEscape(id) }

// saveForm is the form that saves a comparison under a name (see SaveComparison).
type saveForm struct {
	Request string // as packed writes it
	Once    string // that tells the form from others, so that sending it twice saves once
}

// splitTags reads tags that stand one behind the other.
func splitTags(text string) []string {
	tags := []string{}
	for _, tag := range strings.Split(text, ",") {
		if tag = strings.TrimSpace(tag); tag != "" {
			tags = append(tags, tag)
		}
	}
	return tags
}

// blamed puts faults of a name and of tags beside their fields: the rest is left.
func blamed(faults []Fault) (name, tags string, rest []Fault) {
	for _, f := range faults {
		switch {
		case f.Pointer == "/name" && name == "":
			name = f.Detail
		case strings.HasPrefix(f.Pointer, "/tags") && tags == "":
			tags = f.Detail
		default:
			rest = append(rest, f)
		}
	}
	return name, tags, rest
}

// aboutStudy is what the page of a study says beside its comparison.
type aboutStudy struct {
	Moved    string   // why the result is not what was saved
	Versions []string // newer ones that are not withdrawn
	Form     describeForm
}

// describeForm is the form that gives a study another name and other tags.
type describeForm struct {
	ID, Name, Tags      string
	Revision            int
	NameFault, TagFault string
	Fault               string
}

func (p *Pages) about(c echo.Context, o *opened) (*aboutStudy, error) {
	a := &aboutStudy{Form: describeOf(o.Study)}
	var err error
	if a.Moved, err = service.Moved(*o.Study, o.Before); err != nil {
		return nil, err
	}
	a.Versions, err = p.newer(c.Request().Context(), o.Study.Inventory)
	return a, err
}

func describeOf(study *inventory.Study) describeForm {
	return describeForm{ID: study.ID, Name: study.Name, Tags: strings.Join(study.Tags, ", "), Revision: study.Revision}
}

// newer are the versions behind one that may be used, the newest first.
func (p *Pages) newer(ctx context.Context, ref inventory.Ref) (list []string, err error) {
	versions, err := p.desk.Service.Versions(ctx, ref.Slug)
	if err != nil {
		return nil, err
	}
	withdrawn, err := p.desk.Service.Withdrawn(ctx, ref.Slug)
	if err != nil {
		return nil, err
	}
	for _, v := range versions {
		if _, gone := withdrawn[v.Number]; v.Number > ref.Number && !gone {
			list = append(list, v.Ref().String())
		}
	}
	return list, nil
}

// DescribeStudy gives a study another name and other tags.
func (p *Pages) DescribeStudy(c echo.Context) error {
	study, _, err := p.study(c)
	if err != nil {
		return err
	}
	typed, err := formOf(c, maxShortForm)
	if err != nil {
		return err
	}
	form := describeForm{ID: study.ID, Name: typed.text("name"), Tags: typed.Get("tags"), Revision: typed.revision()}
	content, err := json.Marshal(map[string]any{"name": form.Name, "tags": splitTags(form.Tags)}, json.Deterministic(true), jsontext.AllowInvalidUTF8(true))
	if err != nil {
		return err
	}
	_, refused, err := p.desk.Check("describeStudy", content)
	if err == nil && len(refused) > 0 {
		err = &service.Error{Code: service.Invalid, Detail: "Mend what is named.", Faults: refused}
	}
	if err == nil {
		tags := splitTags(form.Tags)
		_, err = p.desk.Service.DescribeStudy(c.Request().Context(), study.ID, form.Revision, &form.Name, &tags)
	}
	if err == nil {
		return c.Redirect(http.StatusSeeOther, studyPath(study.ID))
	}
	problem := p.desk.Explain(c, err)
	switch {
	case problem.Status == http.StatusPreconditionFailed:
		form.Fault = "The study was changed since you opened it. It is now called “" + report.Printable(study.Name) + "”, with the tags: " + report.Printable(strings.Join(study.Tags, ", ")) + ". Send the form again to have it your way."
		form.Revision = study.Revision
	case len(problem.Faults) == 0:
		return err
	default:
		var rest []Fault
		if form.NameFault, form.TagFault, rest = blamed(problem.Faults); len(rest) > 0 {
			form.Fault = rest[0].Detail
		}
	}
	return p.Render(c, problem.Status, "describe", "Not changed yet", form)
}

// AskDelete asks whether a study is to be deleted.
func (p *Pages) AskDelete(c echo.Context) error {
	study, _, err := p.study(c)
	if err != nil {
		return err
	}
	return p.Render(c, http.StatusOK, "deletestudy", "Delete: "+study.Name, deleting{study, ""})
}

type deleting struct {
	inventory.Study
	Fault string
}

// DeleteStudy deletes a study, for ever.
func (p *Pages) DeleteStudy(c echo.Context) error {
	study, _, err := p.study(c)
	if err != nil {
		return err
	}
	typed, err := formOf(c, maxShortForm)
	if err != nil {
		return err
	}
	err = p.desk.Service.DeleteStudy(c.Request().Context(), study.ID, typed.revision())
	if err == nil {
		return c.Redirect(http.StatusSeeOther, "/studies")
	}
	if problem := p.desk.Explain(c, err); problem.Status == http.StatusPreconditionFailed {
		return p.Render(c, problem.Status, "deletestudy", "Not deleted: "+study.Name, deleting{study, "The study was changed since you opened this page. Look at it again before you delete it."})
	}
	return err
}

// Rerun shows a study on another version of its inventory, and what moved its figures.
func (p *Pages) Rerun(c echo.Context) error {
	study, request, err := p.study(c)
	if err != nil {
		return err
	}
	page := struct {
		Study    inventory.Study
		To       string
		Versions []string
		Result   *service.RerunResponse
		Moved    []movedStudy
		Faults   []Fault
		Open     string // the comparison on the other version
	}{Study: study, To: c.QueryParam("inventory")}
	if page.Versions, err = p.newer(c.Request().Context(), study.Inventory); err != nil {
		return err
	}
	status := http.StatusOK
	if page.To != "" {
		err := p.desk.Compute(c.Request().Context(), "rerunStudy", func(ctx context.Context) (err error) {
			page.Result, err = p.desk.Service.Rerun(ctx, study.ID, report.Printable(page.To))
			return err
		})
		if err != nil {
			problem := p.desk.Explain(c, err)
			if len(problem.Faults) == 0 {
				return err
			}
			page.Faults, status = problem.Faults, problem.Status
		} else {
			page.Moved = movedBy(page.Result, ShownOf(c))
			if text, err := writeRequest(pinnedTo(request, page.To)); err == nil {
				page.Open = addressOf("/comparison", url.Values{"request": {text}})
			}
		}
	}
	return p.Render(c, status, "rerun", "On another version: "+study.Name, page)
}

// movedStudy is how the figures of an alternative moved from one version to another.
type movedStudy struct {
	Name     string
	Measures []movedMeasure
}

type movedMeasure struct {
	Name, Unit, Before, After, Difference string
	Parts                                 []movedPart
}

type movedPart struct{ Items, What, Fields, Difference string }

func movedBy(r *service.RerunResponse, shown report.Shown) (list []movedStudy) {
	for _, d := range r.Differences {
		m := movedStudy{Name: d.Alternative}
		for _, measure := range d.Measures {
			one := movedMeasure{Name: words(measure.Measure), Unit: measure.Unit, Before: shown.Number(measure.Before.Decimal, 6), After: shown.Number(measure.After.Decimal, 6), Difference: shown.Number(measure.Difference.Decimal, 6)}
			for _, part := range measure.Parts {
				var fields []string
				for _, f := range part.Fields {
					fields = append(fields, words(f.Column)+": "+f.Before+" → "+f.After)
				}
				items := strings.Join(part.Items, ", ")
				if items == "" {
					items = "the rest"
				}
				one.Parts = append(one.Parts, movedPart{items, part.Moved, strings.Join(fields, "; "), shown.Number(part.Difference.Decimal, 6)})
			}
			m.Measures = append(m.Measures, one)
		}
		list = append(list, m)
	}
	return list
}

// Parameters that filter the list of studies.
var studyFilters = []field{
	{Name: "text", Label: "Words in the name, the tags or the alternatives"}, {Name: "region", Label: "Region"}, {Name: "inventory", Label: "Inventory", Hint: "demo or demo@1"},
	{Name: "item", Label: "Item that it rests on", Hint: "its code"}, {Name: "tag", Label: "Tag"},
	{Name: "thickness_min", Label: "Thickness from, mm"}, {Name: "thickness_max", Label: "Thickness to, mm"},
	{Name: "carbon_min", Label: "Carbon from, kg CO₂e/m²"}, {Name: "carbon_max", Label: "Carbon to, kg CO₂e/m²"},
	{Name: "cost_min", Label: "Net present value from, a m²"}, {Name: "cost_max", Label: "Net present value to, a m²"}, {Name: "currency", Label: "Currency of the costs", Hint: "EUR"},
}

// field is a field of a form for a filter.
type field struct{ Name, Label, Hint, Value, Fault string }

// studySorts are what studies may be sorted by, and in which direction people want that.
var studySorts = []pick{{string(inventory.SortCreated), "Newest first"}, {string(inventory.SortName), "Name"}, {string(inventory.SortThickness), "Thinnest first"}, {string(inventory.SortCarbon), "Least carbon first"}, {string(inventory.SortCost), "Least cost first"}, {string(inventory.SortRegion), "Region"}}

// maxFilter is the longest text of a filter, in characters.
const maxFilter = 100

// Studies lists studies.
func (p *Pages) Studies(c echo.Context) error {
	page := struct {
		Fields   []field
		Sort     string
		Sorts    []pick
		Filtered bool
		Faults   []Fault
		Studies  []studyRow
		Next     string
		First    string // the first page, where this is another
	}{Fields: slices.Clone(studyFilters), Sorts: studySorts}
	value := map[string]string{}
	for i := range page.Fields {
		f := &page.Fields[i]
		text := []rune(strings.TrimSpace(report.Printable(c.QueryParam(f.Name))))
		f.Value = string(text[:min(len(text), maxFilter)])
		value[f.Name] = f.Value
		page.Filtered = page.Filtered || f.Value != ""
	}
	q := service.StudyQuery{Inventory: value["inventory"], ThicknessMin: value["thickness_min"], ThicknessMax: value["thickness_max"], CarbonMin: value["carbon_min"], CarbonMax: value["carbon_max"],
		CostMin: value["cost_min"], CostMax: value["cost_max"], StudyFilter: inventory.StudyFilter{Region: value["region"], Item: value["item"], Tag: value["tag"], Currency: value["currency"], Text: value["text"]}}
	page.Sort = c.QueryParam("sort")
	if !slices.ContainsFunc(studySorts, func(s pick) bool { return s.Value == page.Sort }) {
		page.Sort = studySorts[0].Value
	}
	q.Sort = inventory.StudySort(page.Sort)
	q.Descending = q.Sort == inventory.SortCreated
	after, limit, next, err := p.desk.Part(c)
	if err != nil {
		return err
	}
	if after != "" {
		q.AfterID, q.AfterKey, _ = strings.Cut(after, "/")
		if page.First, err = with(c.Request().URL.RequestURI(), "cursor", ""); err != nil {
			return err
		}
	}
	status := http.StatusOK
	found, err := p.desk.Service.Studies(c.Request().Context(), q, limit+1)
	if err != nil {
		problem := p.desk.Explain(c, err)
		if len(problem.Faults) == 0 {
			return err
		}
		status = problem.Status
		for _, f := range problem.Faults {
			name := strings.TrimPrefix(f.Pointer, "/query/")
			if i := slices.IndexFunc(page.Fields, func(field field) bool { return field.Name == name }); i >= 0 {
				page.Fields[i].Fault = f.Detail
			} else {
				page.Faults = append(page.Faults, f)
			}
		}
	}
	if len(found) > limit {
		found = found[:limit]
		last := found[limit-1]
		page.Next = next(last.ID + "/" + last.Key(q.Sort))
	}
	shown := ShownOf(c)
	for i := range found {
		page.Studies = append(page.Studies, rowOf(&found[i], shown))
	}
	return p.Render(c, status, "studies", "Studies", page)
}

// studyRow is a study in the list, with the least of each figure of its alternatives.
type studyRow struct {
	inventory.Study
	Path, Saved             string
	Thickness, Carbon, Cost string
}

func rowOf(study *inventory.Study, shown report.Shown) studyRow {
	row := studyRow{Study: *study, Path: studyPath(study.ID), Saved: study.CreatedAt[:min(len(study.CreatedAt), len("2006-01-02"))], Thickness: report.Unknown, Carbon: report.Unknown, Cost: report.Unknown}
	var thickness, carbon, cost []decimal.Decimal
	for _, a := range study.Alternatives {
		thickness, carbon = append(thickness, a.ThicknessMM), append(carbon, a.TotalCarbon)
		if a.NPV.Valid {
			cost = append(cost, a.NPV.Decimal)
		}
	}
	if len(thickness) > 0 {
		row.Thickness, row.Carbon = shown.Plain(slices.MinFunc(thickness, decimal.Decimal.Cmp)), shown.Significant(slices.MinFunc(carbon, decimal.Decimal.Cmp))
	}
	if len(cost) > 0 {
		row.Cost = shown.Number(slices.MinFunc(cost, decimal.Decimal.Cmp), report.Minor(study.Currency)) + " " + study.Currency
	}
	return row
}
