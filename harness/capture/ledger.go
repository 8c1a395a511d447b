package capture

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/wire"
	"example.org/understudy/sim/zone"
)

// Message is one frame that was heard, or bytes that are none.
type Message struct {
	From  wire.Side
	Start time.Duration // when its first byte was heard
	At    time.Duration // when it was whole
	Frame wire.Frame    // wire.NoFrame for bytes that are none
	Name  string        // of the frame
	Raw   []byte        // framing included; good until the function that was given it returns
	Rec   *wire.Record  // as Raw; nil when Garbage is not

	Garbage  error // why the bytes are no frame
	BadCheck bool  // they are like a frame, but its check does not match

	Cause    ledger.Cause // of a frame of the gauge
	Answers  int          // number of the host's message that a frame of the gauge answers, from 1; 0: none
	Number   int          // of the host's message, from 1
	Request  wire.Request // of the host's message, where Asks
	Asks     bool         // the host's message asks something of the gauge
	Tag      *int64       // number of a tagged reading
	Readings []ledger.Reading
	Low      bool // the frame says that the cell is low
}

// answerWithin is how long a gauge may take to answer; what comes later is not
// taken for the answer.
const answerWithin = 2 * time.Second

// Decoder finds the messages of one line with the help of a dialect. What a
// frame does not say of a reading stands in it as follows, because a listener
// knows no truth: the true size and the unrounded value are the value shown,
// the unit is Unit.
type Decoder struct {
	Unit decimal.Unit // of readings whose frames do not say it; mm at first

	d        *wire.Dialect
	gauge    *wire.End // receives what the host sends
	host     *wire.End // receives what the gauge sends
	yield    func(Message)
	asked    []pending
	count    int
	infos    []wire.FrameInfo
	reading  wire.Term
	unit     wire.Term
	zone     wire.Term
	void     wire.Term
	function wire.Term
	channel  wire.Term
	tag      wire.Term
	tagged   wire.Term
	low      wire.Term
}

// pending is what the host asked and the gauge has not answered.
type pending struct {
	number int
	verb   string
	at     time.Duration
}

// NewDecoder starts decoding; yield is given every message in order.
func NewDecoder(d *wire.Dialect, yield func(Message)) *Decoder {
	return &Decoder{Unit: decimal.MM, d: d, gauge: d.NewEnd(wire.Gauge), host: d.NewEnd(wire.Host), yield: yield, infos: d.Frames(),
		reading: d.Term(wire.Reading), unit: d.Term(wire.Unit), zone: d.Term(wire.Zone), void: d.Term(wire.Void),
		function: d.Term(wire.Function), channel: d.Term(wire.Channel), tag: d.Term(wire.Tag), tagged: d.Term(wire.Tagged), low: d.Term(wire.Low)}
}

// Event takes an event of the line. Times must not go back.
func (c *Decoder) Event(e Event) {
	c.Quiet(e.At)
	switch e.Kind {
	case FromHost:
		c.gauge.Receive(e.Bytes, e.At, func(inc wire.Incoming) { c.fromHost(inc, e.At) })
	case FromGauge:
		c.host.Receive(e.Bytes, e.At, func(inc wire.Incoming) { c.fromGauge(inc, e.At) })
	case Gone:
		c.asked = nil
	}
}

// Quiet says that nothing more was heard up to a time.
func (c *Decoder) Quiet(at time.Duration) {
	for _, s := range []struct {
		end *wire.End
		to  func(wire.Incoming, time.Duration)
	}{{c.gauge, c.fromHost}, {c.host, c.fromGauge}} {
		if due, ok := s.end.Deadline(); ok && due <= at {
			s.end.Quiet(due, func(inc wire.Incoming) { s.to(inc, due) })
		}
	}
}

// End says that nothing more will be heard.
func (c *Decoder) End() { c.Quiet(1<<63 - 1) }

