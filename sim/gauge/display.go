package gauge

import (
	"fmt"
	"strings"
)

// Display is a gauge's display.
type Display struct {
	Digits  int  // figures it has place for, besides sign and mark; 0: 7
	Large   bool // large figures: nothing but figures and the zone's mark is shown
	Follows bool // turns over when the gauge is held upside down
	// Marks are what stands for each zone, and instead of figures for a reading
	// that has none (by the reason) or does not fit (by "full").
	Marks map[string]string
}

// markNames are the keys Marks may have.
var markNames = []string{"below", "warn-low", "inside", "warn-high", "above", "under", "over", "missing", "empty", "full"}

func (d *Display) check() error {
	if d.Digits < 0 || d.Digits > 20 {
		return fmt.Errorf("a display has 1 to 20 figures, not %d", d.Digits)
	}
	return known("the display", d.Marks, markNames)
}

// Face is what a display shows.
type Face struct {
	Figures    string
	Fits       bool
	Unit       string
	Zone       string // its mark
	Function   string // "" while live
	Cell       int    // percent
	Large      bool
	UpsideDown bool
}

// Face is what the gauge's display shows now; nothing when it is off.
func (g *Gauge) Face() Face {
	d := &g.p.Display
	if g.power != On {
		return Face{UpsideDown: g.flipped}
	}
	r := g.reading(g.Facing)
	f := Face{Fits: true, Unit: r.Unit.Symbol(), Cell: g.percent, Large: d.Large, UpsideDown: g.flipped}
	digits := d.Digits
	if digits == 0 {
		digits = 7
	}
	mark := func(key, otherwise string) string {
		if m, ok := d.Marks[key]; ok {
			return m
		}
		return otherwise
	}
	if r.Void != Valid {
		f.Figures, f.Fits = mark(r.Void.String(), strings.Repeat("-", digits)), false
	} else {
		f.Figures, f.Zone = r.Shown.String(), mark(r.Zone.String(), "")
		if len(strings.Trim(strings.ReplaceAll(f.Figures, ".", ""), "-")) > digits {
			f.Figures, f.Fits = mark("full", strings.Repeat("=", digits)), false
		}
	}
	if r.Function != Live {
		f.Function = r.Function.String()
	}
	if d.Large {
		f.Unit, f.Function, f.Cell = "", "", 0
	}
	return f
}

// tilt turns the display over when the gauge is held upside down, with 20° of
// play so that it does not flicker.
func (g *Gauge) tilt(degrees int) {
	if !g.p.Display.Follows {
		return
	}
	if degrees = degrees % 360; degrees < 0 {
		degrees += 360
	}
	off := min(degrees, 360-degrees) // from upright
	if off > 100 {
		g.flipped = true
	} else if off < 80 {
		g.flipped = false
	}
}
