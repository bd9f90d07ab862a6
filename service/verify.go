package service

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"slabledger/inventory"
	"slabledger/lca/fault"
)

// Verification is what came of computing a bundle again.
type Verification struct {
	Match           bool              `json:"match"`
	BundleVersion   int               `json:"bundle_version"`
	EngineVersion   string            `json:"engine_version"` // of this program
	MadeBy          string            `json:"made_by_engine_version"`
	Inventory       VerifiedInventory `json:"inventory"`
	Hashes          []HashCheck       `json:"hashes"`
	FirstDifference *BundleDifference `json:"first_difference"`
	MembersCompared int               `json:"members_compared"` // values of the bundle that were held against ours
	Notices         []string          `json:"notices"`
}

// VerifiedInventory is the inventory that a bundle was computed from again.
type VerifiedInventory struct {
	Ref          string `json:"ref"`
	Hash         string `json:"hash"`
	StoredHash   string `json:"stored_hash,omitzero"` // of the version of that name here
	ComputedFrom string `json:"computed_from"`        // FromStored or FromRows
	Reason       string `json:"reason"`
}

// Where the numbers of an inventory were taken from.
const (
	FromStored = "stored_version"
	FromRows   = "rows"
)

// HashCheck is one hash of a bundle and what its content comes to.
type HashCheck struct {
	Of       string `json:"of"`
	Stated   string `json:"stated"`
	Computed string `json:"computed"`
	Match    bool   `json:"match"`
}

// Where two of the hashes stand in Verification.Hashes.
const (
	ofRequest = 0
	ofResult  = 2
)

// BundleDifference is a member of a bundle that is not what it should be. A text
// stands without its quotes, anything else as JSON; null is no such member.
type BundleDifference struct {
	Pointer  string  `json:"pointer"`
	Stated   *string `json:"stated"`
	Computed *string `json:"computed"`
	Reason   string  `json:"reason"`
}

// CheckRequest holds the request of a bundle against the contract, as the body of a
// comparison is.
type CheckRequest func(body []byte) (accepted []byte, refused []fault.Fault, err error)

// Verify computes a bundle again, from the pinned version of the inventory where it
// is here and is the same, else from the rows of the bundle, and names the first
// member that differs. The error is for what is no bundle.
func (s *Service) Verify(ctx context.Context, bundle []byte, check CheckRequest) (*Verification, error) {
	return s.verify(ctx, bundle, check, func(ref inventory.Ref) (*catalogue, error) { return s.catalogue(ctx, ref) })
}

// VerifyAlone is Verify without any store: from the rows of the bundle.
func VerifyAlone(ctx context.Context, bundle []byte, check CheckRequest) (*Verification, error) {
	alone := &Service{}
	return alone.verify(ctx, bundle, check, func(inventory.Ref) (*catalogue, error) {
		return nil, &Error{Code: NotFound, Detail: "no store was asked"}
	})
}

// readBundle is a bundle as it is read: the parts that may have been changed stay text.
type readBundle struct {
	BundleVersion int            `json:"bundle_version"`
	EngineVersion string         `json:"engine_version"`
	Request       jsontext.Value `json:"request"`
	Inventory     struct {
		Ref        string           `json:"ref"`
		Hash       string           `json:"hash"`
		Meta       inventory.Meta   `json:"meta"`
		Restricted []string         `json:"restricted"`
		Rows       []jsontext.Value `json:"rows"`
		Extends    *LayerRef        `json:"extends"`
		Overridden []jsontext.Value `json:"overridden"`
	} `json:"inventory"`
	Result jsontext.Value `json:"result"`
	Hashes BundleHashes   `json:"hashes"`
}

// verification is one bundle on its way.
type verification struct {
	Verification
	service  *Service
	text     []byte
	bundle   readBundle
	computed BundleHashes // of the bundle as it is
}

func (s *Service) verify(ctx context.Context, text []byte, check CheckRequest, stored func(inventory.Ref) (*catalogue, error)) (*Verification, error) {
	v := &verification{service: s, text: text}
	if err := v.read(); err != nil {
		return nil, err
	}
	c, err := v.choose(stored)
	if err != nil {
		return nil, err
	}
	if c != nil {
		if err := v.recompute(ctx, c, check); err != nil {
			return nil, err
		}
	}
	v.compareHashes()
	if d := v.FirstDifference; d != nil && d.Pointer != "/engine_version" {
		d.Reason += v.byAnotherEngine()
	}
	v.Match = v.FirstDifference == nil
	return &v.Verification, nil
}

