// Package stage runs a cast of gauges on their ports against a clock and
// writes the ledger. It is where the pure parts meet the world: one loop, one
// queue of events ordered by time and then by sequence, the same for a live
// page, a check in a few seconds and a whole shift on paper.
//
// Everything that comes from outside (what hosts do at the ports, acts by
// hand) enters through the Inbox and is handled by the loop, between two
// events of the queue. So the state of the stage belongs to one goroutine.
//
// At pace Drain the timeline passes an instant only when every host has done what it
// can do with what it has been given: see calm.
package stage

import (
	"context"
	"errors"
	"fmt"
	"time"

	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/link"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage/ledger"
)

// Options say where a play is put on.
type Options struct {
	Ports  []port.Port        // one per gauge of the cast; none: on paper
	Inbox  *Inbox             // the inbox whose sinks the ports have
	Pace   Pace               // Paper without ports
	Ledger *ledger.Writer     // may be nil
	Keep   func(ledger.Entry) // may be nil; is given every entry of the ledger
	// Settings are loaded into gauges of the cast, by index, before the start.
	Settings map[int]gauge.Export
	// Writes are commands of the host to gauges of the cast, by index, before the start:
	// on paper there is none that could send them.
	Writes map[int][]gauge.Command
	// Patience is how long, in real time, Drain waits for a host that does not
	// read, or that has not opened the port again; 0 means 3 s. After that the
	// play goes on without waiting for that host until it reads again.
	Patience time.Duration
	// Signs may be nil: nothing is known of the host but what it does at its ports.
	// Within is how long, in real time, it may take to record what it was given; Drain
	// waits that long before what may cost a record.
	Signs  func(all bool) Signs // all: not only Working
	Within time.Duration
	// Stops are times at which the timeline is held, as by Hold, with the cues of
	// that time given.
	Stops []time.Duration
	// Asks are times at which Answer is told what every gauge reads then, after
	// all else that happens at that time.
	Asks   []time.Duration
	Answer func(ask int, gauge int, rs []gauge.Reading)
	// Events bounds what happens in Run, without cues and what comes from outside; 0 is
	// no bound.
	Events int64
	// Host may be nil: the host software is none that could be started again.
	Host Host
}

// Stage is a play being put on. Do, Status and what conduct.go
// offers may be called while it runs; nothing else.
type Stage struct {
	play   Play
	opt    Options
	now    time.Duration
	queue  queue
	actors []*actor
	radios map[int]*link.Radio
	inbox  []inboxItem
	served int // of inbox

	began    time.Time     // real time at which the timeline was at beganAt
	beganAt  time.Duration // of a timed pace
	conduct  conduct       // what a hand has the timeline do
	behind   bool          // a timed timeline has more to do at once
	horizon  time.Duration // what is due up to then is late
	unlooked int           // events since the clock was looked at
	flushed  time.Duration // when the ledger was, since began
	watched  time.Time     // when ports were looked at last
	watching int           // the actor whose port that was
	run      int           // of what is done at once, counted
	ranAt    time.Duration // real time at which that run began, since began
	gathered []*actor      // whose ports have frames that are still to be handed over
	serving  time.Time     // since when only hosts were served; zero: not so
	waits    []wait        // for each host to read
	calm     calm          // what Drain waits for
	restart  restart       // of the host
	standing bool          // the timeline has not begun, or has ended
	done     bool
	failure  error
	readings int64
	events   int64 // of the queue that have happened
}

// wait is how long a host has been waited for.
type wait struct {
	since time.Time
	read  int64 // what it had read then
	looks int
}

// flushEvery is how long a reader of the ledger may wait for what has happened.
const flushEvery = 20 * time.Millisecond

// looksAfter is how many events that are late may happen between two looks at the
// clock.
const looksAfter = 32

// turnAtLeast is how long hosts that keep talking are served before the timeline
// has its turn.
const turnAtLeast = 2 * time.Millisecond

