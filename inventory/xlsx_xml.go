package inventory

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"slices"
	"strconv"
	"unicode/utf8"
)

// xmlReader reads the XML of one part of a workbook, token by token: XML 1.0 in
// UTF-8 without a document type. It is here because the decoder of the standard
// library took four fifths of the time and of the memory that reading a workbook
// takes; a test compares the two.
type xmlReader struct {
	in    *bufio.Reader
	tag   []byte // of the last tag, between "<" and ">"
	name  []byte // of the last element, without a prefix; part of tag or of open
	attrs []xmlAttr
	chars []byte // of the last text
	open  []byte // names of the open elements, one after the other
	ends  []int  // of the names in open
	empty bool   // the last tag was <e/>: its end comes next
	begun bool   // the root was
}

type xmlAttr struct{ name, value []byte }

// xmlToken is a kind of token.
type xmlToken int

const (
	xmlStart xmlToken = iota // an element begins: name and attrs
	xmlEnd                   // an element ends: name
	xmlText                  // chars
)

// Bounds of XML that no spreadsheet program comes near, and that keep a hostile
// part from being gathered in memory.
const (
	maxDepth = 64
	maxTag   = 512 << 10 // bytes of a tag, or of a text: a cell of MaxCellBytes, every character escaped
)

var errBroken = errors.New("not the XML of a workbook")

func newXMLReader(r io.Reader) *xmlReader { return &xmlReader{in: bufio.NewReaderSize(r, buffered)} }

// depth is how many elements are open.
func (x *xmlReader) depth() int { return len(x.ends) }

// next is the next token; io.EOF after the last, all elements being closed. What it
// leaves in x is valid until it is called again.
func (x *xmlReader) next() (xmlToken, error) {
	if x.empty {
		x.empty = false
		x.pop()
		return xmlEnd, nil
	}
	for {
		c, err := x.in.ReadByte()
		switch {
		case errors.Is(err, io.EOF) && len(x.ends) == 0 && x.begun:
			return 0, io.EOF
		case err != nil:
			return 0, errBroken
		case c != '<':
			if err := x.in.UnreadByte(); err != nil {
				return 0, errBroken
			}
			if err := x.readChars(); err != nil {
				return 0, err
			}
			if len(x.ends) > 0 {
				return xmlText, nil
			}
			if outside := bytes.TrimPrefix(x.chars, []byte(byteOrderMark)); len(bytes.TrimSpace(outside)) > 0 {
				return 0, errBroken
			}
			continue
		}
		if c, err = x.in.ReadByte(); err != nil {
			return 0, errBroken
		}
		switch c {
		case '?':
			if err := x.until("?>"); err != nil {
				return 0, err
			}
			if !knownEncoding(x.tag) {
				return 0, errBroken
			}
		case '!':
			text, err := x.declaration()
			if err != nil {
				return 0, err
			}
			if text {
				return xmlText, nil
			}
		case '/':
			return xmlEnd, x.endTag()
		default:
			if err := x.in.UnreadByte(); err != nil {
				return 0, errBroken
			}
			return xmlStart, x.startTag()
		}
	}
}

// readChars reads the text up to the next tag.
func (x *xmlReader) readChars() error {
	x.chars = x.chars[:0]
	for {
		piece, err := x.in.ReadSlice('<')
		x.chars = append(x.chars, piece...)
		switch {
		case err == nil:
			x.chars = x.chars[:len(x.chars)-1]
			if err := x.in.UnreadByte(); err != nil {
				return errBroken
			}
			return x.decode(&x.chars)
		case errors.Is(err, bufio.ErrBufferFull) && len(x.chars) <= maxTag:
		case errors.Is(err, io.EOF) && len(x.ends) == 0:
			return nil
		default:
			return errBroken
		}
	}
}

// until reads into tag what stands before an ending.
func (x *xmlReader) until(ending string) error {
	x.tag = x.tag[:0]
	for {
		piece, err := x.in.ReadSlice(ending[len(ending)-1])
		x.tag = append(x.tag, piece...)
		switch {
		case err != nil && !errors.Is(err, bufio.ErrBufferFull), len(x.tag) > maxTag:
			return errBroken
		case bytes.HasSuffix(x.tag, []byte(ending)):
			x.tag = x.tag[:len(x.tag)-len(ending)]
			return nil
		}
	}
}

// declaration reads a comment, or a text in CDATA, which is told. A document type
// is refused: it may define what the text does not show.
func (x *xmlReader) declaration() (text bool, err error) {
	const comment, cdata = "--", "[CDATA["
	head, _ := x.in.Peek(len(cdata))
	switch {
	case bytes.HasPrefix(head, []byte(comment)):
		if _, err := x.in.Discard(len(comment)); err != nil {
			return false, errBroken
		}
		return false, x.until("-->")
	case string(head) == cdata && len(x.ends) > 0:
		if _, err := x.in.Discard(len(cdata)); err != nil {
			return false, errBroken
		}
		if err := x.until("]]>"); err != nil {
			return false, err
		}
		x.chars = append(x.chars[:0], x.tag...)
		return true, nil
	}
	return false, errBroken
}

// readTag reads into tag what stands before the ">" that is in no quotes.
func (x *xmlReader) readTag() error {
	x.tag = x.tag[:0]
	quote := byte(0)
	for {
		from := len(x.tag)
		piece, err := x.in.ReadSlice('>')
		x.tag = append(x.tag, piece...)
		if err != nil && !errors.Is(err, bufio.ErrBufferFull) || len(x.tag) > maxTag {
			return errBroken
		}
		for _, c := range x.tag[from:] {
			switch {
			case quote == 0 && (c == '"' || c == '\''):
				quote = c
			case c == quote:
				quote = 0
			case c == '<':
				return errBroken
			}
		}
		if err == nil && quote == 0 {
			x.tag = x.tag[:len(x.tag)-1]
			return nil
		}
	}
}

