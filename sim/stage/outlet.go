package stage

import (
	"fmt"
	"slices"
	"strconv"
	"time"

	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/uart"
)

// outlet is a gauge's port, and what is known of the host at it.
type outlet struct {
	port     port.Port
	line     uart.Settings // of the gauge
	asked    uart.Settings // of the host
	speeds   int           // times the gauge's speed was set
	home     string        // name of the port at the start
	away     string        // name it comes back under, where that is another
	down     bool          // hung up by us
	opened   bool          // a host has had it open
	inUse    bool          // a host has it open, as far as has been told
	awaited  bool          // the port is back, and the host that had it open has not opened it yet
	reopened bool          // the host has opened it after it came back
	spoken   bool          // it has said something since it opened it last
	settled  bool          // or has been seen to be ready since then
	// asksAgain says that it has said something when it opened it again.
	asksAgain bool
	modem     *port.ModemLines // as told last
	moved     bool             // the host has moved its control lines since it opened the port

	heard    bool      // the bytes sent last reached the port
	gathers  bool      // frames are gathered at the port
	wrote    int       // the stage's run in which a frame was put last
	ahead    int       // bytes put since Drain last saw it read everything, at most
	lately   []handed  // of them, by the time, where the host reads ahead
	taken    int64     // bytes that it has read, at least, of all that the port took
	before   int64     // bytes that the port had taken when the host opened it last
	openedAt time.Time // and when that was
	purged   time.Time // by the host, last
	slow     bool      // the host does not read: do not wait for it
	stall    stall     // of its reading
}

func (a *actor) hangUp() {
	if a.port == nil || a.down {
		a.down = true
		return
	}
	a.down = true
	a.stalled()
	a.s.flushPorts()
	lost, exact, err := a.port.HangUp()
	if !exact && a.inUse {
		lost = max(lost, a.unknown())
	}
	lost = max(lost, a.late())
	a.s.calm.owed = a.s.calm.owed || a.inUse
	a.inUse = false
	if lost > 0 {
		a.unread(lost)
	}
	a.portNote("hung up", lost, err)
}

func (a *actor) comeBack() {
	a.down = false
	if a.port == nil {
		return
	}
	a.awaited, a.s.calm.loose, a.s.calm.behind, a.s.calm.owed = a.opened, true, true, true
	err := a.comeBackAs(a.away)
	if err != nil && a.away != "" {
		if own := a.comeBackAs(""); own != nil {
			err = own
		} else {
			err = fmt.Errorf("it keeps its name: %w", err)
		}
	}
	a.portNote("returned", 0, err)
	a.away = ""
}

func (a *actor) comeBackAs(name string) error {
	for _, o := range a.s.actors {
		if o != a && o.port != nil && !o.down && name != "" && o.port.Name() == name {
			return fmt.Errorf("%s is at %s", o.name, name)
		}
	}
	return a.port.Return(name)
}

func (a *actor) portNote(what string, lost int, err error) {
	p := &ledger.Port{What: what, Lost: lost, Path: a.port.Path()}
	if err != nil {
		p.Note = err.Error()
	}
	a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindPort, Port: p})
}

// put hands bytes to the port.
func (a *actor) put(raw []byte) ledger.Fate {
	if a.port == nil && a.s.restart.away {
		return ledger.Unheard
	} else if a.port == nil {
		return ledger.Sent // on paper there is a perfect listener
	}
	a.heard = false
	a.s.calm.loose = true
	a.ahead += len(raw)
	a.hand()
	var o port.Outcome
	if g, ok := a.port.(port.Gatherer); ok && (a.s.calm.plain || a.s.behind && a.wrote == a.s.run) {
		o = g.Gather(raw)
		if !a.gathers {
			a.gathers, a.s.gathered = true, append(a.s.gathered, a)
		}
	} else {
		o = a.port.Write(raw)
	}
	a.wrote = a.s.run
	switch o {
	case port.DroppedFull:
		return ledger.Full
	case port.DroppedUnheard:
		return ledger.Unheard
	case port.DroppedDown:
		return ledger.Down
	}
	a.heard = true
	return ledger.Sent
}

