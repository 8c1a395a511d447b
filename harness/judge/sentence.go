package judge

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/stage/ledger"
)

// Some sentences are not of single rows that are due: they are about events, about rows
// in the place of others, and about names and times.

// ofRun is the aspect of a sentence about more than one row at a time.
const ofRun = aspects

// sentences are those that explain findings of several rows together.
func (j *judging) sentences(base *outcome) (out []found) {
	for _, of := range []func(*outcome) (found, bool){j.twisted, j.moved, j.permuted, j.copied, j.recast, j.thinned, j.emptied, j.doubled, j.strange, j.sorted, j.renamed, j.shuffled, j.mistimed, ofKind(KindDatum, "the host sets the gauge up again after its port came back, datum and all"),
		ofKind(KindUnset, "the serial line is set when the port is first opened, and not again after a hang-up"),
		j.deaf, j.reopenedOnce, ofKind(KindDeserted, "the host closes a port in mid-run, and does not open it again"), j.reopened, j.gaveUp, j.waiting, j.answers, j.written, j.again} {
		if j.ended() {
			return out
		}
		if f, ok := of(base); ok {
			f.of, f.saves = ofRun, surely
			f.Rows = len(f.keys)
			out = append(out, f)
		}
	}
	sure := map[bool]int{true: -1}
	slices.SortStableFunc(out, func(a, b found) int {
		return cmp.Or(len(b.keys)-len(a.keys), sure[a.trips]-sure[b.trips])
	})
	told := map[key]bool{}
	return slices.DeleteFunc(out, func(f found) bool {
		news := 0
		for _, k := range f.keys {
			if !told[k] {
				told[k] = true
				news++
			}
		}
		return news < len(f.keys) // of what another one explains it is not sure
	})
}

func sentence(text string) found { return found{Pattern: Pattern{Text: text}} }

// ofKind is a sentence about all findings of a kind.
func ofKind(kind Kind, text string) func(base *outcome) (found, bool) {
	return func(base *outcome) (found, bool) {
		f := sentence(text)
		f.take(base, func(d *diff) bool { return d.kind == kind })
		return f, len(f.keys) > 0
	}
}

// take adds the findings that a function says are explained.
func (f *found) take(base *outcome, explained func(d *diff) bool) {
	for i := range base.diffs {
		if d := &base.diffs[i]; explained(d) {
			f.keys = append(f.keys, d.key())
		}
	}
}

// either begins a sentence of several that fit as well.
const either = "either "

// twisted is about what the model host would record with a mistake that has no page: of
// those that make no other finding the one that explains most.
func (j *judging) twisted(base *outcome) (best found, ok bool) {
	before := holds(base)
	var others []string // all that fit as well
	for _, t := range j.Twists() {
		if t.Harm && j.counts.Spoilt == 0 || t.Text == cause.Damaged && j.checks() || !slices.ContainsFunc(base.diffs, func(d diff) bool { return effects[d.kind]&t.Of != 0 }) {
			continue
		}
		o := j.test(t.Made)
		if j.ended() || len(o.diffs) >= len(base.diffs) || before.against(o) > 0 || j.early(o) {
			continue
		}
		left := holds(o)
		f := sentence(t.Text)
		f.take(base, func(d *diff) bool { return left[d.key()] == nil })
		f.trips = t.Trips && len(f.keys) > 1
		if len(f.keys) > len(best.keys) {
			best = f
			others = nil
		} else if len(f.keys) == len(best.keys) && f.Text != best.Text {
			others = append(others, f.Text)
		}
	}
	if len(others) > 0 {
		best.Text = either + strings.Join(append([]string{best.Text}, others...), ", or ")
	}
	return best, best.keys != nil
}

// early reports whether the time of an event's row is before what the host is held to have
// been told it by.
func (j *judging) early(o *outcome) bool {
	if !j.RealTime || len(o.rows) != 1 {
		return false
	}
	after := func(a *aligned, i int) (time.Duration, bool) {
		if k := a.match[i]; k >= 0 && a.wants[i].Seen >= 0 && j.records[a.recs[k]].HasTime {
			return j.records[a.recs[k]].Time.Sub(j.Begun) - j.HostTime(j.h.Seen[a.wants[i].Seen].At), true
		}
		return 0, false
	}
	soonest := time.Duration(math.MaxInt64)
	for n := range o.streams {
		for i := range o.streams[n].wants {
			if d, ok := after(&o.streams[n], i); ok && n < len(j.readings) {
				soonest = min(soonest, d)
			} else if ok && soonest < math.MaxInt64 && d < soonest-j.Late {
				return true
			}
		}
	}
	return false
}

// again is about lines that are set as they should be when the port is first opened.
func (j *judging) again(base *outcome) (f found, ok bool) {
	f = sentence("the line is set otherwise only when the port is opened again")
	ok = true
	f.take(base, func(d *diff) bool {
		ok = ok && (d.kind != KindLine || lineFits("", j.Gauges[d.gauge].Line, j.h.Gauges[d.gauge].First))
		return d.kind == KindLine
	})
	return f, ok && len(f.keys) > 0
}

