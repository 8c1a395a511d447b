package wire

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"example.org/understudy/sim/decimal"
)

// A generated dialect: the text of its file, and a generator of values for
// each of its terms.
type generated struct {
	src   string
	terms []genTerm
	count int // groups; 0: none
}

type genTerm struct {
	name  string
	group bool
	value func(t *rapid.T) Value
}

// framingsText are framings every field can stand in: those that stuff, count
// or code. textOnly can stand in the others as well.
var framingsText = []string{
	`{kind: cobs}`, `{kind: slip}`, `{kind: slip, start: "\xC0"}`, `{kind: hdlc, check: {check: crc-16/ibm-sdlc, order: little}}`,
	`{kind: length, start: "\xA5", size: 2, check: {check: crc-16/modbus}, covers: all}`,
	`{kind: length, size: 1, order: little, plus: 3, check: {check: crc-32/iso-hdlc}, longest: 240}`,
	`{kind: bracketed, start: ":", end: "\r\n", coding: hex, check: {check: sum-negated}}`,
	`{kind: bracketed, start: "\x02", end: "\x03", escape: "\x1B", xor: 0x20, check: {check: fletcher-16}}`,
	`{kind: bracketed, start: "\x10\x02", end: "\x10\x03", double: "\x10", check: {check: crc-8/smbus}, check-after-end: true, covers: body-and-end}`,
	`{kind: silence, gap: 3.5 characters, check: {check: crc-16/modbus, order: little}}`,
	`{kind: silence, gap: 5 ms, early: true, check: {check: crc-32/iso-hdlc, order: little}}`,
}

var framingsASCII = append([]string{
	`{kind: delimited, end: "\r\n"}`, `{kind: delimited, end: "\n", check: {check: xor, form: hex}}`,
	`{kind: bracketed, start: "\x02", end: "\x03", check: {check: xor}, check-after-end: true, covers: body-and-end}`,
}, framingsText...)

func decimals(lo, hi int64, exp int) func(t *rapid.T) Value {
	return func(t *rapid.T) Value { return Num(decimal.New(rapid.Int64Range(lo, hi).Draw(t, "n"), exp)) }
}

func maybe(gen func(t *rapid.T) Value) func(t *rapid.T) Value {
	return func(t *rapid.T) Value {
		if rapid.IntRange(0, 4).Draw(t, "absent") == 0 {
			return Value{}
		}
		return gen(t)
	}
}

