// Package power is the battery of a gauge: how much charge is left, what
// voltage that gives under the load of the moment, when the low flag comes
// and goes, when the gauge browns out and when it starts again.
//
// The state is advanced lazily: Advance moves it to the time asked in one
// step, however long, and the same state comes out whatever the steps, because
// charge is counted in whole attocoulombs (1 nA for 1 ns) and never rounded.
// No floating point takes part once a Cell is made.
//
// Equations, for n cells in series:
//
//	Q(t) = Q0 - (I + leak)·t, Q0 + (η·Icharge - leak)·t   coulomb counting
//	V(t) = n·(U(Q) - (Ipeak-Icharge)·R·r(Q)·k(T))   sag under the radio's peaks
//	leak = capacity·s·2^((T-20)/10) ÷ 30 days       self-discharge
//	k(T) = 2^((20-T)/20), 1 above 20 °C             a cold cell is stiffer
//
// U, r, s and η are the chemistry's (see chemistry.go for their sources). That
// self-discharge doubles every 10 °C and internal resistance every 20 °C below
// 20 °C is common practice, no source. Self-discharge is a constant current,
// not a share of what is left, which keeps the count exact. On the cradle the
// gauge runs from it, and what it does not need flows into the cell: at constant
// current, then, where the chemistry has a voltage that the charger holds, at what
// that voltage drives into it, I = (H - U(Q))/(R·k(T)), worked out in steps of the charge.
// Below 0 °C and above 45 °C nothing is charged and the gauge runs from its cell
// (common practice, no source). Capacity does not shrink
// with rate or cold by itself: a cold or loaded cell is cut off earlier
// because its voltage sags more.
package power

import (
	"errors"
	"fmt"
	"math"
	"math/bits"
	"sort"
	"time"
)

// MicroAmp is a current. Positive draws from the cell.
type MicroAmp int64

// MaxCurrent bounds every current, 10 A.
const MaxCurrent MicroAmp = 10_000_000

// Coldest and Hottest bound the temperature of a cell, °C.
const (
	Coldest = -40
	Hottest = 85
)

// Load is what the gauge asks of its battery for a while.
type Load struct {
	Draw   MicroAmp // mean current, 0 to MaxCurrent
	Peak   MicroAmp // largest current of a radio burst; Draw if smaller
	Charge MicroAmp // current from the cradle, 0 off the cradle
	Temp   int      // °C, Coldest to Hottest
}

// Config describes a battery. Zero thresholds, resistance and temperatures
// take the chemistry's usual values.
type Config struct {
	Chemistry Chemistry
	Series    int     // cells in series, 0 means 1
	Capacity  float64 // milliampere-hours, more than 0 to 100 000
	Charge    float64 // per cent left at the start, 0 to 100
	Milliohm  int     // internal resistance of one cell, full, at 20 °C

	// Thresholds in millivolts of the whole battery under the load's peak.
	// The low flag comes at Low and goes at LowClear; the gauge browns out at
	// Brown and starts again, after Restart, once the unloaded battery is back
	// at Start.
	Low, LowClear, Brown, Start int
	Restart                     time.Duration // 0 means 2 s

	// The gauge's own estimate of the charge left: the current that it draws counted,
	// or the loaded voltage looked up in the chemistry's curve, which reads low under load
	// and cold, and is vague where the curve is flat.
	ByVoltage bool
	Step      int // per cent points of one step of the display, 0 means 1
	LowAt     int // the gauge calls its cell low at this estimate, in per cent; 0: by Low and LowClear
}

// Charging goes on at these temperatures, °C.
const chargeFrom, chargeTo = 0, 45

// stairs are the steps of the charge in which a charging current is worked out.
const stairs = 4096

// Cell is a battery ready to use. It is never changed after New and may be
// shared by any number of states.
type Cell struct {
	cfg      Config
	traits   *traits
	full     int64 // nC
	milliohm int64
	stair    int64    // nC, a step of the charge in which a charging current is the same
	thr      [4]int64 // µV: low, clear, brown, start
	curve    []knot
	leak     [Hottest - Coldest + 1]int64 // nA
	stiff    [Hottest - Coldest + 1]int64 // thousandths
}

const (
	tLow = iota
	tClear
	tBrown
	tStart
)

