package stage

import (
	"sync"
	"time"

	"example.org/understudy/sim/port"
)

// Inbox takes what comes to the stage from outside its loop: what hosts do at
// the ports, and acts by hand. A host that sends faster than the stage can serve
// is slowed down, so that what waits stays small. Make it before the ports, whose
// sinks it gives.
type Inbox struct {
	mu     sync.Mutex
	items  []inboxItem
	bytes  int           // of hosts, in items
	taken  chan struct{} // closed by the next take; nil when nobody waits for it
	left   bool          // somebody waited for a take in vain
	notify chan struct{}
}

const (
	// inboxRoom is how many bytes of hosts may wait before their ports do.
	inboxRoom = 4096
	// inboxPiece is how many bytes of a host are served at a stretch.
	inboxPiece = 512
	// inboxWait is how long a port waits at most: the loop may have ended.
	inboxWait = 100 * time.Millisecond
)

type inboxItem struct {
	gauge int
	event port.Event
	call  func()
}

// NewInbox returns an empty inbox.
func NewInbox() *Inbox { return &Inbox{notify: make(chan struct{}, 1)} }

// Sink returns the sink for the port of a gauge of the cast.
func (in *Inbox) Sink(gauge int) func(port.Event) {
	return func(e port.Event) {
		for len(e.Data) > inboxPiece && e.Kind == port.Received {
			first := e
			first.Data, e.Data = e.Data[:inboxPiece:inboxPiece], e.Data[inboxPiece:]
			in.put(inboxItem{gauge: gauge, event: first})
		}
		in.put(inboxItem{gauge: gauge, event: e})
	}
}

func (in *Inbox) put(it inboxItem) {
	in.mu.Lock()
	in.items = append(in.items, it)
	in.bytes += len(it.event.Data)
	var taken chan struct{}
	if in.bytes > inboxRoom && len(it.event.Data) > 0 && !in.left {
		if in.taken == nil {
			in.taken = make(chan struct{})
		}
		taken = in.taken
	}
	in.mu.Unlock()
	in.rouse()
	if taken != nil {
		timer := time.NewTimer(inboxWait)
		defer timer.Stop()
		select {
		case <-taken:
		case <-timer.C:
			in.mu.Lock()
			in.left = in.taken == taken
			in.mu.Unlock()
		}
	}
}

// rouse has the loop look into the inbox.
func (in *Inbox) rouse() {
	select {
	case in.notify <- struct{}{}:
	default:
	}
}

// take moves what has come to buf.
func (in *Inbox) take(buf []inboxItem) []inboxItem {
	in.mu.Lock()
	defer in.mu.Unlock()
	buf = append(buf[:0], in.items...)
	clear(in.items)
	in.items, in.bytes, in.left = in.items[:0], 0, false
	if in.taken != nil {
		close(in.taken)
		in.taken = nil
	}
	return buf
}
