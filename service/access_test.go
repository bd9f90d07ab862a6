package service_test

import (
	"context"
	"errors"
	"hash/crc32"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"slabledger/inventory"
	"slabledger/inventory/postgres"
	"slabledger/inventory/sqlite"
	"slabledger/inventory/storetest"
	"slabledger/service"
)

// clock is a time that stands until it is moved.
type clock struct{ now time.Time }

func (c *clock) Now() time.Time { return c.now }

// keyed is two services over one database, as two processes have it, and the folder
// of its file.
func keyed(t *testing.T) (one, other *service.Service, at *clock, folder string) {
	t.Helper()
	folder = t.TempDir()
	one, other, at = two(t, func() (inventory.Store, error) { return sqlite.Open(t.Context(), filepath.Join(folder, "test.db")) })
	return one, other, at, folder
}

func two(t *testing.T, open func() (inventory.Store, error)) (one, other *service.Service, at *clock) {
	t.Helper()
	at = &clock{time.Date(2026, 3, 1, 10, 0, 0, 0, time.UTC)}
	for _, svc := range []**service.Service{&one, &other} {
		store, err := open()
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = store.Close() }) // a test may have closed it
		*svc = service.New(store)
		(*svc).SetClock(at.Now)
	}
	return one, other, at
}

// onBothStores runs a test of two services over one database on each kind of store.
func onBothStores(t *testing.T, test func(t *testing.T, one, other *service.Service, at *clock)) {
	t.Run("SQLite", func(t *testing.T) {
		one, other, at, _ := keyed(t)
		test(t, one, other, at)
	})
	t.Run("PostgreSQL", func(t *testing.T) {
		dsn := storetest.Postgres(t)
		one, other, at := two(t, func() (inventory.Store, error) { return postgres.Open(t.Context(), dsn) })
		test(t, one, other, at)
	})
}

func createKey(t *testing.T, svc *service.Service, asked service.NewKey) (inventory.Key, string) {
	t.Helper()
	k, secret, err := svc.CreateKey(t.Context(), asked, nil)
	if err != nil {
		t.Fatalf("%v: %v", err, service.Faults(err))
	}
	return k, secret
}

func code(err error) service.Code {
	var failed *service.Error
	if errors.As(err, &failed) {
		return failed.Code
	}
	return ""
}

// A secret has 256 random bits, is known by its prefix, and is kept nowhere.
func TestSecretsAreShownOnce(t *testing.T) {
	svc, _, at, folder := keyed(t)
	seen := map[string]bool{}
	for range 50 {
		k, secret := createKey(t, svc, service.NewKey{Name: "a", Role: "viewer"})
		if !regexp.MustCompile(`^slk_[0-9a-f]{72}$`).MatchString(secret) || seen[secret[:20]] {
			t.Fatalf("the secret %q", secret)
		}
		seen[secret[:20]] = true
		if strings.Contains(secret, k.ID[4:]) || k.Hash == "" {
			t.Errorf("the id %s is part of the secret", k.ID)
		}
		actor, err := svc.Authenticate(t.Context(), secret, at.now)
		if err != nil || actor.ID != k.ID || actor.Role != inventory.Viewer {
			t.Errorf("%+v, %v", actor, err)
		}
	}
	files, err := filepath.Glob(filepath.Join(folder, "*"))
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	stored := ""
	for _, path := range files {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		stored += string(text)
	}
	list, err := svc.Keys(t.Context())
	if err != nil || !strings.Contains(stored, list[0].Hash) {
		t.Fatalf("the search finds nothing that is there: %v", err)
	}
	for start := range seen {
		if strings.Contains(stored, start[4:]) {
			t.Errorf("the database has %s…", start)
		}
	}
}

