package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"slabledger/inventory/storetest"
)

// patience is how long a browser may take for one step, on a machine that does other
// things at once.
const patience = 30 * time.Second

// lacking skips a test of the pages on a machine that lacks what a browser test needs,
// and fails where all must run.
func lacking(t testing.TB, what string) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf("the pages cannot be tested without %s", what)
	}
	t.Skipf("the pages cannot be tested without %s", what)
}

// browser starts a Chromium without a window. Each person who is to use it gets a tab of
// visitor; all of them end with the test.
func browser(t testing.TB) context.Context {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if found, err := exec.LookPath(name); err == nil {
			path = found
			break
		}
	}
	if path == "" {
		lacking(t, "Chromium (Debian: apt-get install chromium)")
	}
	options := slices.Concat(chromedp.DefaultExecAllocatorOptions[:], []chromedp.ExecAllocatorOption{
		chromedp.ExecPath(path), chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true),
		// A page that moves slowly to where the keyboard is would be looked at on its way.
		chromedp.Flag("disable-smooth-scrolling", true),
		chromedp.CombinedOutput(io.Discard),
	})
	if os.Geteuid() == 0 {
		options = append(options, chromedp.NoSandbox) // which does not work for root
	}
	ctx, stop := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(stop)
	ctx, stopped := chromedp.NewContext(ctx, chromedp.WithErrorf(t.Logf))
	t.Cleanup(stopped)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	return ctx
}

// The pages are used as people use them: a Chromium on this machine drives the program
// itself, on both stores. To run one of them: go test -run 'TestPagesInABrowser/sqlite' .
func TestPagesInABrowser(t *testing.T) {
	if testing.Short() || storetest.Raced() {
		t.Skip("the program in the browser tests is a process of its own, so the race detector would see nothing of it")
	}
	b, binary := browser(t), built(t)
	t.Run("sqlite", func(t *testing.T) {
		t.Parallel()
		allVisits(t, b, withDemo(t, binary, filepath.Join(t.TempDir(), "test.db"), ""))
	})
	t.Run("postgres", func(t *testing.T) {
		t.Parallel()
		allVisits(t, b, withDemo(t, binary, "", storetest.Postgres(t)))
	})
	t.Run("looks", func(t *testing.T) { // at pages, which are the same on both stores
		t.Parallel()
		allLooks(t, b, withDemo(t, binary, filepath.Join(t.TempDir(), "test.db"), ""))
	})
	t.Run("keys", func(t *testing.T) {
		t.Parallel()
		db := filepath.Join(t.TempDir(), "test.db")
		keys := map[string]string{}
		for _, role := range []string{"viewer", "analyst"} {
			keys[role] = regexp.MustCompile(`slk_\S+`).FindString(ran(t, db, "", "keys", "create", "--name", "the "+role, "--role", role))
		}
		signsIn(t, b, withDemo(t, binary, db, ""), keys)
	})
}

// ran runs a command of the program on a database, and gives what it prints.
func ran(t *testing.T, db, dsn string, args ...string) string {
	t.Helper()
	var out strings.Builder
	p := &program{out: &out, errs: &out, env: func(name string) string { return map[string]string{"DATABASE_URL": dsn}[name] }}
	if db != "" {
		args = append(args, "--db", db)
	}
	if err := p.run(t.Context(), args); err != nil {
		t.Fatalf("%v: %s", err, out.String())
	}
	return out.String()
}

// withDemo serves a database in which the demo region is published.
func withDemo(t *testing.T, binary, db, dsn string) (address string) {
	t.Helper()
	ran(t, db, dsn, "import", "testdata/demo/items.csv", "--inventory", "demo", "--name", "Sablon Coast", "--region", "XA-01", "--currency", "EUR", "--invented")
	address, process := started(t, binary, db, "DATABASE_URL="+dsn)
	t.Cleanup(func() {
		if err := process.Signal(os.Interrupt); err != nil {
			t.Error(err)
		}
		if _, err := process.Wait(); err != nil {
			t.Error(err)
		}
	})
	return address
}

// visitor is a person with one tab of a browser. What the browser complains of, and every
// request to another host, is an error of the test.
type visitor struct {
	t       testing.TB
	ctx     context.Context
	address string // of the service

	mu         sync.Mutex
	documents  map[string]bool // addresses of pages, whatever their status
	complaints []string
	received   float64 // bytes over the network, with heads
}

