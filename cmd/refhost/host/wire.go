package host

import (
	"bytes"
	"errors"
	"fmt"
	"math/big"
	"slices"
	"strconv"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/uart"
	"example.org/understudy/sim/wire"
)

// talker speaks one gauge's dialect: bytes become messages and answers,
// writes become bytes.
type talker struct {
	gauge    *gauge
	defects  defects
	dialect  *wire.Dialect
	frames   []wire.FrameInfo
	carries  []bool // the frame, by index, always carries a reading, if only a void one
	ack, nak []byte // what the host answers to the gauge's own frames, where it must
	out      []byte // to be sent
	end      *wire.End
	asked    expects // what answers the command sent last
	messages []message
	answers  []answer

	reading, unit, zone, void, tag, tagged, channel, low, cell, fault, identity wire.Term
}

// answer is a gauge's answer to a command.
type answer struct {
	refused  string
	identity string // who it says it is
}

// expects says which frames answer a command: NoFrame when none does, anyReply
// when the dialect does not let it be known beforehand.
type expects struct{ reply, refusal wire.Frame }

const anyReply = wire.NoFrame - 1

func newTalker(g *gauge, d defects) *talker {
	dialect := g.dialect
	t := &talker{gauge: g, defects: d, dialect: dialect, frames: dialect.Frames(), asked: expects{wire.NoFrame, wire.NoFrame}}
	for name, term := range map[string]*wire.Term{wire.Reading: &t.reading, wire.Unit: &t.unit, wire.Zone: &t.zone, wire.Void: &t.void,
		wire.Tag: &t.tag, wire.Tagged: &t.tagged, wire.Channel: &t.channel, wire.Low: &t.low, wire.Cell: &t.cell, wire.Error: &t.fault} {
		*term = dialect.Term(name)
	}
	t.identity = dialect.Term(dialect.Identity())
	for i, f := range t.frames {
		sample, _, _ := dialect.Sample(wire.Frame(i))
		t.carries = append(t.carries, (slices.Contains(f.Sent, "reading") || slices.Contains(f.Sent, "tag")) && sample.Get(t.reading, 0).Kind != wire.Absent)
		if f.From != wire.Host {
			continue
		}
		switch b, err := dialect.AppendRequest(nil, f.Name, dialect.NewRecord()); {
		case err != nil:
		case string(b) == "\x06":
			t.ack = b
		case string(b) == "\x15":
			t.nak = b
		}
	}
	t.reset()
	return t
}

func (t *talker) has(defect string) bool { return t.defects[defect] }

// reset forgets the bytes in hand: they went down with the line.
func (t *talker) reset() {
	t.out = nil
	t.end = t.dialect.NewEnd(wire.Host)
	if line, err := uart.Parse(t.gauge.Line.String()); err == nil {
		t.end.SetLine(line)
	}
}

func (t *talker) receive(p []byte, at time.Duration) {
	if t.has("split-frame-lost") {
		t.reset()
	}
	t.end.Receive(p, at, t.incoming)
}

func (t *talker) quiet(at time.Duration) { t.end.Quiet(at, t.incoming) }

func (t *talker) deadline() (time.Duration, bool) { return t.end.Deadline() }

// taken returns what was decoded since it was called before.
func (t *talker) taken() (ms []message, as []answer) {
	ms, as = t.messages, t.answers
	t.messages, t.answers = nil, nil
	return ms, as
}

// outgoing returns what the host must answer since it was called before.
func (t *talker) outgoing() []byte {
	out := t.out
	t.out = nil
	return out
}

func (t *talker) incoming(inc wire.Incoming) {
	if inc.Garbage != nil && inc.BadChecksum && t.has("checksum-ignored") {
		inc = t.despiteCheck(inc)
	}
	if inc.Garbage != nil {
		t.out = append(t.out, t.nak...)
		return // noise on the line
	}
	if len(inc.Raw) > 1 || string(inc.Raw) == "\x05" {
		// ISO 1745: an enquiry and a text are acknowledged.
		t.out = append(t.out, t.ack...)
	}
	switch f := inc.Frame; {
	case f == t.asked.refusal:
		t.answers = append(t.answers, answer{refused: inc.Rec.Get(t.fault, 0).String()})
	case f == t.asked.reply, t.asked.reply == anyReply && slices.Contains(t.frames[f].Sent, "reply"):
		t.answers = append(t.answers, answer{identity: inc.Rec.Get(t.identity, 0).Text})
	}
	m := message{}
	if low := inc.Rec.Get(t.low, 0); low.Kind == wire.Flag {
		is := low.True()
		m.low = &is
	} else if cell := inc.Rec.Get(t.cell, 0); cell.Kind == wire.Number && t.low < 0 {
		is := cell.Num.Cmp(decimal.New(lowPercent, 0)) <= 0
		m.low = &is
	}
	if n, whole := inc.Rec.Get(t.tag, 0).Num.Int64(); whole && inc.Rec.Get(t.tag, 0).Kind == wire.Number {
		m.number, m.tagged = &n, true
	}
	if f := inc.Rec.Get(t.tagged, 0); f.Kind == wire.Flag {
		if m.tagged = f.True(); !m.tagged {
			m.number = nil
		}
	}
	for ch := range inc.Rec.Groups() {
		if r, ok := t.readingOf(inc, ch); ok {
			m.readings = append(m.readings, r)
		}
	}
	if len(m.readings) > 0 || m.low != nil || m.tagged {
		t.messages = append(t.messages, m)
	}
}

