package inventory_test

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"testing"

	"slabledger/inventory"
)

// The canonical text of two entries, written out by hand after RFC 8785: members in
// order of their names, no space, the hash of the entry before as "previous".
const (
	firstEntry = `{"action":"publish","actor":"local","after":"ab","at":"2026-03-01T10:00:00.000001Z","before":"","number":1,` +
		`"previous":"","request_id":"","target":"demo@1"}`
	secondEntry = `{"action":"create-key","actor":"key-\"é\"","after":"","at":"2026-03-01T10:00:00.500000Z","before":"cd","number":2,` +
		`"previous":"%s","request_id":"r","target":"key-1"}`
)

func TestJournalHashOfAHandWrittenText(t *testing.T) {
	hash := func(text string) string {
		sum := sha256.Sum256([]byte(text))
		return hex.EncodeToString(sum[:])
	}
	first, err := inventory.NextEntry(inventory.Entry{}, inventory.Change{Actor: "local", Action: "publish", Target: "demo@1", After: "ab",
		At: "2026-03-01T12:00:00.0000019+02:00", Retry: &inventory.Retry{Key: "not part of it"}})
	if err != nil {
		t.Fatal(err)
	}
	if want := hash(firstEntry); first.Hash != want || first.Number != 1 || first.Retry != nil || first.At != "2026-03-01T10:00:00.000001Z" {
		t.Errorf("got %+v, want the hash %s", first, want)
	}
	second, err := inventory.NextEntry(first, inventory.Change{Actor: `key-"é"`, Action: "create-key", Target: "key-1", Before: "cd", RequestID: "r", At: "2026-03-01T10:00:00.5Z"})
	if err != nil {
		t.Fatal(err)
	}
	if want := hash(fmt.Sprintf(secondEntry, first.Hash)); second.Hash != want {
		t.Errorf("got %+v, want the hash %s", second, want)
	}
	if err := inventory.VerifyJournal(inventory.Entry{}, []inventory.Entry{first, second}); err != nil {
		t.Error(err)
	}
	if err := inventory.VerifyJournal(first, []inventory.Entry{second}); err != nil {
		t.Error(err)
	}
	var changed *inventory.JournalError
	for what, entries := range map[string][]inventory.Entry{"without its first": {second}, "turned round": {second, first}, "twice": {first, first}} {
		if err := inventory.VerifyJournal(inventory.Entry{}, entries); !errors.As(err, &changed) {
			t.Errorf("%s: %v", what, err)
		}
	}
	// Whoever edits an entry and its hash too is found out by the next one.
	edited, err := inventory.NextEntry(inventory.Entry{}, inventory.Change{Actor: "someone else", Action: "publish", Target: "demo@1", After: "ab", At: first.At})
	if err != nil {
		t.Fatal(err)
	}
	if err := inventory.VerifyJournal(inventory.Entry{}, []inventory.Entry{edited, second}); !errors.As(err, &changed) || changed.Number != 2 {
		t.Errorf("%v", err)
	}
}

func TestRolesContainThoseBeforeThem(t *testing.T) {
	roles := inventory.Roles()
	for have := range roles {
		for need := range roles {
			if got, want := roles[have].May(roles[need]), have >= need; got != want {
				t.Errorf("%s may do what %s may: %v", roles[have], roles[need], got)
			}
		}
	}
	for _, r := range []inventory.Role{"", "root", "ADMIN"} {
		if r.May(inventory.Viewer) || r.May(r) || inventory.Admin.May(r) {
			t.Errorf("%q is a role", r)
		}
	}
}

// A key's digest says all of it but the hash of its secret.
func TestDigestOfAKey(t *testing.T) {
	key := inventory.Key{ID: "key-1", Name: "é", Role: "viewer", Hash: "secret", CreatedAt: "2026-03-01T10:00:00.000000Z"}
	got, err := key.Digest()
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256([]byte(`{"created_at":"2026-03-01T10:00:00.000000Z","expires_at":"","id":"key-1","name":"é","revoked_at":"","role":"viewer"}`))
	if want := hex.EncodeToString(sum[:]); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if _, err := (inventory.Key{Name: "\xff"}).Digest(); err == nil {
		t.Error("a name that is no UTF-8 has a digest")
	}
}

func TestKeysEnd(t *testing.T) {
	const now, later = "2026-03-01T10:00:00.000000Z", "2026-03-01T10:00:00.000001Z"
	for want, keys := range map[string][]inventory.Key{
		inventory.KeyLive:    {{}, {ExpiresAt: later}},
		inventory.KeyExpired: {{ExpiresAt: now}},
		inventory.KeyRevoked: {{RevokedAt: now}, {RevokedAt: later}, {RevokedAt: now, ExpiresAt: now}},
	} {
		for _, k := range keys {
			if got := k.State(now); got != want {
				t.Errorf("%+v is %s, want %s", k, got, want)
			}
		}
	}
}
