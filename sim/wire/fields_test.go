package wire

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/uart"
)

// One field, one value, the exact bytes; or why it cannot be sent.
//
// Kind: property.
func TestFields(t *testing.T) {
	t.Parallel()
	const absent = "(absent)"
	for _, tt := range []struct{ field, value, want string }{
		{"{decimal: a}", "-12.50", "-12.50"},
		{"{decimal: a}", "1e3", "1000"},
		{"{decimal: a, longest: 4}", "12345", "error: does not fit in the field"},
		{"{decimal: a, width: 7, decimals: 2}", "1.5", "   1.50"},
		{`{decimal: a, width: 7, decimals: 2, pad: "0"}`, "-1.5", "-001.50"},
		{`{decimal: a, width: 7, decimals: 2, pad: "0", sign: space}`, "1.5", " 001.50"},
		{`{decimal: a, width: 7, decimals: 2, mark: ","}`, "1.5", "   1,50"},
		{"{decimal: a, width: 5, decimals: 3, mark: none, pad: \"0\"}", "1.5", "01500"},
		{"{decimal: a, width: 6, decimals: 2}", "1.505", "error: has more decimals than the field"},
		{"{decimal: a, width: 6, decimals: 2, round: half-even}", "1.505", "  1.50"},
		{"{decimal: a, width: 6, decimals: 2, round: half-up}", "1.505", "  1.51"},
		{"{decimal: a, width: 6, decimals: 2, round: truncate}", "-1.509", " -1.50"},
		{"{decimal: a, width: 5, decimals: 2}", "1000", "error: does not fit in the field"},
		{"{decimal: a, sign: none}", "-1", "error: is negative and the field has no sign"},
		{"{decimal: a, range: [-5, 5]}", "5.1", "error: is outside the field's range"},
		{"{decimal: a, decimals: 0, width: 3, pad: \"0\", wraps: 1000}", "1002", "002"},
		{"{decimal: a, decimals: 0, wraps: 1000}", "-1", "999"},
		{"{decimal: a}", "1234567890123456789", "1234567890123456789"},
		{"{decimal: a}", absent, "error: field a has no value"},
		{`{decimal: a, absent: "--"}`, absent, "--"},
		{"{hex: a}", "48879", "BEEF"},
		{"{hex: a, width: 6}", "48879", "00BEEF"},
		{"{hex: a, width: 2, sign: twos}", "-2", "FE"},
		{"{hex: a, width: 2}", "256", "error: does not fit in the field"},
		{"{hex: a, width: 2}", "1.5", "error: has more decimals than the field"},
		{"{int: a, size: 2}", "258", "\x01\x02"},
		{"{int: a, size: 2, order: little}", "258", "\x02\x01"},
		{"{int: a, size: 3, sign: twos}", "-2", "\xff\xff\xfe"},
		{"{int: a, size: 2, sign: magnitude}", "-2", "\x80\x02"},
		{"{int: a, size: 1}", "256", "error: does not fit in the field"},
		{"{int: a, size: 1}", "-1", "error: is negative and the field has no sign"},
		{"{int: a, size: 1, sign: twos}", "128", "error: does not fit in the field"},
		{"{int: a, size: 8}", "18446744073709551615", "\xff\xff\xff\xff\xff\xff\xff\xff"},
		{"{int: a, size: 8, sign: twos}", "-9223372036854775808", "\x80\x00\x00\x00\x00\x00\x00\x00"},
		{"{int: a, size: 2, scale: 0.01}", "1.5", "\x00\x96"},
		{"{int: a, size: 2, scale: 0.01}", "1.505", "error: has more decimals than the field"},
		{"{int: a, size: 2, scale: 0.01, round: half-even}", "1.505", "\x00\x96"},
		{"{int: a, size: 1, scale: 0.5, offset: -40}", "-39.5", "\x01"},
		{"{int: a, size: 1, scale: 0.5, offset: -40}", "-39.7", "error: is not a whole number of counts"},
		{"{int: a, size: 1, scale: 25.4}", "50.8", "\x02"},
		{"{bcd: a, digits: 3, sign: last}", "12", "\x01\x2c"},
		{"{bcd: a, digits: 3, sign: last}", "-12", "\x01\x2d"},
		{"{int: a, size: 1, except: [7]}", "7", "error: is outside the field's range"},
		{"{int: a, size: 4, order: big-swapped}", "16909060", "\x03\x04\x01\x02"},
		{"{float: a, size: 4}", "1e60", "error: does not fit in the field"},
		{"{float: a, size: 4, void: nan}", absent, "\x7f\xc0\x00\x00"},
		{"{bcd: a, digits: 2}", "100", "error: does not fit in the field"},
		{"{bcd: a, digits: 2}", "-1", "error: is negative and the field has no sign"},
		{"{text: a, width: 5}", "ab", "ab   "},
		{"{text: a, width: 5}", "ab ", "error: has a character that cannot stand here"},
		{"{text: a, width: 5}", "a\tb", "error: has a character that cannot stand here"},
		{"{text: a, width: 2}", "abc", "error: does not fit in the field"},
		{"{text: a, longest: 2}", "abc", "error: does not fit in the field"},
		{"{text: a, quoted: true}", `a"b`, `"a""b"`},
		{"{text: a}", "12.5", "12.5"},
		{"{choice: a, is: {x: 1, y: 22}}", "y", "22"},
		{"{choice: a, is: {x: 1, y: 22}}", "z", "error: is none of the listed values"},
		{"{choice: a, is: {x: 1, y: 22}, otherwise: x}", "z", "1"},
		{"{choice: a, is: {x: 1, y: 2}, like: {z: y}}", "z", "2"},
		{"{choice: a, is: {x: 1, y: 2}, like: {z: y}}", "y", "2"},
		{"{choice: a, is: {x: 11, y: 2}, like: {z: x}, otherwise: y}", "z", "11"},
		{"{choice: a, is: {1: A, 2.5: B}}", "2.50", "B"},
		{`{choice: a, is: {x: "1"}, absent: "-"}`, absent, "-"},
		{`{flag: a, set: "Y", clear: "N"}`, absent, "N"},
		{`{flag: a, size: 1, set: "1", clear: "0"}`, absent, "\x00"},
		{"{time: a, layout: \"hh:mm:ss\"}", "3661", "01:01:01"},
		{"{time: a, layout: \"mm:ss.f\"}", "3661.5", "61:01.5"},
		{"{time: a, layout: \"ss\"}", "100", "error: is outside the field's range"},
		{"{time: a, layout: \"ss\"}", "1.5", "error: has more decimals than the field"},
		{"{time: a, layout: \"ss\", round: truncate}", "1.5", "01"},
		{"{int: a, size: 1, value: 7}", absent, "\x07"},
		{"{decimal: a, width: 4, value: -2}", absent, "  -2"},
		{"{text: a, width: 3, value: ok}", absent, "ok "},
		{"{choice: unit, is: {mm: M, in: I}, value: in}", absent, "I"},
		{"{skip: 3}", absent, "\x00\x00\x00"},
		{"{bytes: 01 FE}", absent, "\x01\xfe"},
		{"{space: some}", absent, " "},
		{"{space: any}", absent, ""},
		{"{header: \"ABCd:EFg?\"}", absent, "ABC:EF?"},
		{"{length: rest, size: 1, plus: 1}, ABC", absent, "\x04ABC"},
		{"{length: b, form: decimal, width: 3}, {text: b, width: 4, value: wxyz}", absent, "004wxyz"},
		{"{length: b, form: hex, width: 2}, {text: b, width: 11, value: abcdefghijk}", absent, "0Babcdefghijk"},
		{"AB, {check: xor}, C", absent, "AB\x03C"},
		{"AB, {int: a, size: 1}, {check: sum, from: a, form: decimal}", "9", "AB\x09009"},
		{"ABCD, {check: sum, from: 1, to: 2, form: hex}", absent, "ABCD85"},
		{"{check: sum, from: b, form: hex}, {text: b, width: 2, value: BC}", absent, "error: the check's range is empty"},
		{"{int: n, size: 1}, {int: m, size: 1, value: \"=n * 2 + 1\"}", "n=5", "\x05\x0b"},
		{"{int: n, size: 1}, {int: m, size: 1, value: \"=div(n, 2)\"}", "n=5", "\x05\x02"},
		{"{int: n, size: 1}, {int: m, size: 1, value: \"=div(1, n)\"}", "n=0", "error: division by zero"},
		{"{int: n, size: 1}, {when: n > 3, fields: [BIG], else: [S]}", "n=5", "\x05BIG"},
		{"{int: n, size: 1}, {when: n > 3, fields: [BIG], else: [S]}", "n=1", "\x01S"},
		{"{when: tag, fields: [T, {decimal: tag, decimals: 0}, .]}, E", "tag=7", "T7.E"},
		{"{when: tag, fields: [T, {decimal: tag, decimals: 0}, .]}, E", absent, "E"},
		{"{when: not low, fields: [ok], else: [LOW]}", "low=yes", "LOW"},
		{"{when: not low, fields: [ok], else: [LOW]}", absent, "ok"},
	} {
		src := "dialect: d\nframing: {kind: cobs, longest: 300}\nframes:\n  - {name: x, fields: [" + tt.field + "]}\n"
		d, err := Parse("d.yaml", []byte(src))
		if strings.HasPrefix(tt.want, "error: ") && err != nil && strings.Contains(err.Error(), strings.TrimPrefix(tt.want, "error: ")) {
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", tt.field, err)
			continue
		}
		rec := d.NewRecord()
		term, text := "a", tt.value
		if k, v, ok := strings.Cut(tt.value, "="); ok {
			term, text = k, v
		}
		switch {
		case tt.value == absent:
		case text == "yes":
			rec.Set(d.Term(term), 0, Bool(true))
		case strings.HasPrefix(tt.field, "{text"):
			rec.Set(d.Term(term), 0, Str(text))
		default:
			rec.Set(d.Term(term), 0, toValue(text))
		}
		want := rec.Get(d.Term(term), 0)
		body, err := d.appendBody(nil, 0, rec)
		got := string(body)
		if err != nil {
			if msg, ok := strings.CutPrefix(tt.want, "error: "); !ok || !strings.Contains(err.Error(), msg) {
				t.Errorf("%s of %s: %v", tt.field, tt.value, err)
			}
			continue
		}
		if got != tt.want {
			t.Errorf("%s of %s: %q, want %q", tt.field, tt.value, got, tt.want)
			continue
		}
		back := d.NewRecord()
		f, whole := d.decodeBody(d.frames[0].framing.roots, body, back, nil)
		if f != 0 || !whole {
			t.Errorf("%s: %q is not read: %v", tt.field, body, back.dec.best.describe("x"))
			continue
		}
		if strings.Contains(tt.field, "round") || strings.Contains(tt.field, "wraps") || strings.Contains(tt.field, "otherwise") || strings.Contains(tt.field, "like: {"+tt.value) || strings.Contains(tt.field, "value:") || want.Kind == Absent {
			continue
		}
		if have := back.Get(d.Term(term), 0); !have.Same(want) {
			t.Errorf("%s: %q reads as %v, want %v", tt.field, body, have, want)
		}
	}
}

