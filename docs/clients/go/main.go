// Tour takes the way of the README through a running service, with a client
// generated from its contract, and ends with an error at the first answer that is
// not what it should be:
//
//	SLABLEDGER_KEY=slk_… tour http://127.0.0.1:8080 /path/to/the/repository
//
// The service is one of "slabledger demo" on a database of its own, since the tour
// publishes a version. The key is that of an admin; without keys none is needed.
package main

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"log"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"example.com/slabledger-tour/slabledger"
)

// The price that the tour gives to the cement of demo@1, there 0.124.
const (
	cement   = "cement-cem-i"
	oldPrice = "0.124"
	newPrice = "0.1364"
	percent  = "10"
)

func main() {
	log.SetFlags(0)
	if len(os.Args) != 3 {
		log.Fatal("usage: tour ADDRESS REPOSITORY")
	}
	ctx, stop := context.WithTimeout(context.Background(), time.Minute)
	defer stop()
	if err := walk(ctx, os.Args[1], os.Args[2]); err != nil {
		log.Fatal("go client: ", err)
	}
}

func walk(ctx context.Context, address, repository string) error {
	client, err := slabledger.NewClientWithResponses(address, slabledger.WithRequestEditorFn(func(_ context.Context, r *http.Request) error {
		if key := os.Getenv("SLABLEDGER_KEY"); key != "" {
			r.Header.Set("Authorization", "Bearer "+key)
		}
		return nil
	}))
	if err != nil {
		return err
	}
	t := tour{client, repository}
	before, err := t.compare(ctx)
	if err != nil {
		return fmt.Errorf("comparison: %w", err)
	}
	published, err := t.changeAPrice(ctx)
	if err != nil {
		return fmt.Errorf("new price: %w", err)
	}
	again, err := t.compare(ctx)
	if err != nil {
		return fmt.Errorf("comparison again: %w", err)
	}
	if !bytes.Equal(before.Body, again.Body) {
		return errors.New("the comparison with demo@1 is not what it was")
	}
	fmt.Printf("the comparison with demo@1 again: the same %d bytes, SHA-256 %x\n", len(again.Body), sha256.Sum256(again.Body))
	if err := t.compareWith(ctx, published.ref, before); err != nil {
		return fmt.Errorf("comparison with %s: %w", published.ref, err)
	}
	if err := t.history(ctx, published.ref); err != nil {
		return fmt.Errorf("history: %w", err)
	}
	if err := t.thickness(ctx); err != nil {
		return fmt.Errorf("thickness: %w", err)
	}
	if err := t.mix(ctx); err != nil {
		return fmt.Errorf("mix check: %w", err)
	}
	if err := t.journal(ctx, published); err != nil {
		return fmt.Errorf("journal: %w", err)
	}
	return nil
}

type tour struct {
	client     *slabledger.ClientWithResponses
	repository string
}

// publication is what the tour published, and the id of the request that did.
type publication struct{ ref, requestID string }

// compare sends the comparison of the README twice, as the file is and as values of
// the client's types. Both answers must be the same bytes, with the figures that the
// README shows.
func (t tour) compare(ctx context.Context) (*slabledger.CompareAnswer, error) {
	list, err := t.client.ListInventoriesWithResponse(ctx, &slabledger.ListInventoriesParams{})
	if err := answered(err, list, http.StatusOK); err != nil {
		return nil, err
	}
	if !slices.ContainsFunc(list.JSON200.Inventories, func(i slabledger.Inventory) bool { return i.Slug == "demo" }) {
		return nil, fmt.Errorf("no demo region in %s", list.Body)
	}
	var request slabledger.ComparisonRequest
	file, err := t.read("testdata/demo/comparison.json", &request)
	if err != nil {
		return nil, err
	}
	plain, err := t.client.CompareWithBodyWithResponse(ctx, nil, "application/json", bytes.NewReader(file))
	if err := answered(err, plain, http.StatusOK); err != nil {
		return nil, err
	}
	typed, err := t.client.CompareWithResponse(ctx, nil, request)
	if err := answered(err, typed, http.StatusOK); err != nil {
		return nil, err
	}
	if !bytes.Equal(plain.Body, typed.Body) {
		return nil, errors.New("the request as a file and as values of types have different answers")
	}
	for _, a := range typed.JSON200.Alternatives {
		line := fmt.Sprintf("%s: %s EUR/m2, %s kg CO2e/m2", a.Name, a.Cost.NetPresentValuePerM2, a.Carbon.TotalKgCo2ePerM2)
		if err := t.inReadme(line); err != nil {
			return nil, err
		}
	}
	return typed, nil
}

