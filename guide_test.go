package main

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// step is a block of commands in a guide, and what the guide shows that they print.
type step struct{ commands, prints string }

// stepsOf reads the blocks marked sh of a guide. The block without a mark that follows
// one is what it prints; without such a block it prints nothing.
func stepsOf(guide string) []step {
	block := regexp.MustCompile("(?ms)^```sh\n(.*?)^```\n(?:\n```\n(.*?)^```\n)?")
	var steps []step
	for _, found := range block.FindAllStringSubmatch(guide, -1) {
		steps = append(steps, step{found[1], found[2]})
	}
	return steps
}

// shows tells whether a text is what a guide shows, where "…" stands for anything.
func shows(shown, text string) bool {
	parts := strings.Split(shown, "…")
	for i := range parts {
		parts[i] = regexp.QuoteMeta(parts[i])
	}
	return regexp.MustCompile(`(?s)\A` + strings.Join(parts, ".+") + `\z`).MatchString(text)
}

// The guide to procurement is run in an empty folder.
func TestProcurementGuideRuns(t *testing.T) {
	runGuide(t, "docs/guides/procurement.md", t.TempDir(), "bash", "curl", "jq", "sha256sum", "cmp")
}

// The guide to a decision begins at the top of the repository.
func TestDecisionGuideRuns(t *testing.T) {
	runGuide(t, "docs/guides/decision.md", ".", "bash", "curl", "jq", "python3")
}

// runGuide runs a guide as it stands, in one shell and against the service that it
// starts, on a port that is free here; each step prints what the guide shows.
func runGuide(t *testing.T, guide, folder string, tools ...string) {
	t.Helper()
	for _, tool := range tools {
		if _, err := exec.LookPath(tool); err != nil {
			if os.Getenv("CI") == "true" {
				t.Fatalf("the guide cannot run without %s", tool)
			}
			t.Skipf("the guide cannot run without %s", tool)
		}
	}
	steps := stepsOf(read(t, guide))
	if len(steps) < 10 {
		t.Fatalf("only %d steps were found", len(steps))
	}
	const mark = "\x00"
	var script strings.Builder
	script.WriteString("set -euo pipefail\ntrap 'kill $(jobs -p) 2>/dev/null || true' EXIT\n")
	for _, s := range steps {
		fmt.Fprintf(&script, "%sprintf '\\0'\n", s.commands)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	free := listener.Addr().String()
	if err := listener.Close(); err != nil {
		t.Fatal(err)
	}

	var out, errs bytes.Buffer
	cmd := exec.CommandContext(t.Context(), "bash", "-c", strings.ReplaceAll(script.String(), "127.0.0.1:8080", free))
	cmd.Dir, cmd.Stdout, cmd.Stderr, cmd.WaitDelay = folder, &out, &errs, 10*time.Second
	cmd.Env = append(os.Environ(), "PATH="+filepath.Dir(built(t))+string(os.PathListSeparator)+os.Getenv("PATH"), "NO_PROXY=127.0.0.1", "no_proxy=127.0.0.1")
	failed := cmd.Run()
	printed := strings.Split(out.String(), mark)
	for i, s := range steps {
		if i >= len(printed) {
			break
		}
		if !shows(s.prints, printed[i]) {
			t.Errorf("step %d prints other than the guide shows:\n%s\n%s", i+1, s.commands, cmp.Diff(s.prints, printed[i]))
		}
	}
	if failed != nil || len(printed) != len(steps)+1 {
		t.Errorf("step %d of %d: %v\n%s", len(printed), len(steps), failed, errs.String())
	}
}
