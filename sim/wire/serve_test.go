package wire

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// bench joins a host's end and a gauge's end; the gauge holds rec.
type bench struct {
	t           testing.TB
	d           *Dialect
	host, gauge *End
	rec         *Record
	at          time.Duration
	asked       []string // what the gauge was asked
	refuse      string
}

func newBench(t testing.TB, name string) *bench {
	d := load(t, name)
	return &bench{t: t, d: d, host: d.NewEnd(Host), gauge: d.NewEnd(Gauge), rec: d.NewRecord()}
}

// ask sends a command and returns what the host reads.
func (b *bench) ask(name string, pairs ...any) string {
	b.t.Helper()
	raw, err := b.host.AppendRequest(nil, name, set(b.d, b.d.NewRecord(), 0, pairs...))
	if err != nil {
		b.t.Fatal(err)
	}
	return b.send(raw)
}

func (b *bench) send(raw []byte) string {
	b.t.Helper()
	var reply []byte
	serve := func(inc Incoming) {
		req, ok := b.gauge.Request(inc)
		if !ok {
			return
		}
		what := fmt.Sprintf("%s %s/%d %v", req.Verb, req.Setting, req.Channel, req.Value)
		for _, m := range req.More {
			what += fmt.Sprintf(" + %s %s/%d %v", m.Verb, m.Setting, m.Channel, m.Value)
		}
		if req.Refused != "" {
			what = "refused: " + req.Refused
		}
		b.asked = append(b.asked, what)
		var err error
		if reply, err = b.gauge.AppendReply(reply, req, Outcome{OK: b.refuse == "", Reason: b.refuse, Rec: b.rec}); err != nil {
			b.t.Error(err)
		}
	}
	b.gauge.Receive(raw, b.at, serve)
	b.at += 100 * time.Millisecond
	b.gauge.Quiet(b.at, serve)
	out := ""
	read := func(inc Incoming) {
		if inc.Garbage != nil {
			out += "garbage: " + inc.Garbage.Error()
			return
		}
		out += b.d.frames[inc.Frame].name + " " + shown(b.d, inc.Rec)
	}
	b.host.Receive(reply, b.at, read)
	b.at += 100 * time.Millisecond
	b.host.Quiet(b.at, read)
	return strings.TrimSpace(out)
}

func (b *bench) want(got, want string) {
	b.t.Helper()
	if diff := cmp.Diff(words(want), words(got)); diff != "" {
		b.t.Errorf("got %s\n%s", got, diff)
	}
}

// Kind: property.
func TestModbusGauge(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"modbus-rtu", "modbus-ascii"} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, name)
			for ch, v := range []string{"8.015", "-0.5", "12.34567"} {
				set(b.d, b.rec, ch, Reading, v, Unit, "mm", Zone, "inside", Lower, "7.985", Factor, "1.5", Function, "live", Void, "none")
			}
			b.rec.Channels(4)
			set(b.d, b.rec, 3, Unit, "mm", Zone, "void", Void, "over", Lower, "0", Factor, "1", Function, "max")
			set(b.d, b.rec, 0, Cell, 62, Channels, 4, Tag, 7)
			// 32 bits as whole numbers, high word first.
			b.want(b.ask("read-input", "first", 0, "count", 8), "input address=1 function-code=4 reading=8.01500 reading/2=-0.50000 reading/3=12.34567 void/4=over")
			// The same readings as floats, low word first.
			b.want(b.ask("read-input", "first", 32, "count", 6), "input address=1 function-code=4 reading=8.015 reading/2=-0.5 reading/3=12.34567")
			b.want(b.ask("read-input", "first", 8, "count", 11), "input cell=62 channels=4 tag=7 address=1 function-code=4 unit=mm zone=inside unit/2=mm zone/2=inside unit/3=mm zone/3=inside unit/4=mm zone/4=void")
			b.want(b.ask("read-holding", "first", 40, "count", 2), "holding address=1 function-code=3 factor=1.5")
			// Half a value is read as it stands and says nothing.
			b.want(b.ask("read-input", "first", 1, "count", 2), "input address=1 function-code=4")
			b.asked = nil
			b.want(b.ask("write", "first", 0, "count", 2, Lower, "7.99"), "written first=0 count=2 address=1 function-code=16")
			two := set(b.d, b.d.NewRecord(), 0, "first", 0, "count", 4, Lower, "1")
			set(b.d, two, 1, Lower, "2")
			raw, err := b.host.AppendRequest(nil, "write", two)
			if err != nil {
				t.Fatal(err)
			}
			b.want(b.send(raw), "written first=0 count=4 address=1 function-code=16")
		})
	}
}

