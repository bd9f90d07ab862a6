package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/google/go-cmp/cmp"
)

// visits are what people come for, step by step.
var visits = []struct {
	does string
	do   func(t *testing.T, browser context.Context, address string)
}{
	{"saves a changed demo and finds it again", savesTheDemo},
	{"does the same without scripts", withoutScripts},
	{"does the same with the keyboard alone", withTheKeyboard},
	{"changes a price and sees the ranking move", changesAPrice},
	{"prints the pictures that stand in folds", printsFolds},
	{"goes back and forth", goesBack},
	{"looks at 200 alternatives", looksAtMany},
	{"mends an upload", mendsAnUpload},
	{"edits a draft in two tabs", editsInTwoTabs},
}

func allVisits(t *testing.T, browser context.Context, address string) {
	for _, visit := range visits {
		t.Run(visit.does, func(t *testing.T) { visit.do(t, browser, address) })
	}
}

// figures are those that stand side by side, without what they were before.
func (v *visitor) figures() string {
	v.t.Helper()
	text := of[string](v, `(() => {
		const table = document.querySelector("#side-by-side ~ .wide table")?.cloneNode(true);
		table?.querySelectorAll("td .note").forEach(e => e.remove());
		return [...table?.rows ?? []].map(r => [...r.cells].map(c => c.textContent.replace(/\s+/g, " ").trim()).join(" | ")).join("\n");
	})()`)
	if !strings.ContainsAny(text, "0123456789") {
		v.t.Fatalf("%s shows no figures: %q", v.at(), text)
	}
	return text
}

// ok fails where a page is not what was asked for.
func (v *visitor) ok(status int) {
	v.t.Helper()
	if status != http.StatusOK {
		v.t.Fatalf("%s: status %d: %s", v.at(), status, of[string](v, "document.body.innerText"))
	}
}

func savesTheDemo(t *testing.T, browser context.Context, address string) {
	v := visit(t, browser, address)
	v.fromFirstPageToStudy("Demo at five per cent")
}

// A person who runs no scripts can do all that others can.
func withoutScripts(t *testing.T, browser context.Context, address string) {
	v := visit(t, browser, address)
	v.withoutScripts()
	v.fromFirstPageToStudy("Without scripts")
	if of[bool](v, `document.documentElement.classList.contains("scripted")`) {
		t.Error("a script ran")
	}
}

// fromFirstPageToStudy goes with the pointer from the first page to the demo, changes the
// discount rate, saves the comparison, finds it among the studies and loads it again.
func (v *visitor) fromFirstPageToStudy(name string) {
	v.t.Helper()
	v.ok(v.open("/"))
	v.ok(v.press(button("Open the demo comparison")))
	v.sees("invented data", "This is a comparison aid, not a design.")
	before := v.figures()
	v.fill(field("Real discount rate"), "5 %")
	v.ok(v.leaves(chromedp.KeyEvent(kb.Enter)))
	v.sees("How it moved")
	changed := v.figures()
	if changed == before {
		v.t.Errorf("another discount rate moves nothing:\n%s", before)
	}
	v.fill(field("Name"), name)
	v.ok(v.press(button("Save as a study")))
	v.ok(v.press(button("Studies")))
	v.ok(v.press(button(name)))
	if diff := cmp.Diff(changed, v.figures()); diff != "" {
		v.t.Errorf("saved with other figures:\n%s", diff)
	}
	v.ok(v.leaves(chromedp.Reload()))
	if diff := cmp.Diff(changed, v.figures()); diff != "" {
		v.t.Errorf("loaded again with other figures:\n%s", diff)
	}
}

