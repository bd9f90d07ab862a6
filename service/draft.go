package service

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/fault"
)

// Review is a draft with all that is to be known of it before it is published.
type Review struct {
	Draft    inventory.Draft
	Resolved []inventory.Item // its own items over those of what it extends, sorted by code
	Problems []ItemProblem    // with one of these it cannot be published
	Doubts   []ItemProblem    // what is unusual
	Against  inventory.Ref    // the version that Changes are from; zero where there is none
	Changes  inventory.Difference
}

// ItemProblem is a problem of an item by its code; the code is empty where the
// inventory as a whole is meant.
type ItemProblem struct {
	Item, Column, Code, Found, Detail string
}

// maxProblems of a review are told.
const maxProblems = 100

// CreateDraft begins a version of an inventory: from one that is published, with its
// own items, or empty. A new inventory is begun by its first draft.
func (s *Service) CreateDraft(ctx context.Context, retry *inventory.Retry, slug, from string, meta *inventory.Meta) (*Review, error) {
	if !inventory.ValidSlug(slug) {
		return nil, errFaults(oneFault("/slug", "slug-invalid", "an inventory's slug has lower-case letters, digits, dots and hyphens"))
	}
	d := inventory.Draft{ID: strings.ToLower(rand.Text()[:12]), Slug: slug, Revision: 1, CreatedBy: ActorOf(ctx).ID, CreatedAt: inventory.FormatTime(s.now())}
	d.UpdatedAt = d.CreatedAt
	if from != "" {
		ref, ok := inventory.ParseRef(from)
		if !ok || ref.Slug != slug {
			return nil, errFaults(oneFault("/from", "inventory-reference", "a draft begins from a version of its own inventory, such as "+slug+"@1"))
		}
		v, err := s.Version(ctx, ref.Slug, ref.Number)
		if err != nil {
			return nil, faultAt("/from", "inventory-unknown", err)
		}
		d.Base, d.Meta, d.Items = ref.Number, v.Meta, inventory.Own(v.Items)
	}
	switch {
	case meta != nil:
		d.Meta = *meta
	case from == "":
		return nil, errFaults(oneFault("/meta", "required-member-missing", "a draft that begins from no version needs a name, a region and a currency"))
	}
	r, err := s.review(ctx, d, 0)
	if err != nil {
		return nil, err
	}
	hash, err := inventory.Hash(d.Meta, d.Items)
	if err != nil {
		return nil, &Error{Code: Internal, Detail: "the draft cannot be hashed", Cause: err}
	}
	if err := s.store.CreateDraft(ctx, d, s.changed(ctx, retry, inventory.ActionCreateDraft, draftTarget(slug, d.ID), DraftLocation(slug, d.ID), "", hash)); err != nil {
		return nil, storeError(err, "")
	}
	return r, nil
}

// changed is the change of a draft or of what it becomes.
func (s *Service) changed(ctx context.Context, retry *inventory.Retry, action, target, location, before, after string) inventory.Change {
	c := s.change(ctx, retry, action, target, location)
	c.Before, c.After = before, after
	return c
}

func draftTarget(slug, id string) string { return slug + "/drafts/" + id }

// DraftLocation is where the HTTP API shows a draft.
func DraftLocation(slug, id string) string { return "/v1/inventories/" + slug + "/drafts/" + id }

// VersionLocation is where the HTTP API shows a version.
func VersionLocation(r inventory.Ref) string {
	return "/v1/inventories/" + r.Slug + "/versions/" + strconv.Itoa(r.Number)
}

// faultAt makes a thing that is not there a fault of the request's member.
func faultAt(at fault.Path, code string, err error) error {
	var e *Error
	if errors.As(err, &e) && e.Code == NotFound {
		return errFaults(oneFault(at, code, e.Detail))
	}
	return err
}

// Draft reads a draft and reviews it against a version of its inventory, by default
// the newest.
func (s *Service) Draft(ctx context.Context, slug, id string, against int) (*Review, error) {
	d, err := s.store.Draft(ctx, slug, id)
	if err != nil {
		return nil, storeError(err, "no draft "+short(id)+" of the inventory "+short(slug))
	}
	return s.review(ctx, d, against)
}

// Drafts lists the drafts of an inventory, without items.
func (s *Service) Drafts(ctx context.Context, slug string) ([]inventory.Draft, error) {
	list, err := s.store.Drafts(ctx, slug)
	return list, storeError(err, "")
}

