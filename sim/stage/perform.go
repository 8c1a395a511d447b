package stage

import (
	"errors"
	"fmt"

	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/stage/ledger"
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

// perform carries an act out on a gauge of the cast, or on all of them when member is
// −1, and enters into the ledger where it could not be done.
func (s *Stage) perform(member int, act Act, to target) error {
	if OfHost(act) {
		err := act.do(s, to)
		if err != nil {
			s.write(to.notDone(ledger.KindHost, err))
		}
		return err
	}
	var errs []error
	for i, a := range s.actors {
		if member >= 0 && member != i {
			continue
		}
		to.actor = a
		if err := to.perform(act); err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", a.name, err))
		}
	}
	return errors.Join(errs...)
}

// perform carries an act out on one gauge, and enters where it could not be done.
func (a target) perform(act Act) error {
	err := act.do(a.s, a)
	if err != nil {
		a.s.write(a.notDone(ledger.KindGauge, err))
	}
	return err
}

// notDone is the entry of an act that could not be done.
func (a target) notDone(kind ledger.Kind, err error) ledger.Entry {
	e := ledger.Entry{Kind: kind, Note: "not done: " + err.Error(), Cue: a.cue}
	if a.by == byCue {
		e.Note = ledger.NotDone + err.Error()
	}
	if a.actor != nil {
		e.Gauge = a.name
	}
	return e
}
