package inventory

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
)

// Bounds of a sheet (ECMA-376-1, 18.3.1.73, and every spreadsheet program).
const (
	maxSheetRow    = 1_048_576
	maxSheetColumn = 16_384
)

// sheetReader reads the rows of one sheet as they stand in its part.
type sheetReader struct {
	*xmlPart
	u       *upload
	book    *workbook
	row     int
	cells   []cell
	spans   []span // of the texts of cells, in text
	beyond  string // a cell with content right of all columns that are read
	best    candidate
	quieted int // cells that are in merged ranges
}

// readSheet takes in a sheet. complete tells whether its rows are worth validating.
func (u *upload) readSheet(book *workbook, sheet sheetEntry) (complete bool, wrong *refusal) {
	x, wrong := book.open(sheet.part)
	if wrong != nil {
		return false, wrong
	}
	defer x.close()
	s := &sheetReader{xmlPart: x, u: u, book: book}
	u.size = x.size
	err := s.readRows()
	switch {
	case errors.Is(err, errHeading):
		return false, nil
	case err != nil && !errors.Is(err, errEnough):
		return false, s.damaged()
	}
	if u.heading == nil {
		u.noHeading(s.best, nil)
		return false, nil
	}
	return true, nil
}

// Errors that end the reading of a sheet before its end; why is reported.
var (
	errEnough  = errors.New("no more of the sheet is read")
	errHeading = errors.New("the sheet has no header to read it by")
)

func (s *sheetReader) readRows() error {
	for {
		token, err := s.next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if token != xmlStart {
			continue
		}
		switch string(s.name) {
		case "worksheet", "sheetData", "mergeCells":
		case "row":
			err = s.readRow()
		case "mergeCell":
			err = s.refuseMerged(s.attr("ref"))
		default:
			err = s.skip()
		}
		if err != nil {
			return err
		}
	}
}

// span is where the text of a cell stands among those of its row.
type span struct{ from, to int }

func (s *sheetReader) readRow() error {
	row := s.row + 1
	if r := s.attr("r"); r != "" {
		n, err := strconv.Atoi(r)
		if err != nil || n < row {
			return errBroken
		}
		row = n
	}
	if row > maxSheetRow {
		return errBroken
	}
	s.row, s.cells, s.spans, s.text, s.beyond = row, s.cells[:0], s.spans[:0], s.text[:0], ""
	column := 0
	for within := s.depth(); s.depth() >= within; {
		token, err := s.next()
		if err != nil {
			return err
		}
		if token == xmlStart {
			if string(s.name) != "c" {
				err = s.skip()
			} else {
				column, err = s.readCell(column)
			}
			if err != nil {
				return err
			}
		}
	}
	text := string(s.text)
	for n, at := range s.spans {
		if at.to > at.from {
			s.cells[n].text = text[at.from:at.to]
		}
	}
	return s.take()
}

// take hands a row on, to be read as the header or by it.
func (s *sheetReader) take() error {
	u := s.u
	switch {
	case s.beyond != "" && (u.heading != nil || s.row <= MaxHeaderRow):
		u.add(s.row, "", ProblemTooLarge, s.beyond, fmt.Sprintf("a sheet has at most %d columns; the cell %s is right of them", MaxColumns, s.beyond))
		if u.heading == nil {
			return errHeading
		}
	case u.heading != nil:
	case s.row > MaxHeaderRow:
		return errEnough
	}
	if u.heading != nil {
		if !u.readRow(s.row, s.cells) {
			return errEnough
		}
		u.expectRest(s.read - int64(s.in.in.Buffered()))
		return nil
	}
	names := make([]string, len(s.cells))
	for n, c := range s.cells {
		names[n] = strings.Clone(c.text)
	}
	if blank(names) {
		return nil
	}
	c := newCandidate(s.row, names)
	switch {
	case c.complete && !u.setHeading(c):
		return errHeading
	case !c.complete && c.betterThan(s.best):
		s.best = c
	}
	return nil
}

// readCell reads one cell and returns its column. Cells stand in the order of their
// columns; one without a name of its own stands right of the last.
func (s *sheetReader) readCell(last int) (column int, err error) {
	column = last + 1
	var c cell
	kind, style := "", numberCell
	for _, a := range s.attrs {
		switch a.Name.Local {
		case "r":
			at, row, ok := parseCell([]byte(a.Value))
			if !ok || at < column || row != s.row {
				return 0, errBroken
			}
			column = at
		case "t":
			kind = a.Value
		case "s":
			if style, err = s.numberKind(a.Value); err != nil {
				return 0, err
			}
		}
	}
	if column > maxSheetColumn {
		return 0, errBroken
	}
	c, at, err := s.readContent(kind, style)
	switch {
	case err != nil || c.blank() && at.from == at.to:
		return column, err
	case column > MaxColumns:
		s.beyond = cellName(column, s.row)
		return column, nil
	}
	for len(s.cells) < column-1 {
		s.cells, s.spans = append(s.cells, cell{}), append(s.spans, span{})
	}
	s.cells, s.spans = append(s.cells, c), append(s.spans, at)
	return column, nil
}