// What is mistyped is refused by its check sum, without a look at the store.
func TestBadSecretsNeedNoStore(t *testing.T) {
	store, err := sqlite.Open(t.Context(), filepath.Join(t.TempDir(), "test.db"))
	if err != nil {
		t.Fatal(err)
	}
	svc := service.New(store)
	_, secret := createKey(t, svc, service.NewKey{Name: "a", Role: "admin"})
	if err := store.Close(); err != nil { // whoever looks now fails otherwise
		t.Fatal(err)
	}
	flip := func(i int) string {
		b := []byte(secret)
		if b[i]++; b[i] == 'g' || b[i] == ':' {
			b[i] = '0'
		}
		return string(b)
	}
	bad := []string{"", "slk_", "secret", secret[1:], secret[:len(secret)-1], secret + "0", strings.ToUpper(secret), "SLK_" + secret[4:], " " + secret,
		"slk_" + strings.Repeat("z", 72), strings.Repeat("x", 1<<20)}
	for i := 4; i < len(secret); i++ {
		bad = append(bad, flip(i))
	}
	for _, s := range bad {
		if _, err := svc.Authenticate(t.Context(), s, time.Now()); code(err) != service.Unauthenticated {
			t.Errorf("%.100q: %v", s, err)
		}
	}
	unknown := "slk_" + strings.Repeat("0", 64)
	sum := strconv.FormatUint(uint64(crc32.ChecksumIEEE([]byte(unknown))), 16)
	unknown += strings.Repeat("0", 8-len(sum)) + sum
	if _, err := svc.Authenticate(t.Context(), unknown, time.Now()); code(err) != service.Internal {
		t.Errorf("a whole secret was not looked for: %v", err)
	}
}

// A key that was revoked is refused at once where it was revoked, and after a second
// by every other process; one that expires, at its instant.
func TestKeysEndInTime(t *testing.T) { onBothStores(t, testKeysEndInTime) }

func testKeysEndInTime(t *testing.T, one, other *service.Service, at *clock) {
	gone, secret := createKey(t, one, service.NewKey{Name: "gone", Role: "analyst"})
	short, expiring := createKey(t, one, service.NewKey{Name: "short", Role: "analyst", ExpiresAt: "2026-03-01T10:00:05Z"})
	check := func(what string, svc *service.Service, secret string, want service.Code) {
		t.Helper()
		if _, err := svc.Authenticate(t.Context(), secret, at.now); code(err) != want {
			t.Errorf("%s: %v, want %q", what, err, want)
		}
	}
	check("one, before", one, secret, "")
	check("other, before", other, secret, "")
	if err := one.RevokeKey(t.Context(), gone.ID); err != nil {
		t.Fatal(err)
	}
	check("one, at once", one, secret, service.Unauthenticated)
	at.now = at.now.Add(time.Second)
	check("other, after a second", other, secret, service.Unauthenticated)
	if other.KnownKey(secret) || one.KnownKey(secret) {
		t.Error("a revoked key is still known as a good one")
	}

	check("before it expires", other, expiring, "")
	at.now = time.Date(2026, 3, 1, 10, 0, 4, 999_999_000, time.UTC)
	check("in its last microsecond", other, expiring, "")
	at.now = at.now.Add(time.Microsecond)
	check("expired", other, expiring, service.Unauthenticated)
	at.now = at.now.Add(-10 * time.Second) // the clock is set back: what was cached later is not fresh
	check("an hour that comes again", other, expiring, "")

	_, err := one.Authenticate(t.Context(), secret, at.now)
	if !strings.Contains(err.Error(), gone.ID) || !strings.Contains(err.Error(), "revoked") {
		t.Errorf("the holder of the secret is not told why: %v", err)
	}
	if err := one.RevokeKey(t.Context(), "key-0"); code(err) != service.NotFound {
		t.Errorf("revoking none: %v", err)
	}
	if got, err := other.Key(t.Context(), short.ID); err != nil || got.RevokedAt != "" {
		t.Errorf("%+v, %v", got, err)
	}
}

