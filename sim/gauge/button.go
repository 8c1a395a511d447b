package gauge

import (
	"fmt"
	"time"
)

// button is a button's state. A press is decided as soon as it can be: at once
// where it has only one meaning, else when it is let go, held long enough, or
// not pressed a second time.
type button struct {
	raw    bool          // the contact, which may bounce
	down   bool          // the button
	lock   time.Duration // not looked at before
	since  time.Duration // when it went down
	done   bool          // what this press means was decided
	single bool          // it was let go, and may be pressed a second time
	until  time.Duration // until when
}

// buttonDue is when a button next wants the gauge's attention.
func (g *Gauge) buttonDue(i int) time.Duration {
	b, spec := &g.buttons[i], &g.p.Buttons[i]
	due := Never
	if b.raw != b.down {
		due = b.lock
	}
	if b.down && !b.done && (spec.Long != NoAction) {
		due = min(due, b.since+spec.LongAfter)
	}
	if b.single {
		due = min(due, b.until)
	}
	return due
}

// edge takes a movement of a contact.
func (g *Gauge) edge(at time.Duration, i int, down bool, out *Out) {
	if i < 0 || i >= len(g.buttons) || g.buttons[i].raw == down {
		return
	}
	b := &g.buttons[i]
	b.raw = down
	if at >= b.lock {
		g.moveButton(at, i, out)
	}
}

// buttonLapse does what has come of a button by a time.
func (g *Gauge) buttonLapse(at time.Duration, i int, out *Out) {
	b, spec := &g.buttons[i], &g.p.Buttons[i]
	if b.raw != b.down && at >= b.lock {
		g.moveButton(at, i, out)
	}
	if b.down && !b.done && spec.Long != NoAction && at >= b.since+spec.LongAfter {
		b.done = true
		g.pressed(at, i, spec.Long, out)
	}
	if b.single && at >= b.until {
		b.single = false
		g.pressed(at, i, spec.Press, out)
	}
}

// moveButton takes the contact's state as the button's.
func (g *Gauge) moveButton(at time.Duration, i int, out *Out) {
	b, spec, other := &g.buttons[i], &g.p.Buttons[i], &g.buttons[1-i]
	b.down, b.lock = b.raw, at+g.p.Debounce
	if !b.down {
		if b.done {
			return
		}
		b.done = true
		switch {
		case spec.Long != NoAction && at >= b.since+spec.LongAfter:
			g.pressed(at, i, spec.Long, out)
		case spec.Double != NoAction && g.power == On:
			b.single, b.until = true, at+spec.DoubleWithin
		default:
			g.pressed(at, i, spec.Press, out)
		}
		return
	}
	b.since, b.done = at, false
	if g.power == On {
		g.stirred = at
	}
	switch {
	case g.power == Starting:
		b.done = true
	case g.power == Off:
		// It comes on as it goes off, by the button that does it, held as long;
		// a gauge without such a button comes on by any.
		if spec.Long == PowerAction {
			return
		}
		b.done = true
		if spec.Press == PowerAction || spec.Double == PowerAction || !g.powerButton() {
			g.switchOn(at, out)
		}
	case g.p.Together != NoAction && other.down && !other.done && at-other.since <= ChordTime:
		b.done, other.done = true, true
		out.add(Emission{Kind: Noted, Text: "both buttons: " + g.p.Together.String()})
		g.act(at, g.p.Together, "button", out)
	case b.single && at <= b.until:
		b.single, b.done = false, true
		g.pressed(at, i, spec.Double, out)
	case spec.Long == NoAction && spec.Double == NoAction && g.p.Together == NoAction:
		b.done = true
		g.pressed(at, i, spec.Press, out)
	}
}

// powerButton reports whether some button switches the gauge.
func (g *Gauge) powerButton() bool {
	for _, b := range g.p.Buttons {
		if b.Press == PowerAction || b.Long == PowerAction || b.Double == PowerAction {
			return true
		}
	}
	return false
}

// pressed carries a button's action out, or switches on with it.
func (g *Gauge) pressed(at time.Duration, i int, a Action, out *Out) {
	switch {
	case g.power == On:
		g.act(at, a, "button", out)
	case g.power == Off && a == PowerAction:
		g.switchOn(at, out)
	}
}

func (g *Gauge) lost(tag int64, out *Out) {
	out.add(Emission{Kind: Noted, Text: fmt.Sprintf("tag %d is lost: the gauge goes off", tag)})
}
