package scenario_test

import (
	"strings"
	"testing"

	"example.org/understudy/scenario"
	"github.com/google/go-cmp/cmp"
)

// What would make a timeline without end is a mistake of the file, at its place.
//
// Kind: property.
func TestBoundsOfATimeline(t *testing.T) {
	for _, c := range []struct{ name, stream, cue, until, want string }{
		{name: "the slowest rate", stream: "0.001 Hz"},
		{name: "the fastest rate", stream: "10 kHz"},
		{name: "the longest timeline", cue: "{at: 1000 h, do: tag}", until: "1000 h"},
		{name: "a rate that rounds to nothing", stream: "1e-10 Hz", want: `f:3:49: "1e-10 Hz": a rate is 0.001 Hz to 1 GHz`},
		{name: "a rate below the slowest", stream: "0.0009 Hz", want: `f:3:49: "0.0009 Hz": a rate is 0.001 Hz to 1 GHz`},
		{name: "a late cue", cue: "{at: 1000000000000000000 ns, do: tag}", want: "f:4:9: 1000000000 s is after the end of the longest timeline, 1000 h; do it earlier"},
		{name: "a late end", until: "10000 h", want: "f:5:8: 10000 h is longer than the longest timeline, 1000 h; end it earlier"},
		{name: "an act that lasts", cue: "{at: 0 s, do: move to, size: 1 mm, over: 2000 h}", want: "f:4:9: move to: it lasts longer than 1000 h, the longest timeline"},
		{name: "many tags", cue: "{at: 0 s, do: tag, times: 100000, every: 36 s}"},
		{name: "many tags that last", cue: "{at: 0 s, do: tag, times: 100000, every: 1000000000000000 ns}", want: "f:4:9: tag: it lasts longer than 1000 h, the longest timeline"},
		{name: "many presses that bounce", cue: "{at: 0 s, do: press, button: A, times: 100000, bounces: 100000}",
			want: "f:4:9: press: times and bounces make 10000000000 contacts, and at most 100000 are carried out"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.stream == "" {
				c.stream = "20 Hz"
			}
			text := "understudy: 1\ntitle: bounds\ngauges: [{name: a, dialect: line-ascii, stream: " + c.stream + "}]\ncues: [" + c.cue + "]\n"
			if c.until != "" {
				text += "until: " + c.until + "\n"
			}
			_, err := scenario.Parse("f", []byte(text), shippedDialect)
			got := ""
			if err != nil {
				got = err.Error()
			}
			if d := cmp.Diff(c.want, got); d != "" {
				t.Error(d)
			}
		})
	}
}

// A value that a host has to write may have its unit; the gauge gets the number alone,
// in the unit that it has at that moment.
// Kind: property.
func TestWritesWithUnits(t *testing.T) {
	for _, c := range []struct{ name, writes, want string }{
		{name: "as they are", writes: "{do: preset, to: 0.50000}, {set: function, to: max}, {do: zero}", want: "0.50000 max "},
		{name: "in the gauge's unit", writes: "{do: preset, to: 8.000 mm}, {set: upper, to: 8.015 mm}, {set: rate, to: 20 Hz}, {set: idle-off, to: 60 s}", want: "8.000 8.015 20 60"},
		{name: "in another", writes: "{do: preset, to: 0.50000 in}, {set: lower, to: 7985 µm}", want: "12.7 7.985"},
		{name: "in the unit that is set before", writes: "{set: unit, to: in}, {do: preset, to: 0.50000 in}, {set: upper, to: 25.4 mm}", want: "in 0.50000 1"},
		{name: "that does not go", writes: "{set: unit, to: in}, {do: preset, to: 8 mm}", want: "f:4:55: 8 mm cannot be written in in, the unit of the gauge, exactly"},
		{name: "that is none", writes: "{set: rate, to: 1 kHz}", want: `f:4:33: "1 kHz" belongs in Hz here`},
		{name: "of something else", writes: "{do: preset, to: 8 s}", want: `f:4:34: "8 s" is a time, and a length belongs here; write it such as 8.000 mm`},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := "understudy: 1\ntitle: writes\ngauges: [{name: a, dialect: line-ascii, resolution: 0.001 mm}]\nhost: {writes: [" + c.writes + "]}\n"
			s, err := scenario.Parse("f", []byte(text), shippedDialect)
			got := ""
			if err != nil {
				got = err.Error()
			} else {
				var to []string
				for _, w := range s.Writes(0) {
					to = append(to, w.To)
				}
				got = strings.Join(to, " ")
			}
			if d := cmp.Diff(c.want, got); d != "" {
				t.Error(d)
			}
		})
	}
}
