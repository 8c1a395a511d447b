package port

import (
	"errors"
	"fmt"
	"net"
	"slices"
	"sync"
	"sync/atomic"
	"time"
)

const (
	// grace is how long a second client waits for the first to be seen leaving
	// before it is turned away.
	grace = 200 * time.Millisecond
	// chunk is how much is handed to the network at once.
	chunk = 4096
	// maxReplies is how many bytes of answers may wait for a client that asks and
	// does not read.
	maxReplies = 64 << 10
	// talksFor is how long after its last word a client still counts as negotiating.
	talksFor = 150 * time.Millisecond
)

// socket is a port on a TCP listener. One client at a time has it open.
type socket struct {
	cfg    Config
	scheme string // before the address in Path
	com    bool   // speaks RFC 2217
	sink   func(Event)
	sinkMu sync.Mutex // one event at a time
	wg     sync.WaitGroup

	mu       sync.Mutex
	cond     sync.Cond    // something changed
	ln       net.Listener // nil while hung up
	addr     string       // of ln, kept while hung up
	local    bool         // listens on loopback only
	cur      *session
	q        queue
	inFlight int  // bytes taken from q and not yet taken by the network
	paused   bool // the client asked for silence
	replies  []byte
	given    []Event // Dropped, to be told
	stats    Stats
	released bool
	modem    ModemLines
}

// Clears is so where the client cannot ask for a purge.
func (s *socket) Clears() bool { return !s.com }

type session struct {
	conn net.Conn
	com  *comLine // nil for raw TCP
	told bool     // its Opened has been told
	dead bool     // has ended, but its Closed is not told yet
	took int64    // bytes from it of which all has been told
	// talked is when it last spoke Telnet, or came.
	talked  time.Time
	written atomic.Int64 // bytes that the network was given, or is being given
}

// OpenTCP makes a port on a TCP listener: the bytes pass as they are. One client
// at a time has it open; a second is turned away, with a Trouble event. A client
// that ends its own sending has closed the port.
//
// A warning that is not "" says that other machines can reach the port, and is for
// the user to see. The port sees no line settings. What the sockets of both sides
// hold is counted by Unread and HangUp on Linux, where the client is on this machine.
// Sent means that nothing waits before the frame. The sink is called from goroutines of the port, one call at a time.
func OpenTCP(cfg Config, sink func(Event)) (p Port, warning string, err error) {
	s, warning, err := listen(cfg, "", false, sink)
	if err != nil {
		return nil, "", err
	}
	return s, warning, nil
}

func listen(cfg Config, scheme string, com bool, sink func(Event)) (*socket, string, error) {
	cfg, err := cfg.check()
	if err != nil {
		return nil, "", err
	}
	if cfg.Listen == "" {
		cfg.Listen = "127.0.0.1:0"
	}
	p := &socket{cfg: cfg, scheme: scheme, com: com, sink: sink,
		q: queue{limit: cfg.Buffer, policy: cfg.Full}, modem: ModemLines{CTS: true, DSR: true, CD: true}}
	p.cond.L = &p.mu
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.appear(cfg.Listen, true); err != nil {
		return nil, "", err
	}
	if p.local {
		return p, "", nil
	}
	return p, fmt.Sprintf("port %s listens on %s: other machines can reach it, and whoever does can read and command this gauge", cfg.Name, p.addr), nil
}

// appear begins to listen. The caller holds p.mu.
func (p *socket) appear(addr string, anywhere bool) error {
	ln, err := net.Listen("tcp", addr)
	if err != nil {
		return fmt.Errorf("port %s: %w", p.cfg.Name, err)
	}
	at, ok := ln.Addr().(*net.TCPAddr)
	local := ok && at.IP.IsLoopback()
	if !local && !anywhere {
		_ = ln.Close()
		return fmt.Errorf("port %s: %s is open to other machines, and the port was not: want a loopback address like 127.0.0.1:0", p.cfg.Name, addr)
	}
	p.ln, p.addr, p.local = ln, ln.Addr().String(), local
	p.wg.Add(1)
	go p.accept(ln)
	return nil
}

func (p *socket) tell(events ...Event) {
	p.sinkMu.Lock()
	defer p.sinkMu.Unlock()
	for _, e := range events {
		p.sink(e)
	}
}