// visit opens a tab for a person who has not been here, with nothing kept.
func visit(t testing.TB, browser context.Context, address string) *visitor {
	t.Helper()
	v := opened(t, browser, address, chromedp.WithNewBrowserContext())
	t.Cleanup(func() {
		for _, complaint := range v.heard() {
			t.Error(complaint)
		}
	})
	return v
}

// secondTab is another tab of the same person.
func (v *visitor) secondTab() *visitor {
	v.t.Helper()
	second := opened(v.t, v.ctx, v.address)
	v.t.Cleanup(func() {
		for _, complaint := range second.heard() {
			v.t.Error(complaint)
		}
	})
	return second
}

func opened(t testing.TB, parent context.Context, address string, options ...chromedp.ContextOption) *visitor {
	t.Helper()
	ctx, shut := chromedp.NewContext(parent, options...)
	t.Cleanup(shut)
	v := &visitor{t: t, ctx: ctx, address: address, documents: map[string]bool{}}
	if err := chromedp.Listen(ctx, v.hear); err != nil {
		t.Fatal(err)
	}
	v.wide(1280, 900, 1)
	return v
}

// hear notes what happens in the tab.
func (v *visitor) hear(event any) {
	v.mu.Lock()
	defer v.mu.Unlock()
	complain := func(format string, args ...any) {
		v.complaints = append(v.complaints, fmt.Sprintf(format, args...))
	}
	switch e := event.(type) {
	case *network.EventRequestWillBeSent:
		if e.Type == network.ResourceTypeDocument {
			v.documents[e.Request.URL] = true
		}
		if u := e.Request.URL; !strings.HasPrefix(u, v.address+"/") && !strings.HasPrefix(u, "data:") && u != "about:blank" {
			complain("a request to another host: %s", u)
		}
	case *network.EventLoadingFinished:
		v.received += e.EncodedDataLength
	case *runtime.EventExceptionThrown:
		complain("a script failed: %s", exception(e.ExceptionDetails))
	case *runtime.EventConsoleAPICalled:
		complain("a script wrote to the console: %s", e.Type)
	case *log.EventEntryAdded:
		// The browser logs every page of an error as one that could not be loaded.
		serious := e.Entry.Level == log.EntryLevelError || e.Entry.Level == log.EntryLevelWarning
		if serious && (e.Entry.Source != log.EntrySourceNetwork || !v.documents[e.Entry.URL]) {
			complain("the browser complains of %s: %s", e.Entry.URL, e.Entry.Text)
		}
	}
}

func exception(e *runtime.ExceptionDetails) string {
	if e.Exception != nil {
		return e.Exception.Description
	}
	return e.Text
}

// heard gives what was complained of since it was last asked.
func (v *visitor) heard() []string {
	v.mu.Lock()
	defer v.mu.Unlock()
	complaints := v.complaints
	v.complaints = nil
	return complaints
}

// receivedBytes are those that came over the network since it was last asked.
func (v *visitor) receivedBytes() int {
	v.mu.Lock()
	defer v.mu.Unlock()
	received := v.received
	v.received = 0
	return int(received)
}

// do takes steps in the tab.
func (v *visitor) do(steps ...chromedp.Action[chromedp.Void]) {
	v.t.Helper()
	ctx, cancel := context.WithTimeout(v.ctx, patience)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		v.t.Fatalf("at %s: %v", v.at(), err)
	}
}

// call sends a command to the tab.
func call[P, R any](v *visitor, command cdp.Command[P, R], params P) R {
	v.t.Helper()
	ctx, cancel := context.WithTimeout(v.ctx, patience)
	defer cancel()
	result, err := chromedp.Call(ctx, command, params)
	if err != nil {
		v.t.Fatalf("%s at %s: %v", command.Method, v.at(), err)
	}
	return result
}

// of evaluates an expression in the page. This is how tests look at a page, with the
// page's own policy in force: the policy does not bind what comes by this way.
func of[T any](v *visitor, expression string) T {
	v.t.Helper()
	ctx, cancel := context.WithTimeout(v.ctx, patience)
	defer cancel()
	value, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		v.t.Fatalf("%.200s at %s: %v", expression, v.at(), err)
	}
	return value
}

