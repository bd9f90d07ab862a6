package report_test

import (
	"testing"

	"slabledger/service/report"
)

// A name from a hostile file cannot move the cursor or turn the writing.
func TestPrintable(t *testing.T) {
	for in, want := range map[string]string{
		"fibre, staged":  "fibre, staged",
		"béton fibré ≤5": "béton fibré ≤5",
		"a\x1b[2Jb":      "a\uFFFD[2Jb",
		"a\u202eb":       "a\uFFFDb",
		"a\nb":           "a\uFFFDb",
	} {
		if got := report.Printable(in); got != want {
			t.Errorf("Printable(%q) = %q, want %q", in, got, want)
		}
	}
}
