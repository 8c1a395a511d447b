package wire

import (
	"errors"
	"fmt"
	"slices"
)

// command is what a frame of the host asks.
type command struct {
	*cmdSpec
	value     Term
	settingBy Term
	channelBy Term
	reply     Frame
	refusal   Frame
	let, then []assignment
	in        []int
	reads     []*registers // registers its reply carries
	writes    []*registers // registers it carries itself
}

type errorQueue struct {
	*errorsSpec
	code, text Term
	count      Term
}

// Request is what a host's command asks of the gauge, in plain words.
type Request struct {
	Verb    string
	Setting string // of a get or set
	Channel int    // from 0; −1 when the command names none
	Value   Value  // what a set or preset carries
	More    []Assign
	Refused string // the wire itself refuses it: answer Outcome{Reason: Refused}
	Local   bool   // the wire's own business: answer Outcome{OK: true}
	NoReply bool   // broadcast: carry it out, nothing will be answered
	Frame   Frame

	rec   *Record
	more  bool
	table bool
}

// Assign is one more setting that the same command writes.
type Assign struct {
	Setting string
	Channel int
	Value   Value
	Verb    string // set, or what writing the register does
}

// Get returns a term of the command itself.
func (r *Request) Get(t Term, channel int) Value {
	if r.rec == nil {
		return Value{}
	}
	return r.rec.Get(t, channel)
}

// Registers reports whether the command reads registers of a table.
func (r *Request) Registers() bool { return r.table }

// Outcome is what became of a request.
type Outcome struct {
	OK     bool
	Reason string  // why it was refused
	Rec    *Record // values for the reply; for registers, all that the gauge has
}

// failed queues an error.
func (c *conversation) failed(reason string, rec *Record) {
	q := c.e.d.errors
	if q == nil || len(q.Listed) == 0 {
		return
	}
	i := slices.IndexFunc(q.Listed, func(r errorRule) bool { return r.For == reason })
	if i < 0 {
		i = len(q.Listed) - 1
	}
	rule := &q.Listed[i]
	c.assign(rule.let, rec)
	if len(c.queue) < q.Depth {
		c.queue = append(c.queue, rule.errorEntry)
	} else if q.Depth > 0 {
		c.queue[q.Depth-1] = q.Overflow
	}
}

// forUs says whether a command is for this station; broadcasts are.
func (e *End) forUs(inc *Incoming) bool {
	st := &e.d.station
	if st.term < 0 || inc.Rec == nil {
		return true
	}
	v := inc.Rec.Get(st.term, 0)
	n, _ := v.Num.Int64()
	return v.Kind != Number || n == e.d.station.Is || e.d.broadcast(n)
}

func (d *Dialect) broadcast(n int64) bool { return slices.Contains(d.station.Broadcast, n) }

// Request reads a command. ok is false when there is nothing to do: the bytes
// are no command, or it is for another station.
func (e *End) Request(inc Incoming) (req Request, ok bool) {
	if inc.Frame == NoFrame || inc.Garbage != nil || e.d.frames[inc.Frame].cmd == nil || !e.forUs(&inc) {
		return Request{}, false
	}
	c := e.d.frames[inc.Frame].cmd
	req = Request{Verb: c.Does, Setting: c.Setting, Channel: -1, Frame: inc.Frame, more: inc.more, table: len(c.reads) > 0}
	if v := inc.Rec.Get(e.d.station.term, 0); v.Kind == Number {
		n, _ := v.Num.Int64()
		req.NoReply = e.d.broadcast(n)
	}
	req.rec = e.d.NewRecord()
	req.rec.CopyFrom(inc.Rec)
	if v := inc.Rec.Get(c.settingBy, 0); v.Kind == Text {
		req.Setting = v.Text
	}
	if v := inc.Rec.Get(c.channelBy, 0); v.Kind == Number {
		n, _ := v.Num.Int64()
		req.Channel = int(n) - 1
	}
	req.Value = inc.Rec.Get(c.value, 0)
	req.Refused = c.Refuse
	req.Local = c.Does == "" && c.Refuse == ""
	if inc.wrongState {
		req.Refused = WrongState
	}
	if req.Refused == "" {
		e.registers(c, &req, inc.Rec)
	}
	return req, true
}

// registers turns a register command into what it asks for.
func (e *End) registers(c *command, req *Request, rec *Record) {
	window := func(f *registers) (first, count int, ok bool) {
		first, count, ok = f.window(rec, nil)
		if ok = ok && count > 0 && f.table.bytes(count) <= f.longest; !ok {
			req.Refused = IllegalValue
		}
		return first, count, ok
	}
	if !c.echoes() {
		for _, f := range c.reads {
			if first, count, ok := window(f); ok && !f.table.readable(first, count) {
				req.Refused = IllegalAddress
			}
		}
	}
	if len(c.writes) == 0 || req.Refused != "" {
		return
	}
	first, count, ok := window(c.writes[0])
	lines, may := c.writes[0].table.writable(first, count)
	switch {
	case !ok:
		return
	case rec.invalid:
		req.Refused = IllegalValue
		return
	case !may:
		req.Refused = IllegalAddress
		return
	}
	for i := range lines {
		a := lines[i].assign(e.d, rec)
		if i == 0 {
			req.Verb, req.Setting, req.Channel, req.Value = a.Verb, a.Setting, a.Channel, a.Value
		} else {
			req.More = append(req.More, a)
		}
	}
}

