package migrations

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func names(t *testing.T, folder string) []string {
	t.Helper()
	entries, err := fs.ReadDir(files, folder)
	if err != nil {
		t.Fatal(err)
	}
	var list []string
	for _, e := range entries {
		list = append(list, e.Name())
	}
	return list
}

func TestBothDialectsHaveTheSameMigrations(t *testing.T) {
	if diff := cmp.Diff(names(t, "sqlite"), names(t, "postgres")); diff != "" {
		t.Error(diff)
	}
}

func TestMigrationsAreNumberedWithoutGaps(t *testing.T) {
	list := names(t, "sqlite")
	for n, name := range list {
		if prefix := fmt.Sprintf("%05d_", n+1); !strings.HasPrefix(name, prefix) {
			t.Errorf("%s stands where one that begins with %s should", name, prefix)
		}
	}
	if Latest() != int64(len(list)) {
		t.Errorf("the newest version is %d, with %d files", Latest(), len(list))
	}
}

// A SQLite file runs inside the transaction that SQLite opens.
func TestSQLiteMigrationsBeginNoTransaction(t *testing.T) {
	for _, name := range names(t, "sqlite") {
		text, err := fs.ReadFile(files, path.Join("sqlite", name))
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(string(text), "-- +goose NO TRANSACTION\n") {
			t.Errorf("%s lacks its first line, -- +goose NO TRANSACTION", name)
		}
	}
}

func TestCheck(t *testing.T) {
	if err := Check(Latest()); err != nil {
		t.Error(err)
	}
	var newer *NewerSchemaError
	if err := Check(Latest() + 1); !errors.As(err, &newer) || newer.Database != Latest()+1 || newer.Program != Latest() {
		t.Errorf("got %v", err)
	}
	var older *OlderSchemaError
	if err := Check(Latest() - 1); !errors.As(err, &older) {
		t.Errorf("got %v", err)
	}
}
