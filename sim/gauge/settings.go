package gauge

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/zone"
)

// Setting describes one setting of a gauge. Its default is what the profile
// says.
type Setting struct {
	Name       string
	PerChannel bool   // each channel has its own
	Is         string // what may be written: words, or a range with its unit
	Volatile   bool   // lost when the gauge goes off, unless the profile's Forgets says otherwise
	Free       bool   // may be written although the settings are locked
	Length     bool   // is a length, written in the channel's unit
	Own        bool   // belongs to this one gauge: it is neither reset nor moved to another
}

// setting is where a setting is read and written. Lengths are numbers in the
// channel's present unit. A refused write changes nothing.
type setting struct {
	Setting
	get func(g *Gauge, c *channel) Value
	set func(g *Gauge, c *channel, at time.Duration, v Value) Refusal
}

// words makes a setting of an enumeration.
func words[T interface {
	~uint8
	fmt.Stringer
	Names() []string
}](of func(*channel) *T) (is string, get func(*Gauge, *channel) Value, set func(*Gauge, *channel, time.Duration, Value) Refusal) {
	all := T(0).Names()
	return strings.Join(all, ", "),
		func(_ *Gauge, c *channel) Value { return Text((*of(c)).String()) },
		func(_ *Gauge, c *channel, _ time.Duration, v Value) Refusal {
			i := slices.Index(all, v.Word)
			if v.Numeric || i < 0 {
				return BadValue
			}
			*of(c) = T(i)
			return Done
		}
}

// lengths makes a setting that is a length from least up.
func lengths(of func(*channel) *decimal.Length, least decimal.Length) (get func(*Gauge, *channel) Value, set func(*Gauge, *channel, time.Duration, Value) Refusal) {
	return func(_ *Gauge, c *channel) Value { v, _ := (*of(c)).In(c.Unit); return Number(v) },
		func(_ *Gauge, c *channel, _ time.Duration, v Value) Refusal {
			l, why := v.length(c.Unit)
			if why == Done && l < least {
				why = OutOfRange
			}
			if why == Done {
				*of(c) = l
			}
			return why
		}
}

