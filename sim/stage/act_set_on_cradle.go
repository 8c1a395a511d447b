package stage

import (
	"errors"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/power"
	"example.org/understudy/sim/quantity"
)

// Cradle sets the gauge on its cradle, which charges the cell.
type Cradle struct {
	For     quantity.Duration `yaml:"for" need:"yes" doc:"how long"`
	Current *quantity.Current `yaml:"current" doc:"what it charges with (default: 500 mA)"`
}

func (c Cradle) lasts() time.Duration { return c.For.D() }

func (c Cradle) do(s *Stage, a target) error {
	if a.m.Cell == nil {
		return errors.New("the gauge has no cell")
	}
	current := decimal.New(500, 0)
	if c.Current != nil {
		current = c.Current.Value
	}
	microamps, _ := current.Mul(decimal.New(1000, 0)).Quantize(0, decimal.HalfEven).Int64()
	a.cradle = power.MicroAmp(microamps)
	a.cradles++
	a.reload()
	mine := a.cradles
	s.at(s.now+c.For.D(), func() {
		if a.cradles == mine { // not set on it again since
			a.cradle = 0
			a.reload()
			a.tellCell(false)
		}
	})
	return nil
}
