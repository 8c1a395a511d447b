package wire

import (
	"errors"
	"strings"
	"testing"

	"example.org/understudy/sim/strict"
)

// Each mistake is one error at its place. The sign § marks the place.
//
// Kind: property.
func TestLint(t *testing.T) {
	t.Parallel()
	head := "dialect: d\nframing: {kind: cobs}\nframes:\n"
	line := "dialect: d\nframing: {kind: delimited, end: \"\\n\"}\nframes:\n"
	tests := []struct{ name, src, want string }{
		// The five kinds of mistake that are hard to see.
		{"overlapping bits", head + "  - {name: x, fields: [{flags: f, size: 1, bits: [{bits: [0, 3], int: a}, {§bit: 3, flag: b}]}]}", "the bits overlap another field's"},
		{"overlapping registers", "dialect: d\nframing: {kind: cobs}\nmaps:\n  - map: m\n    registers:\n      - {at: 0, holds: {float: reading, size: 4}}\n      - {at: §1, holds: {int: cell, size: 2}}\nframes:\n  - {name: x, fields: [A]}", "register 1 overlaps reading at 0"},
		{"ambiguous frames", head + "  - {name: x, fields: [{int: a, size: 1}, A]}\n  - {§name: y, fields: [B, {int: b, size: 1}]}", "the decode is ambiguous: x and y may both be the bytes 42 41; tell them apart with a literal, or write after: [x]"},
		{"ambiguous end of a number", line + "  - {name: x, fields: [{§decimal: a}, {decimal: b}]}", "the frame is ambiguous: where a ends cannot be told"},
		{"ambiguous end of a text", line + "  - {name: x, fields: [{§text: a}, {text: b}]}", "the frame is ambiguous: where a ends and b starts cannot be told"},
		{"ambiguous optional part", line + "  - {name: x, fields: [{§when: tag, fields: [{decimal: tag}, \" \"]}, {decimal: a}]}", "whether the part is there cannot be told"},
		{"ambiguous group", line + "  - {name: x, fields: [{§each: channel, count: rest, between: \",\", fields: [{decimal: a}]}, \",end\"]}", "where the groups end cannot be told"},
		{"the end may stand inside", line + "  - {name: x, fields: [{§int: a, size: 2}]}", "a may have the bytes \"\\n\""},
		{"the check may be the end", "dialect: d\nframing: {kind: delimited, end: \"\\n\", check: {§check: xor}}\nframes:\n  - {name: x, fields: [A]}", "may have the bytes \"\\n\""},
		{"unreachable frame", head + "  - {name: x, fields: [{int: a, size: 2}]}\n  - {§name: y, fields: [\"OK\"]}", "the decode is ambiguous: x and y may both be the bytes 4F 4B"},
		{"unreachable choice", head + "  - {name: x, fields: [{choice: zone, is: {below: A, above: §A}}]}", "A is already sent for below: above can never be read"},
		{"unreachable bits", head + "  - {name: x, fields: [{flags: f, size: 1, bits: [{bits: [0, 2], choice: zone, is: {below: 1, above: §1}}]}]}", "1 is already sent for below: above can never be read"},
		{"unreachable no", head + "  - {name: x, fields: [{flag: low, set: L, clear: §L}]}", "no can never be read"},
		{"unreachable void", head + "  - {name: x, fields: [{int: reading, size: 2, void: {over: 1, under: §1}}]}", "stands for two things"},
		{"unreachable alternative", head + "  - {name: x, fields: [{when: §1 > 0, fields: [A], else: [B]}]}", "one of its alternatives is unreachable"},
		{"unreachable state", head + "  - {name: x, fields: [A]}\ncommands: [{name: c, fields: [C]}]\nstates:\n  - {state: a, rules: [{upon: c, go: a}]}\n  - {state: §b}", "the state \"b\" is unreachable"},
		{"unreachable rule", head + "  - {name: x, fields: [A]}\ncommands: [{name: c, fields: [C]}]\nstates:\n  - {state: a, rules: [{upon: c, go: a}, {§upon: c, send: x}]}", "this one is unreachable"},
		{"overflow in scaling", head + "  - {name: x, fields: [{int: reading, size: 2, sign: twos, scale: 0.001, range: [-25, §40]}]}", "the value overflows the field: 40 does not fit in the field"},
		{"overflow of digits", head + "  - {name: x, fields: [{decimal: reading, width: 6, decimals: 3, range: [§-10, 10]}]}", "the value overflows the field"},
		{"overflow of a constant", head + "  - {name: x, fields: [{int: code, size: 1, value: §300}]}", "the constant overflows the field"},
		{"overflow of a counter", head + "  - {name: x, fields: [{int: seq, size: 1, wraps: §1000}]}", "the count overflows before it wraps: 999"},
		{"overflow of a choice", head + "  - {name: x, fields: [{choice: unit, size: 1, is: {mm: §256}}]}", "256 does not fit in 8 bits"},
		{"overflow of packed digits", head + "  - {name: x, fields: [{bcd: reading, digits: 4, decimals: 3, range: [0, §12]}]}", "the value overflows the field"},
		{"void is also a value", head + "  - {name: x, fields: [{int: reading, size: 2, sign: twos, range: [-100, 100], void: §50}]}", "50 is also the value 50"},
		{"check of no field", head + "  - {name: x, fields: [{int: first-byte, size: 1}, {check: xor, from: §last-byte}]}", "the range reaches outside the frame: there is no field \"last-byte\" in it; did you mean \"first-byte\"?"},
		{"check beyond the last byte", head + "  - {name: x, fields: [{int: a, size: 2}, {check: xor, from: 0, to: §7}]}", "the range reaches outside the frame: there is no byte 7; its bytes are 0 to 2"},
		{"check over itself", head + "  - {name: x, fields: [{int: a, size: 2}, {check: xor, from: 0, to: §2}]}", "the check covers itself; the last byte before it is 1"},
		{"check in another group", head + "  - {name: x, fields: [{int: a, size: 1}, {each: channel, count: 2, fields: [{int: b, size: 1}, {check: xor, from: §a}]}]}", "the range reaches outside the frame"},
		{"length of what stands before", head + "  - {name: x, fields: [{text: name, width: 4}, {length: §name, size: 1}]}", "\"name\" stands before its length"},
		{"a frame too long for its length", "dialect: d\nframing: {kind: length, size: §1}\nframes:\n  - {name: x, fields: [{skip: 300}]}", "the length of frame x does not fit in 1 bytes"},
		{"a frame of another length", "dialect: d\nframing: {kind: fixed, bytes: 4}\nframes:\n  - {§name: x, fields: [{int: a, size: 2}]}", "the frame x cannot have 4 bytes"},

		// Everyday mistakes.
		{"unknown key", head + "  - {name: x, fields: [{decimal: a, §wdth: 3}]}", "unknown key \"wdth\"; did you mean \"width\"?"},
		{"key of another kind", head + "  - {name: x, fields: [{decimal: a, §size: 3}]}", "unknown key \"size\"; the keys here are decimal, name, width"},
		{"two kinds", head + "  - {name: x, fields: [{decimal: a, int: §b}]}", "a field is one thing, not both decimal and int"},
		{"no kind", head + "  - {name: x, fields: [{§width: 3}]}", "the field has no kind"},
		{"misspelt term", head + "  - {name: x, fields: [{§decimal: readng}]}", "no gauge has the term \"readng\"; did you mean \"reading\"?"},
		{"misspelt flag", head + "  - {name: x, fields: [{§flags: f, size: 1, bits: [{bit: 0, flag: taged}]}]}", "did you mean \"tagged\"?"},
		{"unknown check", head + "  - {name: x, fields: [{check: §crc-16/modbux}]}", "unknown check \"crc-16/modbux\"; did you mean \"crc-16/modbus\"?"},
		{"unknown framing", "dialect: d\nframing: {kind: §delimted, end: A}\nframes: []", "did you mean \"delimited\"?"},
		{"framing without an end", "dialect: d\nframing: {§kind: delimited}\nframes:\n  - {name: x, fields: [A]}", "delimited framing needs an end"},
		{"key of another framing", "dialect: d\nframing: {kind: cobs, gap: §5 ms}\nframes:\n  - {name: x, fields: [A]}", "the key \"gap\" means nothing for cobs framing"},
		{"no byte", head + "  - {name: x, fields: [§\"12 €\"]}", "is not one byte"},
		{"unknown zone", head + "  - {name: x, fields: [{choice: zone, is: {bellow: §A}}]}", "did you mean \"below\"?"},
		{"unknown verb", head + "  - {name: x, fields: [A]}\ncommands: [{name: c, fields: [C], does: §zeroo}]", "did you mean \"zero\"?"},
		{"unknown reply", head + "  - {name: done, fields: [A]}\ncommands: [{name: c, fields: [C], does: zero, reply: §doen}]", "did you mean \"done\"?"},
		{"set of nothing", head + "  - {name: x, fields: [A]}\ncommands: [{name: c, fields: [C], does: §set}]", "which setting is not said"},
		{"channel by name", head + "  - {name: x, fields: [A]}\ncommands: [{name: c, fields: [C, {§text: channel}], does: zero}]", "a command's channel must be a number"},
		{"same name", head + "  - {name: x, fields: [A]}\n  - {name: §x, fields: [B]}", "the name \"x\" is already taken"},
		{"division", head + "  - {name: x, fields: [{int: a, size: 1}, {int: b, size: 1, value: §\"=a / 2\"}]}", "the operator / is not part of an expression here"},
		{"fraction", head + "  - {name: x, fields: [{int: a, size: 1}, {when: §a > 0.5, fields: [A]}]}", "a number with a fraction is not part of an expression here"},
		{"decimal in an expression", head + "  - {name: x, fields: [{decimal: reading}, \" \", {when: §reading > 1, fields: [A]}]}", "reading is a decimal"},
		{"unknown name in an expression", head + "  - {name: x, fields: [{int: count, size: 1}, {when: §cuont > 1, fields: [A]}]}", "unknown name \"cuont\"; did you mean \"count\"?"},
		{"later name in a condition", head + "  - {name: x, fields: [{when: §b > 1, fields: [A]}, {int: b, size: 1}]}", "unknown name \"b\""},
		{"wrong types in an expression", head + "  - {name: x, fields: [{text: name, width: 2}, {when: §name > 1, fields: [A]}]}", "invalid operation"},
		{"loop in an expression", head + "  - {name: x, fields: [{int: a, size: 1}, {when: §\"any(1..1000000, # == a)\", fields: [A]}]}", "is not part of an expression here"},
		{"swapped single byte", head + "  - {name: x, fields: [{int: a, size: 1, order: §big-swapped}]}", "1 bytes are not whole 16-bit words"},
		{"circle", head + "  - {§name: x, after: [y], fields: [{int: a, size: 1}]}\n  - {name: y, after: [x], fields: [{int: b, size: 1}]}", "wait for each other in a circle"},
		{"bad layout", head + "  - {name: x, fields: [{time: clock, layout: §\"mm:hh\"}]}", "is no layout of a time"},
		{"zone of before", head + "  - {name: x, fields: [{choice: zone, is: {below: A, warn-low: B, in: §C, warn-high: D, above: E, void: F}}]}", `the zone "in" is called "inside" now; write inside`},
		{"zone without a value", head + "  - {name: x, fields: [{§choice: zone, is: {below: A, inside: B, above: C}}]}", "zone may be warn-low, and nothing is sent for that"},
		{"bits without a value", head + "  - {name: x, fields: [{flags: f, size: 1, bits: [{§bit: 0, choice: sense, is: {rising: 0}}]}]}", "sense may be falling, and nothing is sent for that"},
		{"alias of nothing", head + "  - {name: x, fields: [{choice: a, is: {x: A}, like: {§z: y}}]}", "\"y\" is not listed"},
		{"bad header", head + "  - {name: x, fields: [{header: §\"abc?\"}]}", "is no part of a command's name"},
		{"line of several commands", "dialect: d\nserial-line: {baud: §1}\nframing: {kind: cobs}\nframes:\n  - {name: x, fields: [A]}", "1 cannot stand here; write 50 to 4000000"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			before, _, marked := strings.Cut(tt.src, "§")
			if !marked {
				t.Fatal("the place is not marked")
			}
			src := strings.Replace(tt.src, "§", "", 1)
			wantLine := strings.Count(before, "\n") + 1
			wantCol := len([]rune(before[strings.LastIndexByte(before, '\n')+1:])) + 1
			_, err := Parse("d.yaml", []byte(src))
			var list strict.Errors
			if !errors.As(err, &list) {
				t.Fatalf("no mistake was found\n%s", src)
			}
			for _, e := range list {
				if strings.Contains(e.Error(), tt.want) {
					if e.Line != wantLine || e.Column != wantCol {
						t.Errorf("%v\nstands at %d:%d", e, wantLine, wantCol)
					}
					return
				}
			}
			t.Errorf("got %v\nwant %s", err, tt.want)
		})
	}
}

// The shipped dialects are linted by being parsed; a word about the order lets
// two frames look alike.
//
// Kind: property.
func TestAfter(t *testing.T) {
	t.Parallel()
	d := parse(t, "after.yaml", `
dialect: after
framing: {kind: cobs}
frames:
  - {name: any, after: [special], fields: [{int: a, size: 2}]}
  - {name: special, fields: ["OK"]}
`)
	if got := receive(d, Host, "\x03OK\x00\x03AB\x00"); len(got) != 2 || got[0] != "special: " || got[1] != "any: a=16706 " {
		t.Errorf("%q", got)
	}
}
