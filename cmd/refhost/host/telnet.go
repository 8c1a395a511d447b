package host

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Telnet (RFC 854): commands; and options.
const (
	telSE, telSB, telWILL, telWONT, telDO, telDONT, telIAC = 240, 250, 251, 252, 253, 254, 255

	optBinary, optNoGoAhead, optComPort = 0, 3, 44 // RFC 856, RFC 858, RFC 2217
)

// settleWait is how long the server of a COM port may take to set the line.
const settleWait = 3 * time.Second

// comPort is a serial port behind a Telnet COM port server (RFC 2217).
type comPort struct {
	tcpPort
	state    byte   // how far into a command the bytes are: 0, IAC, a verb, SB, SE (IAC inside SB)
	sub      []byte // of the subnegotiation in hand
	agreed   bool   // the server takes COM port commands
	refused  bool
	set      int    // answers to settings
	odd      error  // an answer that is not what was asked
	early    []byte // data that came before the line was set
	settings [][]byte
}

// dialComPort opens the port of "rfc2217://host:port" and sets it by commands.
func dialComPort(ctx context.Context, address string, settings [][]byte) (*comPort, error) {
	tcp, err := dialTCP(ctx, strings.TrimPrefix(address, "rfc2217://"))
	if err != nil {
		return nil, err
	}
	p := &comPort{tcpPort: *tcp, settings: settings}
	if err := p.agree(); err != nil {
		p.Close()
		return nil, err
	}
	return p, nil
}

// commands are those that set a line (RFC 2217 §2, with its values), move the
// control lines, both low before, and send a break (SET-CONTROL).
func (w Wants) commands() [][]byte {
	all := [][]byte{
		binary.BigEndian.AppendUint32([]byte{1}, uint32(w.line.Baud)),
		{2, byte(w.line.Data)},
		{3, byte(1 + strings.IndexByte("NOEMS", w.line.Parity))},
		{4, map[string]byte{"1": 1, "2": 2, "1.5": 3}[w.line.Stop]},
	}
	if w.Lines {
		all = append(all, []byte{5, onOff(w.DTR, 8)}, []byte{5, onOff(w.RTS, 11)})
	}
	if w.Break {
		all = append(all, []byte{5, 5}, []byte{5, 6})
	}
	return all
}

// onOff is the value that switches a control line on, or the next, which switches
// it off.
func onOff(on bool, value byte) byte {
	if on {
		return value
	}
	return value + 1
}

func (p *comPort) agree() error {
	if _, err := p.Conn.Write([]byte{telIAC, telWILL, optComPort, telIAC, telWILL, optBinary, telIAC, telDO, optBinary,
		telIAC, telWILL, optNoGoAhead, telIAC, telDO, optNoGoAhead}); err != nil {
		return err
	}
	buf := make([]byte, 512)
	for until := time.Now().Add(settleWait); p.set < len(p.settings); {
		switch {
		case p.refused:
			return errors.New("the server refuses COM port commands (RFC 2217)")
		case p.odd != nil:
			return p.odd
		case time.Now().After(until):
			return fmt.Errorf("the server did not set the line within %s", settleWait)
		}
		p.SetReadTimeout(100 * time.Millisecond)
		n, err := p.read(buf)
		if err != nil {
			return err
		}
		p.early = append(p.early, buf[:n]...)
	}
	return p.odd
}

// Read returns data only; what Telnet says in between is dealt with.
func (p *comPort) Read(b []byte) (int, error) {
	if len(p.early) > 0 {
		n := copy(b, p.early)
		p.early = p.early[n:]
		return n, nil
	}
	return p.read(b)
}

func (p *comPort) read(b []byte) (int, error) {
	n, err := p.tcpPort.Read(b)
	data, answer := p.decode(b[:n])
	if len(answer) > 0 && err == nil {
		_, err = p.Conn.Write(answer)
	}
	return data, err
}

// Write doubles the byte that announces commands.
func (p *comPort) Write(b []byte) (int, error) {
	out := make([]byte, 0, len(b))
	for _, c := range b {
		if c == telIAC {
			out = append(out, telIAC)
		}
		out = append(out, c)
	}
	if _, err := p.Conn.Write(out); err != nil {
		return 0, err
	}
	return len(b), nil
}

// decode moves the data of b to its front and returns how much it is, and what
// has to be answered.
func (p *comPort) decode(b []byte) (data int, answer []byte) {
	for _, c := range b {
		switch p.state {
		case 0:
			if c == telIAC {
				p.state = telIAC
				continue
			}
			b[data] = c
			data++
		case telIAC:
			p.state = 0
			switch c {
			case telIAC:
				b[data] = c
				data++
			case telWILL, telWONT, telDO, telDONT:
				p.state = c
			case telSB:
				p.state, p.sub = telSB, p.sub[:0]
			}
		case telSB:
			if c == telIAC {
				p.state = telSE
			} else if len(p.sub) < 64 {
				p.sub = append(p.sub, c)
			}
		case telSE:
			p.state = telSB
			if c == telSE {
				p.state = 0
				p.told()
			} else if c == telIAC && len(p.sub) < 64 {
				p.sub = append(p.sub, c)
			}
		default: // the option of a verb
			answer = append(answer, p.verb(p.state, c)...)
			p.state = 0
		}
	}
	return data, answer
}

// verb deals with an option. Those asked for at the start need no answer.
func (p *comPort) verb(verb, option byte) []byte {
	ours := option == optBinary || option == optNoGoAhead
	switch {
	case verb == telDO && option == optComPort && !p.agreed:
		p.agreed = true
		var out []byte
		for _, s := range p.settings {
			out = append(out, telIAC, telSB, optComPort)
			for _, c := range s {
				if c == telIAC {
					out = append(out, telIAC)
				}
				out = append(out, c)
			}
			out = append(out, telIAC, telSE)
		}
		return out
	case verb == telDONT && option == optComPort:
		p.refused = true
	case verb == telDO && option != optComPort && !ours:
		return []byte{telIAC, telWONT, option}
	case verb == telWILL && !ours:
		return []byte{telIAC, telDONT, option}
	}
	return nil
}

// told deals with a subnegotiation: the server says what is set now. Its
// answers are numbered 100 higher than the commands (RFC 2217 §2).
func (p *comPort) told() {
	if len(p.sub) < 2 || p.sub[0] != optComPort || p.sub[1] < 101 || p.sub[1] > 105 || p.set == len(p.settings) {
		return
	}
	asked := p.settings[p.set]
	if asked[0] != p.sub[1]-100 {
		return // to nothing that was asked; answers come in order
	}
	if string(p.sub[2:]) != string(asked[1:]) && p.odd == nil {
		p.odd = fmt.Errorf("the server set % X where % X was asked (RFC 2217 command %d)", p.sub[2:], asked[1:], asked[0])
	}
	p.set++
}
