package inventory

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/agnivade/levenshtein"
)

// Limits of a CSV file.
const (
	MaxRows      = 200_000
	MaxFileBytes = 64 << 20
	MaxLineBytes = 64 << 10
	MaxReported  = 100 // rows of a CSVError; the rest is counted
	maxFound     = 80  // bytes of a cell that are shown
)

// Codes of problems that only a file can have.
const (
	ProblemHeader   = "csv-header"
	ProblemQuote    = "csv-quote"
	ProblemFields   = "csv-field-count"
	ProblemEncoding = "csv-encoding"
	ProblemTooLarge = "csv-too-large"
	ProblemEmpty    = "csv-empty"
	ProblemYear     = "year-invalid"
)

// RowError is one thing wrong in a CSV file.
type RowError struct {
	Line   int    // of the file, from 1, on which the row begins
	Column string // empty where the row as a whole is meant
	Code   string // stable, for programs
	Found  string // at most 80 bytes of what stands there
	Detail string // for people: what is accepted
}

// CSVError is everything wrong in a CSV file, in the order of its lines. A file
// with one bad row is refused as a whole.
type CSVError struct {
	Rows []RowError // at most MaxReported
	More int        // how many more there are
}

// Error shows the first and counts the others.
func (e *CSVError) Error() string {
	first := e.Rows[0]
	text := fmt.Sprintf("line %d", first.Line)
	if first.Column != "" {
		text += ", column " + first.Column
	}
	text += ": " + first.Code
	if first.Found != "" {
		text += fmt.Sprintf(", found %q", first.Found)
	}
	text += ": " + first.Detail
	if others := len(e.Rows) - 1 + e.More; others > 0 {
		text += fmt.Sprintf(" (and %d more)", others)
	}
	return text
}

// ReadCSV reads the items of an inventory from a CSV file (RFC 4180, UTF-8 with
// or without a byte-order mark, LF or CRLF) whose header holds the names of
// Columns in any order; those not Required may be left out. Rows that are
// empty throughout are passed over. An empty cell is absent, never zero.
//
// All of Validate is checked with the rows. The error is a *CSVError that tells
// every bad row, or what the reader r returned.
func ReadCSV(r io.Reader, m Meta) ([]Item, error) {
	f := csvFile{meta: m}
	if err := f.read(r); err != nil {
		return nil, err
	}
	if f.count > 0 {
		return nil, f.report()
	}
	return f.items, nil
}

type csvFile struct {
	meta   Meta
	header []Column
	items  []Item
	lines  []int // of the items

	bad []uint64 // of the items: a bit for each column that is reported already

	form    []RowError // of form, in order of lines
	meaning []RowError // found by validate, in order of lines
	count   int
}

// silent is the bit of a row about which no more is said.
const silent = 1 << 63

func (f *csvFile) add(line int, column, code, found, detail string) {
	f.count++
	if len(f.form) < MaxReported {
		f.form = append(f.form, RowError{line, column, code, shown(found), detail})
	}
}

