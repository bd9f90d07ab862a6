package report

import (
	"fmt"
	"strings"

	"slabledger/service"
)

// sureness is the uncertainty and the sensitivity behind the conclusions.
func (b *reporter) sureness() error {
	if b.Grounds == nil || b.Grounds.Uncertainty == nil && len(b.Grounds.Sensitivity) == 0 {
		if b.Grounds == nil || b.Grounds.LeftOut != "" {
			b.say("%s", b.leftOut())
		} else {
			b.say("Nothing is ranked, so nothing was sampled or varied.")
		}
		return nil
	}
	if err := b.uncertainty(); err != nil {
		return err
	}
	return b.sensitivity()
}

func (b *reporter) uncertainty() error {
	u, shown := b.Grounds.Uncertainty, b.Shown
	if u == nil {
		return nil
	}
	b.heading("Uncertainty")
	settled := "The means have settled within the precision asked for."
	if !u.Converged {
		settled = "The means have NOT settled within the precision asked for; more draws would be needed."
	}
	b.say("%s inputs scatter as the inventory or the request says, and were drawn %s times with the seed %s; %s are held as they are. %s", shown.Int(len(u.Inputs)), shown.Int(u.Samples), Printable(u.Seed), shown.Int(len(u.Fixed)), settled)
	best := map[[2]string]string{}
	for _, ranks := range u.Ranks {
		for _, a := range ranks.Alternatives {
			best[[2]string{ranks.Measure, a.Name}] = shown.Significant(a.Best.Shift(2))
		}
	}
	told := map[string]bool{}
	for _, a := range b.detailed {
		told[a.Name] = true
	}
	for _, used := range ranking(u) {
		m := shown.measured(u.Inventory, used.Measure)
		var rows [][]string
		columns := []PictureColumn{textual("Alternative"), numeric("As computed", ""), numeric("Mean", ""), numeric("Its standard error", ""), numeric("Standard deviation", "")}
		for _, a := range u.Alternatives {
			for _, q := range a.Measures {
				if q.Measure != used.Measure || !told[a.Name] {
					continue
				}
				row := []string{shownName(a.Name)}
				for _, v := range []service.Fixed{q.Nominal, q.Mean, q.MeanSE, q.SD} {
					row = append(row, shown.Significant(m.of(v.Decimal)))
				}
				for _, p := range ends(q.Percentiles) {
					if len(rows) == 0 {
						columns = append(columns, numeric(shown.Plain(p.Percent.Decimal)+" % are below", ""))
					}
					row = append(row, shown.Significant(m.of(p.Value.Decimal)))
				}
				first, ranked := best[[2]string{used.Measure, a.Name}]
				if !ranked {
					first = Unknown
				}
				rows = append(rows, append(row, first))
			}
		}
		b.table("Draws of the "+m.name+", "+m.unit, append(columns, numeric("First, of the draws", "%")), rows)
	}
	b.some("The draws stand above")
	if err := b.pairs(); err != nil {
		return err
	}
	var rows [][]string
	for i, in := range u.Inputs {
		if i == mostInputs {
			b.note(fmt.Sprintf("%d more inputs scatter; the answer of POST /v1/uncertainty has them.", len(u.Inputs)-i))
			break
		}
		rows = append(rows, []string{Printable(in.Name), shown.Significant(in.Nominal.Decimal), Printable(in.Unit), Printable(in.Spread), Printable(in.Basis), shown.Significant(in.Low.Decimal), shown.Significant(in.High.Decimal)})
	}
	b.table("Inputs that scatter", []PictureColumn{textual("Input"), numeric("As it is", ""), textual("Unit"), textual("Spread"), textual("From"), numeric("2.5 % are below", ""), numeric("2.5 % are above", "")}, rows)
	var held []string
	for _, f := range u.Fixed {
		held = append(held, Printable(f.Name)+" ("+Printable(f.Reason)+")")
	}
	if len(held) > mostStatements {
		held = append(held[:mostStatements:mostStatements], fmt.Sprintf("and %d more", len(held)-mostStatements))
	}
	if len(held) > 0 {
		b.note("Held as they are: " + strings.Join(held, "; ") + ".")
	}
	for _, notice := range u.Notices {
		if notice != b.r.Caution {
			b.note(strings.ToUpper(notice[:1]) + Printable(notice[1:]) + ".")
		}
	}
	return nil
}

// ranking are the measures by which a comparison ranks, of those that were drawn.
func ranking(u *service.UncertaintyResponse) (list []service.MeasureUsed) {
	for _, m := range u.Measures {
		if m.Measure == service.MeasureNPV || m.Measure == service.MeasureTotalCarbon {
			list = append(list, m)
		}
	}
	return list
}

