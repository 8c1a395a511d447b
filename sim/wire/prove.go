package wire

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/strict"
	"example.org/understudy/sim/uart"
)

// Use is what a gauge does with a dialect, as far as a proof needs it. The zero
// value is any gauge.
type Use struct {
	Channels   int
	Unit       string
	Resolution decimal.Decimal
	Most       decimal.Decimal // the greatest reading, of either sign
	Signed     bool            // readings may be negative
	Rate       decimal.Decimal // readings a second that are streamed; 0 none
	Line       uart.Settings   // how the line is set; the dialect's unless given
}

// Flaw is something a proof found.
type Flaw struct {
	Pos     strict.Pos // of the frame or state in the file
	What    string
	Warning bool // it may be meant so
}

// Proof is what was found of a dialect.
type Proof struct {
	Flaws     []Flaw
	Unchecked map[string]int // frames that may be damaged in one byte without it being seen: how many bytes in a hundred
}

// Err is what has to be put right, as an error of type strict.Errors.
func (p Proof) Err() error {
	var errs strict.Errors
	for _, f := range p.Flaws {
		if !f.Warning {
			errs = append(errs, strict.Error{Pos: f.Pos, Msg: f.What})
		}
	}
	if len(errs) == 0 {
		return nil
	}
	return errs
}

// Prove has a dialect show itself: every message of the gauge is written with
// extremes, voids and several channels, read back, read in pieces and twice in a
// row, and read with each byte damaged; every state is stepped through; and the
// stream is weighed against the line. It finds nothing in a dialect that is
// right.
func (d *Dialect) Prove(use Use) Proof {
	p := prover{d: d, use: use, proof: Proof{Unchecked: map[string]int{}}}
	for i := range d.frames {
		p.frame(Frame(i))
	}
	p.conversation()
	p.weigh()
	return p.proof
}

// Introduces says why a host cannot read the answer to who a gauge is, where the gauge has
// these texts for terms; nil where it can, or the dialect has no such command.
func (d *Dialect) Introduces(says map[string]string) error {
	p := prover{d: d}
	for i := range d.frames {
		c := d.frames[i].cmd
		if c == nil || c.Does != "identify" || c.reply == NoFrame {
			continue
		}
		rec, _, _ := d.Sample(c.reply)
		for term, text := range says {
			rec.Set(d.Term(term), 0, Str(text))
		}
		raw, err := d.AppendFrame(nil, c.reply, d.addressed(rec))
		if err != nil {
			return err
		}
		if what := p.reads(c.reply, rec, raw); what != "" {
			return errors.New(what)
		}
	}
	return nil
}

type prover struct {
	d     *Dialect
	use   Use
	proof Proof
}

func (p *prover) flaw(pos strict.Pos, format string, args ...any) {
	f := Flaw{Pos: pos, What: fmt.Sprintf(format, args...)}
	if !slices.Contains(p.proof.Flaws, f) {
		p.proof.Flaws = append(p.proof.Flaws, f)
	}
}

// frame proves one message.
func (p *prover) frame(f Frame) {
	fr := &p.d.frames[f]
	sent, certain := 0, p.use.Channels > 0 && contains(fr.sent, "reading")
	var why error
	for _, rec := range p.records(f) {
		raw, err := p.d.AppendFrame(nil, f, rec)
		if err != nil {
			why = err
			if certain {
				p.flaw(fr.pos, "%v", err)
			}
			continue
		}
		sent++
		if what := p.reads(f, rec, raw); what != "" {
			p.flaw(fr.pos, "%s cannot be read back: %s", fr.name, what)
			return
		}
		if sent == 1 && fr.from == Gauge {
			p.damage(f, raw)
		}
	}
	if sent == 0 {
		p.flaw(fr.pos, "%s cannot be sent with any value tried: %v", fr.name, why)
	}
}

// records are the values that a message is tried with.
func (p *prover) records(f Frame) (list []*Record) {
	channels := []int{1, 2, 8}
	if p.use.Channels > 0 {
		channels = []int{p.use.Channels}
	} else if !p.d.Grouped(f) {
		channels = channels[:1]
	}
	step, most := decimal.New(1, -3), decimal.New(8015, -3)
	if p.use.Channels > 0 {
		step, most = p.use.Resolution, p.use.Most
	}
	readings := []Value{Num(step), Num(most), Num(decimal.New(0, step.Exponent()))}
	if p.use.Signed || p.use.Channels == 0 {
		readings = append(readings, Num(most.Neg()))
	}
	for _, n := range channels {
		for _, v := range readings {
			list = append(list, p.record(f, n, v, "none"))
		}
		for _, void := range []string{"under", "over", "missing", "empty"} {
			list = append(list, p.record(f, n, Value{}, void))
		}
	}
	return list
}

