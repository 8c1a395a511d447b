package tap

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"example.org/understudy/sim/port"
	"go.bug.st/serial"
)

// OpenSerial opens a serial device of this machine with line settings, of which
// at least the speed is known.
func OpenSerial(path string, line port.Settings) (Device, error) {
	d := &device{line: line}
	p, err := serial.Open(path, d.mode())
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	d.Port = p
	return d, nil
}

// device is a serial device of this machine.
type device struct {
	serial.Port
	line port.Settings
}

func (d *device) mode() *serial.Mode {
	m := &serial.Mode{BaudRate: d.line.Baud, DataBits: 8}
	if d.line.Data != 0 {
		m.DataBits = d.line.Data
	}
	m.Parity = map[port.Parity]serial.Parity{port.ParityOdd: serial.OddParity, port.ParityEven: serial.EvenParity, port.ParityMark: serial.MarkParity, port.ParitySpace: serial.SpaceParity}[d.line.Parity]
	m.StopBits = map[port.Stop]serial.StopBits{port.StopOneHalf: serial.OnePointFiveStopBits, port.StopTwo: serial.TwoStopBits}[d.line.Stop]
	return m
}

func (d *device) Set(s port.Settings) error {
	if s.Baud != 0 {
		d.line.Baud = s.Baud
	}
	if s.Data != 0 {
		d.line.Data = s.Data
	}
	if s.Parity != port.ParityUnknown {
		d.line.Parity = s.Parity
	}
	if s.Stop != port.StopUnknown {
		d.line.Stop = s.Stop
	}
	if err := d.SetMode(d.mode()); err != nil {
		return fmt.Errorf("the device cannot be set to %s: %w", s, err)
	}
	return nil
}

func (d *device) Lines(l port.ControlLines) error {
	if err := d.SetDTR(l.DTR); err != nil {
		return fmt.Errorf("the device's DTR cannot be set: %w", err)
	}
	if err := d.SetRTS(l.RTS); err != nil {
		return fmt.Errorf("the device's RTS cannot be set: %w", err)
	}
	return nil
}

func (d *device) Break() error { return d.Port.Break(250 * time.Millisecond) }

// session is a device while it is there. One goroutine reads it and one does
// what the host wants of it, because either may have to wait.
type session struct {
	dev  Device
	jobs chan job
	stop chan struct{}
	wg   sync.WaitGroup // the reader
	done chan struct{}  // closed by the writer
}

// job is one thing the host wants of the device.
type job struct {
	write []byte
	set   *port.Settings
	lines *port.ControlLines
	brk   bool
}

// maxJobs bounds what waits for a device that takes nothing.
const maxJobs = 1024

func (t *Tap) connect() error {
	dev, err := t.cfg.Device()
	if err != nil {
		return err
	}
	s := &session{dev: dev, jobs: make(chan job, maxJobs), stop: make(chan struct{}), done: make(chan struct{})}
	t.dev = s
	s.wg.Add(1)
	go func() {
		defer s.wg.Done()
		buf := make([]byte, 4096)
		for {
			n, err := dev.Read(buf)
			if n > 0 {
				t.put(item{from: s, data: slices.Clone(buf[:n])})
			}
			if err != nil {
				t.put(item{from: s, err: err, ended: true})
				return
			}
			select {
			case <-s.stop:
				return
			default:
			}
		}
	}()
	go func() {
		defer close(s.done)
		for {
			select {
			case <-s.stop:
				return
			case j := <-s.jobs:
				if err := j.on(dev); err != nil {
					t.put(item{from: s, err: err})
				}
			}
		}
	}()
	return nil
}

// do has the device do something, in its turn; false when too much waits.
func (s *session) do(j job) bool {
	select {
	case s.jobs <- j:
		return true
	default:
		return false
	}
}

func (j job) on(dev Device) error {
	switch {
	case j.set != nil:
		return dev.Set(*j.set)
	case j.lines != nil:
		return dev.Lines(*j.lines)
	case j.brk:
		return dev.Break()
	}
	for p := j.write; len(p) > 0; {
		n, err := dev.Write(p)
		if err == nil && n == 0 {
			err = errors.New("the device takes no bytes")
		}
		if err != nil {
			return err
		}
		p = p[n:]
	}
	return nil
}

func (s *session) close() {
	close(s.stop)
	_ = s.dev.Close() // a device that has gone away cannot be closed well
	s.wg.Wait()
	// A write that the device's flow control holds up does not end with the
	// device's being closed; nothing can be done about it.
	select {
	case <-s.done:
	case <-time.After(time.Second):
	}
}
