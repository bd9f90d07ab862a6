package postgres

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"slabledger/inventory"
)

const (
	insertKey  = `INSERT INTO api_key (id, name, role, hash, created_at, expires_at, max_samples, max_combinations, max_seconds) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`
	selectKeys = `SELECT id, name, role, hash, created_at, expires_at, revoked_at, max_samples, max_combinations, max_seconds FROM api_key `
	revokeKey  = `UPDATE api_key SET revoked_at = $1 WHERE id = $2 AND revoked_at IS NULL`

	// lockJournal is the lock that the trigger on INSERT takes, taken before the last
	// entry is looked at.
	lockJournal   = `SELECT pg_advisory_xact_lock(hashtextextended('journal', 1))`
	insertEntry   = `INSERT INTO journal (number, at, actor, action, target, request_id, hash_before, hash_after, hash) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`
	selectLast    = `SELECT number, hash FROM journal ORDER BY number DESC LIMIT 1`
	selectEntries = `SELECT number, at, actor, action, target, request_id, hash_before, hash_after, hash FROM journal
		WHERE number > $1 ORDER BY number LIMIT $2`

	// Rows that another transaction is about to forget are left to it: waiting for
	// each other's rows, two could wait for ever.
	forgetRequests = `DELETE FROM remembered_request WHERE (actor, operation, key) IN
		(SELECT actor, operation, key FROM remembered_request WHERE at < $1 FOR UPDATE SKIP LOCKED)`
	insertRequest = `INSERT INTO remembered_request (actor, operation, key, fingerprint, location, status, at) VALUES ($1, $2, $3, $4, $5, $6, $7)
		ON CONFLICT DO NOTHING`
	selectRequest = `SELECT actor, operation, key, fingerprint, location, status, at FROM remembered_request
		WHERE actor = $1 AND operation = $2 AND key = $3`
)

// errUnchanged is what the work of a change returns where there was nothing to do.
var errUnchanged = errors.New("nothing was changed")

// change runs the work of a change in one transaction with what belongs to every
// change (see record), all of it or nothing. The name of the request is taken first:
// who sends it again waits until the first is through and then has
// inventory.ErrRepeated, whatever the work would have made of it.
//
// Locks are taken in this order by every change, so that none waits in a circle: the
// name of the request, what the work locks, the journal.
func (s *Store) change(ctx context.Context, c inventory.Change, work func(tx pgx.Tx) error) (err error) {
	// Read committed, whatever the server's default: what is seen behind a lock must
	// be newer than the lock.
	tx, err := s.pool.BeginTx(ctx, pgx.TxOptions{IsoLevel: pgx.ReadCommitted})
	if err != nil {
		return translate(ctx, err)
	}
	defer func() {
		if err != nil {
			_ = tx.Rollback(context.WithoutCancel(ctx)) // the first error is the one that tells
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
	return translate(ctx, tx.Commit(ctx))
}

// remember takes the name of a request, or is inventory.ErrRepeated where it is taken.
func remember(ctx context.Context, tx pgx.Tx, r *inventory.Retry) error {
	if r == nil {
		return nil
	}
	at, err := time.Parse(time.RFC3339Nano, r.At)
	if err != nil {
		return fmt.Errorf("remembering a request: %w", err)
	}
	at = at.Truncate(time.Microsecond)
	if _, err := tx.Exec(ctx, forgetRequests, at.Add(-inventory.RetryKept)); err != nil {
		return err
	}
	result, err := tx.Exec(ctx, insertRequest, r.Actor, r.Operation, r.Key, r.Fingerprint, r.Location, r.Status, at)
	if err != nil || result.RowsAffected() > 0 {
		return err
	}
	return inventory.ErrRepeated
}

// record writes the entry of a change into the journal. It stands last in a
// transaction, since all others that write wait for it from there on.
func record(ctx context.Context, tx pgx.Tx, c inventory.Change) error {
	if _, err := tx.Exec(ctx, lockJournal); err != nil {
		return err
	}
	var last inventory.Entry
	err := tx.QueryRow(ctx, selectLast).Scan(&last.Number, &last.Hash)
	if err != nil && !errors.Is(err, pgx.ErrNoRows) {
		return err
	}
	e, err := inventory.NextEntry(last, c)
	if err != nil {
		return err
	}
	at, err := time.Parse(time.RFC3339Nano, e.At)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, insertEntry, e.Number, at, e.Actor, e.Action, e.Target, e.RequestID, e.Before, e.After, e.Hash)
	return err
}

// CreateKey implements inventory.Access.
func (s *Store) CreateKey(ctx context.Context, k inventory.Key, c inventory.Change) error {
	created, err := time.Parse(time.RFC3339Nano, k.CreatedAt)
	if err != nil {
		return fmt.Errorf("creating the key %s: created at: %w", k.ID, err)
	}
	var expires *time.Time
	if k.ExpiresAt != "" {
		at, err := time.Parse(time.RFC3339Nano, k.ExpiresAt)
		if err != nil {
			return fmt.Errorf("creating the key %s: expires at: %w", k.ID, err)
		}
		expires = &at
	}
	return s.change(ctx, c, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, insertKey, k.ID, k.Name, k.Role, k.Hash, created, expires, k.Limits.Samples, k.Limits.Combinations, k.Limits.Seconds)
		return err
	})
}

