// Package cause is the judge's understanding of hosts: what a correct host
// records of what it received, and, for every cause in its catalogue, what a
// host with that mistake records instead. The causes compete: the one whose
// records come closest to the real ones is named.
//
// A cause is a switch of one small model host (host.go), so that causes
// combine as real mistakes do: a reading goes through the same steps whichever
// of them is wrong.
package cause

import (
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// Spec states what the host is to do. Nothing in it is assumed.
type Spec struct {
	Unit       decimal.Unit    // the host records in
	Resolution decimal.Decimal // the host's displayed step in Unit; above 0
	Rounding   decimal.Rounding
	Rule       zone.Rule // how values are compared with limits
	All        bool      // streamed and asked-for readings are recorded too, not only tagged ones
	// RealTime is set when the scenario goes by a clock, Speed times as fast as the
	// host's (0: as fast as it). Otherwise the run goes as fast as the host reads, and
	// time spans the host measures are shorter than the scenario's.
	RealTime bool
	Speed    float64
	// Late is how much later or earlier than it was sent the host may notice what it is
	// sent, by its clock.
	Late time.Duration
	// Within is how long, on the timeline, a host may take to record what it was given:
	// the rows of events closer to each other may stand in another order.
	Within time.Duration
	// Claims are the aspects the host claims; nil stands for all of them. What
	// is not claimed is not judged, and never reported as passed.
	Claims []Aspect
	// Untold are aspects that no frame of the scenario can tell a host of.
	Untold []Aspect
	// Begun and Ended bound the host's clock over the run; a zero Begun
	// leaves it unjudged.
	Begun, Ended time.Time
	// Killed is set when the host had to be killed at the end, after it had been given
	// the time to record everything.
	Killed bool
	AtLine AtLine
	Gauges []Gauge
}

// HostTime is a span of the scenario by the host's clock, in a run that goes by a clock.
func (s *Spec) HostTime(d time.Duration) time.Duration {
	if s.Speed > 0 {
		return time.Duration(float64(d) / s.Speed)
	}
	return d
}

// AtLine is how a host is to behave at the serial line; what is nil or 0 is not
// stated.
type AtLine struct {
	DTR, RTS *bool         // how they stand while the gauge sends
	Breaks   *bool         // whether the host sends any
	Reads    time.Duration // bytes wait no longer than this for it to read some
}

// Gauge is one gauge as the host is told of it.
type Gauge struct {
	Name, Serial string
	Factor       decimal.Decimal // the multiplier the gauge applies; 0 counts as 1
	Preset       decimal.Length  // the master's size, 0 when it is set to zero
	Sense        string          // rising or falling
	Function     string          // live, max, min, fim
	Tags         Tags
	Writes       []Write // what the host must write, in order, before the first tag
	Line         string  // "9600 8N1"; empty leaves the line unjudged
	Shows        bool    // the port shows control lines and breaks
	Counts       bool    // its frames carry a number that counts them
	Channels     []Channel
}

// Tags describes a gauge's tag numbers.
type Tags struct {
	// Numbers wrap from Last to First. Last 0: tags carry no number.
	First, Last int64
	// Window: the same number with the same reading within it, by the host's clock and
	// counted from when it was last seen, is one tag.
	Window time.Duration
}

// Write is one command the host must give a gauge.
type Write struct {
	Verb    string // empty: set
	Setting string
	Channel string
	To      string
}

// Channel is one channel of a gauge and its limits.
type Channel struct {
	Name      string
	Limits    zone.Limits
	LimitUnit decimal.Unit // the limits were written in
	// Resolution is the step of this channel's displayed value in the Spec's Unit; 0: the
	// Spec's.
	Resolution decimal.Decimal
}

// Aspect is something a host may claim to do.
type Aspect string

// Aspects of the records.
const (
	Value    Aspect = "value"
	Unit     Aspect = "unit"
	Zone     Aspect = "zone"
	Tag      Aspect = "tag"      // the tag's number is recorded
	Complete Aspect = "complete" // every reading once, in order
	Void     Aspect = "void"
	LowCell  Aspect = "low-cell"
	LinkLost Aspect = "link-lost"
	LinkBack Aspect = "link-back"
	Settings Aspect = "settings"
	Line     Aspect = "serial-line"
	Reopen   Aspect = "reopen"  // opens the port again after a hang-up
	KeepUp   Aspect = "keep-up" // reads as fast as the gauge sends
	Time     Aspect = "time"    // time stamps in order and within the run
)

// Aspects lists all of them.
func Aspects() []Aspect {
	return []Aspect{Value, Unit, Zone, Tag, Complete, Void, LowCell, LinkLost, LinkBack, Settings, Line, Reopen, KeepUp, Time}
}

// Claimed reports whether the host claims an aspect.
func (s *Spec) Claimed(a Aspect) bool {
	if s.Claims == nil {
		return true
	}
	for _, c := range s.Claims {
		if c == a {
			return true
		}
	}
	return false
}

// History is what the host could see, in order, as the ledger has it.
type History struct {
	Seen     []Seen
	Readings []Reading // those of all frames; a Seen refers to a range of them
	Gauges   []Facts   // one for each of Spec.Gauges
	// Later is set for a part that does not begin with the run, Cut for one
	// that does not end with it.
	Later, Cut bool
	// Places say which gauge's port each gauge has when the part begins;
	// nil: each at its own.
	Places []uint16
}

// What a Seen is.
type What uint8

// Things a host can see.
const (
	Frame    What = iota // a frame arrived
	Down                 // the port hung up; Sure when it was opened again
	Up                   // the host opened the port again
	RadioOff             // the link was lost, which a host sees only as silence
	RadioOn              // the link is up again
	Dead                 // the cell is dead
	Restart              // the host closed the port by itself and opened it again
	Nothing              // nothing after all
	Stopped              // the host was asked to end in mid-run, and to start again; at no gauge
	Killed               // the host was killed in mid-run, and started again; at no gauge; Perhaps when it may have had a row in hand
)

// State says how sure it is that the host saw it.
type State uint8

// States.
const (
	Sure    State = iota
	Perhaps       // it may not have read the bytes
	Spoilt        // the bytes arrived damaged
)

// Seen is one thing a host could see.
type Seen struct {
	At       time.Duration // since the scenario's start
	Tag      int64         // tag number, when Numbered
	Bytes    []byte
	ID       int32 // the frame's, per gauge
	first    int32 // range of History.Readings
	count    uint16
	Gauge    uint16 // index in Spec.Gauges
	Place    uint16 // of Up: the gauge whose place the port came back at
	What     What
	State    State
	Tagged   bool
	Numbered bool
	Repeat   bool // the same tag sent again, or the same frame of the stream
	Other    bool // a reply, status or banner: carries no reading to record
	Asked    bool // the host asked for the reading
	Split    bool // its bytes were written in parts
	Joined   bool // its bytes were written together with the frame before
	Low      bool // it was made while the cell was low
	Cut      bool // a hang-up cut off the frame before it, of which some bytes had gone
}

// Reading is one channel's part of a frame.
type Reading struct {
	Shown   decimal.Decimal
	Unit    decimal.Unit
	Channel uint16 // index in Gauge.Channels
	Void    bool
	Gauge   zone.Zone // by the gauge's own limits
}

// Add appends a frame with its readings.
func (h *History) Add(s Seen, rs ...Reading) {
	s.first, s.count = int32(len(h.Readings)), uint16(len(rs))
	h.Readings = append(h.Readings, rs...)
	h.Seen = append(h.Seen, s)
}

// Of returns the readings of a frame.
func (h *History) Of(s *Seen) []Reading {
	return h.Readings[s.first : int(s.first)+int(s.count)]
}

// Facts is what else is known of a gauge's host.
type Facts struct {
	Requests []Request
	Line     string // the line settings the host asked for last; empty when unknown
	First    string // and those that it asked for when it first opened the port
	LineAt   time.Duration
	Hides    bool // the port does not show parity and character size
	Opened   bool
	// Unset is set when the host had set the line, and did not set it again when it
	// opened the port at Again, after a hang-up, and read it until the end.
	Unset bool
	Again time.Duration
	// Unread is how many frames nobody heard since the host had closed the port by
	// itself, at Deserted, and not opened it again.
	Unread   int
	Deserted time.Duration
	// Unheard is set when the port came back after a hang-up and the host did
	// not open it again although the gauge had more to say.
	Unheard bool
	// Mute is one more than the Seen of the port's return if the host opened it again, and
	// read nothing for long; 0 if it did not.
	Mute int
	Full int // frames given up because the host did not read
	// How DTR and RTS stood while frames were sent, in sessions that tell it.
	DTR, RTS Stood
	Breaks   int
	Stall    time.Duration // the longest that bytes waited, none of them read
	StallAt  time.Duration // since the scenario's start
	Datums   []Datum
	Garbled  []string // why the gauge could not read what the host sent, and what it was
	Answers  []Answer
}

// Answer is a wrong answer of the host in a conversation.
type Answer struct {
	At    time.Duration
	Frame int
	What  string // of ledger.Port
}

// Datum is an offset that the host moved after the port had come back to it, though the
// gauge had kept it.
type Datum struct {
	At             time.Duration
	Name, From, To string
}

// Stood says how a control line has stood at different times.
type Stood struct{ On, Off bool }

// Against reports whether it has not always stood as stated.
func (s Stood) Against(stated *bool) bool {
	return stated != nil && (*stated && s.Off || !*stated && s.On)
}

// Request is what the host asked of a gauge.
type Request struct {
	Write
	Late    bool   // after the gauge's first tag
	Refused string // why it was not done
}
