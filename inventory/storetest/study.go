package storetest

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
)

func studyOf(id, name string, alternatives ...inventory.StudyAlternative) inventory.Study {
	return inventory.Study{ID: id, Name: name, Tags: []string{}, Inventory: inventory.Ref{Slug: "north", Number: 1}, Region: "XA", Currency: "EUR", EngineVersion: "0.1.0",
		RequestHash: jobHash, ResultHash: strings.ToLower(jobHash), Revision: 1, CreatedBy: "local", CreatedAt: "2026-03-01T10:00:00.000000Z", UpdatedAt: "2026-03-01T10:00:00.000000Z",
		Alternatives: alternatives}
}

func slabOf(name, thickness, carbon, cost string) inventory.StudyAlternative {
	a := inventory.StudyAlternative{Name: name, ThicknessMM: dec(thickness), TotalCarbon: signed(carbon), CradleGate: signed(carbon)}
	if cost != "" {
		a.NPV = decimal.NewNullDecimal(signed(cost))
		a.Initial = a.NPV
	}
	return a
}

// signed reads a decimal with a sign, which no request has.
func signed(text string) decimal.Decimal {
	plain, negative := strings.CutPrefix(text, "-")
	d := dec(plain)
	if negative {
		return d.Neg()
	}
	return d
}

func saveStudy(t *testing.T, store inventory.Store, s inventory.Study) {
	t.Helper()
	if err := store.CreateStudy(t.Context(), s, []byte("{}"), changeOf(inventory.ActionCreateStudy, s.ID)); err != nil {
		t.Fatal(err)
	}
}

// testStudies takes a study through its life; what does not fit its revision does
// nothing.
func testStudies(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	ctx := t.Context()
	publish(t, store, version("north", 1, 2))
	want := studyOf("a", "Quay \u00c9 \U0001F6A7", slabOf("plain", "240.5", "999999999999999.999999999999", "123456789012345.123456"),
		slabOf("thin", "0.000000000001", "-0.000001", ""))
	want.Tags, want.Items = []string{"harbour", "tender 7"}, []string{"item-00000", "item-00001"}
	request := "{\"\u00e9\": 1}"
	if err := store.CreateStudy(ctx, want, []byte(request), changeOf(inventory.ActionCreateStudy, "a")); err != nil {
		t.Fatal(err)
	}
	wantStudy := func() {
		t.Helper()
		got, text, err := store.Study(ctx, "a")
		if err != nil || string(text) != request {
			t.Fatalf("%q %v", text, err)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("want (-), got (+):\n%s", diff)
		}
	}
	wantStudy()
	_, _, err := store.Study(ctx, "absent")
	wantError(t, "a study that is not", err, inventory.ErrNotFound)

	before := entries(t, store)
	edit := changeOf(inventory.ActionEditStudy, "a")
	edit.At = "2026-03-02T10:00:00.000001Z"
	wantError(t, "an edit of what has changed", store.DescribeStudy(ctx, "a", 2, "x", []string{}, edit), inventory.ErrStale)
	wantError(t, "an edit of what is not", store.DescribeStudy(ctx, "absent", 1, "x", []string{}, edit), inventory.ErrNotFound)
	wantError(t, "deleting what has changed", store.DeleteStudy(ctx, "a", 2, edit), inventory.ErrStale)
	if n := entries(t, store); n != before {
		t.Errorf("%d entries of what was not done", n-before)
	}
	if err := store.DescribeStudy(ctx, "a", 1, "Pier", []string{"harbour", "new"}, edit); err != nil {
		t.Fatal(err)
	}
	want.Name, want.Tags, want.Revision, want.UpdatedAt = "Pier", []string{"harbour", "new"}, 2, edit.At
	wantStudy()
	for tag, n := range map[string]int{"harbour": 1, "new": 1, "tender 7": 0} {
		if list, err := store.Studies(ctx, inventory.StudyFilter{Tag: tag, Sort: inventory.SortName}, 9); err != nil || len(list) != n {
			t.Errorf("%s: %d, %v", tag, len(list), err)
		}
	}
	if err := store.DeleteStudy(ctx, "a", 2, changeOf(inventory.ActionDeleteStudy, "a")); err != nil {
		t.Fatal(err)
	}
	_, _, err = store.Study(ctx, "a")
	wantError(t, "a deleted study", err, inventory.ErrNotFound)
	saveStudy(t, store, want) // nothing of it is in the way
	other := want
	other.ID, other.Inventory.Number = "b", 2
	if err := store.CreateStudy(ctx, other, []byte("{}"), changeOf(inventory.ActionCreateStudy, "b")); err == nil {
		t.Error("a study of a version that is not was stored")
	}
}

