package uart

import (
	"math/big"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"
)

func set(t testing.TB, text string) Settings {
	t.Helper()
	s, err := Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// The bit patterns below are worked by hand from the structure of a character
// (start low, least significant bit first, stop high). Bits are written in the
// order they go over the wire.
//
// Kind: outside.
func TestReceive(t *testing.T) {
	tests := []struct {
		name   string
		sent   []byte
		tx, rx string
		want   []Char
	}{
		{
			// 0x55: wire 0 10101010 1. Each bit fills two of the receiver's:
			//   0 0|1 1|0 0|1 1|0 0|1 1|0 0|1 1|0 0|1 1 1 ...
			// First character from bit 0: start 0, data 01100110 = 0x66, stop
			// (bit 9) 0: framing error. High at 10, edge at 12: start 0, data
			// (bits 13-20) 01100111 = 0xE6, stop 1.
			"0x55 read twice as fast", []byte{0x55}, "9600 8N1", "19200 8N1",
			[]Char{{Byte: 0x66, Framing: true}, {Byte: 0xE6}},
		},
		{
			// Each of the receiver's bits covers two: looks 0-7 the first,
			// 8-15 the second, so looks 7, 8, 9 vote for the second. The start
			// bit's second is data bit 0 = 1, so it is a glitch; the same at
			// each of the five edges.
			"0x55 read at half speed", []byte{0x55}, "9600 8N1", "4800 8N1", nil,
		},
		{
			// 0x66: wire 0 01100110 1. Second halves from the start: bits
			// 1,3,5,7,9 = 0 (start), then 1 0 1 1 and idle 1 1 1 1:
			// data 10111111 = 0xFD, stop 1.
			"0x66 read at half speed", []byte{0x66}, "9600 8N1", "4800 8N1",
			[]Char{{Byte: 0xFD}},
		},
		{
			// 0x00: wire 0 00000000 1: nine bit times low = 18 of the
			// receiver's. Start and eight data bits 0, stop 0: looks like a
			// break; then no further edge.
			"0x00 read twice as fast is a break", []byte{0}, "9600 8N1", "19200 8N1",
			[]Char{{Framing: true, Break: true}},
		},
		{
			// 0x0D: wire 0 10110000 1, read four times as fast: 0000 1111 0000
			// 1111 1111 0000 0000 0000 0000 1111. First: start, data 000 1111 0
			// = 0x78, stop (bit 9) 0: framing. Edge at 20: start, data (21-28)
			// 00000000, stop (29) 0: break.
			"carriage return read four times as fast", []byte{0x0D}, "2400 8N1", "9600 8N1",
			[]Char{{Byte: 0x78, Framing: true}, {Framing: true, Break: true}},
		},
		{
			// 'A' = 1000001: two ones, even parity 0, which an 8N1 receiver
			// takes as bit 7. 'C' = 1000011: three ones, parity 1.
			"7E1 read as 8N1", []byte("AC"), "9600 7E1", "9600 8N1",
			[]Char{{Byte: 0x41}, {Byte: 0xC3}},
		},
		{
			// The other way: bit 7 is taken as parity. 'A' with bit 7 = 0 is
			// right for even; 'C' needs 1 and has 0.
			"8N1 read as 7E1", []byte("AC"), "9600 8N1", "9600 7E1",
			[]Char{{Byte: 0x41}, {Byte: 0x43, Parity: true}},
		},
		{
			"odd read as even", []byte("AC"), "9600 7O1", "9600 7E1",
			[]Char{{Byte: 0x41, Parity: true}, {Byte: 0x43, Parity: true}},
		},
		{
			// Mark parity is a one: read as two stop bits it does not show.
			"7M1 read as 7N2", []byte("AC"), "9600 7M1", "9600 7N2",
			[]Char{{Byte: 0x41}, {Byte: 0x43}},
		},
		{
			// Space parity is a zero where 7N1 looks for its stop bit. After
			// it the line goes high for the real stop bit.
			"7S1 read as 7N1", []byte("A"), "9600 7S1", "9600 7N1",
			[]Char{{Byte: 0x41, Framing: true}},
		},
		{
			// Wire: 0 10000010 1 | 0 10000010 1. The parity bit is read from
			// the stop bit (1, wrong for two ones), the stop bit from the next
			// start bit (0): both errors. That start bit's edge is past; the
			// line rises for bit 0 of the second byte and falls for bit 1:
			// start 0, data 00001 0 1 1 (the last from the idle line) = 0xD0,
			// parity 1 is right for three ones, stop 1.
			"8N1 read as 8E1 back to back", []byte("AA"), "9600 8N1", "9600 8E1",
			[]Char{{Byte: 0x41, Parity: true, Framing: true}, {Byte: 0xD0}},
		},
		{
			// Five data bits: 0x1F & 'Y' (1011001) leaves 11001.
			"high bits do not go out", []byte("Y"), "9600 5N1.5", "9600 5N1.5",
			[]Char{{Byte: 0x19}},
		},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			got := Receive(tc.sent, set(t, tc.tx), set(t, tc.rx))
			if d := cmp.Diff(tc.want, got, cmpopts.IgnoreFields(Char{}, "At")); d != "" {
				t.Error(d)
			}
		})
	}
}

