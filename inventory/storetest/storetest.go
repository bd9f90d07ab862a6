// Package storetest is the definition of inventory.Store as a suite of tests,
// run on every store: a promise that is not here does not exist.
package storetest

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/num"
	"slabledger/migrations"
)

// Database is a store under test and a way round it.
type Database struct {
	// New returns the DSN of a fresh, empty database that ends with the test.
	New func(testing.TB) string
	// Open opens the store.
	Open func(ctx context.Context, dsn string) (inventory.Store, error)
	// SQL opens the same database to plain SQL, with foreign keys on.
	SQL func(t testing.TB, dsn string) *sql.DB
	// Up and Down migrate by hand; Down goes back to an empty schema.
	Up, Down func(context.Context, *sql.DB) error
	// Schema lists, one row of text each, all that the migrations make.
	Schema string
	// Forbidden holds statements of the dialect against version 1 of the
	// inventory "fixed", on top of those of standard SQL.
	Forbidden []string
	// ForbiddenAccess is the same against a journal of three entries, a key "live" and
	// a revoked key "dead".
	ForbiddenAccess []string
	// Unguarded takes off the guards of the journal, which only the owner of the
	// database can.
	Unguarded []string
}

// Run runs the suite.
func Run(t *testing.T, db Database) {
	for _, test := range []struct {
		name string
		run  func(*testing.T, Database)
	}{
		{"every digit of every decimal comes back", testDecimals},
		{"all that an item says comes back", testItems},
		{"texts of all Unicode come back", testTexts},
		{"times are cut to microseconds in UTC", testTimes},
		{"items come sorted by code, bytewise", testOrder},
		{"what is not there is not found", testNotFound},
		{"numbers follow each other", testConflict},
		{"of sixteen publishers one wins", testRace},
		{"versions are listed newest first", testVersions},
		{"summaries are paged by slug, bytewise", testSummaries},
		{"a cancelled publication leaves nothing", testCancelled},
		{"a refused item refuses all", testAtomic},
		{"nothing is seen before all is", testIsolation},
		{"a published version is fixed", testImmutable},
		{"the database refuses what is no decimal", testNumbers},
		{"a publisher killed leaves all or nothing", testKilled},
		{"a draft is edited at its revision", testDrafts},
		{"of sixteen editors one wins", testDraftRace},
		{"a draft is published as a whole", testPublishDraft},
		{"thirty-two publishers get a number each", testPublishTogether},
		{"a withdrawal changes no version", testWithdrawn},
		{"migrations go up, down and up", testMigrations},
		{"several instances may migrate at once", testMigrateTogether},
		{"an instance killed while it migrates leaves a start", testMigrateKilled},
		{"a newer schema is refused", testNewerSchema},
		{"keys come back", testKeys},
		{"a revoked key stays revoked", testRevoked},
		{"the journal says who changed what", testJournal},
		{"what is not done is not in the journal", testJournalOfNothing},
		{"the journal has no gaps under many writers", testJournalTogether},
		{"the journal and the keys are fixed", testJournalImmutable},
		{"an edited journal is found out", testJournalEdited},
		{"of fifty equal requests one is served", testRetries},
		{"a request is remembered for a day", testRemembered},
		{"a job is begun, shows life and ends", testJobs},
		{"a job is cancelled until it has ended", testJobsCancelled},
		{"jobs are paged, the newest first", testJobsListed},
		{"an actor has so many open jobs", testJobLimit},
		{"a job of which nothing is heard is rescued", testJobsRescued},
		{"two processes share the jobs", testJobsWorked},
		{"the job of a killed process goes on", testWorkerKilled},
		{"a study is described at its revision", testStudies},
		{"studies are sorted and filtered", testStudiesListed},
	} {
		t.Run(test.name, func(t *testing.T) { test.run(t, db) })
	}
}

func dec(s string) decimal.Decimal {
	d, err := num.Parse(s)
	if err != nil {
		panic(s + ": " + err.Error()) // only if a test was written wrongly
	}
	return d
}

func null(s string) decimal.NullDecimal { return decimal.NewNullDecimal(dec(s)) }

// fresh is an empty store, and its DSN.
func fresh(t *testing.T, db Database) (inventory.Store, string) {
	t.Helper()
	dsn := db.New(t)
	return open(t, db, dsn), dsn
}

func open(t *testing.T, db Database, dsn string) inventory.Store {
	t.Helper()
	store, err := db.Open(t.Context(), dsn)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Errorf("closing the store: %v", err)
		}
	})
	if err := store.Ping(t.Context()); err != nil {
		t.Fatal(err)
	}
	return store
}

