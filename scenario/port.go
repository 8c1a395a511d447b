package scenario

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"time"

	"example.org/understudy/sim/stage"
)

// placeName is a stretch of the timeline in which a gauge's port has a name. A
// port that is hung up keeps its name for its return; one that comes back under
// another gives its own free when it is hung up.
type placeName struct {
	name     string
	gauge    int
	cue      int // that gave it the name; −1: it had it at the start
	from, to time.Duration
}

// placeNames are those of all gauges, in the order of the cues.
type placeNames []placeName

// now is where a gauge's present name stands.
func (p placeNames) now(gauge int) *placeName {
	for i := len(p) - 1; ; i-- {
		if p[i].gauge == gauge {
			return &p[i]
		}
	}
}

func (p *placeNames) add(name string, cue int, from time.Duration, gauge int) {
	*p = append(*p, placeName{name, gauge, cue, from, math.MaxInt64})
}

// rename has a gauge's port hung up at one time and come back at another.
func (p *placeNames) rename(gauge, cue int, name string, at, back time.Duration) {
	p.now(gauge).to = at
	p.add(name, cue, back, gauge)
}

// clash is a name that two gauges' ports have at one time, by a cue.
type clash struct {
	name              string
	gauge, other, cue int
}

func (p placeNames) clashes() (all []clash) {
	for i, a := range p {
		for _, b := range p[:i] {
			if a.name == b.name && a.gauge != b.gauge && a.from < b.to && b.from < a.to {
				all = append(all, clash{a.name, a.gauge, b.gauge, a.cue})
			}
		}
	}
	return all
}

var address = regexp.MustCompile(`:[0-9]{1,5}$`)

// renames follows what a cue does to the names of ports. The error says why it
// makes no sense.
func (l *loader) renames(names *placeNames, c *Cue, cue, g int) error {
	switch act := c.Act.(type) {
	case stage.LoseLink:
		for i := range l.Gauges {
			if act.Return == "" || g >= 0 && g != i {
				continue
			}
			if l.Gauges[i].Port != PTY && !address.MatchString(act.Return) {
				return fmt.Errorf("the port of %s is at %s; it returns at an address such as 127.0.0.1:7001, not %q", l.Gauges[i].Name, l.Gauges[i].Port, act.Return)
			}
			names.rename(i, cue, act.Return, c.At.D(), c.At.D()+act.For.D())
		}
	case stage.SwapPorts:
		if err := l.CanSwap(g, act.With); err != nil {
			return err
		}
		other := l.GaugeIndex(act.With)
		a, b := names.now(g).name, names.now(other).name
		names.rename(g, cue, b, c.At.D(), c.At.D()+act.For.D())
		names.rename(other, cue, a, c.At.D(), c.At.D()+act.For.D())
	}
	return nil
}

// CanSwap says why a gauge, −1 for none, cannot swap ports with another, or why a
// host could not find out that they have.
func (s *Scenario) CanSwap(g int, with string) error {
	h, err := s.gaugeIndex(with)
	if err != nil {
		return err
	}
	if g < 0 || h < 0 || g == h {
		return errors.New("it is done to one gauge, with another: write gauge: and with:")
	}
	a, b := &s.Play.Cast[g], &s.Play.Cast[h]
	names := [2]string{s.Gauges[g].Name, s.Gauges[h].Name}
	switch {
	case s.Gauges[g].Port != s.Gauges[h].Port:
		return fmt.Errorf("%s appears at a %s and %s at a %s: neither can take the other's place", names[0], s.Gauges[g].Port, names[1], s.Gauges[h].Port)
	case a.Dialect != b.Dialect || a.Line != b.Line || len(a.Profile.Channels) != len(b.Profile.Channels):
		return fmt.Errorf("%s and %s differ in dialect, line or channels: a host could not talk to the one in the other's place", names[0], names[1])
	case a.Profile.Serial == b.Profile.Serial:
		return fmt.Errorf("%s and %s both say %q of themselves, so that no host could tell them apart: give each a serial: of its own", names[0], names[1], a.Profile.Serial)
	case a.Dialect.Identity() == "":
		return fmt.Errorf("a gauge that speaks %s is not asked who it is, so that no host could tell %s from %s", a.Dialect.Name(), names[0], names[1])
	}
	return nil
}
