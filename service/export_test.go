package service

import (
	"context"
	"time"

	"github.com/go-json-experiment/json"

	"slabledger/lca/fault"
)

// SetClock makes a test's own time.
func (s *Service) SetClock(now func() time.Time) { s.now = now }

// SetWorkers makes so many goroutines draw samples.
func (s *Service) SetWorkers(n int) { s.workers = n }

// Follow finds what a pointer leads to in a document.
var Follow = follow

// ExplainEach is Explain for many pointers of one comparison.
func (s *Service) ExplainEach(ctx context.Context, comparison []byte, pointers func(document any) []string, each func(pointer string, f *Figure, err error)) error {
	_, result, evaluations, err := s.evaluatedFor(ctx, comparison, nil, true)
	if err != nil {
		return err
	}
	text, err := Encode(result)
	if err != nil {
		return err
	}
	var document any
	if err := json.Unmarshal(text, &document); err != nil {
		return err
	}
	for _, pointer := range pointers(document) {
		f, err := explainIn(document, newExplainer(comparison, result, evaluations), pointer)
		each(pointer, f, err)
	}
	return nil
}

// AddOperation lets jobs run a test's own work, until the returned function takes it
// away again.
func AddOperation(name string, run func(ctx context.Context) (any, error)) (forget func()) {
	operations[name] = operation{"inventory", func(_ *Service, ctx context.Context, _ []byte, refused ...fault.Fault) (any, error) {
		if checksOnly(ctx, refused) {
			return nil, errFaults(nil)
		}
		return run(ctx)
	}}
	return func() { delete(operations, name) }
}

// TellProgress tells how far an operation is.
func TellProgress(ctx context.Context, done, total int) { progressOf(ctx)(done, total) }

// Hands gives tests the goroutines that a long computation would have now.
func (s *Service) Hands() (n int, done func()) { return s.hands() }

// Spread does short work on all processors.
var Spread = atOnce
