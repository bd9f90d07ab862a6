package inventory

import (
	"fmt"

	"github.com/go-json-experiment/json"

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

// ScanDrafts reads rows of drafts without their items.
func ScanDrafts(rows Rows) (list []Draft, err error) {
	for rows.Next() {
		var d Draft
		if err := rows.Scan(d.into()...); err != nil {
			return nil, err
		}
		list = append(list, d)
	}
	return list, rows.Err()
}

// ScanDraft reads the rows of one draft, each with one of its items or null;
// ErrNotFound where there is no row.
func ScanDraft(rows Rows) (d Draft, err error) {
	found := false
	for rows.Next() {
		var text *string
		if err := rows.Scan(append(d.into(), &text)...); err != nil {
			return d, err
		}
		found = true
		if text == nil {
			continue
		}
		var item Item
		if err := json.Unmarshal([]byte(*text), &item); err != nil {
			return d, err
		}
		d.Items = append(d.Items, item)
	}
	if err := rows.Err(); err != nil {
		return d, err
	}
	if !found {
		return d, ErrNotFound
	}
	return d, nil
}

// into is where the columns of a draft go, in their order in both databases.
func (d *Draft) into() []any {
	return []any{&d.ID, &d.Slug, &d.Base, &d.Meta.Name, &d.Meta.Region, &d.Meta.Currency, &d.Meta.Invented, &d.Meta.Extends, &d.Revision, &d.CreatedBy, &d.CreatedAt, &d.UpdatedAt}
}