func limits(of func(*zone.Limits) *zone.Limit) (get func(*Gauge, *channel) Value, set func(*Gauge, *channel, time.Duration, Value) Refusal) {
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
			l, why := v.length(c.Unit)
			if why != Done {
				return why
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

func onOff(on bool) Value {
	if on {
		return Text("on")
	}
	return Text("off")
}

// flag reads on or off, or 1 or 0.
func (v Value) flag() (bool, Refusal) {
	switch v.Word {
	case "on":
		return true, Done
	case "off":
		return false, Done
	}
	n, why := v.whole(0, 1)
	if why != Done {
		return false, BadValue
	}
	return n == 1, Done
}

func flags(of func(*Gauge) *bool) (get func(*Gauge, *channel) Value, set func(*Gauge, *channel, time.Duration, Value) Refusal) {
	return func(g *Gauge, _ *channel) Value { return onOff(*of(g)) },
		func(g *Gauge, _ *channel, _ time.Duration, v Value) Refusal {
			on, why := v.flag()
			if why == Done {
				*of(g) = on
			}
			return why
		}
}

// Bounds of settings.
var (
	MaxFactor = decimal.New(1000, 0) // magnitude
	MinFactor = decimal.New(1, -6)
	MaxRate   = decimal.New(10_000, 0) // Hz
	MinRate   = quantity.LeastRate
)

// MaxIdle is the longest idle time, a day.
const MaxIdle = 24 * time.Hour

// settings is the table, in an order in which all can be written one after
// the other: the unit before what is written in it.
func settings() []setting {
	const on = "on, off"
	var s []setting
	channelled := func(name, is string, get func(*Gauge, *channel) Value, set func(*Gauge, *channel, time.Duration, Value) Refusal) {
		s = append(s, setting{Setting{Name: name, PerChannel: true, Is: is}, get, set})
	}
	whole := func(m Setting, get func(*Gauge, *channel) Value, set func(*Gauge, *channel, time.Duration, Value) Refusal) {
		s = append(s, setting{m, get, set})
	}
	channelled("unit", strings.Join(decimal.UnitSymbols(), ", "),
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
		})
	channelled("resolution", "length above 0, up to the stroke",
		func(_ *Gauge, c *channel) Value { return Number(c.Resolution) },
		func(_ *Gauge, c *channel, _ time.Duration, v Value) Refusal {
			n, why := v.in(c.Unit.Symbol())
			if why != Done {
				return why
			}
			step, err := stepOf(n, c.Unit)
			if err != nil || c.calc == nil && step > c.stroke {
				return OutOfRange
			}
			c.Resolution, c.step = n, step
			return Done
		})
	is, get, set := words(func(c *channel) *Sense { return &c.Sense })
	channelled("sense", is, get, set)
	is, get, set = words(func(c *channel) *decimal.Rounding { return &c.Rounding })
	channelled("rounding", is, get, set)
	is, get, set = words(func(c *channel) *Function { return &c.Function })
	channelled("function", is, get, set)
	channelled("factor", fmt.Sprintf("±%s to ±%s, up to 12 characters", MinFactor, MaxFactor),
		func(_ *Gauge, c *channel) Value { return Number(c.Factor) },
		func(_ *Gauge, c *channel, _ time.Duration, v Value) Refusal {
			n, why := v.in("")
			if why != Done {
				return why
			}
			if a := n.Abs(); a.Cmp(MinFactor) < 0 || a.Cmp(MaxFactor) > 0 || len(n.Trim().String()) > 12 {
				return OutOfRange
			}
			c.Factor = n
			return Done
		})
	channelled("average", fmt.Sprintf("1 to %d samples", MaxAverage),
		func(_ *Gauge, c *channel) Value { return Number(decimal.New(int64(c.Average), 0)) },
		func(_ *Gauge, c *channel, _ time.Duration, v Value) Refusal {
			n, why := v.whole(1, MaxAverage)
			if why == Done {
				c.Average = int(n)
			}
			return why
		})
	get, set = lengths(func(c *channel) *decimal.Length { return &c.Preset }, -1<<63)
	channelled("preset-size", "length", get, set)
	s[len(s)-1].Length = true
	channelled("datum", "number of mm, up to a million", // in mm always: not every datum can be written in inches
		func(_ *Gauge, c *channel) Value { return Number(c.datum.Decimal(-12).Mul(decimal.New(1, -9)).Trim()) },
		func(_ *Gauge, c *channel, _ time.Duration, v Value) Refusal {
			n, why := v.in("mm")
			mm := n.Fraction()
			if f, err := decimal.ParseFraction(v.Word); err == nil && strings.Contains(v.Word, "/") { // as Export writes it
				mm, why = f, Done
			}
			if why == Done && (mm.Abs().Cmp(decimal.New(1, 6).Fraction()) > 0 || n.Exponent() < -60 || len(mm.String()) > decimal.MaxExponent) {
				why = OutOfRange
			}
			if why == Done {
				c.datum = mm.Mul(decimal.New(1, 9).Fraction())
			}
			return why
		})
	for _, l := range zone.Kinds {
		get, set := limits(l.Of)
		channelled(l.Setting, "length in the order of the limits, or none", get, set)
		s[len(s)-1].Length = true
	}
	get, set = lengths(func(c *channel) *decimal.Length { return &c.DeadBand }, 0)
	channelled("dead-band", "length from 0", get, set)
	s[len(s)-1].Length = true

	whole(Setting{Name: "rate", Is: fmt.Sprintf("%s to %s Hz, up to 10 characters", MinRate, MaxRate)},
		func(g *Gauge, _ *channel) Value { return Number(g.Rate.Hz) },
		func(g *Gauge, _ *channel, at time.Duration, v Value) Refusal {
			n, why := v.in("Hz")
			if why != Done {
				return why
			}
			if n.Cmp(MinRate) < 0 || n.Cmp(MaxRate) > 0 || len(n.Trim().String()) > 10 {
				return OutOfRange
			}
			g.Rate = quantity.Rate{Hz: n}
			// The new rate counts from now: the next sample is one interval away.
			g.rate.set(g.Rate, at)
			g.rate.next(at)
			return Done
		})
	get, set = flags(func(g *Gauge) *bool { return &g.Streaming })
	whole(Setting{Name: "stream", Is: on, Volatile: true, Free: true}, get, set)
	whole(Setting{Name: "stream-mode", Is: "rate, change"},
		func(g *Gauge, _ *channel) Value {
			if g.OnChange {
				return Text("change")
			}
			return Text("rate")
		},
		func(g *Gauge, _ *channel, _ time.Duration, v Value) Refusal {
			if v.Word != "rate" && v.Word != "change" {
				return BadValue
			}
			g.OnChange = v.Word == "change"
			for i := range g.ch {
				g.ch[i].told = false
			}
			return Done
		})
	for _, f := range []struct {
		name string
		of   func(*Gauge) *bool
	}{
		{"with-number", func(g *Gauge) *bool { return &g.WithNumber }},
		{"with-keys", func(g *Gauge) *bool { return &g.WithKeys }},
		{"with-tail", func(g *Gauge) *bool { return &g.WithTail }},
		{"with-lead", func(g *Gauge) *bool { return &g.WithLead }},
		{"buzzer", func(g *Gauge) *bool { return &g.Buzzer }},
	} {
		get, set := flags(f.of)
		whole(Setting{Name: f.name, Is: on}, get, set)
	}
	whole(Setting{Name: "idle-off", Is: fmt.Sprintf("0 (never) to %d s", int(MaxIdle/time.Second))},
		func(g *Gauge, _ *channel) Value { return Number(decimal.New(int64(g.IdleOff), -9).Trim()) },
		func(g *Gauge, _ *channel, at time.Duration, v Value) Refusal {
			n, why := v.in("s")
			if why != Done {
				return why
			}
			ns, ok := n.Mul(decimal.New(1, 9)).Int64()
			if !ok || ns < 0 || ns > int64(MaxIdle) {
				return OutOfRange
			}
			g.IdleOff, g.stirred = time.Duration(ns), at
			return Done
		})
	whole(Setting{Name: "facing", Is: "1 to the number of channels"},
		func(g *Gauge, _ *channel) Value { return Number(decimal.New(int64(g.Facing)+1, 0)) },
		func(g *Gauge, _ *channel, _ time.Duration, v Value) Refusal {
			n, why := v.whole(1, int64(len(g.ch)))
			if why == Done {
				g.Facing = int(n - 1)
			}
			return why
		})
	whole(Setting{Name: "tag-next", Is: "a number of the tags' range", Own: true},
		func(g *Gauge, _ *channel) Value { return Number(decimal.New(g.nextTag, 0)) },
		func(g *Gauge, _ *channel, _ time.Duration, v Value) Refusal {
			n, why := v.whole(g.p.Tags.First, g.p.Tags.Last)
			if why == Done {
				g.nextTag = n
			}
			return why
		})
	whole(Setting{Name: "lock", Is: "on; the pass-code opens it", Free: true, Own: true},
		func(g *Gauge, _ *channel) Value { return onOff(g.Locked) },
		func(g *Gauge, _ *channel, _ time.Duration, v Value) Refusal {
			switch {
			case g.p.PassCode == "":
				return NoCode
			case v.Word == "on":
				g.Locked = true
			case v.String() == g.p.PassCode, v.Numeric && Text(g.p.PassCode).same(v):
				g.Locked = false
			default:
				return WrongCode
			}
			return Done
		})
	// Writing these does something; they read back how things stand.
	whole(Setting{Name: "power", Is: "off", Free: true, Own: true},
		func(g *Gauge, _ *channel) Value { return Text(g.power.String()) },
		func(_ *Gauge, _ *channel, _ time.Duration, v Value) Refusal {
			if v.Word != "off" {
				return BadValue
			}
			return Done // asked switches off, once it has answered
		})
	whole(Setting{Name: "reset", Is: "factory", Own: true},
		func(*Gauge, *channel) Value { return Text("") },
		func(_ *Gauge, _ *channel, _ time.Duration, v Value) Refusal {
			if v.Word != "factory" {
				return BadValue
			}
			return Done // set does it
		})
	return s
}

// same reports whether a text reads as the number w.
func (v Value) same(w Value) bool {
	d, err := decimal.Parse(v.Word)
	return err == nil && d.Equal(w.Num)
}

// list is the table of settings, and table finds them by name; they are built
// once and never written again.
var (
	list  = settings()
	table = func() map[string]*setting {
		m := map[string]*setting{}
		for i := range list {
			m[list[i].Name] = &list[i]
		}
		return m
	}()
)

// SettingNames lists the settings by name.
func SettingNames() []string {
	var n []string
	for i := range list {
		n = append(n, list[i].Name)
	}
	return n
}

// CheckSetting says what is wrong with the name of a setting.
func CheckSetting(name string) error {
	if part, ok := strings.CutPrefix(name, "send-"); ok {
		if now := map[string]string{"tag": "with-number", "inputs": "with-keys", "check": "with-tail", "start": "with-lead"}[part]; now != "" {
			return fmt.Errorf("the setting %q is called %q now; write %s", name, now, now)
		}
	}
	if _, ok := table[name]; !ok {
		return fmt.Errorf("there is no setting %q; the settings are %s", name, strings.Join(SettingNames(), ", "))
	}
	return nil
}

// SettingTable describes the settings.
func SettingTable() []Setting {
	var t []Setting
	for i := range list {
		t = append(t, list[i].Setting)
	}
	return t
}

// write is a setting that was written, and by whom.
type write struct {
	cmd Command
	by  string
}

// write writes a setting: at once, or where the profile says so after the next
// streamed frame. It is checked at once either way.
func (g *Gauge) write(at time.Duration, cmd Command, by string, out *Out) Refusal {
	s, ok := table[cmd.Setting]
	switch {
	case !ok:
		return UnknownSetting
	case g.Locked && !s.Free && by != "button":
		return Locked
	case !g.p.AfterFrame || !g.Streaming || s.Free:
		return g.set(at, cmd, by, out)
	}
	trial, scratch := g.Clone(), Out{}
	for _, w := range g.late {
		trial.set(at, w.cmd, w.by, &scratch)
	}
	if why := trial.set(at, cmd, by, &scratch); why != Done {
		return why
	}
	g.late = append(g.late, write{cmd, by})
	return Done
}

// set writes a setting of one channel, or of the gauge or all channels (−1).
// Either all are written or none is.
func (g *Gauge) set(at time.Duration, cmd Command, by string, out *Out) Refusal {
	s := table[cmd.Setting]
	switch {
	case s.Name == "reset":
		if why := s.set(g, nil, at, cmd.Value); why != Done {
			return why
		}
		g.factory(at, by, out)
		return Done
	case !s.PerChannel:
		from := s.get(g, nil)
		if why := s.set(g, nil, at, cmd.Value); why != Done {
			return why
		}
		if s.Name == "power" {
			return Done // asked switches off
		}
		out.add(Emission{Kind: Changed, Change: Change{s.Name, -1, from.String(), s.get(g, nil).String(), by}})
		return Done
	}
	before := len(out.Emissions)
	saved := slices.Clone(g.ch)
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
		switch s.Name {
		case "sense", "factor", "datum": // the value moves
			g.rechain(i)
		}
		out.add(Emission{Kind: Changed, Change: Change{s.Name, i, from.String(), s.get(g, c).String(), by}})
	}
	return Done
}

