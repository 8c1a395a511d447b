package gauge

import (
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/zone"
)

// Value is a setting's value: a number or a word.
type Value struct {
	Num     decimal.Decimal
	Word    string
	Numeric bool
}

// Text is a word as a value.
func Text(s string) Value { return Value{Word: s} }

// Number is a number as a value.
func Number(d decimal.Decimal) Value { return Value{Num: d, Numeric: true} }

func (v Value) String() string {
	if v.Numeric {
		return v.Num.String()
	}
	return v.Word
}

// number takes a number, written as one or as a word.
func (v Value) number() (decimal.Decimal, bool) {
	if v.Numeric {
		return v.Num, true
	}
	d, err := decimal.Parse(v.Word)
	return d, err == nil
}

// Command is something asked of the gauge.
type Command struct {
	Verb    string // read, tag, zero, preset, clear, set, get, stream-on, stream-off, ack, identify, press
	Setting string // of set and get
	Channel int    // −1: the whole gauge
	Value   Value  // of set; the size of preset; the tag number of ack; the button of press
}

// Refusal says why a command was not done. It is empty when it was.
type Refusal string

// Refusals.
const (
	Done           Refusal = ""
	UnknownVerb    Refusal = "unknown command"
	UnknownSetting Refusal = "unknown setting"
	NoChannel      Refusal = "no such channel"
	BadValue       Refusal = "not a value of this setting"
	OutOfRange     Refusal = "out of range"
	NoReading      Refusal = "no valid reading"
	NotPending     Refusal = "no such tag waits"
	ReadOnly       Refusal = "read only"
)

// Outcome is what came of a command.
type Outcome struct {
	Refused Refusal
	Value   Value // of get
}

func (g *Gauge) asked(at time.Duration, e Event, out *Out) {
	cmd := e.Command
	by := e.By
	if by == "" {
		by = "host"
	}
	reply := Emission{Kind: Replied, Command: cmd}
	if cmd.Channel >= len(g.ch) || cmd.Channel < -1 {
		reply.Outcome.Refused = NoChannel
		out.add(reply)
		return
	}
	switch cmd.Verb {
	case "read":
		reply.Readings = g.readings(out)
		if cmd.Channel >= 0 {
			reply.Readings = reply.Readings[cmd.Channel : cmd.Channel+1]
		}
	case "identify":
	case "tag":
		g.tag(at, out)
	case "ack":
		n, ok := cmd.Value.number()
		tag, whole := n.Int64()
		if !ok || !whole || !g.acknowledge(tag) {
			reply.Outcome.Refused = NotPending
		}
	case "zero":
		reply.Outcome.Refused = g.datum(cmd.Channel, func(*channel) decimal.Length { return 0 }, "zero", by, out)
	case "preset":
		reply.Outcome.Refused = g.preset(cmd, by, out)
	case "clear":
		for i := range g.ch {
			if cmd.Channel < 0 || i == cmd.Channel {
				g.ch[i].clear()
			}
		}
	case "press":
		n, ok := cmd.Value.number()
		b, whole := n.Int64()
		if !ok || !whole || b < 1 || b > int64(len(g.buttons)) {
			reply.Outcome.Refused = OutOfRange
			break
		}
		g.press(at, Event{Button: int(b - 1)}, out)
		g.release(at, Event{Button: int(b - 1)}, out)
	case "stream-on", "stream-off":
		reply.Outcome.Refused = g.set(at, Command{Setting: "stream", Channel: -1, Value: Text(cmd.Verb[len("stream-"):])}, by, out)
	case "set":
		reply.Outcome.Refused = g.set(at, cmd, by, out)
	case "get":
		reply.Outcome.Value, reply.Outcome.Refused = g.get(cmd)
	default:
		reply.Outcome.Refused = UnknownVerb
	}
	out.add(reply)
}

func (g *Gauge) preset(cmd Command, by string, out *Out) Refusal {
	target := func(c *channel) decimal.Length { return c.Preset }
	if cmd.Value != (Value{}) {
		n, ok := cmd.Value.number()
		if !ok {
			return BadValue
		}
		for i := range g.ch {
			if cmd.Channel >= 0 && i != cmd.Channel {
				continue
			}
			l, ok := decimal.Exactly(n, g.ch[i].Unit)
			if !ok {
				return OutOfRange
			}
			g.ch[i].Preset = l
		}
	}
	return g.datum(cmd.Channel, target, "preset", by, out)
}

