package host

import (
	"context"
	"errors"
	"net"
	"os"
	"time"

	"go.bug.st/serial"
)

// retry is how long the host waits before it tries to open a port again, and
// how often it looks up from reading.
const retry = 20 * time.Millisecond

const (
	// drainMost bounds what is still read after a stop.
	drainMost = 64 << 10
	// identifyLooks is how often the host still looks, after a stop, for the
	// answer to who is there.
	identifyLooks = 25
)

// port is an open port. Read returns 0 and no error when nothing came in time.
type port interface {
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
	gauge *gauge
	talk  *talker
	ask   asker
	told  bool      // it has said that it is ready
	late  bool      // the writes are still to come (setting-late)
	who   bool      // it was asked who it is and has not answered yet
	held  []message // what it has said meanwhile
	reads int
}

func (h *host) newSession(g int) (*session, error) {
	gauge := &h.core.job.Gauges[g]
	talk, err := newTalker(gauge, h.core.defects)
	if err != nil {
		return nil, err
	}
	s := &session{host: h, place: g, g: g, gauge: gauge, talk: talk}
	if s.late = h.core.has("setting-late"); !s.late {
		s.ask.queue = h.core.writes(g)
	}
	return s, nil
}

// run opens the port, again after every hang-up, until ctx is done.
func (s *session) run(ctx context.Context) {
	for first := true; ; first = false {
		p := s.open(ctx, first)
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
		s.think(func(c *core, now time.Time) { c.lost(s.g, now) })
		if s.core.has("never-reopens") {
			<-ctx.Done()
			return
		}
	}
}

// begin begins a session at a port that was opened, first or again. Ports may
// come back at each other's place: who is there now only the gauge can say.
func (s *session) begin(first bool) {
	s.talk.reset()
	s.ask.again()
	switch {
	case first:
	case len(s.core.job.Gauges) > 1 && s.talk.dialect.Identity() != "" && !s.core.has("gauges-by-port"):
		s.who = true
		s.ask.queue = append([]write{identify}, s.ask.queue...)
	default:
		s.think(func(c *core, now time.Time) { c.back(s.g, now) })
	}
}

var identify = write{Verb: "identify"}

// known takes the gauge's answer to who it is, and what it has said since the
// port was opened. Without an answer it is taken for the one that was there.
func (s *session) known(id string) {
	gauges := s.core.job.Gauges
	for g := range gauges {
		if gauges[g].Dialect == s.gauge.Dialect && id != "" && (id == gauges[g].Serial || id == gauges[g].Name) {
			s.g = g
		}
	}
	s.gauge = &gauges[s.g]
	s.talk.gauge = s.gauge
	for _, m := range s.held {
		for i := range m.readings {
			if m.readings[i].assumed {
				m.readings[i].unit = *s.gauge.Unit
			}
		}
	}
	held := s.held
	s.who, s.held = false, nil
	s.think(func(c *core, now time.Time) {
		c.back(s.g, now)
		c.read(s.g, held, now)
	})
}

// open opens the port, trying until it is there. It returns nil when ctx is
// done. That a port is not there is worth a word only at the start.
func (s *session) open(ctx context.Context, first bool) port {
	var said string
	gauge := &s.core.job.Gauges[s.place]
	for {
		p, err := openPort(ctx, gauge, s.core.defects)
		if err == nil {
			return p
		}
		if why := err.Error(); why != said && (first || !errors.Is(err, os.ErrNotExist)) && ctx.Err() == nil {
			said = why
			s.complain(gauge.Name, "%s does not open: %s; trying again every %s", gauge.Port, why, retry)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(retry):
		}
	}
}