func (c *Decoder) message(side wire.Side, inc wire.Incoming, at time.Duration) Message {
	m := Message{From: side, Start: inc.Start, At: at, Frame: inc.Frame, Raw: inc.Raw, Garbage: inc.Garbage, BadCheck: inc.BadChecksum}
	if inc.Frame != wire.NoFrame {
		m.Name = c.infos[inc.Frame].Name
	}
	if inc.Garbage == nil {
		m.Rec = inc.Rec
	}
	return m
}

func (c *Decoder) fromHost(inc wire.Incoming, at time.Duration) {
	m := c.message(wire.Host, inc, at)
	c.count++
	m.Number = c.count
	m.Request, m.Asks = c.gauge.Request(inc)
	// A word of a handshake lets the gauge go on; it asks for nothing of its own.
	handshake := m.Request.Local && c.gauge.State() != ""
	if m.Asks && !m.Request.NoReply && !handshake {
		c.host.Asked(inc.Frame, inc.Rec)
		c.asked = append(c.asked, pending{m.Number, m.Request.Verb, at})
		if len(c.asked) > 64 {
			c.asked = slices.Delete(c.asked, 0, 1)
		}
	}
	c.yield(m)
}

func (c *Decoder) fromGauge(inc wire.Incoming, at time.Duration) {
	m := c.message(wire.Gauge, inc, at)
	if m.Garbage == nil && m.Frame != wire.NoFrame {
		m.Readings = c.readings(inc.Rec)
		if t := inc.Rec.Get(c.tag, 0); t.Kind == wire.Number {
			if n, whole := t.Num.Int64(); whole {
				m.Tag = &n
			}
		}
		m.Low = inc.Rec.Get(c.low, 0).True()
		c.cause(&m, inc.Rec)
	}
	c.yield(m)
}

// cause finds out why a frame was sent: an answer to the oldest request that
// is still open, where it can be one, or the gauge's own.
func (c *Decoder) cause(m *Message, rec *wire.Record) {
	c.asked = slices.DeleteFunc(c.asked, func(p pending) bool { return m.At-p.at > answerWithin })
	sent := c.infos[m.Frame].Sent
	own := slices.ContainsFunc(sent, func(s string) bool { return s != "reply" })
	isTag := m.Tag != nil || rec.Get(c.tagged, 0).True()
	reads := func(p pending) bool { return p.verb == "read" }
	i := -1
	if !own || len(m.Readings) > 0 && !isTag {
		i = slices.IndexFunc(c.asked, func(p pending) bool { return reads(p) == (len(m.Readings) > 0) })
		if i < 0 && !own {
			i = 0 // a refusal, or a reply that says more than was asked
		}
	}
	if i >= 0 && i < len(c.asked) {
		m.Answers, m.Cause = c.asked[i].number, ledger.Reply
		if len(m.Readings) > 0 {
			m.Cause = ledger.Asked
		}
		c.asked = slices.Delete(c.asked, i, i+1)
		return
	}
	switch {
	case isTag:
		m.Cause = ledger.Tag
	case len(m.Readings) > 0:
		m.Cause = ledger.Stream
	case slices.Contains(sent, "banner"):
		m.Cause = ledger.Banner
	case own:
		m.Cause = ledger.Status
	default:
		m.Cause = ledger.Reply
	}
}

