// Package scenario is the scenario file: what is written in it, what is wrong
// with it, and what it means for the stage.
//
// A scenario is one YAML document. Quantities carry their units in the text
// and are checked; unknown keys are errors that suggest the nearest one; every
// mistake is reported at its line and column, all at once.
package scenario

import (
	"cmp"
	"fmt"
	"reflect"
	"regexp"
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
	"example.org/understudy/sim/strict"
	"example.org/understudy/sim/wire"
	"example.org/understudy/sim/zone"
)

// Source finds a dialect by its name or path, as written in a scenario. file
// is how errors call it.
type Source func(name string) (file string, text []byte, err error)

// Scenario is a scenario that was read without a mistake.
type Scenario struct {
	File
	Path string
	Text []byte // as it was read
	Play stage.Play
	// Dialects holds the text of each gauge's dialect, by the name the
	// scenario gives it.
	Dialects map[string]Dialect
	limits   [][]zone.Limits
	units    [][]decimal.Unit // the limits are written in
	expected [][2]int         // gauge and channel of each expectation
	doc      *strict.Doc
}

// Dialect is a dialect file as it was found.
type Dialect struct {
	File string
	Text []byte
	*wire.Dialect
}

// Limits returns the limits the part has at a channel of a gauge.
func (s *Scenario) Limits(g, ch int) zone.Limits { return s.limits[g][ch] }

// LimitUnit returns the unit the limits of a channel are written in.
func (s *Scenario) LimitUnit(g, ch int) decimal.Unit { return s.units[g][ch] }

// Line returns how the serial line of a gauge is set, such as "9600 8N1".
func (s *Scenario) Line(g int) string {
	return s.Play.Cast[g].Line.String()
}

// Expected returns the gauge and the channel an expectation is about.
func (s *Scenario) Expected(i int) (g, ch int) { return s.expected[i][0], s.expected[i][1] }

// GaugeIndex finds a gauge of the scenario by its name; −1 when there is none.
func (s *Scenario) GaugeIndex(name string) int {
	for i := range s.Gauges {
		if s.Gauges[i].Name == name {
			return i
		}
	}
	return -1
}

// At returns where a part of the file stands, given a pointer to it.
func (s *Scenario) At(part any) strict.Pos { return s.doc.At(part) }

// Rule returns how the host compares values with limits.
func (s *Scenario) Rule() zone.Rule {
	r := zone.Rule{Decide: s.Host.Decide, Strict: s.Host.LimitsAre == Strict}
	if s.Host.Uncertainty != nil {
		r.Guard = s.Host.Uncertainty.Picometres()
	}
	return r
}

// HostStep returns the unit and the step the host records a channel in.
func (s *Scenario) HostStep(g, ch int) (decimal.Unit, decimal.Decimal) {
	set := s.Play.Cast[g].Profile.Channels[ch].Settings
	unit, res := set.Unit, set.Resolution
	if s.Host.Unit != nil && s.Host.Unit.Unit != unit {
		step, _ := decimal.Exactly(res, unit)
		unit = s.Host.Unit.Unit
		res = gauge.ResolutionIn(step, unit)
	}
	if s.Host.Resolution != nil {
		res, _ = s.Host.Resolution.Picometres().In(unit)
		if s.Host.Resolution.Unit == unit {
			res = s.Host.Resolution.Num
		}
	}
	return unit, res
}

// Parse reads a scenario. The error is of type strict.Errors and holds every
// mistake of the file.
func Parse(path string, text []byte, dialects Source) (*Scenario, error) {
	s := &Scenario{Path: path, Text: text, Dialects: map[string]Dialect{}}
	doc, _ := strict.Decode(path, text, &s.File)
	s.doc = doc
	l := loader{s, doc}
	if doc.Err() == nil {
		l.build(dialects)
	}
	if err := doc.Err(); err != nil {
		return nil, err
	}
	return s, nil
}

type loader struct {
	*Scenario
	doc *strict.Doc
}

