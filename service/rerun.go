package service

import (
	"context"
	"slices"

	"github.com/go-json-experiment/json"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
)

// RerunResponse answers POST /v1/studies/{study}/rerun.
type RerunResponse struct {
	Study       string              `json:"study"`
	From        InventoryRef        `json:"from"`
	To          InventoryRef        `json:"to"`
	Reproduced  bool                `json:"reproduced"` // the saved result has the hash that it has today
	ResultHash  string              `json:"result_hash"`
	Differences []StudyDifference   `json:"differences"`
	Order       string              `json:"order"`
	Result      *ComparisonResponse `json:"result"`
}

// Pinned is the version of the inventory that the answer rests on.
func (r *RerunResponse) Pinned() string { return r.To.Ref }

// StudyDifference is what moved of one alternative.
type StudyDifference struct {
	Alternative string          `json:"alternative"`
	Measures    []MeasureChange `json:"measures"`
}

// MeasureChange is how a figure moved, and by which items. The parts come to the
// difference exactly.
type MeasureChange struct {
	Measure    string       `json:"measure"`
	Unit       string       `json:"unit"`
	Before     Fixed        `json:"before"`
	After      Fixed        `json:"after"`
	Difference Fixed        `json:"difference"`
	Parts      []ChangePart `json:"parts"`
}

// ChangePart is the share of items in a difference.
type ChangePart struct {
	Items      []string     `json:"items"` // one; several where none of them can move alone; none for what is left
	Moved      string       `json:"moved"` // MovedPrice …
	Fields     []FieldMoved `json:"fields"`
	Difference Fixed        `json:"difference"`
}

// FieldMoved is a column of an item before and after.
type FieldMoved struct {
	Column string `json:"column"`
	Before string `json:"before"`
	After  string `json:"after"`
}

// What of an item moved.
const (
	MovedPrice  = "price"
	MovedFactor = "factor"
	MovedOther  = "other" // density, recipe, declared unit; that it came or went
)

const rerunOrder = "items that are new come first, then each item moves in the order of the codes, its price before its factors before the rest; a part is how far the figure moves at that step, all steps before it done and none behind it. Another order would share the difference in another way where two moves meet in one product, and its parts come to the same sum."

// Rerun computes a study on another version of an inventory, and explains how its
// figures moved item by item.
func (s *Service) Rerun(ctx context.Context, id, to string) (*RerunResponse, error) {
	study, request, err := s.storedStudy(ctx, id)
	if err != nil {
		return nil, err
	}
	ref, pinned := inventory.ParseRef(to)
	if !pinned {
		return nil, errFaults(oneFault("/inventory", "inventory-not-pinned", "name the version, as in "+study.Inventory.Slug+"@2"))
	}
	before, err := s.catalogue(ctx, study.Inventory)
	if err != nil {
		return nil, err
	}
	after, err := s.catalogue(ctx, ref)
	if err != nil {
		return nil, faultAt("/inventory", "inventory-unknown", err)
	}
	if before.ref.Currency != after.ref.Currency {
		return nil, errFaults(oneFault("/inventory", "currency-mismatch", to+" is in "+after.ref.Currency+", the study in "+before.ref.Currency+"; nothing is converted"))
	}
	was, text, err := s.compared(ctx, request)
	if err != nil {
		return nil, below("/request", err)
	}
	moved, err := pinnedRequest(request, to)
	if err != nil {
		return nil, err
	}
	is, result, err := s.compared(ctx, moved)
	if err != nil {
		return nil, below("/request", err)
	}
	resp := &RerunResponse{Study: id, From: before.ref, To: after.ref, Reproduced: hashBytes(text) == study.ResultHash, ResultHash: hashBytes(result), Order: rerunOrder, Result: is}
	steps, err := s.steps(ctx, request, before, after, was, is)
	if err != nil {
		return nil, below("/request", err)
	}
	resp.Differences = differences(before, steps, was)
	return resp, nil
}

// step is one move on the way from a version to another, and the figures behind it.
type step struct {
	items   []string
	moved   string
	fields  []FieldMoved
	figures []totals // by alternative
}

// steps moves from one version to another, item by item; the first step is where it
// begins. Only items that the comparison rests on, in either version, move one by one;
// the last step is the other version as it is.
func (s *Service) steps(ctx context.Context, request []byte, before, after *catalogue, was, is *ComparisonResponse) ([]step, error) {
	var req ComparisonRequest
	if err := json.Unmarshal(request, &req); err != nil {
		return nil, &Error{Code: Internal, Detail: "the study cannot be read", Cause: err}
	}
	used := slices.Concat(itemCodes(was), itemCodes(is))
	moves := movesOf(before, after, used)
	w := walk{version: *before.version, items: needed(before, after, used)}
	list, pending := []step{{figures: allTotals(was)}}, step{}
	for n, m := range moves {
		progressOf(ctx)(n, len(moves))
		if err := gone(ctx); err != nil {
			return nil, err
		}
		pending = pending.with(m)
		w.put(m.item)
		c := w.catalogue()
		if c == nil {
			continue // it cannot stand without the next
		}
		var err error
		if pending.figures, err = s.figures(ctx, c, req, nil); err != nil {
			var failed *Error
			if !asInvalid(err, &failed) {
				return nil, err
			}
			continue
		}
		list, pending = append(list, pending), step{}
	}
	pending.moved, pending.figures = MovedOther, allTotals(is)
	return append(list, pending), nil
}

