package judge

import (
	"slices"
	"time"

	"example.org/understudy/harness/cause"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// item is a row that is due, what came of it, and what stood about it: all that a
// pattern can speak of.
type item struct {
	w         *cause.Want
	rec       int32 // −1 for none
	g, c      int
	seen      *cause.Seen    // the frame; nil for an event
	r         *cause.Reading // its part of the frame
	prev      *item          // the row due before it of the same channel
	next      *item          // and after it
	nth       int            // of its channel, from 1
	run       int            // of the run, from 1
	last      bool           // of its channel
	up        int            // the how manieth of the gauge since the port came back, 0 when it never went
	anew      int            // the how manieth of the gauge since the host was started again
	opened    int            // its frame is the how manieth of the gauge since the host opened the port
	counted   bool           // its frame's count is not above that of one before it
	since     time.Duration  // since the gauge's tag before, −1 for none
	sinceOpen time.Duration  // since the port was opened
	damaged   bool           // the gauge's frame before it arrived damaged
	hurt      bool           // one has since the port was opened
	place     int            // the gauge that was first at its port
	voided    bool           // another channel of its frame has no reading
	behind    bool           // and one before it
	scrap     bool           // it is the first since the port came back, and what came last before it went was damaged
	unnamed   bool           // the gauge has not said who it is since the port was opened, and will
	turned    bool           // the gauge sent another unit in its first frame
	spoilt    bool           // one in the same piece did
	echoed    bool           // the gauge's frame before it is a tag that was sent again
	lonely    bool           // the port of another gauge is away
	replaced  bool           // another gauge sends the same tag number later
	ahead     int            // bytes before it in the same piece
	after     int            // and after it
	goes      bool           // it is the gauge's last before the port went
	other     bool           // the frame before it was another gauge's
	echo      echo           // of its tag number, by another gauge
	came      bool           // its tag number stood in the channel before
	comes     bool           // and will again
	alike     *item          // the first of the run with the same value
	first     *item          // of the channel
	least     *cause.Want    // of the channel so far; nil: none has a value

	initial  *cause.Reading // the first that the gauge sent
	streamed *cause.Reading // the channel's last streamed one before it
	before   *cause.Reading // the channel's in the gauge's frame before
	beside   *cause.Reading // the other channel's in the same frame
	foreign  *cause.Reading // the last of another gauge
	latest   *cause.Reading // the last number before it in the gauge's frames, whichever its channel
	across   bool           // the port went between it and the row that doubles it

	own  *decimal.Decimal // the recorded value, where it is wrong and the zone is judged by it
	tied *diff            // the zone that is wrong as the value is
	bad  [aspects]*diff   // what disagrees
	ok   [aspects]bool    // what is right
}

// echo says whether another gauge has sent a tag number before.
type echo uint8

const (
	notSent echo = iota
	sentOther
	sentSame // with the same reading
)

// aspect is something of a row that can be wrong.
type aspect int

const (
	ofValue aspect = iota
	ofZone
	ofTag
	ofLoss
	ofMore
	ofEvent
	aspects
)

var aspectOf = map[Kind]aspect{KindValue: ofValue, KindVoid: ofValue, KindZone: ofZone, KindTag: ofTag,
	KindLost: ofLoss, KindTagLost: ofLoss, KindTagRepeated: ofMore, KindExtra: ofMore, KindEventMissing: ofEvent}

// items lists what is due by an outcome of the correct host.
func (j *judging) items(o *outcome) []*item {
	byWant, byRow := map[*cause.Want][]*diff{}, map[int32]*diff{}
	rows, told := false, false // are missing
	for i := range o.diffs {
		d := &o.diffs[i]
		rows, told = rows || aspectOf[d.kind] == ofLoss && d.want != nil, told || d.kind == KindEventMissing
		if a, ok := aspectOf[d.kind]; ok && a == ofMore {
			byRow[d.rec] = d
		} else if ok && d.want != nil {
			byWant[d.want] = append(byWant[d.want], d)
		}
	}
	events := ofEvent
	if rows && told {
		events = ofLoss
	}
	streams := len(j.readings)
	var all []*item
	for n, a := range o.streams {
		s := n % (streams + len(j.Gauges))
		if s >= streams {
			all = append(all, j.eventItems(&a, s-streams, events, byWant)...)
			continue
		}
		var prev *item
		nth := 0
		for i := range a.wants {
			w := &a.wants[i]
			k := a.match[i]
			if k < 0 && len(byWant[w]) == 0 || w.Seen < 0 {
				continue // it may be missing
			}
			nth++
			it := &item{w: w, rec: -1, g: s / j.width, c: s % j.width, seen: &j.h.Seen[w.Seen], prev: prev, nth: nth}
			if it.first = it; prev != nil {
				it.first, it.least = prev.first, prev.least
			}
			if !w.Void && (it.least == nil || w.Value.Cmp(it.least.Value) < 0) {
				it.least = w
			}
			if k >= 0 {
				it.rec = a.recs[k]
			}
			for q, rs := 0, j.h.Of(it.seen); q < len(rs); q++ {
				if int(rs[q].Channel) == it.c {
					it.r = &rs[q]
				} else {
					it.beside = &rs[q]
					it.voided = it.voided || rs[q].Void
					it.behind = it.behind || rs[q].Void && int(rs[q].Channel) < it.c
				}
			}
			j.outcomes(it, byWant[w])
			if it.ok[ofMore] = k >= 0; k >= 0 {
				for _, next := range []int{int(k) - 1, int(k) + 1} {
					if next < 0 || next >= len(a.recs) {
						continue
					}
					if d := byRow[a.recs[next]]; d != nil && j.sameRow(a.recs[k], a.recs[next]) {
						it.bad[ofMore] = d
						it.across = slices.ContainsFunc(j.events[it.g], func(e int32) bool {
							of := cause.EventNamed(j.records[e].Kind)
							return (e > a.recs[k]) != (e > a.recs[next]) && (of == cause.LinkLostEvent || of == cause.LinkBackEvent)
						})
					}
				}
				it.ok[ofMore] = it.bad[ofMore] == nil
			}
			if prev != nil {
				prev.next = it
			}
			all, prev = append(all, it), it
		}
		if prev != nil {
			prev.last = true
		}
	}
	j.surroundings(all)
	return all
}

// eventItems are those of the events of a gauge. Where rows of both are missing, the rows
// of events are rows like any others.
func (j *judging) eventItems(a *aligned, g int, of aspect, byWant map[*cause.Want][]*diff) (out []*item) {
	for i := range a.wants {
		w := &a.wants[i]
		if w.Loss != cause.Must || w.Seen < 0 {
			continue
		}
		it := &item{w: w, rec: -1, g: g, c: -1, nth: len(out) + 1}
		if s := &j.h.Seen[w.Seen]; s.What == cause.Frame {
			it.seen = s
		}
		if a.match[i] >= 0 {
			it.rec, it.ok[of] = a.recs[a.match[i]], true
		} else if len(byWant[w]) > 0 {
			it.bad[of] = byWant[w][0]
		}
		out = append(out, it)
	}
	return out
}

// outcomes says in what the row of an item is right and wrong. A zone that follows
// from a wrong value is not wrong by itself.
func (j *judging) outcomes(it *item, diffs []*diff) {
	if it.rec < 0 {
		for _, d := range diffs {
			if d.like <= 1 { // of several equal ones it is not known which
				it.bad[ofLoss] = d
			}
		}
		return
	}
	for a := range ofMore {
		it.ok[a] = true
	}
	it.ok[ofLoss] = it.w.Loss == cause.Must
	for _, d := range diffs {
		if a, ok := aspectOf[d.kind]; ok {
			it.bad[a], it.ok[a] = d, false
		}
	}
	if it.bad[ofValue] == nil {
		return
	}
	follows := j.follows(it)
	if follows || it.bad[ofZone] != nil {
		it.own = j.rows[it.rec].value
	}
	if d := it.bad[ofZone]; d != nil && follows {
		it.bad[ofZone], it.ok[ofZone], it.tied = nil, true, d
	}
}

// follows reports whether a row's zone is right by its own value, or void with none.
func (j *judging) follows(it *item) bool {
	r := &j.rows[it.rec]
	if !r.hasValue {
		return r.zones.Has(zone.Void)
	}
	if it.c >= len(j.Gauges[it.g].Channels) {
		return false
	}
	pm := r.value.Mul(decimal.New(int64(j.Unit.Size()), 0))
	return r.zones.Has(j.Zone(&j.Gauges[it.g].Channels[it.c], pm, pm))
}

func (j *judging) sameRow(a, b int32) bool {
	s := sides{judging: j, recs: []int32{a, b}}
	return s.double(1)
}

// past is what has come of a gauge so far.
type past struct {
	streamed, before []*cause.Reading
	latest           *cause.Reading // whichever its channel
	first            *cause.Reading
	tag              time.Duration
	damaged, hurt    bool
	scrap            bool
	repeat           bool // the frame before is a tag that was sent again
	away             bool // the port is
	unnamed          []*item
	up, anew, frames int
	opened           time.Duration
	place            int
	count            int64 // the greatest so far
	back, again      bool
	last             []*item
}

// surroundings goes once through what the host saw.
func (j *judging) surroundings(all []*item) {
	at := map[*cause.Seen][]*item{}
	for _, it := range all {
		if it.seen != nil {
			at[it.seen] = append(at[it.seen], it)
		}
	}
	gs := make([]past, len(j.Gauges))
	for g := range gs {
		gs[g] = past{streamed: make([]*cause.Reading, j.width), before: make([]*cause.Reading, j.width), tag: -1, count: -1, place: g}
	}
	run, lastG := 0, -1
	counts := j.counters()
	for i := range j.h.Seen {
		s := &j.h.Seen[i]
		g := &gs[s.Gauge]
		if s.What != cause.Frame {
			turn(gs, s)
			continue
		}
		here, count := at[s], counts[s.Gauge].of(s)
		if len(here) > 0 {
			run++
		}
		if rs := j.h.Of(s); g.first == nil && len(rs) > 0 {
			g.first = &rs[0]
		}
		g.frame(s, here)
		for _, it := range here {
			j.about(it, g, s)
			it.counted = count >= 0 && count <= g.count
			it.run, it.other = run, lastG >= 0 && lastG != int(s.Gauge)
			for k := range gs {
				it.lonely = it.lonely || k != it.g && gs[k].away
				if it.c >= 0 && k != it.g && gs[k].latest != nil {
					it.foreign = gs[k].latest
				}
			}
		}
		if g.damaged = s.State == cause.Spoilt; g.damaged {
			g.hurt = true
			continue
		}
		lastG, g.count = int(s.Gauge), max(g.count, count)
		j.passes(g, s)
	}
	j.pieces(at)
	slices.SortStableFunc(all, func(a, b *item) int { return int(a.w.Seen - b.w.Seen) })
	likenesses(all)
}

// turn takes what happens to a port, and what the host does.
func turn(gs []past, s *cause.Seen) {
	g := &gs[s.Gauge]
	switch s.What {
	case cause.Up:
		g.back, g.hurt, g.up, g.frames, g.opened = true, false, 0, 0, s.At
		g.scrap, g.damaged, g.unnamed, g.place = g.damaged, false, nil, int(s.Place)
		g.away = false
	case cause.Down:
		g.away = true
		for _, it := range g.last {
			it.goes = true
		}
	case cause.Restart, cause.Stopped, cause.Killed:
		for k := range gs {
			if s.What != cause.Restart || k == int(s.Gauge) {
				gs[k].again, gs[k].anew, gs[k].frames, gs[k].opened = true, 0, 0, s.At
			}
		}
	}
}

// frame counts a frame, of which some rows are due or none.
func (g *past) frame(s *cause.Seen, here []*item) {
	g.frames++
	if s.Other && s.State != cause.Spoilt {
		for _, it := range g.unnamed {
			it.unnamed = true
		}
		g.unnamed = nil
	}
	if len(here) > 0 {
		g.last = here
		if g.back {
			g.up++
		}
		if g.again {
			g.anew++
		}
	}
	if g.back {
		g.unnamed = append(g.unnamed, here...)
	}
}

// about says of an item what came before it of its gauge.
func (j *judging) about(it *item, g *past, s *cause.Seen) {
	rs := j.h.Of(s)
	it.initial, it.hurt, it.turned = g.first, g.hurt, it.r != nil && it.r.Unit != g.first.Unit
	it.latest = g.latest
	for q := 0; it.c >= 0 && q < len(rs) && int(rs[q].Channel) < it.c; q++ {
		if !rs[q].Void {
			it.latest = &rs[q]
		}
	}
	it.place, it.scrap, it.echoed = g.place, g.frames == 1 && g.scrap, g.repeat
	it.opened, it.sinceOpen = g.frames, s.At-g.opened
	it.up, it.anew, it.damaged, it.since = g.up, g.anew, g.damaged, -1
	if g.tag >= 0 {
		it.since = s.At - g.tag
	}
	if it.c >= 0 {
		it.streamed, it.before = g.streamed[it.c], g.before[it.c]
	}
}

// passes notes a whole frame.
func (j *judging) passes(g *past, s *cause.Seen) {
	g.repeat = s.Tagged && s.Repeat
	if s.Tagged {
		g.tag = s.At
	}
	for q, rs := 0, j.h.Of(s); q < len(rs); q++ {
		if r := &rs[q]; !r.Void {
			g.before[r.Channel], g.latest = r, r
			if !s.Tagged && !s.Other {
				g.streamed[r.Channel] = r
			}
		}
	}
}

// pieces says of each item what stood about it in the piece that its frame came in.
func (j *judging) pieces(at map[*cause.Seen][]*item) {
	for i := 0; i < len(j.h.Seen); {
		end, all, spoilt := i+1, len(j.h.Seen[i].Bytes), j.h.Seen[i].State == cause.Spoilt
		for ; end < len(j.h.Seen) && j.h.Seen[end].Joined; end++ {
			all += len(j.h.Seen[end].Bytes)
			spoilt = spoilt || j.h.Seen[end].State == cause.Spoilt
		}
		for ahead := 0; i < end; i++ {
			s := &j.h.Seen[i]
			for _, it := range at[s] {
				it.ahead, it.after, it.spoilt = ahead, all-ahead-len(s.Bytes), spoilt
			}
			ahead += len(s.Bytes)
		}
	}
}

// likenesses finds for each item those of the run that are like it in number or value.
func likenesses(all []*item) {
	type number struct {
		g, c int
		tag  int64
	}
	tags, first := map[number]*item{}, map[string]*item{}
	gauges := map[int64][]*item{} // the latest of each gauge by tag number
	for _, it := range all {
		if it.c < 0 {
			continue
		}
		if it.w.Tagged {
			n := number{it.g, it.c, it.w.Tag}
			if before := tags[n]; before != nil {
				it.came, before.comes = true, true
			}
			tags[n] = it
			own := -1
			for k, o := range gauges[it.w.Tag] {
				if o.g == it.g {
					own = k
					continue
				}
				later, is := it, sentOther
				if o.w.Void == it.w.Void && (it.w.Void || o.w.Value.Equal(it.w.Value)) {
					is = sentSame
				}
				if o.rec < 0 && it.rec >= 0 && it.seen.At-o.seen.At <= beside {
					later = o // a host may see to what came at one time in either order
				}
				later.echo = max(later.echo, is)
				o.replaced = true
			}
			if own >= 0 {
				gauges[it.w.Tag][own] = it
			} else {
				gauges[it.w.Tag] = append(gauges[it.w.Tag], it)
			}
		}
		if !it.w.Void {
			v := it.w.Value.Trim().String()
			if it.alike = first[v]; it.alike == nil {
				first[v] = it
			}
		}
	}
}
