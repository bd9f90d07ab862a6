package service

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"hash/crc32"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"slabledger/inventory"
	"slabledger/lca/fault"
)

// Actor is who makes a request, and under which id it is in the log.
type Actor struct {
	ID        string // of a key, or Local, or Anonymous
	Role      inventory.Role
	RequestID string           // empty for the command line
	Limits    inventory.Limits // of its key
}

// Actors without a key.
const (
	Local     = "local"     // on this machine: the command line, and every request while there are no keys
	Anonymous = "anonymous" // whoever reads where reads are open
)

type actorKey struct{}

// As makes an actor responsible for what is done in a context.
func As(ctx context.Context, a Actor) context.Context { return context.WithValue(ctx, actorKey{}, a) }

// ActorOf is who acts in a context; Local, who may do everything, where nobody was
// made responsible.
func ActorOf(ctx context.Context) Actor {
	if a, ok := ctx.Value(actorKey{}).(Actor); ok {
		return a
	}
	return Actor{ID: Local, Role: inventory.Admin}
}

// Within is the time that an actor may have for computing, of what the service gives.
func (a Actor) Within(most time.Duration) time.Duration {
	if own := time.Duration(a.Limits.Seconds) * time.Second; own > 0 {
		return min(most, own)
	}
	return most
}

// heldTo refuses so many of what a request asks for, where the key of whoever acts has
// fewer in one request.
func heldTo(ctx context.Context, asked, most int, what string, at fault.Path, faults *fault.List) {
	if most > 0 && asked > most {
		faults.Add(at, "compute-budget-exceeded", "%d %s; %s has at most %d in one request", asked, what, ActorOf(ctx).ID, most)
	}
}

// change is what the journal is to say: who does what to which target, now. Where the
// request was named, it is remembered that this location came of it.
func (s *Service) change(ctx context.Context, retry *inventory.Retry, action, target, location string) inventory.Change {
	actor := ActorOf(ctx)
	c := inventory.Change{Actor: actor.ID, Action: action, Target: target, RequestID: actor.RequestID, At: inventory.FormatTime(s.now())}
	if retry != nil {
		kept := *retry
		kept.Location, kept.At = location, c.At
		c.Retry = &kept
	}
	return c
}

// Remembered finds what came of an earlier request of the same name, which the caller
// sets against this one; nil where there was none within the last RetryKept.
func (s *Service) Remembered(ctx context.Context, retry inventory.Retry) (*inventory.Retry, error) {
	earlier, err := s.store.Remembered(ctx, retry.Actor, retry.Operation, retry.Key)
	if errors.Is(err, inventory.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, storeError(err, "")
	}
	if earlier.At < inventory.FormatTime(s.now().Add(-inventory.RetryKept)) {
		return nil, nil
	}
	return &earlier, nil
}

// A secret is a prefix, by which it is known wherever it turns up, 32 random bytes
// and a check sum over both, in hexadecimal: one that was mistyped is refused without
// a look at the store.
const (
	SecretPrefix = "slk_"
	randomBytes  = 32
	secretLength = len(SecretPrefix) + 2*(randomBytes+crc32.Size)
)

func newSecret() string {
	random := make([]byte, randomBytes)
	_, _ = rand.Read(random) // never fails, see its documentation
	return checked(SecretPrefix + hex.EncodeToString(random))
}

// checked is a secret with its check sum.
func checked(secret string) string {
	return secret + hex.EncodeToString(binary.BigEndian.AppendUint32(nil, crc32.ChecksumIEEE([]byte(secret))))
}

func wellFormed(secret string) bool {
	return len(secret) == secretLength && strings.HasPrefix(secret, SecretPrefix) &&
		checked(secret[:secretLength-2*crc32.Size]) == secret
}

func hashOf(secret string) string {
	sum := sha256.Sum256([]byte(secret))
	return hex.EncodeToString(sum[:])
}

// keyFresh is how long a look at the keys holds: a key that was revoked, here or by
// another process, is refused after that at the latest.
const keyFresh = time.Second

// maxKnown bounds the memory that known keys take.
const maxKnown = 1024

// keyring is what a process knows of the keys.
type keyring struct {
	mu     sync.Mutex
	known  map[string]knownKey // by hash; those that were live when last looked at
	exist  bool                // there are keys, which stays so: none is ever deleted
	looked time.Time           // whether there are
}

type knownKey struct {
	key    inventory.Key
	looked time.Time
}

func fresh(looked, now time.Time) bool {
	age := now.Sub(looked)
	return age >= 0 && age < keyFresh
}

