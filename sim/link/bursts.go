package link

import (
	"errors"
	"fmt"
	"math"

	"example.org/understudy/sim/random"
)

// Bursts is a channel whose errors come in bursts: the two-state Markov chain
// of Gilbert (1960) and Elliott (1963). Every attempt slot the channel may
// pass between a good state and a bad one; an attempt in either is lost with
// that state's chance. The zero value loses nothing.
type Bursts struct {
	Worsen   float64 // chance each slot of passing from good to bad
	Recover  float64 // chance each slot of passing from bad to good
	LossGood float64 // chance that an attempt in the good state is lost
	LossBad  float64 // and in the bad state
}

// Validate says what is wrong with b, if anything.
func (b Bursts) Validate() error {
	var errs []error
	for _, p := range []struct {
		name string
		v    float64
	}{{"of getting worse", b.Worsen}, {"of recovering", b.Recover}, {"of loss while good", b.LossGood}, {"of loss while bad", b.LossBad}} {
		if !(p.v >= 0 && p.v <= 1) {
			errs = append(errs, fmt.Errorf("bursts: chance %s %v: must be 0 to 1", p.name, p.v))
		}
	}
	return errors.Join(errs...)
}

// BadShare is the share of slots in the bad state: worsen ÷ (worsen+recover).
func (b Bursts) BadShare() float64 {
	if b.Worsen == 0 {
		return 0
	}
	return b.Worsen / (b.Worsen + b.Recover)
}

// LossRate is the share of attempts lost in the long run.
func (b Bursts) LossRate() float64 {
	bad := b.BadShare()
	return float64((1-bad)*b.LossGood) + float64(bad*b.LossBad)
}

// MeanBad is the mean length of a bad spell in slots: 1 ÷ recover. With no
// loss while good and nothing but loss while bad it is the mean burst.
func (b Bursts) MeanBad() float64 { return 1 / b.Recover }

// A channel is where the chain is. What it does depends on its seed alone, not
// on when it is looked at.
type channel struct {
	rng   random.PCG
	bad   bool
	until int64 // first slot of the next spell
}

const forever = math.MaxInt64

func (b *Bursts) start(seed uint64) channel {
	var c channel
	c.rng.Seed(seed)
	c.bad = uniform(&c.rng) <= b.BadShare()
	c.until = b.spell(&c)
	return c
}

// spell is how many slots the state just entered lasts.
func (b *Bursts) spell(c *channel) int64 {
	if c.bad {
		return geometric(&c.rng, b.Recover)
	}
	return geometric(&c.rng, b.Worsen)
}

// seek brings the chain to a slot.
func (b *Bursts) seek(c *channel, slot int64) {
	for c.until <= slot {
		c.bad = !c.bad
		n := b.spell(c)
		if n > forever-c.until {
			n = forever - c.until
		}
		c.until += n
	}
}

// loss is the chance of loss in the state the channel is in.
func (b *Bursts) loss(c *channel) float64 {
	if c.bad {
		return b.LossBad
	}
	return b.LossGood
}

// uniform is in (0, 1], on a grid of 2^-53.
func uniform(r *random.PCG) float64 { return float64(r.Uint64()>>11+1) / (1 << 53) }

// geometric draws how many trials of chance p it takes to succeed: the least k
// with (1-p)^k < u. It multiplies only, with no logarithm, so that every
// processor draws the same.
func geometric(r *random.PCG, p float64) int64 {
	u := uniform(r)
	q := 1 - p
	if q >= 1 {
		return forever
	}
	if q < u {
		return 1
	}
	var pow [40]float64 // q^(2^i)
	n := 0
	for pow[0] = q; n+1 < len(pow) && pow[n] >= u; n++ {
		pow[n+1] = pow[n] * pow[n]
	}
	// q^(2^n) < u, or the draw is cut off at 2^40 slots
	k, at := int64(0), 1.0
	for i := n; i >= 0; i-- {
		if at*pow[i] >= u {
			at *= pow[i]
			k += 1 << i
		}
	}
	return k + 1
}
