package service

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"slabledger/inventory"
	"slabledger/lca/fault"
)

// operation is what a job may run.
type operation struct {
	inventory string // the member of the request that names the inventory, and those that it stands in
	run       func(s *Service, ctx context.Context, body []byte, refused ...fault.Fault) (any, error)
}

// operations that a job may run. Each answers the same request at once too, tells its
// progress where it can, stops with its context, and ends after its checks where
// checksOnly says so. One that is added here is added to JobRequest in openapi.yaml.
var operations = map[string]operation{
	"comparison":  operationOf("inventory", (*Service).Compare),
	"grid":        operationOf("inventory", (*Service).Grid),
	"sensitivity": operationOf("comparison/inventory", (*Service).Sensitivity),
	"break-even":  operationOf("comparison/inventory", (*Service).BreakEven),
	"uncertainty": operationOf("comparison/inventory", (*Service).Uncertainty),
	"methods":     operationOf("comparison/inventory", (*Service).Methods),
	"search":      operationOf("inventory", (*Service).Search),
	"conclusions": operationOf("comparison/inventory", (*Service).Conclude),
}

func operationOf[R any](inventory string, use func(*Service, context.Context, []byte, ...fault.Fault) (R, error)) operation {
	return operation{inventory, func(s *Service, ctx context.Context, body []byte, refused ...fault.Fault) (any, error) {
		return use(s, ctx, body, refused...)
	}}
}

// Operations lists what a job may run, by name.
func Operations() []string { return slices.Sorted(maps.Keys(operations)) }

type checkKey struct{}

// checksOnly tells an operation to end after its checks, with a fault list that may be
// empty: because the contract has refused something of the body, or because the
// request is to be queued.
func checksOnly(ctx context.Context, refused []fault.Fault) bool {
	return len(refused) > 0 || queueing(ctx)
}

// queueing tells that a request is checked because it is to be queued.
func queueing(ctx context.Context) bool { return ctx.Value(checkKey{}) != nil }

// computing is a context under which parts of a request that is to be queued are
// computed, because its checks rest on them.
func computing(ctx context.Context) context.Context {
	return context.WithValue(ctx, checkKey{}, nil)
}

// JobLimits bound what jobs take.
type JobLimits struct {
	Open int           // jobs of one key that are queued or running
	Time time.Duration // that one attempt may take
	Kept time.Duration // from the end of a job until it is forgotten
}

// StandardJobLimits hold unless others are set.
func StandardJobLimits() JobLimits {
	return JobLimits{Open: 20, Time: 10 * time.Minute, Kept: 7 * 24 * time.Hour}
}

// LimitJobs sets other limits, before the service is used.
func (s *Service) LimitJobs(limits JobLimits) { s.jobs = limits }

// JobLocation is where the HTTP API shows a job.
func JobLocation(id string) string { return "/v1/jobs/" + id }

// CreateJob checks a request and queues it. It is told what the contract has refused
// of the request, by pointers into it, and then only looks for more. A request that
// names an inventory without a version is pinned to the newest now, not when its turn
// comes.
func (s *Service) CreateJob(ctx context.Context, retry *inventory.Retry, name string, request []byte, refused ...fault.Fault) (inventory.Job, error) {
	op, known := operations[name]
	if !known {
		return inventory.Job{}, errFaults(oneFault("/operation", "not-in-list", "accepted: "+strings.Join(Operations(), ", ")))
	}
	_, err := op.run(s, context.WithValue(ctx, checkKey{}, true), request, refused...)
	var failed *Error
	if err != nil && (!asInvalid(err, &failed) || len(failed.Faults) > 0) {
		return inventory.Job{}, below("/request", err)
	}
	pinned, ref, err := s.pinRequest(ctx, request, strings.Split(op.inventory, "/"))
	if err != nil {
		return inventory.Job{}, below("/request", err)
	}
	j := inventory.Job{ID: strings.ToLower(rand.Text()[:12]), Actor: ActorOf(ctx).ID, Operation: name, Inventory: ref, State: inventory.JobQueued}
	c := s.change(ctx, retry, inventory.ActionCreateJob, jobTarget(j.ID), JobLocation(j.ID))
	if c.After, err = canonicalHash(pinned); err != nil {
		return inventory.Job{}, err
	}
	j.QueuedAt = c.At
	err = s.store.CreateJob(ctx, j, pinned, s.jobs.Open, c)
	if errors.Is(err, inventory.ErrTooMany) {
		return inventory.Job{}, &Error{Code: TooManyJobs, Detail: fmt.Sprintf("You have %d jobs that have not ended, which is as many as one key may have.", s.jobs.Open), Cause: err}
	}
	return j, storeError(err, "")
}

func jobTarget(id string) string { return "jobs/" + id }

