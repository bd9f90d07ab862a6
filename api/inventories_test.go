package api_test

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/google/go-cmp/cmp"

	"slabledger/api"
)

// walk follows the links of a list from its first page and gives the codes,
// slugs or numbers on the way.
func walk(t *testing.T, server fixture, operationID, path string) (found []string, pages int) {
	t.Helper()
	for path != "" {
		w := server.do(get(path))
		checkAnswer(t, operationID, w)
		var list struct {
			Inventories []struct{ Slug string }
			Versions    []struct{ Number int }
			Items       []struct{ Code string }
			Links       struct{ Next string }
		}
		if err := json.Unmarshal(w.Body.Bytes(), &list, json.MatchCaseInsensitiveNames(true)); err != nil || w.Code != http.StatusOK {
			t.Fatalf("%s: %d %v %.300s", path, w.Code, err, w.Body)
		}
		for _, i := range list.Inventories {
			found = append(found, i.Slug)
		}
		for _, v := range list.Versions {
			found = append(found, fmt.Sprint(v.Number))
		}
		for _, i := range list.Items {
			found = append(found, i.Code)
		}
		link := w.Header().Get("Link")
		if (list.Links.Next == "") != (link == "") || (link != "" && link != "<"+list.Links.Next+`>; rel="next"`) {
			t.Errorf("link %q in the body, %q in the head", list.Links.Next, link)
		}
		path = list.Links.Next
		if pages++; pages > 1000 {
			t.Fatal("the list does not end")
		}
	}
	return found, pages
}

func TestListsInPages(t *testing.T) { onEachStore(t, testListsInPages) }

func testListsInPages(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{})
	row := func(price int) string {
		return fmt.Sprintf("code,category,name,unit,price,price_currency,price_date,price_basis,price_tax,price_source_kind,price_source_title\n"+
			"x,cement,X,kg,%d,EUR,2026-01-01,delivered,excluded,invented,Invented\n", price)
	}
	for _, slug := range []string{"alpha", "beta", "zeta", "b.c", "b-c"} {
		server.publish(t, slug, row(1))
	}
	for price := range 7 {
		server.publish(t, "beta", row(price+2))
	}

	slugs, pages := walk(t, server, "listInventories", "/v1/inventories?limit=2")
	if diff := cmp.Diff([]string{"alpha", "b-c", "b.c", "beta", "demo", "zeta"}, slugs); diff != "" || pages != 3 {
		t.Errorf("%d pages, %s", pages, diff)
	}
	numbers, pages := walk(t, server, "listVersions", "/v1/inventories/beta/versions?limit=3")
	if diff := cmp.Diff([]string{"8", "7", "6", "5", "4", "3", "2", "1"}, numbers); diff != "" || pages != 3 {
		t.Errorf("%d pages, %s", pages, diff)
	}

	const items = "/v1/inventories/demo/versions/1/items"
	all, _ := walk(t, server, "listItems", items+"?limit=200")
	if len(all) < 35 || !slices.IsSorted(all) {
		t.Errorf("%d items: %v", len(all), all)
	}
	few, _ := walk(t, server, "listItems", items+"?limit=7")
	if diff := cmp.Diff(all, few); diff != "" {
		t.Errorf("whole (-) and in pages (+) differ:\n%s", diff)
	}
	sorted, _ := walk(t, server, "listItems", items+"?limit=5&sort=category")
	if slices.Equal(all, sorted) || !slices.Equal(all, slices.Sorted(slices.Values(sorted))) {
		t.Errorf("by category: %v", sorted)
	}
	cements, _ := walk(t, server, "listItems", items+"?limit=1&category=cement")
	if diff := cmp.Diff([]string{"cement-cem-i", "cement-cem-ii", "cement-cem-iii"}, cements); diff != "" {
		t.Error(diff)
	}
	fibres, _ := walk(t, server, "listItems", items+"?limit=2&q=FIBRE")
	if len(fibres) < 3 || slices.ContainsFunc(fibres, func(code string) bool { return !strings.Contains(code, "fibre") }) {
		t.Errorf("%v", fibres)
	}
	if none, _ := walk(t, server, "listItems", items+"?q=platinum"); len(none) > 0 {
		t.Errorf("%v", none)
	}
}

// A cursor is good for its own list only.
func TestCursorBelongsToItsList(t *testing.T) {
	server := newServer(t, api.Options{})
	const items = "/v1/inventories/demo/versions/1/items"
	_, cursor, _ := strings.Cut(server.do(get(items+"?limit=5&category=aggregate")).Header().Get("Link"), "cursor=")
	cursor, _, _ = strings.Cut(cursor, "&")
	if cursor == "" {
		t.Fatal("no cursor")
	}
	for path, want := range map[string]int{
		items + "?limit=5&category=aggregate&cursor=" + cursor:       200,
		items + "?limit=9&category=aggregate&cursor=" + cursor:       200, // another size is the same list
		items + "?limit=5&category=cement&cursor=" + cursor:          400,
		items + "?limit=5&cursor=" + cursor:                          400,
		items + "?category=aggregate&sort=category&cursor=" + cursor: 400,
		"/v1/inventories?cursor=" + cursor:                           400,
		items + "?category=aggregate&cursor=" + cursor[1:]:           400,
		items + "?category=aggregate&cursor=" + cursor + "A":         400,
	} {
		w := server.do(get(path))
		if w.Code != want {
			t.Errorf("%s: %d, want %d", path, w.Code, want)
		}
		if w.Code == 400 {
			if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); p.Type != "/docs/problems/cursor-invalid" {
				t.Errorf("%s: %s", path, p.Type)
			}
		}
	}
}

// An inventory, a version and an item say the same of a version.
func TestInventoryVersionItem(t *testing.T) {
	server := newServer(t, api.Options{})
	type version struct {
		Ref, Slug, Name, Region, Currency, Hash string
		Number                                  int
		Invented                                bool
	}
	fetch := func(operationID, path string, into any) {
		t.Helper()
		w := server.do(get(path))
		checkAnswer(t, operationID, w)
		if err := json.Unmarshal(w.Body.Bytes(), into, json.MatchCaseInsensitiveNames(true)); err != nil || w.Code != http.StatusOK {
			t.Fatalf("%s: %d %v", path, w.Code, err)
		}
	}
	var whole struct {
		Slug   string
		Newest version
	}
	var one version
	fetch("getInventory", "/v1/inventories/demo", &whole)
	fetch("getVersion", "/v1/inventories/demo/versions/1", &one)
	if diff := cmp.Diff(whole.Newest, one); diff != "" {
		t.Error(diff)
	}
	if one.Ref != "demo@1" || !one.Invented || one.Currency != "EUR" || len(one.Hash) != 64 {
		t.Errorf("%+v", one)
	}
	var item struct {
		Code    string
		Unit    string
		Density string `json:"density_kg_per_m3"`
		Price   struct{ Amount, Currency, Basis string }
		Factors map[string]string
	}
	fetch("getItem", "/v1/inventories/demo/versions/1/items/cement-cem-i", &item)
	if item.Code != "cement-cem-i" || item.Unit != "kg" || item.Density != "3150" || item.Price.Amount != "0.124" || item.Factors["A1-A3"] != "0.842" {
		t.Errorf("%+v", item)
	}
}