func (p *socket) accept(ln net.Listener) {
	defer p.wg.Done()
	for {
		conn, err := ln.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil { // out of descriptors, say: it may pass
			p.tell(Event{Kind: Trouble, Err: fmt.Errorf("accept a client: %w", err)})
			time.Sleep(grace)
			continue
		}
		if !p.admit(ln, conn) {
			_ = conn.Close()
			p.tell(Event{Kind: Trouble, Err: fmt.Errorf("a second client, from %s, was turned away: another has the port open", conn.RemoteAddr())})
		}
	}
}

// admit gives conn the port unless another client has it.
func (p *socket) admit(ln net.Listener, conn net.Conn) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.cur != nil {
		// A client that reconnects at once may be here before its leaving is seen.
		over := false
		t := time.AfterFunc(grace, func() {
			p.mu.Lock()
			defer p.mu.Unlock()
			over = true
			p.cond.Broadcast()
		})
		for p.cur != nil && p.ln == ln && !over {
			p.cond.Wait()
		}
		t.Stop()
	}
	if p.ln != ln {
		_ = conn.Close()
		return true // hung up: nothing to tell
	}
	if p.cur != nil {
		return false
	}
	if tcp, ok := conn.(*net.TCPConn); ok {
		_ = tcp.SetWriteBuffer(chunk) // a host that does not read is to be noticed
	}
	s := &session{conn: conn, talked: time.Now()}
	if p.com {
		s.com = newComLine(p.cfg.Name, p.cfg.Line, p.modem)
		p.replies = append(p.replies, s.com.greet()...)
	}
	p.cur = s
	p.stats.Opens++
	p.wg.Add(2)
	go p.receive(s, p.stats.Taken())
	go p.transmit(s)
	return true
}

func (p *socket) receive(s *session, taken int64) {
	defer p.wg.Done()
	p.tell(Event{Kind: Opened, Taken: taken})
	p.mu.Lock()
	s.told = true
	p.mu.Unlock()
	buf := make([]byte, chunk)
	for {
		n, err := s.conn.Read(buf)
		if n > 0 && !p.handle(s, buf[:n]) {
			break
		}
		p.mu.Lock()
		s.took += int64(n)
		p.mu.Unlock()
		if err != nil {
			break
		}
	}
	_ = s.conn.Close()
	p.mu.Lock()
	if p.cur != s { // hung up
		p.mu.Unlock()
		return
	}
	s.dead = true
	lost := p.drop()
	events := append(p.given, Event{Kind: Closed, Lost: lost, Inexact: true})
	p.given = nil
	p.mu.Unlock()
	p.tell(events...)
	p.mu.Lock()
	if p.cur == s {
		p.cur = nil
	}
	p.cond.Broadcast()
	p.mu.Unlock()
}

// handle takes in bytes from the client and says whether to go on.
func (p *socket) handle(s *session, b []byte) bool {
	var events []Event
	var replies []byte
	if s.com == nil {
		events = []Event{{Kind: Received, Data: append([]byte(nil), b...)}}
	}
	p.mu.Lock()
	if p.cur != s {
		p.mu.Unlock()
		return false
	}
	if s.com != nil {
		events, replies = s.com.feed(b)
		if len(replies) > 0 || slices.ContainsFunc(events, func(e Event) bool { return e.Kind != Received }) {
			s.talked = time.Now()
		}
	}
	for i := range events {
		switch e := &events[i]; e.Kind {
		case Received:
			p.stats.Received += int64(len(e.Data))
		case Purged:
			e.Lost, e.Inexact = p.q.clear(), true
			p.stats.Unread += int64(e.Lost)
		case Paused:
			p.paused = e.On
		}
	}
	events = append(events, p.q.room()...) // after a purge
	p.replies = append(p.replies, replies...)
	flood := len(p.replies) > maxReplies
	p.cond.Broadcast()
	p.mu.Unlock()
	if flood {
		events = append(events, Event{Kind: Trouble, Err: fmt.Errorf("the client asks and does not read: %d bytes of answers wait; it is cut off", maxReplies)})
	}
	p.tell(events...)
	return !flood
}

