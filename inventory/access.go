package inventory

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"slices"
	"time"
)

// Role is what the holder of a key may do: each role may do what those before it
// may.
type Role string

// Roles.
const (
	Viewer  Role = "viewer"  // read, and compute
	Analyst Role = "analyst" // upload, edit, publish
	Admin   Role = "admin"   // keys, withdrawal, the journal
)

// Roles lists the roles, the least first.
func Roles() []Role { return []Role{Viewer, Analyst, Admin} }

// May tells whether a role may do what another is needed for. What is no role may
// do nothing, and nothing is done for a need that is no role.
func (r Role) May(needed Role) bool {
	need := slices.Index(Roles(), needed)
	return need >= 0 && slices.Index(Roles(), r) >= need
}

// Key is an API key without its secret, of which only the hash is kept. Once stored,
// it can end, and nothing else of it changes.
type Key struct {
	ID        string // public
	Name      string // of the program or person that holds it
	Role      Role
	Hash      string // hex SHA-256 of the secret
	CreatedAt string // as FormatTime writes it
	ExpiresAt string // as FormatTime writes it, the first instant at which it is refused; empty: never
	RevokedAt string // as FormatTime writes it; empty: not revoked
	Limits    Limits
}

// Limits are what the holder of a key may ask for in one request, where that is less than
// the service allows; 0 is no limit of its own.
type Limits struct {
	Samples      int `json:"samples,omitzero"`      // of an uncertainty
	Combinations int `json:"combinations,omitzero"` // of a grid, a search or a study of methods
	Seconds      int `json:"seconds,omitzero"`      // of computing, also of a job
}

// States of a key.
const (
	KeyLive    = "live"
	KeyExpired = "expired"
	KeyRevoked = "revoked"
)

// State tells whether a key may be used at an instant, given as FormatTime writes it.
func (k Key) State(at string) string {
	switch {
	case k.RevokedAt != "":
		return KeyRevoked
	case k.ExpiresAt != "" && at >= k.ExpiresAt:
		return KeyExpired
	}
	return KeyLive
}

// Digest is the identity of what a key says, for the journal: the hex SHA-256 of the
// RFC 8785 canonical JSON of its members except the hash of its secret. It fails
// where a text is not valid UTF-8.
func (k Key) Digest() (string, error) {
	text, err := canonical(struct {
		ID        string `json:"id"`
		Name      string `json:"name"`
		Role      Role   `json:"role"`
		CreatedAt string `json:"created_at"`
		ExpiresAt string `json:"expires_at"`
		RevokedAt string `json:"revoked_at"`
		Limits    Limits `json:"limits,omitzero"` // without any, the digest is that of before there were any
	}{k.ID, k.Name, k.Role, k.CreatedAt, k.ExpiresAt, k.RevokedAt, k.Limits})
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:]), nil
}

// Change says who changes what. A store keeps it in its journal, in the same
// transaction as the change itself.
type Change struct {
	Actor     string // the id of a key, or "local" where there are no keys
	Action    string // ActionPublish …
	Target    string // "demo@3", "demo/drafts/7", a key's id
	RequestID string // empty for the command line
	Before    string // hash of what was there, empty where there was nothing
	After     string // hash of what is there now
	At        string // as FormatTime writes it
	Retry     *Retry // where the client named its request, so that it may send it again
}

// Actions of a Change.
const (
	ActionPublish     = "publish"
	ActionWithdraw    = "withdraw"
	ActionCreateDraft = "create-draft"
	ActionEditDraft   = "edit-draft"
	ActionUpload      = "upload"
	ActionDeclare     = "declare"
	ActionDeleteDraft = "delete-draft"
	ActionCreateKey   = "create-key"
	ActionRevokeKey   = "revoke-key"
	ActionCreateJob   = "create-job"
	ActionCancelJob   = "cancel-job"
	ActionCreateStudy = "create-study"
	ActionEditStudy   = "edit-study"
	ActionDeleteStudy = "delete-study"
)

// Retry is what a store remembers of a request that named itself (Idempotency-Key),
// so that sending it again after a lost answer does nothing twice.
type Retry struct {
	Actor       string
	Operation   string // within which the actor's Key names one request
	Key         string
	Fingerprint string // hex SHA-256 of what was asked
	Location    string // of what came of it
	Status      int    // of the answer
	At          string // as FormatTime writes it; kept for RetryKept
}

// RetryKept is how long a store remembers a request at least.
const RetryKept = 24 * time.Hour

// ErrRepeated: a request of this name was served before; Remembered tells what came
// of it.
var ErrRepeated = errors.New("request was served before")

// Access keeps keys, the journal and the names of requests. Every promise here is a
// test in storetest, run on each store.
type Access interface {
	// CreateKey stores a key. Its id and its hash are new.
	CreateKey(ctx context.Context, k Key, c Change) error
	// KeyByHash finds a key by the hash of its secret, revoked or expired ones too,
	// or ErrNotFound.
	KeyByHash(ctx context.Context, hash string) (Key, error)
	// Keys lists all keys, the oldest first. A key is never deleted.
	Keys(ctx context.Context) ([]Key, error)
	// RevokeKey ends a key from c.At on, or ErrNotFound. Again it changes nothing,
	// and the journal says nothing of it.
	RevokeKey(ctx context.Context, id string, c Change) error
	// Journal lists entries in order of their numbers, at most limit, those after
	// the number given. Entries cannot be changed or deleted, by no means of SQL.
	Journal(ctx context.Context, after, limit int) ([]Entry, error)
	// Remembered finds what came of a request, or ErrNotFound. It may be older than
	// RetryKept; such are forgotten when the next is remembered.
	Remembered(ctx context.Context, actor, operation, key string) (Retry, error)
}
