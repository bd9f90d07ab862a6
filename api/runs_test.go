package api_test

import (
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"slabledger/api"
	"slabledger/service"
)

// started sends the form of an operation as the page fills it in for the demo, and gives
// the page of the run.
func (f fixture) started(t testing.TB, operation string, typed ...string) string {
	t.Helper()
	return leads(t, f.do(formOn(t, f.open(t, "/runs/new?of=demo&operation="+operation), "/runs", typed...)), "/runs/")
}

// For each operation the form holds an example for the comparison that works, and the
// page of the run shows what came of it.
func TestRunsOfEveryOperation(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	work(t, server, service.StandardJobLimits())
	choice := server.open(t, "/runs/new?of=demo")
	for operation, want := range map[string][]string{
		"comparison": {"fibre, staged", "49.18", "91.8"}, "grid": {"<th scope=\"row\">fibre</th>", "Pareto front"}, "search": {"has the least total carbon", "The best"},
		"sensitivity": {"What moves the difference", "Swing"}, "break-even": {"Where they change places", "mm"}, "uncertainty": {"What 10,000 samples say", "95 in 100"},
		"methods": {"How often each is first", "A1-A3"}, "conclusions": {"Which: ", "How sure: ", "What changes it: "},
	} {
		t.Run(operation, func(t *testing.T) {
			if !strings.Contains(choice, `href="/runs/new?of=demo&amp;operation=`+operation+`"`) {
				t.Error("it is not offered")
			}
			run := server.started(t, operation)
			if j := endOf(t, server, strings.Replace(run, "/runs/", "/v1/jobs/", 1)); j.State != "done" {
				t.Fatalf("%+v", j)
			}
			page := server.open(t, run)
			asks(t, page, operation)
			asks(t, server.open(t, "/runs/new?of=demo&operation="+operation), operation)
			for _, text := range append(want, `href="/v1/jobs/`+strings.TrimPrefix(run, "/runs/")+`/result"`, "demo@1") {
				if !strings.Contains(page, text) {
					t.Errorf("no %q in\n%s", text, page)
				}
			}
			if strings.Contains(page, "http-equiv") || strings.Contains(page, "<progress") {
				t.Error("the page of a run that has ended loads itself again")
			}
		})
	}
	if len(service.Operations()) != strings.Count(choice, `href="/runs/new?of=demo&amp;operation=`) {
		t.Errorf("%v are not what is offered", service.Operations())
	}
}

// asks checks that a page leads with a table of what is asked, and has the JSON in a fold.
func asks(t testing.TB, page, operation string) {
	t.Helper()
	tree, err := html.Parse(strings.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	tables := all(tree, func(n *html.Node) bool {
		return n.Data == "table" && strings.Contains(textOf(n), "What is asked")
	})
	if len(tables) != 1 {
		t.Fatalf("%d tables of what is asked in\n%s", len(tables), page)
	}
	var rows []string
	for _, row := range all(tables[0], func(n *html.Node) bool { return n.Data == "tr" })[1:] {
		cells := all(row, func(n *html.Node) bool { return n.Data == "th" || n.Data == "td" })
		rows = append(rows, textOf(cells[0])+": "+textOf(cells[1]))
	}
	want := map[string][]string{
		"comparison": {"Kind: Compare alternatives (comparison)", "Alternatives: “plain”, “fibre”, “fibre, staged”", "Analysis period: 40 years"}, "conclusions": {"Baseline: plain"},
		"grid": {"Built on the alternative: slab", "Axis: slab: “plain”, “fibre”"}, "search": {"As little as possible of: total carbon", "At most: 49.18 EUR/m2, net present value", "Axis: first haul: Transport 1, Distance, one way: "},
		"sensitivity": {"Difference: plain less fibre", "Measure: total carbon", "Scatter where no spread is stated: 10 %"}, "break-even": {"Varied: “fibre”, Slab, Thickness", "Between: 150 and 300 mm"},
		"uncertainty": {"Samples: 10,000", "Seed: 1"}, "methods": {"Boundaries: A1-A3, A-C", "Real discount rates: 1 %, 3 %, 7 %"},
	}[operation]
	for _, text := range append(want, "Inventory: demo@1", "Area of pavement: 7300 m2") {
		if !slices.ContainsFunc(rows, func(row string) bool { return strings.HasPrefix(row, text) }) {
			t.Errorf("no %q in %q", text, rows)
		}
	}
	folds := all(tree, func(n *html.Node) bool {
		_, open := attribute(n, "open")
		return n.Data == "details" && !open && strings.Contains(textOf(n), `"demo@1"`)
	})
	if len(folds) != 1 {
		t.Errorf("the JSON stands in %d folds", len(folds))
	}
}

// A run waits, is cancelled by its button, and tells so; the button twice is no error.
func TestRunIsCancelled(t *testing.T) { onEachStore(t, testRunIsCancelled) }

func testRunIsCancelled(t *testing.T, newServer opener) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	form := server.open(t, "/runs/new?of=demo&operation=uncertainty")
	run := leads(t, server.do(formOn(t, form, "/runs")), "/runs/")
	leads(t, server.do(formOn(t, form, "/runs")), run) // a double click
	if other := leads(t, server.do(formOn(t, form, "/runs", "request", strings.Replace(server.example(t, "uncertainty"), "10000", "5000", 1))), "/runs/"); other == run {
		t.Error("another request, after going back, is the same run")
	}
	page := server.open(t, run)
	for _, want := range []string{`<noscript><meta http-equiv="refresh" content="10"></noscript>`, "<progress ", "queued", "It waits for its turn"} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q in\n%s", want, page)
		}
	}
	if strings.Contains(server.open(t, run+"?still=true"), "http-equiv") {
		t.Error("the page loads itself again though it was asked not to")
	}
	for range 2 {
		leads(t, server.do(formOn(t, page, run+"/cancellation")), run)
	}
	if page := server.open(t, run); !strings.Contains(page, "It was cancelled") || strings.Contains(page, "/cancellation") || strings.Contains(page, "/result\"") {
		t.Errorf("%s", page)
	}
	if list := server.open(t, "/runs?state=cancelled"); strings.Count(list, "<tr>") != 2 || !strings.Contains(list, `href="`+run+`"`) {
		t.Errorf("%s", list)
	}
	holds(t, server.do(get("/runs?state=sleeping")), 404)
	holds(t, server.do(get("/runs/none")), 404)
	holds(t, server.do(fields("/runs/none/cancellation")), 404)
}

