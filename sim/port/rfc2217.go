package port

import (
	"bytes"
	"encoding/binary"
	"fmt"
)

// Telnet commands, RFC 854, and options.
const (
	telSE   = 240
	telBRK  = 243
	telSB   = 250
	telWILL = 251
	telWONT = 252
	telDO   = 253
	telDONT = 254
	telIAC  = 255

	optBinary  = 0  // RFC 856
	optSGA     = 3  // RFC 858
	optComPort = 44 // RFC 2217
)

// Com port commands, RFC 2217 section 2 to 5. The server's answers are 100 higher.
const (
	comSignature = iota
	comBaud
	comDataSize
	comParity
	comStopSize
	comControl
	comLineState
	comModemState
	comSuspend
	comResume
	comLineMask
	comModemMask
	comPurge

	comAnswer = 100
)

// ModemLines are the lines that the gauge's side drives, as RFC 2217's
// NOTIFY-MODEMSTATE reports them.
type ModemLines struct{ CTS, DSR, RI, CD bool }

// bits is the upper half of the modem state octet (RFC 2217 section 3).
func (m ModemLines) bits() (b byte) {
	for i, on := range []bool{m.CTS, m.DSR, m.RI, m.CD} {
		if on {
			b |= 0x10 << i
		}
	}
	return b
}

// LineState is a set of conditions that RFC 2217's NOTIFY-LINESTATE reports.
type LineState byte

// The line conditions, with the values of RFC 2217's LINESTATE table.
const (
	DataReady     LineState = 1
	OverrunError  LineState = 2
	ParityError   LineState = 4
	FramingError  LineState = 8
	BreakDetect   LineState = 16
	HoldingEmpty  LineState = 32
	ShiftRegEmpty LineState = 64
	TimeOutError  LineState = 128
)

// maxSub bounds one subnegotiation, in bytes; the longest of use is a signature.
const maxSub = 256

// ComPort is a port on a Telnet COM port server.
type ComPort struct{ *socket }

// OpenRFC2217 makes a port that speaks the Telnet Com Port Control Option: like
// OpenTCP, and line settings, control lines, breaks, purges and pauses of the
// client are told as events. Data is binary in both directions: 255 is doubled and
// nothing else is touched, whether or not the client agrees to BINARY.
//
// Every request for a setting is answered with what is then in force; one that
// cannot be met changes nothing and is told as Trouble. Config.Line is in force at
// the start of each connection. Unlike a pty's, an Asked event comes for every
// request, even one that changes nothing.
func OpenRFC2217(cfg Config, sink func(Event)) (p *ComPort, warning string, err error) {
	s, warning, err := listen(cfg, "rfc2217://", true, sink)
	if err != nil {
		return nil, "", err
	}
	return &ComPort{s}, warning, nil
}

// SetModem moves the lines that the gauge's side drives; CTS, DSR and CD are on at
// first. The client is told of changes, as far as its mask lets it know.
func (p *ComPort) SetModem(m ModemLines) {
	p.reply(func(c *comLine) []byte { return c.setModem(m) }, &m)
}

// NotifyLine reports conditions of the line to the client, as far as its mask lets
// it know; the mask is empty until the client sets one.
func (p *ComPort) NotifyLine(s LineState) {
	p.reply(func(c *comLine) []byte { return c.notifyLine(s) }, nil)
}

func (p *ComPort) reply(notice func(*comLine) []byte, modem *ModemLines) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if modem != nil {
		p.modem = *modem
	}
	if p.cur != nil && !p.cur.dead && len(p.replies) < maxReplies {
		p.replies = append(p.replies, notice(p.cur.com)...)
		p.cond.Broadcast()
	}
}

