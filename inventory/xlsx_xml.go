package inventory

import (
	"bufio"
	"encoding/xml"
	"errors"
	"io"
	"strings"
)

// xmlReader reads the XML of one part of a workbook, token by token, with the decoder
// of the standard library, and holds it to bounds: no document type, so no entity is
// ever expanded, and no tag or text that would be gathered in memory without end.
type xmlReader struct {
	decoder *xml.Decoder
	in      *counted
	open    int        // elements
	begun   bool       // the root was
	name    string     // of the last element, without a prefix
	attrs   []xml.Attr // of the last start
	chars   []byte     // of the last text
}

// xmlToken is a kind of token.
type xmlToken int

const (
	xmlStart xmlToken = iota // an element begins: name and attrs
	xmlEnd                   // an element ends: name
	xmlText                  // chars
)

// Bounds of XML that no spreadsheet program comes near.
const (
	maxDepth = 64
	maxTag   = 512 << 10 // bytes of a tag, or of a text: a cell of MaxCellBytes, every character escaped
)

var errBroken = errors.New("not the XML of a workbook")

// counted hands on bytes until a token has taken too many.
type counted struct {
	in    *bufio.Reader
	taken int // since the last token
}

func (c *counted) ReadByte() (byte, error) {
	if c.taken++; c.taken > maxTag {
		return 0, errBroken
	}
	return c.in.ReadByte()
}

// Read serves the decoder's interface; the decoder takes bytes one by one.
func (c *counted) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	b, err := c.ReadByte()
	if err != nil {
		return 0, err
	}
	p[0] = b
	return 1, nil
}

func newXMLReader(r io.Reader) *xmlReader {
	in := &counted{in: bufio.NewReaderSize(r, buffered)}
	return &xmlReader{decoder: xml.NewDecoder(in), in: in}
}

// depth is how many elements are open.
func (x *xmlReader) depth() int { return x.open }

// next is the next token; io.EOF after the last, all elements being closed. What it
// leaves in x is valid until it is called again.
func (x *xmlReader) next() (xmlToken, error) {
	for {
		x.in.taken = 0
		token, err := x.decoder.Token()
		if errors.Is(err, io.EOF) && x.begun {
			return 0, io.EOF
		}
		if err != nil {
			return 0, errBroken
		}
		switch t := token.(type) {
		case xml.StartElement:
			if x.open == 0 && x.begun {
				return 0, errBroken // a second root
			}
			if x.open++; x.open > maxDepth {
				return 0, errBroken
			}
			x.begun, x.name, x.attrs = true, t.Name.Local, t.Attr
			return xmlStart, nil
		case xml.EndElement:
			x.open--
			x.name = t.Name.Local
			return xmlEnd, nil
		case xml.CharData:
			if x.open > 0 {
				x.chars = t
				return xmlText, nil
			}
			if strings.TrimSpace(strings.TrimPrefix(string(t), byteOrderMark)) != "" {
				return 0, errBroken
			}
		case xml.Directive:
			return 0, errBroken
		}
	}
}

// attr is an attribute of the last start, by its name without a prefix.
func (x *xmlReader) attr(name string) string {
	for _, a := range x.attrs {
		if a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}
