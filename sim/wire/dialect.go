// Package wire turns plain gauge values into the bytes of a wire protocol and
// back, from a description in a file. One description, a Dialect, serves the
// gauge that sends, the host that receives, and whoever explains the bytes.
//
// It has three layers. Bytes and fields (field.go and a file for each kind):
// what stands in a message. Framings (framing.go): how one message is told from
// the next. Conversation (conversation.go): who says what when. An End joins
// them at one side of a wire.
//
// The package knows no gauge: fields carry named terms (see Terms) and values
// travel in Records. It is pure: it reads no clock, and time comes in as a
// duration since the start.
package wire

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"example.org/understudy/sim/strict"
	"example.org/understudy/sim/uart"
)

// Side is one end of the wire.
type Side uint8

// The two ends.
const (
	Gauge Side = iota
	Host
)

func (s Side) String() string {
	if s == Host {
		return "host"
	}
	return "gauge"
}

func (s Side) other() Side { return 1 - s }

// Frame is the index of a frame's description in its dialect; NoFrame when the
// bytes are none.
type Frame int

// NoFrame is the Frame of bytes that are none.
const NoFrame Frame = -1

// FrameInfo describes one frame of a dialect.
type FrameInfo struct {
	Name string
	From Side
	Sent []string // emissions that make a gauge send it: reading, tag, status, banner, reply
	Verb string   // what it asks, when it comes from the host
}

// Dialect is a wire protocol read from its description. It does not change
// and may be used from several goroutines.
type Dialect struct {
	name, title string
	line        uart.Settings
	terms       []string
	termOf      map[string]Term
	void        Term // of the reason a reading is void
	frames      []frame
	infos       []FrameInfo   // of frames
	numbers     []int         // of frames, from 0
	gaugeFrames int           // frames[:gaugeFrames] come from the gauge
	framings    [2][]*framing // by who sends; the first is the one unless a frame says otherwise
	station     station
	remembers   []rememberSpec
	errors      *errorQueue
	states      []state
	maps        []*regMap
	inTurn      bool
	replyAfter  time.Duration
	left        Term // the terms of the conversation itself; −1 unless it is used
	waiting     Term
}

type frame struct {
	name     string
	from     Side
	sent     []string
	framing  *framing
	per      bool // one message for each channel
	nodes    []node
	derived  []*node
	counts   []Term // of groups: filled in when the record does not say
	voidBits []voidBit
	marks    int // places that checks and lengths name
	cmd      *command
	spec     any // the part of the file it stands in
	after    []string
	pos      strict.Pos
}

// voidBit is a bit that says that a term has no value.
type voidBit struct{ bit, value Term }

type station struct {
	stationSpec
	term Term
}

// Parse reads a description. The error is of type strict.Errors and holds
// every mistake with its place in the file.
func Parse(file string, src []byte) (*Dialect, error) {
	var spec fileSpec
	doc, err := strict.Decode(file, src, &spec)
	if err != nil {
		return nil, err
	}
	d := compile(doc, &spec)
	if err := doc.Err(); err != nil {
		return nil, err
	}
	return d, nil
}

// Schema returns the JSON Schema of dialect files.
func Schema() []byte { return strict.Schema("understudy dialect", fileSpec{}) }

// Name is the dialect's name.
func (d *Dialect) Name() string { return d.name }

// Title is one line about the dialect.
func (d *Dialect) Title() string { return d.title }

// Line is how the serial line is set unless a scenario says otherwise.
func (d *Dialect) Line() uart.Settings { return d.line }

// ReplyAfter is how long the gauge takes to answer.
func (d *Dialect) ReplyAfter() time.Duration { return d.replyAfter }

// Frames lists the frames, those of the gauge first; a Frame is an index in it.
// The list is the dialect's own and must not be changed.
func (d *Dialect) Frames() []FrameInfo { return d.infos }

// FrameNamed finds a frame by name, or NoFrame.
func (d *Dialect) FrameNamed(name string) Frame {
	return Frame(slices.IndexFunc(d.infos, func(f FrameInfo) bool { return f.Name == name }))
}

// FrameFor finds the first frame the gauge sends for a kind of emission, or
// NoFrame.
func (d *Dialect) FrameFor(sent string) Frame {
	return Frame(slices.IndexFunc(d.infos, func(f FrameInfo) bool { return contains(f.Sent, sent) }))
}

// Grouped reports whether a frame speaks of all channels: it repeats a part for
// each, or is sent once for each.
func (d *Dialect) Grouped(f Frame) bool {
	grouped := false
	for _, i := range d.together(f) {
		grouped = grouped || d.frames[i].per
		eachNode(d.frames[i].nodes, func(n *node) {
			switch n.field.(type) {
			case *each, *registers:
				grouped = true
			}
		})
	}
	return grouped
}