// review finds all that is to be said of a draft.
func (s *Service) review(ctx context.Context, d inventory.Draft, against int) (*Review, error) {
	resolved, problems, err := s.resolveLayers(ctx, d.Slug, d.Meta, d.Items)
	if err != nil {
		return nil, err
	}
	return s.against(ctx, &Review{Draft: d, Resolved: resolved, Problems: problems}, against)
}

// against adds to a review what is unusual, and what changes from a version, by default
// the newest.
func (s *Service) against(ctx context.Context, r *Review, against int) (*Review, error) {
	d, resolved := r.Draft, r.Resolved
	r.Doubts = byCode(inventory.Doubts(d.Items), d.Items)
	if d.Meta.Extends != "" {
		base, _, err := s.baseOf(ctx, d.Slug, d.Meta) // what is wrong with it is a problem of the draft
		if err != nil {
			return nil, err
		}
		if base != nil {
			r.Doubts = append(r.Doubts, byCode(inventory.Dropped(*base, d.Items), d.Items)...)
		}
	}
	var err error
	if against == 0 {
		if against, err = s.store.Newest(ctx, d.Slug); errors.Is(err, inventory.ErrNotFound) {
			r.Changes = inventory.Diff(nil, resolved)
			r.Doubts = append(r.Doubts, s.ahead(d.Items)...)
			return r, nil
		} else if err != nil {
			return nil, storeError(err, "")
		}
	}
	v, err := s.Version(ctx, d.Slug, against)
	if err != nil {
		return nil, err
	}
	r.Against, r.Changes = v.Ref(), inventory.Diff(v.Items, resolved)
	r.Doubts = append(r.Doubts, jumps(r.Changes)...)
	r.Doubts = append(r.Doubts, s.ahead(d.Items)...)
	return r, nil
}

// jumps doubts prices and factors that are more than five times, or less than a fifth,
// of what they were (common practice, no source): a unit or a decimal point that
// slipped more often than a market.
func jumps(d inventory.Difference) (doubts []ItemProblem) {
	for _, ch := range d.Changed {
		for _, f := range ch.Fields {
			if far := f.Percent.Decimal; f.Percent.Valid && (far.GreaterThan(decimal.NewFromInt(400)) || far.LessThan(decimal.NewFromInt(-80))) {
				doubts = append(doubts, ItemProblem{ch.Code, f.Column, "unusual-change", f.After, "it was " + f.Before + ": look at the unit, the decimal point and the rate"})
			}
		}
	}
	return doubts
}

// ahead doubts prices of days that have not come.
func (s *Service) ahead(items []inventory.Item) (doubts []ItemProblem) {
	today := s.now().UTC().Format(time.DateOnly)
	for _, i := range items {
		if i.Price != nil && i.Price.Date > today {
			doubts = append(doubts, ItemProblem{i.Code, "price_date", "day-ahead", i.Price.Date, "a price is of a day that has come"})
		}
	}
	return doubts
}

// maxLayers of inventories that extend each other.
const maxLayers = 8

// resolveLayers lays items over those of the version that the inventory extends, and
// validates what comes of it.
func (s *Service) resolveLayers(ctx context.Context, slug string, meta inventory.Meta, own []inventory.Item) ([]inventory.Item, []ItemProblem, error) {
	resolved := slices.Clone(own)
	var problems []ItemProblem
	if meta.Extends != "" {
		base, problem, err := s.baseOf(ctx, slug, meta)
		switch {
		case err != nil:
			return nil, nil, err
		case problem != nil:
			problems = append(problems, *problem)
		default:
			var found []inventory.Problem
			resolved, found = inventory.Layered(*base, own)
			problems = byCode(found, own)
		}
	}
	inventory.SortByCode(resolved)
	problems = append(problems, byCode(inventory.Validate(meta, resolved), resolved)...)
	return resolved, problems, nil
}