// Kind: outside.
func TestModbusWrites(t *testing.T) {
	t.Parallel()
	b := newBench(t, "modbus-rtu")
	body := func(s string) []byte {
		f := b.d.framings[Host][0]
		out, why := f.close(append([]byte(nil), unhex(t, s)...), 0, 0)
		if why != "" {
			t.Fatal(why)
		}
		return out
	}
	for _, tt := range []struct{ send, asked, reply string }{
		// Four channels' lower limits at once, two words each.
		{"01 10 0000 0004 08 000C30A0 000C30A1", "set lower/0 7.98880 + set lower/1 7.98881", "written address=1 first=0 count=4 function-code=16"},
		{"01 10 0028 0002 04 00003FC0", "set factor/0 1.5", "written address=1 first=40 count=2 function-code=16"},
		{"01 06 0020 0003", "set function/0 fim", "written-one address=1 first=32 function=fim function-code=6"},
		{"01 06 0021 0001", "set function/1 max", "written-one address=1 first=33 function/2=max function-code=6"},
		{"01 06 0020 0009", "refused: illegal-value", "exception exception-code=134 error=illegal-value address=1"},
		{"01 06 0000 0001", "refused: illegal-address", "exception exception-code=134 error=illegal-address address=1"},
		{"01 06 0040 0001", "zero /-1 -", "written-one address=1 first=64 zero-now=1 function-code=6"},
		{"01 10 0042 0002 04 000C3500", "preset /-1 8.00000", "written address=1 first=66 count=2 function-code=16"},
		// MODBUS Application Protocol V1.1b3 §6.12: a byte count that is not twice the
		// quantity is exception 03 (from memory).
		{"01 10 0000 0004 04 000C30A0", "refused: illegal-value", "exception exception-code=144 error=illegal-value address=1"},
		{"01 10 0000 0001 04 000C30A0", "refused: illegal-value", "exception exception-code=144 error=illegal-value address=1"},
		{"01 03 0FFF 0002", "refused: illegal-address", "exception exception-code=131 error=illegal-address address=1"},
		{"01 2B 0D01 00", "refused: illegal-function", "exception exception-code=171 error=illegal-function address=1"},
		{"01 08 0001 0000", "refused: illegal-function", "exception exception-code=136 error=illegal-function address=1"},
		// Another station, and a broadcast: obeyed, not answered.
		{"02 06 0020 0001", "", ""},
		{"00 06 0020 0001", "set function/0 max", ""},
	} {
		b.asked = nil
		b.host.ask = nil
		raw := body(tt.send)
		// The host tells its end what it asked, as it would have by AppendRequest.
		b.d.NewEnd(Gauge).Receive(raw, 0, func(inc Incoming) {
			if inc.Garbage == nil {
				b.host.Asked(inc.Frame, inc.Rec)
			}
		})
		got := b.send(raw)
		if asked := strings.Join(b.asked, "; "); asked != tt.asked {
			t.Errorf("%s asks %q, want %q", tt.send, asked, tt.asked)
		}
		if diff := cmp.Diff(words(tt.reply), words(got)); diff != "" {
			t.Errorf("%s answers %q:\n%s", tt.send, got, diff)
		}
	}
}

