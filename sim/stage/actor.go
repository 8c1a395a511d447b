package stage

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/link"
	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/motion/noise"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/power"
	"example.org/understudy/sim/probe"
	"example.org/understudy/sim/random"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/uart"
	"example.org/understudy/sim/wire"
)

// actor is one gauge on the stage: the instrument, its probes, cell and link,
// its end of the wire and its port.
type actor struct {
	s        *Stage
	index    int // in the cast
	m        *Member
	name     string
	g        *gauge.Gauge
	out      gauge.Out
	stepping bool             // it is giving out what came of an event
	next     []gauge.Event    // what came to it meanwhile
	streamed []ledger.Reading // newest of each channel, where tags leave the reading to the stream
	bareTags bool             // they do
	entry    struct {         // room for what is entered, where nobody keeps it
		frame    ledger.Frame
		readings []ledger.Reading
		out      ledger.Out
		id       [1]int
	}
	probes []tipper
	tips   []gauge.Tip
	tickAt time.Duration

	cell     power.State
	load     power.Load
	cellAt   time.Duration
	cradle   power.MicroAmp // what it charges with; 0 off the cradle
	cradles  int            // times it was set on it
	link     *link.State
	linkAt   time.Duration
	inFlight map[uint64]flight
	offered  uint64
	tamper   tamper

	end     *wire.End
	rec     *wire.Record
	terms   terms
	kept    []flight       // frames that wait for their turn in the dialect's conversation
	said    bool           // some were sent
	other   map[int]string // frames that are sent with other bytes than they were entered with, and how
	frames  int            // made so far
	longest int            // of them, in bytes
	slab    []byte         // room for their bytes
	seq     int            // made since the gauge was switched on
	tagged  int64          // number of the last tag; −1 before the first
	tags    int
	lost    int
	visits  int // of a hand to a part

	port     port.Port
	wrote    int       // the stage's run in which a frame was put last
	ahead    int       // bytes put since Drain last saw it read everything, at most
	lately   []handed  // of them, by the time, where the host reads ahead
	taken    int64     // bytes that it has read, at least, of all that the port took
	gathers  bool      // frames are gathered at the port
	down     bool      // hung up by us
	opened   bool      // a host has had it open
	inUse    bool      // a host has it open, as far as has been told
	slow     bool      // the host does not read: do not wait for it
	silent   bool      // the link is lost and the host sees silence, not a hang-up
	home     string    // name of the port at the start
	before   int64     // bytes that the port had taken when the host opened it last
	openedAt time.Time // and when that was
	purged   time.Time // by the host, last
	away     string    // name it comes back under, where that is another

	stall    stall            // of the host's reading
	modem    *port.ModemLines // as told last
	moved    bool             // the host has moved its control lines since it opened the port
	awaited  bool             // the port is back, and no host has it open yet
	reopened bool             // the host has opened it after it came back
	spoken   bool             // it has said something since it opened it last
	// asksAgain says that it has said something when it opened it again.
	asksAgain bool
	told      bool          // the gauge thinks that its link is up
	greets    bool          // the gauge has come on, and will name itself when it is heard
	leaves    bool          // the gauge has gone off, and its answer is still to be sent
	line      uart.Settings // of the gauge
	speeds    int           // times its speed was set

	heard     bool          // the bytes sent last reached the port
	answers   int           // of the listener on paper since the last frame was made
	answering bool          // one of them is queued
	asked     uart.Settings // of the host
}

