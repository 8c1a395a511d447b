package host

import (
	"context"
	"time"
)

const (
	// retry is how long the host waits before it tries to open a port again, and
	// how often it looks up from reading.
	retry = 20 * time.Millisecond
	// drainMost bounds what is still read after a stop.
	drainMost = 64 << 10
	// identifyLooks is how often the host still looks, after a stop, for the
	// answer to who is there.
	identifyLooks = 25
)

// Port is an open port. Read returns 0 and no error when nothing came in time.
type Port interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	SetReadTimeout(time.Duration) error
	Close() error
}

// session is the host's dealings with the gauge at one port. One goroutine runs it.
type session struct {
	*host
	place int // the gauge that the job puts at the port
	g     int // the gauge that is there now
	talk  *talker
	ask   asker
	told  bool      // it has said that it is ready
	late  bool      // the writes are still to come (setting-late)
	who   bool      // the gauge was asked who it is and has not answered yet
	held  []message // what it has said meanwhile
	reads int
}

func (h *host) newSession(g int) *session {
	s := &session{host: h, place: g, g: g, talk: newTalker(&h.mind.job.Gauges[g], h.mind.defects)}
	if s.late = h.mind.has("setting-late"); !s.late {
		s.ask.queue = h.mind.writes(g)
	}
	return s
}

func (s *session) gauge() *gauge { return &s.mind.job.Gauges[s.g] }

// run opens the port, again after every hang-up, until ctx is done.
func (s *session) run(ctx context.Context) {
	for first := true; ; first = false {
		p := s.ground.Open(ctx, s.wants(first))
		if p == nil {
			return
		}
		s.begin(first)
		lost := s.serve(ctx, p)
		s.flush()
		p.Close()
		if !lost {
			return
		}
		s.think(func(m *mind, now time.Time) { m.lost(s.g, now) })
		if s.mind.has("never-reopens") {
			s.ground.Idle(ctx)
			return
		}
	}
}

// begin begins at a port that was opened, first or again. Ports may come back at
// each other's place: who is there now only the gauge can say.
func (s *session) begin(first bool) {
	s.talk.reset()
	s.ask.again()
	switch {
	case first:
	case len(s.mind.job.Gauges) > 1 && s.talk.dialect.Identity() != "" && !s.mind.has("gauges-by-port"):
		s.who = true
		s.ask.queue = append([]write{identify}, s.ask.queue...)
	default:
		s.think(func(m *mind, now time.Time) { m.back(s.g, now) })
	}
}

var identify = write{Verb: "identify"}

// known takes the gauge's answer to who it is, and what it has said since the
// port was opened. Without an answer it is taken for the one that was there.
func (s *session) known(id string) {
	dialect := s.gauge().Dialect
	for g, other := range s.mind.job.Gauges {
		if other.Dialect == dialect && id != "" && (id == other.Serial || id == other.Name) {
			s.g = g
		}
	}
	s.talk.gauge = s.gauge()
	for _, m := range s.held {
		for i := range m.readings {
			if m.readings[i].assumed {
				m.readings[i].unit = *s.gauge().Unit
			}
		}
	}
	held := s.held
	s.who, s.held = false, nil
	s.think(func(m *mind, now time.Time) {
		m.back(s.g, now)
		m.read(s.g, held, now)
	})
}

// serve reads the port until it hangs up (lost) or ctx is done.
func (s *session) serve(ctx context.Context, p Port) (lost bool) {
	buf := make([]byte, 4096)
	for left := identifyLooks; ctx.Err() == nil || s.who && left > 0; {
		if ctx.Err() != nil {
			left-- // it is still to say who it is
		}
		asked, gone := s.command(p)
		if gone {
			return true
		}
		if asked {
			continue
		}
		wait := retry
		if at, ok := s.talk.deadline(); ok {
			wait = min(wait, max(at-s.ground.Since(), 0))
		}
		p.SetReadTimeout(wait)
		n, err := s.read(p, buf)
		if n > 0 {
			s.take(buf[:n])
		}
		if err != nil {
			return true
		}
		s.talk.quiet(s.ground.Since())
		s.heard()
		if answer := s.talk.outgoing(); len(answer) > 0 {
			if _, err := p.Write(answer); err != nil {
				return true
			}
		}
	}
	p.SetReadTimeout(0)
	for total := 0; total < drainMost; {
		n, err := p.Read(buf)
		if n == 0 || err != nil {
			break
		}
		total += n
		s.take(buf[:n])
	}
	return false
}

// command gives the gauge its next command, if it is time. done says that there is
// no answer to wait for, gone that the port hung up.
func (s *session) command(p Port) (done, gone bool) {
	w, due := s.ask.next(s.now())
	if due {
		out, silent, err := s.talk.command(nil, w)
		switch {
		case err != nil: // as far as it can be done, it is done
			s.complain(s.gauge().Name, "%s cannot be written: %s", w, err)
			done = true
		default:
			if _, err = p.Write(out); err != nil {
				return false, true
			}
			done = silent
		}
		if done {
			if s.ask.answered(); w == identify {
				s.known("")
			}
			return true, false
		}
		if s.ask.tries%20 == 0 {
			s.complain(s.gauge().Name, "no answer to %s after %d tries; trying on", w, s.ask.tries)
		}
	}
	if s.ask.done() && !s.told {
		s.told = true
		s.ready()
	}
	return false, false
}

// read reads once, for at most the read timeout. Where a mistake shows only
// when several frames come in one read, it looks at the port as hosts with a
// timer do: some time after the first byte has come.
func (s *session) read(p Port, buf []byte) (int, error) {
	has := s.mind.has
	s.reads++
	switch {
	case has("reads-too-slowly"):
		n, err := p.Read(buf[:16])
		s.ground.Pause(20 * time.Millisecond)
		return n, err
	case has("stalls-reading") && s.reads%20 == 0:
		s.ground.Pause(1200 * time.Millisecond)
	case has("tag-dropped-burst"), has("tags-out-of-order"):
		n, err := p.Read(buf[:1])
		if n == 0 || err != nil {
			return n, err
		}
		s.ground.Pause(3 * time.Millisecond)
		more, err := p.Read(buf[1:])
		return 1 + more, err
	}
	return p.Read(buf)
}

// flush deals with bytes that wait for a silence to complete them: no more come.
func (s *session) flush() {
	s.talk.quiet(s.ground.Since() + time.Hour)
	s.heard()
	if s.who {
		s.ask.queue = s.ask.queue[1:]
		s.known("")
	}
}

func (s *session) take(p []byte) {
	s.talk.receive(p, s.ground.Since())
	s.heard()
}

// heard deals with what the talker has decoded.
func (s *session) heard() {
	messages, answers := s.talk.taken()
	if s.who {
		s.held, messages = append(s.held, messages...), nil
	}
	for _, a := range answers {
		if s.who && a.identity == "" && a.refused == "" {
			continue // to something that was asked before
		}
		w, ok := s.ask.answered()
		if ok && w == identify {
			s.known(a.identity)
		} else if ok && a.refused != "" {
			s.complain(s.gauge().Name, "%s was refused: %s", w, a.refused)
		}
	}
	if len(messages) == 0 {
		return
	}
	s.think(func(m *mind, now time.Time) { m.read(s.g, messages, now) })
	for _, m := range messages {
		if s.late && m.tagged {
			s.late = false
			s.ask.queue = s.mind.writes(s.g)
		}
	}
}
