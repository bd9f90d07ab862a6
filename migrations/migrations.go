// Package migrations holds the schema of both databases and brings a database
// up to it. The two folders have files of the same numbers and names.
package migrations

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"

	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/database"
	"github.com/pressly/goose/v3/lock"
)

//go:embed sqlite/*.sql postgres/*.sql
var files embed.FS

// table is where goose keeps the migrations that a database has.
const table = "goose_db_version"

// NewerSchemaError says that a newer program has migrated the database. This
// one does not know what it would write into, and must not start.
type NewerSchemaError struct {
	Database int64 // version of the schema found
	Program  int64 // newest version that this program knows
}

func (e *NewerSchemaError) Error() string {
	return fmt.Sprintf("the database has schema %d, and this program knows schemas up to %d: run a newer program", e.Database, e.Program)
}

// OlderSchemaError says that a database lacks migrations of this program.
type OlderSchemaError struct {
	Database, Program int64
}

func (e *OlderSchemaError) Error() string {
	return fmt.Sprintf("the database has schema %d, and this program needs %d", e.Database, e.Program)
}

// Check compares the version of a database's schema with the program's. The
// error is a *NewerSchemaError or an *OlderSchemaError.
func Check(found int64) error {
	switch latest := Latest(); {
	case found > latest:
		return &NewerSchemaError{Database: found, Program: latest}
	case found < latest:
		return &OlderSchemaError{Database: found, Program: latest}
	}
	return nil
}

// CurrentVersion is the query, in both dialects, for the version that Check
// takes.
const CurrentVersion = "SELECT max(version_id) FROM " + table

// Latest is the newest version of the schema that this program knows.
func Latest() int64 {
	// The number is that of the last file, which is how goose reads it.
	names, err := fs.Glob(files, "sqlite/*.sql")
	if err != nil || len(names) == 0 {
		panic("migrations: none embedded") // only if this package is built wrongly
	}
	version, err := goose.NumericComponent(names[len(names)-1])
	if err != nil {
		panic(err)
	}
	return version
}

// SQLite brings a SQLite database up to the newest schema, all of ours in one
// transaction that holds the write lock from before the first look: of programs
// that start at once one migrates and the others wait for it (as long as their
// busy_timeout) and find nothing to do. A program killed on the way leaves
// nothing behind. The tables of the queue follow, see queue.go.
//
// The pool given must consist of one connection and serve nothing else. A
// database of a newer program is a *NewerSchemaError.
func SQLite(ctx context.Context, db *sql.DB) error {
	provider, err := provide(goose.DialectSQLite3, db)
	if err != nil {
		return err
	}
	if err := sqliteTransaction(ctx, db, func() error { return up(ctx, provider) }); err != nil {
		return err
	}
	return queueUpSQLite(ctx, db)
}

// SQLiteDown takes a SQLite database back to a version of the schema; what
// later versions held is lost.
func SQLiteDown(ctx context.Context, db *sql.DB, version int64) error {
	provider, err := provide(goose.DialectSQLite3, db)
	if err != nil {
		return err
	}
	if err := queueDownSQLite(ctx, db, version); err != nil {
		return err
	}
	return sqliteTransaction(ctx, db, func() error {
		_, err := provider.DownTo(ctx, version)
		return err
	})
}

func sqliteTransaction(ctx context.Context, db *sql.DB, do func() error) (err error) {
	if db.Stats().MaxOpenConnections != 1 {
		return errors.New("migrations: the pool must be limited to one connection")
	}
	// Begun by hand, since goose takes a connection, not a transaction. It is
	// the pool's only one, so all that goose does is inside.
	if _, err := db.ExecContext(ctx, "BEGIN IMMEDIATE"); err != nil {
		return err
	}
	defer func() {
		if err != nil {
			_, rollback := db.ExecContext(context.WithoutCancel(ctx), "ROLLBACK")
			if ctx.Err() != nil {
				rollback = nil // the driver has dropped the connection, and the transaction with it
			}
			err = errors.Join(err, rollback)
		}
	}()
	// goose would make its table in a transaction of its own.
	var exists bool
	if err := db.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM sqlite_schema WHERE name = '"+table+"')").Scan(&exists); err != nil {
		return err
	}
	if !exists {
		store, err := database.NewStore(database.DialectSQLite3, table)
		if err != nil {
			return err
		}
		if err := store.CreateVersionTable(ctx, db); err != nil {
			return err
		}
		if err := store.Insert(ctx, db, database.InsertRequest{Version: 0}); err != nil {
			return err
		}
	}
	if err := do(); err != nil {
		return err
	}
	_, err = db.ExecContext(ctx, "COMMIT")
	return err
}

// Postgres brings a PostgreSQL database up to the newest schema under an
// advisory lock, each migration in a transaction of its own. A database of a
// newer program is a *NewerSchemaError.
func Postgres(ctx context.Context, db *sql.DB) error {
	provider, err := providePostgres(db)
	if err != nil {
		return err
	}
	if err := up(ctx, provider); err != nil {
		return err
	}
	return queueUpPostgres(ctx, db)
}

// PostgresDown takes a PostgreSQL database back to a version of the schema;
// what later versions held is lost.
func PostgresDown(ctx context.Context, db *sql.DB, version int64) error {
	provider, err := providePostgres(db)
	if err != nil {
		return err
	}
	if err := queueDownPostgres(ctx, db, version); err != nil {
		return err
	}
	_, err = provider.DownTo(ctx, version)
	return err
}

func up(ctx context.Context, provider *goose.Provider) error {
	found, err := provider.GetDBVersion(ctx)
	if err != nil {
		return err
	}
	var newer *NewerSchemaError
	if err := Check(found); err == nil || errors.As(err, &newer) {
		return err
	}
	_, err = provider.Up(ctx)
	return err
}

func providePostgres(db *sql.DB) (*goose.Provider, error) {
	// Another program's migration is asked after once a second, for five minutes.
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockTimeout(1, 300))
	if err != nil {
		return nil, err
	}
	return provide(goose.DialectPostgres, db, goose.WithSessionLocker(locker))
}

func provide(dialect goose.Dialect, db *sql.DB, options ...goose.ProviderOption) (*goose.Provider, error) {
	folder := map[goose.Dialect]string{goose.DialectSQLite3: "sqlite", goose.DialectPostgres: "postgres"}[dialect]
	fsys, err := fs.Sub(files, folder)
	if err != nil {
		return nil, err
	}
	options = append(options, goose.WithTableName(table), goose.WithDisableGlobalRegistry(true))
	return goose.NewProvider(dialect, db, fsys, options...)
}
