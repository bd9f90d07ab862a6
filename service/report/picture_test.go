package report_test

import (
	"context"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"golang.org/x/text/language"
	"pgregory.net/rapid"

	"slabledger/service"
	"slabledger/service/report"
)

var update = flag.Bool("update", false, "rewrite the golden files")

func file(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func golden(t *testing.T, path string, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if diff := cmp.Diff(string(file(t, path)), got); diff != "" {
		t.Errorf("%s changed; rewrite it with -update only if the change is meant\n%s", path, diff)
	}
}

// tester is a test, or one case of a property.
type tester interface {
	Helper()
	Fatalf(format string, args ...any)
}

// element is one shape or text as it is read back from a drawing.
type element struct {
	name       string
	attributes map[string]string
	text       string // its own, and that of its title
}

func (e element) number(t tester, name string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(e.attributes[name], 64)
	if err != nil {
		t.Fatalf("%s of %+v: %v", name, e, err)
	}
	return v
}

// elements reads a drawing as XML, which is stricter than HTML, and refuses what a picture
// must not have: other elements, styles, scripts, links, and ids that are not its own.
func elements(t tester, p report.Picture) (list []element) {
	t.Helper()
	d, ids := xml.NewDecoder(strings.NewReader(string(p.SVG))), map[string]bool{}
	allowed := strings.Fields("svg title desc defs pattern rect path line circle text")
	refused := strings.Fields("style href src tabindex")
	var open []int
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return list
		}
		if err != nil {
			t.Fatalf("%s: %v", p.ID, err)
		}
		switch token := token.(type) {
		case xml.StartElement:
			if !slices.Contains(allowed, token.Name.Local) {
				t.Fatalf("%s: element %s", p.ID, token.Name.Local)
			}
			e := element{name: token.Name.Local, attributes: map[string]string{}}
			for _, a := range token.Attr {
				name := a.Name.Local
				if slices.Contains(refused, name) || strings.HasPrefix(name, "on") {
					t.Fatalf("%s: attribute %s", p.ID, name)
				}
				if name == "id" && (ids[a.Value] || !strings.HasPrefix(a.Value, p.ID+"-")) {
					t.Fatalf("%s: id %q", p.ID, a.Value)
				}
				if name == "id" {
					ids[a.Value] = true
				}
				e.attributes[name] = a.Value
			}
			open = append(open, len(list))
			list = append(list, e)
		case xml.CharData:
			for _, i := range open[max(0, len(open)-2):] {
				list[i].text += strings.TrimSpace(string(token))
			}
		case xml.EndElement:
			open = open[:len(open)-1]
		}
	}
}

// answers are those that pictures are made of, by the demo region.
type answers struct {
	comparison  *service.ComparisonResponse
	sized       *service.ComparisonResponse
	sensitivity *service.SensitivityResponse
	uncertainty *service.UncertaintyResponse
	ratios      []service.RatioThickness
	curves      []service.BeamCurvePoints
}

func member(name, value string) string { return `"` + name + `":` + value }

func object(members ...string) []byte { return []byte("{" + strings.Join(members, ",") + "}") }

func answered(t testing.TB) *answers {
	t.Helper()
	svc, ctx, a := newService(t), context.Background(), &answers{}
	fatal := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err, service.Faults(err))
		}
	}
	body := file(t, "../../testdata/demo/comparison.json")
	var err error
	a.comparison, err = svc.Compare(ctx, body)
	fatal(err)
	a.sized, err = svc.Compare(ctx, file(t, "../../testdata/scenarios/lab-to-slab.json"))
	fatal(err)
	a.sensitivity, err = svc.Sensitivity(ctx, object(member("comparison", string(body)), member("first", `"fibre, staged"`), member("second", `"plain"`), member("measure", `"net_present_value"`), member("percent", `"20 %"`)))
	fatal(err)
	a.uncertainty, err = svc.Uncertainty(ctx, object(member("comparison", string(body)), member("samples", "4000"), member("seed", "7")))
	fatal(err)
	design := *a.sized.Alternatives[0].Resolved.Slab.Thickness.Design
	var percents []decimal.Decimal
	for r := int64(0); r <= 40; r += 4 {
		percents = append(percents, decimal.NewFromInt(r))
	}
	a.ratios, err = service.ThicknessByRatio(design, percents)
	fatal(err)
	tests := *a.sized.Alternatives[1].Resolved.Slab.Thickness.Design.Strength.BeamTests
	curves, faults := service.BeamCurves(tests)
	if !faults.Empty() {
		t.Fatal(faults.All())
	}
	a.curves = curves
	return a
}

