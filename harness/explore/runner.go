package explore

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"

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

// Program plays scenarios against a host that is started anew for each, or
// that runs already, as its description says.
type Program struct {
	Host   *hostfile.Host
	Self   string   // the understudy program, for {self}
	Extra  []string // words added to the host's command
	Folder string   // for the runs; each is removed again
	// HostText is the host description as written.
	HostText []byte
	n        atomic.Int64
}

// Workers is one: a host that shares the processors with another is slower to
// open its ports, and two that run already share one records file.
func (r *Program) Workers() int { return 1 }

// Play plays a scenario.
func (r *Program) Play(ctx context.Context, s *scenario.Scenario) (judge.Result, error) {
	dir := filepath.Join(r.Folder, fmt.Sprintf("run-%d", r.n.Add(1)))
	c := &harness.Check{Scenario: s, Host: r.Host, Run: dir, Self: r.Self, Extra: r.Extra, HostText: r.HostText}
	out, err := c.Do(ctx)
	if err != nil {
		return judge.Result{}, errors.Join(err, ctx.Err())
	}
	if out.Why != "" && len(out.Reasons) == 0 {
		out.Reasons = []string{out.Why}
	}
	return out.Result, os.RemoveAll(dir)
}
