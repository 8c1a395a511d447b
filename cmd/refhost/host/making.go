package host

import "math/big"

// making is a row in the making: what one reading becomes, step by step. A
// mistake of the number, the rounding or the zone changes it at a step.
type making struct {
	gauge  *gauge
	memory *memory
	said   reading

	value *big.Rat // in from until it is converted, then in unit; nil: there is none
	from  unit
	ratio *big.Rat // that converts value
	unit  unit     // of the records
	word  string   // for it

	step     *big.Rat
	places   int // decimals that are written
	rounding string
	shown    *big.Rat // value as it is written, rounded after the mistakes of rounding

	unrounded     bool // value decides, not shown
	limits        channel
	strict        bool     // a value on a specification limit lies outside
	strictWarning bool     // and one on a warning limit
	binary        bool     // the value is compared as a binary fraction of 32 bits with one of 64
	guard         *big.Rat // specification limits lie so much further in
	guardWarning  *big.Rat
	unproven      bool
	warningsFirst bool
	zone          string
}

// step is where in the making of a row a mistake is made.
type step int

// The steps, in their order.
const (
	none       step = iota // the mistake is made somewhere else in the host
	asSent                 // value is the number as the gauge said it
	converting             // ratio is known, and not applied yet
	converted              // value is in the records' unit
	rounding               // shown is about to be rounded
	judging                // the value and the rules are about to be compared
	judged                 // zone is known
)

// make makes what a reading of a channel becomes in the records.
func (h *mind) make(g int, r reading) *making {
	j, gauge := h.job, &h.job.Gauges[g]
	m := &making{
		gauge: gauge, memory: h.memory(g, r.channel), said: r, from: r.unit, unit: j.Unit, word: string(j.Unit),
		step: j.Resolution.rat, places: j.Resolution.places, rounding: j.Rounding,
		unrounded: j.Decide == "unrounded", limits: gauge.Channels[r.channel], strict: j.LimitsAre == "strict", strictWarning: j.LimitsAre == "strict",
		guard: j.Guard.value(), guardWarning: new(big.Rat), unproven: j.Unproven,
	}
	if own := m.limits.Resolution; own != nil {
		m.step, m.places = own.rat, own.places
	}
	if !r.void {
		m.value = new(big.Rat).Set(r.value)
	}
	h.mistakes(asSent, m)
	if m.value != nil {
		m.ratio = ratio(m.from, m.unit)
		h.mistakes(converting, m)
		m.value.Mul(m.value, m.ratio)
		right := new(big.Rat).Set(m.value)
		h.mistakes(converted, m)
		if m.memory.value = right; m.memory.greatest == nil || right.Cmp(m.memory.greatest) > 0 {
			m.memory.greatest = right
		}
		m.shown = m.value
		h.mistakes(rounding, m)
		m.shown = round(m.shown, m.step, m.rounding)
	}
	h.mistakes(judging, m)
	m.zone = m.place()
	right := m.zone
	h.mistakes(judged, m)
	m.memory.zone = right
	return m
}

// mistakes makes the host's mistakes of a step.
func (h *mind) mistakes(at step, m *making) {
	for _, d := range h.steps[at] {
		d(m)
	}
}

// text is the value as it is written.
func (m *making) text() string {
	if m.shown == nil {
		return ""
	}
	return m.shown.FloatString(m.places)
}

// place finds the zone.
func (m *making) place() string {
	x := m.shown
	if x == nil {
		return "void"
	}
	if m.unrounded {
		x = m.value
	}
	limits, warnings := m.outside(x, m.limits.Lower, m.limits.Upper, m.guard, m.strict), m.outside(x, m.limits.WarnLower, m.limits.WarnUpper, m.guardWarning, m.strictWarning)
	limit, warning := [...]string{"below", "", "above"}[limits+1], [...]string{"warn-low", "", "warn-high"}[warnings+1]
	switch {
	case warning != "" && (limit == "" || m.warningsFirst):
		return warning
	case limit != "" && m.unproven && m.outside(x, m.limits.Lower, m.limits.Upper, new(big.Rat).Neg(m.guard), m.strict) == 0:
		return "unproven"
	case limit != "":
		return limit
	}
	return "inside"
}

// outside is on which side of two limits x lies, or 0 between them. The limits
// may be absent; they lie further in by a guard band (ISO 14253-1).
func (m *making) outside(x *big.Rat, lower, upper *number, guard *big.Rat, strict bool) int {
	beyond := func(limit *number, side int) bool {
		if limit == nil {
			return false
		}
		past := new(big.Rat).Mul(limit.value(), ratio(m.limits.LimitsUnit, m.unit))
		if m.binary {
			past.Sub(past, new(big.Rat).Mul(guard, big.NewRat(int64(side), 1)))
			value, _ := x.Float32()
			at, _ := past.Float64()
			d := float64(side) * (float64(value) - at)
			return d > 0 || strict && d == 0
		}
		past.Sub(x, past)
		if side < 0 {
			past.Neg(past)
		}
		past.Add(past, guard)
		return past.Sign() > 0 || strict && past.Sign() == 0
	}
	switch {
	case beyond(lower, -1):
		return -1
	case beyond(upper, +1):
		return +1
	}
	return 0
}
