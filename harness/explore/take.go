package explore

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/harness/judge"
	"example.org/understudy/scenario"
	"example.org/understudy/scenario/shrink"
	"example.org/understudy/sim/wire"
)

// took takes the result of a scenario and reports whether what was found is
// enough.
func (e *explorer) took(it *item) (enough bool, err error) {
	fresh := func() []string {
		return slices.DeleteFunc(Causes(&it.played.Result), func(name string) bool { return e.known[name] })
	}
	if len(fresh()) > 0 {
		if err := e.again(it); err != nil {
			return false, err
		}
	}
	r := &it.played.Result
	e.sum.Runs++
	if it.row != nil {
		e.sum.Rows++
		e.sum.Coverage.Add(it.row)
		e.sum.Tuples = e.sum.Coverage.Run()
	}
	e.log(line{Kind: "run", Run: it.n, Seed: it.seed, Levels: e.words(it.row), Verdict: r.Verdict.String(), Causes: Causes(r), Reasons: r.Reasons})
	if err := e.file(it); err != nil {
		return false, err
	}
	for _, name := range fresh() {
		e.known[name] = true
		f := &Found{Cause: name, First: it.file, Small: it.file, Run: it.n, After: time.Since(e.began)}
		if c, ok := cause.Find(name); ok {
			f.Code, f.Looks = c.Code, c.Looks
		}
		e.small(f, r)
		e.sum.Found = append(e.sum.Found, f)
		e.sum.Causes = len(e.sum.Found)
		e.log(line{Kind: "found", Run: f.Run, Cause: f.Cause, Code: f.Code, TookMS: f.After.Milliseconds(), Tried: f.Tried, Steady: f.Steady,
			Cues: len(f.Small.Cues), Gauges: len(f.Small.Gauges), Scenario: string(f.Text)})
		if e.Found != nil {
			e.Found(f)
		}
		enough = enough || e.Enough != nil && e.Enough(f)
	}
	return enough || e.neverReady(&it.played), nil
}

// again plays a scenario once more in which something was found for the first time:
// only what shows again is found.
func (e *explorer) again(it *item) error {
	s, err := scenario.Parse("generated", scenario.Marshal(it.file, ""), e.Dialects)
	if err != nil {
		return err
	}
	first := it.played
	if it.played, err = e.Runner.Confirm(e.whole, s, first); err != nil || it.played.again {
		return err
	}
	second, err := e.Runner.Play(e.whole, s, fmt.Sprintf("run-%d-again", it.n))
	if err != nil {
		return err
	}
	names := Causes(&first.Result)
	if shown := Causes(&second.Result); slices.ContainsFunc(names, func(name string) bool { return slices.Contains(shown, name) }) {
		it.played = second
		return first.discard()
	}
	it.played.Verdict = judge.Inconclusive
	it.played.Reasons = []string{fmt.Sprintf("did not show when the scenario was played again: %s", strings.Join(names, ", "))}
	return second.discard()
}

// file counts a run by its verdict, and keeps or removes its folder.
func (e *explorer) file(it *item) error {
	p := &it.played
	unclear := unclear(p)
	switch {
	case p.Verdict == judge.Skipped:
		e.sum.Skipped++
	case unclear:
		e.sum.NoVerdict++
		for _, why := range p.Reasons {
			if !slices.Contains(e.sum.Why, why) {
				e.sum.Why = append(e.sum.Why, why)
			}
		}
	}
	if !unclear && e.Run == 0 {
		return p.discard()
	}
	if unclear && e.Unclear != nil {
		e.Unclear(Unclear{Run: it.n, Reasons: p.Reasons, Folder: p.Folder})
	}
	if e.Run > 0 && e.Kept != nil {
		e.Kept(*p)
	}
	return nil
}

// neverReady reports whether the host has not become ready so often, and never has,
// that it is not worth going on.
func (e *explorer) neverReady(p *Played) bool {
	if p.NotReady {
		e.unready++
	} else if p.Verdict != judge.Skipped {
		e.ready = true
	}
	e.sum.NeverReady = !e.ready && e.unready >= 2
	return e.sum.NeverReady
}

