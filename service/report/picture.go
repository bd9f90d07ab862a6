package report

import (
	"cmp"
	_ "embed"
	"fmt"
	"html/template"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"github.com/shopspring/decimal"
	"golang.org/x/text/unicode/bidi"

	"slabledger/lca/num"
)

// Picture is a drawing with what it shows in words and as a table. Where there is nothing
// to draw it has no SVG, and its description says why.
type Picture struct {
	ID          string        // unique on a page; every id inside the SVG begins with it
	Title       string        // what is drawn, without a full stop
	Description string        // the finding in words, with figures and units
	SVG         template.HTML // loads nothing, has no style and no script
	Table       PictureTable  // the data drawn, and those that had no room
}

// PictureTable is the data of a picture.
type PictureTable struct {
	Caption string
	Columns []PictureColumn
	Rows    [][]string // as long as Columns
}

// PictureColumn is one column of the data.
type PictureColumn struct {
	Head    string
	Unit    string // empty where the column has none
	Numeric bool
}

//go:embed picture.svg.html
var pictureText string

var pictureTemplates = template.Must(template.New("picture").Parse(pictureText))

// PictureStyle is the CSS that figures need, for a style sheet of the page's own origin.
// On a narrow screen a picture keeps its size, so that its text stays readable, and is
// scrolled by itself.
//
//go:embed picture.css
var PictureStyle string

// Figure is the picture as an HTML figure: drawing, caption, and the data to unfold.
func (p Picture) Figure() (template.HTML, error) { return executed("figure", p) }

func executed(name string, data any) (template.HTML, error) {
	var b strings.Builder
	if err := pictureTemplates.ExecuteTemplate(&b, name, data); err != nil {
		return "", fmt.Errorf("drawing %s: %w", name, err)
	}
	return template.HTML(b.String()), nil //nolint:gosec // html/template escaped it
}

// px is a length in the drawing, in tenths of its unit. Coordinates are whole numbers of
// tenths, so that the bytes are the same on every machine.
type px int

// String writes the length in units: "12.3".
func (p px) String() string {
	sign := ""
	if p < 0 {
		sign, p = "-", -p
	}
	if p%10 == 0 {
		return sign + strconv.Itoa(int(p/10))
	}
	return sign + strconv.Itoa(int(p/10)) + "." + strconv.Itoa(int(p%10))
}

// Measures of every drawing. At the full width of an A4 page of 170 mm, or of 640 CSS
// pixels, text is 14 CSS pixels high; PictureStyle lets no picture be so narrow that it
// is below 12.
const (
	unit       px = 10
	fullWidth  px = 640 * unit
	textSize   px = 14 * unit
	lineHeight px = 18 * unit
	inset      px = 8 * unit
)

// mark is one shape or text of a drawing.
type mark struct {
	Kind  string // text, rect, line (from X, Y to W, H), path, circle (of radius W)
	Class string
	X, Y  px
	W, H  px
	D     string // of a path
	Fill  string
	Text  string // of a text; of a shape what it stands for, shown by browsers under the pointer

	Stroke, Thick, Dash string
	Anchor, Weight      string // of a text
}

// pattern is a fill.
type pattern struct{ ID, Colour, Lines, Ink string }

// drawing is a picture while it is drawn.
type drawing struct {
	Picture
	W, H     px
	Patterns []pattern
	Marks    []mark
}

// The colours of M. Okabe and K. Ito, Color Universal Design (2008), which people with
// the common kinds of colour blindness tell apart, each with lines of its own for print
// without colour: black on the light ones, white on the dark. The lighter ones contrast
// less than 3:1 with white (WCAG 2.1, 1.4.11), so every shape has an outline in the
// colour of the text. The last, a grey, is not theirs.
var fills = []struct{ colour, lines, ink string }{
	{"#56B4E9", "", ""},
	{"#E69F00", "M-2 2L2 -2M0 8L8 0M6 10L10 6", "#000"},
	{"#009E73", "M-2 6L2 10M0 0L8 8M6 -2L10 2", "#FFF"},
	{"#F0E442", "M1.5 2h1.5M5.5 6h1.5", "#000"},
	{"#0072B2", "M0 4H8", "#FFF"},
	{"#D55E00", "M4 0V8", "#FFF"},
	{"#CC79A7", "M0 4H8M4 0V8", "#000"},
	{"#999999", "M0 0L8 8M0 8L8 0", "#000"},
}

// dashes tell lines apart without colour.
var dashes = []string{"", "6 3", "2 3", "10 3 2 3", "12 4", "1 4", "8 3 2 3 2 3", "4 2"}

// fill is the n-th fill of the drawing, which comes again after eight.
func (d *drawing) fill(n int) string {
	n %= len(fills)
	id := d.ID + "-fill-" + strconv.Itoa(n)
	for _, p := range d.Patterns {
		if p.ID == id {
			return "url(#" + id + ")"
		}
	}
	d.Patterns = append(d.Patterns, pattern{id, fills[n].colour, fills[n].lines, fills[n].ink})
	return "url(#" + id + ")"
}

