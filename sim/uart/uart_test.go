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

// Kind: outside.
func TestBreakAndIdle(t *testing.T) {
	s := set(t, "9600 8N1")
	l := NewLine(s)
	l.Send('a')
	l.hold(false, 60) // however long, one break
	l.hold(true, 2)
	l.Send('b')
	want := []Char{{Byte: 'a'}, {Break: true, Framing: true}, {Byte: 'b'}}
	if d := cmp.Diff(want, l.AppendChars(nil, s), cmpopts.IgnoreFields(Char{}, "At")); d != "" {
		t.Error(d)
	}
	if got := NewLine(s).AppendChars(nil, s); got != nil {
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
		l.hold(true, 2)
		l.hold(false, 2)
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
	l.hold(false, 18)
	l.hold(true, 2)
	l.hold(false, 2)
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

// Kind: model.
func TestCharsAreRational(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, n := anySettings().Draw(t, "settings"), rapid.IntRange(0, 2_000_000).Draw(t, "characters")
		want := new(big.Int).Mul(big.NewInt(int64(n)*s.halves()), big.NewInt(1e9))
		want.Div(want, big.NewInt(2*int64(s.Baud)))
		if got := s.Chars(n); got != time.Duration(want.Int64()) {
			t.Fatalf("%v: %d characters take %d, want %v", s, n, got, want)
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
	l := NewLine(s)
	frame := []byte("+001.2345\r\n")
	dst := make([]Char, 0, 64)
	work := func() {
		l.levels = l.levels[:0]
		l.Send(frame...)
		dst = l.AppendChars(dst[:0], s)
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
		l.levels = l.levels[:0]
		l.Send(frame...)
		dst = l.AppendChars(dst[:0], Settings{19200, 7, Even, Stop1})
	}
}