func (p *socket) transmit(s *session) {
	defer p.wg.Done()
	var out []byte
	for {
		p.mu.Lock()
		if p.cur == s {
			p.inFlight = 0
		}
		idle := func() bool { return p.paused || p.q.empty() && len(p.replies) == 0 }
		for p.cur == s && !s.dead && idle() && len(p.given) == 0 {
			p.cond.Wait()
		}
		if p.cur != s || s.dead {
			p.mu.Unlock()
			return
		}
		out = out[:0]
		if !idle() {
			out = append(out, p.replies...)
			p.replies = p.replies[:0]
			b := p.q.data[:min(chunk, len(p.q.data))]
			if s.com != nil {
				out = escape(out, b)
			} else {
				out = append(out, b...)
			}
			p.inFlight = len(b)
			p.q.took(len(b))
			s.written.Add(int64(len(out)))
		}
		given := append(p.given, p.q.room()...)
		p.given = nil
		p.mu.Unlock()
		p.tell(given...)
		if len(out) > 0 {
			if _, err := s.conn.Write(out); err != nil {
				_ = s.conn.Close() // receive sees it and ends the session
				return
			}
		}
	}
}

// drop forgets what has not left and returns how many bytes that was.
func (p *socket) drop() int {
	lost := p.q.end() + p.inFlight
	p.inFlight, p.replies, p.paused = 0, p.replies[:0], false
	p.stats.Unread += int64(lost)
	p.cond.Broadcast()
	return lost
}

func (p *socket) Path() string { return p.scheme + p.Real() }

func (p *socket) Real() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	host, port, err := net.SplitHostPort(p.addr)
	if ip := net.ParseIP(host); err == nil && ip != nil && ip.IsUnspecified() {
		return net.JoinHostPort("127.0.0.1", port) // how this machine reaches it
	}
	return p.addr
}

// Name is the address it listens on.
func (p *socket) Name() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.addr
}

func (p *socket) Open() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.cur != nil && p.cur.told && !p.cur.dead
}

func (p *socket) Stats() Stats {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.stats
}

func (p *socket) Write(frame []byte) Outcome {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case p.ln == nil:
		return p.stats.count(DroppedDown, len(frame))
	case p.cur == nil || p.cur.dead:
		return p.stats.count(DroppedUnheard, len(frame))
	}
	room := func(want int) int {
		if p.inFlight > 0 || p.paused {
			return 0
		}
		return want
	}
	put := func(b []byte) int { p.q.add(b); return len(b) }
	o, gaveUp := p.q.offer(frame, room, put, &p.stats)
	p.given = append(p.given, gaveUp...)
	p.cond.Broadcast()
	return o
}

func (p *socket) Unread() (int, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.cur == nil {
		return 0, true
	}
	return p.unread()
}

// unread counts all that is on its way to the client.
func (p *socket) unread() (n int, exact bool) {
	if under, known := unreadBy(p.cur.conn, p.cur.written.Load()); known {
		return len(p.q.data) + under, true
	}
	return len(p.q.data) + p.inFlight, false
}

// Negotiating says whether the client has spoken Telnet lately: it may still be
// agreeing on options, setting the line or purging. Clients look for an answer every
// 50 ms (python3-serial 3.5), and some time passes between one request and the next.
func (p *ComPort) Negotiating() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.cur != nil && !p.cur.dead && time.Since(p.cur.talked) < talksFor
}

// Told asks the kernel how much has come, where it can tell.
func (p *socket) Told() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.cur == nil {
		return true
	}
	come, known := receivedBy(p.cur.conn)
	return p.cur.told && !p.cur.dead && (!known || come == p.cur.took)
}

func (p *socket) HangUp() (lost int, exact bool, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.released {
		return 0, true, ErrClosed
	}
	if p.ln == nil {
		return 0, true, ErrDown
	}
	p.stats.HangUps++
	lost, exact = p.vanish()
	return lost, exact, nil
}

func (p *socket) vanish() (lost int, exact bool) {
	exact = true
	_ = p.ln.Close()
	p.ln = nil
	if p.cur != nil {
		var all int
		all, exact = p.unread()
		if lost = p.drop(); all > lost {
			p.stats.Unread += int64(all - lost)
			lost = all
		}
		_ = p.cur.conn.Close()
		p.cur = nil
	}
	p.cond.Broadcast()
	return lost, exact
}

func (p *socket) Return(name string) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case p.released:
		return ErrClosed
	case p.ln != nil:
		return ErrUp
	case name == "":
		return p.appear(p.addr, true)
	}
	return p.appear(name, !p.local)
}

func (p *socket) Close() error {
	p.mu.Lock()
	p.released = true
	if p.ln != nil {
		p.vanish()
	}
	p.mu.Unlock()
	p.wg.Wait()
	return nil
}