func publish(t *testing.T, store inventory.Store, v inventory.Version) {
	t.Helper()
	if err := store.Publish(t.Context(), v, Publication(v)); err != nil {
		t.Fatalf("publishing %s@%d: %v", v.Slug, v.Number, err)
	}
}

func read(t *testing.T, store inventory.Store, slug string, number int) inventory.Version {
	t.Helper()
	v, err := store.Version(t.Context(), inventory.Ref{Slug: slug, Number: number})
	if err != nil {
		t.Fatalf("reading %s@%d: %v", slug, number, err)
	}
	return v
}

// roundTrip publishes items as a version of their own and compares what comes
// back.
func roundTrip(t *testing.T, store inventory.Store, slug string, items []inventory.Item) {
	t.Helper()
	want := version(slug, 1, 0)
	want.Items = items
	want = hashed(want)
	publish(t, store, want)
	got := read(t, store, slug, 1)
	slices.SortFunc(want.Items, func(a, b inventory.Item) int { return strings.Compare(a.Code, b.Code) })
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if hash := hashed(got).Hash; hash != want.Hash {
		t.Errorf("what came back has the hash %s, want %s", hash, want.Hash)
	}
}

// testDecimals puts numbers of every length into every column that holds one.
func testDecimals(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	var items []inventory.Item
	for n, text := range []string{"12345678901234.123456789012", "999999999999999.999999999999", "0.000000000001", "0.1",
		"123456789012345", "900719925474099.3", "1", "70", "99.999999999999", "2.50", "0"} {
		for _, c := range inventory.Columns() {
			if c.Kind != inventory.DecimalColumn {
				continue
			}
			positive := slices.Contains([]string{"density_kg_per_m3", "unit_mass_kg", "batch_volume_m3", "price_min_quantity", "price_exchange_rate", "price_index_from", "price_index_to"}, c.Name)
			if positive && text == "0" || c.Name == "solids_percent" && dec(text).GreaterThan(num.Hundred) {
				continue
			}
			item := inventory.Item{Code: fmt.Sprintf("%s-%d", c.Name, n), Category: "x", Name: "x", Unit: "kg"}
			if err := c.Set(&item, text); err != nil {
				t.Fatal(err)
			}
			items = append(items, item)
		}
		if text != "0" {
			items = append(items,
				inventory.Item{Code: fmt.Sprintf("part-%d", n), Category: "x", Name: "x", Unit: "kg", Recipe: []inventory.RecipePart{{Item: "price-0", Amount: dec(text)}}},
				inventory.Item{Code: fmt.Sprintf("credit-%d", n), Category: "x", Name: "x", Unit: "kg", Factors: map[string]decimal.Decimal{"D": dec(text).Neg()}})
		}
	}
	roundTrip(t, store, "digits", items)
}

func testItems(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	source := inventory.Source{Kind: inventory.EPD, Title: "Title", Publisher: "Publisher", Year: 2025, Reference: "Ref", Licence: "CC0-1.0"}
	full := inventory.Item{Code: "full", Category: inventory.Admixture, Name: "Name", Unit: "L",
		Density: null("1070"), UnitMass: null("1.07"), Solids: null("35"), BatchVolume: null("2"),
		Module: "B2", DefaultFor: inventory.DefaultMixing, Boundary: inventory.WellToWheel,
		Price: &inventory.Price{Amount: dec("0"), Currency: "EUR", Date: "2026-01-31", Basis: "ex-works", Tax: "included", ValidUntil: "2027-01-31",
			Spread: &inventory.Spread{Distribution: inventory.Triangular, Low: null("0.8"), High: null("1.3")},
			Quoted: &inventory.Quoted{Amount: dec("2.5"), Currency: "NOK", Date: "2025-01-31", Rate: null("0.0871"), RateDate: "2026-01-30", RateSource: "A bank",
				IndexSeries: "Construction", IndexFrom: null("120"), IndexTo: null("132")}, Source: source},
		Factors: map[string]decimal.Decimal{}, FactorSource: &source, Note: "note", Layer: "base@3",
		FactorData: inventory.FactorData{ValidUntil: "2030-06-04", Spread: &inventory.Spread{Distribution: inventory.Lognormal, GSD: null("1.2")},
			Pedigree: inventory.Pedigree{1, 2, 3, 4, 5}, Characterisation: "ar6", Fossil: null("101"), Biogenic: null("-1.5"), LandUse: null("0.5"),
			Allocation: inventory.AllocationNone, Alternatives: []inventory.AllocatedFactor{{Allocation: inventory.AllocationMass, Factor: dec("1.2")}, {Allocation: inventory.AllocationEconomic, Factor: dec("0.1466")}}},
		Recipe: []inventory.RecipePart{{Item: "z", Amount: dec("1")}, {Item: "bare", Amount: dec("2")}, {Item: "full", Amount: dec("3")}}}
	for n, key := range inventory.FactorKeys() {
		full.Factors[key] = decimal.New(int64(n), -1)
	}
	bare := inventory.Item{Code: "bare", Category: inventory.Water, Name: "Name", Unit: "kg"}
	last := bare
	last.Code, last.Recipe = "z", []inventory.RecipePart{{Item: "bare", Amount: dec("1")}}
	roundTrip(t, store, "items", []inventory.Item{last, full, bare})
	roundTrip(t, store, "no-items", nil)
}

