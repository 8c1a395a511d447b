//go:build unix

package stage_test

import (
	"bytes"
	"context"
	"encoding/hex"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"example.org/understudy/sim/port"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/uart"
	"github.com/stretchr/testify/require"
	"go.bug.st/serial"
)

// A host that asks for another speed reads what its receiver would sample, and
// the gauge gets what its own would; the ledger says so.
//
// Kind: property.
func TestWrongLineSettings(t *testing.T) {
	m := wordy(t)
	line := uart.Settings{Baud: 9600, DataBits: 8, Parity: uart.None, Stop: uart.Stop1}
	second := time.Second
	for _, c := range []struct {
		asked port.Settings
		host  uart.Settings
	}{
		{port.Settings{Baud: 19200}, uart.Settings{Baud: 19200, DataBits: 8, Stop: uart.Stop1}},
		{port.Settings{Baud: 9600, Data: 7, Parity: port.ParityEven, Stop: port.StopOne}, uart.Settings{Baud: 9600, DataBits: 7, Parity: uart.Even, Stop: uart.Stop1}},
		{port.Settings{Parity: port.ParityOdd}, uart.Settings{Baud: 9600, DataBits: 8, Parity: uart.Odd, Stop: uart.Stop1}},
		{port.Settings{Baud: 9600, Stop: port.StopOne}, line},
	} {
		all, got := played(t, m, 2*second, nil, at{400 * time.Millisecond, port.Event{Kind: port.Asked, Settings: c.asked}}, at{1100 * time.Millisecond, says("W unit=in")},
			at{1600 * time.Millisecond, port.Event{Kind: port.Asked, Settings: port.Settings{Baud: 9600, Data: 8, Parity: port.ParityNone, Stop: port.StopOne}}})
		raw := map[int][]byte{}
		var want []string
		garbled := false
		for _, e := range all {
			switch {
			case e.Kind == ledger.KindFrame:
				raw[e.Frame.ID] = e.Frame.Bytes
			case e.Kind == ledger.KindOut:
				sent := raw[e.Out.Frames[0]]
				if c.host != line && e.T > 400*time.Millisecond && e.T < 1600*time.Millisecond {
					var sampled []byte
					for _, ch := range uart.Receive(sent, line, c.host) {
						sampled = append(sampled, ch.Byte)
					}
					require.Equal(t, "wrong speed", e.Out.Fault)
					require.Equal(t, ledger.Hex(sampled), e.Out.Bytes)
					sent, garbled = sampled, sampled[len(sampled)-1] != '\n'
				} else if garbled {
					// The garbage ended in no end of line, so the first frame that
					// went right again is the rest of its line to any host.
					require.Equal(t, "behind garbage", e.Out.Fault)
					require.Equal(t, ledger.Hex(sent), e.Out.Bytes)
					garbled = false
				} else {
					require.Empty(t, e.Out.Fault)
				}
				want = append(want, string(sent))
			case e.Kind == ledger.KindIn && c.host != line:
				var sampled []byte
				for _, ch := range uart.Receive([]byte("W unit=in\n"), c.host, line) {
					sampled = append(sampled, ch.Byte)
				}
				require.Equal(t, "wrong speed: the gauge gets "+hex.EncodeToString(sampled), e.Note)
			}
		}
		require.Equal(t, want, got)
		if c.host == line {
			require.Contains(t, got, "OK\n")
		} else {
			require.NotContains(t, got, "OK\n")
		}
	}
}

