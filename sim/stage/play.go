package stage

import (
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/link"
	"example.org/understudy/sim/motion"
	"example.org/understudy/sim/motion/noise"
	"example.org/understudy/sim/power"
	"example.org/understudy/sim/probe"
	"example.org/understudy/sim/uart"
	"example.org/understudy/sim/wire"
)

// Play is a scenario made ready for the stage: the cast, and what is done to
// it when.
type Play struct {
	Title, File string
	Seed        uint64
	Cast        []Member
	Cues        []Cue         // in the order of their times
	Until       time.Duration // when the timeline ends
	// ReadsWithin is how long, in real time, bytes may wait for the host to read
	// some: longer is entered in the ledger. 0 means 1 s.
	ReadsWithin time.Duration
	// Raises says that hosts are to raise control lines: Drain waits for it after each
	// opening of a port that shows them.
	Raises bool
}

// Member is one gauge of the cast.
type Member struct {
	Profile *gauge.Profile
	Dialect *wire.Dialect // nil: the gauge makes no frames
	Line    uart.Settings // of the serial line; the dialect's when it is zero
	// Drawn has the first sample fall anywhere in the first interval of the rate,
	// by the seed, instead of at the profile's Phase.
	Drawn    bool
	Channels []Fitting // one per channel of the profile

	Cell  *power.Cell // nil: a cell that never fades
	Parts power.Parts // what drains it
	Temp  int         // °C, of the cell
	Class link.Class  // transmit power; 0: a wire
	Link  *link.Link  // nil: an ideal link
	Radio int         // gauges with the same number above 0 share a radio
	Wired bool        // the port stays when the gauge goes off
}

// Fitting is how a channel's probe is fitted to what it measures.
type Fitting struct {
	// MidStroke is the size at which the tip is pressed to the middle of its stroke.
	MidStroke decimal.Length
	// Releases says that a larger size lets the tip out (a plug in a bore)
	// instead of pressing it in (a height stand).
	Releases bool
	// Starts is the size the gauge rests on at the start.
	Starts decimal.Length
	Noise  noise.Spec
	Probe  *probe.Model // nil: an ideal probe
	Temp   float64      // °C of the part and the gauge
}

// pressed is how far a size presses the tip into a stroke.
func (f *Fitting) pressed(size, stroke decimal.Length) decimal.Length {
	if f.Releases {
		return stroke/2 + f.MidStroke - size
	}
	return stroke/2 + size - f.MidStroke
}

// free is the size at which the tip hangs a millimetre short of its stroke:
// where a lifted gauge goes.
func (f *Fitting) free(stroke decimal.Length) decimal.Length {
	out := stroke/2 + decimal.Millimetre
	if f.Releases {
		return f.MidStroke + out
	}
	return f.MidStroke - out
}

// moves is how the tip goes between its free place and a part, where nothing
// else is known of it: a plug's contacts are held by the bore up to its mouth.
func (f *Fitting) moves(otherwise motion.Shape) motion.Shape {
	if f.Releases {
		return motion.Spring
	}
	return otherwise
}

// Cue is one act at its time.
type Cue struct {
	At      time.Duration
	Gauge   int // index in the cast; −1: every gauge
	Channel int // index in the gauge; −1: every channel
	Act     Act
	Text    string // the cue in words, for the ledger
}
