package inventory

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/agnivade/levenshtein"
)

// upload is a file that is being read.
type upload struct {
	options    UploadOptions
	meta       Meta
	date1904   bool  // the sheet counts days from 1904
	size       int64 // bytes of the file, where they are known
	heading    []int // by position in the row: index of the column, or one of the values below
	headingRow int
	mistaken   []int // columns that a name of no column may mean: of them no more is said

	items  []Item
	rows   []int32           // of the items, in the file
	spoilt map[int32]cellSet // by item: cells of which no more is said

	form    []RowError // found while reading, in order of rows
	meaning []RowError // found by restating and validating, in order of rows
	count   int
	notes   notes

	texts map[string]string // texts that recur, kept once
	kept  int               // bytes of texts
}

// What a position of the heading may be in place of a column.
const (
	unnamed    = -1 // nothing may stand there
	passedOver = -2 // the notes that a person keeps, or a column that is not known
)

// notesColumn is the column of a template for a person's own notes.
const notesColumn = "notes"

func newUpload(o UploadOptions) *upload {
	u := &upload{options: o, meta: o.Meta, spoilt: map[int32]cellSet{}, texts: map[string]string{}}
	u.checkOptions()
	return u
}

// cellSet is a set of columns, by index, and of the row as a whole.
type cellSet [2]uint64

// wholeRow is the index of a row of which no more is said.
const wholeRow = 127

func (s cellSet) has(index int) bool { return index >= 0 && s[index/64]&(1<<(index%64)) != 0 }

// spoil keeps validation quiet about a cell that is reported already, and tells
// whether it was not.
func (u *upload) spoil(item int, index int) (first bool) {
	at := int32(item) //nolint:gosec // at most MaxRows
	s := u.spoilt[at]
	if s.has(index) || s.has(wholeRow) {
		return false
	}
	s[index/64] |= 1 << (index % 64)
	u.spoilt[at] = s
	return true
}

func (u *upload) add(row int, column, code, found, detail string) {
	u.count++
	if len(u.form) < MaxReported {
		u.form = append(u.form, RowError{Row: row, Column: column, Code: code, Found: shown(found), Detail: detail})
	}
}

// addMeaning reports what is wrong with an item that was read.
func (u *upload) addMeaning(item int, column, code, found, detail string) {
	u.count++
	if len(u.meaning) < MaxReported {
		u.meaning = append(u.meaning, RowError{Row: int(u.rows[item]), Column: column, Code: code,
			Item: shown(u.items[item].Code), Found: shown(found), Detail: detail})
	}
}

// validated takes in a problem of meaning, unless its cell is reported already.
func (u *upload) validated(p Problem) {
	if p.Item < 0 {
		u.count++
		if len(u.meaning) < MaxReported {
			u.meaning = append(u.meaning, RowError{Column: p.Column, Code: p.Code, Found: shown(p.Found), Detail: p.Detail})
		}
		return
	}
	if s := u.spoilt[int32(p.Item)]; s.has(wholeRow) || s.has(columnIndex(p.Column)) { //nolint:gosec // at most MaxRows
		return
	}
	u.addMeaning(p.Item, p.Column, p.Code, p.Found, p.Detail)
}

func (u *upload) report() *UploadError {
	all := append(u.form, u.meaning...)
	slices.SortStableFunc(all, func(a, b RowError) int { return a.Row - b.Row })
	all = all[:min(len(all), MaxReported)]
	return &UploadError{Rows: all, More: u.count - len(all)}
}

// candidate is a row that may be the header.
type candidate struct {
	row      int
	names    []string
	known    int // names of columns in it
	complete bool
}

func newCandidate(row int, names []string) candidate {
	c := candidate{row: row, names: names, complete: true}
	for _, column := range columns {
		if slices.Contains(names, column.Name) {
			c.known++
		} else if column.Required {
			c.complete = false
		}
	}
	return c
}

// betterThan chooses the row that complaints are about, where none is complete.
func (c candidate) betterThan(other candidate) bool {
	return c.row > 0 && (other.row == 0 || c.known > other.known)
}

