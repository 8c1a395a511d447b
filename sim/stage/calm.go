package stage

import (
	"context"
	"slices"
	"time"

	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage/ledger"
)

// Signs are what can be seen of the host software besides its ports.
type Signs struct {
	Working bool // a thread of it runs or waits for the disk
	Holds   bool // it has not closed a port that was hung up
	Records any  // changes, by ==, whenever its records do
}

const (
	// window is how many bytes of plain streamed frames may be on their way to a host
	// before time waits for it: more than 64 short frames, and less than a port holds.
	window = 2048
	// worksFor is how long a host that has read everything is waited for while it is
	// at work; one that always is would hold time up for ever.
	worksFor = 100 * time.Millisecond
	// leastNap and mostNap are how long ports are left alone between two looks.
	leastNap, mostNap = 20 * time.Microsecond, 200 * time.Microsecond
	// leastLooks is how often a host is looked at before it has been waited for in vain.
	leastLooks = 4
	// answersFor is how long a host that has asked who is there at each port that came
	// back is waited for to ask again.
	answersFor = time.Second
	// soonest is how soon a host can be expected to have recorded what it was given at
	// a timed pace, whatever it claims: it waits for a processor like others.
	soonest = 50 * time.Millisecond
	// stillMost is how long hosts that are never still are waited for at most.
	stillMost = 30 * time.Second
)

// calm is what Drain knows of the hosts' being quiescent.
type calm struct {
	loose   bool          // something was given to a host since they were last seen quiescent
	behind  bool          // and time has gone on since, or a port has come back
	plain   bool          // the event under way is a sample, whose frames need not be waited for
	owed    bool          // time goes on only when the hosts have also been still
	working time.Time     // since when one has been at work with all read; zero: not so
	busy    int           // times in a row that one was at work for too long
	untold  time.Time     // since when some of what one does has not been told; zero: not so
	talks   int           // times in a row that this was so for too long
	began   time.Time     // when stillness was asked for; zero: it is not
	rest    Rest          // how long they have been still
	at      time.Duration // when on the timeline they were still last
	stirred bool          // something has come from a host since the last look
}

// passes reports whether the timeline may pass to t, where the next event of the queue
// is, and waits a while where it may not.
func (s *Stage) passes(ctx context.Context, t time.Duration) bool {
	q := &s.calm
	next := s.queue.first()
	costs := next != nil && next.at == t && next.costs
	switch {
	case costs:
		return s.still(ctx, t)
	case q.owed && t > s.now:
		return s.still(ctx, s.now)
	case t == s.now && !q.behind:
		return true
	case next != nil && next.at == t && next.run == nil && next.actor.streams():
		q.behind = s.roomy(ctx, next.actor)
		return q.behind
	}
	return s.drained(ctx)
}

// streams reports whether the actor's samples may be on their way while time goes on:
// nothing in its dialect waits for an answer, and its port gathers.
func (a *actor) streams() bool {
	_, gathers := a.port.(port.Gatherer)
	return gathers && (a.end == nil || a.end.State() == "") && !a.awaited
}

// roomy waits until little enough is on its way to one host.
func (s *Stage) roomy(ctx context.Context, a *actor) bool {
	if a.port == nil || a.down || a.slow || a.ahead < window {
		return true
	}
	w := &s.waits[a.index]
	for n := 0; ; n++ {
		s.flushPorts()
		unread, _ := a.port.Unread()
		if a.ahead = unread; unread <= window/2 {
			*w = wait{}
			return true
		}
		if s.vain(a, w, unread) {
			return true
		}
		if !s.nap(ctx, n) {
			return false
		}
	}
}

// nap waits for a moment, and reports whether nothing else is to be done: ctx is not
// done, and nothing is in the inbox, which is served.
func (s *Stage) nap(ctx context.Context, n int) bool {
	if ctx.Err() != nil {
		return false
	}
	if len(s.opt.Inbox.notify) > 0 {
		<-s.opt.Inbox.notify
		s.calm.stirred = true
		s.takeInbox()
		return false
	}
	port.Nap(min(leastNap<<min(n/8, 8), mostNap))
	return true
}

