package service

import (
	"context"
	"errors"
	"io"

	"slabledger/inventory"
	"slabledger/lca/fault"
)

const maxNote = 1000

// Import reads a CSV of items and publishes it as the next version of an
// inventory: all of it, or nothing. The same content again is no new version;
// published tells which.
func (s *Service) Import(ctx context.Context, slug string, meta inventory.Meta, file io.Reader, note string) (v inventory.Version, published bool, err error) {
	in, err := s.ImportTable(ctx, slug, inventory.UploadOptions{Form: inventory.FormCSV, Meta: meta}, file, note, false)
	if err != nil {
		return v, false, err // an *inventory.UploadError lists every bad row
	}
	return in.Version, in.Published, nil
}

// next is what a review comes to as the version behind the one that it is against, and
// the hash of that; of a version that says the same, both hashes are equal.
func (s *Service) next(ctx context.Context, r *Review, note string) (v inventory.Version, before string, err error) {
	v = inventory.Version{Slug: r.Draft.Slug, Number: r.Against.Number + 1, Meta: r.Draft.Meta, Note: note, Items: r.Resolved, CreatedAt: inventory.FormatTime(s.now())}
	if v.Hash, err = inventory.Hash(v.Meta, v.Items); err != nil {
		return v, "", &Error{Code: Internal, Detail: "the items cannot be hashed", Cause: err}
	}
	if r.Against.Number > 0 {
		last, err := s.Version(ctx, r.Against.Slug, r.Against.Number)
		if err != nil {
			return v, "", err
		}
		before = last.Hash
	}
	return v, before, nil
}

// publish stores what a review comes to, unless the newest version says the same.
func (s *Service) publish(ctx context.Context, r *Review, note string) (v inventory.Version, published bool, err error) {
	v, before, err := s.next(ctx, r, note)
	if err != nil {
		return v, false, err
	}
	if before == v.Hash {
		last, err := s.Version(ctx, r.Against.Slug, r.Against.Number)
		if err != nil {
			return v, false, err
		}
		return *last, false, nil
	}
	if err := s.store.Publish(ctx, v, s.changed(ctx, nil, inventory.ActionPublish, v.Ref().String(), "", before, v.Hash)); err != nil {
		return v, false, storeError(err, "")
	}
	return v, true, nil
}

// Meta is what the newest version of an inventory says about itself; false
// where there is no such inventory.
func (s *Service) Meta(ctx context.Context, slug string) (inventory.Meta, bool, error) {
	versions, err := s.store.Versions(ctx, slug)
	if errors.Is(err, inventory.ErrNotFound) {
		return inventory.Meta{}, false, nil
	}
	if err != nil {
		return inventory.Meta{}, false, storeError(err, "")
	}
	return versions[0].Meta, true, nil
}

// Faults lists what an error says is wrong with a request.
func Faults(err error) []fault.Fault {
	var e *Error
	if errors.As(err, &e) {
		return e.Faults
	}
	return nil
}
