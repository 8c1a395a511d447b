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
	"errors"
	"fmt"
	"io"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/zone"
)

// Channel is one panel.
type Channel struct {
	Gauge, Channel string       // as the ledger names them
	Unit           decimal.Unit // of the panel's scale
	// Limits at the start. The ledger tells when they are set anew.
	Limits zone.Limits
}

// MaxPanels is the number of panels that fit a picture.
const MaxPanels = 64

// A Picture is a drawn ledger.
type Picture struct {
	sheet sheet
}

// FromLedger reads a ledger and draws channels of it, one panel each: all of them, in the
// order they appear and without limits, where none are given. A ledger that is cut off is drawn as
// far as it goes, and the picture says so.
func FromLedger(r io.Reader, channels []Channel) (*Picture, error) {
	g := newGathering(channels)
	whole, err := ledger.Read(r, g.take)
	if err != nil {
		return nil, err
	}
	g.cut = !whole
	if len(g.channels) == 0 {
		return nil, errors.New("the ledger tells of no gauge; there is nothing to draw")
	}
	if len(g.channels) > MaxPanels {
		return nil, fmt.Errorf("there are %d channels, and a picture holds %d", len(g.channels), MaxPanels)
	}
	g.finish()
	sheet, err := draw(g)
	if err != nil {
		return nil, err
	}
	return &Picture{sheet}, nil
}
