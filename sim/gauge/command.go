package gauge

import (
	"strings"
	"time"

	"example.org/understudy/sim/decimal"
)

// Value is a setting's value: a number or a word.
type Value struct {
	Num     decimal.Decimal
	Word    string
	Numeric bool
	PM      bool // Num is a length in picometres, whatever the channel's unit
}

// Text is a word as a value.
func Text(s string) Value { return Value{Word: s} }

// Number is a number as a value.
func Number(d decimal.Decimal) Value { return Value{Num: d, Numeric: true} }

// Size is a length as a value, which needs no end as a decimal in the channel's unit:
// 20 mm has none in inches.
func Size(l decimal.Length) Value {
	return Value{Num: decimal.New(int64(l), 0), Numeric: true, PM: true}
}

// Written is a text as a value: a number, a word, or nothing.
func Written(s string) Value {
	if n, err := decimal.Parse(s); err == nil {
		return Number(n)
	}
	return Text(s)
}

func (v Value) String() string {
	if v.Numeric {
		return v.Num.String()
	}
	return v.Word
}

// in takes a number in a unit, written as a number, or as a text in which the
// unit may stand behind it. A number in another unit is refused, not converted:
// whoever writes it thinks that the gauge is set otherwise than it is.
func (v Value) in(unit string) (decimal.Decimal, Refusal) {
	if v.Numeric {
		return v.Num, Done
	}
	text, with, _ := strings.Cut(strings.TrimSpace(v.Word), " ")
	d, err := decimal.Parse(text)
	if err != nil {
		return d, BadValue
	}
	if with != "" && with != unit {
		u, ok := decimal.ParseUnit(with)
		if !ok || u.Symbol() != unit {
			return d, WrongUnit
		}
	}
	return d, Done
}

// length takes a length in a unit.
func (v Value) length(u decimal.Unit) (decimal.Length, Refusal) {
	n, why := v.in(u.Symbol())
	if why != Done {
		return 0, why
	}
	if v.PM {
		u = decimal.PM
	}
	l, ok := decimal.Exactly(n, u)
	if !ok {
		return 0, OutOfRange
	}
	return l, Done
}

// whole takes a whole number in a range.
func (v Value) whole(least, most int64) (int64, Refusal) {
	d, why := v.in("")
	if why != Done {
		return 0, why
	}
	n, ok := d.Int64()
	switch {
	case !ok && d.Quantize(0, decimal.Truncate).Equal(d), ok && (n < least || n > most):
		return 0, OutOfRange
	case !ok:
		return 0, BadValue
	}
	return n, Done
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
	WrongUnit      Refusal = "wrong unit"
	Locked         Refusal = "settings are locked"
	WrongCode      Refusal = "wrong pass-code"
	NoCode         Refusal = "no pass-code"
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
		if tag, why := cmd.Value.whole(0, 1<<62); why != Done || !g.acknowledge(tag) {
			reply.Outcome.Refused = NotPending
		}
	case "zero":
		reply.Outcome.Refused = g.datum(cmd.Channel, func(*channel) decimal.Length { return 0 }, "zero", by, out)
	case "preset":
		reply.Outcome.Refused = g.preset(cmd, by, out)
	case "clear":
		g.clear(cmd.Channel)
	case "press":
		b, why := cmd.Value.whole(1, int64(len(g.buttons)))
		if why != Done {
			reply.Outcome.Refused = OutOfRange
			break
		}
		g.edge(at, int(b-1), true, out)
		g.edge(at, int(b-1), false, out)
	case "stream-on", "stream-off":
		reply.Outcome.Refused = g.write(at, Command{Setting: "stream", Channel: -1, Value: Text(cmd.Verb[len("stream-"):])}, by, out)
	case "set":
		reply.Outcome.Refused = g.write(at, cmd, by, out)
	case "get":
		reply.Outcome.Value, reply.Outcome.Refused = g.get(cmd)
	default:
		reply.Outcome.Refused = UnknownVerb
	}
	out.add(reply)
	if cmd.Verb == "set" && cmd.Setting == "power" && reply.Outcome.Refused == Done {
		g.off("asked by the "+by, out) // once it has answered
	}
}

// preset takes the present value for the master's size: the preset's own, or
// the one the command names, which is then the preset.
func (g *Gauge) preset(cmd Command, by string, out *Out) Refusal {
	target := func(c *channel) decimal.Length { return c.Preset }
	if cmd.Value != (Value{}) {
		to := make([]decimal.Length, len(g.ch))
		for i := range g.ch {
			if cmd.Channel >= 0 && i != cmd.Channel {
				continue
			}
			var why Refusal
			if to[i], why = cmd.Value.length(g.ch[i].Unit); why != Done {
				return why
			}
			if g.Locked && to[i] != g.ch[i].Preset {
				return Locked
			}
		}
		was := make([]decimal.Length, len(g.ch))
		for i := range g.ch {
			was[i] = g.ch[i].Preset
			if cmd.Channel < 0 || i == cmd.Channel {
				g.ch[i].Preset = to[i]
			}
		}
		why := g.datum(cmd.Channel, target, "preset", by, out)
		if why != Done {
			for i := range g.ch {
				g.ch[i].Preset = was[i]
			}
		}
		return why
	}
	return g.datum(cmd.Channel, target, "preset", by, out)
}