func (g *Gauge) get(cmd Command) (Value, Refusal) {
	s, ok := table[cmd.Setting]
	switch {
	case !ok:
		return Value{}, UnknownSetting
	case !s.PerChannel:
		return s.get(g, nil), Done
	}
	return s.get(g, &g.ch[max(cmd.Channel, 0)]), Done
}

// changing tells which settings f has changed.
func (g *Gauge) changing(by string, out *Out, f func()) {
	read := func() (vs []string) {
		for i := range list {
			if !list[i].PerChannel {
				vs = append(vs, list[i].get(g, nil).String())
				continue
			}
			for k := range g.ch {
				vs = append(vs, list[i].get(g, &g.ch[k]).String())
			}
		}
		return vs
	}
	before := read()
	f()
	after := read()
	n := 0
	for i := range list {
		last := 0
		if list[i].PerChannel {
			last = len(g.ch) - 1
		}
		for k := 0; k <= last; k++ {
			ch := k
			if !list[i].PerChannel {
				ch = -1
			}
			if before[n] != after[n] {
				out.add(Emission{Kind: Changed, Change: Change{list[i].Name, ch, before[n], after[n], by}})
			}
			n++
		}
	}
}

// forgets reports whether a setting is lost while the gauge is off.
func (g *Gauge) forgets(s *setting) bool {
	if g.p.Forgets != nil {
		return slices.Contains(g.p.Forgets, s.Name)
	}
	return s.Volatile
}