// pictures draws all that there are.
func (a *answers) pictures(shown report.Shown) []report.Picture {
	r := a.comparison
	list := []report.Picture{report.CarbonByModule(r, shown), report.CarbonByItem(r, shown), report.CashFlow(r, shown), report.CostAgainstCarbon(r, shown), report.CrossSection(r, shown),
		report.Swing(a.sensitivity, shown), report.ThicknessAgainstRatio("thickness-ratio", a.ratios, shown), report.LoadDeflection("load-deflection", a.curves, shown)}
	for i := range r.Alternatives {
		list = append(list, report.StagedMixing(fmt.Sprintf("mixing-%d", i), &r.Alternatives[i], r.Sources, shown))
	}
	for i := range a.sized.Alternatives[:2] {
		list = append(list, report.DamageByAxleGroup(fmt.Sprintf("damage-%d", i), a.sized.Alternatives[i].ThicknessDesign, shown))
	}
	for i := range a.uncertainty.Pairs {
		p := &a.uncertainty.Pairs[i]
		for k := range p.Differences {
			q := &p.Differences[k]
			list = append(list, report.Difference(report.DifferenceID(i, q.Measure), a.uncertainty, p, q, shown))
		}
	}
	return list
}

// The pictures of the demo are the same on every machine.
func TestPicturesOfTheDemo(t *testing.T) {
	for _, p := range answered(t).pictures(report.Shown{}) {
		elements(t, p)
		if !strings.Contains("carbon-by-module carbon-by-item cash-flow cost-against-carbon cross-section swing mixing-2 damage-1", p.ID) {
			continue
		}
		golden(t, "../../testdata/golden/picture-"+p.ID+".svg", string(p.SVG)+"\n")
	}
}

// names that people, files and attackers give to alternatives.
var hostileNames = []string{
	strings.Repeat("very long ", 20), `</svg><script>alert(1)</script>`, "\u05d1\u05d8\u05d5\u05df \u05e1\u05d9\u05d1\u05d9\u05dd 0.5 %", "a\u202eb\x00\x1b[2J", `" onload="alert(1)`, "&amp;]]>{{.}}",
	"\u6df7\u51dd\u571f\u7e96\u7dad\u88dc\u5f37\u6df7\u51dd\u571f\u7e96\u7dad\u88dc\u5f37\u6df7\u51dd\u571f", "e\u0301\u0301\u0301\u0301", " ", "\xff\xfe", "../../x#y?z",
}

// hostile are the answers with every name changed to a bad one.
func hostile(t testing.TB) *answers {
	t.Helper()
	a := answered(t)
	name := func(i int) string { return hostileNames[i%len(hostileNames)] }
	r := a.comparison
	for i := range hostileNames { // as many alternatives as names
		if i >= len(r.Alternatives) {
			r.Alternatives = append(r.Alternatives, r.Alternatives[i%3])
		}
		r.Alternatives[i].Name = name(i)
	}
	r.Comparison.Baseline, r.Comparison.Pareto = name(1), []string{name(0), name(2), name(5)}
	for i := range r.Sources {
		r.Sources[i].Name = name(i)
	}
	a.sensitivity.First, a.sensitivity.Second = name(0), name(2)
	for i := range a.sensitivity.Lines {
		a.sensitivity.Lines[i].Name = name(i)
	}
	for i := range a.uncertainty.Pairs {
		a.uncertainty.Pairs[i].First, a.uncertainty.Pairs[i].Second = name(i), name(i+2)
	}
	for i := range a.curves {
		a.curves[i].Beam = name(i)
	}
	return a
}