// A day is meant as a whole; what cannot be is refused, all of it at once.
func TestWhatAKeyMayBe(t *testing.T) {
	svc, _, _, _ := keyed(t)
	for asked, want := range map[string]string{
		"": "", "2026-03-01": "2026-03-02T00:00:00.000000Z", "2028-02-29": "2028-03-01T00:00:00.000000Z",
		"2026-03-01T12:00:00+01:00": "2026-03-01T11:00:00.000000Z", "9999-12-30": "9999-12-31T00:00:00.000000Z",
	} {
		if k, _ := createKey(t, svc, service.NewKey{Name: "a", Role: "viewer", ExpiresAt: asked}); k.ExpiresAt != want {
			t.Errorf("%s: %s, want %s", asked, k.ExpiresAt, want)
		}
	}
	createKey(t, svc, service.NewKey{Name: strings.Repeat("中", 120), Role: "viewer"})
	for _, c := range []struct {
		asked service.NewKey
		want  []string
	}{
		{service.NewKey{}, []string{"/name text-invalid", "/role not-in-list"}},
		{service.NewKey{Name: "a\nb", Role: "root", ExpiresAt: "2026-02-30"}, []string{"/name text-invalid", "/role not-in-list", "/expires_at date-invalid"}},
		{service.NewKey{Name: strings.Repeat("x", 121), Role: "ADMIN", ExpiresAt: "tomorrow"}, []string{"/name text-invalid", "/role not-in-list", "/expires_at date-invalid"}},
		{service.NewKey{Name: "a\u202e", Role: "viewer", ExpiresAt: "2026-02-28"}, []string{"/name text-invalid", "/expires_at out-of-range"}},
		{service.NewKey{Name: "\xff", Role: "viewer", ExpiresAt: "2026-03-01T10:00:00Z"}, []string{"/name text-invalid", "/expires_at out-of-range"}},
		{service.NewKey{Name: "a", Role: "viewer", ExpiresAt: "9999-12-31"}, []string{"/expires_at date-invalid"}},
	} {
		_, secret, err := svc.CreateKey(t.Context(), c.asked, nil)
		var got []string
		for _, f := range service.Faults(err) {
			got = append(got, string(f.Pointer)+" "+f.Code)
		}
		if diff := cmp.Diff(c.want, got); diff != "" || secret != "" {
			t.Errorf("%+v: %s", c.asked, diff)
		}
	}
}

// Whether there are keys is known at once where the first was made, a second later
// elsewhere, and stays so when the last has ended.
func TestKeyed(t *testing.T) { onBothStores(t, testKeyed) }

func testKeyed(t *testing.T, one, other *service.Service, at *clock) {
	check := func(what string, svc *service.Service, want bool) {
		t.Helper()
		if got, err := svc.Keyed(t.Context(), at.now); err != nil || got != want {
			t.Errorf("%s: %v, %v", what, got, err)
		}
	}
	check("one, without", one, false)
	check("other, without", other, false)
	k, _ := createKey(t, one, service.NewKey{Name: "a", Role: "viewer"})
	check("one, at once", one, true)
	at.now = at.now.Add(time.Second)
	check("other, after a second", other, true)
	if err := one.RevokeKey(t.Context(), k.ID); err != nil {
		t.Fatal(err)
	}
	at.now = at.now.Add(time.Hour)
	check("one, with none that is live", one, true)
	check("other, with none that is live", other, true)
}

// The journal says who did what, in the words of the context, with hashes before and
// after.
func TestJournalOfAccess(t *testing.T) { onBothStores(t, testJournalOfAccess) }