// Bytes that are nearly a frame are none.
//
// Kind: property.
func TestFieldsRefuse(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct{ field, body, want string }{
		{`{decimal: a, width: 5, decimals: 2, pad: "0", sign: always}`, "01.50", "has no sign"},
		{`{decimal: a, width: 6, decimals: 2, pad: "0", sign: always}`, "+1.500", "has the wrong number of decimals"},
		{"{decimal: a, width: 5, decimals: 2}", "1.5x0", "is not a number"},
		{"{decimal: a, width: 5}", "1.2.3", "is not a number"},
		{"{decimal: a, width: 5}", "     ", "is not a number"},
		{"{decimal: a}", "-", "is not a number"},
		{"{decimal: a}", "99999999999999999999", "is outside the field's range"},
		{"{decimal: a, sign: none, width: 2}", "-1", "is not a number"},
		{"{decimal: a, exponent: accept}", "1E99", "is not a number"},
		{"{decimal: a, decimals: 0, wraps: 100}", "100", "is outside the field's range"},
		{"{hex: a, width: 2}", "G0", "is not a number"},
		{"{hex: a}", "", "is not a number"},
		{"{int: a, size: 2, sign: twos, range: [-5, 5]}", "\x00\x06", "is outside the field's range"},
		{"{int: a, size: 2}", "\x00", "the frame ends too early"},
		{"{int: a, size: 1}", "\x00\x00", "bytes are left over"},
		{"{float: a, size: 4}", "\x7f\x80\x00\x00", "is not a number"},
		{"{bcd: a, digits: 2}", "\x1A", "has a digit above 9"},
		{"{bcd: a, digits: 3, sign: last}", "\x12\x30", "has no sign digit"},
		{"{bcd: a, digits: 3}", "\x11\x23", "has more digits than the field"},
		{"{text: a, width: 2}", "a\x01", "has a character that cannot stand here"},
		{"{text: a, quoted: true}", `"ab`, "the frame ends too early"},
		{"{text: a, quoted: true}", `ab`, "has a character that cannot stand here"},
		{"{choice: a, is: {x: A}}", "B", "is none of the listed values"},
		{"{flags: f, size: 1, bits: [{bit: 0, flag: a}]}", "\x02", "is not what stands here"},
		{"{flags: f, size: 1, bits: [{bits: [0, 1], choice: a, is: {x: 1}}]}", "\x02", "is none of the listed values"},
		{"{time: a, layout: \"hh:mm:ss\"}", "01:60:00", "is outside the field's range"},
		{"{time: a, layout: \"hh:mm:ss\"}", "01-00:00", "is not what stands here"},
		{"{time: a, layout: \"hh:mm:ss\"}", "0x:00:00", "is not a number"},
		{"{length: rest, size: 1}, ABC", "\x04ABC", "is not the length that follows"},
		{"{length: b, size: 1}, {text: b}, \";\"", "\x09ab;", "is not the length that follows"},
		{"{length: b, size: 1}, {text: b}, \";\"", "\x01ab;", "is not what stands here"},
		{"{int: n, size: 1, range: [0, 9]}, {each: channel, count: n, fields: [A]}", "\x03AA", "the frame ends too early"},
		{"{each: channel, count: 2, between: \",\", fields: [A]}", "A;A", "is not what stands here"},
		{"{int: n, size: 1}, {int: m, size: 1, value: \"=n + 1\"}", "\x01\x01", "is not what it is derived from"},
		{"{space: some}, A", "A", "wants white space here"},
		{"{header: \"ABCd?\"}", "ABX?", "is not what stands here"},
	} {
		src := "dialect: d\nframing: {kind: cobs, longest: 300}\nframes:\n  - {name: x, fields: [" + tt.field + "]}\n"
		d, err := Parse("d.yaml", []byte(src))
		if err != nil {
			t.Errorf("%s: %v", tt.field, err)
			continue
		}
		rec := d.NewRecord()
		if f, _ := d.decodeBody(d.frames[0].framing.roots, []byte(tt.body), rec, nil); f != NoFrame {
			t.Errorf("%s reads %q", tt.field, tt.body)
			continue
		}
		if rec.dec.best.why != tt.want {
			t.Errorf("%s of %q: %s, want %s", tt.field, tt.body, rec.dec.best.why, tt.want)
		}
	}
}

