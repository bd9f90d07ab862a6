package report

import (
	"bytes"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf16"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"slabledger/service"
)

// method names the standards behind the figures, and how they are rounded.
func (b *reporter) method() error {
	r := b.r
	list := []string{
		"Mix: absolute volumes (ACI 211.1-91) and yield (ASTM C138/C138M), per cubic metre of concrete.",
		"Carbon: emissions by module of EN 15804+A2, EN 15978 and EN 17472; the wasted share of concrete is 1/(1 − w) − 1 of what is built in (EN 15804). It is not discounted.",
		"Equal service: functional equivalent (EN 15978, 7.2); alternatives of unequal service are not ranked unless the request gives a reason (ISO 14044).",
	}
	if r.Economics != nil {
		list = append(list, "Cost: whole-life cost (ISO 15686-5) by present values, uniform present values and capital recovery (ASTM E917, E833); residual values by remaining life (FHWA-SA-98-079) where asked for.")
		if r.Economics.NominalDiscountRate != nil {
			list = append(list, "Nominal rates are turned into real ones (OMB Circular A-94), and escalation is applied (GSA P100).")
		}
	}
	list = append(list, grouped(r, func(a *service.Result) (texts []string) {
		if d := a.ThicknessDesign; d != nil {
			texts = append(texts, "Thickness: "+Printable(d.Title)+"; "+Printable(d.Source)+".")
		}
		if c := a.Carbon.Carbonation; c != nil {
			texts = append(texts, "Uptake by carbonation: "+Printable(c.Method)+"; "+Printable(c.Source)+".")
		}
		return texts
	})...)
	if b.Grounds != nil && b.Grounds.Uncertainty != nil {
		list = append(list, "Uncertainty: draws by Philox4x64-10 (Salmon et al. 2011), normal quantiles by AS 241 (Wichura 1988), percentiles by definition 1 of Hyndman and Fan (1996), spreads by pedigree as in Frischknecht et al. (2007).")
	}
	list = append(list, "Arithmetic: decimal, sums and products exact, division to 34 digits (IEEE 754-2008, decimal128).",
		"Every formula with its source: docs/theory.md and docs/thickness.md of Slabledger, engine version "+r.EngineVersion+".")
	b.list(list)
	b.heading("Conventions")
	var conventions []string
	for _, c := range r.Conventions {
		conventions = append(conventions, strings.ToUpper(c[:1])+Printable(c[1:])+".")
	}
	b.list(conventions)

	b.heading("Rounding")
	places := fmt.Sprintf("%d decimals", b.Shown.moneyPlaces(r.Inventory.Currency))
	if b.Shown.moneyPlaces(r.Inventory.Currency) == 0 {
		places = "whole units"
	}
	length := "thickness is given in full"
	if b.Shown.US {
		length = "thickness to two decimals of an inch"
	}
	b.say("Figures are rounded for reading, half to even and each by itself: money to %s of %s, that for the whole area to whole units; carbon, percentages, masses and all else to three significant digits; %s. So rounded figures need not add up in their last digit; those of the answer as JSON do, to the last. Differences are taken before they are rounded.", places, r.Inventory.Currency, length)
	locale := b.Shown.Locale
	if locale.IsRoot() {
		locale = Locales[0]
	}
	b.say("Numbers have the separators of the locale %s; sentences of the section Answer, and texts that the answer brings along, those of English.", locale)
	return nil
}