func (d *drawing) add(m mark) { d.Marks = append(d.Marks, m) }

// text writes from x on, or around or up to it.
func (d *drawing) text(x, y px, anchor, text string) {
	if anchor == "start" {
		anchor = ""
	}
	d.add(mark{Kind: "text", Class: "label", X: x, Y: y, Anchor: anchor, Text: text})
}

// rule is a thin line of the frame.
func (d *drawing) rule(x1, y1, x2, y2 px, class string) {
	m := mark{Kind: "line", Class: class, X: x1, Y: y1, W: x2, H: y2, Stroke: "currentColor", Thick: "1"}
	if class == "grid" {
		m.Thick, m.Dash = "0.5", "1 3"
	}
	d.add(m)
}

// box is a shape with a fill and an outline; from and to may come in any order.
func (d *drawing) box(class string, x1, y1, x2, y2 px, fill, said string) {
	d.add(mark{Kind: "rect", Class: class, X: min(x1, x2), Y: min(y1, y2), W: max(x1, x2) - min(x1, x2), H: max(y1, y2) - min(y1, y2),
		Fill: fill, Stroke: "currentColor", Thick: "1", Text: said})
}

// done is the picture as drawn.
func (d *drawing) done() Picture {
	d.Description = strings.ReplaceAll(d.Description, " %", "\u00a0%") // no line begins with the sign
	svg, err := executed("svg", d)
	if err != nil { // the template is ours and its data are texts and numbers
		panic(err)
	}
	d.SVG = svg
	return d.Picture
}

// scale maps figures to places.
type scale struct {
	lo, hi   decimal.Decimal
	from, to px // where lo and hi stand
	ticks    []decimal.Decimal
	places   int32 // decimals of the ticks
}

// newScale is a scale over lo to hi, both among its ticks, with about so many steps of
// 1, 2 or 5 times a power of ten (common practice, no source).
func newScale(lo, hi decimal.Decimal, from, to px, steps int64) scale {
	if lo.GreaterThan(hi) {
		lo, hi = hi, lo
	}
	if lo.Equal(hi) {
		if lo.IsZero() {
			hi = num.One
		} else {
			lo, hi = decimal.Min(lo, decimal.Zero), decimal.Max(hi, decimal.Zero)
		}
	}
	raw := num.Quotient(hi.Sub(lo), decimal.NewFromInt(steps))
	power := decimal.New(1, int32(raw.NumDigits())+raw.Exponent()-1) //nolint:gosec // a printed figure has few digits
	step := power
	for _, times := range []int64{1, 2, 5, 10} {
		if step = power.Mul(decimal.NewFromInt(times)); step.GreaterThanOrEqual(raw) {
			break
		}
	}
	s := scale{from: from, to: to, places: max(0, -power.Exponent())}
	first, last := num.Quotient(lo, step).Floor(), num.Quotient(hi, step).Ceil()
	for k := first; k.LessThanOrEqual(last); k = k.Add(num.One) {
		s.ticks = append(s.ticks, k.Mul(step))
	}
	s.lo, s.hi = s.ticks[0], s.ticks[len(s.ticks)-1]
	if step.Equal(step.Truncate(0)) {
		s.places = 0
	}
	return s
}

// at is the place of a figure, to a tenth of a unit.
func (s scale) at(v decimal.Decimal) px {
	part := num.Quotient(v.Sub(s.lo).Mul(decimal.NewFromInt(int64(s.to-s.from))), s.hi.Sub(s.lo))
	return s.from + px(part.RoundBank(0).IntPart())
}

// across draws a horizontal axis at y with its ticks below, lines up to top, and what it
// measures.
func (d *drawing) across(s scale, y, top px, name string, shown Shown) {
	d.rule(s.from, y, s.to, y, "axis")
	free := s.from - fullWidth
	for _, t := range s.ticks {
		x := s.at(t)
		label := shown.Number(t, s.places)
		d.rule(x, y, x, y+4*unit, "axis")
		if x != s.from {
			d.rule(x, top, x, y, "grid")
		}
		if half := widthOf(label) / 2; x-half >= free {
			d.text(x, y+lineHeight, "middle", label)
			free = x + half + 6*unit
		}
	}
	d.text((s.from+s.to)/2, y+2*lineHeight+2*unit, "middle", name)
}

// up draws a vertical axis at x with its ticks to the left, lines up to right, and what
// it measures above it.
func (d *drawing) up(s scale, x, right px, name string, shown Shown) {
	d.rule(x, s.from, x, s.to, "axis")
	for _, t := range s.ticks {
		y := s.at(t)
		d.rule(x-4*unit, y, x, y, "axis")
		d.rule(x, y, right, y, "grid")
		d.text(x-7*unit, y+5*unit, "end", shown.Number(t, s.places))
	}
	d.text(inset, s.to-12*unit, "start", name)
}