// What stands for a missing reading says why it is missing, both ways.
//
// Kind: property.
func TestVoid(t *testing.T) {
	t.Parallel()
	d := parse(t, "void.yaml", `
dialect: void
framing: {kind: delimited, end: "\n"}
frames:
  - name: x
    fields:
      - each: channel
        count: 2
        between: " "
        fields: [{decimal: reading, void: {over: HIGH, under: LOW, none: GONE}}]
`)
	for _, tt := range []struct{ one, two, want, back string }{
		{"over", "under", "HIGH LOW\n", "void=over void/2=under "},
		{"missing", "1.5", "GONE 1.5\n", "void=none reading/2=1.5 "},
		{"", "none", "GONE GONE\n", "void=none void/2=none "},
	} {
		rec := d.NewRecord()
		rec.Channels(2)
		for ch, v := range []string{tt.one, tt.two} {
			if x, err := decimal.Parse(v); err == nil {
				rec.Set(d.Term(Reading), ch, Num(x))
			} else if v != "" {
				rec.Set(d.Term(Void), ch, Str(v))
			}
		}
		b, err := d.AppendFrame(nil, 0, rec)
		if err != nil || string(b) != tt.want {
			t.Errorf("%s %s: %q, %v; want %q", tt.one, tt.two, b, err, tt.want)
		}
		if got := receive(d, Host, string(b)); len(got) != 1 || got[0] != "x: "+tt.back {
			t.Errorf("%q reads %q, want %q", b, got, tt.back)
		}
	}
}

