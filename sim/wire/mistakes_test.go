package wire

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

// says lists what a conversation says up to a time.
func says(e *End, at time.Duration) string {
	out := ""
	e.Says(at, func(s Said) { out += string(s.Bytes) })
	return out
}

// A damaged frame is seen as damaged, and the frames behind it are found, also
// where silence ends a frame and where a value follows from what is remembered.
//
// Kind: property.
func TestSpoils(t *testing.T) {
	t.Parallel()
	kept := parse(t, "kept.yaml", `
dialect: kept
framing: {kind: delimited, end: "\n"}
remembers: [{name: number, start: 1}]
frames: [{name: reading, sent: [reading], fields: [{decimal: number, decimals: 0}, " ", {decimal: next, decimals: 0, value: "=number + 1"}, " ", {decimal: reading}, "*", {check: xor, form: hex}]}]
`)
	for _, d := range []*Dialect{load(t, "modbus-rtu"), load(t, "line-ascii"), load(t, "compact-binary"), load(t, "block-check"), kept} {
		_, raw, err := d.Sample(0)
		require.NoError(t, err)
		require.False(t, d.Spoils(raw, raw), d.Name())
		spoilt := 0
		for i := range raw {
			bad := append([]byte(nil), raw...)
			bad[i] ^= 1
			if d.Spoils(bad, raw) {
				spoilt++
			}
		}
		require.Greater(t, spoilt, len(raw)/2, d.Name())
	}
}

const session = `
dialect: session
framing: {kind: delimited, end: "\n"}
remembers: [{name: fn, start: 1}]
frames:
  - {name: first, sent: [reading], fields: [{decimal: fn, decimals: 0}, "H"]}
  - {name: result, sent: [reading], per: channel, fields: [{decimal: fn, decimals: 0}, "R", {decimal: channel, decimals: 0}, "=", {decimal: reading}]}
  - {name: enquiry, fields: ["ENQ"]}
  - {name: end, fields: ["EOT ", {decimal: cell, decimals: 0}]}
  - {name: refused, fields: ["NO ", {text: error}]}
commands:
  - {name: ack, fields: ["A"]}
  - {name: nak, fields: ["N"]}
  - {name: go-on, fields: ["G"], in: [asking], refusal: refused}
states:
  - state: idle
    rules:
      - {upon: emission, hold: true, send: enquiry, let: {fn: "1"}, go: asking}
      - {upon: go-on, go: asking}
  - state: asking
    rules:
      - {upon: ack, release: true, go: sent}
      - {upon: nak, resend: true, at-most: 2, else: {drop: true, send: end, go: idle}}
      - {after: 1 s, drop: true, go: idle}
  - state: sent
    rules:
      - {upon: ack, if: left > 0, let: {fn: "(fn + 1) % 8"}, release: true}
      - {upon: ack, wait: 50 ms, speed: 9600, send: [end, enquiry], go: idle}
      - {upon: nak, resend: true, at-most: 2, else: {drop: true, send: end, go: idle}}
`

// Frames are written when they are sent, one emission in several messages, with
// a number for each; what is sent again is the bytes that were sent last; a rule
// sends the gauge's own values, several frames, after a time, at another speed;
// and what happens when tries are used up can send as well.
//
// Kind: property.
func TestSession(t *testing.T) {
	t.Parallel()
	d := parse(t, "session.yaml", session)
	e := d.NewEnd(Gauge)
	e.Fill = func(rec *Record) { rec.Set(d.Term(Cell), 0, Int(62)) }
	at := time.Duration(0)
	hear := func(s string) string {
		at += time.Millisecond
		e.Receive([]byte(s+"\n"), at, func(Incoming) {})
		return says(e, at)
	}
	rec := set(d, d.NewRecord(), 0, Reading, "1.5", Channel, 1)
	set(d, rec, 1, Reading, "2.5", Channel, 2)
	emit := func() string {
		_, err := e.Emit(nil, d.FrameFor("reading"), rec, 7, at)
		require.NoError(t, err)
		return says(e, at)
	}
	require.Equal(t, "ENQ\n", emit())
	require.Equal(t, "ENQ\n", hear("N"), "the bytes sent last, not a reading of an earlier session")
	require.Equal(t, "1H\n", hear("A"))
	require.Equal(t, "2R1=1.5\n", hear("A"))
	require.Equal(t, "2R1=1.5\n", hear("N"))
	require.Equal(t, "3R2=2.5\n", hear("A"))
	require.Empty(t, hear("A"), "the end comes after a time")
	due, ok := e.Deadline()
	require.True(t, ok)
	require.Equal(t, at+50*time.Millisecond, due)
	var list []Said
	e.Says(due, func(s Said) { list = append(list, s) })
	require.Len(t, list, 3)
	require.Equal(t, 9600, list[0].Baud)
	require.Equal(t, "EOT 62\nENQ\n", string(list[1].Bytes)+string(list[2].Bytes))
	require.Equal(t, "idle", e.State())
	require.NoError(t, e.Trouble())

	require.Equal(t, "ENQ\n", emit())
	hear("N")
	hear("N")
	require.Equal(t, "EOT 62\n", hear("N"), "tries are used up: else sends")
	require.Equal(t, "idle", e.State())
}

