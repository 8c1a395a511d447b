package link

import (
	"math"
	"testing"

	"example.org/understudy/sim/random"
	"pgregory.net/rapid"
)

// Long seeded runs against the closed forms: share worsen/(worsen+recover) and
// mean burst 1/recover (Gilbert 1960, Elliott 1963). The tolerance is five
// standard errors: of the share, √(π(1-π)(1+λ)/((1-λ)n)) with λ = 1-worsen-
// recover; of the mean burst, √(1-recover)/recover/√k.
//
// Kind: outside.
func TestGilbertElliott(t *testing.T) {
	for _, b := range []Bursts{
		{Worsen: 0.01, Recover: 0.1, LossBad: 1},
		{Worsen: 0.001, Recover: 0.02, LossBad: 1},
		{Worsen: 0.3, Recover: 0.4, LossBad: 1},
		{Worsen: 1, Recover: 1, LossBad: 1}, // strictly by turns
		{Worsen: 0.01, Recover: 0.1, LossGood: 0.02, LossBad: 0.7},
		{Worsen: 0, Recover: 1, LossGood: 0.25, LossBad: 1},
	} {
		const n = 2_000_000
		c := b.start(7)
		var r random.PCG
		r.Seed(8)
		bad, lost, runs, run := 0, 0, 0, 0
		for slot := int64(0); slot < n; slot++ {
			b.seek(&c, slot)
			if c.bad {
				bad++
				run++
			} else if run > 0 {
				runs++
				run = 0
			}
			if p := b.loss(&c); p > 0 && uniform(&r) <= p {
				lost++
			}
		}
		pi, lambda := b.BadShare(), 1-b.Worsen-b.Recover
		se := math.Sqrt(pi * (1 - pi) * (1 + lambda) / ((1 - lambda) * n))
		near(t, "share of bad slots", float64(bad)/n, pi, 5*se+1.0/n)
		spread := math.Abs(b.LossBad - b.LossGood)
		near(t, "loss rate", float64(lost)/n, b.LossRate(), 5*(spread*se+0.5/math.Sqrt(n)))
		if runs > 0 {
			se := math.Sqrt(1-b.Recover) / b.Recover / math.Sqrt(float64(runs))
			near(t, "mean bad spell", float64(bad)/float64(runs), b.MeanBad(), 5*se+1e-3)
		}
	}
}

// The number of trials against its distribution, P(k) = (1-p)^(k-1)·p, by
// chi-square with 10 cells (9 degrees of freedom: 99.99 % is 33.7) and by its
// mean.
//
// Kind: outside.
func TestGeometric(t *testing.T) {
	var r random.PCG
	r.Seed(1)
	for _, p := range []float64{0.9, 0.5, 0.1, 0.003} {
		const n = 400_000
		width := math.Max(1, math.Round(0.15/p))
		var cells [10]float64
		sum := 0.0
		for range n {
			k := geometric(&r, p)
			if k < 1 {
				t.Fatalf("%d trials", k)
			}
			sum += float64(k)
			cells[min(9, int(float64(k-1)/width))]++
		}
		chi := 0.0
		for i, got := range cells {
			want := math.Pow(1-p, float64(i)*width)
			if i < 9 {
				want -= math.Pow(1-p, float64(i+1)*width)
			}
			if want *= n; want > 5 {
				chi += (got - want) * (got - want) / want
			}
		}
		if chi > 33.7 {
			t.Errorf("p %v: chi-square %v", p, chi)
		}
		near(t, "mean", sum/n, 1/p, 5*math.Sqrt(1-p)/p/math.Sqrt(n))
	}
	if k := geometric(&r, 0); k != forever {
		t.Errorf("never: %d", k)
	}
	if k := geometric(&r, 1e-17); k < 1 {
		t.Errorf("hardly ever: %d", k)
	}
	for range 1000 {
		if k := geometric(&r, 1); k != 1 {
			t.Errorf("always: %d", k)
		}
	}
}

// The channel does what it does whenever it is looked at.
//
// Kind: property.
func TestChannelIgnoresWatchers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := Bursts{Worsen: rapid.Float64Range(0, 1).Draw(t, "worsen"), Recover: rapid.Float64Range(0, 1).Draw(t, "recover")}
		seed := rapid.Uint64().Draw(t, "seed")
		last := rapid.Int64Range(1, 2000).Draw(t, "last")
		one, many := b.start(seed), b.start(seed)
		for slot := int64(0); slot < last; slot += rapid.Int64Range(1, 100).Draw(t, "step") {
			b.seek(&many, slot)
		}
		b.seek(&one, last)
		b.seek(&many, last)
		if one != many {
			t.Fatalf("%+v, watched %+v", one, many)
		}
	})
}

// A state that is never left is kept for ever.
//
// Kind: property.
func TestNoWayBack(t *testing.T) {
	b := Bursts{Worsen: 0.5}
	c := channel{until: 5} // good, though such a chain hardly ever starts so
	for slot := int64(100); slot < 1<<60; slot *= 3 {
		if b.seek(&c, slot); !c.bad {
			t.Fatalf("good again at slot %d", slot)
		}
	}
}
