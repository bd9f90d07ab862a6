// Package service holds the use cases: evaluate, compare, import, and reading
// inventories. It turns the text of a request into values for the engine, with
// every fault pointed at, and the engine's values into a result.
package service

import (
	"context"
	"errors"
	"slices"
	"strconv"
	"sync"
	"time"

	"slabledger/inventory"
	"slabledger/lca/fault"
)

// Service is the set of use cases. It is safe for concurrent use.
type Service struct {
	store inventory.Store
	now   func() time.Time // of publication; never part of a result

	workers int // of a long computation; 0 is what take gives
	cores   cores

	mu    sync.Mutex
	cache map[inventory.Ref]*catalogue
	// withdrawn versions by slug, as last looked at
	withdrawn map[string]withdrawals

	keys keyring
	jobs JobLimits
}

// New makes a service over a store.
func New(store inventory.Store) *Service {
	return &Service{store: store, now: time.Now, cache: map[inventory.Ref]*catalogue{}, withdrawn: map[string]withdrawals{}, keys: keyring{known: map[string]knownKey{}}, jobs: StandardJobLimits()}
}

// maxCached bounds the memory that versions take. A cached version can never be
// stale, only cold, so any may be dropped.
const maxCached = 64

// catalogue returns a version ready for evaluation.
func (s *Service) catalogue(ctx context.Context, ref inventory.Ref) (*catalogue, error) {
	s.mu.Lock()
	c := s.cache[ref]
	s.mu.Unlock()
	if c != nil {
		return c, nil
	}
	v, err := s.store.Version(ctx, ref)
	if err != nil {
		return nil, storeError(err, "no version "+strconv.Itoa(ref.Number)+" of the inventory "+short(ref.Slug))
	}
	var base *catalogue
	if at, ok := inventory.ParseRef(v.Meta.Extends); ok { // which is published, so it stays
		if base, err = s.catalogue(ctx, at); err != nil {
			return nil, err
		}
	}
	c = newCatalogue(&v, base)
	s.mu.Lock()
	defer s.mu.Unlock()
	for other := range s.cache {
		if len(s.cache) < maxCached {
			break
		}
		delete(s.cache, other)
	}
	s.cache[ref] = c
	return c, nil
}

// pinned resolves "slug@n", or "slug" to its newest version.
func (s *Service) pinned(ctx context.Context, text string) (*catalogue, error) {
	ref, found := inventory.ParseRef(text)
	switch {
	case found:
	case !inventory.ValidSlug(text):
		return nil, inventoryFault("inventory-reference", "an inventory is named like demo@1: lower-case letters, digits, hyphens")
	default:
		n, err := s.Newest(ctx, text)
		if err != nil {
			return nil, unknownInventory(err, text)
		}
		ref = inventory.Ref{Slug: text, Number: n}
	}
	c, err := s.catalogue(ctx, ref)
	if err != nil {
		return nil, unknownInventory(err, text)
	}
	return c, nil
}

// pinnedOrNone is pinned for a request that is checked further where the inventory
// is not known: it has no item then, and what is refused grows by that fault, at the
// member "inventory" of what stands at a path.
func (s *Service) pinnedOrNone(ctx context.Context, at fault.Path, text string, refused []fault.Fault) (*catalogue, []fault.Fault, error) {
	c, err := s.pinned(ctx, text)
	var failed *Error
	if err = below(at, err); asInvalid(err, &failed) {
		if told := failed.Faults[0].Pointer; slices.ContainsFunc(refused, func(r fault.Fault) bool { return concern(r.Pointer, told) }) {
			return &catalogue{}, refused, nil
		}
		return &catalogue{}, append(slices.Clone(refused), failed.Faults...), nil
	}
	return c, refused, err
}

// unknownInventory makes an unknown inventory a fault of the request's member.
func unknownInventory(err error, text string) error {
	var e *Error
	if errors.As(err, &e) && e.Code == NotFound {
		return inventoryFault("inventory-unknown", "there is no inventory "+short(text)+"; see /v1/inventories")
	}
	return err
}

