package stage

import (
	"errors"

	"example.org/understudy/sim/gauge"
)

// each calls f for the channels of the act.
func (a target) each(f func(t *tipper)) {
	for i := range a.probes {
		if a.channel < 0 || a.channel == i {
			f(&a.probes[i])
		}
	}
}

// command has the gauge do something as if from its own menu.
func (a target) command(c gauge.Command) error {
	c.Channel = a.channel
	o := a.ask(c, a.by).Outcome
	if on := a.g.Power(); o.Refused == gauge.UnknownVerb && on != gauge.On { // it has not heard it
		return errors.New("the gauge is " + on.String())
	}
	if o.Refused != gauge.Done {
		return errors.New(string(o.Refused))
	}
	return nil
}
