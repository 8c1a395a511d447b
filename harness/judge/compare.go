package judge

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"example.org/understudy/harness/align"
	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// row is a record made ready for comparing.
type row struct {
	value    *decimal.Decimal
	tag      int64
	gauge    int16
	zones    zone.Set // of which the host does not say which; none for a word that is no zone
	unit     decimal.Unit
	hasTag   bool
	hasValue bool
	hasZone  bool
	hasUnit  bool
	known    bool // the unit is one
}

// near is how far back a row may repeat a tag.
const near = 64

// index sorts the records into streams and readies them.
func (j *judging) index() {
	j.rows = make([]row, len(j.records))
	j.readings = make([][]int32, len(j.Gauges)*j.width)
	j.events = make([][]int32, len(j.Gauges))
	last := make([]time.Time, len(j.Gauges))
	for i := range j.records {
		rec, r := &j.records[i], &j.rows[i]
		g, c, ok := j.stream(rec)
		r.gauge = int16(g)
		switch {
		case rec.Kind != "reading":
			e := cause.EventNamed(rec.Kind)
			if e != cause.NoEvent && g >= 0 && j.Claimed(e.Aspect()) {
				j.events[g] = append(j.events[g], int32(i))
			} else if e != cause.NoEvent && g < 0 {
				j.loose = append(j.loose, diff{kind: KindIdentity, rec: int32(i), stream: -1, at: -1})
			} else if e == cause.NoEvent && rec.Kind != "" {
				j.unmapped = append(j.unmapped, int32(i))
			} else if rec.Kind == "" {
				j.loose = append(j.loose, diff{kind: KindUnreadable, rec: int32(i), stream: -1, at: -1})
			}
		case !ok:
			j.loose = append(j.loose, diff{kind: KindIdentity, rec: int32(i), stream: -1, at: -1})
		default:
			j.ready(rec, r)
			s := g*j.width + c
			j.readings[s] = append(j.readings[s], int32(i))
		}
		if g < 0 || !rec.HasTime || !j.Claimed(cause.Time) {
			continue
		}
		j.timed++
		if rec.Time.Before(last[g]) {
			j.times = append(j.times, diff{kind: KindTime, rec: int32(i), stream: -1, at: -1})
		} else {
			last[g] = rec.Time
		}
		if j.off(rec.Time) != 0 {
			j.times = append(j.times, diff{kind: KindTimeOff, rec: int32(i), stream: -1, at: -1})
		}
	}
}

// clockSlack is how far a host's clock may be off.
const clockSlack = 5 * time.Second

// stream finds the gauge and channel a record names.
func (j *judging) stream(rec *Record) (g, c int, ok bool) {
	g, ok = j.names[rec.Gauge]
	if !ok {
		if rec.Gauge != "" || len(j.Gauges) != 1 {
			return -1, 0, false
		}
		g = 0
	}
	chs := j.Gauges[g].Channels
	for c := range chs {
		if chs[c].Name == rec.Channel {
			return g, c, true
		}
	}
	return g, 0, rec.Channel == "" && len(chs) <= 1
}

func (j *judging) ready(rec *Record, r *row) {
	if rec.Tag != nil {
		r.tag, r.hasTag = *rec.Tag, true
	}
	if rec.Value != nil {
		r.value, r.hasValue = rec.Value, true
	}
	if rec.Zone != "" {
		r.hasZone = true
		_ = r.zones.UnmarshalText([]byte(rec.Zone))
	}
	if rec.Unit != "" {
		r.hasUnit = true
		if rec.Unit == j.Unit.Symbol() {
			r.unit, r.known = j.Unit, true
		} else {
			r.unit, r.known = decimal.ParseUnit(rec.Unit)
		}
	}
}

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

// sides are the wants and rows of one stream.
type sides struct {
	*judging
	wants   []cause.Want
	recs    []int32
	tags    bool
	few     bool // the tag numbers come round so soon that one alone tells nothing
	free    bool // some of the wants may have no row
	mixed   bool // tagged ones stand among others, on both sides
	doubles bool
	claims  struct{ value, void, zone, unit bool }
}

func (s *sides) Len() (int, int) { return len(s.wants), len(s.recs) }

func (s *sides) Skip(i int) int { return int(s.wants[i].Loss) }

func (s *sides) Extra(k int) int {
	if s.doubles && s.double(k) {
		return 1
	}
	return align.Full
}

