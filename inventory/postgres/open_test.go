package postgres

import (
	"context"
	"database/sql"
	"errors"
	"net"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"slabledger/inventory"
	"slabledger/inventory/storetest"
	"slabledger/migrations"
)

var database = storetest.Database{
	New: storetest.Postgres,
	Open: func(ctx context.Context, dsn string) (inventory.Store, error) {
		store, err := Open(ctx, dsn)
		if err != nil {
			return nil, err // not a *Store of nil in an interface
		}
		return store, nil
	},
	SQL: func(t testing.TB, dsn string) *sql.DB {
		db, err := sql.Open("pgx", dsn)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = db.Close() }) // nothing was to be kept
		return db
	},
	Up:   migrations.Postgres,
	Down: func(ctx context.Context, db *sql.DB) error { return migrations.PostgresDown(ctx, db, 0) },
	Schema: `
		SELECT concat_ws(' ', 'column', table_name, ordinal_position, column_name, data_type, collation_name, is_nullable) FROM information_schema.columns
		WHERE table_schema = current_schema() AND table_name NOT LIKE 'goose%'
		UNION ALL SELECT concat_ws(' ', 'constraint', conrelid::regclass, conname, pg_get_constraintdef(oid)) FROM pg_constraint
		WHERE connamespace = current_schema()::regnamespace AND conrelid::regclass::text NOT LIKE 'goose%'
		UNION ALL SELECT concat_ws(' ', 'trigger', pg_get_triggerdef(oid)) FROM pg_trigger WHERE NOT tgisinternal
		UNION ALL SELECT concat_ws(' ', 'function', pg_get_functiondef(oid)) FROM pg_proc WHERE pronamespace = current_schema()::regnamespace
		ORDER BY 1`,
	Forbidden: []string{
		`TRUNCATE inventory_version, inventory_item, inventory_part`,
		`TRUNCATE inventory_version CASCADE`,
		`TRUNCATE inventory_item CASCADE`,
		`TRUNCATE inventory_part`,
		`MERGE INTO inventory_item AS i USING (SELECT 'item-00001' AS code) AS s ON i.code = s.code WHEN MATCHED THEN UPDATE SET name = 'changed'`,
	},
	ForbiddenAccess: []string{
		`TRUNCATE journal`,
		`TRUNCATE api_key`,
		`TRUNCATE journal, api_key CASCADE`,
		`MERGE INTO journal AS j USING (SELECT 1 AS number) AS s ON j.number = s.number WHEN MATCHED THEN UPDATE SET actor = 'x'`,
		`MERGE INTO api_key AS k USING (SELECT 'live' AS id) AS s ON k.id = s.id WHEN MATCHED THEN UPDATE SET role = 'admin'`,
	},
	Unguarded: []string{`ALTER TABLE journal DISABLE TRIGGER ALL`},
}

func TestMain(m *testing.M) { storetest.Main(m, database) }

func TestStore(t *testing.T) { storetest.Run(t, database) }

func connect(t *testing.T, dsn string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), dsn)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.Background()) }) // a test may have cut it
	return conn
}

func exec(t *testing.T, conn *pgx.Conn, statement string) {
	t.Helper()
	if _, err := conn.Exec(t.Context(), statement); err != nil {
		t.Fatalf("%s: %v", statement, err)
	}
}

func openStore(t *testing.T, dsn string) *Store {
	t.Helper()
	store, err := Open(t.Context(), dsn)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = store.Close() })
	return store
}

// small is a version with one item.
func small(number int) inventory.Version {
	return inventory.Version{Slug: "small", Number: number, CreatedAt: "2026-01-01T00:00:00.000000Z",
		Hash:  "0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef",
		Items: []inventory.Item{{Code: "a", Category: inventory.Water, Name: "A", Unit: "kg"}}}
}

// The connection is cut, or the context ends, when all items are in and the
// version is not: another session holds it up there.
func TestCutBeforeTheVersion(t *testing.T) {
	for name, cut := range map[string]struct {
		do   func(t *testing.T, conn *pgx.Conn, cancel context.CancelFunc)
		want error
	}{
		"connection": {func(t *testing.T, conn *pgx.Conn, _ context.CancelFunc) {
			exec(t, conn, `SELECT pg_terminate_backend(pid) FROM pg_locks WHERE relation = 'inventory_version'::regclass AND NOT granted`)
		}, inventory.ErrUnavailable},
		"context": {func(_ *testing.T, _ *pgx.Conn, cancel context.CancelFunc) { cancel() }, context.Canceled},
	} {
		t.Run(name, func(t *testing.T) {
			dsn := storetest.Postgres(t)
			store := openStore(t, dsn)
			v := small(1)
			holder, other := connect(t, dsn), connect(t, dsn)
			exec(t, holder, `BEGIN`)
			exec(t, holder, `LOCK TABLE inventory_version IN SHARE MODE`) // readers pass, writers wait

			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			published := make(chan error, 1)
			go func() { published <- store.Publish(ctx, v, storetest.Publication(v)) }()
			for waiting := 0; waiting == 0; time.Sleep(5 * time.Millisecond) {
				if err := other.QueryRow(t.Context(), `SELECT count(*) FROM pg_locks WHERE relation = 'inventory_version'::regclass AND NOT granted`).Scan(&waiting); err != nil {
					t.Fatal(err)
				}
			}
			cut.do(t, other, cancel)
			if err := <-published; !errors.Is(err, cut.want) {
				t.Errorf("got %v, want %v", err, cut.want)
			}
			exec(t, holder, `ROLLBACK`)

			var rows int
			if err := other.QueryRow(t.Context(), `SELECT (SELECT count(*) FROM inventory_item) + (SELECT count(*) FROM inventory_version)`).Scan(&rows); err != nil {
				t.Fatal(err)
			}
			if rows != 0 {
				t.Errorf("%d rows are left", rows)
			}
			if err := store.Publish(t.Context(), v, storetest.Publication(v)); err != nil {
				t.Errorf("the store does not recover: %v", err)
			}
		})
	}
}

