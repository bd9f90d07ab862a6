package service

import (
	"encoding/csv"
	"errors"
	"io"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/fault"
	"slabledger/lca/flexure"
	"slabledger/lca/num"
	"slabledger/lca/unit"
)

// Limits of the CSV of a test machine.
const (
	maxCurvePoints = 20_000
	maxCurveFaults = 100 // rows that are told; the rest is counted
)

// curveColumn is a column that is read: what it measures and in which unit.
type curveColumn struct {
	axis  flexure.Axis // empty is the load
	unit  unit.Unit
	place int
}

// loadColumn and the axes are the names that columns begin with; the unit follows
// after an underscore: deflection_mm, cmod_mm, load_kN.
const loadColumn = "load"

// curve reads the CSV of a test machine. The delimiter is the semicolon, the tab
// or the comma, whichever the header has, in this order. Columns that are neither
// load nor deflection nor opening are passed over and returned by name. Each bad
// row is a fault that tells its line; then there is no curve.
func (r *reader) curve(c *BeamCurve, prefer flexure.Axis, at fault.Path) (*flexure.Curve, []string) {
	text := strings.TrimPrefix(c.CSV, "\ufeff")
	rows := csv.NewReader(strings.NewReader(text))
	rows.Comma = delimiter(text)
	rows.FieldsPerRecord = -1 // told with the line
	rows.ReuseRecord = true
	at = at.At("csv")
	header, err := rows.Read()
	if err != nil {
		r.faults.Add(at, "csv-empty", "the first line names the columns, such as deflection_mm,load_kN; there is none that can be read")
		return nil, nil
	}
	x, load, passed := r.curveHeader(header, prefer, at)
	if x == nil || load == nil {
		return nil, nil
	}
	file := curveFile{rows: rows, cells: len(header), comma: c.Decimal == "comma", at: at}
	out := &flexure.Curve{Axis: x.axis}
	for {
		record, err := rows.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if len(out.Samples) == maxCurvePoints {
			file.add("csv-too-large", "more than %d points; thin the curve out", maxCurvePoints)
			break
		}
		if sample, ok := file.sample(record, err, x, load); ok {
			out.Samples = append(out.Samples, sample)
		}
	}
	if file.count > maxCurveFaults {
		file.faults.Add(at, "csv-more", "and %s more", counted(file.count-maxCurveFaults, "bad row"))
	}
	r.faults.Append(file.faults.All()...)
	if file.count > 0 {
		return nil, passed
	}
	return out, passed
}

func delimiter(text string) rune {
	header, _, _ := strings.Cut(text, "\n")
	for _, d := range ";\t" {
		if strings.ContainsRune(header, d) {
			return d
		}
	}
	return ','
}

// curveHeader finds the columns. Of a deflection and an opening the preferred one
// is read.
func (r *reader) curveHeader(header []string, prefer flexure.Axis, at fault.Path) (x, load *curveColumn, passed []string) {
	before := r.faults.Len()
	found := map[string]*curveColumn{}
	for place, cell := range header {
		name, code, _ := strings.Cut(strings.TrimSpace(cell), "_")
		name = strings.ToLower(name)
		kind := unit.Length
		switch name {
		case loadColumn:
			kind = unit.Force
		case string(flexure.NetDeflection), string(flexure.CMOD):
		default:
			passed = append(passed, short(strings.TrimSpace(cell)))
			continue
		}
		u, known := unit.Lookup(code)
		switch {
		case !known || u.Kind != kind:
			r.faults.Add(at, "csv-header", "line 1: the column %q names no unit of %s; write it like %s_%s; accepted: %s", short(cell), kind, name, unit.Accepted(kind)[0], strings.Join(unit.Accepted(kind), ", "))
		case found[name] != nil:
			r.faults.Add(at, "csv-header", "line 1: the column %s stands twice", name)
		}
		found[name] = &curveColumn{axis: flexure.Axis(name), unit: u, place: place}
	}
	load = found[loadColumn]
	other := flexure.NetDeflection
	if prefer == flexure.NetDeflection {
		other = flexure.CMOD
	}
	if x = found[string(prefer)]; x == nil {
		x = found[string(other)]
	}
	if r.faults.Len() == before && (x == nil || load == nil) {
		r.faults.Add(at, "csv-header", "line 1: needed are a column deflection_mm or cmod_mm and a column load_kN, in these or other units, separated by comma, semicolon or tab; found: %s", short(strings.Join(header, " | ")))
	}
	if r.faults.Len() > before {
		return nil, nil, nil
	}
	return x, load, passed
}

