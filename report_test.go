package main

import (
	"crypto/sha256"
	"encoding/hex"
	"html"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// commands are the blocks of commands in a report, as a reader copies them.
func commands(t *testing.T, page string) (list []string) {
	t.Helper()
	for _, block := range regexp.MustCompile(`(?s)<pre>(.*?)</pre>`).FindAllStringSubmatch(page, -1) {
		list = append(list, html.UnescapeString(block[1]))
	}
	if len(list) != 2 {
		t.Fatalf("%d blocks of commands", len(list))
	}
	return list
}

// The commands that a report prints give the hash that it prints, of a comparison and of a
// study, with the service and without.
func TestCommandsOfAReportRun(t *testing.T) {
	for _, tool := range []string{"sh", "curl", "sha256sum", "python3"} {
		if _, err := exec.LookPath(tool); err != nil {
			if os.Getenv("CI") == "true" {
				t.Fatal(err)
			}
			t.Skip("the commands of a report need ", tool, ": ", err)
		}
	}
	dir, binary := t.TempDir(), built(t)
	db := filepath.Join(dir, defaultDB)
	mustRun(t, "demo", "--once", "--db", db)
	address := serve(t, "serve", "--db", db, "--addr", "127.0.0.1:0")
	fetch := func(r *http.Request) string {
		t.Helper()
		answer, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer answer.Body.Close()
		text, err := io.ReadAll(answer.Body)
		if err != nil || answer.StatusCode/100 != 2 {
			t.Fatalf("%s: %s %v %.500s", r.URL, answer.Status, err, text)
		}
		return string(text)
	}
	request := func(method, path, body string, headers ...string) *http.Request {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), method, address+path, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		for i := 0; i+1 < len(headers); i += 2 {
			r.Header.Set(headers[i], headers[i+1])
		}
		return r
	}
	shell := func(script string) string {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), "sh", "-ec", script)
		cmd.Dir, cmd.Env = dir, append(os.Environ(), "PATH="+filepath.Dir(binary)+string(os.PathListSeparator)+os.Getenv("PATH"), "DATABASE_URL=", "NO_PROXY=127.0.0.1", "no_proxy=127.0.0.1")
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("%v: %s\n%s", err, out, script)
		}
		return string(out)
	}
	const asJSON, media = "Content-Type", "application/json"
	demo := read(t, "testdata/demo/comparison.json")
	sum := sha256.Sum256([]byte(fetch(request(http.MethodPost, "/v1/comparisons", demo, asJSON, media))))
	hash := hex.EncodeToString(sum[:])

	page := fetch(request(http.MethodPost, "/v1/comparisons", demo, asJSON, media, "Accept", "text/html"))
	if !strings.Contains(page, "<code>"+hash+"</code>") {
		t.Error("the report does not have the hash of the result")
	}
	if opened := fetch(request(http.MethodGet, "/comparison/report?of=demo", "")); opened != page {
		t.Error("the page is another than the answer")
	}
	blocks := commands(t, page)
	if got := shell(blocks[0]); got != hash+"  -\n" {
		t.Errorf("the command prints %s, the report says %s\n%s", got, hash, blocks[0])
	}

	// Without the service: request.json is what stands between the marks.
	_, sent, _ := strings.Cut(blocks[0], "sha256sum\n")
	sent = strings.TrimSuffix(sent, "REQUEST")
	if err := os.Mkdir(filepath.Join(dir, "docs"), 0o700); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"request.json": sent, "docs/verify.py": read(t, "docs/verify.py")} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if got := shell(blocks[1]); !strings.HasPrefix(got, hash+"  -\n") || !strings.HasSuffix(got, "\nmatch\n") {
		t.Errorf("without the service: %s\n%s", got, blocks[1])
	}

	answer, err := http.DefaultClient.Do(request(http.MethodPost, "/v1/studies", `{"name": "Quay road", "tags": [], "request": `+demo+`}`, asJSON, media, "Idempotency-Key", "report"))
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	study := answer.Header.Get("Location")
	page = fetch(request(http.MethodGet, strings.TrimPrefix(study, "/v1")+"/report", ""))
	if got := shell(commands(t, page)[0]); got != hash+"  -\n" || !strings.Contains(page, "Quay road") {
		t.Errorf("the command of the study prints %s", got)
	}
	if again := fetch(request(http.MethodGet, study+"/result", "", "Accept", "text/html")); again != page {
		t.Error("the page of the study is another than its result")
	}
}

// The command line prints the report that the service answers at its standard address.
func TestCompareReport(t *testing.T) {
	dir := t.TempDir()
	db, out := filepath.Join(dir, "test.db"), filepath.Join(dir, "report.html")
	mustRun(t, "demo", "--once", "--db", db)
	if got := mustRun(t, "compare", "testdata/demo/comparison.json", "--report", "--db", db); got != read(t, "testdata/golden/report.html") {
		t.Error("compare --report prints another report than the golden one")
	}
	mustRun(t, "compare", "testdata/demo/comparison.json", "--report", "--out", out, "--db", db)
	if read(t, out) != read(t, "testdata/golden/report.html") {
		t.Error("compare --report --out writes another report")
	}
}
