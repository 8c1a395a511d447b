package rehearse

import (
	"bytes"
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/shard"
	"example.org/understudy/sim/strict"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

// A wired gauge has no radio and no cell, whatever the rest of its line does: its tags
// are at their port as they are given, and on its first channel it measures the parts
// that it would have measured on the radio.
//
// Kind: property.
func TestWired(t *testing.T) {
	t.Parallel()
	wired := edited(t, "bench", "{name: bore-1}", "{name: bore-1, wired: true}", "receivers:\n  - {name: desk, at: [2.5 m, 1 m], better-by: 12 dB}\n", "")
	w, r := wired.Play(2, true), shipped(t, "bench").Play(2, true)
	g := w.Gauges[0]
	require.Equal(t, r.Gauges[0].Judged, g.Judged)
	require.Equal(t, r.Gauges[0].Tags, g.Tags)
	require.Zero(t, g.Lost+g.Stalls.N+g.Away.N+g.Gone.N+g.Flat.N+g.Swaps)
	require.Zero(t, g.Late.Most, "a wire takes no time of its own")
	require.Equal(t, g.Tags, w.Host.Records)
	frames := int(wired.Shift.D().Seconds())*10 + g.Tags // 10 Hz
	require.InDelta(t, frames, w.Ports[0].Records, 1)
	result, err := wired.Rehearse(context.Background(), 2, shard.Shard{K: 1, N: 1}, 0)
	require.NoError(t, err)
	s := wired.Summarise(result)
	require.True(t, s.Holds)
	require.NotContains(t, strings.Join(s.Words, " "), "radio reaches")
	var page, text bytes.Buffer
	require.NoError(t, errors.Join(s.HTML(&page), s.Text(&text)))
	require.NotContains(t, page.String()+text.String(), "Inf")
}

// Each channel of a fixture is judged by the feature it measures, the computed ones
// too, and what the host shows of a process has the error of measurement in it: the
// variances add (JCGM 106:2012, 6.2.1, from memory), and rounding to a step q adds
// q²/12 (JCGM 100:2008, F.2.2.1, from memory).
//
// Kind: outside.
func TestFixtures(t *testing.T) {
	t.Parallel()
	l := shipped(t, "housing")
	result, err := l.Rehearse(context.Background(), 8, shard.Shard{K: 1, N: 1}, 0)
	require.NoError(t, err)
	s := l.Summarise(result)
	parts := map[string]float64{}
	for i := range s.Features {
		f, of := &s.Features[i], &l.features[i]
		parts[of.name] = f.Parts
		step, _ := of.grid()
		near(t, of.name+": spread of the readings", f.Shown.All, math.Sqrt(of.spread*of.spread+of.u*of.u+step*step/12), 0.04*of.spread)
		near(t, of.name+": spread of the parts", f.Capability.All, of.spread, 0.04*of.spread)
		require.Equal(t, math.IsInf(of.lower, -1), math.IsInf(f.Capability.Cp.Value, 1), of.name)
	}
	near(t, "faces are measured by four probes", parts["face"], 4*parts["width"], 1e-9)
	near(t, "each part has one run-out", parts["run-out"], parts["width"], 1e-9)
	var b bytes.Buffer
	require.NoError(t, s.Text(&b))
	require.Contains(t, b.String(), "run-out up to 0.03 mm")
}

// Each station of a line plays by itself, with the settings that are its gauges'.
//
// Kind: property.
func TestStations(t *testing.T) {
	t.Parallel()
	l := shipped(t, "housing")
	gauges := 0
	for i := range l.Stations {
		one, all := l.Only([]string{l.Stations[i].Name})
		require.Len(t, all, 4)
		s, err := one.Scenario(0, time.Minute)
		require.NoError(t, err)
		require.Len(t, s.Gauges, len(l.Stations[i].Gauges))
		gauges += len(s.Gauges)
		trials, err := one.Acceptance()
		require.NoError(t, err)
		require.Len(t, trials, 3)
	}
	require.Equal(t, len(l.gauges), gauges)
	none, _ := l.Only([]string{"boring", "no such"})
	require.Nil(t, none)
}

// Kind: property.
func TestCrosses(t *testing.T) {
	t.Parallel()
	p := func(x, y float64) [2]float64 { return [2]float64{x, y} }
	for _, c := range []struct {
		a, b, c, d [2]float64
		want       bool
	}{
		{p(0, 0), p(4, 4), p(0, 4), p(4, 0), true},
		{p(0, 0), p(1, 1), p(0, 4), p(4, 0), false},
		{p(0, 0), p(2, 2), p(0, 4), p(4, 0), true}, // ends on it
		{p(0, 0), p(0, 0), p(0, 4), p(4, 0), false},
		{p(0, 0), p(9, 0), p(3, -1), p(3, 1), true},
		{p(0, 0), p(9, 0), p(3, 1), p(3, 2), false},
	} {
		if got := crosses(c.a, c.b, c.c, c.d); got != c.want {
			t.Errorf("%v-%v and %v-%v: %v", c.a, c.b, c.c, c.d, got)
		}
	}
}

// Kind: property.
func TestWarmth(t *testing.T) {
	t.Parallel()
	l := shipped(t, "hall") // 14 at 0 h, 18 at 2 h, 24 at 6 h, 23 at 8 h
	for at, want := range map[time.Duration]int{0: 14, time.Hour: 16, 2 * time.Hour: 18, 4 * time.Hour: 21, 6 * time.Hour: 24, 8 * time.Hour: 23} {
		if got := l.warmth(at); got != want {
			t.Errorf("%v: %d °C, not %d", at, got, want)
		}
	}
}

// Mistakes of a file are told with their place and with what would be right.
//
// Kind: property.
func TestMistakes(t *testing.T) {
	t.Parallel()
	bench := string(shipped(t, "bench").Text)
	for _, c := range []struct{ old, new, want string }{
		{"8 H8", "8 H19", "bench.yaml:17:30: "},
		{"8 H8", "8H8", "write one such as 8 H8"},
		{"8 H8", "600 H8", "up to 500 mm"},
		{"size: 8 H8", "nominal: 8 mm", `"spool bore" has no tolerance`},
		{"size: 8 H8", "nominal: 8 mm, limits: [8.02 mm, 8.00 mm]", "not in order"},
		{"spread: 0.0022 mm", "spread: 0 mm", "a width above zero"},
		{"takt: 45 s", "takt: 45 mm", "bench.yaml:9:7: "},
		{"shift: 8 h", "shift: 80 h", "write a time of 1m0s to 24h0m0s"},
		{"takt:", "tact:", `"takt"`},
		{"class: 2", "class: 4", "bench.yaml:20:15: there is no power class 4; write 1, 2 or 3"},
		{"rate: 10 Hz", "rate: 0.01 Hz", "bench.yaml:20:24: no radio gauge streams at 0.01 Hz; write 0.1 Hz to 1000 Hz"},
		{"dialect: line-ascii", "dialect: modbus-rtu", "bench.yaml:20:40: bore-1: its dialect modbus-rtu sends nothing on its own"},
		{"dialect: line-ascii", "dialect: no-such", "bench.yaml:20:40: open dialects/no-such.yaml"},
		{"8 H8", "8 Q8", `bench.yaml:17:30: "Q8" is not a tolerance class of ISO 286-1: no deviation Q is known here; write one such as H8, g6 or js7`},
		{"at: [0 m, 0 m]", "at: [5000 m, 0 m]", "bench.yaml:22:23: bore-1 stands 4998 m from its receiver desk; write places no more than 1000 m apart"},
		{"at: [0 m, 0 m]", "at: [0 m]", "2 values belong here, not 1"},
		{"place: office-in-sight", "place: office", `"office" is not a place; write free-air, office-in-sight`},
		{"better-by: 12 dB", "better-by: 12 dBm", "bench.yaml:19:47: "},
		{"receivers:", "recievers:", `unknown key "recievers"; did you mean "receivers"?`},
		{"double-tags: 0.5 %", "double-tags: 0.5", "has no unit"},
		{"{name: bore-1}", "{name: bore-1}, {name: bore-1}", `a second gauge is called "bore-1"`},
		{"{name: bore-1}", "{name: bore 1}", "cannot name a gauge"},
		{"{name: bore-1}", "{name: b, receiver: dusk}", `did you mean "desk"?`},
		{"{name: bore-1}", "{name: b, feature: spol bore}", `did you mean "spool bore"?`},
		{"{name: bore-1}", "{name: a}, {name: b}, {name: c}, {name: d}, {name: e}, {name: f}, {name: g}, {name: h}", "h has no receiver: all 7 places of the line's receivers are taken; add a receiver"},
		{"better-by: 12 dB", "better-by: 12 dB, places: 8", "bench.yaml:19:62: no radio talks to 8 gauges at a time; write 1 to 7"},
		{"better-by: 12 dB", "better-by: 12 dB, places: 1", ""},
		{"{name: bore-1}", "{name: bore-1, queue: -1}", "-1 is no number"},
		{"gauges: [{name: bore-1}]", "gauges: []", `"bench" has no gauge`},
		{"{at: 4 h, for: 30 min}", "{at: 1 h, for: 30 min}", "write the breaks in order"},
		{"{at: 6 h, for: 10 min}", "{at: 7 h, for: 2 h}", "does not lie in a shift"},
		{"is: 19 °C", "is: 90 °C", "a cell works from"},
		{"forgets: 0.3 %", "forgets: 130 %", "0 to 100 %"},
		{"better-by: 12 dB", "better-by: 60 dB", "hears 60 dB better"},
		{"understudy-line: 1", "understudy-line: 2", "write understudy-line: 1"},
		{"capacity: 180 mAh", "capacity: 0 mAh", "bench.yaml:20:62: "},
		{"per-record: 20 ms", "per-record: 20 ms, guarded: true", ""},
		{"per-record: 20 ms", "per-record: 2 h", "write a time of"},
		{"per-record: 20 ms", "per-record: 20 ms, uncertainty: 0.002 mm", "on a line each feature has its own uncertainty; write guarded: true"},
		{"per-record: 20 ms", "per-record: 20 ms, writes: [{gauge: bore-2, set: function, to: min}]", `there is no gauge "bore-2"; did you mean "bore-1"?`},
		{"{name: bore-1}", "{name: bore-1, wired: true}", ""},
		{"{name: bore-1}", "{name: bore-1, wired: true, class: 1}", "bore-1 is wired: it has no radio, no cell and no place at a receiver; leave it out"},
		{"{name: bore-1}", "{name: bore-1, wired: true, charge: 50 %}", "bore-1 is wired"},
		{"{name: bore-1}", "{name: bore-1, profile: no-such}", "no-such"},
		{"{name: bore-1}", "{name: bore-1, profile: fixture-four}", "bore-1 has the channels P1, P2, P3, P4, width, spread; name each under channels: or computed:, with its feature"},
		{"{name: bore-1}", "{name: f, dialect: multi-ascii, channels: [{name: A}, {name: B, feature: spol bore}]}", `did you mean "spool bore"?`},
		{"{name: bore-1}", "{name: f, dialect: multi-ascii, computed: [{name: C, is: sum, of: [A, B]}]}", "f computes channels of channels that it does not name; write channels: [{name: A}, {name: B}]"},
		{"{name: bore-1}", "{name: f, dialect: multi-ascii, channels: [{name: A}, {name: B}], computed: [{name: C, is: sum, of: [A, B], limits: [none, 1 mm]}]}", "what C is held against is its feature's; write it at the feature"},
		{"size: 8 H8", "nominal: 0.008 mm, limits: [none, 0.030 mm]", ""},
		{"size: 8 H8", "nominal: 8 mm, limits: [none, none]", `"spool bore" has no tolerance`},
		{"size: 8 H8", "nominal: 0.040 mm, limits: [none, 0.030 mm]", "not in order; write the smaller limit first, and the nominal size and the warning limits inside"},
	} {
		require.Contains(t, bench, c.old)
		_, err := Parse("bench.yaml", []byte(strings.Replace(bench, c.old, c.new, 1)), dialects)
		switch {
		case c.want == "" && err != nil:
			t.Errorf("%s: %v", c.new, err)
		case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)):
			t.Errorf("%s: %v", c.new, err)
		}
	}
	// what all gauges share is told once, where it stands
	hall := strings.NewReplacer("rate: 10 Hz", "rate: 5000 Hz", "health: 75 %", "health: 5 %").Replace(string(shipped(t, "hall").Text))
	_, err := Parse("hall.yaml", []byte(hall), dialects)
	require.EqualError(t, err, "hall.yaml:35:24: no radio gauge streams at 5000 Hz; write 0.1 Hz to 1000 Hz\n"+
		"hall.yaml:35:81: 5 is no share for it; write 20 % to 100 %")
	eight := strings.Replace(bench, "{name: bore-1}", "{name: a}, {name: b}, {name: c}, {name: d}, {name: e}, {name: f}, {name: g}, {name: h}", 1)
	eight = strings.Replace(eight, "each: {", "each: {receiver: desk, ", 1)
	_, err = Parse("bench.yaml", []byte(eight), dialects)
	require.ErrorContains(t, err, "h is one too many for receiver desk, which talks to 7 at a time; give it to another receiver")
}

// A file is read and its gauges made ready, and a short shift is played, but
// without the frames of its dialects, which are fuzzed where they are read.
//
// Kind: property.
func FuzzParse(f *testing.F) {
	for _, name := range []string{"bench", "cell"} {
		text := string(shipped(f, name).Text)
		f.Add(text)
		f.Add(strings.NewReplacer("8 h", "2 min", "takt: 45 s", "takt: 2 s", "4 h", "1 min").Replace(text))
	}
	f.Add("understudy-line: 1\n")
	f.Fuzz(func(t *testing.T, text string) {
		l := &Line{}
		doc, _ := strict.Decode("fuzz.yaml", []byte(text), &l.File)
		if doc.Err() == nil {
			(&reader{l, doc, map[any]bool{}}).build()
		}
		if doc.Err() == nil && l.Shift.D() <= 5*time.Minute && len(l.gauges) < 20 {
			require.Empty(t, cmp.Diff(l.Play(0, true), l.Play(0, true)), "the same shift twice")
		}
	})
}