// comLine is one connection's side of the protocol: bytes in, events and answers
// out. It does no input or output of its own.
type comLine struct {
	name   string
	line   Settings
	inFlow byte // SET-CONTROL value for the inbound flow control, 14 to 18
	dtr    bool
	rts    bool
	brk    bool

	modem     byte // modem lines as last known, without deltas
	modemMask byte
	lineMask  byte

	us, them [256]option
	early    bool // has been told off for a command before the option was agreed

	state byte // of the decoder: one of the st constants
	verb  byte // WILL, WONT, DO or DONT
	sub   []byte
	long  bool // sub does not fit

	data    []byte
	events  []Event
	replies []byte
}

// option is our view of one side's option. wanted says that we have asked and not
// yet been answered, so that the answer needs none (RFC 1143's purpose).
type option struct{ on, wanted bool }

const (
	stData = iota
	stIAC
	stVerb
	stSub
	stSubIAC
)

func newComLine(name string, line Settings, modem ModemLines) *comLine {
	// A client's request for the current value needs one: the usual, where the
	// gauge has none of its own.
	if line.Baud == 0 {
		line.Baud = 9600
	}
	if line.Data == 0 {
		line.Data = 8
	}
	if line.Parity == ParityUnknown {
		line.Parity = ParityNone
	}
	if line.Stop == StopUnknown {
		line.Stop = StopOne
	}
	if line.Flow == FlowUnknown {
		line.Flow = FlowNone
	}
	// Both masks as RFC 2217 has them at first: modem lines are told, line
	// conditions are not.
	return &comLine{name: name, line: line, inFlow: 14, modem: modem.bits(), modemMask: 255}
}

// greet is what the server says first: it wants a binary path, both ways.
func (c *comLine) greet() []byte {
	c.us[optBinary].wanted, c.them[optBinary].wanted = true, true
	return []byte{telIAC, telWILL, optBinary, telIAC, telDO, optBinary}
}

// escape appends data with every 255 doubled (RFC 854).
func escape(out, data []byte) []byte {
	for {
		i := bytes.IndexByte(data, telIAC)
		if i < 0 {
			return append(out, data...)
		}
		out = append(append(out, data[:i+1]...), telIAC)
		data = data[i+1:]
	}
}

// feed takes in what the client sent. The bytes may be cut anywhere.
func (c *comLine) feed(in []byte) (events []Event, replies []byte) {
	c.events, c.replies = nil, nil
	for _, b := range in {
		switch c.state {
		case stData:
			if b == telIAC {
				c.state = stIAC
			} else {
				c.data = append(c.data, b)
			}
		case stIAC:
			c.state = stData
			switch b {
			case telIAC:
				c.data = append(c.data, telIAC)
			case telWILL, telWONT, telDO, telDONT:
				c.verb, c.state = b, stVerb
			case telSB:
				c.sub, c.long, c.state = c.sub[:0], false, stSub
			case telBRK:
				c.tell(Event{Kind: Break, On: true})
				c.tell(Event{Kind: Break})
			case telSE:
				c.trouble("IAC SE without a subnegotiation")
			default: // NOP, AYT and the like mean nothing on a line
				if b < telSE {
					c.trouble("IAC %d is no Telnet command", b)
				}
			}
		case stVerb:
			c.state = stData
			c.negotiate(c.verb, b)
		case stSub:
			switch {
			case b == telIAC:
				c.state = stSubIAC
			case len(c.sub) == maxSub:
				c.long = true
			default:
				c.sub = append(c.sub, b)
			}
		case stSubIAC:
			switch {
			case b == telSE:
				c.state = stData
				c.subnegotiation()
			case b == telIAC && len(c.sub) < maxSub:
				c.sub = append(c.sub, b)
				c.state = stSub
			case b == telIAC:
				c.long = true
				c.state = stSub
			default:
				c.trouble("IAC %d inside a subnegotiation: want IAC IAC or IAC SE; the subnegotiation is ignored", b)
				c.state = stData
			}
		}
	}
	c.flush()
	return c.events, c.replies
}

// flush makes an event of the data so far, so that it stays in order.
func (c *comLine) flush() {
	if len(c.data) > 0 {
		c.events = append(c.events, Event{Kind: Received, Data: c.data})
		c.data = nil
	}
}