// restore puts a setting back to the profile's.
func (g *Gauge) restore(s *setting) {
	fresh, err := New(g.p)
	if err != nil {
		return // it was checked when g was made
	}
	if !s.PerChannel {
		s.set(g, nil, 0, s.get(fresh, nil))
		return
	}
	for i := range g.ch {
		c, f := &g.ch[i], &fresh.ch[i]
		if s.Name == "unit" || s.Name == "resolution" { // they go together
			c.Unit, c.Resolution, c.step = f.Unit, f.Resolution, f.step
			continue
		}
		for _, l := range zone.Kinds { // whatever the other limits are
			if l.Setting == s.Name {
				*l.Of(&c.Limits) = *l.Of(&f.Limits)
			}
		}
		s.exactly(c, func() { s.exactly(f, func() { s.set(g, c, 0, s.get(fresh, f)) }) })
	}
}

// exactly does something with a length as a number of picometres, because not
// every length can be written in inches.
func (s *setting) exactly(c *channel, do func()) {
	if !s.Length {
		do()
		return
	}
	unit := c.Unit
	c.Unit = decimal.PM
	do()
	c.Unit = unit
}

// factory puts all settings and datums back to the profile's, but for those
// that are this gauge's own.
func (g *Gauge) factory(at time.Duration, by string, out *Out) {
	g.changing(by, out, func() {
		locked := g.Locked
		g.Common = g.p.Common
		g.Locked = locked
		for i := range g.ch {
			c := &g.ch[i]
			c.Settings = g.p.Channels[i].Settings
			c.Average = max(c.Average, 1)
			c.step, _ = stepOf(c.Resolution, c.Unit)
			c.datum, c.told, c.mean = decimal.Fraction{}, false, moving{}
		}
		for i := range g.ch {
			g.rechain(i)
		}
		g.rate.set(g.Rate, at)
		g.rate.next(at)
		g.stirred = at
	})
}
