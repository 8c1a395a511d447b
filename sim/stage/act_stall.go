package stage

import (
	"time"

	"example.org/understudy/sim/link"
	"example.org/understudy/sim/quantity"
)

// Stall holds frames back for a time; they then arrive late, in order, at once.
type Stall struct {
	For quantity.Duration `yaml:"for" need:"yes" doc:"how long nothing arrives"`
}

func (st Stall) lasts() time.Duration { return st.For.D() }

func (st Stall) do(s *Stage, a target) error {
	a.linkRun()
	err := a.m.Link.Inject(a.link, link.Fault{Kind: link.Stall, At: s.now, For: st.For.D()})
	a.linkRun()
	a.linkWake()
	return err
}