// compareWith sends the comparison of the README with another version, whose cement
// costs more than before.
func (t tour) compareWith(ctx context.Context, ref string, before *slabledger.CompareAnswer) error {
	var request slabledger.ComparisonRequest
	if _, err := t.read("testdata/demo/comparison.json", &request); err != nil {
		return err
	}
	request.Inventory = ref
	answer, err := t.client.CompareWithResponse(ctx, nil, request)
	if err := answered(err, answer, http.StatusOK); err != nil {
		return err
	}
	old, now := before.JSON200.Alternatives[0], answer.JSON200.Alternatives[0]
	if old.Cost.InitialPerM2 == now.Cost.InitialPerM2 || old.Carbon.TotalKgCo2ePerM2 != now.Carbon.TotalKgCo2ePerM2 {
		return fmt.Errorf("a price alone changed, and cost went from %s to %s, carbon from %s to %s",
			old.Cost.InitialPerM2, now.Cost.InitialPerM2, old.Carbon.TotalKgCo2ePerM2, now.Carbon.TotalKgCo2ePerM2)
	}
	fmt.Printf("with %s: %s costs %s EUR/m2 now, not %s\n", ref, now.Name, now.Cost.InitialPerM2, old.Cost.InitialPerM2)
	return nil
}

// changeAPrice drafts from demo@1, changes a price, reads the difference and
// publishes, as if the first answer had been lost.
func (t tour) changeAPrice(ctx context.Context) (publication, error) {
	from := "demo@1"
	draft, err := t.client.CreateDraftWithResponse(ctx, "demo", &slabledger.CreateDraftParams{IdempotencyKey: rand.Text()}, slabledger.NewDraft{From: &from})
	if err := answered(err, draft, http.StatusCreated); err != nil {
		return publication{}, err
	}
	id, read := draft.JSON201.Id, *draft.Headers201.ETag
	change := map[string]any{"price": map[string]any{"amount": newPrice}}
	patched, err := t.client.PatchDraftItemWithApplicationMergePatchPlusJSONBodyWithResponse(ctx, "demo", id, cement, &slabledger.PatchDraftItemParams{IfMatch: read}, change)
	if err := answered(err, patched, http.StatusOK); err != nil {
		return publication{}, err
	}
	// Who has not seen this change cannot write over it.
	stale, err := t.client.PatchDraftItemWithApplicationMergePatchPlusJSONBodyWithResponse(ctx, "demo", id, cement, &slabledger.PatchDraftItemParams{IfMatch: read}, change)
	if err := answered(err, stale, http.StatusPreconditionFailed); err != nil {
		return publication{}, err
	}
	if problem := stale.ApplicationproblemJSON412; problem == nil || problem.Status != http.StatusPreconditionFailed {
		return publication{}, fmt.Errorf("not a problem document: %s", stale.Body)
	}
	against := 1
	diff, err := t.client.DiffDraftWithResponse(ctx, "demo", id, &slabledger.DiffDraftParams{Against: &against})
	if err := answered(err, diff, http.StatusOK); err != nil {
		return publication{}, err
	}
	changed := diff.JSON200.Changed
	if len(changed) != 1 || changed[0].Item != cement || len(changed[0].Fields) != 1 {
		return publication{}, fmt.Errorf("not one change: %s", diff.Body)
	}
	if f := changed[0].Fields[0]; f.Column != "price" || f.Before != oldPrice || f.After != newPrice || f.Percent == nil || *f.Percent != percent {
		return publication{}, fmt.Errorf("not the change that was made: %s", diff.Body)
	}
	fmt.Printf("draft %s: price of %s from %s to %s, %s %%\n", id, cement, oldPrice, newPrice, percent)
	params := slabledger.PublishDraftParams{IdempotencyKey: rand.Text(), IfMatch: *patched.Headers200.ETag}
	first, err := t.client.PublishDraftWithResponse(ctx, "demo", id, &params, slabledger.Publication{Note: "offer to the Go client"})
	if err := answered(err, first, http.StatusCreated); err != nil {
		return publication{}, err
	}
	second, err := t.client.PublishDraftWithResponse(ctx, "demo", id, &params, slabledger.Publication{Note: "offer to the Go client"})
	if err := answered(err, second, http.StatusCreated); err != nil {
		return publication{}, err
	}
	if replayed := second.Headers201.IdempotentReplayed; replayed == nil || *replayed != "true" || !bytes.Equal(first.Body, second.Body) {
		return publication{}, fmt.Errorf("published twice: %s", second.Body)
	}
	ref := fmt.Sprintf("demo@%d", first.JSON201.Number)
	fmt.Printf("published %s, hash %s\n", ref, first.JSON201.Hash)
	return publication{ref, first.HTTPResponse.Header.Get("X-Request-Id")}, nil
}

// history finds the new price in the newest version, and the old one in demo@1.
func (t tour) history(ctx context.Context, newest string) error {
	found, err := t.client.ItemHistoryWithResponse(ctx, "demo", cement)
	if err := answered(err, found, http.StatusOK); err != nil {
		return err
	}
	prices := map[string]string{}
	for _, v := range found.JSON200.Versions {
		prices[v.Ref] = v.Item.Price.Amount
	}
	if prices["demo@1"] != oldPrice || prices[newest] != newPrice {
		return fmt.Errorf("prices %v", prices)
	}
	fmt.Printf("history of %s: %d versions, %s in demo@1, %s in %s\n", cement, len(prices), oldPrice, newPrice, newest)
	return nil
}

