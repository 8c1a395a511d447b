package replay

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"example.org/understudy/harness/capture"
	"example.org/understudy/sim/port"
)

// Config describes a replay.
type Config struct {
	Script   *Script
	Patience time.Duration
	// Port opens the gauge's port.
	Port func(sink func(port.Event)) (port.Port, error)
	// Record, if set, takes what happens, from one goroutine. An error of it
	// ends the replay.
	Record func(capture.Event) error
	// Ends makes Run return when the timeline has ended and the host has read it,
	// instead of answering on.
	Ends bool
}

// Server is a replay that is ready to run.
type Server struct {
	cfg    Config
	port   port.Port
	player *Player
	began  time.Time
	down   bool
	opens  int64 // how often hosts had opened the port when it came back; −1 before

	mu     sync.Mutex
	events []port.Event
	notify chan struct{}
}

// Open opens the gauge's port.
func Open(cfg Config) (*Server, error) {
	s := &Server{cfg: cfg, player: NewPlayer(cfg.Script, cfg.Patience), began: time.Now(), opens: -1, notify: make(chan struct{}, 1)}
	var err error
	s.port, err = cfg.Port(func(e port.Event) {
		s.mu.Lock()
		s.events = append(s.events, e)
		s.mu.Unlock()
		select {
		case s.notify <- struct{}{}:
		default:
		}
	})
	return s, err
}

// Began is when the replay began; the times of its events count from then.
func (s *Server) Began() time.Time { return s.began }

// Port is the gauge's port.
func (s *Server) Port() port.Port { return s.port }

// Run plays until ctx is done, and closes the port. The timeline starts when a
// host opens the port.
func (s *Server) Run(ctx context.Context) (c Counts, err error) {
	defer func() { err = errors.Join(err, s.port.Close()) }()
	var failure error
	record := func(e capture.Event) {
		e.At = time.Since(s.began)
		if s.cfg.Record != nil && failure == nil {
			failure = s.cfg.Record(e)
		}
	}
	do := func(d Deed) {
		switch {
		case d.Gone && !s.down:
			s.player.Later(s.read(ctx))
			s.down = true
			if _, _, err := s.port.HangUp(); err != nil {
				failure = errors.Join(failure, err)
			}
			record(capture.Event{Kind: capture.Gone})
		case d.Back && s.down:
			s.down, s.opens = false, s.port.Stats().Opens
			if err := s.port.Return(d.Name); err != nil {
				failure = errors.Join(failure, fmt.Errorf("the port does not come back: %w", err))
			}
			record(capture.Event{Kind: capture.Back, Text: d.Name})
			s.player.Later(s.read(ctx))
		case len(d.Data) > 0:
			record(capture.Event{Kind: capture.FromGauge, Bytes: d.Data})
			if s.port.Write(d.Data) == port.DroppedFull {
				record(capture.Event{Kind: capture.Lost, Text: fmt.Sprintf("the host does not read: %d bytes did not reach it", len(d.Data))})
			}
		}
	}
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		s.player.Advance(time.Since(s.began), do)
		if over := s.cfg.Ends && s.player.Over(); over || failure != nil {
			if failure == nil {
				s.read(ctx)
				s.takeAll(record)
			}
			return s.player.Counts(), failure
		}
		var wake <-chan time.Time
		if at, ok := s.player.Next(); ok {
			timer.Reset(at - time.Since(s.began))
			wake = timer.C
		}
		select {
		case <-ctx.Done():
			return s.player.Counts(), nil
		case <-wake:
		case <-s.notify:
			s.takeAll(record)
		}
	}
}

// read waits until the host has opened the port if it came back, and has read what it
// was sent, as the captured one had; no longer than Patience says. It returns how long
// that took.
func (s *Server) read(ctx context.Context) time.Duration {
	began := time.Now()
	for time.Since(began) < s.cfg.Patience && ctx.Err() == nil {
		came := s.port.Stats().Opens > s.opens
		if unread, _ := s.port.Unread(); came && (unread == 0 || !s.port.Open()) {
			break
		}
		time.Sleep(time.Millisecond)
	}
	return time.Since(began)
}

func (s *Server) takeAll(record func(capture.Event)) {
	s.mu.Lock()
	events := s.events
	s.events = nil
	s.mu.Unlock()
	for _, e := range events {
		s.take(e, record)
	}
}

// take does what an event of the port asks for.
func (s *Server) take(e port.Event, record func(capture.Event)) {
	now := time.Since(s.began)
	switch e.Kind {
	case port.Opened, port.Closed, port.Asked, port.Received, port.Trouble:
		record(capture.FromPort(e))
	}
	switch e.Kind {
	case port.Opened:
		s.player.Start(now)
	case port.Received:
		s.player.Receive(e.Data, now)
	}
}
