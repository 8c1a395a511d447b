package stage

import (
	"fmt"
	"strconv"
	"time"

	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/link"
	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/motion/noise"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/probe"
	"example.org/understudy/sim/random"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/wire"
)

// actor is one gauge on the stage: the instrument with its probes and its cell, its
// voice, which is its end of the wire, its radio and its outlet, which is its port.
type actor struct {
	s     *Stage
	index int // in the cast
	m     *Member
	name  string
	instrument
	voice
	radio
	outlet
}

func newActor(s *Stage, i int, m *Member, prt port.Port) (*actor, error) {
	profile := m.Profile
	if m.Drawn {
		own := *profile
		own.Phase = time.Duration(noise.Split(s.play.Seed, own.Name, "phase") % uint64(max(1, own.Rate.Interval(1))))
		profile = &own
	}
	g, err := gauge.New(profile)
	if err != nil {
		return nil, err
	}
	if len(m.Channels) != len(m.Profile.Channels) {
		return nil, fmt.Errorf("%d fittings for %d channels", len(m.Channels), len(m.Profile.Channels))
	}
	a := &actor{s: s, index: i, m: m, name: m.Profile.Name,
		instrument: instrument{g: g, tickAt: -1},
		radio:      radio{inFlight: map[uint64]flight{}, told: true},
		outlet:     outlet{port: prt, line: m.lineSettings(), asked: m.lineSettings()}}
	if prt != nil {
		a.home = prt.Name()
	}
	for c := range m.Channels {
		fit := &m.Channels[c]
		purpose := strconv.Itoa(c)
		path := motion.NewPath(fit.Starts)
		t := tipper{fit: fit, calc: m.Profile.Channels[c].Calc, stroke: m.Profile.Channels[c].Stroke, path: path, cursor: path.Cursor(),
			state: probe.NewState(noise.Split(s.play.Seed, a.name, "probe "+purpose))}
		if fit.Noise != (noise.Spec{}) {
			t.noise = noise.New(fit.Noise, noise.Split(s.play.Seed, a.name, "noise "+purpose))
		}
		a.probes = append(a.probes, t)
	}
	a.tips = make([]gauge.Tip, len(a.probes))
	if m.Link == nil {
		m.Link = idealLink
	}
	radio := s.radios[m.Radio]
	if radio == nil && m.Radio > 0 {
		radio = new(link.Radio)
		s.radios[m.Radio] = radio
	}
	a.link = m.Link.Start(source(s.play.Seed, a.name, "link"), radio)
	a.tamper = newTamper(source(s.play.Seed, a.name, "tamper"))
	if m.Cell != nil {
		a.cell = m.Cell.Start()
	}
	if m.Dialect != nil {
		a.end = m.Dialect.NewEnd(wire.Gauge)
		a.rec = m.Dialect.NewRecord()
		a.terms = bind(m.Dialect)
		a.tagged = -1
		a.rec.Watch(a.terms.reading, a.terms.tag)
		a.end.Fill = func(rec *wire.Record) {
			a.fill(a.g.Readings(nil), nil)
			rec.CopyFrom(a.rec)
		}
		for f := range m.Dialect.Frames() {
			a.reads = append(a.reads, m.Dialect.Carries(wire.Frame(f), a.terms.reading))
		}
		f := m.Dialect.FrameFor("tag")
		a.bareTags = f != wire.NoFrame && !a.reads[f]
	}
	a.look()
	return a, nil
}

func source(seed uint64, gauge, purpose string) random.Source {
	return random.NewSource(noise.Split(seed, gauge, purpose))
}

// begin puts the gauge into the timeline.
func (a *actor) begin() {
	a.tellModem()
	a.reload()
	a.tellCell(false)
	a.schedule()
	a.linkWake()
}

func (a *actor) emitted(e *gauge.Emission) {
	switch e.Kind {
	case gauge.Streamed:
		a.makeFrames("reading", ledger.Stream, e)
	case gauge.Tagged:
		if !e.Repeat {
			a.tags++
		}
		a.makeFrames("tag", ledger.Tag, e)
	case gauge.StatusTold:
		a.makeFrames("status", ledger.Status, e)
	case gauge.Changed:
		ch := ""
		if e.Change.Channel >= 0 {
			ch = a.m.Profile.Channels[e.Change.Channel].Name
		}
		a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindSetting, Setting: &ledger.Setting{
			Name: e.Change.Name, Channel: ch, From: e.Change.From, To: e.Change.To, By: e.Change.By}})
		a.reload()
	case gauge.Lamped:
		a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindGauge, Note: "lamp " + e.Text})
	case gauge.Buzzed:
		a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindGauge, Note: "buzzer " + e.Text})
	case gauge.PowerTold:
		a.powered(e)
	case gauge.Noted:
		a.note(e.Text)
	case gauge.Replied: // answered by serve, which knows the request
	}
}

// powered carries out that the gauge went off or on. A gauge with a radio takes
// its link with it; one on a wire falls silent.
func (a *actor) powered(e *gauge.Emission) {
	a.note("power " + e.Text)
	switch e.Power {
	case gauge.Off:
		if a.m.Wired {
			break
		}
		a.linkRun()
		a.lose(link.Forever)
	case gauge.On:
		a.seq = 0
		if a.end != nil {
			a.end.PowerOn()
			for _, fl := range a.kept {
				a.gone([]int{fl.id}, ledger.Lost, nil, "given up by the handshake")
			}
			a.kept, a.said = nil, false
		}
		a.greets = true
		if !a.m.Wired {
			a.m.Link.Clear(a.link)
			a.linkRun()
			a.linkWake()
		}
		a.greet()
	}
	a.tellModem()
	a.reload()
}

func (a *actor) note(text string) {
	a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindGauge, Note: text})
}