// together lists the frames that make one emission: a frame that is sent for
// one, and the others that are sent for the same.
func (d *Dialect) together(f Frame) (list []int) {
	if f < 0 || int(f) >= len(d.frames) {
		return nil
	}
	if own := &d.frames[f]; len(d.states) == 0 && !own.per || len(own.sent) == 0 || own.sent[0] == "reply" {
		return d.numbers[f : f+1 : f+1]
	}
	for i := range d.frames[:d.gaugeFrames] {
		if contains(d.frames[i].sent, d.frames[f].sent[0]) {
			list = append(list, i)
		}
	}
	return list
}

// Carries reports whether a frame, or one sent together with it, has a place
// for a term; a frame of registers may have one for any.
func (d *Dialect) Carries(f Frame, t Term) bool {
	if t < 0 {
		return false
	}
	found := false
	for _, i := range d.together(f) {
		eachNode(d.frames[i].nodes, func(n *node) {
			_, any := n.field.(*registers)
			found = found || any || slices.Contains(n.terms(), t)
		})
	}
	return found
}

// Identity is the term by which a gauge can be told from another when it is
// asked who it is: Serial, or else Name; "" where the dialect has no such
// command or its answer says neither.
func (d *Dialect) Identity() string {
	for _, name := range []string{Serial, Name} {
		for i := range d.frames {
			if c := d.frames[i].cmd; c != nil && c.Does == "identify" && d.Carries(c.reply, d.Term(name)) {
				return name
			}
		}
	}
	return ""
}

// Term finds a term by name; −1 when the dialect does not carry it.
func (d *Dialect) Term(name string) Term {
	if t, ok := d.termOf[name]; ok {
		return t
	}
	return -1
}

// TermNames lists the terms the dialect carries; a Term is an index in it.
func (d *Dialect) TermNames() []string { return append([]string(nil), d.terms...) }

// NewRecord returns an empty record for this dialect.
func (d *Dialect) NewRecord() *Record { return newRecord(len(d.terms)) }

var errForeign = errors.New("wire: the record belongs to another dialect")

// owns says whether a record has room for this dialect's terms.
func (d *Dialect) owns(rec *Record) bool { return rec != nil && rec.terms == len(d.terms) }

// AppendFrame writes one frame with the record's values, framing and checks
// included; a frame that is sent once for each channel, as often as the record
// has channels. On an error dst is returned as it was. The record's derived
// terms and group count are filled in.
func (d *Dialect) AppendFrame(dst []byte, f Frame, rec *Record) ([]byte, error) {
	if f < 0 || int(f) >= len(d.frames) {
		return dst, fmt.Errorf("dialect %s has no frame %d", d.name, int(f))
	}
	if !d.owns(rec) {
		return dst, errForeign
	}
	rec.carried = rec.carried[:0]
	return d.appendEach(dst, f, rec)
}

// appendEach writes a frame as often as it is sent for one record.
func (d *Dialect) appendEach(dst []byte, f Frame, rec *Record) ([]byte, error) {
	messages := 1
	if d.frames[f].per {
		messages = rec.channels
	}
	out := dst
	for ch := range messages {
		var err error
		if out, err = d.appendMessage(out, f, rec, ch); err != nil {
			return dst, err
		}
	}
	return out, nil
}

// appendMessage writes one message with the values of a channel.
func (d *Dialect) appendMessage(dst []byte, f Frame, rec *Record, ch int) ([]byte, error) {
	fr := &d.frames[f]
	start := len(dst)
	out := fr.framing.open(dst)
	body := len(out)
	out, err := d.appendFields(out, f, rec, ch)
	if err != nil {
		return dst, err
	}
	out, why := fr.framing.close(out, start+len(fr.framing.lead), body)
	if why != "" {
		return dst[:start], fmt.Errorf("dialect %s, frame %s: %s", d.name, fr.name, why)
	}
	return out, nil
}

// AppendRequest writes the command of this name, or else the first one with
// this verb, as a host sends it.
func (d *Dialect) AppendRequest(dst []byte, name string, rec *Record) ([]byte, error) {
	f := d.commandFrame(name)
	if f == NoFrame {
		return dst, fmt.Errorf("dialect %s has no command %q", d.name, name)
	}
	if !d.owns(rec) {
		return dst, errForeign
	}
	return d.appendMessage(dst, f, d.addressed(rec), 0)
}

func (d *Dialect) commandFrame(name string) Frame {
	i := slices.IndexFunc(d.infos, func(f FrameInfo) bool { return f.From == Host && f.Name == name })
	if i < 0 {
		i = slices.IndexFunc(d.infos, func(f FrameInfo) bool { return f.From == Host && f.Verb == name })
	}
	return Frame(i)
}

// addressed fills in the station's address when the record has none.
func (d *Dialect) addressed(rec *Record) *Record {
	if d.station.term >= 0 {
		if v := rec.at(d.station.term, 0); v.Kind == Absent {
			*v = Int(d.station.Is)
		}
	}
	return rec
}