// flight is a frame on its way through the link.
type flight struct {
	id    int // in the ledger; 0: bytes of a handshake
	bytes []byte
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

// idealLink is the link of a member that names none.
var idealLink = func() *link.Link {
	l, err := link.New(link.Config{})
	if err != nil {
		panic(err) // the zero Config is valid by its contract
	}
	return l
}()

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
	a := &actor{s: s, index: i, m: m, name: m.Profile.Name, g: g, port: prt, tickAt: -1, inFlight: map[uint64]flight{}, told: true, line: m.lineSettings()}
	a.asked = a.line
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
		a.cell = m.Cell.Start(source(s.play.Seed, a.name, "cell"))
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
		f := m.Dialect.FrameFor("tag")
		a.bareTags = f != wire.NoFrame && !m.Dialect.Carries(f, a.terms.reading)
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
	args := make([]decimal.Decimal, len(c.Of))
	for i, j := range c.Of {
		args[i] = decimal.New(int64(a.probes[j].size), 0)
	}
	v, _ := c.Value(args)
	l, _ := v.Quantize(0, decimal.HalfEven).Int64()
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
		if a.link.Phase.Joined() {
			a.lose(link.Forever)
		}
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

// greet sends the banner once somebody can hear it, where the dialect has one.
func (a *actor) greet() {
	if a.greets && a.told {
		a.greets = false
		a.makeFrames("banner", ledger.Banner, &gauge.Emission{})
	}
}

// tellLink tells the gauge whether it is heard: its link is up, and where the
// port had gone away with the link a host has it open again.
func (a *actor) tellLink() {
	up := a.link.Phase.Joined() && !a.awaited
	if up == a.told {
		return
	}
	a.told = up
	// The probe is not read for it: when a host opens its port again must not
	// change the noise of what is measured later.
	a.step(gauge.Event{Kind: gauge.LinkTold, Up: up})
	a.schedule()
	a.greet()
}

// makeFrames makes the frames of an emission: one for all channels where the
// dialect repeats the reading in a group or has none in it, else one a channel.
func (a *actor) makeFrames(kind string, cause ledger.Cause, e *gauge.Emission) {
	if a.end == nil {
		return
	}
	if kind == "tag" {
		a.tagged = e.Tag
	}
	f := a.m.Dialect.FrameFor(kind)
	if f == wire.NoFrame && kind == "tag" {
		f = a.m.Dialect.FrameFor("reading")
	}
	if f == wire.NoFrame {
		return // the dialect has no words for it
	}
	if len(e.Readings) > 1 && !a.m.Dialect.Grouped(f) && a.m.Dialect.Carries(f, a.terms.reading) {
		for i := range e.Readings {
			a.makeFrame(f, cause, e, e.Readings[i:i+1])
		}
		return
	}
	a.makeFrame(f, cause, e, e.Readings)
}

func (a *actor) makeFrame(f wire.Frame, cause ledger.Cause, e *gauge.Emission, rs []gauge.Reading) {
	a.fill(rs, e)
	if len(a.slab)+a.longest > cap(a.slab) {
		a.slab = make([]byte, 0, 4096)
	}
	if a.end.State() != "" {
		a.toConversation(f, cause, e, rs)
		return
	}
	raw, err := a.end.Emit(a.slab[len(a.slab):], f, a.rec, a.frames+1, a.s.now)
	if err != nil {
		a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindGauge, Note: "no frame: " + err.Error()})
		return
	}
	if n := len(a.slab) + len(raw); n <= cap(a.slab) {
		a.slab, raw = a.slab[:n], raw[:len(raw):len(raw)]
	}
	a.longest = max(a.longest, len(raw))
	a.enter(f, cause, e, rs, raw)
	a.send(a.frames, raw)
}

// toConversation gives a frame to a dialect whose states decide when it is sent.
// It is entered as it would be sent now.
func (a *actor) toConversation(f wire.Frame, cause ledger.Cause, e *gauge.Emission, rs []gauge.Reading) {
	raw, err := a.end.Preview(nil, f, a.rec)
	if err == nil {
		_, err = a.end.Emit(nil, f, a.rec, a.frames+1, a.s.now)
	}
	if err != nil {
		a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindGauge, Note: "no frame: " + err.Error()})
		return
	}
	a.enter(f, cause, e, rs, raw)
	a.kept = append(a.kept, flight{a.frames, raw})
	a.answers = 0
	a.converse()
}