// drained waits until every host is quiescent: it has read all that was sent to it, has
// its port open again after a hang-up, has ended what it negotiates and answers, and,
// where that can be seen, waits for input. It returns false when it has served the
// inbox instead, or ctx is done.
func (s *Stage) drained(ctx context.Context) bool {
	if s.opt.Pace.kind != drain {
		return true
	}
	s.flushPorts()
	for i, a := range s.actors {
		if !s.waitFor(ctx, a, &s.waits[i]) {
			return false
		}
	}
	if !s.idle(ctx) || !s.told(ctx) {
		return false
	}
	for _, a := range s.actors {
		a.ahead = 0
		if a.port != nil && !a.down && !a.slow {
			a.taken = a.given()
		}
	}
	s.calm.loose, s.calm.behind = false, false
	return true
}

// idle waits, for a while at most, until no host is seen at work.
func (s *Stage) idle(ctx context.Context) bool {
	q := &s.calm
	if s.opt.Signs == nil || !q.loose || s.restart.absent() {
		return true
	}
	for n := 0; ; n++ {
		if !s.opt.Signs(false).Working {
			q.working, q.busy = time.Time{}, 0
			return true
		}
		if q.working.IsZero() {
			q.working = time.Now()
		}
		if most := worksFor >> min(q.busy, 6); time.Since(q.working) > most {
			q.working, q.busy = time.Time{}, q.busy+1
			return true
		}
		if !s.nap(ctx, n) {
			return false
		}
	}
}

// reopened waits, at the end of a timed timeline, for hosts that have not opened again a
// port that came back: it may have come back a moment ago.
func (s *Stage) reopened(ctx context.Context) {
	if s.opt.Pace.kind != timed || s.restart.absent() {
		return
	}
	for began := time.Now(); time.Since(began) < s.opt.Patience; {
		late := func(a *actor) bool { return a.opened && a.awaited && !a.strange() }
		if !slices.ContainsFunc(s.actors, late) || ctx.Err() != nil {
			return
		}
		select {
		case <-ctx.Done():
		case <-s.opt.Inbox.notify:
			s.takeInbox()
		case <-time.After(time.Millisecond):
		}
	}
}

// told waits, for a while at most, until all that the hosts have done is told and served:
// one that waits for input may have spoken just before.
func (s *Stage) told(ctx context.Context) bool {
	q := &s.calm
	late := slices.ContainsFunc(s.actors, func(a *actor) bool {
		p, tells := a.port.(port.Teller)
		return tells && !a.down && !p.Told()
	})
	if !late && len(s.opt.Inbox.notify) == 0 {
		q.untold, q.talks = time.Time{}, 0
		return true
	}
	if q.untold.IsZero() {
		q.untold = time.Now()
	}
	if time.Since(q.untold) > answersFor>>min(q.talks, 10) { // it never stops
		q.untold, q.talks = time.Time{}, q.talks+1
		return true
	}
	s.nap(ctx, 0)
	return false
}

// waitFor waits for one host. What it has been waited for already, before it sent
// something, counts as long as it has read nothing since.
func (s *Stage) waitFor(ctx context.Context, a *actor, w *wait) bool {
	for n := 0; ; n++ {
		waiting, unread := a.waiting()
		if !waiting {
			a.slow, *w = false, wait{}
			return true
		}
		if a.slow && n > 0 || s.vain(a, w, unread) {
			return true // do not wait again before it has read everything
		}
		if a.slow { // one that never stops talking would be waited for
			if ctx.Err() != nil {
				return false
			}
			port.Nap(mostNap)
		} else if !s.nap(ctx, n) {
			return false
		}
	}
}