// small shrinks what was found, and writes it out.
// It must show the cause no less clearly than what was generated: where that
// told it apart from its rival, so must the small one; and it must be one that
// a right host passes: the host receives something to record, and the dialects
// can say what it is to know.
func (e *explorer) small(f *Found, as *judge.Result) {
	// What is found at the end of the budget is made small all the same.
	ctx, cancel := context.WithTimeout(e.whole, max(e.Budget-time.Since(e.began), shrinkFor))
	defer cancel()
	clear := told(as, f.Cause)
	tried := 0
	shows := func(file *scenario.File) bool {
		e.progress(f.Cause, tried)
		tried++
		s, err := scenario.Parse("smaller", scenario.Marshal(file, ""), e.Dialects)
		if err != nil || ctx.Err() != nil || !carried(s) {
			return false
		}
		r, err := e.Runner.Play(ctx, s, fmt.Sprintf("run-%d-smaller", f.Run))
		if err == nil {
			err = r.discard()
		}
		if ctx.Err() != nil {
			return false
		}
		return err == nil && slices.Contains(Causes(&r.Result), f.Cause) && (!clear || told(&r.Result, f.Cause)) && decides(&r.Result) >= decides(as)
	}
	if !e.NoShrink {
		if f.Steady = shows(f.First); f.Steady {
			f.Small, f.Tried = shrink.Shrink(f.First, shows, 0)
			if !e.confirmed(ctx, f) {
				f.Small, f.Steady = f.First, false
			}
		}
	}
	named := *f.Small
	named.Title = "Shows " + f.Cause
	note := fmt.Sprintf("Found by exploring with seed %d, in run %d, and made as small as it would go.\n", e.Seed, f.Run)
	if e.NoShrink {
		note = fmt.Sprintf("Found by exploring with seed %d, in run %d.\n", e.Seed, f.Run)
	} else if e.whole.Err() != nil {
		note = fmt.Sprintf("Found by exploring with seed %d, in run %d, and not made as small as it would go: exploring was stopped.\n", e.Seed, f.Run)
	} else if !f.Steady {
		note = fmt.Sprintf("Found by exploring with seed %d, in run %d, and not made as small as it would go: it does not show every time.\n", e.Seed, f.Run)
	}
	if f.Looks != "" {
		note += fmt.Sprintf("%s %s: %s.\n", f.Code, f.Cause, strings.TrimRight(f.Looks, "."))
	}
	f.Text = scenario.Marshal(&named, note)
}

// confirmed reports whether the small scenario shows the cause at a timed pace too,
// where timing could have made it.
func (e *explorer) confirmed(ctx context.Context, f *Found) bool {
	s, err := scenario.Parse("smaller", scenario.Marshal(f.Small, ""), e.Dialects)
	if err != nil {
		return false
	}
	drained, err := e.Runner.Play(ctx, s, fmt.Sprintf("run-%d-smallest", f.Run))
	if err != nil {
		return false
	}
	p, err := e.Runner.Confirm(ctx, s, drained)
	if err != nil {
		return false
	}
	shown := slices.Contains(Causes(&p.Result), f.Cause)
	return errors.Join(drained.discard(), p.discard()) == nil && shown
}

// decides is whether the host was sent a frame, and whether it had something to
// record: without, no host passes.
func decides(r *judge.Result) (n int) {
	c := &r.Counts
	return min(c.Frames+c.Spoilt+c.Perhaps, 1) + min(c.Expected, 1)
}

// carried reports whether the dialects carry what the scenario wants the host
// to know: which channel, that the cell is low, and settings that it writes.
func carried(s *scenario.Scenario) bool {
	for i := range s.Play.Cast {
		m := &s.Play.Cast[i]
		d := m.Dialect
		if f := d.FrameFor("reading"); len(m.Profile.Channels) > 1 && d.Term(wire.Channel) < 0 && (f == wire.NoFrame || !d.Grouped(f)) {
			return false
		}
		if m.Cell != nil && d.Term(wire.Low) < 0 && d.Term(wire.Cell) < 0 {
			return false
		}
		sets := slices.ContainsFunc(d.Frames(), func(f wire.FrameInfo) bool { return f.From == wire.Host && f.Verb == "set" })
		if len(s.Writes(i)) > 0 && !sets {
			return false
		}
	}
	return true
}

// shrinkFor is how long, at least, is spent on making a scenario small.
const shrinkFor = 30 * time.Second

// told reports whether a result tells a cause apart from the next best.
func told(r *judge.Result, name string) bool {
	for _, ex := range r.Explanations {
		if ex.Cause.Name == name {
			return !slices.ContainsFunc(ex.Rivals, func(r judge.Rival) bool { return r.Same })
		}
	}
	return false
}
