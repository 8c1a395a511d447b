package wire

import (
	"errors"
	"slices"
	"time"
)

// A conversation is a state machine: what arrives, what the gauge has to say and
// time that passes set off rules, and a rule changes what is remembered, sends,
// and moves to another state. Messages are written at the moment they are sent.

type assignment struct {
	number int // which of those remembered
	expr   *expression
}

type state struct {
	name    string
	rules   []rule
	framing *framing // of what the host sends; nil: told by its first byte
}

type rule struct {
	upon   trigger
	frame  Frame // of a command
	after  time.Duration
	when   *condition
	do     action
	atMost int // 0: as often as it comes
	els    action
}

type trigger uint8

const (
	uponCommand trigger = iota
	uponEmission
	uponGarbage
	uponTime
)

type action struct {
	*doSpec
	let   []assignment
	wait  time.Duration
	speed *expression
	send  []Frame
	goTo  int // −1: stay
}

func (c *compiler) stateIndex(ptr *string) int {
	return c.lookup(ptr, len(c.spec.States), func(i int) string { return c.spec.States[i].Name }, "state", "name one of the states")
}

func (c *compiler) states() {
	reached := map[int]bool{0: true}
	for i := range c.spec.States {
		s := &c.spec.States[i]
		st := state{name: s.Name}
		if s.Framing != "" {
			st.framing = c.framingNamed(Host, &s.Framing)
		}
		for j := range s.Rules {
			r := c.rule(&s.Rules[j])
			for _, e := range st.rules {
				if e.upon == r.upon && e.frame == r.frame && e.upon != uponTime && e.when == nil {
					c.doc.Errorf(&s.Rules[j], "", "an earlier rule is set off by the same: this one is unreachable")
				}
			}
			for _, a := range []*action{&r.do, &r.els} {
				if a.goTo >= 0 {
					reached[a.goTo] = true
				}
			}
			st.rules = append(st.rules, r)
		}
		c.d.states = append(c.d.states, st)
	}
	for i := range c.spec.States {
		if !reached[i] {
			c.doc.Errorf(&c.spec.States[i].Name, "", "the state %q is unreachable: no rule goes to it", c.spec.States[i].Name)
		}
	}
}

func (c *compiler) rule(s *ruleSpec) rule {
	r := rule{frame: NoFrame, atMost: s.AtMost}
	switch {
	case s.Upon != "" && s.After != 0 || s.Upon == "" && s.After == 0:
		c.doc.Errorf(s, "write upon: or after:", "a rule needs one thing that sets it off")
	case s.After != 0:
		r.upon, r.after = uponTime, c.duration(&s.After, s.After)
	case s.Upon == "emission":
		r.upon = uponEmission
	case s.Upon == "garbage":
		r.upon = uponGarbage
	default:
		if i := c.lookup(&s.Upon, len(c.spec.Commands), func(i int) string { return c.spec.Commands[i].Name }, "command", "name a command, or write emission or garbage"); i >= 0 {
			r.frame = Frame(c.d.gaugeFrames + i)
		}
	}
	if s.If != "" {
		if e := c.expression(&s.If, s.If, Flag, nil); e != nil {
			r.when = &condition{expr: e, term: -1}
		}
	}
	r.do = c.action(&s.doSpec)
	r.els.goTo = -1
	if (s.AtMost > 0) != c.doc.Has(&s.Else) {
		c.doc.Errorf(s, "write both at-most and else", "how often and what then go together")
	} else if s.AtMost > 0 {
		r.els = c.action(&s.Else.doSpec)
	}
	return r
}

func (c *compiler) action(s *doSpec) action {
	a := action{doSpec: s, wait: c.duration(&s.Wait, s.Wait), goTo: -1}
	a.let = c.assignments(&s.Let, s.Let)
	for i := range s.Send {
		if f := c.gaugeFrame(&s.Send[i]); f != NoFrame {
			a.send = append(a.send, f)
		}
	}
	if s.Speed != "" {
		a.speed = c.expression(&s.Speed, s.Speed, Number, nil)
	}
	if s.Go != "" {
		a.goTo = c.stateIndex(&s.Go)
	}
	return a
}