// read reads a bundle and computes its hashes.
func (v *verification) read() error {
	if len(v.text) > MaxBundleBytes {
		return &Error{Code: Malformed, Detail: fmt.Sprintf("a bundle of %d bytes; at most %d", len(v.text), MaxBundleBytes)}
	}
	if err := isJSON(v.text); err != nil {
		return err
	}
	if err := json.Unmarshal(v.text, &v.bundle, json.RejectUnknownMembers(true)); err != nil {
		var wrong *json.SemanticError
		if errors.As(err, &wrong) {
			return errFaults(oneFault(fault.Path(short(string(wrong.JSONPointer))), "not-a-bundle", "a bundle of POST /v1/bundles has no such member here, or one of another type"+v.byAnotherEngine()))
		}
		return &Error{Code: Malformed, Detail: "the bundle cannot be read", Cause: err}
	}
	b := &v.bundle
	var faults fault.List
	if b.BundleVersion != BundleVersion {
		faults.Add("/bundle_version", "not-in-list", "this program reads bundles of version %d%s", BundleVersion, v.byAnotherEngine())
	}
	for _, part := range []struct {
		at   fault.Path
		kind jsontext.Kind
		text jsontext.Value
	}{{"/request", '{', b.Request}, {"/result", '{', b.Result}} {
		if part.text.Kind() != part.kind {
			faults.Add(part.at, "required-member-missing", "the object is missing")
		}
	}
	if b.Inventory.Rows == nil {
		faults.Add("/inventory/rows", "required-member-missing", "the list is missing")
	}
	if _, ok := inventory.ParseRef(b.Inventory.Ref); !ok {
		faults.Add("/inventory/ref", "inventory-reference", "an inventory version is named like demo@1")
	}
	if !faults.Empty() {
		return errFaults(faults.All())
	}
	var err error
	if v.computed, err = hashesOf(v.text); err != nil {
		return err
	}
	v.BundleVersion, v.EngineVersion, v.MadeBy = b.BundleVersion, EngineVersion, short(b.EngineVersion)
	v.Inventory.Ref, v.Inventory.Hash = b.Inventory.Ref, short(b.Inventory.Hash)
	v.Notices = []string{"the hashes show that the parts of a bundle belong together; they do not show who made it"}
	if v.MadeBy != EngineVersion {
		v.Notices = append(v.Notices, "the bundle was made by engine "+v.MadeBy+" and computed again by "+EngineVersion+": a difference may be a change of the engine, see the changelog")
	}
	for _, h := range []struct{ of, stated, computed string }{
		{"request", b.Hashes.Request, v.computed.Request}, {"inventory_rows", b.Hashes.InventoryRows, v.computed.InventoryRows},
		{"result", b.Hashes.Result, v.computed.Result}, {"bundle", b.Hashes.Bundle, v.computed.Bundle},
	} {
		v.Hashes = append(v.Hashes, HashCheck{h.of, short(h.stated), h.computed, h.stated == h.computed})
	}
	return nil
}

// isJSON refuses a text that is no JSON (RFC 8259, RFC 7493), and says where and why:
// this is the only reader of a bundle.
func isJSON(text []byte) error {
	decoder := jsontext.NewDecoder(bytes.NewReader(text))
	_, err := decoder.ReadValue()
	if err == nil {
		if _, err = decoder.ReadToken(); errors.Is(err, io.EOF) {
			return nil
		}
	}
	at, code, detail := fault.Path(""), "syntax", fmt.Sprintf("this is not JSON, from byte %d on", decoder.InputOffset())
	var wrong *jsontext.SyntacticError
	if errors.As(err, &wrong) {
		at, detail = fault.Path(short(string(wrong.JSONPointer))), fmt.Sprintf("this is not JSON, from byte %d on", wrong.ByteOffset)
	}
	switch {
	case errors.Is(err, jsontext.ErrDuplicateName):
		code, detail = "duplicate-member", "the member stands twice in one object"
	case !utf8.Valid(text):
		code, detail = "invalid-utf8", "the text is not valid UTF-8"
	case errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, io.EOF):
		code, detail = "truncated", "the JSON text ends before its value does"
	}
	return &Error{Code: Malformed, Detail: "the bundle cannot be read as JSON: " + detail, Faults: oneFault(at, code, detail)}
}

