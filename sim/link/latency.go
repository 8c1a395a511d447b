package link

import (
	"time"

	"example.org/understudy/sim/steady"
)

// Latency is what a frame waits for besides its tries on the air. The zero value waits
// for nothing. What the host says to the gauge waits for nothing either, and a frame
// that has arrived when the link is lost is handed on at once. How long each wait is,
// and that the stack's is half constant and half exponential, is common practice, no
// source.
type Latency struct {
	// Stack is the mean time in the firmware of both radios and in the host's stack:
	// half of it always, the rest drawn for each frame from the exponential law.
	Stack time.Duration
	// Sniff is how often a gauge listens that has had nothing to send: its next frame
	// waits for that moment, and the ones behind it go with it (sniff mode, Bluetooth
	// Core, Vol 2 Part B, 8.7; from memory).
	Sniff time.Duration
	// Driver is how often the driver of the host's port hands on what has come.
	Driver time.Duration
}

// waits are a link's, at a time.
type waits struct {
	listens, polls time.Duration // when the gauge first listens, and the driver first hands on
	handed         []handed      // arrived, and still with the stack or the driver
	last           time.Duration // when the last of them gets through
}

type handed struct {
	id    uint64
	tries int
	at    time.Duration // when it gets through
}

// begin draws where the beats of the link begin.
func (w Latency) begin(s *State, seed uint64) {
	s.luck.Seed(seed)
	s.listens = time.Duration(uniform(&s.luck) * float64(w.Sniff))
	s.polls = time.Duration(uniform(&s.luck) * float64(w.Driver))
}

// woken is when a gauge that wakes at t, or sleeps then, may send.
func (w Latency) woken(s *State, t time.Duration) time.Duration {
	if w.Sniff == 0 || t <= s.free || t > never-2*w.Sniff {
		return t
	}
	return beat(t, w.Sniff, s.listens)
}

// receive takes a frame that has arrived now.
func (w Latency) receive(s *State, f frame, tries int) {
	at := s.Now + w.Stack/2
	if w.Stack > 0 {
		at += time.Duration(-steady.Log(uniform(&s.luck)) * float64(w.Stack-w.Stack/2))
	}
	if w.Driver > 0 {
		at = beat(at, w.Driver, s.polls)
	}
	s.last = max(s.last, at) // in order
	s.handed = append(s.handed, handed{f.id, tries, s.last})
}

// through gives out a frame that has got through; all do when the link is about to be
// lost.
func (l *Link) through(s *State) (Event, bool) {
	if len(s.handed) == 0 || s.handed[0].at > s.Now && !s.hangup && !l.timedOut(s) {
		return Event{}, false
	}
	f := s.handed[0]
	s.handed = append(s.handed[:0], s.handed[1:]...)
	s.Stats.Delivered++
	return Event{At: s.Now, Kind: Delivered, ID: f.id, Tries: f.tries, Phase: s.Phase}, true
}

// beat is the first time from t on at which something happens that happens at first
// and then at every multiple of a time.
func beat(t, every, first time.Duration) time.Duration {
	if t <= first {
		return first
	}
	return first + (t-first+every-1)/every*every
}
