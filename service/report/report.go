package report

import (
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strconv"
	"strings"

	"slabledger/inventory"
	"slabledger/service"
)

//go:embed report.html
var reportText string

// reportPage is the text of the template with the style of the pictures in its own.
var reportPage = strings.Replace(reportText, "/*pictures*/", PictureStyle, 1)

var reportTemplate = template.Must(template.New("report").Funcs(template.FuncMap{"number": func(n int) string { return strconv.Itoa(n + 1) }}).Parse(reportPage))

// ReportStyle is the source expression of a Content-Security-Policy that lets in the
// style of the report and no other.
var ReportStyle = styleHash(reportPage)

// styleHash is the hash of the one style of a page, as CSP Level 3 has it.
func styleHash(page string) string {
	_, style, _ := strings.Cut(page, "<style>")
	style, _, _ = strings.Cut(style, "</style>")
	sum := sha256.Sum256([]byte(style))
	return "sha256-" + base64.StdEncoding.EncodeToString(sum[:])
}

// Reported is what a report is made of.
type Reported struct {
	Request    []byte // the comparison as it was asked
	Comparison *service.ComparisonResponse
	Grounds    *service.Grounds // nil: none were looked for, and the report says so
	Study      *inventory.Study // that the comparison is saved as; nil where it is not
	Moved      string           // why the figures are not those that were saved; empty where they are
	Address    string           // of the service, such as http://localhost:8080; empty: that
	Shown      Shown
}

// standardAddress is where the service listens unless told otherwise.
const standardAddress = "http://localhost:8080"

// Bounds of a report. Summaries have every alternative; what stands in them once for each
// is told of some, and the report says so.
const (
	mostDetailed   = 12       // alternatives whose mixes, data and reasons are told
	mostStatements = 60       // statements of one list
	mostItems      = 300      // items of the sources
	mostInputs     = 80       // inputs that scatter
	mostPairs      = 10       // pairs of alternatives
	mostSwung      = 12       // inputs in a table of a sensitivity
	mostStaged     = 3        // pictures of mixing
	perTable       = 6        // alternatives that are columns of one table
	modulesPerPart = 9        // modules that are columns of one table
	mostInlined    = 64 << 10 // bytes of a request that is printed
)

// What the template sees: text and drawings.
type (
	paper struct {
		Title, Question string
		Loud            []loud
		Sections        []part
	}
	loud struct{ Word, Text string }
	part struct {
		ID, Title string
		Blocks    []block
	}
	block struct {
		Heading, Text, Note string
		List                []string
		Facts               []fact
		Table               *PictureTable
		Class               string // of the table
		Figure              template.HTML
		Code                string
	}
	fact struct {
		Name, Value string
		Exact       bool // is to be copied letter by letter
	}
)

// Report writes one comparison as a page that prints on A4: what was asked, what came of
// it, how sure that is, what it rests on and how to compute it again. It loads nothing,
// has no script, and is the same for the same input. Figures are rounded for reading, as
// it says.
func Report(w io.Writer, in Reported) error {
	if in.Address == "" {
		in.Address = standardAddress
	}
	text, err := service.Encode(in.Comparison)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(text)
	b := &reporter{Reported: in, r: in.Comparison, resultHash: hex.EncodeToString(sum[:]), detailed: detailed(in.Comparison)}
	p := paper{Title: b.title(), Question: b.question(), Loud: b.loud()}
	for _, s := range []struct {
		title string
		of    func() error
	}{
		{"Answer", b.answer}, {"Goal and scope", b.scope}, {"Alternatives", b.alternatives}, {"Results", b.results}, {"How sure, and what would change it", b.sureness},
		{"Checks and limits", b.checks}, {"Assumptions, warnings and limitations", b.statements}, {"Sources of the data", b.sources}, {"Method and rounding", b.method}, {"How to compute it again", b.again},
	} {
		b.blocks = nil
		if err := s.of(); err != nil {
			return err
		}
		id := strings.ReplaceAll(strings.ToLower(strings.ReplaceAll(s.title, ",", "")), " ", "-")
		p.Sections = append(p.Sections, part{"section-" + id, s.title, b.blocks})
	}
	return reportTemplate.Execute(w, p)
}

// reporter gathers the blocks of a section.
type reporter struct {
	Reported
	r          *service.ComparisonResponse
	resultHash string
	detailed   []*service.Result
	blocks     []block
}

