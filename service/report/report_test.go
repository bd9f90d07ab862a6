package report_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/cockroachdb/apd/v3"
	"github.com/go-json-experiment/json"
	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/html"
	"golang.org/x/text/language"

	"slabledger/inventory"
	"slabledger/service"
	"slabledger/service/report"
)

// reported computes a comparison with its grounds, as the service does for a report.
func reported(t testing.TB, svc *service.Service, request []byte) report.Reported {
	t.Helper()
	grounds, err := svc.Grounds(t.Context(), request)
	if err != nil {
		t.Fatal(err, service.Faults(err))
	}
	return report.Reported{Request: request, Comparison: compared(t, svc, request), Grounds: grounds}
}

func page(t testing.TB, in report.Reported) string {
	t.Helper()
	var b bytes.Buffer
	if err := report.Report(&b, in); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// readPage reads a report as browsers do, and refuses what it must not have: scripts,
// other styles, what is loaded, and ids that stand twice.
func readPage(t testing.TB, text string) *html.Node {
	t.Helper()
	root, err := html.Parse(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	ids, styles := map[string]bool{}, 0
	for n := range root.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		if slices.Contains(strings.Fields("script link img iframe object embed base form image use foreignobject"), strings.ToLower(n.Data)) {
			t.Errorf("the page has an element %s", n.Data)
		}
		if n.Data == "style" {
			styles++
			sum := sha256.Sum256([]byte(n.FirstChild.Data))
			if want := "sha256-" + base64.StdEncoding.EncodeToString(sum[:]); report.ReportStyle != want {
				t.Errorf("the policy lets in %s, the style is %s", report.ReportStyle, want)
			}
			if strings.Contains(n.FirstChild.Data, "url(") || strings.Contains(n.FirstChild.Data, "@import") {
				t.Error("the style loads something")
			}
		}
		for _, a := range n.Attr {
			if strings.HasPrefix(a.Key, "on") || a.Key == "style" || a.Key == "src" || a.Key == "href" && !strings.HasPrefix(a.Val, "#section-") {
				t.Errorf("%s has %s=%q", n.Data, a.Key, a.Val)
			}
			if a.Key == "id" && ids[a.Val] {
				t.Errorf("the id %s stands twice", a.Val)
			}
			if a.Key == "id" {
				ids[a.Val] = true
			}
		}
	}
	if styles != 1 {
		t.Errorf("%d styles", styles)
	}
	return root
}

func textOf(n *html.Node) string {
	var b strings.Builder
	for d := range n.Descendants() {
		if d.Type == html.TextNode {
			b.WriteString(d.Data)
		}
	}
	return b.String()
}

func inside(n *html.Node, name string) (list []*html.Node) {
	for d := range n.Descendants() {
		if d.Type == html.ElementNode && d.Data == name {
			list = append(list, d)
		}
	}
	return list
}

// tableOf is the body of the table whose caption begins so, its rows by their heads; a
// head that stands twice has the cells of both.
func tableOf(t testing.TB, root *html.Node, caption string) (columns []string, rows map[string][]string) {
	t.Helper()
	for _, table := range inside(root, "table") {
		if captions := inside(table, "caption"); len(captions) != 1 || !slices.Contains(table.Parent.Attr, html.Attribute{Key: "class", Val: "scroll"}) || !strings.HasPrefix(textOf(captions[0]), caption) {
			continue
		}
		for _, th := range inside(inside(table, "thead")[0], "th") {
			columns = append(columns, textOf(th))
		}
		rows = map[string][]string{}
		for _, tr := range inside(inside(table, "tbody")[0], "tr") {
			head := textOf(inside(tr, "th")[0])
			for _, td := range inside(tr, "td") {
				rows[head] = append(rows[head], textOf(td))
			}
		}
		return columns, rows
	}
	t.Fatalf("no table %q", caption)
	return nil, nil
}

// rounded is a figure of the answer as the report says that it rounds, by another library:
// to so many decimals, or, below zero, to three significant digits.
func rounded(t testing.TB, figure fmt.Stringer, times string, places int32) string {
	t.Helper()
	exact := apd.BaseContext.WithPrecision(60)
	exact.Rounding = apd.RoundHalfEven
	d, _, err := apd.NewFromString(figure.String())
	if err != nil {
		t.Fatal(err)
	}
	factor, _, err := apd.NewFromString(times)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := exact.Mul(d, d, factor); err != nil {
		t.Fatal(err)
	}
	if d.IsZero() && places < 0 {
		return "0"
	}
	if places >= 0 {
		_, err = exact.Quantize(d, d, -places)
	} else {
		three := apd.BaseContext.WithPrecision(3)
		three.Rounding = apd.RoundHalfEven
		_, err = three.Round(d, d)
		if digits := d.NumDigits(); err == nil && digits < 3 {
			_, err = exact.Quantize(d, d, d.Exponent-int32(3-digits))
		}
	}
	if err != nil {
		t.Fatal(err)
	}
	return strings.Replace(d.Text('f'), "-", "−", 1)
}

// same compares numbers with digits set apart by commas with those without.
func same(got, want string) bool { return strings.ReplaceAll(got, ",", "") == want }

const significant = -1

// The report of the demo is the same on every machine.
func TestReportOfTheDemo(t *testing.T) {
	in := reported(t, newService(t), testdata(t, "demo/comparison.json"))
	text := page(t, in)
	said := textOf(readPage(t, text))
	golden(t, "../../testdata/golden/report.html", text)
	if again := page(t, in); again != text {
		t.Error("the second report is another")
	}
	if first := strings.Index(text, service.Caution); first < 0 || first > strings.Index(text, "1. Answer") {
		t.Error("the caution does not stand before the answer")
	}
	for _, want := range []string{"INVENTED", in.Comparison.Inventory.Hash, in.Comparison.RequestHash, "seed 1;", "10,000 times", "docs/verify.py", "EN 15804+A2", "ASTM E917"} {
		if !strings.Contains(said, want) {
			t.Errorf("the report does not say %q", want)
		}
	}
}

// Every figure of the summaries is that of the answer, rounded as the report says.
func TestFiguresOfTheReportAreThoseOfTheAnswer(t *testing.T) {
	in := reported(t, newService(t), testdata(t, "demo/comparison.json"))
	root := readPage(t, page(t, in))
	checked := 0
	check := func(where string, got []string, want ...string) {
		t.Helper()
		if len(got) != len(want) {
			t.Fatalf("%s: %d cells, want %d: %q", where, len(got), len(want), got)
		}
		for i := range want {
			checked++
			if !same(got[i], want[i]) {
				t.Errorf("%s, cell %d: %s, want %s", where, i+1, got[i], want[i])
			}
		}
	}
	money := func(d service.Fixed) string { return rounded(t, d, "1", 2) }
	three := func(d fmt.Stringer) string { return rounded(t, d, "1", significant) }
	plus := func(s string) string {
		if strings.HasPrefix(s, "−") || strings.Trim(s, "0.") == "" {
			return s
		}
		return "+" + s
	}
	_, results := tableOf(t, root, "Results")
	_, costs := tableOf(t, root, "Costs, EUR/m²")
	modules, carbon := tableOf(t, root, "Carbon by module, kg CO₂e/m²")
	_, whole := tableOf(t, root, "For the whole area")
	_, less := tableOf(t, root, "Differences from plain")
	_, order := tableOf(t, root, "Order")
	_, thick := tableOf(t, root, "Thickness")
	if want := []string{"Alternative", "A1-A3", "A4", "A5", "B2", "B3", "B4", "B5", "Total"}; !slices.Equal(modules, want) {
		t.Errorf("modules %q", modules)
	}
	for i, a := range in.Comparison.Alternatives {
		m := a.Carbon.Modules
		check("results", results[a.Name], a.ThicknessMM.String(), three(a.Concrete.GWPKgCO2ePerM3.A1A3), three(a.Carbon.CradleToGateKgCO2ePerM2), three(a.Carbon.TotalKgCO2ePerM2), money(*a.Concrete.CostPerM3), money(a.Cost.InitialPerM2), money(a.Cost.NetPresentValuePerM2))
		check("costs", costs[a.Name], money(a.Cost.InitialPerM2), money(a.Cost.MaintenancePresentValuePerM2), money(a.Cost.ResidualValuePerM2), money(a.Cost.NetPresentValuePerM2), money(a.Cost.EquivalentAnnualPerM2))
		check("modules", carbon[a.Name], three(m.A1A3), three(m.A4), three(m.A5), three(m.B2), three(m.B3), three(m.B4), three(m.B5), three(a.Carbon.TotalKgCO2ePerM2))
		check("whole area", whole[a.Name], rounded(t, a.Carbon.TotalKgCO2eForArea, "0.001", significant), rounded(t, a.Cost.ForArea.Initial, "1", 0), rounded(t, a.Cost.ForArea.NetPresentValue, "1", 0))
		if a.Name == in.Comparison.Comparison.Baseline {
			check("thickness", thick[a.Name+" (baseline)"][:1], a.ThicknessMM.String())
			continue
		}
		check("thickness", thick[a.Name][:1], a.ThicknessMM.String())
		d := in.Comparison.Comparison.Deltas[i]
		check("differences", less[a.Name], plus(strings.Replace(d.ThicknessMM.Absolute.String(), "-", "−", 1)), plus(three(d.CradleToGateKgCO2ePerM2.RelativePercent)), plus(three(d.TotalKgCO2ePerM2.Absolute)), plus(three(d.TotalKgCO2ePerM2.RelativePercent)),
			plus(three(d.InitialPerM2.RelativePercent)), plus(money(d.NetPresentValuePerM2.Absolute)), plus(three(d.NetPresentValuePerM2.RelativePercent)))
	}
	for _, rank := range in.Comparison.Comparison.Ranking.ByNetPresentValue {
		check("rank by cost", order[rank.Name][:1], fmt.Sprint(rank.Rank))
	}
	for _, rank := range in.Comparison.Comparison.Ranking.ByTotalCarbon {
		check("rank by carbon", order[rank.Name][1:2], fmt.Sprint(rank.Rank))
		front := "no"
		if slices.Contains(in.Comparison.Comparison.Pareto, rank.Name) {
			front = "yes"
		}
		check("front", order[rank.Name][2:3], front)
	}
	for _, a := range in.Comparison.Comparison.Abatement {
		check("abatement", order[a.Name][4:5], money(*a.CostPerTCO2e))
	}

	u := in.Grounds.Uncertainty
	for _, of := range []struct{ measure, caption string }{{service.MeasureNPV, "Draws of the net present value"}, {service.MeasureTotalCarbon, "Draws of the total carbon"}} {
		_, rows := tableOf(t, root, of.caption)
		for _, a := range u.Alternatives {
			q := a.Measures[slices.IndexFunc(a.Measures, func(q service.UncertainQuantity) bool { return q.Measure == of.measure })]
			last := len(q.Percentiles) - 1
			check(of.caption, rows[a.Name][:6], three(q.Nominal), three(q.Mean), three(q.MeanSE), three(q.SD), three(q.Percentiles[0].Value), three(q.Percentiles[last].Value))
		}
	}
	for _, s := range in.Grounds.Sensitivity {
		_, rows := tableOf(t, root, "Difference in "+strings.ReplaceAll(s.Measure, "_", " ")+", "+s.First+" less")
		if len(rows) != 12 {
			t.Errorf("%d inputs", len(rows))
		}
		for _, l := range s.Lines[:len(rows)] {
			check("sensitivity", rows[l.Name][1:6], three(l.Nominal), three(l.LowAt), three(l.Low.Difference), three(l.HighAt), three(l.High.Difference))
		}
	}
	// The sentences are those of the conclusions.
	answer := textOf(inside(root, "section")[0])
	for _, c := range slices.Concat(in.Grounds.Conclusions.Which, in.Grounds.Conclusions.HowSure, in.Grounds.Conclusions.WhatChangesIt) {
		checked++
		if !strings.Contains(answer, c.Text) {
			t.Errorf("the answer does not say %q", c.Text)
		}
	}
	if checked < 190 {
		t.Errorf("only %d figures were looked at", checked)
	}
}

// Another basis has other figures; another locale only other separators.
func TestReportOnAnotherBasisAndInAnotherLocale(t *testing.T) {
	in := reported(t, newService(t), testdata(t, "demo/comparison.json"))
	plain := page(t, in)
	in.Shown.Locale = language.German
	german := page(t, in)
	_, costs := tableOf(t, readPage(t, german), "Costs, EUR/m²")
	_, english := tableOf(t, readPage(t, plain), "Costs, EUR/m²")
	for name, cells := range english {
		for i := range cells {
			if got := costs[name][i]; got != strings.ReplaceAll(cells[i], ".", ",") {
				t.Errorf("%s: %s is not %s", name, got, cells[i])
			}
		}
	}
	in.Shown = report.Shown{US: true, Basis: report.WholeJob}
	us := readPage(t, page(t, in))
	columns, results := tableOf(t, us, "Results")
	a := in.Comparison.Alternatives[0]
	// 1 lb is 0.45359237 kg and 1 yd3 is 0.764554857984 m3 (NIST SP 811, B.8): 1.68555... lb/yd3 for 1 kg/m3.
	const perYard = "1.685554936153064"
	if want := rounded(t, a.Concrete.GWPKgCO2ePerM3.A1A3, perYard, significant); !same(results[a.Name][1], want) || columns[2] != "Concrete A1–A3, lb CO₂e/yd³" {
		t.Errorf("%q %q, want %s", columns, results[a.Name], want)
	}
	if want := rounded(t, a.Cost.ForArea.NetPresentValue, "1", 0); !same(results[a.Name][6], want) {
		t.Errorf("%q, want %s", results[a.Name], want)
	}
}

// What people type cannot leave its place, neither in the page nor in the command.
func TestHostileNamesInAReport(t *testing.T) {
	svc := newService(t)
	hostile := []string{`<script>alert(1)</script>`, `"><img src=x onerror=alert(1)>`, "REQUEST", `'; $(reboot) #`, "שלום עולם", `</style><style>*{}`, `{{.Title}}`, "a\u202eb", strings.Repeat("long ", 20) + "end", "a\u00a0b\u2028c\U000e0041"}
	var request map[string]any
	if err := json.Unmarshal(testdata(t, "demo/comparison.json"), &request); err != nil {
		t.Fatal(err)
	}
	list := request["alternatives"].([]any)
	for i, name := range hostile {
		list = append(list, map[string]any{"name": name, "like": "plain", "slab": map[string]any{"thickness": fmt.Sprint(200+i, " mm")}})
	}
	request["alternatives"] = list
	request["goal_and_scope"] = map[string]any{"purpose": hostile[0], "audience": hostile[1], "decision": "</pre>REQUEST\nREQUEST"}
	body, err := json.Marshal(request)
	if err != nil {
		t.Fatal(err)
	}
	in := report.Reported{Request: body, Comparison: compared(t, svc, body), Address: "http://x'; reboot #",
		Study: &inventory.Study{ID: "x", Name: "</title><script>", CreatedAt: "2026-01-01T00:00:00Z"}}
	readPage(t, page(t, in))
	in.Study = nil
	root := readPage(t, page(t, in))
	command := textOf(inside(root, "pre")[0])
	head, rest, _ := strings.Cut(command, "<<'REQUEST' | sha256sum\n")
	if head != "curl -sS 'http://x'\\''; reboot #/v1/comparisons' \\\n  -H 'Content-Type: application/json' --data-binary @- " {
		t.Errorf("the command begins with %s", head)
	}
	sent, after, _ := strings.Cut(rest, "\nREQUEST")
	if after != "" {
		t.Errorf("after the request stands %q", after)
	}
	var again any
	if err := json.Unmarshal([]byte(sent), &again); err != nil {
		t.Fatal(err)
	}
	var want any
	if err := json.Unmarshal(body, &want); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, again); diff != "" {
		t.Error("the command sends another request:", diff)
	}
	for _, line := range strings.Split(sent, "\n") {
		if strings.HasPrefix(line, "REQUEST") {
			t.Error("a line of the request ends it")
		}
	}
}