// Said is one thing that a conversation does.
type Said struct {
	Bytes []byte        // what is sent; nothing when Given says that an emission was given up
	Of    int           // the number of the emission whose message it is; 0: of the conversation itself
	Last  bool          // it is the emission's last message
	Again bool          // it was sent before
	Given bool          // the emission was given up
	Baud  int           // not 0: the speed of the line from now on
	At    time.Duration // when it is due
}

// emission is what the gauge has to say: one or several messages, written when
// they are sent.
type emission struct {
	number   int
	messages []message
	rec      *Record
}

type message struct {
	frame Frame
	ch    int
}

// conversation is the gauge's end of what is said: numbers it remembers, errors
// it queues, its state and the replies of one line.
type conversation struct {
	e       *End
	numbers []int64
	queue   []errorEntry
	rec     *Record
	said    []Said // not yet taken by Says
	line    []byte // reply parts of one line of commands
	parts   int
	state   int
	since   time.Duration
	now     time.Duration
	tries   []int
	waiting []emission
	active  bool // a rule has taken up the first that waits
	last    Said // what was sent last, for resend
	answer  Answer
	trouble error
}

// maxWaiting is how many emissions wait; a further one is refused.
const maxWaiting = 16

// ErrBusy says that an emission found no place to wait.
var ErrBusy = errors.New("too many frames are waiting for the handshake")

func (c *conversation) init(e *End) {
	c.e = e
	c.rec = e.d.NewRecord()
	c.numbers = make([]int64, len(e.d.remembers))
	c.reset()
}

// PowerOn puts the end's own memory (remembered numbers, errors, the state) back
// to what it is when the gauge is switched on.
func (e *End) PowerOn() { e.talk.reset() }

func (c *conversation) reset() {
	for i, k := range c.e.d.remembers {
		c.numbers[i] = k.Start
	}
	c.queue, c.said, c.line, c.waiting = c.queue[:0], c.said[:0], c.line[:0], c.waiting[:0]
	c.parts, c.active, c.last, c.tries = 0, false, Said{}, nil
	c.enter(0)
}

// framing is what the state says of what the host sends; nil when nothing.
func (c *conversation) framing() *framing {
	if len(c.e.d.states) == 0 {
		return nil
	}
	return c.e.d.states[c.state].framing
}

// fill puts what the end remembers into a record.
func (c *conversation) fill(rec *Record) {
	d := c.e.d
	for i, k := range d.remembers {
		*rec.at(k.term, 0) = Int(c.numbers[i])
	}
	if d.left >= 0 {
		left := 0
		if c.active && len(c.waiting) > 0 {
			left = len(c.waiting[0].messages)
		}
		*rec.at(d.left, 0), *rec.at(d.waiting, 0) = Int(int64(left)), Int(int64(len(c.waiting)))
	}
	if q := d.errors; q != nil {
		oldest := q.None
		if len(c.queue) > 0 {
			oldest = c.queue[0]
		}
		rec.Set(q.code, 0, Int(oldest.Code))
		rec.Set(q.text, 0, Str(oldest.Text))
		rec.Set(q.count, 0, Int(int64(len(c.queue))))
	}
}

func (c *conversation) assign(list []assignment, rec *Record) {
	for _, a := range list {
		c.fill(rec)
		v, err := a.expr.eval(rec, 0)
		if n, ok := v.Num.Int64(); err == nil && v.Kind == Number && ok {
			c.numbers[a.number] = n
		}
	}
}

// State is the name of the conversation's state, "" when the dialect has none.
func (e *End) State() string {
	if len(e.d.states) == 0 {
		return ""
	}
	return e.d.states[e.talk.state].name
}

// Emit writes what the gauge sends on its own. In a dialect with states it waits
// for its turn instead, under the number it is given, and comes out of Says.
func (e *End) Emit(dst []byte, f Frame, rec *Record, number int, at time.Duration) ([]byte, error) {
	if !e.d.owns(rec) {
		return dst, errForeign
	}
	c := &e.talk
	c.fill(rec)
	if len(e.d.states) == 0 {
		return e.Preview(dst, f, rec)
	}
	if len(c.waiting) == maxWaiting {
		return dst, ErrBusy
	}
	if _, err := e.Preview(nil, f, rec); err != nil {
		return dst, err
	}
	m := emission{number: number, rec: e.d.NewRecord()}
	m.rec.CopyFrom(rec)
	for _, i := range e.d.together(f) {
		channels := 1
		if e.d.frames[i].per {
			channels = rec.channels
		}
		for ch := range channels {
			m.messages = append(m.messages, message{Frame(i), ch})
		}
	}
	c.now = at
	c.waiting = append(c.waiting, m)
	c.pump()
	return dst, nil
}

