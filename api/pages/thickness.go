package pages

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/labstack/echo/v4"
	"github.com/shopspring/decimal"

	"slabledger/lca/unit"
	"slabledger/service"
	"slabledger/service/report"
)

// The rules by which a residual strength counts, as the contract has them.
const (
	byRatio = "residual_ratio"
	byF150  = "mor_plus_f150"
)

// formView is what the template of a form sees that stands by itself, with its answer.
type formView struct {
	*form
	Request, Units string
	Example        bool // nothing is changed yet
	Checked        bool // of the form of a comparison; never here
	Pressed        bool // a button of the form was pressed, and nothing computed
	Problem        *Problem
	Wrong          []wrong
	FocusSummary   bool
}

// show takes a form into the view: the request that it shows, and how figures are shown.
func (v *formView) show(c echo.Context, f *form) (request []byte, shown report.Shown, err error) {
	shown = ShownOf(c)
	shown.US = v.Units == "us"
	v.form = f
	if request, err = f.doc.text(); err == nil {
		v.Request, err = packed(request)
	}
	return request, shown, err
}

// refuse tells beside the fields why there is no answer.
func (p *Pages) refuse(c echo.Context, v *formView, err error) (status int) {
	problem := p.desk.Explain(c, err)
	v.Problem, v.Wrong, v.FocusSummary = &problem, v.blame(problem.Faults), true
	return problem.Status
}

// sayInWords has what the service says of a whole request in the words of its form.
func (v *formView) sayInWords(texts []string) {
	for i, text := range texts {
		texts[i] = v.inWords(nil, text)
	}
}

// sizingView is what the template of a thickness sees.
type sizingView struct {
	formView
	Long         bool // too long for an address
	Slabs        []sizedSlab
	Notices      []string
	Hash, Engine string
	Views        []view
	Link         string
}

// example is a request that works, to begin with.
func example(name string) ([]byte, error) { return files.ReadFile("examples/" + name + ".json") }

// Thickness shows the form of a thickness with its answer: of the request in the address,
// or of an example.
func (p *Pages) Thickness(c echo.Context) error {
	text, err := example("thickness")
	if packed := c.QueryParam("request"); packed != "" {
		text, err = readRequest(packed)
	}
	if err != nil {
		return err
	}
	doc, err := readDocument(text)
	if err != nil {
		return &service.Error{Code: service.Malformed, Detail: "The request in the address is not JSON that can be read.", Cause: err}
	}
	return p.showThickness(c, newThicknessForm(doc), sizingView{formView: formView{Example: c.QueryParam("request") == "", Units: c.QueryParam("units")}})
}

// ChangeThickness takes what was typed. It goes on to the address that says it, or does
// what a button of the form says and shows the form again. Nothing is stored.
func (p *Pages) ChangeThickness(c echo.Context) error {
	typed, doc, err := p.typed(c)
	if err != nil {
		return err
	}
	v := sizingView{formView: formView{Units: typed.Get("units")}}
	f := newThicknessForm(doc)
	f.take(typed.Values)
	if focus, known := f.do(typed.Get("do")); known {
		f = newThicknessForm(doc)
		f.look(focus)
		v.Pressed = true
		return p.showThickness(c, f, v)
	}
	text, err := doc.text()
	if err != nil {
		return err
	}
	written, err := writeRequest(text)
	if errors.Is(err, errLong) {
		v.Long = true
		return p.showThickness(c, newThicknessForm(doc), v)
	}
	if err != nil {
		return err
	}
	query := url.Values{"request": {written}}
	if v.Units != "" {
		query.Set("units", v.Units)
	}
	return c.Redirect(http.StatusSeeOther, addressOf("/thickness", query))
}

func newThicknessForm(doc document) *form {
	return newPlainForm(doc, "The request", thicknessMembers, "serviceability", "rounding")
}

// typed reads a form that carries its request along: what was typed, and the request as it
// was shown.
func (p *Pages) typed(c echo.Context) (sent, document, error) {
	typed, err := formOf(c, maxFormBytes)
	if err != nil {
		return sent{}, nil, err
	}
	request, err := readRequest(typed.Get("request"))
	if err != nil {
		return sent{}, nil, err
	}
	doc, err := readDocument(request)
	if err != nil {
		return sent{}, nil, &service.Error{Code: service.Malformed, Detail: "The request in the form is not JSON that can be read.", Cause: err}
	}
	return typed, doc, nil
}

