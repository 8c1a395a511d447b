package check

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"sort"
	"strings"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/paper"
	"example.org/understudy/harness/records"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/wire"
)

// judge reads the host's records and compares them with the ledger.
func (c *Check) judge(ctx context.Context, out *Outcome, m meta) {
	out.Why, out.Exit, out.Took, out.Began = m.Why, m.Exit, m.Took, m.Began
	if m.Why != "" {
		out.Verdict = judge.Inconclusive
		return
	}
	if !out.Exit.Clean() {
		out.Output = c.lastLines(m.Places)
	}
	var recs []records.Record
	var left records.Left
	file, err := c.recordsFile(m.Places)
	if err == nil {
		recs, left, err = c.read(ctx, file)
	}
	if errors.Is(err, fs.ErrNotExist) && quit(out.Entries) {
		err = nil // it was gone before it made them
	}
	if err != nil {
		out.Why = "the host's records: " + err.Error()
		out.Verdict = judge.Inconclusive
		return
	}
	if f, err := m.Places.Expand("{output}"); err == nil && f == file && m.Exit.Dropped > 0 {
		out.Why = fmt.Sprintf("the host printed %d bytes more than are kept, and its records are among them", m.Exit.Dropped)
		out.Verdict = judge.Inconclusive
		return
	}
	for _, row := range left.Blank {
		if m.Earlier == 0 || m.Earlier <= len(recs) && row > recs[m.Earlier-1].Row {
			out.Blank = append(out.Blank, row)
		}
	}
	var statistics []judge.Record
	for _, rec := range c.ofThisRun(recs, m) {
		if c.Host.Records.Statistics && slices.Contains(hostfile.Statistics, rec.Kind) {
			statistics = append(statistics, rec)
			continue
		}
		out.Records = append(out.Records, rec)
	}
	spec := c.spec(m)
	out.Spec = spec
	out.Result = judge.JudgeSeq(ctx, spec, out.whole(ctx, &err), out.Records)
	if c.Coverage && err == nil {
		timed := slices.ContainsFunc(out.Records, func(r judge.Record) bool { return r.HasTime })
		covers := judge.Covers(ctx, spec, out.whole(ctx, &err), timed)
		out.Coverage = &covers
	}
	if err != nil {
		out.Verdict = judge.Error
		out.Reasons = append(out.Reasons, "the ledger: "+err.Error())
	}
	if out.Verdict == judge.Fail && out.Tail && m.Unsettled {
		out.Verdict = judge.Inconclusive
		out.Reasons = append(out.Reasons, fmt.Sprintf("the host was still recording %s after the end, and nothing but its last rows is missing", workMost))
	}
	if !c.Drawn {
		out.notDone()
	}
	c.describedBy(out, left)
	c.summaries(ctx, out, statistics, m)
	out.doubt(m.Doubt)
	if out.Verdict == judge.Pass && out.Counts.Expected+out.Counts.Paired == 0 {
		out.Verdict, out.hasty = judge.Inconclusive, "nothing was due to be recorded" // a pass needs evidence
		out.Reasons = append(out.Reasons, "nothing that the host received was due to be recorded")
		// Is that because of what the host does not claim?
		spec.All, spec.Claims = c.Scenario.Host.Keeps == "all", nil
		if full := judge.JudgeSeq(ctx, spec, out.whole(ctx, &err), nil); err == nil && full.Counts.Expected > 0 {
			out.Verdict = judge.Skipped
			out.Reasons = []string{"all that the scenario has a host record is what this one does not claim"}
		}
	}
}

// spec is what a run of the check is judged by.
func (c *Check) spec(m meta) judge.Spec {
	spec := paper.Spec(c.Scenario)
	spec.RealTime, spec.Speed, spec.Late = m.Pace.Timed(), m.Pace.Times(), noticesWithin
	if spec.RealTime {
		spec.Within = m.Pace.Virtual(c.Host.Commits())
	}
	spec.Begun, spec.Ended = m.Began, m.Began.Add(m.Took)
	if c.Host.Keeps != "" {
		spec.All = c.Host.Keeps == hostfile.All
	}
	spec.Killed = m.Exit.Killed
	not := slices.Clone(c.Host.NoClaim)
	for _, a := range silent(c.Scenario) {
		spec.Untold, not = append(spec.Untold, cause.Aspect(a)), append(not, a)
	}
	spec.Claims = claims(not)
	return spec
}

// notDone finds cues that were not done, and does not pass a run that lacks them: what it
// was to show did not happen.
func (o *Outcome) notDone() {
	cues := o.Check.Scenario.Cues
	said := map[int]bool{}
	for _, e := range o.Entries {
		if e.Cue < 1 || e.Cue > len(cues) || said[e.Cue] {
			continue
		}
		wrong := cues[e.Cue-1].Differs([]string{strings.TrimPrefix(e.Note, ledger.NotDone)})
		if said[e.Cue] = wrong != ""; wrong == "" {
			continue
		}
		if o.Verdict == judge.Pass {
			if o.Verdict = judge.Inconclusive; strings.HasSuffix(e.Note, stage.ErrAway.Error()) {
				o.hasty = "the host was not back when it was to be started again"
			}
		}
		o.Reasons = append(o.Reasons, fmt.Sprintf("the scenario, not the host: at %s, %s", cues[e.Cue-1].Pos(), strings.TrimSpace(e.Gauge+" "+wrong)))
	}
}

// quit reports whether the host ended by itself.
func quit(entries []ledger.Entry) bool {
	return slices.ContainsFunc(entries, func(e ledger.Entry) bool {
		return e.Kind == ledger.KindHost && strings.HasPrefix(e.Note, ledger.Quit)
	})
}

// noticesWithin is how late a program may notice what it is sent, on a busy machine.
const noticesWithin = 250 * time.Millisecond

// silent are the aspects the scenario's dialects cannot tell a host about.
func silent(s *scenario.Scenario) (not []string) {
	for g := range s.Play.Cast {
		if d := s.Play.Cast[g].Dialect; d.Term(wire.Low) >= 0 || d.Term(wire.Cell) >= 0 {
			return nil
		}
	}
	return []string{string(cause.LowCell)}
}

// claims is all aspects but those a host does not claim; nil is all.
func claims(not []string) []cause.Aspect {
	if len(not) == 0 {
		return nil
	}
	sort.Strings(not)
	claimed := []cause.Aspect{}
	for _, a := range cause.Aspects() {
		if i := sort.SearchStrings(not, string(a)); i == len(not) || not[i] != string(a) {
			claimed = append(claimed, a)
		}
	}
	return claimed
}