func anySettings() *rapid.Generator[Settings] {
	return rapid.Custom(func(t *rapid.T) Settings {
		return Settings{
			Baud:     rapid.SampledFrom([]int{1, 110, 300, 1200, 9600, 19200, 57600, 115200, 1234567, MaxBaud}).Draw(t, "baud"),
			DataBits: rapid.IntRange(5, 8).Draw(t, "data"),
			Parity:   Parity(rapid.IntRange(0, 4).Draw(t, "parity")),
			Stop:     StopBits(rapid.IntRange(2, 4).Draw(t, "stop")),
		}
	})
}

// Kind: property.
func TestSameSettingsAreIdentity(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anySettings().Draw(t, "settings")
		sent := rapid.SliceOfN(rapid.Byte(), 0, 40).Draw(t, "sent")
		var want []Char
		for i, b := range sent {
			// start, data and parity bits, then look 9 of 16 of the stop bit
			looks := int64(16*(1+s.DataBits) + 9)
			if s.Parity != None {
				looks += 16
			}
			at := new(big.Int).Mul(big.NewInt(8*int64(i)*s.halves()+looks), big.NewInt(1e9))
			at.Div(at, big.NewInt(16*int64(s.Baud)))
			want = append(want, Char{Byte: b & byte(1<<s.DataBits-1), At: time.Duration(at.Int64())})
		}
		if d := cmp.Diff(want, Receive(sent, s, s)); d != "" {
			t.Error(d)
		}
	})
}

// A character is centred on the start edge, so its last vote (look 8 of the
// stop bit, 152 looks after the edge for 8N1) must fall inside the stop bit:
// 9 < 9.5·tx/rx < 10 bits, -5.3 % to +5.3 % with an ideal start edge; the
// start edge is seen up to one look late, which costs up to 1/16 bit.
// Closed form from the character structure; common practice.
//
// Kind: outside.
func TestRateTolerance(t *testing.T) {
	tx := set(t, "100000 8N1")
	all := make([]byte, 0, 512)
	for i := range 256 {
		all = append(all, byte(i), 0x55)
	}
	clean := func(rx int) bool {
		for i, c := range Receive(all, tx, Settings{rx, 8, None, Stop1}) {
			if c.Framing || i >= len(all) || c.Byte != all[i] {
				return false
			}
		}
		return true
	}
	// limit is how far a receiver may be off in one direction, by bisection.
	limit := func(far int) int {
		good, bad := 100_000, far
		if !clean(good) || clean(bad) {
			t.Fatalf("clean at %d: %v, at %d: %v", good, clean(good), bad, clean(bad))
		}
		for max(good-bad, bad-good) > 10 {
			if mid := (good + bad) / 2; clean(mid) {
				good = mid
			} else {
				bad = mid
			}
		}
		return good
	}
	// Seen d late, the last vote falls (9.5+d)·tx/rx after the edge, 0 ≤ d ≤ 1/16:
	// before 10 bits for a slow receiver, after 9 for a fast one.
	if rx := limit(90_000); rx < 95_000 || rx > 95_625+10 {
		t.Errorf("a slow receiver reads at %d, want 95 000 (9.5/10) to 95 625 (9.5625/10)", rx)
	}
	if rx := limit(110_000); rx < 105_555-10 || rx > 106_250 {
		t.Errorf("a fast receiver reads at %d, want 105 556 (9.5/9) to 106 250 (9.5625/9)", rx)
	}
}

// Kind: outside.
func TestBreakAndIdle(t *testing.T) {
	s := set(t, "9600 8N1")
	l := NewLine(s)
	l.Send('a')
	l.Break(30) // however long, one break
	l.Idle(1)
	l.Send('b')
	want := []Char{{Byte: 'a'}, {Break: true, Framing: true}, {Byte: 'b'}}
	if d := cmp.Diff(want, l.AppendChars(nil, s), cmpopts.IgnoreFields(Char{}, "At")); d != "" {
		t.Error(d)
	}
	l.Reset()
	if got := l.AppendChars(nil, s); got != nil {
		t.Errorf("an idle line gave %v", got)
	}
}

