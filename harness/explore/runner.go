package explore

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"example.org/understudy/harness/check"
	"example.org/understudy/harness/explore/inside"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/stage/ledger"
)

// Inside plays scenarios against a host in the same process.
type Inside struct {
	Host   inside.Host
	Folder string // where runs without a verdict are kept; empty: nowhere
	Keep   bool   // those with one too
}

// Workers is one for each processor.
func (r Inside) Workers() int { return workers() }

// Play plays a scenario. A host that fails as a program is a finding.
func (r Inside) Play(ctx context.Context, s *scenario.Scenario, name string) (p Played, err error) {
	run, err := inside.Do(ctx, s, r.Host)
	switch {
	case ctx.Err() != nil:
		return p, ctx.Err()
	case err != nil:
		first, _, _ := strings.Cut(err.Error(), "\n")
		p.Result = judge.Result{Verdict: judge.Error, Reasons: []string{first}}
	default:
		p.Result = run.Result
	}
	if r.Folder != "" && (r.Keep || unclear(&p)) {
		p.Folder, err = r.keep(s, run, name)
		return p, err
	}
	return p, nil
}

// keep leaves a run in a folder: its scenario, and as far as they go the ledger and
// the host's records.
func (r Inside) keep(s *scenario.Scenario, run *inside.Run, name string) (dir string, err error) {
	if dir, err = freeFolder(r.Folder, name); err != nil {
		return "", err
	}
	var entries bytes.Buffer
	w := ledger.NewWriter(&entries)
	var wrote []byte
	if run != nil {
		wrote = run.Wrote
		for _, e := range run.Entries {
			w.Write(e)
		}
	}
	err = w.Flush()
	for file, text := range map[string][]byte{"scenario.yaml": s.Text, "ledger.jsonl": entries.Bytes(), "records.csv": wrote} {
		err = errors.Join(err, os.WriteFile(filepath.Join(dir, file), text, 0o644))
	}
	return dir, err
}

// freeFolder makes a folder of that name, or with a number behind it where there is
// one already.
func freeFolder(in, name string) (dir string, err error) {
	if err := os.MkdirAll(in, 0o755); err != nil {
		return "", err
	}
	for n := 1; n < 100_000; n++ {
		dir = filepath.Join(in, name)
		if n > 1 {
			dir += fmt.Sprintf("-%d", n)
		}
		if err = os.Mkdir(dir, 0o755); !errors.Is(err, os.ErrExist) {
			return dir, err
		}
	}
	return "", err
}

// unclear reports whether a run came to no verdict.
func unclear(p *Played) bool { return p.Verdict == judge.Inconclusive || p.Verdict == judge.Error }

// Confirm has nothing to do: the host's time is the timeline's.
func (r Inside) Confirm(_ context.Context, _ *scenario.Scenario, p Played) (Played, error) {
	return p, nil
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
	Folder string   // for the runs; one that passes is removed again
	Keep   bool     // keep that too
	// HostText is the host description as written.
	HostText []byte

	kept *check.Kept
}

// Workers is one: a host that shares the processors with another is slower to
// open its ports, and two that run already share one records file.
func (r *Program) Workers() int { return 1 }

// Play plays a scenario. What a host that was kept does wrong it must do wrong
// again when it is started anew: what only comes of an earlier run is no
// finding of this one, and no pass either.
func (r *Program) Play(ctx context.Context, s *scenario.Scenario, name string) (Played, error) {
	if r.kept == nil && (r.Host.Running || r.Host.Many != nil) {
		r.kept = &check.Kept{Folder: filepath.Join(r.Folder, HostFolder)}
	}
	p, err := r.once(ctx, s, name)
	if err != nil || r.kept == nil || p.Verdict == judge.Pass || r.kept.Runs() < 2 {
		if err == nil && r.kept != nil && p.Verdict != judge.Pass {
			r.kept.Close() // the next one starts with a clean slate
		}
		return p, err
	}
	runs := r.kept.Runs()
	r.kept.Close()
	anew, err := r.once(ctx, s, name)
	if err == nil && anew.Verdict == judge.Pass {
		p.Verdict = judge.Inconclusive
		p.Reasons = []string{fmt.Sprintf("in its run %d the host did otherwise than when it was started anew (%s)", runs, strings.Join(p.outcome.Found(), ", "))}
		return p, anew.discard()
	}
	return anew, errors.Join(err, p.discard())
}

// Confirm plays a scenario once more, at a timed pace, where timing could have made
// what was found.
func (r *Program) Confirm(ctx context.Context, _ *scenario.Scenario, p Played) (Played, error) {
	if p.outcome == nil || len(p.outcome.OfTiming()) == 0 {
		return p, nil
	}
	c := *p.outcome.Check
	c.Run = p.Folder
	out, err := c.Confirm(ctx, p.outcome)
	if err != nil {
		return p, errors.Join(err, ctx.Err())
	}
	again := playedOf(out)
	again.Folder, again.again = p.Folder, true
	if out != p.outcome && out.Check.Run != p.Folder { // the second run is what counts
		again.Folder = out.Check.Run
		return again, p.discard()
	}
	return again, nil
}

func playedOf(out *check.Outcome) Played {
	p := Played{Result: out.Result, NotReady: out.NotReady, outcome: out}
	if out.Why != "" && len(p.Reasons) == 0 {
		p.Reasons = []string{out.Why}
	}
	return p
}

func (r *Program) once(ctx context.Context, s *scenario.Scenario, name string) (Played, error) {
	dir, err := freeFolder(r.Folder, name)
	if err != nil {
		return Played{}, err
	}
	c := &check.Check{Scenario: s, Host: r.Host, Run: dir, Self: r.Self, Extra: r.Extra, HostText: r.HostText, Kept: r.kept, Drawn: true}
	shared := r.kept != nil && r.Host.GoesOn()
	if shared {
		c.Run = r.kept.Folder
	}
	out, err := c.Do(ctx)
	if err != nil {
		return Played{}, errors.Join(err, ctx.Err(), os.RemoveAll(dir))
	}
	p := playedOf(out)
	p.Folder = dir
	if p.Verdict == judge.Skipped || p.Verdict == judge.Pass && !r.Keep {
		err = p.discard()
		p.Folder = ""
		return p, err
	}
	switch {
	case shared: // the next run goes on in the folder
		err = os.CopyFS(dir, os.DirFS(r.kept.Folder))
	case r.kept != nil:
		err = r.copyOutput(dir)
	}
	return p, err
}

// copyOutput copies what a host that is kept has printed so far.
func (r *Program) copyOutput(dir string) error {
	for _, name := range check.Outputs() {
		text, err := os.ReadFile(filepath.Join(r.kept.Folder, name))
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err := errors.Join(err, os.WriteFile(filepath.Join(dir, name), text, 0o644)); err != nil {
			return err
		}
	}
	return nil
}

// Close ends a host that was kept.
func (r *Program) Close() {
	if r.kept != nil {
		r.kept.Close()
	}
}
