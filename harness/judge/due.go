package judge

import (
	"context"
	"iter"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
)

// KindSummary is a statistic that is not that of the readings it is of.
const KindSummary Kind = "summary"

// Due is a reading that a correct host has of a channel, recorded or not.
type Due struct {
	Tagged   bool
	Void     bool
	Sure     bool            // the host has surely received it, as a reading of its own
	Shown    decimal.Decimal // as the host displays it, in its unit
	Received decimal.Decimal // in picometres
}

// ReadingsDue are the readings of a run by gauge and channel. whole is false where the
// host ended in mid-run, or the ledger has no end: a summary may then be of a part.
func ReadingsDue(ctx context.Context, spec Spec, entries iter.Seq[ledger.Entry]) (due [][][]Due, whole bool) {
	spec.All = true
	j := &judging{Spec: &spec, ctx: ctx}
	j.observe(entries)
	rows := j.expect(nil, span{to: len(j.h.Seen)})
	for g := range spec.Gauges {
		of := make([][]Due, len(spec.Gauges[g].Channels))
		for c := range of {
			for _, w := range rows.Readings[g*j.width+c] {
				s := &j.h.Seen[w.Seen]
				d := Due{Tagged: s.Tagged, Void: w.Void, Sure: w.Loss == cause.Must, Shown: w.Value}
				for _, r := range j.h.Of(s) {
					if int(r.Channel) == c && !r.Void {
						d.Received = r.Length()
					}
				}
				of[c] = append(of[c], d)
			}
		}
		due = append(due, of)
	}
	return due, !j.cut && !j.ended() && len(j.ends) == 0 && j.quit == nil && !spec.Killed
}
