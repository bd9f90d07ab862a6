package api_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/google/go-cmp/cmp"

	"slabledger/api"
	"slabledger/inventory"
	"slabledger/service"
)

// jobAnswer is a job as a client reads it.
type jobAnswer struct {
	ID         string `json:"id"`
	Operation  string `json:"operation"`
	Inventory  string `json:"inventory"`
	State      string `json:"state"`
	Attempts   int    `json:"attempts"`
	ResultHash string `json:"result_hash"`
	EndedAt    string `json:"ended_at"`
	Problem    *struct {
		Type     string `json:"type"`
		Detail   string `json:"detail"`
		Instance string `json:"instance"`
	} `json:"problem"`
}

// work lets a process with workers run on the database of a server, until the test or
// the returned function ends it.
func work(t testing.TB, server fixture, limits service.JobLimits) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	svc := service.New(server.store)
	svc.LimitJobs(limits)
	ended := make(chan error, 1)
	go func() { ended <- svc.Work(ctx, 2, nil) }()
	var once bool
	stop = func() {
		if once {
			return
		}
		once = true
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}
	t.Cleanup(stop)
	return stop
}

// queue sends a job and returns where it stands.
func queue(t testing.TB, server fixture, operation, body string) string {
	t.Helper()
	w := server.do(post("/v1/jobs", jobBody(operation, body), "Idempotency-Key", newName()))
	checkAnswer(t, "createJob", w)
	if w.Code != http.StatusAccepted {
		t.Fatalf("%s: %d %s", operation, w.Code, w.Body)
	}
	return w.Header().Get("Location")
}

func jobBody(operation, body string) string {
	return fmt.Sprintf(`{"operation":%q,"request":%s}`, operation, body)
}

var names int

// newName is a name that no request had before.
func newName() string { names++; return fmt.Sprintf("name-%d", names) }

func job(t testing.TB, server fixture, address string) (j jobAnswer) {
	t.Helper()
	w := server.do(get(address))
	checkAnswer(t, "getJob", w)
	if err := json.Unmarshal(w.Body.Bytes(), &j); err != nil || w.Code != http.StatusOK {
		t.Fatalf("%d %v %s", w.Code, err, w.Body)
	}
	return j
}

// endOf waits until a job has ended.
func endOf(t testing.TB, server fixture, address string) jobAnswer {
	t.Helper()
	for begun := time.Now(); time.Since(begun) < time.Minute; time.Sleep(20 * time.Millisecond) {
		if j := job(t, server, address); j.EndedAt != "" {
			return j
		}
	}
	t.Fatalf("%s did not end within a minute: %+v", address, job(t, server, address))
	return jobAnswer{}
}

// requests of the operations that a job may run, with their addresses.
func requests(t testing.TB) map[string][2]string {
	list := map[string][2]string{"comparison": {"/v1/comparisons", demo(t)}}
	for operation, id := range map[string]string{"grid": "studyGrid", "sensitivity": "sensitivity", "break-even": "breakEven", "uncertainty": "uncertainty", "methods": "studyMethods", "search": "search", "conclusions": "conclude"} {
		for _, o := range contract().Operations() {
			if o.ID != id {
				continue
			}
			for name := range contract().Document().Paths.Value(o.Path).GetOperation(o.Method).RequestBody.Value.Content.Get("application/json").Examples {
				list[operation] = [2]string{o.Path, exampleOf(t, o, name)}
			}
		}
	}
	return list
}

