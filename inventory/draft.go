package inventory

import (
	"context"
	"errors"
)

// Draft is a version before it is published. It changes; each change makes its next
// revision.
type Draft struct {
	ID        string // unique among all drafts
	Slug      string // of the inventory that it will be a version of
	Base      int    // the version it began from; 0 where it began empty
	Meta      Meta
	Revision  int // 1, 2, 3 …
	CreatedBy string
	CreatedAt string // as FormatTime writes it
	UpdatedAt string
	Items     []Item // its own, sorted by code; those of what it extends are not among them
}

// DraftEdit is a change of a draft: items by code take the place of what is there,
// nil takes an item away. It is made as a whole or not at all.
type DraftEdit struct {
	Meta  *Meta // nil: as it is
	Clear bool  // take away all items first
	Items map[string]*Item
}

// ErrStale: the draft has changed since it was read.
var ErrStale = errors.New("the draft has changed")

// Drafts keeps what is not yet published. Every promise here is a test in storetest,
// run on each store; each change is recorded with its Change in one transaction.
type Drafts interface {
	// CreateDraft stores a draft with its items, at revision 1.
	CreateDraft(ctx context.Context, d Draft, c Change) error
	// Draft returns a draft with its items, or ErrNotFound.
	Draft(ctx context.Context, slug, id string) (Draft, error)
	// DraftItem returns a draft with no items but the one of the code, and without any
	// where it has none of it; or ErrNotFound.
	DraftItem(ctx context.Context, slug, id, code string) (Draft, error)
	// Drafts lists the drafts of an inventory in order of their ids, without items.
	Drafts(ctx context.Context, slug string) ([]Draft, error)
	// EditDraft changes a draft that is at the revision given and returns its next
	// one, or ErrStale, or ErrNotFound.
	EditDraft(ctx context.Context, slug, id string, revision int, edit DraftEdit, c Change) (int, error)
	// DeleteDraft deletes a draft that is at the revision given, or ErrStale, or
	// ErrNotFound.
	DeleteDraft(ctx context.Context, slug, id string, revision int, c Change) error
	// PublishDraft is Publish of what a draft at the revision given has come to, and
	// ends the draft; ErrStale or ErrNotFound where it is not there any more.
	PublishDraft(ctx context.Context, v Version, id string, revision int, c Change) error
}

// Withdrawal says that a version is no longer to be used, and why. The version stays
// as it is.
type Withdrawal struct {
	Reason string
	At     string // as FormatTime writes it
}

// Withdrawals marks versions.
type Withdrawals interface {
	// Withdraw marks a version, or ErrNotFound. What is withdrawn stays so; again it
	// is ErrVersionConflict.
	Withdraw(ctx context.Context, ref Ref, w Withdrawal, c Change) error
	// Withdrawn lists the withdrawn versions of an inventory by number.
	Withdrawn(ctx context.Context, slug string) (map[int]Withdrawal, error)
}
