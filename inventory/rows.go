package inventory

import (
	"fmt"

	"slabledger/lca/num"
)

// Rows is what the results of both databases have in common.
type Rows interface {
	Next() bool
	Scan(into ...any) error
	Err() error
}

// ScanItems reads rows of ItemColumns as text, null where there is nothing. The
// items have no recipes yet.
func ScanItems(rows Rows) ([]Item, error) {
	columns := ItemColumns()
	cells, into := make([]*string, len(columns)), make([]any, len(columns))
	for n := range cells {
		into[n] = &cells[n]
	}
	var items []Item
	for rows.Next() {
		if err := rows.Scan(into...); err != nil {
			return nil, err
		}
		var item Item
		for n, c := range columns {
			text := ""
			if cells[n] != nil {
				text = *cells[n]
			}
			if err := c.Set(&item, text); err != nil {
				return nil, fmt.Errorf("column %s: %w", c.Name, err)
			}
		}
		items = append(items, item)
	}
	return items, rows.Err()
}

// ScanParts reads rows of code, item and amount into the recipes of the items.
// Both come in the same order of codes.
func ScanParts(items []Item, rows Rows) error {
	at := 0
	for rows.Next() {
		var code, item, amount string
		if err := rows.Scan(&code, &item, &amount); err != nil {
			return err
		}
		d, err := num.Parse(amount)
		if err != nil {
			return fmt.Errorf("recipe of %s: %w", code, err)
		}
		for items[at].Code != code {
			at++
		}
		items[at].Recipe = append(items[at].Recipe, RecipePart{Item: item, Amount: d})
	}
	return rows.Err()
}