func allTotals(resp *ComparisonResponse) []totals {
	list := make([]totals, len(resp.Alternatives))
	for i := range resp.Alternatives {
		list[i] = totalsIn(&resp.Alternatives[i])
	}
	return list
}

// with joins a move to those that wait for it.
func (s step) with(m move) step {
	if len(s.items) > 0 && (s.moved != m.moved || !slices.Contains(s.items, m.item.Code)) {
		s.moved = MovedOther
	} else {
		s.moved = m.moved
	}
	if !slices.Contains(s.items, m.item.Code) {
		s.items = append(s.items, m.item.Code)
	}
	s.fields = append(s.fields, m.fields...)
	return s
}

// move is an item as it becomes.
type move struct {
	item   inventory.Item
	moved  string
	fields []FieldMoved
}

// movesOf lists what moves between two versions of the items given: those that are
// new, then each by its code.
func movesOf(before, after *catalogue, used []string) (moves []move) {
	codes := slices.Clone(used)
	slices.Sort(codes)
	codes = slices.Compact(codes)
	for _, code := range codes {
		if to := after.entries[code]; to != nil && before.entries[code] == nil {
			moves = append(moves, move{item: *to.inventory, moved: MovedOther})
		}
	}
	for _, code := range codes {
		from, to := before.entries[code], after.entries[code]
		if from == nil || to == nil {
			continue
		}
		item := *from.inventory
		if item.Unit == to.inventory.Unit {
			item.Price = to.inventory.Price
			moves = appendMove(moves, *from.inventory, item, MovedPrice)
			priced := item
			item.Factors, item.FactorSource, item.FactorData, item.Boundary = to.inventory.Factors, to.inventory.FactorSource, to.inventory.FactorData, to.inventory.Boundary
			moves = appendMove(moves, priced, item, MovedFactor)
		}
		moves = appendMove(moves, item, *to.inventory, MovedOther)
	}
	return moves
}

func appendMove(moves []move, from, to inventory.Item, moved string) []move {
	changed := inventory.Diff([]inventory.Item{from}, []inventory.Item{to}).Changed
	if len(changed) == 0 {
		return moves
	}
	m := move{item: to, moved: moved}
	for _, f := range changed[0].Fields {
		m.fields = append(m.fields, FieldMoved{f.Column, f.Before, f.After})
	}
	return append(moves, m)
}

// needed lists the items of a version that figures can rest on, with all that they and
// what they become consist of.
func needed(before, after *catalogue, used []string) []inventory.Item {
	wanted := map[string]bool{}
	var want func(code string)
	want = func(code string) {
		if wanted[code] {
			return
		}
		wanted[code] = true
		for _, c := range []*catalogue{before, after} {
			if e := c.entries[code]; e != nil {
				for _, part := range e.inventory.Recipe {
					want(part.Item)
				}
			}
		}
	}
	for _, code := range used {
		want(code)
	}
	for _, e := range []*entry{before.mixing, before.disposal} {
		if e != nil {
			want(e.Code)
		}
	}
	var list []inventory.Item
	for _, it := range before.version.Items {
		if wanted[it.Code] {
			list = append(list, it)
		}
	}
	return list
}

// walk is a version on its way to another.
type walk struct {
	version inventory.Version
	items   []inventory.Item
}

func (w *walk) put(item inventory.Item) {
	w.items = slices.Clone(w.items) // an earlier catalogue holds the others
	if i := slices.IndexFunc(w.items, func(it inventory.Item) bool { return it.Code == item.Code }); i >= 0 {
		w.items[i] = item
		return
	}
	w.items = append(w.items, item)
	inventory.SortByCode(w.items)
}

// catalogue is the version as it stands; nil where it could not be published so.
func (w *walk) catalogue() *catalogue {
	if len(inventory.Validate(w.version.Meta, w.items)) > 0 {
		return nil
	}
	v := w.version
	v.Items = w.items
	return newCatalogue(&v, nil) // figures do not tell of the base
}

// differences lays out the steps by alternative and measure.
func differences(c *catalogue, steps []step, was *ComparisonResponse) []StudyDifference {
	list := make([]StudyDifference, len(was.Alternatives))
	for k, alternative := range was.Alternatives {
		list[k].Alternative = alternative.Name
		measures := []string{MeasureTotalCarbon, MeasureCradleToGate}
		if alternative.Cost != nil {
			measures = append(measures, MeasureNPV, MeasureInitial)
		}
		for _, measure := range measures {
			at := func(n int) decimal.Decimal { return steps[n].figures[k].measure(measure) }
			last := len(steps) - 1
			m := MeasureChange{Measure: measure, Unit: measureUnit(c, measure), Before: Fixed{at(0)}, After: Fixed{at(last)}, Difference: Fixed{at(last).Sub(at(0))}, Parts: []ChangePart{}}
			for n := 1; n <= last; n++ {
				share := at(n).Sub(at(n - 1))
				if share.IsZero() {
					continue
				}
				m.Parts = append(m.Parts, ChangePart{Items: append([]string{}, steps[n].items...), Moved: steps[n].moved, Fields: append([]FieldMoved{}, steps[n].fields...), Difference: Fixed{share}})
			}
			list[k].Measures = append(list[k].Measures, m)
		}
	}
	return list
}
