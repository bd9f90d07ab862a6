package main

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/getkin/kin-openapi/openapi3"
)

// sight is something that a person may come to see: a page, by the operation of the
// contract that shows it, or what a page says to what was sent.
type sight struct {
	name      string
	operation string
	status    int
	show      func(v *visitor) (status int)
}

// allLooks are the tests of how pages are, whatever is done with them.
func allLooks(t *testing.T, browser context.Context, address string) {
	t.Run("barriers", func(t *testing.T) { noBarriers(t, browser, address) })
	t.Run("complaints are heard", func(t *testing.T) { complaintsAreHeard(t, browser, address) })
	t.Run("the demo is light and still", func(t *testing.T) { lightAndStill(t, browser, address) })
}

// sights are all pages of the service, and those that tell what is wrong. The places
// {study}, {draft} and {run} in an address are for what keep has made.
func sights(kept *strings.Replacer) []sight {
	at := func(path string) func(*visitor) int {
		return func(v *visitor) int { return v.open(kept.Replace(path)) }
	}
	// sent is what a page says to a form that is sent with a field of its own.
	sent := func(path string, what chromedp.JSPath, text string, press chromedp.JSPath) func(*visitor) int {
		return func(v *visitor) int {
			v.open(kept.Replace(path))
			v.fill(what, text)
			return v.press(press)
		}
	}
	const draft = "/inventories/demo/drafts/{draft}"
	return []sight{
		{"the first page", "home", 200, at("/")},
		{"an address of nothing", "", 404, at("/nowhere")},
		{"the terms", "termsPage", 200, at("/terms")},
		{"the form for a key", "signInPage", 200, at("/sign-in")},
		{"a key that is not taken", "signIn", 401, sent("/sign-in", field("Key"), "slk_0", button("Sign in", "Sign in"))},
		{"the reference of the API", "docs", 200, at("/docs")},
		{"what a problem means", "problemType", 200, at("/docs/problems/not-found")},

		{"where a comparison begins", "comparisonPage", 200, at("/comparison")},
		{"a comparison", "comparisonPage", 200, at("/comparison?of=demo")},
		{"a changed comparison", "comparisonPage", 200, at("/comparison?of=demo&rate=5+%25&price-fibre-pp-macro=0.50+EUR%2Fkg&units=us&basis=lane")},
		{"a change that cannot be", "comparisonPage", 422, at("/comparison?of=demo&rate=much")},
		{"an address that was cut off", "comparisonPage", 400, at("/comparison?request=AAAA")},
		{"how sure a comparison is", "comparisonCertaintyPage", 200, at("/comparison/certainty?of=demo")},
		{"what moves a comparison", "comparisonSensitivityPage", 200, at("/comparison/sensitivity?of=demo")},
		{"the lines of a comparison", "comparisonLinesPage", 200, at("/comparison/lines?of=demo")},
		{"the sources of a comparison", "comparisonSourcesPage", 200, at("/comparison/sources?of=demo")},
		{"the report of a comparison", "comparisonReportPage", 200, at("/comparison/report?of=demo")},
		{"where a new comparison begins", "editPage", 200, at("/comparison/edit")},
		{"a comparison that is drafted", "editPage", 200, at("/comparison/edit?inventory=demo@1")},
		{"the form of a comparison", "editPage", 200, at("/comparison/edit?of=demo")},
		{"faults of a comparison", "editComparison", 422, sent("/comparison/edit?of=demo", field("Analysis period"), "for ever", button("Compare", "Build a comparison"))},

		{"the form of a thickness", "thicknessPage", 200, at("/thickness")},
		{"the form of beam tests", "beamTestsPage", 200, at("/beam-tests")},

		{"the studies", "studiesPage", 200, at("/studies")},
		{"studies that are not there", "studiesPage", 200, at("/studies?text=nothing+like+it")},
		{"a study", "studyPage", 200, at("/studies/{study}")},
		{"how sure a study is", "studyCertaintyPage", 200, at("/studies/{study}/certainty")},
		{"what moves a study", "studySensitivityPage", 200, at("/studies/{study}/sensitivity")},
		{"the lines of a study", "studyLinesPage", 200, at("/studies/{study}/lines")},
		{"the sources of a study", "studySourcesPage", 200, at("/studies/{study}/sources")},
		{"the report of a study", "studyReportPage", 200, at("/studies/{study}/report")},
		{"the question before a study is deleted", "askDeleteStudy", 200, at("/studies/{study}/deletion")},
		{"a study on a newer version", "rerunStudyPage", 200, at("/studies/{study}/rerun?inventory=demo@2")},
		{"a study that is not there", "studyPage", 404, at("/studies/none")},

		{"the inventories", "inventoriesPage", 200, at("/inventories")},
		{"an inventory", "inventoryPage", 200, at("/inventories/demo")},
		{"an item", "itemPage", 200, at("/inventories/demo/items/fibre-pp-macro")},
		{"differences of versions", "differencesPage", 200, at("/inventories/demo/differences?from=1&to=2")},
		{"a draft", "draftPage", 200, at(draft)},
		{"the form of a new item", "newItemPage", 200, at(draft + "/new-item")},
		{"the form of an item", "draftItemPage", 200, at(draft + "/items/fibre-pp-macro")},
		{"faults of an item", "draftItemForm", 422, sent(draft+"/items/fibre-pp-macro", field("Price per declared unit"), "cheap", button("Save"))},
		{"the question before a draft is deleted", "deleteDraftPage", 200, at(draft + "/deletion")},
		{"the form of an upload", "uploadForm", 200, at("/upload")},

		{"the runs", "runsPage", 200, at("/runs")},
		{"a choice of runs", "newRunPage", 200, at("/runs/new?of=demo")},
		{"the form of a run", "newRunPage", 200, at("/runs/new?of=demo&operation=grid")},
		{"a run", "runPage", 200, at("/runs/{run}")},
	}
}

