package inventory_test

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"

	"slabledger/inventory"
	"slabledger/inventory/storetest"
)

// many makes an inventory of n items that are filled in like those of the demo, 18
// cells a row: a price and a factor with their sources, a density in every third,
// more factors in every fifth, and hardly a value that stands twice.
func many(n int) []inventory.Item {
	items := make([]inventory.Item, n)
	for i := range items {
		p := price(fmt.Sprintf("%d.%04d", 1+i%900, 1+i%9999))
		p.Source = inventory.Source{Kind: inventory.Quotation, Title: fmt.Sprintf("Offer %d of Sablon Cement", i/50), Year: 2026, Licence: "CC0-1.0"}
		items[i] = inventory.Item{Code: fmt.Sprintf("cement-%06d", i), Category: inventory.Cement, Name: fmt.Sprintf("Cement CEM II/B-S 42.5 N, works %06d", i),
			Unit: "t", Price: p, Factors: factors("A1-A3", fmt.Sprintf("%d.%03d", 500+i%400, 1+i%999)),
			FactorSource: &inventory.Source{Kind: inventory.EPD, Title: fmt.Sprintf("Declaration of works %d", i/10), Year: 2025, Licence: "CC0-1.0"}}
		if i%3 == 0 {
			items[i].Density = null(fmt.Sprintf("%d.5", 2900+i%300))
		}
		if i%5 == 0 {
			items[i].Factors["C2"], items[i].Factors["D"] = dec(fmt.Sprintf("0.%04d", 1+i%9999)), dec(fmt.Sprintf("-0.%04d", 1+i%9999))
		}
	}
	return items
}

// written is the items as a file of each form.
func written(t testing.TB, form inventory.Form, items []inventory.Item) []byte {
	t.Helper()
	var b bytes.Buffer
	var err error
	switch form {
	case inventory.FormCSV:
		err = inventory.WriteCSV(&b, items)
	case inventory.FormXLSX:
		err = inventory.WriteXLSX(&b, items)
	case inventory.FormJSON:
		err = json.MarshalWrite(&b, map[string]any{"items": items})
	}
	if err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

var forms = []inventory.Form{inventory.FormCSV, inventory.FormJSON, inventory.FormXLSX}

const benchRows = 10_000

func BenchmarkReadUpload(b *testing.B) {
	items := many(benchRows)
	for _, form := range forms {
		file := written(b, form, items)
		b.Run(string(form), func(b *testing.B) {
			b.ReportAllocs()
			b.SetBytes(int64(len(file)))
			for b.Loop() {
				if _, err := inventory.ReadUpload(bytes.NewReader(file), inventory.UploadOptions{Form: form, Meta: meta}); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(benchRows*b.N)/b.Elapsed().Seconds(), "rows/s")
		})
	}
}

func BenchmarkWriteXLSX(b *testing.B) {
	items := many(benchRows)
	b.ReportAllocs()
	for b.Loop() {
		if err := inventory.WriteXLSX(io.Discard, items); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(benchRows*b.N)/b.Elapsed().Seconds(), "rows/s")
}

// uploadFile names the file that a child process reads.
const uploadFile = "SLABLEDGER_TEST_UPLOAD"

func TestChildThatReadsAnUpload(t *testing.T) {
	path := os.Getenv(uploadFile)
	if path == "" {
		t.Skip("runs as the child process of another test only")
	}
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	u, err := inventory.ReadUpload(file, inventory.UploadOptions{Form: inventory.FormOf(path), Meta: meta})
	if err != nil {
		t.Fatal(err)
	}
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(status)) {
		if kB, ok := strings.CutPrefix(line, "VmHWM:"); ok {
			fmt.Printf("peak %s items %d\n", strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(kB), "kB")), len(u.Items))
		}
	}
}

// peakMiB is the largest resident memory of a process that reads the file.
func peakMiB(t testing.TB, path string, env ...string) float64 {
	t.Helper()
	child := exec.Command(os.Args[0], "-test.run=^TestChildThatReadsAnUpload$", "-test.count=1")
	child.Env = append(append(os.Environ(), uploadFile+"="+path), env...)
	out, err := child.CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	words := strings.Fields(string(out))
	if len(words) < 4 || words[0] != "peak" || words[3] != strconv.Itoa(largeRows) {
		t.Fatalf("the child said %s", out)
	}
	kB, err := strconv.Atoi(words[1])
	if err != nil {
		t.Fatal(err)
	}
	return float64(kB) / 1024
}

// served is how a process that serves is to be run: garbage is collected seldom,
// and often once memory nears a limit.
const served = "GOGC=400 GOMEMLIMIT=150MiB"

// BenchmarkMemory tells the peak of memory of a process that reads 100,000 rows,
// items included, by how it collects garbage.
func BenchmarkMemory(b *testing.B) {
	for _, form := range forms {
		path := largeFile(b, form)
		for _, env := range []string{"GOGC=100", "GOGC=400", served} {
			b.Run(string(form)+"/"+strings.ReplaceAll(env, " ", "+"), func(b *testing.B) {
				var peak float64
				for b.Loop() {
					peak = max(peak, peakMiB(b, path, strings.Fields(env)...))
				}
				b.ReportMetric(peak, "peak-MiB")
			})
		}
	}
}

// A workbook of 100,000 rows is read in under 200 MiB, the items included, where
// the process is run with a limit.
func TestMemoryOfALargeWorkbook(t *testing.T) {
	if testing.Short() || os.Getenv("CI") != "true" {
		t.Skip("reads 100,000 rows in four ways, which takes a minute: run in CI")
	}
	if storetest.Raced() {
		t.Skip("the race detector takes several times the memory")
	}
	if peak := peakMiB(t, largeFile(t, inventory.FormXLSX), strings.Fields(served)...); peak > 200 {
		t.Errorf("took %.0f MiB", peak)
	}
}

const largeRows = 100_000

func largeFile(t testing.TB, form inventory.Form) (path string) {
	t.Helper()
	if runtime.GOOS != "linux" {
		t.Skip("the peak of memory is read from /proc")
	}
	path = filepath.Join(t.TempDir(), "items."+string(form))
	if err := os.WriteFile(path, written(t, form, many(largeRows)), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}