// setHeading takes a row for the header and tells whether rows can be read by it. They
// can where some names are of no column and nothing else is wrong, so that the faults of
// rows are told in one answer with them.
func (u *upload) setHeading(c candidate) bool {
	before, unknown := u.count, 0
	names := c.names
	for len(names) > 0 && names[len(names)-1] == "" {
		names = names[:len(names)-1]
	}
	if len(names) > MaxColumns {
		u.add(c.row, "", ProblemTooLarge, "", fmt.Sprintf("%d columns; a file has at most %d", len(names), MaxColumns))
		return false
	}
	u.heading, u.headingRow = make([]int, len(c.names)), c.row
	for n, name := range c.names {
		u.heading[n] = unnamed
		switch {
		case !utf8.ValidString(name):
			u.add(c.row, "", ProblemEncoding, name, "the file is UTF-8")
			return false
		case strings.Contains(name, "\r"):
			u.add(c.row, "", ProblemHeader, name, "lines end in LF or CRLF; this file has CR alone")
			return false
		case name == "":
		case slices.Contains(names[:n], name):
			u.add(c.row, name, ProblemHeader, name, "the column stands twice")
		case name == notesColumn:
			u.heading[n] = passedOver
		case columnIndex(name) < 0:
			near, advice := nearColumn(name), ""
			if near != "" {
				advice = fmt.Sprintf("; did you mean %q?", near)
				if !slices.Contains(names, near) {
					u.mistaken = append(u.mistaken, columnIndex(near))
				}
			}
			u.add(c.row, name, ProblemHeader, name, "unknown column"+advice+"; accepted: "+strings.Join(ColumnNames(columns), ", ")+", and "+notesColumn+", which is not read")
			u.heading[n] = passedOver
			unknown++
		default:
			u.heading[n] = columnIndex(name)
		}
	}
	for _, column := range columns {
		if column.Required && !slices.Contains(names, column.Name) {
			u.add(c.row, column.Name, ProblemHeader, "", "the column is required")
		}
	}
	if c.row > 1 && u.count == before {
		u.notes.add(RowNote{Row: c.row, Code: NoteHeader, Detail: fmt.Sprintf("the names of the columns stand in row %d; what stands above is not read", c.row)}, "")
	}
	return u.count == before+unknown
}

// cellKind is what a file says that a cell holds.
type cellKind int

// Kinds of cell.
const (
	csvCell     cellKind = iota // text as it stands in a CSV
	textCell                    // text of a sheet
	numberCell                  // number of a sheet, as its file has it
	dateCell                    // number shown as a day
	percentCell                 // number shown as a percentage
	dayCell                     // ISO 8601 date
	truthCell                   // TRUE or FALSE
	errorCell                   // #N/A and the like
	uncomputed                  // a formula without a value
)

// cell is one cell of a row. Its text is valid only while the row is read.
type cell struct {
	text    string
	kind    cellKind
	formula bool
}

func (c cell) blank() bool { return c.text == "" && c.kind != uncomputed }

// readRow reads the cells of a row into an item. It tells whether there is room
// for more.
func (u *upload) readRow(row int, cells []cell) bool {
	if !slices.ContainsFunc(cells, func(c cell) bool { return !c.blank() }) {
		u.notes.add(RowNote{Row: row, Code: NoteBlank, Detail: "an empty row was passed over"}, "")
		return true
	}
	if !u.room(row) {
		return false
	}
	n, errorsBefore, notesBefore := len(u.items), len(u.form), len(u.notes.list)
	u.append(row, Item{})
	item, priced := &u.items[n], false
	for _, index := range u.mistaken {
		u.spoil(n, index)
	}
	for at, c := range cells {
		switch {
		case c.blank() || at < len(u.heading) && u.heading[at] == passedOver:
			continue
		case at >= len(u.heading) || u.heading[at] == unnamed:
			u.add(row, "", ProblemFields, c.text, fmt.Sprintf("cell %d of the row stands under no column name", at+1))
			continue
		}
		column := &columns[u.heading[at]]
		if code, detail := u.readCell(item, row, column, c); code != "" && u.spoil(n, u.heading[at]) {
			u.add(row, column.Name, code, c.text, detail)
		}
		priced = priced || column.Name == priceColumn
	}
	if item.Price != nil && !priced && u.spoil(n, columnIndex(priceColumn)) {
		u.add(row, priceColumn, ProblemMissing, "", "the row says more about a price, but not the price")
	}
	u.nameItem(errorsBefore, notesBefore, item.Code)
	if u.kept > MaxFileBytes {
		u.add(row, "", ProblemTooLarge, "", fmt.Sprintf("the texts of a file have at most %d bytes together; the rest was not read", MaxFileBytes))
		return false
	}
	return true
}