// baseOf is the version that an inventory extends, or why it cannot be that one.
func (s *Service) baseOf(ctx context.Context, slug string, meta inventory.Meta) (*inventory.Version, *ItemProblem, error) {
	refuse := func(code, format string, args ...any) (*inventory.Version, *ItemProblem, error) {
		return nil, &ItemProblem{Column: "extends", Code: code, Found: meta.Extends, Detail: fmt.Sprintf(format, args...)}, nil
	}
	var base *inventory.Version
	at := meta.Extends
	for layers := 1; at != ""; layers++ {
		ref, ok := inventory.ParseRef(at)
		switch {
		case !ok:
			return refuse("layer-missing", "a published version, as in demo@3")
		case ref.Slug == slug:
			return refuse("layer-cycle", "%s would stand on %s, which is of the same inventory", slug, at)
		case layers > maxLayers:
			return refuse("layer-too-deep", "at most %d inventories stand on each other", maxLayers)
		}
		v, err := s.Version(ctx, ref.Slug, ref.Number)
		var failed *Error
		if errors.As(err, &failed) && failed.Code == NotFound {
			return refuse("layer-missing", "there is no published version %s", at)
		}
		if err != nil {
			return nil, nil, err
		}
		if base == nil {
			base = v
		}
		if v.Meta.Currency != meta.Currency {
			return refuse("currency-mismatch", "%s is in %s, this inventory in %s; nothing is converted without a stated rate", at, v.Meta.Currency, meta.Currency)
		}
		at = v.Meta.Extends
	}
	return base, nil, nil
}

func byCode(found []inventory.Problem, items []inventory.Item) (list []ItemProblem) {
	for _, p := range found {
		if len(list) == maxProblems {
			break
		}
		code := ""
		if p.Item >= 0 {
			code = items[p.Item].Code
		}
		list = append(list, ItemProblem{code, p.Column, p.Code, short(p.Found), p.Detail})
	}
	return list
}

// EditDraft changes a draft at a revision as change says of what it is, and reviews
// what comes of it.
func (s *Service) EditDraft(ctx context.Context, retry *inventory.Retry, slug, id string, revision int, action string, change func(inventory.Draft) (inventory.DraftEdit, error)) (*Review, error) {
	d, err := s.store.Draft(ctx, slug, id)
	if err != nil {
		return nil, draftError(err, slug, id)
	}
	edit, err := change(d)
	if err == nil && d.Revision != revision {
		err = draftError(inventory.ErrStale, slug, id)
	}
	if err != nil {
		return nil, err
	}
	before, errBefore := inventory.Hash(d.Meta, d.Items)
	d = edited(d, edit)
	after, errAfter := inventory.Hash(d.Meta, d.Items)
	if err := errors.Join(errBefore, errAfter); err != nil {
		return nil, &Error{Code: Internal, Detail: "the draft cannot be hashed", Cause: err}
	}
	d.Revision++
	r, err := s.review(ctx, d, 0)
	if err != nil {
		return nil, err
	}
	c := s.changed(ctx, retry, action, draftTarget(slug, id), DraftLocation(slug, id), before, after)
	if d.Revision, err = s.store.EditDraft(ctx, slug, id, revision, edit, c); err != nil {
		return nil, draftError(err, slug, id)
	}
	d.UpdatedAt = c.At
	r.Draft = d
	return r, nil
}

// edited is a draft as an edit leaves it.
func edited(d inventory.Draft, edit inventory.DraftEdit) inventory.Draft {
	if edit.Meta != nil {
		d.Meta = *edit.Meta
	}
	var kept []inventory.Item
	for _, item := range d.Items {
		if _, replaced := edit.Items[item.Code]; !replaced && !edit.Clear {
			kept = append(kept, item)
		}
	}
	for _, item := range edit.Items {
		if item != nil {
			kept = append(kept, *item)
		}
	}
	inventory.SortByCode(kept)
	d.Items = kept
	return d
}

// draftAt reads a draft that must be at a revision.
func (s *Service) draftAt(ctx context.Context, slug, id string, revision int) (inventory.Draft, error) {
	d, err := s.store.Draft(ctx, slug, id)
	if err == nil && d.Revision != revision {
		err = inventory.ErrStale
	}
	return d, draftError(err, slug, id)
}

func draftError(err error, slug, id string) error {
	if errors.Is(err, inventory.ErrStale) {
		return &Error{Code: Stale, Detail: "the draft has changed since you read it; read it again and make your change on what it is now", Cause: err}
	}
	return storeError(err, "no draft "+short(id)+" of the inventory "+short(slug))
}

