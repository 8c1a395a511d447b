package gauge_test

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"testing"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/quantity"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// model is a gauge as one would explain it to somebody: whole micrometres, one
// channel, and time in steps of 10 ms. It shares no code with the gauge.
type model struct {
	t       int // ms
	power   string
	wake    int
	touched int
	dead    bool
	link    bool
	stream  bool
	locked  bool
	tip     int // µm into the stroke; below 0: no valid tip
	missing bool
	fn      string
	sense   int // +1, −1
	factor  int
	datum   int
	hi, lo  int
	memory  bool
	tag     int
	waiting []int
	buttons [2]struct {
		down, done, single bool
		since, until       int
	}
	out        []string
	rest       int
	nextSample int
}

// the profile the model is of
const (
	stroke    = 10000
	idle      = 60_000
	startUp   = 500
	longAfter = 1000
	within    = 300
	chord     = 150
	preset    = 8000
	lastTag   = 5
	queue     = 2
	stir      = 100
)

func modelProfile() *gauge.Profile {
	return &gauge.Profile{
		Name: "g", PassCode: "12", Tags: gauge.Tags{First: 1, Last: lastTag, Queue: queue},
		Common:   gauge.Common{Rate: quantity.Rate{Hz: decimal.New(10, 0)}, Streaming: true, IdleOff: idle * time.Millisecond},
		Power:    gauge.Power{StartUp: startUp * time.Millisecond, Stir: stir * um},
		Together: gauge.ZeroAction, Pedal: gauge.TagAction,
		Buttons: [2]gauge.Button{
			{Press: gauge.TagAction, Double: gauge.ClearAction, DoubleWithin: within * time.Millisecond},
			{Press: gauge.StreamAction, Long: gauge.PowerAction, LongAfter: longAfter * time.Millisecond}},
		Channels: []gauge.Channel{{Name: "A", Stroke: stroke * um, Settings: gauge.Settings{
			Factor: decimal.New(1, 0), Resolution: decimal.New(1, -3), Preset: preset * um}}},
	}
}

func (m *model) say(format string, args ...any) { m.out = append(m.out, fmt.Sprintf(format, args...)) }

func (m *model) base() int {
	if m.sense < 0 {
		return stroke - m.tip
	}
	return m.tip
}

func (m *model) value() int { return m.factor*m.base() + m.datum }

func (m *model) clear() {
	m.memory = m.tip >= 0
	m.hi, m.lo = m.value(), m.value()
}

func (m *model) read() string {
	switch {
	case m.power != "on", m.tip < 0 && (m.missing || m.fn == "live"), m.fn != "live" && !m.memory:
		return "void"
	}
	return fmt.Sprint(map[string]int{"live": m.value(), "max": m.hi, "min": m.lo, "fim": m.hi - m.lo}[m.fn])
}

func (m *model) goOff() {
	m.power = "off"
	for _, n := range m.waiting {
		m.say("lost %d", n)
	}
	m.waiting, m.memory = nil, false
	for i := range m.buttons {
		m.buttons[i].done, m.buttons[i].single = true, false
	}
	m.say("off")
}

func (m *model) goOn() {
	if m.power == "off" && !m.dead {
		m.power, m.wake = "starting", m.t+startUp
		m.say("starting")
	}
}

// due is what time brings, in the order in which it falls due.
func (m *model) due() {
	if m.power == "starting" && m.t >= m.wake {
		m.power, m.touched, m.stream, m.nextSample = "on", m.t, true, m.t
		m.say("on")
	}
}

func (m *model) timers() {
	for i := range m.buttons {
		b := &m.buttons[i]
		if i == 1 && b.down && !b.done && m.t >= b.since+longAfter {
			b.done = true
			m.long()
		}
		if b.single && m.t >= b.until {
			b.single = false
			m.tagIt()
		}
	}
	if m.power == "on" && m.t >= m.touched+idle {
		m.goOff()
	}
}

func (m *model) long() {
	if m.power == "on" {
		m.goOff()
	} else {
		m.goOn()
	}
}

func (m *model) sample(tip int, missing bool) {
	if m.power != "on" {
		return
	}
	m.tip, m.missing = tip, missing
	if tip >= 0 {
		if tip-m.rest > stir || m.rest-tip > stir {
			m.rest, m.touched = tip, m.t
		}
		v := m.value()
		if !m.memory {
			m.hi, m.lo, m.memory = v, v, true
		}
		m.hi, m.lo = max(m.hi, v), min(m.lo, v)
	}
	if m.t >= m.nextSample {
		m.nextSample += 100
		if m.nextSample <= m.t {
			m.nextSample = m.t + 100
		}
		if m.stream {
			m.say("reading %s", m.read())
		}
	}
}