// read takes in the whole file, line by line: no text of an inventory has a
// line break in it, so a stray quote spoils its own line and no other, and a
// line without end is not gathered in memory. The error is the reader's own;
// what is wrong in the file is added to the report.
func (f *csvFile) read(r io.Reader) error {
	limited := &io.LimitedReader{R: r, N: MaxFileBytes + 1}
	lines := bufio.NewScanner(limited)
	lines.Buffer(nil, MaxLineBytes)
	var one oneLine
	cells := csv.NewReader(&one)
	cells.FieldsPerRecord = -1 // counted by readRow, which knows what to say
	cells.ReuseRecord = true

	line, full := 0, false
	for lines.Scan() {
		line++
		one.text = append(append(one.text[:0], lines.Bytes()...), '\n')
		if line == 1 {
			one.text = bytes.TrimPrefix(one.text, []byte("\ufeff"))
		}
		record, err := cells.Read()
		switch {
		case errors.Is(err, io.EOF): // an empty line
			if line == 1 {
				f.add(1, "", ProblemEmpty, "", "the first line names the columns; it is empty")
			}
		case err != nil:
			f.add(line, "", ProblemQuote, lines.Text(), `a double quote opens or closes in the wrong place; a cell with a quote in it is written "so ""quoted"" here"`)
		case line == 1:
			f.readHeader(record)
		case blank(record):
		case len(f.items) == MaxRows:
			f.add(line, "", ProblemTooLarge, "", fmt.Sprintf("a file has at most %d rows; the rest was not read", MaxRows))
			full = true
		default:
			f.readRow(line, record)
		}
		if full {
			break
		}
		if line == 1 && f.count > 0 {
			return nil // without its header no row can be understood
		}
	}
	switch err := lines.Err(); {
	case errors.Is(err, bufio.ErrTooLong):
		f.add(line+1, "", ProblemTooLarge, "", fmt.Sprintf("a line has at most %d bytes and ends in LF or CRLF", MaxLineBytes))
	case err != nil:
		return err
	case limited.N <= 0:
		f.add(line, "", ProblemTooLarge, "", fmt.Sprintf("a file has at most %d bytes", MaxFileBytes))
	case line == 0:
		f.add(1, "", ProblemEmpty, "", "the first line names the columns; the file is empty")
	case len(f.items) == 0 && f.count == 0:
		f.add(1, "", ProblemEmpty, "", "the file has a header and no rows")
	}
	validate(f.meta, f.items, f.validated)
	return nil
}

// oneLine hands one line to a csv.Reader and then says that the input ends;
// with a new text it begins again.
type oneLine struct{ text []byte }

func (l *oneLine) Read(p []byte) (int, error) {
	if len(l.text) == 0 {
		return 0, io.EOF
	}
	n := copy(p, l.text)
	l.text = l.text[n:]
	return n, nil
}

func (f *csvFile) readHeader(names []string) {
	if len(names) == 1 && strings.Contains(names[0], ";") {
		f.add(1, "", ProblemHeader, names[0], "cells are separated by commas, decimals by points")
		return
	}
	for n, name := range names {
		switch {
		case !utf8.ValidString(name):
			f.add(1, "", ProblemEncoding, name, "the file is UTF-8")
			return
		case strings.Contains(name, "\r"):
			f.add(1, "", ProblemHeader, name, "lines end in LF or CRLF; this file has CR alone")
			return
		}
		at := columnIndex(name)
		switch {
		case at < 0:
			f.add(1, name, ProblemHeader, name, "unknown column"+nearColumn(name)+"; accepted: "+strings.Join(ColumnNames(columns), ", "))
		case slices.Contains(names[:n], name):
			f.add(1, name, ProblemHeader, name, "the column stands twice")
		default:
			f.header = append(f.header, columns[at])
		}
	}
	for _, c := range columns {
		if c.Required && !slices.Contains(names, c.Name) {
			f.add(1, c.Name, ProblemHeader, "", "the column is required")
		}
	}
}

func (f *csvFile) readRow(line int, record []string) {
	var item Item
	var bad uint64
	if len(record) != len(f.header) {
		// The cells may stand in the wrong columns, so no more is said about the
		// row; where its code can be read, recipes still find it.
		f.add(line, "", ProblemFields, strings.Join(record, ","),
			fmt.Sprintf("%d cells; the header has %d. A cell with a comma is quoted", len(record), len(f.header)))
		bad = silent
	}
	priced := false
	for n, c := range f.header[:min(len(f.header), len(record))] {
		text := record[n]
		code := ""
		switch {
		case !utf8.ValidString(text):
			f.addCell(&bad, line, c, ProblemEncoding, text, "the file is UTF-8")
			continue
		case c.Kind == DecimalColumn:
			code = ProblemNumber
		case c.Kind == YearColumn:
			code = ProblemYear
		case c.Kind == RecipeColumn:
			code = ProblemRecipe
		case c.Kind == TextColumn:
			text = unescape(text)
		}
		if err := c.Set(&item, strings.Clone(text)); err != nil {
			f.addCell(&bad, line, c, code, text, err.Error())
		}
		priced = priced || c.Name == "price" && text != ""
	}
	if item.Price != nil && !priced && bad&silent == 0 {
		f.add(line, "price", ProblemMissing, "", "the row says more about a price, but not the price")
	}
	f.items, f.lines, f.bad = append(f.items, item), append(f.lines, line), append(f.bad, bad)
}

