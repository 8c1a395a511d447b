package generate

import (
	"fmt"
	"slices"
	"time"

	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/random"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/zone"
)

// Exercise is a case that is played at a gauge, or at one of its channels.
type Exercise struct {
	Gauge, Channel string // no channel: the gauge as a whole
	Case           string
	From, To       time.Duration
	Reading        *decimal.Length // what the channel must read to have shown it; nil: anything that is tagged
	Not            string          // why it is not played; empty: it is
	Applies        bool            // of one that is not played: it belongs to the gauge all the same
}

// Trial is one scenario of a steered test, and what it exercises.
type Trial struct {
	Name      string
	File      *scenario.File
	Exercises []Exercise
}

// Cases of a steered test, in the order of its timeline. The first are those of each
// channel.
var (
	ChannelCases = []string{lowerLimit, upperLimit, lowerWarning, upperWarning, guardBand, rounding, negative, void}
	GaugeCases   = []string{again, sentTwice, lost, silence, stall, damaged, split, merged, lowCell, unplugged, unitSet, zeroed, wrap, swapped, ended, killed}
)

const (
	lowerLimit, upperLimit, lowerWarning, upperWarning = "lower limit", "upper limit", "lower warning limit", "upper warning limit"
	guardBand, rounding, negative, void                = "guard band", "rounding", "below zero", "out of range"
	again, sentTwice, lost, silence, stall             = "same reading tagged again", "frame sent twice", "link lost and back", "silence", "stall"
	damaged, split, merged, lowCell, unplugged         = "damaged frame", "split frame", "merged frames", "low cell", "probe unplugged"
	unitSet, zeroed, wrap, swapped, ended, killed      = "unit changed by hand", "zeroed by hand", "tag numbers wrap", "ports swapped", "host ended", "host killed"
)

// Steer makes a test of a scenario's gauges that takes each through every case that it
// can have, in little time: all gauges at once, and the channels of one side by side,
// each beginning elsewhere among its readings, so that no two channels of a frame show
// the same. Whether a tag falls before, at or after the beginning of a fault goes round
// over gauges and faults: each fault meets every order at some gauge.
//
// f is the scenario's file, with what is to be done before everything else as its cues;
// s is the same, read.
func Steer(f *scenario.File, s *scenario.Scenario) []Trial {
	trials := []Trial{{Name: "readings"}, {Name: "events"}, {Name: "hosts"}}
	plays := []func(m *steering){(*steering).readings, (*steering).events, nil}
	for i := range trials {
		t := &trials[i]
		own := *f
		own.Title, own.Cues = f.Title+": "+t.Name, slices.Clone(f.Cues)
		t.File = &own
		m := &steering{maker: &maker{rng: random.New(f.Seed), f: &own, unit: decimal.MM}, s: s, trial: t}
		end := time.Duration(0)
		for g := range s.Gauges {
			m.g, m.now = g, 300*time.Millisecond+time.Duration(g)*20*time.Millisecond
			if plays[i] != nil {
				plays[i](m)
			}
			end = max(end, m.now)
		}
		if m.now = end; plays[i] == nil {
			m.swaps()
			m.ends()
		}
		until := quantity.Duration(m.now + 700*time.Millisecond)
		own.Until = &until
		slices.SortStableFunc(own.Cues, func(a, b scenario.Cue) int { return int(min(max(a.At-b.At, -1), 1)) })
	}
	return trials
}

// steering makes the cues of one trial.
type steering struct {
	*maker
	s     *scenario.Scenario
	trial *Trial
	g     int // gauge in hand
	n     int // readings shown so far
}

func (m *steering) name() string                   { return m.s.Gauges[m.g].Name }
func (m *steering) profile() *gauge.Profile        { return m.s.Play.Cast[m.g].Profile }
func (m *steering) tells(term string) bool         { return m.s.Play.Cast[m.g].Dialect.Term(term) >= 0 }
func (m *steering) do(channel string, a stage.Act) { m.cue(m.name(), channel, a) }
func (m *steering) wait(d time.Duration)           { m.now += d }
func (m *steering) tagNow()                        { m.do("", stage.Tag{}) }
func (m *steering) exercise(e Exercise)            { m.trial.Exercises = append(m.trial.Exercises, e) }
func (m *steering) settled(ch *gauge.Channel) (d time.Duration) {
	return max(150*time.Millisecond, m.profile().Rate.Interval(int64(ch.Average)+2))
}

// dwell is how long all channels take to show where their tips rest.
func (m *steering) dwell() (d time.Duration) {
	for i := range m.profile().Channels {
		d = max(d, m.settled(&m.profile().Channels[i]))
	}
	return d
}

// target is a reading that a channel is to show, for a case.
type target struct {
	of string
	at decimal.Length
}

