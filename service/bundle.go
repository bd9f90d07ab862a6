package service

import (
	"context"
	"maps"
	"slices"
	"strconv"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"slabledger/inventory"
	"slabledger/lca/fault"
)

// BundleVersion names the form of a bundle. It changes when a reader of the one
// before could not read it.
const BundleVersion = 1

// MaxBundleBytes is the longest bundle that is made and that is verified. Three
// alternatives over 40 years take some 300 kB.
const MaxBundleBytes = 8 << 20

// BundleRequest is the body of POST /v1/bundles.
type BundleRequest struct {
	Comparison       jsontext.Value `json:"comparison"`
	RestrictedValues string         `json:"restricted_values,omitzero"` // RestrictedRefused by default
}

// What to do where the licence of a number forbids passing it on.
const (
	RestrictedRefused  = "refused"
	RestrictedIncluded = "included"
)

// Bundle is a comparison with all that it takes to compute it again: the request, the
// rows of the inventory, the result, and a hash of each.
type Bundle struct {
	BundleVersion int                 `json:"bundle_version"`
	EngineVersion string              `json:"engine_version"`
	Request       jsontext.Value      `json:"request"` // canonical, its inventory pinned
	Inventory     BundleInventory     `json:"inventory"`
	Result        *ComparisonResponse `json:"result"`
	Hashes        BundleHashes        `json:"hashes"`
}

// BundleInventory is what a bundle has of its inventory.
type BundleInventory struct {
	Ref        string           `json:"ref"`
	Hash       string           `json:"hash"` // of the whole version
	Meta       inventory.Meta   `json:"meta"`
	Restricted []string         `json:"restricted"` // items whose numbers must not be passed on
	Rows       []inventory.Item `json:"rows"`       // by code: those in use, the parts of their recipes, the inventory's defaults

	Extends    *LayerRef        `json:"extends,omitzero"`
	Overridden []inventory.Item `json:"overridden,omitzero"` // items of the base whose place rows take
}

// BundleHashes are hex SHA-256 over RFC 8785 canonical JSON.
type BundleHashes struct {
	Request       string `json:"request"`
	InventoryRows string `json:"inventory_rows"`
	Result        string `json:"result"`
	Bundle        string `json:"bundle"` // of the bundle without this member
}

// Pinned is the version of the inventory that the bundle rests on.
func (b *Bundle) Pinned() string { return b.Inventory.Ref }

// Bundle evaluates a comparison and packs it with what it takes to verify it. The
// same body on the same inventory version gives the same bundle, byte for byte.
func (s *Service) Bundle(ctx context.Context, body []byte, refused ...fault.Fault) (bundle *Bundle, err error) {
	defer func() { err = joined(refused, err) }()
	var req BundleRequest
	if err := json.Unmarshal(body, &req); err != nil {
		return nil, &Error{Code: Malformed, Detail: "the body cannot be read as a request for a bundle", Cause: err}
	}
	bundle, err = s.bundleOf(ctx, req.Comparison, req.RestrictedValues, refused)
	return bundle, below("/comparison", err)
}

// BundleOf is Bundle for a comparison that is the whole body, with no number whose
// licence forbids passing it on.
func (s *Service) BundleOf(ctx context.Context, comparison []byte, refused []fault.Fault) (bundle *Bundle, err error) {
	defer func() { err = joined(refused, err) }()
	return s.bundleOf(ctx, comparison, RestrictedRefused, refused)
}

func (s *Service) bundleOf(ctx context.Context, comparison []byte, restricted string, refused []fault.Fault) (*Bundle, error) {
	c, resp, evaluations, err := s.evaluatedFor(ctx, comparison, refused, false)
	if err != nil {
		return nil, err
	}
	inv, err := bundleInventory(c, evaluations)
	if err != nil {
		return nil, err
	}
	if restricted != RestrictedIncluded && len(inv.Restricted) > 0 {
		var faults fault.List
		for _, code := range inv.Restricted {
			faults.Add("/inventory", "redistribution-forbidden", "the licence of %s is %s, and a bundle carries its numbers in the rows and in every line; \"restricted_values\": \"included\" makes a bundle that must not be passed on", code, inventory.NoRedistribution)
		}
		return nil, errFaults(faults.All())
	}
	request, err := pinnedRequest(comparison, c.ref.Ref)
	if err != nil {
		return nil, err
	}
	b := &Bundle{BundleVersion: BundleVersion, EngineVersion: EngineVersion, Request: request, Inventory: inv, Result: resp}
	if err := b.Request.Canonicalize(); err != nil {
		return nil, hashingFailed(err)
	}
	if err := b.seal(); err != nil {
		return nil, err
	}
	return b, nil
}

