package port

import (
	"fmt"
	"math"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

const (
	// window is how many bytes we let the kernel hold for the host: what the line
	// discipline's read buffer takes (N_TTY_BUF_SIZE - 1). Beyond it the kernel
	// would hold up to 64 KiB more where nobody can count them.
	window = 4095

	// restBaud is the speed of a pty that no host has set. It is a standard speed
	// that no host asks for, so that asking for any other is a change we can see.
	restBaud = 50

	youngFor  = 2 * time.Second       // after an opening or a change of settings ...
	youngLook = 4 * time.Millisecond  // ... look for new settings this often
	openLook  = 32 * time.Millisecond // and later this often

	// After something closed: probe again after confirmFirst, then after twice as
	// long each time, until confirmLast. While nobody has the port open that goes
	// on, as each probe has an instant in which an opening can be missed.
	confirmFirst = 2 * time.Millisecond
	confirmLast  = 1024 * time.Millisecond

	pumpLook    = 16 * time.Millisecond // pass on what waits this often even when the kernel tells nothing
	readsAtOnce = 16                    // of one port, before the others have their turn
)

// ptyPort is a pty whose host side we keep open too ("peer"). The peer lets us
// count what the host has not read, throw it away when the host closes, and undo
// TIOCEXCL, which outlives its owner; a peer opened later would be refused while
// a host holds the line with TIOCEXCL. The price is that the kernel does not tell
// us when the host closes: inotify says that something closed, and probe lets the
// peer go for a moment to see whether that was the last.
type ptyPort struct {
	cfg    Config
	hub    *Hub
	ownHub bool
	sink   func(Event)
	due    atomic.Int64 // hub.now() at which to be served

	// The hub's goroutine only.
	picked, readable bool
	notes            []note

	mu       sync.Mutex
	path     string // stable symbolic link
	real     string // /dev/pts/N
	master   int    // -1 while hung up
	peer     int    // -1 while it cannot be had
	watch    int
	released bool

	open       bool
	opens      int  // openings by hosts that have not been closed, as far as inotify merges none
	early      bool // the opening was seen before its note
	ownOpens   int  // notes about our own peer still to come
	ownCloses  int
	confirm    int64 // when to probe again; 0: no need
	confirmGap time.Duration
	youngUntil int64
	line       unix.Termios // as last seen

	out     int // upper bound of what the kernel holds for the host
	q       queue
	pumping bool
	given   []Event // Dropped, to be told by the hub's goroutine
	stats   Stats
}

// OpenPTY makes a pseudo-terminal with a stable symbolic link <Dir>/<Name>. The
// sink is called from the goroutine of the pty's hub and must not block for long.
//
// Besides Config.Buffer bytes in the port's own queue, up to 4095 bytes wait in
// the kernel. A frame that is larger than Buffer passes only when the kernel takes
// it whole.
//
// A symbolic link that is already in the way is replaced: a run that crashed
// leaves one behind. Anything else in the way is an error.
//
// What a Linux pty does not carry: the character size and parity that a host asks
// for (the kernel forces 8 bits without parity), break conditions, and modem
// lines. Use OpenRFC2217 to see those. A host that asks for 50 baud without
// anything else is not noticed.
func OpenPTY(cfg Config, sink func(Event)) (Port, error) {
	cfg, err := cfg.checkPTY()
	if err != nil {
		return nil, err
	}
	p := &ptyPort{cfg: cfg, hub: cfg.Hub, sink: sink, master: -1, peer: -1, q: queue{limit: cfg.Buffer, policy: cfg.Full}}
	p.due.Store(math.MaxInt64)
	if p.hub == nil {
		if p.hub, err = NewHub(); err != nil {
			return nil, fmt.Errorf("port %s: %w", cfg.Name, err)
		}
		p.ownHub = true
	}
	if err = p.appear(cfg.Name); err != nil {
		if p.ownHub {
			_ = p.hub.Close()
		}
		return nil, err
	}
	return p, nil
}

// appear makes a fresh pty under a name. The caller holds p.mu, or nobody else
// knows p.
func (p *ptyPort) appear(name string) (err error) {
	m, s, err := pty.Open()
	if err != nil {
		return fmt.Errorf("port %s: no pseudo-terminal: %w", name, err)
	}
	defer m.Close()
	defer s.Close()
	// Own descriptors, outside the Go poller: the hub waits for them itself.
	master, err := unix.FcntlInt(m.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		return fmt.Errorf("port %s: %w", name, err)
	}
	defer func() {
		if err != nil {
			_ = unix.Close(master)
		}
	}()
	if err = unix.SetNonblock(master, true); err != nil {
		return fmt.Errorf("port %s: %w", name, err)
	}
	line, err := rest(master)
	if err != nil {
		return fmt.Errorf("port %s: raw mode: %w", name, err)
	}
	peer, err := openPeer(master)
	if err != nil {
		return fmt.Errorf("port %s: %s: %w", name, s.Name(), err)
	}
	_ = s.Close() // before the watch begins, so that it makes no note
	watch, err := p.hub.add(p, master, s.Name())
	if err != nil {
		_ = unix.Close(peer)
		return fmt.Errorf("port %s: %w", name, err)
	}
	path := filepath.Join(p.cfg.Dir, name)
	if err = link(s.Name(), path); err != nil {
		p.hub.remove(p, master, watch)
		_ = unix.Close(peer)
		return fmt.Errorf("port %s: %w", name, err)
	}
	p.path, p.real, p.master, p.peer, p.watch = path, s.Name(), master, peer, watch
	p.line = line
	p.open, p.opens, p.early, p.ownOpens, p.ownCloses, p.confirm = false, 0, false, 0, 0, 0
	p.out, p.pumping = 0, false
	p.due.Store(math.MaxInt64)
	return nil
}

// rest puts the line, through its master, into the state in which every host
// finds it: raw, 8 bits, no flow control.
func rest(master int) (unix.Termios, error) {
	t, err := unix.IoctlGetTermios(master, unix.TCGETS2)
	if err != nil {
		return unix.Termios{}, err
	}
	t.Iflag, t.Oflag, t.Lflag = 0, 0, 0
	t.Cflag = unix.CS8 | unix.CREAD | unix.CLOCAL | unix.B50
	t.Ispeed, t.Ospeed = restBaud, restBaud
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	if err := unix.IoctlSetTermios(master, unix.TCSETS2, t); err != nil {
		return unix.Termios{}, err
	}
	// Read back: the kernel may have changed what it does not support.
	if t, err = unix.IoctlGetTermios(master, unix.TCGETS2); err != nil {
		return unix.Termios{}, err
	}
	return *t, nil
}

// openPeer opens the host's side of a pty by its master, which works in any mount
// namespace.
func openPeer(master int) (int, error) {
	// Read-only: inotify tells the closing of such a descriptor from that of the
	// usual host, which opens for reading and writing.
	const flags = unix.O_RDONLY | unix.O_NOCTTY | unix.O_NONBLOCK | unix.O_CLOEXEC
	fd, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(master), unix.TIOCGPTPEER, flags)
	if errno != 0 {
		return -1, errno
	}
	return int(fd), nil
}

