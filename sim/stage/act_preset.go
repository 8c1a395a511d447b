package stage

import (
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/quantity"
)

// Preset makes the present value read the master's size.
type Preset struct {
	To *quantity.Length `yaml:"to" doc:"size of the master (default: the gauge's own preset)"`
}

func (p Preset) do(_ *Stage, a target) error {
	c := gauge.Command{Verb: "preset"}
	if p.To != nil {
		c.Value = gauge.Size(p.To.Picometres())
	}
	return a.command(c)
}
