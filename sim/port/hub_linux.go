package port

import (
	"encoding/binary"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sys/unix"
)

// Hub watches any number of ptys from one goroutine: 1,000 gauges cost one epoll
// descriptor, one inotify descriptor and one wake-up descriptor between them.
// The sinks of all ptys of a hub are called from that goroutine.
type Hub struct {
	epoll, notify, wake int

	mu      sync.Mutex
	ports   []*ptyPort
	byWatch map[int32]*ptyPort
	byFD    map[int32]*ptyPort
	waiting []chan struct{} // see settle
	work    []*ptyPort      // to be served next
	closed  bool            // takes no more ports
	quit    bool            // the watcher ends
	notes   []byte          // room to read notes into

	sleepUntil atomic.Int64 // what now returns when the watcher next looks by itself
	began      time.Time
	done       chan struct{}
}

// note is one thing that inotify said about the host's side of a pty.
type note struct {
	watch int32
	mask  uint32
}

// NewHub starts a watcher. Close ends it.
func NewHub() (*Hub, error) {
	h := &Hub{
		epoll: -1, notify: -1, wake: -1,
		byWatch: map[int32]*ptyPort{},
		byFD:    map[int32]*ptyPort{},
		notes:   make([]byte, 16<<10),
		began:   time.Now(),
		done:    make(chan struct{}),
	}
	var err error
	if h.epoll, err = unix.EpollCreate1(unix.EPOLL_CLOEXEC); err != nil {
		return nil, fmt.Errorf("watch ptys: epoll: %w", err)
	}
	if h.notify, err = unix.InotifyInit1(unix.IN_NONBLOCK | unix.IN_CLOEXEC); err != nil {
		h.shut()
		return nil, fmt.Errorf("watch ptys: inotify: %w (the limit is fs.inotify.max_user_instances)", err)
	}
	if h.wake, err = unix.Eventfd(0, unix.EFD_NONBLOCK|unix.EFD_CLOEXEC); err != nil {
		h.shut()
		return nil, fmt.Errorf("watch ptys: eventfd: %w", err)
	}
	for _, fd := range []int{h.notify, h.wake} {
		if err := h.watch(fd, unix.EPOLLIN); err != nil {
			h.shut()
			return nil, err
		}
	}
	go h.run()
	return h, nil
}

func (h *Hub) watch(fd int, events uint32) error {
	ev := unix.EpollEvent{Events: events, Fd: int32(fd)}
	if err := unix.EpollCtl(h.epoll, unix.EPOLL_CTL_ADD, fd, &ev); err != nil {
		return fmt.Errorf("watch ptys: epoll: %w", err)
	}
	return nil
}

func (h *Hub) shut() {
	for _, fd := range []int{h.epoll, h.notify, h.wake} {
		if fd >= 0 {
			_ = unix.Close(fd)
		}
	}
}

// Close closes every pty that is still open and ends the watcher. It must not be
// called from a sink.
func (h *Hub) Close() error {
	h.mu.Lock()
	if h.closed {
		h.mu.Unlock()
		return nil
	}
	h.closed = true
	open := append([]*ptyPort(nil), h.ports...)
	h.mu.Unlock()
	var first error
	for _, p := range open {
		if err := p.release(); err != nil && first == nil {
			first = err
		}
	}
	h.mu.Lock()
	h.quit = true
	h.mu.Unlock()
	h.rouse()
	<-h.done
	h.shut()
	return first
}

func (h *Hub) now() int64 { return int64(time.Since(h.began)) }

// rouse makes the watcher look at once.
func (h *Hub) rouse() {
	var one [8]byte
	binary.NativeEndian.PutUint64(one[:], 1)
	_, _ = unix.Write(h.wake, one[:]) // EAGAIN means that it is already roused
}

// due asks for service at a time, waking the watcher if it would sleep past it.
func (h *Hub) due(at int64) {
	if h.sleepUntil.Load() > at {
		h.rouse()
	}
}

// settle returns when the watcher has finished what it was doing, so that no sink
// of a port released before is running or will run.
func (h *Hub) settle() {
	ack := make(chan struct{})
	h.mu.Lock()
	if !h.quit { // else there may be nothing left to rouse
		h.waiting = append(h.waiting, ack)
		h.rouse()
	}
	h.mu.Unlock()
	select {
	case <-ack:
	case <-h.done:
	}
}