// settingsOf reads what a Linux pty shows of a line's settings.
func settingsOf(t *unix.Termios) Settings {
	s := Settings{Baud: int(t.Ospeed), Stop: StopOne, Flow: FlowNone}
	if t.Cflag&unix.CSTOPB != 0 {
		s.Stop = StopTwo
	}
	if t.Cflag&unix.CRTSCTS != 0 {
		s.Flow = FlowRTSCTS
	} else if t.Iflag&(unix.IXON|unix.IXOFF) != 0 {
		s.Flow = FlowXonXoff
	}
	return s
}

func (p *ptyPort) Path() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.path
}

func (p *ptyPort) Real() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.real
}

func (p *ptyPort) Open() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.open
}

func (p *ptyPort) Stats() Stats {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.stats
}

func (p *ptyPort) Write(frame []byte) Outcome {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case p.master < 0:
		return p.stats.count(DroppedDown, len(frame))
	case !p.open:
		return p.stats.count(DroppedUnheard, len(frame))
	}
	if !p.q.empty() {
		p.pump()
	}
	o, gaveUp := p.q.offer(frame, p.room, p.put, &p.stats)
	p.given = append(p.given, gaveUp...)
	if o == Queued {
		p.queued()
	}
	return o
}

// queued has the hub come by when the host has read, and at the latest after a
// while.
func (p *ptyPort) queued() {
	p.armed(true)
	if at := p.hub.now() + int64(pumpLook); p.due.Load() > at {
		p.due.Store(at)
		p.hub.due(at)
	}
}

