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
)

// separators lists what may stand between the cells of a CSV, the likeliest first.
var separators = []rune{',', ';', '\t'}

const quoteRule = `a double quote opens or closes in the wrong place, or a cell has a line break in it; a cell with a quote in it is written "so ""quoted"" here"`

// readCSV takes in a CSV line by line: no text of an inventory has a line break in
// it, so a stray quote spoils its own line and no other, and a line without end is
// not gathered in memory. complete tells whether the rows are worth validating.
func (u *upload) readCSV(r io.Reader) (complete bool, err error) {
	limited := &io.LimitedReader{R: r, N: MaxFileBytes + 1}
	lines := bufio.NewScanner(limited)
	lines.Buffer(nil, MaxLineBytes)
	var split *splitter
	var best candidate
	var cells []cell

	line, consumed, more := 0, int64(0), true
	var unquoted *RowError // the first line that may have been the header, but for a quote
	for more && lines.Scan() {
		line++
		text := lines.Bytes()
		if line == 1 {
			text = bytes.TrimPrefix(text, []byte(byteOrderMark))
		}
		if u.heading == nil {
			c, by, ok := u.findHeading(line, text)
			switch {
			case !ok && unquoted == nil:
				unquoted = &RowError{Row: line, Found: string(text)}
			case c.complete:
				split = by
				if !u.setHeading(c) {
					return false, nil
				}
			case c.betterThan(best):
				best = c
			}
			more = u.heading != nil || line < MaxHeaderRow
			continue
		}
		consumed += int64(len(text)) + 1
		u.expectRest(consumed)
		record, err := split.cells(text)
		switch {
		case errors.Is(err, io.EOF), err == nil && blank(record):
			more = u.readRow(line, nil)
		case err != nil:
			u.add(line, "", ProblemQuote, string(text), quoteRule)
		case len(record) != len(u.heading):
			more = u.readUneven(line, text, record)
		default:
			cells = cells[:0]
			for _, text := range record {
				cells = append(cells, cell{text: text})
			}
			more = u.readRow(line, cells)
		}
	}
	switch err := lines.Err(); {
	case errors.Is(err, bufio.ErrTooLong):
		u.add(line+1, "", ProblemTooLarge, "", fmt.Sprintf("a line has at most %d bytes and ends in LF or CRLF", MaxLineBytes))
	case err != nil:
		return false, err
	case limited.N <= 0 && more && u.heading != nil:
		u.add(line, "", ProblemTooLarge, "", fmt.Sprintf("a file has at most %d bytes", MaxFileBytes))
	case u.heading == nil:
		u.noHeading(best, unquoted)
	}
	return u.heading != nil, nil
}

// findHeading reads a line as a header, by the separator that makes most of it. The
// candidate is zero where the line is empty; ok is false where a quote is in the
// way.
func (u *upload) findHeading(line int, text []byte) (best candidate, split *splitter, ok bool) {
	by := separators
	if u.options.Separator != 0 {
		by = []rune{u.options.Separator}
	}
	for _, separator := range by {
		s := newSplitter(separator)
		record, err := s.cells(text)
		switch {
		case errors.Is(err, io.EOF), err == nil && blank(record):
			return candidate{}, nil, true
		case err != nil:
			continue
		}
		ok = true
		if c := newCandidate(line, slices.Clone(record)); best.row == 0 || c.known > best.known {
			best, split = c, s
		}
	}
	return best, split, ok
}

// noHeading complains about the row that is most like a header.
func (u *upload) noHeading(best candidate, unquoted *RowError) {
	switch {
	case unquoted != nil && best.known == 0:
		u.add(unquoted.Row, "", ProblemQuote, unquoted.Found, quoteRule)
	case best.row == 0:
		u.add(1, "", ProblemEmpty, "", fmt.Sprintf("the names of the columns stand in the first row, or in one of the first %d; these are empty", MaxHeaderRow))
	default:
		u.setHeading(best)
		u.heading = nil
	}
}

// readUneven takes in a row whose cells may stand in the wrong columns: nothing is
// said about them, but recipes still find its code.
func (u *upload) readUneven(line int, text []byte, record []string) bool {
	if !u.room(line) {
		return false
	}
	var item Item
	if at := slices.Index(u.heading, columnIndex(codeColumn)); at < len(record) && utf8.ValidString(record[at]) {
		item.Code = strings.Clone(record[at])
	}
	before := len(u.form)
	u.add(line, "", ProblemFields, string(text), fmt.Sprintf("%d cells; the header has %d. A cell with the separator in it is quoted", len(record), len(u.heading)))
	if ValidSlug(item.Code) {
		u.nameItem(before, len(u.notes.list), item.Code)
	}
	u.spoil(len(u.items), wholeRow)
	u.append(line, item)
	return true
}

// splitter splits single lines into cells.
type splitter struct {
	line oneLine
	csv  *csv.Reader
}

func newSplitter(separator rune) *splitter {
	s := &splitter{}
	s.csv = csv.NewReader(&s.line)
	s.csv.Comma = separator
	s.csv.FieldsPerRecord = -1 // counted by the caller, which knows what to say
	s.csv.ReuseRecord = true
	return s
}

// cells splits a line. What it returns is valid until the next one; the error is
// io.EOF where the line is empty, else that of a quote in the wrong place.
func (s *splitter) cells(line []byte) ([]string, error) {
	s.line.text, s.line.at = append(append(s.line.text[:0], line...), '\n'), 0
	return s.csv.Read()
}

// oneLine hands one line to a csv.Reader and then says that the input ends;
// with a new text it begins again.
type oneLine struct {
	text []byte
	at   int
}

func (l *oneLine) Read(p []byte) (int, error) {
	if l.at == len(l.text) {
		return 0, io.EOF
	}
	n := copy(p, l.text[l.at:])
	l.at += n
	return n, nil
}

func blank(record []string) bool {
	for _, text := range record {
		if text != "" {
			return false
		}
	}
	return true
}

// WriteCSV writes items as ReadUpload reads them, with every column. A text that a
// spreadsheet would take for a formula begins with an apostrophe, which reading
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

// startsFormula tells what makes a spreadsheet run a cell (CWE-1236): the signs, in
// the full width of East Asian scripts too, behind what is not seen, and behind a
// semicolon, which begins another cell where lists are separated by it.
func startsFormula(s string) bool {
	s = strings.TrimLeft(s, ";\u200b\u200c\u200d\u2060\ufeff")
	return s != "" && strings.ContainsAny(s[:1], "=+-@\t\r") || strings.HasPrefix(s, "\uff1d") || strings.HasPrefix(s, "\uff0b") ||
		strings.HasPrefix(s, "\uff0d") || strings.HasPrefix(s, "\uff20")
}

// EscapeCell puts an apostrophe before a text that begins like a formula, and
// before one that reading would otherwise take for an escaped text. It is for
// cells of free text, not for numbers.
func EscapeCell(s string) string {
	if startsFormula(s) || escaped(s) {
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
	return len(s) > 1 && s[0] == '\'' && (s[1] == '\'' || startsFormula(s[1:]))
}
