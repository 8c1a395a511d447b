package link

import (
	"bytes"
	"math/bits"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/exp/rand"
	"pgregory.net/rapid"
)

func tamper(t *testing.T, faults ...Fault) *Tamper {
	t.Helper()
	tm := NewTamper(rand.NewSource(3))
	for _, f := range faults {
		if err := tm.Add(f); err != nil {
			t.Fatal(err)
		}
	}
	return tm
}

// text shows writes as "ms:bytes".
func text(ws []Write) string {
	var b strings.Builder
	for _, w := range ws {
		b.WriteString(w.At.String() + ":" + string(w.Bytes) + " ")
	}
	return strings.TrimSpace(b.String())
}

func TestTamper(t *testing.T) {
	tests := []struct {
		name   string
		faults []Fault
		want   string // of frames A1; B2; C3; D4; at 0, 10, 20, 30 ms
	}{
		{"none", nil, "0s:A1; 10ms:B2; 20ms:C3; 30ms:D4;"},
		{"duplicate in its time only", []Fault{{Kind: Duplicate, At: 10 * ms, For: 11 * ms, Gap: 2 * ms}},
			"0s:A1; 10ms:B2; 12ms:B2; 20ms:C3; 22ms:C3; 30ms:D4;"},
		{"duplicate every other, twice", []Fault{{Kind: Duplicate, For: sc, Every: 2, Count: 2}},
			"0s:A1; 0s:A1; 0s:A1; 10ms:B2; 20ms:C3; 20ms:C3; 20ms:C3; 30ms:D4;"},
		{"split in two", []Fault{{Kind: Split, For: 5 * ms, Gap: 3 * ms}}, "0s:A 3ms:1; 10ms:B2; 20ms:C3; 30ms:D4;"},
		{"split byte by byte", []Fault{{Kind: Split, For: 5 * ms, Count: 99}}, "0s:A 0s:1 0s:; 10ms:B2; 20ms:C3; 30ms:D4;"},
		{"a late piece holds the next frame back", []Fault{{Kind: Split, For: 5 * ms, Gap: 25 * ms}}, "0s:A 25ms:1; 25ms:B2; 25ms:C3; 30ms:D4;"},
		{"merge two", []Fault{{Kind: Merge, For: sc}}, "10ms:A1;B2; 30ms:C3;D4;"},
		{"merge cut short by its end", []Fault{{Kind: Merge, For: 25 * ms, Count: 10}}, "25ms:A1;B2;C3; 30ms:D4;"},
		{"merge then split", []Fault{{Kind: Merge, For: sc}, {Kind: Split, At: 30 * ms, For: sc, Count: 3, Gap: ms}},
			"10ms:A1;B2; 30ms:C3 31ms:;D 32ms:4;"},
		{"merge and duplicate", []Fault{{Kind: Merge, For: sc, Count: 3}, {Kind: Duplicate, For: 15 * ms}}, "10ms:A1;A1;B2; 30ms:B2;C3;D4;"},
		{"the last added counts", []Fault{{Kind: Duplicate, For: sc, Count: 5}, {Kind: Duplicate, For: 5 * ms, Count: 1}, {Kind: Split, For: 0}},
			"0s:A1; 0s:A1; 10ms:B2; 10ms:B2; 10ms:B2; 10ms:B2; 10ms:B2; 10ms:B2; 20ms:C3; 20ms:C3; 20ms:C3; 20ms:C3; 20ms:C3; 20ms:C3; 30ms:D4; 30ms:D4; 30ms:D4; 30ms:D4; 30ms:D4; 30ms:D4;"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			tm := tamper(t, tc.faults...)
			var got []string
			for i, f := range []string{"A1;", "B2;", "C3;", "D4;"} {
				if s := text(tm.Frame(nil, time.Duration(i)*10*ms, []byte(f))); s != "" {
					got = append(got, s)
				}
			}
			if d := cmp.Diff(tc.want, strings.Join(got, " ")); d != "" {
				t.Error(d)
			}
		})
	}
}

func TestHeldFrames(t *testing.T) {
	tm := tamper(t, Fault{Kind: Merge, For: 40 * ms, Count: 5})
	if _, ok := tm.Next(); ok {
		t.Error("nothing is held yet")
	}
	tm.Frame(nil, 0, []byte("a"))
	tm.Frame(nil, 10*ms, []byte("b"))
	if at, ok := tm.Next(); !ok || at != 40*ms {
		t.Errorf("next %v, %v", at, ok)
	}
	if got := text(tm.Flush(nil, 39*ms)); got != "" {
		t.Errorf("too early: %s", got)
	}
	if got := text(tm.Flush(nil, 50*ms)); got != "40ms:ab" {
		t.Errorf("at the end: %s", got)
	}
	tm = tamper(t, Fault{Kind: Merge, For: Forever, Count: 5})
	tm.Frame(nil, 0, []byte("a"))
	if _, ok := tm.Next(); ok {
		t.Error("held for ever, yet due")
	}
	tm.Clear(7 * ms)
	if got := text(tm.Flush(nil, 9*ms)); got != "7ms:a" {
		t.Errorf("after Clear: %s", got)
	}
	if got := text(tm.Frame(nil, 9*ms, []byte("b"))); got != "9ms:b" {
		t.Errorf("after Clear: %s", got)
	}
}

