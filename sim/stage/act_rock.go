package stage

import (
	"errors"
	"fmt"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/quantity"
)

// Rock rocks the gauge in a bore through the reversal point.
type Rock struct {
	Size   quantity.Length   `yaml:"size" need:"yes" doc:"true diameter of the bore"`
	Plane  motion.Plane      `yaml:"plane" doc:"axial (the true size is the smallest, the default) or radial (the largest)"`
	Ball   quantity.Length   `yaml:"ball" doc:"diameter of the balls it touches the bore with, which lessens what a tilt does (default: it touches with points)"`
	Angle  quantity.Angle    `yaml:"angle" need:"yes" doc:"greatest tilt to either side"`
	Period quantity.Duration `yaml:"period" need:"yes" doc:"one swing to both sides and back"`
	Swings int               `yaml:"swings" doc:"whole swings (default: 1)"`
}

func (Rock) ofTip() {}

func (r Rock) check() error {
	if d := r.Angle.Value.Abs(); r.Period <= 0 || d.Cmp(decimal.New(80, 0)) > 0 {
		return errors.New("a rock takes a period above 0 s and an angle up to 80°")
	}
	return fits(r.Ball, r.Size)
}

// fits says whether balls are too large for a bore.
func fits(ball, bore quantity.Length) error {
	if b := ball.Picometres(); b < 0 || b > 0 && 2*b > bore.Picometres() {
		return fmt.Errorf("balls of %s do not fit into a bore of %s; write their diameter, up to half of the bore's", ball, bore)
	}
	return nil
}

func (r Rock) lasts() time.Duration { return r.Period.D() * time.Duration(max(r.Swings, 1)) }

func (r Rock) do(s *Stage, a target) error {
	a.each(func(t *tipper) {
		t.path.Rock(s.now, r.Size.Picometres(), motion.Rock{Plane: r.Plane, Ball: r.Ball.Picometres(), Angle: r.Angle.Value.Float64(), Period: r.Period.D(), Swings: max(r.Swings, 1)})
	})
	return nil
}