// keep makes by the API what the pages are to show: a study, a second version of the demo
// inventory, a draft and a run.
func keep(t testing.TB, address string) *strings.Replacer {
	t.Helper()
	k := &killed{t, address}
	draft := func(once string) string {
		_, header := k.must(http.StatusCreated, http.MethodPost, "/v1/inventories/demo/drafts", `{"from":"demo@1"}`, "Content-Type", "application/json", "Idempotency-Key", once)
		location := header.Get("Location")
		k.must(http.StatusOK, http.MethodPatch, location+"/items/fibre-pp-macro", `{"price":{"amount":"4.40"}}`, "Content-Type", "application/json", "If-Match", `"1"`)
		return location
	}
	k.must(http.StatusCreated, http.MethodPost, draft("first")+"/publication", `{"note":"Dearer fibre"}`, "Content-Type", "application/json", "If-Match", `"2"`, "Idempotency-Key", "publish")
	open := draft("second")
	_, run := k.must(http.StatusAccepted, http.MethodPost, "/v1/jobs", `{"operation":"comparison","request":`+string(demoFile("comparison.json"))+`}`, "Content-Type", "application/json", "Idempotency-Key", "run")
	return strings.NewReplacer("{study}", savedStudy(t, address, "Saved by the API", demoFile("comparison.json")),
		"{draft}", open[strings.LastIndex(open, "/")+1:], "{run}", strings.TrimPrefix(run.Get("Location"), "/v1/jobs/"))
}