// enter enters a frame into the ledger.
func (a *actor) enter(f wire.Frame, cause ledger.Cause, e *gauge.Emission, rs []gauge.Reading, raw []byte) {
	a.frames++
	a.seq++
	if a.s.recording() {
		entry, room := &a.entry.frame, a.entry.readings[:0]
		if a.s.keeps() {
			entry, room = new(ledger.Frame), nil
		}
		*entry = ledger.Frame{ID: a.frames, Cause: cause, Name: a.m.Dialect.Frames()[f].Name, Bytes: raw, Readings: a.readings(room, rs)}
		a.entry.readings = entry.Readings
		tagged := e != nil && e.Kind == gauge.Tagged
		if tagged {
			tag := e.Tag
			entry.Tag, entry.Repeat = &tag, e.Repeat
		}
		if e != nil && (tagged || len(rs) > 0) {
			a.carried(entry, f, rs)
		}
		if e != nil && e.Kind == gauge.Streamed && a.bareTags {
			a.streamed = ledger.Latest(a.streamed, slices.Clone(entry.Readings))
		}
		a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindFrame, Frame: entry})
	}
}

func (a *actor) readings(out []ledger.Reading, rs []gauge.Reading) []ledger.Reading {
	for i := range rs {
		r := &rs[i]
		out = append(out, ledger.Reading{
			Channel: a.m.Profile.Channels[r.Channel].Name, Size: a.probes[r.Channel].size, Pressed: r.Pressed, Exact: r.Exact, Shown: r.Shown,
			Unit: r.Unit.Symbol(), Function: r.Function.String(), Zone: r.Zone, Void: r.Void.String()})
	}
	return out
}

// send gives bytes to the link. An ideal link hands them on at once.
func (a *actor) send(id int, raw []byte) {
	a.linkRun()
	if a.m.Link.Pass(a.link, len(raw)) {
		a.deliver(flight{id, raw})
		return
	}
	a.offered++
	a.inFlight[a.offered] = flight{id, raw}
	switch a.m.Link.Offer(a.link, a.s.now, a.offered, len(raw)) {
	case link.NoLink:
		a.fate(a.offered, ledger.Lost)
	case link.Refused:
		a.fate(a.offered, ledger.Flushed)
	}
	a.linkRun()
	a.linkWake()
}

// fate ends the way of a frame that does not arrive.
func (a *actor) fate(id uint64, f ledger.Fate) {
	fl := a.inFlight[id]
	delete(a.inFlight, id)
	a.heard = false
	a.gone([]int{fl.id}, f, nil, "")
}

// gone writes what became of frames.
func (a *actor) gone(ids []int, f ledger.Fate, raw []byte, fault string) {
	ids = slices.DeleteFunc(ids, func(id int) bool { return id == 0 })
	if f != ledger.Sent {
		a.lost += len(ids)
	}
	if (len(ids) > 0 || raw != nil) && a.s.recording() {
		out := &a.entry.out
		if a.s.keeps() {
			out = new(ledger.Out)
		}
		*out = ledger.Out{Frames: ids, Fate: f, Bytes: raw, Fault: fault}
		a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindOut, Out: out})
	}
}

// only is the list of one frame, for gone to be called with at once.
func (a *actor) only(id int) []int {
	if a.s.keeps() {
		return []int{id}
	}
	a.entry.id[0] = id
	return a.entry.id[:]
}

// unread enters bytes the host did not read.
func (a *actor) unread(n int) {
	a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindOut, Out: &ledger.Out{Fate: ledger.Unread, Count: n}})
}

// linkRun brings the link to the present and carries out what came of it.
func (a *actor) linkRun() {
	for {
		ev, ok := a.m.Link.Advance(a.link, a.s.now)
		if !ok {
			return
		}
		switch ev.Kind {
		case link.Delivered:
			fl := a.inFlight[ev.ID]
			delete(a.inFlight, ev.ID)
			a.deliver(fl)
		case link.Flushed:
			a.fate(ev.ID, ledger.Flushed)
		case link.Dropped:
			a.fate(ev.ID, ledger.Lost)
		case link.Changed:
			a.linkChanged(ev)
		}
	}
}

