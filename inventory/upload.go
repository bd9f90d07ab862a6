package inventory

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strings"

	"github.com/shopspring/decimal"
)

// Form is the form of a file of items.
type Form string

// Forms.
const (
	FormCSV  Form = "csv"
	FormJSON Form = "json"
	FormXLSX Form = "xlsx"
)

// FormOf tells the form that the name of a file promises; empty where it promises
// none that is read.
func FormOf(name string) Form {
	switch strings.ToLower(path.Ext(name)) {
	case ".csv", ".tsv", ".txt":
		return FormCSV
	case ".json":
		return FormJSON
	case ".xlsx":
		return FormXLSX
	}
	return ""
}

// Limits of a file of items.
const (
	MaxFileBytes     = 64 << 20  // of CSV and JSON, and of all texts together in any form
	MaxPackedBytes   = 16 << 20  // of an XLSX file as it is sent
	MaxUnpackedBytes = 256 << 20 // of all that is packed in it
	MaxEntries       = 64        // parts packed in it
	MaxRatio         = 200       // of a part, unpacked to packed
	MaxRows          = 200_000   // items
	MaxColumns       = 200
	MaxCellBytes     = 32 << 10 // of UTF-8
	MaxLineBytes     = 64 << 10 // of a CSV
	MaxHeaderRow     = 10       // the last row that can be the header
	MaxReported      = 100      // rows of an UploadError; the rest is counted
	maxFound         = 80       // bytes of a cell that are shown
)

// Codes of problems that only a file or its options can have.
const (
	ProblemOption    = "option-invalid"        // of UploadOptions, named by the column
	ProblemFile      = "file-form"             // not of the form that it is said to be
	ProblemEncrypted = "file-encrypted"        // locked with a password
	ProblemDamaged   = "file-damaged"          // not whole, or not to the rules of its form
	ProblemArchive   = "archive-refused"       // a package such as no spreadsheet program writes
	ProblemTooLarge  = "file-too-large"        // beyond one of the limits
	ProblemEmpty     = "file-empty"            // no rows
	ProblemCellSize  = "cell-too-large"        // more than MaxCellBytes
	ProblemEncoding  = "encoding-invalid"      // not UTF-8
	ProblemSheet     = "sheet-unknown"         // no such sheet
	ProblemHeader    = "header-invalid"        // the names of columns
	ProblemQuote     = "quote-invalid"         // a double quote in the wrong place of a CSV
	ProblemFields    = "cell-count"            // cells too many or too few for the header
	ProblemMember    = "member-invalid"        // of an entry of JSON
	ProblemYear      = "year-invalid"          // not a calendar year
	ProblemCell      = "cell-type"             // a cell that holds no text or number that could be meant
	ProblemFormula   = "formula-without-value" // a formula that was never computed
	ProblemMerged    = "cells-merged"
	ProblemRate      = "rate-missing"  // no rate for a price in another currency
	ProblemIndex     = "index-missing" // no index for the month of a price
)

// UploadOptions says what a file does not say of itself.
type UploadOptions struct {
	Form Form  // empty: what the content is
	Size int64 // bytes of the file where they are declared; 0 where not
	Meta Meta  // of the inventory; zero: the meta of a JSON file

	// DecimalComma: texts have their decimals as 0,142. It does not touch the
	// numbers of a sheet, which have no mark of their own, nor JSON.
	DecimalComma bool
	Separator    rune   // of a CSV: ',', ';' or tab; 0: found from the header
	Sheet        string // of an XLSX; empty: the first that is not hidden

	// Below are items that the rows may name in recipes, and that an inventory has
	// beside them: those of the version that it extends, or of a draft.
	Below []Item

	Rates     []Rate
	Indices   []Index // at most one a category
	BaseMonth string  // "2026-01": the month to which the indices restate prices
}

// Rate turns prices of another currency into the inventory's. It is never
// inverted nor chained: each currency in the file needs its own.
type Rate struct {
	From, To string          // ISO 4217; To is the inventory's own
	Rate     decimal.Decimal // of To per one of From, > 0
	Date     string          // RFC 3339 full-date
	Source   string
}

// Index is a series of prices by which those of a category are restated.
type Index struct {
	Category Category
	Series   string                     // its name, as in "producer prices, cement"
	Points   map[string]decimal.Decimal // > 0, by month, as in "2026-01"
}

// Upload is what a file says.
type Upload struct {
	Meta  Meta // that of the options, or of the file where they had none
	Items []Item
	Notes []RowNote // in the order of the rows
}

