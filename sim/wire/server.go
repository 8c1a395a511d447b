package wire

import (
	"errors"
	"fmt"
	"time"
)

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

	rec  *Record
	more bool
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

// Outcome is what became of a request.
type Outcome struct {
	OK     bool
	Reason string  // why it was refused
	Rec    *Record // values for the reply; for registers, all that the gauge has
}

// server is the gauge's end of the conversation: numbers it keeps, errors it
// queues, the handshake's state and the replies of one line.
type server struct {
	d     *Dialect
	keeps []int64
	queue []errorEntry
	rec   *Record
	out   []byte // handshake bytes waiting for Outgoing
	line  []byte // reply parts of one line of commands
	parts int
	state int
	since time.Duration
	now   time.Duration
	tries []int
	held  [][]byte
	sent  []byte // the frame that resend repeats
}

// maxHeld is how many frames wait for a handshake; a further one is refused.
const maxHeld = 16

// ErrBusy says that a frame found no place to wait for the handshake.
var ErrBusy = errors.New("too many frames are waiting for the handshake")

func (s *server) init(d *Dialect) {
	s.d = d
	s.rec = d.NewRecord()
	s.keeps = make([]int64, len(d.keeps))
	s.reset()
}

// PowerOn puts the end's own memory (kept numbers, errors, the handshake) back
// to what it is when the gauge is switched on.
func (e *End) PowerOn() { e.srv.reset() }

func (s *server) reset() {
	for i, k := range s.d.keeps {
		s.keeps[i] = k.start
	}
	s.queue, s.out, s.line, s.held, s.sent = s.queue[:0], s.out[:0], s.line[:0], s.held[:0], s.sent[:0]
	s.parts = 0
	s.enter(0)
}

// fill puts what the end keeps into a record.
func (s *server) fill(rec *Record) {
	for i, k := range s.d.keeps {
		*rec.at(k.term, 0) = Int(s.keeps[i])
	}
	if q := s.d.errors; q != nil {
		oldest := q.none
		if len(s.queue) > 0 {
			oldest = s.queue[0]
		}
		rec.Set(q.code, 0, Int(oldest.Code))
		rec.Set(q.text, 0, Str(oldest.Text))
		rec.Set(q.count, 0, Int(int64(len(s.queue))))
	}
}

func (s *server) assign(list []assignment, rec *Record) {
	for _, a := range list {
		s.fill(rec)
		v, err := a.expr.eval(rec, 0)
		if n, ok := v.Num.Int64(); err == nil && v.Kind == Number && ok {
			s.keeps[a.keep] = n
		}
	}
}

// failed queues an error.
func (s *server) failed(reason string, rec *Record) {
	q := s.d.errors
	if q == nil || len(q.listed) == 0 {
		return
	}
	rule := &q.listed[len(q.listed)-1]
	for i := range q.listed {
		if q.listed[i].reason == reason {
			rule = &q.listed[i]
			break
		}
	}
	s.assign(rule.let, rec)
	if len(s.queue) < q.depth {
		s.queue = append(s.queue, rule.errorEntry)
	} else if q.depth > 0 {
		s.queue[q.depth-1] = q.overflow
	}
}

