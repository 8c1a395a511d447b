// Package ledger is the record a run leaves: what was true, what went over the
// wire and what it meant. It is JSON Lines, one entry a line, append-only, in
// the order things happened; a run that is cut off leaves a ledger that is
// readable up to its last whole line.
//
// Times are nanoseconds since the scenario's start (the moment the host was
// ready); entries of the time before carry t = 0. Readings are decimal text
// with their unit beside them, lengths of the truth are picometres, bytes are
// lower-case hexadecimal.
//
// The first entry is of kind Run and carries Version; a reader refuses a
// version it does not know. New kinds and new keys may appear within a version.
package ledger

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// Version of the ledger's form.
const Version = 1

// Kind says what an entry tells.
type Kind string

// Kinds of entry, and the part of Entry each fills.
const (
	KindRun     Kind = "run"     // the run begins (Run); always the first entry
	KindStart   Kind = "start"   // the host is ready; the timeline begins
	KindCue     Kind = "cue"     // a cue of the scenario is given (Note says which)
	KindFrame   Kind = "frame"   // a gauge makes a frame (Frame)
	KindOut     Kind = "out"     // bytes leave for the host, or are lost (Out)
	KindIn      Kind = "in"      // bytes come from the host (Bytes)
	KindRequest Kind = "request" // what the host asked, and what came of it (Request)
	KindSetting Kind = "setting" // a gauge's setting changes (Setting)
	KindPort    Kind = "port"    // something happens at the port (Port)
	KindLink    Kind = "link"    // the link changes state (Link)
	KindCell    Kind = "cell"    // the cell's state worth noting (Cell)
	KindGauge   Kind = "gauge"   // buttons, lamps, buzzer, power (Note)
	KindHost    Kind = "host"    // the host was restarted: stopped, killed, ready, not ready; or ended by itself (Note)
	KindEnd     Kind = "end"     // the run ends (Note says why)
)

// NotDone begins the note of a cue that was not done.
const NotDone = "the cue was not done: "

// Quit begins the note of a host that ended by itself in mid-run.
const Quit = "ended by itself"

// Entry is one line of the ledger.
type Entry struct {
	T     time.Duration `json:"t"`           // ns since the start
	Gauge string        `json:"g,omitempty"` // the gauge it concerns
	Kind  Kind          `json:"k"`
	Note  string        `json:"note,omitempty"`

	Run     *Run     `json:"run,omitempty"`
	Frame   *Frame   `json:"frame,omitempty"`
	Out     *Out     `json:"out,omitempty"`
	Bytes   Hex      `json:"bytes,omitempty"`
	Request *Request `json:"request,omitempty"`
	Setting *Setting `json:"setting,omitempty"`
	Port    *Port    `json:"port,omitempty"`
	Link    *Link    `json:"link,omitempty"`
	Cell    *Cell    `json:"cell,omitempty"`
	// Cue is, of a cue that was not done (Note says why), its number in the scenario,
	// from 1 on.
	Cue int `json:"cue,omitempty"`
	// Had is, of a host that was killed, the time on the timeline up to which it has had
	// the real time to record what it was given. Nil: not known.
	Had *time.Duration `json:"had,omitempty"`
}

// Hex is bytes written as hexadecimal.
type Hex []byte

// MarshalText writes hexadecimal.
func (h Hex) MarshalText() ([]byte, error) { return hex.AppendEncode(nil, h), nil }

// UnmarshalText reads hexadecimal.
func (h *Hex) UnmarshalText(b []byte) (err error) {
	*h, err = hex.AppendDecode(nil, b)
	return err
}

// Run describes the run as a whole.
type Run struct {
	Version  int    `json:"version"`
	Scenario string `json:"scenario"` // the scenario's title
	File     string `json:"file,omitempty"`
	Seed     uint64 `json:"seed"`
	Pace     string `json:"pace"` // "paper", "drain", "real" or "N×"
}

// Frame is a message a gauge makes.
type Frame struct {
	ID       int       `json:"id"`    // counts from 1 per gauge
	Cause    Cause     `json:"cause"` // why it was made
	Name     string    `json:"name"`  // of the dialect's frame
	Readings []Reading `json:"readings,omitempty"`
	Tag      *int64    `json:"tag,omitempty"`    // tag number, of a tagged frame
	Repeat   bool      `json:"repeat,omitempty"` // the same tag sent again
	// What the bytes leave out: the tag's number, or the readings, which then
	// are those streamed last.
	Numberless bool `json:"numberless,omitempty"`
	Bare       bool `json:"bare,omitempty"`
	Bytes      Hex  `json:"bytes"` // as the dialect encodes it
}

