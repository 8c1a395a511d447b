// Package noise makes the small displacements that a probe adds to where its
// tip truly is: white noise, flicker, random walk, drift, mains hum and shocks.
//
// Every process is defined in time, not in samples: asking twice as often does
// not make the walk go further or the flicker louder. Amounts are given as
// lengths; the result is rounded to the picometre once, after the sum.
//
// The same seed gives the same displacements on every machine: PCG for the
// bits, one 64-bit draw for each normal deviate (Normal), and only functions of
// package steady.
package noise

import (
	"math"
	"time"

	"example.org/understudy/sim/random"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/steady"
)

// Split returns the seed of one gauge's stream for one purpose ("noise",
// "hand", "link", ...). It depends on nothing else, so adding a gauge changes
// no other gauge's stream: FNV-1a (64 bit) over both names, each ended by the
// byte 0xff, which no UTF-8 text holds, added to the seed and finished with
// the SplitMix64 output function.
func Split(seed uint64, gauge, purpose string) uint64 {
	h := uint64(0xcbf29ce484222325)
	for _, s := range [2]string{gauge, purpose} {
		for i := range len(s) {
			h = (h ^ uint64(s[i])) * 0x100000001b3
		}
		h = (h ^ 0xff) * 0x100000001b3
	}
	return mix(seed + h)
}