// PatchItem changes an item of a draft as RFC 7396 says. An item that the draft takes
// over from what it extends becomes its own.
//
// What the patch makes of the item goes through check, as the body of PutItem has.
func (s *Service) PatchItem(ctx context.Context, retry *inventory.Retry, slug, id string, revision int, code string, patch []byte, check CheckItem) (*Review, error) {
	return s.EditDraft(ctx, retry, slug, id, revision, inventory.ActionEditDraft, func(d inventory.Draft) (edit inventory.DraftEdit, err error) {
		item, err := s.itemToChange(ctx, d, code)
		if err != nil {
			return edit, err
		}
		text, err := json.Marshal(item)
		if err != nil {
			return edit, &Error{Code: Internal, Detail: "the item cannot be written", Cause: err}
		}
		merged, err := merge(text, patch)
		if err != nil {
			return edit, &Error{Code: Malformed, Detail: "the patch cannot be read", Cause: err}
		}
		accepted, refused, err := check(merged)
		if err != nil {
			return edit, err
		}
		if refused = ofPatch(patch, refused); len(refused) == 0 {
			accepted = merged
		}
		changed, err := ReadItem(accepted, code, refused...)
		return oneItem(code, changed), err
	})
}

// CheckItem checks the text of an item against the contract: what that refuses is
// left out of what it accepts.
type CheckItem func(text []byte) (accepted []byte, refused []fault.Fault, err error)

// ofPatch keeps the faults that a patch brings: those of its members.
func ofPatch(patch jsontext.Value, refused []fault.Fault) []fault.Fault {
	var members map[string]jsontext.Value
	if err := json.Unmarshal(patch, &members); err != nil {
		return refused // of a patch that is no object
	}
	return slices.DeleteFunc(refused, func(f fault.Fault) bool {
		name, _, _ := strings.Cut(strings.TrimPrefix(string(f.Pointer), "/"), "/")
		_, changed := members[fault.Unescape(name)]
		return !changed
	})
}

// oneItem puts an item into a draft, or takes it away where it is nil.
func oneItem(code string, item *inventory.Item) inventory.DraftEdit {
	return inventory.DraftEdit{Items: map[string]*inventory.Item{code: item}}
}

// PutItem puts an item into a draft.
func (s *Service) PutItem(ctx context.Context, retry *inventory.Retry, slug, id string, revision int, item *inventory.Item) (*Review, error) {
	return s.EditDraft(ctx, retry, slug, id, revision, inventory.ActionEditDraft, func(inventory.Draft) (inventory.DraftEdit, error) { return oneItem(item.Code, item), nil })
}

// RemoveItem takes an item of its own out of a draft.
func (s *Service) RemoveItem(ctx context.Context, retry *inventory.Retry, slug, id string, revision int, code string) (*Review, error) {
	return s.EditDraft(ctx, retry, slug, id, revision, inventory.ActionEditDraft, func(d inventory.Draft) (edit inventory.DraftEdit, err error) {
		if inventory.Find(d.Items, code) == nil {
			return edit, &Error{Code: NotFound, Detail: "the draft itself has no item " + short(code)}
		}
		return oneItem(code, nil), nil
	})
}

// itemToChange is a copy of an item of a draft, or of what it extends, as one of the
// draft's own.
func (s *Service) itemToChange(ctx context.Context, d inventory.Draft, code string) (item inventory.Item, err error) {
	found := inventory.Find(d.Items, code)
	if found == nil && d.Meta.Extends != "" {
		base, _, err := s.baseOf(ctx, d.Slug, d.Meta) // what is wrong with it is told of the draft
		if err != nil {
			return item, err
		}
		if base != nil {
			found = inventory.Find(base.Items, code)
		}
	}
	if found == nil {
		return item, &Error{Code: NotFound, Detail: "the draft has no item " + short(code)}
	}
	item = *found
	item.Layer = ""
	return item, nil
}

// DraftWithItem is a draft with one item as it would be changed: its own, or that of what
// it extends; nil where neither has one of the code.
func (s *Service) DraftWithItem(ctx context.Context, slug, id, code string) (inventory.Draft, *inventory.Item, error) {
	d, err := s.store.Draft(ctx, slug, id)
	return s.withItem(ctx, d, slug, id, code, err)
}

// DraftItem is DraftWithItem of a draft that has no items but that one, which is sooner
// read where it has many.
func (s *Service) DraftItem(ctx context.Context, slug, id, code string) (inventory.Draft, *inventory.Item, error) {
	d, err := s.store.DraftItem(ctx, slug, id, code)
	return s.withItem(ctx, d, slug, id, code, err)
}

func (s *Service) withItem(ctx context.Context, d inventory.Draft, slug, id, code string, err error) (inventory.Draft, *inventory.Item, error) {
	if err != nil {
		return d, nil, draftError(err, slug, id)
	}
	item, err := s.itemToChange(ctx, d, code)
	var failed *Error
	if errors.As(err, &failed) && failed.Code == NotFound {
		return d, nil, nil
	}
	return d, &item, err
}

