package stage

import (
	"errors"
	"strconv"
	"strings"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/motion/noise"
	"example.org/understudy/sim/quantity"
)

// Measure has an operator measure parts by hand: the tip comes to the part,
// seats, is rocked, is held with a tremor while button A is pressed, and
// lifts. Times left out are typical of a hand (common practice, no source).
type Measure struct {
	Size     quantity.Length   `yaml:"size" need:"yes" doc:"true size of the part"`
	Times    int               `yaml:"times" doc:"how many visits (default: 1)"`
	Pause    quantity.Duration `yaml:"pause" doc:"from one visit to the next (default: 1 s)"`
	Approach quantity.Duration `yaml:"approach" doc:"time to reach the part (default: 600 ms)"`
	Dwell    quantity.Duration `yaml:"dwell" doc:"time it is held still (default: 1.5 s); the button is pressed after six tenths of it"`
	Lift     quantity.Duration `yaml:"lift" doc:"time to leave the part (default: 500 ms)"`
	Bounce   quantity.Length   `yaml:"bounce" doc:"the tip rings on seating, first leaving by this much"`
	Plane    motion.Plane      `yaml:"plane" doc:"plane of the rocking: axial (the true size is the smallest, the default) or radial (the largest)"`
	Ball     quantity.Length   `yaml:"ball" doc:"diameter of the balls it touches a bore with (default: it touches with points)"`
	Angle    quantity.Angle    `yaml:"angle" doc:"greatest tilt to either side (default: not rocked)"`
	Period   quantity.Duration `yaml:"period" doc:"one swing to both sides and back (default: 800 ms)"`
	Swings   int               `yaml:"swings" doc:"whole swings (default: 1)"`
	Lean     quantity.Angle    `yaml:"lean" doc:"standard deviation of the tilt at which it is held"`
	Tremor   quantity.Length   `yaml:"tremor" doc:"amplitude of the hand's shake, at 9 Hz"`
	Double   quantity.Percent  `yaml:"double-press" doc:"share of visits on which the button is pressed twice"`
	Drop     quantity.Percent  `yaml:"drop" doc:"share of visits that end with the gauge falling 300 mm"`
	Unsteady quantity.Percent  `yaml:"unsteady" doc:"standard deviation of each time, as a share of it, up to 30 %"`
}

func (Measure) ofTip() {}

func (m Measure) check() error {
	h := m.hand()
	if err := h.Check(); err != nil {
		return errors.New(strings.ReplaceAll(err.Error(), "\n", "; "))
	}
	return fits(m.Ball, m.Size)
}

func (m Measure) lasts() time.Duration {
	h := m.hand()
	visit := h.Approach + h.Bounce.Lasts() + h.Rock.Lasts() + h.Dwell + h.Lift + m.pause()
	return time.Duration(max(m.Times, 1)) * (visit + time.Duration(3*h.Unsteady*float64(visit)))
}

func (m Measure) do(s *Stage, a target) error {
	h := m.hand()
	var visit func(left int)
	visit = func(left int) {
		seed := noise.Split(s.play.Seed, a.name, "hand "+strconv.Itoa(a.visits))
		a.visits++
		var v motion.Visit
		a.each(func(t *tipper) {
			h.Free, h.Moves = t.fit.free(t.stroke), t.fit.moves(motion.MinimumJerk)
			luck := noise.NewRand(seed) // one hand holds all the tips
			v = h.Measure(t.path, s.now, m.Size.Picometres(), &luck)
		})
		for _, at := range v.Presses[:v.Pressed] {
			s.at(at, func() { _ = a.perform(Press{}) }) // the ledger says what was not done
		}
		if left > 1 {
			s.at(v.End+m.pause(), func() { visit(left - 1) })
		}
	}
	visit(max(m.Times, 1))
	return nil
}

func (m Measure) pause() time.Duration { return orElse(m.Pause, time.Second) }

// hand is the hand that measures; where the tip hangs free is not in it.
func (m Measure) hand() motion.Hand {
	share := func(p quantity.Percent) float64 { return p.Value.Float64() / 100 }
	h := motion.Hand{
		Approach: orElse(m.Approach, 600*time.Millisecond), Dwell: orElse(m.Dwell, 1500*time.Millisecond), Lift: orElse(m.Lift, 500*time.Millisecond),
		Bounce: ring(m.Bounce), Lean: m.Lean.Value.Float64(), Tremor: motion.Tremor{Amplitude: m.Tremor.Picometres(), Frequency: 9},
		Press: 0.6, DoublePress: share(m.Double), Twice: 250 * time.Millisecond,
		Drop: share(m.Drop), Height: 300 * decimal.Millimetre, Landing: motion.Bounce{Amplitude: decimal.Millimetre, Frequency: 60, Decay: 25 * time.Millisecond},
		Unsteady: share(m.Unsteady), Rock: motion.Rock{Plane: m.Plane, Ball: m.Ball.Picometres()},
	}
	if m.Angle.Value.Sign() != 0 {
		h.Rock.Angle, h.Rock.Period, h.Rock.Swings = m.Angle.Value.Float64(), orElse(m.Period, 800*time.Millisecond), max(m.Swings, 1)
	}
	return h
}