// pairs tells how sure the differences are, and draws those of the first two.
func (b *reporter) pairs() error {
	u, shown := b.Grounds.Uncertainty, b.Shown
	leading := map[[3]string]bool{} // measure and names
	if ranks := b.r.Comparison.Ranking; ranks != nil {
		for measure, order := range map[string][]service.Rank{service.MeasureNPV: inOrder(ranks.ByNetPresentValue), service.MeasureTotalCarbon: inOrder(ranks.ByTotalCarbon)} {
			if len(order) > 1 {
				leading[[3]string{measure, order[0].Name, order[1].Name}], leading[[3]string{measure, order[1].Name, order[0].Name}] = true, true
			}
		}
	}
	var pictures []Picture
	for _, used := range ranking(u) {
		m := shown.measured(u.Inventory, used.Measure)
		var rows [][]string
		columns := []PictureColumn{textual("First less second"), numeric("First is lower, of the draws", "%"), numeric("Standard error", "%"), numeric("Mean difference", ""), numeric("Its standard error", "")}
		for i := range u.Pairs {
			pair := &u.Pairs[i]
			first := leading[[3]string{used.Measure, pair.First, pair.Second}]
			if !first && len(u.Pairs) > mostPairs {
				continue
			}
			for k := range pair.Differences {
				q := &pair.Differences[k]
				if q.Measure != used.Measure {
					continue
				}
				row := []string{named(pair.First) + " less " + named(pair.Second), shown.Significant(q.FirstLower.Probability.Shift(2)), shown.Significant(q.FirstLower.SE.Shift(2)), shown.Significant(m.of(q.Mean.Decimal)), shown.Significant(m.of(q.MeanSE.Decimal))}
				for _, p := range ends(q.Percentiles) {
					if len(rows) == 0 {
						columns = append(columns, numeric(shown.Plain(p.Percent.Decimal)+" % are below", ""))
					}
					row = append(row, shown.Significant(m.of(p.Value.Decimal)))
				}
				// Of the share of draws, not of the difference, which may well span zero.
				apart := "unlike an even chance"
				if q.Indistinguishable {
					apart = "like an even chance"
				}
				rows = append(rows, append(row, apart))
				if first {
					pictures = append(pictures, Difference(DifferenceID(i, q.Measure), u, pair, q, shown))
				}
			}
		}
		b.table("Differences in "+m.name+", "+m.unit, append(columns, textual("The share of draws is")), rows)
	}
	if len(u.Pairs) > mostPairs {
		b.note(fmt.Sprintf("Of %d pairs, those of the first two by cost and by carbon.", len(u.Pairs)))
	}
	for _, p := range pictures {
		if err := b.figure(p); err != nil {
			return err
		}
	}
	return nil
}

// ends are the first and the last of the percentiles, or the one that there is.
func ends(list []service.PercentileOf) []service.PercentileOf {
	if len(list) < 3 {
		return list
	}
	return []service.PercentileOf{list[0], list[len(list)-1]}
}

func (b *reporter) sensitivity() error {
	if len(b.Grounds.Sensitivity) == 0 {
		return nil
	}
	b.heading("Sensitivity")
	b.say("One input at a time, all others as they are, over the spread that the inventory states or, without one, by a percentage; the largest first.")
	for _, s := range b.Grounds.Sensitivity {
		if err := b.figure(swing("swing-"+strings.ReplaceAll(s.Measure, "_", "-"), s, b.Shown)); err != nil {
			return err
		}
		m := b.Shown.measured(s.Inventory, s.Measure)
		var rows [][]string
		for i, l := range s.Lines {
			if i == mostSwung {
				break
			}
			turns := "no"
			if l.Reverses {
				turns = "YES"
			}
			rows = append(rows, []string{Printable(l.Name), Printable(l.Unit), b.Shown.Significant(l.Nominal.Decimal), b.Shown.Significant(l.LowAt.Decimal), b.Shown.Significant(m.of(l.Low.Difference.Decimal)),
				b.Shown.Significant(l.HighAt.Decimal), b.Shown.Significant(m.of(l.High.Difference.Decimal)), turns})
		}
		more := ""
		if n := len(s.Lines) - mostSwung; n > 0 {
			more = fmt.Sprintf("; %d more inputs do less", n)
		}
		b.table(fmt.Sprintf("Difference in %s, %s less %s, %s: %s as computed%s", m.name, named(s.First), named(s.Second), m.unit, b.Shown.Significant(m.of(s.Nominal.Difference.Decimal)), more),
			[]PictureColumn{textual("Input"), textual("Unit"), numeric("As it is", ""), numeric("Low", ""), numeric("Difference at low", ""), numeric("High", ""), numeric("Difference at high", ""), textual("Turns it")}, rows)
	}
	return nil
}
