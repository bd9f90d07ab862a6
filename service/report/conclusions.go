package report

import (
	"fmt"
	"io"
	"strings"

	"slabledger/service"
)

// lineWidth is where a sentence is broken, in characters.
const lineWidth = 80

// Conclusions prints the conclusions of a comparison as sentences under headings.
func Conclusions(w io.Writer, r *service.ConclusionsResponse) error {
	var b strings.Builder
	for _, part := range []struct {
		heading     string
		conclusions []service.Conclusion
	}{{"Which slab", r.Which}, {"How sure", r.HowSure}, {"What would change it", r.WhatChangesIt}} {
		if len(part.conclusions) == 0 {
			continue
		}
		fmt.Fprintln(&b, part.heading)
		for _, c := range part.conclusions {
			wrapped(&b, "- ", "  ", Printable(c.Text))
		}
		fmt.Fprintln(&b)
	}
	wrapped(&b, "", "", "Sentences round to three digits; POST /v1/conclusions has every figure whole, and where it is quoted from.")
	_, err := io.WriteString(w, b.String())
	return err
}

// wrapped writes a text with a mark before its first line and as much room before the
// others.
func wrapped(b *strings.Builder, mark, room, text string) {
	line := mark
	for i, word := range strings.Fields(text) {
		switch {
		case i == 0:
			line += word
		case len([]rune(line))+1+len([]rune(word)) > lineWidth:
			fmt.Fprintln(b, line)
			line = room + word
		default:
			line += " " + word
		}
	}
	fmt.Fprintln(b, line)
}