// linkWake queues the link's next business.
func (a *actor) linkWake() {
	at, ok := a.m.Link.Next(a.link)
	if !ok || at == a.linkAt && at > a.s.now {
		return
	}
	a.linkAt = at
	a.s.at(at, func() {
		a.linkRun()
		a.linkWake()
	})
}

func (a *actor) linkChanged(ev link.Event) {
	why := ""
	if ev.Timeout {
		why = "nothing was heard for the supervision time"
	}
	a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindLink, Link: &ledger.Link{State: ev.Phase.String(), Why: why}})
	a.tellModem()
	switch {
	case ev.Phase == link.Lost:
		a.tellLink()
		a.tamper.drop(a)
		a.heard = false // what was said last may have been among it
		if !a.silent {
			a.hangUp()
		}
	case ev.Phase == link.Up && a.down:
		a.comeBack()
	}
	if ev.Phase == link.Up {
		a.silent = false
	}
	a.tellLink()
	a.reload()
}

func (a *actor) hangUp() {
	if a.port == nil || a.down {
		a.down = true
		return
	}
	a.down = true
	a.stalled()
	a.s.flushPorts()
	lost, exact, err := a.port.HangUp()
	if !exact && a.inUse {
		lost = max(lost, a.unknown())
	}
	lost = max(lost, a.late())
	a.s.calm.owed = a.s.calm.owed || a.inUse
	a.inUse = false
	if lost > 0 {
		a.unread(lost)
	}
	a.portNote("hung up", lost, err)
}

func (a *actor) comeBack() {
	a.down = false
	if a.port == nil {
		return
	}
	a.awaited, a.s.calm.loose, a.s.calm.behind, a.s.calm.owed = true, true, true, true
	err := a.comeBackAs(a.away)
	if err != nil && a.away != "" {
		if own := a.comeBackAs(""); own != nil {
			err = own
		} else {
			err = fmt.Errorf("it keeps its name: %w", err)
		}
	}
	a.portNote("returned", 0, err)
	a.away = ""
}

func (a *actor) comeBackAs(name string) error {
	for _, o := range a.s.actors {
		if o != a && o.port != nil && !o.down && name != "" && o.port.Name() == name {
			return fmt.Errorf("%s is at %s", o.name, name)
		}
	}
	return a.port.Return(name)
}

func (a *actor) portNote(what string, lost int, err error) {
	p := &ledger.Port{What: what, Lost: lost, Path: a.port.Path()}
	if err != nil {
		p.Note = err.Error()
	}
	a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindPort, Port: p})
}

// deliver takes a frame that has come through the link to the port.
func (a *actor) deliver(fl flight) { a.tamper.frame(a, fl) }

// put hands bytes to the port.
func (a *actor) put(raw []byte) ledger.Fate {
	if a.port == nil && a.s.restart.away {
		return ledger.Unheard
	} else if a.port == nil {
		return ledger.Sent // on paper there is a perfect listener
	}
	a.heard = false
	a.s.calm.loose = true
	a.ahead += len(raw)
	a.hand()
	var o port.Outcome
	if g, ok := a.port.(port.Gatherer); ok && (a.s.calm.plain || a.s.behind && a.wrote == a.s.run) {
		o = g.Gather(raw)
		if !a.gathers {
			a.gathers, a.s.gathered = true, append(a.s.gathered, a)
		}
	} else {
		o = a.port.Write(raw)
	}
	a.wrote = a.s.run
	switch o {
	case port.DroppedFull:
		return ledger.Full
	case port.DroppedUnheard:
		return ledger.Unheard
	case port.DroppedDown:
		return ledger.Down
	}
	a.heard = true
	return ledger.Sent
}

