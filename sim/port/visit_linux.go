package port

import (
	"math"

	"golang.org/x/sys/unix"
)

// service does what is due for the port and returns what to tell the sink. Only
// the hub's goroutine calls it. buf is room to read into.
func (p *ptyPort) service(now int64, buf []byte) []Event {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.telling.Store(true)
	v := visit{p, now, p.given}
	p.given, p.readable = nil, false
	if p.master < 0 {
		p.notes = nil
		p.due.Store(math.MaxInt64)
		return v.events
	}
	v.consume()
	if p.confirm != 0 && p.confirm <= now {
		p.confirm = 0
		v.check()
	}
	more := v.receive(buf)
	for more && p.closing { // whoever sent it is gone: it ends
		more = v.receive(buf)
	}
	v.look()
	if p.closing {
		v.clear()
	}

	due := int64(math.MaxInt64)
	if p.open {
		p.pump()
		v.events = append(v.events, p.q.room()...)
		p.armed(!p.q.empty())
		due = now + int64(openLook)
		if now < p.youngUntil {
			due = now + int64(youngLook)
		}
		if p.pumping {
			due = min(due, now+int64(pumpLook))
		}
		if p.closing {
			due = min(due, now+int64(closeLook))
		}
	}
	if p.confirm != 0 {
		due = min(due, p.confirm)
	}
	if more {
		due = now
	}
	p.due.Store(due)
	return v.events
}

// visit is one run of service: it gathers what is to be told.
type visit struct {
	*ptyPort
	now    int64
	events []Event
}

func (v *visit) tell(e Event) { v.events = append(v.events, e) }

// fresh fetches notes from the kernel and consumes them. What a host does after it
// has opened the line is never seen before its opening if fresh comes between.
func (v *visit) fresh() {
	v.hub.takeNotes()
	v.consume()
}

// consume follows the openings and closings that inotify has told of.
func (v *visit) consume() {
	notes := v.notes
	v.notes = nil
	for _, n := range notes {
		switch {
		case n.mask&unix.IN_Q_OVERFLOW != 0: // notes are lost, our own perhaps among them
			v.ownOpens, v.ownCloses = 0, 0
			v.confirm = v.now
		case n.watch != int32(v.watch):
		case n.mask&unix.IN_OPEN != 0 && v.ownOpens > 0:
			v.ownOpens--
		case n.mask&unix.IN_CLOSE_NOWRITE != 0 && v.ownCloses > 0:
			v.ownCloses--
		case n.mask&unix.IN_OPEN != 0:
			again := v.closing && v.opens == 0
			v.opens++
			v.doubt = false
			v.opened(again)
		case n.mask&unix.IN_CLOSE != 0:
			v.opens = max(0, v.opens-1)
			v.closing, v.succeeded = v.open, false
			v.confirm = v.now + int64(confirmAfter)
		}
	}
}

// opened notes that a host has the line; again says that another had it just now
// and has closed it.
func (v *visit) opened(again bool) {
	if again {
		// The line was not cleared between them. What settings are in force may be the
		// new host's, so they stay.
		v.closed(v.takeBack())
	}
	if v.open {
		return
	}
	v.open = true
	v.youngUntil = v.now + int64(youngFor)
	v.stats.Opens++
	v.tell(Event{Kind: Opened, Taken: v.stats.Taken()})
	if again {
		v.inForce()
	}
}

func (v *visit) closed(lost int) {
	v.open, v.closing, v.succeeded = false, false, false
	v.tell(Event{Kind: Closed, Lost: lost})
}

// inForce tells the settings, changed or not.
func (v *visit) inForce() {
	if t, err := unix.IoctlGetTermios(v.master, unix.TCGETS2); err == nil {
		v.line = *t
	}
	v.tell(Event{Kind: Asked, Settings: settingsOf(&v.line), Cooked: cooked(&v.line)})
}