// many is a comparison of n alternatives, whose figures are those of the demo with a
// little more or less of them.
func many(t testing.TB, r *service.ComparisonResponse, n int) *service.ComparisonResponse {
	t.Helper()
	out := *r
	out.Alternatives, out.Comparison.Pareto = nil, nil
	for i := range n {
		a := r.Alternatives[i%len(r.Alternatives)]
		cost := *a.Cost
		cost.NetPresentValuePerM2.Decimal = cost.NetPresentValuePerM2.Add(decimal.New(int64(i*37%101), -1))
		a.Cost = &cost
		a.Carbon.TotalKgCO2ePerM2.Decimal = a.Carbon.TotalKgCO2ePerM2.Sub(decimal.New(int64(i*53%97), -1))
		a.Name = fmt.Sprintf("%s, variant %d", a.Name, i)
		out.Alternatives = append(out.Alternatives, a)
	}
	for _, a := range out.Alternatives {
		beaten := slices.ContainsFunc(out.Alternatives, func(b service.Result) bool {
			x, y := b.Cost.NetPresentValuePerM2.Cmp(a.Cost.NetPresentValuePerM2.Decimal), b.Carbon.TotalKgCO2ePerM2.Cmp(a.Carbon.TotalKgCO2ePerM2.Decimal)
			return x <= 0 && y <= 0 && x+y < 0
		})
		if !beaten {
			out.Comparison.Pareto = append(out.Comparison.Pareto, a.Name)
		}
	}
	out.Comparison.Baseline = out.Alternatives[0].Name
	return &out
}

// checked looks at what every picture has, and returns its elements.
func checked(t testing.TB, p report.Picture) []element {
	t.Helper()
	if p.ID == "" || p.Title == "" || p.Description == "" || !utf8.ValidString(p.Description) {
		t.Fatalf("a picture without words: %+v", p)
	}
	for _, row := range p.Table.Rows {
		if len(row) != len(p.Table.Columns) {
			t.Fatalf("%s: a row of %d cells in %d columns", p.ID, len(row), len(p.Table.Columns))
		}
	}
	if _, err := p.Figure(); err != nil {
		t.Fatal(err)
	}
	if p.SVG == "" {
		return nil
	}
	list := elements(t, p)
	svg := list[0]
	if svg.attributes["role"] != "img" || svg.attributes["aria-labelledby"] != p.ID+"-title "+p.ID+"-desc" || svg.attributes["width"] != "" {
		t.Fatalf("%s: %+v", p.ID, svg)
	}
	box := strings.Fields(svg.attributes["viewBox"])
	wide, _ := strconv.ParseFloat(box[2], 64)
	high, _ := strconv.ParseFloat(box[3], 64)
	for _, e := range list {
		x, y := "x", "y"
		if e.name == "circle" {
			x, y = "cx", "cy"
		}
		if e.attributes[x] == "" {
			continue
		}
		if e.number(t, x) < 0 || e.number(t, x) > wide || e.number(t, y) < 0 || e.number(t, y) > high {
			t.Errorf("%s: outside of %v: %+v", p.ID, box, e)
		}
		if e.name == "rect" && (e.number(t, "width") < 0 || e.number(t, "height") < 0) {
			t.Errorf("%s: %+v", p.ID, e)
		}
	}
	return list
}

// Names of any kind neither break a drawing nor become part of its markup, in any
// unit, on any basis.
func TestHostileNamesStayText(t *testing.T) {
	a := hostile(t)
	for _, shown := range []report.Shown{{}, {Basis: report.WholeJob, US: true}, {Basis: report.PerLane, Locale: language.German}} {
		for _, p := range a.pictures(shown) {
			checked(t, p)
			figure, err := p.Figure()
			if err != nil {
				t.Fatal(err)
			}
			if strings.Contains(string(figure), "<script") || strings.Contains(string(figure), "\u202e") {
				t.Errorf("%s: a name became markup or turns the writing", p.ID)
			}
		}
	}
}

func FuzzNamesInPictures(f *testing.F) {
	for _, name := range hostileNames {
		f.Add(name)
	}
	r := answered(f).comparison
	f.Fuzz(func(t *testing.T, name string) {
		r := *r
		r.Alternatives = slices.Clone(r.Alternatives)
		r.Alternatives[1].Name, r.Comparison.Baseline = name, name
		for _, p := range []report.Picture{report.CarbonByModule(&r, report.Shown{}), report.CostAgainstCarbon(&r, report.Shown{}), report.StagedMixing("mixing", &r.Alternatives[1], r.Sources, report.Shown{})} {
			checked(t, p)
		}
	})
}