// waiting reports whether Drain must wait for this gauge's host, and how many
// bytes it has not read.
func (a *actor) waiting() (bool, int) {
	if a.port == nil || a.down {
		return false, 0
	}
	open := a.port.Open()
	if open && !a.inUse {
		return true, 0 // its opening is on its way here
	}
	if !a.opened {
		return false, 0
	}
	if !open && a.s.restart.absent() {
		return false, 0 // nobody is there
	} else if !open && a.strange() {
		return false, 0 // it was not told where the port is now
	} else if a.awaited || !open {
		return true, 0 // it had it open, and will open it again
	}
	if _, shows := a.port.(port.Modem); shows && a.s.play.Raises && !a.moved {
		return true, 0
	}
	if p, ok := a.port.(port.Negotiator); ok && p.Negotiating() {
		return true, 0
	}
	n, _ := a.port.Unread()
	if n == 0 && a.end != nil && (a.said || len(a.kept) > 0) && a.heard && len(a.inFlight) == 0 && a.tamper.idle(a.s.now) {
		_, asked := a.end.Awaits(nil) // its answer is still to come
		return asked, 0
	}
	return n > 0, n
}

// strange reports whether the port is at a name that none had at the start.
func (a *actor) strange() bool {
	name := a.port.Name()
	return !slices.ContainsFunc(a.s.actors, func(b *actor) bool { return b.home == name })
}

// youngFor is how long after an opening a purge may throw away all that came since.
const youngFor = 2 * time.Second

func (a *actor) portEvent(e port.Event) {
	note := func(p ledger.Port) {
		a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindPort, Port: &p})
	}
	switch e.Kind {
	case port.Opened:
		a.asksAgain = a.asksAgain || a.reopened && a.spoken
		a.reopened, a.spoken = a.awaited, false
		a.s.calm.loose, a.s.calm.owed = true, a.s.calm.owed || a.opened
		a.taken = a.given()
		a.before, a.openedAt = a.taken, time.Now()
		a.opened, a.inUse, a.moved = true, true, false
		a.asked = a.m.lineSettings() // until it asks for something
		a.tamper.behind = nil        // and it has read nothing yet
		note(ledger.Port{What: "opened", Path: a.port.Path()})
		a.awaited = false
		a.tellLink()
	case port.Closed:
		a.stalled()
		a.inUse = false
		note(ledger.Port{What: "closed", Lost: e.Lost})
		a.left(e.Lost, e.Inexact)
	case port.Received:
		a.spoken = true
		a.received(e.Data)
	case port.Asked:
		note(ledger.Port{What: "asked", Line: e.Settings.String(), Note: e.Cooked})
		a.asked = a.hostLine(e.Settings)
	case port.Break:
		note(ledger.Port{What: "break", Note: strconv.FormatBool(e.On)})
	case port.Lines:
		a.moved = true
		note(ledger.Port{What: "lines", Note: fmt.Sprintf("DTR %v RTS %v", e.Lines.DTR, e.Lines.RTS)})
	case port.Purged:
		if a.purged = time.Now(); a.purged.Sub(a.openedAt) < youngFor { // a client may have all of it still to look at
			a.taken = min(a.taken, a.before)
		}
		note(ledger.Port{What: "purged", Lost: e.Lost})
		a.left(e.Lost, e.Inexact)
	case port.Paused:
		note(ledger.Port{What: "paused", Note: strconv.FormatBool(e.On)})
	case port.Dropped:
		note(ledger.Port{What: "dropped", Lost: len(e.Data)})
	case port.Trouble:
		note(ledger.Port{What: "trouble", Note: e.Err.Error()})
	}
}

// left enters what a host has not read of its session, or thrown away.
func (a *actor) left(lost int, inexact bool) {
	if inexact {
		lost = max(lost, a.unknown())
	}
	if lost > 0 {
		a.unread(lost)
	}
	a.taken = a.given()
}

// received takes bytes from the host. They reach the gauge only over a link
// that is up, and a gauge that is on, and as its receiver samples them.
func (a *actor) received(p []byte) {
	e := ledger.Entry{Gauge: a.name, Kind: ledger.KindIn, Bytes: p}
	a.linkRun()
	gets := p
	switch {
	case !a.link.Phase.Joined():
		e.Note = "lost: the link is " + a.link.Phase.String()
		gets = nil
	case a.g.Power() != gauge.On:
		e.Note = "lost: the gauge is " + a.g.Power().String()
		gets = nil
	case a.asked != a.line:
		gets, _ = misread(p, a.asked, a.line)
		e.Note = "wrong speed: the gauge gets " + hex.EncodeToString(gets)
	}
	a.s.write(e)
	if len(gets) > 0 && a.end != nil {
		a.end.Receive(gets, a.s.now, a.serve)
		a.converse()
	}
	a.linkWake()
}

