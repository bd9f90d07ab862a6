package storetest

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"slabledger/inventory"
)

// instant is when all of a test happens, unless it says otherwise.
const instant = "2026-03-01T10:00:00.000001Z"

// Publication is the change that publishing a version is.
func Publication(v inventory.Version) inventory.Change {
	return inventory.Change{Actor: "local", Action: inventory.ActionPublish, Target: fmt.Sprintf("%s@%d", v.Slug, v.Number), After: v.Hash, At: instant}
}

// hex64 is a hash of a text, such as that of a secret.
func hex64(text string) string {
	sum := sha256.Sum256([]byte(text))
	return hex.EncodeToString(sum[:])
}

// key is a key whose secret is its id.
func key(id string) inventory.Key {
	return inventory.Key{ID: id, Name: "Name of " + id, Role: inventory.Analyst, Hash: hex64(id), CreatedAt: instant}
}

// creation is the change that creating a key is.
func creation(k inventory.Key) inventory.Change {
	return inventory.Change{Actor: "key-admin", Action: inventory.ActionCreateKey, Target: k.ID, RequestID: "a-b-c", After: hex64(k.Name), At: instant}
}

// named is a change whose request was named.
func named(c inventory.Change, name string) inventory.Change {
	c.Retry = &inventory.Retry{Actor: c.Actor, Operation: "createKey", Key: name, Fingerprint: hex64("body"), Location: "/v1/keys/" + c.Target, Status: 201, At: c.At}
	return c
}

func createKey(t *testing.T, store inventory.Store, k inventory.Key, c inventory.Change) {
	t.Helper()
	if err := store.CreateKey(t.Context(), k, c); err != nil {
		t.Fatalf("creating %s: %v", k.ID, err)
	}
}

// journal is the whole journal, which must verify.
func journal(t *testing.T, store inventory.Store) []inventory.Entry {
	t.Helper()
	entries, err := store.Journal(t.Context(), 0, 1_000_000)
	if err != nil {
		t.Fatal(err)
	}
	if err := inventory.VerifyJournal(inventory.Entry{}, entries); err != nil {
		t.Fatal(err)
	}
	return entries
}