// A group count in the record that is not the number of groups is refused.
//
// Kind: property.
func TestGroupCount(t *testing.T) {
	t.Parallel()
	d := load(t, "multi-binary")
	rec := d.NewRecord()
	for ch := range 3 {
		set(d, rec, ch, Reading, "1", Unit, "mm", Zone, "inside")
	}
	set(d, rec, 0, Seq, 1, Channels, 2)
	if _, err := d.AppendFrame(nil, 0, rec); err == nil || !strings.Contains(err.Error(), "does not match the number of groups") {
		t.Errorf("%v", err)
	}
	set(d, rec, 0, Channels, 3)
	if _, err := d.AppendFrame(nil, 0, rec); err != nil {
		t.Error(err)
	}
}

// A fixed-length frame is found in noise byte by byte.
//
// Kind: property.
func TestFixedLength(t *testing.T) {
	t.Parallel()
	for _, framing := range []string{`{kind: fixed, bytes: 6, check: {check: xor}}`, `{kind: fixed, bytes: 7, start: "\x55", check: {check: xor}, covers: all}`} {
		d := parse(t, "fixed.yaml", "dialect: fixed\nframing: "+framing+"\nframes:\n  - {name: x, fields: [{int: a, size: 4}, \"\\xAA\"]}\n")
		b, err := d.AppendFrame(nil, 0, set(d, d.NewRecord(), 0, "a", 1234567))
		if err != nil {
			t.Fatal(err)
		}
		bad := append([]byte(nil), b...)
		bad[1] ^= 1
		stream := "noise" + string(b) + string(b) + string(bad) + string(b)
		var list []event
		e := d.NewEnd(Host)
		for i := range len(stream) {
			e.Receive([]byte(stream[i:i+1]), 0, collect(d, &list))
		}
		good := ""
		for _, ev := range list {
			good += fmt.Sprintf("%d", ev.frame)
		}
		if good != "-100-10" {
			t.Errorf("%s: %s %+v", framing, good, list)
		}
	}
}