// With keys every page asks for one, a key that is wrong is told so, and one brings a person
// to where they were going. Whoever may only read is offered nothing to store; an analyst
// can. Signing out ends it in every tab.
func signsIn(t *testing.T, browser context.Context, address string, keys map[string]string) {
	reader := visit(t, browser, address)
	reader.ok(reader.open("/comparison?of=demo"))
	if at := reader.at(); !strings.HasPrefix(at, "/sign-in") {
		t.Fatalf("without a key the comparison leads to %s", at)
	}
	reader.fill(field("Key"), "slk_wrong")
	if status := reader.press(button("Sign in", "Sign in")); status != http.StatusUnauthorized {
		t.Errorf("a wrong key: status %d", status)
	}
	if fault := of[string](reader, `document.getElementById(document.getElementById("key").getAttribute("aria-describedby")).innerText`); fault == "" {
		t.Error("nothing beside the field says that the key is wrong")
	}
	reader.fill(field("Key"), keys["viewer"])
	reader.ok(reader.press(button("Sign in", "Sign in")))
	if at := reader.at(); at != "/comparison?of=demo" {
		t.Errorf("signing in leads to %s", at)
	}
	reader.sees("Key key-", "Saving needs a key with the role analyst")
	if figures := reader.figures(); !strings.Contains(figures, "fibre, staged") {
		t.Errorf("a reader sees %s", figures)
	}
	if of[bool](reader, `[...document.querySelectorAll("button")].some(b => b.textContent.includes("Save as a study"))`) {
		t.Error("a reader is offered to save")
	}
	if kept := of[string](reader, "document.cookie"); kept != "" {
		t.Errorf("scripts can read %q", kept)
	}

	analyst := visit(t, browser, address)
	analyst.ok(analyst.open("/"))
	analyst.fill(field("Key"), keys["analyst"])
	analyst.ok(analyst.press(button("Sign in", "Sign in")))
	analyst.fromFirstPageToStudy("With a key")
	second := analyst.secondTab()
	second.ok(second.open("/studies"))
	second.sees("With a key")
	analyst.ok(analyst.press(button("Sign out")))
	second.ok(second.leaves(chromedp.Reload()))
	if at := second.at(); !strings.HasPrefix(at, "/sign-in") {
		t.Errorf("after signing out another tab is at %s", at)
	}
	reader.ok(reader.open("/studies")) // another browser, with a key of its own
	reader.sees("With a key")
}

