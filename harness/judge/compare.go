package judge

import (
	"cmp"
	"slices"

	"example.org/understudy/harness/align"
	"example.org/understudy/harness/cause"
)

// diff is one disagreement.
type diff struct {
	want   *cause.Want // nil for a row without one
	kind   Kind
	rec    int32 // −1 for a want without a row
	at     int32 // in History.Seen, about; −1 when unknown
	stream int32 // of readings; −1 when it is none
	gauge  int32 // of events and facts
	nth    int32 // of facts: which
	more   bool  // the row disagrees elsewhere already, of which this may be the consequence
}

// key identifies a disagreement whatever the hypothesis.
type key struct {
	kind           Kind
	rec, seen      int32
	stream, nthOrG int32
}

func (d *diff) key() key {
	if d.rec >= 0 {
		return key{kind: d.kind, rec: d.rec}
	}
	k := key{kind: d.kind, rec: -1, seen: -1, stream: d.stream, nthOrG: d.gauge<<16 | d.nth}
	if d.want != nil {
		k.seen = d.want.Seen
	}
	return k
}

// outcome of comparing the records with the rows of a hypothesis.
type outcome struct {
	rows     []*cause.Rows // what the diffs point into
	diffs    []diff
	slack    int // what the hypothesis leaves to chance
	lost     int // what it costs that rows are missing which it says may be
	open     int // rows whose content it leaves open
	expected int
	paired   int
	streams  []aligned // of a whole run
}

// aligned is one stream of a whole run and how it was aligned.
type aligned struct {
	wants []cause.Want
	recs  []int32
	match []int32
}

// span is a part of the run: what was seen in from..to, worked out from warm
// on, and the records that belong to it (nil: all).
type span struct {
	warm, from, to int
	readings       [][]int32
	events         [][]int32
	places         []uint16 // see cause.History
}

func (j *judging) whole() span {
	return span{to: len(j.h.Seen), readings: j.readings, events: j.events}
}

// test compares all the records with a hypothesis.
func (j *judging) test(hyp cause.Hypothesis) *outcome {
	return j.testSpans(hyp, []span{j.whole()})
}

func (j *judging) testSpans(hyp cause.Hypothesis, spans []span) *outcome {
	out := &outcome{}
	for _, sp := range spans {
		first := len(out.streams)
		part := j.h
		part.Seen = j.h.Seen[sp.warm:sp.to]
		part.Later, part.Cut, part.Places = sp.warm > 0, sp.to < len(j.h.Seen), sp.places
		rows := cause.Expect(j.Spec, &part, hyp)
		out.rows = append(out.rows, rows)
		for s := range rows.Readings {
			j.compare(out, rows, trim(rows.Readings[s], sp), sp.readings[s], int32(s))
		}
		for g := range rows.Events {
			j.compareEvents(out, rows, trim(rows.Events[g], sp), sp.events[g], int32(g), first)
		}
	}
	j.facts(out, out.rows[0])
	return out
}

// trim leaves out the wants from before a span, and counts frames by their
// place in the whole history.
func trim(ws []cause.Want, sp span) []cause.Want {
	if sp.warm == 0 && sp.from == 0 {
		return ws
	}
	k := 0
	for k < len(ws) && int(ws[k].Seen)+sp.warm < sp.from {
		k++
	}
	ws = ws[k:]
	for i := range ws {
		if ws[i].Seen >= 0 {
			ws[i].Seen += int32(sp.warm)
		}
		if ws[i].Instead > 0 {
			ws[i].Instead += int32(sp.warm)
		}
	}
	return ws
}

