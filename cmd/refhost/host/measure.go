package host

import (
	"math"
	"strconv"
	"strings"
	"time"

	"example.org/understudy/sim/decimal"
)

// The way of a reading from the wire to the record: number → length →
// displayed value → zone → row. It is written here on its own, apart from the
// simulator's, so that the two check each other.

// length is a reading as the host understands it, in picometres, exactly. The
// gauge has applied its factor and its datum already, so nothing is left but
// the unit.
func (c *core) length(g int, r reading) decimal.Decimal {
	if r.unit.Unit == decimal.PM { // a length the host has worked out before
		return r.value
	}
	v := c.number(g, r)
	from, to := r.unit, c.job.Unit
	pm := v.Mul(from.size())
	metricAndInch := (from.Unit == decimal.IN) != (to.Unit == decimal.IN)
	switch {
	case from == to:
	case c.has("unit-unconverted"):
		pm = v.Mul(to.size())
	case c.has("unit-converted-twice"):
		pm = pm.Mul(from.size()).Quo(to.size(), -9, decimal.HalfEven)
	case c.has("unit-inverted"):
		pm = v.Mul(to.size()).Mul(to.size()).Quo(from.size(), -9, decimal.HalfEven)
	case c.has("inch-as-25") && metricAndInch && from.Unit == decimal.IN:
		pm = v.Mul(decimal.New(25e9, 0))
	case c.has("inch-as-25") && metricAndInch:
		pm = pm.Mul(decimal.New(1016, -3)) // 25.4/25
	}
	return pm
}

// number is the value of a reading as the host takes it from the frame, in the
// gauge's unit.
func (c *core) number(g int, r reading) decimal.Decimal {
	v, gauge := r.value, c.job.Gauges[g]
	if c.has("sign-lost") {
		v = v.Abs()
	}
	if c.has("sign-inverted") {
		v = v.Neg()
	}
	if c.has("sign-not-extended") && v.Sign() < 0 {
		v = v.Add(r.wrap)
	}
	if c.has("decimal-comma") {
		v = v.Quantize(0, decimal.Truncate)
	}
	if c.has("decimal-shifted") {
		v = v.Mul(decimal.New(10, 0))
	}
	if f := gauge.Factor; f != nil && !f.IsZero() {
		if c.has("factor-twice") {
			v = v.Mul(*f)
		}
		if c.has("factor-inverted") {
			v = v.Quo(*f, v.Exponent()-6, decimal.HalfEven)
		}
	}
	if p := gauge.Preset; p != nil {
		if c.has("datum-twice") {
			v = v.Add(*p)
		}
		if c.has("datum-dropped") {
			v = v.Sub(*p)
		}
		if c.has("sense-inverted") {
			v = p.Add(*p).Sub(v)
		}
	}
	return v
}

// display rounds a length to the host's step. It returns the value in the
// host's unit and as a length.
func (c *core) display(pm decimal.Decimal) (shown, shownPM decimal.Decimal) {
	step, rounding := c.job.Resolution, c.job.Rounding
	if c.has("rounds-coarse") {
		step = decimal.New(1, 1).Mul(step)
	}
	stepPM := step.Mul(c.job.Unit.size())
	if c.has("rounds-twice") {
		pm = pm.RoundTo(stepPM.Mul(decimal.New(1, -1)), rounding)
	}
	if c.has("not-rounded") {
		return pm.Quo(c.job.Unit.size(), step.Exponent()-2, decimal.HalfEven), pm
	}
	if c.has("truncates") {
		rounding = decimal.Truncate
	}
	if c.has("rounds-half-up") {
		rounding = decimal.HalfUp
	}
	if c.has("rounds-half-even") {
		rounding = decimal.HalfEven
	}
	steps := pm.Quo(stepPM, 0, rounding)
	return step.Mul(steps), stepPM.Mul(steps)
}