// armed says whether the hub wakes up when the host reads. The kernel tells a
// pty's master that it may write whenever the host's side has read down to 128
// bytes or less, so that this is left off while nothing waits to be written.
func (p *ptyPort) armed(on bool) {
	if p.pumping != on {
		p.pumping = on
		p.hub.arm(p.master, on)
	}
}

// put writes to the kernel and returns how much it took.
func (p *ptyPort) put(b []byte) int {
	n, err := unix.Write(p.master, b)
	if err != nil || n < 0 {
		return 0
	}
	p.out += n
	return n
}

// room is how many bytes the kernel may be given now, asking it only when less
// than want seems free.
func (p *ptyPort) room(want int) int {
	if window-p.out < want {
		p.recount()
	}
	return window - p.out
}

// recount asks the kernel how much the host has not read. The kernel moves what we
// write to the host's read buffer a little later, so the answer may be too small
// for a moment. p.out, which bounds what the kernel holds, believes it only when
// it says that nothing was read, or zero after making the kernel finish (poll on
// the host's side does that while there is nothing to read).
func (p *ptyPort) recount() (n int, exact bool) {
	if p.peer < 0 {
		p.out = 0 // unknown: the kernel's own limit must do
		return 0, false
	}
	n, err := unix.IoctlGetInt(p.peer, unix.TIOCINQ)
	if err == nil && n == 0 && p.out > 0 {
		_, _ = unix.Poll([]unix.PollFd{{Fd: int32(p.peer), Events: unix.POLLIN}}, 0)
		n, err = unix.IoctlGetInt(p.peer, unix.TIOCINQ)
	}
	if err != nil {
		return 0, false
	}
	if n == 0 {
		p.out = 0
	}
	return n, true
}

// pump passes on what waits in the queue, as far as the host has read.
func (p *ptyPort) pump() {
	if n := min(len(p.q.data), p.room(len(p.q.data))); n > 0 {
		p.q.took(p.put(p.q.data[:n]))
	}
}

func (p *ptyPort) Unread() (int, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.master < 0 || !p.open {
		return 0, true
	}
	p.pump()
	n, exact := p.recount()
	return len(p.q.data) + n, exact && p.line.Lflag&unix.ICANON == 0
}

// takeBack empties the queue and reads back what the kernel still holds for the
// host, and returns how many bytes that was. Unlike a count it is exact: a read
// that finds nothing makes the kernel finish moving bytes and looks again.
func (p *ptyPort) takeBack() int {
	lost := p.q.clear()
	p.out = 0
	var buf [4096]byte
	for p.peer >= 0 {
		n, err := unix.Read(p.peer, buf[:])
		if err == unix.EINTR {
			continue
		}
		if err != nil || n <= 0 {
			break
		}
		lost += n
	}
	p.stats.Unread += int64(lost)
	return lost
}