// A low pulse must last to look 8 of its bit to win the vote of looks 7, 8, 9.
//
// Kind: outside.
func TestGlitch(t *testing.T) {
	for _, tc := range []struct{ txBaud, want int }{
		{9600 * 16 / 8, 0},   // one bit low = 8 looks: only look 7 is low
		{9600 * 16 / 9, 1},   // 9 looks: 7 and 8 are low
		{9600 * 16 / 16, 1},  // a whole bit
		{9600 * 16 / 4, 0},   // 4 looks
		{9600 * 16 * 100, 0}, // shorter than one look
	} {
		l := NewLine(Settings{tc.txBaud, 8, None, Stop1})
		l.Idle(1)
		l.Break(1)
		got := l.AppendChars(nil, Settings{9600, 8, None, Stop1})
		if len(got) != tc.want {
			t.Errorf("a pulse of 1/%d s: %d characters, want %d", tc.txBaud, len(got), tc.want)
		}
	}
}

// At eight times the receiver's rate a half bit is one look. Low 0-1 and 4-5 are
// glitches of one start bit that did not come about: looks 7-9 are high, so the
// hunt goes on from there, and the edge at look 11 is the next. Its stop bit is
// decided at look 11 + 9·16 + 9 = 164.
//
// Kind: property.
func TestGlitchUsesUpItsVote(t *testing.T) {
	rx := set(t, "9600 8N1")
	l := NewLine(Settings{8 * 9600, 8, None, Stop1})
	for _, n := range []int{2, 2, 2, 5} {
		l.hold(len(l.levels) == 2 || len(l.levels) == 6, n)
	}
	l.hold(false, 200)
	want := []Char{{Framing: true, Break: true, At: lookTime(164, 9600)}}
	if d := cmp.Diff(want, l.AppendChars(nil, rx)); d != "" {
		t.Error(d)
	}
}

// A parity bit that is high is no break, though data and stop bit are low.
//
// Kind: property.
func TestParityBitBreaksABreak(t *testing.T) {
	s := set(t, "9600 8M1")
	l := NewLine(s)
	l.Break(9)
	l.Idle(1)
	l.Break(1)
	want := []Char{{Framing: true}}
	if d := cmp.Diff(want, l.AppendChars(nil, s), cmpopts.IgnoreFields(Char{}, "At")); d != "" {
		t.Error(d)
	}
}

// Kind: property.
func TestAnyMismatchIsBounded(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tx, rx := anySettings().Draw(t, "tx"), anySettings().Draw(t, "rx")
		sent := rapid.SliceOfN(rapid.Byte(), 0, 6).Draw(t, "sent")
		got := Receive(sent, tx, rx)
		// A character starts on a falling edge, of which a byte has at most 5
		// (start and every other data bit, parity).
		if len(got) > 5*len(sent)+1 {
			t.Errorf("%d characters of %d bytes", len(got), len(sent))
		}
		last := time.Duration(-1)
		for _, c := range got {
			if c.At <= last && rx.Baud < 1e6 {
				t.Errorf("time goes back: %v", got)
			}
			last = c.At
			if c.Byte>>rx.DataBits != 0 || c.Break && !c.Framing {
				t.Errorf("bad character %+v", c)
			}
		}
	})
}

// 10 bits at 9600 bit/s is 1/960 s = 1 041 666.67 ns; 960 characters of 8N1
// are one second exactly, whatever the steps they are sent in.
//
// Kind: outside.
func TestPacing(t *testing.T) {
	s := set(t, "9600 8N1")
	if got := s.Chars(1); got != 1041666 {
		t.Errorf("one character: %d ns", got)
	}
	if got := s.Chars(960); got != time.Second {
		t.Errorf("960 characters: %v", got)
	}
	if got := set(t, "9600 7E2").BitsPerChar(); got != 11 {
		t.Errorf("7E2: %v bits", got)
	}
	if got := set(t, "110 5N1.5").BitsPerChar(); got != 7.5 {
		t.Errorf("5N1.5: %v bits", got)
	}
	p := Pacer{Settings: s}
	for range 960 {
		p.Send(0, 1)
	}
	if p.Free() != time.Second {
		t.Errorf("960 characters one at a time end at %v", p.Free())
	}
	begin, end := p.Send(5*time.Second, 2)
	if begin != 5*time.Second || end != 5*time.Second+2083333 {
		t.Errorf("after idle: %v to %v", begin, end)
	}
	// two thirds of a nanosecond left over do not outlive the idle line
	for _, at := range []time.Duration{6 * time.Second, 7 * time.Second} {
		if _, end = p.Send(at, 1); end != at+1041666 {
			t.Errorf("after idle again: to %v", end)
		}
	}
}

