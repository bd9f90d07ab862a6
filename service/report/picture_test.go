package report_test

import (
	"bytes"
	"context"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/inventory/sqlite"
	"slabledger/service"
	"slabledger/service/report"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// newService is a service with the demo region in it.
func newService(t testing.TB) *service.Service {
	t.Helper()
	store, err := sqlite.Open(t.Context(), filepath.Join(t.TempDir(), "test.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	svc := service.New(store)
	slug, meta, err := inventory.ReadMeta(file(t, "../../testdata/demo/inventory.json"))
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := svc.Import(t.Context(), slug, meta, bytes.NewReader(file(t, "../../testdata/demo/items.csv")), "test"); err != nil {
		t.Fatal(err)
	}
	return svc
}

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

// wellFormed reads the SVG as XML, which is stricter than HTML.
func wellFormed(t *testing.T, p report.Picture) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(string(p.SVG)))
	for {
		_, err := d.Token()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatalf("%s: %v", p.ID, err)
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
		wellFormed(t, p)
		if !strings.Contains("carbon-by-module carbon-by-item cash-flow cost-against-carbon cross-section swing mixing-2 damage-1", p.ID) {
			continue
		}
		golden(t, "../../testdata/golden/picture-"+p.ID+".svg", string(p.SVG)+"\n")
	}
}
