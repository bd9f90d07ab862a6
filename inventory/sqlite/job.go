package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"time"

	"slabledger/inventory"
)

const (
	insertJob = `INSERT INTO job (id, actor, operation, inventory, state, attempts, lost, done, total, queued_at, started_at, ended_at, result_hash, problem, request)
		VALUES (?, ?, ?, ?, 'queued', 0, 0, 0, 0, ?, '', '', '', '', ?)`
	openJobs   = `SELECT count(*) FROM job WHERE actor = ? AND state IN ('queued', 'running')`
	selectJob  = `SELECT ` + inventory.JobColumns + ` FROM job `
	listedJobs = selectJob + `WHERE (?1 = '' OR state = ?1) AND (?2 = '' OR (queued_at, id) < (?2, ?3)) ORDER BY queued_at DESC, id DESC LIMIT ?4`
	cancelJob  = `UPDATE job SET state = 'cancelled', ended_at = ?, beat_at = NULL WHERE id = ? AND state IN ('queued', 'running')`

	// A day is a number here: it is compared, and no text of SQLite's has its digits.
	beginJob = `UPDATE job SET state = 'running', attempts = attempts + 1, started_at = ?, done = 0, total = 0, beat_at = julianday('now')
		WHERE id = ? AND state = 'queued' RETURNING ` + inventory.JobColumns + `, request`
	beatJob = `UPDATE job SET done = ?, total = ?, beat_at = julianday('now') WHERE id = ? AND attempts = ? AND state = 'running'`
	endJob  = `UPDATE job SET state = iif(?1 = '', 'done', 'failed'), problem = ?1, result = ?2, result_hash = ?3, ended_at = ?4, beat_at = NULL,
		done = iif(?1 = '', ?7, done), total = iif(?1 = '', ?7, total)
		WHERE id = ?5 AND attempts = ?6 AND state = 'running'`
	releaseJob = `UPDATE job SET state = 'queued', beat_at = NULL WHERE id = ? AND attempts = ? AND state = 'running'`
	silentJobs = `SELECT id FROM job WHERE state = 'running' AND beat_at < julianday('now') - ?`
	rescueJob  = `UPDATE job SET lost = lost + 1, beat_at = NULL, state = iif(lost + 1 < ?1, 'queued', 'failed'),
		problem = iif(lost + 1 < ?1, '', ?2), ended_at = iif(lost + 1 < ?1, '', ?3)
		WHERE id = ?4 AND state = 'running' AND beat_at < julianday('now') - ?5 RETURNING state`
	forgetJobs = `DELETE FROM job WHERE ended_at <> '' AND ended_at < ?`
)

// CreateJob implements inventory.Jobs.
func (s *Store) CreateJob(ctx context.Context, j inventory.Job, request []byte, most int, c inventory.Change) error {
	return s.change(ctx, c, func(tx *sql.Tx) error {
		var open int
		if err := tx.QueryRowContext(ctx, openJobs, j.Actor).Scan(&open); err != nil {
			return err
		}
		if open >= most {
			return inventory.ErrTooMany
		}
		if _, err := tx.ExecContext(ctx, insertJob, j.ID, j.Actor, j.Operation, j.Inventory, j.QueuedAt, request); err != nil {
			return err
		}
		return s.queue.Add(ctx, tx, j.ID)
	})
}

// Job implements inventory.Jobs.
func (s *Store) Job(ctx context.Context, id string) (j inventory.Job, err error) {
	err = s.db.QueryRowContext(ctx, selectJob+`WHERE id = ?`, id).Scan(j.Into()...)
	return j, translate(ctx, err)
}

