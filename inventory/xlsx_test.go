package inventory_test

import (
	"archive/zip"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/xuri/excelize/v2"

	"slabledger/inventory"
)

// Parts of a workbook as spreadsheet programs write them, in short. Styles: 0
// general, 1 a day (built in), 2 a day of the file's own, 3 a percentage, 4 a
// price in dollars, 5 hours and minutes.
const (
	rootRels  = `<Relationships><Relationship Id="rId1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument" Target="xl/workbook.xml"/></Relationships>`
	bookRels  = `<Relationships><Relationship Id="rId1" Type="http://x/relationships/worksheet" Target="worksheets/sheet1.xml"/><Relationship Id="rId2" Type="http://x/relationships/sharedStrings" Target="/xl/sharedStrings.xml"/><Relationship Id="rId3" Type="http://x/relationships/styles" Target="styles.xml"/><Relationship Id="rId4" Type="http://x/relationships/worksheet" Target="worksheets/sheet2.xml"/></Relationships>`
	bookMain  = `<?xml version="1.0" encoding="UTF-8"?><x:workbook xmlns:x="http://schemas.openxmlformats.org/spreadsheetml/2006/main" xmlns:r="http://r"><x:workbookPr/><x:sheets><x:sheet name="Prices" sheetId="1" r:id="rId1"/></x:sheets></x:workbook>`
	bookStyle = `<styleSheet><numFmts count="3"><numFmt numFmtId="164" formatCode="[$-409]d/m/yyyy;@"/><numFmt numFmtId="165" formatCode="[$USD] #,##0.00"/><numFmt numFmtId="166" formatCode="[h]:mm&quot; days&quot;"/></numFmts><cellStyleXfs><xf numFmtId="14"/></cellStyleXfs><cellXfs><xf numFmtId="0"/><xf numFmtId="14"/><xf numFmtId="164"/><xf numFmtId="10"/><xf numFmtId="165"/><xf numFmtId="166"/></cellXfs></styleSheet>`
	bookTexts = `<sst><si><t>Sand, shared</t></si><si><r><t>Sand </t></r><r><rPr><b/></rPr><t xml:space="preserve">in runs</t></r><rPh sb="0" eb="1"><t>phonetic</t></rPh></si><si><t>_x0041__x005F_x0041_</t></si></sst>`
)

// parts of a workbook with one sheet.
func parts(sheet string) map[string]string {
	return map[string]string{"[Content_Types].xml": `<Types/>`, "_rels/.rels": rootRels, "xl/workbook.xml": bookMain, "xl/_rels/workbook.xml.rels": bookRels,
		"xl/sharedStrings.xml": bookTexts, "xl/styles.xml": bookStyle, "xl/worksheets/sheet1.xml": sheet}
}