// byAnotherEngine says that a bundle names another engine than this, where it does: what
// differs may come of that before it comes of anything else.
func (v *verification) byAnotherEngine() string {
	by, _ := textAt(v.text, "/engine_version")
	if by == nil || *by == EngineVersion {
		return ""
	}
	return "; the bundle names engine " + *by + " and this is engine " + EngineVersion + ", which is the first cause to look at"
}

// choose finds the catalogue to compute from; nil where the rows are none, which is
// the difference then.
func (v *verification) choose(stored func(inventory.Ref) (*catalogue, error)) (*catalogue, error) {
	ref, _ := inventory.ParseRef(v.bundle.Inventory.Ref)
	c, err := stored(ref)
	var failed *Error
	switch {
	case err == nil && c.ref.Hash == v.bundle.Inventory.Hash:
		v.Inventory.StoredHash, v.Inventory.ComputedFrom = c.ref.Hash, FromStored
		v.Inventory.Reason = "the version is here with the hash that the bundle states"
		return c, nil
	case err == nil:
		v.Inventory.StoredHash = c.ref.Hash
		v.Inventory.Reason = "the version of this name here has another hash, so it is another inventory, or the hash in the bundle was changed; the rows of the bundle were taken as they are"
	case errors.As(err, &failed) && failed.Code == NotFound:
		v.Inventory.Reason = "the version is not here; the rows of the bundle were taken as they are"
	default:
		return nil, err
	}
	v.Inventory.ComputedFrom = FromRows
	items, ok := v.readRows("/inventory/rows", v.bundle.Inventory.Rows)
	under, overridden := v.readRows("/inventory/overridden", v.bundle.Inventory.Overridden)
	if !ok || !overridden {
		return nil, nil
	}
	if problems := inventory.Validate(v.bundle.Inventory.Meta, items); len(problems) > 0 {
		p := problems[0]
		at := fault.Path("/inventory/meta").At(p.Column)
		if p.Item >= 0 {
			at = fault.Path("/inventory/rows").At(p.Item)
		}
		found := short(p.Found)
		v.differ(string(at), &found, nil, "no inventory could hold this ("+p.Column+"): "+p.Detail)
		return nil, nil
	}
	var base *catalogue
	if at := v.bundle.Inventory.Extends; at != nil {
		named, _ := inventory.ParseRef(at.Ref)
		base = newCatalogue(&inventory.Version{Slug: named.Slug, Number: named.Number, Meta: v.bundle.Inventory.Meta, Hash: at.Hash, Items: under}, nil)
	}
	return newCatalogue(&inventory.Version{Slug: ref.Slug, Number: ref.Number, Meta: v.bundle.Inventory.Meta, Hash: v.bundle.Inventory.Hash, Items: items}, base), nil
}

// readRows reads rows of a bundle as items; it is false where one is none, which is the
// difference then.
func (v *verification) readRows(at fault.Path, rows []jsontext.Value) ([]inventory.Item, bool) {
	items := make([]inventory.Item, len(rows))
	for i, row := range rows {
		if err := json.Unmarshal(row, &items[i]); err != nil {
			v.differ(string(at.At(i)), rawText(row), nil, "the row cannot be read as an item")
			return nil, false
		}
	}
	return items, true
}

// recompute evaluates the request and holds the bundle against what comes of it.
func (v *verification) recompute(ctx context.Context, c *catalogue, check CheckRequest) error {
	body, refused, err := check(v.bundle.Request)
	var failed *Error
	if err == nil && len(refused) > 0 {
		err = errFaults(refused)
	}
	if err == nil {
		err = v.compareResult(ctx, c, body)
	}
	if errors.As(err, &failed) && (failed.Code == Invalid || failed.Code == Malformed) {
		at, reason := fault.Path("/request"), failed.Detail
		if len(failed.Faults) > 0 {
			at, reason = at+failed.Faults[0].Pointer, failed.Faults[0].Detail
		}
		stated, _ := textAt(v.text, string(at))
		v.differ(string(at), stated, nil, "the request cannot be computed: "+reason)
		return nil
	}
	return err
}