// What a rule cannot send for want of a value is said, not passed over.
//
// Kind: property.
func TestTrouble(t *testing.T) {
	t.Parallel()
	d := parse(t, "session.yaml", session)
	e := d.NewEnd(Gauge)
	rec := set(d, d.NewRecord(), 0, Reading, "1.5", Channel, 1)
	_, err := e.Emit(nil, d.FrameFor("reading"), rec, 7, 0)
	require.NoError(t, err)
	for range 3 {
		e.Receive([]byte("N\n"), 0, func(Incoming) {})
	}
	require.ErrorContains(t, e.Trouble(), "field cell has no value")
	require.NoError(t, e.Trouble())
}

// A command that is not obeyed in a state does not move it.
//
// Kind: property.
func TestWrongStateDoesNotMove(t *testing.T) {
	t.Parallel()
	d := parse(t, "session.yaml", session)
	e := d.NewEnd(Gauge)
	e.Receive([]byte("G\n"), 0, func(inc Incoming) {
		req, ok := e.Request(inc)
		require.True(t, ok)
		require.Equal(t, WrongState, req.Refused)
	})
	require.Equal(t, "idle", e.State())
}

// A group that goes on as long as there are more ends before what follows it.
//
// Kind: property.
func TestRestBeforeATerminator(t *testing.T) {
	t.Parallel()
	d := parse(t, "rest.yaml", `
dialect: rest
framing: {kind: cobs}
frames: [{name: x, fields: [{each: channel, count: rest, fields: ["R", {int: reading, size: 2}]}, "E"]}]
`)
	require.NoError(t, d.Prove(Use{}).Err())
	rec := set(d, d.NewRecord(), 0, Reading, 258)
	set(d, rec, 1, Reading, 259)
	raw, err := d.AppendFrame(nil, 0, rec)
	require.NoError(t, err)
	require.Empty(t, cmp.Diff([]string{"x: reading=258 reading/2=259 "}, receive(d, Host, string(raw))))
}

// A reader does not know what the gauge remembers, so that no part of a frame may
// depend on it.
//
// Kind: property.
func TestConditionOnWhatIsRemembered(t *testing.T) {
	t.Parallel()
	_, err := Parse("d.yaml", []byte(`
dialect: d
framing: {kind: cobs}
remembers: [{name: long, start: 1}]
frames: [{name: x, fields: [{when: long > 0, fields: [{int: tag, size: 2}]}, "E"]}]
`))
	require.ErrorContains(t, err, "who reads it cannot know it")
}

// The order of bytes counts in a check of hexadecimal digits too.
//
// Kind: property.
func TestOrderOfAHexCheck(t *testing.T) {
	t.Parallel()
	for order, want := range map[string]string{"big": "123456789BB3D", "little": "1234567893DBB"} { // CRC-16/ARC of 123456789 is BB3D (CRC catalogue)
		d := parse(t, "d.yaml", "dialect: d\nframing: {kind: delimited, end: \"\\n\"}\nframes: [{name: x, fields: [\"123456789\", {check: crc-16/arc, form: hex, order: "+order+"}]}]\n")
		raw, err := d.AppendFrame(nil, 0, d.NewRecord())
		require.NoError(t, err)
		require.Equal(t, want+"\n", string(raw))
		require.Equal(t, []string{"x: "}, receive(d, Host, string(raw)))
	}
	_, err := Parse("d.yaml", []byte("dialect: d\nframing: {kind: cobs}\nframes: [{name: x, fields: [{check: sum, form: decimal, order: little}]}]\n"))
	require.ErrorContains(t, err, "no whole bytes")
}

