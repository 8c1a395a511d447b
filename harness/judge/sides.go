package judge

import (
	"math"
	"slices"

	"example.org/understudy/harness/align"
	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/decimal"
)

// sides are the wants and rows of one stream.
type sides struct {
	*judging
	wants   []cause.Want
	recs    []int32
	stream  int32
	tags    bool
	few     bool // the tag numbers come round so soon that one alone tells nothing
	free    bool // some of the wants may have no row
	mixed   bool // tagged ones stand among others, on both sides
	doubles bool
	claims  struct{ value, void, zone, unit bool }
}

func (s *sides) Len() (int, int) { return len(s.wants), len(s.recs) }

func (s *sides) Skip(i int) int { return skip(&s.wants[i]) }

// skip is the cost of a want's having no row. It is slight where another want's row may
// stand for it, whether or not that has one: only what follows can tell which has.
func skip(w *cause.Want) int {
	if w.Instead > 0 {
		return min(1, int(w.Loss))
	}
	return int(w.Loss)
}

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
		c = s.tagCost(w, r)
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

func (j *judging) tagCost(w *cause.Want, r *row) int {
	switch {
	case w.Tagged != r.hasTag:
		return costNoTag
	case w.Tagged && w.Tag != r.tag && w.Changed&cause.LooseTag == 0:
		if j.byValue {
			return costNoTag
		}
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
	return r.hasZone && r.zones.Has(w.Zone)
}

func (s *sides) unitFits(w *cause.Want, r *row) bool {
	return !r.hasUnit || w.Void || w.Changed&cause.LooseUnit != 0 || r.known && r.unit == w.Unit
}

func (s *sides) Same(i, k int) (same, named bool) {
	w, r := &s.wants[i], &s.rows[s.recs[k]]
	if s.tags && w.Tagged && r.hasTag {
		return w.Tag == r.tag && (!s.few && !s.byValue || s.sameValue(w, r)), !s.few
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
	match := s.pair()
	if s.tags && slices.Contains(match, -1) {
		s.unlend(match)
		s.untangle(match)
	}
	taken := make([]bool, len(s.recs))
	for _, k := range match {
		if k >= 0 {
			taken[k] = true
		}
	}
	for i, k := range match { // of rows of one tag that say the same the first is the tag's
		for ; k > 0 && !taken[k-1] && s.rows[s.recs[k]].hasTag && s.double(int(k)); k-- {
			taken[k-1], taken[k] = true, false
			match[i] = k - 1
		}
	}
	return match
}

// untangle frees rows that were paired with readings of other tags where both the row's own
// reading and the reading's own row are left over: the rows stand in each other's places.
func (s *sides) untangle(match []int32) {
	lost, extra := map[uint64]bool{}, map[uint64]bool{}
	next := 0
	leave := func(to int) {
		for ; next < to; next++ {
			extra[s.RecordKey(next)] = true
		}
	}
	for i, k := range match {
		if k < 0 {
			lost[s.WantKey(i)] = true
			continue
		}
		leave(int(k))
		next++
	}
	leave(len(s.recs))
	for i, k := range match {
		if k >= 0 && s.tagCost(&s.wants[i], &s.rows[s.recs[k]]) == costTag && lost[s.RecordKey(int(k))] && extra[s.WantKey(i)] {
			match[i] = -1
		}
	}
}

// unlend gives rows without a tag that were paired with tagged readings back to equal ones
// around that were sent without one, and have no row for it: what is missing is the row of
// the tagged reading.
func (s *sides) unlend(match []int32) {
	for i, k := range match {
		if k >= 0 && s.wants[i].Tagged && !s.rows[s.recs[k]].hasTag && !s.shift(match, i, 1) {
			s.shift(match, i, -1)
		}
	}
}

// shift moves the row of want i, and those after it, or before, one want on, up to a want
// that has none, if they fit as well there.
func (s *sides) shift(match []int32, i, by int) bool {
	var path []int
	k := match[i]
	for n := i + by; n >= 0 && n < len(match) && max(n-i, i-n) <= equalRun; n += by {
		old := match[n]
		switch {
		case old >= 0 && s.Pair(n, int(k)) <= s.Pair(n, int(old)):
			path, k = append(path, n), old
			continue
		case old < 0 && s.wants[n].Tagged: // missing, too
			continue
		case old >= 0, s.Pair(n, int(k)) > 0, !s.numbered && s.wants[n].Loss != cause.Must:
			return false
		}
		k, match[i] = match[i], -1
		for _, n := range append(path, n) {
			match[n], k = k, match[n]
		}
		return true
	}
	return false
}

// equalRun is how many equal readings on or back a missing one is looked for.
const equalRun = 1000

func (s *sides) pair() []int32 {
	if !s.tags || s.byValue {
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
	pairs := align.Align(&tagged)
	for w, r := range pairs {
		if r < 0 {
			continue
		}
		i, k := int(tagged.wants[w]), int(tagged.rows[r])
		if s.wants[i].Tag != s.rows[s.recs[k]].tag || tagged.twin(pairs, w) {
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

// twin reports whether another want with the tag number of want w, sent before or
// after it, may be what its row answers to: which of them it is shows only among the
// rows around.
func (p *part) twin(pairs []int32, w int) bool {
	for k := max(0, w-near); k < min(w+near, len(p.wants)); k++ {
		a, b := &p.sides.wants[p.wants[min(w, k)]], &p.sides.wants[p.wants[max(w, k)]]
		if k != w && pairs[k] < 0 && a.Tag == b.Tag && a.Loss == 0 && b.Instead > 0 && a.Seen >= b.Instead-1 {
			return true
		}
	}
	return false
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

// eventSides are the events of one gauge, between its readings.
type eventSides struct {
	*judging
	wants []cause.Want
	recs  []int32
	// from and to bound, for each row, what can have told the host of the event:
	// more than latest readings that it received before from stand above the row,
	// and more than latest that it received after to below it.
	from, to []int32
	// after and before are the same for a host that writes from one thread.
	after, before []int32
}

// latest is how many readings may stand between what tells an event and its
// row: a host may write them from two threads.
const latest = 1

// eventSides places the rows of a gauge's events among the aligned readings. Of one
// that may have no row it is not sure which row is its; it places nothing.
func (j *judging) eventSides(readings []aligned, wants []cause.Want, recs []int32) *eventSides {
	wants = slices.DeleteFunc(wants, func(w cause.Want) bool { return !j.Claimed(w.Event.Aspect()) })
	s := &eventSides{j, wants, recs, make([]int32, len(recs)), make([]int32, len(recs)), make([]int32, len(recs)), make([]int32, len(recs))}
	for k := range recs {
		s.from[k], s.to[k], s.after[k], s.before[k] = -1, math.MaxInt32, -1, math.MaxInt32
	}
	for _, a := range readings {
		var seen, row []int32
		for i, m := range a.match {
			if m >= 0 && a.wants[i].Loss == cause.Must {
				seen, row = append(seen, a.wants[i].Seen), append(row, a.recs[m])
			}
		}
		above := 0 // readings above the row
		for k, rec := range recs {
			for above < len(row) && row[above] < rec {
				above++
			}
			if n := above - 1 - latest; n >= 0 {
				s.from[k] = max(s.from[k], seen[n])
			}
			if n := above + latest; n < len(seen) {
				s.to[k] = min(s.to[k], seen[n])
			}
			if above > 0 {
				s.after[k] = max(s.after[k], seen[above-1])
			}
			if above < len(seen) {
				s.before[k] = min(s.before[k], seen[above])
			}
		}
	}
	return s
}

// align pairs the events with their rows. Two that happened within the time in which a
// host records what it was given may stand in another order: a host may see to each
// port by itself.
func (s *eventSides) align() []int32 {
	match := align.Align(s)
	for i := 0; i+1 < len(s.wants) && s.Within > 0; i++ {
		a, b := &s.wants[i], &s.wants[i+1]
		if a.Event == b.Event || a.Seen < 0 || a.Loss+b.Loss == 0 || match[i] >= 0 && match[i+1] >= 0 || s.h.Seen[b.Seen].At-s.h.Seen[a.Seen].At > s.Within {
			continue
		}
		*a, *b = *b, *a
		if other := align.Align(s); s.missing(other) < s.missing(match) {
			match = other
		} else {
			*a, *b = *b, *a
		}
	}
	return match
}

// missing is how many events that have to have a row have none.
func (s *eventSides) missing(match []int32) (n int) {
	for i, k := range match {
		if k < 0 && s.wants[i].Loss == cause.Must {
			n++
		}
	}
	return n
}

func (s *eventSides) Len() (int, int) { return len(s.wants), len(s.recs) }
func (s *eventSides) Skip(i int) int  { return skip(&s.wants[i]) }
func (s *eventSides) Extra(int) int   { return align.Full }

// The costs of a row of an event that stands too far from what told the event. They
// are less than the cost of two that go without each other: they only decide which
// row is whose.
const (
	costNear  = 1 // by no more than two threads may make
	costLate  = 3
	costEarly = 5
)

func (s *eventSides) Pair(i, k int) int {
	switch at := s.wants[i].Seen; {
	case s.WantKey(i) != s.RecordKey(k):
		return 3 * align.Full
	case at < s.from[k]:
		return costLate
	case at > s.to[k]:
		return costEarly
	case at < s.after[k] || at > s.before[k]:
		return costNear
	}
	return 0
}

func (s *eventSides) Same(i, k int) (same, named bool) { return s.Pair(i, k) <= costNear, false }
func (s *eventSides) WantKey(i int) uint64             { return uint64(s.wants[i].Event) }
func (s *eventSides) RecordKey(k int) uint64 {
	return uint64(cause.EventNamed(s.records[s.recs[k]].Kind))
}
