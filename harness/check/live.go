package check

import (
	"context"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
)

// Watch sees a check while it goes on.
type Watch struct {
	// Stage is given the stage before it plays, and nil when it is over.
	Stage func(st *stage.Stage)
	// Entry is given every entry of the ledger, from the stage's loop.
	Entry func(e ledger.Entry)
	// SoFar is given, a few times a second, what the judge makes of the host's
	// records up to now. What may only be late is not among the findings.
	SoFar func(out *Outcome)

	mu      sync.Mutex
	entries []ledger.Entry
}

const (
	lookEvery = 300 * time.Millisecond
	// mayBeLate is how long after a reading its record is not missed yet.
	mayBeLate = 2 * time.Second
)

func (w *Watch) keep(e ledger.Entry) {
	e.Bytes = slices.Clone(e.Bytes) // the port's own buffer
	w.mu.Lock()
	w.entries = append(w.entries, e)
	w.mu.Unlock()
	w.Entry(e)
}

// unfinished judges a run that is not over by the entries of its ledger so far, as if it
// ended now. It reports whether it could: there may be no records yet, or the host may be
// just writing them.
func (r *run) unfinished(ctx context.Context, out *Outcome, began time.Time) bool {
	if len(out.Entries) == 0 {
		return false
	}
	m := meta{Pace: r.pace, Began: began, Took: time.Since(began), Places: r.places, live: true}
	if r.endpoint != nil {
		m.Places.Records = filepath.Join(r.Run, recordsName(hostfile.HTTP))
	}
	out.Entries = append(out.Entries, ledger.Entry{T: out.Entries[len(out.Entries)-1].T, Kind: ledger.KindEnd})
	r.Check.judge(ctx, out, m)
	return out.Why == ""
}

// follow judges what there is, until ctx is done.
func (r *run) follow(ctx context.Context, began time.Time) {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		r.Watch.mu.Lock()
		out := &Outcome{Check: r.Check, Entries: slices.Clone(r.Watch.entries)}
		r.Watch.mu.Unlock()
		if !r.unfinished(ctx, out, began) {
			continue
		}
		now := out.Entries[len(out.Entries)-1].T
		out.Findings = slices.DeleteFunc(out.Findings, func(f judge.Finding) bool {
			return f.Record == nil && f.At > now-mayBeLate
		})
		r.Watch.SoFar(out)
	}
}

// watched has the Watch, if there is one, see the play until the returned function is
// called, which stops it.
func (r *run) watched(ctx context.Context, stop func()) (end func()) {
	if r.Watch == nil {
		return func() {}
	}
	r.Watch.Stage(r.stage)
	done := make(chan struct{})
	go func() {
		defer close(done)
		r.follow(ctx, time.Now())
	}()
	return func() {
		stop()
		<-done
		r.Watch.Stage(nil)
	}
}
