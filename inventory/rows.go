package inventory

import (
	"fmt"

	"github.com/go-json-experiment/json"
)

// Rows is what the results of both databases have in common.
type Rows interface {
	Next() bool
	Scan(into ...any) error
	Err() error
}

// ScanVersion reads the rows of one version: its own columns, then those of one of
// its items as text, null where there is nothing, then the item's recipe. A version
// without items has one row; ErrNotFound where there is no row.
func ScanVersion(rows Rows) (v Version, err error) {
	columns := append(ItemColumns(), columns[columnIndex("recipe")])
	cells := make([]*string, len(columns))
	into := []any{&v.Slug, &v.Number, &v.Meta.Name, &v.Meta.Region, &v.Meta.Currency, &v.Meta.Invented, &v.Meta.Extends, &v.Hash, &v.Note, &v.CreatedAt}
	for n := range cells {
		into = append(into, &cells[n])
	}
	found := false
	for rows.Next() {
		if err := rows.Scan(into...); err != nil {
			return v, err
		}
		found = true
		if cells[0] == nil { // the code: there is no item
			continue
		}
		var item Item
		for n, c := range columns {
			if cells[n] == nil {
				continue
			}
			if err := c.Set(&item, *cells[n]); err != nil {
				return v, fmt.Errorf("column %s: %w", c.Name, err)
			}
		}
		v.Items = append(v.Items, item)
	}
	if err := rows.Err(); err != nil {
		return v, err
	}
	if !found {
		return v, ErrNotFound
	}
	return v, nil
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

// ScanJobs reads rows of jobs, in the columns of JobColumns.
func ScanJobs(rows Rows) (list []Job, err error) {
	for rows.Next() {
		var j Job
		if err := rows.Scan(j.Into()...); err != nil {
			return nil, err
		}
		list = append(list, j)
	}
	return list, rows.Err()
}

// JobColumns are the columns of a job in both databases, without the request and the
// result.
const JobColumns = `id, actor, operation, inventory, state, attempts, done, total, queued_at, started_at, ended_at, result_hash, problem`

// Into is where the columns of a job go, in the order of JobColumns.
func (j *Job) Into() []any {
	return []any{&j.ID, &j.Actor, &j.Operation, &j.Inventory, &j.State, &j.Attempts, &j.Done, &j.Total, &j.QueuedAt, &j.StartedAt, &j.EndedAt, &j.ResultHash, &j.Problem}
}
