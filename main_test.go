package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"go/parser"
	"go/token"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"slabledger/service"
)

// run starts the program as main does, with its output captured.
func run(t *testing.T, args ...string) (out, errs string, err error) {
	t.Helper()
	var o, e bytes.Buffer
	p := &program{out: &o, errs: &e, env: func(string) string { return "" }}
	err = p.run(t.Context(), args)
	return o.String(), e.String(), err
}

func mustRun(t *testing.T, args ...string) string {
	t.Helper()
	out, errs, err := run(t, args...)
	if err != nil {
		t.Fatalf("%v: %v\n%s", args, err, errs)
	}
	return out
}

func read(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestDemoPrintsTheComparison(t *testing.T) {
	if diff := cmp.Diff(read(t, "testdata/golden/demo.txt"), mustRun(t, "demo", "--once")); diff != "" {
		t.Error(diff)
	}
}

// The README prints what the program prints.
func TestReadmeShowsTheDemoAsItIs(t *testing.T) {
	if !strings.Contains(read(t, "README.md"), read(t, "testdata/golden/demo.txt")) {
		t.Error("README.md does not hold testdata/golden/demo.txt word for word")
	}
}

// Three ways to the same bytes: demo --json, compare, and the service.
func TestCompareGivesTheBytesOfTheService(t *testing.T) {
	db := filepath.Join(t.TempDir(), "test.db")
	demo := mustRun(t, "demo", "--once", "--json", "--db", db)
	if got := mustRun(t, "compare", "testdata/demo/comparison.json", "--db", db); got != demo {
		t.Error("compare and demo --json differ")
	}
	base := serve(t, "serve", "--db", db, "--addr", "127.0.0.1:0")
	resp, err := http.Post(base+"/v1/comparisons", "application/json", strings.NewReader(read(t, "testdata/demo/comparison.json")))
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	if resp.StatusCode != http.StatusOK || string(body) != demo {
		t.Errorf("status %d, same bytes %v", resp.StatusCode, string(body) == demo)
	}
}

// The workbook of the command is that of the service, on standard output or in a file.
func TestCompareWritesTheWorkbookOfTheService(t *testing.T) {
	folder := t.TempDir()
	db, file := filepath.Join(folder, "test.db"), filepath.Join(folder, "comparison.xlsx")
	mustRun(t, "demo", "--once", "--json", "--db", db)
	printed := mustRun(t, "compare", "testdata/demo/comparison.json", "--workbook", "--db", db)
	if said := mustRun(t, "compare", "testdata/demo/comparison.json", "--workbook", "--out", file, "--db", db); said != "" || read(t, file) != printed || !strings.HasPrefix(printed, "PK") {
		t.Errorf("the file is another than standard output (%d bytes), or %q was said", len(printed), said)
	}
	base := serve(t, "serve", "--db", db, "--addr", "127.0.0.1:0")
	req, err := http.NewRequest(http.MethodPost, base+"/v1/comparisons", strings.NewReader(read(t, "testdata/demo/comparison.json")))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Accept", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if body, err := io.ReadAll(resp.Body); err != nil || resp.StatusCode != http.StatusOK || string(body) != printed {
		t.Errorf("status %d, %v, same bytes %v", resp.StatusCode, err, string(body) == printed)
	}
	if _, errs, err := run(t, "compare", "testdata/demo/comparison.json", "--workbook", "--table", "--db", db); err == nil {
		t.Errorf("a workbook and a table at once: %s", errs)
	}
}

