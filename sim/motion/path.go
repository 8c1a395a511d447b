// Package motion says where a probe's tip truly is at any instant.
//
// A Path is a pure function of time, made of instructions on a timeline: rest,
// move, bounce, rock, tremble, drop. Sizes are exact on the picometre grid: a
// scripted size that is held is that size and nothing else. Shapes between two
// sizes are computed with operations that give the same bits on every
// processor and are rounded to the grid.
//
// Hand and Fixture write the instructions an operator's hand or a fixture
// would, from a few parameters.
//
// All times are measured from the start of the scenario. Sizes are good within
// ±1 km (10¹⁵ pm); nothing panics beyond, but the sums may wrap.
package motion

import (
	"math"
	"math/bits"
	"sort"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/enum"
	"example.org/understudy/sim/steady"
)

// Shape is how a move goes from one size to the next.
type Shape = enum.Of[shapes]

// Shapes of a move. With u from 0 to 1 over the move's time, the share s of
// the way covered is
const (
	// MinimumJerk is the way a hand moves: s = 10u³ − 15u⁴ + 6u⁵, at rest at
	// both ends (Flash and Hogan, J. Neuroscience 5(7), 1985, 1688–1703).
	MinimumJerk Shape = iota
	// Ramp is uniform speed: s = u.
	Ramp
	// Spring stays, and is there at the end: the contacts of a plug, which its
	// bore holds up to the mouth and which stand free outside.
	Spring
)

type shapes struct{}

func (shapes) Names() []string { return shapeNames }
func (shapes) What() string    { return "a shape" }

var shapeNames = []string{"minimum-jerk", "ramp", "spring"}

// Plane is the plane a two-contact gauge is rocked in within a bore.
type Plane = enum.Of[planes]

// Planes of rocking, for a bore of diameter d and the angle θ from the true
// diameter.
const (
	// Axial tilts the gauge towards the bore's axis. The tilted plane cuts the
	// cylinder in an ellipse whose long diameter is what the contacts span:
	// d / cos θ, so the true size is the minimum.
	Axial Plane = iota
	// Radial swings the gauge in the cross-section about one contact. The
	// other contact runs along the circle and spans a chord: d · cos θ (the
	// angle in a semicircle is right: Euclid III.31), so the true size is the
	// maximum.
	Radial
)

type planes struct{}

func (planes) Names() []string { return planeNames }
func (planes) What() string    { return "a plane" }

var planeNames = []string{"axial", "radial"}

// Span is what the contacts span across a bore of the given size when the
// gauge stands the given angle (degrees, below 90 either way) off the true
// diameter. At 0° it is the size, exactly.
func Span(p Plane, size decimal.Length, degrees float64) decimal.Length {
	c := steady.Cos(degrees / 360)
	if p == Radial {
		return scale(size, c)
	}
	return scale(size, 1/c)
}

// scale returns x·k on the grid, and x itself when k is 1.
func scale(x decimal.Length, k float64) decimal.Length {
	// x + x·(k−1): the correction is small, so its rounding error is smaller
	// than the grid for any size in range.
	return x + grid(float64(x)*(k-1))
}

// grid rounds to the picometre, half to even.
func grid(x float64) decimal.Length { return decimal.Length(math.RoundToEven(x)) }

// Bounce is the ringing of a tip that has just struck: τ after the strike the
// tip is A·exp(−τ/T)·sin(2πfτ) away from its seat. It ends, exactly on the
// seat, when its envelope falls below half a picometre.
type Bounce struct {
	Amplitude decimal.Length // A; the sign says which way it first leaves
	Frequency float64        // f in hertz
	Decay     time.Duration  // T, the time for the envelope to fall to 1/e
}

// Lasts returns how long the bounce goes on: T·ln(2A).
func (b Bounce) Lasts() time.Duration {
	a := math.Abs(float64(b.Amplitude))
	if a < 1 || b.Decay <= 0 || !(b.Frequency > 0) {
		return 0
	}
	return time.Duration(math.Ceil(float64(b.Decay) * steady.Log(2*a)))
}

// Rock is a rocking of the gauge through a bore's reversal point: at τ the
// gauge stands Angle·sin(2πτ/Period) off the true diameter.
type Rock struct {
	Plane  Plane
	Angle  float64        // greatest angle to either side, degrees, below 90
	Period time.Duration  // one swing to both sides and back
	Swings int            // whole periods
	Ball   decimal.Length // diameter of the balls it touches with; 0: points
}

