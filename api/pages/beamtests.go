package pages

import (
	"context"
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/labstack/echo/v4"
	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/service"
	"slabledger/service/report"
)

// beamsView is what the template of beam tests sees.
type beamsView struct {
	formView
	Answer *beamAnswer
}

// beamAnswer is what the tests say, to be read.
type beamAnswer struct {
	Title    string
	Facts    []fact
	Findings []string
	Use      string // whether the rule for structural use of notched beams is met
	Notices  []string
	Hash     string
	Engine   string
	Picture  template.HTML
	Size     string // where a slab is sized with the strength; empty where there is none
	figures
}

// BeamTests shows the form of beam tests with an example of invented data, evaluated.
func (p *Pages) BeamTests(c echo.Context) error {
	text, err := example("beams")
	if err != nil {
		return err
	}
	doc, err := readDocument(text)
	if err != nil {
		return err
	}
	v := beamsView{formView: formView{Example: true, Units: c.QueryParam("units")}}
	if c.QueryParam("empty") == "true" {
		doc, v.Pressed, v.Example = document{"specimens": []any{map[string]any{}}}, true, false
	}
	return p.showBeams(c, newBeamForm(doc), v)
}

// EvaluateBeams takes what was typed and evaluates it, or does what a button of the form
// says. Nothing is stored.
func (p *Pages) EvaluateBeams(c echo.Context) error {
	typed, doc, err := p.typed(c)
	if err != nil {
		return err
	}
	before, err := doc.text()
	if err != nil {
		return err
	}
	f := newBeamForm(doc)
	f.take(typed.Values)
	v := beamsView{formView: formView{Units: typed.Get("units")}}
	var focus fault.Path
	focus, v.Pressed = f.do(typed.Get("do"))
	after, err := doc.text()
	if err != nil {
		return err
	}
	v.Example = typed.Get("example") != "" && string(before) == string(after)
	if len(after) > maxRead {
		return &service.Error{Code: "body-too-large", Detail: fmt.Sprintf("The beam tests have more than %d bytes; thin the curves out, or send them to the interface for programs.", maxRead)}
	}
	f = newBeamForm(doc)
	f.look(focus)
	return p.showBeams(c, f, v)
}

func newBeamForm(doc document) *form {
	f := newPlainForm(doc, "The request", beamMembers, "compression", "elastic_modulus")
	beams, _ := doc.list("/specimens")
	for i := range beams {
		at := fault.Path("/specimens").At(i)
		beam, _ := doc.object(at)
		if n := f.nodes[at.At("curve")]; n != nil && beam["loads"] == nil && beam["strengths"] == nil {
			n.Open = true // what most beams are given by
		}
	}
	return f
}

func (p *Pages) showBeams(c echo.Context, f *form, v beamsView) error {
	ctx := c.Request().Context()
	text, shown, err := v.show(c, f)
	if err != nil {
		return err
	}
	status, title := http.StatusOK, "Reduce beam tests"
	if !v.Pressed {
		answer, err := used(ctx, p, "testBeams", text, p.desk.Service.BeamTests)
		if err == nil {
			if v.Answer, err = p.beamAnswer(ctx, text, answer, shown); err != nil {
				return err
			}
			v.sayInWords(v.Answer.Findings)
		} else {
			status, title = p.refuse(c, &v.formView, err), "Not evaluated: Reduce beam tests"
		}
	}
	return p.Render(c, status, "beamtests", title, v)
}

// quantities are what beams and the tests beside them measure, as people call it.
var quantities = map[string]struct{ name, unit string }{
	"modulus_of_rupture_mpa":        {"Modulus of rupture", "MPa"},
	"first_peak_strength_mpa":       {"First-peak strength", "MPa"},
	"peak_strength_mpa":             {"Peak strength", "MPa"},
	"residual_strength_l600_mpa":    {"Residual strength at L/600", "MPa"},
	"residual_strength_l150_mpa":    {"Residual strength at L/150, f150", "MPa"},
	"toughness_t150_j":              {"Toughness T150", "J"},
	"toughness_ratio_rt150_percent": {"Residual strength ratio by toughness, R_T150", "%"},
	"load_ratio_l150_percent":       {"Residual strength ratio by load, f150/f1", "%"},
	"limit_of_proportionality_mpa":  {"Limit of proportionality", "MPa"},
	"residual_strength_fr1_mpa":     {"Residual strength f_R1", "MPa"},
	"residual_strength_fr2_mpa":     {"Residual strength f_R2", "MPa"},
	"residual_strength_fr3_mpa":     {"Residual strength f_R3", "MPa"},
	"residual_strength_fr4_mpa":     {"Residual strength f_R4", "MPa"},
	"compressive_strength_mpa":      {"Compressive strength", "MPa"},
	"elastic_modulus_mpa":           {"Modulus of elasticity", "MPa"},
}