// record is a sample with a reading in every channel.
func (p *prover) record(f Frame, channels int, reading Value, void string) *Record {
	rec, _, _ := p.d.Sample(f)
	rec.Channels(channels)
	s := sampler{d: p.d, rec: rec, groups: channels}
	for _, i := range p.d.together(f) {
		s.fields(p.d.frames[i].nodes)
	}
	for ch := range channels {
		rec.Set(p.d.Term(Reading), ch, reading)
		rec.Set(p.d.Term(Void), ch, Str(void))
		rec.Set(p.d.Term(Channel), ch, Int(int64(ch+1)))
		if reading.Kind == Absent {
			rec.Set(p.d.Term(Zone), ch, Str("void"))
		}
		if p.use.Unit != "" {
			rec.Set(p.d.Term(Unit), ch, Str(p.use.Unit))
		}
	}
	rec.Set(p.d.Term(Channels), 0, Int(int64(channels)))
	return p.d.addressed(rec)
}

// reads says what is wrong with how a message reads back, whole, in pieces and
// twice in a row.
func (p *prover) reads(f Frame, rec *Record, raw []byte) string {
	d := p.d
	rec.Watch(allTerms(d)...)
	raw, _ = d.AppendFrame(raw[:0], f, rec)
	for _, how := range []string{"whole", "in pieces", "twice in a row"} {
		var wrong string
		good, each := 0, 1
		if d.frames[f].per {
			each = rec.channels
		}
		messages := each
		e := d.NewEnd(d.frames[f].from.other())
		p.asked(e, f, rec)
		see := func(inc Incoming) {
			switch {
			case inc.Garbage != nil:
				wrong = inc.Garbage.Error()
			case inc.Frame != f:
				wrong = "it reads as " + d.frames[inc.Frame].name
			default:
				wrong = p.differs(&d.frames[f], rec, inc.Rec, good%each)
			}
			good++
		}
		switch how {
		case "in pieces":
			for i := range raw {
				e.Receive(raw[i:i+1], 0, see)
			}
			e.hear(see)
		case "twice in a row":
			messages *= 2
			p.asked(e, f, rec)
			e.hear(see, raw, raw)
		default:
			e.hear(see, raw)
		}
		if wrong == "" && good != messages {
			wrong = fmt.Sprintf("%d messages are read of %d", good, messages)
		}
		if wrong != "" {
			return fmt.Sprintf("% X, %s: %s", raw, how, wrong)
		}
	}
	return ""
}

func allTerms(d *Dialect) (list []Term) {
	for t := range d.terms {
		list = append(list, Term(t))
	}
	return list
}

// asked tells an end that the command was asked whose reply the frame is.
func (p *prover) asked(e *End, f Frame, rec *Record) {
	for i := p.d.gaugeFrames; i < len(p.d.frames); i++ {
		if c := p.d.frames[i].cmd; c.reply == f || c.refusal == f {
			e.Asked(Frame(i), rec)
			return
		}
	}
}

// differs compares what a message carries with what was read.
func (p *prover) differs(fr *frame, sent, got *Record, message int) string {
	for _, c := range sent.carried {
		ch := c.ch
		if fr.per {
			if ch != message {
				continue
			}
			ch = 0
		}
		if v := got.Get(c.term, ch); !v.Same(c.val) {
			return fmt.Sprintf("%s is read as %s, not %s", p.d.terms[c.term], v, c.val)
		}
	}
	return ""
}

// damage has each byte of a message damaged, and counts where that goes unseen.
func (p *prover) damage(f Frame, raw []byte) {
	unseen := 0
	for i := range raw {
		bad := bytes.Clone(raw)
		bad[i] ^= 1
		if !p.d.Spoils(bad, raw) {
			unseen++
		}
	}
	if unseen > 0 {
		p.proof.Unchecked[p.d.frames[f].name] = (100*unseen + len(raw) - 1) / len(raw)
	}
}

// weigh compares what is streamed with what the line carries.
func (p *prover) weigh() {
	line := p.use.Line
	if line.Baud == 0 {
		line = p.d.line
	}
	f := p.d.FrameFor("reading")
	if f == NoFrame || p.use.Rate.Sign() <= 0 {
		return
	}
	rec := p.record(f, max(p.use.Channels, 1), Num(p.use.Most), "none")
	rec.Set(p.d.Term(Tag), 0, Value{})
	rec.Set(p.d.Term(Tagged), 0, Bool(false))
	raw, err := p.d.NewEnd(Gauge).Preview(nil, f, rec)
	if err != nil {
		return // found above
	}
	size := len(raw)
	if !p.d.Grouped(f) {
		size *= max(p.use.Channels, 1) // a message for each channel
	}
	need := p.use.Rate.Mul(decimal.New(int64(float64(size)*line.BitsPerChar()), 0))
	baud := decimal.New(int64(line.Baud), 0)
	switch {
	case need.Cmp(baud) > 0:
		p.flaw(p.d.frames[f].pos, "%s readings a second of %d bytes take %s bit/s, and the line carries %d", p.use.Rate, size, need, line.Baud)
	case need.Cmp(baud.Mul(decimal.New(8, -1))) > 0:
		p.proof.Flaws = append(p.proof.Flaws, Flaw{Pos: p.d.frames[f].pos, Warning: true,
			What: fmt.Sprintf("%s readings a second of %d bytes take %s of the %d bit/s that the line carries", p.use.Rate, size, need, line.Baud)})
	}
}