// New makes a stage ready. The gauges rest where the play starts them.
func New(p Play, opt Options) (*Stage, error) {
	if opt.Inbox == nil {
		opt.Inbox = NewInbox()
	}
	if opt.Patience == 0 {
		opt.Patience = 3 * time.Second
	}
	if len(opt.Ports) > 0 && len(opt.Ports) != len(p.Cast) {
		return nil, fmt.Errorf("%d ports for %d gauges", len(opt.Ports), len(p.Cast))
	}
	if len(opt.Ports) == 0 {
		opt.Pace = Paper
	}
	s := &Stage{play: p, opt: opt, radios: map[int]*link.Radio{}, calm: calm{loose: true, behind: true}}
	s.write(ledger.Entry{Kind: ledger.KindRun, Run: &ledger.Run{
		Version: ledger.Version, Scenario: p.Title, File: p.File, Seed: p.Seed, Pace: opt.Pace.String()}})
	for i := range p.Cast {
		var prt port.Port
		if len(opt.Ports) > 0 {
			prt = opt.Ports[i]
		}
		a, err := newActor(s, i, &p.Cast[i], prt)
		if err != nil {
			return nil, fmt.Errorf("gauge %s: %w", p.Cast[i].Profile.Name, err)
		}
		s.actors = append(s.actors, a)
	}
	s.waits = make([]wait, len(s.actors))
	for i, e := range opt.Settings {
		if err := s.load(i, e, "hand"); err != nil {
			return nil, err
		}
	}
	for i, a := range s.actors {
		for _, c := range opt.Writes[i] {
			reply := a.ask(c, byHost)
			a.leave()
			s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindRequest, Request: &ledger.Request{
				Verb: c.Verb, Setting: c.Setting, Channel: a.channelName(c.Channel), Value: c.Value.String(), Refused: string(reply.Outcome.Refused)}})
		}
	}
	return s, nil
}

func (s *Stage) write(e ledger.Entry) {
	e.T = s.now
	if s.opt.Ledger != nil {
		s.opt.Ledger.Write(e)
		s.failed(s.opt.Ledger.Err())
	}
	if s.opt.Keep != nil {
		s.opt.Keep(e)
	}
}

// recording reports whether anybody wants the ledger's entries.
func (s *Stage) recording() bool { return s.opt.Ledger != nil || s.opt.Keep != nil }

// keeps reports whether somebody may hold on to entries after they are written.
func (s *Stage) keeps() bool { return s.opt.Keep != nil }

func (s *Stage) flush() {
	s.flushPorts()
	if s.opt.Ledger != nil {
		s.failed(s.opt.Ledger.Flush())
	}
}

// failed notes why the ledger cannot be written.
func (s *Stage) failed(err error) {
	if err != nil && s.failure == nil {
		s.failure = fmt.Errorf("the ledger: %w", err)
	}
}

// gatherFor is how long frames are gathered that a timeline which is behind makes
// for one port: much less than a host's own delays, and several at the cost of one.
const gatherFor = 200 * time.Microsecond

// flushPorts hands gathered frames over, which ends a run of what is done at once.
func (s *Stage) flushPorts() {
	s.run++
	for i, a := range s.gathered {
		a.port.(port.Gatherer).Flush()
		a.gathers, s.gathered[i] = false, nil
	}
	s.gathered = s.gathered[:0]
}

// at queues something for a time.
func (s *Stage) at(t time.Duration, run func()) { s.queue.push(item{at: max(t, s.now), run: run}) }

// Prelude serves the hosts while the timeline stands at 0, until ready is
// closed or fails. The gauges answer commands and stream nothing.
func (s *Stage) Prelude(ctx context.Context, ready <-chan error) error {
	s.standing = true
	defer func() { s.standing = false }()
	for {
		if s.flush(); s.failure != nil {
			return s.failure
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case err := <-ready:
			for s.takeInbox() {
			}
			for _, a := range s.actors {
				a.settled = true
			}
			return err
		case <-s.opt.Inbox.notify:
			s.takeInbox()
		case <-s.alarm():
			s.quiet()
		}
	}
}

// alarm fires when an end of a wire, which counts silence, wants to be called
// although the timeline stands still. It is real time: a host is talking.
func (s *Stage) alarm() <-chan time.Time {
	least := time.Duration(-1)
	for _, a := range s.actors {
		if a.end == nil {
			continue
		}
		if at, ok := a.end.Deadline(); ok && (least < 0 || at-s.now < least) {
			least = max(at-s.now, 0)
		}
	}
	if least < 0 {
		return nil
	}
	return time.After(least)
}

// quiet tells the ends that their silence has passed.
func (s *Stage) quiet() {
	for _, a := range s.actors {
		if a.end == nil {
			continue
		}
		if at, ok := a.end.Deadline(); ok {
			a.silence(max(at, s.now))
		}
	}
}