// Coils, writing and reading at once, and the identification of a device, as
// MODBUS Application Protocol V1.1b3 has them in §6.1, 6.5, 6.11, 6.17 and 6.21
// (from memory): bytes asked, what the gauge is asked, bytes answered.
//
// Kind: outside.
func TestModbusMore(t *testing.T) {
	t.Parallel()
	b := newBench(t, "modbus-rtu")
	set(b.d, b.rec, 0, "stream", true, Factor, "1.5", Name, Str("bore-1"), Firmware, Str("1.0"))
	framed := func(s string) string {
		f := b.d.framings[Host][0]
		out, why := f.close(append([]byte(nil), unhex(t, "01"+s)...), 0, 0)
		if why != "" {
			t.Fatal(why)
		}
		return string(out)
	}
	for _, tt := range []struct{ send, asked, reply string }{
		{"01 0000 0001", "read /-1 -", "01 01 01"},
		{"01 0000 0014", "read /-1 -", "01 03 010000"},
		{"01 0100 0001", "refused: illegal-address", "81 02"},
		{"05 0000 FF00", "set stream/-1 yes", "05 0000 FF00"},
		{"05 0000 0000", "set stream/-1 no", "05 0000 0000"},
		{"05 0000 1234", "refused: illegal-function", "85 01"},
		{"0F 0000 0001 01 00", "set stream/0 no", "0F 0000 0001"},
		{"0F 0010 0002 01 03", "zero /0 - + zero /1 -", "0F 0010 0002"},
		{"17 0028 0002 0028 0002 04 00003FC0", "set factor/0 1.5", "17 04 00003FC0"},
		{"2B 0E 01 00", "identify /-1 -", "2B 0E 01 01 00 00 03 00 0A 554E4445525354554459 01 06 626F72652D31 02 03 312E30"},
	} {
		e := b.d.NewEnd(Gauge)
		asked, got := "", ""
		serve := func(inc Incoming) {
			req, ok := e.Request(inc)
			if !ok {
				t.Fatalf("%s is no request: %v", tt.send, inc.Garbage)
			}
			asked = fmt.Sprintf("%s %s/%d %v", req.Verb, req.Setting, req.Channel, req.Value)
			for _, m := range req.More {
				asked += fmt.Sprintf(" + %s %s/%d %v", m.Verb, m.Setting, m.Channel, m.Value)
			}
			if req.Refused != "" {
				asked = "refused: " + req.Refused
			}
			out, err := e.AppendReply(nil, req, Outcome{OK: true, Rec: b.rec})
			if err != nil {
				t.Fatal(err)
			}
			got = string(out)
		}
		e.Receive([]byte(framed(tt.send)), 0, serve)
		e.Quiet(time.Second, serve)
		if asked != tt.asked || got != framed(tt.reply) {
			t.Errorf("%s asks %q, want %q; answers % X, want % X", tt.send, asked, tt.asked, got, framed(tt.reply))
		}
	}
}

func words(s string) map[string]bool {
	m := map[string]bool{}
	for _, w := range strings.Fields(s) {
		m[w] = true
	}
	return m
}

// The two Modbus dialects say the same but for the framing.
//
// Kind: property.
func TestModbusTwins(t *testing.T) {
	t.Parallel()
	tail := func(name string) string {
		b, err := os.ReadFile(filepath.Join(dialectDir, name+".yaml"))
		if err != nil {
			t.Fatal(err)
		}
		s := string(b)
		return s[strings.Index(s, "station:"):]
	}
	if d := cmp.Diff(tail("modbus-rtu"), tail("modbus-ascii")); d != "" {
		t.Error(d)
	}
}

// Silence ends a frame; two requests merged in one read are told apart by
// their checks.
//
// Kind: outside.
func TestModbusMerged(t *testing.T) {
	t.Parallel()
	d := load(t, "modbus-rtu")
	e := d.NewEnd(Gauge)
	rec := set(d, d.NewRecord(), 0, "first", 0, "count", 2)
	one, err := d.AppendRequest(nil, "read-input", rec)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	count := func(inc Incoming) {
		if inc.Garbage != nil {
			t.Errorf("%v", inc.Garbage)
		}
		n++
	}
	e.Receive(append(append([]byte(nil), one...), one...), 0, count)
	e.Receive(one[:3], time.Second, count)
	e.Receive(one[3:], time.Second, count)
	if n != 3 {
		t.Errorf("%d frames", n)
	}
	bad := 0
	e.Receive(one[:5], 2*time.Second, count)
	at, ok := e.Deadline()
	if !ok || at < 2*time.Second+1500*time.Microsecond || at > 2*time.Second+4*time.Millisecond {
		t.Errorf("the silence ends at %v, %v", at, ok)
	}
	e.Quiet(at, func(inc Incoming) {
		if inc.Garbage != nil {
			bad++
		}
	})
	if bad != 1 {
		t.Errorf("half a frame gave %d pieces of garbage", bad)
	}
}

