package inventory

import (
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

// Difference is what changed from one list of items to another, each part in order
// of codes.
type Difference struct {
	Added   []*Item // of the lists compared
	Removed []*Item
	Changed []ItemChange
}

// Empty tells whether nothing changed.
func (d Difference) Empty() bool { return len(d.Added)+len(d.Removed)+len(d.Changed) == 0 }

// ItemChange is one item whose columns differ.
type ItemChange struct {
	Code   string
	Fields []FieldChange // in the order of Columns
}

// FieldChange is one column of an item that differs; an empty text is absence.
type FieldChange struct {
	Column string
	Before string
	After  string
	// Percent is the change relative to what was before, where both are numbers and
	// that is not zero; one decimal, half to even.
	Percent decimal.NullDecimal
}

// Diff compares two lists of items, in any order, column by column. A price that
// only its date changed is a change.
func Diff(before, after []Item) (d Difference) {
	old, current := sortedByCode(before), sortedByCode(after)
	for len(old) > 0 || len(current) > 0 {
		switch {
		case len(old) == 0 || len(current) > 0 && current[0].Code < old[0].Code:
			d.Added, current = append(d.Added, current[0]), current[1:]
		case len(current) == 0 || old[0].Code < current[0].Code:
			d.Removed, old = append(d.Removed, old[0]), old[1:]
		default:
			if fields := diffFields(old[0], current[0]); fields != nil {
				d.Changed = append(d.Changed, ItemChange{Code: old[0].Code, Fields: fields})
			}
			old, current = old[1:], current[1:]
		}
	}
	return d
}

// SortByCode puts items in the order in which a version has them.
func SortByCode(items []Item) {
	slices.SortFunc(items, func(a, b Item) int { return strings.Compare(a.Code, b.Code) })
}

// Find finds an item by its code in a list that is sorted by code; nil where there is
// none.
func Find(items []Item, code string) *Item {
	i, found := slices.BinarySearchFunc(items, code, func(i Item, code string) int { return strings.Compare(i.Code, code) })
	if !found {
		return nil
	}
	return &items[i]
}

func sortedByCode(items []Item) []*Item {
	list := make([]*Item, len(items))
	for i := range items {
		list[i] = &items[i]
	}
	byCode := func(a, b *Item) int { return strings.Compare(a.Code, b.Code) }
	if !slices.IsSortedFunc(list, byCode) {
		slices.SortFunc(list, byCode)
	}
	return list
}

func diffFields(old, current *Item) (fields []FieldChange) {
	for _, c := range columns {
		before, after := c.Text(old), c.Text(current)
		if before == after {
			continue
		}
		f := FieldChange{Column: c.Name, Before: before, After: after}
		if c.Kind == DecimalColumn && before != "" && after != "" {
			f.Percent = percentChange(before, after)
		}
		fields = append(fields, f)
	}
	return fields
}

func percentChange(before, after string) decimal.NullDecimal {
	a, errA := num.Parse(before)
	b, errB := num.Parse(after)
	if errA != nil || errB != nil || a.IsZero() {
		return decimal.NullDecimal{}
	}
	return decimal.NewNullDecimal(num.Quotient(b.Sub(a).Mul(num.Hundred), a.Abs()).RoundBank(1))
}
