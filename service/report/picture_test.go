package report_test

import (
	"bytes"
	"context"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

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

func demo(t testing.TB) *service.ComparisonResponse {
	t.Helper()
	r, err := newService(t).Compare(context.Background(), file(t, "../../testdata/demo/comparison.json"))
	if err != nil {
		t.Fatal(err)
	}
	return r
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

// The pictures of the demo are the same on every machine.
func TestPicturesOfTheDemo(t *testing.T) {
	r := demo(t)
	for _, p := range []report.Picture{report.CarbonByModule(r, report.Shown{}), report.CarbonByItem(r, report.Shown{}), report.CashFlow(r, report.Shown{}), report.CostAgainstCarbon(r, report.Shown{})} {
		wellFormed(t, p)
		golden(t, "../../testdata/golden/picture-"+p.ID+".svg", string(p.SVG)+"\n")
	}
}