// Span is what the gauge spans across a bore when it stands an angle off the true
// diameter. The centres of its balls span a bore that is smaller by a ball.
func (r Rock) Span(size decimal.Length, degrees float64) decimal.Length {
	return r.Ball + Span(r.Plane, size-r.Ball, degrees)
}

// Lasts returns how long the rocking goes on.
func (r Rock) Lasts() time.Duration {
	if r.Period <= 0 || r.Swings <= 0 || !(math.Abs(r.Angle) < 90) {
		return 0
	}
	return time.Duration(r.Swings) * r.Period
}

// Tremor is the shake of a hand that holds still: a sine of the given
// amplitude and frequency, which swells over the first tenth of its time and
// fades over the last. Physiological tremor lies between 8 Hz and 12 Hz
// (common practice, no source).
type Tremor struct {
	Amplitude decimal.Length
	Frequency float64 // hertz
	Phase     float64 // turns
}

type kind uint8

const (
	hold kind = iota // from, until its end
	minimumJerk
	ramp
	bounce
	rock
	tremble
	turn
)

// segment is one instruction. From end on, the tip is at to.
type segment struct {
	start, end time.Duration
	from, to   decimal.Length
	kind       kind
	plane      Plane
	amp        float64 // bounce and tremor: pm; rock: turns
	freq       float64 // cycles per ns
	x          float64 // bounce: decay time, ns; tremor: phase, turns; rock: ball, pm
}

func (s *segment) at(t time.Duration) decimal.Length {
	if t >= s.end {
		return s.to
	}
	el := t - s.start
	switch s.kind {
	case hold:
		return s.from
	case ramp:
		return s.from + share(s.to-s.from, el, s.end-s.start)
	case minimumJerk:
		u := float64(el) / float64(s.end-s.start)
		p := float64(6*u) - 15
		p = float64(p*u) + 10
		return s.from + grid(float64(s.to-s.from)*min(u*u*u*p, 1))
	case bounce:
		tau := float64(el)
		return s.to + grid(s.amp*steady.Exp(-tau/s.x)*steady.Sin(tau*s.freq))
	case rock:
		return Rock{Plane: s.plane, Ball: decimal.Length(s.x)}.Span(s.to, 360*s.amp*steady.Sin(float64(el)*s.freq))
	case turn:
		return s.from + grid(s.amp*steady.Cos(float64(el)*s.freq))
	case tremble:
		tau := float64(el)
		u := tau / float64(s.end-s.start)
		w := min(1, 10*u, 10*(1-u))
		return s.to + grid(s.amp*w*steady.Sin(float64(tau*s.freq)+s.x))
	}
	return s.to
}

// share returns d·el/whole rounded to nearest, exactly; 0 ≤ el < whole.
func share(d decimal.Length, el, whole time.Duration) decimal.Length {
	a := uint64(d)
	if d < 0 {
		a = -a
	}
	hi, lo := bits.Mul64(a, uint64(el))
	q, r := bits.Div64(hi, lo, uint64(whole)) // el < whole, so q fits
	if r >= uint64(whole)-r {
		q++
	}
	if d < 0 {
		return -decimal.Length(q)
	}
	return decimal.Length(q)
}

// Path is where a tip is at every instant. Build it with NewPath and give it
// instructions; the last one holds for ever.
//
// An instruction takes effect at its time and replaces everything the path had
// planned from then on: a cue, or a hand on the bench page, takes the tip over
// from where it is. Instructions are therefore given in the order of their
// times. What lies before is not altered. A path is not safe for use by
// several goroutines.
type Path struct {
	first decimal.Length // before the first segment
	segs  []segment      // by start, strictly increasing
	edits uint64         // counts changes, so that a Cursor notices them
}

// NewPath returns a path that rests at a size from the beginning of time.
func NewPath(size decimal.Length) *Path { return &Path{first: size} }

// find returns the index of the segment in force at t, or −1 before them all.
func (p *Path) find(t time.Duration) int {
	return sort.Search(len(p.segs), func(i int) bool { return p.segs[i].start > t }) - 1
}

// At returns where the tip is at t.
func (p *Path) At(t time.Duration) decimal.Length {
	if i := p.find(t); i >= 0 {
		return p.segs[i].at(t)
	}
	return p.first
}

// End returns when the last instruction is done and the tip holds; 0 for a
// path without instructions.
func (p *Path) End() time.Duration {
	if len(p.segs) == 0 {
		return 0
	}
	return p.segs[len(p.segs)-1].end
}