// What a comparison lacks is left out, and the report says so.
func TestReportsOfLittle(t *testing.T) {
	svc := newService(t)
	for name, want := range map[string]string{
		"carbon alone": "The request has no economics, so the comparison and this report have no cost.",
		"lives":        "By the year of each slab's own life",
		"renewed":      "Service lives:",
		"schedule":     "How sure that is, and what would change it, was not computed:",
		"nominal":      "Nominal rates are turned into real ones",
	} {
		in := reported(t, svc, requests(t)[name])
		text := textOf(readPage(t, page(t, in)))
		if !strings.Contains(text, want) {
			t.Errorf("%s: the report does not say %q", name, want)
		}
		if name == "carbon alone" {
			for _, cost := range []string{"Costs, ", "Cost by year", "Whole-life cost", "ASTM E917"} {
				if strings.Contains(text, cost) {
					t.Errorf("a comparison without cost tells of %q", cost)
				}
			}
		}
		in.Grounds = nil
		if text := textOf(readPage(t, page(t, in))); !strings.Contains(text, "was not computed for this report") {
			t.Errorf("%s: the report does not say that it has no conclusions", name)
		}
	}
	sized := textOf(readPage(t, page(t, reported(t, svc, testdata(t, "scenarios/lab-to-slab.json")))))
	if !strings.Contains(sized, "mm required, governed by") {
		t.Error("the basis of a thickness that was sized is not told")
	}
	unequal := bytes.Replace(testdata(t, "demo/comparison.json"), []byte(`"slab": { "thickness": "215 mm" }`), []byte(`"service": {"design_life_years": 20}, "slab": { "thickness": "215 mm" }`), 1)
	if text := textOf(readPage(t, page(t, reported(t, svc, unequal)))); !strings.Contains(text, "Not comparable.") || !strings.Contains(text, "NOT met") {
		t.Error("that alternatives are not comparable is not told")
	}
}