// showThickness writes the form, with its answer unless a button was pressed that goes on
// with the form.
func (p *Pages) showThickness(c echo.Context, f *form, v sizingView) error {
	ctx := c.Request().Context()
	text, shown, err := v.show(c, f)
	if err != nil {
		return err
	}
	status, title := http.StatusOK, "Size a slab"
	if !v.Pressed {
		answer, err := used(ctx, p, "sizeSlab", text, p.desk.Service.SizeSlab)
		if err == nil {
			v.Notices, v.Hash, v.Engine = answer.Notices, answer.RequestHash, answer.EngineVersion
			if v.Slabs, err = p.sizedByMethods(ctx, text, answer, shown); err != nil {
				return err
			}
			for _, slab := range v.Slabs {
				v.sayInWords(slab.Warnings)
			}
		} else {
			status, title = p.refuse(c, &v.formView, err), "Not computed: Size a slab"
		}
	}
	if c.Request().Method == http.MethodGet {
		views, err := viewsOf(c.Request().URL.RequestURI(), shown)
		if err != nil {
			return err
		}
		v.Views = views[1:]
		v.Link = c.Scheme() + "://" + c.Request().Host + c.Request().URL.RequestURI()
	}
	return p.Render(c, status, "thickness", title, v)
}

// sizedByMethods are the answers of the methods with their pictures.
func (p *Pages) sizedByMethods(ctx context.Context, request []byte, answer *service.ThicknessResponse, shown report.Shown) (slabs []sizedSlab, err error) {
	var asked service.ThicknessRequest
	if err := json.Unmarshal(request, &asked); err != nil {
		return nil, err
	}
	err = p.desk.Compute(ctx, "sizeSlab", func(ctx context.Context) error {
		for i := range answer.Results {
			r := &answer.Results[i]
			slab, err := sizedOf(ctx, i, "", r, service.ThicknessDesign{Method: r.Method, Sizing: asked.Sizing}, shown)
			if err != nil {
				return err
			}
			slab.Warnings = messages(r.Warnings)
			slabs = append(slabs, slab)
		}
		return nil
	})
	return slabs, err
}

// sizedSlab is a slab whose thickness a method found or checked.
type sizedSlab struct {
	ID, Name string // of the alternative, where it is one
	Method   string
	Facts    []fact
	figures
	Warnings []string
	Pictures []template.HTML
	Open     string // where it can be sized by itself; empty where an address cannot hold it
}

// sizedOf tells what a method says of a slab, and draws it.
func sizedOf(ctx context.Context, n int, name string, r *service.ThicknessResult, d service.ThicknessDesign, shown report.Shown) (sizedSlab, error) {
	s := sizedSlab{ID: fmt.Sprintf("sized-%d", n), Name: name, Method: spoken[r.Method], Facts: sizingFacts(r, d, shown), figures: figures{ID: fmt.Sprintf("sized-%d-", n)}}
	length := shown.LengthUnit()
	if name != "" {
		s.Facts = slices.Insert(s.Facts, 0, fact{"Method", s.Method})
	}
	as := reader{figures: &s.figures, shown: shown}
	if len(r.Criteria) > 0 {
		t := as.table("What ends the life of the slab", "Criterion", "Thickness it needs, "+length, "Used up at the thickness above, %")
		for _, criterion := range r.Criteria {
			t.row(words(criterion.Criterion)+map[bool]string{true: " (governs)"}[criterion.Criterion == r.Governs && len(r.Criteria) > 1], lengthOf(shown, criterion.RequiredMM), shown.Significant(criterion.DamagePct.Decimal))
		}
	}
	if len(r.Sensitivity) > 0 {
		t := as.table("Sized again with one input moved", "Input", "Moved by, %", "Thickness it needs, "+length, "Difference, "+length, "Governs", "Why there is none")
		for _, l := range r.Sensitivity {
			t.row(words(l.Parameter), shown.Int(l.ChangePercent), lengthOf(shown, l.RequiredMM), lengthOf(shown, l.DifferenceMM), words(l.Governs), l.Reason)
		}
	}
	var drawn []report.Picture
	if len(r.Damage) > 0 {
		drawn = append(drawn, report.DamageByAxleGroup(fmt.Sprintf("damage-%d", n), r, shown))
	}
	if percents := ratiosFor(r, d); percents != nil {
		points, err := service.ThicknessByRatio(d, percents)
		if err == nil { // else the method does not size the slab at every one of these ratios
			drawn = append(drawn, report.ThicknessAgainstRatio(fmt.Sprintf("thickness-ratio-%d", n), points, shown))
		}
	}
	if d.Strength.BeamTests != nil {
		curves, found := service.BeamCurves(*d.Strength.BeamTests)
		if found.Empty() && len(curves) > 0 {
			drawn = append(drawn, report.LoadDeflection(fmt.Sprintf("load-deflection-%d", n), curves, shown))
		}
	}
	for _, picture := range drawn {
		figure, err := picture.Figure()
		if err != nil {
			return s, err
		}
		s.Pictures = append(s.Pictures, figure)
	}
	return s, ctx.Err()
}