// State is what changes. It is plain data: copy it to take a snapshot.
type State struct {
	At    time.Duration
	Low   bool          // low battery flag
	Dead  bool          // browned out
	nc    int64         // charge left, nanocoulombs
	ac    int64         // and attocoulombs beyond, 0 to 1e9-1
	ready time.Duration // a browned-out gauge starts then, 0 while it cannot
}

// EventKind is what happened to the battery.
type EventKind uint8

// Battery events.
const (
	WentLow EventKind = iota + 1
	LowCleared
	BrownedOut
	Restarted
)

func (k EventKind) String() string {
	return [...]string{"", "low", "low cleared", "browned out", "restarted"}[k]
}

// Event is something that happened to the battery at a time.
type Event struct {
	At   time.Duration
	Kind EventKind
}

// New checks a description and prepares a battery.
func New(cfg Config) (*Cell, error) {
	if int(cfg.Chemistry) >= len(chemistries) {
		return nil, fmt.Errorf("cell: %v is not known", cfg.Chemistry)
	}
	t := &chemistries[cfg.Chemistry]
	if cfg.Series == 0 {
		cfg.Series = 1
	}
	if cfg.Step == 0 {
		cfg.Step = 1
	}
	if cfg.Restart == 0 {
		cfg.Restart = 2 * time.Second
	}
	n := int64(cfg.Series)
	for _, d := range []struct {
		field *int
		usual int64
	}{{&cfg.Milliohm, t.milliohm}, {&cfg.Low, n * t.low}, {&cfg.LowClear, n * t.clear}, {&cfg.Brown, n * t.brown}, {&cfg.Start, n * t.start}} {
		if *d.field == 0 {
			*d.field = int(d.usual)
		}
	}
	within := func(v, lo, hi float64) bool { return v >= lo && v <= hi } // false for NaN
	var errs []error
	check := func(ok bool, format string, args ...any) {
		if !ok {
			errs = append(errs, fmt.Errorf("cell: "+format, args...))
		}
	}
	check(cfg.Series >= 1 && cfg.Series <= 100, "%d cells in series: must be 1 to 100", cfg.Series)
	check(within(cfg.Capacity, 0.001, 100_000), "capacity %v mAh: must be 0.001 to 100 000", cfg.Capacity)
	check(within(cfg.Charge, 0, 100), "charge %v %%: must be 0 to 100", cfg.Charge)
	check(cfg.Milliohm >= 1 && cfg.Milliohm <= 100_000, "internal resistance %d mΩ: must be 1 to 100 000", cfg.Milliohm)
	check(cfg.Low > 0 && cfg.LowClear > cfg.Low && cfg.LowClear < 1_000_000, "low flag at %d mV, cleared at %d mV: must be above 0, the second above the first, and below 1 000 000", cfg.Low, cfg.LowClear)
	check(cfg.Brown > 0 && cfg.Start > cfg.Brown && cfg.Start < 1_000_000, "brown-out at %d mV, start at %d mV: must be above 0, the second above the first, and below 1 000 000", cfg.Brown, cfg.Start)
	check(cfg.Restart > 0 && cfg.Restart <= time.Hour, "restart after %v: must be above 0 and at most an hour", cfg.Restart)
	check(cfg.LowAt >= 0 && cfg.LowAt <= 100, "low at %d %%: must be 0 to 100", cfg.LowAt)
	check(cfg.Step >= 1 && cfg.Step <= 100, "display step %d %%: must be 1 to 100", cfg.Step)
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	c := &Cell{cfg: cfg, traits: t, milliohm: int64(cfg.Milliohm)}
	c.full = int64(math.Round(cfg.Capacity * 3.6e9)) // 1 mAh = 3.6 C
	c.stair = (c.full + stairs - 1) / stairs
	for i, mv := range []int{cfg.Low, cfg.LowClear, cfg.Brown, cfg.Start} {
		c.thr[i] = int64(mv) * 1000
	}
	for _, p := range t.curve {
		c.curve = append(c.curve, knot{share(p.ppm, 1e6), p.uv, p.resis})
	}
	for i := range c.leak {
		dt := float64(i + Coldest - 20)
		// nC × millionths ÷ s = 1e-6 nA
		c.leak[i] = int64(math.Round(float64(c.full) * float64(t.leak) / 1e6 / (30 * 86400) * math.Exp2(dt/10)))
		c.stiff[i] = int64(math.Round(1000 * math.Exp2(math.Max(0, -dt)/20)))
	}
	return c, nil
}

