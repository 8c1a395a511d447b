package stage

import (
	"context"
	"time"

	"example.org/understudy/sim/gauge"
)

// Status is how a gauge stands.
type Status struct {
	Name, Path string
	At         time.Duration
	Reading    string // of the first channel, with its unit, or why it is void
	Zone       string
	Tags       int
	Percent    int
	Low        bool
	Link       string
	Open       bool // a host has the port open
	Frames     int
	Lost       int        // frames that did not reach the port
	Face       gauge.Face // what the display shows
	Lamps      []Lamp
}

// Lamp is what a lamp shows, and how it looks; a Look without a colour is dark.
type Lamp struct {
	Name, State string
	gauge.Look
}

// Status returns how each gauge stands. It may be called while the stage runs.
func (s *Stage) Status(ctx context.Context) ([]Status, error) {
	var all []Status
	if err := s.call(ctx, func() {
		for _, a := range s.actors {
			all = append(all, a.status())
		}
	}); err != nil {
		return nil, err // the loop may still be about to fill it in
	}
	return all, nil
}

func (a *actor) status() Status {
	s := Status{Name: a.name, At: a.s.now, Tags: a.tags, Frames: a.frames, Lost: a.lost, Link: a.link.Phase.String()}
	s.Percent, s.Low = a.percent()
	if a.port != nil {
		s.Path, s.Open = a.port.Path(), a.port.Open()
	}
	r := a.g.Readings(nil)[0]
	s.Zone = r.Zone.String()
	if r.Void != gauge.Valid {
		s.Reading = r.Void.String()
	} else {
		s.Reading = r.Shown.String() + " " + r.Unit.Symbol()
	}
	if p := a.g.Power(); p != gauge.On {
		s.Reading, s.Zone = p.String(), "void"
	}
	s.Face = a.g.Face()
	for i, state := range a.g.Lamps() {
		s.Lamps = append(s.Lamps, Lamp{a.m.Profile.Lamps[i].Name, state, a.g.Look(i)})
	}
	return s
}