// A study is told by its id, and a result that is not what was saved loudly.
func TestReportOfAStudy(t *testing.T) {
	svc := newService(t)
	request := testdata(t, "demo/comparison.json")
	study, err := svc.CreateStudy(t.Context(), nil, service.NewStudy{Name: "Quay road", Request: request})
	if err != nil {
		t.Fatal(err, service.Faults(err))
	}
	in := report.Reported{Request: request, Comparison: compared(t, svc, request), Study: &study, Address: "https://slabs.example"}
	text := textOf(readPage(t, page(t, in)))
	for _, want := range []string{"Quay road: comparison of 3 concrete slabs", "curl -sS 'https://slabs.example/v1/studies/" + study.ID + "/result' | sha256sum", study.ResultHash, study.CreatedAt} {
		if !strings.Contains(text, want) {
			t.Errorf("the report does not have %q", want)
		}
	}
	in.Moved = "engine version moved from 0 to 1"
	if text := textOf(readPage(t, page(t, in))); !strings.Contains(text, "Not what was saved") {
		t.Error("that the result moved is not told")
	}
}

// A report of 200 alternatives has all of them in its summaries, tells more of some, and
// stays of a size that a browser can print.
func TestReportOfManyAlternatives(t *testing.T) {
	in := reported(t, newService(t), manyAlternatives(t, 200))
	text := page(t, in)
	if len(text) > 1<<20 {
		t.Errorf("%d bytes", len(text))
	}
	root := readPage(t, text)
	_, results := tableOf(t, root, "Results")
	_, costs := tableOf(t, root, "Costs")
	if len(results) != 200 || len(costs) != 12 {
		t.Errorf("%d results, %d costs", len(results), len(costs))
	}
	if said := textOf(root); !strings.Contains(said, "for 12 of the 200 alternatives: the baseline and those that come first") || !strings.Contains(said, "200 alternatives are 19900 pairs") {
		t.Error("what is left out is not told")
	}
	sum := sha256.Sum256(encoded(t, in.Comparison))
	if !strings.Contains(text, hex.EncodeToString(sum[:])) {
		t.Error("the hash of the result is not told")
	}
}