func (m *model) tagIt() {
	n := m.tag
	m.tag = m.tag%lastTag + 1
	if !m.link && len(m.waiting) < queue {
		m.waiting = append(m.waiting, n)
		m.say("waits %d", n)
		return
	}
	m.say("tag %d", n)
}

func (m *model) toDatum(to int) bool {
	if m.tip < 0 {
		return false
	}
	m.datum += to - m.value()
	m.clear()
	m.say("datum %d", to)
	return true
}

func (m *model) press(i int) {
	b, other := &m.buttons[i], &m.buttons[1-i]
	if b.down {
		return
	}
	b.down, b.done, b.since = true, false, m.t
	switch {
	case m.power == "starting":
		b.done = true
	case m.power == "off":
		b.done = i == 0 // B comes on when held
	default:
		m.touched = m.t
		if other.down && !other.done && m.t-other.since <= chord {
			b.done, other.done = true, true
			m.say("both")
			m.toDatum(0)
		} else if b.single && m.t <= b.until {
			b.single, b.done = false, true
			m.clear()
		}
	}
}

func (m *model) release(i int) {
	b := &m.buttons[i]
	if !b.down {
		return
	}
	b.down = false
	if b.done {
		return
	}
	b.done = true
	switch {
	case i == 1 && m.t >= b.since+longAfter:
		m.long()
	case i == 0 && m.power == "on":
		b.single, b.until = true, m.t+within
	case i == 1 && m.power == "on":
		m.stream = !m.stream
		m.say("stream %v", m.stream)
	}
}

// plainly writes what a gauge emits in the model's words; what the model does
// not speak of is left out.
func plainly(es []gauge.Emission) (out []string) {
	mm := func(s string) string { // "8 mm" in µm
		d := decimal.MustParse(strings.TrimSuffix(s, " mm")).Mul(decimal.New(1000, 0))
		n, _ := d.Int64()
		return fmt.Sprint(n)
	}
	for _, e := range es {
		switch e.Kind {
		case gauge.Streamed:
			out = append(out, "reading "+micrometres(e.Readings[0]))
		case gauge.Tagged:
			out = append(out, fmt.Sprintf("tag %d", e.Tag))
		case gauge.PowerTold:
			w, _, _ := strings.Cut(e.Text, ":")
			out = append(out, w)
		case gauge.Noted:
			f := strings.Fields(e.Text)
			switch {
			case f[0] == "both":
				out = append(out, "both")
			case f[2] == "waits":
				out = append(out, "waits "+f[1])
			default:
				out = append(out, "lost "+f[1])
			}
		case gauge.Changed:
			switch c := e.Change; {
			case c.Name == "zero", c.Name == "preset":
				out = append(out, "datum "+mm(c.To))
			case c.By == "power":
			case c.Name == "stream" && c.By == "button":
				out = append(out, fmt.Sprintf("stream %v", c.To == "on"))
			}
		case gauge.Replied:
			if e.Outcome.Refused != gauge.Done {
				out = append(out, "refused: "+string(e.Outcome.Refused))
			} else {
				out = append(out, "done")
			}
		}
	}
	return out
}

func micrometres(r gauge.Reading) string {
	if r.Void != gauge.Valid {
		return "void"
	}
	n, _ := r.Shown.Mul(decimal.New(1000, 0)).Int64()
	return fmt.Sprint(n)
}

// visits counts the transitions of power, link and buttons that were taken.
type visits map[string]int

func (v visits) note(m *model, what string) {
	v[what+" while "+m.power]++
	v[what+fmt.Sprintf(" link=%v", m.link)]++
}

// The gauge and the model, driven by the same events, never disagree; and every
// transition of power, link and buttons is taken on the way.
//
// Kind: model.
func TestAgainstTheModel(t *testing.T) {
	seen := visits{}
	missing := func() (m []string) {
		for _, want := range transitions {
			if seen[want] == 0 {
				m = append(m, want)
			}
		}
		return m
	}
	// Chance alone may leave a rare transition out of one round.
	for round := 0; round < 500 && (round == 0 || len(missing()) > 0); round++ {
		rapid.Check(t, func(t *rapid.T) { againstTheModel(t, seen) })
	}
	require.Empty(t, missing(), "never taken")
	var lines []string
	for what, n := range seen {
		lines = append(lines, fmt.Sprintf("%7d  %s", n, what))
	}
	sort.Strings(lines)
	slices.Reverse(lines)
	t.Logf("%d transitions were taken:\n%s", len(lines), strings.Join(lines, "\n"))
}