// pinRequest writes the version of the inventory into a request, at the member
// "inventory" of what the way leads to.
func (s *Service) pinRequest(ctx context.Context, request jsontext.Value, way []string) (jsontext.Value, string, error) {
	if len(way) == 1 {
		var named struct {
			Inventory string `json:"inventory"`
		}
		if err := json.Unmarshal(request, &named); err != nil {
			return nil, "", &Error{Code: Malformed, Detail: "the request does not name an inventory", Cause: err}
		}
		c, err := s.pinned(ctx, named.Inventory)
		if err != nil {
			return nil, "", err
		}
		text, err := pinnedRequest(request, c.ref.Ref)
		return text, c.ref.Ref, err
	}
	var members map[string]jsontext.Value
	if err := json.Unmarshal(request, &members); err != nil {
		return nil, "", &Error{Code: Malformed, Detail: "the request is not a JSON object", Cause: err}
	}
	inner, ref, err := s.pinRequest(ctx, members[way[0]], way[1:])
	if err != nil {
		return nil, "", err
	}
	members[way[0]] = inner
	text, err := json.Marshal(members, json.Deterministic(true))
	if err != nil {
		return nil, "", &Error{Code: Internal, Detail: "the request cannot be written", Cause: err}
	}
	return text, ref, nil
}

// Job shows a job.
func (s *Service) Job(ctx context.Context, id string) (inventory.Job, error) {
	j, err := s.store.Job(ctx, id)
	return j, storeError(err, "no job "+short(id))
}

// Jobs lists jobs, the newest first.
func (s *Service) Jobs(ctx context.Context, filter inventory.JobFilter, limit int) ([]inventory.Job, error) {
	list, err := s.store.Jobs(ctx, filter, limit)
	return list, storeError(err, "")
}

// JobResult is the answer that the request would have had at once, byte for byte.
func (s *Service) JobResult(ctx context.Context, id string) (inventory.Job, []byte, error) {
	j, err := s.Job(ctx, id)
	if err != nil {
		return j, nil, err
	}
	if j.State != inventory.JobDone {
		return j, nil, &Error{Code: NotDone, Detail: "The job is " + string(j.State) + ", so it has no result."}
	}
	result, err := s.store.JobResult(ctx, id)
	return j, result, storeError(err, "no job "+short(id))
}

// JobRequest is the request of a job, pinned to the version of its inventory.
func (s *Service) JobRequest(ctx context.Context, id string) ([]byte, error) {
	request, err := s.store.JobRequest(ctx, id)
	return request, storeError(err, "no job "+short(id))
}

// CancelJob ends a job that has not ended; one that runs stops within seconds. One
// that has ended stays as it is.
func (s *Service) CancelJob(ctx context.Context, id string) error {
	err := s.store.CancelJob(ctx, id, s.change(ctx, nil, inventory.ActionCancelJob, jobTarget(id), JobLocation(id)))
	return storeError(err, "no job "+short(id))
}

// JobError is why a job failed; nil where it did not.
func JobError(j inventory.Job) *Error {
	if j.Problem == "" {
		return nil
	}
	var p jobProblem
	if err := json.Unmarshal([]byte(j.Problem), &p); err != nil {
		return &Error{Code: Internal, Detail: "the problem of the job cannot be read", Cause: err}
	}
	return &Error{Code: p.Code, Detail: p.Detail, Faults: p.Faults}
}

// jobProblem is how the problem of a job is kept.
type jobProblem struct {
	Code   Code          `json:"code"`
	Detail string        `json:"detail"`
	Faults []fault.Fault `json:"faults,omitempty"`
}

func problemText(err error) string {
	var failed *Error
	if !errors.As(err, &failed) {
		failed = &Error{Code: Internal}
	}
	text, err := json.Marshal(jobProblem{failed.Code, failed.Detail, failed.Faults[:min(len(failed.Faults), maxKeptFaults)]})
	if err != nil {
		return `{"code":"` + string(Internal) + `"}`
	}
	return string(text)
}

const (
	rescueEvery = 5 * time.Second
	forgetEvery = time.Hour
	keepTime    = 30 * time.Second // to store what came of a job
)

// Work works on jobs, so many at once, until ctx ends; what runs then is queued again
// for others. It returns when nothing of it runs any more.
func (s *Service) Work(ctx context.Context, workers int, logger *slog.Logger) error {
	if logger == nil {
		logger = slog.New(slog.DiscardHandler)
	}
	var housekeeping sync.WaitGroup
	housekeeping.Go(func() { s.keepJobs(ctx, logger) })
	defer housekeeping.Wait()
	return s.store.Work(ctx, inventory.Workers{Count: workers, Most: s.jobs.Time, Logger: logger, Run: func(ctx context.Context, id string) error {
		return s.runJob(ctx, id, logger)
	}})
}

// keepJobs rescues jobs that were lost with their process, and forgets old ones.
func (s *Service) keepJobs(ctx context.Context, logger *slog.Logger) {
	lost := problemText(&Error{Code: JobLost, Detail: fmt.Sprintf("The process that ran the job was lost %d times.", inventory.JobLosses)})
	every := time.NewTicker(rescueEvery)
	defer every.Stop()
	var forgot time.Time
	for {
		n, err := s.store.RescueJobs(ctx, inventory.JobSilence, lost, inventory.FormatTime(s.now()))
		if n > 0 {
			logger.Warn("jobs were lost by another process", "count", n)
		}
		if now := s.now(); err == nil && now.Sub(forgot) >= forgetEvery {
			_, err = s.store.ForgetJobs(ctx, inventory.FormatTime(now.Add(-s.jobs.Kept)))
			forgot = now
		}
		if err != nil && ctx.Err() == nil {
			logger.Error("jobs not kept", "cause", err.Error())
		}
		select {
		case <-ctx.Done():
			return
		case <-every.C:
		}
	}
}

