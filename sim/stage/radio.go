package stage

import (
	"time"

	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/link"
	"example.org/understudy/sim/stage/ledger"
)

// radio is a gauge's link, or the wire that stands for one, and what cues do to the
// frames on it.
type radio struct {
	link     *link.State
	linkAt   time.Duration
	told     bool // the gauge thinks that its link is up
	silent   bool // the link is lost and the host sees silence, not a hang-up
	inFlight map[uint64]flight
	offered  uint64
	tamper   tamper
}

// flight is a frame on its way through the link.
type flight struct {
	id    int // in the ledger; 0: bytes of a handshake
	bytes []byte
}

// idealLink is the link of a member that names none.
var idealLink = func() *link.Link {
	l, err := link.New(link.Config{})
	if err != nil {
		panic(err) // the zero Config is valid by its contract
	}
	return l
}()

// tellLink tells the gauge whether it is heard: its link is up, and where the
// port had gone away with the link the host that had it open has it open again.
func (a *actor) tellLink() {
	up := a.link.Phase.Joined() && !a.awaited
	if up == a.told {
		return
	}
	a.told = up
	// The probe is not read for it: when a host opens its port again must not
	// change the noise of what is measured later.
	a.step(gauge.Event{Kind: gauge.LinkTold, Up: up})
	a.schedule()
	a.greet()
}

// send gives bytes to the link. An ideal link hands them on at once, and so does every
// one that is up while the timeline stands: a host that waits for them could not be
// waited for.
func (a *actor) send(id int, raw []byte) {
	a.linkRun()
	if a.m.Link.Pass(a.link, len(raw)) || a.s.stands() && a.link.Phase == link.Up {
		a.deliver(flight{id, raw})
		return
	}
	a.offered++
	a.inFlight[a.offered] = flight{id, raw}
	switch a.m.Link.Offer(a.link, a.s.now, a.offered, len(raw)) {
	case link.NoLink:
		a.fate(a.offered, ledger.Lost)
	case link.Refused:
		a.fate(a.offered, ledger.Flushed)
	}
	a.linkRun()
	a.linkWake()
}

// fate ends the way of a frame that does not arrive.
func (a *actor) fate(id uint64, f ledger.Fate) {
	fl := a.inFlight[id]
	delete(a.inFlight, id)
	a.heard = false
	a.gone([]int{fl.id}, f, nil, "")
}

// linkRun brings the link to the present and carries out what came of it.
func (a *actor) linkRun() {
	for {
		ev, ok := a.m.Link.Advance(a.link, a.s.now)
		if !ok {
			return
		}
		switch ev.Kind {
		case link.Delivered:
			fl := a.inFlight[ev.ID]
			delete(a.inFlight, ev.ID)
			a.deliver(fl)
		case link.Flushed:
			a.fate(ev.ID, ledger.Flushed)
		case link.Dropped:
			a.fate(ev.ID, ledger.Lost)
		case link.Changed:
			a.linkChanged(ev)
		}
	}
}

// linkWake queues the link's next business.
func (a *actor) linkWake() {
	at, ok := a.m.Link.Next(a.link)
	if !ok || at == a.linkAt && at > a.s.now {
		return
	}
	a.linkAt = at
	a.s.at(at, func() {
		a.linkRun()
		a.linkWake()
	})
}

func (a *actor) linkChanged(ev link.Event) {
	why := ""
	if ev.Timeout {
		why = "nothing was heard for the supervision time"
	}
	a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindLink, Link: &ledger.Link{State: ev.Phase.String(), Why: why}})
	a.tellModem()
	switch {
	case ev.Phase == link.Lost:
		a.tellLink()
		a.tamper.drop(a)
		a.heard = false // what was said last may have been among it
		if !a.silent {
			a.hangUp()
		}
	case ev.Phase == link.Up && a.down:
		a.comeBack()
	}
	if ev.Phase == link.Up {
		a.silent = false
	}
	a.tellLink()
	a.reload()
}

// deliver takes a frame that has come through the link to the port.
func (a *actor) deliver(fl flight) { a.tamper.frame(a, fl) }

// lose takes the link away for a time.
func (a *actor) lose(d time.Duration) {
	a.m.Link.Lose(a.link, d) // from the link's now, which is the stage's: linkRun came first
	a.linkRun()
	a.linkWake()
}