func (v *verification) compareResult(ctx context.Context, c *catalogue, body []byte) error {
	var req ComparisonRequest
	if err := json.Unmarshal(body, &req); err != nil {
		return &Error{Code: Malformed, Detail: "it cannot be read as a comparison", Cause: err}
	}
	if b := &v.bundle.Inventory; req.Inventory != b.Ref {
		if v.Hashes[ofRequest].Match {
			v.differ("/inventory/ref", &b.Ref, &req.Inventory, "the request, which has its hash, names another inventory")
		} else {
			v.differ("/request/inventory", &req.Inventory, &b.Ref, "the request names another inventory than the bundle")
		}
		return nil
	}
	if hash, _ := textAt(v.text, "/result/inventory/hash"); hash != nil && *hash != v.bundle.Inventory.Hash && v.Hashes[ofResult].Match {
		v.differ("/inventory/hash", &v.bundle.Inventory.Hash, hash, "the result, which has its hash, was computed from an inventory of another hash")
	}
	resp, evaluations, err := v.service.compareOn(ctx, c, req, body, nil, false)
	if err != nil {
		return err
	}
	inv, err := bundleInventory(c, evaluations)
	if err != nil {
		return err
	}
	ours, err := Encode(&Bundle{BundleVersion: BundleVersion, EngineVersion: v.bundle.EngineVersion, Request: v.bundle.Request, Inventory: inv, Result: resp, Hashes: v.bundle.Hashes})
	if err != nil {
		return err
	}
	var stated any
	if err := json.Unmarshal(v.text, &stated); err != nil {
		return hashingFailed(err)
	}
	w := walker{ours: jsontext.NewDecoder(bytes.NewReader(ours)), skip: map[string]bool{"/result/request_hash": true, "/result/engine_version": v.MadeBy != EngineVersion}}
	d, err := w.walk(stated, true)
	if err != nil {
		return hashingFailed(err)
	}
	v.MembersCompared = w.compared
	if d != nil {
		if at, ok := v.inRequest(d.Pointer, body, req); ok {
			stated, _ := textAt(v.text, at)
			v.differ(at, stated, d.Stated, "the request no longer has its hash, and the result still has its own: this member was changed after the result was computed; the result was computed with the other value")
		}
		v.differ(d.Pointer, d.Stated, d.Computed, reasonOf(d.Pointer, v))
	}
	if v.MadeBy != EngineVersion && !v.Hashes[ofResult].Match {
		text, err := Encode(resp)
		if err != nil {
			return err
		}
		if ours, err := canonicalHash(text); err != nil {
			return err
		} else if ours == v.bundle.Hashes.Result {
			this := EngineVersion
			v.differ("/engine_version", &v.MadeBy, &this, "the result has the hash that engine "+this+" gives it, so the name of the engine was changed after it was computed")
		}
	}
	if engine, _ := textAt(v.text, "/result/engine_version"); engine == nil || *engine != v.bundle.EngineVersion {
		v.differ("/engine_version", &v.bundle.EngineVersion, engine, "the bundle and its result name two engines")
	}
	if hash, _ := textAt(v.text, "/result/request_hash"); hash == nil || *hash != resp.RequestHash {
		v.differ("/result/request_hash", hash, &resp.RequestHash, "the result names the hash of another request")
	}
	return nil
}

// inRequest finds the member of the request that a difference comes from, where the
// hashes tell that the request alone was changed and the result repeats the member.
func (v *verification) inRequest(pointer string, body []byte, req ComparisonRequest) (string, bool) {
	if v.Hashes[ofRequest].Match || !v.Hashes[ofResult].Match {
		return "", false
	}
	steps := strings.SplitN(pointer, "/", 6)
	switch {
	case len(steps) > 3 && (steps[2] == "functional_unit" || steps[2] == "economics"), len(steps) == 5 && steps[2] == "alternatives" && steps[4] == "name":
		at := "/request" + strings.TrimPrefix(pointer, "/result")
		_, ok := textAt(v.text, at)
		return at, ok
	case len(steps) < 6 || steps[2] != "alternatives" || steps[4] != "resolved":
		return "", false
	}
	all, _ := resolve(req.Alternatives, alternativeAt)
	at := "/request" + string(newLocator(body, all).locate(fault.Path("/alternatives/"+steps[3]+"/"+steps[5])))
	_, ok := textAt(v.text, at)
	return at, ok
}

// reasonOf says what a difference may come from: the hashes tell which part of the
// bundle was changed after it was made.
func reasonOf(pointer string, v *verification) string {
	var broken []string
	for _, h := range v.Hashes[:3] {
		if !h.Match {
			broken = append(broken, h.Of)
		}
	}
	if strings.HasPrefix(pointer, "/inventory/") && v.Inventory.ComputedFrom == FromStored && v.Hashes[ofRequest].Match {
		return "the bundle states another inventory than the version that is here"
	}
	if len(broken) > 0 {
		return "computing again gives another value; the part that no longer has its hash: " + strings.Join(broken, ", ")
	}
	return "computing again gives another value, though every part of the bundle has its hash"
}

