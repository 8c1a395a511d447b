package scenario

import (
	"cmp"
	"reflect"
	"slices"
	"strings"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/link"
	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/motion/noise"
	"example.org/understudy/sim/power"
	"example.org/understudy/sim/probe"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/wire"
	"example.org/understudy/sim/zone"
)

// inherited picks the channel's own value, the gauge's, or the default.
func inherited[T any](own, gauge *T, otherwise T) T { return *cmp.Or(own, gauge, &otherwise) }

func part(limits, warn *Pair) (z zone.Limits) {
	if limits != nil {
		z.Lower, z.Upper = Limit(limits[0]), Limit(limits[1])
	}
	if warn != nil {
		z.WarnLower, z.WarnUpper = Limit(warn[0]), Limit(warn[1])
	}
	return z
}

// member makes a gauge ready for the stage. at is where mistakes of the gauge
// as a whole stand.
func (l *loader) member(name, serial, model string, at any, g *GaugeKeys, find Source) {
	if serial == "" {
		serial = "SN-" + strings.ToUpper(name)
	}
	p := &gauge.Profile{Name: name, Serial: serial, Model: model, Firmware: "1.0",
		Chain: gauge.Chain{FactorLast: g.Chain.Factor == "after-datum", RawMemory: g.Chain.PeaksOf == "raw"}, AfterFrame: g.Writes == "after-frame",
		Common: gauge.Common{Rate: quantity.Rate{Hz: decimal.New(20, 0)}, OnChange: inherited(g.OnChange, nil, false), Buzzer: inherited(g.Buzzer, nil, false)}}
	m := stage.Member{Profile: p}
	if g.Scan != nil {
		p.Scan = g.Scan.D()
	}
	if g.MasterEvery != nil {
		p.MasterEvery = g.MasterEvery.D()
	}
	if g.Phase != nil {
		p.Phase, m.Drawn = g.Phase.Of.D(), g.Phase.Word
	}
	carries := func(part string) bool { return g.Carries == nil || slices.Contains(*g.Carries, part) }
	p.WithNumber, p.WithKeys, p.WithTail, p.WithLead = carries("number"), carries("keys"), carries("tail"), carries("lead")

	l.rates(g, p)
	l.panel(g, p)
	l.cell(g, &m)
	l.radio(g, &m)
	m.Wired = g.Cell == nil && g.Link == nil
	if g.Power.Port != "" {
		m.Wired = g.Power.Port == "stays"
	}

	l.channels(at, g, &m)
	for i := range p.Channels {
		if p.Channels[i].Name == g.Display.Channel {
			p.Facing = i
		}
	}
	if c := g.Display.Channel; c != "" && p.Channels[p.Facing].Name != c {
		l.doc.Errorf(&g.Display.Channel, "", "there is no channel %q to show", c)
	}
	if err := p.Check(); err != nil {
		l.doc.Errorf(at, "", "%v", err)
	}
	if g.Dialect == "" {
		l.doc.Errorf(at, "write dialect: and the name of one, such as line-ascii", "the gauge speaks no dialect")
	} else {
		m.Dialect = l.dialect(g, find)
		l.fits(at, g.Dialect, &m)
	}
	switch {
	case g.SerialLine != nil:
		m.Line = g.SerialLine.Settings
	case m.Dialect != nil:
		m.Line = m.Dialect.Line()
	}
	l.Play.Cast = append(l.Play.Cast, m)
}

// rates makes how often a gauge samples, streams and repeats its tags ready.
func (l *loader) rates(g *GaugeKeys, p *gauge.Profile) {
	if g.Stream != nil && g.Rate != nil && !g.Stream.Word {
		l.doc.Errorf(g.Rate, "leave one of them out", "a gauge that streams at %s samples at that rate", g.Stream.Of)
	}
	if g.Sampling != nil {
		p.Sampling = *g.Sampling
	}
	if g.Rate != nil {
		p.Rate = *g.Rate
	}
	if g.Stream != nil && !g.Stream.Word {
		p.Rate, p.Streaming = g.Stream.Of, true
	}
	if p.Rate.Hz.Cmp(gauge.MaxRate) > 0 {
		l.doc.Errorf(&g.Stream, "", "a rate of %s is above the 10 kHz a gauge can do", p.Rate)
	}

	p.Tags = gauge.Tags{First: inherited(g.Tags.First, nil, 1), Last: inherited(g.Tags.Last, nil, 9999), Repeat: g.Tags.Repeat.D(), Queue: g.Tags.Queue,
		Takes: g.Tags.Takes, Within: g.Tags.Within.Picometres(), For: g.Tags.For.D()}
	if p.Tags.Repeat > 0 {
		if p.Tags.Tries = g.Tags.Tries; p.Tags.Tries == 0 {
			p.Tags.Tries = 3
		}
	}
}