// The same with a real client on a pty: what it reads is what the ledger says.
//
// Kind: process.
func TestWrongSpeedOnAPTY(t *testing.T) {
	in := stage.NewInbox()
	prt, err := port.OpenPTY(port.Config{Name: "g", Dir: t.TempDir()}, in.Sink(0))
	require.NoError(t, err)
	defer prt.Close()
	var all []ledger.Entry
	ready := make(chan error, 8) // the client has set its line
	s, err := stage.New(stage.Play{Seed: 1, Cast: []stage.Member{wordy(t)}, Until: 3 * time.Second}, stage.Options{Ports: []port.Port{prt}, Inbox: in, Pace: stage.Drain, Keep: func(e ledger.Entry) {
		all = append(all, clone(t, e))
		if e.Port != nil && strings.HasPrefix(e.Port.Line, "19200 ") {
			ready <- nil
		}
	}})
	require.NoError(t, err)
	client, err := serial.Open(prt.Path(), &serial.Mode{BaudRate: 19200})
	require.NoError(t, err)
	require.NoError(t, client.SetReadTimeout(20*time.Millisecond))
	var got []byte
	stop, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		buf := make([]byte, 256)
		for stopping := false; ; {
			n, _ := client.Read(buf)
			got = append(got, buf[:n]...)
			if n == 0 && stopping {
				return
			}
			select {
			case <-stop:
				stopping = true
			default:
			}
		}
	}()
	require.NoError(t, s.Prelude(context.Background(), ready))
	require.NoError(t, s.Run(context.Background()))
	close(stop)
	<-done
	require.NoError(t, client.Close())
	require.NoError(t, s.Finish("the end"))
	var want []byte
	for _, e := range of(all, ledger.KindOut) {
		require.Equal(t, "wrong speed", e.Out.Fault)
		want = append(want, e.Out.Bytes...)
	}
	require.NotEmpty(t, want)
	require.Equal(t, want, got)
}

// A gauge whose speed is changed in mid-stream sends what a host that kept its
// speed would sample, and gets what its own receiver makes of the host's bytes;
// a host that follows reads it right. A host that opens the port meanwhile and
// sets no speed is taken to have the scenario's. The first change's end does
// not undo the second.
//
// Kind: property.
func TestSpeedChangedInMidStream(t *testing.T) {
	second := time.Second
	own := uart.Settings{Baud: 9600, DataBits: 8, Stop: uart.Stop1}
	fast := uart.Settings{Baud: 19200, DataBits: 8, Stop: uart.Stop1}
	asks := func(baud int) port.Event { return port.Event{Kind: port.Asked, Settings: port.Settings{Baud: baud}} }
	cues := []stage.Cue{cue(500*time.Millisecond, stage.ChangeSpeed{To: 4800, For: seconds(2)}), cue(1500*time.Millisecond, stage.ChangeSpeed{To: 19200, For: seconds(2)})}
	for _, c := range []struct {
		name string
		host []at
		// what the host is set to when frames at 1, 2, 3 and 4 s are sent
		want [4]uart.Settings
	}{
		{"a host that keeps its speed", nil, [4]uart.Settings{own, own, own, own}},
		{"a host that follows", []at{{1600 * time.Millisecond, asks(19200)}, {3600 * time.Millisecond, asks(9600)}}, [4]uart.Settings{own, fast, fast, own}},
		{"a host that opens the port anew", []at{{1600 * time.Millisecond, asks(19200)}, {2500 * time.Millisecond, port.Event{Kind: port.Opened}}}, [4]uart.Settings{own, fast, own, own}},
	} {
		t.Run(c.name, func(t *testing.T) {
			all, _ := played(t, wordy(t), 4100*time.Millisecond, cues, append(c.host, at{3250 * time.Millisecond, says("W unit=in")})...)
			gauge := [4]uart.Settings{{Baud: 4800, DataBits: 8, Stop: uart.Stop1}, fast, fast, own}
			raw := map[int][]byte{}
			seen := 0
			for _, e := range all {
				switch {
				case e.Kind == ledger.KindFrame:
					raw[e.Frame.ID] = e.Frame.Bytes
				case e.Kind == ledger.KindOut && e.T%second == 0 && e.T > 0:
					i := e.T/second - 1
					seen++
					if gauge[i] == c.want[i] {
						require.Contains(t, []string{"", "behind garbage"}, e.Out.Fault, "%v", e.T)
						continue
					}
					require.Equal(t, "wrong speed", e.Out.Fault, "%v", e.T)
					var sampled ledger.Hex
					for _, ch := range uart.Receive(raw[e.Out.Frames[0]], gauge[i], c.want[i]) {
						sampled = append(sampled, ch.Byte)
					}
					require.Equal(t, sampled, e.Out.Bytes, "%v", e.T)
				case e.Kind == ledger.KindIn:
					require.Equal(t, c.want[2] != gauge[2], strings.HasPrefix(e.Note, "wrong speed: the gauge gets "), e.Note)
				}
			}
			require.GreaterOrEqual(t, seen, 4)
			require.Equal(t, []string{"line set to 4800 8N1", "line set to 19200 8N1", "line set to 9600 8N1"}, notes(all))
		})
	}
}