// double reports whether a row says the same as the row before.
func (s *sides) double(k int) bool {
	if k == 0 {
		return false
	}
	a, b := &s.rows[s.recs[k-1]], &s.rows[s.recs[k]]
	return a.tag == b.tag && a.hasTag == b.hasTag && a.hasValue == b.hasValue && a.zones == b.zones && (!a.hasValue || equal(*a.value, *b.value))
}

// fewTags is a range of tag numbers that wraps within a neighbourhood of the
// alignment.
const fewTags = 64

// The costs of disagreeing. A row with another tag and another value is no
// longer the same row: two gaps are cheaper.
const (
	costTag   = 13
	costNoTag = 6
	costValue = 8
	costZone  = 2
	costUnit  = 1
)

func (s *sides) Pair(i, k int) int {
	w, r := &s.wants[i], &s.rows[s.recs[k]]
	c := 0
	if s.tags {
		c = tagCost(w, r)
	}
	if !s.sameValue(w, r) {
		c += costValue
	}
	if s.claims.zone && !zoneFits(w, r) {
		c += costZone
	}
	if s.claims.unit && !s.unitFits(w, r) {
		c += costUnit
	}
	return c
}

func tagCost(w *cause.Want, r *row) int {
	switch {
	case w.Tagged != r.hasTag:
		return costNoTag
	case w.Tagged && w.Tag != r.tag && w.Changed&cause.LooseTag == 0:
		return costTag
	}
	return 0
}

func (s *sides) sameValue(w *cause.Want, r *row) bool {
	if w.Changed&cause.LooseValue != 0 {
		return true
	}
	if w.Void || !r.hasValue {
		return !s.claims.void || w.Void == !r.hasValue
	}
	return !s.claims.value || equal(w.Value, *r.value)
}

// equal is Decimal.Equal with a short way for equal exponents.
func equal(a, b decimal.Decimal) bool {
	if a.Exponent() == b.Exponent() {
		x, okX := a.Coefficient()
		y, okY := b.Coefficient()
		if okX && okY {
			return x == y
		}
	}
	return a.Equal(b)
}

func zoneFits(w *cause.Want, r *row) bool {
	if w.Changed&cause.LooseZone != 0 {
		return true
	}
	return r.hasZone && (r.zones.Has(w.Zone) || r.zones.Has(w.Second))
}

func (s *sides) unitFits(w *cause.Want, r *row) bool {
	return !r.hasUnit || w.Void || w.Changed&cause.LooseUnit != 0 || r.known && r.unit == w.Unit
}

func (s *sides) Same(i, k int) (same, named bool) {
	w, r := &s.wants[i], &s.rows[s.recs[k]]
	if s.tags && w.Tagged && r.hasTag {
		return w.Tag == r.tag && (!s.few || s.sameValue(w, r)), !s.few
	}
	if (s.few || s.free || s.mixed) && s.tags && w.Tagged != r.hasTag {
		return false, false // some may be missing among equal readings: which is which is not sure
	}
	return w.Void == !r.hasValue && (w.Void || equal(w.Value, *r.value)), false
}

func (s *sides) WantKey(i int) uint64 {
	w := &s.wants[i]
	return rowKey(w.Tag, s.tags && w.Tagged, &w.Value, !w.Void)
}

func (s *sides) RecordKey(k int) uint64 {
	r := &s.rows[s.recs[k]]
	return rowKey(r.tag, s.tags && r.hasTag, r.value, r.hasValue)
}

func rowKey(tag int64, hasTag bool, value *decimal.Decimal, hasValue bool) uint64 {
	h := uint64(1469598103934665603)
	mix := func(x uint64) { h = (h ^ x) * 1099511628211; h ^= h >> 29 }
	if hasTag {
		mix(uint64(tag))
	}
	if hasValue {
		v := value.Trim()
		c, _ := v.Coefficient()
		mix(uint64(c))
		mix(uint64(v.Exponent()))
	}
	return h
}