// compareHashes looks at the hashes last: what a change does to a figure says more.
func (v *verification) compareHashes() {
	for _, h := range v.Hashes {
		if !h.Match {
			v.differ("/hashes/"+h.Of, &h.Stated, &h.Computed, "the hash is not that of the part; where no other member is named, the part was changed in what no figure shows, or the hash was")
		}
	}
}

// differ notes the first difference.
func (v *verification) differ(at string, stated, computed *string, reason string) {
	if v.FirstDifference == nil {
		v.FirstDifference = &BundleDifference{at, stated, computed, reason}
	}
}

// walker holds a document against ours, in our order.
type walker struct {
	ours     *jsontext.Decoder
	skip     map[string]bool
	compared int
}

// walk reads one value of ours and returns the first difference; there is none of what
// is not there in both.
func (w *walker) walk(stated any, there bool) (*BundleDifference, error) {
	switch w.ours.PeekKind() {
	case '{':
		return w.object(stated)
	case '[':
		return w.list(stated)
	}
	value, err := w.ours.ReadValue()
	if err != nil {
		return nil, err
	}
	at := string(w.ours.StackPointer())
	if w.skip[at] {
		return nil, nil
	}
	var mine any
	if err := json.Unmarshal(value, &mine); err != nil {
		return nil, err
	}
	w.compared++
	if !there || mine != stated {
		return w.difference(at, stated, there, mine), nil
	}
	return nil, nil
}

func (w *walker) object(stated any) (*BundleDifference, error) {
	members, isObject := stated.(map[string]any)
	if _, err := w.ours.ReadToken(); err != nil {
		return nil, err
	}
	at := string(w.ours.StackPointer())
	if !isObject {
		return w.difference(at, stated, true, "an object"), nil
	}
	ours := map[string]bool{}
	for w.ours.PeekKind() != '}' {
		name, err := w.ours.ReadToken()
		if err != nil {
			return nil, err
		}
		key := name.String()
		ours[key] = true
		value, there := members[key]
		if d, err := w.walk(value, there); d != nil || err != nil {
			return d, err
		}
	}
	if _, err := w.ours.ReadToken(); err != nil {
		return nil, err
	}
	for _, key := range slices.Sorted(maps.Keys(members)) {
		if !ours[key] {
			return w.difference(string(fault.Path(at).At(key)), members[key], true, nil), nil
		}
	}
	return nil, nil
}

func (w *walker) list(stated any) (*BundleDifference, error) {
	entries, isList := stated.([]any)
	if _, err := w.ours.ReadToken(); err != nil {
		return nil, err
	}
	at := string(w.ours.StackPointer())
	if !isList {
		return w.difference(at, stated, true, "a list"), nil
	}
	n := 0
	for ; w.ours.PeekKind() != ']'; n++ {
		var entry any
		if n < len(entries) {
			entry = entries[n]
		}
		if d, err := w.walk(entry, n < len(entries)); d != nil || err != nil {
			return d, err
		}
	}
	if _, err := w.ours.ReadToken(); err != nil {
		return nil, err
	}
	if n < len(entries) {
		return w.difference(string(fault.Path(at).At(n)), entries[n], true, nil), nil
	}
	return nil, nil
}

func (w *walker) difference(at string, stated any, there bool, ours any) *BundleDifference {
	d := &BundleDifference{Pointer: at, Computed: shown(ours)}
	if there {
		d.Stated = shown(stated)
	}
	return d
}

// shown is a value for people: a text as it is, anything else as JSON, shortened.
func shown(value any) *string {
	text, isText := value.(string)
	if value == nil {
		return nil
	}
	if !isText {
		raw, err := json.Marshal(value, json.Deterministic(true))
		if err != nil {
			return nil
		}
		text = string(raw)
	}
	text = short(text)
	return &text
}

func rawText(raw jsontext.Value) *string {
	text := short(string(raw))
	return &text
}

// textAt is what a pointer leads to in a document, for people.
func textAt(document []byte, pointer string) (*string, bool) {
	var value any
	if err := json.Unmarshal(document, &value); err != nil {
		return nil, false
	}
	found, ok := follow(value, pointer)
	return shown(found), ok
}
