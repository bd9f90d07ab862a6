package service

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/shopspring/decimal"
	"golang.org/x/text/unicode/norm"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// NewStudy is a comparison to be saved.
type NewStudy struct {
	Name    string         `json:"name"`
	Tags    []string       `json:"tags"`
	Request jsontext.Value `json:"request"` // ComparisonRequest
}

// StudyLocation is where the HTTP API shows a study.
func StudyLocation(id string) string { return "/v1/studies/" + id }

func studyTarget(id string) string { return "studies/" + id }

// CreateStudy computes a comparison and saves its request with what came of it. The
// inventory must be pinned, so that the study says for ever what it says now. It is
// told what the contract has refused of the request, by pointers into it.
func (s *Service) CreateStudy(ctx context.Context, retry *inventory.Retry, asked NewStudy, refused ...fault.Fault) (study inventory.Study, err error) {
	if study, err = s.checkedStudy(ctx, asked, refused); err != nil {
		return study, err
	}
	study.ID, study.Revision = strings.ToLower(rand.Text()[:12]), 1
	c := s.change(ctx, retry, inventory.ActionCreateStudy, studyTarget(study.ID), StudyLocation(study.ID))
	c.After, study.CreatedBy, study.CreatedAt, study.UpdatedAt = study.ResultHash, c.Actor, c.At, c.At
	return study, storeError(s.store.CreateStudy(ctx, study, asked.Request, c), "")
}

// CheckStudy tells all faults of a study of which the contract has refused something
// outside the request: those, and what else is found. Inside are those of the request,
// by pointers into it.
func (s *Service) CheckStudy(ctx context.Context, asked NewStudy, outside, inside []fault.Fault) error {
	_, err := s.checkedStudy(ctx, asked, inside)
	return joinedBy(outside, err, apart)
}

// checkedStudy computes a study, or tells every fault of it.
func (s *Service) checkedStudy(ctx context.Context, asked NewStudy, refused []fault.Fault) (study inventory.Study, err error) {
	var faults fault.List
	study.Name = asked.Name
	checkStudyText("/name", asked.Name, &faults)
	study.Tags = checkTags(asked.Tags, &faults)
	if asked.Request.Kind() != '{' { // which the contract has refused
		return study, joinedBy(faults.All(), below("/request", errFaults(refused)), apart)
	}
	if study.Inventory, err = pinnedStudy(asked.Request, &faults); err != nil {
		return study, err
	}
	resp, result, err := s.compared(ctx, asked.Request, refused...)
	if err != nil {
		return study, joinedBy(faults.All(), below("/request", err), apart)
	}
	if !faults.Empty() {
		return study, errFaults(faults.All())
	}
	study.Region, study.Currency, study.EngineVersion = resp.Inventory.Region, resp.Inventory.Currency, resp.EngineVersion
	study.RequestHash, study.ResultHash = resp.RequestHash, hashBytes(result)
	study.Items, study.Alternatives = itemCodes(resp), summarised(resp)
	return study, nil
}

// apart: no fault of the name or the tags of a study brings about one of its request.
func apart(fault.Fault) bool { return true }

// pinnedStudy is the version that a request names.
func pinnedStudy(request []byte, faults *fault.List) (ref inventory.Ref, err error) {
	var req ComparisonRequest
	if err := json.Unmarshal(request, &req); err != nil {
		return ref, &Error{Code: Malformed, Detail: "the request cannot be read as a comparison", Cause: err}
	}
	ref, pinned := inventory.ParseRef(req.Inventory)
	if !pinned && inventory.ValidSlug(req.Inventory) {
		faults.Add("/request/inventory", "inventory-not-pinned", "a study names the version of the inventory, as in %s@1, so that its figures stay", req.Inventory)
	}
	return ref, nil
}

// compared is the answer of a comparison and its bytes.
func (s *Service) compared(ctx context.Context, request []byte, refused ...fault.Fault) (*ComparisonResponse, []byte, error) {
	resp, err := s.Compare(ctx, request, refused...)
	if err != nil {
		return nil, nil, err
	}
	result, err := Encode(resp)
	return resp, result, err
}

