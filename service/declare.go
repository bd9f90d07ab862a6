package service

import (
	"bytes"
	"context"
	"errors"

	"github.com/google/uuid"

	"slabledger/inventory"
	"slabledger/inventory/epd"
)

// Declared is what an item of a draft was given by a declaration.
type Declared struct {
	Indicator string
	Unit      string
	Unused    []Unused
	Notices   []epd.Notice
	Item      *inventory.Item
	Review    *Review
}

// Unused is a result of a declaration that no item can hold, or was not chosen.
type Unused struct{ Indicator, Module, Scenario, Reason string }

// Declare gives an item of a draft the factors, the source and the validity of a
// declaration in the ILCD+EPD format. The declared unit must be that of the item, or
// convert to it by mass.
func (s *Service) Declare(ctx context.Context, retry *inventory.Retry, slug, id string, revision int, code string, file []byte, unit string, scenarios []string) (*Declared, error) {
	var d *Declared
	r, err := s.EditDraft(ctx, retry, slug, id, revision, inventory.ActionDeclare, func(draft inventory.Draft) (edit inventory.DraftEdit, err error) {
		item, err := s.itemToChange(ctx, draft, code)
		if err != nil {
			return edit, err
		}
		d, err = declared(item, file, unit, scenarios)
		if err != nil {
			return edit, err
		}
		return oneItem(code, d.Item), nil
	})
	if err != nil {
		return nil, err
	}
	d.Review = r
	return d, nil
}

// declared is an item with what a declaration says of it.
func declared(item inventory.Item, file []byte, unit string, scenarios []string) (*Declared, error) {
	set, err := epd.Read(bytes.NewReader(file), epd.Options{Unit: unit})
	if err != nil {
		return nil, declarationError(err)
	}
	mapped, err := epd.Factors(set, epd.Choice{Scenarios: scenarios})
	if err != nil {
		return nil, declarationError(err)
	}
	if mapped.Unit != item.Unit {
		return nil, errFaults(oneFault("", "unit-incompatible", "the declaration is per "+mapped.Unit+", the item "+item.Code+" per "+item.Unit+"; declare the item per "+mapped.Unit+", since nothing is converted here"))
	}
	if item.Category.IsProcess() {
		return nil, errFaults(oneFault("", "category-mismatch", "declarations of products give the factors of materials; "+item.Code+" is a process"))
	}
	spread, pedigree := item.FactorData.Spread, item.FactorData.Pedigree
	item.Factors, item.FactorSource, item.FactorData = mapped.Factors, &mapped.Source, mapped.Data
	item.FactorData.Spread, item.FactorData.Pedigree = spread, pedigree
	d := &Declared{Indicator: mapped.Indicator, Unit: mapped.Unit, Notices: mapped.Notices, Item: &item}
	for _, u := range mapped.Unused {
		d.Unused = append(d.Unused, Unused{u.Indicator, u.Module, u.Scenario, u.Reason})
	}
	return d, nil
}

// declarationError tells the faults of a declaration by its elements.
func declarationError(err error) error {
	var failed *epd.Error
	if errors.As(err, &failed) {
		return &Error{Code: Invalid, Detail: "the declaration cannot be used as it is", Faults: failed.Faults}
	}
	return &Error{Code: Malformed, Detail: "the declaration cannot be read", Cause: err}
}

// declarations is the name space of the identifiers of data sets that are written here
// (RFC 9562, 5.5): the same item of the same version has the same one.
var declarations = uuid.MustParse("6f0a2c1e-9b7d-4c53-8a64-2d1f5b7e9c30")

// Declaration writes the factors of an item of a version as an ILCD+EPD data set. Where
// the licence of their source forbids passing them on they are not written, but for the
// inventory's own users where redistributable is false.
func (s *Service) Declaration(ctx context.Context, slug string, number int, code string, redistributable bool) ([]byte, error) {
	v, err := s.Version(ctx, slug, number)
	if err != nil {
		return nil, err
	}
	item := inventory.Find(v.Items, code)
	if item == nil {
		return nil, &Error{Code: NotFound, Detail: v.Ref().String() + " has no item " + short(code)}
	}
	if redistributable {
		passed, withheld, err := inventory.Redistributable([]inventory.Item{*item})
		if err != nil {
			return nil, &Error{Code: Internal, Detail: "the item cannot be hashed", Cause: err}
		}
		if len(withheld) > 0 && passed[0].FactorSource == nil {
			return nil, errFaults(oneFault("/factor_source/licence", "withheld", "the numbers may not be passed on; "+passed[0].Note))
		}
	}
	var file bytes.Buffer
	identity := epd.Identity{UUID: uuid.NewSHA1(declarations, []byte(v.Hash+"/"+code)).String(), Version: v.Number,
		Comment: "The factors of " + v.Ref().String() + "/" + code + ", inventory version " + v.Hash + ", as taken over from what its source declares."}
	if v.Meta.Invented {
		identity.Comment += " Invented for demonstration."
	}
	if err := epd.Write(&file, item, identity); err != nil {
		return nil, declarationError(err)
	}
	return file.Bytes(), nil
}