func againstTheModel(t *rapid.T, seen visits) {
	g, err := gauge.New(modelProfile())
	require.NoError(t, err)
	m := &model{power: "on", link: true, stream: true, sense: 1, factor: 1, tag: 1, tip: -1, missing: true, fn: "live"}
	var out gauge.Out
	var got []string
	tip, reason := 5000, gauge.Under
	step := func(e gauge.Event) {
		g.Step(time.Duration(m.t)*time.Millisecond, e, &out)
		got = append(got, plainly(out.Emissions)...)
	}
	tips := func() []gauge.Tip {
		if tip < 0 {
			return []gauge.Tip{{Void: reason}}
		}
		return []gauge.Tip{{Pressed: decimal.Length(tip) * um}}
	}
	// pass lets time go by: the gauge is sampled whenever it wants to be.
	pass := func(ms int) {
		until := m.t + ms
		for {
			due := g.Due()
			if due > time.Duration(until)*time.Millisecond {
				break
			}
			m.t = max(m.t, int(due/time.Millisecond))
			was := m.power
			step(gauge.Event{Kind: gauge.Sampled, Tips: tips()})
			m.due()
			m.sample(tip, reason == gauge.Missing)
			m.timers()
			if was != m.power {
				seen["power "+was+" → "+m.power]++
			}
		}
		m.t = until
	}
	command := func(c gauge.Command, do func() string) {
		step(gauge.Event{Kind: gauge.Looked, Tips: tips()})
		m.due()
		if m.power == "on" {
			was := m.nextSample // out of turn: no frame
			m.nextSample = math.MaxInt
			m.sample(tip, reason == gauge.Missing)
			m.nextSample = was
		}
		step(gauge.Event{Kind: gauge.Asked, Command: c})
		m.timers()
		if m.power == "on" {
			m.touched = m.t
			m.say("%s", do())
		}
		seen.note(m, c.Verb+" "+c.Setting)
	}
	set := func(name, to string, free bool, f func()) {
		command(gauge.Command{Verb: "set", Setting: name, Channel: -1, Value: gauge.Text(to)}, func() string {
			if m.locked && !free {
				return "refused: settings are locked"
			}
			f()
			return "done"
		})
	}
	rechain := func() {
		m.memory = false
		if m.tip >= 0 {
			m.clear()
		}
	}
	steps := map[string]func(*rapid.T){
		"short":  func(t *rapid.T) { pass(rapid.IntRange(1, 40).Draw(t, "n") * 10) },
		"second": func(t *rapid.T) { pass(1000) },
		"minute": func(t *rapid.T) { pass(61_000) },
		"move":   func(t *rapid.T) { tip = rapid.IntRange(0, stroke).Draw(t, "tip") },
		"creep":  func(t *rapid.T) { tip = min(max(tip, 0)+rapid.IntRange(0, 99).Draw(t, "by"), stroke) },
		"void": func(t *rapid.T) {
			tip, reason = -1, rapid.SampledFrom([]gauge.Void{gauge.Under, gauge.Over, gauge.Missing}).Draw(t, "reason")
		},
		"pedal": func(t *rapid.T) {
			step(gauge.Event{Kind: gauge.PedalDown})
			m.due()
			if m.power == "on" {
				m.touched = m.t
				m.tagIt()
			}
			step(gauge.Event{Kind: gauge.PedalUp})
			seen.note(m, "pedal")
		},
		"link": func(t *rapid.T) {
			up := rapid.Bool().Draw(t, "up")
			step(gauge.Event{Kind: gauge.LinkTold, Up: up})
			m.due()
			seen[fmt.Sprintf("link %v → %v while %s", m.link, up, m.power)]++
			m.link = up
			if up && m.power == "on" {
				for _, n := range m.waiting {
					m.say("tag %d", n)
				}
				m.waiting = nil
			}
		},
		"cell": func(t *rapid.T) {
			dead := rapid.Bool().Draw(t, "dead")
			step(gauge.Event{Kind: gauge.CellTold, Percent: 50, Dead: dead})
			m.due()
			was, wasDead := m.power, m.dead
			m.dead = dead
			if dead && !wasDead && m.power != "off" {
				m.goOff()
			} else if !dead && wasDead {
				m.goOn()
			}
			if was != m.power {
				seen["power "+was+" → "+m.power]++
			}
		},
		"zero": func(t *rapid.T) {
			command(gauge.Command{Verb: "zero", Channel: -1}, func() string {
				if !m.toDatum(0) {
					return "refused: no valid reading"
				}
				return "done"
			})
		},
		"preset": func(t *rapid.T) {
			command(gauge.Command{Verb: "preset", Channel: -1}, func() string {
				if !m.toDatum(preset) {
					return "refused: no valid reading"
				}
				return "done"
			})
		},
		"tag": func(t *rapid.T) {
			command(gauge.Command{Verb: "tag", Channel: -1}, func() string { m.tagIt(); return "done" })
		},
		"clear": func(t *rapid.T) {
			command(gauge.Command{Verb: "clear", Channel: -1}, func() string { m.clear(); return "done" })
		},
		"sense": func(t *rapid.T) {
			to := rapid.SampledFrom([]string{"rising", "falling"}).Draw(t, "to")
			set("sense", to, false, func() { m.sense = map[string]int{"rising": 1, "falling": -1}[to]; rechain() })
		},
		"factor": func(t *rapid.T) {
			to := rapid.SampledFrom([]int{-2, -1, 1, 2, 3}).Draw(t, "to")
			set("factor", fmt.Sprint(to), false, func() { m.factor = to; rechain() })
		},
		"function": func(t *rapid.T) {
			to := rapid.SampledFrom([]string{"live", "max", "min", "fim"}).Draw(t, "to")
			set("function", to, false, func() { m.fn = to })
		},
		"stream": func(t *rapid.T) {
			on := rapid.Bool().Draw(t, "on")
			set("stream", map[bool]string{true: "on", false: "off"}[on], true, func() { m.stream = on })
		},
		"lock": func(t *rapid.T) { set("lock", "on", true, func() { m.locked = true }) },
		"open": func(t *rapid.T) { set("lock", "12", true, func() { m.locked = false }) },
		"guess": func(t *rapid.T) {
			command(gauge.Command{Verb: "set", Setting: "lock", Channel: -1, Value: gauge.Text("99")}, func() string { return "refused: wrong pass-code" })
		},
		"off": func(t *rapid.T) {
			command(gauge.Command{Verb: "set", Setting: "power", Channel: -1, Value: gauge.Text("off")}, func() string { return "done" })
			if m.power == "on" {
				seen["power on → off"]++
				m.goOff()
			}
		},
		"": func(t *rapid.T) { // after every step
			require.Equal(t, m.out, got)
			require.Equal(t, m.power, g.Power().String())
			require.Equal(t, int64(m.tag), g.NextTag())
			require.Equal(t, len(m.waiting), g.Waiting())
			if m.power == "on" {
				require.Equal(t, m.read(), micrometres(g.Readings(nil)[0]))
			}
			m.out, got = nil, nil
		},
	}
	for i, name := range []string{"A", "B"} {
		button := func(kind gauge.EventKind, do func(int), what string) func(*rapid.T) {
			return func(t *rapid.T) {
				was, before := m.power, m.buttons[i]
				step(gauge.Event{Kind: kind, Button: i})
				m.due()
				m.timers()
				do(i)
				b := m.buttons[i]
				seen[fmt.Sprintf("button %s %s while %s: down %v → %v, decided %v → %v, once %v → %v", name, what, was, before.down, b.down, before.done, b.done, before.single, b.single)]++
				if was != m.power {
					seen["power "+was+" → "+m.power]++
				}
			}
		}
		down, up := button(gauge.Pressed, m.press, "pressed"), button(gauge.Released, m.release, "released")
		steps["press "+name], steps["release "+name] = down, up
		steps["tap "+name] = func(t *rapid.T) { down(t); pass(50); up(t); pass(50) }
		steps["hold "+name] = func(t *rapid.T) { down(t); pass(longAfter + 20); up(t); pass(600) }
	}
	steps["both"] = func(t *rapid.T) {
		steps["press A"](t)
		pass(100)
		steps["press B"](t)
		steps["release A"](t)
		steps["release B"](t)
	}
	t.Repeat(steps)
}

// transitions are all there are of power, link and buttons. A button's state is
// whether it is down, decided, and let go once.
var transitions = []string{
	"power on → off", "power off → starting", "power starting → on", "power starting → off",
	"link true → false while on", "link false → true while on", "link true → false while off", "link false → true while off", "link true → false while starting", "link false → true while starting",
	"button A pressed while on: down false → true, decided true → false, once false → false", "button A pressed while on: down false → true, decided true → true, once true → false",
	"button A released while on: down true → false, decided false → true, once false → true", "button A released while on: down true → false, decided true → true, once false → false",
	"button A pressed while off: down false → true, decided true → true, once false → false", "button A pressed while starting: down false → true, decided true → true, once false → false",
	"button B pressed while on: down false → true, decided true → false, once false → false", "button B released while on: down true → false, decided false → true, once false → false",
	"button B released while off: down true → false, decided true → true, once false → false", "button B pressed while off: down false → true, decided true → false, once false → false",
	"button B released while off: down true → false, decided false → true, once false → false", "button B pressed while starting: down false → true, decided true → true, once false → false",
	"button B released while starting: down true → false, decided true → true, once false → false",
	"pedal while on", "pedal while off", "pedal while starting", "tag  link=false", "set sense while on",
}