func inventoryFault(code, detail string) error {
	return errFaults(oneFault("/inventory", code, detail))
}

// Newest is the highest published number of an inventory that is not withdrawn; where
// all are, the highest.
func (s *Service) Newest(ctx context.Context, slug string) (int, error) {
	newest, err := s.store.Newest(ctx, slug)
	if err != nil {
		return 0, storeError(err, "no inventory "+short(slug))
	}
	withdrawn, err := s.Withdrawn(ctx, slug)
	if err != nil {
		return 0, err
	}
	for n := newest; n > 0; n-- {
		if _, gone := withdrawn[n]; !gone {
			return n, nil
		}
	}
	return newest, nil
}

// withdrawals of an inventory, and when they were looked at.
type withdrawals struct {
	list   map[int]inventory.Withdrawal
	looked time.Time
}

// withdrawnFresh is how long a look at the withdrawals holds, so that requests on
// cached versions cost the database nothing. A withdrawal changes no figure.
const withdrawnFresh = 10 * time.Second

// Withdrawn lists the withdrawn versions of an inventory; one that another process
// withdrew is known some seconds later. The caller must not change the list.
func (s *Service) Withdrawn(ctx context.Context, slug string) (map[int]inventory.Withdrawal, error) {
	s.mu.Lock()
	known, ok := s.withdrawn[slug]
	s.mu.Unlock()
	if ok && s.now().Sub(known.looked) < withdrawnFresh {
		return known.list, nil
	}
	list, err := s.store.Withdrawn(ctx, slug)
	if err != nil {
		return nil, storeError(err, "")
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.withdrawn) >= maxCached {
		clear(s.withdrawn)
	}
	s.withdrawn[slug] = withdrawals{list, s.now()}
	return list, nil
}

// Inventories lists inventories by slug, those after the one given.
func (s *Service) Inventories(ctx context.Context, after string, limit int) ([]inventory.Summary, error) {
	list, err := s.store.Summaries(ctx, after, limit)
	return list, storeError(err, "")
}

// Versions lists the versions of an inventory, newest first, without items.
func (s *Service) Versions(ctx context.Context, slug string) ([]inventory.Version, error) {
	list, err := s.store.Versions(ctx, slug)
	return list, storeError(err, "no inventory "+short(slug))
}

// Version returns a version with its items. The caller must not change it.
func (s *Service) Version(ctx context.Context, slug string, number int) (*inventory.Version, error) {
	c, err := s.catalogue(ctx, inventory.Ref{Slug: slug, Number: number})
	if err != nil {
		return nil, err
	}
	return c.version, nil
}

// Overrides lists the items of a version that take the place of one of the version it
// extends, and that version; nil where it extends none.
func (s *Service) Overrides(ctx context.Context, slug string, number int) (base *inventory.Version, list []inventory.Override, err error) {
	c, err := s.catalogue(ctx, inventory.Ref{Slug: slug, Number: number})
	if err != nil || c.base == nil {
		return nil, nil, err
	}
	return c.base.version, c.overrides, nil
}

// Ready tells whether the store answers.
func (s *Service) Ready(ctx context.Context) error {
	return storeError(s.store.Ping(ctx), "")
}

// storeError gives a store's error its code.
func storeError(err error, notFound string) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, inventory.ErrNotFound):
		return &Error{Code: NotFound, Detail: notFound, Cause: err}
	case errors.Is(err, inventory.ErrRepeated):
		return err // whoever named the request asks what came of it
	case errors.Is(err, inventory.ErrVersionConflict):
		return &Error{Code: Conflict, Detail: "another publisher took the version number", Cause: err}
	case errors.Is(err, inventory.ErrUnavailable), errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		return &Error{Code: Unavailable, Detail: "the store cannot be reached now; try again", Cause: err}
	}
	return &Error{Code: Internal, Detail: "the store failed", Cause: err}
}
