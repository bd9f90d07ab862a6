package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"slabledger/inventory"
	"slabledger/inventory/storetest"
	"slabledger/migrations"
)

var database = storetest.Database{
	New: func(t testing.TB) string { return filepath.Join(t.TempDir(), "with space?&#%20.db") },
	Open: func(ctx context.Context, dsn string) (inventory.Store, error) {
		store, err := Open(ctx, dsn)
		if err != nil {
			return nil, err // not a *Store of nil in an interface
		}
		return store, nil
	},
	SQL: func(t testing.TB, path string) *sql.DB {
		dsn, err := dataSource(path)
		if err != nil {
			t.Fatal(err)
		}
		db, err := sql.Open("sqlite", dsn)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = db.Close() }) // nothing was to be kept
		return db
	},
	Up:     migrations.SQLite,
	Down:   func(ctx context.Context, db *sql.DB) error { return migrations.SQLiteDown(ctx, db, 0) },
	Schema: `SELECT type || ' ' || name || ': ' || coalesce(sql, '') FROM sqlite_schema WHERE tbl_name NOT LIKE 'goose%' AND name NOT LIKE 'sqlite%' ORDER BY 1`,
	Forbidden: []string{
		`INSERT OR REPLACE INTO inventory_version SELECT slug, number, 'Again', region, currency, invented, hash, note, created_at FROM inventory_version`,
		`REPLACE INTO inventory_item (slug, number, code, category, name, unit) VALUES ('fixed', 1, 'item-00001', 'water', 'Again', 'kg')`,
		`REPLACE INTO inventory_part SELECT slug, number, code, position, item, '9' FROM inventory_part`,
		`INSERT OR IGNORE INTO inventory_item (slug, number, code, category, name, unit) VALUES ('fixed', 1, 'late', 'water', 'Late', 'kg')`,
		`UPDATE OR IGNORE inventory_item SET name = 'changed'`,
		`UPDATE OR REPLACE inventory_item SET code = 'item-00001' WHERE code = 'item-00002'`,
	},
	ForbiddenAccess: []string{
		`INSERT OR REPLACE INTO journal SELECT number, at, 'x', action, target, request_id, hash_before, hash_after, hash FROM journal`,
		`INSERT OR IGNORE INTO journal SELECT number + 9, at, actor, action, target, request_id, hash_before, hash_after, hash FROM journal`,
		`UPDATE OR REPLACE journal SET number = 1 WHERE number = 2`,
		`UPDATE OR IGNORE journal SET actor = 'x'`,
		`INSERT OR REPLACE INTO api_key SELECT id, name, 'admin', hash, created_at, expires_at, NULL FROM api_key`,
		`REPLACE INTO api_key SELECT 'new', name, 'admin', hash, created_at, expires_at, NULL FROM api_key WHERE id = 'dead'`,
		`UPDATE OR REPLACE api_key SET id = 'live' WHERE id = 'dead'`,
	},
	Unguarded: []string{`DROP TRIGGER journal_update`, `DROP TRIGGER journal_delete`},
}

func TestMain(m *testing.M) { storetest.Main(m, database) }

func TestStore(t *testing.T) { storetest.Run(t, database) }

func TestFilesAreTheOwnersOnly(t *testing.T) {
	path := filepath.Join(t.TempDir(), "slabledger.db")
	store, err := Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = store.Close() }()
	if err := store.Ping(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, suffix := range []string{"", "-wal", "-shm"} {
		info, err := os.Stat(path + suffix)
		if err != nil {
			t.Fatal(err)
		}
		if got := info.Mode().Perm(); got != fs.FileMode(0o600) {
			t.Errorf("%s has the mode %v", filepath.Base(path+suffix), got)
		}
	}
}

// A pragma that is run once holds for one connection of a pool; all must have
// them.
func TestPragmasHoldOnEveryConnection(t *testing.T) {
	store, err := Open(t.Context(), filepath.Join(t.TempDir(), "slabledger.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = store.Close() }()
	for range 4 { // connections that are all held at once
		conn, err := store.db.Conn(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = conn.Close() }()
		for pragma, want := range map[string]string{"foreign_keys": "1", "journal_mode": "wal", "busy_timeout": "15000", "synchronous": "2"} {
			var got string
			if err := conn.QueryRowContext(t.Context(), "PRAGMA "+pragma).Scan(&got); err != nil {
				t.Fatal(err)
			}
			if got != want {
				t.Errorf("%s is %s, want %s", pragma, got, want)
			}
		}
	}
}

func TestOpenRefusesWhatIsNoFile(t *testing.T) {
	for _, path := range []string{"", ":memory:", "file::memory:?cache=shared", "a\x00b"} {
		if _, err := Open(t.Context(), path); !errors.Is(err, ErrNotAFile) {
			t.Errorf("%q: got %v", path, err)
		}
	}
	if _, err := Open(t.Context(), filepath.Join(t.TempDir(), "no", "such", "folder.db")); !errors.Is(err, inventory.ErrUnavailable) {
		t.Errorf("got %v", err)
	}
}

func TestOpenLeavesAForeignFileAlone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "letter.txt")
	text := []byte("Dear reader, this is no database, and it is long enough to be told from one: " + fmt.Sprint(make([]int, 200)))
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(t.Context(), path); err == nil {
		t.Error("a letter was opened as a database")
	}
	if after, err := os.ReadFile(path); err != nil || string(after) != string(text) {
		t.Errorf("the letter was changed: %v", err)
	}
}

// A writer that waits in vain says so.
func TestALockedFileIsUnavailable(t *testing.T) {
	path := filepath.Join(t.TempDir(), "slabledger.db")
	store, err := Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = store.Close() }()
	store.db.SetMaxOpenConns(1)
	if _, err := store.db.ExecContext(t.Context(), "PRAGMA busy_timeout = 10"); err != nil {
		t.Fatal(err)
	}
	tx, err := database.SQL(t, path).BeginTx(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = tx.Rollback() }()
	v := inventory.Version{Slug: "a", Number: 1, CreatedAt: "2026-01-01T00:00:00Z"}
	if err := store.Publish(t.Context(), v, storetest.Publication(v)); !errors.Is(err, inventory.ErrUnavailable) {
		t.Errorf("got %v, want %v", err, inventory.ErrUnavailable)
	}
	if _, err := store.Newest(t.Context(), "a"); !errors.Is(err, inventory.ErrNotFound) {
		t.Errorf("a reader is held up by a writer: %v", err)
	}
}
