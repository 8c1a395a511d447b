// Package probe says what a probe makes of where its tip truly is.
//
// A Model is what a probe is like and does not change; a State is what it
// remembers from one reading to the next. Read takes the steps in this order,
// each only if the model has it:
//
//  1. Thermal growth of the part and of the gauge away from 20 °C.
//  2. The stroke: beyond an end the tip stands at the end. A stuck tip stays.
//  3. Play: the signal follows the tip with backlash.
//  4. Gain error and tilt, non-linearity, the curve of an air gauge, offset.
//  5. Repeatability, and the noise handed in.
//  6. The filter.
//
// Lengths in and out are whole picometres. An ideal probe is computed in
// integers alone and is exact; otherwise each correction is computed in floats
// with the same bits on every processor and rounded to the picometre, so that
// what is not wrong with a probe adds no error.
package probe

import (
	"errors"
	"fmt"
	"math"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/motion/noise"
	"example.org/understudy/sim/steady"
)

// Status says what a reading is worth.
type Status uint8

// Statuses.
const (
	OK      Status = iota
	Under          // the tip is below the lower end of its stroke
	Over           // the tip is above the upper end of its stroke
	Missing        // no probe is connected
)

func (s Status) String() string {
	switch s {
	case OK:
		return "ok"
	case Under:
		return "under"
	case Over:
		return "over"
	case Missing:
		return "missing"
	}
	return fmt.Sprintf("status(%d)", uint8(s))
}

// Coefficients of linear thermal expansion near 20 °C, per kelvin: D. A. Swyt,
// Uncertainties in Dimensional Measurements Made at Nonstandard Temperatures,
// J. Res. Natl. Inst. Stand. Technol. 99 (1994) 31, section 1.
const (
	Steel     = 11.5e-6
	Aluminium = 23.1e-6
)

// Reference is the temperature sizes are defined at, in degrees Celsius (ISO 1).
const Reference = 20

// Growth is something that grows with temperature: by
// Length·PerKelvin·(T − 20 °C).
type Growth struct {
	Length    decimal.Length // at 20 °C
	PerKelvin float64        // e.g. Steel
	// Settles is the time constant with which it comes to the room's temperature from
	// another; 0: it never does.
	Settles time.Duration
}

func (g Growth) rate() float64 { return float64(g.Length) * g.PerKelvin }

// Warmth is how much warmer than the room something was at a time.
type Warmth struct {
	Above float64 // kelvin
	Since time.Duration
}

// now is how much warmer it is still: it loses the difference exponentially.
func (w Warmth) now(at, settles time.Duration) float64 {
	if w.Above == 0 || settles == 0 {
		return w.Above
	}
	return w.Above * steady.Exp(-float64(at-w.Since)/float64(settles))
}

// Chebyshev polynomials the non-linearity is made of.
const (
	lowestOrder = 2
	orders      = 2
)

// Spec describes a probe. The zero value is ideal, with an endless stroke.
type Spec struct {
	// Centre is the size in the middle of the stroke. Gain, tilt and
	// non-linearity act on the travel from there.
	Centre decimal.Length
	// Stroke is the whole travel, half of it to either side; 0 is endless.
	Stroke decimal.Length

	Offset    decimal.Length // added to every reading
	GainError float64        // travel reads 1+GainError times too much
	// Tilt is the angle in degrees between the probe's axis and the direction
	// measured: the tip must go further along its own axis, and travel reads
	// 1/cos Tilt times too much (cosine error).
	Tilt float64
	// Linearity holds the peaks of a non-linearity over the stroke:
	// Σ Linearity[k−2]·T_k(u), k = 2 and 3, u = travel / (Stroke/2), with the
	// Chebyshev polynomials T₂ = 2u²−1 (a bow), T₃ = 4u³−3u (an S).
	Linearity [orders]decimal.Length

	// AirGap makes it the probe of an air gauge: the gap between its jets and the part
	// in the middle of the stroke, where the back pressure p falls most steeply with the
	// gap x; negative, where a larger size closes the gap. The gauge reads by the tangent
	// there. Of a nozzle behind a restrictor p ∝ 1/(1 + x²/3g²), which is steepest at the
	// gap g, and the tangent reads g·(3 - 8/(3 + x²/g²)) (derived here; that the nozzle
	// passes as much as the restrictor, by the square root of the pressure across each,
	// is from memory). 0 is a probe that touches.
	AirGap decimal.Length

	// Play is the width of the backlash: the play operator
	// y ← max(x − Play/2, min(x + Play/2, y)). After a reversal the signal
	// stands still until the tip has gone back by Play.
	Play decimal.Length
	// Repeat is the standard deviation of an error that is drawn anew whenever
	// the tip has moved by more than Slip since it was last drawn.
	Repeat, Slip decimal.Length

	// Lag is the time constant of a first-order filter, dy/dt = (x−y)/Lag: a
	// step has settled to a share ε after Lag·ln(1/ε). The tip is taken to have
	// stood where it is since the last reading. 0 is no filter.
	Lag time.Duration
	// Average is how many readings a moving average takes in, up to
	// MaxAverage: a step has settled after as many readings, exactly. 0 and 1
	// are no filter.
	Average int

	Part, Gauge Growth // the part's growth reads larger, the gauge's smaller
	// ZeroDrift is what the reading moves by for each kelvin the gauge is above 20 °C.
	ZeroDrift decimal.Length
}

