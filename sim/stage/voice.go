package stage

import (
	"bytes"
	"encoding/hex"
	"slices"
	"time"

	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/wire"
)

// voice is a gauge's end of the wire: what it has to say, as its dialect says it.
type voice struct {
	end       *wire.End
	rec       *wire.Record
	terms     terms
	greets    bool             // the gauge has come on, and will name itself when it is heard
	leaves    bool             // the gauge has gone off, and its answer is still to be sent
	kept      []flight         // frames that wait for their turn in the dialect's conversation
	said      bool             // some were sent
	other     map[int]string   // frames that are sent with other bytes than they were entered with, and how
	latest    told             // of what the host has to answer
	refused   int              // times in a row that the host refused a message that went out intact
	doubtful  bool             // an answer need not be one to the latest message
	answers   int              // of the listener on paper since the last frame was made
	answering bool             // one of them is queued
	streamed  []ledger.Reading // newest of each channel, where tags leave the reading to the stream
	bareTags  bool             // they do
	reads     []bool           // by frame of the dialect: it carries a reading

	frames  int    // made so far
	longest int    // of them, in bytes
	slab    []byte // room for their bytes
	seq     int    // made since the gauge was switched on
	tagged  int64  // number of the last tag; −1 before the first
	tags    int
	lost    int
	entry   struct { // room for what is entered, where nobody keeps it
		frame    ledger.Frame
		readings []ledger.Reading
		out      ledger.Out
		id       [1]int
	}
}

// greet sends the banner once somebody can hear it, where the dialect has one.
func (a *actor) greet() {
	if a.greets && a.told {
		a.greets = false
		a.makeFrames("banner", ledger.Banner, &gauge.Emission{})
	}
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
	if len(e.Readings) > 1 && !a.m.Dialect.Grouped(f) && a.reads[f] {
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
			Channel: a.m.Profile.Channels[r.Channel].Name, Size: a.probes[r.Channel].size, Pressed: r.Pressed, Exact: r.Exact.Decimal(-6), Shown: r.Shown,
			Unit: r.Unit.Symbol(), Function: r.Function.String(), Zone: r.Zone, Void: r.Void.String()})
	}
	return out
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
		a.answered()
		a.converse()
	}
	a.linkWake()
}

// told is how the latest message of a frame went out to the host.
type told struct {
	frame     int // 0: it was none of a frame
	corrupted bool
	intact    bool
}

// answered enters where the host takes a message for another than it was: one that it
// accepts although it was corrupted is never sent again, and one that it refuses again and
// again although it was intact is given up.
func (a *actor) answered() {
	switch a.end.Answered() {
	case wire.Accepted:
		a.refused = 0
		if a.latest.corrupted && !a.doubtful {
			a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindPort, Port: &ledger.Port{What: ledger.Accepts, Frame: a.latest.frame}})
		}
	case wire.Refused:
		if a.refused++; !a.latest.intact {
			a.refused = 0
		}
	}
}

// silence tells the end that nothing has come up to a time.
func (a *actor) silence(at time.Duration) {
	a.refused, a.doubtful = 0, a.doubtful || a.said // the answer may be late
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
			if a.refused > 1 && !a.doubtful {
				a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindPort, Port: &ledger.Port{What: ledger.Refuses, Frame: s.Of}})
			}
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
	_, ok := a.end.Awaits(nil, false)
	if !ok || a.answering || a.answers == most || !a.link.Phase.Joined() {
		return
	}
	a.answering = true
	a.answers++
	// Not before what it answers has gone out, which may wait for the line.
	a.s.at(max(a.s.now, a.tamper.begun), func() {
		a.answering = false
		if answer, ok := a.end.Awaits(nil, a.latest.corrupted); ok {
			a.received(answer)
		}
	})
}

// serve carries out a command of the host.
func (a *actor) serve(inc wire.Incoming) {
	if inc.Garbage != nil {
		a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindPort, Bytes: inc.Raw, Port: &ledger.Port{What: "garbage", Note: inc.Garbage.Error()}})
		return
	}
	req, ok := a.end.Request(inc)
	if !ok {
		return
	}
	var outcome wire.Outcome
	var reply *gauge.Emission
	defer a.leave()
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
	if after == 0 || a.s.stands() {
		a.send(id, raw)
		return
	}
	a.s.at(a.s.now+after, func() { a.send(id, raw) })
}

// leave has a gauge go off that the host has asked to, once it has answered.
func (a *actor) leave() {
	if a.leaves {
		a.leaves = false
		a.powered(&gauge.Emission{Power: gauge.Off, Text: "off: asked by the host"})
		a.schedule()
	}
}

func (a *actor) channelName(i int) string {
	if i < 0 || i >= len(a.m.Profile.Channels) {
		return ""
	}
	return a.m.Profile.Channels[i].Name
}
