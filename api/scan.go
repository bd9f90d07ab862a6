package api

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/go-json-experiment/json/jsontext"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/service"
)

// Limits of a JSON body, checked while it is read and before anything else
// looks at it.
const (
	maxDepth       = 32
	maxMembers     = 5000 // of all objects together, and entries of all lists; how many a list may have, its schema says
	maxStringBytes = 4096
	maxNumberBytes = 32
)

// notWhole stands for a number that is not written as a short whole number. No
// schema of the contract takes it.
const notWhole = 0.5

// scan reads strict JSON (RFC 8259, RFC 7493: no duplicate names, valid UTF-8,
// nothing behind the value) into nil, bool, float64, string, []any and
// map[string]any. It is the only reader of a body before the engine's own, which
// is the same library. Numbers are whole in this contract; any other is read as
// notWhole and never converted.
//
// The error, a *service.Error, is for what is not such JSON or exceeds a limit.
// Faults are for what was read but cannot be accepted. A member named in lines
// holds a text of lines, of up to so many bytes.
func scan(body []byte, lines map[string]int) (any, []fault.Fault, error) {
	if !utf8.Valid(body) {
		return nil, nil, malformed("", "invalid-utf8", "the text is not valid UTF-8")
	}
	s := scanner{decoder: jsontext.NewDecoder(bytes.NewBuffer(body)), body: body, lines: lines}
	value, err := s.value()
	if err != nil {
		return nil, nil, err
	}
	if _, err := s.decoder.ReadToken(); !errors.Is(err, io.EOF) {
		return nil, nil, malformed("", "trailing-data", "something stands behind the end of the JSON value, at byte %d", s.decoder.InputOffset())
	}
	return value, s.faults.All(), nil
}

type scanner struct {
	decoder *jsontext.Decoder
	body    []byte
	members int
	lines   map[string]int
	ofLines int // of the value that comes next: its limit in bytes, where it is a text of lines
	faults  fault.List
}

func (s *scanner) value() (any, error) {
	ofLines := s.ofLines
	s.ofLines = 0
	switch s.decoder.PeekKind() {
	case '{':
		return s.object()
	case '[':
		return s.array()
	case '0':
		return s.number()
	}
	token, err := s.decoder.ReadToken()
	if err != nil {
		return nil, s.syntax(err)
	}
	switch token.Kind() {
	case 'n':
		return nil, nil
	case 't', 'f':
		return token.Bool(), nil
	}
	text := token.String()
	if most := max(maxStringBytes, ofLines); len(text) > most {
		return nil, s.malformed("string-too-long", "a text of %d bytes; at most %d", len(text), most)
	}
	unseen := inventory.Unseen
	if ofLines > 0 {
		text = strings.TrimPrefix(text, "\ufeff") // of the file, before its first line
		unseen = func(r rune) bool { return inventory.Unseen(r) && r != '\n' && r != '\r' && r != '\t' && r != '\ufeff' }
	}
	if strings.ContainsFunc(text, unseen) {
		s.faults.Add(clip(s.here()), "control-character", "the text has a control character or a mark that turns the direction of writing; use plain text")
	}
	return text, nil
}

func (s *scanner) object() (any, error) {
	if err := s.enter(); err != nil {
		return nil, err
	}
	object := map[string]any{}
	for s.decoder.PeekKind() != '}' {
		name, err := s.decoder.ReadToken()
		if err != nil {
			return nil, s.syntax(err)
		}
		key := name.String()
		if len(key) > maxStringBytes {
			return nil, s.malformed("string-too-long", "a name of %d bytes; at most %d", len(key), maxStringBytes)
		}
		if strings.ContainsFunc(key, inventory.Unseen) {
			return nil, s.malformed("control-character", "a name has a control character or a mark that turns the direction of writing")
		}
		if err := s.count(); err != nil {
			return nil, err
		}
		s.ofLines = s.lines[key]
		if object[key], err = s.value(); err != nil {
			return nil, err
		}
	}
	if _, err := s.decoder.ReadToken(); err != nil {
		return nil, s.syntax(err)
	}
	return object, nil
}

func (s *scanner) array() (any, error) {
	if err := s.enter(); err != nil {
		return nil, err
	}
	array := []any{}
	for s.decoder.PeekKind() != ']' {
		if err := s.count(); err != nil {
			return nil, err
		}
		entry, err := s.value()
		if err != nil {
			return nil, err
		}
		array = append(array, entry)
	}
	if _, err := s.decoder.ReadToken(); err != nil {
		return nil, s.syntax(err)
	}
	return array, nil
}

// enter reads the opening bracket.
func (s *scanner) enter() error {
	if _, err := s.decoder.ReadToken(); err != nil {
		return s.syntax(err)
	}
	if s.decoder.StackDepth() > maxDepth {
		return s.malformed("too-deep", "objects and lists are nested more than %d deep", maxDepth)
	}
	return nil
}

func (s *scanner) count() error {
	s.members++
	if s.members > maxMembers {
		return s.malformed("too-many-members", "more than %d members and entries in all", maxMembers)
	}
	return nil
}

func (s *scanner) number() (any, error) {
	text, err := s.decoder.ReadValue()
	if err != nil {
		return nil, s.syntax(err)
	}
	if len(text) > maxNumberBytes {
		s.faults.Add(clip(s.here()), "decimal-out-of-range", "a number of %d characters; at most %d", len(text), maxNumberBytes)
		return notWhole, nil
	}
	if strings.ContainsAny(string(text), ".eE") || string(text) == "-0" {
		return notWhole, nil
	}
	n, err := strconv.ParseInt(string(text), 10, 64)
	if err != nil && !errors.Is(err, strconv.ErrRange) {
		return notWhole, nil
	}
	return float64(n), nil // the nearest int64 where out of range: beyond the bounds of every member
}

func (s *scanner) here() fault.Path { return fault.Path(s.decoder.StackPointer()) }

// syntax words an error of the reader, of which only the place is used.
func (s *scanner) syntax(err error) error {
	var wrong *jsontext.SyntacticError
	switch {
	case !errors.As(err, &wrong):
		return malformed(clip(s.here()), "truncated", "the JSON text ends before its value does")
	case errors.Is(err, jsontext.ErrDuplicateName):
		return malformed(clip(fault.Path(wrong.JSONPointer)), "duplicate-member", "the member stands twice in one object")
	case errors.Is(err, io.ErrUnexpectedEOF):
		return malformed(clip(fault.Path(wrong.JSONPointer)), "truncated", "the JSON text ends before its value does")
	}
	offset := min(int(wrong.ByteOffset), len(s.body))
	before := s.body[:offset]
	line := bytes.Count(before, []byte{'\n'}) + 1
	column := offset - bytes.LastIndexByte(before, '\n')
	return malformed(clip(fault.Path(wrong.JSONPointer)), "syntax", "this is not JSON, at line %d, byte %d of that line", line, column)
}

func (s *scanner) malformed(code, format string, args ...any) error {
	return malformed(clip(s.here()), code, format, args...)
}

func malformed(at fault.Path, code, format string, args ...any) error {
	detail := fmt.Sprintf(format, args...)
	return &service.Error{Code: service.Malformed, Detail: "The body cannot be read as JSON: " + detail + ".",
		Faults: []fault.Fault{{Pointer: at, Code: code, Detail: detail}}}
}
