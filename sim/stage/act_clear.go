package stage

import (
	"example.org/understudy/sim/gauge"
)

// Clear forgets max and min.
type Clear struct{}

func (Clear) do(_ *Stage, a target) error { return a.command(gauge.Command{Verb: "clear"}) }