// compare aligns one stream and enters what differs.
func (j *judging) compare(out *outcome, rows *cause.Rows, wants []cause.Want, recs []int32, stream int32) {
	free := false
	for i := range wants {
		if wants[i].Loss == cause.Must {
			out.expected++
		}
		free = free || wants[i].Loss == 0
	}
	s := &sides{free: free, judging: j, wants: wants, recs: recs, doubles: rows.Doubles, tags: j.Claimed(cause.Tag)}
	t := j.Gauges[int(stream)/j.width].Tags
	s.few = t.Last-t.First < fewTags
	s.claims.value, s.claims.void = j.Claimed(cause.Value), j.Claimed(cause.Void)
	s.claims.zone, s.claims.unit = j.Claimed(cause.Zone), j.Claimed(cause.Unit)
	match := s.align()
	out.streams = append(out.streams, aligned{wants, recs, match})
	complete := j.Claimed(cause.Complete)
	add := func(kind Kind, w *cause.Want, rec int32) {
		n := len(out.diffs)
		more := n > 0 && rec >= 0 && out.diffs[n-1].rec == rec
		d := diff{kind: kind, want: w, rec: rec, stream: stream, more: more, at: -1}
		if w != nil {
			d.at = w.Seen
		}
		out.diffs = append(out.diffs, d)
	}
	var lost []int         // wants
	var extra, after []int // rows, and the want paired last before each
	next, before := 0, -1
	for i, k := range match {
		w := &wants[i]
		if k < 0 {
			switch {
			case sibling(wants, match, i) >= 0:
			case w.Loss == cause.Must:
				lost = append(lost, i)
			case w.Loss > 0:
				out.lost += int(w.Loss)
			}
			continue
		}
		for ; next < int(k); next++ {
			extra, after = append(extra, next), append(after, before)
		}
		next, before = int(k)+1, i
		out.paired++
		rec := recs[k]
		r := &j.rows[rec]
		if complete && sibling(wants, match, i) >= 0 {
			add(KindTagRepeated, w, rec)
			continue
		}
		if s.tags {
			if tagCost(w, r) > 0 {
				add(KindTag, w, rec)
			} else if w.Tagged && w.Tag != r.tag {
				if w.Changed&cause.LooseValue != 0 {
					out.open++
				} else {
					out.slack++
				}
			}
		}
		if !s.sameValue(w, r) {
			if w.Void || !r.hasValue {
				add(KindVoid, w, rec)
			} else {
				add(KindValue, w, rec)
			}
		} else if w.Changed&cause.LooseValue != 0 {
			out.open++
		}
		if w.Changed&cause.LooseValue != 0 {
			continue // it may say anything
		}
		if s.claims.zone {
			if !zoneFits(w, r) {
				add(KindZone, w, rec)
			} else if !r.zones.Has(w.Zone) {
				out.slack++
			}
		}
		if s.claims.unit {
			if !s.unitFits(w, r) {
				add(KindUnit, w, rec)
			} else if w.Changed&cause.LooseUnit != 0 && r.known && r.unit == j.Unit {
				out.slack++
			}
		}
	}
	for ; next < len(recs); next++ {
		extra, after = append(extra, next), append(after, before)
	}
	if !complete || len(lost)+len(extra) == 0 {
		return
	}
	lost = slices.DeleteFunc(lost, j.gone(out, rows, wants, match))
	moved := s.moved(lost, extra)
	for _, i := range lost {
		if k, ok := moved[i]; ok {
			if rows.Shuffles {
				out.slack++
			} else {
				add(KindOrder, &wants[i], recs[k])
			}
			continue
		}
		kind := KindLost
		if j.h.Seen[wants[i].Seen].Tagged {
			kind = KindTagLost
		}
		add(kind, &wants[i], -1)
	}
	back := map[int]bool{}
	for _, k := range moved {
		back[k] = true
	}
	for n, k := range extra {
		switch {
		case back[k]:
		case s.doubles && s.double(k):
			out.slack++
		default:
			if w := s.repeats(after[n], k); w != nil {
				add(KindTagRepeated, w, recs[k])
			} else {
				add(KindExtra, nil, recs[k])
				if after[n] >= 0 {
					out.diffs[len(out.diffs)-1].at = wants[after[n]].Seen
				}
			}
		}
	}
}

// silent reports whether the host has recorded no reading at all.
func (j *judging) silent() bool {
	for _, recs := range j.readings {
		if len(recs) > 0 {
			return false
		}
	}
	return true
}

// gone says of each want that has no row whether a hypothesis lets it be
// missing together with its neighbours: at the end, before the host was killed,
// or from before it was started last.
func (j *judging) gone(out *outcome, rows *cause.Rows, wants []cause.Want, match []int32) func(i int) bool {
	if rows.Nothing && j.silent() {
		return func(int) bool { return true }
	}
	if !rows.Tails && !rows.Over {
		return func(int) bool { return false }
	}
	may := make([]bool, len(wants))
	until := func(seen int32) int {
		i, _ := slices.BinarySearchFunc(wants, seen, func(w cause.Want, at int32) int { return cmp.Compare(w.Seen, at) })
		return i
	}
	excuse := func(from, to int) {
		for i := from; i < to; i++ {
			may[i] = true
		}
	}
	tail := func(least, to int) {
		from := to
		for from > least && match[from-1] < 0 {
			from--
		}
		excuse(from, to)
	}
	began := 0 // the first want after the host was started
	for n, e := range j.ends {
		to := until(e.seen)
		if rows.Tails && e.killed {
			tail(began, to)
		}
		began = to
		if rows.Over && n == len(j.ends)-1 && !slices.ContainsFunc(match[:to], func(k int32) bool { return k >= 0 }) {
			excuse(0, to)
		}
	}
	if rows.Tails {
		tail(began, len(wants))
	}
	first := true
	return func(i int) bool {
		if may[i] && first {
			first = false
			out.slack++
		}
		return may[i]
	}
}

