package judge

import (
	"cmp"
	"slices"
	"time"

	"example.org/understudy/harness/cause"
)

// diff is one disagreement.
type diff struct {
	want   *cause.Want // nil for a row without one
	kind   Kind
	rec    int32         // −1 for a want without a row
	at     int32         // in History.Seen, about; −1 when unknown
	stream int32         // of readings; −1 when it is none
	gauge  int32         // of events and facts
	after  time.Duration // the one at, by the times of the rows
	nth    int32         // of facts: which; of a row too many: the how manieth after the one at
	// Of one among equal neighbours it cannot be known which it is: first is the
	// want or the row they begin with, like their number, place which of those
	// that differ it is.
	first, like, place int32
	more               bool // the row disagrees elsewhere already, of which this may be the consequence
}

// key identifies a disagreement whatever the hypothesis.
type key struct {
	kind           Kind
	rec, seen      int32
	stream, nthOrG int32
}

func (d *diff) key() key {
	switch {
	case d.like > 1 && d.rec >= 0:
		return key{kind: d.kind, rec: d.first, nthOrG: d.place}
	case d.rec >= 0:
		return key{kind: d.kind, rec: d.rec}
	case d.like > 1:
		return key{kind: d.kind, rec: -1, seen: d.first, stream: d.stream, nthOrG: d.place}
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
	may      int // rows that it says may be missing,
	gone     int // and those of them that are
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

// lastPaired is the Seen of the last want before want i that has a row, −1 for none.
func (a *aligned) lastPaired(i int) int32 {
	for i--; i >= 0; i-- {
		if a.match[i] >= 0 {
			return a.wants[i].Seen
		}
	}
	return -1
}

// before is the first want that comes of what was seen at seen or later.
func (a *aligned) before(seen int32) int {
	i, _ := slices.BinarySearchFunc(a.wants, seen, func(w cause.Want, at int32) int { return cmp.Compare(w.Seen, at) })
	return i
}

// streams are the aligned streams of a gauge, its events last, and the readings of all.
type streams struct{ mine, all []aligned }

// span is a part of the run: what was seen in from..to, worked out from warm
// on, and the records that belong to it (nil: all).
type span struct {
	warm, from, to int
	readings       [][]int32
	events         [][]int32
	places         []uint16 // see cause.History
	loose, times   []diff   // of the run's that no part has, a few; the first part has them
}

func (j *judging) whole() span {
	return span{to: len(j.h.Seen), readings: j.readings, events: j.events, loose: j.loose, times: j.times}
}

// test compares all the records with a hypothesis.
func (j *judging) test(hyp cause.Hypothesis) *outcome {
	return j.testSpans(hyp, []span{j.whole()})
}

func (j *judging) testSpans(hyp cause.Hypothesis, spans []span) *outcome {
	out := &outcome{}
	for _, sp := range spans {
		j.testSpan(out, hyp, sp)
	}
	j.facts(out, out.rows[0], spans[0])
	return out
}

// expect is what a host with a hypothesis writes of a part of the run.
func (j *judging) expect(hyp cause.Hypothesis, sp span) *cause.Rows {
	part := j.h
	part.Seen = j.h.Seen[sp.warm:sp.to]
	part.Later, part.Cut, part.Places = sp.warm > 0, sp.to < len(j.h.Seen), sp.places
	return cause.Expect(j.Spec, &part, hyp)
}

// testSpan aligns all of a gauge's streams, and then its events among its readings,
// before anything is said to be missing: what is missing at the end depends on all
// the rows that are there.
func (j *judging) testSpan(out *outcome, hyp cause.Hypothesis, sp span) {
	j.testRows(out, j.expect(hyp, sp), sp)
}

// testRows compares the records of a part with rows.
func (j *judging) testRows(out *outcome, rows *cause.Rows, sp span) {
	out.rows = append(out.rows, rows)
	first, all := len(out.streams), make([]*sides, len(rows.Readings))
	for s := range rows.Readings {
		all[s] = j.sides(rows, trim(rows.Readings[s], sp), sp.readings[s], int32(s))
		out.streams = append(out.streams, aligned{all[s].wants, all[s].recs, all[s].align()})
	}
	for g := range rows.Events {
		readings := out.streams[first+g*j.width : first+(g+1)*j.width]
		es := j.eventSides(readings, trim(rows.Events[g], sp), sp.events[g])
		out.streams = append(out.streams, aligned{es.wants, es.recs, es.align()})
		mine := streams{append(slices.Clone(readings), out.streams[len(out.streams)-1]), out.streams[first : first+len(rows.Readings)]}
		for c := range readings {
			j.compare(out, rows, all[g*j.width+c], mine, c)
		}
		j.compareEvents(out, rows, es, mine, int32(g))
	}
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

// sides readies one stream for being aligned.
func (j *judging) sides(rows *cause.Rows, wants []cause.Want, recs []int32, stream int32) *sides {
	s := &sides{judging: j, wants: wants, recs: recs, stream: stream, doubles: rows.Doubles, tags: j.Claimed(cause.Tag)}
	for i := range wants {
		s.free = s.free || wants[i].Loss == 0
	}
	t := j.Gauges[int(stream)/j.width].Tags
	s.few = t.Last-t.First < fewTags
	s.claims.value, s.claims.void = j.Claimed(cause.Value), j.Claimed(cause.Void)
	s.claims.zone, s.claims.unit = j.Claimed(cause.Zone), j.Claimed(cause.Unit)
	return s
}

// compare enters what differs in stream c of the aligned ones of a gauge.
func (j *judging) compare(out *outcome, rows *cause.Rows, s *sides, with streams, c int) {
	wants, recs, match := s.wants, s.recs, with.mine[c].match
	complete := j.Claimed(cause.Complete)
	var lost []int         // wants
	var extra, after []int // rows, and the want paired last before each
	next, before := 0, -1
	for i, k := range match {
		w := &wants[i]
		if w.Loss == cause.Must {
			out.expected++
		} else if w.Loss > 0 {
			out.may++
		}
		if k < 0 {
			switch {
			case sibling(wants, match, i) >= 0:
			case w.Loss == cause.Must:
				lost = append(lost, i)
			case w.Loss > 0:
				out.lost += int(w.Loss)
				out.gone++
			}
			continue
		}
		for ; next < int(k); next++ {
			extra, after = append(extra, next), append(after, before)
		}
		next, before = int(k)+1, i
		out.paired++
		if complete && sibling(wants, match, i) >= 0 {
			out.enter(diff{kind: KindTagRepeated, want: w, rec: recs[k], stream: s.stream, at: w.Seen})
			continue
		}
		s.differ(out, w, recs[k])
	}
	for ; next < len(recs); next++ {
		extra, after = append(extra, next), append(after, before)
	}
	if complete && len(lost)+len(extra) > 0 {
		lost = slices.DeleteFunc(lost, j.gone(out, rows, with, c))
		s.unpaired(out, rows, lost, extra, after)
	}
}

// enter adds a disagreement.
func (o *outcome) enter(d diff) {
	if n := len(o.diffs); n > 0 && d.rec >= 0 {
		d.more = o.diffs[n-1].rec == d.rec
	}
	o.diffs = append(o.diffs, d)
}

// differ enters in what a row differs from the want it is paired with.
func (s *sides) differ(out *outcome, w *cause.Want, rec int32) {
	r := &s.rows[rec]
	add := func(kind Kind) { out.enter(diff{kind: kind, want: w, rec: rec, stream: s.stream, at: w.Seen}) }
	if s.tags {
		if s.tagCost(w, r) > 0 {
			add(KindTag)
		} else if w.Tagged && w.Tag != r.tag && w.Changed&cause.LooseValue == 0 {
			out.slack++
		}
	}
	if !s.sameValue(w, r) {
		if w.Void || !r.hasValue {
			add(KindVoid)
		} else {
			add(KindValue)
		}
	} else if w.Changed&cause.LooseValue != 0 {
		out.open++
	}
	if w.Changed&cause.LooseValue != 0 {
		return // it may say anything
	}
	if s.claims.zone {
		if !zoneFits(w, r) {
			add(KindZone)
		}
	}
	if s.claims.unit {
		if !s.unitFits(w, r) {
			add(KindUnit)
		} else if w.Changed&cause.LooseUnit != 0 && r.known && r.unit == s.Unit {
			out.slack++
		}
	}
}

// unpaired enters the wants without a row, and the rows without a want, of which
// after is the want that was paired last before each.
func (s *sides) unpaired(out *outcome, rows *cause.Rows, lost, extra, after []int) {
	moved := s.moved(lost, extra)
	wants := runs{n: len(s.wants), key: s.WantKey}
	for _, i := range lost {
		w := &s.wants[i]
		if k, ok := moved[i]; ok {
			if rows.Shuffles {
				out.slack++
			} else {
				out.enter(diff{kind: KindOrder, want: w, rec: s.recs[k], stream: s.stream, at: w.Seen})
			}
			continue
		}
		d := diff{kind: KindLost, want: w, rec: -1, stream: s.stream, at: w.Seen}
		if s.h.Seen[w.Seen].Tagged {
			d.kind = KindTagLost
		}
		var first int32
		first, d.like, d.place = wants.of(i)
		d.first = s.wants[first].Seen
		out.enter(d)
	}
	back := map[int]bool{}
	for _, k := range moved {
		back[k] = true
	}
	recs := runs{n: len(s.recs), key: s.RecordKey}
	nth, last := int32(0), -2
	strange := map[int]bool{} // rows that answer to nothing, and double nothing that does
	for n, k := range extra {
		if after[n] != last {
			nth, last = 0, after[n]
		}
		switch {
		case back[k]:
			continue
		case s.doubles && s.double(k) && !strange[k-1]:
			out.slack++
			continue
		}
		d := diff{kind: KindExtra, rec: s.recs[k], stream: s.stream, at: -1, nth: nth}
		if after[n] >= 0 {
			d.at = s.wants[after[n]].Seen
		}
		if w := s.repeats(after[n], k); w != nil {
			d.kind, d.want = KindTagRepeated, w
			d.at = w.Seen
		} else {
			nth++
		}
		strange[k] = true
		var first int32
		first, d.like, d.place = recs.of(k)
		d.first = s.recs[first]
		out.enter(d)
	}
}

// runs finds the runs of equal neighbours in a sequence.
type runs struct {
	n     int
	key   func(int) uint64
	start []int32         // of the run of each; made when it is first asked for
	many  map[int32]int32 // of each run, by its start
	taken map[int32]int32
}

// of is where the run of one begins, how long it is, and the how manieth of the run
// has been asked for.
func (r *runs) of(i int) (first, like, nth int32) {
	if r.start == nil {
		r.start, r.many, r.taken = make([]int32, r.n), map[int32]int32{}, map[int32]int32{}
		before := uint64(0)
		for k := range r.n {
			h := r.key(k)
			if r.start[k] = int32(k); k > 0 && h == before {
				r.start[k] = r.start[k-1]
				r.many[r.start[k]]++
			}
			before = h
		}
	}
	first = r.start[i]
	nth = r.taken[first]
	r.taken[first]++
	return first, r.many[first] + 1, nth
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

// beside is how far apart the rows of two gauges may come and be written in either order.
const beside = 250 * time.Millisecond

// gone says of each want of stream c of a gauge that has no row whether a hypothesis
// lets it be missing together with its neighbours: at the end, before the host was
// killed, or from before it was started last. What is missing at an end is what no
// row of the gauge follows, in whichever stream, and none of another gauge by much.
func (j *judging) gone(out *outcome, rows *cause.Rows, with streams, c int) func(i int) bool {
	mine := with.mine
	if rows.Nothing && j.silent() {
		return func(int) bool { return true }
	}
	if !rows.Tails && !rows.Over {
		return func(int) bool { return false }
	}
	a := &mine[c]
	may := make([]bool, len(a.wants))
	tail := func(least, to int, end int32) {
		last := int32(-1)
		for k := range mine {
			last = max(last, mine[k].lastPaired(mine[k].before(end)))
		}
		recorded := time.Duration(0) // what it recorded last, of any gauge, came then
		for k := range with.all {
			if n := with.all[k].lastPaired(with.all[k].before(end)); n >= 0 {
				recorded = max(recorded, j.h.Seen[n].At-beside)
			}
		}
		from := to
		for ; from > least && a.match[from-1] < 0 && a.wants[from-1].Seen >= max(last, 0) && j.h.Seen[a.wants[from-1].Seen].At >= recorded; from-- {
		}
		if from > least && from < to && a.match[from-1] >= 0 && alikeWants(&a.wants[from-1], &a.wants[from]) {
			return // which of those that are equal are missing is not known
		}
		for i := from; i < to; i++ {
			may[i] = true
		}
	}
	began := 0 // the first want after the host was started
	for n, e := range j.ends {
		to := a.before(e.seen)
		if rows.Tails && e.killed {
			tail(began, to, e.seen)
		}
		began = to
		over := rows.Over && n == len(j.ends)-1
		for k := range mine {
			over = over && mine[k].lastPaired(mine[k].before(e.seen)) < 0
		}
		for i := 0; over && i < to; i++ {
			may[i] = true
		}
	}
	if rows.Tails {
		tail(began, len(a.wants), int32(len(j.h.Seen)))
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

// alikeWants reports whether no row tells one want from another.
func alikeWants(a, b *cause.Want) bool {
	return a.Event == b.Event && a.Tagged == b.Tagged && a.Tag == b.Tag && a.Void == b.Void && (a.Void || equal(a.Value, b.Value))
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

// between is how long after one row another was written, on the timeline, as far as their
// times and the pace tell.
func (j *judging) between(first, next int32) time.Duration {
	if first < 0 || !j.RealTime || !j.records[first].HasTime || !j.records[next].HasTime {
		return 0
	}
	took := max(0, j.records[next].Time.Sub(j.records[first].Time))
	if j.Speed > 0 {
		took = time.Duration(float64(took) * j.Speed)
	}
	return took
}

func (j *judging) compareEvents(out *outcome, rows *cause.Rows, s *eventSides, with streams, g int32) {
	mine := with.mine
	wants, recs, match := s.wants, s.recs, mine[len(mine)-1].match
	// Where there are more rows of an event than it has to have, it is not sure
	// which row is whose.
	gone := j.gone(out, rows, with, len(mine)-1)
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
			if w.Loss > 0 && !unsure[w.Event] && w.Seen < s.from[k] && j.h.Seen[s.from[k]].At-j.h.Seen[w.Seen].At > j.Within {
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
	last, row := int32(-1), int32(-1)
	for k, u := range used {
		if u {
			last, row = at[k], recs[k]
		} else if lost := uint64(cause.LinkLostEvent); rows.Again && s.RecordKey(k) == lost && (k > 0 && s.RecordKey(k-1) == lost || k+1 < len(recs) && s.RecordKey(k+1) == lost) {
			out.slack++
		} else {
			out.diffs = append(out.diffs, diff{kind: KindEventExtra, rec: recs[k], stream: -1, gauge: g, at: last, after: j.between(row, recs[k])})
		}
	}
}