// quantityName is a quantity with the unit that it is shown in.
func quantityName(quantity string, shown report.Shown) string {
	q, known := quantities[quantity]
	if !known {
		return words(quantity)
	}
	switch q.unit {
	case "MPa":
		return q.name + ", " + shown.StressUnit()
	case "J":
		return q.name + ", " + shown.EnergyUnit()
	}
	return q.name + ", " + q.unit
}

// measured is an amount of a quantity in the unit that it is shown in.
func measured(quantity string, amount decimal.Decimal, shown report.Shown) decimal.Decimal {
	switch quantities[quantity].unit {
	case "MPa":
		return shown.StressOf(amount)
	case "J":
		return shown.EnergyOf(amount)
	}
	return amount
}

func (p *Pages) beamAnswer(ctx context.Context, request []byte, a *service.BeamTestResponse, shown report.Shown) (*beamAnswer, error) {
	out := &beamAnswer{Title: a.Title, Use: structuralUse(a.StructuralUse), Notices: a.Notices, Hash: a.RequestHash, Engine: a.EngineVersion}
	out.Facts = beamFacts(&a.BeamTestResult, shown)
	as := reader{figures: &out.figures, shown: shown}
	as.beams(&a.BeamTestResult)
	out.Findings = beamFindings(&a.BeamTestResult)
	if a.Design.MORMPa != nil {
		out.Size = sizedWith(&a.BeamTestResult)
	}
	var asked service.BeamTestRequest
	if err := json.Unmarshal(request, &asked); err != nil {
		return nil, err
	}
	err := p.desk.Compute(ctx, "testBeams", func(context.Context) error {
		curves, found := service.BeamCurves(asked)
		if !found.Empty() || len(curves) == 0 {
			return nil // what is wrong was told before
		}
		var err error
		out.Picture, err = report.LoadDeflection("load-deflection", curves, shown).Figure()
		return err
	})
	return out, err
}

// structuralUse tells of the rule for structural use; empty where the method has none.
func structuralUse(u *service.StructuralUse) string {
	switch {
	case u == nil:
		return ""
	case u.Met == nil:
		return "Whether the rule for structural use is met cannot be told: " + u.Reason + "."
	case *u.Met:
		return "The rule for structural use is met: " + u.Reason + "."
	}
	return "The rule for structural use is not met: " + u.Reason + "."
}

// beamFacts are what a thickness design takes from the tests.
func beamFacts(a *service.BeamTestResult, shown report.Shown) []fact {
	d := a.Design
	used := 0
	for _, s := range a.Specimens {
		if s.Excluded == nil {
			used++
		}
	}
	beams := fmt.Sprintf("%s at %s", counted(len(a.Specimens), "beam"), counted(a.AgeDays, "day"))
	if used < len(a.Specimens) {
		beams += fmt.Sprintf("; %d left out", len(a.Specimens)-used)
	}
	plain := func(name string) template.HTML { return template.HTML(template.HTMLEscapeString(name)) } //nolint:gosec // escaped
	list := []fact{{plain("Concrete"), a.Mix}, {plain("Tested"), beams}}
	mpa := func(name template.HTML, amount *service.Amount, note string) {
		if amount != nil {
			list = append(list, fact{name, shown.Stress(amount.Decimal) + note})
		}
	}
	mpa(termOf("modulus of rupture", "Modulus of rupture for a design"), d.MORMPa, ", "+spoken[d.Value])
	if s := statisticOf(a, d.Quantity); s != nil && s.Characteristic != nil && d.Value != service.DesignCharacteristic {
		mpa(termOf("characteristic value", "Its characteristic value"), &s.Characteristic.Value, "")
	}
	if d.RatioPercent != nil {
		list = append(list, fact{termOf("residual strength ratio", "Residual strength ratio"), shown.Significant(d.RatioPercent.Decimal) + " %, " + spoken[*d.Ratio]})
	}
	mpa(termOf("residual strength", "Residual strength f150"), d.F150MPa, "")
	mpa(plain("Effective modulus of rupture"), d.EffectiveMORMPa, "; "+ruleInWords(d.StrengthRule))
	return list
}

