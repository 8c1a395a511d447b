package check

import (
	"slices"

	"example.org/understudy/harness/judge"
)

// Drained reports whether the run was at pace drain, at which the timeline goes as
// fast as the host reads: a host with timers of its own can be wrong there and right
// at a timed pace.
func (o *Outcome) Drained() bool {
	return len(o.Entries) > 0 && o.Entries[0].Run != nil && o.Entries[0].Run.Pace == "drain"
}

// OfTiming are the findings that the pace alone could have made: rows and events that
// are missing, late, doubled or out of order, and what the host did late at the port.
// Of a run that was not at pace drain there are none.
func (o *Outcome) OfTiming() (fs []judge.Finding) {
	if !o.Drained() {
		return nil
	}
	for _, f := range o.Findings {
		if slices.Contains(ofTiming, f.Kind) {
			fs = append(fs, f)
		}
	}
	return fs
}

var ofTiming = []judge.Kind{judge.KindLost, judge.KindTagLost, judge.KindTagRepeated, judge.KindExtra, judge.KindOrder,
	judge.KindEventMissing, judge.KindEventLate, judge.KindEventExtra, judge.KindSettingMissing, judge.KindSettingLate,
	judge.KindControl, judge.KindStall, judge.KindReopen, judge.KindOverrun, judge.KindTime}