// vain reports whether a host has been waited for in vain for too long.
func (s *Stage) vain(a *actor, w *wait, unread int) bool {
	if read := a.given() - int64(unread); w.since.IsZero() || read > w.read {
		*w = wait{since: time.Now(), read: read} // there is progress
	}
	// Patience may run out while we wait for a processor ourselves, with an answer in the inbox.
	if w.looks++; a.slow || w.looks < leastLooks || time.Since(w.since) <= s.opt.Patience {
		return false
	}
	a.slow = true
	what := "not reading"
	if unread == 0 && a.port.Open() {
		what = "not answering"
	}
	s.write(ledger.Entry{Kind: ledger.KindPort, Gauge: a.name, Port: &ledger.Port{What: what, Lost: unread}})
	return true
}

// still waits until the hosts are quiescent and have been still for Within, which is
// how long one may take to record what it was given: nothing comes from them, no thread
// runs, and their records do not change. A host that is never still is given as long as
// the timeline has gone on. The time up to which it has been given everything is kept
// where it is still.
func (s *Stage) still(ctx context.Context, given time.Duration) bool {
	q := &s.calm
	if !s.drained(ctx) {
		return false
	}
	now := time.Now()
	if q.began.IsZero() {
		q.began, q.rest = now, Rest{}
	}
	rested := q.rest.See(now, s.signs(), q.stirred || s.asks(now))
	q.stirred = false
	still := rested >= s.opt.Within
	if !still && now.Sub(q.began) < min(s.opt.Patience+s.now, stillMost) {
		select {
		case <-ctx.Done():
		case <-s.opt.Inbox.notify:
			q.stirred = true
			s.takeInbox()
		case <-time.After(min(2*time.Millisecond, s.opt.Within)):
		}
		return false
	}
	if still {
		q.at = given
	}
	q.owed, q.began = false, time.Time{}
	return true
}

func (s *Stage) signs() Signs {
	if s.opt.Signs == nil {
		return Signs{}
	}
	return s.opt.Signs(true)
}

// asks reports whether a host is still to say something at a port that it has opened
// again, as it did when it opened it again before.
func (s *Stage) asks(now time.Time) bool {
	return slices.ContainsFunc(s.actors, func(a *actor) bool {
		return a.inUse && a.asksAgain && !a.spoken && now.Sub(s.calm.began) < answersFor
	})
}

// had is up to when, on the timeline, a host that is ended now has had the time to
// record what it was given.
func (s *Stage) had() time.Duration {
	switch s.opt.Pace.kind {
	case drain:
		return s.calm.at
	case timed:
		return s.now - s.opt.Pace.Virtual(max(s.opt.Within, soonest))
	}
	return s.now
}

// forgets reports whether a cue takes a port away whose host, as clients of RFC 2217 do,
// reads ahead, and forgets what it has read when the connection ends (python3-serial 3.5,
// rfc2217.py, read).
func (s *Stage) forgets(c *Cue) bool {
	switch act := c.Act.(type) {
	case LoseLink:
		if act.Seen != HangUp {
			return false
		}
	case SwapPorts:
	default:
		return false
	}
	return slices.ContainsFunc(s.actors, func(a *actor) bool {
		_, ahead := a.port.(port.Negotiator)
		return ahead
	})
}

// given is how many bytes the port has taken for hosts so far.
func (a *actor) given() int64 { return a.port.Stats().Taken() }

// unknown is how many of the bytes given to the host it may not have read, at most: all
// since it was last seen to have read everything.
func (a *actor) unknown() int { return int(a.given() - a.taken) }

// handed is how many bytes the port had been given at a time.
type handed struct {
	at    time.Time
	bytes int64
}

// hand notes, at a port whose host reads ahead, that something is given to it now.
func (a *actor) hand() {
	if _, ahead := a.port.(port.Negotiator); ahead {
		a.late()
		a.lately = append(a.lately, handed{time.Now(), a.given()})
	}
}

// late is how many bytes were given so lately to a host which reads ahead that it need
// not have looked at them yet.
func (a *actor) late() int {
	within := max(a.s.opt.Within, soonest)
	if a.s.opt.Pace.kind == drain {
		within = a.s.opt.Within
	}
	for len(a.lately) > 0 && time.Since(a.lately[0].at) > within {
		a.lately = a.lately[1:]
	}
	if len(a.lately) == 0 {
		return 0
	}
	return int(a.given() - a.lately[0].bytes)
}