// A transaction that has added an item before the version is published, and
// commits after, would otherwise slip it in.
func TestNothingSlipsInWhileAVersionIsPublished(t *testing.T) {
	const stray = `INSERT INTO inventory_item (slug, number, code, category, name, unit) VALUES ('small', 1, 'stray', 'water', 'Stray', 'kg')`
	for name, test := range map[string]struct {
		isolation string
		early     bool // the item is added before the publication begins
	}{
		"early, read committed":  {"READ COMMITTED", true},
		"late, repeatable read":  {"REPEATABLE READ", false},
		"late, serializable":     {"SERIALIZABLE", false},
		"early, repeatable read": {"REPEATABLE READ", true},
	} {
		t.Run(name, func(t *testing.T) {
			dsn := storetest.Postgres(t)
			store := openStore(t, dsn)
			v := small(1)
			other := connect(t, dsn)
			exec(t, other, `BEGIN ISOLATION LEVEL `+test.isolation)
			exec(t, other, `SELECT count(*) FROM inventory_version`) // the snapshot is taken
			if test.early {
				exec(t, other, stray)
			}
			published := make(chan error, 1)
			go func() { published <- store.Publish(t.Context(), v, storetest.Publication(v)) }()
			if test.early {
				select {
				case err := <-published:
					t.Fatalf("the publication did not wait: %v", err)
				case <-time.After(200 * time.Millisecond):
				}
			} else if err := <-published; err != nil {
				t.Fatal(err)
			}
			_, err := other.Exec(t.Context(), `SELECT 1`)
			if !test.early {
				_, err = other.Exec(t.Context(), stray)
			}
			if err == nil {
				_, err = other.Exec(t.Context(), `COMMIT`)
			}
			if err == nil {
				t.Error("the stray item was committed")
			}
			if test.early {
				if err := <-published; err != nil {
					t.Fatal(err)
				}
			}
			got, err := store.Version(t.Context(), inventory.Ref{Slug: "small", Number: 1})
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(v, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestTranslate(t *testing.T) {
	for code, want := range map[string]error{
		"08006": inventory.ErrUnavailable, "40001": inventory.ErrUnavailable, "40P01": inventory.ErrUnavailable, "53100": inventory.ErrUnavailable,
		"53300": inventory.ErrUnavailable, "55P03": inventory.ErrUnavailable, "57P01": inventory.ErrUnavailable, "57014": inventory.ErrUnavailable,
	} {
		cause := &pgconn.PgError{Code: code}
		if err := translate(t.Context(), cause); !errors.Is(err, want) || !errors.Is(err, cause) {
			t.Errorf("%s becomes %v", code, err)
		}
	}
	for _, code := range []string{"23505", "23514", "42P01", "SL001", ""} {
		if err := translate(t.Context(), &pgconn.PgError{Code: code}); errors.Is(err, inventory.ErrUnavailable) || errors.Is(err, inventory.ErrVersionConflict) {
			t.Errorf("%s becomes %v", code, err)
		}
	}
}

func TestAServerThatIsNotThereIsUnavailable(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := listener.Addr().String()
	if err := listener.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(t.Context(), "postgres://nobody@"+address+"/none"); !errors.Is(err, inventory.ErrUnavailable) {
		t.Errorf("got %v, want %v", err, inventory.ErrUnavailable)
	}
}

// After every connection was cut the pool finds new ones.
func TestThePoolRecovers(t *testing.T) {
	dsn := storetest.Postgres(t)
	store := openStore(t, dsn)
	v := small(1)
	if err := store.Publish(t.Context(), v, storetest.Publication(v)); err != nil {
		t.Fatal(err)
	}
	exec(t, connect(t, dsn), `SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()`)
	var err error
	for range 5 {
		if err = store.Ping(t.Context()); err == nil {
			return
		}
		if !errors.Is(err, inventory.ErrUnavailable) {
			t.Fatalf("got %v, want %v", err, inventory.ErrUnavailable)
		}
	}
	t.Errorf("the pool does not recover: %v", err)
}
