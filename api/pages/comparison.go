package pages

import (
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"slabledger/service"
	"slabledger/service/report"
)

// Comparison is the first page of a comparison: the answer, the alternatives side by
// side, what the address changes, and pictures.
func (p *Pages) Comparison(c echo.Context) error { return p.open(c, "", p.comparison) }

// nothingAsked tells how to come to a comparison.
func (p *Pages) nothingAsked(c echo.Context) error {
	return p.Render(c, http.StatusOK, "comparisonnone", "Compare slabs", struct{ Demo bool }{p.hasDemo(c)})
}

// inColumns is how many alternatives have a column each; more have a row each.
const inColumns = 8

func (p *Pages) comparison(c echo.Context, o *opened) error {
	shown := ShownOf(c)
	t := tableOf(o, shown)
	figures, err := pictures(o.After, shown)
	if err != nil {
		return err
	}
	sized, err := p.sizedSlabs(c.Request().Context(), o.After, shown)
	if err != nil {
		return err
	}
	text, err := packed(pinnedTo(o.AfterRequest(), o.After.Inventory.Ref))
	if err != nil {
		return err
	}
	page := struct {
		*opened
		Link                  string // of this page, to hand on
		MoneyUnit, CarbonUnit string

		Answer      []answer
		Facts       []fact
		Table       *comparisonTable
		Moves       []move
		Abatement   []note
		Notes       []notes
		Pictures    []template.HTML
		Thicknesses *thicknesses
		Save        saveForm
		About       *aboutStudy
	}{opened: o, Link: c.Scheme() + "://" + c.Request().Host + o.Address, MoneyUnit: shown.MoneyUnit(&o.After.Head), CarbonUnit: shown.CarbonUnit(&o.After.Head),
		Answer: answers(o.After, shown), Facts: facts(o.After, shown), Table: t, Moves: moves(o, shown), Abatement: abatements(o.After, shown), Notes: notesOf(o.After), Pictures: figures, Thicknesses: sized,
		Save: saveForm{Request: text, Once: newName()}}
	if o.Study != nil {
		if page.About, err = p.about(c, o); err != nil {
			return err
		}
	}
	if o.What.Broken() {
		return p.Render(c, http.StatusUnprocessableEntity, "comparison", "Not computed: "+o.Name, page)
	}
	return p.Render(c, http.StatusOK, "comparison", o.Name, page)
}

// answer is which alternative is first by one measure.
type answer struct {
	Measure, Figure, Against string
	Names                    []string
}

// answers are the first of the ranking; none where nothing is ranked.
func answers(r *service.ComparisonResponse, shown report.Shown) (list []answer) {
	ranking := r.Comparison.Ranking
	if ranking == nil {
		return nil
	}
	for _, by := range []struct {
		measure string
		ranks   []service.Rank
		figure  func(a *service.Result) string
		change  func(d *service.Delta) *service.Change
	}{
		{"Cheapest over its life", ranking.ByNetPresentValue, func(a *service.Result) string {
			return shown.Money(&r.Head, a, a.Cost.NetPresentValuePerM2.Decimal) + " " + shown.MoneyUnit(&r.Head)
		}, func(d *service.Delta) *service.Change { return d.NetPresentValuePerM2 }},
		{"Emits least", ranking.ByTotalCarbon, func(a *service.Result) string {
			return shown.Carbon(&r.Head, a, a.Carbon.TotalKgCO2ePerM2.Decimal) + " " + shown.CarbonUnit(&r.Head)
		}, func(d *service.Delta) *service.Change { return d.TotalKgCO2ePerM2 }},
	} {
		one := answer{Measure: by.measure}
		for _, rank := range by.ranks {
			if rank.Rank != 1 {
				continue
			}
			one.Names = append(one.Names, rank.Name)
			at := slices.IndexFunc(r.Alternatives, func(a service.Result) bool { return a.Name == rank.Name })
			if at < 0 || one.Figure != "" {
				continue
			}
			one.Figure = by.figure(&r.Alternatives[at])
			if rank.Name == r.Comparison.Baseline {
				one.Against = "the baseline itself"
			} else if change := by.change(&r.Comparison.Deltas[at]); change != nil && change.RelativePercent != nil {
				one.Against = percent(shown, change) + " against " + report.Printable(r.Comparison.Baseline)
			}
		}
		if len(one.Names) > 0 {
			list = append(list, one)
		}
	}
	return list
}

// percent is a relative change, with its sign.
func percent(shown report.Shown, change *service.Change) string {
	text := shown.Significant(change.RelativePercent.Decimal)
	if change.RelativePercent.IsPositive() {
		text = "+" + text
	}
	return text + " %"
}

// fact is one thing that all alternatives have in common.
type fact struct {
	Name  template.HTML
	Value string
}