// rowsOfAccess counts the keys, the entries and the remembered requests, in that
// order and at one moment.
func rowsOfAccess(t *testing.T, raw *sql.DB) (n [3]int) {
	t.Helper()
	err := raw.QueryRowContext(t.Context(), `SELECT (SELECT count(*) FROM api_key), (SELECT count(*) FROM journal), (SELECT count(*) FROM remembered_request)`).
		Scan(&n[0], &n[1], &n[2])
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func testKeys(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	if list, err := store.Keys(t.Context()); err != nil || list != nil {
		t.Errorf("an empty store has %v, %v", list, err)
	}
	later := "2026-03-01T10:00:00.000002Z"
	want := []inventory.Key{
		{ID: "B", Name: "é 中文 👩🏽‍🔧 '; DROP TABLE api_key; --", Role: inventory.Viewer, Hash: hex64("B"), CreatedAt: instant, ExpiresAt: "2027-03-01T00:00:00.000000Z"},
		{ID: "a", Name: "a", Role: inventory.Admin, Hash: hex64("a"), CreatedAt: instant, Limits: inventory.Limits{Samples: 1, Combinations: 2_000_000_000, Seconds: 3}},
		{ID: "A", Name: "a", Role: inventory.Analyst, Hash: hex64("A"), CreatedAt: later, ExpiresAt: later},
	}
	for _, n := range []int{2, 1, 0} {
		createKey(t, store, want[n], creation(want[n]))
	}
	list, err := store.Keys(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, list); diff != "" { // the oldest first, then by id, bytewise
		t.Error(diff)
	}
	for _, k := range want {
		got, err := store.KeyByHash(t.Context(), k.Hash)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(k, got); diff != "" {
			t.Error(diff)
		}
	}
	if _, err := store.KeyByHash(t.Context(), strings.ToUpper(hex64("a"))); !errors.Is(err, inventory.ErrNotFound) {
		t.Errorf("got %v, want %v", err, inventory.ErrNotFound)
	}
	for name, k := range map[string]inventory.Key{
		"an id that is there":        {ID: "a", Name: "x", Role: inventory.Admin, Hash: hex64("new"), CreatedAt: instant},
		"a hash that is there":       {ID: "new", Name: "x", Role: inventory.Admin, Hash: hex64("a"), CreatedAt: instant},
		"a role that is none":        {ID: "new", Name: "x", Role: "root", Hash: hex64("new"), CreatedAt: instant},
		"the secret for its hash":    {ID: "new", Name: "x", Role: inventory.Admin, Hash: "slk_secret", CreatedAt: instant},
		"a time that is none":        {ID: "new", Name: "x", Role: inventory.Admin, Hash: hex64("new"), CreatedAt: "today"},
		"an expiry that is no time":  {ID: "new", Name: "x", Role: inventory.Admin, Hash: hex64("new"), CreatedAt: instant, ExpiresAt: "soon"},
		"a limit below nothing":      {ID: "new", Name: "x", Role: inventory.Admin, Hash: hex64("new"), CreatedAt: instant, Limits: inventory.Limits{Seconds: -1}},
		"a key without an id at all": {Name: "x", Role: inventory.Admin, Hash: hex64("new"), CreatedAt: instant},
	} {
		if err := store.CreateKey(t.Context(), k, inventory.Change{Actor: "local", Action: inventory.ActionCreateKey, Target: "new", At: instant}); err == nil {
			t.Errorf("%s was stored", name)
		}
	}
	if n := len(journal(t, store)); n != len(want) {
		t.Errorf("%d entries of %d keys", n, len(want))
	}
}

func testRevoked(t *testing.T, db Database) {
	store, dsn := fresh(t, db)
	stores := []inventory.Store{store, open(t, db, dsn)}
	createKey(t, store, key("kept"), creation(key("kept")))
	createKey(t, store, key("gone"), creation(key("gone")))
	revocation := inventory.Change{Actor: "key-admin", Action: inventory.ActionRevokeKey, Target: "gone", Before: hex64("1"), After: hex64("2"), At: "2026-03-02T10:00:00.000001Z"}

	var group sync.WaitGroup
	errs := make([]error, 8) // several at once: the first counts
	for n := range errs {
		group.Go(func() { errs[n] = stores[n%2].RevokeKey(t.Context(), "gone", revocation) })
	}
	group.Wait()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	again := revocation
	again.At = "2026-03-03T10:00:00.000001Z"
	if err := store.RevokeKey(t.Context(), "gone", again); err != nil {
		t.Fatal(err)
	}
	want := key("gone")
	want.RevokedAt = revocation.At
	got, err := stores[1].KeyByHash(t.Context(), want.Hash)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if got, err := store.KeyByHash(t.Context(), hex64("kept")); err != nil || got.RevokedAt != "" {
		t.Errorf("another key was revoked: %+v, %v", got, err)
	}
	if err := store.RevokeKey(t.Context(), "never", revocation); !errors.Is(err, inventory.ErrNotFound) {
		t.Errorf("got %v, want %v", err, inventory.ErrNotFound)
	}
	entries := journal(t, store)
	if len(entries) != 3 || entries[2].Action != inventory.ActionRevokeKey || entries[2].At != revocation.At {
		t.Errorf("the journal has %+v", entries)
	}
}

func testJournal(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	if list, err := store.Journal(t.Context(), 0, 10); err != nil || list != nil {
		t.Errorf("an empty journal has %v, %v", list, err)
	}
	v := version("a", 1, 2)
	publish(t, store, v)
	unusual := creation(key("b"))
	unusual.Actor, unusual.Target, unusual.At = "é 中文 \"\\\n\u2028 </script>", "b/c d", "2026-03-01T12:34:56.123456789+02:00"
	createKey(t, store, key("b"), named(unusual, "once"))
	createKey(t, store, key("c"), creation(key("c")))

	entries := journal(t, store)
	unusual.At = "2026-03-01T10:34:56.123456Z" // in UTC, cut to microseconds
	var got []inventory.Change
	for n, e := range entries {
		if e.Number != n+1 {
			t.Errorf("entry %d has the number %d", n+1, e.Number)
		}
		got = append(got, e.Change)
	}
	if diff := cmp.Diff([]inventory.Change{Publication(v), unusual, creation(key("c"))}, got); diff != "" {
		t.Error(diff)
	}
	for _, c := range []struct{ after, limit, from, to int }{{0, 2, 0, 2}, {1, 1, 1, 2}, {2, 9, 2, 3}, {3, 9, 3, 3}, {99, 9, 3, 3}, {-5, 1, 0, 1}, {0, 0, 0, 0}, {0, -1, 0, 0}} {
		list, err := store.Journal(t.Context(), c.after, c.limit)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(append([]inventory.Entry(nil), entries[c.from:c.to]...), list); diff != "" {
			t.Errorf("after %d, at most %d: %s", c.after, c.limit, diff)
		}
	}
	if err := inventory.VerifyJournal(entries[0], entries[1:]); err != nil {
		t.Errorf("behind the first: %v", err)
	}
}

func testJournalOfNothing(t *testing.T, db Database) {
	store, dsn := fresh(t, db)
	publish(t, store, version("a", 1, 2))
	createKey(t, store, key("k"), creation(key("k")))
	raw := db.SQL(t, dsn)
	before := rowsOfAccess(t, raw)

	refused := func(what string, err error) {
		t.Helper()
		if err == nil {
			t.Errorf("%s: stored", what)
		}
	}
	for what, spoil := range map[string]func(*inventory.Change){
		"no actor":        func(c *inventory.Change) { c.Actor = "" },
		"no action":       func(c *inventory.Change) { c.Action = "" },
		"no target":       func(c *inventory.Change) { c.Target = "" },
		"no time":         func(c *inventory.Change) { c.At = "" },
		"not UTF-8":       func(c *inventory.Change) { c.Target = "\xff" },
		"a status of 500": func(c *inventory.Change) { c.Retry.Status = 500 },
		"no fingerprint":  func(c *inventory.Change) { c.Retry.Fingerprint = "" },
		"retry of no day": func(c *inventory.Change) { c.Retry.At = "" },
	} {
		c := named(creation(key("new")), "name")
		spoil(&c)
		refused(what, store.CreateKey(t.Context(), key("new"), c))
		v := version("a", 2, 2)
		refused(what, store.Publish(t.Context(), v, c))
	}
	taken := version("a", 1, 2)
	refused("a number that is taken", store.Publish(t.Context(), taken, named(Publication(taken), "name")))
	bad := version("b", 1, 2)
	bad.Items[1].Density = null("-1")
	refused("a bad item", store.Publish(t.Context(), bad, named(Publication(bad), "name")))
	refused("a key that is there", store.CreateKey(t.Context(), key("k"), named(creation(key("k")), "name")))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	refused("cancelled", store.CreateKey(ctx, key("new"), named(creation(key("new")), "name")))

	if after := rowsOfAccess(t, raw); after != before {
		t.Errorf("keys, entries, requests: %v became %v", before, after)
	}
	journal(t, store)
}

// testJournalTogether has many writers of all kinds on two connections.
func testJournalTogether(t *testing.T, db Database) {
	store, dsn := fresh(t, db)
	stores := []inventory.Store{store, open(t, db, dsn)}
	const writers, each = 12, 6
	errs := make([]error, writers)
	var group sync.WaitGroup
	for n := range errs {
		group.Go(func() {
			for i := 1; i <= each && errs[n] == nil; i++ {
				if n%2 == 0 {
					v := version(fmt.Sprintf("w%d", n), i, 20)
					errs[n] = stores[n/2%2].Publish(t.Context(), v, named(Publication(v), v.Slug+fmt.Sprint(i)))
				} else {
					k := key(fmt.Sprintf("w%d-%d", n, i))
					errs[n] = stores[n/2%2].CreateKey(t.Context(), k, named(creation(k), k.ID))
				}
			}
		})
	}
	group.Wait()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	targets := map[string]bool{}
	entries := journal(t, store) // which must be without gaps
	for _, e := range entries {
		targets[e.Target] = true
	}
	if len(entries) != writers*each || len(targets) != writers*each {
		t.Errorf("%d entries of %d targets, want %d", len(entries), len(targets), writers*each)
	}
}

func testJournalImmutable(t *testing.T, db Database) {
	store, dsn := fresh(t, db)
	createKey(t, store, key("live"), creation(key("live")))
	createKey(t, store, key("dead"), creation(key("dead")))
	revocation := inventory.Change{Actor: "local", Action: inventory.ActionRevokeKey, Target: "dead", At: instant}
	if err := store.RevokeKey(t.Context(), "dead", revocation); err != nil {
		t.Fatal(err)
	}
	before := journal(t, store)
	keys, err := store.Keys(t.Context())
	if err != nil {
		t.Fatal(err)
	}

	const insertEntry = `INSERT INTO journal (number, at, actor, action, target, request_id, hash_before, hash_after, hash) VALUES `
	const rest = `, '2026-03-01T10:00:00.000000Z', 'x', 'x', 'x', '', '', '', '0000000000000000000000000000000000000000000000000000000000000000')`
	statements := []string{
		`UPDATE journal SET actor = 'someone else'`,
		`UPDATE journal SET number = 9 WHERE number = 3`,
		`UPDATE journal SET hash = hash WHERE number = 1`,
		`DELETE FROM journal`,
		`DELETE FROM journal WHERE number = 3`,
		insertEntry + `(1` + rest,
		insertEntry + `(5` + rest,
		insertEntry + `(0` + rest,
		insertEntry + `(-1` + rest,
		insertEntry + `(1` + rest + ` ON CONFLICT (number) DO UPDATE SET actor = 'x'`,
		`UPDATE api_key SET role = 'admin' WHERE id = 'live'`,
		`UPDATE api_key SET hash = '0000000000000000000000000000000000000000000000000000000000000000' WHERE id = 'live'`,
		`UPDATE api_key SET name = 'x', revoked_at = '2026-03-01T10:00:00.000000Z' WHERE id = 'live'`,
		`UPDATE api_key SET expires_at = '2099-03-01T10:00:00.000000Z'`,
		`UPDATE api_key SET max_samples = 9 WHERE id = 'live'`,
		`UPDATE api_key SET max_seconds = 9, revoked_at = '2026-03-01T10:00:00.000000Z' WHERE id = 'live'`,
		`UPDATE api_key SET revoked_at = NULL WHERE id = 'dead'`,
		`UPDATE api_key SET revoked_at = '2099-03-01T10:00:00.000000Z' WHERE id = 'dead'`,
		`DELETE FROM api_key`,
		`DELETE FROM api_key WHERE id = 'dead'`,
	}
	raw := db.SQL(t, dsn)
	for _, statement := range append(statements, db.ForbiddenAccess...) {
		if _, err := raw.ExecContext(t.Context(), statement); err == nil {
			t.Errorf("not refused: %s", statement)
		}
	}
	if diff := cmp.Diff(before, journal(t, store)); diff != "" {
		t.Errorf("the journal was changed: %s", diff)
	}
	after, err := store.Keys(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(keys, after); diff != "" {
		t.Errorf("the keys were changed: %s", diff)
	}
}

// testJournalEdited takes the guards off and changes the journal: whatever is
// changed, the first entry that is not what was written is named.
func testJournalEdited(t *testing.T, db Database) {
	const other = `'0000000000000000000000000000000000000000000000000000000000000000'`
	for statement, named := range map[string]int{
		`UPDATE journal SET at = '2026-03-01T10:00:00.000002Z' WHERE number = 3`: 3,
		`UPDATE journal SET actor = 'x' WHERE number = 3`:                        3,
		`UPDATE journal SET action = 'x' WHERE number = 3`:                       3,
		`UPDATE journal SET target = 'x' WHERE number = 3`:                       3,
		`UPDATE journal SET request_id = 'x' WHERE number = 3`:                   3,
		`UPDATE journal SET hash_before = 'x' WHERE number = 3`:                  3,
		`UPDATE journal SET hash_after = 'x' WHERE number = 3`:                   3,
		`UPDATE journal SET hash = ` + other + ` WHERE number = 3`:               3,
		`UPDATE journal SET number = 9 WHERE number = 3`:                         3,
		`UPDATE journal SET request_id = 'x' WHERE number = 1`:                   1,
		`UPDATE journal SET actor = 'x' WHERE number = 5`:                        5,
		`DELETE FROM journal WHERE number = 2`:                                   2,
		`DELETE FROM journal WHERE number < 3`:                                   1,
	} {
		store, dsn := fresh(t, db)
		for n := range 5 {
			k := key(fmt.Sprint(n))
			createKey(t, store, k, creation(k))
		}
		journal(t, store)
		raw := db.SQL(t, dsn)
		for _, s := range append(append([]string(nil), db.Unguarded...), statement) {
			if _, err := raw.ExecContext(t.Context(), s); err != nil {
				t.Fatalf("%s: %v", s, err)
			}
		}
		entries, err := store.Journal(t.Context(), 0, 100)
		if err != nil {
			t.Fatal(err)
		}
		var changed *inventory.JournalError
		if err := inventory.VerifyJournal(inventory.Entry{}, entries); !errors.As(err, &changed) || changed.Number != named {
			t.Errorf("%s: got %v, want entry %d named", statement, err, named)
		}
	}
}

// testRetries sends fifty equal requests at once on two connections: what the first
// does is done once, and the others are told that it was.
func testRetries(t *testing.T, db Database) {
	store, dsn := fresh(t, db)
	stores := []inventory.Store{store, open(t, db, dsn)}
	v := version("once", 1, 50)
	for what, send := range map[string]func(store inventory.Store, n int) error{
		"publication": func(store inventory.Store, _ int) error {
			return store.Publish(t.Context(), v, named(Publication(v), "publication"))
		},
		"key": func(store inventory.Store, n int) error { // each a key of its own, as a secret is random
			k := key(fmt.Sprintf("retry-%d", n))
			return store.CreateKey(t.Context(), k, named(creation(k), "key"))
		},
	} {
		errs := make([]error, 50)
		var group sync.WaitGroup
		start := make(chan struct{})
		for n := range errs {
			group.Go(func() {
				<-start
				errs[n] = send(stores[n%2], n)
			})
		}
		close(start)
		group.Wait()
		served := 0
		for _, err := range errs {
			if err == nil {
				served++
			} else if !errors.Is(err, inventory.ErrRepeated) {
				t.Errorf("%s: got %v, want %v", what, err, inventory.ErrRepeated)
			}
		}
		if served != 1 {
			t.Errorf("%s: %d of fifty requests were served", what, served)
		}
	}
	if n := rowsOfAccess(t, db.SQL(t, dsn)); n != [3]int{1, 2, 2} {
		t.Errorf("keys, entries, requests: %v", n)
	}
	journal(t, store)
	if diff := cmp.Diff(v, read(t, store, "once", 1)); diff != "" {
		t.Error(diff)
	}
}

func testRemembered(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	at := func(moment time.Time, id, name string) inventory.Change {
		c := creation(key(id))
		c.At = inventory.FormatTime(moment)
		return named(c, name)
	}
	begin := time.Date(2026, 3, 1, 10, 0, 0, 123456000, time.UTC)
	first := at(begin, "1", "one")
	createKey(t, store, key("1"), first)
	got, err := store.Remembered(t.Context(), "key-admin", "createKey", "one")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(*first.Retry, got); diff != "" {
		t.Error(diff)
	}
	// Names of another actor or operation, and those that differ in case, are others.
	for n, change := range []func(*inventory.Retry){
		func(r *inventory.Retry) { r.Actor = "key-other" },
		func(r *inventory.Retry) { r.Operation = "publish" },
		func(r *inventory.Retry) { r.Key = "ONE" },
		func(r *inventory.Retry) { r.Key = `"~!` + strings.Repeat("x", 252) },
	} {
		c := at(begin.Add(time.Hour), fmt.Sprintf("other-%d", n), "one")
		change(c.Retry)
		if _, err := store.Remembered(t.Context(), c.Retry.Actor, c.Retry.Operation, c.Retry.Key); !errors.Is(err, inventory.ErrNotFound) {
			t.Errorf("%+v: got %v, want %v", c.Retry, err, inventory.ErrNotFound)
		}
		createKey(t, store, key(c.Target), c)
	}
	// To the microsecond a day later it is still remembered; after that its name is free.
	last := at(begin.Add(inventory.RetryKept), "2", "one")
	if err := store.CreateKey(t.Context(), key("2"), last); !errors.Is(err, inventory.ErrRepeated) {
		t.Errorf("got %v, want %v", err, inventory.ErrRepeated)
	}
	createKey(t, store, key("3"), at(begin.Add(inventory.RetryKept+time.Microsecond), "3", "one"))
	// What is written without a name forgets nothing; the next with one does.
	createKey(t, store, key("4"), creation(key("4")))
	if _, err := store.Remembered(t.Context(), "key-other", "createKey", "one"); err != nil {
		t.Error(err)
	}
	createKey(t, store, key("5"), at(begin.Add(3*inventory.RetryKept), "5", "two"))
	if _, err := store.Remembered(t.Context(), "key-other", "createKey", "one"); !errors.Is(err, inventory.ErrNotFound) {
		t.Errorf("got %v, want %v", err, inventory.ErrNotFound)
	}
}
