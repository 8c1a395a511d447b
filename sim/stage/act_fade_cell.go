package stage

import (
	"errors"

	"example.org/understudy/sim/quantity"
)

// FadeCell sets the cell's charge.
type FadeCell struct {
	To quantity.Percent `yaml:"to" need:"yes" doc:"charge left"`
}

func (f FadeCell) do(s *Stage, a target) error {
	if a.m.Cell == nil {
		return errors.New("the gauge has no cell")
	}
	a.drainTo(s.now)
	a.m.Cell.SetCharge(&a.cell, f.To.Value.Float64())
	a.tellCell(true)
	a.reload()
	return nil
}