// Cause says why a frame was made.
type Cause string

// Causes of a frame.
const (
	Stream Cause = "stream" // on its own, at the rate
	Tag    Cause = "tag"    // the operator tagged
	Asked  Cause = "asked"  // the host asked for a reading
	Reply  Cause = "reply"  // the host asked for, or told, something else
	Status Cause = "status" // the gauge tells its state on its own
	Banner Cause = "banner" // the gauge names itself at power-up or rejoin
)

// Reading is what one channel said in a frame, and the truth under it.
type Reading struct {
	Channel string          `json:"ch"`
	Size    decimal.Length  `json:"size"`    // part size: pm, of what the gauge is set on now
	Pressed decimal.Length  `json:"pressed"` // tip travel: pm that the probe says the tip is pressed into its stroke
	Exact   decimal.Decimal `json:"exact"`   // after the chain, before rounding, in pm
	Shown   decimal.Decimal `json:"shown"`   // reading: as reported, in Unit; meaningless when Void
	// Sent is what the frame says, where it has no room for all of Shown.
	Sent     *decimal.Decimal `json:"sent,omitempty"`
	Unit     string           `json:"unit"` // of Shown
	Function string           `json:"fn"`   // live, max, min, fim
	Zone     zone.Zone        `json:"zone"` // by the gauge's own limits
	Void     string           `json:"void,omitempty"`
}

// Latest is the newest reading of each channel: those of now, and of the
// channels that now leaves out those of before.
func Latest(before, now []Reading) []Reading {
	all := now
	for _, r := range before {
		if !slices.ContainsFunc(now, func(n Reading) bool { return n.Channel == r.Channel }) {
			all = append(slices.Clip(all), r)
		}
	}
	return all
}

// Fate is what became of bytes on their way to the host.
type Fate string

// Fates. Only Sent bytes can be known to the host.
const (
	Sent    Fate = "sent"    // given to the port while a host had it open
	Unheard Fate = "unheard" // nobody had the port open
	Full    Fate = "full"    // the port's buffer was full: the host does not read
	Down    Fate = "down"    // the port was hung up
	Flushed Fate = "flushed" // the radio gave the frame up
	Lost    Fate = "lost"    // the link was lost
	Unread  Fate = "unread"  // given to the port, but hung up or ended before the host read it
)

// Partly is the fault of bytes that are one of several messages of a frame, and not
// the last: a host may know the reading from them, and need not.
const Partly = "partly sent"

// Out is bytes on their way to the host.
type Out struct {
	Frames []int `json:"frames,omitempty"` // IDs of the frames in Bytes, in order
	Fate   Fate  `json:"fate"`
	// Bytes as they went, where they differ from the frames' own: garbled,
	// repeated, read at another line speed, or written by a conversation when it
	// sent them.
	Bytes Hex    `json:"bytes,omitempty"`
	Fault string `json:"fault,omitempty"` // garble, duplicate, split, merge, wrong speed, behind garbage
	// Count of trailing bytes that stayed unread (fate unread).
	Count int `json:"count,omitempty"`
}

// Request is what the host asked of the gauge.
type Request struct {
	Verb    string `json:"verb"`
	Setting string `json:"setting,omitempty"`
	Channel string `json:"ch,omitempty"`
	Value   string `json:"value,omitempty"`
	Refused string `json:"refused,omitempty"` // why, when it was not done
	Bytes   Hex    `json:"bytes,omitempty"`
}

// Setting is a change of a gauge's setting.
type Setting struct {
	Name    string `json:"name"`
	Channel string `json:"ch,omitempty"`
	From    string `json:"from"`
	To      string `json:"to"`
	By      string `json:"by"` // host, cue, hand, button, pedal, or power (what the gauge forgets while it is off)
}

// What a host may answer in a conversation, and no right host does.
const (
	Accepts = "accepts what was corrupted" // so that it is not sent again
	Refuses = "refuses what was intact"    // so often that it is given up
)