// setting is one setting of a gauge: where it is read and written. Lengths are
// numbers in the channel's present unit. A refused write changes nothing.
type setting struct {
	name       string
	perChannel bool
	get        func(g *Gauge, c *channel) Value
	set        func(g *Gauge, c *channel, at time.Duration, v Value) Refusal
}

// word makes a setter of an enumeration.
func word[T any, P interface {
	*T
	UnmarshalText([]byte) error
}](to func(*channel) P) func(*Gauge, *channel, time.Duration, Value) Refusal {
	return func(_ *Gauge, c *channel, _ time.Duration, v Value) Refusal {
		if v.Numeric || P(new(T)).UnmarshalText([]byte(v.Word)) != nil {
			return BadValue
		}
		_ = to(c).UnmarshalText([]byte(v.Word))
		return Done
	}
}

func limit(of func(*zone.Limits) *zone.Limit) (get func(*Gauge, *channel) Value, set func(*Gauge, *channel, time.Duration, Value) Refusal) {
	get = func(_ *Gauge, c *channel) Value {
		l := of(&c.Limits)
		if !l.Set {
			return Text("none")
		}
		v, _ := l.At.In(c.Unit)
		return Number(v)
	}
	set = func(_ *Gauge, c *channel, _ time.Duration, v Value) Refusal {
		next := c.Limits
		if v.Word == "none" {
			*of(&next) = zone.Limit{}
		} else {
			n, ok := v.number()
			if !ok {
				return BadValue
			}
			l, ok := decimal.Exactly(n, c.Unit)
			if !ok {
				return OutOfRange
			}
			*of(&next) = zone.At(l)
		}
		if next.Check() != nil {
			return OutOfRange
		}
		c.Limits = next
		return Done
	}
	return get, set
}

func onOff(of func(*Gauge) *bool) (get func(*Gauge, *channel) Value, set func(*Gauge, *channel, time.Duration, Value) Refusal) {
	get = func(g *Gauge, _ *channel) Value {
		if *of(g) {
			return Text("on")
		}
		return Text("off")
	}
	set = func(g *Gauge, _ *channel, _ time.Duration, v Value) Refusal {
		switch {
		case v.Word == "on", v.Numeric && v.Num.Equal(decimal.New(1, 0)):
			*of(g) = true
		case v.Word == "off", v.Numeric && v.Num.IsZero():
			*of(g) = false
		default:
			return BadValue
		}
		return Done
	}
	return get, set
}

// MaxFactor and MinFactor bound the magnitude of a factor.
var (
	MaxFactor = decimal.New(1000, 0)
	MinFactor = decimal.New(1, -6)
)