// channels makes a gauge's channels ready, the computed ones last.
func (l *loader) channels(at any, g *GaugeKeys, m *stage.Member) {
	p := m.Profile
	channels := g.Channels
	if len(channels) == 0 {
		channels = []Channel{{Name: "A"}}
	}
	var limits []zone.Limits
	var units []decimal.Unit
	add := func(name *string, k *ChannelKeys, calc *gauge.Calc) {
		if !nameForm.MatchString(*name) {
			l.doc.Errorf(name, "use letters, digits, - and _, at most 32", "%q cannot name a channel", *name)
		}
		for _, c := range p.Channels {
			if c.Name == *name {
				l.doc.Errorf(name, "give each channel its own name", "a second channel is called %q", *name)
			}
		}
		ch, fit := l.channel(at, g, k, calc != nil)
		ch.Name, ch.Calc = *name, calc
		p.Channels = append(p.Channels, ch)
		m.Channels = append(m.Channels, fit)
		limits = append(limits, ch.Limits)
		units = append(units, l.limitUnit(g, k, ch.Unit))
	}
	for i := range channels {
		add(&channels[i].Name, &channels[i].ChannelKeys, nil)
	}
	for i := range g.Computed {
		c := &g.Computed[i]
		if calc := l.calc(c, p.Channels); calc != nil {
			add(&c.Name, &c.ChannelKeys, calc)
		}
	}
	l.limits = append(l.limits, limits)
	l.units = append(l.units, units)
}

// panel makes what an operator sees and touches ready.
func (l *loader) panel(g *GaugeKeys, p *gauge.Profile) {
	p.Buttons = [2]gauge.Button{{Press: gauge.TagAction}, {Press: gauge.PresetAction}}
	orElse := func(d quantity.Duration, otherwise time.Duration) time.Duration {
		if d == 0 {
			return otherwise
		}
		return d.D()
	}
	for i, b := range []*Button{g.Buttons.A, g.Buttons.B} {
		if b != nil {
			p.Buttons[i] = gauge.Button{Press: b.Press, Long: b.Long, Double: b.Double,
				LongAfter: orElse(b.After, time.Second), DoubleWithin: orElse(b.Within, 300*time.Millisecond)}
		}
	}
	p.Together, p.Debounce = g.Buttons.Both, orElse(g.Buttons.Debounce, 20*time.Millisecond)
	if g.Pedal != nil {
		p.Pedal = *g.Pedal
	}
	for i := range g.Lamps {
		lamp := &g.Lamps[i]
		out := gauge.Lamp{Name: lamp.Name, Shows: lamp.Shows, Looks: map[string]gauge.Look{}}
		for state, k := range lamp.Looks {
			out.Looks[state] = gauge.Look{Colour: k.Colour, Rhythm: k.Rhythm.rhythm()}
		}
		p.Lamps = append(p.Lamps, out)
	}
	if g.Buzzes != nil {
		p.Buzzes = map[string]gauge.Rhythm{}
		for event, r := range g.Buzzes {
			p.Buzzes[event] = r.rhythm()
		}
	}
	p.Display = gauge.Display{Digits: g.Display.Digits, Large: g.Display.Large, Follows: g.Display.Flips, Marks: g.Display.Marks}
	p.IdleOff = g.Power.IdleOff.D()
	p.Power = gauge.Power{StartUp: g.Power.StartUp.D(), Stir: g.Power.WakesAt.Picometres()}
	if g.Power.Forgets != nil {
		p.Forgets = append([]string{}, *g.Power.Forgets...)
	}
	if g.Lock != nil {
		p.PassCode, p.Locked = g.Lock.Code, g.Lock.Locked
	}
}

