package stage

import (
	"errors"
	"time"

	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage/ledger"
)

// Tag captures the present reading, as the operator's tag button does.
type Tag struct {
	Times int               `yaml:"times" doc:"how many tags (default: 1)"`
	Every quantity.Duration `yaml:"every" doc:"time from one to the next"`
}

func (t Tag) lasts() time.Duration { return t.Every.D() * time.Duration(max(t.Times-1, 0)) }

func (t Tag) do(s *Stage, a target) error {
	off := func() error {
		if a.g.Power() == gauge.On {
			return nil
		}
		return errors.New("the gauge is " + a.g.Power().String())
	}
	if err := off(); err != nil {
		return err
	}
	for i := range max(t.Times, 1) {
		s.at(s.now+time.Duration(i)*t.Every.D(), func() {
			if err := off(); err != nil {
				s.write(a.notDone(ledger.KindGauge, err))
				return
			}
			_ = a.command(gauge.Command{Verb: "tag"}) // a tag is never refused
		})
	}
	return nil
}