// mix is the output function of SplitMix64 (Steele, Lea and Flood, OOPSLA 2014).
func mix(z uint64) uint64 {
	z += 0x9e3779b97f4a7c15
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// Rand is a stream of random numbers. The zero value is the stream of seed 0.
type Rand struct{ pcg random.PCG }

// NewRand returns the stream of a seed.
func NewRand(seed uint64) Rand {
	var r Rand
	r.pcg.Seed(seed)
	return r
}

// Uniform returns a number strictly between 0 and 1.
func (r *Rand) Uniform() float64 {
	return (float64(r.pcg.Uint64()>>12) + 0.5) * 0x1p-52
}

// Normal returns a standard normal deviate by inversion, at exactly one draw
// each. (The ziggurat of x/exp/rand calls math.Exp and math.Log in its wedges
// and tail, whose last bit differs between processors; one such bit would
// shift the whole stream.)
func (r *Rand) Normal() float64 { return Quantile(r.Uniform()) }

// Spec says how much of each kind of noise there is. The zero value is silence.
type Spec struct {
	White decimal.Length // standard deviation of each sample
	// Flicker is the level of the flat part of the Allan deviation, which that of
	// means of ten readings and more keeps to; single readings, which are no means,
	// differ by more: at 20 Hz by 1.55 times that level.
	Flicker decimal.Length
	Walk    decimal.Length // standard deviation of the walk after one second
	Drift   decimal.Length // steady movement in one hour
	Hum     Hum
	Shocks  Shocks
}

// Hum is mains pick-up: Amplitude·sin(2π(Frequency·t + Phase)). A gauge that
// samples more slowly than twice the frequency shows it at the distance from the
// nearest multiple of its rate.
type Hum struct {
	Amplitude decimal.Length
	Frequency float64 // hertz
	Phase     float64 // turns
}

// Shocks are knocks to the bench. They come at random, independently of one
// another (a Poisson process); each sets the tip ringing, and stops the ringing
// of the one before.
type Shocks struct {
	PerHour float64
	// Ring is how a knock rings; its amplitude is the standard deviation of
	// the normally distributed amplitudes.
	Ring motion.Bounce
}

// Flicker is made of relaxations with time constants one decade apart. Each
// has the spectrum 4qT/(1+(2πfT)²) for variance q; spaced by ln 10 they add up
// to q/(f·ln 10) within 6 %, whose Allan deviation is √(2 ln 2 · q / ln 10) at
// every averaging time well inside the range (IEEE Std 1139: 2 ln 2 · h₋₁).
const (
	relaxations     = 8
	shortest        = 10 * time.Millisecond // the longest is 10⁵ s
	variancePerFlat = math.Ln10 / (2 * math.Ln2)
)

// Source makes the noise of one probe. It allocates nothing.
type Source struct {
	rng     Rand
	spec    Spec
	silent  bool
	started bool
	last    time.Duration
	walk    float64 // pm

	flicker [relaxations]float64 // pm
	sigma   float64              // pm, of each relaxation
	step    time.Duration        // the step the next two are for
	keep    [relaxations]float64 // exp(−step/T)
	renew   [relaxations]float64 // σ·√(1−keep²)

	shocks Rand // its own stream, so that knocks fall at the same times at any rate
	next   time.Duration
	struck time.Duration
	blow   float64 // pm, 0 before the first
	rings  time.Duration
}

// New returns a source of the noise described, from a stream of its own.
func New(spec Spec, seed uint64) *Source {
	s := &Source{rng: NewRand(seed), shocks: NewRand(mix(seed)), spec: spec, step: -1, next: math.MaxInt64}
	s.silent = spec == Spec{}
	s.sigma = math.Sqrt(variancePerFlat) * math.Abs(float64(spec.Flicker))
	if spec.Shocks.PerHour > 0 {
		s.next = s.wait()
	}
	return s
}

// wait returns the time to the next shock, exponentially distributed.
func (s *Source) wait() time.Duration {
	w := -steady.Log(s.shocks.Uniform()) / s.spec.Shocks.PerHour * float64(time.Hour)
	return time.Duration(min(max(w, 1), 1e18))
}

// Next returns the displacement at t, which must not go back: an earlier time
// is taken as the last one.
func (s *Source) Next(t time.Duration) decimal.Length {
	if s.silent {
		return 0
	}
	if !s.started {
		s.started, s.last = true, t
		for i := range s.flicker {
			if s.sigma > 0 {
				s.flicker[i] = s.sigma * s.rng.Normal()
			}
		}
	}
	t = max(t, s.last)
	dt := t - s.last
	s.last = t
	x := 0.0
	if s.spec.White != 0 {
		x += float64(float64(s.spec.White) * s.rng.Normal())
	}
	if s.spec.Walk != 0 && dt > 0 {
		s.walk += float64(float64(s.spec.Walk) * math.Sqrt(float64(dt)*1e-9) * s.rng.Normal())
	}
	x += s.walk
	if s.sigma > 0 {
		if dt > 0 {
			s.relax(dt)
		}
		for _, f := range s.flicker {
			x += f
		}
	}
	if s.spec.Drift != 0 {
		x += float64(float64(s.spec.Drift) * (float64(t) / float64(time.Hour)))
	}
	if h := &s.spec.Hum; h.Amplitude != 0 {
		x += float64(float64(h.Amplitude) * steady.Sin(float64(float64(t)*1e-9*h.Frequency)+h.Phase))
	}
	for t >= s.next {
		b := s.spec.Shocks.Ring
		s.struck = s.next
		s.blow = float64(b.Amplitude) * s.shocks.Normal()
		b.Amplitude = decimal.Length(s.blow)
		s.rings = b.Lasts()
		s.next += s.wait()
	}
	if tau := t - s.struck; tau < s.rings {
		b := &s.spec.Shocks.Ring
		x += float64(s.blow * steady.Exp(-float64(tau)/float64(b.Decay)) * steady.Sin(float64(tau)*1e-9*b.Frequency))
	}
	return decimal.Length(math.RoundToEven(x))
}

// relax moves the relaxations on by dt, exactly for any dt:
// xₙ₊₁ = xₙ·e^(−dt/T) + σ·√(1−e^(−2dt/T))·N.
func (s *Source) relax(dt time.Duration) {
	if dt != s.step {
		s.step = dt
		for i, T := 0, float64(shortest); i < relaxations; i, T = i+1, T*10 {
			a := steady.Exp(-float64(dt) / T)
			s.keep[i] = a
			s.renew[i] = s.sigma * math.Sqrt(1-float64(a*a))
		}
	}
	for i := range s.flicker {
		s.flicker[i] = float64(s.keep[i]*s.flicker[i]) + float64(s.renew[i]*s.rng.Normal())
	}
}
