//go:build darwin || dragonfly || freebsd || netbsd || openbsd

package port

import (
	"fmt"
	"path/filepath"
	"sync"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// Hub would watch ptys together; on this system each has its own goroutine.
type Hub struct{}

// NewHub returns a Hub that does nothing.
func NewHub() (*Hub, error) { return &Hub{}, nil }

// Close does nothing.
func (*Hub) Close() error { return nil }

// lookEvery is how often a pty is looked at when nothing comes in.
const lookEvery = 5 // milliseconds

type ptyPort struct {
	cfg  Config
	sink func(Event)
	wg   sync.WaitGroup

	mu       sync.Mutex
	path     string
	real     string
	master   int // -1 while hung up
	host     int // the host's side, held open so that settings can be seen
	life     int // counts appearances
	line     unix.Termios
	q        queue
	given    []Event
	stats    Stats
	released bool
}

// OpenPTY makes a pseudo-terminal with a stable symbolic link <Dir>/<Name>. The
// sink is called from the pty's own goroutine and must not block for long.
//
// On this system less can be seen than on Linux: a host's opening and closing
// cannot, so the port counts as open from the start (one Opened event) until it is
// hung up, nothing is flushed between two hosts, and what the kernel holds unread
// is not counted. Only building and vetting is tested here.
func OpenPTY(cfg Config, sink func(Event)) (Port, error) {
	cfg, err := cfg.checkPTY()
	if err != nil {
		return nil, err
	}
	p := &ptyPort{cfg: cfg, sink: sink, master: -1, host: -1, q: queue{limit: cfg.Buffer, policy: cfg.Full}}
	if err := p.appear(cfg.Name); err != nil {
		return nil, err
	}
	return p, nil
}

func (p *ptyPort) appear(name string) (err error) {
	m, s, err := pty.Open()
	if err != nil {
		return fmt.Errorf("port %s: no pseudo-terminal: %w", name, err)
	}
	defer m.Close()
	defer s.Close()
	master, err := unix.FcntlInt(m.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		return fmt.Errorf("port %s: %w", name, err)
	}
	host, err := unix.FcntlInt(s.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		_ = unix.Close(master)
		return fmt.Errorf("port %s: %w", name, err)
	}
	path := filepath.Join(p.cfg.Dir, name)
	line, err := rest(host)
	if err == nil {
		err = unix.SetNonblock(master, true)
	}
	if err == nil {
		err = link(s.Name(), path)
	}
	if err != nil {
		_ = unix.Close(master)
		_ = unix.Close(host)
		return fmt.Errorf("port %s: %w", name, err)
	}
	p.path, p.real, p.master, p.host, p.line = path, s.Name(), master, host, line
	p.life++
	p.stats.Opens++
	p.given = append(p.given, Event{Kind: Opened, Taken: p.stats.Taken()})
	p.wg.Add(1)
	go p.run(p.life, master)
	return nil
}

// rest makes the line raw.
func rest(host int) (unix.Termios, error) {
	t, err := unix.IoctlGetTermios(host, unix.TIOCGETA)
	if err != nil {
		return unix.Termios{}, err
	}
	t.Iflag, t.Oflag, t.Lflag = 0, 0, 0
	t.Cflag = unix.CS8 | unix.CREAD | unix.CLOCAL
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	return *t, unix.IoctlSetTermios(host, unix.TIOCSETA, t)
}

func (p *ptyPort) run(life, master int) {
	defer p.wg.Done()
	defer unix.Close(master) // here, so that the number is not taken by another file while we wait on it
	buf := make([]byte, 4096)
	for {
		_, _ = unix.Poll([]unix.PollFd{{Fd: int32(master), Events: unix.POLLIN}}, lookEvery)
		p.mu.Lock()
		events := p.given
		p.given = nil
		up := p.life == life && p.master >= 0
		if up {
			n, err := unix.Read(master, buf)
			if t, err := unix.IoctlGetTermios(p.host, unix.TIOCGETA); err == nil && *t != p.line {
				p.line = *t
				events = append(events, Event{Kind: Asked, Settings: settingsOf(t), Cooked: cooked(t)})
			}
			if err == nil && n > 0 {
				p.stats.Received += int64(n)
				events = append(events, Event{Kind: Received, Data: append([]byte(nil), buf[:n]...)})
			}
			p.pump()
			events = append(events, p.q.room()...)
		}
		p.mu.Unlock()
		for _, e := range events {
			p.sink(e)
		}
		if !up {
			return
		}
	}
}

// settingsOf reads what this system's termios shows of a line's settings.
func settingsOf(t *unix.Termios) Settings {
	s := Settings{Baud: int(t.Ospeed), Stop: StopOne, Flow: FlowNone, Parity: ParityNone}
	switch t.Cflag & unix.CSIZE {
	case unix.CS5:
		s.Data = 5
	case unix.CS6:
		s.Data = 6
	case unix.CS7:
		s.Data = 7
	case unix.CS8:
		s.Data = 8
	}
	if t.Cflag&unix.PARENB != 0 {
		s.Parity = ParityEven
		if t.Cflag&unix.PARODD != 0 {
			s.Parity = ParityOdd
		}
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

func (p *ptyPort) put(b []byte) int {
	n, err := unix.Write(p.master, b)
	if err != nil || n < 0 {
		return 0
	}
	return n
}

func (p *ptyPort) pump() {
	if !p.q.empty() {
		p.q.took(p.put(p.q.data))
	}
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
	return p.master >= 0
}

func (p *ptyPort) Stats() Stats {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.stats
}

func (p *ptyPort) Write(frame []byte) Outcome {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.master < 0 {
		return p.stats.count(DroppedDown, len(frame))
	}
	p.pump()
	o, gaveUp := p.q.offer(frame, func(want int) int { return want }, p.put, &p.stats)
	p.given = append(p.given, gaveUp...)
	return o
}

func (p *ptyPort) Unread() (int, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return len(p.q.data), false
}

func (p *ptyPort) HangUp() (lost int, exact bool, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.released {
		return 0, true, ErrClosed
	}
	if p.master < 0 {
		return 0, true, ErrDown
	}
	p.stats.HangUps++
	lost, err = p.vanish()
	return lost, false, err
}

func (p *ptyPort) vanish() (lost int, err error) {
	lost = p.q.end()
	p.stats.Unread += int64(lost)
	err = unlink(p.real, p.path)
	_ = unix.Close(p.host)
	p.master, p.host = -1, -1 // run closes the master
	return lost, err
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

func (p *ptyPort) Close() (err error) {
	p.mu.Lock()
	if !p.released {
		p.released = true
		if p.master >= 0 {
			_, err = p.vanish()
		}
	}
	p.mu.Unlock()
	p.wg.Wait()
	return err
}
