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
)

// many makes an inventory of n items as a region has them: a price with its
// source, a density, three factors with theirs, codes and names of their own.
func many(n int) []inventory.Item {
	items := make([]inventory.Item, n)
	for i := range items {
		p := price(fmt.Sprintf("%d.%04d", 1+i%900, 1+i%9999))
		p.Source = inventory.Source{Kind: inventory.Quotation, Title: fmt.Sprintf("Offer %d of Sablon Cement", i/50), Publisher: "Sablon Cement", Year: 2026}
		items[i] = inventory.Item{Code: fmt.Sprintf("cement-%06d", i), Category: inventory.Cement, Name: fmt.Sprintf("Cement CEM II/B-S 42.5 N, works %06d", i),
			Unit: "t", Density: null(fmt.Sprintf("%d.5", 2900+i%300)), Price: p,
			Factors: factors("A1-A3", fmt.Sprintf("%d.%03d", 500+i%400, 1+i%999), "C2", fmt.Sprintf("0.%04d", 1+i%9999), "D", fmt.Sprintf("-0.%04d", 1+i%9999)),
			FactorSource: &inventory.Source{Kind: inventory.EPD, Title: fmt.Sprintf("Declaration of works %d", i/10), Publisher: "Sablon Cement",
				Year: 2025, Reference: fmt.Sprintf("XA-EPD-%05d", i/10), Licence: "CC0-1.0"}}
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

// uploadFile names the file that a child process of TestMemoryOfALargeUpload
// reads.
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
func peakMiB(t testing.TB, path string, want int, env ...string) float64 {
	t.Helper()
	child := exec.Command(os.Args[0], "-test.run=^TestChildThatReadsAnUpload$", "-test.count=1") //nolint:gosec // this very test
	child.Env = append(append(os.Environ(), uploadFile+"="+path), env...)
	out, err := child.CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	words := strings.Fields(string(out))
	if len(words) < 4 || words[0] != "peak" || words[3] != strconv.Itoa(want) {
		t.Fatalf("the child said %s", out)
	}
	kB, err := strconv.Atoi(words[1])
	if err != nil {
		t.Fatal(err)
	}
	return float64(kB) / 1024
}

// BenchmarkMemory tells the peak of memory of a process that reads 100,000 rows,
// items included, as the program collects garbage by default, as it does when it
// serves, and where the memory of the process is given a soft limit.
func BenchmarkMemory(b *testing.B) {
	if runtime.GOOS != "linux" {
		b.Skip("reads /proc/self/status")
	}
	items := many(100_000)
	for _, form := range forms {
		path := filepath.Join(b.TempDir(), "items."+string(form))
		if err := os.WriteFile(path, written(b, form, items), 0o600); err != nil {
			b.Fatal(err)
		}
		for _, env := range []string{"GOGC=100", "GOGC=400", "GOMEMLIMIT=180MiB"} {
			b.Run(string(form)+"/"+env, func(b *testing.B) {
				var peak float64
				for b.Loop() {
					peak = max(peak, peakMiB(b, path, len(items), env))
				}
				b.ReportMetric(peak, "peak-MiB")
			})
		}
	}
}