// ItemProblems are those that an item would have in a draft, in which it would take the
// place of the one of its code. Nothing is stored.
func (s *Service) ItemProblems(ctx context.Context, d inventory.Draft, item *inventory.Item) ([]ItemProblem, error) {
	own := edited(d, oneItem(item.Code, item)).Items
	resolved, found := slices.Clone(own), []inventory.Problem(nil)
	if d.Meta.Extends != "" {
		base, _, err := s.baseOf(ctx, d.Slug, d.Meta) // what is wrong with it is a problem of the draft
		if err != nil {
			return nil, err
		}
		if base != nil {
			resolved, found = inventory.Layered(*base, own)
		}
	}
	inventory.SortByCode(resolved)
	of := func(found []inventory.Problem, items []inventory.Item) []ItemProblem {
		return byCode(slices.DeleteFunc(found, func(p inventory.Problem) bool { return p.Item < 0 || items[p.Item].Code != item.Code }), items)
	}
	return append(of(found, own), of(inventory.Validate(d.Meta, resolved), resolved)...), nil
}

// ReadItem reads one item, which has the code given. What the contract has refused of
// it is told with all that reading refuses.
func ReadItem(text []byte, code string, refused ...fault.Fault) (_ *inventory.Item, err error) {
	defer func() { err = joined(refused, err) }()
	var item inventory.Item
	var faults fault.List
	for faults.Len() < maxKeptFaults {
		err := json.Unmarshal(text, &item)
		if err == nil {
			break
		}
		at := itemFaultAt(err)
		if at == "" && !faults.Empty() {
			break // which may follow from what was left out
		}
		faults.Add(at, "wrong-form", "not an item: %s", short(errorText(err)))
		rest, left := fault.LeaveOut(text, at)
		if !left {
			break
		}
		text = rest
	}
	var head struct {
		Code string `json:"code"`
	}
	if err := json.Unmarshal(text, &head); err == nil && head.Code != code {
		faults.Add("/code", "code-differs", "the code of an item is for ever: %s", short(code))
	}
	if !faults.Empty() {
		return nil, errFaults(faults.All())
	}
	return &item, nil
}

// itemFaultAt is where reading an item failed.
func itemFaultAt(err error) fault.Path {
	var failed *json.SemanticError
	if errors.As(err, &failed) {
		return fault.Path(failed.JSONPointer)
	}
	return ""
}

// errorText is the cause behind what the JSON library says.
func errorText(err error) string {
	var failed *json.SemanticError
	if errors.As(err, &failed) {
		if failed.Err != nil {
			return failed.Err.Error()
		}
		return "a JSON " + failed.JSONKind.String() + " is not accepted here"
	}
	return err.Error()
}

// merge applies a merge patch (RFC 7396) to a JSON object.
func merge(text, patch jsontext.Value) (jsontext.Value, error) {
	if patch.Kind() != '{' {
		return patch, nil
	}
	target, changes := map[string]jsontext.Value{}, map[string]jsontext.Value{}
	if text.Kind() == '{' {
		if err := json.Unmarshal(text, &target); err != nil {
			return nil, err
		}
	}
	if err := json.Unmarshal(patch, &changes); err != nil {
		return nil, err
	}
	for name, change := range changes {
		if change.Kind() == 'n' {
			delete(target, name)
			continue
		}
		merged, err := merge(target[name], change)
		if err != nil {
			return nil, err
		}
		target[name] = merged
	}
	return json.Marshal(target, json.Deterministic(true))
}

// DeleteDraft gives a draft up.
func (s *Service) DeleteDraft(ctx context.Context, retry *inventory.Retry, slug, id string, revision int) error {
	d, err := s.draftAt(ctx, slug, id, revision)
	if err != nil {
		return err
	}
	hash, err := inventory.Hash(d.Meta, d.Items)
	if err != nil {
		return &Error{Code: Internal, Detail: "the draft cannot be hashed", Cause: err}
	}
	return draftError(s.store.DeleteDraft(ctx, slug, id, revision, s.changed(ctx, retry, inventory.ActionDeleteDraft, draftTarget(slug, id), "/v1/inventories/"+slug+"/drafts", hash, "")), slug, id)
}

