package postgres

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"slabledger/inventory"
)

const (
	insertJob = `INSERT INTO job (id, actor, operation, inventory, state, attempts, lost, done, total, queued_at, started_at, ended_at, result_hash, problem, request)
		VALUES ($1, $2, $3, $4, 'queued', 0, 0, 0, 0, $5, '', '', '', '', $6)`
	// lockActor keeps two requests of one actor from being counted at once.
	lockActor  = `SELECT pg_advisory_xact_lock(hashtextextended($1, 3))`
	openJobs   = `SELECT count(*) FROM job WHERE actor = $1 AND state IN ('queued', 'running')`
	selectJob  = `SELECT ` + inventory.JobColumns + ` FROM job `
	listedJobs = selectJob + `WHERE ($1::text = '' OR state = $1) AND ($2::text = '' OR (queued_at, id) < ($2 COLLATE "C", $3 COLLATE "C")) ORDER BY queued_at DESC, id DESC LIMIT $4`
	cancelJob  = `UPDATE job SET state = 'cancelled', ended_at = $1, beat_at = NULL WHERE id = $2 AND state IN ('queued', 'running')`

	beginJob = `UPDATE job SET state = 'running', attempts = attempts + 1, started_at = $1, done = 0, total = 0, beat_at = clock_timestamp()
		WHERE id = $2 AND state = 'queued' RETURNING ` + inventory.JobColumns + `, request`
	beatJob = `UPDATE job SET done = $1, total = $2, beat_at = clock_timestamp() WHERE id = $3 AND attempts = $4 AND state = 'running'`
	endJob  = `UPDATE job SET state = CASE WHEN $1::text = '' THEN 'done' ELSE 'failed' END, problem = $1, result = $2, result_hash = $3, ended_at = $4, beat_at = NULL,
		done = CASE WHEN $1::text = '' THEN $7 ELSE done END, total = CASE WHEN $1::text = '' THEN $7 ELSE total END
		WHERE id = $5 AND attempts = $6 AND state = 'running'`
	releaseJob = `UPDATE job SET state = 'queued', beat_at = NULL WHERE id = $1 AND attempts = $2 AND state = 'running'`
	silentJobs = `SELECT id FROM job WHERE state = 'running' AND beat_at < clock_timestamp() - $1::interval`
	rescueJob  = `UPDATE job SET lost = lost + 1, beat_at = NULL, state = CASE WHEN lost + 1 < $1 THEN 'queued' ELSE 'failed' END,
		problem = CASE WHEN lost + 1 < $1 THEN '' ELSE $2::text END, ended_at = CASE WHEN lost + 1 < $1 THEN '' ELSE $3::text END
		WHERE id = $4 AND state = 'running' AND beat_at < clock_timestamp() - $5::interval RETURNING state`
	forgetJobs = `DELETE FROM job WHERE ended_at <> '' AND ended_at < $1`
)

// CreateJob implements inventory.Jobs.
func (s *Store) CreateJob(ctx context.Context, j inventory.Job, request []byte, most int, c inventory.Change) error {
	return s.change(ctx, c, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, lockActor, j.Actor); err != nil {
			return err
		}
		var open int
		if err := tx.QueryRow(ctx, openJobs, j.Actor).Scan(&open); err != nil {
			return err
		}
		if open >= most {
			return inventory.ErrTooMany
		}
		if _, err := tx.Exec(ctx, insertJob, j.ID, j.Actor, j.Operation, j.Inventory, j.QueuedAt, request); err != nil {
			return err
		}
		return s.queue.Add(ctx, tx, j.ID)
	})
}

// Job implements inventory.Jobs.
func (s *Store) Job(ctx context.Context, id string) (j inventory.Job, err error) {
	err = s.pool.QueryRow(ctx, selectJob+`WHERE id = $1`, id).Scan(j.Into()...)
	return j, translate(ctx, err)
}

// Jobs implements inventory.Jobs.
func (s *Store) Jobs(ctx context.Context, f inventory.JobFilter, limit int) ([]inventory.Job, error) {
	rows, err := s.pool.Query(ctx, listedJobs, f.State, f.QueuedAt, f.ID, max(limit, 0))
	if err != nil {
		return nil, translate(ctx, err)
	}
	defer rows.Close()
	list, err := inventory.ScanJobs(rows)
	return list, translate(ctx, err)
}

