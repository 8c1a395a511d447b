// Package suite plays many scenarios to one host, side by side where the host
// allows it, and hands the outcomes over in the order of the scenarios.
package suite

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"example.org/understudy/harness/budget"
	"example.org/understudy/harness/check"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/library"
)

// Suite is what is played, and how. Each check has a run folder of its own.
type Suite struct {
	Checks    []*check.Check
	Jobs      int           // how many at a time; at least 1
	KeepGoing bool          // after an error that the user must put right, such as a full disk
	Timeout   time.Duration // of each scenario, for the wall clock; 0: none
}

// mostUnready is how often a host may fail to become ready, where it never did,
// before the rest is not tried.
const mostUnready = 2

// Jobs is how many of a host's programs may run at a time, of so many that are asked
// for: one that is started by hand is one, and so is one with records of its own
// place, which two would share.
func Jobs(h *hostfile.Host, asked int) int {
	file := h.Records.File
	own := h.Records.Form != hostfile.HTTP && !strings.Contains(file, "{records}") && !strings.Contains(file, "{run}") && !strings.Contains(file, "{output}")
	if h.Running || h.Records.Form == hostfile.SQL || h.Records.Form.Server() || own {
		return 1
	}
	return max(1, asked)
}

// Play plays all of it, and calls each in the order of the checks. The error is the
// first that the user must put right, or that ctx is done, or what each returned;
// what was not run because of it is an outcome too (NotRun).
func (s *Suite) Play(ctx context.Context, each func(*check.Outcome) error) error {
	p := &player{Suite: s, outs: make([]chan *check.Outcome, len(s.Checks))}
	for i := range p.outs {
		p.outs[i] = make(chan *check.Outcome, 1)
	}
	var workers sync.WaitGroup
	defer workers.Wait()
	for range min(max(1, s.Jobs), len(s.Checks)) {
		workers.Go(func() { p.work(ctx) })
	}
	var failed error
	for i, out := range p.outs {
		if i > 0 {
			budget.Tell(ctx, "%d of %d scenarios", i, len(p.outs))
		}
		if err := each(<-out); err != nil && failed == nil {
			failed = err
			p.stop("the report could not be written")
		}
	}
	if p.err != nil { // every outcome is there, so nobody writes it any more
		failed = p.err
	}
	if ctx.Err() != nil {
		failed = ctx.Err()
	}
	return failed
}

type player struct {
	*Suite
	outs []chan *check.Outcome
	// alone is held by a scenario that is played with no other beside it.
	alone sync.RWMutex

	mu      sync.Mutex
	next    int
	halt    string // why the rest is not run
	err     error
	ready   bool // the host has been ready once
	unready int  // how often it was started and did not become ready
}

func (p *player) work(ctx context.Context) {
	for {
		i := p.take()
		if i < 0 {
			return
		}
		p.outs[i] <- p.done(p.one(ctx, p.Checks[i]))
	}
}

// take takes the next scenario.
func (p *player) take() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.next == len(p.Checks) {
		return -1
	}
	p.next++
	return p.next - 1
}

// halted says why no scenario is begun any more.
func (p *player) halted(ctx context.Context) string {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.halt == "" && ctx.Err() != nil {
		p.halt = "stopped"
	}
	return p.halt
}

func notRun(c *check.Check, why string) *check.Outcome {
	return &check.Outcome{Check: c, NotRun: true, Why: "not run: " + why, Result: judge.Result{Verdict: judge.Inconclusive}}
}

func (p *player) stop(why string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.halt = cmp.Or(p.halt, why)
}

// done learns from an outcome whether to go on.
func (p *player) done(out *check.Outcome, err error) *check.Outcome {
	if err == nil {
		p.count(out)
		return out
	}
	name := library.Name(out.Check.Scenario)
	if !p.KeepGoing {
		p.stop("ended by the error at " + name)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.err == nil {
		p.err = fmt.Errorf("%s: %w", name, err)
	}
	return out
}

// count counts how often the host became ready, and did not.
func (p *player) count(out *check.Outcome) {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case out.NotReady:
		p.unready++
	case !out.NotRun && out.Verdict != judge.Skipped:
		p.ready = true
	}
	if p.unready == mostUnready && !p.ready && p.halt == "" {
		p.halt = fmt.Sprintf("the host was started %d times and never became ready", p.unready)
	}
}

// one plays a scenario. What goes wrong beside others is tried once more alone: two
// of a host's programs may be in each other's way.
func (p *player) one(ctx context.Context, c *check.Check) (out *check.Outcome, err error) {
	if p.Timeout > 0 {
		var cancel func()
		ctx, cancel = context.WithTimeoutCause(ctx, p.Timeout, errTimeout)
		defer cancel()
	}
	p.alone.RLock()
	if halt := p.halted(ctx); halt != "" {
		p.alone.RUnlock()
		return notRun(c, halt), nil
	}
	out, err = c.Do(ctx)
	p.alone.RUnlock()
	if err == nil && p.Jobs > 1 && (out.NotReady || len(out.OfTiming()) > 0) {
		out, err = p.byItself(ctx, c, out)
	}
	if err == nil && len(out.OfTiming()) > 0 {
		p.alone.RLock()
		out, err = out.Check.Confirm(ctx, out)
		p.alone.RUnlock()
	}
	if err == nil {
		return out, nil
	}
	out = &check.Outcome{Check: c, Why: err.Error(), Result: judge.Result{Verdict: judge.Error}}
	switch {
	case context.Cause(ctx) == errTimeout: //nolint:errorlint // it is this very one
		out.Verdict, out.Why = judge.Inconclusive, fmt.Sprintf("it was not over within the timeout of %s", p.Timeout)
	case ctx.Err() != nil:
		return notRun(c, "stopped"), nil
	default:
		return out, err
	}
	return out, nil
}

// byItself plays a scenario again with no other beside it.
func (p *player) byItself(ctx context.Context, c *check.Check, beside *check.Outcome) (*check.Outcome, error) {
	p.alone.Lock()
	defer p.alone.Unlock()
	if p.halted(ctx) != "" {
		return beside, nil
	}
	out, err := c.Alone(ctx, beside)
	if err == nil && out.NotReady {
		p.count(out) // it was started twice
	}
	return out, err
}

var errTimeout = errors.New("timeout")
