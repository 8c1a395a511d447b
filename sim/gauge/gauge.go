// Package gauge is the instrument itself, pure: a state machine that takes
// events with their times and tells what comes of them. It knows no clock, no
// wire and no port; what it emits are plain values.
//
// The measuring chain of a channel, in order:
//
//	pressed            how far the tip is pressed into its stroke, pm
//	sensed             rising: pressed; falling: stroke − pressed
//	scaled             factor × sensed
//	value              scaled + datum
//	function           live: the value; max, min: its extremes since cleared; fim: max − min
//	shown              rounded to whole steps of the resolution, in the channel's unit
//	zone               by the channel's own limits and rule
//
// The datum is the offset that zero or preset leaves: value becomes exactly 0
// or the master's size at that instant. All of it is exact decimal arithmetic.
package gauge

import (
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/zone"
)

// Tip is what a probe tells of its tip.
type Tip struct {
	Pressed decimal.Length
	Void    Void // Valid, Under, Over or Missing
}

// Reading is what one channel reports.
type Reading struct {
	Channel  int
	Pressed  decimal.Length
	Exact    decimal.Decimal // pm, before rounding; meaningless when void
	Shown    decimal.Decimal // in Unit, a whole number of steps; meaningless when void
	Unit     decimal.Unit
	Function Function
	Zone     zone.Zone
	Void     Void
}

// EventKind says what happens to the gauge.
type EventKind uint8

// Kinds of event.
const (
	Sampled  EventKind = iota // the probes were read at the gauge's own rhythm (Tips)
	Looked                    // the probes were read out of turn (Tips)
	Pressed                   // a button goes down (Button)
	Released                  // a button comes up (Button)
	Asked                     // the host asks something (Command)
	CellTold                  // the cell's state changed (Percent, Low)
	LinkTold                  // the link's state changed (Up)
)

// Event is one thing that happens to the gauge.
type Event struct {
	Kind    EventKind
	Tips    []Tip // one per channel; read, not kept
	Button  int   // 0 or 1
	Command Command
	Percent int
	Low     bool
	Up      bool
	By      string // who changes settings: "host", "cue", "hand"
}

// EmissionKind says what comes of an event.
type EmissionKind uint8

// Kinds of emission.
const (
	Streamed   EmissionKind = iota // readings, on their own
	Tagged                         // readings with a tag number
	Replied                        // the answer to a command (Command, Outcome, perhaps Readings)
	Changed                        // a setting changed (Change)
	Lamped                         // a lamp changed (Text: "name: state")
	Buzzed                         // the buzzer sounds (Text: the pattern)
	StatusTold                     // the gauge tells its state on its own (cell low)
)

// Emission is one thing that comes of an event. Readings is valid until the
// next Step with the same Out.
type Emission struct {
	Kind     EmissionKind
	Readings []Reading
	Tag      int64
	Repeat   bool // the tag was sent before
	Command  Command
	Outcome  Outcome
	Change   Change
	Text     string
}

// Change is a setting that changed.
type Change struct {
	Name     string
	Channel  int // −1 for a setting of the whole gauge
	From, To string
	By       string
}

// Out collects emissions. Reuse it: Step empties it first.
type Out struct {
	Emissions []Emission
	readings  []Reading
}

type channel struct {
	name   string
	stroke decimal.Length
	Settings
	step     decimal.Length  // the resolution in pm
	datum    decimal.Decimal // pm
	pressed  decimal.Length
	void     Void
	value    decimal.Decimal // pm, of the last valid sample
	max, min decimal.Decimal
	memory   bool // max and min hold something
}

type pending struct {
	tag      int64
	readings []Reading
	next     time.Duration
	left     int
}

type button struct {
	down  bool
	since time.Duration
	done  bool // the long action was taken
}

// Gauge is an instrument and its state.
type Gauge struct {
	p       *Profile
	ch      []channel
	nextTag int64
	stream  bool
	rate    rateClock
	buzzer  bool
	buttons [2]button
	unacked []pending
	percent int
	low     bool
	up      bool
	lamps   []string
	worst   zone.Zone
}

