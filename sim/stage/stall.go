package stage

import (
	"time"

	"example.org/understudy/sim/stage/ledger"
)

// stall is how a host leaves bytes unread while a timed timeline goes on.
type stall struct {
	since time.Time // when bytes were first seen to wait; zero: none do
	still time.Time // when they were last seen to, none of them read
	read  int64     // what the host had read then
	n     int       // bytes that waited
}

// lookEvery is how often some of the ports are looked at.
const lookEvery = 5 * time.Millisecond

// watch looks at the ports of a timed play, a few at a time, each several times
// within the time in which its host is to read.
func (s *Stage) watch(now time.Time) {
	if now.Sub(s.watched) < lookEvery || s.opt.Pace.kind != timed || len(s.opt.Ports) == 0 {
		return
	}
	n := min(int(now.Sub(s.watched)*time.Duration(len(s.actors))/s.lookRound())+1, len(s.actors))
	s.watched = now
	for range n {
		s.watching = (s.watching + 1) % len(s.actors)
		s.actors[s.watching].watch(now)
	}
}

// lookRound is how often each port is looked at.
func (s *Stage) lookRound() time.Duration { return max(s.readsWithin()/4, lookEvery) }

func (s *Stage) readsWithin() time.Duration {
	if s.play.ReadsWithin > 0 {
		return s.play.ReadsWithin
	}
	return time.Second
}

// hasRead notes how much the host has read, where that can be seen.
func (a *actor) hasRead() {
	if a.port == nil || a.down || !a.inUse {
		return
	}
	given := a.given()
	if n, exact := a.port.Unread(); exact {
		a.taken = max(a.taken, given-int64(n))
	}
}

func (a *actor) watch(now time.Time) {
	if a.down || !a.inUse {
		a.stalled()
		return
	}
	given := a.given()
	n, exact := a.port.Unread()
	read := given - int64(n)
	if exact && n == 0 {
		a.taken = given
	}
	if n > 0 && !a.stall.since.IsZero() && read <= a.stall.read {
		a.stall.still, a.stall.n = now, n
		return
	}
	a.stalled()
	if n > 0 {
		a.stall = stall{since: now, still: now, read: read, n: n}
	}
}

// stalled ends a stall, and enters it when it was long: for how long bytes were
// seen to wait, which is no longer than they did.
func (a *actor) stalled() {
	if d := a.stall.still.Sub(a.stall.since); !a.stall.since.IsZero() && d > a.s.readsWithin() {
		a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindPort, Port: &ledger.Port{What: "stalled", Lasted: d.Round(time.Millisecond), Lost: a.stall.n}})
	}
	a.stall = stall{}
}