// sizingFacts are what a method took and what it found.
func sizingFacts(r *service.ThicknessResult, d service.ThicknessDesign, shown report.Shown) []fact {
	length := shown.LengthUnit()
	plain := func(name string) template.HTML { return template.HTML(template.HTMLEscapeString(name)) } //nolint:gosec // escaped
	list := []fact{{plain("Thickness"), shown.Length(r.ThicknessMM.Decimal) + " " + length}}
	if r.RequiredMM != nil {
		list = append(list, fact{plain("The least that carries the traffic"), lengthOf(shown, r.RequiredMM) + " " + length})
	} else {
		list = append(list, fact{plain("Carries the traffic"), yes(r.Pass)})
	}
	if r.RoundedByMM != nil {
		list = append(list, fact{plain("Rounded by"), fmt.Sprintf("%s %s (%s %%)", lengthOf(shown, r.RoundedByMM), length, shown.Significant(r.RoundedByPercent.Decimal))})
	}
	list = append(list, fact{plain("Governed by"), words(r.Governs)},
		fact{termOf("modulus of rupture", "Strength counted on"), fmt.Sprintf("%s; %s", shown.Stress(r.EffectiveStrengthMPa.Decimal), ruleInWords(r.StrengthRule))})
	if ratio, known := ratioOf(r, d); known {
		list = append(list, fact{termOf("residual strength ratio", "Residual strength ratio"), shown.Significant(ratio) + " %"})
	}
	if factor := d.Traffic.LoadSafetyFactor; factor != "" && r.Method != aashto93 {
		list = append(list, fact{termOf("load safety factor", "Load safety factor"), factor})
	}
	switch {
	case r.Soil != nil:
		list = append(list, fact{termOf("modulus of subgrade reaction", "Modulus of subgrade reaction"), shown.Reaction(r.Soil.K.Decimal) + " on top of the base"})
	case d.Soil.K != "":
		k := d.Soil.K // as it is given
		if q, err := unit.Parse(k, unit.SubgradeReaction); err == nil && shown.US {
			k = shown.Reaction(q.SI().Shift(-6))
		}
		list = append(list, fact{termOf("modulus of subgrade reaction", "Modulus of subgrade reaction"), k})
	case d.Soil.CBR != "":
		list = append(list, fact{plain("California bearing ratio"), d.Soil.CBR})
	}
	if r.AllowableAxles != nil {
		list = append(list, fact{plain("Equivalent axles it carries"), shown.Significant(r.AllowableAxles.Decimal)})
	}
	if r.EquivalentAxles != nil {
		list = append(list, fact{plain("Equivalent axles that come"), shown.Significant(r.EquivalentAxles.Total.Decimal)})
	}
	return list
}

func ruleInWords(rule string) string {
	if text, known := spoken[rule]; known {
		return text
	}
	return "without residual strength"
}

// lengthOf is a length that may be absent.
func lengthOf(shown report.Shown, mm *service.Plain) string {
	if mm == nil {
		return report.Unknown
	}
	return shown.Length(mm.Decimal)
}

// ratioOf is the residual strength ratio that a design rests on, in per cent.
func ratioOf(r *service.ThicknessResult, d service.ThicknessDesign) (percent decimal.Decimal, known bool) {
	switch {
	case r.StrengthRule != byRatio:
		return decimal.Zero, false
	case r.BeamTests != nil && r.BeamTests.Design.RatioPercent != nil:
		return r.BeamTests.Design.RatioPercent.Decimal, true
	}
	q, err := unit.Parse(d.Strength.ResidualRatio, unit.Ratio)
	return q.SI().Shift(2), err == nil
}

