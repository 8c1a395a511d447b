package stage

import (
	"time"

	"example.org/understudy/sim/quantity"
)

// Unplug takes the probe off the gauge.
type Unplug struct {
	For quantity.Duration `yaml:"for" doc:"how long (default: until plugged in again)"`
}

func (Unplug) ofTip() {}

func (u Unplug) lasts() time.Duration { return u.For.D() }

func (u Unplug) do(_ *Stage, a target) error {
	a.during(u.For.D(), func(t *tipper, on bool) { t.state.Missing = on })
	return nil
}

// during sets something on the act's channels, and back after a time.
func (a target) during(d time.Duration, set func(t *tipper, on bool)) {
	a.each(func(t *tipper) {
		set(t, true)
		if d > 0 {
			a.s.at(a.s.now+d, func() { set(t, false) })
		}
	})
}