func hashBytes(text []byte) string {
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

// itemCodes lists the items that an answer rests on.
func itemCodes(resp *ComparisonResponse) []string {
	codes := make([]string, len(resp.Sources))
	for i, source := range resp.Sources {
		codes[i] = source.Ref[strings.LastIndexByte(source.Ref, '/')+1:]
	}
	slices.Sort(codes)
	return slices.Compact(codes)
}

func summarised(resp *ComparisonResponse) []inventory.StudyAlternative {
	list := make([]inventory.StudyAlternative, len(resp.Alternatives))
	for i, r := range resp.Alternatives {
		list[i] = inventory.StudyAlternative{Name: r.Name, ThicknessMM: r.ThicknessMM.Decimal, TotalCarbon: r.Carbon.TotalKgCO2ePerM2.Decimal,
			CradleGate: r.Carbon.CradleToGateKgCO2ePerM2.Decimal}
		if r.Cost != nil {
			list[i].NPV, list[i].Initial = decimal.NewNullDecimal(r.Cost.NetPresentValuePerM2.Decimal), decimal.NewNullDecimal(r.Cost.InitialPerM2.Decimal)
		}
	}
	return list
}

// checkStudyText checks a text that people read and search for.
func checkStudyText(at fault.Path, text string, faults *fault.List) {
	if strings.TrimSpace(text) != text || text == "" || strings.ContainsFunc(text, hidden) || !norm.NFC.IsNormalString(text) {
		faults.Add(at, "text-invalid", "write a text in Unicode normalisation form C, without space at its ends, control characters, line breaks or characters of no width")
	}
}

// hidden tells what cannot be seen in a name, so that two that look the same are the
// same: what inventory.Unseen tells, other format characters such as the spaces of no
// width, and letters that are drawn as nothing.
func hidden(r rune) bool {
	return inventory.Unseen(r) || unicode.In(r, unicode.Cf, unicode.Other_Default_Ignorable_Code_Point)
}

func checkTags(tags []string, faults *fault.List) []string {
	for i, tag := range tags {
		checkStudyText(fault.Path("/tags").At(i), tag, faults)
	}
	sorted := append([]string{}, tags...)
	slices.Sort(sorted)
	return slices.Compact(sorted)
}

// Study shows a study.
func (s *Service) Study(ctx context.Context, id string) (inventory.Study, error) {
	study, _, err := s.storedStudy(ctx, id)
	return study, err
}

// StudyRequest is a study with the body of the comparison that it saves.
func (s *Service) StudyRequest(ctx context.Context, id string) (inventory.Study, []byte, error) {
	return s.storedStudy(ctx, id)
}

func (s *Service) storedStudy(ctx context.Context, id string) (inventory.Study, []byte, error) {
	study, request, err := s.store.Study(ctx, id)
	return study, request, studyError(err, id)
}

func studyError(err error, id string) error {
	if errors.Is(err, inventory.ErrStale) {
		return &Error{Code: Stale, Detail: "the study has changed since you read it; read it again and make your change on what it is now", Cause: err}
	}
	return storeError(err, "no study "+short(id))
}

// StudyQuery is which studies are asked for, as text. Inventory is a slug, with a
// version or without.
type StudyQuery struct {
	inventory.StudyFilter
	Inventory                                                          string
	ThicknessMin, ThicknessMax, CarbonMin, CarbonMax, CostMin, CostMax string
}

// Studies lists studies.
func (s *Service) Studies(ctx context.Context, q StudyQuery, limit int) ([]inventory.Study, error) {
	var faults fault.List
	f := q.StudyFilter
	if ref, pinned := inventory.ParseRef(q.Inventory); pinned {
		f.Slug, f.Number = ref.Slug, ref.Number
	} else if f.Slug = q.Inventory; f.Slug != "" && !inventory.ValidSlug(f.Slug) {
		faults.Add("/query/inventory", "inventory-reference", "an inventory is named like demo or demo@1")
	}
	for _, n := range []struct {
		name, text string
		into       *decimal.NullDecimal
	}{{"thickness_min", q.ThicknessMin, &f.MinThickness}, {"thickness_max", q.ThicknessMax, &f.MaxThickness}, {"carbon_min", q.CarbonMin, &f.MinCarbon},
		{"carbon_max", q.CarbonMax, &f.MaxCarbon}, {"cost_min", q.CostMin, &f.MinCost}, {"cost_max", q.CostMax, &f.MaxCost}} {
		if n.text == "" {
			continue
		}
		d, err := num.Parse(n.text)
		if err != nil {
			faults.Add(fault.Path("/query").At(n.name), "decimal-invalid", "%q is no plain decimal", short(n.text))
			continue
		}
		*n.into = decimal.NewNullDecimal(d)
	}
	for _, ends := range []struct {
		name      string
		low, high decimal.NullDecimal
	}{{"thickness", f.MinThickness, f.MaxThickness}, {"carbon", f.MinCarbon, f.MaxCarbon}, {"cost", f.MinCost, f.MaxCost}} {
		if ends.low.Valid && ends.high.Valid && ends.low.Decimal.GreaterThan(ends.high.Decimal) {
			faults.Add(fault.Path("/query").At(ends.name+"_max"), "out-of-range", "%s_min is above %[1]s_max, so that no study lies between them", ends.name)
		}
	}
	if (f.MinCost.Valid || f.MaxCost.Valid) && f.Currency == "" {
		faults.Add("/query/currency", "required-member-missing", "a cost is asked for in a currency; nothing is converted")
	}
	if !faults.Empty() {
		return nil, errFaults(faults.All())
	}
	list, err := s.store.Studies(ctx, f, limit)
	return list, storeError(err, "")
}

// DescribeStudy gives a study at a revision another name or other tags; nil leaves
// them as they are.
func (s *Service) DescribeStudy(ctx context.Context, id string, revision int, name *string, tags *[]string) (inventory.Study, error) {
	study, err := s.Study(ctx, id)
	if err != nil {
		return study, err
	}
	if study.Revision != revision {
		return study, studyError(inventory.ErrStale, id)
	}
	var faults fault.List
	if name != nil {
		study.Name = *name
		checkStudyText("/name", *name, &faults)
	}
	if tags != nil {
		study.Tags = checkTags(*tags, &faults)
	}
	if !faults.Empty() {
		return study, errFaults(faults.All())
	}
	c := s.changed(ctx, nil, inventory.ActionEditStudy, studyTarget(id), StudyLocation(id), study.ResultHash, study.ResultHash)
	if err := s.store.DescribeStudy(ctx, id, revision, study.Name, study.Tags, c); err != nil {
		return study, studyError(err, id)
	}
	study.Revision, study.UpdatedAt = revision+1, c.At
	return study, nil
}

// DeleteStudy deletes a study at a revision, for ever; the journal keeps the hash of
// its result.
func (s *Service) DeleteStudy(ctx context.Context, id string, revision int) error {
	study, err := s.Study(ctx, id)
	if err != nil {
		return err
	}
	return studyError(s.store.DeleteStudy(ctx, id, revision, s.changed(ctx, nil, inventory.ActionDeleteStudy, studyTarget(id), StudyLocation(id), study.ResultHash, "")), id)
}

// StudyResult is what the comparison of a study answers, computed again.
type StudyResult struct {
	Study    inventory.Study
	Request  []byte
	Response *ComparisonResponse
	Text     []byte // of Response, as JSON
	Hash     string // of Text
	Moved    string // why it is not what was saved; empty where it is
}

// StudyResult computes the comparison of a study again. Unless the program has
// changed, that gives the bytes that were saved; else it says so.
func (s *Service) StudyResult(ctx context.Context, id string) (*StudyResult, error) {
	study, request, err := s.storedStudy(ctx, id)
	if err != nil {
		return nil, err
	}
	resp, text, err := s.compared(ctx, request)
	if err != nil {
		return nil, below("/request", err)
	}
	r := &StudyResult{Study: study, Request: request, Response: resp, Text: text, Hash: hashBytes(text)}
	r.Moved = movedFrom(study, r.Hash)
	return r, nil
}

// Moved says why the answer that the comparison of a study has today is not what was
// saved; it is empty where it is.
func Moved(study inventory.Study, today *ComparisonResponse) (string, error) {
	text, err := Encode(today)
	if err != nil {
		return "", err
	}
	return movedFrom(study, hashBytes(text)), nil
}

func movedFrom(study inventory.Study, hash string) string {
	switch {
	case hash == study.ResultHash:
		return ""
	case study.EngineVersion == EngineVersion:
		return "what the program prints moved, its engine version " + EngineVersion + " did not"
	}
	return fmt.Sprintf("engine version moved from %s to %s", study.EngineVersion, EngineVersion)
}