// JobResult implements inventory.Jobs.
func (s *Store) JobResult(ctx context.Context, id string) (result []byte, err error) {
	err = s.pool.QueryRow(ctx, `SELECT result FROM job WHERE id = $1 AND state = 'done'`, id).Scan(&result)
	return result, translate(ctx, err)
}

// JobRequest implements inventory.Jobs.
func (s *Store) JobRequest(ctx context.Context, id string) (request []byte, err error) {
	err = s.pool.QueryRow(ctx, `SELECT request FROM job WHERE id = $1`, id).Scan(&request)
	return request, translate(ctx, err)
}

// CancelJob implements inventory.Jobs.
func (s *Store) CancelJob(ctx context.Context, id string, c inventory.Change) error {
	return s.change(ctx, c, func(tx pgx.Tx) error {
		result, err := tx.Exec(ctx, cancelJob, c.At, id)
		if err != nil || result.RowsAffected() > 0 {
			return err
		}
		var there int
		if err := tx.QueryRow(ctx, `SELECT 1 FROM job WHERE id = $1`, id).Scan(&there); err != nil {
			return err
		}
		return errUnchanged
	})
}

// BeginJob implements inventory.Jobs.
func (s *Store) BeginJob(ctx context.Context, id, at string) (j inventory.Job, request []byte, err error) {
	err = s.pool.QueryRow(ctx, beginJob, at, id).Scan(append(j.Into(), &request)...)
	if errors.Is(err, pgx.ErrNoRows) {
		return j, nil, inventory.ErrStale
	}
	return j, request, translate(ctx, err)
}

// BeatJob implements inventory.Jobs.
func (s *Store) BeatJob(ctx context.Context, id string, attempt int, done, total int64) error {
	return attempted(ctx, s.pool, beatJob, done, total, id, attempt)
}

// EndJob implements inventory.Jobs.
func (s *Store) EndJob(ctx context.Context, id string, attempt int, o inventory.JobOutcome) error {
	return attempted(ctx, s.pool, endJob, o.Problem, o.Result, o.ResultHash, o.At, id, attempt, max(o.Steps, 1))
}

// attempted changes the job of an attempt, or is inventory.ErrStale where that has
// lost it.
func attempted(ctx context.Context, db interface {
	Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error)
}, statement string, args ...any) error {
	result, err := db.Exec(ctx, statement, args...)
	if err == nil && result.RowsAffected() == 0 {
		return inventory.ErrStale
	}
	return translate(ctx, err)
}

// ReleaseJob implements inventory.Jobs.
func (s *Store) ReleaseJob(ctx context.Context, id string, attempt int) error {
	return translate(ctx, pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		if err := attempted(ctx, tx, releaseJob, id, attempt); err != nil {
			return err
		}
		return s.queue.Add(ctx, tx, id)
	}))
}

// RescueJobs implements inventory.Jobs.
func (s *Store) RescueJobs(ctx context.Context, silent time.Duration, problem, at string) (found int, err error) {
	rows, err := s.pool.Query(ctx, silentJobs, silent)
	if err != nil {
		return 0, translate(ctx, err)
	}
	ids, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return 0, translate(ctx, err)
	}
	for _, id := range ids {
		err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
			var state inventory.JobState
			switch err := tx.QueryRow(ctx, rescueJob, inventory.JobLosses, problem, at, id, silent).Scan(&state); {
			case errors.Is(err, pgx.ErrNoRows): // another was first, or it showed life
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
			return found, translate(ctx, err)
		}
	}
	return found, nil
}

// ForgetJobs implements inventory.Jobs.
func (s *Store) ForgetJobs(ctx context.Context, before string) (int, error) {
	result, err := s.pool.Exec(ctx, forgetJobs, before)
	return int(result.RowsAffected()), translate(ctx, err)
}

// Work implements inventory.Jobs.
func (s *Store) Work(ctx context.Context, w inventory.Workers) error {
	return s.queue.Work(ctx, w)
}
