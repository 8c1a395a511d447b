package stage

import (
	"slices"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/motion/noise"
	"example.org/understudy/sim/power"
	"example.org/understudy/sim/probe"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/wire"
)

// instrument is what a gauge measures with, and what it lives on.
type instrument struct {
	g        *gauge.Gauge
	out      gauge.Out
	stepping bool          // it is giving out what came of an event
	next     []gauge.Event // what came to it meanwhile
	probes   []tipper
	tips     []gauge.Tip
	tickAt   time.Duration
	visits   int // of a hand to a part

	cell    power.State
	load    power.Load
	cellAt  time.Duration
	cradle  power.MicroAmp // what it charges with; 0 off the cradle
	cradles int            // times it was set on it
}

// tipper is a channel's tip and what reads it.
type tipper struct {
	fit    *Fitting
	calc   *gauge.Calc // of a computed channel, which has no tip
	stroke decimal.Length
	size   decimal.Length // true, at the last look
	path   *motion.Path
	cursor *motion.Cursor
	noise  *noise.Source
	state  *probe.State
}

// schedule queues the next sample.
func (a *actor) schedule() {
	due := max(a.g.Due(), a.s.now)
	if due == gauge.Never {
		a.tickAt = -1
		return
	}
	if due != a.tickAt {
		a.tickAt = due
		a.s.queue.push(item{at: due, actor: a})
	}
}

// read reads the probes at the present time.
func (a *actor) read() {
	for i := range a.probes {
		t := &a.probes[i]
		if t.calc != nil {
			t.size = a.computed(t.calc)
			continue
		}
		now := a.s.now
		if skew := a.m.Profile.Scan; skew > 0 { // the channels are read one after the other
			now = max(0, now-time.Duration(len(a.probes)-1-i)*skew)
		}
		t.size = t.cursor.At(now)
		size := t.size
		var added decimal.Length
		if t.noise != nil {
			added = t.noise.Next(now)
		}
		status := probe.OK
		if t.fit.Probe != nil || t.state.Stuck || t.state.Missing {
			model := t.fit.Probe
			if model == nil {
				model = idealProbe
			}
			size, status = model.Read(t.state, size, now, t.fit.Temp, added)
		} else {
			size += added
		}
		tip := gauge.Tip{Pressed: t.fit.pressed(size, t.stroke)}
		switch {
		case status == probe.Missing:
			tip = gauge.Tip{Void: gauge.Missing}
		case tip.Pressed < 0, status != probe.OK && tip.Pressed <= t.stroke/2:
			tip = gauge.Tip{Pressed: 0, Void: gauge.Under}
		case tip.Pressed > t.stroke, status != probe.OK:
			tip = gauge.Tip{Pressed: t.stroke, Void: gauge.Over}
		}
		a.tips[i] = tip
	}
	a.s.readings += int64(len(a.tips))
}

// computed is the true size a computed channel stands for; 0 when it has none.
func (a *actor) computed(c *gauge.Calc) decimal.Length {
	args := make([]decimal.Fraction, len(c.Of))
	for i, j := range c.Of {
		args[i] = decimal.New(int64(a.probes[j].size), 0).Fraction()
	}
	v, _ := c.Value(args)
	l, _ := v.Decimal(0).Quantize(0, decimal.HalfEven).Int64()
	return decimal.Length(l)
}

// idealProbe reads tips for members that name no probe.
var idealProbe = func() *probe.Model {
	m, err := probe.New(probe.Spec{})
	if err != nil {
		panic(err) // the zero Spec is ideal by its contract
	}
	return m
}()

// look reads the probes without a sample falling due: before an act or a
// command that uses the present value.
func (a *actor) look() {
	a.read()
	a.step(gauge.Event{Kind: gauge.Looked, Tips: a.tips})
}

// tick is the gauge's own sample.
func (a *actor) tick() {
	a.read()
	if a.m.Cell != nil {
		a.drainTo(a.s.now)
		a.tellCell(false)
	}
	a.step(gauge.Event{Kind: gauge.Sampled, Tips: a.tips})
	a.schedule()
}

// step gives the gauge an event and carries out what comes of it. What that leads to,
// such as a link that is lost because the gauge goes off, is an event of its own: the
// gauge gets it when all that came of this one is done.
func (a *actor) step(e gauge.Event) {
	if a.stepping {
		a.next = append(a.next, e)
		return
	}
	a.stepped(e, a.emitted)
}

