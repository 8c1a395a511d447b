package stage

import (
	"time"

	"example.org/understudy/sim/quantity"
)

// Stall holds frames back for a time; they then arrive late, in order, at once.
type Stall struct {
	For quantity.Duration `yaml:"for" need:"yes" doc:"how long nothing arrives"`
}

func (st Stall) lasts() time.Duration { return st.For.D() }

func (st Stall) do(_ *Stage, a target) error {
	a.linkRun()
	a.m.Link.Stall(a.link, st.For.D())
	a.linkRun()
	a.linkWake()
	return nil
}
