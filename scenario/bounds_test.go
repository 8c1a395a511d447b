package scenario_test

import (
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
