// Package link is the radio serial link between a gauge and the host's radio.
//
// A radio that retransmits does not corrupt bytes: a packet that arrives
// damaged is thrown away and sent again. So a bad link shows as delay, then as
// a burst of frames in order, then as a hang-up; never as a wrong byte. A
// frame's fate is one of: delivered whole and in order, flushed because it
// grew too old, or dropped because the link was lost or the gauge's memory
// full. (Garbled, duplicated, split and merged bytes belong to wires, or to
// what a gauge writes: the stage does those.)
//
// The zero Config is an ideal link: no delay, no loss, never lost unless a
// fault says so, at constant cost.
//
// A link is five things laid on each other:
//
//   - attempts: a frame is cut into packets of Payload bytes, each tried every
//     Attempt (times the number of gauges sharing the radio) until it gets
//     through;
//   - the channel: a Gilbert-Elliott chain of good and bad spells (Bursts),
//     which Budget derives from distance, walls, power class and movement;
//   - latency: sleep intervals, stacks and drivers, which hold every frame up;
//   - supervision: a link that can hear nothing for Supervision is lost, drops
//     what it holds, and rejoins with back-off;
//   - faults: Stall and Lose, begun as their cues fall due.
//
// Everything is advanced lazily to the time asked. The channel's realisation
// depends only on its seed, not on traffic or on when it is looked at.
package link

import (
	"errors"
	"fmt"
	"math"
	"time"

	"example.org/understudy/sim/random"
)

// Phase is the state of a link as its host sees it.
type Phase uint8

// Phases of a link.
const (
	Up Phase = iota
	// Stalled: joined, but nothing gets through.
	Stalled
	// Lost: hung up, waiting to try again.
	Lost
	// Rejoining: hung up, trying.
	Rejoining
)

func (p Phase) String() string { return [...]string{"up", "stalled", "lost", "rejoining"}[p] }

// Joined says whether the host has a connection, if perhaps a silent one.
func (p Phase) Joined() bool { return p <= Stalled }

// NoSupervision as Config.Supervision leaves a silent link joined for ever.
const NoSupervision time.Duration = -1

// Config describes a link.
type Config struct {
	Attempt     time.Duration // from one try of a packet to the next; 0 tries once, at once
	Air         time.Duration // from a try to its arrival; shorter than Attempt, if that is set
	Payload     int           // bytes a packet holds; 0 means any number
	Bursts      Bursts        // needs Attempt
	Flush       time.Duration // a frame this old is thrown away; 0: never (the specification's default)
	Supervision time.Duration // 0 means 20 s
	Notice      time.Duration // a silent spell this long is called Stalled; 0 means 100 ms
	Memory      int           // frames the gauge holds; 0 means 1024
	Hold        bool          // a lost gauge keeps its frames and sends them late, in order
	Rejoin      Rejoin
	Latency     Latency
}

// A Radio is the host's end, shared by up to MaxActive gauges at a time. Its
// seats are the one thing by which gauges touch each other: a gauge that joins
// slows the others' attempts, and an eighth is refused. One Radio serves one
// simulation; it is not safe for concurrent use.
type Radio struct{ active int }

// Active is how many gauges hold a seat.
func (r *Radio) Active() int { return r.active }

// Link is a checked Config. It is never changed and may be shared.
type Link struct {
	cfg  Config
	deaf [2]bool // whether the good and the bad state let nothing through
}