// A job answers what its operation answers at once, byte for byte, whether the
// inventory was pinned or not.
func TestJobGivesTheBytesOfTheOperation(t *testing.T) {
	server := newServer(t, api.Options{})
	work(t, server, service.StandardJobLimits())
	list := requests(t)
	if diff := cmp.Diff(service.Operations(), slices.Sorted(func(yield func(string) bool) {
		for name := range list {
			if !yield(name) {
				return
			}
		}
	})); diff != "" {
		t.Fatalf("operations (-) and those that are tried (+):\n%s", diff)
	}
	for operation, r := range list {
		t.Run(operation, func(t *testing.T) {
			direct := server.do(post(r[0], r[1]))
			if direct.Code != http.StatusOK {
				t.Fatalf("%d %s", direct.Code, direct.Body)
			}
			for _, body := range []string{r[1], strings.Replace(r[1], `"demo@1"`, `"demo"`, 1)} {
				address := queue(t, server, operation, body)
				j := endOf(t, server, address)
				if j.State != "done" || j.Inventory != "demo@1" || j.Attempts != 1 {
					t.Fatalf("%+v", j)
				}
				w := server.do(get(address + "/result"))
				checkAnswer(t, "jobResult", w)
				sum := sha256.Sum256(w.Body.Bytes())
				if hash := hex.EncodeToString(sum[:]); j.ResultHash != hash || w.Header().Get("ETag") != `"`+hash+`"` {
					t.Errorf("hash %s, result_hash %s, ETag %s", hash, j.ResultHash, w.Header().Get("ETag"))
				}
				if !bytes.Equal(direct.Body.Bytes(), w.Body.Bytes()) {
					t.Error("the bytes differ from those of the operation")
				}
				if w := server.do(request(http.MethodGet, address+"/result", nil, "If-None-Match", w.Header().Get("ETag"))); w.Code != http.StatusNotModified {
					t.Errorf("again: %d", w.Code)
				}
			}
		})
	}
}

// What is wrong with a request is told when it is sent, all of it, by pointers into it.
func TestJobIsCheckedBeforeItIsQueued(t *testing.T) {
	server := newServer(t, api.Options{})
	comparison := strings.NewReplacer(`"240 mm"`, `"240 kg"`, `"plain",`, `"plian",`).Replace(with(t, demo(t), "/functional_unit/area", 7300))
	for name, c := range map[string]struct {
		body string
		want []string // pointers
	}{
		"a wrong operation":         {jobBody("guess", demo(t)), []string{"/operation"}},
		"no operation":              {`{"request":{}}`, []string{"/operation"}},
		"no request":                {`{"operation":"grid"}`, []string{"/request"}},
		"another member":            {`{"operation":"comparison","priority":1,"request":` + demo(t) + `}`, []string{"/priority"}},
		"contract and service":      {jobBody("comparison", comparison), []string{"/request/functional_unit/area", "/request/alternatives/0/slab/thickness"}},
		"an unknown inventory":      {jobBody("comparison", with(t, demo(t), "/inventory", "absent@9")), []string{"/request/inventory"}},
		"in a part of a break-even": {jobBody("break-even", with(t, requests(t)["break-even"][1], "/comparison/functional_unit/area", "0 m2")), []string{"/request/comparison/functional_unit/area"}},
		"a comparison as a grid":    {jobBody("grid", demo(t)), []string{"/request/alternative", "/request/axes"}},
	} {
		w := server.do(post("/v1/jobs", c.body, "Idempotency-Key", newName()))
		p := problemOf(t, w.Code, w.Header(), w.Body.Bytes())
		var at []string
		for _, e := range p.Errors {
			at = append(at, e.Pointer)
		}
		for _, want := range c.want {
			if w.Code != 422 || !slices.Contains(at, want) {
				t.Errorf("%s: %d, %v, want %s", name, w.Code, at, want)
			}
		}
	}
	if w := server.do(get("/v1/jobs")); !strings.Contains(w.Body.String(), `"jobs":[]`) {
		t.Errorf("something was queued: %s", w.Body)
	}
}

// A request that is sent again queues nothing twice; its name belongs to its content.
func TestJobIsQueuedOnce(t *testing.T) {
	server := newServer(t, api.Options{})
	send := func(operation, body, name string) (int, string, string) {
		w := server.do(post("/v1/jobs", jobBody(operation, body), "Idempotency-Key", name))
		return w.Code, w.Header().Get("Location"), w.Header().Get("Idempotent-Replayed")
	}
	_, first, _ := send("comparison", demo(t), "a")
	if code, again, replayed := send("comparison", demo(t), "a"); code != 202 || again != first || replayed != "true" {
		t.Errorf("%d %s %s, first %s", code, again, replayed, first)
	}
	if code, _, _ := send("comparison", with(t, demo(t), "/functional_unit/area", "1 m2"), "a"); code != 422 {
		t.Errorf("another request of the name: %d", code)
	}
	if w := server.do(post("/v1/jobs", jobBody("comparison", demo(t)))); w.Code != 400 {
		t.Errorf("a request without a name: %d", w.Code)
	}
}

