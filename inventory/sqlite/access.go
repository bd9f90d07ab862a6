package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"slabledger/inventory"
)

const (
	insertKey  = `INSERT INTO api_key (id, name, role, hash, created_at, expires_at, max_samples, max_combinations, max_seconds) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`
	selectKeys = `SELECT id, name, role, hash, created_at, coalesce(expires_at, ''), coalesce(revoked_at, ''), max_samples, max_combinations, max_seconds FROM api_key `
	revokeKey  = `UPDATE api_key SET revoked_at = ? WHERE id = ? AND revoked_at IS NULL`

	insertEntry   = `INSERT INTO journal (number, at, actor, action, target, request_id, hash_before, hash_after, hash) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`
	selectLast    = `SELECT number, hash FROM journal ORDER BY number DESC LIMIT 1`
	selectEntries = `SELECT number, at, actor, action, target, request_id, hash_before, hash_after, hash FROM journal
		WHERE number > ? ORDER BY number LIMIT ?`

	forgetRequests = `DELETE FROM remembered_request WHERE at < ?`
	insertRequest  = `INSERT INTO remembered_request (actor, operation, key, fingerprint, location, status, at) VALUES (?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT DO NOTHING`
	selectRequest = `SELECT actor, operation, key, fingerprint, location, status, at FROM remembered_request
		WHERE actor = ? AND operation = ? AND key = ?`
)

// errUnchanged is what the work of a change returns where there was nothing to do.
var errUnchanged = errors.New("nothing was changed")

// change runs the work of a change in one transaction with what belongs to every
// change (see record), all of it or nothing. The name of the request is taken first:
// who sends it again waits until the first is through and then has
// inventory.ErrRepeated, whatever the work would have made of it.
func (s *Store) change(ctx context.Context, c inventory.Change, work func(tx *sql.Tx) error) (err error) {
	tx, err := s.db.BeginTx(ctx, nil) // holds the write lock from here on
	if err != nil {
		return translate(ctx, err)
	}
	defer func() {
		if err != nil {
			_ = tx.Rollback() // the first error is the one that tells
		}
		if errors.Is(err, errUnchanged) {
			err = nil
		}
	}()
	if err := remember(ctx, tx, c.Retry); err != nil {
		return translate(ctx, err)
	}
	if err := work(tx); err != nil {
		return translate(ctx, err)
	}
	if err := record(ctx, tx, c); err != nil {
		return translate(ctx, err)
	}
	return translate(ctx, tx.Commit())
}

// remember takes the name of a request, or is inventory.ErrRepeated where it is taken.
func remember(ctx context.Context, tx *sql.Tx, r *inventory.Retry) error {
	if r == nil {
		return nil
	}
	at, err := time.Parse(time.RFC3339Nano, r.At)
	if err != nil {
		return fmt.Errorf("remembering a request: %w", err)
	}
	if _, err := tx.ExecContext(ctx, forgetRequests, inventory.FormatTime(at.Add(-inventory.RetryKept))); err != nil {
		return err
	}
	result, err := tx.ExecContext(ctx, insertRequest, r.Actor, r.Operation, r.Key, r.Fingerprint, r.Location, r.Status, inventory.FormatTime(at))
	if err != nil {
		return err
	}
	if n, err := result.RowsAffected(); err != nil || n > 0 {
		return err
	}
	return inventory.ErrRepeated
}

// record writes the entry of a change into the journal. It stands last in a
// transaction.
func record(ctx context.Context, tx *sql.Tx, c inventory.Change) error {
	var last inventory.Entry
	err := tx.QueryRowContext(ctx, selectLast).Scan(&last.Number, &last.Hash)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	e, err := inventory.NextEntry(last, c)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, insertEntry, e.Number, e.At, e.Actor, e.Action, e.Target, e.RequestID, e.Before, e.After, e.Hash)
	return err
}

// CreateKey implements inventory.Access.
func (s *Store) CreateKey(ctx context.Context, k inventory.Key, c inventory.Change) error {
	return s.change(ctx, c, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, insertKey, k.ID, k.Name, k.Role, k.Hash, k.CreatedAt, sql.NullString{String: k.ExpiresAt, Valid: k.ExpiresAt != ""}, k.Limits.Samples, k.Limits.Combinations, k.Limits.Seconds)
		return err
	})
}

// KeyByHash implements inventory.Access.
func (s *Store) KeyByHash(ctx context.Context, hash string) (inventory.Key, error) {
	return scanKey(ctx, s.db.QueryRowContext(ctx, selectKeys+`WHERE hash = ?`, hash))
}

// Keys implements inventory.Access.
func (s *Store) Keys(ctx context.Context) (_ []inventory.Key, err error) {
	rows, err := s.db.QueryContext(ctx, selectKeys+`ORDER BY created_at, id`)
	if err != nil {
		return nil, translate(ctx, err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	var list []inventory.Key
	for rows.Next() {
		k, err := scanKey(ctx, rows)
		if err != nil {
			return nil, err
		}
		list = append(list, k)
	}
	return list, translate(ctx, rows.Err())
}

func scanKey(ctx context.Context, row interface{ Scan(...any) error }) (k inventory.Key, err error) {
	err = row.Scan(&k.ID, &k.Name, &k.Role, &k.Hash, &k.CreatedAt, &k.ExpiresAt, &k.RevokedAt, &k.Limits.Samples, &k.Limits.Combinations, &k.Limits.Seconds)
	return k, translate(ctx, err)
}

// RevokeKey implements inventory.Access.
func (s *Store) RevokeKey(ctx context.Context, id string, c inventory.Change) error {
	return s.change(ctx, c, func(tx *sql.Tx) error {
		result, err := tx.ExecContext(ctx, revokeKey, c.At, id)
		if err != nil {
			return err
		}
		if n, err := result.RowsAffected(); err != nil || n > 0 {
			return err
		}
		if _, err := scanKey(ctx, tx.QueryRowContext(ctx, selectKeys+`WHERE id = ?`, id)); err != nil {
			return err
		}
		return errUnchanged
	})
}

// Journal implements inventory.Access.
func (s *Store) Journal(ctx context.Context, after, limit int) (_ []inventory.Entry, err error) {
	rows, err := s.db.QueryContext(ctx, selectEntries, after, max(limit, 0))
	if err != nil {
		return nil, translate(ctx, err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	var list []inventory.Entry
	for rows.Next() {
		var e inventory.Entry
		if err := rows.Scan(&e.Number, &e.At, &e.Actor, &e.Action, &e.Target, &e.RequestID, &e.Before, &e.After, &e.Hash); err != nil {
			return nil, translate(ctx, err)
		}
		list = append(list, e)
	}
	return list, translate(ctx, rows.Err())
}

// Remembered implements inventory.Access.
func (s *Store) Remembered(ctx context.Context, actor, operation, key string) (r inventory.Retry, err error) {
	err = s.db.QueryRowContext(ctx, selectRequest, actor, operation, key).
		Scan(&r.Actor, &r.Operation, &r.Key, &r.Fingerprint, &r.Location, &r.Status, &r.At)
	return r, translate(ctx, err)
}
