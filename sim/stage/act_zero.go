package stage

import (
	"example.org/understudy/sim/gauge"
)

// Zero makes the present value read 0.
type Zero struct{}

func (Zero) do(_ *Stage, a target) error { return a.command(gauge.Command{Verb: "zero"}) }