// A picture that a fold hides on the screen is printed all the same.
func printsFolds(t *testing.T, browser context.Context, address string) {
	sized, err := os.ReadFile("testdata/scenarios/sized.json")
	if err != nil {
		t.Fatal(err)
	}
	v := visit(t, browser, address)
	v.ok(v.open("/studies/" + savedStudy(t, address, "Sized slabs", sized)))
	const shown = `[...document.querySelectorAll("details:not([open]) > div figure svg")].map(e => e.checkVisibility({contentVisibilityAuto: true}) && e.getBoundingClientRect().height > 100)`
	if seen := of[[]bool](v, shown); len(seen) == 0 || slices.Contains(seen, true) {
		t.Fatalf("on the screen folds show their pictures, or there are none: %v", seen)
	}
	call(v, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
	v.comes(shown + `.every(Boolean)`)
	call(v, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{})
}

// The fibre is what the cheapest slab saves: where it costs less, another is cheapest.
func changesAPrice(t *testing.T, browser context.Context, address string) {
	v := visit(t, browser, address)
	v.ok(v.open("/comparison?of=demo"))
	before := v.figures()
	v.fill(field("Item"), "fibre-pp-macro")
	v.fill(field("What if its price were"), "0.50")
	v.ok(v.leaves(chromedp.KeyEvent(kb.Tab))) // a change is applied where its field is left
	v.sees("How it moved", "0.50 EUR/kg", "moved")
	if v.figures() == before {
		t.Error("another price moves nothing")
	}
	moved := of[[]string](v, `[...document.querySelectorAll("table")].find(t => t.caption?.textContent.startsWith("Before and after")).querySelectorAll("tbody tr").values().map(r => r.cells[0].innerText + ": " + r.cells[2].innerText.replace(/\s+/g, " ")).toArray()`)
	t.Log(moved)
	if !slices.ContainsFunc(moved, func(row string) bool { return strings.HasSuffix(row, "moved") }) {
		t.Errorf("no rank moved: %v", moved)
	}
}

// A change stands in the address: going back takes it back, and forward brings it again.
func goesBack(t *testing.T, browser context.Context, address string) {
	v := visit(t, browser, address)
	v.ok(v.open("/comparison?of=demo"))
	before := v.figures()
	v.fill(field("Real discount rate"), "1 %")
	v.ok(v.leaves(chromedp.KeyEvent(kb.Enter)))
	changed, there := v.figures(), v.at()
	of[bool](v, "history.back(), true")
	v.comes(`location.search === "?of=demo"`)
	if v.at() != "/comparison?of=demo" || v.figures() != before {
		t.Errorf("back at %s:\n%s", v.at(), cmp.Diff(before, v.figures()))
	}
	of[bool](v, "history.forward(), true")
	v.comes(`location.search !== "?of=demo"`)
	if v.at() != there || v.figures() != changed {
		t.Errorf("forward at %s:\n%s", v.at(), cmp.Diff(changed, v.figures()))
	}
}

// looksAtMany opens a study of 200 alternatives. How long that takes is logged only.
func looksAtMany(t *testing.T, browser context.Context, address string) {
	v := visit(t, browser, address)
	study := savedStudy(t, address, "Two hundred", manyAlternatives(t, 200))
	begun := time.Now()
	v.ok(v.open("/studies/" + study))
	t.Logf("200 alternatives after %v, %d bytes over the network", time.Since(begun).Round(time.Millisecond), v.receivedBytes())
	if rows := strings.Count(v.figures(), "\n"); rows < 200 {
		t.Errorf("%d rows of 200 are shown", rows)
	}
	for _, width := range []int64{1280, 320} {
		v.wide(width, 900, 1)
		if beside := of[[]string](v, beside); len(beside) > 0 {
			t.Errorf("stands beside the page at %d pixels: %v", width, beside)
		}
	}
}

// manyAlternatives is the demo comparison with so many alternatives, each of its own
// thickness.
func manyAlternatives(t testing.TB, count int) []byte {
	t.Helper()
	var request map[string]any
	if err := json.Unmarshal(demoFile("comparison.json"), &request); err != nil {
		t.Fatal(err)
	}
	first := request["alternatives"].([]any)[0].(map[string]any)
	first["name"] = "slab 1"
	alternatives := []any{first}
	for n := 1; n < count; n++ {
		alternatives = append(alternatives, map[string]any{"name": fmt.Sprintf("slab %d", n+1), "like": "slab 1", "slab": map[string]any{"thickness": fmt.Sprintf("%d mm", 150+n)}})
	}
	request["alternatives"] = alternatives
	request["baseline"] = "slab 1"
	many, err := json.Marshal(request)
	if err != nil {
		t.Fatal(err)
	}
	return many
}

// A table with errors is refused row by row, and nothing of it is stored; mended, it is
// published.
func mendsAnUpload(t *testing.T, browser context.Context, address string) {
	const (
		head   = "code,category,name,unit,density_kg_per_m3,price,price_currency,price_date,price_basis,price_tax,price_source_kind,price_source_title\n"
		water  = "water,water,Mains water,kg,1000,0.002,EUR,2026-01-31,delivered,excluded,invented,Invented for this test\n"
		cement = "cement,cement,Cement of the region,kg,3100,0.14,EUR,2026-01-31,delivered,excluded,invented,Invented for this test\n"
	)
	file := filepath.Join(t.TempDir(), "items.csv")
	table := func(text string) []string {
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return []string{file}
	}
	v := visit(t, browser, address)
	v.ok(v.open("/upload"))
	v.fill(field("Inventory"), "mended")
	v.fill(field("Name"), "Mended region")
	v.fill(field("Region"), "XA")
	v.fill(field("Currency"), "EUR")
	v.fill(field("Change note"), "First prices")
	broken := strings.Replace(strings.Replace(cement, "0.14", "cheap", 1), "delivered", "somewhere", 1)
	v.do(chromedp.SetUploadFiles(chromedp.CSS("[type=file]"), table(head+water+broken)))
	if status := v.press(button("Publish")); status != http.StatusUnprocessableEntity {
		t.Errorf("status %d", status)
	}
	v.sees("2 to mend, nothing was stored", "cheap", "somewhere")
	k := &killed{t, address}
	k.must(http.StatusNotFound, http.MethodGet, "/v1/inventories/mended", "")
	if got := of[string](v, `document.querySelector("[name=note]").value`); got != "First prices" {
		t.Errorf("of the change note there is left %q", got)
	}
	v.do(chromedp.SetUploadFiles(chromedp.CSS("[type=file]"), table(head+water+cement)))
	v.press(button("Publish"))
	v.sees("Published mended@1")
	v.ok(v.press(button("See mended@1")))
	v.sees("Mended region", "Cement of the region", "0.14")
}

// Two tabs of one person change the same item of a draft. The second is told, keeps what
// was typed, and can save it on top of what the first has saved.
func editsInTwoTabs(t *testing.T, browser context.Context, address string) {
	v := visit(t, browser, address)
	v.ok(v.open("/inventories/demo"))
	v.ok(v.press(button("Change it: begin a draft")))
	draft := v.at()
	second := v.secondTab()
	for _, tab := range []*visitor{v, second} {
		tab.ok(tab.open(draft + "/items/fibre-pp-macro"))
	}
	v.fill(field("Price per declared unit"), "4.44")
	v.ok(v.press(button("Save")))
	second.fill(field("Price per declared unit"), "5.55")
	second.fill(field("Note"), "typed in the second tab")
	if status := second.press(button("Save")); status != http.StatusPreconditionFailed {
		t.Errorf("status %d", status)
	}
	second.sees("The draft has changed since you opened this form", "4.44")
	if got := of[[]string](second, `["price", "note"].map(n => document.querySelector("[name=" + n + "]").value)`); !slices.Equal(got, []string{"5.55", "typed in the second tab"}) {
		t.Errorf("of what was typed there is left: %q", got)
	}
	second.ok(second.press(button("Save")))
	v.ok(v.open(draft + "/items/fibre-pp-macro"))
	if got := of[string](v, `document.querySelector("[name=price]").value`); got != "5.55" {
		t.Errorf("the price is %s", got)
	}
}

// focus is where the keyboard is on a page.
type focus struct {
	Words   string // of the element
	Nowhere bool   // on the page as a whole
	Outline bool   // the element is told apart by an outline
	Seen    bool   // at least part of it is in the window, and nothing lies over it
}

// focused tells where the keyboard is.
func (v *visitor) focused() focus {
	v.t.Helper()
	return of[focus](v, `(() => {
		const e = document.activeElement, s = getComputedStyle(e), r = e.getBoundingClientRect();
		const middle = document.elementFromPoint(Math.min(Math.max(r.x + r.width / 2, 0), innerWidth - 1), Math.min(Math.max(r.y + Math.min(r.height / 2, 20), 0), innerHeight - 1));
		const words = e.getAttribute("aria-label") ?? (e.labels?.[0] ?? e).textContent;
		return {Words: words.replace(/\s+/g, " ").trim(), Nowhere: e === document.body || e === document.documentElement,
			// Of a date, the browser itself marks the part that the keyboard is at; an
			// outline of the style auto is its own ring.
			Outline: e.type === "date" || s.outlineStyle === "auto" || s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 2,
			Seen: r.bottom > 0 && r.right > 0 && r.top < innerHeight && r.left < innerWidth && (e.contains(middle) || !!middle?.contains(e))};
	})()`)
}

// tab presses the key Tab until the keyboard is at something with these words; on the way
// it is always to be seen where it is.
func (v *visitor) tab(words string) {
	v.t.Helper()
	if !v.walk(func(at focus) bool { return strings.HasPrefix(at.Words, words) }) {
		v.t.Fatalf("%s: the keyboard does not reach %q", v.at(), words)
	}
}

// walk presses the key Tab until the keyboard is where it should be, and tells whether it
// came there before it had been at everything.
func (v *visitor) walk(there func(focus) bool) bool {
	v.t.Helper()
	around := 0
	for range 1000 {
		v.do(chromedp.KeyEvent(kb.Tab))
		at := v.focused()
		if at.Nowhere {
			if around++; around > 1 {
				return false
			}
			continue
		}
		if !at.Outline || !at.Seen {
			v.t.Errorf("%s: the keyboard is at %q, which is not to be seen (outline %v, in view %v)", v.at(), at.Words, at.Outline, at.Seen)
		}
		if there(at) {
			return true
		}
	}
	v.t.Errorf("%s: the keyboard never comes to the end of the page", v.at())
	return false
}

// withTheKeyboard goes the same way as fromFirstPageToStudy.
func withTheKeyboard(t *testing.T, browser context.Context, address string) {
	v := visit(t, browser, address)
	enter := func() {
		t.Helper()
		v.ok(v.leaves(chromedp.KeyEvent(kb.Enter)))
	}
	v.ok(v.open("/"))
	v.tab("Skip to the content")
	v.do(chromedp.KeyEvent(kb.Enter))
	if at := of[string](v, "document.activeElement.id"); at != "main" {
		t.Errorf("the link past the head of the page leads to %q", at)
	}
	v.tab("Open the demo comparison")
	enter()
	v.tab("Real discount rate")
	v.do(chromedp.KeyEvent("a", chromedp.KeyModifiers(chromedp.ModifierCtrl)), chromedp.KeyEvent("5 %"))
	v.ok(v.leaves(chromedp.KeyEvent(kb.Tab))) // which applies the change
	if at := v.focused(); !strings.HasPrefix(at.Words, "Real discount rate") {
		t.Errorf("after a change the keyboard is at %q", at.Words)
	}
	changed := v.figures()
	v.tab("Name")
	v.do(chromedp.KeyEvent("With the keyboard"))
	v.tab("Save as a study")
	enter()
	v.sees("With the keyboard")
	if diff := cmp.Diff(changed, v.figures()); diff != "" {
		t.Errorf("saved with other figures:\n%s", diff)
	}
}
