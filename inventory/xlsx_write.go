package inventory

import (
	"archive/zip"
	"bufio"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// WriteXLSX writes items as ReadUpload reads them, with every column, as the one
// sheet of a workbook. It holds no more than a row in memory.
//
// A decimal of at most exactDigits digits is a number, which spreadsheet programs
// keep to the last digit; one of more is a text, so that none is lost. All else is
// text, never a formula; a text that a program would take for one when the sheet is
// saved as CSV begins with an apostrophe, which reading takes off again. A cell
// holds at most 32,767 UTF-16 units in such programs; no text of an inventory that
// Validate accepts is as long.
func WriteXLSX(w io.Writer, items []Item) error {
	return writeWorkbook(w, sheetWriter{"Items", func(b *sheetBuffer) error {
		b.row(ColumnNames(columns), boldStyle)
		for i := range items {
			b.beginRow()
			for _, c := range columns {
				text := c.Text(&items[i])
				switch {
				case c.Kind == DecimalColumn && digits(text) <= exactDigits, c.Kind == YearColumn:
					b.number(text)
				case c.Kind == TextColumn:
					b.text(EscapeCell(text), plainStyle)
				default:
					b.text(text, plainStyle)
				}
			}
			b.endRow()
		}
		return b.err
	}})
}

// exactDigits is how many digits of any decimal a binary number keeps
// (IEEE 754 double).
const exactDigits = 15

// digits counts the significant digits of a plain decimal.
func digits(text string) int {
	text = strings.TrimLeft(strings.TrimPrefix(text, "-"), "0.")
	return len(text) - strings.Count(text, ".")
}

var errNoTemplate = errors.New("a template is a CSV or an XLSX")

// WriteTemplate writes a table without items for a person to fill in: the header,
// with a last column for notes, which is not read. A workbook has a second sheet
// that says of each column what it means and takes.
func WriteTemplate(w io.Writer, form Form) error {
	names := append(ColumnNames(columns), notesColumn)
	switch form {
	case FormCSV:
		_, err := io.WriteString(w, strings.Join(names, ",")+"\r\n")
		return err
	case FormXLSX:
		return writeWorkbook(w,
			sheetWriter{"Items", func(b *sheetBuffer) error {
				b.row(names, boldStyle)
				return b.err
			}},
			sheetWriter{"Columns", func(b *sheetBuffer) error {
				b.row([]string{"column", "meaning", "required", "accepted", "example"}, boldStyle)
				for _, c := range columns {
					h := helpOf(c)
					b.row([]string{c.Name, h.meaning, h.required, h.accepted, h.example}, plainStyle)
				}
				b.row([]string{notesColumn, "your own notes", "no", "anything; it is not read", "asked again on Monday"}, plainStyle)
				return b.err
			}})
	}
	return errNoTemplate
}

// sheetWriter is a sheet to be written.
type sheetWriter struct {
	name string
	rows func(b *sheetBuffer) error
}

const (
	xmlHead   = `<?xml version="1.0" encoding="UTF-8" standalone="yes"?>` + "\n"
	mainSpace = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
	relSpace  = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
	packSpace = "http://schemas.openxmlformats.org/package/2006/"
	typeSpace = "application/vnd.openxmlformats-officedocument.spreadsheetml."

	// Style 0 is plain, style 1 the bold one of a header.
	stylesXML = xmlHead + `<styleSheet xmlns="` + mainSpace + `">` +
		`<fonts count="2"><font><sz val="11"/><name val="Calibri"/></font><font><b/><sz val="11"/><name val="Calibri"/></font></fonts>` +
		`<fills count="2"><fill><patternFill patternType="none"/></fill><fill><patternFill patternType="gray125"/></fill></fills>` +
		`<borders count="1"><border><left/><right/><top/><bottom/><diagonal/></border></borders>` +
		`<cellStyleXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0"/></cellStyleXfs>` +
		`<cellXfs count="2"><xf numFmtId="0" fontId="0" fillId="0" borderId="0" xfId="0"/>` +
		`<xf numFmtId="0" fontId="1" fillId="0" borderId="0" xfId="0" applyFont="1"/></cellXfs>` +
		`<cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles></styleSheet>`
	// The header stays in sight; columns are wide enough for most names.
	sheetHead = xmlHead + `<worksheet xmlns="` + mainSpace + `"><sheetViews><sheetView workbookViewId="0"><pane ySplit="1" topLeftCell="A2" activePane="bottomLeft" state="frozen"/></sheetView></sheetViews>` +
		`<sheetFormatPr defaultRowHeight="15"/><cols><col min="1" max="200" width="22" customWidth="1"/></cols><sheetData>`
	sheetFoot = `</sheetData></worksheet>`
)

// writeWorkbook writes the parts that an XLSX file needs (ECMA-376-1, 12.2), and
// nothing that changes from one writing to the next.
func writeWorkbook(w io.Writer, sheets ...sheetWriter) error {
	types := xmlHead + `<Types xmlns="` + packSpace + `content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>` +
		`<Default Extension="xml" ContentType="application/xml"/><Override PartName="/xl/workbook.xml" ContentType="` + typeSpace + `sheet.main+xml"/>` +
		`<Override PartName="/xl/styles.xml" ContentType="` + typeSpace + `styles+xml"/>`
	book := xmlHead + `<workbook xmlns="` + mainSpace + `" xmlns:r="` + relSpace + `"><sheets>`
	related := xmlHead + `<Relationships xmlns="` + packSpace + `relationships"><Relationship Id="rId0" Type="` + relSpace + `/styles" Target="styles.xml"/>`
	for n, s := range sheets {
		types += fmt.Sprintf(`<Override PartName="/xl/worksheets/sheet%d.xml" ContentType="%sworksheet+xml"/>`, n+1, typeSpace)
		book += fmt.Sprintf(`<sheet name="%s" sheetId="%d" r:id="rId%[2]d"/>`, s.name, n+1)
		related += fmt.Sprintf(`<Relationship Id="rId%d" Type="%s/worksheet" Target="worksheets/sheet%[1]d.xml"/>`, n+1, relSpace)
	}
	z := zip.NewWriter(w)
	for _, part := range []struct{ name, text string }{
		{"[Content_Types].xml", types + `</Types>`},
		{"_rels/.rels", xmlHead + `<Relationships xmlns="` + packSpace + `relationships"><Relationship Id="rId1" Type="` + relSpace + `/officeDocument" Target="xl/workbook.xml"/></Relationships>`},
		{"xl/workbook.xml", book + `</sheets></workbook>`},
		{"xl/_rels/workbook.xml.rels", related + `</Relationships>`},
		{"xl/styles.xml", stylesXML},
	} {
		to, err := z.Create(part.name)
		if err != nil {
			return err
		}
		if _, err := io.WriteString(to, part.text); err != nil {
			return err
		}
	}
	for n, s := range sheets {
		to, err := z.Create(fmt.Sprintf("xl/worksheets/sheet%d.xml", n+1))
		if err != nil {
			return err
		}
		b := &sheetBuffer{w: bufio.NewWriterSize(to, buffered)}
		b.raw(sheetHead)
		if err := s.rows(b); err != nil {
			return err
		}
		b.raw(sheetFoot)
		if err := errors.Join(b.err, b.w.Flush()); err != nil {
			return err
		}
	}
	return z.Close()
}

// sheetBuffer writes the cells of a sheet, one after the other. The first error
// stays.
type sheetBuffer struct {
	w            *bufio.Writer
	err          error
	rows, column int
}

func (b *sheetBuffer) raw(parts ...string) {
	for _, s := range parts {
		if b.err == nil {
			_, b.err = b.w.WriteString(s)
		}
	}
}

func (b *sheetBuffer) beginRow() {
	b.rows, b.column = b.rows+1, 0
	b.raw(`<row r="`, strconv.Itoa(b.rows), `">`)
}

func (b *sheetBuffer) endRow() { b.raw(`</row>`) }

// row writes a row of texts.
func (b *sheetBuffer) row(texts []string, style string) {
	b.beginRow()
	for _, text := range texts {
		b.text(text, style)
	}
	b.endRow()
}

// number writes the decimal as it stands; nothing where it is empty.
func (b *sheetBuffer) number(decimal string) {
	if b.column++; decimal != "" {
		b.raw(`<c r="`, cellName(b.column, b.rows), `"><v>`, decimal, `</v></c>`)
	}
}

// Styles of a text, by their index in stylesXML.
const (
	plainStyle = "0"
	boldStyle  = "1"
)

// text writes a text; nothing where it is empty.
func (b *sheetBuffer) text(text, style string) {
	if b.column++; text == "" {
		return
	}
	b.raw(`<c r="`, cellName(b.column, b.rows), `" s="`, style, `" t="inlineStr"><is><t xml:space="preserve">`)
	if b.err == nil {
		b.err = xml.EscapeText(b.w, []byte(escapeXString(text)))
	}
	b.raw(`</t></is></c>`)
}

// escapeXString writes what XML cannot have as unescapeXString reads it, and
// escapes what would be read as such an escape.
func escapeXString(s string) string {
	special := func(r rune) bool { return r == '_' || r < ' ' || r == 0xfffe || r == 0xffff }
	if !strings.ContainsFunc(s, special) {
		return s
	}
	var b strings.Builder
	for at, r := range s {
		if _, escape := escapeAt(s[at:]); escape || r != '_' && special(r) {
			fmt.Fprintf(&b, "_x%04X_", r)
		} else {
			b.WriteRune(r)
		}
	}
	return b.String()
}
