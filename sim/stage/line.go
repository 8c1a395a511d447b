package stage

import (
	"example.org/understudy/sim/port"
	"example.org/understudy/sim/uart"
)

// lineSettings is how the gauge's line is set: as the member says, or its dialect.
func (m *Member) lineSettings() uart.Settings {
	if m.Line != (uart.Settings{}) || m.Dialect == nil {
		return m.Line
	}
	return m.Dialect.Line()
}

// setSpeed has the gauge's line run at a speed.
func (a *actor) setSpeed(baud int) {
	a.speeds++
	if a.line.Baud == baud {
		return
	}
	a.line.Baud = baud
	a.note("line set to " + a.line.String())
}

// hostLine is how a host has set its side of the line. What a port does not
// show counts as the scenario has the gauge's; a pty, for one, shows no parity.
func (a *actor) hostLine(s port.Settings) uart.Settings {
	own := a.m.lineSettings()
	h := own
	if s.Baud > 0 {
		h.Baud = s.Baud
	}
	if s.Data > 0 {
		h.DataBits = s.Data
	}
	if s.Parity != port.ParityUnknown {
		h.Parity = map[port.Parity]uart.Parity{port.ParityNone: uart.None, port.ParityOdd: uart.Odd, port.ParityEven: uart.Even,
			port.ParityMark: uart.Mark, port.ParitySpace: uart.Space}[s.Parity]
	}
	if s.Stop != port.StopUnknown {
		h.Stop = map[port.Stop]uart.StopBits{port.StopOne: uart.Stop1, port.StopOneHalf: uart.Stop15, port.StopTwo: uart.Stop2}[s.Stop]
	}
	if h.Validate() != nil {
		return own // no line can be set like that
	}
	return h
}

// misread is what a receiver set to rx makes of bytes sent at tx. It keeps
// characters whose parity or stop bit is wrong, as a port does that is not told
// to drop them, and a break as a zero byte. errors is what it reports of them.
func misread(p []byte, tx, rx uart.Settings) (got []byte, errors port.LineState) {
	for _, c := range uart.Receive(p, tx, rx) {
		got = append(got, c.Byte)
		for _, e := range []struct {
			is bool
			as port.LineState
		}{{c.Framing, port.FramingError}, {c.Parity, port.ParityError}, {c.Break, port.BreakDetect}} {
			if e.is {
				errors |= e.as
			}
		}
	}
	return got, errors
}