// New checks a description.
func New(cfg Config) (*Link, error) {
	if cfg.Supervision == 0 {
		cfg.Supervision = Supervision
	}
	if cfg.Notice == 0 {
		cfg.Notice = 100 * time.Millisecond
	}
	if cfg.Memory == 0 {
		cfg.Memory = 1024
	}
	var errs []error
	check := func(ok bool, format string, args ...any) {
		if !ok {
			errs = append(errs, fmt.Errorf("link: "+format, args...))
		}
	}
	check(cfg.Attempt >= 0 && cfg.Attempt <= time.Hour, "attempt every %v: must be 0 to an hour", cfg.Attempt)
	check(cfg.Air >= 0 && cfg.Air <= time.Hour, "air time %v: must be 0 to an hour", cfg.Air)
	check(cfg.Attempt == 0 || cfg.Air < cfg.Attempt, "air time %v: must be shorter than an attempt, %v", cfg.Air, cfg.Attempt)
	check(cfg.Payload >= 0, "payload of %d bytes: must not be negative", cfg.Payload)
	if err := cfg.Bursts.Validate(); err != nil {
		errs = append(errs, fmt.Errorf("link: %w", err))
	}
	check(cfg.Attempt > 0 || cfg.Bursts == Bursts{}, "losses without a time between attempts")
	check(cfg.Flush >= 0, "flush after %v: must not be negative", cfg.Flush)
	check(cfg.Supervision > 0 || cfg.Supervision == NoSupervision, "supervision time-out %v: must be above 0, or none", cfg.Supervision)
	check(cfg.Notice > 0, "notice of a stall after %v: must not be negative", cfg.Notice)
	check(cfg.Memory > 0 && cfg.Memory <= 1<<24, "memory for %d frames: must be 1 to %d", cfg.Memory, 1<<24)
	w := cfg.Latency
	check(min(w.Stack, w.Sniff, w.Driver) >= 0 && max(w.Stack, w.Sniff, w.Driver) <= 10*time.Second, "latency of stack %v, sniff %v, driver %v: each must be 0 to 10 s", w.Stack, w.Sniff, w.Driver)
	r := cfg.Rejoin
	check(r.First >= 0 && r.Try >= 0 && r.Max >= r.First && r.Max <= 24*time.Hour && r.Try <= time.Hour,
		"rejoin first after %v, at most after %v, trying for %v: none may be negative, the second not below the first, at most a day and an hour", r.First, r.Max, r.Try)
	check(r.Jitter >= 0 && r.Jitter <= 100, "rejoin jitter %d %%: must be 0 to 100", r.Jitter)
	check(r.Max > 0 || r.Try == 0, "rejoin tries for %v with no wait between: give the longest wait", r.Try)
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	l := &Link{cfg: cfg}
	if cfg.Attempt > 0 {
		// A state is deaf if, over a whole supervision time, it is likelier
		// than not that nothing gets through: loss^n > ½.
		span := cfg.Supervision
		if span < 0 {
			span = Supervision
		}
		n := math.Max(1, float64(span/cfg.Attempt))
		for i, p := range [2]float64{cfg.Bursts.LossGood, cfg.Bursts.LossBad} {
			l.deaf[i] = p >= 1 || quantise(float64(n*math.Log(p))) > quantise(math.Log(0.5))
		}
	}
	return l, nil
}

type frame struct {
	id   uint64
	at   time.Duration
	size int
}

// Stats count what became of a link's frames and packets.
type Stats struct {
	Offered, Delivered, Flushed, Dropped, Refused uint64 // frames
	Attempts, Failed                              uint64 // packets
	Losses                                        uint64 // times the link was lost
}

// State is one gauge's link at a time. Do not copy it.
type State struct {
	Now   time.Duration
	Phase Phase
	Stats Stats

	radio *Radio
	rng   random.PCG // attempts and jitter
	luck  random.PCG // latency
	ch    channel

	ring  []frame
	head  int
	len   int
	left  int           // packets of the head frame still to send; 0: not begun
	tries int           // attempts spent on it
	next  time.Duration // when its next attempt arrives, never while unknown
	free  time.Duration // when the next attempt may begin
	waits

	stallUntil time.Duration // scripted
	outUntil   time.Duration // scripted: out of reach until then
	hangup     bool          // scripted: to be lost now
	deafSince  time.Duration // never: it hears
	wait       time.Duration // of the back-off
	tryAt      time.Duration // next rejoin try begins
	tryEnd     time.Duration // the running one ends
}

const (
	never = time.Duration(math.MaxInt64)
	// Forever is a fault's length without an end; Clear ends it.
	Forever = never
)

// Start is a link at time zero, joined if the radio has a seat. Its two
// streams of random numbers are seeded from src. A nil radio is one of its own.
func (l *Link) Start(src random.Source, radio *Radio) *State {
	if radio == nil {
		radio = new(Radio)
	}
	s := &State{radio: radio, ring: make([]frame, l.cfg.Memory), next: never, deafSince: never, tryAt: never, tryEnd: never}
	s.ch = l.cfg.Bursts.start(src.Uint64())
	s.rng.Seed(src.Uint64())
	if l.cfg.Latency != (Latency{}) {
		l.cfg.Latency.begin(s, src.Uint64())
	}
	if radio.active < MaxActive {
		radio.active++
	} else {
		s.Phase = Lost
		l.backOff(s)
	}
	l.listen(s)
	return s
}

// Verdict is what a link does with a frame offered to it.
type Verdict uint8

// Verdicts on an offer.
const (
	Queued  Verdict = iota
	Refused         // the gauge's memory is full
	NoLink          // the link is lost and the gauge does not hold frames
)