// Run plays the timeline to its end, or until ctx is done. The ports stay as
// they are.
func (s *Stage) Run(ctx context.Context) error {
	s.write(ledger.Entry{Kind: ledger.KindStart})
	for i := range s.play.Cues {
		c := &s.play.Cues[i]
		s.queue.push(item{at: c.At, run: func() { s.cue(i) }, costs: OfHost(c.Act) || s.forgets(c)})
	}
	for _, a := range s.actors {
		a.begin()
	}
	for _, t := range s.opt.Stops {
		s.at(t, func() { s.conduct.held = true })
	}
	for i, t := range s.opt.Asks {
		s.at(t+1, func() {
			for g, a := range s.actors {
				s.opt.Answer(i, g, a.g.Readings(nil))
			}
		})
	}
	s.rebase()
	for s.failure == nil {
		next, ok := s.queue.next()
		if !ok || next > s.play.Until {
			next = s.play.Until
		}
		reached, err := s.wait(ctx, next)
		if err != nil {
			s.flush()
			return err
		}
		if !reached {
			continue // the inbox was emptied; something may come first now
		}
		if next > s.now { // else what is due at this time is done without a look between
			s.now, s.serving = next, time.Time{}
		}
		if at, ok := s.queue.next(); !ok || at > s.play.Until {
			break
		}
		if s.events++; s.events > s.opt.Events && s.opt.Events > 0 {
			return ErrEvents
		}
		s.turn()
	}
	// A host that is on its way back gets to its feet, so that it can be stopped.
	for s.restart.ending != nil || s.restart.starting != nil {
		if err := s.restarted(ctx); err != nil {
			s.flush()
			return err
		}
	}
	s.standing = true
	for _, a := range s.actors {
		a.tamper.release(a)
	}
	for !s.drained(ctx) && ctx.Err() == nil {
	}
	s.reopened(ctx)
	s.flush()
	return s.failure
}

// turn has the next event of the queue happen.
func (s *Stage) turn() {
	it := s.queue.pop()
	s.conduct.ran = s.now
	s.calm.plain = it.run == nil && s.opt.Pace.kind == drain && it.actor.streams()
	if it.run != nil {
		it.run()
	} else if it.at == it.actor.tickAt {
		it.actor.tickAt = -1
		it.actor.tick()
	}
	s.calm.plain = false
}

// Settle serves the hosts after the timeline has ended, until done is closed:
// while the host is being stopped it may still talk.
func (s *Stage) Settle(ctx context.Context, done <-chan struct{}) {
	looks := time.NewTicker(10 * time.Millisecond)
	defer looks.Stop()
	for {
		select {
		case <-looks.C: // what a host has read by now it has, although a closing socket cannot tell
			for _, a := range s.actors {
				a.hasRead()
			}
		case <-ctx.Done():
			return
		case <-done:
			for s.takeInbox() { // what was left
			}
			for s.takeInbox() { // what has come since
			}
			s.flush()
			return
		case <-s.opt.Inbox.notify:
			s.takeInbox()
		case <-s.alarm():
			s.quiet()
		}
	}
}

// exactWithin is how long an exact count of what hosts have left unread is waited for.
const exactWithin = 200 * time.Millisecond

// Finish writes the end of the ledger: how many bytes each host left unread,
// and why the run ended. The ports may be closed after it.
func (s *Stage) Finish(why string) error {
	if s.done {
		return s.failure
	}
	s.done = true
	began := time.Now()
	for _, a := range s.actors {
		a.stalled()
		if a.port == nil || a.down {
			continue
		}
		n, exact := a.port.Unread()
		for !exact && time.Since(began) < exactWithin {
			port.Nap(mostNap)
			n, exact = a.port.Unread()
		}
		if !exact {
			n = max(n, a.unknown())
		}
		if n > 0 {
			a.unread(n)
		}
	}
	s.write(ledger.Entry{Kind: ledger.KindEnd, Note: why})
	s.flush()
	return s.failure
}

// HostQuit notes that the host has ended by itself, and how; call it once Run has
// returned.
func (s *Stage) HostQuit(how string) {
	s.write(ledger.Entry{Kind: ledger.KindHost, Note: ledger.Quit + ": " + how})
}

// Now is the present time of the timeline; for the loop's own callbacks.
func (s *Stage) Now() time.Duration { return s.now }

// Steps shows the measuring chain of a channel at its present sample, step by
// step; for the loop's own callbacks.
func (s *Stage) Steps(member, channel int) []gauge.Step { return s.actors[member].g.Trace(channel) }

// Readings is the number of readings sampled so far.
func (s *Stage) Readings() int64 { return s.readings }

// ErrEvents is returned by Run when more has happened than Options.Events.
var ErrEvents = errors.New("there are more events than are allowed")

// ErrStopped is returned by Do once the loop no longer serves the inbox.
var ErrStopped = errors.New("the stage has stopped")

