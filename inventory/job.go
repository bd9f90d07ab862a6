package inventory

import (
	"context"
	"errors"
	"log/slog"
	"time"
)

// Job is long work: what was asked, how far it is, and what came of it.
type Job struct {
	ID         string // unique among all jobs
	Actor      string // who asked for it
	Operation  string // by its name among those that a job may run
	Inventory  string // the version that it rests on, as demo@3
	State      JobState
	Attempts   int    // how often it was begun; the number of the last is the right to write
	Done       int64  // of Total, in steps of the operation
	Total      int64  // 0 where not known
	QueuedAt   string // as FormatTime writes it, like the next two
	StartedAt  string // of the last attempt; empty: not begun
	EndedAt    string // empty: not ended
	ResultHash string // hex SHA-256 of the result; empty where there is none
	Problem    string // why it failed, in JSON; empty where it did not
}

// JobState is where a job stands.
type JobState string

// States of a job. The last three are for ever.
const (
	JobQueued    JobState = "queued"
	JobRunning   JobState = "running"
	JobDone      JobState = "done"
	JobFailed    JobState = "failed"
	JobCancelled JobState = "cancelled"
)

// Ended tells whether nothing of a job will change any more.
func (s JobState) Ended() bool { return s == JobDone || s == JobFailed || s == JobCancelled }

// JobOutcome is what came of a job: a result with its hash, or a problem.
type JobOutcome struct {
	Result     []byte
	ResultHash string
	Problem    string // empty: it is done
	Steps      int64  // that a job which is done has made: its whole progress; less than 1 counts as 1
	At         string // as FormatTime writes it
}

// JobFilter is which jobs are listed.
type JobFilter struct {
	State JobState // empty: any
	// QueuedAt and ID are those of a job before which the list goes on; empty: from
	// the newest.
	QueuedAt, ID string
}

// ErrTooMany: the actor has as many open jobs as it may.
var ErrTooMany = errors.New("too many open jobs")

// Limits of the life of a job.
const (
	// JobSilence is how long a running job may show no life before it is taken for
	// lost with its process and queued again; by the clock of the database.
	JobSilence = 15 * time.Second
	// JobBeat is how often a running job shows life.
	JobBeat = 2 * time.Second
	// JobLosses is how often a job may be lost before it fails: what kills its process
	// each time is not begun for ever.
	JobLosses = 3
)

// Jobs keeps long work and hands it to workers, of which any number of processes may
// have some. Every promise here is a test in storetest, run on each store.
type Jobs interface {
	// CreateJob stores a job with its request and queues it, or ErrTooMany where its
	// actor has as many jobs queued or running as most says; of two at once neither
	// slips by.
	CreateJob(ctx context.Context, j Job, request []byte, most int, c Change) error
	// Job returns a job, or ErrNotFound.
	Job(ctx context.Context, id string) (Job, error)
	// Jobs lists jobs, the newest first, at most limit.
	Jobs(ctx context.Context, filter JobFilter, limit int) ([]Job, error)
	// JobResult returns the bytes of the result of a job that is done; ErrNotFound
	// where there is no such job or result.
	JobResult(ctx context.Context, id string) ([]byte, error)
	// JobRequest returns the request of a job as it was queued; ErrNotFound where there
	// is no such job.
	JobRequest(ctx context.Context, id string) ([]byte, error)
	// CancelJob ends a job that has not ended, or ErrNotFound. One that has ended
	// stays as it is, and the journal says nothing of it.
	CancelJob(ctx context.Context, id string, c Change) error

	// BeginJob makes a queued job a running one, at its next attempt, and returns it
	// with its request; ErrStale where it is not queued any more.
	BeginJob(ctx context.Context, id, at string) (Job, []byte, error)
	// BeatJob tells that a job runs and how far it is; ErrStale where the attempt is
	// not that of a running job any more: it was cancelled, or given to another.
	BeatJob(ctx context.Context, id string, attempt int, done, total int64) error
	// EndJob stores what came of a job that runs at the attempt given, or ErrStale. The
	// progress of a job that is done is whole; that of a failed one stays as it is.
	EndJob(ctx context.Context, id string, attempt int, outcome JobOutcome) error
	// ReleaseJob queues a job again that its worker cannot finish, or ErrStale.
	ReleaseJob(ctx context.Context, id string, attempt int) error
	// RescueJobs queues those jobs again that have shown no life for as long as given;
	// those that were lost JobLosses times fail with the problem given. It tells how
	// many it found. Of two that rescue at once each job is found by one.
	RescueJobs(ctx context.Context, silent time.Duration, problem, at string) (int, error)
	// ForgetJobs deletes jobs that ended before a time, and tells how many.
	ForgetJobs(ctx context.Context, before string) (int, error)
	// Work hands queued jobs to run, so many at once, until ctx ends; the context of
	// run ends then too, and Work returns when all have returned. A job may be handed
	// out more than once; BeginJob tells who has it.
	Work(ctx context.Context, w Workers) error
}

// Workers are what works on jobs in one process.
type Workers struct {
	Count  int
	Most   time.Duration                              // that Run takes
	Run    func(ctx context.Context, id string) error // an error: hand it out again later
	Logger *slog.Logger
}