// Offer gives the link a frame of some bytes at a time, which must be s.Now,
// that is, after Advance to it (an earlier time is taken as s.Now). A queued
// frame's fate comes out of Advance under its id; another verdict is final.
func (l *Link) Offer(s *State, at time.Duration, id uint64, size int) Verdict {
	s.Stats.Offered++
	if !s.Phase.Joined() && !l.cfg.Hold {
		s.Stats.Dropped++
		return NoLink
	}
	if s.len == len(s.ring) {
		s.Stats.Refused++
		return Refused
	}
	i := s.head + s.len
	if i >= len(s.ring) {
		i -= len(s.ring)
	}
	s.ring[i] = frame{id, max(at, s.Now), size}
	s.len++
	if s.len == 1 {
		l.schedule(s)
	}
	return Queued
}

// Pass takes a frame of some bytes through an ideal link at once when nothing is in
// its way: true stands for an Offer that is Delivered at s.Now. Otherwise nothing has
// happened, and the frame is to be offered.
func (l *Link) Pass(s *State, size int) bool {
	if l.cfg.Air > 0 || l.cfg.Latency != (Latency{}) || !l.idle(s) {
		return false
	}
	s.Stats.Offered++
	s.Stats.Delivered++
	packets := 1
	if p := l.cfg.Payload; p > 0 {
		packets = max(1, (size+p-1)/p)
	}
	s.Stats.Attempts += uint64(packets)
	return true
}

// idle says whether a link that tries once, at once, is up and has nothing to do
// until something is asked of it.
func (l *Link) idle(s *State) bool {
	return l.cfg.Attempt == 0 && s.Phase == Up && s.len == 0 && len(s.handed) == 0 && !s.hangup && s.stallUntil <= s.Now && s.deafSince == never
}

// EventKind is what came out of a link.
type EventKind uint8

// Events of a link.
const (
	Delivered EventKind = iota + 1 // a frame reached the host
	Flushed                        // a frame grew too old
	Dropped                        // a frame was held by a link that was lost
	Changed                        // the link entered another phase
)

func (k EventKind) String() string {
	return [...]string{"", "delivered", "flushed", "dropped", "changed"}[k]
}

// Event is something that came out of a link.
type Event struct {
	At      time.Duration
	Kind    EventKind
	ID      uint64 // of the frame
	Tries   int    // attempts it took, or had taken
	Phase   Phase  // entered; for other events the phase there is
	Timeout bool   // Lost because of supervision
}

// Next is when the link has something to do, if nothing else is asked of it;
// ok is false if never. Advance to that time may or may not give an event.
func (l *Link) Next(s *State) (at time.Duration, ok bool) {
	if l.idle(s) {
		return never, false
	}
	now := s.Now
	switch {
	case s.Phase.Joined() && (s.hangup || l.timedOut(s) || l.joinedPhase(s) != s.Phase || s.next <= now),
		!s.Phase.Joined() && (s.len > 0 && !l.cfg.Hold || min(s.tryAt, s.tryEnd) <= now),
		l.tooOld(s), len(s.handed) > 0 && s.handed[0].at <= now:
		return now, true
	}
	at = l.wake(s)
	return at, at != never
}

// Advance moves the link toward a time and stops at the first event: call it
// again until ok is false. Events come in order of time.
func (l *Link) Advance(s *State, to time.Duration) (ev Event, ok bool) {
	if l.idle(s) {
		s.Now = max(s.Now, to)
		return Event{}, false
	}
	for {
		if ev, ok := l.due(s); ok {
			return ev, true
		}
		t := l.wake(s)
		if t > to {
			if to > s.Now {
				s.Now = to
				l.listen(s)
			}
			return Event{}, false
		}
		s.Now = max(s.Now, t)
		l.listen(s)
	}
}

// listen brings the channel to now and notes since when nothing is heard.
func (l *Link) listen(s *State) {
	if l.cfg.Attempt > 0 {
		l.cfg.Bursts.seek(&s.ch, int64(s.Now/l.cfg.Attempt))
	}
	if s.Now < s.stallUntil || l.channelDeaf(s) {
		s.deafSince = min(s.deafSince, s.Now)
	} else {
		s.deafSince = never
	}
}

func (l *Link) channelDeaf(s *State) bool {
	if s.ch.bad {
		return l.deaf[1]
	}
	return l.deaf[0]
}

// spellEnd is when the channel's spell ends.
func (l *Link) spellEnd(s *State) time.Duration {
	if s.ch.until > int64(never/l.cfg.Attempt) {
		return never
	}
	return time.Duration(s.ch.until) * l.cfg.Attempt
}