// KeyByHash implements inventory.Access.
func (s *Store) KeyByHash(ctx context.Context, hash string) (inventory.Key, error) {
	return scanKey(ctx, s.pool.QueryRow(ctx, selectKeys+`WHERE hash = $1`, hash))
}

// Keys implements inventory.Access.
func (s *Store) Keys(ctx context.Context) ([]inventory.Key, error) {
	rows, err := s.pool.Query(ctx, selectKeys+`ORDER BY created_at, id`)
	if err != nil {
		return nil, translate(ctx, err)
	}
	defer rows.Close()
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

func scanKey(ctx context.Context, row pgx.Row) (k inventory.Key, err error) {
	var created time.Time
	var expires, revoked *time.Time
	if err := row.Scan(&k.ID, &k.Name, &k.Role, &k.Hash, &created, &expires, &revoked, &k.Limits.Samples, &k.Limits.Combinations, &k.Limits.Seconds); err != nil {
		return inventory.Key{}, translate(ctx, err)
	}
	k.CreatedAt = inventory.FormatTime(created)
	if expires != nil {
		k.ExpiresAt = inventory.FormatTime(*expires)
	}
	if revoked != nil {
		k.RevokedAt = inventory.FormatTime(*revoked)
	}
	return k, nil
}

// RevokeKey implements inventory.Access.
func (s *Store) RevokeKey(ctx context.Context, id string, c inventory.Change) error {
	at, err := time.Parse(time.RFC3339Nano, c.At)
	if err != nil {
		return fmt.Errorf("revoking the key %s: %w", id, err)
	}
	return s.change(ctx, c, func(tx pgx.Tx) error {
		result, err := tx.Exec(ctx, revokeKey, at.Truncate(time.Microsecond), id)
		if err != nil || result.RowsAffected() > 0 {
			return err
		}
		if _, err := scanKey(ctx, tx.QueryRow(ctx, selectKeys+`WHERE id = $1`, id)); err != nil {
			return err
		}
		return errUnchanged
	})
}

// Journal implements inventory.Access.
func (s *Store) Journal(ctx context.Context, after, limit int) ([]inventory.Entry, error) {
	rows, err := s.pool.Query(ctx, selectEntries, after, max(limit, 0))
	if err != nil {
		return nil, translate(ctx, err)
	}
	defer rows.Close()
	var list []inventory.Entry
	for rows.Next() {
		var e inventory.Entry
		var at time.Time
		if err := rows.Scan(&e.Number, &at, &e.Actor, &e.Action, &e.Target, &e.RequestID, &e.Before, &e.After, &e.Hash); err != nil {
			return nil, translate(ctx, err)
		}
		e.At = inventory.FormatTime(at)
		list = append(list, e)
	}
	return list, translate(ctx, rows.Err())
}

// Remembered implements inventory.Access.
func (s *Store) Remembered(ctx context.Context, actor, operation, key string) (r inventory.Retry, err error) {
	var at time.Time
	err = s.pool.QueryRow(ctx, selectRequest, actor, operation, key).
		Scan(&r.Actor, &r.Operation, &r.Key, &r.Fingerprint, &r.Location, &r.Status, &at)
	if err != nil {
		return inventory.Retry{}, translate(ctx, err)
	}
	r.At = inventory.FormatTime(at)
	return r, nil
}