// waiting reports whether Drain must wait for this gauge's host, and how many
// bytes it has not read.
func (a *actor) waiting() (bool, int) {
	if a.port == nil || a.down {
		return false, 0
	}
	open := a.port.Open()
	if open && !a.inUse {
		return true, 0 // its opening is on its way here
	}
	if !a.opened {
		return false, 0
	}
	if !open && a.s.restart.absent() {
		return false, 0 // nobody is there
	} else if !open && a.strange() {
		return false, 0 // it was not told where the port is now
	} else if a.awaited || !open {
		return true, 0 // it had it open, and will open it again
	}
	if _, shows := a.port.(port.Modem); shows && a.s.play.Raises && !a.moved {
		return true, 0
	}
	if p, ok := a.port.(port.Negotiator); ok && p.Negotiating() {
		return true, 0
	}
	n, _ := a.port.Unread()
	if n == 0 && a.end != nil && (a.said || len(a.kept) > 0) && a.heard && len(a.inFlight) == 0 && a.tamper.idle(a.s.now) {
		_, asked := a.end.Awaits(nil, false) // its answer is still to come
		return asked, 0
	}
	return n > 0, n
}

// strange reports whether the port is at a name that none had at the start.
func (a *actor) strange() bool {
	name := a.port.Name()
	return !slices.ContainsFunc(a.s.actors, func(b *actor) bool { return b.home == name })
}

// youngFor is how long after an opening a purge may throw away all that came since.
const youngFor = 2 * time.Second

func (a *actor) portEvent(e port.Event) {
	note := func(p ledger.Port) {
		a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindPort, Port: &p})
	}
	switch e.Kind {
	case port.Opened:
		a.asksAgain = a.asksAgain || a.reopened && a.spoken
		a.reopened, a.spoken, a.settled = a.awaited, false, false
		a.s.calm.loose, a.s.calm.owed = true, a.s.calm.owed || a.opened
		a.taken = e.Taken // not what it has by now: this may be told late
		a.before, a.openedAt = a.taken, time.Now()
		a.opened, a.inUse, a.moved = true, true, false
		a.asked = a.m.lineSettings() // until it asks for something
		a.tamper.behind = nil        // and it has read nothing yet
		note(ledger.Port{What: "opened", Path: a.port.Path()})
		a.cleared(int(a.given() - a.taken))
		a.awaited = false
		a.tellLink()
	case port.Closed:
		a.stalled()
		a.inUse = false
		note(ledger.Port{What: "closed", Lost: e.Lost})
		a.left(max(e.Lost, a.late()), e.Inexact)
	case port.Received:
		a.spoken = true
		a.received(e.Data)
	case port.Asked:
		note(ledger.Port{What: "asked", Line: e.Settings.String(), Note: e.Cooked})
		a.asked = a.hostLine(e.Settings)
	case port.Break:
		note(ledger.Port{What: "break", Note: strconv.FormatBool(e.On)})
	case port.Lines:
		a.moved = true
		note(ledger.Port{What: "lines", Note: fmt.Sprintf("DTR %v RTS %v", e.Lines.DTR, e.Lines.RTS)})
	case port.Purged:
		if a.purged = time.Now(); a.purged.Sub(a.openedAt) < youngFor { // a client may have all of it still to look at
			a.taken = min(a.taken, a.before)
		}
		note(ledger.Port{What: "purged", Lost: e.Lost})
		a.left(e.Lost, e.Inexact)
	case port.Paused:
		note(ledger.Port{What: "paused", Note: strconv.FormatBool(e.On)})
	case port.Dropped:
		note(ledger.Port{What: "dropped", Lost: len(e.Data)})
	case port.Trouble:
		note(ledger.Port{What: "trouble", Note: e.Err.Error()})
	}
}

// ClearsFor is how long a client may take, on a busy machine, to set itself up after it has
// connected, and throw away what has come by then.
const ClearsFor = 250 * time.Millisecond

// cleared enters bytes that the host may throw away: a purge is under way, or may come
// unseen, for it may still be setting itself up, or it has been asked to end.
func (a *actor) cleared(n int) {
	p, ok := a.port.(port.Clearer)
	clears := ok && p.Clears() && a.s.opt.Pace.kind == timed && !a.spoken && !a.settled && time.Since(a.openedAt) < ClearsFor
	if n > 0 && (clears || !a.purged.IsZero() && time.Since(a.purged) < a.s.purgesFor() || a.s.restart.ending != nil) {
		a.unread(n)
	}
}

// left enters what a host has not read of its session, or thrown away.
func (a *actor) left(lost int, inexact bool) {
	if inexact {
		lost = max(lost, a.unknown())
	}
	if lost > 0 {
		a.unread(lost)
	}
	a.taken = a.given()
}