// despiteCheck reads a frame whose check is wrong as if it were right. Where
// the dialect does not hand the frame out, it puts the right check in.
func (t *talker) despiteCheck(inc wire.Incoming) wire.Incoming {
	if inc.Rec != nil {
		inc.Garbage = nil
		return inc
	}
	raw := slices.Clone(inc.Raw)
	for _, s := range t.dialect.Annotate(raw, wire.Gauge) {
		size := s.End - s.Start
		if s.Good || size > 2 {
			continue
		}
		for sum := range 1 << (8 * size) {
			for i := range size {
				raw[s.Start+i] = byte(sum >> (8 * i))
			}
			t.dialect.NewEnd(wire.Host).Receive(raw, 0, func(right wire.Incoming) {
				if right.Garbage == nil {
					inc = right
				}
			})
			if inc.Garbage == nil {
				break
			}
		}
	}
	return inc
}

// lowPercent is the charge at which a cell counts as low where the dialect has
// no flag for it (common practice, no source).
const lowPercent = 10

// readingOf is what a frame says of one channel group, if it says anything.
func (t *talker) readingOf(inc wire.Incoming, group int) (reading, bool) {
	get := func(term wire.Term) wire.Value {
		if v := inc.Rec.Get(term, group); v.Kind != wire.Absent || group == 0 {
			return v
		}
		return inc.Rec.Get(term, 0) // said once for all channels
	}
	v, why := inc.Rec.Get(t.reading, group), inc.Rec.Get(t.void, group)
	r := reading{channel: group, unit: *t.gauge.Unit, assumed: true, zone: inc.Rec.Get(t.zone, group).Text}
	switch {
	case v.Kind == wire.Number:
		r.void = why.Kind == wire.Text && why.Text != "none"
		r.value = exact(v.Num)
	case why.Kind == wire.Text, r.zone == "void", t.carries[inc.Frame]:
		r.void = true
	default:
		return reading{}, false
	}
	switch id := inc.Rec.Get(t.channel, group); id.Kind {
	case wire.Number:
		n, _ := id.Num.Int64()
		r.channel = int(n) - 1
	case wire.Text:
		r.channel = slices.IndexFunc(t.gauge.Channels, func(c channel) bool { return c.Name == id.Text })
	}
	if r.channel < 0 || r.channel >= len(t.gauge.Channels) {
		return reading{}, false // a channel the job does not name
	}
	if u := get(t.unit); u.Kind == wire.Text {
		r.assumed = false
		if r.unit.UnmarshalText([]byte(u.Text)) != nil {
			return reading{}, false
		}
	}
	if v.Num.Sign() < 0 && t.has("sign-not-extended") {
		r.value.Add(r.value, t.wholeRange(inc.Raw, group, v.Num))
	}
	return r, true
}

// command appends the bytes of a write to dst. silent is true when the dialect
// answers nothing to it. Of the dialect's commands it takes the one that a
// gauge reads as what is meant, which it finds out by reading it as a gauge.
func (t *talker) command(dst []byte, w write) (out []byte, silent bool, err error) {
	var why []error
	for _, named := range []bool{true, false} { // a command that names the channel goes first
		for _, f := range t.frames {
			if f.From != wire.Host {
				continue
			}
			for _, rec := range t.ways(w) {
				out, err := t.end.AppendRequest(dst, f.Name, rec)
				if err != nil {
					if named && f.Verb == w.Verb {
						why = append(why, err)
					}
				} else if t.understood(out[len(dst):], w, named) {
					return out, t.asked.reply == wire.NoFrame, nil
				}
			}
		}
	}
	return dst, false, errors.Join(append(why, fmt.Errorf("dialect %s has no command for it", t.dialect.Name()))...)
}

