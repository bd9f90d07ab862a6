package postgres

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"slabledger/inventory"
	"slabledger/lca/num"
)

// columns of inventory_item that hold an item; the recipe is in inventory_part.
var columns = inventory.ItemColumns()

const (
	insertVersion = `INSERT INTO inventory_version (slug, number, name, region, currency, invented, extends, hash, note, created_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`
	selectVersion = `SELECT slug, number, name, region, currency, invented, extends, hash, note, created_at FROM inventory_version AS v `
	selectNewest  = `SELECT max(number) FROM inventory_version WHERE slug = $1`

	// lockSlug is the lock that the triggers on INSERT take, taken before the
	// first look.
	lockSlug = `SELECT pg_advisory_xact_lock(hashtextextended($1, 0))`
)

// selectContent reads a version with its items; the last column is the recipe, as the
// column of a table has it. Decimals are read as text, which has every digit.
var selectContent = `SELECT v.slug, v.number, v.name, v.region, v.currency, v.invented, v.extends, v.hash, v.note,
	to_char(v.created_at AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"'), i.` +
	strings.Join(inventory.ColumnNames(columns), "::text, i.") + `::text,
	(SELECT string_agg(p.item || '=' || p.amount::text, '; ' ORDER BY p.position) FROM inventory_part AS p
		WHERE p.slug = i.slug AND p.number = i.number AND p.code = i.code)
	FROM inventory_version AS v LEFT JOIN inventory_item AS i ON i.slug = v.slug AND i.number = v.number
	WHERE v.slug = $1 AND v.number = $2 ORDER BY i.code`

// Publish implements inventory.Store.
func (s *Store) Publish(ctx context.Context, v inventory.Version, c inventory.Change) error {
	return s.change(ctx, c, func(tx pgx.Tx) error { return publish(ctx, tx, v) })
}

func publish(ctx context.Context, tx pgx.Tx, v inventory.Version) error {
	created, err := time.Parse(time.RFC3339Nano, v.CreatedAt)
	if err != nil {
		return fmt.Errorf("publishing %s@%d: created at: %w", v.Slug, v.Number, err)
	}
	if _, err = tx.Exec(ctx, lockSlug, v.Slug); err != nil {
		return err
	}
	var newest pgtype.Int8
	if err := tx.QueryRow(ctx, selectNewest, v.Slug).Scan(&newest); err != nil {
		return err
	}
	if int64(v.Number) != newest.Int64+1 {
		return inventory.ErrVersionConflict
	}
	if err := insertContent(ctx, tx, v); err != nil {
		return err
	}
	_, err = tx.Exec(ctx, insertVersion, v.Slug, v.Number, v.Meta.Name, v.Meta.Region, v.Meta.Currency,
		v.Meta.Invented, v.Meta.Extends, v.Hash, v.Note, created.Truncate(time.Microsecond))
	return err
}

func insertContent(ctx context.Context, tx pgx.Tx, v inventory.Version) error {
	number := strconv.Itoa(v.Number)
	names := append([]string{"slug", "number"}, inventory.ColumnNames(columns)...)
	if err := copyRows(ctx, tx, "inventory_item", names, len(v.Items), func(r *copyRow, n int) {
		r.value(v.Slug)
		r.value(number)
		for _, c := range columns {
			if text := c.Text(&v.Items[n]); text != "" {
				r.value(text)
			} else {
				r.null()
			}
		}
	}); err != nil {
		return err
	}
	var parts [][]string
	for _, item := range v.Items {
		for n, p := range item.Recipe {
			parts = append(parts, []string{v.Slug, number, item.Code, strconv.Itoa(n + 1), p.Item, num.Canonical(p.Amount)})
		}
	}
	return copyRows(ctx, tx, "inventory_part", []string{"slug", "number", "code", "position", "item", "amount"}, len(parts), func(r *copyRow, n int) {
		for _, text := range parts[n] {
			r.value(text)
		}
	})
}

// Version implements inventory.Store, in one query: a row for each item, with the
// version and the parts of the item's recipe beside it.
func (s *Store) Version(ctx context.Context, ref inventory.Ref) (v inventory.Version, err error) {
	rows, err := s.pool.Query(ctx, selectContent, ref.Slug, ref.Number)
	if err != nil {
		return v, translate(ctx, err)
	}
	defer rows.Close()
	v, err = inventory.ScanVersion(rows)
	if err != nil {
		return inventory.Version{}, fmt.Errorf("reading %s: %w", ref, translate(ctx, err))
	}
	return v, nil
}

// Newest implements inventory.Store.
func (s *Store) Newest(ctx context.Context, slug string) (int, error) {
	var newest pgtype.Int8
	if err := s.pool.QueryRow(ctx, selectNewest, slug).Scan(&newest); err != nil {
		return 0, translate(ctx, err)
	}
	if !newest.Valid {
		return 0, inventory.ErrNotFound
	}
	return int(newest.Int64), nil
}

// Summaries implements inventory.Store.
func (s *Store) Summaries(ctx context.Context, after string, limit int) ([]inventory.Summary, error) {
	versions, err := s.versions(ctx, `WHERE slug > $1 AND number = (SELECT max(number) FROM inventory_version WHERE slug = v.slug)
		ORDER BY slug LIMIT $2`, after, max(limit, 0))
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
	versions, err := s.versions(ctx, `WHERE slug = $1 ORDER BY number DESC`, slug)
	if err == nil && len(versions) == 0 {
		return nil, inventory.ErrNotFound
	}
	return versions, err
}

func (s *Store) versions(ctx context.Context, which string, args ...any) ([]inventory.Version, error) {
	rows, err := s.pool.Query(ctx, selectVersion+which, args...)
	if err != nil {
		return nil, translate(ctx, err)
	}
	defer rows.Close()
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

func scanVersion(ctx context.Context, row pgx.Row) (v inventory.Version, err error) {
	var created time.Time
	err = row.Scan(&v.Slug, &v.Number, &v.Meta.Name, &v.Meta.Region, &v.Meta.Currency, &v.Meta.Invented, &v.Meta.Extends, &v.Hash, &v.Note, &created)
	if err != nil {
		return inventory.Version{}, translate(ctx, err)
	}
	v.CreatedAt = inventory.FormatTime(created)
	return v, nil
}
