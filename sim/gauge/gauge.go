// Package gauge is the instrument itself, pure: a state machine that takes
// events with their times and tells what comes of them. It knows no clock, no
// wire and no port; what it emits are plain values.
//
// The measuring chain of a channel, in order:
//
//	pressed            how far the tip is pressed into its stroke, pm
//	averaged           mean of the last samples, to whole pm
//	sensed             rising: averaged; falling: stroke − averaged
//	scaled             factor × sensed
//	value              scaled + datum
//	function           live: the value; max, min: its extremes since cleared; fim: max − min
//	shown              rounded to whole steps of the resolution, in the channel's unit
//	zone               by the channel's own limits and rule
//
// A computed channel starts with what its Calc makes of the values of other
// channels in the place of sensed. Where instruments differ the profile's Chain
// says which they are: the factor may come after the datum, max and min may be
// kept of the samples instead of their mean.
//
// The datum is the offset that zero or preset leaves: value becomes exactly 0
// or the master's size at that instant. All of it is exact, as fractions where a
// quotient does not end, up to the one rounding to the resolution.
package gauge

import (
	"fmt"
	"slices"
	"time"

	"example.org/understudy/sim/decimal"
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
	Exact    decimal.Fraction // pm, before rounding; meaningless when void
	Shown    decimal.Decimal  // in Unit, a whole number of steps; meaningless when void
	Unit     decimal.Unit
	Function Function
	Zone     zone.Zone
	Void     Void
}

// EventKind says what happens to the gauge.
type EventKind uint8

// Kinds of event.
const (
	Sampled   EventKind = iota // the probes were read at the gauge's own rhythm (Tips)
	Looked                     // the probes were read out of turn (Tips)
	Pressed                    // a button goes down (Button), or bounces
	Released                   // a button comes up (Button), or bounces
	PedalDown                  // the foot pedal goes down
	PedalUp                    // the foot pedal comes up
	Tilted                     // the gauge is held otherwise (Degrees from upright)
	Asked                      // the host asks something (Command)
	CellTold                   // the cell's state changed (Percent, Low, Dead)
	LinkTold                   // the link's state changed (Up)
)

