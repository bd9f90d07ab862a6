package service

import (
	"context"
	"io"

	"github.com/go-json-experiment/json"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// Uploaded is what an upload did to a draft, or would do.
type Uploaded struct {
	Review *Review
	Rows   int // items that were read
	Notes  []inventory.RowNote
	DryRun bool
}

// Upload reads a table of items into a draft at a revision: all of it, or nothing.
// Its rows take the place of all items of the draft, or, merging, of those with the
// same code. The error is an *inventory.UploadError where rows are bad.
func (s *Service) Upload(ctx context.Context, retry *inventory.Retry, slug, id string, revision int, file io.Reader, o inventory.UploadOptions, merging, dryRun bool) (_ *Uploaded, err error) {
	up := &Uploaded{DryRun: dryRun}
	change := func(d inventory.Draft) (edit inventory.DraftEdit, err error) {
		if d.Revision != revision { // then the file need not be read
			return edit, draftError(inventory.ErrStale, slug, id)
		}
		o.Meta = d.Meta
		if merging {
			o.Below = append(o.Below, d.Items...)
		}
		read, err := s.read(ctx, slug, o, file)
		if err != nil {
			return edit, err
		}
		up.Rows, up.Notes = len(read.Items), read.Notes
		edit = inventory.DraftEdit{Clear: !merging, Items: make(map[string]*inventory.Item, len(read.Items))}
		for i := range read.Items {
			edit.Items[read.Items[i].Code] = &read.Items[i]
		}
		return edit, nil
	}
	if !dryRun {
		up.Review, err = s.EditDraft(ctx, retry, slug, id, revision, inventory.ActionUpload, change)
		return up, err
	}
	d, err := s.draftAt(ctx, slug, id, revision)
	if err != nil {
		return nil, err
	}
	edit, err := change(d)
	if err != nil {
		return nil, err
	}
	up.Review, err = s.review(ctx, edited(d, edit), 0)
	return up, err
}

// read reads a table for an inventory that may extend another.
func (s *Service) read(ctx context.Context, slug string, o inventory.UploadOptions, file io.Reader) (inventory.Upload, error) {
	if o.Meta.Extends != "" {
		base, _, err := s.baseOf(ctx, slug, o.Meta) // what is wrong with it is told of the draft
		if err != nil {
			return inventory.Upload{}, err
		}
		if base != nil {
			o.Below = append(o.Below, base.Items...)
		}
	}
	return inventory.ReadUpload(file, o)
}

// Imported is what an import did, or would do.
type Imported struct {
	Version   inventory.Version // the newest now
	Published bool              // it is new
	Rows      int
	Notes     []inventory.RowNote
	Doubts    []ItemProblem
	Against   inventory.Ref // the version that Changes are from; zero where there is none
	Changes   inventory.Difference
}

// ImportTable reads a table of items and publishes it as the next version of an
// inventory: all of it, or nothing. The same content again is no new version.
// A dry run stores nothing, and tells the same.
func (s *Service) ImportTable(ctx context.Context, slug string, o inventory.UploadOptions, file io.Reader, note string, dryRun bool) (*Imported, error) {
	if !inventory.ValidSlug(slug) {
		return nil, inventoryFault("inventory-reference", "an inventory's slug has lower-case letters, digits and hyphens")
	}
	if note != "" {
		if err := checkNote("/note", note); err != nil {
			return nil, err
		}
	}
	var faults fault.List
	inFile := o.Form == inventory.FormJSON && o.Meta == (inventory.Meta{}) // then the file says what it is about
	for _, p := range inventory.Validate(o.Meta, nil) {
		if !inFile {
			faults.Add(fault.Path("").At(p.Column), p.Code, "%q: %s", short(p.Found), p.Detail)
		}
	}
	if o.Meta.Extends != "" && faults.Empty() {
		if _, problem, err := s.baseOf(ctx, slug, o.Meta); err != nil {
			return nil, err
		} else if problem != nil {
			faults.Add("/extends", problem.Code, "%q: %s", problem.Found, problem.Detail)
		}
	}
	if !faults.Empty() {
		return nil, errFaults(faults.All())
	}
	read, err := s.read(ctx, slug, o, file)
	if err != nil {
		return nil, err
	}
	o.Meta = read.Meta
	r := &Review{Draft: inventory.Draft{Slug: slug, Meta: o.Meta, Items: read.Items}, Resolved: read.Items}
	if o.Meta.Extends == "" { // then reading has validated all that there is
		inventory.SortByCode(r.Resolved)
		r, err = s.against(ctx, r, 0)
	} else {
		r, err = s.review(ctx, r.Draft, 0)
	}
	if err != nil {
		return nil, err
	}
	if len(r.Problems) > 0 {
		return nil, unpublishable(r.Problems)
	}
	out := &Imported{Rows: len(read.Items), Notes: read.Notes, Doubts: r.Doubts, Against: r.Against, Changes: r.Changes}
	if dryRun {
		return out, nil
	}
	out.Version, out.Published, err = s.publish(ctx, r, note)
	return out, err
}

// maxRates of one upload: there are fewer currencies.
const maxRates = 200

// ReadUploadOptions reads the part of UploadOptions that an upload may state beside
// its file:
//
//	{"rates": [{"from": "NOK", "to": "EUR", "rate": "0.086", "date": "2026-01-14", "source": "…"}],
//	 "indices": [{"category": "cement", "series": "…", "points": {"2025-01": "120", "2026-01": "132"}}],
//	 "base_month": "2026-01"}
func ReadUploadOptions(text []byte, o *inventory.UploadOptions) error {
	var w struct {
		Rates []struct {
			From   string `json:"from"`
			To     string `json:"to"`
			Rate   string `json:"rate"`
			Date   string `json:"date"`
			Source string `json:"source"`
		} `json:"rates"`
		Indices []struct {
			Category string            `json:"category"`
			Series   string            `json:"series"`
			Points   map[string]string `json:"points"`
		} `json:"indices"`
		BaseMonth string `json:"base_month"`
	}
	if err := json.Unmarshal(text, &w, json.RejectUnknownMembers(true)); err != nil {
		return errFaults(oneFault("/options"+itemFaultAt(err), "wrong-form", "options are rates, indices and base_month: "+short(errorText(err))))
	}
	var faults fault.List
	at := fault.Path("/options")
	if len(w.Rates) > maxRates || len(w.Indices) > len(inventory.Categories()) {
		return errFaults(oneFault(at, "too-many", "at most 200 rates, and one index for each category"))
	}
	for i, r := range w.Rates {
		rate, err := num.Parse(r.Rate)
		if err != nil {
			faults.Add(at.At("rates", i, "rate"), "decimal-invalid", "%q: %v", short(r.Rate), err)
		}
		o.Rates = append(o.Rates, inventory.Rate{From: r.From, To: r.To, Rate: rate, Date: r.Date, Source: r.Source})
	}
	for i, x := range w.Indices {
		index := inventory.Index{Category: inventory.Category(x.Category), Series: x.Series, Points: map[string]decimal.Decimal{}}
		for month, text := range x.Points {
			value, err := num.Parse(text)
			if err != nil {
				faults.Add(at.At("indices", i, "points", month), "decimal-invalid", "%q: %v", short(text), err)
			}
			index.Points[month] = value
		}
		o.Indices = append(o.Indices, index)
	}
	o.BaseMonth = w.BaseMonth
	if !faults.Empty() {
		return errFaults(faults.All())
	}
	return nil
}