// A job that waits or has ended has no result; one that is cancelled stays so.
func TestJobWithoutResult(t *testing.T) {
	server := newServer(t, api.Options{})
	address := queue(t, server, "comparison", demo(t))
	w := server.do(get(address + "/result"))
	if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); w.Code != 409 || p.Type != "/docs/problems/job-not-done" {
		t.Errorf("queued: %d %s", w.Code, p.Type)
	}
	for range 2 {
		w := server.do(request(http.MethodDelete, address, nil))
		checkAnswer(t, "cancelJob", w)
		if w.Code != 200 || !strings.Contains(w.Body.String(), `"state":"cancelled"`) {
			t.Errorf("%d %s", w.Code, w.Body)
		}
	}
	work(t, server, service.StandardJobLimits())
	time.Sleep(1500 * time.Millisecond) // in which the ticket of the job is handed out
	if j := job(t, server, address); j.State != "cancelled" || j.Attempts != 0 {
		t.Errorf("%+v", j)
	}
	for _, path := range []string{"/v1/jobs/absent", "/v1/jobs/absent/result"} {
		if w := server.do(get(path)); w.Code != 404 {
			t.Errorf("%s: %d", path, w.Code)
		}
	}
}

// Jobs are listed by pages, the newest first, and by their state.
func TestJobsAreListed(t *testing.T) {
	server := newServer(t, api.Options{})
	var want []string
	for range 5 {
		want = append([]string{strings.TrimPrefix(queue(t, server, "comparison", demo(t)), "/v1/jobs/")}, want...)
	}
	server.do(request(http.MethodDelete, "/v1/jobs/"+want[2], nil))
	pages := func(query string) (got []string) {
		for next := "/v1/jobs?limit=2" + query; next != ""; {
			w := server.do(get(next))
			checkAnswer(t, "listJobs", w)
			var list struct {
				Jobs  []jobAnswer `json:"jobs"`
				Links struct {
					Next string `json:"next"`
				} `json:"links"`
			}
			if err := json.Unmarshal(w.Body.Bytes(), &list); err != nil || w.Code != 200 {
				t.Fatalf("%d %v %s", w.Code, err, w.Body)
			}
			for _, j := range list.Jobs {
				got = append(got, j.ID)
			}
			next = list.Links.Next
		}
		return got
	}
	if diff := cmp.Diff(want, pages("")); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff(want[2:3], pages("&state=cancelled")); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff(slices.Delete(slices.Clone(want), 2, 3), pages("&state=queued")); diff != "" {
		t.Error(diff)
	}
	if w := server.do(get("/v1/jobs?state=lost")); w.Code != 422 {
		t.Errorf("a state that is none: %d", w.Code)
	}
}

// Of one actor only so many jobs may be open.
func TestJobLimit(t *testing.T) {
	server := newServer(t, api.Options{})
	limits := service.StandardJobLimits()
	for range limits.Open {
		queue(t, server, "comparison", demo(t))
	}
	w := server.do(post("/v1/jobs", jobBody("comparison", demo(t)), "Idempotency-Key", newName()))
	if p := problemOf(t, w.Code, w.Header(), w.Body.Bytes()); w.Code != 429 || p.Type != "/docs/problems/job-limit" || w.Header().Get("Retry-After") == "" {
		t.Errorf("%d %s %s", w.Code, p.Type, w.Header().Get("Retry-After"))
	}
}

// A job that takes longer than it may fails, and says so.
func TestJobTimeout(t *testing.T) {
	server := newServer(t, api.Options{})
	limits := service.StandardJobLimits()
	limits.Time = time.Millisecond
	work(t, server, limits)
	// Long work: the clock of a busy machine may ring after a short one has ended.
	address := queue(t, server, "uncertainty", `{"comparison":`+demo(t)+`,"samples":100000}`)
	j := endOf(t, server, address)
	if j.State != "failed" || j.Problem == nil || j.Problem.Type != "/docs/problems/job-timeout" || j.Problem.Instance != address {
		t.Errorf("%+v", j)
	}
}

// What runs when a service stops is queued again, and another service does it.
func TestJobGoesOnAfterAStop(t *testing.T) {
	server := newServer(t, api.Options{})
	stop := work(t, server, service.StandardJobLimits())
	var addresses []string
	for range 12 {
		addresses = append(addresses, queue(t, server, "comparison", demo(t)))
	}
	stop()
	for _, address := range addresses {
		if j := job(t, server, address); j.State != "queued" && j.State != "done" {
			t.Errorf("after the stop: %+v", j)
		}
	}
	work(t, server, service.StandardJobLimits())
	for _, address := range addresses {
		if j := endOf(t, server, address); j.State != "done" {
			t.Errorf("%+v", j)
		}
	}
}