// sibling finds the earlier want that stands for want i and has a row, or −1.
func sibling(wants []cause.Want, match []int32, i int) int {
	for k := i - 1; wants[i].Instead > 0 && k >= 0 && wants[k].Seen >= wants[i].Instead-1; k-- {
		if w := &wants[k]; w.Loss < cause.Must && w.Event == wants[i].Event && w.Tagged == wants[i].Tagged && w.Tag == wants[i].Tag && match[k] >= 0 {
			return k
		}
	}
	return -1
}

// moved pairs lost wants with extra rows that say the same elsewhere.
func (s *sides) moved(lost, extra []int) map[int]int {
	if len(lost) == 0 || len(extra) == 0 {
		return nil
	}
	at := make(map[uint64][]int, len(extra))
	for _, k := range extra {
		h := s.RecordKey(k)
		at[h] = append(at[h], k)
	}
	m := map[int]int{}
	for _, i := range lost {
		h := s.WantKey(i)
		if ks := at[h]; len(ks) > 0 && s.Pair(i, ks[0]) == 0 {
			m[i], at[h] = ks[0], ks[1:]
		}
	}
	return m
}

// repeats finds the want, at or a little before want i, whose tag a row that is
// left over repeats.
func (s *sides) repeats(i, k int) *cause.Want {
	r := &s.rows[s.recs[k]]
	if !s.tags || !r.hasTag {
		return nil
	}
	for n := 0; n < near && i >= 0; n++ {
		if w := &s.wants[i]; w.Tagged && w.Tag == r.tag {
			return w
		}
		i--
	}
	return nil
}

// latest is how many readings may stand between what tells an event and its
// row: a host may write them from two threads.
const latest = 1

// late reports whether the row of an event comes after more readings than
// that, each of which the host received after what told the event.
func (j *judging) late(streams []aligned, seen, rec int32) bool {
	for _, s := range streams {
		i, _ := slices.BinarySearchFunc(s.wants, seen+1, func(w cause.Want, at int32) int { return cmp.Compare(w.Seen, at) })
		n := 0
		for ; i < len(s.wants); i++ {
			if s.match[i] < 0 || s.wants[i].Loss < cause.Must {
				continue // of one that may have no row it is not sure which row is its
			}
			if s.recs[s.match[i]] > rec {
				break
			}
			if n++; n > latest {
				return true
			}
		}
	}
	return false
}

func (j *judging) compareEvents(out *outcome, rows *cause.Rows, wants []cause.Want, recs []int32, g int32, first int) {
	readings := out.streams[first+int(g)*j.width : first+(int(g)+1)*j.width]
	wants = slices.DeleteFunc(wants, func(w cause.Want) bool { return !j.Claimed(w.Event.Aspect()) })
	s := &eventSides{j, wants, recs}
	match := align.Align(s)
	out.streams = append(out.streams, aligned{wants, recs, match})
	// Where there are more rows of an event than it has to have, it is not sure
	// which row is whose.
	gone := j.gone(out, rows, wants, match)
	unsure := map[cause.Event]bool{}
	more := map[cause.Event]int{}
	for _, rec := range recs {
		more[cause.EventNamed(j.records[rec].Kind)]++
	}
	for i := range wants {
		if wants[i].Loss > 0 {
			more[wants[i].Event]--
		}
	}
	for e, n := range more {
		unsure[e] = n > 0
	}
	used := make([]bool, len(recs))
	at := make([]int32, len(recs)) // of the row's own event
	for i, k := range match {
		w := &wants[i]
		if w.Loss == cause.Must {
			out.expected++
		}
		switch {
		case k >= 0:
			used[k], at[k] = true, w.Seen
			out.paired++
			if w.Loss > 0 && !unsure[w.Event] && j.late(readings, w.Seen, recs[k]) {
				if rows.Late {
					out.slack++
				} else {
					out.diffs = append(out.diffs, diff{kind: KindEventLate, want: w, rec: recs[k], stream: -1, gauge: g, at: w.Seen})
				}
			}
		case sibling(wants, match, i) >= 0:
		case w.Loss == cause.Must && gone(i):
		case w.Loss == cause.Must:
			out.diffs = append(out.diffs, diff{kind: KindEventMissing, want: w, rec: -1, stream: -1, gauge: g, at: w.Seen})
		case w.Loss > 0:
			out.lost += int(w.Loss)
		}
	}
	last := int32(-1)
	for k, u := range used {
		if u {
			last = at[k]
		} else {
			out.diffs = append(out.diffs, diff{kind: KindEventExtra, rec: recs[k], stream: -1, gauge: g, at: last})
		}
	}
}
