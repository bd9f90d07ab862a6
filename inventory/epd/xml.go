package epd

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
)

// prefixes maps the namespaces that are read to the prefixes that paths show.
// The extensions of 2019 are known under two names.
var prefixes = map[string]string{
	processSpace:                           "",
	"http://lca.jrc.it/ILCD/Common":        "common:",
	"http://www.iai.kit.edu/EPD/2013":      "epd:",
	"http://www.iai.kit.edu/EPD/2019":      "epd:",
	"http://www.indata.network/EPD/2019":   "epd:",
	"http://www.w3.org/XML/1998/namespace": "xml:",
}

const processSpace = "http://lca.jrc.it/ILCD/Process"

var (
	errCharset = errors.New("a character encoding other than UTF-8")
	errToken   = errors.New("a tag, text or comment that is too long")
)

// tokenReader hands bytes to the XML decoder and refuses to go on within one
// token for ever: the decoder holds all attributes of a tag before anyone can
// count them.
type tokenReader struct {
	bytes.Reader
	used int
}

func (r *tokenReader) ReadByte() (byte, error) {
	if r.used++; r.used > MaxTokenBytes {
		return 0, errToken
	}
	return r.Reader.ReadByte()
}

// parseXML reads the elements of the known namespaces into nodes; what stands
// in another one is passed over. It returns nil where it has added a fault.
func parseXML(body []byte, f *faults) *node {
	source := &tokenReader{}
	source.Reset(body)
	d := xml.NewDecoder(source)
	charset := ""
	d.CharsetReader = func(label string, _ io.Reader) (io.Reader, error) {
		charset = label
		return nil, errCharset
	}
	p := xmlParser{faults: f}
	for {
		token, err := d.Token()
		source.used = 0
		var syntax *xml.SyntaxError
		switch {
		case errors.Is(err, io.EOF):
			if p.root == nil && !p.failed {
				p.fail(FaultSyntax, "there is no element; accepted: processDataSet of %s", processSpace)
			}
		case charset != "":
			p.fail(FaultEncoding, "the XML declares encoding %q; accepted: UTF-8", shown(charset))
		case errors.Is(err, errToken):
			p.fail(FaultTooLarge, "a tag, text or comment of more than %d bytes", MaxTokenBytes)
		case errors.As(err, &syntax):
			p.fail(FaultSyntax, "not well-formed XML, line %d: %s; the only entities are &amp; &lt; &gt; &quot; &apos; and character references",
				syntax.Line, shown(syntax.Msg))
		case err != nil:
			p.fail(FaultSyntax, "not well-formed XML 1.0: %s", shown(err.Error()))
		default:
			p.take(token)
		}
		switch {
		case p.failed:
			return nil
		case err != nil:
			return p.root
		}
	}
}

type xmlParser struct {
	faults *faults
	failed bool
	root   *node
	open   []openElement
	nodes  int
}

// openElement is an element whose end has not come; node is nil where it is of
// no known namespace or stands inside such an element.
type openElement struct {
	*node
	text []byte
}

func (p *xmlParser) fail(code, format string, args ...any) {
	p.failed = true
	p.faults.add(p.current().path(), code, format, args...)
}

func (p *xmlParser) current() *node {
	if len(p.open) == 0 {
		return nil
	}
	return p.open[len(p.open)-1].node
}

func (p *xmlParser) take(token xml.Token) {
	switch t := token.(type) {
	case xml.Directive:
		p.fail(FaultDTD, "a document type declaration (<!DOCTYPE …>) is not accepted: the format has none, and nothing is fetched or expanded")
	case xml.StartElement:
		p.start(t)
	case xml.CharData:
		switch {
		case p.current() != nil:
			e := &p.open[len(p.open)-1]
			e.text = append(e.text, t...)
		case len(p.open) == 0 && len(bytes.TrimSpace(t)) > 0:
			p.fail(FaultSyntax, "text stands outside the root element")
		}
	case xml.EndElement:
		p.end()
	}
}

func (p *xmlParser) start(t xml.StartElement) {
	p.nodes += 1 + len(t.Attr)
	parent := p.current()
	switch {
	case len(p.open) == MaxDepth:
		p.fail(FaultTooLarge, "more than %d elements inside each other", MaxDepth)
	case len(t.Attr) > MaxAttributes:
		p.fail(FaultTooLarge, "an element with %d attributes; at most %d", len(t.Attr), MaxAttributes)
	case p.nodes > MaxNodes:
		p.fail(FaultTooLarge, "more than %d elements and attributes", MaxNodes)
	case len(p.open) == 0 && p.root != nil:
		p.fail(FaultSyntax, "a second root element, %s", shown(t.Name.Local))
	case len(p.open) == 0 && (t.Name != xml.Name{Space: processSpace, Local: "processDataSet"}):
		p.fail(FaultRoot, "the root element is %s of namespace %q; accepted: processDataSet of %s",
			shown(t.Name.Local), shown(t.Name.Space), processSpace)
	}
	if p.failed {
		return
	}
	n := child(parent, t.Name)
	if len(p.open) == 0 {
		n = &node{name: t.Name.Local, step: "/" + t.Name.Local}
		p.root = n
	}
	p.open = append(p.open, openElement{node: n})
	for i, a := range t.Attr {
		if slices.ContainsFunc(t.Attr[:i], func(b xml.Attr) bool { return a.Name == b.Name }) {
			p.fail(FaultSyntax, "the attribute %s stands twice", shown(a.Name.Local))
			return
		}
		_, known := prefixes[a.Name.Space]
		if n == nil || !known && a.Name.Space != "" || a.Name.Local == "xmlns" {
			continue
		}
		n.kids = append(n.kids, &node{name: a.Name.Local, step: "/@" + prefixes[a.Name.Space] + a.Name.Local,
			text: strings.TrimSpace(a.Value), parent: n})
	}
}

// child makes a node inside parent, nil where it is not of interest.
func child(parent *node, name xml.Name) *node {
	prefix, known := prefixes[name.Space]
	if parent == nil || !known {
		return nil
	}
	n := &node{name: name.Local, step: "/" + prefix + shown(name.Local), parent: parent}
	parent.kids = append(parent.kids, n)
	return n
}

// end closes an element. Only now is it known which of its children have
// siblings of the same name and need a number in their paths.
func (p *xmlParser) end() {
	last := len(p.open) - 1
	n := p.open[last].node
	if n != nil {
		n.text = string(bytes.TrimSpace(p.open[last].text))
		count := map[string]int{}
		for _, k := range n.kids {
			count[k.step]++
		}
		index := map[string]int{}
		for _, k := range n.kids {
			if step := k.step; count[step] > 1 {
				index[step]++
				k.step = fmt.Sprintf("%s[%d]", step, index[step])
			}
		}
	}
	p.open = p.open[:last]
}
