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
	w       *cause.Want
	rec     int32 // −1 for none
	g, c    int
	seen    *cause.Seen    // the frame; nil for an event
	r       *cause.Reading // its part of the frame
	prev    *item          // the row due before it of the same channel
	nth     int            // of its channel, from 1
	run     int            // of the run, from 1
	last    bool           // of its channel
	up      int            // the how manieth of the gauge since the port came back, 0 when it never went
	anew    int            // the how manieth of the gauge since the host was started again
	since   time.Duration  // since the gauge's tag before, −1 for none
	damaged bool           // the gauge's frame before it arrived damaged
	follows bool           // another frame came after it in the same piece
	other   bool           // the frame before it was another gauge's

	streamed *cause.Reading // the channel's last streamed one before it
	before   *cause.Reading // the channel's in the gauge's frame before
	beside   *cause.Reading // the other channel's in the same frame
	foreign  *cause.Reading // the last of another gauge
	fromG    int            // that gauge

	bad [aspects]*diff // what disagrees
	ok  [aspects]bool  // what is right
}

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
	KindLost: ofLoss, KindTagLost: ofLoss, KindTagRepeated: ofMore, KindExtra: ofMore, KindEventExtra: ofMore, KindEventMissing: ofEvent}

// items lists what is due by an outcome of the correct host.
func (j *judging) items(o *outcome) []*item {
	byWant, byRow := map[*cause.Want][]*diff{}, map[int32]*diff{}
	for i := range o.diffs {
		d := &o.diffs[i]
		if a, ok := aspectOf[d.kind]; ok && a == ofMore {
			byRow[d.rec] = d
		} else if ok && d.want != nil {
			byWant[d.want] = append(byWant[d.want], d)
		}
	}
	streams := len(j.readings)
	var all []*item
	for n, a := range o.streams {
		s := n % (streams + len(j.Gauges))
		if s >= streams {
			all = append(all, j.eventItems(&a, s-streams, byWant, byRow)...)
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
			if k >= 0 {
				it.rec = a.recs[k]
			}
			for q, rs := 0, j.h.Of(it.seen); q < len(rs); q++ {
				if int(rs[q].Channel) == it.c {
					it.r = &rs[q]
				} else {
					it.beside = &rs[q]
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
					}
				}
				it.ok[ofMore] = it.bad[ofMore] == nil
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

func (j *judging) eventItems(a *aligned, g int, byWant map[*cause.Want][]*diff, byRow map[int32]*diff) (out []*item) {
	for i := range a.wants {
		w := &a.wants[i]
		if w.Loss != cause.Must || w.Seen < 0 {
			continue
		}
		it := &item{w: w, rec: -1, g: g, c: -1, nth: len(out) + 1}
		if a.match[i] >= 0 {
			k := int(a.match[i])
			it.rec, it.ok[ofEvent] = a.recs[k], true
			for _, next := range []int{k - 1, k + 1} {
				if next >= 0 && next < len(a.recs) && byRow[a.recs[next]] != nil && j.records[a.recs[next]].Kind == w.Event.String() {
					it.bad[ofMore] = byRow[a.recs[next]]
				}
			}
			it.ok[ofMore] = it.bad[ofMore] == nil
		} else if len(byWant[w]) > 0 {
			it.bad[ofEvent] = byWant[w][0]
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
	if it.bad[ofValue] != nil {
		it.ok[ofZone] = false
		if d := it.bad[ofZone]; d != nil && j.follows(it) {
			it.bad[ofZone] = nil
		}
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

// surroundings goes once through what the host saw.
func (j *judging) surroundings(all []*item) {
	at := map[*cause.Seen][]*item{}
	for _, it := range all {
		if it.seen != nil {
			at[it.seen] = append(at[it.seen], it)
		}
	}
	type state struct {
		streamed, before []*cause.Reading
		tag              time.Duration
		damaged          bool
		up, anew         int
		back, again      bool
		last             int // index of the frame before, for what follows in its piece
	}
	gs := make([]state, len(j.Gauges))
	for g := range gs {
		gs[g] = state{streamed: make([]*cause.Reading, j.width), before: make([]*cause.Reading, j.width), tag: -1, last: -1}
	}
	run, lastG := 0, -1
	foreign := make([]*cause.Reading, len(gs))
	for i := range j.h.Seen {
		s := &j.h.Seen[i]
		g := &gs[s.Gauge]
		switch s.What {
		case cause.Up:
			g.back, g.up = true, 0
		case cause.Restart, cause.Stopped, cause.Killed:
			for k := range gs {
				if s.What != cause.Restart || k == int(s.Gauge) {
					gs[k].again, gs[k].anew = true, 0
				}
			}
		}
		if s.What != cause.Frame {
			continue
		}
		if s.Joined && g.last >= 0 {
			for _, it := range at[&j.h.Seen[g.last]] {
				it.follows = true
			}
		}
		g.last = i
		here := at[s]
		if len(here) > 0 {
			run++
			if g.back {
				g.up++
			}
			if g.again {
				g.anew++
			}
		}
		for _, it := range here {
			it.run, it.up, it.anew, it.damaged, it.since, it.other = run, g.up, g.anew, g.damaged, -1, lastG >= 0 && lastG != int(s.Gauge)
			if g.tag >= 0 {
				it.since = s.At - g.tag
			}
			it.streamed, it.before = g.streamed[it.c], g.before[it.c]
			for k := range foreign {
				if k != it.g && foreign[k] != nil {
					it.foreign, it.fromG = foreign[k], k
				}
			}
		}
		if g.damaged = s.State == cause.Spoilt; g.damaged {
			continue
		}
		lastG = int(s.Gauge)
		if s.Tagged {
			g.tag = s.At
		}
		for q, rs := 0, j.h.Of(s); q < len(rs); q++ {
			if r := &rs[q]; !r.Void {
				g.before[r.Channel] = r
				foreign[s.Gauge] = r
				if !s.Tagged && !s.Other {
					g.streamed[r.Channel] = r
				}
			}
		}
	}
	slices.SortStableFunc(all, func(a, b *item) int { return int(a.w.Seen - b.w.Seen) })
}
