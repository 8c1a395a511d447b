// Package wire turns plain gauge values into the bytes of a wire protocol and
// back, from a description in a file. One description, a Dialect, serves the
// gauge that sends, the host that receives, and whoever explains the bytes.
//
// The package knows no gauge: fields carry named terms (see Terms) and values
// travel in Records. It is pure: it reads no clock, and time comes in as a
// duration since the start.
package wire

import (
	"errors"
	"fmt"
	"time"

	"example.org/understudy/sim/strict"
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

// Line is how a serial line is set.
type Line struct {
	Baud     int
	DataBits int
	Parity   Parity
	StopBits int
}

// Character returns the time one character takes on the line: a start bit,
// the data bits, the parity bit if there is one, and the stop bits.
func (l Line) Character() time.Duration {
	bits := 1 + l.DataBits + l.StopBits
	if l.Parity != ParityNone {
		bits++
	}
	return time.Duration(bits) * time.Second / time.Duration(l.Baud)
}

// Dialect is a wire protocol read from its description. It does not change
// and may be used from several goroutines.
type Dialect struct {
	name, title string
	line        Line
	terms       []string
	termOf      map[string]Term
	void        Term // of the reason a reading is void
	frames      []frame
	infos       []FrameInfo // of frames
	gaugeFrames int         // frames[:gaugeFrames] come from the gauge
	framings    [2]*framing
	station     station
	keeps       []keep
	errors      *errorQueue
	states      []state
	maps        []*regMap
	inTurn      bool
	roots       [2][]int // frames to try, by sender
}

type frame struct {
	name    string
	from    Side
	sent    []string
	ops     []op // as they stand in the file
	quick   []op // the same in fewer steps
	derived []*op
	lengths bool   // a field says how long another is
	counts  []Term // of groups: filled in when the record does not say
	cmd     *command
	spec    any // the part of the file it stands in
}

type command struct {
	verb       string
	setting    string
	value      Term
	settingBy  Term
	channelBy  Term
	refuse     string
	reply      Frame
	refusal    Frame
	let, then  []assignment
	clears     bool
	takes      bool
	in         []int
	mapOps     []*op // registers the command speaks of
	writesMaps bool
}

type assignment struct {
	keep int
	expr *expression
}

type station struct {
	term      Term
	is        int64
	broadcast []int64
}

type keep struct {
	name  string
	term  Term
	start int64
}

type errorQueue struct {
	depth          int
	none, overflow errorEntry
	listed         []errorRule
	code, text     Term
	count          Term
}

type errorRule struct {
	reason string
	errorEntry
	let []assignment
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
func (d *Dialect) Line() Line { return d.line }

// Frames lists the frames, those of the gauge first; a Frame is an index in it.
// The list is the dialect's own and must not be changed.
func (d *Dialect) Frames() []FrameInfo { return d.infos }

// FrameNamed finds a frame by name, or NoFrame.
func (d *Dialect) FrameNamed(name string) Frame {
	for i := range d.frames {
		if d.frames[i].name == name {
			return Frame(i)
		}
	}
	return NoFrame
}

// FrameFor finds the frame the gauge sends for a kind of emission, or NoFrame.
func (d *Dialect) FrameFor(sent string) Frame {
	for i := range d.frames[:d.gaugeFrames] {
		for _, s := range d.frames[i].sent {
			if s == sent {
				return Frame(i)
			}
		}
	}
	return NoFrame
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

// AppendFrame writes one frame with the record's values, framing and checks
// included. On an error dst is returned as it was. The record's derived terms
// and group count are filled in.
func (d *Dialect) AppendFrame(dst []byte, f Frame, rec *Record) ([]byte, error) {
	if f < 0 || int(f) >= len(d.frames) {
		return dst, fmt.Errorf("dialect %s has no frame %d", d.name, int(f))
	}
	if !d.owns(rec) {
		return dst, errForeign
	}
	return d.appendFramed(dst, f, rec)
}

func (d *Dialect) appendFramed(dst []byte, f Frame, rec *Record) ([]byte, error) {
	fr := &d.frames[f]
	framing := d.framings[fr.from]
	start := len(dst)
	out := framing.open(dst)
	body := len(out)
	out, err := d.appendBody(out, f, rec)
	if err != nil {
		return dst, err
	}
	out, why := framing.close(out, start+len(framing.lead), body)
	if why != "" {
		return dst[:start], fmt.Errorf("dialect %s, frame %s: %s", d.name, fr.name, why)
	}
	return out, nil
}

// appendBody writes what stands inside the framing.
func (d *Dialect) appendBody(dst []byte, f Frame, rec *Record) ([]byte, error) {
	fr := &d.frames[f]
	for _, t := range fr.counts {
		if v := rec.at(t, 0); v.Kind == Absent {
			*v = Int(int64(rec.channels))
		}
	}
	e := &rec.enc // the record's, so that it need not be cleared for each frame
	e.rec, e.ch, e.group, e.nwait, e.err = rec, 0, len(dst), 0, nil
	out, ok := e.run(dst, fr.quick)
	if ok && e.nwait > 0 {
		ok = e.resolve(out, 0)
	}
	if !ok {
		return dst, d.encodeError(fr, rec, e.fail, e.err)
	}
	return out, nil
}

func (d *Dialect) encodeError(fr *frame, rec *Record, f failure, cause error) error {
	if cause != nil {
		return fmt.Errorf("dialect %s, frame %s, field %s: %w", d.name, fr.name, f.op.name, cause)
	}
	if f.op.term >= 0 {
		v := rec.Get(f.op.term, f.ch)
		if f.why == whyAbsent {
			return fmt.Errorf("dialect %s, frame %s: field %s has no value", d.name, fr.name, f.op.name)
		}
		return fmt.Errorf("dialect %s, frame %s, field %s: %s %s", d.name, fr.name, f.op.name, v, f.why)
	}
	return fmt.Errorf("dialect %s, frame %s: %s %s", d.name, fr.name, f.op.name, f.why)
}

var errForeign = errors.New("wire: the record belongs to another dialect")

// owns says whether a record has room for this dialect's terms.
func (d *Dialect) owns(rec *Record) bool { return rec != nil && rec.terms == len(d.terms) }

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
	return d.appendFramed(dst, f, d.addressed(f, rec))
}

func (d *Dialect) commandFrame(name string) Frame {
	for i := d.gaugeFrames; i < len(d.frames); i++ {
		if d.frames[i].name == name {
			return Frame(i)
		}
	}
	for i := d.gaugeFrames; i < len(d.frames); i++ {
		if d.frames[i].cmd.verb == name {
			return Frame(i)
		}
	}
	return NoFrame
}

// addressed fills in the station's address when the record has none.
func (d *Dialect) addressed(_ Frame, rec *Record) *Record {
	if d.station.term >= 0 {
		if v := rec.at(d.station.term, 0); v.Kind == Absent {
			*v = Int(d.station.is)
		}
	}
	return rec
}

// decodeBody reads a body as one of some frames: the first that fits. whole is
// false when one of its checks does not match; rec.dec.bad then says which.
// When none fits, rec.dec.best says why, for the frame that came furthest.
func (d *Dialect) decodeBody(among []int, body []byte, rec, ask *Record) (f Frame, whole bool) {
	dec := &rec.dec
	dec.bestFrame = -1
	for _, i := range among {
		rec.Reset()
		dec.begin(rec, body, ask)
		if d.decodeFrame(dec, i, d.frames[i].quick) {
			return Frame(i), dec.bad.op == nil
		}
		if dec.bestFrame < 0 || dec.fail.pos > dec.best.pos {
			dec.bestFrame, dec.best = i, dec.fail
		}
	}
	return NoFrame, false
}

// why finds out, field by field, where the frame that came furthest went wrong.
func (d *Dialect) why(rec *Record, body []byte, ask *Record) {
	dec := &rec.dec
	rec.Reset()
	dec.begin(rec, body, ask)
	if !d.decodeFrame(dec, dec.bestFrame, d.frames[dec.bestFrame].ops) {
		dec.best = dec.fail
	}
}

func (d *Dialect) decodeFrame(dec *decoder, i int, ops []op) bool {
	fr := &d.frames[i]
	if fr.lengths {
		for i := range dec.sizes {
			dec.sizes[i] = -1
		}
	}
	if !dec.run(ops) || dec.nwait > 0 && !dec.resolve(0) {
		return false
	}
	if dec.pos != dec.end {
		return dec.stop(nil, whyMore)
	}
	for _, o := range fr.derived {
		if !dec.verify(o) {
			return false
		}
	}
	return true
}

// verify compares a derived field with what its expression gives.
func (dec *decoder) verify(o *op) bool {
	for ch := range dec.rec.channels {
		got := dec.rec.Get(o.term, ch)
		if got.Kind == Absent || !o.derive.known(dec.rec, ch) {
			continue // what it is derived from is not in the frame
		}
		want, err := o.derive.eval(dec.rec, ch)
		if err != nil || !want.Same(got) {
			return dec.stop(o, "is not what it is derived from")
		}
	}
	return true
}
