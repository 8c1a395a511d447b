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
	// would hold up to 64 KiB more where they cannot be counted. A host that keeps
	// up is given up to maxWindow, which saves waiting for it.
	window    = 4095
	maxWindow = 4 * window

	// restBaud is the speed of a pty that no host has set. It is a standard speed
	// that no host asks for, so that asking for any other is a change we can see.
	restBaud = 50

	youngFor     = 2 * time.Second        // after an opening or a change of settings ...
	youngLook    = 4 * time.Millisecond   // ... look for new settings this often
	openLook     = 32 * time.Millisecond  // and later this often
	closeLook    = time.Millisecond       // a close that is not certain yet
	confirmAfter = 32 * time.Millisecond  // after a close, check the count of openings this late
	pumpFirst    = time.Millisecond       // pass on what Write has queued
	pumpLook     = 16 * time.Millisecond  // pass on what waits this often even when the kernel tells nothing
	arrivesIn    = 100 * time.Millisecond // what was written is in the host's read buffer by then
	readsAtOnce  = 16                     // of one port, before the others have their turn
)

// ptyPort is a pty whose host side we keep open too ("peer"). The peer lets us
// count what the host has not read, and take it back when the host closes; a peer
// opened later would be refused while a host holds the line with TIOCEXCL. The
// price is that the kernel does not tell us when the last host closes: the hub
// counts openings and closings by inotify instead. When the count says that nobody
// is left, and once more a little later, probe lets the peer go for a moment to
// see whether anybody else has the line.
type ptyPort struct {
	cfg     Config
	hub     *Hub
	ownHub  bool
	sink    func(Event)
	due     atomic.Int64 // hub.now() at which to be served
	telling atomic.Bool  // what service returned is not all told yet

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
	opens      int  // openings by hosts that have not been closed
	closing    bool // the last one was closed, and that is not told yet
	ownOpens   int  // notes about our own peer still to come
	ownCloses  int
	confirm    int64 // when to check; 0: no need
	succeeded  bool  // while closing: somebody has the line, and has come since the close
	doubt      bool  // the last check found a host whose note had not come
	youngUntil int64
	line       unix.Termios // as last seen

	out     int // upper bound of what the kernel holds for the host
	window  int // what it may hold
	partly  partly
	q       queue
	pumping bool
	given   []Event // Dropped, to be told by the hub's goroutine
	stats   Stats
}

// partly is a count of unread bytes that is not all of what the kernel was given.
type partly struct {
	n, of int
	since int64
}

// OpenPTY makes a pseudo-terminal with a stable symbolic link <Dir>/<Name>. The
// sink is called from the goroutine of the pty's hub and must not block for long.
//
// Besides Config.Buffer bytes in the port's own queue, up to 4095 bytes wait in
// the kernel, or 16380 while the host has kept up with as much. A frame that is
// larger than Buffer passes only when the kernel takes it whole.
//
// A symbolic link that is already in the way is replaced: a run that crashed
// leaves one behind. Anything else in the way is an error.
//
// What a Linux pty does not carry: the character size and parity that a host asks
// for (the kernel forces 8 bits without parity), break conditions, and modem
// lines. Use OpenRFC2217 to see those. A host that asks for 50 baud is taken for one
// that asks for no speed.
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
	p.mu.Lock() // the hub may serve the port before appear has filled it in
	err = p.appear(cfg.Name)
	p.mu.Unlock()
	if err != nil {
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
	_, line, err := rest(master)
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
	p.open, p.opens, p.closing, p.succeeded, p.doubt, p.ownOpens, p.ownCloses, p.confirm = false, 0, false, false, false, 0, 0, 0
	p.out, p.window, p.pumping = 0, window, false
	p.due.Store(math.MaxInt64)
	return nil
}

// rest puts the line, through its master, into the state in which every host
// finds it: raw, 8 bits, no flow control. before is how it was the moment before.
func rest(master int) (before, now unix.Termios, err error) {
	t, err := unix.IoctlGetTermios(master, unix.TCGETS2)
	if err != nil {
		return before, now, err
	}
	before = *t
	t.Iflag, t.Oflag, t.Lflag = 0, 0, 0
	t.Cflag = unix.CS8 | unix.CREAD | unix.CLOCAL | unix.B50
	t.Ispeed, t.Ospeed = restBaud, restBaud
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	if err := unix.IoctlSetTermios(master, unix.TCSETS2, t); err != nil {
		return before, now, err
	}
	// Read back: the kernel may have changed what it does not support.
	if t, err = unix.IoctlGetTermios(master, unix.TCGETS2); err != nil {
		return before, now, err
	}
	return before, *t, nil
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

// settingsOf reads what a Linux pty shows of a line's settings. On a line at rest
// no host has asked for a speed or for stop bits.
func settingsOf(t *unix.Termios) Settings {
	s := Settings{Baud: int(t.Ospeed), Stop: StopOne, Flow: FlowNone}
	if t.Ospeed == restBaud {
		s.Baud, s.Stop = 0, StopUnknown
	}
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
	return p.offered(p.q.offer(frame, p.room, p.put, &p.stats))
}

// offered has the hub do what a frame that was offered to the queue asks for.
func (p *ptyPort) offered(o Outcome, gaveUp []Event) Outcome {
	p.given = append(p.given, gaveUp...)
	switch {
	case o == Queued:
		p.queued()
	case o == DroppedFull:
		p.armed(true) // the gauge may wait for Room
		p.queued()
	case p.q.full: // the pump made room
		p.due.Store(p.hub.now())
		p.hub.due(p.due.Load())
	}
	return o
}

// gatherMost is how many bytes are gathered before they are handed over.
const gatherMost = 2048

// Gather puts a frame into the queue. The kernel takes many at the cost of one.
func (p *ptyPort) Gather(frame []byte) Outcome {
	p.mu.Lock()
	if p.master < 0 || !p.open || len(frame) == 0 || len(p.q.data)+len(frame) > p.q.limit {
		p.mu.Unlock()
		return p.Write(frame)
	}
	defer p.mu.Unlock()
	p.q.add(frame)
	p.stats.Deepest = max(p.stats.Deepest, len(p.q.data))
	p.stats.count(Queued, len(frame))
	if len(p.q.data) >= gatherMost {
		p.flush()
	}
	return Queued
}

// Flush hands over what was gathered.
func (p *ptyPort) Flush() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.master >= 0 && p.open {
		p.flush()
	}
}

