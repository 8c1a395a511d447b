package stage

import (
	"time"

	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/quantity"
)

// MoveTo moves the tip to a size.
type MoveTo struct {
	Size   quantity.Length   `yaml:"size" need:"yes" doc:"size the tip ends on"`
	Over   quantity.Duration `yaml:"over" doc:"time the move takes (default: at once)"`
	Shape  motion.Shape      `yaml:"shape" doc:"minimum-jerk (as a hand moves, the default), ramp (uniform speed) or spring (at once when the time is up, as the contacts of a plug at the mouth of its bore)"`
	Bounce quantity.Length   `yaml:"bounce" doc:"the tip strikes the part and rings, first leaving by this much"`
}

func (MoveTo) ofTip() {}

func (m MoveTo) lasts() time.Duration { return m.Over.D() }

func (m MoveTo) do(s *Stage, a target) error {
	to := m.Size.Picometres()
	a.each(func(t *tipper) { t.path.Move(s.now, to, m.Over.D(), m.Shape) })
	if m.Bounce.Picometres() != 0 {
		// The bounce takes the path over when the tip strikes, unless
		// something else has taken it over by then.
		s.at(s.now+m.Over.D(), func() {
			a.each(func(t *tipper) {
				if t.path.At(s.now) == to {
					t.path.Bounce(s.now, ring(m.Bounce))
				}
			})
		})
	}
	return nil
}

// ring is how a tip rings that leaves its seat by so much.
func ring(amplitude quantity.Length) motion.Bounce {
	return motion.Bounce{Amplitude: amplitude.Picometres(), Frequency: 60, Decay: 25 * time.Millisecond}
}