// count is the step of a channel's readings.
func count(ch *gauge.Channel) decimal.Length {
	l, _ := decimal.Exactly(ch.Resolution, ch.Unit)
	return l
}

// targets are the readings that a channel is to show, and the cases it cannot have.
func (m *steering) targets(c int) (ts []target) {
	ch := &m.profile().Channels[c]
	lim, step := m.s.Limits(m.g, c), count(ch)
	unit, hostStep := m.s.HostStep(m.g, c)
	coarse, _ := decimal.Exactly(hostStep, unit)
	not := func(of, why string) { m.exercise(Exercise{Gauge: m.name(), Channel: ch.Name, Case: of, Not: why}) }
	both := func(of string, at, outwards decimal.Length) {
		inner := at - floorMod(at, step)
		if outwards < 0 && inner != at {
			inner += step
		}
		ts = append(ts, target{of, inner}, target{of, inner + outwards*step})
		if over := inner + outwards*coarse; coarse > step {
			ts = append(ts, target{of, over - floorMod(over, step)})
		}
	}
	for _, l := range []struct {
		of       string
		limit    zone.Limit
		outwards decimal.Length
	}{{lowerLimit, lim.Lower, -1}, {upperLimit, lim.Upper, 1}, {lowerWarning, lim.WarnLower, -1}, {upperWarning, lim.WarnUpper, 1}} {
		if !l.limit.Set {
			not(l.of, "there is none")
			continue
		}
		both(l.of, l.limit.At, l.outwards)
	}
	if u := m.s.Host.Uncertainty; u == nil || !lim.Lower.Set && !lim.Upper.Set {
		not(guardBand, "the decision is not guarded, or there is no limit")
	} else {
		if lim.Lower.Set {
			both(guardBand, lim.Lower.At+u.Picometres(), -1)
		}
		if lim.Upper.Set {
			both(guardBand, lim.Upper.At-u.Picometres(), 1)
		}
	}
	middle := m.middle(c)
	if even := middle - floorMod(middle, 2*coarse); coarse%step == 0 && coarse == step {
		not(rounding, "the host is asked for every digit of the gauge")
	} else {
		for _, d := range []decimal.Length{coarse / 2, coarse + coarse/2, coarse / 4, coarse - coarse/4} { // ties to both sides first
			ts = append(ts, target{rounding, even + d - floorMod(even+d, step)})
		}
	}
	if low := lim.Lower; low.Set && low.At < 0 {
		ts = append(ts, target{negative, -5 * step}, target{negative, -step})
	} else {
		not(negative, "its parts have no reading below zero")
	}
	return ts
}

func floorMod(a, b decimal.Length) decimal.Length { return ((a % b) + b) % b }

// middle is a reading inside all limits, on the grid of the readings.
func (m *steering) middle(c int) decimal.Length {
	ch := &m.profile().Channels[c]
	lim, at := m.s.Limits(m.g, c), ch.Preset
	if lim.Lower.Set && lim.Upper.Set {
		at = (lim.Lower.At + lim.Upper.At) / 2
	}
	return at - floorMod(at, count(ch))
}

// settings are a channel's as they are once the host has written what it is to write.
func (m *steering) settings(c int) gauge.Settings {
	set := m.profile().Channels[c].Settings
	for _, w := range m.s.Writes(m.g) {
		if w.Channel != "" && w.Channel != m.profile().Channels[c].Name {
			continue
		}
		switch w.Setting {
		case "function":
			_ = set.Function.UnmarshalText([]byte(w.To)) // it was checked with the scenario
		case "factor":
			_ = set.Factor.UnmarshalText([]byte(w.To))
		}
	}
	return set
}

// show has a channel read a value, once it has settled.
func (m *steering) show(c int, reading decimal.Length) {
	ch, set := &m.profile().Channels[c], m.settings(c)
	size := func(reading decimal.Length) quantity.Length {
		d := reading - set.Preset
		if natural := m.s.Play.Cast[m.g].Channels[c].Releases == (set.Sense == gauge.Falling); !natural {
			d = -d
		}
		n, _ := decimal.New(int64(d), 0).Quo(set.Factor, 0, decimal.HalfEven).Int64()
		return in(set.Preset+decimal.Length(n), decimal.MM)
	}
	side := map[gauge.Function]decimal.Length{gauge.Max: -1, gauge.Min: 1}[set.Function]
	if side != 0 { // the extreme, and then away from it
		m.cue(m.name(), ch.Name, stage.RestOn{Size: size(reading)})
		m.wait(60 * time.Millisecond)
		m.cue(m.name(), ch.Name, stage.Clear{})
		m.wait(m.settled(ch))
		m.cue(m.name(), ch.Name, stage.RestOn{Size: size(reading + 8*side*count(ch))})
		return
	}
	m.cue(m.name(), ch.Name, stage.RestOn{Size: size(reading)})
}