// Jobs are stored, so a viewer has none; what is queued and cancelled is in the journal.
func TestJobsAreInTheJournal(t *testing.T) {
	server := newServer(t, api.Options{})
	address := queue(t, server, "comparison", demo(t))
	server.do(request(http.MethodDelete, address, nil))
	entries, err := server.store.Journal(t.Context(), 0, 100)
	if err != nil || len(entries) < 2 {
		t.Fatal(entries, err)
	}
	last := entries[len(entries)-2:]
	target := strings.TrimPrefix(address, "/v1/")
	if last[0].Action != inventory.ActionCreateJob || last[1].Action != inventory.ActionCancelJob || last[0].Target != target || last[1].Target != target {
		t.Errorf("%+v", last)
	}
}

// What is refused at once is refused as a job too, before it is queued.
func TestJobIsCheckedAsAtOnce(t *testing.T) {
	server := newServer(t, api.Options{})
	list := requests(t)
	many := demo(t)
	var all []any
	for i := range 40 {
		var a map[string]any
		if err := json.Unmarshal(single(t), &a); err != nil {
			t.Fatal(err)
		}
		slab := a["alternative"].(map[string]any)
		slab["name"] = fmt.Sprint("slab ", i)
		slab["slab"].(map[string]any)["thickness"] = fmt.Sprint(200+i, " mm")
		all = append(all, slab)
	}
	many = with(t, with(t, many, "/alternatives", all), "/baseline", "slab 0")
	uncertain := func(of, members string) string { return `{"comparison":` + of + `,` + members + `}` }
	for name, c := range map[string][3]string{
		"too many samples":              {"uncertainty", uncertain(many, `"samples":1000000`), "compute-budget-exceeded"},
		"conclusions of too many":       {"conclusions", uncertain(many, `"samples":1000000`), "compute-budget-exceeded"},
		"correlations that cannot be":   {"uncertainty", uncertain(demo(t), `"percent":"10 %","correlations":[{"a":"price of cement-cem-i","b":"price of gravel-20","rank":"0.9"},{"a":"price of gravel-20","b":"price of sand-washed","rank":"0.9"},{"a":"price of cement-cem-i","b":"price of sand-washed","rank":"-0.9"}]`), "correlation-not-positive-definite"},
		"a rate, which is no line":      {"uncertainty", uncertain(demo(t), `"spreads":[{"pointer":"/economics/real_discount_rate","unit":"%","distribution":"uniform","low":"0.5","high":"1.5"}]`), "not-linear"},
		"a range whose end is no value": {"break-even", "", "out-of-range"},
	} {
		t.Run(name, func(t *testing.T) {
			body := c[1]
			if c[0] == "break-even" {
				body = fmt.Sprintf(`{"comparison":%s,"first":"plain","second":"fibre","measure":"total_carbon","variable":{"pointer":"/alternatives/0/slab/thickness","unit":"mm"},"range":{"low":"0","high":"300"}}`, demo(t))
			}
			direct := server.do(post(list[c[0]][0], body))
			queued := server.do(post("/v1/jobs", jobBody(c[0], body), "Idempotency-Key", newName()))
			if direct.Code != http.StatusUnprocessableEntity || queued.Code != http.StatusUnprocessableEntity {
				t.Fatalf("at once %d %.600s\nas a job %d %.600s", direct.Code, direct.Body, queued.Code, queued.Body)
			}
			first, second := problemOf(t, direct.Code, direct.Header(), direct.Body.Bytes()), problemOf(t, queued.Code, queued.Header(), queued.Body.Bytes())
			if len(first.Errors) != len(second.Errors) {
				t.Fatalf("%+v\n%+v", first.Errors, second.Errors)
			}
			if first.Errors[0].Code != c[2] {
				t.Errorf("want %s, got %+v", c[2], first.Errors)
			}
			for i, e := range first.Errors {
				if got := second.Errors[i]; got.Pointer != "/request"+e.Pointer || got.Code != e.Code || got.Detail != e.Detail {
					t.Errorf("at once %+v\nas a job %+v", e, got)
				}
			}
		})
	}
}