// MaxAverage is the longest moving average.
const MaxAverage = 64

// Model is a probe ready to read. It is not changed by reading, and may be
// shared.
type Model struct {
	spec      Spec
	low, high decimal.Length // the ends of the stroke
	plain     bool           // nothing but stroke and offset
	grows     bool
	bends     bool    // has a gain error, tilt, non-linearity or air gap
	gain      float64 // (1+GainError)/cos Tilt − 1
	half      float64 // pm, half the stroke
	linear    bool    // no non-linearity
	part      float64 // pm per kelvin
	gauge     float64
}

// New returns the probe described, or says all that is wrong with the
// description.
func New(s Spec) (*Model, error) {
	var errs []error
	check := func(ok bool, format string, args ...any) {
		if !ok {
			errs = append(errs, fmt.Errorf(format, args...))
		}
	}
	check(s.Stroke >= 0, "stroke is %v pm; it must not be negative", int64(s.Stroke))
	check(s.GainError > -1 && s.GainError < 1, "gain error is %v; it must lie between -1 and 1", s.GainError)
	check(math.Abs(s.Tilt) <= 80, "tilt is %v°; it must lie between -80° and 80°", s.Tilt)
	check(s.AirGap == 0 || max(s.AirGap, -s.AirGap) >= decimal.Micrometre, "air gap of %v pm; it must be 1 µm at least", int64(s.AirGap))
	check(s.Play >= 0, "play is %v pm; it must not be negative", int64(s.Play))
	check(s.Repeat >= 0 && s.Slip >= 0, "repeatability or slip is negative")
	check(s.Lag >= 0, "lag is %v; it must not be negative", s.Lag)
	check(s.Average >= 0 && s.Average <= MaxAverage, "an average over %d readings; it may take in up to %d", s.Average, MaxAverage)
	linear := s.Linearity == [orders]decimal.Length{}
	check(linear || s.Stroke > 0, "a non-linearity needs a stroke to extend over")
	for _, g := range []Growth{s.Part, s.Gauge} {
		check(g.Settles >= 0, "a temperature that settles in %v", g.Settles)
		check(math.Abs(g.PerKelvin) <= 1e-3, "expansion of %v per kelvin; it must lie between -1e-3 and 1e-3", g.PerKelvin)
	}
	if errs != nil {
		return nil, errors.Join(errs...)
	}
	m := &Model{
		spec: s, low: math.MinInt64, high: math.MaxInt64,
		half: float64(s.Stroke) / 2, linear: linear,
		part: s.Part.rate(), gauge: s.Gauge.rate(),
	}
	if s.Stroke > 0 {
		m.low = s.Centre - s.Stroke/2
		m.high = m.low + s.Stroke
	}
	c := steady.Cos(s.Tilt / 360)
	m.gain = ((1 - c) + s.GainError) / c
	m.bends = m.gain != 0 || !linear || s.AirGap != 0
	m.grows = m.part != 0 || m.gauge != 0 || s.ZeroDrift != 0
	m.plain = !m.bends && s.Play == 0 && s.Repeat == 0 && s.Lag == 0 && s.Average <= 1
	return m, nil
}

// Grows reports whether a temperature changes what it reads.
func (m *Model) Grows() bool { return m.grows }

// State is what a probe remembers. Make it with NewState; the exported fields
// may be set at any time.
type State struct {
	Missing bool // the probe is unplugged; when it is back its filter starts anew
	Stuck   bool // the tip stays where it was last read
	Part    Warmth
	Gauge   Warmth

	rng    noise.Rand
	begun  bool
	tip    decimal.Length // as last read, after growth
	follow decimal.Length // the play operator's output
	anchor decimal.Length // where the repeatability error was last drawn
	repeat decimal.Length

	at    time.Duration
	in    decimal.Length // the filter's input at the last reading
	lag   float64        // pm, the filter's output less its input
	step  time.Duration  // the step that keep is for
	keep  float64        // exp(−step/Lag)
	ring  [MaxAverage]decimal.Length
	sum   decimal.Length
	count int // readings averaged so far
	slot  int
}