// clear leaves the line as the next host must find it, after the last has gone.
func (v *visit) clear() {
	v.fresh()
	if !v.closing {
		return
	}
	if v.probe() {
		// A host is there. If the count says so, it was there before. Otherwise it has
		// come now and its note is here, or on its way, or lost: see check.
		v.closing = v.opens == 0
		v.succeeded = v.closing
		v.fresh()
		return
	}
	v.opens = 0
	before, line, err := rest(v.master) // before takeBack, or half a line stays behind in canonical mode
	v.closed(v.takeBack())
	if err != nil {
		return
	}
	v.line = line
	v.fresh()
	if !v.open {
		return
	}
	// A host came in that very moment. If its settings were overwritten, give them
	// back; a host that has set none cannot tell.
	if t, err := unix.IoctlGetTermios(v.master, unix.TCGETS2); err == nil && *t == line {
		_ = unix.IoctlSetTermios(v.master, unix.TCSETS2, &before)
	}
	v.inForce()
}

// receive reads what the host has sent and says whether more is waiting.
func (v *visit) receive(buf []byte) (more bool) {
	for range readsAtOnce {
		n, err := unix.Read(v.master, buf)
		if err == unix.EINTR {
			continue
		}
		if err != nil || n <= 0 {
			return false
		}
		// After the read: openings and settings that the host made before any of these
		// bytes are known by now and are told first.
		v.fresh()
		v.look()
		v.surely()
		v.stats.Received += int64(n)
		v.tell(Event{Kind: Received, Data: append([]byte(nil), buf[:n]...)})
	}
	return true
}

// surely is for what only a host can have done. If none is known, or only one that
// has closed, the note of its opening was lost: inotify may merge it with that of
// our own when both happen at the same instant.
func (v *visit) surely() {
	if !v.open || v.succeeded {
		v.opens = max(1, v.opens)
		v.opened(v.succeeded)
	}
}

// look tells of new line settings, if any.
func (v *visit) look() {
	t := v.settings()
	if t == nil {
		return
	}
	if v.fresh(); *t == v.line {
		return // told already, with the opening
	}
	if v.surely(); *t == v.line {
		return
	}
	v.line = *t
	v.youngUntil = v.now + int64(youngFor)
	v.tell(Event{Kind: Asked, Settings: settingsOf(t), Cooked: cooked(t)})
}

// check compares the count of openings with what probe finds.
func (v *visit) check() {
	v.fresh()
	held := v.probe()
	if !held && v.open {
		v.opens, v.closing = 0, true
	}
	v.fresh()
	if held && v.opens == 0 {
		// A host has the line and its note has not come. Notes come a little after
		// the opening; this one is given until the next check.
		if v.doubt {
			v.opens, v.closing, v.succeeded = 1, false, false
			v.opened(false)
		}
		v.doubt = !v.doubt
		v.confirm = v.now + int64(confirmAfter)
	}
	if v.peer < 0 {
		v.confirm = v.now + int64(confirmAfter) // try again
	}
}

// probe says whether a host has the line open: it lets the peer go for a moment,
// when a pty that nobody else has open reports a hang-up at its master. If there is
// no host the line is no longer exclusive afterwards.
func (v *visit) probe() (held bool) {
	exclusive := false
	if v.peer >= 0 {
		if n, err := unix.IoctlGetInt(v.peer, unix.TIOCGEXCL); err == nil && n != 0 {
			// It would keep us from opening the peer again, and outlives its owner.
			exclusive = unix.IoctlSetInt(v.peer, unix.TIOCNXCL, 0) == nil
		}
		_ = unix.Close(v.peer)
		v.peer = -1
		v.ownCloses++
	}
	fds := []unix.PollFd{{Fd: int32(v.master)}}
	_, err := unix.Poll(fds, 0)
	held = err != nil || fds[0].Revents&unix.POLLHUP == 0
	if peer, err := openPeer(v.master); err == nil {
		v.peer = peer
		v.ownOpens++
		if held && exclusive {
			_ = unix.IoctlSetInt(v.peer, unix.TIOCEXCL, 0)
		}
	}
	return held
}
