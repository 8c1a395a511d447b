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
	pace := paceOf(int64(c.Scenario.Play.Until / replayFor))
	if out.faster() {
		pace = stage.Real
	}
	return c.again(ctx, out, "-again", &pace)
}

// Alone plays the scenario of an outcome once more, with no other beside it.
func (c *Check) Alone(ctx context.Context, out *Outcome) (*Outcome, error) {
	return c.again(ctx, out, "-alone", nil)
}

// again plays a scenario once more, beside the first run's folder, at another pace or
// (nil) the same, and says what the two come to: what the second finds counts, and an
// outcome of which nothing shows again is inconclusive. A second run that could not have
// shown it proves nothing, and is played again at a slower pace where there is one.
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
	if err != nil {
		return nil, err
	}
	unproven := unproven(ctx, first, second)
	if slower := slowest(c.Scenario.Play.Until); unproven != "" && pace != nil && slower.Times() < pace.Times() {
		if err := os.RemoveAll(again.Run); err != nil {
			return nil, err
		}
		return c.again(ctx, first, folder, &slower)
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
	case unproven != "":
		return first, first.doubted(fmt.Sprintf("depends on timing, perhaps: %s; played once more, %s, it %s; %s", seen, how, unproven, both))
	}
	return first, first.doubted(fmt.Sprintf("depends on timing: %s; the host passed when it was played once more, %s; %s", seen, how, both))
}

// slower plays a scenario instead of a run in which nothing was due, or the host was not
// back in time: at a speed factor a host that starts again, or is killed, has little time.
// It is that run's outcome where there is no slower pace.
func (c *Check) slower(ctx context.Context, out *Outcome, pace stage.Pace) (*Outcome, error) {
	slow := slowest(c.Scenario.Play.Until)
	if slow.Times() >= pace.Times() || c.Kept != nil || c.Host.Running || c.Watch != nil {
		return out, nil
	}
	if err := os.RemoveAll(c.Run); err != nil {
		return nil, err
	}
	again, hasty := *c, out.hasty
	again.Pace = &slow
	out, err := again.Do(ctx)
	if err == nil {
		out.Twice = fmt.Sprintf("at pace %s %s: played at pace %s", pace, hasty, slow)
	}
	return out, err
}

// unproven says why a second run proves nothing about what the first found; it is empty
// where it does.
func unproven(ctx context.Context, first, second *Outcome) string {
	switch late := len(second.OfTiming()); {
	case second.Verdict == judge.Fail && late > 0 && late == len(second.Findings):
		return "came to nothing but what a host that waits for a processor does"
	case second.Verdict == judge.Pass:
	case second.Verdict == judge.Inconclusive:
		return "came to no verdict: " + strings.Join(second.Report().Result.Reasons, "; ")
	default:
		return ""
	}
	var failed error
	left := judge.Unshown(ctx, first.evidence(ctx, &failed), second.evidence(ctx, &failed))
	if failed != nil || len(left) == 0 {
		return ""
	}
	more := ""
	if n := len(left) - 1; n > 0 {
		more = fmt.Sprintf(" and %d more", n)
	}
	return fmt.Sprintf("could not have shown %s of %s at %.3f s%s: the host was not given what is due there, or had no time for it",
		left[0].Kind, left[0].Gauge, left[0].At.Seconds(), more)
}

func (o *Outcome) evidence(ctx context.Context, err *error) judge.Evidence {
	return judge.Evidence{Spec: o.Spec, Entries: o.whole(ctx, err), Records: o.Records}
}

// A scenario takes about replayFor when it is played again, and slowMost at most where
// that run proves nothing.
const (
	replayFor = 3 * time.Second
	slowMost  = time.Minute
)

// slowest is the slowest pace at which a timeline takes no longer than slowMost.
func slowest(length time.Duration) stage.Pace {
	return paceOf(int64((length + slowMost - 1) / slowMost))
}

// paceOf is a timed pace: no slower than real, and at most 20 times as fast, for a host
// has timers of its own.
func paceOf(times int64) (p stage.Pace) {
	if err := p.UnmarshalText(fmt.Appendf(nil, "%dx", min(20, max(1, times)))); err != nil {
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