// drawField draws one field and its values.
func drawField(t *rapid.T, name string, ascii bool) (string, genTerm) {
	g := genTerm{name: name}
	order := rapid.SampledFrom([]string{"big", "little", "big-swapped", "little-swapped"}).Draw(t, "order")
	kinds := []string{"fixed", "free", "padded", "hex", "text", "quoted", "choice", "flag", "time", "void", "numbers"}
	if !ascii {
		kinds = append(kinds, "int", "scaled", "float", "double", "bcd", "flags", "coded", "voidint", "magnitude")
	}
	switch rapid.SampledFrom(kinds).Draw(t, "kind") {
	case "fixed":
		d := rapid.IntRange(0, 4).Draw(t, "decimals")
		sign := rapid.SampledFrom([]string{"minus", "always", "space"}).Draw(t, "sign")
		pad := rapid.SampledFrom([]string{"0", " "}).Draw(t, "pad")
		mark := rapid.SampledFrom([]string{".", `","`, "none"}).Draw(t, "mark")
		g.value = decimals(-99999, 99999, -d)
		return fmt.Sprintf(`{decimal: %s, width: 9, decimals: %d, sign: %s, pad: "%s", mark: %s}`, name, d, sign, pad, mark), g
	case "padded":
		g.value = decimals(-999, 999, -2)
		return fmt.Sprintf(`{decimal: %s, width: 8, decimals: 2, pad: "_"}`, name), g
	case "free":
		g.value = func(t *rapid.T) Value {
			return Num(decimal.New(rapid.Int64().Draw(t, "n")/1000, -rapid.IntRange(0, 9).Draw(t, "places")))
		}
		return fmt.Sprintf(`{decimal: %s, longest: 24}`, name), g
	case "void":
		g.value = maybe(decimals(-999999, 999999, -3))
		return fmt.Sprintf(`{decimal: %s, width: 9, sign: always, pad: "0", decimals: 3, absent: "---------"}`, name), g
	case "hex":
		g.value = decimals(-0x8000, 0x7fff, 0)
		return fmt.Sprintf(`{hex: %s, width: 4, sign: twos}`, name), g
	case "text":
		g.value = func(t *rapid.T) Value { return Str(rapid.StringMatching(`[A-Za-z0-9]{0,8}`).Draw(t, "text")) }
		return fmt.Sprintf(`{text: %s, width: 8}`, name), g
	case "numbers":
		g.value = func(t *rapid.T) Value {
			return toValue(rapid.StringMatching(`[a-z]{1,5}|[1-9][0-9]{0,5}`).Draw(t, "text"))
		}
		return fmt.Sprintf(`{text: %s, width: 8, numbers: true}`, name), g
	case "quoted":
		g.value = func(t *rapid.T) Value { return Str(rapid.StringMatching(`[ -~]{0,10}`).Draw(t, "text")) }
		return fmt.Sprintf(`{text: %s, quoted: true, longest: 10}`, name), g
	case "choice":
		g.value = func(t *rapid.T) Value {
			return Str(rapid.SampledFrom([]string{"one", "two", "three"}).Draw(t, "choice"))
		}
		return fmt.Sprintf(`{choice: %s, is: {one: A, two: BB, three: C}}`, name), g
	case "flag":
		g.value = func(t *rapid.T) Value { return Bool(rapid.Bool().Draw(t, "flag")) }
		return fmt.Sprintf(`{flag: %s, set: "+", clear: "-"}`, name), g
	case "time":
		g.value = decimals(0, 359_999_999, -3)
		return fmt.Sprintf(`{time: %s, layout: "hh:mm:ss.fff"}`, name), g
	case "int":
		size := rapid.IntRange(1, 8).Draw(t, "size")
		if size%2 == 1 && strings.HasSuffix(order, "swapped") {
			order = "big"
		}
		half := int64(1) << (8*size - 1)
		g.value = decimals(-half, half-1, 0)
		if size == 8 {
			g.value = func(t *rapid.T) Value { return Int(rapid.Int64().Draw(t, "n")) }
		}
		return fmt.Sprintf(`{int: %s, size: %d, order: %s, sign: twos}`, name, size, order), g
	case "magnitude":
		g.value = decimals(-0x7fff, 0x7fff, 0)
		return fmt.Sprintf(`{int: %s, size: 2, order: %s, sign: magnitude}`, name, order), g
	case "scaled":
		g.value = func(t *rapid.T) Value {
			return Num(decimal.New(rapid.Int64Range(-30000, 30000).Draw(t, "n")*25, -4).Add(decimal.New(5, -1)))
		}
		return fmt.Sprintf(`{int: %s, size: 2, sign: twos, scale: 0.0025, offset: 0.5, order: %s}`, name, order), g
	case "voidint":
		g.value = maybe(decimals(-9999, 9999, -2))
		return fmt.Sprintf(`{int: %s, size: 4, sign: twos, scale: 0.01, range: [-100, 100], absent: 0x80000000, order: %s}`, name, order), g
	case "float":
		g.value = decimals(-999999, 999999, -3)
		return fmt.Sprintf(`{float: %s, size: 4, order: %s}`, name, order), g
	case "double":
		g.value = decimals(-999_999_999, 999_999_999, -6)
		return fmt.Sprintf(`{float: %s, size: 8, decimals: 6, order: %s}`, name, order), g
	case "bcd":
		g.value = decimals(-99999, 99999, -2)
		return fmt.Sprintf(`{bcd: %s, digits: 5, decimals: 2, sign: last}`, name), g
	case "coded":
		g.value = func(t *rapid.T) Value { return Str(rapid.SampledFrom([]string{"low", "high"}).Draw(t, "choice")) }
		return fmt.Sprintf(`{choice: %s, size: 2, order: %s, is: {low: 1, high: 0xFFFF}}`, name, order), g
	}
	g.value = func(t *rapid.T) Value { return Int(rapid.Int64Range(0, 31).Draw(t, "bits")) }
	return fmt.Sprintf(`{flags: w, name: %s, size: 2, order: %s, bits: [{bits: [3, 7], int: %s}, {bit: 15, value: 1}]}`, name, order, name), g
}