func (c *comLine) tell(e Event) {
	c.flush()
	c.events = append(c.events, e)
}

func (c *comLine) trouble(format string, args ...any) {
	c.tell(Event{Kind: Trouble, Err: fmt.Errorf("rfc2217: "+format, args...)})
}

// negotiate answers an offer or a demand; an answer that changes nothing needs
// none, or two peers would never stop (RFC 854, RFC 1143).
func (c *comLine) negotiate(verb, opt byte) {
	side, yes, no := &c.us[opt], byte(telWILL), byte(telWONT)
	if verb == telWILL || verb == telWONT {
		side, yes, no = &c.them[opt], telDO, telDONT
	}
	asked := side.wanted
	side.wanted = false
	switch {
	case verb == telWONT || verb == telDONT:
		if side.on {
			c.replies = append(c.replies, telIAC, no, opt)
		}
		side.on = false
	case opt != optBinary && opt != optSGA && opt != optComPort:
		c.replies = append(c.replies, telIAC, no, opt)
	case !side.on:
		was := c.agreed()
		side.on = true
		if !asked {
			c.replies = append(c.replies, telIAC, yes, opt)
		}
		if !was && c.agreed() {
			// How the modem lines stand; the client has no other way to learn it.
			c.notifyModem(c.modem)
		}
	}
}

func (c *comLine) agreed() bool { return c.us[optComPort].on || c.them[optComPort].on }

// subnegotiation deals with one com port command.
func (c *comLine) subnegotiation() {
	if len(c.sub) == 0 || c.sub[0] != optComPort {
		return // of an option that we have refused
	}
	if c.long {
		c.trouble("a subnegotiation of more than %d bytes is ignored", maxSub)
		return
	}
	if len(c.sub) < 2 {
		c.trouble("COM-PORT-OPTION without a command")
		return
	}
	if !c.agreed() && !c.early {
		c.early = true
		c.trouble("a COM-PORT-OPTION command before the option was agreed (section 1); it is obeyed all the same")
	}
	cmd, arg := c.sub[1], c.sub[2:]
	want := 1
	switch cmd {
	case comSignature:
		want = len(arg)
	case comBaud:
		want = 4
	case comSuspend, comResume:
		want = 0
	}
	if cmd > comPurge || cmd == comLineState || cmd == comModemState {
		c.trouble("COM-PORT-OPTION command %d is not a client's (section 2)", cmd)
		return
	}
	if len(arg) != want {
		c.trouble("COM-PORT-OPTION command %d with %d bytes, want %d", cmd, len(arg), want)
		return
	}
	switch cmd {
	case comSignature:
		if len(arg) == 0 {
			c.answer(cmd, []byte("understudy "+c.name)...)
		}
	case comBaud:
		if n := binary.BigEndian.Uint32(arg); n > 20_000_000 {
			c.trouble("%d baud, want at most 20000000", n)
		} else if n != 0 {
			c.line.Baud = int(n)
			c.ask()
		}
		c.answer(cmd, binary.BigEndian.AppendUint32(nil, uint32(c.line.Baud))...)
	case comSuspend, comResume:
		c.tell(Event{Kind: Paused, On: cmd == comSuspend})
	default:
		c.command(cmd, arg[0])
	}
}