// align pairs the wants and rows of a stream. Where tagged ones stand among others,
// the tagged ones are paired first, by their numbers: they hold the rest in place,
// however long its readings stay the same.
func (s *sides) align() []int32 {
	if !s.tags {
		return align.Align(s)
	}
	tagged := part{sides: s}
	for i := range s.wants {
		if s.wants[i].Tagged {
			tagged.wants = append(tagged.wants, int32(i))
		}
	}
	for k, rec := range s.recs {
		if s.rows[rec].hasTag {
			tagged.rows = append(tagged.rows, int32(k))
		}
	}
	if s.few && !tagged.oneToOne() {
		return align.Align(s) // numbers that come round so soon hold nothing in place by themselves
	}
	if len(tagged.rows) == 0 || len(tagged.wants) == len(s.wants) && len(tagged.rows) == len(s.recs) {
		return align.Align(s)
	}
	s.mixed = true
	match := make([]int32, len(s.wants))
	between := part{sides: s}
	doing, from := 0, 0 // wants and rows before these are done
	upto := func(i, k int) {
		between.wants, between.rows = between.wants[:0], between.rows[:0]
		for w := doing; w < i; w++ {
			between.wants = append(between.wants, int32(w))
		}
		for r := from; r < k; r++ {
			between.rows = append(between.rows, int32(r))
		}
		for w, r := range align.Align(&between) {
			if r >= 0 {
				r = between.rows[r]
			}
			match[between.wants[w]] = r
		}
	}
	for w, r := range align.Align(&tagged) {
		if r < 0 {
			continue
		}
		i, k := int(tagged.wants[w]), int(tagged.rows[r])
		if s.wants[i].Tag != s.rows[s.recs[k]].tag {
			continue
		}
		upto(i, k)
		match[i] = int32(k)
		doing, from = i+1, k+1
	}
	upto(len(s.wants), len(s.recs))
	return match
}

// part is some of the wants and some of the rows of a stream.
type part struct {
	*sides
	wants, rows []int32
}

// oneToOne reports whether there are as many wants as rows, with the same tag numbers
// in the same order.
func (p *part) oneToOne() bool {
	if len(p.wants) != len(p.rows) {
		return false
	}
	for n, i := range p.wants {
		if p.sides.wants[i].Tag != p.sides.judging.rows[p.recs[p.rows[n]]].tag {
			return false
		}
	}
	return true
}

func (p *part) Len() (int, int)            { return len(p.wants), len(p.rows) }
func (p *part) Skip(i int) int             { return p.sides.Skip(int(p.wants[i])) }
func (p *part) Extra(k int) int            { return p.sides.Extra(int(p.rows[k])) }
func (p *part) Pair(i, k int) int          { return p.sides.Pair(int(p.wants[i]), int(p.rows[k])) }
func (p *part) WantKey(i int) uint64       { return p.sides.WantKey(int(p.wants[i])) }
func (p *part) RecordKey(k int) uint64     { return p.sides.RecordKey(int(p.rows[k])) }
func (p *part) Same(i, k int) (bool, bool) { return p.sides.Same(int(p.wants[i]), int(p.rows[k])) }

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

// eventSides are the events of one gauge.
type eventSides struct {
	*judging
	wants []cause.Want
	recs  []int32
}

