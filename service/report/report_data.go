package report

import (
	"fmt"
	"slices"
	"strings"

	"slabledger/inventory"
	"slabledger/service"
)

// checks are those of the interpretation (ISO 14044, 4.5.3), what is cut off, and limits.
func (b *reporter) checks() error {
	r := b.r
	if len(r.Comparison.Checks) == 0 {
		b.say("The request asks for no checks of completeness, sensitivity and consistency (ISO 14044, 4.5.3).")
	}
	for _, c := range r.Comparison.Checks {
		b.heading("Check of " + c.Check + ": " + strings.ToUpper(c.State))
		b.list(stated(c.Reasons))
	}
	if len(r.Comparison.Indistinguishable) > 0 {
		var list []string
		for _, p := range r.Comparison.Indistinguishable {
			list = append(list, named(p.First)+" and "+named(p.Second)+": "+Printable(p.Reason))
		}
		b.heading("Alternatives that are equal")
		b.list(bounded(list))
	}
	if ledger := r.Comparison.CutOff; ledger != nil {
		var rows [][]string
		for _, f := range ledger.Flows {
			above := "not known"
			for _, impact := range f.Impacts {
				above = "within the cut-off"
				if impact.AboveTheCutOff {
					above = "ABOVE the cut-off"
					break
				}
			}
			rows = append(rows, []string{Printable(f.Flow), f.Module, b.Shown.Plain(f.MassPercent.Decimal), b.Shown.Plain(f.EnergyPercent.Decimal), above, Printable(f.Reason)})
		}
		b.table("Flows that are left out (EN 15804, 6.3.6)", []PictureColumn{textual("Flow"), textual("Module"), numeric("Mass", "%"), numeric("Energy", "%"), textual("Its emissions"), textual("Why")}, rows)
	}
	var rows [][]string
	declarations := grouped(r, func(a *service.Result) (texts []string) {
		for _, l := range a.Limits {
			if l.Declaration == nil {
				continue
			}
			for _, f := range l.Declaration.Failed {
				texts = append(texts, fmt.Sprintf("%s (%s), %s: %s", Printable(l.Name), Printable(l.Clause), Printable(f.Item), Printable(f.Reason)))
			}
		}
		return texts
	})
	for i := range r.Alternatives {
		a := &r.Alternatives[i]
		for _, l := range a.Limits {
			figure := func(v *service.Fixed) string {
				if v == nil {
					return Unknown
				}
				return b.Shown.Significant(v.Decimal)
			}
			per := map[string]string{"m3": "kg CO₂e/m³", "m2": "kg CO₂e/m²"}[l.Per]
			rows = append(rows, []string{shownName(a.Name), Printable(l.Name) + ", " + Printable(l.Clause), strings.ToUpper(words(l.State)), l.Scope + ", " + per, figure(l.ValueKgCO2e), figure(l.LimitKgCO2e), figure(l.MarginPercent), Printable(l.Reason)})
		}
	}
	if len(rows) == 0 {
		b.say("The request states no limits on emissions.")
		return nil
	}
	b.heading("Limits")
	b.say("Held against the limits that the request states. Each figure is the service's %s.", service.NotADeclaration)
	b.table("Limits on emissions", []PictureColumn{textual("Alternative"), textual("Limit, clause"), textual("State"), textual("Of"), numeric("Value", ""), numeric("Limit", ""), numeric("Margin", "%"), textual("Why")}, rows)
	if len(declarations) > 0 {
		b.say("Declarations that the limits ask for, and that are not there:")
		b.list(declarations)
	}
	return nil
}

// stated writes statements without the pointers into the request.
func stated(list []service.Statement) []string {
	texts := make([]string, len(list))
	for i, s := range list {
		texts[i] = Printable(s.Message) + " [" + s.Code + "]"
	}
	return bounded(texts)
}

// bounded cuts a list off, and says so.
func bounded(texts []string) []string {
	if n := len(texts) - mostStatements; n > 0 {
		return append(texts[:mostStatements:mostStatements], fmt.Sprintf("And %d more, which the answer as JSON has.", n))
	}
	return texts
}

// statements are what was assumed, what is doubtful, and what the result does not cover.
func (b *reporter) statements() error {
	for _, of := range []struct {
		heading, none string
		of            func(*service.Result) []string
	}{
		{"Warnings", "There are none.", func(a *service.Result) []string { return stated(a.Warnings) }},
		{"Assumptions", "There are none.", func(a *service.Result) []string { return stated(a.Assumptions) }},
		{"Limitations, beside the modules that are not declared", "", func(a *service.Result) (texts []string) {
			for _, l := range a.Limitations {
				if slices.Contains(a.Carbon.NotDeclared, l) {
					continue
				}
				what := l.Module
				if l.Flow != "" {
					what += ", " + Printable(l.Flow)
				}
				texts = append(texts, what+": "+Printable(l.Reason))
			}
			return texts
		}},
	} {
		list := grouped(b.r, of.of)
		if len(list) == 0 && of.none == "" {
			continue
		}
		b.heading(of.heading)
		if len(list) == 0 {
			b.say("%s", of.none)
			continue
		}
		b.list(list)
	}
	b.note("What modules are not declared, and why, stands with the system boundary: each is a limitation too.")
	if list := grouped(b.r, func(a *service.Result) (texts []string) {
		if a.Cost != nil {
			for _, n := range a.Cost.NotPriced {
				texts = append(texts, Printable(n.Reason))
			}
		}
		return texts
	}); len(list) > 0 {
		b.note("Flows with carbon and without a price of their own: " + strings.Join(list, "; ") + ".")
	}
	return nil
}

