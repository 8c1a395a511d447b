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
	v := m.number(g, r)
	from, to := decimal.New(int64(r.Unit.Size()), 0), decimal.New(int64(m.Unit.Size()), 0)
	pm := v.Mul(from)
	inches := decimal.New(int64(decimal.Inch), 0)
	switch {
	case r.Unit == m.Unit:
	case m.has(unitUnconverted):
		return v.Mul(to)
	case m.has(unitConvertedTwice):
		return pm.Mul(from).Quo(to, -9, decimal.HalfEven)
	case m.has(unitInverted):
		return v.Mul(to).Mul(to).Quo(from, -9, decimal.HalfEven)
	case m.has(inchAs25) && r.Unit == decimal.IN:
		return v.Mul(decimal.New(25e9, 0))
	case m.has(inchAs25) && m.Unit == decimal.IN:
		return pm.Mul(inches).Quo(decimal.New(25e9, 0), -9, decimal.HalfEven)
	}
	return pm
}

// number is the value the host takes from the frame, in the gauge's unit.
func (m *model) number(g int, r Reading) decimal.Decimal {
	v := r.Shown
	if m.on == (Set{}) {
		return v
	}
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
	if f := gauge.Factor; !f.IsZero() {
		if m.has(factorTwice) {
			v = v.Mul(f)
		}
		if m.has(factorInverted) {
			v = v.Quo(f, v.Exponent()-6, decimal.HalfEven)
		}
	}
	if gauge.Preset != 0 && (m.has(datumTwice) || m.has(datumDropped) || m.has(senseInverted)) {
		preset, _ := gauge.Preset.In(r.Unit)
		if m.has(datumTwice) {
			v = v.Add(preset)
		}
		if m.has(datumDropped) {
			v = v.Sub(preset)
		}
		if m.has(senseInverted) {
			v = preset.Add(preset).Sub(v)
		}
	}
	return v
}

// display rounds a length to the host's step: in the host's unit, and in pm.
func (m *model) display(pm decimal.Decimal) (shown, shownPM decimal.Decimal) {
	step, rounding := m.Resolution, m.Rounding
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

// place gives the zone, and the other one a cause may lead to.
func (m *model) place(g, c int, r Reading, received, shown decimal.Decimal) (z, second zone.Zone) {
	if c >= len(m.Gauges[g].Channels) {
		return zone.Inside, zone.Inside
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
		z = ch.Limits.Place(v, rule)
		return z, z
	}
	l := ch.Limits
	warn := zone.Limits{Lower: l.WarnLower, Upper: l.WarnUpper}
	warnRule := zone.Rule{Strict: rule.Strict}
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
	decide := func(strict bool) zone.Zone {
		rule, warnRule := rule, warnRule
		rule.Strict = rule.Strict || strict
		warnRule.Strict = warnRule.Strict || strict
		spec := zone.Limits{Lower: l.Lower, Upper: l.Upper}.Place(v, rule)
		warned := warn.Place(v, warnRule)
		if spec == zone.Inside || m.has(warningsFirst) && warned != zone.Inside {
			switch warned {
			case zone.Below:
				return zone.WarnLow
			case zone.Above:
				return zone.WarnHigh
			}
			return spec
		}
		return spec
	}
	z = decide(false)
	second = z
	if m.has(floatCompare) {
		// The last bit of a binary fraction is off by chance, so that a value
		// equal to a limit falls on either side of it.
		second = decide(true)
	}
	if m.has(warningsAsLimits) {
		switch z {
		case zone.WarnLow:
			z = zone.Below
		case zone.WarnHigh:
			z = zone.Above
		}
		second = z
	}
	if m.has(limitsSwapped) {
		mirror := [...]zone.Zone{zone.Void, zone.Above, zone.WarnHigh, zone.Inside, zone.WarnLow, zone.Below}
		z, second = mirror[z], mirror[second]
	}
	return z, second
}
