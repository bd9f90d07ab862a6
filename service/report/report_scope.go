package report

import (
	"fmt"
	"slices"
	"strings"

	"slabledger/service"
)

func (b *reporter) title() string {
	title := fmt.Sprintf("Comparison of %d concrete slabs", len(b.r.Alternatives))
	if b.Study != nil {
		title = named(b.Study.Name) + ": " + strings.ToLower(title[:1]) + title[1:]
	}
	return title
}

func (b *reporter) question() string {
	list := make([]string, len(b.r.Alternatives))
	for i := range b.r.Alternatives {
		list[i] = b.r.Alternatives[i].Name
	}
	least := "the least carbon and the least whole-life cost"
	if b.r.Economics == nil {
		least = "the least carbon"
	}
	return fmt.Sprintf("Which of %s gives %s m² of slab over %s years with %s, in region %s with the data of %s?", names(list), b.Shown.Plain(b.r.FunctionalUnit.AreaM2.Decimal),
		b.Shown.Int(b.r.FunctionalUnit.AnalysisPeriodYears), least, Printable(b.r.Inventory.Region), named(b.r.Inventory.Name))
}

// loud is what nobody may overlook.
func (b *reporter) loud() (list []loud) {
	list = append(list, loud{"Caution", b.r.Caution})
	if b.r.Inventory.Invented {
		list = append(list, loud{"Invented data", "The prices and factors of this inventory are INVENTED for demonstration. The figures below say nothing about any real product, price or place."})
	} else if n := len(b.invented()); n > 0 {
		list = append(list, loud{"Invented data", fmt.Sprintf("Prices or factors of %s are INVENTED; see the sources of the data.", counted(n, "item"))})
	}
	if !b.r.Comparison.Comparable {
		list = append(list, loud{"Not comparable", Printable(b.r.Comparison.Reason)})
	}
	if b.Moved != "" {
		list = append(list, loud{"Not what was saved", "The figures are those of the program of today, and differ from those that were saved with the study: " + Printable(b.Moved) + "."})
	}
	return list
}

// invented are the items with a price or a factor that is invented.
func (b *reporter) invented() (refs []string) {
	for _, s := range b.r.Sources {
		if s.PriceSource != nil && s.PriceSource.Kind == kindInvented || s.FactorSource != nil && s.FactorSource.Kind == kindInvented {
			refs = append(refs, s.Ref)
		}
	}
	return refs
}

const kindInvented = "invented"

// answer is the conclusions in words, or else the first of each ranking.
func (b *reporter) answer() error {
	said := false
	if b.Grounds != nil && b.Grounds.Conclusions != nil {
		c := b.Grounds.Conclusions
		for _, p := range []struct {
			heading string
			list    []service.Conclusion
		}{{"Which slab", c.Which}, {"How sure", c.HowSure}, {"What would change it", c.WhatChangesIt}} {
			var sentences []string
			for _, s := range p.list {
				sentences = append(sentences, Printable(s.Text))
			}
			if len(sentences) > 0 {
				b.heading(p.heading)
				b.list(sentences)
				said = true
			}
		}
	}
	if !said {
		b.list(b.firsts())
		b.note(b.leftOut())
	}
	if b.r.Comparison.Comparable {
		b.say("The alternatives are compared on the ground that they have %s.", Printable(b.r.Comparison.Reason))
	}
	if u := b.r.Comparison.UnequalLives; u != nil {
		b.say("Service lives: %s.", Printable(strings.TrimSuffix(u.Reason, ".")))
	}
	if b.r.Economics == nil {
		b.say("The request has no economics, so the comparison and this report have no cost.")
	}
	return nil
}

// leftOut says why there is no word on how sure the answer is.
func (b *reporter) leftOut() string {
	if b.Grounds == nil {
		return "How sure that is, and what would change it, was not computed for this report."
	}
	return "How sure that is, and what would change it, was not computed: " + Printable(b.Grounds.LeftOut) + "."
}

