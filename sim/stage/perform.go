package stage

import (
	"errors"

	"example.org/understudy/sim/gauge"
)

// each calls f for the channels the act under way is about.
func (a *actor) each(f func(t *tipper)) {
	for i := range a.probes {
		if a.channel < 0 || a.channel == i {
			f(&a.probes[i])
		}
	}
}

// on calls f for the channels an act was about, once it is no longer under way.
func (a *actor) on(channel int, f func(t *tipper)) {
	was := a.channel
	a.channel = channel
	a.each(f)
	a.channel = was
}

// command has the gauge do something as if from its own menu.
func (a *actor) command(c gauge.Command) error {
	c.Channel = a.channel
	a.look()
	var err error
	a.stepped(gauge.Event{Kind: gauge.Asked, Command: c, By: a.by}, func(e *gauge.Emission) {
		if e.Kind != gauge.Replied {
			a.emitted(e)
		} else if e.Outcome.Refused != gauge.Done {
			err = errors.New(string(e.Outcome.Refused))
		}
	})
	a.schedule()
	return err
}