// answers is about messages of a conversation that are taken for what they were not.
func (j *judging) answers(base *outcome) (f found, ok bool) {
	for _, t := range []struct{ what, says string }{
		{ledger.Accepts, "the host accepts messages that were corrupted on their way"},
		{ledger.Refuses, "the host refuses messages that were intact"},
	} {
		f = sentence(t.says)
		f.take(base, func(d *diff) bool { return d.kind == KindAnswer && j.h.Gauges[d.gauge].Answers[d.nth].What == t.what })
		if len(f.keys) > 0 {
			return f, true
		}
	}
	return f, false
}

// reopened is about ports that the host takes for gone while they are there.
func (j *judging) reopened(base *outcome) (f found, ok bool) {
	times := make([]int, len(j.Gauges))
	for i := range j.h.Seen {
		if s := &j.h.Seen[i]; s.What == cause.Restart {
			times[s.Gauge]++
		}
	}
	f = sentence("the host closes a port by itself and opens it again, and records that the link was lost")
	f.take(base, func(d *diff) bool {
		is := d.kind == KindEventExtra && cause.EventNamed(j.records[d.rec].Kind) == cause.LinkLostEvent && times[j.respect(d).gauge] > 0
		if is {
			times[j.respect(d).gauge]--
		}
		return is
	})
	return f, len(f.keys) > 0
}

// deaf is about ports that the host opens again and does not listen to.
func (j *judging) deaf(base *outcome) (f found, ok bool) {
	f = sentence("a port that came back is opened again, and nothing is read from it")
	f.trips = true
	f.take(base, func(d *diff) bool { return d.kind == KindReopen && j.h.Gauges[d.gauge].Mute > 0 })
	return f, len(f.keys) > 0
}

// reopenedOnce is about ports that the host opens again after one loss, and not after another.
func (j *judging) reopenedOnce(base *outcome) (f found, ok bool) {
	before := func(g int32) bool {
		return slices.ContainsFunc(j.h.Seen, func(s cause.Seen) bool { return s.What == cause.Up && s.State == cause.Sure && int32(s.Gauge) == g })
	}
	f = sentence("a port is opened again when it came back the first time, and not when it was lost once more")
	f.trips = true
	ok = true
	f.take(base, func(d *diff) bool {
		ok = ok && (d.kind != KindReopen || before(d.gauge) && j.h.Gauges[d.gauge].Unheard)
		return d.kind == KindReopen
	})
	return f, ok && len(f.keys) > 0
}

// gaveUp is about a host that ends while it waits for a port.
func (j *judging) gaveUp(base *outcome) (f found, ok bool) {
	if j.quit == nil || j.away == nil {
		return f, false
	}
	f = sentence("the host ends by itself while the port of " + j.away.Name + " is away: it no longer tries to open it")
	f.trips = true
	f.take(base, func(d *diff) bool { return d.kind == KindQuit })
	return f, len(f.keys) > 0
}

// copied is about rows that are as many as are due, of which the wrong ones say what
// others say.
func (j *judging) copied(base *outcome) (f found, ok bool) {
	for s := range min(len(base.streams), len(j.readings)) {
		a := &base.streams[s]
		if len(a.wants) != len(a.recs) || len(base.rows) != 1 {
			continue
		}
		side := j.sides(base.rows[0], a.wants, a.recs, int32(s))
		later, earlier, wrong := true, true, 0
		for k := range a.recs {
			if side.Pair(k, k) == 0 {
				continue
			}
			wrong++
			is := func(from, to int) bool {
				for i := max(0, from); i < min(to, len(a.wants)); i++ {
					if side.Pair(i, k) == 0 {
						return true
					}
				}
				return false
			}
			if later, earlier = later && is(k+1, k+near), earlier && is(k-near, k); !later && !earlier {
				break
			}
		}
		if wrong == 0 || !later && !earlier {
			continue
		}
		place := map[bool]string{true: "a later", false: "an earlier"}[later]
		f = sentence(fmt.Sprintf("there are as many rows as are due, and each wrong one is a copy of %s row", place))
		f.take(base, func(d *diff) bool { return d.stream == int32(s) })
		return f, len(f.keys) > 1
	}
	return f, false
}

// shuffled is about rows whose times are right and whose order is not.
func (j *judging) shuffled(base *outcome) (f found, ok bool) {
	if len(base.rows) != 1 || !slices.ContainsFunc(base.diffs, func(d diff) bool { return d.kind == KindOrder }) {
		return f, false
	}
	exact := true
	for s := range min(len(base.streams), len(j.readings)) {
		a := &base.streams[s]
		recs := slices.Clone(a.recs)
		slices.SortStableFunc(recs, func(x, y int32) int { return j.records[x].Time.Compare(j.records[y].Time) })
		paired := 0
		side := j.sides(base.rows[0], a.wants, recs, int32(s))
		for i, k := range side.align() {
			if k >= 0 {
				paired++
				exact = exact && side.Pair(i, int(k)) == 0
			}
		}
		if paired < len(recs) || slices.ContainsFunc(recs, func(r int32) bool { return !j.records[r].HasTime }) {
			return f, false
		}
	}
	f = sentence("rows are written in another order than that of their times, which is the right one")
	f.take(base, func(d *diff) bool { return d.kind == KindOrder || d.kind == KindTime || exact && d.stream >= 0 })
	return f, slices.ContainsFunc(base.diffs, func(d diff) bool { return d.kind == KindTime })
}