// probes are the channels that are not computed.
func (m *steering) probes() (cs []int) {
	for c := range m.profile().Channels {
		if m.profile().Channels[c].Calc == nil {
			cs = append(cs, c)
		}
	}
	return cs
}

// readings takes each channel through its limits and whatever else shows in readings.
func (m *steering) readings() {
	probes := m.probes()
	all := make([][]target, len(probes))
	most := 0
	for i, c := range probes {
		all[i] = m.targets(c)
		most = max(most, len(all[i]))
	}
	for j := range most {
		from := m.now
		var at []Exercise
		for i, c := range probes {
			if len(all[i]) > 0 {
				t := all[i][(j+i*3)%len(all[i])]
				m.show(c, t.at)
				at = append(at, Exercise{Gauge: m.name(), Channel: m.profile().Channels[c].Name, Case: t.of, Reading: &t.at})
			}
		}
		m.capture(from, at...)
	}
	for c := range m.profile().Channels {
		if m.profile().Channels[c].Calc != nil {
			m.computed(c)
		}
	}
	for _, c := range probes {
		m.outOfRange(c)
	}
}

// capture tags what is shown once it has settled.
func (m *steering) capture(from time.Duration, at ...Exercise) {
	m.wait(m.dwell())
	m.tagNow()
	m.wait(50 * time.Millisecond)
	for _, e := range at {
		e.From, e.To = from, m.now
		m.exercise(e)
	}
}

// computed steers a computed channel by the last of those that it is computed of.
func (m *steering) computed(c int) {
	ch := &m.profile().Channels[c]
	for _, t := range m.targets(c) {
		e := Exercise{Gauge: m.name(), Channel: ch.Name, Case: t.of, Reading: &t.at}
		sizes, ok := m.solve(ch.Calc, t.at)
		if !ok {
			e.Applies, e.Not = true, fmt.Sprintf("no reading of one of its channels makes it read %s", in(t.at, decimal.MM))
			m.exercise(e)
			continue
		}
		from := m.now
		for i, of := range ch.Calc.Of {
			m.show(of, sizes[i])
		}
		m.capture(from, e)
	}
	m.exercise(Exercise{Gauge: m.name(), Channel: ch.Name, Case: void, Not: "it has no probe"})
}

// solve finds readings of the channels that a computed one is made of, for a value.
func (m *steering) solve(calc *gauge.Calc, value decimal.Length) (at []decimal.Length, ok bool) {
	for _, of := range calc.Of {
		if m.profile().Channels[of].Calc != nil {
			return nil, false
		}
		at = append(at, m.middle(of))
	}
	whole := func(l decimal.Length) decimal.Fraction { return decimal.New(int64(l), 0).Fraction() }
	last := len(at) - 1
	with := func(x decimal.Length) decimal.Fraction {
		var args []decimal.Fraction
		for i, a := range at {
			if i == last {
				a = x
			}
			args = append(args, whole(a))
		}
		v, _ := calc.Value(args)
		return v
	}
	begin := at[last]
	for _, side := range []decimal.Length{1, -1} {
		slope := with(begin + side*decimal.Millimetre).Sub(with(begin)).Quo(whole(decimal.Millimetre))
		if slope.Sign() == 0 {
			continue
		}
		by, _ := whole(value).Sub(with(begin)).Quo(slope).Decimal(0).Int64()
		if x := begin + side*decimal.Length(by); with(x).Equal(whole(value)) {
			at[last] = x
			return at, true
		}
	}
	return nil, false
}

// outOfRange takes a tip beyond its stroke, tags, and comes back.
func (m *steering) outOfRange(c int) {
	ch, from := &m.profile().Channels[c], m.now
	m.cue(m.name(), ch.Name, stage.RestOn{Size: in(m.s.Play.Cast[m.g].Channels[c].MidStroke+2*ch.Stroke, decimal.MM)})
	m.capture(from, Exercise{Gauge: m.name(), Channel: ch.Name, Case: void})
	m.cue(m.name(), ch.Name, stage.Lift{})
	m.capture(from, Exercise{Gauge: m.name(), Channel: ch.Name, Case: void})
	m.work()
	m.capture(from, Exercise{Gauge: m.name(), Channel: ch.Name, Case: void})
}

// work has every channel show a reading inside its limits that is not that of before.
func (m *steering) work() {
	m.n++
	for i, c := range m.probes() {
		m.show(c, m.middle(c)+decimal.Length((m.n*2+i*3)%7-3)*count(&m.profile().Channels[c]))
	}
}