// zone judges a value of a channel; both values are in picometres.
func (c *core) zone(ch channel, received, shown decimal.Decimal) string {
	v := shown
	unrounded := c.job.Decide == "unrounded"
	if c.has("decides-unrounded") {
		unrounded = true
	}
	if c.has("decides-displayed") {
		unrounded = false
	}
	if unrounded {
		v = received
	}
	strict, warnStrict := c.job.LimitsAre == "strict", c.job.LimitsAre == "strict"
	if c.has("strict-limits") {
		strict = true
	}
	if c.has("inclusive-limits") {
		strict = false
	}
	if c.has("strict-warnings") {
		warnStrict = true
	}
	guard := c.job.Guard.Mul(c.job.Unit.size())
	if c.has("guard-ignored") {
		guard = decimal.Decimal{}
	}
	if c.has("guard-outwards") {
		guard = guard.Neg()
	}
	warnGuard := decimal.Decimal{}
	if c.has("guard-on-warnings") {
		warnGuard = guard
	}
	limitsUnit := ch.LimitsUnit
	if c.has("limits-unit") {
		limitsUnit = limitsUnit.other()
	}
	// beyond: the value lies further out than the limit, which inward has moved
	// in. Out is +1 for an upper limit, −1 for a lower one.
	beyond := func(limit *decimal.Decimal, inward decimal.Decimal, out int, strict bool) bool {
		if limit == nil {
			return false
		}
		at := limit.Mul(limitsUnit.size())
		if out > 0 {
			at = at.Sub(inward)
		} else {
			at = at.Add(inward)
		}
		if c.has("float-compare") {
			// The value has been through sums of binary fractions; the last
			// place of it is off by one, outwards at worst.
			return float64(out)*math.Nextafter(v.Float64(), math.Inf(out)) > float64(out)*at.Float64()
		}
		side := v.Cmp(at) * out
		return side > 0 || side == 0 && strict
	}
	below := beyond(ch.Lower, guard, -1, strict) && !c.has("lower-ignored")
	above := beyond(ch.Upper, guard, +1, strict) && !c.has("upper-ignored")
	warnLow := beyond(ch.WarnLower, warnGuard, -1, warnStrict) && !c.has("warnings-ignored")
	warnHigh := beyond(ch.WarnUpper, warnGuard, +1, warnStrict) && !c.has("warnings-ignored")
	if c.has("warnings-first") && (warnLow || warnHigh) {
		below, above = false, false
	}
	if c.has("warnings-as-limits") {
		below, above = below || warnLow, above || warnHigh
	}
	if c.has("limits-swapped") {
		below, above, warnLow, warnHigh = above, below, warnHigh, warnLow
	}
	switch {
	case below:
		return "below"
	case above:
		return "above"
	case warnLow:
		return "warn-low"
	case warnHigh:
		return "warn-high"
	}
	return "in"
}

// record makes the row of a reading.
func (c *core) record(g int, r reading, tag string, now time.Time) {
	ch := &c.gauges[g].channels[r.channel]
	limits := c.job.Gauges[g].Channels[r.channel]
	out := row{time: now, gauge: c.gaugeName(g), channel: limits.Name, tag: tag, unit: c.job.Unit.Symbol(), event: "reading"}
	if c.has("unit-label") {
		out.unit = c.job.Unit.other().Symbol()
	}
	if r.void {
		switch {
		case c.has("void-as-zero"):
			r = inPicometres(r, decimal.Decimal{})
		case c.has("void-as-last") && ch.anyGot:
			r = inPicometres(r, ch.got)
		}
	}
	if r.void {
		out.zone = "void"
		if c.has("void-in") {
			out.zone = "in"
		}
	} else {
		pm := c.length(g, r)
		own := pm
		if ch.anyRec {
			switch {
			case c.has("value-stale"):
				pm = ch.recorded
			case c.has("averages"):
				pm = pm.Add(ch.recorded).Mul(decimal.New(5, -1))
			case c.has("greatest-so-far") && ch.greatest.Cmp(pm) > 0:
				pm = ch.greatest
			}
		}
		ch.recorded, ch.greatest, ch.anyRec = own, pm, true
		value, shown := c.display(pm)
		out.value = value.String()
		if c.has("limits-of-first") {
			limits = c.job.Gauges[g].Channels[0]
		}
		out.zone = c.zone(limits, pm, shown)
	}
	if c.has("zone-from-gauge") && r.zone != "" && !r.void {
		out.zone = r.zone
	}
	if c.has("zone-always-in") {
		out.zone = "in"
	}
	judged := out.zone
	if c.has("zone-stale") && ch.zone != "" {
		out.zone = ch.zone
	}
	ch.zone = judged
	c.put(out)
	if len(c.late) > 0 {
		c.overdue(out.gauge, 3, now)
	}
}

func number(n int64) string { return strconv.FormatInt(n, 10) }

// columns are the fields of a row, in the order of header.
func (r row) columns() []string {
	return []string{r.time.UTC().Format("2006-01-02T15:04:05.000000000Z07:00"), r.gauge, r.channel, r.tag, r.value, r.unit, r.zone, r.event}
}

var header = strings.Split("time,gauge,channel,tag,value,unit,zone,event", ",")