func TestGarble(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := Fault{Kind: Garble, For: sc,
			Count: rapid.IntRange(0, 20).Draw(t, "count"), Keep: rapid.IntRange(0, 6).Draw(t, "keep"), Span: rapid.IntRange(0, 6).Draw(t, "span")}
		frame := rapid.SliceOfN(rapid.Byte(), 0, 12).Draw(t, "frame")
		before := bytes.Clone(frame)
		tm := NewTamper(rand.NewSource(rapid.Uint64().Draw(t, "seed")))
		if err := tm.Add(f); err != nil {
			t.Fatal(err)
		}
		got := tm.Frame(nil, 0, frame)[0].Bytes
		if !bytes.Equal(before, frame) || len(got) != len(frame) {
			t.Fatal("the frame itself was touched, or its length changed")
		}
		end := max(0, len(frame)-f.Keep)
		begin := 0
		if f.Span > 0 {
			begin = max(0, end-f.Span)
		}
		flipped := 0
		for i := range frame {
			n := bits.OnesCount8(got[i] ^ frame[i])
			if flipped += n; n > 0 && (i < begin || i >= end) {
				t.Fatalf("byte %d of %d touched", i, len(frame))
			}
		}
		if want := min(max(f.Count, 1), 8*(end-begin)); flipped != want {
			t.Fatalf("%d bits flipped, want %d", flipped, want)
		}
	})
	// Every bit is as likely: 3 of 24, 8000 times, is 1000 each; a binomial's
	// standard deviation is √(8000·⅛·⅞) = 29.6.
	tm := tamper(t, Fault{Kind: Garble, For: Forever, Count: 3})
	var hits [24]int
	for range 8000 {
		b := tm.Frame(nil, 0, []byte{0, 0, 0})[0].Bytes
		for i := range hits {
			hits[i] += int(b[i/8] >> (i % 8) & 1)
		}
	}
	for i, n := range hits {
		if n < 850 || n > 1150 {
			t.Errorf("bit %d flipped %d times of 1000", i, n)
		}
	}
}

// Over any faults but garbling: the bytes come in order, each frame whole as
// often as it was duplicated, and no write comes before an earlier one or
// before its frame.
func TestTamperKeepsOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tm := NewTamper(rand.NewSource(1))
		for range rapid.IntRange(0, 5).Draw(t, "faults") {
			f := Fault{
				Kind:  FaultKind(rapid.IntRange(int(Duplicate), int(Merge)).Draw(t, "kind")),
				At:    time.Duration(rapid.IntRange(0, 300).Draw(t, "at")) * ms,
				For:   time.Duration(rapid.IntRange(0, 300).Draw(t, "for")) * ms,
				Count: rapid.IntRange(0, 4).Draw(t, "count"),
				Every: rapid.IntRange(0, 3).Draw(t, "every"),
				Gap:   time.Duration(rapid.IntRange(0, 40).Draw(t, "gap")) * ms,
			}
			if err := tm.Add(f); err != nil {
				t.Fatal(err)
			}
		}
		at, last := time.Duration(0), time.Duration(0)
		var out []byte
		collect := func(ws []Write, from time.Duration) {
			for _, w := range ws {
				if w.At < last || w.At < from {
					t.Fatalf("write at %v after %v, frame of %v", w.At, last, from)
				}
				last = w.At
				out = append(out, w.Bytes...)
			}
		}
		n := byte(rapid.IntRange(1, 20).Draw(t, "frames"))
		for i := range n {
			at += time.Duration(rapid.IntRange(0, 40).Draw(t, "gap")) * ms
			from := at
			if _, held := tm.Next(); held {
				from = 0
			}
			collect(tm.Frame(nil, at, []byte{'a' + i, 'A' + i, '\n'}), from)
		}
		collect(tm.Flush(nil, never-1), 0)
		if len(out)%3 != 0 {
			t.Fatalf("torn: %q", out)
		}
		next := byte(0)
		for i := 0; i < len(out); i += 3 {
			k := out[i] - 'a'
			if out[i+1] != 'A'+k || out[i+2] != '\n' || k != next && k+1 != next {
				t.Fatalf("out of order at %d: %q", i, out)
			}
			next = k + 1
		}
		if next != n {
			t.Fatalf("%d frames in, the last out is %d: %q", n, next, out)
		}
	})
}

func TestAddSaysWhatIsWrong(t *testing.T) {
	for part, f := range map[string]Fault{
		"of the link":    {Kind: Stall},
		"known fault":    {},
		"at -1ns":        {Kind: Split, At: -1},
		"count 1001":     {Kind: Split, Count: 1001},
		"every -1":       {Kind: Garble, Every: -1},
		"gap":            {Kind: Split, Gap: -1},
		"keep -1":        {Kind: Garble, Keep: -1},
		"for -1ns: must": {Kind: Merge, For: -1},
	} {
		if err := NewTamper(rand.NewSource(1)).Add(f); err == nil || !strings.Contains(err.Error(), part) {
			t.Errorf("error %v, want one with %q", err, part)
		}
	}
}

func TestFaultsAreForgotten(t *testing.T) {
	tm := tamper(t)
	for i := range 1000 {
		at := time.Duration(i) * sc
		tm.Frame(nil, at, []byte("x"))
		if err := tm.Add(Fault{Kind: Split, At: at, For: ms}); err != nil {
			t.Fatal(err)
		}
	}
	if len(tm.faults) > 2 {
		t.Errorf("%d faults kept", len(tm.faults))
	}
}

func TestTamperAllocatesNothing(t *testing.T) {
	tm := tamper(t, Fault{Kind: Garble, For: Forever}, Fault{Kind: Duplicate, For: Forever}, Fault{Kind: Split, For: Forever, Count: 3}, Fault{Kind: Merge, For: Forever})
	dst := make([]Write, 0, 32)
	frame := []byte("+001.2345\r\n")
	at := time.Duration(0)
	work := func() {
		at += ms
		dst = tm.Frame(dst[:0], at, frame)
	}
	for range 10 {
		work()
	}
	if n := testing.AllocsPerRun(100, work); n != 0 {
		t.Errorf("%v allocations", n)
	}
}
