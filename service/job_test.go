package service_test

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"time"

	"slabledger/inventory"
	"slabledger/service"
)

// working lets a service work on jobs until the test ends.
func working(t *testing.T, svc *service.Service) {
	t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- svc.Work(ctx, 1, nil) }()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}

func queueJob(t *testing.T, svc *service.Service, operation string) string {
	t.Helper()
	j, err := svc.CreateJob(t.Context(), nil, operation, []byte(`{"inventory":"demo@1"}`))
	if err != nil {
		t.Fatal(err)
	}
	return j.ID
}

// until waits for a job to be as it should.
func until(t *testing.T, svc *service.Service, id string, is func(inventory.Job) bool) inventory.Job {
	t.Helper()
	for begun := time.Now(); ; time.Sleep(20 * time.Millisecond) {
		j, err := svc.Job(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		if is(j) {
			return j
		}
		if time.Since(begun) > time.Minute {
			t.Fatalf("not within a minute: %+v", j)
		}
	}
}

func hasEnded(j inventory.Job) bool { return j.State.Ended() }

// A job that runs tells how far it is, and stops when it is cancelled.
func TestRunningJobIsCancelled(t *testing.T) {
	svc := newService(t)
	var stopped atomic.Bool
	t.Cleanup(service.AddOperation("endless", func(ctx context.Context) (any, error) {
		service.TellProgress(ctx, 3, 8)
		<-ctx.Done()
		stopped.Store(true)
		return nil, ctx.Err()
	}))
	working(t, svc)
	id := queueJob(t, svc, "endless")
	j := until(t, svc, id, func(j inventory.Job) bool { return j.Total > 0 })
	if j.State != inventory.JobRunning || j.Done != 3 || j.Total != 8 || j.Attempts != 1 {
		t.Errorf("%+v", j)
	}
	if err := svc.CancelJob(t.Context(), id); err != nil {
		t.Fatal(err)
	}
	for begun := time.Now(); !stopped.Load(); time.Sleep(10 * time.Millisecond) {
		if time.Since(begun) > 3*inventory.JobBeat {
			t.Fatal("the work goes on")
		}
	}
	if j := until(t, svc, id, hasEnded); j.State != inventory.JobCancelled {
		t.Errorf("%+v", j)
	}
}

// What fails, fails the job alone: the next one is worked.
func TestJobThatFails(t *testing.T) {
	svc := newService(t)
	t.Cleanup(service.AddOperation("panic", func(context.Context) (any, error) { panic("a slip") }))
	t.Cleanup(service.AddOperation("refusal", func(context.Context) (any, error) {
		return nil, &service.Error{Code: service.Invalid, Detail: "too much"}
	}))
	t.Cleanup(service.AddOperation("good", func(context.Context) (any, error) { return "good", nil }))
	working(t, svc)
	for operation, want := range map[string]service.Code{"panic": service.Internal, "refusal": service.Invalid, "good": ""} {
		j := until(t, svc, queueJob(t, svc, operation), hasEnded)
		failed := service.JobError(j)
		switch {
		case want == "" && (failed != nil || j.State != inventory.JobDone):
			t.Errorf("%s: %+v", operation, j)
		case want != "" && (failed == nil || failed.Code != want || j.State != inventory.JobFailed):
			t.Errorf("%s: %+v", operation, j)
		}
	}
}

// A job that ended long ago is forgotten.
func TestOldJobsAreForgotten(t *testing.T) {
	svc := newService(t)
	t.Cleanup(service.AddOperation("good", func(context.Context) (any, error) { return "good", nil }))
	long := time.Now().Add(-8 * 24 * time.Hour)
	svc.SetClock(func() time.Time { return long })
	old := queueJob(t, svc, "good")
	if err := svc.CancelJob(t.Context(), old); err != nil {
		t.Fatal(err)
	}
	svc.SetClock(time.Now)
	working(t, svc)
	until(t, svc, queueJob(t, svc, "good"), hasEnded)
	var failed *service.Error
	if _, err := svc.Job(t.Context(), old); !errors.As(err, &failed) || failed.Code != service.NotFound {
		t.Errorf("it is still there: %v", err)
	}
}

// A grid tells how far it is.
func TestGridTellsItsProgress(t *testing.T) {
	svc := newService(t)
	body := study(t, threeByThreeByTwo(), edit{"/baseline", "cem i | none | ordinary"})
	var last, all int
	ctx := service.WithProgress(t.Context(), func(done, total int) {
		if done < last {
			t.Errorf("%d after %d", done, last)
		}
		last, all = done, total
	})
	grid, err := svc.Grid(ctx, body)
	if err != nil {
		t.Fatal(err)
	}
	if all != len(grid.Rows) || last != all-1 {
		t.Errorf("%d of %d at the end, with %d rows", last, all, len(grid.Rows))
	}
}

// The first progress is shown at once, not at the next beat, and what is done has made
// all its steps.
func TestProgressOfAJob(t *testing.T) {
	svc := newService(t)
	goOn := make(chan struct{})
	t.Cleanup(service.AddOperation("steps", func(ctx context.Context) (any, error) {
		service.TellProgress(ctx, 0, 8)
		<-goOn
		service.TellProgress(ctx, 5, 8)
		return "good", nil
	}))
	t.Cleanup(service.AddOperation("none", func(context.Context) (any, error) { return "good", nil }))
	working(t, svc)
	id := queueJob(t, svc, "steps")
	begun := until(t, svc, id, func(j inventory.Job) bool { return j.State == inventory.JobRunning })
	shown := until(t, svc, id, func(j inventory.Job) bool { return j.Total == 8 })
	if shown.Done != 0 || begun.Attempts != 1 {
		t.Errorf("%+v", shown)
	}
	close(goOn)
	if j := until(t, svc, id, hasEnded); j.State != inventory.JobDone || j.Done != 8 || j.Total != 8 {
		t.Errorf("%+v", j)
	}
	if j := until(t, svc, queueJob(t, svc, "none"), hasEnded); j.Done != 1 || j.Total != 1 {
		t.Errorf("%+v", j)
	}
}
