package report

import (
	"fmt"
	"slices"
	"strconv"

	"github.com/shopspring/decimal"

	"slabledger/service"
)

// The kinds of cost as they are drawn, each with a fill of its own.
const (
	flowInitial = iota
	flowMaintenance
	flowUser
	flowCarbon
	flowResidual
)

var flowNames = []string{"initial", "maintenance", "road users", "emissions at a price", "residual value (credit)"}

// cashFlow is what an alternative costs, by year. Only what counts in its net present
// value is in it.
type cashFlow struct {
	of        *service.Result
	kinds     []map[int]decimal.Decimal // undiscounted, by flowNames
	present   map[int]decimal.Decimal   // present value of the year
	years     []int
	netAtLast decimal.Decimal
}

func cashFlowOf(a *service.Result) *cashFlow {
	f := &cashFlow{of: a, present: map[int]decimal.Decimal{}}
	for range flowNames {
		f.kinds = append(f.kinds, map[int]decimal.Decimal{})
	}
	add := func(kind, year int, amount, present decimal.Decimal) {
		if !slices.Contains(f.years, year) {
			f.years = append(f.years, year)
		}
		f.kinds[kind][year] = f.kinds[kind][year].Add(amount)
		f.present[year] = f.present[year].Add(present)
		f.netAtLast = f.netAtLast.Add(present)
	}
	for _, l := range a.Cost.Lines {
		switch l.Kind {
		case "initial":
			add(flowInitial, l.Year, l.CostPerM2.Decimal, l.PresentValuePerM2.Decimal)
		case "maintenance":
			add(flowMaintenance, l.Year, l.CostPerM2.Decimal, l.PresentValuePerM2.Decimal)
		case "user":
			if a.Cost.UserCost != nil && a.Cost.UserCost.Included {
				add(flowUser, l.Year, l.CostPerM2.Decimal, l.PresentValuePerM2.Decimal)
			}
		case "residual":
			add(flowResidual, l.Year, l.CostPerM2.Neg(), l.PresentValuePerM2.Neg())
		}
	}
	if c := a.Cost.CarbonPrice; c != nil && c.InCost {
		for _, l := range c.Lines {
			add(flowCarbon, l.Year, l.CostPerM2.Decimal, l.PresentValuePerM2.Decimal)
		}
	}
	slices.Sort(f.years)
	return f
}

// mostPanels is how many alternatives have a panel of their own.
const mostPanels = 6

// CashFlow draws what each alternative costs in each year, not discounted, with what is
// left at the end as a credit, and as a line the present value up to each year, which
// ends at the net present value.
func CashFlow(r *service.ComparisonResponse, shown Shown) Picture {
	d := &drawing{Picture: Picture{ID: "cash-flow", Title: "Cost by year"}, W: fullWidth}
	head, unitName := &r.Head, shown.MoneyUnit(&r.Head)
	d.Table = PictureTable{Caption: "Cost by year of each alternative", Columns: []PictureColumn{{Head: "Alternative"}, {Head: "Year", Numeric: true},
		{Head: "Cost in the year, not discounted", Unit: unitName, Numeric: true}, {Head: "Present value of the year", Unit: unitName, Numeric: true}, {Head: "Present value up to the year", Unit: unitName, Numeric: true}}}
	var all []*cashFlow
	without := 0
	for i := range r.Alternatives {
		a := &r.Alternatives[i]
		if a.Cost == nil || len(a.Cost.Lines) == 0 {
			without++
			continue
		}
		if _, ok := shown.MoneyOf(head, a, decimal.Zero); !ok {
			without++
			continue
		}
		f := cashFlowOf(a)
		all = append(all, f)
		sum := decimal.Zero
		for _, year := range f.years {
			cost := decimal.Zero
			for _, k := range f.kinds {
				cost = cost.Add(k[year])
			}
			sum = sum.Add(f.present[year])
			row := []string{Printable(a.Name), strconv.Itoa(year)}
			for _, v := range []decimal.Decimal{cost, f.present[year], sum} {
				v, _ := shown.MoneyOf(head, a, v)
				row = append(row, shown.whole(v))
			}
			d.Table.Rows = append(d.Table.Rows, row)
		}
	}
	if len(all) == 0 {
		d.Description = "No alternative has a cost by year on this basis, so there is nothing to draw."
		return d.Picture
	}
	slices.SortStableFunc(all, func(a, b *cashFlow) int { return a.netAtLast.Cmp(b.netAtLast) })
	lowest, highest := all[0], all[len(all)-1]
	npv := func(f *cashFlow) string { return shown.Money(head, f.of, f.netAtLast) + " " + unitName }
	if lowest == highest {
		d.Description = fmt.Sprintf("Over %d years %s costs %s in present value.", r.FunctionalUnit.AnalysisPeriodYears, named(lowest.of.Name), npv(lowest))
	} else {
		d.Description = fmt.Sprintf("Over %d years %s costs least in present value, %s, and %s most, %s.", r.FunctionalUnit.AnalysisPeriodYears, named(lowest.of.Name), npv(lowest), named(highest.of.Name), npv(highest))
	}
	d.Description += " Bars are not discounted; a bar below zero is a credit."
	if without > 0 {
		d.Description += " Without a cost: " + counted(without, "alternative") + "."
	}
	drawn := all
	if len(all) > mostPanels {
		slices.SortStableFunc(all, func(a, b *cashFlow) int {
			return baselineFirst(a.of.Name, b.of.Name, r.Comparison.Baseline)
		})
		drawn = all[:mostPanels]
		d.Description += fmt.Sprintf(" Drawn are the baseline and the lowest, %d in all; %d more stand in the table.", len(drawn), len(all)-len(drawn))
	}
	slices.SortStableFunc(drawn, func(a, b *cashFlow) int { // as the request has them
		return slices.IndexFunc(r.Alternatives, func(x service.Result) bool { return x.Name == a.of.Name }) - slices.IndexFunc(r.Alternatives, func(x service.Result) bool { return x.Name == b.of.Name })
	})
	d.cashFlows(r, drawn, unitName, shown)
	return d.done()
}