// The figures that the README shows for its curl commands are those of the
// service.
func TestReadmeTourFigures(t *testing.T) {
	readme := read(t, "README.md")
	type answer struct {
		Alternatives []struct {
			Name      string
			Thickness string `json:"thickness_mm"`
			Design    struct {
				Governs string
			} `json:"thickness_design"`
			Carbon struct {
				Total string `json:"total_kg_co2e_per_m2"`
			}
			Cost struct {
				NPV string `json:"net_present_value_per_m2"`
			}
		}
	}
	db := filepath.Join(t.TempDir(), "test.db")
	var demo, sized answer
	if err := json.Unmarshal([]byte(mustRun(t, "demo", "--once", "--json", "--db", db)), &demo); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal([]byte(mustRun(t, "compare", "testdata/scenarios/sized.json", "--db", db)), &sized); err != nil {
		t.Fatal(err)
	}
	var lines []string
	for _, a := range demo.Alternatives {
		lines = append(lines, fmt.Sprintf("%s: %s EUR/m2, %s kg CO2e/m2", a.Name, a.Cost.NPV, a.Carbon.Total))
	}
	for _, a := range sized.Alternatives {
		lines = append(lines, fmt.Sprintf("%s: %s mm, %s governs, %s kg CO2e/m2", a.Name, a.Thickness, a.Design.Governs, a.Carbon.Total))
	}
	if len(lines) != 6 {
		t.Fatalf("%d lines", len(lines))
	}
	for _, line := range lines {
		if !strings.Contains(readme, line+"\n") {
			t.Errorf("README.md does not show %q", line)
		}
	}
}

// serve starts a command that listens, and returns its address. The command is
// interrupted when the test ends, and must then end without error.
func serve(t *testing.T, args ...string) string {
	t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	reader, writer := io.Pipe()
	p := &program{out: writer, errs: io.Discard, env: func(string) string { return "" }}
	done := make(chan error, 1)
	go func() { done <- p.run(ctx, args) }()
	t.Cleanup(func() {
		stop()
		select {
		case err := <-done:
			if err != nil {
				t.Errorf("%v ended with %v", args, err)
			}
		case <-time.After(20 * time.Second):
			t.Errorf("%v did not end within 20 s of being interrupted", args)
		}
	})
	address := regexp.MustCompile(`http://[0-9.:\[\]]+`)
	var seen strings.Builder
	buffer := make([]byte, 4096)
	for {
		n, err := reader.Read(buffer)
		seen.Write(buffer[:n])
		if found := address.FindString(seen.String()); found != "" {
			go io.Copy(io.Discard, reader) //nolint:errcheck // the rest of the output
			return found
		}
		if err != nil {
			t.Fatalf("no address in %q: %v", seen.String(), err)
		}
	}
}

func TestDemoServesUntilInterrupted(t *testing.T) {
	base := serve(t, "demo", "--addr", "127.0.0.1:0")
	for _, path := range []string{"/healthz", "/readyz", "/v1/inventories/demo", "/docs", "/openapi.yaml", "/metrics"} {
		resp, err := http.Get(base + path)
		if err != nil {
			t.Fatal(err)
		}
		_ = resp.Body.Close()
		if resp.StatusCode != http.StatusOK {
			t.Errorf("GET %s: %d", path, resp.StatusCode)
		}
	}
}

// With no API keys the service answers this machine only.
func TestServeRefusesOtherAddresses(t *testing.T) {
	for _, addr := range []string{"0.0.0.0:0", ":0", "192.0.2.1:0"} {
		if _, errs, err := run(t, "serve", "--addr", addr, "--db", filepath.Join(t.TempDir(), "test.db")); err == nil || !strings.Contains(errs, "this machine only") {
			t.Errorf("%s: %v, %q", addr, err, errs)
		}
	}
}

func TestImportIsAllOrNothing(t *testing.T) {
	dir := t.TempDir()
	db, good, bad := filepath.Join(dir, "test.db"), filepath.Join(dir, "good.csv"), filepath.Join(dir, "bad.csv")
	rows := "code,category,name,unit,price,price_currency,price_date,price_basis,price_tax,price_source_kind,price_source_title\n"
	row := "%s,cement,Cement,kg,%s,NOK,2026-02-01,ex-works,excluded,quotation,Offer 12\n"
	for path, text := range map[string]string{good: rows + fmt.Sprintf(row, "a", "1.25"), bad: rows + fmt.Sprintf(row, "a", "1.25") + fmt.Sprintf(row, "b", "1,25") + fmt.Sprintf(row, "c", "1e3")} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	args := []string{"--inventory", "north", "--db", db, "--name", "North", "--region", "NO-18", "--currency", "NOK"}
	_, errs, err := run(t, append([]string{"import", bad}, args...)...)
	if err == nil || !strings.Contains(errs, "row 3 (b)") || !strings.Contains(errs, "row 4 (c)") {
		t.Errorf("every bad row is reported: %v\n%s", err, errs)
	}
	if out := mustRun(t, append([]string{"import", good}, args...)...); !strings.Contains(out, "published north@1: 1 items") {
		t.Errorf("the bad file left something behind: %s", out)
	}
	if out := mustRun(t, "import", good, "--inventory", "north", "--db", db); !strings.Contains(out, "nothing was published") {
		t.Errorf("the same content again: %s", out)
	}
}

