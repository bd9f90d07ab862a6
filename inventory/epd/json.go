package epd

import (
	"bytes"
	"errors"
	"io"

	"github.com/go-json-experiment/json/jsontext"

	"slabledger/lca/fault"
)

// errStopped says that a fault has been added and reading is over.
var errStopped = errors.New("stopped at a fault")

// parseJSON reads a JSON data set into the nodes that its XML would give. It
// returns nil where it has added a fault. Names that stand twice, invalid UTF-8
// and text behind the value are faults.
func parseJSON(body []byte, f *faults) *node {
	p := jsonParser{decoder: jsontext.NewDecoder(bytes.NewBuffer(body)), faults: f}
	root := &node{}
	err := p.value(root, "")
	if err == nil {
		if _, err = p.decoder.ReadToken(); err == nil {
			p.fail(FaultSyntax, "something stands behind the end of the JSON object, at byte %d", p.decoder.InputOffset())
			err = errStopped
		} else if errors.Is(err, io.EOF) {
			err = nil
		}
	}
	var syntax *jsontext.SyntacticError
	switch {
	case err == nil && root.get("processInformation") == nil:
		f.add("", FaultRoot, "the object has no processInformation; accepted: a process data set of ILCD+EPD as JSON")
		return nil
	case err == nil:
		return root
	case errors.Is(err, errStopped): // said already
	case errors.As(err, &syntax) && errors.Is(err, jsontext.ErrDuplicateName):
		f.add(fault.Path(syntax.JSONPointer), FaultSyntax, "the name stands twice in one object")
	case errors.As(err, &syntax):
		f.add(fault.Path(syntax.JSONPointer), FaultSyntax, "not well-formed JSON at byte %d", syntax.ByteOffset)
	default:
		f.add("", FaultSyntax, "not well-formed JSON")
	}
	return nil
}

type jsonParser struct {
	decoder *jsontext.Decoder
	faults  *faults
	nodes   int
}

func (p *jsonParser) fail(code, format string, args ...any) {
	p.faults.add(fault.Path(p.decoder.StackPointer()), code, format, args...)
}

// value reads the next value into n; step is the path from n to the value.
func (p *jsonParser) value(n *node, step string) error {
	if p.nodes++; p.nodes > MaxNodes {
		p.fail(FaultTooLarge, "more than %d JSON values", MaxNodes)
		return errStopped
	}
	kind := p.decoder.PeekKind()
	token, err := p.decoder.ReadToken()
	if err != nil {
		return err
	}
	if p.decoder.StackDepth() > MaxDepth {
		p.fail(FaultTooLarge, "more than %d values inside each other", MaxDepth)
		return errStopped
	}
	switch kind {
	case '{':
		for p.decoder.PeekKind() != '}' {
			name, err := p.decoder.ReadToken()
			if err != nil {
				return err
			}
			if err := p.member(n, step, name.String()); err != nil {
				return err
			}
		}
		_, err = p.decoder.ReadToken()
		return err
	case '[':
		return p.list(n, step, "")
	case 'n': // as if it were not there
	default:
		n.text = string(bytes.TrimSpace([]byte(token.String())))
	}
	return nil
}

// member reads the value of a member of n.
//
//   - "value" is the text, or the content, of the element that n stands for;
//   - "anies" lists the extensions inside "other", each named by its "name"; one
//     with a "module", or without a name, is an amount;
//   - null is as if the member were not there;
//   - any other is a child, or several where the value is a list.
func (p *jsonParser) member(n *node, step, name string) error {
	step += string(fault.Path("").At(name))
	switch kind := p.decoder.PeekKind(); {
	case kind == '[':
		if _, err := p.decoder.ReadToken(); err != nil {
			return err
		}
		return p.list(n, step, name)
	case kind == 'n':
		_, err := p.decoder.ReadToken()
		return err
	case name == "value":
		return p.value(n, step)
	}
	return p.child(n, step, name)
}

// list reads the rest of a list as children of one name.
func (p *jsonParser) list(n *node, step, name string) error {
	for i := 0; p.decoder.PeekKind() != ']'; i++ {
		if err := p.child(n, step+string(fault.Path("").At(i)), name); err != nil {
			return err
		}
	}
	_, err := p.decoder.ReadToken()
	return err
}

func (p *jsonParser) child(n *node, step, name string) error {
	k := &node{name: name, step: step, parent: n}
	n.kids = append(n.kids, k)
	if err := p.value(k, ""); err != nil {
		return err
	}
	if name != "anies" {
		return nil
	}
	k.name = "amount"
	for _, own := range k.kids {
		switch own.step { // not a name inside its "value"
		case "/module":
			k.name = "amount"
			return nil
		case "/name":
			k.name = own.text
		}
	}
	return nil
}
