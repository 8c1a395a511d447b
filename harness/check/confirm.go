package check

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"example.org/understudy/harness/judge"
	"example.org/understudy/harness/report"
	"example.org/understudy/sim/stage"
)

// Prove runs the check, and where timing could have made a finding runs it once more
// at a timed pace: it counts only if it shows again. Otherwise the outcome is
// inconclusive and both runs are kept.
func (c *Check) Prove(ctx context.Context) (*Outcome, error) {
	out, err := c.Do(ctx)
	if err != nil || len(out.OfTiming()) == 0 {
		return out, err
	}
	return c.Confirm(ctx, out)
}

// Confirm plays the scenario of an outcome once more, at a timed pace.
func (c *Check) Confirm(ctx context.Context, out *Outcome) (*Outcome, error) {
	pace := timedPace(c.Scenario.Play.Until)
	if out.faster() {
		pace = stage.Real
	}
	return c.again(ctx, out, "-again", &pace)
}

// realMost is how long a scenario is at most that is played at real pace where it came
// to no verdict at a faster one: its host may have been too slow for that.
const realMost = time.Minute

// Alone plays the scenario of an outcome once more, with no other beside it.
func (c *Check) Alone(ctx context.Context, out *Outcome) (*Outcome, error) {
	return c.again(ctx, out, "-alone", nil)
}

// again plays a scenario once more, beside the first run's folder, at another pace or
// (nil) the same, and says what the two come to: what the second finds counts, and an
// outcome of which nothing shows again is inconclusive.
func (c *Check) again(ctx context.Context, first *Outcome, folder string, pace *stage.Pace) (*Outcome, error) {
	seen := strings.Join(first.Found(), ", ")
	if c.Host.Running {
		return first, first.doubted(fmt.Sprintf("depends on timing, perhaps: %s. A host that was started by hand is not asked twice: play at pace real", seen))
	}
	again := *c
	again.Run, again.Kept, again.Watch = c.Run+folder, nil, nil
	how := "with no other scenario beside it"
	if pace != nil {
		again.Pace, how = pace, "at pace "+pace.String()
	}
	second, err := again.Do(ctx)
	if err == nil && second.Verdict == judge.Inconclusive && pace != nil && *pace != stage.Real && c.Scenario.Play.Until <= realMost {
		if err := os.RemoveAll(again.Run); err != nil {
			return nil, err
		}
		return c.again(ctx, first, folder, &stage.Real)
	}
	if err != nil {
		return nil, err
	}
	both := fmt.Sprintf("the runs are %s and %s", c.Run, again.Run)
	switch {
	case first.NotReady && second.NotReady, second.Verdict == judge.Fail && slices.Equal(first.Found(), second.Found()):
		return first, os.RemoveAll(again.Run)
	case first.NotReady:
		second.Twice = fmt.Sprintf("the host became ready only when it was started %s: check it with --jobs 1", how)
		return second, nil
	case second.Verdict == judge.Fail:
		second.Result = report.Hold(ctx, first.Report(), second.Report())
		second.Twice = fmt.Sprintf("this was found when the scenario was played once more, %s; at first it was %s; %s", how, seen, both)
		return second, nil
	case second.Verdict == judge.Pass:
		return first, first.doubted(fmt.Sprintf("depends on timing: %s; the host passed when it was played once more, %s; %s", seen, how, both))
	}
	return first, first.doubted(fmt.Sprintf("depends on timing, perhaps: %s; played once more, %s, it came to no verdict: %s; %s",
		seen, how, strings.Join(second.Report().Result.Reasons, "; "), both))
}

// replayFor is about how long a scenario takes that is played again.
const replayFor = 3 * time.Second

// timedPace is a pace at which a timeline takes about replayFor: no slower than real,
// and at most 20 times as fast, for a host has timers of its own.
func timedPace(length time.Duration) (p stage.Pace) {
	if err := p.UnmarshalText([]byte(fmt.Sprintf("%dx", min(20, max(1, length/replayFor))))); err != nil {
		panic(err) // it is between 1x and 20x
	}
	return p
}

// Found names what was found: causes, and kinds of finding without one.
func (o *Outcome) Found() (names []string) {
	for _, ex := range o.Explanations {
		names = append(names, ex.Cause.Name)
	}
	for _, f := range o.Findings {
		if kind := "unexplained " + string(f.Kind); f.Cause == "" && !slices.Contains(names, kind) {
			names = append(names, kind)
		}
	}
	slices.Sort(names)
	return names
}

// doubted notes in the run folder why what was found is not counted.
func (o *Outcome) doubted(why string) error {
	o.meta.Doubt = why
	o.doubt(why)
	if o.Check.HostText == nil {
		return nil
	}
	return o.Check.keep(o.meta)
}

// doubt has what was found not count, unless why is empty.
func (o *Outcome) doubt(why string) {
	if why != "" && o.Verdict == judge.Fail {
		o.Verdict = judge.Inconclusive
		o.Reasons = append(o.Reasons, why)
	}
}