// Do has an act carried out by hand on a gauge of the cast, and waits for it.
func (s *Stage) Do(ctx context.Context, member, channel int, a Act) error {
	var err error
	if e := s.call(ctx, func() {
		if member < 0 || member >= len(s.actors) {
			err = fmt.Errorf("there is no gauge %d", member)
			return
		}
		err = s.perform(member, a, target{channel: channel, by: "hand"})
	}); e != nil {
		return e
	}
	return err
}

// call runs f in the loop and waits for it.
func (s *Stage) call(ctx context.Context, f func()) error {
	did := make(chan struct{})
	s.opt.Inbox.put(inboxItem{call: func() { f(); close(did) }})
	select {
	case <-did:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (s *Stage) cue(i int) {
	c := &s.play.Cues[i]
	s.write(ledger.Entry{Kind: ledger.KindCue, Gauge: s.nameOf(c.Gauge), Note: c.Text})
	_ = s.perform(c.Gauge, c.Act, target{channel: c.Channel, by: byCue, cue: i + 1}) // the ledger says what was not done
}

func (s *Stage) nameOf(member int) string {
	if member < 0 {
		return ""
	}
	return s.play.Cast[member].Profile.Name
}

// takeInbox serves what has come, for as long as one turn may take, and reports
// whether more is left.
func (s *Stage) takeInbox() (more bool) {
	s.flushPorts()
	if s.served == len(s.inbox) {
		s.inbox, s.served = s.opt.Inbox.take(s.inbox), 0
	} else { // what has come meanwhile is not among these
		s.opt.Inbox.rouse()
	}
	for began := time.Now(); s.served < len(s.inbox); {
		if s.served > 0 && time.Since(began) > turnAtLeast {
			s.opt.Inbox.rouse()
			return true
		}
		it := s.inbox[s.served]
		s.inbox[s.served] = inboxItem{}
		s.served++
		if it.call != nil {
			it.call()
		} else if it.gauge < len(s.actors) {
			s.actors[it.gauge].portEvent(it.event)
		}
	}
	return false
}

// wait lets the timeline reach a time, as the pace has it. It returns false
// when something came into the inbox instead.
func (s *Stage) wait(ctx context.Context, t time.Duration) (reached bool, err error) {
	if t <= s.horizon && s.unlooked < looksAfter && len(s.opt.Inbox.notify) == 0 && !s.conduct.held {
		s.unlooked++
		return true, nil // it was due at the last look at the clock
	}
	s.unlooked = 0
	if s.serving.IsZero() || time.Since(s.serving) < turnAtLeast {
		select {
		case <-ctx.Done():
			return false, ctx.Err()
		case <-s.opt.Inbox.notify:
			if s.serving.IsZero() {
				s.serving = time.Now()
			}
			s.advance(t)
			s.takeInbox()
			return false, nil
		default:
		}
	}
	if s.conduct.held {
		return false, s.stand(ctx)
	}
	switch s.opt.Pace.kind {
	case drain:
		if s.restart.ending != nil || s.restart.starting != nil && !s.underWay(t) {
			return false, s.restarted(ctx)
		}
		return s.passes(ctx, t), ctx.Err()
	case timed:
		real := time.Since(s.began)
		s.watch(s.began.Add(real))
		left := s.opt.Pace.wall(t-s.beganAt) - real
		if s.behind = left <= 0; s.behind {
			if real-s.ranAt > gatherFor {
				s.flushPorts()
				s.ranAt = real
			}
			s.horizon = s.beganAt + s.opt.Pace.Virtual(real)
			return true, nil
		}
		if s.flushPorts(); left > flushEvery || real-s.flushed > flushEvery {
			s.flush()
			s.flushed = real
		}
		timer := time.NewTimer(min(left, s.lookRound()))
		defer timer.Stop()
		select {
		case <-ctx.Done():
			return false, ctx.Err()
		case <-s.opt.Inbox.notify:
			s.advance(t)
			s.takeInbox()
			return false, nil
		case <-s.restart.ending:
			s.advance(t)
			s.hostEnded()
			return false, nil
		case err := <-s.restart.starting:
			s.advance(t)
			s.hostStarted(err)
			return false, nil
		case <-timer.C:
			return left <= s.lookRound(), nil
		}
	}
	return true, nil
}

// advance brings a timed timeline to the present, but not past the time t of
// the next event.
func (s *Stage) advance(t time.Duration) {
	if s.opt.Pace.kind == timed && !s.conduct.held {
		s.now = max(s.now, min(t, s.beganAt+s.opt.Pace.Virtual(time.Since(s.began))))
	}
}
