package port

import (
	"fmt"
	"strconv"
	"strings"
)

// Parity is the parity bit of a character on the line.
type Parity uint8

// The parities. ParityUnknown: the transport does not show it.
const (
	ParityUnknown Parity = iota
	ParityNone
	ParityOdd
	ParityEven
	ParityMark
	ParitySpace
)

// Stop is the length of the stop element of a character.
type Stop uint8

// The stop lengths. StopUnknown: the transport does not show it.
const (
	StopUnknown Stop = iota
	StopOne
	StopOneHalf // one and a half
	StopTwo
)

// Flow is how one side tells the other to wait.
type Flow uint8

// The kinds of flow control. FlowUnknown: the transport does not show it.
const (
	FlowUnknown Flow = iota
	FlowNone
	FlowXonXoff
	FlowRTSCTS
	FlowDTRDSR
)

// Settings are the settings of an asynchronous serial line. A zero field is one
// that is not known: a Linux pty, for one, keeps no character size and no parity.
type Settings struct {
	Baud   int // bits a second
	Data   int // data bits in a character, 5 to 8
	Parity Parity
	Stop   Stop
	Flow   Flow
}

const (
	parityLetters = "?NOEMS"
	noStop        = "?"
)

var (
	stopNames = [...]string{noStop, "1", "1.5", "2"}
	flowNames = [...]string{"", "no-flow", "xon/xoff", "rts/cts", "dtr/dsr"}
)

// String is the usual short form: "9600 8N1", with the flow control behind it
// when it is known: "9600 7E2 rts/cts". A field that is not known is "?".
func (s Settings) String() string {
	baud, data, parity, stop := "?", "?", byte('?'), noStop
	if s.Baud > 0 {
		baud = strconv.Itoa(s.Baud)
	}
	if s.Data > 0 {
		data = strconv.Itoa(s.Data)
	}
	if int(s.Parity) < len(parityLetters) {
		parity = parityLetters[s.Parity]
	}
	if int(s.Stop) < len(stopNames) {
		stop = stopNames[s.Stop]
	}
	text := baud + " " + data + string(parity) + stop
	if s.Flow != FlowUnknown && int(s.Flow) < len(flowNames) {
		text += " " + flowNames[s.Flow]
	}
	return text
}

// ParseSettings reads what Settings.String writes. The flow control may be left out.
func ParseSettings(text string) (Settings, error) {
	bad := func(what, want string) (Settings, error) {
		return Settings{}, fmt.Errorf("line settings %q: %s; want %s, as in \"9600 8N1\" or \"9600 7E2 rts/cts\"", text, what, want)
	}
	var s Settings
	words := strings.Fields(text)
	if len(words) != 2 && len(words) != 3 {
		return bad(fmt.Sprintf("%d words", len(words)), "speed, then character, then perhaps flow control")
	}
	if words[0] != "?" {
		n, err := strconv.Atoi(words[0])
		if err != nil || n < 1 || n > 20_000_000 {
			return bad("speed "+strconv.Quote(words[0]), "1 to 20000000 bits a second")
		}
		s.Baud = n
	}
	frame := words[1]
	if len(frame) < 3 {
		return bad("character "+strconv.Quote(frame), "data bits, parity letter and stop bits")
	}
	if d := frame[0]; d != '?' {
		if d < '5' || d > '8' {
			return bad("data bits "+strconv.Quote(frame[:1]), "5 to 8")
		}
		s.Data = int(d - '0')
	}
	p := strings.IndexByte(parityLetters, frame[1])
	if p < 0 {
		return bad("parity "+strconv.Quote(frame[1:2]), "N, O, E, M or S")
	}
	s.Parity = Parity(p)
	stop := -1
	for i, name := range stopNames {
		if name == frame[2:] {
			stop = i
		}
	}
	if stop < 0 {
		return bad("stop bits "+strconv.Quote(frame[2:]), "1, 1.5 or 2")
	}
	s.Stop = Stop(stop)
	if len(words) == 3 {
		for i, name := range flowNames {
			if name == words[2] {
				s.Flow = Flow(i)
			}
		}
		if s.Flow == FlowUnknown {
			return bad("flow control "+strconv.Quote(words[2]), strings.Join(flowNames[1:], ", "))
		}
	}
	return s, nil
}

// Clash names the fields that both sides know and in which they differ, so that
// characters would be misread on a real line: "speed 9600, not 19200". Flow
// control is named too; it costs bytes only when a side falls behind.
func (s Settings) Clash(host Settings) []string {
	var out []string
	differ := func(field string, known bool, gauge, asked any) {
		if known && gauge != asked {
			out = append(out, fmt.Sprintf("%s %v, not %v", field, gauge, asked))
		}
	}
	differ("speed", s.Baud > 0 && host.Baud > 0, s.Baud, host.Baud)
	differ("data bits", s.Data > 0 && host.Data > 0, s.Data, host.Data)
	g, h := Settings{Parity: s.Parity, Stop: s.Stop}.String(), Settings{Parity: host.Parity, Stop: host.Stop}.String()
	differ("parity", s.Parity != 0 && host.Parity != 0, g[3:4], h[3:4])
	differ("stop bits", s.Stop != 0 && host.Stop != 0, g[4:], h[4:])
	if s.Flow != 0 && host.Flow != 0 && int(s.Flow) < len(flowNames) && int(host.Flow) < len(flowNames) {
		differ("flow control", true, flowNames[s.Flow], flowNames[host.Flow])
	}
	return out
}