// room is how wide the labels of a vertical axis are.
func (s scale) room(shown Shown) px {
	widest := px(0)
	for _, t := range s.ticks {
		widest = max(widest, widthOf(shown.Number(t, s.places)))
	}
	return widest + 10*unit
}

// legend writes names with their keys, in lines, and returns where it ends.
func (d *drawing) legend(x, y, right px, names []string, key func(n int, x, y px)) px {
	at := x
	for n, name := range names {
		w := 24*unit + widthOf(name) + 14*unit
		if at > x && at+w > right {
			at, y = x, y+lineHeight+2*unit
		}
		key(n, at, y)
		d.text(at+24*unit, y+12*unit, "start", name)
		at += w
	}
	return y + lineHeight + 2*unit
}

// widthOf is about how wide a text is, rather too much than too little: a picture brings
// no font, so nobody knows. The widths are those of a wide sans-serif face (value by eye).
func widthOf(text string) px {
	w := px(0)
	for _, r := range text {
		switch {
		case unicode.Is(unicode.Mn, r) || unicode.Is(unicode.Cf, r):
		case strings.ContainsRune("iljtfr.,:;'|!()[] -’\u00a0\u202f", r):
			w += textSize * 36 / 100
		case r >= 0x1100 || strings.ContainsRune("mwMW@%…", r):
			w += textSize
		case unicode.IsUpper(r):
			w += textSize * 72 / 100
		default:
			w += textSize * 63 / 100
		}
	}
	return w
}

// fitted is a name of foreign hands that fits: printable, and with an ellipsis in its
// middle where it is too wide, as names that begin alike often end differently.
func fitted(name string, room px) string {
	name = shownName(name)
	runes := []rune(name)
	if n := len(runes); n > 2*nameLength { // no drawing has room for more
		runes = slices.Concat(runes[:nameLength], runes[n-nameLength:])
	}
	for keep := len(runes) - 1; widthOf(name) > room && keep > 1; keep-- {
		head, tail := runes[:(keep*3+4)/5], runes[len(runes)-keep*2/5:]
		for len(tail) > 0 && unicode.Is(unicode.Mn, tail[0]) { // a mark belongs to what stands before it
			tail = tail[1:]
		}
		name = strings.TrimSpace(string(head)) + "…" + strings.TrimSpace(string(tail))
	}
	return isolated(name)
}

// bold is fitted for letters that are wider.
func bold(name string, room px) string { return fitted(name, room*88/100) }

// shownName is a name without what cannot be printed; a dash where nothing is left.
func shownName(name string) string {
	if name = strings.TrimSpace(Printable(name)); name == "" {
		return Unknown
	}
	return name
}

// nameLength is how much of a name stands in a sentence, in characters.
const nameLength = 60

// named is a name within a sentence.
func named(name string) string {
	name = shownName(name)
	if runes := []rune(name); len(runes) > nameLength {
		name = strings.TrimSpace(string(runes[:nameLength*3/5])) + "…" + strings.TrimSpace(string(runes[len(runes)-nameLength*2/5:]))
	}
	return isolated(name)
}

// isolated keeps a name that is written from the right from turning what stands around
// it (Unicode Standard Annex 9, isolates).
func isolated(name string) string {
	for _, r := range name {
		if p, _ := bidi.LookupRune(r); p.Class() == bidi.R || p.Class() == bidi.AL {
			return "\u2068" + name + "\u2069"
		}
	}
	return name
}

// whole shows an amount of a data table in all the digits of the answer; on another basis
// or in other units to as many decimals.
func (s Shown) whole(d decimal.Decimal) string { return s.Plain(d.RoundBank(num.Places)) }

// full shows an amount of a data table in all the digits of the answer; converted to US
// units, in as many decimals as whole has.
func (s Shown) full(d decimal.Decimal) string {
	if s.US {
		return s.whole(d)
	}
	return s.Plain(d)
}

// counted is a count with its noun: "1 alternative", "3 alternatives".
func counted(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return strconv.Itoa(n) + " " + noun + "s"
}

// curve is a line through points.
func (d *drawing) curve(class string, xs, ys []px, dash, thick, said string) {
	var path strings.Builder
	for i := range xs {
		step := "L"
		if i == 0 {
			step = "M"
		}
		path.WriteString(step + xs[i].String() + " " + ys[i].String())
	}
	d.add(mark{Kind: "path", Class: class, D: path.String(), Fill: "none", Stroke: "currentColor", Thick: thick, Dash: dash, Text: said})
}

// label is a text at the end of a line.
type label struct {
	x, y px
	text string
}

// atEnds writes labels to the right of the ends of lines, apart from each other.
func (d *drawing) atEnds(ends []label, room px) {
	ends = slices.Clone(ends)
	slices.SortStableFunc(ends, func(a, b label) int { return cmp.Compare(a.y, b.y) })
	free := -fullWidth
	for _, e := range ends {
		y := max(e.y+5*unit, free)
		d.text(e.x+12*unit, y, "start", fitted(e.text, room-14*unit))
		free = y + 15*unit
	}
}
