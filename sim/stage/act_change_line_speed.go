package stage

import (
	"fmt"
	"time"

	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/uart"
)

// ChangeSpeed has the gauge send and receive at another line speed than its
// host expects: each side then samples the other's bits at the wrong times.
// Over plain TCP it is as if the adapter there kept the scenario's speed.
type ChangeSpeed struct {
	To  quantity.Speed    `yaml:"to" need:"yes" doc:"the gauge's line speed from now on"`
	For quantity.Duration `yaml:"for" doc:"how long (default: until restored)"`
}

func (c ChangeSpeed) check() error {
	if c.To < 1 || c.To > uart.MaxBaud {
		return fmt.Errorf("a line speed is 1 Bd to %d Bd, not %s", uart.MaxBaud, c.To)
	}
	return nil
}

func (c ChangeSpeed) lasts() time.Duration { return c.For.D() }

func (c ChangeSpeed) do(s *Stage, a target) error {
	a.setSpeed(int(c.To))
	if mine := a.speeds; c.For > 0 {
		s.at(s.now+c.For.D(), func() {
			if a.speeds == mine { // not changed again since
				_ = RestoreSpeed{}.do(s, a) // it always can be
			}
		})
	}
	return nil
}