// RowNote tells something that was read other than it stands in the file. What is
// true of many rows is told once, of the first.
type RowNote struct {
	Row    int    // of the file, from 1
	Column string // empty where the row as a whole is meant
	Code   string // stable, for programs: one of the Note… constants
	Item   string // code of the item in the row
	Detail string
	More   int // further rows of which the same is true
}

// Codes of notes.
const (
	NoteHeader   = "header-found"          // not in the first row
	NoteSheet    = "sheet-chosen"          // of several
	NoteBlank    = "blank-rows"            // passed over
	NoteUnit     = "unit-synonym"          // read as the declared unit that it means
	NoteFormula  = "formula-value"         // the value last computed was used
	NoteDate     = "date-serial"           // read as the day that it stands for
	NoteNumber   = "number-in-text-column" // read as its digits
	NoteText     = "number-stored-as-text" // read as the number
	NoteCurrency = "price-converted"       // to the inventory's currency
	NoteIndex    = "price-restated"        // to the base month
)

// RowError is one thing wrong in a file.
type RowError struct {
	// Row is the line of a CSV, the row of a sheet, the entry of JSON, from 1; 0
	// where the file as a whole is meant.
	Row    int
	Column string // as in Columns, or the JSON Pointer of a member; empty where the row as a whole is meant
	Code   string // stable, for programs
	Item   string // code of the item in the row, where it can be read
	Found  string // at most 80 bytes of what stands there
	Detail string // for people: what is accepted
}

// UploadError is everything wrong in a file, in the order of its rows. A file
// with one bad row is refused as a whole.
type UploadError struct {
	Rows []RowError // at most MaxReported
	More int        // how many more there are
}

