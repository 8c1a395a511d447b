package tap

import (
	"errors"
	"slices"
	"sync"
	"time"

	"example.org/understudy/sim/port"
)

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