// again says how to compute the comparison again, and how to check it without the service.
func (b *reporter) again() error {
	r := b.r
	list := []fact{{Name: "Engine version", Value: r.EngineVersion}, {Name: "Inventory", Value: r.Inventory.Ref}, {Name: "Hash of the inventory (SHA-256)", Value: r.Inventory.Hash, Exact: true}}
	if x := r.Inventory.Extends; x != nil {
		list = append(list, fact{Name: "It extends " + x.Ref, Value: x.Hash, Exact: true})
	}
	list = append(list, fact{Name: "Hash of the request (SHA-256)", Value: r.RequestHash, Exact: true}, fact{Name: "Hash of the result (SHA-256)", Value: b.resultHash, Exact: true})
	if b.Study != nil {
		list = append(list, fact{Name: "Saved as study", Value: b.Study.ID + ", " + Printable(b.Study.Name)}, fact{Name: "Created", Value: b.Study.CreatedAt})
		if b.Moved != "" {
			list = append(list, fact{Name: "Hash of the result as saved", Value: b.Study.ResultHash, Exact: true})
		}
	}
	b.facts(list...)
	request, err := pinnedTo(b.Request, r.Inventory.Ref)
	if err != nil {
		return err
	}
	b.heading("By the service")
	switch {
	case b.Study != nil:
		b.say("This command prints the hash of the result.")
		b.code(fmt.Sprintf("curl -sS '%s' | sha256sum", shellQuoted(b.Address+service.StudyLocation(b.Study.ID)+"/result")))
	case len(request) > mostInlined:
		b.say("The request has %s bytes and is too long to stand here. With it in the file request.json, naming the inventory as %s, this command prints the hash of the result.", b.Shown.Int(len(request)), r.Inventory.Ref)
		b.code(fmt.Sprintf("curl -sS '%s' \\\n  -H 'Content-Type: application/json' --data-binary @request.json | sha256sum", shellQuoted(b.Address+"/v1/comparisons")))
	default:
		b.say("This command, pasted into a shell, sends the request and prints the hash of the result.")
		b.code(fmt.Sprintf("curl -sS '%s' \\\n  -H 'Content-Type: application/json' --data-binary @- <<'REQUEST' | sha256sum\n%s\nREQUEST", shellQuoted(b.Address+"/v1/comparisons"), folded(string(request))))
	}
	b.note("Without “| sha256sum” (on macOS: shasum -a 256) it prints the result itself. Where the service asks for a key, add -H \"Authorization: Bearer $KEY\".")
	b.heading("Without the service")
	b.say("The program computes the same bytes from its database, and writes a bundle: the request, the rows of the inventory that it rests on, the result and their hashes. docs/verify.py, which shares no code with the service and needs Python alone, computes a bundle again and names the first figure that differs. The request is in the file request.json.")
	b.code("slabledger compare request.json | sha256sum\nslabledger compare request.json --bundle > bundle.json\npython3 docs/verify.py bundle.json")
	return nil
}

// pinnedTo is a request as it is written, in one line, naming that version of the inventory.
func pinnedTo(request []byte, ref string) ([]byte, error) {
	in, out := jsontext.NewDecoder(bytes.NewReader(request)), &bytes.Buffer{}
	to := jsontext.NewEncoder(out, jsontext.SpaceAfterComma(true), jsontext.SpaceAfterColon(true))
	if _, err := in.ReadToken(); err != nil { // the brace
		return nil, err
	}
	if err := to.WriteToken(jsontext.BeginObject); err != nil {
		return nil, err
	}
	for in.PeekKind() != '}' {
		var name string
		if err := json.UnmarshalDecode(in, &name); err != nil {
			return nil, err
		}
		value, err := in.ReadValue()
		if err != nil {
			return nil, err
		}
		if name == "inventory" {
			if value, err = json.Marshal(ref); err != nil {
				return nil, err
			}
		}
		if err := to.WriteToken(jsontext.String(name)); err != nil {
			return nil, err
		}
		if err := to.WriteValue(value); err != nil {
			return nil, err
		}
	}
	err := to.WriteToken(jsontext.EndObject)
	return bytes.TrimSpace(out.Bytes()), err
}

// foldedAt is about how long a line of a folded request is, in characters.
const foldedAt = 88

// folded breaks JSON into lines between its members, where space means nothing, and
// writes what cannot be seen, or would turn the text around it, as an escape; it stands in
// strings only, and means the same there. No line is what a string can be, so none ends a
// here-document early.
func folded(text string) string {
	var b strings.Builder
	within, escaped, line := false, false, 0
	for _, r := range text {
		if r == ' ' && !within && line >= foldedAt {
			b.WriteByte('\n')
			line = 0
			continue
		}
		switch {
		case r == ' ' || unicode.IsPrint(r):
			b.WriteRune(r)
		case r > 0xFFFF:
			high, low := utf16.EncodeRune(r)
			fmt.Fprintf(&b, `\u%04x\u%04x`, high, low)
		default:
			fmt.Fprintf(&b, `\u%04x`, r)
		}
		line++
		switch {
		case escaped:
			escaped = false
		case r == '\\':
			escaped = within
		case r == '"':
			within = !within
		}
	}
	return b.String()
}

// shellQuoted is a text within single quotes of a POSIX shell.
func shellQuoted(text string) string { return strings.ReplaceAll(text, "'", `'\''`) }
