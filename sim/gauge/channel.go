package gauge

import (
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

type channel struct {
	name   string
	stroke decimal.Length
	calc   *Calc
	Settings
	step     decimal.Length   // the resolution in pm
	datum    decimal.Fraction // pm
	raw      decimal.Length   // pressed, as the probe says
	pressed  decimal.Length   // averaged
	void     Void
	base     decimal.Fraction // pm, what the factor and the datum work on
	value    decimal.Fraction // pm, of the last valid sample
	max, min decimal.Fraction
	memory   bool // max and min hold something

	mean      moving
	low, high decimal.Length // pressed, since the tip came to where it is
	came      time.Duration  // when that was
	rest      decimal.Length // where the tip was when it last counted as activity
	sent      decimal.Fraction
	last      Void // of what was last streamed; with sent
	told      bool // something was streamed on change since the gauge came on
}

// moving is a moving sum over the last samples.
type moving struct {
	ring [MaxAverage]decimal.Length
	n    int // samples in it
	at   int
	sum  decimal.Length
}

// add takes a sample and returns the mean of the last n.
func (m *moving) add(l decimal.Length, n int) decimal.Length {
	if n <= 1 {
		return l
	}
	if m.n > n {
		*m = moving{} // the setting became shorter
	}
	if m.n == n {
		m.sum -= m.ring[(m.at+MaxAverage-n)%MaxAverage]
		m.n--
	}
	m.ring[m.at] = l
	m.at = (m.at + 1) % MaxAverage
	m.sum += l
	m.n++
	return decimal.Length(decimal.Quo64(int64(m.sum), int64(m.n), decimal.HalfEven))
}

// sample takes in the probes' tips. Out of turn a moving mean stays as it is.
func (g *Gauge) sample(at time.Duration, tips []Tip, inTurn bool) {
	for i := range g.ch {
		c := &g.ch[i]
		if c.calc != nil {
			g.compute(c)
			continue
		}
		t := Tip{Void: Missing}
		if i < len(tips) {
			t = tips[i]
		}
		if !inTurn && c.Average > 1 && c.void == Valid && t.Void == Valid {
			continue
		}
		c.raw, c.pressed, c.void = t.Pressed, t.Pressed, t.Void
		if c.void != Valid {
			c.mean = moving{}
			continue
		}
		if c.Average > 1 {
			c.pressed = c.mean.add(t.Pressed, c.Average)
		}
		if s := g.p.Power.Stir; s > 0 && (c.raw-c.rest > s || c.rest-c.raw > s) {
			c.rest, g.stirred = c.raw, at
		}
		c.base = c.sensed(c.pressed)
		c.value = g.measure(c, c.base)
		if g.p.Chain.RawMemory && c.Average > 1 {
			c.remember(g.measure(c, c.sensed(c.raw)))
		} else {
			c.remember(c.value)
		}
	}
}

// settled reports whether the tip has kept within a length for a time.
func (c *channel) settled(at time.Duration, within decimal.Length, span time.Duration) bool {
	low, high := min(c.low, c.pressed), max(c.high, c.pressed)
	if c.void != Valid || high-low > within {
		low, high, c.came = c.pressed, c.pressed, at
	}
	c.low, c.high = low, high
	return c.void == Valid && at-c.came >= span
}

// compute makes a computed channel's value. It is void for the worst reason of
// the channels it is made of, and no other channel is.
func (g *Gauge) compute(c *channel) {
	g.args = g.args[:0]
	c.void = Valid
	for _, j := range c.calc.Of {
		c.void = max(c.void, g.ch[j].void)
		g.args = append(g.args, g.ch[j].value)
	}
	if c.void != Valid {
		return
	}
	base, ok := c.calc.Value(g.args)
	if !ok {
		c.void = Over // a division by zero has no number
		return
	}
	c.base = base
	c.value = g.measure(c, base)
	c.remember(c.value)
}

func (c *channel) sensed(pressed decimal.Length) decimal.Fraction {
	if c.Sense == Falling {
		pressed = c.stroke - pressed
	}
	return whole(pressed)
}

// measure is the chain from what was sensed to the value.
func (g *Gauge) measure(c *channel, base decimal.Fraction) decimal.Fraction {
	if g.p.Chain.FactorLast {
		return base.Add(c.datum).Mul(c.Factor.Fraction())
	}
	return base.Mul(c.Factor.Fraction()).Add(c.datum)
}

func (c *channel) remember(v decimal.Fraction) {
	if !c.memory {
		c.max, c.min, c.memory = v, v, true
		return
	}
	if v.Cmp(c.max) > 0 {
		c.max = v
	}
	if v.Cmp(c.min) < 0 {
		c.min = v
	}
}

// clear forgets max and min; a valid present value starts them anew.
func (c *channel) clear() {
	c.memory = false
	if c.void == Valid {
		c.remember(c.value)
	}
}

// rechain works the values out anew after the chain of channel i has changed:
// its own, and those computed of it. What max and min held means nothing then.
func (g *Gauge) rechain(i int) {
	stale := make([]bool, len(g.ch))
	for k := range g.ch {
		c := &g.ch[k]
		stale[k] = k == i
		if c.calc != nil {
			for _, j := range c.calc.Of {
				stale[k] = stale[k] || stale[j]
			}
		}
		if !stale[k] {
			continue
		}
		c.memory = false
		switch {
		case c.calc != nil:
			g.compute(c)
		case c.void == Valid:
			c.base = c.sensed(c.pressed)
			c.value = g.measure(c, c.base)
			c.remember(c.value)
		}
	}
}

// setDatum makes the present value of channel i read as target.
func (g *Gauge) setDatum(i int, target decimal.Length) {
	c := &g.ch[i]
	if factor := c.Factor.Fraction(); g.p.Chain.FactorLast {
		c.datum = whole(target).Quo(factor).Sub(c.base).Trim()
	} else {
		c.datum = whole(target).Sub(factor.Mul(c.base))
	}
	g.rechain(i)
}

// reading is the chain from the function on. A probe that is missing voids
// every function; a tip out of range voids only the live one, because max,
// min and fim are read after the gauge has left the part.
func (g *Gauge) reading(i int) Reading {
	c := &g.ch[i]
	r := Reading{Channel: i, Pressed: c.pressed, Unit: c.Unit, Function: c.Function}
	switch {
	case c.void == Missing, c.Function == Live && c.void != Valid:
		r.Void = c.void
		return r
	case c.Function != Live && !c.memory:
		r.Void = Empty
		return r
	}
	switch c.Function {
	case Live:
		r.Exact = c.value
	case Max:
		r.Exact = c.max
	case Min:
		r.Exact = c.min
	case FIM:
		r.Exact = c.max.Sub(c.min)
	}
	step := decimal.New(int64(c.step), 0)
	n, ok := r.Exact.Steps(step, c.Rounding)
	if !ok {
		r.Void = Over // more steps than any display or frame can hold
		return r
	}
	r.Shown = c.Resolution.Mul(decimal.New(n, 0))
	judged := r.Exact.Beside()
	if c.Rule.Decide == zone.Displayed {
		judged = step.Mul(decimal.New(n, 0))
	}
	r.Zone = c.Limits.Place(judged, c.Rule)
	return r
}

// datum sets the datum of one channel, or of all (−1). It is refused, and
// nothing changes, when any of them has no valid value.
func (g *Gauge) datum(ch int, target func(*channel) decimal.Length, name, by string, out *Out) Refusal {
	for i := range g.ch {
		if (ch < 0 && g.ch[i].calc == nil || i == ch) && g.ch[i].void != Valid {
			g.buzz("refused", out)
			return NoReading
		}
	}
	// Computed channels follow those they are made of: they have their own
	// datum set only when they are meant by themselves.
	for i := range g.ch {
		c := &g.ch[i]
		if ch >= 0 && i != ch || ch < 0 && c.calc != nil {
			continue
		}
		from, to := c.value, target(c)
		g.setDatum(i, to)
		out.add(Emission{Kind: Changed, Change: Change{Name: name, Channel: i, From: inUnit(from, c.Unit), To: inUnit(whole(to), c.Unit), By: by}})
	}
	g.renewed = true
	g.buzz("datum", out)
	return Done
}

// inUnit writes a value in pm in a unit.
func inUnit(pm decimal.Fraction, u decimal.Unit) string {
	l, _ := pm.Decimal(0).Quantize(0, decimal.HalfEven).Int64()
	v, _ := decimal.Length(l).In(u)
	return v.String() + " " + u.Symbol()
}
