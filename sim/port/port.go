// Package port is where a virtual gauge appears to host software: a
// pseudo-terminal, a raw TCP socket, or a Telnet COM port (RFC 2217).
//
// A port carries bytes and reports what the host does to the line. It knows
// nothing of gauges or dialects: it takes whole frames, says at once what
// became of each, and tells a sink what the host opened, asked for and sent.
//
// Every port obeys the same rules:
//
//   - Write never blocks. A host that does not read fills a bounded queue, and
//     from then on whole frames are dropped and counted, never parts of frames.
//   - What is written while no host has the port open is dropped, as a gauge on
//     an unplugged cable talks to nobody. The next host to open the port finds
//     no stale bytes.
//   - The line is raw from the first byte: no echo, no translation of line
//     ends, even when the host sets nothing.
//   - The events of one port reach the sink one at a time, in the order in which
//     they happened, from goroutines of the port.
package port

import (
	"errors"
	"fmt"
	"strings"
)

// DefaultBuffer is the room, in bytes, of a port's own queue when Config.Buffer is 0.
const DefaultBuffer = 4096

// ErrDown is returned by HangUp on a port that is already hung up or closed.
var ErrDown = errors.New("the port is already hung up")

// ErrUp is returned by Return on a port that is not hung up.
var ErrUp = errors.New("the port is not hung up")

// ErrClosed is returned by any change to a port after Close.
var ErrClosed = errors.New("the port is closed")

// Policy says which frame is lost when the queue is full.
type Policy uint8

const (
	// DropNewest refuses the frame that does not fit.
	DropNewest Policy = iota
	// DropOldest gives up queued frames, oldest first, until the new one fits.
	// A frame whose first bytes the host already has is never given up.
	DropOldest
)

// Config describes one port.
type Config struct {
	// Name is the stable name of the gauge's port: the symbolic link's name for
	// a pty. It has no path separator.
	Name string
	// Dir is the folder that holds the stable symbolic link of a pty. It exists.
	Dir string
	// Buffer is the room of the port's own queue in bytes; 0 means DefaultBuffer.
	// The kernel holds a little more: see OpenPTY.
	Buffer int
	// Full says what to lose when Buffer is used up.
	Full Policy
	// Line is what the gauge really runs at. A Telnet COM port starts with it
	// and answers with it when a client asks for the current value. A pty starts
	// at settings that no host asks for, so that every request is noticed; compare
	// what an Asked event carries with Line by Settings.Clash.
	Line Settings
	// Listen is the TCP address for OpenTCP and OpenRFC2217; "" means 127.0.0.1:0.
	Listen string
	// Hub is the watcher that serves this pty together with others. With nil the
	// pty has one of its own, which costs a goroutine and three descriptors.
	Hub *Hub
}

func (c Config) check() (Config, error) {
	if c.Name == "" || c.Name == "." || c.Name == ".." || strings.ContainsAny(c.Name, "/\x00") {
		return c, fmt.Errorf("port name %q: want a plain file name, with no slash", c.Name)
	}
	if c.Buffer < 0 {
		return c, fmt.Errorf("port %s: buffer %d bytes: want 0 (for %d) or more", c.Name, c.Buffer, DefaultBuffer)
	}
	if c.Buffer == 0 {
		c.Buffer = DefaultBuffer
	}
	if c.Full > DropOldest {
		return c, fmt.Errorf("port %s: unknown policy %d for a full queue", c.Name, c.Full)
	}
	return c, nil
}

// Kind says what an Event is about.
type Kind uint8

const (
	// Opened: a host has opened the port; before, nobody had it open.
	Opened Kind = iota + 1
	// Closed: the last host let go. Lost says how many bytes it left unread.
	Closed
	// Received: bytes from the host, in Data.
	Received
	// Asked: the host set the line. Settings is what it asks for now, and Cooked
	// what it makes the line do to the bytes on their way.
	Asked
	// Break: the host started (On) or ended a break condition.
	Break
	// Lines: the host moved a control line; Lines says how they stand now.
	Lines
	// Purged: the host threw away bytes that had not reached it; Lost counts them.
	Purged
	// Paused: the host asked the port to stop sending (On) or to go on.
	Paused
	// Dropped: a frame that Write had queued was given up for a newer one
	// (DropOldest). Data is the frame.
	Dropped
	// Room: after a frame was refused (DroppedFull) half of the queue or more is free
	// again.
	Room
	// Trouble: the transport failed or the far side broke its protocol; Err says how.
	Trouble
)

var kindNames = [...]string{"?", "opened", "closed", "received", "asked", "break", "lines", "purged", "paused", "dropped", "room", "trouble"}

func (k Kind) String() string {
	if int(k) < len(kindNames) {
		return kindNames[k]
	}
	return fmt.Sprintf("Kind(%d)", uint8(k))
}

// ControlLines are the lines that the host drives.
type ControlLines struct{ DTR, RTS bool }

