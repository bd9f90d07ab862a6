package inventory

import (
	"archive/zip"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"
)

// An XLSX file is read here, part by part, rather than by a spreadsheet library:
// what has to be known of a cell (its type, its number format, whether it has a
// formula, whether it is merged) comes only with a whole sheet in memory there, and
// a sheet that breaks off in the middle reads as one that ends.

// readXLSX takes in one sheet of a workbook, row by row. complete tells whether the
// rows are worth validating.
func (u *upload) readXLSX(r io.Reader) (complete bool, err error) {
	var packed bytes.Buffer
	if u.size > 0 {
		packed.Grow(int(min(u.size, MaxPackedBytes)) + bytes.MinRead)
	}
	if _, err := packed.ReadFrom(io.LimitReader(r, MaxPackedBytes+1)); err != nil {
		return false, err
	}
	if packed.Len() > MaxPackedBytes {
		u.refuse(&refusal{ProblemTooLarge, "", fmt.Sprintf("an XLSX file has at most %d bytes", MaxPackedBytes)})
		return false, nil
	}
	complete, wrong := u.readWorkbook(packed.Bytes())
	if wrong != nil {
		u.refuse(wrong)
	}
	return complete && wrong == nil, nil
}

func (u *upload) readWorkbook(packed []byte) (complete bool, wrong *refusal) {
	book, wrong := openWorkbook(packed)
	if wrong != nil {
		return false, wrong
	}
	sheet, wrong := book.sheet(u.options.Sheet)
	if wrong != nil {
		return false, wrong
	}
	if u.options.Sheet == "" && len(book.sheets) > 1 {
		u.notes.add(RowNote{Row: 1, Code: NoteSheet, Detail: fmt.Sprintf("the sheet %q was read, the first of %d", shown(sheet.name), len(book.sheets))}, "")
	}
	u.date1904 = book.date1904
	return u.readSheet(book, sheet)
}

// workbook is what is read of a workbook besides its sheets.
type workbook struct {
	parts    map[string]*zip.File
	sheets   []sheetEntry
	date1904 bool
	formats  []cellKind // of number cells, by index of style
	texts    sharedTexts
}

type sheetEntry struct {
	name, id string
	hidden   bool
	part     string
}

// maxSignatures is how many entries the directory of an archive may seem to have
// before it is taken apart.
const maxSignatures = 1000

// ratioFrom is the unpacked size from which the ratio of a part is looked at: a
// small part of blanks packs very well.
const ratioFrom = 1 << 20

// checkArchive looks at the directory of an archive before anything is unpacked.
// Sizes that it declares are held to when a part is read (package zip).
func checkArchive(packed []byte) (map[string]*zip.File, *refusal) {
	refuse := func(found, format string, args ...any) (map[string]*zip.File, *refusal) {
		return nil, &refusal{ProblemArchive, found, fmt.Sprintf(format, args...)}
	}
	if n := bytes.Count(packed, []byte("PK\x01\x02")); n > maxSignatures {
		return refuse("", "%d parts; a workbook has at most %d", n, MaxEntries)
	}
	archive, err := zip.NewReader(bytes.NewReader(packed), int64(len(packed)))
	if err != nil {
		return nil, &refusal{ProblemDamaged, "", "the file begins like a zip archive, as an XLSX workbook is, but it is not whole"}
	}
	if n := len(archive.File); n > MaxEntries {
		return refuse("", "%d parts; a workbook has at most %d. Copy the sheet into a workbook of its own", n, MaxEntries)
	}
	parts, total := map[string]*zip.File{}, uint64(0)
	for _, f := range archive.File {
		total += min(f.UncompressedSize64, MaxUnpackedBytes+1)
		key := strings.ToLower(f.Name)
		switch {
		case !fs.ValidPath(strings.TrimSuffix(f.Name, "/")) || strings.ContainsAny(f.Name, "\\:"):
			return refuse(f.Name, "the name of a part is no plain path inside the archive")
		case !f.Mode().IsRegular() && !f.Mode().IsDir():
			return refuse(f.Name, "a part is a link or a device")
		case parts[key] != nil:
			return refuse(f.Name, "a part stands twice")
		case f.Flags&1 != 0:
			return nil, &refusal{ProblemEncrypted, f.Name, "a part is encrypted; save the workbook without a password"}
		case total > MaxUnpackedBytes:
			return nil, &refusal{ProblemTooLarge, f.Name, fmt.Sprintf("unpacked, a workbook has at most %d bytes; copy the sheet into a workbook of its own, or save it as CSV UTF-8", MaxUnpackedBytes)}
		case f.UncompressedSize64 > ratioFrom && f.UncompressedSize64 > MaxRatio*f.CompressedSize64:
			return refuse(f.Name, "the part unpacks to more than %d times its size", MaxRatio)
		}
		parts[key] = f
	}
	return parts, nil
}