// ratiosFor are the residual strength ratios at which a slab is sized again, in per cent:
// from none to a half, and on to that of the design where it has more. There are none
// where it does not rest on such a ratio.
func ratiosFor(r *service.ThicknessResult, d service.ThicknessDesign) (percents []decimal.Decimal) {
	const step, half, most = 5, 50, 100
	ratio, known := ratioOf(r, d)
	if !known {
		return nil
	}
	for n := int64(0); n <= half || n <= most && decimal.NewFromInt(n-step).LessThan(ratio); n += step {
		percents = append(percents, decimal.NewFromInt(n))
	}
	return percents
}

// thicknesses are the slabs of a comparison that a method sized, with a row each.
type thicknesses struct {
	Table *figureTable
	Slabs []sizedSlab
}

// sizedSlabs tells of the slabs of a comparison that a method sized; nil where there is
// none. Where there are many, their pictures are left out.
func (p *Pages) sizedSlabs(ctx context.Context, r *service.ComparisonResponse, shown report.Shown) (*thicknesses, error) {
	if !slices.ContainsFunc(r.Alternatives, func(a service.Result) bool { return a.ThicknessDesign != nil }) {
		return nil, nil
	}
	all := figures{ID: "sizes-"}
	length := shown.LengthUnit()
	t := all.table("Slabs sized by a method", "Alternative", "Method", "Thickness, "+length, "Least that carries the traffic, "+length, "By each criterion, "+length, "Governed by", "Strength counted on, "+shown.StressUnit(), "Load safety factor")
	out := &thicknesses{}
	err := p.desk.Compute(ctx, "sizeSlab", func(ctx context.Context) error {
		for i := range r.Alternatives {
			a := &r.Alternatives[i]
			if a.ThicknessDesign == nil || a.Resolved.Slab == nil || a.Resolved.Slab.Thickness.Design == nil {
				continue
			}
			s, d := a.ThicknessDesign, *a.Resolved.Slab.Thickness.Design
			factor := d.Traffic.LoadSafetyFactor
			if factor == "" {
				factor = report.Unknown
			}
			var by []string
			for _, criterion := range s.Criteria {
				by = append(by, words(criterion.Criterion)+" "+lengthOf(shown, criterion.RequiredMM))
			}
			t.row(a.Name, standards[s.Method], shown.Length(s.ThicknessMM.Decimal), lengthOf(shown, s.RequiredMM), strings.Join(by, "; "), words(s.Governs), shown.Significant(shown.StressOf(s.EffectiveStrengthMPa.Decimal)), factor)
			if len(r.Alternatives) > inColumns {
				continue
			}
			slab, err := sizedOf(ctx, i, a.Name, s, d, shown)
			if err != nil {
				return err
			}
			slab.Open = alone(s, d)
			out.Slabs = append(out.Slabs, slab)
		}
		return nil
	})
	out.Table = t
	return out, err
}

// alone is the address where the slab of an alternative is sized by itself; empty where
// an address cannot hold it. A strength from beam tests is written as what they say.
func alone(r *service.ThicknessResult, d service.ThicknessDesign) string {
	request := service.ThicknessRequest{Methods: []string{d.Method}, Sizing: d.Sizing}
	if r.BeamTests != nil {
		request.Strength = strengthFrom(r.BeamTests, r.StrengthRule)
		request.Strength.CoefficientOfVariation = d.Strength.CoefficientOfVariation
	}
	return sizedAt(request)
}

// strengthFrom is what beam tests say of a strength, written out.
func strengthFrom(tests *service.BeamTestResult, rule string) service.DesignStrength {
	strength := service.DesignStrength{Rule: rule}
	if mor := tests.Design.MORMPa; mor != nil {
		strength.ModulusOfRupture = mor.String() + " MPa"
	}
	switch ratio, f150 := tests.Design.RatioPercent, tests.Design.F150MPa; {
	case rule == byRatio && ratio != nil:
		strength.ResidualRatio = ratio.String() + " %"
	case rule == byF150 && f150 != nil:
		strength.F150 = f150.String() + " MPa"
	}
	return strength
}

// sizedAt is the address of a thickness; empty where an address cannot hold it.
func sizedAt(request service.ThicknessRequest) string {
	text, err := json.Marshal(request)
	if err != nil {
		return ""
	}
	written, err := writeRequest(text)
	if err != nil {
		return ""
	}
	return addressOf("/thickness", url.Values{"request": {written}})
}
