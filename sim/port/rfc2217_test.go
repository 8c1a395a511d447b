package port

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"example.org/understudy/sim/testenv"
	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func unhex(t testing.TB, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func quick(t testing.TB, line string) *comLine {
	t.Helper()
	s, err := ParseSettings(line)
	if err != nil {
		t.Fatal(err)
	}
	return newComLine("bore-1", s, ModemLines{CTS: true, DSR: true, CD: true})
}

// TestComLineBytes holds the protocol to RFC 2217, byte by byte: 255 IAC, 250 SB,
// 240 SE, 251 WILL, 252 WONT, 253 DO, 254 DONT (RFC 854), 44 COM-PORT-OPTION; the
// commands and values are those of RFC 2217 section 2 to 5, and answers are 100
// higher. Every row starts with the option agreed and the line at 9600 8N1.
//
// Kind: outside.
func TestComLineBytes(t *testing.T) {
	const (
		sb = "ff fa 2c "
		se = " ff f0"
	)
	asked := func(text string) string { return "asked " + text }
	for _, row := range []struct {
		name, in, out string
		events        []string
	}{
		{"data", "41 0d 0a 00 ff ff 7f", "", []string{"received 41 0d 0a 00 ff 7f"}},

		{"SIGNATURE asked for", sb + "00" + se, sb + "64" + hex.EncodeToString([]byte("understudy bore-1")) + se, nil},
		{"SIGNATURE given, with IAC", sb + "00 41 ff ff 42" + se, "", nil},

		{"SET-BAUDRATE 19200", sb + "01 00 00 4b 00" + se, sb + "65 00 00 4b 00" + se, []string{asked("19200 8N1 no-flow")}},
		{"SET-BAUDRATE 65535, whose bytes are IAC", sb + "01 00 00 ff ff ff ff" + se, sb + "65 00 00 ff ff ff ff" + se, []string{asked("65535 8N1 no-flow")}},
		{"SET-BAUDRATE 0 asks for the current value", sb + "01 00 00 00 00" + se, sb + "65 00 00 25 80" + se, nil},
		{"SET-BAUDRATE out of reach", sb + "01 7f 00 00 00" + se, sb + "65 00 00 25 80" + se, []string{"trouble 2130706432 baud"}},
		{"SET-BAUDRATE cut short", sb + "01 00 4b 00" + se, "", []string{"trouble COM-PORT-OPTION command 1 with 3 bytes, want 4"}},

		{"SET-DATASIZE 7", sb + "02 07" + se, sb + "66 07" + se, []string{asked("9600 7N1 no-flow")}},
		{"SET-DATASIZE 5", sb + "02 05" + se, sb + "66 05" + se, []string{asked("9600 5N1 no-flow")}},
		{"SET-DATASIZE current", sb + "02 00" + se, sb + "66 08" + se, nil},
		{"SET-DATASIZE 9", sb + "02 09" + se, sb + "66 08" + se, []string{"trouble data size 9"}},

		{"SET-PARITY NONE", sb + "03 01" + se, sb + "67 01" + se, []string{asked("9600 8N1 no-flow")}},
		{"SET-PARITY ODD", sb + "03 02" + se, sb + "67 02" + se, []string{asked("9600 8O1 no-flow")}},
		{"SET-PARITY EVEN", sb + "03 03" + se, sb + "67 03" + se, []string{asked("9600 8E1 no-flow")}},
		{"SET-PARITY MARK", sb + "03 04" + se, sb + "67 04" + se, []string{asked("9600 8M1 no-flow")}},
		{"SET-PARITY SPACE", sb + "03 05" + se, sb + "67 05" + se, []string{asked("9600 8S1 no-flow")}},
		{"SET-PARITY current", sb + "03 00" + se, sb + "67 01" + se, nil},
		{"SET-PARITY 6", sb + "03 06" + se, sb + "67 01" + se, []string{"trouble parity 6"}},

		{"SET-STOPSIZE 1", sb + "04 01" + se, sb + "68 01" + se, []string{asked("9600 8N1 no-flow")}},
		{"SET-STOPSIZE 2", sb + "04 02" + se, sb + "68 02" + se, []string{asked("9600 8N2 no-flow")}},
		{"SET-STOPSIZE 1.5", sb + "04 03" + se, sb + "68 03" + se, []string{asked("9600 8N1.5 no-flow")}},
		{"SET-STOPSIZE current", sb + "04 00" + se, sb + "68 01" + se, nil},
		{"SET-STOPSIZE 4", sb + "04 04" + se, sb + "68 01" + se, []string{"trouble stop size 4"}},

		{"SET-CONTROL flow current", sb + "05 00" + se, sb + "69 01" + se, nil},
		{"SET-CONTROL no flow", sb + "05 01" + se, sb + "69 01" + se, []string{asked("9600 8N1 no-flow")}},
		{"SET-CONTROL XON/XOFF", sb + "05 02" + se, sb + "69 02" + se, []string{asked("9600 8N1 xon/xoff")}},
		{"SET-CONTROL hardware", sb + "05 03" + se, sb + "69 03" + se, []string{asked("9600 8N1 rts/cts")}},
		{"SET-CONTROL BREAK state", sb + "05 04" + se, sb + "69 06" + se, nil},
		{"SET-CONTROL BREAK on, state, off", sb + "05 05" + se + sb + "05 04" + se + sb + "05 06" + se,
			sb + "69 05" + se + sb + "69 05" + se + sb + "69 06" + se, []string{"break true", "break false"}},
		{"SET-CONTROL DTR state", sb + "05 07" + se, sb + "69 09" + se, nil},
		{"SET-CONTROL DTR on, state, off", sb + "05 08" + se + sb + "05 07" + se + sb + "05 09" + se,
			sb + "69 08" + se + sb + "69 08" + se + sb + "69 09" + se, []string{"lines {DTR:true RTS:false}", "lines {DTR:false RTS:false}"}},
		{"SET-CONTROL RTS state", sb + "05 0a" + se, sb + "69 0c" + se, nil},
		{"SET-CONTROL RTS on, state, off", sb + "05 0b" + se + sb + "05 0a" + se + sb + "05 0c" + se,
			sb + "69 0b" + se + sb + "69 0b" + se + sb + "69 0c" + se, []string{"lines {DTR:false RTS:true}", "lines {DTR:false RTS:false}"}},
		{"SET-CONTROL inbound flow current", sb + "05 0d" + se, sb + "69 0e" + se, nil},
		{"SET-CONTROL inbound none, XON/XOFF, hardware, DTR, current", sb + "05 0e" + se + sb + "05 0f" + se + sb + "05 10" + se + sb + "05 12" + se + sb + "05 0d" + se,
			sb + "69 0e" + se + sb + "69 0f" + se + sb + "69 10" + se + sb + "69 12" + se + sb + "69 12" + se, nil},
		{"SET-CONTROL DCD flow", sb + "05 11" + se, sb + "69 01" + se, []string{"trouble flow control by DCD"}},
		{"SET-CONTROL DSR flow", sb + "05 13" + se, sb + "69 13" + se, []string{asked("9600 8N1 dtr/dsr")}},
		{"SET-CONTROL 20", sb + "05 14" + se, "", []string{"trouble SET-CONTROL 20"}},

		{"FLOWCONTROL-SUSPEND, RESUME", sb + "08" + se + sb + "09" + se, "", []string{"paused true", "paused false"}},
		{"SET-LINESTATE-MASK", sb + "0a 1e" + se, sb + "6e 1e" + se, nil},
		{"SET-LINESTATE-MASK 255", sb + "0a ff ff" + se, sb + "6e ff ff" + se, nil},
		{"SET-MODEMSTATE-MASK", sb + "0b 30" + se, sb + "6f 30" + se, nil},
		{"PURGE-DATA receive buffer", sb + "0c 01" + se, sb + "70 01" + se, []string{"purged lost 0"}},
		{"PURGE-DATA transmit buffer", sb + "0c 02" + se, sb + "70 02" + se, nil},
		{"PURGE-DATA both", sb + "0c 03" + se, sb + "70 03" + se, []string{"purged lost 0"}},
		{"PURGE-DATA 4", sb + "0c 04" + se, "", []string{"trouble purge 4"}},

		{"a server's command", sb + "06 01" + se, "", []string{"trouble COM-PORT-OPTION command 6 is not a client's"}},
		{"an unknown command", sb + "0d" + se, "", []string{"trouble COM-PORT-OPTION command 13 is not a client's"}},
		{"no command", "ff fa 2c ff f0", "", []string{"trouble COM-PORT-OPTION without a command"}},
		{"another option's subnegotiation", "ff fa 18 00 ff f0", "", nil},
		{"an empty subnegotiation", "ff fa ff f0 41", "", []string{"received 41"}},
		{"broken off", "ff fa 2c 01 ff f1 41", "", []string{"trouble IAC 241 inside a subnegotiation", "received 41"}},
		{"SE alone", "ff f0 41", "", []string{"trouble IAC SE without", "received 41"}},
		{"no command at all", "ff 01 41", "", []string{"trouble IAC 1 is no Telnet command", "received 41"}},
		{"too long", sb + "00" + strings.Repeat("41", 300) + "ff ff" + se + "42", "", []string{"trouble a subnegotiation of more than", "received 42"}},

		{"NOP, AYT, GA", "41 ff f1 42 ff f6 43 ff f9 44", "", []string{"received 41 42 43 44"}},
		{"BRK", "41 ff f3 42", "", []string{"received 41", "break true", "break false", "received 42"}},
		{"order of data and settings", "41" + sb + "01 00 00 12 c0" + se + "42", sb + "65 00 00 12 c0" + se,
			[]string{"received 41", asked("4800 8N1 no-flow"), "received 42"}},

		{"agreed already", "ff fb 2c", "", nil},
		{"an option that we do not have", "ff fd 18 ff fb 18", "ff fc 18 ff fe 18", nil},
		{"refusals of what is off", "ff fe 18 ff fc 18", "", nil},
		{"suppress go-ahead", "ff fd 03 ff fb 03", "ff fb 03 ff fd 03", nil},
		{"BINARY both ways", "ff fd 00 ff fb 00", "ff fb 00 ff fd 00", nil},
		{"the option withdrawn", "ff fc 2c", "ff fe 2c", nil},
	} {
		t.Run(row.name, func(t *testing.T) {
			for _, cut := range []int{1 << 20, 1} { // at once, and a byte at a time
				c := quick(t, "9600 8N1 no-flow")
				c.feed([]byte{telIAC, telWILL, optComPort})
				var out []byte
				var events []Event
				for in := unhex(t, row.in); len(in) > 0; {
					n := min(cut, len(in))
					e, r := c.feed(in[:n])
					in = in[n:]
					out = append(out, r...)
					for _, e := range e { // a byte at a time, data comes in pieces
						if k := len(events) - 1; e.Kind == Received && k >= 0 && events[k].Kind == Received {
							events[k].Data = append(events[k].Data, e.Data...)
						} else {
							events = append(events, e)
						}
					}
				}
				if diff := cmp.Diff(unhex(t, row.out), out, cmp.Transformer("hex", hex.EncodeToString)); diff != "" && len(row.out)+len(out) > 0 {
					t.Errorf("answer: %s", diff)
				}
				var got []string
				for i, text := range brief(events) {
					switch events[i].Kind {
					case Received:
						text = fmt.Sprintf("received % x", events[i].Data)
					case Trouble:
						text = strings.Replace(text, "rfc2217: ", "", 1)
						if i < len(row.events) && strings.HasPrefix(text, row.events[i]) {
							text = row.events[i]
						}
					}
					got = append(got, text)
				}
				if diff := cmp.Diff(row.events, got); diff != "" {
					t.Errorf("events: %s", diff)
				}
			}
		})
	}
}

// The opening of a connection: option negotiation as RFC 854 and RFC 2217 section
// 1 have it, with no answer to an answer (RFC 1143).
//
// Kind: outside.
func TestComLineNegotiation(t *testing.T) {
	c := quick(t, "9600 8N1")
	if got := hex.EncodeToString(c.greet()); got != "fffb00fffd00" {
		t.Errorf("greeting %s", got)
	}
	for _, step := range []struct{ in, out string }{
		{"ff fd 00 ff fb 00", ""},                     // answers to the greeting
		{"ff fb 2c", "ff fd 2c ff fa 2c 6b b0 ff f0"}, // WILL: DO, and CTS, DSR and CD stand on
		{"ff fd 2c", "ff fb 2c"},
		{"ff fd 2c ff fb 2c", ""},
		{"ff fe 2c", "ff fc 2c"},
		{"ff fe 00", "ff fc 00"}, // BINARY withdrawn
	} {
		if _, out := c.feed(unhex(t, step.in)); !bytes.Equal(out, unhex(t, step.out)) {
			t.Errorf("%s: answer % x, want %s", step.in, out, step.out)
		}
	}
	c = quick(t, "9600 8N1")
	c.greet()
	if _, out := c.feed(unhex(t, "ff fe 00 ff fc 00")); len(out) != 0 {
		t.Errorf("answer % x to refusals of what was asked for", out)
	}
	// A command before the option is agreed is obeyed and told once.
	events, out := c.feed(unhex(t, "ff fa 2c 02 07 ff f0 ff fa 2c 02 08 ff f0"))
	if n := len(of(Trouble, events)); n != 1 || len(of(Asked, events)) != 2 || len(out) != 14 {
		t.Errorf("%v, % x", brief(events), out)
	}
	// A gauge whose line is not described answers with the usual.
	c = newComLine("g", Settings{}, ModemLines{})
	if _, out := c.feed(unhex(t, "ff fb 2c ff fa 2c 01 00 00 00 00 ff f0 ff fa 2c 05 00 ff f0")); hex.EncodeToString(out) != "fffd2cfffa2c6500002580fff0fffa2c6901fff0" {
		t.Errorf("answer % x", out) // all modem lines off: nothing to notify
	}
}

// NOTIFY-MODEMSTATE and NOTIFY-LINESTATE under their masks, RFC 2217 section 2
// (SET-MODEMSTATE-MASK, SET-LINESTATE-MASK) and 3: the state ANDed with the mask is
// sent if it is not zero. Low bits are deltas; that of RI is its trailing edge.
//
// Kind: outside.
func TestComLineNotifications(t *testing.T) {
	c := quick(t, "9600 8N1")
	c.feed(unhex(t, "ff fb 2c"))
	all := ModemLines{CTS: true, DSR: true, CD: true}
	for i, step := range []struct {
		modem ModemLines
		want  string
	}{
		{all, ""}, // no change
		{ModemLines{DSR: true, CD: true}, "fffa2c6ba1fff0"},                      // CTS fell: DSR 32 + CD 128 + delta CTS 1
		{ModemLines{DSR: true, CD: true, RI: true}, "fffa2c6be0fff0"},            // RI rose: no delta
		{ModemLines{DSR: true, CD: true}, "fffa2c6ba4fff0"},                      // RI fell: trailing edge 4
		{ModemLines{}, "fffa2c6b0afff0"},                                         // DSR and CD fell: deltas 2 and 8
		{ModemLines{CTS: true, DSR: true, RI: true, CD: true}, "fffa2c6bfbfff0"}, // all rose
	} {
		if got := hex.EncodeToString(c.setModem(step.modem)); got != step.want {
			t.Errorf("step %d: %s, want %s", i, got, step.want)
		}
	}
	c.feed(unhex(t, "ff fa 2c 0b 10 ff f0")) // only CTS
	if got := hex.EncodeToString(c.setModem(ModemLines{CTS: true})); got != "fffa2c6b10fff0" {
		t.Errorf("masked: %s", got)
	}
	if got := c.setModem(ModemLines{}); len(got) != 0 {
		t.Errorf("masked to nothing: % x", got)
	}
	if got := c.notifyLine(FramingError); len(got) != 0 {
		t.Errorf("line state with no mask: % x", got)
	}
	c.feed(unhex(t, "ff fa 2c 0a 1e ff f0"))
	if got := hex.EncodeToString(c.notifyLine(FramingError | BreakDetect | DataReady)); got != "fffa2c6a18fff0" {
		t.Errorf("line state: %s", got)
	}
	c.feed(unhex(t, "ff fa 2c 0a ff ff ff f0"))
	if got := hex.EncodeToString(c.notifyLine(255)); got != "fffa2c6afffffff0" {
		t.Errorf("line state 255: %s", got)
	}
	quiet := quick(t, "9600 8N1") // not agreed: not a byte
	if got := append(quiet.setModem(ModemLines{}), quiet.notifyLine(255)...); len(got) != 0 {
		t.Errorf("before the option is agreed: % x", got)
	}
}

// Any bytes survive escaping and come out in order however they are cut.
//
// Kind: property.
func TestComLineTransparent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		data := rapid.SliceOf(rapid.OneOf(rapid.Byte(), rapid.SampledFrom([]byte{255, 250, 240, 13, 0}))).Draw(t, "data")
		wire := escape(nil, data)
		c := newComLine("g", Settings{}, ModemLines{})
		var got []byte
		for len(wire) > 0 {
			n := rapid.IntRange(1, len(wire)).Draw(t, "cut")
			events, replies := c.feed(wire[:n])
			wire = wire[n:]
			got = append(got, received(events)...)
			if len(replies) != 0 {
				t.Fatalf("answer % x to data", replies)
			}
		}
		if !bytes.Equal(got, data) {
			t.Fatalf("% x became % x", data, got)
		}
	})
}

