package report

import (
	"fmt"
	"io"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"slabledger/inventory"
)

// Citation is what a citation of a saved study says of it. Who did it is not known here,
// so no author is named: the note says that one is to be added.
type Citation struct {
	Study         inventory.Study
	InventoryHash string
	URL           string // of the study
}

// note is what a reader needs to find the same figures again.
func (c Citation) note() []string {
	return []string{
		"Author: unknown to the program, to be added by who cites",
		"Comparison of concrete slabs by whole-life cost and carbon; a comparison aid, not a design",
		"Inventory: " + c.Study.Inventory.String() + ", SHA-256 " + c.InventoryHash,
		"Engine version: " + c.Study.EngineVersion,
		"Request: SHA-256 " + c.Study.RequestHash,
		"Result: SHA-256 " + c.Study.ResultHash,
	}
}

// created is the day on which a study was saved (RFC 3339, in UTC).
func (c Citation) created() (year, month, day int, err error) {
	_, err = fmt.Sscanf(c.Study.CreatedAt, "%4d-%2d-%2d", &year, &month, &day)
	return year, month, day, err
}

// BibTeX writes a citation as an entry of BibTeX.
func BibTeX(w io.Writer, c Citation) error {
	year, month, _, err := c.created()
	if err != nil || month < 1 || month > 12 {
		return fmt.Errorf("the study was created at %q, which is no date", c.Study.CreatedAt)
	}
	id := "slabledger-" + c.Study.ID
	var b strings.Builder
	fmt.Fprintf(&b, "@misc{%s,\n", id)
	for _, field := range [][2]string{
		{"key", "{" + id + "}"}, // which is sorted by where there is no author
		{"title", "{{" + latex(c.Study.Name) + "}}"},
		{"howpublished", "{Saved study " + latex(c.Study.ID) + ", computed by Slabledger}"},
		{"year", fmt.Sprintf("{%04d}", year)},
		{"month", []string{"jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"}[month-1]},
		{"url", "{" + c.URL + "}"},
		{"note", "{" + latex(strings.Join(c.note(), ". ")) + "}"},
	} {
		fmt.Fprintf(&b, "  %-12s = %s,\n", field[0], field[1])
	}
	b.WriteString("}\n")
	_, err = io.WriteString(w, b.String())
	return err
}

// latex escapes what TeX reads as a command. Braces go by name, since BibTeX counts them
// even behind a backslash.
func latex(text string) string { return latexSpecials.Replace(Printable(text)) }

var latexSpecials = strings.NewReplacer(`\`, `\textbackslash{}`, "{", `\textbraceleft{}`, "}", `\textbraceright{}`, "~", `\textasciitilde{}`, "^", `\textasciicircum{}`,
	"%", `\%`, "&", `\&`, "$", `\$`, "#", `\#`, "_", `\_`)

// CSL writes a citation as CSL-JSON: a list with one item.
func CSL(w io.Writer, c Citation) error {
	year, month, day, err := c.created()
	if err != nil {
		return fmt.Errorf("the study was created at %q, which is no date", c.Study.CreatedAt)
	}
	type date struct {
		Parts [][]int `json:"date-parts"`
	}
	item := struct {
		ID      string `json:"id"`
		Type    string `json:"type"`
		Title   string `json:"title"`
		Issued  date   `json:"issued"`
		Genre   string `json:"genre"`
		Number  string `json:"number"`
		Version string `json:"version"`
		Source  string `json:"source"`
		URL     string `json:"URL"`
		Note    string `json:"note"`
	}{"slabledger-" + c.Study.ID, "dataset", Printable(c.Study.Name), date{[][]int{{year, month, day}}}, "life cycle comparison", c.Study.ID, c.Study.EngineVersion, "Slabledger", c.URL, strings.Join(c.note(), "\n")}
	text, err := json.Marshal([]any{item}, json.Deterministic(true), jsontext.WithIndent("  "), jsontext.EscapeForHTML(false))
	if err != nil {
		return err
	}
	_, err = w.Write(append(text, '\n'))
	return err
}