// at is the address of the page that is shown, without the host.
func (v *visitor) at() string {
	ctx, cancel := context.WithTimeout(v.ctx, patience)
	defer cancel()
	location, err := chromedp.Run(ctx, chromedp.Location())
	if err != nil {
		return err.Error()
	}
	return strings.TrimPrefix(location, v.address)
}

// open goes to an address of the service and gives the status of its page.
func (v *visitor) open(path string) int {
	v.t.Helper()
	return v.leaves(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, page.Navigate, page.NavigateParams{URL: v.address + path})
		return err
	}))
}

// leaves takes a step that leads to another page, waits until that is shown, and gives
// its status.
func (v *visitor) leaves(step chromedp.Action[chromedp.Void]) int {
	v.t.Helper()
	ctx, cancel := context.WithTimeout(v.ctx, patience)
	defer cancel()
	response, err := chromedp.RunResponse(ctx, step)
	if err != nil {
		v.t.Fatalf("from %s: %v", v.at(), err)
	}
	if response == nil {
		return 0 // shown again from what the browser has kept
	}
	return int(response.Status)
}

// element is the script that finds an element by what a person sees: the words of a
// button, of a link or of the label of a field, within the group whose heading or legend
// has the words of within, where those are given.
func element(selector, words string, within ...string) chromedp.JSPath {
	group := ""
	if len(within) > 0 {
		group = within[0]
	}
	return chromedp.JSPath(fmt.Sprintf(`(() => {
	const plain = e => (e.getAttribute("aria-label") ?? e.textContent).replace(/\s+/g, " ").trim();
	const shown = e => e.checkVisibility();
	let root = document, group = %s, words = %s;
	if (group) {
		const heading = [...document.querySelectorAll("legend, h1, h2, h3, h4, summary, caption")].find(e => plain(e).startsWith(group));
		root = heading?.closest("fieldset, section, details, form, table, main") ?? null;
	}
	const found = [...root?.querySelectorAll(%s) ?? []];
	const match = found.find(e => shown(e) && plain(e) === words) ?? found.find(e => shown(e) && plain(e).startsWith(words)) ?? found.find(e => plain(e).startsWith(words));
	return match?.control ?? match ?? null;
})()`, strconv.Quote(group), strconv.Quote(words), strconv.Quote(selector)))
}

// button is the button or link of these words.
func button(words string, within ...string) chromedp.JSPath {
	return element("button, a, summary", words, within...)
}

// field is the field whose label has these words.
func field(words string, within ...string) chromedp.JSPath {
	return element("label, input[aria-label], select[aria-label], textarea[aria-label]", words, within...)
}

// press clicks, with the pointer, what leads to another page, and gives its status.
func (v *visitor) press(what chromedp.JSPath) int {
	v.t.Helper()
	return v.leaves(chromedp.Click(what, chromedp.NodeVisible))
}

// fill writes into a field with the keyboard, in place of what it held, or chooses an
// entry of a list.
func (v *visitor) fill(what chromedp.JSPath, text string) {
	v.t.Helper()
	v.do(chromedp.WaitVisible(what))
	if of[bool](v, string(what)+`.matches("select")`) {
		of[bool](v, fmt.Sprintf(`(e => {
			const o = [...e.options].find(o => o.value === %[2]s || o.textContent.trim() === %[2]s);
			if (!o) return false;
			e.value = o.value;
			e.dispatchEvent(new Event("input", {bubbles: true}));
			e.dispatchEvent(new Event("change", {bubbles: true}));
			return true;
		})(%[1]s)`, string(what), strconv.Quote(text)))
		return
	}
	of[bool](v, fmt.Sprintf(`(e => { e.focus(); e.select(); return true; })(%s)`, string(what)))
	v.do(chromedp.KeyEvent(text))
}

// sees fails where the page does not show a text.
func (v *visitor) sees(texts ...string) {
	v.t.Helper()
	shown := of[string](v, `document.body.innerText`)
	for _, text := range texts {
		if !strings.Contains(strings.Join(strings.Fields(shown), " "), text) {
			v.t.Errorf("%s does not show %q:\n%s", v.at(), text, shown)
		}
	}
}