// talkStep is something that happens to a conversation.
type talkStep struct {
	name string
	do   func(e *End, at time.Duration)
}

// conversation steps through the states: every way that a few events lead.
func (p *prover) conversation() {
	d := p.d
	if len(d.states) == 0 {
		return
	}
	steps := p.steps()
	type node struct {
		path []int
		key  string
	}
	begin := d.NewEnd(Gauge)
	queue := []node{{nil, p.key(begin)}}
	seen := map[string]bool{queue[0].key: true}
	next := map[string]map[string]bool{} // where each leads
	states := map[string]bool{begin.State(): true}
	const most = 400
	for i := 0; i < len(queue) && i < most; i++ {
		n := queue[i]
		next[n.key] = map[string]bool{}
		for s := range steps {
			e := d.NewEnd(Gauge)
			at := time.Duration(0)
			for _, k := range append(n.path[:len(n.path):len(n.path)], s) {
				at += time.Millisecond
				if due, ok := e.talk.deadline(); ok && steps[k].name == "silence" {
					at = max(at, due)
				}
				steps[k].do(e, at)
				e.Says(24*time.Hour, func(Said) {})
			}
			if err := e.Trouble(); err != nil {
				p.flaw(p.statePos(), "in state %s a rule cannot send: %v", e.State(), err)
			}
			states[e.State()] = true
			key := p.key(e)
			next[n.key][key] = true
			if !seen[key] {
				seen[key] = true
				queue = append(queue, node{append(n.path[:len(n.path):len(n.path)], s), key})
			}
		}
	}
	for i := range d.states {
		if !states[d.states[i].name] {
			p.flaw(p.statePos(), "the state %s is never reached", d.states[i].name)
		}
	}
	p.ends(next)
}

func (p *prover) statePos() strict.Pos { return p.d.frames[0].pos }

// key is what tells one moment of a conversation from another.
func (p *prover) key(e *End) string {
	c := &e.talk
	left := 0
	if len(c.waiting) > 0 {
		left = len(c.waiting[0].messages)
	}
	return fmt.Sprint(e.State(), " ", len(c.waiting), " ", left, " ", c.tries, " ", c.numbers)
}

// steps are an emission, each command, noise and silence.
func (p *prover) steps() (list []talkStep) {
	d := p.d
	f := d.FrameFor("reading")
	list = append(list, talkStep{"silence", func(e *End, at time.Duration) { e.Quiet(at, func(Incoming) {}) }})
	if f != NoFrame {
		list = append(list, talkStep{"emission", func(e *End, at time.Duration) {
			if len(e.talk.waiting) == 0 {
				if _, err := e.Emit(nil, f, p.record(f, 2, Num(decimal.New(8015, -3)), "none"), 1, at); err != nil {
					p.flaw(p.d.frames[f].pos, "%v", err)
				}
			}
		}})
	}
	for i := d.gaugeFrames; i < len(d.frames); i++ {
		_, raw, err := d.Sample(Frame(i))
		if err != nil {
			continue
		}
		list = append(list, talkStep{d.frames[i].name, func(e *End, at time.Duration) { e.Receive(raw, at, func(Incoming) {}) }})
	}
	return list
}

// ends finds moments from which nothing leads to where nothing waits.
func (p *prover) ends(next map[string]map[string]bool) {
	calm := map[string]bool{}
	for key := range next {
		if strings.Contains(key, " 0 0 ") {
			calm[key] = true
		}
	}
	for changed := true; changed; {
		changed = false
		for key, to := range next {
			for k := range to {
				if !calm[key] && (calm[k] || next[k] == nil) {
					calm[key], changed = true, true
				}
			}
		}
	}
	stuck := map[string]bool{}
	for key := range next {
		if !calm[key] {
			state, _, _ := strings.Cut(key, " ")
			stuck[state] = true
		}
	}
	for i := range p.d.states {
		if name := p.d.states[i].name; stuck[name] {
			p.flaw(p.statePos(), "from state %s what waits is never sent nor given up, whatever the host says", name)
		}
	}
}