// New makes a gauge as its profile sets it. Until the first sample its
// readings are void.
func New(p *Profile) (*Gauge, error) {
	if err := p.Check(); err != nil {
		return nil, err
	}
	g := &Gauge{p: p, nextTag: p.Tags.First, stream: p.Streaming, buzzer: p.Buzzer, percent: 100, up: true}
	g.rate.set(p.Rate, 0)
	for i := range p.Channels {
		c := &p.Channels[i]
		step, _ := stepOf(c.Resolution, c.Unit)
		g.ch = append(g.ch, channel{name: c.Name, stroke: c.Stroke, Settings: c.Settings, step: step, void: Missing})
	}
	g.lamps = make([]string, len(p.Lamps))
	for i := range p.Lamps {
		g.lamps[i] = g.lamp(i)
	}
	return g, nil
}

// Clone returns an independent copy of the gauge in its present state.
func (g *Gauge) Clone() *Gauge {
	c := *g
	c.ch = append([]channel(nil), g.ch...)
	c.lamps = append([]string(nil), g.lamps...)
	c.unacked = make([]pending, len(g.unacked))
	for i, u := range g.unacked {
		u.readings = append([]Reading(nil), u.readings...)
		c.unacked[i] = u
	}
	return &c
}

// Profile returns the gauge's profile.
func (g *Gauge) Profile() *Profile { return g.p }

// Streaming reports whether readings are sent on their own.
func (g *Gauge) Streaming() bool { return g.stream }

// NextTag returns the number the next tag will carry.
func (g *Gauge) NextTag() int64 { return g.nextTag }

// Rate returns the samples a second.
func (g *Gauge) Rate() quantity.Rate { return g.rate.rate }

// Get returns a setting's value; channel −1 asks the first.
func (g *Gauge) Get(setting string, channel int) (Value, Refusal) {
	return g.get(Command{Setting: setting, Channel: channel})
}

// Lamps returns what each lamp shows, in the profile's order.
func (g *Gauge) Lamps() []string { return g.lamps }

// Cell returns the cell's charge in percent and whether the gauge calls it low.
func (g *Gauge) Cell() (percent int, low bool) { return g.percent, g.low }

// Settings returns a channel's present settings.
func (g *Gauge) Settings(ch int) Settings { return g.ch[ch].Settings }

// Due returns when the gauge next wants a Sampled event.
func (g *Gauge) Due() time.Duration {
	due := g.rate.due
	for _, u := range g.unacked {
		due = min(due, u.next)
	}
	for i, b := range g.buttons {
		if spec := g.p.Buttons[i]; b.down && !b.done && spec.Long != NoAction {
			due = min(due, b.since+spec.LongAfter)
		}
	}
	return due
}

// Step takes one event at a time and fills out with what comes of it. Times
// must not run backwards. Events that mean nothing in the present state (the
// release of a button that is up, say) have no effect.
func (g *Gauge) Step(at time.Duration, e Event, out *Out) {
	out.Emissions = out.Emissions[:0]
	out.readings = out.readings[:0]
	switch e.Kind {
	case Sampled:
		g.sample(e.Tips)
		g.tick(at, out)
	case Looked:
		g.sample(e.Tips)
	case Pressed:
		g.press(at, e, out)
	case Released:
		g.release(at, e, out)
	case Asked:
		g.asked(at, e, out)
	case CellTold:
		told := e.Low && !g.low
		g.percent, g.low = e.Percent, e.Low
		if told {
			out.add(Emission{Kind: StatusTold})
		}
	case LinkTold:
		g.up = e.Up
	}
	g.showLamps(out)
}

func (o *Out) add(e Emission) { o.Emissions = append(o.Emissions, e) }

// sample takes in the probes' tips.
func (g *Gauge) sample(tips []Tip) {
	for i := range g.ch {
		c := &g.ch[i]
		t := Tip{Void: Missing}
		if i < len(tips) {
			t = tips[i]
		}
		c.pressed, c.void = t.Pressed, t.Void
		if c.void == Valid {
			c.value = c.measure(t.Pressed)
			c.remember()
		}
	}
}

