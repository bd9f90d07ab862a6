package compare

import (
	"slices"
	"strings"

	"github.com/shopspring/decimal"
)

// Point is one alternative as what it is measured by, each "less is better". All
// points of a list have the same measures in the same order.
type Point struct {
	Name   string
	Values []decimal.Decimal
}

// Standing is an alternative among the others.
type Standing struct {
	Point
	DominatedBy []string // in order of their names; empty on the front
}

// Dominance tells for each point which others dominate it: those that are at most
// equal in every measure and less in at least one (Pareto's definition; any textbook
// of decisions with several criteria). What nothing dominates is the front; equal
// points stand on it together. The list is in order of the names, so that the order
// of the input changes nothing.
func Dominance(points []Point) []Standing {
	list := make([]Standing, len(points))
	for i, p := range points {
		list[i] = Standing{Point: p, DominatedBy: []string{}}
		for _, other := range points {
			if dominates(other.Values, p.Values) {
				list[i].DominatedBy = append(list[i].DominatedBy, other.Name)
			}
		}
		slices.Sort(list[i].DominatedBy)
	}
	slices.SortFunc(list, func(a, b Standing) int { return strings.Compare(a.Name, b.Name) })
	return list
}

func dominates(a, b []decimal.Decimal) bool {
	less := false
	for k := range a {
		switch a[k].Cmp(b[k]) {
		case 1:
			return false
		case -1:
			less = true
		}
	}
	return less
}