// errTaken: the job was cancelled, or given to another process.
var errTaken = errors.New("the job is not this worker's any more")

// runJob runs one job, and keeps what comes of it. An error means that it is to be
// tried again later.
func (s *Service) runJob(ctx context.Context, id string, logger *slog.Logger) error {
	j, request, err := s.store.BeginJob(ctx, id, inventory.FormatTime(s.now()))
	if errors.Is(err, inventory.ErrStale) {
		return nil // cancelled, or another's
	}
	if err != nil {
		return err
	}
	actor, err := s.actorOf(ctx, j)
	if err != nil {
		return err
	}
	most := actor.Within(s.jobs.Time)
	limited, free := context.WithTimeout(As(ctx, actor), most)
	defer free()
	work, take := context.WithCancelCause(limited)
	defer take(nil)
	result, steps, failed := s.beating(work, take, j, func(ctx context.Context) ([]byte, error) { return s.computeJob(ctx, j, request) })
	// What has come of it is kept even where the service stops.
	keep, end := context.WithTimeout(context.WithoutCancel(ctx), keepTime)
	defer end()
	outcome := inventory.JobOutcome{At: inventory.FormatTime(s.now())}
	var told *Error
	switch {
	case failed == nil:
		outcome.Result, outcome.ResultHash, outcome.Steps = result, hashBytes(result), steps
	case errors.Is(context.Cause(work), errTaken):
		return nil
	case ctx.Err() != nil:
		err = s.store.ReleaseJob(keep, id, j.Attempts)
		if errors.Is(err, inventory.ErrStale) {
			return nil
		}
		return err
	case limited.Err() != nil:
		outcome.Problem = problemText(&Error{Code: JobTimeout, Detail: "The job took longer than " + most.String() + "."})
	case errors.As(failed, &told) && told.Code == Unavailable:
		logger.Error("job given up", "job", id, "cause", failed.Error()) // it is rescued when the store is back
		return nil
	default:
		logger.Info("job failed", "job", id, "cause", failed.Error())
		outcome.Problem = problemText(failed)
	}
	if err := s.store.EndJob(keep, id, j.Attempts, outcome); err != nil && !errors.Is(err, inventory.ErrStale) {
		logger.Error("job not kept", "job", id, "cause", err.Error()) // it is rescued, and run again
	}
	return nil
}

// beating runs work while it shows life of a job, and tells its progress, the first at
// once; work whose job was taken away is stopped. It returns how many steps the work
// said it has.
func (s *Service) beating(ctx context.Context, take context.CancelCauseFunc, j inventory.Job, work func(context.Context) ([]byte, error)) (result []byte, steps int64, err error) {
	var done, total atomic.Int64
	told, stop := make(chan struct{}), make(chan struct{})
	var beats sync.WaitGroup
	beats.Go(func() {
		every := time.NewTicker(inventory.JobBeat)
		defer every.Stop()
		first := told
		for {
			select {
			case <-stop:
				return
			case <-first:
				first = nil
			case <-every.C:
			}
			n := total.Load()
			if err := s.store.BeatJob(ctx, j.ID, j.Attempts, min(done.Load(), n), n); errors.Is(err, inventory.ErrStale) {
				take(errTaken)
				return
			}
		}
	})
	var once sync.Once
	result, err = work(WithProgress(ctx, func(d, t int) {
		total.Store(int64(t))
		done.Store(int64(d))
		once.Do(func() { close(told) })
	}))
	close(stop)
	beats.Wait()
	return result, total.Load(), err
}

// actorOf is who asked for a job, with the limits of the key that it was asked with.
func (s *Service) actorOf(ctx context.Context, j inventory.Job) (Actor, error) {
	actor := Actor{ID: j.Actor, Role: inventory.Viewer}
	keys, err := s.Keys(ctx)
	for _, k := range keys {
		if k.ID == j.Actor {
			actor.Limits = k.Limits
		}
	}
	return actor, err
}

// computeJob makes the answer of a job. A panic of an operation is an error of the
// job, not the end of the process.
func (s *Service) computeJob(ctx context.Context, j inventory.Job, request []byte) (text []byte, err error) {
	defer func() {
		if found := recover(); found != nil {
			err = &Error{Code: Internal, Detail: "the operation failed", Cause: fmt.Errorf("panic: %v\n%s", found, debug.Stack())}
		}
	}()
	op, known := operations[j.Operation]
	if !known {
		return nil, &Error{Code: Internal, Detail: "this program does not know the operation", Cause: errors.New(j.Operation)}
	}
	result, err := op.run(s, ctx, request)
	if err != nil {
		return nil, err
	}
	return Encode(result)
}