// Forget drops what lies before t, so that a path played for days stays small.
// The tip's place before t is afterwards undefined.
func (p *Path) Forget(t time.Duration) {
	if i := p.find(t); i > 0 {
		p.segs = append(p.segs[:0], p.segs[i:]...) // a cursor holds a copy of its segment
	}
}

func (p *Path) put(s segment) {
	i := p.find(s.start)
	if i < 0 || p.segs[i].start < s.start {
		i++
	}
	p.segs = append(p.segs[:i], s)
	p.edits++
}

// Rest puts the tip at a size at once and holds it there.
func (p *Path) Rest(at time.Duration, size decimal.Length) {
	p.put(segment{start: at, end: at, to: size})
}

// Stop holds the tip where it is.
func (p *Path) Stop(at time.Duration) { p.Rest(at, p.At(at)) }

// Move takes the tip from where it is to a size over a time, and holds it
// there. Without a time to move in, the tip is there at once.
func (p *Path) Move(at time.Duration, to decimal.Length, over time.Duration, shape Shape) {
	kinds := [...]kind{MinimumJerk: minimumJerk, Ramp: ramp, Spring: hold}
	p.put(segment{start: at, end: at + max(over, 0), from: p.At(at), to: to, kind: kinds[shape]})
}

// Bounce rings the tip about the size where it is.
func (p *Path) Bounce(at time.Duration, b Bounce) {
	p.put(segment{
		start: at, end: at + b.Lasts(), to: p.At(at), kind: bounce,
		amp: float64(b.Amplitude), freq: b.Frequency * 1e-9, x: float64(b.Decay),
	})
}

// Rock rocks the gauge in a bore of the given true size, beginning and ending
// on that size.
func (p *Path) Rock(at time.Duration, size decimal.Length, r Rock) {
	s := segment{start: at, end: at + r.Lasts(), to: size, kind: rock, plane: r.Plane, amp: r.Angle / 360, x: float64(r.Ball)}
	if r.Period > 0 {
		s.freq = 1 / float64(r.Period)
	}
	p.put(s)
}

// Tremble shakes the tip about the size where it is, for a time.
func (p *Path) Tremble(at, over time.Duration, t Tremor) {
	p.put(segment{
		start: at, end: at + max(over, 0), to: p.At(at), kind: tremble,
		amp: float64(t.Amplitude), freq: t.Frequency * 1e-9, x: t.Phase,
	})
}

// StandardGravity in metres per second squared: 3rd CGPM (1901), declaration
// on the unit of mass and weight.
const StandardGravity = 9.80665

// FallTime returns how long a fall from rest through a height takes, √(2h/g).
func FallTime(height decimal.Length) time.Duration {
	if height <= 0 {
		return 0
	}
	return time.Duration(math.Sqrt(2*float64(height)/float64(decimal.Metre)/StandardGravity) * float64(time.Second))
}

// Drop lets the gauge fall: the tip springs to its free position at once, and
// rings there when the gauge lands. It returns when the gauge lands.
func (p *Path) Drop(at time.Duration, free, height decimal.Length, landing Bounce) time.Duration {
	p.Rest(at, free)
	at += FallTime(height)
	p.Bounce(at, landing)
	return at
}

// Cursor reads a path at times that mostly increase, without searching it
// again for each. It notices changes to the path.
type Cursor struct {
	path     *Path
	edits    uint64
	lo, hi   time.Duration // the segment's hold on time: lo ≤ t < hi
	seg      segment
	constant bool // seg.to all through
}

// Cursor returns a cursor on the path.
func (p *Path) Cursor() *Cursor { return &Cursor{path: p, edits: p.edits - 1} }

// At returns where the tip is at t.
func (c *Cursor) At(t time.Duration) decimal.Length {
	if c.edits != c.path.edits || t < c.lo || t >= c.hi {
		c.seek(t)
	}
	if c.constant {
		return c.seg.to
	}
	return c.seg.at(t)
}

func (c *Cursor) seek(t time.Duration) {
	p := c.path
	i := p.find(t)
	c.edits, c.lo, c.hi = p.edits, math.MinInt64, math.MaxInt64
	if i+1 < len(p.segs) {
		c.hi = p.segs[i+1].start
	}
	if i < 0 {
		c.seg, c.constant = segment{to: p.first}, true
		return
	}
	c.seg = p.segs[i]
	c.lo = c.seg.start
	c.constant = false
	if t >= c.seg.end {
		c.lo, c.constant = c.seg.end, true
	}
}