// A page can have all pictures, as no two share an id.
func TestIDsDoNotCollideOnAPage(t *testing.T) {
	seen := map[string]bool{}
	for _, p := range answered(t).pictures(report.Shown{}) {
		for _, e := range checked(t, p) {
			if id := e.attributes["id"]; id != "" && seen[id] {
				t.Errorf("%s stands twice", id)
			} else if id != "" {
				seen[id] = true
			}
		}
	}
}

// fixed is a figure of a test.
func fixed(text string) *service.Fixed {
	return &service.Fixed{Decimal: decimal.RequireFromString(text)}
}

// The width of each bar is proportional to its figure, whatever the figures are: uptake
// below zero, nothing, very much, very little. Both ends of a bar are rounded to a tenth,
// so a width is right to 0.1, and so is the one that it is held against.
func TestBarsAreProportionalToTheirFigures(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		figure := rapid.Custom(func(t *rapid.T) *service.Fixed {
			if rapid.IntRange(0, 4).Draw(t, "declared") == 0 {
				return nil
			}
			return &service.Fixed{Decimal: decimal.New(rapid.Int64Range(-1_000_000, 5_000_000).Draw(t, "amount"), -6).Shift(rapid.Int32Range(0, 9).Draw(t, "power"))}
		})
		r := &service.ComparisonResponse{}
		r.Inventory.Currency = "EUR"
		for i := range rapid.IntRange(1, 5).Draw(t, "alternatives") {
			a := service.Result{Name: fmt.Sprintf("a%d", i)}
			m := &a.Carbon.Modules
			for _, at := range []**service.Fixed{&m.A1A3, &m.A4, &m.A5, &m.B1, &m.B3, &m.C4} {
				if *at = figure.Draw(t, "figure"); *at != nil {
					a.Carbon.TotalKgCO2ePerM2.Decimal = a.Carbon.TotalKgCO2ePerM2.Add((*at).Decimal)
				}
			}
			a.Carbon.BeyondBoundaryDKgCO2ePerM2 = figure.Draw(t, "D")
			r.Alternatives = append(r.Alternatives, a)
		}
		p := report.CarbonByModule(r, report.Shown{})
		widths := map[string]float64{}
		for _, e := range elements(t, p) {
			if class := e.attributes["class"]; e.name == "rect" && (class == "bar" || class == "beside") {
				name, _, _ := strings.Cut(e.text, ":")
				widths[name], _ = strconv.ParseFloat(e.attributes["width"], 64)
			}
		}
		type bar struct{ value, width float64 }
		var bars []bar
		largest := bar{}
		for _, row := range p.Table.Rows {
			for c, column := range p.Table.Columns[1:] {
				cell := strings.NewReplacer(",", "", "−", "-").Replace(row[c+1])
				value, err := strconv.ParseFloat(cell, 64)
				if err != nil || strings.HasPrefix(column.Head, "Total") {
					continue
				}
				name := row[0] + ", " + column.Head
				if strings.HasPrefix(column.Head, "D,") {
					name = row[0] + ", module D"
				}
				width, drawn := widths[name]
				if drawn == (value == 0) && !strings.HasPrefix(column.Head, "D,") {
					t.Fatalf("%s of %v: drawn %v", name, value, drawn)
				}
				bars = append(bars, bar{math.Abs(value), width})
				if math.Abs(value) > largest.value {
					largest = bars[len(bars)-1]
				}
			}
		}
		for _, b := range bars {
			if want := b.value * largest.width / largest.value; math.Abs(b.width-want) > 0.2+1e-9 {
				t.Fatalf("%v is %v wide, want %v, as %v is %v wide", b.value, b.width, want, largest.value, largest.width)
			}
		}
	})
}