// nameItem adds the code of the row, which may stand in its last cell, to what was
// said about the row.
func (u *upload) nameItem(errorsBefore, notesBefore int, code string) {
	for n := errorsBefore; n < len(u.form); n++ {
		u.form[n].Item = shown(code)
	}
	for n := notesBefore; n < len(u.notes.list); n++ {
		u.notes.list[n].Item = shown(code)
	}
}

// Columns that reading knows by name.
const (
	codeColumn     = "code"
	unitColumn     = "unit"
	priceColumn    = "price"
	currencyColumn = "price_currency"
	dateColumn     = "price_date"
)

// room tells whether one more item can be taken, and says where not.
func (u *upload) room(row int) bool {
	if len(u.items) < MaxRows {
		return true
	}
	u.add(row, "", ProblemTooLarge, "", fmt.Sprintf("a file has at most %d items; the rest was not read", MaxRows))
	return false
}

func (u *upload) append(row int, item Item) {
	u.items, u.rows = append(u.items, item), append(u.rows, int32(row)) //nolint:gosec // lines of at most MaxFileBytes, rows of a sheet
}

// expect makes room for items, so that a long list is not copied as it grows.
func (u *upload) expect(items int) {
	if items = min(items, MaxRows) - len(u.items); items > 0 {
		u.items, u.rows = slices.Grow(u.items, items), slices.Grow(u.rows, items)
	}
}

// sampled is how many items are read before their number is estimated.
const sampled = 100

// expectRest makes room for the items of a file of known size, once some are read
// from its first bytes.
func (u *upload) expectRest(consumed int64) {
	if len(u.items) == sampled && u.size > 0 {
		u.expect(int(u.size * (sampled + sampled/20) / consumed))
	}
}

// readCell reads one cell that is not blank; code is empty where nothing is wrong.
func (u *upload) readCell(item *Item, row int, column *Column, c cell) (code, detail string) {
	if len(c.text) > MaxCellBytes {
		return ProblemCellSize, fmt.Sprintf("a cell has at most %d bytes", MaxCellBytes)
	}
	text, note, code, detail := u.literal(column, c)
	if code != "" {
		return code, detail
	}
	if c.formula {
		u.notes.add(RowNote{Row: row, Column: column.Name, Code: NoteFormula, Detail: "the value that the spreadsheet last computed was used"}, "")
	}
	switch column.Kind {
	case TextColumn:
		text = unescape(text)
	case DecimalColumn, RecipeColumn, FormColumn:
		if u.options.DecimalComma && (c.kind == csvCell || c.kind == textCell) {
			pointed, ok := pointed(column.Kind, text)
			if !ok {
				return problemOf(column.Kind), adviceOf(errComma, text, true)
			}
			text = pointed
		}
	}
	if column.Name == unitColumn {
		if code, detail = u.readUnit(item, row, text); code != "" {
			return code, detail
		}
	} else if err := column.Set(item, u.keep(column.Kind, text)); err != nil {
		if column.Kind == DecimalColumn {
			return ProblemNumber, adviceOf(err, c.text, u.options.DecimalComma)
		}
		return problemOf(column.Kind), err.Error()
	}
	if note != (RowNote{}) {
		note.Row, note.Column = row, column.Name
		u.notes.add(note, "")
	}
	return "", ""
}

// readUnit sets the unit of an item; code is empty where nothing is wrong.
func (u *upload) readUnit(item *Item, row int, text string) (code, detail string) {
	unit, detail := declaredUnit(text)
	if unit == "" {
		item.Unit = u.keep(TextColumn, text)
		return ProblemUnit, detail
	}
	item.Unit = unit
	if unit != text {
		u.notes.add(RowNote{Row: row, Column: unitColumn, Code: NoteUnit, Detail: fmt.Sprintf("%q was read as %s", text, unit)}, text)
	}
	return "", ""
}

func problemOf(kind ColumnKind) string {
	switch kind {
	case DecimalColumn:
		return ProblemNumber
	case YearColumn:
		return ProblemYear
	case RecipeColumn:
		return ProblemRecipe
	case FormColumn:
		return ProblemForm
	}
	return ProblemText
}