// drawDialect draws a dialect with one frame.
func drawDialect(t *rapid.T) generated {
	ascii := rapid.Bool().Draw(t, "ascii")
	framing := rapid.SampledFrom(framingsText).Draw(t, "framing")
	if ascii {
		framing = rapid.SampledFrom(framingsASCII).Draw(t, "framing")
	}
	var g generated
	var fields []string
	draw := func(i int, group bool) string {
		text, term := drawField(t, fmt.Sprintf("t%d", i), ascii)
		term.group = group
		g.terms = append(g.terms, term)
		return text
	}
	n := rapid.IntRange(1, 4).Draw(t, "fields")
	for i := range n {
		fields = append(fields, draw(i, false), fmt.Sprintf("%q", rapid.SampledFrom([]string{" ", ";", "|"}).Draw(t, "literal")))
	}
	if rapid.Bool().Draw(t, "condition") {
		fields = append(fields, fmt.Sprintf(`{flag: extra, set: "Y", clear: "N"}, {when: extra, fields: [%s, ";"], else: ["none;"]}`, draw(10, false)))
		g.terms = append(g.terms, genTerm{"extra", false, func(t *rapid.T) Value { return Bool(rapid.Bool().Draw(t, "extra")) }})
	}
	switch rapid.IntRange(0, 3).Draw(t, "group") {
	case 1:
		g.count = 3
		fields = append(fields, fmt.Sprintf(`{each: channel, count: 3, between: ",", fields: [%s, "/"]}`, draw(11, true)))
	case 2:
		g.count = rapid.IntRange(1, 5).Draw(t, "channels")
		fields = append(fields, fmt.Sprintf(`{decimal: channels, decimals: 0}, ":", {each: channel, count: channels, between: ",", fields: [%s, "/"]}`, draw(11, true)))
	case 3: // each group begins with what cannot be the end of them all
		g.count = rapid.IntRange(1, 5).Draw(t, "channels")
		fields = append(fields, fmt.Sprintf(`"(", {each: channel, count: rest, between: ",", fields: ["=", %s, "/"]}, ")"`, draw(11, true)))
	}
	check := rapid.SampledFrom([]string{"", "{check: xor, form: hex}", "{check: sum, size: 2, form: decimal}", "{check: crc-16/arc, form: hex, from: t0}", "{check: fletcher-32, form: hex}"}).Draw(t, "check")
	if check != "" {
		fields = append(fields, `"*"`, check)
	}
	g.src = "dialect: drawn\nframing: " + framing + "\nframes:\n  - name: x\n    fields:\n"
	for _, f := range fields {
		for _, one := range splitTop(f) {
			g.src += "      - " + one + "\n"
		}
	}
	return g
}

// splitTop splits at commas outside brackets and quotes.
func splitTop(s string) (out []string) {
	depth, quoted, from := 0, false, 0
	for i := range len(s) {
		switch c := s[i]; {
		case c == '"':
			quoted = !quoted
		case quoted:
		case c == '{' || c == '[':
			depth++
		case c == '}' || c == ']':
			depth--
		case c == ',' && depth == 0:
			out = append(out, strings.TrimSpace(s[from:i]))
			from = i + 1
		}
	}
	return append(out, strings.TrimSpace(s[from:]))
}

func (g generated) fill(t *rapid.T, d *Dialect, rec *Record) {
	rec.Reset()
	rec.Channels(max(g.count, 1))
	for _, term := range g.terms {
		n := 1
		if term.group {
			n = g.count
		}
		for ch := range n {
			rec.Set(d.Term(term.name), ch, term.value(t))
		}
	}
}

// What is encoded decodes to the same values, for drawn dialects and values.
//
// Kind: property.
func TestPropertyRoundTrip(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		g := drawDialect(t)
		d, err := Parse("drawn.yaml", []byte(g.src))
		if err != nil {
			t.Fatalf("%v\n%s", err, g.src)
		}
		rec := d.NewRecord()
		g.fill(t, d, rec)
		raw, err := d.AppendFrame([]byte("kept"), 0, rec)
		if err != nil {
			t.Fatalf("%v\n%s", err, g.src)
		}
		if string(raw[:4]) != "kept" {
			t.Fatal("the bytes before the frame changed")
		}
		e := d.NewEnd(Host)
		n := 0
		got := func(inc Incoming) {
			n++
			if inc.Garbage != nil {
				t.Fatalf("%v\n% X\n%s", inc.Garbage, raw[4:], g.src)
			}
			if string(inc.Raw) != string(raw[4:]) && string(inc.Raw) != string(raw[5:]) {
				t.Fatalf("raw is % X, sent % X", inc.Raw, raw[4:])
			}
			extra := inc.Rec.Get(d.Term("extra"), 0)
			for _, term := range g.terms {
				for ch := range rec.Groups() {
					want := rec.Get(d.Term(term.name), ch)
					if term.name == "t10" && !extra.True() {
						want = Value{}
					}
					if have := inc.Rec.Get(d.Term(term.name), ch); !have.Same(want) {
						t.Fatalf("%s/%d is %v, want %v\n% X\n%s", term.name, ch, have, want, raw[4:], g.src)
					}
				}
			}
		}
		e.Receive(raw[4:], 0, got)
		if at, ok := e.Deadline(); ok && n == 0 {
			e.Quiet(at, got)
		}
		if n != 1 {
			t.Fatalf("%d frames\n% X\n%s", n, raw[4:], g.src)
		}
	})
}

// event is one Incoming as far as a ledger would keep it.
type event struct {
	frame Frame
	raw   string
	start time.Duration
	why   string
	rec   string
}