// measure is the chain up to the datum.
func (c *channel) measure(pressed decimal.Length) decimal.Decimal {
	return c.scaled(pressed).Add(c.datum)
}

func (c *channel) scaled(pressed decimal.Length) decimal.Decimal {
	sensed := pressed
	if c.Sense == Falling {
		sensed = c.stroke - pressed
	}
	return c.Factor.Mul(decimal.New(int64(sensed), 0))
}

func (c *channel) remember() {
	if !c.memory {
		c.max, c.min, c.memory = c.value, c.value, true
		return
	}
	if c.value.Cmp(c.max) > 0 {
		c.max = c.value
	}
	if c.value.Cmp(c.min) < 0 {
		c.min = c.value
	}
}

// clear forgets max and min; a valid present value starts them anew.
func (c *channel) clear() {
	c.memory = false
	if c.void == Valid {
		c.remember()
	}
}

// setDatum makes the present value read as target.
func (c *channel) setDatum(target decimal.Length) {
	c.datum = decimal.New(int64(target), 0).Sub(c.scaled(c.pressed))
	c.value = c.measure(c.pressed)
	c.clear()
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
	judged := r.Exact
	if c.Rule.Decide == zone.Displayed {
		judged = step.Mul(decimal.New(n, 0))
	}
	r.Zone = c.Limits.Place(judged, c.Rule)
	return r
}

// Readings appends the present reading of every channel to dst.
func (g *Gauge) Readings(dst []Reading) []Reading {
	for i := range g.ch {
		dst = append(dst, g.reading(i))
	}
	return dst
}

func (g *Gauge) readings(out *Out) []Reading {
	from := len(out.readings)
	out.readings = g.Readings(out.readings)
	return out.readings[from:len(out.readings):len(out.readings)]
}

// tick does what falls due at a sample: the streamed reading, tags to be sent
// again, and buttons held long enough.
func (g *Gauge) tick(at time.Duration, out *Out) {
	if at >= g.rate.due {
		g.rate.next(at)
		if g.stream {
			out.add(Emission{Kind: Streamed, Readings: g.readings(out)})
		}
	}
	for i := 0; i < len(g.unacked); {
		u := &g.unacked[i]
		if at < u.next {
			i++
			continue
		}
		out.add(Emission{Kind: Tagged, Readings: append([]Reading(nil), u.readings...), Tag: u.tag, Repeat: true})
		u.next += g.p.Tags.Repeat
		if u.left--; u.left <= 0 {
			g.unacked = append(g.unacked[:i], g.unacked[i+1:]...)
			continue
		}
		i++
	}
	for i := range g.buttons {
		b, spec := &g.buttons[i], g.p.Buttons[i]
		if b.down && !b.done && spec.Long != NoAction && at >= b.since+spec.LongAfter {
			b.done = true
			g.act(at, spec.Long, "button", out)
		}
	}
}

// tag gives the present readings the next number.
func (g *Gauge) tag(at time.Duration, out *Out) {
	e := Emission{Kind: Tagged, Readings: g.readings(out), Tag: g.nextTag}
	out.add(e)
	if t := g.p.Tags; t.Repeat > 0 && t.Tries > 1 {
		g.unacked = append(g.unacked, pending{g.nextTag, append([]Reading(nil), e.Readings...), at + t.Repeat, t.Tries - 1})
	}
	if g.nextTag++; g.nextTag > g.p.Tags.Last {
		g.nextTag = g.p.Tags.First
	}
	g.buzz("short", out)
}

// acknowledge ends the repetition of a tag.
func (g *Gauge) acknowledge(tag int64) bool {
	for i, u := range g.unacked {
		if u.tag == tag {
			g.unacked = append(g.unacked[:i], g.unacked[i+1:]...)
			return true
		}
	}
	return false
}

func (g *Gauge) press(at time.Duration, e Event, out *Out) {
	if e.Button < 0 || e.Button >= len(g.buttons) || g.buttons[e.Button].down {
		return
	}
	g.buttons[e.Button] = button{down: true, since: at}
	if spec := g.p.Buttons[e.Button]; spec.Long == NoAction {
		g.act(at, spec.Press, "button", out)
	}
}