// Start is the battery at time zero.
func (c *Cell) Start() (s State) {
	c.SetCharge(&s, c.cfg.Charge)
	return s
}

// SetCharge puts the charge to a share of the capacity, 0 to 100 per cent, as
// when a battery is changed or a trainer lets one fade.
func (c *Cell) SetCharge(s *State, percent float64) {
	s.nc, s.ac = c.level(percent), 0
}

// level is the charge in nC at a percentage of the capacity.
func (c *Cell) level(percent float64) int64 {
	return int64(math.Round(float64(c.full) * min(max(percent, 0), 100) / 100))
}

// Charge is the charge left, in millionths of the capacity, rounded down.
func (c *Cell) Charge(s *State) int64 {
	hi, lo := bits.Mul64(uint64(s.nc), 1e6)
	q, _ := bits.Div64(hi, lo, uint64(c.full))
	return int64(q)
}

// Capacity is the capacity in milliampere-hours.
func (c *Cell) Capacity() float64 { return c.cfg.Capacity }

// Volts is the battery's voltage in microvolts while current i flows out of it
// (into it if negative) at temp °C; never below 0.
func (c *Cell) Volts(s *State, i MicroAmp, temp int) int64 { return c.volts(s.nc, i, degree(temp)) }

// knot is a point of the curve with its charge as a share in units of 2^-30.
type knot struct{ x, uv, resis int64 }

// share is a/b in units of 2^-30, for 0 <= a <= b.
func share(a, b int64) int64 {
	hi, lo := bits.Mul64(uint64(a), 1<<30)
	q, _ := bits.Div64(hi, lo, uint64(b))
	return int64(q)
}

// degree is a temperature's place in the tables.
func degree(temp int) int { return min(max(temp, Coldest), Hottest) - Coldest }

// volts never falls as nc grows: U rises and r falls along every curve.
func (c *Cell) volts(nc int64, i MicroAmp, deg int) int64 {
	u, r := c.rested(nc)
	if i <= 0 {
		r = 1000 // on the cradle, so that the voltage rises with the charge
	}
	sag := int64(i) * c.milliohm / 1000 * r / 1000 * c.stiff[deg] / 1000 // µA·mΩ = nV
	return max(0, int64(c.cfg.Series)*(u-sag))
}

// rested is the voltage of one rested cell and its resistance, in thousandths of that
// when full.
func (c *Cell) rested(nc int64) (uv, resis int64) {
	x := share(nc, c.full)
	k := 1
	for k < len(c.curve)-1 && x > c.curve[k].x {
		k++
	}
	a, b := &c.curve[k-1], &c.curve[k]
	return a.uv + (b.uv-a.uv)*(x-a.x)/(b.x-a.x), a.resis + (b.resis-a.resis)*(x-a.x)/(b.x-a.x)
}

// flow is a load made safe, with what it does to the charge.
type flow struct {
	net  int64    // nA out of the cell
	peak MicroAmp // for the sag
	deg  int
	edge int64 // nC at which another flow takes over while charging; 0: none
}

func (c *Cell) flow(s *State, l Load) flow {
	clamp := func(i MicroAmp) MicroAmp { return min(max(i, 0), MaxCurrent) }
	f := flow{deg: degree(l.Temp)}
	f.net = c.leak[f.deg]
	draw := MicroAmp(0)
	if !s.Dead {
		draw = clamp(l.Draw)
		f.net += int64(draw) * 1000
		f.peak = clamp(max(l.Draw, l.Peak))
	}
	in := clamp(l.Charge)
	switch {
	case c.traits.efficiency == 0 || l.Temp < chargeFrom || l.Temp > chargeTo:
	case in <= draw:
		f.net -= int64(in) * 1000
		f.peak -= in
	default:
		in, f.edge = c.into(s.nc, in-draw, f.deg)
		f.net = min(0, c.leak[f.deg]-int64(in)*c.traits.efficiency/1000)
		f.peak -= draw + in
	}
	return f
}

