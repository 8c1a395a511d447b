package check

import (
	"context"
	"errors"
	"fmt"
	"net"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.org/understudy/scenario"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage"
)

// Ports are the open ports of a scenario's gauges, in the order of its cast.
type Ports struct {
	Ports    []port.Port
	Warnings []string  // for the user to see: other machines can reach a port
	hub      *port.Hub // nil where there are no ptys
	kinds    []scenario.PortKind
	were     map[string]bool // devices that the ports have been, as far as was seen
}

// devices are those that the ports are and have been, as far as it was asked; none while
// no port has been hung up.
func (ps *Ports) devices() map[string]bool {
	gone := false
	for _, p := range ps.Ports {
		ps.were[p.Real()] = true
		gone = gone || p.Stats().HangUps > 0
	}
	if !gone {
		return nil
	}
	return ps.were
}

// OpenPorts opens the port of every gauge of a scenario, ptys under stable
// links in dir, with the inbox as their sink.
func OpenPorts(s *scenario.Scenario, dir string, inbox *stage.Inbox) (*Ports, error) {
	return OpenPortsAt(s, dir, inbox, "")
}

// OpenPortsAt is OpenPorts with sockets that listen elsewhere than on a free port
// of loopback: at an address, HOST or HOST:PORT. The first gauge with a socket gets
// PORT, the next PORT+1, and so on.
func OpenPortsAt(s *scenario.Scenario, dir string, inbox *stage.Inbox, listen string) (*Ports, error) {
	host, first, err := listenAt(listen)
	if err != nil {
		return nil, err
	}
	if listen != "" && !slices.ContainsFunc(s.Gauges, func(g scenario.Gauge) bool { return g.Port != scenario.PTY }) {
		return nil, fmt.Errorf("nothing listens on %s: all gauges appear at ptys; want some at tcp or rfc2217", listen)
	}
	ps := &Ports{were: map[string]bool{}}
	sockets := 0
	for i := range s.Gauges {
		addr := ""
		if s.Gauges[i].Port != scenario.PTY && listen != "" {
			n := 0
			if first > 0 {
				n = first + sockets
			}
			addr = net.JoinHostPort(host, strconv.Itoa(n))
			sockets++
		}
		p, err := ps.open(s, i, dir, inbox, addr)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("the port of %s: %w", s.Gauges[i].Name, err), ps.Close())
		}
		ps.Ports, ps.kinds = append(ps.Ports, p), append(ps.kinds, s.Gauges[i].Port)
	}
	ps.devices()
	return ps, nil
}

// listenAt takes HOST or HOST:PORT apart; the port is 0 when there is none.
func listenAt(listen string) (host string, first int, err error) {
	if listen == "" {
		return "", 0, nil
	}
	host, text, err := net.SplitHostPort(listen)
	if err != nil {
		host, text = strings.Trim(listen, "[]"), "0"
	}
	first, err = strconv.Atoi(text)
	if err != nil || first < 0 || first > 65535 || net.ParseIP(host) == nil && host != "localhost" {
		return "", 0, fmt.Errorf("%q is not an address to listen on: want one of this machine's, such as 192.168.1.20, or with the first gauge's port, such as 192.168.1.20:7001 (0.0.0.0: all of them)", listen)
	}
	return host, first, nil
}

func (ps *Ports) open(s *scenario.Scenario, i int, dir string, inbox *stage.Inbox, listen string) (port.Port, error) {
	line, err := port.ParseSettings(s.Line(i))
	if err != nil {
		return nil, err
	}
	cfg := port.Config{Name: s.Gauges[i].Name, Dir: dir, Line: line, Listen: listen}
	switch s.Gauges[i].Port {
	case scenario.TCP:
		p, warning, err := port.OpenTCP(cfg, inbox.Sink(i))
		return ps.warned(p, warning, err)
	case scenario.RFC2217:
		p, warning, err := port.OpenRFC2217(cfg, inbox.Sink(i))
		return ps.warned(p, warning, err)
	}
	if ps.hub == nil {
		if ps.hub, err = newHub(); err != nil {
			return nil, err
		}
	}
	cfg.Hub = ps.hub
	return port.OpenPTY(cfg, inbox.Sink(i))
}

func (ps *Ports) warned(p port.Port, warning string, err error) (port.Port, error) {
	if err != nil {
		return nil, err // and not an interface that holds a nil pointer
	}
	if warning != "" {
		ps.Warnings = append(ps.Warnings, warning)
	}
	return p, nil
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

// unopened says of each port that no host has open whether one ever had.
func (ps *Ports) unopened() (words []string) {
	for i, p := range ps.Ports {
		opens, verb := p.Stats().Opens, "opened"
		if ps.kinds[i] != scenario.PTY {
			verb = "connected to"
		}
		switch {
		case p.Open():
		case opens == 0:
			words = append(words, fmt.Sprintf("nobody has %s %s", verb, p.Path()))
		default:
			words = append(words, fmt.Sprintf("%s was %s and left again", p.Path(), verb))
		}
	}
	return words
}

// Opened waits until a host has every port open.
func (ps *Ports) Opened(ctx context.Context) error { return ps.all(ctx, port.Port.Open) }

// Closed waits until no host has a port open.
func (ps *Ports) Closed(ctx context.Context) error {
	return ps.all(ctx, func(p port.Port) bool { return !p.Open() })
}

// Spoken waits until a host has sent something to every gauge, beyond the bytes
// that each has had already (nil: none).
func (ps *Ports) Spoken(ctx context.Context, had map[port.Port]int64) error {
	return ps.all(ctx, func(p port.Port) bool { return p.Stats().Received > had[p] })
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
