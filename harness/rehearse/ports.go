package rehearse

import (
	"cmp"
	"math"
	"slices"
	"time"

	"example.org/understudy/sim/link"
)

// port is a serial port of the host: that of one gauge, or that of a receiver
// that hands the frames of all its gauges to one port.
type port struct {
	name, line string
	chars      float64 // a second
	gauges     []int
}

// takes is how long the port takes for a frame of so many bytes.
func (p *port) takes(bytes int) time.Duration {
	return time.Duration(math.Round(float64(bytes) * 1e9 / p.chars))
}

// load is what a port is to carry: its use, when every frame gets through, and
// the mean time for a frame and its squared coefficient of variation.
func (l *Line) load(p *port, tags func(g int) float64) (use float64, mean time.Duration, cv2 float64) {
	var rate, sum, square float64
	add := func(perSecond float64, bytes int) {
		s := p.takes(bytes).Seconds()
		rate += perSecond
		sum += float64(perSecond * s)
		square += float64(perSecond * s * s)
	}
	for _, i := range p.gauges {
		g := &l.gauges[i]
		add(g.rate.Hz.Float64(), g.frame)
		add(tags(i)/l.Shift.D().Seconds(), g.tagged)
	}
	m := sum / rate
	return sum, time.Duration(m * 1e9), square/rate/(m*m) - 1
}

// server takes one thing after the other, in the order in which they come.
type server struct {
	Queued
	free time.Duration
}

// take takes one that comes at a time and needs so long, and says when it is
// done with it.
func (s *server) take(at, takes time.Duration) (done time.Duration) {
	s.Records++
	begin := max(at, s.free)
	s.Wait.add(begin - at)
	s.free = begin + takes
	s.Busy += takes
	s.Backlog = max(s.Backlog, s.free-at)
	return s.free
}

// arrival is a frame that reached a port, or a tag that reached the host.
type arrival struct {
	at, takes time.Duration
	g         int
	tag       bool
}

func sooner(a, b arrival) int {
	return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.g, b.g))
}

// queue is a server before which things wait that may still be overtaken.
type queue struct {
	server
	waiting []arrival
}

// until serves what comes before a time, from which on everything is still to
// come, and tells when each is done.
func (q *queue) until(end time.Duration, done func(a arrival, at time.Duration)) {
	slices.SortStableFunc(q.waiting, sooner)
	n := 0
	for ; n < len(q.waiting) && q.waiting[n].at < end; n++ {
		a := q.waiting[n]
		at := q.take(a.at, a.takes)
		if done != nil {
			done(a, at)
		}
	}
	q.waiting = slices.Delete(q.waiting, 0, n)
}

// settled is how long after a moment it is certain whether a link was silent
// then: a silent spell has a name from that length on (sim/link).
const settled = 100 * time.Millisecond

// stream is a gauge's stream of readings on its way to its port. Frames that
// the radio cannot send in a silent spell come together at its end; those of a
// link that is lost do not come at all. Silent spells below the length from
// which they have a name delay nothing here.
type stream struct {
	phase time.Duration
	n     int64         // frames that were made
	next  time.Duration // when the next one is made
	to    *queue
	alone bool // nothing else goes to that port
	takes time.Duration
	gap   time.Duration // shortest time from one frame to the next
	slot  time.Duration // on the air
}

func (s *served) streamFrom(phase time.Duration, to *queue, p *port) {
	s.stream = stream{phase: phase, next: phase, to: to, alone: len(p.gauges) == 1, takes: p.takes(s.frame), gap: s.rate.Interval(1)}
	if !s.wired {
		s.stream.slot = link.Slot
	}
	s.tagTakes = p.takes(s.tagged)
}

// make makes the frames before a time. They arrive as they are made; at a
// moment, when one is given; or not at all.
func (s *served) make(before, moment time.Duration, gone bool) {
	st := &s.stream
	if st.to == nil || st.next >= before {
		return
	}
	if st.alone && !gone && moment < 0 && len(st.to.waiting) == 0 && st.to.free <= st.next+st.slot && st.takes <= st.gap {
		// each frame finds the port free: they need not be served one by one
		first, n := st.n, int64((before-st.next)/(st.gap+1)) // not too many
		if n > 1 {
			st.n += n
			st.next = st.phase + s.rate.Interval(st.n)
			last := st.phase + s.rate.Interval(first+n-1) + st.slot
			st.to.Records += int(n)
			st.to.Wait.addN(0, int(n))
			st.to.Busy += st.takes * time.Duration(n)
			st.to.Backlog = max(st.to.Backlog, st.takes)
			st.to.free = last + st.takes
		}
	}
	for st.next < before {
		at := st.next + st.slot
		if moment >= 0 {
			at = moment
		}
		if !gone {
			st.to.waiting = append(st.to.waiting, arrival{at: at, takes: st.takes, g: s.index})
		}
		st.n++
		st.next = st.phase + s.rate.Interval(st.n)
	}
}