// The tables hold the figures of the answer, digit by digit.
func TestTablesHoldTheFiguresOfTheAnswer(t *testing.T) {
	a := answered(t)
	r := a.comparison
	cell := func(p report.Picture, row int, head string) string {
		t.Helper()
		for c, column := range p.Table.Columns {
			if column.Head == head {
				return p.Table.Rows[row][c]
			}
		}
		t.Fatalf("%s has no column %s", p.ID, head)
		return ""
	}
	same := func(where, got string, want decimal.Decimal) {
		t.Helper()
		v, err := decimal.NewFromString(strings.NewReplacer(",", "", "−", "-").Replace(got))
		if err != nil || !v.Equal(want) {
			t.Errorf("%s: %q, want %s", where, got, want)
		}
	}
	modules, items, flow, scatter := report.CarbonByModule(r, report.Shown{}), report.CarbonByItem(r, report.Shown{}), report.CashFlow(r, report.Shown{}), report.CostAgainstCarbon(r, report.Shown{})
	row := 0
	for i := range r.Alternatives {
		x := &r.Alternatives[i]
		m := &x.Carbon.Modules
		same("A1-A3", cell(modules, i, "A1-A3"), m.A1A3.Decimal)
		same("B2-B5", cell(modules, i, "B2-B5"), decimal.Sum(m.B2.Decimal, m.B3.Decimal, m.B4.Decimal, m.B5.Decimal))
		same("total", cell(modules, i, "Total of declared modules"), x.Carbon.TotalKgCO2ePerM2.Decimal)
		sum := decimal.Zero
		for c := 1; c < len(items.Table.Columns)-1; c++ {
			if v, err := decimal.NewFromString(items.Table.Rows[i][c]); err == nil {
				sum = sum.Add(v)
			}
		}
		same("sum of items", items.Table.Rows[i][len(items.Table.Columns)-1], sum)
		same("total by items", items.Table.Rows[i][len(items.Table.Columns)-1], x.Carbon.TotalKgCO2ePerM2.Decimal)
		same("net present value", cell(scatter, i, "Net present value"), x.Cost.NetPresentValuePerM2.Decimal)
		for row+1 < len(flow.Table.Rows) && flow.Table.Rows[row+1][0] == x.Name {
			row++
		}
		same("last year", cell(flow, row, "Present value up to the year"), x.Cost.NetPresentValuePerM2.Decimal)
		row++
	}
	if got := cell(scatter, 1, "Pareto front"); got != "no" {
		t.Errorf("fibre is on the front: %s", got)
	}
	swing := report.Swing(a.sensitivity, report.Shown{})
	for i, l := range a.sensitivity.Lines {
		same("low", cell(swing, i, "Difference, low"), l.Low.Difference.Decimal)
		same("high", cell(swing, i, "Difference, high"), l.High.Difference.Decimal)
	}
	pair := &a.uncertainty.Pairs[0]
	difference := report.Difference("d", a.uncertainty, pair, &pair.Differences[0], report.Shown{})
	for i, p := range pair.Differences[0].Percentiles {
		same("percentile", cell(difference, i, "Difference"), p.Value.Decimal)
	}
	thickness := a.sized.Alternatives[0].ThicknessDesign
	damage := report.DamageByAxleGroup("x", thickness, report.Shown{})
	for i, l := range thickness.Damage {
		same("fatigue", cell(damage, i, "Fatigue damage"), l.FatigueDamagePercent.Decimal)
		same("erosion", cell(damage, i, "Erosion damage"), l.ErosionDamagePercent.Decimal)
	}
	ratios := report.ThicknessAgainstRatio("x", a.ratios, report.Shown{})
	for i, p := range a.ratios {
		same("thickness", cell(ratios, i, "Required thickness"), p.RequiredMM.Decimal)
	}
}

// What is not there is said in words: no cost, no lane, nothing declared, no front.
func TestPicturesOfLittle(t *testing.T) {
	r := answered(t).comparison
	r.Alternatives = r.Alternatives[:1]
	one := *r
	for _, p := range []report.Picture{report.CarbonByModule(&one, report.Shown{}), report.CarbonByItem(&one, report.Shown{}), report.CashFlow(&one, report.Shown{}), report.CostAgainstCarbon(&one, report.Shown{}), report.CrossSection(&one, report.Shown{})} {
		if checked(t, p) == nil {
			t.Errorf("%s: one alternative is not drawn: %s", p.ID, p.Description)
		}
	}
	none := *r
	none.Alternatives = []service.Result{{Name: "bare"}}
	for name, p := range map[string]report.Picture{
		"no cost": report.CashFlow(&none, report.Shown{}), "no cost ": report.CostAgainstCarbon(&none, report.Shown{}), "no lane": report.CrossSection(&none, report.Shown{}),
		"no lane to count by": report.CarbonByModule(&none, report.Shown{Basis: report.PerLane}), "no lines": report.CarbonByItem(&none, report.Shown{}), "no mix": report.StagedMixing("m", &none.Alternatives[0], nil, report.Shown{}),
		"not sized": report.DamageByAxleGroup("d", nil, report.Shown{}), "no axles": report.DamageByAxleGroup("d", &service.ThicknessResult{Method: "aashto93"}, report.Shown{}),
		"no ratio": report.ThicknessAgainstRatio("t", nil, report.Shown{}), "no curve": report.LoadDeflection("l", nil, report.Shown{}), "no input": report.Swing(&service.SensitivityResponse{}, report.Shown{}),
	} {
		if checked(t, p) != nil || !strings.Contains(p.Description, "nothing to draw") {
			t.Errorf("%s: %q", name, p.Description)
		}
	}
	zero := report.CarbonByModule(&none, report.Shown{})
	if checked(t, zero); !strings.Contains(zero.Description, "0 kg CO₂e/m²") {
		t.Errorf("nothing emitted: %s", zero.Description)
	}
}

