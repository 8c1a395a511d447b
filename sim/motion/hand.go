package motion

import (
	"errors"
	"fmt"
	"math"
	"time"

	"example.org/understudy/sim/decimal"
)

// Deviates is a stream of random numbers (noise.Rand is one).
type Deviates interface {
	Uniform() float64 // strictly between 0 and 1
	Normal() float64  // standard normal
}

// Hand measures as an operator does. Each visit to a part is: approach, seat
// with a bounce, rock through the reversal point, hold with a tremor while
// pressing the button, lift. The times given are typical ones; Unsteady varies
// them from one visit to the next. The zero value is an idle hand: it puts the
// tip on the part and takes it off again at once.
type Hand struct {
	Free     decimal.Length // where the tip stands with nothing under it
	Moves    Shape          // how it goes from there to the part and back
	Approach time.Duration  // from there to the part
	Bounce   Bounce         // on seating
	Rock     Rock           // through the reversal point; its Plane also serves Lean
	Lean     float64        // standard deviation of the angle at which the hand comes to hold, degrees
	Dwell    time.Duration  // holding still
	Tremor   Tremor         // while holding; the phase is random
	Lift     time.Duration  // back to Free

	Press       float64       // when the button is pressed, as a share of the dwell
	DoublePress float64       // share of visits on which it is pressed twice
	Twice       time.Duration // from the first press to the second

	Drop    float64        // share of visits that end in the gauge falling, instead of a lift
	Height  decimal.Length // it falls from
	Landing Bounce

	Unsteady float64 // standard deviation of a time, as a share of it, 0 to 0.3
}

// Check says what in the hand makes no sense.
func (h *Hand) Check() error {
	share := func(name string, v, most float64) error {
		if v >= 0 && v <= most {
			return nil
		}
		return fmt.Errorf("%s is %v; it must lie between 0 and %v", name, v, most)
	}
	positive := func(name string, d time.Duration) error {
		if d >= 0 {
			return nil
		}
		return fmt.Errorf("%s is %v; it must not be negative", name, d)
	}
	err := errors.Join(
		positive("approach", h.Approach), positive("dwell", h.Dwell), positive("lift", h.Lift), positive("twice", h.Twice),
		share("press", h.Press, 1), share("double press", h.DoublePress, 1), share("drop", h.Drop, 1),
		share("unsteady", h.Unsteady, 0.3), share("lean", h.Lean, 20), share("rocking angle", math.Abs(h.Rock.Angle), 80))
	if h.Height < 0 {
		err = errors.Join(err, errors.New("height of the fall is negative"))
	}
	return err
}

// Visit is one visit of a gauge to a part, as it is planned.
type Visit struct {
	Start, Seated, End time.Duration  // End: the tip is back at rest in its free place
	Held               decimal.Length // what the gauge was held on: the size, but for a lean
	Presses            [2]time.Duration
	Pressed            int // how many presses count
	Dropped            bool
}

// Measure plans a visit to a part of the given true size, from at on, and
// returns it. Every random choice is drawn on every visit, so that changing one
// share does not change the others' luck.
func (h *Hand) Measure(p *Path, at time.Duration, size decimal.Length, rnd Deviates) Visit {
	vary := func(d time.Duration) time.Duration {
		k := 1 + min(max(h.Unsteady*rnd.Normal(), -0.9), 3)
		return time.Duration(float64(d) * k)
	}
	approach, dwell, lift := vary(h.Approach), vary(h.Dwell), vary(h.Lift)
	lean, phase := h.Lean*rnd.Normal(), rnd.Uniform()
	twice, drop := rnd.Uniform() < h.DoublePress, rnd.Uniform() < h.Drop

	v := Visit{Start: at, Held: h.Rock.Span(size, min(max(lean, -80), 80)), Dropped: drop}
	p.Move(at, size, approach, h.Moves)
	at += approach
	v.Seated = at
	p.Bounce(at, h.Bounce)
	at += h.Bounce.Lasts()
	if h.Rock.Lasts() > 0 {
		p.Rock(at, size, h.Rock)
		at += h.Rock.Lasts()
	}
	p.Rest(at, v.Held)
	t := h.Tremor
	t.Phase = phase
	p.Tremble(at, dwell, t)
	v.Presses[0] = at + time.Duration(h.Press*float64(dwell))
	v.Pressed = 1
	if twice {
		v.Presses[1] = v.Presses[0] + h.Twice
		v.Pressed = 2
	}
	at += dwell
	if drop {
		at = p.Drop(at, h.Free, h.Height, h.Landing)
		v.End = at + h.Landing.Lasts()
		return v
	}
	p.Move(at, h.Free, lift, h.Moves)
	v.End = at + lift
	return v
}

// Fixture measures as a machine does: the same strokes at the same times in
// every cycle.
type Fixture struct {
	Free     decimal.Length // where the tip stands between parts
	Moves    Shape          // how it goes from there to the part and back
	Approach time.Duration  // from there to the part
	Bounce   Bounce         // on seating
	Dwell    time.Duration  // on the part, from seating on
	Press    time.Duration  // when the reading is taken, from seating on
	Retract  time.Duration  // back to Free
	Cycle    time.Duration  // from one part to the next
}

// Check says what in the fixture makes no sense: among others, a cycle too
// short for its strokes.
func (f *Fixture) Check() error {
	if min(f.Approach, f.Dwell, f.Press, f.Retract) < 0 {
		return errors.New("a time of the fixture is negative")
	}
	if work := f.Approach + f.Dwell + f.Retract; f.Cycle < work {
		return fmt.Errorf("a cycle of %v is too short for its strokes; they take %v", f.Cycle, work)
	}
	if f.Press > f.Dwell {
		return fmt.Errorf("the reading is taken %v after seating, but the dwell ends at %v", f.Press, f.Dwell)
	}
	return nil
}

// Measure plans a visit to a part of the given true size, from at on, and
// returns it. The next visit is due one Cycle later.
func (f *Fixture) Measure(p *Path, at time.Duration, size decimal.Length) Visit {
	v := Visit{Start: at, Seated: at + f.Approach, Held: size, Pressed: 1}
	p.Move(at, size, f.Approach, f.Moves)
	p.Bounce(v.Seated, f.Bounce)
	v.Presses[0] = v.Seated + f.Press
	leave := v.Seated + f.Dwell
	p.Move(leave, f.Free, f.Retract, f.Moves)
	v.End = leave + f.Retract
	return v
}