// On a Telnet COM port the host is told how the gauge's lines stand, and what its
// receiver reports at the wrong settings. Values of RFC 2217 section 3: NOTIFY-
// MODEMSTATE (107) with CTS 16, DSR 32, CD 128 and their changes 1, 2, 8; NOTIFY-
// LINESTATE (106) with parity error 4 and framing error 8.
//
// Kind: process.
func TestModemLines(t *testing.T) {
	m := wordy(t)
	m.Wired = true
	in := stage.NewInbox()
	p, _, err := port.OpenRFC2217(port.Config{Name: "g", Line: port.Settings{Baud: 9600, Data: 8, Parity: port.ParityNone, Stop: port.StopOne}}, in.Sink(0))
	require.NoError(t, err)
	defer p.Close()
	c, err := net.Dial("tcp", p.Real())
	require.NoError(t, err)
	defer c.Close()
	// The option is agreed, the line mask asks for errors, and the speed is wrong.
	_, err = c.Write([]byte{255, 251, 44, 255, 250, 44, 10, 12, 255, 240, 255, 250, 44, 1, 0, 0, 18, 192, 255, 240})
	require.NoError(t, err)
	heard := make(chan []byte, 1)
	go func() {
		all, _ := io.ReadAll(c)
		heard <- all
	}()
	var all []ledger.Entry
	ready := make(chan error, 1)
	s, err := stage.New(stage.Play{Seed: 1, Cast: []stage.Member{m}, Until: 6 * time.Second, Cues: []stage.Cue{
		cue(1*time.Second, stage.Set{Setting: "power", To: "off"}), cue(2*time.Second, stage.Press{Button: 0}),
		cue(3*time.Second, stage.LoseLink{For: seconds(1), Seen: stage.Silence})}},
		stage.Options{Ports: []port.Port{p}, Inbox: in, Pace: stage.Drain, Keep: func(e ledger.Entry) {
			all = append(all, clone(t, e))
			if e.Port != nil && e.Port.What == "asked" {
				ready <- nil
			}
		}})
	require.NoError(t, err)
	require.NoError(t, s.Prelude(context.Background(), ready))
	require.NoError(t, s.Run(context.Background()))
	require.NoError(t, s.Finish("the end"))
	_, _, err = p.HangUp()
	require.NoError(t, err)
	var states []byte
	errors := 0
	for _, part := range bytes.Split(<-heard, []byte{255, 250, 44}) {
		if len(part) > 1 && part[0] == 107 {
			states = append(states, part[1])
		}
		if len(part) > 1 && part[0] == 106 {
			require.NotZero(t, part[1]&12)
			errors++
		}
	}
	require.Equal(t, []byte{16 + 32 + 128, 1 + 2 + 8, 16 + 32 + 128 + 1 + 2 + 8, 16 + 32 + 8, 16 + 32 + 128 + 8}, states)
	require.NotZero(t, errors, "4800 baud at a line of 9600")
	var told []string
	for _, e := range of(all, ledger.KindPort) {
		if e.Port.What == "modem" {
			told = append(told, e.Port.Note)
		}
	}
	require.Equal(t, []string{"CTS false DSR false CD false", "CTS true DSR true CD true", "CTS true DSR true CD false", "CTS true DSR true CD true"}, told)
}
