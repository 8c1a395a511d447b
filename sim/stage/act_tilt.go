package stage

import (
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/quantity"
)

// Tilt holds the gauge at an angle from upright.
type Tilt struct {
	To quantity.Angle `yaml:"to" need:"yes" doc:"angle from upright; 180 ° is upside down"`
}

func (t Tilt) do(_ *Stage, a target) error {
	d, _ := t.To.Value.Quantize(0, decimal.HalfEven).Int64()
	was := a.g.Face().UpsideDown
	a.act(gauge.Event{Kind: gauge.Tilted, Degrees: int(d)})
	if now := a.g.Face().UpsideDown; now != was {
		a.note("the display turns over")
	}
	return nil
}