func (b *reporter) heading(text string) { b.blocks = append(b.blocks, block{Heading: text}) }
func (b *reporter) note(text string)    { b.blocks = append(b.blocks, block{Note: text}) }
func (b *reporter) list(texts []string) { b.blocks = append(b.blocks, block{List: texts}) }
func (b *reporter) facts(list ...fact)  { b.blocks = append(b.blocks, block{Facts: list}) }
func (b *reporter) code(text string)    { b.blocks = append(b.blocks, block{Code: text}) }
func (b *reporter) say(format string, of ...any) {
	b.blocks = append(b.blocks, block{Text: fmt.Sprintf(format, of...)})
}

func (b *reporter) table(caption string, columns []PictureColumn, rows [][]string) {
	b.tableOf("", caption, columns, rows)
}

// tableOf is a table of a class of the style: kept3 breaks no line in the third column.
func (b *reporter) tableOf(class, caption string, columns []PictureColumn, rows [][]string) {
	if len(rows) > 0 {
		b.blocks = append(b.blocks, block{Table: &PictureTable{caption, columns, rows}, Class: class})
	}
}

func (b *reporter) figure(p Picture) error {
	figure, err := p.Figure()
	b.blocks = append(b.blocks, block{Figure: figure})
	return err
}

// textual and numeric are columns of a table.
func textual(head string) PictureColumn { return PictureColumn{Head: head} }
func numeric(head, unit string) PictureColumn {
	return PictureColumn{Head: head, Unit: unit, Numeric: true}
}

// detailed are the alternatives that are told at length: all where they are few, else the
// baseline and the first by cost and by carbon in turn, or, where nothing is ranked, the
// first of the request; in the order of the request.
func detailed(r *service.ComparisonResponse) (list []*service.Result) {
	chosen := map[string]bool{r.Comparison.Baseline: true}
	choose := func(name string) {
		if len(chosen) < mostDetailed {
			chosen[name] = true
		}
	}
	if ranking := r.Comparison.Ranking; ranking != nil {
		cost, carbon := inOrder(ranking.ByNetPresentValue), inOrder(ranking.ByTotalCarbon)
		for n := range max(len(cost), len(carbon)) {
			for _, ranks := range [][]service.Rank{cost, carbon} {
				if n < len(ranks) {
					choose(ranks[n].Name)
				}
			}
		}
	}
	for i := range r.Alternatives {
		choose(r.Alternatives[i].Name)
	}
	for i := range r.Alternatives {
		if chosen[r.Alternatives[i].Name] {
			list = append(list, &r.Alternatives[i])
		}
	}
	return list
}

func inOrder(ranks []service.Rank) []service.Rank {
	ranks = slices.Clone(ranks)
	slices.SortStableFunc(ranks, func(a, b service.Rank) int { return a.Rank - b.Rank })
	return ranks
}

// some says of which alternatives the report tells more, where not of all.
func (b *reporter) some(what string) {
	if len(b.detailed) < len(b.r.Alternatives) {
		b.note(fmt.Sprintf("%s for %d of the %d alternatives: the baseline and those that come first by cost and by carbon. The answer as JSON has all.", what, len(b.detailed), len(b.r.Alternatives)))
	}
}

// names lists some names in a sentence.
func names(list []string) string {
	const most = 4
	var shown []string
	for i, name := range list {
		if i == most {
			return strings.Join(shown, ", ") + fmt.Sprintf(" and %d more", len(list)-most)
		}
		shown = append(shown, "“"+named(name)+"”")
	}
	return strings.Join(shown, ", ")
}

// grouped lists texts that alternatives have in common once, with whose they are, in the
// order in which they first appear.
func grouped(r *service.ComparisonResponse, of func(*service.Result) []string) []string {
	var order []string
	whose := map[string][]string{}
	for i := range r.Alternatives {
		a := &r.Alternatives[i]
		seen := map[string]bool{}
		for _, text := range of(a) {
			if seen[text] {
				continue
			}
			seen[text] = true
			if whose[text] == nil {
				order = append(order, text)
			}
			whose[text] = append(whose[text], a.Name)
		}
	}
	for i, text := range order {
		if i == mostStatements {
			return append(order[:i:i], fmt.Sprintf("And %d more, which the answer as JSON has.", len(order)-i))
		}
		if len(whose[text]) < len(r.Alternatives) {
			order[i] = text + " (" + names(whose[text]) + ")"
		}
	}
	return order
}

// plus writes the sign of what is more.
func plus(text string) string {
	if strings.HasPrefix(text, "−") || strings.Trim(text, "0.,'\u00a0\u202f") == "" || text == Unknown {
		return text
	}
	return "+" + text
}
