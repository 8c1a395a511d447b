package wire

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// FuzzParse: whatever is in a dialect file, Parse neither panics nor takes for
// ever, and what it accepts can be sampled, received and annotated.
//
// Kind: property.
func FuzzParse(f *testing.F) {
	files, err := filepath.Glob(filepath.Join(dialectDir, "*.yaml"))
	if err != nil {
		f.Fatal(err)
	}
	for _, file := range files {
		src, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(src)
	}
	for i, framing := range framingsASCII {
		f.Add([]byte(fmt.Sprintf("dialect: d%d\nframing: %s\nframes:\n  - {name: x, fields: [{decimal: reading, width: 8}, \";\", {hex: seq, width: 2}]}\n", i, framing)))
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		if len(src) > 20_000 {
			return
		}
		d, err := Parse("fuzz.yaml", src)
		if err != nil {
			return
		}
		for i, fr := range d.Frames() {
			_, raw, err := d.Sample(Frame(i))
			if err != nil {
				continue // the sample's values need not fit a strange dialect
			}
			var got [2][]event
			for k := range got {
				e := d.NewEnd(fr.From.other())
				e.Receive(raw, 0, collect(d, &got[k]))
				e.Quiet(24*time.Hour, collect(d, &got[k]))
			}
			if fmt.Sprint(got[0]) != fmt.Sprint(got[1]) {
				t.Fatalf("%q is read as %+v, and as %+v", raw, got[0], got[1])
			}
			for _, ev := range got[0] {
				if ev.raw == "" && ev.why == "" || len(ev.raw) > len(raw) {
					t.Fatalf("of %q comes %+v", raw, ev)
				}
			}
			spanned(t, d, raw, fr.From)
		}
	})
}

// spanned has the spans of a frame cover each of its bytes once, in order.
func spanned(t *testing.T, d *Dialect, raw []byte, from Side) {
	t.Helper()
	at := 0
	for _, s := range d.Annotate(raw, from) {
		if s.Start != at || s.End <= s.Start || s.End > len(raw) {
			t.Fatalf("%s: a span of %q is from %d to %d, not from %d", d.Name(), raw, s.Start, s.End, at)
		}
		at = s.End
	}
	if at != len(raw) {
		t.Fatalf("%s: the spans of %q end at %d of %d", d.Name(), raw, at, len(raw))
	}
}

// fuzzFramings are one dialect for every framing, with the fields that are
// hardest to read.
func fuzzFramings(t testing.TB) []*Dialect {
	var list []*Dialect
	for i, framing := range framingsASCII {
		list = append(list, parse(t, "fuzz.yaml", fmt.Sprintf(`
dialect: f%d
framing: %s
frames:
  - name: x
    fields:
      - {decimal: seq, width: 3, decimals: 0, pad: "0", wraps: 1000}
      - when: tag
        fields: ["T", {decimal: tag, decimals: 0}, ":"]
      - "="
      - {each: channel, count: rest, between: ",", fields: [{decimal: reading, exponent: accept, void: {over: OVER, under: UNDER}}, {choice: unit, is: {mm: mm, in: in}}]}
      - "*"
      - {check: sum, form: hex}
`, i, framing)))
	}
	list = append(list, parse(t, "fuzz.yaml", `
dialect: fixed
framing: {kind: fixed, bytes: 10, start: "\x55", check: {check: crc-16/modbus}, covers: all}
frames:
  - {name: x, fields: [{int: seq, size: 1, wraps: 256}, {float: reading, size: 4, void: nan}, {flags: f, size: 2, order: little, bits: [{bits: [0, 8], int: cell}, {bit: 15, flag: low}]}]}
`))
	return append(list, shipped(t)...)
}