// Keyed tells whether there are keys, live or not: without any, whoever reaches the
// service is Local. Where a first key was made elsewhere, that is known a second
// later.
func (s *Service) Keyed(ctx context.Context, now time.Time) (bool, error) {
	s.keys.mu.Lock()
	exist, known := s.keys.exist, fresh(s.keys.looked, now)
	s.keys.mu.Unlock()
	if exist || known {
		return exist, nil
	}
	list, err := s.Keys(ctx)
	if err != nil {
		return false, err
	}
	s.keys.mu.Lock()
	defer s.keys.mu.Unlock()
	s.keys.exist, s.keys.looked = s.keys.exist || len(list) > 0, now
	return s.keys.exist, nil
}

// KnownKey tells whether a secret is one that this process has found good before,
// without a look at the store. It may have ended since.
func (s *Service) KnownKey(secret string) bool {
	s.keys.mu.Lock()
	defer s.keys.mu.Unlock()
	_, known := s.keys.known[hashOf(secret)]
	return known
}

// Authenticate finds who holds a secret. What is wrong with it is an Error with the
// code Unauthenticated, whose detail the client may see: only the holder of a secret
// learns that its key has ended.
func (s *Service) Authenticate(ctx context.Context, secret string, now time.Time) (Actor, error) {
	refused := func(detail string) (Actor, error) {
		return Actor{}, &Error{Code: Unauthenticated, Detail: detail}
	}
	if !wellFormed(secret) {
		return refused("This is no key of the service. See that it was copied whole.")
	}
	hash := hashOf(secret)
	key, err := s.keyOf(ctx, hash, now)
	if errors.Is(err, inventory.ErrNotFound) || (err == nil && subtle.ConstantTimeCompare([]byte(key.Hash), []byte(hash)) != 1) {
		return refused("The service has no such key.")
	}
	if err != nil {
		return Actor{}, storeError(err, "")
	}
	if state := key.State(inventory.FormatTime(now)); state != inventory.KeyLive {
		s.forget(hash)
		return refused("The key " + key.ID + " is " + state + ".")
	}
	return Actor{ID: key.ID, Role: key.Role, Limits: key.Limits}, nil
}

// keyOf finds a key by the hash of its secret, in the store where the last look is
// not fresh any more.
func (s *Service) keyOf(ctx context.Context, hash string, now time.Time) (inventory.Key, error) {
	s.keys.mu.Lock()
	k, known := s.keys.known[hash]
	s.keys.mu.Unlock()
	if known && fresh(k.looked, now) {
		return k.key, nil
	}
	key, err := s.store.KeyByHash(ctx, hash)
	if err != nil {
		return key, err
	}
	if key.State(inventory.FormatTime(now)) == inventory.KeyLive {
		s.keys.mu.Lock()
		defer s.keys.mu.Unlock()
		for other := range s.keys.known {
			if len(s.keys.known) < maxKnown {
				break
			}
			delete(s.keys.known, other)
		}
		s.keys.known[hash] = knownKey{key, now}
	}
	return key, nil
}

func (s *Service) forget(hash string) {
	s.keys.mu.Lock()
	defer s.keys.mu.Unlock()
	delete(s.keys.known, hash)
}

// NewKey is what is asked for when a key is made.
type NewKey struct {
	Name string `json:"name"` // of the program or person that will hold it
	Role string `json:"role"`
	// ExpiresAt is a day (RFC 3339 full-date), the last one in UTC on which the key
	// is accepted, or an instant (date-time), the first at which it is not; empty
	// for never.
	ExpiresAt string `json:"expires_at"`
	// Limits are of one request each; 0 is no limit of its own.
	Limits inventory.Limits `json:"limits"`
}

const (
	maxKeyName  = 120
	maxKeyLimit = 1_000_000_000 // beyond what a service allows anyone
)