// sources are where each price and each factor is from.
func (b *reporter) sources() error {
	r := b.r
	b.facts(fact{Name: "Inventory", Value: Printable(r.Inventory.Name) + " (" + r.Inventory.Ref + "), region " + Printable(r.Inventory.Region) + ", currency " + Printable(r.Inventory.Currency)},
		fact{Name: "Data", Value: dataKind(r.Inventory.Invented)})
	shares := grouped(r, func(a *service.Result) []string {
		var kinds []string
		for _, s := range a.Carbon.BySourceKind {
			if s.SharePercent != nil {
				kinds = append(kinds, sourceKind(inventory.SourceKind(s.SourceKind))+" "+b.Shown.Significant(s.SharePercent.Decimal)+" %")
			}
		}
		return []string{"Carbon by the kind of source: " + strings.Join(kinds, ", ")}
	})
	b.list(shares)
	var rows [][]string
	withheld := 0
	for _, s := range r.Sources {
		if len(rows) >= mostItems {
			withheld++
			continue
		}
		item := shownName(s.Name) + " (" + Printable(s.Ref[strings.LastIndexByte(s.Ref, '/')+1:]) + ")"
		price, factor := sourceOf(s.PriceSource), sourceOf(s.FactorSource)
		terms := strings.Join(present(s.PriceDate, s.PriceBasis, tax(s.PriceTax), until(s.PriceValidUntil)), ", ")
		if q := s.PriceQuoted; q != nil {
			terms += fmt.Sprintf("; quoted as %s %s of %s", b.Shown.Plain(q.Amount.Decimal), Printable(q.Currency), Printable(q.Date))
		}
		// The request overrides a price or a factor, a layer the whole item.
		instead := func(of *inventory.Source) string {
			o := s.Overrides
			if o == nil || o.Pointer != "" && !strings.HasPrefix(of.Reference, "request/") {
				return item
			}
			return item + strings.TrimSuffix(", in place of that of "+Printable(o.Layer)+": "+Printable(o.Reason), ": ")
		}
		validity := strings.Join(present(until(s.FactorValidUntil), Printable(s.Characterisation), Printable(words(s.Allocation))), ", ")
		if price != nil && factor != nil && slices.Equal(price, factor) {
			rows = append(rows, append([]string{instead(s.PriceSource), "price, factor"}, append(price, strings.Join(present(terms, validity), "; factor "))...))
			continue
		}
		if price != nil {
			rows = append(rows, append([]string{instead(s.PriceSource), "price"}, append(price, terms)...))
		}
		if factor != nil {
			rows = append(rows, append([]string{instead(s.FactorSource), "factor"}, append(factor, validity)...))
		}
	}
	b.tableOf("kept23", "Sources, by item", []PictureColumn{textual("Item"), textual("Of its"), textual("Kind"), textual("Title, publisher, year"), textual("Licence"), textual("Date, basis, tax, validity")}, rows)
	if withheld > 0 {
		b.note(fmt.Sprintf("%d more items have sources, which the answer as JSON has.", withheld))
	}
	return nil
}

// sourceKind says of what kind a source is, what is invented loudly.
func sourceKind(kind inventory.SourceKind) string {
	if kind == kindInvented {
		return "INVENTED"
	}
	return strings.ReplaceAll(string(kind), "-", " ")
}

// sourceOf are the cells of a source; nil where there is none.
func sourceOf(s *inventory.Source) []string {
	if s == nil {
		return nil
	}
	year := ""
	if s.Year != 0 {
		year = fmt.Sprint(s.Year)
	}
	licence := Printable(s.Licence)
	if licence == "" {
		licence = "not stated"
	}
	return []string{sourceKind(s.Kind), strings.Join(present(Printable(s.Title), Printable(s.Publisher), year, Printable(s.Reference)), ", "), licence}
}

// present are the texts that there are.
func present(texts ...string) (list []string) {
	for _, text := range texts {
		if text != "" {
			list = append(list, text)
		}
	}
	return list
}

func tax(kind string) string {
	if kind == "" {
		return ""
	}
	return "tax " + kind
}

func until(day string) string {
	if day == "" {
		return ""
	}
	return "valid until " + day
}
