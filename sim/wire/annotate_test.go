package wire

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

var update = flag.Bool("update", false, "write the golden files anew")

func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatalf("%v; run go test with -update", err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("%s (-want +got):\n%s", file, d)
	}
}

// Every frame of every shipped dialect, byte by byte.
//
// Kind: golden.
func TestSamples(t *testing.T) {
	t.Parallel()
	for _, d := range shipped(t) {
		var b strings.Builder
		for i, f := range d.Frames() {
			_, raw, err := d.Sample(Frame(i))
			if err != nil {
				t.Errorf("%v", err)
				continue
			}
			fmt.Fprintf(&b, "%s from the %s\n", f.Name, f.From)
			for _, s := range d.Annotate(raw, f.From) {
				if !s.Good {
					t.Errorf("%s %s: %q: %+v", d.Name(), f.Name, raw, s)
				}
			}
			b.WriteString(Table(raw, d.Annotate(raw, f.From)))
		}
		golden(t, d.Name()+".golden", b.String())
	}
}

// The spans cover every byte of a frame once, whatever the framing.
//
// Kind: property.
func TestPropertyAnnotate(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		g := drawDialect(t)
		d, err := Parse("drawn.yaml", []byte(g.src))
		if err != nil {
			t.Fatal(err)
		}
		rec := d.NewRecord()
		g.fill(t, d, rec)
		raw, err := d.AppendFrame(nil, 0, rec)
		if err != nil {
			t.Fatal(err)
		}
		good := true
		if rapid.Bool().Draw(t, "damage") {
			good = false
			raw[rapid.IntRange(0, len(raw)-1).Draw(t, "at")] ^= byte(rapid.IntRange(1, 255).Draw(t, "xor"))
			if rapid.Bool().Draw(t, "cut") {
				raw = raw[:rapid.IntRange(0, len(raw)).Draw(t, "n")]
			}
		}
		at := 0
		for _, s := range d.Annotate(raw, Gauge) {
			if s.Start != at || s.End <= s.Start {
				t.Fatalf("a span of %q is at %d, not %d", raw, s.Start, at)
			}
			if good && !s.Good {
				t.Fatalf("%+v of % X\n%s", s, raw, g.src)
			}
			at = s.End
		}
		if at != len(raw) {
			t.Fatalf("the spans end at %d of %d", at, len(raw))
		}
	})
}

// Kind: property.
func TestExplain(t *testing.T) {
	t.Parallel()
	d := load(t, "line-ascii")
	got := ""
	for _, p := range d.Explain([]byte("R +00008.015 mm 3 .*6C\r\nnoise\r\nR +00008.016 mm 3 .*6C\r\nR +0000"), Gauge) {
		got += fmt.Sprintf("%d %s %q %v:", p.Start, p.Name, p.Raw, p.Garbage)
		for _, s := range p.Spans {
			if !s.Good {
				got += fmt.Sprintf(" [%d:%d %s %s]", s.Start, s.End, s.Field, s.Shows)
			}
		}
		got += "\n"
	}
	want := `0 reading "R +00008.015 mm 3 .*6C\r\n" <nil>:
24  "noise\r\n" reading, byte 0: "R " is wanted here: [0:1 literal is not what stands here] [1:5 unread not read]
31 reading "R +00008.016 mm 3 .*6C\r\n" reading, byte 20: xor does not match: [20:22 xor 6C does not match]
`
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

// Several commands in a line, one of them continuing at the level before.
//
// Kind: golden.
func TestAnnotateUnits(t *testing.T) {
	t.Parallel()
	d := load(t, "scpi")
	raw := []byte("SYST:ERR:COUN?; NEXT?;*ESE 8;BAD?;*ESE x\n")
	got := Table(raw, d.Annotate(raw, Host))
	golden(t, "units.golden", got)
	if p := d.Explain(raw, Host); len(p) != 1 || p[0].Start != 0 {
		t.Errorf("%+v", p)
	}
}

// A reply with registers says what they are once it is known what was asked.
//
// Kind: property.
func TestAnnotateReply(t *testing.T) {
	t.Parallel()
	b := newBench(t, "modbus-rtu")
	set(b.d, b.rec, 0, Reading, "8.015", Unit, "mm", Zone, "inside", Cell, 62)
	if _, err := b.host.AppendRequest(nil, "read-input", set(b.d, b.d.NewRecord(), 0, "first", 0, "count", 2)); err != nil {
		t.Fatal(err)
	}
	raw := unhex(t, "01 04 04 000C3ADC 28BE")
	got := ""
	for _, s := range b.host.Annotate(raw) {
		got += fmt.Sprintf("%s=%s ", s.Field, s.Shows)
	}
	if want := "address=1 function-code=4 length=4 reading=8.01500 crc-16/modbus=28BE "; got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
}

// Table writes the spans of a frame in columns a person can read: where, the
// bytes in hexadecimal and as text, the field, and what it shows. A line that
// is not good begins with an exclamation mark.
func Table(raw []byte, spans []Span) string {
	const perLine = 8
	var b strings.Builder
	for _, s := range spans {
		for at := s.Start; at < s.End; at += perLine {
			part := raw[at:min(at+perLine, s.End)]
			mark, field, shows := ' ', s.Field, s.Shows
			if !s.Good {
				mark = '!'
			}
			if s.Want != "" {
				shows += ", " + s.Want + " would"
			}
			text := bytes.Clone(part)
			for i, c := range text {
				if c < ' ' || c > '~' {
					text[i] = '.'
				}
			}
			if at > s.Start {
				field, shows = "", ""
			}
			line := fmt.Sprintf("%c %4d  %-23s  %-8s  %-16s  %s", mark, at, fmt.Sprintf("% X", part), text, field, shows)
			b.WriteString(strings.TrimRight(line, " ") + "\n")
		}
	}
	return b.String()
}