// FuzzDecode: under every framing, whatever arrives, nothing panics, memory
// stays bounded, the same bytes in other pieces give the same events, and a
// frame that was read encodes to something that reads the same.
//
// Kind: property.
func FuzzDecode(f *testing.F) {
	list := fuzzFramings(f)
	for i, d := range list {
		for j, fr := range d.Frames() {
			if _, raw, err := d.Sample(Frame(j)); err == nil {
				f.Add(uint8(i), fr.From == Host, uint8(3), append([]byte("x"), append(raw, raw...)...))
			}
		}
	}
	f.Fuzz(func(t *testing.T, which uint8, host bool, step uint8, stream []byte) {
		if len(stream) > 4096 {
			return
		}
		d := list[int(which)%len(list)]
		side := Host
		if host {
			side = Gauge
		}
		var whole, split []event
		one, two := d.NewEnd(side), d.NewEnd(side)
		again := d.NewEnd(side)
		one.Receive(stream, 0, func(inc Incoming) {
			collect(d, &whole)(inc)
			if req, ok := one.Request(inc); ok {
				if _, err := one.AppendReply(nil, req, Outcome{OK: true}); err != nil && req.rec == nil {
					t.Fatal(err)
				}
			}
			spanned(t, d, inc.Raw, side.other())
			if inc.Garbage != nil || inc.Rec.invalid || d.inTurn || len(d.frames[inc.Frame].derived) > 0 {
				return
			}
			rec := d.NewRecord()
			rec.CopyFrom(inc.Rec)
			raw, err := d.AppendFrame(nil, inc.Frame, rec)
			if err != nil {
				return // a host may write numbers longer than the field's own form
			}
			same := false
			check := func(in Incoming) {
				same = same || in.Garbage == nil && in.Frame == inc.Frame && shown(d, in.Rec) == shown(d, rec)
			}
			again.Receive(raw, 0, check)
			again.Quiet(24*time.Hour, check)
			if !same {
				t.Fatalf("%s: %q reads as %s, which is sent as %q and reads differently", d.Name(), inc.Raw, shown(d, rec), raw)
			}
		})
		if n := cap(one.buf) + cap(one.junk) + cap(one.whole.scratch); n > 16*one.d.framings[one.from][0].rawMost+8192 {
			t.Fatalf("%d bytes are kept, the longest frame has %d", n, one.d.framings[one.from][0].rawMost)
		}
		one.Quiet(24*time.Hour, collect(d, &whole))
		for rest := stream; len(rest) > 0; {
			n := min(int(step%7)+1, len(rest))
			two.Receive(rest[:n], 0, func(inc Incoming) {
				collect(d, &split)(inc)
				two.Request(inc)
			})
			rest = rest[n:]
		}
		two.Quiet(24*time.Hour, collect(d, &split))
		if fmt.Sprint(whole) != fmt.Sprint(split) {
			t.Fatalf("%s: whole %+v\nsplit %+v", d.Name(), whole, split)
		}
	})
}

// An expression has no more than 400 bytes, and no more than 40 things within each
// other.
//
// Kind: property.
func TestBoundsOfAnExpression(t *testing.T) {
	find := func(string) (exprRef, error) { return exprRef{0, Number}, nil }
	for _, c := range []struct {
		text, want string
	}{
		{strings.Repeat("- ", 40) + "a", ""},
		{strings.Repeat("- ", 41) + "a", "nested too deep"},
		{"a" + strings.Repeat(" ", 399), ""},
		{"a" + strings.Repeat(" ", 400), "400"},
	} {
		switch _, err := newExpression(c.text, Number, find); {
		case c.want == "" && err != nil:
			t.Errorf("%d bytes: %v", len(c.text), err)
		case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)):
			t.Errorf("%d bytes: %v, want an error with %q", len(c.text), err, c.want)
		}
	}
}

// FuzzExpression: an expression of a file is refused or bounded.
//
// Kind: property.
func FuzzExpression(f *testing.F) {
	for _, s := range []string{"a > 1", "bitand(a, 3) == 2 ? 1 : 0", "a in [1, 2]", "div(a, 0)", "not (a == 1 and b)", "now()", "niv()"} {
		f.Add(s)
	}
	find := func(name string) (exprRef, error) {
		switch name {
		case "a":
			return exprRef{0, Number}, nil
		case "b":
			return exprRef{1, Flag}, nil
		case "c":
			return exprRef{2, Text}, nil
		}
		return exprRef{}, fmt.Errorf("unknown name")
	}
	rec := newRecord(3)
	rec.Set(0, 0, Int(7))
	f.Fuzz(func(t *testing.T, text string) {
		e, err := newExpression(text, Absent, find)
		if err != nil {
			if err.Error() == "" {
				t.Fatalf("%q is refused without a word", text)
			}
			return
		}
		again, err := newExpression("("+text+")", Absent, find)
		if err != nil {
			return // too long now, or the bracket ends something else
		}
		v, err := e.eval(rec, 0)
		w, err2 := again.eval(rec, 0)
		if (err == nil) != (err2 == nil) || err == nil && (v.Kind != w.Kind || v.String() != w.String()) {
			t.Fatalf("%q is %v, %v; in brackets %v, %v", text, v, err, w, err2)
		}
	})
}
