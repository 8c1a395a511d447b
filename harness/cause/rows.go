package cause

import (
	"slices"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/zone"
)

// Want is one row that the host should have written.
type Want struct {
	Value decimal.Decimal // in the host's unit; meaningless when Void
	Tag   int64
	Seen  int32 // index in History.Seen, −1 for none
	// Loss is the cost of the row's absence: Must when it has to be there, 0
	// when it may be absent, between when a cause would explain that.
	Loss    uint8
	Zone    zone.Zone
	Unit    decimal.Unit
	Event   Event // NoEvent for a reading
	Tagged  bool  // Tag is recorded
	Void    bool
	Changed Loose
	// Instead is one more than the Seen from which on an earlier want of Loss 0
	// with the same tag, or of the same event, may stand for this one; 0 for
	// none.
	Instead int32
}

// Event is something a host records beside readings.
type Event uint8

// Events.
const (
	NoEvent Event = iota
	LowCellEvent
	CellDeadEvent
	LinkLostEvent
	LinkBackEvent
)

var eventNames = [...]string{"", "low-cell", "cell-dead", "link-lost", "link-back"}

func (e Event) String() string { return eventNames[e] }

// EventNamed returns the event with a name, or NoEvent.
func EventNamed(name string) Event { return Event(max(0, slices.Index(eventNames[:], name))) }

// Aspect of the records that an event belongs to.
func (e Event) Aspect() Aspect {
	return [...]Aspect{"", LowCell, LowCell, LinkLost, LinkBack}[e]
}

// Loose says which parts of a row a cause leaves open: any content fits, and
// the right one too.
type Loose uint8

// Parts left open.
const (
	LooseValue Loose = 1 << iota
	LooseTag
	LooseZone
	LooseUnit
)

// Must is the Loss of a row that has to be there.
const Must = 10

// slight is the cost of what a cause leaves to chance.
const slight = 1

// Rows is what a host writes: wants by stream. Stream g×width+c holds the
// readings of channel c of gauge g, Events the events of each gauge.
type Rows struct {
	Readings [][]Want
	Events   [][]Want
	Requests [][]Request // of each gauge, before its first tag
	Lines    []string
	// Reopens is false for a host that leaves the port closed after a hang-up.
	Reopens bool
	Chances
}

// Chances are what a mistake leaves open of a whole run.
type Chances struct {
	// Doubles: now and then a row is written twice. Shuffles: rows of a burst
	// may come in another order. Backwards: times may be out of order.
	// LateWrites: the requests may come after the first tag.
	Doubles, Shuffles, Backwards, LateWrites bool
	// Quits: the host may end by itself.
	Quits bool
	// Nothing: there may be no row of any reading.
	Nothing bool
	// Over: rows from before the host was last started may be missing.
	Over bool
	// Late: events may come rows late. Tails: rows at the end of a gauge's may
	// be missing. Slow: frames may be given up because the host does not read.
	// Jumps: times may be off by an hour from some row on.
	Late, Tails, Slow, Jumps bool
	// Again: the loss of a port may be told again until it is back.
	Again bool
	// Idle: control lines may stand otherwise than stated. Breaks: there may be breaks
	// that are not stated, or none where some are. Stalls: bytes may wait.
	Idle, Breaks, Stalls bool
	// LoseValue: requests with a unit or a length may carry another value.
	LoseValue bool
	Zoned     bool // times may be off by a time zone
}

// Width is the number of channel places per gauge in Rows.Readings.
func (s *Spec) Width() int {
	w := 1
	for i := range s.Gauges {
		w = max(w, len(s.Gauges[i].Channels))
	}
	return w
}