func encoded(t testing.TB, r *service.ComparisonResponse) []byte {
	t.Helper()
	text, err := service.Encode(r)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func BenchmarkReportOf200Alternatives(b *testing.B) {
	svc := newService(b)
	request := manyAlternatives(b, 200)
	in := report.Reported{Request: request, Comparison: compared(b, svc, request)}
	b.ReportAllocs()
	for b.Loop() {
		page(b, in)
	}
}

// interpretedRequest is the demo with all that a comparison may ask for beside its figures.
func interpretedRequest(t testing.TB) []byte {
	t.Helper()
	return bytes.Replace(testdata(t, "demo/comparison.json"), []byte(`"baseline": "plain",`), []byte(`"baseline": "plain",
		"goal_and_scope": {"purpose": "Choose a slab for the quay road", "audience": "the owner", "decision": "which slab to tender", "limitations": "strength is not verified", "reviewer": "a panel",
			"excluded": [{"modules": ["C1", "C2", "C3", "C4"], "reason": "alike for all"}]},
		"checks": {}, "cut_off": [{"flow": "cement dust", "module": "A1", "mass": "0.1 %", "energy": "0.2 %", "item": "fibre-pp-macro", "reason": "not weighed"}],
		"limits": [{"name": "concrete", "clause": "7.3", "scope": "A1-A3", "limit": "325 kg CO2e/m3"}, {"name": "pavement", "clause": "7.4", "scope": "declared", "limit": "86 kg CO2e/m2"}],
		"objectives": [{"measure": "net_present_value"}, {"measure": "total_carbon"}, {"measure": "thickness"}], "weighting": {"normalisation": "baseline", "weights": ["0.5", "0.3", "0.2"]},
		"overrides": [{"item": "sand-washed", "price": "18 EUR/t", "reason": "a local pit"}],`), 1)
}

// What a comparison is interpreted by stands in its report, with what the answer says of it.
func TestReportOfAnInterpretation(t *testing.T) {
	in := reported(t, newService(t), interpretedRequest(t))
	root := readPage(t, page(t, in))
	text := textOf(root)
	want := []string{"Choose a slab for the quay road", "Left out: C1, C2, C3, C4", "alike for all", "Check of completeness: ", "Check of sensitivity: ", "Check of consistency: ", "cement dust", "the service's own calculation: not an EPD", "a local pit"}
	for _, c := range in.Comparison.Comparison.Checks {
		for _, reason := range c.Reasons {
			want = append(want, reason.Message)
		}
	}
	for _, text := range slices.Concat(in.Comparison.Alternatives[1].Warnings, in.Comparison.Alternatives[1].Assumptions) {
		want = append(want, text.Message)
	}
	for _, w := range want {
		if !strings.Contains(text, w) {
			t.Errorf("the report does not say %q", w)
		}
	}
	_, limits := tableOf(t, root, "Limits on emissions")
	states := map[string]int{}
	for _, a := range in.Comparison.Alternatives {
		for n, l := range a.Limits {
			cells := limits[a.Name][n*7 : n*7+7]
			states[cells[1]]++
			if cells[1] != strings.ToUpper(l.State) || !same(cells[3], rounded(t, l.ValueKgCO2e, "1", significant)) || !same(cells[4], rounded(t, l.LimitKgCO2e, "1", significant)) || !same(cells[5], rounded(t, l.MarginPercent, "1", significant)) {
				t.Errorf("%s, %s: %q", a.Name, l.Name, cells)
			}
		}
	}
	if states["PASS"] == 0 || states["FAIL"] == 0 {
		t.Errorf("states %v", states)
	}
	_, order := tableOf(t, root, "Order by the weights")
	for _, s := range in.Comparison.Comparison.Objectives.Weighting.Ranking {
		if got := order[s.Name]; got[0] != fmt.Sprint(s.Rank) || !same(got[1], rounded(t, s.Score, "1", significant)) {
			t.Errorf("%s: %q", s.Name, got)
		}
	}
}