// A unit that there is not is refused.
//
// Kind: property.
func TestUnknownUnit(t *testing.T) {
	t.Parallel()
	_, err := Parse("d.yaml", []byte("dialect: d\nframing: {kind: cobs}\nframes: [{name: x, fields: [{choice: unit, is: {mm: A, inch: B}}]}]\n"))
	require.ErrorContains(t, err, `"inch" is no value of unit`)
}

// New ways to lay out numbers: pieces in any order, ones' complement, a bit that
// says void, coded groups.
//
// Kind: property.
func TestLayouts(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct{ fields, values, want string }{
		// twelve bits over two bytes of seven, the first with its top bit set
		{"{flags: w, size: 2, bits: [{bit: 15, value: 1}, {bit: 7, value: 0}, {pieces: [[12, 8], [6, 0]], int: reading, sign: twos, scale: 0.01}]}", "reading=-0.01", "\x9f\x7f"},
		{"{flags: w, size: 2, bits: [{pieces: [[3, 0], [15, 8]], int: reading}]}", "reading=2731", "\xab\x0a"},
		{"{int: reading, size: 1, sign: ones}", "reading=-2", "\xfd"},
		{"{flags: w, size: 2, bits: [{bit: 15, void: reading}, {bits: [0, 11], int: reading}]}", "reading=5", "\x00\x05"},
		{"{flags: w, size: 2, bits: [{bit: 15, void: reading}, {bits: [0, 11], int: reading}]}", "", "\x80\x00"},
		{"A, {coded: hex, fields: [{int: reading, size: 2}, {check: sum}]}, Z", "reading=258", "A010203Z"},
		{"{coded: seven-bit, fields: [{int: reading, size: 2}]}", "reading=65535", "\x7f\x7f\x60"},
		{`{coded: escape, escape: "\x1B", xor: 0x20, escapes: "\x02\x03", fields: [{int: reading, size: 2}]}, Z`, "reading=515", "\x1b\x22\x1b\x23Z"},
		{`{coded: hex, fields: [{coded: escape, escape: "\x1B", xor: 0x20, fields: [{int: reading, size: 1}]}]}`, "reading=27", "1B3B"},
	} {
		d := parse(t, "d.yaml", "dialect: d\nframing: {kind: silence, gap: 5 ms}\nframes: [{name: x, fields: ["+tt.fields+"]}]\n")
		rec := d.NewRecord()
		if k, v, ok := strings.Cut(tt.values, "="); ok {
			set(d, rec, 0, k, v)
		}
		want := rec.Get(d.Term(Reading), 0)
		raw, err := d.AppendFrame(nil, 0, rec)
		require.NoError(t, err, tt.fields)
		require.Equal(t, tt.want, string(raw), tt.fields)
		e := d.NewEnd(Host)
		e.Receive(raw, 0, func(Incoming) {})
		e.Quiet(time.Second, func(inc Incoming) {
			require.NoError(t, inc.Garbage, tt.fields)
			require.True(t, inc.Rec.Get(d.Term(Reading), 0).Same(want), "%s: %v", tt.fields, inc.Rec.Get(d.Term(Reading), 0))
		})
	}
}