// calc makes what a computed channel is computed by; nil when it cannot.
func (l *loader) calc(c *Computed, before []gauge.Channel) *gauge.Calc {
	if c.Kind == nil {
		l.doc.Errorf(c, "write is: and one of "+strings.Join(gauge.CalcKind(0).Names(), ", "), "%s is not computed", c.Name)
		return nil
	}
	calc := &gauge.Calc{Kind: *c.Kind}
	of := c.Of
	if *c.Kind == gauge.Formula {
		e, err := gauge.NewExpr(c.Formula)
		if err != nil {
			l.doc.Errorf(&c.Formula, "", "%v", err)
			return nil
		}
		calc.Formula, of = e, e.Args
		if len(c.Of) > 0 {
			l.doc.Errorf(&c.Of, "leave it out", "a formula names its channels itself")
		}
	} else if c.Formula != "" {
		l.doc.Errorf(&c.Formula, "write is: formula, or leave it out", "a %s has no formula", c.Kind)
	}
	for _, name := range of {
		k := slices.IndexFunc(before, func(b gauge.Channel) bool { return b.Name == name })
		if k < 0 {
			l.doc.Errorf(c, "", "%s: no channel %q stands before it", c.Name, name)
			return nil
		}
		calc.Of = append(calc.Of, k)
	}
	if c.Over != nil {
		calc.Over, calc.Per = c.Over.Picometres(), c.Over.Picometres()
	}
	if c.Per != nil {
		calc.Per = c.Per.Picometres()
	}
	return calc
}

func (l *loader) channel(at any, g *GaugeKeys, c *ChannelKeys, computed bool) (gauge.Channel, stage.Fitting) {
	nominal := quantity.Length{}
	if l.work.Nominal != nil {
		nominal = *l.work.Nominal
	}
	res := inherited(c.Resolution, g.Resolution, quantity.MM("0.001"))
	unit := inherited(c.Unit, g.Unit, Unit{res.Unit}).Unit
	step := res.Num
	if res.Unit != unit {
		var exact bool
		if step, exact = res.Picometres().In(unit); !exact {
			l.doc.Errorf(at, "write the resolution in "+unit.Symbol(), "a resolution of %s cannot be written in %s exactly", res, unit)
		}
	}
	releases := cmp.Or(c.Larger, g.Larger) == "releases"
	sense := gauge.Rising
	if releases {
		sense = gauge.Falling
	}
	midStroke := inherited(c.MidStroke, g.MidStroke, nominal)
	preset := inherited(c.Preset, g.Preset, nominal)
	lim, warn := c.Limits, c.Warn
	if !computed { // what a computed channel measures is not the part's feature
		lim, warn = cmp.Or(c.Limits, g.Limits, l.work.Limits), cmp.Or(c.Warn, g.Warn, l.work.Warn)
	}
	stroke := inherited(c.Stroke, g.Stroke, quantity.MM("10"))
	if computed {
		fix := []any{c.Stroke, c.MidStroke, c.Sense, c.StartsOn, c.Noise, c.Probe, c.Average}
		for _, k := range fix {
			if !reflect.ValueOf(k).IsNil() {
				l.doc.Errorf(k, "leave it out", "a computed channel has no probe")
			}
		}
		stroke, preset, sense = quantity.Length{}, inherited(c.Preset, nil, quantity.Length{}), gauge.Rising
	}
	ch := gauge.Channel{Stroke: stroke.Picometres(), Settings: gauge.Settings{
		Sense: inherited(c.Sense, g.Sense, sense), Factor: inherited(c.Factor, g.Factor, decimal.New(1, 0)),
		Average: inherited(c.Average, g.Average, 1), DeadBand: inherited(c.DeadBand, g.DeadBand, quantity.Length{}).Picometres(),
		Rule:   zone.Rule{Decide: inherited(c.Decide, g.Decide, zone.Displayed)},
		Preset: preset.Picometres(), Unit: unit, Resolution: step,
		Rounding: inherited(c.Rounding, g.Rounding, decimal.HalfEven), Function: inherited(c.Function, g.Function, gauge.Live),
		Limits: part(lim, warn),
	}}
	if computed {
		ch.Factor, ch.Sense, ch.Average = inherited(c.Factor, nil, decimal.New(1, 0)), gauge.Rising, 1
		return ch, stage.Fitting{}
	}
	starts := preset
	if c.Preset == nil && g.Preset == nil && l.work.Nominal == nil {
		starts = midStroke // there is no other size it can be on
	}
	fit := stage.Fitting{
		MidStroke: midStroke.Picometres(),
		Releases:  releases,
		Starts:    inherited(c.StartsOn, g.StartsOn, starts).Picometres(),
		Temp:      probe.Reference,
	}
	fit.Noise = l.noise(cmp.Or(c.Noise, g.Noise))
	l.probe(cmp.Or(c.Probe, g.Probe), &fit, ch.Stroke)
	return ch, fit
}

