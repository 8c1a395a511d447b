// Package plot draws a ledger over time: what was true, what the gauges said,
// the limits, the tags, the link, what reached the host, and the cell. It is a
// picture for a report: each sign differs in shape, dash or word as well as in
// colour, so that it survives a black and white printer and every reader's
// eyes.
//
// One panel is drawn per channel. The truth is the ledger's exact value (after
// the measuring chain, before rounding), as a broad pale line; the reading is
// what the gauge reported, as thin dark steps on top of it. A step is held as
// long as readings keep coming; where they stop, the line stops. Values far
// beyond the limits are cut off at the edge of the panel and written there, so
// that a gauge lifted off its part does not flatten the picture.
//
// A long run is thinned while it is read: where a few readings share a column
// of the picture, the line goes through their smallest and largest; where many
// do, it goes through the usual one, and from the smallest to the largest is
// shaded. Values are drawn as binary floats, which is exact enough for a
// picture and is never used to judge anything.
//
// The same ledger and options give the same SVG, byte for byte, on every
// machine. The PNG is the same on one machine; how a processor rounds may tint
// the rim of a line on another.
package plot

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/zone"
)

// Options say what is drawn and how. The zero value draws every channel of the
// ledger, without limits, from start to end.
type Options struct {
	Title string // the scenario's title when empty
	Note  string // one line under the title; seed, pace and file when empty
	// Channels are the panels, in order; all channels of the ledger, in the
	// order they appear, when empty.
	Channels []Channel
	// From and To are the time drawn, since the scenario's start; To 0 means
	// up to the end of the ledger.
	From, To time.Duration
	// Width of the picture and Height of one panel, in points (1/72 in); 0
	// means 640 and 150. Width is 320 to 4000, Height 80 to 2000.
	Width, Height float64
}

// Channel is one panel.
type Channel struct {
	Gauge, Channel string       // as the ledger names them
	Unit           decimal.Unit // of the panel's scale
	// Limits at the start. The ledger tells when they are set anew.
	Limits zone.Limits
}

// MaxPanels is the number of panels that fit a picture.
const MaxPanels = 64

func (o *Options) check() error {
	var errs []error
	check := func(ok bool, format string, args ...any) {
		if !ok {
			errs = append(errs, fmt.Errorf(format, args...))
		}
	}
	o.Width = cmp.Or(o.Width, 640)
	o.Height = cmp.Or(o.Height, 150)
	check(o.Width >= 320 && o.Width <= 4000, "a picture is 320 to 4000 points wide, not %v", o.Width)
	check(o.Height >= 80 && o.Height <= 2000, "a panel is 80 to 2000 points high, not %v", o.Height)
	check(o.From >= 0, "the timeline starts at 0 s; nothing can be drawn from %v", o.From)
	check(o.To == 0 || o.To > o.From, "the time drawn ends at %v, which is not after its start at %v", o.To, o.From)
	check(len(o.Channels) <= MaxPanels, "%d panels; a picture holds %d", len(o.Channels), MaxPanels)
	for i, c := range o.Channels {
		if err := c.Limits.Check(); err != nil {
			errs = append(errs, fmt.Errorf("%s %s: %w", c.Gauge, c.Channel, err))
		}
		check(c.Unit.Size() > 0, "%s %s: not a unit of length", c.Gauge, c.Channel)
		for _, other := range o.Channels[:i] {
			check(c.Gauge != other.Gauge || c.Channel != other.Channel, "%s %s is listed twice", c.Gauge, c.Channel)
		}
	}
	return errors.Join(errs...)
}

// A Picture is a drawn ledger.
type Picture struct {
	sheet sheet
}

// FromLedger reads a ledger and draws it. A ledger that is cut off is drawn as
// far as it goes, and the picture says so.
func FromLedger(r io.Reader, opt Options) (*Picture, error) {
	if err := opt.check(); err != nil {
		return nil, err
	}
	g := newGathering(&opt)
	whole, err := ledger.Read(r, g.take)
	if err != nil {
		return nil, err
	}
	g.cut = !whole && !g.past
	if len(g.channels) == 0 {
		return nil, errors.New("the ledger tells of no gauge; there is nothing to draw")
	}
	if len(g.channels) > MaxPanels {
		return nil, fmt.Errorf("the ledger has %d channels and a picture holds %d; say which in Options.Channels", len(g.channels), MaxPanels)
	}
	g.finish()
	sheet, err := draw(g, &opt)
	if err != nil {
		return nil, err
	}
	return &Picture{sheet}, nil
}
