package stage

import (
	"sync"

	"example.org/understudy/sim/port"
)

// Inbox takes what comes to the stage from outside its loop: what hosts do at
// the ports, and acts by hand. It never blocks the sender. Make it before the
// ports, whose sinks it gives.
type Inbox struct {
	mu     sync.Mutex
	items  []inboxItem
	notify chan struct{}
}

type inboxItem struct {
	gauge int
	event port.Event
	call  func()
}

// NewInbox returns an empty inbox.
func NewInbox() *Inbox { return &Inbox{notify: make(chan struct{}, 1)} }

// Sink returns the sink for the port of a gauge of the cast.
func (in *Inbox) Sink(gauge int) func(port.Event) {
	return func(e port.Event) { in.put(inboxItem{gauge: gauge, event: e}) }
}

func (in *Inbox) put(it inboxItem) {
	in.mu.Lock()
	in.items = append(in.items, it)
	in.mu.Unlock()
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
	in.items = in.items[:0]
	return buf
}
