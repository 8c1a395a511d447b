package stage

import (
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/wire"
)

// terms are the places of the gauge's terms in its dialect's records.
type terms struct {
	// of the gauge as a whole
	tag, tagged, seq, channels, cell, low, still, overdue, link, serial, name, rate, stream, setting, value, clock, firmware, button1, button2, pedal wire.Term
	// of each channel
	reading, unit, zone, void, channel, function wire.Term
	// settings of a channel by the gauge's name for them, where the dialect
	// carries a term of that name
	settings []settingTerm
	sends    []settingTerm // flags: whether a part of the frame is sent
}

type settingTerm struct {
	name string
	term wire.Term
}

func bind(d *wire.Dialect) terms {
	t := terms{
		tag: d.Term(wire.Tag), tagged: d.Term(wire.Tagged), seq: d.Term(wire.Seq), channels: d.Term(wire.Channels),
		cell: d.Term(wire.Cell), low: d.Term(wire.Low), still: d.Term(wire.Still), overdue: d.Term(wire.Overdue), link: d.Term(wire.Link), serial: d.Term(wire.Serial), name: d.Term(wire.Name),
		rate: d.Term(wire.Rate), stream: d.Term(wire.Stream), setting: d.Term(wire.SettingName), value: d.Term(wire.SettingTo), clock: d.Term(wire.Clock), firmware: d.Term(wire.Firmware),
		reading: d.Term(wire.Reading), unit: d.Term(wire.Unit), zone: d.Term(wire.Zone), void: d.Term(wire.Void),
		button1: d.Term(wire.Button1), button2: d.Term(wire.Button2), pedal: d.Term("pedal"),
		channel: d.Term(wire.Channel), function: d.Term(wire.Function),
	}
	for _, name := range gauge.SettingNames() {
		switch name {
		case "unit", "function", "rate", "stream":
			continue // above
		case "with-number", "with-keys", "with-tail", "with-lead":
			t.sends = append(t.sends, settingTerm{name, d.Term(name)})
			continue
		}
		if term := d.Term(name); term >= 0 {
			t.settings = append(t.settings, settingTerm{name, term})
		}
	}
	return t
}

// fill puts all the gauge can say into the record: the given readings, the
// tag of an emission, and the settings the dialect carries.
func (a *actor) fill(rs []gauge.Reading, e *gauge.Emission) {
	r, t := a.rec, &a.terms
	r.Reset()
	r.Channels(max(len(rs), 1))
	for i, reading := range rs {
		if reading.Void == gauge.Valid {
			r.Set(t.reading, i, wire.Num(reading.Shown))
			r.Set(t.void, i, wire.Str("none"))
		} else {
			r.Set(t.void, i, wire.Str(reading.Void.String()))
		}
		r.Set(t.unit, i, wire.Str(reading.Unit.Symbol()))
		r.Set(t.zone, i, wire.Str(reading.Zone.String()))
		r.Set(t.function, i, wire.Str(reading.Function.String()))
		r.Set(t.channel, i, wire.Int(int64(reading.Channel+1)))
		for _, s := range t.settings {
			r.Set(s.term, i, a.setting(s.name, reading.Channel))
		}
	}
	tagged := e != nil && e.Kind == gauge.Tagged
	if tagged {
		r.Set(t.tag, 0, wire.Int(e.Tag))
	}
	r.Set(t.tagged, 0, wire.Bool(tagged))
	r.Set(t.seq, 0, wire.Int(int64(a.seq+1)))
	r.Set(t.channels, 0, wire.Int(int64(len(rs))))
	if t.cell >= 0 || t.low >= 0 {
		p, low := a.percent()
		r.Set(t.cell, 0, wire.Int(int64(p)))
		r.Set(t.low, 0, wire.Bool(low))
	}
	r.Set(t.still, 0, wire.Bool(a.g.Still()))
	r.Set(t.overdue, 0, wire.Bool(a.g.Overdue()))
	r.Set(t.link, 0, wire.Str(a.link.Phase.String()))
	r.Set(t.serial, 0, wire.Str(a.m.Profile.Serial))
	r.Set(t.name, 0, wire.Str(a.name))
	r.Set(t.firmware, 0, wire.Str(a.m.Profile.Firmware))
	r.Set(t.rate, 0, wire.Num(a.g.Rate.Hz))
	r.Set(t.stream, 0, wire.Bool(a.g.Streaming))
	r.Set(t.clock, 0, wire.Num(decimal.New(int64(a.s.now/time.Millisecond), -3)))
	b1, b2, pedal := a.g.Inputs()
	r.Set(t.button1, 0, wire.Bool(b1))
	r.Set(t.button2, 0, wire.Bool(b2))
	r.Set(t.pedal, 0, wire.Bool(pedal))
	for _, s := range t.sends {
		if s.term >= 0 {
			v, _ := a.g.Get(s.name, -1)
			r.Set(s.term, 0, wire.Bool(v.Word == "on"))
		}
	}
	if e != nil && e.Kind == gauge.Replied && (e.Command.Verb == "get" || e.Command.Verb == "set") {
		r.Set(t.setting, 0, wire.Str(e.Command.Setting))
		v := e.Outcome.Value
		if e.Command.Verb == "set" {
			v = a.present(e.Command)
		}
		r.Set(t.value, 0, wireValue(v))
	}
}

// present is a setting's value now.
func (a *actor) present(c gauge.Command) gauge.Value {
	v, _ := a.g.Get(c.Setting, c.Channel)
	return v
}

func (a *actor) setting(name string, channel int) wire.Value {
	v, _ := a.g.Get(name, channel)
	return wireValue(v)
}

func wireValue(v gauge.Value) wire.Value {
	if v.Numeric {
		return wire.Num(v.Num)
	}
	if v.Word == "" {
		return wire.Value{}
	}
	return wire.Str(v.Word)
}
