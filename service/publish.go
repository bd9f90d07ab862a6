package service

import (
	"context"
	"errors"
	"io"
	"strconv"

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

func (s *Service) publish(ctx context.Context, slug string, meta inventory.Meta, items []inventory.Item, note string) (v inventory.Version, published bool, err error) {
	hash, err := inventory.Hash(meta, items)
	if err != nil {
		return v, false, &Error{Code: Internal, Detail: "the items cannot be hashed", Cause: err}
	}
	before := ""
	newest, err := s.store.Newest(ctx, slug)
	switch {
	case errors.Is(err, inventory.ErrNotFound):
		newest = 0
	case err != nil:
		return v, false, storeError(err, "")
	default:
		last, err := s.Version(ctx, slug, newest)
		if err != nil {
			return v, false, err
		}
		if last.Hash == hash {
			return *last, false, nil
		}
		before = last.Hash
	}
	v = inventory.Version{Slug: slug, Number: newest + 1, Meta: meta, Hash: hash, Note: note, Items: items, CreatedAt: inventory.FormatTime(s.now())}
	c := s.change(ctx, nil, inventory.ActionPublish, slug+"@"+strconv.Itoa(v.Number), "")
	c.Before, c.After = before, hash
	if err := s.store.Publish(ctx, v, c); err != nil {
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