// ways are the records in which a write may be put: the value and the channel
// as a number or as a text, under the terms a dialect may use for them.
func (t *talker) ways(w write) (recs []*wire.Record) {
	values := []wire.Value{wire.Str(w.To)}
	switch n, err := decimal.Parse(w.To); {
	case err == nil:
		values = []wire.Value{wire.Num(n), wire.Str(w.To)}
	case w.To == "on", w.To == "yes", w.To == "off", w.To == "no":
		values = append(values, wire.Bool(w.To == "on" || w.To == "yes"))
	case w.To == "":
		values[0] = wire.Value{}
	}
	channels := []wire.Value{{}}
	if w.Channel != "" {
		channels = []wire.Value{wire.Int(int64(t.channelIndex(w.Channel)) + 1), wire.Str(w.Channel)}
	}
	for _, value := range values {
		for _, ch := range channels {
			rec := t.dialect.NewRecord()
			rec.Set(t.dialect.Term(wire.SettingName), 0, wire.Str(w.Setting))
			for _, name := range []string{wire.SettingTo, w.Setting, w.Verb} {
				rec.Set(t.dialect.Term(name), 0, value)
			}
			if w.Verb == "preset" {
				rec.Set(t.dialect.Term(wire.Datum), 0, value)
			}
			rec.Set(t.channel, 0, ch)
			recs = append(recs, rec)
		}
	}
	return recs
}

func (t *talker) channelIndex(name string) int {
	return slices.IndexFunc(t.gauge.Channels, func(c channel) bool { return c.Name == name })
}

// understood reads a command as the gauge does and reports whether it says
// what the write means. It notes what the gauge will answer.
func (t *talker) understood(command []byte, w write, named bool) (ok bool) {
	gauge := t.dialect.NewEnd(wire.Gauge)
	read := func(inc wire.Incoming) {
		req, is := gauge.Request(inc)
		ch := -1
		if w.Channel != "" && named {
			ch = t.channelIndex(w.Channel)
		}
		if !is || req.Refused != "" || req.Verb != w.Verb || req.Setting != w.Setting || req.Channel > 0 && req.Channel != ch || named && req.Channel != ch {
			return
		}
		if w.To != "" && req.Value.String() != w.To {
			if n, err := decimal.Parse(w.To); err != nil || !wire.Num(n).Same(req.Value) {
				return
			}
		}
		ok = true
		t.asked = expects{t.answerTo(req, wire.Outcome{OK: true}), t.answerTo(req, wire.Outcome{Reason: "refused"})}
	}
	gauge.Receive(command, 0, read)
	gauge.Quiet(time.Hour, read)
	return ok
}

// answerTo finds out which frame a gauge answers with, by answering.
func (t *talker) answerTo(req wire.Request, out wire.Outcome) wire.Frame {
	bytes, err := t.dialect.NewEnd(wire.Gauge).AppendReply(nil, req, out)
	if err != nil { // it holds values that only the gauge has
		suffix := "-reply"
		if !out.OK {
			suffix = "-refusal"
		}
		if f := t.dialect.FrameNamed(t.frames[req.Frame].Name + suffix); f != wire.NoFrame || !out.OK {
			return f
		}
		return anyReply
	}
	answer := wire.NoFrame
	host := t.dialect.NewEnd(wire.Host)
	read := func(inc wire.Incoming) { answer = inc.Frame }
	host.Receive(bytes, 0, read)
	host.Quiet(time.Hour, read)
	return answer
}

// exact is a number that was received.
func exact(d decimal.Decimal) *big.Rat {
	r, _ := new(big.Rat).SetString(d.String())
	return r
}

// wholeRange is what the whole range of a binary number field is worth, in the
// reading's unit; 0 for a number in text.
func (t *talker) wholeRange(raw []byte, group int, v decimal.Decimal) *big.Rat {
	for _, s := range t.dialect.Annotate(raw, wire.Gauge) {
		if s.Field != wire.Reading && s.Field != wire.Reading+"/"+strconv.Itoa(group+1) {
			continue
		}
		if _, err := parseNumber(string(bytes.TrimSpace(raw[s.Start:s.End]))); err == nil || s.End-s.Start > 7 {
			break
		}
		step := tenth(-v.Exponent())
		return step.Mul(step, new(big.Rat).SetInt64(1<<(8*(s.End-s.Start))))
	}
	return new(big.Rat)
}