// Jobs implements inventory.Jobs.
func (s *Store) Jobs(ctx context.Context, f inventory.JobFilter, limit int) (list []inventory.Job, err error) {
	rows, err := s.db.QueryContext(ctx, listedJobs, f.State, f.QueuedAt, f.ID, max(limit, 0)) //nolint:rowserrcheck // ScanJobs looks
	if err != nil {
		return nil, translate(ctx, err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	list, err = inventory.ScanJobs(rows)
	return list, translate(ctx, err)
}

// JobResult implements inventory.Jobs.
func (s *Store) JobResult(ctx context.Context, id string) (result []byte, err error) {
	err = s.db.QueryRowContext(ctx, `SELECT result FROM job WHERE id = ? AND state = 'done'`, id).Scan(&result)
	return result, translate(ctx, err)
}

// JobRequest implements inventory.Jobs.
func (s *Store) JobRequest(ctx context.Context, id string) (request []byte, err error) {
	err = s.db.QueryRowContext(ctx, `SELECT request FROM job WHERE id = ?`, id).Scan(&request)
	return request, translate(ctx, err)
}

// CancelJob implements inventory.Jobs.
func (s *Store) CancelJob(ctx context.Context, id string, c inventory.Change) error {
	return s.change(ctx, c, func(tx *sql.Tx) error {
		result, err := tx.ExecContext(ctx, cancelJob, c.At, id)
		if err != nil {
			return err
		}
		if n, err := result.RowsAffected(); err != nil || n > 0 {
			return err
		}
		var there int
		if err := tx.QueryRowContext(ctx, `SELECT 1 FROM job WHERE id = ?`, id).Scan(&there); err != nil {
			return err
		}
		return errUnchanged
	})
}

// BeginJob implements inventory.Jobs.
func (s *Store) BeginJob(ctx context.Context, id, at string) (j inventory.Job, request []byte, err error) {
	err = s.db.QueryRowContext(ctx, beginJob, at, id).Scan(append(j.Into(), &request)...)
	if errors.Is(err, sql.ErrNoRows) {
		return j, nil, inventory.ErrStale
	}
	return j, request, translate(ctx, err)
}

// BeatJob implements inventory.Jobs.
func (s *Store) BeatJob(ctx context.Context, id string, attempt int, done, total int64) error {
	return s.attempted(ctx, s.db, beatJob, done, total, id, attempt)
}

// EndJob implements inventory.Jobs.
func (s *Store) EndJob(ctx context.Context, id string, attempt int, o inventory.JobOutcome) error {
	return s.attempted(ctx, s.db, endJob, o.Problem, o.Result, o.ResultHash, o.At, id, attempt, max(o.Steps, 1))
}

// attempted changes the job of an attempt, or is inventory.ErrStale where that has
// lost it.
func (s *Store) attempted(ctx context.Context, db interface {
	ExecContext(ctx context.Context, query string, args ...any) (sql.Result, error)
}, statement string, args ...any) error {
	result, err := db.ExecContext(ctx, statement, args...)
	if err != nil {
		return translate(ctx, err)
	}
	n, err := result.RowsAffected()
	if err == nil && n == 0 {
		return inventory.ErrStale
	}
	return translate(ctx, err)
}

// ReleaseJob implements inventory.Jobs.
func (s *Store) ReleaseJob(ctx context.Context, id string, attempt int) error {
	return s.inTransaction(ctx, func(tx *sql.Tx) error {
		if err := s.attempted(ctx, tx, releaseJob, id, attempt); err != nil {
			return err
		}
		return s.queue.Add(ctx, tx, id)
	})
}

// inTransaction does work that is no one's change: all of it, or nothing.
func (s *Store) inTransaction(ctx context.Context, work func(tx *sql.Tx) error) error {
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return translate(ctx, err)
	}
	if err := work(tx); err != nil {
		_ = tx.Rollback() // the first error is the one that tells
		return translate(ctx, err)
	}
	return translate(ctx, tx.Commit())
}

// RescueJobs implements inventory.Jobs. Where none is silent it writes nothing.
func (s *Store) RescueJobs(ctx context.Context, silent time.Duration, problem, at string) (found int, err error) {
	days := silent.Hours() / 24
	rows, err := s.db.QueryContext(ctx, silentJobs, days)
	if err != nil {
		return 0, translate(ctx, err)
	}
	ids, err := texts(rows)
	if err != nil {
		return 0, translate(ctx, err)
	}
	for _, id := range ids {
		err := s.inTransaction(ctx, func(tx *sql.Tx) error {
			var state inventory.JobState
			switch err := tx.QueryRowContext(ctx, rescueJob, inventory.JobLosses, problem, at, id, days).Scan(&state); {
			case errors.Is(err, sql.ErrNoRows): // another was first, or it showed life
				return nil
			case err != nil:
				return err
			}
			found++
			if state != inventory.JobQueued {
				return nil
			}
			return s.queue.Add(ctx, tx, id)
		})
		if err != nil {
			return found, err
		}
	}
	return found, nil
}

func texts(rows *sql.Rows) (list []string, err error) {
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var text string
		if err := rows.Scan(&text); err != nil {
			return nil, err
		}
		list = append(list, text)
	}
	return list, rows.Err()
}

// ForgetJobs implements inventory.Jobs.
func (s *Store) ForgetJobs(ctx context.Context, before string) (int, error) {
	result, err := s.db.ExecContext(ctx, forgetJobs, before)
	if err != nil {
		return 0, translate(ctx, err)
	}
	n, err := result.RowsAffected()
	return int(n), translate(ctx, err)
}

// Work implements inventory.Jobs.
func (s *Store) Work(ctx context.Context, w inventory.Workers) error {
	return s.queue.Work(ctx, w)
}