// echoes says whether a command that writes registers is answered with what
// was written.
func (c *command) echoes() bool {
	return len(c.writes) > 0 && (len(c.reads) == 0 || c.reads[0].first == c.writes[0].first)
}

// assign is what writing a line's registers asks for.
func (l *regLine) assign(d *Dialect, rec *Record) Assign {
	a := Assign{Verb: "set", Channel: l.ch}
	if t := l.field[0].term; t >= 0 {
		a.Setting, a.Value = d.terms[t], rec.Get(t, l.ch)
	}
	if l.does == "" {
		return a
	}
	a.Verb, a.Setting = l.does, ""
	if l.whole {
		a.Channel = -1
	}
	switch l.does {
	case "preset", "press", "ack":
	default: // writing anything does it
		a.Value = Value{}
	}
	return a
}

// AppendReply writes what the gauge answers, which may be nothing. Requests
// of one line must be answered in their order.
func (e *End) AppendReply(dst []byte, req Request, out Outcome) ([]byte, error) {
	if req.rec == nil {
		return dst, errors.New("wire: AppendReply needs a Request that End.Request returned")
	}
	if !e.d.owns(req.rec) || out.Rec != nil && !e.d.owns(out.Rec) {
		return dst, errForeign
	}
	t := &e.talk
	c := e.d.frames[req.Frame].cmd
	if req.Refused != "" {
		out = Outcome{Reason: req.Refused}
	}
	rec := e.replyRecord(c, req, out.Rec)
	frame := c.reply
	if out.OK {
		t.assign(c.let, rec)
		if c.Clears {
			t.queue = t.queue[:0]
		}
	} else {
		frame = c.refusal
		reason := out.Reason
		if reason == "" {
			reason = "refused"
		}
		rec.Set(e.d.Term(Error), 0, Str(reason))
		t.failed(reason, rec)
	}
	t.fill(rec)
	if req.NoReply {
		frame = NoFrame
	}
	start := len(dst)
	dst, err := e.answer(dst, req, frame, rec)
	if len(dst) > start && len(e.d.states) > 0 {
		t.last = Said{Bytes: append([]byte(nil), dst[start:]...)}
	}
	if out.OK {
		t.assign(c.then, rec)
		if c.Takes && len(t.queue) > 0 {
			t.queue = t.queue[:copy(t.queue, t.queue[1:])]
		}
	}
	return dst, err
}

// replyRecord is what the reply may speak of: the command's values and, before
// them, the gauge's; but what was addressed, and what was written, is the
// command's.
func (e *End) replyRecord(c *command, req Request, has *Record) *Record {
	rec := e.talk.rec
	rec.CopyFrom(req.rec)
	if has == nil {
		return rec
	}
	rec.overlay(has)
	if t := e.d.station.term; t >= 0 {
		*rec.at(t, 0) = req.rec.Get(t, 0)
	}
	if c.echoes() {
		rec.overlay(req.rec)
	}
	for _, f := range append(c.reads[:len(c.reads):len(c.reads)], c.writes...) {
		for _, t := range [2]Term{f.first, f.num} { // the registers asked for, whatever the gauge holds
			if t >= 0 {
				*rec.at(t, 0) = req.rec.Get(t, 0)
			}
		}
	}
	return rec
}

// answer writes a reply frame, or gathers the replies to one line of commands
// into one line (IEEE 488.2 §8.4.1: response message units are joined by ";").
func (e *End) answer(dst []byte, req Request, frame Frame, rec *Record) ([]byte, error) {
	t := &e.talk
	f := e.d.framings[Gauge][0]
	split := e.d.framings[Host][0].split
	if split == 0 {
		if frame == NoFrame {
			return dst, nil
		}
		return e.d.AppendFrame(dst, frame, e.d.addressed(rec))
	}
	var err error
	if frame != NoFrame {
		mark := len(t.line)
		if t.parts > 0 {
			t.line = append(t.line, split)
		}
		if t.line, err = e.d.appendBody(t.line, frame, rec); err != nil {
			t.line = t.line[:mark]
		} else {
			t.parts++
		}
	}
	if req.more || t.parts == 0 {
		return dst, err
	}
	start := len(dst)
	dst = f.open(dst)
	body := len(dst)
	dst = append(dst, t.line...)
	t.line, t.parts = t.line[:0], 0
	dst, why := f.close(dst, start+len(f.lead), body)
	if why != "" {
		return dst[:start], fmt.Errorf("dialect %s: the reply %s", e.d.name, why)
	}
	return dst, err
}

// AppendRequest is the dialect's AppendRequest for a host's end, which also
// remembers what was asked: a reply with registers does not say which.
func (e *End) AppendRequest(dst []byte, name string, rec *Record) ([]byte, error) {
	dst, err := e.d.AppendRequest(dst, name, rec)
	if err == nil {
		e.Asked(e.d.commandFrame(name), rec)
	}
	return dst, err
}

// maxAsked is how many commands a host's end remembers as unanswered.
const maxAsked = 32

// Asked tells a host's end what was asked, for replies that do not say it.
func (e *End) Asked(f Frame, rec *Record) {
	if c := e.d.frames[f].cmd; e.d.inTurn && c != nil && c.reply != NoFrame {
		if len(e.asks) == maxAsked {
			e.asks = append(e.asks[:0], e.asks[1:]...)
		}
		among := []int{int(c.reply)}
		if c.refusal != NoFrame {
			among = append(among, int(c.refusal))
		}
		e.asks = append(e.asks, among)
	}
	if e.ask == nil {
		e.ask = e.d.NewRecord()
	}
	e.ask.CopyFrom(rec)
}