func settings() []setting {
	s := []setting{
		{"unit", true,
			func(_ *Gauge, c *channel) Value { return Text(c.Unit.Symbol()) },
			func(_ *Gauge, c *channel, _ time.Duration, v Value) Refusal {
				u, ok := decimal.ParseUnit(v.Word)
				if !ok || v.Numeric {
					return BadValue
				}
				if u != c.Unit {
					c.Resolution = ResolutionIn(c.step, u)
					c.step, _ = stepOf(c.Resolution, u)
					c.Unit = u
				}
				return Done
			}},
		{"resolution", true,
			func(_ *Gauge, c *channel) Value { return Number(c.Resolution) },
			func(_ *Gauge, c *channel, _ time.Duration, v Value) Refusal {
				n, ok := v.number()
				if !ok {
					return BadValue
				}
				step, err := stepOf(n, c.Unit)
				if err != nil || step > c.stroke {
					return OutOfRange
				}
				c.Resolution, c.step = n, step
				return Done
			}},
		{"sense", true,
			func(_ *Gauge, c *channel) Value { return Text(c.Sense.String()) },
			word(func(c *channel) *Sense { return &c.Sense })},
		{"rounding", true,
			func(_ *Gauge, c *channel) Value { return Text(c.Rounding.String()) },
			word(func(c *channel) *decimal.Rounding { return &c.Rounding })},
		{"function", true,
			func(_ *Gauge, c *channel) Value { return Text(c.Function.String()) },
			word(func(c *channel) *Function { return &c.Function })},
		{"factor", true,
			func(_ *Gauge, c *channel) Value { return Number(c.Factor) },
			func(_ *Gauge, c *channel, _ time.Duration, v Value) Refusal {
				n, ok := v.number()
				if !ok {
					return BadValue
				}
				if a := n.Abs(); a.Cmp(MinFactor) < 0 || a.Cmp(MaxFactor) > 0 || len(n.Trim().String()) > 12 {
					return OutOfRange
				}
				c.Factor = n
				return Done
			}},
		{"preset-size", true,
			func(_ *Gauge, c *channel) Value { v, _ := c.Preset.In(c.Unit); return Number(v) },
			func(_ *Gauge, c *channel, _ time.Duration, v Value) Refusal {
				n, ok := v.number()
				if !ok {
					return BadValue
				}
				l, ok := decimal.Exactly(n, c.Unit)
				if !ok {
					return OutOfRange
				}
				c.Preset = l
				return Done
			}},
		{"rate", false,
			func(g *Gauge, _ *channel) Value { return Number(g.rate.rate.Hz) },
			func(g *Gauge, _ *channel, at time.Duration, v Value) Refusal {
				n, ok := v.number()
				if !ok {
					return BadValue
				}
				if n.Cmp(decimal.New(1, -3)) < 0 || n.Cmp(decimal.New(10000, 0)) > 0 || len(n.Trim().String()) > 10 {
					return OutOfRange
				}
				r := quantity.Rate{Hz: n}
				// The frame in flight is not disturbed: the new rate counts from now.
				g.rate.set(r, at)
				g.rate.next(at)
				return Done
			}},
		{"tag-next", false,
			func(g *Gauge, _ *channel) Value { return Number(decimal.New(g.nextTag, 0)) },
			func(g *Gauge, _ *channel, _ time.Duration, v Value) Refusal {
				d, ok := v.number()
				n, whole := d.Int64()
				if !ok || !whole {
					return BadValue
				}
				if n < g.p.Tags.First || n > g.p.Tags.Last {
					return OutOfRange
				}
				g.nextTag = n
				return Done
			}},
	}
	get, set := onOff(func(g *Gauge) *bool { return &g.stream })
	s = append(s, setting{"stream", false, get, set})
	get, set = onOff(func(g *Gauge) *bool { return &g.buzzer })
	s = append(s, setting{"buzzer", false, get, set})
	for _, l := range []struct {
		name string
		of   func(*zone.Limits) *zone.Limit
	}{
		{"lower", func(l *zone.Limits) *zone.Limit { return &l.Lower }},
		{"upper", func(l *zone.Limits) *zone.Limit { return &l.Upper }},
		{"warn-lower", func(l *zone.Limits) *zone.Limit { return &l.WarnLower }},
		{"warn-upper", func(l *zone.Limits) *zone.Limit { return &l.WarnUpper }},
	} {
		get, set := limit(l.of)
		s = append(s, setting{l.name, true, get, set})
	}
	return s
}

// table is the settings by name; it is built once and never written again.
var table = func() map[string]setting {
	m := map[string]setting{}
	for _, s := range settings() {
		m[s.name] = s
	}
	return m
}()

// SettingNames lists the settings by name.
func SettingNames() []string {
	var n []string
	for _, s := range settings() {
		n = append(n, s.name)
	}
	return n
}

// set writes a setting of one channel, or of the gauge or all channels (−1).
// Either all are written or none is.
func (g *Gauge) set(at time.Duration, cmd Command, by string, out *Out) Refusal {
	s, ok := table[cmd.Setting]
	if !ok {
		return UnknownSetting
	}
	if !s.perChannel {
		from := s.get(g, nil)
		if why := s.set(g, nil, at, cmd.Value); why != Done {
			return why
		}
		out.add(Emission{Kind: Changed, Change: Change{s.name, -1, from.String(), s.get(g, nil).String(), by}})
		return Done
	}
	before := len(out.Emissions)
	saved := append([]channel(nil), g.ch...)
	for i := range g.ch {
		if cmd.Channel >= 0 && i != cmd.Channel {
			continue
		}
		c := &g.ch[i]
		from := s.get(g, c)
		if why := s.set(g, c, at, cmd.Value); why != Done {
			g.ch = saved
			out.Emissions = out.Emissions[:before]
			return why
		}
		if (s.name == "sense" || s.name == "factor") && c.void == Valid {
			// The datum stays as it was set; the value under it moves.
			c.value = c.measure(c.pressed)
			c.clear()
		}
		out.add(Emission{Kind: Changed, Change: Change{s.name, i, from.String(), s.get(g, c).String(), by}})
	}
	return Done
}

func (g *Gauge) get(cmd Command) (Value, Refusal) {
	s, ok := table[cmd.Setting]
	if !ok {
		return Value{}, UnknownSetting
	}
	if !s.perChannel {
		return s.get(g, nil), Done
	}
	return s.get(g, &g.ch[max(cmd.Channel, 0)]), Done
}
