package stage

import (
	"time"

	"example.org/understudy/sim/quantity"
)

// Stick makes the tip stick where it is.
type Stick struct {
	For quantity.Duration `yaml:"for" need:"yes" doc:"how long"`
}

func (Stick) ofTip() {}

func (st Stick) lasts() time.Duration { return st.For.D() }

func (st Stick) do(_ *Stage, a target) error {
	a.during(st.For.D(), func(t *tipper, on bool) { t.state.Stuck = on })
	return nil
}
