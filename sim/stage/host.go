package stage

import (
	"context"
	"slices"
	"time"

	"example.org/understudy/sim/link"
	"example.org/understudy/sim/stage/ledger"
)

// Host is the life of the host software, for RestartHost. Both methods return at
// once and are called from the stage's loop, by turns, End first, and each only
// when what the other began is done.
type Host interface {
	// End ends the host; the channel is closed when nothing is left of it and
	// no port is open.
	End(how Ending) <-chan struct{}
	// Start starts it again, after it has ended; the channel gets why the host did
	// not become ready, or nil when it is.
	Start() <-chan error
}

// restart is a restart of the host under way.
type restart struct {
	away     bool
	gone     bool // it did not come back
	due      bool // it is to start as soon as it has ended
	by       Ending
	had      time.Duration // up to then it has had the time to record what it was given
	ending   <-chan struct{}
	starting <-chan error
}

// onPaper has the perfect listener away for a time.
func (s *Stage) onPaper(r RestartHost) {
	s.restart = restart{away: true}
	s.write(ledger.Entry{Kind: ledger.KindHost, Note: ended(r.By)})
	s.at(s.now+r.For.D(), func() {
		s.restart = restart{}
		s.write(ledger.Entry{Kind: ledger.KindHost, Note: "ready"})
	})
}

// absent reports whether there is no host that could open a port.
func (r *restart) absent() bool { return r.away || r.gone }

// hostEnded notes that the host is gone, once its ports are known to be closed:
// what it has done before comes first.
func (s *Stage) hostEnded() {
	for s.takeInbox() {
	}
	for _, a := range s.actors {
		if a.inUse && !a.port.Open() {
			return // its closing is on its way
		}
	}
	s.restart.ending = nil
	e := ledger.Entry{Kind: ledger.KindHost, Note: ended(s.restart.by)}
	if had := s.restart.had; s.restart.by == Kill {
		e.Had = &had
	}
	s.write(e)
	if s.restart.due {
		s.restart.starting = s.opt.Host.Start()
	}
}

// hostStarted notes that the host is there again, or why it is not.
func (s *Stage) hostStarted(err error) {
	s.restart = restart{gone: err != nil}
	for s.takeInbox() {
	}
	if err != nil {
		s.write(ledger.Entry{Kind: ledger.KindHost, Note: "not ready: " + err.Error()})
		return
	}
	s.write(ledger.Entry{Kind: ledger.KindHost, Note: "ready"})
}

// stands reports whether the timeline stands although hosts are served.
func (s *Stage) stands() bool {
	return s.standing || s.opt.Pace.kind == drain && (s.restart.ending != nil || s.restart.starting != nil)
}

// underWay reports whether what happens at t brings a host, that has its port open, what
// is on its way already: one that is being started waits for its answers, which take the
// time of the line.
func (s *Stage) underWay(t time.Duration) bool {
	return slices.ContainsFunc(s.actors, func(a *actor) bool {
		return a.inUse && (len(a.inFlight) > 0 && a.link.Phase != link.Up && t <= a.linkAt || !a.tamper.idle(s.now) && t <= a.tamper.last)
	})
}

// look is how often a host that is being started is served, at Drain.
const look = time.Millisecond

// restarted waits, at Drain, for the host to be gone or to be ready again, and
// serves it meanwhile.
func (s *Stage) restarted(ctx context.Context) error {
	s.drained(ctx) // lets a host that lives by our turns go on
	timer := time.NewTimer(look)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-s.opt.Inbox.notify:
		s.takeInbox()
	case <-s.restart.ending:
		s.hostEnded()
	case err := <-s.restart.starting:
		s.hostStarted(err)
	case <-timer.C:
	}
	return nil
}