// baselineFirst orders the baseline before all others.
func baselineFirst(a, b, baseline string) int {
	switch {
	case a == b || a != baseline && b != baseline:
		return 0
	case a == baseline:
		return -1
	}
	return 1
}

func (d *drawing) cashFlows(r *service.ComparisonResponse, drawn []*cashFlow, unitName string, shown Shown) {
	head := &r.Head
	lo, hi, last := decimal.Zero, decimal.Zero, r.FunctionalUnit.AnalysisPeriodYears
	var used [5]bool
	for _, f := range drawn {
		sum := decimal.Zero
		for _, year := range f.years {
			last = max(last, year)
			up, down := decimal.Zero, decimal.Zero
			for k := range f.kinds {
				v, has := f.kinds[k][year]
				used[k] = used[k] || has
				v, _ = shown.MoneyOf(head, f.of, v)
				up, down = up.Add(decimal.Max(v, decimal.Zero)), down.Add(decimal.Min(v, decimal.Zero))
			}
			v, _ := shown.MoneyOf(head, f.of, f.present[year])
			sum = sum.Add(v)
			lo, hi = decimal.Min(lo, down, sum), decimal.Max(hi, up, sum)
		}
	}
	var legend []string
	for k, name := range flowNames {
		if used[k] {
			legend = append(legend, name)
		}
	}
	keys := []int{}
	for k := range flowNames {
		if used[k] {
			keys = append(keys, k)
		}
	}
	y := d.legend(inset, inset, fullWidth-inset, append(legend, "present value up to the year"), func(n int, x, y px) {
		if n < len(keys) {
			d.box("key", x, y, x+18*unit, y+13*unit, d.fill(keys[n]), "")
			return
		}
		d.curve("key", []px{x, x + 18*unit}, []px{y + 7*unit, y + 7*unit}, "", "2", "")
	}) + 4*unit
	const high, between = 110 * unit, 26 * unit
	probe := newScale(lo, hi, 0, high, 4)
	left := inset + probe.room(shown) + 4*unit
	right := fullWidth - inset - 70*unit
	d.text(inset, y+12*unit, "start", unitName)
	y += lineHeight
	thick := max(2*unit, min(12*unit, (right-left)*6/10/px(last+1)))
	years := newScale(decimal.Zero, decimal.NewFromInt(int64(max(last, 1))), left+thick, right-thick, 8)
	if years.places > 0 { // no parts of a year
		years = newScale(decimal.Zero, decimal.NewFromInt(8), left+thick, right-thick, 8)
	}
	for p, f := range drawn {
		d.add(mark{Kind: "text", Class: "label", X: left, Y: y + 12*unit, Weight: "bold", Text: bold(f.of.Name, right-left)})
		y += lineHeight
		s := newScale(lo, hi, y+high, y, 4)
		d.rule(left, y, left, y+high, "axis")
		for _, t := range s.ticks {
			at := s.at(t)
			d.rule(left-4*unit, at, left, at, "axis")
			d.rule(left, at, right, at, "grid")
			d.text(left-7*unit, at+5*unit, "end", shown.Number(t, s.places))
		}
		zero := s.at(decimal.Zero)
		var xs, ys []px
		sum := decimal.Zero
		for _, year := range f.years {
			x := years.at(decimal.NewFromInt(int64(year)))
			up, down := decimal.Zero, decimal.Zero
			for k := range f.kinds {
				v, has := f.kinds[k][year]
				if !has || v.IsZero() {
					continue
				}
				said := fmt.Sprintf("%s, year %d, %s: %s %s", named(f.of.Name), year, flowNames[k], shown.Money(head, f.of, v), unitName)
				v, _ = shown.MoneyOf(head, f.of, v)
				from := up
				if v.IsNegative() {
					from, down = down, down.Add(v)
				} else {
					up = up.Add(v)
				}
				d.box("bar", x-thick/2, s.at(from), x+thick/2, s.at(from.Add(v)), d.fill(k), said)
			}
			v, _ := shown.MoneyOf(head, f.of, f.present[year])
			if len(ys) > 0 {
				xs, ys = append(xs, x), append(ys, ys[len(ys)-1])
			}
			sum = sum.Add(v)
			xs, ys = append(xs, x), append(ys, s.at(sum))
		}
		end := years.at(decimal.NewFromInt(int64(last)))
		xs, ys = append(xs, end), append(ys, ys[len(ys)-1])
		d.curve("line", xs, ys, "", "2", named(f.of.Name)+": present value up to the year")
		d.text(right+6*unit, ys[len(ys)-1]+5*unit, "start", shown.Money(head, f.of, f.netAtLast))
		d.rule(left, zero, right, zero, "axis")
		y += high
		if p == len(drawn)-1 {
			for _, t := range years.ticks {
				x := years.at(t)
				d.rule(x, y, x, y+4*unit, "axis")
				d.text(x, y+lineHeight, "middle", shown.Number(t, 0))
			}
			d.text((left+right)/2, y+2*lineHeight, "middle", "year")
		}
		y += between - lineHeight
	}
	d.H = y + 2*lineHeight + 4*unit
}