// Request reads a command. ok is false when there is nothing to do: the bytes
// are no command, or it is for another station.
func (e *End) Request(inc Incoming) (req Request, ok bool) {
	if inc.Frame == NoFrame || inc.Garbage != nil || e.d.frames[inc.Frame].cmd == nil {
		return Request{}, false
	}
	c := e.d.frames[inc.Frame].cmd
	req = Request{Verb: c.verb, Setting: c.setting, Channel: -1, Frame: inc.Frame, more: e.more}
	if st := &e.d.station; st.term >= 0 {
		if v := inc.Rec.Get(st.term, 0); v.Kind == Number {
			n, _ := v.Num.Int64()
			for _, b := range st.broadcast {
				req.NoReply = req.NoReply || n == b
			}
			if !req.NoReply && n != e.address {
				return Request{}, false
			}
		}
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
	req.Refused = c.refuse
	req.Local = c.verb == "" && c.refuse == ""
	if len(c.in) > 0 {
		allowed := false
		for _, st := range c.in {
			allowed = allowed || st == e.srv.state
		}
		if !allowed {
			req.Refused = WrongState
		}
	}
	if req.Refused == "" && len(c.mapOps) > 0 {
		e.registers(c, &req, inc.Rec)
	}
	return req, true
}

// registers turns a register command into what it asks for.
func (e *End) registers(c *command, req *Request, rec *Record) {
	o := c.mapOps[0]
	first, count, ok := o.window(rec, nil)
	switch {
	case !ok, count < 1, count*o.table.word > o.longest:
		req.Refused = IllegalValue
		return
	case !c.writesMaps:
		if !o.table.readable(first, count) {
			req.Refused = IllegalAddress
		}
		return
	}
	if rec.invalid {
		req.Refused = IllegalValue
		return
	}
	lines, ok := o.table.writable(first, count)
	if !ok {
		req.Refused = IllegalAddress
		return
	}
	for i, l := range lines {
		a := Assign{Verb: "set", Channel: l.ch}
		f := &l.field[0]
		if f.term >= 0 {
			a.Setting, a.Value = e.d.terms[f.term], rec.Get(f.term, l.ch)
		}
		if l.does != "" {
			a.Verb, a.Setting = l.does, ""
			if l.whole {
				a.Channel = -1
			}
			switch l.does {
			case "preset", "press", "ack":
			default: // writing anything does it
				a.Value = Value{}
			}
		}
		if i == 0 {
			req.Verb, req.Setting, req.Channel, req.Value = a.Verb, a.Setting, a.Channel, a.Value
		} else {
			req.More = append(req.More, a)
		}
	}
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
	s := &e.srv
	c := e.d.frames[req.Frame].cmd
	if req.Refused != "" {
		out = Outcome{Reason: req.Refused}
	}
	rec := s.rec
	rec.CopyFrom(req.rec)
	if out.Rec != nil {
		rec.overlay(out.Rec)
		if t := e.d.station.term; t >= 0 {
			*rec.at(t, 0) = req.rec.Get(t, 0)
		}
		if c.writesMaps {
			rec.overlay(req.rec) // a write is answered with what was written
		}
		for _, o := range c.mapOps { // the registers asked for, whatever the gauge holds
			for _, t := range [2]Term{o.first, o.num} {
				if t >= 0 {
					*rec.at(t, 0) = req.rec.Get(t, 0)
				}
			}
		}
	}
	frame := c.reply
	if out.OK {
		s.assign(c.let, rec)
		if c.clears {
			s.queue = s.queue[:0]
		}
	} else {
		frame = c.refusal
		reason := out.Reason
		if reason == "" {
			reason = "refused"
		}
		rec.Set(e.d.Term(Error), 0, Str(reason))
		s.failed(reason, rec)
	}
	s.fill(rec)
	if req.NoReply {
		frame = NoFrame
	}
	dst, err := e.answer(dst, req, frame, rec)
	if out.OK {
		s.assign(c.then, rec)
		if c.takes && len(s.queue) > 0 {
			s.queue = s.queue[:copy(s.queue, s.queue[1:])]
		}
	}
	return dst, err
}

// answer writes a reply frame, or gathers the replies to one line of commands
// into one line (IEEE 488.2 §8.4.1: response message units are joined by ";").
func (e *End) answer(dst []byte, req Request, frame Frame, rec *Record) ([]byte, error) {
	s := &e.srv
	split := e.f.split
	if split == 0 {
		if frame == NoFrame {
			return dst, nil
		}
		return e.d.appendFramed(dst, frame, rec)
	}
	var err error
	if frame != NoFrame {
		mark := len(s.line)
		if s.parts > 0 {
			s.line = append(s.line, split)
		}
		if s.line, err = e.d.appendBody(s.line, frame, rec); err != nil {
			s.line = s.line[:mark]
		} else {
			s.parts++
		}
	}
	if req.more || s.parts == 0 {
		return dst, err
	}
	f := e.d.framings[Gauge]
	start := len(dst)
	dst = f.open(dst)
	body := len(dst)
	dst = append(dst, s.line...)
	s.line, s.parts = s.line[:0], 0
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

// States of a handshake.

type state struct {
	name  string
	rules []rule
}

type rule struct {
	on      Frame
	when    uint8
	after   time.Duration
	send    Frame
	hold    bool
	release bool
	resend  bool
	drop    bool
	atMost  int
	els     int
	goTo    int // −1: stay
}

const (
	onFrame uint8 = iota
	onEmission
	onGarbage
	onTime
)

// State is the name of the handshake's state, "" when the dialect has none.
func (e *End) State() string {
	if len(e.d.states) == 0 {
		return ""
	}
	return e.d.states[e.srv.state].name
}

// Emit writes a frame the gauge sends on its own, or lets it wait for the
// handshake; what is sent later comes out of Outgoing.
func (e *End) Emit(dst []byte, f Frame, rec *Record, at time.Duration) ([]byte, error) {
	if !e.d.owns(rec) {
		return dst, errForeign
	}
	s := &e.srv
	s.fill(rec)
	if len(e.d.states) == 0 {
		return e.d.AppendFrame(dst, f, rec)
	}
	if len(s.held) == maxHeld {
		return dst, ErrBusy
	}
	frame, err := e.d.AppendFrame(nil, f, e.d.addressed(f, rec))
	if err != nil {
		return dst, err
	}
	s.now = at
	s.held = append(s.held, frame)
	s.pump(e)
	return e.Outgoing(dst), nil
}

// Held is how many frames wait for the handshake. They go, or are given up, in
// the order they were given to Emit.
func (e *End) Held() int { return len(e.srv.held) }

// Outgoing appends the bytes the handshake wants to send now.
func (e *End) Outgoing(dst []byte) []byte {
	dst = append(dst, e.srv.out...)
	e.srv.out = e.srv.out[:0]
	return dst
}

// pump starts the handshake when a frame waits and the state takes one.
func (s *server) pump(e *End) {
	for range maxHeld {
		if len(s.held) == 0 || !s.apply(e, func(r *rule) bool { return r.when == onEmission }) {
			return
		}
	}
}

// apply carries out the first rule of the state that fits.
func (s *server) apply(e *End, fits func(*rule) bool) bool {
	rules := s.d.states[s.state].rules
	for i := range rules {
		r := &rules[i]
		if !fits(r) {
			continue
		}
		if r.atMost > 0 {
			if s.tries[i]++; s.tries[i] > r.atMost {
				if r.drop {
					s.takeHeld()
				}
				s.enter(r.els)
				return true
			}
		}
		switch {
		case r.resend:
			s.out = append(s.out, s.sent...)
		case r.release || r.when == onEmission && !r.hold && !r.drop:
			if len(s.held) > 0 {
				s.sent = append(s.sent[:0], s.held[0]...)
				s.takeHeld()
				s.out = append(s.out, s.sent...)
			}
		}
		if r.drop && r.atMost == 0 {
			s.takeHeld()
		}
		if r.send != NoFrame {
			s.rec.Reset()
			s.fill(s.rec)
			if out, err := s.d.appendFramed(s.out, r.send, s.d.addressed(r.send, s.rec)); err == nil {
				s.out = out
			}
		}
		if r.when == onTime {
			s.since = s.now
		}
		if r.goTo >= 0 {
			s.enter(r.goTo)
		}
		return true
	}
	return false
}

func (s *server) takeHeld() {
	if len(s.held) > 0 {
		s.held = append(s.held[:0], s.held[1:]...)
	}
}

func (s *server) enter(to int) {
	s.since = s.now
	if to != s.state || s.tries == nil {
		s.state = to
		s.tries = s.tries[:0]
		if len(s.d.states) > 0 {
			s.tries = append(s.tries, make([]int, len(s.d.states[to].rules))...)
		}
	}
}

func (s *server) arrived(e *End, inc Incoming) {
	if len(s.d.states) == 0 || e.side != Gauge {
		return
	}
	s.now = e.last
	s.apply(e, func(r *rule) bool { return r.when == onFrame && r.on == inc.Frame })
	s.pump(e)
}

func (s *server) garbage(e *End) {
	if e.side != Gauge {
		return
	}
	if s.d.errors != nil {
		s.rec.Reset()
		if e.reason == "" {
			e.reason = Unknown
		}
		s.failed(e.reason, s.rec)
		e.reason = ""
	}
	if len(s.d.states) > 0 {
		s.now = e.last
		s.apply(e, func(r *rule) bool { return r.when == onGarbage })
		s.pump(e)
	}
}

func (s *server) deadline() (at time.Duration, ok bool) {
	if len(s.d.states) == 0 {
		return 0, false
	}
	for _, r := range s.d.states[s.state].rules {
		if r.when == onTime && (!ok || s.since+r.after < at) {
			at, ok = s.since+r.after, true
		}
	}
	return at, ok
}

func (s *server) timeout(e *End, at time.Duration) {
	if len(s.d.states) == 0 {
		return
	}
	s.now = max(s.now, at)
	s.apply(e, func(r *rule) bool { return r.when == onTime && at >= s.since+r.after })
	s.pump(e)
}