// service does what is due for the port and returns what to tell the sink. Only
// the hub's goroutine calls it. buf is room to read into.
func (p *ptyPort) service(now int64, buf []byte) []Event {
	p.mu.Lock()
	defer p.mu.Unlock()
	notes, readable := p.notes, p.readable
	p.notes, p.readable = nil, false
	events := p.given
	p.given = nil
	if p.master < 0 {
		p.due.Store(math.MaxInt64)
		return events
	}
	tell := func(e Event) { events = append(events, e) }

	confirm := p.confirm != 0 && p.confirm <= now
	if confirm {
		p.confirm = 0
		if p.confirmGap < confirmLast {
			p.confirmGap *= 2
			p.confirm = now + int64(p.confirmGap)
		} else if !p.open {
			p.confirm = now + int64(confirmLast)
		}
	}
	probe := confirm
	reopened := false
	for _, n := range notes {
		switch {
		case n.mask&unix.IN_Q_OVERFLOW != 0: // notes are lost, our own perhaps among them
			p.ownOpens, p.ownCloses, p.early = 0, 0, false
			probe = true
		case n.watch != int32(p.watch):
		case n.mask&unix.IN_OPEN != 0 && p.ownOpens > 0:
			p.ownOpens--
		case n.mask&unix.IN_CLOSE_NOWRITE != 0 && p.ownCloses > 0:
			p.ownCloses--
		case n.mask&unix.IN_OPEN != 0 && p.early:
			p.early = false
		case n.mask&unix.IN_OPEN != 0:
			reopened = reopened || p.open && p.opens == 0
			p.opens++
			if !p.open {
				p.openBy(now, tell)
			}
		case n.mask&unix.IN_CLOSE != 0:
			p.opens = max(0, p.opens-1)
			p.early = false
			probe = true
			p.confirmGap = confirmFirst
			p.confirm = now + int64(confirmFirst)
		}
	}
	held := true
	if probe {
		held = p.anyHost()
	}
	more := false
	if readable || probe || reopened || p.due.Load() <= now {
		for more = p.receive(now, buf, tell); more && !held; { // whoever sent it is gone: it ends
			more = p.receive(now, buf, tell)
		}
	}
	if reopened || held && p.open && p.opens == 0 {
		// The last host closed and another came before we looked. If its note has
		// not come it is on its way.
		p.reopenBy(now, !reopened, tell)
	}
	switch {
	case !held:
		if p.open {
			p.shutBy(tell)
		}
		p.opens = 0
	case !p.open && probe:
		p.openEarly(now, tell)
	}
	if p.look(now, tell) {
		p.youngUntil = now + int64(youngFor)
	}

	due := int64(math.MaxInt64)
	if p.open {
		p.pump()
		p.armed(!p.q.empty())
		due = now + int64(openLook)
		if now < p.youngUntil {
			due = now + int64(youngLook)
		}
		if p.pumping {
			due = min(due, now+int64(pumpLook))
		}
	}
	if p.confirm != 0 {
		due = min(due, p.confirm)
	}
	if more {
		due = now
	}
	p.due.Store(due)
	return events
}

func (p *ptyPort) openBy(now int64, tell func(Event)) {
	p.open = true
	p.youngUntil = now + int64(youngFor)
	p.stats.Opens++
	tell(Event{Kind: Opened})
}

// openEarly notes an opening that shows before inotify has told of it.
func (p *ptyPort) openEarly(now int64, tell func(Event)) {
	p.opens, p.early = 1, true
	p.openBy(now, tell)
}

// shutBy notes that the last host has let go, and leaves the line as the next
// host must find it.
func (p *ptyPort) shutBy(tell func(Event)) {
	p.open = false
	if line, err := rest(p.master); err == nil { // first, or half a line stays behind in canonical mode
		p.line = line
	}
	tell(Event{Kind: Closed, Lost: p.takeBack()})
}

// reopenBy notes that one host has let go and that the next has the port already.
// What settings are in force may be the new host's, so they stay.
func (p *ptyPort) reopenBy(now int64, early bool, tell func(Event)) {
	tell(Event{Kind: Closed, Lost: p.takeBack()})
	if early {
		p.openEarly(now, tell)
	} else {
		p.openBy(now, tell)
	}
	p.look(now, func(Event) {})
	tell(Event{Kind: Asked, Settings: settingsOf(&p.line), Cooked: cooked(&p.line)})
}