// Port is something that happened at a gauge's port.
type Port struct {
	// What: opened, closed, hung up, returned; asked (line settings), lines (DTR and
	// RTS, of the host), modem (CTS, DSR and CD, of the gauge), break, purged, paused; stalled (the host did not read for a time), not
	// reading and not answering (it was waited for in vain); garbage, trouble, dropped;
	// Accepts and Refuses.
	What  string `json:"what"`
	Frame int    `json:"frame,omitempty"` // of Accepts and Refuses
	Path  string `json:"path,omitempty"`
	Line  string `json:"line,omitempty"` // line settings the host asked for
	Lost  int    `json:"lost,omitempty"` // bytes it had not read
	// Lasted is how long, in real time, bytes waited at least of which the host read
	// none (what: stalled).
	Lasted time.Duration `json:"lasted,omitempty"`
	Note   string        `json:"note,omitempty"`
}

// Link is the state of the radio serial link.
type Link struct {
	State string `json:"state"` // up, stalled, lost, rejoining
	Why   string `json:"why,omitempty"`
}

// Cell is the state of the battery.
type Cell struct {
	Percent int    `json:"percent"` // as the gauge reports it
	Volts   string `json:"volts,omitempty"`
	Low     bool   `json:"low,omitempty"`
	Dead    bool   `json:"dead,omitempty"`
}

// Writer appends entries. It is not safe for concurrent use. It keeps the
// first failure, for Flush to return; later entries are then dropped.
type Writer struct {
	w   *bufio.Writer
	enc *json.Encoder
	err error
}

// NewWriter writes to w through a buffer; call Flush when a reader may look.
func NewWriter(w io.Writer) *Writer {
	b := bufio.NewWriterSize(w, 64<<10)
	enc := json.NewEncoder(b)
	enc.SetEscapeHTML(false)
	return &Writer{w: b, enc: enc}
}

// ErrFull is the error of a ledger that has reached its bound.
var ErrFull = errors.New("the ledger has reached its bound (--ledger)")

// UpTo passes on at most so many bytes to w. What would go over is dropped, with
// ErrFull: a host that floods its gauges does not fill the disk.
func UpTo(w io.Writer, most int64) io.Writer { return &upTo{w, most} }

type upTo struct {
	w    io.Writer
	left int64
}

func (u *upTo) Write(b []byte) (int, error) {
	if u.left -= int64(len(b)); u.left < 0 {
		u.left = 0 // for ever: nothing may follow a gap
		return 0, ErrFull
	}
	return u.w.Write(b)
}

// Write appends one entry.
func (w *Writer) Write(e Entry) {
	if w.err != nil {
		return
	}
	if line, ok := appendFrequent(w.w.AvailableBuffer(), &e); ok {
		_, w.err = w.w.Write(line)
		return
	}
	w.err = w.enc.Encode(e)
}

// Err is the first failure so far.
func (w *Writer) Err() error { return w.err }

// Flush hands everything on and returns the first failure so far.
func (w *Writer) Flush() error {
	if err := w.w.Flush(); w.err == nil {
		w.err = err
	}
	return w.err
}

// maxLine bounds a line, so that a damaged file cannot exhaust memory.
const maxLine = 1 << 20

// Read calls yield for each entry until it returns false. A last line that is
// cut off is not an error: whole reports whether the ledger ended with its end
// entry.
func Read(r io.Reader, yield func(Entry) bool) (whole bool, err error) {
	s := bufio.NewReaderSize(r, 64<<10)
	for n := 1; ; n++ {
		line, err := readLine(s)
		if errors.Is(err, io.EOF) {
			return whole, nil // with or without a cut-off line
		}
		if err != nil {
			return false, fmt.Errorf("ledger line %d: %w", n, err)
		}
		var e Entry
		if err := json.Unmarshal(line, &e); err != nil {
			return false, fmt.Errorf("ledger line %d is damaged: %w", n, err)
		}
		if n == 1 {
			if e.Kind != KindRun || e.Run == nil {
				return false, errors.New("ledger line 1 is not the entry of a run; is this a ledger?")
			}
			if e.Run.Version != Version {
				return false, fmt.Errorf("the ledger has version %d; this program reads version %d", e.Run.Version, Version)
			}
		}
		whole = e.Kind == KindEnd
		if !yield(e) {
			return whole, nil
		}
	}
}

func readLine(s *bufio.Reader) ([]byte, error) {
	var long []byte
	for {
		part, err := s.ReadSlice('\n')
		if err == nil && long == nil {
			return bytes.TrimSpace(part), nil
		}
		long = append(long, part...)
		if len(long) > maxLine {
			return nil, fmt.Errorf("longer than %d bytes", maxLine)
		}
		if err == nil {
			return bytes.TrimSpace(long), nil
		}
		if !errors.Is(err, bufio.ErrBufferFull) {
			return nil, err
		}
	}
}
