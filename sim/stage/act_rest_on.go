package stage

import (
	"example.org/understudy/sim/quantity"
)

// RestOn sets the gauge on something of a known size, at once.
type RestOn struct {
	Size quantity.Length `yaml:"size" need:"yes" doc:"size of the master or the part"`
}

func (RestOn) ofTip() {}

func (r RestOn) do(s *Stage, a target) error {
	a.each(func(t *tipper) { t.path.Rest(s.now, r.Size.Picometres()) })
	return nil
}