func (l *loader) noise(n *Noise) (s noise.Spec) {
	if n == nil {
		return s
	}
	s = noise.Spec{White: n.White.Picometres(), Flicker: n.Flicker.Picometres(), Walk: n.Walk.Picometres(), Drift: n.Drift.Picometres()}
	switch k := n.Shocks; {
	case k == nil:
	case k.Every <= 0:
		l.doc.Errorf(&k.Every, "write a time above 0 s", "shocks every %s never end", k.Every)
	default:
		s.Shocks = noise.Shocks{PerHour: float64(time.Hour) / float64(k.Every), Ring: motion.Bounce{Amplitude: k.Amplitude.Picometres(), Frequency: 35, Decay: 80 * time.Millisecond}}
	}
	if n.Hum != nil {
		s.Hum = noise.Hum{Amplitude: n.Hum.Amplitude.Picometres(), Frequency: n.Hum.Frequency.Hz.Float64()}
	}
	return s
}

// limitUnit is the unit a channel's limits are written in; of the reading when
// it has none.
func (l *loader) limitUnit(g *GaugeKeys, c *ChannelKeys, unit decimal.Unit) decimal.Unit {
	for _, p := range []*Pair{c.Limits, g.Limits, l.work.Limits, c.Warn, g.Warn, l.work.Warn} {
		if p == nil {
			continue
		}
		for _, b := range p {
			if !b.Word {
				return b.Of.Unit
			}
		}
	}
	return unit
}

// cell makes the battery ready.
func (l *loader) cell(g *GaugeKeys, m *stage.Member) {
	if g.Cell == nil {
		return
	}
	c := g.Cell
	celsius := inherited(c.Temperature, nil, quantity.Celsius{Value: decimal.New(20, 0)})
	t, _ := celsius.Value.Quantize(0, decimal.HalfEven).Int64()
	m.Temp, m.Parts = int(t), power.TypicalParts()
	if m.Temp < power.Coldest || m.Temp > power.Hottest {
		l.doc.Errorf(c.Temperature, "", "a cell works from %d °C to %d °C", power.Coldest, power.Hottest)
	}
	step, whole := inherited(c.ShownIn, nil, quantity.Percent{Value: decimal.New(1, 0)}).Value.Trim().Int64()
	if !whole || step < 1 {
		l.doc.Errorf(c.ShownIn, "", "a charge is shown in steps of 1 %%, 2 %% and so on, not of %s", c.ShownIn)
		return
	}
	cell, err := power.New(power.Config{
		Chemistry: c.Chemistry, Series: c.Series, ByVoltage: c.Estimate == "by-voltage", Step: int(step), LowAt: c.Low(),
		Capacity: inherited(c.Capacity, nil, quantity.Charge{Value: decimal.New(850, 0)}).Value.Float64(),
		Charge:   inherited(c.Charge, nil, quantity.Percent{Value: decimal.New(100, 0)}).Value.Float64(),
	})
	if err != nil {
		l.doc.Errorf(g.Cell, "", "%v", err)
		return
	}
	m.Cell = cell
}

// Low is the charge in per cent at which the gauge calls the cell low; 0: it goes by
// the cell's voltage.
func (c *Cell) Low() int {
	at, _ := inherited(c.LowAt, nil, quantity.Percent{Value: decimal.New(10, 0)}).Value.Quantize(0, decimal.Truncate).Int64()
	return int(at)
}

// radio makes the link ready.
func (l *loader) radio(g *GaugeKeys, m *stage.Member) {
	if g.Link == nil || g.Link.Distance == nil {
		return
	}
	k := g.Link
	metres := func(q quantity.Length) float64 { v, _ := q.Picometres().In(decimal.M); return v.Float64() }
	budget := link.Budget{Class: link.Class(k.Class), Place: k.Place, Metres: metres(*k.Distance)}
	if k.Walls != nil {
		budget.Walls = k.Walls.Value.Float64()
	}
	cfg, err := budget.Config(metres(inherited(k.Motion, nil, quantity.MM("500"))))
	if err == nil {
		cfg.Flush = k.Flush.D()
		cfg.Latency = k.Latency.Link()
		if k.Patience != nil {
			cfg.Supervision = k.Patience.D()
		}
		m.Class, m.Radio = budget.Class, k.Radio
		m.Link, err = link.New(cfg)
	}
	if err != nil {
		l.doc.Errorf(g.Link, "", "%s", strings.ReplaceAll(err.Error(), "\n", "; "))
	}
}