// silence tells the end that nothing has come up to a time.
func (a *actor) silence(at time.Duration) {
	a.end.Quiet(at, a.serve)
	a.converse()
}

// converse carries out what the dialect's conversation says now, and queues its
// next time. Each message of a frame is sent under the frame's number; one that is
// given up is lost.
func (a *actor) converse() {
	a.end.Says(a.s.now, func(s wire.Said) {
		entered := slices.IndexFunc(a.kept, func(fl flight) bool { return fl.id == s.Of })
		switch {
		case s.Baud != 0:
			a.setSpeed(s.Baud)
		case s.Given:
			a.gone([]int{s.Of}, ledger.Lost, nil, "given up by the handshake")
		default:
			if s.Of != 0 && entered >= 0 && !bytes.Equal(s.Bytes, a.kept[entered].bytes) {
				if a.other == nil {
					a.other = map[int]string{}
				}
				if a.other[s.Of] = " "; !s.Last {
					a.other[s.Of] = ledger.Partly // the frame has gone when its last message has
				}
			}
			a.said = true
			a.send(s.Of, s.Bytes)
		}
		if entered >= 0 && (s.Given || s.Last) {
			a.kept = slices.Delete(a.kept, entered, entered+1)
		}
	})
	if err := a.end.Trouble(); err != nil {
		a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindGauge, Note: "no frame: " + err.Error()})
	}
	if a.port == nil {
		a.listen()
	}
	if at, ok := a.end.Deadline(); ok {
		a.s.at(at, func() {
			if due, ok := a.end.Deadline(); ok && due <= a.s.now {
				a.silence(a.s.now)
			}
		})
	}
}

// listen has the perfect listener on paper answer a handshake that waits for
// it. One whose states go round for ever is left after some answers.
func (a *actor) listen() {
	const most = 16
	answer, ok := a.end.Awaits(nil)
	if !ok || a.answering || a.answers == most || !a.link.Phase.Joined() {
		return
	}
	a.answering = true
	a.answers++
	// Not before what it answers has gone out, which may wait for the line.
	a.s.at(max(a.s.now, a.tamper.begun), func() {
		a.answering = false
		a.received(answer)
	})
}

// serve carries out a command of the host.
func (a *actor) serve(inc wire.Incoming) {
	if inc.Garbage != nil {
		a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindPort, Port: &ledger.Port{What: "garbage", Note: inc.Garbage.Error()}})
		return
	}
	req, ok := a.end.Request(inc)
	if !ok {
		return
	}
	var outcome wire.Outcome
	var reply *gauge.Emission
	defer func() {
		if a.leaves { // it went off when it had answered
			a.leaves = false
			a.powered(&gauge.Emission{Power: gauge.Off, Text: "off: asked by the host"})
			a.schedule()
		}
	}()
	cause := ledger.Reply
	switch {
	case req.Refused != "":
		outcome.Reason = req.Refused
	case req.Local:
		outcome.OK = true
	default:
		reply = a.ask(gauge.Command{Verb: req.Verb, Setting: req.Setting, Channel: req.Channel, Value: value(req.Value)}, byHost)
		for _, more := range req.More {
			if reply.Outcome.Refused == gauge.Done {
				reply = a.ask(gauge.Command{Verb: more.Verb, Setting: more.Setting, Channel: more.Channel, Value: value(more.Value)}, byHost)
			}
		}
		outcome.OK = reply.Outcome.Refused == gauge.Done
		outcome.Reason = string(reply.Outcome.Refused)
		if req.Verb == "read" {
			cause = ledger.Asked
		}
	}
	a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindRequest, Bytes: slices.Clone(inc.Raw), Request: &ledger.Request{
		Verb: req.Verb, Setting: req.Setting, Channel: a.channelName(req.Channel), Value: req.Value.String(), Refused: outcome.Reason}})
	rs := a.g.Readings(nil)
	if req.Channel >= 0 && req.Channel < len(rs) && cause == ledger.Asked {
		rs = rs[req.Channel : req.Channel+1]
	}
	a.fill(rs, reply)
	if a.tagged >= 0 && req.Registers() {
		a.rec.Set(a.terms.tag, 0, wire.Int(a.tagged)) // a register keeps the last one
	}
	outcome.Rec = a.rec
	raw, err := a.end.AppendReply(nil, req, outcome)
	if err != nil {
		a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindGauge, Note: "no reply: " + err.Error()})
	}
	if len(raw) == 0 {
		return
	}
	a.frames++
	a.seq++
	entry := &ledger.Frame{ID: a.frames, Cause: cause, Name: req.Verb, Bytes: raw}
	if cause == ledger.Asked && outcome.OK {
		entry.Readings = a.readings(nil, rs)
	}
	a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindFrame, Frame: entry})
	id, after := a.frames, a.m.Dialect.ReplyAfter()
	if after == 0 {
		a.send(id, raw)
		return
	}
	a.s.at(a.s.now+after, func() { a.send(id, raw) })
}

