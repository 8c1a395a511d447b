package check

import (
	"slices"

	"example.org/understudy/harness/judge"
	"example.org/understudy/sim/stage"
)

// Drained reports whether the run was at pace drain, at which the timeline goes as
// fast as the host reads: a host with timers of its own can be wrong there and right
// at a timed pace.
func (o *Outcome) Drained() bool {
	return len(o.Entries) > 0 && o.Entries[0].Run != nil && o.Entries[0].Run.Pace == "drain"
}

// OfTiming are the findings that the pace alone could have made: rows and events that
// are missing, late, doubled or out of order, and what the host did late at the port.
// Of a run faster than real they are what a host does late at the port, which may have
// waited for a processor, and events too many: a port may be hung up before its opening
// is seen. Of one at real pace or slower there are none.
func (o *Outcome) OfTiming() (fs []judge.Finding) {
	kinds := ofTiming
	if o.faster() {
		kinds = []judge.Kind{judge.KindOverrun, judge.KindStall, judge.KindEventExtra}
	} else if !o.Drained() {
		return nil
	}
	for _, f := range o.Findings {
		if slices.Contains(kinds, f.Kind) {
			fs = append(fs, f)
		}
	}
	return fs
}

// faster reports whether the run was at a speed factor above 1, and is short enough to
// be played at real pace too.
func (o *Outcome) faster() bool {
	if len(o.Entries) == 0 || o.Entries[0].Run == nil || o.Check == nil || o.Check.Scenario == nil || o.Check.Scenario.Play.Until > slowMost {
		return false
	}
	var p stage.Pace
	return p.UnmarshalText([]byte(o.Entries[0].Run.Pace)) == nil && p.Times() > 1
}

var ofTiming = []judge.Kind{judge.KindLost, judge.KindTagLost, judge.KindTagRepeated, judge.KindExtra, judge.KindOrder,
	judge.KindEventMissing, judge.KindEventLate, judge.KindEventExtra, judge.KindSettingMissing, judge.KindSettingLate,
	judge.KindControl, judge.KindStall, judge.KindReopen, judge.KindDeserted, judge.KindOverrun, judge.KindTime}
