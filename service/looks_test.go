package service_test

import (
	"bytes"
	"context"
	"path/filepath"
	"testing"

	"slabledger/inventory"
	"slabledger/inventory/sqlite"
	"slabledger/service"
)

// counted counts the looks at a store that a comparison can take.
type counted struct {
	inventory.Store
	looks int
}

func (c *counted) Version(ctx context.Context, ref inventory.Ref) (inventory.Version, error) {
	c.looks++
	return c.Store.Version(ctx, ref)
}

func (c *counted) Newest(ctx context.Context, slug string) (int, error) {
	c.looks++
	return c.Store.Newest(ctx, slug)
}

func (c *counted) Withdrawn(ctx context.Context, slug string) (map[int]inventory.Withdrawal, error) {
	c.looks++
	return c.Store.Withdrawn(ctx, slug)
}

// A comparison on a version that is in memory costs the database nothing; on one that
// is not, one look, which is one query (see the stores).
func TestLooksAtTheStore(t *testing.T) {
	store, err := sqlite.Open(t.Context(), filepath.Join(t.TempDir(), "test.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	slug, meta, err := inventory.ReadMeta(file(t, "../testdata/demo/inventory.json"))
	if err != nil {
		t.Fatal(err)
	}
	items, err := inventory.ReadCSV(bytes.NewReader(file(t, "../testdata/demo/items.csv")), meta)
	if err != nil {
		t.Fatal(err)
	}
	hash, err := inventory.Hash(meta, items)
	if err != nil {
		t.Fatal(err)
	}
	v := inventory.Version{Slug: slug, Number: 1, Meta: meta, Hash: hash, Items: items, CreatedAt: "2026-03-01T10:00:00.000000Z"}
	if err := store.Publish(t.Context(), v, inventory.Change{Actor: "local", Action: inventory.ActionPublish, Target: "demo@1", After: hash, At: v.CreatedAt}); err != nil {
		t.Fatal(err)
	}
	c := &counted{Store: store}
	svc := service.New(c)
	for n, want := range []int{1, 0, 0} {
		c.looks = 0
		compare(t, svc, request(t))
		if c.looks != want {
			t.Errorf("comparison %d looked %d times at the store, want %d", n, c.looks, want)
		}
	}
}