func (a *actor) stepped(e gauge.Event, do func(*gauge.Emission)) {
	a.stepping = true
	for {
		a.g.Step(a.s.now, e, &a.out)
		for i := range a.out.Emissions {
			do(&a.out.Emissions[i])
		}
		if len(a.next) == 0 {
			break
		}
		e, do = a.next[0], a.emitted
		a.next = slices.Delete(a.next, 0, 1)
	}
	a.stepping = false
}

// act looks, steps and schedules: for events from outside the gauge's rhythm.
func (a *actor) act(e gauge.Event) {
	a.look()
	a.step(e)
	a.schedule()
}

// ask puts a command to the gauge and returns its reply.
func (a *actor) ask(c gauge.Command, by string) *gauge.Emission {
	a.look()
	reply := gauge.Emission{Kind: gauge.Replied, Outcome: gauge.Outcome{Refused: gauge.UnknownVerb}}
	a.stepped(gauge.Event{Kind: gauge.Asked, Command: c, By: by}, func(e *gauge.Emission) {
		switch {
		case e.Kind == gauge.Replied:
			reply = *e
		case by == byHost && e.Kind == gauge.PowerTold && e.Power == gauge.Off:
			a.leaves = true
		default:
			a.emitted(e)
		}
	})
	a.schedule()
	return &reply
}

func value(v wire.Value) gauge.Value {
	switch v.Kind {
	case wire.Flag:
		if v.True() {
			return gauge.Text("on")
		}
		return gauge.Text("off")
	case wire.Number:
		return gauge.Number(v.Num)
	case wire.Text:
		return gauge.Text(v.Text)
	}
	return gauge.Value{}
}

// reload works out what drains the cell now, and queues the cell's next event.
func (a *actor) reload() {
	if a.m.Cell == nil {
		return
	}
	a.drainTo(a.s.now)
	on := a.g.Power() != gauge.Off
	use := power.Use{Display: on, Radio: a.link.Phase.Joined(), Microwatts: a.m.Class.Microwatts(), Temp: a.m.Temp, Cradle: a.cradle}
	if on && a.g.Streaming {
		rate, _ := a.g.Rate.Hz.Mul(decimal.New(3600, 0)).Quantize(0, decimal.HalfUp).Int64()
		use.FramesPerHour = rate
	}
	a.load = a.m.Parts.Load(use)
	a.cellWake()
}

// drainTo brings the cell to a time and carries out what happened to it.
func (a *actor) drainTo(t time.Duration) {
	for {
		ev, ok := a.m.Cell.Advance(&a.cell, t, a.load)
		if !ok {
			return
		}
		a.tellCell(ev.Kind == power.BrownedOut || ev.Kind == power.Restarted)
		a.schedule()
	}
}

func (a *actor) cellWake() {
	ev, ok := a.m.Cell.Next(&a.cell, a.load)
	if !ok || ev.At == a.cellAt && ev.At > a.s.now {
		return
	}
	a.cellAt = ev.At
	a.s.at(ev.At, func() {
		a.drainTo(a.s.now)
		a.cellWake()
	})
}

// percent is the charge left as the gauge reports it, and whether it calls that low.
func (a *actor) percent() (int, bool) {
	if a.m.Cell == nil {
		return 100, false
	}
	return a.m.Cell.Shown(&a.cell, a.load), a.m.Cell.CalledLow(&a.cell, a.load)
}

// tellCell tells the gauge of its cell, and the ledger, where something has changed. A
// gauge that is off looks at its cell no more.
func (a *actor) tellCell(always bool) {
	p, low := a.percent()
	if was, wasLow := a.g.Cell(); !always && (p == was && low == wasLow || a.g.Power() == gauge.Off) {
		return
	}
	e := &ledger.Cell{Percent: p, Low: low, Dead: a.cell.Dead}
	if a.m.Cell != nil {
		e.Volts = decimal.New(a.m.Cell.Volts(&a.cell, a.load.Draw, a.load.Temp), -6).Quantize(-3, decimal.HalfEven).String()
	}
	a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindCell, Cell: e})
	a.step(gauge.Event{Kind: gauge.CellTold, Percent: p, Low: low, Dead: a.cell.Dead})
}
