package service

import "context"

// Progress is told how much of a long computation is done, out of how much. Calls come
// one at a time, each with more than the one before; the first may tell of none.
type Progress func(done, total int)

type progressKey struct{}

// WithProgress has computations under the context tell how far they are.
func WithProgress(ctx context.Context, tell Progress) context.Context {
	return context.WithValue(ctx, progressKey{}, tell)
}

// progressOf is who wants to know; never nil.
func progressOf(ctx context.Context) Progress {
	if tell, ok := ctx.Value(progressKey{}).(Progress); ok && tell != nil {
		return tell
	}
	return func(int, int) {}
}