// Preview writes an emission as it would be sent now.
func (e *End) Preview(dst []byte, f Frame, rec *Record) ([]byte, error) {
	out := dst
	e.talk.fill(rec)
	rec.carried = rec.carried[:0]
	for _, i := range e.d.together(f) {
		var err error
		if out, err = e.d.appendEach(out, Frame(i), e.d.addressed(rec)); err != nil {
			return dst, err
		}
	}
	return out, nil
}

// Says yields, in order, what the conversation has done and what is due; what it
// has to say later is asked for again at the end's deadline.
func (e *End) Says(now time.Duration, yield func(Said)) {
	c := &e.talk
	for len(c.said) > 0 && c.said[0].At <= now {
		one := c.said[0]
		c.said = append(c.said[:0], c.said[1:]...)
		yield(one)
	}
}

// Answer is what a host's command means for the message sent last, in a state that could
// send it again.
type Answer uint8

const (
	NoAnswer Answer = iota
	Accepted        // the conversation has gone on
	Refused         // the message is sent again or given up
)

// Answered returns what the host's command that came last was to the message sent last, once.
func (e *End) Answered() Answer {
	a := e.talk.answer
	e.talk.answer = NoAnswer
	return a
}

// Trouble is why a message that a rule sends could not be written, once.
func (e *End) Trouble() error {
	err := e.talk.trouble
	e.talk.trouble = nil
	return err
}

// say adds to what the conversation does, no earlier than what it did before.
func (c *conversation) say(s Said, wait time.Duration) {
	s.At = c.now + wait
	if n := len(c.said); n > 0 {
		s.At = max(s.At, c.said[n-1].At)
	}
	if len(s.Bytes) > 0 {
		c.last = s
	}
	c.said = append(c.said, s)
}

// pump starts the conversation when an emission waits and the state takes one.
func (c *conversation) pump() {
	for range maxWaiting {
		if len(c.waiting) == 0 || !c.apply(uponEmission, nil) {
			return
		}
	}
}

// apply carries out the first rule of the state that fits.
func (c *conversation) apply(upon trigger, inc *Incoming) bool {
	if len(c.e.d.states) == 0 {
		return false
	}
	rec := c.rec
	rec.Reset()
	if inc != nil && inc.Rec != nil {
		rec.CopyFrom(inc.Rec)
	}
	rules := c.e.d.states[c.state].rules
	for i := range rules {
		r := &rules[i]
		if r.upon != upon || upon == uponCommand && r.frame != inc.Frame || upon == uponTime && c.now < c.since+r.after {
			continue
		}
		c.fill(rec)
		if r.when != nil {
			if yes, err := r.when.holds(rec, 0); err != nil || !yes {
				continue
			}
		}
		c.active = c.active || upon == uponEmission
		do := &r.do
		if c.tries[i]++; r.atMost > 0 && c.tries[i] > r.atMost {
			do = &r.els
		}
		switch {
		case upon == uponTime:
			c.since = c.now
		case upon == uponCommand && (do.Resend || do.Drop):
			c.answer = Refused
		case upon == uponCommand && slices.ContainsFunc(rules, func(r rule) bool { return r.do.Resend }):
			c.answer = Accepted
		}
		c.do(do, rec, upon == uponEmission && do == &r.do)
		return true
	}
	return false
}

// do carries out an action, in the order that the language says.
func (c *conversation) do(a *action, rec *Record, emission bool) {
	c.assign(a.let, rec)
	if a.Drop {
		c.giveUp()
	}
	wait := a.wait
	if a.speed != nil {
		c.fill(rec)
		v, err := a.speed.eval(rec, 0)
		if n, ok := v.Num.Int64(); err == nil && ok && n >= 50 && n <= 4_000_000 {
			c.say(Said{Baud: int(n)}, wait)
		}
	}
	switch {
	case a.Resend:
		if again := c.last; len(again.Bytes) > 0 {
			again.Again = true
			c.say(again, wait)
		}
	case a.Free || emission && !a.Hold && !a.Drop:
		c.release(wait)
	}
	for _, f := range a.send {
		c.send(f, rec, wait)
	}
	if a.goTo >= 0 {
		c.enter(a.goTo)
	}
}