// PublishDraft makes a draft at a revision the next version of its inventory: all of
// it, or nothing. The note says what changed.
func (s *Service) PublishDraft(ctx context.Context, retry *inventory.Retry, slug, id string, revision int, note string) (*inventory.Version, error) {
	if err := checkNote("/note", note); err != nil {
		return nil, err
	}
	d, err := s.draftAt(ctx, slug, id, revision)
	if err != nil {
		return nil, err
	}
	r, err := s.review(ctx, d, 0)
	if err != nil {
		return nil, err
	}
	if len(r.Problems) > 0 {
		return nil, unpublishable(r.Problems)
	}
	v, before, err := s.next(ctx, r, note)
	if err != nil {
		return nil, err
	}
	if before == v.Hash {
		return nil, errFaults(oneFault("", "nothing-changed", "the draft says what "+r.Against.String()+" says already"))
	}
	err = s.store.PublishDraft(ctx, v, id, revision, s.changed(ctx, retry, inventory.ActionPublish, v.Ref().String(), VersionLocation(v.Ref()), before, v.Hash))
	if err != nil {
		return nil, draftError(err, slug, id)
	}
	return &v, nil
}

// unpublishable tells what hinders the publication of items.
func unpublishable(problems []ItemProblem) error {
	var faults fault.List
	for _, p := range problems {
		at := fault.Path("/meta").At(p.Column)
		if p.Item != "" {
			at = fault.Path("/items").At(p.Item, p.Column)
		}
		faults.Add(at, p.Code, "found %q; accepted: %s", p.Found, p.Detail)
	}
	return errFaults(faults.All())
}

// checkNote checks what a publisher says of a change.
func checkNote(at fault.Path, note string) error {
	if strings.TrimSpace(note) == "" {
		return errFaults(oneFault(at, "required-member-missing", "say what changed, for those who will ask in a year"))
	}
	if len(note) > maxNote || strings.ContainsFunc(note, inventory.Unseen) {
		return errFaults(oneFault(at, "text-invalid", "at most 1000 bytes and no control characters or line breaks"))
	}
	return nil
}

// Withdraw marks a version that is no longer to be used. It stays as it is.
func (s *Service) Withdraw(ctx context.Context, retry *inventory.Retry, slug string, number int, reason string) error {
	if err := checkNote("/reason", reason); err != nil {
		return err
	}
	v, err := s.Version(ctx, slug, number)
	if err != nil {
		return err
	}
	c := s.changed(ctx, retry, inventory.ActionWithdraw, v.Ref().String(), VersionLocation(v.Ref()), v.Hash, v.Hash)
	err = s.store.Withdraw(ctx, v.Ref(), inventory.Withdrawal{Reason: reason, At: c.At}, c)
	if errors.Is(err, inventory.ErrVersionConflict) {
		return &Error{Code: Conflict, Detail: v.Ref().String() + " is withdrawn already", Cause: err}
	}
	s.mu.Lock()
	delete(s.withdrawn, slug)
	s.mu.Unlock()
	return storeError(err, "")
}

// Diff compares two versions of an inventory.
func (s *Service) Diff(ctx context.Context, slug string, from, to int) (inventory.Difference, error) {
	before, err := s.Version(ctx, slug, from)
	if err != nil {
		return inventory.Difference{}, err
	}
	after, err := s.Version(ctx, slug, to)
	if err != nil {
		return inventory.Difference{}, err
	}
	return inventory.Diff(before.Items, after.Items), nil
}

// ItemState is an item in a version; nil where that has no such item.
type ItemState struct {
	Version inventory.Version // without items
	Item    *inventory.Item
	Changed []inventory.FieldChange // from the version before
}

// History follows an item through the versions of its inventory, the newest first.
func (s *Service) History(ctx context.Context, slug, code string) ([]ItemState, error) {
	versions, err := s.Versions(ctx, slug)
	if err != nil {
		return nil, err
	}
	list := make([]ItemState, len(versions))
	known := false
	var before *inventory.Item
	for n := len(versions) - 1; n >= 0; n-- {
		v, err := s.Version(ctx, slug, versions[n].Number)
		if err != nil {
			return nil, err
		}
		list[n].Version = versions[n]
		list[n].Item = inventory.Find(v.Items, code)
		known = known || list[n].Item != nil
		if before != nil && list[n].Item != nil {
			if changed := inventory.Diff([]inventory.Item{*before}, []inventory.Item{*list[n].Item}).Changed; changed != nil {
				list[n].Changed = changed[0].Fields
			}
		}
		before = list[n].Item
	}
	if !known {
		return nil, &Error{Code: NotFound, Detail: "no version of " + short(slug) + " has an item " + short(code)}
	}
	return list, nil
}