// Many alternatives stay readable: some are drawn, the table has all, and the text says so.
func TestPicturesOfManyAlternatives(t *testing.T) {
	r := many(t, answered(t).comparison, 200)
	for _, p := range []report.Picture{report.CarbonByModule(r, report.Shown{}), report.CarbonByItem(r, report.Shown{}), report.CashFlow(r, report.Shown{}), report.CostAgainstCarbon(r, report.Shown{}), report.CrossSection(r, report.Shown{})} {
		list := checked(t, p)
		rows := map[string]bool{}
		for _, row := range p.Table.Rows {
			rows[row[0]] = true
		}
		if len(rows) != 200 {
			t.Errorf("%s: the table has %d alternatives", p.ID, len(rows))
		}
		if drawn := "more stand in the table"; p.ID != "cost-against-carbon" && !strings.Contains(p.Description, drawn) {
			t.Errorf("%s does not say what is left out: %s", p.ID, p.Description)
		}
		points := 0
		for _, e := range list {
			if e.attributes["class"] == "point" {
				points++
			}
		}
		if p.ID == "cost-against-carbon" && points != 200 {
			t.Errorf("%d points", points)
		}
	}
}

// A percentage of the samples that is not all of them never reads 100, and the verdict
// of the answer stands in the words of the picture.
func TestTheDifferenceIsSaidAsItWasFound(t *testing.T) {
	a := answered(t)
	pair := &a.uncertainty.Pairs[0]
	q := pair.Differences[0]
	q.FirstLower.Probability = *fixed("0.9998")
	say := func() string {
		p := report.Difference("d", a.uncertainty, pair, &q, report.Shown{})
		checked(t, p)
		return p.Description
	}
	if got := say(); !strings.Contains(got, "more than 99.9\u00a0% of the samples plain is lower") {
		t.Error(got)
	}
	q.Indistinguishable = true
	if got := say(); !strings.Contains(got, "indistinguishable") || strings.Contains(got, "is lower") {
		t.Error(got)
	}
}

// Only what counts in the net present value is in the flow: road users where the request
// says so.
func TestTheCashFlowEndsAtTheNetPresentValue(t *testing.T) {
	svc := newService(t)
	for _, included := range []string{"true", "false"} {
		body := strings.Replace(string(file(t, "../../testdata/demo/comparison.json")), `{ "item": "partial-patching",`, `{ "item": "partial-patching", "user_cost": "4 EUR/m2",`, 1)
		body = strings.Replace(body, `"real_discount_rate": "3 %"`, `"real_discount_rate": "3 %", "include_user_cost": `+included+`, "carbon_price": {"amount": "80 EUR/t", "in_cost": true}`, 1)
		r, err := svc.Compare(t.Context(), []byte(body))
		if err != nil {
			t.Fatal(err, service.Faults(err))
		}
		p := report.CashFlow(r, report.Shown{})
		checked(t, p)
		last := map[string]string{}
		for _, row := range p.Table.Rows {
			last[row[0]] = row[4]
		}
		for _, a := range r.Alternatives {
			if got := last[a.Name]; got != a.Cost.NetPresentValuePerM2.String() {
				t.Errorf("user cost %s, %s: the flow ends at %s, the net present value is %s", included, a.Name, got, a.Cost.NetPresentValuePerM2)
			}
		}
	}
}