// firsts are the first of each ranking in a sentence each.
func (b *reporter) firsts() (list []string) {
	ranking := b.r.Comparison.Ranking
	if ranking == nil {
		return []string{"No alternative is first: " + Printable(strings.TrimSuffix(b.r.Comparison.Reason, ".")) + "."}
	}
	for _, by := range []struct {
		what  string
		ranks []service.Rank
		of    func(*service.Result) string
	}{
		{"Least whole-life cost (net present value)", ranking.ByNetPresentValue, func(a *service.Result) string {
			return b.Shown.Money(&b.r.Head, a, a.Cost.NetPresentValuePerM2.Decimal) + " " + b.Shown.MoneyUnit(&b.r.Head)
		}},
		{"Least carbon (declared modules)", ranking.ByTotalCarbon, func(a *service.Result) string {
			return b.Shown.Carbon(&b.r.Head, a, a.Carbon.TotalKgCO2ePerM2.Decimal) + " " + b.Shown.CarbonUnit(&b.r.Head)
		}},
	} {
		var first []string
		var figure string
		for _, rank := range by.ranks {
			if rank.Rank == 1 {
				first = append(first, rank.Name)
				figure = by.of(b.alternative(rank.Name))
			}
		}
		if len(first) > 0 {
			list = append(list, by.what+": "+names(first)+", "+figure+".")
		}
	}
	return list
}

// alternative is the one of that name, of those that the answer itself names.
func (b *reporter) alternative(name string) *service.Result {
	return &b.r.Alternatives[slices.IndexFunc(b.r.Alternatives, func(a service.Result) bool { return a.Name == name })]
}

