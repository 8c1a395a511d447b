// Package capture is a serial line that was listened to: the bytes of both
// directions, what happened to the port, and when. It is kept as pcapng and can
// be decoded by a dialect into the entries of a ledger.
package capture

import (
	"context"
	"fmt"
	"iter"
	"time"
)

// Kind says what an Event tells.
type Kind uint8

// Kinds of event.
const (
	FromGauge Kind = iota + 1 // Bytes came from the gauge
	FromHost                  // Bytes came from the host
	Opened                    // the host opened its port
	Closed                    // the host let go of its port
	Asked                     // the host set its line: Text is the settings
	Gone                      // the gauge went away, and the host's port with it
	Back                      // the gauge is back, and the host's port with it; Text is the port's name when it is a new one
	Break                     // the host sent a break
	Lines                     // the host moved its control lines, DTR and RTS
	Lost                      // bytes are missing here; Text says why
	Note                      // Text
)

var kindNames = [...]string{"", "from gauge", "from host", "opened", "closed", "asked", "gone", "back", "break", "lines", "lost", "note"}

func (k Kind) String() string {
	if int(k) < len(kindNames) && k > 0 {
		return kindNames[k]
	}
	return fmt.Sprintf("kind %d", uint8(k))
}

// Event is one thing that was heard or seen on a line.
type Event struct {
	At    time.Duration // since the capture began
	Line  int           // index in the capture's lines
	Kind  Kind
	Bytes []byte // FromGauge, FromHost
	Text  string
	DTR   bool // as the host had set them
	RTS   bool
}

// Line is one of the serial lines of a capture.
type Line struct {
	Name     string // of the gauge
	Settings string // such as 9600 8N1; "" when it is not known
	Baud     int    // 0 when it is not known
}

// Capture is a whole capture in memory.
type Capture struct {
	Began  time.Time
	Lines  []Line
	Events []Event // in the order of their times
}

// Of is the events of a line, until the context is done.
func (c *Capture) Of(ctx context.Context, line int) iter.Seq[Event] {
	return func(yield func(Event) bool) {
		for _, e := range c.Events {
			if e.Line == line && (ctx.Err() != nil || !yield(e)) {
				return
			}
		}
	}
}

// Span is the time from the beginning to the last event.
func (c *Capture) Span() time.Duration {
	if len(c.Events) == 0 {
		return 0
	}
	return c.Events[len(c.Events)-1].At
}
