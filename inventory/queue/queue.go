// Package queue hands jobs to workers through the queue library, the same way on both
// databases. The queue's own rows hold the id of a job and nothing else: what a job is
// and what came of it stands in the record of the store, so that a row that comes
// twice, or late, does no harm.
package queue

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver"

	"slabledger/inventory"
)

// ticket is what the queue keeps of a job.
type ticket struct {
	Job string `json:"job"`
}

// Kind is what the queue calls the work.
func (ticket) Kind() string { return "job" }

const (
	poll  = 500 * time.Millisecond // how often a process with workers looks for jobs
	grace = time.Minute            // beyond its time after which a ticket is handed out again
)

// Queue queues jobs in transactions of type Tx.
type Queue[Tx any] struct {
	driver riverdriver.Driver[Tx]
	client *river.Client[Tx] // which queues, and works on nothing
}

// New makes a queue of a driver.
func New[Tx any](driver riverdriver.Driver[Tx]) (*Queue[Tx], error) {
	client, err := river.NewClient(driver, &river.Config{Logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		return nil, fmt.Errorf("the queue of jobs: %w", err)
	}
	return &Queue[Tx]{driver, client}, nil
}

// Add queues a job; it is handed out once the transaction is committed.
func (q *Queue[Tx]) Add(ctx context.Context, tx Tx, id string) error {
	_, err := q.client.InsertTx(ctx, tx, ticket{id}, nil)
	return err
}

// Work is Work of inventory.Jobs.
func (q *Queue[Tx]) Work(ctx context.Context, w inventory.Workers) error {
	logger := w.Logger
	if logger == nil {
		logger = slog.New(slog.DiscardHandler)
	}
	workers := river.NewWorkers()
	river.AddWorker(workers, river.WorkFunc(func(ctx context.Context, job *river.Job[ticket]) error { return w.Run(ctx, job.Args.Job) }))
	client, err := river.NewClient(q.driver, &river.Config{
		Logger: slog.New(quiet{logger.Handler()}), Workers: workers, Queues: map[string]river.QueueConfig{river.QueueDefault: {MaxWorkers: w.Count}},
		// Polling takes no connection of its own for notices, and is the same on both.
		PollOnly: true, FetchPollInterval: poll,
		JobTimeout: w.Most + grace, RescueStuckJobsAfter: w.Most + 2*grace,
		CompletedJobRetentionPeriod: time.Hour,
	})
	if err != nil {
		return fmt.Errorf("the workers: %w", err)
	}
	if err := client.Start(context.WithoutCancel(ctx)); err != nil {
		return fmt.Errorf("the workers: %w", err)
	}
	<-ctx.Done()
	return client.StopAndCancel(context.WithoutCancel(ctx))
}

// quiet is a log without what the library tells of its daily life.
type quiet struct{ slog.Handler }

// Enabled leaves out what is no warning.
func (q quiet) Enabled(ctx context.Context, level slog.Level) bool {
	return level >= slog.LevelWarn && q.Handler.Enabled(ctx, level)
}

// WithAttrs implements slog.Handler.
func (q quiet) WithAttrs(attrs []slog.Attr) slog.Handler { return quiet{q.Handler.WithAttrs(attrs)} }

// WithGroup implements slog.Handler.
func (q quiet) WithGroup(name string) slog.Handler { return quiet{q.Handler.WithGroup(name)} }
