package inventory_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/inventory"
)

// The canonical text of the first vector, written out by hand after RFC 8785:
// members in order of their names, no space, decimals as strings.
const handWritten = `{"items":[` +
	`{"category":"cement","code":"a","factor_source":{"kind":"invented","title":"t","year":2025},"factors":{"A1-A3":"0.842"},"name":"é\"","unit":"kg"},` +
	`{"category":"water","code":"b","name":"W","price":{"amount":"2.5","basis":"ex-works","currency":"EUR","date":"2026-01-31","source":{"kind":"quotation","title":"q"},"tax":"excluded"},"unit":"m3"}` +
	`],"meta":{"currency":"EUR","invented":true,"name":"N","region":"XA"}}`

func TestHashOfAHandWrittenText(t *testing.T) {
	items := []inventory.Item{
		{Code: "b", Category: inventory.Water, Name: "W", Unit: "m3", Price: &inventory.Price{Amount: dec("2.50"), Currency: "EUR",
			Date: "2026-01-31", Basis: "ex-works", Tax: "excluded", Source: inventory.Source{Kind: "quotation", Title: "q"}}},
		{Code: "a", Category: inventory.Cement, Name: `é"`, Unit: "kg", Factors: factors("A1-A3", "0.8420"),
			FactorSource: &inventory.Source{Kind: "invented", Title: "t", Year: 2025}},
	}
	sum := sha256.Sum256([]byte(handWritten))
	got := mustHash(t, inventory.Meta{Name: "N", Region: "XA", Currency: "EUR", Invented: true}, items)
	if want := hex.EncodeToString(sum[:]); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if items[0].Code != "b" {
		t.Error("the order of the caller's items was changed")
	}
}

// The hash of the sample inventory is frozen: another value means that every
// published version would no longer answer to its hash. TestHashInPython
// computes the same one with the Python standard library.
const sampleHash = "cb8859582f6456b96ebf59c2d812f1a56d73bc5b7b8c3d0db06b32571cd9ff3f"

func TestHashIsFrozen(t *testing.T) {
	if got := mustHash(t, meta, sample()); got != sampleHash {
		t.Errorf("got %s, want %s", got, sampleHash)
	}
}

func TestHashInPython(t *testing.T) {
	python, err := exec.LookPath("python3")
	if err != nil {
		t.Skip("python3 is not installed, so the second implementation cannot run; the frozen vector still holds")
	}
	ask := func(t interface{ Fatal(...any) }, items []inventory.Item) string {
		document, err := json.Marshal(map[string]any{"meta": meta, "items": items})
		if err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command(python, "testdata/hash.py")
		cmd.Stdin = bytes.NewReader(document)
		out, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		return strings.TrimSpace(string(out))
	}
	if got := ask(t, sample()); got != sampleHash {
		t.Errorf("Python says %s, want %s", got, sampleHash)
	}
	odd := []inventory.Item{{Code: "z", Name: "€ 😀 \\ / \u007f \u2028 \u0001\n\"", Note: "𝒵"}, {Code: "a.b"}, {Code: "a-b"}, {Code: "a0"}}
	if got, want := ask(t, odd), mustHash(t, meta, odd); got != want {
		t.Errorf("Python says %s of unusual characters, Hash says %s", got, want)
	}
}

// Hash writes the canonical text member by member and piece by piece; the whole
// document, as the JSON library writes and canonicalises it, must give the same.
func TestHashIsThatOfTheWholeDocument(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) { hashIsOfTheDocument(t, drawItems(t)) })
}

// Drafts are hashed too, and may say anything that has the form of an item.
func TestHashOfItemsThatAreNotValid(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) { hashIsOfTheDocument(t, drawAny(t)) })
}

// Several cores write a long list, each its part of it.
func TestHashOfManyItems(t *testing.T) {
	items := many(4321)
	for _, n := range []int{0, 1, 499, 500, 501, 1000, 1001, 1499, 4321} {
		hashIsOfTheDocument(t, items[:n])
	}
	items[3000].Note = "\xff"
	if hash, err := inventory.Hash(meta, items); err == nil || !strings.Contains(err.Error(), items[3000].Code) {
		t.Errorf("got %s, %v", hash, err)
	}
}

