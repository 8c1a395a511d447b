package link

import "time"

// Rejoin is how a lost gauge comes back: it waits First, tries for Try, and
// after each failure waits twice as long as before, up to Max, each wait
// longer by a random share up to Jitter per cent, so that a fleet does not
// come back in step. All zero: it is back the moment it can be.
type Rejoin struct {
	First, Max, Try time.Duration
	Jitter          int
}

// lose hangs up.
func (l *Link) lose(s *State) Event {
	s.radio.active--
	s.Stats.Losses++
	s.left, s.tries, s.next = 0, 0, never // a frame begun is sent again whole
	ev := s.enter(Lost)
	ev.Timeout = !s.hangup
	s.hangup = false
	l.backOff(s)
	return ev
}

// atOnce says whether a gauge rejoins the moment it can.
func (r Rejoin) atOnce() bool { return r.Max == 0 }

// backOff sets the next rejoin try.
func (l *Link) backOff(s *State) {
	s.tryEnd = never
	r := l.cfg.Rejoin
	if r.atOnce() {
		at := max(s.Now, s.outUntil, s.stallUntil)
		if at == s.Now && l.channelDeaf(s) {
			at = l.spellEnd(s)
		} else if at == s.Now && s.radio.active >= MaxActive {
			at += time.Second // ask again now and then for a seat
		}
		s.tryAt = at
		return
	}
	if s.wait == 0 {
		s.wait = r.First
	} else {
		s.wait = min(2*s.wait, r.Max)
	}
	d := max(s.wait, time.Millisecond)
	if r.Jitter > 0 {
		d += time.Duration(uniform(&s.rng) * float64(d/100*time.Duration(r.Jitter)))
	}
	s.tryAt = s.Now + d
}

// rejoin begins or ends a try that is due.
func (l *Link) rejoin(s *State) (Event, bool) {
	if s.tryEnd == never {
		if s.tryAt > s.Now {
			return Event{}, false
		}
		s.tryEnd, s.tryAt = s.Now+l.cfg.Rejoin.Try, never
		if l.cfg.Rejoin.Try > 0 {
			return s.enter(Rejoining), true
		}
	}
	if s.tryEnd > s.Now {
		return Event{}, false
	}
	if s.Now < s.outUntil || s.Now < s.stallUntil || l.channelDeaf(s) || s.radio.active >= MaxActive {
		l.backOff(s)
		if s.Phase != Lost {
			return s.enter(Lost), true
		}
		return Event{}, false
	}
	s.radio.active++
	s.tryAt, s.tryEnd, s.wait = never, never, 0
	ev := s.enter(Up)
	s.deafSince = never
	l.schedule(s)
	return ev, true
}