// FuzzComLine: no bytes break the decoder; its answers are well-formed Telnet
// without a single data byte; and cutting the input changes nothing.
//
// Kind: property.
func FuzzComLine(f *testing.F) {
	for _, seed := range []string{"fffb2cfffd2c", "fffa2c0100004b00fff0", "fffa2c00fff0", "41ffff42fff3", "fffa2c0505fff0fffa2c0c03fff0", "fffaff"} {
		f.Add(unhex(f, seed), 3)
	}
	f.Fuzz(func(t *testing.T, in []byte, cut int) {
		whole := newComLine("g", Settings{}, ModemLines{CTS: true})
		events, replies := whole.feed(in)
		for _, e := range events {
			if e.Kind == Received && len(e.Data) == 0 || e.Kind == Trouble && e.Err == nil {
				t.Errorf("empty event %v", e)
			}
		}
		far := newComLine("far", Settings{}, ModemLines{})
		if back, _ := far.feed(replies); len(received(back)) != 0 || far.state != stData {
			t.Errorf("answer % x is not whole Telnet commands", replies)
		}
		parts := newComLine("g", Settings{}, ModemLines{CTS: true})
		cut = min(max(cut, 0), len(in))
		e1, r1 := parts.feed(in[:cut])
		e2, r2 := parts.feed(in[cut:])
		if !bytes.Equal(append(r1, r2...), replies) || !bytes.Equal(received(append(e1, e2...)), received(events)) {
			t.Error("cutting the input changes the outcome")
		}
	})
}