// Small things of the outward interface.
//
// Kind: property.
func TestDialectFacts(t *testing.T) {
	t.Parallel()
	d := load(t, "line-ascii")
	if d.Title() != "One reading a line, in plain text" || d.Line() != (uart.Settings{Baud: 9600, DataBits: 8, Stop: uart.Stop1}) {
		t.Errorf("%q %+v", d.Title(), d.Line())
	}
	if d.Line().Chars(1).Microseconds() != 1041 { // 10 bits at 9600 bit/s
		t.Errorf("a character takes %v", d.Line().Chars(1))
	}
	if d.FrameFor("reading") != d.FrameNamed("reading") || d.FrameFor("banner") != NoFrame || d.FrameNamed("nothing") != NoFrame {
		t.Error("frames are not found")
	}
	if d.Term("nothing") != -1 || d.TermNames()[d.Term(Reading)] != Reading {
		t.Error("terms are not found")
	}
	rec := d.NewRecord()
	rec.Set(-1, 0, Int(1))
	rec.Set(d.Term(Reading), MaxChannels, Int(1))
	if rec.Groups() != 1 || rec.Get(-1, 0).Kind != Absent || rec.Get(d.Term(Reading), 99).Kind != Absent {
		t.Error("a record keeps what it cannot hold")
	}
	if _, err := d.AppendFrame(nil, 99, rec); err == nil {
		t.Error("there is no frame 99")
	}
	if _, err := d.AppendRequest(nil, "dance", rec); err == nil {
		t.Error("there is no command dance")
	}
	if b, err := d.AppendRequest(nil, "stream-off", rec); err != nil || string(b) != "S0\r\n" {
		t.Errorf("%q, %v", b, err)
	}
	if len(Schema()) < 1000 {
		t.Error("the schema is empty")
	}
	e := d.NewEnd(Gauge)
	if _, err := e.AppendReply(nil, Request{}, Outcome{}); err == nil {
		t.Error("a request out of nothing is answered")
	}
	if _, ok := e.Request(Incoming{Frame: NoFrame}); ok {
		t.Error("garbage is a request")
	}
	other := load(t, "scpi").NewRecord()
	if _, err := d.AppendFrame(nil, 0, other); err == nil {
		t.Error("another dialect's record is sent")
	}
	if _, err := d.AppendRequest(nil, "read", other); err == nil {
		t.Error("another dialect's record is asked")
	}
	if _, err := e.Emit(nil, 0, other, 1, 0); err == nil {
		t.Error("another dialect's record is emitted")
	}
	if v := (&Request{}).Get(0, 0); v.Kind != Absent {
		t.Error("a value out of nothing")
	}
	e.PowerOn()
	if e.State() != "" {
		t.Error("a state out of nothing")
	}
	text, err := os.ReadFile(dialectDir + "/modbus-rtu.yaml")
	if err != nil {
		t.Fatal(err)
	}
	m := parse(t, "nine.yaml", strings.Replace(string(text), "is: 1", "is: 9", 1)).NewEnd(Gauge)
	m.Receive([]byte("\x09\x04\x00\x00\x00\x02\x70\x83"), 0, func(inc Incoming) {
		if _, ok := m.Request(inc); !ok {
			t.Errorf("station 9 does not answer: %v", inc.Garbage)
		}
	})
}
