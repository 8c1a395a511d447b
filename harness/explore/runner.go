package explore

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"example.org/understudy/harness"
	"example.org/understudy/harness/explore/inside"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
)

// Inside plays scenarios against a host in the same process.
type Inside struct{ Host inside.Host }

// Workers is one for each processor.
func (r Inside) Workers() int { return workers() }

// Play plays a scenario. A host that fails as a program is a finding.
func (r Inside) Play(ctx context.Context, s *scenario.Scenario) (judge.Result, error) {
	run, err := inside.Do(ctx, s, r.Host)
	switch {
	case ctx.Err() != nil:
		return judge.Result{}, ctx.Err()
	case err != nil:
		first, _, _ := strings.Cut(err.Error(), "\n")
		return judge.Result{Verdict: judge.Error, Reasons: []string{first}}, nil
	}
	return run.Result, nil
}

// HostFolder is the folder, in that of all runs, of a host that is kept or runs
// already; of one that is not told of each run it is the run folder too.
const HostFolder = "host"

// Program plays scenarios against a host that is a program: started anew for
// each, kept for many, or one that runs already, as its description says.
type Program struct {
	Host   *hostfile.Host
	Self   string   // the understudy program, for {self}
	Extra  []string // words added to the host's command
	Folder string   // for the runs; each is removed again
	// HostText is the host description as written.
	HostText []byte

	n    int
	kept *harness.Kept
}

// Workers is one: a host that shares the processors with another is slower to
// open its ports, and two that run already share one records file.
func (r *Program) Workers() int { return 1 }

// Play plays a scenario. What a host that was kept does wrong it must do wrong
// again when it is started anew: what only comes of an earlier run is no
// finding of this one, and no pass either.
func (r *Program) Play(ctx context.Context, s *scenario.Scenario) (judge.Result, error) {
	if r.kept == nil && (r.Host.Running || r.Host.Many != nil) {
		r.kept = &harness.Kept{Folder: filepath.Join(r.Folder, HostFolder)}
	}
	result, err := r.once(ctx, s)
	if err != nil || r.kept == nil || result.Verdict == judge.Pass || r.kept.Runs() < 2 {
		if err == nil && r.kept != nil && result.Verdict != judge.Pass {
			r.kept.Close() // the next one starts with a clean slate
		}
		return result, err
	}
	runs := r.kept.Runs()
	r.kept.Close()
	anew, err := r.once(ctx, s)
	if err == nil && anew.Verdict == judge.Pass {
		anew.Verdict = judge.Inconclusive
		anew.Reasons = []string{fmt.Sprintf("in its run %d the host did otherwise than when it was started anew (%s)", runs, strings.Join(Causes(&result), ", "))}
	}
	return anew, err
}

func (r *Program) once(ctx context.Context, s *scenario.Scenario) (judge.Result, error) {
	r.n++
	dir := filepath.Join(r.Folder, fmt.Sprintf("run-%d", r.n))
	if r.kept != nil && r.Host.GoesOn() {
		dir = r.kept.Folder
	}
	c := &harness.Check{Scenario: s, Host: r.Host, Run: dir, Self: r.Self, Extra: r.Extra, HostText: r.HostText, Kept: r.kept}
	out, err := c.Do(ctx)
	if err != nil {
		return judge.Result{}, errors.Join(err, ctx.Err())
	}
	if out.Why != "" && len(out.Reasons) == 0 {
		out.Reasons = []string{out.Why}
	}
	if r.kept != nil && r.Host.GoesOn() {
		return out.Result, nil
	}
	return out.Result, os.RemoveAll(dir)
}

// Close ends a host that was kept.
func (r *Program) Close() {
	if r.kept != nil {
		r.kept.Close()
	}
}