// into is the current into a cell that is offered so much, and the charge up to which
// it stays the same.
func (c *Cell) into(nc int64, offered MicroAmp, deg int) (in MicroAmp, edge int64) {
	if c.traits.held == 0 {
		return offered, 0
	}
	driven := func(stair int64) MicroAmp {
		uv, _ := c.rested(min(stair*c.stair+c.stair/2, c.full))
		return MicroAmp(max(0, c.traits.held-uv) * 1_000_000 / (c.milliohm * c.stiff[deg]))
	}
	at := nc / c.stair
	in = min(offered, driven(at))
	same := sort.Search(stairs, func(i int) bool { return driven(at+int64(i)) < in })
	if edge = min((at+int64(same))*c.stair, c.full); edge == nc {
		edge = 0 // full
	}
	return in, edge
}

// move advances the charge alone.
func (c *Cell) move(s *State, to time.Duration, net int64) {
	dt := uint64(to - s.At)
	s.At = to
	hi, lo := bits.Mul64(uint64(max(net, -net)), dt)
	dq, dr := uint64(1<<60), uint64(0) // more than any cell holds
	if hi < 1e9 {
		q, r := bits.Div64(hi, lo, 1e9)
		dq, dr = min(q, dq), r
	}
	if net >= 0 {
		s.nc -= int64(dq)
		if s.ac -= int64(dr); s.ac < 0 {
			s.ac += 1e9
			s.nc--
		}
		if s.nc < 0 {
			s.nc, s.ac = 0, 0
		}
		return
	}
	s.nc += int64(dq)
	if s.ac += int64(dr); s.ac >= 1e9 {
		s.ac -= 1e9
		s.nc++
	}
	if s.nc >= c.full {
		s.nc, s.ac = c.full, 0
	}
}

const never = time.Duration(math.MaxInt64)

// reach is when the whole nanocoulombs left first equal nc: from above while
// discharging, from below while charging; never if it goes the other way.
func (c *Cell) reach(s *State, nc, net int64) time.Duration {
	if s.nc == nc {
		return s.At
	}
	if net == 0 || (net > 0) != (nc < s.nc) {
		return never
	}
	// attocoulombs to go, as 128 bits
	var hi, lo uint64
	if net > 0 { // down to just under (nc+1)·1e9
		hi, lo = bits.Mul64(uint64(s.nc-nc-1), 1e9)
		var carry uint64
		lo, carry = bits.Add64(lo, uint64(s.ac)+1, 0)
		hi += carry
	} else {
		hi, lo = bits.Mul64(uint64(nc-s.nc), 1e9)
		var borrow uint64
		lo, borrow = bits.Sub64(lo, uint64(s.ac), 0)
		hi -= borrow
		net = -net
	}
	if hi >= uint64(net) {
		return never
	}
	t, rest := bits.Div64(hi, lo, uint64(net))
	if rest > 0 {
		t++
	}
	if t >= uint64(never-s.At) {
		return never
	}
	return s.At + time.Duration(t)
}