func (g *Gauge) release(at time.Duration, e Event, out *Out) {
	if e.Button < 0 || e.Button >= len(g.buttons) || !g.buttons[e.Button].down {
		return
	}
	b, spec := &g.buttons[e.Button], g.p.Buttons[e.Button]
	b.down = false
	if spec.Long == NoAction || b.done {
		return
	}
	if at >= b.since+spec.LongAfter {
		g.act(at, spec.Long, "button", out)
		return
	}
	g.act(at, spec.Press, "button", out)
}

func (g *Gauge) act(at time.Duration, a Action, by string, out *Out) {
	switch a {
	case TagAction:
		g.tag(at, out)
	case ZeroAction:
		g.datum(-1, func(*channel) decimal.Length { return 0 }, "zero", by, out)
	case PresetAction:
		g.datum(-1, func(c *channel) decimal.Length { return c.Preset }, "preset", by, out)
	case FunctionAction:
		next := (g.ch[0].Function + 1) % (FIM + 1)
		g.set(at, Command{Setting: "function", Channel: -1, Value: Text(next.String())}, by, out)
	case ClearAction:
		for i := range g.ch {
			g.ch[i].clear()
		}
	case StreamAction:
		to := "on"
		if g.stream {
			to = "off"
		}
		g.set(at, Command{Setting: "stream", Channel: -1, Value: Text(to)}, by, out)
	}
}

// datum sets the datum of one channel, or of all (−1). It is refused, and
// nothing changes, when any of them has no valid value.
func (g *Gauge) datum(ch int, target func(*channel) decimal.Length, name, by string, out *Out) Refusal {
	for i := range g.ch {
		if (ch < 0 || i == ch) && g.ch[i].void != Valid {
			g.buzz("double", out)
			return NoReading
		}
	}
	for i := range g.ch {
		if ch >= 0 && i != ch {
			continue
		}
		c := &g.ch[i]
		from := c.value
		to := target(c)
		c.setDatum(to)
		out.add(Emission{Kind: Changed, Change: Change{Name: name, Channel: i, From: inUnit(from, c.Unit), To: inUnit(decimal.New(int64(to), 0), c.Unit), By: by}})
	}
	return Done
}

// inUnit writes a value in pm in a unit.
func inUnit(pm decimal.Decimal, u decimal.Unit) string {
	l, ok := pm.Int64()
	if !ok {
		l, _ = pm.Quantize(0, decimal.HalfEven).Int64()
	}
	v, _ := decimal.Length(l).In(u)
	return v.String() + " " + u.Symbol()
}

func (g *Gauge) buzz(pattern string, out *Out) {
	if g.buzzer {
		out.add(Emission{Kind: Buzzed, Text: pattern})
	}
}

// showLamps tells which lamps changed.
func (g *Gauge) showLamps(out *Out) {
	if len(g.lamps) == 0 {
		return
	}
	g.worst = zone.In
	for i := range g.ch {
		z := g.reading(i).Zone
		if severity(z) > severity(g.worst) {
			g.worst = z
		}
	}
	for i := range g.lamps {
		if s := g.lamp(i); s != g.lamps[i] {
			g.lamps[i] = s
			out.add(Emission{Kind: Lamped, Text: g.p.Lamps[i].Name + ": " + s})
		}
	}
}

func severity(z zone.Zone) int {
	return [...]int{zone.Void: 3, zone.Below: 2, zone.WarnLow: 1, zone.In: 0, zone.WarnHigh: 1, zone.Above: 2}[z]
}

func (g *Gauge) lamp(i int) string {
	choose := func(cond bool, yes, no string) string {
		if cond {
			return yes
		}
		return no
	}
	switch g.p.Lamps[i].Shows {
	case ShowStream:
		return choose(g.stream, "on", "off")
	case ShowLink:
		return choose(g.up, "up", "lost")
	case ShowCell:
		return choose(g.low, "low", "good")
	case ShowProbe:
		for k := range g.ch {
			if g.ch[k].void == Missing {
				return "fault"
			}
		}
		return "good"
	}
	return g.worst.String()
}