var nameForm = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]{0,31}$`)

func (l *loader) build(dialects Source) {
	if l.Understudy != Version {
		l.doc.Errorf(&l.Understudy, "write understudy: 1", "this program reads version %d of the scenario language, not %d", Version, l.Understudy)
	}
	if len(l.Gauges) == 0 {
		l.doc.Errorf(&l.Gauges, "write at least one", "a scenario has gauges")
	}
	if err := part(l.Part.Limits, l.Part.Warn).Check(); err != nil {
		l.doc.Errorf(&l.Part, "write the smaller limit first, and warning limits inside", "%v", err)
	}
	if l.Host.Resolution != nil {
		if l.Host.Resolution.Picometres() <= 0 {
			l.doc.Errorf(&l.Host.Resolution, "write a step above zero", "a resolution of %s rounds to nothing", l.Host.Resolution)
		} else if u := l.Host.Unit; u != nil && l.Host.Resolution.Unit != u.Unit {
			if _, exact := l.Host.Resolution.Picometres().In(u.Unit); !exact {
				l.doc.Errorf(&l.Host.Resolution, "write it in "+u.Symbol(), "%s cannot be written in %s exactly", l.Host.Resolution, u.Symbol())
			}
		}
	}
	if u := l.Host.Uncertainty; u != nil && u.Picometres() < 0 {
		l.doc.Errorf(&l.Host.Uncertainty, "write U as a width", "an expanded uncertainty is not negative")
	}
	if d := l.Host.AtPort.Reads; d < 0 || d != 0 && d.D() < 20*time.Millisecond {
		l.doc.Errorf(&l.Host.AtPort, "write a time from 20 ms on", "how long bytes waited is not known to within %s", d)
	}
	seen := map[string]bool{}
	for i := range l.Gauges {
		g := &l.Gauges[i]
		if !nameForm.MatchString(g.Name) {
			l.doc.Errorf(&g.Name, "use letters, digits, - and _, at most 32", "%q cannot name a gauge, because its port is named after it", g.Name)
		}
		if seen[g.Name] {
			l.doc.Errorf(&g.Name, "give each gauge its own name", "a second gauge is called %q", g.Name)
		}
		seen[g.Name] = true
		l.overlay(g, dialects)
		model := g.Profile
		l.member(g.Name, g.Serial, model, g, &g.GaugeKeys, dialects)
	}
	if l.doc.Err() != nil {
		return
	}
	l.Play.Title, l.Play.File, l.Play.Seed, l.Play.ReadsWithin = l.Title, l.Path, l.Seed, l.Host.AtPort.Reads.D()
	for _, stated := range []*Level{l.Host.AtPort.DTR, l.Host.AtPort.RTS} {
		l.Play.Raises = l.Play.Raises || stated != nil && *stated == LevelOn
	}
	l.cues()
	l.chapters()
	l.writes()
	l.expectations()
}

// inherited picks the channel's own value, the gauge's, or the default.
func inherited[T any](own, gauge *T, otherwise T) T {
	if own != nil {
		return *own
	}
	if gauge != nil {
		return *gauge
	}
	return otherwise
}

func part(limits, warn *Pair) (z zone.Limits) {
	if limits != nil {
		z.Lower, z.Upper = limits[0].limit(), limits[1].limit()
	}
	if warn != nil {
		z.WarnLower, z.WarnUpper = warn[0].limit(), warn[1].limit()
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
		Chain: gauge.Chain{FactorLast: g.Chain.Factor == AfterDatum, RawMemory: g.Chain.PeaksOf == Raw}, AfterFrame: g.Writes == AfterFrame,
		Common: gauge.Common{Rate: quantity.Rate{Hz: decimal.New(20, 0)}, OnChange: inherited(g.OnChange, nil, false), Buzzer: inherited(g.Buzzer, nil, false)}}
	m := stage.Member{Profile: p}
	if g.Scan != nil {
		p.Scan = g.Scan.D()
	}
	if g.Phase != nil {
		p.Phase, m.Drawn = g.Phase.D(), g.Phase.Drawn
	}
	carries := []FramePart{WithNumber, WithKeys, WithTail, WithLead}
	if g.Carries != nil {
		carries = *g.Carries
	}
	for _, s := range carries {
		*[]*bool{&p.WithNumber, &p.WithKeys, &p.WithTail, &p.WithLead}[s] = true
	}

	if g.Stream != nil && g.Rate != nil && !g.Stream.Off {
		l.doc.Errorf(g.Rate, "leave one of them out", "a gauge that streams at %s samples at that rate", g.Stream.Rate)
	}
	if g.Rate != nil {
		p.Rate = *g.Rate
	}
	if g.Stream != nil && !g.Stream.Off {
		p.Rate, p.Streaming = g.Stream.Rate, true
	}
	if p.Rate.Hz.Cmp(gauge.MaxRate) > 0 {
		l.doc.Errorf(&g.Stream, "", "a rate of %s is above the 10 kHz a gauge can do", p.Rate)
	}

	p.Tags = gauge.Tags{First: inherited(g.Tags.First, nil, 1), Last: inherited(g.Tags.Last, nil, 9999), Repeat: g.Tags.Repeat.D(), Queue: g.Tags.Queue}
	if p.Tags.Repeat > 0 {
		if p.Tags.Tries = g.Tags.Tries; p.Tags.Tries == 0 {
			p.Tags.Tries = 3
		}
	}
	l.panel(g, p)
	l.cell(g, &m)
	l.radio(g, &m)
	m.Wired = g.Cell == nil && g.Link == nil
	if g.Power.Port != nil {
		m.Wired = *g.Power.Port == Stays
	}

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
	if l.Part.Nominal != nil {
		nominal = *l.Part.Nominal
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
	larger := inherited(c.Larger, g.Larger, Presses)
	sense := gauge.Rising
	if larger == Releases {
		sense = gauge.Falling
	}
	seat := inherited(c.MidStroke, g.MidStroke, nominal)
	preset := inherited(c.Preset, g.Preset, nominal)
	lim, warn := c.Limits, c.Warn
	if !computed { // what a computed channel measures is not the part's feature
		lim, warn = first(c.Limits, g.Limits, l.Part.Limits), first(c.Warn, g.Warn, l.Part.Warn)
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
	if c.Preset == nil && g.Preset == nil && l.Part.Nominal == nil {
		starts = seat // there is no other size it can be on
	}
	fit := stage.Fitting{
		Seat:     seat.Picometres(),
		Releases: larger == Releases,
		Starts:   inherited(c.StartsOn, g.StartsOn, starts).Picometres(),
		Temp:     probe.Reference,
	}
	n := c.Noise
	if n == nil {
		n = g.Noise
	}
	if n != nil {
		fit.Noise = noise.Spec{White: n.White.Picometres(), Flicker: n.Flicker.Picometres(), Walk: n.Walk.Picometres(), Drift: n.Drift.Picometres()}
		if k := n.Shocks; k != nil {
			if k.Every <= 0 {
				l.doc.Errorf(&k.Every, "write a time above 0 s", "shocks every %s never end", k.Every)
			} else {
				fit.Noise.Shocks = noise.Shocks{PerHour: float64(time.Hour) / float64(k.Every), Ring: motion.Bounce{Amplitude: k.Amplitude.Picometres(), Frequency: 35, Decay: 80 * time.Millisecond}}
			}
		}
		if n.Hum != nil {
			fit.Noise.Hum = noise.Hum{Amplitude: n.Hum.Amplitude.Picometres(), Frequency: n.Hum.Frequency.Hz.Float64()}
		}
	}
	pr := c.Probe
	if pr == nil {
		pr = g.Probe
	}
	l.probe(pr, &fit, ch.Stroke)
	return ch, fit
}

// first is the first pair that is there.
func first(of ...*Pair) *Pair {
	for _, p := range of {
		if p != nil {
			return p
		}
	}
	return nil
}

// limitUnit is the unit a channel's limits are written in; of the reading when
// it has none.
func (l *loader) limitUnit(g *GaugeKeys, c *ChannelKeys, unit decimal.Unit) decimal.Unit {
	for _, p := range []*Pair{c.Limits, g.Limits, l.Part.Limits, c.Warn, g.Warn, l.Part.Warn} {
		if p == nil {
			continue
		}
		for _, b := range p {
			if !b.None {
				return b.Unit
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
	celsius := inherited(c.Temperature, nil, quantity.Celsius{Degrees: decimal.New(20, 0)})
	t, _ := celsius.Degrees.Quantize(0, decimal.HalfEven).Int64()
	low, _ := inherited(c.LowAt, nil, quantity.Percent{Value: decimal.New(10, 0)}).Value.Quantize(0, decimal.Truncate).Int64()
	m.Temp, m.LowAt, m.Parts = int(t), int(low), power.TypicalParts()
	if m.Temp < power.Coldest || m.Temp > power.Hottest {
		l.doc.Errorf(c.Temperature, "", "a cell works from %d °C to %d °C", power.Coldest, power.Hottest)
	}
	cell, err := power.New(power.Config{
		Chemistry: c.Chemistry, Series: c.Series,
		Capacity: inherited(c.Capacity, nil, quantity.Charge{MAh: decimal.New(850, 0)}).MAh.Float64(),
		Charge:   inherited(c.Charge, nil, quantity.Percent{Value: decimal.New(100, 0)}).Value.Float64(),
	})
	if err != nil {
		l.doc.Errorf(g.Cell, "", "%v", err)
		return
	}
	m.Cell = cell
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
		budget.Walls = k.Walls.DB.Float64()
	}
	cfg, err := budget.Config(metres(inherited(k.Motion, nil, quantity.MM("500"))))
	if err == nil {
		cfg.Flush = k.Flush.D()
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
		Centre: fit.Seat, Stroke: stroke, Offset: p.Offset.Picometres(), Tilt: p.Tilt.Degrees.Float64(),
		Play: p.Play.Picometres(), Repeat: p.Repeat.Picometres(), Slip: decimal.Micrometre, Lag: p.Lag.D(), Average: p.Average,
	}
	spec.Linearity[0] = p.Bow.Picometres()
	if p.Gain != nil {
		spec.GainError = p.Gain.Float64()
	}
	if p.PartGrows != nil {
		spec.Part = probe.Growth{Length: fit.Seat, PerKelvin: p.PartGrows.Mul(decimal.New(1, -6)).Float64()}
	}
	fit.Temp = inherited(p.Warm, nil, quantity.Celsius{Degrees: decimal.New(probe.Reference, 0)}).Degrees.Float64()
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
	rec, end := d.NewRecord(), d.NewEnd(wire.Host)
	for i := range m.Profile.Channels {
		c := &m.Profile.Channels[i]
		rec.Reset()
		for term, v := range map[string]wire.Value{
			wire.Reading: wire.Num(c.Resolution), wire.Unit: wire.Str(c.Unit.Symbol()), wire.Zone: wire.Str("inside"), wire.Void: wire.Str("none"),
			wire.Channel: wire.Int(1), wire.Channels: wire.Int(1), wire.Seq: wire.Int(1), wire.Cell: wire.Int(100), wire.Low: wire.Bool(false),
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

// gaugeIndex finds a gauge by its name; "" is all of them, −1.
func (l *loader) gaugeIndex(name string) (int, error) {
	if name == "" {
		return -1, nil
	}
	var names []string
	for i, g := range l.Gauges {
		if g.Name == name {
			return i, nil
		}
		names = append(names, g.Name)
	}
	return 0, unknown("gauge", name, names)
}

// channelIndex finds a channel of a gauge, or of the first gauge when g is −1.
func (l *loader) channelIndex(g int, name string) (int, error) {
	if name == "" {
		return -1, nil
	}
	var names []string
	for i, c := range l.Play.Cast[max(g, 0)].Profile.Channels {
		if c.Name == name {
			return i, nil
		}
		names = append(names, c.Name)
	}
	return 0, unknown("channel", name, names)
}

func unknown(what, name string, names []string) error {
	if near := strict.Nearest(name, names); near != "" {
		return fmt.Errorf("there is no %s %q; did you mean %q?", what, name, near)
	}
	return fmt.Errorf("there is no %s %q; there is %s", what, name, strings.Join(names, ", "))
}

func (l *loader) cues() {
	end := time.Duration(0)
	var names placeNames
	for i := range l.Gauges {
		names.add(l.Gauges[i].Name, -1, 0, i)
	}
	for i := range l.Cues {
		c := &l.Cues[i]
		if c.At < 0 {
			c.at.Errorf("the timeline starts at 0 s", "a cue at %s is before the start", c.At)
		}
		if i > 0 && c.At < l.Cues[i-1].At {
			c.at.Errorf("write the cues in the order of their times", "the cue at %s stands after one at %s", c.At, l.Cues[i-1].At)
		}
		g, err := l.gaugeIndex(c.Gauge)
		if err != nil {
			c.at.Errorf("", "%v", err)
			continue
		}
		ch, err := l.channelIndex(g, c.Channel)
		if err != nil {
			c.at.Errorf("", "%v", err)
			continue
		}
		if err := stage.CheckAct(c.Act); err != nil {
			c.at.Errorf("", "%s: %v", c.verbName(), err)
			continue
		}
		if c.At.D() > stage.Longest {
			c.at.Errorf("do it earlier", "%s is after the end of the longest timeline, %s", c.At, quantity.Duration(stage.Longest))
			continue
		}
		if chs := l.Play.Cast[max(g, 0)].Profile.Channels; ch >= 0 && chs[ch].Calc != nil && stage.OfTip(c.Act) {
			c.at.Errorf("do it to a channel it is computed of", "%s: %s is computed and has no tip", c.verbName(), chs[ch].Name)
		}
		if err := l.renames(&names, c, i, g); err != nil {
			c.at.Errorf("", "%s: %v", c.verbName(), err)
		}
		if stage.OfHost(c.Act) && (c.Gauge != "" || c.Channel != "") {
			c.at.Errorf("leave gauge: and channel: out", "%s: it is done to the host, not to a gauge", c.verbName())
		}
		l.Play.Cues = append(l.Play.Cues, stage.Cue{At: c.At.D(), Gauge: g, Channel: ch, Act: c.Act, Text: stage.Describe(c.Act)})
		end = max(end, c.At.D()+stage.Lasts(c.Act))
	}
	for _, two := range names.clashes() {
		l.Cues[two.cue].at.Errorf("take another name", "%s: the port of %s comes back as %s, which is the name of %s's port then",
			l.Cues[two.cue].verbName(), l.Gauges[two.gauge].Name, two.name, l.Gauges[two.other].Name)
	}
	l.restarts()
	l.Play.Until = end + time.Second
	if l.Until != nil && l.Until.D() > stage.Longest {
		l.doc.Errorf(l.Until, "end it earlier", "%s is longer than the longest timeline, %s", l.Until, quantity.Duration(stage.Longest))
	} else if l.Until != nil {
		l.Play.Until = l.Until.D()
		if l.Until.D() < end && len(l.Cues) > 0 && l.Until.D() < l.Cues[len(l.Cues)-1].At.D() {
			l.doc.Errorf(l.Until, "end it later", "the timeline ends before its last cue at %s", l.Cues[len(l.Cues)-1].At)
		}
	}
}

func (l *loader) chapters() {
	for i := range l.Chapters {
		c := &l.Chapters[i]
		switch {
		case c.At < 0:
			l.doc.Errorf(&c.At, "the timeline starts at 0 s", "the chapter %q begins at %s, before the start", c.Title, c.At)
		case i > 0 && c.At <= l.Chapters[i-1].At:
			l.doc.Errorf(&c.At, "write the chapters in the order of their times", "the chapter %q begins at %s, and the one before it at %s", c.Title, c.At, l.Chapters[i-1].At)
		case c.At.D() >= l.Play.Until:
			l.doc.Errorf(&c.At, "begin it earlier, or write a later until:", "the chapter %q begins at %s, when the timeline has ended", c.Title, c.At)
		case c.Answer != "" && c.Ask == "":
			l.doc.Errorf(&c.Answer, "write ask: and the question", "the chapter %q answers what it does not ask", c.Title)
		}
	}
}

// restarts sees to it that a host that is started again finds every port: it
// could not get ready without.
func (l *loader) restarts() {
	for i := range l.Cues {
		r, ok := l.Cues[i].Act.(stage.RestartHost)
		if !ok {
			continue
		}
		from, to := l.Cues[i].At, l.Cues[i].At+r.For
		for k := range l.Cues {
			c := &l.Cues[k]
			lost, hangs := c.Act.(stage.LoseLink)
			_, swaps := c.Act.(stage.SwapPorts)
			back := c.At + quantity.Duration(stage.Lasts(c.Act))
			if (hangs && lost.Seen == stage.HangUp || swaps) && c.At <= to && from <= back {
				l.Cues[i].at.Errorf("let it be back before or be lost after", "restart host: the port of %s is away from %s to %s, so that the host could not open it",
					cmp.Or(c.Gauge, "every gauge"), c.At, back)
			}
			if _, ok := c.Act.(stage.RestartHost); ok && k > i && c.At <= to {
				c.at.Errorf("restart it later", "restart host: at %s it is still away from the restart at %s", c.At, from)
			}
		}
	}
}

func (l *loader) expectations() {
	for i := range l.Expect {
		e := &l.Expect[i]
		g, err := l.gaugeIndex(e.Gauge)
		if err != nil {
			l.doc.Errorf(&e.Gauge, "", "%v", err)
			continue
		}
		ch, err := l.channelIndex(g, e.Channel)
		if err != nil {
			l.doc.Errorf(&e.Channel, "", "%v", err)
		}
		l.expected = append(l.expected, [2]int{max(g, 0), max(ch, 0)})
		if (e.Reading != nil || e.Zone != nil || e.Void != "") && e.At == nil {
			l.doc.Errorf(e, "write at: and a time", "a reading is expected at no time")
		}
		if e.Tags == nil && e.Reading == nil && e.Zone == nil && e.Void == "" {
			l.doc.Errorf(e, "write tags, reading, zone or void", "nothing is expected")
		}
	}
}

// Schema returns the JSON Schema of scenario files.
func Schema() []byte { return strict.Schema("understudy scenario", File{}) }
