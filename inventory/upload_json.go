package inventory

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"slabledger/lca/num"
)

// lenient reads past what strict refuses, so that one bad entry does not hide
// those after it; each entry is then read strictly by itself.
var lenient = json.JoinOptions(jsontext.AllowDuplicateNames(true), jsontext.AllowInvalidUTF8(true))

// readJSON takes in {"meta": …, "items": […]} entry by entry. complete tells whether
// the items are worth validating.
func (u *upload) readJSON(r *bufio.Reader) (complete bool, err error) {
	if mark, err := r.Peek(len(byteOrderMark)); err == nil && string(mark) == byteOrderMark {
		if _, err := r.Discard(len(mark)); err != nil {
			return false, err
		}
	}
	limited := &io.LimitedReader{R: r, N: MaxFileBytes + 1}
	d := jsontext.NewDecoder(limited, lenient)
	err = u.readDocument(d)
	var wrong *jsontext.SyntacticError
	switch {
	case err == nil:
		return true, nil
	case limited.N <= 0:
		u.add(len(u.items), "", ProblemTooLarge, "", fmt.Sprintf("a file has at most %d bytes", MaxFileBytes))
	case errors.Is(err, errMember):
	case errors.As(err, &wrong), errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		u.add(len(u.items)+1, "", ProblemDamaged, "", fmt.Sprintf("what stands here, about byte %d of the file, is not JSON; nothing after it was read", d.InputOffset()))
	default:
		return false, err // the reader's own
	}
	return false, nil
}

// errMember ends the reading of a document that is JSON, but not of items; what is
// wrong is reported.
var errMember = errors.New("not the members of a file of items")

func (u *upload) readDocument(d *jsontext.Decoder) error {
	const shape = `the file is {"meta": {…}, "items": […]}`
	fail := func(name, detail string) error {
		u.add(0, name, ProblemMember, "", detail)
		return errMember
	}
	if kind := d.PeekKind(); kind != '{' && kind != 0 {
		return fail("", shape)
	}
	if _, err := d.ReadToken(); err != nil {
		return err
	}
	seen := map[string]bool{}
	for d.PeekKind() == '"' {
		token, err := d.ReadToken()
		if err != nil {
			return err
		}
		name := token.String()
		if seen[name] {
			return fail("/"+shown(name), "the member stands twice")
		}
		seen[name] = true
		switch name {
		case "meta":
			err = u.readMetaMember(d)
		case "items":
			if kind := d.PeekKind(); kind != '[' && kind != 0 {
				return fail("/items", "a list of items")
			}
			err = u.readEntries(d)
		case "slug", "number", "hash", "withheld": // what an export says of itself
			err = d.SkipValue()
		default:
			return fail("/"+shown(name), "unknown member; "+shape)
		}
		if err != nil {
			return err
		}
	}
	if _, err := d.ReadToken(); err != nil { // the end of the object
		return err
	}
	if !seen["items"] {
		return fail("/items", "the member is required; "+shape)
	}
	if _, err := d.ReadToken(); !errors.Is(err, io.EOF) {
		return fail("", "the file goes on after its end")
	}
	return nil
}

// readMetaMember reads what the file says of the inventory. It counts where the
// options say nothing.
func (u *upload) readMetaMember(d *jsontext.Decoder) error {
	value, err := d.ReadValue()
	if err != nil {
		return err
	}
	var m Meta
	if err := json.Unmarshal(value, &m, strict); err != nil {
		member, code, detail := memberFault(err)
		u.add(0, "/meta"+member, code, memberAt(value, member), detail)
	}
	if u.options.Meta == (Meta{}) {
		u.meta = m
	}
	return nil
}

func (u *upload) readEntries(d *jsontext.Decoder) error {
	if _, err := d.ReadToken(); err != nil {
		return err
	}
	for entry := 1; d.PeekKind() != ']'; entry++ {
		value, err := d.ReadValue()
		if err != nil {
			return err
		}
		if !u.room(entry) {
			return errMember
		}
		u.readEntry(entry, value)
		u.expectRest(d.InputOffset())
	}
	_, err := d.ReadToken()
	return err
}

func (u *upload) readEntry(entry int, value jsontext.Value) {
	var item Item
	errorsBefore, notesBefore := len(u.form), len(u.notes.list)
	if err := item.UnmarshalJSON(value); err != nil {
		var named struct {
			Code string `json:"code"`
		}
		// Where the code cannot be read there is none; the entry is reported anyway.
		_ = json.Unmarshal(value, &named, lenient)
		item = Item{Code: named.Code}
		member, code, detail := memberFault(err)
		u.add(entry, member, code, memberAt(value, member), detail)
		u.spoil(len(u.items), wholeRow)
	} else {
		u.share(&item)
		if code, detail := u.readUnit(&item, entry, item.Unit); code != "" && item.Unit != "" {
			u.add(entry, unitColumn, code, item.Unit, detail)
			u.spoil(len(u.items), columnIndex(unitColumn))
		}
	}
	u.nameItem(errorsBefore, notesBefore, item.Code)
	u.append(entry, item)
}

// share keeps the texts of an item once where they recur.
func (u *upload) share(item *Item) {
	for _, c := range columns {
		if c.Kind != TextColumn {
			continue
		}
		if err := c.Set(item, u.keep(c.Kind, c.Text(item))); err != nil {
			panic("inventory: column " + c.Name + " refuses its own text: " + err.Error())
		}
	}
}

// memberAt is the value of a member by its JSON Pointer, as it stands.
func memberAt(value jsontext.Value, pointer string) string {
	d := jsontext.NewDecoder(bytes.NewReader(value), lenient)
	for pointer != "" {
		token, err := d.ReadToken()
		if err != nil {
			break
		}
		if string(d.StackPointer()) != pointer {
			continue
		}
		if kind, length := d.StackIndex(d.StackDepth()); kind != '{' || length%2 == 0 {
			return token.String() // an element of a list
		}
		found, err := d.ReadValue()
		if err != nil {
			break
		}
		return string(found)
	}
	return ""
}

// memberFault says which member of an entry is wrong, as a JSON Pointer, and what
// is wrong with it. It is never the text of a library, which may quote the whole
// input.
func memberFault(err error) (member, code, detail string) {
	var value *json.SemanticError
	var syntax *jsontext.SyntacticError
	switch {
	case errors.As(err, &value):
		member = string(value.JSONPointer)
		switch {
		case errors.Is(value.Err, json.ErrUnknownName):
			return member, ProblemMember, "unknown member"
		case errors.Is(value.Err, num.ErrSyntax), errors.Is(value.Err, num.ErrRange):
			return member, ProblemNumber, value.Err.Error()
		case errors.Is(value.Err, strconv.ErrSyntax), errors.Is(value.Err, strconv.ErrRange):
			return member, ProblemMember, "a whole number"
		case value.Err != nil:
			return member, ProblemMember, value.Err.Error() // of decimalText
		}
		return member, ProblemMember, fmt.Sprintf("a JSON %s is not accepted here", value.JSONKind)
	case errors.As(err, &syntax):
		if errors.Is(err, jsontext.ErrDuplicateName) {
			return string(syntax.JSONPointer), ProblemMember, "the member stands twice"
		}
		return string(syntax.JSONPointer), ProblemEncoding, "the file is UTF-8"
	}
	return "", ProblemMember, err.Error() // of Item.UnmarshalJSON
}
