package harness

import (
	"context"
	"errors"
	"fmt"
	"time"

	"example.org/understudy/scenario"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage"
)

// Ports are the open ports of a scenario's gauges, in the order of its cast.
type Ports struct {
	Ports []port.Port
	hub   *port.Hub // nil where there are no ptys
}

// OpenPorts opens the port of every gauge of a scenario, ptys under stable
// links in dir, with the inbox as their sink.
func OpenPorts(s *scenario.Scenario, dir string, inbox *stage.Inbox) (*Ports, error) {
	ps := &Ports{}
	for i := range s.Gauges {
		p, err := ps.open(s, i, dir, inbox)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("the port of %s: %w", s.Gauges[i].Name, err), ps.Close())
		}
		ps.Ports = append(ps.Ports, p)
	}
	return ps, nil
}

func (ps *Ports) open(s *scenario.Scenario, i int, dir string, inbox *stage.Inbox) (port.Port, error) {
	line, err := port.ParseSettings(s.Line(i))
	if err != nil {
		return nil, err
	}
	cfg := port.Config{Name: s.Gauges[i].Name, Dir: dir, Line: line}
	switch s.Gauges[i].Port {
	case scenario.TCP: // on loopback: there is nothing to warn of
		p, _, err := port.OpenTCP(cfg, inbox.Sink(i))
		return p, err
	case scenario.RFC2217:
		p, _, err := port.OpenRFC2217(cfg, inbox.Sink(i))
		return p, err
	}
	if ps.hub == nil {
		if ps.hub, err = newHub(); err != nil {
			return nil, err
		}
	}
	cfg.Hub = ps.hub
	return port.OpenPTY(cfg, inbox.Sink(i))
}

// Close closes all of them.
func (ps *Ports) Close() error {
	if ps == nil {
		return nil
	}
	var errs []error
	for _, p := range ps.Ports {
		errs = append(errs, p.Close())
	}
	return errors.Join(append(errs, closeHub(ps.hub))...)
}

// Opened waits until a host has every port open.
func (ps *Ports) Opened(ctx context.Context) error { return ps.all(ctx, port.Port.Open) }

// Spoken waits until a host has sent something to every gauge.
func (ps *Ports) Spoken(ctx context.Context) error {
	return ps.all(ctx, func(p port.Port) bool { return p.Stats().Received > 0 })
}

func (ps *Ports) all(ctx context.Context, holds func(port.Port) bool) error {
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for {
		all := true
		for _, p := range ps.Ports {
			all = all && holds(p)
		}
		if all {
			return nil
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}