// receive reads what the host has sent and says whether more is waiting.
func (p *ptyPort) receive(now int64, buf []byte, tell func(Event)) (more bool) {
	for range readsAtOnce {
		n, err := unix.Read(p.master, buf)
		if err == unix.EINTR {
			continue
		}
		if err != nil || n <= 0 {
			return false
		}
		// After the read: settings that the host made before any of these bytes are
		// in force by now and are told first.
		p.look(now, tell)
		if !p.open {
			p.openEarly(now, tell)
		}
		p.stats.Received += int64(n)
		tell(Event{Kind: Received, Data: append([]byte(nil), buf[:n]...)})
	}
	return true
}

// look tells of new line settings, if any. Like received bytes they betray a host
// whose opening was missed.
func (p *ptyPort) look(now int64, tell func(Event)) bool {
	t, err := unix.IoctlGetTermios(p.master, unix.TCGETS2)
	if err != nil || *t == p.line {
		return false
	}
	p.line = *t
	if !p.open {
		p.openEarly(now, tell)
	}
	tell(Event{Kind: Asked, Settings: settingsOf(t), Cooked: cooked(t)})
	return true
}

// anyHost lets the peer go for a moment: a pty that nobody else has open then
// reports a hang-up at its master. When the last host has gone, the line is no
// longer exclusive.
func (p *ptyPort) anyHost() bool {
	exclusive := false
	if p.peer >= 0 {
		if n, err := unix.IoctlGetInt(p.peer, unix.TIOCGEXCL); err == nil && n != 0 {
			// It would keep us from opening the peer again.
			exclusive = unix.IoctlSetInt(p.peer, unix.TIOCNXCL, 0) == nil
		}
		_ = unix.Close(p.peer)
		p.peer = -1
		p.ownCloses++
	}
	fds := []unix.PollFd{{Fd: int32(p.master)}}
	_, err := unix.Poll(fds, 0)
	held := err != nil || fds[0].Revents&unix.POLLHUP == 0
	// inotify merges equal notes that follow each other. Take what is there before
	// and after our own opening, so that it hides no host's.
	p.hub.takeNotes()
	defer p.hub.takeNotes()
	if peer, err := openPeer(p.master); err == nil {
		p.peer = peer
		p.ownOpens++
		if held && exclusive {
			_ = unix.IoctlSetInt(p.peer, unix.TIOCEXCL, 0)
		}
	}
	return held
}

func (p *ptyPort) HangUp() (lost int, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.hangUp()
}

func (p *ptyPort) hangUp() (lost int, err error) {
	if p.released {
		return 0, ErrClosed
	}
	if p.master < 0 {
		return 0, ErrDown
	}
	if p.open {
		_, _ = rest(p.master) // or half a line cannot be counted in canonical mode
		lost = p.takeBack()
	}
	p.stats.HangUps++
	return lost, p.vanish()
}

// vanish takes the link and the pty away.
func (p *ptyPort) vanish() error {
	err := unlink(p.real, p.path)
	p.hub.remove(p, p.master, p.watch)
	_ = unix.Close(p.master) // hangs up every host
	if p.peer >= 0 {
		_ = unix.Close(p.peer)
	}
	p.master, p.peer, p.open = -1, -1, false
	return err
}

func (p *ptyPort) Return(name string) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.released {
		return ErrClosed
	}
	if p.master >= 0 {
		return ErrUp
	}
	name, err := p.cfg.renamed(name, p.path)
	if err != nil {
		return err
	}
	return p.appear(name)
}

func (p *ptyPort) release() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.released {
		return nil
	}
	p.released = true
	if p.master < 0 {
		return nil
	}
	return p.vanish()
}

func (p *ptyPort) Close() error {
	err := p.release()
	if p.ownHub {
		_ = p.hub.Close()
	} else {
		p.hub.settle()
	}
	return err
}