func (a *actor) channelName(i int) string {
	if i < 0 || i >= len(a.m.Profile.Channels) {
		return ""
	}
	return a.m.Profile.Channels[i].Name
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
		if _, ok := a.m.Cell.Advance(&a.cell, t, a.load); !ok {
			return
		}
		a.tellCell(true)
		a.schedule()
	}
}

func (a *actor) note(text string) {
	a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindGauge, Note: text})
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

// percent is the charge left as the gauge reports it, and whether it is low.
func (a *actor) percent() (int, bool) {
	if a.m.Cell == nil {
		return 100, false
	}
	p := a.m.Cell.Estimate(&a.cell, a.load)
	return p, a.cell.Low || p <= a.m.LowAt
}

// tellCell tells the gauge of its cell, and the ledger when it is worth it.
func (a *actor) tellCell(always bool) {
	p, low := a.percent()
	if was, wasLow := a.g.Cell(); p == was && low == wasLow && !always {
		return
	} else if low != wasLow || always {
		e := &ledger.Cell{Percent: p, Low: low, Dead: a.cell.Dead}
		if a.m.Cell != nil {
			e.Volts = decimal.New(a.m.Cell.Volts(&a.cell, a.load.Draw, a.load.Temp), -6).Quantize(-3, decimal.HalfEven).String()
		}
		a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindCell, Cell: e})
	}
	a.step(gauge.Event{Kind: gauge.CellTold, Percent: p, Low: low, Dead: a.cell.Dead})
}

// lose takes the link away for a time.
func (a *actor) lose(d time.Duration) {
	_ = a.m.Link.Inject(a.link, link.Fault{Kind: link.Lose, At: a.s.now, For: d}) // At is the link's now: linkRun came first
	a.linkRun()
	a.linkWake()
}

func (a *actor) status() Status {
	s := Status{Name: a.name, At: a.s.now, Tags: a.tags, Frames: a.frames, Lost: a.lost, Link: a.link.Phase.String()}
	s.Percent, s.Low = a.percent()
	if a.port != nil {
		s.Path, s.Open = a.port.Path(), a.port.Open()
	}
	r := a.g.Readings(nil)[0]
	s.Zone = r.Zone.String()
	if r.Void != gauge.Valid {
		s.Reading = r.Void.String()
	} else {
		s.Reading = r.Shown.String() + " " + r.Unit.Symbol()
	}
	if p := a.g.Power(); p != gauge.On {
		s.Reading, s.Zone = p.String(), "void"
	}
	s.Face = a.g.Face()
	for i, state := range a.g.Lamps() {
		s.Lamps = append(s.Lamps, Lamp{a.m.Profile.Lamps[i].Name, state, a.g.Look(i)})
	}
	return s
}