// literal is a cell as a person would write it in a CSV, with what is to be noted
// about that; code is empty where nothing is wrong.
func (u *upload) literal(column *Column, c cell) (text string, note RowNote, code, detail string) {
	day := column.day
	wrong := func(format string, args ...any) (string, RowNote, string, string) {
		code := problemOf(column.Kind)
		if day {
			code = ProblemDate
		}
		return "", RowNote{}, code, fmt.Sprintf(format, args...)
	}
	if !utf8.ValidString(c.text) {
		return "", RowNote{}, ProblemEncoding, "the file is UTF-8"
	}
	switch c.kind {
	case uncomputed:
		return "", RowNote{}, ProblemFormula, "the cell has a formula that was never computed; open the file in a spreadsheet program and save it, or write the value"
	case errorCell:
		return "", RowNote{}, ProblemCell, "the cell holds an error of the spreadsheet"
	case truthCell:
		return "", RowNote{}, ProblemCell, "the cell holds a truth value, and no column does"
	case percentCell:
		return wrong("the cell is shown as a percentage, so 35 %% is kept as 0.35; format it as a number and write the number that the column asks for")
	case dayCell:
		if text, ok := isoDay(c.text); ok && day {
			return text, RowNote{}, "", ""
		}
		return wrong("a date; the column is for something else, or it has a time of day")
	case dateCell, numberCell:
		if day {
			text, err := serialDay(c.text, u.date1904)
			if err != nil {
				return wrong("%v", err)
			}
			return text, RowNote{Code: NoteDate, Detail: "the spreadsheet's number of a day was read as the day, as in " + text}, "", ""
		}
		if c.kind == dateCell {
			return wrong("the spreadsheet made a date of what was typed; format the cell as text and type it again")
		}
		text, err := shortest(c.text)
		if err != nil {
			return wrong("%v", err)
		}
		if column.Kind != DecimalColumn && column.Kind != YearColumn {
			note = RowNote{Code: NoteNumber, Detail: "a number was read as a text of its digits; leading zeros that were typed are lost"}
		}
		return text, note, "", ""
	case textCell:
		if column.Kind == DecimalColumn || column.Kind == YearColumn {
			note = RowNote{Code: NoteText, Detail: "a number that is stored as text was read as the number"}
		}
	}
	const digits = 5 // of the number of a day from 1927 to 2173
	if day && len(c.text) == digits {
		if day, err := serialDay(c.text, false); err == nil {
			return wrong("a spreadsheet's number of a day, which is %s or four years later by its settings; write the day, as in 2026-01-31", day)
		}
	}
	return c.text, note, "", ""
}

// maxTexts is how many texts are remembered so that those that recur are kept
// once: currencies, dates, sources.
const maxTexts = 4096

// keep copies a text out of the row that it stands in, where the kind of column
// keeps its text.
func (u *upload) keep(kind ColumnKind, text string) string {
	if kind == DecimalColumn || kind == YearColumn {
		return text
	}
	if known, ok := u.texts[text]; ok {
		return known
	}
	u.kept += len(text)
	text = strings.Clone(text)
	if len(u.texts) < maxTexts && len(text) <= MaxTextBytes {
		u.texts[text] = text
	}
	return text
}

// notes is what was read other than literally: of each kind the first row, and how
// many more.
type notes struct {
	list []RowNote
	at   map[noteKey]int
}

type noteKey struct{ column, code, of string }

func (l *notes) add(n RowNote, of string) {
	key := noteKey{n.Column, n.Code, of}
	if at, ok := l.at[key]; ok {
		l.list[at].More++
		return
	}
	if l.at == nil {
		l.at = map[noteKey]int{}
	}
	key.of = strings.Clone(of)
	l.at[key] = len(l.list)
	l.list = append(l.list, n)
}

func (l *notes) sorted() []RowNote {
	slices.SortStableFunc(l.list, func(a, b RowNote) int { return a.Row - b.Row })
	return l.list
}

// shown is what a report shows of a cell: valid UTF-8, at most maxFound bytes, cut
// to a whole rune.
func shown(s string) string {
	// Bytes that are no UTF-8 grow when they are replaced: it is cut again.
	return strings.Clone(cutShort(strings.ToValidUTF8(cutShort(s), "\ufffd")))
}

func cutShort(s string) string {
	if len(s) <= maxFound {
		return s
	}
	cut := maxFound
	for cut > 0 && !utf8.RuneStart(s[cut]) {
		cut--
	}
	return s[:cut]
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
	return best
}

var columnAt = func() map[string]int {
	at := make(map[string]int, len(columns))
	for n, c := range columns {
		at[c.Name] = n
	}
	return at
}()

// columnIndex is the place of a column in Columns, -1 where there is none.
func columnIndex(name string) int {
	if at, ok := columnAt[name]; ok {
		return at
	}
	return -1
}
