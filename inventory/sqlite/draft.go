package sqlite

import (
	"context"
	"database/sql"
	"errors"

	"github.com/go-json-experiment/json"

	"slabledger/inventory"
)

const (
	draftColumns = `d.id, d.slug, coalesce(d.base, 0), d.name, d.region, d.currency, d.invented, d.extends, d.revision, d.created_by, d.created_at, d.updated_at`
	selectDraft  = `SELECT ` + draftColumns + `, i.item FROM inventory_draft AS d LEFT JOIN inventory_draft_item AS i ON i.draft = d.id
		WHERE d.slug = ? AND d.id = ? ORDER BY i.code`
	selectDraftItem = `SELECT ` + draftColumns + `, i.item FROM inventory_draft AS d LEFT JOIN inventory_draft_item AS i ON i.draft = d.id AND i.code = ?
		WHERE d.slug = ? AND d.id = ?`
	insertDraft = `INSERT INTO inventory_draft (id, slug, base, name, region, currency, invented, extends, revision, created_by, created_at, updated_at)
		VALUES (?, ?, nullif(?, 0), ?, ?, ?, ?, ?, 1, ?, ?, ?)`
	putDraftItem = `INSERT INTO inventory_draft_item (draft, code, item) VALUES (?, ?, ?) ON CONFLICT (draft, code) DO UPDATE SET item = excluded.item`
)

// CreateDraft implements inventory.Drafts.
func (s *Store) CreateDraft(ctx context.Context, d inventory.Draft, c inventory.Change) error {
	return s.change(ctx, c, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, insertDraft, d.ID, d.Slug, d.Base, d.Meta.Name, d.Meta.Region, d.Meta.Currency, d.Meta.Invented, d.Meta.Extends,
			d.CreatedBy, d.CreatedAt, d.CreatedAt); err != nil {
			return err
		}
		items := make(map[string]*inventory.Item, len(d.Items))
		for i := range d.Items {
			items[d.Items[i].Code] = &d.Items[i]
		}
		return putItems(ctx, tx, d.ID, items)
	})
}

func putItems(ctx context.Context, tx *sql.Tx, draft string, items map[string]*inventory.Item) (err error) {
	put, err := tx.PrepareContext(ctx, putDraftItem)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, put.Close()) }()
	for code, item := range items {
		if item == nil {
			if _, err := tx.ExecContext(ctx, `DELETE FROM inventory_draft_item WHERE draft = ? AND code = ?`, draft, code); err != nil {
				return err
			}
			continue
		}
		text, err := json.Marshal(item)
		if err != nil {
			return err
		}
		if _, err := put.ExecContext(ctx, draft, code, string(text)); err != nil {
			return err
		}
	}
	return nil
}

// Draft implements inventory.Drafts. One statement reads all, so it is of one moment.
func (s *Store) Draft(ctx context.Context, slug, id string) (inventory.Draft, error) {
	return s.draft(ctx, selectDraft, slug, id)
}

// DraftItem implements inventory.Drafts.
func (s *Store) DraftItem(ctx context.Context, slug, id, code string) (inventory.Draft, error) {
	return s.draft(ctx, selectDraftItem, code, slug, id)
}

