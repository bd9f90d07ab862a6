package storetest

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"slabledger/inventory"
)

const jobHash = "0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef"

func jobOf(id string, queued int) inventory.Job {
	return inventory.Job{ID: id, Actor: "local", Operation: "comparison", Inventory: "demo@3", State: inventory.JobQueued,
		QueuedAt: fmt.Sprintf("2026-03-01T10:00:00.%06dZ", queued)}
}

func createJob(t *testing.T, store inventory.Store, j inventory.Job, request string) {
	t.Helper()
	if err := store.CreateJob(t.Context(), j, []byte(request), 1000, changeOf(inventory.ActionCreateJob, j.ID)); err != nil {
		t.Fatal(err)
	}
}

func wantJob(t *testing.T, store inventory.Store, want inventory.Job) {
	t.Helper()
	got, err := store.Job(t.Context(), want.ID)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("want (-), got (+):\n%s", diff)
	}
}

const (
	begun = "2026-03-01T10:00:01.000000Z"
	ended = "2026-03-01T10:00:02.000000Z"
)

func begin(t *testing.T, store inventory.Store, id string) inventory.Job {
	t.Helper()
	j, _, err := store.BeginJob(t.Context(), id, begun)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

// testJobs takes jobs through their lives; whoever has lost a job writes nothing.
func testJobs(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	ctx := t.Context()
	request := "{\"name\": \"\u00e9 \U0001F6A7\"}"
	a := jobOf("a", 1)
	createJob(t, store, a, request)
	wantJob(t, store, a)
	_, err := store.Job(ctx, "absent")
	wantError(t, "a job that is not", err, inventory.ErrNotFound)
	_, err = store.JobResult(ctx, "a")
	wantError(t, "the result of a job that is not done", err, inventory.ErrNotFound)
	_, err = store.JobRequest(ctx, "absent")
	wantError(t, "the request of a job that is not", err, inventory.ErrNotFound)
	if asked, err := store.JobRequest(ctx, "a"); err != nil || string(asked) != request {
		t.Errorf("%q %v", asked, err)
	}
	wantError(t, "a beat of a job that does not run", store.BeatJob(ctx, "a", 0, 1, 2), inventory.ErrStale)

	got, text, err := store.BeginJob(ctx, "a", begun)
	if err != nil || string(text) != request {
		t.Fatalf("%q %v", text, err)
	}
	a.State, a.Attempts, a.StartedAt = inventory.JobRunning, 1, begun
	if diff := cmp.Diff(a, got); diff != "" {
		t.Error(diff)
	}
	_, _, err = store.BeginJob(ctx, "a", begun)
	wantError(t, "a job that runs already", err, inventory.ErrStale)
	if err := store.BeatJob(ctx, "a", 1, 7, 1<<40); err != nil {
		t.Fatal(err)
	}
	a.Done, a.Total = 7, 1<<40
	wantJob(t, store, a)
	wantError(t, "a beat of an older attempt", store.BeatJob(ctx, "a", 0, 8, 9), inventory.ErrStale)

	if err := store.ReleaseJob(ctx, "a", 1); err != nil {
		t.Fatal(err)
	}
	a.State = inventory.JobQueued
	wantJob(t, store, a)
	wantError(t, "a second release", store.ReleaseJob(ctx, "a", 1), inventory.ErrStale)
	begin(t, store, "a")
	if err := store.BeatJob(ctx, "a", 2, 952_920, 991_440); err != nil {
		t.Fatal(err)
	}
	result := inventory.JobOutcome{Result: []byte("{\"\u00e9\":\x00}\n"), ResultHash: jobHash, At: ended, Steps: 991_440}
	wantError(t, "the end of an older attempt", store.EndJob(ctx, "a", 1, result), inventory.ErrStale)
	if err := store.EndJob(ctx, "a", 2, result); err != nil {
		t.Fatal(err)
	}
	wantError(t, "another end", store.EndJob(ctx, "a", 2, inventory.JobOutcome{Problem: "{}", At: ended}), inventory.ErrStale)
	a.State, a.Attempts, a.Done, a.Total, a.ResultHash, a.EndedAt = inventory.JobDone, 2, 991_440, 991_440, jobHash, ended
	wantJob(t, store, a)
	kept, err := store.JobResult(ctx, "a")
	if err != nil || string(kept) != string(result.Result) {
		t.Errorf("%q %v", kept, err)
	}

	b := jobOf("b", 2)
	createJob(t, store, b, "{}")
	begin(t, store, "b")
	if err := store.BeatJob(ctx, "b", 1, 3, 8); err != nil {
		t.Fatal(err)
	}
	if err := store.EndJob(ctx, "b", 1, inventory.JobOutcome{Problem: `{"code":"x"}`, At: ended}); err != nil {
		t.Fatal(err)
	}
	b.State, b.Attempts, b.Done, b.Total, b.StartedAt, b.EndedAt, b.Problem = inventory.JobFailed, 1, 3, 8, begun, ended, `{"code":"x"}`
	wantJob(t, store, b)

	// Of a job whose steps nobody told, one is done of one.
	c := jobOf("c", 3)
	createJob(t, store, c, "{}")
	begin(t, store, "c")
	if err := store.EndJob(ctx, "c", 1, inventory.JobOutcome{Result: []byte("{}"), ResultHash: jobHash, At: ended}); err != nil {
		t.Fatal(err)
	}
	c.State, c.Attempts, c.Done, c.Total, c.StartedAt, c.EndedAt, c.ResultHash = inventory.JobDone, 1, 1, 1, begun, ended, jobHash
	wantJob(t, store, c)
}

// testJobsCancelled cancels jobs in every state; what has ended stays as it is.
func testJobsCancelled(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	ctx := t.Context()
	for n, id := range []string{"queued", "running", "done"} {
		createJob(t, store, jobOf(id, n), "{}")
	}
	begin(t, store, "running")
	begin(t, store, "done")
	if err := store.EndJob(ctx, "done", 1, inventory.JobOutcome{Result: []byte("{}"), ResultHash: jobHash, At: ended}); err != nil {
		t.Fatal(err)
	}
	before := entries(t, store)
	for _, id := range []string{"queued", "running", "done", "queued"} {
		if err := store.CancelJob(ctx, id, changeOf(inventory.ActionCancelJob, id)); err != nil {
			t.Fatal(id, err)
		}
	}
	wantError(t, "a job that is not", store.CancelJob(ctx, "absent", changeOf(inventory.ActionCancelJob, "absent")), inventory.ErrNotFound)
	if n := entries(t, store) - before; n != 2 {
		t.Errorf("%d entries of two changes", n)
	}
	for id, want := range map[string]inventory.JobState{"queued": inventory.JobCancelled, "running": inventory.JobCancelled, "done": inventory.JobDone} {
		if j, err := store.Job(ctx, id); err != nil || j.State != want {
			t.Errorf("%s is %s, %v", id, j.State, err)
		}
	}
	_, _, err := store.BeginJob(ctx, "queued", begun)
	wantError(t, "beginning what is cancelled", err, inventory.ErrStale)
	wantError(t, "a beat of what is cancelled", store.BeatJob(ctx, "running", 1, 1, 2), inventory.ErrStale)
	wantError(t, "the end of what is cancelled", store.EndJob(ctx, "running", 1, inventory.JobOutcome{Problem: "{}", At: ended}), inventory.ErrStale)

	n, err := store.ForgetJobs(ctx, "2026-03-01T10:00:00.000000Z")
	if err != nil || n != 0 {
		t.Errorf("%d forgotten that ended later, %v", n, err)
	}
	n, err = store.ForgetJobs(ctx, "2026-03-01T10:00:02.000001Z")
	if err != nil || n != 3 {
		t.Errorf("%d forgotten of three, %v", n, err)
	}
}

// testJobsListed lists jobs by pages, the newest first.
func testJobsListed(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	var want []string
	for n := range 11 {
		id := fmt.Sprintf("j%02d", 10-n)
		createJob(t, store, jobOf(id, n/2), "{}") // two at one time
		want = append(want, id)
	}
	slices.SortFunc(want, func(a, b string) int {
		ja, jb := mustJob(t, store, a), mustJob(t, store, b)
		if ja.QueuedAt != jb.QueuedAt {
			return strings.Compare(jb.QueuedAt, ja.QueuedAt)
		}
		return strings.Compare(b, a)
	})
	var got []string
	var f inventory.JobFilter
	for page := 0; ; page++ {
		list, err := store.Jobs(t.Context(), f, 3)
		if err != nil {
			t.Fatal(err)
		}
		if len(list) == 0 {
			break
		}
		for _, j := range list {
			got = append(got, j.ID)
		}
		f.QueuedAt, f.ID = list[len(list)-1].QueuedAt, list[len(list)-1].ID
		if page == 0 {
			createJob(t, store, jobOf("newer", 900), "{}") // disturbs no one
		}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	begin(t, store, "j03")
	list, err := store.Jobs(t.Context(), inventory.JobFilter{State: inventory.JobRunning}, 50)
	if err != nil || len(list) != 1 || list[0].ID != "j03" {
		t.Errorf("%v %v", list, err)
	}
}

func mustJob(t *testing.T, store inventory.Store, id string) inventory.Job {
	t.Helper()
	j, err := store.Job(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

// testJobLimit lets sixteen requests of one actor queue a job each, of which five
// may; those of another do not count.
func testJobLimit(t *testing.T, db Database) {
	store, _ := fresh(t, db)
	createJob(t, store, func() inventory.Job { j := jobOf("other", 0); j.Actor = "key-2"; return j }(), "{}")
	before := entries(t, store)
	results := make([]error, 16)
	var wg sync.WaitGroup
	for n := range results {
		wg.Go(func() {
			id := fmt.Sprintf("j%d", n)
			results[n] = store.CreateJob(t.Context(), jobOf(id, n), []byte("{}"), 5, changeOf(inventory.ActionCreateJob, id))
		})
	}
	wg.Wait()
	queued := 0
	for _, err := range results {
		switch {
		case err == nil:
			queued++
		case !errors.Is(err, inventory.ErrTooMany):
			t.Error(err)
		}
	}
	if n := entries(t, store) - before; queued != 5 || n != 5 {
		t.Errorf("%d were queued, with %d entries, of five", queued, n)
	}
}

// testJobsRescued finds jobs whose worker shows no life; one that is lost again and
// again fails.
func testJobsRescued(t *testing.T, db Database) {
	store, dsn := fresh(t, db)
	ctx := t.Context()
	createJob(t, store, jobOf("a", 1), "{}")
	stores := []inventory.Store{store, open(t, db, dsn)}
	rescue := func(silent time.Duration) int {
		t.Helper()
		found := make([]int, 8)
		var wg sync.WaitGroup
		for n := range found {
			wg.Go(func() {
				var err error
				if found[n], err = stores[n%2].RescueJobs(ctx, silent, `{"code":"lost"}`, ended); err != nil {
					t.Error(err)
				}
			})
		}
		wg.Wait()
		sum := 0
		for _, n := range found {
			sum += n
		}
		return sum
	}
	if n := rescue(0); n != 0 {
		t.Errorf("%d rescued that never ran", n)
	}
	for attempt := 1; attempt <= inventory.JobLosses; attempt++ {
		begin(t, store, "a")
		if n := rescue(time.Minute); n != 0 {
			t.Errorf("%d rescued that show life", n)
		}
		time.Sleep(20 * time.Millisecond)
		if n := rescue(10 * time.Millisecond); n != 1 {
			t.Errorf("attempt %d: rescued %d times", attempt, n)
		}
		wantError(t, "a beat of a lost attempt", store.BeatJob(ctx, "a", attempt, 1, 2), inventory.ErrStale)
		want := inventory.JobQueued
		if attempt == inventory.JobLosses {
			want = inventory.JobFailed
		}
		if j := mustJob(t, store, "a"); j.State != want || (j.Problem != "") != (want == inventory.JobFailed) {
			t.Errorf("attempt %d: %+v", attempt, j)
		}
	}
}

// testJobsWorked lets two processes share a queue: each job is worked once, and who is
// stopped on the way gives back what it has.
func testJobsWorked(t *testing.T, db Database) {
	store, dsn := fresh(t, db)
	stores := []inventory.Store{store, open(t, db, dsn)}
	const jobs = 24
	for n := range jobs {
		createJob(t, store, jobOf(fmt.Sprintf("j%02d", n), n), "{}")
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	var mu sync.Mutex
	worked, by, done := map[string]int{}, map[int]int{}, make(chan struct{})
	var wg sync.WaitGroup
	for n, s := range stores {
		wg.Go(func() {
			err := s.Work(ctx, inventory.Workers{Count: 2, Most: time.Minute, Run: func(ctx context.Context, id string) error {
				j, _, err := s.BeginJob(ctx, id, begun)
				if errors.Is(err, inventory.ErrStale) {
					return nil
				}
				if err != nil {
					return err
				}
				time.Sleep(30 * time.Millisecond)
				if err := s.EndJob(ctx, id, j.Attempts, inventory.JobOutcome{Result: []byte(id), ResultHash: jobHash, At: ended}); err != nil {
					return err
				}
				mu.Lock()
				defer mu.Unlock()
				worked[id]++
				by[n]++
				if len(worked) == jobs {
					close(done)
				}
				return nil
			}})
			if err != nil {
				t.Error(err)
			}
		})
	}
	select {
	case <-done:
	case <-time.After(time.Minute):
		t.Error("not all jobs were worked within a minute")
	}
	stop()
	wg.Wait()
	mu.Lock()
	defer mu.Unlock()
	for id, n := range worked {
		if n != 1 {
			t.Errorf("%s was worked %d times", id, n)
		}
	}
	if len(worked) != jobs || by[0] == 0 || by[1] == 0 {
		t.Errorf("%d jobs were worked, by the two %v", len(worked), by)
	}
}

// testWorkerKilled kills the process that runs a job: another takes it over.
func testWorkerKilled(t *testing.T, db Database) {
	store, dsn := fresh(t, db)
	createJob(t, store, jobOf("a", 1), "{}")
	cmd := child(t, taskJob, dsn)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	if !lines.Scan() || lines.Text() != "begun a" {
		t.Fatalf("the worker said %q", lines.Text())
	}
	if err := cmd.Process.Kill(); err != nil { // SIGKILL
		t.Fatal(err)
	}
	_ = cmd.Wait()
	if j := mustJob(t, store, "a"); j.State != inventory.JobRunning || j.Attempts != 1 {
		t.Fatalf("%+v", j)
	}
	ctx, stop := context.WithTimeout(t.Context(), time.Minute)
	defer stop()
	var wg sync.WaitGroup
	wg.Go(func() {
		for ctx.Err() == nil {
			if n, err := store.RescueJobs(ctx, 100*time.Millisecond, "{}", ended); err != nil || n > 0 {
				return
			}
			time.Sleep(20 * time.Millisecond)
		}
	})
	if err := store.Work(ctx, inventory.Workers{Count: 1, Most: time.Minute, Run: func(ctx context.Context, id string) error {
		j, _, err := store.BeginJob(ctx, id, begun)
		if err != nil {
			return err
		}
		defer stop()
		return store.EndJob(ctx, id, j.Attempts, inventory.JobOutcome{Result: []byte("{}"), ResultHash: jobHash, At: ended})
	}}); err != nil {
		t.Fatal(err)
	}
	wg.Wait()
	if j := mustJob(t, store, "a"); j.State != inventory.JobDone || j.Attempts != 2 {
		t.Errorf("%+v", j)
	}
}

// workJob is the process that begins a job and never ends it.
func workJob(ctx context.Context, store inventory.Store) error {
	return store.Work(ctx, inventory.Workers{Count: 1, Most: time.Minute, Run: func(ctx context.Context, id string) error {
		if _, _, err := store.BeginJob(ctx, id, begun); err != nil {
			return err
		}
		fmt.Println("begun", id) // os.Stdout is not buffered
		<-ctx.Done()
		return nil
	}})
}