// testStudiesListed sorts and filters studies, by pages.
func testStudiesListed(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	publish(t, store, version("north", 1, 2))
	publish(t, store, version("north", 2, 2))
	publish(t, store, version("south", 1, 2))
	a := studyOf("a", "beta", slabOf("plain", "240", "100", "9"), slabOf("thin", "99", "100000000000000.000001", "80"))
	b := studyOf("b", "Alpha", slabOf("Fibre", "215", "-1", "-0.5"), slabOf("x", "300", "100000000000000.000002", "-0.25"))
	c := studyOf("c", "gamma", slabOf("plain", "215", "-2.5", ""))
	d := studyOf("d", "alpha", slabOf("plain", "1000", "0.5", "7"))
	a.CreatedAt, b.CreatedAt = "2026-03-01T10:00:00.000003Z", "2026-03-01T10:00:00.000002Z"
	a.Tags, b.Tags = []string{"tender"}, []string{"Tender"}
	a.Items, c.Items = []string{"cement", "water"}, []string{"cement-2", "water"}
	b.Inventory, c.Inventory, d.Region, d.Currency = inventory.Ref{Slug: "north", Number: 2}, inventory.Ref{Slug: "south", Number: 1}, "XB", "CHF"
	for _, s := range []inventory.Study{a, b, c, d} {
		saveStudy(t, store, s)
	}
	number := func(text string) decimal.NullDecimal { return decimal.NewNullDecimal(signed(text)) }
	for name, test := range map[string]struct {
		filter inventory.StudyFilter
		want   string
	}{
		"by name":                    {inventory.StudyFilter{Sort: inventory.SortName}, "b d a c"},
		"by name, down":              {inventory.StudyFilter{Sort: inventory.SortName, Descending: true}, "c a d b"},
		"the newest first":           {inventory.StudyFilter{Sort: inventory.SortCreated, Descending: true}, "a b d c"},
		"by least thickness":         {inventory.StudyFilter{Sort: inventory.SortThickness}, "a b c d"},
		"by least carbon":            {inventory.StudyFilter{Sort: inventory.SortCarbon}, "c b d a"},
		"by currency and cost":       {inventory.StudyFilter{Sort: inventory.SortCost}, "d b a c"},
		"by region":                  {inventory.StudyFilter{Sort: inventory.SortRegion}, "a b c d"},
		"by region, down":            {inventory.StudyFilter{Sort: inventory.SortRegion, Descending: true}, "d c b a"},
		"of a region":                {inventory.StudyFilter{Sort: inventory.SortName, Region: "XB"}, "d"},
		"of an inventory":            {inventory.StudyFilter{Sort: inventory.SortName, Slug: "north"}, "b d a"},
		"of a version":               {inventory.StudyFilter{Sort: inventory.SortName, Slug: "north", Number: 2}, "b"},
		"with an item":               {inventory.StudyFilter{Sort: inventory.SortName, Item: "cement"}, "a"},
		"with a tag":                 {inventory.StudyFilter{Sort: inventory.SortName, Tag: "tender"}, "a"},
		"with a text":                {inventory.StudyFilter{Sort: inventory.SortName, Text: "FIBRE"}, "b"},
		"with a sign of a pattern":   {inventory.StudyFilter{Sort: inventory.SortName, Text: "%"}, ""},
		"of a thickness":             {inventory.StudyFilter{Sort: inventory.SortName, MinThickness: number("215"), MaxThickness: number("240")}, "b a c"},
		"of a carbon, to each digit": {inventory.StudyFilter{Sort: inventory.SortName, MinCarbon: number("100000000000000.0000015")}, "b"},
		"below nothing":              {inventory.StudyFilter{Sort: inventory.SortName, MaxCarbon: number("-1")}, "b c"},
		"of a cost":                  {inventory.StudyFilter{Sort: inventory.SortName, Currency: "EUR", MaxCost: number("9")}, "b a"},
		"of a least cost":            {inventory.StudyFilter{Sort: inventory.SortName, Currency: "EUR", MinCost: number("-0.3")}, "b a"},
		"one alternative meets all":  {inventory.StudyFilter{Sort: inventory.SortName, MaxThickness: number("99"), MaxCarbon: number("100")}, ""},
		"one alternative that does":  {inventory.StudyFilter{Sort: inventory.SortName, MaxThickness: number("240"), MinThickness: number("240"), MaxCarbon: number("100")}, "a"},
	} {
		t.Run(name, func(t *testing.T) {
			got := []string{}
			f := test.filter
			for {
				list, err := store.Studies(t.Context(), f, 2)
				if err != nil {
					t.Fatal(err)
				}
				for _, s := range list {
					got = append(got, s.ID)
				}
				if len(list) < 2 {
					break
				}
				f.AfterKey, f.AfterID = list[1].Key(f.Sort), list[1].ID
			}
			if !slices.Equal(got, strings.Fields(test.want)) {
				t.Errorf("%v, want %s", got, test.want)
			}
		})
	}
}