func (s *Store) draft(ctx context.Context, query string, args ...any) (d inventory.Draft, err error) {
	rows, err := s.db.QueryContext(ctx, query, args...) //nolint:rowserrcheck // ScanDraft looks
	if err != nil {
		return d, translate(ctx, err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	d, err = inventory.ScanDraft(rows)
	return d, translate(ctx, err)
}

// Drafts implements inventory.Drafts.
func (s *Store) Drafts(ctx context.Context, slug string) (list []inventory.Draft, err error) {
	rows, err := s.db.QueryContext(ctx, `SELECT `+draftColumns+` FROM inventory_draft AS d WHERE d.slug = ? ORDER BY d.id`, slug) //nolint:rowserrcheck // ScanDrafts looks
	if err != nil {
		return nil, translate(ctx, err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	list, err = inventory.ScanDrafts(rows)
	return list, translate(ctx, err)
}

// atRevision tells whether a draft is there and as it was read.
func atRevision(ctx context.Context, tx *sql.Tx, slug, id string, revision int) error {
	var found int
	if err := tx.QueryRowContext(ctx, `SELECT revision FROM inventory_draft WHERE slug = ? AND id = ?`, slug, id).Scan(&found); err != nil {
		return err
	}
	if found != revision {
		return inventory.ErrStale
	}
	return nil
}

// EditDraft implements inventory.Drafts.
func (s *Store) EditDraft(ctx context.Context, slug, id string, revision int, edit inventory.DraftEdit, c inventory.Change) (int, error) {
	return revision + 1, s.change(ctx, c, func(tx *sql.Tx) error {
		if err := atRevision(ctx, tx, slug, id, revision); err != nil {
			return err
		}
		if m := edit.Meta; m != nil {
			if _, err := tx.ExecContext(ctx, `UPDATE inventory_draft SET name = ?, region = ?, currency = ?, invented = ?, extends = ? WHERE id = ?`,
				m.Name, m.Region, m.Currency, m.Invented, m.Extends, id); err != nil {
				return err
			}
		}
		if edit.Clear {
			if _, err := tx.ExecContext(ctx, `DELETE FROM inventory_draft_item WHERE draft = ?`, id); err != nil {
				return err
			}
		}
		if err := putItems(ctx, tx, id, edit.Items); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `UPDATE inventory_draft SET revision = ?, updated_at = ? WHERE id = ?`, revision+1, c.At, id)
		return err
	})
}

// DeleteDraft implements inventory.Drafts.
func (s *Store) DeleteDraft(ctx context.Context, slug, id string, revision int, c inventory.Change) error {
	return s.change(ctx, c, func(tx *sql.Tx) error { return endDraft(ctx, tx, slug, id, revision) })
}

func endDraft(ctx context.Context, tx *sql.Tx, slug, id string, revision int) error {
	if err := atRevision(ctx, tx, slug, id, revision); err != nil {
		return err
	}
	_, err := tx.ExecContext(ctx, `DELETE FROM inventory_draft WHERE id = ?`, id)
	return err
}

// PublishDraft implements inventory.Drafts.
func (s *Store) PublishDraft(ctx context.Context, v inventory.Version, id string, revision int, c inventory.Change) error {
	return s.change(ctx, c, func(tx *sql.Tx) error {
		if err := endDraft(ctx, tx, v.Slug, id, revision); err != nil {
			return err
		}
		return publish(ctx, tx, v)
	})
}

// Withdraw implements inventory.Withdrawals.
func (s *Store) Withdraw(ctx context.Context, ref inventory.Ref, w inventory.Withdrawal, c inventory.Change) error {
	return s.change(ctx, c, func(tx *sql.Tx) error {
		var there, gone bool
		if err := tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM inventory_version WHERE slug = ?1 AND number = ?2),
			EXISTS (SELECT 1 FROM inventory_withdrawal WHERE slug = ?1 AND number = ?2)`, ref.Slug, ref.Number).Scan(&there, &gone); err != nil {
			return err
		}
		switch {
		case !there:
			return inventory.ErrNotFound
		case gone:
			return inventory.ErrVersionConflict
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO inventory_withdrawal (slug, number, reason, withdrawn_at) VALUES (?, ?, ?, ?)`, ref.Slug, ref.Number, w.Reason, w.At)
		return err
	})
}

// Withdrawn implements inventory.Withdrawals.
func (s *Store) Withdrawn(ctx context.Context, slug string) (_ map[int]inventory.Withdrawal, err error) {
	rows, err := s.db.QueryContext(ctx, `SELECT number, reason, withdrawn_at FROM inventory_withdrawal WHERE slug = ?`, slug)
	if err != nil {
		return nil, translate(ctx, err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	list := map[int]inventory.Withdrawal{}
	for rows.Next() {
		var n int
		var w inventory.Withdrawal
		if err := rows.Scan(&n, &w.Reason, &w.At); err != nil {
			return nil, translate(ctx, err)
		}
		list[n] = w
	}
	return list, translate(ctx, rows.Err())
}