// curveFile is the body of a CSV while it is read.
type curveFile struct {
	rows   *csv.Reader
	cells  int
	comma  bool
	at     fault.Path
	faults fault.List
	count  int
}

func (f *curveFile) add(code, format string, args ...any) {
	if f.count++; f.count <= maxCurveFaults {
		f.faults.Add(f.at, code, format, args...)
	}
}

// sample reads one row; rows of empty cells are passed over.
func (f *curveFile) sample(record []string, err error, x, load *curveColumn) (flexure.Sample, bool) {
	if err != nil {
		line := 0
		var wrong *csv.ParseError
		if errors.As(err, &wrong) {
			line = wrong.StartLine
		}
		f.add("csv-quote", "line %d: a double quote opens or closes in the wrong place", line)
		return flexure.Sample{}, false
	}
	if !slices.ContainsFunc(record, func(cell string) bool { return strings.TrimSpace(cell) != "" }) {
		return flexure.Sample{}, false
	}
	line, _ := f.rows.FieldPos(0)
	if len(record) != f.cells {
		hint := ""
		if len(record) > f.cells && f.rows.Comma == ',' {
			hint = "; a decimal comma needs another delimiter, or quotes around the number"
		}
		f.add("csv-field-count", "line %d: %s; the header has %d%s", line, counted(len(record), "cell"), f.cells, hint)
		return flexure.Sample{}, false
	}
	mm, wrongX := f.number(record[x.place], x.unit)
	kn, wrongLoad := f.number(record[load.place], load.unit)
	cellX, cellLoad := short(record[x.place]), short(record[load.place])
	switch {
	case wrongX != "" && wrongX == wrongLoad:
		f.add("decimal-invalid", "line %d: %q and %q: %s", line, cellX, cellLoad, wrongX)
	case wrongX != "" && wrongLoad != "":
		f.add("decimal-invalid", "line %d: %q: %s; %q: %s", line, cellX, wrongX, cellLoad, wrongLoad)
	case wrongX != "":
		f.add("decimal-invalid", "line %d: %q: %s", line, cellX, wrongX)
	case wrongLoad != "":
		f.add("decimal-invalid", "line %d: %q: %s", line, cellLoad, wrongLoad)
	}
	return flexure.Sample{MM: mm.Shift(3), KN: kn.Shift(-3)}, wrongX+wrongLoad == ""
}

// number reads a cell and gives it in SI; or it tells what is wrong.
func (f *curveFile) number(cell string, u unit.Unit) (si decimal.Decimal, wrong string) {
	text := strings.TrimSpace(cell)
	if f.comma && !strings.Contains(text, ".") {
		text = strings.Replace(text, ",", ".", 1)
	} else if f.comma {
		return decimal.Zero, "a point stands in it, but the decimal comma is declared"
	}
	v, err := num.Parse(text)
	if err != nil && strings.HasPrefix(text, "-") { // machines write -0.000 around zero
		if zero, errZero := num.Parse(text[1:]); errZero == nil && zero.IsZero() {
			v, err = zero, nil
		}
	}
	if err != nil {
		hint := ""
		if !f.comma && strings.Contains(text, ",") {
			hint = `; where the comma is the decimal mark, say "decimal": "comma"`
		}
		return decimal.Zero, err.Error() + hint
	}
	return unit.Quantity{Amount: v, Unit: u}.SI(), ""
}
