package stage

import (
	"errors"

	"example.org/understudy/sim/probe"
	"example.org/understudy/sim/quantity"
)

// Warm gives the part, the gauge or both another temperature than the room, to which
// they then settle: a part that comes from the machine, a master from the cold store, a
// gauge that was held in the hand.
type Warm struct {
	Part  *quantity.Celsius `yaml:"part" doc:"temperature of the part, or of the master the gauge is on, now (default: as it is)"`
	Gauge *quantity.Celsius `yaml:"gauge-itself" doc:"temperature of the gauge now (default: as it is)"`
}

func (Warm) ofTip() {}

func (w Warm) check() error {
	if w.Part == nil && w.Gauge == nil {
		return errors.New("write what is warm: part or gauge-itself")
	}
	return nil
}

func (w Warm) do(s *Stage, a target) error {
	grows := false
	a.each(func(t *tipper) { grows = grows || t.fit.Probe != nil && t.fit.Probe.Grows() })
	if !grows {
		return errors.New("nothing here changes with its temperature; state part-expansion, gauge-expansion or zero-drift of the probe")
	}
	a.each(func(t *tipper) {
		for of, c := range map[*probe.Warmth]*quantity.Celsius{&t.state.Part: w.Part, &t.state.Gauge: w.Gauge} {
			if c != nil {
				*of = probe.Warmth{Above: c.Value.Float64() - t.fit.Temp, Since: s.now}
			}
		}
	})
	return nil
}
