package service_test

import (
	"bytes"
	"html"
	"regexp"
	"strings"
	"testing"

	"slabledger/service"
	"slabledger/service/report"
)

// sheet prints the batch sheet of a request.
func sheet(t testing.TB, svc *service.Service, body string) string {
	t.Helper()
	r, err := svc.BatchSheet(t.Context(), []byte(body))
	if err != nil {
		t.Fatal(service.Faults(err), err)
	}
	var page bytes.Buffer
	if err := report.BatchSheet(&page, r); err != nil {
		t.Fatal(err)
	}
	return page.String()
}

const moistPlan = `"batch_plan":{"mixer_volume":"2.4 m3","moisture":[{"item":"sand-washed","moisture":"4.3 %","absorption":"1.3 %"}]}`

// The sheet of a staged mix, with moist sand and a mixer that is filled twice.
func TestBatchSheet(t *testing.T) {
	body := inlined(byRatio, stagedMix, hauls, moistPlan)
	page := sheet(t, newService(t), body)
	if again := sheet(t, newService(t), body); again != page {
		t.Error("two prints of one request differ")
	}
	golden(t, "../testdata/golden/batch-sheet.html", []byte(page))
	r := checkMix(t, newService(t), body)
	for _, want := range []string{r.Inventory.Hash, r.RequestHash, service.Caution, r.Warnings[0].Message, r.Assumptions[0].Message} {
		if !strings.Contains(page, html.EscapeString(want)) {
			t.Errorf("the sheet does not say %q", want)
		}
	}
	weighings := 0
	for _, s := range r.BatchPlan.Stages {
		weighings += len(s.Lines)
	}
	if got := strings.Count(page, `<td class="weighed"></td>`); got != weighings || got != 10 {
		t.Errorf("%d places to write a mass, the plan has %d", got, weighings)
	}
}

// On the sheet a mass has four digits, and its limits stay within the tolerance.
func TestBatchSheetRoundsForTheScales(t *testing.T) {
	body := inlined(byRatio, stagedMix, hauls, moistPlan)
	page, r := sheet(t, newService(t), body), checkMix(t, newService(t), body)
	cells := regexp.MustCompile(`<td class="n target">([^<]+)</td><td class="n">([^<]+)</td><td class="n">([^<]+)</td>`).FindAllStringSubmatch(page, -1)
	for _, s := range r.BatchPlan.Stages {
		for _, l := range s.Lines {
			target, least, most := dec(cells[0][1]), dec(cells[0][2]), dec(cells[0][3])
			cells = cells[1:]
			if target.NumDigits() < 4 || target.Sub(l.MassKg.Decimal).Abs().GreaterThan(dec("0.05")) {
				t.Errorf("%s: %s kg of %s", l.Item, target, l.MassKg)
			}
			if least.LessThan(l.LeastKg.Decimal) || most.GreaterThan(l.MostKg.Decimal) || !least.LessThan(target) || !most.GreaterThan(target) {
				t.Errorf("%s: %s to %s, the tolerance has %s to %s", l.Item, least, most, l.LeastKg, l.MostKg)
			}
		}
	}
	if len(cells) != 0 {
		t.Errorf("%d weighings too many", len(cells))
	}
}

// A name is text, whatever it holds: that of an item, and that of a stage.
func TestBatchSheetOfAHostileName(t *testing.T) {
	svc := newService(t)
	publish(t, svc, "hostile", "code,category,name,unit,density_kg_per_m3,gwp_a1_a3,factor_source_kind,factor_source_title\n"+
		"cement,cement,\"<script>alert(1)</script> & </td>\",kg,3150,0.9,invented,test\nwater,water,Water,kg,1000,0,invented,test\nsand,aggregate,Sand,kg,2600,0.004,invented,test\n")
	page := sheet(t, svc, `{"inventory":"hostile","mix":{"constituents":[{"item":"cement","amount":"300 kg/m3"},{"item":"water","amount":"150 kg/m3"},{"item":"sand","amount":"balance"}]},"batch_plan":{"mixer_volume":"0.5 m3"}}`)
	if strings.Contains(page, "<script") || !strings.Contains(page, "&lt;script&gt;alert(1)&lt;/script&gt; &amp; &lt;/td&gt; (cement)") {
		t.Error(page)
	}
	if !strings.Contains(page, "The request names no mixer.") {
		t.Error("a plan without a mixer does not say so")
	}
	page = sheet(t, svc, inlined(byRatio, strings.Replace(stagedMix, `"slurry"`, `"<script>\u202e"`, 1), moistPlan))
	if strings.Contains(page, "<script") || strings.Contains(page, "\u202e") || !strings.Contains(page, "Stage 1: &lt;script&gt;\uFFFD") {
		t.Error(page)
	}
}

// Without a batch plan there is no sheet, which is told with all else.
func TestBatchSheetNeedsAPlan(t *testing.T) {
	svc := newService(t)
	for body, want := range map[string][]string{
		inlined(byRatio): {"/batch_plan required-member-missing"},
		inlined(strings.Replace(byRatio, "cement-cem-i", "cement-cem-x", 1)): {"/by_ratio/cement item-unknown", "/batch_plan required-member-missing"},
	} {
		_, err := svc.BatchSheet(t.Context(), []byte(body))
		list := service.Faults(err)
		if len(list) != len(want) {
			t.Fatalf("%+v", list)
		}
		for i, f := range list {
			if got := string(f.Pointer) + " " + f.Code; got != want[i] {
				t.Errorf("%s, want %s", got, want[i])
			}
		}
	}
}