// evaluatedFor evaluates a comparison for more than its response.
func (s *Service) evaluatedFor(ctx context.Context, body []byte, refused []fault.Fault, traced bool) (*catalogue, *ComparisonResponse, []*evaluated, error) {
	var req ComparisonRequest
	if err := json.Unmarshal(body, &req); err != nil {
		return nil, nil, nil, &Error{Code: Malformed, Detail: "the body cannot be read as a comparison", Cause: err}
	}
	c, err := s.pinned(ctx, req.Inventory)
	if err != nil {
		return nil, nil, nil, err
	}
	resp, evaluations, err := s.compareOn(ctx, c, req, body, refused, traced)
	return c, resp, evaluations, err
}

// bundleInventory is what a comparison uses of an inventory.
func bundleInventory(c *catalogue, evaluations []*evaluated) (BundleInventory, error) {
	used := map[string]*entry{}
	for _, e := range evaluations {
		for _, it := range e.study.named { // read again, it must be found
			e.use(it)
		}
		for _, standard := range []*entry{c.mixing, c.disposal} {
			if standard != nil {
				e.use(standard)
			}
		}
		maps.Copy(used, e.used)
	}
	inv := BundleInventory{Ref: c.ref.Ref, Hash: c.ref.Hash, Meta: c.version.Meta, Restricted: []string{}, Extends: c.ref.Extends}
	for _, code := range slices.Sorted(maps.Keys(used)) {
		it := c.publishedItem(code)
		inv.Rows = append(inv.Rows, *it.inventory)
		if over := it.overrides; over != nil {
			inv.Overridden = append(inv.Overridden, *over.Base)
		}
	}
	_, withheld, err := inventory.Redistributable(slices.Concat(inv.Rows, inv.Overridden))
	if err != nil {
		return inv, hashingFailed(err)
	}
	for _, w := range withheld {
		inv.Restricted = append(inv.Restricted, w.Item)
	}
	slices.Sort(inv.Restricted)
	inv.Restricted = slices.Compact(inv.Restricted)
	return inv, nil
}

// seal hashes the parts, then the whole.
func (b *Bundle) seal() error {
	b.Hashes = BundleHashes{}
	text, err := Encode(b)
	if err != nil {
		return err
	}
	if len(text) > MaxBundleBytes {
		return errFaults(oneFault("", "compute-budget-exceeded", "the bundle comes to "+strconv.Itoa(len(text))+" bytes; at most "+strconv.Itoa(MaxBundleBytes)+": compare fewer alternatives at a time"))
	}
	b.Hashes, err = hashesOf(text)
	return err
}

// hashesOf computes the hashes of a bundle from its text.
func hashesOf(bundle []byte) (h BundleHashes, err error) {
	var parts struct {
		BundleVersion jsontext.Value            `json:"bundle_version"`
		EngineVersion jsontext.Value            `json:"engine_version"`
		Request       jsontext.Value            `json:"request"`
		Inventory     map[string]jsontext.Value `json:"inventory"`
		Result        jsontext.Value            `json:"result"`
		Hashes        map[string]string         `json:"hashes"`
	}
	if err := json.Unmarshal(bundle, &parts); err != nil {
		return h, hashingFailed(err)
	}
	for _, part := range []struct {
		text jsontext.Value
		to   *string
	}{{parts.Request, &h.Request}, {parts.Inventory["rows"], &h.InventoryRows}, {parts.Result, &h.Result}} {
		if *part.to, err = canonicalHash(part.text); err != nil {
			return h, err
		}
	}
	parts.Hashes = map[string]string{"request": h.Request, "inventory_rows": h.InventoryRows, "result": h.Result}
	text, err := json.Marshal(parts)
	if err != nil {
		return h, hashingFailed(err)
	}
	h.Bundle, err = canonicalHash(text)
	return h, err
}

func hashingFailed(err error) error {
	return &Error{Code: Internal, Detail: "hashing failed", Cause: err}
}
