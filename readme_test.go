package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"slabledger/inventory"
)

// region is the section of the README on a region of one's own.
func region(t *testing.T) string {
	t.Helper()
	_, region, found := strings.Cut(read(t, "README.md"), "## Bring your own region")
	region, _, ended := strings.Cut(region, "\n## ")
	if !found || !ended {
		t.Fatal("the README has no section on a region of one's own")
	}
	return region
}

// The README lists what the columns of an inventory may hold as the check of an
// import has it, so that a first file needs no guessing.
func TestReadmeListsWhatColumnsHold(t *testing.T) {
	region := region(t)
	var words []string
	for _, c := range inventory.Categories() {
		words = append(words, string(c))
	}
	for _, k := range inventory.SourceKinds() {
		words = append(words, string(k))
	}
	words = append(words, inventory.BasisExWorks, inventory.BasisDelivered, inventory.DefaultWasteDisposal,
		"price_source_kind", "2026-11-25", "m2", "m")
	for _, word := range words {
		if !strings.Contains(region, "`"+word+"`") {
			t.Errorf("the section on a region does not list %s", word)
		}
	}
}

// Whoever follows the section on a region of one's own, command by command, sees what
// stands there; "…" stands for what is left out.
func TestReadmeWalkOfARegion(t *testing.T) {
	for _, tool := range []string{"sh", "curl", "jq", "sed", "cmp"} {
		if _, err := exec.LookPath(tool); err != nil {
			if os.Getenv("CI") == "true" {
				t.Fatal(err)
			}
			t.Skip("the README's commands need ", tool, ": ", err)
		}
	}
	// A folder with the files of the repository that the walk names, and the program
	// in the place of go run.
	dir, tools, binary := t.TempDir(), t.TempDir(), built(t)
	for path, text := range map[string]string{
		filepath.Join(dir, "testdata", "demo", "comparison.json"): read(t, "testdata/demo/comparison.json"),
		filepath.Join(tools, "go"):                                "#!/bin/sh\n[ \"$1 $2\" = 'run .' ] || exit 1\nshift 2\nexec '" + binary + "' \"$@\"\n",
	} {
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o700); err != nil { // one of them is to be run
			t.Fatal(err)
		}
	}
	blocks := regexp.MustCompile("(?ms)^```(sh)?\n(.*?)^```$").FindAllStringSubmatch(region(t), -1)
	address, shown := "", 0
	for i, block := range blocks {
		if block[1] == "" {
			continue
		}
		commands, want := block[2], ""
		if i+1 < len(blocks) && blocks[i+1][1] == "" {
			want = strings.TrimSpace(blocks[i+1][2])
			shown++
		}
		if strings.Contains(commands, "localhost:8080") {
			if address == "" {
				address = strings.TrimPrefix(serve(t, "serve", "--db", filepath.Join(dir, "slabledger.db"), "--addr", "127.0.0.1:0"), "http://")
			}
			commands = strings.ReplaceAll(commands, "localhost:8080", address)
		}
		cmd := exec.Command("sh", "-ec", commands)
		cmd.Dir, cmd.Env = dir, append(os.Environ(), "PATH="+tools+string(os.PathListSeparator)+os.Getenv("PATH"), "DATABASE_URL=", "KEY=")
		out, err := cmd.CombinedOutput()
		if refused := strings.HasPrefix(want, "slabledger: "); refused != (err != nil) {
			t.Errorf("%s\n%v\n%s", block[2], err, out)
		}
		form := strings.ReplaceAll(regexp.QuoteMeta(want), "…", "(?s:.+)")
		if got := strings.TrimSpace(string(out)); !regexp.MustCompile(`\A` + form + `\z`).MatchString(got) {
			t.Errorf("%s\nthe README shows\n%s\nbut it is\n%s", block[2], want, got)
		}
	}
	if shown < 7 {
		t.Errorf("only %d outputs were looked at", shown)
	}
}