// The list of sights has every page of the contract.
func TestEveryPageIsLookedAt(t *testing.T) {
	contract, err := openapi3.NewLoader().LoadFromFile("openapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var looked []string
	for _, s := range sights(strings.NewReplacer()) {
		looked = append(looked, s.operation)
	}
	pages := 0
	for path, item := range contract.Paths.Map() {
		if item.Get == nil || !slices.Contains(item.Get.Tags, "pages") {
			continue
		}
		if answer := item.Get.Responses.Status(http.StatusOK); answer == nil || answer.Value.Content["text/html"] == nil {
			continue
		}
		if pages++; !slices.Contains(looked, item.Get.OperationID) {
			t.Errorf("nobody looks at %s (%s)", path, item.Get.OperationID)
		}
	}
	if pages < 25 {
		t.Errorf("only %d pages were found in the contract", pages)
	}
}

// Every page is held against the success criteria of WCAG 2.2, level AA, as far as
// axe-core can see them: in light and dark, on a wide and on a narrow screen. At 320 CSS
// pixels (1.4.10) and at a zoom of 200 % (1.4.4) nothing stands beside the page, and
// nothing moves for a person who asked for that (2.3.3).
func noBarriers(t *testing.T, browser context.Context, address string) {
	v := visit(t, browser, address)
	criteria := fmt.Sprintf(`{type: "tag", values: ["%s", "best-practice"]}`, strings.Join(wcag, `", "`))
	const colours = `{type: "rule", values: ["color-contrast", "link-in-text-block"]}`
	for _, s := range sights(keep(t, address)) {
		t.Run(s.name, func(t *testing.T) {
			v.t = t
			v.wide(1280, 900, 1)
			v.prefers("prefers-color-scheme", "light", "prefers-reduced-motion", "reduce")
			if got := s.show(v); got != s.status {
				t.Fatalf("status %d, want %d", got, s.status)
			}
			for _, narrow := range []struct {
				how           string
				width, height int64
				zoom          float64
			}{{"at a zoom of 200 %", 640, 450, 2}, {"at 320 pixels", 320, 640, 1}} {
				v.wide(narrow.width, narrow.height, narrow.zoom)
				if beside := of[[]string](v, beside); len(beside) > 0 {
					t.Errorf("stands beside the page %s: %v", narrow.how, beside)
				}
			}
			v.wide(1280, 900, 1)
			if moving := of[[]string](v, moving); len(moving) > 0 {
				t.Errorf("moves although the person asked for no motion: %v", moving)
			}
			if s.operation == "docs" {
				// It says the same of hundreds of operations and schemas, which take
				// longer than all other pages together: the first few of each will do.
				of[int](v, `(() => { const more = document.querySelectorAll("article:nth-of-type(n+9), nav li li:nth-of-type(n+9)"); more.forEach(e => e.remove()); return more.length })()`)
			}
			look := func(how, rules string) {
				for _, found := range v.barriers(rules) {
					report := t.Logf
					if found.criterion() {
						report = t.Errorf
					}
					report("%s, %s: %s (%s):\n  %s", v.at(), how, found.Help, found.Rule, strings.Join(found.Targets, "\n  "))
				}
			}
			look("light", criteria)
			if s.operation != "docs" {
				v.walk(func(focus) bool { return false }) // past everything, and out of the page
			}
			v.keepPicture(s.name)
			v.prefers("prefers-color-scheme", "dark", "prefers-reduced-motion", "reduce")
			look("dark", colours)
			v.wide(320, 640, 1)
			if s.operation != "docs" {
				look("dark and narrow", criteria)
			}
			v.keepPicture(s.name + ", dark and narrow")
			for _, complaint := range v.heard() {
				t.Error(complaint)
			}
		})
	}
	v.t = t
}

const (
	// beside are the elements because of which a page scrolls sideways.
	beside = `document.scrollingElement.scrollWidth <= innerWidth ? [] :
		[...document.body.querySelectorAll("*")].filter(e => e.getBoundingClientRect().right > innerWidth && ![...e.children].some(c => c.getBoundingClientRect().right > innerWidth))
			.slice(0, 5).map(e => e.outerHTML.slice(0, 100)).concat(document.scrollingElement.scrollWidth + " pixels")`
	// moving are the elements that are moved or faded.
	moving = `[...document.querySelectorAll("*")].filter(e => { const s = getComputedStyle(e);
		return s.animationName !== "none" || s.transitionDuration.split(",").some(d => parseFloat(d) > 0.01) || s.scrollBehavior !== "auto" }).slice(0, 5).map(e => e.outerHTML.slice(0, 100))`
)

// A test hears of a page that breaks its own policy or asks another host for anything:
// the silence of the others says something.
func complaintsAreHeard(t *testing.T, browser context.Context, address string) {
	for what, script := range map[string]string{
		"an inline script":          `const s = document.createElement("script"); s.textContent = "document.title = 'run'"; document.body.append(s)`,
		"an inline style":           `document.body.insertAdjacentHTML("beforeend", "<p style='color: red'>red</p>")`,
		"a picture of another host": `const i = new Image(); i.src = "http://127.0.0.1:9/x.png"; document.body.append(i)`,
		"a script's failure":        `setTimeout(() => { throw new Error("fails") })`,
		"a file that is not there":  `fetch("/assets/none.css").then(() => 0)`,
	} {
		v := opened(t, browser, address)
		if v.open("/"); len(v.heard()) > 0 {
			t.Fatal("the first page is not silent")
		}
		of[bool](v, `(async () => { `+script+`; await new Promise(r => setTimeout(r, 300)); return true })()`)
		heard := v.heard()
		if len(heard) == 0 {
			t.Errorf("%s was not heard of", what)
		}
		t.Logf("%s: %v", what, heard)
	}
}

// The comparison of the demo comes in under 200 kB, with all that it loads, and nothing
// of it moves while it is shown.
func lightAndStill(t *testing.T, browser context.Context, address string) {
	v := visit(t, browser, address)
	v.open("/comparison?of=demo")
	received := v.receivedBytes()
	t.Logf("%d bytes came over the network", received)
	if received == 0 || received >= 200_000 {
		t.Error("which is not between none and 200,000")
	}
	shift := of[float64](v, `new Promise(done => {
		let sum = 0;
		new PerformanceObserver(list => list.getEntries().forEach(e => sum += e.value)).observe({type: "layout-shift", buffered: true});
		setTimeout(() => done(sum), 500);
	})`)
	if shift != 0 {
		t.Errorf("the layout shifts by %g", shift)
	}
	timing := of[map[string]float64](v, `(() => { const n = performance.getEntriesByType("navigation")[0]; return {first_byte: n.responseStart - n.requestStart, loaded: n.loadEventEnd - n.startTime} })()`)
	t.Logf("milliseconds: %v", timing)
}

// savedStudy saves a comparison by the API, and gives the id of its study.
func savedStudy(t testing.TB, address, name string, request []byte) string {
	t.Helper()
	k := &killed{t, address}
	_, header := k.must(http.StatusCreated, http.MethodPost, "/v1/studies", fmt.Sprintf(`{"name":%q,"request":%s}`, name, request), "Content-Type", "application/json", "Idempotency-Key", url.QueryEscape(name))
	return strings.TrimPrefix(header.Get("Location"), "/v1/studies/")
}