// The handshake of ISO 1745: ENQ, ACK, text, ACK, EOT; NAK repeats, and
// silence gives up after three tries (sequence from memory).
//
// Kind: outside.
func TestHandshake(t *testing.T) {
	t.Parallel()
	d := load(t, "block-check")
	rec := set(d, d.NewRecord(), 0, Reading, "8.015", Unit, "mm", Zone, "inside")
	reading := d.FrameNamed("reading")
	text, err := d.AppendFrame(nil, reading, rec)
	if err != nil {
		t.Fatal(err)
	}
	const enq, ack, nak, eot = "\x05", "\x06", "\x15", "\x04"
	type step struct {
		emit bool
		in   string
		wait time.Duration
		out  string
		in2  string // state
	}
	for _, tt := range []struct {
		name  string
		steps []step
	}{
		{"taken at once", []step{{emit: true, out: enq, in2: "asking"}, {in: ack, out: string(text), in2: "sent"}, {in: ack, out: eot, in2: "idle"}}},
		{"taken at the second try", []step{{emit: true, out: enq}, {in: ack, out: string(text)}, {in: nak, out: string(text), in2: "sent"}, {in: ack, out: eot, in2: "idle"}}},
		{"refused", []step{{emit: true, out: enq}, {in: nak, out: eot, in2: "idle"}}},
		{"no answer", []step{{emit: true, out: enq}, {wait: 2 * time.Second, out: enq}, {wait: 2 * time.Second, out: enq}, {wait: 2 * time.Second, out: enq, in2: "asking"}, {wait: 2 * time.Second, in2: "idle"}}},
		{"never taken", []step{{emit: true, out: enq}, {in: ack, out: string(text)}, {in: nak, out: string(text)}, {in: nak, out: string(text)}, {in: nak, out: string(text)}, {in: nak, in2: "idle"}}},
		{"two wait", []step{{emit: true, out: enq}, {emit: true}, {in: ack, out: string(text)}, {in: ack, out: eot + enq, in2: "asking"}, {in: ack, out: string(text)}, {in: ack, out: eot, in2: "idle"}}},
		{"a stray answer", []step{{in: ack, in2: "idle"}, {in: "noise" + nak, in2: "idle"}, {emit: true, out: enq}, {in: "?" + ack, out: string(text), in2: "sent"}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			e := d.NewEnd(Gauge)
			at := time.Duration(0)
			for i, s := range tt.steps {
				var out []byte
				switch {
				case s.emit:
					if out, err = e.Emit(out, reading, rec, i+1, at); err != nil {
						t.Fatal(err)
					}
					e.Says(at, func(s Said) { out = append(out, s.Bytes...) })
				case s.wait > 0:
					due, ok := e.Deadline()
					if !ok || due != at+s.wait {
						t.Fatalf("step %d: due at %v, %v; want %v", i, due, ok, at+s.wait)
					}
					at = due
					e.Quiet(at, func(Incoming) {})
					e.Says(at, func(s Said) { out = append(out, s.Bytes...) })
				default:
					at += time.Millisecond
					e.Receive([]byte(s.in), at, func(Incoming) {})
					e.Says(at, func(s Said) { out = append(out, s.Bytes...) })
				}
				if string(out) != s.out {
					t.Fatalf("step %d sends %q, want %q", i, out, s.out)
				}
				if s.in2 != "" && e.State() != s.in2 {
					t.Fatalf("step %d is in state %s, want %s", i, e.State(), s.in2)
				}
			}
		})
	}
	e := d.NewEnd(Gauge)
	for i := range maxWaiting + 5 {
		_, err := e.Emit(nil, reading, rec, i+1, 0)
		if (err != nil) != (i >= maxWaiting) {
			t.Fatalf("frame %d: %v", i, err)
		}
	}
}