func newComPort(t testing.TB, cfg Config) (*ComPort, *log) {
	t.Helper()
	if cfg.Name == "" {
		cfg.Name = "bore-1"
	}
	l := newLog()
	p, warning, err := OpenRFC2217(cfg, l.sink)
	if err != nil || warning != "" {
		t.Fatal(err, warning)
	}
	t.Cleanup(func() { _ = p.Close() })
	return p, l
}

// Kind: process.
func TestComPortPurgeAndPause(t *testing.T) {
	p, l := newComPort(t, Config{Buffer: 8})
	c := dial(t, p)
	l.count(t, Opened, 1)
	read(t, c, 6) // the greeting
	send := func(text string) {
		t.Helper()
		if _, err := c.Write(unhex(t, text)); err != nil {
			t.Fatal(err)
		}
	}
	send("ff fb 2c ff fa 2c 08 ff f0") // agree, then SUSPEND
	l.count(t, Paused, 1)
	// The answer to WILL may have left before the pause or wait behind it: RFC 2217
	// section 5 holds back data and commands alike.
	if o := p.Write([]byte("stale")); o != Queued {
		t.Errorf("write while paused: %v", o)
	}
	if o := p.Write([]byte("more")); o != DroppedFull {
		t.Errorf("write while paused and full: %v", o)
	}
	send("ff fa 2c 0c 01 ff f0") // PURGE-DATA, still paused
	l.count(t, Room, 1)
	if e := of(Purged, l.count(t, Purged, 1)); e[0].Lost != 5 {
		t.Errorf("purged %d bytes, want 5", e[0].Lost)
	}
	p.Write([]byte("fresh\xff"))
	send("ff fa 2c 09 ff f0")
	want := "fffd2c" + "fffa2c6bb0fff0" + "fffa2c7001fff0" + hex.EncodeToString([]byte("fresh\xff\xff"))
	if got := hex.EncodeToString([]byte(read(t, c, len(want)/2))); got != want {
		t.Errorf("client read %s, want %s", got, want)
	}
	p.SetModem(ModemLines{DSR: true, CD: true})
	if got := hex.EncodeToString([]byte(read(t, c, 7))); got != "fffa2c6ba1fff0" {
		t.Errorf("client read %s", got)
	}
	p.NotifyLine(OverrunError) // masked
	p.Write([]byte("end"))
	if got := read(t, c, 3); got != "end" {
		t.Errorf("client read %q", got)
	}
	if st := p.Stats(); st.Unread != 5 {
		t.Errorf("stats %+v", st)
	}
}