// readContent reads what is in a cell (ECMA-376-1, 18.3.1.4): a text of its own,
// which at tells, or one of the shared.
func (s *sheetReader) readContent(kind string, number cellKind) (c cell, at span, err error) {
	at.from = len(s.text)
	valued := false
	for within := s.depth(); s.depth() >= within; {
		token, err := s.next()
		if err != nil {
			return c, at, err
		}
		if token != xmlStart {
			continue
		}
		switch string(s.name) {
		case "v":
			s.text, valued = s.text[:at.from], true
			err = s.gather(at.from)
		case "is":
			s.text = s.text[:at.from]
			err = s.gatherRich(at.from)
		case "f":
			c.formula = true
			err = s.skip()
		default:
			err = s.skip()
		}
		if err != nil {
			return c, at, err
		}
	}
	switch kind {
	case "", "n":
		c.kind = number
		s.text = append(s.text[:at.from], bytes.TrimSpace(s.text[at.from:])...)
		valued = valued && len(s.text) > at.from
	case "s":
		c.kind = textCell
		if len(s.text) > at.from {
			known := false
			if c.text, known = s.book.texts.at(s.text[at.from:]); !known {
				return c, at, errBroken
			}
			s.text = s.text[:at.from]
		}
	case "str":
		c.kind = textCell
		s.unescape(at.from)
	case "inlineStr":
		c.kind = textCell
	case "b":
		c.kind = truthCell
	case "e":
		c.kind = errorCell
	case "d":
		c.kind = dayCell
	default:
		return c, at, errBroken
	}
	if c.formula && !valued {
		c.kind = uncomputed
	}
	at.to = len(s.text)
	return c, at, nil
}

// numberKind is how a style shows numbers.
func (s *sheetReader) numberKind(style string) (cellKind, error) {
	n, err := strconv.Atoi(style)
	if err != nil || n < 0 {
		return numberCell, errBroken
	}
	if n >= len(s.book.formats) {
		return numberCell, nil // a workbook without styles
	}
	return s.book.formats[n], nil
}

// mergedRange is a range of cells that are merged.
type mergedRange struct{ left, top, right, bottom int }

// refuseMerged reports a merged range that takes cells from the table: a value
// belongs to one row and one column.
func (s *sheetReader) refuseMerged(ref string) error {
	r, ok := parseRange(ref)
	if !ok || s.row == 0 {
		return errBroken // the ranges stand after the rows
	}
	u := s.u
	var taken []int // columns
	for at := r.left - 1; at < min(r.right, len(u.heading)); at++ {
		if u.heading[at] >= 0 {
			taken = append(taken, u.heading[at])
		}
	}
	if len(taken) == 0 || r.bottom < u.headingRow {
		return nil
	}
	top, before := max(r.top, u.headingRow), len(u.form)
	u.add(top, columns[taken[0]].Name, ProblemMerged, ref, fmt.Sprintf("the cells %s are merged; unmerge them and fill in each", ref))
	n, _ := slices.BinarySearch(u.rows, int32(top)) //nolint:gosec // at most maxSheetRow
	if n < len(u.rows) && int(u.rows[n]) == top {
		u.nameItem(before, len(u.notes.list), u.items[n].Code)
	}
	// What is missing in these cells is told by this. A file may have many such
	// ranges, one over the other; they are not followed without end.
	for ; n < len(u.rows) && int(u.rows[n]) <= r.bottom && s.quieted < MaxRows; n++ {
		for _, column := range taken {
			u.spoil(n, column)
			s.quieted++
		}
	}
	return nil
}

// parseRange reads "B2" or "A1:C3".
func parseRange(ref string) (r mergedRange, ok bool) {
	first, second, two := strings.Cut(ref, ":")
	if !two {
		second = first
	}
	var okFirst, okSecond bool
	r.left, r.top, okFirst = parseCell([]byte(first))
	r.right, r.bottom, okSecond = parseCell([]byte(second))
	return r, okFirst && okSecond && r.left <= r.right && r.top <= r.bottom
}

// parseCell reads "AB12" as column 28 of row 12.
func parseCell(ref []byte) (column, row int, ok bool) {
	at := 0
	for at < len(ref) && ref[at] >= 'A' && ref[at] <= 'Z' && at < 3 {
		column = column*26 + int(ref[at]-'A') + 1
		at++
	}
	for n := at; n < len(ref); n++ {
		if ref[n] < '0' || ref[n] > '9' || n-at > 7 {
			return 0, 0, false
		}
		row = row*10 + int(ref[n]-'0')
	}
	return column, row, column > 0 && column <= maxSheetColumn && row > 0 && row <= maxSheetRow
}

// cellName is the name of a cell, as in "AB12".
func cellName(column, row int) string {
	var letters []byte
	for ; column > 0; column = (column - 1) / 26 {
		letters = append(letters, byte('A'+(column-1)%26))
	}
	slices.Reverse(letters)
	return string(letters) + strconv.Itoa(row)
}