func (s *eventSides) Len() (int, int) { return len(s.wants), len(s.recs) }
func (s *eventSides) Skip(i int) int  { return int(s.wants[i].Loss) }
func (s *eventSides) Extra(int) int   { return align.Full }
func (s *eventSides) Pair(i, k int) int {
	if same, _ := s.Same(i, k); same {
		return 0
	}
	return 3 * align.Full
}
func (s *eventSides) Same(i, k int) (same, named bool) {
	return s.WantKey(i) == s.RecordKey(k), false
}
func (s *eventSides) WantKey(i int) uint64 { return uint64(s.wants[i].Event) }
func (s *eventSides) RecordKey(k int) uint64 {
	return uint64(cause.EventNamed(s.records[s.recs[k]].Kind))
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

// facts compares what is known beside the records.
func (j *judging) facts(out *outcome, rows *cause.Rows) {
	out.diffs = append(out.diffs, j.loose...)
	zoned, jumped := rows.Zoned && j.oneZone(), rows.Jumps && j.oneJump()
	for _, d := range j.times {
		switch {
		case d.kind == KindTime && rows.Backwards, d.kind == KindTimeOff && zoned, jumped && j.off(j.records[d.rec].Time) != 0:
			out.slack++
		default:
			out.diffs = append(out.diffs, d)
		}
	}
	if j.quit != nil && rows.Quits {
		out.slack++
	} else if j.quit != nil {
		out.diffs = append(out.diffs, diff{kind: KindQuit, rec: -1, stream: -1, at: -1})
	}
	for g := range j.Gauges {
		f := &j.h.Gauges[g]
		if j.Claimed(cause.Reopen) && f.Unheard == rows.Reopens && f.Unheard {
			out.diffs = append(out.diffs, diff{kind: KindReopen, rec: -1, stream: -1, gauge: int32(g), at: -1})
		}
		if j.Claimed(cause.KeepUp) && f.Full > 0 && !rows.Slow {
			out.diffs = append(out.diffs, diff{kind: KindOverrun, rec: -1, stream: -1, gauge: int32(g), at: -1})
		}
		note := func(k Kind) {
			out.diffs = append(out.diffs, diff{kind: k, rec: -1, stream: -1, gauge: int32(g), at: -1})
		}
		if j.Claimed(cause.Line) && j.Gauges[g].Shows && f.Opened {
			if (f.DTR.Against(j.AtLine.DTR) || f.RTS.Against(j.AtLine.RTS)) && !rows.Idle {
				note(KindControl)
			}
			if b := j.AtLine.Breaks; b != nil && *b != (f.Breaks > 0) && !rows.Breaks {
				note(KindBreak)
			}
		}
		if at := j.AtLine.Reads; j.Claimed(cause.KeepUp) && at > 0 && f.Stall > at && !rows.Stalls {
			note(KindStall)
		}
		if want := rows.Lines[g]; j.Claimed(cause.Line) && f.Line != "" && !lineFits(want, j.Gauges[g].Line, f.Line) {
			out.diffs = append(out.diffs, diff{kind: KindLine, rec: -1, stream: -1, gauge: int32(g), at: -1})
		}
		if j.Claimed(cause.Settings) && f.Opened {
			j.settings(out, rows, g)
		}
	}
}

// off is how far a time lies outside the run, 0 when it lies inside.
func (j *judging) off(t time.Time) time.Duration {
	switch {
	case j.Begun.IsZero():
	case t.Before(j.Begun.Add(-clockSlack)):
		return t.Sub(j.Begun)
	case !j.Ended.IsZero() && t.After(j.Ended.Add(clockSlack)):
		return t.Sub(j.Ended)
	}
	return 0
}

// oneZone reports whether all times are off by the same whole number of
// quarter hours, as time zones are.
func (j *judging) oneZone() bool {
	const quarter, most = 15 * time.Minute, 14 * time.Hour
	for shift := -most; shift <= most; shift += quarter {
		n, fits := 0, shift != 0
		for _, d := range j.times {
			if d.kind == KindTimeOff && fits {
				n++
				fits = j.off(j.records[d.rec].Time.Add(-shift)) == 0
			}
		}
		if fits && n > 0 && n == j.timed {
			return true
		}
	}
	return false
}

// oneJump reports whether the times that are off are those from some row on,
// or up to some row, and off by one hour.
func (j *judging) oneJump() bool {
	for _, shift := range [2]time.Duration{time.Hour, -time.Hour} {
		fits, n := true, 0
		for _, d := range j.times {
			if d.kind == KindTimeOff {
				n++
				fits = fits && j.off(j.records[d.rec].Time.Add(-shift)) == 0
			}
		}
		changes, was := 0, false
		for i := range j.records {
			if rec := &j.records[i]; rec.HasTime {
				off := j.off(rec.Time) != 0
				if i > 0 && off != was {
					changes++
				}
				was = off
			}
		}
		if fits && n > 0 && changes == 1 {
			return true
		}
	}
	return false
}

// lineFits compares the line settings a host asked for with those wanted: the
// speed and the character format; what follows them is not judged.
func lineFits(want, own, got string) bool {
	w, g := strings.Fields(own), strings.Fields(got)
	if len(w) < 2 || len(g) < 2 {
		return own == "" || own == got
	}
	switch want {
	case cause.AnotherSpeed:
		return g[0] != w[0] && g[1] == w[1]
	case cause.AnotherParity:
		return g[0] == w[0] && g[1] != w[1]
	}
	return g[0] == w[0] && g[1] == w[1]
}

// requestSides are the requests a gauge is due and those it got.
type requestSides struct{ due, got []cause.Request }

func (s *requestSides) Len() (int, int) { return len(s.due), len(s.got) }
func (s *requestSides) Skip(int) int    { return align.Full }
func (s *requestSides) Extra(int) int   { return align.Full }
func (s *requestSides) Pair(i, k int) int {
	switch {
	case !sameSetting(s.due[i], s.got[k]):
		return 3 * align.Full
	case !sameText(s.due[i].To, s.got[k].To):
		return 11
	}
	return 0
}
func (s *requestSides) Same(i, k int) (same, named bool) { return s.Pair(i, k) == 0, false }
func (s *requestSides) WantKey(int) uint64               { return 0 }
func (s *requestSides) RecordKey(int) uint64             { return 1 }

func sameSetting(a, b cause.Request) bool {
	return a.Verb == b.Verb && a.Setting == b.Setting && (a.Channel == b.Channel || a.Channel == "" || b.Channel == "")
}

// sameText compares settings: numbers by value, words without regard to case.
func sameText(a, b string) bool {
	if x, err := decimal.Parse(a); err == nil {
		if y, err := decimal.Parse(b); err == nil {
			return x.Equal(y)
		}
	}
	return strings.EqualFold(a, b)
}

// settings compares a gauge's requests with those due. A request more than is
// due does no harm unless it sets something due to another value.
func (j *judging) settings(out *outcome, rows *cause.Rows, g int) {
	due := rows.Requests[g]
	stated := func(r cause.Request) bool {
		return slices.ContainsFunc(j.Gauges[g].Writes, func(w cause.Write) bool {
			w.Verb = cmp.Or(w.Verb, "set")
			return sameSetting(cause.Request{Write: w}, r)
		})
	}
	concerns := func(r cause.Request) bool {
		return r.Setting == "function" && r.Verb == "set" && j.Gauges[g].Function != "" || stated(r) ||
			slices.ContainsFunc(due, func(d cause.Request) bool { return sameSetting(d, r) })
	}
	var got, late []cause.Request
	for _, r := range j.h.Gauges[g].Requests {
		switch {
		case !concerns(r):
		case r.Late:
			late = append(late, r)
		case len(got) > 0 && r == got[len(got)-1]: // asked again, as after a time-out
		default:
			got = append(got, r)
		}
	}
	match := align.Align(&requestSides{due, got})
	used := make([]bool, len(got))
	for _, k := range match {
		if k >= 0 {
			used[k] = true
		}
	}
	add := func(kind Kind, nth int) {
		out.diffs = append(out.diffs, diff{kind: kind, rec: -1, stream: -1, gauge: int32(g), nth: int32(nth), at: -1})
	}
	for i, k := range match {
		d := due[i]
		same := func(r cause.Request) bool { return sameSetting(d, r) && sameText(d.To, r.To) }
		switch {
		case k >= 0 && rows.LateWrites: // a host that writes late has not written yet
			add(KindSettingOrder, i)
		case k >= 0 && got[k].Refused != "":
			add(KindSettingRefused, i)
		case k >= 0 && sameText(d.To, got[k].To):
		case k >= 0 && rows.LoseValue:
			out.slack++
		case k >= 0:
			add(KindSettingValue, i)
		case rows.LateWrites && slices.ContainsFunc(late, same):
		case slices.ContainsFunc(late, same):
			add(KindSettingLate, i)
		default:
			if at := slices.IndexFunc(got, same); at >= 0 && !used[at] {
				used[at] = true
				add(KindSettingOrder, i)
			} else if at := slices.IndexFunc(got, func(r cause.Request) bool { return sameSetting(d, r) }); at >= 0 && !used[at] {
				used[at] = true
				add(KindSettingValue, i)
			} else {
				add(KindSettingMissing, i)
			}
		}
	}
	// What is left over counts only where it ends with another value, or where
	// it should not have been written at all.
	for k := range got {
		if used[k] {
			continue
		}
		again := slices.ContainsFunc(got[k+1:], func(r cause.Request) bool { return sameSetting(got[k], r) })
		i := slices.IndexFunc(due, func(d cause.Request) bool { return sameSetting(d, got[k]) })
		switch {
		case again, i >= 0 && sameText(due[i].To, got[k].To):
		case i < 0 && !stated(got[k]) && sameText(got[k].To, j.Gauges[g].Function):
		default:
			add(KindSettingValue, 100+k)
		}
	}
	if len(due) == 0 {
		for k := range late {
			add(KindSettingValue, 200+k)
		}
	}
}
