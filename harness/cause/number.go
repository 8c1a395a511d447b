package cause

import (
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// The way of a reading to its row: number, length, displayed value, zone.

// length is a reading as the host understands it, in picometres.
func (m *model) length(g int, r Reading) decimal.Decimal {
	if r.Unit == decimal.PM { // worked out before
		return r.Shown
	}
	if m.on == (Set{}) {
		return r.Length()
	}
	return m.mistaken(r, m.number(g, r)).Decimal(-12) // what lies on a tie has an end long before
}

// mistaken is the length of a number, by the mistakes of units.
func (m *model) mistaken(r Reading, v decimal.Fraction) decimal.Fraction {
	whole := func(l decimal.Length) decimal.Fraction { return decimal.New(int64(l), 0).Fraction() }
	from, to := whole(r.Unit.Size()), whole(m.Unit.Size())
	pm := v.Mul(from)
	switch {
	case r.Unit == m.Unit:
	case m.has(unitUnconverted):
		return v.Mul(to)
	case m.has(unitConvertedTwice):
		return pm.Mul(from).Quo(to)
	case m.has(unitInverted):
		return v.Mul(to).Mul(to).Quo(from)
	case m.has(inchAs25) && r.Unit == decimal.IN:
		return v.Mul(whole(25e9))
	case m.has(inchAs25) && m.Unit == decimal.IN:
		return pm.Mul(whole(decimal.Inch)).Quo(whole(25e9))
	}
	return pm
}

// number is the value the host takes from the frame, in the gauge's unit.
func (m *model) number(g int, r Reading) decimal.Fraction {
	v := r.Shown
	gauge := &m.Gauges[g]
	if m.has(signLost) {
		v = v.Abs()
	}
	if m.has(signInverted) {
		v = v.Neg()
	}
	if m.has(signNotExtended) && v.Sign() < 0 {
		p := m.param[signNotExtended] // bits×16 + finer decimals
		v = v.Add(decimal.New(1<<(p/16), v.Exponent()-p%16))
	}
	if m.has(decimalComma) {
		v = v.Quantize(0, decimal.Truncate)
	}
	if m.has(decimalShifted) {
		v = v.Mul(decimal.New(1, m.param[decimalShifted]))
	}
	n := v.Fraction()
	if f := gauge.Factor.Fraction(); f.Sign() != 0 {
		if m.has(factorTwice) {
			n = n.Mul(f)
		}
		if m.has(factorInverted) {
			n = n.Quo(f)
		}
	}
	if m.has(datumTwice) || m.has(datumDropped) || m.has(senseInverted) {
		told, _ := gauge.Preset.In(r.Unit)
		preset := told.Fraction()
		if m.has(datumTwice) {
			n = n.Add(preset)
		}
		if m.has(datumDropped) {
			n = n.Sub(preset)
		}
		if m.has(senseInverted) {
			n = preset.Add(preset).Sub(n)
		}
	}
	return n
}

// display rounds a length to the host's step: in the host's unit, and in pm.
func (m *model) display(g, c int, pm decimal.Decimal) (shown, shownPM decimal.Decimal) {
	step, rounding := m.Step(g, c), m.Rounding
	size := decimal.New(int64(m.Unit.Size()), 0)
	if m.has(roundsCoarse) {
		step = step.Mul(decimal.New(1, 1))
	}
	stepPM := step.Mul(size)
	if m.has(roundsTwice) {
		pm = pm.RoundTo(stepPM.Mul(decimal.New(1, -1)), rounding)
	}
	switch {
	case m.has(notRounded):
		return pm.Quo(size, step.Exponent()-m.param[notRounded], decimal.HalfEven), pm
	case m.has(truncates):
		rounding = decimal.Truncate
	case m.has(roundsHalfUp):
		rounding = decimal.HalfUp
	case m.has(roundsHalfEven):
		rounding = decimal.HalfEven
	}
	if n, ok := pm.Steps(stepPM, rounding); ok {
		steps := decimal.New(n, 0)
		return step.Mul(steps), stepPM.Mul(steps)
	}
	steps := pm.Quo(stepPM, 0, rounding)
	return step.Mul(steps), stepPM.Mul(steps)
}

// place gives the zone.
func (m *model) place(g, c int, r Reading, received, shown decimal.Decimal) zone.Zone {
	if c >= len(m.Gauges[g].Channels) {
		return zone.Inside
	}
	ch := &m.Gauges[g].Channels[c]
	rule := m.Rule
	if m.has(decidesUnrounded) {
		rule.Decide = zone.Unrounded
	}
	if m.has(decidesDisplayed) {
		rule.Decide = zone.Displayed
	}
	v := shown
	if rule.Decide == zone.Unrounded {
		v = received
	}
	if m.on == (Set{}) {
		return ch.Limits.Place(v, rule)
	}
	spec, warn, warnRule := m.judged(g, ch, r, &rule)
	at := v
	if m.has(floatCompare) {
		v = m.inBinary(v, r, spec, rule.Guard)
		at = m.inBinary(at, r, warn, warnRule.Guard)
	}
	return m.combined(spec.Place(v, rule), warn.Place(at, warnRule))
}

// judged are the limits that the host judges by, and the rule for the warning limits; that
// for the specification limits is changed.
func (m *model) judged(g int, ch *Channel, r Reading, rule *zone.Rule) (spec, warn zone.Limits, warnRule zone.Rule) {
	l := ch.Limits
	warn = zone.Limits{Lower: l.WarnLower, Upper: l.WarnUpper}
	warnRule = zone.Rule{Strict: rule.Strict}
	if m.has(limitsOfFirst) {
		l = m.Gauges[g].Channels[0].Limits
		warn = zone.Limits{Lower: l.WarnLower, Upper: l.WarnUpper}
	}
	switch {
	case m.has(strictLimits):
		rule.Strict = true
	case m.has(inclusiveLimits):
		rule.Strict = false
	}
	if m.has(strictWarnings) {
		warnRule.Strict = true
	}
	if m.has(guardOnWarnings) {
		warnRule.Guard = rule.Guard
	}
	switch {
	case m.has(guardIgnored):
		rule.Guard = 0
	case m.has(guardOutwards):
		rule.Guard = -rule.Guard
	}
	if m.has(limitsUnit) {
		to := other(ch.LimitUnit)
		switch m.param[limitsUnit] {
		case 1:
			to = m.Unit
		case 2:
			to = r.Unit
		}
		for _, at := range []*zone.Limit{&l.Lower, &l.Upper, &warn.Lower, &warn.Upper} {
			if n, ok := at.At.In(ch.LimitUnit); ok {
				at.At, _ = decimal.Exactly(n.Quantize(-9, decimal.HalfEven), to)
			}
		}
	}
	if m.has(upperIgnored) {
		l.Upper.Set = false
	}
	if m.has(lowerIgnored) {
		l.Lower.Set = false
	}
	if m.has(warningsIgnored) {
		warn = zone.Limits{}
	}
	return zone.Limits{Lower: l.Lower, Upper: l.Upper}, warn, warnRule
}

// combined is the zone that a host makes of what it finds by the specification limits and
// by the warning limits.
func (m *model) combined(z, warned zone.Zone) zone.Zone {
	switch {
	case z != zone.Inside && !(m.has(warningsFirst) && warned != zone.Inside):
	case warned == zone.Below:
		z = zone.WarnLow
	case warned == zone.Above:
		z = zone.WarnHigh
	}
	if m.has(warningsAsLimits) {
		switch z {
		case zone.WarnLow:
			z = zone.Below
		case zone.WarnHigh:
			z = zone.Above
		}
	}
	if m.has(limitsSwapped) {
		mirror := [...]zone.Zone{zone.Void, zone.Above, zone.WarnHigh, zone.Inside, zone.WarnLow, zone.Below, zone.Unproven}
		z = mirror[z]
	}
	return z
}

// Ways in which hosts come to a binary fraction that is off in the last place.
const (
	in32Bits   = iota // the value held in 32 bits, the limit in 64
	timesStep         // a number of steps times the step
	timesUnit         // the gauge's number times the factor between the units
	timesPico         // a number of picometres times 1e-9, as it were
	binaryWays        // so many
)

// inBinary is a length moved by 1 pm to the side of a limit that its binary fraction
// is on, where the two are equal.
func (m *model) inBinary(pm decimal.Decimal, r Reading, l zone.Limits, guard decimal.Length) decimal.Decimal {
	for k, at := range []zone.Limit{l.Lower, l.Upper} {
		if k == 0 {
			at.At += guard
		} else {
			at.At -= guard
		}
		if !at.Set || !pm.Equal(decimal.New(int64(at.At), 0)) {
			continue
		}
		size := decimal.New(int64(m.Unit.Size()), 0)
		limit := pm.Quo(size, -18, decimal.HalfEven).Float64()
		x := limit
		switch m.param[floatCompare] {
		case in32Bits:
			x = float64(float32(limit))
		case timesStep:
			if n, ok := pm.Steps(m.Resolution.Mul(size), decimal.HalfEven); ok {
				x = float64(n) * m.Resolution.Float64()
			}
		case timesUnit:
			if r.Unit != m.Unit {
				x = r.Shown.Float64() * (float64(r.Unit.Size()) / float64(m.Unit.Size()))
			}
		case timesPico:
			x = pm.Float64() * (1 / float64(m.Unit.Size()))
		}
		switch {
		case x < limit:
			return pm.Sub(decimal.New(1, 0))
		case x > limit:
			return pm.Add(decimal.New(1, 0))
		}
	}
	return pm
}