// scope is the goal, the functional unit, the system boundary and the economics.
func (b *reporter) scope() error {
	r := b.r
	if g := r.GoalAndScope; g == nil {
		b.say("The request states no goal and scope (ISO 14044, 4.2).")
	} else {
		list := []fact{{Name: "Purpose", Value: Printable(g.Purpose)}, {Name: "Audience", Value: Printable(g.Audience)}, {Name: "Decision", Value: Printable(g.Decision)},
			{Name: "Comparison for the public", Value: map[bool]string{true: "yes: ISO 14044, 4.4.5, 5.2 and 6 ask for a critical review", false: "no"}[g.PublicComparative]}}
		for _, f := range []fact{{Name: "Limitations", Value: g.Limitations}, {Name: "Uncertainty", Value: g.Uncertainty}, {Name: "Consistency", Value: g.Consistency}, {Name: "Reviewer", Value: g.Reviewer}} {
			if f.Value != "" {
				f.Value = Printable(f.Value)
				list = append(list, f)
			}
		}
		for _, x := range g.Excluded {
			list = append(list, fact{Name: "Left out: " + strings.Join(x.Modules, ", "), Value: Printable(x.Reason)})
		}
		b.facts(list...)
	}

	b.heading("Functional unit")
	unit := []fact{{Name: "Area", Value: b.Shown.Plain(r.FunctionalUnit.AreaM2.Decimal) + " m² of slab"}, {Name: "Analysis period", Value: b.Shown.Int(r.FunctionalUnit.AnalysisPeriodYears) + " years"}}
	if s := r.FunctionalUnit.Service; s != nil {
		if s.EquivalentAxles != nil {
			unit = append(unit, fact{Name: "Equivalent axles", Value: b.Shown.Int(int(*s.EquivalentAxles))})
		}
		if s.DesignLifeYears != nil {
			unit = append(unit, fact{Name: "Design life", Value: b.Shown.Int(int(*s.DesignLifeYears)) + " years"})
		}
		for _, f := range []fact{{Name: "Reliability", Value: s.Reliability}, {Name: "Flexural strength", Value: s.FlexuralStrength}, {Name: "Subgrade reaction", Value: s.SubgradeReaction},
			{Name: "Edge support", Value: words(s.EdgeSupport)}, {Name: "Exposure class", Value: s.ExposureClass}, {Name: "Climate", Value: words(s.Climate)}} {
			if f.Value != "" {
				f.Value = Printable(f.Value)
				unit = append(unit, f)
			}
		}
	} else {
		unit = append(unit, fact{Name: "Service", Value: "the request states no traffic, strength or support"})
	}
	if r.FunctionalUnit.UnequalLives != "" {
		unit = append(unit, fact{Name: "Unequal lives", Value: words(r.FunctionalUnit.UnequalLives)})
	}
	b.facts(unit...)

	b.heading("Equal service, and why")
	b.list(grouped(r, func(a *service.Result) []string {
		e := a.FunctionalEquivalence
		met := "Met, "
		if !e.Met {
			met = "NOT met, "
		}
		return []string{met + words(e.Basis) + ": " + Printable(strings.TrimSuffix(e.Reason, ".")) + "."}
	}))

	b.heading("System boundary")
	b.say("Modules of EN 15804+A2, EN 15978 and EN 17472. What is not declared is not known, which is not zero. Module D lies beyond the boundary and is in no total.")
	b.tableOf("kept3", "Modules, and of which alternatives they are declared", []PictureColumn{textual("Module"), textual("What it is"), textual("State"), textual("Why")}, b.boundary())
	if e := r.Economics; e != nil {
		b.heading("Economics")
		rate := discounting(e)
		list := []fact{{Name: "Money", Value: Printable(e.Currency) + ", " + e.PriceBasis + ", at the prices of the inventory"}, {Name: "Discounting", Value: strings.ToUpper(rate[:1]) + rate[1:]}}
		for _, of := range []struct {
			name string
			list []service.EscalationApplied
		}{{"Real escalation", e.RealEscalation}, {"Nominal escalation", e.NominalEscalation}} {
			var rates []string
			for _, x := range of.list {
				rates = append(rates, Printable(x.Category+x.Item)+" "+b.Shown.Plain(x.Rate.Shift(2))+" % a year")
			}
			if len(rates) > 0 {
				list = append(list, fact{Name: of.name, Value: strings.Join(rates, "; ")})
			}
		}
		if e.IncludeUserCost != nil {
			list = append(list, fact{Name: "Cost to road users", Value: map[bool]string{true: "in the net present value", false: "beside the net present value"}[*e.IncludeUserCost]})
		}
		b.facts(list...)
		if out := grouped(r, func(a *service.Result) (texts []string) {
			if a.Cost != nil {
				for _, text := range a.Cost.NotIncluded {
					texts = append(texts, Printable(text))
				}
			}
			return texts
		}); len(out) > 0 {
			b.say("No cost includes:")
			b.list(out)
		}
	}
	return nil
}

// moduleNames are those of EN 15804+A2 and EN 17472, shortened (from memory).
var moduleNames = map[string]string{
	"A0": "preliminary studies and works", "A1": "raw materials", "A2": "transport to the works", "A3": "manufacture", "A4": "transport to the site", "A5": "construction, with waste",
	"B1": "use, such as uptake by carbonation", "B2": "maintenance", "B3": "repair", "B4": "replacement", "B5": "refurbishment", "B6": "energy in use", "B7": "water in use", "B8": "activities of users",
	"C1": "demolition", "C2": "transport of waste", "C3": "processing of waste", "C4": "disposal", "D": "loads and benefits beyond the boundary (beside the total)",
}

// boundary has a row for each state of each module.
func (b *reporter) boundary() (rows [][]string) {
	if len(b.r.Alternatives) == 0 {
		return nil
	}
	for n, m := range b.r.Alternatives[0].Carbon.ModuleStates {
		states := grouped(b.r, func(a *service.Result) []string {
			s := a.Carbon.ModuleStates[n]
			return []string{words(s.State) + "\x00" + Printable(s.Reason)}
		})
		for _, state := range states {
			what, why, _ := strings.Cut(state, "\x00")
			rows = append(rows, []string{m.Module, moduleNames[m.Module], what, strings.TrimSpace(why)})
		}
	}
	return rows
}