// giveUp drops the emission that a rule has taken up.
func (c *conversation) giveUp() {
	if c.active && len(c.waiting) > 0 {
		c.say(Said{Of: c.waiting[0].number, Given: true}, 0)
		c.shift()
	}
}

func (c *conversation) shift() {
	c.waiting = append(c.waiting[:0], c.waiting[1:]...)
	c.active = false
}

// release sends the next message of the emission.
func (c *conversation) release(wait time.Duration) {
	if len(c.waiting) == 0 {
		return
	}
	c.active = true
	m := &c.waiting[0]
	next := m.messages[0]
	m.messages = m.messages[1:]
	c.fill(m.rec)
	out, err := c.e.d.appendMessage(nil, next.frame, c.e.d.addressed(m.rec), next.ch)
	if err != nil {
		c.trouble = err
	}
	last := len(m.messages) == 0
	c.say(Said{Bytes: out, Of: m.number, Last: last, Given: err != nil}, wait)
	if last || err != nil {
		c.shift()
	}
}

// send writes a message of the conversation's own, with the command's values,
// else those of the emission, else the gauge's present ones.
func (c *conversation) send(f Frame, rec *Record, wait time.Duration) {
	d := c.e.d
	values := d.NewRecord()
	if c.e.Fill != nil {
		c.e.Fill(values)
	}
	if len(c.waiting) > 0 {
		values.overlay(c.waiting[0].rec)
	}
	values.overlay(rec)
	c.fill(values)
	out, err := d.AppendFrame(nil, f, d.addressed(values))
	if err != nil {
		c.trouble = err
		return
	}
	c.say(Said{Bytes: out}, wait)
}

func (c *conversation) enter(to int) {
	c.since = c.now
	c.state, c.tries = to, nil
	if len(c.e.d.states) > 0 {
		c.tries = make([]int, len(c.e.d.states[to].rules))
	}
}

// arrived judges what came and lets the state take notice of it. A command that
// is not obeyed in this state does not move it.
func (c *conversation) arrived(inc *Incoming) {
	d := c.e.d
	if inc.Garbage != nil {
		if d.errors != nil {
			c.rec.Reset()
			reason := c.e.reason
			if reason == "" {
				reason = Unknown
			}
			c.failed(reason, c.rec)
		}
		c.e.reason = ""
	}
	if len(d.states) == 0 {
		return
	}
	c.now = c.e.last
	upon := uponGarbage
	if inc.Garbage == nil {
		upon = uponCommand
		if cmd := d.frames[inc.Frame].cmd; cmd != nil && len(cmd.in) > 0 {
			inc.wrongState = true
			for _, st := range cmd.in {
				inc.wrongState = inc.wrongState && st != c.state
			}
		}
	}
	if inc.wrongState || !c.e.forUs(inc) {
		return
	}
	c.apply(upon, inc)
	c.pump()
}

func (c *conversation) deadline() (at time.Duration, ok bool) {
	if len(c.e.d.states) == 0 {
		return 0, false
	}
	if len(c.said) > 0 {
		at, ok = c.said[0].At, true
	}
	for i := range c.e.d.states[c.state].rules {
		r := &c.e.d.states[c.state].rules[i]
		if r.upon == uponTime && (!ok || c.since+r.after < at) {
			at, ok = c.since+r.after, true
		}
	}
	return at, ok
}

func (c *conversation) timeout(at time.Duration) {
	if len(c.e.d.states) > 0 {
		c.now = max(c.now, at)
		c.apply(uponTime, nil)
		c.pump()
	}
}

// Awaits appends what a host says to let a conversation go on when all is well: the
// command of the first rule of the present state that neither gives up nor repeats a
// message; or, where the message was corrupted on its way, that repeats it. ok is false
// when the state waits for no host.
func (e *End) Awaits(dst []byte, corrupted bool) (out []byte, ok bool) {
	if e.side != Gauge || len(e.d.states) == 0 {
		return dst, false
	}
	for i := range e.d.states[e.talk.state].rules {
		r := &e.d.states[e.talk.state].rules[i]
		if r.upon != uponCommand || r.do.Resend != corrupted || r.do.Drop {
			continue
		}
		if out, err := e.d.AppendRequest(dst, e.d.frames[r.frame].name, e.d.NewRecord()); err == nil {
			return out, true
		}
	}
	return dst, false
}