// command obeys a command whose argument is one byte, where 0 asks for what is set.
func (c *comLine) command(cmd, v byte) {
	switch cmd {
	case comDataSize:
		if v >= 5 && v <= 8 {
			c.line.Data = int(v)
			c.ask()
		} else if v != 0 {
			c.trouble("data size %d, want 5 to 8", v)
		}
		c.answer(cmd, byte(c.line.Data))
	case comParity: // the values are those of our Parity
		if v >= 1 && v <= 5 {
			c.line.Parity = Parity(v)
			c.ask()
		} else if v != 0 {
			c.trouble("parity %d, want 1 to 5", v)
		}
		c.answer(cmd, byte(c.line.Parity))
	case comStopSize: // 1: one, 2: two, 3: one and a half
		codes := [...]Stop{1: StopOne, 2: StopTwo, 3: StopOneHalf}
		if v >= 1 && v <= 3 {
			c.line.Stop = codes[v]
			c.ask()
		} else if v != 0 {
			c.trouble("stop size %d, want 1 to 3", v)
		}
		for code, s := range codes {
			if s == c.line.Stop {
				c.answer(cmd, byte(code))
			}
		}
	case comControl:
		c.control(v)
	case comLineMask:
		c.lineMask = v
		c.answer(cmd, v)
	case comModemMask:
		c.modemMask = v
		c.answer(cmd, v)
	case comPurge:
		if v < 1 || v > 3 {
			c.trouble("purge %d, want 1 to 3", v)
			return
		}
		if v != 2 { // nothing waits on the way to the gauge
			c.tell(Event{Kind: Purged})
		}
		c.answer(cmd, v)
	}
}

// control is SET-CONTROL, section 2.
func (c *comLine) control(v byte) {
	flows := map[byte]Flow{1: FlowNone, 2: FlowXonXoff, 3: FlowRTSCTS, 19: FlowDTRDSR}
	onOff := func(on bool, code byte) byte { // the code of on is followed by that of off
		if on {
			return code
		}
		return code + 1
	}
	switch v {
	case 0, 1, 2, 3, 19:
		if v != 0 {
			c.line.Flow = flows[v]
			c.ask()
		}
		c.answer(comControl, c.outFlow())
	case 4, 5, 6:
		if v != 4 {
			c.brk = v == 5
			c.tell(Event{Kind: Break, On: c.brk})
		}
		c.answer(comControl, onOff(c.brk, 5))
	case 7, 8, 9:
		if v != 7 {
			c.dtr = v == 8
			c.tell(Event{Kind: Lines, Lines: ControlLines{DTR: c.dtr, RTS: c.rts}})
		}
		c.answer(comControl, onOff(c.dtr, 8))
	case 10, 11, 12:
		if v != 10 {
			c.rts = v == 11
			c.tell(Event{Kind: Lines, Lines: ControlLines{DTR: c.dtr, RTS: c.rts}})
		}
		c.answer(comControl, onOff(c.rts, 11))
	case 13, 14, 15, 16, 18:
		if v != 13 {
			c.inFlow = v
		}
		c.answer(comControl, c.inFlow)
	case 17:
		c.trouble("flow control by DCD is not to be had")
		c.answer(comControl, c.outFlow())
	default:
		c.trouble("SET-CONTROL %d, want 0 to 19", v)
	}
}

func (c *comLine) outFlow() byte {
	switch c.line.Flow {
	case FlowXonXoff:
		return 2
	case FlowRTSCTS:
		return 3
	case FlowDTRDSR:
		return 19
	}
	return 1
}

func (c *comLine) ask() { c.tell(Event{Kind: Asked, Settings: c.line}) }

// answer appends a server's command.
func (c *comLine) answer(cmd byte, value ...byte) {
	c.replies = append(c.replies, telIAC, telSB, optComPort, cmd+comAnswer)
	c.replies = escape(c.replies, value)
	c.replies = append(c.replies, telIAC, telSE)
}

func (c *comLine) notifyModem(state byte) {
	if v := state & c.modemMask; v != 0 {
		c.answer(comModemState, v)
	}
}

// setModem returns the notification of a change of the modem lines, if one is due.
func (c *comLine) setModem(m ModemLines) []byte {
	c.replies = nil
	now := m.bits()
	changed := now ^ c.modem
	// Deltas are the lower half; that of RI shows its trailing edge only.
	delta := changed>>4&^4 | (c.modem&^now)>>4&4
	c.modem = now
	if changed != 0 && c.agreed() {
		c.notifyModem(now | delta)
	}
	return c.replies
}

func (c *comLine) notifyLine(s LineState) []byte {
	c.replies = nil
	if v := byte(s) & c.lineMask; v != 0 && c.agreed() {
		c.answer(comLineState, v)
	}
	return c.replies
}