func openWorkbook(packed []byte) (*workbook, *refusal) {
	parts, wrong := checkArchive(packed)
	if wrong != nil {
		return nil, wrong
	}
	w := &workbook{parts: parts}
	if parts["_rels/.rels"] == nil {
		return nil, &refusal{ProblemFile, "", w.otherForm()}
	}
	root, wrong := w.relations("")
	if wrong != nil {
		return nil, wrong
	}
	at := slices.IndexFunc(root, func(r relation) bool { return r.is("officeDocument") })
	if at < 0 || !strings.HasSuffix(root[at].part, ".xml") || w.parts["xl/workbook.bin"] != nil {
		return nil, &refusal{ProblemFile, "", w.otherForm()}
	}
	main := root[at].part
	if wrong := w.readMain(main); wrong != nil {
		return nil, wrong
	}
	related, wrong := w.relations(main)
	if wrong != nil {
		return nil, wrong
	}
	sheets, once := map[string]string{}, map[string]bool{}
	for _, r := range related {
		kind := path.Base(r.kind)
		if r.is("worksheet") {
			sheets[r.id] = r.part
		} else if once[kind] && (r.is("styles") || r.is("sharedStrings")) {
			// Each would be read again, and a small package can name one many times.
			return nil, &refusal{ProblemArchive, r.part, "a workbook has one part of styles and one of shared texts"}
		}
		once[kind] = true
	}
	for n := range w.sheets {
		w.sheets[n].part = sheets[w.sheets[n].id]
	}
	w.sheets = slices.DeleteFunc(w.sheets, func(s sheetEntry) bool { return s.part == "" }) // charts
	for _, r := range related {
		switch {
		case r.is("styles"):
			wrong = w.readStyles(r.part)
		case r.is("sharedStrings"):
			wrong = w.readTexts(r.part)
		}
		if wrong != nil {
			return nil, wrong
		}
	}
	return w, nil
}

// otherForm says what an archive is that is no XLSX workbook.
func (w *workbook) otherForm() string {
	switch {
	case w.parts["xl/workbook.bin"] != nil:
		return "the file is a binary workbook (.xlsb); save it as .xlsx"
	case w.parts["content.xml"] != nil:
		return "the file is an OpenDocument; save it as .xlsx"
	case w.parts["word/document.xml"] != nil, w.parts["ppt/presentation.xml"] != nil:
		return "the file is a text or a presentation, not a workbook"
	}
	return "the file is a zip archive, but no XLSX workbook"
}

// sheet finds a sheet by name, or the first that is not hidden.
func (w *workbook) sheet(name string) (sheetEntry, *refusal) {
	var names []string
	for _, s := range w.sheets {
		if s.name == name || name == "" && !s.hidden {
			return s, nil
		}
		names = append(names, strconv.Quote(shown(s.name)))
	}
	if name == "" {
		return sheetEntry{}, &refusal{ProblemSheet, "", "the workbook has no sheet that is not hidden"}
	}
	return sheetEntry{}, &refusal{ProblemSheet, name, "one of " + strings.Join(names, ", ")}
}

// relation is a line from one part of a package to another (ECMA-376-2, 6.5).
type relation struct{ id, kind, part string }

// is tells the kind by its last word, which the transitional and the strict form
// have in common.
func (r relation) is(kind string) bool { return path.Base(r.kind) == kind }

// maxRelations is many times what a workbook has of sheets, or a part of relations.
const maxRelations = 1000

// relations reads what a part refers to; "" is the package as a whole.
func (w *workbook) relations(of string) (all []relation, wrong *refusal) {
	folder, name := path.Split(of)
	wrong = w.walk(folder+"_rels/"+name+".rels", func(_ string, x *xmlPart) error {
		if string(x.name) != "Relationship" || x.attr("TargetMode") == "External" {
			return nil
		}
		target := x.attr("Target")
		if !strings.HasPrefix(target, "/") {
			target = "/" + folder + target
		}
		if len(all) == maxRelations {
			return errBroken
		}
		all = append(all, relation{x.attr("Id"), x.attr("Type"), strings.TrimPrefix(path.Clean(target), "/")})
		return nil
	})
	return all, wrong
}

