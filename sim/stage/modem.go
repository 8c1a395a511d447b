package stage

import (
	"fmt"

	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage/ledger"
)

// tellModem moves the lines that the gauge's side drives, where the port shows
// them: CTS and DSR are on with the gauge, CD while the gauge is on and its link is
// up (common practice, no source).
func (a *actor) tellModem() {
	p, ok := a.port.(port.Modem)
	if !ok {
		return
	}
	on := a.g.Power() == gauge.On
	now := port.ModemLines{CTS: on, DSR: on, CD: on && a.link.Phase.Joined()}
	if a.modem != nil && *a.modem == now {
		return
	}
	if a.modem != nil || now != (port.ModemLines{CTS: true, DSR: true, CD: true}) { // as which every port begins
		a.s.write(ledger.Entry{Gauge: a.name, Kind: ledger.KindPort, Port: &ledger.Port{What: "modem",
			Note: fmt.Sprintf("CTS %v DSR %v CD %v", now.CTS, now.DSR, now.CD)}})
	}
	a.modem = &now
	p.SetModem(now)
}

// tellErrors tells the host what its receiver makes of characters sent at other
// settings than its own, where the port can.
func (a *actor) tellErrors(e port.LineState) {
	if p, ok := a.port.(port.Modem); ok && e != 0 {
		p.NotifyLine(e)
	}
}