// probe makes a channel's probe ready.
func (l *loader) probe(p *Probe, fit *stage.Fitting, stroke decimal.Length) {
	if p == nil {
		return
	}
	spec := probe.Spec{
		Centre: fit.MidStroke, Stroke: stroke, Offset: p.Offset.Picometres(), Tilt: p.Tilt.Value.Float64(),
		Play: p.Play.Picometres(), Repeat: p.Repeat.Picometres(), Slip: decimal.Micrometre, Lag: p.Lag.D(), Average: p.Average,
	}
	if spec.AirGap = p.AirGap.Picometres(); !fit.Releases {
		spec.AirGap = -spec.AirGap
	}
	spec.Linearity = [...]decimal.Length{p.Bow.Picometres(), p.SCurve.Picometres()}
	if p.Gain != nil {
		spec.GainError = p.Gain.Float64()
	}
	grows := func(millionths *decimal.Decimal) (g probe.Growth) {
		if millionths != nil {
			g = probe.Growth{Length: fit.MidStroke, PerKelvin: millionths.Mul(decimal.New(1, -6)).Float64()}
		}
		return g
	}
	spec.Part, spec.Gauge, spec.ZeroDrift = grows(p.PartGrows), grows(p.Grows), p.ZeroDrift.Picometres()
	spec.Part.Settles, spec.Gauge.Settles = p.PartTime.D(), p.GaugeTime.D()
	fit.Temp = inherited(p.Warm, nil, quantity.Celsius{Value: decimal.New(probe.Reference, 0)}).Value.Float64()
	model, err := probe.New(spec)
	if err != nil {
		l.doc.Errorf(p, "", "%s", strings.ReplaceAll(err.Error(), "\n", "; "))
		return
	}
	fit.Probe = model
}

// dialect finds and reads a gauge's dialect. Mistakes inside the dialect's own
// file are reported there.
func (l *loader) dialect(g *GaugeKeys, find Source) *wire.Dialect {
	if d, ok := l.Dialects[g.Dialect]; ok {
		return d.Dialect
	}
	file, text, err := find(g.Dialect)
	if err != nil {
		l.doc.Errorf(&g.Dialect, "", "%v", err)
		return nil
	}
	d, err := wire.Parse(file, text)
	if err != nil {
		l.doc.Errorf(&g.Dialect, "run understudy lint "+file, "the dialect has mistakes: %v", firstLine(err))
		return nil
	}
	l.Dialects[g.Dialect] = Dialect{file, text, d}
	return d
}

func firstLine(err error) string {
	s, _, more := strings.Cut(err.Error(), "\n")
	if more {
		s += " (and more)"
	}
	return s
}

// fits refuses a resolution that the dialect's frames round away: the host
// would be sent another number than the gauge shows.
func (l *loader) fits(at any, dialect string, m *stage.Member) {
	d := m.Dialect
	if d == nil {
		return
	}
	f, reading := d.FrameFor("reading"), d.Term(wire.Reading)
	if !d.Carries(f, reading) {
		return
	}
	p := m.Profile
	if err := d.Introduces(map[string]string{wire.Name: p.Name, wire.Serial: p.Serial, wire.Firmware: p.Firmware}); err != nil {
		l.doc.Errorf(at, "give it a name and a serial: that can be told apart there", "a host cannot read the answer of %s to who it is: %v", p.Name, err)
	}
	rec, end := d.NewRecord(), d.NewEnd(wire.Host)
	for i := range m.Profile.Channels {
		c := &m.Profile.Channels[i]
		rec.Reset()
		for term, v := range map[string]wire.Value{
			wire.Reading: wire.Num(c.Resolution), wire.Unit: wire.Str(c.Unit.Symbol()), wire.Zone: wire.Str("inside"), wire.Void: wire.Str("none"),
			wire.Channel: wire.Int(1), wire.Channels: wire.Int(1), wire.Seq: wire.Int(1), wire.Cell: wire.Int(100), wire.Low: wire.Bool(false), wire.Still: wire.Bool(true), wire.Overdue: wire.Bool(false),
			wire.Tagged: wire.Bool(false), wire.Function: wire.Str("live"), wire.Link: wire.Str("up"),
		} {
			rec.Set(d.Term(term), 0, v)
		}
		raw, err := d.AppendFrame(nil, f, rec)
		if err != nil {
			continue // the frame wants what only a running gauge has
		}
		see := func(inc wire.Incoming) {
			if inc.Garbage != nil || inc.Rec == nil {
				return
			}
			if v := inc.Rec.Get(reading, 0); v.Kind == wire.Number && !v.Num.Equal(c.Resolution) {
				l.doc.Errorf(at, "write a coarser resolution, or take a dialect with more decimals",
					"a step of %s %s becomes %s in a frame of %s", c.Resolution, c.Unit, v.Num, dialect)
			}
		}
		end.Receive(raw, 0, see)
		end.Quiet(time.Hour, see)
	}
}