func hashIsOfTheDocument(t interface {
	Helper()
	Fatal(...any)
	Errorf(string, ...any)
}, items []inventory.Item) {
	t.Helper()
	sorted := slices.SortedFunc(slices.Values(items), func(a, b inventory.Item) int { return strings.Compare(a.Code, b.Code) })
	if sorted == nil {
		sorted = []inventory.Item{}
	}
	text, err := json.Marshal(map[string]any{"meta": meta, "items": sorted})
	if err != nil {
		t.Fatal(err)
	}
	document := jsontext.Value(text)
	if err := document.Canonicalize(); err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(document)
	got, err := inventory.Hash(meta, items)
	if err != nil {
		t.Fatal(err)
	}
	if want := hex.EncodeToString(sum[:]); got != want {
		t.Errorf("got %s, want %s, which is that of %s", got, want, document)
	}
}

// drawAny draws items of any content: each column may hold what its form allows, and
// texts any character.
func drawAny(t *rapid.T) (items []inventory.Item) {
	codes := rapid.SliceOfNDistinct(rapid.String(), 1, 5, rapid.ID[string]).Draw(t, "codes")
	number := rapid.Custom(func(t *rapid.T) string {
		sign := rapid.SampledFrom([]string{"", "-"}).Draw(t, "sign")
		return sign + drawDecimal(t, "number").String()
	})
	cells := map[inventory.ColumnKind]*rapid.Generator[string]{
		inventory.TextColumn: rapid.String(), inventory.DecimalColumn: number, inventory.YearColumn: rapid.StringMatching(`[1-9][0-9]{3}`),
		inventory.RecipeColumn: rapid.StringMatching(`[a-z"\\é]{0,4}=[1-9]\.[0-9]{1,12}(; x=-[1-9])?`),
	}
	forms := map[string]*rapid.Generator[string]{
		"spread":       rapid.StringMatching(`(lognormal [1-9]\.[0-9]|(uniform|triangular) 0\.[0-9] [1-9])`),
		"pedigree":     rapid.StringMatching(`[1-5]( [1-5]){4}`),
		"alternatives": rapid.StringMatching(`[a-z"\\é]{0,4}=-?[1-9](; mass=0)?`),
	}
	for _, code := range codes {
		item := inventory.Item{Code: code}
		for _, c := range inventory.Columns()[1:] {
			if !rapid.Bool().Draw(t, c.Name+" there") {
				continue
			}
			cell := cells[c.Kind]
			if c.Kind == inventory.FormColumn {
				cell = forms[c.Name[strings.LastIndexByte(c.Name, '_')+1:]]
			}
			if err := c.Set(&item, cell.Draw(t, c.Name)); err != nil {
				t.Fatal(c.Name, err)
			}
		}
		if rapid.Bool().Draw(t, "odd keys of factors") {
			if item.Factors == nil {
				item.Factors = map[string]decimal.Decimal{}
			}
			for _, key := range rapid.SliceOfN(rapid.String(), 1, 3).Draw(t, "keys") {
				item.Factors[key] = drawDecimal(t, "factor")
			}
		}
		items = append(items, item)
	}
	return items
}

func TestHashSeesEveryMember(t *testing.T) {
	seen := map[string]string{sampleHash: "nothing"}
	check := func(name string, m inventory.Meta, items []inventory.Item) {
		t.Helper()
		hash := mustHash(t, m, items)
		if other, ok := seen[hash]; ok {
			t.Errorf("changing %s gives the same hash as changing %s", name, other)
		}
		seen[hash] = name
	}
	for _, c := range inventory.Columns() {
		items := sample()
		cell := map[inventory.ColumnKind]string{inventory.TextColumn: "changed", inventory.DecimalColumn: "77", inventory.YearColumn: "1999", inventory.RecipeColumn: "a=1"}[c.Kind]
		if c.Kind == inventory.FormColumn {
			cell = map[string]string{"price_spread": "lognormal 1.2", "factor_spread": "uniform 0.9 1.1", "factor_pedigree": "1 2 3 4 5", "allocation_alternatives": "mass=1.2"}[c.Name]
		}
		if err := c.Set(&items[0], cell); err != nil {
			t.Fatal(err)
		}
		check(c.Name, meta, items)
	}
	for name, change := range map[string]func(*inventory.Meta){
		"the name": func(m *inventory.Meta) { m.Name = "x" }, "the region": func(m *inventory.Meta) { m.Region = "XB" },
		"the currency": func(m *inventory.Meta) { m.Currency = "USD" }, "invented": func(m *inventory.Meta) { m.Invented = false },
		"what it extends": func(m *inventory.Meta) { m.Extends = "base@1" },
	} {
		m := meta
		change(&m)
		check(name, m, sample())
	}
}

func TestHashRefusesInvalidUTF8(t *testing.T) {
	if hash, err := inventory.Hash(meta, []inventory.Item{{Code: "a", Name: "\xff"}}); err == nil {
		t.Errorf("got %s", hash)
	}
}
