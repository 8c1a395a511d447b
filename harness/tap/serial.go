package tap

import (
	"fmt"
	"time"

	"example.org/understudy/sim/port"
	"go.bug.st/serial"
)

// OpenSerial opens a serial device of this machine with line settings, of which
// at least the speed is known.
func OpenSerial(path string, line port.Settings) (Device, error) {
	d := &device{line: line}
	p, err := serial.Open(path, d.mode())
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	d.Port = p
	return d, nil
}

// device is a serial device of this machine.
type device struct {
	serial.Port
	line port.Settings
}

func (d *device) mode() *serial.Mode {
	m := &serial.Mode{BaudRate: d.line.Baud, DataBits: 8}
	if d.line.Data != 0 {
		m.DataBits = d.line.Data
	}
	m.Parity = map[port.Parity]serial.Parity{port.ParityOdd: serial.OddParity, port.ParityEven: serial.EvenParity, port.ParityMark: serial.MarkParity, port.ParitySpace: serial.SpaceParity}[d.line.Parity]
	m.StopBits = map[port.Stop]serial.StopBits{port.StopOneHalf: serial.OnePointFiveStopBits, port.StopTwo: serial.TwoStopBits}[d.line.Stop]
	return m
}

func (d *device) Set(s port.Settings) error {
	if s.Baud != 0 {
		d.line.Baud = s.Baud
	}
	if s.Data != 0 {
		d.line.Data = s.Data
	}
	if s.Parity != port.ParityUnknown {
		d.line.Parity = s.Parity
	}
	if s.Stop != port.StopUnknown {
		d.line.Stop = s.Stop
	}
	if err := d.SetMode(d.mode()); err != nil {
		return fmt.Errorf("the device cannot be set to %s: %w", s, err)
	}
	return nil
}

func (d *device) Lines(l port.ControlLines) error {
	if err := d.SetDTR(l.DTR); err != nil {
		return fmt.Errorf("the device's DTR cannot be set: %w", err)
	}
	if err := d.SetRTS(l.RTS); err != nil {
		return fmt.Errorf("the device's RTS cannot be set: %w", err)
	}
	return nil
}

func (d *device) Break() error { return d.Port.Break(250 * time.Millisecond) }