// readings are the channels' readings in a frame; none when it carries none.
func (c *Decoder) readings(rec *wire.Record) (out []ledger.Reading) {
	if c.reading < 0 {
		return nil
	}
	for i := range rec.Groups() {
		v, why := rec.Get(c.reading, i), rec.Get(c.void, i)
		void := why.Kind == wire.Text && why.Text != "none" && why.Text != ""
		if v.Kind != wire.Number && !void {
			continue
		}
		r := ledger.Reading{Channel: channelName(i), Unit: c.Unit.Symbol(), Function: "live", Zone: zone.Inside}
		if u := rec.Get(c.unit, i); u.Kind == wire.Text {
			r.Unit = u.Text
		} else if u := rec.Get(c.unit, 0); u.Kind == wire.Text {
			r.Unit = u.Text
		}
		switch n := rec.Get(c.channel, i); n.Kind {
		case wire.Number:
			if k, whole := n.Num.Int64(); whole && k >= 1 && k <= wire.MaxChannels {
				r.Channel = channelName(int(k - 1))
			}
		case wire.Text:
			r.Channel = n.Text
		}
		if f := rec.Get(c.function, i); f.Kind == wire.Text {
			r.Function = f.Text
		}
		if z := rec.Get(c.zone, i); z.Kind == wire.Text {
			_ = r.Zone.UnmarshalText([]byte(z.Text)) // a zone of the dialect's own stays as inside
		}
		if void {
			r.Void, r.Zone = why.Text, zone.Void
		} else {
			r.Shown = v.Num
			if u, ok := decimal.ParseUnit(r.Unit); ok {
				r.Exact = v.Num.Mul(decimal.New(int64(u.Size()), 0))
				if pm, whole := r.Exact.Quantize(0, decimal.HalfEven).Int64(); whole {
					r.Size = decimal.Length(pm)
				}
			}
		}
		out = append(out, r)
	}
	return out
}

// channelName names channels as a scenario does: A, B, ...
func channelName(i int) string {
	if i < 26 {
		return string(rune('A' + i))
	}
	return string(rune('A'+i/26-1)) + string(rune('A'+i%26))
}

// Ledger writes what is heard on one line as a ledger's entries: decoded by a
// dialect, or, when that is nil, the bytes alone.
type Ledger struct {
	name   string
	write  func(ledger.Entry)
	dec    *Decoder
	now    time.Duration
	frames int
	open   bool // the host has its port open
}

// NewLedger starts a ledger of a line. The caller writes the entries of the
// run, its start and its end.
func NewLedger(d *wire.Dialect, name string, write func(ledger.Entry)) *Ledger {
	l := &Ledger{name: name, write: write}
	if d != nil {
		l.dec = NewDecoder(d, l.message)
	}
	return l
}

func (l *Ledger) entry(e ledger.Entry) {
	e.T, e.Gauge = l.now, l.name
	l.write(e)
}

// Event enters an event. Times must not go back.
func (l *Ledger) Event(e Event) {
	l.now = e.At
	port := func(what, line, note string) {
		l.entry(ledger.Entry{Kind: ledger.KindPort, Port: &ledger.Port{What: what, Line: line, Note: note}})
	}
	switch e.Kind {
	case Opened:
		l.open = true
		port("opened", "", "")
	case Closed:
		l.open = false
		port("closed", "", "")
	case Asked:
		port("asked", e.Text, "")
	case Gone:
		l.entry(ledger.Entry{Kind: ledger.KindLink, Link: &ledger.Link{State: "lost", Why: e.Text}})
		l.open = false
		port("hung up", "", e.Text)
	case Back:
		l.entry(ledger.Entry{Kind: ledger.KindLink, Link: &ledger.Link{State: "up"}})
		port("returned", "", e.Text)
	case Break:
		port("break", "", "")
	case Lines:
		port("lines", "", "")
	case Lost, Note:
		l.entry(ledger.Entry{Kind: ledger.KindGauge, Note: e.Text})
	case FromHost:
		l.entry(ledger.Entry{Kind: ledger.KindIn, Bytes: slices.Clone(e.Bytes)})
	case FromGauge:
		if l.dec == nil {
			l.frame(&ledger.Frame{Cause: ledger.Stream, Name: "bytes", Bytes: slices.Clone(e.Bytes)})
		}
	}
	if l.dec != nil {
		l.dec.Event(e)
	}
}

// End enters what the last bytes turn out to be.
func (l *Ledger) End() {
	if l.dec != nil {
		l.dec.End()
	}
}

