package stage

import (
	"errors"
	"strings"
	"time"

	"example.org/understudy/sim/enum"
	"example.org/understudy/sim/quantity"
)

// LoseLink takes the radio link away for a time, then lets it rejoin.
type LoseLink struct {
	For    quantity.Duration `yaml:"for" need:"yes" doc:"time from the loss to the rejoin"`
	Seen   Seen              `yaml:"seen" doc:"what the host sees: hang-up (the port goes away, the default) or silence"`
	Return string            `yaml:"return-as" doc:"name of the port after the rejoin (default: the same)"`
}

func (l LoseLink) check() error {
	if strings.ContainsAny(l.Return, "/\x00") {
		return errors.New("a port's name has no slash")
	}
	if l.Return != "" && l.Seen == Silence {
		return errors.New("a port that stays keeps its name; leave return-as out, or write seen: hang-up")
	}
	return nil
}

func (l LoseLink) lasts() time.Duration { return l.For.D() }

func (l LoseLink) do(_ *Stage, a target) error {
	a.linkRun()
	if !a.link.Phase.Joined() {
		return errors.New("the link is lost already")
	}
	a.silent, a.away = l.Seen == Silence, l.Return
	a.lose(l.For.D())
	return nil
}

// Seen is what a host sees of a lost link.
type Seen = enum.Of[seen]

// Ways a lost link shows.
const (
	HangUp  Seen = iota // the port goes away, and comes back with the link
	Silence             // the port stays; nothing arrives
)

type seen struct{}

func (seen) Names() []string { return []string{"hang-up", "silence"} }
func (seen) What() string    { return "what a host sees of a lost link" }