// example is the request that the form of an operation holds for the demo.
func (f fixture) example(t testing.TB, operation string) string {
	t.Helper()
	r := formOn(t, f.open(t, "/runs/new?of=demo&operation="+operation), "/runs")
	if err := r.ParseForm(); err != nil {
		t.Fatal(err)
	}
	return r.PostForm.Get("request")
}

// What is wrong with a request is told beside it, by pointers, and nothing is queued.
func TestRunIsRefusedOnItsForm(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	form := server.open(t, "/runs/new?of=demo&operation=search")
	example := server.example(t, "search")
	for name, c := range map[string]struct {
		request string
		status  int
		want    string
	}{
		"cut off":       {example[:200], 400, "The body is not JSON that can be read"},
		"a wrong unit":  {strings.Replace(example, "7300 m2", "7300 kg", 1), 422, "<code>/functional_unit/area</code>"},
		"contract":      {strings.Replace(example, `"minimise"`, `"minimize"`, 1), 422, "<code>/minimize</code>"},
		"service":       {strings.Replace(example, "demo@1", "demo@9", 1), 422, "<code>/inventory</code>"},
		"markup":        {`{"<script>": 1}`, 422, "&lt;script&gt;"},
		"nothing":       {"", 400, "Not started"},
		"far too large": {`{"a":"` + strings.Repeat("x", 1<<20) + `"}`, 422, "at most 1 MiB"},
	} {
		w := server.do(formOn(t, form, "/runs", "request", c.request))
		holds(t, w, c.status, c.want, `id="request-fault"`, `aria-invalid="true"`)
		if name != "far too large" {
			checkPage(t, w.Body.String())
		}
	}
	holds(t, server.do(fields("/runs", "operation", "guess", "request", "{}")), 404)
	if w := server.do(get("/v1/jobs")); !strings.Contains(w.Body.String(), `"jobs":[]`) {
		t.Errorf("something was queued: %s", w.Body)
	}
	// Without a comparison to begin from there is a form all the same.
	if page := newServer(t, api.Options{}).open(t, "/runs/new?operation=search"); !strings.Contains(page, `name="request"`) {
		t.Errorf("%s", page)
	}
}

// A run that failed says why, and what to do.
func TestFailedRunSaysWhy(t *testing.T) {
	server := newServer(t, api.Options{Demo: demoRequest(t)})
	run := server.started(t, "uncertainty")
	limits := service.StandardJobLimits()
	limits.Time = time.Nanosecond
	work(t, server, limits)
	endOf(t, server, strings.Replace(run, "/runs/", "/v1/jobs/", 1))
	page := server.open(t, run)
	for _, want := range []string{"The job took too long", "Ask for less at once", `href="/docs/problems/job-timeout"`} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q in\n%s", want, page)
		}
	}
}

// A run is asked for about a saved study, or the comparison in an address.
func TestRunAboutAStudy(t *testing.T) {
	server := newServer(t, api.Options{})
	w := server.do(post("/v1/studies", `{"name":"Two slabs","request":`+demo(t)+`}`, "Idempotency-Key", newName()))
	if w.Code != http.StatusCreated {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	id := strings.TrimPrefix(w.Header().Get("Location"), "/v1/studies/")
	page := server.open(t, "/runs/new?operation=conclusions&study="+id)
	if !strings.Contains(page, "An example for Two slabs") || !strings.Contains(page, "tied_shoulder") {
		t.Errorf("%s", page)
	}
	holds(t, server.do(get("/runs/new?study=none")), 404)
	holds(t, server.do(get("/runs/new?request=%21")), 400)
}

// A comparison in an address can be anything. What has no alternative, or is far more than
// the contract takes, gets the form with the reason why there is no example.
func TestNoExampleOfWhatIsNoComparison(t *testing.T) {
	server := newServer(t, api.Options{})
	for name, c := range map[string]struct{ request, want string }{
		"nothing":           {`{}`, "the comparison has"},
		"no alternative":    {`{"inventory":"demo@1","alternatives":[]}`, "the comparison has"},
		"far too much":      {`{"alternatives":[` + strings.Repeat(`{},`, 300_000) + `{}]}`, "the comparison cannot be read"},
		"another kind":      {`{"alternatives":7}`, "the comparison cannot be read"},
		"nameless and like": {`{"baseline":"b","alternatives":[{},{}]}`, ""},
	} {
		for _, operation := range []string{"search", "grid", "sensitivity", "break-even", "uncertainty"} {
			page := server.open(t, "/runs/new?operation="+operation+"&"+strings.TrimPrefix(addressed(t, c.request), "/comparison/edit?"))
			if operation != "uncertainty" && !strings.Contains(page, c.want) || len(page) > 100_000 {
				t.Errorf("%s, %s: a page of %d bytes lacks %q", name, operation, len(page), c.want)
			}
		}
	}
}
