package pages

import (
	"regexp"
	"strings"
)

// codeWord is what may be the name of a member, a path of names or a choice of the
// contract in a text, in quotation marks or without.
var codeWord = regexp.MustCompile(`"?[a-z][a-z0-9]*(?:[_/-][a-z0-9]+)*"?`)

// inWords is what the service says of a part of the form, or of the whole, in the words of
// the form: members by their labels, and choices by what they are called.
func (f *form) inWords(n *node, text string) string {
	if text == "the member is missing" {
		return "missing; it is needed"
	}
	var said strings.Builder
	last := 0
	for _, at := range codeWord.FindAllStringIndex(text, -1) {
		said.WriteString(text[last:at[0]])
		said.WriteString(f.wordFor(n, text[at[0]:at[1]], text[:at[0]]))
		last = at[1]
	}
	return said.String() + text[last:]
}

// wordFor is what the form calls a word of the contract, behind a text; the word itself,
// where it is none or people say it too.
func (f *form) wordFor(n *node, word, before string) string {
	bare := strings.Trim(word, `"`)
	name := bare[strings.LastIndexByte(bare, '/')+1:]
	if short, known := standards[name]; known {
		return short
	}
	if !strings.ContainsAny(bare, "_/-0123456789") && bare != "lop" || bare == "f150" && !strings.HasSuffix(before, "needs ") {
		return word
	}
	choice, isChoice := spoken[name]
	if isChoice { // some words name both a choice and a member
		isChoice = strings.HasSuffix(before, "rule ") || !strings.HasSuffix(before, "needs ") && (n == nil || n.member.name != name)
	}
	if label := f.labelOf(n, name); label != "" && !isChoice {
		return "“" + strings.TrimPrefix(label, "or ") + "”"
	}
	if isChoice {
		return "“" + choice + "”"
	}
	return word
}

// labelOf is the label of a member, near a part of the form before elsewhere; empty where
// there is none.
func (f *form) labelOf(n *node, name string) string {
	for up := n; up != nil; up = up.up {
		if up.member.name == name {
			return up.member.label
		}
		for _, m := range up.member.parts {
			if m.name == name {
				return m.label
			}
		}
	}
	return labelIn(f.members, name)
}

func labelIn(members []member, name string) string {
	for _, m := range members {
		if m.name == name {
			return m.label
		}
		if label := labelIn(m.parts, name); label != "" {
			return label
		}
	}
	return ""
}
