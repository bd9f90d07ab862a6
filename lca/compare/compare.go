// Package compare sets alternatives against each other: differences from a
// baseline, dominance, ranking, the Pareto front and the cost of carbon saved.
package compare

import (
	"sort"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// Option is one alternative as two figures, both "less is better": Cost (net
// present value per m2) and Carbon (kg CO2e per m2).
type Option struct {
	Name   string
	Cost   decimal.Decimal
	Carbon decimal.Decimal
}

// Relative is the change in per cent of the baseline, rounded once; invalid
// where the baseline is zero.
func Relative(value, baseline decimal.Decimal) decimal.NullDecimal {
	if baseline.IsZero() {
		return decimal.NullDecimal{}
	}
	return decimal.NewNullDecimal(num.LinePercent(value, baseline))
}

// Class of an alternative against the baseline.
type Class string

// Classes. Only in the two middle ones does a price of carbon mean anything.
const (
	Same             Class = "same"
	CheaperAndClean  Class = "cheaper_and_cleaner"
	DearerAndCleaner Class = "dearer_and_cleaner"
	CheaperDirtier   Class = "cheaper_and_dirtier"
	Dominated        Class = "dominated"
)

// Classify decides before anything is divided: a saving of money that comes
// with more carbon would, divided, look like a price for saving carbon. Equal
// in one figure counts with the other.
func Classify(option, baseline Option) Class {
	cost, carbon := option.Cost.Cmp(baseline.Cost), option.Carbon.Cmp(baseline.Carbon)
	switch {
	case cost == 0 && carbon == 0:
		return Same
	case cost <= 0 && carbon <= 0:
		return CheaperAndClean
	case cost >= 0 && carbon >= 0:
		return Dominated
	case carbon < 0:
		return DearerAndCleaner
	}
	return CheaperDirtier
}

// Abatement is the extra cost per tonne of CO2e saved against the baseline. It
// is invalid, with the reason, unless the alternative is dearer and cleaner.
func Abatement(option, baseline Option) (perTonne decimal.NullDecimal, reason string) {
	switch Classify(option, baseline) {
	case DearerAndCleaner:
		q, err := num.Div(option.Cost.Sub(baseline.Cost).Mul(thousand), baseline.Carbon.Sub(option.Carbon))
		if err != nil {
			return decimal.NullDecimal{}, "equal carbon: undefined"
		}
		return decimal.NewNullDecimal(num.Line(q)), "extra net present value over carbon saved"
	case CheaperAndClean:
		if option.Carbon.Equal(baseline.Carbon) {
			return decimal.NullDecimal{}, "equal carbon: undefined"
		}
		return decimal.NullDecimal{}, "it saves carbon at no extra cost, so there is no price to state"
	case CheaperDirtier:
		return decimal.NullDecimal{}, "it saves money and emits more: that is not a cost of saving carbon"
	case Dominated:
		if option.Carbon.Equal(baseline.Carbon) {
			return decimal.NullDecimal{}, "equal carbon: undefined"
		}
		return decimal.NullDecimal{}, "it costs no less and emits more: the baseline is better"
	}
	return decimal.NullDecimal{}, "the same cost and the same carbon"
}

var thousand = decimal.New(1000, 0)

// Pareto lists the options that no other beats: none is at most equal in both
// figures and less in one. Equal options stand together. The order is that of
// the input.
func Pareto(options []Option) []string {
	front := []string{}
	for i, a := range options {
		beaten := false
		for j, b := range options {
			if i == j {
				continue
			}
			cost, carbon := b.Cost.Cmp(a.Cost), b.Carbon.Cmp(a.Carbon)
			if cost <= 0 && carbon <= 0 && (cost < 0 || carbon < 0) {
				beaten = true
				break
			}
		}
		if !beaten {
			front = append(front, a.Name)
		}
	}
	return front
}

// Ranked is a place in a ranking; equal values share a rank.
type Ranked struct {
	Rank int
	Name string
}

// Rank orders names by value, least first. Equal values share the rank and are
// listed by name, so that the order of the request never changes the result.
func Rank(names []string, values []decimal.Decimal) []Ranked {
	order := make([]int, len(names))
	for i := range order {
		order[i] = i
	}
	sort.Slice(order, func(i, j int) bool {
		if c := values[order[i]].Cmp(values[order[j]]); c != 0 {
			return c < 0
		}
		return names[order[i]] < names[order[j]]
	})
	ranking := make([]Ranked, len(order))
	for place, i := range order {
		rank := place + 1
		if place > 0 && values[i].Equal(values[order[place-1]]) {
			rank = ranking[place-1].Rank
		}
		ranking[place] = Ranked{Rank: rank, Name: names[i]}
	}
	return ranking
}