// A client that asks without end and reads nothing is cut off.
//
// Kind: process.
func TestComPortFlood(t *testing.T) {
	p, l := newComPort(t, Config{})
	c := dial(t, p)
	flood := bytes.Repeat(unhex(t, "ff fa 2c 00 ff f0"), 1000)
	for {
		if _, err := c.Write(flood); err != nil {
			if errors.Is(err, os.ErrDeadlineExceeded) {
				t.Fatal("not cut off")
			}
			break
		}
	}
	events := l.count(t, Closed, 1)
	if n := len(of(Trouble, events)); n == 0 {
		t.Errorf("events %v", brief(events[max(0, len(events)-5):]))
	}
}

// A client written by others: pyserial's rfc2217 protocol handler, which waits for
// the server's answer to every setting and raises an error if one is missing.
//
// Kind: outside.
func TestComPortWithPyserial(t *testing.T) {
	python := testenv.Python(t)
	p, l := newComPort(t, Config{Line: Settings{Baud: 9600, Data: 8, Parity: ParityNone, Stop: StopOne, Flow: FlowNone}})
	p.SetModem(ModemLines{CTS: true, CD: true}) // before the client comes
	const script = `
import serial, sys
s = serial.serial_for_url(sys.argv[1], baudrate=19200, bytesize=7, parity='E', stopbits=2, timeout=10)
assert s.cts and s.cd and not s.dsr and not s.ri, (s.cts, s.cd, s.dsr, s.ri)
every = bytes(range(256))
s.write(every)
assert s.read(256) == every, 'bytes changed on the way'
s.baudrate = 115200
s.bytesize = 8
s.parity = 'N'
s.stopbits = 1.5
s.xonxoff = True
s.xonxoff = False
s.rtscts = True
s.rts = False
s.dtr = False
s.break_condition = True
s.break_condition = False
s.write(b'?stale')
assert s.read(1) == b'!', 'no sign that the stale bytes are written'
s.reset_input_buffer()
s.write(b'?fresh')
assert s.read(6) == b'!fresh', 'not the fresh bytes'
s.close()
print('done')
`
	out := make(chan string, 1)
	cmd := exec.Command(python, "-c", script, p.Path())
	go func() {
		b, err := cmd.CombinedOutput()
		out <- fmt.Sprintf("%s%v", b, err)
	}()
	l.until(t, "256 bytes", func(es []Event) bool { return len(received(es)) >= 256 })
	events := l.until(t, "256 bytes", func(es []Event) bool { return len(received(es)) >= 256 })
	every := received(events)
	for i, b := range every {
		if b != byte(i) {
			t.Fatalf("byte %d arrived as %d", i, b)
		}
	}
	p.Write(every)
	l.until(t, "stale", func(es []Event) bool { return bytes.Contains(received(es), []byte("?stale")) })
	p.Write([]byte("!stale"))
	l.until(t, "fresh", func(es []Event) bool { return bytes.Contains(received(es), []byte("?fresh")) })
	p.Write([]byte("!fresh"))
	select {
	case got := <-out:
		if got != "done\n<nil>" {
			t.Fatal(got)
		}
	case <-time.After(patience):
		_ = cmd.Process.Kill()
		t.Fatalf("the client hangs: %s", <-out)
	}
	events = l.count(t, Closed, 1)
	if trouble := of(Trouble, events); len(trouble) != 0 {
		t.Errorf("trouble: %v", brief(trouble))
	}
	var asked []string
	for _, e := range of(Asked, events) {
		if text := e.Settings.String(); len(asked) == 0 || asked[len(asked)-1] != text {
			asked = append(asked, text)
		}
	}
	text := strings.Join(asked, ", ")
	for _, want := range []string{"19200 7E2 no-flow", "115200 8N1.5 no-flow", "115200 8N1.5 xon/xoff", "115200 8N1.5 rts/cts"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q was never asked: %s", want, text)
		}
	}
	lines := of(Lines, events)
	if len(lines) < 2 || lines[len(lines)-1].Lines != (ControlLines{}) {
		t.Errorf("control lines %v", brief(lines))
	}
	if diff := cmp.Diff([]string{"break true", "break false"}, brief(of(Break, events))); diff != "" {
		t.Error(diff)
	}
	if len(of(Purged, events)) == 0 {
		t.Error("no purge was seen")
	}
}

func dial(t testing.TB, p Port) net.Conn {
	t.Helper()
	c, err := net.Dial("tcp", p.Real())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	if err := c.SetDeadline(time.Now().Add(patience)); err != nil {
		t.Fatal(err)
	}
	return c
}