func testJournalOfAccess(t *testing.T, svc, _ *service.Service, at *clock) {
	ctx := service.As(t.Context(), service.Actor{ID: "key-boss", Role: inventory.Admin, RequestID: "r-1"})
	publish(t, svc, "north", "code,category,name,unit\nx,cement,X,kg\n") // by whom nobody was named for
	publish(t, svc, "north", "code,category,name,unit\nx,cement,Y,kg\n")
	k, _, err := svc.CreateKey(ctx, service.NewKey{Name: "a", Role: "viewer"}, nil)
	if err != nil {
		t.Fatal(err)
	}
	created, err := k.Digest()
	if err != nil {
		t.Fatal(err)
	}
	at.now = at.now.Add(time.Minute)
	for range 2 { // the second changes nothing
		if err := svc.RevokeKey(ctx, k.ID); err != nil {
			t.Fatal(err)
		}
	}
	k.RevokedAt = "2026-03-01T10:01:00.000000Z"
	revoked, err := k.Digest()
	if err != nil {
		t.Fatal(err)
	}
	first, err1 := svc.Version(t.Context(), "north", 1)
	second, err2 := svc.Version(t.Context(), "north", 2)
	entries, err3 := svc.Journal(t.Context(), 0, 100)
	if err := errors.Join(err1, err2, err3); err != nil {
		t.Fatal(err)
	}
	var got []inventory.Change
	for _, e := range entries {
		got = append(got, e.Change)
	}
	const began = "2026-03-01T10:00:00.000000Z"
	want := []inventory.Change{
		{Actor: "local", Action: "publish", Target: "north@1", After: first.Hash, At: began},
		{Actor: "local", Action: "publish", Target: "north@2", Before: first.Hash, After: second.Hash, At: began},
		{Actor: "key-boss", Action: "create-key", Target: k.ID, RequestID: "r-1", After: created, At: began},
		{Actor: "key-boss", Action: "revoke-key", Target: k.ID, RequestID: "r-1", Before: created, After: revoked, At: k.RevokedAt},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}

	last, err := svc.VerifyJournal(t.Context(), entries[2])
	if diff := cmp.Diff(entries[3], last); diff != "" || err != nil {
		t.Errorf("%v, %s", err, diff)
	}
	for what, seen := range map[string]inventory.Entry{"another hash": {Number: 2, Hash: entries[2].Hash}, "a number beyond the end": {Number: 5, Hash: entries[3].Hash}} {
		var changed *inventory.JournalError
		if _, err := svc.VerifyJournal(t.Context(), seen); !errors.As(err, &changed) || changed.Number != seen.Number {
			t.Errorf("%s: %v", what, err)
		}
	}
}

// A journal of more than one page is verified to its end.
func TestVerifyLongJournal(t *testing.T) {
	svc, _, _, _ := keyed(t)
	for range 1001 {
		createKey(t, svc, service.NewKey{Name: "a", Role: "viewer"})
	}
	if last, err := svc.VerifyJournal(t.Context(), inventory.Entry{}); err != nil || last.Number != 1001 {
		t.Errorf("%d, %v", last.Number, err)
	}
}

// A request that was named is remembered for a day, and makes nothing twice.
func TestNamedRequests(t *testing.T) { onBothStores(t, testNamedRequests) }

func testNamedRequests(t *testing.T, svc, other *service.Service, at *clock) {
	retry := inventory.Retry{Actor: "local", Operation: "createKey", Key: "once", Fingerprint: strings.Repeat("0", 64), Status: 201}
	if earlier, err := svc.Remembered(t.Context(), retry); err != nil || earlier != nil {
		t.Errorf("%+v, %v", earlier, err)
	}
	k, _, err := svc.CreateKey(t.Context(), service.NewKey{Name: "a", Role: "viewer"}, &retry)
	if err != nil {
		t.Fatal(err)
	}
	if retry.Location != "" {
		t.Error("the caller's own was changed")
	}
	if _, secret, err := other.CreateKey(t.Context(), service.NewKey{Name: "a", Role: "viewer"}, &retry); !errors.Is(err, inventory.ErrRepeated) || secret != "" {
		t.Errorf("again: %v", err)
	}
	want := retry
	want.Location, want.At = "/v1/keys/"+k.ID, k.CreatedAt
	earlier, err := other.Remembered(t.Context(), retry)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(&want, earlier); diff != "" {
		t.Error(diff)
	}
	at.now = at.now.Add(inventory.RetryKept + time.Microsecond)
	if earlier, err := svc.Remembered(t.Context(), retry); err != nil || earlier != nil {
		t.Errorf("after a day: %+v, %v", earlier, err)
	}
	if _, _, err := svc.CreateKey(t.Context(), service.NewKey{Name: "a", Role: "viewer"}, &retry); err != nil {
		t.Errorf("after a day: %v", err)
	}
}

// Who acts is told by the context, and is this machine's user where nobody is named.
func TestActorOf(t *testing.T) {
	if got := service.ActorOf(context.Background()); got != (service.Actor{ID: service.Local, Role: inventory.Admin}) {
		t.Errorf("%+v", got)
	}
	want := service.Actor{ID: "key-1", Role: inventory.Viewer, RequestID: "r"}
	if got := service.ActorOf(service.As(service.As(t.Context(), service.Actor{}), want)); got != want {
		t.Errorf("%+v", got)
	}
}