// Channels with letters are numbers to the gauge.
//
// Kind: property.
func TestChannelLetters(t *testing.T) {
	t.Parallel()
	d := parse(t, "letters.yaml", `
dialect: letters
framing: {kind: delimited, end: "\n"}
frames:
  - {name: ok, fields: ["OK ", {choice: channel, is: {1: A, 2: B}}]}
commands:
  - {name: zero, fields: ["Z", {choice: channel, is: {1: A, 2: B}}], does: zero, reply: ok}
`)
	e := d.NewEnd(Gauge)
	e.Receive([]byte("ZB\n"), 0, func(inc Incoming) {
		req, ok := e.Request(inc)
		if !ok || req.Channel != 1 {
			t.Errorf("%+v", req)
		}
		if b, err := e.AppendReply(nil, req, Outcome{OK: true}); err != nil || string(b) != "OK B\n" {
			t.Errorf("%q, %v", b, err)
		}
	})
}

// A command is obeyed only in the states it names.
//
// Kind: property.
func TestStates(t *testing.T) {
	t.Parallel()
	d := parse(t, "lock.yaml", `
dialect: lock
framing: {kind: delimited, end: "\n"}
remembers: [{name: tries}]
frames:
  - {name: ok, fields: ["OK"]}
  - {name: refused, fields: ["NO ", {text: error}, " ", {decimal: tries, decimals: 0}]}
commands:
  - {name: unlock, fields: ["open sesame"], reply: ok}
  - {name: zero, fields: ["zero"], does: zero, in: [open], reply: ok, refusal: refused, let: {tries: "0"}}
  - {name: count, fields: ["count"], let: {tries: "tries + 1"}, reply: ["tries ", {text: word, value: "=tries > 1 ? 'many' : 'one'"}]}
states:
  - {state: locked, rules: [{upon: unlock, go: open}]}
  - {state: open, rules: [{after: 10 s, go: locked}]}
`)
	e := d.NewEnd(Gauge)
	ask := func(at time.Duration, line string) (out string) {
		e.Quiet(at, func(Incoming) {})
		e.Receive([]byte(line+"\n"), at, func(inc Incoming) {
			if req, ok := e.Request(inc); ok {
				b, err := e.AppendReply(nil, req, Outcome{OK: true})
				if err != nil {
					t.Error(err)
				}
				out += string(b)
			}
		})
		return out
	}
	for _, tt := range []struct {
		at         time.Duration
		line, want string
	}{
		{0, "zero", "NO wrong-state 0\n"}, {1, "count", "tries one\n"}, {2, "count", "tries many\n"},
		{3, "open sesame", "OK\n"}, {4, "zero", "OK\n"}, {5, "count", "tries one\n"},
		{3 + 11*time.Second, "zero", "NO wrong-state 1\n"},
	} {
		if got := ask(tt.at, tt.line); got != tt.want {
			t.Errorf("%s at %v: %q, want %q", tt.line, tt.at, got, tt.want)
		}
	}
}

// Whatever a register table holds, what is read back is what was put in.
//
// Kind: property.
func TestPropertyRegisters(t *testing.T) {
	t.Parallel()
	d := load(t, "modbus-rtu")
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 4).Draw(t, "channels")
		rec := d.NewRecord()
		rec.Channels(n)
		for ch := range n {
			set(d, rec, ch, Lower, decimals(-2_000_000_000, 2_000_000_000, -5)(t), Upper, decimals(-2_000_000_000, 2_000_000_000, -5)(t))
		}
		first := rapid.IntRange(0, n-1).Draw(t, "first")
		count := rapid.IntRange(1, n-first).Draw(t, "count")
		host := d.NewEnd(Host)
		ask, err := host.AppendRequest(nil, "read-holding", set(d, d.NewRecord(), 0, "first", 2*first, "count", 2*count))
		if err != nil {
			t.Fatal(err)
		}
		gauge := d.NewEnd(Gauge)
		var reply []byte
		gauge.Receive(ask, 0, func(inc Incoming) {
			req, _ := gauge.Request(inc)
			if reply, err = gauge.AppendReply(nil, req, Outcome{OK: true, Rec: rec}); err != nil {
				t.Fatal(err)
			}
		})
		seen := false
		host.Receive(reply, 0, func(inc Incoming) {
			seen = true
			for ch := first; ch < first+count; ch++ {
				if got, want := inc.Rec.Get(d.Term(Lower), ch), rec.Get(d.Term(Lower), ch); !got.Same(want) {
					t.Fatalf("lower/%d is %v, want %v", ch, got, want)
				}
			}
		})
		if !seen {
			t.Fatal("no reply")
		}
	})
}