// CreateKey makes a key and tells its secret, which is not kept: only this answer has
// it.
func (s *Service) CreateKey(ctx context.Context, asked NewKey, retry *inventory.Retry) (k inventory.Key, secret string, err error) {
	now := s.now()
	var faults fault.List
	at := fault.Path("")
	if asked.Name == "" || utf8.RuneCountInString(asked.Name) > maxKeyName || !utf8.ValidString(asked.Name) || strings.ContainsFunc(asked.Name, hidden) {
		faults.Add(at.At("name"), "text-invalid", "a name has 1 to %d characters, none of them a control character, a line break or of no width", maxKeyName)
	}
	role := inventory.Role(asked.Role)
	if !role.May(inventory.Viewer) {
		faults.Add(at.At("role"), "not-in-list", "%q is not accepted here; accepted: viewer, analyst, admin", short(asked.Role))
	}
	expires := ""
	if asked.ExpiresAt != "" {
		end, err := keyEnd(asked.ExpiresAt)
		switch {
		case err != nil || end.UTC().Year() > 9999: // which FormatTime cannot write
			faults.Add(at.At("expires_at"), "date-invalid", "%q is neither a day such as 2027-06-30 nor an instant such as 2027-06-30T12:00:00Z", short(asked.ExpiresAt))
		case !end.After(now):
			faults.Add(at.At("expires_at"), "out-of-range", "%s is past", short(asked.ExpiresAt))
		default:
			expires = inventory.FormatTime(end)
		}
	}
	for _, l := range []struct {
		member string
		most   int
	}{{"samples", asked.Limits.Samples}, {"combinations", asked.Limits.Combinations}, {"seconds", asked.Limits.Seconds}} {
		if l.most < 0 || l.most > maxKeyLimit {
			faults.Add(at.At("limits", l.member), "out-of-range", "%d; a limit is 1 to %d, and without it the key has only those of the service", l.most, maxKeyLimit)
		}
	}
	if !faults.Empty() {
		return k, "", errFaults(faults.All())
	}

	secret = newSecret()
	hash := hashOf(secret)
	// The id tells which key a secret belongs to, and nothing of the secret.
	k = inventory.Key{ID: "key-" + hash[:12], Name: asked.Name, Role: role, Hash: hash, CreatedAt: inventory.FormatTime(now), ExpiresAt: expires, Limits: asked.Limits}
	c := s.change(ctx, retry, inventory.ActionCreateKey, k.ID, KeyLocation(k.ID))
	if c.After, err = k.Digest(); err != nil {
		return k, "", &Error{Code: Internal, Detail: "the key cannot be written", Cause: err}
	}
	if err := s.store.CreateKey(ctx, k, c); err != nil {
		return k, "", storeError(err, "")
	}
	s.keys.mu.Lock()
	defer s.keys.mu.Unlock()
	s.keys.exist = true
	return k, secret, nil
}

// KeyLocation is where the HTTP API shows a key.
func KeyLocation(id string) string { return "/v1/keys/" + id }

// keyEnd is the first instant at which a key is not accepted any more.
func keyEnd(text string) (time.Time, error) {
	if day, err := time.Parse(time.DateOnly, text); err == nil {
		return day.AddDate(0, 0, 1), nil
	}
	return time.Parse(time.RFC3339, text)
}

// Keys lists all keys, the oldest first.
func (s *Service) Keys(ctx context.Context) ([]inventory.Key, error) {
	list, err := s.store.Keys(ctx)
	return list, storeError(err, "")
}

// Key finds a key by its id.
func (s *Service) Key(ctx context.Context, id string) (inventory.Key, error) {
	list, err := s.Keys(ctx)
	if err != nil {
		return inventory.Key{}, err
	}
	for _, k := range list {
		if k.ID == id {
			return k, nil
		}
	}
	return inventory.Key{}, &Error{Code: NotFound, Detail: "There is no key " + short(id) + "."}
}

// RevokeKey ends a key. Again it changes nothing.
func (s *Service) RevokeKey(ctx context.Context, id string) error {
	k, err := s.Key(ctx, id)
	if err != nil || k.RevokedAt != "" {
		return err
	}
	c := s.change(ctx, nil, inventory.ActionRevokeKey, id, "")
	before, err1 := k.Digest()
	k.RevokedAt = c.At
	after, err2 := k.Digest()
	if err := errors.Join(err1, err2); err != nil {
		return &Error{Code: Internal, Detail: "the key cannot be written", Cause: err}
	}
	c.Before, c.After = before, after
	if err := s.store.RevokeKey(ctx, id, c); err != nil {
		return storeError(err, "no key "+short(id))
	}
	s.forget(k.Hash)
	return nil
}

// Journal lists entries of the journal by number, those after the one given.
func (s *Service) Journal(ctx context.Context, after, limit int) ([]inventory.Entry, error) {
	list, err := s.store.Journal(ctx, after, limit)
	return list, storeError(err, "")
}

// VerifyJournal checks the journal from its first entry to its last, which it
// returns: what it says of the changes that were made is what was written then, or
// the error is an *inventory.JournalError. Where seen is an entry's number and hash
// that were noted earlier, the journal must still have it.
func (s *Service) VerifyJournal(ctx context.Context, seen inventory.Entry) (last inventory.Entry, err error) {
	const page = 1000
	for {
		entries, err := s.Journal(ctx, last.Number, page)
		if err != nil {
			return last, err
		}
		if err := inventory.VerifyJournal(last, entries); err != nil {
			return last, err
		}
		for _, e := range entries {
			if e.Number == seen.Number && e.Hash != seen.Hash {
				return last, &inventory.JournalError{Number: e.Number, Reason: "its hash is not the one that was noted"}
			}
			last = e
		}
		if len(entries) < page {
			break
		}
	}
	if last.Number < seen.Number {
		return last, &inventory.JournalError{Number: last.Number + 1, Reason: "it ends before the entry that was noted"}
	}
	return last, nil
}