func (f *csvFile) addCell(bad *uint64, line int, c Column, code, found, detail string) {
	if *bad&silent == 0 {
		f.add(line, c.Name, code, found, detail)
	}
	*bad |= 1 << columnIndex(c.Name)
}

// validated takes in a problem of meaning, unless its cell is reported already.
func (f *csvFile) validated(p Problem) {
	line := 1
	if p.Item >= 0 {
		line = f.lines[p.Item]
		bad, at := f.bad[p.Item], columnIndex(p.Column)
		if bad&silent != 0 || at >= 0 && bad&(1<<at) != 0 {
			return
		}
	}
	f.count++
	if len(f.meaning) < MaxReported {
		f.meaning = append(f.meaning, RowError{line, p.Column, p.Code, shown(p.Found), p.Detail})
	}
}

func (f *csvFile) report() *CSVError {
	all := append(f.form, f.meaning...)
	slices.SortStableFunc(all, func(a, b RowError) int { return a.Line - b.Line })
	all = all[:min(len(all), MaxReported)]
	return &CSVError{Rows: all, More: f.count - len(all)}
}

func blank(record []string) bool {
	for _, text := range record {
		if text != "" {
			return false
		}
	}
	return true
}

// shown is what a report shows of a cell: valid UTF-8, cut to a whole rune.
func shown(s string) string {
	if len(s) > maxFound {
		cut := maxFound
		for cut > 0 && !utf8.RuneStart(s[cut]) {
			cut--
		}
		s = s[:cut]
	}
	return strings.ToValidUTF8(s, "\ufffd")
}

// nearColumn suggests a column for a name that is none.
func nearColumn(name string) string {
	best, edits := "", max(2, len(name)/3)+1
	if len(name) > MaxNameBytes {
		return ""
	}
	for _, c := range columns {
		if d := levenshtein.ComputeDistance(strings.ToLower(name), c.Name); d < edits {
			best, edits = c.Name, d
		}
	}
	if best == "" {
		return ""
	}
	return fmt.Sprintf("; did you mean %q?", best)
}

func columnIndex(name string) int {
	return slices.IndexFunc(columns, func(c Column) bool { return c.Name == name })
}

// WriteCSV writes items as ReadCSV reads them, with every column. A text that a
// spreadsheet would take for a formula begins with an apostrophe, which ReadCSV
// takes off again; numbers stay numbers.
func WriteCSV(w io.Writer, items []Item) error {
	out := csv.NewWriter(w)
	record := ColumnNames(columns)
	if err := out.Write(record); err != nil {
		return err
	}
	for i := range items {
		for n, c := range columns {
			record[n] = c.Text(&items[i])
			if c.Kind == TextColumn {
				record[n] = EscapeCell(record[n])
			}
		}
		if err := out.Write(record); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// formula holds the first characters that make a spreadsheet run a cell
// (CWE-1236).
const formula = "=+-@\t\r"

// EscapeCell puts an apostrophe before a text that begins like a formula, and
// before one that reading would otherwise take for an escaped text. It is for
// cells of free text, not for numbers.
func EscapeCell(s string) string {
	if s != "" && strings.IndexByte(formula, s[0]) >= 0 || escaped(s) {
		return "'" + s
	}
	return s
}

func unescape(s string) string {
	if escaped(s) {
		return s[1:]
	}
	return s
}

// escaped tells a text that begins with an apostrophe and what it guards.
func escaped(s string) bool {
	return len(s) > 1 && s[0] == '\'' && strings.IndexByte(formula+"'", s[1]) >= 0
}