func (x *xmlReader) endTag() error {
	if err := x.readTag(); err != nil {
		return err
	}
	if len(x.ends) == 0 || !bytes.Equal(trimRight(x.tag), x.top()) {
		return errBroken
	}
	x.pop()
	return nil
}

// top is the name of the innermost open element, as it was written.
func (x *xmlReader) top() []byte {
	from := 0
	if n := len(x.ends); n > 1 {
		from = x.ends[n-2]
	}
	return x.open[from:]
}

// pop closes the innermost element, whose name stays in x.
func (x *xmlReader) pop() {
	name := x.top()
	x.name = local(name)
	x.open = x.open[:len(x.open)-len(name)]
	x.ends = x.ends[:len(x.ends)-1]
}

func (x *xmlReader) startTag() error {
	if err := x.readTag(); err != nil {
		return err
	}
	if x.begun && len(x.ends) == 0 || len(x.ends) == maxDepth {
		return errBroken // a second root, or too deep
	}
	body, empty := bytes.CutSuffix(x.tag, []byte("/"))
	end := bytes.IndexFunc(body, space)
	if end < 0 {
		end = len(body)
	}
	if end == 0 || bytes.ContainsAny(body[:end], `"'=&/`) {
		return errBroken
	}
	x.begun, x.empty, x.name = true, empty, local(body[:end])
	x.open = append(x.open, body[:end]...)
	x.ends = append(x.ends, len(x.open))
	return x.readAttrs(body[end:])
}

func (x *xmlReader) readAttrs(rest []byte) error {
	x.attrs = x.attrs[:0]
	for {
		rest = bytes.TrimLeftFunc(rest, space)
		if len(rest) == 0 {
			return nil
		}
		name, after, ok := bytes.Cut(rest, []byte("="))
		after = bytes.TrimLeftFunc(after, space)
		if name = trimRight(name); !ok || len(name) == 0 || len(after) == 0 || after[0] != '"' && after[0] != '\'' || bytes.IndexFunc(name, space) >= 0 {
			return errBroken
		}
		end := bytes.IndexByte(after[1:], after[0])
		if end < 0 {
			return errBroken
		}
		value := after[1 : 1+end : 1+end]
		if err := x.decode(&value); err != nil {
			return err
		}
		x.attrs = append(x.attrs, xmlAttr{local(name), value})
		rest = after[end+2:]
	}
}

// attr is the value of an attribute by its name without a prefix; empty where there
// is none.
func (x *xmlReader) attr(name string) string {
	at := slices.IndexFunc(x.attrs, func(a xmlAttr) bool { return string(a.name) == name })
	if at < 0 {
		return ""
	}
	return string(x.attrs[at].value)
}

// decode turns references to characters into the characters, and every end of a
// line into a line feed, in place: nothing grows by it.
func (x *xmlReader) decode(text *[]byte) error {
	all := *text
	if bytes.IndexByte(all, '&') < 0 && bytes.IndexByte(all, '\r') < 0 {
		return nil
	}
	out := all[:0]
	for at := 0; at < len(all); at++ {
		switch c := all[at]; {
		case c == '\r':
			if at+1 == len(all) || all[at+1] != '\n' {
				out = append(out, '\n')
			}
		case c != '&':
			out = append(out, c)
		default:
			const longest = 12 // &#x0010FFFF;
			end := bytes.IndexByte(all[at:min(len(all), at+longest)], ';')
			if end < 0 {
				return errBroken
			}
			r, ok := reference(all[at+1 : at+end])
			if !ok {
				return errBroken
			}
			out = utf8.AppendRune(out, r)
			at += end
		}
	}
	*text = out
	return nil
}

// reference is the character that a reference stands for.
func reference(name []byte) (rune, bool) {
	switch string(name) {
	case "lt":
		return '<', true
	case "gt":
		return '>', true
	case "amp":
		return '&', true
	case "quot":
		return '"', true
	case "apos":
		return '\'', true
	}
	digits, numeric := bytes.CutPrefix(name, []byte("#"))
	base := 10
	if hex, ok := bytes.CutPrefix(digits, []byte("x")); ok {
		digits, base = hex, 16
	}
	n, err := strconv.ParseUint(string(digits), base, 21)
	r := rune(n)
	return r, numeric && err == nil && utf8.ValidRune(r)
}

// knownEncoding tells whether an instruction, where it is that at the head of a
// file, says UTF-8 or nothing of the encoding.
func knownEncoding(instruction []byte) bool {
	if !bytes.HasPrefix(instruction, []byte("xml ")) {
		return true
	}
	_, after, said := bytes.Cut(bytes.ToLower(instruction), []byte("encoding"))
	after = bytes.TrimLeft(after, "= \t\r\n\"'")
	return !said || bytes.HasPrefix(after, []byte("utf-8")) || bytes.HasPrefix(after, []byte("us-ascii"))
}

// local is a name without its prefix; a colon at either end is no end of one.
func local(name []byte) []byte {
	if at := bytes.IndexByte(name, ':'); at > 0 && at < len(name)-1 {
		return name[at+1:]
	}
	return name
}

func space(r rune) bool { return r == ' ' || r == '\t' || r == '\n' || r == '\r' }

func trimRight(b []byte) []byte { return bytes.TrimRightFunc(b, space) }
