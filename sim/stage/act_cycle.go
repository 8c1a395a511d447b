package stage

import (
	"errors"
	"time"

	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/quantity"
)

// Cycle has a fixture measure parts: the same strokes at the same times in
// every cycle, and a tag in each.
type Cycle struct {
	Size     quantity.Length   `yaml:"size" need:"yes" doc:"true size of the part"`
	Every    quantity.Duration `yaml:"every" need:"yes" doc:"time of one cycle"`
	Times    int               `yaml:"times" doc:"how many cycles (default: 1)"`
	Approach quantity.Duration `yaml:"approach" need:"yes" doc:"time of the stroke to the part"`
	Dwell    quantity.Duration `yaml:"dwell" need:"yes" doc:"time on the part"`
	Settle   quantity.Duration `yaml:"settle" doc:"from seating to the tag (default: half the dwell)"`
	Retract  quantity.Duration `yaml:"retract" doc:"time of the stroke back (default: as the approach)"`
	Bounce   quantity.Length   `yaml:"bounce" doc:"the tip rings on seating, first leaving by this much"`
}

func (Cycle) ofTip() {}

func (c Cycle) check() error {
	f := c.fixture()
	if c.Every <= 0 {
		return errors.New("a cycle takes a time above 0 s")
	}
	return f.Check()
}

func (c Cycle) lasts() time.Duration { return time.Duration(max(c.Times, 1)) * c.Every.D() }

func (c Cycle) do(s *Stage, a target) error {
	f := c.fixture()
	for n := range max(c.Times, 1) {
		begin := func() {
			var v motion.Visit
			a.each(func(t *tipper) {
				f.Free, f.Moves = t.fit.free(t.stroke), t.fit.moves(motion.Ramp)
				v = f.Measure(t.path, s.now, c.Size.Picometres())
			})
			s.at(v.Presses[0], func() { _ = a.perform(Tag{}) }) // the ledger says what was not done
		}
		if n == 0 {
			begin()
		} else {
			s.at(s.now+time.Duration(n)*f.Cycle, begin)
		}
	}
	return nil
}

// fixture is the fixture that measures; where its tip stands free is not in it.
func (c Cycle) fixture() motion.Fixture {
	return motion.Fixture{Approach: c.Approach.D(), Bounce: ring(c.Bounce), Dwell: c.Dwell.D(), Press: orElse(c.Settle, c.Dwell.D()/2),
		Retract: orElse(c.Retract, c.Approach.D()), Cycle: c.Every.D()}
}