// Error shows the first and counts the others.
func (e *UploadError) Error() string {
	first := e.Rows[0]
	text := "file"
	if first.Row > 0 {
		text = fmt.Sprintf("row %d", first.Row)
	}
	if first.Item != "" {
		text += " (" + first.Item + ")"
	}
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

// ReadUpload reads the items of an inventory from a file: all of them or none.
//
//   - A CSV (RFC 4180, UTF-8 with or without a byte-order mark, LF or CRLF) has its
//     cells separated by comma, semicolon or tab. No cell has a line break in it.
//   - An XLSX has them in one sheet. Of a formula the value last computed is read.
//     A number is read as the decimal of the fewest digits that the same binary
//     number stands for, which is what was typed wherever that has at most 15
//     digits; "1E-3" is 0.001. What has more decimals than an inventory keeps, such
//     as 0.30000000000000004 from =0.1+0.2, is refused, never rounded.
//   - A JSON is {"meta": {…}, "items": […]} of what Item.UnmarshalJSON reads; meta
//     may be left out.
//
// The header holds the names of Columns in any order; those not Required may be
// left out, and one called notes is passed over. It is the first row, or the first
// of the rows up to MaxHeaderRow that has all required names. Rows that are empty
// throughout are passed over. An empty cell is absent, never zero.
//
// All of Validate is checked with the rows. The error is an *UploadError that tells
// every bad row, or what the reader r returned.
func ReadUpload(r io.Reader, o UploadOptions) (Upload, error) {
	u := newUpload(o)
	if u.count == 0 {
		if err := u.read(r); err != nil {
			return Upload{}, err
		}
	}
	if u.count > 0 {
		return Upload{}, u.report()
	}
	return Upload{Meta: u.meta, Items: u.items, Notes: u.notes.sorted()}, nil
}

// ReadCSV reads the items of a CSV file by the rules of ReadUpload.
func ReadCSV(r io.Reader, m Meta) ([]Item, error) {
	u, err := ReadUpload(r, UploadOptions{Form: FormCSV, Meta: m})
	return u.Items, err
}

// read takes in the whole file. The error is the reader's own; what is wrong in
// the file is added to the report.
func (u *upload) read(r io.Reader) error {
	limit := int64(MaxFileBytes)
	if u.options.Form == FormXLSX {
		limit = MaxPackedBytes
	}
	if u.size = declared(r, u.options.Size); u.size > limit {
		u.refuse(&refusal{ProblemTooLarge, "", fmt.Sprintf("%d bytes; a file has at most %d, and nothing of it was read", u.size, limit)})
		return nil
	}

	in := bufio.NewReaderSize(r, buffered)
	head, err := in.Peek(sniffed)
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	form, wrong := sniff(head)
	switch {
	case len(head) == 0:
		u.add(1, "", ProblemEmpty, "", "the first row names the columns; the file is empty")
		return nil
	case wrong == errOLE:
		return u.refuseOLE(in)
	case wrong != nil:
		u.refuse(wrong)
		return nil
	case u.options.Form != "" && form != u.options.Form:
		u.refuse(&refusal{ProblemFile, "", fmt.Sprintf("the file is said to be %s, but its content is %s", formNames[u.options.Form], formNames[form])})
		return nil
	}

	complete := false
	switch form {
	case FormCSV:
		complete, err = u.readCSV(in)
	case FormJSON:
		complete, err = u.readJSON(in)
	case FormXLSX:
		complete, err = u.readXLSX(in)
	}
	if err != nil || !complete {
		return err
	}
	if len(u.items) == 0 && u.count == 0 {
		u.add(1, "", ProblemEmpty, "", "the file has no rows of items")
	}
	u.restate()
	u.validate()
	return nil
}

// validate checks the meaning of the rows, beside the items below them.
func (u *upload) validate() {
	items := u.items
	if len(u.options.Below) > 0 {
		own := make(map[string]bool, len(u.items))
		for i := range u.items {
			own[u.items[i].Code] = true
		}
		items = slices.Clone(u.items)
		for _, item := range u.options.Below {
			if !own[item.Code] {
				own[item.Code] = true
				items = append(items, item)
			}
		}
	}
	validate(u.meta, items, func(p Problem) {
		if p.Item < len(u.items) { // those below are another's
			u.validated(p)
		}
	})
}

// declared is the size of what a reader holds, where that is known before
// reading.
func declared(r io.Reader, said int64) int64 {
	switch r := r.(type) {
	case interface{ Len() int }:
		return max(said, int64(r.Len()))
	case interface{ Stat() (fs.FileInfo, error) }:
		if info, err := r.Stat(); err == nil && info.Mode().IsRegular() {
			return max(said, info.Size())
		}
	}
	return said
}

// refusal is why a file as a whole is not read.
type refusal struct{ code, found, detail string }

func (r *refusal) Error() string { return r.detail }

func (u *upload) refuse(r *refusal) { u.add(0, "", r.code, r.found, r.detail) }

var formNames = map[Form]string{FormCSV: "CSV text", FormJSON: "JSON", FormXLSX: "a zip archive, as an XLSX workbook is"}

// First bytes that tell what a file is.
const (
	byteOrderMark = "\ufeff"
	oleSignature  = "\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" // compound file: .xls, or an encrypted workbook
	sniffed       = 512
	buffered      = 64 << 10
)

var errOLE = &refusal{ProblemFile, "", "the file is a workbook of the old .xls form; save it as .xlsx"}

// sniff tells the form of a file from its first bytes.
func sniff(head []byte) (Form, *refusal) {
	text := bytes.TrimLeft(bytes.TrimPrefix(head, []byte(byteOrderMark)), " \t\r\n")
	switch {
	case bytes.HasPrefix(head, []byte("PK\x03\x04")), bytes.HasPrefix(head, []byte("PK\x05\x06")):
		return FormXLSX, nil
	case bytes.HasPrefix(head, []byte(oleSignature)):
		return "", errOLE
	case bytes.HasPrefix(head, []byte("\xff\xfe")), bytes.HasPrefix(head, []byte("\xfe\xff")):
		return "", &refusal{ProblemEncoding, string(head[:min(len(head), 16)]), "the file is UTF-16; save it as CSV UTF-8"}
	case bytes.HasPrefix(text, []byte("{")), bytes.HasPrefix(text, []byte("[")):
		return FormJSON, nil
	case bytes.HasPrefix(text, []byte("<")):
		return "", &refusal{ProblemFile, string(text[:min(len(text), 40)]), "the file is a web page or XML, whatever its name; save it as .xlsx or CSV UTF-8"}
	case bytes.IndexByte(head, 0) >= 0, bytes.HasPrefix(head, []byte("%PDF")):
		return "", &refusal{ProblemFile, string(head[:min(len(head), 16)]), "the file is no CSV, JSON or XLSX"}
	}
	return FormCSV, nil
}

// encryptedPackage is the name of the stream that an encrypted workbook is kept
// in, as a compound file writes names (UTF-16).
var encryptedPackage = []byte("E\x00n\x00c\x00r\x00y\x00p\x00t\x00e\x00d\x00P\x00a\x00c\x00k\x00a\x00g\x00e\x00")

// refuseOLE tells an encrypted workbook from an old one.
func (u *upload) refuseOLE(in io.Reader) error {
	data, err := io.ReadAll(io.LimitReader(in, MaxPackedBytes))
	if err != nil {
		return err
	}
	if bytes.Contains(data, encryptedPackage) {
		u.refuse(&refusal{ProblemEncrypted, "", "the workbook is encrypted; save it without a password"})
		return nil
	}
	u.refuse(errOLE)
	return nil
}