// sizedWith is the address where a slab is sized with the strength that tests give, for
// the traffic and on the soil of the example; empty where an address cannot hold it.
func sizedWith(a *service.BeamTestResult) string {
	text, err := example("thickness")
	var request service.ThicknessRequest
	if err != nil || json.Unmarshal(text, &request) != nil {
		return ""
	}
	request.Strength = strengthFrom(a, a.Design.StrengthRule)
	return sizedAt(request)
}

func statisticOf(a *service.BeamTestResult, quantity string) *service.BeamStatistics {
	at := slices.IndexFunc(a.Statistics, func(s service.BeamStatistics) bool { return s.Quantity == quantity })
	if at < 0 {
		return nil
	}
	return &a.Statistics[at]
}

// orNone is a text that may be absent.
func orNone(text *string) string {
	if text == nil {
		return ""
	}
	return *text
}

func counted(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %ss", n, one)
}

// beams lays out the values of each beam and their statistics.
func (r *reader) beams(a *service.BeamTestResult) {
	amount := func(quantity string, d *service.Amount) string {
		if d == nil {
			return report.Unknown
		}
		return r.n(measured(quantity, d.Decimal, r.shown))
	}
	if len(a.Specimens) > 0 {
		heads := []string{"Beam"}
		for _, v := range a.Specimens[0].Values {
			heads = append(heads, quantityName(v.Name, r.shown))
		}
		leftOut := slices.ContainsFunc(a.Specimens, func(s service.SpecimenResult) bool { return s.Excluded != nil })
		if leftOut {
			heads = append(heads, "Left out, because")
		}
		t := r.table("By beam", heads...)
		for _, s := range a.Specimens {
			row := []string{s.Name}
			for _, v := range s.Values {
				row = append(row, amount(v.Name, v.Amount))
			}
			if leftOut {
				row = append(row, orNone(s.Excluded))
			}
			t.row(row...)
		}
	}
	t := r.table("Statistics", "Quantity", "Values that count", "Mean", "Standard deviation", "Coefficient of variation, %", "95 % confidence interval of the mean", "Characteristic value", "k_n")
	tested := slices.ContainsFunc(a.Statistics, func(s service.BeamStatistics) bool { return s.Outlier != nil })
	if tested {
		t.Head = append(t.Head, "Furthest value")
	}
	for _, s := range a.Statistics {
		between, characteristic, kn, far := report.Unknown, report.Unknown, report.Unknown, report.Unknown
		if i := s.ConfidenceInterval; i != nil {
			between = amount(s.Quantity, &i.Low) + " to " + amount(s.Quantity, &i.High)
		}
		if c := s.Characteristic; c != nil {
			characteristic, kn = amount(s.Quantity, &c.Value), r.shown.Plain(c.KN.Decimal)
		}
		if o := s.Outlier; o != nil {
			far = fmt.Sprintf("%s of %s, %s", amount(s.Quantity, &o.Value), strings.Join(o.Specimens, ", "), map[bool]string{true: "flagged", false: "not flagged"}[o.Flagged])
		}
		t.row(quantityName(s.Quantity, r.shown), fmt.Sprintf("%s of %s", r.shown.Int(s.NUsed), r.shown.Int(s.NTested)), amount(s.Quantity, s.Mean), amount(s.Quantity, s.StandardDeviation), amount("", s.CoefficientOfVariationPercent), between, characteristic, kn)
		if row := &t.Rows[len(t.Rows)-1]; tested {
			*row = append(*row, far)
		}
	}
	for _, companions := range [][]service.CompanionResult{a.Compression, a.ElasticModulus} {
		if len(companions) == 0 {
			continue
		}
		t := r.table("Beside the beams", "Specimen", quantityName(companions[0].Values[0].Name, r.shown), "Left out, because")
		for _, s := range companions {
			t.row(s.Name, amount(s.Values[0].Name, s.Values[0].Amount), orNone(s.Excluded))
		}
	}
}

// beamFindings are what is to be known with the figures, each with what it is of.
func beamFindings(a *service.BeamTestResult) (texts []string) {
	add := func(of string, list []service.Statement) {
		for _, s := range list {
			text := s.Message
			if of != "" {
				text = of + ": " + text
			}
			if !slices.Contains(texts, text) {
				texts = append(texts, text)
			}
		}
	}
	add("", a.Findings)
	for _, s := range a.Specimens {
		add("Beam “"+s.Name+"”", s.Findings)
	}
	for _, s := range a.Statistics {
		name, _, _ := strings.Cut(quantityName(s.Quantity, report.Shown{}), ",")
		add(name, s.Findings)
	}
	add("Design", a.Design.Findings)
	return texts
}
