package storetest

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log"
	"net/url"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	_ "github.com/jackc/pgx/v5/stdlib" // the driver "pgx" of database/sql
	"github.com/testcontainers/testcontainers-go"
	"github.com/testcontainers/testcontainers-go/modules/postgres"
)

const image = "postgres:17-alpine"

// Postgres returns the DSN of a fresh PostgreSQL database that is dropped when
// the test ends. The server is looked for once in a test process:
//
//  1. TEST_DATABASE_URL, whose user must be able to create databases;
//  2. a container, where Docker answers;
//  3. a private server from the binaries initdb and postgres on this machine,
//     which ends with the test process, however that ends.
//
// Where there is none the test is skipped, or fails if CI is "true".
//
// The database sorts text as English does where the server can, so that a key
// column without COLLATE "C" shows.
func Postgres(t testing.TB) string {
	t.Helper()
	admin, err := server()
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("no PostgreSQL server: %v", err)
		}
		t.Skipf("no PostgreSQL server: %v", err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	conn, err := pgx.Connect(ctx, admin)
	if err != nil {
		t.Fatalf("PostgreSQL: %v", err)
	}
	defer func() { _ = conn.Close(ctx) }()

	name := "storetest_" + strings.ToLower(rand.Text())
	if _, err := conn.Exec(ctx, "CREATE DATABASE "+name+" TEMPLATE template0 ENCODING 'UTF8' LOCALE_PROVIDER icu ICU_LOCALE 'en-US'"); err != nil {
		// Servers before version 15 and those built without ICU.
		if _, err := conn.Exec(ctx, "CREATE DATABASE "+name); err != nil {
			t.Fatalf("PostgreSQL: %v", err)
		}
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		conn, err := pgx.Connect(ctx, admin)
		if err != nil {
			t.Errorf("dropping the test database: %v", err)
			return
		}
		defer func() { _ = conn.Close(ctx) }()
		if _, err := conn.Exec(ctx, "DROP DATABASE "+name+" WITH (FORCE)"); err != nil {
			t.Errorf("dropping the test database: %v", err)
		}
	})
	return withDatabase(admin, name)
}

// withDatabase is the DSN of another database on the same server.
func withDatabase(dsn, name string) string {
	if u, err := url.Parse(dsn); err == nil && strings.HasPrefix(u.Scheme, "postgres") {
		u.Path = "/" + name
		return u.String()
	}
	return dsn + " dbname=" + name // of two, the last counts
}

// server finds or starts a server and returns the DSN of its administrator.
var server = sync.OnceValues(func() (string, error) {
	if dsn := os.Getenv("TEST_DATABASE_URL"); dsn != "" {
		return dsn, nil
	}
	dsn, noContainer := startContainer()
	if noContainer == nil {
		return dsn, nil
	}
	dsn, noBinaries := startLocal()
	if noBinaries == nil {
		return dsn, nil
	}
	return "", errors.Join(errors.New("TEST_DATABASE_URL is not set"),
		fmt.Errorf("no container: %w", noContainer), fmt.Errorf("no local server: %w", noBinaries))
})

// startContainer runs a server in a container, which the library's reaper
// removes after the test process.
func startContainer() (dsn string, err error) {
	defer func() { // the library panics where it finds no trace of Docker
		if r := recover(); r != nil {
			err = fmt.Errorf("docker: %v", r)
		}
	}()
	quiet := log.New(io.Discard, "", 0)
	provider, err := testcontainers.NewDockerProvider(testcontainers.WithLogger(quiet))
	if err != nil {
		return "", err
	}
	soon, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	if err := provider.Health(soon); err != nil {
		return "", err
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute) // the image may have to be pulled
	defer cancel()
	container, err := postgres.Run(ctx, image, postgres.BasicWaitStrategies(), testcontainers.WithLogger(quiet))
	if err != nil {
		return "", err
	}
	return container.ConnectionString(ctx, "sslmode=disable")
}