// serve reads the port until it hangs up (lost) or ctx is done.
func (s *session) serve(ctx context.Context, p port) (lost bool) {
	buf := make([]byte, 4096)
	var out []byte
	for left := identifyLooks; ctx.Err() == nil || s.who && left > 0; {
		if ctx.Err() != nil {
			left-- // it is still to say who it is
		}
		if w, send := s.ask.next(s.now()); send {
			var err error
			var silent bool
			if out, silent, err = s.talk.command(out[:0], w); err != nil {
				s.complain(s.gauge.Name, "%s cannot be written: %s", w, err)
				silent = true // as far as it can be done, it is done
			} else if _, err = p.Write(out); err != nil {
				return true
			}
			if silent {
				s.ask.answered()
				if w == identify {
					s.known("")
				}
			} else if s.ask.tries%20 == 0 {
				s.complain(s.gauge.Name, "no answer to %s after %d tries; trying on", w, s.ask.tries)
			}
			if silent {
				continue
			}
		}
		if s.ask.done() && !s.told {
			s.told = true
			s.ready()
		}
		wait := retry
		if at, ok := s.talk.deadline(); ok {
			wait = min(wait, max(at-s.since(), 0))
		}
		p.SetReadTimeout(wait)
		n, err := s.read(p, buf)
		if n > 0 {
			s.take(buf[:n])
		}
		if err != nil {
			return true
		}
		s.talk.quiet(s.since())
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

// read reads once, for at most the read timeout. Where a mistake shows only
// when several frames come in one read, it looks at the port as hosts with a
// timer do: some time after the first byte has come.
func (s *session) read(p port, buf []byte) (int, error) {
	if s.core.has("reads-too-slowly") && s.clock == nil {
		n, err := p.Read(buf[:16])
		time.Sleep(20 * time.Millisecond)
		return n, err
	}
	if s.core.has("stalls-reading") && s.clock == nil {
		if s.reads++; s.reads%20 == 0 {
			time.Sleep(1200 * time.Millisecond)
		}
	}
	if !s.core.has("tag-dropped-burst") && !s.core.has("tags-out-of-order") {
		return p.Read(buf)
	}
	n, err := p.Read(buf[:1])
	if n == 0 || err != nil {
		return n, err
	}
	time.Sleep(3 * time.Millisecond)
	more, err := p.Read(buf[1:])
	return 1 + more, err
}

// flush deals with bytes that wait for a silence to complete them: no more come.
func (s *session) flush() {
	s.talk.quiet(s.since() + time.Hour)
	s.heard()
	if s.who {
		s.ask.queue = s.ask.queue[1:]
		s.known("")
	}
}

func (s *session) take(p []byte) {
	s.talk.receive(p, s.since())
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
			s.complain(s.gauge.Name, "%s was refused: %s", w, a.refused)
		}
	}
	if len(messages) == 0 {
		return
	}
	s.think(func(c *core, now time.Time) { c.read(s.g, messages, now) })
	if s.late {
		for _, m := range messages {
			if m.tagged {
				s.late = false
				s.ask.queue = s.core.writes(s.g)
				break
			}
		}
	}
}

func openPort(ctx context.Context, g *gauge, d defects) (port, error) {
	switch m := modeOf(g.Line, d); g.PortKind {
	case "tcp":
		return dialTCP(ctx, g.Port)
	case "rfc2217":
		return dialComPort(ctx, g.Port, append(settingsFor(m), g.at.control(d)...))
	default:
		return serial.Open(g.Port, m)
	}
}

// modeOf is how the host sets a line.
func modeOf(l line, d defects) *serial.Mode {
	if d["wrong-baud"] {
		l.Baud *= 2
	}
	if d["wrong-parity"] {
		if l.Parity == 'E' {
			l.Parity = 'N'
		} else {
			l.Parity = 'E'
		}
	}
	return &serial.Mode{
		BaudRate: l.Baud,
		DataBits: l.Data,
		Parity:   map[byte]serial.Parity{'N': serial.NoParity, 'E': serial.EvenParity, 'O': serial.OddParity, 'M': serial.MarkParity, 'S': serial.SpaceParity}[l.Parity],
		StopBits: map[string]serial.StopBits{"1": serial.OneStopBit, "1.5": serial.OnePointFiveStopBits, "2": serial.TwoStopBits}[l.Stop],
	}
}

// tcpPort is a port on TCP.
type tcpPort struct {
	net.Conn
	wait time.Duration
}

func dialTCP(ctx context.Context, address string) (*tcpPort, error) {
	conn, err := (&net.Dialer{}).DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, err
	}
	return &tcpPort{Conn: conn}, nil
}

func (p *tcpPort) SetReadTimeout(d time.Duration) error {
	p.wait = d
	return nil
}

func (p *tcpPort) Read(b []byte) (int, error) {
	p.Conn.SetReadDeadline(time.Now().Add(max(p.wait, time.Millisecond))) // a deadline that is past reads nothing
	n, err := p.Conn.Read(b)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		err = nil
	}
	return n, err
}