func (p *ptyPort) flush() {
	p.pump()
	if !p.q.empty() {
		p.queued()
	}
}

// queued has the hub come by soon. Until then every Write passes on what it can;
// only when the gauge falls silent does the hub have to be told by the kernel that
// the host has read.
func (p *ptyPort) queued() {
	if at := p.hub.now() + int64(pumpFirst); p.due.Load() > at {
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
	if p.window-p.out < want {
		was := p.out
		if n, exact := p.recount(); exact && n == 0 && was > 0 {
			p.window = min(2*p.window, maxWindow)
		} else if n == was {
			p.window = window
		}
	}
	return p.window - p.out
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

// Unread is exact when it says that the host has read nothing, or everything. Between
// the two some bytes may be on their way to the host's read buffer, until the count has
// not changed for a while.
func (p *ptyPort) Unread() (int, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.master < 0 || !p.open {
		return 0, true
	}
	p.pump()
	n, exact := p.recount()
	if now := p.hub.now(); n == 0 || n == p.out {
		p.partly = partly{}
	} else if p.partly.n != n || p.partly.of != p.out {
		p.partly = partly{n, p.out, now}
		exact = false
	} else if now-p.partly.since < int64(arrivesIn) {
		exact = false
	}
	return len(p.q.data) + n, exact && p.out <= window && p.line.Lflag&unix.ICANON == 0
}

// Told asks the kernel too, for what the hub has not read yet, and whether the line has
// settings that the hub has not seen: no note tells of them, so it looks at once.
func (p *ptyPort) Told() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.telling.Load() {
		return false
	}
	if p.master < 0 {
		return true
	}
	fds := []unix.PollFd{{Fd: int32(p.master), Events: unix.POLLIN}}
	if n, err := unix.Poll(fds, 0); err == nil && n > 0 && fds[0].Revents&unix.POLLIN != 0 {
		return false
	}
	if p.settings() == nil {
		return true
	}
	p.due.Store(p.hub.now())
	p.hub.due(p.due.Load())
	return false
}

// settings are those of the line where they are not as last seen, else nil.
func (p *ptyPort) settings() *unix.Termios {
	if t, err := unix.IoctlGetTermios(p.master, unix.TCGETS2); err == nil && *t != p.line {
		return t
	}
	return nil
}

// takeBack empties the queue and reads back what the kernel still holds for the
// host, and returns how many bytes that was. Unlike a count it is exact: a read
// that finds nothing makes the kernel finish moving bytes and looks again. Only what a
// host waits for in a read, and has not got yet, nobody else can read: that is counted.
func (p *ptyPort) takeBack() int {
	lost, back := p.q.end(), 0
	left, _ := p.recount()
	p.out, p.window = 0, window
	var buf [4096]byte
	for p.peer >= 0 {
		n, err := unix.Read(p.peer, buf[:])
		if err == unix.EINTR {
			continue
		}
		if err != nil || n <= 0 {
			break
		}
		back += n
	}
	lost += max(back, left)
	p.stats.Unread += int64(lost)
	return lost
}

func (p *ptyPort) HangUp() (lost int, exact bool, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	exact = !p.open || p.peer >= 0
	lost, err = p.hangUp()
	return lost, exact, err
}

func (p *ptyPort) hangUp() (lost int, err error) {
	if p.released {
		return 0, ErrClosed
	}
	if p.master < 0 {
		return 0, ErrDown
	}
	// The name goes first: a host from which bytes are taken back that it was told of may
	// take the port for lost, and would open it again.
	err = unlink(p.real, p.path)
	if p.open {
		if t := p.settings(); t != nil { // the last moment to see them
			p.given = append(p.given, Event{Kind: Asked, Settings: settingsOf(t), Cooked: cooked(t)})
		}
		_, _, _ = rest(p.master) // or half a line cannot be counted in canonical mode
		lost = p.takeBack()
	}
	p.stats.HangUps++
	p.vanish()
	return lost, err
}

// vanish takes the pty away.
func (p *ptyPort) vanish() {
	p.hub.remove(p, p.master, p.watch)
	_ = unix.Close(p.master) // hangs up every host
	if p.peer >= 0 {
		_ = unix.Close(p.peer)
	}
	p.master, p.peer, p.open = -1, -1, false
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
	err := unlink(p.real, p.path)
	p.vanish()
	return err
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
