package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"slabledger/inventory"
	"slabledger/lca/num"
)

// columns of inventory_item that hold an item; the recipe is in inventory_part.
var columns = inventory.ItemColumns()

const (
	insertVersion = `INSERT INTO inventory_version (slug, number, name, region, currency, invented, extends, hash, note, created_at)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`
	insertPart    = `INSERT INTO inventory_part (slug, number, code, position, item, amount) VALUES (?, ?, ?, ?, ?, ?)`
	selectVersion = `SELECT slug, number, name, region, currency, invented, extends, hash, note, created_at FROM inventory_version AS v `
	selectNewest  = `SELECT max(number) FROM inventory_version WHERE slug = ?`
)

// selectContent reads a version with its items; the last column is the recipe, as
// the column of a table has it.
var selectContent = `SELECT v.slug, v.number, v.name, v.region, v.currency, v.invented, v.extends, v.hash, v.note, v.created_at, i.` + //nolint:gosec // names of the program's own columns
	strings.Join(inventory.ColumnNames(columns), ", i.") + `,
	(SELECT group_concat(p.item || '=' || p.amount, '; ' ORDER BY p.position) FROM inventory_part AS p
		WHERE p.slug = i.slug AND p.number = i.number AND p.code = i.code)
	FROM inventory_version AS v LEFT JOIN inventory_item AS i ON i.slug = v.slug AND i.number = v.number
	WHERE v.slug = ? AND v.number = ? ORDER BY i.code`

func insertItem(columns []inventory.Column) string {
	return `INSERT INTO inventory_item (slug, number, ` + strings.Join(inventory.ColumnNames(columns), ", ") +
		`) VALUES (?, ?` + strings.Repeat(", ?", len(columns)) + `)`
}

// filled lists the columns in which an item has something. Most inventories leave most
// columns empty, and the driver takes as long over nothing as over a text.
func filled(items []inventory.Item) []inventory.Column {
	return slices.DeleteFunc(inventory.ItemColumns(), func(c inventory.Column) bool {
		for i := range items {
			if c.Text(&items[i]) != "" {
				return false
			}
		}
		return true
	})
}

// Publish implements inventory.Store.
func (s *Store) Publish(ctx context.Context, v inventory.Version, c inventory.Change) error {
	return s.change(ctx, c, func(tx *sql.Tx) error { return publish(ctx, tx, v) })
}

func publish(ctx context.Context, tx *sql.Tx, v inventory.Version) error {
	created, err := time.Parse(time.RFC3339Nano, v.CreatedAt)
	if err != nil {
		return fmt.Errorf("publishing %s@%d: created at: %w", v.Slug, v.Number, err)
	}
	var newest sql.NullInt64
	if err := tx.QueryRowContext(ctx, selectNewest, v.Slug).Scan(&newest); err != nil {
		return err
	}
	if int64(v.Number) != newest.Int64+1 {
		return inventory.ErrVersionConflict
	}
	if err := insertContent(ctx, tx, v); err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, insertVersion, v.Slug, v.Number, v.Meta.Name, v.Meta.Region, v.Meta.Currency,
		v.Meta.Invented, v.Meta.Extends, v.Hash, v.Note, inventory.FormatTime(created))
	return err
}

func insertContent(ctx context.Context, tx *sql.Tx, v inventory.Version) (err error) {
	if len(v.Items) == 0 {
		return nil
	}
	columns := filled(v.Items)
	item, err := tx.PrepareContext(ctx, insertItem(columns))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, item.Close()) }()
	part, err := tx.PrepareContext(ctx, insertPart)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, part.Close()) }()

	values := make([]any, 2+len(columns))
	values[0], values[1] = v.Slug, v.Number
	for i := range v.Items {
		for n, c := range columns {
			values[2+n] = nil
			if text := c.Text(&v.Items[i]); text != "" {
				values[2+n] = text
			}
		}
		if _, err := item.ExecContext(ctx, values...); err != nil {
			return err
		}
		for n, p := range v.Items[i].Recipe {
			if _, err := part.ExecContext(ctx, v.Slug, v.Number, v.Items[i].Code, n+1, p.Item, num.Canonical(p.Amount)); err != nil {
				return err
			}
		}
	}
	return nil
}

// Version implements inventory.Store, in one query: a row for each item, with the
// version and the parts of the item's recipe beside it.
func (s *Store) Version(ctx context.Context, ref inventory.Ref) (v inventory.Version, err error) {
	rows, err := s.db.QueryContext(ctx, selectContent, ref.Slug, ref.Number) //nolint:rowserrcheck // ScanVersion looks
	if err != nil {
		return v, translate(ctx, err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	v, err = inventory.ScanVersion(rows)
	if err != nil {
		return inventory.Version{}, fmt.Errorf("reading %s: %w", ref, translate(ctx, err))
	}
	return v, nil
}

// Newest implements inventory.Store.
func (s *Store) Newest(ctx context.Context, slug string) (int, error) {
	var newest sql.NullInt64
	if err := s.db.QueryRowContext(ctx, selectNewest, slug).Scan(&newest); err != nil {
		return 0, translate(ctx, err)
	}
	if !newest.Valid {
		return 0, inventory.ErrNotFound
	}
	return int(newest.Int64), nil
}

// Summaries implements inventory.Store.
func (s *Store) Summaries(ctx context.Context, after string, limit int) ([]inventory.Summary, error) {
	versions, err := s.versions(ctx, `WHERE slug > ? AND number = (SELECT max(number) FROM inventory_version WHERE slug = v.slug)
		ORDER BY slug LIMIT ?`, after, max(limit, 0))
	if err != nil {
		return nil, err
	}
	var list []inventory.Summary
	for _, v := range versions {
		list = append(list, inventory.Summary{Slug: v.Slug, Newest: v})
	}
	return list, nil
}

// Versions implements inventory.Store.
func (s *Store) Versions(ctx context.Context, slug string) ([]inventory.Version, error) {
	versions, err := s.versions(ctx, `WHERE slug = ? ORDER BY number DESC`, slug)
	if err == nil && len(versions) == 0 {
		return nil, inventory.ErrNotFound
	}
	return versions, err
}

func (s *Store) versions(ctx context.Context, which string, args ...any) (_ []inventory.Version, err error) {
	rows, err := s.db.QueryContext(ctx, selectVersion+which, args...)
	if err != nil {
		return nil, translate(ctx, err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	var list []inventory.Version
	for rows.Next() {
		v, err := scanVersion(ctx, rows)
		if err != nil {
			return nil, err
		}
		list = append(list, v)
	}
	return list, translate(ctx, rows.Err())
}

func scanVersion(ctx context.Context, row interface{ Scan(...any) error }) (v inventory.Version, err error) {
	err = row.Scan(&v.Slug, &v.Number, &v.Meta.Name, &v.Meta.Region, &v.Meta.Currency, &v.Meta.Invented, &v.Meta.Extends, &v.Hash, &v.Note, &v.CreatedAt)
	return v, translate(ctx, err)
}