// Kind: model.
func TestPacingMatchesRationals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anySettings().Draw(t, "settings")
		p := Pacer{Settings: s}
		n := 0
		for _, k := range rapid.SliceOfN(rapid.IntRange(0, 100_000), 1, 20).Draw(t, "bursts") {
			p.Send(0, k)
			n += k
			want := new(big.Int).Mul(big.NewInt(int64(n)*s.halves()), big.NewInt(1e9))
			want.Div(want, big.NewInt(2*int64(s.Baud)))
			if p.Free() != time.Duration(want.Int64()) {
				t.Fatalf("%v: %d characters end at %d, want %v", s, n, p.Free(), want)
			}
		}
	})
}

// Kind: property.
func TestParse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anySettings().Draw(t, "settings")
		got, err := Parse(s.String())
		if err != nil || got != s {
			t.Fatalf("%v: got %v, %v", s, got, err)
		}
	})
	for text, part := range map[string]string{
		"":                          "no space",
		"9600":                      "no space",
		"9600 8N":                   "not a word",
		"9600 9N1":                  "9 data bits",
		"9600 8X1":                  "parity letter",
		"9600 8N3":                  "stop bits",
		"0 8N1":                     "line rate 0",
		"+9600 8N1":                 "not a digit",
		"96e2 8N1":                  "not a digit",
		"60000000 8N1":              "line rate 60000000",
		" 8N1":                      "not a line rate",
		"9600  8N1":                 "parity letter",
		"999999999999999999999 8N1": "not a line rate",
	} {
		if _, err := Parse(text); err == nil || !strings.Contains(err.Error(), part) {
			t.Errorf("%q: error %v, want one with %q", text, err, part)
		}
	}
	if err := (Settings{9600, 8, 9, Stop1}).Validate(); err == nil || !strings.Contains(err.Error(), "must be one of none, even") {
		t.Errorf("unknown parity: %v", err)
	}
	if err := (Settings{9600, 8, None, 7}).Validate(); err == nil || !strings.Contains(err.Error(), "stop(7 half bits)") {
		t.Errorf("unknown stop: %v", err)
	}
}

// Kind: property.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"9600 8N1", "115200 7e1", "110 5N1.5", "1 8s2", "x", "9600 8N1 "} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		s, err := Parse(text)
		if err != nil {
			return
		}
		if again, err := Parse(s.String()); err != nil || again != s {
			t.Fatalf("%q -> %v -> %v, %v", text, s, again, err)
		}
	})
}

// Kind: property.
func FuzzReceive(f *testing.F) {
	f.Add([]byte("1.234\r\n"), 9600, 19200, uint8(0))
	f.Fuzz(func(t *testing.T, sent []byte, tx, rx int, word uint8) {
		a := Settings{tx, 5 + int(word&3), Parity(word >> 2 & 3), Stop1}
		b := Settings{rx, 5 + int(word>>4&3), Parity(word >> 6), Stop15}
		if a.Validate() != nil || b.Validate() != nil || len(sent) > 64 {
			t.Skip()
		}
		if got := Receive(sent, a, b); len(got) > 5*len(sent)+1 {
			t.Fatalf("%d characters of %d bytes", len(got), len(sent))
		}
	})
}

// Kind: property.
func TestNoAllocation(t *testing.T) {
	s := set(t, "9600 8N1")
	l, p := NewLine(s), Pacer{Settings: s}
	frame := []byte("+001.2345\r\n")
	dst := make([]Char, 0, 64)
	work := func() {
		l.Reset()
		l.Send(frame...)
		dst = l.AppendChars(dst[:0], s)
		p.Send(0, len(frame))
	}
	work()
	if n := testing.AllocsPerRun(100, work); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkFrameMismatched(b *testing.B) {
	l := NewLine(Settings{9600, 8, None, Stop1})
	frame := []byte("+001.2345\r\n")
	dst := make([]Char, 0, 64)
	b.ReportAllocs()
	for b.Loop() {
		l.Reset()
		l.Send(frame...)
		dst = l.AppendChars(dst[:0], Settings{19200, 7, Even, Stop1})
	}
}