func packed(t testing.TB, parts map[string]string) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, name := range slices.Sorted(maps.Keys(parts)) {
		w, err := z.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(w, parts[name]); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// cellName is the name of a cell by its column and row from 1, for fewer than 703
// columns.
func cellName(column, row int) string {
	if column > 26 {
		return string(rune('A'+(column-1)/26-1)) + string(rune('A'+(column-1)%26)) + strconv.Itoa(row)
	}
	return string(rune('A'+column-1)) + strconv.Itoa(row)
}

// sheet lays texts out as the rows of a sheet. A cell that begins with "<" is the
// XML of one, with %s for its name; an empty one is left out.
func sheet(rows ...[]string) string {
	var b strings.Builder
	b.WriteString(`<worksheet><sheetData>`)
	for n, cells := range rows {
		fmt.Fprintf(&b, `<row r="%d">`, n+1)
		for at, c := range cells {
			switch name := cellName(at+1, n+1); {
			case strings.HasPrefix(c, "<"):
				b.WriteString(strings.Replace(c, "%s", name, 1))
			case c != "":
				fmt.Fprintf(&b, `<c r="%s" t="inlineStr"><is><t>%s</t></is></c>`, name, strings.ReplaceAll(c, "&", "&amp;"))
			}
		}
		b.WriteString(`</row>`)
	}
	return b.String() + `</sheetData></worksheet>`
}

func workbook(t testing.TB, rows ...[]string) []byte {
	t.Helper()
	return packed(t, parts(sheet(rows...)))
}

func readXLSX(file []byte) (inventory.Upload, error) {
	return inventory.ReadUpload(bytes.NewReader(file), inventory.UploadOptions{Form: inventory.FormXLSX, Meta: meta})
}

// wantRefusal compares what a file was refused for, but for the details, which only
// have to be there.
func wantRefusal(t testing.TB, u inventory.Upload, err error, want ...inventory.RowError) {
	t.Helper()
	var refused *inventory.UploadError
	if !errors.As(err, &refused) {
		t.Fatalf("%d items and the error %v, want an UploadError", len(u.Items), err)
	}
	if u.Items != nil || u.Notes != nil {
		t.Errorf("%d items came with the error", len(u.Items))
	}
	if diff := cmp.Diff(want, refused.Rows, cmpopts.IgnoreFields(inventory.RowError{}, "Detail")); diff != "" {
		t.Error(diff)
	}
	for _, r := range refused.Rows {
		if r.Detail == "" {
			t.Errorf("no detail: %+v", r)
		}
	}
}

// One cell of a good row is changed; what is read of it, what is noted, or why it
// is refused.
func TestCellsOfASheet(t *testing.T) {
	head := []string{"code", "category", "name", "unit", "density_kg_per_m3", "price", "price_currency", "price_date", "price_basis", "price_tax", "price_source_kind", "price_source_title", "price_source_year", "note"}
	good := []string{"sand", "aggregate", "Sand", "t", "2650", "12.5", "EUR", "2026-01-15", "ex-works", "excluded", "quotation", "Offer", "2026", ""}
	number := func(v string) string { return `<c r="%s"><v>` + v + `</v></c>` }
	styled := func(style, v string) string { return `<c r="%s" s="` + style + `"><v>` + v + `</v></c>` }
	typed := func(kind, v string) string { return `<c r="%s" t="` + kind + `"><v>` + v + `</v></c>` }
	for name, c := range map[string]struct {
		column, cell string
		want         string // text of the column; or a code
		note         string
	}{
		"an integer":                         {"density_kg_per_m3", number("2650"), "2650", ""},
		"a number as typed":                  {"density_kg_per_m3", number("0.1"), "0.1", ""},
		"0.142 in seventeen digits":          {"density_kg_per_m3", number("0.14199999999999999"), "0.142", ""},
		"a number of seventeen digits":       {"density_kg_per_m3", number("123456789.12345678"), "123456789.12345678", ""},
		"an exponent":                        {"density_kg_per_m3", number("1E-3"), "0.001", ""},
		"a large exponent":                   {"density_kg_per_m3", number("1.5e+3"), "1500", ""},
		"blanks around a number":             {"density_kg_per_m3", number(" 2650\n"), "2650", ""},
		"trailing zeros":                     {"density_kg_per_m3", number("2650.50"), "2650.5", ""},
		"leading zeros":                      {"density_kg_per_m3", number("002650"), "2650", ""},
		"a number in dollars":                {"density_kg_per_m3", styled("4", "2650"), "2650", ""},
		"a number in hours":                  {"density_kg_per_m3", styled("5", "2650"), "2650", ""},
		"a style that is not there":          {"density_kg_per_m3", styled("99", "2650"), "2650", ""},
		"more decimals than are kept":        {"density_kg_per_m3", number("0.30000000000000004"), "decimal-invalid", ""},
		"more digits than a number has":      {"density_kg_per_m3", number("123456789.123456789"), "decimal-invalid", ""},
		"a number beyond all":                {"density_kg_per_m3", number("1E300"), "decimal-invalid", ""},
		"an exponent beyond all":             {"density_kg_per_m3", number("1E999999"), "decimal-invalid", ""},
		"not a number":                       {"density_kg_per_m3", number("NaN"), "decimal-invalid", ""},
		"a hexadecimal number":               {"density_kg_per_m3", number("0x10"), "decimal-invalid", ""},
		"a percentage":                       {"density_kg_per_m3", styled("3", "0.35"), "decimal-invalid", ""},
		"a day where a number is due":        {"density_kg_per_m3", styled("1", "46037"), "decimal-invalid", ""},
		"a number kept as text":              {"density_kg_per_m3", "2650", "2650", "number-stored-as-text"},
		"thousands in a text":                {"density_kg_per_m3", "2,650", "decimal-invalid", ""},
		"a formula":                          {"density_kg_per_m3", `<c r="%s"><f>2*1325</f><v>2650</v></c>`, "2650", "formula-value"},
		"a shared formula":                   {"density_kg_per_m3", `<c r="%s"><f t="shared" si="0"/><v>2650</v></c>`, "2650", "formula-value"},
		"a formula of text":                  {"name", `<c r="%s" t="str"><f>"Sa"&amp;"nd"</f><v>Sand_x0021_</v></c>`, "Sand!", "formula-value"},
		"a formula of an empty text":         {"note", `<c r="%s" t="str"><f>""</f><v></v></c>`, "", ""},
		"a formula without a value":          {"density_kg_per_m3", `<c r="%s"><f>2*1325</f></c>`, "formula-without-value", ""},
		"a formula with an empty value":      {"density_kg_per_m3", `<c r="%s"><f>2*1325</f><v/></c>`, "formula-without-value", ""},
		"a truth value":                      {"density_kg_per_m3", typed("b", "1"), "cell-type", ""},
		"an error":                           {"density_kg_per_m3", typed("e", "#N/A"), "cell-type", ""},
		"a shared text":                      {"name", typed("s", "0"), "Sand, shared", ""},
		"a shared text in runs":              {"name", typed("s", "1"), "Sand in runs", ""},
		"escapes":                            {"name", typed("s", "2"), "A_x0041_", ""},
		"a text in runs":                     {"name", `<c r="%s" t="inlineStr"><is><r><t>Sa</t></r><r><t>nd</t></r><rPh><t>x</t></rPh></is></c>`, "Sand", ""},
		"CDATA, a comment and references":    {"name", `<c r="%s" t="inlineStr"><is><t><![CDATA[S<a]]><!-- - -->&#x6E;&#100;&amp;</t></is></c>`, "S<and&", ""},
		"a number for a name":                {"name", number("7"), "7", "number-in-text-column"},
		"a day for a name":                   {"name", styled("2", "46037"), "text-invalid", ""},
		"a percentage for a name":            {"name", styled("3", "0.5"), "text-invalid", ""},
		"a text that was escaped":            {"name", "'=1+1", "=1+1", ""},
		"a unit by another name":             {"unit", "Tonnes", "t", "unit-synonym"},
		"a unit that is ambiguous":           {"unit", "ton", "unit-unknown", ""},
		"a year":                             {"price_source_year", number("2025"), "2025", ""},
		"a year as text":                     {"price_source_year", "2025", "2025", "number-stored-as-text"},
		"half a year":                        {"price_source_year", number("2025.5"), "year-invalid", ""},
		"a day":                              {"price_date", styled("1", "46037"), "2026-01-15", "date-serial"},
		"a day in a format of its own":       {"price_date", styled("2", "46037"), "2026-01-15", "date-serial"},
		"a day without a format":             {"price_date", number("46037"), "2026-01-15", "date-serial"},
		"the first day":                      {"price_date", number("1"), "1900-01-01", "date-serial"},
		"the day before none":                {"price_date", number("59"), "1900-02-28", "date-serial"},
		"a day that never was":               {"price_date", number("60"), "date-invalid", ""},
		"the day after":                      {"price_date", number("61"), "1900-03-01", "date-serial"},
		"the last day":                       {"price_date", number("2958465"), "9999-12-31", "date-serial"},
		"the day after the last":             {"price_date", number("2958466"), "date-invalid", ""},
		"day nought":                         {"price_date", number("0"), "date-invalid", ""},
		"noon of a day":                      {"price_date", styled("1", "46037.5"), "date-invalid", ""},
		"a day as ISO 8601":                  {"price_date", typed("d", "2026-01-15T00:00:00.000Z"), "2026-01-15", ""},
		"noon as ISO 8601":                   {"price_date", typed("d", "2026-01-15T12:00:00"), "date-invalid", ""},
		"a day as ISO 8601 for a name":       {"name", typed("d", "2026-01-15"), "text-invalid", ""},
		"a day as text":                      {"price_date", "2026-01-15", "2026-01-15", ""},
		"a day as a person writes it":        {"price_date", "15.1.2026", "date-invalid", ""},
		"a number of a day as text":          {"price_date", "46037", "date-invalid", ""},
		"a percentage for a day":             {"price_date", styled("3", "46037"), "date-invalid", ""},
		"a cell of 32 KiB":                   {"note", strings.Repeat("x", inventory.MaxCellBytes), "text-invalid", ""},
		"a cell of one byte more":            {"note", strings.Repeat("x", inventory.MaxCellBytes+1), "cell-too-large", ""},
		"a cell of one byte more by escapes": {"note", strings.Repeat("x", inventory.MaxCellBytes-6) + "_x0041_", "cell-too-large", ""},
		"a shared text that is not there":    {"name", typed("s", "3"), "file-damaged", ""},
		"a type that is not there":           {"name", typed("z", "3"), "file-damaged", ""},
	} {
		t.Run(name, func(t *testing.T) {
			row := slices.Clone(good)
			at := slices.Index(head, c.column)
			row[at] = c.cell
			u, err := readXLSX(workbook(t, head, row))
			var refused *inventory.UploadError
			if errors.As(err, &refused) {
				r := refused.Rows[0]
				if len(refused.Rows) != 1 || r.Code != c.want || r.Code != "file-damaged" && (r.Row != 2 || r.Column != c.column || r.Item != "sand") {
					t.Errorf("refused for %+v, want %q", refused.Rows, c.want)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			column := inventory.Columns()[slices.Index(inventory.ColumnNames(inventory.Columns()), c.column)]
			if got := column.Text(&u.Items[0]); got != c.want {
				t.Errorf("read as %q, want %q", got, c.want)
			}
			noted := ""
			for _, n := range u.Notes {
				if n.Column == c.column {
					noted = n.Code
					if n.Row != 2 || n.Item != "sand" || n.Detail == "" || n.More != 0 {
						t.Errorf("%+v", n)
					}
				}
			}
			if noted != c.note {
				t.Errorf("noted %q, want %q", noted, c.note)
			}
		})
	}
}

// The same number is another day where days are counted from 1904.
func TestDaysFrom1904(t *testing.T) {
	p := parts(sheet([]string{"code", "category", "name", "unit", "factor_valid_until", "gwp_a1_a3", "factor_source_kind", "factor_source_title"},
		[]string{"sand", "aggregate", "Sand", "t", `<c r="%s"><v>44575</v></c>`, "1", "invented", "Title"},
		[]string{"grit", "aggregate", "Grit", "t", `<c r="%s"><v>0</v></c>`, "1", "invented", "Title"}))
	p["xl/workbook.xml"] = strings.Replace(bookMain, "workbookPr", `workbookPr date1904="1"`, 1)
	u, err := readXLSX(packed(t, p))
	if err != nil {
		t.Fatal(err)
	}
	if got, want := u.Items[0].FactorData.ValidUntil+" "+u.Items[1].FactorData.ValidUntil, "2026-01-15 1904-01-01"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

var columnsOfSand = strings.Split(header+",density_kg_per_m3,note,notes", ",")

func TestSheetForms(t *testing.T) {
	sand := []string{"sand", "aggregate", "Sand", "t", "2650", "", "anything, 1,000 or =1"}
	want := inventory.Item{Code: "sand", Category: inventory.Aggregate, Name: "Sand", Unit: "t", Density: null("2650")}
	rows := func(before int, after ...[]string) [][]string {
		return append(append(make([][]string, before), columnsOfSand, sand), after...)
	}
	note := func(row int, code string, more int) inventory.RowNote {
		return inventory.RowNote{Row: row, Code: code, More: more}
	}
	text := inventory.RowNote{Row: 2, Column: "density_kg_per_m3", Code: "number-stored-as-text", Item: "sand"}
	textAt := func(row int) inventory.RowNote { n := text; n.Row = row; return n }
	titles := rows(3)
	titles[0], titles[2] = []string{"Prices of Sablon", "", "2026"}, []string{"code", "category"}
	withParts := func(change func(p map[string]string)) []byte {
		p := parts(sheet(rows(0)...))
		change(p)
		return packed(t, p)
	}
	for name, c := range map[string]struct {
		file  []byte
		sheet string
		notes []inventory.RowNote
	}{
		"plain":               {workbook(t, rows(0)...), "", []inventory.RowNote{text}},
		"title rows":          {workbook(t, titles...), "", []inventory.RowNote{note(4, "header-found", 0), textAt(5)}},
		"header in row 10":    {workbook(t, rows(9)...), "", []inventory.RowNote{note(10, "header-found", 0), textAt(11)}},
		"trailing blank rows": {workbook(t, rows(0, nil, []string{"", ""}, nil)...), "", []inventory.RowNote{text, note(3, "blank-rows", 2)}},
		"other columns are empty": {workbook(t, append(slices.Clone(columnsOfSand), "", ""), append(slices.Clone(sand), "", "")), "",
			[]inventory.RowNote{text}},
		"cells without names": {withParts(func(p map[string]string) {
			p["xl/worksheets/sheet1.xml"] = strings.ReplaceAll(strings.ReplaceAll(strings.Replace(sheet(columnsOfSand, append(sand[:5:5], "-")), ">-<", "><", 1), ` r="`, ` q="`), "2650", "2650")
		}), "", []inventory.RowNote{text}},
		"with prefixes, a byte-order mark and what is not read": {withParts(func(p map[string]string) {
			s := strings.NewReplacer("</", "</x:", "<", "<x:").Replace(p["xl/worksheets/sheet1.xml"])
			s = strings.Replace(s, "<x:sheetData>", `<x:dimension ref="A1:G99999"/><x:sheetViews><x:sheetView><x:row><x:c/></x:row></x:sheetView></x:sheetViews><x:sheetData>`, 1)
			p["xl/worksheets/sheet1.xml"] = "\ufeff<?xml version='1.0' encoding='utf-8'?>\r\n<!-- a > b -->" + s + "\n"
		}), "", []inventory.RowNote{text}},
		"merged cells in the title": {withParts(func(p map[string]string) {
			p["xl/worksheets/sheet1.xml"] = strings.Replace(sheet(titles...), "</worksheet>", `<mergeCells><mergeCell ref="A1:C3"/></mergeCells></worksheet>`, 1)
		}), "", []inventory.RowNote{note(4, "header-found", 0), textAt(5)}},
		"merged cells in the notes": {withParts(func(p map[string]string) {
			p["xl/worksheets/sheet1.xml"] = strings.Replace(p["xl/worksheets/sheet1.xml"], "</worksheet>", `<mergeCells><mergeCell ref="G2:H9"/></mergeCells></worksheet>`, 1)
		}), "", []inventory.RowNote{text}},
		"the first sheet is hidden": {withParts(func(p map[string]string) {
			p["xl/workbook.xml"] = strings.Replace(bookMain, "<x:sheets>", `<x:sheets><x:sheet name="Lists" state="veryHidden" r:id="rId4"/>`, 1)
			p["xl/worksheets/sheet2.xml"] = sheet([]string{"x"})
		}), "", []inventory.RowNote{note(1, "sheet-chosen", 0), text}},
		"the second sheet by name": {withParts(func(p map[string]string) {
			p["xl/workbook.xml"] = strings.Replace(strings.Replace(bookMain, "rId1", "rId4", 1), "<x:sheets>", `<x:sheets><x:sheet name="Notes" r:id="rId1"/>`, 1)
			p["xl/worksheets/sheet2.xml"], p["xl/worksheets/sheet1.xml"] = p["xl/worksheets/sheet1.xml"], "not even XML"
		}), "Prices", []inventory.RowNote{text}},
		"no styles and no shared texts": {withParts(func(p map[string]string) {
			delete(p, "xl/styles.xml")
			delete(p, "xl/sharedStrings.xml")
			p["xl/_rels/workbook.xml.rels"] = strings.NewReplacer("relationships/styles", "relationships/theme", "sharedStrings\"", "media\"").Replace(bookRels)
		}), "", []inventory.RowNote{text}},
	} {
		t.Run(name, func(t *testing.T) {
			u, err := inventory.ReadUpload(bytes.NewReader(c.file), inventory.UploadOptions{Meta: meta, Sheet: c.sheet})
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff([]inventory.Item{want}, u.Items); diff != "" {
				t.Error(diff)
			}
			if diff := cmp.Diff(c.notes, u.Notes, cmpopts.IgnoreFields(inventory.RowNote{}, "Detail")); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestSheetsRefused(t *testing.T) {
	type row = inventory.RowError
	sand := []string{"sand", "aggregate", "Sand", "t", "2650"}
	merged := func(refs string) []byte {
		p := parts(strings.Replace(sheet(columnsOfSand, sand, []string{"grit", "aggregate"}), "</worksheet>", `<mergeCells>`+refs+`</mergeCells></worksheet>`, 1))
		return packed(t, p)
	}
	change := func(part, from, to string) []byte {
		p := parts(sheet(columnsOfSand, sand))
		if !strings.Contains(p[part], from) {
			t.Fatalf("%s has no %s", part, from)
		}
		p[part] = strings.Replace(p[part], from, to, 1)
		return packed(t, p)
	}
	const first = "xl/worksheets/sheet1.xml"
	damaged := []row{{Code: "file-damaged", Found: first}}
	wide := make([]string, 200)
	copy(wide, columnsOfSand)
	wide[199] = "colour"
	var many strings.Builder
	for n := range 1000 {
		fmt.Fprintf(&many, `<mergeCell ref="A%d:B%[1]d"/>`, n+2)
	}
	for name, c := range map[string]struct {
		file []byte
		want []row
	}{
		"a merged range names itself, and hides what it took": {merged(`<mergeCell ref="C2:D3"/>`),
			[]row{{Row: 2, Item: "sand", Column: "name", Code: "cells-merged", Found: "C2:D3"}}},
		"a merged header":    {merged(`<mergeCell ref="C1:D1"/>`), []row{{Row: 1, Column: "name", Code: "cells-merged", Found: "C1:D1"}, {Row: 3, Item: "grit", Column: "name", Code: "value-missing"}, {Row: 3, Item: "grit", Column: "unit", Code: "unit-unknown"}}},
		"a header in row 11": {workbook(t, append(make([][]string, 10), columnsOfSand, sand)...), []row{{Row: 1, Code: "file-empty"}}},
		"an empty sheet":     {workbook(t), []row{{Row: 1, Code: "file-empty"}}},
		"a header alone":     {workbook(t, columnsOfSand), []row{{Row: 1, Code: "file-empty"}}},
		"an unknown column":  {workbook(t, append(slices.Clone(columnsOfSand), "Nots"), sand), []row{{Row: 1, Column: "Nots", Code: "header-invalid", Found: "Nots"}}},
		"an unknown column and a bad row": {workbook(t, append(slices.Clone(columnsOfSand), "Nots"), sand, append([]string{"x", "glue"}, sand[2:]...)),
			[]row{{Row: 1, Column: "Nots", Code: "header-invalid", Found: "Nots"}, {Row: 3, Item: "x", Column: "category", Code: "value-unknown", Found: "glue"}}},
		"a column twice":              {workbook(t, append(slices.Clone(columnsOfSand), "notes"), sand), []row{{Row: 1, Column: "notes", Code: "header-invalid", Found: "notes"}}},
		"a value under no name":       {workbook(t, columnsOfSand, append(slices.Clone(sand), "", "", "stray")), []row{{Row: 2, Item: "sand", Code: "cell-count", Found: "stray"}}},
		"a name in column 200":        {workbook(t, wide, sand), []row{{Row: 1, Column: "colour", Code: "header-invalid", Found: "colour"}}},
		"a name in column 201":        {workbook(t, append(slices.Clone(wide), "size"), sand), []row{{Row: 1, Code: "file-too-large", Found: "GS1"}}},
		"a value in column 201":       {workbook(t, columnsOfSand, append(append(slices.Clone(sand), make([]string, 195)...), "x")), []row{{Row: 2, Code: "file-too-large", Found: "GS2"}}},
		"rows that go back":           {change(first, `<row r="2">`, `<row r="1">`), damaged},
		"a row beyond all":            {change(first, `<row r="2">`, `<row r="1048577">`), damaged},
		"a row that is no number":     {change(first, `<row r="2">`, `<row r="two">`), damaged},
		"cells that go back":          {change(first, `r="B2"`, `r="A2"`), damaged},
		"a cell of another row":       {change(first, `r="B2"`, `r="B3"`), damaged},
		"a cell beyond all":           {change(first, `r="E2"`, `r="XFE2"`), damaged},
		"a style that is no number":   {change(first, `r="B2"`, `r="B2" s="-1"`), damaged},
		"a sheet that breaks off":     {change(first, `</row></sheetData></worksheet>`, ``), damaged},
		"a sheet that ends in a row":  {change(first, `</row></sheetData></worksheet>`, `</row>`), damaged},
		"elements that cross":         {change(first, `</is></c>`, `</c></is>`), damaged},
		"a second root":               {change(first, `</worksheet>`, `</worksheet><worksheet/>`), damaged},
		"a document type":             {change(first, `<worksheet>`, `<!DOCTYPE x [<!ENTITY a "b">]><worksheet>`), damaged},
		"an entity of its own":        {change(first, `>Sand<`, `>&a;<`), damaged},
		"another encoding":            {change(first, `<worksheet>`, `<?xml version="1.0" encoding="ISO-8859-1"?><worksheet>`), damaged},
		"elements too deep":           {change(first, `<sheetData>`, strings.Repeat("<x>", 64)+strings.Repeat("</x>", 64)+`<sheetData>`), damaged},
		"a tag without end":           {change(first, `<sheetData>`, `<x a="`+strings.Repeat("x", 600_000)+`"/><sheetData>`), damaged},
		"a text without end":          {change(first, `<sheetData>`, `<x>`+strings.Repeat("x", 600_000)+`</x><sheetData>`), damaged},
		"no such relation":            {change("xl/_rels/workbook.xml.rels", "worksheets/sheet1.xml", "worksheets/sheet9.xml"), []row{{Code: "file-damaged", Found: "xl/worksheets/sheet9.xml"}}},
		"a sheet outside the package": {change("xl/_rels/workbook.xml.rels", `Target="worksheets/sheet1.xml"`, `TargetMode="External" Target="file:///etc/passwd"`), []row{{Code: "sheet-unknown"}}},
		"a climbing relation":         {change("xl/_rels/workbook.xml.rels", `worksheets/sheet1.xml`, `../../../etc/passwd`), []row{{Code: "file-damaged", Found: "etc/passwd"}}},
		"shared texts named twice":    {change("xl/_rels/workbook.xml.rels", "</Relationships>", `<Relationship Id="z1" Type="x/sharedStrings" Target="s.xml"/><Relationship Id="z2" Type="x/sharedStrings" Target="s.xml"/></Relationships>`), []row{{Code: "archive-refused", Found: "xl/s.xml"}}},
		"thousands of relations":      {change("xl/_rels/workbook.xml.rels", "</Relationships>", strings.Repeat(`<Relationship Id="z" Type="x/y" Target="s.xml"/>`, 1001)+"</Relationships>"), []row{{Code: "file-damaged", Found: "xl/_rels/workbook.xml.rels"}}},
		"only hidden sheets":          {change("xl/workbook.xml", `sheetId="1"`, `state="hidden"`), []row{{Code: "sheet-unknown"}}},
		"not UTF-8":                   {change(first, `>Sand<`, ">S\xe4nd<"), damaged},
	} {
		t.Run(name, func(t *testing.T) {
			u, err := readXLSX(c.file)
			wantRefusal(t, u, err, c.want...)
		})
	}
	t.Run("very many merged ranges", func(t *testing.T) {
		_, err := readXLSX(merged(many.String()))
		var refused *inventory.UploadError
		if !errors.As(err, &refused) || len(refused.Rows) != 100 || refused.Rows[99].Found != "A99:B99" || refused.More != 900+2 { // the second row lacks two cells more
			t.Errorf("got %v", err)
		}
	})
	t.Run("a sheet by a name that there is not", func(t *testing.T) {
		u, err := inventory.ReadUpload(bytes.NewReader(workbook(t, columnsOfSand, sand)), inventory.UploadOptions{Form: inventory.FormXLSX, Meta: meta, Sheet: "prices"})
		wantRefusal(t, u, err, row{Code: "sheet-unknown", Found: "prices"})
		if !strings.Contains(err.Error(), `"Prices"`) {
			t.Errorf("the sheets are not named: %v", err)
		}
	})
}

// entry is a part of an archive as its directory declares it, whatever is in it.
func entry(name string, packedSize, size uint64) *zip.FileHeader {
	h := &zip.FileHeader{Name: name, Method: zip.Deflate, CompressedSize64: packedSize, UncompressedSize64: size}
	return h
}

// archive is a good workbook with more parts beside it, their content made up.
func archive(t testing.TB, more ...*zip.FileHeader) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	good := parts(sheet(columnsOfSand, []string{"sand", "aggregate", "Sand", "t"}))
	for _, name := range slices.Sorted(maps.Keys(good)) {
		w, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Store})
		if err == nil {
			_, err = io.WriteString(w, good[name])
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, h := range more {
		w, err := z.CreateRaw(h)
		if err == nil {
			_, err = w.Write(make([]byte, h.CompressedSize64))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// unpackedSize is what the parts of a good workbook come to.
func unpackedSize(t testing.TB, file []byte) (size uint64, entries int) {
	z, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range z.File {
		size += f.UncompressedSize64
	}
	return size, len(z.File)
}

// Each limit of the archive at its edge and one beyond. What lies beyond is refused
// by the directory, before anything is unpacked.
func TestArchiveLimits(t *testing.T) {
	size, entries := unpackedSize(t, archive(t))
	several := func(n int) (more []*zip.FileHeader) {
		for i := range n {
			more = append(more, entry(fmt.Sprintf("media/%d", i), 1, 1))
		}
		return more
	}
	link := entry("xl/link", 4, 4)
	link.SetMode(fs.ModeSymlink | 0o777)
	locked := entry("xl/locked", 4, 4)
	locked.Flags |= 1
	pad := func(total int) []byte {
		return archive(t, entry("pad", uint64(total-len(archive(t, entry("pad", 0, 0)))), 1<<20))
	}
	for name, c := range map[string]struct {
		file []byte
		code string // empty: accepted
	}{
		"nothing more":                      {archive(t), ""},
		"64 parts":                          {archive(t, several(inventory.MaxEntries-entries)...), ""},
		"65 parts":                          {archive(t, several(inventory.MaxEntries-entries+1)...), "archive-refused"},
		"10,001 parts":                      {archive(t, several(10_001-entries)...), "archive-refused"},
		"256 MiB unpacked":                  {archive(t, entry("big", 2<<20, inventory.MaxUnpackedBytes-size)), ""},
		"256 MiB and a byte":                {archive(t, entry("big", 2<<20, inventory.MaxUnpackedBytes-size+1)), "file-too-large"},
		"sizes that overflow":               {archive(t, entry("a", 1, 1<<63), entry("b", 1, 1<<63)), "file-too-large"},
		"a ratio of 200":                    {archive(t, entry("x", 10_000, 10_000*inventory.MaxRatio)), ""},
		"a ratio of more than 200":          {archive(t, entry("x", 10_000, 10_000*inventory.MaxRatio+1)), "archive-refused"},
		"16 MiB packed":                     {pad(inventory.MaxPackedBytes), ""},
		"16 MiB and a byte":                 {pad(inventory.MaxPackedBytes + 1), "file-too-large"},
		"a name that climbs":                {archive(t, entry("../evil", 1, 1)), "archive-refused"},
		"a name that climbs inside":         {archive(t, entry("xl/../../evil", 1, 1)), "archive-refused"},
		"an absolute name":                  {archive(t, entry("/etc/passwd", 1, 1)), "archive-refused"},
		"a name with a backslash":           {archive(t, entry(`..\evil`, 1, 1)), "archive-refused"},
		"a name on a drive":                 {archive(t, entry("C:evil", 1, 1)), "archive-refused"},
		"a symbolic link":                   {archive(t, link), "archive-refused"},
		"a part twice":                      {archive(t, entry("XL/Workbook.xml", 1, 1)), "archive-refused"},
		"an encrypted part":                 {archive(t, locked), "file-encrypted"},
		"a part of the workbook cut short":  {archive(t)[:500], "file-damaged"},
		"an archive cut short":              {archive(t)[:len(archive(t))-10], "file-damaged"},
		"a byte of a part turned":           {turned(archive(t), "Sand<"), "file-damaged"},
		"a part longer than it is declared": {longer(t), "file-damaged"},
	} {
		t.Run(name, func(t *testing.T) {
			u, err := inventory.ReadUpload(io.MultiReader(bytes.NewReader(c.file)), inventory.UploadOptions{Form: inventory.FormXLSX, Meta: meta})
			if c.code == "" {
				if err != nil || len(u.Items) != 1 {
					t.Errorf("%d items and the error %v", len(u.Items), err)
				}
				return
			}
			var refused *inventory.UploadError
			if !errors.As(err, &refused) || len(refused.Rows) != 1 || refused.Rows[0].Code != c.code || refused.Rows[0].Detail == "" {
				t.Errorf("got %v, want %s", err, c.code)
			}
		})
	}
}

// An archive of very many parts is refused before its directory is read into
// memory, which takes several allocations a part.
func TestManyPartsAreNotGathered(t *testing.T) {
	const entries = 10_001
	more := make([]*zip.FileHeader, entries)
	for n := range more {
		more[n] = entry(fmt.Sprintf("media/%d", n), 1, 1)
	}
	file := archive(t, more...)
	allocations := testing.AllocsPerRun(3, func() {
		if _, err := readXLSX(file); err == nil {
			t.Error("accepted")
		}
	})
	if allocations > entries/10 {
		t.Errorf("%.0f allocations for %d parts", allocations, entries)
	}
}

// turned changes a byte where a text stands.
func turned(file []byte, at string) []byte {
	file = bytes.Clone(file)
	file[bytes.Index(file, []byte(at))] ^= 1
	return file
}

// longer is a workbook whose sheet unpacks to more than the directory says.
func longer(t testing.TB) []byte {
	p := parts(sheet(columnsOfSand, []string{"sand", "aggregate", "Sand", "t"}))
	file := packed(t, p)
	size := len(p["xl/worksheets/sheet1.xml"])
	z, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	for _, f := range z.File {
		raw, err := f.OpenRaw()
		if err != nil {
			t.Fatal(err)
		}
		h := f.FileHeader
		if int(h.UncompressedSize64) == size {
			h.UncompressedSize64 -= 20
		}
		to, err := w.CreateRaw(&h)
		if err == nil {
			_, err = io.Copy(to, raw)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// A table of shared texts is held to the bytes of a CSV.
func TestSharedTextsTogether(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	text := make([]byte, 32<<10) // not so even that it is taken for a bomb
	for at := range text {
		text[at] = byte('a' + r.IntN(26))
		if at >= 1<<10 {
			text[at] = text[at-1<<10]
		}
	}
	texts := func(n int) []byte {
		p := parts(sheet(columnsOfSand, []string{"sand", "aggregate", "Sand", "t"}))
		p["xl/sharedStrings.xml"] = "<sst>" + strings.Repeat("<si><t>"+string(text)+"</t></si>", n) + "</sst>"
		return packed(t, p)
	}
	const most = inventory.MaxFileBytes / (32 << 10)
	if _, err := readXLSX(texts(most)); err != nil {
		t.Errorf("64 MiB: %v", err)
	}
	u, err := readXLSX(texts(most + 1))
	wantRefusal(t, u, err, inventory.RowError{Code: "file-too-large"})
}

// What a spreadsheet library writes is read as that library reads it.
func TestReadXLSXAgainstALibrary(t *testing.T) {
	f := excelize.NewFile()
	day, err := f.NewStyle(&excelize.Style{NumFmt: 14})
	if err != nil {
		t.Fatal(err)
	}
	names := []string{"code", "category", "name", "unit", "density_kg_per_m3", "note", "factor_valid_until", "gwp_a1_a3", "factor_source_kind", "factor_source_title"}
	want := []inventory.Item{
		{Code: "sand", Category: "aggregate", Name: "Sand <&> \"quoted\" 'é' 😀", Unit: "t", Density: null("2650.142"), Note: "in  two  spaces",
			FactorData: inventory.FactorData{ValidUntil: "2026-01-15"}, Factors: factors("A1-A3", "0.000001"), FactorSource: &inventory.Source{Kind: "invented", Title: "T"}},
		{Code: "grit", Category: "aggregate", Name: "Grit", Unit: "t", Density: null("2700"), FactorData: inventory.FactorData{ValidUntil: "1999-12-31"},
			Factors: factors("A1-A3", "123456789012345"), FactorSource: &inventory.Source{Kind: "invented", Title: "T"}},
	}
	set := func(cell string, value any) {
		t.Helper()
		if err := f.SetCellValue("Sheet1", cell, value); err != nil {
			t.Fatal(err)
		}
	}
	for at, name := range names {
		set(cellName(at+1, 1), name)
	}
	for n, cells := range [][]any{
		{"sand", "aggregate", want[0].Name, "t", 2650.142, "in  two  spaces", 46037, 1e-6, "invented", "T"},
		{"grit", "aggregate", "Grit", "t", 2700, nil, 36525, 123456789012345, "invented", "T"},
	} {
		for at, value := range cells {
			set(cellName(at+1, n+2), value)
		}
	}
	if err := f.SetCellStyle("Sheet1", "G2", "G3", day); err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := f.Write(&b); err != nil {
		t.Fatal(err)
	}
	u, err := readXLSX(b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, u.Items); diff != "" {
		t.Error(diff)
	}
	for row := 2; row <= 3; row++ { // the library's own reading of the same cells
		for at, name := range names {
			raw, err := f.GetCellValue("Sheet1", cellName(at+1, row), excelize.Options{RawCellValue: name != "factor_valid_until"})
			if err != nil {
				t.Fatal(err)
			}
			column := inventory.Columns()[slices.Index(inventory.ColumnNames(inventory.Columns()), name)]
			if got := column.Text(&u.Items[row-2]); got != raw && name != "factor_valid_until" && name != "gwp_a1_a3" {
				t.Errorf("%s: %q, the library says %q", name, got, raw)
			}
		}
	}
}

// A password makes a compound file of a workbook; an old workbook is one, too.
func TestEncryptedAndOldWorkbooks(t *testing.T) {
	f := excelize.NewFile()
	var locked bytes.Buffer
	if err := f.Write(&locked, excelize.Options{Password: "sablon"}); err != nil {
		t.Fatal(err)
	}
	old := append([]byte("\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"), make([]byte, 4096)...)
	for name, c := range map[string]struct {
		file []byte
		code string
	}{"encrypted": {locked.Bytes(), "file-encrypted"}, "old": {old, "file-form"}} {
		for _, form := range append(forms, "") {
			u, err := inventory.ReadUpload(bytes.NewReader(c.file), inventory.UploadOptions{Form: form, Meta: meta})
			t.Run(name+" as "+string(form), func(t *testing.T) { wantRefusal(t, u, err, inventory.RowError{Code: c.code}) })
		}
	}
}
