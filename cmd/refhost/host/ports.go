package host

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"time"

	"go.bug.st/serial"

	"example.org/understudy/sim/wire"
)

// Wants is the port that the host wants open, and how.
type Wants struct {
	Place    int    // the gauge that the job puts there
	Again    bool   // it was open before
	Line     string // such as "9600 8N1"
	Lines    bool   // the control lines are to be set, as follows
	DTR, RTS bool
	Break    bool // a break is to be sent

	line line
}

// wants is how the host opens a session's port, its mistakes included.
func (s *session) wants(first bool) Wants {
	j, d := s.mind.job, s.mind.defects
	l := j.Gauges[s.place].Line.with(d)
	return Wants{Place: s.place, Again: !first, Line: l.String(), line: l, Lines: !d["control-lines-idle"],
		DTR: j.AtLine.DTR == "raised", RTS: j.AtLine.RTS == "raised", Break: (j.AtLine.Breaks == "some") != d["sends-breaks"]}
}

// Ground is what the host runs on: an operating system, or a world in the same
// process as the gauges.
type Ground struct {
	Start    time.Time                               // on the host's clock
	Since    func() time.Duration                    // the start
	Open     func(ctx context.Context, w Wants) Port // waits for the port; nil: ctx is done
	Pause    func(time.Duration)                     // does nothing; for mistakes
	Idle     func(ctx context.Context)               // waits for the end
	Dialects map[string]*wire.Dialect                // that need not be read from a file
}

// open opens a port of this machine or the network, trying until it is there.
// That a port is not there is worth a word only at the start.
func (h *host) open(ctx context.Context, w Wants) Port {
	g := &h.mind.job.Gauges[w.Place]
	for said := ""; ; {
		p, err := openPort(ctx, g, w)
		if err == nil {
			return p
		}
		if why := err.Error(); why != said && (!w.Again || !errors.Is(err, os.ErrNotExist)) && ctx.Err() == nil {
			said = why
			h.complain(g.Name, "%s does not open: %s; trying again every %s", g.Port, why, retry)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(retry):
		}
	}
}

func openPort(ctx context.Context, g *gauge, w Wants) (Port, error) {
	switch g.PortKind {
	case "tcp":
		return dialTCP(ctx, g.Port)
	case "rfc2217":
		return dialComPort(ctx, g.Port, w.commands())
	default:
		return serial.Open(g.Port, w.line.mode())
	}
}

func (l line) String() string { return fmt.Sprintf("%d %d%c%s", l.Baud, l.Data, l.Parity, l.Stop) }

// with is how the host sets the line, its mistakes included.
func (l line) with(d defects) line {
	if d["wrong-baud"] {
		l.Baud *= 2
	}
	if d["wrong-parity"] {
		if l.Parity == 'E' {
			l.Parity = 'N'
		} else {
			l.Parity = 'E'
		}
	}
	return l
}

func (l line) mode() *serial.Mode {
	return &serial.Mode{BaudRate: l.Baud, DataBits: l.Data,
		Parity:   map[byte]serial.Parity{'N': serial.NoParity, 'E': serial.EvenParity, 'O': serial.OddParity, 'M': serial.MarkParity, 'S': serial.SpaceParity}[l.Parity],
		StopBits: map[string]serial.StopBits{"1": serial.OneStopBit, "1.5": serial.OnePointFiveStopBits, "2": serial.TwoStopBits}[l.Stop],
	}
}

// tcpPort is a port on TCP.
type tcpPort struct {
	net.Conn
	wait time.Duration
}

func dialTCP(ctx context.Context, address string) (*tcpPort, error) {
	conn, err := (&net.Dialer{}).DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, err
	}
	return &tcpPort{Conn: conn}, nil
}

func (p *tcpPort) SetReadTimeout(d time.Duration) error {
	p.wait = d
	return nil
}

func (p *tcpPort) Read(b []byte) (int, error) {
	p.Conn.SetReadDeadline(time.Now().Add(max(p.wait, time.Millisecond))) // a deadline that is past reads nothing
	n, err := p.Conn.Read(b)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		err = nil
	}
	return n, err
}