// Event is one thing that happens to the gauge.
type Event struct {
	Kind    EventKind
	Tips    []Tip // one per channel; read, not kept; those of computed channels are ignored
	Button  int   // 0 or 1
	Degrees int
	Command Command
	Percent int
	Low     bool
	Dead    bool
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
	Lamped                         // a lamp changed (Text: "name: state (look)")
	Buzzed                         // the buzzer sounds (Text: "event (rhythm)")
	StatusTold                     // the gauge tells its state on its own (cell low)
	PowerTold                      // the gauge went off, starts, or is on (Text: "off: why", "starting", "on"); see Power
	Noted                          // something a host cannot see (Text)
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
	Power    PowerState
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

type pending struct {
	tag      int64
	readings []Reading
	next     time.Duration
	left     int
}

// Never is when a gauge that wants no event is due.
const Never time.Duration = 1<<63 - 1

// Gauge is an instrument and its state.
type Gauge struct {
	p  *Profile
	ch []channel
	Common
	power   PowerState
	wakeAt  time.Duration // when the start-up ends
	stirred time.Duration // the last activity
	nextTag int64
	rate    rateClock // of what is streamed
	own     rateClock // of the samples between
	late    []write   // settings that take effect after the next frame
	buttons [2]button
	pedal   bool
	flipped bool
	unacked []pending
	waiting []pending // tags that wait for the link
	wanted  int       // tags that wait for a sample
	sampled bool      // since it came on
	still   bool      // every tip was, at the last sample
	// set on a master: when last, whether since the last sample, whether it is overdue
	mastered time.Duration
	renewed  bool
	overdue  bool
	percent  int
	low      bool
	dead     bool // the cell
	up       bool
	lamps    []string
	worst    zone.Zone
	buzzes   map[string]Rhythm
	args     []decimal.Fraction
}

// New makes a gauge as its profile sets it, switched on. Until the first sample
// its readings are void.
func New(p *Profile) (*Gauge, error) {
	if err := p.Check(); err != nil {
		return nil, err
	}
	g := &Gauge{p: p, Common: p.Common, nextTag: p.Tags.First, percent: 100, up: true, buzzes: p.Buzzes}
	if g.buzzes == nil {
		g.buzzes = DefaultBuzzes()
	}
	g.rate.set(p.Rate, p.Phase)
	g.own.set(p.Sampling, p.Phase)
	for i := range p.Channels {
		c := &p.Channels[i]
		step, _ := stepOf(c.Resolution, c.Unit)
		g.ch = append(g.ch, channel{name: c.Name, stroke: c.Stroke, calc: c.Calc, Settings: c.Settings, step: step, void: Missing})
		g.ch[i].Average = max(c.Average, 1)
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
	c.ch = slices.Clone(g.ch)
	c.lamps = slices.Clone(g.lamps)
	c.late = slices.Clone(g.late)
	c.unacked, c.waiting = cloned(g.unacked), cloned(g.waiting)
	c.args = nil
	return &c
}

func cloned(ps []pending) []pending {
	ps = slices.Clone(ps)
	for i := range ps {
		ps[i].readings = slices.Clone(ps[i].readings)
	}
	return ps
}

// Profile returns the gauge's profile.
func (g *Gauge) Profile() *Profile { return g.p }

// NextTag returns the number the next tag will carry.
func (g *Gauge) NextTag() int64 { return g.nextTag }

// Get returns a setting's value; channel −1 asks the first.
func (g *Gauge) Get(setting string, channel int) (Value, Refusal) {
	return g.get(Command{Setting: setting, Channel: channel})
}

// Lamps returns the state each lamp shows, in the profile's order; "dark" when
// the gauge is off.
func (g *Gauge) Lamps() []string { return g.lamps }

// Look returns how lamp i looks now; the zero Look is dark.
func (g *Gauge) Look(i int) Look { return g.p.Lamps[i].Looks[g.lamps[i]] }

// Cell returns the cell's charge in percent and whether the gauge calls it low.
func (g *Gauge) Cell() (percent int, low bool) { return g.percent, g.low }

// Inputs returns which digital inputs are on: the buttons and the pedal.
func (g *Gauge) Inputs() (a, b, pedal bool) { return g.buttons[0].down, g.buttons[1].down, g.pedal }

// Settings returns a channel's present settings.
func (g *Gauge) Settings(ch int) Settings { return g.ch[ch].Settings }

// Waiting returns how many tags wait for the link.
func (g *Gauge) Waiting() int { return len(g.waiting) }

// Due returns when the gauge next wants a Sampled event, or Never.
func (g *Gauge) Due() time.Duration {
	due := Never
	switch g.power {
	case Starting:
		due = g.wakeAt
	case On:
		if due = g.rate.due; !g.own.rate.IsZero() {
			due = min(due, g.own.due)
		}
		for i := range g.unacked {
			due = min(due, g.unacked[i].next)
		}
		if g.IdleOff > 0 {
			due = min(due, g.stirred+g.IdleOff)
		}
	}
	for i := range g.buttons {
		due = min(due, g.buttonDue(i))
	}
	return due
}

// Step takes one event at a time and fills out with what comes of it. Times
// must not run backwards. Events that mean nothing in the present state (the
// release of a button that is up, say) have no effect. A gauge that is off
// answers nothing, not even with a refusal.
func (g *Gauge) Step(at time.Duration, e Event, out *Out) {
	out.Emissions = out.Emissions[:0]
	out.readings = out.readings[:0]
	if g.power == Starting && at >= g.wakeAt {
		g.awake(at, out)
	}
	switch e.Kind {
	case Sampled:
		if g.power == On {
			g.sample(at, e.Tips, true)
			g.sampled = true
			g.settle(at)
			g.remind(at, out)
			for g.wanted > 0 && (g.still || g.p.Tags.Takes == Next) {
				g.wanted--
				g.take(at, out)
			}
			if !g.own.rate.IsZero() && at >= g.own.due {
				g.own.next(at)
			}
			g.streamed(at, out)
		}
		g.lapse(at, out)
	case Looked:
		if g.power == On && (g.p.Tags.Takes != Last || !g.sampled) {
			g.sample(at, e.Tips, false)
			g.settle(at)
		}
	case Pressed, Released:
		g.lapse(at, out)
		g.edge(at, e.Button, e.Kind == Pressed, out)
	case PedalDown, PedalUp:
		if down := e.Kind == PedalDown; g.pedal != down {
			g.pedal = down
			if down && g.power == On {
				g.stirred = at
				g.act(at, g.p.Pedal, "pedal", out)
			}
		}
	case Tilted:
		g.tilt(e.Degrees)
	case Asked:
		g.lapse(at, out)
		if g.power == On {
			g.stirred = at
			g.asked(at, e, out)
		}
	case CellTold:
		told := e.Low && !g.low
		g.percent, g.low = e.Percent, e.Low
		g.cell(at, e.Dead, out)
		if told && g.power == On {
			g.buzz("low", out)
			out.add(Emission{Kind: StatusTold})
		}
	case LinkTold:
		g.linked(at, e.Up, out)
	}
	g.showLamps(out)
}

func (o *Out) add(e Emission) { o.Emissions = append(o.Emissions, e) }

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

// streamed sends what the stream sends at a sample, and lets settings that
// waited for the frame take effect.
func (g *Gauge) streamed(at time.Duration, out *Out) {
	if at < g.rate.due {
		return
	}
	g.rate.next(at)
	if g.Streaming {
		if rs := g.readings(out); !g.OnChange || g.moved(rs) {
			out.add(Emission{Kind: Streamed, Readings: rs})
		}
	}
	if len(g.late) > 0 {
		late := g.late
		g.late = nil
		for _, w := range late {
			g.set(at, w.cmd, w.by, out) // it was tried when it was written
		}
	}
}

// moved reports whether a reading differs from what was last streamed by more
// than the channel's dead band, or in being void.
func (g *Gauge) moved(rs []Reading) bool {
	moved := false
	for i := range rs {
		c, r := &g.ch[i], &rs[i]
		moved = moved || !c.told || r.Void != c.last ||
			r.Void == Valid && r.Exact.Sub(c.sent).Abs().Cmp(whole(c.DeadBand)) > 0
	}
	if moved {
		for i := range rs {
			c := &g.ch[i]
			c.sent, c.last, c.told = rs[i].Exact, rs[i].Void, true
		}
	}
	return moved
}

// lapse does what a time brings that has passed: tags to be sent again,
// buttons held or let go long enough, the end of idle time.
func (g *Gauge) lapse(at time.Duration, out *Out) {
	for i := 0; i < len(g.unacked); {
		u := &g.unacked[i]
		if at < u.next {
			i++
			continue
		}
		out.add(Emission{Kind: Tagged, Readings: slices.Clone(u.readings), Tag: u.tag, Repeat: true})
		u.next += g.p.Tags.Repeat
		if u.left--; u.left <= 0 {
			g.unacked = append(g.unacked[:i], g.unacked[i+1:]...)
			continue
		}
		i++
	}
	for i := range g.buttons {
		g.buttonLapse(at, i, out)
	}
	if g.power == On && g.IdleOff > 0 && at >= g.stirred+g.IdleOff {
		g.off("nothing was done for "+g.IdleOff.String(), out)
	}
}

// Still reports whether every tip is still: within a length of where it has been for a
// time, after averaging.
func (g *Gauge) Still() bool { return g.still }

// Overdue reports whether the gauge is to be set on its master again.
func (g *Gauge) Overdue() bool { return g.overdue }

// remind notes when the gauge has not been set on its master for too long.
func (g *Gauge) remind(at time.Duration, out *Out) {
	if g.renewed {
		g.mastered, g.renewed = at, false
	}
	was := g.overdue
	if g.overdue = g.p.MasterEvery > 0 && at-g.mastered >= g.p.MasterEvery; g.overdue && !was {
		out.add(Emission{Kind: Noted, Text: "the gauge is to be set on its master again"})
	}
}

// settle sees whether the tips are still.
func (g *Gauge) settle(at time.Duration) {
	t := &g.p.Tags
	if g.still = t.For > 0; !g.still {
		return
	}
	for i := range g.ch {
		if c := &g.ch[i]; c.calc == nil {
			g.still = c.settled(at, t.Within, t.For) && g.still
		}
	}
}

// tag takes the present readings, or waits for the sample that it is to take.
func (g *Gauge) tag(at time.Duration, out *Out) {
	if t := g.p.Tags.Takes; t != Next && (t != WhenStill || g.still) {
		g.take(at, out)
		return
	}
	g.wanted++
	out.add(Emission{Kind: Noted, Text: "a tag waits for a sample"})
}

// take gives the present readings the next number. While the link is lost it
// waits, if there is room; else it goes out into the lost link.
func (g *Gauge) take(at time.Duration, out *Out) {
	n := g.nextTag
	if g.nextTag++; g.nextTag > g.p.Tags.Last {
		g.nextTag = g.p.Tags.First
	}
	rs := g.readings(out)
	if !g.up && len(g.waiting) < g.p.Tags.Queue {
		g.waiting = append(g.waiting, pending{tag: n, readings: slices.Clone(rs)})
		out.add(Emission{Kind: Noted, Text: fmt.Sprintf("tag %d waits for the link", n)})
	} else {
		g.sendTag(at, n, rs, out)
	}
	g.buzz("tag", out)
}

func (g *Gauge) sendTag(at time.Duration, n int64, rs []Reading, out *Out) {
	out.add(Emission{Kind: Tagged, Readings: rs, Tag: n})
	if t := g.p.Tags; t.Repeat > 0 && t.Tries > 1 {
		g.unacked = append(g.unacked, pending{n, slices.Clone(rs), at + t.Repeat, t.Tries - 1})
	}
}

// linked takes the state of the link; tags that waited for it go out.
func (g *Gauge) linked(at time.Duration, up bool, out *Out) {
	if up != g.up && g.power == On {
		g.buzz(map[bool]string{true: "up", false: "lost"}[up], out)
	}
	g.up = up
	if !up || g.power != On {
		return
	}
	for _, w := range g.waiting {
		g.sendTag(at, w.tag, w.readings, out)
	}
	g.waiting = nil
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

// act carries out what a button or the pedal does.
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
		g.write(at, Command{Setting: "function", Channel: -1, Value: Text(next.String())}, by, out)
	case ClearAction:
		g.clear(-1)
	case StreamAction:
		g.write(at, Command{Setting: "stream", Channel: -1, Value: onOff(!g.Streaming)}, by, out)
	case PowerAction:
		g.off("by the button", out)
	}
}

func (g *Gauge) clear(ch int) {
	for i := range g.ch {
		if ch < 0 || i == ch {
			g.ch[i].clear()
		}
	}
}

func (g *Gauge) buzz(event string, out *Out) {
	if r, ok := g.buzzes[event]; ok && g.Buzzer {
		out.add(Emission{Kind: Buzzed, Text: fmt.Sprintf("%s (%s)", event, r)})
	}
}

// showLamps tells which lamps changed, and sounds the buzzer for a zone.
func (g *Gauge) showLamps(out *Out) {
	if len(g.lamps) == 0 && !g.Buzzer {
		return
	}
	was := g.worst
	g.worst = zone.Inside
	if g.power == On {
		for i := range g.ch {
			if z := g.reading(i).Zone; severity(z) > severity(g.worst) {
				g.worst = z
			}
		}
		if g.worst != was {
			g.buzz(g.worst.String(), out)
		}
	}
	for i := range g.lamps {
		if s := g.lamp(i); s != g.lamps[i] {
			g.lamps[i] = s
			text := g.p.Lamps[i].Name + ": " + s
			if look := g.Look(i); look.Colour != "" {
				text += fmt.Sprintf(" (%s, %s)", look.Colour, look.Rhythm)
			}
			out.add(Emission{Kind: Lamped, Text: text})
		}
	}
}

func severity(z zone.Zone) int {
	return [...]int{zone.Void: 3, zone.Below: 2, zone.WarnLow: 1, zone.Inside: 0, zone.WarnHigh: 1, zone.Above: 2}[z]
}

func (g *Gauge) lamp(i int) string {
	choose := func(cond bool, yes, no string) string {
		if cond {
			return yes
		}
		return no
	}
	if g.power != On {
		return "dark"
	}
	switch g.p.Lamps[i].Shows {
	case ShowStream:
		return choose(g.Streaming, "streaming", "still")
	case ShowLink:
		return choose(g.up, "up", "lost")
	case ShowCell:
		return choose(g.low, "low", "good")
	case ShowProbe:
		for k := range g.ch {
			if g.ch[k].calc == nil && g.ch[k].void == Missing {
				return "fault"
			}
		}
		return "good"
	}
	return g.worst.String()
}