// highest is the largest charge at which the voltage is below limit, -1 if
// there is none: the place a falling voltage crosses. The place a rising one
// reaches the limit is one above.
func (c *Cell) highest(limit int64, f flow) int64 {
	lo, hi := int64(-1), c.full+1
	for hi-lo > 1 {
		mid := lo + (hi-lo)/2
		if c.volts(mid, f.peak, f.deg) < limit {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

// below and above say when the voltage is first below, or at or above, a limit.
func (c *Cell) below(s *State, limit int64, f flow) time.Duration {
	if c.volts(s.nc, f.peak, f.deg) < limit {
		return s.At
	}
	if nc := c.highest(limit, f); nc >= 0 {
		return c.reach(s, nc, f.net)
	}
	return never
}

func (c *Cell) above(s *State, limit int64, f flow) time.Duration {
	if c.volts(s.nc, f.peak, f.deg) >= limit {
		return s.At
	}
	if nc := c.highest(limit, f) + 1; nc <= c.full {
		return c.reach(s, nc, f.net)
	}
	return never
}

// Next is what happens first if the load stays as it is, and when; ok is false
// if nothing ever does. It does not change s.
func (c *Cell) Next(s *State, l Load) (Event, bool) {
	t := *s
	return c.step(&t, never, l)
}

// Advance moves the battery toward time to under a constant load. It stops at
// the first thing that happens and reports it, so that the caller can change
// the load (a browned-out gauge draws nothing, whatever the load says): call
// again until ok is false. A time before s.At changes nothing.
func (c *Cell) Advance(s *State, to time.Duration, l Load) (ev Event, ok bool) {
	if to < s.At {
		return Event{}, false
	}
	return c.step(s, to, l)
}

func (c *Cell) step(s *State, last time.Duration, l Load) (Event, bool) {
	for {
		f := c.flow(s, l)
		to := last
		if f.edge > 0 {
			to = min(to, c.reach(s, f.edge, f.net))
		}
		if !s.Dead {
			// Without an event the voltage moves one way, so its value at the
			// end says whether a limit is crossed on the way.
			end := *s
			c.move(&end, to, f.net)
			v := min(c.volts(end.nc, f.peak, f.deg), c.volts(s.nc, f.peak, f.deg))
			low, dead := never, never
			if v < c.thr[tBrown] {
				dead = c.below(s, c.thr[tBrown], f)
			}
			if s.Low {
				if c.volts(end.nc, f.peak, f.deg) >= c.thr[tClear] || c.volts(s.nc, f.peak, f.deg) >= c.thr[tClear] {
					low = c.above(s, c.thr[tClear], f)
				}
			} else if v <= c.thr[tLow] {
				low = c.below(s, c.thr[tLow]+1, f)
			}
			if at := min(low, dead); at > to || at == never {
				if *s = end; to < last {
					continue
				}
				return Event{}, false
			}
			if low <= dead {
				c.move(s, low, f.net)
				s.Low = !s.Low
				if s.Low {
					return Event{low, WentLow}, true
				}
				return Event{low, LowCleared}, true
			}
			c.move(s, dead, f.net)
			s.Dead, s.ready = true, 0
			return Event{dead, BrownedOut}, true
		}
		if s.ready == 0 {
			up := c.above(s, c.thr[tStart], f)
			if up > to || up == never {
				if c.move(s, to, f.net); to < last {
					continue
				}
				return Event{}, false
			}
			c.move(s, up, f.net)
			s.ready = s.At + c.cfg.Restart
		}
		if s.ready > to {
			if c.move(s, to, f.net); to < last {
				continue
			}
			return Event{}, false
		}
		c.move(s, max(s.At, s.ready), f.net)
		s.ready = 0
		if c.volts(s.nc, f.peak, f.deg) >= c.thr[tStart] {
			s.Dead = false
			return Event{s.At, Restarted}, true
		}
	}
}

// TimeTo is when the charge left reaches a percentage of the capacity under a
// constant load, by division: (Q - level) ÷ net current, rounded up to a
// nanosecond. ok is false if it never does. Events on the way are not
// considered.
func (c *Cell) TimeTo(s *State, percent float64, l Load) (at time.Duration, ok bool) {
	for t, to := *s, c.level(percent); ; {
		f := c.flow(&t, l)
		at = c.reach(&t, to, f.net)
		edge := never
		if f.edge > 0 {
			edge = c.reach(&t, f.edge, f.net)
		}
		if at <= edge {
			return at, at != never
		}
		c.move(&t, edge, f.net)
	}
}

// Shown is what the gauge itself believes is left, in per cent, in steps of
// its display, 0 to 100.
func (c *Cell) Shown(s *State, l Load) int {
	est := c.Charge(s)
	if c.cfg.ByVoltage {
		f := c.flow(s, l)
		est = c.inverse(c.volts(s.nc, f.peak, f.deg) / int64(c.cfg.Series))
	}
	step := int64(c.cfg.Step) * 1e4
	return int(min((est+step/2)/step*int64(c.cfg.Step), 100))
}

// CalledLow says whether the gauge calls its cell low.
func (c *Cell) CalledLow(s *State, l Load) bool {
	if c.cfg.LowAt == 0 {
		return s.Low
	}
	return c.Shown(s, l) <= c.cfg.LowAt
}

// inverse is the charge, in millionths, at which a rested cell has a voltage.
func (c *Cell) inverse(uv int64) int64 {
	p := c.traits.curve
	if uv <= p[0].uv {
		return 0
	}
	for i := 1; i < len(p); i++ {
		if uv <= p[i].uv {
			return p[i-1].ppm + (p[i].ppm-p[i-1].ppm)*(uv-p[i-1].uv)/(p[i].uv-p[i-1].uv)
		}
	}
	return 1e6
}
