package stage

import (
	"time"

	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/quantity"
)

// Lift takes the gauge off the part: the tip hangs free and reads under range. A plug
// reads its bore until it leaves it.
type Lift struct {
	Over quantity.Duration `yaml:"over" doc:"time the lift takes (default: at once)"`
}

func (Lift) ofTip() {}

func (l Lift) lasts() time.Duration { return l.Over.D() }

func (l Lift) do(s *Stage, a target) error {
	a.each(func(t *tipper) { t.path.Move(s.now, t.fit.free(t.stroke), l.Over.D(), t.fit.moves(motion.MinimumJerk)) })
	return nil
}