func (l *Ledger) frame(f *ledger.Frame) {
	l.frames++
	f.ID = l.frames
	l.entry(ledger.Entry{Kind: ledger.KindFrame, Frame: f})
	fate := ledger.Sent
	if !l.open {
		fate = ledger.Unheard
	}
	l.entry(ledger.Entry{Kind: ledger.KindOut, Out: &ledger.Out{Frames: []int{f.ID}, Fate: fate}})
}

func (l *Ledger) message(m Message) {
	switch {
	case m.Garbage != nil:
		l.entry(ledger.Entry{Kind: ledger.KindPort, Bytes: slices.Clone(m.Raw), Port: &ledger.Port{What: "garbage", Note: "from the " + m.From.String() + ": " + m.Garbage.Error()}})
	case m.From == wire.Gauge && m.Frame != wire.NoFrame:
		l.frame(&ledger.Frame{Cause: m.Cause, Name: m.Name, Readings: m.Readings, Tag: m.Tag, Bytes: slices.Clone(m.Raw)})
	case m.From == wire.Host && m.Asks:
		r := &ledger.Request{Verb: m.Request.Verb, Setting: m.Request.Setting, Value: m.Request.Value.String(), Refused: m.Request.Refused, Bytes: slices.Clone(m.Raw)}
		if m.Request.Channel >= 0 {
			r.Channel = channelName(m.Request.Channel)
		}
		l.entry(ledger.Entry{Kind: ledger.KindRequest, Request: r})
	}
}

// FromLedger makes the capture of a run of its ledger: a line for each gauge,
// with the bytes that reached its port and those of its host.
func FromLedger(entries []ledger.Entry, began time.Time) *Capture {
	c := &Capture{Began: began}
	line := map[string]int{}
	frames := map[string]map[int][]byte{}
	for _, e := range entries {
		if e.Gauge == "" {
			continue
		}
		i, known := line[e.Gauge]
		if !known {
			i = len(c.Lines)
			line[e.Gauge], frames[e.Gauge] = i, map[int][]byte{}
			c.Lines = append(c.Lines, Line{Name: e.Gauge})
		}
		add := func(k Kind, p []byte, text string) {
			c.Events = append(c.Events, Event{At: e.T, Line: i, Kind: k, Bytes: p, Text: text})
		}
		switch {
		case e.Frame != nil:
			frames[e.Gauge][e.Frame.ID] = e.Frame.Bytes
		case e.Out != nil && e.Out.Fate == ledger.Sent:
			raw := []byte(e.Out.Bytes)
			for _, id := range e.Out.Frames {
				if e.Out.Bytes == nil {
					raw = append(raw, frames[e.Gauge][id]...)
				}
			}
			if len(raw) > 0 {
				add(FromGauge, raw, "")
			}
		case e.Kind == ledger.KindIn && len(e.Bytes) > 0:
			add(FromHost, e.Bytes, "")
		case e.Port != nil:
			switch e.Port.What {
			case "opened":
				add(Opened, nil, "")
			case "closed":
				add(Closed, nil, "")
			case "asked":
				add(Asked, nil, e.Port.Line)
			case "hung up":
				add(Gone, nil, "")
			case "returned":
				name := e.Port.Path[strings.LastIndexByte(e.Port.Path, '/')+1:]
				if name == e.Gauge {
					name = ""
				}
				add(Back, nil, name)
			}
		}
	}
	return c
}

// baud is the speed of settings such as 9600 8N1; 0 when they do not say.
func baud(settings string) int {
	word, _, _ := strings.Cut(settings, " ")
	n, err := strconv.Atoi(word)
	if err != nil || n < 0 {
		return 0
	}
	return n
}

// NewLine is a line with its settings, such as 9600 8N1.
func NewLine(name, settings string) Line {
	return Line{Name: name, Settings: settings, Baud: baud(settings)}
}