// readMain reads the list of sheets and how days are counted.
func (w *workbook) readMain(part string) *refusal {
	return w.walk(part, func(parent string, x *xmlPart) error {
		switch {
		case string(x.name) == "workbookPr":
			w.date1904 = truth(x.attr("date1904"))
		case string(x.name) == "sheet" && parent == "sheets":
			if len(w.sheets) == maxRelations {
				return errBroken
			}
			state := x.attr("state")
			w.sheets = append(w.sheets, sheetEntry{name: x.attr("name"), id: x.attr("id"), hidden: state != "" && state != "visible"})
		}
		return nil
	})
}

func truth(s string) bool { return s == "1" || s == "true" }

// maxStyles is how many styles of cells a workbook may have, as spreadsheet
// programs do.
const maxStyles = 65_536

// readStyles reads which styles show a number as a day or a percentage.
func (w *workbook) readStyles(part string) *refusal {
	own := map[string]cellKind{}
	return w.walk(part, func(parent string, x *xmlPart) error {
		switch {
		case string(x.name) == "numFmt" && parent == "numFmts":
			own[x.attr("numFmtId")] = formatKind(x.attr("formatCode"))
		case string(x.name) == "xf" && parent == "cellXfs":
			kind, ok := own[x.attr("numFmtId")]
			if !ok {
				kind = builtinFormat(x.attr("numFmtId"))
			}
			w.formats = append(w.formats, kind)
		}
		if len(w.formats) > maxStyles || len(own) > maxStyles {
			return errBroken
		}
		return nil
	})
}

// builtinFormat is the kind of a number format that a file need not write out
// (ECMA-376-1, 18.8.30).
func builtinFormat(id string) cellKind {
	n, err := strconv.Atoi(id)
	switch {
	case err != nil:
	case n == 9, n == 10:
		return percentCell
	case n >= 14 && n <= 17, n == 22, n >= 27 && n <= 31, n == 36, n >= 50 && n <= 54, n == 57, n == 58:
		return dateCell
	}
	return numberCell
}

// formatKind tells a number format that shows days, which has a day or a year in
// it, and one that shows percentages. Quoted text, escaped characters and
// conditions in brackets say nothing.
func formatKind(code string) cellKind {
	for at := 0; at < len(code); at++ {
		switch code[at] {
		case '"', '[':
			closing := byte('"')
			if code[at] == '[' {
				closing = ']'
			}
			end := strings.IndexByte(code[at+1:], closing)
			if end < 0 {
				return numberCell
			}
			at += end + 1
		case '\\', '_', '*':
			at++
		case 'y', 'Y', 'd', 'D':
			return dateCell
		case '%':
			return percentCell
		}
	}
	return numberCell
}

// sharedTexts is the table of texts of a workbook, one after the other.
type sharedTexts struct {
	all  string
	ends []uint32
}

// maxTextsShared is how many texts the table may have.
const maxTextsShared = 20 * MaxRows

func (t *sharedTexts) at(index []byte) (string, bool) {
	n, err := strconv.Atoi(string(bytes.TrimSpace(index)))
	if err != nil || n < 0 || n >= len(t.ends) {
		return "", false
	}
	from := uint32(0)
	if n > 0 {
		from = t.ends[n-1]
	}
	return t.all[from:t.ends[n]], true
}

func (w *workbook) readTexts(part string) *refusal {
	x, wrong := w.open(part)
	if wrong != nil {
		return wrong
	}
	defer x.close()
	for {
		token, err := x.next()
		if errors.Is(err, io.EOF) {
			w.texts.all = string(x.text)
			return nil
		}
		if err != nil {
			return x.damaged()
		}
		if token != xmlStart || string(x.name) != "si" {
			continue
		}
		if err := x.gatherRich(len(x.text)); err != nil {
			return x.damaged()
		}
		w.texts.ends = append(w.texts.ends, uint32(len(x.text))) //nolint:gosec // at most MaxFileBytes and one cell
		if len(x.text) > MaxFileBytes || len(w.texts.ends) > maxTextsShared {
			return &refusal{ProblemTooLarge, "", fmt.Sprintf("the texts of a workbook have at most %d bytes together, and are at most %d", MaxFileBytes, maxTextsShared)}
		}
	}
}

