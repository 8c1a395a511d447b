package stage

import (
	"errors"
	"time"

	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/quantity"
)

// Turn turns a lobed part under the gauge.
type Turn struct {
	Size      quantity.Length   `yaml:"size" need:"yes" doc:"mean diameter of the part"`
	Contacts  motion.Contacts   `yaml:"contacts" doc:"how the part is touched"`
	Lobes     int               `yaml:"lobes" need:"yes" doc:"lobes around the part; 1 is an eccentricity"`
	Amplitude quantity.Length   `yaml:"amplitude" need:"yes" doc:"height of a lobe in radius"`
	Period    quantity.Duration `yaml:"period" need:"yes" doc:"one revolution"`
	Turns     int               `yaml:"turns" doc:"whole revolutions (default: 1)"`
}

func (Turn) ofTip() {}

func (r Turn) check() error {
	if r.Period <= 0 || r.Lobes < 1 || r.Lobes > 1000 {
		return errors.New("a turn takes a period above 0 s and 1 to 1000 lobes")
	}
	return nil
}

func (r Turn) lasts() time.Duration { return r.Period.D() * time.Duration(max(r.Turns, 1)) }

func (r Turn) do(s *Stage, a target) error {
	a.each(func(t *tipper) {
		t.path.Turn(s.now, r.Size.Picometres(), motion.Turn{Contacts: r.Contacts, Lobes: r.Lobes, Amplitude: r.Amplitude.Picometres(), Period: r.Period.D(), Turns: max(r.Turns, 1)})
	})
	return nil
}
