package migrations

import (
	"context"
	"database/sql"
	"errors"
	"log/slog"

	"github.com/riverqueue/river/riverdriver"
	"github.com/riverqueue/river/riverdriver/riverdatabasesql"
	"github.com/riverqueue/river/riverdriver/riversqlite"
	"github.com/riverqueue/river/rivermigrate"
)

// The queue of jobs keeps tables of its own, which its library migrates: after ours,
// each run in a transaction that holds a lock, so that programs that start at once
// wait for each other here too. A program killed on the way leaves a whole version.

// queueSince is the version of our schema that has the records of jobs; a database
// that goes back behind it has no queue either.
const queueSince = 5

// queueFirst is how far the queue's migrations go in one transaction at first: the
// next ones use a value that PostgreSQL lets a type have only once it is committed.
const queueFirst = 4

// queueLock is held in PostgreSQL while the queue's tables are migrated.
const queueLock = `SELECT pg_advisory_xact_lock(hashtextextended('queue', 2))`

func queueUpSQLite(ctx context.Context, db *sql.DB) error {
	return queueRun(ctx, db, riversqlite.New(db), "", rivermigrate.DirectionUp, nil)
}

func queueDownSQLite(ctx context.Context, db *sql.DB, version int64) error {
	if version >= queueSince {
		return nil
	}
	return queueRun(ctx, db, riversqlite.New(db), "", rivermigrate.DirectionDown, &rivermigrate.MigrateOpts{TargetVersion: -1})
}

func queueUpPostgres(ctx context.Context, db *sql.DB) error {
	for _, options := range []*rivermigrate.MigrateOpts{{TargetVersion: queueFirst}, nil} {
		if err := queueRun(ctx, db, riverdatabasesql.New(db), queueLock, rivermigrate.DirectionUp, options); err != nil {
			return err
		}
	}
	return nil
}

func queueDownPostgres(ctx context.Context, db *sql.DB, version int64) error {
	if version >= queueSince {
		return nil
	}
	return queueRun(ctx, db, riverdatabasesql.New(db), queueLock, rivermigrate.DirectionDown, &rivermigrate.MigrateOpts{TargetVersion: -1})
}

// queueRun migrates the queue's tables in one transaction, behind a lock where the
// transaction itself is none.
func queueRun(ctx context.Context, db *sql.DB, driver riverdriver.Driver[*sql.Tx], lock string, direction rivermigrate.Direction, options *rivermigrate.MigrateOpts) (err error) {
	migrator, err := rivermigrate.New(driver, &rivermigrate.Config{Logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		return err
	}
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, ignoreDone(tx.Rollback()))
		}
	}()
	if lock != "" {
		if _, err := tx.ExecContext(ctx, lock); err != nil {
			return err
		}
	}
	if _, err := migrator.MigrateTx(ctx, tx, direction, options); err != nil { //nolint:staticcheck // those that do not go together are apart, see queueFirst; else there is no lock
		return err
	}
	return tx.Commit()
}

// ignoreDone drops the error of ending a transaction that has ended with its context.
func ignoreDone(err error) error {
	if errors.Is(err, sql.ErrTxDone) {
		return nil
	}
	return err
}
