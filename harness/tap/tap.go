// Package tap stands between a real serial device and the host that uses it: it
// passes bytes both ways, sets the device's line as the host asks, and tells
// everything it hears with its time.
package tap

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"example.org/understudy/harness/capture"
	"example.org/understudy/sim/port"
)

// Device is the open device behind a tap. Close makes a Read that waits return.
type Device interface {
	io.ReadWriteCloser
	Set(port.Settings) error       // fields that are not known stay as they are
	Lines(port.ControlLines) error // what the host drives
	Break() error                  // one break, as long as the device makes it
}

// Config describes a tap.
type Config struct {
	// Device opens the device; it is called again when the device has gone away.
	Device func() (Device, error)
	// Port opens the host's side.
	Port func(sink func(port.Event)) (port.Port, error)
	// Record takes every event, in order and from one goroutine. An error of it
	// ends the run.
	Record func(capture.Event) error
	// Retry is how often a device that has gone away is tried again; 0 means
	// 250 ms.
	Retry time.Duration
}

// Tap is a tap that is ready to run.
type Tap struct {
	cfg  Config
	port port.Port
	dev  *session

	mu     sync.Mutex
	items  []item
	notify chan struct{}

	began time.Time
	lines port.ControlLines
	line  port.Settings // as the host asked last
}

// item is what comes to the loop from outside.
type item struct {
	at    time.Time
	event port.Event
	from  *session // of bytes or an end of a device; nil of a port event
	data  []byte
	err   error
	ended bool // the device has gone away
}

// Open opens the device and then the host's port, in this order, so that a host
// never sees the port of a device that is not there.
func Open(cfg Config) (*Tap, error) {
	cfg.Retry = cmp.Or(cfg.Retry, 250*time.Millisecond)
	t := &Tap{cfg: cfg, notify: make(chan struct{}, 1), began: time.Now()}
	if err := t.connect(); err != nil {
		return nil, err
	}
	var err error
	if t.port, err = cfg.Port(func(e port.Event) { t.put(item{event: e}) }); err != nil {
		t.dev.close()
		return nil, err
	}
	return t, nil
}

// Path is what the host opens.
func (t *Tap) Path() string { return t.port.Path() }

// Began is when the tap began; the times of its events count from then.
func (t *Tap) Began() time.Time { return t.began }

// Port is the host's side.
func (t *Tap) Port() port.Port { return t.port }

func (t *Tap) put(it item) {
	it.at = time.Now()
	t.mu.Lock()
	t.items = append(t.items, it)
	t.mu.Unlock()
	select {
	case t.notify <- struct{}{}:
	default:
	}
}

// record enters an event that happened at a time.
func (t *Tap) record(at time.Time, e capture.Event) error {
	e.At, e.DTR, e.RTS = max(0, at.Sub(t.began)), t.lines.DTR, t.lines.RTS
	return t.cfg.Record(e)
}

// Run passes bytes until ctx is done. It closes the device and the port.
func (t *Tap) Run(ctx context.Context) (err error) {
	defer func() {
		if t.dev != nil {
			t.dev.close()
		}
		err = errors.Join(err, t.port.Close())
	}()
	if err := t.record(t.began, capture.Event{Kind: capture.Note, Text: "the tap begins"}); err != nil {
		return err
	}
	var again <-chan time.Time // to try the device
	for {
		select {
		case <-ctx.Done():
			return t.take() // what has come until now
		case <-t.notify:
			if err := t.take(); err != nil {
				return err
			}
		case <-again:
			if t.connect() == nil {
				if err := t.back(); err != nil {
					return err
				}
			}
		}
		again = nil
		if t.dev == nil {
			again = time.After(t.cfg.Retry)
		}
	}
}

// back brings the host's port back after the device.
func (t *Tap) back() error {
	if t.line != (port.Settings{}) {
		line := t.line
		t.dev.do(job{set: &line})
	}
	if err := t.port.Return(""); err != nil {
		return fmt.Errorf("the host's port does not come back: %w", err)
	}
	return t.record(time.Now(), capture.Event{Kind: capture.Back})
}

func (t *Tap) take() error {
	t.mu.Lock()
	items := t.items
	t.items = nil
	t.mu.Unlock()
	for _, it := range items {
		if err := t.one(it); err != nil {
			return err
		}
	}
	return nil
}

func (t *Tap) one(it item) error {
	switch {
	case it.from == nil:
		return t.host(it.at, it.event)
	case it.from != t.dev: // of a device that has been given up
		return nil
	case it.ended:
		t.dev.close()
		t.dev = nil
		if _, _, err := t.port.HangUp(); err != nil {
			return err
		}
		return t.record(it.at, capture.Event{Kind: capture.Gone, Text: it.err.Error()})
	case it.err != nil:
		return t.record(it.at, capture.Event{Kind: capture.Note, Text: it.err.Error()})
	}
	if err := t.record(it.at, capture.Event{Kind: capture.FromGauge, Bytes: it.data}); err != nil {
		return err
	}
	if t.port.Write(it.data) == port.DroppedFull {
		return t.record(it.at, capture.Event{Kind: capture.Lost, Text: fmt.Sprintf("the host does not read: %d bytes did not reach it", len(it.data))})
	}
	return nil
}

// host passes on what the host does.
func (t *Tap) host(at time.Time, e port.Event) error {
	c := capture.FromPort(e)
	var j job
	switch e.Kind {
	case port.Received:
		j.write = e.Data
	case port.Asked:
		j.set, t.line = &e.Settings, e.Settings
	case port.Lines:
		j.lines, t.lines = &e.Lines, e.Lines
	case port.Break:
		if j.brk = e.On; !e.On {
			return nil
		}
	}
	if j.write != nil || j.set != nil || j.lines != nil || j.brk {
		if t.dev == nil || !t.dev.do(j) {
			if err := t.record(at, c); err != nil {
				return err
			}
			c = capture.Event{Kind: capture.Lost, Text: "the device does not take what the host sends"}
		}
	}
	return t.record(at, c)
}