func collect(d *Dialect, list *[]event) func(Incoming) {
	return func(inc Incoming) {
		ev := event{frame: inc.Frame, raw: string(inc.Raw), start: inc.Start}
		if inc.Garbage != nil {
			ev.why = inc.Garbage.Error()
		} else {
			ev.rec = shown(d, inc.Rec)
		}
		*list = append(*list, ev)
	}
}

// drawStream draws frames with damage and noise between them.
func drawStream(t *rapid.T, d *Dialect, g generated) []byte {
	rec := d.NewRecord()
	var stream []byte
	for range rapid.IntRange(1, 4).Draw(t, "frames") {
		if rapid.IntRange(0, 2).Draw(t, "noise") == 0 {
			stream = append(stream, rapid.SliceOfN(rapid.Byte(), 0, 12).Draw(t, "bytes")...)
		}
		g.fill(t, d, rec)
		raw, err := d.AppendFrame(nil, 0, rec)
		if err != nil {
			t.Fatal(err)
		}
		switch rapid.IntRange(0, 5).Draw(t, "damage") {
		case 0:
			raw[rapid.IntRange(0, len(raw)-1).Draw(t, "at")] ^= byte(rapid.IntRange(1, 255).Draw(t, "xor"))
		case 1:
			raw = raw[:rapid.IntRange(0, len(raw)).Draw(t, "cut")]
		}
		stream = append(stream, raw...)
	}
	return stream
}

// However the bytes are split, the same frames and the same garbage come out.
//
// Kind: property.
func TestPropertySplit(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		g := drawDialect(t)
		d, err := Parse("drawn.yaml", []byte(g.src))
		if err != nil {
			t.Fatal(err)
		}
		stream := drawStream(t, d, g)
		var whole, split []event
		one, two := d.NewEnd(Host), d.NewEnd(Host)
		one.Receive(stream, 7, collect(d, &whole))
		one.Quiet(time.Hour, collect(d, &whole))
		for rest := stream; len(rest) > 0; {
			n := rapid.IntRange(1, len(rest)).Draw(t, "n")
			two.Receive(rest[:n], 7, collect(d, &split))
			rest = rest[n:]
		}
		two.Quiet(time.Hour, collect(d, &split))
		if fmt.Sprint(whole) != fmt.Sprint(split) {
			t.Fatalf("whole %+v\nsplit %+v\n% X\n%s", whole, split, stream, g.src)
		}
	})
}

// Every byte that arrives is in exactly one frame or one piece of garbage, but
// for the ends of empty frames, and memory stays bounded.
//
// Kind: property.
func TestPropertyBytesAccounted(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		g := drawDialect(t)
		d, err := Parse("drawn.yaml", []byte(g.src))
		if err != nil {
			t.Fatal(err)
		}
		stream := drawStream(t, d, g)
		e := d.NewEnd(Host)
		var list []event
		e.Receive(stream, 0, collect(d, &list))
		if n := cap(e.buf) + cap(e.junk); n > 4*e.f.rawMost+4096 {
			t.Fatalf("%d bytes are kept; the longest frame has %d", n, e.f.rawMost)
		}
		e.Quiet(time.Hour, collect(d, &list))
		rest := string(stream)
		for _, ev := range list {
			i := strings.Index(rest, ev.raw)
			if i < 0 {
				t.Fatalf("%q was not sent there\n%q", ev.raw, rest)
			}
			for _, b := range []byte(rest[:i]) {
				if !e.f.ends.has(b) {
					t.Fatalf("%q is in no frame and no garbage\n%+v\n%s", rest[:i], list, g.src)
				}
			}
			rest = rest[i+len(ev.raw):]
		}
	})
}

// After any garbage, a frame that follows the framing's bound is read: a
// silence, an end of frame, or one frame's length.
//
// Kind: property.
func TestPropertyResync(t *testing.T) {
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
		noise := rapid.SliceOfN(rapid.Byte(), 0, 80).Draw(t, "noise")
		e := d.NewEnd(Host)
		good := 0
		count := func(inc Incoming) {
			if inc.Garbage == nil && inc.Frame == 0 {
				good++
			}
		}
		e.Receive(noise, 0, count)
		at := time.Duration(0)
		if e.f.Kind == silence {
			at = e.gap()
		}
		// As many frames as the longest one has bytes, and one more: whatever the
		// noise promised is over by then.
		frames := e.f.rawMost/len(raw) + 2
		for range frames {
			before := good
			e.Receive(raw, at, count)
			at += e.gap()
			e.Quiet(at, count)
			if good > before {
				break
			}
		}
		if e.f.stale > 0 && good == 0 {
			e.Quiet(at+e.f.stale, count)
			e.Receive(raw, at+e.f.stale, count)
		}
		if good == 0 {
			t.Fatalf("no frame was read after %d sent\nnoise % X\nframe % X\n%s", frames, noise, raw, g.src)
		}
	})
}
