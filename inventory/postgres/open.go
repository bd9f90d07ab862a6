// Package postgres keeps published inventories in PostgreSQL.
package postgres

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"

	"slabledger/inventory"
	"slabledger/inventory/queue"
	"slabledger/migrations"
)

// Store is an inventory.Store in a PostgreSQL database.
type Store struct {
	pool  *pgxpool.Pool
	queue *queue.Queue[pgx.Tx]
}

var _ inventory.Store = (*Store)(nil)

// Open connects to the database of a DSN (a URL or key=value pairs, see
// pgxpool.ParseConfig) and brings its schema up to date. A database of a newer
// program is a *migrations.NewerSchemaError; one that cannot be reached,
// inventory.ErrUnavailable.
func Open(ctx context.Context, dsn string) (*Store, error) {
	pool, err := pgxpool.New(ctx, dsn)
	if err != nil {
		return nil, err
	}
	if err := migrate(ctx, pool); err != nil {
		pool.Close()
		return nil, fmt.Errorf("migrating the database: %w", translate(ctx, err))
	}
	jobs, err := queue.New(riverpgxv5.New(pool))
	if err != nil {
		pool.Close()
		return nil, err
	}
	return &Store{pool, jobs}, nil
}

func migrate(ctx context.Context, pool *pgxpool.Pool) (err error) {
	db := stdlib.OpenDBFromPool(pool)
	defer func() { err = errors.Join(err, db.Close()) }()
	return migrations.Postgres(ctx, db)
}

// Ping tells whether the server answers and the schema is the program's.
func (s *Store) Ping(ctx context.Context) error {
	var found int64
	if err := s.pool.QueryRow(ctx, migrations.CurrentVersion).Scan(&found); err != nil {
		return translate(ctx, err)
	}
	return migrations.Check(found)
}

// Close waits for what is running and closes the connections.
func (s *Store) Close() error {
	s.pool.Close()
	return nil
}

// translate is the one place where errors of the driver become the store's. It
// goes by SQLSTATE, see appendix A of the PostgreSQL manual.
func translate(ctx context.Context, err error) error {
	var (
		server  *pgconn.PgError
		connect *pgconn.ConnectError
		network net.Error
	)
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil: // whatever the driver says, it is the caller's doing
		return fmt.Errorf("%w: %w", ctx.Err(), err)
	case errors.Is(err, pgx.ErrNoRows):
		return inventory.ErrNotFound
	case errors.As(err, &server):
		switch server.Code[:min(2, len(server.Code))] {
		case "08", // connection exception
			"40", // transaction rollback: deadlock, serialization
			"53", // insufficient resources: too many connections, disk full
			"55", // object not in the state required: a lock not available
			"57": // operator intervention: shutting down, starting up
			return fmt.Errorf("%w: %w", inventory.ErrUnavailable, err)
		}
		return err
	case errors.As(err, &connect), errors.As(err, &network), errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF), pgconn.SafeToRetry(err):
		return fmt.Errorf("%w: %w", inventory.ErrUnavailable, err)
	}
	return err
}