// A first import is told what a new inventory needs before any row is blamed, and
// each fault once.
func TestImportOfANewInventory(t *testing.T) {
	dir := t.TempDir()
	db, path := filepath.Join(dir, "test.db"), filepath.Join(dir, "items.csv")
	if err := os.WriteFile(path, []byte("code,catgory,name,unit\nx,cement,X,kg\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, errs, err := run(t, "import", path, "--inventory", "north", "--db", db)
	if err == nil || !strings.Contains(errs, "--name, --region and --currency") || strings.Contains(errs, "row ") {
		t.Errorf("%v\n%s", err, errs)
	}
	_, errs, err = run(t, "import", path, "--inventory", "north", "--db", db, "--name", "North", "--region", "Norway", "--currency", "NKO")
	if err == nil || !strings.Contains(errs, "/region") || !strings.Contains(errs, "/currency") || strings.Contains(errs, "row ") {
		t.Errorf("%v\n%s", err, errs)
	}
	_, errs, err = run(t, "import", path, "--inventory", "north", "--db", db, "--name", "North", "--region", "NO-18", "--currency", "NOK")
	if err == nil || strings.Count(errs, "catgory") != 2 || !strings.Contains(errs, `did you mean "category"?`) || strings.Contains(errs, ", :") {
		t.Errorf("%v\n%s", err, errs)
	}
}

func TestServeRefusesWorkersOutOfRange(t *testing.T) {
	for _, flag := range []string{"--workers=-1", "--workers=65", "--job-limit=0", "--job-timeout=1ms", "--job-kept=1m"} {
		if _, errs, err := run(t, "serve", flag, "--addr", "127.0.0.1:0", "--db", filepath.Join(t.TempDir(), "test.db")); err == nil || !strings.Contains(errs, "--job-timeout") {
			t.Errorf("%s: %v, %q", flag, err, errs)
		}
	}
}

func TestServeOnATakenPort(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	_, errs, err := run(t, "serve", "--addr", taken.Addr().String(), "--db", filepath.Join(t.TempDir(), "test.db"))
	if err == nil || !strings.Contains(errs, "--addr") {
		t.Errorf("%v\n%s", err, errs)
	}
}

func TestCompareAsATable(t *testing.T) {
	db := filepath.Join(t.TempDir(), "test.db")
	demo := mustRun(t, "demo", "--once", "--db", db)
	if got := mustRun(t, "compare", "testdata/demo/comparison.json", "--table", "--db", db); !strings.HasPrefix(demo, got+"\nWhich slab\n") {
		t.Errorf("not the table of the demo:\n%s", got)
	}
}

func TestCompareShowsEveryFault(t *testing.T) {
	dir := t.TempDir()
	db, path := filepath.Join(dir, "test.db"), filepath.Join(dir, "request.json")
	mustRun(t, "demo", "--once", "--db", db)
	text := strings.NewReplacer(`"240 mm"`, `"240 kg"`, `"7300 m2"`, `"0 m2"`).Replace(read(t, "testdata/demo/comparison.json"))
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	out, errs, err := run(t, "compare", path, "--db", db)
	if err == nil || out != "" || !strings.Contains(errs, "/alternatives/0/slab/thickness") || !strings.Contains(errs, "/functional_unit/area") {
		t.Errorf("%v\n%s%s", err, out, errs)
	}
}

// What compare packs, verify finds to match, with a store and without; changed, both it
// and the checker in Python name the member and fail.
func TestBundleOfTheCommandLine(t *testing.T) {
	dir := t.TempDir()
	db, path := filepath.Join(dir, "test.db"), filepath.Join(dir, "bundle.json")
	mustRun(t, "demo", "--once", "--db", db)
	bundle := mustRun(t, "compare", "testdata/demo/comparison.json", "--bundle", "--db", db)
	write := func(text string) {
		t.Helper()
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(bundle)
	for _, args := range [][]string{{"verify", path}, {"verify", path, "--db", db}} {
		if out := mustRun(t, args...); !strings.HasPrefix(out, `{"match":true`) {
			t.Errorf("%v: %s", args, out)
		}
	}
	python, err := exec.LookPath("python3")
	checker := func() (string, int) {
		t.Helper()
		out, err := exec.CommandContext(t.Context(), python, "docs/verify.py", path).CombinedOutput()
		var failed *exec.ExitError
		if err != nil && !errors.As(err, &failed) {
			t.Fatal(err)
		}
		if failed != nil {
			return string(out), failed.ExitCode()
		}
		return string(out), 0
	}
	if err == nil {
		if out, status := checker(); status != 0 || !strings.HasSuffix(out, "\nmatch\n") {
			t.Errorf("status %d: %s", status, out)
		}
	}
	write(strings.Replace(bundle, `"cost_per_m3":"94.501404"`, `"cost_per_m3":"94.501405"`, 1))
	const at = "/result/alternatives/0/concrete/cost_per_m3"
	if out, errs, failed := run(t, "verify", path); failed == nil || !strings.Contains(out, at) || !strings.Contains(errs, at) {
		t.Errorf("%v\n%s%s", failed, out, errs)
	}
	if err == nil {
		if out, status := checker(); status != 1 || !strings.Contains(out, at) {
			t.Errorf("status %d: %s", status, out)
		}
		write(strings.Replace(bundle, `"waste":{`, `"slump":"3",  "waste":{`, 1))
		if out, status := checker(); status != 2 || !strings.Contains(out, "/request/alternatives/0/slab/slump") {
			t.Errorf("status %d: %s", status, out)
		}
	}
}

func TestHelpForEachCommand(t *testing.T) {
	for _, args := range [][]string{{"--help"}, {"demo", "--help"}, {"serve", "--help"}, {"migrate", "--help"}, {"import", "--help"}, {"template", "--help"}, {"export", "--help"}, {"compare", "--help"}, {"verify", "--help"},
		{"keys", "--help"}, {"keys", "create", "--help"}, {"keys", "list", "--help"}, {"keys", "revoke", "--help"}, {"journal", "--help"}, {"journal", "verify", "--help"}} {
		if out := mustRun(t, args...); len(out) < 100 {
			t.Errorf("%v: %q", args, out)
		}
	}
	if !strings.Contains(mustRun(t, "--help"), service.Caution) {
		t.Error("the caution is not in the help")
	}
}

// Arrows only point down. Each room may call those named, and what is beneath
// them; nobody calls up.
var mayCall = map[string][]string{
	"":                    {"api", "service", "service/report", "inventory", "inventory/sqlite", "inventory/postgres"},
	"api":                 {"api/pages", "service", "service/report", "inventory", "inventory/epd", "lca/fault", "lca/unit"},
	"api/pages":           {"service", "service/report", "inventory", "lca/fault"},
	"service":             {"inventory", "inventory/epd", "lca/"},
	"service/report":      {"service", "inventory", "lca/num"},
	"inventory":           {"lca/num", "lca/unit"},
	"inventory/epd":       {"inventory", "lca/num", "lca/unit", "lca/fault"},
	"inventory/queue":     {"inventory"},
	"inventory/sqlite":    {"inventory", "inventory/queue", "migrations", "lca/num"},
	"inventory/postgres":  {"inventory", "inventory/queue", "migrations", "lca/num"},
	"inventory/storetest": {"inventory", "migrations", "lca/num"},
	"migrations":          {},
	"lca":                 {},
	"lca/num":             {},
	"lca/fault":           {},
	"lca/unit":            {"lca/num"},
	"lca/mix":             {"lca/num", "lca/unit", "lca/fault"},
	"lca/slab":            {"lca/num", "lca/unit", "lca/fault"},
	"lca/carbon":          {"lca/num"},
	"lca/cost":            {"lca/num"},
	"lca/compare":         {"lca/num"},
	"lca/sampling":        {"lca/num", "lca/fault"},
	"lca/pavement":        {"lca/num", "lca/unit", "lca/fault"},
	"lca/flexure":         {"lca/num", "lca/fault"},
}

// The engine does no input or output, knows no clock and no chance.
var notInEngine = []string{"os", "io", "io/fs", "net", "net/http", "time", "math/rand", "math/rand/v2", "crypto/rand", "database/sql", "log", "log/slog", "context", "syscall", "embed"}

func TestArrowsOnlyPointDown(t *testing.T) {
	const module = "slabledger"
	err := filepath.WalkDir(".", func(path string, entry fs.DirEntry, err error) error {
		if err != nil || (entry.IsDir() && strings.HasPrefix(entry.Name(), ".") && path != ".") {
			if err == nil {
				return filepath.SkipDir
			}
			return err
		}
		if _, err := os.Stat(filepath.Join(path, "go.mod")); err == nil && path != "." {
			return filepath.SkipDir // a module of its own, which sees the service from outside
		}
		if !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return nil
		}
		room := filepath.ToSlash(filepath.Dir(path))
		if room == "." {
			room = ""
		}
		allowed, known := mayCall[room]
		if !known {
			t.Errorf("%s: the room %q is not in the map; say in mayCall whom it may call", path, room)
			return nil
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		for _, spec := range file.Imports {
			name, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				return err
			}
			if strings.HasPrefix(room, "lca") {
				for _, forbidden := range notInEngine {
					if name == forbidden {
						t.Errorf("%s imports %s: the engine is pure", path, name)
					}
				}
			}
			target, ours := strings.CutPrefix(name, module+"/")
			if !ours {
				continue
			}
			ok := false
			for _, a := range allowed {
				ok = ok || target == a || (strings.HasSuffix(a, "/") && strings.HasPrefix(target, a))
			}
			if !ok {
				t.Errorf("%s imports %s: %q may call only %v", path, target, room, allowed)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// built is the program as a binary, built once for what needs a process of its
// own.
func built(b testing.TB) string {
	b.Helper()
	path := filepath.Join(b.TempDir(), "slabledger")
	if out, err := exec.Command("go", "build", "-o", path, ".").CombinedOutput(); err != nil {
		b.Fatalf("%v\n%s", err, out)
	}
	return path
}

// started runs the binary's demo service and returns its address once it
// answers.
func started(b testing.TB, binary, db string, env ...string) (address string, process *os.Process) {
	b.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	free := listener.Addr().String()
	if err := listener.Close(); err != nil {
		b.Fatal(err)
	}
	args := []string{"serve", "--addr", free}
	if db != "" {
		args = append(args, "--db", db)
	}
	cmd := exec.Command(binary, args...)
	cmd.Env = append(os.Environ(), env...)
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	for {
		resp, err := http.Get("http://" + free + "/v1/inventories")
		if err == nil {
			_ = resp.Body.Close()
			return "http://" + free, cmd.Process
		}
		time.Sleep(time.Millisecond)
	}
}

func stopped(b *testing.B, process *os.Process) {
	b.Helper()
	if err := process.Signal(os.Interrupt); err != nil {
		b.Fatal(err)
	}
	if _, err := process.Wait(); err != nil {
		b.Fatal(err)
	}
}

// BenchmarkColdStart is from starting the binary to its first answered request,
// on SQLite.
func BenchmarkColdStart(b *testing.B) {
	binary, db := built(b), filepath.Join(b.TempDir(), "test.db")
	p := &program{out: io.Discard, errs: io.Discard, env: func(string) string { return "" }}
	if err := p.run(b.Context(), []string{"demo", "--once", "--db", db}); err != nil {
		b.Fatal(err)
	}
	b.ResetTimer()
	for range b.N {
		_, process := started(b, binary, db)
		b.StopTimer()
		stopped(b, process)
		b.StartTimer()
	}
}

// BenchmarkResident sends b.N demo comparisons to the binary and reports its
// resident memory after them (Linux): -benchtime 10000x for the figure of
// docs/benchmarks.md.
func BenchmarkResident(b *testing.B) {
	binary, db := built(b), filepath.Join(b.TempDir(), "test.db")
	p := &program{out: io.Discard, errs: io.Discard, env: func(string) string { return "" }}
	if err := p.run(b.Context(), []string{"demo", "--once", "--db", db}); err != nil {
		b.Fatal(err)
	}
	body, err := os.ReadFile("testdata/demo/comparison.json")
	if err != nil {
		b.Fatal(err)
	}
	address, process := started(b, binary, db)
	defer stopped(b, process)
	b.ResetTimer()
	for range b.N {
		resp, err := http.Post(address+"/v1/comparisons", "application/json", bytes.NewReader(body))
		if err != nil {
			b.Fatal(err)
		}
		if _, err := io.Copy(io.Discard, resp.Body); err != nil || resp.StatusCode != http.StatusOK {
			b.Fatal(resp.StatusCode, err)
		}
		_ = resp.Body.Close()
	}
	b.StopTimer()
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", process.Pid))
	if err != nil {
		b.Skip("no /proc here: ", err)
	}
	found := regexp.MustCompile(`VmRSS:\s+(\d+) kB`).FindSubmatch(status)
	if found == nil {
		b.Fatal("no VmRSS")
	}
	kB, err := strconv.Atoi(string(found[1]))
	if err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(kB)/1024, "MiB-resident")
}

// A region goes in as an analyst has it, and comes out as it went in.
func TestTablesInAndOut(t *testing.T) {
	dir := t.TempDir()
	db, in := filepath.Join(dir, "test.db"), func(name string) string { return filepath.Join(dir, name) }
	mustRun(t, "demo", "--once", "--db", db)
	mustRun(t, "template", in("items.xlsx"))
	if _, errs, err := run(t, "template", in("items.xlsx")); err == nil {
		t.Errorf("a file was overwritten: %s", errs)
	}
	if out := mustRun(t, "template", "-"); !strings.Contains(out, "price_valid_until") || !strings.Contains(out, "notes") {
		t.Errorf("%s", out)
	}
	for _, name := range []string{"demo.csv", "demo.xlsx"} {
		mustRun(t, "export", "demo@1", in(name), "--db", db)
		if out := mustRun(t, "import", in(name), "--inventory", "demo", "--db", db); !strings.Contains(out, "nothing was published") {
			t.Errorf("%s is not what was exported: %s", name, out)
		}
	}
	rows := "code;category;name;unit;density_kg_per_m3;price;price_currency;price_date;price_basis;price_tax;price_source_kind;price_source_title\n" +
		"ggbs;scm;Slagg;tonne;2900;1.050,5;EUR;2026-03-01;delivered;excluded;quotation;Offer 9\n"
	options := `{"rates":[]}`
	for name, text := range map[string]string{"north.csv": rows, "good.csv": strings.Replace(rows, "1.050,5", "0,0475", 1), "options.json": options} {
		if err := os.WriteFile(in(name), []byte(strings.Replace(text, ";tonne;", ";kg;", 1)), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	args := []string{"--inventory", "north", "--db", db, "--name", "North", "--region", "XA-02", "--currency", "EUR", "--extends", "demo@1", "--decimal-comma", "--options", in("options.json")}
	_, errs, err := run(t, append([]string{"import", in("north.csv")}, args...)...)
	if err == nil || !strings.Contains(errs, "row 2 (ggbs), price") {
		t.Errorf("a separator of thousands: %v %s", err, errs)
	}
	if out := mustRun(t, append([]string{"import", in("good.csv"), "--dry-run"}, args...)...); !strings.Contains(out, "nothing was stored") {
		t.Errorf("%s", out)
	}
	out := mustRun(t, append([]string{"import", in("good.csv")}, args...)...)
	if !strings.Contains(out, "published north@1: 6") { // those of the demo below its own
		t.Errorf("%s", out)
	}
	out = mustRun(t, append([]string{"import", in("good.csv"), "--note", "again"}, args...)...)
	if !strings.Contains(out, "nothing was published") {
		t.Errorf("%s", out)
	}
}

// A JSON that the service exported says itself what it is about.
func TestImportOfAnExportInJSON(t *testing.T) {
	dir := t.TempDir()
	address := serve(t, "demo", "--addr", "127.0.0.1:0", "--db", filepath.Join(dir, "a.db"))
	r, err := http.NewRequest(http.MethodGet, address+"/v1/inventories/demo/versions/1/export", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Accept", "application/json")
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "export.json")
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	var said struct{ Hash string }
	if err := json.Unmarshal(text, &said); err != nil {
		t.Fatal(err)
	}
	if out := mustRun(t, "import", path, "--inventory", "again", "--db", filepath.Join(dir, "b.db")); !strings.Contains(out, said.Hash) {
		t.Errorf("another hash than %s: %s", said.Hash, out)
	}
}
