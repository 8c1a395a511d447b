package check

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"time"

	"example.org/understudy/harness/process"
)

// function is a host that is a function of this program.
type function struct {
	stop context.CancelFunc
	done chan struct{}
	err  error // what it returned; once done is closed
}

// call has the function begin.
func (r *run) call(ctx context.Context) *function {
	ctx, stop := context.WithCancel(ctx)
	f := &function{stop: stop, done: make(chan struct{})}
	go func() {
		defer close(f.done)
		defer func() {
			if e := recover(); e != nil {
				f.err = fmt.Errorf("it panicked: %v\n%s", e, debug.Stack())
			}
		}()
		f.err = r.Func(ctx, r.job)
		if ctx.Err() != nil && errors.Is(f.err, ctx.Err()) {
			f.err = nil // it was asked to end
		}
	}()
	return f
}

func (f *function) Done() <-chan struct{} { return f.done }

// Await waits until the function is ready. It can say so only by what it does at
// its ports, or by the time it takes.
func (f *function) Await(ctx context.Context, r process.Ready) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	ended := errors.New("the host returned before it was ready")
	go func() {
		select {
		case <-f.done:
			cancel(ended)
		case <-ctx.Done():
		}
	}()
	err := awaitAlone(ctx, r)
	if err != nil && context.Cause(ctx) == ended { //nolint:errorlint // it is this very one
		if f.err != nil {
			return fmt.Errorf("%w: %w", ended, f.err)
		}
		return ended
	}
	return err
}

// Stop has the function's context done and waits for it to return. A function
// cannot be killed: one that goes on is left behind, and counts as killed.
func (f *function) Stop(ask process.Ask) (e process.Exit) {
	f.stop()
	grace := ask.Grace
	if grace == 0 {
		grace = 5 * time.Second
	}
	timer := time.NewTimer(grace)
	defer timer.Stop()
	e.Asked = true
	select {
	case <-f.done:
		if f.err != nil {
			e.Code = 1
			e.Said = f.err.Error()
		}
	case <-timer.C:
		e.Killed = true
	}
	return e
}
