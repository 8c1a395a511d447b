package stage

import (
	"time"

	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/quantity"
)

// Pedal presses the foot pedal, a digital input, and lets it go.
type Pedal struct {
	For quantity.Duration `yaml:"for" doc:"how long it is held (default: 100 ms)"`
}

func (p Pedal) lasts() time.Duration { return hold(p.For) }

func (p Pedal) do(s *Stage, a target) error {
	a.note("pedal pressed")
	a.act(gauge.Event{Kind: gauge.PedalDown})
	s.at(s.now+hold(p.For), func() {
		a.note("pedal released")
		a.act(gauge.Event{Kind: gauge.PedalUp})
	})
	return nil
}