func facts(r *service.ComparisonResponse, shown report.Shown) []fact {
	unit := shown.Area(r.FunctionalUnit.AreaM2.Decimal) + " of slab"
	if s := r.FunctionalUnit.Service; s != nil {
		var parts []string
		if s.EquivalentAxles != nil {
			parts = append(parts, shown.Int(int(*s.EquivalentAxles))+" equivalent axles")
		}
		if s.DesignLifeYears != nil {
			parts = append(parts, fmt.Sprintf("design life %d years", *s.DesignLifeYears))
		}
		for _, named := range []struct{ name, value string }{{"reliability", s.Reliability}, {"flexural strength", s.FlexuralStrength}, {"subgrade reaction", s.SubgradeReaction},
			{"edge support:", strings.ReplaceAll(s.EdgeSupport, "_", " ")}, {"exposure class", s.ExposureClass}, {"climate:", s.Climate}} {
			if named.value != "" {
				parts = append(parts, named.name+" "+named.value)
			}
		}
		unit += "; " + strings.Join(parts, ", ")
	}
	list := []fact{{termOf("functional unit", "Functional unit"), unit}, {termOf("analysis period", "Analysis period"), fmt.Sprintf("%d years", r.FunctionalUnit.AnalysisPeriodYears)}}
	if r.Economics != nil {
		list = append(list, fact{termOf("discount rate", "Discount rate"), rateOf(r.Economics, shown)})
	}
	return list
}

// rateOf is the discount rate in words.
func rateOf(e *service.EconomicsApplied, shown report.Shown) string {
	switch {
	case e.RealDiscountRate == nil:
		var steps []string
		for _, r := range e.DiscountRateSchedule {
			steps = append(steps, fmt.Sprintf("%s %% from year %d", shown.Plain(r.Rate.Shift(2)), r.FromYear))
		}
		return "real, " + strings.Join(steps, ", ")
	case e.NominalDiscountRate != nil:
		return fmt.Sprintf("nominal %s %% with inflation of %s %%", shown.Plain(e.NominalDiscountRate.Shift(2)), shown.Plain(e.Inflation.Shift(2)))
	}
	return fmt.Sprintf("%s %% a year, real", shown.Plain(e.RealDiscountRate.Shift(2)))
}

// termOf is a word with a link to what it means, of those that this package uses.
func termOf(name, shown string) template.HTML {
	linked, err := term(name, shown)
	if err != nil {
		panic(err) // a mistake in this package
	}
	return linked
}

// move is how a change moved one alternative.
type move struct {
	Name                         string
	Cost, Carbon                 [2]string // before and after
	CostChange, CarbonChange     string    // in per cent
	CostRank, CarbonRank         [2]string
	CostRankMoved, CarbonRankNew bool
}

// moves are how the changes of the address moved the alternatives; none where nothing is
// changed.
func moves(o *opened, shown report.Shown) (list []move) {
	if !o.Changed() {
		return nil
	}
	before, after := o.Before, o.After
	costBefore, carbonBefore := places(before)
	costAfter, carbonAfter := places(after)
	for i := range after.Alternatives {
		a, b := &before.Alternatives[i], &after.Alternatives[i]
		m := move{Name: b.Name, Carbon: [2]string{shown.Carbon(&before.Head, a, a.Carbon.TotalKgCO2ePerM2.Decimal), shown.Carbon(&after.Head, b, b.Carbon.TotalKgCO2ePerM2.Decimal)},
			Cost:     [2]string{report.Unknown, report.Unknown},
			CostRank: [2]string{costBefore(a.Name), costAfter(b.Name)}, CarbonRank: [2]string{carbonBefore(a.Name), carbonAfter(b.Name)}}
		m.CarbonChange = relative(shown, &a.Carbon.TotalKgCO2ePerM2, &b.Carbon.TotalKgCO2ePerM2)
		if a.Cost != nil {
			m.Cost[0] = shown.Money(&before.Head, a, a.Cost.NetPresentValuePerM2.Decimal)
		}
		if b.Cost != nil {
			m.Cost[1] = shown.Money(&after.Head, b, b.Cost.NetPresentValuePerM2.Decimal)
		}
		if a.Cost != nil && b.Cost != nil {
			m.CostChange = relative(shown, &a.Cost.NetPresentValuePerM2, &b.Cost.NetPresentValuePerM2)
		}
		m.CostRankMoved, m.CarbonRankNew = m.CostRank[0] != m.CostRank[1], m.CarbonRank[0] != m.CarbonRank[1]
		list = append(list, m)
	}
	return list
}

// places are the ranks of alternatives by whole-life cost and by carbon.
func places(r *service.ComparisonResponse) (cost, carbon func(name string) string) {
	in := func(ranks []service.Rank) func(string) string {
		at := make(map[string]int, len(ranks))
		for _, rank := range ranks {
			at[rank.Name] = rank.Rank
		}
		return func(name string) string {
			if n, ranked := at[name]; ranked {
				return fmt.Sprint(n)
			}
			return report.Unknown
		}
	}
	if r.Comparison.Ranking == nil {
		return in(nil), in(nil)
	}
	return in(r.Comparison.Ranking.ByNetPresentValue), in(r.Comparison.Ranking.ByTotalCarbon)
}