// thickness sizes the plain slab of the README's second comparison by itself, and
// gets the thickness that it has there.
func (t tour) thickness(ctx context.Context) error {
	var study slabledger.ComparisonRequest
	if _, err := t.read("testdata/scenarios/sized.json", &study); err != nil {
		return err
	}
	compared, err := t.client.CompareWithResponse(ctx, nil, study)
	if err := answered(err, compared, http.StatusOK); err != nil {
		return err
	}
	slab := compared.JSON200.Alternatives[0]
	line := fmt.Sprintf("%s: %s mm, %s governs, %s kg CO2e/m2", slab.Name, slab.ThicknessMm, slab.ThicknessDesign.Governs, slab.Carbon.TotalKgCo2ePerM2)
	if err := t.inReadme(line); err != nil {
		return err
	}
	design, err := study.Alternatives[0].Slab.Thickness.AsThicknessDesign()
	if err != nil {
		return err
	}
	sized, err := t.client.SizeSlabWithResponse(ctx, slabledger.ThicknessRequest{
		Methods:  []slabledger.ThicknessMethod{*design.Method},
		Traffic:  *design.Traffic,
		Soil:     *design.Soil,
		Edge:     design.Edge,
		Strength: *design.Strength,
		Rounding: design.Rounding,
	})
	if err := answered(err, sized, http.StatusOK); err != nil {
		return err
	}
	if got := sized.JSON200.Results; len(got) != 1 || got[0].ThicknessMm != slab.ThicknessMm {
		return fmt.Errorf("not %s mm: %s", slab.ThicknessMm, sized.Body)
	}
	return nil
}

// mix checks the plain mix by itself, and gets the masses that the comparison has.
func (t tour) mix(ctx context.Context) error {
	var study slabledger.ComparisonRequest
	if _, err := t.read("testdata/demo/comparison.json", &study); err != nil {
		return err
	}
	compared, err := t.client.CompareWithResponse(ctx, nil, study)
	if err := answered(err, compared, http.StatusOK); err != nil {
		return err
	}
	checked, err := t.client.CheckMixWithResponse(ctx, slabledger.MixCheckRequest{Inventory: study.Inventory, Mix: study.Alternatives[0].Mix})
	if err := answered(err, checked, http.StatusOK); err != nil {
		return err
	}
	want, got := compared.JSON200.Alternatives[0].Mix, checked.JSON200.Mix
	masses := func(m slabledger.MixResult) (list []string) {
		for _, c := range m.Constituents {
			list = append(list, c.Item+" "+c.MassKgPerM3)
		}
		return list
	}
	if !slices.Equal(masses(want), masses(got)) || len(got.Constituents) != 5 {
		return fmt.Errorf("%v, in the comparison %v", masses(got), masses(want))
	}
	fmt.Printf("mix check: %s kg/m3\n", strings.Join(masses(got), ", "))
	return nil
}

// journal finds the publication under the id of its request, page by page.
func (t tour) journal(ctx context.Context, p publication) error {
	limit := 2
	params := slabledger.ListJournalParams{Limit: &limit}
	for pages := 1; ; pages++ {
		page, err := t.client.ListJournalWithResponse(ctx, &params)
		if err := answered(err, page, http.StatusOK); err != nil {
			return err
		}
		for _, e := range page.JSON200.Entries {
			if e.Target == p.ref && e.RequestId == p.requestID {
				fmt.Printf("journal: entry %d, page %d: %s %s by %s\n", e.Number, pages, e.Action, e.Target, e.Actor)
				return nil
			}
		}
		next := page.JSON200.Links.Next
		if next == nil {
			return fmt.Errorf("no entry of %s under request %s", p.ref, p.requestID)
		}
		address, err := url.Parse(*next)
		if err != nil {
			return err
		}
		cursor := address.Query().Get("cursor")
		params.Cursor = &cursor
	}
}

// answered tells what is wrong with an answer: that there is none, that it has
// another status, or that it is not the JSON of its type.
func answered(err error, r interface {
	StatusCode() int
	GetBody() []byte
}, status int) error {
	if err != nil {
		return err
	}
	if r.StatusCode() != status {
		return fmt.Errorf("status %d, not %d: %s", r.StatusCode(), status, r.GetBody())
	}
	return nil
}

// read reads a file of the repository, whole and as a value whose type must have
// every member of it.
func (t tour) read(path string, into any) ([]byte, error) {
	file, err := os.ReadFile(filepath.Join(t.repository, filepath.FromSlash(path)))
	if err != nil {
		return nil, err
	}
	decoder := json.NewDecoder(bytes.NewReader(file))
	decoder.DisallowUnknownFields()
	return file, decoder.Decode(into)
}

// inReadme prints a line, which the README must show.
func (t tour) inReadme(line string) error {
	readme, err := os.ReadFile(filepath.Join(t.repository, "README.md"))
	if err != nil {
		return err
	}
	if !bytes.Contains(readme, []byte("\n"+line+"\n")) {
		return fmt.Errorf("README.md does not show %q", line)
	}
	fmt.Println(line)
	return nil
}
