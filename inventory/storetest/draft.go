package storetest

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"

	"slabledger/inventory"
)

func changeOf(action, target string) inventory.Change {
	return inventory.Change{Actor: "local", Action: action, Target: target, At: "2026-03-01T10:00:00.000000Z"}
}

func draftOf(slug, id string, items ...inventory.Item) inventory.Draft {
	return inventory.Draft{ID: id, Slug: slug, Meta: inventory.Meta{Name: "Sablon Coast", Region: "XA-01", Currency: "EUR", Invented: true, Extends: "base@3"},
		Base: 2, Revision: 1, CreatedBy: "local", CreatedAt: "2026-03-01T10:00:00.000000Z", UpdatedAt: "2026-03-01T10:00:00.000000Z", Items: items}
}

func create(t *testing.T, store inventory.Store, d inventory.Draft) {
	t.Helper()
	if err := store.CreateDraft(t.Context(), d, changeOf("create-draft", d.ID)); err != nil {
		t.Fatal(err)
	}
}

func wantDraft(t *testing.T, store inventory.Store, want inventory.Draft) {
	t.Helper()
	got, err := store.Draft(t.Context(), want.Slug, want.ID)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("want (-), got (+):\n%s", diff)
	}
}

func wantError(t *testing.T, what string, got, want error) {
	t.Helper()
	if !errors.Is(got, want) {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

// entries counts the journal.
func entries(t *testing.T, store inventory.Store) int {
	t.Helper()
	list, err := store.Journal(t.Context(), 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	return len(list)
}

func item(code, note string) inventory.Item {
	return inventory.Item{Code: code, Category: inventory.Water, Name: "Name", Unit: "kg", Note: note}
}

// testDrafts edits a draft in every way; what does not fit its revision does
// nothing and is in no journal.
func testDrafts(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	ctx := t.Context()
	d := draftOf("north", "d2", item("a", "10"), item("B", "=1+1 \u00e9 \U0001F6A7"), item("z.1", ""))
	slices.SortFunc(d.Items, func(a, b inventory.Item) int { return cmpText(a.Code, b.Code) })
	create(t, store, d)
	create(t, store, draftOf("north", "d1"))
	create(t, store, draftOf("south", "d3"))
	wantDraft(t, store, d)
	wantDraft(t, store, draftOf("north", "d1"))
	_, err := store.Draft(ctx, "south", "d2")
	wantError(t, "a draft of another inventory", err, inventory.ErrNotFound)
	for code, items := range map[string][]inventory.Item{"a": {item("a", "10")}, "B": {item("B", "=1+1 \u00e9 \U0001F6A7")}, "b": nil, "": nil} {
		one := d
		one.Items = items
		got, err := store.DraftItem(ctx, "north", "d2", code)
		if diff := cmp.Diff(one, got); diff != "" || err != nil {
			t.Errorf("the item %q alone: %v\n%s", code, err, diff)
		}
	}
	for _, of := range [][2]string{{"south", "d2"}, {"north", "d9"}} {
		_, err = store.DraftItem(ctx, of[0], of[1], "a")
		wantError(t, "an item of a draft that is not there", err, inventory.ErrNotFound)
	}
	list, err := store.Drafts(ctx, "north")
	if err != nil {
		t.Fatal(err)
	}
	bare := d
	bare.Items = nil
	if diff := cmp.Diff([]inventory.Draft{draftOf("north", "d1"), bare}, list); diff != "" {
		t.Error(diff)
	}

	edit := changeOf("edit-draft", "d2")
	edit.At = "2026-03-02T10:00:00.000001Z"
	changed, added := item("a", "11"), item("c", "")
	meta := inventory.Meta{Name: "Other", Region: "XB", Currency: "USD"}
	revision, err := store.EditDraft(ctx, "north", "d2", 1, inventory.DraftEdit{Meta: &meta, Items: map[string]*inventory.Item{"a": &changed, "c": &added, "B": nil, "absent": nil}}, edit)
	if err != nil || revision != 2 {
		t.Fatal(revision, err)
	}
	want := d
	want.Meta, want.Revision, want.UpdatedAt, want.Items = meta, 2, edit.At, []inventory.Item{changed, added, item("z.1", "")}
	wantDraft(t, store, want)

	before := entries(t, store)
	_, err = store.EditDraft(ctx, "north", "d2", 1, inventory.DraftEdit{Clear: true}, edit)
	wantError(t, "an edit of what has changed", err, inventory.ErrStale)
	_, err = store.EditDraft(ctx, "south", "d2", 2, inventory.DraftEdit{Clear: true}, edit)
	wantError(t, "an edit by way of another inventory", err, inventory.ErrNotFound)
	wantError(t, "deleting what has changed", store.DeleteDraft(ctx, "north", "d2", 1, edit), inventory.ErrStale)
	wantDraft(t, store, want)
	if after := entries(t, store); after != before {
		t.Errorf("%d entries of what was not done", after-before)
	}
	if _, err = store.EditDraft(ctx, "north", "d2", 2, inventory.DraftEdit{Clear: true, Items: map[string]*inventory.Item{"n": pointerTo(item("n", ""))}}, edit); err != nil {
		t.Fatal(err)
	}
	want.Revision, want.Items = 3, []inventory.Item{item("n", "")}
	wantDraft(t, store, want)
	if err := store.DeleteDraft(ctx, "north", "d2", 3, changeOf("delete-draft", "d2")); err != nil {
		t.Fatal(err)
	}
	_, err = store.Draft(ctx, "north", "d2")
	wantError(t, "a deleted draft", err, inventory.ErrNotFound)
	if after := entries(t, store); after != before+2 {
		t.Errorf("%d entries of two changes", after-before)
	}
}

func pointerTo[T any](v T) *T { return &v }

func cmpText(a, b string) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// testDraftRace lets sixteen edit one revision: one edits, the others are told.
func testDraftRace(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	create(t, store, draftOf("north", "d"))
	var wg sync.WaitGroup
	results := make([]error, 16)
	for n := range results {
		wg.Go(func() {
			mine := item(fmt.Sprintf("item-%d", n), "")
			_, results[n] = store.EditDraft(t.Context(), "north", "d", 1, inventory.DraftEdit{Items: map[string]*inventory.Item{mine.Code: &mine}}, changeOf("edit-draft", "d"))
		})
	}
	wg.Wait()
	won := 0
	for _, err := range results {
		switch {
		case err == nil:
			won++
		case !errors.Is(err, inventory.ErrStale):
			t.Errorf("told %v", err)
		}
	}
	d, err := store.Draft(t.Context(), "north", "d")
	if won != 1 || err != nil || d.Revision != 2 || len(d.Items) != 1 {
		t.Errorf("%d won; %v %+v", won, err, d)
	}
}

// testPublishDraft publishes a draft as a whole: the version stands and the draft is
// gone, or neither.
func testPublishDraft(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	ctx := t.Context()
	create(t, store, draftOf("north", "d", item("a", "")))
	v := version("north", 1, 2)
	publishDraft := func(v inventory.Version, revision int) error {
		return store.PublishDraft(ctx, v, "d", revision, changeOf("publish", "north@1"))
	}
	wantError(t, "publishing what has changed", publishDraft(v, 2), inventory.ErrStale)
	wantError(t, "a number out of turn", publishDraft(version("north", 2, 2), 1), inventory.ErrVersionConflict)
	wantError(t, "a draft of another inventory", publishDraft(version("south", 1, 2), 1), inventory.ErrNotFound)
	wantDraft(t, store, draftOf("north", "d", item("a", "")))
	if n := entries(t, store); n != 1 {
		t.Errorf("%d entries of one change", n)
	}
	if err := publishDraft(v, 1); err != nil {
		t.Fatal(err)
	}
	_, err := store.Draft(ctx, "north", "d")
	wantError(t, "a published draft", err, inventory.ErrNotFound)
	if _, err := store.Version(ctx, inventory.Ref{Slug: "north", Number: 1}); err != nil {
		t.Error(err)
	}
	wantError(t, "publishing it again", publishDraft(version("north", 2, 2), 1), inventory.ErrNotFound)
}

// testPublishTogether lets thirty-two clients publish a draft each, with another try
// where another was first: one winner a number, no gap, no deadlock.
func testPublishTogether(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	const clients = 32
	for n := range clients {
		create(t, store, draftOf("north", fmt.Sprintf("d%02d", n), item("a", "")))
	}
	var wg sync.WaitGroup
	for n := range clients {
		wg.Go(func() {
			for range clients {
				newest, err := store.Newest(t.Context(), "north")
				if err != nil && !errors.Is(err, inventory.ErrNotFound) {
					t.Error(err)
					return
				}
				err = store.PublishDraft(t.Context(), version("north", newest+1, 2), fmt.Sprintf("d%02d", n), 1, changeOf("publish", "north"))
				if err == nil {
					return
				}
				if !errors.Is(err, inventory.ErrVersionConflict) {
					t.Errorf("told %v", err)
					return
				}
			}
			t.Error("another was first thirty-two times")
		})
	}
	wg.Wait()
	versions, err := store.Versions(t.Context(), "north")
	if err != nil || len(versions) != clients || versions[0].Number != clients {
		t.Fatalf("%d versions, %v", len(versions), err)
	}
	drafts, err := store.Drafts(t.Context(), "north")
	if err != nil || len(drafts) != 0 {
		t.Errorf("%d drafts are left, %v", len(drafts), err)
	}
	if n := entries(t, store); n != 2*clients {
		t.Errorf("%d entries of %d changes", n, 2*clients)
	}
}

// testWithdrawn marks versions, which stay as they are.
func testWithdrawn(t *testing.T, db Database) {
	store, dsn := fresh(t, db)
	ctx := t.Context()
	publish(t, store, version("north", 1, 2))
	publish(t, store, version("north", 2, 2))
	before, err := store.Version(ctx, inventory.Ref{Slug: "north", Number: 1})
	if err != nil {
		t.Fatal(err)
	}
	w := inventory.Withdrawal{Reason: "a price was for another product", At: "2026-03-03T10:00:00.000000Z"}
	withdraw := func(slug string, number int) error {
		return store.Withdraw(ctx, inventory.Ref{Slug: slug, Number: number}, w, changeOf("withdraw", slug))
	}
	wantError(t, "a version that is not", withdraw("north", 3), inventory.ErrNotFound)
	if err := withdraw("north", 1); err != nil {
		t.Fatal(err)
	}
	wantError(t, "again", withdraw("north", 1), inventory.ErrVersionConflict)
	got, err := store.Withdrawn(ctx, "north")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(map[int]inventory.Withdrawal{1: w}, got); diff != "" {
		t.Error(diff)
	}
	after, err := store.Version(ctx, inventory.Ref{Slug: "north", Number: 1})
	if err != nil || cmp.Diff(before, after) != "" {
		t.Errorf("the version changed: %v", err)
	}
	raw := db.SQL(t, dsn)
	for _, statement := range []string{`UPDATE inventory_withdrawal SET reason = 'x'`, `DELETE FROM inventory_withdrawal`,
		`INSERT INTO inventory_withdrawal (slug, number, reason, withdrawn_at) VALUES ('north', 1, 'x', 'x')`,
		`INSERT INTO inventory_withdrawal (slug, number, reason, withdrawn_at) VALUES ('north', 9, 'x', 'x')`} {
		if _, err := raw.ExecContext(ctx, statement); err == nil {
			t.Errorf("the database lets pass %s", statement)
		}
	}
}