// abatements tell how each alternative stands to the baseline in cost and carbon at once.
func abatements(r *service.ComparisonResponse, shown report.Shown) (list []note) {
	if len(r.Alternatives) > inColumns {
		return nil // the table of differences says it
	}
	for _, a := range r.Comparison.Abatement {
		text := a.Name + ": " + words(a.Class)
		if a.CostPerTCO2e != nil {
			text += fmt.Sprintf(", %s %s for each tonne of CO₂e saved", shown.Number(a.CostPerTCO2e.Decimal, report.Minor(r.Inventory.Currency)), r.Inventory.Currency)
		}
		list = append(list, note{text, a.Reason})
	}
	return list
}

// notes are statements of one kind, each with the alternatives that it is of.
type notes struct {
	Title, About string
	List         []note
	Open         bool
}

type note struct{ Text, Of string }

// namesTold is how many alternatives a statement names.
const namesTold = 6

// notesOf gathers what the answer says of its alternatives in words. A statement that
// several share stands once.
func notesOf(r *service.ComparisonResponse) []notes {
	var list []notes
	add := func(title, about string, open bool, of func(a *service.Result) []string) {
		n := notes{Title: title, About: about, Open: open}
		names := map[string][]string{}
		var texts []string
		for i := range r.Alternatives {
			for _, text := range of(&r.Alternatives[i]) {
				if _, known := names[text]; !known {
					texts = append(texts, text)
				}
				names[text] = append(names[text], r.Alternatives[i].Name)
			}
		}
		for _, text := range texts {
			n.List = append(n.List, note{text, listOf(slices.Compact(names[text]), len(r.Alternatives))})
		}
		list = append(list, n)
	}
	add("Warnings", "", true, func(a *service.Result) []string { return messages(a.Warnings) })
	add("Limits", "", true, limitsOf)
	add("Modules not declared", "They are in no total; unknown is not zero.", true, func(a *service.Result) []string { return limitations(a.Carbon.NotDeclared) })
	add("Limitations", "", false, func(a *service.Result) []string { return limitations(a.Limitations) })
	add("Assumptions", "", false, func(a *service.Result) []string { return messages(a.Assumptions) })
	return list
}

func listOf(names []string, all int) string {
	if len(names) == all && all > 1 {
		return "all alternatives"
	}
	rest := ""
	if len(names) > namesTold {
		rest = fmt.Sprintf(" and %d more", len(names)-namesTold)
		names = names[:namesTold]
	}
	return strings.Join(names, "; ") + rest
}

func messages(statements []service.Statement) (texts []string) {
	for _, s := range statements {
		texts = append(texts, s.Message)
	}
	return texts
}

// limitations are what is not covered, and why; modules left out for one reason stand
// together.
func limitations(list []service.Limitation) (texts []string) {
	var reasons []string
	modules := map[string][]string{}
	for _, l := range list {
		what := l.Module
		if l.Flow != "" {
			what += " " + l.Flow
		}
		if _, known := modules[l.Reason]; !known {
			reasons = append(reasons, l.Reason)
		}
		modules[l.Reason] = append(modules[l.Reason], what)
	}
	for _, reason := range reasons {
		text := reason
		if what := strings.Trim(strings.Join(modules[reason], ", "), ", "); what != "" {
			text = what + ": " + reason
		}
		texts = append(texts, text)
	}
	return texts
}

func limitsOf(a *service.Result) (texts []string) {
	for _, l := range a.Limits {
		texts = append(texts, fmt.Sprintf("%s: %s. %s", l.Name, strings.ReplaceAll(l.State, "_", " "), l.Reason))
	}
	return texts
}

// pictures are the drawings of a comparison.
func pictures(r *service.ComparisonResponse, shown report.Shown) (figures []template.HTML, err error) {
	drawn := []report.Picture{report.CarbonByModule(r, shown), report.CarbonByItem(r, shown)}
	if r.Economics != nil {
		drawn = append(drawn, report.CashFlow(r, shown), report.CostAgainstCarbon(r, shown))
	}
	drawn = append(drawn, report.CrossSection(r, shown))
	if len(r.Alternatives) <= inColumns {
		for i := range r.Alternatives {
			if a := &r.Alternatives[i]; len(a.Mix.Stages) > 1 {
				drawn = append(drawn, report.StagedMixing(fmt.Sprintf("staged-mixing-%d", i), a, r.Sources, shown))
			}
		}
	}
	for _, picture := range drawn {
		figure, err := picture.Figure()
		if err != nil {
			return nil, err
		}
		figures = append(figures, figure)
	}
	return figures, nil
}

// pinnedTo is a request that names the version that it was answered from. What cannot be
// read stays as it is; it is refused later.
func pinnedTo(request []byte, ref string) []byte {
	document, err := documentOf(request)
	if err != nil || document["inventory"] == ref {
		return request
	}
	document["inventory"] = ref
	if pinned, err := documentText(document); err == nil {
		return pinned
	}
	return request
}
