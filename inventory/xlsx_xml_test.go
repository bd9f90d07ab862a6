package inventory

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/iotest"
	"unicode/utf8"
)

// tokensOfLibrary lists the tokens of a text as the standard library reads them,
// texts that stand side by side as one; false where it refuses the text or is
// asked for what a workbook does not have.
func tokensOfLibrary(text string) (list []string, ok bool) {
	d := xml.NewDecoder(strings.NewReader(text))
	depth, roots := 0, 0
	add := func(s string, chars bool) {
		if n := len(list); chars && n > 0 && strings.HasPrefix(list[n-1], "text ") {
			list[n-1] += s
			return
		} else if chars {
			s = "text " + s
		}
		list = append(list, s)
	}
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return list, roots == 1
		}
		if err != nil {
			return nil, false
		}
		switch e := token.(type) {
		case xml.StartElement:
			if depth++; depth == 1 {
				roots++
			}
			s := "<" + e.Name.Local
			for _, a := range e.Attr {
				s += fmt.Sprintf(" %s=%q", a.Name.Local, a.Value)
			}
			add(s, false)
			if depth > maxDepth {
				return nil, false
			}
		case xml.EndElement:
			depth--
			add(">"+e.Name.Local, false)
		case xml.CharData:
			if depth > 0 {
				add(string(e), true)
			} else if strings.TrimSpace(strings.TrimPrefix(string(e), byteOrderMark)) != "" {
				return nil, false
			}
		case xml.Directive:
			return nil, false
		}
	}
}

// tokens lists the same by our own reader.
func tokens(r io.Reader) (list []string, ok bool) {
	x := newXMLReader(r)
	for {
		token, err := x.next()
		switch {
		case errors.Is(err, io.EOF):
			return list, true
		case err != nil:
			return nil, false
		case token == xmlEnd:
			list = append(list, ">"+string(x.name))
		case token == xmlStart:
			s := "<" + string(x.name)
			for _, a := range x.attrs {
				s += fmt.Sprintf(" %s=%q", a.name, a.value)
			}
			list = append(list, s)
		case len(x.chars) == 0:
		case len(list) > 0 && strings.HasPrefix(list[len(list)-1], "text "):
			list[len(list)-1] += string(x.chars)
		default:
			list = append(list, "text "+string(x.chars))
		}
	}
}

var xmlSamples = []string{
	`<a/>`, `<a></a>`, "\ufeff<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<a b='1' c=\"2\">t</a>\n", `<x:a x:b="1"><x:c/></x:a>`,
	`<a b="&lt;&#65;&#x1F600;&quot;'">&amp;&gt;&apos;</a>`, "<a>1\r\n2\r3</a>", `<a><![CDATA[<b>&amp;]]>]]&gt;</a>`, `<a><!-- b -- ></a>`, `<a><!-- b --></a>`,
	`<a><b></a></b>`, `<a>`, `</a>`, `<a/><a/>`, ``, ` `, `text`, `<a>text`, `<a b>`, `<a b=1/>`, `<a b="1"c="2"/>`, `<a b="1" >x</a >`, `<a b = "1"/>`, `< a/>`, `<a><?pi x?></a>`, `<!DOCTYPE a><a/>`,
	`<a>&b;</a>`, `<a>&</a>`, `<a>&#0;</a>`, `<a b="x>y"/>`, `<a b="<"/>`, `<a b='"'/>`, `<?xml version="1.0" encoding="utf-16"?><a/>`, `<a` + strings.Repeat(" ", 70_000) + `/>`,
	`<a>` + strings.Repeat("x", 70_000) + `&lt;</a>`, strings.Repeat("<a>", 64) + strings.Repeat("</a>", 64), strings.Repeat("<a>", 65) + strings.Repeat("</a>", 65),
	`<a b=">" c='>'><d e="/"/></a>`, `<a/>x`, `x<a/>`, `<a><b/ ></a>`, `<a ="1"/>`, `<a/b="1"/>`, `<a>]]></a>`,
}

// What the standard library reads is read alike, and what it refuses is refused,
// but that ours accepts a little more where it cannot matter to a workbook.
func FuzzXML(f *testing.F) {
	for _, s := range xmlSamples {
		if len(s) < 1000 { // long ones only slow it down
			f.Add(s)
		}
	}
	f.Fuzz(func(t *testing.T, text string) {
		ours, ok := tokens(strings.NewReader(text))
		slowly, okSlowly := tokens(iotest.OneByteReader(strings.NewReader(text)))
		if ok != okSlowly || fmt.Sprint(ours) != fmt.Sprint(slowly) {
			t.Fatalf("%q read byte by byte is %q (%v), at once %q (%v)", text, slowly, okSlowly, ours, ok)
		}
		want, accepted := tokensOfLibrary(text)
		if accepted && ok && fmt.Sprintf("%q", want) != fmt.Sprintf("%q", ours) {
			t.Errorf("%q is %q, the library says %q", text, ours, want)
		}
		// An encoding is looked for more strictly: the library overlooks one that is
		// said in a declaration which is itself no XML.
		if accepted && !ok && utf8.ValidString(text) && !strings.Contains(strings.ToLower(text), "encoding") {
			t.Errorf("%q is refused, the library says %q", text, want)
		}
	})
}

// Where the two differ is known.
func TestXMLIsAsStrict(t *testing.T) {
	lenient := map[string]bool{ // that XML forbids, and that reads as nothing else
		`<a><!-- b -- ></a>`: false,
		`<a>]]></a>`:         true,
		`<a>&#0;</a>`:        true, // refused later, as a control character
		`<a b="<"/>`:         false,
	}
	for _, s := range xmlSamples {
		_, accepted := tokensOfLibrary(s)
		_, ok := tokens(strings.NewReader(s))
		if want, differs := lenient[s]; differs {
			accepted = want
		}
		if ok != accepted {
			t.Errorf("%.80q: accepted %v, want %v", s, ok, accepted)
		}
	}
}