// comes waits until an expression is true, for what the browser does in its own time.
func (v *visitor) comes(expression string) {
	v.t.Helper()
	ctx, cancel := context.WithTimeout(v.ctx, patience)
	defer cancel()
	for {
		// Between two pages there is none to ask.
		if is, err := chromedp.Run(ctx, chromedp.Evaluate[bool](expression)); err == nil && is {
			return
		} else if ctx.Err() != nil {
			v.t.Fatalf("%s never came at %s: %v", expression, v.at(), err)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// wide gives the tab a size in CSS pixels, of which zoom are drawn as one device pixel
// more: 640 at a zoom of 2 is what a window of 1280 shows at 200 %.
func (v *visitor) wide(width, height int64, zoom float64) {
	v.t.Helper()
	call(v, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: height, DeviceScaleFactor: zoom})
}

// prefers sets what the person asks of pages, such as prefers-color-scheme.
func (v *visitor) prefers(pairs ...string) {
	v.t.Helper()
	var features []*emulation.MediaFeature
	for i := 0; i < len(pairs); i += 2 {
		features = append(features, &emulation.MediaFeature{Name: pairs[i], Value: pairs[i+1]})
	}
	call(v, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: features})
}

// withoutScripts turns scripts off, as some people do.
func (v *visitor) withoutScripts() {
	v.t.Helper()
	call(v, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
}

// axe is where .ci/axe/fetch puts axe-core.
const axe = ".tools/axe/node_modules/axe-core/axe.min.js"

// barrier is what axe-core finds wrong with elements of a page.
type barrier struct {
	Rule    string   `json:"id"`
	Help    string   `json:"help"`
	Tags    []string `json:"tags"`
	Targets []string `json:"targets"`
}

// criterion tells whether a success criterion of WCAG 2.2 fails, at level A or AA; else
// it is good practice only.
func (b barrier) criterion() bool {
	return slices.ContainsFunc(b.Tags, func(tag string) bool { return slices.Contains(wcag, tag) })
}

var wcag = []string{"wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa"}

// barriers has axe-core look at the page as it is shown, for rules of the tags given.
// It runs in a world of its own, beside the page's script, where the page's policy does
// not hold; the policy stays in force for the page.
func (v *visitor) barriers(rules string) []barrier {
	v.t.Helper()
	script, err := os.ReadFile(axe)
	if errors.Is(err, os.ErrNotExist) {
		lacking(v.t, "axe-core (.ci/axe/fetch gets it, with npm)")
	} else if err != nil {
		v.t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(v.ctx, patience)
	defer cancel()
	frames := call(v, page.GetFrameTree, cdp.Empty{})
	world := call(v, page.CreateIsolatedWorld, page.CreateIsolatedWorldParams{FrameID: frames.FrameTree.Frame.ID, WorldName: "axe"})
	there := func(p *runtime.EvaluateParams) { p.ContextID = world.ExecutionContextID }
	if err := chromedp.Do(ctx, chromedp.Evaluate[chromedp.Void](string(script), there)); err != nil {
		v.t.Fatal(err)
	}
	found, err := chromedp.Run(ctx, chromedp.Evaluate[[]barrier](`axe.run(document, {runOnly: `+rules+`, resultTypes: ["violations"]}).then(r => r.violations.map(
		v => ({id: v.id, help: v.help, tags: v.tags, targets: v.nodes.map(n => n.target.join(" ") + ": " + (n.any[0] ?? n.all[0] ?? n.none[0])?.message)})))`, there, chromedp.EvalAwaitPromise))
	if err != nil {
		v.t.Fatalf("axe-core at %s: %v", v.at(), err)
	}
	return found
}

// keepPicture writes what the tab shows into the folder that TEST_PICTURES names, where
// it names one.
func (v *visitor) keepPicture(name string) {
	v.t.Helper()
	folder := os.Getenv("TEST_PICTURES")
	if folder == "" {
		return
	}
	of[bool](v, "document.activeElement.blur(), scrollTo(0, 0), true")
	shown := call(v, page.CaptureScreenshot, page.CaptureScreenshotParams{}).Data
	if err := os.MkdirAll(folder, 0o750); err != nil {
		v.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(folder, strings.ReplaceAll(strings.ReplaceAll(name, ",", ""), " ", "-")+".png"), shown, 0o600); err != nil {
		v.t.Fatal(err)
	}
}