// Several framings in one direction, told by the first byte; fields that every
// frame begins and ends with stand once.
//
// Kind: property.
func TestFramings(t *testing.T) {
	t.Parallel()
	d := parse(t, "two.yaml", `
dialect: two
framing: {kind: delimited, end: "\r\n", header: ["#", {decimal: seq, width: 2, pad: "0", decimals: 0}], trailer: ["*", {check: xor, form: hex}]}
framings:
  - {framing: block, kind: bracketed, start: "\x02", end: "\x03", check: {check: xor}, check-after-end: true, covers: body-and-end}
  - {framing: word, kind: sync, mask: 0x80, bytes: 2}
frames:
  - {name: line, fields: [" ", {decimal: reading}]}
  - {name: block, framing: block, fields: [{decimal: reading}]}
  - {name: word, framing: word, fields: [{flags: w, size: 2, bits: [{bit: 15, value: 1}, {bit: 7, value: 0}, {bits: [0, 6], int: cell}]}]}
`)
	require.NoError(t, d.Prove(Use{}).Err())
	rec := set(d, d.NewRecord(), 0, Reading, "1.5", Seq, 7, Cell, 62)
	var stream []byte
	for _, f := range []Frame{0, 1, 2, 1, 0, 2, 2} {
		var err error
		stream, err = d.AppendFrame(stream, f, rec)
		require.NoError(t, err)
	}
	require.Equal(t, "#07 1.5*04\r\n\x021.5\x03", string(stream[:17]))
	line, block, word := "line: reading=1.5 seq=7 ", "block: reading=1.5 ", "word: cell=62 "
	got := receive(d, Host, string(stream))
	for i := range got {
		got[i] = strings.ReplaceAll(got[i], "seq=7 reading=1.5", "reading=1.5 seq=7")
	}
	require.Equal(t, []string{line, block, word, block, line, word, word}, got)
}

// Lint steps through a conversation: what waits and is never sent or given up,
// and a state that nothing reaches, are found.
//
// Kind: property.
func TestProveConversation(t *testing.T) {
	t.Parallel()
	src := `
dialect: d
framing: {kind: delimited, end: "\n"}
frames: [{name: x, sent: [reading], fields: [{decimal: reading}]}]
commands: [{name: ack, fields: ["A"]}]
states:
  - {state: idle, rules: [{upon: emission, hold: true, go: waits}]}
  - {state: waits, rules: [{upon: ack, if: waiting > 5, go: never}]}
  - {state: never, rules: [{upon: ack, release: true, go: idle}]}
`
	err := parse(t, "d.yaml", src).Prove(Use{}).Err()
	require.ErrorContains(t, err, "from state waits what waits is never sent nor given up")
	require.ErrorContains(t, err, "the state never is never reached")
	require.NoError(t, parse(t, "d.yaml", strings.Replace(src, "if: waiting > 5, ", "", 1)).Prove(Use{}).Err())
}

// A message that is never read, for an earlier one may look like it, is found.
//
// Kind: property.
func TestProveUnreachable(t *testing.T) {
	t.Parallel()
	d := parse(t, "d.yaml", "dialect: d\nframing: {kind: cobs}\nframes:\n  - {name: x, fields: [{int: a, size: 2}]}\n  - {name: y, after: [x], fields: [\"OK\"]}\n")
	require.ErrorContains(t, d.Prove(Use{}).Err(), "y cannot be read back: 03 4F 4B 00, whole: it reads as x")
}

// A stream that the line cannot carry is an error, one that nearly fills it a
// warning.
//
// Kind: property.
func TestProveRate(t *testing.T) {
	t.Parallel()
	d := load(t, "line-ascii") // 24 characters of 10 bits a reading
	for hz, want := range map[string]string{"30": "", "35": "warning", "50": "error"} {
		p := d.Prove(Use{Channels: 1, Unit: "mm", Resolution: toValue("0.001").Num, Most: toValue("8.015").Num, Rate: toValue(hz).Num})
		got := ""
		if len(p.Flaws) > 0 {
			got = "warning"
			if p.Err() != nil {
				got = "error"
			}
		}
		require.Equal(t, want, got, "%s Hz: %v", hz, p.Flaws)
	}
}

// Every shipped dialect proves itself.
//
// Kind: self.
func TestProveShipped(t *testing.T) {
	t.Parallel()
	for _, d := range shipped(t) {
		p := d.Prove(Use{})
		require.Empty(t, p.Flaws, d.Name())
		for frame, percent := range p.Unchecked {
			t.Logf("%s: damage goes unseen in %d %% of the bytes of %s", d.Name(), percent, frame)
		}
	}
}