// schedule fixes when the next attempt for the head frame arrives.
func (l *Link) schedule(s *State) {
	s.next = never
	if s.len == 0 || !s.Phase.Joined() {
		return
	}
	begin := l.cfg.Latency.woken(s, max(s.ring[s.head].at, s.stallUntil))
	a := l.cfg.Attempt
	if a > 0 { // attempts begin on slots, one after the other
		begin = max(begin, s.free, s.Now)
		if begin < never-2*a {
			begin = (begin + a - 1) / a * a
		}
	}
	if begin < never-l.cfg.Air {
		s.next = max(begin+l.cfg.Air, s.Now)
	}
}

func (s *State) pop() frame {
	f := s.ring[s.head]
	if s.head++; s.head == len(s.ring) {
		s.head = 0
	}
	s.len--
	s.left, s.tries = 0, 0
	return f
}

// tooOld says whether the head frame is to be flushed.
func (l *Link) tooOld(s *State) bool {
	return l.cfg.Flush > 0 && s.len > 0 && s.ring[s.head].at <= s.Now-l.cfg.Flush
}

// timedOut says whether supervision has lost the link.
func (l *Link) timedOut(s *State) bool {
	return l.cfg.Supervision > 0 && s.deafSince <= s.Now-l.cfg.Supervision
}

// joinedPhase is the phase a joined link should be in.
func (l *Link) joinedPhase(s *State) Phase {
	if s.Now < s.stallUntil || s.deafSince <= s.Now-l.cfg.Notice {
		return Stalled
	}
	return Up
}

// due does one thing that is due now, if any.
func (l *Link) due(s *State) (Event, bool) {
	if ev, ok := l.through(s); ok {
		return ev, true
	}
	if s.Phase.Joined() {
		if s.hangup || l.timedOut(s) {
			return l.lose(s), true
		}
		phase := l.joinedPhase(s)
		if phase != s.Phase {
			return s.enter(phase), true
		}
	} else {
		if !l.cfg.Hold && s.len > 0 {
			tries := s.tries
			f := s.pop()
			s.Stats.Dropped++
			return Event{At: s.Now, Kind: Dropped, ID: f.id, Tries: tries, Phase: s.Phase}, true
		}
		if ev, ok := l.rejoin(s); ok {
			return ev, true
		}
	}
	if l.tooOld(s) {
		tries := s.tries
		f := s.pop()
		s.Stats.Flushed++
		l.schedule(s)
		return Event{At: s.Now, Kind: Flushed, ID: f.id, Tries: tries, Phase: s.Phase}, true
	}
	for s.next <= s.Now {
		if l.attempt(s) {
			tries := s.tries
			l.cfg.Latency.receive(s, s.pop(), tries)
			l.schedule(s)
			if ev, ok := l.through(s); ok {
				return ev, true
			}
			continue
		}
		l.schedule(s)
	}
	return Event{}, false
}

// attempt decides the attempt that arrives now; true: it was the frame's last
// packet and got through.
func (l *Link) attempt(s *State) bool {
	f := &s.ring[s.head]
	if s.left == 0 {
		s.left = 1
		if p := l.cfg.Payload; p > 0 && f.size > p {
			s.left = (f.size + p - 1) / p
		}
	}
	s.Stats.Attempts++
	s.tries++
	a := l.cfg.Attempt
	s.free = s.next - l.cfg.Air + a*time.Duration(max(1, s.radio.active))
	if a > 0 {
		if p := l.cfg.Bursts.loss(&s.ch); p > 0 && uniform(&s.rng) <= p {
			s.Stats.Failed++
			return false
		}
	}
	s.left--
	return s.left == 0
}

func (s *State) enter(p Phase) Event {
	s.Phase = p
	return Event{At: s.Now, Kind: Changed, Phase: p}
}

// wake is when something may be due next.
func (l *Link) wake(s *State) time.Duration {
	t := never
	at := func(x time.Duration) {
		if x > s.Now {
			t = min(t, x)
		}
	}
	if s.Phase.Joined() {
		at(s.stallUntil)
		if s.deafSince != never {
			at(s.deafSince + l.cfg.Notice)
			if l.cfg.Supervision > 0 {
				at(s.deafSince + l.cfg.Supervision)
			}
		}
		if l.deaf[0] || l.deaf[1] {
			at(l.spellEnd(s))
		}
		at(s.next)
	} else {
		at(s.tryAt)
		at(s.tryEnd)
	}
	if l.cfg.Flush > 0 && s.len > 0 {
		at(s.ring[s.head].at + l.cfg.Flush)
	}
	if len(s.handed) > 0 {
		at(s.handed[0].at)
	}
	return t
}
