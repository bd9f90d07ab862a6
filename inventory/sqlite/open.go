// Package sqlite keeps published inventories in a SQLite file. It is the
// default store: one file, many readers, one writer at a time.
package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"

	"github.com/riverqueue/river/riverdriver/riversqlite"
	sqlite "modernc.org/sqlite"
	codes "modernc.org/sqlite/lib"

	"slabledger/inventory"
	"slabledger/inventory/queue"
	"slabledger/migrations"
)

// Store is an inventory.Store in a file.
type Store struct {
	db    *sql.DB
	queue *queue.Queue[*sql.Tx]
}

var _ inventory.Store = (*Store)(nil)

// ErrNotAFile refuses an in-memory database: every connection of a pool would
// see one of its own.
var ErrNotAFile = errors.New("a SQLite database is a file; give its path")

// Open opens the database in the file of the path given, which it makes for the
// owner's eyes only where there is none, and brings its schema up to date. A
// file of a newer program is a *migrations.NewerSchemaError.
func Open(ctx context.Context, path string) (*Store, error) {
	dsn, err := dataSource(path)
	if err != nil {
		return nil, err
	}
	// SQLite gives its own files beside this one the same mode.
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", inventory.ErrUnavailable, err)
	}
	if err := file.Close(); err != nil {
		return nil, err
	}
	if err := migrate(ctx, dsn); err != nil {
		return nil, fmt.Errorf("migrating %s: %w", path, translate(ctx, err))
	}
	db, err := sql.Open("sqlite", dsn)
	if err != nil {
		return nil, err
	}
	jobs, err := queue.New(riversqlite.New(db))
	if err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return &Store{db, jobs}, nil
}

func migrate(ctx context.Context, dsn string) (err error) {
	db, err := sql.Open("sqlite", dsn)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	db.SetMaxOpenConns(1)
	return migrations.SQLite(ctx, db)
}

// dataSource puts the pragmas where every connection of the pool gets them.
func dataSource(path string) (string, error) {
	if path == "" || path == ":memory:" || strings.HasPrefix(path, "file:") || strings.ContainsRune(path, 0) {
		return "", ErrNotAFile
	}
	absolute, err := filepath.Abs(path)
	if err != nil {
		return "", err
	}
	pragmas := url.Values{
		"_busy_timeout": {"15000"}, // ms that a writer waits for another
		"_foreign_keys": {"on"},
		"_journal_mode": {"WAL"},
		"_synchronous":  {"FULL"}, // what is published survives a power cut
		"_txlock":       {"immediate"},
		"_dqs":          {"0"},
		"_defensive":    {"1"},
	}
	u := url.URL{Scheme: "file", Path: filepath.ToSlash(absolute), RawQuery: pragmas.Encode()}
	return u.String(), nil
}

// Ping tells whether the file can be read and its schema is the program's.
func (s *Store) Ping(ctx context.Context) error {
	var found int64
	if err := s.db.QueryRowContext(ctx, migrations.CurrentVersion).Scan(&found); err != nil {
		return translate(ctx, err)
	}
	return migrations.Check(found)
}

// Close releases the file.
func (s *Store) Close() error { return s.db.Close() }

// translate is the one place where errors of the driver become the store's. It
// goes by extended result codes, see https://www.sqlite.org/rescode.html.
func translate(ctx context.Context, err error) error {
	var failure *sqlite.Error
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil: // whatever the driver says, it is the caller's doing
		return fmt.Errorf("%w: %w", ctx.Err(), err)
	case errors.Is(err, sql.ErrNoRows):
		return inventory.ErrNotFound
	case !errors.As(err, &failure):
		return err
	}
	switch failure.Code() & 0xff { // the primary code
	case codes.SQLITE_BUSY, codes.SQLITE_LOCKED, codes.SQLITE_CANTOPEN, codes.SQLITE_FULL, codes.SQLITE_IOERR, codes.SQLITE_PROTOCOL:
		return fmt.Errorf("%w: %w", inventory.ErrUnavailable, err)
	}
	return err
}
