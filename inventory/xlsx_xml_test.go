package inventory

import (
	"errors"
	"io"
	"strings"
	"testing"
	"testing/iotest"
)

func readAllXML(r io.Reader) error {
	x := newXMLReader(r)
	for {
		if _, err := x.next(); errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return err
		}
	}
}

// What no spreadsheet program writes is refused, and so is what ends too soon; what
// one writes is read in whatever pieces it arrives.
func TestXMLOfAPart(t *testing.T) {
	for name, text := range map[string]string{
		"plain":          `<a><b c="1">x</b></a>`,
		"with a mark":    "\ufeff<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<a/>\n",
		"with a comment": `<!-- x --><a><!-- y --></a>`,
		"with CDATA":     `<a><![CDATA[<&]]></a>`,
		"with prefixes":  `<x:a xmlns:x="u"><x:b/></x:a>`,
	} {
		if err := readAllXML(iotest.OneByteReader(strings.NewReader(text))); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	for name, text := range map[string]string{
		"nothing":           "",
		"no element":        "  ",
		"a document type":   `<!DOCTYPE a><a/>`,
		"an entity":         `<!DOCTYPE a [<!ENTITY e SYSTEM "file:///etc/hostname">]><a>&e;</a>`,
		"an unknown entity": `<a>&e;</a>`,
		"two roots":         `<a/><b/>`,
		"text outside":      `<a/>x`,
		"an end missing":    `<a><b></b>`,
		"an end too many":   `<a></a></b>`,
		"crossed":           `<a><b></a></b>`,
		"cut off in a tag":  `<a><b c="`,
		"another encoding":  `<?xml version="1.0" encoding="ISO-8859-1"?><a/>`,
		"no UTF-8":          "<a>\xff</a>",
		"too deep":          strings.Repeat("<a>", maxDepth+1) + strings.Repeat("</a>", maxDepth+1),
		"a tag without end": `<a b="` + strings.Repeat("x", 2*maxTag),
		"a text too long":   "<a>" + strings.Repeat("x", 2*maxTag) + "</a>",
	} {
		if err := readAllXML(strings.NewReader(text)); err == nil {
			t.Errorf("%s is read", name)
		}
	}
}