// Event is one thing the host did to a port.
type Event struct {
	Kind     Kind
	Data     []byte       // Received, Dropped; the sink may keep it
	Settings Settings     // Asked
	Cooked   string       // Asked: what the host's line discipline alters, like "icanon echo"; "" when raw
	Lines    ControlLines // Lines
	On       bool         // Break, Paused
	Taken    int64        // Opened: bytes that the port had taken for hosts before
	Lost     int          // Closed, Purged: bytes that the host never read
	Inexact  bool         // Closed, Purged: more may be lost, in sockets
	Err      error        // Trouble
}

// Outcome says what became of a frame.
type Outcome uint8

const (
	// Sent: all of the frame is where the host can read it.
	Sent Outcome = iota + 1
	// Queued: the frame waits, whole or in part, for the host to read.
	Queued
	// DroppedFull: the host does not read and the queue has no room.
	DroppedFull
	// DroppedUnheard: nobody has the port open.
	DroppedUnheard
	// DroppedDown: the port is hung up.
	DroppedDown

	outcomes
)

var outcomeNames = [...]string{"?", "sent", "queued", "dropped-full", "dropped-unheard", "dropped-down"}

func (o Outcome) String() string {
	if int(o) < len(outcomeNames) {
		return outcomeNames[o]
	}
	return fmt.Sprintf("Outcome(%d)", uint8(o))
}

// Count is a number of frames and of the bytes in them.
type Count struct{ Frames, Bytes int64 }

func (c *Count) add(n int) { c.Frames++; c.Bytes += int64(n) }

// Stats counts what a port has carried since it was opened. Every frame that
// Write took is in exactly one of Sent, Queued, Full, Unheard and Down.
type Stats struct {
	Sent    Count // handed over at once
	Queued  Count // handed over later, or still waiting
	Full    Count // dropped for want of room
	Unheard Count // dropped because nobody had the port open
	Down    Count // dropped because the port was hung up

	Received int64 // bytes from the host
	Opens    int64 // times that a host opened the port
	HangUps  int64
	Unread   int64 // bytes that hosts left unread: at a close, a purge or a hang-up
	Deepest  int   // largest number of bytes in the queue so far
}

// Taken is the number of bytes that the port has taken for hosts.
func (s Stats) Taken() int64 { return s.Sent.Bytes + s.Queued.Bytes }

// Written is the number of frames and bytes that Write was given.
func (s Stats) Written() Count {
	var c Count
	for _, o := range []Count{s.Sent, s.Queued, s.Full, s.Unheard, s.Down} {
		c.Frames += o.Frames
		c.Bytes += o.Bytes
	}
	return c
}

func (s *Stats) count(o Outcome, n int) Outcome {
	switch o {
	case Sent:
		s.Sent.add(n)
	case Queued:
		s.Queued.add(n)
	case DroppedFull:
		s.Full.add(n)
	case DroppedUnheard:
		s.Unheard.add(n)
	case DroppedDown:
		s.Down.add(n)
	}
	return o
}

// Port is the gauge's side of a place that host software opens. Its methods may
// be called from any goroutine, and all but Close from within the sink too.
type Port interface {
	// Path is what the host is told to open: the stable symbolic link of a pty,
	// host:port for TCP, rfc2217://host:port for a Telnet COM port.
	Path() string
	// Real is what Path stands for now: /dev/pts/N for a pty, else the same as Path.
	Real() string
	// Name is what Return takes to bring another port back in this one's place.
	Name() string
	// Write hands one whole frame to the host. It never blocks and keeps no
	// reference to frame.
	Write(frame []byte) Outcome
	// Unread is the number of bytes written that the host has not read yet. When
	// exact is false more may wait where the port cannot see.
	Unread() (n int, exact bool)
	// HangUp takes the port away from under the host and returns how many bytes
	// it had not read, exact as for Unread. No Closed event follows. The error is ErrDown or ErrClosed,
	// or says that the symbolic link could not be removed; the port is down even so.
	HangUp() (lost int, exact bool, err error)
	// Return brings a port that is hung up back, under a new stable name when
	// name is not "" (an address, for TCP).
	Return(name string) error
	// Open says whether a host has the port open.
	Open() bool
	// Stats is a copy of the counts.
	Stats() Stats
	// Close gives the port up for good. After it returns the sink is not called
	// again. It must not be called from the sink.
	Close() error
}

// Gatherer is a port to which several frames in a row can be handed at the cost of
// one.
type Gatherer interface {
	// Gather is Write, but the frame may wait for Flush, Unread or the next Write.
	// Whoever gathers must flush before long.
	Gather(frame []byte) Outcome
	// Flush hands over what was gathered, as far as the host has made room.
	Flush()
}

// Negotiator is a port whose far side agrees on how to talk before it reads.
type Negotiator interface {
	// Negotiating says whether that goes on, or has gone on a moment ago.
	Negotiating() bool
}

// Clearer is a port whose client may throw away, without its being seen, what has come by
// the time it has set itself up (python3-serial 3.5, protocol_socket.py, open).
type Clearer interface{ Clears() bool }

// Teller is a port that knows whether all that its host has done is told. What a host
// that now waits has done before may still be on its way to the sink.
type Teller interface {
	// Told says whether the sink has what the host has sent so far.
	Told() bool
}

// Modem is a port whose far side is told how the lines stand that the gauge's side
// drives, and what its receiver reports of the line.
type Modem interface {
	SetModem(ModemLines)
	NotifyLine(LineState)
}
