package judge

import (
	"context"
	"iter"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/stage/ledger"
)

// Evidence is what a run left.
type Evidence struct {
	Spec    Spec
	Entries iter.Seq[ledger.Entry]
	Records []Record
}

// Unshown are the findings of one run of a scenario that another run of it could not have
// shown, whatever the host did: the row was not due there, or what it is too many for was
// not surely given to the host.
func Unshown(ctx context.Context, one, other Evidence) (fs []Finding) {
	before := newJudging(ctx, &one.Spec, one.Entries, one.Records)
	after := newJudging(ctx, &other.Spec, other.Entries, other.Records)
	if before.ended() || after.ended() {
		return nil
	}
	base := before.test(nil)
	was, is := before.occasions(base), after.occasions(after.test(nil))
	for i := range base.diffs {
		d := &base.diffs[i]
		o, ok := before.occasion(base, d)
		if !ok {
			continue
		}
		if n := is[o]; n < was[o] && (o.tagged || o.event != cause.NoEvent || n == 0) {
			fs = append(fs, before.finding(d))
		}
	}
	return fs
}

// occasion is something that a row is due for, or may be made of. Two runs may differ in
// how many readings of a stream they have, but not in when they have some.
type occasion struct {
	heard  bool // a frame of any gauge, instead of a row that is due
	stream int  // of outcome.streams
	event  cause.Event
	tagged bool
	tag    int64
	second time.Duration // of readings without a tag number, in whole seconds
}

// occasions counts those of a run.
func (j *judging) occasions(base *outcome) map[occasion]int {
	all := map[occasion]int{}
	for n := range base.streams {
		for i := range base.streams[n].wants {
			if w := &base.streams[n].wants[i]; w.Loss == cause.Must {
				all[j.dueOf(n, w)]++
			}
		}
	}
	for i := range j.h.Seen {
		if s := &j.h.Seen[i]; s.What == cause.Frame && s.State == cause.Sure {
			all[heardOf(s)]++
		}
	}
	return all
}

func (j *judging) dueOf(stream int, w *cause.Want) occasion {
	o := occasion{stream: stream, event: w.Event, tagged: w.Tagged, tag: w.Tag}
	if !o.tagged && o.event == cause.NoEvent && w.Seen >= 0 {
		o.second = j.h.Seen[w.Seen].At.Truncate(time.Second)
	}
	return o
}

func heardOf(s *cause.Seen) occasion {
	if s.Numbered {
		return occasion{heard: true, tagged: true, tag: s.Tag}
	}
	return occasion{heard: true, second: s.At.Truncate(time.Second)}
}

// occasion is that of a disagreement; ok is false for one that any run can show.
func (j *judging) occasion(base *outcome, d *diff) (o occasion, ok bool) {
	switch {
	case d.kind == KindTagRepeated:
		return heardOf(&j.h.Seen[d.want.Seen]), true
	case d.want != nil && d.want.Event != cause.NoEvent:
		return j.dueOf(len(j.readings)+int(d.gauge), d.want), true
	case d.want != nil && d.stream >= 0:
		return j.dueOf(int(d.stream), d.want), true
	case d.kind == KindExtra && d.rec >= 0 && j.records[d.rec].Tag != nil:
		return occasion{heard: true, tagged: true, tag: *j.records[d.rec].Tag}, true
	case d.kind == KindExtra && d.at >= 0:
		return heardOf(&j.h.Seen[d.at]), true
	}
	return o, false
}