// xmlPart is a part of a workbook that is being read.
type xmlPart struct {
	*xmlReader
	part string
	file io.ReadCloser
	size int64  // of the part
	read int64  // of it, so far
	text []byte // that was gathered
}

// Read reads the part and counts.
func (x *xmlPart) Read(p []byte) (int, error) {
	n, err := x.file.Read(p)
	x.read += int64(n)
	return n, err
}

func (w *workbook) open(part string) (*xmlPart, *refusal) {
	f := w.parts[strings.ToLower(part)]
	if f == nil {
		return nil, &refusal{ProblemDamaged, part, "a part of the workbook is missing; open it in a spreadsheet program and save it again"}
	}
	x := &xmlPart{part: part}
	file, err := f.Open()
	if err != nil {
		return nil, x.damaged()
	}
	x.file, x.size = file, int64(f.UncompressedSize64) //nolint:gosec // at most MaxUnpackedBytes
	x.xmlReader = newXMLReader(x)
	return x, nil
}

func (x *xmlPart) close() { x.file.Close() }

func (x *xmlPart) damaged() *refusal {
	return &refusal{ProblemDamaged, x.part, "a part of the workbook cannot be read; open it in a spreadsheet program and save it again"}
}

// skip reads past the end of the element that was begun last.
func (x *xmlPart) skip() error {
	for within := x.depth(); x.depth() >= within; {
		if _, err := x.next(); err != nil {
			return err
		}
	}
	return nil
}

// gather adds the characters of the element that was begun last to text, and no
// more than tell that they are too many.
func (x *xmlPart) gather(from int) error {
	for within := x.depth(); x.depth() >= within; {
		token, err := x.next()
		if err != nil {
			return err
		}
		if token == xmlText && x.depth() == within {
			x.text = append(x.text, x.chars[:min(len(x.chars), max(0, MaxCellBytes+1-len(x.text)+from))]...)
		}
	}
	return nil
}

// gatherRich is gather for a text that may be in runs of its own style: all of them,
// without the phonetic hints (ECMA-376-1, 18.4.8).
func (x *xmlPart) gatherRich(from int) error {
	for within := x.depth(); x.depth() >= within; {
		token, err := x.next()
		if err != nil {
			return err
		}
		if token == xmlStart {
			switch string(x.name) {
			case "t":
				err = x.gather(from)
			case "r":
			default:
				err = x.skip()
			}
			if err != nil {
				return err
			}
		}
	}
	x.unescape(from)
	return nil
}

// unescape takes the escapes out of the text from a place on. One that is cut off,
// being too long, stays so.
func (x *xmlPart) unescape(from int) {
	if len(x.text)-from <= MaxCellBytes && bytes.Contains(x.text[from:], []byte("_x")) {
		x.text = append(x.text[:from], unescapeXString(string(x.text[from:]))...)
	}
}

// walk calls do for each element of a small part with the name of the one around
// it.
func (w *workbook) walk(part string, do func(parent string, x *xmlPart) error) *refusal {
	x, wrong := w.open(part)
	if wrong != nil {
		return wrong
	}
	defer x.close()
	around := make([]string, 1, maxDepth+1)
	for {
		token, err := x.next()
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return x.damaged()
		case token == xmlStart:
			if err := do(around[len(around)-1], x); err != nil {
				return x.damaged()
			}
			around = append(around, string(x.name))
		case token == xmlEnd:
			around = around[:len(around)-1]
		}
	}
}

// unescapeXString reads _xHHHH_ as the UTF-16 unit that it stands for: characters
// that XML cannot have, and the low line itself before what looks like such an
// escape (ECMA-376-1, 22.9.2.19). Halves of a surrogate pair stay as they are.
func unescapeXString(s string) string {
	if !strings.Contains(s, "_x") {
		return s
	}
	var b strings.Builder
	for at := 0; at < len(s); {
		if unit, ok := escapeAt(s[at:]); ok && (unit < 0xd800 || unit > 0xdfff) {
			b.WriteRune(unit)
			at += len("_x0000_")
			continue
		}
		b.WriteByte(s[at])
		at++
	}
	return b.String()
}

// escapeAt reads an escape at the beginning of a text.
func escapeAt(s string) (unit rune, ok bool) {
	if len(s) < len("_x0000_") || s[:2] != "_x" || s[6] != '_' {
		return 0, false
	}
	n, err := strconv.ParseUint(s[2:6], 16, 16)
	return rune(n), err == nil
}