// NewState returns the state of a probe at rest, with a stream of its own for
// its repeatability.
func NewState(seed uint64) *State { return &State{rng: noise.NewRand(seed)} }

// Read returns the size the probe reports at a time: the tip stands at tip, the
// room is at tempC degrees Celsius, and noise is added to the signal. Times
// must not go back. Beyond an end of the stroke it reports the end (with the
// probe's errors) and says so; without a probe it reports 0.
func (m *Model) Read(s *State, tip decimal.Length, at time.Duration, tempC float64, noise decimal.Length) (decimal.Length, Status) {
	if s.Missing {
		s.begun = false
		return 0, Missing
	}
	if m.grows {
		part := tempC + s.Part.now(at, m.spec.Part.Settles) - Reference
		gauge := tempC + s.Gauge.now(at, m.spec.Gauge.Settles) - Reference
		tip += grid(float64(m.part*part) - float64(m.gauge*gauge) + float64(float64(m.spec.ZeroDrift)*gauge))
	}
	if s.Stuck && s.begun {
		tip = s.tip
	}
	s.tip = tip
	status := OK
	if tip < m.low {
		tip, status = m.low, Under
	} else if tip > m.high {
		tip, status = m.high, Over
	}
	if m.plain {
		s.begun = true
		return tip + m.spec.Offset + noise, status
	}
	return m.distort(s, tip, at, noise), status
}

func (m *Model) distort(s *State, tip decimal.Length, at time.Duration, noise decimal.Length) decimal.Length {
	x := tip
	if w := m.spec.Play; w > 0 {
		if !s.begun {
			s.follow = x
		}
		s.follow = min(max(s.follow, x-w/2), x-w/2+w)
		x = s.follow
	}
	if m.bends {
		travel := float64(x - m.spec.Centre)
		e := float64(travel * m.gain)
		if !m.linear {
			e += m.nonlinearity(travel / m.half)
		}
		if g := float64(m.spec.AirGap); g != 0 {
			q := max(0, 1+travel/g) // the gap, of what it is in the middle
			e += float64(g*(2-8/(3+float64(q*q)))) - travel
		}
		x += grid(e)
	}
	x += m.spec.Offset
	if m.spec.Repeat > 0 {
		if moved := tip - s.anchor; !s.begun || moved > m.spec.Slip || moved < -m.spec.Slip {
			s.anchor = tip
			s.repeat = grid(float64(m.spec.Repeat) * s.rng.Normal())
		}
		x += s.repeat
	}
	x += noise
	if m.spec.Lag > 0 {
		x = m.lagged(s, x, at)
	}
	if m.spec.Average > 1 {
		x = m.averaged(s, x)
	}
	s.begun = true
	return x
}

// nonlinearity sums the Chebyshev series by Clenshaw's recurrence, in pm.
func (m *Model) nonlinearity(u float64) float64 {
	b1, b2 := 0.0, 0.0
	for k := orders - 1; k >= -lowestOrder+1; k-- {
		c := 0.0
		if k >= 0 {
			c = float64(m.spec.Linearity[k])
		}
		b1, b2 = float64(2*u*b1)-b2+c, b1
	}
	return float64(u*b1) - b2
}

func (m *Model) lagged(s *State, x decimal.Length, at time.Duration) decimal.Length {
	dt := max(at-s.at, 0)
	if !s.begun {
		s.in, s.lag, dt = x, 0, 0
	}
	if dt != s.step || s.keep == 0 {
		s.step, s.keep = dt, steady.Exp(-float64(dt)/float64(m.spec.Lag))
	}
	s.lag = (s.lag + float64(s.in-x)) * s.keep
	if math.Abs(s.lag) < 0.25 { // below the grid; keeps clear of denormals
		s.lag = 0
	}
	s.at, s.in = at, x
	return x + grid(s.lag)
}

func (m *Model) averaged(s *State, x decimal.Length) decimal.Length {
	if !s.begun {
		s.sum, s.count, s.slot = 0, 0, 0
	}
	if s.count == m.spec.Average {
		s.sum -= s.ring[s.slot]
	} else {
		s.count++
	}
	s.ring[s.slot] = x
	s.sum += x
	if s.slot++; s.slot == m.spec.Average {
		s.slot = 0
	}
	return decimal.Length(decimal.Quo64(int64(s.sum), int64(s.count), decimal.HalfEven))
}

// grid rounds to the picometre, half to even.
func grid(x float64) decimal.Length { return decimal.Length(math.RoundToEven(x)) }
