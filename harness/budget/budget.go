// Package budget bounds the work of a command. The limits travel in the command's
// context, beside the signals that end it, and each part polls them there.
package budget

import (
	"context"
	"fmt"
	"io"
	"runtime/metrics"
	"time"
)

// Limits are the budget. Each has its default in Default, and an option of the
// command, which messages name.
type Limits struct {
	Within   time.Duration // of real time
	Memory   int64         // MiB
	Events   int64         // of a timeline on paper
	Rows     int           // of a host's records
	Findings int           // of each kind that are listed of a run; all are counted
	Ledger   int64         // MiB
}

// Default is the budget where nobody says otherwise.
func Default() Limits {
	return Limits{Within: 7 * 24 * time.Hour, Memory: 2048, Events: 2_000_000, Rows: 2_000_000, Findings: 1000, Ledger: 2048}
}

type key struct{}

// With puts a budget into force: the context that is returned carries it, and is done
// when its time or memory is used up, with a cause that says so.
func With(ctx context.Context, l Limits) (context.Context, context.CancelFunc) {
	ctx, stop := context.WithCancelCause(context.WithValue(ctx, key{}, l))
	go func() {
		over := time.NewTimer(l.Within)
		defer over.Stop()
		look := time.NewTicker(100 * time.Millisecond)
		defer look.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-over.C:
				stop(fmt.Errorf("it took longer than %s (--within)", l.Within))
			case <-look.C:
				if held() > l.Memory<<20 {
					stop(fmt.Errorf("it needs more than %d MiB of memory (--memory)", l.Memory))
				}
			}
		}
	}()
	return ctx, func() { stop(context.Canceled) }
}

// held is the memory that the program holds, without what it has given back.
func held() int64 {
	s := []metrics.Sample{{Name: "/memory/classes/total:bytes"}, {Name: "/memory/classes/heap/released:bytes"}}
	metrics.Read(s)
	return int64(s[0].Value.Uint64() - s[1].Value.Uint64())
}

type teller struct{}

// Telling returns a context to whose function Tell says how far the work is.
func Telling(ctx context.Context, tell func(how string)) context.Context {
	return context.WithValue(ctx, teller{}, tell)
}

// Tell says how far the work is, to whom the context has it said. It may be called
// from any goroutine.
func Tell(ctx context.Context, format string, args ...any) {
	if tell, ok := ctx.Value(teller{}).(func(string)); ok {
		tell(fmt.Sprintf(format, args...))
	}
}

// Reader reads until the context is done, and fails with its cause from then on. It tells how much of a
// large file was read.
func Reader(ctx context.Context, r io.Reader) io.Reader { return &reader{ctx: ctx, Reader: r} }

type reader struct {
	ctx context.Context
	io.Reader
	read int64
}

func (r *reader) Read(p []byte) (int, error) {
	if r.ctx.Err() != nil {
		return 0, context.Cause(r.ctx)
	}
	n, err := r.Reader.Read(p)
	if r.read += int64(n); r.read > 1<<20 {
		Tell(r.ctx, "%d MiB read", r.read>>20)
	}
	return n, err
}

// Input is what a person or another program writes, which may come late or never: it
// ends with the cause of the context when that is done, though a read of it still waits.
func Input(ctx context.Context, r io.Reader) io.Reader {
	out, in := io.Pipe()
	go func() {
		_, err := io.Copy(in, r)
		in.CloseWithError(err)
	}()
	context.AfterFunc(ctx, func() { in.CloseWithError(context.Cause(ctx)) })
	return out
}

// Of is the budget that a context carries.
func Of(ctx context.Context) Limits {
	if l, ok := ctx.Value(key{}).(Limits); ok {
		return l
	}
	return Default()
}