func testTexts(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	var items []inventory.Item
	for n, name := range []string{"é", "e\u0301", "Ångström Å", "中文 日本語 한국어", "שלום", "مرحبا", "𝒵 \U0010FFFD", "👩🏽‍🔧", "ß ẞ ı İ",
		`'; DROP TABLE inventory_item; --`, `"quoted" \ \\ \n %s %d %_ $1 ? :x`, "a\u00a0b", "line\nbreak\ttab", "a\rb\r\n", "\\", `\N`, `\.`, `a\`, `\t`, "NULL", "\b\v\f", strings.Repeat("long ", 200)} {
		items = append(items, inventory.Item{Code: fmt.Sprintf("t%02d", n), Category: inventory.Water, Name: name, Unit: "kg", Note: name})
	}
	roundTrip(t, store, "texts", items)

	// More than a driver sends at a time, with what it may have to escape.
	items = nil
	for n := range 200 {
		text := strings.Repeat("\\\t\n", n%7) + strings.Repeat("x", n)
		items = append(items, inventory.Item{Code: fmt.Sprintf("l%03d", n), Category: inventory.Water, Name: strings.Repeat(text+"é", 3+n%5), Unit: "kg", Note: strings.Repeat(text, 2) + "."})
	}
	roundTrip(t, store, "long", items)
}

func testTimes(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	for n, c := range []struct{ in, want string }{
		{"2026-03-01T12:34:56.123456789+02:00", "2026-03-01T10:34:56.123456Z"},
		{"2026-03-01T12:34:56.9999999Z", "2026-03-01T12:34:56.999999Z"}, // cut, not rounded
		{"2028-02-29T23:59:59Z", "2028-02-29T23:59:59.000000Z"},
	} {
		v := version("times", n+1, 1)
		v.CreatedAt = c.in
		publish(t, store, v)
		if got := read(t, store, "times", n+1).CreatedAt; got != c.want {
			t.Errorf("%s is read as %s, want %s", c.in, got, c.want)
		}
	}
	v := version("times", 4, 1)
	v.CreatedAt = "yesterday"
	if err := store.Publish(t.Context(), v, Publication(v)); err == nil {
		t.Error("a time that is none was published")
	}
}

// bytewise is an order that no natural language has.
var bytewise = []string{"-", ".a", "10", "9", "A", "B", "a", "a-b", "a.b", "a0", "ab", "b", "z", "é"}

func testOrder(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	v := version("order", 1, 0)
	for _, n := range rand.Perm(len(bytewise)) {
		v.Items = append(v.Items, inventory.Item{Code: bytewise[n], Category: inventory.Operation, Name: "x", Unit: "kg",
			Recipe: []inventory.RecipePart{{Item: "a", Amount: dec("1")}}})
	}
	publish(t, store, hashed(v))
	var got []string
	for _, item := range read(t, store, "order", 1).Items {
		got = append(got, item.Code)
		if len(item.Recipe) != 1 {
			t.Errorf("%s has %d parts, want 1", item.Code, len(item.Recipe))
		}
	}
	if diff := cmp.Diff(bytewise, got); diff != "" {
		t.Error(diff)
	}
}

func testNotFound(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	publish(t, store, version("there", 1, 1))
	check := func(what string, err error) {
		t.Helper()
		if !errors.Is(err, inventory.ErrNotFound) {
			t.Errorf("%s: got %v, want %v", what, err, inventory.ErrNotFound)
		}
	}
	for _, ref := range []inventory.Ref{{Slug: "there", Number: 2}, {Slug: "there", Number: 0}, {Slug: "THERE", Number: 1}, {Slug: "", Number: 1}} {
		_, err := store.Version(t.Context(), ref)
		check(fmt.Sprintf("%s@%d", ref.Slug, ref.Number), err)
	}
	_, err := store.Newest(t.Context(), "absent")
	check("newest", err)
	_, err = store.Versions(t.Context(), "absent")
	check("versions", err)
	if list, err := store.Summaries(t.Context(), "there", 10); err != nil || list != nil {
		t.Errorf("after the last inventory: %v, %v", list, err)
	}
}

func testConflict(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	refused := func(number int) {
		t.Helper()
		v := version("a", number, 2)
		if err := store.Publish(t.Context(), v, Publication(v)); !errors.Is(err, inventory.ErrVersionConflict) {
			t.Errorf("number %d: got %v, want %v", number, err, inventory.ErrVersionConflict)
		}
	}
	refused(0)
	refused(-1)
	refused(2)
	publish(t, store, version("a", 1, 2))
	refused(1)
	refused(3)
	publish(t, store, version("a", 2, 2))
	refused(1)
	refused(2)
	publish(t, store, version("b", 1, 2)) // each slug counts for itself
	if newest, err := store.Newest(t.Context(), "a"); err != nil || newest != 2 {
		t.Errorf("newest is %d, %v", newest, err)
	}
	if diff := cmp.Diff(version("a", 1, 2), read(t, store, "a", 1)); diff != "" {
		t.Errorf("the first version was changed: %s", diff)
	}
}

// testRace lets sixteen publishers on two connections take number 1, then 2.
func testRace(t *testing.T, db Database) {
	store, dsn := fresh(t, db)
	stores := []inventory.Store{store, open(t, db, dsn)}
	for number := 1; number <= 2; number++ {
		errs := make([]error, 16)
		var group sync.WaitGroup
		start := make(chan struct{})
		for n := range errs {
			group.Go(func() {
				v := version("race", number, 50)
				v.Note = fmt.Sprintf("publisher %d", n)
				<-start
				errs[n] = stores[n%2].Publish(t.Context(), v, Publication(v))
			})
		}
		close(start)
		group.Wait()
		winner := -1
		for n, err := range errs {
			switch {
			case err == nil && winner < 0:
				winner = n
			case err == nil:
				t.Errorf("publishers %d and %d both won", winner, n)
			case !errors.Is(err, inventory.ErrVersionConflict):
				t.Errorf("publisher %d: got %v, want %v", n, err, inventory.ErrVersionConflict)
			}
		}
		got := read(t, store, "race", number)
		if want := fmt.Sprintf("publisher %d", winner); got.Note != want {
			t.Errorf("the version is that of %q, and %q was told that it won", got.Note, want)
		}
		if hash := hashed(got).Hash; len(got.Items) != 50 || hash != got.Hash {
			t.Errorf("%d items with the hash %s, want 50 with %s", len(got.Items), hash, got.Hash)
		}
	}
}

func testVersions(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	var want []inventory.Version
	for n := 1; n <= 11; n++ {
		v := version("listed", n, 3)
		publish(t, store, v)
		v.Items = nil
		want = append([]inventory.Version{v}, want...)
	}
	publish(t, store, version("other", 1, 1))
	got, err := store.Versions(t.Context(), "listed")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func testSummaries(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	for _, n := range rand.Perm(len(bytewise)) {
		publish(t, store, version(bytewise[n], 1, 2))
		publish(t, store, version(bytewise[n], 2, 2))
	}
	var got []string
	for after, page := "", 0; ; page++ {
		list, err := store.Summaries(t.Context(), after, 4)
		if err != nil {
			t.Fatal(err)
		}
		if len(list) == 0 {
			break
		}
		if len(list) > 4 {
			t.Fatalf("a page of %d, want at most 4", len(list))
		}
		for _, s := range list {
			got = append(got, s.Slug)
			want := version(s.Slug, 2, 2)
			switch s.Slug {
			case "a":
				want = version("a", 3, 1)
			case "zz":
				want = version("zz", 1, 1)
			}
			want.Items = nil
			if diff := cmp.Diff(want, s.Newest); diff != "" {
				t.Error(diff)
			}
		}
		after = list[len(list)-1].Slug
		if page == 0 { // what comes in behind the reader's back disturbs no one
			publish(t, store, version("  first", 1, 1))
			publish(t, store, version("a", 3, 1))
			publish(t, store, version("zz", 1, 1))
		}
	}
	want := slices.Insert(slices.Clone(bytewise), slices.Index(bytewise, "é"), "zz")
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	for _, limit := range []int{0, -1} {
		if list, err := store.Summaries(t.Context(), "", limit); err != nil || len(list) != 0 {
			t.Errorf("limit %d gives %d, %v", limit, len(list), err)
		}
	}
}

func testCancelled(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	whole := version("cancel", 1, 3000)
	begin := time.Now()
	publish(t, store, version("measure", 1, 3000))
	full := time.Since(begin)

	cancelled := 0
	for n := range 12 {
		ctx, cancel := context.WithTimeout(t.Context(), full*time.Duration(n)/10)
		err := store.Publish(ctx, whole, Publication(whole))
		cancel()
		got, readErr := store.Version(t.Context(), inventory.Ref{Slug: "cancel", Number: 1})
		switch {
		case err == nil && readErr == nil:
			if diff := cmp.Diff(whole, got); diff != "" {
				t.Fatal(diff)
			}
			if cancelled == 0 {
				t.Error("no publication was ever cancelled")
			}
			return
		case err == nil:
			t.Fatalf("published, and then %v", readErr)
		case !errors.Is(err, context.DeadlineExceeded):
			t.Fatalf("got %v, want the context's error", err)
		case readErr == nil:
			// The time ran out while the commit was on its way: it is all there.
			if diff := cmp.Diff(whole, got); diff != "" {
				t.Fatal(diff)
			}
			return
		case !errors.Is(readErr, inventory.ErrNotFound):
			t.Fatal(readErr)
		}
		cancelled++
	}
	publish(t, store, whole) // what was cancelled is in nobody's way
}

// testAtomic has the last of many items refused by the database.
func testAtomic(t *testing.T, db Database) {
	store, dsn := fresh(t, db)
	v := version("atomic", 1, 500)
	v.Items[499].Density = null("-1")
	if err := store.Publish(t.Context(), v, Publication(v)); err == nil || errors.Is(err, inventory.ErrVersionConflict) {
		t.Errorf("got %v, want the database's refusal", err)
	}
	v = version("atomic", 1, 500)
	v.Items[499].Code = v.Items[0].Code
	if err := store.Publish(t.Context(), v, Publication(v)); err == nil || errors.Is(err, inventory.ErrVersionConflict) {
		t.Errorf("got %v, want the database's refusal", err)
	}
	if n := count(t, db.SQL(t, dsn)); n != 0 {
		t.Errorf("%d rows are left", n)
	}
	publish(t, store, version("atomic", 1, 500))
}

// count counts the rows of all tables.
func count(t *testing.T, raw *sql.DB) (n int) {
	t.Helper()
	if err := raw.QueryRowContext(t.Context(), `SELECT (SELECT count(*) FROM inventory_version)
		+ (SELECT count(*) FROM inventory_item) + (SELECT count(*) FROM inventory_part)`).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

func testIsolation(t *testing.T, db Database) {
	store, dsn := fresh(t, db)
	raw := db.SQL(t, dsn)
	const rows = 1 + 3000 + 600
	for number := 1; number <= 5; number++ {
		if looks := watch(t, store, raw, version("seen", number, 3000), rows); looks > 0 {
			return
		}
	}
	t.Error("every publication was over before the first look")
}

// watch publishes a version and looks at the store and its tables meanwhile. It
// counts the looks that came before the version.
func watch(t *testing.T, store inventory.Store, raw *sql.DB, v inventory.Version, rows int) (looks int) {
	t.Helper()
	before := count(t, raw)
	published := make(chan error, 1)
	go func() { published <- store.Publish(t.Context(), v, Publication(v)) }()
	for done := false; !done; {
		select {
		case err := <-published:
			if err != nil {
				t.Fatal(err)
			}
			done = true
		default:
		}
		if n := count(t, raw) - before; n != 0 && n != rows {
			t.Fatalf("%d rows are seen", n)
		}
		switch got, err := store.Version(t.Context(), inventory.Ref{Slug: v.Slug, Number: v.Number}); {
		case err == nil:
			if diff := cmp.Diff(v, got); diff != "" {
				t.Fatal(diff)
			}
		case errors.Is(err, inventory.ErrNotFound) && !done:
			looks++
		default:
			t.Fatal(err)
		}
	}
	return looks
}

func testImmutable(t *testing.T, db Database) {
	store, dsn := fresh(t, db)
	want := version("fixed", 1, 20)
	publish(t, store, want)
	raw := db.SQL(t, dsn)

	const hash = `'0000000000000000000000000000000000000000000000000000000000000000'`
	const insertVersion = `INSERT INTO inventory_version (slug, number, name, region, currency, invented, hash, note, created_at) VALUES `
	const insertItem = `INSERT INTO inventory_item (slug, number, code, category, name, unit) VALUES ('fixed', 1, `
	const insertPart = `INSERT INTO inventory_part (slug, number, code, position, item, amount) VALUES ('fixed', 1, 'item-00009', `
	statements := []string{
		`UPDATE inventory_version SET note = 'changed'`,
		`UPDATE inventory_version SET number = 2`,
		`UPDATE inventory_version SET slug = 'moved'`,
		`UPDATE inventory_item SET name = 'changed'`,
		`UPDATE inventory_item SET price = 1 WHERE code = 'item-00001'`,
		`UPDATE inventory_part SET amount = '7'`,
		`DELETE FROM inventory_part`,
		`DELETE FROM inventory_item WHERE code = 'item-00002'`,
		`DELETE FROM inventory_version`,
		insertItem + `'late', 'water', 'Late', 'kg')`,
		insertItem + `'item-00001', 'water', 'Again', 'kg')`,
		insertItem + `'item-00001', 'water', 'Again', 'kg') ON CONFLICT (slug, number, code) DO UPDATE SET name = 'Again'`,
		insertPart + `3, 'item-00002', '1')`,
		insertPart + `1, 'item-00002', '1') ON CONFLICT (slug, number, code, position) DO UPDATE SET amount = '8'`,
		insertVersion + `('fixed', 1, 'Again', 'XA', 'EUR', true, ` + hash + `, '', '2026-02-01T08:00:00.000000Z')`,
		insertVersion + `('fixed', 1, 'Again', 'XA', 'EUR', true, ` + hash + `, '', '2026-02-01T08:00:00.000000Z') ON CONFLICT (slug, number) DO UPDATE SET note = 'Again'`,
		insertVersion + `('fixed', 3, 'Gap', 'XA', 'EUR', true, ` + hash + `, '', '2026-02-01T08:00:00.000000Z')`,
		insertVersion + `('new', 2, 'Gap', 'XA', 'EUR', true, ` + hash + `, '', '2026-02-01T08:00:00.000000Z')`,
		insertVersion + `('new', 0, 'Zero', 'XA', 'EUR', true, ` + hash + `, '', '2026-02-01T08:00:00.000000Z')`,
		insertVersion + `('new', 1, 'Hash', 'XA', 'EUR', true, 'none', '', '2026-02-01T08:00:00.000000Z')`,
	}
	for _, statement := range append(statements, db.Forbidden...) {
		if _, err := raw.ExecContext(t.Context(), statement); err == nil {
			t.Errorf("not refused: %s", statement)
		}
	}
	// Items of a version that never comes are refused at the end of their
	// transaction.
	if err := inTransaction(t, raw, `INSERT INTO inventory_item (slug, number, code, category, name, unit) VALUES ('fixed', 2, 'early', 'water', 'Early', 'kg')`); err == nil {
		t.Error("an item without a version was committed")
	}
	if diff := cmp.Diff(want, read(t, store, "fixed", 1)); diff != "" {
		t.Errorf("the version was changed: %s", diff)
	}
	if n := count(t, raw); n != 1+20+4 {
		t.Errorf("%d rows, want 25", n)
	}
}

func inTransaction(t *testing.T, raw *sql.DB, statements ...string) error {
	t.Helper()
	tx, err := raw.BeginTx(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, statement := range statements {
		if _, err := tx.ExecContext(t.Context(), statement); err != nil {
			_ = tx.Rollback() // the first error is the one that tells
			return err
		}
	}
	return tx.Commit()
}

// testNumbers writes to every column of a number, past all code of ours.
func testNumbers(t *testing.T, db Database) {
	_, dsn := fresh(t, db)
	raw := db.SQL(t, dsn)
	insert := func(column, literal string) string {
		if column == "amount" {
			return `INSERT INTO inventory_part (slug, number, code, position, item, amount) VALUES ('n', 1, 'a', 1, 'a', ` + literal + `)`
		}
		return `INSERT INTO inventory_item (slug, number, code, category, name, unit, ` + column + `) VALUES ('n', 1, 'a', 'water', 'n', 'kg', ` + literal + `)`
	}
	// accepted tells whether the statement passes; its transaction is undone.
	accepted := func(statement string) bool {
		tx, err := raw.BeginTx(t.Context(), nil)
		if err != nil {
			t.Fatal(err)
		}
		_, failure := tx.ExecContext(t.Context(), statement)
		if err := tx.Rollback(); err != nil {
			t.Fatal(err)
		}
		return failure == nil
	}
	columns := []string{"amount"}
	for _, c := range inventory.Columns() {
		if c.Kind == inventory.DecimalColumn {
			columns = append(columns, c.Name)
		}
	}
	if len(columns) != 23 {
		t.Errorf("%d columns of numbers, want 23", len(columns))
	}
	for _, column := range columns {
		for _, literal := range []string{`'NaN'`, `'Infinity'`, `'-Infinity'`, `'1000000000000000'`, `'-1000000000000000'`, `'1e300'`, `1e300`,
			`'-0.000000000001'`, `-1`, `'x'`, `''`, `'1.2.3'`, `'0x1p-2'`, `'1,5'`, `'.'`} {
			if (column == "gwp_d" || column == "gwp_biogenic") && (literal == `-1` || literal == `'-0.000000000001'`) {
				continue // the two that may be negative
			}
			if accepted(insert(column, literal)) {
				t.Errorf("%s accepts %s", column, literal)
			}
		}
		good := []string{`'1'`, `'0.000000000001'`, `'100'`}
		switch column {
		case "solids_percent":
			if accepted(insert(column, `'100.000000000001'`)) || accepted(insert(column, `'1000'`)) {
				t.Error("solids of more than 100 % are accepted")
			}
		case "amount", "density_kg_per_m3", "unit_mass_kg", "batch_volume_m3", "price_min_quantity", "price_exchange_rate", "price_index_from", "price_index_to":
			if accepted(insert(column, `'0'`)) {
				t.Errorf("%s accepts 0", column)
			}
		case "gwp_d", "gwp_biogenic":
			good = append(good, `'-12.5'`, `'-999999999999999.999999999999'`)
		default:
			good = append(good, `'0'`, `'999999999999999.999999999999'`)
		}
		for _, literal := range good {
			if !accepted(insert(column, literal)) {
				t.Errorf("%s refuses %s", column, literal)
			}
		}
	}
}

func testKilled(t *testing.T, db Database) {
	dsn := db.New(t)
	rounds := 10
	if testing.Short() {
		rounds = 3
	}
	newest, limit := 0, 120*time.Millisecond
	for range rounds {
		if newest == 0 {
			limit *= 2 // a slow machine
		}
		after := rand.N(limit)
		acknowledged := max(killDuringPublish(t, dsn, after), newest)

		store := open(t, db, dsn)
		versions, err := store.Versions(t.Context(), killSlug)
		if err != nil && !errors.Is(err, inventory.ErrNotFound) {
			t.Fatal(err)
		}
		newest = len(versions)
		if newest < acknowledged || newest > acknowledged+1 {
			t.Fatalf("killed after %v: %d versions are there, and %d were reported as published", after, newest, acknowledged)
		}
		for _, v := range versions {
			got := read(t, store, killSlug, v.Number)
			if hash := hashed(got).Hash; hash != got.Hash {
				t.Errorf("killed after %v: number %d has the hash %s, and was published with %s", after, v.Number, hash, got.Hash)
			}
			if diff := cmp.Diff(version(killSlug, v.Number, 300), got); diff != "" {
				t.Errorf("killed after %v: %s", after, diff)
			}
		}
		// A server may still be about to commit what it was sent, but never a part.
		const rows = 1 + 300 + 60
		n := count(t, db.SQL(t, dsn))
		if n%rows != 0 || n/rows < newest || n/rows > acknowledged+1 {
			t.Errorf("killed after %v: %d rows of %d versions", after, n, newest)
		}
		newest = n / rows
		// The journal has each version, and no other.
		var published, noted int
		if err := db.SQL(t, dsn).QueryRowContext(t.Context(), `SELECT (SELECT count(*) FROM inventory_version), (SELECT count(*) FROM journal)`).Scan(&published, &noted); err != nil {
			t.Fatal(err)
		}
		if published != noted {
			t.Errorf("killed after %v: %d versions, and the journal has %d", after, published, noted)
		}
		journal(t, store)
	}
	if newest == 0 {
		t.Error("no version was ever published")
	}
}

// schema lists what the migrations have made.
func schema(t *testing.T, db Database, raw *sql.DB) (list []string) {
	t.Helper()
	rows, err := raw.QueryContext(t.Context(), db.Schema)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := errors.Join(rows.Err(), rows.Close()); err != nil {
			t.Fatal(err)
		}
	}()
	for rows.Next() {
		var line string
		if err := rows.Scan(&line); err != nil {
			t.Fatal(err)
		}
		list = append(list, line)
	}
	return list
}

func testMigrations(t *testing.T, db Database) {
	dsn := db.New(t)
	raw := db.SQL(t, dsn)
	raw.SetMaxOpenConns(1)
	if err := db.Up(t.Context(), raw); err != nil {
		t.Fatal(err)
	}
	raw.SetMaxOpenConns(4)
	first := schema(t, db, raw)
	for _, name := range []string{"inventory_version", "inventory_item", "inventory_part"} {
		if !slices.ContainsFunc(first, func(s string) bool { return strings.Contains(s, name) }) {
			t.Errorf("there is no %s in %v", name, first)
		}
	}
	publish(t, open(t, db, dsn), version("a", 1, 1))

	raw.SetMaxOpenConns(1)
	if err := db.Down(t.Context(), raw); err != nil {
		t.Fatal(err)
	}
	if empty := schema(t, db, raw); empty != nil {
		t.Errorf("after going down there is still %v", empty)
	}
	if err := db.Up(t.Context(), raw); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(first, schema(t, db, raw)); diff != "" {
		t.Error(diff)
	}
	publish(t, open(t, db, dsn), version("a", 1, 1))
}

func testMigrateTogether(t *testing.T, db Database) {
	want := func() []string {
		_, dsn := fresh(t, db)
		return schema(t, db, db.SQL(t, dsn))
	}()
	check := func(dsn string, errs []error) {
		t.Helper()
		for _, err := range errs {
			if err != nil {
				t.Error(err)
			}
		}
		raw := db.SQL(t, dsn)
		if diff := cmp.Diff(want, schema(t, db, raw)); diff != "" {
			t.Error(diff)
		}
		var times int
		if err := raw.QueryRowContext(t.Context(), `SELECT count(*) FROM goose_db_version`).Scan(&times); err != nil {
			t.Fatal(err)
		}
		if times != 1+int(migrations.Latest()) {
			t.Errorf("%d migrations are noted, want %d", times, 1+migrations.Latest())
		}
	}

	dsn := db.New(t)
	errs := make([]error, 4)
	var group sync.WaitGroup
	for n := range errs {
		group.Go(func() {
			store, err := db.Open(t.Context(), dsn)
			if err == nil {
				err = store.Close()
			}
			errs[n] = err
		})
	}
	group.Wait()
	check(dsn, errs)

	dsn = db.New(t)
	for n := range errs {
		group.Go(func() {
			if out, err := child(t, taskOpen, dsn).CombinedOutput(); err != nil {
				errs[n] = fmt.Errorf("%w: %s", err, out)
			}
		})
	}
	group.Wait()
	check(dsn, errs)
}

// testMigrateKilled ends instances with kill -9 at various points of their migration;
// the next to start finishes it, and the schema is as ever.
func testMigrateKilled(t *testing.T, db Database) {
	_, whole := fresh(t, db)
	want := schema(t, db, db.SQL(t, whole))
	start := time.Now()
	if out, err := child(t, taskOpen, db.New(t)).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	usual := time.Since(start)
	const points = 4
	for n := range points {
		dsn := db.New(t)
		instance := child(t, taskOpen, dsn)
		if err := instance.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(usual * time.Duration(n+1) / points)
		_ = instance.Process.Kill() // it may have ended by itself
		_ = instance.Wait()
		store, err := db.Open(t.Context(), dsn)
		if err != nil {
			t.Fatalf("killed at %d of %d: %v", n+1, points, err)
		}
		if err := store.Close(); err != nil {
			t.Error(err)
		}
		if diff := cmp.Diff(want, schema(t, db, db.SQL(t, dsn))); diff != "" {
			t.Errorf("killed at %d of %d: %s", n+1, points, diff)
		}
	}
}

func testNewerSchema(t *testing.T, db Database) {
	store, dsn := fresh(t, db)
	raw := db.SQL(t, dsn)
	latest := migrations.Latest()
	if _, err := raw.ExecContext(t.Context(), fmt.Sprintf(`INSERT INTO goose_db_version (version_id, is_applied) VALUES (%d, true)`, latest+1)); err != nil {
		t.Fatal(err)
	}
	want := migrations.NewerSchemaError{Database: latest + 1, Program: latest}
	var newer *migrations.NewerSchemaError
	if err := store.Ping(t.Context()); !errors.As(err, &newer) || *newer != want {
		t.Errorf("ping: got %v, want %v", err, &want)
	}
	newer = nil
	second, err := db.Open(t.Context(), dsn)
	if !errors.As(err, &newer) || *newer != want {
		t.Errorf("open: got %v, want %v", err, &want)
	}
	if err == nil {
		_ = second.Close() // it should not be there
	}
}