func (h *Hub) run() {
	defer close(h.done)
	events := make([]unix.EpollEvent, 256)
	buf := make([]byte, 16<<10)
	var work []*ptyPort
	for {
		// Whoever makes a port due while we look for the next time rouses us.
		h.sleepUntil.Store(math.MaxInt64)
		next := int64(math.MaxInt64)
		h.mu.Lock()
		for _, p := range h.ports {
			next = min(next, p.due.Load())
		}
		h.mu.Unlock()
		h.sleepUntil.Store(next)
		timeout := -1
		if len(h.work) > 0 {
			timeout = 0
		} else if next != math.MaxInt64 {
			// Round up: waking early would only spin until the time has come.
			timeout = int(max(0, (next-h.now()+int64(time.Millisecond)-1)/int64(time.Millisecond)))
		}
		n, err := unix.EpollWait(h.epoll, events, timeout)
		h.sleepUntil.Store(0)
		if err != nil && err != unix.EINTR {
			return // the descriptor is broken: nothing can be watched any more
		}

		h.mu.Lock()
		waiting, quit := h.waiting, h.quit
		h.waiting = nil
		for _, ev := range events[:max(n, 0)] {
			if int(ev.Fd) == h.wake {
				_, _ = unix.Read(h.wake, buf[:8])
			} else if p := h.byFD[ev.Fd]; p != nil {
				p.readable = true
				h.pick(p)
			}
		}
		// Openings are read after epoll has reported data and before the data is
		// read: a host opens before it writes, so its opening is always seen first.
		h.readNotes()
		now := h.now()
		if next <= now {
			for _, p := range h.ports {
				if p.due.Load() <= now {
					h.pick(p)
				}
			}
		}
		h.mu.Unlock()
		for _, ack := range waiting {
			close(ack)
		}
		if quit {
			return
		}
		work, h.work = h.work, work[:0] // serving may pick more, for the next round
		for i, p := range work {
			work[i] = nil
			for _, ev := range p.service(now, buf) {
				p.sink(ev)
			}
			p.telling.Store(false)
			p.picked = false
		}
	}
}

// pick has a port served soon. Only the watcher's goroutine calls it. What comes up
// for a port while it is served it sees itself.
func (h *Hub) pick(p *ptyPort) {
	if !p.picked {
		p.picked = true
		h.work = append(h.work, p)
	}
}

// readNotes sorts what inotify has to say by port. The caller holds h.mu.
func (h *Hub) readNotes() {
	for {
		n, err := unix.Read(h.notify, h.notes)
		if err != nil || n < unix.SizeofInotifyEvent {
			return
		}
		for b := h.notes[:n]; len(b) >= unix.SizeofInotifyEvent; {
			at := note{int32(binary.NativeEndian.Uint32(b)), binary.NativeEndian.Uint32(b[4:])}
			b = b[unix.SizeofInotifyEvent+int(binary.NativeEndian.Uint32(b[12:])):]
			if at.mask&unix.IN_Q_OVERFLOW != 0 {
				for _, p := range h.ports {
					p.notes = append(p.notes, at)
					h.pick(p)
				}
			} else if p := h.byWatch[at.watch]; p != nil {
				p.notes = append(p.notes, at)
				h.pick(p)
			}
		}
	}
}

func (h *Hub) takeNotes() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.readNotes()
}

// add begins to watch the pty whose master is fd and whose host side is at real.
func (h *Hub) add(p *ptyPort, fd int, real string) (watch int, err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return -1, ErrClosed
	}
	// inotify merges a note into the one before it when the two are equal, and two
	// openings would count as one. Watching the folder as well makes every opening
	// give two different notes, of which the folder's are ignored, so that no two
	// equal ones follow each other.
	const events = unix.IN_OPEN | unix.IN_CLOSE
	if _, err = unix.InotifyAddWatch(h.notify, filepath.Dir(real), events); err == nil {
		watch, err = unix.InotifyAddWatch(h.notify, real, events)
	}
	if err != nil {
		return -1, fmt.Errorf("watch %s: inotify: %w (the limit is fs.inotify.max_user_watches)", real, err)
	}
	if err := h.watch(fd, unix.EPOLLIN|unix.EPOLLET); err != nil {
		_, _ = unix.InotifyRmWatch(h.notify, uint32(watch))
		return -1, err
	}
	h.ports = append(h.ports, p)
	h.byWatch[int32(watch)] = p
	h.byFD[int32(fd)] = p
	return watch, nil
}

// arm has the watcher wake up, or not, when the host has read from a pty.
func (h *Hub) arm(fd int, on bool) {
	ev := unix.EpollEvent{Events: unix.EPOLLIN | unix.EPOLLET, Fd: int32(fd)}
	if on {
		ev.Events |= unix.EPOLLOUT
	}
	_ = unix.EpollCtl(h.epoll, unix.EPOLL_CTL_MOD, fd, &ev)
}

// remove stops watching; the caller still owns fd.
func (h *Hub) remove(p *ptyPort, fd, watch int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.ports = slices.DeleteFunc(h.ports, func(q *ptyPort) bool { return q == p })
	delete(h.byWatch, int32(watch))
	delete(h.byFD, int32(fd))
	_, _ = unix.InotifyRmWatch(h.notify, uint32(watch))
	_ = unix.EpollCtl(h.epoll, unix.EPOLL_CTL_DEL, fd, nil)
}
