package inventory

import (
	"context"
	"errors"
)

// Errors of a Store. Drivers' own errors never leave a store untranslated:
// what is none of these is a fault of the machine, not of the request.
var (
	// ErrNotFound: no such inventory or version.
	ErrNotFound = errors.New("not found")
	// ErrVersionConflict: another publisher took the number.
	ErrVersionConflict = errors.New("version conflict")
	// ErrUnavailable: the database cannot be reached now; try again later.
	ErrUnavailable = errors.New("store unavailable")
)

// Summary is an inventory in a list: its newest version without the items.
type Summary struct {
	Slug   string
	Newest Version // Items is nil
}

// Store keeps published versions. It has what service calls and nothing else;
// every promise in these comments is a test in storetest, run on each store.
type Store interface {
	Access
	Drafts
	Withdrawals
	Jobs
	Studies
	// Publish stores v as version v.Number of v.Slug, items and all, or nothing.
	// v.Number must be the newest number plus one (1 for a new slug), else
	// ErrVersionConflict. Of concurrent publishers of one number exactly one
	// wins; the others get ErrVersionConflict. The caller has validated v and
	// computed its hash; v.CreatedAt is RFC 3339 and is cut to microseconds.
	// A commit is never repeated: where the connection is lost or ctx ends while
	// it runs, the error is ErrUnavailable or that of ctx, and only Version
	// tells what happened. A request that was named and served before is
	// ErrRepeated, whatever else is wrong with it.
	Publish(ctx context.Context, v Version, c Change) error
	// Version returns one version with its items sorted by code, or
	// ErrNotFound. Every digit of every decimal comes back as it was stored.
	Version(ctx context.Context, ref Ref) (Version, error)
	// Newest returns the highest version number of a slug, or ErrNotFound.
	Newest(ctx context.Context, slug string) (int, error)
	// Summaries lists inventories sorted bytewise by slug, at most limit, those
	// after the slug given. A limit of 0 or less lists none.
	Summaries(ctx context.Context, after string, limit int) ([]Summary, error)
	// Versions lists the versions of a slug without their items, newest first;
	// ErrNotFound where there is none.
	Versions(ctx context.Context, slug string) ([]Version, error)
	// Ping tells whether the database answers and its schema is the one that
	// this program knows.
	Ping(ctx context.Context) error
	// Close releases connections. Published versions are durable before.
	Close() error
}
